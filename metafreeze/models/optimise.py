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
from itertools import product

import numpy as np

from metafreeze.models.crossproducts import Products, semidefinite_factor
from metafreeze.models.likelihood import Criterion, read_criterion, sum_studies
from metafreeze.models.variance_shape import VarianceMap, VarianceShape, free_map
from metafreeze.results import BoolArray, FloatArray, IntArray

MOST_STEPS = 200
MOST_HALVINGS = 40
# The criterion counts in units of two log likelihoods: these are far below anything that
# statistics can notice and far above rounding.
SETTLED_DECREMENT = 1e-8
CERTIFIED_DECREMENT = 1e-7
ROUNDING = 4e-14
# A standard deviation, relative to the residual's, below which zero is tried.
NEARLY_ZERO = 3e-4
NO_WORSE = 1e-9
# Negative curvature worth following, relative to the largest.
SADDLE = 1e-7
START_RATIOS = (0.03, 0.2, 0.7, 2.5, 10.0, 100.0, 3000.0)
# Entities and studies up to which several starts are followed to their end.
SMALL_PROBLEM = 3000


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """What is minimised: products, variances, criterion, map."""

    products: Products
    shape: VarianceShape
    mapping: VarianceMap
    restricted: bool
    profiled: bool

    def evaluate(self, h: FloatArray, *, order: int, sets: IntArray | None = None) -> Criterion:
        """Criterion and derivatives in the variances at free parameters."""
        products = self.products if sets is None else self.products.pick(sets)
        mapping = self.mapping if sets is None else _pick_map(self.mapping, sets)
        totals = sum_studies(
            products, self.shape, mapping.at(h), order=order, with_residual=not self.profiled
        )
        return read_criterion(totals, products, restricted=self.restricted, profiled=self.profiled)

    def derivatives(
        self, h: FloatArray, *, sets: IntArray | None = None
    ) -> tuple[Criterion, FloatArray, FloatArray]:
        """Criterion with gradient and Hessian in the free parameters."""
        c = self.evaluate(h, order=2, sets=sets)
        mapping = self.mapping if sets is None else _pick_map(self.mapping, sets)
        J = mapping.jacobian(h)
        gradient = np.einsum("mki,mk->mi", J, c.gradient)
        hessian = np.swapaxes(J, 1, 2) @ c.hessian @ J
        hessian = hessian + np.einsum("mk,kij->mij", c.gradient, mapping.bend)
        return c, gradient, 0.5 * (hessian + np.swapaxes(hessian, 1, 2))


def _pick_map(mapping: VarianceMap, sets: IntArray) -> VarianceMap:
    constant, slope = mapping.constant, mapping.slope
    return VarianceMap(
        constant=constant if constant.shape[0] == 1 else constant[sets],
        slope=slope if slope.shape[0] == 1 else slope[sets],
        bend=mapping.bend,
    )


def plain_task(products: Products, shape: VarianceShape, *, restricted: bool) -> Task:
    """Give the usual task: all variances free, the residual one profiled where it can be."""
    profiled = products.one_scale and shape.residual == "common"
    return Task(
        products=products,
        shape=shape,
        mapping=free_map(shape, with_residual=not profiled),
        restricted=restricted,
        profiled=profiled,
    )


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
    chosen = _choose_starts(task) if starts is None else starts
    best: FloatArray | None = None
    value = np.full(m, np.inf)
    steps = 0
    for start in chosen:
        h, v, used = _descend(task, start)
        steps = max(steps, used)
        better = v < value - NO_WORSE if best is not None else np.ones(m, dtype=bool)
        best = h if best is None else np.where(better[:, None], h, best)
        value = np.where(better, v, value)
    assert best is not None
    best = _try_zero(task, best)
    best = _polish(task, best)
    return _certify(task, best, steps)


def _residual_guess(products: Products) -> FloatArray:
    """Residual variance within studies, in the engine's units, (m, S)."""
    q = products.varying - products.crossed
    entities = np.zeros(products.studies)
    if products.levels:
        entities += np.bincount(
            products.entities.study.parent[products.entities.pooled], minlength=products.studies
        )
    df = np.maximum(products.runs - q - np.minimum(entities, 0.5 * products.runs), 1.0)
    rss = products.within[:, :, -1, -1]
    total = rss.sum(axis=1) / df.sum()
    total = np.where(total > 1e-12, total, 0.1)
    own = np.where(rss > 1e-3 * total[:, None] * df, rss / df, total[:, None])
    return np.asarray(own)


