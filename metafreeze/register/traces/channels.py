"""Which columns of a logger's table are clocks, which are temperatures, and of what."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa

from metafreeze.register.answers import Answers
from metafreeze.register.files.long_table import give_back
from metafreeze.register.files.long_text import LongText, words_of
from metafreeze.register.files.numbers import parse_numbers
from metafreeze.register.files.sheets import Column, Dialect, RawTable
from metafreeze.register.files.traces import DEGREES, hold_degrees, without_degrees
from metafreeze.register.meaning.headings import split_units
from metafreeze.register.meaning.units import Unit, dimensions_of, find_unit
from metafreeze.register.traces.clocks import Clock, read_clock_column, unit_of
from metafreeze.register.traces.logged import Floats, Role
from metafreeze.register.traces.segments import finite_of, some_steps

_CLOCK_WORDS = re.compile(
    r"time|clock|elapsed|zeit|uhr|datum|date|\bday\b|heure|temps|tiempo|hora|fecha|tempo\b|\bora\b"
    r"|tijd|\btid\b|aika|时间|時間|時刻|日期|시간|epoch|stamp|^\s*t\s*(?:[_(\[/]\s*(?:s|sec|min|h)\b.*)?$"
    r"|^\s*(?:s|sec|secs|seconds|min|minutes|hours|h)\s*$",
    re.IGNORECASE,
)
_NOT_TEMPERATURE = re.compile(
    r"humid|feucht|\brh\b|%|batt|volt|\bmv\b|\bv\b|press|druck|hpa|mbar|\blux\b|light|licht|dew"
    r"|taupunkt|co2|\bppm\b|signal|rssi|weight|mass\b|gewicht|\bset ?point|\bsoll|duty|power\b"
    r"|current\b|count|\bno\.?$|^#$|^nr\.?$|index|record|\brow\b|sample\s*(?:no|number|#)|\bid\b",
    re.IGNORECASE,
)
_TEMPERATURE_WORDS = re.compile(
    r"temp|°|℃|℉|\bdeg|celsius|fahrenheit|kelvin|probe|sensor|thermo|\btc\b|\bt\d*\b|t_c|water"
    r"|wasser|cup|fühler|\bch(?:annel)?\.?\s*\d|kanal|sonde|温度|溫度|온도",
    re.IGNORECASE,
)
_SINK_WORDS = re.compile(
    r"freezer|fridge|chamber|\bbath\b|brine|coolant|cold ?plate|\bsink\b|\bair\b|gefrier|kammer"
    r"|kühl|\bluft|\bbad\b|congélateur|congelador|冷冻|冰箱",
    re.IGNORECASE,
)
_ROOM_WORDS = re.compile(
    r"ambient|room|outside|outdoor|umgebung|\braum|internal|intern\b|board", re.IGNORECASE
)
# Words in place of readings that name a fault or nothing, never an event.
FAULT_WORDS = re.compile(
    r"^[\s\-–—*#?!<>./+_]*$|^(?:[<>+\-]\s*)?(?:ol|o\.l\.?|o/l|err\w*|error.*|fault\w*|fail\w*|over\w*"
    r"|under\w*|open|opn|short|shrt|nc|n/c|n\.c\.|no ?sensor|no ?probe|no ?signal|lost|disc\w*"
    r"|bad|invalid|inf|-?inf(?:inity)?|ovr\w*|range|burnout|b\.?out|uuuu|oooo|hhhh?|llll?"
    r"|fehler\w*|erreur|nan|na|n/a|null|none|nil|missing|#n/a|#num!|#value!|#div/0!|1\.#\w+)$",
    re.IGNORECASE,
)
_NOTHING_WORDS = re.compile(r"^(?:nan|na|n/a|null|none|nil|#n/a)$", re.IGNORECASE)
# A column with fewer numbers than this, or this share of its rows, holds no readings.
_FEWEST = 5
# Seconds since 1970 of every date from 1990 on are larger than this.
_EPOCH = 6e8
# No unit of a temperature behind its number is longer, spaces included.
_LONGEST_UNIT = 16
# So many readings of a long record, evenly over it, tell its unit.
_ENOUGH = 50_000
MOST_STATES = 8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Channel:
    """One column of readings.

    Parameters
    ----------
    column : Column
        The column.
    name : str
        Heading made unique in its table.
    typed, temp_c : float array, shape (rows,)
        As typed, and in degrees Celsius; NaN where there is no number.
    unit : Unit
        Unit of the readings.
    because : str
        Where the unit is from, empty where the heading names it.
    named : bool
        Whether a heading or a unit says that it is a temperature.
    role : {"water", "sink", "room"}
        What the probe was in.
    question : str
        What is open about it.
    """

    column: Column
    name: str
    typed: Floats
    temp_c: Floats
    unit: Unit
    because: str = ""
    named: bool = True
    role: Role = "water"
    question: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sorted:
    """The columns of a table by what they hold.

    Parameters
    ----------
    clocks : tuple of Clock
        In file order.
    channels : tuple of Channel
        In file order.
    others : tuple of Column
        Text beside the readings: events, states, remarks.
    """

    clocks: tuple[Clock, ...]
    channels: tuple[Channel, ...]
    others: tuple[Column, ...]


def numbers_of(column: Column, dialect: Dialect) -> Floats:
    """Give the numbers of a column; NaN where a cell holds none."""
    if column.numbers is not None:
        stored = column.numbers
        if not np.isnan(stored).any() or (column.dates is not None and column.dates.any()):
            return stored
        values = parse_numbers(column.text, dialect)[0]
        return np.where(np.isnan(stored), values, stored)
    values = parse_numbers(column.text, dialect)[0]
    if np.isfinite(values).any() or not hold_degrees(column.text):
        return values
    return parse_numbers(without_degrees(column.text), dialect)[0]


def _unit_in_cells(column: Column) -> Unit | None:
    """Find the unit that stands behind every number of a column."""
    cells = [c.strip() for c in column.text.slice(0, 60).to_pylist() if c]
    # Only the end of a cell can be its unit; a long run of spaces would take forever.
    found = [re.search(DEGREES, c[-_LONGEST_UNIT:]) for c in cells]
    spelled = {m[0].strip() for m in found if m}
    if len(spelled) != 1 or sum(m is not None for m in found) < 0.8 * len(cells):
        return None
    return find_unit(spelled.pop(), dimension="temperature")


def sort_columns(table: RawTable, dialect: Dialect, answers: Answers) -> Sorted:
    """Tell clocks, readings and text of a table apart.

    Parameters
    ----------
    table : RawTable
        A temperature trace.
    dialect : Dialect
        How numbers look.
    answers : Answers
        Units that were answered.

    Returns
    -------
    Sorted
    """
    clocks: list[Clock] = []
    channels: list[Channel] = []
    others: list[Column] = []
    headless = not any(c.heading for c in table.columns)
    for column in table.columns:
        if column.text.null_count == len(column.text):
            continue
        clock = _clock_of(column, dialect, answers, headless=headless and not clocks)
        if clock is not None:
            clocks.append(clock)
            continue
        channel = _channel_of(column, table, dialect, answers)
        if channel is not None:
            channels.append(channel)
        elif _is_text(column, dialect) or _names_probes(column):
            others.append(column)
    if any(c.named for c in channels):
        channels = [c for c in channels if c.named or c.column.heading == ""]
    for column in table.columns:
        if isinstance(column.text, LongText):
            column.text.forget()
    give_back()
    names = [c.name for c in channels]
    unique = tuple(
        c if names.count(c.name) == 1 else _renamed(c, f"{c.name} (column {c.column.position})")
        for c in channels
    )
    return Sorted(clocks=tuple(clocks), channels=unique, others=tuple(others))


def _is_text(column: Column, dialect: Dialect) -> bool:
    """Tell a column of words from one of another quantity."""
    filled = len(column.text) - column.text.null_count
    return bool(np.isfinite(numbers_of(column, dialect)).sum() < 0.5 * filled)


def _names_probes(column: Column) -> bool:
    return bool(_PROBE_WORDS.search(_split_words(column.heading)))


def _renamed(channel: Channel, name: str) -> Channel:
    return Channel(
        column=channel.column,
        name=name,
        typed=channel.typed,
        temp_c=channel.temp_c,
        unit=channel.unit,
        because=channel.because,
        named=channel.named,
        role=channel.role,
        question=channel.question,
    )


def answered_unit(answers: Mapping[str, str], heading: str, whole: str) -> str:
    """Give the unit that was answered for a heading, or for all times or temperatures."""
    for name, unit in answers.items():
        if name.strip().casefold() == heading.strip().casefold():
            return unit
    return answers.get(whole, "")


def _clock_of(
    column: Column, dialect: Dialect, answers: Answers, *, headless: bool
) -> Clock | None:
    """Read a column as a clock where it is one."""
    named = bool(_CLOCK_WORDS.search(_split_words(column.heading)))
    sample = [c for c in column.text.slice(0, 60).to_pylist() if c and c.strip()]
    timed = [c for c in sample if re.search(r"\d:\d\d|\d{1,4}[-/.年]\d{1,2}[-/.月]\d{1,4}", c)]
    looks = len(timed) > 0.5 * len(sample)
    dated = column.dates is not None and column.dates.mean() > 0.5
    unit = unit_of(column, "temperature") if column.heading or column.unit else None
    time_unit = unit_of(column, "time")
    if unit is not None and not looks and not dated and not (named and time_unit is not None):
        return None
    counts = unit is None and _counts_from_1970(column, dialect)
    if not (
        named or looks or dated or headless or counts or (time_unit is not None and unit is None)
    ):
        return None
    clock = read_clock_column(
        column, dialect, unit=answered_unit(answers.units, column.heading, "time")
    )
    if clock is None:
        return None
    if looks or dated or named or counts:
        sure = looks or dated or clock.kind == "stamp"
        return clock if sure or _goes_forward(clock) else None
    if headless and clock.kind in ("stamp", "number"):
        even = clock.kind == "stamp" or (_goes_forward(clock) and _even(some_steps(clock.seconds)))
        return clock if even else None
    spoken = headless and clock.kind == "elapsed"
    return clock if (time_unit is not None or spoken) and _goes_forward(clock) else None


def _counts_from_1970(column: Column, dialect: Dialect) -> bool:
    """Tell a column of whole numbers so large that they can only be seconds since 1970."""
    some = replace(column, text=column.text.slice(0, 200), numbers=None, dates=None)
    if column.numbers is not None:
        some = replace(some, numbers=column.numbers[:200])
    values = finite_of(numbers_of(some, dialect))
    if values.size < _FEWEST:
        return False
    whole_and_large = np.all((values % 1 == 0) & (values > _EPOCH))
    return bool(whole_and_large and np.all(np.diff(values) >= 0) and values[-1] > values[0])


def _split_words(heading: str) -> str:
    apart = re.sub(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Za-z])(?=\d)", " ", heading)
    return re.sub(r"_(?=[A-Za-z]{3,})", " ", apart)


def _goes_forward(clock: Clock) -> bool:
    steps = some_steps(clock.seconds)
    return bool(steps.size and np.mean(steps >= 0) >= 0.9 and np.any(steps > 0))


def _even(steps: Floats) -> bool:
    usual = np.median(steps) if steps.size else 0.0
    return bool(usual > 0 and np.mean(np.isclose(steps, usual, rtol=0.01)) >= 0.9)


def _channel_of(
    column: Column, table: RawTable, dialect: Dialect, answers: Answers
) -> Channel | None:
    """Read a column as a temperature where it is one."""
    values = numbers_of(column, dialect)
    known = finite_of(values)
    if known.size < _FEWEST:
        return None
    words = f"{column.group} {column.heading} {column.unit}"
    answered = answered_unit(answers.units, column.heading, "temperature")
    unit = find_unit(answered, dimension="temperature") if answered else None
    because = "as answered" if unit is not None else ""
    if unit is None:
        unit = unit_of(column, "temperature") or _unit_in_cells(column)
    if unit is None:
        other = _measures_otherwise(column)
        if other or (_NOT_TEMPERATURE.search(words) and not re.search("temp", words, re.I)):
            return None
        named = bool(_TEMPERATURE_WORDS.search(_split_words(words)))
        constant = np.unique(known[:: max(known.size // 5000, 1)]).size < 3
        if constant or (not named and _even(some_steps(known))):
            return None
        unit, because, question = _unit_above(table, column, known)
    else:
        named, question = True, ""
        if re.search(r"dew|taupunkt|humid", words, re.IGNORECASE):
            return None
        if np.unique(known[:: max(known.size // 5000, 1)]).size < 2:
            return None
    temps = unit.convert(values)
    name = re.sub(r"\s+", " ", f"{column.group} {column.heading}".strip())
    return Channel(
        column=column,
        name=name or f"column {column.position}",
        typed=values,
        temp_c=temps,
        unit=unit,
        because=because,
        named=named,
        role=_role_of(words, temps),
        question=question,
    )


def _measures_otherwise(column: Column) -> bool:
    """Tell that a unit of another quantity stands in the heading or under it."""
    texts = [column.unit, *(inside for _, inside in split_units(column.heading)[:1])]
    for text in texts:
        found = dimensions_of(text) if text.strip() else ()
        if found and "temperature" not in found:
            return True
    return False


_CELSIUS = find_unit("°C", dimension="temperature")
_KELVIN = find_unit("K", dimension="temperature")


def _unit_above(table: RawTable, column: Column, known: Floats) -> tuple[Unit, str, str]:
    """Decide the unit of readings that name none: what stands above the table, or the values."""
    assert _CELSIUS is not None and _KELVIN is not None
    for key, value in table.preamble.items():
        if re.search(r"unit|einheit|unité|readings? in|temp|scale", key, re.IGNORECASE):
            for text in (value, *value.split()):
                unit = find_unit(text, dimension="temperature")
                if unit is not None and not text.isdigit():
                    return unit, f"“{key}: {value}” above the table", ""
    some = known[:: max(known.size // _ENOUGH, 1)]
    middle = some[(some > -120) & (some < 500)]
    if middle.size and np.quantile(middle, 0.02) > 200 and np.quantile(middle, 0.98) < 400:
        return _KELVIN, "no reading below 200, so it is kelvin", ""
    question = ""
    if middle.size >= 20 and middle.min() > -20:
        # Water rests at 32 on the one scale and at 0 on the other.
        about = np.mean(np.abs(middle - 32) < 1.5)
        if about > 0.15 and np.mean(np.abs(middle) < 1.5) < 0.02 and middle.min() < 31:
            name = column.heading or f"column {column.position}"
            question = (
                f"Which unit does “{name}” have? The readings rest near 32, as water that freezes "
                "does in °F"
            )
    return _CELSIUS, "no unit is named; °C is taken", question


def _role_of(words: str, temps: Floats) -> Role:
    """Tell what a probe was in."""
    if _ROOM_WORDS.search(words) and not _SINK_WORDS.search(words):
        return "room"
    if _SINK_WORDS.search(words) and not re.search(r"water|wasser|cup|beaker", words, re.I):
        return "sink"
    thinned = temps[:: max(temps.size // 20_000, 1)]
    known = thinned[np.isfinite(thinned) & (np.abs(thinned) < 120)]
    if known.size >= 20:
        high = float(np.quantile(known[: max(known.size // 20, 5)], 0.5))
        # A freezer is below 0 °C from the first reading on and stays there.
        if high < -2 and float(np.quantile(known, 0.9)) < 0:
            return "sink"
    return "water"


def cells_as_words(
    column: Column, values: Floats
) -> tuple[list[tuple[int, str]], list[tuple[int, str]], int]:
    """List the cells of a channel that hold words: faults, other words, and mere blanks.

    Parameters
    ----------
    column : Column
        The channel.
    values : float array, shape (rows,)
        Its numbers.

    Returns
    -------
    faults, events : list of (int, str)
        Record and word: those that name a fault or nothing, and all others.
    blanks : int
        Number of empty cells.
    """
    without = np.flatnonzero(np.isnan(values))
    faults: list[tuple[int, str]] = []
    events: list[tuple[int, str]] = []
    blanks = 0
    if not without.size:
        return faults, events, blanks
    cells = column.text.take(pa.array(without)).to_pylist()
    for at, cell in zip(without.tolist(), cells, strict=True):
        word = (cell or "").strip()
        if not word:
            blanks += 1
        elif FAULT_WORDS.match(word):
            faults.append((at, word))
        else:
            events.append((at, word))
    return faults, events, blanks


_PROBE_WORDS = re.compile(
    r"probe|sensor|chan|\bch\b|kanal|fühler|sonde|thermo|name|device|position|location|vessel|\bcup"
    r"|point|label|\btag\b|\bid\b|entity|topic",
    re.IGNORECASE,
)
MOST_PROBES = 32
_FEWEST_OF_PROBE = 5


def probe_column(columns: Sequence[Column]) -> Column | None:
    """Find a column that names the probe of each row, where probes have rows of their own.

    Parameters
    ----------
    columns : sequence of Column
        Text beside the readings.

    Returns
    -------
    Column or None
    """
    for column in columns:
        if column.text.null_count > 0.02 * len(column.text):
            continue
        found = words_of(column.text, MOST_PROBES)
        if found is None:
            continue
        counts = sorted(np.bincount(found[1]).tolist())
        if not 2 <= len(counts) <= MOST_PROBES or counts[0] < _FEWEST_OF_PROBE:
            continue
        named = _names_probes(column)
        states = bool(re.search(r"stat|alarm|flag|mode|qual", column.heading, re.IGNORECASE))
        if (named and not states) or (not states and counts[0] >= 0.8 * counts[-1]):
            return column
    return None


def is_state_column(column: Column) -> bool:
    """Tell a column of state letters, one beside nearly every reading."""
    filled = len(column.text) - column.text.null_count
    if filled < 0.9 * len(column.text):
        return False
    found = words_of(column.text, MOST_STATES)
    return found is not None and all(len((word or "").strip()) <= 16 for word in found[0])


def power_up_words(column: Column, state: str) -> bool:
    """Tell whether a state says that the logger had just been switched on."""
    plain = re.sub(r"[\s_-]+", " ", state.strip()).casefold()
    if plain in ("power up", "powerup", "pu", "boot", "reset", "power on", "start up", "pwr"):
        return True
    # A letter alone says it only where it stands in the very first rows and nowhere else.
    if plain != "p":
        return False
    cells = [(c or "").strip().casefold() for c in column.text.slice(0, 200).to_pylist()]
    hits = [k for k, c in enumerate(cells) if c == "p"]
    found = words_of(column.text, MOST_STATES)
    assert found is not None
    alike = [code for code, word in enumerate(found[0]) if (word or "").strip().casefold() == "p"]
    total = int(np.isin(found[1], alike).sum())
    return (
        bool(hits)
        and hits == list(range(len(hits)))
        and total == len(hits) < 0.1 * len(column.text)
    )


def differing_resolution(channels: Sequence[Channel]) -> list[tuple[Channel, Channel]]:
    """Find pairs of channels that are one quantity at two resolutions, the finer first."""
    pairs = []
    for k, one in enumerate(channels):
        for other in channels[k + 1 :]:
            both = np.isfinite(one.temp_c) & np.isfinite(other.temp_c)
            if both.sum() < 20:
                continue
            a, b = one.temp_c[both][:5000], other.temp_c[both][:5000]
            if float(np.max(np.abs(a - b))) > 0.6 or np.array_equal(a, b):
                continue
            counts = np.unique(a).size, np.unique(b).size
            if max(counts) < 1.5 * min(counts) or float(np.ptp(a)) < 5:
                continue
            pairs.append((one, other) if counts[0] > counts[1] else (other, one))
    return pairs
