"""Several effects per study: balanced tables in closed form, and a dense slow twin."""

import numpy as np
import pytest
from scipy import optimize, stats

from metafreeze.errors import InputError
from metafreeze.models.pooled import pool
from metafreeze.models.three_level import pool_nested

# An optimum found to 1e-13 in its gradient; variances are good to about this.
OPTIMUM = 1e-6


def nested(seed=1, sizes=(1, 3, 2, 4, 5, 2, 3, 1, 6, 2), between=0.3, within=0.2):
    rng = np.random.default_rng(seed)
    study = np.repeat([f"s{j}" for j in range(len(sizes))], sizes)
    v = rng.uniform(0.01, 0.05, study.size)
    u = np.repeat(rng.normal(0, between, len(sizes)), sizes)
    return u + rng.normal(0, within, study.size) + rng.normal(0, np.sqrt(v)), v, study


def test_a_balanced_table_is_an_analysis_of_variance():
    rng = np.random.default_rng(3)
    groups, n, v = 8, 4, 0.02
    y = rng.normal(0, 0.4, groups)[:, np.newaxis] + rng.normal(0, 0.3, (groups, n))
    fit = pool_nested(y.ravel(), np.full(groups * n, v), np.repeat(np.arange(groups), n))
    means = y.mean(axis=1)
    within = y.var(axis=1, ddof=1).mean()
    between = n * means.var(ddof=1)
    assert fit.estimate == pytest.approx(y.mean(), rel=1e-12)
    assert fit.tau2_within == pytest.approx(within - v, rel=OPTIMUM)
    assert fit.tau2_between == pytest.approx((between - within) / n, rel=OPTIMUM)
    # Robust and by model are then both the t interval of the study means.
    t = stats.ttest_1samp(means, 0.0).confidence_interval(0.95)
    assert fit.df == pytest.approx(groups - 1, rel=1e-9)
    assert (fit.low, fit.high) == pytest.approx((t.low, t.high), rel=1e-9)
    assert (fit.low_model, fit.high_model) == pytest.approx((t.low, t.high), rel=OPTIMUM)


@pytest.mark.parametrize("seed", [1, 3])
def test_the_optimum_is_that_of_a_dense_search(seed):
    y, v, study = nested(seed)
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(y.size, 2)) * 0.05
    same = study[:, np.newaxis] == study
    covariance = np.diag(v) + np.where(same, root @ root.T, 0.0)
    variance = np.diag(covariance)
    fit = pool_nested(y, variance, study, covariance=covariance)
    ones = np.ones(y.size)

    def criterion(theta):
        total = covariance + abs(theta[0]) * same + abs(theta[1]) * np.eye(y.size)
        sign, log_det = np.linalg.slogdet(total)
        w1, wy = np.linalg.solve(total, ones), np.linalg.solve(total, y)
        info = ones @ w1
        r = y - (ones @ wy) / info
        return sign * log_det + np.log(info) + r @ np.linalg.solve(total, r)

    best = min(
        (
            optimize.minimize(
                criterion, s, method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-12}
            )
            for s in ([0.01, 0.01], [0.2, 0.01], [0.01, 0.2])
        ),
        key=lambda r: r.fun,
    )
    assert criterion([fit.tau2_between, fit.tau2_within]) <= best.fun + 1e-9
    np.testing.assert_allclose(
        [fit.tau2_between, fit.tau2_within], np.abs(best.x), rtol=1e-4, atol=1e-6
    )


def test_sums_by_study_and_whole_matrices_give_one_answer():
    y, v, study = nested(4)
    by_sums, by_matrices = pool_nested(y, v, study), pool_nested(y, v, study, covariance=np.diag(v))
    for name in ("estimate", "se", "df", "se_model", "tau2_between", "tau2_within", "q"):
        assert getattr(by_sums, name) == pytest.approx(getattr(by_matrices, name), rel=OPTIMUM)
    np.testing.assert_allclose(by_sums.weights, by_matrices.weights, rtol=OPTIMUM)


