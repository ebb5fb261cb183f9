"""Turn design covariates of rows into columns: numbers as they are, words as indicators."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from metafreeze.errors import InputError
from metafreeze.register.schema import FIELD
from metafreeze.results import BoolArray, FloatArray

# Times grow in proportion to the amount of water, so its logarithm is what a log time takes.
ON_LOGARITHMS = ("water_mass_start_g",)
MEDIATORS = tuple(f.name for f in FIELD.values() if f.role == "mediator")


@dataclass(frozen=True, slots=True, kw_only=True)
class DesignColumns:
    """Columns of the design covariates.

    Parameters
    ----------
    columns : array, shape (n, c)
    names : tuple of str, length c
    references : tuple of str
        For each covariate of words the level that the others are compared with.
    """

    columns: FloatArray
    names: tuple[str, ...]
    references: tuple[str, ...]


def check_design(rows: pd.DataFrame, design: Sequence[str]) -> tuple[str, ...]:
    """Check the names of design covariates.

    Parameters
    ----------
    rows : DataFrame
    design : sequence of str

    Returns
    -------
    tuple of str

    Raises
    ------
    InputError
        A column is missing, repeated or an outcome.
    """
    if isinstance(design, str):
        raise InputError(f"design is the text {design!r}. Give a list of column names.")
    names = tuple(design)
    for name in names:
        if names.count(name) > 1:
            raise InputError(f"design names {name!r} twice. Name it once.")
        if name not in rows:
            listed = ", ".join(str(c) for c in rows.columns)
            raise InputError(f"design names {name!r}, which is no column. Choose from {listed}.")
        field = FIELD.get(name)
        if name == "start_temp_c" or (field is not None and field.role == "outcome"):
            raise InputError(
                f"design names {name!r}, which is the treatment or an outcome. Name what was set "
                "before the run, such as vessel_material."
            )
    return names


def missing_in(rows: pd.DataFrame, name: str) -> BoolArray:
    """Say which rows have no value of a covariate."""
    column = rows[name]
    missing = column.isna().to_numpy(dtype=bool)
    if not pd.api.types.is_numeric_dtype(column.dtype):
        blank = np.array([isinstance(v, str) and not v.strip() for v in column], dtype=bool)
        missing = missing | blank
    return missing


def code_design(
    rows: pd.DataFrame, names: tuple[str, ...], weight: FloatArray, comparable: BoolArray
) -> DesignColumns:
    """Write covariates as columns; rows that are differences get zeros.

    Parameters
    ----------
    rows : DataFrame, n rows
        Rows in the fit, no value missing where `comparable`.
    names : tuple of str
    weight : array, shape (n,)
        Runs behind each row; the commonest level by runs is the reference.
    comparable : array of bool, shape (n,)
        False for differences between two arms of one gear.

    Returns
    -------
    DesignColumns
    """
    columns: list[FloatArray] = []
    labels: list[str] = []
    references: list[str] = []
    for name in names:
        values = rows[name]
        numeric = pd.api.types.is_numeric_dtype(values.dtype)
        if numeric and not pd.api.types.is_bool_dtype(values.dtype):
            column = values.to_numpy(dtype=np.float64, na_value=np.nan)
            label = name
            if name in ON_LOGARITHMS:
                column, label = np.log(np.where(comparable, column, 1.0)), f"ln {name}"
            columns.append(np.where(comparable, column, 0.0))
            labels.append(label)
            continue
        words = np.array([_word(v) for v in values], dtype=object)
        levels = _levels_by_weight(words[comparable], weight[comparable])
        references.append(f"{name}={levels[0]}" if levels else name)
        if len(levels) == 1:
            # One level only: a column that the identification names as constant.
            columns.append(np.where(comparable, 1.0, 0.0))
            labels.append(f"{name}={levels[0]}")
        for level in levels[1:]:
            columns.append(np.where(comparable & (words == level), 1.0, 0.0))
            labels.append(f"{name}={level}")
    table = np.column_stack(columns) if columns else np.zeros((len(rows), 0))
    return DesignColumns(columns=table, names=tuple(labels), references=tuple(references))


def _word(value: object) -> str:
    return "" if value is None or value is pd.NA else str(value).strip()


def _levels_by_weight(words: npt.NDArray[np.object_], weight: FloatArray) -> list[str]:
    totals: dict[str, float] = {}
    for word, w in zip(words, weight, strict=True):
        totals[word] = totals.get(word, 0.0) + float(w)
    first = min(totals, key=lambda k: (-totals[k], k)) if totals else None
    return [] if first is None else [first, *sorted(k for k in totals if k != first)]
