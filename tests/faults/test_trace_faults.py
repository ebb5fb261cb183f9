"""What loggers get wrong: each fault in an invented curve is named, and the events hold.

The curve is that of `ways` below: first ice at 1668 s, end of the plateau at 3168 s.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import metafreeze as mf
from metafreeze.analysis.curve_files import CurveFiles, TraceEvents
from metafreeze.errors import InputError, UsageError
from metafreeze.register.answers import Answers

ICE_S, END_S, STEP_S = 1668.0, 3168.0, 60.0
SECONDS = np.arange(68) * STEP_S


def curve(seconds: np.ndarray, start_c: float = 20.0) -> np.ndarray:
    """Cool exponentially to -5 °C, rest at 0 °C until the plateau's end, cool again."""
    rate = np.log((start_c + 20) / 15) / ICE_S
    liquid = -20 + (start_c + 20) * np.exp(-rate * seconds)
    solid = -20 + 20 * np.exp(-(seconds - END_S) / 2200)
    temps = np.where(seconds < ICE_S, liquid, np.where(seconds < END_S, 0.0, solid))
    return np.round(temps + np.random.default_rng(11).normal(0, 0.04, seconds.size), 2)


TEMPS = curve(SECONDS)


def spelled(times: Any = SECONDS, *columns: Any) -> list[str]:
    return [",".join(map(str, row)) for row in zip(times, *(columns or (TEMPS,)), strict=True)]


def read(
    folder: Path, lines: Sequence[str], heading: str = "time (s),water (°C)", **how: Any
) -> CurveFiles:
    path = folder / "log.csv"
    path.write_text("\n".join([*([heading] if heading else []), *lines]) + "\n", encoding="utf-8")
    return mf.read_curves(path, **how)


def one(found: CurveFiles) -> TraceEvents:
    (trace,) = found.traces
    return trace


def rules(trace: TraceEvents) -> set[str]:
    return {f.rule for f in trace.trace.findings}


def said(trace: TraceEvents, rule: str) -> str:
    return " / ".join(f.message for f in trace.trace.findings if f.rule == rule)


def require_events(trace: TraceEvents, step_s: float = STEP_S) -> None:
    assert trace.found is not None, trace.because
    for name, true_s in (("t_first_ice", ICE_S), ("t_plateau_end", END_S)):
        event = trace.found.events[name]
        assert event.status in ("seen", "interval"), (name, event)
        assert event.lower_s - step_s <= true_s <= event.upper_s + step_s, (name, event)


# ---- codes and words in place of readings ---------------------------------------------


@pytest.mark.parametrize(
    ("code", "at"),
    [
        ("-999", 20),
        ("-127.00", 20),
        ("85.0", 12),
        ("85", 40),
        ("327.67", 40),
        ("0.00", 3),
        ("9999", 60),
        ("1372", 20),
        ("-273.2", 20),
        ("OL", 20),
        ("Err", 20),
        ("----", 20),
        ("NaN", 20),
        ("open", 20),
        ("#N/A", 20),
    ],
)
def test_a_code_is_marked_where_the_curve_contradicts_it(
    code: str, at: int, tmp_path: Path
) -> None:
    cells: list[Any] = list(TEMPS)
    cells[at] = code
    trace = one(read(tmp_path, spelled(SECONDS, cells)))
    assert (trace.trace.samples, trace.trace.marked_bad) == (68, 1)
    assert np.flatnonzero(trace.trace.bad).tolist() == [at]
    assert "not used" in said(trace, "marked-bad")
    require_events(trace)


def test_the_first_reading_of_a_sensor_just_switched_on_is_marked(tmp_path: Path) -> None:
    trace = one(read(tmp_path, spelled(SECONDS, ["85.0", *TEMPS[1:]])))
    assert np.flatnonzero(trace.trace.bad).tolist() == [0]


def test_water_that_cools_through_85_is_left_alone(tmp_path: Path) -> None:
    temps = list(curve(SECONDS, 90.0))
    near = int(np.argmin(np.abs(np.array(temps) - 85)))
    temps[near] = 85.0
    assert one(read(tmp_path, spelled(SECONDS, temps))).trace.marked_bad == 0


def test_327_is_a_temperature_on_the_kelvin_scale(tmp_path: Path) -> None:
    temps = np.round(curve(SECONDS, 60.0) + 273.15, 2)
    near = int(np.argmin(np.abs(temps - 327)))
    temps[near] = 327.0
    trace = one(read(tmp_path, spelled(SECONDS, temps), "time (s),water (K)"))
    assert trace.trace.marked_bad == 0


def test_a_plateau_at_zero_is_no_run_of_codes(tmp_path: Path) -> None:
    temps = np.where(np.abs(TEMPS) < 0.2, 0.0, TEMPS)
    trace = one(read(tmp_path, spelled(SECONDS, temps)))
    assert trace.trace.marked_bad == 0
    require_events(trace)


