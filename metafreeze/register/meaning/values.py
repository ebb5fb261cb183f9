"""Columns of verbatim text to values of the schema: numbers, labels, choices, dates.

Whole columns are read at once; Python looks at single cells only where they are no plain
numbers, and then once for each different text.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.register.files.dates import MONTHS, parse_dates
from metafreeze.register.files.long_text import whole
from metafreeze.register.files.numbers import parse_number, parse_numbers
from metafreeze.register.files.plain_cells import cell_bytes
from metafreeze.register.files.sheets import Column, Dialect
from metafreeze.register.meaning.times import LONGEST_OUTCOME, read_duration
from metafreeze.register.meaning.units import Dimension, Unit, find_unit
from metafreeze.register.meaning.words import (
    SENTINELS,
    find_word,
    find_yes_no,
    is_missing,
)

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]
Number = Callable[[str], float | None]
RowUnits = list[Unit | None]

# A kind of water is a label as much as a choice: `null` and `nan` stay what they are.
LABEL_CHOICES = ("water_type",)

# Where a field has no lower end, only codes at least this low are taken for codes.
SURE_CODE = -999.0

_ABOUT = re.compile(r"^(?:~|≈|∼|about|approx(?:imately)?\.?|ca\.?|circa|around)\s*(?=[\d.,+−-])")
_BESIDE = re.compile(r"^(.+?)\s*(?:±|\+/-|\+-|\+/−)\s*(.+)$")
_WITH_UNIT = re.compile(r"^([-+−–]?[\d.,'’\s\u00a0\u202f]*\d[.,]?)\s*([^\d\s].*)$")
_WITH_REMARK = re.compile(r"^(.+?)\s*(?:\(([^()]*)\)|\[([^\[\]]*)\]|[*†‡§]+)$")


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One cell that could not be read plainly.

    Parameters
    ----------
    at : int
        Place of the record in its table.
    rule : str
        ``not-a-number``, ``sentinel``, ``approximate``, ``remark``, ``unknown-word``,
        ``label-kept``, ``not-a-date``, ``date-in-number`` or ``not-yes-or-no``.
    text : str
        The cell as typed.
    """

    at: int
    rule: str
    text: str


@dataclass(slots=True, kw_only=True)
class NumberCells:
    """A column read as numbers in the schema's unit.

    Parameters
    ----------
    values : float array, shape (n,)
        NaN where the cell has no number.
    spelled : bool array, shape (n,)
        True where the cell was no plain number and says its own unit or more.
    sd : float array or None
        Errors written beside the values.
    problems : list of Problem
        Cells to report.
    """

    values: FloatArray
    spelled: BoolArray
    sd: FloatArray | None = None
    problems: list[Problem] = field(default_factory=list)


def _is_trimmed(text: pa.StringArray) -> bool:
    """Tell whether no cell is empty without being null, or begins or ends but in plain ASCII."""
    if text.type != pa.string():
        return False
    data, edges = cell_bytes(text)
    filled = edges[1:] > edges[:-1]
    if np.count_nonzero(filled) != len(text) - text.null_count:
        return False
    ends = data[edges[:-1][filled]], data[edges[1:][filled] - 1]
    return all(bool(np.all((byte > _SPACE) & (byte < _BEYOND))) for byte in ends)


# The space of ASCII, with all other white space of ASCII before it, and the first byte beyond.
_SPACE, _BEYOND = 32, 127


def trimmed(text: pa.StringArray | pa.ChunkedArray) -> pa.StringArray:
    """Take outer white space off; empty cells become null."""
    if isinstance(text, pa.ChunkedArray):
        text = text.combine_chunks() if text.num_chunks != 1 else text.chunk(0)
    if _is_trimmed(text):
        return text
    tidy = pc.utf8_trim_whitespace(text.cast(pa.string()))
    empty = pc.equal(tidy, "")
    if not pc.any(empty).as_py():
        return tidy
    return pc.if_else(empty, pa.scalar(None, pa.string()), tidy)


