"""How often the interval of the excess slope holds the truth, on simulated registers.

Registers are made by the project's own physics from parameters drawn out of their usual
ranges, plus levels of labs and batches, scatter of runs and a known slope beyond physics.
The analysis then knows the parameters, knows them roughly, or knows nothing of them.

    python tests/calibration/excess_coverage.py --registers 150

Every register has its own seed and is written down when done; a second run goes on from
where the first one ended. The table lands beside this file.
"""

from __future__ import annotations

import argparse
import csv
import datetime
import itertools
import warnings
from pathlib import Path

import numpy as np
import pandas as pd

import metafreeze
from metafreeze.analysis.baseline_times import baselines, read_questions
from metafreeze.analysis.excess import excess_slope
from metafreeze.analysis.run_parameters import (
    SHARED_PARAMETERS,
    STUDY_PARAMETERS,
    draw_scores,
    read_parameters,
)

HERE = Path(__file__).parent
TABLE = HERE / "excess_coverage.md"

ENDPOINTS = ("t_zero", "t_solid")
STUDIES = (1, 3, 8)
KNOWLEDGE = ("known", "roughly", "nothing")
# Nothing is told, and every lab did the same: a stress test of the range for unsaid lids.
STRESS = {"nothing, all open": "open", "nothing, all closed": "sealed"}
SCATTERS = (0.0, 0.01)  # between studies, of the slope beyond physics, per 10 K
BATCHES, VESSELS = 5, 4
LEVEL_SD, BATCH_SD, RUN_SD = 0.10, 0.05, 0.05
EXCESS = -0.01  # per 10 K, the same in every register
KEY = ("endpoint", "studies", "knowledge", "scatter", "number")
# Beside it the interval that takes the baseline for certain.
VALUES = ("estimate", "se", "low", "high", "certain_low", "certain_high")


def simulate(
    endpoint: str, studies: int, knowledge: str, scatter: float, number: int
) -> tuple[pd.DataFrame, dict[str, object]]:
    """One register, and what the analysis is told about its parameters."""
    kinds = (*KNOWLEDGE, *STRESS)
    seed = [ENDPOINTS.index(endpoint), studies, kinds.index(knowledge), int(1e4 * scatter)]
    rng = np.random.default_rng([*seed, number])
    n = studies * BATCHES * VESSELS
    lab = np.repeat([f"lab {s + 1}" for s in range(studies)], BATCHES * VESSELS)
    rows = pd.DataFrame({"lab_id": lab, "endpoint": endpoint})
    rows["block_id"] = np.tile(np.repeat(np.arange(BATCHES).astype(str), VESSELS), studies)
    # Two starts a batch in some labs, scattered starts in the others.
    spread = np.repeat(rng.random(studies) < 0.5, BATCHES * VESSELS)
    two = np.where(np.arange(n) % 2 == 0, 20.0, 80.0) + rng.normal(0.0, 1.0, n)
    rows["start_temp_c"] = np.where(spread, rng.uniform(10.0, 92.0, n), two)
    rows["sink_type"] = "freezer"
    lids = rng.choice(["open", "loose", "sealed"], size=studies, p=[0.65, 0.1, 0.25])
    rows["lid"] = STRESS.get(knowledge) or np.repeat(lids, BATCHES * VESSELS)
    study = lab.astype(object)
    truth = read_parameters(rows, study)
    drawn = draw_scores(2, studies, rng)  # an even spread over two draws; the first is the truth
    question = read_questions(rows)
    log_time = baselines(truth, question, drawn).outcome[0]
    values = {name: v[0] for name, v in truth.values(drawn).items()}
    x = (rows["start_temp_c"].to_numpy() - 20.0) / 10.0
    slope = EXCESS + scatter * rng.standard_normal(studies)
    log_time = log_time + np.repeat(slope, BATCHES * VESSELS) * x
    log_time = log_time + np.repeat(LEVEL_SD * rng.standard_normal(studies), BATCHES * VESSELS)
    log_time = log_time + np.repeat(BATCH_SD * rng.standard_normal(studies * BATCHES), VESSELS)
    seconds = np.exp(log_time + RUN_SD * rng.standard_normal(n))
    rows["time_lower_s"] = rows["time_upper_s"] = seconds
    return tell(rows, values, knowledge, rng)


