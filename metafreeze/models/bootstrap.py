"""Parametric bootstrap of a mixed fit: simulate from it, fit again, read the intervals off."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from metafreeze.errors import InputError, NotEstimableError
from metafreeze.models.many_fits import ManyFits, fit_many_checked
from metafreeze.models.mixed_input import CheckedInput, row_variances
from metafreeze.models.mixed_result import MixedFit
from metafreeze.results import RESULT, FloatArray, Result, round_for_people

BOOTSTRAP_COLUMNS = ("quantity", "term", "estimate", "low", "high", "p")
LEAST_DRAWS = 99


@dataclass(**RESULT)
class BootstrapIntervals(Result):
    """Intervals by parametric bootstrap.

    Parameters
    ----------
    table : DataFrame
        quantity (coefficient, sd), term, estimate, low, high, and for coefficients p.
        Coefficients by bootstrap-t: the simulated law of (estimate - truth) / se stands for
        the t law. Standard deviations by percentiles of their simulated values.
    draws, settled : int
        Simulated data sets, and those whose fit settled; only they count.
    at_boundary : float
        Share of them with a spread at zero.
    seed : int
    level : float
    """

    table: pd.DataFrame
    draws: int
    settled: int
    at_boundary: float
    seed: int
    level: float

    def to_frame(self) -> pd.DataFrame:
        """Give one row an interval."""
        return self.table.copy()

    def headline(self) -> str:
        """Say the last coefficient's interval and the number of draws."""
        own = self.table[self.table["quantity"] == "coefficient"].iloc[-1]
        low, high = round_for_people(float(own["low"])), round_for_people(float(own["high"]))
        return (
            f"{own['term']} {round_for_people(float(own['estimate']))} ({low} to {high}), "
            f"{self.settled} of {self.draws} simulated data sets fitted, seed {self.seed}"
        )


def bootstrap_mixed(
    fit: MixedFit, *, draws: int = 999, level: float = 0.95, seed: int = 0
) -> BootstrapIntervals:
    """Simulate data sets from a fit, fit them all, and give intervals from their spread.

    Use it where few studies make the small-sample methods doubtful. It trusts the fitted
    model: normal random parts, the variances found.

    Parameters
    ----------
    fit : MixedFit
    draws : int
        Simulated data sets, at least 99.
    level : float
    seed : int

    Returns
    -------
    BootstrapIntervals

    Raises
    ------
    InputError
        Too few draws.
    NotEstimableError
        The fit has no estimate, or so many rows that they were not kept.

    Source
    ------
    Efron, B. & Tibshirani, R. J. (1993), An Introduction to the Bootstrap, Chapman & Hall,
    ch. 12 (bootstrap-t); Davison, A. C. & Hinkley, D. V. (1997), Bootstrap Methods and their
    Application, Cambridge, section 4.2 (p-value).
    """
    if draws < LEAST_DRAWS:
        raise InputError(f"draws is {draws}. Give at least {LEAST_DRAWS}.")
    if not 0.0 < level < 1.0:
        raise InputError(f"level is {level}. Give a number between 0 and 1, such as 0.95.")
    state = fit.state
    if state is None:
        raise NotEstimableError(f"There is no fit to simulate from: {fit.note}")
    if state.rows is None:
        raise NotEstimableError(
            f"{fit.rows} rows are too many to be kept with a fit. With so many the small-sample "
            "methods need no bootstrap."
        )
    rng = np.random.default_rng(seed)
    drawn = simulate_rows(fit, state.rows, draws, rng)
    many = fit_many_checked(
        _with_observed(drawn, state.rows),
        residual=fit.residual,
        likelihood=fit.likelihood,
        correlated=state.shape.correlated,
    )
    return _read(fit, many, draws, level, seed)


