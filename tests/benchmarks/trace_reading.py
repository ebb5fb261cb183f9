"""Time the reading and cutting of a trace of 1,000,000 lines beside a general reader, in one run.

Prints the ratio to `pandas.read_csv` of the same file, for a clock of seconds and for one of
stamps (there the general reader also reads the stamps as times), and the peak memory as a
multiple of the samples. The limits that it is held to: 4 times for either.

Run: python tests/benchmarks/trace_reading.py
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
from metafreeze.register.traces.intake import read_traces

LINES = 1_000_000
ROUNDS = 7
LIMIT_TIME = 4.0
LIMIT_MEMORY = 4.0

# The peak is that of the process since its counter was reset, which Linux allows.
_PEAK = """
import sys
from pathlib import Path
from metafreeze.register.files.reading import read_file
from metafreeze.register.traces.intake import read_traces

def resident(name):
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(name)) * 1024

warm = Path(sys.argv[1]).with_name("warm.csv")
lines = "".join(f"{k},{80 - k}.5\\n" for k in range(60))
warm.write_text("time (s),water (°C)\\n" + lines, "utf-8")
read_traces(read_file(warm))
Path("/proc/self/clear_refs").write_text("5")
before = resident("VmRSS")
source = read_file(sys.argv[1])
traces = read_traces(source)
samples = sum(t.time_s.nbytes + t.temp_c.nbytes + t.marks.nbytes for t in traces)
peak = resident("VmHWM") - before
print(peak / samples)
"""


def write_traces(folder: Path) -> dict[str, Path]:
    """Write one invented trace with either clock."""
    chance = np.random.default_rng(20250211)
    seconds = np.arange(LINES)
    temps = np.round(90 * np.exp(-seconds / 2e5) - 12 + chance.normal(0, 0.05, LINES), 2)
    start = np.datetime64("2025-02-11T09:00:00")
    stamps = np.char.replace((start + seconds.astype("timedelta64[s]")).astype(str), "T", " ")
    paths = {"seconds": folder / "seconds.csv", "stamps": folder / "stamps.csv"}
    for (name, path), clock in zip(paths.items(), (seconds, stamps), strict=True):
        head = "elapsed (s)" if name == "seconds" else "time"
        pd.DataFrame({head: clock, "water (°C)": temps}).to_csv(path, index=False)
    return paths


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
    """Print the ratios; say by the exit code whether all limits are kept."""
    kept = True
    with tempfile.TemporaryDirectory() as folder:
        for name, path in write_traces(Path(folder)).items():
            dates = ["time"] if name == "stamps" else []
            own, general = side_by_side(
                lambda path=path: read_traces(read_file(path)),  # type: ignore[misc]
                lambda path=path, dates=dates: pd.read_csv(path, parse_dates=dates),  # type: ignore[misc]
            )
            ratio = own / general
            print(f"{name}: {own:.3f} s, general reader {general:.3f} s, ratio {ratio:.2f}")
            shown = subprocess.run(
                [sys.executable, "-c", _PEAK, str(path)], capture_output=True, text=True, check=True
            ).stdout
            memory = float(shown)
            print(f"{name}: peak memory {memory:.2f} times the samples")
            kept &= ratio <= LIMIT_TIME and memory <= LIMIT_MEMORY
    print(f"limits {'kept' if kept else 'MISSED'}")
    return 0 if kept else 1


if __name__ == "__main__":
    raise SystemExit(main())
