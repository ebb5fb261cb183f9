"""Speed and memory of finding events, beside two passes of numpy over the same readings.

    env -u OPENBLAS_CORETYPE -u OPENBLAS_L2_SIZE python tests/benchmarks/curves.py

10,000,000 readings in 1,000 simulated traces. The other side is `np.diff` and an 11-point mean
by cumulative sums over the same array. Both sides take turns in one run, each on warm memory,
and the quickest turn of each counts, since anything else is the machine. Peak memory is what
Python and numpy allocate while all events are found, over the size of the readings (times and
temperatures).
"""

from __future__ import annotations

import argparse
import platform
import time
import tracemalloc

import numpy as np

import metafreeze
from metafreeze.curves.events import find_events
from metafreeze.physics.setup import Setup
from metafreeze.planning.traces import Logger, simulate_trace

TRACES, SAMPLES, SEED, TURNS, DIFFERENT = 1000, 10_000, 20261125, 5, 40
NEEDED, NEEDED_MEMORY = 12.0, 4.0


def invent(traces: int, samples: int) -> tuple[np.ndarray, np.ndarray]:
    """Simulate some traces and repeat them, each with its own noise."""
    rng = np.random.default_rng(SEED)
    courses = []
    for _ in range(min(DIFFERENT, traces)):
        vessel = Setup(
            start_temp_c=rng.uniform(25.0, 90.0),
            sink_temp_c=rng.uniform(-28.0, -16.0),
            mass_g=rng.uniform(60.0, 150.0),
        )
        trace = simulate_trace(
            vessel,
            rng=rng,
            supercooling_k=float(rng.uniform(0.5, 9.0)),
            logger=Logger(interval_s=1.0, noise_k=0.0, lag_s=2.0),
        )
        at = np.linspace(trace.time_s[0], trace.time_s[-1], samples)
        courses.append(np.interp(at, trace.time_s, trace.temp_c))
    temps = np.array(courses)[np.arange(traces) % len(courses)]
    temps += rng.normal(0.0, 0.05, temps.shape)
    return np.arange(samples) * 1.6, np.round(temps, 2)


def two_passes(flat: np.ndarray) -> float:
    """Do what the events are measured against."""
    steps = np.diff(flat)
    sums = np.cumsum(flat)
    means = (sums[11:] - sums[:-11]) / 11.0
    return float(steps[0] + means[0])


def all_events(times: np.ndarray, temps: np.ndarray) -> int:
    """Find every event of every trace; give how many froze."""
    frozen = 0
    for row in temps:
        frozen += find_events(times, row).events["t_first_ice"].status in ("seen", "interval")
    return frozen


def timed(function) -> tuple[object, float]:
    start = time.perf_counter()
    value = function()
    return value, time.perf_counter() - start


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--traces", type=int, default=TRACES)
    parser.add_argument("--samples", type=int, default=SAMPLES)
    arguments = parser.parse_args()
    times, temps = invent(arguments.traces, arguments.samples)
    flat = temps.ravel()
    best = {"two passes": np.inf, "events": np.inf}
    frozen: object = 0
    for _ in range(TURNS):
        _, spent = timed(lambda: two_passes(flat))
        best["two passes"] = min(best["two passes"], spent)
        frozen, spent = timed(lambda: all_events(times, temps))
        best["events"] = min(best["events"], spent)
    ratio = best["events"] / best["two passes"]
    tracemalloc.start()
    all_events(times, temps)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    memory = 1.0 + peak / (temps.nbytes + times.nbytes)
    print(
        f"metafreeze {metafreeze.__version__}, numpy {np.__version__}, {platform.machine()}, "
        f"{temps.size:,} readings in {len(temps):,} traces, {frozen} frozen, best of {TURNS}"
    )
    for name, seconds in best.items():
        print(f"{name:12} {seconds:8.3f} s")
    print(f"events over two passes: {ratio:.1f} (at most {NEEDED:g} wanted)")
    print(f"peak memory over the readings: {memory:.2f} (at most {NEEDED_MEMORY:g} wanted)")
    if ratio > NEEDED or memory > NEEDED_MEMORY:
        raise SystemExit(1)


if __name__ == "__main__":
    main()
