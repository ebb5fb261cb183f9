"""Whole curves drawn so that every hot time is a known multiple of its cold one.

All traces are invented: one drawn shape, its clock stretched. At every level the log ratio of
times is then the logarithm of the stretch, whatever the shape.
"""

import numpy as np
import pytest

from metafreeze.curves.progress import Level
from metafreeze.curves.whole import CurveRun, _interval, compare_curves, spell_level
from metafreeze.options import CurveArm

STRETCH = 1.25
ARMS: tuple[tuple[CurveArm, float], ...] = (("hot", STRETCH), ("cold", 1.0))
# Twice half a step of ten seconds over the shortest time at a level, 300 s.
PLACED = 0.04
WATER = tuple(Level(kind="water", value=float(c)) for c in (17, 15, 13, 11, 9, 7, 5, 3))
TO_ICE = (*WATER, Level(kind="share", value=0.5), Level(kind="share", value=1.0))


def run(
    name: str,
    arm: CurveArm,
    *,
    stretch: float = 1.0,
    block: str = "",
    probe: str = "",
    hidden_s: tuple[float, float] = (0.0, 0.0),
    until_s: float = np.inf,
    sink_c: float = float("nan"),
) -> CurveRun:
    own = np.arange(0.0, 11000.0, 10.0 / stretch)
    temp = np.interp(own, [0, 2000, 6000], [20.0, 0.0, 0.0])
    temp = np.where(own > 6000, -18.0 + 18.0 * np.exp(-(own - 6000) / 1500.0), temp)
    seen = ((own <= hidden_s[0]) | (own >= hidden_s[1])) & (own <= until_s)
    return CurveRun(
        run=name,
        arm=arm,
        block=block,
        probe=probe,
        time_s=own[seen] * stretch,
        temp_c=temp[seen],
        sink_c=sink_c,
    )


def blocks(number: int, *, probe: str = "") -> list[CurveRun]:
    return [
        run(f"{arm} {b}", arm, stretch=s * (1 + 0.02 * b), block=f"b{b}", probe=probe)
        for b in range(number)
        for arm, s in ARMS
    ]


def test_a_stretched_clock_is_its_logarithm_at_every_level() -> None:
    found = compare_curves(blocks(5), levels=TO_ICE)
    one = found.probes[0]
    assert found.pairing == "paired" and one.levels == TO_ICE and one.reached_end
    np.testing.assert_allclose(one.band.middle, np.log(STRETCH), rtol=0, atol=PLACED)
    # The rates fall as the times rise.
    np.testing.assert_allclose(one.rates.middle, -np.log(STRETCH), rtol=0, atol=PLACED)
    assert one.residual_log_ratio == pytest.approx(np.log(STRETCH), abs=PLACED)
    assert one.residual_low <= one.residual_log_ratio <= one.residual_high
    assert found.lead == "cold"
    assert found.headline() == (
        f"cold start ahead from {spell_level(one.levels[one.lead.from_place])} to the end "
        "(paired, 5 blocks)"
    )


def test_pairing_can_be_declined() -> None:
    found = compare_curves(blocks(5), levels=TO_ICE, pairing="unpaired")
    assert found.pairing == "unpaired" and found.probes[0].band.blocks == (5, 5)
    np.testing.assert_allclose(found.probes[0].band.middle, np.log(STRETCH), atol=PLACED)


def test_levels_that_a_gap_hides_are_filled_between_those_seen() -> None:
    # 17 and 9 °C stand on either side; the cooling is straight, so what is filled in is true.
    hidden = [
        run(r.run, r.arm, stretch=s * (1 + 0.02 * b), block=r.block, hidden_s=(400.0, 1000.0))
        for b in range(5)
        for s, r in zip((STRETCH, 1.0), blocks(5)[2 * b : 2 * b + 2], strict=True)
    ]
    one = compare_curves(hidden, levels=WATER).probes[0]
    assert one.levels == WATER
    np.testing.assert_allclose(one.band.middle, np.log(STRETCH), rtol=0, atol=PLACED)


def test_too_wide_a_gap_ends_the_comparison_before_it() -> None:
    lost = run("hot 0", "hot", stretch=STRETCH, block="b0", hidden_s=(800.0, 1900.0))
    one = compare_curves([lost, *blocks(5)[1:]], levels=WATER).probes[0]
    assert one.levels == WATER[:3]
    assert one.shortened_by == ("hot 0",)


def test_runs_that_share_no_level_are_not_compared() -> None:
    early = [run(r.run, r.arm, block=r.block, until_s=200.0) for r in blocks(5)]
    found = compare_curves(early, levels=(Level(kind="water", value=4.0),))
    one = found.probes[0]
    assert one.levels == () and one.band.middle.shape == (0,)
    assert found.status == "unidentifiable" and found.lead == "nobody"
    assert np.isnan(one.residual_log_ratio) and np.isnan(one.residual_from_c)
    assert found.note == (
        "a band needs at least 4 blocks in each arm that reach one level together, and there "
        "are 0; no statement on the end: some runs were not followed to it "
        "(cold 0, cold 1, cold 2, cold 3, cold 4, hot 0, hot 1, hot 2, hot 3, hot 4)"
    )
    assert found.to_frame().empty


