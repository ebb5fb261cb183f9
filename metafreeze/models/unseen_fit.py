"""From checked rows to the best fit: standardising, starting, fitting, refining the nodes."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import product

import numpy as np

from metafreeze.models import censored_likelihood as rows_of
from metafreeze.models.grouped_rows import Design, Times, unpack_theta
from metafreeze.models.lockstep import Minimum, Problem, minimise
from metafreeze.models.marginal_likelihood import CHUNK
from metafreeze.models.node_counts import (
    LADDER,
    LIGHT_ELEMENTS,
    LIGHT_FOR_A_ROW,
    enough_nodes,
)
from metafreeze.models.separation import Escape, find_escape
from metafreeze.models.unseen_input import UnseenRows
from metafreeze.results import FloatArray, IntArray

# Columns whose part outside the others is below this share of their size are aliased.
ALIASED = 1e-9

# A spread of log times below this, relative to their size, is rounding.
NO_SPREAD = 1e-10

# A fit without random parts is proven finite, the likelihood being concave, when no direction
# is this much flatter than the steepest and than one unit a row; otherwise the linear
# programme decides.
FLAT_SHARE = 1e-4

# Fits with more nodes before the remaining error is only reported.
REFINEMENTS = 3

# Half the squared step, in standard errors, at which a search with few nodes is near enough,
# and the move in standardised units after which the nodes are counted again.
ROUGH_GOAL = 1e-3
ROUGH_STEPS = 40
SAME_PLACE = 0.1
# Of the starting points so many are followed to their end.
FOLLOWED = 2

# A random part below this many residual spreads is tried at exactly zero.
NEARLY_ZERO = 0.02
# Zero is kept when the criterion rises by less than this share: rounding of its sum.
EQUAL_CRITERION = 1e-10

# The spread stands at the edge when the search drove its log this far below the start.
EDGE_LOG_SPREAD = -9.0

# Shares of the variance given to studies and batches where the search starts.
START_SHARES = (0.05, 0.3, 0.75)


@dataclass(frozen=True, slots=True, kw_only=True)
class Standardised:
    """The problem in units in which every parameter is about one.

    Attributes
    ----------
    design, times
        What `evaluate` takes; identical rows stand once.
    row_design
        The design with a row for each row, for other times.
    start : array, shape (p,)
        Least-squares coefficients taken off before scaling.
    back : array, shape (p, P)
        beta = start + unit * back @ theta[:P].
    unit : float
        Log time of one standardised unit.
    varying_back : array, shape (q, q)
        b = unit * varying_back @ (Lambda z).
    free : array of int
        Parameters that are estimated.
    first_log_sigma : float
        Where log sigma starts, or stays.
    shift : float
        Add to twice minus the log likelihood to return to log time.
    """

    design: Design
    times: Times
    row_design: Design
    start: FloatArray
    back: FloatArray
    unit: float
    varying_back: FloatArray
    free: IntArray
    first_log_sigma: float
    shift: float


@dataclass(slots=True)
class Fitted:
    """The best fit in standardised units.

    Attributes
    ----------
    theta, value, hessian
        Parameters, minus log likelihood, and its Hessian.
    zero : array of int
        Parameters that stand exactly at zero.
    nodes : array of int, shape (S, D)
        Gauss-Hermite nodes of each study in each dimension.
    light : array of int, shape (S, D), or None
        Nodes that are enough for limits.
    quadrature_error : float
        Change of the criterion at the last rise of the nodes.
    arrived : bool
        Whether the search ended at a minimum.
    """

    theta: FloatArray
    value: float
    hessian: FloatArray
    zero: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    nodes: IntArray = field(default_factory=lambda: np.zeros((1, 0), dtype=np.int64))
    light: IntArray | None = None
    quadrature_error: float = 0.0
    arrived: bool = True


def imputed_times(rows: UnseenRows) -> FloatArray:
    """Put a number where there is none, for starting values: the middle or the one bound."""
    low = np.where(np.isfinite(rows.lower), rows.lower, rows.upper)
    high = np.where(np.isfinite(rows.upper), rows.upper, low)
    return 0.5 * (low + high)


def aliased_columns(x: FloatArray) -> list[int]:
    """List the columns that the columns before them already give."""
    size = np.sqrt((x * x).mean(axis=0))
    out = [int(j) for j in np.flatnonzero(size == 0.0)]
    basis = np.zeros((len(x), 0))
    for j in np.flatnonzero(size > 0.0):
        column = x[:, j] / size[j]
        # Twice, since one projection leaves rounding of the first.
        rest = column - basis @ (basis.T @ column)
        rest = rest - basis @ (basis.T @ rest)
        if np.sqrt((rest * rest).mean()) < ALIASED:
            out.append(int(j))
        else:
            basis = np.column_stack([basis, rest / np.linalg.norm(rest)])
    return sorted(out)


def standardise(
    rows: UnseenRows, *, family: str, correlated: bool, fixed_scale: float | None
) -> Standardised:
    """Bring rows to standardised units.

    Parameters
    ----------
    rows : UnseenRows
        At least one row.
    family : str
        "log-normal" or "weibull".
    correlated : bool
        Whether varying coefficients may be correlated.
    fixed_scale : float or None
        Value of sigma where it is not estimated.

    Returns
    -------
    Standardised
    """
    n = len(rows.x)
    y = imputed_times(rows)
    weight = np.sqrt(rows.count)[:, None]
    size = np.sqrt((rows.x * rows.x).mean(axis=0))
    size[size == 0.0] = 1.0
    left, s, right = np.linalg.svd(rows.x / size, full_matrices=False)
    rank = int((s > ALIASED * s[0]).sum()) if s.size else 0
    x = left[:, :rank] * np.sqrt(n)
    back = (right[:rank].T / s[:rank] * np.sqrt(n)) / size[:, None]
    slope = np.linalg.lstsq(x * weight, y * weight[:, 0], rcond=None)[0]
    rest = y - x @ slope
    squares = (rows.count * rest**2).sum() + ((rows.count - 1.0) * rows.spread**2).sum()
    unit = float(np.sqrt(squares / rows.count.sum()))
    width = np.where(rows.kind == rows_of.INTERVAL, rows.upper - rows.lower, 0.0)
    unit = max(unit, 0.3 * float(np.median(width)))
    # Bounds that all agree leave rounding, which must not be blown up to one unit.
    unit = unit if unit > NO_SPREAD * max(1.0, float(np.abs(y).max())) else 1.0

    with_batch = bool(rows.member.any())
    # A batch without a study above it is the only level, and so the outer one.
    outer_is_batch = with_batch and not rows.z.shape[1]
    z, varying_back = _standard_varying(rows, correlated)
    member = rows.member.astype(float) if with_batch else np.zeros(0)
    study, batch = rows.study, rows.batch
    if outer_is_batch:
        z, varying_back = member[:, None], np.eye(1)
        study, member = rows.batch, np.zeros(0)
    if not member.size:
        batch = study
    q = z.shape[1]
    pairs = [(k, m) for k in range(q) for m in range(k + 1) if correlated or k == m]
    batch_start = _starts(batch)
    centre = (rows.x @ (back @ slope))[:, None]
    lower = (rows.lower[:, None] - centre) / unit
    upper = np.where(rows.kind[:, None] == rows_of.EXACT, lower, 0.0)
    bounded = rows.kind != rows_of.EXACT
    upper[bounded] = (rows.upper[bounded, None] - centre[bounded]) / unit
    is_known = np.isfinite(rows.known)
    exact_runs = float(rows.count[rows.kind == rows_of.EXACT].sum())
    design = Design(
        family=family,
        x=x,
        z=z,
        pairs=pairs,
        member=member,
        batch_start=batch_start,
        study_start=_starts(study[batch_start[:-1]]),
        share=np.where(is_known, 0.0, 1.0 / rows.count),
        added=(np.where(is_known, rows.known, 0.0) + rows.added) / unit**2,
        beyond=rows.count - 1.0,
        times_over=np.ones(n),
    )
    free = np.arange(design.parameter_count)
    held = fixed_scale is not None or bool(is_known.all())
    if held:
        free = np.delete(free, rank)
    times = Times(lower, upper, rows.kind[:, None], np.zeros(1))
    own_squares = ((rows.count - 1.0) * (rows.spread / unit) ** 2).sum()
    merged, first = _merge_identical(design, times)
    return Standardised(
        design=merged,
        times=times.pick(first, slice(None))._replace(squares=np.array([own_squares])),
        row_design=design,
        start=back @ slope,
        back=back,
        unit=unit,
        varying_back=varying_back,
        free=free,
        first_log_sigma=float(np.log(fixed_scale / unit)) if fixed_scale is not None else 0.0,
        shift=2.0 * exact_runs * float(np.log(unit)),
    )


def _merge_identical(design: Design, times: Times) -> tuple[Design, IntArray]:
    """Let neighbours that are alike stand as one row; give the places that stay.

    Times looked at now and then repeat, and the cost goes with the rows that differ.
    """
    parts = [design.x, design.z, times.lower, times.upper, design.share[:, None]]
    parts += [design.added[:, None], design.beyond[:, None]]
    parts.append(design.batch_of_row[:, None].astype(float))
    if design.has_batch:
        parts.append(design.member[:, None])
    table = np.hstack(parts)
    new = np.ones(len(table), dtype=bool)
    new[1:] = (table[1:] != table[:-1]).any(axis=1) | (design.beyond[1:] > 0.0)
    first = np.flatnonzero(new)
    merged = Design(
        family=design.family,
        x=design.x[first],
        z=design.z[first],
        pairs=design.pairs,
        member=design.member[first] if design.has_batch else design.member,
        batch_start=np.searchsorted(first, design.batch_start),
        study_start=design.study_start,
        share=design.share[first],
        added=design.added[first],
        beyond=design.beyond[first],
        times_over=np.diff(np.append(first, len(table))).astype(float),
    )
    return merged, first


def _standard_varying(rows: UnseenRows, correlated: bool) -> tuple[FloatArray, FloatArray]:
    z = rows.z
    q = z.shape[1]
    if not q:
        return z, np.zeros((0, 0))
    n = len(z)
    if not correlated:
        size = np.sqrt((z * z).mean(axis=0))
        size[size == 0.0] = 1.0
        return z / size, np.diag(1.0 / size)
    unitary, r = np.linalg.qr(z)
    if len(unitary[0]) < q or np.any(np.abs(np.diag(r)) == 0.0):
        return z, np.eye(q)
    return unitary * np.sqrt(n), np.linalg.solve(r, np.eye(q)) * np.sqrt(n)


def _starts(codes: IntArray) -> IntArray:
    edges = np.flatnonzero(np.diff(codes)) + 1
    return np.concatenate([[0], edges, [len(codes)]]).astype(np.int64)


def without_random_parts(design: Design) -> Design:
    """Give the same rows with no random part at all."""
    n = len(design.x)
    return Design(
        family=design.family,
        x=design.x,
        z=np.zeros((n, 0)),
        pairs=[],
        member=np.zeros(0),
        batch_start=np.array([0, n]),
        study_start=np.array([0, 1]),
        share=design.share,
        added=design.added,
        beyond=design.beyond,
        times_over=design.times_over,
    )


def fit_fixed_parts(scaled: Standardised) -> tuple[Fitted, Escape]:
    """Fit without random parts, and say whether that fit is finite.

    Returns
    -------
    Fitted
        The fit; meaningless where an escape was found.
    Escape
        Directions in which the likelihood keeps rising.
    """
    design = without_random_parts(scaled.design)
    p = design.x.shape[1]
    theta = np.zeros((1, p + 1))
    theta[0, p] = scaled.first_log_sigma
    free = scaled.free[scaled.free <= p]
    best = minimise(
        Problem(design, scaled.times, 1, np.zeros((1, 0), dtype=np.int64)),
        theta,
        np.eye(p + 1)[:, free],
    )
    fitted = Fitted(best.theta[0], float(best.value[0]), best.hessian[0])
    fitted.arrived = bool(best.arrived[0])
    nothing = np.zeros(len(scaled.back), dtype=bool)
    rows = int(design.times_over.sum())
    no_escape = Escape(False, np.zeros(rows, dtype=bool), nothing, nothing)
    if fitted.arrived and best.theta[0, p] > EDGE_LOG_SPREAD:
        curve = np.linalg.eigvalsh(fitted.hessian[np.ix_(free, free)])
        if curve[0] > FLAT_SHARE * max(curve[-1], design.times_over.sum()):
            return fitted, no_escape
    summary = bool(scaled.times.squares[0] > 0.0)
    # A row whose variance is known or added to bounds the likelihood however small sigma is,
    # and a summary with a spread fixes sigma away from zero.
    bounded = design.share * (design.added == 0.0) > 0.0
    escape = find_escape(
        design.x,
        scaled.times.lower[:, 0],
        scaled.times.upper[:, 0],
        scaled.times.kind[:, 0],
        scaled.back,
        spread_is_free=p in free and not summary and bool(bounded.all()),
    )
    # A row that stands for several speaks for all of them.
    over = design.times_over.astype(np.int64)
    return fitted, escape._replace(rows=np.repeat(escape.rows, over))


def fit_all_parts(scaled: Standardised, fixed: Fitted, *, accuracy: float) -> Fitted:
    """Fit with random parts, from the fit without, refining nodes until the criterion rests.

    Parameters
    ----------
    scaled : Standardised
        The problem.
    fixed : Fitted
        Fit without random parts.
    accuracy : float
        Nodes of a study are raised while that moves the criterion by more than this share.

    Returns
    -------
    Fitted
    """
    design = scaled.design
    if design.dimensions == 0:
        return fixed
    studies = design.sizes[1]
    basis = np.eye(design.parameter_count)[:, scaled.free]
    normal = design.family == "log-normal" and bool(np.all(scaled.times.kind == rows_of.EXACT))
    rough = np.full((studies, design.dimensions), LADDER[0])
    starts = starting_points(scaled, fixed.theta)
    problem = Problem(design, scaled.times, len(starts), rough)
    values = problem.at(starts, np.arange(len(starts)), derivatives=False).value
    large = len(design.x) * rough[0].prod() > CHUNK
    order = np.argsort(np.where(np.isfinite(values), values, np.inf), kind="stable")
    starts = starts[order[: 1 if large else FOLLOWED]]
    problem = Problem(design, scaled.times, len(starts), rough)
    if normal:
        ends = minimise(problem, starts, basis, goal=ROUGH_GOAL)
        return _polish(scaled, _best_of(ends), rough)
    # With so few nodes a rough place is enough to see how many more are needed.
    ends = minimise(problem, starts, basis, steps=ROUGH_STEPS, goal=ROUGH_GOAL)
    theta, nodes = _best_of(ends), rough
    light: IntArray | None = None
    for _ in range(REFINEMENTS):
        plan = enough_nodes(scaled, theta, nodes, accuracy)
        light = plan.light if light is None else light
        fitted = _polish(scaled, theta, plan.nodes)
        fitted.light, fitted.quadrature_error = light, plan.error
        moved = float(np.abs(fitted.theta - theta).max())
        theta, nodes = fitted.theta, plan.nodes
        if moved < SAME_PLACE:
            break
    if fitted.arrived:
        return fitted
    # A search that stuck where few nodes are poor may find its way from elsewhere.
    everywhere = starting_points(scaled, fixed.theta)
    again = Problem(design, scaled.times, len(everywhere), fitted.nodes)
    ends = minimise(again, everywhere, basis, steps=ROUGH_STEPS)
    if not ends.arrived.any():
        return fitted
    values = np.where(ends.arrived, ends.value, np.inf)
    found = _polish(scaled, ends.theta[int(np.argmin(values))], fitted.nodes)
    found.light, found.quadrature_error = fitted.light, fitted.quadrature_error
    return found if found.arrived else fitted


def _best_of(ends: Minimum) -> FloatArray:
    best: FloatArray = ends.theta[
        int(np.argmin(np.where(np.isfinite(ends.value), ends.value, np.inf)))
    ]
    return best


def lighter_fit(scaled: Standardised, fitted: Fitted, copies: int) -> Fitted:
    """Settle with fewer nodes for limits, which need not be as exact as the criterion.

    Parameters
    ----------
    scaled, fitted
        The problem and its fit.
    copies : int
        How many parameter vectors will be followed side by side.

    Returns
    -------
    Fitted
        `fitted` itself where little would be saved.
    """
    design = scaled.design
    if not design.dimensions or fitted.light is None:
        return fitted
    nodes = fitted.light
    work, full = (design.rows_in_study @ n.prod(axis=1) for n in (nodes, fitted.nodes))
    most = (LIGHT_ELEMENTS + LIGHT_FOR_A_ROW * len(design.x)) / copies
    if work > most:
        fewest = np.full_like(nodes, LADDER[0])
        nodes = enough_nodes(scaled, fitted.theta, fewest, 0.0, most=most).nodes
    elif 2 * work > full:
        return fitted
    free = np.setdiff1d(scaled.free, fitted.zero)
    best = minimise(
        Problem(design, scaled.times, 1, nodes),
        fitted.theta[None],
        np.eye(design.parameter_count)[:, free],
    )
    light = _as_fitted(best, nodes, fitted.zero)
    return light if light.arrived else fitted


def starting_points(scaled: Standardised, fixed: FloatArray) -> FloatArray:
    """Shares of the variance of the fit without random parts, studies by batches."""
    design = scaled.design
    p = design.x.shape[1]
    levels = int(design.z.shape[1] > 0) + int(design.has_batch)
    sigma = float(np.exp(fixed[p]))
    if p not in scaled.free and not np.any(design.share > 0.0):
        sigma = float(np.sqrt(design.added.mean()))
    points = []
    for shares in product(START_SHARES, repeat=levels):
        if sum(shares) >= 0.9:
            continue
        theta = np.zeros(design.parameter_count)
        theta[: p + 1] = fixed[: p + 1]
        if p in scaled.free:
            theta[p] += 0.5 * np.log(1.0 - sum(shares))
        left = list(shares)
        if design.z.shape[1]:
            share = left.pop(0)
            for i, (k, m) in enumerate(design.pairs):
                if k == m:
                    theta[p + 1 + i] = sigma * np.sqrt(share)
        if design.has_batch:
            theta[-1] = sigma * np.sqrt(left.pop(0))
        points.append(theta)
    return np.array(points)


def _polish(scaled: Standardised, theta: FloatArray, nodes: IntArray) -> Fitted:
    """Settle at these nodes, and put random parts that are nearly zero exactly there."""
    design = scaled.design
    problem = Problem(design, scaled.times, 1, nodes)
    basis = np.eye(design.parameter_count)[:, scaled.free]
    best = minimise(problem, theta[None], basis)
    fitted = _as_fitted(best, nodes, np.zeros(0, dtype=np.int64))
    for zero, start in _zero_candidates(scaled, fitted.theta):
        free = np.setdiff1d(scaled.free, zero)
        held = minimise(problem, start[None], np.eye(design.parameter_count)[:, free])
        slack = EQUAL_CRITERION * (1.0 + abs(fitted.value))
        if not held.arrived[0] or held.value[0] > fitted.value + slack:
            continue
        # At zero the slope vanishes by symmetry; a downward curvature would mean that the
        # part wants to grow, so zero stands only where there is none.
        block = held.hessian[0][np.ix_(zero, zero)]
        largest = np.abs(held.hessian[0]).max()
        if np.linalg.eigvalsh(block)[0] < -1e-7 * largest:
            continue
        return _as_fitted(held, nodes, zero)
    return fitted


def _as_fitted(best: Minimum, nodes: IntArray, zero: IntArray) -> Fitted:
    theta = best.theta[0].copy()
    theta[zero] = 0.0
    return Fitted(
        theta=theta,
        value=float(best.value[0]),
        hessian=best.hessian[0],
        zero=zero,
        nodes=nodes,
        arrived=bool(best.arrived[0]),
    )


def _zero_candidates(scaled: Standardised, theta: FloatArray) -> list[tuple[IntArray, FloatArray]]:
    """Ways to put small random parts at zero, the most parts first."""
    design = scaled.design
    p, q = design.x.shape[1], design.z.shape[1]
    sigma, factor, _ = unpack_theta(design, theta[None])
    scale = float(sigma[0]) if np.any(design.share > 0.0) else float(np.sqrt(design.added.mean()))
    small = NEARLY_ZERO * scale
    options: list[tuple[list[int], FloatArray]] = [([], theta.copy())]
    if q and len(design.pairs) == q and q > 1:
        lost = [p + 1 + k for k in range(q) if abs(factor[0, k, k]) < small]
        if lost:
            options.append((lost, theta.copy()))
    elif q:
        # Singular directions of Lambda Lambda'; a factor of lower rank is turned so that its
        # last columns vanish.
        left, s, _ = np.linalg.svd(factor[0])
        rank = int((s >= small).sum())
        if rank < q:
            thin = left[:, :rank] * s[:rank]
            lower = np.zeros((q, q))
            if rank:
                lower[:, :rank] = np.linalg.qr(thin.T)[1].T
            start = theta.copy()
            lost = []
            for i, (k, m) in enumerate(design.pairs):
                start[p + 1 + i] = lower[k, m]
                if m >= rank:
                    lost.append(p + 1 + i)
            options.append((lost, start))
    if design.has_batch and abs(theta[-1]) < small:
        for lost, start in list(options):
            options.append(([*lost, design.parameter_count - 1], start))
    candidates = [(np.array(lost, dtype=np.int64), start.copy()) for lost, start in options if lost]
    candidates.sort(key=lambda pair: -len(pair[0]))
    for places, start in candidates:
        start[places] = 0.0
    return candidates
