"""The register: a folder that survives crashes and can be read by anything."""

from __future__ import annotations

import os
import warnings
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace as with_values
from pathlib import Path
from types import MappingProxyType
from typing import Any

import pandas as pd
import pyarrow as pa

from metafreeze.errors import Fault, InputError, Location, RegisterError
from metafreeze.options import Endpoint, require_choice
from metafreeze.register.answers import BINS, Answers, FileCheck
from metafreeze.register.folder.cache import RESULTS_FOLDER, read_cached, write_cached
from metafreeze.register.folder.curves import (
    CURVES_FOLDER,
    StoredTrace,
    export_traces,
    read_stored,
)
from metafreeze.register.folder.entries import Entry, History, Ledger, PastEntry, Sources
from metafreeze.register.folder.exporting import export_rows
from metafreeze.register.folder.holdings import (
    account,
    find_damage,
    list_sources,
    load,
    part_reader,
    shown_rows,
)
from metafreeze.register.folder.journal import JOURNAL_NAME
from metafreeze.register.folder.locking import WAIT_S
from metafreeze.register.folder.looks import interim_looks, note_look
from metafreeze.register.folder.merging import incoming_register
from metafreeze.register.folder.parts import ROWS_FOLDER, check_part, to_pandas
from metafreeze.register.folder.plan import SETTINGS_NAME, require_plan, require_settings
from metafreeze.register.folder.returning import read_export
from metafreeze.register.folder.sealing import require_unsealed, sealed
from metafreeze.register.folder.standing import Standing
from metafreeze.register.folder.taking import (
    HEADING_ANSWERS,
    SHAPE_ANSWERS,
    add_answers,
    incoming_file,
)
from metafreeze.register.folder.writing import (
    SOURCES_FOLDER,
    changing,
    lay_out,
    take_back,
    take_in,
    write_entry,
)

__all__ = ["Entry", "Register", "create_register", "open_register"]

ENTRY_COLUMN = "entry_id"

_FOLDERS = (ROWS_FOLDER, CURVES_FOLDER, SOURCES_FOLDER, RESULTS_FOLDER)

# What checking notes as absent and the register fills in, asks for or notes itself.
_SETTLED_HERE = ("no-endpoint", "no-lab")

AnyPath = str | os.PathLike[str]

_Mark = tuple[int, int, int] | None

# A file as checked, the answers with which it was read, and notes on these.
_Checked = tuple[FileCheck, Answers, tuple[Fault, ...]]


def check_file(path: Path, *, answers: Answers) -> FileCheck:
    """Check one file; the way in is loaded with the first one that is no export."""
    returning = read_export(path)
    if returning is not None:
        return returning
    from metafreeze.register.intake import check_file as check_sheet

    return check_sheet(path, answers=answers)


def create_register(
    path: AnyPath, *, title: str = "", primary_endpoint: str = "", lab: str = ""
) -> Register:
    """Make an empty register.

    Parameters
    ----------
    path : path
        A folder that does not exist yet, or is empty.
    title : str
        Shown on the report.
    primary_endpoint : str
        The endpoint that gets the verdict, and that of sheets which name none; asked
        with the first such sheet if left out.
    lab : str
        Lab of sheets that name none; asked with the second such sheet if left out.

    Returns
    -------
    Register

    Raises
    ------
    InputError
        The endpoint is none of the choices.
    RegisterError
        There is a register already, the folder holds other files, or the disk refuses.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> folder = pathlib.Path(tempfile.mkdtemp()) / "winter"
    >>> create_register(folder, title="Winter trials", primary_endpoint="t_solid")
    <Register: Winter trials, 0 entries, endpoint t_solid>
    """
    folder = Path(path)
    settings = require_settings(title=title, primary_endpoint=primary_endpoint, lab=lab)
    lay_out(folder, _FOLDERS, settings)
    return Register(folder)


