"""Hot against cold effects of studies: statsmodels, scipy and pingouin beside the package."""

import numpy as np
import pandas as pd
import pingouin as pg
import pytest
import statsmodels.api as sm
from scipy import stats

from metafreeze.analysis.study_effects import study_effects
from metafreeze.effects import standardised
from metafreeze.effects.means import mean_difference
from metafreeze.errors import InputError

# The same closed form by another route.
SAME = 1e-10


def runs(times_by_temp, *, lab="a", blocks=None):
    rows = []
    for temp, times in times_by_temp.items():
        for i, t in enumerate(times):
            rows.append(
                {
                    "lab_id": lab,
                    "block_id": None if blocks is None else blocks[temp][i],
                    "start_temp_c": float(temp),
                    "time_lower_s": float(t),
                    "time_upper_s": float(t),
                    "endpoint": "t_solid",
                }
            )
    return pd.DataFrame(rows)


HOT = np.array([3300.0, 3350.0, 3280.0, 3410.0, 3390.0, 3305.0])
WARM = np.array([3200.0, 3150.0, 3180.0, 3210.0])
COLD = np.array([3000.0, 3060.0, 2990.0, 3100.0, 3050.0])


def groups(**arms):
    rows = [
        {"record_level": "arm_summary", "source_id": "P", "start_temp_c": t, "endpoint": "t_solid"}
        | values
        for t, values in arms.values()
    ]
    return pd.DataFrame(rows)


def test_minutes_are_the_welch_difference():
    e = study_effects(runs({80: HOT, 20: COLD}), endpoint="t_solid", effect="minutes")
    welch = stats.ttest_ind(HOT, COLD, equal_var=False)
    low, high = welch.confidence_interval(0.95)
    frame = e.to_frame()
    assert frame["estimate"][0] == pytest.approx((HOT.mean() - COLD.mean()) / 60, rel=SAME)
    assert frame["df"][0] == pytest.approx(welch.df, rel=SAME)
    assert (frame["low"][0], frame["high"][0]) == pytest.approx((low / 60, high / 60), rel=SAME)


def test_groups_and_their_runs_give_one_log_ratio():
    by_runs = study_effects(runs({80: HOT, 20: COLD}), endpoint="t_solid", effect="log-ratio")
    table = groups(
        hot=(80.0, {"mean_s": HOT.mean(), "sd_s": HOT.std(ddof=1), "n_runs": 6}),
        cold=(20.0, {"mean_s": COLD.mean(), "sd_s": COLD.std(ddof=1), "n_runs": 5}),
    )
    by_groups = study_effects(table, endpoint="t_solid", effect="log-ratio")
    v_h, v_c = HOT.var(ddof=1) / 6 / HOT.mean() ** 2, COLD.var(ddof=1) / 5 / COLD.mean() ** 2
    expected = np.log(HOT.mean() / COLD.mean()) + (v_h - v_c) / 2
    assert by_groups.estimate[0] == pytest.approx(expected, rel=SAME)
    assert by_groups.variance[0] == pytest.approx(v_h + v_c + (v_h**2 + v_c**2) / 2, rel=SAME)
    assert by_runs.estimate[0] == pytest.approx(expected, rel=SAME)
    assert by_runs.variance[0] == pytest.approx(by_groups.variance[0], rel=SAME)


def test_a_shared_cold_arm_is_carried_as_covariance():
    rows = runs({80: HOT, 50: WARM, 20: COLD})
    e = study_effects(rows, endpoint="t_solid", effect="log-ratio")
    assert e.label == ("a: 50 against 20 °C", "a: 80 against 20 °C")
    v = COLD.var(ddof=1) / 5 / COLD.mean() ** 2
    assert e.covariance[0, 1] == pytest.approx(v + v**2 / 2, rel=SAME)
    assert e.covariance[0, 1] == e.covariance[1, 0]
    assert e.shares_arms
    minutes = study_effects(rows, endpoint="t_solid", effect="minutes")
    assert minutes.covariance[0, 1] == pytest.approx(COLD.var(ddof=1) / 5 / 3600, rel=SAME)