def number_reader(dialect: Dialect) -> Number:
    """Give the reader of single numbers in a dialect."""
    # Where no plain number of the file decides its mark, a number inside a longer cell is
    # read if it can mean one thing only.
    open_marks = replace(dialect, decimal="undecidable")

    def read(text: str) -> float | None:
        value = parse_number(text, dialect)
        if value is None and not dialect.decimal and "," in text:
            return parse_number(text, open_marks)
        return value

    return read


def cell_text(column: Column, at: int | np.integer) -> str:
    """Give one cell as typed; empty for an empty one."""
    text = column.text[int(at)].as_py()
    return "" if text is None else str(text)


def raw_numbers(column: Column, dialect: Dialect) -> tuple[FloatArray, BoolArray]:
    """Read a column's plain numbers as typed, and mask the cells that are none.

    Parameters
    ----------
    column : Column
        Verbatim cells; stored numbers of a workbook go before their text.
    dialect : Dialect
        How numbers look in text cells.

    Returns
    -------
    values : float array, shape (n,)
        NaN where there is no number.
    irregular : bool array, shape (n,)
        True where the cell is filled and is no plain number.
    """
    if column.numbers is None:
        values, bad = parse_numbers(column.text, dialect)
        return np.asarray(values, dtype=np.float64), bad
    stored = np.asarray(column.numbers, dtype=np.float64)
    without = np.isnan(stored)
    if not without.any():
        return stored, np.zeros(stored.size, dtype=np.bool_)
    values, bad = parse_numbers(column.text, dialect)
    return np.where(without, values, stored), bad & without


def find_sentinels(typed: FloatArray, values: FloatArray, low: float) -> BoolArray:
    """Mask numbers that instruments and people write for "no value".

    A code counts only where it cannot be a value: below the field's range, or, where the
    range has no end, at or below `SURE_CODE`.

    Parameters
    ----------
    typed, values : float array, shape (n,)
        As typed, and in the schema's unit.
    low : float
        Lower end of the field's range.

    Returns
    -------
    bool array, shape (n,)
    """
    impossible = values < low if math.isfinite(low) else typed <= SURE_CODE
    if not impossible.any():
        return impossible
    return impossible & np.isin(typed, list(SENTINELS))


def read_numbers(
    column: Column,
    dialect: Dialect,
    *,
    unit: Unit | None,
    dimension: Dimension,
    low: float,
    row_units: RowUnits | None = None,
) -> NumberCells:
    """Read a column as numbers and give them in the schema's unit.

    Parameters
    ----------
    column : Column
        Verbatim cells.
    dialect : Dialect
        How numbers look.
    unit : Unit, optional
        Unit of the column; None leaves bare numbers as they are.
    dimension : str
        What is measured, to read units in cells.
    low : float
        Lower end of the field's range, below which codes for missing values are looked for.
    row_units : list of Unit, optional
        Unit of each record, where the sheet has a unit column; None falls back on `unit`.

    Returns
    -------
    NumberCells
    """
    typed, irregular = raw_numbers(column, dialect)
    problems: list[Problem] = []
    if column.dates is not None and column.dates.any():
        for at in np.flatnonzero(column.dates):
            problems.append(Problem(at=int(at), rule="date-in-number", text=cell_text(column, at)))
        typed = np.where(column.dates, np.nan, typed)
        irregular = irregular & ~column.dates
    values = _converted(typed, unit, row_units)
    codes = find_sentinels(typed, values, low)
    if codes.any():
        for at in np.flatnonzero(codes):
            problems.append(Problem(at=int(at), rule="sentinel", text=cell_text(column, at)))
        values = np.where(codes, np.nan, values)
    cells = NumberCells(
        values=values, spelled=np.zeros(values.size, dtype=np.bool_), problems=problems
    )
    if irregular.any():
        _read_irregular(column, cells, irregular, dialect, unit, dimension, row_units)
    return cells


