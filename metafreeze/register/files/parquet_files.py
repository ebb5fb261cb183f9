"""Parquet files, read with the types that they declare."""

from __future__ import annotations

import io

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from metafreeze.errors import Fault, Location
from metafreeze.register.files.sheets import Column, RawTable
from metafreeze.register.files.tables import Draft, file_fault, refuse_file

# Limits above which a file is refused before its columns are unpacked.
MOST_BYTES = 4 << 30
MOST_COLUMNS = 16_384
MOST_CELLS = 500_000_000


def read_parquet(data: bytes, *, name: str) -> Draft:
    """Read a Parquet file.

    Parameters
    ----------
    data : bytes
        The file.
    name : str
        Its name, for the findings.

    Returns
    -------
    Draft
        One table, rows counted from 1; headings are the column names.
    """
    try:
        source = pq.ParquetFile(io.BytesIO(data))
        size = _unpacked(source)
        n_columns = len(source.schema_arrow)
        cells = source.metadata.num_rows * n_columns
        if size > MOST_BYTES or n_columns > MOST_COLUMNS or cells > MOST_CELLS:
            fault = file_fault(
                "too-large",
                f"Unpacked, the file has {n_columns} columns and {source.metadata.num_rows} rows",
                "Give the runs in smaller files",
                name,
            )
            return refuse_file(name, fault)
        table = source.read()
        # A name that is no text shows itself only where it is asked for.
        names = [field.name for field in table.schema]
    except (pa.ArrowException, OSError, UnicodeDecodeError) as problem:
        first = str(problem).splitlines()[0] if str(problem) else type(problem).__name__
        fault = file_fault(
            "damaged-parquet",
            f"The Parquet file cannot be read ({first})",
            "Write it again, or copy it again from where it came",
            name,
        )
        return refuse_file(name, fault)
    findings: list[Fault] = []
    columns = []
    for at, heading in enumerate(names):
        column = _read_column(table.column(at), heading, at + 1)
        if column is None:
            findings.append(
                Fault(
                    rule="nested-column",
                    message=f"Column “{heading}” holds {table.column(at).type}, not single values",
                    remedy="Write one value a cell",
                    location=Location(file=name, column=heading),
                )
            )
        else:
            columns.append(column)
    raw = RawTable(
        columns=tuple(columns),
        file_rows=np.arange(1, table.num_rows + 1, dtype=np.int64),
        header_row=0,
    )
    if not columns and not findings:
        fault = file_fault("no-table", "The file holds no columns", "Give a table of runs", name)
        return refuse_file(name, fault)
    return Draft(
        name=name,
        tables=(raw,) if columns else (),
        findings=findings,
        evidence=("types: as the Parquet file declares them",),
    )


def _unpacked(source: pq.ParquetFile) -> int:
    """Add up what the row groups take in memory."""
    meta = source.metadata
    return sum(meta.row_group(k).total_byte_size for k in range(meta.num_row_groups))


def _read_column(values: pa.ChunkedArray, heading: str, position: int) -> Column | None:
    """Give a column as text, with its numbers or dates beside; None where it is nested."""
    if pa.types.is_dictionary(values.type):
        values = pc.cast(values, values.type.value_type)
    kind = values.type
    numbers: npt.NDArray[np.float64] | None = None
    dates: npt.NDArray[np.bool_] | None = None
    order = ""
    if pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_string_view(kind):
        text = pc.cast(values, pa.string())
        blank = pc.fill_null(pc.equal(pc.utf8_trim_whitespace(text), ""), False)
        text = pc.if_else(blank, pa.scalar(None, pa.string()), text)
    elif pa.types.is_boolean(kind):
        text = pc.if_else(values, "TRUE", "FALSE")
    elif pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind):
        text, numbers = _spell_numbers(values)
    elif pa.types.is_date(kind) or pa.types.is_timestamp(kind):
        text = _spell_dates(values)
        dates = values.is_valid().to_numpy()
        order = "year-first"
    elif pa.types.is_time(kind):
        text = _trim_fraction(pc.cast(values, pa.string()))
    elif pa.types.is_duration(kind):
        text, numbers = _spell_numbers(_seconds(values))
    elif pa.types.is_null(kind):
        text = pc.cast(values, pa.string())
    else:
        return None
    return Column(
        heading=heading,
        position=position,
        text=text,
        numbers=numbers,
        dates=dates,
        day_order="year-first" if order else "",
    )


def _spell_numbers(
    values: pa.ChunkedArray,
) -> tuple[pa.ChunkedArray, npt.NDArray[np.float64]]:
    """Spell numbers in the shortest exact way; not-a-number and infinities are empty."""
    if pa.types.is_decimal(values.type) or pa.types.is_integer(values.type):
        text = pc.cast(values, pa.string())
        doubles = pc.cast(values, pa.float64(), safe=False)
    else:
        wide = values if values.type == pa.float64() else _widen(values)
        finite = pc.fill_null(pc.is_finite(wide), False)
        doubles = pc.if_else(finite, wide, pa.scalar(None, pa.float64()))
        text = pc.cast(doubles, pa.string())
    numbers: npt.NDArray[np.float64] = pc.fill_null(doubles, np.nan).to_numpy()
    return text, numbers


def _widen(values: pa.ChunkedArray) -> pa.ChunkedArray:
    """Take a short float for the decimal number that it was written as: 41.2, not 41.20000076."""
    if values.type == pa.float16():
        values = pc.cast(values, pa.float32())
    return pc.cast(pc.cast(values, pa.string()), pa.float64())


def _spell_dates(values: pa.ChunkedArray) -> pa.ChunkedArray:
    """Write dates as ISO 8601; midnight without a zone is a date alone."""
    if pa.types.is_date(values.type):
        return pc.cast(pc.cast(values, pa.date32()), pa.string())
    if values.type.tz:
        text = _trim_fraction(pc.strftime(values, "%Y-%m-%dT%H:%M:%S%z"))
        return pc.replace_substring_regex(text, "([+-][0-9]{2})([0-9]{2})$", r"\1:\2")
    text = pc.replace_substring(pc.cast(values, pa.string()), " ", "T")
    return pc.replace_substring_regex(_trim_fraction(text), "T00:00:00$", "")


def _trim_fraction(text: pa.ChunkedArray) -> pa.ChunkedArray:
    """Take zeros at the end of a second's fraction away, and the point if nothing is left."""
    text = pc.replace_substring_regex(text, r"\.0+([+-]|$)", r"\1")
    return pc.replace_substring_regex(text, r"(\.[0-9]*[1-9])0+([+-]|$)", r"\1\2")


def _seconds(values: pa.ChunkedArray) -> pa.ChunkedArray:
    """Give durations in seconds."""
    per_second = {"s": 1, "ms": 1e3, "us": 1e6, "ns": 1e9}[values.type.unit]
    return pc.divide(pc.cast(pc.cast(values, pa.int64()), pa.float64()), per_second)
