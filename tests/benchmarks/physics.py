"""Speed of expected times with evaporation, beside the closed form without it, in one run.

    python tests/benchmarks/physics.py

Both sides give the time to 0 °C of 100,000 different vessels. The closed form is
t = (m c/UA) ln[(T0 - T)/(0 - T)] in numpy, once with the conductance UA computed from the
same vessels (areas, coefficients, radiation at a mean temperature), once with UA ready. The
two sides take turns, and the quickest turn of each counts, since anything else is the machine.
"""

import argparse
import platform
import time

import numpy as np

import metafreeze
from metafreeze.physics.baseline import cooling_times
from metafreeze.physics.cooling import cool_to
from metafreeze.physics.setup import Setup

RUNS, SEED, TURNS = 100_000, 20261125, 40
NEEDED = 100.0
SIGMA, EMISSIVITY, CAPACITY = 5.670374419e-8, 0.96, 4190.0


def invented(runs, seed):
    rng = np.random.default_rng(seed)
    return {
        "start_temp_c": rng.uniform(5.0, 90.0, runs),
        "sink_temp_c": rng.uniform(-30.0, -10.0, runs),
        "mass_g": rng.uniform(50.0, 300.0, runs),
        "diameter_mm": rng.uniform(40.0, 90.0, runs),
        "h_air_w_m2k": rng.uniform(5.0, 15.0, runs),
        "h_base_w_m2k": rng.uniform(5.0, 40.0, runs),
    }


def conductance(v):
    area = np.pi / 4.0 * (v["diameter_mm"] * 1e-3) ** 2
    side = 4.0 * v["mass_g"] / (999.84 * v["diameter_mm"])
    mean = 0.5 * v["start_temp_c"] + 273.15
    sink = v["sink_temp_c"] + 273.15
    radiation = EMISSIVITY * SIGMA * (mean * mean + sink * sink) * (mean + sink)
    return v["h_base_w_m2k"] * area + (v["h_air_w_m2k"] + radiation) * (area + side)


def closed_form(v, ua):
    sink = v["sink_temp_c"]
    return v["mass_g"] * (1e-3 * CAPACITY) / ua * np.log((v["start_temp_c"] - sink) / -sink)


def timed(function):
    start = time.perf_counter()
    value = function()
    return value, time.perf_counter() - start


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=RUNS)
    arguments = parser.parse_args()
    v = invented(arguments.runs, SEED)
    setup = Setup(**v)
    ua = conductance(v)
    sides = {
        "closed form, conductance ready": lambda: closed_form(v, ua),
        "closed form from the vessels": lambda: closed_form(v, conductance(v)),
        "with evaporation, to 0 °C": lambda: cooling_times(setup, endpoint="t_zero").time_s,
        "with evaporation, to solid": lambda: cooling_times(setup, endpoint="t_solid").time_s,
    }
    seconds = {name: [] for name in sides}
    values = {}
    for _ in range(TURNS):
        for name, side in sides.items():
            values[name], spent = timed(side)
            seconds[name].append(spent)
    best = {name: min(s) for name, s in seconds.items()}
    print(
        f"metafreeze {metafreeze.__version__}, numpy {np.__version__}, {platform.machine()}, ",
        end="",
    )
    print(f"{arguments.runs} runs, quickest of {TURNS} turns")
    for name, spent in best.items():
        print(f"{name:32s} {1e3 * spent:8.2f} ms")
    exact = cool_to(setup, 0.0, nodes=24, steps=2).time_s
    error = np.abs(values["with evaporation, to 0 °C"] / exact - 1.0)
    dry = cooling_times(setup.with_(evaporation=0.0), endpoint="t_zero").time_s
    print(
        f"largest relative error of the fast side {error.max():.1e}, median {np.median(error):.1e}"
    )
    share = np.median(values["closed form from the vessels"] / dry)
    print(f"closed form over the model without evaporation: median {share:.3f}")
    met = True
    for name in ("with evaporation, to 0 °C", "with evaporation, to solid"):
        for base in ("closed form from the vessels", "closed form, conductance ready"):
            ratio = best[name] / best[base]
            print(f"{name} / {base}: {ratio:.0f} times")
            if base == "closed form from the vessels":
                met &= ratio <= NEEDED
    print(
        f"at most {NEEDED:.0f} times the closed form from the vessels: {'met' if met else 'MISSED'}"
    )


if __name__ == "__main__":
    main()
