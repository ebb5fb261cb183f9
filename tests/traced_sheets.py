"""A sheet of runs with a logger file for each, invented on physics."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from metafreeze.physics.setup import Setup
from metafreeze.planning.traces import Logger, simulate_trace

BATCHES = 5


def invent(folder: Path, *, lab: str = "north") -> tuple[Path, list[Path]]:
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
            lines.append(f"{lab},{batch},{run},{start:.0f},{minutes:.1f},-18,{path.name},Probe")
            files.append(path)
    sheet = folder / "runs.csv"
    sheet.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return sheet, files
