"""Coverage of the slower pooling models: several effects a study, counts, few studies.

    python tests/calibration/pooling_models_coverage.py

Each repetition fits one model by itself, so repetitions are few and the Monte Carlo error
stands beside every share. Cells are written as soon as they are done; a stopped run goes on.
"""

import argparse
import csv
import datetime
import sys
import time
from pathlib import Path

import numpy as np

import metafreeze
from metafreeze.models.counts import pool_counts
from metafreeze.models.few_studies import pool_few
from metafreeze.models.three_level import pool_nested

HERE = Path(__file__).parent
REPETITIONS, SEED, LEVEL = 200, 20261125, 0.95
COLUMNS = (
    "model",
    "design",
    "interval",
    "coverage",
    "error",
    "width",
    "at_zero",
    "repetitions",
    "seed",
)
# Studies of one to four effects each.
EFFECTS = (1, 2, 3, 4)


def nested(rng, studies, between, within):
    """Fit one simulated table of several effects a study, true mean zero."""
    sizes = np.resize(EFFECTS, studies)
    study = np.repeat(np.arange(studies), sizes)
    v = np.geomspace(0.5, 2.0, study.size)
    u = np.repeat(rng.normal(0, between, studies), sizes) + rng.normal(0, within, study.size)
    fit = pool_nested(u + rng.normal(0, np.sqrt(v)), v, study)
    zero = fit.status == "boundary"
    return {
        "robust by study": (fit.low, fit.high, zero),
        "by the variance model": (fit.low_model, fit.high_model, zero),
    }


def counted(rng, clusters, mean, tau):
    """Fit counts of pairs and look whether the mean log odds are covered."""
    n = np.resize([6, 10, 16, 24], clusters)
    p = 1 / (1 + np.exp(-(mean + tau * rng.normal(size=clusters))))
    fit = pool_counts(rng.binomial(n, p), n)
    if np.isnan(fit.estimate):  # all or none: only a one-sided limit of the chance
        low, high = (
            (-np.inf, np.log(fit.chance_high / (1 - fit.chance_high)))
            if fit.events == 0
            else (np.log(fit.chance_low / (1 - fit.chance_low)), np.inf)
        )
        return {"profile likelihood": (low - mean, high - mean, True)}
    return {"profile likelihood": (fit.low - mean, fit.high - mean, fit.tau2 == 0)}


def few(rng, studies, tau, scale):
    """Fit few studies with a half-normal prior of the given scale, true mean zero."""
    v = np.geomspace(0.5, 2.0, studies)
    fit = pool_few(rng.normal(0, np.sqrt(v + tau**2)), v, tau_scale=scale)
    return {f"posterior, prior scale {scale:g}": (fit.low, fit.high, False)}


CELLS = [
    *((nested, (k, b, w)) for k in (5, 10) for b, w in ((0.0, 0.0), (1.0, 0.5), (2.0, 0.0))),
    *((counted, (k, m, t)) for k in (3, 6, 12) for m, t in ((-2.0, 0.0), (-1.0, 1.0))),
    *((few, (k, t, 1.0)) for k in (2, 3, 5) for t in (0.0, 0.5, 1.0, 2.0)),
]


def design(function, settings):
    names = {
        "nested": ("studies", "between", "within"),
        "counted": ("clusters", "mean", "tau"),
        "few": ("studies", "tau", "scale"),
    }[function.__name__]
    return ", ".join(f"{n} {s:g}" for n, s in zip(names, settings, strict=True))


def cell(function, settings, repetitions, seed):
    """Simulate one cell: one row an interval."""
    rng = np.random.default_rng([seed, CELLS.index((function, settings))])
    seen: dict[str, list[tuple[float, float, bool]]] = {}
    for _ in range(repetitions):
        for name, limits in function(rng, *settings).items():
            seen.setdefault(name, []).append(limits)
    rows = []
    for name, limits in seen.items():
        low, high, zero = (np.array(column) for column in zip(*limits, strict=True))
        share = float(np.mean((low <= 0) & (high >= 0)))
        width = (high - low)[np.isfinite(high - low)]
        rows.append(
            {
                "model": function.__name__,
                "design": design(function, settings),
                "interval": name,
                "coverage": f"{share:.4f}",
                "error": f"{(share * (1 - share) / repetitions) ** 0.5:.4f}",
                "width": f"{np.median(width):.4f}",
                "at_zero": f"{np.mean(zero):.4f}",
                "repetitions": repetitions,
                "seed": seed,
            }
        )
    return rows


def written(path):
    if not path.exists():
        return []
    with path.open(newline="", encoding="utf-8") as f:
        return list(csv.DictReader(f))


def run(path, repetitions, seed, cells):
    done = {
        (r["model"], r["design"])
        for r in written(path)
        if int(r["repetitions"]) == repetitions and int(r["seed"]) == seed
    }
    start, fresh = time.monotonic(), not path.exists()
    with path.open("a", newline="", encoding="utf-8") as f:
        writer = csv.DictWriter(f, COLUMNS, lineterminator="\n")
        if fresh:
            writer.writeheader()
        for function, settings in cells:
            if (function.__name__, design(function, settings)) in done:
                continue
            writer.writerows(cell(function, settings, repetitions, seed))
            f.flush()
            spent = time.monotonic() - start
            print(
                f"{function.__name__}, {design(function, settings)}: {spent:.0f} s", file=sys.stderr
            )
    return written(path)


def markdown(rows, repetitions, seed):
    today = datetime.datetime.now(tz=datetime.UTC).date().isoformat()
    lines = [
        "# Coverage of the slower pooling models",
        "",
        f"Nominal {LEVEL:.0%}; {repetitions} repetitions a cell, seed {seed}, metafreeze "
        f"{metafreeze.__version__}, {today}. Written by "
        "`python tests/calibration/pooling_models_coverage.py`.",
        "",
        "`nested`: several effects a study, sampling variances 0.5 to 2. `counted`: mean log odds "
        "of counts out of 6 to 24 pairs; where all or none were first, the one-sided limit counts. "
        "`few`: posterior interval with a half-normal prior on tau of scale 1; it is not promised "
        "to cover at every tau. Widths are medians.",
        "",
        "| model | design | interval | coverage | Monte Carlo error | width | at zero |",
        "|" + "---|" * 7,
    ]
    for r in rows:
        names = [r[c] for c in ("model", "design", "interval")]
        numbers = [f"{float(r[c]):.3f}" for c in ("coverage", "error", "width", "at_zero")]
        lines.append("| " + " | ".join(names + numbers) + " |")
    return "\n".join(lines) + "\n"


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--repetitions", type=int, default=REPETITIONS)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--out", type=Path, default=HERE / "pooling_models_coverage.csv")
    args = parser.parse_args()
    rows = run(args.out, args.repetitions, args.seed, CELLS)
    args.out.with_suffix(".md").write_text(
        markdown(rows, args.repetitions, args.seed), encoding="utf-8"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
