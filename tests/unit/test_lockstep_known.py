"""Newton steps side by side, on functions whose minima and level sets are known."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.optimize import brentq

from metafreeze.models.lockstep import (
    STEPS,
    _newton_step,
    _quadratic_step,
    _Step,
    find_crossings,
    minimise,
    null_basis,
)

# The search stops at an expected fall of 1e-12.
AT_MINIMUM = 1e-5


class Known:
    """Functions with exact derivatives in place of the likelihood; counts what it is asked."""

    def __init__(self, function):
        self.function = function
        self.calls = 0
        self.asked = []

    def at(self, theta, chosen, *, derivatives=True):
        self.calls += 1
        self.asked.append(np.array(chosen))
        with np.errstate(all="ignore"):
            parts = [self.function(t, int(r)) for t, r in zip(theta, chosen, strict=True)]
        value, gradient, hessian = (np.array(part) for part in zip(*parts, strict=True))
        return SimpleNamespace(value=value, gradient=gradient, hessian=hessian)


def bowl(t, r):
    """A quadratic whose minimum is r at (1, -2, r)."""
    A = np.array([[4.0, 1.0, 0.5], [1.0, 3.0, -0.2], [0.5, -0.2, 0.8]])
    d = t - np.array([1.0, -2.0, float(r)])
    return 0.5 * d @ A @ d + r, A @ d, A


def banana(t, r):
    """Rosenbrock's valley, minimum 0 at (1, 1)."""
    a, b = t
    value = 100 * (b - a * a) ** 2 + (1 - a) ** 2
    gradient = np.array([-400 * a * (b - a * a) - 2 * (1 - a), 200 * (b - a * a)])
    hessian = np.array([[1200 * a * a - 400 * b + 2, -400 * a], [-400 * a, 200.0]])
    return value, gradient, hessian


def wells(t, r):
    """Two wells (a^2 - 1)^2 + b^2 with a saddle at zero."""
    a, b = t
    gradient = np.array([4 * a * (a * a - 1), 2 * b])
    return (a * a - 1) ** 2 + b * b, gradient, np.diag([12 * a * a - 4, 2.0])


def logarithm(t, r):
    """X - log x: not a number at or below zero; minimum 1 at 1."""
    (x,) = t
    if x <= 0:
        return np.nan, np.array([np.nan]), np.array([[np.nan]])
    return x - np.log(x), np.array([1 - 1 / x]), np.array([[1 / x**2]])


def test_a_bowl_is_one_step_each():
    problem = Known(bowl)
    start = np.array([[1.2, -1.8, 0.4], [1.0, -2.0, 1.0], [0.5, -1.7, 2.3]])
    found = minimise(problem, start, np.eye(3)[None])
    assert found.arrived.tolist() == [True] * 3
    for r in range(3):
        assert found.theta[r] == pytest.approx([1.0, -2.0, r], abs=1e-9)
        assert found.value[r] == pytest.approx(r, abs=1e-12)
        assert np.abs(found.gradient[r]).max() < 1e-9
        assert np.array_equal(found.hessian[r], bowl(found.theta[r], r)[2])
    # One look at the start, one at the end of the step; the second stands there already.
    assert problem.calls == 2
    assert problem.asked[1].tolist() == [0, 2]
    assert start.tolist() == [[1.2, -1.8, 0.4], [1.0, -2.0, 1.0], [0.5, -1.7, 2.3]]


def test_steps_stay_within_the_basis():
    basis = np.array([[1.0, 0.0], [0.0, 1.0], [0.0, 0.0]])
    found = minimise(Known(bowl), np.array([[0.0, 0.0, 5.0]]), basis)
    A = bowl(np.zeros(3), 0)[2]
    best = np.array([1.0, -2.0]) - np.linalg.solve(A[:2, :2], A[:2, 2] * 5.0)
    assert found.theta[0] == pytest.approx([*best, 5.0], abs=1e-6)
    assert found.arrived.all()
    assert found.gradient[0, 2] != 0.0


def test_no_direction_is_no_search():
    problem = Known(logarithm)
    found = minimise(problem, np.array([[2.0], [-1.0]]), np.zeros((1, 1, 0)))
    assert found.theta.tolist() == [[2.0], [-1.0]]
    assert found.arrived.tolist() == [True, False]
    assert found.value[0] == 2.0 - np.log(2.0)
    assert problem.calls == 1


