"""Whole cooling curves of a register's runs: from traces to what a report shows."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt
import pandas as pd

from metafreeze.curves.events import CurveEvents, Event, find_events
from metafreeze.curves.whole import CurveComparison, CurveRun, compare_curves
from metafreeze.errors import InputError
from metafreeze.options import CurveArm, CurvePairing
from metafreeze.results import RESULT, Result

# A start within this share of the distance between the two temperatures of a pair belongs to one.
_NEAR = 0.25
# Points to which a trace is thinned for drawing.
_POINTS = 160
_MOST_DRAWN = 200


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StartedTrace:
    """One trace of a register, with what is known of its run.

    Parameters
    ----------
    run, block, probe : str
        Names; block and probe may be empty.
    start_temp_c : float
        Start temperature of the run.
    time_s, temp_c : float array-like, shape (n,)
        Seconds on the trace's own clock, and temperature.
    sink_c : float
        Mean temperature of the sink; NaN if not known.
    inserted_s : float
        Insertion on the trace's own clock; NaN: as the trace shows it, else its first reading.
    """

    run: str
    block: str = ""
    probe: str = ""
    start_temp_c: float
    time_s: npt.ArrayLike
    temp_c: npt.ArrayLike
    sink_c: float = float("nan")
    inserted_s: float = float("nan")


@dataclass(**RESULT)
class WholeCurves(Result):
    """The comparison of a register's curves, and every trace's events.

    Parameters
    ----------
    comparison : CurveComparison or None
        None where one arm has no trace.
    hot_c, cold_c : float
        The pair of start temperatures that makes the arms.
    events : DataFrame
        One row per trace: run, probe, arm, and each event's limits in seconds since insertion.
    drawn : DataFrame
        Thinned traces: trace, arm, time_s, temp_c; "hot" and "cold" in `trace` with `middle`
        true are the middle course of each arm.
    left_out : tuple of str
        Runs that belong to neither start temperature.
    note : str
        Why nothing is compared, or what a reader must know.
    """

    comparison: CurveComparison | None
    hot_c: float
    cold_c: float
    events: pd.DataFrame
    drawn: pd.DataFrame
    left_out: tuple[str, ...]
    note: str

    def to_frame(self) -> pd.DataFrame:
        """Give the comparison level by level; empty where there is none."""
        if self.comparison is not None:
            return self.comparison.to_frame()
        columns = ["probe", "kind", "level", "log_ratio", "se", "low", "high"]
        return pd.DataFrame(columns=[*columns, "rate_log_ratio", "rate_low", "rate_high"])

    def headline(self) -> str:
        """Say who is ahead to the end, in one line."""
        return self.comparison.headline() if self.comparison is not None else self.note

    def results(self) -> dict[str, Any]:
        """Give everything that a report shows, as plain values."""
        out: dict[str, Any] = {
            "status": "none" if self.comparison is None else self.comparison.status,
            "note": self.note,
            "hot_c": self.hot_c,
            "cold_c": self.cold_c,
            "left_out": len(self.left_out),
            "traces": len(self.events),
            "hot_traces": int((self.events["arm"] == "hot").sum()),
            "cold_traces": int((self.events["arm"] == "cold").sum()),
            "probes": [],
        }
        if self.comparison is None:
            return out
        found = self.comparison
        out |= {"pairing": found.pairing, "lead": found.lead, "level": found.level}
        for one in found.probes:
            band, rates = one.band, one.rates
            water = rates.middle.size
            blank = np.full(len(one.levels) - water, np.nan)
            out["probes"].append(
                {
                    "probe": one.probe,
                    "blocks": list(band.blocks),
                    "hot_runs": one.runs[0],
                    "cold_runs": one.runs[1],
                    "reached_end": one.reached_end,
                    "shortened_by": list(one.shortened_by),
                    "kinds": [at.kind for at in one.levels],
                    "levels": [at.value for at in one.levels],
                    "log_ratio": band.middle.tolist(),
                    "low": band.low.tolist(),
                    "high": band.high.tolist(),
                    "rate_log_ratio": np.concatenate((rates.middle, blank)).tolist(),
                    "rate_low": np.concatenate((rates.low, blank)).tolist(),
                    "rate_high": np.concatenate((rates.high, blank)).tolist(),
                    "lead": one.lead.who,
                    "lead_from": one.lead.from_place,
                    "residual_from_c": one.residual_from_c,
                    "residual_log_ratio": one.residual_log_ratio,
                    "residual_low": one.residual_low,
                    "residual_high": one.residual_high,
                }
            )
        return out


def started_traces(
    rows: pd.DataFrame,
    traces: Sequence[tuple[Mapping[str, Any], npt.ArrayLike, npt.ArrayLike]],
) -> tuple[StartedTrace, ...]:
    """Join stored traces to the rows of their runs.

    Parameters
    ----------
    rows : DataFrame
        Rows of the register.
    traces : sequence of (mapping, times, temperatures)
        For each trace the columns and values that name its run, seconds, and degrees Celsius.

    Returns
    -------
    tuple of StartedTrace
        In the order of `traces`; those without a row that bears a start temperature are
        passed over. Traces of one run become its probes, named by `trace_channel`, else by
        their number.
    """
    out: list[StartedTrace] = []
    count: dict[str, int] = {}
    for keys, times, temps in traces:
        row = _row_of(rows, keys)
        if row is None:
            continue
        run = " / ".join(_word(row, name) for name in _RUN if _word(row, name))
        count[run] = count.get(run, 0) + 1
        channel = str(keys.get("trace_channel") or "")
        block = " / ".join(_word(row, name) for name in _BLOCK if _word(row, name))
        out.append(
            StartedTrace(
                run=run,
                block=block if _word(row, "block_id") else "",
                probe=channel or f"probe {count[run]}",
                start_temp_c=float(row["start_temp_c"]),
                time_s=times,
                temp_c=temps,
                sink_c=_value(row, "sink_temp_c"),
            )
        )
    if all(number == 1 for number in count.values()):
        return tuple(replace(trace, probe="") for trace in out)
    return tuple(out)


class Stored(Protocol):
    """What is asked of a trace that a register keeps."""

    @property
    def role(self) -> str:
        """Give what the probe was in: "water", "sink" or "room"."""

    @property
    def lab_id(self) -> str:
        """Give the lab of its run."""

    @property
    def block_id(self) -> str:
        """Give the block of its run."""

    @property
    def run_id(self) -> str:
        """Give its run; empty where nobody has linked it."""

    @property
    def channel(self) -> str:
        """Give the heading of the channel."""

    @property
    def time_s(self) -> npt.NDArray[np.float64]:
        """Give the seconds."""

    @property
    def temp_c(self) -> npt.NDArray[np.float64]:
        """Give the temperatures."""

    @property
    def marks(self) -> npt.NDArray[np.int8]:
        """Give why readings must not be used; 0 for good ones."""


def stored_traces(rows: pd.DataFrame, stored: Iterable[Stored]) -> tuple[StartedTrace, ...]:
    """Take the traces of water that a register keeps, joined to the rows of their runs.

    Parameters
    ----------
    rows : DataFrame
        Rows of the register.
    stored : iterable of Stored
        Its traces.

    Returns
    -------
    tuple of StartedTrace
        Readings that must not be used are NaN.
    """
    parts = [
        (
            {
                "lab_id": trace.lab_id,
                "block_id": trace.block_id,
                "run_id": trace.run_id,
                "trace_channel": trace.channel,
            },
            trace.time_s,
            np.where(np.asarray(trace.marks) == 0, trace.temp_c, np.nan),
        )
        for trace in stored
        if trace.role == "water" and trace.run_id
    ]
    return started_traces(rows, parts)


def add_whole_curves(
    results: dict[str, Any],
    tables: dict[str, pd.DataFrame],
    traces: Sequence[StartedTrace],
    *,
    hot_c: float,
    cold_c: float,
    seed: int = 1,
) -> None:
    """Put the comparison of whole curves among the results of a report; nothing without traces.

    Parameters
    ----------
    results : dict
        What ``results.json`` will hold; gains "curves".
    tables : dict of str to DataFrame
        The tables beside it; gain "curve-events" and "curve-points".
    traces : sequence of StartedTrace
        Traces of the register.
    hot_c, cold_c : float
        The pair that the report is about.
    seed : int
        Seed of the resampling.
    """
    if not traces:
        return
    found = compare_whole_curves(traces, hot_c=hot_c, cold_c=cold_c, seed=seed)
    results["curves"] = found.results()
    tables["curve-events"] = found.events
    tables["curve-points"] = found.drawn


_RUN = ("lab_id", "session_id", "block_id", "run_id")
_BLOCK = ("lab_id", "session_id", "block_id")


def _row_of(rows: pd.DataFrame, keys: Mapping[str, Any]) -> pd.Series[Any] | None:
    known = {
        name: value
        for name, value in keys.items()
        if name in rows.columns and name in _RUN and value
    }
    if not known or "start_temp_c" not in rows.columns:
        return None
    same = rows["start_temp_c"].notna()
    for name, value in known.items():
        same &= rows[name].astype(str) == str(value)
    return rows[same].iloc[0] if same.any() else None


def _word(row: pd.Series[Any], name: str) -> str:
    value = row.get(name)
    return "" if value is None or pd.isna(value) else str(value)


def _value(row: pd.Series[Any], name: str) -> float:
    value = row.get(name)
    return float("nan") if value is None or pd.isna(value) else float(value)


def compare_whole_curves(
    traces: Sequence[StartedTrace],
    *,
    hot_c: float,
    cold_c: float,
    pairing: CurvePairing = "auto",
    level: float = 0.95,
    draws: int = 2000,
    seed: int = 1,
) -> WholeCurves:
    """Compare the whole curves of runs that started at two temperatures.

    Parameters
    ----------
    traces : sequence of StartedTrace
        Traces of runs, any start temperature.
    hot_c, cold_c : float
        The pair; a run belongs to the one that it lies within a quarter of their distance of.
    pairing : {"auto", "paired", "unpaired"}
        See `compare_curves`.
    level : float
        Coverage of the band.
    draws : int
        Resamples of the blocks.
    seed : int
        Seed of the resampling.

    Returns
    -------
    WholeCurves

    Raises
    ------
    InputError
        `hot_c` is not above `cold_c`.
    """
    if not hot_c > cold_c:
        raise InputError(f"hot_c is {hot_c:g} and cold_c {cold_c:g}. Give the hotter one as hot_c.")
    runs: list[CurveRun] = []
    rows: list[dict[str, Any]] = []
    left_out: set[str] = set()
    unusable: list[str] = []
    for trace in traces:
        arm = _arm(trace.start_temp_c, hot_c, cold_c)
        if arm is None:
            left_out.add(trace.run)
            continue
        try:
            found = find_events(trace.time_s, trace.temp_c)
        except InputError as error:
            # One useless trace must not keep the others from being compared.
            unusable.append(f"trace of run {trace.run} not used: {error}")
            continue
        inserted = _inserted_s(trace, found)
        times = np.asarray(trace.time_s, dtype=np.float64) - inserted
        kept = times >= 0
        runs.append(
            CurveRun(
                run=trace.run,
                arm=arm,
                block=trace.block,
                probe=trace.probe,
                time_s=times[kept],
                temp_c=np.asarray(trace.temp_c, dtype=np.float64)[kept],
                sink_c=trace.sink_c,
            )
        )
        rows.append(_event_row(trace, arm, found, inserted))
    events = pd.DataFrame(rows, columns=_event_columns())
    arms = {run.arm for run in runs}
    if arms != {"hot", "cold"}:
        missing = f"{cold_c:g}" if "cold" not in arms else f"{hot_c:g}"
        note = f"no trace of a run that started near {missing} °C, so nothing is compared"
        comparison = None
    else:
        comparison = compare_curves(runs, pairing=pairing, level=level, draws=draws, seed=seed)
        note = comparison.note
    return WholeCurves(
        comparison=comparison,
        hot_c=hot_c,
        cold_c=cold_c,
        events=events,
        drawn=thin_traces(runs),
        left_out=tuple(sorted(left_out)),
        note="; ".join([n for n in (note, *unusable) if n]),
    )


def _arm(start_c: float, hot_c: float, cold_c: float) -> CurveArm | None:
    reach = _NEAR * (hot_c - cold_c)
    if abs(start_c - hot_c) <= reach:
        return "hot"
    return "cold" if abs(start_c - cold_c) <= reach else None


def _inserted_s(trace: StartedTrace, found: CurveEvents) -> float:
    """Give the time of insertion: as told, as seen in the trace, or its first reading."""
    if np.isfinite(trace.inserted_s):
        return trace.inserted_s
    event = found.events["insertion"]
    if event.status == "seen":
        return (event.lower_s + event.upper_s) / 2
    times = np.asarray(trace.time_s, dtype=np.float64)
    return float(times[np.isfinite(times)][0])


_EVENTS = ("t_zero", "t_first_ice", "t_plateau_end", "t_solid")


def _event_columns() -> list[str]:
    ends = [f"{name}_{end}_s" for name in _EVENTS for end in ("lower", "upper")]
    return ["run", "probe", "arm", "start_temp_c", *ends, "supercooling_k", "disturbances"]


def _event_row(
    trace: StartedTrace, arm: CurveArm, found: CurveEvents, inserted: float
) -> dict[str, Any]:
    row: dict[str, Any] = {
        "run": trace.run,
        "probe": trace.probe,
        "arm": arm,
        "start_temp_c": trace.start_temp_c,
        "supercooling_k": found.supercooling_k,
        "disturbances": len(found.disturbances),
    }
    for name in _EVENTS:
        lower, upper = _limits(found.events[name])
        row[f"{name}_lower_s"], row[f"{name}_upper_s"] = lower - inserted, upper - inserted
    return row


def _limits(event: Event) -> tuple[float, float]:
    if event.status == "censored":
        return event.lower_s, float("inf")
    return event.lower_s, event.upper_s


def thin_traces(runs: Sequence[CurveRun]) -> pd.DataFrame:
    """Thin traces for drawing, and work out the middle course of each arm.

    Parameters
    ----------
    runs : sequence of CurveRun
        Traces since insertion.

    Returns
    -------
    DataFrame
        Columns trace, arm, middle, time_s, temp_c.
    """
    parts: list[pd.DataFrame] = []
    for place, run in enumerate(runs[:_MOST_DRAWN]):
        times = np.asarray(run.time_s, dtype=np.float64)
        temps = np.asarray(run.temp_c, dtype=np.float64)
        good = np.isfinite(times) & np.isfinite(temps)
        at, held = _thinned(times[good], temps[good])
        parts.append(_part(str(place), run.arm, False, at, held))
    for arm in ("hot", "cold"):
        mine = [run for run in runs if run.arm == arm]
        if len(mine) > 2:
            parts.append(_middle_course(arm, mine))
    columns = ["trace", "arm", "middle", "time_s", "temp_c"]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)


def _part(
    trace: str, arm: str, middle: bool, times: npt.ArrayLike, temps: npt.ArrayLike
) -> pd.DataFrame:
    values: Mapping[str, Any] = {
        "trace": trace,
        "arm": arm,
        "middle": middle,
        "time_s": times,
        "temp_c": temps,
    }
    return pd.DataFrame(values)


def _thinned(
    times: npt.NDArray[np.float64], temps: npt.NDArray[np.float64]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Keep the lowest and the highest reading of each stretch, so that no dip is lost."""
    size = max(2 * times.size // _POINTS, 1)
    if size <= 2:
        return times, temps
    keep: list[int] = [0]
    for start in range(0, times.size, size):
        block = temps[start : start + size]
        keep += sorted((start + int(block.argmin()), start + int(block.argmax())))
    kept = np.unique([*keep, times.size - 1])
    return times[kept], temps[kept]


def _middle_course(arm: str, runs: Sequence[CurveRun]) -> pd.DataFrame:
    """Give the median temperature of an arm, while at least half of its runs are followed."""
    series = [
        (np.asarray(r.time_s, dtype=np.float64), np.asarray(r.temp_c, dtype=np.float64))
        for r in runs
    ]
    ends = sorted(float(times[-1]) for times, _ in series)
    grid = np.linspace(0.0, ends[len(ends) // 2], _POINTS)
    values = np.array(
        [np.interp(grid, times, temps, left=np.nan, right=np.nan) for times, temps in series]
    )
    seen = np.isfinite(values).sum(axis=0) * 2 >= len(runs)
    return _part(arm, arm, True, grid[seen], np.nanmedian(values[:, seen], axis=0))
