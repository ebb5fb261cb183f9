"""An export on its way back: rows in the schema already, checked against it once more.

Such a file may hold runs and published summaries side by side, which no sheet typed by a
person does, so it is not read as one. It is known by its headings: all are names of the
schema, and those that nobody types are among them.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.errors import Fault, Location
from metafreeze.register.answers import BINS, FileCheck
from metafreeze.register.files.sheets import Dialect, shown_name
from metafreeze.register.folder.disk import hash_file
from metafreeze.register.folder.exporting import undo_inert
from metafreeze.register.schema import FIELD, FIELDS, Field, arrow_schema

BoolArray = npt.NDArray[np.bool_]

_NEVER_TYPED = {f.name for f in FIELDS if not f.sheets}


def read_export(path: Path) -> FileCheck | None:
    """Read a file that `export_rows` wrote.

    Parameters
    ----------
    path : Path
        Any file.

    Returns
    -------
    FileCheck or None
        None where the file is no export, or was changed so that it no longer reads as one.
    """
    suffix = path.suffix.lower()
    try:
        table = {".csv": _read_csv, ".parquet": _read_parquet}[suffix](path)
    except (KeyError, OSError, pa.ArrowInvalid, UnicodeDecodeError, csv.Error):
        return None
    if table is None:
        return None
    faults = tuple(_faults(table, shown_name(path)))
    bins = _bins(table)
    counts = dict(zip(*np.unique(bins, return_counts=True), strict=True))
    published = pc.any(pc.not_equal(table["record_level"], "run")).as_py()
    return FileCheck(
        file=shown_name(path),
        sha256=hash_file(path),
        kind="summaries" if published else "runs",
        accepted=not faults,
        dialect=Dialect(
            encoding="utf-8" if suffix == ".csv" else "",
            delimiter="," if suffix == ".csv" else "",
            decimal="." if suffix == ".csv" else "",
            evidence=("its headings are those of an export",),
        ),
        rows=table,
        bins=pa.array(bins, pa.string()),
        ledger={name: int(counts.get(name, 0)) for name in BINS},
        findings=faults,
        headings=tuple(table.column_names),
    )


def _is_export(names: Sequence[str]) -> bool:
    return len(set(names)) == len(names) and _NEVER_TYPED <= set(names) <= set(FIELD)


def _read_csv(path: Path) -> pa.Table | None:
    with path.open(encoding="utf-8", newline="") as stream:
        if not _is_export(next(csv.reader(stream), [])):
            return None
    from pyarrow import csv as arrow_csv

    table = arrow_csv.read_csv(
        path,
        parse_options=arrow_csv.ParseOptions(newlines_in_values=True),
        convert_options=arrow_csv.ConvertOptions(
            column_types=arrow_schema(),
            null_values=[""],
            strings_can_be_null=True,
            # A quoted empty text is one; an empty field is none.
            quoted_strings_can_be_null=False,
        ),
    )
    return undo_inert(_in_schema(table))


def _read_parquet(path: Path) -> pa.Table | None:
    import pyarrow.parquet as pq

    if not _is_export(pq.read_schema(path).names):
        return None
    return _in_schema(pq.read_table(path))


def _in_schema(table: pa.Table) -> pa.Table:
    columns = [
        table[f.name].cast(f.type)
        if f.name in table.column_names
        else pa.nulls(table.num_rows, f.type)
        for f in arrow_schema()
    ]
    return pa.table(columns, schema=arrow_schema())


def _bins(table: pa.Table) -> npt.NDArray[np.str_]:
    lower, upper = table["time_lower_s"], table["time_upper_s"]
    exact = pc.equal(lower, upper).fill_null(False).to_numpy(zero_copy_only=False)
    timed = pc.or_(pc.is_valid(lower), pc.is_valid(upper)).to_numpy(zero_copy_only=False)
    excluded = pc.is_valid(table["exclusion_reason"]).to_numpy(zero_copy_only=False)
    return np.where(excluded, "excluded", np.where(timed & ~exact, "not seen exactly", "used"))


def _faults(table: pa.Table, file: str) -> Iterator[Fault]:
    """Find what the schema does not allow; a person may have edited the file."""
    # Loaded here, since opening a register needs nothing of the way in.
    from metafreeze.register.meaning.values import LABEL_CHOICES

    for field in FIELDS:
        column = table[field.name]
        if field.name in ("record_level", "endpoint"):
            yield from _each(table, pc.is_null(column), field, file, "is empty")
        if column.null_count == len(column):
            continue
        if field.vocabulary and field.name not in LABEL_CHOICES:
            known = pc.is_in(column, value_set=pa.array(field.vocabulary))
            wrong = pc.and_(pc.is_valid(column), pc.invert(known))
            remedy = f"Use one of {', '.join(field.vocabulary)}"
            yield from _each(table, wrong, field, file, "is not in the vocabulary", remedy)
        elif field.kind in ("number", "integer"):
            above = pc.greater if field.low_open else pc.greater_equal
            inside = pc.and_(above(column, field.low), pc.less_equal(column, field.high))
            limits = f"{'above' if field.low_open else 'from'} {field.low:g} to {field.high:g}"
            remedy = f"Enter a value {limits} {field.unit}".rstrip()
            yield from _each(
                table, pc.invert(inside).fill_null(False), field, file, "is out of range", remedy
            )
    swapped = pc.greater(table["time_lower_s"], table["time_upper_s"]).fill_null(False)
    yield from _each(table, swapped, FIELD["time_lower_s"], file, "is later than time_upper_s")


def _each(
    table: pa.Table,
    wrong: pa.ChunkedArray,
    field: Field,
    file: str,
    state: str,
    remedy: str = "Mend the cell, or export the register again",
) -> Iterator[Fault]:
    for at in np.flatnonzero(wrong.to_numpy(zero_copy_only=False)).tolist():
        value = table[field.name][at].as_py()
        shown = "" if value is None else f" ({value})"
        yield Fault(
            rule="not-in-schema",
            message=f"{field.name} {state}{shown}",
            remedy=remedy,
            # Rows are counted as records below the heading.
            location=Location(
                file=file,
                row=at + 2,
                column=field.name,
                run=table["run_id"][at].as_py() or "",
            ),
            value="" if value is None else str(value),
        )
