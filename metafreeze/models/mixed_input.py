"""Check the arrays of a mixed model and turn them into rows of the engine."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from metafreeze.errors import InputError
from metafreeze.models.crossproducts import ModelRows
from metafreeze.models.group_levels import Part, crossing_width, is_nested
from metafreeze.models.identify import RandomPlan
from metafreeze.models.labels import Groups, encode_labels, encode_nested
from metafreeze.models.row_columns import is_constant, same_column
from metafreeze.results import BoolArray, FloatArray

# A crossing wider than this is not worth a dense block per study.
WIDEST_CROSSING = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedInput:
    """Arguments of a mixed model after checking, offset subtracted.

    Parameters
    ----------
    outcome : array, shape (n, m)
    fixed : array, shape (n, p)
    varying : array, shape (n, q)
    names, varying_names : tuple of str
    varies : array of bool, shape (q,)
        True for varying columns that are not constant.
    study : Groups
    batch, specimen : codes, count, whether real; or None
    count, spread, known, added : array or None
    """

    outcome: FloatArray
    fixed: FloatArray
    varying: FloatArray
    names: tuple[str, ...]
    varying_names: tuple[str, ...]
    varies: BoolArray
    study: Groups
    batch: Part | None
    specimen: Part | None
    count: FloatArray | None
    spread: FloatArray | None
    known: FloatArray | None
    added: FloatArray | None

    def rows(self, plan: RandomPlan) -> ModelRows:
        """Rows with the random parts that a plan keeps."""
        whole = plan.varying == tuple(range(self.varying.shape[1]))
        return ModelRows(
            outcome=self.outcome,
            fixed=self.fixed,
            varying=self.varying if whole else self.varying[:, list(plan.varying)],
            study=self.study.codes,
            studies=self.study.count,
            batch=self.batch if plan.batch else None,
            specimen=self.specimen if plan.specimen else None,
            count=self.count,
            spread=self.spread,
            known=self.known,
            added=self.added,
            correlated=plan.correlated,
        )


def check_input(
    y: npt.ArrayLike,
    X: npt.ArrayLike | pd.DataFrame,
    study: npt.ArrayLike,
    *,
    varying: npt.ArrayLike | pd.DataFrame | None,
    batch: npt.ArrayLike | None,
    specimen: npt.ArrayLike | None,
    known_variance: npt.ArrayLike | None,
    added_variance: npt.ArrayLike | None,
    count: npt.ArrayLike | None,
    spread: npt.ArrayLike | None,
    offset: npt.ArrayLike | None,
    names: tuple[str, ...] | None,
    varying_names: tuple[str, ...] | None,
    many: bool = False,
) -> CheckedInput:
    """Check everything; raise `InputError` naming argument, place and remedy."""
    outcome = np.asarray(y, dtype=np.float64)
    if outcome.ndim == 1 or not many:
        outcome = outcome.reshape(-1, 1) if outcome.ndim <= 1 else outcome
    if outcome.ndim != 2 or (outcome.shape[1] != 1 and not many):
        raise InputError(f"y has shape {np.shape(y)}; it needs one number for each row.")
    n = outcome.shape[0]
    if n == 0:
        raise InputError("y is empty. Give at least one row.")
    _require_finite(outcome, "y")
    fixed, fixed_names = _columns(X, "X", n, names)
    _require_finite(fixed, "X")
    groups = encode_labels(study, name="study", rows=n)
    if varying is None:
        several = groups.count > 1
        z = np.ones((n, 1 if several else 0))
        z_names: tuple[str, ...] = ("intercept",) if several else ()
    else:
        if varying is X:
            z, z_names = fixed, varying_names or fixed_names
        else:
            z, z_names = _columns(varying, "varying", n, varying_names)
            _require_finite(z, "varying")
        z_names = _match_names(z, z_names, fixed, fixed_names, given=varying_names is not None)
    varies = np.array([not is_constant(c) for c in z.T], dtype=bool)
    if offset is not None:
        shift = _vector(offset, "offset", n)
        _require_finite(shift, "offset")
        outcome = outcome - shift[:, None]
    known = None if known_variance is None else _vector(known_variance, "known_variance", n)
    added = None if added_variance is None else _vector(added_variance, "added_variance", n)
    runs = None if count is None else _vector(count, "count", n)
    within = None if spread is None else _vector(spread, "spread", n)
    known, added = _check_variances(known, added)
    runs, within = _check_counts(runs, within, known)
    return CheckedInput(
        outcome=outcome,
        fixed=fixed,
        varying=z,
        names=fixed_names,
        varying_names=z_names,
        varies=varies,
        study=groups,
        batch=_nested(batch, groups, "batch"),
        specimen=_nested(specimen, groups, "specimen"),
        count=runs,
        spread=within,
        known=known,
        added=added,
    )


def row_variances(rows: CheckedInput, residual_sds: FloatArray) -> FloatArray:
    """Give the variance of each row that its groups do not share.

    Parameters
    ----------
    rows : CheckedInput
    residual_sds : array, shape (studies,)
        Residual standard deviation of each study; NaN where all variances are known.

    Returns
    -------
    array, shape (n,)
    """
    own = np.nan_to_num(residual_sds[rows.study.codes] ** 2)
    if rows.count is not None:
        own = own / rows.count
    if rows.added is not None:
        own = own + rows.added
    if rows.known is not None:
        own = np.where(np.isnan(rows.known), own, rows.known)
    return np.asarray(own)


def crossing_too_wide(checked: CheckedInput) -> str:
    """Say why batch and specimen cannot both be fitted, or nothing."""
    if checked.batch is None or checked.specimen is None:
        return ""
    if is_nested(checked.batch, checked.specimen) or is_nested(checked.specimen, checked.batch):
        return ""
    study, studies = checked.study.codes, checked.study.count
    widths = [crossing_width(part, study, studies) for part in (checked.batch, checked.specimen)]
    if min(widths) > WIDEST_CROSSING:
        return (
            f"batch and specimen cross in a study with {min(widths)} levels on the shorter side; "
            f"at most {WIDEST_CROSSING} can be fitted"
        )
    return ""


def _nested(labels: npt.ArrayLike | None, study: Groups, name: str) -> Part | None:
    if labels is None:
        return None
    codes, count, real = encode_nested(labels, study, name=name)
    return (codes, count, real) if real.any() else None


def _vector(values: npt.ArrayLike, name: str, n: int) -> FloatArray:
    array = np.asarray(values, dtype=np.float64)
    if array.ndim == 0:
        array = np.full(n, float(array))
    if array.shape != (n,):
        raise InputError(
            f"{name} has shape {array.shape}; it needs one number for each of {n} rows."
        )
    return array


def _columns(
    values: npt.ArrayLike | pd.DataFrame, name: str, n: int, given: tuple[str, ...] | None
) -> tuple[FloatArray, tuple[str, ...]]:
    if isinstance(values, pd.DataFrame):
        array = values.to_numpy(dtype=np.float64)
        own: tuple[str, ...] | None = tuple(str(c) for c in values.columns)
    else:
        array = np.asarray(values, dtype=np.float64)
        own = None
    if array.ndim == 1:
        array = array[:, None]
    # Columns are read one by one, many times.
    array = np.asfortranarray(array)
    if array.ndim != 2 or array.shape[0] != n:
        raise InputError(
            f"{name} has shape {array.shape}; it needs {n} rows and one column a term."
        )
    if name == "X" and array.shape[1] == 0:
        raise InputError("X has no column. Give at least one, such as a column of ones.")
    labels = given or own
    if labels is None:
        ones = [is_constant(c) and bool(c[0] == 1.0) for c in array.T]
        first = ones.index(True) if any(ones) else -1
        labels = tuple("intercept" if j == first else f"x{j}" for j in range(array.shape[1]))
    if len(labels) != array.shape[1]:
        raise InputError(
            f"{len(labels)} names are given for the {array.shape[1]} columns of {name}. "
            "Give one name a column."
        )
    if len(set(labels)) != len(labels):
        raise InputError(f"Two columns of {name} have one name: {', '.join(labels)}. Rename one.")
    return array, tuple(labels)


def _match_names(
    z: FloatArray,
    z_names: tuple[str, ...],
    fixed: FloatArray,
    fixed_names: tuple[str, ...],
    *,
    given: bool,
) -> tuple[str, ...]:
    """Call a varying column by the name of the fixed column that it equals."""
    if given:
        return z_names
    names = list(z_names)
    for k in range(z.shape[1]):
        for j, name in enumerate(fixed_names):
            if name not in names and same_column(z[:, k], fixed[:, j]):
                names[k] = name
                break
    return tuple(names)


def _require_finite(values: FloatArray, name: str) -> None:
    good = np.isfinite(values)
    if good.all():
        return
    place = tuple(int(i) for i in np.argwhere(~good)[0])
    where = f"row {place[0]}" + (f", column {place[1]}" if len(place) > 1 and name != "y" else "")
    raise InputError(
        f"{name} holds {int((~good).sum())} values that are not finite numbers, first "
        f"{values[place]} at {where} (counted from 0). Leave such rows out and say so."
    )


def _check_variances(
    known: FloatArray | None, added: FloatArray | None
) -> tuple[FloatArray | None, FloatArray | None]:
    if added is not None:
        bad = ~(np.isfinite(added) & (added >= 0))
        if bad.any():
            place = int(np.flatnonzero(bad)[0])
            raise InputError(
                f"added_variance is {added[place]} at row {place} (counted from 0). Give a "
                "variance of zero or more, zero where nothing is added."
            )
        if not (added > 0).any():
            added = None
    if known is not None:
        bad = np.isinf(known) | (known <= 0)
        if bad.any():
            place = int(np.flatnonzero(bad)[0])
            raise InputError(
                f"known_variance is {known[place]} at row {place} (counted from 0). Give a "
                "variance above zero, or NaN where it is to be estimated."
            )
        if np.isnan(known).all():
            known = None
    if known is not None and added is not None:
        both = ~np.isnan(known)
        known = np.where(both, known + added, known)
        added = np.where(both, 0.0, added)
    return known, added


def _check_counts(
    count: FloatArray | None, spread: FloatArray | None, known: FloatArray | None
) -> tuple[FloatArray | None, FloatArray | None]:
    if count is None:
        if spread is not None and (np.nan_to_num(spread) > 0).any():
            raise InputError(
                "spread is given without count. Say in count how many runs stand behind each row."
            )
        return None, None
    bad = ~(np.isfinite(count) & (count >= 1))
    if bad.any():
        place = int(np.flatnonzero(bad)[0])
        raise InputError(
            f"count is {count[place]} at row {place} (counted from 0). Give the number of runs "
            "behind the row, 1 for a single run."
        )
    several = count > 1
    if known is not None:
        several = several & np.isnan(known)
        count = np.where(np.isnan(known), count, 1.0)
    if not several.any():
        return None, None
    spread = np.full(count.size, np.nan) if spread is None else spread
    lacking = several & ~(np.isfinite(spread) & (spread >= 0))
    if lacking.any():
        place = int(np.flatnonzero(lacking)[0])
        raise InputError(
            f"spread is {spread[place]} at row {place} (counted from 0), a row of "
            f"{count[place]:g} runs. Give the standard deviation among its runs, or leave it out."
        )
    return count, np.where(several, spread, np.nan)
