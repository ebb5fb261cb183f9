"""What the builders of rows share: the table at hand, and its events, arms and days.

A heading may fix an arm, a start temperature, an event or a day for its column. Columns
that fix the same make a slot, and every record gives one row for each slot.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.register.answers import Answers
from metafreeze.register.files.sheets import Dialect
from metafreeze.register.meaning.findings import Findings
from metafreeze.register.meaning.headings import arm_and_start
from metafreeze.register.meaning.named import PLAIN_SLOT, NamedColumn, NamedTable, Slot, slot_of
from metafreeze.register.rows.drafts import Draft, new_draft
from metafreeze.register.rows.events import read_endpoint_column
from metafreeze.register.rows.fields import (
    bounds_in_words,
    date_to_session,
    join_remark,
    out_of_range,
    read_exclusions,
    read_field,
)
from metafreeze.register.rows.totals import find_summary_lines
from metafreeze.register.schema import FIELD

# More arms than any study has: a column of something else.
MOST_ARMS = 100


def closeness(column: NamedColumn, slot: Slot) -> int:
    """Count the details of a slot that a column shares; -1 where it is for another slot."""
    fixed = [
        (mine, its)
        for mine, its in zip(slot_of(column), slot, strict=True)
        if mine not in ("", None)
    ]
    if any(mine != its for mine, its in fixed):
        return -1
    return len(fixed)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One table while its rows are built.

    Parameters
    ----------
    named : NamedTable
        Its columns with their meanings.
    dialect : Dialect
        How its numbers look.
    answers : Answers
        What a person has answered.
    findings : Findings
        Receives what is wrong.
    totals : bool array, shape (records,)
        Records that sum up others.
    """

    named: NamedTable
    dialect: Dialect
    answers: Answers
    findings: Findings
    totals: npt.NDArray[np.bool_]

    def columns_for(self, slot: Slot, *targets: str) -> list[NamedColumn]:
        """List the columns of some targets that hold for a slot, the closest first."""
        fitting = [c for c in self.named.columns if c.target in targets and closeness(c, slot) >= 0]
        return sorted(fitting, key=lambda c: -closeness(c, slot))

    def read_shared(self, handled: Collection[str]) -> Draft:
        """Read the schema fields that hold for all slots, but those handled elsewhere."""
        shared = new_draft(self.named.table)
        for column in self.named.columns:
            if column.target in handled or column.target not in FIELD:
                continue
            if slot_of(column) != PLAIN_SLOT:
                continue
            if column.target not in shared.columns:
                read_field(column, shared, self.dialect, self.findings)
            elif column.target == "remark":
                join_remark(column, shared)
        read_exclusions(self.named, shared)
        read_endpoint_column(self.named, shared, self.findings)
        date_to_session(shared)
        return shared

    def begin_slot(self, shared: Draft, slot: Slot, handled: Collection[str]) -> Draft:
        """Begin the rows of one slot: shared columns, its own, and what its heading fixes."""
        draft = new_draft(self.named.table)
        draft.columns = dict(shared.columns)
        draft.typed, draft.derived = list(shared.typed), list(shared.derived)
        best: dict[str, NamedColumn] = {}
        for column in self.named.columns:
            if column.target in handled or column.target not in FIELD:
                continue
            score = closeness(column, slot)
            before = best.get(column.target)
            if score > 0 and (before is None or score > closeness(before, slot)):
                best[column.target] = column
        for column in best.values():
            read_field(column, draft, self.dialect, self.findings)
        self._check_heading(slot)
        _fix_constants(slot, draft)
        if not self.named.all_of("start_temp_c"):
            self._read_start_of_arms(draft)
        return draft

    def _read_start_of_arms(self, draft: Draft) -> None:
        """Take start temperatures from arms that are all named after one, as in “hot 80 °C”."""
        if "arm" not in draft.columns or "start_temp_c" in draft.columns:
            return
        arms = draft.text("arm")
        distinct = pc.unique(arms).drop_null().to_pylist()
        starts = {arm: arm_and_start(arm)[1] for arm in distinct[:MOST_ARMS]}
        values = np.array(list(starts.values()), dtype=np.float64)
        if not 0 < len(distinct) <= MOST_ARMS or np.isnan(values).any():
            return
        wrong = out_of_range(FIELD["start_temp_c"], values)
        for arm in np.array(distinct)[wrong]:
            at = int(pc.index(arms, arm).as_py())
            bounds = bounds_in_words(FIELD["start_temp_c"])
            self.findings.add(
                "error",
                "out-of-range",
                f"The start temperature in “{arm}” is outside {bounds}",
                remedy=f"Write a temperature of {bounds}",
                table=self.named.table,
                column=next(c for c in self.named.columns if c.target == "arm").column,
                at=at,
                value=arm,
            )
        if wrong.any():
            return
        read = np.array([starts.get(arm) for arm in arms.to_pylist()], dtype=np.float64)
        draft.columns["start_temp_c"] = read
        draft.note_derived("start_temp_c: from the name of the arm", ~np.isnan(read))

    def _check_heading(self, slot: Slot) -> None:
        """Refuse a temperature in a heading that no run can have had."""
        for name, value in (("start_temp_c", slot.start_temp_c), ("threshold_c", slot.threshold_c)):
            field = FIELD[name]
            if value is None or not out_of_range(field, np.array([value])).any():
                continue
            column = next(c for c in self.named.columns if getattr(c.meaning, name) == value)
            bounds = bounds_in_words(field)
            self.findings.add(
                "error",
                "out-of-range",
                f"The {field.label} in the heading, {value:.4g} °C, is outside {bounds}",
                remedy=f"Write a temperature of {bounds} into the heading",
                table=self.named.table,
                column=column.column,
            )


def begin_reading(
    named: NamedTable, dialect: Dialect, answers: Answers, findings: Findings
) -> Reading:
    """Set lines that sum up others aside, and hold together what reading a table needs."""
    totals = find_summary_lines(named)
    if totals.any():
        for column in named.columns:
            column.forget_cells(totals)
    return Reading(named=named, dialect=dialect, answers=answers, findings=findings, totals=totals)


def _fix_constants(slot: Slot, draft: Draft) -> None:
    n = draft.n

    def throughout(text: str) -> pa.StringArray:
        return pa.repeat(pa.scalar(text, pa.string()), n)

    if slot.arm:
        draft.columns["arm"] = throughout(slot.arm)
    if slot.start_temp_c is not None and "start_temp_c" not in draft.columns:
        draft.columns["start_temp_c"] = np.full(n, slot.start_temp_c)
        draft.note_derived("start_temp_c: from the heading")
    if slot.endpoint:
        draft.columns["endpoint"] = throughout(slot.endpoint)
    if slot.threshold_c is not None:
        draft.columns["threshold_c"] = np.full(n, slot.threshold_c)
    if slot.date:
        draft.columns["inserted_at"] = throughout(slot.date)
        draft.columns["session_id"] = throughout(slot.date[:10])
        draft.note_derived("inserted_at and session_id: from the heading")