def test_the_covariance_of_log_ratios_is_that_of_repeated_trials():
    """Simulated: 4000 trials; the Monte Carlo error of a covariance is about 3 %."""
    rng = np.random.default_rng(5)
    h, w, c = (rng.normal(m, 60.0, size=(4000, 6)).mean(axis=1) for m in (3300, 3150, 3000))
    seen = np.cov(np.log(h / c), np.log(w / c))[0, 1]
    v = 60.0**2 / 6 / 3000**2
    assert seen == pytest.approx(v + v**2 / 2, rel=0.1)


def test_batches_are_compared_inside():
    rng = np.random.default_rng(2)
    blocks = {80: ["1", "2", "3", "3", "2"], 50: ["1", "1", "3"], 20: ["1", "2", "3", "2"]}
    level = {"1": 0.0, "2": 0.4, "3": -0.3}
    times = {
        t: np.exp([8 + 0.02 * t / 10 + level[b] + 0.05 * rng.normal() for b in bs])
        for t, bs in blocks.items()
    }
    rows = runs(times, blocks=blocks)
    e = study_effects(rows, endpoint="t_solid", effect="log-ratio")
    design = np.column_stack(
        [
            (rows["start_temp_c"] == 50).to_numpy(float),
            (rows["start_temp_c"] == 80).to_numpy(float),
            pd.get_dummies(rows["block_id"]).to_numpy(float),
        ]
    )
    fit = sm.OLS(np.log(rows["time_upper_s"]), design).fit()
    np.testing.assert_allclose(e.estimate, fit.params[:2], rtol=SAME)
    np.testing.assert_allclose(e.covariance, fit.cov_params().iloc[:2, :2], rtol=SAME)
    assert (e.df == fit.df_resid).all()


def test_batches_without_a_common_arm_are_listed():
    rows = runs({80: HOT, 20: COLD}, blocks={80: ["1"] * 6, 20: ["2"] * 5})
    e = study_effects(rows, endpoint="t_solid", effect="minutes")
    assert e.k == 0
    assert set(e.unused["reason"]) == {"some arms share no batch with the others"}


def test_the_standardised_difference_is_the_one_of_pingouin():
    # pingouin rounds its intervals, not this number; it uses the approximate factor.
    exact = standardised.standardised_difference(
        HOT.mean(), HOT.std(ddof=1), 6, COLD.mean(), COLD.std(ddof=1), 5
    )
    book = standardised.standardised_difference(
        HOT.mean(), HOT.std(ddof=1), 6, COLD.mean(), COLD.std(ddof=1), 5, exact=False
    )
    assert book.estimate == pytest.approx(pg.compute_effsize(HOT, COLD, eftype="hedges"), rel=SAME)
    assert exact.uncorrected == pytest.approx(pg.compute_effsize(HOT, COLD), rel=SAME)
    e = study_effects(runs({80: HOT, 20: COLD}), endpoint="t_solid", effect="standardised")
    assert e.estimate[0] == pytest.approx(exact.estimate, rel=SAME)
    assert e.variance[0] == pytest.approx(exact.variance, rel=SAME)


@pytest.mark.parametrize("delta", [0.0, 0.5, 2.0])
def test_the_exact_variance_is_that_of_the_noncentral_t(delta):
    n_1, n_2 = 5.0, 7.0
    df, root = n_1 + n_2 - 2, np.sqrt(n_1 * n_2 / (n_1 + n_2))
    j = standardised.correction_factor(df)
    mean, var = stats.nct.stats(df, delta * root, moments="mv")
    assert j * mean / root == pytest.approx(delta, abs=1e-12)
    e = standardised.standardised_difference(delta / j, 1.0, n_1, 0.0, 1.0, n_2)
    assert e.variance == pytest.approx(j**2 * var / root**2, rel=1e-9)


