"""Random data sets over a grid, fitted by the engine, by statsmodels and by the dense twin.

    python -m oracles.mixed_random_sets 1000 --out thousand.md     (from the folder tests)

prints how often each comparison was possible and the largest excess of our criterion.
"""

import argparse
import time
import warnings
from itertools import product
from pathlib import Path

import numpy as np
from oracles.mixed_dense import DenseModel

from metafreeze import mixed_model

STUDIES = (2, 3, 5, 12, 40, 200)
SPREADS = (0.0, 0.05, 1.0, 50.0)
SCALES = (1e-6, 1.0, 1e6)
# What the criterion may differ by for rounding and for where the other search stopped.
CRITERION_SLACK = 1e-6


def draw(number):
    """Give data set `number` of the grid, with what was drawn."""
    rng = np.random.default_rng([2024, number])
    grid = list(product(STUDIES, SPREADS, SCALES, (True, False), ("level", "slope")))
    S, tau, scale, balanced, kind = grid[number % len(grid)]
    x_scale = float(rng.choice([1e-3, 1.0, 1e3]))
    least = 5 if kind == "slope" else 3
    sizes = np.full(S, 8) if balanced else rng.integers(least, 16, S)
    if S == 200:
        sizes = np.minimum(sizes, 8)
    study = np.repeat(np.arange(S), sizes)
    n = len(study)
    with_batch = bool(rng.random() < 0.4)
    per = rng.integers(2, 4)
    place = np.concatenate([np.arange(k) for k in sizes])
    batch = place // per
    x = np.where(place % 2 == 0, 0.0, 1.0) + rng.normal(0, 0.3, n)
    u = tau * rng.normal(size=(S, 2)) @ np.array([[1.0, 0.3], [0.0, 0.7]])
    w = rng.choice([0.0, 0.3, 2.0]) * rng.normal(size=(S, 16))
    y = 3 + 0.4 * x + u[study, 0] + rng.normal(size=n)
    if kind == "slope":
        y = y + u[study, 1] * x
    if with_batch:
        y = y + w[study, batch]
    if rng.random() < 0.3:
        y = y + 50 * rng.normal()
    X = np.column_stack([np.ones(n), x * x_scale])
    Z = X if kind == "slope" else X[:, :1]
    return {
        "y": y * scale,
        "X": X,
        "study": study,
        "Z": Z,
        "batch": batch if with_batch else None,
        "what": (S, tau, scale, balanced, kind, with_batch, x_scale),
        "scale": scale,
        "z_scale": np.array([1.0, x_scale])[: Z.shape[1]],
    }


def draw_kinds(number):
    """Give a small data set that mixes runs, summaries, known variances and reading errors."""
    rng = np.random.default_rng([7, number])
    studies = int(rng.choice([2, 3, 5, 8, 15]))
    sizes = rng.integers(2, 12, studies)
    study = np.repeat(np.arange(studies), sizes)
    n = len(study)
    place = np.concatenate([np.arange(k) for k in sizes])
    x = place % 3 + 0.3 * rng.normal(size=n)
    u = rng.choice([0.0, 0.1, 1.0, 30.0]) * rng.normal(size=(studies, 2))
    scale = float(rng.choice([1e-3, 1.0, 1e4]))
    slope = bool(rng.random() < 0.5)
    y = 1 + u[study, 0] + 0.3 * x + (u[study, 1] * x if slope else 0.0)
    known = added = count = spread = None
    v = np.ones(n)
    if rng.random() < 0.6:
        known = np.where(rng.random(n) < 0.4, rng.uniform(0.1, 4, n), np.nan)
    if rng.random() < 0.4:
        count = np.where(rng.random(n) < 0.4, rng.integers(2, 9, n), 1).astype(float)
        count = count if known is None else np.where(np.isnan(known), count, 1.0)
        df = np.maximum(count - 1, 1)
        spread = np.where(count > 1, np.sqrt(rng.chisquare(df) / df), np.nan) * scale
        v = 1 / count
    if rng.random() < 0.5:
        added = np.where(rng.random(n) < 0.5, rng.uniform(0.1, 4, n), 0.0)
        v = v + added
    if known is not None:
        v = np.where(np.isnan(known), v, known)
    batch = place // 2 if rng.random() < 0.5 else None
    if batch is not None:
        y = y + rng.choice([0.0, 1.5]) * rng.normal(size=(studies, 8))[study, batch]
    X = np.column_stack([np.ones(n), x])
    return {
        "y": (y + np.sqrt(v) * rng.normal(size=n)) * scale,
        "X": X,
        "study": study,
        "Z": X if slope else X[:, :1],
        "batch": batch,
        "known_variance": None if known is None else known * scale**2,
        "added_variance": None if added is None else added * scale**2,
        "count": count,
        "spread": spread,
        "what": (studies, n, slope, batch is not None),
        "scale": scale,
        "z_scale": np.ones(2 if slope else 1),
    }


