"""A batch as a sheet: rows of the schema, which the register takes in like any other."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import pyarrow as pa
import pyarrow.csv as arrow_csv

from metafreeze.errors import Fault, Location
from metafreeze.logbook.batches import Batch
from metafreeze.logbook.courses import Course, Window, follow
from metafreeze.register.folder.exporting import make_inert
from metafreeze.register.schema import FIELDS

NEVER_LOOKED = "never looked at after it went in"

# Columns that every sheet of a batch has, whatever is known.
_ALWAYS = (
    "lab_id",
    "session_id",
    "block_id",
    "run_id",
    "start_temp_c",
    "water_mass_start_g",
    "insertion_order",
    "water_mass_end_g",
    "trigger_event",
    "endpoint",
    "time_lower_s",
    "time_upper_s",
    "inserted_at",
    "exclusion_reason",
    "remark",
)

Cells = dict[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchSheet:
    """What a batch would store.

    Parameters
    ----------
    columns : tuple of str
        Names of the schema, in its order.
    rows : tuple of dict
        Column -> cell as written; two rows for each vessel that went in.
    courses : tuple of Course
        All vessels of the batch.
    not_in : tuple of str
        Vessels that never went in; they have no row.
    faults : tuple of Fault
        What the taps leave open or contradict.
    """

    columns: tuple[str, ...]
    rows: tuple[Cells, ...]
    courses: tuple[Course, ...]
    not_in: tuple[str, ...]
    faults: tuple[Fault, ...]

    def to_csv(self) -> bytes:
        """Spell the sheet as the register reads it."""
        stream = io.StringIO(newline="")
        writer = csv.DictWriter(stream, self.columns, restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows(self.rows)
        return stream.getvalue().encode()

    def to_download(self) -> bytes:
        """Spell the sheet for other programs: no cell that one of them would run."""
        table = pa.table({f.name: [row.get(f.name, "") for row in self.rows] for f in FIELDS})
        stream = io.BytesIO()
        arrow_csv.write_csv(make_inert(table).select(self.columns), stream)
        return stream.getvalue()


def make_sheet(batch: Batch) -> BatchSheet:
    """Turn a batch into rows.

    Parameters
    ----------
    batch : Batch
        A batch, open or closed.

    Returns
    -------
    BatchSheet
    """
    courses = follow(batch)
    inside = sorted((c for c in courses if c.in_ms is not None), key=lambda c: c.in_ms or 0)
    order = {course.vessel.name: place for place, course in enumerate(inside, start=1)}
    rows: list[Cells] = []
    for course in courses:
        if course.in_ms is None:
            continue
        shared = _shared(batch, course, order[course.vessel.name], first_ms=inside[0].in_ms or 0)
        rows.append(shared | _outcome("t_first_ice", course.first_ice, trigger=course.trigger))
        rows.append(shared | _outcome("t_solid", course.solid))
    used = {name for row in rows for name, cell in row.items() if cell} | set(_ALWAYS)
    return BatchSheet(
        columns=tuple(f.name for f in FIELDS if f.name in used),
        rows=tuple(rows),
        courses=tuple(courses),
        not_in=tuple(c.vessel.name for c in courses if c.in_ms is None),
        faults=(*(f for c in courses for f in c.faults), *_judge(batch, courses, order)),
    )


def _shared(batch: Batch, course: Course, order: int, *, first_ms: int) -> Cells:
    """Give the cells that both rows of a vessel share."""
    assert course.in_ms is not None
    known: dict[str, object] = {
        # A batch that goes past midnight stays in the session in which it began.
        "session_id": _local(first_ms).date().isoformat(),
        **course.vessel.fields,
        **course.measured,
        "lab_id": batch.plan.lab,
        "block_id": batch.plan.name,
        "run_id": course.vessel.name,
        "insertion_order": order,
        "inserted_at": _local(course.in_ms).isoformat(timespec="seconds"),
    }
    remarks = [str(course.vessel.fields.get("remark", "")), *course.notes]
    known["remark"] = "; ".join(remark for remark in remarks if remark)
    return {name: spell(value) for name, value in known.items()}


def _outcome(endpoint: str, window: Window | None, *, trigger: str = "") -> Cells:
    cells: Cells = {"endpoint": endpoint, "trigger_event": trigger}
    if window is None:
        return cells | {"time_lower_s": "0", "exclusion_reason": NEVER_LOOKED}
    cells["time_lower_s"] = spell(window.lower_s)
    cells["time_upper_s"] = "" if window.upper_s is None else spell(window.upper_s)
    return cells


def _judge(batch: Batch, courses: Sequence[Course], order: Mapping[str, int]) -> list[Fault]:
    """Say what a person should know before a batch is stored."""
    inside = [course for course in courses if course.in_ms is not None]
    faults = []
    if not inside:
        faults.append(
            Fault(
                rule="nothing-in",
                message=f"No vessel of batch “{batch.plan.name}” went in",
                remedy="Tap “in” when a vessel goes in",
            )
        )
    for course in inside:
        name = course.vessel.name
        if "start_temp_c" not in {**course.vessel.fields, **course.measured}:
            faults.append(
                Fault(
                    rule="no-start-temperature",
                    message=f"Vessel “{name}” has no start temperature",
                    remedy="Write it at the vessel",
                    location=Location(run=name),
                )
            )
        if course.solid is None:
            faults.append(
                _note(
                    "never-looked", name, f"Vessel “{name}” was {NEVER_LOOKED}; it counts nowhere"
                )
            )
        planned = course.vessel.fields.get("insertion_order")
        if planned is not None and planned != order[name]:
            faults.append(
                _note(
                    "order-not-kept",
                    name,
                    f"Vessel “{name}” went in as number {order[name]}, planned was {planned}; "
                    "what happened is stored",
                )
            )
    return faults


def _note(rule: str, run: str, message: str) -> Fault:
    return Fault(rule=rule, message=message, location=Location(run=run), severity="note")


def _local(ms: int) -> datetime:
    """Give a moment by the clock on the wall, with its offset."""
    return datetime.fromtimestamp(ms / 1000).astimezone()


def spell(value: object) -> str:
    """Write a cell as the way in reads it: no digit lost, none made up."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() else repr(value)
    return str(value)
