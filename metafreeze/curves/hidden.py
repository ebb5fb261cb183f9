"""A whole freeze inside a gap of the record: water held up for longer than cooling takes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from metafreeze.curves.noise import places_of
from metafreeze.curves.trace import Floats, Trace

# Readings on either side from which the rate of cooling there is taken.
_BESIDE = 12
_FEWEST = 3
# The time held up counts as ice where, at the rate about the gap, the water would have cooled
# by this much meanwhile; the whole of it would need eighty kelvins' worth.
_HELD_K = 8.0
# A rate of cooling this many times its standard error is one.
_STANDS_OUT = 4.0
# Water that is no warmer than this before the gap may be ice already.
_WARMEST_AFTER_C = -0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class HiddenFreeze:
    """Readings about a gap in which the water froze from first ice to the plateau's end.

    Parameters
    ----------
    before, after : int
        Last reading before the gap and first one after it.
    held_s : float
        How much longer the gap is than cooling without ice takes.
    """

    before: int
    after: int
    held_s: float


def find_hidden_freeze(trace: Trace) -> HiddenFreeze | None:
    """Find a gap that is too long for the cooling across it.

    Between two temperatures a body that cools toward any steady sink takes the time
    ``(T1 - T2) ln(r1 / r2) / (r1 - r2)``, with r1 and r2 its rates there, whatever the sink's
    temperature and its rate constant are.

    Parameters
    ----------
    trace : Trace
        Readings without a plateau.

    Returns
    -------
    HiddenFreeze or None
        None where no gap tells of one.

    Notes
    -----
    Source: Newton's law of cooling, solved for the time between two states; derived here.
    T1, T2: temperatures before and after the gap; r1, r2: their rates of fall.
    """
    times, temps = trace.time_s, trace.temp_c
    gaps = places_of(np.diff(times) > trace.gap_s)
    found: HiddenFreeze | None = None
    for last in gaps.tolist():
        before = slice(max(last + 1 - _BESIDE, 0), last + 1)
        after = slice(last + 1, min(last + 1 + _BESIDE, times.size))
        warm, cold = float(temps[last]), float(temps[last + 1])
        if warm <= cold or cold > _WARMEST_AFTER_C:
            continue
        rates, errors = zip(
            *(_rate(times[s], temps[s], trace.noise_k) for s in (before, after)), strict=True
        )
        # Toward a sink at its rest any gap is long enough; a rate must stand out to tell.
        if any(rate <= _STANDS_OUT * error for rate, error in zip(rates, errors, strict=True)):
            continue
        mean_rate = (
            rates[0]
            if np.isclose(rates[0], rates[1])
            else (rates[0] - rates[1]) / float(np.log(rates[0] / rates[1]))
        )
        held = float(times[last + 1] - times[last]) - (warm - cold) / mean_rate
        if held * mean_rate >= _HELD_K and (found is None or held > found.held_s):
            found = HiddenFreeze(before=last, after=last + 1, held_s=held)
    return found


def _rate(times: Floats, temps: Floats, noise_k: float) -> tuple[float, float]:
    """Give the rate of fall of a few readings and its standard error."""
    if times.size < _FEWEST or np.ptp(times) <= 0:
        return 0.0, 0.0
    centred = times - times.mean()
    squares = float(np.sum(centred**2))
    rate = -float(np.sum(centred * (temps - temps.mean()))) / squares
    return rate, noise_k / squares**0.5
