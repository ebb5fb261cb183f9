"""Outcome cells as people write them: seen exactly, within a window, or not seen.

A time is stored as a window: both ends equal where it was seen exactly, no upper end
where it was never seen, zero as the lower end where it was over before the first look.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from metafreeze.register.meaning.units import Unit, find_unit
from metafreeze.register.meaning.words import SENTINELS, is_missing, plain_word

Number = Callable[[str], float | None]

Form = Literal[
    "exact",
    "approximate",
    "right-censored",
    "left-censored",
    "window",
    "missing",
    "sentinel",
    "never",
    "not-positive",
    "reversed",
    "needs-unit",
    "needs-clock",
    "unreadable",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One outcome cell, read.

    Parameters
    ----------
    form : str
        How the cell says it.
    lower_s, upper_s : float
        Window in seconds; NaN where there is none, infinity where it has no upper end.
    sd_s : float
        Error written beside the value, as in ``41 ± 2``; NaN where there is none.
    note : str
        What was left aside, such as a remark in brackets.
    """

    form: Form
    lower_s: float = math.nan
    upper_s: float = math.nan
    sd_s: float = math.nan
    note: str = ""


_NEVER = frozenset(
    plain_word(w)
    for w in (
        "did not freeze",
        "didn't freeze",
        "didnt freeze",
        "dnf",
        "no ice",
        "not frozen",
        "never",
        "never froze",
        "never frozen",
        "no freeze",
        "not freezing",
        "unfrozen",
        "still liquid",
        "liquid",
        "no freezing",
        "none frozen",
        "stayed liquid",
        "no",
        "not yet",
        "not seen",
        "did not",
        "not solid",
        "no event",
        "censored",
        "gave up",
        "supercooled",
        "inf",
        "infinity",
        "∞",
        "+inf",
        "not observed",
        "not reached",
        "no ice seen",
        "ice not seen",
        # The same in three other languages of kitchens.
        "nicht gefroren",
        "nicht fest",
        "non congelé",
        "no congelado",
    )
)

_MORE = (
    r"(?:>=|=>|>|≥|≧|>>|more than|over|longer than|above|greater than|at least|min(?:imum)?\.? of"
    r"|later than|beyond|exceeds|not before)"
)
_NOT_SEEN = (
    r"(?:not (?:yet )?(?:frozen|solid|froze|seen|ice|freezing|reached|observed)"
    r"|(?:did ?n[o']?t|didn[’']?t|did not) freeze(?: yet)?"
    r"|no (?:ice|freeze|freezing|event)(?: seen)?|still liquid|unfrozen|liquid|dnf|never(?: froze|"
    r" frozen)?|none|gave up|given up|stopped|censored|cens\.?|still (?:not frozen|unfrozen))"
)
_AT = (
    r"(?:\s*(?:after|by|at|within|in|until|till|up to|before|watched(?: for| until)?|observed"
    r"|checked|stopped|:|,|=|@|\(|>|≥))*\s*"
)
_LESS = (
    r"(?:<=|=<|<|≤|≦|<<|less than|under|before|within|below|at most|earlier than|sooner than"
    r"|up to|no later than|shorter than|already (?:frozen|solid) (?:at|by|after)"
    r"|frozen (?:by|before|at first look|within)|solid by)"
)
_ABOUT = r"(?:~|≈|∼|≃|about|approx(?:imately)?\.?|ca\.?|circa|c\.|around|roughly|est(?:imated)?\.?)"
_DASH = r"(?:\s*(?:-|–|—|−|‐|‑|\.\.\.?|…|to|until|and)\s*)"

_WORD_UNIT = (
    r"(?:hours?|hrs?|hr|h|minutes?|mins?|min|m|seconds?|secs?|sec|s|days?|d|ms|['’′]|[\"”″])"
)
_CLOCK = re.compile(r"^(\d{1,9}):(\d{1,2})(?::(\d{1,2}(?:[.,]\d+)?))?$")
_COMPOUND = re.compile(
    r"^(?:(?P<d>[\d.,]+)\s*(?:days?|d)\s*,?\s*(?:and\s*)?)?"
    r"(?:(?P<h>[\d.,]+)\s*(?:hours?|hrs?|h)\s*,?\s*(?:and\s*)?)?"
    r"(?:(?P<m>[\d.,]+)\s*(?:minutes?|mins?|m|['’′])?\s*,?\s*(?:and\s*)?)?"
    r"(?:(?P<s>[\d.,]+)\s*(?:seconds?|secs?|s|[\"”″]|''))?$"
)
_AND_HALF = {"½": 0.5, "¼": 0.25, "¾": 0.75}
# No outcome is longer; to take a longer cell apart would take for ever.
LONGEST_OUTCOME = 300

