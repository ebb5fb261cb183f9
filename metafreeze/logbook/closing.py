"""Closing a batch: checked like any sheet, and taken into the register as one entry."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from metafreeze.errors import Fault, InputError
from metafreeze.logbook.batches import Batch
from metafreeze.logbook.courses import Window
from metafreeze.logbook.outcomes import BatchSheet, make_sheet
from metafreeze.register.answers import Answers
from metafreeze.register.folder.disk import disk_trouble_explained, write_whole
from metafreeze.register.folder.entries import Entry
from metafreeze.register.folder.store import Register, check_file

SHEETS_FOLDER = "batches"

# What a sheet of a batch always says, or the register settles, or is told above already.
_SETTLED = ("excluded-row", "no-endpoint")
_LONGEST_FILE_NAME = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class Review:
    """What storing a batch would do.

    Parameters
    ----------
    sheet : BatchSheet
        Its rows.
    seq : int
        Number of the last event that is in it.
    findings : tuple of Fault
        Of the taps and of the check that every sheet passes.
    ledger : dict
        Bin -> rows.
    """

    sheet: BatchSheet
    seq: int
    findings: tuple[Fault, ...]
    ledger: dict[str, int]

    @property
    def accepted(self) -> bool:
        """Whether it could be stored as it stands."""
        return all(fault.severity == "note" for fault in self.findings)

    def to_dict(self) -> dict[str, Any]:
        """Give the review as plain values, for the page."""
        return {
            "seq": self.seq,
            "accepted": self.accepted,
            "vessels": [
                {
                    "name": course.vessel.name,
                    "start_temp_c": {**course.vessel.fields, **course.measured}.get("start_temp_c"),
                    "mass_in_g": {**course.vessel.fields, **course.measured}.get(
                        "water_mass_start_g"
                    ),
                    "mass_out_g": course.measured.get("water_mass_end_g"),
                    "first_ice": _plain(course.first_ice),
                    "solid": _plain(course.solid),
                    "trigger": course.trigger,
                    "notes": list(course.notes),
                }
                for course in self.sheet.courses
                if course.in_ms is not None
            ],
            "not_in": list(self.sheet.not_in),
            "rows": len(self.sheet.rows),
            "ledger": self.ledger,
            "findings": [
                {"severity": fault.severity, "text": _sentence(fault)} for fault in self.findings
            ],
        }


def review(batch: Batch, folder: Path) -> Review:
    """Write the sheet of a batch and check it as every sheet is checked.

    Parameters
    ----------
    batch : Batch
        The batch.
    folder : Path
        The logbook's folder.

    Returns
    -------
    Review

    Raises
    ------
    RegisterError
        The disk refuses the sheet.
    """
    seq, sheet = batch.last_seq, make_sheet(batch)
    findings, ledger = list(sheet.faults), {}
    if sheet.rows:
        path = write_sheet(batch, sheet, folder)
        check = check_file(path, answers=Answers())
        findings += [fault for fault in check.findings if fault.rule not in _SETTLED]
        ledger = {name: count for name, count in check.ledger.items() if count}
    ordered = sorted(findings, key=lambda f: ("error", "question", "note").index(f.severity))
    return Review(sheet=sheet, seq=seq, findings=tuple(ordered), ledger=ledger)


def store(batch: Batch, register: Register, folder: Path, *, seq: int) -> Entry:
    """Take a batch into the register as one entry.

    Parameters
    ----------
    batch : Batch
        The batch.
    register : Register
        Takes its rows.
    folder : Path
        The logbook's folder.
    seq : int
        `Review.seq` of the review that a person has seen.

    Returns
    -------
    Entry
        With an empty id where all rows were there already.

    Raises
    ------
    InputError
        Taps came since that review, or the rows are refused; `faults` holds every reason.
    RegisterError
        The disk or another writer is in the way.
    """
    if seq != batch.last_seq:
        raise InputError("More was tapped since you looked. Look at the batch once more.")
    seen = review(batch, folder)
    if not seen.accepted:
        raise InputError(faults=seen.findings)
    path = write_sheet(batch, seen.sheet, folder)
    # What was stored of this batch before is corrected by what was tapped since.
    return register.add(path, replace=bool(batch.closings))


def write_sheet(batch: Batch, sheet: BatchSheet, folder: Path) -> Path:
    """Write the sheet of a batch into the logbook's folder and name its file."""
    place = folder / SHEETS_FOLDER
    path = place / f"{file_stem(batch)}.csv"
    with disk_trouble_explained("The sheet of the batch could not be written"):
        place.mkdir(exist_ok=True)
        write_whole(path, sheet.to_csv())
    return path


def file_stem(batch: Batch) -> str:
    """Name a batch's file: its own name as far as a disk takes it, and part of its id."""
    tidy = re.sub(r"[^\w-]+", "-", batch.plan.name).strip("-")[:_LONGEST_FILE_NAME]
    return f"logbook-{tidy or 'batch'}-{batch.plan.id[:8]}"


def _plain(window: Window | None) -> list[float | None] | None:
    return None if window is None else [window.lower_s, window.upper_s]


def _sentence(fault: Fault) -> str:
    """Write a fault without the file's name and row, which nobody at the freezer has seen."""
    pieces = [fault.message, fault.remedy]
    return " ".join(p if p[-1] in ".?!" else f"{p}." for p in pieces if p)
