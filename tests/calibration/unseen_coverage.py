"""How often profile intervals of the slope hold the truth when times are not seen exactly.

    python tests/calibration/unseen_coverage.py                  (all cells, 10,000 each)
    python tests/calibration/unseen_coverage.py --simulations 2000 --studies 6

Vessels take about an hour; they are looked at every ten minutes, or watched, and given up at
a time that some 20 % outlast, or never. Laboratories have levels and slopes of their own,
batches have levels, runs scatter; the fit has the same random parts (one study: batches). The
interval holds the truth exactly when the likelihood ratio at the truth is below the cut-off,
so that is what is counted, many data sets side by side; limits, for the widths, are those of
`unseen_times_model` on the first data sets of each block. The interval from estimate and
standard error with the normal law stands beside it as the one that must fail for few studies.

Blocks have their own seeds and are written down when done; a second run goes on from where
the first one ended. The table lands beside this file.
"""

from __future__ import annotations

import argparse
import csv
import datetime
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

import metafreeze
from metafreeze.models.grouped_rows import unpack_theta
from metafreeze.models.lockstep import Problem, minimise, null_basis
from metafreeze.models.unseen_bootstrap import Watch, simulate
from metafreeze.models.unseen_fit import Standardised, standardise
from metafreeze.models.unseen_input import UnseenRows, check_unseen_rows
from metafreeze.models.unseen_intervals import Reference, reference_for, theta_directions

HERE = Path(__file__).parent
BLOCKS = HERE / "unseen_coverage.csv"
TABLE = HERE / "unseen_coverage.md"

SEED = 20250302
BLOCK = 500
WIDTHS = 10
LEVEL, SLOPE = float(np.log(3600.0)), 0.02  # ln s; per 10 K of start temperature
LEVEL_SD, BATCH_SD, RUN_SD = 0.10, 0.05, 0.08
STARTS = np.array([0.0, 2.0, 4.0, 6.0, 0.0, 6.0])  # (start_temp_c - 20) / 10
CHECK_S = 600.0
OUTLAST = 0.20
# Nodes of the integration: study level and slope, batch.
NODES = {"studies": (8, 8, 5), "batches": (12,)}
AT_ZERO = 0.02
SLOPE_SDS = (0.0, 0.02, 0.05)
SEEN = ("looks, given up", "looks", "given up")
CELLS = tuple(
    ("log-normal", s, 2, sd, seen)
    for seen in SEEN
    for s in (4, 6, 8, 12)
    for sd in (SLOPE_SDS if seen == SEEN[0] else (0.02,))
)
CELLS += tuple(("log-normal", 1, b, 0.0, SEEN[0]) for b in (4, 8, 16))
CELLS += tuple(("weibull", s, 2, 0.02, SEEN[0]) for s in (4, 8))
CELLS += (("weibull", 1, 8, 0.0, SEEN[0]),)
KEY = ("family", "studies", "batches", "slope_sd", "seen", "block")
COUNTS = ("simulations", "settled", "boundary", "unseen", "profile", "normal")
FIELDS = (*KEY, *COUNTS, "width_profile", "width_normal", "seed", "version", "date")
Cell = tuple[str, int, int, float, str]


