"""Expected times of register rows: which rows have one, what was assumed, what was fitted."""

import numpy as np
import pandas as pd
import pytest
from expected_samples import labs

from metafreeze import InputError, expected_effect, expected_times
from metafreeze.analysis.baseline_times import read_questions
from metafreeze.analysis.cold_arm import cold_arm, observed_ln_times
from metafreeze.analysis.run_parameters import draw_scores, read_parameters
from metafreeze.physics.baseline import cooling_times
from metafreeze.physics.setup import Setup

# Known exactly, so that the expected time is the forward model's.
TOLD = {
    "mass_g": 120.0,
    "diameter_mm": 65.0,
    "sink_temp_c": -18.0,
    "h_air_w_m2k": {"a": 6.0, "b": 8.0, "c": 10.0},
    "h_base_w_m2k": {"a": 12.0, "b": 17.0, "c": 22.0},
    "h_exponent": 0.125,
    "air_rh": 0.8,
    "ice_resistance": 0.5,
    "wall_thickness_mm": 2.0,
    "wall_conductivity_w_mk": 1.0,
    "emissivity": 0.96,
    "evaporation": 1.0,
    "evaporation_factor": 1.0,
    "side_share": 1.0,
}


@pytest.mark.parametrize("endpoint", ["t_zero", "t_solid", "t_plateau_end"])
def test_known_parameters_give_the_forward_model_back(endpoint):
    rows = labs(endpoint=endpoint, noise=0.0)
    times = expected_times(rows, known=TOLD)
    assert np.allclose(times.ln_time, np.log(rows["time_upper_s"]), atol=1e-9)
    # Nothing is unknown, so no draw moves.
    assert np.allclose(times.draws, times.ln_time, atol=1e-9)
    assert times.status == "ok"


def test_the_cold_arm_brings_the_level_near():
    rows = labs(h_air_w_m2k=12.0, h_base_w_m2k=40.0)
    blind = expected_times(rows, fit_cold_arm=False)
    fitted = expected_times(rows)
    cold = (rows["start_temp_c"] <= 20.0).to_numpy()
    observed = np.log(rows["time_upper_s"].to_numpy())
    before = np.abs((observed - blind.ln_time)[cold].mean())
    after = np.abs((observed - fitted.ln_time)[cold].mean())
    # The prior still pulls a little: the model's own level is believed to 15 % only.
    assert before > 0.3
    assert after < 0.35 * before
    assert fitted.sd[cold].max() < 0.6 * blind.sd[cold].max()
    assert fitted.fitted_studies == ("a", "b", "c")
    assert "used a second time" in fitted.note
    assert blind.fitted_studies == ()
    assert "second time" not in blind.note


def test_the_cold_arm_is_the_coldest_quarter_with_a_time():
    rows = labs(("a",))
    rows.loc[rows["start_temp_c"] == 15.0, "time_upper_s"] = np.inf
    parameters = read_parameters(rows, rows["lab_id"].to_numpy(object))
    cold = cold_arm(rows, parameters, read_questions(rows), usable=True)
    assert sorted(set(cold.question.start_temp_c)) == [20.0]
    excluded = rows.assign(exclusion_reason="door open")
    assert cold_arm(excluded, parameters, read_questions(rows), usable=True).studies == ()


def test_observed_times_for_the_level():
    rows = pd.DataFrame(
        {
            "record_level": ["run", "run", "run", "arm_summary", "arm_summary", "run"],
            "time_lower_s": [100.0, 80.0, 50.0, np.nan, np.nan, np.nan],
            "time_upper_s": [100.0, 120.0, np.inf, np.nan, np.nan, 60.0],
            "mean_s": [np.nan, np.nan, np.nan, 200.0, np.nan, np.nan],
            "median_s": [np.nan, np.nan, np.nan, 190.0, 300.0, np.nan],
        }
    )
    seen = np.exp(observed_ln_times(rows))
    assert np.allclose(seen, [100.0, 100.0, np.nan, 200.0, 300.0, 60.0], equal_nan=True)


