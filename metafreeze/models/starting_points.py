"""Where a search for variances starts: a fixed list, best first. Nothing is random."""

from __future__ import annotations

from itertools import product

import numpy as np

from metafreeze.models.row_columns import semidefinite_factor
from metafreeze.models.search_task import Task, repeat_task, residual_guess, safe_value
from metafreeze.results import FloatArray

START_RATIOS = (0.03, 0.2, 0.7, 2.5, 10.0, 100.0, 3000.0)
LARGE_RATIOS = (0.1, 0.7, 5.0)
STARTS_IF_SMALL = 3
# With given variances beside the estimated one there are more valleys.
STARTS_IF_MIXED = 6
RESIDUAL_SHARES = (1.0, 0.15)
# Entities and studies up to which several starts are followed to their end.
SMALL_PROBLEM = 3000
# Up to so many data sets, calls cost more than numbers.
SETS_SIDE_BY_SIDE = 20


def _start_at(
    task: Task, ratios: tuple[float, ...], guess: FloatArray | None, share: float = 1.0
) -> FloatArray:
    """Free parameters from ratios to the residual SD, of which only a share is left to it."""
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
            h[:, at:] = share * np.sqrt(guess)
        else:
            h[:, at] = share * unit
    return h


def choose_starts(task: Task) -> list[FloatArray]:
    """Evaluate a fixed list of starts and keep the best one, or three if that is cheap.

    The list holds ratios of all spreads to the residual one, ratios that differ between
    the matrix and the nested levels, and the spread of the studies' own coefficients.
    """
    shape, products = task.shape, task.products
    groups = 1 + len(shape.levels) + (1 if shape.crossed else 0)
    work = (products.studies + products.entities.size.size) * (products.varying + 1)
    small = work <= SMALL_PROBLEM
    ratios = START_RATIOS if small else LARGE_RATIOS
    grid = [tuple([c] * groups) for c in ratios]
    if groups > 1 and small:
        first = (0.2, 2.5) if shape.pairs else (0.0,)
        rest = product((0.2, 2.5), repeat=groups - 1)
        grid += [(f, *r) for r in rest for f in first if len({f, *r}) > 1]
    guess = None if task.profiled else residual_guess(products)
    shares = (1.0,) if guess is None or not shape.residuals else RESIDUAL_SHARES
    starts = [_start_at(task, r, guess, share) for share in shares for r in grid]
    starts += _moment_starts(task, starts[len(ratios) // 2], guess)
    m = products.sets
    if small and m <= SETS_SIDE_BY_SIDE:
        values = safe_value(repeat_task(task, len(starts)), np.concatenate(starts))
        values = values.reshape(len(starts), m)
    else:
        values = np.stack([safe_value(task, h) for h in starts])
    ranked = np.argsort(values, axis=0, kind="stable")
    table = np.stack(starts)
    keep = (STARTS_IF_SMALL if task.profiled else STARTS_IF_MIXED) if small else 1
    return [table[ranked[k], np.arange(m)] for k in range(min(keep, len(starts)))]


def _moment_starts(task: Task, at: FloatArray, guess: FloatArray | None) -> list[FloatArray]:
    """Spread of the studies' own coefficients, less what their sampling error explains."""
    shape, products = task.shape, task.products
    q = shape.varying
    if q == 0 or products.crossed:
        return []
    gram = products.within[0, :, :q, :q]
    if products.levels:
        totals = products.entities.study.total(
            products.entities.size[None, :, None, None]
            * products.means[:1, :, :q, None]
            * products.means[:1, :, None, :q]
        )
        gram = gram + totals[0]
    factor = semidefinite_factor(gram)
    full = (np.diagonal(factor, axis1=1, axis2=2) > 0).all(axis=1)
    if full.sum() < 2:
        return []
    with np.errstate(all="ignore"):
        try:
            beta = task.evaluate(at, order=0).beta
            error = np.linalg.inv(gram[full]).mean(axis=0)
        except np.linalg.LinAlgError:
            return []
    own = products.own[:, full]
    away = own[..., -1] - np.einsum("msqp,mp->msq", own[..., :-1], beta)
    spread = np.einsum("msq,msr->mqr", away, away) / full.sum()
    scale = (residual_guess(products) if guess is None else guess).mean(axis=1)
    matrix = spread - scale[:, None, None] * error
    if guess is None:
        matrix = matrix / scale[:, None, None]
    if not np.isfinite(matrix).all():
        return []
    values, vectors = np.linalg.eigh(matrix)
    floor = 1e-3 * np.maximum(values[:, -1:], 1e-3)
    matrix = (vectors * np.maximum(values, floor)[:, None, :]) @ np.swapaxes(vectors, 1, 2)
    left = semidefinite_factor(matrix)
    starts = []
    for c in (0.3, 1.5) if shape.levels else (0.3,):
        h = _start_at(task, tuple([c] * (1 + len(shape.levels))), guess)
        for k, (i, j) in enumerate(shape.pairs):
            h[:, k] = left[:, i, j] if shape.correlated else np.sqrt(matrix[:, i, j])
        starts.append(h)
    return starts
