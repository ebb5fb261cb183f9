"""Sheets grow and are corrected; nothing is doubled and nothing changes silently."""

import pytest

from metafreeze.cli.main import answer
from metafreeze.register.folder.store import open_register


def sheet_text(rows: int, **corrected: str) -> str:
    lines = ["lab,batch,run,start_C,freeze_min"]
    for i in range(1, rows + 1):
        minutes = corrected.get(f"R{i}", f"{40 + i / 10:.1f}")
        lines.append(f"North,{1 + i // 6},R{i},{80 if i % 2 else 20},{minutes}")
    return "\n".join(lines) + "\n"


@pytest.fixture
def register(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "trials.csv").write_text(sheet_text(15), encoding="utf-8")
    assert answer(["new", "winter", "--endpoint", "t_solid"]) == 0
    assert answer(["add", "winter", "trials.csv"]) == 0
    capsys.readouterr()
    return tmp_path


def test_a_corrected_cell_is_shown_and_asked_for(register, capsys):
    (register / "trials.csv").write_text(sheet_text(20, R3="44.4"), encoding="utf-8")
    assert answer(["add", "winter", "trials.csv"]) == 1
    said = " ".join(capsys.readouterr().err.split())
    assert "2418" in said and "2664" in said  # 40.3 and 44.4 min in seconds, old and new
    assert "--replace" in said
    assert len(open_register("winter").rows()) == 15


def test_replace_takes_the_correction_and_the_new_rows(register, capsys):
    (register / "trials.csv").write_text(sheet_text(20, R3="44.4"), encoding="utf-8")
    assert answer(["add", "winter", "trials.csv", "--replace"]) == 0
    rows = open_register("winter").rows()
    assert len(rows) == 20
    corrected = rows.loc[rows["run_id"] == "R3", "time_upper_s"]
    assert corrected.tolist() == pytest.approx([44.4 * 60])


def test_the_same_sheet_again_changes_nothing(register, capsys):
    assert answer(["add", "winter", "trials.csv"]) == 0
    assert "already there" in capsys.readouterr().out
    assert len(open_register("winter").rows()) == 15


def test_undo_and_its_undo(register, capsys):
    assert answer(["undo", "winter", "e0001"]) == 0
    assert len(open_register("winter").rows()) == 0
    assert answer(["undo", "winter", "e0002"]) == 0
    assert len(open_register("winter").rows()) == 15
