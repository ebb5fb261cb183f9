"""Five minutes, three columns: a sheet with its own headings becomes a report."""

import json

import pytest

from metafreeze.cli.main import answer

# Invented; times in minutes.
TWELVE_ROWS = """start, time (min), cup
20, 39.9, A
80, 41.2, B
20, 40.4, C
80, 43.0, A
20, 38.8, B
80, 42.5, C
22, 41.0, A
79, 44.1, B
20, 39.5, C
81, 43.8, A
20, 40.9, B
80, 42.2, C
"""


@pytest.fixture
def sheet(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "trials.csv"
    path.write_text(TWELVE_ROWS, encoding="utf-8")
    return path


def test_without_an_answer_one_question_names_its_option(sheet, capsys):
    assert answer(["report", "trials.csv"]) == 1
    said = capsys.readouterr().err
    assert "What did you call frozen?" in said
    assert "--endpoint" in said
    assert "t_solid (fully frozen)" in said
    assert not (sheet.parent / "reports").exists()


def test_one_answer_gives_a_report(sheet, capsys):
    assert answer(["report", "trials.csv", "--endpoint", "t_solid"]) == 0
    printed = capsys.readouterr().out
    assert "In this freezer, 80 °C finished" in printed.replace("\u00a0", " ")
    folder = sheet.parent / "reports" / "trials"
    html = (folder / "report.html").read_text("utf-8")
    assert "In this freezer" in html
    results = json.loads((folder / "results.json").read_text("utf-8"))
    assert results["pool"]["runs"] == 12
    assert results["register"]["ledger"]["used"] == 12
    assert (folder / "report.pdf").read_bytes().startswith(b"%PDF")


def test_the_same_by_new_add_pool(sheet, capsys):
    assert answer(["new", "mine", "--endpoint", "t_solid"]) == 0
    assert answer(["add", "mine", "trials.csv"]) == 0
    capsys.readouterr()
    assert answer(["pool", "mine", "--json"]) == 0
    pool = json.loads(capsys.readouterr().out)["pool"]
    assert answer(["pool", "trials.csv", "--endpoint", "t_solid", "--json"]) == 0
    direct = json.loads(capsys.readouterr().out)["pool"]
    assert pool["log_ratio"] == pytest.approx(direct["log_ratio"], rel=1e-12)
    assert pool["scope"] == "one lab"


def test_one_temperature_only_is_not_estimable(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "cold.csv").write_text("start_C,freeze_min\n20,40\n20,41\n", encoding="utf-8")
    assert answer(["pool", "cold.csv", "--endpoint", "t_solid"]) == 3
    assert "All runs started near 20 °C" in capsys.readouterr().out.replace("\n", " ")


def test_a_missing_file_is_refused_in_one_sentence(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert answer(["check", "nowhere.csv"]) == 1
    said = capsys.readouterr().err
    assert "nowhere.csv" in said
    assert "Traceback" not in said
