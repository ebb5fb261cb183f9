"""Logger files to the events of their traces, and these to rows of the register."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd

from metafreeze.curves.events import EVENT_NAMES, CurveEvents, find_events
from metafreeze.errors import Fault, InputError, Location, UsageError
from metafreeze.register.answers import Answers
from metafreeze.register.files.reading import read_file
from metafreeze.register.files.sheets import SourceFile
from metafreeze.register.traces.intake import goes_on, read_traces
from metafreeze.register.traces.logged import LoggedTrace
from metafreeze.results import RESULT, Result

AnyPath = str | os.PathLike[str]

_NO_ANSWERS = Answers()
_NO_CHANNELS: Mapping[str, str] = MappingProxyType({})


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TraceEvents:
    """One channel with its events.

    Parameters
    ----------
    trace : LoggedTrace
        The readings.
    found : CurveEvents or None
        Its events; None where the channel is not of water or has too few readings.
    because : str
        Why there are none.
    run : str
        The run that a person has linked it to; empty if nobody has.
    goes_on : bool
        True where the clock was reset and the same water seems to go on: its times count
        from the reset.
    """

    trace: LoggedTrace
    found: CurveEvents | None
    because: str = ""
    run: str = ""
    goes_on: bool = False

    def to_dict(self) -> dict[str, Any]:
        """Give the trace as plain values, one object of the list `traces`."""
        events: dict[str, dict[str, Any]] = {}
        for name in EVENT_NAMES:
            if self.found is None:
                events[name] = _no_event(self.because)
                continue
            event = self.found.events[name]
            events[name] = {
                "status": event.status,
                "lower_s": _finite(event.lower_s),
                "upper_s": _finite(event.upper_s),
                "confidence": event.confidence,
                "because": event.because,
            }
        flags = () if self.found is None else self.found.disturbances
        return {
            "file": self.trace.file,
            "channel": self.trace.channel,
            "samples": self.trace.samples,
            "marked_bad": self.trace.marked_bad,
            "time": self.trace.how,
            "events": events,
            "supercooling_k": None if self.found is None else _finite(self.found.supercooling_k),
            "flags": [
                {"kind": d.kind, "lower_s": d.lower_s, "upper_s": d.upper_s, "because": d.because}
                for d in flags
            ],
            "findings": [fault.to_dict() for fault in self.trace.findings],
        }


def _no_event(because: str) -> dict[str, Any]:
    return {
        "status": "none",
        "lower_s": None,
        "upper_s": None,
        "confidence": "",
        "because": because,
    }


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


@dataclass(**RESULT)
class CurveFiles(Result):
    """The traces of several files and their events.

    Parameters
    ----------
    traces : tuple of TraceEvents
        In file order.
    """

    traces: tuple[TraceEvents, ...]

    @property
    def findings(self) -> tuple[Fault, ...]:
        """All findings, each once, in file order."""
        return tuple(dict.fromkeys(f for t in self.traces for f in t.trace.findings))

    def to_frame(self) -> pd.DataFrame:
        """Give one row per event of each trace."""
        rows = []
        for one in self.traces:
            plain = one.to_dict()
            rows += [
                (plain["file"], plain["channel"], name, *event.values())
                for name, event in plain["events"].items()
            ]
        columns = ["file", "channel", "event", "status", "lower_s", "upper_s", "confidence"]
        frame = pd.DataFrame(rows, columns=[*columns, "because"])
        return frame.astype({"lower_s": float, "upper_s": float})

    def headline(self) -> str:
        """Count the traces and say how many froze."""
        water = [t.found for t in self.traces if t.found is not None]
        froze = sum(e.events["t_first_ice"].status in ("seen", "interval") for e in water)
        count = len(self.traces)
        return (
            f"{count} trace{'' if count == 1 else 's'}, {len(water)} of water; ice began in {froze}"
        )

    def to_dict(self) -> dict[str, Any]:
        """Give the traces as plain values."""
        return {"traces": [t.to_dict() for t in self.traces]}


def read_curves(
    paths: AnyPath | Iterable[AnyPath],
    *,
    answers: Answers = _NO_ANSWERS,
    channels: Mapping[str, str] = _NO_CHANNELS,
    join_s: float | None = None,
    residual_from_c: float | None = None,
) -> CurveFiles:
    r"""Read logger files and find every event of their traces.

    Parameters
    ----------
    paths : path, or several
        Text exports of any shape, XLSX, or Parquet.
    answers : Answers
        Answers to what the files leave open; units of headings, ``time``, ``temperature``
        and ``step`` among them.
    channels : mapping of str to str
        Channel to run, such as ``{"Probe 1": "7"}``; in a file without headings it also
        says which column is meant.
    join_s : float, optional
        Join what a reset of the clock parted, with this many seconds across the reset.
    residual_from_c : float, optional
        Start temperature of the cold arm, from which `t_residual` counts, in degrees Celsius.

    Returns
    -------
    CurveFiles

    Raises
    ------
    InputError
        A file cannot be opened or holds no trace.
    UsageError
        `channels` names none of the files' channels.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> falling = [f"{60 * k},{20 - 0.8 * k:.2f}" for k in range(24)]
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     log = pathlib.Path(folder, "probe.csv")
    ...     _ = log.write_text("time (s),water (°C)\n" + "\n".join(falling) + "\n", "utf-8")
    ...     found = read_curves(log)
    >>> found.traces[0].trace.samples, found.traces[0].found.events["t_first_ice"].status
    (24, 'censored')
    """
    files = [Path(p) for p in ([paths] if isinstance(paths, (str, os.PathLike)) else paths)]
    sources = [read_file(path, answers=answers) for path in files]
    return curves_of(
        sources,
        answers=answers,
        channels=channels,
        join_s=join_s,
        residual_from_c=residual_from_c,
    )


def curves_of(
    sources: Sequence[SourceFile],
    *,
    answers: Answers = _NO_ANSWERS,
    channels: Mapping[str, str] = _NO_CHANNELS,
    join_s: float | None = None,
    residual_from_c: float | None = None,
) -> CurveFiles:
    """Find every event of the traces of files that have been read; see `read_curves`."""
    logged: list[LoggedTrace] = []
    faults: list[Fault] = []
    for source in sources:
        traces = read_traces(source, answers=answers, join_s=join_s)
        logged += traces
        if not traces:
            faults += _no_trace(source)
    if faults:
        raise InputError(faults=faults)
    runs = link_channels(logged, channels)
    made = []
    before: dict[tuple[str, str, int], LoggedTrace] = {}
    for one, run in zip(logged, runs, strict=True):
        trace = _answered(one, run, channels)
        if trace is None:
            continue
        key = (trace.file, trace.sheet, trace.position)
        earlier = before.get(key)
        before[key] = trace
        made.append(
            _find(
                trace,
                run,
                residual_from_c,
                on=trace.part > 1 and earlier is not None and goes_on(earlier, trace),
            )
        )
    return CurveFiles(traces=tuple(made))


def link_channels(traces: Sequence[LoggedTrace], channels: Mapping[str, str]) -> list[str]:
    """Give the run of each trace as a person has named it; empty where nobody has.

    A name is that of a channel, or the beginning of exactly one; ``FILE: CHANNEL`` tells
    channels of several files apart.

    Raises
    ------
    UsageError
        A name fits no channel, or several.
    """
    runs = [""] * len(traces)
    for name, run in channels.items():
        found = channels_fitting(traces, name)
        parts = {(traces[k].file, traces[k].sheet, traces[k].position) for k in found}
        if len(parts) != 1:
            listed = ", ".join(f"“{t.channel}” of {t.file}" for t in traces)
            wrong = "is none of the channels" if not parts else "fits several channels"
            raise UsageError(f"“{name}” {wrong}. The channels are {listed}.")
        for k in found:
            runs[k] = re.sub(r"(?i)^run\s+(?=\S)", "", run.strip())
    return runs


def channels_fitting(traces: Sequence[LoggedTrace], name: str) -> list[int]:
    """Find the traces that a name fits: exactly, then as its beginning, then by its column.

    Parameters
    ----------
    traces : sequence of LoggedTrace
        The traces.
    name : str
        Name of a channel, its beginning, ``FILE: CHANNEL`` or ``column N``.

    Returns
    -------
    list of int
        Their places; several for parts of one channel, or where the name does not decide.
    """
    file, mark, rest = name.rpartition(": ")
    wanted = _plain(rest if mark and any(t.file == file for t in traces) else name)
    here = [
        k
        for k, t in enumerate(traces)
        if not mark or t.file == file or not any(u.file == file for u in traces)
    ]
    begins = re.compile(rf"{re.escape(wanted)}\b(?!\d)")
    ways: tuple[Callable[[LoggedTrace], bool], ...] = (
        lambda t: wanted in (_plain(t.channel), _plain(t.heading)),
        lambda t: _bare(t.channel) == _bare(wanted),
        lambda t: begins.match(_plain(t.channel)) is not None,
        lambda t: wanted == f"column {t.position}",
    )
    for fits in ways:
        found = [k for k in here if fits(traces[k])]
        if found:
            return found
    return []


def _plain(text: str) -> str:
    return re.sub(r"\s+", " ", text).strip().casefold()


def _bare(text: str) -> str:
    """Give a channel's name without brackets and part."""
    return _plain(re.sub(r"\([^)]*\)|\[[^\]]*\]|, part \d+$", "", text))