@pytest.mark.parametrize("start", [(-1.2, 1.0), (3.0, -4.0), (0.0, 0.0)])
def test_a_bent_valley_is_followed_to_its_end(start):
    found = minimise(Known(banana), np.array([start]), np.eye(2)[None])
    assert found.arrived.all()
    assert found.theta[0] == pytest.approx([1.0, 1.0], abs=AT_MINIMUM)
    assert found.value[0] < 1e-10


@pytest.mark.parametrize("start", [(0.3, 2.0), (-0.2, 1.0), (0.0, 1.0), (0.0, 0.0), (4.0, 0.0)])
def test_a_saddle_is_left(start):
    found = minimise(Known(wells), np.array([start]), np.eye(2)[None])
    assert found.arrived.all()
    assert np.abs(found.theta[0]) == pytest.approx([1.0, 0.0], abs=AT_MINIMUM)
    assert found.value[0] < 1e-9


@pytest.mark.parametrize("start", [0.01, 0.9, 1.5, 30.0])
def test_a_wall_is_stepped_back_from(start):
    found = minimise(Known(logarithm), np.array([[start]]), np.eye(1)[None])
    assert found.arrived.all()
    assert found.theta[0, 0] == pytest.approx(1.0, abs=AT_MINIMUM)


def test_each_goes_its_own_way():
    starts = np.array([[0.01], [-5.0], [30.0], [1.0]])
    found = minimise(Known(logarithm), starts, np.eye(1)[None])
    assert found.arrived.tolist() == [True, False, True, True]
    assert found.theta[[0, 2, 3], 0] == pytest.approx([1.0] * 3, abs=AT_MINIMUM)
    assert found.theta[1, 0] == -5.0
    alone = minimise(Known(logarithm), starts[:1], np.eye(1)[None])
    assert np.array_equal(alone.theta[0], found.theta[0])


def test_what_falls_for_ever_does_not_arrive():
    def slope(t, r):
        return -t[0], np.array([-1.0]), np.array([[1e-3]])

    problem = Known(slope)
    found = minimise(problem, np.zeros((1, 1)), np.eye(1)[None])
    assert found.arrived.tolist() == [False]
    assert problem.calls == STEPS + 1
    # Radii 1, 2, 4 and then 8, the largest.
    assert found.theta[0, 0] == 1 + 2 + 4 + 8 * (STEPS - 3)


def test_a_few_steps_are_not_enough_and_say_so():
    found = minimise(Known(banana), np.array([[-1.2, 1.0]]), np.eye(2)[None], steps=3)
    assert found.arrived.tolist() == [False]
    assert found.value[0] < banana(np.array([-1.2, 1.0]), 0)[0]


def test_a_coarse_goal_stops_early():
    fine, coarse = Known(banana), Known(banana)
    minimise(fine, np.array([[-1.2, 1.0]]), np.eye(2)[None])
    found = minimise(coarse, np.array([[-1.2, 1.0]]), np.eye(2)[None], goal=1e-2)
    assert found.arrived.all()
    assert coarse.calls < fine.calls
    # What is left to fall is half the squared decrement, near the minimum.
    assert 1e-16 < found.value[0] < 1e-2


def test_a_value_that_cannot_fall_is_left_alone():
    def noisy(t, r):
        """Derivatives promise a fall that no value shows."""
        return 1.0 + abs(t[0] - 2.0), np.array([0.5]), np.array([[1.0]])

    problem = Known(noisy)
    found = minimise(problem, np.array([[2.0]]), np.eye(1)[None])
    assert found.arrived.tolist() == [False]
    assert found.theta[0, 0] == 2.0
    assert problem.calls < STEPS


def test_a_newton_step_by_eigenvalues():
    rng = np.random.default_rng(2)
    A = rng.normal(size=(2, 4, 4))
    hessian = A + np.swapaxes(A, 1, 2)
    gradient = rng.normal(size=(2, 4))
    basis = np.linalg.qr(rng.normal(size=(2, 4, 3)))[0]
    found = _newton_step(gradient, hessian, basis)
    for r in range(2):
        h, g = basis[r].T @ hessian[r] @ basis[r], basis[r].T @ gradient[r]
        values, vectors = np.linalg.eigh(h)
        bent = vectors @ np.diag(np.abs(values)) @ vectors.T
        assert found.move[r] == pytest.approx(-basis[r] @ np.linalg.solve(bent, g))
        assert found.decrement[r] == pytest.approx(g @ np.linalg.solve(bent, g))
        assert found.lowest[r] == pytest.approx(values[0] / np.abs(values).max())
        assert values[0] < 0
        along = basis[r].T @ found.away[r]
        assert h @ along == pytest.approx(values[0] * along)
        assert np.linalg.norm(found.away[r]) == pytest.approx(1.0)


