"""Register rows to the one-stage model: three slopes, every kind of row, a ledger."""

import numpy as np
import pandas as pd
import pytest

import metafreeze as mf
from metafreeze import InputError, fit_mixed
from metafreeze.analysis.mixed_rows import mixed_arrays
from metafreeze.analysis.pair_answers import SPLINE, STRAIGHT, TWO_TEMPERATURES, spline_columns

CLOSE = 1e-9
SAME_FIT = 1e-10


def runs(labs=6, batches=3, *, starts=(20.0, 50.0, 80.0), seed=0, slope=0.02, **more):
    """Invented runs: labs with levels and slopes of their own, batches, scatter."""
    rng = np.random.default_rng(seed)
    rows = []
    for lab in range(labs):
        level, own = 0.3 * rng.normal(), slope + 0.005 * rng.normal()
        for batch in range(batches):
            moved = 0.05 * rng.normal()
            for vessel, start in enumerate(starts):
                y = 8 + level + moved + own * (start - 20) / 10 + 0.04 * rng.normal()
                rows.append(
                    {
                        "record_level": "run",
                        "lab_id": f"lab {lab}",
                        "block_id": f"b{batch}",
                        "run_id": f"{batch}/{vessel}",
                        "start_temp_c": start,
                        "time_lower_s": np.exp(y),
                        "time_upper_s": np.exp(y),
                        "endpoint": "t_solid",
                    }
                    | more
                )
    return pd.DataFrame(rows)


def by_hand(frame):
    """The model on arrays, with the within-batch column made here."""
    key = frame["lab_id"] + "/" + frame["block_id"]
    x = (frame["start_temp_c"] - 20) / 10
    within = x - x.groupby(key).transform("mean")
    X = np.column_stack([np.ones(len(frame)), within])
    return mf.mixed_model(
        np.log(frame["time_upper_s"]), X, frame["lab_id"], varying=X, batch=frame["block_id"]
    )


def test_the_within_slope_is_that_of_the_model_on_arrays():
    frame = runs()
    fit, hand = fit_mixed(frame, endpoint="t_solid"), by_hand(frame)
    row = hand.coefficients.iloc[1]
    assert fit.slope_per_10k == pytest.approx(row["estimate"], rel=CLOSE)
    assert fit.slope_se == pytest.approx(row["se"], rel=CLOSE)
    assert fit.criterion == pytest.approx(hand.criterion, rel=CLOSE)
    assert (fit.rows_given, fit.rows_used, fit.studies, fit.batches) == (54, 54, 6, 18)
    assert fit.scope == "in 6 studies"


def test_three_slopes_are_kept_apart():
    """Labs that start hotter are slower by another cause: it does not reach the within slope."""
    rng = np.random.default_rng(3)
    frames = []
    for lab in range(8):
        for batch in range(4):
            base = 20 + 5 * lab + 3 * batch
            part = runs(1, 1, starts=(base, base + 15.0, base + 30.0), seed=100 * lab + batch)
            slower = 0.05 * lab + 0.02 * batch + 0.03 * rng.normal()
            for column in ("time_lower_s", "time_upper_s"):
                part[column] *= np.exp(slower)
            frames.append(part.assign(lab_id=f"lab {lab}", block_id=f"b{batch}"))
    frame = pd.concat(frames, ignore_index=True)
    fit = fit_mixed(frame, endpoint="t_solid")
    slopes = fit.slopes.set_index("slope")
    assert (slopes["reason"] == "").all()
    assert abs(fit.slope_per_10k - 0.02) < 3 * fit.slope_se
    assert slopes.loc["between studies", "estimate"] > slopes.loc["within", "estimate"] + 0.03
    x = (frame["start_temp_c"] - 20) / 10
    naive = np.polyfit(x, np.log(frame["time_upper_s"]), 1)[0]
    assert naive > fit.slope_per_10k + 0.02


def test_a_slope_that_is_not_asked_for_says_why():
    fit = fit_mixed(runs(), endpoint="t_solid")
    reasons = fit.slopes.set_index("slope")["reason"]
    assert reasons["within"] == ""
    assert "one mean start temperature" in reasons["between batches"]
    assert "one mean start temperature" in reasons["between studies"]
    assert fit.slopes["estimate"].isna().tolist() == [False, True, True]


