"""Limits, tests and degrees of freedom against Student's formulas and plain walks."""

import numpy as np
import pytest
from scipy import stats

from metafreeze.models import unseen_intervals
from metafreeze.models.unseen_fit import Fitted, fit_all_parts, fit_fixed_parts, standardise
from metafreeze.models.unseen_input import check_unseen_rows
from metafreeze.models.unseen_intervals import (
    HeldCriterion,
    Reference,
    _constant_within,
    _spread_along,
    off_zero,
    profile_limits,
    reference_for,
    theta_directions,
    value_where,
    walk_to_crossing,
)

INF, NAN = np.inf, np.nan
GIVEN = dict.fromkeys(
    (
        *("varying", "batch", "known_variance", "added_variance", "count", "spread", "offset"),
        *("names", "varying_names"),
    )
)


def make(y, x, study=None, **options):
    return check_unseen_rows(y, y, x, study, log_times=True, **{**GIVEN, **options})


def regression(n=14, seed=3):
    rng = np.random.default_rng(seed)
    x = np.column_stack([np.ones(n), rng.normal(size=n), rng.normal(size=n)])
    y = x @ [2.0, 0.5, -0.2] + 0.4 * rng.normal(size=n)
    rows = make(y, x)
    scaled = standardise(rows, family="log-normal", correlated=True, fixed_scale=None)
    fixed, escape = fit_fixed_parts(scaled)
    assert not escape.any
    return x, y, scaled, fit_all_parts(scaled, fixed, accuracy=1e-8)


def student(x, y, functions, level=0.95):
    n, p = x.shape
    beta = np.linalg.solve(x.T @ x, x.T @ y)
    rss = ((y - x @ beta) ** 2).sum()
    covariance = np.linalg.inv(x.T @ x) * rss / (n - p)
    se = np.sqrt(np.diag(functions @ covariance @ functions.T))
    t = stats.t.ppf(0.5 + 0.5 * level, n - p)
    estimate = functions @ beta
    return estimate, se, estimate - t * se, estimate + t * se


def test_a_cut_off_is_the_likelihood_ratio_of_the_t_limit():
    reference = Reference(np.array([4.0, INF, 0.0, 7.0]), np.array([5.0, INF, 2.0, 20.0]))
    for level in (0.5, 0.9, 0.95):
        t = [stats.t.ppf(0.5 + level / 2, 4), stats.norm.ppf(0.5 + level / 2), NAN]
        t.append(stats.t.ppf(0.5 + level / 2, 7))
        np.testing.assert_allclose(reference.t_limit(level), t, rtol=1e-10)
        want = [5 * np.log1p(t[0] ** 2 / 4), t[1] ** 2, NAN, 20 * np.log1p(t[3] ** 2 / 7)]
        np.testing.assert_allclose(reference.cut_off(level), want, rtol=1e-10)
        p = reference.p_value(reference.cut_off(level))
        np.testing.assert_allclose(p, [1 - level, 1 - level, NAN, 1 - level], rtol=1e-9)


def test_p_values_are_two_sided_tails():
    reference = Reference(np.array([3.0, INF, -1.0]), np.array([4.0, INF, 4.0]))
    t = np.array([2.5, -1.2, 1.0])
    want = [2 * stats.t.sf(2.5, 3), 2 * stats.norm.sf(1.2), NAN]
    np.testing.assert_allclose(reference.p_of_t(t), want, rtol=1e-12)
    np.testing.assert_allclose(reference.p_of_t(-t), want, rtol=1e-12)
    # A rise a rounding below zero is none; an endless one leaves nothing.
    np.testing.assert_array_equal(reference.p_value(np.array([-1e-9, -1e-9, 0.0])), [1, 1, NAN])
    np.testing.assert_array_equal(reference.p_value(np.full(3, 1e5)), [0, 0, NAN])


def test_some_functions_are_taken_together():
    reference = Reference(np.array([1.0, 2.0, 3.0]), np.array([4.0, 5.0, 6.0])).pick([2, 0])
    assert reference.df.tolist() == [3.0, 1.0] and reference.units.tolist() == [6.0, 4.0]


def grouped():
    """Five studies of two batches of two, a column of the study, of the batch, of the run."""
    study = np.repeat(np.arange(5), 4)
    batch = np.repeat(np.arange(10), 2)
    x = np.column_stack(
        [np.ones(20), [3.0, 1, 2, 5, 4] @ np.eye(5)[study].T, np.tile([0, 0, 1, 1], 5)]
    )
    x = np.column_stack([x, np.tile([0.0, 1.0], 10)])
    return x, study, batch


