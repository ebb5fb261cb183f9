"""Coverage of pooled intervals and of the range for a new study, over a grid.

    python tests/calibration/pooling_coverage.py

Studies k = 3 to 40, disagreement from zero to three typical standard errors, normal and
heavy-tailed true effects, sampling variances equal, unequal, very unequal, and estimated from
few runs. Every cell is written as soon as it is done, so a stopped run goes on where it was.
The table beside this file holds the numbers that the README quotes.
"""

import argparse
import csv
import datetime
import sys
import time
from itertools import product
from pathlib import Path

import numpy as np
from scipy import stats

import metafreeze
from metafreeze.models.heavy_tails import new_study_factor
from metafreeze.models.many_pools import pool_many

HERE = Path(__file__).parent
STUDIES = (3, 5, 10, 20, 40)
# Standard deviation of true effects, in typical standard errors.
DISAGREEMENT = (0.0, 0.5, 1.0, 2.0, 3.0)
SHAPES = ("normal", "heavy-tailed")
# Largest over smallest sampling variance of a design; the geometric mean is 1, the studies are
# spaced evenly on a logarithmic scale.
VARIANCES = {
    "equal": 1.0,
    "unequal": 4.0,
    "very unequal": 16.0,
    "estimated": 4.0,
    "barely estimated": 4.0,
}
SPREADS = ("restricted-likelihood", "paule-mandel", "dersimonian-laird")
REPETITIONS, SEED = 20_000, 20261125
LEVEL = 0.95
# Degrees of freedom behind an estimated variance: a dozen runs in two arms, or three an arm.
ESTIMATED_DF = {"estimated": 10, "barely estimated": 4}
# A t distribution on 3 df has variance 3; heavy tails, and a variance to scale by.
TAIL_DF = 3
# The range for a new study that allows for them.
TAILS = "heavy-tailed"
COLUMNS = (
    "variances",
    "shape",
    "k",
    "tau",
    "spread",
    "hartung_knapp",
    "floored",
    "plain",
    "width_hartung_knapp",
    "width_floored",
    "width_plain",
    "new_study",
    "new_study_wide",
    "widened_by",
    "tau2_bias",
    "at_zero",
    "repetitions",
    "seed",
    "version",
)
# What must hold. A share of 20 000 has a Monte Carlo error of 0.0015 at 0.95.
NEAR = (0.935, 0.965)
VISIBLY_LOW = 0.92
NEW_STUDY = 0.93


def true_effects(rng, shape, tau, size):
    if shape == "normal":
        return tau * rng.normal(size=size)
    return tau * rng.standard_t(TAIL_DF, size=size) / np.sqrt(TAIL_DF / (TAIL_DF - 2))


def cell(variances, shape, k, tau, repetitions, seed):
    """Simulate one cell and give one row a rule for the spread."""
    key = [list(VARIANCES).index(variances), SHAPES.index(shape), k, round(100 * tau)]
    rng = np.random.default_rng([seed, *key])
    reach = VARIANCES[variances] ** 0.5
    v = np.geomspace(1 / reach, reach, k)
    theta = true_effects(rng, shape, tau, (repetitions, k))
    y = theta + np.sqrt(v) * rng.normal(size=(repetitions, k))
    seen = np.broadcast_to(v, y.shape)
    if variances in ESTIMATED_DF:
        df = ESTIMATED_DF[variances]
        seen = v * rng.chisquare(df, size=y.shape) / df
    new = true_effects(rng, shape, tau, repetitions)
    return [summary(variances, shape, k, tau, s, y, seen, new, seed) for s in SPREADS]