def simulate_rows(
    fit: MixedFit, rows: CheckedInput, draws: int, rng: np.random.Generator
) -> CheckedInput:
    """Draw outcomes from a fit, one column a data set.

    Parameters
    ----------
    fit : MixedFit
    rows : CheckedInput
        Its rows.
    draws : int
    rng : Generator

    Returns
    -------
    CheckedInput
        With the outcomes, and the spreads of summaries, replaced; random parts that the fit
        dropped are left out.
    """
    state = fit.state
    assert state is not None
    n = rows.study.codes.size
    keep = [rows.varying_names.index(name) for name in state.varying_names]
    mean = rows.fixed @ fit.coefficients["estimate"].to_numpy()
    y = np.repeat(mean[:, None], draws, axis=1)
    if keep:
        root = _root(fit.random_covariance)
        u = rng.normal(size=(rows.study.count, draws, len(keep))) @ root.T
        y += np.einsum("nk,ndk->nd", rows.varying[:, keep], u[rows.study.codes])
    parts = fit.random_parts
    for name, part in (("batch", rows.batch), ("specimen", rows.specimen)):
        own = parts.loc[(parts["level"] == name) & parts["sd"].notna(), "sd"]
        if part is None or own.empty:
            continue
        codes, count, real = part
        w = float(own.to_numpy()[0]) * rng.normal(size=(count, draws))
        y += np.where(real[:, None], w[codes], 0.0)
    spread = rows.spread
    if rows.count is not None:
        variance = np.nan_to_num(fit.residual_sds[rows.study.codes] ** 2)
        df = np.maximum(rows.count - 1.0, 0.0)
        safe = np.where(df > 0, df, 1.0)[:, None]
        drawn = np.sqrt(variance[:, None] * rng.chisquare(safe, size=(n, draws)) / safe)
        spread = np.where(df[:, None] > 0, drawn, np.nan)
    spare = np.sqrt(row_variances(rows, fit.residual_sds))
    y += spare[:, None] * rng.normal(size=(n, draws))
    wanted = set(state.shape.levels) | (
        {state.products.crossed_name} if state.shape.crossed else set()
    )
    return replace(
        rows,
        outcome=y,
        spread=spread,
        varying=rows.varying[:, keep],
        varying_names=state.varying_names,
        varies=rows.varies[keep],
        batch=rows.batch if "batch" in wanted else None,
        specimen=rows.specimen if "specimen" in wanted else None,
    )


def _with_observed(drawn: CheckedInput, rows: CheckedInput) -> CheckedInput:
    """Put the observed outcome first, so that it is fitted just like the simulated ones."""
    spread = drawn.spread
    if spread is not None and rows.spread is not None:
        spread = np.column_stack([rows.spread, spread])
    return replace(drawn, outcome=np.column_stack([rows.outcome, drawn.outcome]), spread=spread)


def _root(covariance: FloatArray) -> FloatArray:
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


def _read(fit: MixedFit, many: ManyFits, draws: int, level: float, seed: int) -> BootstrapIntervals:
    good = many.settled & np.isfinite(many.se).all(axis=1)
    good[0] = False
    if good.sum() < LEAST_DRAWS:
        raise NotEstimableError(
            f"Only {int(good.sum())} of {draws} simulated data sets could be fitted. {many.note}"
        )
    tails = [0.5 - level / 2.0, 0.5 + level / 2.0]
    estimate, se = many.estimate[0], many.se[0]
    t = (many.estimate[good] - fit.coefficients["estimate"].to_numpy()) / many.se[good]
    below, above = np.quantile(t, tails, axis=0)
    rows: list[tuple[str, str, float, float, float, float]] = []
    for j, name in enumerate(many.names):
        beyond = int((np.abs(t[:, j]) >= abs(estimate[j] / se[j])).sum())
        p = (1.0 + beyond) / (1.0 + t.shape[0])
        low, high = estimate[j] - above[j] * se[j], estimate[j] - below[j] * se[j]
        rows.append(("coefficient", name, float(estimate[j]), float(low), float(high), p))
    ends = np.quantile(many.spread[good], tails, axis=0)
    for k, name in enumerate(many.parts):
        found = float(many.spread[0, k])
        rows.append(("sd", name, found, float(ends[0, k]), float(ends[1, k]), float("nan")))
    return BootstrapIntervals(
        table=pd.DataFrame(rows, columns=list(BOOTSTRAP_COLUMNS)),
        draws=draws,
        settled=int(good.sum()),
        at_boundary=float(many.boundary[good].mean()),
        seed=seed,
        level=level,
    )
