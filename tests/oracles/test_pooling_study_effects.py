"""Slopes per study against statsmodels, and groups against the runs behind them."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from metafreeze.analysis.study_effects import study_effects
from metafreeze.errors import InputError
from metafreeze.models.pooled import pool

# The same least squares by another route: rounding times a condition number of about 1e3.
SAME_FIT = 1e-10


def invented_runs(labs=4, blocks=5, seed=1, per_block=4, noise=0.05):
    rng = np.random.default_rng(seed)
    rows = []
    for lab in range(labs):
        slope = 0.02 + 0.01 * rng.normal()
        for block in range(blocks):
            level = 8 + 0.3 * rng.normal()
            for run in range(per_block):
                temp = [20.0, 80.0, 50.0, 20.0][run % 4] + rng.normal()
                y = level + slope * (temp - 20) / 10 + noise * rng.normal()
                rows.append(
                    {
                        "record_level": "run",
                        "lab_id": f"lab {lab}",
                        "block_id": str(block),  # names restart in every lab
                        "run_id": str(run),
                        "start_temp_c": temp,
                        "time_lower_s": np.exp(y),
                        "time_upper_s": np.exp(y),
                        "endpoint": "t_solid",
                    }
                )
    return pd.DataFrame(rows)


def least_squares(frame):
    """Fit ln time on start temperature with an indicator per block."""
    y = np.log(frame["time_upper_s"].to_numpy())
    x = (frame["start_temp_c"].to_numpy() - 20) / 10
    dummies = pd.get_dummies(frame["block_id"]).to_numpy(float)
    fit = sm.OLS(y, np.column_stack([x, dummies])).fit()
    return fit.params[0], fit.bse[0] ** 2, fit.df_resid


def test_the_slope_of_runs_is_least_squares_with_block_indicators():
    rows = invented_runs()
    effects = study_effects(rows, endpoint="t_solid")
    for i, lab in enumerate(effects.study):
        slope, variance, df = least_squares(rows[rows["lab_id"] == lab])
        assert effects.estimate[i] == pytest.approx(slope, rel=SAME_FIT)
        assert effects.variance[i] == pytest.approx(variance, rel=SAME_FIT)
        assert effects.df[i] == df
    assert effects.rows_used == effects.rows_given == len(rows)


def test_a_common_variance_is_the_pooled_residual_mean_square():
    rows = invented_runs()
    own = study_effects(rows, endpoint="t_solid")
    common = study_effects(rows, endpoint="t_solid", residual="common")
    x = (rows["start_temp_c"] - 20) / 10
    centred = x - x.groupby([rows["lab_id"], rows["block_id"]]).transform("mean")
    sxx = (centred**2).groupby(rows["lab_id"]).sum().to_numpy()
    shared = (own.variance * sxx * own.df).sum() / own.df.sum()
    np.testing.assert_allclose(common.variance, shared / sxx, rtol=SAME_FIT)
    np.testing.assert_allclose(common.estimate, own.estimate, rtol=SAME_FIT)
    assert (common.df == own.df.sum()).all()


def groups_of(rows):
    """Summarise runs at nominal temperatures so that their log moments come back exactly."""
    rows = rows.assign(y=np.log(rows["time_upper_s"]))
    out = []
    for (lab, block, temp), g in rows.groupby(["lab_id", "block_id", "start_temp_c"]):
        mu, s2 = g["y"].mean(), g["y"].var(ddof=1)
        mean = np.exp(mu + s2 / 2)
        out.append(
            {
                "record_level": "arm_summary",
                "lab_id": lab,
                "block_id": block,
                "start_temp_c": temp,
                "mean_s": mean,
                "sd_s": mean * np.sqrt(np.expm1(s2)),
                "n_runs": len(g),
                "endpoint": "t_solid",
            }
        )
    return pd.DataFrame(out)


def test_groups_give_what_the_runs_behind_them_give():
    rows = invented_runs(labs=3, blocks=2, per_block=12)
    rows["start_temp_c"] = rows["start_temp_c"].round(-1)
    by_runs = study_effects(rows, endpoint="t_solid")
    by_groups = study_effects(groups_of(rows), endpoint="t_solid")
    np.testing.assert_allclose(by_groups.estimate, by_runs.estimate, rtol=SAME_FIT)
    np.testing.assert_allclose(by_groups.variance, by_runs.variance, rtol=SAME_FIT)
    np.testing.assert_allclose(by_groups.df, by_runs.df)


def test_shuffled_and_relabelled_rows_give_the_same_answer():
    rows = invented_runs()
    shuffled = rows.sample(frac=1, random_state=3)
    a, b = study_effects(rows, endpoint="t_solid"), study_effects(shuffled, endpoint="t_solid")
    pd.testing.assert_frame_equal(a.to_frame(), b.to_frame(), check_exact=True)
    renamed = shuffled.assign(block_id="x" + shuffled["block_id"]).reset_index(drop=True)
    c = study_effects(renamed, endpoint="t_solid")
    np.testing.assert_allclose(c.estimate, a.estimate, rtol=SAME_FIT)


def test_without_batches_all_runs_of_a_lab_are_one_block_and_it_says_so():
    rows = invented_runs(labs=1).drop(columns="block_id")
    effects = study_effects(rows, endpoint="t_solid")
    fit = sm.OLS(
        np.log(rows["time_upper_s"]), sm.add_constant((rows["start_temp_c"] - 20) / 10)
    ).fit()
    assert effects.estimate[0] == pytest.approx(fit.params.iloc[1], rel=SAME_FIT)
    assert effects.variance[0] == pytest.approx(fit.bse.iloc[1] ** 2, rel=SAME_FIT)
    assert "no batches are named in lab 0, so all its runs count as cooled together" in effects.note


def test_blocks_keep_a_difference_between_days_out_of_the_slope():
    """Hot runs made on slow days show a slope that no day shows."""
    rows = pd.DataFrame(
        {
            "lab_id": "a",
            "block_id": ["1"] * 4 + ["2"] * 4,
            "start_temp_c": [20.0, 20.0, 30.0, 30.0, 70.0, 70.0, 80.0, 80.0],
            "time_upper_s": [3000.0, 3010.0, 3005.0, 3000.0, 6000.0, 6020.0, 6010.0, 6000.0],
            "endpoint": "t_solid",
        }
    )
    rows["time_lower_s"] = rows["time_upper_s"]
    within = study_effects(rows, endpoint="t_solid")
    apart = study_effects(rows.drop(columns="block_id"), endpoint="t_solid")
    assert abs(within.estimate[0]) < 0.01 < 0.1 < apart.estimate[0]


def row(**values):
    base = {"record_level": "run", "lab_id": "a", "endpoint": "t_solid"}
    return base | values


def timed(temp, time, **more):
    return row(start_temp_c=temp, time_lower_s=time, time_upper_s=time, **more)


def test_every_row_without_an_effect_is_listed_with_its_reason():
    good = [timed(t, s, lab_id="good") for t, s in [(20, 3000), (80, 3300), (20, 3050), (80, 3400)]]
    rows = pd.DataFrame(
        [
            *good,
            timed(80, 3000.0, endpoint="t_zero"),
            timed(80, 3000.0, exclusion_reason="door left open"),
            timed(80, 3000.0, lab_id=None),
            timed(np.nan, 3000.0),
            row(start_temp_c=80.0, time_lower_s=7200.0),
            row(start_temp_c=80.0, time_lower_s=0.0, time_upper_s=1800.0),
            row(start_temp_c=80.0, time_lower_s=1800.0, time_upper_s=3600.0),
            timed(80, 3000.0, lab_id="two runs"),
            timed(20, 2900.0, lab_id="two runs"),
            timed(80, 3000.0, lab_id="one temperature"),
            timed(80, 3000.0, direction="warming"),
        ]
    )
    effects = study_effects(rows, endpoint="t_solid")
    assert effects.study == ("good",)
    assert dict(zip(effects.unused["row"], effects.unused["reason"], strict=True)) == {
        4: "another endpoint (t_zero)",
        5: "excluded: door left open",
        6: "neither a lab nor a source is named",
        7: "the start temperature is missing",
        8: "not seen to end (still going at 7200 s)",
        9: "known only to have ended by 1800 s",
        10: "seen between 1800 and 3600 s, too wide a window for one number",
        11: "2 runs leave no spread around the line: as many coefficients as runs",
        12: "2 runs leave no spread around the line: as many coefficients as runs",
        13: "no batch or table holds two start temperatures to compare",
        14: "another direction (warming)",
    }
    assert effects.rows_used + effects.unused["row"].nunique() == effects.rows_given
    assert np.isfinite(pool(effects.estimate, effects.variance).estimate)


def test_two_runs_a_lab_are_refused_and_say_how_many(tmp_path):
    temps, minutes = (
        [20, 80] * 5,
        [55.45, 56.64, 53.04, 64.46, 53.93, 54.12, 50.24, 65.06, 51.31, 63.36],
    )
    rows = pd.DataFrame(
        [
            timed(t, 60 * m, lab_id=f"L{i // 2 + 1}")
            for i, (t, m) in enumerate(zip(temps, minutes, strict=True))
        ]
    )
    effects = study_effects(rows, endpoint="t_solid")
    assert (effects.k, effects.status) == (0, "unidentifiable")
    assert (effects.unused["reason"].str.contains("as many coefficients as runs")).all()
    lent = study_effects(rows, endpoint="t_solid", borrowed_sd=0.05)
    assert lent.k == 5
    assert set(lent.remark) == {"borrowed SD"}
    # Variance 2 sd² of a difference over the gap of 6 units of 10 K, squared.
    np.testing.assert_allclose(lent.variance, 2 * 0.05**2 / 36)


def test_a_single_curve_an_arm_has_a_borrowed_and_a_reading_error():
    """Domain rule for one run an arm: 2 sd² of the lent SD, plus what the readings add."""
    rows = pd.DataFrame(
        [timed(80, 3300.0, time_reading_sd_s=33.0), timed(20, 3000.0, time_reading_sd_s=60.0)]
    )
    lent = study_effects(rows, endpoint="t_solid", borrowed_sd=0.05)
    assert lent.remark == ("borrowed SD",)
    added = (33 / 3300) ** 2 + (60 / 3000) ** 2
    assert lent.variance[0] == pytest.approx((2 * 0.05**2 + added) / 36, rel=SAME_FIT)


def test_a_network_of_many_labs_is_no_burden():
    rows = invented_runs(labs=60, blocks=20, per_block=8)
    effects = study_effects(rows, endpoint="t_solid")
    assert effects.k == 60 and effects.rows_used == 9600
    slope, variance, _ = least_squares(rows[rows["lab_id"] == "lab 7"])
    i = effects.study.index("lab 7")
    assert effects.estimate[i] == pytest.approx(slope, rel=SAME_FIT)
    assert effects.variance[i] == pytest.approx(variance, rel=SAME_FIT)


def test_constant_arms_give_no_infinity():
    def lab(name, pairs):
        return [timed(t, 60.0 * m, lab_id=name) for t, m in pairs]

    constant = [(80, 40)] * 3 + [(20, 45)] * 3
    rows = pd.DataFrame([*lab("A", constant), *lab("B", [(80, 40), (80, 45), (20, 45), (20, 50)])])
    effects = study_effects(rows, endpoint="t_solid")
    assert effects.study == ("B",)
    assert "timer resolution" in effects.unused["reason"].iloc[0]
    known = study_effects(rows.assign(check_interval_s=300.0), endpoint="t_solid")
    assert known.study == ("A", "B")
    assert "time between looks" in known.remark[0]
    share = 300.0 / np.array([2400.0] * 3 + [2700.0] * 3)
    floor = np.mean(share**2) / 12
    assert known.variance[0] == pytest.approx(floor / (6 * 9.0), rel=SAME_FIT)


def arm(temp, **values):
    return row(record_level="arm_summary", lab_id=None, source_id="P", start_temp_c=temp, **values)


def test_two_published_groups_share_their_variance():
    rows = pd.DataFrame(
        [
            arm(80.0, mean_s=2400.0, sd_s=186.0, n_runs=12),
            arm(20.0, mean_s=2640.0, sd_s=168.0, n_runs=9),
        ]
    )
    effects = study_effects(rows, endpoint="t_solid")
    s2 = np.log1p((np.array([186.0, 168.0]) / [2400.0, 2640.0]) ** 2)
    mu = np.log([2400.0, 2640.0]) - s2 / 2
    pooled = (11 * s2[0] + 8 * s2[1]) / 19
    assert effects.estimate[0] == pytest.approx((mu[0] - mu[1]) / 6, rel=SAME_FIT)
    assert effects.variance[0] == pytest.approx(pooled * (1 / 12 + 1 / 9) / 36, rel=SAME_FIT)
    assert effects.df[0] == 19


def test_groups_without_n_use_the_error_of_their_means():
    rows = pd.DataFrame([arm(80.0, mean_s=2400.0, se_s=50.0), arm(20.0, mean_s=2640.0, se_s=40.0)])
    effects = study_effects(rows, endpoint="t_solid")
    variance = ((50 / 2400) ** 2 + (40 / 2640) ** 2) / 36
    assert effects.variance[0] == pytest.approx(variance, rel=SAME_FIT)
    assert np.isinf(effects.df[0])
    assert "n not reported" in effects.remark[0]


def test_error_of_start_temperature_and_of_reading_adds_to_groups():
    base = [
        arm(80.0, mean_s=2900.0, sd_s=150.0, n_runs=10),
        arm(20.0, mean_s=2640.0, sd_s=150.0, n_runs=10),
    ]
    plain = study_effects(pd.DataFrame(base), endpoint="t_solid")
    warm = study_effects(
        pd.DataFrame([b | {"start_temp_sd_k": 2.0} for b in base]), endpoint="t_solid"
    )
    # Domain rule: b² (u_h² + u_c²) / dT², in units of 10 K.
    added = plain.estimate[0] ** 2 * 2 * 0.2**2 / 36
    assert warm.variance[0] - plain.variance[0] == pytest.approx(added, rel=1e-6)


def test_bars_without_a_meaning_are_refused_or_read_both_ways():
    base = [
        arm(80.0, mean_s=2340.0, sd_s=24.0, n_runs=20, error_bar_meaning="unstated"),
        arm(20.0, mean_s=2460.0, sd_s=30.0, n_runs=20, error_bar_meaning="unstated"),
    ]
    rows = pd.DataFrame(base)
    refused = study_effects(rows, endpoint="t_solid")
    assert refused.k == 0
    assert refused.unused["reason"].str.startswith("the meaning of the ± is not stated").all()
    as_sd = study_effects(rows, endpoint="t_solid", unstated_bars="SD")
    as_se = study_effects(rows, endpoint="t_solid", unstated_bars="SE")
    assert as_se.variance[0] / as_sd.variance[0] == pytest.approx(20, rel=1e-2)


def contrast(study, **values):
    return row(
        record_level="contrast_summary",
        lab_id=study,
        start_temp_hot_c=80.0,
        start_temp_cold_c=20.0,
        contrast_scale="log_ratio",
        **values,
    )


def test_contrasts_come_in_as_slopes_and_bad_ones_are_listed():
    rows = pd.DataFrame(
        [
            contrast("S1", contrast_value=-0.06, contrast_se=0.03, n_hot=12, n_cold=12),
            contrast("S2", contrast_value=-0.03, n_hot=10, n_cold=10),
            contrast("S3", contrast_se=0.03, n_hot=8, n_cold=8),
            contrast("S4", contrast_value=0.01, contrast_se=0.0),
            contrast("S5", contrast_value=0.08, contrast_se=-0.5),
            contrast("S6", contrast_value=-0.02, contrast_se=0.05, n_hot=1, n_cold=1),
            contrast("S7", contrast_value=-0.05, contrast_se=0.02),
        ]
    )
    effects = study_effects(rows, endpoint="t_solid")
    assert effects.study == ("S1", "S7")
    np.testing.assert_allclose(effects.estimate, [-0.01, -0.05 / 6])
    np.testing.assert_allclose(effects.variance, [0.005**2, (0.02 / 6) ** 2])
    assert list(effects.unused["reason"]) == [
        "the contrast has no standard error, so it cannot be weighed",
        "the contrast has no value",
        "the standard error is zero, which claims certainty",
        "the standard error is negative (-0.5)",
        "one run an arm has no spread of its own, so its standard error cannot be known",
    ]
    assert np.isfinite(pool(effects.estimate, effects.variance).estimate)


def test_contrasts_against_one_cold_start_may_share_an_arm_and_it_says_so():
    two = pd.DataFrame(
        [
            contrast("S1", contrast_value=-0.06, contrast_se=0.03),
            contrast("S1", contrast_value=-0.03, contrast_se=0.03) | {"start_temp_hot_c": 50.0},
            contrast("S2", contrast_value=-0.03, contrast_se=0.03),
        ]
    )
    effects = study_effects(two, endpoint="t_solid")
    assert effects.study == ("S1", "S2")
    assert "2 contrasts of S1 against 20 °C may share that arm" in effects.note
    assert "S2 against" not in effects.note


def test_counts_give_a_slope_only_with_a_borrowed_sd():
    base = {"record_level": "pair_count", "start_temp_hot_c": 80.0, "start_temp_cold_c": 60.0}
    rows = pd.DataFrame(
        [row(**base, k_hot_first=6, n_pairs=20), row(**base, k_hot_first=0, n_pairs=9, lab_id="b")]
    )
    assert study_effects(rows, endpoint="t_solid").k == 0
    effects = study_effects(rows, endpoint="t_solid", borrowed_sd=0.1)
    assert effects.study == ("a",)
    # Phi^-1(0.3) = -0.5244005 (standard normal table); hot is later, so the sign is positive.
    assert effects.estimate[0] == pytest.approx(np.sqrt(2) * 0.1 * 0.5244005127 / 2, rel=1e-9)
    assert "0 of 9" in effects.unused["reason"].iloc[0]


def test_one_specimen_frozen_again_and_again_is_one_pair():
    base = {"record_level": "pair_count", "start_temp_hot_c": 80.0, "start_temp_cold_c": 60.0}
    rows = pd.DataFrame([row(**base, k_hot_first=21, n_pairs=28, n_specimens=4)])
    effects = study_effects(rows, endpoint="t_solid", borrowed_sd=0.1)
    assert (effects.counts["k"][0], effects.counts["n"][0]) == (3.0, 4.0)
    assert "4 pairs" in effects.counts["remark"][0]


def test_mixed_thresholds_are_refused():
    rows = pd.DataFrame(
        [timed(20, 900.0, endpoint="t_threshold", threshold_c=t) for t in (4.0, 10.0)]
    )
    with pytest.raises(InputError, match="several thresholds: 4, 10 °C"):
        study_effects(rows, endpoint="t_threshold")
    left = study_effects(rows, endpoint="t_threshold", threshold_c=4.0)
    assert "another threshold (10 °C)" in set(left.unused["reason"])


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"endpoint": "frozen"}, "endpoint is 'frozen'"),
        ({"endpoint": "ice_at_time"}, "a mass and not a time"),
        ({"endpoint": "t_solid", "effect": "d"}, "effect is 'd'"),
        ({"endpoint": "t_solid", "borrowed_sd": 0.0}, "borrowed_sd is 0.0"),
        ({"endpoint": "t_solid", "unstated_bars": "CI"}, "unstated_bars is 'CI'"),
        ({"endpoint": "t_solid", "direction": "up"}, "direction is 'up'"),
        ({"endpoint": "t_solid", "level": 95}, "level is 95"),
    ],
)
def test_options_that_do_not_exist_are_refused(options, words):
    with pytest.raises(InputError) as caught:
        study_effects(invented_runs(labs=1), **options)
    assert words in str(caught.value)