def _answered(trace: LoggedTrace, run: str, channels: Mapping[str, str]) -> LoggedTrace | None:
    """Take the question away which column is meant, where that was answered."""
    asked = [f for f in trace.findings if f.rule == "which-column"]
    if not asked or not channels:
        return trace
    if not run:
        return None
    return replace(trace, findings=tuple(f for f in trace.findings if f.rule != "which-column"))


def _no_trace(source: SourceFile) -> list[Fault]:
    """Say why a file gives no trace."""
    open_ones = [f for f in source.findings if f.severity != "note"]
    if open_ones:
        return open_ones
    because = source.tables[0].because if source.tables else "it holds no table"
    return [
        Fault(
            rule="no-trace",
            message=f"No temperature trace was found: {because}",
            remedy="A trace has one column of times, or a stated time between readings, and a "
            "column of temperatures; metafreeze check FILE reads sheets of runs",
            location=Location(file=source.name),
        )
    ]


def _find(trace: LoggedTrace, run: str, residual_from_c: float | None, *, on: bool) -> TraceEvents:
    """Find the events of one trace, or say why it has none."""
    if trace.role != "water" and not run:
        place = "freezer or bath" if trace.role == "sink" else "room or the logger"
        because = f"the channel is the temperature of the {place}"
        return TraceEvents(trace=trace, found=None, because=because)
    try:
        found = find_events(
            trace.time_s, trace.temp_c, bad=trace.bad, residual_from_c=residual_from_c
        )
    except InputError as refused:
        return TraceEvents(trace=trace, found=None, because=str(refused), run=run, goes_on=on)
    return TraceEvents(trace=trace, found=found, run=run, goes_on=on)