def open_register(path: AnyPath) -> Register:
    """Open a register.

    Parameters
    ----------
    path : path
        Its folder.

    Returns
    -------
    Register
        Also where parts of it are damaged; `Register.damage` names them.

    Raises
    ------
    RegisterError
        There is no register, or a newer version of the package wrote it.
    """
    folder = Path(path)
    if not any((folder / name).is_file() for name in (SETTINGS_NAME, JOURNAL_NAME)):
        raise RegisterError(
            f"There is no register at {folder}. Make one with: metafreeze new {folder}"
        )
    register = Register(folder)
    register._standing()  # a newer version is refused now, not at the first question
    return register


class Register:
    """A register on disk; made by `create_register` or `open_register`.

    Every question reads the folder as it is at that moment; nothing is held in between,
    so several processes may use one register. Writers wait for each other.

    Parameters
    ----------
    path : path
        Its folder.
    wait_s : float
        How long a writer waits for another one.
    """

    def __init__(self, path: AnyPath, *, wait_s: float = WAIT_S) -> None:
        self.path = Path(path)
        self.wait_s = wait_s
        self._seen: tuple[tuple[_Mark, ...], Standing] | None = None

    def __repr__(self) -> str:
        standing = self._standing()
        endpoint = standing.settings.primary_endpoint or "not answered yet"
        title = standing.settings.title or self.path.name
        return f"<Register: {title}, {len(standing.entries)} entries, endpoint {endpoint}>"

    # What it says about itself

    @property
    def title(self) -> str:
        """Title, shown on the report."""
        return self._standing().settings.title

    @property
    def primary_endpoint(self) -> str:
        """The endpoint that gets the verdict; empty until it is answered."""
        return self._standing().settings.primary_endpoint

    @property
    def lab(self) -> str:
        """Lab of sheets that name none; empty until it is answered."""
        return self._standing().settings.lab

    @property
    def plan(self) -> Mapping[str, Any]:
        """What was fixed before the data, read-only."""
        return MappingProxyType(dict(self._standing().settings.plan))

    @property
    def invented(self) -> bool:
        """Whether its rows are for demonstration."""
        return any(file.invented for file in self._standing().standing_files())

    @property
    def damage(self) -> tuple[Fault, ...]:
        """Everything in the folder that is not as it was written, by name."""
        return find_damage(self.path, self._standing())

    @property
    def fingerprint(self) -> str:
        """A hash of the rows that show, the endpoint and the plan; a key for caches."""
        standing = self._standing()
        damaged = [
            record.entry_id
            for record in standing.part_records()
            if check_part(self.path, record) is not None
        ]
        return standing.fingerprint(damaged)

    # Taking in

    def add(
        self,
        paths: AnyPath | Iterable[AnyPath],
        *,
        answers: Answers | None = None,
        replace: bool = False,
    ) -> Entry:
        """Take files in, all or none.

        A sheet that grew is matched with what is there: equal rows count as already
        there, new ones are added, changed ones are refused unless `replace`.

        Parameters
        ----------
        paths : path, or several
            CSV, text, XLSX or Parquet files.
        answers : Answers, optional
            Answers to what the files leave open. Those about headings, units and dialect
            are remembered for files of the same shape, endpoint and lab for the register.
        replace : bool
            Whether changed rows replace the earlier ones, which stay in their part.

        Returns
        -------
        Entry
            With an empty id where all rows were already there; then nothing is written.

        Raises
        ------
        InputError
            A fault or an open question; `faults` holds all of them. Nothing is stored.
        RegisterError
            The disk or another writer is in the way.
        """
        given = answers or Answers()
        if given.endpoint:
            require_choice(given.endpoint, Endpoint, name="endpoint")
        files = [Path(p) for p in ([paths] if isinstance(paths, (str, os.PathLike)) else paths)]
        if not files:
            raise InputError("No file is named. Name the files to take in.")
        checked = [self._check(path, given) for path in files]
        return self._take(checked, files, answers=given, replace=replace)

    def merge(
        self, other: Register, *, answers: Answers | None = None, replace: bool = False
    ) -> Entry:
        """Take the rows of another register in; rows that both hold are not doubled.

        Parameters
        ----------
        other : Register
            The other register; it stays as it is.
        answers : Answers, optional
            The lab of its rows that name none, where that is asked.
        replace : bool
            Whether its rows replace those that differ from them.

        Returns
        -------
        Entry

        Raises
        ------
        InputError
            A row differs from one that is here, or a question is open.
        RegisterError
            A part of the other register is damaged, or the disk is in the way.
        """
        if other.path.resolve() == self.path.resolve():
            raise InputError("The register cannot be merged into itself. Name another one.")
        standing = other._standing()
        incoming = incoming_register(standing, other.path, read=part_reader(other.path, standing))
        endpoint = standing.settings.primary_endpoint
        adopted = {} if self.primary_endpoint or not endpoint else {"primary_endpoint": endpoint}
        return take_in(
            self.path,
            "merge",
            incoming,
            answers=answers or Answers(),
            replace=replace,
            settings=adopted,
            notes=(),
            refused=False,
            wait_s=self.wait_s,
        )

    def undo(self, entry_id: str) -> Entry:
        """Take an entry back; the undo of an undo brings it back. Nothing is deleted.

        Rows that the entry had corrected show as they were before. Rows of later
        entries stay, also those that corrected rows of this one; a note says so.

        Parameters
        ----------
        entry_id : str
            Such as ``e0001``.

        Returns
        -------
        Entry

        Raises
        ------
        InputError
            There is no such entry, it is taken back already, it is of a kind that stays,
            or rows that would come back are here again by a later entry.
        RegisterError
            The disk or another writer is in the way.
        """
        return take_back(self.path, entry_id, wait_s=self.wait_s)

    def set_plan(self, plan: Mapping[str, Any]) -> Entry:
        """Replace the plan.

        Parameters
        ----------
        plan : mapping
            Names to texts, finite numbers, booleans, and lists or tables of them.

        Returns
        -------
        Entry

        Raises
        ------
        InputError
            A value is of another kind.
        RegisterError
            The disk or another writer is in the way.
        """
        plain = require_plan(plan)
        with changing(self.path, wait_s=self.wait_s) as standing:
            entry_id = write_entry(self.path, standing, "plan", {"settings": {"plan": plain}})
        return Entry(id=entry_id, kind="plan")

    def seal_plan(self, plan: Mapping[str, Any]) -> Entry:
        """Replace the plan by a sealed one, once and for all.

        Parameters
        ----------
        plan : mapping
            As for `set_plan`, without a seal.

        Returns
        -------
        Entry

        Raises
        ------
        InputError
            A plan is sealed already, or a value is of another kind.
        RegisterError
            The disk or another writer is in the way.
        """
        plain = require_plan(plan)
        with changing(self.path, wait_s=self.wait_s) as standing:
            # Here, where no other writer can seal a plan or add a row in between.
            require_unsealed(standing.settings.plan)
            whole = sealed(plain, rows=len(self.rows()))
            entry_id = write_entry(self.path, standing, "plan", {"settings": {"plan": whole}})
        return Entry(id=entry_id, kind="plan")

    def note_look(self, endpoint: str) -> bool:
        """Write down that the answer was seen; once for each state of the rows.

        Parameters
        ----------
        endpoint : str
            What was answered.

        Returns
        -------
        bool
            False where the folder may not be written.

        Raises
        ------
        RegisterError
            The disk or another writer is in the way.
        """
        return note_look(
            self.path, endpoint=endpoint, fingerprint=self.fingerprint, wait_s=self.wait_s
        )

    def interim_looks(self, endpoint: str) -> int:
        """Count the times when the answer was seen and a lab went on with its trials.

        Parameters
        ----------
        endpoint : str
            What is answered.

        Returns
        -------
        int
        """
        return interim_looks(self._standing(), self.rows(), endpoint=endpoint)

    def remembered_answers(self, shape: str) -> Answers:
        """Give the answers with which the last file of the same shape was read.

        Parameters
        ----------
        shape : str
            `FileCheck.shape`.

        Returns
        -------
        Answers
            Headings, units and dialect only; empty where no such file was taken in.
        """
        if shape:
            for file in reversed(list(self._standing().standing_files())):
                if file.shape == shape and file.answers:
                    return Answers(**file.answers)
        return Answers()

    # Giving out

    def rows(self) -> pd.DataFrame:
        """Give all rows that show: one row per outcome, in the schema.

        Returns
        -------
        DataFrame
            Schema columns in their order and fixed types (text, float64, Int64,
            boolean), then `entry_id`; ordered by entry and row of the file. Rows taken
            back or replaced are absent. A damaged part is left out with a warning.

        Raises
        ------
        RegisterError
            A part has a type that cannot be widened to the schema of this version.
        """
        return to_pandas(self._rows(entry_column=ENTRY_COLUMN))

    def export(self, out: AnyPath) -> int:
        """Write the rows to a CSV or Parquet file; see `metafreeze.register.folder.exporting`.

        Parameters
        ----------
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
        return export_rows(self._rows(), out)

    def traces(self) -> list[StoredTrace]:
        """Give all traces that stand, in the order of entries.

        Returns
        -------
        list of StoredTrace
            Those of entries taken back are absent; a damaged file is left out with a warning.
        """
        found: list[StoredTrace] = []
        for record in self._standing().curves_records():
            stored = read_stored(self.path, record)
            if isinstance(stored, Fault):
                warnings.warn(str(stored), stacklevel=2)
            else:
                found += stored
        return found

    def export_traces(self, out: AnyPath) -> int:
        """Write the readings of all traces; see `metafreeze.register.folder.curves`."""
        return export_traces(self.traces(), out)

    def add_traces(
        self,
        files: Sequence[tuple[FileCheck, Path, tuple[StoredTrace, ...]]],
        *,
        answers: Answers | None = None,
        replace: bool = False,
    ) -> Entry:
        """Take traces in with the rows made of their events, all files or none.

        Parameters
        ----------
        files : sequence of (FileCheck, Path, tuple of StoredTrace)
            Each file with its rows and its traces, as `metafreeze.analysis.traced_runs`
            makes them.
        answers : Answers, optional
            The lab of rows that name none, where that is asked.
        replace : bool
            Whether rows replace earlier ones that differ.

        Returns
        -------
        Entry

        Raises
        ------
        InputError
            A fault or an open question. Nothing is stored.
        RegisterError
            The disk or another writer is in the way.
        """
        given = answers or Answers()
        notes = [fault for check, _, _ in files for fault in check.findings]
        incoming = [
            with_values(incoming_file(check, path, given), traces=traces)
            for check, path, traces in files
        ]
        return take_in(
            self.path,
            "add",
            incoming,
            answers=given,
            replace=replace,
            settings={},
            notes=notes,
            refused=any(fault.severity != "note" for fault in notes),
            wait_s=self.wait_s,
        )

    def history(self) -> History:
        """List all entries, also those taken back.

        Returns
        -------
        History
        """
        standing = self._standing()
        past = []
        for entry_id, record in standing.entries.items():
            entry = Entry(
                id=entry_id,
                kind=record.line.kind,
                files=tuple(file.name for file in record.files),
                target=record.target,
                ledger_counts=tuple(
                    sum(file.ledger.get(name, 0) for file in record.files) for name in BINS
                ),
                **record.line.body.get("counts", {}),
            )
            past.append(
                PastEntry(
                    entry=entry,
                    undone_by=standing.undone_by.get(entry_id, ""),
                    recorded_at=record.line.body.get("at", ""),
                )
            )
        return History(past=tuple(past))

    def ledger(self) -> Ledger:
        """Account for every record of every file taken in.

        Returns
        -------
        Ledger
            Each record in one bin: as its file has it, or already there, replaced
            since, or taken back.
        """
        return account(self.path, self._standing())

    def sources(self) -> Sources:
        """List the files taken in and the state of their copies.

        Returns
        -------
        Sources
        """
        return list_sources(self.path, self._standing())

    def cache_get(self, name: str, key: str) -> bytes | None:
        """Give a cached result; None where there is none, or it is damaged.

        Parameters
        ----------
        name : str
            The analysis.
        key : str
            Everything that its result depends on: `fingerprint`, options, seed, version.

        Returns
        -------
        bytes or None
        """
        return read_cached(self.path, name, key)

    def cache_put(self, name: str, key: str, payload: bytes) -> bool:
        """Keep a result for later.

        Parameters
        ----------
        name, key : str
            As for `cache_get`.
        payload : bytes
            The result, such as JSON or Parquet; never a pickle, since a register travels.

        Returns
        -------
        bool
            False where the folder cannot be written.
        """
        return write_cached(self.path, name, key, payload)

    # Inside

    def _standing(self) -> Standing:
        """Give the state of the folder; it is read again once one of its two files changed."""
        marks = tuple(_mark(self.path / name) for name in (JOURNAL_NAME, SETTINGS_NAME))
        if self._seen is None or self._seen[0] != marks:
            self._seen = (marks, load(self.path))
        return self._seen[1]

    def _rows(self, *, entry_column: str = "") -> pa.Table:
        """Read the rows that show, warning of parts that are left out."""
        rows, faults = shown_rows(self.path, self._standing(), entry_column=entry_column)
        for fault in faults:
            warnings.warn(str(fault), stacklevel=3)
        return rows

    def _check(self, path: Path, given: Answers) -> _Checked:
        """Check one file, with the answers remembered for its shape where it has any."""
        # Lab and sheet are the register's to settle; it knows what is there already.
        asked = with_values(given, lab="", same_as="")
        check = check_file(path, answers=asked)
        remembered = self.remembered_answers(check.shape)
        used = add_answers(asked, remembered, HEADING_ANSWERS)
        if used != asked:
            check = check_file(path, answers=used)
        if any(fault.severity == "question" for fault in check.findings):
            # Of the rest only what the file itself does not decide.
            fuller = add_answers(used, remembered, SHAPE_ANSWERS)
            if fuller != used:
                used, check = fuller, check_file(path, answers=fuller)
        if used == asked:
            return check, asked, ()
        return check, used, (_said_before(check.file, asked, used),)

    def _take(
        self,
        checked: Sequence[_Checked],
        paths: Sequence[Path],
        *,
        answers: Answers,
        replace: bool,
    ) -> Entry:
        """Store checked files, all or none."""
        incoming, notes = [], []
        for (check, used, said), path in zip(checked, paths, strict=True):
            found = [fault for fault in check.findings if fault.rule not in _SETTLED_HERE]
            notes += [*said, *found, *_refusal(check)]
            incoming.append(incoming_file(check, path, used))
        return take_in(
            self.path,
            "add",
            incoming,
            answers=answers,
            replace=replace,
            settings={},
            notes=notes,
            refused=any(fault.severity != "note" for fault in notes),
            wait_s=self.wait_s,
        )


def _mark(path: Path) -> _Mark:
    """Give what changes about a file whenever somebody writes it."""
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_ino, status.st_size, status.st_mtime_ns


def _said_before(file: str, asked: Answers, used: Answers) -> Fault:
    """Say which remembered answers a file was read with."""
    before, after = asked.to_dict(), used.to_dict()
    said = []
    for name, value in after.items():
        if isinstance(value, dict):
            known = before.get(name, {})
            said += [f"“{k}” is {v}" for k, v in value.items() if known.get(k) != v]
        elif before.get(name) != value:
            said.append(f"{name.replace('_', ' ')} {value}")
    return Fault(
        rule="remembered",
        message=f"Read as the last file with these headings: {', '.join(said)}",
        remedy="Answer anew where that does not hold for this file",
        location=Location(file=file),
        severity="note",
    )


def _refusal(check: FileCheck) -> tuple[Fault, ...]:
    """Refuse a file that has nothing to store, where checking did not say why."""
    said = any(fault.severity != "note" for fault in check.findings)
    if check.kind == "trace":
        message = "It is a temperature trace, not a sheet of trials"
        remedy = f"metafreeze curves {check.file} reads the events out of it"
    elif not check.accepted and not said:
        message, remedy = "It could not be read as trials", f"metafreeze check {check.file}"
    else:
        return ()
    return (
        Fault(
            rule="not-trials", message=message, remedy=remedy, location=Location(file=check.file)
        ),
    )
