"""The parts of the challenge: like with like, roles, consequences, choices, shape, sham."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

import metafreeze as mf
from metafreeze.analysis.challenge import in_schema
from metafreeze.analysis.challenge_points import censor_provoked
from metafreeze.scrutiny.mediation import mediate
from metafreeze.scrutiny.sham import compare_sham
from metafreeze.scrutiny.shape import fit_shape

# Two fits of the same rows differ by rounding alone.
ROUNDING = 1e-9
STARTS = (20.0, 20.0, 50.0, 50.0, 80.0, 80.0)


def register(labs=6, batches=3, *, seed=3, slope=0.02, sd=0.03, **columns):
    """Rows of labs that each cooled six vessels a batch."""
    rng = np.random.default_rng(seed)
    n = labs * batches * len(STARTS)
    start = np.tile(STARTS, labs * batches)
    rows = pd.DataFrame(
        {
            "lab_id": np.repeat([f"lab {k}" for k in range(labs)], batches * len(STARTS)),
            "block_id": np.tile(np.repeat([f"b{k}" for k in range(batches)], len(STARTS)), labs),
            "endpoint": "t_solid",
            "start_temp_c": start,
            "assignment": "randomised",
            "lid": "oil_film",
            "base_support": "wire",
            "sink_type": "freezer",
            "sink_temp_c": -18.0,
            "water_mass_start_g": 100.0,
            "inner_diameter_mm": 60.0,
        }
    ).assign(**columns)
    log_time = 9.5 + slope * (start - 20.0) / 10.0 + sd * rng.standard_normal(n)
    return rows.assign(time_lower_s=np.exp(log_time), time_upper_s=np.exp(log_time))


def test_a_change_of_sample_is_not_taken_for_a_change_of_effect():
    # One lab sees the hot ones far sooner, and just that lab does not say how deep its probes
    # were. Probe height itself has nothing to do with the time. Adjusting for it drops the
    # lab, and the estimate moves; on the same rows, nothing does.
    rows = register()
    odd = rows["lab_id"].eq("lab 0")
    push = np.exp(np.where(odd, -0.15 * (rows["start_temp_c"] - 20.0) / 10.0, 0.0))
    rows["time_lower_s"] *= push
    rows["time_upper_s"] *= push
    height = np.random.default_rng(8).permutation(np.resize([0.3, 0.6], len(rows)))
    rows["probe_height_frac"] = np.where(odd, np.nan, height)
    rungs = mf.challenge(rows, depth="verdict", pair=(80.0, 20.0)).ladder.to_frame()
    rungs = rungs.set_index("rung")
    before, adjusted = rungs.loc["within batches"], rungs.loc["same vessel and place"]
    assert adjusted["rows"] == len(rows) - int(odd.sum())
    moved = adjusted["estimate"] - before["estimate"]
    assert moved > 0.10
    assert abs(adjusted["change"]) < 0.02


def test_a_consequence_as_covariate_draws_a_warning():
    deep = np.random.default_rng(5).normal(5.0, 1.0, 108)
    found = mf.challenge(
        register(supercooling_k=deep), depth="verdict", pair=(80.0, 20.0), design=["supercooling_k"]
    )
    (warning,) = found.warnings
    assert "consequence of starting hot" in warning
    assert "would the hotter one still finish first if supercooling were the same" in warning


@pytest.mark.parametrize("field", ["mass_evaporated_g", "water_mass_end_g"])
def test_mass_lost_by_the_end_is_refused(field):
    with pytest.raises(mf.InputError, match="partly caused by how long the run took"):
        mf.challenge(register(), depth="verdict", pair=(80.0, 20.0), design=[field])


def test_an_outcome_is_no_covariate():
    with pytest.raises(mf.InputError, match="is outcome, no covariate"):
        mf.challenge(register(), depth="verdict", pair=(80.0, 20.0), design=["mean_s"])


def test_verdicts_do_not_depend_on_depth():
    rows = register()
    short, long = (mf.challenge(rows, depth=d, pair=(80.0, 20.0)) for d in ("verdict", "full"))
    assert short.headline() == long.headline()
    assert short.many_analyses is None
    assert long.many_analyses is not None and long.many_analyses.status == "ok"


def test_the_same_seed_gives_the_same_challenge():
    rows = register()
    first, second = (mf.challenge(rows, pair=(80.0, 20.0), seed=4) for _ in range(2))
    assert json.dumps(first.to_dict()) == json.dumps(second.to_dict())


def test_each_study_left_out_agrees_with_a_fit_without_it():
    rows = register(slope=0.0, labs=5)
    whole = mf.challenge(rows, depth="verdict", pair=(80.0, 20.0))
    rest = rows[rows["lab_id"].ne("lab 2")]
    refitted = mf.challenge(rest, depth="verdict", pair=(80.0, 20.0))
    without = whole.each_without.set_index("study").loc["lab 2", "log_ratio"]
    # The refit finds variances of its own, which in a balanced design hardly matter; its
    # physics is calibrated on the same labs one by one, so that only the pair's mean moves.
    assert without == pytest.approx(refitted.ladder.rungs[-1].estimate, abs=0.004)


def test_first_ice_after_a_knock_has_no_upper_bound():
    rows = in_schema(register().assign(endpoint="t_first_ice", trigger_event="knock"))
    assert censor_provoked(rows)["time_upper_s"].isna().all()
    solid = in_schema(register().assign(trigger_event="knock"))
    assert censor_provoked(solid)["time_upper_s"].equals(solid["time_upper_s"])


def test_a_path_that_is_there_is_found():
    rng = np.random.default_rng(2)
    block = np.repeat(np.arange(40), 4)
    x = np.tile([0.0, 2.0, 4.0, 6.0], 40)
    m = 0.5 * x + rng.normal(0, 0.5, x.size)
    y = -0.02 * x - 0.06 * m + rng.normal(0, 0.05, x.size)
    found = mediate(x, m, y, block, through="it", units=6.0, rng=np.random.default_rng(1))
    assert found.indirect_low < 6 * 0.5 * -0.06 < found.indirect_high
    assert found.direct_low < 6 * -0.02 < found.direct_high
    assert found.total == pytest.approx(found.direct + found.indirect, abs=ROUNDING)
    assert found.share == pytest.approx(found.indirect / found.total)


def test_a_consequence_nobody_wrote_down_says_so():
    evaporation, *others = mf.challenge(register(), pair=(80.0, 20.0)).mediation
    assert {m.status for m in others} == {"unidentifiable"}
    assert all(np.isnan(m.share) for m in others)
    # Evaporation follows from start temperature and vessel, and so needs no note.
    assert evaporation.status == "ok"


def test_frost_moves_the_answer_most():
    rows = register(slope=0.02)
    hot = rows["start_temp_c"].eq(80.0) & rows["lab_id"].isin(["lab 0", "lab 1", "lab 2"])
    rows["base_support"] = rows["base_support"].mask(hot, "frost")
    faster = np.where(hot, np.exp(-0.5), 1.0)
    rows["time_lower_s"] *= faster
    rows["time_upper_s"] *= faster
    many = mf.challenge(rows, pair=(80.0, 20.0)).many_analyses
    assert many is not None
    assert many.most_moved_by == "alike in"
    options = many.moves.set_index("option")["median"]
    assert options["nothing else"] < -0.05 < options["stands on"]


def test_a_reversal_is_found_where_it_is():
    rng = np.random.default_rng(6)
    start = np.tile([20.0, 40.0, 60.0, 80.0], 25)
    block = np.repeat(np.arange(25), 4)
    curve = np.where(start < 70.0, 0.002 * start, 0.05)
    found = fit_shape(start, curve + rng.normal(0, 0.03, 100), block, rng=np.random.default_rng(1))
    assert (found.reversed_hot_c, found.reversed_cold_c) == (80.0, 60.0)
    flat = fit_shape(start, rng.normal(0, 0.03, 100), block, rng=np.random.default_rng(1))
    assert np.isnan(flat.reversed_hot_c)


def test_sham_pairs_give_the_difference_of_places():
    label = np.tile(["A", "B"], 12)
    block = np.repeat(np.arange(12), 2)
    y = np.where(label == "A", -0.1, 0.0) + np.random.default_rng(3).normal(0, 0.02, 24)
    found = compare_sham(y, label, block)
    assert found.low < -0.1 < found.high < 0
    assert compare_sham(y, np.full(24, ""), block).status == "unidentifiable"


def pans(lid, **columns):
    """Wide insulated pans in dry moving air, where evaporation is what cools."""
    return register(
        lid=lid,
        base_support="insulated",
        side_insulation="full",
        sink_type="outdoor",
        sink_temp_c=-2.0,
        air_rh=0.1,
        air_speed_m_s=2.0,
        inner_diameter_mm=100.0,
        slope=-0.01,
        **columns,
    )


def test_evaporation_is_what_physics_of_the_vessels_makes_it():
    opened, closed = (
        mf.challenge(pans(lid), pair=(80.0, 20.0)).mediation[0] for lid in ("open", "sealed")
    )
    assert opened.indirect < -0.05
    assert opened.indirect_low < opened.indirect < opened.indirect_high < 0
    assert opened.total == pytest.approx(opened.direct + opened.indirect, abs=ROUNDING)
    assert "sooner; without it the effect would be" in opened.found
    assert closed.indirect == 0.0
    assert "hardly any" in closed.found


def test_weights_of_the_vessels_do_not_touch_the_path_through_evaporation():
    rows = pans("open")
    lost = np.random.default_rng(1).uniform(1, 30, len(rows))
    plain, weighed = (
        mf.challenge(r, pair=(80.0, 20.0)).mediation[0]
        for r in (rows, rows.assign(mass_evaporated_g=lost, water_mass_end_g=100.0 - lost))
    )
    assert weighed.indirect == plain.indirect


def test_gaps_are_filled_beside_the_ladder_and_not_in_it():
    # Frost under half of the hot vessels speeds them; two labs in eight never said what vessels
    # stood on. Filled in, their rows come back, and the effect with them.
    rows = register(labs=8, slope=0.02, sd=0.08)
    rng = np.random.default_rng(4)
    frost = rows["start_temp_c"].eq(80.0) & (rng.random(len(rows)) < 0.5)
    rows["base_support"] = np.where(frost, "frost", "wire")
    faster = np.where(frost, np.exp(-0.25), 1.0)
    rows["time_lower_s"] *= faster
    rows["time_upper_s"] *= faster
    whole = mf.challenge(rows, pair=(80.0, 20.0))
    assert whole.missing_covariates.status == "unidentifiable"
    silent = rows["lab_id"].isin(["lab 1", "lab 5"])
    gappy = rows.assign(base_support=rows["base_support"].mask(silent))
    found = mf.challenge(gappy, pair=(80.0, 20.0))
    beside = found.missing_covariates
    assert beside.fields == ("base_support",)
    complete, filled = beside.ways.to_dict(orient="records")
    assert complete["rows"] == len(rows) - int(silent.sum())
    assert (filled["rows"], filled["studies"]) == (len(rows), 8)
    assert 0 < filled["lost_information"] < 1
    truth = whole.ladder.rungs[-1].estimate
    for way in (complete, filled):
        assert way["low"] < truth < way["high"]
        assert way["before_on_same_rows"] < way["estimate"] - 0.05
    assert filled["estimate"] == pytest.approx(truth, abs=0.04)
    assert beside.found == "Both ways say the same."


def test_what_would_settle_it_is_said_where_it_cannot_be_told():
    few = mf.challenge(register(labs=1, batches=3), depth="verdict", pair=(80.0, 20.0))
    assert few.verdict.raw.label == "cannot tell"
    assert "At least 2 more batches" in few.needed["raw"]
    noisy = mf.challenge(
        register(labs=4, batches=2, slope=0.0, sd=0.2), depth="verdict", pair=(80.0, 20.0)
    )
    assert noisy.verdict.raw.label == "cannot tell"
    assert "labs like these would be needed" in noisy.needed["raw"]
    clear = mf.challenge(register(), depth="verdict", pair=(80.0, 20.0))
    assert clear.needed["raw"] == ""


def test_the_excess_is_shuffled_by_itself():
    # Times as physics gives them: an effect of start temperature, and nothing beyond it.
    rows = register(labs=6)
    expected = mf.expected_times(in_schema(rows), endpoint="t_solid").ln_time
    noise = np.random.default_rng(2).normal(0, 0.03, len(rows))
    time = np.exp(expected + noise)
    found = mf.challenge(rows.assign(time_lower_s=time, time_upper_s=time), pair=(80.0, 20.0))
    assert found.shuffle_test.p < 0.01
    assert found.shuffle_excess.p > 0.05


def test_a_set_batch_is_dealt_as_a_whole():
    rows = register(labs=4, batches=6)
    batch = rows["block_id"].str.slice(1).astype(int)
    rows["start_temp_c"] = np.array([20.0, 50.0, 80.0])[batch % 3]
    found = mf.challenge(rows, depth="verdict", pair=(80.0, 20.0)).shuffle_test
    assert found.status == "ok"
    assert (found.whole_batches, found.blocks) == (24, 24)
    chosen = mf.challenge(rows.assign(assignment="chosen"), depth="verdict", pair=(80.0, 20.0))
    assert chosen.shuffle_test.status == "unidentifiable"
