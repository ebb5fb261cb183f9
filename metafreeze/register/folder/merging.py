"""Another register's rows on their way in, file by file."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa

from metafreeze.register.answers import BINS
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
    return list(latest.values())


def _records(rows: pa.Table) -> dict[str, int]:
    counted = count_records(rows, np.ones(rows.num_rows, dtype=bool))
    return {name: counted.get(name, 0) for name in BINS}
