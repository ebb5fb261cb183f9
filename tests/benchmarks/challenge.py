"""How long a challenge takes: the verdicts alone, the demo in full, and thoroughly.

    python tests/benchmarks/challenge.py

Prints seconds on this machine beside the bars of the issue, which are for two cores with nothing
else to do, and the load of the machine, without which seconds mean little.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from pathlib import Path

import metafreeze as mf
from metafreeze.analysis.challenge import THOROUGH_SHUFFLES
from metafreeze.cli.demo_sheets import demo_sheets
from metafreeze.scrutiny.choices import MOST_ANALYSES

sys.path.insert(0, str(Path(__file__).parents[1] / "calibration"))
from simulated_causes import simulate_cause

PAIR = (80.0, 20.0)
REPEATS = 5
BARS_S = {"verdict": 0.5, "demo": 25.0, "thorough": 90.0}


def seconds(call, repeats=1):
    """Best of so many calls: what is in the way can only make it slower."""
    best = float("inf")
    for _ in range(repeats):
        began = time.perf_counter()
        call()
        best = min(best, time.perf_counter() - began)
    return best


def show(name, took, bar):
    """Print one line."""
    said = "within" if took <= bar else "OVER"
    print(f"{name:<58} {took:7.2f} s   bar {bar:g} s, {said}")


def main() -> None:
    """Time the three depths."""
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    for cause in ("nothing-but-physics", "frost", "check-windows", "knocks"):
        rows = simulate_cause(cause, 1)
        endpoint = rows["endpoint"].iloc[0]

        def verdict(rows=rows, endpoint=endpoint):
            return mf.challenge(rows, depth="verdict", endpoint=endpoint, pair=PAIR)

        verdict()
        name = f"verdicts, {len(rows)} rows, {cause}"
        show(name, seconds(verdict, REPEATS), BARS_S["verdict"])
    with tempfile.TemporaryDirectory() as folder:
        register = mf.create_register(Path(folder) / "r", primary_endpoint="t_solid")
        register.add(demo_sheets())
        rows = register.rows()
    took = seconds(lambda: mf.challenge(rows, endpoint="t_solid", pair=PAIR))
    show(f"demo in full, {len(rows)} rows, one process", took, BARS_S["demo"])
    found = []

    def thorough():
        found.append(mf.challenge(rows, endpoint="t_solid", pair=PAIR, thorough=True, workers=-1))

    took = seconds(thorough)
    many = found[0].many_analyses
    name = f"demo thoroughly, {len(many.analyses)} analyses x {many.shuffles} shuffles"
    show(name, took, BARS_S["thorough"])
    took = seconds(whole_set)
    name = f"{MOST_ANALYSES} analyses x {THOROUGH_SHUFFLES} shuffles, 300 rows, all cores"
    show(name, took, BARS_S["thorough"])


def whole_set():
    """As many analyses as are ever run: five choices of rows, seven of covariates."""
    import numpy as np

    from metafreeze.scrutiny.choices import Material, many_analyses

    rng = np.random.default_rng(1)
    n = 300
    block = np.repeat(np.arange(n // 6), 6)
    x = np.tile([0.0, 0.0, 3.0, 3.0, 6.0, 6.0], n // 6)
    every = np.ones(n, dtype=bool)
    material = Material(
        x=x,
        y=0.02 * x + rng.normal(0, 0.05, n),
        study=block // 6,
        block=block,
        dealt=every,
        rows={"all": every, **{f"part {k}": rng.random(n) > 0.1 for k in range(4)}},
        covariates={f"covariate {k}": rng.normal(size=(n, 1)) for k in range(5)},
        curvature=0.01 * x**2,
        units=6.0,
    )
    found = many_analyses(
        material, rng=rng, shuffles=THOROUGH_SHUFFLES, most=MOST_ANALYSES, workers=-1
    )
    if len(found.analyses) != MOST_ANALYSES:
        raise SystemExit(f"{len(found.analyses)} analyses instead of {MOST_ANALYSES}")


if __name__ == "__main__":
    main()
