"""What every result shares: a frame, one line, a small table, an escaped fragment.

A result is a frozen dataclass made with ``@dataclass(**RESULT)``. Arrays are copied
and made read-only on the way in, and again after pickling. Results are compared
through their frames, since generated equality fails on arrays.
"""

from __future__ import annotations

import html
from collections.abc import Sequence
from dataclasses import fields
from typing import Any, TypedDict

import numpy as np
import numpy.typing as npt
import pandas as pd

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


class _ResultOptions(TypedDict):
    frozen: bool
    slots: bool
    kw_only: bool
    eq: bool
    repr: bool


RESULT: _ResultOptions = {
    "frozen": True,
    "slots": True,
    "kw_only": True,
    "eq": False,
    "repr": False,
}


def frozen_array(values: npt.ArrayLike, *, dtype: Any = np.float64) -> npt.NDArray[Any]:
    """Copy values into a read-only array.

    Parameters
    ----------
    values : array-like
        Any shape.
    dtype : numpy dtype
        Type of the copy.

    Returns
    -------
    array
        Same shape, C order, not writeable.
    """
    array = np.array(values, dtype=dtype, copy=True)
    array.setflags(write=False)
    return array


class Result:
    """Base of the results: frame, printouts, pickling.

    A subclass defines `to_frame` (one row per estimate, full precision, columns fixed
    even when empty) and `headline` (one line: estimate, interval, k, method).
    """

    __slots__ = ()

    def __post_init__(self) -> None:
        """Freeze the arrays and copy the frames that were handed in."""
        for name in self.field_names():
            value = getattr(self, name)
            if isinstance(value, np.ndarray):
                object.__setattr__(self, name, frozen_array(value, dtype=value.dtype))
            elif isinstance(value, pd.DataFrame):
                object.__setattr__(self, name, value.copy())

    @classmethod
    def field_names(cls) -> tuple[str, ...]:
        """List the names of the result's fields in their order."""
        return tuple(f.name for f in fields(cls))  # type: ignore[arg-type]

    def to_frame(self) -> pd.DataFrame:
        """Give the result as a table, one row per estimate, at full precision."""
        raise NotImplementedError

    def headline(self) -> str:
        """Say the result in one line."""
        raise NotImplementedError

    def __repr__(self) -> str:
        return f"<{type(self).__name__}: {self.headline()}>"

    def __str__(self) -> str:
        return self.headline() + "\n" + format_frame(self.to_frame())

    def _repr_html_(self) -> str:
        return html_table(self.to_frame(), caption=self.headline())

    def __reduce__(self) -> tuple[Any, ...]:
        # A frozen dataclass with slots gets its own __setstate__, which would hand back
        # writeable arrays after pickle and deepcopy; this comes before it.
        return _rebuild, (type(self), {name: getattr(self, name) for name in self.field_names()})


def _rebuild(kind: type[Result], values: dict[str, Any]) -> Result:
    result = object.__new__(kind)
    for name, value in values.items():
        object.__setattr__(result, name, value)
    Result.__post_init__(result)
    return result


def round_for_people(value: float, *, digits: int = 3) -> str:
    """Write a number with so many significant digits, plainly, for a printout.

    Parameters
    ----------
    value : float
        Any number; NaN is written as a dash.
    digits : int
        Significant digits.

    Returns
    -------
    str
    """
    if value is None or not np.isfinite(value):
        return "–" if value is None or np.isnan(value) else ("∞" if value > 0 else "−∞")
    if value == 0:
        return "0"
    if 1e-4 <= abs(value) < 1e6:
        places = max(0, digits - 1 - int(np.floor(np.log10(abs(value)))))
        text = f"{value:.{places}f}"
    else:
        text = f"{value:.{digits - 1}e}"
    return text.replace("-", "−")


def _cell(value: object) -> str:
    if isinstance(value, (float, np.floating)):
        return round_for_people(float(value))
    if value is None or value is pd.NA or value is pd.NaT:
        return "–"
    return str(value)


def format_frame(frame: pd.DataFrame, *, columns: Sequence[str] | None = None) -> str:
    """Write a frame as aligned text: words to the left, numbers to the right.

    Parameters
    ----------
    frame : DataFrame
        The table.
    columns : sequence of str, optional
        The columns to write; all by default.

    Returns
    -------
    str
    """
    shown = frame if columns is None else frame[list(columns)]
    numeric = [pd.api.types.is_numeric_dtype(dtype) for dtype in shown.dtypes]
    rows = [[str(c) for c in shown.columns]]
    rows += [[_cell(v) for v in row] for row in shown.itertuples(index=False, name=None)]
    widths = [max(len(row[j]) for row in rows) for j in range(len(rows[0]))] if rows[0] else []
    lines = []
    for row in rows:
        cells = [
            text.rjust(width) if right else text.ljust(width)
            for text, width, right in zip(row, widths, numeric, strict=True)
        ]
        lines.append("  ".join(cells).rstrip())
    return "\n".join(lines)


def html_table(frame: pd.DataFrame, *, caption: str = "") -> str:
    """Write a frame as an escaped HTML table with a caption and header scopes.

    Parameters
    ----------
    frame : DataFrame
        The table.
    caption : str
        What it shows.

    Returns
    -------
    str
    """
    head = "".join(f'<th scope="col">{html.escape(str(c))}</th>' for c in frame.columns)
    body = "".join(
        "<tr>" + "".join(f"<td>{html.escape(_cell(v))}</td>" for v in row) + "</tr>"
        for row in frame.itertuples(index=False, name=None)
    )
    title = f"<caption>{html.escape(caption)}</caption>" if caption else ""
    return f"<table>{title}<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
