"""The command for traces, and traces among what is added."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from metafreeze.cli.main import answer
from metafreeze.curves.events import EVENT_NAMES

CASES = Path(__file__).parents[1] / "cases"
LOG = str(CASES / "l17_side_by_side_blocks.csv")


def test_json_has_exactly_the_agreed_shape(capsys: pytest.CaptureFixture[str]) -> None:
    assert answer(["curves", LOG, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert list(found) == ["traces"]
    for trace in found["traces"]:
        assert list(trace) == [
            *("file", "channel", "samples", "marked_bad", "time", "events"),
            *("supercooling_k", "flags", "findings"),
        ]
        assert list(trace["events"]) == list(EVENT_NAMES)
        for event in trace["events"].values():
            assert list(event) == ["status", "lower_s", "upper_s", "confidence", "because"]
            assert event["status"] in ("seen", "interval", "censored", "none")
            assert event["because"]


def test_text_names_the_events_and_the_run(capsys: pytest.CaptureFixture[str]) -> None:
    assert answer(["curves", LOG, "--channels", "T1=run 7"]) == 0
    said = capsys.readouterr().out
    assert "2 traces, 2 of water; ice began in 2." in said
    assert "T1 (C), run 7: 92 readings" in said
    assert "t_plateau_end" in said


def test_a_channel_that_is_not_there_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    assert answer(["curves", LOG, "--channels", "T9=7"]) == 2
    assert "“T1 (C)”" in capsys.readouterr().err


def test_a_sheet_of_runs_is_refused(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    sheet = tmp_path / "runs.csv"
    sheet.write_text("start (°C),freeze time (min)\n80,41\n20,40\n", encoding="utf-8")
    assert answer(["curves", str(sheet)]) == 1
    assert "No temperature trace" in capsys.readouterr().err


def test_the_residual_time_counts_from_the_temperature_named(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert answer(["curves", LOG, "--residual-from", "20", "--json"]) == 0
    first = json.loads(capsys.readouterr().out)["traces"][0]["events"]
    assert first["t_residual"]["status"] == "seen"
    assert first["t_residual"]["upper_s"] < first["t_solid"]["upper_s"]


def test_adding_a_trace_stores_it(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    register = str(tmp_path / "winter")
    assert answer(["new", register]) == 0
    linked = ["--channels", "T1=7", "--channels", "T2=8", "--lab", "north"]
    assert answer(["add", register, LOG, *linked]) == 0
    assert (tmp_path / "winter" / "curves" / "e0001.parquet").is_file()
    capsys.readouterr()
    assert answer(["add", register, LOG, *linked, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["new"] == 0
    sheet = tmp_path / "runs.csv"
    sheet.write_text("start (°C),freeze time (min)\n80,41\n20,40\n", encoding="utf-8")
    assert answer(["add", register, str(sheet), "--channels", "T1=7"]) == 2
    assert answer(["add", register, str(sheet), LOG]) == 2


def test_readings_are_exported_on_request(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    register, out = str(tmp_path / "winter"), tmp_path / "readings.csv"
    linked = ["--channels", "T1=7", "--channels", "T2=8", "--lab", "north"]
    assert answer(["new", register]) == 0
    assert answer(["add", register, LOG, *linked]) == 0
    capsys.readouterr()
    assert answer(["export", register, "--traces", "--out", str(out), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["readings"] == 92 + 46
    assert len(out.read_text("utf-8").splitlines()) == 1 + 92 + 46
