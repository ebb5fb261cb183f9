"""Opened doors, knocks and moved probes: what a trace shows beside the water's own cooling."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from metafreeze.curves.noise import middle_value, places_of
from metafreeze.curves.trace import Floats, Trace

DisturbanceKind = Literal["door", "knock", "probe-move"]

# A rise must stand out of the noise by this factor, and reach this many kelvins.
_OUTSTANDING = 5.0
_DOOR_RISE_K = 0.2
_SPIKE_K = 1.0
_SPIKE_NOISE = 8.0
_MOVE_K = 2.0
_MOST_BLOCKS = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class Disturbance:
    """One thing that befell a trace.

    Parameters
    ----------
    kind : {"door", "knock", "probe-move"}
        What it looks like.
    lower_s, upper_s : float
        When.
    because : str
        What was seen.
    """

    kind: DisturbanceKind
    lower_s: float
    upper_s: float
    because: str


def find_disturbances(
    trace: Trace, *, quiet: tuple[tuple[float, float], ...] = ()
) -> tuple[Disturbance, ...]:
    """Flag rises, spikes and jumps that are not the water's own.

    Parameters
    ----------
    trace : Trace
        Readings.
    quiet : tuple of (float, float)
        Times to leave out: insertion, and the rise at which ice begins.

    Returns
    -------
    tuple of Disturbance
        In order of time.
    """
    size = max(trace.temp_c.size // _MOST_BLOCKS, 1)
    if size > 1:
        whole = trace.temp_c.size // size * size
        starts = np.arange(0, whole, size)
        temps: Floats = np.add.reduceat(trace.temp_c[:whole], starts) / size
        times: Floats = (trace.time_s[starts] + trace.time_s[starts + size - 1]) / 2
    else:
        temps, times = trace.temp_c, trace.time_s
    noise = max(trace.noise_k / size**0.5, trace.resolution_k / 12**0.5)
    found = [*_find_spikes(times, temps, noise), *_find_moves(times, temps, noise)]
    found += [d for d in _find_doors(times, temps, noise) if not _touches(d, found)]
    kept = [d for d in found if not any(d.upper_s >= a and d.lower_s <= b for a, b in quiet)]
    return tuple(sorted(kept, key=lambda d: d.lower_s))


def _touches(one: Disturbance, others: list[Disturbance]) -> bool:
    return any(one.upper_s >= o.lower_s and one.lower_s <= o.upper_s for o in others)


def _find_spikes(times: Floats, temps: Floats, noise: float) -> list[Disturbance]:
    """Find single readings far off both neighbours, which agree with each other."""
    off = temps[1:-1] - (temps[:-2] + temps[2:]) / 2
    far = np.abs(off) > max(_SPIKE_K, _SPIKE_NOISE * noise)
    far &= np.abs(temps[2:] - temps[:-2]) < 0.5 * np.abs(off)
    return [
        Disturbance(
            kind="knock",
            lower_s=float(times[i]),
            upper_s=float(times[i + 2]),
            because=f"one reading {off[i]:+.1f} K off its neighbours",
        )
        for i in places_of(far)
    ]


def _find_moves(times: Floats, temps: Floats, noise: float) -> list[Disturbance]:
    """Find jumps from one reading to the next that do not come back."""
    steps = np.diff(temps)
    if steps.size < 5:
        return []
    around = np.abs(np.concatenate((steps[1:2], steps, steps[-2:-1])))
    usual = np.maximum(around[:-2], around[2:])
    far = np.abs(steps) > np.maximum(_MOVE_K, np.maximum(_SPIKE_NOISE * noise, 4 * usual))
    spans = np.diff(times)
    far &= spans <= 2.5 * middle_value(spans)
    return [
        Disturbance(
            kind="probe-move",
            lower_s=float(times[i]),
            upper_s=float(times[i + 1]),
            because=f"a jump of {steps[i]:+.1f} K from one reading to the next",
        )
        for i in places_of(far)
    ]


def _find_doors(times: Floats, temps: Floats, noise: float) -> list[Disturbance]:
    """Find warmings of a cooling trace: stretches above the lowest reading so far."""
    lowest = np.minimum.accumulate(temps)
    rise = temps - lowest
    needed = max(_DOOR_RISE_K, _OUTSTANDING * noise)
    at = places_of(rise >= needed)
    if not at.size:
        return []
    cuts = places_of(np.diff(at) > 1)
    firsts = at[np.concatenate(([0], cuts + 1))]
    lasts = at[np.concatenate((cuts, [at.size - 1]))]
    found = []
    for first, last in zip(firsts, lasts, strict=True):
        peak = float(rise[first : last + 1].max())
        bottom = int(temps[: first + 1].argmin())
        found.append(
            Disturbance(
                kind="door",
                lower_s=float(times[bottom]),
                upper_s=float(times[min(last + 1, times.size - 1)]),
                because=f"a rise of {peak:.1f} K while the water should cool",
            )
        )
    return found