_HALF = re.compile("[½¼¾]")
_SAID = re.compile(
    r"^(?:frozen|froze|freezes|freezing|solid|ice|first ice|seen|took|t|time)\s*"
    r"(?:solid\s*)?(?:after|at|in|=|:)?\s+(.+)$"
)
_LIQUID_SOLID = re.compile(
    r"^(?:still )?(?:liquid|not (?:yet )?frozen|unfrozen|no ice|not (?:yet )?solid)"
    r"\s*(?:at|after|by|until)?\s*(.+?)\s*[,;]?\s*(?:and |but |then )?"
    r"(?:solid|frozen|ice|frozen solid)\s*(?:at|by|after|seen at)?\s*(\d.*)$"
)
_SANDWICH = re.compile(r"^(.+?)\s*(?:<|≤|<=)\s*(?:t|time|x)\s*(?:<|≤|<=)\s*(.+)$")


def two_field_first(text: str) -> int | None:
    """Give the first field of a cell such as ``41:20``; None for other cells."""
    match = _CLOCK.match(text.strip())
    if match is None or match.group(3) is not None:
        return None
    return int(match.group(1))


def first_field_s(unit: Unit) -> float:
    """Give the seconds in the first field of a clock unit, in which bare numbers count.

    NaN for three fields: there a bare number may stand for any of them.
    """
    return {"min:s": 60.0, "h:min": 3600.0}.get(unit.clock, math.nan)


def read_duration(text: str, *, unit: Unit | None, number: Number) -> float | None:
    """Read a duration in seconds.

    Parameters
    ----------
    text : str
        Such as ``41``, ``41 min``, ``1 h 20 min``, ``00:39:54``, ``41:20``.
    unit : Unit, optional
        Unit of a bare number; None where it is not known.
    number : callable
        Reads a number in the file's dialect; None where the text is no number.

    Returns
    -------
    float or None
        Seconds; NaN where it is a duration whose unit is not known; None where the text
        is no duration.
    """
    text = text.strip()
    value = number(text)
    if value is not None:
        if unit is None:
            return math.nan
        return value * first_field_s(unit) if unit.clock else unit.convert_one(value)
    match = _CLOCK.match(text)
    if match:
        return _clock_seconds(match, unit, number)
    for half, part in _AND_HALF.items():
        if half in text:
            value = number(text.split(half)[0].strip() or "0")
            rest = text.split(half)[1].strip()
            named = find_unit(rest, dimension="time") if rest else unit
            if value is None or named is None or named.clock:
                return None
            return named.convert_one(value + part)
    split = re.match(rf"^([\d.,\s']*\d)\s*({_WORD_UNIT}|[a-z]+\.?)$", text, re.IGNORECASE)
    if split:
        named = find_unit(
            {"'": "min", "’": "min", "′": "min", '"': "s", "”": "s", "″": "s"}.get(
                split.group(2), split.group(2)
            ),
            dimension="time",
        )
        value = number(split.group(1).strip())
        if named is not None and not named.clock and value is not None:
            return named.convert_one(value)
    return _compound_seconds(text, number)


def _clock_seconds(match: re.Match[str], unit: Unit | None, number: Number) -> float | None:
    first, second = int(match.group(1)), int(match.group(2))
    if match.group(3) is not None:
        third = number(match.group(3))
        if third is None or second > 59 or third >= 60:
            return None
        return first * 3600.0 + second * 60.0 + third
    if second > 59:
        return None
    if unit is None:
        return math.nan
    if unit.clock in ("h:min", "h:min:s") or unit.name == "h":
        return first * 3600.0 + second * 60.0
    if unit.clock == "min:s" or unit.name == "min":
        return first * 60.0 + second
    return None


