"""Traces into a register: kept beside their runs, their events filled in as outcomes."""

from __future__ import annotations

import hashlib
import os
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from metafreeze.analysis.curve_files import TraceEvents, channels_fitting, curves_of
from metafreeze.analysis.whole_curves import StartedTrace
from metafreeze.curves.events import CurveEvents, Event
from metafreeze.errors import Fault, Location
from metafreeze.register.answers import BINS, Answers, FileCheck
from metafreeze.register.files.reading import read_file
from metafreeze.register.files.sheets import SourceFile
from metafreeze.register.folder.curves import StoredTrace
from metafreeze.register.folder.entries import Entry
from metafreeze.register.folder.store import Register
from metafreeze.register.schema import FIELDS, arrow_schema
from metafreeze.register.traces.logged import LoggedTrace

AnyPath = str | os.PathLike[str]
_NO_ANSWERS = Answers()
_NO_CHANNELS: Mapping[str, str] = MappingProxyType({})

# Event of a trace -> endpoint of the schema and its threshold.
_OUTCOMES: tuple[tuple[str, str, float | None], ...] = (
    ("t_threshold_20_c", "t_threshold", 20.0),
    ("t_threshold_10_c", "t_threshold", 10.0),
    ("t_threshold_4_c", "t_threshold", 4.0),
    ("t_zero", "t_zero", None),
    ("t_first_ice", "t_first_ice", None),
    ("t_plateau_end", "t_plateau_end", None),
    ("t_solid", "t_solid", None),
)
# What a run's other rows say of the run, and not of one outcome or of where it stood.
_NOT_OF_THE_RUN = {
    *("endpoint", "threshold_c", "residual_from_c", "residual_endpoint", "time_lower_s"),
    *("time_upper_s", "time_reading_sd_s", "at_time_s", "ice_mass_g", "exclusion_reason"),
    *(
        "file_name",
        "sheet_name",
        "file_row",
        "as_reported",
        "derived",
        "extraction_id",
        "reader_id",
    ),
}
_NEW = "new"
# A row and its trace that differ by more than this may not belong together.
_START_DIFFERS_K = 5.0


def is_trace_file(path: AnyPath, *, answers: Answers = _NO_ANSWERS) -> bool:
    """Tell whether a file holds temperature traces and no sheet of runs."""
    tables = read_file(path, answers=answers).tables
    return bool(tables) and all(t.is_trace for t in tables)


def add_traces(
    register: Register,
    paths: AnyPath | Iterable[AnyPath],
    *,
    channels: Mapping[str, str] = _NO_CHANNELS,
    answers: Answers = _NO_ANSWERS,
    join_s: float | None = None,
    replace: bool = False,
) -> Entry:
    """Take traces into a register, linked to their runs, with their events as outcomes.

    A channel belongs to the run that `channels` names, or to that whose row names it under
    trace file and trace channel. Where no run of the register waits for a trace it is a run
    of its own. Outcomes that a run has already stay unless `replace`.

    Parameters
    ----------
    register : Register
        Takes them.
    paths : path, or several
        Logger files.
    channels : mapping of str to str
        Channel to run: ``7``, ``LAB/7`` or ``LAB/BATCH/7``; ``new`` for a run of its own.
    answers : Answers
        Answers to what the files leave open.
    join_s : float, optional
        Join what a reset of the clock parted, with this many seconds across it.
    replace : bool
        Whether outcomes of traces replace those that runs have.

    Returns
    -------
    Entry

    Raises
    ------
    InputError
        A fault or an open question, as which run a channel is of. Nothing is stored.
    UsageError
        `channels` names no channel of the files.
    RegisterError
        The disk or another writer is in the way.
    """
    files = [Path(p) for p in ([paths] if isinstance(paths, (str, os.PathLike)) else paths)]
    sources = [read_file(path, answers=answers) for path in files]
    found = curves_of(sources, answers=answers, channels=channels, join_s=join_s)
    rows = register.rows()
    runs = rows[rows["record_level"] == "run"] if len(rows) else rows
    waiting = {r for r in _runs_in(runs) if not _has_trace(register, r)}
    checked = []
    for source, path in zip(sources, files, strict=True):
        own = [t for t in found.traces if t.trace.file == source.name]
        check, traces = _check(source, own, runs, waiting, answers, replace=replace)
        checked.append((check, path, traces))
    # Rows of a run without a time are filled in; outcomes that would change are held back above.
    return register.add_traces(checked, answers=answers, replace=True)


