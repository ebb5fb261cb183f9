"""How long false alarms take on the demo's design, and what two processes save.

    python tests/benchmarks/planning.py --runs 100

Prints the seconds per simulated register with one process and with two, measured side by side
in one run, what a thousand would take, and what of it are simulating and judging.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from pathlib import Path

import numpy as np

import metafreeze as mf
from metafreeze.analysis.false_alarms import Judge, _own_design
from metafreeze.cli.demo_sheets import demo_sheets

THOUSAND = 1000
MOST_MINUTES = 10.0


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=100)
    runs = parser.parse_args().runs
    with tempfile.TemporaryDirectory() as folder:
        register = mf.create_register(Path(folder) / "demo", primary_endpoint="t_solid")
        register.add(demo_sheets())
        rows = register.rows()
    began = time.perf_counter()
    design = _own_design(rows, "t_solid", 80.0, 20.0, 1)
    print(f"{len(rows)} rows; reading the design {time.perf_counter() - began:.2f} s")
    began = time.perf_counter()
    for number in range(20):
        design.simulate(number, np.random.default_rng(number), ratio=None)
    making = (time.perf_counter() - began) / 20
    judge = Judge(design=design, plan={}, endpoint="t_solid", hot_c=80.0, cold_c=20.0, seed=1)
    began, worked = time.perf_counter(), time.process_time()
    for number in range(5):
        judge(number, None)
    both = (time.perf_counter() - began) / 5
    print(
        f"one register: {making:.3f} s to simulate, {both:.3f} s with the verdict "
        f"({(time.process_time() - worked) / 5:.3f} s of processor time)"
    )
    seconds, processor = {}, 0.0
    for workers in (1, 2):
        began, worked = time.perf_counter(), time.process_time()
        found = mf.false_alarms(
            rows, runs=runs, advantage=None, endpoint="t_solid", pair=(80, 20), workers=workers
        )
        seconds[workers] = time.perf_counter() - began
        # With one process everything runs in this one.
        processor = time.process_time() - worked if workers == 1 else processor
        print(
            f"{workers} at once: {runs} false-alarm runs in {seconds[workers]:.1f} s; a thousand "
            f"would take {THOUSAND / runs * seconds[workers] / 60:.1f} min"
        )
    print(found.headline())
    print(f"ratio of one process to two: {seconds[1] / seconds[2]:.2f}")
    minutes = THOUSAND / runs * seconds[2] / 60
    verdict = "within" if minutes <= MOST_MINUTES else "NOT within"
    print(f"{verdict} {MOST_MINUTES:g} min; load of the machine now {os.getloadavg()[0]:.1f}")
    print(
        f"processor time {processor / runs:.3f} s a run: on two cores with nothing else to do a "
        f"thousand would take {THOUSAND / runs * processor / 2 / 60:.1f} min"
    )


if __name__ == "__main__":
    main()