def summary(variances, shape, k, tau, spread, y, seen, new, seed):
    fit = pool_many(y, seen, spread=spread, interval="hartung-knapp", intervals=True)
    t, z = stats.t.isf((1 - LEVEL) / 2, k - 1), stats.norm.isf((1 - LEVEL) / 2)
    halves = {
        "hartung_knapp": t * fit.se,
        "floored": t * np.maximum(fit.se, fit.se_plain),
        "plain": z * fit.se_plain,
    }
    row = {name: np.mean(np.abs(fit.estimate) <= half) for name, half in halves.items()}
    row |= {f"width_{name}": np.mean(2 * half) for name, half in halves.items()}
    held = (fit.prediction_low <= new) & (new <= fit.prediction_high)
    usual, wide = (new_study_factor(y.shape[1], tails, LEVEL) for tails in ("normal", TAILS))
    half = (fit.prediction_high - fit.prediction_low) / 2 * wide / usual
    return row | {
        "variances": variances,
        "shape": shape,
        "k": k,
        "tau": tau,
        "spread": spread,
        "new_study": np.mean(held),
        "new_study_wide": np.mean(np.abs(new - fit.estimate) <= half),
        "widened_by": wide / usual,
        "tau2_bias": np.mean(fit.tau2) - tau**2,
        "at_zero": np.mean(fit.boundary),
        "repetitions": y.shape[0],
        "seed": seed,
        "version": metafreeze.__version__,
    }


def written(path):
    if not path.exists():
        return []
    with path.open(newline="", encoding="utf-8") as f:
        return list(csv.DictReader(f))


def same_run(row, cell_key, repetitions, seed):
    variances, shape, k, tau = cell_key
    return (
        row["variances"] == variances
        and row["shape"] == shape
        and int(row["k"]) == k
        and float(row["tau"]) == tau
        and int(row["repetitions"]) == repetitions
        and int(row["seed"]) == seed
    )


def run(path, repetitions, seed):
    done = written(path)
    cells = list(product(VARIANCES, SHAPES, STUDIES, DISAGREEMENT))
    start = time.monotonic()
    with path.open("a", newline="", encoding="utf-8") as f:
        writer = csv.DictWriter(f, COLUMNS, lineterminator="\n")
        if not done:
            writer.writeheader()
        for number, key in enumerate(cells, start=1):
            if any(same_run(row, key, repetitions, seed) for row in done):
                continue
            for row in cell(*key, repetitions, seed):
                writer.writerow(
                    {c: f"{v:.5f}" if isinstance(v := row[c], float) else v for c in COLUMNS}
                )
            f.flush()
            spent = time.monotonic() - start
            print(f"cell {number} of {len(cells)}, {spent:.0f} s", file=sys.stderr)
    return [r for r in written(path) if int(r["repetitions"]) == repetitions]


def findings(rows):
    """Say what was asked for and whether it is met, then what else was seen (None)."""

    def pick(column, **where):
        return np.array(
            [
                float(r[column])
                for r in rows
                if all((r[c] in v) if isinstance(v, tuple) else r[c] == v for c, v in where.items())
            ]
        )

    main = {"spread": SPREADS[0], "variances": ("equal", "unequal")}
    some, wide = tuple(map(str, STUDIES[1:])), ("2.00000", "3.00000")
    hk = pick("hartung_knapp", shape="normal", **main)
    heavy = pick("hartung_knapp", shape="heavy-tailed", **main)
    low = pick("plain", shape="normal", k=("3", "5"), tau=wide, **main)
    new = pick("new_study", shape="normal", k=some, tau="3.00000", **main)
    tails = pick("new_study", shape="heavy-tailed", k=some, tau="3.00000", **main)
    wide_tails = pick("new_study_wide", shape="heavy-tailed", k=some, tau="3.00000", **main)
    wide_new = pick("new_study_wide", shape="normal", k=some, tau="3.00000", **main)
    by = pick("widened_by", k=some, **main)
    hard = {"spread": SPREADS[0], "shape": "normal", "variances": "very unequal"}

    def span(values):
        return f"{values.min():.3f} to {values.max():.3f}"

    return [
        (f"Hartung-Knapp, normal effects: {span(hk)}", NEAR[0] <= hk.min() and hk.max() <= NEAR[1]),
        (f"plain interval, k = 3 and 5, tau of 2 and 3: {span(low)}", low.max() <= VISIBLY_LOW),
        (
            f"range for a new study, normal effects, k from 5, tau of 3: {span(new)}",
            new.min() >= NEW_STUDY,
        ),
        (f"Hartung-Knapp, heavy-tailed effects: {span(heavy)}", None),
        (
            "range for a new study that allows for heavy tails, heavy-tailed effects, k from 5, "
            f"tau of 3: {span(wide_tails)}",
            wide_tails.min() >= NEW_STUDY,
        ),
        (
            f"the same, normal effects: {span(wide_new)}",
            wide_new.min() >= NEW_STUDY,
        ),
        (f"it is wider than the usual one by a factor of {span(by)}", None),
        (
            "the usual range for a new study, heavy-tailed effects, k from 5, tau of 3: "
            f"{span(tails)}",
            None,
        ),
        (
            f"very unequal variances: Hartung-Knapp {span(pick('hartung_knapp', **hard))}, floored "
            f"{span(pick('floored', **hard))}",
            None,
        ),
        *(
            (
                f"variances estimated from {df} degrees of freedom: Hartung-Knapp "
                f"{span(pick('hartung_knapp', **hard | {'variances': name}))}, floored "
                f"{span(pick('floored', **hard | {'variances': name}))}",
                None,
            )
            for name, df in ESTIMATED_DF.items()
        ),
    ]


