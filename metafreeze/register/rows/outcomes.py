"""Columns of freezing times as windows in seconds, with the form of each cell."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import get_args

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from metafreeze.register.files.sheets import Column, Dialect
from metafreeze.register.meaning.findings import Findings
from metafreeze.register.meaning.named import NamedColumn
from metafreeze.register.meaning.times import (
    Form,
    Outcome,
    first_field_s,
    read_outcome,
    two_field_first,
)
from metafreeze.register.meaning.units import Unit, find_unit, offered
from metafreeze.register.meaning.values import (
    RowUnits,
    cell_text,
    number_reader,
    raw_numbers,
    trimmed,
)
from metafreeze.register.meaning.words import HIGH_SENTINELS, SENTINELS
from metafreeze.register.rows.drafts import Draft
from metafreeze.register.rows.fields import read_row_units, unit_suffix

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

FORMS: tuple[Form, ...] = get_args(Form)
FORM: dict[Form, int] = {form: code for code, form in enumerate(FORMS)}

# A first field of 24 or more cannot be an hour of the day, and no vessel needs days here.
MANY_HOURS = 24

# A clock of a workbook without seconds: typed as h:min, or as min:s and misread.
_WHOLE_MINUTES = re.compile(r"^\d+:\d{2}:00$")

# A code such as 9999 is asked about only where it stands so far above the other cells.
FAR_OUT = 5.0


@dataclass(slots=True, kw_only=True)
class Times:
    """A column of outcomes.

    Parameters
    ----------
    lower, upper : float array, shape (n,)
        Window in seconds; NaN where there is none, infinite where it has no upper end.
    form : int array, shape (n,)
        How each cell says it, as a code of `FORM`.
    sd : float array or None
        Errors written beside the values, in seconds.
    """

    lower: FloatArray
    upper: FloatArray
    form: npt.NDArray[np.int8]
    sd: FloatArray | None = None

    def is_form(self, *forms: Form) -> BoolArray:
        """Mask the cells of some forms, shape (n,)."""
        wanted = np.zeros(len(FORMS), dtype=np.bool_)
        wanted[[FORM[f] for f in forms]] = True
        mask: BoolArray = wanted[self.form]
        return mask


def read_times(
    named: NamedColumn, draft: Draft, dialect: Dialect, findings: Findings, *, zero_ok: bool = False
) -> Times:
    """Read a column of outcomes and report the cells that cannot stand.

    Parameters
    ----------
    named : NamedColumn
        A column of times.
    draft : Draft
        One row for each record; receives the cells as typed.
    dialect : Dialect
        How numbers look.
    findings : Findings
        Receives what is wrong.
    zero_ok : bool
        True for the lower end of a window, which may be zero.

    Returns
    -------
    Times
    """
    column = named.column
    row_units = read_row_units(named, draft, findings)
    unit = _clock_unit(named, draft, findings)
    typed, irregular = raw_numbers(column, dialect)
    times = _plain_times(typed, unit, zero_ok)
    spelled = np.zeros(typed.size, dtype=np.bool_)
    _ask_about_whole_clocks(named, draft, findings)
    if column.dates is not None and column.dates.any():
        irregular = irregular | column.dates
    if row_units is not None:
        # Each cell counts in its own row's unit.
        irregular = ~np.isnan(typed) | irregular
    if irregular.any():
        spelled = _read_irregular(column, times, irregular, dialect, unit, row_units, zero_ok)
    _ask_about_high_codes(named, typed, draft, findings)
    _report(named, times, draft, findings)
    converted = ~np.isnan(times.lower) & (spelled | (unit is not None and not unit.is_plain))
    draft.note_typed(
        named.name,
        trimmed(column.text),
        unit_suffix(named),
        converted | times.is_form("never", "sentinel", "needs-unit"),
    )
    return times


def _plain_times(typed: FloatArray, unit: Unit | None, zero_ok: bool) -> Times:
    n = typed.size
    form = np.full(n, FORM["exact"], dtype=np.int8)
    if unit is None:
        seconds = np.full(n, np.nan)
        form[:] = FORM["needs-unit"]
    elif unit.clock:
        seconds = typed * first_field_s(unit)
        form[np.isnan(seconds)] = FORM["needs-clock"]
    else:
        seconds = unit.convert(typed)
    absent = np.isnan(typed)
    form[absent] = FORM["missing"]
    bad = typed < 0 if zero_ok else typed <= 0
    if bad.any():
        form[bad] = FORM["not-positive"]
        form[bad & np.isin(typed, list(SENTINELS))] = FORM["sentinel"]
        seconds = np.where(bad, np.nan, seconds)
    return Times(lower=seconds, upper=seconds, form=form)


def _clock_unit(named: NamedColumn, draft: Draft, findings: Findings) -> Unit | None:
    """Settle what two fields with a colon mean: by the unit, else by the cells."""
    firsts = [first for text in named.glance.texts if (first := two_field_first(text)) is not None]
    if not firsts or named.unit_column is not None:
        return named.unit
    unit = named.unit
    if unit is not None and (unit.clock or unit.name in ("min", "h")):
        if not unit.clock:
            name = "min:s" if unit.name == "min" else "h:min"
            findings.add(
                "note",
                "clock-by-unit",
                f"“{named.name}” holds cells such as “{_two_field_text(named)}” under "
                f"{unit.name}: read as {name}",
                remedy=f'Otherwise answer with --unit "{named.name}='
                f'{"h:min" if name == "min:s" else "min:s"}"',
                table=draft.table,
                column=named.column,
            )
        return unit
    if max(firsts) >= MANY_HOURS:
        found = find_unit("min:s", dimension="time")
        findings.add(
            "note",
            "clock-by-cells",
            f"“{named.name}” holds cells such as “{_two_field_text(named)}” whose first field "
            f"goes up to {max(firsts)}: read as min:s",
            remedy=f'Otherwise answer with --unit "{named.name}=h:min"',
            table=draft.table,
            column=named.column,
        )
        return found
    findings.add(
        "question",
        "clock-undecidable",
        f"“{_two_field_text(named)}” in “{named.name}” can be hours and minutes or minutes and "
        "seconds",
        remedy=f'Answer with --unit "{named.name}=min:s" or --unit "{named.name}=h:min"',
        table=draft.table,
        column=named.column,
        value=_two_field_text(named),
    )
    return unit


def _two_field_text(named: NamedColumn) -> str:
    return next(t for t in named.glance.texts if two_field_first(t) is not None)


def _read_irregular(
    column: Column,
    times: Times,
    irregular: BoolArray,
    dialect: Dialect,
    unit: Unit | None,
    row_units: RowUnits | None,
    zero_ok: bool,
) -> BoolArray:
    """Read cells that are no plain numbers, each different text once; mask those read."""
    number = number_reader(dialect)
    where = np.flatnonzero(irregular)
    texts = column.text.take(pa.array(where))
    if row_units is None:
        encoded = texts.dictionary_encode()
        if isinstance(encoded, pa.ChunkedArray):
            encoded = encoded.combine_chunks()
        different = encoded.dictionary.to_pylist()
        firsts = [int(where[at]) for at in _first_places(encoded)]
        keys = [(text, unit) for text in different]
        codes = encoded.indices.to_numpy(zero_copy_only=False)
    else:
        # Each cell counts in its own row's unit.
        pairs = [(t, row_units[at] or unit) for at, t in zip(where, texts.to_pylist(), strict=True)]
        numbered = {pair: code for code, pair in enumerate(dict.fromkeys(pairs))}
        keys = list(numbered)
        codes = np.array([numbered[pair] for pair in pairs], dtype=np.int64)
        order = {int(code): int(where[k]) for k, code in reversed(list(enumerate(codes)))}
        firsts = [order[code] for code in range(len(keys))]
    outcomes = [
        _settled(read_outcome(_without_date(text, column, at), unit=own, number=number), zero_ok)
        for (text, own), at in zip(keys, firsts, strict=True)
    ]
    lower, upper = times.lower.copy(), times.upper.copy()
    sd = np.full(lower.size, np.nan)
    spelled = np.zeros(lower.size, dtype=np.bool_)
    times.form[where] = np.array([FORM[o.form] for o in outcomes], dtype=np.int8)[codes]
    lower[where] = np.array([o.lower_s for o in outcomes])[codes]
    upper[where] = np.array([o.upper_s for o in outcomes])[codes]
    sd[where] = np.array([o.sd_s for o in outcomes])[codes]
    spelled[where] = ~times.is_form("not-positive", "reversed")[where]
    times.lower, times.upper = lower, upper
    if not np.isnan(sd).all():
        times.sd = sd
    return spelled


def _first_places(encoded: pa.DictionaryArray) -> npt.NDArray[np.int64]:
    """Give the first place of each different text, shape (texts,)."""
    codes = encoded.indices.to_numpy(zero_copy_only=False)
    _, first = np.unique(codes, return_index=True)
    return first


def _settled(outcome: Outcome, zero_ok: bool) -> Outcome:
    """Take the values out of an outcome that cannot stand; zero may begin a window."""
    if zero_ok and outcome.form == "not-positive" and outcome.lower_s == 0:
        return Outcome(form="exact", lower_s=0.0, upper_s=0.0)
    if outcome.form in ("not-positive", "reversed"):
        return Outcome(form=outcome.form)
    return outcome


def _without_date(text: str, column: Column, at: int | np.integer) -> str:
    """Take the time of day out of a workbook's clock cell; a whole date stays unreadable."""
    if column.dates is None or not column.dates[int(at)]:
        return text
    day, mark, clock = text.partition("T")
    return clock if mark and day.startswith(("1899-12-3", "1900-01-0")) else text