def test_states_are_kept_and_power_up_rows_are_not_used(tmp_path: Path) -> None:
    states = ["P", "P", *("L" for _ in range(66))]
    states[30] = "A"
    stamps = [f"{9 + int(s // 3600):02d}:{int(s % 3600 // 60):02d}:00" for s in SECONDS]
    lines = [
        f"2025-02-20,{t},{state},{x:+07.2f}"
        for t, state, x in zip(stamps, states, TEMPS, strict=True)
    ]
    trace = one(read(tmp_path, lines, "date,time,state,temp"))
    assert np.flatnonzero(trace.trace.bad).tolist() == [0, 1]
    assert "A 1 times" in said(trace, "states")
    require_events(trace)


# ---- clocks ---------------------------------------------------------------------------


def test_one_stamp_that_leaps_ahead_is_set_aside(tmp_path: Path) -> None:
    times = SECONDS.copy()
    times[20] += 1000
    trace = one(read(tmp_path, spelled(times)))
    assert np.flatnonzero(trace.trace.bad).tolist() == [20]
    assert "out of order" in trace.trace.how
    require_events(trace)


def test_two_rows_in_the_wrong_order_are_not_sorted(tmp_path: Path) -> None:
    order = np.arange(68)
    order[[30, 31]] = order[[31, 30]]
    trace = one(read(tmp_path, spelled(SECONDS[order], TEMPS[order])))
    assert trace.trace.marked_bad == 1
    assert "none sorted" in trace.trace.how
    require_events(trace)


def test_a_file_that_lists_the_newest_reading_first_is_turned_round(tmp_path: Path) -> None:
    stamps = [f"2025-02-20 {9 + int(s // 3600):02d}:{int(s % 3600 // 60):02d}:00" for s in SECONDS]
    trace = one(read(tmp_path, spelled(stamps[::-1], TEMPS[::-1]), "time,temp (°C)"))
    assert "newest reading first" in trace.trace.how
    assert trace.trace.began_at == "2025-02-20T09:00:00"
    require_events(trace)


@pytest.mark.parametrize("heading_again", [True, False])
def test_two_runs_in_one_file_are_two_parts(heading_again: bool, tmp_path: Path) -> None:
    again = ["time (s),water (°C)"] if heading_again else []
    lines = [*spelled(), *again, *spelled(SECONDS, curve(SECONDS, 60.0))]
    first, second = read(tmp_path, lines).traces
    assert (first.trace.part, second.trace.part, second.trace.parts) == (1, 2, 2)
    assert not second.goes_on
    require_events(first)
    require_events(second)


def test_a_reset_inside_a_run_censors_what_comes_before_it(tmp_path: Path) -> None:
    times = np.where(SECONDS < 1200, SECONDS, SECONDS - 1200)
    first, second = read(tmp_path, spelled(times)).traces
    assert first.found is not None
    end = first.found.events["t_plateau_end"]
    assert (end.status, end.lower_s) == ("censored", 1140)
    assert second.goes_on
    assert "clock-reset" in rules(second)


def test_repeats_that_agree_count_once_and_others_are_judged(tmp_path: Path) -> None:
    lines = spelled()
    lines.insert(11, lines[10])
    lines.insert(21, lines[20].replace(",", ",7"))
    trace = one(read(tmp_path, lines))
    assert (trace.trace.samples, trace.trace.marked_bad) == (69, 1)
    assert {"repeated-rows", "repeated-time"} <= rules(trace)
    require_events(trace)


def test_stamps_cut_to_minutes_are_spread(tmp_path: Path) -> None:
    seconds = np.arange(0, 4080, 10.0)
    stamps = [
        f"2025-02-20 {9 + int(s // 3600):02d}:{int((s + 25) % 3600 // 60):02d}" for s in seconds
    ]
    stamps = [
        f"2025-02-20 {9 + int((s + 25) // 3600):02d}:{int((s + 25) % 3600 // 60):02d}"
        for s in seconds
    ]
    trace = one(read(tmp_path, spelled(stamps, curve(seconds)), "time,water (°C)"))
    np.testing.assert_allclose(np.diff(trace.trace.time_s), 10.0, atol=0.2)
    assert "cut short" in trace.trace.how
    require_events(trace, 60.0)


def test_the_order_of_day_and_month_follows_from_the_night(tmp_path: Path) -> None:
    minutes = (SECONDS / 60).astype(int) + 23 * 60 + 20
    stamps = [f"{2 + m // 1440:02d}/03/2025 {m % 1440 // 60:02d}:{m % 60:02d}" for m in minutes]
    trace = one(read(tmp_path, spelled(stamps), "time,water (°C)"))
    assert "day first" in trace.trace.how
    assert trace.trace.began_at == "2025-03-02T23:20:00"
    require_events(trace)


