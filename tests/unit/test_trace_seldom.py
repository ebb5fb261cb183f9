"""Logger files with two clocks, several probes, notes and odd headings; all invented.

Each file is the curve below, written as some logger might; what must come back is the curve.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from openpyxl import Workbook

import metafreeze as mf
from metafreeze.errors import InputError
from metafreeze.register.traces.logged import LoggedTrace
from metafreeze.results import FloatArray

STEP_S = 60.0
SECONDS = np.arange(0.0, 68 * STEP_S, STEP_S)


def curve() -> FloatArray:
    """Cool from 20 °C by Newton's law, rest near 0 °C, cool on; with the noise of a logger."""
    water = -20.0 + 40.0 * np.exp(-SECONDS / 1700.0)
    ice = -20.0 + 20.0 * np.exp(-(SECONDS - 3168.0) / 2200.0)
    temps = np.where(SECONDS < 1178.0, water, np.where(SECONDS < 3168.0, 0.0, ice))
    return np.asarray(np.round(temps + np.random.default_rng(5).normal(0, 0.04, temps.size), 2))


TEMPS = curve()


def rows(*columns: Sequence[object] | FloatArray) -> list[str]:
    return [",".join(map(str, row)) for row in zip(*columns, strict=True)]


def stamps(seconds: FloatArray) -> list[str]:
    start = dt.datetime(2025, 1, 2, 9, 0)
    return [(start + dt.timedelta(seconds=float(s))).isoformat(sep=" ") for s in seconds]


def read(folder: Path, lines: Sequence[str]) -> list[LoggedTrace]:
    path = folder / "log.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return [one.trace for one in mf.read_curves(path).traces]


def said(trace: LoggedTrace, rule: str) -> list[str]:
    return [f.message for f in trace.findings if f.rule == rule]


def require_curve(trace: LoggedTrace, *, shift_k: float = 0.0) -> None:
    np.testing.assert_allclose(np.diff(trace.time_s), STEP_S, rtol=0, atol=1e-9)
    np.testing.assert_allclose(trace.temp_c, TEMPS + shift_k, rtol=0, atol=1e-9)
    assert not trace.bad.any()


def test_two_clocks_that_drift_apart_are_named(tmp_path: Path) -> None:
    lines = ["when,elapsed (s),water (°C)", *rows(stamps(SECONDS), SECONDS * 1.02, TEMPS)]
    (trace,) = read(tmp_path, lines)
    np.testing.assert_allclose(np.diff(trace.time_s), 1.02 * STEP_S)
    # 2 % of 67 minutes.
    assert said(trace, "clocks-drift") == [
        "“elapsed (s)” and “when” come to differ by 80.4 s; seconds count by “elapsed (s)” alone"
    ]


def test_two_stamps_differ_by_a_zone_or_by_a_fault(tmp_path: Path) -> None:
    head = "local,utc,water (°C)"
    zone = [head, *rows(stamps(SECONDS), stamps(SECONDS - 3600.0), TEMPS)]
    (trace,) = read(tmp_path, zone)
    require_curve(trace)
    assert said(trace, "clocks-disagree") == []
    fault = [head, *rows(stamps(SECONDS), stamps(SECONDS - 3700.0), TEMPS)]
    (trace,) = read(tmp_path, fault)
    assert said(trace, "clocks-disagree") == [
        "“utc” and “local” are 61.67 min apart, which no zone explains; seconds count by “utc” "
        "alone"
    ]


def test_a_second_clock_of_one_reading_is_left_aside(tmp_path: Path) -> None:
    lines = ["when,elapsed (s),water (°C)", *rows(stamps(SECONDS), ["0", *[""] * 67], TEMPS)]
    (trace,) = read(tmp_path, lines)
    require_curve(trace)
    assert said(trace, "clocks-drift") == said(trace, "clocks-disagree") == []


def test_readings_go_by_the_clock_before_them_or_the_only_one(tmp_path: Path) -> None:
    first = read(tmp_path, ["A (°C),time (s),B (°C)", *rows(TEMPS, SECONDS, TEMPS + 1)])
    assert [t.channel for t in first] == ["A (°C)", "B (°C)"]
    require_curve(first[0])
    require_curve(first[1], shift_k=1.0)
    pairs = read(
        tmp_path,
        ["time (s),A (°C),time (s),B (°C)", *rows(SECONDS, TEMPS, SECONDS + 5, TEMPS + 1)],
    )
    assert [t.time_s[0] for t in pairs] == [0.0, 5.0]
    last = read(tmp_path, ["time (s),A (°C),time B (s)", *rows(SECONDS, TEMPS, SECONDS)])
    assert len(last) == 1
    require_curve(last[0])