def test_the_noncentral_interval_holds_its_estimate_and_the_sign():
    e = standardised.standardised_difference(0.0, 1.0, 10, 1.28, 1.0, 10)
    low, high = standardised.noncentral_interval(e, 10, 10)
    assert low < e.uncorrected < high < 0
    swapped = standardised.standardised_difference(1.28, 1.0, 10, 0.0, 1.0, 10)
    assert standardised.noncentral_interval(swapped, 10, 10) == pytest.approx((-high, -low))
    t = e.uncorrected * np.sqrt(5)
    for limit, tail in ((low, 0.975), (high, 0.025)):
        assert stats.nct.cdf(t, 18, limit * np.sqrt(5)) == pytest.approx(tail, abs=1e-9)


def test_an_interval_is_refused_for_a_divisor_it_was_not_made_for():
    change = standardised.change_difference(63.0, 56.8, 0.75, 6)
    with pytest.raises(InputError, match="divided by the standard deviation of change"):
        standardised.noncentral_interval(change, 6, 6)


def test_paired_and_unpaired_have_their_own_names():
    """Six specimens before and after: 1.34 group spreads, 8.19 spreads of change."""
    before = np.array([61.0, 64, 59, 70, 66, 58])
    after = np.array([55.0, 57, 54, 64, 60, 51])
    gap = before - after
    change = standardised.change_difference(before.mean(), after.mean(), gap.std(ddof=1), 6)
    groups_ = standardised.standardised_difference(
        before.mean(), before.std(ddof=1), 6, after.mean(), after.std(ddof=1), 6
    )
    assert change.uncorrected == pytest.approx(8.19, abs=0.005)
    assert groups_.uncorrected == pytest.approx(1.343, abs=0.0005)
    assert change.divisor != groups_.divisor
    assert change.df == 5 and groups_.df == 10
    assert change.correction == standardised.correction_factor(5)


def test_two_routes_to_the_paired_difference_agree():
    sd_before, sd_after, r = 4.0, 5.0, 0.6
    sd_change = np.sqrt(sd_before**2 + sd_after**2 - 2 * r * sd_before * sd_after)
    within = np.sqrt((sd_before**2 + sd_after**2) / 2)
    e = standardised.paired_standardised_difference(
        3.0, 0.0, sd_change, 8, correlation=1 - sd_change**2 / (2 * within**2)
    )
    assert e.uncorrected == pytest.approx(3.0 / within, rel=SAME)


def test_several_hot_arms_share_one_divisor_and_are_correlated():
    e = study_effects(
        runs({80: HOT, 50: WARM, 20: COLD}), endpoint="t_solid", effect="standardised"
    )
    squares = sum(((t - t.mean()) ** 2).sum() for t in (HOT, WARM, COLD))
    sd, df = np.sqrt(squares / 12), 12
    j = standardised.correction_factor(df)
    d = np.array([WARM.mean() - COLD.mean(), HOT.mean() - COLD.mean()]) / sd
    np.testing.assert_allclose(e.estimate, j * d, rtol=SAME)
    expected = j**2 * (1 / 5 + d[0] * d[1] / (2 * 15))
    assert e.covariance[0, 1] == pytest.approx(expected, rel=SAME)
    assert np.linalg.eigvalsh(e.covariance).min() > 0
    assert "very large" in e.note


def test_constant_arms_are_not_standardised_and_give_no_infinity():
    both = study_effects(
        runs({80: [2400.0] * 3, 20: [2700.0] * 3}), endpoint="t_solid", effect="standardised"
    )
    assert both.k == 0
    assert "timer resolution" in both.unused["reason"][0]
    one = study_effects(
        runs({80: [2400.0] * 3, 20: [2700.0, 2750.0, 2690.0]}),
        endpoint="t_solid",
        effect="standardised",
    )
    assert np.isfinite(one.estimate).all() and np.isfinite(one.variance).all()
    with pytest.raises(InputError, match="Neither group has any spread"):
        standardised.standardised_difference(40, 0.0, 3, 45, 0.0, 3)


