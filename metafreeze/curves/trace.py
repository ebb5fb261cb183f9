"""A temperature trace as arrays: readings in order of time, its step, noise and gaps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from metafreeze.curves.noise import measure_noise, measure_resolution
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
    steps = np.diff(times)
    if steps.min() < 0:
        at = int(np.argmax(steps < 0)) + 1
        raise InputError(
            f"Time runs backwards at reading {at + 1} ({times[at]:g} s after "
            f"{times[at - 1]:g} s). Give each stretch of a clock as a trace of its own."
        )
    resolution = measure_resolution(temps)
    # The median of a thousand steps serves as well as that of all.
    some = steps[:: max(steps.size // 1000, 1)]
    step = float(np.median(some[some > 0])) if (some > 0).any() else 0.0
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
