"""Time the reading of a clean table of 100,000 rows beside a general reader, in one run.

Prints the ratio to `pandas.read_csv` of the same file, for CSV with dots and for semicolons
with decimal commas, and the peak memory as a multiple of the table as it stands in
memory, for ten times as many rows, so that what libraries set aside once counts little.
The limits that it is held to: 2.5 times for the clean CSV, 4 times the table in memory.

Run: python tests/benchmarks/reading.py
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from metafreeze.register.files.reading import read_file

ROWS = 100_000
ROUNDS = 15
LIMIT_TIME = 2.5
LIMIT_MEMORY = 4.0

# The peak is that of the process since its counter was reset, which Linux allows.
_PEAK = """
import sys
from pathlib import Path
import pyarrow.compute, pyarrow.csv
import metafreeze.register.files.tables, metafreeze.register.files.text_files
from metafreeze.register.files.reading import read_file

def resident(name):
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(name)) * 1024

warm = Path(sys.argv[1]).with_name("warm.csv")
warm.write_text("run,start\\nR1,80\\n")
read_file(warm)
Path("/proc/self/clear_refs").write_text("5")
before = resident("VmRSS")
source = read_file(sys.argv[1])
size = sum(c.text.nbytes for t in source.tables for c in t.columns)
print((resident("VmHWM") - before) / size)
"""


def clean_runs() -> pd.DataFrame:
    """Make six columns of invented runs."""
    chance = np.random.default_rng(20250211)
    return pd.DataFrame(
        {
            "lab": chance.choice(["North", "South", "East"], ROWS),
            "batch": chance.integers(1, 500, ROWS),
            "vessel": chance.choice(["beaker", "tray", "cup"], ROWS),
            "start_temp_c": chance.uniform(5, 95, ROWS).round(1),
            "time_min": chance.uniform(20, 200, ROWS).round(2),
            "remark": chance.choice(["", "late", "lid slipped"], ROWS),
        }
    )


def side_by_side(one: Callable[[], object], other: Callable[[], object]) -> tuple[float, float]:
    """Take turns and give the median seconds of each."""
    took: tuple[list[float], list[float]] = ([], [])
    for _ in range(ROUNDS):
        for run, times in zip((one, other), took, strict=True):
            start = time.perf_counter()
            run()
            times.append(time.perf_counter() - start)
    return statistics.median(took[0]), statistics.median(took[1])


def main() -> int:
    """Measure, print, and fail where a limit is passed."""
    runs = clean_runs()
    good = True
    with tempfile.TemporaryDirectory() as folder:
        files = {
            "clean CSV": (Path(folder) / "clean.csv", ",", "."),
            "semicolons, decimal commas": (Path(folder) / "comma.csv", ";", ","),
        }
        for name, (path, mark, decimal) in files.items():
            runs.to_csv(path, index=False, sep=mark, decimal=decimal)

            def read(path: Path = path) -> object:
                return read_file(path)

            def general(path: Path = path, mark: str = mark, decimal: str = decimal) -> object:
                return pd.read_csv(path, sep=mark, decimal=decimal)

            ours, theirs = side_by_side(read, general)
            ratio = ours / theirs
            limit = LIMIT_TIME if name == "clean CSV" else float("inf")
            good &= ratio <= limit
            print(
                f"{name}: read_file {ours * 1e3:.1f} ms, pandas.read_csv {theirs * 1e3:.1f} ms, "
                f"ratio {ratio:.2f}" + (f" (limit {limit})" if np.isfinite(limit) else "")
            )
        path = Path(folder) / "long.csv"
        pd.concat([runs] * 10).to_csv(path, index=False)
        peak = float(
            subprocess.run(
                [sys.executable, "-c", _PEAK, str(path)], check=True, capture_output=True, text=True
            ).stdout
        )
        good &= peak <= LIMIT_MEMORY
        print(
            f"clean CSV of {10 * ROWS:,} rows: peak memory {peak:.2f} times the table "
            f"(limit {LIMIT_MEMORY})"
        )
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
