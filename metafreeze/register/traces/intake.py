"""A logger's file as read becomes channels against seconds, with every decision said."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from metafreeze.errors import Fault, Location, Severity
from metafreeze.register.answers import Answers
from metafreeze.register.files.long_text import LongText, Text, over_pieces, words_of
from metafreeze.register.files.sheets import Column, RawTable, SourceFile
from metafreeze.register.meaning.findings import list_rows
from metafreeze.register.traces.channels import (
    MOST_PROBES,
    MOST_STATES,
    Channel,
    Sorted,
    cells_as_words,
    differing_resolution,
    is_state_column,
    power_up_words,
    probe_column,
    sort_columns,
)
from metafreeze.register.traces.clocks import Clock, settle_number, settle_two_fields
from metafreeze.register.traces.logged import (
    POWER_UP,
    REASONS,
    WORD,
    Floats,
    LoggedTrace,
    Marks,
    Mask,
)
from metafreeze.register.traces.rates import (
    offset_line,
    read_interval,
    spell_seconds,
    start_label,
    stated_interval,
    stated_start,
    stated_zone,
)
from metafreeze.register.traces.segments import (
    close_hour,
    collapse_repeats,
    cut_stretches,
    some_steps,
    spread_cut_stamps,
    unroll_clock,
    usual_step,
    wide_steps,
)
from metafreeze.register.traces.sentinels import mark_codes

Rows = npt.NDArray[np.signedinteger[Any]]

NO_ANSWERS = Answers()
GAP_STEPS = 2.5
# Share of the steps that go back where a file lists its newest reading first.
_BACKWARDS = 0.9
# Two clocks of one table that differ by more than this share of a step disagree.
_AGREE = 0.5
_LISTED = 3
# Kinds of clocks whose seconds are nobody else's.
_OWN = ("stamp", "time of day")
# A label's start temperature and the first readings agree within this much.
_LABEL_K = 2.0
# A part that begins this near to where the last one ended goes on with the same water.
_GOES_ON_K = 4.0


@dataclass(slots=True, kw_only=True, eq=False)
class _Time:
    """The seconds of a table's records under one group of clocks."""

    seconds: Floats
    how: str
    said: list[str]
    zone: str = ""
    kind: str = "elapsed"
    exact_s: float = 0.0
    twelve: bool = False
    dated: bool = False
    order_open: bool = False
    columns: tuple[Column, ...] = ()


class _Said:
    """Findings of one table or channel."""

    def __init__(self, file: str, table: RawTable) -> None:
        self.file = file
        self.table = table
        self.faults: list[Fault] = []

    def add(
        self,
        rule: str,
        message: str,
        *,
        remedy: str = "",
        at: int | None = None,
        column: str = "",
        value: str = "",
        severity: Severity = "note",
    ) -> None:
        row = None if at is None else int(self.table.file_rows[at])
        self.faults.append(
            Fault(
                rule=rule,
                message=message,
                remedy=remedy,
                location=Location(file=self.file, sheet=self.table.sheet, row=row, column=column),
                value=value,
                severity=severity,
            )
        )


def read_traces(
    source: SourceFile, *, answers: Answers = NO_ANSWERS, join_s: float | None = None
) -> tuple[LoggedTrace, ...]:
    """Read the temperature traces of a file.

    Parameters
    ----------
    source : SourceFile
        The file as tables of verbatim text.
    answers : Answers
        Answers to what the file leaves open: units of headings, ``time`` for all times,
        ``temperature`` for all temperatures, ``step`` for the time between readings.
    join_s : float, optional
        Join what a reset of the clock parted, with this many seconds between the last
        reading before it and the first one after; parts stay apart by default.

    Returns
    -------
    tuple of LoggedTrace
        In file order; empty where the file holds no trace.
    """
    traces: list[LoggedTrace] = []
    tables = [t for t in source.tables if t.is_trace]
    for table in tables:
        traces += _read_table(table, source, answers, join_s)
    names = Counter(t.channel for t in traces)
    if len(tables) > 1 and any(n > 1 for n in names.values()):
        traces = [
            replace(t, channel=f"{t.sheet}: {t.channel}" if t.sheet else t.channel)
            if names[t.channel] > 1
            else t
            for t in traces
        ]
    seen: Counter[str] = Counter()
    told = []
    for trace in traces:
        seen[trace.channel] += 1
        again = seen[trace.channel]
        told.append(trace if again == 1 else replace(trace, channel=f"{trace.channel} ({again})"))
    return tuple(told)