def _start_at(task: Task, ratios: tuple[float, ...], guess: FloatArray | None) -> FloatArray:
    """Free parameters from one ratio to the residual SD for the matrix and each level."""
    shape, m = task.shape, task.products.sets
    pairs = shape.pairs
    h = np.zeros((m, task.mapping.free))
    unit = np.ones(m) if guess is None else np.sqrt(guess.mean(axis=1))
    for k, (i, j) in enumerate(pairs):
        if i == j:
            h[:, k] = ratios[0] * unit
    at = len(pairs)
    if shape.crossed:
        h[:, at] = ratios[-1] * unit
        at += 1
    for k in range(len(shape.levels)):
        h[:, at] = ratios[min(1 + k, len(ratios) - 1)] * unit
        at += 1
    if guess is not None and shape.residuals:
        if shape.residual == "per-study":
            h[:, at:] = np.sqrt(guess)
        else:
            h[:, at] = unit
    return h


def _choose_starts(task: Task) -> list[FloatArray]:
    """Evaluate a fixed grid of ratios and keep the best one, or three if that is cheap."""
    shape, products = task.shape, task.products
    groups = 1 + len(shape.levels) + (1 if shape.crossed else 0)
    if not shape.pairs and groups > 1:
        groups_varied = [(0.0, *r) for r in product((0.2, 2.5), repeat=groups - 1)]
        grid = [(0.0, *([c] * (groups - 1))) for c in START_RATIOS] + groups_varied
    else:
        grid = [tuple([c] * groups) for c in START_RATIOS]
        if groups > 1:
            grid += [r for r in product((0.2, 2.5), repeat=groups) if len(set(r)) > 1]
    guess = None if task.profiled else _residual_guess(products)
    starts = [_start_at(task, r, guess) for r in grid]
    values = np.stack([_safe_value(task, h) for h in starts])
    m = products.sets
    work = (products.studies + products.entities.size.size) * (products.varying + 1)
    keep = 3 if work <= SMALL_PROBLEM else 1
    ranked = np.argsort(values, axis=0, kind="stable")
    table = np.stack(starts)
    return [table[ranked[k], np.arange(m)] for k in range(min(keep, len(starts)))]


def _safe_value(task: Task, h: FloatArray, sets: IntArray | None = None) -> FloatArray:
    """Criterion at h; infinite where it cannot be computed."""
    with np.errstate(all="ignore"):
        try:
            value = task.evaluate(h, order=0, sets=sets).value
        except np.linalg.LinAlgError:
            # One data set of many may be at fault: ask one by one.
            if h.shape[0] == 1:
                return np.array([np.inf])
            which = np.arange(h.shape[0]) if sets is None else sets
            return np.concatenate(
                [_safe_value(task, h[i : i + 1], which[i : i + 1]) for i in range(h.shape[0])]
            )
    return np.where(np.isfinite(value), value, np.inf)