def test_an_hour_missing_on_the_plateau_at_the_change_to_summer_time_is_taken_out(
    tmp_path: Path,
) -> None:
    # The night of 30 March 2025: 02:00 local time is followed by 03:00.
    minutes = 75 + (SECONDS / 60).astype(int)
    minutes = np.where(minutes >= 120, minutes + 60, minutes)
    stamps = [f"2025-03-30 {m // 60:02d}:{m % 60:02d}:00" for m in minutes.tolist()]
    trace = one(read(tmp_path, spelled(stamps), "local time,water (°C)"))
    assert "put forward" in trace.trace.how
    require_events(trace)


def test_an_hour_without_readings_on_another_day_stays_a_gap(tmp_path: Path) -> None:
    minutes = 75 + (SECONDS / 60).astype(int)
    minutes = np.where(minutes >= 120, minutes + 60, minutes)
    stamps = [f"2025-03-27 {m // 60:02d}:{m % 60:02d}:00" for m in minutes.tolist()]
    trace = one(read(tmp_path, spelled(stamps), "local time,water (°C)"))
    assert "put forward" not in trace.trace.how
    assert "gap" in rules(trace)


def test_a_date_written_once_a_day_is_enough(tmp_path: Path) -> None:
    minutes = 9 * 60 + (SECONDS / 60).astype(int)
    times = [f"{m // 60:02d}:{m % 60:02d}:00" for m in minutes.tolist()]
    dates = ["2025-02-20", *[""] * (len(times) - 1)]
    trace = one(read(tmp_path, spelled(dates, times, TEMPS), "date,time,water (°C)"))
    assert trace.trace.marked_bad == 0
    require_events(trace)


def test_two_fields_that_fit_both_ways_are_asked_about(tmp_path: Path) -> None:
    times = [f"{k // 12}:{k % 12 * 5:02d}" for k in range(68)]
    trace = one(read(tmp_path, spelled(times), "elapsed,water (°C)"))
    (asked,) = [f for f in trace.trace.findings if f.rule == "time-unit-missing"]
    assert asked.severity == "question"
    answered = Answers(units={"elapsed": "h:mm"})
    trace = one(read(tmp_path, spelled(times), "elapsed,water (°C)", answers=answered))
    assert trace.trace.time_s[-1] == 67 * 300
    assert "time-unit-missing" not in rules(trace)


def test_times_without_a_unit_are_asked_about(tmp_path: Path) -> None:
    trace = one(read(tmp_path, spelled(SECONDS / 60), "elapsed,water (°C)"))
    assert "time-unit-missing" in rules(trace)
    answered = Answers(units={"elapsed": "min"})
    require_events(
        one(read(tmp_path, spelled(SECONDS / 60), "elapsed,water (°C)", answers=answered))
    )
    stated = ["Interval: 60 s", "", "elapsed,water (°C)", *spelled(SECONDS / 60)]
    require_events(one(read(tmp_path, stated, "")))


def test_readings_without_any_time_are_asked_about(tmp_path: Path) -> None:
    lines = [str(x) for x in TEMPS]
    assert "no-clock" in rules(one(read(tmp_path, lines, "water (°C)")))
    answered = Answers(units={"step": "60 s"})
    require_events(one(read(tmp_path, lines, "water (°C)", answers=answered)))


def test_readings_that_rest_near_32_without_a_unit_are_asked_about(tmp_path: Path) -> None:
    lines = spelled(SECONDS, np.round(TEMPS * 1.8 + 32, 1))
    assert "unit-missing" in rules(one(read(tmp_path, lines, "time (s),water")))
    answered = Answers(units={"water": "°F"})
    require_events(one(read(tmp_path, lines, "time (s),water", answers=answered)))


# ---- several channels -----------------------------------------------------------------


def test_a_freezer_beside_the_water_is_kept_and_has_no_events(tmp_path: Path) -> None:
    sink = np.round(-18 + 3 * np.exp(-SECONDS / 900), 1)
    lines = spelled(SECONDS, TEMPS, sink)
    water, freezer = read(tmp_path, lines, "time (s),cup (°C),freezer air (°C)").traces
    require_events(water)
    assert freezer.trace.role == "sink"
    assert freezer.found is None
    np.testing.assert_allclose(freezer.trace.temp_c, sink)


def test_two_resolutions_of_one_temperature_prefer_the_finer(tmp_path: Path) -> None:
    coarse = np.round(TEMPS * 2) / 2
    lines = [line.replace(",", "\t") for line in spelled(SECONDS, coarse, TEMPS)]
    found = read(tmp_path, lines, "time (s)\tTemp (*C) c:1\tHigh-Res Temp (*C) c:1 2")
    assert len(found.traces) == 2
    assert "High-Res" in said(found.traces[0], "two-resolutions").split("and")[0]


