"""When ice began: the trace leaves its line of cooling for a plateau near 0 °C.

A rise alone is not ice. It must come from below 0 °C, be quick, and lead onto a stretch
that rests near 0 °C for longer than an opened door would hold it there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from metafreeze.curves.crossings import fit_line
from metafreeze.curves.plateau import Departure, Plateau
from metafreeze.curves.trace import Floats, Trace

RISE_K = 0.3
RISE_WITHIN_S = 60.0
# A plateau counts as ice after a quick rise where, without it, the water would have cooled by
# this much meanwhile; without a rise it must last longer, and end in a fall.
_HELD_AFTER_RISE_K = 2.5
_HELD_ALONE_K = 8.0
# Readings this many times the noise above the line of cooling have left it.
_LEFT = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstIce:
    """When ice began, or why none is believed.

    Parameters
    ----------
    frozen : bool
        True where ice is believed.
    lower_s, upper_s : float
        Limits; NaN without ice.
    minimum_c : float
        Lowest temperature before it; NaN where it began without supercooling.
    minimum_at : int
        Its reading; -1 if none.
    in_gap : bool
        True where it began between readings far apart.
    resolved : bool
        False where no rise stands out of the noise.
    because : str
        Why, in one clause.
    """

    frozen: bool
    lower_s: float = float("nan")
    upper_s: float = float("nan")
    minimum_c: float = float("nan")
    minimum_at: int = -1
    in_gap: bool = False
    resolved: bool = False
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Approach:
    """The straight line on which the water cooled before ice."""

    middle: float
    mean: float
    slope: float

    def at(self, times: Floats) -> Floats:
        return self.mean + self.slope * (times - self.middle)


def _fit_approach(trace: Trace, last: int, span_k: float) -> _Approach | None:
    """Fit the readings up to `last` that lie within a span above it, at least three."""
    window = trace.temp_c[max(last - 2000, 0) : last + 1]
    above = np.flatnonzero(window > window[-1] + span_k)
    first = last - (window.size - 1 - int(above[-1])) + 1 if above.size else last - window.size + 1
    first = max(min(first, last - 3), 0)
    if last - first < 1:
        return None
    middle, mean, slope, _ = fit_line(
        trace.time_s[first : last + 1], trace.temp_c[first : last + 1]
    )
    return _Approach(middle=middle, mean=mean, slope=slope)


def find_first_ice(trace: Trace, plateau: Plateau | None, departure: Departure | None) -> FirstIce:
    """Find when ice began.

    Parameters
    ----------
    trace : Trace
        Readings.
    plateau : Plateau or None
        Where the trace rests near 0 °C.
    departure : Departure or None
        When it left the plateau.

    Returns
    -------
    FirstIce
    """
    if plateau is None:
        return FirstIce(frozen=False, because="the trace rests nowhere near 0 °C")
    if plateau.first == 0:
        return FirstIce(frozen=False, because="the trace begins at rest near 0 °C")
    return _judge(trace, plateau, departure)


def _coldest_before(trace: Trace, plateau: Plateau) -> int:
    """Give the reading of the lowest temperature before the plateau, or just inside it."""
    width = max(int(np.ceil(2 * RISE_WITHIN_S / trace.step_s)), 3)
    stop = min(plateau.first + min(width, 1 + (plateau.last - plateau.first) // 4), plateau.last)
    return int(np.argmin(trace.temp_c[: stop + 1]))


def _judge(trace: Trace, plateau: Plateau, departure: Departure | None) -> FirstIce:
    noise = trace.noise_k
    coldest = _coldest_before(trace, plateau)
    minimum = float(trace.temp_c[coldest])
    depth = plateau.level_c - minimum
    if depth >= max(RISE_K, 4 * noise) and minimum < 0:
        return _after_rise(trace, plateau, coldest, depth)
    return _without_rise(trace, plateau, departure)


def _held_k(trace: Trace, plateau: Plateau, slope: float) -> float:
    """Give how far the water would have cooled during the plateau at the earlier rate."""
    return float(-slope * (trace.time_s[plateau.last] - trace.time_s[plateau.first]))


def _after_rise(trace: Trace, plateau: Plateau, coldest: int, depth: float) -> FirstIce:
    """Judge a plateau that is reached from below."""
    times, temps, noise = trace.time_s, trace.temp_c, trace.noise_k
    arrival = max(plateau.first, coldest + 1)
    # The last reading on the line of cooling: go back from the plateau to where the
    # trace is no more than noise above the coldest reading.
    on_line = coldest + int(
        np.flatnonzero(temps[coldest:arrival] <= temps[coldest] + max(_LEFT * noise, 0.1 * depth))[
            -1
        ]
    )
    soon = int(np.searchsorted(times, times[on_line] + RISE_WITHIN_S, side="right"))
    soon = min(max(soon, on_line + 2), times.size)
    rise = float(temps[on_line + 1 : soon].max() - temps[on_line]) if soon > on_line + 1 else 0.0
    if rise < RISE_K:
        return FirstIce(frozen=False, because="0 °C is reached from below too slowly for new ice")
    # The rate over the last kelvins before the minimum, away from a stand-still at the sink.
    approach = _fit_approach(trace, on_line, max(2.0, 8 * noise))
    early = _rate_at_zero(trace, coldest, plateau.level_c)
    slope = min(early, approach.slope if approach else 0.0)
    held = _held_k(trace, plateau, slope)
    to_end = plateau.last >= times.size - 2
    few = plateau.last - plateau.first + 1 < 3
    if (held < _HELD_AFTER_RISE_K and not (to_end and rise >= 0.8 * depth)) or few:
        return FirstIce(
            frozen=False,
            because=f"a rise of {rise:.1f} K holds near 0 °C too briefly for ice",
        )
    lower, upper = float(times[on_line]), float(times[on_line + 1])
    in_gap = upper - lower > trace.gap_s
    if not in_gap:
        middle = on_line + int(np.argmax(temps[on_line:soon] >= temps[on_line] + depth / 2))
        if middle > on_line:
            rate = float(
                (temps[middle] - temps[on_line]) / max(times[middle] - times[on_line], 1e-12)
            )
            lower -= 4 * noise / rate
        # A smeared stamp may place the reading itself within its step.
        lower, upper = lower - 0.1 * trace.step_s, upper + 0.1 * trace.step_s
        lower = max(lower, float(times[0]))
    return FirstIce(
        frozen=True,
        lower_s=lower,
        upper_s=upper,
        minimum_c=float(temps[coldest]),
        minimum_at=coldest,
        in_gap=in_gap,
        resolved=True,
        because=(
            f"a rise of {rise:.1f} K from {temps[coldest]:.1f} °C onto a rest at "
            f"{plateau.level_c:.1f} °C"
        ),
    )


def _rate_at_zero(trace: Trace, coldest: int, level_c: float) -> float:
    """Give the slope at which the trace fell through the level of its plateau."""
    before = trace.temp_c[: coldest + 1]
    passing = np.flatnonzero(np.abs(before - level_c) <= 2.0)
    if passing.size < 2:
        return 0.0
    first, last = int(passing[0]), int(passing[-1])
    span = float(trace.time_s[last] - trace.time_s[first])
    return float(before[last] - before[first]) / span if span > 0 else 0.0


def _without_rise(trace: Trace, plateau: Plateau, departure: Departure | None) -> FirstIce:
    """Judge a plateau that is reached from above, with no rise that stands out."""
    times, temps, noise = trace.time_s, trace.temp_c, trace.noise_k
    high = np.flatnonzero(temps[: plateau.first + 1] > plateau.level_c + max(0.3, _LEFT * noise))
    if not high.size:
        return FirstIce(frozen=False, because="the trace begins at rest near 0 °C")
    last_high = int(high[-1])
    approach = _fit_approach(trace, last_high, max(1.5, 6 * noise))
    if approach is None or approach.slope >= 0:
        return FirstIce(frozen=False, because="the trace does not cool toward 0 °C")
    held = _held_k(trace, plateau, approach.slope)
    if departure is None or held < _HELD_ALONE_K:
        return FirstIce(
            frozen=False,
            because="a rest near 0 °C without a rise before it, too short or without an end",
        )
    stop = min(
        last_high + 2 + int(np.ceil(6 * noise / -approach.slope / trace.step_s)) + 3, plateau.last
    )
    ahead = temps[last_high + 1 : stop + 1] > approach.at(times[last_high + 1 : stop + 1]) + (
        _LEFT * noise
    )
    off = last_high + 1 + (int(np.argmax(ahead)) if ahead.any() else ahead.size - 1)
    reached = approach.middle + (plateau.level_c - approach.mean) / approach.slope
    before = float(times[off - 1])
    in_gap = float(times[off]) - before > trace.gap_s
    slack = (LINE_NOISE * noise) / -approach.slope
    lower = before if in_gap else min(reached, float(times[off])) - slack - trace.step_s / 2
    upper = float(times[off]) if in_gap else max(float(times[off]), reached + slack)
    return FirstIce(
        frozen=True,
        lower_s=max(lower, float(times[0])),
        upper_s=upper,
        in_gap=in_gap,
        resolved=False,
        because=f"the trace leaves its line of cooling for a rest at {plateau.level_c:.1f} °C "
        "and no rise stands out",
    )


# Half-width of an unresolved beginning, in noise over the rate of cooling.
LINE_NOISE = 1.0
