"""`metafreeze false-alarms` as it is typed, and its place in the report."""

import json

import pandas as pd
import pytest

import metafreeze as mf
from metafreeze.analysis.bundle import gather, settings_of
from metafreeze.cli.main import answer
from metafreeze.reporting.compose import compose_report
from metafreeze.reporting.tracing import numbers_without_result


@pytest.fixture
def register(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    lines = ["lab,batch,run,start temperature (°C),fully frozen (min)"]
    for batch in range(1, 7):
        for k, (start, minutes) in enumerate(((20, 250), (80, 272), (20, 255), (80, 262))):
            lines.append(f"Invented shed,{batch},{k},{start},{minutes + 3 * batch % 7}")
    (tmp_path / "trials.csv").write_text("\n".join(lines) + "\n", "utf-8")
    assert answer(["new", "winter", "--endpoint", "t_solid"]) == 0
    assert answer(["add", "winter", "trials.csv"]) == 0
    return tmp_path / "winter"


def test_the_answer_is_kept_and_the_next_report_shows_it(register, capsys):
    before = mf.open_register(register)
    assert "false_alarms" not in gather(before, settings_of(before)).results
    capsys.readouterr()
    assert answer(["false-alarms", "winter", "--runs", "3", "--workers", "1", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["false_alarms"]["runs"] == 3
    opened = mf.open_register(register)
    bundle = gather(opened, settings_of(opened))
    assert bundle.results["false_alarms"] == said["false_alarms"]
    report = compose_report(bundle.results, bundle.tables)
    section = next(s for s in report.sections if s.key == "false-alarms")
    assert "registers simulated on this design" in str(section.answer)
    assert numbers_without_result(report, bundle.results, bundle.tables) == ()


def test_the_page_says_both_error_rates(register, capsys):
    assert answer(["false-alarms", "winter", "--runs", "2", "--workers", "1"]) == 0
    page = capsys.readouterr().out
    assert "How often would this analysis see an effect by chance?" in page
    assert "less time" in page
    assert answer(["false-alarms", "winter", "--runs", "2", "--workers", "1",
                   "--advantage", "0"]) == 0  # fmt: skip
    assert "less time" not in capsys.readouterr().out


def test_rows_that_physics_does_not_answer_end_with_three(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    pd.DataFrame(
        {
            "lab": "Invented shed",
            "start temperature (°C)": [20, 80],
            "freezer temperature (°C)": 0,
            "fully frozen (min)": [200, 220],
        }
    ).to_csv("warm.csv", index=False)
    assert answer(["false-alarms", "warm.csv", "--runs", "1"]) == 3
    assert "Physics expects no time" in capsys.readouterr().out.replace("\n", " ")


def test_a_wrong_number_of_runs_is_a_wrong_command_line(register, capsys):
    assert answer(["false-alarms", "winter", "--runs", "0"]) == 2
    assert "--runs" in capsys.readouterr().err
