"""Fault codes that look like temperatures, judged by what stands around them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from metafreeze.register.traces.logged import CODE, IMPOSSIBLE, Floats, Marks
from metafreeze.register.traces.segments import some_steps

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
    finite = np.isfinite(temp_c)
    with np.errstate(invalid="ignore"):
        outside = (temp_c < LOWEST_C) | (temp_c > HIGHEST_C) | np.isinf(temp_c)
    if outside.any():
        known = np.isin(typed, _CODES) | _repeats(typed, outside)
        marks[outside & known] = CODE
        marks[outside & ~known] = IMPOSSIBLE
    lowest, highest = (np.nanmin(typed), np.nanmax(typed)) if finite.any() else (0.0, 0.0)
    inside = [code for code in _CODES if lowest <= code <= highest]
    if not inside:
        return marks
    coded = np.zeros(typed.size, dtype=np.bool_)
    for code in inside:
        coded |= typed == code
    where = np.flatnonzero(coded & finite & ~outside)
    if not where.size:
        return marks
    good = finite & (marks == 0)
    steps = np.abs(some_steps(np.where(good, temp_c, np.nan) if not good.all() else temp_c))
    usual = float(np.median(steps)) if steps.size else 0.0
    far = max(_OFF_K, _OFF_STEPS * usual)
    cuts = np.flatnonzero((np.diff(where) > 1) | (np.diff(typed[where]) != 0)) + 1
    for run in np.split(where, cuts):
        if run.size <= _LONGEST_RUN and _stands_off(temp_c, good, run, far):
            marks[run] = CODE
    return marks


def _repeats(typed: Floats, outside: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Tell which impossible values stand more than once: a code of its own."""
    values, counts = np.unique(typed[outside], return_counts=True)
    return np.isin(typed, values[counts > 1])


def _stands_off(
    temp_c: Floats, good: npt.NDArray[np.bool_], run: npt.NDArray[np.int64], far: float
) -> bool:
    """Tell whether a run of one value stands off the good readings on both sides."""
    value = float(temp_c[run[0]])
    first, last = int(run[0]), int(run[-1])
    before = np.flatnonzero(good[max(first - 40, 0) : first])
    after = np.flatnonzero(good[last + 1 : last + 41])
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


def _back(first: int, before: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Give the two good readings before a run, the nearer first."""
    places: npt.NDArray[np.int64] = max(first - 40, 0) + before[::-1][:2]
    return places
