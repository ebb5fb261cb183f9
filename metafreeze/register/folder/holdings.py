"""What the folder holds at one moment: its state, its rows, its accounts, its damage."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pyarrow as pa

from metafreeze.errors import Fault, Location, RegisterError
from metafreeze.register.answers import BINS
from metafreeze.register.folder.curves import check_curves
from metafreeze.register.folder.disk import hash_file
from metafreeze.register.folder.entries import LEDGER_BINS, Ledger, Sources
from metafreeze.register.folder.journal import JOURNAL_NAME, read_journal
from metafreeze.register.folder.parts import (
    BIN_COLUMN,
    ROWS_FOLDER,
    DamagedPartError,
    check_part,
    read_part,
    read_parts,
    stack_rows,
)
from metafreeze.register.folder.plan import SETTINGS_NAME, read_settings
from metafreeze.register.folder.standing import FileRecord, Standing, replay
from metafreeze.register.folder.taking import RECORD_COLUMNS, PartReader, count_records
from metafreeze.register.schema import arrow_schema

_PART_NAME = re.compile(r"e(\d{4,})\.parquet")


def load(folder: Path) -> Standing:
    """Read journal and settings and work out what stands.

    Parameters
    ----------
    folder : Path
        The register.

    Returns
    -------
    Standing

    Raises
    ------
    RegisterError
        A newer version of the package wrote it.
    """
    settings, faults = read_settings(folder)
    return replay(read_journal(folder), settings, faults)


def part_reader(folder: Path, standing: Standing) -> PartReader:
    """Give a function that reads an entry's part; a damaged one stops the work.

    Parameters
    ----------
    folder : Path
        The register.
    standing : Standing
        Its state.

    Returns
    -------
    callable
        Raises `RegisterError`: a row that cannot be read cannot be told from others.
    """

    def read(entry_id: str, columns: Sequence[str]) -> pa.Table:
        record = standing.entries[entry_id].part
        assert record is not None
        try:
            return read_part(folder, record, columns=columns)
        except DamagedPartError as damaged:
            raise RegisterError(
                f"{damaged.fault} Until then no rows can be compared with its rows."
            ) from damaged

    return read


def shown_rows(
    folder: Path, standing: Standing, *, entry_column: str = ""
) -> tuple[pa.Table, tuple[Fault, ...]]:
    """Read the rows that show.

    Parameters
    ----------
    folder : Path
        The register.
    standing : Standing
        Its state.
    entry_column : str
        Name of a last column with the entry of each row; none by default.

    Returns
    -------
    rows : pyarrow.Table
        In the schema, in the order of entries.
    faults : tuple of Fault
        The parts that are damaged; their rows are left out.
    """
    records = standing.part_records()
    pieces, faults, entries = [], [], []
    tables = read_parts(folder, records, columns=arrow_schema().names)
    for record, table in zip(records, tables, strict=True):
        if isinstance(table, Fault):
            faults.append(table)
            continue
        shown = standing.shown[record.entry_id]
        count = int(shown.sum())
        pieces.append((table if count == record.rows else table.filter(pa.array(shown)), count))
        entries.append(record.entry_id)
    rows = stack_rows(pieces, arrow_schema().names)
    if entry_column:
        which = np.repeat(np.arange(len(entries)), [count for _, count in pieces])
        names = pa.array(entries, pa.string()).take(pa.array(which, pa.int32()))
        rows = rows.append_column(entry_column, names)
    return rows, tuple(faults)


def find_damage(folder: Path, standing: Standing) -> tuple[Fault, ...]:
    """Compare the folder with the journal, byte by byte.

    Parameters
    ----------
    folder : Path
        The register.
    standing : Standing
        Its state.

    Returns
    -------
    tuple of Fault
        Journal first, then parts, then copies of files.
    """
    faults = list(standing.faults)
    if not standing.journal.lines:
        faults.append(
            _journal_fault("journal-missing", f"{JOURNAL_NAME} is gone or wholly unreadable")
        )
    elif standing.file_settings.as_of >= standing.journal.next_seq:
        faults.append(
            _journal_fault(
                "journal-tail",
                f"{JOURNAL_NAME} ends before entry {standing.file_settings.as_of}, "
                f"which {SETTINGS_NAME} knows",
            )
        )
    unclaimed = [s for s in part_numbers(folder) if s > standing.journal.next_seq]
    if unclaimed and standing.journal.lines:
        faults.append(
            _journal_fault(
                "part-unclaimed",
                f"{len(unclaimed)} parts in {ROWS_FOLDER} have no line in {JOURNAL_NAME}; "
                "its last lines are lost",
            )
        )
    parts = [e.part for e in standing.entries.values() if e.part is not None]
    faults += [fault for part in parts if (fault := check_part(folder, part))]
    curves = [e.curves for e in standing.entries.values() if e.curves is not None]
    faults += [fault for one in curves if (fault := check_curves(folder, one))]
    copies = {f.copy_name: f for e in standing.entries.values() for f in e.files if f.copy_name}
    states = {"missing": "is gone", "damaged": "is damaged: it does not match its name"}
    for name, file in copies.items():
        state = copy_state(folder, file)
        if state in states:
            faults.append(
                Fault(
                    rule=f"source-{state}",
                    message=f"{name}, the copy of {file.name}, {states[state]}; "
                    f"the rows of {file.entry_id} are not affected",
                    remedy=f"Put the original {file.name} there under that name",
                    location=Location(file=name),
                )
            )
    return tuple(faults)


def copy_state(folder: Path, file: FileRecord) -> str:
    """Say whether the copy of a file is ``kept``, ``missing``, ``damaged`` or ``none``."""
    if not file.copy_name:
        return "none"
    try:
        return "kept" if hash_file(folder / file.copy_name) == file.sha256 else "damaged"
    except FileNotFoundError:
        return "missing"
    except OSError:
        return "damaged"


def list_sources(folder: Path, standing: Standing) -> Sources:
    """List the files taken in and the state of their copies."""
    files = [f for e in standing.entries.values() for f in e.files]
    return Sources(
        entry_ids=tuple(f.entry_id for f in files),
        files=tuple(f.name for f in files),
        kinds=tuple(f.kind for f in files),
        copies=tuple(f.copy_name for f in files),
        states=tuple(copy_state(folder, f) for f in files),
        rows=tuple(f.rows for f in files),
    )


def account(folder: Path, standing: Standing) -> Ledger:
    """Account for every record of every file taken in."""
    read = part_reader(folder, standing)
    files, counts = [], []
    for entry_id, entry in standing.entries.items():
        shown = standing.shown.get(entry_id)
        table = None
        if shown is not None and not shown.all():
            table = read(entry_id, [*RECORD_COLUMNS, BIN_COLUMN])
        for file in entry.files:
            replaced: dict[str, int] = {}
            if table is not None and shown is not None:
                hidden = ~shown[file.first : file.stop]
                replaced = count_records(table.slice(file.first, file.rows), hidden)
            files.append(file)
            counts.append(_place(file, replaced, standing))
    return Ledger(
        entry_ids=tuple(f.entry_id for f in files),
        files=tuple(f.name for f in files),
        counts=tuple(counts),
    )


def part_numbers(folder: Path) -> Iterator[int]:
    """Give the entry numbers of all part files, also of those that no line vouches for."""
    for path in (folder / ROWS_FOLDER).glob("*.parquet"):
        if match := _PART_NAME.fullmatch(path.name):
            yield int(match[1])


def _place(file: FileRecord, replaced: dict[str, int], standing: Standing) -> tuple[int, ...]:
    """Put each record of a file into one bin."""
    if not standing.stands(file.entry_id):
        return (0,) * (len(LEDGER_BINS) - 1) + (sum(file.ledger.values()),)
    left = dict(file.ledger)
    there, taken_back = 0, 0
    for holder, bins in file.already.items():
        for name, count in bins.items():
            left[name] -= count
        if standing.stands(holder):
            there += sum(bins.values())
        else:
            taken_back += sum(bins.values())
    for name, count in replaced.items():
        left[name] -= count
    return (*(left[name] for name in BINS), there, sum(replaced.values()), taken_back)


def _journal_fault(rule: str, message: str) -> Fault:
    return Fault(
        rule=rule,
        message=message,
        remedy=f"Restore {JOURNAL_NAME} from a copy, or make a new register and add the files "
        "of the folder sources again",
        location=Location(file=JOURNAL_NAME),
    )
