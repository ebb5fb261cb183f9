"""Lines of a sheet that sum up others: they count in the ledger and are never runs."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.register.meaning.findings import Findings
from metafreeze.register.meaning.named import TIME_TARGETS, NamedColumn, NamedTable
from metafreeze.register.meaning.values import cell_text

BoolArray = npt.NDArray[np.bool_]

# Lines below or between runs that sum them up.
SUMMARY_LINE = (
    r"(?i)^\s*(?:(?:grand\s+)?(?:total|totals|sum|mean|means|average|averages|avg\.?|median)"
    r"(?:\s*(?:time|of all|all|overall|value|±.*|\(.*\)|hot|cold))?"
    r"|overall(?:\s+mean)?|s\.?d\.?|std\.?(?:\s*dev\.?)?|st\.?\s*dev\.?|stdev|s\.?e\.?m?\.?"
    r"|standard\s+(?:deviation|error)|variance|var|min|max|minimum|maximum|count|range"
    r"|n\s*[=:]\s*\d+.*|n|cv|cv\s*%|mittelwert|moyenne|summe)\s*[:=]?\s*$"
)

# The plain ones, looked for also where no cell of the line is empty.
_PLAIN_WORDS = pa.array(
    [
        spelling
        for word in ("mean", "average", "total", "median", "SD", "SE", "SEM", "stdev", "sum")
        for spelling in dict.fromkeys((word, word.capitalize(), word.upper()))
    ]
)

# Columns in which such a line has its name.
_NAME_TARGETS = frozenset(
    (
        "run_id",
        "specimen_id",
        "block_id",
        "session_id",
        "lab_id",
        "start_temp_c",
        "vessel_material",
        "inserted_at",
        "remark",
        "source_id",
        "arm",
    )
)


def find_summary_lines(named: NamedTable) -> BoolArray:
    """Mask records that sum up others: `Mean`, `SD`, `n = 5` where a run has its name.

    A vessel may be called `max`; a line that sums up lacks what every run has.
    """
    n = named.table.n_rows
    found = np.zeros(n, dtype=np.bool_)
    # Such a line leaves cells empty; a full sheet is searched for its plain words only.
    gaps = np.zeros(n, dtype=np.bool_)
    for column in named.columns:
        if column.labels.null_count:
            gaps |= pc.is_null(column.labels).to_numpy(zero_copy_only=False)
    where = np.flatnonzero(gaps)
    starts = named.all_of("start_temp_c")
    no_start = ~_filled(starts, n) if starts else np.zeros(n, dtype=np.bool_)
    no_time = ~_filled([c for c in named.columns if c.target in TIME_TARGETS], n)
    first = min((c.column.position for c in named.columns), default=0)
    for column in named.columns:
        at_front = column.column.position == first
        if column.target not in _NAME_TARGETS and not at_front:
            continue
        said = np.zeros(n, dtype=np.bool_)
        if where.size:
            some = column.labels.take(pa.array(where))
            match = pc.fill_null(pc.match_substring_regex(some, SUMMARY_LINE), False)
            said[where] = match.to_numpy(zero_copy_only=False)
        if column.target in ("run_id", "start_temp_c"):
            exact = pc.is_in(column.labels, value_set=_PLAIN_WORDS)
            said |= exact.to_numpy(zero_copy_only=False)
        if not said.any():
            continue
        certain = column.target in ("run_id", "start_temp_c") or (at_front and not starts)
        found |= said if certain else said & (no_start | no_time)
    return found


def _filled(columns: list[NamedColumn], n: int) -> BoolArray:
    filled = np.zeros(n, dtype=np.bool_)
    for column in columns:
        valid = pc.is_valid(column.labels)
        filled |= valid.to_numpy(zero_copy_only=False)
    return filled


def report_totals(named: NamedTable, totals: BoolArray, findings: Findings) -> None:
    """List the lines that sum up others; they are no rows."""
    for at in np.flatnonzero(totals):
        first = next(
            (c for c in named.table.columns if cell_text(c, at).strip()), named.table.columns[0]
        )
        text = cell_text(first, at).strip()
        findings.add(
            "note",
            "summary-line",
            f"“{text}” sums up other rows: not a run",
            table=named.table,
            column=first,
            at=int(at),
            value=text,
        )
