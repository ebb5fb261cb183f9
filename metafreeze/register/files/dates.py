"""Dates as people type them, and the order of day and month of a column.

A date such as 03/04/2025 is read only under an order that all rows of its column
decided or that a person named. Times of day may follow: 24 hours or 12 with markers,
with or without an offset.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.register.files.alike import shapes_of, stamps_of
from metafreeze.register.files.long_text import LongText, Text, over_pieces, whole
from metafreeze.register.files.plain_cells import cell_bytes, stamp_seconds
from metafreeze.register.files.sheets import DayOrder

Ints: TypeAlias = npt.NDArray[np.int64]
Mask: TypeAlias = npt.NDArray[np.bool_]

# Month names and their usual short forms: English, German, French, Spanish, Italian,
# Portuguese, Dutch. A name that two of them share means the same month in both.
_MONTH_NAMES = (
    "jan january januar jänner janv janvier ene enero gen gennaio janeiro januari",
    "feb february februar fév févr février febrero febbraio fev fevereiro februari",
    "mar march mär märz mrz mars marzo março mrt maart",
    "apr april avr avril abr abril aprile",
    "may mai mayo mag maggio maio mei",
    "jun june juni juin junio giu giugno junho",
    "jul july juli juil juillet julio lug luglio julho",
    "aug august aoû août ago agosto augustus",
    "sep sept september septembre septiembre set settembre setembro",
    "oct october okt oktober octobre octubre ott ottobre out outubro",
    "nov november novembre noviembre novembro",
    "dec december dez dezember déc décembre dic diciembre dicembre dezembro",
)
MONTHS = {name: i for i, names in enumerate(_MONTH_NAMES, 1) for name in names.split()}
_MONTH_SET = pa.array(list(MONTHS))
_MONTH_NUMBERS = np.array([*MONTHS.values(), 0], dtype=np.int64)

# Markers of the halves of the day: Latin, Chinese, Japanese, Korean.
_AM = "am|a\\.m\\.|上午|早上|凌晨|午前|오전"
_PM = "pm|p\\.m\\.|下午|晚上|午後|오후"
_HALF = f"{_AM}|{_PM}"
_TIME = (
    f"(?:(?:[T\\s,]+|\\s*)(?P<half1>{_HALF})?\\s*"
    "(?P<hour>[0-9]{1,2}):(?P<minute>[0-9]{2})(?::(?P<second>[0-9]{2})(?:[.,](?P<part>[0-9]{1,9}))?)?"
    f"\\s*(?P<half2>{_HALF})?"
    "\\s*(?:(?:UTC|GMT)?(?P<sign>[+\\-\u2212])(?P<off_h>[0-9]{1,2}):?(?P<off_m>[0-9]{2})?"
    "|(?P<zulu>Z|UTC|GMT))?)?"
)
_FORMS = {
    "year-first": (
        "(?P<year>[0-9]{4})(?:[-/.]|年)(?P<month>[0-9]{1,2})(?:[-/.]|月)(?P<day>[0-9]{1,2})日?"
    ),
    "compact": "(?P<year>(?:19|20)[0-9]{2})(?P<month>[0-9]{2})(?P<day>[0-9]{2})",
    "named": (
        "(?P<day>[0-9]{1,2})(?:st|nd|rd|th|\\.)?[\\s/-]*(?P<name>\\pL{3,10})\\.?[\\s,/-]*"
        "(?P<year>[0-9]{4}|[0-9]{2})"
    ),
    "name-first": (
        "(?P<name>\\pL{3,10})\\.?[\\s-]*(?P<day>[0-9]{1,2})(?:st|nd|rd|th)?,?[\\s-]+(?P<year>[0-9]{4})"
    ),
    "slashed": (
        "(?P<first>[0-9]{1,2})(?P<mark>[-/.])(?P<next>[0-9]{1,2})[-/.](?P<year>[0-9]{4}|[0-9]{2})"
    ),
}
_TIME_FIRST = (
    f"(?i)^([0-9]{{1,2}}:[0-9]{{2}}(?::[0-9]{{2}}(?:[.,][0-9]{{1,9}})?)?(?:\\s*(?:{_HALF}))?)"
    "[\\s,]+([0-9]+[-/. ].*|[0-9]{4}年.*|\\pL{3,10}.*)$"
)
_SERIAL = "^(?P<serial>[2-7][0-9]{4})(?:\\.0+)?$"
# Day 0 of the spreadsheet calendar, chosen so that days after February 1900 agree.
_SERIAL_START = np.datetime64("1899-12-30", "D")


def _extract(text: pa.ChunkedArray, form: str) -> dict[str, pa.Array]:
    """Pick the named parts of a date form; null where the cell has another form."""
    pattern = f"(?i)^{_FORMS[form]}{_TIME}$"
    parts = pc.extract_regex(text, pattern).combine_chunks()
    names = [field.name for field in parts.type]
    return {"": parts, **{name: pc.struct_field(parts, name) for name in names}}


def _integers(part: pa.Array) -> Ints:
    """Give the integer of a part, -1 where it is missing."""
    filled = pc.if_else(pc.equal(part, ""), None, part)
    values: Ints = pc.fill_null(pc.cast(filled, pa.int64()), -1).to_numpy(zero_copy_only=False)
    return values


def _full_years(part: pa.Array) -> Ints:
    """Give four-digit years; two digits mean this century."""
    years = _integers(part)
    return np.where((years >= 0) & (years < 100), years + 2000, years)


def _present(part: pa.Array) -> Mask:
    mask: Mask = pc.fill_null(pc.not_equal(part, ""), False).to_numpy(zero_copy_only=False)
    return mask


_COMPACT = "((?:19|20)[0-9]{6})[T _-]?([0-2][0-9])([0-5][0-9])([0-5][0-9])(Z?)"
_COMPACT_STAMP = re.compile(f"{_COMPACT}\\Z")


def are_compact(cells: Sequence[str]) -> bool:
    """Tell whether cells are dates and times in digits alone, such as 20250211T093000.

    Parameters
    ----------
    cells : sequence of str
        The cells.

    Returns
    -------
    bool
    """
    return bool(cells) and all(_COMPACT_STAMP.match(cell.strip()) for cell in cells)


def with_colons(cells: pa.ChunkedArray) -> pa.ChunkedArray:
    """Write dates and times in digits alone with colons in the time.

    Parameters
    ----------
    cells : pyarrow string array, shape (n,)
        The cells, trimmed.

    Returns
    -------
    pyarrow string array, shape (n,)
    """
    return pc.replace_substring_regex(cells, f"^{_COMPACT}$", r"\1 \2:\3:\4\5")


def _trimmed(text: Text) -> pa.ChunkedArray:
    """Take outer white space off; a time that stands before its date goes behind it."""
    cells = pc.utf8_trim_whitespace(whole(text))
    first = next((c for c in cells.slice(0, 20).to_pylist() if c), "")
    if _COMPACT_STAMP.match(first):
        return with_colons(cells)
    if not re.match(r"[0-9]{1,2}:[0-9]{2}", first):
        return cells
    return pc.replace_substring_regex(cells, _TIME_FIRST, r"\2 \1")


def _days(year: Ints, month: Ints, day: Ints) -> tuple[npt.NDArray[np.datetime64], Mask]:
    """Count days of the calendar; the mask is False where there is no such date."""
    good = (year >= 1000) & (month >= 1) & (month <= 12) & (day >= 1)
    months = (np.where(good, year, 2000) - 1970) * 12 + np.where(good, month, 1) - 1
    start = months.astype("datetime64[M]").astype("datetime64[D]")
    following = (months + 1).astype("datetime64[M]").astype("datetime64[D]")
    days = start + np.where(good, day - 1, 0).astype("timedelta64[D]")
    return days, good & (days < following)


def _clock(parts: dict[str, pa.Array]) -> tuple[Ints, Mask, Mask]:
    """Give seconds of the day, where there is a time, and where it is possible."""
    hour, minute = _integers(parts["hour"]), _integers(parts["minute"])
    second = np.maximum(_integers(parts["second"]), 0)
    has_time = hour >= 0
    both = pc.binary_join_element_wise(
        pc.fill_null(parts["half1"], ""), pc.fill_null(parts["half2"], ""), ""
    )
    morning = pc.match_substring_regex(both, f"(?i)^(?:{_AM})").to_numpy(zero_copy_only=False)
    evening = pc.match_substring_regex(both, f"(?i)^(?:{_PM})").to_numpy(zero_copy_only=False)
    twice = _present(parts["half1"]) & _present(parts["half2"])
    possible = (hour <= 23) & (minute <= 59) & (second <= 59) & ~twice
    possible &= ~(morning & (hour > 12)) & ~(evening & (hour == 0))
    hour = np.where(morning & (hour == 12), 0, hour)
    hour = np.where(evening & (hour < 12), hour + 12, hour)
    return hour * 3600 + minute * 60 + second, has_time, possible | ~has_time


def _compose(
    days: npt.NDArray[np.datetime64], good: Mask, parts: dict[str, pa.Array]
) -> tuple[npt.NDArray[np.object_], Mask]:
    """Write ISO 8601 from days and the parts of the time."""
    seconds, has_time, possible = _clock(parts)
    good = good & possible
    iso = np.datetime_as_string(days, unit="D").astype(object)
    timed = good & has_time
    stamp = days.astype("datetime64[s]") + np.where(timed, seconds, 0).astype("timedelta64[s]")
    iso[timed] = np.datetime_as_string(stamp[timed], unit="s").astype(object)
    for name in ("part", "sign", "zulu"):
        where = np.flatnonzero(timed & _present(parts[name]))
        if where.size:
            iso[where] = iso[where] + _tails(parts, name, pa.array(where))
    return iso, good


def _tails(parts: dict[str, pa.Array], name: str, at: pa.Array) -> npt.NDArray[np.object_]:
    """Write what follows the seconds: a fraction, an offset, or the mark of UTC."""
    if name == "part":
        return np.array([f".{part}" for part in parts["part"].take(at).to_pylist()], dtype=object)
    if name == "sign":
        return _offsets(parts, at)
    return np.full(len(at), "+00:00", dtype=object)


def _offsets(parts: dict[str, pa.Array], at: pa.Array) -> npt.NDArray[np.object_]:
    """Write offsets from UTC as +hh:mm."""
    signs = parts["sign"].take(at).to_pylist()
    hours = _integers(parts["off_h"].take(at)).tolist()
    minutes = np.maximum(_integers(parts["off_m"].take(at)), 0).tolist()
    return np.array(
        [
            f"{'+' if sign == '+' else '-'}{h:02d}:{m:02d}"
            for sign, h, m in zip(signs, hours, minutes, strict=True)
        ],
        dtype=object,
    )


def _month_numbers(name: pa.Array) -> Ints:
    """Give the number of each month name, 0 where it is none."""
    found = pc.fill_null(pc.index_in(pc.utf8_lower(name), _MONTH_SET), len(MONTHS))
    numbers: Ints = _MONTH_NUMBERS[found.to_numpy(zero_copy_only=False)]
    return numbers


def _slashed_parts(parts: dict[str, pa.Array], day_order: str) -> tuple[Ints, Ints, Mask]:
    """Give month and day of slashed dates, and where the order is known."""
    first, following = _integers(parts["first"]), _integers(parts["next"])
    day_first = np.full(first.shape, day_order == "day-first")
    known = np.full(first.shape, day_order in ("day-first", "month-first"))
    if day_order not in ("day-first", "month-first"):
        day_first = (first > 12) | (first == following)
        known = day_first | (following > 12)
    month = np.where(day_first, following, first)
    day = np.where(day_first, first, following)
    return month, day, known


def _parse_unique(text: pa.ChunkedArray, day_order: str) -> npt.NDArray[np.object_]:
    """Write each trimmed cell as ISO 8601; None where it is no date."""
    result: npt.NDArray[np.object_] = np.full(len(text), None, dtype=object)
    for form in _FORMS:
        parts = _extract(text, form)
        matched: Mask = pc.is_valid(parts[""]).to_numpy(zero_copy_only=False)
        if not matched.any():
            continue
        year = _full_years(parts["year"])
        known = matched
        if form == "slashed":
            month, day, decided = _slashed_parts(parts, day_order)
            known = matched & decided
        else:
            day = _integers(parts["day"])
            month = _month_numbers(parts["name"]) if "name" in parts else _integers(parts["month"])
        days, good = _days(year, month, day)
        iso, good = _compose(days, good & known, parts)
        result[good] = iso[good]
    serials = pc.struct_field(pc.extract_regex(text, _SERIAL).combine_chunks(), "serial")
    number = _integers(serials)
    counted = number >= 0
    dates = _SERIAL_START + np.where(counted, number, 0).astype("timedelta64[D]")
    result[counted] = np.datetime_as_string(dates[counted], unit="D").astype(object)
    return result


def parse_dates(text: Text, day_order: str = "") -> tuple[pa.StringArray, Mask]:
    """Read cells as dates, with or without a time of day, and write ISO 8601.

    Year-first dates, dates with a month name, compact dates and the day numbers of
    spreadsheets (20000 to 79999, day 1 being 1 January 1900) are read as they are. Slashed
    dates follow `day_order`; without one only those that can be read in one way are.

    Parameters
    ----------
    text : pyarrow string array, shape (n,)
        Cells as typed; null where empty.
    day_order : {"day-first", "month-first", "year-first", "undecidable", ""}
        Order of day and month in the column.

    Returns
    -------
    iso : pyarrow string array, shape (n,)
        ``YYYY-MM-DD``, with ``Thh:mm:ss`` and ``+hh:mm`` where the cell has them; null
        where the cell is empty or is not a date.
    bad : bool array, shape (n,)
        True where the cell is filled and is not a date.
    """
    cells = _trimmed(text)
    if len(cells) == 0:
        return pa.array([], pa.string()), np.empty(0, dtype=np.bool_)
    encoded = pc.dictionary_encode(cells).combine_chunks()
    unique = pa.chunked_array([encoded.dictionary])
    parsed = pa.array(_parse_unique(unique, day_order), pa.string())
    iso = parsed.take(encoded.indices)
    filled: Mask = pc.fill_null(pc.not_equal(cells, ""), False).to_numpy()
    bad: Mask = filled & pc.is_null(iso).to_numpy(zero_copy_only=False)
    return iso, bad


_DATE_MARKS = np.arange(256) >= 128
_DATE_MARKS[[ord(mark) for mark in "-/."]] = True
# Share of a column's cells that may need a closer look before all of them do.
_MOST_ODD = 0.01
# Share of a column's filled cells that must be dates before their order is decided.
DATE_SHARE = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class DateColumn:
    """What the cells of a column say about the order of day and month.

    Parameters
    ----------
    order : {"day-first", "month-first", "year-first", "undecidable", ""}
        The decision; empty where the column holds no dates.
    because : str
        The reason in one sentence, quoting a cell.
    at : int
        Index of the cell quoted, or of the first cell that nothing decides; -1 if none.
    contradicting : int array
        Indices of cells that can only have the other order.
    """

    order: DayOrder
    because: str = ""
    at: int = -1
    contradicting: Ints


def _are_plain_stamps(cells: pa.ChunkedArray) -> bool:
    """Tell at once whether all cells are ISO 8601, which need no look at day and month."""
    head = cells[0].as_py() or ""
    if head[4:5] != "-" or head[7:8] != "-":
        return False
    return all(stamp_seconds(chunk) is not None for chunk in cells.chunks)


def decide_day_order(text: Text) -> DateColumn:
    """Decide the order of day and month of a column from all its cells.

    Parameters
    ----------
    text : pyarrow string array, shape (n,)
        Cells as typed; null where empty.

    Returns
    -------
    DateColumn
    """
    none = np.empty(0, dtype=np.int64)
    by_year = DateColumn(order="year-first", because="the year stands first", contradicting=none)
    if isinstance(text, LongText):
        if text.holds_stamps and text.null_count < len(text):
            return by_year
        decided = _decide_by_shapes(text)
        if decided is not None:
            return decided
        text = text.whole()
    if text.null_count < len(text) and _are_plain_stamps(whole(text)):
        return by_year
    cells = _trimmed(text)
    filled = int(pc.sum(pc.fill_null(pc.not_equal(cells, ""), False)).as_py() or 0)
    if not filled:
        return DateColumn(order="", contradicting=none)
    if _are_plain_stamps(cells):
        return by_year
    others = pc.match_substring_regex(cells, f"(?i)^{_FORMS['year-first']}{_TIME}$")
    n_year_first = int(pc.sum(others).as_py() or 0)
    if n_year_first == filled:
        return by_year
    slashed = _extract(cells, "slashed")
    matched: Mask = pc.is_valid(slashed[""]).to_numpy(zero_copy_only=False)
    serial = int(pc.sum(pc.match_substring_regex(cells, _SERIAL)).as_py() or 0)
    n_slashed = int(matched.sum())
    if n_slashed + n_year_first == 0:
        return DateColumn(order="", contradicting=none)
    if n_slashed + n_year_first + serial < DATE_SHARE * filled:
        return DateColumn(order="", contradicting=none)
    if not n_slashed:
        return by_year
    first, following = _integers(slashed["first"]), _integers(slashed["next"])
    day_first = np.flatnonzero(matched & (first > 12) & (following <= 12))
    month_first = np.flatnonzero(matched & (following > 12) & (first <= 12))
    return _weigh_orders(cells, matched & (first != following), day_first, month_first, slashed)


def _decide_by_shapes(text: LongText) -> DateColumn | None:
    """Decide from one cell for each different date; None where every cell must be looked at."""
    if _hold_no_date(text):
        return DateColumn(order="", contradicting=np.empty(0, dtype=np.int64))
    rows = different_stamps(text)
    if rows is None:
        # Elapsed times past a day, and other cells that are no stamps: their shapes tell it.
        shapes = {s for found in over_pieces(text, _shape_names) for s in found}
        trimmed = _trimmed(pa.array(sorted(shapes), pa.string()))
        forms = "|".join(f"(?:{_bare(_FORMS[form])})" for form in ("year-first", "slashed"))
        dated = pc.match_substring_regex(trimmed, f"(?i)^(?:{forms}){_bare(_TIME)}$")
        nothing = DateColumn(order="", contradicting=np.empty(0, dtype=np.int64))
        return None if pc.any(dated).as_py() else nothing
    cells = text.take(rows)
    decided = decide_day_order(cells)
    order = decided.order if decided.order in ("day-first", "month-first") else "day-first"
    bad = parse_dates(cells, order)[1]
    if not decided.order:
        return decided if bad.all() else None
    if decided.contradicting.size:
        return None
    if bad.any():
        # Where few cells are no dates, the others decide; else the share of all cells counts.
        stamps = stamps_of(text)
        assert stamps is not None
        counts = np.bincount(stamps.key[stamps.key >= 0], minlength=stamps.first.size).tolist()
        standing = dict(zip(stamps.first.tolist(), counts, strict=True))
        if sum(standing.get(row, 1) for row in rows[bad].tolist()) > _MOST_ODD * len(text):
            return None
        cells, rows = cells.filter(pa.array(~bad)), rows[~bad]
        before, decided = decided, decide_day_order(cells)
        if decided.order != before.order:
            return None
    return replace(decided, at=int(rows[decided.at]) if decided.at >= 0 else -1)


def _hold_no_date(text: LongText) -> bool:
    """Tell whether no cell has a mark that stands between day, month and year."""
    some = text.slice(0, 50)
    return not _date_marks(some) and not any(over_pieces(text, _date_marks))


def _date_marks(cells: pa.StringArray) -> bool:
    data, _ = cell_bytes(cells)
    # Beyond ASCII there are the words for year, month and day.
    return bool(_DATE_MARKS[data].any())


def different_stamps(text: LongText) -> npt.NDArray[np.int64] | None:
    """List rows that show all cells of a column but for times of day; None if these are many."""
    stamps = stamps_of(text)
    if stamps is None or stamps.odd.size > _MOST_ODD * len(text):
        return None
    return np.sort(np.concatenate([stamps.first, stamps.odd]))


def _shape_names(cells: pa.StringArray) -> list[str]:
    return [shape.cell for shape in shapes_of(cells)]


def _bare(pattern: str) -> str:
    """Take the names of its groups off a pattern, so that it may stand in another twice."""
    return re.sub(r"\(\?P<\w+>", "(", pattern)


def _weigh_orders(
    cells: pa.ChunkedArray,
    open_cells: Mask,
    day_first: Ints,
    month_first: Ints,
    slashed: dict[str, pa.Array],
) -> DateColumn:
    """Turn the proofs for either order into a decision."""

    def quote(at: int) -> str:
        return str(cells[at].as_py())

    none = np.empty(0, dtype=np.int64)
    if day_first.size and day_first.size >= month_first.size:
        at = int(day_first[0])
        because = f"{quote(at)} can only be day first"
        return DateColumn(order="day-first", because=because, at=at, contradicting=month_first)
    if month_first.size:
        at = int(month_first[0])
        because = f"{quote(at)} can only be month first"
        return DateColumn(order="month-first", because=because, at=at, contradicting=day_first)
    where = np.flatnonzero(open_cells)
    if not where.size:
        because = "day and month are equal in every date"
        return DateColumn(order="day-first", because=because, contradicting=none)
    marks = set(slashed["mark"].take(pa.array(where)).to_pylist())
    if marks == {"."}:
        # Common practice, no source: dates with dots are written day first.
        because = "dates with dots are written day first"
        return DateColumn(order="day-first", because=because, at=int(where[0]), contradicting=none)
    because = f"{quote(int(where[0]))} can be read both ways and no row decides"
    return DateColumn(order="undecidable", because=because, at=int(where[0]), contradicting=none)
