"""The time of each run from all columns that bear on it: time, window, clocks, seen, watched."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pyarrow.compute as pc

from metafreeze.register.meaning.findings import Findings, list_rows
from metafreeze.register.meaning.named import NamedColumn
from metafreeze.register.meaning.times import Form, read_duration
from metafreeze.register.meaning.values import cell_text, number_reader
from metafreeze.register.meaning.words import find_seen, plain_word
from metafreeze.register.rows.clocks import elapsed_between
from metafreeze.register.rows.drafts import Draft
from metafreeze.register.rows.outcomes import FORM, Times, read_times
from metafreeze.register.rows.readings import Reading

BoolArray = npt.NDArray[np.bool_]

# Forms of a cell that cannot stand.
REFUSED: tuple[Form, ...] = ("unreadable", "not-positive", "reversed", "needs-clock")
_UNREAD: tuple[Form, ...] = (*REFUSED, "needs-unit")


def read_windows(reading: Reading, columns: dict[str, NamedColumn], draft: Draft) -> Times:
    """Read when the event was, from whichever columns say it.

    Parameters
    ----------
    reading : Reading
        The table.
    columns : dict
        Target -> column, of the slot at hand.
    draft : Draft
        One row for each record.

    Returns
    -------
    Times
    """
    n = draft.n
    dialect, findings = reading.dialect, reading.findings
    bounded = "time_lower_s" in columns or "time_upper_s" in columns
    if "time" in columns:
        times = read_times(columns["time"], draft, dialect, findings)
        if bounded:
            _prefer(times, _read_bounds(columns, draft, reading))
    elif bounded:
        times = _read_bounds(columns, draft, reading)
    elif "end_clock" in columns:
        start = columns.get("start_clock")
        times = elapsed_between(start, columns["end_clock"], draft, dialect, findings)
    else:
        times = Times(
            lower=np.full(n, np.nan),
            upper=np.full(n, np.nan),
            form=np.full(n, FORM["missing"], dtype=np.int8),
        )
    _apply_seen(reading, times)
    _apply_watched(reading, columns, times, draft)
    return times


def _prefer(times: Times, bounds: Times) -> None:
    """Fill from the window where the time itself is missing."""
    fill = times.is_form("missing") & ~bounds.is_form("missing")
    times.lower = np.where(fill, bounds.lower, times.lower)
    times.upper = np.where(fill, bounds.upper, times.upper)
    times.form = np.where(fill, bounds.form, times.form).astype(np.int8)


def _read_bounds(columns: dict[str, NamedColumn], draft: Draft, reading: Reading) -> Times:
    """Read the two ends of a window from two columns."""
    n = draft.n
    low, high = columns.get("time_lower_s"), columns.get("time_upper_s")
    if low is None:
        # An upper end alone is the time at which it was seen.
        assert high is not None
        return read_times(high, draft, reading.dialect, reading.findings)
    lower = read_times(low, draft, reading.dialect, reading.findings, zero_ok=True)
    start = np.where(lower.is_form("missing", "sentinel"), np.nan, lower.lower)
    end = np.full(n, np.inf)
    said_never = np.zeros(n, dtype=np.bool_)
    upper = None
    if high is not None:
        upper = read_times(high, draft, reading.dialect, reading.findings)
        said_never = upper.is_form("never", "right-censored")
        end = np.where(said_never | upper.is_form("missing", "sentinel"), np.inf, upper.upper)
    open_ = np.isinf(end)
    form = np.full(n, FORM["window"], dtype=np.int8)
    form[open_] = FORM["right-censored"]
    left = np.isnan(start) & ~open_
    form[left] = FORM["left-censored"]
    start = np.where(left, 0.0, start)
    form[np.isnan(start) & open_] = FORM["missing"]
    form[np.isnan(start) & said_never] = FORM["never"]
    form[start == end] = FORM["exact"]
    crossed = start > end
    if high is not None:
        _report_crossed(crossed, low, high, draft, reading.findings)
    form[crossed] = FORM["reversed"]
    for side in (lower, upper):
        if side is not None:
            unread = side.is_form(*_UNREAD)
            form[unread] = side.form[unread]
    stands = ~np.isin(form, [FORM[f] for f in _UNREAD])
    return Times(
        lower=np.where(stands, start, np.nan), upper=np.where(stands, end, np.nan), form=form
    )


def _report_crossed(
    crossed: BoolArray, low: NamedColumn, high: NamedColumn, draft: Draft, findings: Findings
) -> None:
    for at in np.flatnonzero(crossed):
        findings.add(
            "error",
            "window-reversed",
            f"Not yet frozen at “{cell_text(low.column, at)}” but frozen by "
            f"“{cell_text(high.column, at)}”: the window ends before it begins",
            remedy=f"Correct “{low.name}” or “{high.name}”",
            table=draft.table,
            column=high.column,
            at=int(at),
            value=cell_text(high.column, at),
        )


_YES = frozenset(plain_word(w) for w in ("yes", "y", "true", "1", "1.0", "x"))
_NO = frozenset(plain_word(w) for w in ("no", "n", "false", "0", "0.0"))


def _seen_frozen(text: str, *, inverted: bool) -> bool | None:
    """Read a cell of `frozen` or, inverted, of `censored`; None where it says neither."""
    if inverted and plain_word(text) in (*_YES, *_NO):
        return plain_word(text) in _NO
    return find_seen(text)


def _apply_seen(reading: Reading, times: Times) -> None:
    """Take a time beside `frozen: no` or `censored: yes` for how long it was watched."""
    for target in ("seen", "not_seen"):
        column = reading.named.first(target)
        if column is None:
            continue
        encoded = column.labels.dictionary_encode()
        flags = [
            _seen_frozen(t, inverted=target == "not_seen") for t in encoded.dictionary.to_pylist()
        ]
        codes = pc.fill_null(encoded.indices, -1).to_numpy(zero_copy_only=False)
        unseen = np.isin(codes, [c for c, f in enumerate(flags) if f is False])
        exact = times.is_form("exact", "approximate") & unseen
        times.upper = np.where(exact, np.inf, times.upper)
        times.form[exact] = FORM["right-censored"]
        times.form[times.is_form("missing") & unseen] = FORM["never"]


def _apply_watched(
    reading: Reading, columns: dict[str, NamedColumn], times: Times, draft: Draft
) -> None:
    """Give vessels that never froze the time for which they were watched."""
    watched = reading.named.first("watched")
    if watched is not None:
        until = read_times(watched, draft, reading.dialect, reading.findings)
        known = times.is_form("never", "missing") & ~np.isnan(until.lower)
        _leave_open(times, known, until.lower)
    never = times.is_form("never") & ~reading.totals
    if not never.any():
        return
    if reading.answers.watched:
        seconds = read_duration(
            reading.answers.watched.casefold(), unit=None, number=number_reader(reading.dialect)
        )
        if seconds is not None and seconds > 0:
            _leave_open(times, never, np.full(draft.n, seconds))
            draft.note_derived("time_lower_s: watched as answered", never)
            return
    _ask_how_long(columns, never, draft, reading.findings)


def _leave_open(times: Times, at: BoolArray, since: npt.NDArray[np.float64]) -> None:
    times.lower = np.where(at, since, times.lower)
    times.upper = np.where(at, np.inf, times.upper)
    times.form[at] = FORM["right-censored"]


def _ask_how_long(
    columns: dict[str, NamedColumn], never: BoolArray, draft: Draft, findings: Findings
) -> None:
    first = int(np.flatnonzero(never)[0])
    column = columns.get("time") or columns.get("time_upper_s") or columns.get("time_lower_s")
    rows = [int(draft.table.file_rows[at]) for at in np.flatnonzero(never)]
    text = cell_text(column.column, first) if column is not None else ""
    said = f"“{text}” says" if text else "The row says"
    findings.add(
        "question",
        "watched-how-long",
        f"{said} that the vessel did not freeze, but not for how long it was watched "
        f"({list_rows(rows)})",
        remedy='Write it in the cell, such as >180, or answer with --watched "180 min"',
        table=draft.table,
        column=column.column if column is not None else None,
        at=first,
        value=text,
    )
