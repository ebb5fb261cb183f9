"""Checked sheets made by hand, so that the register is tested apart from the way in."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import pyarrow as pa

from metafreeze.register.answers import BINS, Answers, FileCheck
from metafreeze.register.files.sheets import Dialect
from metafreeze.register.folder.entries import Entry
from metafreeze.register.folder.store import Register
from metafreeze.register.schema import arrow_schema


def run(start_temp_c: float, time_s: float, **more: Any) -> dict[str, Any]:
    """Give one exact run, as the way in would hand it over."""
    return {
        "record_level": "run",
        "start_temp_c": start_temp_c,
        "time_lower_s": time_s,
        "time_upper_s": time_s,
        "endpoint": "t_solid",
        **more,
    }


def runs(count: int, *, first: int = 0, named: bool = True, **more: Any) -> list[dict[str, Any]]:
    """Give several runs that all differ."""
    return [
        run(20.0 + k, 2400.0 + 7 * k, **({"run_id": f"R{k + 1}"} if named else {}), **more)
        for k in range(first, first + count)
    ]


def write_sheet(
    folder: Path,
    rows: Iterable[Mapping[str, Any]],
    *,
    name: str = "trials.csv",
    bins: Iterable[str] | None = None,
    ledger: Mapping[str, int] | None = None,
    **more: Any,
) -> tuple[FileCheck, Path]:
    """Put a file on the disk and give the check that the way in would make of it.

    Rows stand from row 2 on, below a heading, unless they say otherwise.
    """
    typed = [dict(row) for row in rows]
    rows = [
        {"file_name": name, "file_row": place, "source_id": name, **row}
        for place, row in enumerate(typed, 2)
    ]
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / name
    path.write_text(json.dumps(typed), "utf-8")
    bins = list(bins) if bins is not None else ["used"] * len(rows)
    counts = dict.fromkeys(BINS, 0)
    for word in bins:
        counts[word] += 1
    check = FileCheck(
        file=name,
        sha256=hashlib.sha256(path.read_bytes()).hexdigest(),
        kind="runs",
        accepted=True,
        dialect=Dialect(encoding="utf-8", delimiter=",", decimal="."),
        rows=pa.Table.from_pylist(rows, schema=arrow_schema()),
        bins=pa.array(bins, pa.string()),
        ledger=dict(ledger or counts),
        **more,
    )
    return check, path


def take(
    register: Register,
    folder: Path,
    rows: Iterable[Mapping[str, Any]],
    *,
    answers: Answers | None = None,
    replace: bool = False,
    **sheet: Any,
) -> Entry:
    """Write one sheet and take it in."""
    check, path = write_sheet(folder, rows, **sheet)
    given = answers or Answers()
    return register._take([(check, given, ())], [path], answers=given, replace=replace)