def test_a_stated_interval_and_start_stand_in_for_a_clock(tmp_path: Path) -> None:
    notes = ["Interval: 60 s", "Start date: 2025-01-02", "Start time: 09:05", ""]
    (trace,) = read(tmp_path, [*notes, "water (°C)", *rows(TEMPS)])
    require_curve(trace)
    assert "and the stated start 2025-01-02 09:05:00" in trace.how
    (bare,) = read(tmp_path, [notes[0], "", "water (°C)", *rows(TEMPS)])
    require_curve(bare)
    assert bare.how.startswith(
        "no times in the file; built from the stated time between readings (Interval: 60 s)"
    )


def test_what_is_no_temperature_of_water_is_left_out_or_named(tmp_path: Path) -> None:
    ripple = np.round(0.1 * np.sin(SECONDS), 2)
    others = (np.linspace(4, 5, 68), np.linspace(40, 50, 68), np.full(68, 21.0))
    traces = read(
        tmp_path,
        [
            "time (s),water (°C),dew point (°C),humidity (%),box (°C),room (°C),freezer air (°C)",
            *rows(SECONDS, TEMPS, *others, 21 + ripple, ripple - 18),
        ],
    )
    assert [(t.channel, t.role) for t in traces] == [
        ("water (°C)", "water"),
        ("room (°C)", "room"),
        ("freezer air (°C)", "sink"),
    ]
    assert said(traces[1], "not-water") == [
        "This channel is read as the temperature of the room or the logger, not of water"
    ]


@pytest.mark.parametrize(
    ("above", "written", "unit"),
    [
        ([], TEMPS + 273.15, "Unit K: no reading below 200, so it is kelvin"),
        (
            ["Logger: invented", "Units: °F"],
            TEMPS * 1.8 + 32,
            "Unit °F: “Units: °F” above the table",
        ),
        (
            ["Temperature scale: Fahrenheit", "Site: invented"],
            TEMPS * 1.8 + 32,
            "Unit °F: “Temperature scale: Fahrenheit” above the table",
        ),
    ],
)
def test_a_unit_is_told_by_the_readings_or_by_what_stands_above(
    tmp_path: Path, above: list[str], written: FloatArray, unit: str
) -> None:
    (trace,) = read(tmp_path, [*above, "time (s),probe", *rows(SECONDS, np.round(written, 3))])
    require_curve(trace)
    assert said(trace, "unit") == [unit]


def test_a_rest_near_32_asks_for_the_unit(tmp_path: Path) -> None:
    (trace,) = read(tmp_path, ["time (s),probe", *rows(SECONDS, np.round(TEMPS * 1.8 + 32, 2))])
    assert said(trace, "unit-missing") == [
        "Which unit does “probe” have? The readings rest near 32, as water that freezes does in °F"
    ]


def test_notes_states_and_words_are_kept_beside_the_readings(tmp_path: Path) -> None:
    notes = ["lid opened" if at == 20 else "" for at in range(68)]
    (trace,) = read(tmp_path, ["time (s),water (°C),note", *rows(SECONDS, TEMPS, notes)])
    require_curve(trace)
    assert said(trace, "event-rows") == [
        "1 event kept apart from the readings: lid opened at 1200 s"
    ]
    states = ["power up", *["ok"] * 67]
    (trace,) = read(tmp_path, ["time (s),T (°C),state", *rows(SECONDS, TEMPS, states)])
    assert trace.bad.tolist() == [True, *[False] * 67]
    assert said(trace, "marked-bad") == [
        f"1 reading not used, the logger had just been switched on: {TEMPS[0]:g} (row 2)"
    ]
    worded = ["ERR" if at == 30 else str(t) for at, t in enumerate(TEMPS)]
    (trace,) = read(tmp_path, ["time (s),A (°C)", *rows(SECONDS, worded)])
    assert np.flatnonzero(trace.bad).tolist() == [30]
    assert said(trace, "marked-bad") == [
        "1 reading not used, a word in place of a reading: ERR (row 32)"
    ]