def test_pairs_asked_for_but_not_there_leave_nothing_to_compare() -> None:
    apart = [run("h", "hot", block="a"), run("c", "cold", block="b")]
    found = compare_curves(apart, levels=WATER, pairing="paired")
    one = found.probes[0]
    assert one.runs == (0, 0) and one.band.blocks == (0,)
    assert found.note == (
        "a band needs at least 4 blocks in each arm that reach one level together, and there "
        "are 0; no statement on the end: some runs were not followed to it"
    )
    assert np.isnan(one.residual_log_ratio)


def test_a_single_pair_has_a_residual_but_no_interval() -> None:
    one = compare_curves(blocks(1), levels=TO_ICE, pairing="paired").probes[0]
    assert one.residual_log_ratio == pytest.approx(np.log(STRETCH), abs=PLACED)
    assert np.isnan([one.residual_low, one.residual_high]).all()


def test_a_single_run_an_arm_has_a_residual_but_no_interval() -> None:
    one = compare_curves(blocks(1), levels=TO_ICE, pairing="unpaired").probes[0]
    assert one.residual_log_ratio == pytest.approx(np.log(STRETCH), abs=PLACED)
    assert np.isnan([one.residual_low, one.residual_high]).all()


def test_a_probe_that_one_arm_lacks_allows_no_claim() -> None:
    # The second place was read in hot vessels only.
    lid = [r for r in blocks(5, probe="lid") if r.arm == "hot"]
    found = compare_curves([*lid, *blocks(5)], levels=TO_ICE, pairing="unpaired")
    by_probe = {one.probe: one for one in found.probes}
    assert by_probe["lid"].runs == (5, 0)
    assert np.isnan(by_probe["lid"].band.middle).all()
    np.testing.assert_allclose(by_probe[""].band.middle, np.log(STRETCH), atol=PLACED)
    assert found.status == "unidentifiable" and found.lead == "nobody"


def test_equal_arms_have_no_lead_and_say_so() -> None:
    # Half of the pairs go one way, half the other, by as much.
    pairs = [
        run(f"{arm} {b}", arm, stretch=1.1 if (arm == "hot") == bool(b % 2) else 1.0, block=f"b{b}")
        for b in range(6)
        for arm, _ in ARMS
    ]
    found = compare_curves(pairs, levels=TO_ICE)
    assert found.lead == "nobody" and found.lead_from is None and found.status == "ok"
    assert found.headline() == "neither start is surely ahead to the end (paired, 6 blocks)"


def test_known_sinks_turn_rates_into_rate_constants() -> None:
    # In a sink twice as far below a level the same rate is half the constant.
    near = [run(f"h{b}", "hot", block=f"b{b}", sink_c=-3.0) for b in range(4)]
    far = [run(f"c{b}", "cold", block=f"b{b}", sink_c=-9.0) for b in range(4)]
    found = compare_curves([*near, *far], levels=(Level(kind="water", value=3.0),))
    assert found.probes[0].rates.middle[0] == pytest.approx(np.log(2.0), abs=1e-9)
    # All blocks are copies of one another: nothing tells how far chance reaches.
    assert found.status == "unidentifiable" and np.isnan(found.probes[0].band.low).all()
    assert found.note == (
        "all blocks agree to the last digit, so their spread cannot be judged; "
        "no statement on the end: some runs were not followed to it"
    )


def test_levels_are_spelled_in_words() -> None:
    assert spell_level(Level(kind="share", value=0.5)) == "50 % of the heat of freezing gone"
    assert spell_level(Level(kind="ice", value=-5.0)) == "ice at -5 °C"
    assert spell_level(Level(kind="water", value=4.0)) == "water at 4 °C"


@pytest.mark.parametrize("arm", ["hot", "cold"])
def test_a_probe_in_one_arm_alone_has_no_difference(arm: CurveArm) -> None:
    """Its mean has nothing to be compared with, and no empty array is averaged on the way."""
    both = [run(f"{a} {k}", a, stretch=s, probe="middle") for k in range(4) for a, s in ARMS]
    alone = [run(f"{arm} {k} edge", arm, stretch=1 + 0.01 * k, probe="edge") for k in range(4)]
    found = compare_curves([*both, *alone], levels=TO_ICE)
    by_name = {one.probe: one for one in found.probes}
    assert np.isnan(by_name["edge"].band.middle).all()
    assert np.isnan(_interval({"hot": {}, "cold": {"b": np.ones(1)}}, "unpaired", 0.95)).all()
    assert np.isnan(_interval({"hot": {"b": np.ones(1)}, "cold": {}}, "unpaired", 0.95)).all()
    np.testing.assert_allclose(by_name["middle"].band.middle, np.log(STRETCH), rtol=0, atol=PLACED)
