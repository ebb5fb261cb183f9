"""Checking and ordering what `unseen_times_model` is given."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from metafreeze.errors import Fault, InputError, Location
from metafreeze.models import censored_likelihood as rows_of
from metafreeze.models.labels import encode_labels, encode_nested
from metafreeze.results import BoolArray, FloatArray, IntArray


@dataclass(frozen=True, slots=True, kw_only=True)
class UnseenRows:
    """Rows that say something, ordered by study and batch, times as logs less the offset.

    Parameters
    ----------
    lower, upper : array, shape (n,)
        Bounds of the log time, offset taken off; infinite where open.
    kind : array of int, shape (n,)
        From `classify_rows`.
    x : array, shape (n, p)
        Fixed columns.
    z : array, shape (n, q)
        Columns that vary between studies; q = 0 without studies.
    study, batch : array of int, shape (n,)
        Codes that never decrease; one code for all rows where there is no such grouping.
    member : array of bool, shape (n,)
        Whether the row belongs to a batch; all false without batches.
    known, added : array, shape (n,)
        Known variance (NaN: estimated) and added variance of the log time.
    count, spread : array, shape (n,)
        Runs of a summary (1 for a run) and their standard deviation.
    offset : array, shape (n,)
        What was taken off.
    names, varying_names : tuple of str
        Names of the columns.
    source : array of int, shape (n,)
        Place of each row in what was given, counted from 0.
    empty : int
        Rows left out because they bound nothing.
    """

    lower: FloatArray
    upper: FloatArray
    kind: IntArray
    x: FloatArray
    z: FloatArray
    study: IntArray
    batch: IntArray
    member: BoolArray
    known: FloatArray
    added: FloatArray
    count: FloatArray
    spread: FloatArray
    offset: FloatArray
    source: IntArray
    names: tuple[str, ...]
    varying_names: tuple[str, ...]
    empty: int

    def keep(self, rows: BoolArray | IntArray) -> UnseenRows:
        """Take some rows."""
        parts = {
            field.name: getattr(self, field.name)[rows]
            for field in fields(self)
            if isinstance(getattr(self, field.name), np.ndarray)
        }
        return replace(self, **parts)

    def without_studies(self) -> UnseenRows:
        """Leave out the random part of studies."""
        return replace(self, z=np.zeros((len(self.x), 0)), varying_names=())

    @property
    def studies(self) -> int:
        """Number of studies among the rows; one without studies."""
        return len(np.unique(self.study))

    @property
    def batches(self) -> int:
        """Number of batches that rows belong to."""
        return len(np.unique(self.batch[self.member]))


def check_unseen_rows(
    lower: npt.ArrayLike,
    upper: npt.ArrayLike,
    x: npt.ArrayLike,
    study: npt.ArrayLike | None,
    *,
    varying: npt.ArrayLike | None,
    batch: npt.ArrayLike | None,
    known_variance: npt.ArrayLike | None,
    added_variance: npt.ArrayLike | None,
    count: npt.ArrayLike | None,
    spread: npt.ArrayLike | None,
    offset: npt.ArrayLike | None,
    log_times: bool,
    names: Sequence[str] | None,
    varying_names: Sequence[str] | None,
) -> UnseenRows:
    """Check everything, refuse with all faults at once, put rows in order.

    Returns
    -------
    UnseenRows

    Raises
    ------
    InputError
        Shapes differ, or a value is impossible; the rows are named, counted from 1.
    """
    low = _vector(lower, "lower", None)
    n = len(low)
    high = _vector(upper, "upper", n)
    columns = _matrix(x, "X", n)
    if columns.shape[1] == 0:
        raise InputError("X has no columns. Give at least a column of ones.")
    known = _optional(known_variance, "known_variance", n, np.nan)
    added = _optional(added_variance, "added_variance", n, 0.0)
    runs = _optional(count, "count", n, 1.0)
    sd = _optional(spread, "spread", n, np.nan)
    shift = _optional(offset, "offset", n, 0.0)
    faults = _time_faults(low, high, log_times)
    faults += _finite_faults(columns, "X")
    faults += _finite_faults(shift[:, None], "offset")
    faults += _variance_faults(known, added)
    faults += _summary_faults(low, high, runs, sd, known)

    z = np.zeros((n, 0))
    z_names: tuple[str, ...] = ()
    if study is None and varying is not None:
        raise InputError("varying is given without study. Give the study of each row as well.")
    if study is not None:
        z = np.ones((n, 1)) if varying is None else _matrix(varying, "varying", n)
        faults += _finite_faults(z, "varying")
        z_names = _names(
            varying_names or _recognised(z, columns, names), z.shape[1], "varying_names", "varying"
        )
    if faults:
        raise InputError(faults=faults)
    groups = encode_labels(
        np.zeros(n, dtype=np.int64) if study is None else study, name="study", rows=n
    )
    if batch is None:
        codes, member = groups.codes, np.zeros(n, dtype=bool)
    else:
        codes, _, member = encode_nested(batch, groups, name="batch")
    if not log_times:
        with np.errstate(divide="ignore"):
            low = np.log(np.maximum(low, 0.0))
            high = np.log(high)
    kind = rows_of.classify_rows(low, high)
    rows = UnseenRows(
        lower=low - shift,
        upper=high - shift,
        kind=kind,
        x=columns,
        z=z,
        study=groups.codes,
        batch=codes,
        member=member,
        known=known,
        added=np.nan_to_num(added),
        count=runs,
        spread=np.where(runs > 1.0, sd, 0.0),
        offset=shift,
        source=np.arange(n),
        names=_names(names, columns.shape[1], "names", "x"),
        varying_names=z_names,
        empty=int((kind == rows_of.EMPTY).sum()),
    )
    # A fixed order within groups as well, so that sums do not depend on the order given.
    order = np.lexsort((rows.upper, rows.lower, *columns.T, codes, groups.codes))
    return rows.keep(order[kind[order] != rows_of.EMPTY])


def _vector(values: npt.ArrayLike, name: str, n: int | None) -> FloatArray:
    array = np.asarray(values, dtype=float)
    if array.ndim != 1 or (n is not None and len(array) != n):
        wanted = "one value for each row" if n is None else f"one value for each of the {n} rows"
        raise InputError(f"{name} has shape {array.shape}; it needs {wanted}.")
    if len(array) == 0:
        raise InputError(f"{name} is empty. Give at least one row.")
    return array


def _optional(values: npt.ArrayLike | None, name: str, n: int, default: float) -> FloatArray:
    return np.full(n, default) if values is None else _vector(values, name, n)


def _matrix(values: npt.ArrayLike, name: str, n: int) -> FloatArray:
    array = np.asarray(values, dtype=float)
    if array.ndim == 1:
        array = array[:, None]
    if array.ndim != 2 or len(array) != n:
        raise InputError(f"{name} has shape {array.shape}; it needs {n} rows, one for each time.")
    return array


def _names(given: Sequence[str] | None, size: int, argument: str, stem: str) -> tuple[str, ...]:
    if given is None:
        return tuple(f"{stem}{i}" for i in range(size))
    names = tuple(str(name) for name in given)
    if len(names) != size or len(set(names)) != size:
        raise InputError(
            f"{argument} has {len(names)} names, {len(set(names))} of them different; "
            f"it needs {size} different ones, one for each column."
        )
    return names


def _recognised(z: FloatArray, columns: FloatArray, names: Sequence[str] | None) -> tuple[str, ...]:
    """Name varying columns after the constant or the fixed column that they equal."""
    found = []
    for j, column in enumerate(z.T):
        same = np.flatnonzero((columns == column[:, None]).all(axis=0))
        name = f"varying{j}"
        if (column == 1.0).all():
            name = "intercept"
        elif len(same) and names is None:
            name = f"x{same[0]}"
        elif len(same) and names is not None and len(names) == columns.shape[1]:
            name = str(names[same[0]])
        found.append(name)
    return tuple(found)


def _fault(rule: str, row: np.integer[Any], column: str, message: str, remedy: str) -> Fault:
    return Fault(
        rule=rule,
        message=message,
        remedy=remedy,
        location=Location(row=int(row) + 1, column=column),
    )


def _time_faults(low: FloatArray, high: FloatArray, log_times: bool) -> list[Fault]:
    faults = []
    never = "Use infinity for a vessel that was never seen frozen"
    for i in np.flatnonzero(np.isnan(low)):
        start = "minus infinity" if log_times else "0"
        faults.append(
            _fault("missing", i, "lower", "lower is missing", f"Use {start} for no lower bound.")
        )
    for i in np.flatnonzero(np.isnan(high)):
        faults.append(_fault("missing", i, "upper", "upper is missing", f"{never}."))
    for i in np.flatnonzero(np.isposinf(low)):
        faults.append(
            _fault(
                "out-of-range", i, "lower", "lower is infinite", "Enter when it was last unfrozen."
            )
        )
    for i in np.flatnonzero(low > high):
        message = f"upper {high[i]:g} is below lower {low[i]:g}"
        faults.append(_fault("bounds", i, "upper", message, "Exchange them or correct one."))
    if log_times:
        for i in np.flatnonzero(np.isneginf(high)):
            faults.append(
                _fault("out-of-range", i, "upper", "upper is minus infinity", f"{never}.")
            )
        return faults
    for i in np.flatnonzero((low < 0.0) & np.isfinite(low)):
        message = f"lower is negative ({low[i]:g})"
        remedy = "Enter the time since the vessel entered the freezer, 0 for no lower bound."
        faults.append(_fault("out-of-range", i, "lower", message, remedy))
    for i in np.flatnonzero(high <= 0.0):
        message = f"upper is {high[i]:g}; a time is above zero"
        faults.append(_fault("out-of-range", i, "upper", message, f"{never}."))
    return faults


def _finite_faults(columns: FloatArray, name: str) -> list[Fault]:
    places = np.argwhere(~np.isfinite(columns))
    return [
        _fault(
            "not-finite",
            i,
            name if columns.shape[1] == 1 else f"{name} column {j + 1}",
            f"the value is {columns[i, j]:g}",
            "Enter a number or leave the row out.",
        )
        for i, j in places
    ]


def _variance_faults(known: FloatArray, added: FloatArray) -> list[Fault]:
    faults = []
    for i in np.flatnonzero(~(np.isnan(known) | ((known > 0.0) & np.isfinite(known)))):
        message = f"the known variance is {known[i]:g}"
        remedy = "Enter a variance above zero, or NaN to have it estimated."
        faults.append(_fault("out-of-range", i, "known_variance", message, remedy))
    for i in np.flatnonzero(~(np.isnan(added) | ((added >= 0.0) & np.isfinite(added)))):
        message = f"the added variance is {added[i]:g}"
        remedy = "Enter a variance of zero or more."
        faults.append(_fault("out-of-range", i, "added_variance", message, remedy))
    return faults


def _summary_faults(
    low: FloatArray, high: FloatArray, runs: FloatArray, sd: FloatArray, known: FloatArray
) -> list[Fault]:
    faults = []
    for i in np.flatnonzero(~((runs >= 1.0) & (runs == np.round(runs)))):
        message = f"the number of runs is {runs[i]:g}"
        faults.append(
            _fault("out-of-range", i, "count", message, "Enter a whole number, 1 or more.")
        )
    summary = runs > 1.0
    for i in np.flatnonzero(summary & (low != high)):
        message = f"a summary of {runs[i]:g} runs has a window"
        remedy = "A summary needs its mean log time in both lower and upper."
        faults.append(_fault("bounds", i, "count", message, remedy))
    for i in np.flatnonzero(summary & ~((sd >= 0.0) & np.isfinite(sd))):
        message = f"the spread of a summary of {runs[i]:g} runs is {sd[i]:g}"
        remedy = "Enter the standard deviation of the log times."
        faults.append(_fault("out-of-range", i, "spread", message, remedy))
    for i in np.flatnonzero(summary & np.isfinite(known)):
        message = f"a summary of {runs[i]:g} runs also has a known variance"
        remedy = "Give one or the other."
        faults.append(_fault("contradiction", i, "known_variance", message, remedy))
    return faults
