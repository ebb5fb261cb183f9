"""Fault codes that look like temperatures, judged by what stands around them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from metafreeze.register.traces.logged import CODE, IMPOSSIBLE, Floats, Marks
from metafreeze.register.traces.segments import some_steps

Places = npt.NDArray[np.int64]

# Common practice, no source: what digital sensors, thermocouple amplifiers and loggers give
# for an open or shorted line, a lost bus, or the reading before the first conversion.
_CODES = (
    *(-9999.0, -999.9, -999.0, -99.9, -99.0, -127.0, -55.0, -60.0, -242.0, -242.02, -196.0),
    *(-200.0, -270.0, -327.67, -327.68, -3276.7, -3276.8, -32767.0, -32768.0, -0.0625),
    *(85.0, 125.0, 127.0, 127.94, 130.0, 150.0, 327.67, 327.68, 655.35, 850.0, 888.8, 988.79),
    *(999.0, 999.9, 1300.0, 1370.0, 1372.0, 1820.0, 2047.0, 2048.0, 3276.7, 6553.5, 7999.0, 8888.0),
    *(9999.0, 32767.0, 65535.0, 0.0, 327.0),
)
# Nothing in or about a freezer is colder than dry ice, or hotter than boiling water by much.
LOWEST_C, HIGHEST_C = -110.0, 130.0
# A code among possible temperatures must stand off its neighbours by this much.
_OFF_K = 4.0
_OFF_STEPS = 8.0
# A run of one code longer than this is a temperature that is held.
_LONGEST_RUN = 120
# So many readings are looked at in one go.
_PIECE = 1 << 16


def mark_codes(typed: Floats, temp_c: Floats) -> Marks:
    """Mark fault codes and impossible temperatures.

    A code that could be a temperature, such as 85, counts as a fault only where it stands
    off the readings about it; water that cools through 85 °C is left alone.

    Parameters
    ----------
    typed : float array, shape (n,)
        As the file has them, in its own unit.
    temp_c : float array, shape (n,)
        The same in degrees Celsius; NaN where there is none.

    Returns
    -------
    int array, shape (n,)
        Places in `REASONS`.
    """
    marks = np.zeros(temp_c.size, dtype=np.int8)
    beyond: list[Places] = [np.empty(0, dtype=np.int64)]
    coded: list[Places] = [np.empty(0, dtype=np.int64)]
    # In pieces, which takes less memory and less time.
    for low in range(0, temp_c.size, _PIECE):
        outside, inside = _look_at(typed[low : low + _PIECE], temp_c[low : low + _PIECE])
        beyond.append(outside + low)
        coded.append(inside + low)
    outside, inside = np.concatenate(beyond), np.concatenate(coded)
    if outside.size:
        values, counts = np.unique(typed[outside], return_counts=True)
        # An impossible value that stands more than once is a code of its own.
        known = np.isin(typed[outside], [*_CODES, *values[counts > 1].tolist()])
        marks[outside] = np.where(known, CODE, IMPOSSIBLE)
    if not inside.size:
        return marks
    steps = np.abs(some_steps(np.where(marks == 0, temp_c, np.nan) if outside.size else temp_c))
    usual = float(np.median(steps)) if steps.size else 0.0
    far = max(_OFF_K, _OFF_STEPS * usual)
    cuts = np.flatnonzero((np.diff(inside) > 1) | (np.diff(typed[inside]) != 0)) + 1
    for run in np.split(inside, cuts):
        if run.size <= _LONGEST_RUN and _stands_off(temp_c, outside, run, far):
            marks[run] = CODE
    return marks


def _look_at(typed: Floats, temp_c: Floats) -> tuple[Places, Places]:
    """List impossible temperatures, and codes among the possible ones."""
    finite = np.isfinite(temp_c)
    with np.errstate(invalid="ignore"):
        outside = (temp_c < LOWEST_C) | (temp_c > HIGHEST_C) | np.isinf(temp_c)
    lowest, highest = np.fmin.reduce(typed), np.fmax.reduce(typed)
    coded = np.zeros(typed.size, dtype=np.bool_)
    for code in _CODES:
        if lowest <= code <= highest:
            coded |= typed == code
    return np.flatnonzero(outside), np.flatnonzero(coded & finite & ~outside)


def _good_between(temp_c: Floats, outside: Places, low: int, high: int) -> Places:
    """List the possible readings between two places, counted from the first."""
    good = np.isfinite(temp_c[low:high])
    good[outside[np.searchsorted(outside, low) : np.searchsorted(outside, high)] - low] = False
    return np.flatnonzero(good)


def _stands_off(temp_c: Floats, outside: Places, run: Places, far: float) -> bool:
    """Tell whether a run of one value stands off the good readings on both sides."""
    value = float(temp_c[run[0]])
    first, last = int(run[0]), int(run[-1])
    before = _good_between(temp_c, outside, max(first - 40, 0), first)
    after = _good_between(temp_c, outside, last + 1, min(last + 41, temp_c.size))
    left = float(temp_c[max(first - 40, 0) + before[-1]]) if before.size else np.nan
    right = float(temp_c[last + 1 + after[0]]) if after.size else np.nan
    if np.isnan(left) and np.isnan(right):
        return False
    if np.isnan(left) or np.isnan(right):
        # At an end only the one side tells: by more than the curve itself moves there.
        side = temp_c[last + 1 + after[:2]] if np.isnan(left) else temp_c[_back(first, before)]
        moves = abs(float(side[0] - side[-1]))
        return abs(value - float(side[0])) > max(2 * far, 3 * moves)
    # On the far side of both: water that passes through the value lies between them.
    return min(abs(value - left), abs(value - right)) > far and ((value > left) == (value > right))


def _back(first: int, before: Places) -> Places:
    """Give the two good readings before a run, the nearer first."""
    places: Places = max(first - 40, 0) + before[::-1][:2]
    return places
