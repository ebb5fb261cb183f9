"""From a sheet of runs and logger files to the section of curves in a report."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from metafreeze.cli.main import answer
from metafreeze.physics.setup import Setup
from metafreeze.planning.traces import Logger, simulate_trace

BATCHES = 5


def invent(folder: Path) -> tuple[Path, list[Path]]:
    """Write a sheet of two vessels a batch, and one logger file for each vessel."""
    rng = np.random.default_rng(8)
    lines = ["lab,batch,run,start (°C),fully frozen after (min),sink (°C),trace file,trace channel"]
    files = []
    for batch in range(1, BATCHES + 1):
        for place, start in enumerate((60.0, 25.0)):
            run = f"{batch}{'ab'[place]}"
            trace = simulate_trace(
                Setup(start_temp_c=start, h_air_w_m2k=8.0 * float(np.exp(rng.normal(0, 0.03)))),
                rng=rng,
                supercooling_k=4.0,
                logger=Logger(interval_s=60.0, noise_k=0.05, resolution_k=0.01),
            )
            path = folder / f"log{run}.csv"
            readings = zip(trace.time_s - trace.time_s[0], trace.temp_c, strict=True)
            path.write_text(
                "elapsed (s),Probe (°C)\n" + "".join(f"{t:.0f},{c:.2f}\n" for t, c in readings),
                encoding="utf-8",
            )
            minutes = trace.true_s["t_solid"] / 60
            lines.append(f"north,{batch},{run},{start:.0f},{minutes:.1f},-18,{path.name},Probe")
            files.append(path)
    sheet = folder / "runs.csv"
    sheet.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return sheet, files


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
