"""The pooled rows for other programs, and the way back.

A spreadsheet takes a text that begins with ``=``, ``+``, ``-``, ``@``, a tab or a
carriage return for a formula. In a CSV such a text gets an apostrophe in front, which
makes it inert; a text that is one plain number is left as it is, and columns of numbers
are never touched, so that negative numbers stay numbers. A text that begins with an
apostrophe gets a second one, so that the way back is exact.
"""

from __future__ import annotations

import os
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.errors import InputError
from metafreeze.register.folder.disk import disk_trouble_explained, write_whole
from metafreeze.register.schema import FIELDS

EXPORT_SUFFIXES = (".csv", ".parquet")

_TEXT_FIELDS = tuple(f.name for f in FIELDS if f.kind in ("text", "choice", "date"))

# What a spreadsheet might run, and what the way back must tell from it.
_TO_GUARD = r"^['=+\-@\t\r]"
_GUARDED = r"^'['=+\-@\t\r]"
_PLAIN_NUMBER = r"^[+\-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+\-]?\d+)?$"


def export_rows(table: pa.Table, out: str | os.PathLike[str]) -> int:
    """Write rows to a CSV or Parquet file, whole or not at all.

    Parameters
    ----------
    table : pyarrow.Table
        Rows in the schema.
    out : path
        File to write; its ending decides the format.

    Returns
    -------
    int
        Number of rows written.

    Raises
    ------
    InputError
        The ending is neither ``.csv`` nor ``.parquet``.
    RegisterError
        The disk refuses the file.
    """
    path = Path(out)
    suffix = path.suffix.lower()
    if suffix not in EXPORT_SUFFIXES:
        raise InputError(
            f'The export file is "{path.name}". End its name in {" or ".join(EXPORT_SUFFIXES)}.'
        )
    stream = pa.BufferOutputStream()
    if suffix == ".csv":
        from pyarrow import csv

        csv.write_csv(make_inert(table), stream)
    else:
        import pyarrow.parquet as pq

        pq.write_table(table, stream, compression="zstd")
    with disk_trouble_explained(f"{path.name} could not be written"):
        write_whole(path, stream.getvalue().to_pybytes())
    return int(table.num_rows)


def make_inert(table: pa.Table) -> pa.Table:
    """Put an apostrophe before every text that a spreadsheet would take for a formula."""
    for name in _TEXT_FIELDS:
        column = table[name]
        risky = pc.and_(
            pc.match_substring_regex(column, _TO_GUARD),
            pc.invert(pc.match_substring_regex(column, _PLAIN_NUMBER)),
        )
        if pc.any(risky).as_py():
            guarded = pc.binary_join_element_wise("'", column, "")
            table = _set(table, name, pc.if_else(risky, guarded, column))
    return table


def undo_inert(table: pa.Table) -> pa.Table:
    """Take the apostrophes of `make_inert` off again."""
    for name in _TEXT_FIELDS:
        column = table[name]
        guarded = pc.match_substring_regex(column, _GUARDED)
        if pc.any(guarded).as_py():
            bare = pc.utf8_slice_codeunits(column, 1)
            table = _set(table, name, pc.if_else(guarded, bare, column))
    return table


def _set(table: pa.Table, name: str, column: pa.ChunkedArray) -> pa.Table:
    at = table.schema.get_field_index(name)
    return table.set_column(at, table.schema.field(name), column)
