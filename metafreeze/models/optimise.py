"""Find the variances: Newton steps with exact Hessians, many data sets at once.

The free parameters are factor entries and standard deviations (`variance_shape`), in
which the criterion is smooth and even, so that a variance of zero is an ordinary
stationary point. It is a minimum there exactly when the criterion does not fall as the
variance grows; otherwise the Hessian has a negative eigenvalue and the search leaves it.
An optimum is accepted only with this certificate: small Newton decrement, no negative
curvature. Nothing is random.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from metafreeze.models.likelihood import Criterion
from metafreeze.models.row_columns import semidefinite_factor
from metafreeze.models.search_task import (
    Task,
    narrow_task,
    repeat_task,
    residual_floor,
    safe_value,
)
from metafreeze.models.starting_points import SETS_SIDE_BY_SIDE, choose_starts
from metafreeze.results import BoolArray, FloatArray, IntArray

MOST_STEPS = 200
MOST_HALVINGS = 40
# Share of the promised fall that a step has to bring.
ARMIJO = 1e-4
# The criterion counts in units of two log likelihoods: these are far below anything that
# statistics can notice and far above rounding.
SETTLED_DECREMENT = 1e-8
CERTIFIED_DECREMENT = 1e-7
ROUNDING = 4e-14
# Below this the gradient is rounding.
TINY_DECREMENT = 1e-26
# A standard deviation, relative to the residual's, below which zero is tried.
NEARLY_ZERO = 3e-4
NO_WORSE = 1e-9
# Negative curvature worth following, relative to the largest.
SADDLE = 1e-7
# Studies up to which several starts are always followed, and spreads, relative to the
# residual one, below which they are followed anyway.
FEW_STUDIES = 12
WELL_ABOVE_ZERO = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Optimum:
    """Where the search ended, one row per data set.

    Parameters
    ----------
    free : array, shape (m, H)
    variances : array, shape (m, K)
        In the engine's units; relative to the residual variance where it is profiled.
    criterion : Criterion
        With first and second derivatives at the optimum.
    settled : array of bool, shape (m,)
        Whether the certificate holds.
    decrement : array, shape (m,)
        Newton decrement: twice the fall still to be expected.
    curvature : array, shape (m,)
        Smallest eigenvalue of the Hessian over its largest in size.
    steps : int
        Newton steps taken.
    """

    free: FloatArray
    variances: FloatArray
    criterion: Criterion
    settled: BoolArray
    decrement: FloatArray
    curvature: FloatArray
    steps: int


def minimise(task: Task, starts: list[FloatArray] | None = None) -> Optimum:
    """Minimise the criterion for every data set.

    Parameters
    ----------
    task : Task
    starts : list of array, shape (m, H), optional
        Starting points; a fixed grid of ratios by default.

    Returns
    -------
    Optimum
    """
    m = task.products.sets
    if task.mapping.free == 0:
        c = task.evaluate(np.zeros((m, 0)), order=2)
        zero = np.zeros(m)
        return Optimum(
            free=np.zeros((m, 0)),
            variances=task.mapping.at(np.zeros((m, 0))),
            criterion=c,
            settled=np.isfinite(c.value),
            decrement=zero,
            curvature=zero,
            steps=0,
        )
    chosen = choose_starts(task) if starts is None else starts
    best, value, steps = _descend(task, chosen[0])
    again = np.flatnonzero(_doubtful(task, best, value))
    if again.size and len(chosen) > 1:
        more = narrow_task(task, again) if again.size < m else task
        best, value, used = _follow(more, [s[again] for s in chosen[1:]], best, value, again)
        steps = max(steps, used)
    # Polishing first lets a spread that vanishes shrink far enough to be told from a small one.
    best = _polish(task, best)
    at_zero = _try_zero(task, best)
    if at_zero is not best:
        best = _keep_minima(task, best, _polish(task, at_zero))
    return _certify(task, best, steps)


def _keep_minima(task: Task, before: FloatArray, after: FloatArray) -> FloatArray:
    """Take back a spread put at zero where the criterion falls as it grows again."""
    here = _Where.at(task, after)
    _, _, curvature = _newton_step(here.gradient, here.hessian, here.h)
    return np.where((curvature < -SADDLE)[:, None], before, after)


def _doubtful(task: Task, h: FloatArray, value: FloatArray) -> BoolArray:
    """Say which optima may have a better one elsewhere.

    With more than a few studies and one kind of variance the criterion has a single minimum
    wherever all spreads are well above zero; near zero, and with few studies, it need not.
    """
    products, shape = task.products, task.shape
    if products.studies <= FEW_STUDIES or not products.one_scale or not task.profiled:
        return np.ones(h.shape[0], dtype=bool)
    pairs = shape.pairs
    diagonal = [k for k, (i, j) in enumerate(pairs) if i == j]
    spreads = np.abs(h[:, [*diagonal, *range(len(pairs), h.shape[1])]])
    return np.asarray((spreads < WELL_ABOVE_ZERO).any(axis=1) | ~np.isfinite(value))


def _follow(
    task: Task,
    starts: list[FloatArray],
    best: FloatArray,
    value: FloatArray,
    sets: IntArray,
) -> tuple[FloatArray, FloatArray, int]:
    """Follow further starts of some data sets and keep what is better."""
    k, m = len(starts), sets.size
    if m <= SETS_SIDE_BY_SIDE:
        # All starts of a small task are followed side by side, as further data sets.
        ends, values, steps = _descend(repeat_task(task, k), np.concatenate(starts))
        table, ranks = ends.reshape(k, m, -1), values.reshape(k, m)
    else:
        followed = [_descend(task, start) for start in starts]
        table, ranks = np.stack([f[0] for f in followed]), np.stack([f[1] for f in followed])
        steps = max(f[2] for f in followed)
    best, value = best.copy(), value.copy()
    for h, v in zip(table, ranks, strict=True):
        better = v < value[sets] - NO_WORSE
        best[sets[better]], value[sets[better]] = h[better], v[better]
    return best, value, steps


def _newton_step(
    gradient: FloatArray, hessian: FloatArray, h: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Step, Newton decrement and relative smallest curvature; descends from saddles."""
    values, vectors = np.linalg.eigh(hessian)
    largest = np.abs(values).max(axis=1)
    floor = np.maximum(1e-10 * largest, 1e-300)
    size = np.maximum(np.abs(values), floor[:, None])
    along = (np.swapaxes(vectors, 1, 2) @ gradient[:, :, None])[:, :, 0]
    step = -(vectors @ (along / size)[:, :, None])[:, :, 0]
    decrement = (along**2 / size).sum(axis=1)
    curvature = values[:, 0] / np.where(largest > 0, largest, 1.0)
    # Near a saddle the gradient vanishes and the decrement says nothing: push off.
    push = (curvature < -SADDLE) & (decrement <= 100.0 * SETTLED_DECREMENT)
    if push.any():
        size_of = 0.1 * (np.abs(h).max(axis=1) + 0.1)
        sign = np.where(along[:, 0] > 0, -1.0, 1.0)
        step = np.where(push[:, None], step + (sign * size_of)[:, None] * vectors[:, :, 0], step)
        decrement = np.where(push, np.maximum(decrement, 10 * SETTLED_DECREMENT), decrement)
    cap = 2.0 * (np.sqrt((h**2).sum(axis=1)) + 0.3)
    length = np.sqrt((step**2).sum(axis=1))
    shrink = np.minimum(1.0, cap / np.where(length > 0, length, 1.0))
    return step * shrink[:, None], decrement, curvature