def _compound_seconds(text: str, number: Number) -> float | None:
    match = _COMPOUND.match(text.casefold())
    if match is None:
        return None
    named = any(match.group(k) for k in "dhs") or re.search(r"[m'’′]", text.casefold())
    if not named or not any(match.groups()):
        return None
    total = 0.0
    for key, factor in (("d", 86400.0), ("h", 3600.0), ("m", 60.0), ("s", 1.0)):
        part = match.group(key)
        if part:
            value = number(part)
            if value is None:
                return None
            total += factor * value
    return total


@dataclass(frozen=True, slots=True, kw_only=True)
class _Cell:
    """What the readers of one cell share: the unit of bare numbers, and how numbers look."""

    unit: Unit | None
    number: Number

    def seconds(self, part: str) -> float | None:
        return read_duration(part.strip(" ()[]"), unit=self.unit, number=self.number)


def read_outcome(text: str, *, unit: Unit | None, number: Number) -> Outcome:
    """Read one outcome cell.

    Parameters
    ----------
    text : str
        The cell as typed.
    unit : Unit, optional
        Unit of a bare number; None where it is not known.
    number : callable
        Reads a number in the file's dialect; None where the text is no number.

    Returns
    -------
    Outcome
    """
    if len(text) > LONGEST_OUTCOME:
        return Outcome(form="unreadable")
    # Compatibility forms would turn one half into "1⁄2", which no reader takes apart.
    plain = text if _HALF.search(text) else unicodedata.normalize("NFKC", text)
    lowered = re.sub(r"\s+", " ", plain.casefold()).strip()
    if plain_word(lowered) in _NEVER:
        return Outcome(form="never")
    if is_missing(lowered):
        return Outcome(form="missing")
    value = number(lowered)
    if value is not None and value in SENTINELS:
        return Outcome(form="sentinel")

    cell = _Cell(unit=unit, number=number)
    single = cell.seconds(lowered)
    if single is not None:
        if math.isnan(single) and unit is not None:
            return Outcome(form="needs-clock")
        return _exact(single, value)
    if value is not None and math.isinf(value):
        return Outcome(form="never")
    lowered = re.sub(r"^(?:t|time)\s*(?=[<>≤≥=])", "", lowered).lstrip("= ")
    for read in (_apart, _right, _left, _about, _beside, _window, _said, _remarked):
        outcome = read(lowered, cell)
        if outcome is not None:
            return outcome
    if two_field_first(lowered) is not None and unit is not None:
        return Outcome(form="needs-clock")
    return Outcome(form="unreadable")


def _exact(seconds: float, value: float | None = None) -> Outcome:
    if math.isnan(seconds):
        if value is not None and value <= 0:
            return Outcome(form="not-positive", lower_s=value, upper_s=value)
        return Outcome(form="needs-unit")
    if seconds <= 0:
        return Outcome(form="not-positive", lower_s=seconds, upper_s=seconds)
    return Outcome(form="exact", lower_s=seconds, upper_s=seconds)


def _bounded(form: Form, lower: float | None, upper: float | None) -> Outcome | None:
    if lower is None or upper is None:
        return None
    if math.isnan(lower) or math.isnan(upper):
        return Outcome(form="needs-unit")
    if lower < 0 or upper <= 0:
        return Outcome(form="not-positive", lower_s=lower, upper_s=upper)
    if upper < lower:
        return Outcome(form="reversed", lower_s=lower, upper_s=upper)
    if lower == upper:
        return Outcome(form="exact", lower_s=lower, upper_s=upper)
    return Outcome(form=form, lower_s=lower, upper_s=upper)


def _apart(text: str, cell: _Cell) -> Outcome | None:
    """Read a window said in words, or with the time between two signs."""
    match = _SANDWICH.match(text) or _LIQUID_SOLID.match(text)
    if match is None:
        return None
    return _bounded("window", cell.seconds(match.group(1)), cell.seconds(match.group(2)))


def _said(text: str, cell: _Cell) -> Outcome | None:
    match = _SAID.match(text)
    value = cell.seconds(match.group(1)) if match else None
    return None if value is None else _exact(value)