def design(cell: Cell) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Study, batch and columns of every run."""
    _, studies, batches, _, _ = cell
    study = np.repeat(np.arange(studies), batches * len(STARTS))
    batch = np.repeat(np.arange(studies * batches), len(STARTS))
    start = np.tile(STARTS, studies * batches)
    return study, batch, np.column_stack([np.ones(len(start)), start])


def options(cell: Cell) -> dict[str, object]:
    """Random parts that the fit has."""
    study, batch, x = design(cell)
    if cell[1] == 1:
        return {"study": None, "batch": batch, "varying": None}
    return {"study": study, "batch": batch, "varying": x}


def prepare(cell: Cell) -> tuple[UnseenRows, Standardised, np.ndarray, Watch]:
    """Give the design in standardised units, the true parameters and how vessels are watched."""
    family, studies, _, slope_sd, seen = cell
    _, _, x = design(cell)
    level = LEVEL + SLOPE * x[:, 1]
    # A first data set only gives the units.
    noise = np.random.default_rng(SEED).normal(size=len(x)) * RUN_SD
    given = options(cell)
    rows = check_unseen_rows(
        level + noise,
        level + noise,
        x,
        given["study"],
        varying=given["varying"],
        batch=given["batch"],
        known_variance=None,
        added_variance=None,
        count=None,
        spread=None,
        offset=None,
        log_times=True,
        names=None,
        varying_names=None,
    )
    scaled = standardise(rows, family=family, correlated=True, fixed_scale=None)
    theta = np.zeros(scaled.row_design.parameter_count)
    beta = np.array([LEVEL, SLOPE])
    theta[:2] = np.linalg.solve(scaled.back, (beta - scaled.start) / scaled.unit)
    scale = RUN_SD if family == "log-normal" else RUN_SD * np.sqrt(6) / np.pi
    theta[2] = np.log(scale / scaled.unit)
    if studies == 1:
        theta[3] = BATCH_SD / scaled.unit
    else:
        # Covariance of level and slope turned into the standardised columns' coordinates.
        root = np.linalg.solve(scaled.varying_back, np.diag([LEVEL_SD, slope_sd])) / scaled.unit
        low = np.linalg.qr(root.T)[1].T
        for i, (k, m) in enumerate(scaled.design.pairs):
            theta[3 + i] = low[k, m]
        theta[-1] = BATCH_SD / scaled.unit
    # Levels, slopes at the mean start, batches and runs together give the time 20 % outlast.
    spread = np.hypot(np.hypot(LEVEL_SD if studies > 1 else 0.0, 3 * slope_sd), BATCH_SD)
    whole = np.hypot(np.hypot(spread, RUN_SD), SLOPE * x[:, 1].std())
    end = float(np.exp(level.mean() + stats.norm.isf(OUTLAST) * whole))
    if "looks" in seen:
        end = float(np.ceil(end / CHECK_S) * CHECK_S)
    n = len(x)
    watch = Watch(
        first=np.zeros(n),
        every=np.full(n, CHECK_S if "looks" in seen else 0.0),
        until=np.full(n, end if "given up" in seen else np.inf),
    )
    return rows, scaled, theta, watch


def reference(cell: Cell, rows: UnseenRows) -> Reference:
    """Degrees of freedom that the package takes for the slope."""
    return reference_for(
        rows,
        np.array([[0.0, 1.0]]),
        studies=cell[1] > 1,
        batches=True,
        spread_known=False,
    )


def run_block(cell: Cell, block: int, m: int, *, widths: int = WIDTHS) -> dict[str, object]:
    """Simulate and fit one block of a cell; count the intervals that hold the truth."""
    rows, scaled, theta, watch = prepare(cell)
    rng = np.random.default_rng([SEED, CELLS.index(cell), block])
    times = simulate(rows, watch, scaled, theta, rng, m)
    plan = scaled.row_design
    nodes = np.tile(NODES["batches" if cell[1] == 1 else "studies"], (plan.sizes[1], 1))
    start = np.repeat(theta[None], m, axis=0)
    # A part that is truly zero starts off its point of symmetry.
    start[:, 3:] = np.where(start[:, 3:] == 0.0, 0.1 * np.exp(theta[2]), start[:, 3:])
    free = np.arange(len(theta))
    best = minimise(Problem(plan, times, m, nodes), start, np.eye(len(theta)))
    direction = theta_directions(scaled, np.array([[0.0, 1.0]]))[0]
    truth = (SLOPE - scaled.start[1]) / scaled.unit
    moved = best.theta + np.outer(truth - best.theta @ direction, direction) / (
        direction @ direction
    )
    held = minimise(Problem(plan, times, m, nodes), moved, null_basis(direction, free))
    settled = best.arrived & held.arrived
    ratio = 2.0 * (held.value - best.value)
    cut_off = float(reference(cell, rows).cut_off(0.95)[0])
    inverse = np.linalg.pinv(np.where(settled[:, None, None], best.hessian, 1.0), hermitian=True)
    se = np.sqrt(np.maximum(np.einsum("i,rij,j->r", direction, inverse, direction), 0.0))
    away = np.abs(best.theta @ direction - truth)
    sigma, factor, _ = unpack_theta(plan, best.theta)
    # Singular: level and slope vary in step, or one of them (one study: the batch) not at all.
    least = np.linalg.svd(factor, compute_uv=False)[:, -1]
    at_zero = least < AT_ZERO * sigma
    out: dict[str, object] = dict(zip(KEY, (*cell, block), strict=True))
    wide = [limits(cell, rows, scaled, times, i) for i in range(min(widths, m))]
    return out | {
        "simulations": m,
        "settled": int(settled.sum()),
        "boundary": int((at_zero & settled).sum()),
        "unseen": float((times.kind != 0).mean()),
        # A fit that did not settle counts as a miss.
        "profile": int(((ratio <= cut_off) & settled).sum()),
        "normal": int(((away <= stats.norm.isf(0.025) * se) & settled).sum()),
        "width_profile": float(np.nanmedian([b - a for a, b in wide])) if wide else np.nan,
        "width_normal": float(np.median(2 * stats.norm.isf(0.025) * se[settled]) * scaled.unit),
        "seed": SEED,
        "version": metafreeze.__version__,
        "date": datetime.datetime.now(tz=datetime.UTC).date().isoformat(),
    }


def data_set(
    rows: UnseenRows, scaled: Standardised, times: object, i: int
) -> tuple[np.ndarray, np.ndarray]:
    """Give one simulated data set in log time, in the order of the rows."""
    centre = rows.x @ scaled.start
    low = centre + scaled.unit * times.lower[:, i]  # type: ignore[attr-defined]
    high = centre + scaled.unit * times.upper[:, i]  # type: ignore[attr-defined]
    same = times.lower[:, i] == times.upper[:, i]  # type: ignore[attr-defined]
    return low, np.where(same, low, high)


def limits(
    cell: Cell, rows: UnseenRows, scaled: Standardised, times: object, i: int
) -> tuple[float, float]:
    """Limits of the slope that the package gives for one simulated data set."""
    low, high = data_set(rows, scaled, times, i)
    given = {k: None if v is None else np.asarray(v)[rows.source] for k, v in options(cell).items()}
    fit = metafreeze.unseen_times_model(
        low, high, rows.x, log_times=True, family=cell[0], focus=[1], accuracy=1e-6, **given
    )
    row = fit.coefficients.iloc[1]
    return float(row["low"]), float(row["high"])


def read_blocks() -> pd.DataFrame:
    """Blocks written down so far."""
    if not BLOCKS.exists():
        return pd.DataFrame(columns=list(FIELDS))
    return pd.read_csv(BLOCKS)


def summary() -> pd.DataFrame:
    """One row a cell: coverage, median width, share at the boundary."""
    blocks = read_blocks()
    cell = list(KEY[:-1])
    grouped = blocks.groupby(cell, sort=False)
    total = grouped[["simulations", "settled", "boundary", "profile", "normal"]].sum()
    for name in ("boundary", "profile", "normal"):
        total[name] = total[name] / total["simulations"]
    mean = grouped[["unseen", "width_profile", "width_normal"]].mean()
    return total.join(mean).reset_index()


def write_table() -> None:
    """Write the table."""
    blocks, table = read_blocks(), summary()
    lines = [
        "# Coverage of 95 % intervals of the slope, times not seen exactly",
        "",
        f"Simulations a cell: {int(table['simulations'].min())} to "
        f"{int(table['simulations'].max())}; seed {SEED}; version "
        f"{', '.join(sorted(set(blocks['version'].astype(str))))}; "
        f"{blocks['date'].min()} to {blocks['date'].max()}. Monte Carlo standard error at 10,000: "
        "0.2 %. About 60 minutes a run; looks every 10 minutes, given up when about 20 % are not "
        "frozen. Width per 10 K of start temperature: profile, mean over blocks of the median of "
        f"their first {WIDTHS} data sets; normal, of all. Boundary: share of fits in which level "
        "and slope vary in step or one of them not at all (one study: batches do not differ), "
        "where a correct interval covers too often. Fits that did not settle count as misses.",
        "",
        "| family | studies | batches a study | slope SD | seen | not seen exactly | settled | "
        "boundary | profile with t | normal | width profile | width normal |",
        "|---|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    lines += [
        f"| {row.family} | {row.studies} | {row.batches} | {row.slope_sd:g} | {row.seen} | "
        f"{100 * row.unseen:.0f} % | {100 * row.settled / row.simulations:.1f} % | "
        f"{100 * row.boundary:.1f} % | {100 * row.profile:.1f} % | {100 * row.normal:.1f} % | "
        f"{row.width_profile:.4f} | {row.width_normal:.4f} |"
        for row in table.itertuples()
    ]
    TABLE.write_text("\n".join(lines) + "\n", encoding="utf-8")


def main() -> None:
    """Run the blocks that are missing and write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--simulations", type=int, default=10_000)
    parser.add_argument("--studies", type=int)
    asked = parser.parse_args()
    done = {tuple(r) for r in read_blocks()[list(KEY)].itertuples(index=False, name=None)}
    # Block by block over all cells, so that the table grows evenly.
    for block in range(asked.simulations // BLOCK):
        for cell in CELLS:
            if (*cell, block) in done or asked.studies not in (None, cell[1]):
                continue
            row = run_block(cell, block, BLOCK)
            fresh = not BLOCKS.exists()
            with BLOCKS.open("a", newline="", encoding="utf-8") as out:
                writer = csv.DictWriter(out, FIELDS)
                if fresh:
                    writer.writeheader()
                writer.writerow(row)
            write_table()
            shares = ", ".join(f"{name} {row[name]}" for name in COUNTS)
            print(*cell, f"block {block}:", shares, flush=True)


if __name__ == "__main__":
    main()