def _read_table(
    table: RawTable, source: SourceFile, answers: Answers, join_s: float | None
) -> list[LoggedTrace]:
    """Read one table: its clocks, its channels, its stretches."""
    said = _Said(source.name, table)
    said.faults += [f for f in source.findings if f.location.sheet in ("", table.sheet)]
    said.faults += table.unreadable
    columns = sort_columns(table, source.dialect, answers)
    if not columns.channels:
        return []
    if _newest_first(columns):
        turned = _read_table(_turned(table), source, answers, join_s)
        return [
            replace(
                t,
                how=f"{t.how}; the file lists the newest reading first, so its rows were "
                "turned round",
            )
            for t in turned
        ]
    probes = probe_column(columns.others)
    if probes is not None and columns.clocks:
        return _read_probes(table, source, probes, answers, join_s)
    _ask_which_column(table, columns, said)
    for fine, coarse in differing_resolution(columns.channels):
        said.add(
            "two-resolutions",
            f"“{fine.name}” and “{coarse.name}” are one temperature; the former has the finer "
            "steps and is preferred",
            column=fine.name,
        )
    words = {c.name: cells_as_words(c.column, c.typed) for c in columns.channels}
    reading = _rows_with_readings(table, columns.channels, words)
    traces = []
    for clocks, channels in _group(columns):
        time = _time_of(table, clocks, channels, answers, said)
        traces += _read_group(table, source, columns, channels, time, reading, words, said, join_s)
    traces.sort(key=lambda t: (t.position, t.part))
    return traces


def _newest_first(columns: Sorted) -> bool:
    """Tell a file that lists its readings backwards from one whose clock was reset."""
    for clock in columns.clocks:
        steps = some_steps(clock.seconds)
        if clock.kind != "date" and steps.size >= 4:
            return bool(np.mean(steps <= 0) >= _BACKWARDS and np.mean(steps < 0) > 0.1)
    return False


def _taken(table: RawTable, chosen: Mask) -> RawTable:
    """Take some records of a table."""
    places = pa.array(np.flatnonzero(chosen))
    long = next((c.text.table for c in table.columns if isinstance(c.text, LongText)), None)
    rest = None if long is None else long.only(chosen)

    def cells(text: Text) -> Text:
        return text.of(rest) if isinstance(text, LongText) else text.take(places)

    return _with_cells(table, chosen, cells)


def _turned(table: RawTable) -> RawTable:
    """Turn a table round, so that its last record comes first."""
    n = table.n_rows
    places = np.arange(n)[::-1]

    def cells(text: Text) -> Text:
        return text.of(turned=True) if isinstance(text, LongText) else text.take(pa.array(places))

    turned = _with_cells(table, places, cells)
    return replace(turned, breaks=tuple(sorted(n - b for b in table.breaks)))


def _with_cells(table: RawTable, at: Rows | Mask, cells: Callable[[Text], Text]) -> RawTable:
    return replace(
        table,
        columns=tuple(
            replace(
                c,
                text=cells(c.text),
                numbers=None if c.numbers is None else c.numbers[at],
                dates=None if c.dates is None else c.dates[at],
            )
            for c in table.columns
        ),
        file_rows=table.file_rows[at],
        hidden=None if table.hidden is None else table.hidden[at],
    )


def _read_probes(
    table: RawTable, source: SourceFile, probes: Column, answers: Answers, join_s: float | None
) -> list[LoggedTrace]:
    """Read probes that have rows of their own, each under the name that its rows bear."""
    traces = []
    found = words_of(probes.text, MOST_PROBES)
    assert found is not None
    for code, name in enumerate(found[0]):
        if name is None:
            continue
        mask = found[1] == code
        own = _taken(table, mask)
        own = replace(own, columns=tuple(c for c in own.columns if c.position != probes.position))
        breaks = [int(np.count_nonzero(mask[:b])) for b in table.breaks]
        made = _read_table(replace(own, breaks=tuple(breaks)), source, answers, join_s)
        for trace in made:
            alone = len({t.position for t in made}) == 1
            part = f", part {trace.part}" if trace.parts > 1 else ""
            channel = f"{name.strip()}{part}" if alone else f"{name.strip()}: {trace.channel}"
            traces.append(replace(trace, channel=channel, heading=name.strip()))
    return traces


def _ask_which_column(table: RawTable, columns: Sorted, said: _Said) -> None:
    """Ask which column is meant where no heading names any."""
    if any(c.heading for c in table.columns):
        return
    taken = {c.column.position for c in columns.clocks}
    rest = [c.position for c in table.columns if c.position not in taken]
    if len(rest) < 2:
        return
    found = ", ".join(c.name for c in columns.channels)
    places = ", ".join(f"column {p}" for p in rest)
    only = "the only one" if len(columns.channels) == 1 else "those"
    said.add(
        "which-column",
        f"Which of {places} is the temperature? No heading says it; {found} "
        f"{'is' if len(columns.channels) == 1 else 'are'} {only} that cools like water",
        remedy=f'Answer with --channels "{columns.channels[0].name}=RUN"',
        column=columns.channels[0].name,
        severity="question",
    )


