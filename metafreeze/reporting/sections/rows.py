"""Where every row went and where it came from."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from metafreeze.reporting import numbers as show
from metafreeze.reporting.content import Code, Column, Fixed, Section, TableContent, say

BIN_WORDS = {
    "used": "Used",
    "not seen exactly": "Not seen exactly",
    "excluded": "Excluded, with a reason",
    "duplicate": "Duplicate",
    "unreadable": "Unreadable",
}
UNUSED_SHOWN = 20


def rows_section(
    register: Mapping[str, Any], pool: Mapping[str, Any], tables: Mapping[str, pd.DataFrame]
) -> Section:
    """Account for every record of every file, and for rows that gave no effect."""
    ledger = tables["ledger"]
    bins = [c for c in ledger.columns if c not in ("entry_id", "file", "records")]
    shown = [b for b in bins if ledger[b].sum() > 0]
    table = TableContent(
        key="ledger-table",
        caption=say("Every record of every file, by where it ended."),
        columns=(
            Column(heading="File", kind="given"),
            *(Column(heading=BIN_WORDS.get(b, b.capitalize()), kind="count") for b in shown),
            Column(heading="Records", kind="count"),
        ),
        rows=tuple(
            (row["file"], *(int(row[b]) for b in shown), int(row["records"]))
            for row in ledger.to_dict(orient="records")
        ),
    )
    reasons = [
        say(
            "{n}: {why}.",
            n=show.count(item["rows"], "row"),
            why=Fixed(str(item["reason"]).rstrip(".")),
        )
        for item in pool.get("unused", [])[:UNUSED_SHOWN]
    ]
    heading = (say("Rows that gave no effect, and why:"),) if reasons else ()
    return Section(
        key="rows",
        question=say("Where did every row go?"),
        answer=say(
            "{records} in {files} were read; every one is accounted for below.",
            records=show.count(register["records"], "record"),
            files=show.count(register["files"], "file"),
        ),
        paragraphs=(
            say(
                "The file, the line and the cells as typed of every row stand in {table} beside "
                "this page.",
                table=Code("tables/rows.csv"),
            ),
            *heading,
            *reasons,
        ),
        tables=(table,),
    )
