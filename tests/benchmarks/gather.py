"""Run every benchmark and write one table of all ratios beside their bars.

Run as: python tests/benchmarks/gather.py [--rounds 3]

Every script measures its ratios side by side in its own run. Here each is run in turn,
several rounds over, without the variables that slow the linear algebra down; the table gives
the median of the rounds and how far they lie apart. Growth is measured here: the exponent of
time between a thousand and a million rows. Writes RESULTS.md beside this file.
"""

from __future__ import annotations

import argparse
import os
import platform
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

import metafreeze as mf
from metafreeze.curves.events import find_events
from metafreeze.models.many_pools import pool_many

HERE = Path(__file__).parent
SLOWED_BY = ("OPENBLAS_CORETYPE", "OPENBLAS_L2_SIZE")
# Scripts of a minute or more, which are run once.
LONG = ("challenge.py", "planning.py", "logbook.py", "curves.py")
SIZES = (1_000, 10_000, 100_000, 1_000_000)


@dataclass(frozen=True)
class Bar:
    """One ratio that a script prints, and what is asked of it."""

    what: str
    pattern: str
    bar: float
    at_least: bool = False

    def held(self, value: float) -> bool:
        return value >= self.bar if self.at_least else value <= self.bar

    def missed_by(self, value: float) -> str:
        factor = self.bar / value if self.at_least else value / self.bar
        return "held" if self.held(value) else f"missed by a factor of {factor:.2f}"


NUMBER = r"([\d.,]+)"
SCRIPTS: dict[tuple[str, ...], tuple[Bar, ...]] = {
    ("mixed.py",): (
        Bar(
            "mixed model, 10,000 rows: times faster than statsmodels",
            rf"{NUMBER} times faster",
            20,
            at_least=True,
        ),
        Bar(
            "mixed model, 1,000,000 rows: cross-product passes",
            rf"{NUMBER} passes \(",
            40,
        ),
        Bar("mixed model: growth exponent, 1e4 to 1e6 rows", rf"exponent {NUMBER}", 1.1),
        Bar("mixed model: peak memory over the arrays", rf"arrays {NUMBER} times", 4),
        Bar("refits with held variances a second", rf"{NUMBER} a second", 10_000, at_least=True),
    ),
    ("unseen.py",): (
        Bar(
            "times seen in part: s of the slowest fit",
            rf"slowest log-normal fit {NUMBER} s; wanted at most 5",
            5,
        ),
    ),
    ("physics.py",): (
        Bar(
            "expected times, 100,000 runs: times the closed form",
            rf"with evaporation[^:]*closed form from the vessels: {NUMBER} times",
            100,
        ),
    ),
    ("pooling.py",): (
        Bar(
            "10,000 pools, Paule-Mandel: times faster than the loop",
            rf"paule-mandel: [\d.]+ ms, {NUMBER} times",
            100,
            at_least=True,
        ),
        Bar(
            "10,000 pools, restricted likelihood: times faster",
            rf"restricted-likelihood: [\d.]+ ms, {NUMBER} times",
            50,
            at_least=True,
        ),
    ),
    ("register.py", "read"): (
        Bar("register, 1,000,000 rows: times pyarrow's read", rf"ratio {NUMBER} \(bar 2\)", 2),
    ),
    ("register.py", "add"): (
        Bar(
            "check and add, 100,000 rows: times pandas.read_csv",
            rf"ratio {NUMBER} \(bar 8\)",
            8,
        ),
        Bar("add: peak memory over the register's rows", rf"register [\d]+ MB, ratio {NUMBER}", 4),
        Bar("add: peak memory over pandas' table", rf"table [\d]+ MB, ratio {NUMBER}", 4),
    ),
    ("curves.py",): (
        Bar("events, 10,000,000 samples: times two passes", rf"two passes: {NUMBER}", 12),
        Bar("events: peak memory over the samples", rf"over the readings: {NUMBER}", 4),
    ),
    ("trace_reading.py",): (
        Bar(
            "logger export, 1,000,000 lines, seconds: times pandas.read_csv",
            rf"(?m)^seconds:[^\n]*ratio {NUMBER}",
            4,
        ),
        Bar(
            "logger export, 1,000,000 lines, stamps: times pandas.read_csv",
            rf"(?m)^stamps:[^\n]*ratio {NUMBER}",
            4,
        ),
        Bar(
            "the same, the general reader leaving stamps as text",
            rf"as text for the general reader: ratio {NUMBER}",
            4,
        ),
        Bar(
            "logger export, seconds: peak memory over samples",
            rf"(?m)^seconds: peak memory {NUMBER} times the samples",
            4,
        ),
        Bar(
            "logger export, stamps: peak memory over samples",
            rf"(?m)^stamps: peak memory {NUMBER} times the samples",
            4,
        ),
    ),
    ("challenge.py",): (
        Bar("verdicts, 144 rows: s", rf"verdicts?[^\n]*?{NUMBER} s   bar 0.5", 0.5),
        Bar("the demo's challenge: s", rf"{NUMBER} s   bar 25", 25),
        Bar("thorough challenge: s", rf"{NUMBER} s   bar 90", 90),
    ),
    ("planning.py",): (Bar("1,000 false-alarm runs: min", rf"thousand[^\n]*?{NUMBER} min", 10),),
    ("logbook.py", "--seconds", "20"): (
        Bar(
            "200 taps a second: 99th percentile over its bound",
            rf"percentile: {NUMBER} ms, bound {NUMBER}",
            1,
        ),
    ),
}