def _converted(typed: FloatArray, unit: Unit | None, row_units: RowUnits | None) -> FloatArray:
    values = typed if unit is None else unit.convert(typed)
    if row_units is None:
        return values
    values = values.copy()
    names = np.array([u.name if u is not None else "" for u in row_units], dtype=object)
    for kind in {u.name: u for u in row_units if u is not None}.values():
        at = names == kind.name
        values[at] = kind.convert(typed[at])
    return values


def _read_irregular(
    column: Column,
    cells: NumberCells,
    irregular: BoolArray,
    dialect: Dialect,
    unit: Unit | None,
    dimension: Dimension,
    row_units: RowUnits | None,
) -> None:
    number = number_reader(dialect)
    values = cells.values.copy()
    sd = np.full(values.size, np.nan)
    known: dict[tuple[str, str], tuple[float, float, str]] = {}
    where = np.flatnonzero(irregular)
    for at, text in zip(where, column.text.take(pa.array(where)).to_pylist(), strict=True):
        own = (row_units[at] if row_units is not None else None) or unit
        key = (text, own.name if own else "")
        if key not in known:
            known[key] = read_measured(text, unit=own, dimension=dimension, number=number)
        values[at], sd[at], rule = known[key]
        cells.spelled[at] = not math.isnan(values[at])
        if rule:
            cells.problems.append(Problem(at=int(at), rule=rule, text=text))
    cells.values = values
    if not np.isnan(sd).all():
        cells.sd = sd


def read_measured(
    text: str, *, unit: Unit | None, dimension: Dimension, number: Number
) -> tuple[float, float, str]:
    """Read one cell that is no plain number, such as ``176 °F``, ``~80`` or ``80 ± 0.5``.

    Parameters
    ----------
    text : str
        The cell as typed.
    unit : Unit, optional
        Unit of bare numbers.
    dimension : str
        What is measured.
    number : callable
        Reads a plain number.

    Returns
    -------
    value, sd : float
        In the schema's unit; NaN where there is none.
    rule : str
        What to report; empty where nothing is.
    """
    nothing = (math.nan, math.nan, "not-a-number")
    tidy = text.strip()
    if len(tidy) > LONGEST_OUTCOME:
        return nothing
    if is_missing(tidy):
        return math.nan, math.nan, ""
    about = _ABOUT.match(tidy.casefold())
    if about:
        rest = tidy[about.end() :]
        value, sd, rule = read_measured(rest, unit=unit, dimension=dimension, number=number)
        return value, sd, rule or "approximate"
    plain = number(tidy)
    if plain is not None:
        return (unit.convert_one(plain) if unit else plain), math.nan, ""
    beside = _BESIDE.match(tidy)
    if beside:
        return _value_and_error(beside, unit=unit, dimension=dimension, number=number)
    if dimension == "time":
        seconds = read_duration(tidy.casefold(), unit=unit, number=number)
        if seconds is not None and not math.isnan(seconds):
            return seconds, math.nan, ""
    split = _WITH_UNIT.match(tidy)
    if split and dimension:
        spelled = split.group(2).strip()
        own = find_unit(spelled, dimension=dimension)
        if own is None and spelled in ("°", "º", "deg") and dimension == "temperature":
            own = unit
        value_typed = number(split.group(1).strip())
        if own is not None and value_typed is not None and not own.clock:
            return own.convert_one(value_typed), math.nan, ""
    remark = _WITH_REMARK.match(tidy)
    if remark and not is_missing(remark.group(1)):
        value, sd, rule = read_measured(
            remark.group(1), unit=unit, dimension=dimension, number=number
        )
        if not math.isnan(value):
            return value, sd, rule or "remark"
    return nothing