def test_one_freezer_is_a_full_citizen():
    fit = fit_mixed(runs(labs=1, batches=6), endpoint="t_solid")
    assert fit.status in ("ok", "boundary")
    assert "in this freezer" in fit.headline()
    assert set(fit.random_parts["level"]) == {"batch", "residual"}
    assert np.isnan(fit.new_study_low) and np.isnan(fit.slope_sd_between)
    assert "nothing is said about other studies" in fit.note


def test_three_columns_are_enough():
    frame = runs(labs=1)[["lab_id", "start_temp_c", "time_lower_s", "time_upper_s"]]
    fit = fit_mixed(frame.assign(endpoint="t_solid"), endpoint="t_solid")
    assert fit.status == "ok"
    assert "No row names a batch" in fit.note


def test_a_batch_of_one_temperature_is_centred_on_its_study_and_keeps_its_level():
    frame = runs(labs=5, batches=4)
    single = frame["block_id"] == "b3"
    frame = frame[~single | (frame["start_temp_c"] == 80.0)]
    arrays = mixed_arrays(frame, endpoint="t_solid")
    alone = np.array(["'b3'" in b for b in arrays.batch])
    assert alone.sum() == 5
    assert all(c == s for c, s in zip(arrays.centre[alone], arrays.study[alone], strict=True))
    assert (arrays.between_batches[alone] == 0).all()
    assert len(set(arrays.batch)) == 20


def cells_and_runs():
    """Runs without batches, and the arms made from them, written as tables print them."""
    frame = runs(labs=5, batches=4).drop(columns="block_id")
    frame = frame.drop(index=[3, 17, 20, 41])  # not balanced
    logs = np.log(frame["time_upper_s"])
    cells = logs.groupby([frame["lab_id"], frame["start_temp_c"]]).agg(["mean", "var", "count"])
    cells = cells.reset_index()
    mean = np.exp(cells["mean"] + cells["var"] / 2)
    arms = pd.DataFrame(
        {
            "record_level": "arm_summary",
            "lab_id": cells["lab_id"],
            "start_temp_c": cells["start_temp_c"],
            "mean_s": mean,
            "sd_s": mean * np.sqrt(np.expm1(cells["var"])),
            "n_runs": cells["count"],
            "endpoint": "t_solid",
        }
    )
    return frame, arms


def test_runs_and_the_published_groups_made_from_them_give_one_fit():
    frame, arms = cells_and_runs()
    a, b = fit_mixed(frame, endpoint="t_solid"), fit_mixed(arms, endpoint="t_solid")
    assert a.runs_used == b.runs_used == len(frame)
    assert abs(a.slope_per_10k - b.slope_per_10k) < SAME_FIT
    assert abs(a.slope_se - b.slope_se) < SAME_FIT
    assert abs(a.criterion - b.criterion) < SAME_FIT * abs(a.criterion)


def test_all_kinds_of_rows_in_one_fit():
    frame, arms = cells_and_runs()
    contrast = pd.DataFrame(
        [
            {
                "record_level": "contrast_summary",
                "source_id": "table 3",
                "start_temp_hot_c": 80.0,
                "start_temp_cold_c": 20.0,
                "contrast_scale": "log_ratio",
                "contrast_value": 0.15,
                "contrast_se": 0.02,
                "n_hot": 8,
                "n_cold": 8,
                "endpoint": "t_solid",
            }
        ]
    )
    point = runs(labs=1).assign(lab_id="figure", time_reading_sd_s=60.0)
    together = pd.concat(
        [frame, arms.assign(lab_id="p " + arms["lab_id"]), contrast, point], ignore_index=True
    )
    fit = fit_mixed(together, endpoint="t_solid")
    arrays = fit.arrays
    assert fit.status in ("ok", "boundary")
    assert fit.studies == 12
    assert fit.rows_used == len(together) and fit.unused.empty
    assert arrays.difference.sum() == 1
    assert arrays.known_variance[arrays.difference] == pytest.approx([0.02**2])
    assert arrays.within[arrays.difference] == pytest.approx([6.0])
    assert (arrays.X[arrays.difference][0, 0], arrays.names[0]) == (0.0, "intercept")
    reading = arrays.study == "figure"
    time = np.exp(arrays.y[reading])
    assert np.allclose(arrays.added_variance[reading], (60.0 / time) ** 2)
    alone = fit_mixed(frame, endpoint="t_solid")
    assert fit.slope_se < alone.slope_se