VERDICT = {True: "met", False: "NOT met", None: "measured"}


def markdown(rows, repetitions, seed):
    """Write the table for readers: restricted likelihood in full, the others in the CSV."""
    today = datetime.datetime.now(tz=datetime.UTC).date().isoformat()
    lines = [
        "# Coverage of pooled intervals",
        "",
        f"Nominal {LEVEL:.0%}; {repetitions} repetitions a cell (Monte Carlo error "
        f"{(LEVEL * (1 - LEVEL) / repetitions) ** 0.5:.4f}), seed {seed}, metafreeze "
        f"{metafreeze.__version__}, {today}. Written by "
        "`python tests/calibration/pooling_coverage.py`; Paule-Mandel and DerSimonian-Laird stand "
        "in the CSV file beside it.",
        "",
        "`tau` is the standard deviation of true effects in typical standard errors. Largest over "
        "smallest sampling variance: 1 (equal), 4 (unequal), 16 (very unequal); 4 where it is "
        f"estimated, from {ESTIMATED_DF['estimated']} or (barely) "
        f"{ESTIMATED_DF['barely estimated']} degrees of freedom. Heavy-tailed effects are t on "
        f"{TAIL_DF} degrees of freedom. `at zero` is the share of pools whose tau² was estimated "
        "at zero: there a "
        "correct interval covers too often. Widths are means. `new study` is the range of `pool`, "
        '`wide` the one with `new_study="heavy-tailed"`.',
        "",
    ]
    lines += [
        f"- {sentence}: {VERDICT[None if met is None else bool(met)]}."
        for sentence, met in findings(rows)
    ]
    head = (
        "| variances | effects | k | tau | Hartung-Knapp | floored | plain | width HK | "
        "width floored | width plain | new study | new study, wide | at zero |"
    )
    lines += ["", head, "|" + "---|" * 13]
    for r in rows:
        if r["spread"] != SPREADS[0]:
            continue
        numbers = [
            *(f"{float(r[c]):.3f}" for c in ("hartung_knapp", "floored", "plain")),
            *(
                f"{float(r[c]):.2f}"
                for c in ("width_hartung_knapp", "width_floored", "width_plain")
            ),
            *(f"{float(r[c]):.3f}" for c in ("new_study", "new_study_wide", "at_zero")),
        ]
        name = [r["variances"], r["shape"], r["k"], f"{float(r['tau']):g}"]
        lines.append("| " + " | ".join(name + numbers) + " |")
    return "\n".join(lines) + "\n"


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--repetitions", type=int, default=REPETITIONS)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--out", type=Path, default=HERE / "pooling_coverage.csv")
    args = parser.parse_args()
    rows = run(args.out, args.repetitions, args.seed)
    table = args.out.with_suffix(".md")
    table.write_text(markdown(rows, args.repetitions, args.seed), encoding="utf-8")
    met = True
    for sentence, good in findings(rows):
        good = good if good is None else bool(good)
        print(f"{VERDICT[good]}: {sentence}")
        met &= good is not False
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
