"""The immutable Parquet parts, one an entry, and reading many of them as one table."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from metafreeze.errors import Fault, Location, RegisterError
from metafreeze.register.folder.disk import write_whole
from metafreeze.register.folder.entries import TEXT_DTYPE, spell_count
from metafreeze.register.schema import FIELD, FIELDS, SCHEMA_VERSION, arrow_schema

ROWS_FOLDER = "rows"
BIN_COLUMN = "ledger_bin"

# Types that an older part may have, and what they are widened to on purpose. Anything
# else in place of a schema type is refused.
_WIDENED_FROM: dict[pa.DataType, tuple[pa.DataType, ...]] = {
    pa.float64(): (pa.float32(), pa.int64(), pa.int32(), pa.null()),
    pa.int64(): (pa.int32(), pa.int16(), pa.null()),
    pa.string(): (pa.large_string(), pa.null()),
    pa.bool_(): (pa.null(),),
}

# Texts that few rows share are not worth a dictionary, nor are numbers.
_ALL_DIFFERENT = {"run_id", "specimen_id", "inserted_at", "remark", "as_reported", "trace_channel"}
_REPEATED = [
    f.name for f in FIELDS if f.kind in ("text", "choice", "date") and f.name not in _ALL_DIFFERENT
] + [BIN_COLUMN]

_READERS = min(4, os.cpu_count() or 1)

# Parts of fewer rows on average are joined column by column.
_ROWS_WORTH_CHUNKS = 2_000

# Below that, handing parts to threads costs more than reading them.
_ROWS_WORTH_THREADS = 50_000


@dataclass(frozen=True, slots=True, kw_only=True)
class PartRecord:
    """What the journal says of a part.

    Parameters
    ----------
    entry_id : str
        The entry; it also names the file.
    sha256 : str
        Hash of the file.
    rows : int
        Number of rows.
    """

    entry_id: str
    sha256: str
    rows: int

    @property
    def name(self) -> str:
        """Name of the file as people see it, inside the register."""
        return f"{ROWS_FOLDER}/{self.entry_id}.parquet"


class DamagedPartError(Exception):
    """A part is missing or its bytes are not those that were written; caught in this folder."""

    def __init__(self, fault: Fault) -> None:
        self.fault = fault
        super().__init__(str(fault))


def encode_part(table: pa.Table) -> bytes:
    """Spell a part as Parquet, in memory.

    Only columns with a value are written: nine in ten of most sheets have none, and
    spelling those took half the time. Reading gives every column of the schema.

    Parameters
    ----------
    table : pyarrow.Table
        Rows in the schema, with the ledger bin of each as last column.

    Returns
    -------
    bytes
    """
    stream = pa.BufferOutputStream()
    filled = [n for n in table.column_names if table[n].null_count < table.num_rows]
    pq.write_table(
        table.select(filled),
        stream,
        compression="lz4",
        use_dictionary=[n for n in _REPEATED if n in filled],
        # Nothing is ever asked of the statistics of a filled column.
        write_statistics=False,
    )
    content: bytes = stream.getvalue().to_pybytes()
    return content


def write_part(folder: Path, entry_id: str, content: bytes, rows: int) -> PartRecord:
    """Put the part of an entry on the disk.

    Parameters
    ----------
    folder : Path
        The register.
    entry_id : str
        The entry.
    content : bytes
        What `encode_part` gave.
    rows : int
        Number of rows.

    Returns
    -------
    PartRecord
        For the journal, which alone makes the part count.
    """
    record = PartRecord(entry_id=entry_id, sha256=hashlib.sha256(content).hexdigest(), rows=rows)
    write_whole(folder / record.name, content)
    return record


def read_part(folder: Path, record: PartRecord, *, columns: Sequence[str]) -> pa.Table:
    """Read a part, checking its bytes against the journal.

    Parameters
    ----------
    folder : Path
        The register.
    record : PartRecord
        What the journal says of it.
    columns : sequence of str
        The columns wanted, in this order.

    Returns
    -------
    pyarrow.Table
        In the schema of today.

    Raises
    ------
    DamagedPartError
        The file is missing or its bytes are not those that were written.
    RegisterError
        A newer version wrote it, or a column has a type that cannot be widened.
    """
    return stack_rows([(_read_filled(folder, record, columns), record.rows)], columns)


def read_parts(
    folder: Path, records: Iterable[PartRecord], *, columns: Sequence[str]
) -> list[pa.Table | Fault]:
    """Read many parts at once; a damaged one gives its fault in place of its table.

    Parameters
    ----------
    folder : Path
        The register.
    records : iterable of PartRecord
        The parts.
    columns : sequence of str
        The columns wanted.

    Returns
    -------
    list
        In the order of `records`; of each part only the columns with a value in it, for
        `stack_rows`.
    """

    def read(record: PartRecord) -> pa.Table | Fault:
        try:
            return _read_filled(folder, record, columns)
        except DamagedPartError as damaged:
            return damaged.fault

    records = list(records)
    if sum(record.rows for record in records) < _ROWS_WORTH_THREADS:
        return [read(record) for record in records]
    # One part a thread: hashing and decoding both run outside the interpreter's lock.
    with ThreadPoolExecutor(_READERS) as readers:
        return list(readers.map(read, records))


def stack_rows(pieces: Sequence[tuple[pa.Table, int]], columns: Sequence[str]) -> pa.Table:
    """Put pieces of different width under each other.

    Parameters
    ----------
    pieces : sequence of (pyarrow.Table, int)
        Tables of which each has some of the columns, and their numbers of rows.
    columns : sequence of str
        Columns of the result, in this order.

    Returns
    -------
    pyarrow.Table
        In the schema of today; nulls where a piece lacks a column.
    """
    today = _part_schema()
    fields = [today.field(name) for name in columns]
    there = [set(table.column_names) for table, _ in pieces]
    total = sum(rows for _, rows in pieces)
    # Many small chunks are slower to use than to join.
    join = total < _ROWS_WORTH_CHUNKS * len(pieces)
    # Arrow arrays never change, so that one empty column can stand for all of its type.
    empty = {kind: pa.nulls(total, kind) for kind in {field.type for field in fields}}
    arrays = []
    for field in fields:
        if not any(field.name in names for names in there):
            arrays.append(empty[field.type])
            continue
        chunks: list[pa.Array] = []
        for (table, rows), names in zip(pieces, there, strict=True):
            if field.name in names:
                chunks += table.column(field.name).chunks
            else:
                chunks.append(pa.nulls(rows, field.type))
        arrays.append(pa.concat_arrays(chunks) if join and chunks else pa.chunked_array(chunks))
    return pa.table(arrays, schema=pa.schema(fields))


def check_part(folder: Path, record: PartRecord) -> Fault | None:
    """Say what is wrong with the bytes of a part, if anything is."""
    try:
        _believed_bytes(folder, record)
    except DamagedPartError as damaged:
        return damaged.fault
    return None


def to_pandas(table: pa.Table) -> pd.DataFrame:
    """Turn rows into a frame with fixed types, whatever is missing in them.

    Parameters
    ----------
    table : pyarrow.Table
        Rows in the schema; the table is used up.

    Returns
    -------
    DataFrame
        Text as pandas' text type, numbers as float64, counts as Int64, flags as
        boolean; rows numbered from 0.
    """
    types: dict[pa.DataType, Any] = {
        pa.string(): TEXT_DTYPE,
        pa.large_string(): TEXT_DTYPE,
        pa.int64(): pd.Int64Dtype(),
        pa.bool_(): pd.BooleanDtype(),
    }
    # Pandas keeps text as large strings. One empty column of them serves all empty ones,
    # where each would otherwise be converted by itself.
    nothing = pa.nulls(table.num_rows, pa.large_string())
    table = pa.table(
        {
            field.name: nothing
            if field.type == pa.string() and column.null_count == len(column)
            else column
            for field, column in zip(table.schema, table.columns, strict=True)
        }
    )
    frame: pd.DataFrame = table.to_pandas(
        types_mapper=types.get, split_blocks=True, self_destruct=True
    )
    return frame


def _believed_bytes(folder: Path, record: PartRecord) -> bytes:
    try:
        content = (folder / record.name).read_bytes()
    except FileNotFoundError:
        raise DamagedPartError(_damaged(record, "part-missing", "is gone")) from None
    except OSError as trouble:
        reason = trouble.strerror or str(trouble)
        raise DamagedPartError(
            _damaged(record, "part-unreadable", f"cannot be read ({reason})")
        ) from trouble
    if hashlib.sha256(content).hexdigest() != record.sha256:
        raise DamagedPartError(
            _damaged(record, "part-damaged", "is damaged: its checksum is not the journal's")
        )
    return content


def _damaged(record: PartRecord, rule: str, state: str) -> Fault:
    return Fault(
        rule=rule,
        message=f"{record.name} {state}; entry {record.entry_id} is left out "
        f"({spell_count(record.rows, 'row')})",
        remedy=f"Restore it from a copy, or undo {record.entry_id} and add its file again "
        "from the folder sources",
        location=Location(file=record.name),
    )


def _require_known(schema: pa.Schema, record: PartRecord) -> None:
    version = int((schema.metadata or {}).get(b"metafreeze_schema", b"1"))
    if version > SCHEMA_VERSION:
        raise RegisterError(
            f"{record.name} was written with schema {version}; this version of metafreeze "
            f"knows schema {SCHEMA_VERSION}. Update metafreeze and open the register again."
        )
    strange = [name for name in schema.names if name not in FIELD and name != BIN_COLUMN]
    if strange:
        raise RegisterError(
            f"{record.name} has a column {strange[0]} that schema {SCHEMA_VERSION} lacks. "
            "Open the register with the version of metafreeze that wrote it."
        )


def _filled_columns(metadata: pq.FileMetaData) -> set[str]:
    """Name the columns with at least one value.

    Most columns of most sheets are empty; the part's own statistics say so, and making
    an empty column costs a sixth of decoding one.
    """
    filled = set()
    for group in map(metadata.row_group, range(metadata.num_row_groups)):
        for column in map(group.column, range(group.num_columns)):
            statistics = column.statistics
            if statistics is None or statistics.null_count != group.num_rows:
                filled.add(column.path_in_schema)
    return filled


def _read_filled(folder: Path, record: PartRecord, columns: Sequence[str]) -> pa.Table:
    """Read those of the columns that have a value in the part, in the types of today."""
    content = _believed_bytes(folder, record)
    try:
        # The journal may vouch for bytes that are no part, where both come from a stranger.
        file = pq.ParquetFile(pa.BufferReader(content))
        _require_known(file.schema_arrow, record)
        filled = _filled_columns(file.metadata)
        table = file.read(columns=[name for name in columns if name in filled], use_threads=False)
    except (pa.ArrowException, OSError, ValueError) as wrong:
        raise DamagedPartError(_damaged(record, "part-unreadable", "is no Parquet file")) from wrong
    if file.metadata.num_rows != record.rows:
        state = f"has {spell_count(file.metadata.num_rows, 'row')}, not those of the journal"
        raise DamagedPartError(_damaged(record, "part-damaged", state))
    for at, name in enumerate(table.column_names):
        column, kind = table.column(at), _part_schema().field(name).type
        if column.type == kind:
            continue
        if column.type not in _WIDENED_FROM[kind]:
            raise RegisterError(
                f"{record.name}, column {name} holds {column.type}; the schema has {kind}. "
                "The types clash, so the part is not read. Open the register with the "
                "version of metafreeze that wrote it."
            )
        table = table.set_column(at, name, column.cast(kind))
    return table


@cache
def _part_schema() -> pa.Schema:
    return arrow_schema().append(pa.field(BIN_COLUMN, pa.string()))