GIVEN = ("known_variance", "added_variance", "count", "spread")


def our_fit(data):
    """Fit with warnings as errors; an exception is a finding."""
    given = {name: data[name] for name in GIVEN if name in data}
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        return mixed_model(
            data["y"], data["X"], data["study"], varying=data["Z"], batch=data["batch"], **given
        )


def dense_best(data, *, starts=20):
    """Best criterion of the dense twin."""
    twin = DenseModel.of(
        data["y"],
        data["X"],
        data["study"],
        Z=data["Z"],
        batch=data["batch"],
        known=data.get("known_variance"),
        added=data.get("added_variance"),
        count=data.get("count"),
        spread=data.get("spread"),
    )
    return twin.minimise(
        with_batch=data["batch"] is not None,
        scale=data["scale"],
        z_scale=data["z_scale"],
        starts=starts,
    )


def general_engine(data):
    """Criterion of statsmodels, NaN where it gives none or one that is not finite."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            model = MixedLM(data["y"], data["X"], groups=data["study"], exog_re=data["Z"])
            criterion = -2.0 * float(model.fit(reml=True).llf)
            return criterion if np.isfinite(criterion) else np.nan
        except (np.linalg.LinAlgError, ValueError):
            return np.nan


def is_settled(fit):
    """Whether a fit ends in a status word with finite numbers or a reason."""
    if fit.status in ("ok", "boundary"):
        table = fit.coefficients.to_numpy()
        return bool(np.isfinite(table).all() and np.isfinite(fit.criterion))
    return bool(fit.note)


def main():
    """Run the comparison and write the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("sets", type=int)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--out", default="")
    parser.add_argument("--starts", type=int, default=20)
    options = parser.parse_args()
    rows, statuses = [], {}
    begin = time.perf_counter()
    for number in range(options.first, options.first + options.sets):
        data = draw(number)
        fit = our_fit(data)
        statuses[fit.status] = statuses.get(fit.status, 0) + 1
        settled = is_settled(fit)
        dense = other = np.nan
        if fit.status in ("ok", "boundary"):
            dense = fit.criterion - dense_best(data, starts=options.starts)
            if data["batch"] is None:
                other = fit.criterion - general_engine(data)
        rows.append((number, fit.status, settled, dense, other))
        if not settled or dense > CRITERION_SLACK or other > CRITERION_SLACK:
            print("look at", number, data["what"], fit.status, dense, other, fit.note, flush=True)
    d = np.array([r[3] for r in rows], dtype=float)
    o = np.array([r[4] for r in rows], dtype=float)
    lines = [
        f"data sets: {len(rows)}, first {options.first}; "
        f"seconds: {time.perf_counter() - begin:.0f}",
        f"statuses: {statuses}; all settled: {all(r[2] for r in rows)}",
        f"dense twin, {options.starts} starts: {int(np.isfinite(d).sum())} compared, largest "
        f"excess of ours {np.nanmax(d):.2e}, ours lower by more than {CRITERION_SLACK:g} in "
        f"{int((d < -CRITERION_SLACK).sum())}",
    ]
    if np.isfinite(o).any():
        lines.append(
            f"statsmodels: {int(np.isfinite(o).sum())} compared, largest excess of ours "
            f"{np.nanmax(o):.2e}, ours lower by more than {CRITERION_SLACK:g} in "
            f"{int((o < -CRITERION_SLACK).sum())}"
        )
    print("\n".join(lines))
    if options.out:
        text = "\n".join(f"- {line}" for line in lines) + "\n"
        Path(options.out).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
