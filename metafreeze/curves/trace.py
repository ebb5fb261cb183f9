"""A temperature trace as arrays: readings in order of time, its step, noise and gaps."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from metafreeze.curves.noise import measure_noise, measure_resolution, middle_value, places_of
from metafreeze.errors import InputError

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

# A step this many times the usual one is a gap: one lost reading makes two usual steps,
# and is still bridged.
GAP_STEPS = 2.5
# Fewer readings than this show no events.
FEWEST = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """Readings that can be used, in order of time.

    Parameters
    ----------
    time_s : float array, shape (n,)
        Never falling.
    temp_c : float array, shape (n,)
        Finite.
    step_s : float
        Usual time between readings.
    noise_k : float
        Scatter of one reading about the curve, rounding included.
    resolution_k : float
        Smallest step between readings; 0 where they are not rounded visibly.
    ended_s : float
        Time of the last reading.
    """

    time_s: Floats
    temp_c: Floats
    step_s: float
    noise_k: float
    resolution_k: float
    ended_s: float

    @property
    def gap_s(self) -> float:
        """Time between readings from which on they stand on either side of a gap."""
        return GAP_STEPS * self.step_s


def prepare_trace(
    time_s: npt.ArrayLike, temp_c: npt.ArrayLike, *, bad: npt.ArrayLike | None = None
) -> Trace:
    """Take the readings that can be used and measure their step, rounding and noise.

    Parameters
    ----------
    time_s : float array-like, shape (n,)
        Seconds, never falling.
    temp_c : float array-like, shape (n,)
        Temperatures; NaN where there is none.
    bad : bool array-like, shape (n,), optional
        Readings that must not be used.

    Returns
    -------
    Trace

    Raises
    ------
    InputError
        Lengths differ, time runs backwards, or fewer than five readings can be used.
    """
    times = np.asarray(time_s, dtype=np.float64)
    temps = np.asarray(temp_c, dtype=np.float64)
    if times.ndim != 1 or times.shape != temps.shape:
        raise InputError(
            f"A trace has one time for each temperature; there are {times.size} times and "
            f"{temps.size} temperatures. Give two arrays of one length."
        )
    good = np.isfinite(temps)
    good &= np.isfinite(times)
    if bad is not None:
        marked = np.asarray(bad, dtype=np.bool_)
        if marked.shape != good.shape:
            raise InputError(
                f"The marks of bad readings are {marked.size} for {good.size} readings. "
                "Give one mark for each reading."
            )
        good &= ~marked
    if not good.all():
        times, temps = times[good], temps[good]
    if times.size < FEWEST:
        raise InputError(
            f"A trace of {times.size} usable readings shows no events. Give at least {FEWEST}."
        )
    steps = times[1:] - times[:-1]
    if steps.min() < 0:
        at = int(np.argmax(steps < 0)) + 1
        raise InputError(
            f"Time runs backwards at reading {at + 1} ({times[at]:g} s after "
            f"{times[at - 1]:g} s). Give each stretch of a clock as a trace of its own."
        )
    resolution = measure_resolution(temps)
    # The median of some hundred steps serves as well as that of all.
    some = steps[:: max(steps.size // 500, 1)]
    forward = some[some > 0]
    step = middle_value(forward) if forward.size else 0.0
    if step <= 0:
        raise InputError("All readings bear one time. Give the time of each reading.")
    return Trace(
        time_s=times,
        temp_c=temps,
        step_s=step,
        noise_k=measure_noise(temps, resolution_k=resolution),
        resolution_k=resolution,
        ended_s=float(times[-1]),
    )


# Blocks last this share of the time in which the water cools by the noise.
_BLOCK_SHARE = 0.25
# The rate of cooling is taken between these temperatures, where a trace passes both.
_RATE_FROM_C, _RATE_TO_C = 10.0, 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Averaged:
    """A trace of averages, and the first reading of each.

    Parameters
    ----------
    trace : Trace
        The averages.
    starts : int array, shape (n,)
        Number of the first reading of each block in the trace they were made of.
    size : int
        Readings in a whole block; 1 where nothing was averaged.
    """

    trace: Trace
    starts: npt.NDArray[np.int64]
    size: int


def cooling_rate(trace: Trace) -> float:
    """Give a usual rate of cooling near 0 °C, kelvin per second, positive; 0 where none is seen.

    Parameters
    ----------
    trace : Trace
        Readings.

    Returns
    -------
    float
    """
    temps, times = trace.temp_c, trace.time_s
    cold = temps <= _RATE_TO_C
    until = int(cold.argmax())
    if cold[until] and until:
        warm = places_of(temps[:until] >= _RATE_FROM_C)
        if warm.size and times[until] > times[warm[-1]]:
            return float((temps[warm[-1]] - temps[until]) / (times[until] - times[warm[-1]]))
    coldest = int(temps.argmin())
    span = float(times[coldest] - times[0])
    return max(float(temps[0] - temps[coldest]) / span, 0.0) if span > 0 else 0.0


def average_trace(trace: Trace) -> Averaged:
    """Average neighbouring readings where noise, not the step, limits what can be seen.

    Blocks are short beside the time in which the water cools by the noise, and never reach
    over a gap.

    Parameters
    ----------
    trace : Trace
        Readings.

    Returns
    -------
    Averaged
    """
    rate = cooling_rate(trace)
    count = trace.temp_c.size
    size = 1
    if rate > 0:
        size = int(min(_BLOCK_SHARE * trace.noise_k / (rate * trace.step_s), count / 50))
    if size < 2:
        return Averaged(trace=trace, starts=np.arange(count), size=1)
    breaks = places_of(np.diff(trace.time_s) > trace.gap_s) + 1
    edges = np.concatenate(([0], breaks, [count]))
    starts = np.concatenate([np.arange(a, b, size) for a, b in pairwise(edges)])
    sizes = np.diff(np.append(starts, count))
    temps = np.add.reduceat(trace.temp_c, starts) / sizes
    # Rounding does not average away where nothing else scatters the readings.
    own = max(trace.noise_k**2 - trace.resolution_k**2 / 12, 0.0)
    rounding = 0.0
    if trace.resolution_k > 0:
        rounding = trace.resolution_k / 2 * float(np.exp(-20.0 * own / trace.resolution_k**2))
    return Averaged(
        trace=Trace(
            time_s=np.add.reduceat(trace.time_s, starts) / sizes,
            temp_c=temps,
            step_s=trace.step_s * size,
            noise_k=float(np.hypot(trace.noise_k / size**0.5, rounding)),
            resolution_k=0.0,
            ended_s=trace.ended_s,
        ),
        starts=starts,
        size=size,
    )
