"""Telling a temperature trace from a table of runs.

A trace holds many readings of a temperature that changes smoothly, against a clock or
at a stated rate. It must never be taken for a table of runs.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.register.files.cells import is_unit, look_of
from metafreeze.register.files.dates import are_compact, with_colons
from metafreeze.register.files.long_text import Text, whole
from metafreeze.register.files.numbers import parse_numbers
from metafreeze.register.files.sheets import Column, Dialect, cells_over_length

Floats: TypeAlias = npt.NDArray[np.float64]

# Fewer readings than this show no curve.
FEWEST_READINGS = 20
# Without a word for time above it, a column must run this long at one step to be a clock.
_FEWEST_UNNAMED = 40
# Share of steps that must go forward, and of the usual step, for a column to be a clock.
_FORWARD = 0.9
_REGULAR = 0.9
# A smooth curve moves from reading to reading by less than this share of its range; runs
# of hot and cold vessels in turn move by nearly all of it.
_SMOOTH = 0.15
# Probes that may stand in rows of their own, each named in its row.
_MOST_PROBES = 32
# The day of the week before a stamp and the name of a zone behind it.
BESIDE_STAMP = (
    r"(?i)^(?:mon|tue|wed|thu|fri|sat|sun|mo|di|mi|do|fr|sa|so)[a-z]*\.?,?\s+"
    r"|\s+(?:[A-Z]{2,4}T|WE[TS]Z?|ME[SZ]{1,2})$"
)
_BESIDE_STAMP = re.compile(BESIDE_STAMP)
_LONGEST_STAMP = 80
# The unit of a temperature behind its number.
DEGREES = r"(?i)\s*(?:°|º|deg)?\s*[CFK]\s*$|\s*[℃℉]\s*$"
# Longer columns are judged by so many stretches of neighbours, evenly over their length.
_MOST_CELLS = 20_000
_STRETCHES, _STRETCH, _MOST_ASKED = 60, 80, 5000
# Seconds since 1970 of every date from 1990 on are larger than this.
_EPOCH = 6e8

_CLOCK_WORDS = re.compile(
    r"time|clock|elapsed|zeit|uhr|datum|date|heure|temps|tiempo|hora|fecha|tempo|ora|tijd|tid|aika"
    r"|时间|時間|時刻|시간|epoch|stamp|(?-i:\bt\b)|\b(?:sec|secs|seconds|min|minutes|hours)\b",
    re.IGNORECASE,
)
# These words over any column tell runs or points of a figure.
_RUN_WORDS = re.compile(
    r"freez(?!er)|frozen|gefrier(?!schrank|truhe|fach|raum)"
    r"|(?<!since )(?<!from )(?<!after )start(?!.*(?:time|zeit|clock))|anfang|pixel|mark\b",
    re.IGNORECASE,
)
# These do so unless they head a channel of the trace itself, such as "Run 1 (°C)".
_LABEL_WORDS = re.compile(
    r"\b(?:runs?|trial|lab|batch|sd|se|mean|error)\b|versuch|labor|\bsource|stud(?:y|ie)",
    re.IGNORECASE,
)
_RATE_WORDS = re.compile(
    r"interval|rate|period|every|epoch|sampl|step|takt|intervall|intervalle|cadence|间隔|間隔",
    re.IGNORECASE,
)
# Durations with days, or with the names of their units, as no run's label is spelled.
_SPELLED = re.compile(
    r"(?:[0-9]+\s*(?:d|day|days)[,\s]+[0-9]{1,2}:[0-9]{2}(?::[0-9]{2})?(?:[.,][0-9]+)?"
    r"|[0-9]+\.[0-9]{2}:[0-9]{2}:[0-9]{2}"
    r"|(?:[0-9]+\s*h\w*\s*)?(?:[0-9]+\s*m\w*\s*)?(?:[0-9]+(?:[.,][0-9]+)?\s*s\w*)?)\Z",
    re.IGNORECASE,
)
_CLOCK = "(?P<a>[0-9]{1,4}):(?P<b>[0-9]{2}(?:[.,][0-9]{1,3})?)(?::(?P<c>[0-9]{2}(?:[.,][0-9]+)?))?"
# Minutes and seconds with decimals, which no date and no time of day has.
_SHORT_CLOCK = re.compile(r"[0-9]{1,4}:[0-9]{2}[.,][0-9]{1,3}\Z")


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceVerdict:
    """Whether a table is a temperature trace, and why in one sentence."""

    is_trace: bool
    because: str


def _words(heading: str) -> str:
    return re.sub(r"[\W\d_]+", " ", re.sub(r"(?<=[a-z])(?=[A-Z])", " ", heading)).strip()


def _steps(values: Floats) -> Floats:
    known = values[np.isfinite(values)]
    return np.diff(known)


def _runs_forward(values: Floats) -> bool:
    """Tell whether values hardly ever go back and reach further than they began."""
    steps = _steps(values)
    if steps.size < FEWEST_READINGS - 1:
        return False
    return bool(np.mean(steps >= 0) >= _FORWARD and np.any(steps > 0))


def _runs_one_way(values: Floats) -> bool:
    """Tell whether stamps run forward, or backward where the newest reading stands first."""
    return _runs_forward(values) or _runs_forward(-values)


def _is_regular(values: Floats) -> bool:
    steps = _steps(values)
    usual = np.median(steps)
    return bool(usual > 0 and np.mean(np.isclose(steps, usual, rtol=0.01)) >= _REGULAR)


def _clock_seconds(column: Column) -> Floats | None:
    """Give the time of day or elapsed time of cells such as 09:01:00, in seconds."""
    cells = column.text
    if are_compact([c for c in cells.slice(0, 20).to_pylist() if c]):
        cells = with_colons(pc.utf8_trim_whitespace(whole(cells)))
    parts = pc.extract_regex(cells, _CLOCK)
    if isinstance(parts, pa.ChunkedArray):
        parts = parts.combine_chunks()
    matched = len(parts) - parts.null_count
    if matched < 0.8 * max(len(cells) - cells.null_count, 1) or not matched:
        return None
    values = []
    for name in ("a", "b", "c"):
        part = pc.replace_substring(pc.struct_field(parts, name), ",", ".")
        part = pc.if_else(pc.equal(part, ""), "0", part)
        values.append(pc.cast(part, pa.float64()).to_numpy(zero_copy_only=False))
    # Two fields are hours and minutes or minutes and seconds: both grow alike.
    seconds: Floats = values[0] * 3600 + values[1] * 60 + values[2]
    return seconds


def _numbers(column: Column, dialect: Dialect) -> Floats:
    if column.numbers is not None:
        return column.numbers
    values = parse_numbers(column.text, dialect)[0]
    if np.isfinite(values).any():
        return values
    return parse_numbers(without_degrees(column.text), dialect)[0]


def without_degrees(text: Text) -> pa.ChunkedArray:
    """Take the unit of a temperature off cells such as ``20.5 °C``.

    Parameters
    ----------
    text : string array, shape (n,)
        Cells as typed.

    Returns
    -------
    pyarrow string array
        Of shape (n,).
    """
    return pc.replace_substring_regex(whole(text), DEGREES, "")


def hold_degrees(text: Text) -> bool:
    """Tell whether a cell ends in the unit of a temperature; of a long column some are asked.

    Parameters
    ----------
    text : string array, shape (n,)
        Cells as typed.

    Returns
    -------
    bool
    """
    some = whole(cells_over_length(text, _MOST_ASKED))
    return bool(pc.any(pc.match_substring_regex(some, f"[0-9.,]{DEGREES}")).as_py())


def without_beside(cell: str) -> str:
    """Take the day of the week and the name of a zone off a stamp.

    Parameters
    ----------
    cell : str
        The cell.

    Returns
    -------
    str
    """
    # In a cell longer than any stamp a run of spaces could be searched for very long.
    return _BESIDE_STAMP.sub("", cell) if len(cell) <= _LONGEST_STAMP else cell


def _is_clock(column: Column, dialect: Dialect) -> bool:
    """Tell whether a column is the clock of a trace."""
    sample = column.text.slice(0, 50).to_pylist()
    looks = [
        "d" if _SHORT_CLOCK.match(cell.strip()) else look_of(without_beside(cell.strip()))
        for cell in sample
        if cell
    ]
    named = bool(_CLOCK_WORDS.search(_words(column.heading)))
    if looks and looks.count("d") > 0.5 * len(looks):
        seconds = _clock_seconds(column)
        return seconds is not None and _runs_one_way(seconds)
    spelled = [cell for cell in sample if cell and _SPELLED.match(cell.strip())]
    if (named or not column.heading) and len(spelled) > 0.8 * max(len(looks), 1):
        return len(set(spelled)) > 0.5 * len(spelled)
    if not looks or looks.count("n") < 0.5 * len(looks):
        return False
    values = _numbers(column, dialect)
    if not _runs_forward(values):
        return False
    known = values[np.isfinite(values)]
    if named or (known[0] > _EPOCH and (not column.heading or bool(np.all(known % 1 == 0)))):
        return True
    counts_rows = bool(np.all(np.diff(known) == 1) and known[0] in (0, 1))
    if re.search("temp", column.heading, re.IGNORECASE) or counts_rows:
        return False
    return known.size >= _FEWEST_UNNAMED and _is_regular(values)


def _find_clock(columns: Sequence[Column], dialect: Dialect) -> Column | None:
    """Choose the clock: a column of times before one of numbers, a named one before others."""
    clocks = [c for c in columns if _is_clock(c, dialect)]
    timed = [c for c in clocks if _clock_seconds(c) is not None]
    named = [c for c in clocks if _CLOCK_WORDS.search(_words(c.heading))]
    return next(iter([*timed, *named, *clocks]), None)


def _is_smooth(column: Column, dialect: Dialect) -> bool:
    """Tell whether a column holds temperatures that change from reading to reading by little."""
    values = _numbers(column, dialect)
    known = values[np.isfinite(values)]
    if known.size < FEWEST_READINGS or known.size < 0.3 * len(column.text):
        return False
    low, high = np.quantile(known, [0.05, 0.95])
    if low < -120 or high > 400 or high - low <= 0 or np.unique(known).size < 5:
        return False
    # A column that counts rows or seconds is even; no temperature is.
    if _is_regular(values):
        return False
    return bool(np.median(np.abs(np.diff(known))) <= _SMOOTH * (high - low))


def _is_possible(column: Column, dialect: Dialect) -> bool:
    """Tell whether a column may be the temperature of a freezer or a room, which rests."""
    values = _numbers(column, dialect)
    known = values[np.isfinite(values)]
    if known.size < FEWEST_READINGS or known.size < 0.3 * len(column.text):
        return False
    low, high = np.quantile(known, [0.05, 0.95])
    return bool(low >= -120 and high <= 400 and not _is_regular(values))


def _smooth_by_label(columns: Sequence[Column], clock: Column, dialect: Dialect) -> list[Column]:
    """Find readings that are smooth for each probe, where probes stand in rows of their own."""
    for labels in columns:
        if labels is clock or labels.numbers is not None or labels.text.null_count:
            continue
        kinds = pc.unique(labels.text)
        if not 2 <= len(kinds) <= _MOST_PROBES:
            continue
        found = []
        for column in columns:
            if column is labels or column is clock:
                continue
            parts = [
                replace(
                    column,
                    text=whole(column.text).filter(pc.equal(labels.text, kind)),
                    numbers=None,
                )
                for kind in kinds
            ]
            smooth = [_is_smooth(part, dialect) for part in parts]
            if any(smooth) and all(
                one or _is_possible(part, dialect) for one, part in zip(smooth, parts, strict=True)
            ):
                found.append(column)
        if found:
            return found
    return []


def _stated_rate(preamble: Mapping[str, str]) -> str:
    """Give the line above the table that states the time between readings; empty if none."""
    for key, value in preamble.items():
        if _RATE_WORDS.search(key) and any(c.isdigit() for c in value):
            return f"{key} {value}"
    return ""


def tells_runs(headings: Sequence[str], groups: Sequence[str]) -> bool:
    """Tell whether a heading gives a table to runs, whatever its cells hold.

    Parameters
    ----------
    headings, groups : sequence of str
        As in `Column`.

    Returns
    -------
    bool
    """
    return any(
        _RUN_WORDS.search(f"{_words(group)} {_words(heading)}")
        for heading, group in zip(headings, groups, strict=True)
    )


def recognise_trace(
    columns: Sequence[Column], preamble: Mapping[str, str], dialect: Dialect
) -> TraceVerdict:
    """Tell whether a table is a temperature trace.

    Parameters
    ----------
    columns : sequence of Column
        The table.
    preamble : mapping of str to str
        What stands above it.
    dialect : Dialect
        Marks of its numbers.

    Returns
    -------
    TraceVerdict
    """
    n_rows = len(columns[0].text) if columns else 0
    if n_rows < FEWEST_READINGS:
        return TraceVerdict(is_trace=False, because=f"{n_rows} rows are too few for a trace")
    headings = [f"{_words(c.group)} {_words(c.heading)}" for c in columns]
    told = [c for c, words in zip(columns, headings, strict=True) if _RUN_WORDS.search(words)]
    if told:
        return _belongs_to_runs(told[0])
    columns = [_thinned(column) for column in columns]
    clock = _find_clock(columns, dialect)
    smooth = [c for c in columns if c is not clock and _is_smooth(c, dialect)]
    if clock is not None and not smooth:
        smooth = _smooth_by_label(columns, clock, dialect)
    for column, words in zip(columns, headings, strict=True):
        if _LABEL_WORDS.search(words) and not any(column is c for c in smooth):
            return _belongs_to_runs(column)
    return _judge(columns, clock, smooth, preamble, n_rows)


def _thinned(column: Column) -> Column:
    """Take stretches of a long column, and all cells of another."""
    n = len(column.text)
    if n <= _MOST_CELLS:
        return replace(column, text=whole(column.text))
    starts = np.linspace(0, n - _STRETCH, _STRETCHES).astype(np.int64)
    at = (starts[:, None] + np.arange(_STRETCH)).ravel()
    numbers = None if column.numbers is None else column.numbers[at]
    dates = None if column.dates is None else column.dates[at]
    return replace(column, text=whole(column.text.take(pa.array(at))), numbers=numbers, dates=dates)


def _belongs_to_runs(column: Column) -> TraceVerdict:
    because = f"the heading “{column.heading}” belongs to runs"
    return TraceVerdict(is_trace=False, because=because)


def _judge(
    columns: Sequence[Column],
    clock: Column | None,
    smooth: Sequence[Column],
    preamble: Mapping[str, str],
    n_rows: int,
) -> TraceVerdict:
    """Weigh the clock and the smooth channels of a table that no heading gives to runs."""
    if not smooth:
        return TraceVerdict(
            is_trace=False, because="no column holds a temperature that changes smoothly"
        )
    channels = ", ".join(f"“{c.heading}”" for c in smooth[:3] if c.heading) or "a column"
    if clock:
        name = clock.heading or f"column {clock.position}"
        because = f"{n_rows} readings in {channels} against the clock “{name}”, and no runs"
        return TraceVerdict(is_trace=True, because=because)
    rate = _stated_rate(preamble)
    if rate:
        because = f"{n_rows} readings in {channels} at a stated rate ({rate}), and no runs"
        return TraceVerdict(is_trace=True, because=because)
    if len(columns) == 1 and _names_temperature(columns[0]):
        because = (
            f"{n_rows} readings in {channels} and nothing else; no clock and no rate is stated"
        )
        return TraceVerdict(is_trace=True, because=because)
    return TraceVerdict(is_trace=False, because="there is no clock and no stated rate")


def _names_temperature(column: Column) -> bool:
    words = f"{column.heading} {column.unit}"
    return bool(re.search("temp|°|℃", words, re.IGNORECASE)) or (
        is_unit(column.heading) and not _CLOCK_WORDS.search(_words(column.heading))
    )
