"""What a single cell looks like: a number, a date, a unit, a word.

These looks steer the search for tables, headings and units rows. They decide no value:
that is done by `metafreeze.register.files.numbers` and `metafreeze.register.files.dates`.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Literal

from metafreeze.register.files.dates import MONTHS
from metafreeze.register.files.numbers import MINUS_SIGNS

# "e" empty or a word for nothing, "n" number, "q" a number with something about it, such
# as ">180" or "35-40 min", "d" date or time of day, "t" any other text.
Look = Literal["e", "n", "q", "d", "t"]

_MINUS = f"[-{MINUS_SIGNS}]"
_SPACES = "\u00a0\u2007\u2009\u202f "
_DIGITS = f"[0-9]{{1,3}}(?:[{_SPACES}][0-9]{{3}})+(?:[.,][0-9]*)?|[0-9]+(?:[.,'’][0-9]+)*[.,]?"
_NUMBER = f"(?:{_DIGITS}|[.,][0-9]+)(?:[eE](?:[+]|{_MINUS})?[0-9]+)?"
_SIGNED = f"(?:(?:[+]|{_MINUS}) ?)?{_NUMBER}"
_IS_NUMBER = re.compile(f"{_SIGNED}\\Z")
_IS_ABOUT_NUMBER = re.compile(
    f"[<>≤≥=~≈±]{{0,2}}\\s*{_SIGNED}(?:\\s*(?:{_MINUS}|[,;/±…]|\\.\\.+|to)\\s*{_SIGNED})?"
    "\\s*(?:[+%]|\\([^)]*\\)|[%°℃℉µ]?[^\\W\\d_]{0,8}\\.?)\\Z"
)
_HALF = "(?:am|pm|a\\.m\\.|p\\.m\\.|上午|下午|午前|午後|오전|오후|早上|晚上|凌晨)"
_CLOCK = (
    f"(?:{_HALF}\\s*)?[0-9]{{1,4}}:[0-9]{{2}}(?::[0-9]{{2}}(?:[.,][0-9]+)?)?(?:\\s*{_HALF})?"
    "(?:\\s*(?:Z|UTC|GMT))?(?:\\s*[+-][0-9]{1,2}:?(?:[0-9]{2})?)?"
)
_MONTH = f"(?:{'|'.join(sorted(MONTHS, key=len, reverse=True))})"
_DAY = (
    "(?:[0-9]{4}(?:[-/.]|年)[0-9]{1,2}(?:[-/.]|月)[0-9]{1,2}日?"
    "|[0-9]{1,2}[-/.][0-9]{1,2}[-/.](?:[0-9]{4}|[0-9]{2})"
    f"|[0-9]{{1,2}}(?:st|nd|rd|th|\\.)?[\\s/-]?{_MONTH}\\.?[\\s,/-]*(?:[0-9]{{4}}|[0-9]{{2}})"
    f"|{_MONTH}\\.?[\\s-]?[0-9]{{1,2}}(?:st|nd|rd|th)?,?[\\s-]+[0-9]{{4}})"
)
_IS_DATE = re.compile(
    f"(?:{_DAY}(?:(?:T|[\\s,])+{_CLOCK})?|{_CLOCK}(?:[\\s,]+{_DAY})?)\\Z", re.IGNORECASE
)
_IS_COMPACT = re.compile(r"(?:19|20)[0-9]{6}[T _-][0-2][0-9][0-5][0-9](?:[0-5][0-9])?Z?\Z")

# Words that stand where a value would; they prove nothing about a column.
_NOTHING = {"na", "n/a", "nan", "null", "none", "nil", "-", "--", "---", "----", "–", "—", "?", "."}

_UNIT_WORDS = {
    *("c", "°c", "ºc", "˚c", "℃", "*c", "degc", "deg", "degrees", "celsius", "centigrade"),
    *("f", "°f", "ºf", "℉", "*f", "degf", "fahrenheit", "k", "°k", "kelvin", "mk", "°"),
    *("s", "sec", "secs", "second", "seconds", "ms", "msec", "millisecond", "milliseconds"),
    *("m", "min", "mins", "minute", "minutes", "h", "hr", "hrs", "hour", "hours", "d", "day"),
    *("days", "hms", "hh:mm", "hh:mm:ss", "h:mm", "h:mm:ss", "mm:ss", "m:ss", "sekunden"),
    *("minuten", "stunden", "minutes", "secondes", "heures", "minutos", "segundos", "horas"),
    *("g", "kg", "mg", "µg", "ug", "gram", "grams", "gramm", "lb", "lbs", "oz", "ounces"),
    *("l", "ml", "cl", "dl", "µl", "ul", "cc", "cm3", "cm³", "litre", "liter", "fl oz", "cups"),
    *("mm", "cm", "km", "in", "inch", "inches", "ft", "µm", "um"),
    *("%", "%rh", "rh", "percent", "fraction", "ratio", "count", "number", "text", "string"),
    *("v", "mv", "a", "ma", "w", "kw", "pa", "hpa", "kpa", "mbar", "bar", "atm", "hz"),
    *("m/s", "km/h", "mg/l", "ppm", "µs/cm", "us/cm", "k/min", "°c/min", "c/min", "w/m2k"),
    *("yyyy-mm-dd", "dd.mm.yyyy", "dd/mm/yyyy", "mm/dd/yyyy", "date", "no unit", "unitless"),
    *("yyyy-mm-dd hh:mm:ss", "dd.mm.yyyy hh:mm:ss", "dd/mm/yyyy hh:mm:ss", "degree", "1"),
}
_UNIT_FILLERS = {"", "-", "–", "—", "--", "/", "n/a", ".", "none"}
_DEGREES = re.compile(r"(?:deg(?:ree)?s?|grad|°)\.?\s*(?:c|f|k|celsius|fahrenheit|kelvin)\Z")


@lru_cache(maxsize=1 << 16)
def look_of(cell: str) -> Look:
    """Tell what a cell looks like.

    Parameters
    ----------
    cell : str
        The cell as typed.

    Returns
    -------
    {"e", "n", "q", "d", "t"}
        Empty, number, a number with something about it, date or time of day, other text.
    """
    cell = cell.strip()
    if not cell:
        return "e"
    if len(cell) > 60:
        return "t"
    if _IS_DATE.match(cell) or _IS_COMPACT.match(cell):
        return "d"
    if _IS_NUMBER.match(cell):
        return "n"
    if cell.lower() in _NOTHING:
        return "e"
    if any(c.isdigit() for c in cell) and _IS_ABOUT_NUMBER.match(cell):
        return "q"
    return "t"


def is_unit(cell: str) -> bool:
    """Tell whether a cell is a unit, bare or in brackets.

    Parameters
    ----------
    cell : str
        The cell as typed.

    Returns
    -------
    bool
    """
    word = " ".join(cell.split()).strip("()[]{} ").lower().replace("μ", "µ")
    return word in _UNIT_WORDS or bool(_DEGREES.match(word))


def is_units_row(cells: list[str]) -> bool:
    """Tell whether a row holds units and nothing else; at least one of them is real.

    Parameters
    ----------
    cells : list of str
        The row.

    Returns
    -------
    bool
    """
    filled = [c for c in cells if c.strip().lower() not in _UNIT_FILLERS]
    return bool(filled) and all(is_unit(c) for c in filled)
