"""How many integration nodes each study needs in each dimension."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from metafreeze.models.marginal_likelihood import evaluate
from metafreeze.models.study_peaks import Modes, no_modes
from metafreeze.results import FloatArray, IntArray

if TYPE_CHECKING:
    from metafreeze.models.unseen_fit import Standardised

# Gauss-Hermite nodes in a dimension. Three are exact where everything was seen exactly.
LADDER = (3, 5, 8, 12, 18, 27, 40, 60, 90, 135)
# Most rows times nodes of all studies, and more for each row.
MOST_ELEMENTS = 200_000
MOST_FOR_A_ROW = 100
# The same for all parameter vectors that are followed side by side for limits.
LIGHT_ELEMENTS = 200_000
LIGHT_FOR_A_ROW = 100
# Limits may move the criterion by so much: 1e-4 of the rise that they stand at, some 1e-4
# standard errors.
LIGHT_CHANGE = 5e-4
# Evaluating a further group of studies costs as much as so many rows times nodes.
PIECE = 10_000


class NodePlan(NamedTuple):
    """Nodes (S, D) that are enough, those enough for limits, and what error is left.

    The error is the change of the criterion at the last rise of every study's nodes.
    """

    nodes: IntArray
    light: IntArray
    error: float


def enough_nodes(
    scaled: Standardised,
    theta: FloatArray,
    nodes: IntArray,
    accuracy: float,
    *,
    most: float | None = None,
) -> NodePlan:
    """Climb the ladder of node counts, each study and dimension until the criterion rests.

    Parameters
    ----------
    scaled : Standardised
        The problem.
    theta : array, shape (T,)
        Where to look.
    nodes : array of int, shape (S, D)
        Where to start; none is taken away.
    accuracy : float
        Allowed change, as a share of the criterion.
    most : float, optional
        Bound on rows times nodes of all studies.

    Returns
    -------
    NodePlan
    """
    design = scaled.design
    studies, dimensions = nodes.shape
    ladder = np.array(LADDER)
    top = len(LADDER) - 1
    if most is None:
        most = MOST_ELEMENTS + MOST_FOR_A_ROW * len(design.x)
    rung = np.searchsorted(ladder, nodes)
    light = np.full_like(rung, -1)
    change = np.full((studies, dimensions), np.inf)
    moving = np.arange(studies)
    modes = no_modes(design, 1)
    criterion = 0.0
    for _ in range(len(LADDER) * dimensions):
        base = _shares(scaled, theta, moving, ladder[rung[moving]], modes)
        if len(moving) == studies:
            criterion = abs(2.0 * float(base.sum()) + scaled.shift)
        allowed = accuracy * max(1.0, criterion) / (studies * dimensions)
        for d in range(dimensions):
            higher = rung[moving].copy()
            higher[:, d] = np.minimum(higher[:, d] + 1, top)
            found = _shares(scaled, theta, moving, ladder[higher], modes)
            change[moving, d] = 2.0 * (found - base)
        rests = np.abs(change) <= LIGHT_CHANGE / (studies * dimensions)
        light = np.where((light < 0) & rests, rung, light)
        wanted = rung.copy()
        wanted[moving] = np.minimum(rung + (np.abs(change) > allowed), top)[moving]
        # The worst studies first, as long as the work stays within bounds.
        order = moving[np.argsort(-np.abs(change[moving]).sum(axis=1), kind="stable")]
        work = design.rows_in_study * ladder[rung].prod(axis=1).astype(float)
        more = design.rows_in_study * ladder[wanted].prod(axis=1).astype(float) - work
        fits = work.sum() + np.cumsum(more[order]) <= most
        raised = order[fits & (more[order] > 0.0)]
        rung[raised] = wanted[raised]
        moving = np.sort(raised)
        if not len(moving):
            break
    light = np.where(light < 0, rung, light)
    rows = design.rows_in_study
    error = float(np.abs(change.sum(axis=1)).sum())
    return NodePlan(_few_pieces(ladder[rung], rows), _few_pieces(ladder[light], rows), error)


def _few_pieces(nodes: IntArray, rows: IntArray) -> IntArray:
    """Give studies the nodes of others where that saves more pieces than it adds work."""
    kinds, member = np.unique(nodes, axis=0, return_inverse=True)
    member = member.ravel()
    kinds = kinds.copy()
    alive = list(range(len(kinds)))
    size = np.bincount(member, weights=rows, minlength=len(kinds))

    def saved(a: int, b: int) -> float:
        both = float(np.maximum(kinds[a], kinds[b]).prod()) * (size[a] + size[b])
        apart = float(kinds[a].prod()) * size[a] + float(kinds[b].prod()) * size[b]
        return float(PIECE + apart - both)

    while len(alive) > 1:
        gain, a, b = max((saved(a, b), a, b) for i, a in enumerate(alive) for b in alive[:i])
        if gain <= 0.0:
            break
        kinds[a] = np.maximum(kinds[a], kinds[b])
        size[a] += size[b]
        member[member == b] = a
        alive.remove(b)
    return np.asarray(kinds[member])


def _shares(
    scaled: Standardised, theta: FloatArray, studies: IntArray, nodes: IntArray, modes: Modes
) -> FloatArray:
    """Shares of some studies in minus the log likelihood; their modes are kept for the next."""
    part = scaled.design.part(studies, ())
    times = scaled.times.pick(part.rows, slice(None))
    start = Modes(modes.z[part.studies], modes.v[part.batches])
    found = evaluate(part.design, times, theta[None], nodes, start, derivatives=False)
    modes.z[part.studies] = np.nan_to_num(found.modes.z)
    modes.v[part.batches] = np.nan_to_num(found.modes.v)
    return np.asarray(found.by_study[:, 0])
