"""Cells of published tables that hold more than a number: centre, spread, kind, count.

`41.2 ± 3.1`, `40.0 (median)`, `42.1-47.9`, `41.2 (95% CI 38.1 to 44.3)`, `39 (SD 2, n = 8)`.
"""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass

from metafreeze.register.meaning.values import Number

# A spread's kind as the heading, a type column or the cell names it.
KINDS = ("SD", "SE", "CI", "IQR", "range", "CV", "variance")

_N = re.compile(r"[,;(]?\s*\bn\s*=\s*(\d+)\s*\)?", re.I)
_LEVEL = re.compile(
    r"(\d{2}(?:\.\d+)?)\s*%?\s*(?:ci\b|cl\b|confidence|limits?\b)|ci\s*(\d{2})\s*%?", re.I
)
_KIND_WORDS: tuple[tuple[str, str], ...] = (
    (
        r"\d{2}(?:\.\d+)?\s*%?\s*(?:ci|cl|confidence (?:interval|limits?)|limits)\b"
        r"|\bci\s*\(?\d{2}\s*%?\)?|\b(?:ci|cl|confidence (?:interval|limits?))\b"
        r"|\b\d{2}\s*%(?!\w)",
        "CI",
    ),
    (
        r"\b(?:sem|se|s\.e\.m?\.?|std\.? ?err(?:or)?|stderr"
        r"|standard errors?(?: of the mean)?)(?!\w)",
        "SE",
    ),
    (
        r"\b(?:sd|s\.d\.?|std\.? ?dev(?:iation)?|stdev|std|st\.? ?dev\.?"
        r"|standard deviations?|sigma)(?!\w)|σ",
        "SD",
    ),
    (r"\b(?:iqr|inter ?-?quartile(?: range)?|quartiles?)\b", "IQR"),
    (r"\b(?:full |min(?:imum)?\s*(?:-|–|to|/)\s*max(?:imum)?|range|extremes|min max)\b", "range"),
    (r"\b(?:cv|rsd|coefficient of variation)\b", "CV"),
    (r"\b(?:variance|var)\b", "variance"),
)
_CENTRE_WORDS = re.compile(r"\b(median|med|md|mean|average|avg)\b\.?", re.I)
_NUM = r"[-+−–]?\s*(?:\d[\d.,'\u00a0\u202f ]*\d|\d)(?:[eE][-+]?\d+)?"
_PLUS_MINUS = r"(?:±|\+\s*/\s*[-−–]|\+-|\+/−)"


@dataclass(slots=True, kw_only=True)
class Stated:
    """What a cell says, in the cell's own unit.

    Parameters
    ----------
    centre : float
        Mean or median; NaN where the cell has none.
    centre_kind : {"", "mean", "median"}
        What the cell says it is.
    width : float
        A spread given as one number.
    low, high : float
        A spread given as two ends.
    kind : str
        One of `KINDS`, or empty.
    level : float
        Level of an interval.
    n : float
        Number of runs.
    readable : bool
        False where something in the cell was not understood.
    """

    centre: float = math.nan
    centre_kind: str = ""
    width: float = math.nan
    low: float = math.nan
    high: float = math.nan
    kind: str = ""
    level: float = math.nan
    n: float = math.nan
    readable: bool = True

    @property
    def has_spread(self) -> bool:
        """Whether any spread is given."""
        return not (math.isnan(self.width) and math.isnan(self.low))


def find_kind(text: str) -> tuple[str, float]:
    """Find the kind of spread that a text names, and its level.

    Parameters
    ----------
    text : str
        Such as ``SEM``, ``95% CI`` or ``IQR``.

    Returns
    -------
    kind : str
        One of `KINDS`, or empty.
    level : float
        NaN where none is named.
    """
    kind, level, _ = _take_kind(unicodedata.normalize("NFKC", text))
    return kind, level


def _take_kind(text: str) -> tuple[str, float, str]:
    level = math.nan
    match = _LEVEL.search(text)
    if match:
        digits = match.group(1) or match.group(2)
        level = float(digits) / 100
    for pattern, kind in _KIND_WORDS:
        found = re.search(pattern, text, re.I)
        if found:
            rest = f"{text[: found.start()]} {text[found.end() :]}"
            if kind == "CI" and math.isnan(level):
                percent = re.search(r"(\d{2})\s*%", found.group(0))
                level = float(percent.group(1)) / 100 if percent else math.nan
            return kind, level if kind == "CI" else math.nan, rest
    return "", math.nan, text


def read_stated(text: str, number: Number, *, with_centre: bool) -> Stated:
    """Read a cell of a published table.

    Parameters
    ----------
    text : str
        The cell.
    number : callable
        Reads a plain number.
    with_centre : bool
        True for a cell that begins with a mean or a median, False for a spread alone.

    Returns
    -------
    Stated
    """
    stated = Stated()
    rest = unicodedata.normalize("NFKC", text).strip()
    count = _N.search(rest)
    if count:
        stated.n = float(count.group(1))
        rest = f"{rest[: count.start()]} {rest[count.end() :]}"
    words = _CENTRE_WORDS.search(rest)
    if words:
        stated.centre_kind = (
            "median"
            if words.group(1).casefold().startswith("med") or (words.group(1).casefold() == "md")
            else "mean"
        )
        rest = f"{rest[: words.start()]} {rest[words.end() :]}"
    stated.kind, stated.level, rest = _take_kind(rest)
    if with_centre:
        head = re.match(rf"^[\s=:]*({_NUM}?)(?=\s*(?:$|{_PLUS_MINUS}|[(\[,;]|\Z|\s))", rest)
        value = number(head.group(1).strip()) if head else None
        if head is None or value is None:
            stated.readable = False
            return stated
        stated.centre = value
        rest = rest[head.end() :]
    _read_spread(rest, number, stated)
    return stated


def _read_spread(rest: str, number: Number, stated: Stated) -> None:
    tidy = re.sub(r"[()\[\]{}=:]", " ", rest)
    tidy = re.sub(r"\s+", " ", tidy).strip(" ,;")
    if not tidy:
        return
    single = re.match(rf"^{_PLUS_MINUS}?\s*(.+?)\s*%?$", tidy)
    if single:
        width = number(single.group(1))
        if width is not None:
            if tidy.endswith("%"):
                if stated.kind not in ("", "CV"):
                    stated.readable = False
                    return
                stated.kind, width = "CV", width / 100
            stated.width = width
            return
    pair = split_pair(tidy, number)
    if pair is None:
        stated.readable = False
        return
    stated.low, stated.high = pair


# Two numbers with words about them; a longer text would be split at every sign in it.
LONGEST_PAIR = 200


def split_pair(text: str, number: Number) -> tuple[float, float] | None:
    """Split ``42.1-47.9``, ``43.0, 49.4`` or ``-4.6 to -1.0`` into its two numbers."""
    tidy = re.sub(r"^(?:from|between)\s+", "", text.strip())
    if len(tidy) > LONGEST_PAIR:
        return None
    for separator in (
        r"\s+(?:to|and|bis)\s+",
        r"\s*;\s*",
        r"\s*\.\.\.?\s*",
        r"\s*…\s*",
        r"(?<=[\d\s])\s*[-–—−‐‑]\s*",
        r"\s*,\s+",
        r"\s*/\s*",
        r"\s*,\s*",
        r"\s+",
    ):
        for match in re.finditer(separator, tidy):
            low, high = number(tidy[: match.start()]), number(tidy[match.end() :])
            if low is not None and high is not None:
                return low, high
    return None
