"""Columns of rows: centred and scaled once, multiplied and summed by study many times.

The constant column is never stored or multiplied, a column of zeros is skipped, and a
column that is both fixed and varying is stored once: at a million rows these are most of
the work.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import sparse

from metafreeze.models.products import Frame
from metafreeze.results import FloatArray, IntArray

# A squared pivot below this share of its diagonal is rounding of a dependent column.
DEPENDENT_SHARE = 1e-12
# Rows compared before a whole column is.
HEAD = 64

Zero = Literal["zero"]
One = Literal["one"]
Column = FloatArray | Literal["zero", "one"]


def group_sum(codes: IntArray, count: int, values: FloatArray) -> FloatArray:
    """Sum values over the rows of each group.

    Parameters
    ----------
    codes : array, shape (n,)
    count : int
        Number of groups.
    values : array, shape (n,) or (n, m)

    Returns
    -------
    array, shape (count,) or (count, m)
    """
    if values.ndim == 1:
        return np.asarray(np.bincount(codes, weights=values, minlength=count), dtype=np.float64)
    if values.shape[1] == 1:
        return group_sum(codes, count, values[:, 0])[:, None]
    n = codes.size
    where = sparse.csc_matrix((np.ones(n), codes, np.arange(n + 1)), shape=(count, n))
    return np.asarray(where @ values)


def multiply(*factors: Column | None) -> Column:
    """Multiply columns, leaving out constants; None stands for no weight."""
    if any(isinstance(f, str) and f == "zero" for f in factors):
        return "zero"
    arrays = [f for f in factors if isinstance(f, np.ndarray)]
    if not arrays:
        return "one"
    product = arrays[0]
    for other in arrays[1:]:
        product = product * other
    return product


def sum_column(codes: IntArray, count: int, column: Column) -> FloatArray:
    """Sum a column over the rows of each group."""
    if isinstance(column, np.ndarray):
        return group_sum(codes, count, column)
    if column == "zero":
        return np.zeros(count)
    return np.bincount(codes, minlength=count).astype(np.float64)


def as_values(column: Column, n: int) -> FloatArray:
    """Write a column out."""
    if isinstance(column, np.ndarray):
        return column
    return np.zeros(n) if column == "zero" else np.ones(n)


@dataclass(frozen=True, slots=True, kw_only=True)
class CentredColumns:
    """Columns in the engine's units.

    Parameters
    ----------
    varying, fixed : list of Column
    outcome : array, shape (n, m)
    frame : Frame
    in_varying : list of array or None
        For each fixed column its coefficients on the varying ones, where it is an exact
        combination of them.
    twins : tuple of int or None
        For each fixed column the varying column that equals it as given.
    """

    varying: list[Column]
    fixed: list[Column]
    outcome: FloatArray
    frame: Frame
    in_varying: list[FloatArray | None]
    twins: tuple[int | None, ...]


def centre_columns(
    fixed: FloatArray,
    varying: FloatArray,
    outcome: FloatArray,
    weight: FloatArray | None,
    *,
    correlated: bool,
    one_unit: bool,
) -> CentredColumns:
    """Centre and scale the columns and the outcome.

    Parameters
    ----------
    fixed : array, shape (n, p)
    varying : array, shape (n, q)
    outcome : array, shape (n, m)
    weight : array, shape (n,), or None
        Runs behind each row.
    correlated : bool
        Without correlations the varying columns must keep their origin.
    one_unit : bool
        Whether all data sets need one unit of y, as known variances are in it.

    Returns
    -------
    CentredColumns
    """
    p, q = fixed.shape[1], varying.shape[1]
    x_raw = [np.ascontiguousarray(fixed[:, j]) for j in range(p)]
    twins: list[int | None] = [None] * p
    z_raw: list[FloatArray] = []
    for k in range(q):
        column = varying[:, k]
        for j in range(p):
            if twins[j] is None and same_column(column, fixed[:, j]):
                twins[j] = k
                column = x_raw[j]
                break
        z_raw.append(np.ascontiguousarray(column))
    x_constant = next((j for j, c in enumerate(x_raw) if is_constant(c)), None)
    z_constant = next((k for k, c in enumerate(z_raw) if is_constant(c)), None)
    x_cols, turn = _centre(x_raw, x_constant, weight)
    centre_at = z_constant if correlated else None
    reuse = {
        k: (x_cols[j], 0.0 if x_constant is None else float(turn[x_constant, j]), float(turn[j, j]))
        for j, k in enumerate(twins)
        if k is not None and (centre_at is None) == (x_constant is None)
    }
    z_cols, turn_varying = _centre(z_raw, centre_at, weight, stored=reuse)
    in_varying = _combinations(twins, turn, turn_varying)
    frame_y, origin, unit = _centre_outcome(outcome, x_raw, x_constant, weight, one_unit=one_unit)
    return CentredColumns(
        varying=z_cols,
        fixed=x_cols,
        outcome=frame_y,
        frame=Frame(
            y_unit=unit,
            origin=origin,
            turn=turn,
            turn_varying=turn_varying,
            log_turn=float(np.linalg.slogdet(turn)[1]),
        ),
        in_varying=in_varying,
        twins=tuple(twins),
    )


def same_column(a: FloatArray, b: FloatArray) -> bool:
    """Whether two columns are equal, looking at their heads first."""
    if a.ctypes.data == b.ctypes.data and a.strides == b.strides:
        return True
    return bool(np.array_equal(a[:HEAD], b[:HEAD]) and np.array_equal(a, b))


def is_constant(column: FloatArray) -> bool:
    """Whether a column is one number other than zero."""
    if column.size == 0 or column[0] == 0:
        return False
    return bool(np.all(column[:HEAD] == column[0]) and np.all(column == column[0]))


def _mean(values: FloatArray, weight: FloatArray | None) -> float:
    if weight is None:
        return float(values.mean())
    return float(weight @ values / weight.sum())


def _size(values: FloatArray, weight: FloatArray | None) -> float:
    if weight is None:
        return float(np.sqrt(values @ values / values.size))
    return float(np.sqrt((weight * values) @ values / weight.sum()))


def _centre(
    raw: list[FloatArray],
    constant: int | None,
    weight: FloatArray | None,
    *,
    stored: dict[int, tuple[Column, float, float]] | None = None,
) -> tuple[list[Column], FloatArray]:
    """Centre on the constant column where there is one, scale to mean square one."""
    k = len(raw)
    turn = np.zeros((k, k))
    columns: list[Column] = []
    for j, column in enumerate(raw):
        if j == constant:
            columns.append("one")
            turn[j, j] = float(column[0])
            continue
        if stored is not None and j in stored:  # centred and scaled already
            same, middle, turn[j, j] = stored[j]
            columns.append(same)
            if constant is not None:
                turn[constant, j] = middle
            continue
        middle = 0.0 if constant is None else _mean(column, weight)
        moved = column - middle
        if constant is not None:
            turn[constant, j] = middle
        size = _size(moved, weight)
        if size <= 0.0:
            columns.append("zero")
            turn[j, j] = 1.0
            continue
        turn[j, j] = size
        moved *= 1.0 / size
        columns.append(moved)
    return columns, turn


def _combinations(
    twins: list[int | None], turn: FloatArray, turn_varying: FloatArray
) -> list[FloatArray | None]:
    """Coefficients of X* columns on Z* where their raw columns are all varying ones."""
    p, q = len(twins), turn_varying.shape[0]
    found: list[FloatArray | None] = [None] * p
    if all(k is None for k in twins):
        return found
    raw_in_z = np.zeros((q, p))
    usable = np.zeros(p, dtype=bool)
    for j, k in enumerate(twins):
        if k is not None:
            raw_in_z[k, j] = 1.0
            usable[j] = True
    to_star = np.linalg.inv(turn)
    for j in range(p):
        needed = np.flatnonzero(to_star[:, j])
        if usable[needed].all():
            found[j] = turn_varying @ (raw_in_z @ to_star[:, j])
    return found


def _centre_outcome(
    outcome: FloatArray,
    x_raw: list[FloatArray],
    constant: int | None,
    weight: FloatArray | None,
    *,
    one_unit: bool,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Take the mean off y (exactly, numbers being close) and scale to mean square one."""
    m = outcome.shape[1]
    origin = np.zeros((m, len(x_raw)))
    total = outcome.shape[0] if weight is None else weight.sum()
    if constant is not None:
        centre = outcome.mean(axis=0) if weight is None else weight @ outcome / total
        moved = outcome - centre[None, :]
        origin[:, constant] = centre / float(x_raw[constant][0])
    else:
        moved = outcome.copy()
    if m == 1:
        square = np.array([_size(moved[:, 0], weight) ** 2])
    elif weight is None:
        square = np.einsum("nm,nm->m", moved, moved) / total
    else:
        square = np.einsum("n,nm,nm->m", weight, moved, moved) / total
    unit = np.sqrt(square)
    fallback = np.abs(origin).max(axis=1, initial=0.0)
    unit = np.where(unit > 0, unit, np.where(fallback > 0, fallback, 1.0))
    if one_unit:
        unit = np.full_like(unit, float(np.sqrt(np.mean(unit**2))))
    moved /= unit[None, :]
    return moved, origin, unit


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnFits:
    """Least squares of [X y] on Z in each study.

    Parameters
    ----------
    gram : array, shape (S, q, q)
    fixed : array, shape (S, q, p)
    outcome : array, shape (S, q, m)
    """

    gram: FloatArray
    fixed: FloatArray
    outcome: FloatArray


