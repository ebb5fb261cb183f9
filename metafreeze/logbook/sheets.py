"""The run sheet: planned vessels, read through the register's own way in."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from metafreeze.errors import Fault, InputError, Location
from metafreeze.logbook.batches import BatchPlan, Value, Vessel, may_be_planned
from metafreeze.logbook.taps import LONGEST_NAME
from metafreeze.register.schema import FIELD

_NAMES_OF_A_VESSEL = ("run_id", "position_id")
# The vessel's name and its batch stand in the plan itself.
_ELSEWHERE = ("run_id", "block_id", "lab_id", "exclusion_reason")


def read_run_sheet(path: Path) -> tuple[BatchPlan, ...]:
    """Read the batches of a run sheet whose outcomes are blank.

    Parameters
    ----------
    path : Path
        A sheet of single runs, one row per vessel.

    Returns
    -------
    tuple of BatchPlan
        One for each batch of the sheet, in its order; `id` is empty until it is begun.

    Raises
    ------
    InputError
        The sheet cannot be read as one of runs, or two vessels of a batch share their name.
    """
    from metafreeze.register.intake import check_file

    check = check_file(path)
    pressing = [fault for fault in check.findings if fault.severity != "note"]
    if pressing:
        raise InputError(faults=pressing)
    if check.kind != "runs":
        raise InputError(
            f"{path.name} is not a sheet of single runs. Give the CSV of metafreeze runsheet, or "
            "a sheet with one row for each vessel."
        )
    batches: dict[tuple[str, str], dict[str, Vessel]] = {}
    for number, row in enumerate(check.rows.to_pylist(), start=1):
        place = (row.get("lab_id") or "", row.get("block_id") or row.get("session_id") or "")
        vessels = batches.setdefault(place, {})
        vessel = _vessel(row, number=len(vessels) + 1)
        known = vessels.setdefault(vessel.name, vessel)
        if known is not vessel and known.fields != vessel.fields:
            raise InputError(faults=[_named_twice(check.file, vessel.name, row, number)])
    return tuple(
        BatchPlan(
            id="",
            name=name[:LONGEST_NAME],
            lab=lab[:LONGEST_NAME],
            watching="looks",
            vessels=tuple(vessels.values()),
            sheet=check.file,
        )
        for (lab, name), vessels in batches.items()
    )


def _vessel(row: dict[str, Any], *, number: int) -> Vessel:
    named = next((row[n] for n in _NAMES_OF_A_VESSEL if row.get(n)), str(number))
    fields: dict[str, Value] = {
        name: value
        for name, value in row.items()
        if value is not None
        and name not in _ELSEWHERE
        and name in FIELD
        and may_be_planned(FIELD[name])
        # The file stands for a source only where there is no lab.
        and not (name == "source_id" and value == row.get("file_name"))
    }
    return Vessel(name=str(named)[:LONGEST_NAME], fields=fields)


def _named_twice(file: str, name: str, row: dict[str, Any], number: int) -> Fault:
    return Fault(
        rule="vessel-named-twice",
        message=f"Two vessels of one batch are called “{name}”",
        remedy="Give each vessel of a batch its own run name",
        location=Location(file=file, row=row.get("file_row", number), column="run_id"),
        value=name,
    )
