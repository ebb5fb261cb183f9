"""Simulated cooling traces: what a logger would write down of a run whose times are known.

The water follows the physics of this package; what the logger adds (lag, offset, noise,
rounding, gaps, an opened door) is laid over it. Every true time comes with the trace.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import signal

from metafreeze.curves.crossings import LASTING_S
from metafreeze.errors import InputError
from metafreeze.physics.baseline import cooling_times
from metafreeze.physics.cooling import cool_to, ice_cooling_time_s
from metafreeze.physics.setup import Setup

Floats = npt.NDArray[np.float64]

THRESHOLDS_C = (20.0, 10.0, 4.0)
SOLID_C = -5.0
# Temperatures at which the course of the water is worked out; straight lines between.
_KNOTS = 160
# How near to the sink water or ice is followed, kelvin.
_NEAR_SINK_K = 0.02
# Of the depth, so little is left at the end of the rise after first ice.
_RISEN = 12.0
# Points inside one lag of the probe.
_POINTS_A_LAG = 8
_SHORTEST_STEP_S = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class DoorOpening:
    """An opened door: the reading rises, then comes back.

    Parameters
    ----------
    at_s : float
        When it begins.
    rise_k : float
        Highest point of the rise.
    peak_after_s : float
        Time from the beginning to that point; it is gone after about seven times as long.
    """

    at_s: float
    rise_k: float
    peak_after_s: float = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Logger:
    """What stands between the water and the file.

    Parameters
    ----------
    interval_s : float
        Time between readings.
    noise_k : float
        Standard deviation of one reading.
    resolution_k : float
        Step to which readings are rounded; 0 for none.
    lag_s : float
        Time constant of the probe.
    offset_k : float
        What the probe reads in melting ice.
    doors : tuple of DoorOpening
        Openings of the door.
    gaps : tuple of (float, float)
        Times between which nothing was written.
    """

    interval_s: float = 10.0
    noise_k: float = 0.05
    resolution_k: float = 0.0
    lag_s: float = 0.0
    offset_k: float = 0.0
    doors: tuple[DoorOpening, ...] = ()
    gaps: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedTrace:
    """One trace and its truth.

    Parameters
    ----------
    time_s, temp_c : float array, shape (n,)
        Readings as written down.
    felt_c : float array, shape (n,)
        What the probe felt at these times, before noise and rounding, its offset included.
    true_s : dict of str to float
        Times of the events as the probe felt them, `t_zero` on the scale corrected by its
        offset, the other temperatures and `t_zero_as_read` as it reads: infinite where the
        water never got there or the record ended before, NaN where it started beyond.
    frozen : bool
        Whether ice formed before the record ended.
    supercooling_k : float
        Depth at which it formed; NaN where it did not.
    """

    time_s: Floats
    temp_c: Floats
    felt_c: Floats
    true_s: dict[str, float]
    frozen: bool
    supercooling_k: float


def draw_supercooling(
    rng: np.random.Generator, size: int, *, mean_k: float = 5.5, sd_k: float = 1.7
) -> Floats:
    """Draw depths of supercooling: normal, never above 0 °C.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance.
    size : int
        How many.
    mean_k, sd_k : float
        Mean and standard deviation, over specimens and runs together.

    Returns
    -------
    float array, shape (size,)
        Kelvin, 0 to 15.
    """
    return np.clip(rng.normal(mean_k, sd_k, size), 0.0, 15.0)


def simulate_trace(
    setup: Setup,
    *,
    rng: np.random.Generator,
    supercooling_k: float | None = 5.5,
    logger: Logger | None = None,
    rise_s: float = 4.0,
    until_c: float = -8.0,
    ended_s: float | None = None,
) -> SimulatedTrace:
    """Simulate what a logger writes down of one vessel.

    Parameters
    ----------
    setup : Setup
        One vessel and its sink.
    rng : numpy.random.Generator
        Noise, and the moment of the first reading.
    supercooling_k : float, optional
        Depth below 0 °C at which ice forms, 0 to 15; None: it never does.
    logger : Logger, optional
        How it is recorded.
    rise_s : float
        Time constant of the rise to 0 °C after first ice.
    until_c : float
        Temperature of the ice at which the record ends, unless `ended_s` says when.
    ended_s : float, optional
        Time from insertion to the end of the record.

    Returns
    -------
    SimulatedTrace

    Raises
    ------
    InputError
        The setup holds more than one vessel, the end cannot be found, or fewer than five
        readings would be written.

    Source
    ------
    Cooling, freezing and ice: see `cool_to`, `cooling_times`, `ice_cooling_time_s`. Lag of a
    probe: a first-order system, T' = (T_water - T)/lag (Incropera and DeWitt, section 5.1).
    """
    how = logger or Logger()
    if setup.shape not in ((), (1,)):
        raise InputError(
            f"A trace is simulated for one vessel; the setup holds {setup.shape}. "
            "Call simulate_trace for each vessel."
        )
    times, temps, first_ice, plateau_end = _course(setup, supercooling_k, rise_s, until_c)
    end = float(times[-1]) if ended_s is None else float(ended_s)
    if not np.isfinite(end) or end < 5 * how.interval_s:
        raise InputError(
            f"The record would end after {end:g} s, with readings every {how.interval_s:g} s. "
            "Give ended_s, at least five intervals."
        )
    fine = _fine_times(end, how)
    felt = _lag(np.interp(fine, times, temps), fine[1] - fine[0], how.lag_s)
    for door in how.doors:
        since = np.maximum((fine - door.at_s) / door.peak_after_s, 0.0)
        felt = felt + door.rise_k * since * np.exp(1.0 - since)
    felt = felt + how.offset_k
    true = _true_times(fine, felt, first_ice, plateau_end, how, supercooling_k)
    phase = float(rng.uniform(0.0, how.interval_s))
    stamps: Floats = phase + how.interval_s * np.arange(int(end / how.interval_s), dtype=float)
    for start, stop in how.gaps:
        stamps = stamps[(stamps <= start) | (stamps >= stop)]
    if stamps.size < 5:
        raise InputError(f"Only {stamps.size} readings are left of the trace. Shorten the gaps.")
    at = np.interp(stamps, fine, felt)
    temp = at + rng.normal(0.0, how.noise_k, stamps.size)
    if how.resolution_k > 0:
        temp = np.round(temp / how.resolution_k) * how.resolution_k
    frozen = bool(first_ice <= end)
    return SimulatedTrace(
        time_s=stamps,
        temp_c=temp,
        felt_c=at,
        true_s=true,
        frozen=frozen,
        supercooling_k=float(supercooling_k or 0.0) if frozen else float("nan"),
    )


def _course(
    setup: Setup, supercooling_k: float | None, rise_s: float, until_c: float
) -> tuple[Floats, Floats, float, float]:
    """Give the water's own course as knots, first ice and the end of the plateau."""
    start = float(np.ravel(setup.array("start_temp_c"))[0])
    sink = float(np.ravel(setup.array("sink_temp_c"))[0])
    lowest = max(sink + _NEAR_SINK_K, -19.9)
    bottom = lowest if supercooling_k is None else max(-supercooling_k, lowest)
    liquid = sink + np.geomspace(start - sink, bottom - sink, _KNOTS)
    liquid[0], liquid[-1] = start, bottom
    times = np.ravel(cool_to(setup, liquid).time_s)
    if supercooling_k is None or -supercooling_k < lowest or sink >= 0:
        # It comes to rest at the sink and stays.
        far = times[-1] + 1e7
        return np.append(times, far), np.append(liquid, sink), np.inf, np.inf
    first_ice = float(times[-1])
    frozen = float(
        np.ravel(
            cooling_times(setup, endpoint="t_plateau_end", supercooling_k=supercooling_k).time_s
        )[0]
    )
    rise = min(_RISEN * rise_s, 0.5 * (frozen - first_ice))
    since = np.linspace(0.0, rise, 60)[1:]
    risen = -supercooling_k * np.exp(-since / rise_s)
    mass = np.ravel(cool_to(setup, -supercooling_k).mass_g)[0]
    ice = np.linspace(0.0, max(until_c, sink + 0.5), 80)[1:]
    cooled = frozen + np.ravel(ice_cooling_time_s(setup, ice, mass_g=mass))
    return (
        np.concatenate((times, first_ice + since, [frozen], cooled)),
        np.concatenate((liquid, risen, [0.0], ice)),
        first_ice,
        frozen,
    )