def _rows_with_readings(
    table: RawTable,
    channels: Sequence[Channel],
    words: dict[str, tuple[list[tuple[int, str]], list[tuple[int, str]], int]],
) -> Mask:
    """Mask the records in which any channel has a reading or a word for a fault."""
    has = np.zeros(table.n_rows, dtype=np.bool_)
    for channel in channels:
        has |= np.isfinite(channel.typed)
        for at, _ in words[channel.name][0]:
            has[at] = True
    return has


def _group(columns: Sorted) -> list[tuple[tuple[Clock, ...], tuple[Channel, ...]]]:
    """Give each channel the clocks that stand nearest to its left."""
    marks = sorted(
        [(c.column.position, "clock", c) for c in columns.clocks]
        + [(c.column.position, "channel", c) for c in columns.channels],
        key=lambda m: m[0],
    )
    groups: list[tuple[list[Clock], list[Channel]]] = []
    for _, kind, item in marks:
        if kind == "clock":
            if not groups or groups[-1][1]:
                groups.append(([], []))
            groups[-1][0].append(item)  # type: ignore[arg-type]
        else:
            if not groups:
                groups.append(([], []))
            groups[-1][1].append(item)  # type: ignore[arg-type]
    if len(groups) > 1 and not groups[0][0]:
        # Readings before the first clock go by that clock.
        groups[1] = (groups[1][0], groups[0][1] + groups[1][1])
        groups = groups[1:]
    if groups and not groups[-1][1] and len(groups) > 1:
        groups[-2] = (groups[-2][0] + groups[-1][0], groups[-2][1])
        groups = groups[:-1]
    return [(tuple(clocks), tuple(channels)) for clocks, channels in groups if channels]


def _time_of(
    table: RawTable,
    clocks: Sequence[Clock],
    channels: Sequence[Channel],
    answers: Answers,
    said: _Said,
) -> _Time:
    """Settle the clocks of a group into seconds for each record."""
    interval, line = stated_interval(table.preamble)
    answered = answers.units.get("step", "") or answers.units.get("interval", "")
    if answered:
        interval, line = read_interval(answered), f"answered: {answered}"
    settled = [_settle(c, channels, interval, said) for c in clocks]
    times = _join_dates(settled)
    if not times:
        return _fixed_rate(table, interval, line, answers, said)
    chosen = _choose(times)
    for other in times:
        if other is not chosen:
            _compare(chosen, other, said)
    return chosen


def _settle(
    clock: Clock,
    channels: Sequence[Channel],
    interval: float,
    said: _Said,
) -> Clock:
    """Decide what a clock alone leaves open."""
    if clock.kind == "fields":
        temps = channels[0].temp_c[np.isfinite(channels[0].temp_c)]
        kept = temps[(temps > -60) & (temps < 120)]
        clock = settle_two_fields(
            clock, float(np.ptp(kept)) if kept.size else 0.0, expected_s=interval
        )
        choices = "mm:ss or h:mm"
    elif clock.kind == "number":
        clock = settle_number(clock, expected_s=interval)
        choices = "s, min, h or d"
    else:
        return clock
    if clock.open:
        heading = clock.column.heading or "time"
        said.add(
            "time-unit-missing",
            clock.open,
            remedy=f'Answer with --unit "{heading}=UNIT", where UNIT is one of {choices}',
            column=clock.column.heading,
            severity="question",
        )
    return clock


