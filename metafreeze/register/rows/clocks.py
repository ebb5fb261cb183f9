"""Times between two clock columns: when the vessel went in and when it was frozen."""

from __future__ import annotations

import re
from datetime import datetime

import numpy as np
import numpy.typing as npt

from metafreeze.register.files.dates import parse_dates
from metafreeze.register.files.sheets import Dialect
from metafreeze.register.meaning.findings import Findings
from metafreeze.register.meaning.named import NamedColumn
from metafreeze.register.meaning.units import offered
from metafreeze.register.meaning.values import cell_text, raw_numbers
from metafreeze.register.meaning.words import is_missing
from metafreeze.register.rows.drafts import Draft
from metafreeze.register.rows.outcomes import FORM, Times

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

DAY_S = 86400.0

_CLOCK = re.compile(
    r"^(\d{1,2})[:.h](\d{2})(?:[:.](\d{2}(?:\.\d+)?))?\s*(am|pm|a\.m\.|p\.m\.)?$", re.I
)


def read_clock(text: str) -> tuple[float, bool] | None:
    """Read a clock cell.

    Parameters
    ----------
    text : str
        Such as ``09:15``, ``9:15 pm`` or ``2025-02-11 09:15``.

    Returns
    -------
    seconds : float
        Since midnight, or since an epoch where the cell has a date.
    dated : bool
        Whether it has a date.
    None where the text is no clock.
    """
    tidy = text.strip()
    match = _CLOCK.match(tidy)
    if match:
        hour, minute = int(match.group(1)), int(match.group(2))
        second = float(match.group(3) or 0)
        half = (match.group(4) or "").casefold().replace(".", "")
        if half and not 1 <= hour <= 12:
            return None
        if half:
            hour = hour % 12 + (12 if half == "pm" else 0)
        if hour > 23 or minute > 59 or second >= 60:
            return None
        return hour * 3600.0 + minute * 60.0 + second, False
    return None


def _seconds(named: NamedColumn) -> tuple[FloatArray, BoolArray, BoolArray]:
    """Read a clock column: seconds, which are dated, which cells are no clocks."""
    texts = named.labels
    iso, _ = parse_dates(texts, named.column.day_order)
    n = len(texts)
    seconds = np.full(n, np.nan)
    dated = np.zeros(n, dtype=np.bool_)
    bad = np.zeros(n, dtype=np.bool_)
    for at, (text, stamp) in enumerate(zip(texts.to_pylist(), iso.to_pylist(), strict=True)):
        if text is None or is_missing(text):
            continue
        clock = read_clock(text)
        if clock is not None:
            seconds[at] = clock[0]
        elif stamp is not None and "T" in stamp:
            moment = datetime.fromisoformat(stamp)
            base = datetime(1970, 1, 1, tzinfo=moment.tzinfo)
            seconds[at] = (moment - base).total_seconds()
            dated[at] = True
        else:
            bad[at] = True
    return seconds, dated, bad


