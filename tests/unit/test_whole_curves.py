"""Comparison of whole curves: pairing, the lead rule, several probes, runs that stop early."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from metafreeze.analysis.whole_curves import (
    StartedTrace,
    add_whole_curves,
    compare_whole_curves,
    started_traces,
    stored_traces,
    thin_traces,
)
from metafreeze.curves.band import band_of_arms, band_of_pairs
from metafreeze.curves.progress import Level, times_at_levels, usual_levels
from metafreeze.curves.whole import CurveRun, ahead_to_end, compare_curves
from metafreeze.errors import InputError
from metafreeze.physics.baseline import cooling_times
from metafreeze.physics.setup import Setup
from metafreeze.planning.traces import Logger, simulate_trace

LOGGER = Logger(interval_s=20.0, noise_k=0.03, resolution_k=0.01, offset_k=0.3)
# One step of a reading, and the noise of 0.03 K at the slowest cooling of about 0.005 K/s.
PLACED_S = 26.0
# Along the plateau a time rests on its two ends, each known to about a step.
PLATEAU_S = 45.0


def vessel(start_c: float, boost: float = 1.0) -> Setup:
    return Setup(start_temp_c=start_c, h_air_w_m2k=8.0 * boost, h_base_w_m2k=15.0 * boost)


def invented_runs(
    blocks: int, *, hot_boost: float = 1.0, probes: tuple[str, ...] = ("",), hot_c: float = 60.0
) -> list[CurveRun]:
    runs = []
    rng = np.random.default_rng(11)
    for block in range(blocks):
        for arm, start in (("hot", hot_c), ("cold", 25.0)):
            boost = np.exp(0.03 * rng.standard_normal()) * (hot_boost if arm == "hot" else 1.0)
            trace = simulate_trace(
                vessel(start, boost),
                rng=rng,
                supercooling_k=float(rng.uniform(2.0, 6.0)),
                logger=Logger(interval_s=60.0, noise_k=0.05),
            )
            runs += [
                CurveRun(
                    run=f"{arm} {block}",
                    arm=arm,
                    block=f"b{block}",
                    probe=probe,
                    time_s=trace.time_s,
                    temp_c=trace.temp_c,
                )
                for probe in probes
            ]
    return runs


@pytest.fixture(scope="module")
def five() -> list[CurveRun]:
    return invented_runs(5)


def test_levels_run_from_hot_water_to_cold_ice():
    places = [level.enthalpy_kj_kg for level in usual_levels(30.0)]
    assert places == sorted(places, reverse=True)
    assert usual_levels(30.0)[0] == Level(kind="water", value=29.0)
    assert usual_levels(30.0)[-1] == Level(kind="ice", value=-5.0)


def test_levels_out_of_order_are_refused():
    wrong = [Level(kind="share", value=0.5), Level(kind="water", value=4.0)]
    with pytest.raises(InputError, match="from the hottest water to the coldest ice"):
        times_at_levels([0, 1, 2, 3, 4], [9, 8, 7, 6, 5], wrong)


def test_times_at_levels_are_those_of_the_physics():
    setup = vessel(60.0)
    rng = np.random.default_rng(5)
    trace = simulate_trace(setup, rng=rng, supercooling_k=5.0, logger=LOGGER)
    levels = [
        Level(kind="water", value=40.0),
        Level(kind="water", value=5.0),
        Level(kind="share", value=0.02),
        Level(kind="share", value=0.5),
        Level(kind="share", value=1.0),
        Level(kind="ice", value=-5.0),
    ]
    found = times_at_levels(trace.time_s, trace.temp_c, levels).time_s

    def physics(endpoint: str, **more: float) -> float:
        return float(cooling_times(setup, endpoint=endpoint, supercooling_k=5.0, **more).time_s)

    for place, threshold in ((0, 40.0), (1, 5.0), (5, -5.0)):
        assert abs(found[place] - physics("t_threshold", threshold_c=threshold)) <= PLACED_S
    # 5 K of supercooling are 21 of 333 kJ/kg: two hundredths of them are gone while still water.
    ice, end = physics("t_first_ice"), physics("t_plateau_end")
    assert physics("t_zero") < found[2] < ice
    at_once = 5.0 * 4.25 / 333.4
    half = ice + (0.5 - at_once) / (1 - at_once) * (end - ice)
    assert abs(found[3] - half) <= PLATEAU_S
    assert abs(found[4] - end) <= PLATEAU_S
    assert np.all(np.diff(found) > 0)


def test_a_run_that_stays_water_has_no_later_levels():
    trace = simulate_trace(
        vessel(40.0),
        rng=np.random.default_rng(2),
        supercooling_k=None,
        logger=LOGGER,
        ended_s=9000.0,
    )
    levels = [Level(kind="water", value=10.0), Level(kind="share", value=0.5)]
    found = times_at_levels(trace.time_s, trace.temp_c, levels).time_s
    assert np.isfinite(found[0]) and np.isnan(found[1])


@pytest.mark.parametrize(
    ("low", "high", "who", "place"),
    [
        ([0.1, -0.4, -0.5], [0.5, -0.1, -0.1], "hot", 1),
        ([-0.5, -0.5, -0.5], [-0.1, 0.1, -0.1], "hot", 2),
        ([-0.5, -0.4], [-0.1, 0.1], "nobody", -1),
        ([0.2, 0.1], [0.4, 0.3], "cold", 0),
        ([np.nan, np.nan], [np.nan, np.nan], "nobody", -1),
        ([], [], "nobody", -1),
    ],
)
def test_a_lead_counts_only_if_it_lasts(low, high, who, place):
    lead = ahead_to_end(np.array(low, dtype=float), np.array(high, dtype=float))
    assert (lead.who, lead.from_place) == (who, place)


def test_without_memory_the_colder_start_is_ahead(five):
    found = compare_curves(five)
    assert (found.pairing, found.lead, found.status) == ("paired", "cold", "ok")
    assert "approximate" in found.note
    one = found.probes[0]
    assert one.reached_end and one.runs == (5, 5) and one.band.blocks == (5,)
    assert np.all(one.band.low < one.band.middle) and np.all(one.band.middle < one.band.high)


def test_a_hotter_start_that_overtakes_is_ahead_from_there():
    found = compare_curves(invented_runs(5, hot_boost=2.5))
    assert found.lead == "hot"
    assert found.lead_from is not None and found.lead_from.kind in ("water", "share")
    assert found.headline().startswith("hot start ahead from ")
    assert found.probes[0].band.middle[0] > 0 > found.probes[0].band.middle[-1]


def test_exchanged_arms_change_the_sign(five):
    other = [
        CurveRun(
            run=r.run,
            arm="cold" if r.arm == "hot" else "hot",
            block=r.block,
            time_s=r.time_s,
            temp_c=r.temp_c,
        )
        for r in five
    ]
    one, two = compare_curves(five).probes[0], compare_curves(other).probes[0]
    np.testing.assert_allclose(one.band.middle, -two.band.middle, rtol=0, atol=1e-12)
    np.testing.assert_allclose(one.band.low, -two.band.high, rtol=0, atol=1e-12)


def test_a_clock_that_runs_twice_as_fast_changes_no_ratio(five):
    slow = [
        CurveRun(
            run=r.run, arm=r.arm, block=r.block, time_s=2 * np.asarray(r.time_s), temp_c=r.temp_c
        )
        for r in five
    ]
    one, two = compare_curves(five).probes[0], compare_curves(slow).probes[0]
    # The lag that is allowed for at first ice is a time, so that its middle moves a little.
    np.testing.assert_allclose(one.band.middle, two.band.middle, rtol=0, atol=0.01)


def test_probes_that_disagree_allow_no_claim():
    ahead = invented_runs(5, hot_boost=2.5, probes=("low",))
    behind = invented_runs(5, probes=("high",))
    found = compare_curves([*ahead, *behind])
    assert {one.lead.who for one in found.probes} == {"hot", "cold"}
    assert found.lead == "nobody" and "probes do not agree" in found.note


def test_runs_of_their_own_are_compared_unpaired(five):
    alone = [CurveRun(run=r.run, arm=r.arm, time_s=r.time_s, temp_c=r.temp_c) for r in five]
    found = compare_curves(alone)
    assert found.pairing == "unpaired" and found.probes[0].band.blocks == (5, 5)
    paired = compare_curves(five).probes[0].band.middle
    np.testing.assert_allclose(found.probes[0].band.middle, paired, rtol=0, atol=1e-12)


def test_too_few_blocks_give_no_band(five):
    found = compare_curves(five[:4])
    assert found.status == "unidentifiable" and found.lead == "nobody"
    assert "at least 4 blocks" in found.note
    assert found.headline().startswith("whole curves not compared")


def test_a_run_that_stops_early_allows_no_claim_on_the_end(five):
    short = five[-1]
    cut = np.asarray(short.time_s) < 5000.0
    stopped = CurveRun(
        run="stopped",
        arm="cold",
        block=short.block,
        time_s=np.asarray(short.time_s)[cut],
        temp_c=np.asarray(short.temp_c)[cut],
    )
    found = compare_curves([*five, stopped])
    one = found.probes[0]
    assert not one.reached_end and one.shortened_by == ("stopped",)
    assert found.lead == "nobody" and "no statement on the end" in found.note


def test_what_cannot_be_compared_is_refused(five):
    with pytest.raises(InputError, match='No run belongs to the arm "cold"'):
        compare_curves([r for r in five if r.arm == "hot"])
    with pytest.raises(InputError, match="bears two traces of probe"):
        compare_curves([*five, five[0]])
    with pytest.raises(InputError, match="level is 1"):
        compare_curves(five, level=1.0)
    with pytest.raises(InputError, match="draws is 5"):
        compare_curves(five, draws=5)


def test_a_band_is_the_same_for_one_seed_and_wider_than_at_one_point():
    rng = np.random.default_rng(4)
    rows = rng.normal(size=(20, 8))
    one, two = (band_of_pairs(rows, rng=np.random.default_rng(1)) for _ in range(2))
    np.testing.assert_array_equal(one.low, two.low)
    # Of eight independent deviations the largest exceeds Student's 2.09 far more often.
    assert 2.5 < one.critical < 4.5
    arms = band_of_arms(rows[:10], rows[10:], rng=np.random.default_rng(1))
    np.testing.assert_allclose(arms.middle, rows[:10].mean(axis=0) - rows[10:].mean(axis=0))


def test_traces_of_a_register_are_joined_to_their_rows():
    rows = pd.DataFrame(
        {
            "lab_id": ["north", "north"],
            "session_id": ["1", "1"],
            "block_id": ["1", "1"],
            "run_id": ["A", "B"],
            "start_temp_c": [60.0, np.nan],
            "sink_temp_c": [-18.0, -18.0],
        }
    )
    times, temps = [0.0, 1.0], [60.0, 59.0]
    keys = {"lab_id": "north", "run_id": "A"}
    (one,) = started_traces(rows, [(keys, times, temps), ({"run_id": "B"}, times, temps)])
    assert (one.run, one.block, one.probe) == ("north / 1 / 1 / A", "north / 1 / 1", "")
    assert one.start_temp_c == 60.0 and one.sink_c == -18.0
    two = started_traces(
        rows, [(keys | {"trace_channel": "top"}, times, temps), (keys, times, temps)]
    )
    assert [trace.probe for trace in two] == ["top", "probe 2"]


def test_stored_traces_of_water_lose_their_marked_readings():
    rows = pd.DataFrame(
        {
            "lab_id": ["north", "south"],
            "block_id": ["1", "1"],
            "run_id": ["A", "A"],
            "trace_channel": ["old name", None],
            "start_temp_c": [60.0, 30.0],
        }
    )

    def stored(**more: str) -> SimpleNamespace:
        known = {"role": "water", "lab_id": "south", "block_id": "1", "run_id": "A"}
        return SimpleNamespace(
            **(known | {"channel": "Probe 1"} | more),
            time_s=np.array([0.0, 1.0]),
            temp_c=np.array([30.0, 999.0]),
            marks=np.array([0, 1], dtype=np.int8),
        )

    kept = stored_traces(rows, [stored(), stored(role="sink"), stored(run_id="")])
    assert [(t.run, t.start_temp_c, t.probe) for t in kept] == [("south / 1 / A", 30.0, "")]
    assert np.isnan(np.asarray(kept[0].temp_c)[1])
    results: dict = {}
    tables: dict = {}
    add_whole_curves(results, tables, kept[:0], hot_c=60.0, cold_c=30.0)
    assert results == {} and tables == {}


def test_other_start_temperatures_are_left_out_and_named(five):
    traces = [
        StartedTrace(
            run=r.run,
            block=r.block,
            start_temp_c=60.0 if r.arm == "hot" else 25.0,
            time_s=r.time_s,
            temp_c=r.temp_c,
            inserted_s=0.0,
        )
        for r in five
    ]
    odd = StartedTrace(run="odd", start_temp_c=43.0, time_s=five[0].time_s, temp_c=five[0].temp_c)
    found = compare_whole_curves([*traces, odd], hot_c=60.0, cold_c=25.0)
    assert found.left_out == ("odd",) and len(found.events) == 10
    assert found.comparison is not None and found.comparison.lead == "cold"
    short = StartedTrace(run="short", start_temp_c=25.0, time_s=[0.0, 1.0], temp_c=[25.0, 24.0])
    with_short = compare_whole_curves([*traces, short], hot_c=60.0, cold_c=25.0)
    assert "run short not used" in with_short.note and len(with_short.events) == 10
    one_arm = compare_whole_curves(traces, hot_c=60.0, cold_c=-5.0)
    assert one_arm.comparison is None and "near -5 °C" in one_arm.note
    with pytest.raises(InputError, match="Give the hotter one as hot_c"):
        compare_whole_curves(traces, hot_c=20.0, cold_c=60.0)


def test_thinning_keeps_the_dip(five):
    run = five[0]
    drawn = thin_traces([run])
    assert len(drawn) < np.size(run.time_s)
    assert drawn["temp_c"].min() == np.min(run.temp_c)
    assert drawn["temp_c"].max() == np.max(run.temp_c)
