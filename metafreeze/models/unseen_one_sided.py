"""What can be said where the best fit lies at infinity: limits on one side."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from metafreeze.models.node_counts import enough_nodes
from metafreeze.models.separation import Escape
from metafreeze.models.unseen_design import random_trouble
from metafreeze.models.unseen_fit import (
    Fitted,
    Standardised,
    aliased_columns,
    fit_all_parts,
    fit_fixed_parts,
    standardise,
    starting_points,
)
from metafreeze.models.unseen_input import UnseenRows
from metafreeze.models.unseen_intervals import (
    HeldCriterion,
    Reference,
    profile_limits,
    theta_directions,
    walk_to_crossing,
)
from metafreeze.models.unseen_judgement import coefficient_covariance, judge_fit
from metafreeze.models.unseen_result import Question, Table
from metafreeze.results import FloatArray

# Nodes before the limit is known; then as many as it needs.
FIRST_NODES = 8


def fill_one_sided(
    question: Question,
    rows: UnseenRows,
    table: Table,
    escape: Escape,
    reference: Reference,
) -> tuple[str, tuple[str, ...]]:
    """Write what is bounded into the table; the coefficients that run off get one limit.

    The upper limit of the likelihood is that of the rows that stay, since the others become
    certain; the limit is where the profile has fallen from it by the usual cut-off.

    Parameters
    ----------
    question, rows, table
        What was asked, the rows, the table to fill.
    escape : Escape
        The rows that become certain and the coefficients they push.
    reference : Reference
        Degrees of freedom of the functions.

    Returns
    -------
    str
        The note of the result.
    tuple of str
        Varying coefficients that were taken as common, since no study shows how they differ.
    """
    p = len(rows.names)
    kept = rows.keep(~escape.rows)
    # A varying column that the rows left over cannot tell from others has an effect of which
    # no study shows the spread; any spread at all would be possible, and no limit.
    hidden = aliased_columns(kept.z)
    steps = tuple(
        f"{rows.varying_names[j]}: taken as common to all studies, since none shows how it differs"
        for j in hidden
    )
    rows, kept = (_without_varying(part, hidden) for part in (rows, kept))
    scaled, inner = (
        standardise(
            part,
            family=question.family,
            correlated=question.correlated,
            fixed_scale=question.fixed_scale,
        )
        for part in (rows, kept)
    )
    sides = [
        f"{name} has no {'upper' if up else 'lower'} bound"
        for name, up, down in zip(rows.names, escape.rising, escape.falling, strict=True)
        if up != down
    ]
    note = (
        f"{int(escape.rows.sum())} rows could lie any distance beyond their bounds, so the best "
        f"fit lies at infinity: {'; '.join(sides) or 'in several directions'}."
    )
    fixed, further = fit_fixed_parts(inner)
    trouble = random_trouble(kept, scale_is_held=question.fixed_scale is not None)
    if trouble or further.any:
        return f"{note} The other rows do not fix the rest: no limits.", steps
    fitted = fit_all_parts(inner, fixed, accuracy=question.accuracy)
    if judge_fit(inner, fitted)[0] in ("unidentifiable", "failed"):
        return f"{note} The other rows do not fix the rest: no limits.", steps
    table.values["df"][:] = np.where(reference.df > 0.0, reference.df, np.nan)
    cut_off = reference.cut_off(question.level)
    stays = np.zeros(len(question.functions), dtype=bool)
    stays[:p] = ~escape.rising & ~escape.falling
    if stays.any():
        _fill_bounded(question, table, inner, fitted, reference, stays)
    top = fitted.value + 0.5 * (inner.shift - scaled.shift)
    for j in np.flatnonzero((escape.rising != escape.falling) & np.isfinite(cut_off[:p])):
        sign = -1.0 if escape.rising[j] else 1.0
        edge, rise = _edge(question, scaled, int(j), sign, top, 0.5 * cut_off[j])
        table.values["low" if sign < 0.0 else "high"][j] = edge
        table.values["high" if sign < 0.0 else "low"][j] = -sign * np.inf
        table.values["p"][j] = reference.pick([int(j)]).p_value(np.array([2.0 * rise]))[0]
    if not np.isfinite([table.values["low"][:p], table.values["high"][:p]]).any():
        return f"{note} The data do not bound the other side either.", steps
    return f"{note} A limit on the other side is given, no estimate.", steps


def _without_varying(rows: UnseenRows, hidden: list[int]) -> UnseenRows:
    shown = np.setdiff1d(np.arange(rows.z.shape[1]), hidden)
    names = tuple(rows.varying_names[j] for j in shown)
    return replace(rows, z=rows.z[:, shown], varying_names=names)


def _fill_bounded(
    question: Question,
    table: Table,
    inner: Standardised,
    fitted: Fitted,
    reference: Reference,
    stays: np.ndarray,
) -> None:
    """Write the coefficients that the rows left over determine."""
    picked = question.functions[stays]
    beta = inner.start + inner.unit * inner.back @ fitted.theta[: inner.design.x.shape[1]]
    covariance, _ = coefficient_covariance(inner, fitted)
    part = reference.pick(np.flatnonzero(stays))
    test = np.ones(len(picked), dtype=bool)
    limits = profile_limits(inner, fitted, picked, part.cut_off(question.level), test)
    values = table.values
    values["estimate"][stays] = picked @ beta
    values["se"][stays] = np.sqrt(np.einsum("ij,jk,ik->i", picked, covariance, picked))
    values["low"][stays], values["high"][stays] = limits.low, limits.high
    values["p"][stays] = part.p_value(limits.rise_at_zero)


def _edge(
    question: Question,
    scaled: Standardised,
    j: int,
    sign: float,
    top: float,
    rise: float,
) -> tuple[float, float]:
    """Give the limit of coefficient j, and the rise of minus the log likelihood at zero."""
    function = question.functions[j : j + 1]
    direction = theta_directions(scaled, function)[0]
    base = float(function[0] @ scaled.start)
    start = _settled_start(scaled)
    nodes = np.full((scaled.design.sizes[1], scaled.design.dimensions), FIRST_NODES)
    edge = float("nan")
    for _ in range(2):
        held = HeldCriterion(scaled, start, nodes, direction)
        edge = walk_to_crossing(held, sign, 1.0, top + rise)
        if not np.isfinite(edge):
            break
        if not scaled.design.dimensions:
            break
        held(edge)
        more = enough_nodes(scaled, held.theta, nodes, question.accuracy).nodes
        if np.array_equal(more, nodes):
            break
        nodes, start = more, held.theta
    at_zero = HeldCriterion(scaled, held.theta, nodes, direction)(-base / scaled.unit)
    return base + scaled.unit * edge, at_zero - top


def _settled_start(scaled: Standardised) -> FloatArray:
    """Give a start with middling random parts about least squares on the bounds."""
    flat = np.zeros(scaled.design.x.shape[1] + 1)
    flat[-1] = scaled.first_log_sigma
    points = starting_points(scaled, flat)
    middle: FloatArray = points[len(points) // 2]
    return middle