def _right(text: str, cell: _Cell) -> Outcome | None:
    rest = None
    match = re.match(rf"^{_MORE}\s*(.+)$", text)
    if match:
        rest = match.group(1)
    match = match or re.match(rf"^{_NOT_SEEN}{_AT}(.+?)\)?$", text)
    if match and rest is None:
        rest = match.group(1)
    plus = re.match(
        r"^(.+?)\s*(?:\+|\*|\bcens(?:ored)?\b|\bc\b|\bor more\b|\bor longer\b|\band over\b"
        r"|\bplus\b|\bat least\b|\band up\b|\bstill liquid\b|\bnot frozen\b"
        r"|\bunfrozen\b|\bno ice\b|\bdnf\b)\s*(min|mins|minutes|h|hours|s|sec)?\)?$",
        text,
    )
    if rest is None and plus and not plus.group(1).endswith("*"):
        if text.rstrip().endswith("*"):
            return None
        rest = plus.group(1).strip(" ,;(") + (f" {plus.group(2)}" if plus.group(2) else "")
    if rest is None:
        return None
    return _bounded("right-censored", cell.seconds(rest), math.inf)


def _left(text: str, cell: _Cell) -> Outcome | None:
    match = re.match(rf"^{_LESS}\s*(.+)$", text) or re.match(
        r"^(.+?)\s*(?:or less|or earlier|or sooner|at most)$", text
    )
    if match is None:
        return None
    return _bounded("left-censored", 0.0, cell.seconds(match.group(1)))


def _about(text: str, cell: _Cell) -> Outcome | None:
    match = re.match(rf"^{_ABOUT}\s*(.+)$", text) or re.match(
        r"^(.+?)\s*(?:\?+|~|approx\.?)$", text
    )
    if match is None:
        return None
    value = cell.seconds(match.group(1))
    if value is None:
        return _window(match.group(1), cell)
    outcome = _exact(value)
    if outcome.form != "exact":
        return outcome
    return Outcome(form="approximate", lower_s=value, upper_s=value)


def _beside(text: str, cell: _Cell) -> Outcome | None:
    match = re.match(r"^(.+?)\s*(?:±|\+/-|\+-|\+/−)\s*(.+)$", text)
    if match is None:
        return None
    named = re.search(rf"{_WORD_UNIT}\.?$", match.group(2))
    left = match.group(1)
    if named and cell.number(left) is not None:
        left = f"{left} {named.group(0)}"
    value, sd = cell.seconds(left), cell.seconds(match.group(2))
    if value is None or sd is None:
        return None
    outcome = _exact(value)
    if outcome.form != "exact":
        return outcome
    return Outcome(form="exact", lower_s=value, upper_s=value, sd_s=sd)


def _window(text: str, cell: _Cell) -> Outcome | None:
    text = re.sub(r"^(?:between|from)\s+", "", text).strip()
    text = re.sub(r"^[\[(](.*)[\])]$", r"\1", text).strip()
    parts = re.match(rf"^(.*?\d\D*?){_DASH}(\D*\d.*)$", text)
    candidates = [parts.groups()] if parts else []
    # Commas separate a window only where they are no decimal mark: `35, 40`.
    comma = re.match(r"^(.*?\d\D*?)\s*,\s+(\d.*)$", text)
    if comma:
        candidates.append(comma.groups())
    for left, right in candidates:
        named = re.search(rf"(?<=[\d\s]){_WORD_UNIT}\.?$", right)
        if named and cell.number(left) is not None:
            left = f"{left} {named.group(0)}"
        lower, upper = cell.seconds(left), cell.seconds(right)
        if lower is not None and upper is not None:
            return _bounded("window", lower, upper)
    return None


def _remarked(text: str, cell: _Cell) -> Outcome | None:
    """Read a value followed by a remark in brackets or a footnote mark."""
    match = re.match(r"^(.+?)\s*(?:[(\[]([^()\[\]]*)[)\]]|([*†‡#§]+))$", text)
    if match is None:
        return None
    outcome = read_outcome(match.group(1), unit=cell.unit, number=cell.number)
    if outcome.form in ("unreadable", "missing", "never"):
        return None
    remark = match.group(2) or match.group(3)
    return Outcome(
        form=outcome.form,
        lower_s=outcome.lower_s,
        upper_s=outcome.upper_s,
        sd_s=outcome.sd_s,
        note=remark,
    )