def _ask_about_whole_clocks(named: NamedColumn, draft: Draft, findings: Findings) -> None:
    """Ask where a spreadsheet may have stored minutes and seconds as hours and minutes."""
    if named.unit is None or named.unit.name not in ("min", "min:s") or named.answered:
        return
    clocks = [t for t in named.glance.texts if t.count(":") == 2]
    if not clocks or not all(_WHOLE_MINUTES.match(t) for t in clocks):
        return
    hours = next((t for t in clocks if int(t.split(":")[0]) > 0), "")
    if not hours:
        return
    findings.add(
        "question",
        "clock-undecidable",
        f"“{hours}” in “{named.name}” says hours and minutes, under {named.unit.name}; a "
        "spreadsheet stores 41:12 so, whatever was meant",
        remedy=f'Answer with --unit "{named.name}=h:min:s" if it is as it says; else write the '
        "times as decimal minutes, or as text such as 41 min 12 s",
        table=draft.table,
        column=named.column,
        value=hours,
    )


def _ask_about_high_codes(
    named: NamedColumn, typed: FloatArray, draft: Draft, findings: Findings
) -> None:
    suspect = np.isin(typed, list(HIGH_SENTINELS))
    if not suspect.any():
        return
    others = typed[~suspect & (typed > 0)]
    if others.size == 0 or typed[suspect].max() < FAR_OUT * others.max():
        return
    unit = named.unit.name if named.unit is not None else "min"
    for at in np.flatnonzero(suspect):
        text = cell_text(named.column, at)
        findings.add(
            "question",
            "may-be-a-code",
            f"“{text}” stands far above all other times and is a usual code for a missing value",
            remedy=f"Empty the cell if nothing was seen, or write the time with its unit "
            f"({text} {unit}) if it was",
            table=draft.table,
            column=named.column,
            at=int(at),
            value=text,
        )


