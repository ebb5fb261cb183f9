"""The stretch in which a trace rests near 0 °C while ice grows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from metafreeze.curves.crossings import MISFIT, meet_level
from metafreeze.curves.noise import measure_rounding_bias, middle_value, places_of
from metafreeze.curves.trace import Floats, Trace

# Probes read up to 2 K off; sea water freezes at -1.9 °C (UNESCO 1983, from memory).
LOWEST_LEVEL_C = -2.5
HIGHEST_LEVEL_C = 2.0
# Readings this far from the level still belong to it.
_BAND_K = 0.25
_BAND_NOISE = 3.5
# Blocks kept for the search; readings beyond this number are averaged.
_MOST_BLOCKS = 500
# Readings so many times the noise off the middle one are left out of the level.
_NEAR_NOISE = 2.5
# A level that moves by no more than this share of the band is found.
_SETTLED = 0.05
# A stay lasts so many times longer than the water would take to cool through the band.
_STAYS = 2.0
# Blocks out of the band that a stretch may hold without ending.
_BRIDGED = 2
# What a fall must reach, and keep, to end a plateau.
FALL_K = 0.5
KEPT_S = 300.0
# The line drawn back to the plateau rests on readings from the first to the second depth below
# it, the second deeper where noise or long steps ask for it. Nearer, a probe that lags bends it.
_FALL_FROM_K = 0.4
_FLAT_K = 0.15
_FALL_TO_K = 4.0
_FALL_NOISE, _FALL_STEPS = 25.0, 12.0
_FALL_MOST_K = 6.0
# The bend of a lagging probe reaches so long after the end, and at most so deep.
_LAG_S, _LAG_K = 12.0, 1.5
# A usual sink lies so far below the plateau, and 1/(that distance) is known to about so much.
_TO_SINK_K = 18.0
_SINK_DOUBT = 0.015
# Where the last tenth of the record has come to rest within this, it shows the sink itself.
_AT_SINK_K = 0.3
# A reading and its next ones that must have fallen together.
_CONFIRMING = 5
# A second fit that is so much less sure has too few readings.
_WORSE = 3.0
# Standard errors of the end of a plateau on either side; six tenths of a step are added.
_END_LIMITS = 2.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Plateau:
    """A stretch near 0 °C.

    Parameters
    ----------
    first, last : int
        Readings at which it begins and ends.
    level_c : float
        Its temperature.
    level_se_k : float
        Standard error of the level.
    level_slack_k : float
        How far rounding may have shifted it.
    """

    first: int
    last: int
    level_c: float
    level_se_k: float
    level_slack_k: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Departure:
    """Times between which a plateau ended.

    Parameters
    ----------
    lower_s, upper_s : float
        Limits.
    in_gap : bool
        True where it ended between two readings far apart.
    """

    lower_s: float
    upper_s: float
    in_gap: bool


def _longest_run(inside: npt.NDArray[np.bool_]) -> tuple[int, int]:
    """Give first and last of the longest run of True, bridging short interruptions."""
    at = places_of(inside)
    cuts = places_of(np.diff(at) > _BRIDGED + 1)
    firsts = at[np.concatenate(([0], cuts + 1))]
    lasts = at[np.concatenate((cuts, [at.size - 1]))]
    best = int(np.argmax(lasts - firsts))
    return int(firsts[best]), int(lasts[best])


def find_plateau(trace: Trace, *, usual_rate: float = 0.0) -> Plateau | None:
    """Find the temperature near 0 °C at which the trace stays longest.

    Parameters
    ----------
    trace : Trace
        Readings, averaged where noise is large.
    usual_rate : float
        Rate at which the water cooled, kelvin per second: what comes back to the level after a
        rise, as after an opened door, belongs to the same stay where it first stayed for
        longer than it would have taken to pass.

    Returns
    -------
    Plateau or None
        None where fewer than three readings lie together. Whether it is ice is not asked.
    """
    blocks, size = _few(trace)
    near = blocks[(blocks >= LOWEST_LEVEL_C) & (blocks <= HIGHEST_LEVEL_C)]
    if near.size < 3:
        return None
    tolerance = max(_BAND_K, _BAND_NOISE * trace.noise_k / size**0.5, 0.75 * trace.resolution_k)
    values = np.sort(near)
    counts = values.searchsorted(values + 2 * tolerance, side="right") - np.arange(values.size)
    best = int(np.argmax(counts))
    level = float(values[best + int(counts[best]) // 2])
    first, last = 0, 0
    for _ in range(3):
        inside_band = np.abs(blocks - level) <= tolerance
        if not inside_band.any():
            return None
        first, last = _longest_run(inside_band)
        # The middle half is free of the bends at both ends.
        quarter = (last - first + 1) // 4
        middle = blocks[first + quarter : last + 1 - quarter]
        before, level = level, float(middle.sum() / middle.size)
        if abs(level - before) <= _SETTLED * tolerance:
            break
    if last - first + 1 < 3 or not LOWEST_LEVEL_C <= level <= HIGHEST_LEVEL_C:
        return None
    if usual_rate > 0:
        first = _before_doors(blocks, first, level, tolerance, usual_rate * trace.step_s * size)
    inner = slice((first + (last - first) // 4) * size, (last + 1 - (last - first) // 4) * size)
    readings = trace.temp_c[inner]
    slack = measure_rounding_bias(readings, resolution_k=trace.resolution_k)
    # Opened doors leave tails above the level that a mean would follow.
    near_level = max(_NEAR_NOISE * trace.noise_k, trace.resolution_k, 0.01)
    readings = readings[np.abs(readings - middle_value(blocks[first : last + 1])) <= near_level]
    return Plateau(
        first=first * size,
        last=min((last + 1) * size, trace.temp_c.size) - 1,
        level_c=float(readings.sum() / readings.size) if readings.size else level,
        level_se_k=trace.noise_k / max(readings.size, 1) ** 0.5,
        level_slack_k=slack,
    )


def _few(trace: Trace) -> tuple[Floats, int]:
    """Average neighbouring readings until at most a thousand values are left."""
    size = max(trace.temp_c.size // _MOST_BLOCKS, 1)
    if size == 1:
        return trace.temp_c, 1
    whole = trace.temp_c.size // size
    starts = np.arange(0, whole * size, size)
    return np.add.reduceat(trace.temp_c[: whole * size], starts) / size, size


def _before_doors(
    blocks: Floats, first: int, level: float, tolerance: float, fall_a_block: float
) -> int:
    """Go back over rises above the level to where the trace first came to stay at it."""
    # Below the level it has been supercooled since, and was water.
    low = places_of(blocks[:first] < level - tolerance)
    begin = int(low[-1]) + 1 if low.size else 0
    inside = np.abs(blocks[begin:first] - level) <= tolerance
    if not inside.any():
        return first
    needed = max(_STAYS * 2 * tolerance / fall_a_block, 3)
    at = places_of(inside)
    cuts = places_of(np.diff(at) > 1)
    starts = at[np.concatenate(([0], cuts + 1))]
    ends = at[np.concatenate((cuts, [at.size - 1]))]
    long = places_of(ends - starts + 1 >= needed)
    return begin + int(starts[long[0]]) if long.size else first


def find_departure(
    trace: Trace, plateau: Plateau, *, step_s: float | None = None
) -> Departure | None:
    """Find when the trace leaves its plateau for good, drawing the fall back to its level.

    Parameters
    ----------
    trace : Trace
        Readings.
    plateau : Plateau
        Where it rests.
    step_s : float, optional
        Usual time between readings, where those here are averages.

    Returns
    -------
    Departure or None
        None where no fall of half a kelvin is seen that lasts five minutes or to the end.
    """
    times = trace.time_s[plateau.first :]
    depth = plateau.level_c - trace.temp_c[plateau.first :]
    needed = max(FALL_K, 3 * trace.noise_k)
    # Readings that are back on the plateau; the fall begins after one of them.
    fallen = depth >= needed
    at = _first_fall(depth, fallen, plateau.last - plateau.first)
    if at < 0 or not _kept(times, depth, fallen, at):
        return None
    small = max(_FLAT_K, 2 * trace.noise_k)
    flat = places_of(depth[:at] < small)
    last_flat = int(flat[-1]) if flat.size else 0
    if times[last_flat + 1] - times[last_flat] > trace.gap_s:
        return Departure(
            lower_s=float(times[last_flat]), upper_s=float(times[last_flat + 1]), in_gap=True
        )
    return _draw_back(
        trace, plateau, times, depth, last_flat, at, trace.step_s if step_s is None else step_s
    )


def _distance_to_sink(depth: Floats) -> float:
    """Give how far below the plateau the sink lies, from the end of the record if that shows it."""
    tenth = depth[-max(depth.size // 10, 5) :]
    at_end = float(tenth.sum() / tenth.size)
    third = max(tenth.size // 3, 1)
    moved = abs(float(tenth[-third:].sum() - tenth[:third].sum())) / third
    if at_end > _FALL_TO_K + 1.0 and moved <= _AT_SINK_K:
        return at_end + _AT_SINK_K
    return max(_TO_SINK_K, float(depth.max()) + 1.0)


def _first_fall(depth: Floats, fallen: npt.NDArray[np.bool_], start: int) -> int:
    """Give the first fallen reading that its next ones confirm; -1 if there is none."""
    at = start
    while True:
        later = fallen[at:]
        ahead = int(later.argmax()) if later.size else 0
        if not later.size or not later[ahead]:
            return -1
        at += ahead
        # One reading of many lies low by noise alone.
        if middle_value(depth[at : at + _CONFIRMING]) >= FALL_K:
            return at
        at += 1


def _kept(times: Floats, depth: Floats, fallen: npt.NDArray[np.bool_], at: int) -> bool:
    """Tell whether a fall lasts, perhaps after an opened door has lifted it once more."""
    while True:
        until = int(times.searchsorted(times[at] + KEPT_S)) + 1
        kept = depth[at:until]
        if kept.size >= 2 and middle_value(kept) >= FALL_K:
            return True
        later = fallen[until:]
        if not later.any():
            return False
        at = until + int(later.argmax())


def _draw_back(
    trace: Trace,
    plateau: Plateau,
    times: Floats,
    depth: Floats,
    last_flat: int,
    at: int,
    step_s: float,
) -> Departure:
    """Draw the fall back to the level.

    The readings are chosen by their time, from a first guess of when the fall began, since a
    choice by their value would favour those that noise moved one way.
    """
    deepest = min(max(_FALL_TO_K, _FALL_NOISE * trace.noise_k), _FALL_MOST_K)
    shallow = max(_FALL_FROM_K, 2 * trace.noise_k)
    beyond = places_of(depth[last_flat + 1 :] > deepest)
    stop = last_flat + 1 + (int(beyond[0]) if beyond.size else depth.size - last_flat - 1)
    low, high = last_flat + 1, max(stop, min(last_flat + 4, depth.size))
    # Ice slows down as it nears the sink: on this scale its fall is a straight line.
    to_sink = _distance_to_sink(depth)
    straight = to_sink * np.log1p(-np.minimum(depth / to_sink, 0.9))
    met = meet_level(times[low:high], straight[low:high], 0.0, trace.noise_k)
    used, most = (low, high), _FALL_MOST_K
    for _ in range(4):
        if met is None:
            break
        if met.misfit > MISFIT:
            # An opened door lifts the fall: only its beginning is used.
            deepest, most = deepest / 2, deepest / 2
        deepest = max(deepest, min(_FALL_STEPS * met.slope_k_s * trace.step_s, most))
        shallow = max(shallow, min(_LAG_S * met.slope_k_s, _LAG_K))
        low = int(times.searchsorted(met.at_s + shallow / met.slope_k_s))
        high = int(times.searchsorted(met.at_s + deepest / met.slope_k_s))
        low = min(low, depth.size - 3)
        high = min(max(high, low + 3), depth.size)
        if (low, high) == used:
            break
        used = (low, high)
        again = meet_level(times[low:high], straight[low:high], 0.0, trace.noise_k)
        if again is None or again.error_k > _WORSE * met.error_k:
            break
        met = again
    if met is None:
        return Departure(lower_s=float(times[last_flat]), upper_s=float(times[at]), in_gap=False)
    sweep = max(float(depth[high - 1] - depth[low]) / max(trace.resolution_k, 1e-9), 1.0)
    error = float(np.hypot(met.error_k, trace.resolution_k / 12**0.5 / sweep))
    bend = shallow * float(depth[high - 1]) * _SINK_DOUBT / 2
    half = _END_LIMITS * float(np.hypot(error, plateau.level_se_k)) + plateau.level_slack_k + bend
    half = half / met.slope_k_s + 0.6 * step_s
    return Departure(lower_s=met.at_s - half, upper_s=met.at_s + half, in_gap=False)