def run(command: tuple[str, ...]) -> str:
    """Run a script as a person would; give what it printed."""
    free = {name: value for name, value in os.environ.items() if name not in SLOWED_BY}
    done = subprocess.run(
        [sys.executable, str(HERE / command[0]), *command[1:]],
        env=free,
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode not in (0, 1):
        raise SystemExit(f"{command[0]} ended with {done.returncode}: {done.stderr[-2000:]}")
    return done.stdout


def read(bar: Bar, printed: str) -> float:
    """Take a ratio out of what a script printed; the worst where there are several."""
    found = [
        float(groups[0].replace(",", "")) / (float(groups[1]) if len(groups) > 1 else 1.0)
        for groups in (m.groups() for m in re.finditer(bar.pattern, printed, re.IGNORECASE))
    ]
    if not found:
        return float("nan")
    return min(found) if bar.at_least else max(found)


def quickest(function: Callable[[], object], turns: int) -> float:
    taken = []
    for _ in range(turns):
        begin = time.perf_counter()
        function()
        taken.append(time.perf_counter() - begin)
    return min(taken)


def tasks_of(size: int, folder: Path) -> dict[str, Callable[[], object]]:
    """Invent what the core is timed on, at one size."""
    rng = np.random.default_rng(5)
    study = np.arange(size) % max(20, size // 500)
    X = np.column_stack([np.ones(size), rng.normal(size=size)])
    y = X @ [8.0, 0.02] + 0.2 * rng.normal(size=study.max() + 1)[study]
    y = y + 0.1 * rng.normal(size=size)
    pools = (size // 20, 20)
    clock = np.arange(size) * 2.0
    temps = 25 * np.exp(-clock / (clock[-1] / 3)) - 5 + 0.05 * rng.normal(size=size)
    path = folder / f"{size}.csv"
    pd.DataFrame(
        {
            "lab": "North",
            "batch": np.arange(size) // 12,
            "run": np.arange(size),
            "start (°C)": rng.choice([20.0, 80.0], size),
            "fully frozen (min)": rng.uniform(40, 80, size).round(1),
        }
    ).to_csv(path, index=False)
    return {
        "mixed model, rows": partial(mf.mixed_model, y, X, study, varying=X),
        "pools of 20, effects": partial(
            pool_many, rng.normal(size=pools), rng.uniform(0.5, 2.0, pools)
        ),
        "events of a trace, samples": partial(find_events, clock, temps),
        "reading and checking a sheet, rows": partial(mf.check_file, path),
    }


def growth() -> dict[str, dict[int, float]]:
    """Time the core at a thousand to a million rows, in seconds."""
    times: dict[str, dict[int, float]] = {}
    with tempfile.TemporaryDirectory() as folder:
        for size in SIZES:
            for name, task in tasks_of(size, Path(folder)).items():
                times.setdefault(name, {})[size] = quickest(task, 7 if size < 100_000 else 3)
    return times


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=3)
    rounds = parser.parse_args().rounds
    lines = ["| what | median | rounds from, to | bar | |", "|---|---|---|---|---|"]
    held = True
    for command, bars in SCRIPTS.items():
        turns = 1 if command[0] in LONG else rounds
        printed = [run(command) for _ in range(turns)]
        for bar in bars:
            values = np.array([read(bar, text) for text in printed])
            median = float(np.median(values))
            held &= bar.held(median)
            asked = f"{'at least' if bar.at_least else 'at most'} {bar.bar:g}"
            said = bar.missed_by(median) if np.isfinite(median) else "not printed"
            span = f"{values.min():.3g}, {values.max():.3g}"
            lines.append(f"| {bar.what} | {median:.3g} | {span} | {asked} | {said} |")
            print(lines[-1], flush=True)
    table = ["| what | " + " | ".join(f"{s:,}" for s in SIZES) + " | exponent |"]
    table.append("|---" * (len(SIZES) + 2) + "|")
    for name, times in growth().items():
        steps = np.polyfit(np.log(list(times)), np.log(list(times.values())), 1)[0]
        cells = " | ".join(f"{1e3 * times[s]:.3g}" for s in SIZES)
        table.append(f"| {name} | {cells} | {steps:.2f} |")
        print(table[-1], flush=True)
    text = f"""# Speed, measured side by side

metafreeze {mf.__version__}, Python {platform.python_version()}, numpy {np.__version__}, pandas
{pd.__version__}, {os.cpu_count()} cores, {date.today().isoformat()}, {rounds} rounds. Written by
`python tests/benchmarks/gather.py`.

{os.linesep.join(lines)}

Growth: milliseconds at each size, and the exponent of a line through all sizes.

{os.linesep.join(table)}
"""
    (HERE / "RESULTS.md").write_text(text, encoding="utf-8")
    print("all bars held" if held else "NOT all bars held")


if __name__ == "__main__":
    main()