FUNCTIONS = np.array(
    [[1, 0, 0, 0], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1], [0, 0, -1, 1], [-0.5, 0, 0, 1.0]]
)


def test_degrees_of_freedom_of_studies():
    x, study, batch = grouped()
    rows = make(np.arange(20.0), x, study, batch=batch)
    got = reference_for(rows, FUNCTIONS, studies=True, batches=True, spread_known=False)
    # Five studies less two constant columns where such a one is used, else less one.
    assert got.df.tolist() == [3, 3, 4, 4, 4, 3]
    assert got.units.tolist() == [5.0] * 6
    slopes = make(np.arange(20.0), x[:, 3:], study)
    got = reference_for(slopes, np.ones((1, 1)), studies=True, batches=False, spread_known=True)
    assert got.df.tolist() == [4.0] and got.units.tolist() == [5.0]


def test_degrees_of_freedom_of_batches():
    x, _, batch = grouped()
    rows = make(np.arange(20.0), x, batch=batch)
    got = reference_for(rows, FUNCTIONS, studies=False, batches=True, spread_known=False)
    # Ten batches less three columns constant in them; ten runs beside them less one.
    assert got.df.tolist() == [7, 7, 7, 9, 7, 7]
    assert got.units.tolist() == [10.0] * 6
    # A run without a batch is a group of its own.
    loose = [None, None, *batch[2:]]
    rows = make(np.arange(20.0), x, batch=loose)
    got = reference_for(rows, FUNCTIONS, studies=False, batches=True, spread_known=False)
    assert got.units.tolist() == [11, 11, 11, 9, 11, 11]
    assert got.df.tolist() == [8, 8, 8, 8, 8, 8]


def test_degrees_of_freedom_of_runs():
    x, _, _ = grouped()
    count, spread = np.ones(20), np.full(20, 0.1)
    count[0] = 4
    rows = make(np.arange(20.0), x, count=count, spread=spread)
    got = reference_for(rows, FUNCTIONS, studies=False, batches=False, spread_known=False)
    assert got.df.tolist() == [19.0] * 6 and got.units.tolist() == [23.0] * 6
    got = reference_for(rows, FUNCTIONS, studies=False, batches=False, spread_known=True)
    assert got.df.tolist() == [INF] * 6 and got.units.tolist() == [INF] * 6


def test_columns_constant_within_groups():
    x, study, batch = grouped()
    assert _constant_within(x, study).tolist() == [True, True, False, False]
    assert _constant_within(x, batch).tolist() == [True, True, True, False]


@pytest.mark.parametrize("level", [0.8, 0.95])
def test_profile_limits_of_a_regression_are_student_s(level):
    x, y, scaled, fitted = regression()
    functions = np.array([[1.0, 0, 0], [0, 1, 0], [0, 1, -1], [1, 2, 0]])
    n, p = x.shape
    t = stats.t.ppf(0.5 + level / 2, n - p)
    cut_off = np.full(4, n * np.log1p(t * t / (n - p)))
    cut_off[3] = NAN
    test = np.array([True, True, False, True])
    got = profile_limits(scaled, fitted, functions, cut_off, test)
    estimate, se, low, high = student(x, y, functions, level)
    np.testing.assert_allclose(got.low, [*low[:3], NAN], rtol=1e-5, atol=1e-6)
    np.testing.assert_allclose(got.high, [*high[:3], NAN], rtol=1e-5, atol=1e-6)
    rise = n * np.log1p((estimate / se) ** 2 / (n - p))
    rise[2] = NAN
    np.testing.assert_allclose(got.rise_at_zero, rise, rtol=1e-6)
    none = profile_limits(scaled, fitted, functions, np.full(4, NAN), np.zeros(4, dtype=bool))
    assert all(np.isnan(part).all() for part in none)


def test_the_criterion_with_a_function_held_is_that_of_the_residuals():
    x, y, scaled, fitted = regression()
    functions = np.array([[0.0, 1, 0], [0, 1, -1], [1, 0, 0]])
    values = np.array([0.1, 0.9, 2.0])
    got = value_where(scaled, fitted, functions, values)
    estimate, se, *_ = student(x, y, functions)
    n, p = x.shape
    rise = 0.5 * n * np.log1p(((values - estimate) / se) ** 2 / (n - p))
    np.testing.assert_allclose(got - fitted.value, rise, rtol=1e-7)
    # One by one, from where the last one ended.
    for function, value, want in zip(functions, values, rise, strict=True):
        direction = theta_directions(scaled, function[None])[0]
        held = HeldCriterion(scaled, fitted.theta, fitted.nodes, direction)
        at = (value - function @ scaled.start) / scaled.unit
        assert held(at) - fitted.value == pytest.approx(want, rel=1e-6)
        assert held.now == pytest.approx(at, abs=1e-9)
        assert held.theta @ direction == pytest.approx(at, abs=1e-9)
        assert held(at) - fitted.value == pytest.approx(want, rel=1e-6)
        low = held(held.now - 1.0)
        assert np.isfinite(low) and held.now == pytest.approx(at - 1.0, abs=1e-9)