def test_one_effect_a_study_is_the_ordinary_pool():
    y, v, _ = nested()
    fit, plain = pool_nested(y, v, np.arange(y.size)), pool(y, v, interval="normal")
    assert fit.tau2_between == pytest.approx(plain.tau2, rel=OPTIMUM)
    assert fit.estimate == pytest.approx(plain.estimate, rel=OPTIMUM)
    assert fit.se_model == pytest.approx(plain.se, rel=OPTIMUM)
    assert np.isnan(fit.tau2_within) and "within" in fit.reasons


def test_repeating_an_effect_brings_no_certainty():
    """Five copies of one study's effect, perfectly shared but for rounding, weigh like one."""
    y, v = np.array([0.1, 0.4, -0.2, 0.3]), np.full(4, 0.01)
    copies = np.concatenate([np.repeat(0.1, 5), y[1:]])
    study = ["a"] * 5 + ["b", "c", "d"]
    covariance = np.diag(np.full(8, 0.01))
    covariance[:5, :5] = 0.01 - 1e-9 * (1 - np.eye(5))
    nested_fit = pool_nested(copies, np.full(8, 0.01), study, covariance=covariance)
    plain = pool(y, v, interval="normal")
    assert nested_fit.estimate == pytest.approx(plain.estimate, abs=1e-4)
    assert nested_fit.se_model == pytest.approx(plain.se, rel=1e-2)
    naive = pool(copies, np.full(8, 0.01), interval="normal")
    assert naive.se < 0.85 * nested_fit.se_model


def test_order_unit_and_sign():
    y, v, study = nested(sizes=(1, 3, 2, 4))
    fit = pool_nested(y, v, study)
    order = np.random.default_rng(5).permutation(y.size)
    shuffled = pool_nested(y[order], v[order], study[order])
    assert shuffled.tau2_between == pytest.approx(fit.tau2_between, rel=OPTIMUM)
    assert shuffled.estimate == pytest.approx(fit.estimate, rel=OPTIMUM)
    scaled = pool_nested(-1024 * y, 1024**2 * v, study)
    assert scaled.tau2_within == fit.tau2_within * 1024**2
    assert scaled.estimate == pytest.approx(-1024 * fit.estimate, rel=1e-12)


def test_no_spread_at_all_is_the_boundary():
    y = np.array([1.0, 1.01, 0.99, 1.0, 1.0, 1.02])
    fit = pool_nested(y, np.ones(6), ["a", "a", "b", "b", "c", "c"])
    assert (fit.tau2_between, fit.tau2_within, fit.status) == (0.0, 0.0, "boundary")
    assert "does not show that studies or effects agree" in fit.note


def test_what_is_refused():
    with pytest.raises(InputError, match="All 3 effects come from one study, a"):
        pool_nested([1.0, 2.0, 3.0], np.ones(3), ["a", "a", "a"])
    covariance = np.eye(3)
    covariance[0, 2] = covariance[2, 0] = 0.3
    with pytest.raises(InputError, match="links effects of two studies"):
        pool_nested([1.0, 2.0, 3.0], np.ones(3), ["a", "a", "b"], covariance=covariance)
    with pytest.raises(InputError, match="The variance is missing"):
        pool_nested([1.0, 2.0], [1.0, np.nan], ["a", "b"])


def test_two_studies_are_marked_as_hardly_enough():
    fit = pool_nested([1.0, 1.5, 2.5, 2.0], np.full(4, 0.1), ["a", "a", "b", "b"])
    assert fit.df == pytest.approx(1.0)
    assert "not to be trusted" in fit.note
    assert np.isnan(fit.prediction_low)


def test_equal_effects_do_not_give_a_point_for_an_interval():
    fit = pool_nested(np.full(4, 2.0), np.full(4, 0.1), ["a", "a", "b", "b"])
    assert fit.low < 2.0 < fit.high
    assert "scatter gives no interval" in fit.note