def test_contrasts_alone_pool_as_known_effects():
    value, se = np.array([0.10, 0.22, 0.05, 0.16]), np.array([0.03, 0.05, 0.04, 0.03])
    rows = pd.DataFrame(
        {
            "record_level": "contrast_summary",
            "source_id": list("abcd"),
            "start_temp_hot_c": 80.0,
            "start_temp_cold_c": 20.0,
            "contrast_scale": "log_ratio",
            "contrast_value": value,
            "contrast_se": se,
            "endpoint": "t_solid",
        }
    )
    fit = fit_mixed(rows, endpoint="t_solid", inference="normal")
    pooled = mf.pool(value / 6, (se / 6) ** 2, interval="normal")
    assert fit.slope_per_10k == pytest.approx(pooled.estimate, rel=1e-5)
    assert fit.slope_sd_between**2 == pytest.approx(pooled.tau2, rel=1e-4, abs=1e-9)


def test_every_row_is_in_the_fit_or_in_the_ledger():
    frame = runs(labs=4)
    frame["lid"] = np.where(np.arange(len(frame)) % 2, "open", "sealed")
    frame.loc[0, "exclusion_reason"] = "lid fell off"
    frame.loc[1, "endpoint"] = "t_zero"
    frame.loc[2, "start_temp_c"] = np.nan
    frame.loc[3, "time_upper_s"] = np.inf
    frame.loc[4, "lid"] = None
    frame.loc[5, "lab_id"] = None
    frame.index = [f"row {i}" for i in range(len(frame))]
    fit = fit_mixed(frame, endpoint="t_solid", design=["lid"])
    reasons = fit.unused.set_index("row")["reason"]
    assert fit.rows_used + len(reasons) == len(frame) == fit.rows_given
    assert reasons["row 0"] == "excluded: lid fell off"
    assert reasons["row 1"] == "another endpoint (t_zero)"
    assert reasons["row 2"] == "the start temperature is missing"
    assert reasons["row 3"].startswith("not seen to end")
    assert reasons["row 4"] == "lid is missing"
    assert reasons["row 5"] == "neither a lab nor a source is named"
    assert not set(reasons.index) & set(fit.arrays.label)


def test_the_order_of_rows_changes_nothing():
    frame = runs()
    other = frame.sample(frac=1, random_state=1)
    a, b = fit_mixed(frame, endpoint="t_solid"), fit_mixed(other, endpoint="t_solid")
    assert (a.slope_per_10k, a.slope_se, a.criterion) == (
        b.slope_per_10k,
        b.slope_se,
        b.criterion,
    )


def test_design_covariates_are_adjusted_for():
    frame = runs(labs=5, batches=4)
    open_ = np.arange(len(frame)) % 2 == 0
    frame["lid"] = np.where(open_, "open", "sealed")
    frame["water_mass_start_g"] = 100.0 + 10 * (np.arange(len(frame)) % 4)
    for column in ("time_lower_s", "time_upper_s"):
        frame[column] *= np.where(open_, 0.9, 1.0) * frame["water_mass_start_g"] / 100
    fit = fit_mixed(frame, endpoint="t_solid", design=["lid", "water_mass_start_g"])
    assert fit.coefficients.loc["lid=sealed", "estimate"] == pytest.approx(-np.log(0.9), abs=0.06)
    assert fit.coefficients.loc["ln water_mass_start_g", "estimate"] == pytest.approx(1, abs=0.2)


def test_a_constant_covariate_is_refused_by_name():
    fit = fit_mixed(runs(lid="open"), endpoint="t_solid", design=["lid"])
    assert fit.status == "unidentifiable"
    assert "lid=open" in fit.note
    assert np.isnan(fit.slope_per_10k)


def test_a_specimen_frozen_again_is_one_specimen():
    frame = runs(labs=4, batches=6)
    frame["specimen_id"] = frame["run_id"].str.split("/").str[1]
    fit = fit_mixed(frame, endpoint="t_solid")
    assert "specimen" in set(fit.random_parts["level"])
    once = frame.assign(specimen_id=[f"s{i}" for i in range(len(frame))])
    assert "specimen" not in set(fit_mixed(once, endpoint="t_solid").random_parts["level"])


def test_a_pair_of_the_two_temperatures_run_is_the_slope():
    fit = fit_mixed(runs(starts=(20.0, 80.0)), endpoint="t_solid", pair=(20, 80))
    assert fit.pair_method == TWO_TEMPERATURES
    assert fit.ratio_at_pair == pytest.approx(np.exp(6 * fit.slope_per_10k))
    assert fit.extrapolated == ()