def _value_and_error(
    beside: re.Match[str], *, unit: Unit | None, dimension: Dimension, number: Number
) -> tuple[float, float, str]:
    spread_dimension: Dimension = "difference" if dimension == "temperature" else dimension
    left, right = beside.group(1).strip("( "), beside.group(2).strip(") ")
    tail = _WITH_UNIT.match(right)
    own = find_unit(tail.group(2).strip(") "), dimension=dimension) if tail else None
    value, _, rule = read_measured(left, unit=own or unit, dimension=dimension, number=number)
    used = own or unit
    wide = find_unit(used.name, dimension=spread_dimension) if used else None
    bare = number((tail.group(1) if tail and own is not None else right).strip(") "))
    if bare is None or rule == "not-a-number":
        return math.nan, math.nan, "not-a-number"
    return value, (wide.convert_one(bare) if wide else bare), rule


def read_choices(column: Column, target: str) -> tuple[pa.StringArray, list[Problem]]:
    """Read a column of a choice field through its words and their synonyms.

    Parameters
    ----------
    column : Column
        Verbatim cells.
    target : str
        A choice field.

    Returns
    -------
    words : pyarrow string array, shape (n,)
        Words of the schema; null where empty or unknown.
    problems : list of Problem
        ``unknown-word`` and ``label-kept``.
    """
    encoded = trimmed(column.text).dictionary_encode()
    words: list[str | None] = []
    rules: dict[int, str] = {}
    for code, text in enumerate(encoded.dictionary.to_pylist()):
        word = find_word(target, text)
        if word:
            words.append(word)
        elif is_missing(text):
            kept = target in LABEL_CHOICES and re.search(r"[a-z]", text.casefold())
            words.append(text if kept else None)
            if kept:
                rules[code] = "label-kept"
        else:
            words.append(None)
            rules[code] = "unknown-word"
    return _decode(words, pa.string(), encoded), _problems_of(encoded, rules)


def _decode(values: Sequence[object], kind: pa.DataType, encoded: pa.DictionaryArray) -> pa.Array:
    return pa.array(values, kind).take(encoded.indices)


def _problems_of(encoded: pa.DictionaryArray, rules: dict[int, str]) -> list[Problem]:
    if not rules:
        return []
    codes = pc.fill_null(encoded.indices, -1).to_numpy(zero_copy_only=False)
    texts = encoded.dictionary.to_pylist()
    where = np.flatnonzero(np.isin(codes, list(rules)))
    return [
        Problem(at=int(at), rule=rules[int(codes[at])], text=texts[int(codes[at])]) for at in where
    ]


def read_flags(column: Column) -> tuple[pa.BooleanArray, list[Problem]]:
    """Read a column of yes and no.

    Parameters
    ----------
    column : Column
        Verbatim cells.

    Returns
    -------
    flags : pyarrow bool array, shape (n,)
        Null where empty.
    problems : list of Problem
        ``not-yes-or-no``.
    """
    encoded = trimmed(column.text).dictionary_encode()
    flags: list[bool | None] = []
    rules: dict[int, str] = {}
    for code, text in enumerate(encoded.dictionary.to_pylist()):
        flag = find_yes_no(text)
        flags.append(flag)
        if flag is None and not is_missing(text):
            rules[code] = "not-yes-or-no"
    return _decode(list(flags), pa.bool_(), encoded), _problems_of(encoded, rules)


def read_dates(column: Column) -> tuple[pa.StringArray, list[Problem]]:
    """Read a column of dates as ISO 8601.

    Parameters
    ----------
    column : Column
        Verbatim cells; its day order is used.

    Returns
    -------
    dates : pyarrow string array, shape (n,)
        Null where empty or no date.
    problems : list of Problem
        ``not-a-date``.
    """
    iso, bad = parse_dates(trimmed(column.text), column.day_order)
    problems = []
    for at in np.flatnonzero(bad):
        text = cell_text(column, at)
        if not is_missing(text):
            problems.append(Problem(at=int(at), rule="not-a-date", text=text))
    return iso, problems


