"""One change of the register: locked, planned, put on the disk, then vouched for."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import replace as with_values
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from metafreeze import __version__
from metafreeze.errors import Fault, InputError, Location, RegisterError
from metafreeze.register.answers import BINS, Answers
from metafreeze.register.folder.curves import (
    CURVES_FOLDER,
    StoredTrace,
    encode_curves,
    spell_record,
    write_curves,
)
from metafreeze.register.folder.disk import (
    append_line,
    copy_whole,
    disk_trouble_explained,
    hash_file,
    sweep_unfinished,
)
from metafreeze.register.folder.entries import Entry, spell_count
from metafreeze.register.folder.growth import Pool, match_rows
from metafreeze.register.folder.holdings import load, part_numbers, part_reader
from metafreeze.register.folder.journal import (
    JOURNAL_FORMAT,
    JOURNAL_NAME,
    EntryKind,
    entry_name,
    spell_line,
)
from metafreeze.register.folder.locking import one_writer
from metafreeze.register.folder.parts import ROWS_FOLDER, encode_part, write_part
from metafreeze.register.folder.plan import SETTINGS_NAME, Settings, write_settings
from metafreeze.register.folder.standing import UNDOABLE, Standing, replay
from metafreeze.register.folder.taking import Incoming, Plan, plan_entry, segment_of
from metafreeze.register.schema import SCHEMA_VERSION, arrow_schema

SOURCES_FOLDER = "sources"


def lay_out(folder: Path, names: Sequence[str], settings: Mapping[str, Any]) -> None:
    """Make the folders, the first journal line and the settings of an empty register.

    Parameters
    ----------
    folder : Path
        The register.
    names : sequence of str
        Its folders.
    settings : mapping
        Title, endpoint and lab, where given.

    Raises
    ------
    RegisterError
        There is a register already, the folder holds other files, or the disk refuses.
    """
    with disk_trouble_explained(f"The register {folder.name} could not be made"):
        folder.mkdir(parents=True, exist_ok=True)
        with one_writer(folder):
            _require_empty(folder, names)
            for name in names:
                (folder / name).mkdir(exist_ok=True)
            body = {"format": JOURNAL_FORMAT, "settings": dict(settings)}
            line = spell_line(_members(0, "create", body))
            append_line(folder / JOURNAL_NAME, line, keep_bytes=0)
            write_settings(folder, with_values(Settings(as_of=0), **settings))


@contextmanager
def changing(folder: Path, *, wait_s: float) -> Iterator[Standing]:
    """Hold the lock over a register that can be written, and give its state.

    Parameters
    ----------
    folder : Path
        The register.
    wait_s : float
        How long to wait for another writer.

    Raises
    ------
    RegisterError
        Another writer or the disk is in the way, or the journal is lost.
    """
    with (
        disk_trouble_explained("The entry could not be written"),
        one_writer(folder, wait_s=wait_s),
    ):
        standing = load(folder)
        if not standing.journal.lines or standing.journal.lines[0].seq != 0:
            raise RegisterError(
                f"The beginning of {JOURNAL_NAME} is lost, so nothing can be written. Restore it "
                "from a copy, or make a new register and add the files of the folder sources."
            )
        for place in (folder, *(folder / n for n in (ROWS_FOLDER, SOURCES_FOLDER, CURVES_FOLDER))):
            place.mkdir(exist_ok=True)
            sweep_unfinished(place)
        yield standing


def write_entry(
    folder: Path,
    standing: Standing,
    kind: EntryKind,
    body: Mapping[str, Any],
    *,
    table: pa.Table | None = None,
    copies: Sequence[Incoming] = (),
    traces: Sequence[StoredTrace] = (),
) -> str:
    """Put an entry on the disk; call it only inside `changing`.

    Copies of the files and the part come first, then the journal line, which alone
    makes them count. Whatever fails before that is taken away again.

    Parameters
    ----------
    folder : Path
        The register.
    standing : Standing
        Its state.
    kind : str
        What happened.
    body : mapping
        Members of the journal line.
    table : pyarrow.Table, optional
        Rows of the part.
    copies : sequence of Incoming
        Files whose bytes are kept.
    traces : sequence of StoredTrace
        Traces that are kept beside the part.

    Returns
    -------
    str
        The name of the entry.
    """
    seq = _free_number(folder, standing)
    made: list[Path] = []
    try:
        # Copying waits for the disk, encoding for the processor.
        with ThreadPoolExecutor(1) as beside:
            copying = beside.submit(_keep_copies, folder, copies, made)
            content = b"" if table is None else encode_part(table)
            copying.result()
        members = dict(body)
        if table is not None:
            made.append(folder / ROWS_FOLDER / f"{entry_name(seq)}.parquet")
            record = write_part(folder, entry_name(seq), content, table.num_rows)
            members["part"] = {"sha256": record.sha256, "rows": record.rows}
        if traces:
            made.append(folder / CURVES_FOLDER / f"{entry_name(seq)}.parquet")
            curves = write_curves(folder, entry_name(seq), encode_curves(traces), len(traces))
            members["curves"] = spell_record(curves)
        line = spell_line(_members(seq, kind, members))
        journal = standing.journal
        append_line(
            folder / JOURNAL_NAME, journal.line_break + line, keep_bytes=journal.whole_bytes
        )
    except BaseException:
        for path in made:
            with suppress(OSError):
                path.unlink(missing_ok=True)
        raise
    _write_settings_after(folder, standing, seq, members.get("settings", {}))
    return entry_name(seq)


def take_in(
    folder: Path,
    kind: EntryKind,
    incoming: Sequence[Incoming],
    *,
    answers: Answers,
    replace: bool,
    settings: Mapping[str, str],
    notes: Sequence[Fault],
    refused: bool,
    wait_s: float,
) -> Entry:
    """Take files in, all or none.

    Parameters
    ----------
    folder : Path
        The register.
    kind : {"add", "merge"}
        What the entry is called.
    incoming : sequence of Incoming
        The files.
    answers : Answers
        Answers of this call.
    replace : bool
        Whether changed rows replace the earlier ones.
    settings : mapping
        Settings that change with the entry, unless an answer decides them.
    notes : sequence of Fault
        What checking the files found.
    refused : bool
        Whether checking refuses them; open questions of the register are still gathered.
    wait_s : float
        How long to wait for another writer.

    Returns
    -------
    Entry

    Raises
    ------
    InputError
        With every fault.
    """
    with changing(folder, wait_s=wait_s) as standing:
        plan = plan_entry(
            standing,
            incoming,
            entry_id=entry_name(_free_number(folder, standing)),
            answers=answers,
            replace=replace,
            read=part_reader(folder, standing),
            match=not refused,
        )
        asked = {(f.rule, f.location.file) for f in notes if f.severity == "question"}
        faults = [*notes, *(f for f in plan.faults if (f.rule, f.location.file) not in asked)]
        if refused or plan.refused:
            raise InputError(faults=faults)
        entry_id = ""
        if plan.tables or plan.traces:
            entry_id = write_entry(
                folder,
                standing,
                kind,
                _body_of(plan, settings),
                table=pa.concat_tables(plan.tables) if plan.tables else None,
                copies=plan.copies,
                traces=plan.traces,
            )
    ledger = {name: sum(int(file["ledger"][name]) for file in plan.files) for name in BINS}
    return Entry(
        id=entry_id,
        kind=kind,
        files=tuple(file.name for file in incoming),
        new=plan.new,
        already_there=plan.already_there,
        changed=plan.changed,
        ledger_counts=tuple(ledger.values()),
        notes=(*faults, *_torn(standing)),
    )


def take_back(folder: Path, entry_id: str, *, wait_s: float) -> Entry:
    """Take an entry back, or the taking back.

    Parameters
    ----------
    folder : Path
        The register.
    entry_id : str
        The entry.
    wait_s : float
        How long to wait for another writer.

    Returns
    -------
    Entry

    Raises
    ------
    InputError
        As `Register.undo` says.
    """
    with changing(folder, wait_s=wait_s) as standing:
        _require_undoable(standing, entry_id)
        after = replay(
            standing.journal, standing.file_settings, standing.faults, extra_undo=entry_id
        )
        back, gone = _rows_beyond(after, standing), _rows_beyond(standing, after)
        _require_no_clash(folder, standing, after, back)
        counts = {"new": _count(back), "gone": _count(gone)}
        undo = write_entry(folder, standing, "undo", {"target": entry_id, "counts": counts})
    staying = {
        later
        for later, entry in after.entries.items()
        if after.stands(later) and any(c.entry_id == entry_id for c in entry.corrections)
    }
    notes = [_still_corrected(entry_id, later) for later in sorted(staying)]
    notes += [
        _held_too(entry_id, file.entry_id, sum(file.already[entry_id].values()), file.name)
        for file in after.standing_files()
        if entry_id in file.already
    ]
    return Entry(
        id=undo,
        kind="undo",
        target=entry_id,
        new=counts["new"],
        gone=counts["gone"],
        notes=(*notes, *_torn(standing)),
    )


def _members(seq: int, kind: EntryKind, body: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "seq": seq,
        "kind": kind,
        # For people; nothing is ever ordered by it, since clocks go back.
        "at": datetime.now(UTC).isoformat(timespec="seconds"),
        "version": __version__,
        "schema": SCHEMA_VERSION,
        **body,
    }


def _require_empty(folder: Path, names: Sequence[str]) -> None:
    """Refuse a folder with anything in it but a register that a crash left half-made."""
    journal = folder / JOURNAL_NAME
    lines = journal.read_bytes().count(b"\n") if journal.is_file() else 0
    if (folder / SETTINGS_NAME).exists() or lines > 1:
        raise RegisterError(f"{folder} is a register already. Open it, or choose another name.")
    strange = sorted(
        path.name
        for path in folder.iterdir()
        if path.name not in (*names, JOURNAL_NAME) and not path.name.startswith(".")
    )
    if strange:
        raise RegisterError(
            f"{folder} holds other files, such as {strange[0]}. "
            "Choose a folder that is empty or does not exist yet."
        )


def _free_number(folder: Path, standing: Standing) -> int:
    """Give the number of the next entry.

    One part beyond the journal is what an interrupted entry left; it is overwritten.
    More of them mean that the journal lost its end; they keep their numbers.
    """
    following = standing.journal.next_seq
    beyond = [seq for seq in part_numbers(folder) if seq > following]
    return max(beyond, default=following - 1) + 1


def _keep_copies(folder: Path, files: Sequence[Incoming], made: list[Path]) -> None:
    """Copy the files under their hashes; add to `made` those that were not there before."""
    for file in files:
        if file.copy is None or not file.sha256:
            continue
        target = folder / SOURCES_FOLDER / f"{file.sha256}{file.suffix}"
        if target.is_file() and hash_file(target) == file.sha256:
            continue
        made.append(target)
        if copy_whole(file.copy, target) != file.sha256:
            raise InputError(
                faults=[
                    Fault(
                        rule="file-changed",
                        message="The file changed while it was read",
                        remedy="Close it in other programs and add it again",
                        location=Location(file=file.name),
                    )
                ]
            )


def _write_settings_after(
    folder: Path, standing: Standing, seq: int, changed: Mapping[str, Any]
) -> None:
    """Bring ``register.toml`` up to the journal, where it lags or is gone.

    The entry stands already; a file that cannot be written now is laid over by the
    journal at the next reading. One that a person broke is theirs to mend.
    """
    broken = any(f.rule == "settings" for f in standing.faults)
    gone = not (folder / SETTINGS_NAME).exists()
    lags = standing.settings.as_of != standing.file_settings.as_of
    if (broken and not gone) or not (changed or gone or lags):
        return
    with suppress(OSError):
        write_settings(folder, with_values(standing.settings, as_of=seq, **changed))


def _body_of(plan: Plan, settings: Mapping[str, str]) -> dict[str, Any]:
    body: dict[str, Any] = {
        "files": plan.files,
        "counts": {
            "new": plan.new,
            "already_there": plan.already_there,
            "changed": plan.changed,
        },
    }
    if plan.corrections:
        body["corrections"] = plan.corrections
    if changed := {**settings, **plan.settings}:
        body["settings"] = changed
    return body


def _torn(standing: Standing) -> tuple[Fault, ...]:
    """Say that the rest of an interrupted write was cleared away."""
    if not standing.journal.torn_bytes:
        return ()
    return (
        Fault(
            rule="journal-torn",
            message=f"{JOURNAL_NAME} ended in half a line, left by an interrupted write; "
            "it counted for nothing and was removed",
            location=Location(file=JOURNAL_NAME),
            severity="note",
        ),
    )


def _require_undoable(standing: Standing, entry_id: str) -> None:
    if entry_id not in standing.entries:
        known = ", ".join(standing.entries) or "none yet"
        raise InputError(f'There is no entry "{entry_id}". The entries are: {known}.')
    kind = standing.entries[entry_id].line.kind
    if kind not in UNDOABLE:
        raise InputError(
            f"{entry_id} is a {kind} and stays on record. "
            f"Only these can be taken back: {', '.join(UNDOABLE)}."
        )
    if entry_id in standing.undone_by:
        by = standing.undone_by[entry_id]
        raise InputError(
            f"{entry_id} is taken back already, by {by}. To bring it back: "
            f"metafreeze undo REGISTER {by}."
        )


def _rows_beyond(these: Standing, those: Standing) -> dict[str, npt.NDArray[np.bool_]]:
    """Give the rows that show in `these` and not in `those`, by entry."""
    beyond = {}
    for entry_id, shown in these.shown.items():
        extra = shown & ~those.shown[entry_id] if entry_id in those.shown else shown
        if extra.any():
            beyond[entry_id] = extra
    return beyond


def _count(rows: Mapping[str, npt.NDArray[np.bool_]]) -> int:
    return sum(int(shown.sum()) for shown in rows.values())


def _require_no_clash(
    folder: Path,
    standing: Standing,
    after: Standing,
    back: Mapping[str, npt.NDArray[np.bool_]],
) -> None:
    """Refuse to bring back rows that a later entry holds again, or of the other world."""
    if not back:
        return
    if len({f.invented for f in after.standing_files() if f.rows}) > 1:
        raise InputError(
            "That would put invented rows and real ones into one register. "
            "Take back the entries of the one kind first."
        )
    read = part_reader(folder, standing)
    staying = {i: shown & after.shown[i] for i, shown in standing.shown.items() if i in after.shown}
    pool = Pool(
        [segment_of(after, i, read, wanted=shown) for i, shown in staying.items() if shown.any()]
    )
    names = [f.name for e in after.entries.values() for f in e.files]
    for entry_id, shown in back.items():
        table = read(entry_id, arrow_schema().names)
        for file in after.entries[entry_id].files:
            at = file.first + np.flatnonzero(shown[file.first : file.stop])
            rows = table.take(pa.array(at))
            match = match_rows(pool, rows, series=file.series, files=names)
            found = match.old[match.old >= 0]
            if found.size:
                holders = {pool.segments[int(s)].entry_id for s in pool.segment[found]}
                raise InputError(
                    f"{spell_count(found.size, 'row')} of {file.name} would come back with "
                    f"{entry_id}, but {', '.join(sorted(holders))} holds them again. "
                    f"Take that back first: metafreeze undo REGISTER {max(holders)}."
                )


def _still_corrected(entry_id: str, later: str) -> Fault:
    return Fault(
        rule="still-corrected",
        message=f"Rows of {entry_id} that {later} corrected stay, as {later} has them",
        remedy=f"To take them out too: metafreeze undo REGISTER {later}",
        severity="note",
    )


def _held_too(entry_id: str, later: str, records: int, file: str) -> Fault:
    return Fault(
        rule="held-too",
        message=f"{spell_count(records, 'record')} of {file} ({later}) that {entry_id} held "
        f"already {'goes' if records == 1 else 'go'} with it",
        remedy=f"If they are to stay, add {file} again",
        severity="note",
    )