def tell(
    rows: pd.DataFrame, values: dict[str, np.ndarray], knowledge: str, rng: np.random.Generator
) -> tuple[pd.DataFrame, dict[str, object]]:
    """Write down what the analysis may know."""
    first = rows.groupby("lab_id", sort=False).head(1).index
    labs = rows.loc[first, "lab_id"].tolist()
    size = len(rows) // len(labs)
    if knowledge.startswith("nothing"):
        return rows.drop(columns=["sink_type", "lid"]), {}
    diameter = np.cbrt(
        values["mass_g"] * 1e-3 / 999.84 / (np.pi / 4.0) / values["height_over_diameter"]
    )
    per_lab = {name: values[name][first] for name in STUDY_PARAMETERS if name != "diameter_mm"}
    per_lab["diameter_mm"] = diameter[first] * 1e3
    if knowledge == "known":
        known: dict[str, object] = {
            name: dict(zip(labs, map(float, v), strict=True)) for name, v in per_lab.items()
        }
        known |= {name: float(values[name][0]) for name in SHARED_PARAMETERS}
        return rows, known
    error = rng.standard_normal((3, len(labs)))
    rows["sink_temp_c"] = np.repeat(per_lab["sink_temp_c"] + 0.5 * error[0], size)
    rows["water_mass_start_g"] = np.repeat(per_lab["mass_g"] * (1.0 + 0.006 * error[1]), size)
    rows["inner_diameter_mm"] = np.repeat(per_lab["diameter_mm"] * (1.0 + 0.024 * error[2]), size)
    return rows, {}


def one_result(case: tuple[str, int, str, float], number: int) -> tuple[float, ...]:
    endpoint, studies, knowledge, scatter = case
    rows, known = simulate(endpoint, studies, knowledge, scatter, number)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        result = excess_slope(rows, endpoint=endpoint, seed=number + 1, known=known)
    return (
        result.slope_per_10k,
        result.slope_se,
        result.slope_low,
        result.slope_high,
        result.fit.slope_low,
        result.fit.slope_high,
    )


def cases() -> list[tuple[str, int, str, float]]:
    every = itertools.product(ENDPOINTS, STUDIES, KNOWLEDGE, SCATTERS)
    # With one study a slope of its own and one that all share cannot be told apart.
    plain = [case for case in every if not (case[1] == 1 and case[3] > 0.0)]
    return plain + [(endpoint, 3, kind, 0.0) for endpoint in ENDPOINTS for kind in STRESS]


def run(registers: int, store: Path) -> None:
    done = set()
    if store.exists():
        with store.open(newline="") as file:
            done = {tuple(line[:5]) for line in csv.reader(file)}
    with store.open("a", newline="") as file:
        writer = csv.writer(file)
        for number in range(registers):
            for case in cases():
                key = (*map(str, case), str(number))
                if key in done:
                    continue
                writer.writerow([*key, *map(repr, map(float, one_result(case, number)))])
                file.flush()


def summarise(frame: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    def one(group: pd.DataFrame) -> pd.Series:
        got = group.dropna(subset=["estimate", "low", "high"])
        inside = (got["low"] <= EXCESS) & (got["high"] >= EXCESS)
        certain = (got["certain_low"] <= EXCESS) & (got["certain_high"] >= EXCESS)
        n = len(got)
        coverage = float(inside.mean())
        return pd.Series(
            {
                "registers": len(group),
                "answered": n,
                "bias": got["estimate"].mean() - EXCESS,
                "bias error": got["estimate"].std() / np.sqrt(n),
                "coverage": coverage,
                "coverage error": np.sqrt(max(coverage * (1 - coverage), 0.25 / n) / n),
                "coverage, baseline taken for certain": float(certain.mean()),
                "width": (got["high"] - got["low"]).median(),
                "SD of estimates": got["estimate"].std(),
            }
        )

    return frame.groupby(by, sort=False).apply(one, include_groups=False).reset_index()


def write_table(store: Path, target: Path) -> pd.DataFrame:
    frame = pd.read_csv(store, header=None, names=[*KEY, *VALUES]).sort_values(list(KEY))
    lines = [
        "# Coverage of the excess slope",
        "",
        f"Simulated registers of {BATCHES} batches of {VESSELS} vessels a lab; the truth is "
        f"{EXCESS} per 10 K beyond physics; 95 % intervals; version {metafreeze.__version__}, "
        f"{datetime.date.today().isoformat()}; seeds are case and register number. "
        "`nothing`: start temperature, time, lab and batch only (the lids are then mixed, two in "
        "three open). Errors are Monte Carlo standard errors.",
        "",
    ]
    for by in (["knowledge"], ["knowledge", "endpoint", "studies", "scatter"]):
        lines += [as_markdown(summarise(frame, by)), ""]
    target.write_text("\n".join(lines), encoding="utf-8")
    return frame


def as_markdown(table: pd.DataFrame) -> str:
    def cell(value: object) -> str:
        if not isinstance(value, float):
            return str(value)
        return f"{value:g}" if value == int(value) and abs(value) >= 1.0 else f"{value:.4f}"

    head = "| " + " | ".join(table.columns) + " |"
    rule = "|" + "---|" * table.shape[1]
    body = ["| " + " | ".join(map(cell, row)) + " |" for row in table.itertuples(index=False)]
    return "\n".join([head, rule, *body])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--registers", type=int, default=150, help="registers a case")
    parser.add_argument("--store", type=Path, default=HERE / "excess_coverage.csv")
    parser.add_argument("--table", type=Path, default=TABLE)
    arguments = parser.parse_args()
    run(arguments.registers, arguments.store)
    frame = write_table(arguments.store, arguments.table)
    print(as_markdown(summarise(frame, ["knowledge"])))


if __name__ == "__main__":
    main()
