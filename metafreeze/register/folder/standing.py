"""Which entries stand, and which of their rows: the journal replayed.

An undo takes back the entry it names; an undo of an undo brings that one back. A row
that a later standing entry corrected is hidden, whatever became of the corrections in
between; it shows again when the last of them is taken back.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from metafreeze.errors import Fault
from metafreeze.register.folder.curves import CurvesRecord
from metafreeze.register.folder.journal import Journal, Line
from metafreeze.register.folder.parts import PartRecord
from metafreeze.register.folder.plan import Settings

Mask = npt.NDArray[np.bool_]

_COPY_NAME = re.compile(r"[0-9a-f]{64}(\.[a-z0-9]{1,8})?")

# Entries that a person may take back. A seal or a look into the data stays on record.
UNDOABLE = ("add", "merge", "undo")


@dataclass(frozen=True, slots=True, kw_only=True)
class FileRecord:
    """One file of an entry, as the journal has it.

    Parameters
    ----------
    entry_id : str
        The entry.
    name : str
        File name without its folder.
    sha256, suffix : str
        Hash of its bytes and the ending of its copy's name; no hash where a merged
        register had lost its copy.
    kind : str
        What its columns said it is.
    shape : str
        Hash of its headings.
    series : str
        The sheet of which this file is one state; grown and renamed copies share it.
    source : str
        Source under which its rows without a lab stand.
    first, rows : int
        Where its rows begin in the part, and how many there are.
    lab : str
        The lab that its rows without one were given.
    runs : tuple of str, or None
        Short hashes of the keys of its rows with run ids, to tell without opening the
        part that an incoming file has none of them; None where they are too many.
    unlabelled : bool
        Whether none of its rows names a lab.
    invented : bool
        Whether its rows are for demonstration.
    ledger : dict
        Bin -> records of the file.
    already : dict
        Entry that held them -> bin -> records that were there already.
    head : tuple of str
        Short hashes of the first rows without run ids, to recognise a renamed copy.
    dialect : dict
        How it was read.
    answers : dict
        The answers with which it was read.
    """

    entry_id: str
    name: str
    sha256: str
    suffix: str
    kind: str
    shape: str
    series: str
    source: str
    first: int
    rows: int
    lab: str
    runs: tuple[str, ...] | None
    unlabelled: bool
    invented: bool
    ledger: Mapping[str, int]
    already: Mapping[str, Mapping[str, int]]
    head: tuple[str, ...]
    dialect: Mapping[str, Any]
    answers: Mapping[str, Any]

    @property
    def stop(self) -> int:
        """One past its last row in the part."""
        return self.first + self.rows

    @property
    def copy_name(self) -> str:
        """Name of its copy, made of its hash alone; empty where there is no copy."""
        # A journal may come from a stranger; nothing in it may lead out of the folder.
        name = f"{self.sha256}{self.suffix}"
        return f"sources/{name}" if _COPY_NAME.fullmatch(name) else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """A run of rows that replaces a run of earlier rows.

    Parameters
    ----------
    start : int
        First row in the part of the correcting entry.
    entry_id : str
        The entry whose rows are replaced.
    old_start : int
        First row there.
    length : int
        Number of rows.
    """

    start: int
    entry_id: str
    old_start: int
    length: int


@dataclass(frozen=True, slots=True, kw_only=True)
class EntryRecord:
    """One entry, as the journal has it.

    Parameters
    ----------
    line : Line
        Its journal line.
    part : PartRecord or None
        Its part, where it brought rows.
    files : tuple of FileRecord
        Its files.
    corrections : tuple of Correction
        Earlier rows that its rows replace.
    target : str
        The entry that an undo takes back.
    curves : CurvesRecord or None
        Its traces, where it brought any.
    """

    line: Line
    part: PartRecord | None
    files: tuple[FileRecord, ...]
    corrections: tuple[Correction, ...]
    target: str
    curves: CurvesRecord | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """The state of a register at one moment.

    Parameters
    ----------
    journal : Journal
        The journal as read.
    settings : Settings
        Title, endpoint, lab and plan.
    file_settings : Settings
        As ``register.toml`` has them, before later journal lines were laid over.
    faults : tuple of Fault
        Damage to journal and settings.
    entries : dict
        Entry id -> record, in order.
    undone_by : dict
        Entry id -> the standing undo that takes it back.
    shown : dict
        Entry id -> which rows of its part show; standing entries with rows only.
    """

    journal: Journal
    settings: Settings
    file_settings: Settings
    faults: tuple[Fault, ...]
    entries: Mapping[str, EntryRecord]
    undone_by: Mapping[str, str]
    shown: Mapping[str, Mask]

    def stands(self, entry_id: str) -> bool:
        """Whether the entry is in force."""
        return entry_id in self.entries and entry_id not in self.undone_by

    def standing_files(self) -> Iterator[FileRecord]:
        """Give the files of all standing entries, in order."""
        for entry_id, entry in self.entries.items():
            if entry_id not in self.undone_by:
                yield from entry.files

    def part_records(self) -> list[PartRecord]:
        """List the parts that have rows to show, in order."""
        records = [self.entries[entry_id].part for entry_id in self.shown]
        return [record for record in records if record is not None]

    def curves_records(self) -> list[CurvesRecord]:
        """List the traces of all standing entries, in order."""
        return [
            entry.curves
            for entry_id, entry in self.entries.items()
            if entry.curves is not None and entry_id not in self.undone_by
        ]

    def fingerprint(self, damaged: Iterable[str]) -> str:
        """Hash what decides the rows and the plan: the key of every cached analysis.

        A part's own bytes stay out where its sources have hashes: the library that spells
        Parquet signs it with its version, and the same register is to have the same
        fingerprint everywhere.
        """
        left_out = set(damaged)
        digest = hashlib.sha256()
        for record in self.part_records():
            if record.entry_id in left_out:
                continue
            entry = self.entries[record.entry_id]
            sourced = entry.files and all(file.sha256 for file in entry.files)
            decided_by = {
                "entry": record.entry_id,
                "version": entry.line.body.get("version", ""),
                "files": entry.line.body.get("files", []),
                "part": "" if sourced else record.sha256,
            }
            digest.update(json.dumps(decided_by, sort_keys=True).encode())
            digest.update(np.packbits(self.shown[record.entry_id]).tobytes())
        for curves in self.curves_records():
            digest.update(f"{curves.entry_id} {curves.sha256} ".encode())
        decided = {
            "primary_endpoint": self.settings.primary_endpoint,
            "plan": dict(self.settings.plan),
        }
        # A date written into register.toml by hand has no JSON spelling of its own.
        digest.update(json.dumps(decided, sort_keys=True, default=str).encode())
        return digest.hexdigest()


def replay(
    journal: Journal,
    file_settings: Settings,
    faults: tuple[Fault, ...],
    *,
    extra_undo: str = "",
) -> Standing:
    """Work out what stands.

    Parameters
    ----------
    journal : Journal
        All lines.
    file_settings : Settings
        As ``register.toml`` has them.
    faults : tuple of Fault
        What is wrong with ``register.toml``.
    extra_undo : str
        An entry to be taken as undone, to see what an undo would do.

    Returns
    -------
    Standing
    """
    entries = {line.entry_id: read_entry(line) for line in journal.lines if line.kind != "create"}
    undone_by = {extra_undo: "to come"} if extra_undo else {}
    for entry_id, entry in reversed(entries.items()):
        # Backwards, since only a later entry can take this one back.
        if entry.line.kind == "undo" and entry_id not in undone_by:
            undone_by.setdefault(entry.target, entry_id)
    shown = {
        entry_id: np.ones(entry.part.rows, dtype=bool)
        for entry_id, entry in entries.items()
        if entry.part is not None and entry_id not in undone_by
    }
    for entry_id, entry in entries.items():
        if entry_id not in undone_by:
            for correction in entry.corrections:
                _hide(entries, shown, correction)
    return Standing(
        journal=journal,
        settings=file_settings.changed_by(journal.lines),
        file_settings=file_settings,
        faults=journal.faults + faults,
        entries=entries,
        undone_by=undone_by,
        shown=shown,
    )


def read_entry(line: Line) -> EntryRecord:
    """Turn a journal line into the record of its entry."""
    body = line.body
    part = body.get("part")
    curves = body.get("curves")
    return EntryRecord(
        line=line,
        part=None
        if part is None
        else PartRecord(entry_id=line.entry_id, sha256=part["sha256"], rows=part["rows"]),
        files=tuple(
            FileRecord(
                entry_id=line.entry_id,
                **{
                    **file,
                    "head": tuple(file["head"]),
                    "runs": None if file["runs"] is None else tuple(file["runs"]),
                },
            )
            for file in body.get("files", ())
        ),
        corrections=tuple(
            Correction(start=start, entry_id=entry_id, old_start=old_start, length=length)
            for start, entry_id, old_start, length in body.get("corrections", ())
        ),
        target=body.get("target", ""),
        curves=None
        if curves is None
        else CurvesRecord(entry_id=line.entry_id, sha256=curves["sha256"], traces=curves["traces"]),
    )


def _hide(
    entries: Mapping[str, EntryRecord], shown: Mapping[str, Mask], correction: Correction
) -> None:
    """Hide the rows that a correction replaces, and those that they had replaced."""
    start, stop = correction.old_start, correction.old_start + correction.length
    if correction.entry_id in shown:
        shown[correction.entry_id][start:stop] = False
    entry = entries.get(correction.entry_id)
    for earlier in entry.corrections if entry else ():
        low, high = max(start, earlier.start), min(stop, earlier.start + earlier.length)
        if low < high:
            _hide(
                entries,
                shown,
                Correction(
                    start=low,
                    entry_id=earlier.entry_id,
                    old_start=earlier.old_start + low - earlier.start,
                    length=high - low,
                ),
            )
