"""One clock column as seconds: stamps, times of day, elapsed times, epoch seconds, serials."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.register.files.alike import Shape, Stamps, shapes_of, stamps_of
from metafreeze.register.files.dates import are_compact, decide_day_order, parse_dates
from metafreeze.register.files.long_text import LongText, Text, over_pieces, whole
from metafreeze.register.files.numbers import parse_numbers
from metafreeze.register.files.plain_cells import stamp_seconds
from metafreeze.register.files.sheets import Column, Dialect
from metafreeze.register.files.traces import BESIDE_STAMP, without_beside
from metafreeze.register.meaning.headings import split_units
from metafreeze.register.meaning.units import Unit, find_unit
from metafreeze.register.traces.segments import falls_over, finite_of

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

ClockKind = Literal["stamp", "date", "time of day", "elapsed", "fields", "number"]

DAY_S = 86400.0
DAY_US = 86_400_000_000
# Share of the cells that must be read for a column to be a clock.
_MOSTLY = 0.6
# From this many cells on stamps are taken by what they have in common.
_MANY = 2000
# So many values are worked on in one go, and so many cells are read both ways to compare.
_PIECE, _COMPARED = 1 << 16, 200
# No time is longer, spaces about it included.
_LONGEST = 200
# Seconds, milliseconds, microseconds and nanoseconds since 1970 of dates from 1990 on.
_EPOCHS = ((6e8, 1.0, "seconds"), (6e11, 1e3, "milliseconds"), (6e14, 1e6, "microseconds"))
# They end with those of 2150.
_EPOCH_SPAN = 9.5
# Day numbers of spreadsheets from 1990 to 2079; the calendar counts from the end of 1899.
_SERIALS = (32874.0, 65746.0)
_SERIAL_ZERO_S = -2209161600.0

_AM = r"am|a\.m\.|a|上午|早上|凌晨|午前|오전"
_PM = r"pm|p\.m\.|p|下午|晚上|午後|오후"
_OF_DAY = re.compile(
    r"^(?:(?P<days>[0-9]{1,4})(?:\s*(?:d|day|days|,)[,\s]*|\.|\s+))?"
    rf"(?P<before>{_AM}|{_PM})?\s*"
    r"(?P<a>[0-9]{1,4}):(?P<b>[0-9]{2})(?::(?P<c>[0-9]{2})(?:[.,:](?P<f>[0-9]{1,9}))?)?"
    r"(?P<short>[.,][0-9]{1,3})?"
    rf"\s*(?P<after>{_AM}|{_PM})?\s*(?:(?P<zulu>Z|UTC|GMT)|(?P<off>[+-][0-9]{{2}}:?[0-9]{{2}}))?$",
    re.IGNORECASE,
)
_SPOKEN = re.compile(
    r"^(?:(?P<h>[0-9]+)\s*h(?:\w*)?)?\s*(?:(?P<m>[0-9]+)\s*m(?:in)?\w*)?\s*"
    r"(?:(?P<s>[0-9]+(?:[.,][0-9]+)?)\s*s\w*)?$",
    re.IGNORECASE,
)
_ZONE_NAME = re.compile(r"\s(?:[A-Z]{2,4}T|WE[TS]Z?|ME[SZ]{1,2})$")
_HALF_IN_STAMP = r"\d\s*[ap]\.?m|上午|早上|凌晨|午前|오전|下午|晚上|午後|오후"
_OFFSET = r"([+-])([0-9]{2}):([0-9]{2})$"
_ZONE_WORDS = re.compile(
    r"(?:UTC|GMT)\s*([+\-\u2212])\s*([0-9]{1,2})(?::?([0-9]{2}))?|\b(UTC|GMT|Z)\b", re.IGNORECASE
)
_ELAPSED_WORDS = re.compile(
    r"elapsed|duration|since|relative|dauer|laufzeit|verstrichen|écoulé|durée|transcurrido|经过",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Clock:
    """A clock column in seconds.

    Parameters
    ----------
    column : Column
        Where it stands.
    kind : str
        A stamp with a date, a date alone, a time of day, an elapsed time, colon-separated
        times of two fields, or a bare number.
    seconds : float array, shape (rows,)
        NaN where a cell cannot be read. Stamps count from 1970 in UTC where they carry an
        offset, else in their own time.
    how : str
        How it was read.
    zone : str
        As the cells or the heading say; empty if they do not.
    offsets : tuple of str
        Offsets from UTC that occur.
    twelve : bool
        True where the cells carry halves of the day.
    exact_s : float
        Smallest difference the cells can show; 60 where they show no seconds.
    order_open : bool
        True where day and month of its dates may be the other way round.
    open : str
        What nothing decides, as a question; empty if nothing is open.
    """

    column: Column
    kind: ClockKind
    seconds: Floats
    how: str
    zone: str = ""
    offsets: tuple[str, ...] = ()
    twelve: bool = False
    exact_s: float = 0.0
    order_open: bool = False
    open: str = ""


def read_clock_column(column: Column, dialect: Dialect, *, unit: str = "") -> Clock | None:
    """Read a column as a clock.

    Parameters
    ----------
    column : Column
        Verbatim cells.
    dialect : Dialect
        How numbers look.
    unit : str
        Unit as a person has answered it; empty if nobody has.

    Returns
    -------
    Clock or None
        None where most cells are no times.
    """
    text = column.text
    filled = len(text) - text.null_count
    if not filled:
        return None
    if column.dates is not None and column.dates.mean() > _MOSTLY:
        return _stamps(column, text, filled)
    if column.numbers is not None and np.isfinite(column.numbers).sum() > _MOSTLY * filled:
        return _numbers(column, column.numbers, unit)
    sample = [c for c in text.slice(0, 200).to_pylist() if c and c.strip()]
    if are_compact(sample):
        return _stamps(column, text, filled)
    colons = sum(":" in c for c in sample)
    if colons > 0.5 * len(sample):
        of_day = _times_of_day(column, unit) if _are_bare_times(sample) else None
        return of_day or _stamps(column, text, filled)
    if all(map(_PLAIN_NUMBER.match, sample)) and not all(map(_DAY_NUMBER.match, sample)):
        # Decimals begin as some dates do; a column of nothing else is read as numbers first.
        values, _ = parse_numbers(text, dialect)
        if np.isfinite(values).sum() == filled:
            return _numbers(column, values, unit)
    dated = _dates_alone(column, text, sample)
    if dated is not None:
        return dated
    values, _ = parse_numbers(text, dialect)
    if np.isfinite(values).sum() >= _MOSTLY * filled:
        return _numbers(column, values, unit)
    return _spoken(column) or _stamps(column, text, filled)


# Dates without any mark have eight digits, and the day numbers of spreadsheets five.
_PLAIN_NUMBER = re.compile(r"\s*[+-]?(?:[0-9]{1,7}|[0-9]+[.,][0-9]+)\s*\Z")
_DAY_NUMBER = re.compile(r"\s*[2-7][0-9]{4}(?:\.0+)?\s*\Z")


def unit_of(column: Column, dimension: Literal["time", "temperature"]) -> Unit | None:
    """Find the unit that a heading, its units row or its group names.

    Parameters
    ----------
    column : Column
        The column.
    dimension : {"time", "temperature"}
        What it measures.

    Returns
    -------
    Unit or None
    """
    for text in (column.unit, column.heading, column.group):
        if not text.strip():
            continue
        whole = find_unit(text, dimension=dimension)
        if whole is not None:
            return whole
        for _, inside in split_units(text):
            found = find_unit(inside, dimension=dimension)
            if found is not None:
                return found
        # A unit with more words about it, as in "Temp, °C (S/N: 0000, outside)".
        for word in re.findall(r"[°℃℉*º]\s*[CFK]?\b|\bdeg\.?\s*[CFK]\b", text):
            found = find_unit(word, dimension=dimension)
            if found is not None:
                return found
    return None


def zone_in(text: str) -> str:
    """Give the offset from UTC that a text names, such as ``UTC+01:00``; empty if none."""
    match = _ZONE_WORDS.search(text)
    if match is None:
        return ""
    if match[4]:
        return "UTC"
    sign = "+" if match[1] == "+" else "-"
    return f"UTC{sign}{int(match[2]):02d}:{int(match[3] or 0):02d}"


def _are_bare_times(sample: list[str]) -> bool:
    matched = [m for m in (_OF_DAY.match(c.strip()[:_LONGEST]) for c in sample) if m]
    return len(matched) > 0.5 * len(sample)


def _stamps(column: Column, cells: Text, filled: int) -> Clock | None:
    """Read cells with a date and a time of day."""
    order: str = column.day_order
    order_open = False
    sample = [c for c in cells.slice(0, 100).to_pylist() if c]
    zones = sorted({m[0].strip() for c in sample if (m := _ZONE_NAME.search(c.strip()))})
    beside = any(without_beside(c.strip()) != c.strip() for c in sample)
    if beside:
        order = order or decide_day_order(_without_beside(cells)).order
    plain = None if beside else _plain_stamps(cells)
    if plain is not None:
        seconds, exact = plain
        offsets: tuple[str, ...] = ()
    else:
        read = _Reading(
            cells=cells, beside=beside, alike=stamps_of(cells) if len(cells) >= _MANY else None
        )
        if order == "undecidable":
            order, order_open = _order_by_steps(read)
        seconds, offsets, exact = _parsed_stamps(read, order, last=True)
    if np.isfinite(seconds).sum() < _MOSTLY * filled:
        return None
    named = sorted(set(offsets))
    zone = zone_in(column.heading) or (f"UTC{named[0]}" if len(named) == 1 else "")
    zone = zone or " and ".join(zones)
    how = f"date and time in {_name(column)}"
    if order_open:
        how += ", of which day and month may be the other way round; seconds do not depend on it"
    elif order in ("day-first", "month-first"):
        how += f", {order.replace('-', ' ')}"
        how += (
            ", since the days then follow each other" if column.day_order == "undecidable" else ""
        )
    if len(named) > 1:
        how += f", brought to UTC from the offsets {' and '.join(named)}"
    halves = bool(
        pc.any(pc.match_substring_regex(cells.slice(0, 100), f"(?i){_HALF_IN_STAMP}")).as_py()
    )
    how += ", 12 hours with markers" if halves else ""
    return Clock(
        column=column,
        kind="stamp",
        seconds=seconds,
        how=how,
        zone=zone,
        offsets=tuple(named),
        twelve=halves,
        exact_s=exact,
        order_open=order_open,
    )


def _plain_stamps(cells: Text) -> tuple[Floats, float] | None:
    """Read ISO 8601 without offsets at once; None where any cell is otherwise."""
    head = next((c for c in cells.slice(0, 20).to_pylist() if c), "")
    if not re.match(r"\d{4}-\d{2}-\d{2}[ T]\d{2}:\d{2}", head):
        return None
    if any(stamp_seconds(chunk) is None for chunk in whole(cells.slice(0, _COMPARED)).chunks):
        return None
    seconds = cells.stamps() if isinstance(cells, LongText) else None
    if seconds is None:
        # Where some cell is no such stamp, the slower reader takes them one form at a time.
        pieces = list(over_pieces(cells, stamp_seconds))
        known = [piece for piece in pieces if piece is not None]
        if len(known) < len(pieces):
            return None
        seconds = np.concatenate(known)
    exact = 60.0 if len(head) <= 16 else (1.0 if "." not in head else 0.0)
    return seconds, exact


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Reading:
    """Stamps to be read: with a day or a zone beside them, and by what they have in common."""

    cells: Text
    beside: bool
    alike: Stamps | None


def _without_beside(cells: Text) -> pa.ChunkedArray:
    """Take the day of the week and the name of a zone off stamps."""
    return pc.replace_substring_regex(pc.utf8_trim_whitespace(whole(cells)), BESIDE_STAMP, "")


def _order_by_steps(read: _Reading) -> tuple[str, bool]:
    """Choose the order of day and month under which the record has no holes of weeks."""
    spans = {}
    for order in ("month-first", "day-first"):
        seconds, _, _ = _parsed_stamps(read, order)
        known = finite_of(seconds)
        spans[order] = float(np.max(np.abs(np.diff(known)), initial=0.0))
    if spans["month-first"] == spans["day-first"]:
        return "month-first", True
    return min(spans, key=lambda order: spans[order]), False


def _parsed_stamps(
    read: _Reading, order: str, *, last: bool = False
) -> tuple[Floats, tuple[str, ...], float]:
    """Read stamps of any form as seconds, with their offsets and the least they can show."""
    found = None if read.alike is None else _by_days(read, read.alike, order, last=last)
    if found is None:
        local, shift, shown = _parse_each(read.cells, order, beside=read.beside)
        found = (local - shift) / 1e6, shown
    first = [c for c in read.cells.slice(0, 50).to_pylist() if c]
    shows_seconds = any(re.search(r"\d:\d{2}:\d{2}", c) for c in first)
    shows_parts = any(re.search(r"\d:\d{2}:\d{2}[.,]\d", c) for c in first)
    return *found, 0.0 if shows_parts else (1.0 if shows_seconds else 60.0)


def _parse_each(cells: Text, order: str, *, beside: bool) -> tuple[Floats, Floats, tuple[str, ...]]:
    """Read stamps by way of ISO 8601: microseconds in their own time, offsets, these spelled."""
    iso, _ = parse_dates(_without_beside(cells) if beside else cells, order)
    matched = pc.extract_regex(iso, "(?P<sign>[+-])(?P<h>[0-9]{2}):(?P<m>[0-9]{2})$")
    bare = pc.replace_substring_regex(iso, _OFFSET, "")
    # A cell with the date alone, as some programs write midnight.
    date_only = pc.equal(pc.utf8_length(bare), 10)
    timed = pc.if_else(date_only, pc.binary_join_element_wise(bare, "T00:00:00", ""), bare)
    stamps = pc.cast(pc.utf8_slice_codeunits(timed, 0, 26), pa.timestamp("us"))
    # Microseconds of any year with four digits are whole numbers of a double.
    local = pc.cast(pc.cast(stamps, pa.int64()), pa.float64(), safe=False)
    shift = np.zeros(len(iso))
    shown: tuple[str, ...] = ()
    if matched.null_count < len(matched):
        sign, hours, minutes = (pc.struct_field(matched, name) for name in ("sign", "h", "m"))
        seconds = pc.add(
            pc.multiply(pc.cast(hours, pa.float64()), 3600.0),
            pc.multiply(pc.cast(minutes, pa.float64()), 60.0),
        )
        signed = pc.fill_null(pc.if_else(pc.equal(sign, "-"), pc.negate(seconds), seconds), 0.0)
        shift = signed.to_numpy(zero_copy_only=False) * 1e6
        joined = pc.binary_join_element_wise(sign, hours, ":", minutes, "")
        shown = tuple(o for o in pc.unique(joined).to_pylist() if o)
    return local.to_numpy(zero_copy_only=False), shift, shown


def _by_days(
    read: _Reading, alike: Stamps, order: str, *, last: bool
) -> tuple[Floats, tuple[str, ...]] | None:
    """Read one stamp for each day and carry it to the others; None where that does not fit.

    At the last time the result takes the place of the times of day: a long column has one array.
    """

    def parse(rows: Ints) -> tuple[Floats, Floats, tuple[str, ...]]:
        return _parse_each(read.cells.take(pa.array(rows)), order, beside=read.beside)

    local, shift, shown = parse(alike.first)
    days = local - alike.of_day_us[alike.first]
    if np.any(days[np.isfinite(days)] % DAY_US):
        return None
    # One more, for the rows that have no key.
    days = np.append(days - shift, np.nan)
    seconds = np.empty(alike.key.size)
    if last:
        seconds = alike.of_day_us.view(np.float64)
        if isinstance(read.cells, LongText):
            read.cells.kept = None
    for low in range(0, seconds.size, _PIECE):
        part = slice(low, low + _PIECE)
        seconds[part] = (days[alike.key[part]] + alike.of_day_us[part]) / 1e6
    if alike.odd.size:
        local, shift, others = parse(alike.odd)
        seconds[alike.odd] = (local - shift) / 1e6
        shown = tuple(dict.fromkeys((*shown, *others)))
    some = np.unique(np.linspace(0, seconds.size - 1, _COMPARED).astype(np.int64))
    local, shift, _ = parse(some)
    fits = np.array_equal(seconds[some], (local - shift) / 1e6, equal_nan=True)
    return (seconds, shown) if fits else None


def _dates_alone(column: Column, cells: Text, sample: list[str]) -> Clock | None:
    """Read a column of dates without a time of day, to be joined with one of times."""
    if not any(re.search(r"[-/.年]", c) for c in sample[:5]):
        return None
    order = column.day_order if column.day_order != "undecidable" else "month-first"
    plain = isinstance(cells, LongText) and cells.holds_stamps
    alike = stamps_of(cells) if len(cells) >= _MANY and not plain else None
    seconds = cells.stamps() if plain else None
    if seconds is not None:
        # Dates with a time of day count by their midnight here.
        for low in range(0, seconds.size, _PIECE):
            seconds[low : low + _PIECE] -= seconds[low : low + _PIECE] % DAY_S
    elif alike is not None and not alike.odd.size and not alike.of_day_us.any():
        seconds = np.append(_days(cells.take(pa.array(alike.first)), order), np.nan)[alike.key]
    else:
        seconds = _days(cells, order)
    if np.isfinite(seconds).sum() < _MOSTLY * max(len(cells) - cells.null_count, 1):
        return None
    return Clock(column=column, kind="date", seconds=seconds, how=f"dates in {_name(column)}")


def _days(cells: Text, order: str) -> Floats:
    """Read dates, with or without a time of day, as seconds at their midnight."""
    iso, _ = parse_dates(cells, order)
    days = pc.cast(pc.cast(pc.utf8_slice_codeunits(iso, 0, 10), pa.date32()), pa.int32())
    seconds: Floats = days.to_numpy(zero_copy_only=False).astype(np.float64) * DAY_S
    return seconds


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Fields:
    """Cells of colon-separated times by what stands in them.

    Parameters
    ----------
    spelled : list of (re.Match, int)
        A match of each shape that is a time, with its digits made 0, and how many have it.
    offsets : set of str
        Offsets from UTC that occur.
    days, a, b : int array, shape (n,)
        Days and the first two fields, the hours of 12 brought to 24.
    c : float array, shape (n,)
        The third field or the decimals; NaN where the cell is no time.
    """

    spelled: list[tuple[re.Match[str], int]]
    offsets: set[str]
    days: npt.NDArray[np.int16]
    a: npt.NDArray[np.int32]
    b: npt.NDArray[np.int8]
    c: Floats

    def seconds(self, *factors: float) -> Floats:
        """Give the sum of the fields, each times its factor, in pieces to spare memory."""
        total = np.zeros(self.c.size)
        for low in range(0, total.size, _PIECE):
            part = slice(low, low + _PIECE)
            total[part] += self.days[part] * factors[0]
            total[part] += self.a[part] * factors[1]
            total[part] += self.b[part] * factors[2]
            total[part] += self.c[part] * factors[3]
        return total


def _fields_of(text: Text) -> _Fields:
    """Take the fields out of all cells, shape by shape."""
    n = len(text)
    days, a, b = np.zeros(n, np.int16), np.zeros(n, np.int32), np.zeros(n, np.int8)
    c = np.full(n, np.nan)
    spelled: list[tuple[re.Match[str], int]] = []
    offsets: set[str] = set()
    begin = 0
    for size, found in over_pieces(text, _timed_shapes):
        for match, rows, fields, zones in found:
            spelled.append((match, rows.size))
            offsets |= zones
            at = rows + begin
            days[at], a[at], b[at], c[at] = fields
        begin += size
    return _Fields(spelled=spelled, offsets=offsets, days=days, a=a, b=b, c=c)


def _timed_shapes(
    cells: pa.StringArray,
) -> tuple[int, list[tuple[re.Match[str], Ints, tuple[Ints, Ints, Ints, Floats], set[str]]]]:
    """Read the cells of one piece that are times."""
    found = []
    for shape in shapes_of(cells):
        if len(shape.cell) > _LONGEST:
            continue
        lead = len(shape.cell) - len(shape.cell.lstrip())
        match = _OF_DAY.match(shape.cell.strip())
        if match:
            zones = _zones(shape, match, lead) if match["off"] else set()
            found.append((match, shape.rows, _fields(shape, match, lead), zones))
    return len(cells), found


def _fields(shape: Shape, match: re.Match[str], lead: int) -> tuple[Ints, Ints, Ints, Floats]:
    """Give days, hours, minutes and seconds of cells of one shape."""

    def field(name: str, skip: int = 0) -> Ints:
        if not match[name]:
            return np.zeros(shape.rows.size, dtype=np.int64)
        low, high = match.span(name)
        return shape.integer((low + lead + skip, high + lead))

    hour, minute, second = field("a"), field("b"), field("c").astype(np.float64)
    wrong = np.zeros(hour.size, dtype=np.bool_)
    half = match["before"] or match["after"]
    if half:
        wrong = hour > 12
        evening = re.fullmatch(_PM, half, re.IGNORECASE) is not None
        hour = hour % 12 + (12 if evening else 0)
    if match["f"]:
        second += field("f") / 10.0 ** len(match["f"])
    if match["short"]:
        second += field("short", 1) / 10.0 ** (len(match["short"]) - 1)
    wrong |= (minute > 59) | (second >= 60)
    second[wrong] = np.nan
    minute[wrong] = 0
    return field("days"), hour, minute, second


def _zones(shape: Shape, match: re.Match[str], lead: int) -> set[str]:
    low, high = (len(shape.cell[: place + lead].encode()) for place in match.span("off"))
    different = np.unique(shape.data[:, low:high], axis=0)
    return {row.tobytes().decode() for row in different}


def _times_of_day(column: Column, unit: str) -> Clock | None:
    """Read cells such as 09:01:00, 27:15:00, 63:30, 1.02:03:04 or 9:15 pm."""
    fields = _fields_of(column.text)
    matched = [match for match, _ in fields.spelled]
    if not matched:
        return None
    n_two = sum(count for match, count in fields.spelled if match["c"] is None)
    two = n_two > 0.5 * sum(count for _, count in fields.spelled)
    named = unit_of(column, "time")
    said = find_unit(unit, dimension="time") if unit else named
    heading = f"{column.heading} {column.unit}"
    if not two:
        return _colon_clock(column, fields.seconds(DAY_S, 3600.0, 60.0, 1.0), fields, heading)
    short = any(m["short"] for m in matched)
    minutes = fields.seconds(0.0, 60.0, 1.0, 1.0)
    hours = fields.seconds(DAY_S, 3600.0, 60.0, 60.0)
    halves = any(m["before"] or m["after"] for m in matched)
    if said is not None and said.clock == "min:s":
        return _two_fields(column, minutes, "minutes and seconds", "as its unit says")
    if halves or (said is not None and said.clock == "h:min"):
        return _colon_clock(column, hours, fields, heading, exact_s=60.0)
    if short:
        return _two_fields(column, minutes, "minutes and seconds", "seconds have decimals")
    first = fields.a[np.isfinite(fields.c)]
    largest = int(first.max(initial=0))
    if largest > 59:
        because = f"the first field goes on to {largest}, past 60:00"
        return _two_fields(column, minutes, "minutes and seconds", because)
    drops = int(np.diff(first).min(initial=0))
    if largest == 23 and drops <= -22:
        return _colon_clock(column, hours, fields, heading, exact_s=60.0)
    return Clock(
        column=column,
        kind="fields",
        seconds=minutes,
        how=f"{_name(column)} in two fields",
        exact_s=1.0,
    )


def _two_fields(column: Column, seconds: Floats, words: str, because: str) -> Clock:
    how = f"{words} in {_name(column)}: {because}"
    return Clock(column=column, kind="elapsed", seconds=seconds, how=how, exact_s=1.0)


def settle_two_fields(clock: Clock, range_k: float, *, expected_s: float = np.nan) -> Clock:
    """Decide whether two fields are hours and minutes or minutes and seconds.

    Parameters
    ----------
    clock : Clock
        Of the kind "fields", in minutes and seconds.
    range_k : float
        How far the temperature moves over the record.
    expected_s : float
        Time between readings as stated above the table; NaN if none is.

    Returns
    -------
    Clock
        With `open` set where nothing decides.
    """
    known = clock.seconds[np.isfinite(clock.seconds)]
    name = _name(clock.column)
    step = float(np.median(np.diff(known))) if known.size > 1 else np.nan
    span_min = float(known[-1] - known[0]) / 60 if known.size else 0.0
    as_hours = known.size > 0 and known[0] >= 60
    minutes_if_hours = span_min * 60

    def made(factor: float, words: str, because: str, kind: ClockKind, left: str = "") -> Clock:
        return Clock(
            column=clock.column,
            kind=kind,
            seconds=clock.seconds * factor,
            how=f"{words} in {name}: {because}",
            zone=clock.zone,
            exact_s=1.0 if factor == 1 else 60.0,
            open=left,
        )

    if np.isfinite(expected_s) and step > 0:
        for factor, words in ((1.0, "minutes and seconds"), (60.0, "hours and minutes")):
            if abs(step * factor - expected_s) <= 0.05 * expected_s:
                because = f"the stated time between readings is {expected_s:g} s"
                return made(factor, words, because, "elapsed" if factor == 1 else "time of day")
    # Common practice, no source: vessels in a freezer cool by a tenth to some ten kelvins a
    # minute; drops on a cold plate by more, and blocks of ice by less.
    rate_if_minutes = range_k / span_min if span_min > 0 else np.inf
    rate_if_hours = range_k / minutes_if_hours if minutes_if_hours > 0 else np.inf
    if as_hours and not _ELAPSED_WORDS.search(clock.column.heading) and rate_if_hours > 0.01:
        because = f"it begins at {_spell_minutes(known[0])}, a time of day"
        return made(60.0, "hours and minutes", because, "time of day")
    if rate_if_minutes > 12 and rate_if_hours >= 0.02:
        because = f"{range_k:.0f} K in {span_min:.1f} minutes would be too quick"
        return made(60.0, "hours and minutes", because, "time of day" if as_hours else "elapsed")
    if rate_if_hours < 0.03 and rate_if_minutes <= 12:
        because = f"{range_k:.0f} K in {minutes_if_hours / 60:.0f} hours would be too slow"
        return made(1.0, "minutes and seconds", because, "elapsed")
    question = (
        f"Are the two fields of {name} minutes and seconds, or hours and minutes? "
        "The spacing fits both"
    )
    return made(1.0, "minutes and seconds", "taken so until it is answered", "elapsed", question)


def _spell_minutes(seconds: float) -> str:
    return f"{int(seconds // 60)}:{int(seconds % 60):02d}"


def _colon_clock(
    column: Column,
    seconds: Floats,
    fields: _Fields,
    heading: str,
    *,
    exact_s: float = 1.0,
) -> Clock:
    """Tell an elapsed time from a time of day."""
    known = finite_of(seconds)
    matched = [match for match, _ in fields.spelled]
    days = any(m["days"] for m in matched)
    halves = any(m["before"] or m["after"] for m in matched)
    parts = any(m["f"] for m in matched)
    past_a_day = known.size > 0 and bool(known.max() >= DAY_S)
    from_zero = known.size > 0 and bool(known[0] < 60)
    elapsed = (
        days
        or past_a_day
        or (not halves and from_zero and known.max() > 0)
        or bool(_ELAPSED_WORDS.search(heading))
    )
    if not (days or past_a_day) and falls_over(known, DAY_S / 2):
        # It falls back at midnight, as no elapsed time does.
        elapsed = False
    kind: ClockKind = "elapsed" if elapsed else "time of day"
    how = f"{'elapsed time' if elapsed else 'time of day'} in {_name(column)}"
    how += ", 12 hours with markers" if halves else ""
    how += ", which goes on past 24 hours" if past_a_day and not days else ""
    one = fields.offsets if len(fields.offsets) == 1 else set()
    zone = zone_in(column.heading) or "".join(f"UTC{offset}" for offset in one)
    return Clock(
        column=column,
        kind=kind,
        seconds=seconds,
        how=how,
        zone=zone,
        twelve=halves,
        exact_s=0.0 if parts else exact_s,
    )


def _spoken(column: Column) -> Clock | None:
    """Read cells such as 1h 02m 03s or 12 min 30 s."""
    text = column.text
    seconds = np.concatenate(list(over_pieces(text, _spoken_seconds)))
    if np.isfinite(seconds).sum() < _MOSTLY * (len(text) - text.null_count):
        return None
    how = f"hours, minutes and seconds spelled out in {_name(column)}"
    return Clock(column=column, kind="elapsed", seconds=seconds, how=how)


def _spoken_seconds(cells: pa.StringArray) -> Floats:
    values = np.full(len(cells), np.nan)
    for shape in shapes_of(cells):
        if len(shape.cell) > _LONGEST:
            continue
        lead = len(shape.cell) - len(shape.cell.lstrip())
        found = _SPOKEN.match(shape.cell.strip())
        if found is None or not any(found.groups()):
            continue
        total = np.zeros(shape.rows.size)
        for name, factor in (("h", 3600.0), ("m", 60.0)):
            if found[name]:
                low, high = found.span(name)
                total += shape.decimal((low + lead, high + lead)) * factor
        if found["s"]:
            low, high = found.span("s")
            total += shape.decimal((low + lead, high + lead))
        values[shape.rows] = total
    return values


def _numbers(column: Column, values: Floats, unit: str) -> Clock:
    """Read bare numbers: epoch seconds, day numbers of a spreadsheet, or elapsed times."""
    known = finite_of(values)
    name = _name(column)
    middle = float(np.median(known[:: max(known.size // 10_000, 1)]))
    for least, divisor, words in reversed(_EPOCHS):
        if least <= middle < _EPOCH_SPAN * least:
            how = f"{words} since 1970 in {name}"
            return Clock(column=column, kind="stamp", seconds=values / divisor, how=how, zone="UTC")
    named = find_unit(unit, dimension="time") if unit else unit_of(column, "time")
    if (
        (named is None or named.name == "d")
        and _SERIALS[0] <= known.min()
        and known.max() <= _SERIALS[1]
    ):
        fraction = known % 1
        if np.any(fraction > 0):
            # Thousandths of a second are the most that a day number can tell.
            seconds = np.round(values * DAY_S, 3) + _SERIAL_ZERO_S
            how = f"day numbers of a spreadsheet in {name}"
            return Clock(column=column, kind="stamp", seconds=seconds, how=how)
    if named is not None and not named.clock:
        how = f"elapsed {_WORDS.get(named.name, named.name)} in {name}"
        return Clock(column=column, kind="elapsed", seconds=named.convert(values), how=how)
    if known.max() - known.min() < 10 and known.min() >= 0 and np.any(known % 1 > 0):
        steps = np.diff(known) * DAY_S
        usual = float(np.median(steps))
        if usual > 0.5 and abs(usual - round(usual)) < 0.01 and np.median(np.diff(known)) < 0.05:
            seconds = np.round(values * DAY_S, 3)
            how = f"fractions of a day in {name}: the readings are then {round(usual)} s apart"
            return Clock(column=column, kind="elapsed", seconds=seconds, how=how)
    return Clock(
        column=column,
        kind="number",
        seconds=values,
        how=f"numbers in {name}",
    )


_WORDS = {"s": "seconds", "min": "minutes", "h": "hours", "d": "days", "ms": "milliseconds"}


def settle_number(clock: Clock, *, expected_s: float = np.nan) -> Clock:
    """Decide the unit of a clock of bare numbers, or leave it as a question.

    Parameters
    ----------
    clock : Clock
        Of the kind "number".
    expected_s : float
        Time between readings as stated above the table; NaN if none is.

    Returns
    -------
    Clock
    """
    name = _name(clock.column)
    known = clock.seconds[np.isfinite(clock.seconds)]
    step = float(np.median(np.diff(known))) if known.size > 1 else np.nan
    if np.isfinite(expected_s) and step > 0:
        for factor, words in ((1.0, "seconds"), (60.0, "minutes"), (3600.0, "hours")):
            if abs(step * factor - expected_s) <= 0.05 * expected_s:
                how = (
                    f"elapsed {words} in {name}: the stated time between readings is "
                    f"{expected_s:g} s"
                )
                return _renewed(clock, clock.seconds * factor, how)
    return Clock(
        column=clock.column,
        kind="elapsed",
        seconds=clock.seconds,
        how=f"elapsed seconds in {name}, taken so until the unit is answered",
        open=f"What is the unit of the times in {name}?",
    )


def _renewed(clock: Clock, seconds: Floats, how: str) -> Clock:
    return Clock(column=clock.column, kind="elapsed", seconds=seconds, how=how, zone=clock.zone)


def _name(column: Column) -> str:
    return f"“{column.heading}”" if column.heading else f"column {column.position}"
