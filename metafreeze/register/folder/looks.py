"""Looks at the answer before the last run: journalled, since stopping when it pleases deceives.

A look is interim where a lab that had runs by then added more afterwards. Corrections are no
growth, and another lab's own trials do not depend on what was seen here.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

import pandas as pd

from metafreeze.register.folder.standing import Standing
from metafreeze.register.folder.writing import changing, write_entry


def note_look(folder: Path, *, endpoint: str, fingerprint: str, wait_s: float) -> bool:
    """Write down that the answer was seen, once for each state of the rows.

    Parameters
    ----------
    folder : Path
        The register.
    endpoint : str
        What was answered.
    fingerprint : str
        The rows behind it.
    wait_s : float
        How long to wait for another writer.

    Returns
    -------
    bool
        Whether it stands in the journal; False where the folder may not be written.

    Raises
    ------
    RegisterError
        The disk or another writer is in the way.
    """
    if not os.access(folder, os.W_OK):
        return False
    with changing(folder, wait_s=wait_s) as standing:
        for _, body in _looks(standing):
            if body.get("endpoint") == endpoint and body.get("fingerprint") == fingerprint:
                return True
        write_entry(folder, standing, "look", {"endpoint": endpoint, "fingerprint": fingerprint})
    return True


def interim_looks(standing: Standing, rows: pd.DataFrame, *, endpoint: str) -> int:
    """Count the looks after which a lab went on.

    Parameters
    ----------
    standing : Standing
        The register's state.
    rows : DataFrame
        Its rows, with ``entry_id``.
    endpoint : str
        The endpoint that is answered.

    Returns
    -------
    int
    """
    run = rows["record_level"].eq("run") & rows["endpoint"].eq(endpoint)
    own = rows[run.to_numpy(dtype=bool, na_value=False)]
    lab = own["lab_id"].fillna(own["source_id"]).fillna("")
    number = {record: entry.line.seq for record, entry in standing.entries.items()}
    grown = {
        record
        for record, entry in standing.entries.items()
        if int(entry.line.body.get("counts", {}).get("new", 0)) > 0
    }
    entry = own["entry_id"].map(number)
    new = own["entry_id"].isin(grown)
    count = 0
    for seq, body in _looks(standing):
        if body.get("endpoint") != endpoint:
            continue
        before = set(lab[(entry < seq).to_numpy(dtype=bool)])
        after = lab[((entry > seq) & new).to_numpy(dtype=bool)]
        count += bool(after.isin(before).any())
    return count


def _looks(standing: Standing) -> Iterable[tuple[int, dict[str, object]]]:
    for entry in standing.entries.values():
        if entry.line.kind == "look":
            yield entry.line.seq, entry.line.body