def _fine_times(end: float, how: Logger) -> Floats:
    step = how.interval_s
    if how.lag_s > 0:
        step = min(step, how.lag_s / _POINTS_A_LAG)
    step = max(min(step, 1.0), _SHORTEST_STEP_S)
    return np.arange(0.0, end + step, step)


def _lag(temps: Floats, step: float, lag_s: float) -> Floats:
    """Pass a course through a first-order probe, exactly for straight lines between points."""
    if lag_s <= 0:
        return temps
    keep = float(np.exp(-step / lag_s))
    share = (1.0 - keep) * lag_s / step
    # y[n] = keep y[n-1] + (1 - share) x[n] + (share - keep) x[n-1]
    at_rest = np.array([share * temps[0]])
    out, _ = signal.lfilter([1.0 - share, share - keep], [1.0, -keep], temps, zi=at_rest)
    return np.asarray(out, dtype=np.float64)


def _lasting_fall(times: Floats, temps: Floats, level: float) -> float:
    """Give when a course first fell through a level to stay below it for five minutes."""
    falls = np.flatnonzero((temps[:-1] > level) & (temps[1:] <= level))
    if not falls.size:
        return float("inf") if temps[0] > level else float("nan")
    rises = np.flatnonzero((temps[:-1] <= level) & (temps[1:] > level))
    i = int(falls[-1])
    for fall in falls:
        undone = rises[rises > fall]
        if not undone.size or times[undone[0]] - times[fall] >= LASTING_S:
            i = int(fall)
            break
    part = (temps[i] - level) / (temps[i] - temps[i + 1])
    return float(times[i] + part * (times[i + 1] - times[i]))


