"""The stretch in which a trace rests near 0 °C while ice grows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from metafreeze.curves.crossings import LIMITS, fit_line
from metafreeze.curves.trace import Floats, Trace

# Probes read up to 2 K off; sea water freezes at -1.9 °C (UNESCO 1983, from memory).
LOWEST_LEVEL_C = -2.5
HIGHEST_LEVEL_C = 2.0
# Readings this far from the level still belong to it.
_BAND_K = 0.25
_BAND_NOISE = 3.5
# Blocks kept for the search; readings beyond this number are averaged.
_MOST_BLOCKS = 1000
# Blocks out of the band that a stretch may hold without ending.
_BRIDGED = 2
# What a fall must reach, and keep, to end a plateau.
FALL_K = 0.5
KEPT_S = 300.0
# The line drawn back to the plateau rests on readings at these depths below it.
_FALL_FROM_K = 0.15
_FALL_TO_K = 1.7


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
    """

    first: int
    last: int
    level_c: float
    level_se_k: float


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


def _blocks(trace: Trace) -> tuple[Floats, int]:
    """Average neighbouring readings until at most a thousand values are left."""
    size = max(trace.temp_c.size // _MOST_BLOCKS, 1)
    if size == 1:
        return trace.temp_c, 1
    whole = trace.temp_c.size // size
    return trace.temp_c[: whole * size].reshape(whole, size).mean(axis=1), size


def _longest_run(inside: npt.NDArray[np.bool_]) -> tuple[int, int]:
    """Give first and last of the longest run of True, bridging short interruptions."""
    at = np.flatnonzero(inside)
    cuts = np.flatnonzero(np.diff(at) > _BRIDGED + 1)
    firsts = at[np.concatenate(([0], cuts + 1))]
    lasts = at[np.concatenate((cuts, [at.size - 1]))]
    best = int(np.argmax(lasts - firsts))
    return int(firsts[best]), int(lasts[best])


def find_plateau(trace: Trace) -> Plateau | None:
    """Find the temperature near 0 °C at which the trace stays longest.

    Parameters
    ----------
    trace : Trace
        Readings.

    Returns
    -------
    Plateau or None
        None where fewer than three readings lie together. Whether it is ice is not asked.
    """
    blocks, size = _blocks(trace)
    near = blocks[(blocks >= LOWEST_LEVEL_C) & (blocks <= HIGHEST_LEVEL_C)]
    if near.size < 3:
        return None
    tolerance = max(_BAND_K, _BAND_NOISE * trace.noise_k / size**0.5)
    values = np.sort(near)
    counts = np.searchsorted(values, values + 2 * tolerance, side="right") - np.arange(values.size)
    best = int(np.argmax(counts))
    level = float(np.median(values[best : best + counts[best]]))
    first, last = _longest_run(np.abs(blocks - level) <= tolerance)
    inside = blocks[first : last + 1]
    if inside.size < 3:
        return None
    # The middle half is free of the bends at both ends.
    quarter = inside.size // 4
    level = float(np.median(inside[quarter : inside.size - quarter]))
    first, last = _longest_run(np.abs(blocks - level) <= tolerance)
    count = max((last - first + 1) * size, 1)
    # A median has about 1.25 times the standard error of a mean; rounding does not average.
    error = max(1.25 * trace.noise_k / count**0.5, trace.resolution_k / 12**0.5 / 3)
    return Plateau(
        first=first * size,
        last=min((last + 1) * size, trace.temp_c.size) - 1,
        level_c=level,
        level_se_k=error,
    )


def find_departure(trace: Trace, plateau: Plateau) -> Departure | None:
    """Find when the trace leaves its plateau for good, drawing the fall back to its level.

    Parameters
    ----------
    trace : Trace
        Readings.
    plateau : Plateau
        Where it rests.

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
    if not fallen[plateau.last - plateau.first :].any():
        return None
    at = plateau.last - plateau.first + int(np.argmax(fallen[plateau.last - plateau.first :]))
    kept = depth[at : int(np.searchsorted(times, times[at] + KEPT_S)) + 1]
    if kept.size < 2 or np.median(kept) < needed:
        return None
    small = max(_FALL_FROM_K, 2 * trace.noise_k)
    flat = np.flatnonzero(depth[:at] < small)
    last_flat = int(flat[-1]) if flat.size else 0
    if times[last_flat + 1] - times[last_flat] > trace.gap_s:
        return Departure(
            lower_s=float(times[last_flat]), upper_s=float(times[last_flat + 1]), in_gap=True
        )
    deepest = max(_FALL_TO_K, 6 * trace.noise_k)
    beyond = np.flatnonzero(depth[last_flat + 1 :] > deepest)
    stop = last_flat + 1 + (int(beyond[0]) if beyond.size else depth.size - last_flat - 1)
    stop = max(stop, min(last_flat + 4, depth.size))
    middle, mean, slope, squares = fit_line(
        times[last_flat + 1 : stop], depth[last_flat + 1 : stop]
    )
    if slope <= 0:
        return Departure(lower_s=float(times[last_flat]), upper_s=float(times[at]), in_gap=False)
    meets = middle - mean / slope
    count = stop - last_flat - 1
    scatter = (trace.noise_k**2 * (1 / count + (meets - middle) ** 2 / squares)) ** 0.5
    half = LIMITS * float(np.hypot(scatter, plateau.level_se_k)) / slope + 0.6 * trace.step_s
    return Departure(lower_s=meets - half, upper_s=meets + half, in_gap=False)
