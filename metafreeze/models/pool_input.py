"""What comes into pooling: effects and their variances, matched by key and checked.

Every fault is collected before anything is refused, so that one pass names all rows.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from metafreeze.errors import Fault, InputError, Location
from metafreeze.results import FloatArray

# A covariance matrix may miss symmetry by rounding only; as a correlation matrix, its smallest
# eigenvalue must stand clear of rounding.
SYMMETRY_TOLERANCE = 1e-10
SMALLEST_EIGENVALUE = 1e-12

Numbers = npt.ArrayLike | pd.Series
Moderators = npt.ArrayLike | pd.Series | pd.DataFrame | Mapping[str, npt.ArrayLike]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Effects:
    """Effects that passed the checks, in the order of `estimate` as given.

    Parameters
    ----------
    estimate : array, shape (k,)
        Effects on an additive scale.
    variance : array, shape (k,)
        Sampling variances, above zero.
    study : tuple of str, length k
        One label an effect.
    moderators : array, shape (k, q)
        Numeric columns; q is zero without moderators.
    moderator_names : tuple of str, length q
        Their names.
    covariance : array, shape (k, k), optional
        Sampling covariance; its diagonal is `variance`.
    """

    estimate: FloatArray
    variance: FloatArray
    study: tuple[str, ...]
    moderators: FloatArray
    moderator_names: tuple[str, ...]
    covariance: FloatArray | None = None


def check_effects(
    estimate: Numbers,
    variance: Numbers,
    *,
    moderators: Moderators | None = None,
    study: Sequence[Hashable] | npt.ArrayLike | pd.Series | None = None,
    covariance: npt.ArrayLike | pd.DataFrame | None = None,
    several_per_study: bool = False,
) -> Effects:
    """Match the columns by key, check every row and refuse with all faults at once.

    Parameters
    ----------
    estimate : array or Series, shape (k,)
        Effects. Labels of a Series are the keys.
    variance : array or Series, shape (k,)
        Sampling variances.
    moderators : array, Series, DataFrame or mapping, optional
        One row an effect; text columns become indicators of all levels but the first.
    study : sequence, shape (k,), optional
        Study labels; by default the labels of `estimate`, else 1, 2, and so on.
    covariance : array or DataFrame, shape (k, k), optional
        Sampling covariance of effects that share a group.
    several_per_study : bool
        True where a study may hold several effects.

    Returns
    -------
    Effects

    Raises
    ------
    InputError
        A row is not usable, keys do not match, or study names repeat; every finding is
        in `faults`.
    """
    y = _column(estimate, "estimate")
    keys = _keys_of(estimate)
    v = _matched(variance, "variance", keys, y.size)
    labels = _labels(study, keys, y.size)
    faults = _row_faults(y, v, labels)
    if not several_per_study:
        faults += _repeated_names(labels)
    z, names, moderator_faults = _moderator_columns(moderators, keys, labels, y.size)
    faults += moderator_faults
    shared = None
    if covariance is not None and not faults:
        shared = _covariance(covariance, keys, v)
    if faults:
        raise InputError(faults=faults)
    return Effects(
        estimate=y,
        variance=v,
        study=labels,
        moderators=z,
        moderator_names=names,
        covariance=shared,
    )


def _column(values: Numbers, name: str) -> FloatArray:
    try:
        array = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError):
        raise InputError(
            f"{name} holds something that is not a number. Give one number a study; "
            "mark what is missing by leaving the study out."
        ) from None
    if array.ndim != 1 or array.size == 0:
        raise InputError(f"{name} has shape {array.shape}. Give a column with at least one study.")
    return array


def _keys_of(values: object) -> pd.Index | None:
    """Give the labels of a Series, or None where rows have no names of their own."""
    return values.index if isinstance(values, pd.Series) else None


def _plain_numbering(keys: pd.Index) -> bool:
    """Say whether labels only count the rows from zero, and so name nothing."""
    return keys.equals(pd.RangeIndex(len(keys)))


def _matched(values: Any, name: str, keys: pd.Index | None, k: int) -> FloatArray:
    own = _keys_of(values)
    if keys is not None and own is not None and not own.equals(keys):
        values = _reordered(values, name, keys)
    array = _column(values, name)
    if array.size != k:
        raise InputError(f"{name} has {array.size} rows and estimate has {k}. Give one a study.")
    return array


def _reordered(values: Any, name: str, keys: pd.Index) -> Any:
    """Bring a labelled column or table into the order of `keys`, or say what does not match."""
    twice = [str(label) for label in keys[keys.duplicated()].unique()]
    twice += [str(label) for label in values.index[values.index.duplicated()].unique()]
    if twice:
        raise InputError(
            f"The rows of estimate and {name} are named and in another order, and these names "
            f"repeat: {', '.join(dict.fromkeys(twice))}. Give every row its own name."
        )
    lacking = [str(label) for label in keys.difference(values.index, sort=False)]
    surplus = [str(label) for label in values.index.difference(keys, sort=False)]
    if lacking or surplus:
        parts = []
        if lacking:
            parts.append(f"{name} lacks {', '.join(lacking)}")
        if surplus:
            parts.append(f"estimate lacks {', '.join(surplus)}")
        raise InputError(
            f"Rows are matched by name and {'; '.join(parts)}. Use the same names in both."
        )
    return values.loc[keys]


def _labels(study: Any, keys: pd.Index | None, k: int) -> tuple[str, ...]:
    if study is None:
        named = keys is not None and not _plain_numbering(keys)
        return tuple(str(s) for s in (keys if named and keys is not None else range(1, k + 1)))
    own = _keys_of(study)
    if keys is not None and own is not None and not own.equals(keys):
        study = _reordered(study, "study", keys)
    names = [str(s) for s in study]
    if len(names) != k:
        raise InputError(f"study has {len(names)} names and estimate has {k} rows. Give one each.")
    return tuple(names)


def _row_faults(y: FloatArray, v: FloatArray, labels: tuple[str, ...]) -> list[Fault]:
    faults = []
    for row, (effect, spread, name) in enumerate(zip(y, v, labels, strict=True), start=1):
        if not np.isfinite(effect):
            faults.append(
                _fault(row, "estimate", name, effect, "not-finite", "The effect is missing")
            )
        problem = variance_problem(spread)
        if problem:
            faults.append(_fault(row, "variance", name, spread, "variance", problem))
    return faults


def variance_problem(variance: float) -> str:
    """Say why a sampling variance cannot weigh a study; empty where it can.

    Parameters
    ----------
    variance : float
        Any number.

    Returns
    -------
    str
    """
    if np.isnan(variance):
        return "The variance is missing"
    if np.isinf(variance):
        return "The variance is infinite"
    if variance == 0:
        return "The variance is zero, which claims certainty"
    if variance < 0:
        return f"The variance is negative ({variance:g})"
    return ""


def _fault(row: int, column: str, name: str, value: float, rule: str, message: str) -> Fault:
    return Fault(
        rule=rule,
        message=message,
        remedy="Give a finite effect and a variance above zero, or leave this study out.",
        location=Location(row=row, column=column, run=name),
        value=f"{value:g}",
    )


def _repeated_names(labels: tuple[str, ...]) -> list[Fault]:
    """Ask about names that are equal once spaces and case are ignored."""
    groups: dict[str, list[int]] = {}
    for position, label in enumerate(labels):
        groups.setdefault(" ".join(label.split()).casefold(), []).append(position)
    faults = []
    for positions in groups.values():
        if len(positions) < 2:
            continue
        spelled = ", ".join(f"“{labels[i]}”" for i in positions)
        rows = ", ".join(str(i + 1) for i in positions)
        faults.append(
            Fault(
                rule="repeated-study",
                message=f"Rows {rows} carry one study's name: {spelled}. Are they one study?",
                remedy="If they are, pool them with pool_nested, which keeps effects of one "
                "study together; if not, give each its own name.",
                location=Location(row=positions[1] + 1, column="study", run=labels[positions[1]]),
                value=labels[positions[1]],
                severity="question",
            )
        )
    return faults


def _moderator_columns(
    moderators: Moderators | None, keys: pd.Index | None, labels: tuple[str, ...], k: int
) -> tuple[FloatArray, tuple[str, ...], list[Fault]]:
    if moderators is None:
        return np.empty((k, 0)), (), []
    frame = _moderator_frame(moderators, keys)
    if len(frame) != k:
        raise InputError(
            f"moderators has {len(frame)} rows and estimate has {k}. Give one a study."
        )
    columns: list[FloatArray] = []
    names: list[str] = []
    faults: list[Fault] = []
    for name, column in frame.items():
        missing = [i for i, gone in enumerate(column.isna()) if gone]
        for i in missing:
            faults.append(
                Fault(
                    rule="missing-moderator",
                    message=f"The moderator {name} is missing",
                    remedy="Fill it in, or leave this study or this moderator out.",
                    location=Location(row=i + 1, column=str(name), run=labels[i]),
                )
            )
        if missing:
            continue
        if pd.api.types.is_numeric_dtype(column) or pd.api.types.is_bool_dtype(column):
            columns.append(column.to_numpy(dtype=np.float64))
            names.append(str(name))
            continue
        text = column.astype(str)
        for level in sorted(text.unique())[1:]:
            columns.append((text == level).to_numpy(dtype=np.float64))
            names.append(f"{name}: {level}")
    table = np.column_stack(columns) if columns else np.empty((k, 0))
    return table, tuple(names), faults


def _moderator_frame(moderators: Any, keys: pd.Index | None) -> pd.DataFrame:
    keyed = True
    if isinstance(moderators, pd.Series):
        moderators = moderators.to_frame(name=moderators.name or "moderator")
    elif isinstance(moderators, Mapping):
        keyed = any(isinstance(column, pd.Series) for column in moderators.values())
        moderators = pd.DataFrame(dict(moderators))
    elif not isinstance(moderators, pd.DataFrame):
        array = np.asarray(moderators)
        array = array[:, np.newaxis] if array.ndim == 1 else array
        if array.ndim != 2:
            raise InputError(f"moderators has shape {array.shape}. Give one row a study.")
        names = (
            ["moderator"]
            if array.shape[1] == 1
            else [f"moderator {j + 1}" for j in range(array.shape[1])]
        )
        keyed = False
        moderators = pd.DataFrame(array, columns=names)
    if keys is not None and keyed and not moderators.index.equals(keys):
        moderators = _reordered(moderators, "moderators", keys)
    return pd.DataFrame(moderators)


def _covariance(covariance: Any, keys: pd.Index | None, variance: FloatArray) -> FloatArray:
    if isinstance(covariance, pd.DataFrame) and keys is not None:
        if set(covariance.index) != set(keys) or set(covariance.columns) != set(keys):
            raise InputError(
                "covariance and estimate have other row names. Use the same names in both."
            )
        covariance = covariance.loc[keys, keys]
    matrix = np.asarray(covariance, dtype=np.float64)
    k = variance.size
    if matrix.shape != (k, k):
        raise InputError(f"covariance has shape {matrix.shape}. Give {k} rows and {k} columns.")
    scale = np.sqrt(np.outer(variance, variance))
    if not np.all(np.isfinite(matrix)) or np.any(
        np.abs(matrix - matrix.T) > SYMMETRY_TOLERANCE * scale
    ):
        raise InputError("covariance is not a finite symmetric matrix. Give one.")
    if np.any(np.abs(np.diag(matrix) - variance) > SYMMETRY_TOLERANCE * variance):
        raise InputError("The diagonal of covariance differs from variance. Make them equal.")
    if np.linalg.eigvalsh(matrix / scale)[0] <= SMALLEST_EIGENVALUE:
        raise InputError(
            "covariance is not positive definite: some combination of the effects would have no "
            "variance. Correct the shared terms."
        )
    return (matrix + matrix.T) / 2
