"""The binomial-normal model against brute-force integration and its special cases."""

from functools import cache

import numpy as np
import pytest
from scipy import integrate, optimize, special, stats

from metafreeze.effects.counts import exact_interval, likelihood_interval
from metafreeze.errors import InputError
from metafreeze.models.counts import pool_counts

K, N = np.array([6.0, 0.0, 5.0, 9.0, 1.0]), np.array([20.0, 9.0, 12.0, 10.0, 14.0])
# Two trapezoid rules; the simplex search stops at 1e-7.
INTEGRAL, OPTIMUM = 1e-8, 1e-5


@cache
def fitted():
    return pool_counts(K, N)


def brute_log_likelihood(mu, tau, k, n):
    """Integrate by the trapezoid rule, which is exact to rounding under a normal weight."""
    u = np.linspace(-12, 12, 4801)
    share = special.expit(mu + tau * u)
    inside = stats.binom.pmf(k[:, np.newaxis], n[:, np.newaxis], share) * stats.norm.pdf(u)
    return float(np.log(integrate.trapezoid(inside, x=u)).sum())


def test_the_likelihood_at_the_optimum_is_the_brute_force_one():
    fit = fitted()
    at = brute_log_likelihood(fit.estimate, np.sqrt(fit.tau2), K, N)
    assert fit.log_likelihood == pytest.approx(at, abs=INTEGRAL)


def test_the_optimum_and_its_limits_are_those_of_a_brute_force_search():
    fit = fitted()
    found = optimize.minimize(
        lambda p: -brute_log_likelihood(p[0], abs(p[1]), K, N),
        [-1.0, 1.5],
        method="Nelder-Mead",
        options={"xatol": 1e-7, "fatol": 1e-10},
    )
    assert fit.log_likelihood >= -found.fun - INTEGRAL
    assert fit.estimate == pytest.approx(found.x[0], abs=OPTIMUM * 10)
    assert np.sqrt(fit.tau2) == pytest.approx(abs(found.x[1]), abs=OPTIMUM * 10)
    # A normal sample of five: twice the fall is 5 ln(1 + t²/4).
    allowed = 2.5 * np.log1p(stats.t.isf(0.025, 4) ** 2 / 4)
    for limit in (fit.low, fit.high):
        profile = optimize.minimize_scalar(
            lambda t, m=limit: -brute_log_likelihood(m, t, K, N),
            bounds=(0.0, 30.0),
            method="bounded",
            options={"xatol": 1e-6},
        )
        assert -profile.fun == pytest.approx(fit.log_likelihood - allowed, abs=1e-5)


def test_one_cluster_is_the_likelihood_interval_of_one_share():
    fit = pool_counts([6], [20])
    assert fit.chance == pytest.approx(0.3, rel=1e-12)
    assert (fit.chance_low, fit.chance_high) == pytest.approx(likelihood_interval(6, 20), rel=1e-6)
    assert np.isnan(fit.tau2) and "one cluster" in fit.reasons["tau2"]


def test_equal_shares_are_the_boundary_and_one_binomial():
    fit = pool_counts([3, 6, 9], [10, 20, 30])
    assert (fit.tau2, fit.status) == (0.0, "boundary")
    assert fit.chance == pytest.approx(0.3, rel=1e-8)
    assert "does not show that studies agree" in fit.note


def test_rows_of_one_cluster_are_added_up():
    a = pool_counts([2, 4, 0, 5], [8, 12, 9, 12], cluster=["z", "z", "a", "y"])
    # Clusters are taken in the order of their names: a, y, z.
    b = pool_counts([0, 5, 6], [9, 12, 20])
    assert (a.estimate, a.tau2, a.k) == (b.estimate, b.tau2, 3)


def test_counting_the_other_way_turns_the_answer_round():
    a, b = fitted(), pool_counts(N - K, N)
    assert b.estimate == pytest.approx(-a.estimate, abs=OPTIMUM)
    assert (b.low, b.high) == pytest.approx((-a.high, -a.low), abs=OPTIMUM * 10)
    assert b.tau2 == pytest.approx(a.tau2, rel=1e-4)
    assert b.p == pytest.approx(a.p, rel=1e-4)


@pytest.mark.parametrize(("k", "low", "high"), [(0, 0.0, None), (14, None, 1.0)])
def test_all_or_none_gives_an_exact_one_sided_limit(k, low, high):
    fit = pool_counts([5 if k else 0, 9 if k else 0], [5, 9])
    assert np.isnan(fit.estimate) and fit.status == "boundary"
    # One-sided at 95 % is the two-sided exact interval at 90 %.
    expected = exact_interval(k, 14, level=0.90)
    assert (fit.chance_low, fit.chance_high) == pytest.approx(expected, rel=1e-9)
    assert fit.chance_low == low or fit.chance_high == high


def test_a_zero_count_takes_part_without_a_correction():
    with_zero = pool_counts([6, 5, 0], [20, 12, 9])
    without = pool_counts([6, 5], [20, 12])
    assert with_zero.chance < without.chance
    assert np.isfinite(with_zero.low)


@pytest.mark.parametrize(
    ("k", "n"), [([3.0], [2.0]), ([-1.0], [5.0]), ([0.0], [0.0]), ([1.0], [np.nan])]
)
def test_what_is_no_count_is_refused(k, n):
    with pytest.raises(InputError, match="is not a count of pairs"):
        pool_counts(k, n)


def test_with_large_counts_the_interval_is_the_t_interval_of_log_odds():
    """A million pairs a cluster leave no binomial error to speak of."""
    logits = np.array([-0.8, -0.3, 0.1, -0.6, 0.4])
    n = np.full(5, 1e6)
    k = np.round(n * special.expit(logits))
    fit = pool_counts(k, n)
    t = stats.ttest_1samp(special.logit(k / n), 0.0)
    interval = t.confidence_interval(0.95)
    assert fit.estimate == pytest.approx(np.mean(special.logit(k / n)), abs=1e-4)
    assert (fit.low, fit.high) == pytest.approx((interval.low, interval.high), abs=1e-3)
    assert fit.p == pytest.approx(t.pvalue, abs=1e-3)
