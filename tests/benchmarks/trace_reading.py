"""Time the reading and cutting of a trace of 1,000,000 lines beside a general reader, in one run.

Prints, for each form in which loggers write, the ratio to `pandas.read_csv` of the same file with
the same conversions, and the peak memory as a multiple of the samples; for ISO 8601 also the ratio
to the general reader that leaves stamps as text. Limits are held to for the plain forms, seconds
and ISO 8601: 4 times for either. The other forms are measured and not limited.

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
LIMITED = ("seconds", "stamps")

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


Form = tuple[Path, Callable[[Path], object]]


def _plain(path: Path) -> object:
    return pd.read_csv(path)


def _with_stamps(path: Path) -> object:
    return pd.read_csv(path, parse_dates=["time"])


def _day_first(path: Path) -> object:
    table = pd.read_csv(path, sep=";", decimal=",")
    return pd.to_datetime(table["time"], format="%d.%m.%Y %H:%M:%S")


def _halves(path: Path) -> object:
    return pd.to_datetime(pd.read_csv(path)["time"], format="%m/%d/%Y %I:%M:%S %p")


def _durations(path: Path) -> object:
    return pd.to_timedelta(pd.read_csv(path)["time"])


def _with_footer(path: Path) -> object:
    return pd.to_datetime(pd.read_csv(path, on_bad_lines="skip")["time"].iloc[:LINES])


def write_traces(folder: Path) -> dict[str, Form]:
    """Write one invented trace in each form, with the general reader's way to read it."""
    chance = np.random.default_rng(20250211)
    seconds = np.arange(LINES)
    temps = np.round(90 * np.exp(-seconds / 2e5) - 12 + chance.normal(0, 0.05, LINES), 2)
    stamps = pd.DatetimeIndex(np.datetime64("2025-02-11T09:00:00") + seconds.astype("m8[s]"))
    iso = stamps.strftime("%Y-%m-%d %H:%M:%S")
    whole = [f"{s // 3600}:{s // 60 % 60:02d}:{s % 60:02d}" for s in seconds.tolist()]
    clocks = {
        "seconds": (seconds, _plain),
        "stamps": (iso, _with_stamps),
        "day first, decimal commas": (stamps.strftime("%d.%m.%Y %H:%M:%S"), _day_first),
        "12 hours": (stamps.strftime("%m/%d/%Y %I:%M:%S %p"), _halves),
        "hours, minutes, seconds": (whole, _durations),
        "stamps and a footer": (iso, _with_footer),
    }
    forms: dict[str, Form] = {}
    for name, (clock, read) in clocks.items():
        path = folder / f"{name}.csv"
        commas = {"sep": ";", "decimal": ","} if "commas" in name else {}
        head = "elapsed (s)" if name == "seconds" else "time"
        pd.DataFrame({head: clock, "water (°C)": temps}).to_csv(path, index=False, **commas)
        if "footer" in name:
            with path.open("a", encoding="utf-8") as file:
                file.write("\nreadings: 1000000\n")
        forms[name] = (path, read)
    return forms


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
        for name, (path, read) in write_traces(Path(folder)).items():
            own, general = side_by_side(
                lambda path=path: read_traces(read_file(path)),  # type: ignore[misc]
                lambda path=path, read=read: read(path),  # type: ignore[misc]
            )
            ratio = own / general
            print(f"{name}: {own:.3f} s, general reader {general:.3f} s, ratio {ratio:.2f}")
            shown = subprocess.run(
                [sys.executable, "-c", _PEAK, str(path)], capture_output=True, text=True, check=True
            ).stdout
            memory = float(shown)
            print(f"{name}: peak memory {memory:.2f} times the samples")
            if name in LIMITED:
                kept &= ratio <= LIMIT_TIME and memory <= LIMIT_MEMORY
            if name == "stamps":
                own, general = side_by_side(
                    lambda path=path: read_traces(read_file(path)),  # type: ignore[misc]
                    lambda path=path: pd.read_csv(path),  # type: ignore[misc]
                )
                print(f"stamps as text for the general reader: ratio {own / general:.2f}")
                kept &= own / general <= LIMIT_TIME
    print(f"limits {'kept' if kept else 'MISSED'}")
    return 0 if kept else 1


if __name__ == "__main__":
    raise SystemExit(main())
