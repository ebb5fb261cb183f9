"""Rules for tau² against whole matrices and plain searches."""

import numpy as np
import pytest
from scipy import optimize, stats

from metafreeze.models import tau2 as module
from metafreeze.models.tau2 import (
    RULES,
    cochran_q,
    dersimonian_laird,
    estimate_tau2,
    hedges,
    likelihood_criterion,
    maximise_likelihood,
    paule_mandel,
    power_of_two_scale,
    profile_q,
    residual_sums,
    sidik_jonkman,
    solve_q,
)

# Factorisations of well-conditioned designs agree to rounding.
SAME = {"rtol": 1e-9, "atol": 1e-11}
SETS = [
    (k, p, spread, seed)
    for seed, (k, p, spread) in enumerate(
        [(2, 1, 1.0), (3, 1, 0.0), (6, 1, 0.3), (7, 2, 0.6), (12, 3, 0.2), (5, 2, 0.0), (9, 1, 3.0)]
    )
]


def data(k, p, spread, seed):
    rng = np.random.default_rng(seed)
    v = rng.uniform(0.02, 0.5, k)
    x = np.column_stack([np.ones(k), rng.normal(size=(k, p - 1))])
    return rng.normal(0, np.sqrt(v + spread**2)) + x @ rng.normal(size=p), v, x


def projector(v, x, t):
    W = np.diag(1 / (v + t))
    return W - W @ x @ np.linalg.inv(x.T @ W @ x) @ x.T @ W


def plain_criterion(y, v, x, t, restricted):
    W = np.diag(1 / (v + t))
    value = np.log(v + t).sum() + y @ projector(v, x, t) @ y
    return value + np.linalg.slogdet(x.T @ W @ x)[1] * restricted


@pytest.mark.parametrize(("k", "p", "spread", "seed"), SETS)
def test_sums_are_those_of_whole_matrices(k, p, spread, seed):
    y, v, x = data(k, p, spread, seed)
    t = np.array([0.0, 0.1, 2.0])
    sums = residual_sums(y, v, x, t)
    for i, at in enumerate(t):
        P, W = projector(v, x, at), np.diag(1 / (v + at))
        np.testing.assert_allclose(sums.q[i], y @ P @ y, **SAME)
        np.testing.assert_allclose(sums.pp[i], y @ P @ P @ y, **SAME)
        np.testing.assert_allclose(sums.trace[i], np.trace(P), **SAME)
        np.testing.assert_allclose(sums.trace_w[i], np.trace(W), **SAME)
        np.testing.assert_allclose(sums.log_det_v[i], np.log(v + at).sum(), **SAME)
        np.testing.assert_allclose(sums.log_det_x[i], np.linalg.slogdet(x.T @ W @ x)[1], **SAME)
        assert cochran_q(y, v, x, tau2=at) == pytest.approx(y @ P @ y)
        for restricted in (True, False):
            found = likelihood_criterion(sums, restricted=restricted)[i]
            assert found == pytest.approx(plain_criterion(y, v, x, at, restricted), rel=1e-9)
    assert cochran_q(y, v, x) == pytest.approx(sums.q[0])


@pytest.mark.parametrize(("k", "p", "spread", "seed"), SETS)
def test_moments_in_closed_form(k, p, spread, seed):
    y, v, x = data(k, p, spread, seed)
    P, M = projector(v, x, 0.0), np.eye(k) - x @ np.linalg.pinv(x)
    free = k - p
    expected = max(0.0, (y @ P @ y - free) / np.trace(P))
    assert dersimonian_laird(y, v, x) == pytest.approx(expected, rel=1e-9)
    expected = max(0.0, (y @ M @ y - np.trace(M @ np.diag(v))) / free)
    assert hedges(y, v, x) == pytest.approx(expected, rel=1e-9)
    start = y @ M @ y / k
    W = np.diag(1 / (v / start + 1))
    P = W - W @ x @ np.linalg.inv(x.T @ W @ x) @ x.T @ W
    assert sidik_jonkman(y, v, x) == pytest.approx(y @ P @ y / free, rel=1e-9)


@pytest.mark.parametrize(("k", "p", "spread", "seed"), SETS)
def test_paule_mandel_solves_its_equation_or_is_zero(k, p, spread, seed):
    y, v, x = data(k, p, spread, seed)
    t = paule_mandel(y, v, x)
    if y @ projector(v, x, 0.0) @ y <= k - p:
        assert t == 0.0
    else:
        assert y @ projector(v, x, t) @ y == pytest.approx(k - p, rel=1e-10)
    for target in (0.3, 1.0, 4.0):
        t = solve_q(y, v, x, target)
        at = y @ projector(v, x, t) @ y
        assert at == pytest.approx(target, rel=1e-10) or (t == 0.0 and at < target)


def test_the_root_is_found_where_its_bound_is_met_exactly():
    # With equal variances Q(t) = RSS/(v + t), so the root is RSS/target - v, never below zero.
    y, v, x = np.array([-1.0, 1.0]), np.full(2, 0.5), np.ones((2, 1))
    assert solve_q(y, v, x, 1.0) == pytest.approx(1.5, rel=1e-14)
    assert solve_q(y, v, x, 4.0) == 0.0
    assert solve_q(y, v, x, 3.999) == pytest.approx(2 / 3.999 - 0.5, rel=1e-9)
    assert paule_mandel(y, v, x) == pytest.approx(1.5)
    # A variance far below the scatter: the bound RSS/target is met but for rounding.
    tiny = np.full(2, 1e-18)
    assert solve_q(y, tiny, x, 1.0) == pytest.approx(2.0, rel=1e-14)


