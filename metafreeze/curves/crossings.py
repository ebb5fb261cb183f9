"""When a cooling trace first falls through a temperature and stays below it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from metafreeze.curves.noise import places_of
from metafreeze.curves.trace import Floats, Trace

# Readings farther than this many times the noise from a level lie surely on one side.
SURE = 4.0
# Limits of an interval lie this many standard errors from its middle: 99 % of a normal one.
LIMITS = 2.6
# A fall that is undone within this time was not the lasting one.
LASTING_S = 300.0
_MOST_RETURNS = 20
# Readings from which on a bend is fitted beside the slope.
_BENT_FROM = 12
# The curve is laid through readings this far on either side of the level: so many times the
# noise, so many kelvins, so many rounding steps, and at most so many readings.
_FIT_NOISE, _FIT_K, _FIT_ROUNDING, _MOST_READINGS = 8.0, 0.5, 3.0, 2000
_FEW = 6
# Readings that scatter so many times more about the curve than they should tell of a disturbance.
MISFIT = 1.6
# Rounding steps on either side of a level that a line needs to see through rounding.
_ROUNDING_STEPS = 2.0
# Readings without any noise or rounding still stand on one side of a level only.
_LEAST_K = 1e-6


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
    count = times.size
    middle = float(times.sum()) / count
    level = float(temps.sum()) / count
    centred = times - middle
    squares = float(centred @ centred)
    slope = float(centred @ (temps - level)) / squares if squares > 0 else 0.0
    return middle, level, slope, squares


def find_crossing(
    trace: Trace,
    level_c: float,
    *,
    start: int = 0,
    stop: int | None = None,
    level_slack_k: float = 0.0,
) -> Crossing | None:
    """Find the first lasting fall through a level.

    Readings surely above and surely below the level (four times the noise) bracket it. A
    curve through the readings between gives the time, its standard error and half a step the
    limits; with few readings the bracket itself does. A fall that is undone within five
    minutes, as after an opened door, is passed over for the next.

    Parameters
    ----------
    trace : Trace
        Readings.
    level_c : float
        Level in degrees Celsius.
    start, stop : int
        First reading to look at, and the one after the last.
    level_slack_k : float
        How far the level itself may be off.

    Returns
    -------
    Crossing or None
        None where the readings do not begin above the level or never fall surely below it.

    Notes
    -----
    Inverse regression: the standard error of the time at which a line meets a level is
    (s / slope) * sqrt(1/n + (t - mean)^2 / sum of squares) (common practice, no source).
    """
    temps, times = trace.temp_c[start:stop], trace.time_s[start:stop]
    if temps.size < 2:
        return None
    margin = max(SURE * trace.noise_k, _ROUNDING_STEPS * trace.resolution_k, _LEAST_K)
    below = temps <= level_c - margin
    last = int(below.argmax())
    if not below[last]:
        # The end of a record may lie below by less than the noise allows for one reading.
        below = temps < level_c
        if stop is not None and below.any():
            # Ice warms the water again before it is surely below; its lowest reading ends the fall.
            last = int(temps.argmin())
        elif not below[-3:].all() or temps.size < 4:
            return None
        else:
            last = temps.size - 1
    else:
        last = _lasting(times, temps, level_c, margin, last)
    first = _last_true(temps[:last] >= level_c + margin)
    if first < 0:
        first = _last_true(temps[:last] > level_c)
        if first < 0:
            return None
    return _narrow(trace, times, temps, level_c, first, last, level_slack_k)


def _last_true(marks: npt.NDArray[np.bool_]) -> int:
    """Give the place of the last True; -1 where there is none."""
    if not marks.size:
        return -1
    back = int(marks[::-1].argmax())
    return marks.size - 1 - back if marks[marks.size - 1 - back] else -1


def _lasting(times: Floats, temps: Floats, level_c: float, margin: float, last: int) -> int:
    """Pass over falls that are undone soon."""
    for _ in range(_MOST_RETURNS):
        until = int(times.searchsorted(times[last] + LASTING_S, side="right"))
        # What lies below for less than noise can tell is no return.
        back = temps[last:until] >= level_c + margin
        if not back.any():
            break
        again = last + int(back.size - 1 - back[::-1].argmax())
        below = temps[again:] <= level_c - margin
        if not below.any():
            break
        last = again + int(below.argmax())
    return last


@dataclass(frozen=True, slots=True, kw_only=True)
class Meeting:
    """Where a curve meets a level.

    Parameters
    ----------
    at_s : float
        When.
    error_k : float
        Standard error of the curve there.
    slope_k_s : float
        Rate of cooling, positive.
    misfit : float
        Scatter of the readings about the curve over the noise.
    """

    at_s: float
    error_k: float
    slope_k_s: float
    misfit: float


def meet_level(times: Floats, temps: Floats, level_c: float, noise_k: float) -> Meeting | None:
    """Give when a curve through readings meets a level.

    Parameters
    ----------
    times, temps : float array, shape (n,)
        Readings.
    level_c : float
        Level.
    noise_k : float
        Scatter of one reading.

    Returns
    -------
    Meeting or None
        None where the curve does not fall.

    Notes
    -----
    Least squares on orthogonal polynomials: of the first degree, or of the second where there
    are twelve readings and the level lies among them; its root by Newton's method from that
    of the line.
    """
    if times.size < 2:
        return None
    middle, mean, slope, squares = fit_line(times, temps)
    if slope >= 0 or squares <= 0:
        return None
    count = times.size
    x = (level_c - mean) / slope
    u = times - middle
    rest = temps - mean - slope * u
    share, rate = 1 / count + x * x / squares, slope
    within = u[0] + 0.05 * (u[-1] - u[0]) <= x <= u[-1] - 0.05 * (u[-1] - u[0])
    if count >= _BENT_FROM and within:
        square = u * u
        tilt, lift = float(square @ u) / squares, squares / count
        bend = square - tilt * u - lift
        bends = float(bend @ bend)
        curved = float(bend @ rest) / bends
        found, steep = x, slope
        for _ in range(3):
            steep = slope + curved * (2 * found - tilt)
            if steep >= 0.2 * slope:
                break
            value = mean + slope * found + curved * (found * found - tilt * found - lift)
            found -= (value - level_c) / steep
        # A bend that would turn the curve back is none of cooling water: the line stands.
        if steep < 0.2 * slope and u[0] <= found <= u[-1]:
            x, rate = found, steep
            share = 1 / count + x * x / squares + (x * x - tilt * x - lift) ** 2 / bends
            rest = rest - curved * bend
    scatter = (float(rest @ rest) / max(count - 3, 1)) ** 0.5
    return Meeting(
        at_s=middle + x,
        error_k=noise_k * share**0.5,
        slope_k_s=-rate,
        misfit=scatter / max(noise_k, 1e-12) if count >= _BENT_FROM else 1.0,
    )


def _narrow(
    trace: Trace,
    times: Floats,
    temps: Floats,
    level_c: float,
    first: int,
    last: int,
    level_slack_k: float,
) -> Crossing:
    """Narrow a sure bracket by a curve through its readings."""
    low, high = first, min(last + 1, temps.size)
    if (times[low + 1 : high] - times[low : high - 1]).max() > trace.gap_s:
        # A gap among them: only what surely stands on either side is known.
        rate = (temps[first] - temps[last]) / (times[last] - times[first])
        return Crossing(
            lower_s=float(times[first]),
            upper_s=float(times[last]),
            in_gap=True,
            slope_k_s=float(rate),
        )
    rate = float(temps[first] - temps[last]) / max(float(times[last] - times[first]), 1e-12)
    low, high = _window(trace, times, low, high, rate)
    met = meet_level(times[low:high], temps[low:high], level_c, trace.noise_k)
    if met is None or met.misfit > MISFIT:
        # Something else happened close by: only the bracket itself is used.
        low, high = max(first - 1, 0), min(last + 2, temps.size)
        met = meet_level(times[low:high], temps[low:high], level_c, trace.noise_k)
    if met is None or met.misfit > MISFIT:
        # No curve runs through the bracket: as at a rest at the level itself.
        return Crossing(
            lower_s=float(times[first]),
            upper_s=float(times[last]),
            in_gap=False,
            slope_k_s=rate if met is not None else 0.0,
        )
    error = met.error_k
    if trace.resolution_k > 0:
        # The error of rounding over a sweep of so many steps (sawtooth) shrinks with their number.
        sweep = max(float(temps[low] - temps[high - 1]) / trace.resolution_k, 1.0)
        error = float(np.hypot(error, trace.resolution_k / 12**0.5 / sweep))
    half = (LIMITS * error + level_slack_k) / met.slope_k_s + trace.step_s / 2
    if high - low < _FEW:
        # So few readings do not show how the curve bends.
        half += trace.step_s / (2 if high - low < 4 else 6)
    earliest = float(times[max(first - 1, 0)]) - level_slack_k / met.slope_k_s
    latest = float(times[min(last + 1, times.size - 1)]) + level_slack_k / met.slope_k_s
    lower, upper = max(met.at_s - half, earliest), min(met.at_s + half, latest)
    if lower >= upper:
        lower, upper = earliest, latest
    return Crossing(lower_s=lower, upper_s=upper, in_gap=False, slope_k_s=met.slope_k_s)


def _window(trace: Trace, times: Floats, low: int, high: int, rate: float) -> tuple[int, int]:
    """Widen a bracket to the readings that help to place the curve, up to the next gaps."""
    reach = max(_FIT_NOISE * trace.noise_k, _FIT_K, _FIT_ROUNDING * trace.resolution_k)
    middle = (times[low] + times[high - 1]) / 2
    half = max(reach / max(rate, 1e-12), 2 * trace.step_s)
    wide_low = min(int(times.searchsorted(middle - half)), low)
    wide_high = max(int(times.searchsorted(middle + half, side="right")), high)
    wide_low = max(wide_low, low - _MOST_READINGS)
    wide_high = min(wide_high, high + _MOST_READINGS)
    apart = times[wide_low + 1 : wide_high] - times[wide_low : wide_high - 1] > trace.gap_s
    if apart.any():
        gaps = places_of(apart) + wide_low
        wide_low = max([wide_low, *(int(g) + 1 for g in gaps if g < low)])
        wide_high = min([wide_high, *(int(g) + 1 for g in gaps if g >= high - 1)])
    return wide_low, wide_high