def _join_dates(clocks: Sequence[Clock]) -> list[_Time]:
    """Join dates with the times of day beside them."""
    dates = [c for c in clocks if c.kind == "date"]
    times = []
    for clock in clocks:
        if clock.kind == "date":
            continue
        if clock.kind in ("time of day", "elapsed") and dates and _fits_a_day(clock):
            date = dates[0]
            if np.isfinite(date.seconds).sum() < 0.5 * date.seconds.size:
                # The date stands once, in the first row of its day.
                times.append(
                    _Time(
                        seconds=clock.seconds,
                        how=f"{clock.how}, the date written once",
                        said=[],
                        zone=clock.zone,
                        kind="time of day",
                        exact_s=clock.exact_s,
                        twelve=clock.twelve,
                        columns=(date.column, clock.column),
                    )
                )
                continue
            order = date.column.day_order
            told = f", {order.replace('-', ' ')}" if order in ("day-first", "month-first") else ""
            times.append(
                _Time(
                    # A time of day belongs to its clock alone and takes the sum.
                    seconds=np.add(
                        clock.seconds,
                        date.seconds,
                        out=clock.seconds if clock.kind == "time of day" else None,
                    ),
                    how=f"{date.how}{told}, with {clock.how}",
                    said=[],
                    zone=clock.zone,
                    kind="stamp",
                    exact_s=clock.exact_s,
                    twelve=clock.twelve,
                    dated=True,
                    order_open=order == "undecidable",
                    columns=(date.column, clock.column),
                )
            )
            continue
        times.append(
            _Time(
                seconds=clock.seconds,
                how=clock.how,
                said=[],
                zone=clock.zone,
                kind=clock.kind,
                exact_s=clock.exact_s,
                twelve=clock.twelve,
                dated=clock.kind == "stamp" and not clock.offsets and clock.zone != "UTC",
                order_open=clock.order_open,
                columns=(clock.column,),
            )
        )
    if not times and dates:
        date = dates[0]
        times.append(
            _Time(seconds=date.seconds, how=date.how, said=[], kind="stamp", columns=(date.column,))
        )
    return times


def _fits_a_day(clock: Clock) -> bool:
    known = clock.seconds[np.isfinite(clock.seconds)]
    return bool(known.size and known.max() < 86400)


def _choose(times: Sequence[_Time]) -> _Time:
    """Choose the clock to go by: one in UTC, then an elapsed one, then one with a date."""
    if len(times) == 1:
        return times[0]

    def rank(time: _Time) -> tuple[int, int]:
        many = np.unique(time.seconds[np.isfinite(time.seconds)]).size
        in_utc = time.kind == "stamp" and not time.dated
        return (
            0 if many > 0.6 * time.seconds.size else 1,
            0 if in_utc else 1 if time.kind == "elapsed" else 2 if time.kind == "stamp" else 3,
        )

    return min(times, key=rank)


def _compare(chosen: _Time, other: _Time, said: _Said) -> None:
    """Report where two clocks of a table disagree."""
    both = np.isfinite(chosen.seconds) & np.isfinite(other.seconds)
    if both.sum() < 2:
        return
    one, two = chosen.seconds[both], other.seconds[both]
    step = usual_step(one)
    apart = two - one
    drift = np.max(np.abs(apart - apart[0])) if apart.size else 0.0
    names = [" and ".join(f"“{c.heading}”" for c in t.columns) for t in (chosen, other)]
    at = int(np.flatnonzero(both)[0])
    if chosen.kind == other.kind == "stamp":
        shift = float(apart[0])
        if abs(shift) > 1 and not (chosen.dated or other.dated):
            said.add(
                "clocks-disagree",
                f"{names[0]} and {names[1]} name moments {spell_seconds(abs(shift))} apart "
                f"although both name their offset from UTC; seconds count by {names[0]} alone",
                remedy="Set the logger's zone right; elapsed times are not affected",
                at=at,
                column=other.columns[0].heading,
            )
        elif abs(shift) > 1 and abs(shift) % 900 > 1:
            said.add(
                "clocks-disagree",
                f"{names[0]} and {names[1]} are {spell_seconds(abs(shift))} apart, which no zone "
                f"explains; seconds count by {names[0]} alone",
                at=at,
                column=other.columns[0].heading,
            )
    if np.isfinite(step) and drift > _AGREE * step and drift > 1:
        far = int(np.flatnonzero(both)[int(np.argmax(np.abs(apart - apart[0])))])
        said.add(
            "clocks-drift",
            f"{names[0]} and {names[1]} come to differ by {spell_seconds(float(drift))}; seconds "
            f"count by {names[0]} alone",
            at=far,
            column=other.columns[0].heading,
        )


def _fixed_rate(
    table: RawTable, interval: float, line: str, answers: Answers, said: _Said
) -> _Time:
    """Build seconds where there is no clock but a stated time between readings."""
    if not np.isfinite(interval):
        said.add(
            "no-clock",
            "The file has no times and states no time between readings",
            remedy='Answer with --unit "step=30 s" or what it was',
            severity="question",
        )
        interval, line = 1.0, "taken as one second until it is answered"
    seconds: Floats = np.arange(table.n_rows, dtype=np.float64) * interval
    how = f"no times in the file; built from the stated time between readings ({line})"
    began = stated_start(table.preamble, answers.day_order)
    kind = "built"
    if began and "T" in began:
        start = np.datetime64(began[:19], "s").astype(np.int64)
        seconds = seconds + float(start)
        kind = "stamp"
        how += f" and the stated start {began.replace('T', ' ')}"
    return _Time(seconds=seconds, how=how, said=[], kind=kind)


