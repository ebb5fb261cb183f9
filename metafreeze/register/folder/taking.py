"""Taking files in: from checked rows to what an entry would write, or every fault at once."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from dataclasses import replace as with_values
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.errors import Fault, Location
from metafreeze.register.answers import BINS, Answers, FileCheck
from metafreeze.register.folder.blanks import (
    NEW_SHEET,
    Labelled,
    Sheet,
    fill_endpoint,
    fill_lab,
    recognise_sheet,
)
from metafreeze.register.folder.codes import row_codes
from metafreeze.register.folder.curves import StoredTrace
from metafreeze.register.folder.entries import spell_count
from metafreeze.register.folder.growth import (
    KEY_COLUMNS,
    Match,
    Pool,
    Segment,
    head_codes,
    match_rows,
    run_codes,
)
from metafreeze.register.folder.parts import BIN_COLUMN
from metafreeze.register.folder.standing import FileRecord, Standing
from metafreeze.register.schema import arrow_schema

# Rows of these bins are the file's affair; the register does not store them.
_NOT_STORED = ("duplicate", "unreadable")

# Answers that hold for every file of one shape: what headings mean, and what the file may
# leave open otherwise. Endpoint and lab are the register's.
HEADING_ANSWERS = ("mapping", "units")
SHAPE_ANSWERS = (
    *HEADING_ANSWERS,
    "decimal",
    "day_order",
    "delimiter",
    "encoding",
    "sheet",
    "bars",
    "hidden",
    "watched",
    "same_source",
)

# What names a record of a file; those of an export come from several files.
RECORD_COLUMNS = ("file_name", "sheet_name", "file_row")

PartReader = Callable[[str, Sequence[str]], pa.Table]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Incoming:
    """One file on its way in.

    Parameters
    ----------
    name : str
        File name without its folder.
    sha256 : str
        Hash of its bytes; empty where they are lost.
    suffix : str
        Ending of the copy's name, with its dot.
    copy : Path or None
        Where the bytes are.
    kind, shape : str
        As checking found them.
    rows : pyarrow.Table
        Rows to store, in the schema, with their ledger bin as last column.
    ledger : dict
        Bin -> records.
    dialect, answers : dict
        How it was read, for the journal.
    source : str
        Source under which its rows without a lab stand.
    own : bool
        False for the rows of another register.
    traces : tuple of StoredTrace
        Traces of the file, to be kept beside its rows.
    """

    name: str
    sha256: str
    suffix: str
    copy: Path | None
    kind: str
    shape: str
    rows: pa.Table
    ledger: Mapping[str, int]
    dialect: Mapping[str, Any]
    answers: Mapping[str, Any]
    source: str
    own: bool = True
    traces: tuple[StoredTrace, ...] = ()


@dataclass(slots=True, kw_only=True)
class Plan:
    """What an entry would write.

    Parameters
    ----------
    tables : list of pyarrow.Table
        The rows of its part.
    files : list of dict
        Its files, as the journal has them.
    copies : list of Incoming
        Files whose copies are to be kept.
    corrections : list of list
        Runs of earlier rows that its rows replace.
    traces : list of StoredTrace
        Its traces, where no standing entry holds them.
    settings : dict
        Settings that change with it.
    new, already_there, changed : int
        Rows.
    faults : list of Fault
        Everything found; anything but a note refuses the entry.
    """

    tables: list[pa.Table] = field(default_factory=list)
    files: list[dict[str, Any]] = field(default_factory=list)
    copies: list[Incoming] = field(default_factory=list)
    corrections: list[list[Any]] = field(default_factory=list)
    traces: list[StoredTrace] = field(default_factory=list)
    settings: dict[str, Any] = field(default_factory=dict)
    new: int = 0
    already_there: int = 0
    changed: int = 0
    faults: list[Fault] = field(default_factory=list)

    @property
    def refused(self) -> bool:
        """Whether an error or an open question stands in the way."""
        return any(fault.severity != "note" for fault in self.faults)

    @property
    def rows(self) -> int:
        """Rows planned so far."""
        return sum(table.num_rows for table in self.tables)


def incoming_file(check: FileCheck, path: Path | None, answers: Answers) -> Incoming:
    """Make what comes in out of a checked file.

    Parameters
    ----------
    check : FileCheck
        The file as checked.
    path : Path or None
        The file.
    answers : Answers
        The answers with which it was read.

    Returns
    -------
    Incoming
    """
    rows = check.rows.select(arrow_schema().names).cast(arrow_schema())
    rows = rows.append_column(BIN_COLUMN, pa.chunked_array([check.bins], pa.string()))
    stored = pc.invert(pc.is_in(rows[BIN_COLUMN], value_set=pa.array(_NOT_STORED)))
    if not pc.all(stored).as_py():
        rows = rows.filter(stored)
    given = answers.to_dict()
    return Incoming(
        name=check.file,
        sha256=check.sha256,
        suffix=safe_suffix(Path(check.file).suffix),
        copy=path,
        kind=check.kind,
        shape=check.shape,
        rows=rows,
        ledger={name: int(check.ledger.get(name, 0)) for name in BINS},
        dialect=check.dialect.to_dict(),
        answers={name: given[name] for name in SHAPE_ANSWERS if name in given},
        source=check.file,
    )


def add_answers(given: Answers, remembered: Answers, names: Sequence[str]) -> Answers:
    """Fill the gaps of the answers given with remembered ones.

    Parameters
    ----------
    given, remembered : Answers
        What was answered now wins.
    names : sequence of str
        The answers that may be filled in.

    Returns
    -------
    Answers
    """
    filled: dict[str, Any] = {}
    for name in names:
        now, before = getattr(given, name), getattr(remembered, name)
        filled[name] = {**before, **now} if isinstance(now, Mapping) else now or before
    return with_values(given, **filled)


def safe_suffix(suffix: str) -> str:
    """Keep the ending of a file name where it is harmless in a path; drop it otherwise."""
    plain = suffix.lower()
    return plain if plain[1:].isalnum() and plain.isascii() and len(plain) <= 9 else ""


def plan_entry(
    standing: Standing,
    incoming: Sequence[Incoming],
    *,
    entry_id: str,
    answers: Answers,
    replace: bool,
    read: PartReader,
    match: bool = True,
) -> Plan:
    """Work out what taking files in would write, with every fault of all of them.

    Parameters
    ----------
    standing : Standing
        The register as it is.
    incoming : sequence of Incoming
        The files, in order.
    entry_id : str
        Name that the entry will have.
    answers : Answers
        Answers of this call.
    replace : bool
        Whether changed rows replace the earlier ones.
    read : callable
        Gives the part of an entry, whole or some columns of it.
    match : bool
        False where a file has faults of its own: only the open questions are wanted.

    Returns
    -------
    Plan
    """
    plan = Plan(copies=list(incoming))
    ever = [file for entry in standing.entries.values() for file in entry.files]
    in_force = list(standing.standing_files())
    fresh: list[FileRecord] = []
    segments: list[Segment] = []
    _require_one_world(plan, incoming, in_force)
    for number, file in enumerate(incoming):
        rows, faults = fill_endpoint(
            file.rows,
            file=file.name,
            answer=answers.endpoint,
            primary=standing.settings.primary_endpoint,
        )
        plan.faults += faults
        head = head_codes(rows)
        sheet = recognise_sheet(
            file.name,
            file.sha256,
            head,
            source=file.source,
            files=ever,
            standing=in_force,
            beside=fresh if file.own else (),
            same_as=answers.same_as,
            by_name=file.own,
        )
        plan.faults += sheet.faults
        labelled = fill_lab(
            rows,
            sources=(file.name, file.source),
            sheet=sheet,
            answer=answers.lab,
            remembered=standing.settings.lab,
            others=[f for f in (*in_force, *(fresh if file.own else ())) if f.unlabelled],
            own=file.own,
            first_of_many=number == 0 and len(incoming) > 1,
        )
        if not any(fault.severity == "question" for fault in sheet.faults):
            # A sheet that may be a copy is not asked for its lab before that is known.
            plan.faults += labelled.faults
        if labelled.remember:
            plan.settings["lab"] = labelled.lab
        series = sheet.series or f"{entry_id}/{number}"
        record = _record(file, labelled, sheet, series, entry_id, head)
        if match and not any(fault.severity == "question" for fault in plan.faults):
            # With a question open the rows cannot be told from others; that one comes first.
            pool = Pool([*_segments(standing, record, rows, read), *segments])
            matched = match_rows(
                pool,
                labelled.rows.select(arrow_schema().names),
                series=series,
                files=[f.name for f in (*ever, *fresh, record)] + [sheet.source],
            )
            _report_changes(plan, pool, labelled.rows, matched, file.name, replace=replace)
            record = _store(plan, pool, labelled.rows, matched, record)
            segments += _pending(plan, record)
        fresh.append(record)
        if not _holds_traces(standing, file):
            plan.traces += file.traces
    if answers.endpoint and not standing.settings.primary_endpoint:
        # The first answer to the question becomes the register's.
        plan.settings["primary_endpoint"] = answers.endpoint
    plan.files = [_spell(record) for record in fresh]
    return plan


def _holds_traces(standing: Standing, file: Incoming) -> bool:
    """Tell whether a standing entry holds the traces of these very bytes."""
    return any(
        known.sha256 == file.sha256 != "" and standing.entries[known.entry_id].curves is not None
        for known in standing.standing_files()
    )


def segment_of(
    standing: Standing,
    entry_id: str,
    read: PartReader,
    *,
    wanted: npt.NDArray[np.bool_],
    keys: pa.Table | None = None,
) -> Segment:
    """Give the wanted rows of one entry's part as a segment to match with.

    Parameters
    ----------
    standing : Standing
        The register as it is.
    entry_id : str
        The entry.
    read : callable
        Gives its part.
    wanted : bool array, shape (rows of the part,)
        Which rows.
    keys : pyarrow.Table, optional
        The `KEY_COLUMNS` of all its rows, where they are read already.

    Returns
    -------
    Segment
    """
    positions = np.flatnonzero(wanted)
    series = np.empty(wanted.size, dtype=object)
    for file in standing.entries[entry_id].files:
        series[file.first : file.stop] = file.series
    keys = read(entry_id, KEY_COLUMNS) if keys is None else keys
    return Segment(
        entry_id=entry_id,
        keys=keys.take(pa.array(positions)),
        positions=positions,
        series=series[positions],
        load=cache(lambda: read(entry_id, arrow_schema().names)),
    )


def _segments(
    standing: Standing, record: FileRecord, rows: pa.Table, read: PartReader
) -> list[Segment]:
    """Give the standing rows that the file may have a state of; read no other part."""
    found = []
    runs: pa.Array | None = None
    for entry_id, shown in standing.shown.items():
        files = standing.entries[entry_id].files
        if not any(_may_share_rows(file, record) for file in files):
            continue
        keys = read(entry_id, KEY_COLUMNS)
        runs = pc.unique(rows["run_id"]).drop_null() if runs is None else runs
        # Of other sheets only runs of the same name can be the same runs.
        wanted = pc.is_in(keys["run_id"], value_set=runs).to_numpy(zero_copy_only=False).copy()
        for file in files:
            if file.series == record.series:
                wanted[file.first : file.stop] = True
        wanted &= shown
        if wanted.any():
            found.append(segment_of(standing, entry_id, read, wanted=wanted, keys=keys))
    return found


def _may_share_rows(one: FileRecord, other: FileRecord) -> bool:
    """Tell from the journal alone whether two files may hold states of the same rows."""
    if one.series == other.series:
        return True
    if one.runs is None or other.runs is None:
        return one.runs != () and other.runs != ()
    return not set(one.runs).isdisjoint(other.runs)


def _pending(plan: Plan, record: FileRecord) -> list[Segment]:
    """Give the rows that the file just planned will bring, for the next file of the call."""
    if not record.rows:
        return []
    table = plan.tables[-1]
    series = np.empty(record.rows, dtype=object)
    series[:] = record.series
    return [
        Segment(
            entry_id="",
            keys=table.select(KEY_COLUMNS),
            positions=np.arange(record.rows),
            series=series,
            load=lambda: table.select(arrow_schema().names),
        )
    ]


def _require_one_world(
    plan: Plan, incoming: Iterable[Incoming], in_force: Sequence[FileRecord]
) -> None:
    """Refuse to mix invented rows with real ones."""
    before = {file.invented for file in in_force if file.rows}
    for file in incoming:
        flags = set(pc.unique(file.rows["invented"].fill_null(False)).to_pylist())
        if len(flags) > 1:
            message = "It holds invented rows and real ones"
            remedy = "Split it: invented rows and real ones go into registers of their own"
        elif len(before | flags) > 1:
            words = ("real", "invented") if True in flags else ("invented", "real")
            message = f"Its rows are {words[1]}, and the register holds {words[0]} ones"
            remedy = "Make another register for it with: metafreeze new REGISTER"
        else:
            before |= flags
            continue
        plan.faults.append(
            Fault(
                rule="invented-and-real",
                message=message,
                remedy=remedy,
                location=Location(file=file.name, column="invented"),
            )
        )


def _record(
    file: Incoming,
    labelled: Labelled,
    sheet: Sheet,
    series: str,
    entry_id: str,
    head: tuple[str, ...],
) -> FileRecord:
    rows = labelled.rows
    return FileRecord(
        entry_id=entry_id,
        name=file.name,
        sha256=file.sha256,
        suffix=file.suffix,
        kind=file.kind,
        shape=file.shape,
        series=series,
        source=sheet.source,
        first=0,
        rows=rows.num_rows,
        lab=labelled.lab,
        runs=run_codes(rows),
        unlabelled=labelled.unlabelled,
        invented=bool(pc.any(rows["invented"].fill_null(False)).as_py()),
        ledger=dict(file.ledger),
        already={},
        head=head,
        dialect=dict(file.dialect),
        answers=dict(file.answers),
    )


def _spell(record: FileRecord) -> dict[str, Any]:
    """Give a record as the journal has it; the line itself names the entry."""
    spelled = asdict(record)
    del spelled["entry_id"]
    return spelled


def _report_changes(
    plan: Plan, pool: Pool, rows: pa.Table, match: Match, file: str, *, replace: bool
) -> None:
    """List every changed value old → new, and the rows that the sheet no longer has."""
    places = {name: rows[name] for name in ("file_row", "sheet_name", "run_id")}
    for change in match.changes:
        segment = pool.segments[int(pool.segment[change.old_at])]
        row, sheet, run = (column[change.row].as_py() for column in places.values())
        where = segment.entry_id or "an earlier file of this call"
        accepted = replace and bool(segment.entry_id)
        plan.faults.append(
            Fault(
                rule="changed",
                message=f"{change.column} changed, {_shown(change.old)} → {_shown(change.new)}; "
                f"{where} holds the old value",
                remedy="" if accepted else _change_remedy(segment),
                location=Location(
                    file=file, sheet=sheet or "", row=row, column=change.column, run=run or ""
                ),
                value="" if change.new is None else str(change.new),
                severity="note" if accepted else "error",
            )
        )
    if match.vanished.size:
        counted = Counter(pool.segments[int(s)].entry_id for s in pool.segment[match.vanished])
        for entry_id, count in counted.items():
            plan.faults.append(
                Fault(
                    rule="vanished",
                    message=f"{spell_count(count, 'row')} that {entry_id} holds of this sheet "
                    f"{'is' if count == 1 else 'are'} not in it now; the register keeps "
                    f"{'it' if count == 1 else 'them'}",
                    remedy=f"To take them out: metafreeze undo REGISTER {entry_id}, "
                    "then add the sheet again",
                    location=Location(file=file),
                    severity="note",
                )
            )


def _change_remedy(segment: Segment) -> str:
    if not segment.entry_id:
        return "Add the two files one after the other, the one that holds last with --replace"
    return (
        "--replace if these are corrections; nothing of the old rows is lost. "
        f"--same-as {NEW_SHEET} if this is another sheet of the same name; "
        "another batch or lab if these are other runs of the same name"
    )


def _shown(value: object) -> str:
    if value is None:
        return "empty"
    return f"{value:.15g}" if isinstance(value, float) else f"{value}"


def _store(plan: Plan, pool: Pool, rows: pa.Table, match: Match, record: FileRecord) -> FileRecord:
    """Add the new and the corrected rows of one file to the plan."""
    fresh = match.old < 0
    keep = np.flatnonzero(fresh | match.changed)
    first = plan.rows
    plan.new += int(fresh.sum())
    plan.changed += int(match.changed.sum())
    plan.already_there += int((~fresh & ~match.changed).sum())
    for run in _runs(pool, match, keep):
        plan.corrections.append([first + run[0], *run[1:]])
    kept = rows if keep.size == rows.num_rows else rows.take(pa.array(keep))
    if keep.size:
        plan.tables.append(kept)
    return with_values(
        record,
        first=first,
        rows=int(keep.size),
        already=_already(pool, rows, match, fresh | match.changed, record.entry_id),
    )


def _runs(pool: Pool, match: Match, keep: npt.NDArray[np.int64]) -> list[list[Any]]:
    """Write corrected rows as runs: start among the kept rows, entry, old start, length."""
    runs: list[list[Any]] = []
    for place in np.flatnonzero(match.changed[keep]).tolist():
        old = int(match.old[keep[place]])
        entry_id = pool.segments[int(pool.segment[old])].entry_id
        position = int(pool.position[old])
        last = runs[-1] if runs else None
        if last and last[1:3] == [entry_id, position - last[3]] and last[0] + last[3] == place:
            last[3] += 1
        else:
            runs.append([place, entry_id, position, 1])
    return runs


def count_records(rows: pa.Table, out: npt.NDArray[np.bool_]) -> dict[str, int]:
    """Count by bin the records all of whose rows are out.

    Parameters
    ----------
    rows : pyarrow.Table
        Rows with file, sheet, row and ledger bin; a record of a wide sheet
        has several, and stands in the first of their bins.
    out : bool array, shape (rows,)
        Rows that are out.

    Returns
    -------
    dict
        Bin -> records.
    """
    _, bins = _whole_records(rows, out)
    return dict(Counter(BINS[b] for b in bins.tolist()))


def _whole_records(
    rows: pa.Table, out: npt.NDArray[np.bool_]
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Find the records all of whose rows are out: their first rows, and their bins."""
    if not out.any():
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    place = row_codes(((n, rows[n]) for n in RECORD_COLUMNS), rows.num_rows)
    _, first, record = np.unique(place, return_index=True, return_inverse=True)
    stays = np.bincount(record[~out], minlength=first.size) > 0
    rank = pc.index_in(rows[BIN_COLUMN], value_set=pa.array(BINS)).to_numpy()
    bins = np.full(first.size, len(BINS) - 1, dtype=np.int64)
    np.minimum.at(bins, record, rank)
    return first[~stays], bins[~stays]


def _already(
    pool: Pool, rows: pa.Table, match: Match, stored: npt.NDArray[np.bool_], entry_id: str
) -> dict[str, dict[str, int]]:
    """Count the records that are there already, by the entry that holds them and by bin."""
    held: dict[str, Counter[str]] = {}
    for row, rank in zip(*_whole_records(rows, ~stored), strict=True):
        holder = pool.segments[int(pool.segment[match.old[row]])].entry_id or entry_id
        held.setdefault(holder, Counter())[BINS[rank]] += 1
    return {holder: dict(counts) for holder, counts in held.items()}