def test_hotter_first_from_runs_is_the_rank_chance():
    rows = runs(
        {80: [3000.0, 3100.0, 3050.0, 3400.0], 20: [3010.0, 3200.0, 3150.0, 3300.0, 3050.0]}
    )
    e = study_effects(rows, endpoint="t_solid", effect="hotter-first")
    pairs = [
        (h < c) + 0.5 * (h == c)
        for h in [3000, 3100, 3050, 3400]
        for c in [3010, 3200, 3150, 3300, 3050]
    ]
    p = np.mean(pairs)
    assert e.estimate[0] == pytest.approx(np.log(p / (1 - p)), rel=SAME)
    test = stats.brunnermunzel([3000, 3100, 3050, 3400], [3010, 3200, 3150, 3300, 3050])
    se = np.sqrt(e.variance[0]) * p * (1 - p)
    assert (p - 0.5) / se == pytest.approx(test.statistic, rel=SAME)


def test_counts_of_pairs_are_log_odds_and_extremes_are_left_to_the_exact_model():
    rows = pd.DataFrame(
        {
            "record_level": "pair_count",
            "lab_id": ["a", "b", "c"],
            "k_hot_first": [6, 0, 5],
            "n_pairs": [20, 9, 12],
            "n_ties": [np.nan, np.nan, 2],
            "endpoint": "t_solid",
        }
    )
    e = study_effects(rows, endpoint="t_solid", effect="hotter-first")
    assert e.study == ("a", "c")
    np.testing.assert_allclose(e.estimate, [np.log(6 / 14), 0.0], atol=1e-12)
    np.testing.assert_allclose(e.variance, [1 / 6 + 1 / 14, 0.4])
    assert list(e.counts["k"]) == [6, 0, 5] and list(e.counts["n"]) == [20, 9, 10]
    assert "0 of 9" in e.unused["reason"][0]


def test_nearly_equal_starts_are_one_arm():
    rows = runs({80.4: HOT[:3], 79.1: HOT[3:], 20.0: COLD[:3], 19.0: COLD[3:]})
    e = study_effects(rows, endpoint="t_solid", effect="minutes")
    assert e.k == 1
    assert e.estimate[0] == pytest.approx((HOT.mean() - COLD.mean()) / 60, rel=SAME)


def test_contrasts_serve_only_their_own_scale():
    rows = pd.DataFrame(
        {
            "record_level": "contrast_summary",
            "lab_id": ["a", "b"],
            "contrast_scale": ["difference_s", "log_ratio"],
            "contrast_value": [-168.0, -0.07],
            "contrast_se": [54.0, 0.04],
            "endpoint": "t_first_ice",
        }
    )
    minutes = study_effects(rows, endpoint="t_first_ice", effect="minutes")
    assert minutes.study == ("a",)
    assert (minutes.estimate[0], minutes.variance[0]) == (-2.8, pytest.approx(0.81))
    assert minutes.unused["reason"][0] == "a log ratio alone gives no minutes"
    ratio = study_effects(rows, endpoint="t_first_ice", effect="log-ratio")
    assert ratio.study == ("b",)


def test_groups_without_n_serve_where_no_sd_is_needed():
    table = groups(
        hot=(80.0, {"mean_s": 3300.0, "se_s": 20.0}), cold=(20.0, {"mean_s": 3000.0, "se_s": 25.0})
    )
    e = study_effects(table, endpoint="t_solid", effect="minutes")
    assert e.variance[0] == pytest.approx((20.0**2 + 25.0**2) / 3600, rel=SAME)
    assert study_effects(table, endpoint="t_solid", effect="standardised").k == 0


def test_the_difference_of_means_with_a_common_sd_is_the_ordinary_t_test():
    e = mean_difference(
        HOT.mean(), HOT.std(ddof=1), 6, COLD.mean(), COLD.std(ddof=1), 5, common_sd=True
    )
    t = stats.ttest_ind(HOT, COLD)
    assert e.estimate / e.se == pytest.approx(t.statistic, rel=SAME)
    assert e.df == t.df
