"""Axes of the figures: where a value stands, which values are written at the edge."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from metafreeze.options import Display
from metafreeze.reporting.numbers import MINUS, SIGNED_KINDS, decimal_text, shown_value

# Percentages that may be written on an axis of ratios; symmetrical in the ratio, not the percent.
PERCENT_STEPS = (1, 2, 5, 10, 20, 25, 50, 100)
MOST_TICKS = 7
FEWEST_PX_BETWEEN_TICKS = 54.0

# Width of the words "+100 %" and a gap.
FEWEST_PX_APART = 46.0

# Half the axis where nothing at all is known: ten percent, a size that people know.
EMPTY_AXIS = math.log(1.1)

# How far a band may stretch the axis, in widths of what the estimates take.
BAND_ROOMS = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """A straight axis from a range of values to a range of pixels.

    Parameters
    ----------
    low, high : float
        Values at the two ends.
    start_px, end_px : float
        Where these stand.
    """

    low: float
    high: float
    start_px: float
    end_px: float

    def place(self, value: float) -> float:
        """Give the pixel at which a value stands."""
        share = (value - self.low) / (self.high - self.low)
        return self.start_px + share * (self.end_px - self.start_px)

    def holds(self, value: float) -> bool:
        """Tell whether a value lies on the axis."""
        return self.low <= value <= self.high


def effect_range(
    estimates: Sequence[float],
    intervals: Sequence[tuple[float, float]],
    kind: Display,
    *,
    bands: Sequence[float] = (),
) -> tuple[float, float]:
    """Choose the ends of an axis of effects: every estimate, zero, and what limits leave room.

    Parameters
    ----------
    estimates : sequence of float
        What must be seen; NaN is passed over.
    intervals : sequence of (float, float)
        Ends of intervals; those far out are clipped, and get an arrow.
    kind : Display
        What the values are.
    bands : sequence of float
        Ends of the ranges that everything is read against, which are given more room.

    Returns
    -------
    tuple of float
    """
    seen = [v for v in estimates if math.isfinite(v)] + [0.0]
    ends = [end for pair in intervals for end in pair if math.isfinite(end)]
    if len(seen) == 1 and not ends and not any(math.isfinite(v) for v in bands):
        return -EMPTY_AXIS, EMPTY_AXIS
    inner_low, inner_high = min(seen), max(seen)
    widths = sorted(high - low for low, high in intervals if math.isfinite(high - low))
    usual = widths[len(widths) // 2] if widths else 0.0
    room = max(inner_high - inner_low, usual, 0.02 if kind in SIGNED_KINDS else 1e-9)
    # One hopelessly wide interval must not squeeze all the others into a line.
    low = max(min([*ends, inner_low]), inner_low - room)
    high = min(max([*ends, inner_high]), inner_high + room)
    wanted = [v for v in bands if math.isfinite(v)]
    low = min(low, max(min([*wanted, low]), inner_low - BAND_ROOMS * room))
    high = max(high, min(max([*wanted, high]), inner_high + BAND_ROOMS * room))
    margin = 0.04 * max(high - low, room)
    return low - margin, high + margin


def effect_ticks(scale: Scale, kind: Display) -> list[tuple[float, str]]:
    """Choose the values written on an axis of effects.

    Parameters
    ----------
    scale : Scale
        The axis.
    kind : Display
        What the values are.

    Returns
    -------
    list of tuple
        Value and words, from low to high; zero is among them where it is on the axis.
    """
    if kind not in SIGNED_KINDS:
        return plain_ticks(scale, kind)
    room = abs(scale.end_px - scale.start_px)
    most = max(3, min(MOST_TICKS, int(room / FEWEST_PX_BETWEEN_TICKS)))
    ends = [shown_value(v, kind) for v in (scale.low, scale.high)]
    for step in _percent_steps(max(abs(e) for e in ends)):
        percents = [
            p for p in _multiples(step, ends[0], ends[1]) if scale.holds(_from_percent(p, kind))
        ]
        if len(percents) <= most:
            break
    ticks = [(_from_percent(p, kind), _percent_words(p)) for p in percents]
    return _spaced(ticks, scale)


def _spaced(ticks: list[tuple[float, str]], scale: Scale) -> list[tuple[float, str]]:
    """Leave out the words that would touch, going outward from the one nearest to zero.

    Equal steps of percent crowd together upwards, since the axis is straight in the log ratio.
    """
    if not ticks:
        return ticks
    middle = min(range(len(ticks)), key=lambda n: abs(ticks[n][0]))
    kept = [ticks[middle]]
    for way in (1, -1):
        last = scale.place(ticks[middle][0])
        for value, words in ticks[middle + way :: way] if middle + way >= 0 else []:
            if abs(scale.place(value) - last) >= FEWEST_PX_APART:
                kept.append((value, words))
                last = scale.place(value)
    return sorted(kept)


def _percent_steps(largest: float) -> list[float]:
    """List candidate steps from fine to coarse, for effects far below one percent too."""
    power = 10.0 ** min(0, math.floor(math.log10(max(largest, 1e-6))))
    fine = [s * power for s in PERCENT_STEPS]
    return fine + [s * 10.0**k for k in range(1, 8) for s in (20, 50, 100)]


def _multiples(step: float, low: float, high: float) -> list[float]:
    first, last = math.ceil(low / step), math.floor(high / step)
    return [n * step for n in range(first, last + 1)]


def _from_percent(percent: float, kind: Display) -> float:
    return math.log1p(percent / 100) if kind == "log-ratio" else percent / 100 + 1


def _percent_words(percent: float) -> str:
    if abs(percent) < 1e-12:
        return "0"
    decimals = max(0, -math.floor(math.log10(abs(percent)) + 1e-9))
    return decimal_text(percent, min(decimals, 6), signed=True) + "\u00a0%"


def plain_ticks(scale: Scale, kind: Display, *, seconds: int = 60) -> list[tuple[float, str]]:
    """Choose round values on a straight axis.

    Parameters
    ----------
    scale : Scale
        The axis.
    kind : Display
        What the values are.
    seconds : int
        For durations: seconds in the unit shown.

    Returns
    -------
    list of tuple
        Value and words, from low to high.
    """
    from matplotlib.ticker import MaxNLocator

    factor = float(seconds) if kind == "seconds" else 1.0
    room = abs(scale.end_px - scale.start_px)
    most = max(2, min(MOST_TICKS, int(room / FEWEST_PX_BETWEEN_TICKS)))
    places = [
        float(v)
        for v in MaxNLocator(nbins=most, steps=[1, 2, 2.5, 5, 10]).tick_values(
            scale.low / factor, scale.high / factor
        )
        if scale.holds(float(v) * factor)
    ]
    gap = min((b - a for a, b in pairwise(places)), default=1.0)
    decimals = max(0, -math.floor(math.log10(gap) + 1e-9))
    if gap * 10**decimals % 1 > 1e-6:
        decimals += 1
    return [(v * factor, decimal_text(v, decimals)) for v in places]


def log_ticks(low: float, high: float, *, factor: float, most: int) -> list[tuple[float, str]]:
    """Choose round values on a logarithmic axis.

    Parameters
    ----------
    low, high : float
        Ends of the axis, above zero.
    factor : float
        Size of the unit shown, in the unit of the ends.
    most : int
        Most values wanted.

    Returns
    -------
    list of tuple
        Value and words, from low to high.
    """
    first = math.floor(math.log10(low / factor))
    last = math.ceil(math.log10(high / factor))
    for digits in (
        (1, 1.5, 2, 2.5, 3, 4, 5, 6, 7, 8, 9),
        (1, 1.5, 2, 3, 4, 5, 7),
        (1, 2, 3, 5),
        (1, 3),
        (1,),
    ):
        values = [
            d * 10.0**k
            for k in range(first, last + 1)
            for d in digits
            if low <= d * 10.0**k * factor <= high
        ]
        if len(values) <= most and len(values) >= 2:
            return [(v * factor, _plain(v)) for v in values]
    inside = Scale(low=low / factor, high=high / factor, start_px=0, end_px=100.0 * most)
    return [(v * factor, words) for v, words in plain_ticks(inside, "number") if v > 0]


def _plain(value: float) -> str:
    return f"{value:.6g}".replace("-", MINUS)