_Run = tuple[str, str, str]


def _text(value: Any) -> str:
    return "" if value is None or pd.isna(value) else str(value)


def _runs_in(rows: pd.DataFrame) -> dict[_Run, pd.DataFrame]:
    """Group rows by lab, batch and run."""
    if not len(rows):
        return {}
    named = rows[rows["run_id"].notna()]
    keys = zip(*(named[c].map(_text) for c in ("lab_id", "block_id", "run_id")), strict=True)
    labels = pd.Series(list(keys), index=named.index, dtype=object)
    return {key: named.loc[part.index] for key, part in labels.groupby(labels, sort=False)}


def _has_trace(register: Register, run: _Run) -> bool:
    return any((t.lab_id, t.block_id, t.run_id) == run for t in register.traces())


def _check(
    source: SourceFile,
    own: Sequence[TraceEvents],
    rows: pd.DataFrame,
    waiting: set[_Run],
    answers: Answers,
    *,
    replace: bool,
) -> tuple[FileCheck, tuple[StoredTrace, ...]]:
    """Make rows and stored traces of one file."""
    faults = list(dict.fromkeys(f for t in own for f in t.trace.findings))
    known = _runs_in(rows)
    sinks = [t.trace for t in own if t.trace.role == "sink"]
    made: list[dict[str, Any]] = []
    stored = []
    taken: dict[_Run, str] = {}
    for one in own:
        run: _Run | None = None
        if one.trace.role == "water" or one.run:
            run = _run_of(one, own, known, waiting, answers, faults)
        if run is not None and run in taken:
            faults.append(
                _fault(
                    one.trace,
                    "another-probe",
                    f"Run {run[2]} has its outcomes from “{taken[run]}”; “{one.trace.channel}” is "
                    "kept as another probe or part of it",
                    "",
                    "note",
                )
            )
        elif run is not None:
            taken[run] = one.trace.channel
            made += _outcomes(one, run, known.get(run), sinks, answers, faults, replace=replace)
        stored.append(_stored(one.trace, run))
    table = pa.Table.from_pylist(made, schema=arrow_schema())
    bins = ["used" if r["time_lower_s"] == r["time_upper_s"] else "not seen exactly" for r in made]
    ledger: dict[str, int] = dict.fromkeys(BINS, 0)
    # All rows of a file of traces stand for one record: the file.
    if made:
        ledger["used" if "used" in bins else "not seen exactly"] = 1
    headings = tuple(c.heading for t in source.tables for c in t.columns)
    check = FileCheck(
        file=source.name,
        sha256=source.sha256,
        kind="trace",
        accepted=not any(f.severity != "note" for f in faults),
        dialect=source.dialect,
        rows=table,
        bins=pa.array(bins, pa.string()),
        ledger=ledger,
        findings=tuple(faults),
        shape=hashlib.sha256("\n".join(headings).casefold().encode()).hexdigest(),
        headings=headings,
    )
    return check, tuple(stored)


def _fault(trace: LoggedTrace, rule: str, message: str, remedy: str, severity: Any) -> Fault:
    return Fault(
        rule=rule,
        message=message,
        remedy=remedy,
        location=Location(file=trace.file, sheet=trace.sheet, column=trace.channel),
        severity=severity,
    )