def _read_group(
    table: RawTable,
    source: SourceFile,
    columns: Sorted,
    channels: Sequence[Channel],
    time: _Time,
    reading: Mask,
    words: dict[str, tuple[list[tuple[int, str]], list[tuple[int, str]], int]],
    said: _Said,
    join_s: float | None,
) -> list[LoggedTrace]:
    """Cut the channels of one clock into stretches and clean each."""
    # Half the size of the usual kind, which tells in a long file.
    n_rows = reading.size
    rows: Rows = np.arange(n_rows, dtype=np.int32) if reading.all() else np.flatnonzero(reading)
    seconds = unroll_clock(
        _at(time.seconds, rows),
        of_day=time.kind == "time of day",
        dated=time.dated,
        twelve=time.twelve,
        said=time.said,
    )
    if time.dated and not time.zone:
        seconds = close_hour(seconds, _at(channels[0].temp_c, rows), time.said)
    breaks = tuple(int(np.searchsorted(rows, b)) for b in table.breaks)
    stretches, resets = cut_stretches(seconds, breaks, time.said)
    zone = time.zone or stated_zone(table.preamble) or "unknown"
    state = next((c for c in columns.others if is_state_column(c)), None)
    switched_on = _switched_on(state, said)
    events = _event_rows(table, columns, channels, words)
    traces: list[LoggedTrace] = []
    shift = 0.0
    before: dict[str, LoggedTrace] = {}
    for number, stretch in enumerate(stretches, start=1):
        here = rows[stretch.place]
        good = stretch.marks == 0
        local = list(time.said)
        spread = stretch.time_s
        if good.all():
            spread = spread_cut_stamps(stretch.time_s, time.exact_s, local)
        if not good.any():
            continue
        sound = spread if good.all() else spread[good]
        first, last = float(sound[0]), float(sound.max())
        step = usual_step(sound)
        own_zero = time.kind == "elapsed" and 0 <= first <= GAP_STEPS * step
        origin = 0.0 if own_zero else first
        if join_s is not None and number > 1:
            seconds_here = spread - first + shift + join_s
        elif not origin:
            seconds_here = spread
        else:
            # What was read for this trace alone takes the difference: a long file's times
            # stand in memory once.
            own = time.kind in _OWN or spread is not stretch.time_s
            seconds_here = np.subtract(spread, origin, out=spread if own else None)
        shift = last - first + float(seconds_here[good.argmax()])
        made = _Made(
            table=table,
            source=source,
            rows=here,
            time_s=seconds_here,
            marks=stretch.marks,
            how=_spell_time(time, step, zone, local, own_zero=own_zero, first=first),
            began_at=_iso(first, time) if time.kind == "stamp" and not time.order_open else "",
            zone=zone,
            switched_on=None if switched_on is None else switched_on[here],
            events=_events_between(events, time.seconds, here, seconds_here, rows),
            part=number,
            parts=len(stretches),
        )
        for channel in channels:
            trace = _make_trace(made, channel, words[channel.name], said)
            if trace is None:
                continue
            if number > 1:
                trace = _after_reset(
                    trace, before.get(channel.name), resets[number - 2], said, rows
                )
            before[channel.name] = trace
            traces.append(trace)
    if join_s is not None and len(stretches) > 1:
        traces = _joined(traces, join_s)
    return traces


def _at(values: npt.NDArray[Any], rows: Rows) -> npt.NDArray[Any]:
    """Take values at rising places, without a copy where those are all of them."""
    return values if rows.size == values.size else values[rows]


def _switched_on(state: Column | None, said: _Said) -> Mask | None:
    """Mask the records whose state says that the logger had just been switched on."""
    if state is None:
        return None
    found = words_of(state.text, MOST_STATES)
    assert found is not None
    cells = [(word or "").strip() for word in found[0]]
    counts: Counter[str] = Counter()
    for word, count in zip(cells, np.bincount(found[1]).tolist(), strict=True):
        counts[word] += count
    if len(counts) < 2:
        return None
    spelled = ", ".join(f"{word or 'empty'} {count} times" for word, count in counts.most_common())
    said.add(
        "states", f"Each reading carries a state ({spelled}), kept beside it", column=state.heading
    )
    on = {word for word in counts if power_up_words(state, word)}
    return np.isin(found[1], [k for k, c in enumerate(cells) if c in on]) if on else None


@dataclass(slots=True, kw_only=True, eq=False)
class _Made:
    """What all channels of one stretch share."""

    table: RawTable
    source: SourceFile
    rows: Rows
    time_s: Floats
    marks: Marks
    how: str
    began_at: str
    zone: str
    switched_on: Mask | None
    events: tuple[tuple[float, str], ...]
    part: int
    parts: int


