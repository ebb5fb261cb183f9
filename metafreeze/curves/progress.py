"""How far a run has come, on one axis that never turns back.

Above 0 °C this is its temperature. Below, temperature rises again when ice begins, so that the
share of the enthalpy of freezing takes its place; once all is ice, temperature serves again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
import numpy.typing as npt

from metafreeze.curves.crossings import find_crossing
from metafreeze.curves.events import CurveEvents, Event, find_events
from metafreeze.curves.trace import Floats, Trace, prepare_trace
from metafreeze.errors import InputError
from metafreeze.water import FUSION_J_KG, water_heat_capacity_j_kgk

LevelKind = Literal["water", "share", "ice"]

# Shares of the enthalpy between water and ice, both at 0 °C, at which curves are compared.
SHARES = (0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)
ICE_C = (-2.0, -5.0)
# Steps of temperature in the water.
_WATER_STEP_K = 2.0
_LOWEST_WATER_C = 1.0
_BELOW_START_K = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """One point of the axis.

    Parameters
    ----------
    kind : {"water", "share", "ice"}
        Temperature of the water, share of the enthalpy of freezing removed, or temperature of
        the ice.
    value : float
        Degrees Celsius, or a share from 0 to 1.
    """

    kind: LevelKind
    value: float

    @property
    def enthalpy_kj_kg(self) -> float:
        """Enthalpy above that of water at 0 °C, by which levels are in order."""
        if self.kind == "share":
            return -self.value * FUSION_J_KG * 1e-3
        if self.kind == "ice":
            # Heat capacity of ice near 0 °C: 2.1 kJ/(kg K) (IAPWS R10-06).
            return -FUSION_J_KG * 1e-3 + 2.1 * self.value
        return 4.2 * self.value


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """When one run passed each level.

    Parameters
    ----------
    time_s : float array, shape (levels,)
        Seconds on the clock handed in; NaN where the run began below the level, or was not
        followed to it.
    rate_k_s : float array, shape (levels,)
        Rate of cooling there; NaN for shares, and where there is no time.
    start_c : float
        First temperature, on the scale corrected by the run's own plateau.
    events : CurveEvents
        What was found in the trace.
    """

    time_s: Floats
    rate_k_s: Floats
    start_c: float
    events: CurveEvents


def usual_levels(coldest_start_c: float) -> tuple[Level, ...]:
    """Give the levels that all runs have in common, from the first to the last.

    Parameters
    ----------
    coldest_start_c : float
        Lowest start temperature among the runs.

    Returns
    -------
    tuple of Level
    """
    top = coldest_start_c - _BELOW_START_K
    water = np.arange(_LOWEST_WATER_C, top + 1e-9, _WATER_STEP_K)[::-1]
    return (
        *(Level(kind="water", value=float(c)) for c in water),
        *(Level(kind="share", value=s) for s in SHARES),
        *(Level(kind="ice", value=c) for c in ICE_C),
    )


def times_at_levels(
    time_s: npt.ArrayLike,
    temp_c: npt.ArrayLike,
    levels: Sequence[Level],
    *,
    bad: npt.ArrayLike | None = None,
) -> Progress:
    """Find when one trace passed each level.

    Parameters
    ----------
    time_s, temp_c : float array-like, shape (n,)
        One trace, as for `find_events`.
    levels : sequence of Level
        Which.
    bad : bool array-like, shape (n,), optional
        Readings that must not be used.

    Returns
    -------
    Progress

    Raises
    ------
    InputError
        The trace cannot be used, or the levels are not in order.

    Notes
    -----
    Ice takes the share c d/L at once from water supercooled by d; from there to the end of the
    plateau heat leaves at one rate, the vessel being at 0 °C all the time, so that the share
    grows evenly. This is the lumped picture; a vessel that freezes from its walls slows down.
    """
    places = [level.enthalpy_kj_kg for level in levels]
    if any(b >= a for a, b in pairwise(places)):
        raise InputError(
            "The levels are not in order. Give them from the hottest water to the coldest ice."
        )
    found = find_events(time_s, temp_c, bad=bad)
    trace = prepare_trace(time_s, temp_c, bad=bad)
    offset = found.offset_k if abs(found.offset_k) <= 1.5 else 0.0
    start_c = float(np.sort(trace.temp_c[:5])[-1]) - offset
    times = np.full(len(levels), np.nan)
    rates = np.full(len(levels), np.nan)
    begin = _first_reading(trace, found)
    first_ice = _middle(found.events["t_first_ice"])
    end = _middle(found.events["t_plateau_end"])
    ice_at = int(np.searchsorted(trace.time_s, first_ice)) if np.isfinite(first_ice) else None
    end_at = int(np.searchsorted(trace.time_s, end)) if np.isfinite(end) else None
    depth = max(found.supercooling_k, 0.0) if np.isfinite(found.supercooling_k) else 0.0
    at_once = depth * _heat_capacity(-depth) / FUSION_J_KG
    for place, level in enumerate(levels):
        if level.kind == "share":
            if level.value >= at_once:
                rest = (level.value - at_once) / (1.0 - at_once)
                times[place] = first_ice + rest * (end - first_ice)
                if level.value < 1.0 and not np.isfinite(end):
                    times[place] = np.nan
                continue
            wanted, low, high = _supercooled_at(level.value) + offset, begin, ice_at
        elif level.kind == "ice":
            if end_at is None:
                continue
            wanted, low, high = level.value + offset, max(end_at - 2, 0), None
        else:
            wanted, low, high = level.value + offset, begin, ice_at
        crossing = find_crossing(trace, wanted, start=low, stop=high)
        if crossing is not None and not crossing.in_gap:
            times[place] = (crossing.lower_s + crossing.upper_s) / 2
            rates[place] = crossing.slope_k_s if level.kind != "share" else np.nan
    return Progress(time_s=times, rate_k_s=rates, start_c=start_c, events=found)


def _first_reading(trace: Trace, found: CurveEvents) -> int:
    insertion = found.events["insertion"]
    if insertion.status == "none":
        return 0
    return int(np.searchsorted(trace.time_s, insertion.lower_s))


def _middle(event: Event) -> float:
    """Give the middle of an event that was seen and not lost in a gap; NaN else."""
    if event.status not in ("seen", "interval") or event.confidence == "weak":
        return float("nan")
    return (event.lower_s + event.upper_s) / 2


def _heat_capacity(temp_c: float) -> float:
    """Give the heat capacity of water halfway to a temperature, J/(kg K)."""
    return float(water_heat_capacity_j_kgk(temp_c / 2))


def _supercooled_at(share: float) -> float:
    """Give the temperature of water from which a share of the enthalpy of freezing is gone."""
    temp = 0.0
    for _ in range(4):
        temp = -share * FUSION_J_KG / _heat_capacity(temp)
    return temp