@pytest.mark.parametrize("restricted", [True, False])
@pytest.mark.parametrize(("k", "p", "spread", "seed"), SETS)
def test_the_mode_is_the_lowest_point_of_a_fine_search(k, p, spread, seed, restricted):
    y, v, x = data(k, p, spread, seed)
    t = maximise_likelihood(y, v, x, restricted=restricted)
    grid = np.concatenate([[0.0], np.geomspace(1e-6, 50.0, 2000)])
    heights = [plain_criterion(y, v, x, g, restricted) for g in grid]
    i = int(np.argmin(heights))
    assert plain_criterion(y, v, x, t, restricted) <= heights[i] + 1e-9
    if i > 0:
        assert t == pytest.approx(grid[i], rel=0.02)
        h = 1e-4 * t
        slope = plain_criterion(y, v, x, t + h, restricted) - plain_criterion(
            y, v, x, t - h, restricted
        )
        assert abs(slope) < 1e-6
    else:
        assert t == 0.0


def test_of_two_modes_the_higher_one_is_taken():
    """One very precise study far from many: zero and an inner tau² are both modes."""
    y = np.array([0.0, 0.9, 1.1, 1.0, 1.0, 0.95, 1.05])
    x = np.ones((7, 1))
    seen = set()
    for small in np.geomspace(1e-8, 1e-1, 15):
        for factor in (0.1, 0.5, 1.0, 3.0):
            v = np.array([small, *np.full(6, 0.05 * factor)])
            y2 = y * factor
            for restricted in (True, False):
                grid = np.concatenate([[0.0], np.geomspace(small * 1e-3, 20.0, 600)])
                sums = residual_sums(y2, v, x, grid)
                heights = likelihood_criterion(sums, restricted=restricted)
                t = maximise_likelihood(y2, v, x, restricted=restricted)
                assert plain_criterion(y2, v, x, t, restricted) <= heights.min() + 1e-9
                inner = (heights[1:-1] < heights[:-2]) & (heights[1:-1] < heights[2:])
                seen.add(int(inner.sum() + (heights[0] < heights[1])))
    assert max(seen) >= 2


@pytest.mark.parametrize("shift", [-3, 0, 5])
def test_the_scale_is_the_power_of_two_nearest_to_the_typical_error(shift):
    v = 4.0**shift * np.array([0.9, 1.0, 1.7])
    y = np.array([0.1, -2.0, 3.0])
    ys, vs, scale = power_of_two_scale(y, v)
    assert scale == 2.0**shift
    np.testing.assert_array_equal(ys * scale, y)
    np.testing.assert_array_equal(vs * scale**2, v)
    # sqrt(3.9) is nearer, in logarithms, to 2 than to 1.
    assert power_of_two_scale(y, np.full(3, 3.9))[2] == 2.0
    assert power_of_two_scale(y, np.full(3, 1.9))[2] == 1.0
    assert power_of_two_scale(y, np.full(3, 2.1))[2] == 2.0
    assert power_of_two_scale(y, np.full(3, 1e-300))[1] == pytest.approx(1.0, rel=3.0)


@pytest.mark.parametrize("spread", list(RULES))
def test_a_unit_changes_nothing_but_the_unit(spread):
    y, v, x = data(6, 2, 0.8, 5)
    plain = RULES[spread](y, v, x)
    assert estimate_tau2(y, v, x, spread=spread) == pytest.approx(plain, rel=1e-9, abs=1e-14)
    assert estimate_tau2(1e3 * y, 1e6 * v, x, spread=spread) == pytest.approx(
        1e6 * plain, rel=1e-8, abs=1e-9
    )


def test_rules_by_name():
    y, v, x = data(7, 2, 0.6, 3)
    expected = {
        "restricted-likelihood": maximise_likelihood(y, v, x, restricted=True),
        "likelihood": maximise_likelihood(y, v, x, restricted=False),
        "paule-mandel": paule_mandel(y, v, x),
        "empirical-bayes": paule_mandel(y, v, x),
        "dersimonian-laird": dersimonian_laird(y, v, x),
        "hedges": hedges(y, v, x),
        "sidik-jonkman": sidik_jonkman(y, v, x),
        "none": 0.0,
    }
    assert list(RULES) and set(RULES) == set(expected)
    for name, value in expected.items():
        assert RULES[name](y, v, x) == value
    assert len({round(value, 9) for value in expected.values()}) == 7


def test_equal_effects_have_no_spread_by_any_rule():
    v, x = np.array([0.1, 0.2, 0.4]), np.ones((3, 1))
    for name, rule in RULES.items():
        assert rule(np.zeros(3), v, x) == 0.0, name


@pytest.mark.parametrize("unit", [1.0, 100.0])
def test_the_interval_of_tau2_inverts_q(unit):
    y, v, x = data(8, 2, 1.0, 11)
    upper, lower = stats.chi2.isf([0.025, 0.975], 6)
    low, high = profile_q(unit * y, unit**2 * v, x, lower_target=upper, upper_target=lower)
    for limit, target in ((low, upper), (high, lower)):
        assert limit > 0
        found = y @ projector(v, x, limit / unit**2) @ y
        assert found == pytest.approx(target, rel=1e-10)
    plain = optimize.brentq(lambda t: y @ projector(v, x, t) @ y - lower, 0, 1e4, xtol=1e-13)
    assert high == pytest.approx(unit**2 * plain, rel=1e-9)


def test_roots_are_good_to_the_last_digits():
    v = np.array([0.25, 1.0])
    assert module._root(lambda t: t - 0.3, 0.0, 1.0, v) == pytest.approx(0.3, rel=1e-15)
    assert module._root(lambda t: t**3 - 1e-30, 0.0, 1.0, v) == pytest.approx(1e-10, rel=1e-4)