def test_readings_without_a_time_are_not_used(tmp_path: Path) -> None:
    lines = ["time (s),A (°C)", *rows(SECONDS, TEMPS), *rows([""] * 3, TEMPS[:3])]
    (trace,) = read(tmp_path, lines)
    assert np.flatnonzero(trace.bad).tolist() == [68, 69, 70]


def test_times_with_two_readings_far_apart_are_listed_and_counted(tmp_path: Path) -> None:
    twice = np.concatenate((np.arange(20), np.repeat(np.arange(20, 32), 2), np.arange(32, 68)))
    temps = TEMPS[twice] + 0.5
    temps[21:44:2] += 7.0
    lines = ["time (s),water (°C)", *rows(SECONDS[twice], np.round(temps, 2))]
    (trace,) = read(tmp_path, lines)
    heard = said(trace, "repeated-time")
    assert len(heard) == 4 and heard[-1] == "9 more times have two readings"
    assert heard[0].startswith("At 1200 s stand two readings, ")
    assert int(trace.bad.sum()) == 24


def test_channels_written_in_turns_and_labelled_probes_are_parted(tmp_path: Path) -> None:
    odd = np.arange(68) % 2 == 1
    turns = read(
        tmp_path,
        [
            "time (s),A (°C),B (°C)",
            *rows(
                SECONDS,
                [t if k else "" for t, k in zip(TEMPS, odd, strict=True)],
                ["" if k else t for t, k in zip(TEMPS, odd, strict=True)],
            ),
        ],
    )
    np.testing.assert_array_equal(turns[0].temp_c, TEMPS[odd])
    np.testing.assert_array_equal(turns[1].time_s, SECONDS[~odd])
    probes = read(
        tmp_path,
        [
            "time (s),probe,T (°C)",
            *rows(
                np.repeat(SECONDS, 2),
                ["P1", "P2"] * 68,
                np.round(np.repeat(TEMPS, 2) + np.tile([0, 0.5], 68), 2),
            ),
        ],
    )
    assert [t.channel for t in probes] == ["P1", "P2"]
    require_curve(probes[0])
    require_curve(probes[1], shift_k=0.5)


def test_a_channel_that_a_part_lacks_has_no_trace_there(tmp_path: Path) -> None:
    twice = np.concatenate((SECONDS, SECONDS))
    both = np.concatenate((TEMPS, TEMPS))
    traces = read(tmp_path, ["time (s),A (°C),B (°C)", *rows(twice, both, [*TEMPS, *[""] * 68])])
    assert [t.channel for t in traces] == ["A (°C), part 1", "A (°C), part 2", "B (°C), part 1"]
    for trace in traces:
        require_curve(trace)


def test_one_temperature_in_two_resolutions_prefers_the_finer(tmp_path: Path) -> None:
    traces = read(tmp_path, ["time (s),A (°C),B (°C)", *rows(SECONDS, TEMPS, np.round(TEMPS))])
    assert said(traces[0], "two-resolutions") == [
        "“A (°C)” and “B (°C)” are one temperature; the former has the finer steps and is preferred"
    ]


def test_sheets_of_one_workbook_name_their_traces(tmp_path: Path) -> None:
    book = Workbook()
    for name in ("cup A", "cup B"):
        page = book.create_sheet(name)
        page.append(["time (s)", "water (°C)"])
        for second, temp in zip(SECONDS.tolist(), TEMPS.tolist(), strict=True):
            page.append([second, temp])
    del book["Sheet"]
    book.save(tmp_path / "two.xlsx")
    traces = [one.trace for one in mf.read_curves(tmp_path / "two.xlsx").traces]
    assert [t.channel for t in traces] == ["cup A: water (°C)", "cup B: water (°C)"]
    for trace in traces:
        require_curve(trace)


@pytest.mark.parametrize(
    ("lines", "why"),
    [
        (
            ["time (s),state", *rows(SECONDS, ["ok"] * 68)],
            "no column holds a temperature that changes smoothly",
        ),
        (
            ["time (s),A (°C)", *rows(SECONDS[:8], TEMPS[:8])],
            "8 rows are too few for a trace",
        ),
    ],
)
def test_a_table_that_is_no_trace_says_why(tmp_path: Path, lines: list[str], why: str) -> None:
    with pytest.raises(InputError) as caught:
        read(tmp_path, lines)
    assert str(caught.value).startswith(f"No temperature trace was found: {why}. ")
