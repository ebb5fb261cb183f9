"""How numbers are written for people.

Each function takes the value as it stands in the results and gives a `Number` that keeps
it. Changing the unit for display (seconds to minutes, a log ratio to percent) happens here
and nowhere else.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from metafreeze.errors import InputError
from metafreeze.options import Display
from metafreeze.reporting.content import (
    Number,
    Text,
    say,
)

MINUS = "\u2212"
THIN_SPACE = "\u202f"
MISSING = "–"

# Kinds that are shown as a percentage, and those with a unit of their own.
PERCENT_KINDS: tuple[Display, ...] = ("log-ratio", "ratio", "percent", "share")
SIGNED_KINDS: tuple[Display, ...] = ("log-ratio", "ratio")
UNITS: dict[Display, str] = {
    "log-ratio": "%",
    "ratio": "%",
    "percent": "%",
    "share": "%",
    "celsius": "°C",
    "kelvin": "K",
    "grams": "g",
    "millimetres": "mm",
}
SECONDS_PER_MINUTE = 60
SECONDS_PER_HOUR = 3600

# Largest value shown in seconds and in minutes before the next unit reads better.
MOST_SECONDS = 120
MOST_MINUTES = 48 * 60

# Below this a probability is shown as "below", since more digits would say nothing.
SMALLEST_P = 0.001
MOST_DECIMALS = 6


def is_missing(value: object) -> bool:
    """Tell whether there is no number to show.

    Parameters
    ----------
    value : object
        Any cell.

    Returns
    -------
    bool
    """
    if value is None or value is pd.NA or value is pd.NaT:
        return True
    return isinstance(value, (float, np.floating)) and math.isnan(float(value))


def time_unit(values: Sequence[float]) -> tuple[str, int]:
    """Choose the unit in which a group of durations reads best.

    Parameters
    ----------
    values : sequence of float
        Durations, s; missing and unbounded ones are passed over.

    Returns
    -------
    tuple of str and int
        The unit, and how many seconds it holds.
    """
    sizes = [abs(v) for v in values if not is_missing(v) and math.isfinite(v)]
    largest = max(sizes, default=0.0)
    if largest <= MOST_SECONDS:
        return "s", 1
    if largest <= MOST_MINUTES * SECONDS_PER_MINUTE:
        return "min", SECONDS_PER_MINUTE
    return "h", SECONDS_PER_HOUR


def shown_value(value: float, kind: Display, *, seconds: int = SECONDS_PER_MINUTE) -> float:
    """Turn a result into the unit in which it is shown.

    Parameters
    ----------
    value : float
        As it stands in the results.
    kind : Display
        What it is.
    seconds : int
        For durations: seconds in the unit shown.

    Returns
    -------
    float
    """
    if kind == "log-ratio":
        return 100.0 * math.expm1(value) if value < math.log(1e6) else math.inf
    if kind == "ratio":
        return 100.0 * (value - 1.0)
    if kind == "share":
        return 100.0 * value
    if kind == "seconds":
        return value / seconds
    return float(value)


def decimals_for(shown: Sequence[float], kind: Display) -> int:
    """Choose how many decimals a group of numbers of one kind needs.

    Parameters
    ----------
    shown : sequence of float
        Values in the unit shown.
    kind : Display
        What they are.

    Returns
    -------
    int
    """
    if kind == "count":
        return 0
    sizes = sorted(abs(v) for v in shown if math.isfinite(v) and v != 0)
    if not sizes:
        return 0
    if kind in ("celsius", "kelvin"):
        return 0 if all(float(v).is_integer() for v in sizes) else 1
    middle = sizes[len(sizes) // 2]
    digits = 1 if kind in PERCENT_KINDS else 3
    # The middle value decides, so that one extreme row does not cost the others their digits.
    places = digits - 1 - math.floor(math.log10(middle))
    most = 2 if kind in PERCENT_KINDS else MOST_DECIMALS
    if kind == "seconds":
        most = 2
    return max(0, min(most, places))


def decimal_text(value: float, decimals: int, *, signed: bool = False) -> str:
    """Write a number with a visible minus, grouped above four digits.

    Parameters
    ----------
    value : float
        In the unit shown.
    decimals : int
        Digits after the point.
    signed : bool
        Write a plus too.

    Returns
    -------
    str
    """
    if math.isinf(value):
        return "∞" if value > 0 else f"{MINUS}∞"
    text = f"{abs(value):.{decimals}f}"
    whole, point, rest = text.partition(".")
    if len(whole) > 4:
        whole = f"{int(whole):,}".replace(",", THIN_SPACE)
    text = whole + point + rest
    is_zero = not any(c in "123456789" for c in text)
    if value < 0 and not is_zero:
        return MINUS + text
    if signed and not is_zero:
        return "+" + text
    return text


def show(
    value: float,
    kind: Display,
    *,
    decimals: int | None = None,
    signed: bool = False,
    unit: bool = True,
    seconds: int | None = None,
    fixed: bool = False,
) -> Number:
    """Write one number of any kind.

    Parameters
    ----------
    value : float or int
        As it stands in the results.
    kind : Display
        What it is.
    decimals : int, optional
        Digits after the point; chosen from the value where missing.
    signed : bool
        Write a plus in front of what is above zero.
    unit : bool
        Whether the unit follows.
    seconds : int, optional
        For durations: seconds in the unit shown; chosen from the value where missing.
    fixed : bool
        A number of the wording and no result.

    Returns
    -------
    Number
    """
    plain: float | int = value.item() if isinstance(value, np.generic) else value
    if is_missing(plain):
        return Number(value=math.nan, text=MISSING, kind=kind, fixed=True)
    name = UNITS.get(kind, "")
    if kind == "seconds":
        if seconds is None:
            name, seconds = time_unit([plain])
        else:
            name = {1: "s", SECONDS_PER_MINUTE: "min", SECONDS_PER_HOUR: "h"}[seconds]
    if kind == "p-value" and plain < SMALLEST_P:
        return Number(value=plain, text=f"<{THIN_SPACE}{SMALLEST_P}", kind=kind, fixed=fixed)
    size = shown_value(plain, kind, seconds=seconds or SECONDS_PER_MINUTE)
    if decimals is None:
        decimals = 3 if kind == "p-value" else decimals_for([size], kind)
    text = decimal_text(size, decimals, signed=signed)
    return Number(value=plain, text=text, unit=name if unit else "", kind=kind, fixed=fixed)


def constant(value: float, kind: Display = "number", *, decimals: int | None = None) -> Number:
    """Write a number that belongs to the wording: 0 °C, a 95 % level.

    Parameters
    ----------
    value : float
        The number, in the unit of its kind.
    kind : Display
        What it is.
    decimals : int, optional
        Digits after the point.

    Returns
    -------
    Number
    """
    return show(value, kind, decimals=decimals, fixed=True)


def count(value: int, one: str, many: str = "") -> Text:
    """Write a count with its noun: "1 run", "12 runs".

    Parameters
    ----------
    value : int
        How many.
    one : str
        The noun for one.
    many : str
        The noun for any other number; `one` with an s where missing.

    Returns
    -------
    Text
    """
    noun = one if value == 1 else (many or one + "s")
    return say("{n}\u00a0{noun}", n=show(value, "count"), noun=noun)


def between(
    low: float,
    high: float,
    kind: Display,
    *,
    decimals: int | None = None,
    signed: bool | None = None,
    unit: bool = True,
    seconds: int | None = None,
) -> Text:
    """Write an interval: "2 to 10 %".

    Parameters
    ----------
    low, high : float
        The limits as they stand in the results.
    kind : Display
        What they are.
    decimals : int, optional
        Digits after the point; chosen from the limits where missing.
    signed : bool, optional
        Write the signs; by default where a signed kind holds zero.
    unit : bool
        Whether the unit follows the upper limit.
    seconds : int, optional
        For durations: seconds in the unit shown.

    Returns
    -------
    Text
    """
    if is_missing(low) or is_missing(high):
        return say("interval not available")
    if kind == "seconds" and seconds is None:
        seconds = time_unit([low, high])[1]
    sizes = sizes_shown([low, high], kind, seconds)
    if decimals is None:
        decimals = decimals_for(sizes, kind)
    if signed is None:
        signed = kind in SIGNED_KINDS and any(s < 0 for s in sizes)
    parts = [
        show(v, kind, decimals=decimals, signed=signed, unit=unit and last, seconds=seconds)
        for v, last in ((low, False), (high, True))
    ]
    first, last = parts
    if _is_open(first) and _is_open(last):
        return say("no limit on either side")
    if _is_open(last):
        return say("at least {low}", low=replace(first, unit=last.unit))
    if _is_open(first):
        return say("at most {high}", high=last)
    return say("{low} to {high}", low=first, high=last)


def _is_open(limit: Number) -> bool:
    return "∞" in limit.text


def sizes_shown(values: Sequence[float], kind: Display, seconds: int | None) -> list[float]:
    """Turn a group of results into the unit in which they are shown, without the missing ones.

    Parameters
    ----------
    values : sequence of float
        As they stand in the results.
    kind : Display
        What they are.
    seconds : int or None
        For durations: seconds in the unit shown.

    Returns
    -------
    list of float
    """
    return [
        shown_value(v, kind, seconds=seconds or SECONDS_PER_MINUTE)
        for v in values
        if not is_missing(v)
    ]


def effect(
    estimate: float,
    low: float | None,
    high: float | None,
    *,
    hot_c: float,
    cold_c: float,
    kind: Display = "log-ratio",
) -> Text:
    """Say an effect for a pair of start temperatures.

    Parameters
    ----------
    estimate, low, high : float
        Log ratio (or ratio) of the times, hotter over colder; no unit. NaN limits are said;
        None stands for an effect that is told without any.
    hot_c, cold_c : float
        The pair, °C.
    kind : {"log-ratio", "ratio"}
        What the three numbers are.

    Returns
    -------
    Text
        As in "80 °C finished 6 % later than 20 °C (2 to 10 %)".

    Raises
    ------
    InputError
        `kind` is no ratio.
    """
    if kind not in SIGNED_KINDS:
        raise InputError(f'kind is {kind!r}. Choose one of "log-ratio", "ratio".')
    hot, cold = show(hot_c, "celsius"), show(cold_c, "celsius")
    if is_missing(estimate):
        return say(
            "whether {hot} finishes sooner or later than {cold} cannot be estimated",
            hot=hot,
            cold=cold,
        )
    known = [v for v in (estimate, low, high) if v is not None]
    decimals = _effect_decimals(known, kind)
    size, way = _sooner_or_later(estimate, kind, decimals)
    words = say("{hot} finished {size} {way} than {cold}", hot=hot, size=size, way=way, cold=cold)
    if low is None or high is None:
        return words
    return words + say(" ({limits})", limits=_effect_limits(estimate, low, high, kind, decimals))


def _effect_decimals(values: Sequence[float], kind: Display) -> int:
    sizes = sizes_shown(values, kind, None)
    decimals = decimals_for(sizes, kind)
    # A limit that rounds to zero would hide on which side of zero it lies.
    while decimals < 2 and any(s != 0 and round(s, decimals) == 0 for s in sizes):
        decimals += 1
    return decimals


def _sooner_or_later(value: float, kind: Display, decimals: int) -> tuple[Number, str]:
    size = shown_value(value, kind)
    number = Number(
        value=value.item() if isinstance(value, np.generic) else value,
        text=decimal_text(abs(size), decimals),
        unit="%",
        kind=kind,
    )
    return number, "sooner" if size < 0 else "later"


def _effect_limits(estimate: float, low: float, high: float, kind: Display, decimals: int) -> Text:
    if is_missing(low) or is_missing(high):
        return say("interval not available")
    first, second = _sooner_or_later(low, kind, decimals), _sooner_or_later(high, kind, decimals)
    if _is_open(second[0]):
        return say(
            "at least {low} later" if first[1] == "later" else "{low} sooner to any later",
            low=first[0],
        )
    if first[1] != second[1]:
        return say(
            "{low} {sooner} to {high} {later}",
            low=first[0],
            sooner=first[1],
            high=second[0],
            later=second[1],
        )
    smaller, larger = (first[0], second[0]) if first[1] == "later" else (second[0], first[0])
    bare = Number(value=smaller.value, text=smaller.text, kind=smaller.kind)
    way = first[1]
    if way == _sooner_or_later(estimate, kind, decimals)[1]:
        return say("{low} to {high}", low=bare, high=larger)
    return say("{low} to {high} {way}", low=bare, high=larger, way=way)