@dataclass(slots=True)
class _Where:
    """Where every data set stands: criterion, gradient and Hessian in the free parameters."""

    h: FloatArray
    value: FloatArray
    gradient: FloatArray
    hessian: FloatArray

    @classmethod
    def at(cls, task: Task, h: FloatArray) -> _Where:
        m, free = h.shape
        here = cls(h.copy(), np.full(m, np.inf), np.zeros((m, free)), np.zeros((m, free, free)))
        here.move(task, np.arange(m), h)
        return here

    def move(self, task: Task, sets: IntArray, h: FloatArray) -> None:
        """Put some data sets at h; where nothing finite comes out they stand still."""
        value, gradient, hessian = _derivatives(task, h, sets)
        self.h[sets], self.value[sets] = h, value
        self.gradient[sets], self.hessian[sets] = gradient, hessian


def _derivatives(
    task: Task, h: FloatArray, sets: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Value, gradient and Hessian; infinite, zero and identity where they are not finite."""
    every = sets.size == task.products.sets
    try:
        with np.errstate(all="ignore"):
            c, gradient, hessian = task.derivatives(h, sets=None if every else sets)
    except np.linalg.LinAlgError:
        if sets.size == 1:
            free = h.shape[1]
            return np.array([np.inf]), np.zeros((1, free)), np.eye(free)[None]
        parts = [_derivatives(task, h[i : i + 1], sets[i : i + 1]) for i in range(sets.size)]
        return tuple(np.concatenate(x) for x in zip(*parts, strict=True))  # type: ignore[return-value]
    good = np.isfinite(c.value) & np.isfinite(gradient).all(axis=1)
    good &= np.isfinite(hessian).all(axis=(1, 2))
    if not good.all():
        gradient = np.where(good[:, None], gradient, 0.0)
        hessian = np.where(good[:, None, None], hessian, np.eye(h.shape[1]))
    return np.where(good, c.value, np.inf), gradient, hessian


def _descend(task: Task, start: FloatArray) -> tuple[FloatArray, FloatArray, int]:
    """Newton with halving from one start, every data set until its decrement is small."""
    here = _Where.at(task, start)
    active = np.flatnonzero(np.isfinite(here.value))
    local, held = task, np.arange(start.shape[0])
    used = 0
    for _ in range(MOST_STEPS):
        h, value = here.h[active], here.value[active]
        step, decrement, _ = _newton_step(here.gradient[active], here.hessian[active], h)
        # A shortened step promises less than the whole decrement.
        promise = np.abs((here.gradient[active] * step).sum(axis=1))
        go_on = decrement > SETTLED_DECREMENT
        active, h, value = active[go_on], h[go_on], value[go_on]
        step, promise = step[go_on], promise[go_on]
        if active.size == 0:
            break
        used += 1
        if active.size < held.size:
            local, held = narrow_task(task, active), active
        # The full step with its derivatives first: it is taken nearly always.
        inside = _Where.at(local, h + step)
        slack = ROUNDING * (np.abs(value) + 1.0)
        enough = inside.value <= value - ARMIJO * promise + slack
        short = np.flatnonzero(~enough)
        found = np.zeros(0, dtype=np.int64)
        if short.size:
            moved, better = _halve(
                local, h[short], value[short], step[short], promise[short], short
            )
            found = short[better]
            if found.size:
                inside.move(local, found, moved[better])
        take = np.flatnonzero(enough)
        take = np.concatenate([take, found])
        take.sort()
        went = active[take]
        here.h[went], here.value[went] = inside.h[take], inside.value[take]
        here.gradient[went], here.hessian[went] = inside.gradient[take], inside.hessian[take]
        active = went
    return here.h, here.value, used


def _halve(
    task: Task,
    h: FloatArray,
    value: FloatArray,
    step: FloatArray,
    promise: FloatArray,
    sets: IntArray,
) -> tuple[FloatArray, BoolArray]:
    """Shorten steps of some data sets until their criterion falls enough."""
    best = h.copy()
    found = np.zeros(h.shape[0], dtype=bool)
    waiting = np.arange(h.shape[0])
    t = 0.5
    for _ in range(MOST_HALVINGS):
        if waiting.size == 0:
            break
        trial = h[waiting] + t * step[waiting]
        new = safe_value(task, trial, sets[waiting])
        slack = ROUNDING * (np.abs(value[waiting]) + 1.0)
        enough = new <= value[waiting] - ARMIJO * t * promise[waiting] + slack
        best[waiting[enough]] = trial[enough]
        found[waiting[enough]] = True
        waiting = waiting[~enough]
        t *= 0.5 if t > 1e-3 else 0.1
    return best, found


def _polish(task: Task, h: FloatArray) -> FloatArray:
    """Newton steps below what differences of the criterion can see; each must shrink."""
    here = _Where.at(task, h)
    for _ in range(4):
        step, decrement, curvature = _newton_step(here.gradient, here.hessian, here.h)
        take = np.isfinite(here.value) & (decrement > TINY_DECREMENT) & (decrement < 1e-2)
        sets = np.flatnonzero(take & (curvature > -SADDLE))
        if sets.size == 0:
            break
        trial = here.h[sets] + step[sets]
        value, gradient, hessian = _derivatives(task, trial, sets)
        _, after, _ = _newton_step(gradient, hessian, trial)
        better = np.isfinite(value) & (after < 0.25 * decrement[sets])
        if not better.any():
            break
        moved = sets[better]
        here.h[moved], here.value[moved] = trial[better], value[better]
        here.gradient[moved], here.hessian[moved] = gradient[better], hessian[better]
    return here.h


def _try_zero(task: Task, h: FloatArray) -> FloatArray:
    """Put variances that have all but vanished exactly at zero, if that is no worse.

    Gives `h` itself back where nothing has.
    """
    shape = task.shape
    n_pairs = len(shape.pairs)
    value: FloatArray | None = None
    residual = h[:, -shape.residuals :] if not task.profiled and shape.residuals else None
    unit = np.ones(h.shape[0]) if residual is None else np.abs(residual).max(axis=1)
    unit = np.where(unit > 0, unit, 1.0)
    last_kept = h.shape[1] - (0 if residual is None else shape.residuals)
    singles = list(range(n_pairs, last_kept))
    if not shape.correlated or shape.varying == 1:
        singles = list(range(last_kept))
    if residual is not None:
        # At zero the residual variance is at its floor, which is as good as zero.
        floor = residual_floor(task.products)
        singles += list(range(last_kept, h.shape[1]))
        unit = np.maximum(unit, floor / NEARLY_ZERO)
    for k in singles:
        near = (np.abs(h[:, k]) < NEARLY_ZERO * unit) & (h[:, k] != 0)
        if near.any():
            trial = h.copy()
            trial[near, k] = 0.0
            h, value = _accept(task, h, value, trial, near)
    if shape.correlated and shape.varying > 1 and task.mapping.free >= n_pairs:
        for _ in range(shape.varying):
            trial, near = _drop_smallest(task, h, unit)
            if not near.any():
                break
            before = h
            h, value = _accept(task, h, value, trial, near)
            if np.array_equal(before, h):
                break
    return h


def _accept(
    task: Task, h: FloatArray, value: FloatArray | None, trial: FloatArray, near: BoolArray
) -> tuple[FloatArray, FloatArray]:
    value = safe_value(task, h) if value is None else value
    new = safe_value(task, trial)
    take = near & (new <= value + NO_WORSE)
    return np.where(take[:, None], trial, h), np.where(take, new, value)


def _drop_smallest(task: Task, h: FloatArray, unit: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Set the smallest eigenvalue of the covariance matrix to zero where it nearly is."""
    q = task.shape.varying
    pairs = task.shape.pairs
    L = np.zeros((h.shape[0], q, q))
    for k, (i, j) in enumerate(pairs):
        L[:, i, j] = h[:, k]
    matrix = L @ np.swapaxes(L, 1, 2)
    values, vectors = np.linalg.eigh(matrix)
    scale = np.maximum(values[:, -1], unit**2)
    small = (values < NEARLY_ZERO**2 * scale[:, None]) & (values > 0)
    exact = np.where(small, 0.0, np.maximum(values, 0.0))
    new_L = semidefinite_factor((vectors * exact[:, None, :]) @ np.swapaxes(vectors, 1, 2))
    rank = (exact > 0).sum(axis=1)
    changed = rank < (np.abs(np.diagonal(L, axis1=1, axis2=2)) > 0).sum(axis=1)
    trial = h.copy()
    for k, (i, j) in enumerate(pairs):
        trial[:, k] = np.where(changed, new_L[:, i, j], h[:, k])
    return trial, changed


def _certify(task: Task, h: FloatArray, steps: int) -> Optimum:
    with np.errstate(all="ignore"):
        c, gradient, hessian = task.derivatives(h)
    finite = np.isfinite(c.value) & np.isfinite(hessian).all(axis=(1, 2))
    finite &= np.isfinite(gradient).all(axis=1)
    gradient = np.where(finite[:, None], gradient, 0.0)
    hessian = np.where(finite[:, None, None], hessian, np.eye(h.shape[1]))
    # Where the Hessian bends down, the decrement is never as small as the certificate asks.
    _, decrement, curvature = _newton_step(gradient, hessian, h)
    return Optimum(
        free=h,
        variances=task.mapping.at(h),
        criterion=c,
        settled=finite & (decrement < CERTIFIED_DECREMENT),
        decrement=decrement,
        curvature=curvature,
        steps=steps,
    )