def test_a_function_of_the_coefficients_as_one_of_theta():
    x, y, scaled, fitted = regression()
    functions = np.array([[0.0, 1, 0], [2, 1, -1]])
    directions = theta_directions(scaled, functions)
    assert directions.shape == (2, 4)
    assert directions[:, 3].tolist() == [0.0, 0.0]
    got = functions @ scaled.start + scaled.unit * directions @ fitted.theta
    np.testing.assert_allclose(got, student(x, y, functions)[0], rtol=1e-9)
    # The standard error of the fit, with n where Student has n - p.
    n, p = x.shape
    se = [scaled.unit * _spread_along(scaled, fitted, d) for d in directions]
    want = student(x, y, functions)[1] * np.sqrt((n - p) / n)
    np.testing.assert_allclose(se, want, rtol=1e-5)


def test_parts_at_zero_start_a_little_off_it():
    rng = np.random.default_rng(0)
    x, study, batch = grouped()
    rows = make(rng.normal(size=20), x[:, [0, 3]], study, varying=x[:, [0, 3]], batch=batch)
    scaled = standardise(rows, family="log-normal", correlated=True, fixed_scale=None)
    # beta, beta, log sigma, (0,0), (1,0), (1,1), batch
    theta = np.array([0.3, 0.2, np.log(0.7), 0.4, 0.5, 0.0, 0.0])
    fitted = Fitted(theta, 0.0, np.eye(7), zero=np.array([4, 5, 6]))
    got = off_zero(scaled, fitted)
    np.testing.assert_allclose(got, [*theta[:5], 0.07, 0.07])
    fitted.zero = np.array([3])
    np.testing.assert_allclose(off_zero(scaled, fitted)[3:], [0.07, 0.5, 0.0, 0.0])
    assert fitted.theta is theta and theta[5] == 0.0


class Curve:
    """A held criterion that is a plain function; counts what is asked."""

    def __init__(self, function, start):
        self.function, self.now, self.asked = function, start, []

    def __call__(self, at):
        self.now = at
        self.asked.append(at)
        return float(self.function(at))


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("step", [0.01, 0.7, 5.0])
def test_walks_end_where_the_curve_crosses(sign, step):
    for function, at in [
        (lambda u: u * u, 2.0),
        (lambda u: u**4, np.sqrt(2.0)),
        (lambda u: np.cosh(u) - 1.0, np.arccosh(5.0)),
        (lambda u: np.abs(u), 4.0),
    ]:
        held = Curve(lambda u, f=function: f(u) + 10.0, 0.0)
        got = walk_to_crossing(held, sign, step, 14.0)
        assert got == pytest.approx(sign * at, rel=1e-5, abs=2e-5 * step)
        assert len(held.asked) < 60


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_walk_begun_outside_goes_in_first(sign):
    held = Curve(lambda u: (u - 3.0) ** 2, 3.0 + sign * 8.5)
    got = walk_to_crossing(held, sign, 1.0, 4.0)
    # From 8.5 off the middle by 1, 2, 4, then within two of it.
    assert got == pytest.approx(3.0 + 2.0 * sign, abs=1e-5)
    assert held.asked[:4] == [3.0 + sign * d for d in (8.5, 7.5, 5.5, 1.5)]


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_curves_that_never_cross(sign):
    # Levels off below the target; falls for ever; never comes below it.
    assert walk_to_crossing(Curve(np.tanh, 0.0), sign, 1.0, 4.0) == sign * INF
    assert walk_to_crossing(Curve(lambda u: -sign * u, 0.0), sign, 1.0, 4.0) == sign * INF
    slow = Curve(lambda u: np.log1p(abs(u)), 0.0)
    assert walk_to_crossing(slow, sign, 1.0, 4.0) == pytest.approx(sign * np.expm1(4.0), rel=1e-6)
    never = Curve(lambda u: 9.0 + u * u, 0.0)
    assert np.isnan(walk_to_crossing(never, sign, 1.0, 4.0))
    assert len(never.asked) == 20


