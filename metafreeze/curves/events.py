"""Every event of a cooling trace, each as an interval with its reason.

No event is an answer: it is then censored at the last reading, or said not to apply.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from metafreeze.curves.crossings import LIMITS, Crossing, find_crossing
from metafreeze.curves.disturbances import Disturbance, find_disturbances
from metafreeze.curves.hidden import HiddenFreeze, find_hidden_freeze
from metafreeze.curves.ice import BEGINS_AT_REST, FirstIce, find_first_ice
from metafreeze.curves.noise import places_of
from metafreeze.curves.plateau import Departure, Plateau, find_departure, find_plateau
from metafreeze.curves.trace import (
    Averaged,
    Trace,
    average_trace,
    cooling_rate,
    prepare_trace,
)
from metafreeze.results import RESULT, Result

EventStatus = Literal["seen", "interval", "censored", "none"]
Confidence = Literal["clear", "fair", "weak", ""]

THRESHOLDS_C = (20.0, 10.0, 4.0)
SOLID_C = -5.0
EVENT_NAMES = (
    "insertion",
    "t_threshold_20_c",
    "t_threshold_10_c",
    "t_threshold_4_c",
    "t_zero",
    "supercooling_minimum",
    "t_first_ice",
    "t_plateau_end",
    "t_solid",
    "t_residual",
)
# An own plateau farther from 0 °C than this is no offset of the probe.
_LARGEST_OFFSET_K = 1.5
# A vessel at rest before insertion drifts by less than this share of its later rate.
_AT_REST = 0.2
# A rest up to here, or a rise to it, may be ice.
_ICE_TO_C = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One event of a trace.

    Parameters
    ----------
    status : {"seen", "interval", "censored", "none"}
        Seen among readings; known only to lie between two times; not seen before the
        record ended (no upper limit); or not applicable.
    lower_s, upper_s : float
        Limits in seconds of the trace's clock; NaN where there is none.
    confidence : {"clear", "fair", "weak", ""}
        How plainly the trace shows it.
    because : str
        The reason in one clause.
    """

    status: EventStatus
    lower_s: float = float("nan")
    upper_s: float = float("nan")
    confidence: Confidence = ""
    because: str


@dataclass(**RESULT)
class CurveEvents(Result):
    """Events of one trace.

    Parameters
    ----------
    events : mapping of str to Event
        By name, in the order of `EVENT_NAMES`.
    supercooling_k : float
        Depth of the minimum below the trace's own plateau, else below 0 °C; NaN if not frozen
        or not resolved.
    offset_k : float
        Reading of the probe on its own plateau; NaN without one.
    noise_k, resolution_k, step_s : float
        Scatter, rounding and usual step of the readings.
    disturbances : tuple of Disturbance
        What else befell the trace.
    n : int
        Readings used.
    """

    events: Mapping[str, Event]
    supercooling_k: float
    offset_k: float
    noise_k: float
    resolution_k: float
    step_s: float
    disturbances: tuple[Disturbance, ...]
    n: int

    def to_frame(self) -> pd.DataFrame:
        """Give one row per event."""
        rows = [
            (name, e.status, e.lower_s, e.upper_s, e.confidence, e.because)
            for name, e in self.events.items()
        ]
        columns = ["event", "status", "lower_s", "upper_s", "confidence", "because"]
        return pd.DataFrame(rows, columns=columns).astype({"lower_s": float, "upper_s": float})

    def headline(self) -> str:
        """Say when ice began and when the plateau ended, in one line."""
        words = [
            f"{label} {_spell(self.events[name])}"
            for label, name in (("first ice", "t_first_ice"), ("plateau end", "t_plateau_end"))
        ]
        return f"{', '.join(words)} ({self.n} readings)"


def _spell(event: Event) -> str:
    if event.status == "none":
        return "not applicable"
    if event.status == "censored":
        return f"not seen by {event.lower_s:.0f} s"
    return f"{event.lower_s:.0f} to {event.upper_s:.0f} s"


