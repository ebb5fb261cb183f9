"""Another register's rows on their way in, file by file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa

from metafreeze.errors import Fault, RegisterError
from metafreeze.register.answers import BINS
from metafreeze.register.folder.curves import StoredTrace, read_stored
from metafreeze.register.folder.parts import BIN_COLUMN
from metafreeze.register.folder.standing import Standing
from metafreeze.register.folder.taking import Incoming, PartReader, count_records
from metafreeze.register.schema import arrow_schema


def incoming_register(standing: Standing, folder: Path, *, read: PartReader) -> list[Incoming]:
    """Make what comes in out of the rows that another register shows.

    Parameters
    ----------
    standing : Standing
        The other register's state.
    folder : Path
        Its folder.
    read : callable
        Gives the part of one of its entries.

    Returns
    -------
    list of Incoming
        One for each of its files with rows that show; the states of one grown sheet
        come together as one.
    """
    latest: dict[str, Incoming] = {}
    for entry_id, shown in standing.shown.items():
        if not shown.any():
            continue
        table = read(entry_id, [*arrow_schema().names, BIN_COLUMN])
        for file in standing.entries[entry_id].files:
            at = file.first + np.flatnonzero(shown[file.first : file.stop])
            if not at.size:
                continue
            rows = table.take(pa.array(at))
            before = latest.get(file.series)
            if before is not None:
                rows = pa.concat_tables([before.rows, rows])
            copy = folder / file.copy_name
            latest[file.series] = Incoming(
                name=file.name,
                sha256=file.sha256 if file.copy_name and copy.is_file() else "",
                suffix=file.suffix,
                copy=copy if file.copy_name and copy.is_file() else None,
                kind=file.kind,
                shape=file.shape,
                rows=rows,
                ledger=_records(rows),
                dialect=file.dialect,
                answers=file.answers,
                source=file.source,
                own=False,
            )
    return [*_with_traces(standing, folder, latest), *_without_rows(standing, folder, latest)]


def _traces_by_file(standing: Standing, folder: Path) -> dict[str, dict[str, StoredTrace]]:
    """Read the traces that stand, by file and then by channel."""
    found: dict[str, dict[str, StoredTrace]] = {}
    for record in standing.curves_records():
        traces = read_stored(folder, record)
        if isinstance(traces, Fault):
            raise RegisterError(f"{traces} Until then its traces cannot be merged.")
        for trace in traces:
            found.setdefault(trace.file, {})[f"{trace.sheet}/{trace.channel}"] = trace
    return found


def _with_traces(
    standing: Standing, folder: Path, latest: Mapping[str, Incoming]
) -> list[Incoming]:
    """Put the traces of each file beside its rows."""
    traces = _traces_by_file(standing, folder)
    return [
        replace(file, traces=tuple(traces.get(file.name, {}).values()))
        if file.kind == "trace"
        else file
        for file in latest.values()
    ]


def _without_rows(
    standing: Standing, folder: Path, latest: Mapping[str, Incoming]
) -> list[Incoming]:
    """Give the files of traces of which no row shows, as that of a freezer alone."""
    traces = _traces_by_file(standing, folder)
    there = {file.name for file in latest.values()}
    made = []
    for file in standing.standing_files():
        if file.kind != "trace" or file.name in there or file.name not in traces:
            continue
        there.add(file.name)
        copy = folder / file.copy_name
        kept = bool(file.copy_name) and copy.is_file()
        rows = arrow_schema().append(pa.field(BIN_COLUMN, pa.string())).empty_table()
        made.append(
            Incoming(
                name=file.name,
                sha256=file.sha256 if kept else "",
                suffix=file.suffix,
                copy=copy if kept else None,
                kind=file.kind,
                shape=file.shape,
                rows=rows,
                ledger=_records(rows),
                dialect=file.dialect,
                answers=file.answers,
                source=file.source,
                own=False,
                traces=tuple(traces[file.name].values()),
            )
        )
    return made


def _records(rows: pa.Table) -> dict[str, int]:
    counted = count_records(rows, np.ones(rows.num_rows, dtype=bool))
    return {name: counted.get(name, 0) for name in BINS}
