"""Published tables: groups with a spread, contrasts of two arms, counts of pairs.

What the source states is stored as stated, in seconds; one kind of spread is never
converted into another here. A row that cannot be weighed is kept, with its reason.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.register.answers import Answers
from metafreeze.register.files.sheets import Dialect
from metafreeze.register.meaning.findings import Findings
from metafreeze.register.meaning.named import (
    CONTRAST_TARGETS,
    COUNT_TARGETS,
    PLAIN_SLOT,
    STATISTIC_TARGETS,
    NamedTable,
    Slot,
    slot_of,
)
from metafreeze.register.meaning.sheet_units import bare_times
from metafreeze.register.meaning.units import Unit, offered
from metafreeze.register.rows.contrasts import read_contrasts
from metafreeze.register.rows.counts import read_pairs
from metafreeze.register.rows.drafts import Draft, interleave
from metafreeze.register.rows.group_checks import check_groups, query_spreads
from metafreeze.register.rows.groups import CENTRES, DIRECT, read_groups, read_runs_behind
from metafreeze.register.rows.readings import Reading, begin_reading
from metafreeze.register.rows.totals import report_totals

# Columns that the builders of published rows read themselves.
_HANDLED = frozenset(
    (
        *STATISTIC_TARGETS,
        *CONTRAST_TARGETS,
        *COUNT_TARGETS,
        "contrast_kind",
        "contrast_scale",
        "n_total",
        "n_runs",
        "n_ties",
        "spread_type",
        "error_bar_meaning",
        "endpoint",
        "exclusion_reason",
        "time",
    )
)

# Stands for a unit that is not known yet: values stay as typed until it is.
UNKNOWN_UNIT = Unit(name="", dimension="time")


def read_summaries(
    named: NamedTable, dialect: Dialect, answers: Answers, findings: Findings
) -> Draft:
    """Turn a published table into a draft.

    Parameters
    ----------
    named : NamedTable
        A table with named columns.
    dialect : Dialect
        How numbers look.
    answers : Answers
        What a person has answered.
    findings : Findings
        Receives what is wrong.

    Returns
    -------
    Draft
    """
    unknown = _settle_time_unit(named, findings)
    reading = begin_reading(named, dialect, answers, findings)
    shared = reading.read_shared(_HANDLED)
    drafts = [_read_slot(reading, slot, shared) for slot in _slots_of(named)]
    draft = interleave(drafts)
    draft.drop(reading.totals[draft.record], "excluded")
    report_totals(named, reading.totals, findings)
    query_spreads(draft, findings)
    if unknown:
        _forget_values(draft, named)
    return draft


def _settle_time_unit(named: NamedTable, findings: Findings) -> bool:
    """Ask once for the unit of all times of the table; True where it is not known."""
    bare = [
        c
        for c in named.all_of(*STATISTIC_TARGETS, *CONTRAST_TARGETS)
        if c.unit is None and c.unit_column is None
    ]
    for column in bare:
        column.meaning = replace(column.meaning, unit=UNKNOWN_UNIT)
    times = [c for c in bare if bare_times(named, c)]
    if not times:
        return False
    names = list(dict.fromkeys(f"“{c.name}”" for c in times))
    shown = ", ".join(names[:4]) + (" and others" if len(names) > 4 else "")
    example = times[0].glance.texts[0]
    findings.add(
        "question",
        "time-unit-missing",
        f"{shown} {'carries' if len(names) == 1 else 'carry'} no unit, so “{example}” can be "
        "seconds, minutes or hours",
        remedy='Answer with --unit "time=min", or another of ' + offered("time"),
        table=named.table,
        column=times[0].column,
        value=example,
    )
    return True


def _forget_values(draft: Draft, named: NamedTable) -> None:
    """Keep as typed what has no unit yet."""
    for name in (*DIRECT, *CENTRES):
        if name in draft.columns:
            draft.columns[name] = np.full(draft.n, np.nan)
    same = pc.not_equal(draft.text("contrast_scale"), "log_ratio")
    times = pc.fill_null(same, True).to_numpy(zero_copy_only=False)
    for name in CONTRAST_TARGETS:
        if name in draft.columns:
            draft.columns[name] = np.where(times, np.nan, draft.numbers(name))
    for column in named.columns:
        if column.unit is UNKNOWN_UNIT:
            at = np.ones(draft.n, dtype=np.bool_)
            if slot_of(column).arm:
                own = pc.equal(draft.text("arm"), slot_of(column).arm)
                at = pc.fill_null(own, False).to_numpy(zero_copy_only=False)
            draft.note_typed(
                column.name, column.labels.take(pa.array(draft.record)), "(no unit)", at
            )


def _slots_of(named: NamedTable) -> list[Slot]:
    centres = named.all_of(*CENTRES) or named.all_of(*STATISTIC_TARGETS)
    return list(dict.fromkeys(slot_of(c) for c in centres)) or [PLAIN_SLOT]


def _read_slot(reading: Reading, slot: Slot, shared: Draft) -> Draft:
    """Read one arm of every record, and in the plain slot contrasts and counts of pairs."""
    draft = reading.begin_slot(shared, slot, _HANDLED)
    read_runs_behind(reading, slot, draft)
    has_centre = read_groups(reading, slot, draft)
    level = np.full(draft.n, "arm_summary", dtype=object)
    if slot == PLAIN_SLOT or not reading.named.has(*CENTRES):
        counted = read_pairs(reading, draft) & ~has_centre
        level[counted] = "pair_count"
        if reading.named.has("contrast_value", "contrast_se"):
            rest = ~has_centre & ~counted & ~reading.totals
            read_contrasts(reading, draft, rest)
            level[rest] = "contrast_summary"
    draft.columns["record_level"] = pa.array(level.tolist(), pa.string())
    check_groups(reading, draft, level == "arm_summary")
    if "exclusion_reason" in draft.columns:
        given = pc.is_valid(draft.text("exclusion_reason")).to_numpy(zero_copy_only=False)
        draft.put(given & draft.kept, "excluded")
    return draft