def _run_of(
    one: TraceEvents,
    own: Sequence[TraceEvents],
    known: Mapping[_Run, pd.DataFrame],
    waiting: set[_Run],
    answers: Answers,
    faults: list[Fault],
) -> _Run | None:
    """Find the run of a channel: as named, as its row names it, or a run of its own."""
    trace = one.trace
    several = len({t.trace.position for t in own if t.trace.role == "water"}) > 1
    fresh: _Run = (answers.lab, "", Path(trace.file).stem)
    if several or trace.parts > 1:
        fresh = (answers.lab, "", f"{fresh[2]} {trace.channel}")
    if one.run and one.run.casefold() != _NEW:
        fits = [r for r in known if _names(one.run, r)]
        if len(fits) > 1:
            listed = ", ".join("/".join(r) for r in fits)
            faults.append(
                _fault(
                    trace,
                    "which-run",
                    f"“{one.run}” may be any of the runs {listed}",
                    f'Answer with --channels "{trace.channel}=LAB/BATCH/RUN"',
                    "question",
                )
            )
            return None
        return fits[0] if fits else (answers.lab, "", one.run)
    linked = [] if one.run else _linked(one, own, known)
    if len(linked) == 1:
        return linked[0]
    if one.run or (not linked and not waiting):
        return fresh
    choices = ", ".join("/".join(filter(None, r)) for r in (linked or sorted(waiting))[:6])
    faults.append(
        _fault(
            trace,
            "which-run",
            f"Which run is channel “{trace.channel}” of? The register has {choices}",
            f'Answer with --channels "{trace.channel}=RUN", or ={_NEW} for a run of its own',
            "question",
        )
    )
    return None


def _names(label: str, run: _Run) -> bool:
    wanted = label.casefold()
    lab, block, name = (part.casefold() for part in run)
    return wanted in (name, f"run {name}", f"{lab}/{name}", f"{lab}/{block}/{name}") or (
        name == f"run {wanted}"
    )


def _linked(
    one: TraceEvents, own: Sequence[TraceEvents], known: Mapping[_Run, pd.DataFrame]
) -> list[_Run]:
    """Find the runs whose rows name this channel of this file."""
    found = []
    waters = [t.trace for t in own if t.trace.role == "water"]
    for run, rows in known.items():
        pairs = {
            (_text(f), _text(c))
            for f, c in zip(rows["trace_file"], rows["trace_channel"], strict=True)
        }
        for file, channel in pairs:
            if file not in (one.trace.file, Path(one.trace.file).stem):
                continue
            fits = channels_fitting(waters, channel) if channel else list(range(len(waters)))
            positions = {waters[k].position for k in fits}
            if len(positions) == 1 and one.trace.position in positions:
                found.append(run)
    return list(dict.fromkeys(found))


def _outcomes(
    one: TraceEvents,
    run: _Run,
    rows: pd.DataFrame | None,
    sinks: Sequence[LoggedTrace],
    answers: Answers,
    faults: list[Fault],
    *,
    replace: bool,
) -> list[dict[str, Any]]:
    """Make the rows of one trace: one for each event, in seconds from insertion."""
    trace, events = one.trace, one.found
    if one.goes_on or events is None:
        why = "its times count from a reset of the clock" if one.goes_on else one.because
        faults.append(
            _fault(trace, "no-outcomes", f"The trace is kept without outcomes: {why}", "", "note")
        )
        return []
    base = _base_of(run, rows, trace, answers)
    stated = base["start_temp_c"]
    _fill_from_trace(base, trace, events, sinks)
    begins = _start_of(trace, events)
    if stated is not None and abs(stated - begins) > _START_DIFFERS_K:
        faults.append(
            _fault(
                trace,
                "start-differs",
                f"Run {run[2]} starts at {stated:g} °C by its row and at {begins:.1f} °C by its "
                "trace; that of the row stays",
                "Look whether the channel is linked to the right run",
                "note",
            )
        )
    made = []
    for name, endpoint, level in _OUTCOMES:
        limits = _limits(events.events[name], events.events["insertion"])
        if limits is None:
            continue
        held = _held(rows, endpoint, level, limits)
        if held and not replace:
            faults.append(
                _fault(
                    trace,
                    "outcome-there",
                    f"Run {run[2]} has {endpoint} already ({held}); that of the trace, "
                    f"{limits[0]:.0f} to {limits[1] or np.inf:.0f} s, is not entered",
                    "--replace if the trace is to count",
                    "note",
                )
            )
            continue
        derived = f"{name} of the trace: {events.events[name].because}"
        made.append(
            {
                **base,
                "endpoint": endpoint,
                "threshold_c": level,
                "time_lower_s": limits[0],
                "time_upper_s": limits[1],
                "derived": derived,
            }
        )
    return made