# Cells looked at, spread over the column: enough to tell what it holds.
LOOKED_AT = 100

_MONTH = "|".join(sorted({m.casefold() for m in MONTHS if len(m) >= 3}, key=len, reverse=True))
_MAY_BE_DATE = re.compile(
    rf"\d[-/.]\d{{1,2}}[-/.]\d|\d\D{{0,4}}(?:{_MONTH})|(?:{_MONTH})\D{{0,8}}\d|^\d{{8}}(?:T|$)",
    re.I,
)


def may_be_date(text: str) -> bool:
    """Tell cheaply whether a text is worth the search for a date in it."""
    return _MAY_BE_DATE.search(text) is not None


_CLOCK_TEXT = re.compile(r"^\d{1,2}[:.h]\d{2}(?:[:.]\d{2})?\s*(?:am|pm|a\.m\.|p\.m\.)?$", re.I)


def _share(flags: list[bool]) -> float:
    return sum(flags) / len(flags) if flags else 1.0


class Glance:
    """What a column's cells look like, from filled ones spread over it.

    Shares are worked out when they are first asked for: most columns are settled by
    their heading alone.

    Parameters
    ----------
    texts : tuple of str
        The cells looked at, trimmed; words for nothing are left out.
    dialect : Dialect
        How numbers look.
    day_order : str
        Order of day and month in the column.
    """

    def __init__(self, texts: tuple[str, ...], dialect: Dialect, day_order: str) -> None:
        self.texts = texts
        self._dialect, self._day_order = dialect, day_order

    @cached_property
    def numbers(self) -> float:
        """Share of cells that are numbers, or numbers with something about them."""
        return _share([_like_number(t, self._dialect) for t in self.texts])

    @cached_property
    def dates(self) -> float:
        """Share of cells that are dates."""
        if not any(may_be_date(t) for t in self.texts):
            return 0.0 if self.texts else 1.0
        iso, _ = parse_dates(pa.array(self.texts, pa.string()), self._day_order or "day-first")
        pairs = zip(iso.to_pylist(), self.texts, strict=True)
        return _share([d is not None and may_be_date(t) for d, t in pairs])

    @cached_property
    def clocks(self) -> float:
        """Share of cells that are times of day."""
        return _share([bool(_CLOCK_TEXT.match(t)) for t in self.texts])

    @cached_property
    def flags(self) -> float:
        """Share of cells that say yes or no."""
        return _share([find_yes_no(t) is not None for t in self.texts])

    def words(self, target: str) -> float:
        """Give the share of cells that are words of a choice field."""
        return _share([bool(find_word(target, t)) for t in self.texts])


def glance(column: Column, dialect: Dialect) -> Glance:
    """Look at filled cells spread over a column to tell what they may be."""
    typed = whole(column.text)
    filled_cells = typed.drop_null() if typed.null_count else typed
    n = len(filled_cells)
    if n > LOOKED_AT:
        places = np.linspace(0, n - 1, LOOKED_AT).astype(np.int64)
        filled_cells = filled_cells.take(pa.array(places))
    cells = trimmed(filled_cells).drop_null().to_pylist()
    filled = tuple(t for t in cells if not is_missing(t))
    return Glance(filled, dialect, column.day_order)


_MEASURED = re.compile(
    r"^[<>≤≥~≈±]*\s*[-+−–]?\s*[\d.,'’\s]*\d[.,]?\s*(?:[°%µ]?\s*[a-z]{0,8}\.?)"
    r"(?:\s*(?:±|\+/-)\s*[\d.,]+\s*\S{0,6})?$",
    re.I,
)


def _like_number(text: str, dialect: Dialect) -> bool:
    if parse_number(text, dialect) is not None:
        return True
    if len(text) > LONGEST_OUTCOME:
        return False
    return bool(_MEASURED.match(text.strip())) and not re.match(r"^\d+[-/]\d", text)