def _report(named: NamedColumn, times: Times, draft: Draft, findings: Findings) -> None:
    _ask_for_unit(named, times, draft, findings)
    column = named.column
    for at in np.flatnonzero(times.is_form("not-positive")):
        text = cell_text(column, at)
        what = "negative" if text.strip()[:1] in "-−–‐‑" else "zero"
        findings.add(
            "error",
            "time-not-positive",
            f"Freezing time is {what} (“{text}”)",
            remedy="Enter the time since the vessel went in, or leave the cell empty and give a "
            "reason in a column “excluded because”",
            table=draft.table,
            column=column,
            at=int(at),
            value=text,
        )
    for at in np.flatnonzero(times.is_form("reversed")):
        text = cell_text(column, at)
        findings.add(
            "error",
            "window-reversed",
            f"The window “{text}” ends before it begins",
            remedy="Write the earlier time first, such as 35-40",
            table=draft.table,
            column=column,
            at=int(at),
            value=text,
        )
    if not findings.asked_by_reader(column):
        _report_unreadable(named, times, draft, findings)
    for at in np.flatnonzero(times.is_form("approximate")):
        text = cell_text(column, at)
        findings.add(
            "note",
            "approximate",
            f"“{text}” is marked as approximate: read as an exact time",
            remedy="Write a window such as 35-40 if it is only known to lie in one",
            table=draft.table,
            column=column,
            at=int(at),
            value=text,
        )
    for at in np.flatnonzero(times.is_form("sentinel")):
        text = cell_text(column, at)
        findings.add(
            "note",
            "sentinel",
            f"“{text}” is a code for a missing value: read as missing",
            remedy="Leave the cell empty to say the same",
            table=draft.table,
            column=column,
            at=int(at),
            value=text,
        )


def _report_unreadable(named: NamedColumn, times: Times, draft: Draft, findings: Findings) -> None:
    for at in np.flatnonzero(times.is_form("unreadable", "needs-clock")):
        text = cell_text(named.column, at)
        findings.add(
            "error",
            "not-a-time",
            f"“{text}” is not a freezing time",
            remedy="Enter a time (41), a window (35-40), >180 for not frozen after 180, <30 for "
            "frozen before the first look at 30, or leave the cell empty",
            table=draft.table,
            column=named.column,
            at=int(at),
            value=text,
        )


def _ask_for_unit(named: NamedColumn, times: Times, draft: Draft, findings: Findings) -> None:
    bare = times.is_form("needs-unit")
    if not bare.any() or findings.has("clock-undecidable"):
        return
    if named.unit_from == "asked" or findings.time_unit_asked(draft.table):
        return
    first = cell_text(named.column, int(np.flatnonzero(bare)[0]))
    findings.add(
        "question",
        "time-unit-missing",
        f"“{named.name}” carries no unit, so “{first}” can be seconds, minutes or hours",
        remedy='Answer with --unit "time=min", or another of ' + offered("time"),
        table=draft.table,
        column=named.column,
        value=first,
    )