def find_events(
    time_s: npt.ArrayLike,
    temp_c: npt.ArrayLike,
    *,
    bad: npt.ArrayLike | None = None,
    residual_from_c: float | None = None,
) -> CurveEvents:
    """Find every event of one cooling trace.

    Parameters
    ----------
    time_s : float array-like, shape (n,)
        Seconds, never falling.
    temp_c : float array-like, shape (n,)
        Temperature in degrees Celsius; NaN where there is none.
    bad : bool array-like, shape (n,), optional
        Readings that must not be used.
    residual_from_c : float, optional
        Start temperature of the cold arm, from which `t_residual` counts to `t_solid`.

    Returns
    -------
    CurveEvents
        Times on the clock that was handed in; `t_residual` is a length of time.

    Raises
    ------
    InputError
        Lengths differ, time runs backwards, or fewer than five readings can be used.
    """
    trace = prepare_trace(time_s, temp_c, bad=bad)
    insertion, start = _find_insertion(trace)
    seen = average_trace(trace)
    rest = find_plateau(seen.trace, usual_rate=cooling_rate(seen.trace))
    plateau = _on_readings(trace, seen, rest)
    departure = find_departure(seen.trace, rest, step_s=trace.step_s) if rest else None
    ice = find_first_ice(seen.trace, rest, departure)
    if ice.minimum_at >= 0 and seen.size > 1:
        ice = replace(ice, minimum_at=int(seen.starts[ice.minimum_at]) + seen.size // 2)
    events: dict[str, Event] = {"insertion": insertion}
    for level in THRESHOLDS_C:
        events[f"t_threshold_{level:g}_c"] = _cross(trace, level, start=start)
    offset = plateau.level_c if plateau is not None and ice.frozen else float("nan")
    events["t_zero"] = _zero(trace, plateau, ice, start)
    events["supercooling_minimum"] = _minimum(trace, ice)
    events["t_first_ice"] = _first_ice(trace, ice)
    events["t_plateau_end"] = _plateau_end(trace, ice, departure)
    events["t_solid"] = _solid(trace, ice, plateau)
    hidden = None if ice.frozen or rest is not None else find_hidden_freeze(trace)
    if hidden is not None:
        events |= _hidden(trace, hidden)
    events["t_residual"] = _residual(trace, events["t_solid"], residual_from_c, start)
    depth = float("nan")
    if ice.frozen and ice.minimum_at >= 0:
        depth = (offset if abs(offset) <= _LARGEST_OFFSET_K else 0.0) - ice.minimum_c
    return CurveEvents(
        events=events,
        supercooling_k=depth,
        offset_k=offset,
        noise_k=trace.noise_k,
        resolution_k=trace.resolution_k,
        step_s=trace.step_s,
        disturbances=_disturbances(trace, ice, plateau, start),
        n=trace.temp_c.size,
    )


def _disturbances(
    trace: Trace, ice: FirstIce, plateau: Plateau | None, start: int
) -> tuple[Disturbance, ...]:
    quiet = []
    if start:
        quiet.append((-np.inf, float(trace.time_s[start])))
    if ice.frozen and plateau is not None:
        # From the rise at which ice begins up to where the plateau ends the water warms itself.
        begin = ice.lower_s - trace.step_s
        if ice.minimum_at >= 0:
            begin = min(begin, float(trace.time_s[ice.minimum_at]))
        quiet.append((begin, float(trace.time_s[plateau.last])))
    return find_disturbances(trace, quiet=tuple(quiet))


def _find_insertion(trace: Trace) -> tuple[Event, int]:
    """Find a jump into hot water or the end of a rest at the start, where there is one."""
    temps, times, noise = trace.temp_c, trace.time_s, trace.noise_k
    hottest = int(np.argmax(temps))
    large = max(3.0, 10 * noise)
    warms = temps[hottest] - temps[0] >= large and temps[hottest] > _ICE_TO_C
    if 0 < hottest < temps.size // 2 and warms:
        within = temps[: hottest + 1]
        arrived = int(
            np.argmax(within >= temps[hottest] - max(0.05 * (temps[hottest] - temps[0]), 3 * noise))
        )
        low = max(arrived - 1, 0)
        event = Event(
            status="seen",
            lower_s=float(times[low]),
            upper_s=float(times[hottest]),
            confidence="fair",
            because=f"the probe warms from {temps[0]:.1f} to {temps[hottest]:.1f} °C, then cools",
        )
        return event, hottest
    band = max(0.3, 4 * noise)
    high = float(np.median(temps[:3]))
    left = places_of(temps < high - band)
    if left.size and left[0] >= 4:
        at = int(left[0])
        lead = (temps[at - 2] - temps[0]) / max(times[at - 2] - times[0], 1e-12)
        reach = min(at + max(at // 2, 3), temps.size - 1)
        later = (temps[reach] - temps[at]) / max(times[reach] - times[at], 1e-12)
        if later < 0 and abs(lead) < _AT_REST * abs(later) and high > _ICE_TO_C:
            slack = band / -later
            event = Event(
                status="seen",
                lower_s=max(float(times[at]) - 2 * slack - trace.step_s, float(times[0])),
                upper_s=float(times[at]),
                confidence="fair",
                because=f"the trace rests at {high:.1f} °C, then begins to cool",
            )
            return event, max(at - 1, 0)
    event = Event(
        status="none",
        because="the trace cools from its first reading; put in before it, or at it",
    )
    return event, 0


def _confidence(trace: Trace, crossing: Crossing) -> Confidence:
    if crossing.in_gap or crossing.slope_k_s <= 0:
        return "weak"
    width = crossing.upper_s - crossing.lower_s
    allowed = 2 * trace.step_s + trace.noise_k / crossing.slope_k_s
    return "clear" if width <= allowed else "fair"


def _cross(
    trace: Trace,
    level: float,
    *,
    start: int = 0,
    stop: int | None = None,
    level_slack_k: float = 0.0,
    corrected: str = "",
) -> Event:
    """Turn the first lasting fall through a level into an event."""
    crossing = find_crossing(trace, level, start=start, stop=stop, level_slack_k=level_slack_k)
    if crossing is None:
        begin = float(np.median(trace.temp_c[start : start + 3]))
        if begin <= level + 2 * trace.noise_k and trace.temp_c[start] <= level + 2 * trace.noise_k:
            return Event(
                status="none", because=f"the trace begins at {begin:.1f} °C, not above {level:g} °C"
            )
        return Event(
            status="censored",
            lower_s=trace.ended_s,
            because=f"the record ends before {level:g} °C",
        )
    word = "fell through" if not crossing.in_gap else "fell, in a gap of the record, through"
    return Event(
        status="interval" if crossing.in_gap else "seen",
        lower_s=crossing.lower_s,
        upper_s=crossing.upper_s,
        confidence=_confidence(trace, crossing),
        because=f"{word} {level:.4g} °C{corrected}",
    )


def _on_readings(trace: Trace, seen: Averaged, rest: Plateau | None) -> Plateau | None:
    """Give a plateau that was found on averages the numbers of the readings themselves."""
    if rest is None or seen.size == 1:
        return rest
    last = rest.last + 1
    return replace(
        rest,
        first=int(seen.starts[rest.first]),
        last=int(seen.starts[last]) - 1 if last < seen.starts.size else trace.temp_c.size - 1,
    )


def _zero(trace: Trace, plateau: Plateau | None, ice: FirstIce, start: int) -> Event:
    """Find 0 °C of the water, on the probe's own scale where its plateau gives it."""
    if plateau is None or not ice.frozen or abs(plateau.level_c) > _LARGEST_OFFSET_K:
        return _cross(trace, 0.0, start=start, corrected=", no plateau to correct the probe by")
    if ice.minimum_at < 0:
        # The trace nears its plateau without passing it: 0 °C is where its line reaches that.
        return Event(
            status="interval" if ice.in_gap else "seen",
            lower_s=max(ice.zero_s[0], float(trace.time_s[0])),
            upper_s=ice.zero_s[1],
            confidence="weak" if ice.in_gap else "fair",
            because="the trace comes to rest at its plateau without passing it",
        )
    return _cross(
        trace,
        plateau.level_c,
        start=start,
        stop=int(trace.time_s.searchsorted(ice.on_line_s, side="right")) + 1,
        level_slack_k=LIMITS * plateau.level_se_k + plateau.level_slack_k,
        corrected=f", the probe's own reading of 0 °C ({plateau.level_c:+.2f})",
    )


def _not_frozen(trace: Trace, ice: FirstIce) -> Event:
    return Event(
        status="censored",
        lower_s=trace.ended_s,
        because=f"not frozen when the record ends: {ice.because}",
    )


def _minimum(trace: Trace, ice: FirstIce) -> Event:
    """Place the supercooling minimum."""
    if not ice.frozen:
        if ice.because == BEGINS_AT_REST:
            return Event(status="none", because=f"{ice.because}; it would lie before it")
        return _not_frozen(trace, ice)
    if ice.minimum_at < 0:
        return Event(status="none", because="no supercooling stands out of the noise")
    return Event(
        status="interval" if ice.in_gap else "seen",
        lower_s=min(float(trace.time_s[ice.minimum_at]), ice.lower_s),
        upper_s=ice.upper_s,
        confidence="weak" if ice.in_gap else "clear",
        because=f"lowest reading before ice {ice.minimum_c:.2f} °C",
    )


def _first_ice(trace: Trace, ice: FirstIce) -> Event:
    if not ice.frozen:
        if ice.because == BEGINS_AT_REST:
            return Event(status="none", because=f"{ice.because}; ice may have begun before it")
        return _not_frozen(trace, ice)
    confidence: Confidence = "clear" if ice.resolved else "fair"
    return Event(
        status="interval" if ice.in_gap or not ice.resolved else "seen",
        lower_s=ice.lower_s,
        upper_s=ice.upper_s,
        confidence="weak" if ice.in_gap else confidence,
        because=ice.because + (", in a gap of the record" if ice.in_gap else ""),
    )


def _plateau_end(trace: Trace, ice: FirstIce, departure: Departure | None) -> Event:
    rests = ice.because == BEGINS_AT_REST
    if not ice.frozen and not (rests and departure):
        return _not_frozen(trace, ice)
    if departure is None:
        return Event(
            status="censored",
            lower_s=trace.ended_s,
            because="still on the plateau when the record ends",
        )
    return Event(
        status="interval" if departure.in_gap else "seen",
        lower_s=departure.lower_s,
        upper_s=departure.upper_s,
        confidence="weak" if departure.in_gap else "clear",
        because="the fall drawn back to the plateau"
        + (", in a gap of the record" if departure.in_gap else ""),
    )


def _solid(trace: Trace, ice: FirstIce, plateau: Plateau | None) -> Event:
    """Find -5 °C after the plateau; supercooled water at -5 °C is not solid."""
    rests = ice.because == BEGINS_AT_REST
    if plateau is None or not (ice.frozen or rests):
        return _not_frozen(trace, ice)
    return _cross(trace, SOLID_C, start=plateau.last)


def _hidden(trace: Trace, hidden: HiddenFreeze) -> dict[str, Event]:
    """Give the events of a freeze of which the record shows nothing but that it is over."""
    low, high = float(trace.time_s[hidden.before]), float(trace.time_s[hidden.after])
    because = (
        f"the gap is {hidden.held_s:.0f} s longer than the cooling across it takes without ice"
    )
    inside = Event(status="interval", lower_s=low, upper_s=high, confidence="weak", because=because)
    solid = inside
    if trace.temp_c[hidden.after] > SOLID_C:
        solid = _cross(trace, SOLID_C, start=hidden.after)
    return {
        "supercooling_minimum": Event(status="none", because="it would lie in a gap of the record"),
        "t_first_ice": inside,
        "t_plateau_end": inside,
        "t_solid": solid,
    }


def _residual(trace: Trace, solid: Event, from_c: float | None, start: int) -> Event:
    if from_c is None:
        return Event(status="none", because="the cold arm's start temperature was not given")
    passed = _cross(trace, from_c, start=start)
    if passed.status in ("none", "censored"):
        return Event(status="none", because=passed.because)
    if solid.status == "censored":
        return Event(
            status="censored",
            lower_s=solid.lower_s - passed.upper_s,
            because=f"from {from_c:g} °C; {solid.because}",
        )
    both = "interval" if "interval" in (passed.status, solid.status) else "seen"
    return Event(
        status=both,  # type: ignore[arg-type]
        lower_s=solid.lower_s - passed.upper_s,
        upper_s=solid.upper_s - passed.lower_s,
        confidence=solid.confidence,
        because=f"from {from_c:g} °C to {SOLID_C:g} °C",
    )
