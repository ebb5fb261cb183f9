"""The search for variances on functions whose minima are known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from types import SimpleNamespace

import numpy as np
import pytest

from metafreeze.models import optimise
from metafreeze.models.variance_shape import VarianceShape

INF = np.inf


@dataclass(frozen=True)
class Sets:
    """Data sets, known by their numbers."""

    which: np.ndarray
    studies: int = 20
    one_scale: bool = True

    @property
    def sets(self):
        return len(self.which)

    def pick(self, chosen):
        return replace(self, which=self.which[chosen])


@dataclass(frozen=True)
class Squares:
    """Variances are squares of the free parameters."""

    free: int

    def at(self, h):
        return h**2

    def pick(self, chosen):
        return self


@dataclass(frozen=True)
class Known:
    """A task whose criterion is a plain function of set number and parameters."""

    products: Sets
    shape: VarianceShape
    mapping: Squares
    function: Callable
    profiled: bool = True
    restricted: bool = True

    def _all(self, h, sets):
        which = self.products.which if sets is None else self.products.which[sets]
        assert len(which) == len(h)
        parts = [self.function(int(i), row) for i, row in zip(which, h, strict=True)]
        free = h.shape[1]
        value = np.array([p[0] for p in parts], dtype=float)
        gradient = np.array([p[1] for p in parts], dtype=float).reshape(len(h), free)
        hessian = np.array([p[2] for p in parts], dtype=float).reshape(len(h), free, free)
        return value, gradient, hessian

    def evaluate(self, h, *, order, sets=None):
        return SimpleNamespace(value=self._all(h, sets)[0])

    def derivatives(self, h, *, sets=None):
        value, gradient, hessian = self._all(h, sets)
        return SimpleNamespace(value=value), gradient, hessian


def shape(varying=1, levels=0, residual="common", correlated=True, studies=20):
    return VarianceShape(
        varying=varying,
        correlated=correlated,
        crossed=0,
        levels=tuple(f"level {i}" for i in range(levels)),
        residual=residual,
        studies=studies,
    )


def known(function, sets=1, free=1, the_shape=None, profiled=True, **products):
    return Known(
        Sets(np.arange(sets), **products),
        the_shape or shape(1, free - 1),
        Squares(free),
        function,
        profiled,
    )


def bowl(matrix, centre, base=0.0):
    matrix, centre = np.atleast_2d(matrix), np.atleast_1d(centre)

    def f(i, h):
        d = h - centre - i
        return base + 0.5 * d @ matrix @ d, matrix @ d, matrix

    return f


def well(tilt):
    """(h^2 - 1)^2 + tilt h, with its two minima near plus and minus one."""

    def f(i, h):
        x, t = h[0], tilt[i]
        return (x * x - 1) ** 2 + t * x, [4 * x * (x * x - 1) + t], [[12 * x * x - 4]]

    return f


M = np.array([[3.0, 0.5], [0.5, 1.0]])


def test_a_bowl_takes_one_step_and_reports_its_shape():
    task = known(bowl(M, [1.0, 2.0], base=7.0), sets=3, free=2)
    start = np.array([[1.1, 2.2], [2.1, 2.9], [2.8, 4.1]])
    got = optimise.minimise(task, [start])
    want = np.array([[1.0, 2.0], [2.0, 3.0], [3.0, 4.0]])
    np.testing.assert_allclose(got.free, want, rtol=1e-13)
    np.testing.assert_allclose(got.variances, want**2, rtol=1e-13)
    np.testing.assert_allclose(got.criterion.value, 7.0, rtol=1e-14)
    values = np.linalg.eigvalsh(M)
    np.testing.assert_allclose(got.curvature, values[0] / values[1], rtol=1e-12)
    assert (got.decrement < 1e-25).all()
    assert got.settled.tolist() == [True] * 3
    assert got.steps == 1


def test_nothing_free_is_one_evaluation():
    def f(i, h):
        return (5.0 if i else INF), np.zeros(0), np.zeros((0, 0))

    task = known(f, sets=2, free=0, the_shape=shape(1))
    got = optimise.minimise(task)
    assert got.free.shape == got.variances.shape == (2, 0)
    assert got.settled.tolist() == [False, True]
    assert got.criterion.value.tolist() == [INF, 5.0]
    assert got.decrement.tolist() == got.curvature.tolist() == [0.0, 0.0]
    assert got.steps == 0


@pytest.mark.parametrize("start", [1.5, 6.0, -9.0])
def test_a_step_that_overshoots_is_shortened(start):
    # Newton on root(1 + x^2) runs away from everywhere beyond one: the step is x (1 + x^2).
    def f(i, h):
        x = h[0] - 0.5
        r = np.sqrt(1 + x * x)
        return r, [x / r], [[r**-3]]

    got = optimise.minimise(known(f), [np.array([[start]])])
    assert got.free[0, 0] == pytest.approx(0.5, abs=1e-7)
    assert got.settled[0]
    assert got.steps < 30


def test_a_saddle_is_left_downhill():
    def f(i, h):
        x, y = h
        return (
            (x * x - 1) ** 2 + y * y,
            [4 * x * (x * x - 1), 2 * y],
            [[12 * x * x - 4, 0.0], [0.0, 2.0]],
        )

    got = optimise.minimise(known(f, sets=3, free=2), [np.array([[0, 0], [0, 1], [1e-9, 0.2]])])
    np.testing.assert_allclose(np.abs(got.free[:, 0]), 1.0, atol=1e-9)
    np.testing.assert_allclose(got.free[:, 1], 0.0, atol=1e-9)
    np.testing.assert_allclose(got.curvature, 2.0 / 8.0, rtol=1e-6)
    assert got.settled.all()


@pytest.mark.parametrize("side_by_side", [0, 20])
@pytest.mark.parametrize("order", [1, -1])
def test_the_better_of_several_valleys_is_kept_for_each_set(side_by_side, order, monkeypatch):
    monkeypatch.setattr(optimise, "SETS_SIDE_BY_SIDE", side_by_side)
    tilt = [0.3, -0.3, 0.2, -0.1]
    starts = [np.full((4, 1), side) for side in (0.9, -0.9, 1.1)][::order]
    got = optimise.minimise(known(well(tilt), sets=4, studies=5), starts)
    assert np.sign(got.free[:, 0]).tolist() == [-1, 1, -1, 1]
    for i, h in enumerate(got.free):
        assert abs(well(tilt)(i, h)[1][0]) < 1e-9
    assert got.settled.all()


def test_with_many_studies_and_spreads_above_zero_one_start_is_enough():
    tilt = [0.3]
    starts = [np.array([[0.9]]), np.array([[-0.9]])]
    near = optimise.minimise(known(well(tilt), studies=20), starts)
    assert near.free[0, 0] > 0.8
    for options in ({"one_scale": False}, {"studies": 12}):
        far = optimise.minimise(known(well(tilt), **{"studies": 20, **options}), starts)
        assert far.free[0, 0] < -0.8


def test_steps_are_those_of_the_longest_search():
    starts = [np.array([[1.0]]), np.array([[-3.0]])]
    one = optimise.minimise(known(well([0.0]), studies=5), starts[:1])
    far = optimise.minimise(known(well([0.0]), studies=5), starts[1:])
    both = optimise.minimise(known(well([0.0]), studies=5), starts)
    assert one.steps == 0 and far.steps > 3 and both.steps == far.steps
    turned = optimise.minimise(known(well([0.0]), studies=5), starts[::-1])
    assert turned.steps == far.steps
    # Equal valleys: the first one found stays.
    assert both.free[0, 0] == 1.0 and turned.free[0, 0] == pytest.approx(-1.0)


def test_only_the_sets_in_doubt_are_searched_again():
    asked = []

    def f(i, h):
        asked.append(i)
        return bowl([[1.0]], [[0.01, 5.0][i] - i])(i, h)

    starts = [np.array([[0.01], [5.0]]), np.array([[2.0], [2.0]])]
    first = optimise.minimise(known(f, sets=2), starts)
    np.testing.assert_allclose(first.free[:, 0], [0.01, 5.0])
    # The one near zero was begun again from two, the other never left.
    assert asked.count(0) > asked.count(1)


def test_a_spread_on_its_way_to_nothing_ends_at_zero_itself():
    def f(i, h):
        return 1e-3 * h[0] ** 2, [2e-3 * h[0]], [[2e-3]]

    got = optimise.minimise(known(f), [np.array([[1e-4]])])
    assert got.free[0, 0] == 0.0 and got.settled[0]


def test_a_small_spread_that_wants_to_grow_is_no_zero():
    # (h^2 - a^2)^2 is as good as zero at zero, and bends down there.
    a = 1e-4

    def f(i, h):
        x = h[0]
        return (x * x - a * a) ** 2, [4 * x * (x * x - a * a)], [[12 * x * x - 4 * a * a]]

    assert optimise.minimise(known(f), [np.array([[a]])]).free[0, 0] == a


def test_which_optima_are_doubted():
    h = np.array([[0.05, 0.0, 0.7, 0.3], [0.049, 1, 1, 1], [1, 0, 1, 0.049], [1, 0, 1, 1]])
    value = np.array([1.0, 1.0, 1.0, INF])
    task = known(well([0]), sets=4, free=4, the_shape=shape(2, 1))
    # A covariance of zero is no small spread; a level's spread is one.
    assert optimise._doubtful(task, h, value).tolist() == [False, True, True, True]
    minus = optimise._doubtful(task, -h, value)
    assert minus.tolist() == [False, True, True, True]
    for other in (
        known(well([0]), sets=4, free=4, the_shape=shape(2, 1), studies=12),
        known(well([0]), sets=4, free=4, the_shape=shape(2, 1), one_scale=False),
        known(well([0]), sets=4, free=4, the_shape=shape(2, 1), profiled=False),
    ):
        assert optimise._doubtful(other, h, value).tolist() == [True] * 4
    thirteen = known(well([0]), sets=4, free=4, the_shape=shape(2, 1), studies=13)
    assert optimise._doubtful(thirteen, h, value).tolist() == [False, True, True, True]


def plain_step(g, hessian, h):
    """Newton step with every curvature taken as positive, no longer than twice the place."""
    values, vectors = np.linalg.eigh(hessian)
    size = np.maximum(np.abs(values), 1e-10 * np.abs(values).max())
    step = -sum(v * (v @ g) / s for v, s in zip(vectors.T, size, strict=True))
    decrement = sum((v @ g) ** 2 / s for v, s in zip(vectors.T, size, strict=True))
    most = 2.0 * (np.linalg.norm(h) + 0.3)
    length = np.linalg.norm(step)
    return step * min(1.0, most / length), decrement, values[0] / np.abs(values).max()


@pytest.mark.parametrize("seed", range(4))
def test_newton_steps(seed):
    rng = np.random.default_rng(seed)
    g, h = rng.normal(size=(6, 3)), rng.normal(size=(6, 3))
    a = rng.normal(size=(6, 3, 3))
    hessian = a + np.swapaxes(a, 1, 2)
    hessian[:3] = a[:3] @ np.swapaxes(a[:3], 1, 2)
    g[::2] *= 0.05
    step, decrement, curvature = optimise._newton_step(g, hessian, h)
    for i in range(6):
        want = plain_step(g[i], hessian[i], h[i])
        np.testing.assert_allclose(step[i], want[0], rtol=1e-8)
        assert decrement[i] == pytest.approx(want[1], rel=1e-8)
        assert curvature[i] == pytest.approx(want[2], rel=1e-8)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_at_a_saddle_the_step_follows_the_downward_curve(sign):
    g = np.array([[sign * 1e-6, 0.0]])
    hessian = np.array([[[-1.0, 0.0], [0.0, 4.0]]])
    h = np.array([[0.2, -0.7]])
    step, decrement, curvature = optimise._newton_step(g, hessian, h)
    # A tenth of the largest spread and a tenth, away from the slope, beside the plain step.
    assert step[0, 0] == pytest.approx(-sign * (0.1 * (0.7 + 0.1) + 1e-6), rel=1e-9)
    assert step[0, 1] == 0.0
    assert decrement[0] == pytest.approx(1e-7)
    assert curvature[0] == pytest.approx(-0.25)
    # A slope that is felt shows the way itself.
    step, decrement, _ = optimise._newton_step(1e5 * g, hessian, h)
    assert step[0, 0] == pytest.approx(-sign * 0.1, rel=1e-9)
    assert decrement[0] == pytest.approx(0.01)


def test_no_slope_and_no_curvature_is_no_step():
    step, decrement, curvature = optimise._newton_step(
        np.zeros((1, 2)), np.zeros((1, 2, 2)), np.zeros((1, 2))
    )
    assert step.tolist() == [[0.0, 0.0]]
    assert decrement[0] == 0.0
    assert curvature[0] == 0.0


def faulty(i, h):
    """Set 1 has no value, set 2 no slope, set 3 no curvature, set 4 no factorisation."""
    if i == 4:
        raise np.linalg.LinAlgError
    d = h - 1.0
    value, gradient, hessian = d @ d, 2 * d, 2 * np.eye(len(h))
    if i == 1:
        value = np.nan
    if i == 2:
        gradient = gradient * [1.0, np.nan]
    if i == 3:
        hessian = hessian + np.diag([0.0, np.inf])
    return value, gradient, hessian


def test_what_is_not_finite_stands_still():
    task = known(faulty, sets=6, free=2)
    h = np.full((6, 2), 3.0)
    value, gradient, hessian = optimise._derivatives(task, h, np.arange(6))
    assert value.tolist() == [8.0, INF, INF, INF, INF, 8.0]
    assert gradient.tolist() == [[4.0, 4.0]] + [[0.0, 0.0]] * 4 + [[4.0, 4.0]]
    for i in range(6):
        np.testing.assert_array_equal(hessian[i], np.eye(2) * (2.0 if i in (0, 5) else 1.0))
    some = optimise._derivatives(task, h[[5, 2]], np.array([5, 2]))
    assert some[0].tolist() == [8.0, INF]
    four = known(faulty, sets=4, free=2)
    got = optimise.minimise(four, [np.full((4, 2), 2.0)])
    np.testing.assert_allclose(got.free[0], 1.0)
    np.testing.assert_array_equal(got.free[1:], 2.0)
    assert got.settled.tolist() == [True, False, False, False]
    # What cannot be judged shows no slope and the curvature of the unit matrix.
    assert got.decrement[1:].tolist() == [0.0] * 3
    assert got.curvature[1:].tolist() == [1.0] * 3


def wall(i, h):
    """A slope down that ends at a wall, nearer the higher the number."""
    edge = 0.9 * 10.0 ** -float(i)
    return (-h[0] if h[0] <= edge else INF), [-1.0], [[1.0]]


def test_steps_are_halved_and_then_cut_to_tenths():
    task = known(wall, sets=7)
    h, step = np.zeros((7, 1)), np.ones((7, 1))
    moved, found = optimise._halve(task, h, np.zeros(7), step, np.ones(7), np.arange(7))
    want = []
    for i in range(7):
        t = 0.5
        while t > 0.9 * 10.0**-i:
            t *= 0.5 if t > 1e-3 else 0.1
        want.append(t)
    np.testing.assert_allclose(moved[:, 0], want, rtol=1e-14)
    assert found.all()


def test_where_no_shorter_step_has_a_value_the_set_stands_still():
    def f(i, h):
        return (INF if i == 0 else 0.5 * h[0] ** 2), h, [[1.0]]

    task = known(f, sets=2)
    h, value = np.array([[0.5], [1.5]]), np.array([0.125, 1.125])
    step, promise = np.array([[1.0], [-1.0]]), np.array([0.5, 1.5])
    moved, found = optimise._halve(task, h, value, step, promise, np.arange(2))
    assert found.tolist() == [False, True]
    np.testing.assert_array_equal(moved[:, 0], [0.5, 1.0])
    # Uphill, only a move within rounding of the value counts as no rise.
    task = known(bowl([[1.0]], [0.0]))
    moved, _ = optimise._halve(task, h[:1], value[:1], step[:1], promise[:1], np.arange(1))
    assert abs(moved[0, 0] - 0.5) < 1e-12


def test_a_step_has_to_bring_a_share_of_what_it_promised():
    # A flat place far from the start: the value falls by 1e-5 for a promise of one.
    def f(i, h):
        return (-1e-5 if h[0] > 0.2 else -2e-4 * h[0]), [-1.0], [[1.0]]

    one = np.ones(1)
    moved, found = optimise._halve(
        known(f), np.zeros((1, 1)), np.zeros(1), one[:, None], one, np.arange(1)
    )
    assert found[0] and moved[0, 0] == 0.125


def test_polishing_shrinks_what_differences_cannot_see():
    matrix = np.array([[2.0]])
    task = known(bowl(matrix, [1.0]), sets=3)
    # Decrements 2 d^2: seen and shrunk; as large as 1e-2, left alone; nothing, left alone.
    d = np.array([[1e-5], [0.0708], [1e-14]])
    h = np.arange(3)[:, None] + 1.0 + d
    got = optimise._polish(task, h)
    np.testing.assert_allclose(got[0, 0], 1.0, atol=1e-15)
    assert got[1, 0] == h[1, 0] and got[2, 0] == h[2, 0]


def test_polishing_takes_no_step_that_does_not_shrink():
    # The slope keeps its size over the step, as rounding does.
    def f(i, h):
        return 0.0, [1e-3], [[1.0]]

    h = np.array([[0.4]])
    assert optimise._polish(known(f), h)[0, 0] == 0.4

    def downward(i, h):
        return -(h[0] ** 2), [-1e-3], [[-1.0]]

    assert optimise._polish(known(downward), h)[0, 0] == 0.4


@pytest.mark.parametrize(("bend", "moved"), [(-0.99e-7, True), (-1e-7, False), (-1e-3, False)])
def test_polishing_keeps_off_what_bends_down(bend, moved):
    def f(i, h):
        return 0.0, [0.0, h[1] - 1.0], [[bend, 0.0], [0.0, 1.0]]

    got = optimise._polish(known(f, free=2), np.array([[0.3, 1.0 + 1e-4]]))
    assert (got[0, 1] == 1.0) == moved


def linear(slopes):
    """Rises by the given slopes in the size of each parameter."""
    slopes = np.asarray(slopes, dtype=float)

    def f(i, h):
        return 3.0 + slopes @ np.abs(h), slopes * np.sign(h), np.eye(len(h))

    return f


def test_spreads_that_all_but_vanish_are_put_at_zero_where_that_is_no_worse():
    task = known(linear([1.0, -1.0, 1.0]), sets=2, free=3)
    h = np.array([[2e-4, 2e-4, 0.5], [-2e-4, 0.3, 3e-4]])
    got = optimise._try_zero(task, h)
    # Falling towards zero: taken. Rising: not. At the limit itself: not tried.
    np.testing.assert_array_equal(got, [[0.0, 2e-4, 0.5], [0.0, 0.3, 3e-4]])
    large = np.array([[0.1, 0.2, 0.3], [0.0, 0.2, 0.3]])
    assert optimise._try_zero(task, large) is large


def test_a_rise_within_the_allowance_is_no_worse():
    allowed = 1e-9
    for slope, want in ((-0.9 * allowed / 2e-4, 0.0), (-1.1 * allowed / 2e-4, 2e-4)):
        got = optimise._try_zero(known(linear([slope])), np.array([[2e-4]]))
        assert got[0, 0] == want


def test_zero_is_told_by_the_residual_spread_where_that_is_free():
    the_shape = shape(1, 1)
    task = known(linear([1.0, 1.0, 0.0]), sets=4, free=3, the_shape=the_shape, profiled=False)
    h = np.array([[2e-3, 4e-3, 10.0], [2e-3, 0.5, -10.0], [2e-4, 2e-3, 0.0], [2e-4, 1.0, 2e-4]])
    got = optimise._try_zero(task, h)
    # 3e-4 of ten is 3e-3; where the residual is zero the unit is one.
    np.testing.assert_array_equal(got[0], [0.0, 4e-3, 10.0])
    np.testing.assert_array_equal(got[1], [0.0, 0.5, -10.0])
    np.testing.assert_array_equal(got[2], [0.0, 2e-3, 0.0])
    np.testing.assert_array_equal(got[3], [2e-4, 1.0, 2e-4])
    each = known(
        linear([1.0, 0, 0]),
        free=3,
        the_shape=shape(1, residual="per-study", studies=2),
        profiled=False,
        studies=2,
    )
    # The largest of several residual spreads counts.
    got = optimise._try_zero(each, np.array([[2e-3, 1.0, -10.0]]))
    assert got[0].tolist() == [0.0, 1.0, -10.0]


def test_a_vanishing_direction_of_a_covariance_is_dropped():
    the_shape = shape(2, 1)
    task = known(lambda i, h: (0.0, 0 * h, np.eye(4)), sets=3, free=4, the_shape=the_shape)
    # Lambda's lower triangle (0,0), (1,0), (1,1) in the order of the pairs, then the level.
    pairs = the_shape.pairs
    h = np.zeros((3, 4))
    for row, lower in zip(
        h,
        [[[1, 0], [0.5, 1e-4]], [[1, 0], [0.5, 0.1]], [[1e-5, 0], [0.4, 0.3]]],
        strict=True,
    ):
        for k, (i, j) in enumerate(pairs):
            row[k] = lower[i][j]
    h[:, 3] = 0.7
    got = optimise._try_zero(task, h)
    np.testing.assert_array_equal(got[:, 3], 0.7)
    for n in range(3):
        before, after = np.zeros((2, 2)), np.zeros((2, 2))
        for k, (i, j) in enumerate(pairs):
            before[i, j], after[i, j] = h[n, k], got[n, k]
        covariance = before @ before.T
        values, vectors = np.linalg.eigh(covariance)
        if n != 1:
            values[0] = 0.0
            assert (np.abs(np.diag(after)) > 0).sum() == 1
        np.testing.assert_allclose(
            after @ after.T, (vectors * values) @ vectors.T, atol=1e-12, rtol=1e-9
        )
    np.testing.assert_array_equal(got[1], h[1])


def test_trials_are_taken_where_they_are_near_and_no_worse():
    task = known(linear([1.0]), sets=4)
    h = np.array([[1.0], [1.0], [1.0], [1.0]])
    trial = np.array([[0.5], [0.5], [1.5], [1.0 + 0.5e-9]])
    near = np.array([True, False, True, True])
    for value in (None, np.full(4, 4.0)):
        got, new = optimise._accept(task, h, value, trial, near)
        np.testing.assert_array_equal(got, [[0.5], [1.0], [1.0], [1.0 + 0.5e-9]])
        np.testing.assert_allclose(new, [3.5, 4.0, 4.0, 4.0 + 0.5e-9], rtol=1e-15)


def test_a_spread_put_on_a_hilltop_is_taken_back():
    task = known(well([0.0, 0.0]), sets=2)
    before, after = np.array([[1e-5], [0.9]]), np.array([[0.0], [1.0]])
    got = optimise._keep_minima(task, before, after)
    np.testing.assert_array_equal(got, [[1e-5], [1.0]])


@pytest.mark.parametrize(
    ("gap", "bend", "settled"),
    [
        (0.99, 1.0, True),
        (1.01, 1.0, False),
        (0.5, -0.9 * 1e-7, True),
        (0.5, -1.1 * 1e-7, False),
    ],
)
def test_the_certificate_holds_within_its_limits_only(gap, bend, settled):
    slope = np.sqrt(gap * 1e-7)

    def f(i, h):
        return 2.0, [0.0, slope], [[bend, 0.0], [0.0, 1.0]]

    got = optimise._certify(known(f, free=2), np.array([[0.3, 0.4]]), 9)
    assert got.settled.tolist() == [settled]
    assert got.steps == 9
    assert got.curvature[0] == pytest.approx(min(bend, 1.0), rel=1e-9)
    np.testing.assert_allclose(got.variances, [[0.09, 0.16]])


@pytest.mark.parametrize("part", [0, 1, 2])
def test_no_certificate_without_finite_numbers(part):
    def f(i, h):
        out = [2.0, np.zeros(2), np.eye(2)]
        out[part] = out[part] + np.nan
        return out

    got = optimise._certify(known(f, free=2), np.array([[0.3, 0.4]]), 1)
    assert not got.settled[0]
    assert got.decrement[0] == 0.0 and got.curvature[0] == 1.0