def _true_times(
    times: Floats,
    felt: Floats,
    first_ice: float,
    plateau_end: float,
    how: Logger,
    supercooling_k: float | None,
) -> dict[str, float]:
    end = float(times[-1])
    liquid = times <= first_ice
    true = {
        f"t_threshold_{level:g}_c": _lasting_fall(times[liquid], felt[liquid], level)
        for level in THRESHOLDS_C
    }
    # Without supercooling 0 °C is reached when ice begins; a probe that lags draws level later.
    at_once = supercooling_k is not None and supercooling_k <= 0
    late = how.lag_s if at_once else 0.0
    true["t_zero"] = (
        first_ice + late if at_once else _lasting_fall(times[liquid], felt[liquid], how.offset_k)
    )
    true["t_zero_as_read"] = _lasting_fall(times[liquid], felt[liquid], 0.0)
    true["t_first_ice"] = first_ice + late
    true["t_plateau_end"] = plateau_end + how.lag_s
    after = times >= plateau_end
    true["t_solid"] = (
        _lasting_fall(times[after], felt[after], SOLID_C) if after.any() else float("inf")
    )
    return {name: (t if not t > end else float("inf")) for name, t in true.items()}


def simulate_traces(
    setups: Sequence[Setup],
    *,
    rng: np.random.Generator,
    supercooling_k: npt.ArrayLike,
    logger: Logger | None = None,
) -> tuple[SimulatedTrace, ...]:
    """Simulate one trace for each vessel, each with its own stream of chance.

    Parameters
    ----------
    setups : sequence of Setup, length n
        Vessels.
    rng : numpy.random.Generator
        Source of chance.
    supercooling_k : float array-like, shape (n,)
        Depth for each.
    logger : Logger, optional
        How all are recorded.

    Returns
    -------
    tuple of SimulatedTrace
    """
    depths = np.broadcast_to(np.asarray(supercooling_k, dtype=np.float64), (len(setups),))
    return tuple(
        simulate_trace(setup, rng=own, supercooling_k=float(depth), logger=logger)
        for setup, own, depth in zip(setups, rng.spawn(len(setups)), depths, strict=True)
    )
