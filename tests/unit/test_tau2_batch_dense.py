"""Many designs at once against one design at a time, and against whole matrices."""

import numpy as np
import pytest

from metafreeze.models import tau2_batch as module
from metafreeze.models.tau2 import RULES, likelihood_criterion, residual_sums
from metafreeze.models.tau2_batch import batch_tau2, weighted_batch

# Brackets are halved to 1e-10 of their size.
HALVED = {"rel": 1e-8, "abs": 1e-9}


def designs(seed, k, q, b=12):
    rng = np.random.default_rng(seed)
    z = rng.normal(size=(k, q))
    orders = [rng.permutation(k) for _ in range(b)]
    x = np.stack([np.column_stack([np.ones(k), z[o]]) for o in orders])
    return rng, x


@pytest.mark.parametrize("spread", list(RULES))
@pytest.mark.parametrize(
    ("k", "q", "tau"), [(4, 1, 1.0), (7, 1, 0.0), (9, 3, 0.5), (6, 2, 0.2), (10, 1, 4.0)]
)
def test_the_batch_is_the_rule_design_by_design(spread, k, q, tau):
    rng, x = designs(k, k, q)
    v = rng.uniform(0.3, 3.0, k)
    y = rng.normal(0, np.sqrt(v + tau**2))
    found = batch_tau2(y, v, x, spread=spread)
    assert found.shape == (12,)
    for one, design in zip(found, x, strict=True):
        assert one == pytest.approx(RULES[spread](y, v, design), **HALVED)


@pytest.mark.parametrize("spread", ["restricted-likelihood", "likelihood"])
def test_of_several_modes_the_higher_one_is_taken(spread):
    """Variances over five orders of size often give likelihoods with two modes."""
    restricted = spread == "restricted-likelihood"
    two = 0
    grid = np.concatenate([[0.0], np.geomspace(1e-8, 50, 200)])
    for seed in range(16):
        rng, x = designs(seed, 6, 1)
        v = 10 ** rng.uniform(-5, 0.5, 6)
        y = rng.normal(0, np.sqrt(v)) * rng.choice([1, 2, 3])
        found = batch_tau2(y, v, x, spread=spread)
        for one, design in zip(found, x, strict=True):
            heights = likelihood_criterion(residual_sums(y, v, design, grid), restricted=restricted)
            at = likelihood_criterion(
                residual_sums(y, v, design, np.array([one])), restricted=restricted
            )[0]
            assert at <= heights.min() + 1e-7
            inner = (heights[1:-1] < heights[:-2]) & (heights[1:-1] < heights[2:])
            two += int(inner.sum() + (heights[0] < heights[1])) > 1
    assert two > 5


@pytest.mark.parametrize("tau2", [0.0, 0.7])
def test_a_weighted_fit_is_the_one_of_whole_matrices(tau2):
    rng, x = designs(3, 8, 2, b=5)
    y, v = rng.normal(size=8), rng.uniform(0.2, 2.0, 8)
    t = tau2 * np.arange(5.0)
    beta, covariance, squares = weighted_batch(y, v, x, t)
    for b in range(5):
        W = np.diag(1 / (v + t[b]))
        C = np.linalg.inv(x[b].T @ W @ x[b])
        expected = C @ x[b].T @ W @ y
        r = y - x[b] @ expected
        np.testing.assert_allclose(beta[b], expected, rtol=1e-9)
        np.testing.assert_allclose(covariance[b], C, rtol=1e-9)
        assert squares[b] == pytest.approx(r @ W @ r, rel=1e-9)
        q, pp, trace, trace_w = (s[b] for s in module._sums(y, v, x, t))
        P = W - W @ x[b] @ C @ x[b].T @ W
        assert (q, pp) == pytest.approx((y @ P @ y, y @ P @ P @ y), rel=1e-9)
        assert (trace, trace_w) == pytest.approx((np.trace(P), np.trace(W)), rel=1e-9)
        for kind in ("restricted-likelihood", "likelihood"):
            value = np.log(v + t[b]).sum() + y @ P @ y
            if kind == "restricted-likelihood":
                value -= np.linalg.slogdet(C)[1]
            assert module._criterion(y, v, x, t, kind)[b] == pytest.approx(value, rel=1e-9)


def test_brackets_are_halved_to_their_root_and_stay_untouched():
    low, high = np.array([0.0, 1.0, 0.0]), np.array([1.0, 3.0, 1e-6])
    root = np.array([0.3, 2.5, 7e-7])
    given = low.copy(), high.copy()
    found = module._bisect(lambda t: t < root, low, high)
    np.testing.assert_allclose(found, root, rtol=1e-9)
    np.testing.assert_array_equal(low, given[0])
    np.testing.assert_array_equal(high, given[1])