def _newton_step(
    gradient: FloatArray, hessian: FloatArray, h: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Step, Newton decrement and relative smallest curvature; descends from saddles."""
    values, vectors = np.linalg.eigh(hessian)
    largest = np.abs(values).max(axis=1)
    floor = np.maximum(1e-10 * largest, 1e-300)
    size = np.maximum(np.abs(values), floor[:, None])
    along = np.einsum("mij,mi->mj", vectors, gradient)
    step = -np.einsum("mij,mj->mi", vectors, along / size)
    decrement = (along**2 / size).sum(axis=1)
    curvature = values[:, 0] / np.where(largest > 0, largest, 1.0)
    # At a saddle the gradient may vanish along the way down: push off.
    push = (curvature < -SADDLE) & (np.abs(along[:, 0]) < 1e-6 * np.sqrt(largest))
    if push.any():
        size_of = 0.1 * (np.abs(h).max(axis=1) + 0.1)
        sign = np.where(along[:, 0] > 0, -1.0, 1.0)
        step = np.where(push[:, None], step + (sign * size_of)[:, None] * vectors[:, :, 0], step)
        decrement = np.where(push, np.maximum(decrement, 10 * SETTLED_DECREMENT), decrement)
    cap = 2.0 * (np.sqrt((h**2).sum(axis=1)) + 0.3)
    length = np.sqrt((step**2).sum(axis=1))
    shrink = np.minimum(1.0, cap / np.where(length > 0, length, 1.0))
    return step * shrink[:, None], decrement, curvature


def _descend(task: Task, start: FloatArray) -> tuple[FloatArray, FloatArray, int]:
    """Newton with halving from one start, every data set until its decrement is small."""
    m = start.shape[0]
    h = start.copy()
    value = np.full(m, np.inf)
    active = np.arange(m)
    local = task
    used = 0
    for _ in range(MOST_STEPS):
        used += 1
        c, gradient, hessian = local.derivatives(h[active])
        now = np.where(np.isfinite(c.value), c.value, np.inf)
        value[active] = now
        good = np.isfinite(now) & np.isfinite(gradient).all(axis=1)
        good &= np.isfinite(hessian).all(axis=(1, 2))
        gradient = np.where(good[:, None], gradient, 0.0)
        hessian = np.where(good[:, None, None], hessian, np.eye(h.shape[1]))
        step, decrement, _ = _newton_step(gradient, hessian, h[active])
        moved, better = _halve(local, h[active], now, step, decrement)
        go_on = good & (decrement > SETTLED_DECREMENT) & better
        h[active] = np.where(go_on[:, None], moved, h[active])
        if not go_on.any():
            break
        if not go_on.all():
            active = active[go_on]
            local = Task(
                products=local.products.pick(np.flatnonzero(go_on)),
                shape=task.shape,
                mapping=_pick_map(local.mapping, np.flatnonzero(go_on)),
                restricted=task.restricted,
                profiled=task.profiled,
            )
    return h, value, used


def _halve(
    task: Task, h: FloatArray, value: FloatArray, step: FloatArray, decrement: FloatArray
) -> tuple[FloatArray, BoolArray]:
    """Shorten the step until the criterion falls enough."""
    m = h.shape[0]
    best = h.copy()
    done = decrement <= SETTLED_DECREMENT
    waiting = np.flatnonzero(~done)
    found = np.zeros(m, dtype=bool)
    t = 1.0
    for _ in range(MOST_HALVINGS):
        if waiting.size == 0:
            break
        trial = h[waiting] + t * step[waiting]
        sets = None if waiting.size == m else waiting
        new = _safe_value(task, trial, sets)
        slack = ROUNDING * (np.abs(value[waiting]) + 1.0)
        enough = new <= value[waiting] - 1e-4 * t * decrement[waiting] + slack
        best[waiting[enough]] = trial[enough]
        found[waiting[enough]] = True
        waiting = waiting[~enough]
        t *= 0.5 if t > 1e-3 else 0.1
    return best, found


def _polish(task: Task, h: FloatArray) -> FloatArray:
    """Newton steps below what differences of the criterion can see; each must shrink."""
    c, gradient, hessian = task.derivatives(h)
    for _ in range(4):
        ok = np.isfinite(c.value) & np.isfinite(hessian).all(axis=(1, 2))
        gradient = np.where(ok[:, None], gradient, 0.0)
        hessian = np.where(ok[:, None, None], hessian, np.eye(h.shape[1]))
        step, decrement, curvature = _newton_step(gradient, hessian, h)
        take = ok & (decrement > 1e-26) & (decrement < 1e-2) & (curvature > -SADDLE)
        if not take.any():
            break
        trial = np.where(take[:, None], h + step, h)
        if not np.isfinite(_safe_value(task, trial)[take]).all():
            break
        _, gradient2, hessian2 = task.derivatives(trial)
        finite = np.asarray(
            np.isfinite(gradient2).all(axis=1) & np.isfinite(hessian2).all(axis=(1, 2))
        )
        gradient2 = np.where(finite[:, None], gradient2, 1.0)
        hessian2 = np.where(finite[:, None, None], hessian2, np.eye(h.shape[1]))
        _, decrement2, _ = _newton_step(gradient2, hessian2, trial)
        better = take & finite & (decrement2 < 0.25 * decrement)
        if not better.any():
            break
        h = np.where(better[:, None], trial, h)
        gradient = np.where(better[:, None], gradient2, gradient)
        hessian = np.where(better[:, None, None], hessian2, hessian)
    return h


def _try_zero(task: Task, h: FloatArray) -> FloatArray:
    """Put variances that have all but vanished exactly at zero, if that is no worse."""
    shape = task.shape
    n_pairs = len(shape.pairs)
    value = _safe_value(task, h)
    residual = h[:, -shape.residuals :] if not task.profiled and shape.residuals else None
    unit = np.ones(h.shape[0]) if residual is None else np.abs(residual).max(axis=1)
    unit = np.where(unit > 0, unit, 1.0)
    last_kept = h.shape[1] - (0 if residual is None else shape.residuals)
    singles = list(range(n_pairs, last_kept))
    if not shape.correlated or shape.varying == 1:
        singles = list(range(last_kept))
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
    task: Task, h: FloatArray, value: FloatArray, trial: FloatArray, near: BoolArray
) -> tuple[FloatArray, FloatArray]:
    new = _safe_value(task, trial)
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
    c, gradient, hessian = task.derivatives(h)
    finite = np.isfinite(c.value) & np.isfinite(hessian).all(axis=(1, 2))
    finite &= np.isfinite(gradient).all(axis=1)
    gradient = np.where(finite[:, None], gradient, 0.0)
    hessian = np.where(finite[:, None, None], hessian, np.eye(h.shape[1]))
    _, decrement, curvature = _newton_step(gradient, hessian, h)
    return Optimum(
        free=h,
        variances=task.mapping.at(h),
        criterion=c,
        settled=finite & (decrement < CERTIFIED_DECREMENT) & (curvature > -10 * SADDLE),
        decrement=decrement,
        curvature=curvature,
        steps=steps,
    )
