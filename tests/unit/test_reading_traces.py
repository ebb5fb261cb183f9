"""A temperature trace is told from a table of runs."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from metafreeze.register.files.reading import read_file
from metafreeze.register.files.sheets import RawTable


@pytest.fixture
def table(tmp_path: Path):
    def reader(text: str) -> RawTable:
        path = tmp_path / "log.csv"
        path.write_bytes(text.encode())
        (found,) = read_file(path).tables
        return found

    return reader


def cooling(n: int) -> list[str]:
    return [f"{20 * np.exp(-i / 30) - 4:.2f}" for i in range(n)]


def lines(heading: str, clock: list[str], values: list[str]) -> str:
    return "\n".join([heading, *map(",".join, zip(clock, values, strict=True))]) + "\n"


CLOCKS = {
    "seconds": ("t_s", [str(60 * i) for i in range(60)]),
    "minutes": ("Zeit (min)", [str(i) for i in range(60)]),
    "time of day": ("clock", [f"09:{i:02d}:00" for i in range(60)]),
    "over midnight": ("clock", [f"{(23 + i // 30) % 24:02d}:{2 * i % 60:02d}" for i in range(60)]),
    "stamps": ("when", [f"2025-02-11T09:{i:02d}:00+01:00" for i in range(60)]),
    "epoch without a heading": ("", [str(1739264400 + 60 * i) for i in range(60)]),
    "even steps without a word": ("x", [str(10 * i) for i in range(60)]),
}


@pytest.mark.parametrize("kind", CLOCKS)
def test_a_clock_and_a_smooth_temperature_make_a_trace(table, kind):
    heading, clock = CLOCKS[kind]
    found = table(lines(f"{heading},T_C", clock, cooling(60)))
    assert found.is_trace
    assert "against the clock" in found.because


def test_a_warming_trace(table):
    found = table(lines("time,T_C", CLOCKS["seconds"][1], cooling(60)[::-1]))
    assert found.is_trace


def test_several_channels_one_of_which_ends_early(table):
    values = [f"{a},{b}" for a, b in zip(cooling(60), [*cooling(30), *[""] * 30], strict=True)]
    assert table(lines("t_s,Ch1,Ch2", CLOCKS["seconds"][1], values)).is_trace


def test_error_codes_among_the_readings(table):
    values = cooling(60)
    values[7], values[8], values[20] = "-999", "OL", "----"
    assert table(lines("t_s,T_C", CLOCKS["seconds"][1], values)).is_trace


@pytest.mark.parametrize("rate", ["Interval: 30 s", "# Sample rate 2 Hz", "Every = 00:00:30"])
def test_a_stated_rate_instead_of_a_clock(table, rate):
    found = table(rate + "\nwater\n" + "\n".join(cooling(60)) + "\n")
    assert found.is_trace
    assert "stated rate" in found.because


def test_runs_logged_side_by_side_are_channels(table):
    values = [f"{a},{b}" for a, b in zip(cooling(60), cooling(60), strict=True)]
    assert table(lines("Time (s),Run 1 (°C),Run 2 (°C)", CLOCKS["seconds"][1], values)).is_trace


RUNS = [
    "run,start_C,freeze_min",
    "cup,start temp,time (min)",
    "Versuch,Starttemp,Gefrierzeit",
    "n,a,b",
]


@pytest.mark.parametrize("heading", RUNS)
def test_many_runs_are_no_trace(table, heading):
    body = [f"{i},{80 if i % 2 else 20},{40 + i % 7}.5" for i in range(60)]
    assert not table("\n".join([heading, *body]) + "\n").is_trace


def test_runs_sorted_by_start_temperature_are_no_trace(table):
    body = [f"{2 * i},{40 + 0.3 * i:.1f}" for i in range(48)]
    assert not table("\n".join(["start,time (min)", *body]) + "\n").is_trace


def test_points_off_a_figure_are_no_trace(table):
    body = [f"point,{100 + 3 * i},{400 - 2 * i},," for i in range(40)]
    found = table("\n".join(["mark,pixel_x,pixel_y,value,axis", *body]) + "\n")
    assert not found.is_trace


def test_a_run_with_its_clock_of_insertion_is_no_trace(table):
    body = [f"09:{i:02d},{80 if i % 2 else 20},{40 + i % 7}" for i in range(60)]
    assert not table("\n".join(["put in at,hot or cold,took", *body]) + "\n").is_trace


def test_few_rows_are_no_trace(table):
    found = table(lines("t_s,T_C", CLOCKS["seconds"][1][:12], cooling(12)))
    assert not found.is_trace
    assert "12 rows" in found.because


def test_a_day_order_nobody_decides_is_no_question_in_a_trace(tmp_path):
    clock = [f"02/11/25 09:{i:02d}:00" for i in range(60)]
    path = tmp_path / "log.csv"
    path.write_text(lines("clock,T_C", clock, cooling(60)))
    (finding,) = read_file(path).findings
    assert (finding.rule, finding.severity) == ("day-order-undecidable", "note")
