"""One clock column as seconds: stamps, times of day, elapsed times, epoch seconds, serials."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.register.files.dates import decide_day_order, parse_dates
from metafreeze.register.files.numbers import parse_numbers
from metafreeze.register.files.sheets import Column, Dialect
from metafreeze.register.files.traces import BESIDE_STAMP
from metafreeze.register.meaning.headings import split_units
from metafreeze.register.meaning.units import Unit, find_unit
from metafreeze.register.traces.segments import finite_of

Floats = npt.NDArray[np.float64]
Text: TypeAlias = "pa.ChunkedArray"

ClockKind = Literal["stamp", "date", "time of day", "elapsed", "fields", "number"]

DAY_S = 86400.0
# Share of the cells that must be read for a column to be a clock.
_MOSTLY = 0.6
# Seconds, milliseconds, microseconds and nanoseconds since 1970 of dates from 1990 on.
_EPOCHS = ((6e8, 1.0, "seconds"), (6e11, 1e3, "milliseconds"), (6e14, 1e6, "microseconds"))
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
_BESIDE = re.compile(BESIDE_STAMP)
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
    cells = _chunked(column.text)
    filled = len(cells) - cells.null_count
    if not filled:
        return None
    if column.dates is not None and column.dates.mean() > _MOSTLY:
        return _stamps(column, cells, filled)
    if column.numbers is not None and np.isfinite(column.numbers).sum() > _MOSTLY * filled:
        return _numbers(column, column.numbers, unit)
    sample = [c for c in cells.slice(0, 200).to_pylist() if c and c.strip()]
    colons = sum(":" in c for c in sample)
    if colons > 0.5 * len(sample):
        of_day = _times_of_day(column, cells, unit) if _are_bare_times(sample) else None
        return of_day or _stamps(column, cells, filled)
    dated = _dates_alone(column, cells, sample)
    if dated is not None:
        return dated
    values, _ = parse_numbers(column.text, dialect)
    if np.isfinite(values).sum() >= _MOSTLY * filled:
        return _numbers(column, values, unit)
    return _spoken(column, cells) or _stamps(column, cells, filled)


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


def _chunked(text: pa.StringArray | pa.ChunkedArray) -> Text:
    return text if isinstance(text, pa.ChunkedArray) else pa.chunked_array([text])


def _are_bare_times(sample: list[str]) -> bool:
    matched = [m for m in (_OF_DAY.match(c.strip()) for c in sample) if m]
    return len(matched) > 0.5 * len(sample)


def _stamps(column: Column, cells: Text, filled: int) -> Clock | None:
    """Read cells with a date and a time of day."""
    order: str = column.day_order
    order_open = False
    sample = [c for c in cells.slice(0, 100).to_pylist() if c]
    zones = sorted({m[0].strip() for c in sample if (m := _ZONE_NAME.search(c.strip()))})
    if any(_BESIDE.search(c.strip()) for c in sample):
        cells = pc.replace_substring_regex(pc.utf8_trim_whitespace(cells), BESIDE_STAMP, "")
        order = order or decide_day_order(cells).order
    plain = _plain_stamps(cells)
    if plain is not None:
        seconds, exact = plain
        offsets: tuple[str, ...] = ()
    else:
        if order == "undecidable":
            order, order_open = _order_by_steps(cells)
        seconds, offsets, exact = _parsed_stamps(cells, order)
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
    seconds = np.empty(len(cells))
    begin = 0
    # Chunk by chunk, so that the column stands in memory once.
    for chunk in cells.chunks:
        try:
            stamps = pc.cast(chunk, pa.timestamp("us"), memory_pool=pa.system_memory_pool())
        except pa.ArrowInvalid:
            # Some cell is no such stamp; the slower reader takes them one form at a time.
            return None
        seconds[begin : begin + len(chunk)] = _seconds_of(stamps)
        begin += len(chunk)
    exact = 60.0 if len(head) <= 16 else (1.0 if "." not in head else 0.0)
    return seconds, exact


def _seconds_of(stamps: pa.ChunkedArray | pa.Array) -> Floats:
    """Give microsecond stamps as seconds; NaN where there is none."""
    whole = pc.cast(stamps, pa.int64())
    if whole.null_count:
        whole = pc.cast(whole, pa.float64(), safe=False)
    array = (
        whole.to_numpy()
        if isinstance(whole, pa.ChunkedArray)
        else whole.to_numpy(zero_copy_only=False)
    )
    seconds: Floats = array / 1e6
    return seconds


def _order_by_steps(cells: Text) -> tuple[str, bool]:
    """Choose the order of day and month under which the record has no holes of weeks."""
    spans = {}
    for order in ("month-first", "day-first"):
        seconds, _, _ = _parsed_stamps(cells, order)
        known = seconds[np.isfinite(seconds)]
        spans[order] = float(np.max(np.abs(np.diff(known)), initial=0.0))
    if spans["month-first"] == spans["day-first"]:
        return "month-first", True
    return min(spans, key=lambda order: spans[order]), False


def _parsed_stamps(cells: Text, order: str) -> tuple[Floats, tuple[str, ...], float]:
    """Read stamps of any form by way of ISO 8601."""
    iso, _ = parse_dates(cells, order)
    matched = pc.extract_regex(iso, "(?P<sign>[+-])(?P<h>[0-9]{2}):(?P<m>[0-9]{2})$")
    bare = pc.replace_substring_regex(iso, _OFFSET, "")
    # A cell with the date alone, as some programs write midnight.
    date_only = pc.equal(pc.utf8_length(bare), 10)
    whole = pc.if_else(date_only, pc.binary_join_element_wise(bare, "T00:00:00", ""), bare)
    seconds = _seconds_of(pc.cast(pc.utf8_slice_codeunits(whole, 0, 26), pa.timestamp("us")))
    shown: tuple[str, ...] = ()
    if matched.null_count < len(matched):
        sign, hours, minutes = (pc.struct_field(matched, name) for name in ("sign", "h", "m"))
        shift = pc.add(
            pc.multiply(pc.cast(hours, pa.float64()), 3600.0),
            pc.multiply(pc.cast(minutes, pa.float64()), 60.0),
        )
        shift = pc.fill_null(pc.if_else(pc.equal(sign, "-"), pc.negate(shift), shift), 0.0)
        seconds = seconds - shift.to_numpy(zero_copy_only=False)
        joined = pc.binary_join_element_wise(sign, hours, ":", minutes, "")
        shown = tuple(o for o in pc.unique(joined).to_pylist() if o)
    first = [c for c in cells.slice(0, 50).to_pylist() if c]
    shows_seconds = any(re.search(r"\d:\d{2}:\d{2}", c) for c in first)
    shows_parts = any(re.search(r"\d:\d{2}:\d{2}[.,]\d", c) for c in first)
    return seconds, shown, 0.0 if shows_parts else (1.0 if shows_seconds else 60.0)


def _dates_alone(column: Column, cells: Text, sample: list[str]) -> Clock | None:
    """Read a column of dates without a time of day, to be joined with one of times."""
    if not any(re.search(r"[-/.年]", c) for c in sample[:5]):
        return None
    order = column.day_order if column.day_order != "undecidable" else "month-first"
    iso, _ = parse_dates(cells, order)
    if len(iso) - iso.null_count < _MOSTLY * max(len(cells) - cells.null_count, 1):
        return None
    days = pc.cast(pc.cast(pc.utf8_slice_codeunits(iso, 0, 10), pa.date32()), pa.int32())
    seconds = days.to_numpy(zero_copy_only=False).astype(np.float64) * DAY_S
    return Clock(column=column, kind="date", seconds=seconds, how=f"dates in {_name(column)}")


def _times_of_day(column: Column, cells: Text, unit: str) -> Clock | None:
    """Read cells such as 09:01:00, 27:15:00, 63:30, 1.02:03:04 or 9:15 pm."""
    encoded = pc.dictionary_encode(cells).combine_chunks()
    unique = [_OF_DAY.match((c or "").strip()) for c in encoded.dictionary.to_pylist()]
    matched = [m for m in unique if m]
    if not matched:
        return None
    index = encoded.indices.to_numpy(zero_copy_only=False)
    at = np.where(np.isnan(index.astype(np.float64)), -1, index).astype(np.int64)
    two = sum(m["c"] is None for m in matched) > 0.5 * len(matched)
    fields = np.array([_fields(m) for m in unique] + [(np.nan,) * 4], dtype=np.float64)[at]
    named = unit_of(column, "time")
    said = find_unit(unit, dimension="time") if unit else named
    heading = f"{column.heading} {column.unit}"
    if not two:
        seconds = fields[:, 0] * DAY_S + fields[:, 1] * 3600 + fields[:, 2] * 60 + fields[:, 3]
        return _colon_clock(column, seconds, matched, heading)
    short = any(m["short"] for m in matched)
    minutes = fields[:, 1] * 60 + fields[:, 2] + fields[:, 3]
    hours = fields[:, 0] * DAY_S + minutes * 60
    halves = any(m["before"] or m["after"] for m in matched)
    if said is not None and said.clock == "min:s":
        return _two_fields(column, minutes, "minutes and seconds", "as its unit says")
    if halves or (said is not None and said.clock == "h:min"):
        return _colon_clock(column, hours, matched, heading, exact_s=60.0)
    if short:
        return _two_fields(column, minutes, "minutes and seconds", "seconds have decimals")
    first = fields[:, 1]
    largest = float(np.nanmax(first))
    if largest > 59:
        because = f"the first field goes on to {largest:.0f}, past 60:00"
        return _two_fields(column, minutes, "minutes and seconds", because)
    drops = np.nanmin(np.diff(first[np.isfinite(first)]), initial=0.0)
    if largest == 23 and drops <= -22:
        return _colon_clock(column, hours, matched, heading, exact_s=60.0)
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


def _fields(match: re.Match[str] | None) -> tuple[float, float, float, float]:
    """Give days, hours, minutes and seconds of a matched cell."""
    if match is None:
        return (np.nan,) * 4
    hour, minute = float(match["a"]), float(match["b"])
    half = (match["before"] or match["after"] or "").casefold()
    if half:
        evening = re.fullmatch(_PM, half, re.IGNORECASE) is not None
        if hour > 12:
            return (np.nan,) * 4
        hour = hour % 12 + (12 if evening else 0)
    second = float(match["c"] or 0)
    if match["f"]:
        second += float(f"0.{match['f']}")
    if match["short"]:
        second += float(match["short"].replace(",", "."))
    if minute > 59 or second >= 60:
        return (np.nan,) * 4
    return float(match["days"] or 0), hour, minute, second


def _colon_clock(
    column: Column,
    seconds: Floats,
    matched: list[re.Match[str]],
    heading: str,
    *,
    exact_s: float = 1.0,
) -> Clock:
    """Tell an elapsed time from a time of day."""
    known = seconds[np.isfinite(seconds)]
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
    if np.any(np.diff(known) < -DAY_S / 2) and not (days or past_a_day):
        # It falls back at midnight, as no elapsed time does.
        elapsed = False
    kind: ClockKind = "elapsed" if elapsed else "time of day"
    how = f"{'elapsed time' if elapsed else 'time of day'} in {_name(column)}"
    how += ", 12 hours with markers" if halves else ""
    how += ", which goes on past 24 hours" if past_a_day and not days else ""
    offsets = {m["off"] for m in matched if m["off"]}
    zone = zone_in(column.heading) or (f"UTC{min(offsets)}" if len(offsets) == 1 else "")
    return Clock(
        column=column,
        kind=kind,
        seconds=seconds,
        how=how,
        zone=zone,
        twelve=halves,
        exact_s=0.0 if parts else exact_s,
    )


def _spoken(column: Column, cells: Text) -> Clock | None:
    """Read cells such as 1h 02m 03s or 12 min 30 s."""
    encoded = pc.dictionary_encode(cells).combine_chunks()
    values = []
    for cell in encoded.dictionary.to_pylist():
        found = _SPOKEN.match((cell or "").strip())
        if found is None or not any(found.groups()):
            values.append(np.nan)
            continue
        seconds = float((found["s"] or "0").replace(",", "."))
        values.append(float(found["h"] or 0) * 3600 + float(found["m"] or 0) * 60 + seconds)
    index = encoded.indices.to_numpy(zero_copy_only=False).astype(np.float64)
    at = np.where(np.isnan(index), -1, index).astype(np.int64)
    seconds_of = np.array([*values, np.nan])[at]
    if np.isfinite(seconds_of).sum() < _MOSTLY * (len(cells) - cells.null_count):
        return None
    how = f"hours, minutes and seconds spelled out in {_name(column)}"
    return Clock(column=column, kind="elapsed", seconds=seconds_of, how=how)


def _numbers(column: Column, values: Floats, unit: str) -> Clock:
    """Read bare numbers: epoch seconds, day numbers of a spreadsheet, or elapsed times."""
    known = finite_of(values)
    name = _name(column)
    middle = float(np.median(known[:: max(known.size // 10_000, 1)]))
    for least, divisor, words in reversed(_EPOCHS):
        if middle >= least:
            how = f"{words} since 1970 in {name}"
            return Clock(column=column, kind="stamp", seconds=values / divisor, how=how, zone="UTC")
    named = find_unit(unit, dimension="time") if unit else unit_of(column, "time")
    if named is None and _SERIALS[0] <= known.min() and known.max() <= _SERIALS[1]:
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
