"""Results and tables as files that any program reads: JSON, Parquet, CSV, and a dictionary.

JSON and Parquet hold every value as it is. CSV is for people and spreadsheets, so a text that a
spreadsheet would run as a formula gets an apostrophe in front.
"""

from __future__ import annotations

import io
import json
import math
import re
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from metafreeze.errors import InputError
from metafreeze.register.schema import FIELD
from metafreeze.reporting.labels import visible

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
_PLAIN_NUMBER = re.compile(r"[-+]?\d+([.,]\d+)?")
DICTIONARY_COLUMNS = ("table", "column", "type", "unit", "meaning")


def json_text(results: Mapping[str, Any]) -> str:
    """Write results as JSON in plain ASCII, the same bytes for the same values.

    Parameters
    ----------
    results : mapping
        Values, lists, mappings, arrays and frames (a frame becomes a list of its rows).

    Returns
    -------
    str
        NaN becomes null; an infinite limit becomes "Infinity" or "-Infinity", which JSON has no
        number for.

    Raises
    ------
    InputError
        A value of a type that JSON has no form for; the message says where it stands.
    """
    ready = _json_value(results, "results")
    return json.dumps(ready, ensure_ascii=True, allow_nan=False, indent=1) + "\n"


def _json_value(value: Any, place: str) -> Any:
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or value is pd.NA or value is pd.NaT:
        return None
    if isinstance(value, (bool, int, str)):
        return value
    if isinstance(value, float):
        if math.isnan(value):
            return None
        if math.isinf(value):
            return "Infinity" if value > 0 else "-Infinity"
        return value
    if isinstance(value, Mapping):
        return {str(k): _json_value(v, f"{place}.{k}") for k, v in value.items()}
    if isinstance(value, pd.DataFrame):
        return _json_value(value.to_dict("records"), place)
    if isinstance(value, (list, tuple, np.ndarray, pd.Series)):
        return [_json_value(v, f"{place}[{n}]") for n, v in enumerate(value)]
    raise InputError(
        f"{place} is a {type(value).__name__}, which JSON has no form for. "
        "Give numbers, text, lists, mappings, arrays or frames."
    )


def parquet_bytes(frame: pd.DataFrame) -> bytes:
    """Write a table as Parquet.

    Parameters
    ----------
    frame : DataFrame
        The table; its row labels are left out.

    Returns
    -------
    bytes
    """
    out = io.BytesIO()
    frame.to_parquet(out, index=False)
    return out.getvalue()


def csv_text(frame: pd.DataFrame) -> str:
    """Write a table as CSV that a spreadsheet opens without running anything.

    Parameters
    ----------
    frame : DataFrame
        The table; its row labels are left out.

    Returns
    -------
    str
        Comma-separated, a point as decimal mark, full precision. Controls in texts are written
        as code points; a text that would be a formula begins with an apostrophe.
    """
    safe = frame.copy()
    for name in safe.columns:
        if not pd.api.types.is_numeric_dtype(safe[name]):
            safe[name] = [_inert(v) if isinstance(v, str) else v for v in safe[name]]
    safe.columns = pd.Index([_inert(str(c)) for c in safe.columns])
    text: str = safe.to_csv(index=False, lineterminator="\n")
    return text


def _inert(text: str) -> str:
    shown = visible(text)
    risky = text.lstrip(" \u00a0").startswith(FORMULA_STARTS) or text.startswith(FORMULA_STARTS)
    if risky and not _PLAIN_NUMBER.fullmatch(shown):
        return "'" + shown
    return shown


def dictionary_frame(
    tables: Mapping[str, pd.DataFrame], meanings: Mapping[str, str]
) -> pd.DataFrame:
    """Say what every column of every table is.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        The tables beside the report.
    meanings : mapping of str to str
        Meaning of columns that the register's schema does not have, by column name.

    Returns
    -------
    DataFrame
        One row per column: table, column, type, unit, meaning.
    """
    rows = []
    for table, frame in tables.items():
        for column in map(str, frame.columns):
            field = FIELD.get(column)
            rows.append(
                (
                    table,
                    column,
                    str(frame[column].dtype),
                    field.unit if field else _unit_in(column),
                    meanings.get(column, field.meaning if field else ""),
                )
            )
    return pd.DataFrame(rows, columns=list(DICTIONARY_COLUMNS), dtype="str")


def _unit_in(column: str) -> str:
    """Read the unit off a column's name, which ends in it where there is one."""
    endings = {"_s": "s", "_c": "°C", "_k": "K", "_g": "g", "_mm": "mm"}
    return next((unit for end, unit in endings.items() if column.endswith(end)), "")
