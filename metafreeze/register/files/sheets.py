"""What the readers hand over: a file as tables of verbatim text, with what was decided.

The reading half (bytes to `SourceFile`) knows nothing of the schema. The naming half
(`SourceFile` to schema rows) knows nothing of bytes, delimiters or workbooks.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from metafreeze.errors import Fault
from metafreeze.register.files.long_text import LongText, Text

DayOrder = Literal["day-first", "month-first", "year-first", "undecidable", ""]


def shown_name(path: Path) -> str:
    """Give a file's name as text that can be stored: a byte that is no text becomes a mark.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    str
    """
    return os.fsencode(path.name).decode("utf-8", errors="replace")


# Cells of a long text are taken so many at a time.
_NEIGHBOURS = 5


def cells_over_length(text: Text, most: int) -> Text:
    """Take cells of a column evenly over its length, its first and its last among them.

    Parameters
    ----------
    text : pyarrow string array, shape (n,)
        The cells.
    most : int
        How many are taken where there are more.

    Returns
    -------
    pyarrow string array, shape (min(n, most),)
    """
    if len(text) <= most:
        return text
    if isinstance(text, LongText):
        # Neighbours are found together.
        starts = np.linspace(0, len(text) - _NEIGHBOURS, most // _NEIGHBOURS).astype(np.int64)
        return text.take((starts[:, None] + np.arange(_NEIGHBOURS)).ravel())
    at = np.linspace(0, len(text) - 1, most).astype(np.int64)
    if not isinstance(text, pa.ChunkedArray):
        return text.take(pa.array(at))
    # Taken from the whole, the chunks would be joined first, at the cost of a copy of all.
    ends = np.cumsum([len(chunk) for chunk in text.chunks])
    parts = np.split(at, np.searchsorted(at, ends[:-1]))
    starts = ends - [len(chunk) for chunk in text.chunks]
    taken = [
        chunk.take(pa.array(part - start))
        for chunk, part, start in zip(text.chunks, parts, starts, strict=True)
    ]
    return pa.chunked_array(taken, type=text.type)


@dataclass(frozen=True, slots=True, kw_only=True)
class Dialect:
    """How a file was read, decided once from all its rows.

    Parameters
    ----------
    encoding : str
        Such as ``utf-8``; empty for workbooks and Parquet.
    delimiter : str
        One character, or empty.
    decimal : {".", ",", "undecidable", ""}
        Decimal mark of the file; empty where no number has one.
    grouping : str
        Thousands mark, or empty.
    evidence : tuple of str
        One plain sentence a decision, such as "decimal comma: 6 of 8 numbers have one".
    """

    encoding: str = ""
    delimiter: str = ""
    decimal: str = ""
    grouping: str = ""
    evidence: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, object]:
        """Give the decisions as plain values, for the journal and for machines."""
        return {
            "encoding": self.encoding,
            "delimiter": self.delimiter,
            "decimal": self.decimal,
            "grouping": self.grouping,
            "evidence": list(self.evidence),
        }


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Column:
    """One column of a table, verbatim.

    Parameters
    ----------
    heading : str
        Heading as it stands (header rows of several lines joined by a space); empty if none.
    position : int
        Place in the file, counted from 1.
    unit : str
        Text of the units row under the heading, verbatim; empty if there is none.
    group : str
        Text of a merged or repeated heading above this one, such as "Hot (80 °C)".
    text : string array, shape (rows,)
        Cells as typed, outer white space kept; null where the cell is empty. Of a long trace
        they are cut from the file's bytes when they are asked for (`LongText`).
    numbers : float array, shape (rows,), optional
        Stored numbers of a typed source (workbook, Parquet); NaN where the cell is not a
        number. `text` then holds the shortest exact decimal-point spelling.
    dates : bool array, shape (rows,), optional
        True where a workbook cell is stored as a date; `text` then holds ISO 8601.
    day_order : str
        Order of day and month in the column, decided from all its rows.
    heading_is_date : bool
        True where a workbook heading is stored as a date; `heading` then holds ISO 8601.
    """

    heading: str
    position: int
    text: Text
    unit: str = ""
    group: str = ""
    numbers: npt.NDArray[np.float64] | None = None
    dates: npt.NDArray[np.bool_] | None = None
    day_order: DayOrder = ""
    heading_is_date: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RawTable:
    """One table of a file.

    Parameters
    ----------
    columns : tuple of Column
        In file order.
    file_rows : int array, shape (rows,)
        Row of each record as an editor or a spreadsheet counts it (1 = first line).
    header_row : int
        Row of the heading; 0 where there is none.
    sheet : str
        Worksheet name, or empty.
    hidden : bool array, shape (rows,), optional
        True where a workbook row is hidden.
    preamble : dict
        Key and value lines found above the table.
    footer : tuple of str
        Lines found below it that are not records.
    unreadable : tuple of Fault
        Rows that could not be read as records of this table (they are not in `columns`).
    breaks : tuple of int
        Places in the records before which the heading stood again, as where two logs were
        joined; rows on either side may differ in their clock.
    is_trace : bool
        True where the table is a temperature trace (many readings against a clock).
    because : str
        Why it was taken for a trace, or not, in one sentence.
    """

    columns: tuple[Column, ...]
    file_rows: npt.NDArray[np.signedinteger[Any]]
    header_row: int
    sheet: str = ""
    hidden: npt.NDArray[np.bool_] | None = None
    preamble: dict[str, str] = field(default_factory=dict)
    footer: tuple[str, ...] = ()
    unreadable: tuple[Fault, ...] = ()
    breaks: tuple[int, ...] = ()
    is_trace: bool = False
    because: str = ""

    @property
    def n_rows(self) -> int:
        """Number of records."""
        return int(self.file_rows.size)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SourceFile:
    """A file as read.

    Parameters
    ----------
    name : str
        File name without its folder.
    sha256 : str
        Hash of its bytes.
    dialect : Dialect
        What was decided.
    tables : tuple of RawTable
        Tables found, in file order; several for a workbook with several sheets.
    findings : tuple of Fault
        What reading found, in file order.
    """

    name: str
    sha256: str
    dialect: Dialect
    tables: tuple[RawTable, ...]
    findings: tuple[Fault, ...] = ()