def test_a_pair_in_curved_data_is_answered_by_the_spline():
    frame = runs(starts=(10.0, 30.0, 50.0, 70.0, 90.0), batches=4, slope=0.0)
    x = frame["start_temp_c"]
    bent = np.where(x < 50, 0.0, 0.004 * (x - 50))
    for column in ("time_lower_s", "time_upper_s"):
        frame[column] *= np.exp(bent)
    low = fit_mixed(frame, endpoint="t_solid", pair=(10, 50))
    high = fit_mixed(frame, endpoint="t_solid", pair=(50, 90))
    assert low.pair_method == high.pair_method == SPLINE
    assert np.log(low.ratio_at_pair) < 0.05 < 0.12 < np.log(high.ratio_at_pair)
    assert low.ratio_low < low.ratio_at_pair < low.ratio_high


def test_a_pair_outside_a_study_is_marked():
    frame = pd.concat([runs(labs=3), runs(labs=1, starts=(20.0, 40.0)).assign(lab_id="short")])
    fit = fit_mixed(frame.reset_index(drop=True), endpoint="t_solid", pair=(20, 80))
    assert fit.extrapolated == ("short",)


def test_a_baseline_answers_a_pair_with_what_is_beyond_it():
    frame = runs()
    x = (frame["start_temp_c"] - 20) / 10
    fit = fit_mixed(
        frame, endpoint="t_solid", pair=(20, 80), offset=0.03 * x, baseline_at_pair=0.18
    )
    plain = fit_mixed(frame, endpoint="t_solid")
    assert fit.slope_per_10k == pytest.approx(plain.slope_per_10k - 0.03, abs=1e-9)
    assert np.log(fit.ratio_at_pair) == pytest.approx(0.18 + 6 * fit.slope_per_10k)
    assert "baseline" in fit.pair_method


def test_a_row_without_a_baseline_is_listed():
    frame = runs()
    offset = np.zeros(len(frame))
    offset[7] = np.nan
    fit = fit_mixed(frame, endpoint="t_solid", offset=offset)
    assert fit.unused["reason"].tolist() == ["the row has no baseline"]


def test_the_spline_is_straight_outside_its_knots():
    knots = np.array([1.0, 2.0, 4.0])
    x = np.array([-1.0, 0.0, 1.0, 5.0, 6.0, 7.0])
    found = spline_columns(x, knots)[:, 0]
    assert np.allclose(found[:3], 0.0)
    assert np.isclose(found[5] - found[4], found[4] - found[3])


def test_times_not_seen_exactly_are_listed_or_modelled():
    frame = runs(labs=4)
    frame.loc[2, ["time_upper_s"]] = np.inf
    frame.loc[5, ["time_lower_s"]] *= 0.5
    left = fit_mixed(frame, endpoint="t_solid")
    assert len(left.unused) == 2
    kept = fit_mixed(frame, endpoint="t_solid", unseen="model")
    assert kept.unused.empty and kept.rows_used == len(frame)
    assert isinstance(kept.model, mf.UnseenTimesFit)
    assert "no random parts for times seen in part" in kept.second_engine
    assert abs(kept.slope_per_10k - left.slope_per_10k) < 3 * left.slope_se


REFUSED = {
    "an unknown column": ({"design": ["lids"]}, "design names 'lids', which is no column"),
    "the treatment": ({"design": ["start_temp_c"]}, "which is the treatment or an outcome"),
    "an outcome": ({"design": ["time_upper_s"]}, "which is the treatment or an outcome"),
    "text for a list": ({"design": "lid"}, "Give a list of column names"),
    "the same twice": ({"design": ["run_id", "run_id"]}, "Name it once"),
    "hot before cold": ({"pair": (80, 20)}, "Give a cold and a hotter start temperature"),
    "an unknown way with bounds": ({"unseen": "drop"}, 'Choose one of "leave-out", "model"'),
    "a short offset": ({"offset": [1.0]}, "offset has shape (1,)"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_is_refused_with_its_remedy(name):
    options, message = REFUSED[name]
    with pytest.raises(InputError) as error:
        fit_mixed(runs(), endpoint="t_solid", **options)
    assert message in str(error.value)


def test_rows_that_all_fall_out_are_refused_with_the_reasons():
    with pytest.raises(InputError, match="another endpoint"):
        fit_mixed(runs(labs=2), endpoint="t_zero")


def test_a_straight_answer_says_that_physics_is_curved():
    frame = runs(labs=3, starts=(20.0, 80.0))
    fit = fit_mixed(frame, endpoint="t_solid", pair=(30, 60))
    assert fit.pair_method == STRAIGHT