def _filled(cells: pa.StringArray) -> tuple[int, list[tuple[int, str]]]:
    at = np.flatnonzero(cells.is_valid().to_numpy(zero_copy_only=False))
    return len(cells), list(zip(at.tolist(), cells.drop_null().to_pylist(), strict=True))


def _event_rows(
    table: RawTable,
    columns: Sorted,
    channels: Sequence[Channel],
    words: dict[str, tuple[list[tuple[int, str]], list[tuple[int, str]], int]],
) -> dict[int, str]:
    """List records that tell of something and hold no reading, and words beside readings."""
    found: dict[int, str] = {}
    for channel in channels:
        for at, word in words[channel.name][1]:
            found[at] = word
    for column in columns.others:
        if is_state_column(column):
            continue
        if len(column.text) - column.text.null_count > 0.5 * table.n_rows:
            continue
        begin = 0
        told = []
        for size, own in over_pieces(column.text, _filled):
            told += [(at + begin, cell.strip()) for at, cell in own]
            begin += size
        for at, word in told:
            found[at] = f"{found[at]}; {word}" if at in found else word
    return found


def _events_between(
    events: dict[int, str],
    clock: Floats,
    here: Rows,
    seconds: Floats,
    rows: Rows,
) -> tuple[tuple[float, str], ...]:
    """Place the events of a stretch on its seconds."""
    if not events or not here.size:
        return ()
    last = int(here[-1])
    following = rows[np.searchsorted(rows, last) + 1 :]
    until = int(following[0]) if following.size else clock.size
    begin = 0 if here[0] == rows[0] else int(here[0])
    placed = []
    for at, word in sorted(events.items()):
        if not begin <= at < until:
            continue
        near = int(np.clip(np.searchsorted(here, at), 0, here.size - 1))
        offset = clock[at] - clock[here[near]]
        # Midnight and other jumps lie between a record and its neighbour only rarely.
        at_s = seconds[near] + (offset if np.isfinite(offset) and abs(offset) < 43200 else 0.0)
        placed.append((float(at_s), word))
    return tuple(placed)


def _make_trace(
    made: _Made,
    channel: Channel,
    words: tuple[list[tuple[int, str]], list[tuple[int, str]], int],
    table_said: _Said,
) -> LoggedTrace | None:
    """Clean one channel over one stretch."""
    said = _Said(made.source.name, made.table)
    said.faults += table_said.faults
    faults = dict(words[0])
    typed = _at(channel.typed, made.rows)
    has = np.isfinite(typed)
    rows, times, temps = made.rows, made.time_s, _at(channel.temp_c, made.rows)
    marks, switched_on = made.marks.copy(), made.switched_on
    worded = np.flatnonzero(np.isin(rows, np.fromiter(faults, dtype=np.int64))) if faults else None
    if worded is not None:
        has[worded] = True
    if not has.all():
        if not has.any():
            return None
        rows, times, temps, marks = rows[has], times[has], temps[has], marks[has]
        typed = typed[has]
        if worded is not None:
            worded = np.searchsorted(np.flatnonzero(has), worded)
        if switched_on is not None:
            switched_on = switched_on[has]
    codes = mark_codes(typed, temps)
    if worded is not None:
        codes[worded] = WORD
    np.copyto(marks, codes, where=marks == 0)
    if switched_on is not None:
        marks[(marks == 0) & switched_on] = POWER_UP
    rows, times, temps, marks = _settle_repeats(rows, times, temps, marks, said)
    _say_marks(channel, rows, marks, faults, said)
    _say_gaps(times, temps, marks, rows, said)
    _say_channel(made, channel, temps, marks, said)
    if made.events:
        listed = "; ".join(f"{w} at {t:.0f} s" for t, w in made.events[: _LISTED + 2])
        more = len(made.events) - _LISTED - 2
        said.add(
            "event-rows",
            f"{len(made.events)} event{'s' if len(made.events) > 1 else ''} kept apart from the "
            f"readings: {listed}" + (f" and {more} more" if more > 0 else ""),
        )
    name = channel.name if made.parts == 1 else f"{channel.name}, part {made.part}"
    return LoggedTrace(
        file=made.source.name,
        sheet=made.table.sheet,
        channel=name,
        heading=channel.column.heading,
        position=channel.column.position,
        part=made.part,
        parts=made.parts,
        role=channel.role,
        time_s=times,
        temp_c=temps,
        marks=marks,
        how=made.how,
        began_at=made.began_at,
        zone=made.zone,
        unit=channel.unit.name,
        notes=made.table.preamble,
        events=made.events,
        findings=tuple(said.faults),
    )