def test_no_curvature_makes_no_step_without_end():
    hessian = np.diag([1.0, 0.0])[None]
    found = _newton_step(np.array([[1.0, 0.0]]), hessian, np.eye(2)[None])
    assert found.move[0].tolist() == [-1.0, 0.0]
    assert found.decrement.tolist() == [1.0]
    assert found.lowest.tolist() == [0.0]
    # A flat direction counts as bent by 1e-10 of the largest.
    found = _newton_step(np.array([[0.0, 1e-12]]), hessian, np.eye(2)[None])
    assert found.move[0] == pytest.approx([0.0, -1e-2], rel=1e-6)
    nothing = _newton_step(np.zeros((1, 1)), np.zeros((1, 1, 1)), np.eye(1)[None])
    assert nothing.move.tolist() == [[0.0]] and nothing.decrement.tolist() == [0.0]


def test_steps_are_kept_and_replaced_by_replicate():
    one = _Step(np.zeros((3, 2)), np.zeros(3), np.zeros(3), np.zeros((3, 2)))
    two = _Step(np.ones((3, 2)), np.ones(3), np.ones(3), np.ones((3, 2)))
    mixed = one.replaced(np.array([False, True, False]), two)
    assert mixed.move.tolist() == [[0, 0], [1, 1], [0, 0]]
    assert mixed.decrement.tolist() == mixed.lowest.tolist() == [0, 1, 0]
    assert mixed.away.tolist() == [[0, 0], [1, 1], [0, 0]]
    kept = mixed.keep(np.array([False, True, True]))
    assert kept.move.tolist() == [[1, 1], [0, 0]] and kept.decrement.tolist() == [1, 0]


@pytest.mark.parametrize("free", [[0, 1, 2, 3], [0, 2, 3], [1, 2], [1]])
def test_the_null_basis_leaves_the_contrast_alone(free):
    direction = np.array([0.5, -2.0, 1.0, 3.0])
    basis = null_basis(direction, np.array(free))
    assert basis.shape == (4, len(free) - 1)
    assert basis.T @ basis == pytest.approx(np.eye(len(free) - 1))
    assert np.abs(direction @ basis).max(initial=0) < 1e-14
    fixed = [k for k in range(4) if k not in free]
    assert (basis[fixed] == 0).all()


def quadratic_case(constant, slope, bend, sign):
    arrays = (np.array([float(v)]) for v in (constant, slope, bend, sign))
    with np.errstate(all="ignore"):
        return float(_quadratic_step(*arrays)[0])


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(
    ("constant", "slope", "bend"),
    [(-1, 2, 0.5), (3, 2, 0.1), (0, 1, 1), (-0.1, 5, -0.3), (-1, -0.5, 2), (1, -3, 1), (-2, 1, 0)],
)
def test_the_root_on_the_rising_branch(constant, slope, bend, sign):
    """c + b d + a d^2 = 0 where the function rises along the sign."""
    step = quadratic_case(constant, sign * slope, bend, sign)
    assert constant + sign * slope * step + bend * step**2 == pytest.approx(0.0, abs=1e-12)
    rise = sign * (sign * slope + 2 * bend * step)
    assert rise > 0


@pytest.mark.parametrize("sign", [1, -1])
def test_without_root_the_step_goes_the_way_the_target_lies(sign):
    # A minimum above the target: inwards; a maximum below it: outwards.
    assert quadratic_case(1.0, 0.0, 1.0, sign) == -sign * np.inf
    assert quadratic_case(-1.0, 0.0, -1.0, sign) == sign * np.inf
    assert quadratic_case(-1.0, 0.0, 0.0, sign) == sign * np.inf


def crossing_of(function, best, hessian, directions, signs, rise, free=None):
    directions = np.atleast_2d(np.asarray(directions, float))
    best = np.asarray(best, float)
    return find_crossings(
        Known(function),
        best,
        float(function(best, 0)[0]),
        np.asarray(hessian, float),
        directions,
        np.asarray(signs, float),
        np.asarray(rise, float),
        np.arange(len(best)) if free is None else np.array(free),
        np.tile(best, (len(signs), 1)),
    )


def flat_bowl(t, r):
    return bowl(t, 0)