def test_parameters_say_where_they_come_from():
    rows = labs(("a", "b")).drop(columns="inner_diameter_mm")
    rows.loc[rows["lab_id"] == "b", "lid"] = ""
    frame = expected_times(rows, known={"air_rh": (0.7, 0.05)}).parameters
    how = frame.set_index(["study", "parameter"])["how"]
    assert how["a", "sink_temp_c"] == "recorded"
    assert how["a", "h_air_w_m2k"] == "assumed, then fitted to the cold arm"
    assert how["a", "height_over_diameter"] == "assumed, then fitted to the cold arm"
    assert how["a", "air_rh"] == "given"
    assert how["a", "evaporation"] == "recorded"
    assert ("b", "evaporation") not in how.index
    assert how["all", "evaporation_lid_unsaid"] == "assumed"
    assert ("a", "diameter_mm") not in how.index
    ranges = frame[frame["how"] != "recorded"]
    assert (ranges["low"] <= ranges["high"]).all()
    assert frame["source"].str.len().gt(0).all()


def test_shared_and_own_ignorance_are_told_apart():
    rows = labs(noise=0.0)
    times = expected_times(rows, draws=200)
    # What all studies share moves them together, what is their own does not.
    hot = (rows["start_temp_c"] == 90.0).to_numpy()
    cold = (rows["start_temp_c"] == 15.0).to_numpy()

    def slope(draws, lab):
        own = (rows["lab_id"] == lab).to_numpy()
        return draws[:, own & hot].mean(axis=1) - draws[:, own & cold].mean(axis=1)

    shared = np.corrcoef(slope(times.shared_draws, "a"), slope(times.shared_draws, "b"))[0, 1]
    whole = np.corrcoef(slope(times.draws, "a"), slope(times.draws, "b"))[0, 1]
    assert shared > 0.95
    assert whole < shared
    assert slope(times.shared_draws, "a").std() < slope(times.draws, "a").std()


def test_rows_without_an_answer_say_why():
    base = {"lab_id": "a", "endpoint": "t_solid", "start_temp_c": 50.0, "sink_temp_c": -18.0}
    cases = [
        ({}, ""),
        ({"endpoint": "ice_at_time"}, "no time"),
        ({"endpoint": ""}, "no endpoint"),
        ({"start_temp_c": np.nan}, "start temperature is missing"),
        ({"endpoint": "t_threshold"}, "no threshold"),
        ({"endpoint": "t_threshold", "threshold_c": 60.0}, "begins past it"),
        ({"endpoint": "t_residual"}, "counted is missing"),
        ({"system": "mix"}, "only water"),
        ({"direction": "warming"}, "only a threshold above 0"),
        (
            {"direction": "warming", "endpoint": "t_threshold", "threshold_c": 60.0},
            "needs a sink temperature above",
        ),
        ({"record_level": "contrast_summary"}, "missing"),
    ]
    rows = pd.DataFrame([base | changes for changes, _ in cases])
    times = expected_times(rows)
    for note, status, value, (_, said) in zip(
        times.row_note, times.row_status, times.ln_time, cases, strict=True
    ):
        assert said in note
        assert bool(note) == (status == "unidentifiable") == bool(np.isnan(value))
    assert "10 of 11 rows have no expected time." in times.note


def test_nothing_to_answer_is_unidentifiable():
    times = expected_times(pd.DataFrame({"lab_id": ["a"], "endpoint": ["t_solid"]}))
    assert times.status == "unidentifiable"
    assert np.isnan(times.ln_time).all()
    assert "no row has an expected time" in times.headline()


def test_contrasts_and_counts_get_a_log_ratio():
    rows = pd.DataFrame(
        {
            "lab_id": "a",
            "record_level": ["run", "run", "contrast_summary", "pair_count"],
            "endpoint": "t_zero",
            "start_temp_c": [80.0, 20.0, np.nan, np.nan],
            "start_temp_hot_c": [np.nan, np.nan, 80.0, 80.0],
            "start_temp_cold_c": [np.nan, np.nan, 20.0, 20.0],
        }
    )
    times = expected_times(rows)
    assert list(times.quantity) == ["ln time", "ln time", "log ratio", "log ratio"]
    difference = times.draws[:, 0] - times.draws[:, 1]
    assert np.allclose(times.draws[:, 2], difference, atol=1e-12)
    assert np.allclose(times.draws[:, 3], difference, atol=1e-12)


