"""Refit a mixed model thousands of times a second with its variance parts held.

A shuffle test asks for one coefficient under many rearrangements of a column, the
variances staying where they were found without that column. With V held, a coefficient
needs only inner products in the metric of V^-1, and those come from sums over batches and
studies of rows sorted once.

Symbols: P = V^-1 - V^-1 X (X' V^-1 X)^-1 X' V^-1; for a column c the coefficient is
``c' P y / c' P c`` and its variance ``1 / c' P c`` (several columns likewise).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from metafreeze.errors import InputError, NotEstimableError
from metafreeze.models.group_levels import arrange_groups
from metafreeze.models.mixed_input import CheckedInput, check_input, row_variances
from metafreeze.models.mixed_result import MixedFit
from metafreeze.results import RESULT, FloatArray, IntArray, Result, html_table, round_for_people

# Columns are worked through in blocks of about this many numbers, to stay in the cache.
BLOCK_NUMBERS = 400_000
SHOWN_ROWS = 10
# A column whose square in the metric of P is a smaller share of its own is aliased.
ALIASED_SHARE = 1e-10


@dataclass(frozen=True, slots=True, kw_only=True)
class _Step:
    """One nested level: first member of each group, shrinkage, parent of each member."""

    starts: IntArray
    grown: FloatArray  # 1 + f N
    shrink: FloatArray  # f / (1 + f N)
    parent: IntArray


@dataclass(frozen=True, slots=True, kw_only=True)
class RefitPlan:
    """Rows sorted by study and batch, with what the held variances make of them.

    Parameters
    ----------
    order : array, shape (n,)
        Place of each sorted row in the caller's order.
    weight : array, shape (n,)
        Inverse residual variance.
    steps : tuple
        Nested levels, innermost first.
    study_starts : array, shape (S,)
    varying : array, shape (q, n)
        V_b^-1 Z in sorted order.
    held : array, shape (S, q, q)
        M (I + Z' V_b^-1 Z M)^-1.
    fixed : array, shape (n, p)
        V^-1 X.
    root : array, shape (p, p)
        Inverse Cholesky factor of X' V^-1 X.
    outcome : array, shape (n,)
        P y.
    """

    order: IntArray
    weight: FloatArray
    steps: tuple[_Step, ...]
    study_starts: IntArray
    varying: FloatArray
    held: FloatArray
    fixed: FloatArray
    root: FloatArray
    outcome: FloatArray

    @property
    def rows(self) -> int:
        """Number of rows."""
        return int(self.order.size)


@dataclass(**RESULT)
class Refits(Result):
    """Coefficients of replaced columns, the variances being held.

    Parameters
    ----------
    estimate, se : array, shape (b, c)
        NaN where a column follows from the others.
    """

    estimate: FloatArray
    se: FloatArray

    def to_frame(self) -> pd.DataFrame:
        """Give one row a refit and column."""
        b, c = self.estimate.shape
        return pd.DataFrame(
            {
                "refit": np.repeat(np.arange(b), c),
                "column": np.tile(np.arange(c), b),
                "estimate": self.estimate.ravel(),
                "se": self.se.ravel(),
            }
        )

    def headline(self) -> str:
        """Say how many refits there are and the middle one."""
        middle = round_for_people(float(np.nanmedian(self.estimate[:, 0])))
        return f"{self.estimate.shape[0]} refits, median estimate {middle}"

    def __str__(self) -> str:
        # The whole frame is no printout: thousands of refits are the rule.
        return self.headline()

    def _repr_html_(self) -> str:
        return html_table(self.to_frame().head(SHOWN_ROWS), caption=self.headline())


def plan_refits(
    fit: MixedFit,
    y: npt.ArrayLike,
    X: npt.ArrayLike | pd.DataFrame,
    study: npt.ArrayLike,
    *,
    varying: npt.ArrayLike | pd.DataFrame | None = None,
    batch: npt.ArrayLike | None = None,
    specimen: npt.ArrayLike | None = None,
    known_variance: npt.ArrayLike | None = None,
    added_variance: npt.ArrayLike | None = None,
    count: npt.ArrayLike | None = None,
    offset: npt.ArrayLike | None = None,
) -> RefitPlan:
    """Prepare refits at the variances of a fit.

    Parameters
    ----------
    fit : MixedFit
        The model without the columns that will be replaced, fitted to the same rows.
    y, X, study, varying, batch, specimen, known_variance, added_variance, count, offset
        Its rows, as they were given to `mixed_model`.

    Returns
    -------
    RefitPlan

    Raises
    ------
    NotEstimableError
        The fit has no estimate, or batch and specimen cross.
    InputError
        The rows do not match the fit.
    """
    state = fit.state
    if state is None:
        raise NotEstimableError(f"There is no fit to refit: {fit.note}")
    checked = check_input(
        y,
        X,
        study,
        varying=varying,
        batch=batch,
        specimen=specimen,
        known_variance=known_variance,
        added_variance=added_variance,
        count=count,
        spread=None if count is None else np.zeros(np.shape(y)[0]),
        offset=offset,
        names=None,
        varying_names=None,
    )
    if checked.fixed.shape[1] != len(fit.coefficients) or checked.study.count != fit.studies:
        raise InputError(
            f"X has {checked.fixed.shape[1]} columns and {checked.study.count} studies, the fit "
            f"{len(fit.coefficients)} and {fit.studies}. Give the rows that were fitted."
        )
    if state.shape.crossed:
        raise NotEstimableError(
            "Batch and specimen cross in this fit, which refits with held variances do not know."
        )
    return _plan(fit, checked)


def _plan(fit: MixedFit, checked: CheckedInput) -> RefitPlan:
    state = fit.state
    assert state is not None
    levels = set(state.shape.levels)
    order_of = arrange_groups(
        checked.study.codes,
        checked.study.count,
        checked.batch if "batch" in levels else None,
        checked.specimen if "specimen" in levels else None,
    )
    inner = checked.study.codes if order_of.inner is None else order_of.inner
    order = np.argsort(inner, kind="stable")
    study = checked.study.codes[order]
    weight = 1.0 / row_variances(checked, fit.residual_sds)[order]
    sds = fit.random_parts
    steps: list[_Step] = []
    members, carried = inner[order], weight
    for level in order_of.levels:
        own = sds.loc[(sds["level"] == level.name) & sds["sd"].notna(), "sd"]
        variance = float(own.to_numpy()[0]) ** 2 * level.real
        starts = np.flatnonzero(np.diff(members, prepend=-1))
        mass = np.add.reduceat(carried, starts)
        grown = 1.0 + variance * mass
        steps.append(
            _Step(starts=starts, grown=grown, shrink=variance / grown, parent=np.asarray(members))
        )
        carried = mass / grown
        position = order_of.levels.index(level)
        if position + 1 < len(order_of.levels):
            members = order_of.levels[position + 1].members.parent
    rows_starts = np.flatnonzero(np.diff(study, prepend=-1))
    keep = [checked.varying_names.index(n) for n in state.varying_names]
    Z = checked.varying[order][:, keep] if keep else np.zeros((order.size, 0))
    X, y = checked.fixed[order], checked.outcome[order, 0]
    plan = RefitPlan(
        order=order,
        weight=weight,
        steps=tuple(steps),
        study_starts=rows_starts,
        varying=np.zeros((0, order.size)),
        held=np.zeros((rows_starts.size, 0, 0)),
        fixed=np.zeros((order.size, 0)),
        root=np.zeros((0, 0)),
        outcome=np.zeros(order.size),
    )
    below_z = _apply_below(plan, Z.T)
    M = fit.random_covariance
    gram = np.add.reduceat(Z[:, :, None] * below_z.T[:, None, :], rows_starts, axis=0)
    q = len(keep)
    held = M @ np.linalg.inv(np.eye(q) + gram @ M) if q else plan.held
    plan = replace(plan, varying=below_z, held=np.asarray(held))
    VX = _apply(plan, X.T).T
    A = X.T @ VX
    root = np.linalg.inv(np.linalg.cholesky(0.5 * (A + A.T)))
    Vy = _apply(plan, y[None])[0]
    lean = root @ (VX.T @ y)
    return replace(plan, fixed=VX, root=root, outcome=Vy - VX @ (root.T @ lean))


def _apply_below(plan: RefitPlan, columns: FloatArray) -> FloatArray:
    """V_b^-1 on columns (k, n) in sorted order: take off each group's shrunken total."""
    scaled = columns * plan.weight
    sums: list[FloatArray] = []
    current = scaled
    for step in plan.steps:
        current = np.add.reduceat(current, step.starts, axis=1)
        sums.append(current)
        current = current / step.grown
    above: FloatArray | None = None
    for step, total in zip(reversed(plan.steps), reversed(sums), strict=True):
        # What the groups above take is passed down, less what this level's own mass resists.
        effect = step.shrink * total
        if above is not None:
            effect = effect + above / step.grown
        above = effect[:, step.parent]
    return scaled if above is None else scaled - plan.weight * above


def _apply(plan: RefitPlan, columns: FloatArray) -> FloatArray:
    """V^-1 on columns (k, n) in sorted order."""
    below = _apply_below(plan, columns)
    q = plan.varying.shape[0]
    if q == 0:
        return below
    t = np.stack(
        [np.add.reduceat(columns * z, plan.study_starts, axis=1) for z in plan.varying], axis=-1
    )  # (k, S, q)
    lean = np.einsum("sqr,ksr->ksq", plan.held, t)
    sizes = np.diff(np.append(plan.study_starts, plan.order.size))
    spread = np.repeat(lean, sizes, axis=1)  # (k, n, q)
    return np.asarray(below - np.einsum("knq,qn->kn", spread, plan.varying))


def refit_many(plan: RefitPlan, columns: npt.ArrayLike) -> Refits:
    """Add columns to the fixed part and give their coefficients, for many columns at once.

    Parameters
    ----------
    plan : RefitPlan
    columns : array, shape (b, n) or (b, n, c)
        b alternatives of one column, or of c columns together, rows in the caller's order.

    Returns
    -------
    Refits

    Raises
    ------
    InputError
        The columns do not have one value for each row.

    Source
    ------
    Generalised least squares with a partitioned fixed part (Frisch & Waugh 1933,
    Econometrica 1, 387-401, doi:10.2307/1907330).
    """
    given = np.asarray(columns, dtype=np.float64)
    if given.ndim == 2:
        given = given[:, :, None]
    if given.ndim != 3 or given.shape[1] != plan.rows:
        raise InputError(
            f"columns has shape {np.shape(columns)}; it needs {plan.rows} rows in its second axis."
        )
    b, n, c = given.shape
    estimate, se = np.empty((b, c)), np.empty((b, c))
    size = max(1, BLOCK_NUMBERS // max(1, n * c))
    sorted_already = bool(np.array_equal(plan.order, np.arange(n)))
    for begin in range(0, b, size):
        block = given[begin : begin + size]
        moved = np.ascontiguousarray(np.moveaxis(block, 2, 1))  # (b, c, n)
        if not sorted_already:
            moved = moved[:, :, plan.order]
        estimate[begin : begin + size], se[begin : begin + size] = _solve(plan, moved)
    return Refits(estimate=estimate, se=se)


def _solve(plan: RefitPlan, columns: FloatArray) -> tuple[FloatArray, FloatArray]:
    b, c, n = columns.shape
    flat = columns.reshape(b * c, n)
    scaled = flat * plan.weight
    own = (
        np.einsum("bcn,bdn->bcd", columns, scaled.reshape(b, c, n))
        if c > 1
        else (np.einsum("kn,kn->k", flat, scaled)[:, None, None])
    )
    gram = own.copy()
    current = scaled
    for step in plan.steps:
        current = np.add.reduceat(current, step.starts, axis=1)
        gram -= _products(current * step.shrink, current, b, c)
        current = current / step.grown
    for i, z in enumerate(plan.varying):
        t = np.add.reduceat(flat * z, plan.study_starts, axis=1)
        for j in range(i + 1):
            other = (
                t if j == i else np.add.reduceat(flat * plan.varying[j], plan.study_starts, axis=1)
            )
            part = _products(t * plan.held[:, i, j], other, b, c)
            gram -= part if i == j else part + np.swapaxes(part, 1, 2)
    lean = (flat @ plan.fixed) @ plan.root.T
    gram -= _products(lean, lean, b, c)
    right = (flat @ plan.outcome).reshape(b, c)
    if c == 1:
        square = gram[:, 0, 0]
        good = square > ALIASED_SHARE * own[:, 0, 0]
        safe = np.where(good, square, 1.0)
        estimate = np.where(good, right[:, 0] / safe, np.nan)
        return estimate[:, None], np.where(good, 1.0 / np.sqrt(safe), np.nan)[:, None]
    scale = np.sqrt(np.maximum(np.einsum("bcc->bc", own), 1e-300))
    alike = gram / (scale[:, :, None] * scale[:, None, :])
    good = np.linalg.eigvalsh(alike)[:, 0] > ALIASED_SHARE
    safe = np.where(good[:, None, None], gram, np.eye(c))
    inverse = np.linalg.inv(safe)
    estimate = np.einsum("bcd,bd->bc", inverse, right)
    se = np.sqrt(np.einsum("bcc->bc", inverse))
    nothing = np.full_like(se, np.nan)
    return np.where(good[:, None], estimate, nothing), np.where(good[:, None], se, nothing)


def _products(left: FloatArray, right: FloatArray, b: int, c: int) -> FloatArray:
    """Inner products of the c columns of each of b sets, (b, c, c)."""
    if c == 1:
        return np.asarray(np.einsum("kn,kn->k", left, right)[:, None, None])
    both = np.einsum("bcn,bdn->bcd", left.reshape(b, c, -1), right.reshape(b, c, -1))
    return np.asarray(both)