def test_a_quadratic_crosses_where_its_inverse_says():
    """The profile of c't rises by d^2 / (2 c' H^-1 c)."""
    best = [1.0, -2.0, 0.0]
    H = bowl(np.zeros(3), 0)[2]
    c = np.array([[1.0, 0, 0], [1.0, 0, 0], [0.3, -1.0, 2.0], [0.0, 1.0, 0.0]])
    signs, rise = np.array([1.0, -1.0, 1.0, -1.0]), np.array([1.92, 1.92, 0.5, 3.3])
    found = crossing_of(flat_bowl, best, H, c, signs, rise)
    assert found.found.all()
    inverse = np.linalg.inv(H)
    for k in range(4):
        variance = c[k] @ inverse @ c[k]
        wanted = c[k] @ best + signs[k] * np.sqrt(2 * rise[k] * variance)
        assert found.at[k] == pytest.approx(wanted, abs=1e-7)
        assert c[k] @ found.theta[k] == pytest.approx(wanted, abs=1e-7)
        assert flat_bowl(found.theta[k], 0)[0] == pytest.approx(rise[k], abs=1e-7)


def test_fixed_parameters_stay_at_a_crossing():
    best = np.array([1.0, -2.0, 0.0])
    H = bowl(np.zeros(3), 0)[2]
    found = crossing_of(flat_bowl, best, H, [[1.0, 0, 0]] * 2, [1, -1], [2.0, 2.0], free=[0, 1])
    variance = np.linalg.inv(H[:2, :2])[0, 0]
    wanted = 1.0 + np.array([1, -1]) * np.sqrt(4.0 * variance)
    assert found.found.all()
    assert found.at == pytest.approx(wanted, abs=1e-7)
    assert found.theta[:, 2].tolist() == [0.0, 0.0]


def uneven(t, r):
    """x - log x with a neighbour: e^(y - x) - (y - x); profile over y is x - log x."""
    x, y = t
    if x <= 0:
        return np.nan, np.full(2, np.nan), np.full((2, 2), np.nan)
    e = np.exp(y - x)
    value = x - np.log(x) + e - (y - x)
    gradient = np.array([1 - 1 / x - e + 1, e - 1])
    return value, gradient, np.array([[1 / x**2 + e, -e], [-e, e]])


def skewed(t, r):
    """e^x - x with the same neighbour; finite everywhere, minimum 2 at zero."""
    x, y = t
    e = np.exp(y - x)
    gradient = np.array([np.exp(x) - 1 - e + 1, e - 1])
    hessian = np.array([[np.exp(x) + e, -e], [-e, e]])
    return np.exp(x) - x + e - (y - x), gradient, hessian


@pytest.mark.parametrize("rise", [0.1, 1.92, 3.3])
def test_a_skewed_profile_crosses_on_both_sides(rise):
    best = np.zeros(2)
    found = crossing_of(skewed, best, skewed(best, 0)[2], [[1.0, 0.0]] * 2, [1, -1], [rise] * 2)

    def gap(x):
        return np.exp(x) - x - 1 - rise

    assert found.found.all()
    assert found.at[0] == pytest.approx(brentq(gap, 0.0, 5.0), abs=1e-6)
    assert found.at[1] == pytest.approx(brentq(gap, -9.0, 0.0), abs=1e-6)
    assert found.theta[:, 0] == pytest.approx(found.at, abs=1e-9)
    assert found.theta[:, 1] == pytest.approx(found.at, abs=1e-3)


@pytest.mark.parametrize("rise", [0.1, 3.3])
def test_a_wall_on_the_way_is_stepped_back_from(rise):
    best = np.array([1.0, 1.0])
    found = crossing_of(uneven, best, uneven(best, 0)[2], [[1.0, 0.0]] * 2, [1, -1], [rise] * 2)

    def gap(x):
        return x - np.log(x) - 1 - rise

    assert found.found.all()
    assert found.at[0] == pytest.approx(brentq(gap, 1.0, 20.0), abs=1e-6)
    assert found.at[1] == pytest.approx(brentq(gap, 1e-9, 1.0), abs=1e-6)
    assert found.theta[:, 0] == pytest.approx(found.at, abs=1e-9)
    assert found.theta[:, 1] == pytest.approx(found.at, abs=1e-3)


def test_a_level_that_is_never_reached_is_not_found():
    def ceiling(t, r):
        """1 - exp(-x^2 / 2) stays below one."""
        (x,) = t
        e = np.exp(-x * x / 2)
        return 1 - e, np.array([x * e]), np.array([[(1 - x * x) * e]])

    found = crossing_of(ceiling, [0.0], [[1.0]], [[1.0]] * 2, [1, -1], [2.0, 0.5])
    assert found.found.tolist() == [False, True]
    assert found.at[1] == pytest.approx(-np.sqrt(2 * np.log(2)), abs=1e-7)