def elapsed_between(
    start: NamedColumn | None,
    end: NamedColumn,
    draft: Draft,
    dialect: Dialect,
    findings: Findings,
) -> Times:
    """Give the times from a clock at the start to a clock at the end.

    Parameters
    ----------
    start, end : NamedColumn
        Clock columns: times of day, stamps with a date, or elapsed numbers.
    draft : Draft
        One row for each record.
    dialect : Dialect
        How numbers look.
    findings : Findings
        Receives what is wrong.

    Returns
    -------
    Times
        In seconds.
    """
    n = draft.n
    missing = Times(
        lower=np.full(n, np.nan),
        upper=np.full(n, np.nan),
        form=np.full(n, FORM["missing"], dtype=np.int8),
    )
    if start is None:
        findings.add(
            "question",
            "clock-without-start",
            f"“{end.name}” is a clock, and nothing says when the vessels went in",
            remedy=f'Add a column “time in”, or answer with --map "{end.name}=freeze time" if it '
            "is the time taken",
            table=draft.table,
            column=end.column,
        )
        return missing
    elapsed = _elapsed_numbers(start, end, draft, dialect, findings)
    if elapsed is None:
        elapsed = _elapsed_clocks(start, end, draft, findings)
    seconds, form = elapsed
    bad = ~np.isnan(seconds) & (seconds <= 0)
    for at in np.flatnonzero(bad):
        findings.add(
            "error",
            "time-not-positive",
            f"The vessel went in at “{cell_text(start.column, at)}” and was frozen at "
            f"“{cell_text(end.column, at)}”: that is no time",
            remedy=f"Correct “{start.name}” or “{end.name}”",
            table=draft.table,
            column=end.column,
            at=int(at),
            value=cell_text(end.column, at),
        )
    form[bad] = FORM["not-positive"]
    seconds = np.where(bad, np.nan, seconds)
    known = ~np.isnan(seconds)
    draft.note_typed(start.name, start.labels, "", known)
    draft.note_typed(end.name, end.labels, "", known)
    draft.note_derived("time_lower_s and time_upper_s: clock at end minus clock at start", known)
    return Times(lower=seconds, upper=seconds, form=form)


def _elapsed_numbers(
    start: NamedColumn, end: NamedColumn, draft: Draft, dialect: Dialect, findings: Findings
) -> tuple[FloatArray, npt.NDArray[np.int8]] | None:
    """Subtract plain numbers, such as minutes on a running timer; None for clocks."""
    first, odd_first = raw_numbers(start.column, dialect)
    last, odd_last = raw_numbers(end.column, dialect)
    if odd_first.any() or odd_last.any() or np.isnan(last).all():
        return None
    unit = end.unit or start.unit
    span = last - first
    form = np.full(span.size, FORM["exact"], dtype=np.int8)
    form[np.isnan(span)] = FORM["missing"]
    if unit is None or unit.clock:
        form[~np.isnan(span)] = FORM["needs-unit"]
        if not findings.time_unit_asked(draft.table):
            findings.add(
                "question",
                "time-unit-missing",
                f"“{start.name}” and “{end.name}” carry no unit, so “{cell_text(end.column, 0)}” "
                "can be seconds, minutes or hours",
                remedy='Answer with --unit "time=min", or another of ' + offered("time"),
                table=draft.table,
                column=end.column,
                value=cell_text(end.column, 0),
            )
        return np.full(span.size, np.nan), form
    return unit.convert(span), form


def _elapsed_clocks(
    start: NamedColumn, end: NamedColumn, draft: Draft, findings: Findings
) -> tuple[FloatArray, npt.NDArray[np.int8]]:
    begin, begin_dated, begin_bad = _seconds(start)
    finish, finish_dated, finish_bad = _seconds(end)
    # A stamp with a date and a bare clock share the time of day only.
    mixed = begin_dated ^ finish_dated
    begin = np.where(mixed, begin % DAY_S, begin)
    finish = np.where(mixed, finish % DAY_S, finish)
    span = finish - begin
    over = (span < 0) & ~(begin_dated & finish_dated)
    span = np.where(over, span + DAY_S, span)
    form = np.full(span.size, FORM["exact"], dtype=np.int8)
    form[np.isnan(span)] = FORM["missing"]
    for named, bad in ((start, begin_bad), (end, finish_bad)):
        for at in np.flatnonzero(bad):
            findings.add(
                "error",
                "not-a-clock",
                f"“{cell_text(named.column, at)}” is not a time of day",
                remedy="Enter it as hh:mm, or leave the cell empty",
                table=draft.table,
                column=named.column,
                at=int(at),
                value=cell_text(named.column, at),
            )
        form[bad] = FORM["unreadable"]
    if over.any():
        findings.add(
            "note",
            "past-midnight",
            f"“{end.name}” is earlier than “{start.name}” in {int(over.sum())} rows: read as past "
            "midnight",
            table=draft.table,
            column=end.column,
        )
    return span, form