def test_one_flat_doubling_is_not_the_end_but_two_are():
    # Rises at 1, rests from 1 to 3, and rises to the target at 8.
    def steps(u):
        return np.interp(u, [0, 1, 3, 8], [0.0, 2.0, 2.0, 6.0])

    assert walk_to_crossing(Curve(steps, 0.0), 1.0, 1.0, 4.0) == pytest.approx(5.5, abs=1e-5)

    def longer(u):
        return np.interp(u, [0, 1, 7, 8], [0.0, 2.0, 2.0, 6.0])

    assert walk_to_crossing(Curve(longer, 0.0), 1.0, 1.0, 4.0) == INF


def test_a_wall_is_found_by_halving():
    held = Curve(lambda u: 0.0 if u < 2.3 else INF, 0.0)
    assert walk_to_crossing(held, 1.0, 1.0, 4.0) == pytest.approx(2.3, abs=1e-5)
    jump = Curve(lambda u: 0.0 if u < 2.3 else 1e6, 0.0)
    assert walk_to_crossing(jump, 1.0, 1.0, 4.0) == pytest.approx(2.3, abs=1e-4)


def test_limits_the_quick_search_does_not_find_are_walked_to(monkeypatch):
    x, y, scaled, fitted = regression()
    functions = np.array([[1.0, 0, 0], [0, 1, -1]])
    n, p = x.shape
    t = stats.t.ppf(0.975, n - p)
    cut_off = np.full(2, n * np.log1p(t * t / (n - p)))
    quick = profile_limits(scaled, fitted, functions, cut_off, np.zeros(2, dtype=bool))
    real = unseen_intervals.find_crossings

    def half_found(*args):
        found = real(*args)
        at, seen = found.at.copy(), found.found.copy()
        at[[0, 3]], seen[[0, 3]] = NAN, False
        return found._replace(at=at, found=seen)

    monkeypatch.setattr(unseen_intervals, "find_crossings", half_found)
    slow = profile_limits(scaled, fitted, functions, cut_off, np.zeros(2, dtype=bool))
    np.testing.assert_allclose(slow.low, quick.low, rtol=1e-4)
    np.testing.assert_allclose(slow.high, quick.high, rtol=1e-4)
    np.testing.assert_allclose(slow.low, student(x, y, functions)[2], rtol=1e-4)
    np.testing.assert_allclose(slow.high, student(x, y, functions)[3], rtol=1e-4)


def test_values_the_quick_search_does_not_find_are_sought_alone(monkeypatch):
    _, _, scaled, fitted = regression()
    functions, values = np.array([[0.0, 1, 0], [0, 1, -1]]), np.array([0.1, 0.9])
    quick = value_where(scaled, fitted, functions, values)
    real = unseen_intervals.minimise

    def together_never(problem, start, basis, **options):
        found = real(problem, start, basis, **options)
        return found._replace(arrived=found.arrived & (len(start) == 1))

    monkeypatch.setattr(unseen_intervals, "minimise", together_never)
    np.testing.assert_allclose(value_where(scaled, fitted, functions, values), quick, rtol=1e-8)

    def never(problem, start, basis, **options):
        found = together_never(problem, start, basis, **options)
        return found._replace(value=np.full(len(start), NAN))

    monkeypatch.setattr(unseen_intervals, "minimise", never)
    assert np.isnan(value_where(scaled, fitted, functions, values)).all()
    direction = theta_directions(scaled, functions)[0]
    held = HeldCriterion(scaled, fitted.theta, fitted.nodes, direction)
    # Where there is no value the held place stays where it was.
    assert held(3.0) == INF
    np.testing.assert_array_equal(held.theta, fitted.theta)


def test_limits_with_fewer_nodes_move_along_with_the_estimate(monkeypatch):
    _, _, scaled, fitted = regression()
    functions = np.array([[1.0, 0, 0], [0, 1, -1]])
    cut_off = np.full(2, 4.0)
    want = profile_limits(scaled, fitted, functions, cut_off, np.zeros(2, dtype=bool))
    # The fit with fewer nodes is the fit; the exact one lies elsewhere by a known way.
    exact = Fitted(fitted.theta + np.array([0.3, -0.2, 0.1, 0.0]), fitted.value, fitted.hessian)
    monkeypatch.setattr(unseen_intervals, "lighter_fit", lambda s, f, copies: fitted)
    got = profile_limits(scaled, exact, functions, cut_off, np.zeros(2, dtype=bool))
    way = scaled.unit * theta_directions(scaled, functions) @ [0.3, -0.2, 0.1, 0.0]
    np.testing.assert_allclose(got.low - want.low, way, rtol=1e-6)
    np.testing.assert_allclose(got.high - want.high, way, rtol=1e-6)


def test_a_function_that_nothing_moves_has_hardly_any_error():
    _, _, scaled, fitted = regression()
    assert _spread_along(scaled, fitted, np.zeros(4)) == pytest.approx(1e-6)