def fit_studies(
    columns: CentredColumns, study: IntArray, studies: int, weight: FloatArray | None
) -> OwnFits:
    """Fit each study by itself; a basic solution where its columns are deficient."""
    q, p, m = len(columns.varying), len(columns.fixed), columns.outcome.shape[1]
    gram = np.zeros((studies, q, q))
    right = np.zeros((studies, q, p + m))
    for a, za in enumerate(columns.varying):
        lead = multiply(za, weight)
        for b in range(a, q):
            value = sum_column(study, studies, multiply(lead, columns.varying[b]))
            gram[:, a, b] = gram[:, b, a] = value
        for j, column in enumerate(columns.fixed):
            if columns.in_varying[j] is None:
                right[:, a, j] = sum_column(study, studies, multiply(lead, column))
        if isinstance(lead, np.ndarray):
            right[:, a, p:] = group_sum(study, studies, lead[:, None] * columns.outcome)
        elif lead == "one":
            right[:, a, p:] = group_sum(study, studies, columns.outcome)
    solved = solve_semidefinite(gram, right)
    for j, known in enumerate(columns.in_varying):
        if known is not None:
            solved[:, :, j] = known
    return OwnFits(gram=gram, fixed=solved[:, :, :p], outcome=solved[:, :, p:])


def subtract_own(
    column: Column | FloatArray, varying: list[Column], own: FloatArray, study: IntArray
) -> FloatArray:
    """Take each study's own fit (S, q) or (S, q, m) off a column or off several."""
    rest = as_values(column, study.size).copy()
    for k, z in enumerate(varying):
        coefficient = own[:, k]
        if isinstance(z, str) and z == "zero":
            continue
        if rest.ndim == 2 and rest.shape[1] == 1:
            taken = coefficient[:, 0][study]
            if isinstance(z, np.ndarray):
                taken *= z
            rest[:, 0] -= taken
            continue
        taken = coefficient[study]
        if isinstance(z, np.ndarray):
            taken *= z if rest.ndim == 1 else z[:, None]
        rest -= taken
    return rest


