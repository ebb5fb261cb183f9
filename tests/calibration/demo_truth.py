"""How often the known truth of the demo's closed part lies in the 95 % interval.

``python tests/calibration/demo_truth.py [--demos 1000]`` reseeds the invented network,
fits the runs of its closed part with the one-stage model, and writes demo_truth.md beside
this file. A partner that must fail asks for the truth plus one slope SD between sites.
"""

from __future__ import annotations

import argparse
import datetime
import importlib.util
from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import pyarrow as pa

import metafreeze as mf
from metafreeze.register.schema import arrow_schema

HERE = Path(__file__).parent
SEED = 20260217


def generator() -> ModuleType:
    """Load datasets/demo/generate.py, which is no part of the package."""
    path = HERE.parent.parent / "datasets" / "demo" / "generate.py"
    spec = importlib.util.spec_from_file_location("demo_generate", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def closed_rows(runs: pd.DataFrame) -> pd.DataFrame:
    """Put the closed part's runs into the schema, as the sheets would arrive."""
    records = [
        {
            "record_level": "run",
            "lab_id": run.site,
            "block_id": str(run.batch),
            "run_id": f"{run.batch}-{run.vessel_no}",
            "start_temp_c": run.start_c,
            "endpoint": "t_solid",
            "time_lower_s": run.solid_s,
            "time_upper_s": run.solid_s,
            "source_id": "invented",
            "invented": True,
        }
        for run in runs.itertuples()
        if run.part == "closed"
    ]
    return pa.Table.from_pylist(records, schema=arrow_schema()).to_pandas()


def measure(demos: int, seed: int) -> pd.DataFrame:
    """Fit so many reseeded demos: slope, interval, status."""
    module = generator()
    network = module.settings()
    network["site"] = [s for s in network["site"] if s["part"] == "closed"]
    found = []
    for child in np.random.SeedSequence(seed).spawn(demos):
        runs = module.invent_runs(network, np.random.default_rng(child))
        fit = mf.fit_mixed(closed_rows(runs), endpoint="t_solid", second_engine=False)
        found.append((fit.slope_per_10k, fit.slope_low, fit.slope_high, fit.status))
    return pd.DataFrame(found, columns=["slope", "low", "high", "status"])


def coverage(found: pd.DataFrame, truth: float) -> tuple[float, float]:
    """Give the share of intervals that hold the truth, and its Monte Carlo error."""
    share = float(((found["low"] <= truth) & (truth <= found["high"])).mean())
    return share, float(np.sqrt(share * (1 - share) / len(found)))


def table(found: pd.DataFrame, seed: int) -> str:
    """Write the result as a small page."""
    module = generator()
    known = module.truth(module.settings())
    truth, shift = known["closed_part_slope_per_10k"], known["slope_sd_per_10k"]
    share, error = coverage(found, truth)
    partner, _ = coverage(found, truth + 2 * shift)
    boundary = float((found["status"] == "boundary").mean())
    today = datetime.datetime.now(tz=datetime.UTC).date()
    return "\n".join(
        [
            "# The demo's known truth",
            "",
            f"{len(found)} reseeded demos, seed {seed}, metafreeze {mf.__version__}, {today}. "
            "Written by `python tests/calibration/demo_truth.py`.",
            "",
            "| quantity | value |",
            "|---|---|",
            f"| true slope per 10 K | {truth:.6f} |",
            f"| mean of the estimates | {found['slope'].mean():.6f} |",
            f"| share of intervals that hold it | {share:.3f} (Monte Carlo error {error:.3f}) |",
            f"| share at the boundary | {boundary:.3f} |",
            f"| median width | {(found['high'] - found['low']).median():.4f} |",
            f"| partner: a slope two site SDs off, held by | {partner:.3f} |",
            "",
        ]
    )


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--demos", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=SEED)
    asked = parser.parse_args()
    found = measure(asked.demos, asked.seed)
    (HERE / "demo_truth.md").write_text(table(found, asked.seed), encoding="utf-8")


if __name__ == "__main__":
    main()