def _settle_repeats(
    rows: Rows, times: Floats, temps: Floats, marks: Marks, said: _Said
) -> tuple[Rows, Floats, Floats, Marks]:
    """Collapse exact repeats and set conflicting readings of one time aside."""
    if np.all(times[1:] > times[:-1]) or not (np.any(times[1:] == times[:-1]) or marks.any()):
        return rows, times, temps, marks
    good = np.flatnonzero((marks == 0) & np.isfinite(times))
    if good.size < 2 or not np.any(np.diff(times[good]) == 0):
        return rows, times, temps, marks
    repeats = collapse_repeats(times[good], temps[good])
    conflicted = good[repeats.marks > 0]
    marks[conflicted] = repeats.marks[repeats.marks > 0]
    if repeats.exact:
        gone = good[~repeats.keep]
        said.add(
            "repeated-rows",
            f"{repeats.exact} row{'s' if repeats.exact > 1 else ''} repeat another exactly and "
            "count once",
            at=int(rows[gone[0]]),
        )
    for first, at_s, values, kept in repeats.conflicts[:_LISTED]:
        spelled = " and ".join(f"{v:g}" for v in values)
        outcome = (
            f"{kept:g} fits its neighbours and is used" if np.isfinite(kept) else "neither is used"
        )
        said.add(
            "repeated-time",
            f"At {at_s:.0f} s stand two readings, {spelled}: {outcome}",
            at=int(rows[good[first]]),
            value=spelled,
        )
    if len(repeats.conflicts) > _LISTED:
        said.add(
            "repeated-time", f"{len(repeats.conflicts) - _LISTED} more times have two readings"
        )
    stay = np.ones(rows.size, dtype=np.bool_)
    stay[good[~repeats.keep]] = False
    return rows[stay], times[stay], temps[stay], marks[stay]


def _say_marks(
    channel: Channel, rows: Rows, marks: Marks, faults: dict[int, str], said: _Said
) -> None:
    """Say which readings are not used and why."""
    for code in np.unique(marks[marks > 0]).tolist():
        where = rows[marks == code]
        count = where.size
        if code == WORD:
            cells = list(dict.fromkeys(faults[int(r)] for r in where[:200]))
        else:
            cells = [f"{v:g}" for v in dict.fromkeys(channel.typed[where[:200]].tolist())]
        spelled = ", ".join(cells[:5])
        listed = list_rows([int(r) for r in said.table.file_rows[where[:200]]])
        said.add(
            "marked-bad",
            f"{count} reading{'s' if count > 1 else ''} not used, {REASONS[code]}: {spelled} "
            f"({listed})",
            at=int(where[0]),
            column=channel.name,
            value=spelled,
        )


def _say_gaps(times: Floats, temps: Floats, marks: Marks, rows: Rows, said: _Said) -> None:
    """List the gaps of a record."""
    step = usual_step(times)
    limit = GAP_STEPS * step
    if not marks.any() and np.isfinite(step) and not wide_steps(times, limit).size:
        return
    good = (marks == 0) & np.isfinite(temps) & np.isfinite(times)
    known = times[good]
    if known.size < 3:
        return
    step = usual_step(known)
    wide = wide_steps(known, GAP_STEPS * step)
    if not wide.size:
        return
    lengths = known[wide + 1] - known[wide]
    widest = wide[np.argsort(-lengths, kind="stable")][:_LISTED]
    listed = "; ".join(f"{known[k]:.0f} to {known[k + 1]:.0f} s" for k in sorted(widest.tolist()))
    said.add(
        "gap",
        f"{wide.size} gap{'s' if wide.size > 1 else ''} in readings {step:.4g} s apart: {listed}"
        + (f" and {wide.size - _LISTED} more" if wide.size > _LISTED else "")
        + "; an event in a gap is known only to lie in it",
        at=int(rows[good][wide[0]]),
    )