def test_probes_in_rows_of_their_own_are_told_apart(tmp_path: Path) -> None:
    warm = curve(SECONDS, 60.0)
    lines = []
    for s, a, b in zip(SECONDS, TEMPS, warm, strict=True):
        lines += [f"{s:.0f},probe A,{a}", f"{s:.0f},probe B,{b}"]
    found = read(tmp_path, lines, "time (s),probe,temperature (°C)")
    assert [t.trace.channel for t in found.traces] == ["probe A", "probe B"]
    for trace in found.traces:
        assert trace.trace.samples == 68
        require_events(trace)


def test_blocks_side_by_side_without_an_empty_column(tmp_path: Path) -> None:
    warm = curve(SECONDS, 60.0)
    found = read(
        tmp_path, spelled(SECONDS, TEMPS, SECONDS + 5, warm), "t1 (s),T1 (°C),t2 (s),T2 (°C)"
    )
    assert [t.trace.samples for t in found.traces] == [68, 68]
    for trace in found.traces:
        require_events(trace)


def test_channels_are_linked_by_the_beginning_of_their_name(tmp_path: Path) -> None:
    lines = spelled(SECONDS, TEMPS, curve(SECONDS, 60.0))
    heading = "time (s),Probe 1 (°C),Probe 12 (°C)"
    found = read(tmp_path, lines, heading, channels={"Probe 1": "run 7"})
    assert [t.run for t in found.traces] == ["7", ""]
    with pytest.raises(UsageError, match="none of the channels"):
        read(tmp_path, lines, heading, channels={"Probe 3": "run 7"})


# ---- gaps -----------------------------------------------------------------------------


def test_a_gap_over_the_end_of_the_plateau_gives_its_limits(tmp_path: Path) -> None:
    keep = (SECONDS < 2900) | (SECONDS > 3400)
    trace = one(read(tmp_path, spelled(SECONDS[keep], TEMPS[keep])))
    assert trace.found is not None
    end = trace.found.events["t_plateau_end"]
    assert end.status == "interval"
    assert end.lower_s <= END_S <= end.upper_s
    assert end.upper_s <= 3480
    assert "gap" in rules(trace)


def test_a_whole_freeze_inside_a_gap_is_an_interval(tmp_path: Path) -> None:
    keep = (SECONDS < 1200) | (SECONDS > 3900)
    seconds = np.concatenate((SECONDS[keep], SECONDS[-1] + np.arange(1, 40) * STEP_S))
    temps = np.concatenate(
        (TEMPS[keep], np.round(-20 + 20 * np.exp(-(seconds[keep.sum() :] - END_S) / 2200), 2))
    )
    trace = one(read(tmp_path, spelled(seconds, temps)))
    assert trace.found is not None
    for name, true_s in (("t_first_ice", ICE_S), ("t_plateau_end", END_S)):
        event = trace.found.events[name]
        assert event.status == "interval", (name, event)
        assert event.lower_s <= true_s <= event.upper_s


# ---- files that give nothing ----------------------------------------------------------


def test_a_sheet_of_runs_is_refused_with_its_reason(tmp_path: Path) -> None:
    lines = [f"{20 + 60 * (k % 2)},{40 + k / 10}" for k in range(30)]
    with pytest.raises(InputError, match="No temperature trace"):
        read(tmp_path, lines, "start (°C),freezing time (min)")


def test_a_channel_with_hardly_any_reading_has_no_events_and_says_so(tmp_path: Path) -> None:
    cells = ["OL" if 3 < k < 66 else x for k, x in enumerate(TEMPS)]
    found = read(tmp_path, spelled(SECONDS, TEMPS, cells), "time (s),a (°C),b (°C)")
    assert found.traces[1].trace.marked_bad == 62
    events = found.traces[1].to_dict()["events"]
    assert events["t_solid"]["status"] in ("none", "censored", "interval")


def test_a_gap_in_water_that_only_cools_hides_no_ice(tmp_path: Path) -> None:
    for sink_c in (-7.0, -15.0):
        seconds = np.arange(200) * STEP_S
        temps = sink_c + (20 - sink_c) * np.exp(-seconds / 2500)
        temps = np.round(temps + np.random.default_rng(3).normal(0, 0.04, 200), 2)
        for first, last in ((1500, 4000), (2500, 9000), (600, 10000)):
            keep = (seconds < first) | (seconds > last)
            trace = one(read(tmp_path, spelled(seconds[keep], temps[keep])))
            assert trace.found is not None
            assert trace.found.events["t_first_ice"].status == "censored"
