"""When a cooling trace first falls through a temperature and stays below it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from metafreeze.curves.trace import Floats, Trace

# Readings farther than this many times the noise from a level lie surely on one side.
SURE = 4.0
# Limits of an interval lie this many standard errors from its middle.
LIMITS = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossing:
    """Times between which a curve fell through a level.

    Parameters
    ----------
    lower_s, upper_s : float
        Limits.
    in_gap : bool
        True where no readings stand between the limits though many should.
    slope_k_s : float
        Rate of cooling there, kelvin per second, positive while it cools.
    """

    lower_s: float
    upper_s: float
    in_gap: bool
    slope_k_s: float


def fit_line(times: Floats, temps: Floats) -> tuple[float, float, float, float]:
    """Fit a straight line by least squares, centred.

    Parameters
    ----------
    times, temps : float array, shape (n,)

    Returns
    -------
    mean_time, mean_temp, slope, squares : float
        Slope is 0 and squares 0 where all times are equal.
    """
    middle = float(times.mean())
    level = float(temps.mean())
    centred = times - middle
    squares = float(centred @ centred)
    slope = float(centred @ (temps - level)) / squares if squares > 0 else 0.0
    return middle, level, slope, squares


def find_crossing(trace: Trace, level_c: float, *, start: int = 0) -> Crossing | None:
    """Find the first lasting fall through a level.

    Readings surely above and surely below the level (four times the noise) bracket it. A
    straight line through the readings between gives the time, its standard error and half a
    step the limits; with few readings the bracket itself does.

    Parameters
    ----------
    trace : Trace
        Readings.
    level_c : float
        Level in degrees Celsius.
    start : int
        First reading to look at.

    Returns
    -------
    Crossing or None
        None where the readings from `start` on do not begin above the level or never fall
        surely below it.

    Notes
    -----
    Inverse regression: the standard error of the time at which a line meets a level is
    (s / slope) * sqrt(1/n + (t - mean)^2 / sum of squares) (common practice, no source).
    """
    temps, times = trace.temp_c[start:], trace.time_s[start:]
    margin = SURE * trace.noise_k
    below = temps <= level_c - margin
    last = int(below.argmax())
    if not below[last]:
        # The end of a record may lie below by less than the noise allows for one reading.
        below = temps <= level_c
        if not below[-3:].all() or temps.size < 4:
            return None
        last = temps.size - 1
    before = np.flatnonzero(temps[:last] >= level_c + margin)
    if not before.size:
        before = np.flatnonzero(temps[:last] > level_c)
        if not before.size:
            return None
    return _narrow(trace, times, temps, level_c, int(before[-1]), last)


def _narrow(
    trace: Trace, times: Floats, temps: Floats, level_c: float, first: int, last: int
) -> Crossing:
    """Narrow a sure bracket by a line through its readings."""
    # The last reading above and the first below bound the gap, if there is one.
    inner = temps[first : last + 1] > level_c
    above = first + int(np.flatnonzero(inner)[-1]) if inner.any() else first
    after = min(above + 1, last)
    if times[after] - times[above] > trace.gap_s:
        rate = (temps[above] - temps[after]) / (times[after] - times[above])
        return Crossing(
            lower_s=float(times[above]),
            upper_s=float(times[after]),
            in_gap=True,
            slope_k_s=float(rate),
        )
    low, high = max(first, 0), min(last + 1, temps.size)
    if high - low < 3:
        low, high = max(low - 1, 0), min(high + 1, temps.size)
    middle, mean, slope, squares = fit_line(times[low:high], temps[low:high])
    if slope >= 0:
        return Crossing(
            lower_s=float(times[first]), upper_s=float(times[last]), in_gap=False, slope_k_s=0.0
        )
    at = middle + (level_c - mean) / slope
    count = high - low
    error = trace.noise_k / -slope * (1 / count + (at - middle) ** 2 / squares) ** 0.5
    half = LIMITS * error + trace.step_s / 2
    return Crossing(
        lower_s=max(at - half, float(times[max(first - 1, 0)])),
        upper_s=min(at + half, float(times[min(last + 1, times.size - 1)])),
        in_gap=False,
        slope_k_s=-slope,
    )
