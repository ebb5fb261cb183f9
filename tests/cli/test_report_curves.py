"""From a sheet of runs and logger files to the section of curves in a report."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from traced_sheets import BATCHES, invent

from metafreeze.cli.main import answer


def test_a_register_with_traces_has_its_curves_in_the_report(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sheet, files = invent(tmp_path)
    register, out = str(tmp_path / "register"), tmp_path / "report"
    assert answer(["new", register]) == 0
    assert answer(["add", register, str(sheet)]) == 0, capsys.readouterr().err
    for path in files:
        assert answer(["add", register, str(path)]) == 0, capsys.readouterr().err
    assert answer(["report", register, "--endpoint", "t_solid", "--out", str(out)]) == 0
    curves = json.loads((out / "results.json").read_text("utf-8"))["curves"]
    assert curves["status"] == "ok" and curves["pairing"] == "paired"
    assert curves["traces"] == 2 * BATCHES and curves["probes"][0]["blocks"] == [BATCHES]
    assert curves["lead"] in ("cold", "nobody")
    page = next(out.glob("*.html")).read_text("utf-8")
    assert "Who is ahead along the whole curve?" in page
