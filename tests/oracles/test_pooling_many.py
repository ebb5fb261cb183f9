"""Many pools at once against one by one, and both against statsmodels."""

import numpy as np
import pytest
from statsmodels.stats.meta_analysis import combine_effects

from metafreeze.errors import InputError
from metafreeze.models.many_pools import pool_many
from metafreeze.models.pooled import pool
from metafreeze.options import Interval, Spread, choices

SPREADS, INTERVALS = choices(Spread), choices(Interval)
# Both routes solve one equation to rounding, times the conditioning of tau² (1e3 here).
SAME = 1e-10


def hard_pools(k, pools=20, seed=7):
    """Variances over four orders of magnitude: likelihoods with two modes are among them."""
    rng = np.random.default_rng(seed + k)
    v = 10 ** rng.uniform(-3, 1, size=(pools, k))
    tau = 10 ** rng.uniform(-2, 1, size=(pools, 1)) * (rng.random((pools, 1)) < 0.7)
    return rng.normal(0.0, np.sqrt(v) + tau), v


@pytest.mark.parametrize("k", [2, 3, 5, 20])
@pytest.mark.parametrize("spread", SPREADS)
def test_many_is_one_by_one(k, spread):
    y, v = hard_pools(k)
    many = pool_many(y, v, spread=spread, intervals=True)
    for i in range(y.shape[0]):
        one = pool(y[i], v[i], spread=spread)
        size = np.sqrt(v[i].min())
        assert many.tau2[i] == pytest.approx(one.tau2, rel=SAME, abs=SAME * v[i].min())
        for name in ("estimate", "se", "se_plain", "low", "high"):
            here, there = getattr(many, name)[i], getattr(one, name)
            assert here == pytest.approx(there, rel=SAME, abs=SAME * size), name
        for name in ("q", "i2", "p", "prediction_low", "prediction_high"):
            here, there = getattr(many, name)[i], getattr(one, name)
            assert here == pytest.approx(there, rel=1e-9, abs=1e-9, nan_ok=True), name
        assert many.boundary[i] == (one.status == "boundary")


@pytest.mark.parametrize("restricted", ["restricted-likelihood", "likelihood"])
def test_a_likelihood_with_two_modes_gets_its_higher_one(restricted):
    y, v = hard_pools(3, pools=200, seed=11)
    many = pool_many(y, v, spread=restricted)

    def criterion(t, i):
        w = 1 / (v[i] + t[:, np.newaxis])
        mu = (w @ y[i]) / w.sum(axis=1)
        c = -np.log(w).sum(axis=1) + (w * (y[i] - mu[:, np.newaxis]) ** 2).sum(axis=1)
        return c + np.log(w.sum(axis=1)) if restricted.startswith("res") else c

    grid = np.concatenate([[0.0], np.geomspace(1e-6, 1e4, 2000)])
    for i in range(y.shape[0]):
        best = criterion(np.array([many.tau2[i]]), i)[0]
        assert best <= criterion(grid, i).min() + 1e-9 * max(1.0, abs(best))


@pytest.mark.parametrize("interval", INTERVALS)
def test_every_interval_is_the_one_of_pool(interval):
    y, v = hard_pools(5, pools=20)
    many = pool_many(y, v, interval=interval, intervals=True)
    for i in range(20):
        one = pool(y[i], v[i], interval=interval)
        assert (many.low[i], many.high[i]) == pytest.approx((one.low, one.high), rel=1e-9)
        assert many.df == one.df


@pytest.mark.parametrize("method", ["iterated", "dl"])
def test_statsmodels_gives_the_same_estimate_error_tau2_and_q(method):
    rng = np.random.default_rng(3)
    v = rng.uniform(0.01, 0.1, size=(100, 8))
    y = rng.normal(0.1, np.sqrt(v + 0.05))
    spread = {"iterated": "paule-mandel", "dl": "dersimonian-laird"}[method]
    many = pool_many(y, v, spread=spread, interval="normal")
    # Its iteration stops when Q is within 1e-5 of its target (asked for more digits it can
    # return zero: a last Q a rounding below the target counts as no heterogeneity).
    close = 1e-5 if method == "iterated" else 1e-9
    for i in range(100):
        theirs = combine_effects(y[i], v[i], method_re=method)
        if theirs.tau2 < 0:  # its moment estimate is not cut at zero; ours is
            assert many.tau2[i] == 0
            continue
        assert many.tau2[i] == pytest.approx(theirs.tau2, rel=close, abs=close)
        assert many.estimate[i] == pytest.approx(theirs.mean_effect_re, rel=close, abs=close)
        assert many.se[i] == pytest.approx(theirs.sd_eff_w_re, rel=close)
        assert many.q[i] == pytest.approx(theirs.q, rel=1e-10)
        hk = pool(y[i], v[i], spread=spread)
        assert hk.se == pytest.approx(np.sqrt(theirs.var_hksj_re), rel=close)


def test_paule_mandel_makes_q_its_degrees_of_freedom():
    y, v = hard_pools(8, pools=200)
    many = pool_many(y, v, spread="paule-mandel")
    w = 1 / (v + many.tau2[:, np.newaxis])
    mu = (w * y).sum(axis=1) / w.sum(axis=1)
    q = (w * (y - mu[:, np.newaxis]) ** 2).sum(axis=1)
    inside = many.tau2 > 0
    assert inside.sum() > 100
    np.testing.assert_allclose(q[inside], 7.0, rtol=1e-10)
    assert (q[~inside] <= 7.0).all()


def test_no_heterogeneity_is_zero_where_statsmodels_gives_less():
    """Four studies at 1.00, 1.01, 0.99, 1.00: its moment estimate is near -1."""
    y, v = np.array([1.0, 1.01, 0.99, 1.0]), np.ones(4)
    assert combine_effects(y, v, method_re="dl").tau2 < -0.9
    ours = pool(y, v, spread="dersimonian-laird")
    assert (ours.tau2, ours.i2) == (0.0, 0.0)


def test_one_row_of_variances_serves_all_pools():
    y, v = hard_pools(5, pools=10)
    a, b = pool_many(y, v[0]), pool_many(y, np.tile(v[0], (10, 1)))
    np.testing.assert_array_equal(a.tau2, b.tau2)


@pytest.mark.parametrize(
    ("y", "v", "words"),
    [
        ([[1.0, np.nan]], [[1.0, 1.0]], "The effect of study 2 in pool 1 is nan"),
        ([[1.0, 2.0], [1.0, 2.0]], [[1.0, 1.0], [0.0, 1.0]], "zero, which claims certainty: study"),
        ([[1.0, 2.0]], [[1.0, -1.0]], "The variance is negative (-1): study 2 in pool 1"),
        ([[1.0, 2.0]], [[1.0, np.nan]], "The variance is missing: study 2 in pool 1"),
        ([1.0, 2.0], [1.0, 2.0], "estimates has shape (2,)"),
        ([[1.0]], [[1.0]], "at least two studies"),
        ([[1.0, 2.0]], [[1.0]], "variances has shape (1, 1)"),
    ],
)
def test_what_cannot_be_pooled_is_refused_by_pool_and_study(y, v, words):
    with pytest.raises(InputError) as caught:
        pool_many(y, v)
    assert words in str(caught.value)
