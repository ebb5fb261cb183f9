"""Speed of naming and checking a sheet, beside a plain read of it into a frame, in one run.

    python tests/benchmarks/naming.py

The sheet is invented: 100,000 clean runs in six columns. Beside it stand the same sheet
with every twentieth outcome in words, and one without run names. The sides take turns, and
the quickest turn of each counts, since anything else is the machine.
"""

import argparse
import platform
import resource
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

import metafreeze
from metafreeze.register.files.reading import read_file
from metafreeze.register.intake import check_file, check_source

ROWS, SEED, TURNS = 100_000, 20261125, 15
# Naming and checking a clean sheet may cost this many times the plain read of it.
NEEDED = 3.0
OUTCOMES_IN_WORDS = (">180", "35-40", "<30", "not frozen after 180", "~41")


def invented(rows, seed):
    rng = np.random.default_rng(seed)
    return pd.DataFrame(
        {
            "lab": rng.choice([f"Site {k}" for k in range(40)], rows),
            "batch": [f"B{k // 12}" for k in range(rows)],
            "run": [f"R{k}" for k in range(rows)],
            "start_C": np.round(rng.uniform(10, 95, rows), 1),
            "freeze_min": np.round(rng.lognormal(4, 0.2, rows), 2),
            "vessel": rng.choice(["glass", "steel", "plastic"], rows),
        }
    )


def write(folder, rows):
    clean = invented(rows, SEED)
    worded = clean.astype({"freeze_min": str})
    places = np.arange(0, rows, 20)
    worded.loc[places, "freeze_min"] = np.resize(OUTCOMES_IN_WORDS, places.size)
    nameless = clean.drop(columns="run").assign(cup=clean["vessel"] + clean["batch"])
    paths = {}
    for name, frame in (("clean", clean), ("in words", worded), ("without runs", nameless)):
        paths[name] = Path(folder, f"{name}.csv")
        frame.to_csv(paths[name], index=False)
    return paths


def timed(function):
    start = time.perf_counter()
    value = function()
    return value, time.perf_counter() - start


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rows", type=int, default=ROWS)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        paths = write(folder, arguments.rows)
        sources = {name: read_file(path) for name, path in paths.items()}
        sides = {"pandas.read_csv, clean": lambda: pd.read_csv(paths["clean"])}
        for name, source in sources.items():
            sides[f"naming and checking, {name}"] = lambda source=source: check_source(source)
        sides["reading, naming and checking, clean"] = lambda: check_file(paths["clean"])
        seconds = {name: [] for name in sides}
        values = {}
        for _ in range(TURNS):
            for name, side in sides.items():
                values[name], spent = timed(side)
                seconds[name].append(spent)
    best = {name: min(spent) for name, spent in seconds.items()}
    base = best["pandas.read_csv, clean"]
    print(
        f"metafreeze {metafreeze.__version__}, pandas {pd.__version__}, {platform.machine()}, "
        f"{arguments.rows} rows, seed {SEED}, best of {TURNS}"
    )
    for name, spent in best.items():
        print(f"{name:42s} {1e3 * spent:8.1f} ms  {spent / base:5.2f} x")
    check = values["naming and checking, clean"]
    table = check.rows.nbytes
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    print(f"rows {check.rows.num_rows}, {table / 1e6:.0f} MB as a table; peak {peak / 1e6:.0f} MB")
    ratio = best["naming and checking, clean"] / base
    print(f"needed: at most {NEEDED:g} x; {'met' if ratio <= NEEDED else 'NOT met'}")


if __name__ == "__main__":
    main()