def _say_channel(made: _Made, channel: Channel, temps: Floats, marks: Marks, said: _Said) -> None:
    """Say what was decided about a channel: unit, role, labels above the table."""
    if channel.question:
        heading = channel.column.heading or "temperature"
        said.add(
            "unit-missing",
            channel.question,
            remedy=f'Answer with --unit "{heading}=°C" or --unit "{heading}=°F"',
            column=channel.name,
            severity="question",
        )
    if channel.because:
        said.add("unit", f"Unit {channel.unit.name}: {channel.because}", column=channel.name)
    elif channel.unit.name != "°C":
        said.add("unit", f"Converted from {channel.unit.name} to °C", column=channel.name)
    if channel.role != "water":
        place = "the freezer or bath" if channel.role == "sink" else "the room or the logger"
        said.add(
            "not-water",
            f"This channel is read as the temperature of {place}, not of water",
            column=channel.name,
        )
    label, line = start_label(made.table.preamble)
    head = slice(0, 1000)
    good = temps[head][(marks[head] == 0) & np.isfinite(temps[head])]
    if np.isfinite(label) and good.size and made.part == 1 and channel.role == "water":
        begins = float(np.max(good[:3]))
        agrees = abs(begins - label) <= _LABEL_K
        said.add(
            "start-label",
            f"“{line}” and the first readings ({begins:.1f} °C) "
            f"{'agree' if agrees else 'do not agree; the readings count'}",
            column=channel.name,
        )
    offset = offset_line(made.table.preamble)
    if offset:
        said.add(
            "probe-offset",
            f"The file says “{offset}”: it is kept as a note and not applied again; the trace's "
            "own plateau shows what is left of it",
        )


def _spell_time(
    time: _Time, step: float, zone: str, said: Sequence[str], *, own_zero: bool, first: float
) -> str:
    """Write how the time was read, in one sentence."""
    pieces = [time.how]
    if np.isfinite(step):
        pieces.append(f"readings {step:.4g} s apart")
    if time.kind == "stamp":
        began = "" if time.order_open else f", {_iso(first, time).replace('T', ' ')}"
        pieces.append(f"seconds count from the first reading{began}")
        pieces.append(f"zone {zone}")
    elif not own_zero:
        pieces.append("seconds count from the first reading")
    pieces += list(dict.fromkeys(said))
    return "; ".join(pieces)


def _iso(seconds: float, time: _Time) -> str:
    stamp = np.datetime64(int(np.floor(seconds * 1000 + 0.5)), "ms")
    text = str(stamp)
    text = text.removesuffix(".000")
    in_utc = not time.dated and any("UTC" in w for w in (time.zone, time.how))
    return f"{text}+00:00" if in_utc and time.kind == "stamp" else text


def _after_reset(
    trace: LoggedTrace,
    before: LoggedTrace | None,
    reset: tuple[int, str],
    said: _Said,
    rows: Rows,
) -> LoggedTrace:
    """Say that a part begins at a reset, and whether the same water goes on."""
    at, why = reset
    row = int(said.table.file_rows[rows[at]])
    message = f"A new part begins at row {row}: {why}. Nothing was sorted or joined"
    remedy = ""
    if before is not None and goes_on(before, trace):
        message += (
            "; the same water seems to go on, so its times count from the reset and not from "
            "when it was put in, and the part before it is cut off at its last reading"
        )
        remedy = "Join the parts with --join SECONDS if you know how long the break was"
    fault = Fault(
        rule="clock-reset",
        message=message,
        remedy=remedy,
        location=Location(file=trace.file, sheet=trace.sheet, row=row),
        severity="note",
    )
    return replace(trace, findings=(*trace.findings, fault))


def goes_on(before: LoggedTrace, after: LoggedTrace) -> bool:
    """Tell whether a part seems to go on with the water of the part before it.

    Parameters
    ----------
    before, after : LoggedTrace
        Parts of one channel, one after the other.

    Returns
    -------
    bool
    """
    ends = before.temp_c[~before.bad & np.isfinite(before.temp_c)]
    begins = after.temp_c[~after.bad & np.isfinite(after.temp_c)]
    if not ends.size or not begins.size:
        return False
    return bool(abs(float(begins[0] - ends[-1])) <= _GOES_ON_K)


def _joined(traces: list[LoggedTrace], join_s: float) -> list[LoggedTrace]:
    """Put the parts of each channel after each other, as a person has asked."""
    by_position: dict[int, list[LoggedTrace]] = {}
    for trace in traces:
        by_position.setdefault(trace.position, []).append(trace)
    joined = []
    for parts in by_position.values():
        first = parts[0]
        fault = Fault(
            rule="parts-joined",
            message=f"{len(parts)} parts joined as asked, {join_s:g} s from the last reading "
            "before a reset to the first one after it",
            location=Location(file=first.file, sheet=first.sheet),
            severity="note",
        )
        findings = list(dict.fromkeys(f for p in parts for f in p.findings))
        joined.append(
            replace(
                first,
                channel=first.channel.removesuffix(f", part {first.part}"),
                part=1,
                parts=1,
                time_s=np.concatenate([p.time_s for p in parts]),
                temp_c=np.concatenate([p.temp_c for p in parts]),
                marks=np.concatenate([p.marks for p in parts]),
                events=tuple(e for p in parts for e in p.events),
                findings=(*findings, fault),
            )
        )
    return joined
