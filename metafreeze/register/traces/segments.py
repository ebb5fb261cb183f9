"""From clock readings to seconds that never fall: midnight, clock changes, repeats, resets.

Nothing is sorted. What goes forward only under another reading of the clock (midnight, the
end of summer time, a clock without halves of the day) is read so and said; a single stamp
out of order is set aside; anything else ends one stretch and begins the next.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from metafreeze.register.traces.logged import BACKWARDS, CONFLICT, NO_TIME, Floats, Marks, Mask

HOUR_S = 3600.0
DAY_S = 86400.0
# Stamps that repeat at this share of the readings are cut short, not double.
_CUT_SHORT = 0.3
# A stamp out of order is caught up with within this many readings.
_CATCH_UP = 5
# The median of this many steps serves as well as that of all.
_STEPS_ENOUGH = 20_000
# So many values are looked at in one go.
_PIECE = 1 << 16
# Without ice a kelvin is the least that tells a gap from a clock put forward.
_TELLING_K = 0.6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stretch:
    """Readings between two breaks of the clock.

    Parameters
    ----------
    first : int
        Record of the table with which it begins; the others follow in file order.
    time_s : float array, shape (n,)
        Seconds on one scale, never falling where `marks` is 0.
    marks : int array, shape (n,)
        Why a record's time must not be used; 0 where it may be.
    """

    first: int
    time_s: Floats
    marks: Marks

    @property
    def place(self) -> slice:
        """Where its records lie among those of the table."""
        return slice(self.first, self.first + self.time_s.size)

    @property
    def rows(self) -> npt.NDArray[np.int64]:
        """Records of the table, in file order."""
        return np.arange(self.first, self.first + self.time_s.size)


def finite_of(values: Floats) -> Floats:
    """Give the finite values, without a copy where all are."""
    finite = np.isfinite(values)
    return values if finite.all() else values[finite]


def some_steps(values: Floats) -> Floats:
    """Give the differences of neighbours, of a long array evenly over its length only."""
    if values.size > 2 * _STEPS_ENOUGH:
        at = np.linspace(0, values.size - 2, _STEPS_ENOUGH).astype(np.int64)
        steps = values[at + 1] - values[at]
        return steps[np.isfinite(steps)]
    return np.diff(finite_of(values))


def never_falls(values: Floats) -> bool:
    """Tell whether no value is missing, since nothing compares with one that is, and none falls."""
    return bool(np.all(values[1:] >= values[:-1]))


def falls_over(values: Floats, limit: float) -> bool:
    """Tell whether a value is anywhere lower than the one before it by more than `limit`."""
    pieces = range(0, values.size - 1, _PIECE)
    return any(np.any(np.diff(values[low : low + _PIECE + 1]) < -limit) for low in pieces)


def wide_steps(values: Floats, limit: float) -> npt.NDArray[np.int64]:
    """List the places from which on the next value is higher by more than `limit`.

    A long array is gone through in pieces, so that no second one of its length is made.
    """
    found = [np.empty(0, dtype=np.int64)]
    for low in range(0, values.size - 1, _PIECE):
        found.append(np.flatnonzero(np.diff(values[low : low + _PIECE + 1]) > limit) + low)
    return np.concatenate(found)


def _after_hours(seconds: Floats, step: float, slack: float) -> list[int]:
    """List the readings before which an hour more than the usual step passed by the clock."""
    found: list[int] = []
    for low in range(0, seconds.size - 1, _PIECE):
        steps = np.diff(seconds[low : low + _PIECE + 1])
        hours = np.flatnonzero(np.abs(steps - HOUR_S - step) <= slack)
        found += (hours + (low + 1)).tolist()
    return found


def usual_step(seconds: Floats) -> float:
    """Give the median of the steps forward; NaN where there is none."""
    steps = some_steps(seconds)
    forward = steps[steps > 0]
    return float(np.median(forward)) if forward.size else float("nan")


def unroll_clock(
    seconds: Floats, *, of_day: bool, dated: bool, twelve: bool, said: list[str]
) -> Floats:
    """Carry a clock over midnight, noon and the end of summer time.

    Parameters
    ----------
    seconds : float array, shape (n,)
        As the clock shows; NaN where it cannot be read.
    of_day : bool
        True for times of day without a date.
    dated : bool
        True for local stamps with a date and without an offset.
    twelve : bool
        True where halves of the day are marked.
    said : list of str
        What was done is added here.

    Returns
    -------
    float array, shape (n,)
    """
    if not (of_day or dated) or never_falls(seconds):
        return seconds
    finite = np.isfinite(seconds)
    known = None if finite.all() else np.flatnonzero(finite)
    values = seconds if known is None else seconds[known]
    step = usual_step(values)
    if values.size < 3 or not np.isfinite(step):
        return seconds
    falls = [
        at + low + 1
        for low in range(0, values.size - 1, _PIECE)
        for at in np.flatnonzero(np.diff(values[low : low + _PIECE + 1]) < 0).tolist()
    ]
    if not falls:
        return seconds
    half_clock = of_day and not twelve and values.max() < 13 * HOUR_S
    carried = values.copy()
    slack = max(0.5 * step, 1.0)
    for at in falls:
        fall = values[at] - values[at - 1]
        if of_day and half_clock and fall > -12 * HOUR_S and fall + 12 * HOUR_S <= 3 * step + slack:
            carried[at:] += 12 * HOUR_S
            said.append("the clock shows 12 hours without halves; it went on past 12:59")
        elif of_day and fall < -DAY_S / 2:
            carried[at:] += DAY_S
            said.append("the clock passed midnight")
        elif abs(fall + HOUR_S - step) <= slack and _stays_back(values, at):
            carried[at:] += HOUR_S
            said.append("the clock was put back by one hour; seconds go on")
    if known is None:
        return carried
    seconds = seconds.copy()
    seconds[known] = carried
    return seconds


def _stays_back(values: Floats, at: int) -> bool:
    """Tell that a clock put back goes on evenly from there."""
    after = values[at : at + 4]
    return bool(after.size >= 2 and np.all(np.diff(after) > 0))


def close_hour(seconds: Floats, temps: Floats, said: list[str]) -> Floats:
    """Take out an hour by which a local clock was put forward.

    A missing hour is a gap of the record, unless the temperature goes on as if none of it
    had passed.

    Parameters
    ----------
    seconds : float array, shape (n,)
        Local stamps with a date.
    temps : float array, shape (n,)
        Any channel, degrees Celsius; NaN where there is none.
    said : list of str
        What was done is added here.

    Returns
    -------
    float array, shape (n,)
    """
    step = usual_step(seconds)
    if not np.isfinite(step):
        return seconds
    slack = max(0.5 * step, 1.0)
    for at in _after_hours(seconds, step, slack):
        before = np.datetime64(int(seconds[at - 1]), "s")
        month, hour = int(str(before)[5:7]), int(str(before)[11:13])
        weekday = int((before.astype("datetime64[D]").astype(np.int64) + 4) % 7)
        # Clocks go forward in spring of either hemisphere, on a Sunday or the night before.
        if month not in (3, 4, 9, 10) or weekday not in (0, 6) or hour not in (23, 0, 1, 2):
            continue
        around = temps[max(at - 6, 0) : at]
        around = around[np.isfinite(around)]
        if around.size < 2 or not np.isfinite(temps[at]):
            continue
        rate = float(np.polyfit(np.arange(around.size), around, 1)[0])
        scatter = float(np.std(np.diff(around))) + 0.05
        expected_gap = rate * (HOUR_S / step + 1)
        moved = float(temps[at] - around[-1])
        telling = abs(expected_gap - rate) > max(_TELLING_K, 6 * scatter)
        # On a plateau nothing moves; there the missing hour itself must be that of the change.
        on_the_hour = seconds[at] % HOUR_S < step + slack and hour in (0, 1)
        if not telling and on_the_hour:
            seconds = seconds.copy()
            seconds[at:] -= HOUR_S
            said.append(
                "the clock is taken to have been put forward by one hour, since the hour that is "
                "missing is that of the change to summer time"
            )
        elif telling and abs(moved - rate) <= max(3 * scatter, 0.15 * abs(expected_gap)):
            seconds = seconds.copy()
            seconds[at:] -= HOUR_S
            said.append(
                "the clock was put forward by one hour, since the temperature goes on as if none "
                "had passed"
            )
    return seconds


def spread_cut_stamps(seconds: Floats, exact_s: float, said: list[str]) -> Floats:
    """Spread readings that share a stamp because the stamp is cut short.

    Parameters
    ----------
    seconds : float array, shape (n,)
        Never falling.
    exact_s : float
        Smallest difference that the stamps show; 0 if unknown.
    said : list of str
        What was done is added here.

    Returns
    -------
    float array, shape (n,)
    """
    if seconds.size < 5 or np.mean(seconds[1:] == seconds[:-1]) < _CUT_SHORT:
        return seconds
    steps = np.diff(seconds)
    if np.any(steps < 0):
        return seconds
    forward = steps[steps > 0]
    if not forward.size:
        return seconds
    grain = exact_s if exact_s > 0 else float(np.min(forward))
    firsts = np.concatenate(([0], np.flatnonzero(steps > 0) + 1))
    counts = np.diff(np.append(firsts, seconds.size))
    usual = float(np.median(counts[1:-1])) if counts.size > 2 else float(counts.max())
    spread = seconds.astype(np.float64).copy()
    gaps = np.flatnonzero(np.diff(seconds[firsts]) > 2.5 * np.median(forward))
    edges = np.concatenate(([0], gaps + 1, [firsts.size]))
    for low, high in pairwise(edges):
        first = int(firsts[low])
        stop = int(firsts[high]) if high < firsts.size else seconds.size
        starts = firsts[low:high]
        step = grain / usual
        anchor = int(starts[1]) if starts.size > 1 else first
        if starts.size > 2:
            whole = seconds[starts[-1]] - seconds[starts[1]]
            step = float(whole / (starts[-1] - starts[1]))
        even = seconds[anchor] + (np.arange(first, stop) - anchor) * step
        if starts.size == 1:
            even = seconds[first] + np.arange(stop - first) * min(step, grain / (stop - first))
        off = even - seconds[first:stop]
        if np.all(off > -1.001 * grain) and np.all(off < 2.0 * grain):
            spread[first:stop] = even
        else:
            place = np.arange(first, stop) - np.repeat(starts, counts[low:high])
            spread[first:stop] += place * grain / np.repeat(counts[low:high], counts[low:high])
    step = usual_step(spread)
    said.append(
        f"{usual:g} readings share each stamp, which is cut short; they are spread evenly, "
        f"{step:.3g} s apart ({1 / step:.3g} a second)"
        if step < 1
        else f"about {usual:g} readings share each stamp, which is cut short; they are spread "
        f"evenly, {step:.3g} s apart"
    )
    return spread


def cut_stretches(
    seconds: Floats, breaks: tuple[int, ...], said: list[str]
) -> tuple[list[Stretch], list[tuple[int, str]]]:
    """Cut a table where its clock was reset, and set single stamps out of order aside.

    Parameters
    ----------
    seconds : float array, shape (n,)
        NaN where a stamp cannot be read.
    breaks : tuple of int
        Records before which the heading stood again.
    said : list of str
        What was done is added here.

    Returns
    -------
    stretches : list of Stretch
        In file order.
    resets : list of (int, str)
        First record of each further stretch, and why it begins there.
    """
    if seconds.size > 1 and never_falls(seconds):
        sound = np.zeros(seconds.size, dtype=np.int8)
        return [Stretch(first=0, time_s=seconds, marks=sound)], []
    marks = np.where(np.isfinite(seconds), 0, NO_TIME).astype(np.int8)
    resets: list[tuple[int, str]] = []
    known = np.flatnonzero(marks == 0)
    values = seconds[known]
    step = usual_step(values)
    last, begin = 0, 0
    for at in (np.flatnonzero(np.diff(values) < 0) + 1).tolist():
        if at <= last or marks[known[at]] != 0:
            continue
        ahead = values[at : at + _CATCH_UP + 1]
        back = values[max(at - 2, begin)] if at - 2 >= begin else -np.inf
        caught = np.flatnonzero(ahead > values[at - 1])
        leapt = at - 2 >= begin and values[at - 1] - back > 2.5 * step
        if leapt and 0 < values[at] - back <= 2.5 * step:
            marks[known[at - 1]] = BACKWARDS
            last = at
            continue
        if caught.size and values[at - 1] - values[at] <= (_CATCH_UP + 1) * max(step, 1e-9):
            until = at + int(caught[0])
            marks[known[at:until]] = BACKWARDS
            last = until
            continue
        resets.append((int(known[at]), "the clock goes backwards"))
        begin, last = at, at
    if np.any(marks == BACKWARDS):
        count = int(np.sum(marks == BACKWARDS))
        said.append(f"{count} stamp{'s' if count > 1 else ''} out of order set aside, none sorted")
    starts = {at for at, _ in resets}
    for at in breaks:
        if at in starts:
            resets = [
                (k, f"{why} where the heading stands again" if k == at else why)
                for k, why in resets
            ]
    edges = [0, *sorted(starts), seconds.size]
    stretches = [
        Stretch(
            first=low,
            time_s=seconds[low:high],
            marks=marks[low:high],
        )
        for low, high in pairwise(edges)
    ]
    return stretches, sorted(resets)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Repeats:
    """What became of readings that share a time.

    Parameters
    ----------
    keep : bool array, shape (n,)
        False for exact repeats.
    marks : int array, shape (n,)
        `CONFLICT` where another reading of that time is, or may be, the right one.
    exact : int
        Number of exact repeats.
    conflicts : list of (int, float, list of float, float)
        First reading, its time, the values, and the value that is kept (NaN if none).
    """

    keep: Mask
    marks: Marks
    exact: int
    conflicts: list[tuple[int, float, list[float], float]]


def collapse_repeats(time_s: Floats, temp_c: Floats) -> Repeats:
    """Collapse exact repeats and judge those that differ by their neighbours.

    Parameters
    ----------
    time_s, temp_c : float array, shape (n,)
        Readings with a time, in file order.

    Returns
    -------
    Repeats
    """
    keep = np.ones(time_s.size, dtype=np.bool_)
    marks = np.zeros(time_s.size, dtype=np.int8)
    conflicts: list[tuple[int, float, list[float], float]] = []
    same = np.flatnonzero(np.diff(time_s) == 0) + 1
    exact = 0
    groups: dict[int, list[int]] = {}
    for at in same.tolist():
        first = at - 1
        while first > 0 and time_s[first - 1] == time_s[at]:
            first -= 1
        groups.setdefault(first, [first]).append(at)
    for first, members in groups.items():
        values: dict[float, int] = {}
        for k in members:
            value = float(temp_c[k])
            if np.isnan(value):
                # A row without a reading beside one with a reading is no conflict.
                keep[k] = not np.isfinite(temp_c[members]).any()
            elif value in values:
                keep[k] = False
                exact += 1
            else:
                values[value] = k
        if len(values) < 2:
            continue
        expected, slack = _expected(time_s, temp_c, first, members[-1])
        near = [v for v in values if abs(v - expected) <= slack]
        kept = near[0] if len(near) == 1 else float("nan")
        for value, k in values.items():
            if value != kept:
                marks[k] = CONFLICT
        conflicts.append((first, float(time_s[first]), list(values), kept))
    return Repeats(keep=keep, marks=marks, exact=exact, conflicts=conflicts)


def _expected(time_s: Floats, temp_c: Floats, first: int, last: int) -> tuple[float, float]:
    """Give the temperature that the neighbours of a repeated time lead to, and its slack."""
    before = np.arange(max(first - 3, 0), first)
    after = np.arange(last + 1, min(last + 4, time_s.size))
    around = np.concatenate((before, after))
    around = around[np.isfinite(temp_c[around])]
    if around.size < 3 or not before.size or not after.size:
        return float("nan"), 0.0
    middle = time_s[first]
    times = time_s[around] - middle
    order = 2 if around.size >= 5 and np.unique(times).size >= 3 else 1
    fit = np.polynomial.polynomial.polyfit(times, temp_c[around], order)
    left = temp_c[around] - np.polynomial.polynomial.polyval(times, fit)
    return float(fit[0]), max(4 * float(np.std(left)), 0.3)