def semidefinite_factor(gram: FloatArray) -> FloatArray:
    """Lower factor of positive semidefinite matrices, dependent columns left at zero.

    Parameters
    ----------
    gram : array, shape (..., q, q)

    Returns
    -------
    array, shape (..., q, q)
        L with ``L L' = gram``.
    """
    q = gram.shape[-1]
    left = np.zeros_like(gram)
    rest = gram.copy()
    for k in range(q):
        pivot = rest[..., k, k]
        good = pivot > DEPENDENT_SHARE * gram[..., k, k]
        root = np.sqrt(np.where(good, pivot, 1.0))
        column = np.where(good[..., None], rest[..., :, k] / root[..., None], 0.0)
        column[..., :k] = 0.0
        left[..., :, k] = column
        if k + 1 < q:
            rest[..., k + 1 :, k + 1 :] -= column[..., k + 1 :, None] * column[..., None, k + 1 :]
    return left


def solve_semidefinite(gram: FloatArray, right: FloatArray) -> FloatArray:
    """Solve ``gram x = right`` where gram may be deficient: a basic solution."""
    q = gram.shape[-1]
    left = semidefinite_factor(gram)
    diagonal = np.diagonal(left, axis1=-2, axis2=-1)
    good = diagonal > 0
    safe = np.where(good, diagonal, 1.0)
    middle = np.zeros_like(right)
    for k in range(q):
        done = np.einsum("...k,...kc->...c", left[..., k, :k], middle[..., :k, :])
        value = right[..., k, :] - done
        middle[..., k, :] = np.where(good[..., k, None], value / safe[..., k, None], 0.0)
    solved = np.zeros_like(right)
    for k in range(q - 1, -1, -1):
        done = np.einsum("...k,...kc->...c", left[..., k + 1 :, k], solved[..., k + 1 :, :])
        value = middle[..., k, :] - done
        solved[..., k, :] = np.where(good[..., k, None], value / safe[..., k, None], 0.0)
    return solved