def test_thresholds_residuals_and_first_ice():
    rows = pd.DataFrame(
        {
            "lab_id": "a",
            "endpoint": ["t_threshold", "t_zero", "t_first_ice", "t_residual", "t_solid"],
            "start_temp_c": 60.0,
            "threshold_c": [10.0, np.nan, np.nan, np.nan, np.nan],
            "residual_from_c": [np.nan, np.nan, np.nan, 30.0, np.nan],
            "residual_endpoint": ["", "", "", "t_solid", ""],
            "sink_temp_c": -18.0,
        }
    )
    seconds = np.exp(expected_times(rows).ln_time)
    assert (np.diff(seconds[:3]) > 0).all()
    assert seconds[2] < seconds[3] < seconds[4]


def test_strained_vessels_are_named():
    rows = labs(("a",))
    plain = expected_times(rows).validity
    assert not any("top only" in note for note in plain)
    top = expected_times(rows, known={"side_share": 0.0, "h_base_w_m2k": 0.0}).validity
    assert any("top only" in note for note in top)
    assert expected_times(rows.assign(system="mix")).validity == ()


def test_warming_towards_a_warm_room():
    rows = pd.DataFrame(
        {
            "lab_id": "a",
            "direction": "warming",
            "endpoint": "t_threshold",
            "threshold_c": 15.0,
            "start_temp_c": [2.0, 8.0],
            "sink_temp_c": 22.0,
        }
    )
    times = expected_times(rows)
    assert times.status == "ok"
    assert times.ln_time[0] > times.ln_time[1]


def test_drops_on_a_plate():
    rows = pd.DataFrame(
        {
            "lab_id": "a",
            "endpoint": ["t_zero", "t_zero", "t_solid", "t_first_ice", "t_residual"],
            "residual_from_c": [np.nan] * 4 + [20.0],
            "start_temp_c": [20.0, 60.0, 20.0, 20.0, 60.0],
            "sink_type": "plate",
            "sink_temp_c": -15.0,
            "water_mass_start_g": 0.001,
        }
    )
    seconds = np.exp(expected_times(rows).ln_time)
    # The brief: 2.0 s from 20, 3.3 s from 60, then 2.8 s to solidify.
    assert seconds[:3] == pytest.approx([2.0, 3.3, 4.8], rel=0.03)
    assert seconds[3] > seconds[0]
    assert np.isnan(seconds[4])


def test_without_evaporation_hotter_is_later_still():
    rows = labs(noise=0.0)
    wet, dry = (expected_times(rows, evaporation=e, fit_cold_arm=False) for e in (True, False))
    hot, cold = rows["start_temp_c"] == 90.0, rows["start_temp_c"] == 15.0

    def gap(times):
        return times.ln_time[hot].mean() - times.ln_time[cold].mean()

    assert gap(dry) > gap(wet)
    assert dry.mass_lost_g == pytest.approx(0.0, abs=1e-9)
    assert wet.mass_lost_g[hot].min() > wet.mass_lost_g[cold].max()


def test_same_seed_same_draws_and_no_global_state():
    rows = labs(("a",))
    np.random.seed(1)  # noqa: NPY002 - the global state must not matter
    one = expected_times(rows, seed=7)
    np.random.seed(2)  # noqa: NPY002
    other = expected_times(rows, seed=7)
    assert np.array_equal(one.draws, other.draws)
    assert not np.array_equal(one.draws, expected_times(rows, seed=8).draws)


def test_row_order_and_other_studies_do_not_matter_at_the_centre():
    rows = labs()
    whole = expected_times(rows).ln_time
    order = np.random.default_rng(0).permutation(len(rows))
    shuffled = expected_times(rows.iloc[order]).ln_time
    assert np.allclose(shuffled, whole[order], atol=1e-12)
    own = (rows["lab_id"] == "b").to_numpy()
    assert np.allclose(expected_times(rows[own]).ln_time, whole[own], atol=1e-12)