def _base_of(
    run: _Run, rows: pd.DataFrame | None, trace: LoggedTrace, answers: Answers
) -> dict[str, Any]:
    """Give what all rows of a run share: what its rows in the register say, or a new run."""
    base: dict[str, Any] = dict.fromkeys((f.name for f in FIELDS), None)
    if rows is not None:
        first = rows.iloc[0]
        for field in FIELDS:
            value = first[field.name]
            if field.name in _NOT_OF_THE_RUN or pd.isna(value):
                continue
            base[field.name] = value.item() if hasattr(value, "item") else value
    else:
        base |= {
            "record_level": "run",
            "lab_id": run[0] or None,
            "block_id": run[1] or None,
            "run_id": run[2],
            "source_id": trace.file,
        }
        if answers.invented:
            base["invented"] = True
    base["file_name"] = trace.file
    base["sheet_name"] = trace.sheet or None
    base["trace_file"] = base["trace_file"] or trace.file
    base["trace_channel"] = base["trace_channel"] or trace.channel
    return base


def _begin_of(trace: LoggedTrace, events: CurveEvents) -> float:
    """Give when the water was put in, on the trace's clock: its first reading if unseen."""
    put_in = events.events["insertion"]
    good = ~trace.bad & np.isfinite(trace.temp_c)
    return put_in.lower_s if put_in.status == "seen" else float(trace.time_s[good][0])


def _start_of(trace: LoggedTrace, events: CurveEvents) -> float:
    """Give the highest of the first readings after insertion, in degrees Celsius."""
    good = ~trace.bad & np.isfinite(trace.temp_c)
    after = trace.temp_c[good & (trace.time_s >= _begin_of(trace, events))]
    return round(float(after[:5].max()), 3)


def _fill_from_trace(
    base: dict[str, Any], trace: LoggedTrace, events: CurveEvents, sinks: Sequence[LoggedTrace]
) -> None:
    """Fill what the run leaves open and the trace tells."""
    good = ~trace.bad & np.isfinite(trace.temp_c)
    times = trace.time_s[good]
    begin = _begin_of(trace, events)
    depth = events.supercooling_k
    told: dict[str, float | None] = {
        "start_temp_c": _start_of(trace, events),
        "log_interval_s": events.step_s,
        "probe_offset_zero_k": events.offset_k,
        "supercooling_k": depth if depth > 0 else None,
        "nucleation_temp_c": None,
    }
    if np.isfinite(depth) and depth > 0:
        zero = events.offset_k if np.isfinite(events.offset_k) else 0.0
        told["nucleation_temp_c"] = zero - depth
    if sinks:
        until = next(
            (
                e.upper_s if np.isfinite(e.upper_s) else e.lower_s
                for e in (events.events["t_solid"], events.events["t_plateau_end"])
                if e.status != "none"
            ),
            float(times[-1]),
        )
        mean, rise, spread = sink_over_run(sinks[0], trace, begin, until)
        told |= {"sink_temp_c": mean, "sink_temp_rise_k": rise, "sink_temp_sd_k": spread}
    for name, value in told.items():
        if base[name] is None and value is not None and np.isfinite(value):
            base[name] = float(value)
    if base["inserted_at"] is None and trace.began_at:
        base["inserted_at"] = trace.began_at[:10]


def sink_over_run(
    sink: LoggedTrace, water: LoggedTrace, begin_s: float, until_s: float
) -> tuple[float, float, float]:
    """Give mean, rise and standard deviation of a logged sink temperature over a run.

    Parameters
    ----------
    sink, water : LoggedTrace
        Two channels of one file.
    begin_s, until_s : float
        Insertion and end of the run on the water's clock, in seconds.

    Returns
    -------
    mean_c, rise_k, sd_k : float
        The rise is the highest reading above the mean of the readings before insertion,
        else above the first one; NaN where no reading falls into the run.
    """
    shift = 0.0
    if sink.began_at and water.began_at and sink.began_at != water.began_at:
        apart = np.datetime64(sink.began_at[:19]) - np.datetime64(water.began_at[:19])
        shift = float(apart / np.timedelta64(1, "s"))
    good = ~sink.bad & np.isfinite(sink.temp_c)
    times, temps = sink.time_s[good] + shift, sink.temp_c[good]
    inside = temps[(times >= begin_s) & (times <= until_s)]
    if not inside.size:
        return float("nan"), float("nan"), float("nan")
    before = temps[times < begin_s]
    level = float(before.mean()) if before.size else float(inside[0])
    spread = float(inside.std(ddof=1)) if inside.size > 1 else float("nan")
    return float(inside.mean()), max(float(inside.max()) - level, 0.0), spread


def _limits(event: Event, put_in: Event) -> tuple[float, float | None] | None:
    """Give an event's limits from insertion; no upper one where it was not seen."""
    if event.status == "none":
        return None
    begin = (put_in.lower_s, put_in.upper_s) if put_in.status == "seen" else (0.0, 0.0)
    lower = max(event.lower_s - begin[1], 0.0)
    if event.status == "censored":
        return lower, None
    return lower, max(event.upper_s - begin[0], lower)


def _held(
    rows: pd.DataFrame | None,
    endpoint: str,
    level: float | None,
    limits: tuple[float, float | None],
) -> str:
    """Spell another outcome that a run has already; empty where it has none."""
    if rows is None:
        return ""
    same = rows[(rows["endpoint"] == endpoint) & rows["time_lower_s"].notna()]
    if level is not None:
        same = same[same["threshold_c"].sub(level).abs() < 1e-9]
    if not len(same):
        return ""
    low, high = same.iloc[0][["time_lower_s", "time_upper_s"]]
    upper = np.nan if limits[1] is None else limits[1]
    if np.allclose([low, high], [limits[0], upper], rtol=1e-9, equal_nan=True):
        return ""
    if pd.isna(high):
        return f"after {low:.0f} s"
    return f"{low:.0f} s" if low == high else f"{low:.0f} to {high:.0f} s"


def _stored(trace: LoggedTrace, run: _Run | None) -> StoredTrace:
    lab, block, name = run or ("", "", "")
    return StoredTrace(
        file=trace.file,
        sheet=trace.sheet,
        channel=trace.channel,
        role=trace.role,
        lab_id=lab,
        block_id=block,
        run_id=name,
        began_at=trace.began_at,
        zone=trace.zone,
        unit=trace.unit,
        how=trace.how,
        time_s=trace.time_s,
        temp_c=trace.temp_c,
        marks=trace.marks,
    )


def started_traces(register: Register) -> list[StartedTrace]:
    """Give the traces of a register's runs as the comparison of whole curves takes them.

    Parameters
    ----------
    register : Register
        The register.

    Returns
    -------
    list of StartedTrace
        Traces of water that are of a run with a start temperature; readings that must not
        be used are NaN.
    """
    runs = _runs_in(register.rows())
    found = []
    traces = register.traces()
    counts = Counter((t.lab_id, t.block_id, t.run_id) for t in traces if t.role == "water")
    several = any(n > 1 for run, n in counts.items() if run in runs)
    seen: Counter[_Run] = Counter()
    for kept in traces:
        rows = runs.get((kept.lab_id, kept.block_id, kept.run_id))
        if kept.role != "water" or rows is None:
            continue
        starts = rows["start_temp_c"].dropna()
        if not len(starts):
            continue
        sink = rows["sink_temp_c"].dropna()
        run = (kept.lab_id, kept.block_id, kept.run_id)
        seen[run] += 1
        # The block pairs the arms: a batch of one lab.
        found.append(
            StartedTrace(
                run="/".join(filter(None, run)),
                block="/".join(filter(None, run[:2])) if kept.block_id else "",
                # Channels are named after the logger; a run's first probe is like another's first.
                probe=str(seen[run]) if several else "",
                start_temp_c=float(starts.iloc[0]),
                time_s=kept.time_s,
                temp_c=np.where(kept.marks > 0, np.nan, kept.temp_c),
                sink_c=float(sink.iloc[0]) if len(sink) else float("nan"),
            )
        )
    return found