def test_draws_are_spread_evenly():
    scores = draw_scores(50, 3, np.random.default_rng(0))
    column = scores.study[:, 1, 2]
    # One in each fiftieth of the distribution.
    from scipy.special import ndtr

    assert sorted(np.floor(ndtr(column) * 50).astype(int)) == list(range(50))
    assert scores.shared.mean(axis=0) == pytest.approx(0.0, abs=0.06)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"draws": 10}, "draws is 10. Give at least 50."),
        ({"endpoint": "frozen"}, "Choose one of"),
        ({"known": {"wind": 3.0}}, "known holds 'wind', which is no parameter"),
        ({"known": {"air_rh": np.nan}}, "Give a number"),
        ({"known": {"h_air_w_m2k": {"z": 3.0}}}, "no study 'z'"),
        ({"known": {"h_exponent": {"a": 0.1}}}, "one value for all studies"),
    ],
)
def test_refusals(options, said):
    with pytest.raises(InputError) as caught:
        expected_times(labs(("a",)), **options)
    assert said in str(caught.value)


def test_rows_must_be_a_frame():
    with pytest.raises(InputError, match="rows is a list"):
        expected_times([1.0])
    with pytest.raises(InputError, match="rows is a list"):
        expected_effect([1.0], hot_c=80.0, cold_c=20.0, endpoint="t_solid")


# The pair --------------------------------------------------------------------------------


def test_expected_pair_is_the_difference_of_two_rows():
    rows = labs(noise=0.0)
    effect = expected_effect(rows, hot_c=90.0, cold_c=20.0, endpoint="t_solid", known=TOLD)
    assert effect.studies == ("a", "b", "c")
    for k, (air, base) in enumerate(((6.0, 12.0), (8.0, 17.0), (10.0, 22.0))):
        setup = Setup(
            start_temp_c=[90.0, 20.0],
            mass_g=120.0,
            diameter_mm=65.0,
            h_air_w_m2k=air,
            h_base_w_m2k=base,
            h_exponent=0.125,
            air_rh=0.8,
            ice_resistance=0.5,
            wall_resistance_m2k_w=0.002,
        )
        hot, cold = cooling_times(setup).time_s
        assert effect.log_ratio[k] == pytest.approx(np.log(hot / cold), abs=1e-9)
    assert effect.log_ratio[3] == pytest.approx(effect.log_ratio[:3].mean())
    assert (effect.log_ratio_dry > effect.log_ratio).all()
    frame = effect.to_frame()
    per_10k = frame["log_ratio"] / 7.0
    assert np.allclose(frame["slope_per_10k"], per_10k)


def test_expected_pair_borrows_vessels_and_flags_extrapolation():
    rows = labs(("a", "b"))
    rows = rows[~((rows["lab_id"] == "a") & (rows["start_temp_c"] > 50.0))]
    effect = expected_effect(rows, hot_c=80.0, cold_c=20.0, endpoint="t_zero")
    assert effect.extrapolated == (True, False, False)
    assert effect.log_ratio[-1] > 0.3
    closed = expected_effect(
        rows.assign(lid="sealed"), hot_c=80.0, cold_c=20.0, endpoint="t_residual"
    )
    assert closed.log_ratio == pytest.approx(0.0, abs=2e-4)
    threshold = expected_effect(
        rows, hot_c=80.0, cold_c=20.0, endpoint="t_threshold", threshold_c=10.0
    )
    assert threshold.log_ratio[-1] > effect.log_ratio[-1]


def test_expected_pair_where_physics_itself_reverses():
    # Open, insulated, cooled from the top: ordinary evaporation lets the hotter one finish first.
    rows = labs(("a", "b")).assign(side_insulation="full", base_support="insulated", air_rh=0.6)
    effect = expected_effect(
        rows,
        hot_c=95.0,
        cold_c=60.0,
        endpoint="t_solid",
        known={"side_share": 0.0, "h_base_w_m2k": 0.0, "h_exponent": 0.0},
    )
    assert effect.log_ratio[-1] < 0.0
    assert effect.log_ratio_dry[-1] > 0.0
    assert "−" in effect.headline()


def test_expected_pair_that_nothing_reaches():
    rows = labs(("a",)).assign(system="mix")
    effect = expected_effect(rows, hot_c=80.0, cold_c=20.0, endpoint="t_solid")
    assert effect.status == "unidentifiable"
    assert "only water" in effect.to_frame()["reason"].iloc[0]
    with pytest.raises(InputError, match="hot_c above cold_c"):
        expected_effect(rows, hot_c=20.0, cold_c=80.0, endpoint="t_solid")
