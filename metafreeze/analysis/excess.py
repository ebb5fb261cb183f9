"""The effect beyond ordinary physics, the baseline's own uncertainty included."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from metafreeze.analysis.expected import LEAST_DRAWS, expected_times
from metafreeze.analysis.expected_pair import ExpectedEffect, expected_effect
from metafreeze.analysis.mixed_fits import FitRequest, MixedRowsFit, fit_arrays, fit_mixed
from metafreeze.analysis.mixed_rows import INTERCEPT, WITHIN, MixedArrays
from metafreeze.analysis.run_parameters import Known
from metafreeze.errors import InputError
from metafreeze.models.cut_normal import between_bounds
from metafreeze.models.mixed_result import MixedFit
from metafreeze.models.unseen_result import UnseenTimesFit
from metafreeze.options import (
    BaselineRefit,
    Endpoint,
    Inference,
    Residual,
    Status,
    UnseenRows,
    require_choice,
)
from metafreeze.results import RESULT, FloatArray, Result

KELVIN_PER_UNIT = 10.0
NAN = float("nan")

FRAME_COLUMNS = (
    "effect",
    "estimate",
    "se",
    "df",
    "low",
    "high",
    "p",
    "se_within",
    "se_baseline",
    "se_shared",
    "status",
)

# Fewer fits than this share of the draws: the baseline's variance is not to be believed.
_LEAST_SHARE = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CombinedDraws:
    """An estimate over draws of what it rests on.

    Parameters
    ----------
    estimate, se, df : float
    within, between : float
        Mean variance inside a draw, and variance between draws (Monte Carlo factor included).
    """

    estimate: float
    se: float
    df: float
    within: float
    between: float


def combine_draws(
    estimates: npt.ArrayLike, variances: npt.ArrayLike, *, df: npt.ArrayLike = np.inf
) -> CombinedDraws:
    """Add the variance between draws of the baseline to the variance inside a draw.

    Parameters
    ----------
    estimates, variances : array-like, shape (D,)
        Estimate and its squared standard error at each draw.
    df : array-like
        Degrees of freedom behind the variances.

    Returns
    -------
    CombinedDraws

    Raises
    ------
    InputError
        Fewer than two draws, or a variance below zero.

    Source
    ------
    Variance: Rubin DB (1987) Multiple Imputation for Nonresponse in Surveys, section 3.1,
    mean within plus (1 + 1/D) between. Degrees of freedom: Satterthwaite (1946),
    doi:10.2307/3002019, for the sum of the two, since the baseline is drawn from what is known
    of it and not from the data.
    """
    e = np.asarray(estimates, dtype=np.float64)
    v = np.asarray(variances, dtype=np.float64)
    if e.ndim != 1 or e.size < 2 or v.shape != e.shape or np.any(v < 0.0):
        raise InputError(
            f"estimates and variances have shapes {e.shape} and {v.shape}. Give at least two draws "
            "of each, no variance below zero."
        )
    within = float(v.mean())
    between = float((1.0 + 1.0 / e.size) * e.var(ddof=1))
    inner = float(np.mean(1.0 / np.broadcast_to(np.asarray(df, dtype=np.float64), e.shape)))
    total = within + between
    small = within**2 * inner + between**2 / (e.size - 1)
    return CombinedDraws(
        estimate=float(e.mean()),
        se=float(np.sqrt(total)),
        df=float(total**2 / small) if small > 0.0 else np.inf,
        within=within,
        between=between,
    )


@dataclass(**RESULT)
class ExcessSlope(Result):
    """How much the start temperature does beyond cooling, evaporation and latent heat.

    Parameters
    ----------
    slope_per_10k, slope_se, slope_df, slope_low, slope_high, slope_p : float
        Change of ln(observed/expected time) for a start 10 K hotter; below zero is sooner than
        physics. The interval includes the baseline's uncertainty.
    se_within, se_baseline, se_shared : float
        Its parts: rows and labs at a given baseline; the baseline; of that the part that all
        studies share, which more studies do not average out.
    pair_cold_c, pair_hot_c : float
        The named pair, NaN without one.
    excess_at_pair, excess_low, excess_high : float
        Log ratio beyond physics at the pair.
    baseline_at_pair, baseline_low, baseline_high : float
        What physics expects at the pair.
    total_at_pair, total_se, total_df, total_low, total_high : float
        Baseline plus excess: the log ratio to be expected of the pair, physics curved.
    fit : MixedRowsFit
        The fit at the centre of the parameters.
    draw_slopes : array, shape (D,)
        Excess slope at each draw; NaN where the fit failed.
    draws, draws_failed : int
    level : float
    endpoint, scope : str
    status, note : str
    """

    slope_per_10k: float
    slope_se: float
    slope_df: float
    slope_low: float
    slope_high: float
    slope_p: float
    se_within: float
    se_baseline: float
    se_shared: float
    pair_cold_c: float
    pair_hot_c: float
    excess_at_pair: float
    excess_low: float
    excess_high: float
    baseline_at_pair: float
    baseline_low: float
    baseline_high: float
    total_at_pair: float
    total_se: float
    total_df: float
    total_low: float
    total_high: float
    fit: MixedRowsFit
    draw_slopes: FloatArray
    draws: int
    draws_failed: int
    level: float
    endpoint: str
    scope: str
    status: Status
    note: str

    def to_frame(self) -> pd.DataFrame:
        """Give the excess slope and, with a pair, excess, baseline and total at the pair."""
        rows: list[tuple[Any, ...]] = [
            (
                "excess slope per 10 K",
                self.slope_per_10k,
                self.slope_se,
                self.slope_df,
                self.slope_low,
                self.slope_high,
                self.slope_p,
                self.se_within,
                self.se_baseline,
                self.se_shared,
            )
        ]
        if np.isfinite(self.pair_hot_c):
            gap = (self.pair_hot_c - self.pair_cold_c) / KELVIN_PER_UNIT
            rows += [
                (
                    "excess log ratio at the pair",
                    self.excess_at_pair,
                    gap * self.slope_se,
                    self.slope_df,
                    self.excess_low,
                    self.excess_high,
                    self.slope_p,
                    gap * self.se_within,
                    gap * self.se_baseline,
                    gap * self.se_shared,
                ),
                (
                    "expected log ratio at the pair",
                    self.baseline_at_pair,
                    NAN,
                    NAN,
                    self.baseline_low,
                    self.baseline_high,
                    NAN,
                    NAN,
                    NAN,
                    NAN,
                ),
                (
                    "total log ratio at the pair",
                    self.total_at_pair,
                    self.total_se,
                    self.total_df,
                    self.total_low,
                    self.total_high,
                    NAN,
                    NAN,
                    NAN,
                    NAN,
                ),
            ]
        return pd.DataFrame([(*row, self.status) for row in rows], columns=list(FRAME_COLUMNS))

    def headline(self) -> str:
        """Say the excess in percent for a start 10 K hotter, with its interval, in one line."""
        if not np.isfinite(self.slope_per_10k):
            return f"beyond ordinary physics: {self.status}; {self.note}"
        return (
            f"beyond ordinary physics a start 10 K hotter takes {_percent(self.slope_per_10k)} "
            f"({_percent(self.slope_low)} to {_percent(self.slope_high)}); {self.endpoint}, "
            f"{self.scope}, {self.draws} draws of the baseline"
        )


def _percent(log_ratio: float) -> str:
    return f"{100.0 * np.expm1(log_ratio):+.1f} %".replace("-", "−")


def excess_slope(
    rows: pd.DataFrame,
    *,
    endpoint: Endpoint,
    pair: tuple[float, float] | None = None,
    design: Sequence[str] = (),
    draws: int = LEAST_DRAWS,
    seed: int = 1,
    known: Known | None = None,
    fit_cold_arm: bool = True,
    refit: BaselineRefit = "slopes",
    residual: Residual = "common",
    inference: Inference = "kenward-roger",
    unseen: UnseenRows = "leave-out",
    level: float = 0.95,
    threshold_c: float | None = None,
    residual_endpoint: Endpoint | None = None,
    unstated_bars: str | None = None,
) -> ExcessSlope:
    """Estimate what the start temperature does beyond ordinary physics.

    The expected log time of every row enters the mixed model as an offset. The parameters
    behind it are drawn many times, the model is fitted again at each draw, and the variance
    between draws is added to the variance inside them.

    When to use it: whenever "hotter first" is claimed. What it assumes: the lumped physics of
    `expected_times`; unknowns are independent between studies except those of the model itself.

    Parameters
    ----------
    rows : DataFrame
        Rows of the register's schema.
    endpoint : str
        One endpoint.
    pair : tuple of two floats, optional
        A cold and a hot start temperature, °C.
    design : sequence of str
        Design covariates, as in `fit_mixed`.
    draws, seed, known, fit_cold_arm
        As in `expected_times`.
    refit : {"slopes", "everything"}
        What is fitted again at every draw: the slopes at the variances of the central fit
        (generalised least squares, fast), or the variances as well. With residual variances per
        study it is always everything.
    residual, inference, unseen, level, threshold_c, residual_endpoint, unstated_bars
        As in `fit_mixed`.

    Returns
    -------
    ExcessSlope

    Raises
    ------
    InputError
        An unknown option, or no row that can be fitted.

    Source
    ------
    Offset and combination: `combine_draws`. Calibration: tests/calibration/excess_coverage.md.
    """
    require_choice(refit, BaselineRefit, name="refit")
    frame = _own_rows(rows, endpoint, threshold_c)
    expected = expected_times(frame, draws=draws, seed=seed, known=known, fit_cold_arm=fit_cold_arm)
    central = fit_mixed(
        frame,
        endpoint=endpoint,
        design=design,
        pair=pair,
        offset=expected.ln_time,
        residual=residual,
        inference=inference,
        unseen=unseen,
        level=level,
        threshold_c=threshold_c,
        residual_endpoint=residual_endpoint,
        unstated_bars=unstated_bars,
        second_engine=False,
    )
    place = np.array([int(label) for label in central.arrays.label], dtype=np.intp)
    request = FitRequest(residual=residual, inference=inference, level=level)
    weights = row_weights(central.arrays, central.model) if refit == "slopes" else None
    ask = _fitter(central, request) if weights is None else _shifter(central, weights)
    found = np.array([ask(draw[place]) for draw in expected.draws])
    shared = np.array([ask(draw[place]) for draw in expected.shared_draws])
    ready = _Ready(central=central, found=found, shared=shared, level=level)
    if pair is None:
        return _report(ready, pair, None)
    effect = expected_effect(
        frame,
        hot_c=float(pair[1]),
        cold_c=float(pair[0]),
        endpoint=endpoint,
        threshold_c=threshold_c,
        residual_endpoint=residual_endpoint,
        draws=draws,
        seed=seed,
        known=known,
        fit_cold_arm=fit_cold_arm,
    )
    return _report(ready, pair, effect)


def excess_of_fit(
    central: MixedRowsFit,
    draws: FloatArray,
    shared_draws: FloatArray,
    *,
    pair: tuple[float, float],
    level: float = 0.95,
) -> ExcessSlope:
    """Add the baseline's uncertainty to a fit that has the baseline as its offset.

    When to use it: where the fit and the draws are at hand already; `excess_slope` makes both.
    The baseline at the pair is not worked out here and is NaN.

    Parameters
    ----------
    central : MixedRowsFit
        Fit at the centre of the parameters, with one residual variance; rows labelled from 0.
    draws, shared_draws : array, shape (D, rows)
        ln of the expected times of all rows given to the fit, as of `expected_times`.
    pair : tuple of two floats
        A cold and a hot start temperature, °C.
    level : float
        Level of the intervals.

    Returns
    -------
    ExcessSlope

    Source
    ------
    As `excess_slope` with ``refit="slopes"``.
    """
    place = np.array([int(label) for label in central.arrays.label], dtype=np.intp)
    weights = row_weights(central.arrays, central.model)
    found = np.full((draws.shape[0], 3), NAN)
    shared = np.full((shared_draws.shape[0], 3), NAN)
    if weights is not None:
        for many, answers in ((draws, found), (shared_draws, shared)):
            moved = (many[:, place] - central.arrays.offset) @ weights
            answers[:] = np.column_stack(
                [
                    central.slope_per_10k - moved,
                    np.full(moved.size, central.slope_se**2),
                    np.full(moved.size, central.slope_df),
                ]
            )
    ready = _Ready(central=central, found=found, shared=shared, level=level)
    return _report(ready, pair, None)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Ready:
    """The central fit, and estimate, variance and df at each full and each shared draw."""

    central: MixedRowsFit
    found: FloatArray
    shared: FloatArray
    level: float


def _own_rows(rows: pd.DataFrame, endpoint: str, threshold_c: float | None) -> pd.DataFrame:
    """Keep the endpoint's rows, so that baseline and pair draw for the same studies."""
    if not isinstance(rows, pd.DataFrame):
        raise InputError(f"rows is a {type(rows).__name__}. Give a DataFrame of register rows.")
    frame = rows.reset_index(drop=True)
    if "endpoint" in frame.columns:
        own = (frame["endpoint"] == endpoint).to_numpy()
        if endpoint == "t_threshold" and threshold_c is not None and "threshold_c" in frame.columns:
            own &= (frame["threshold_c"] == threshold_c).to_numpy()
        frame = frame[own].reset_index(drop=True)
    if frame.empty:
        raise InputError(
            f'No row has the endpoint "{endpoint}". Choose an endpoint that the rows have.'
        )
    return frame


Ask = Callable[[FloatArray], tuple[float, float, float]]
_NOTHING = (NAN, NAN, NAN)
_NO_DRAWS = CombinedDraws(estimate=NAN, se=NAN, df=NAN, within=NAN, between=NAN)


def _fitter(central: MixedRowsFit, request: FitRequest) -> Ask:
    """Fit again at each offset: estimate, variance, degrees of freedom."""

    def ask(offset: FloatArray) -> tuple[float, float, float]:
        model = fit_arrays(replace(central.arrays, offset=offset), request)
        if model.status not in ("ok", "boundary"):
            return _NOTHING
        row = model.coefficients.loc[WITHIN, ["estimate", "se", "df"]].to_numpy(dtype=np.float64)
        return float(row[0]), float(row[1]) ** 2, float(row[2])

    return ask


def _shifter(central: MixedRowsFit, weights: FloatArray) -> Ask:
    """Move the central estimate by the rows' weights; its variance stays."""

    def ask(offset: FloatArray) -> tuple[float, float, float]:
        moved = central.slope_per_10k - float(weights @ (offset - central.arrays.offset))
        return moved, central.slope_se**2, central.slope_df

    return ask


def row_weights(arrays: MixedArrays, model: MixedFit | UnseenTimesFit) -> FloatArray | None:
    """Weight of each row in the slope, by generalised least squares at the fitted variances.

    A row not seen exactly counts with the share of information that its window leaves.

    Parameters
    ----------
    arrays : MixedArrays
        Rows of the fit.
    model : MixedFit or UnseenTimesFit
        The fit.

    Returns
    -------
    array, shape (n,), or None
        None where the fit has no answer, or not one residual variance for all.

    Source
    ------
    (X' V^-1 X)^-1 X' V^-1, as in Laird NM, Ware JH (1982), doi:10.2307/2529876. Information of a
    window: one minus the variance of the standard normal cut to it (Johnson, Kotz and
    Balakrishnan 1994, Continuous Univariate Distributions 1, section 13.10.1).
    """
    if model.status not in ("ok", "boundary") or not np.isfinite(model.residual_sd):
        return None
    names = list(model.coefficients.index)
    X = fitted_columns(arrays, model)
    solved_x = np.empty_like(X)
    for at, V in study_covariances(arrays, model, X):
        solved_x[at] = np.linalg.solve(V, X[at])
    weights = np.linalg.solve(X.T @ solved_x, solved_x.T)
    return np.asarray(weights[names.index(WITHIN)], dtype=np.float64)


def fitted_columns(arrays: MixedArrays, model: MixedFit | UnseenTimesFit) -> FloatArray:
    """Give the columns of the fixed part that the fit kept, in its order."""
    return arrays.X[:, [arrays.names.index(name) for name in model.coefficients.index]]


def study_covariances(
    arrays: MixedArrays, model: MixedFit | UnseenTimesFit, X: FloatArray
) -> Iterator[tuple[npt.NDArray[np.intp], FloatArray]]:
    """Give each study's rows and their covariance at the fitted variances.

    A row not seen exactly counts with the share of information that its window leaves.

    Parameters
    ----------
    arrays : MixedArrays
        Rows of the fit.
    model : MixedFit or UnseenTimesFit
        A fit that has an answer, with one residual variance for all.
    X : array, shape (n, p)
        Its columns, as of `fitted_columns`.

    Yields
    ------
    at : array of int, shape (m,)
    covariance : array, shape (m, m)
    """
    noise = np.where(
        np.isfinite(arrays.known_variance),
        arrays.known_variance,
        model.residual_sd**2 / arrays.count,
    )
    noise = (noise + arrays.added_variance) / _information(arrays, model, X, noise)
    Z, spread = _varying(arrays, model)
    for study in sorted(set(arrays.study)):
        at = np.flatnonzero(arrays.study == study)
        V = np.diag(noise[at]) + Z[at] @ spread @ Z[at].T
        for level, labels in (("batch", arrays.batch), ("specimen", arrays.specimen)):
            same = (labels[at][:, np.newaxis] == labels[at]) & (labels[at] != "")
            V = V + _part_sd(model, level) ** 2 * same
        yield at, V


# Rows whose window says less than this have no weight to speak of.
_LEAST_INFORMATION = 1e-6
# Windows narrower than this share of the scatter count as so wide.
_NARROWEST = 1e-9


def _information(
    arrays: MixedArrays, model: MixedFit | UnseenTimesFit, X: FloatArray, noise: FloatArray
) -> FloatArray:
    """Share of the information of an exact time that each row's window leaves."""
    if arrays.exact.all():
        return np.ones(arrays.y.size)
    mean = arrays.offset + X @ model.coefficients["estimate"].to_numpy(dtype=np.float64)
    for study in set(arrays.study):
        own = arrays.study == study
        mean[own] += np.mean((arrays.y - mean)[own])
    sd = np.sqrt(noise)
    low, high = (arrays.lower - mean) / sd, (arrays.upper - mean) / sd
    left = 1.0 - between_bounds(np.minimum(low, high - _NARROWEST), high)[1]
    return np.where(arrays.exact, 1.0, np.clip(left, _LEAST_INFORMATION, 1.0))


def _part_sd(model: MixedFit | UnseenTimesFit, level: str, term: str = INTERCEPT) -> float:
    """Fitted standard deviation of one random part, zero where there is none."""
    parts = model.random_parts
    own = parts[(parts["level"] == level) & (parts["term"] == term) & parts["sd"].notna()]
    return float(own["sd"].to_numpy(dtype=np.float64)[0]) if len(own) else 0.0


def _varying(
    arrays: MixedArrays, model: MixedFit | UnseenTimesFit
) -> tuple[FloatArray, FloatArray]:
    """Columns that vary between studies, and the covariance of their coefficients."""
    level = np.where(arrays.difference, 0.0, 1.0)
    sds = np.array([_part_sd(model, "study"), _part_sd(model, "study", WITHIN)])
    parts = model.random_parts
    pair = parts[(parts["level"] == "study") & parts["correlation"].notna()]
    correlation = float(pair["correlation"].to_numpy(dtype=np.float64)[0]) if len(pair) else 0.0
    shape = np.array([[1.0, correlation], [correlation, 1.0]])
    return np.column_stack([level, arrays.within]), sds[:, np.newaxis] * shape * sds


def _report(
    ready: _Ready, pair: tuple[float, float] | None, effect: ExpectedEffect | None
) -> ExcessSlope:
    central, found, level = ready.central, ready.found, ready.level
    draws = found.shape[0]
    good = np.isfinite(found).all(axis=1)
    status, note = central.status, central.note
    slope = total = _NO_DRAWS
    if good.sum() >= max(2, _LEAST_SHARE * draws):
        slope = combine_draws(found[good, 0], found[good, 1], df=found[good, 2])
    else:
        status = "failed" if central.status in ("ok", "boundary") else central.status
        note = f"{draws - int(good.sum())} of {draws} fits gave no answer. {note}".strip()
    half = _half(slope, level)
    fine = np.isfinite(ready.shared[:, 0])
    se_shared = float(ready.shared[fine, 0].std(ddof=1)) if fine.sum() > 1 else NAN
    cold, hot = (NAN, NAN) if pair is None else (float(pair[0]), float(pair[1]))
    gap = (hot - cold) / KELVIN_PER_UNIT
    baseline = np.full(3, NAN)
    if effect is not None:
        own = effect.draws[:, -1]
        tails = [0.5 - level / 2.0, 0.5 + level / 2.0]
        baseline = np.array([effect.log_ratio[-1], *np.quantile(own, tails)])
        if np.isfinite(slope.estimate) and np.isfinite(own).all():
            total = combine_draws(
                own[good] + gap * found[good, 0], gap**2 * found[good, 1], df=found[good, 2]
            )
    total_half = _half(total, level)
    p = NAN
    if slope.se > 0.0:
        p = float(2.0 * stats.t.sf(abs(slope.estimate / slope.se), slope.df))
    return ExcessSlope(
        slope_per_10k=slope.estimate,
        slope_se=slope.se,
        slope_df=slope.df,
        slope_low=slope.estimate - half,
        slope_high=slope.estimate + half,
        slope_p=p,
        se_within=float(np.sqrt(slope.within)),
        se_baseline=float(np.sqrt(slope.between)),
        se_shared=se_shared,
        pair_cold_c=cold,
        pair_hot_c=hot,
        excess_at_pair=gap * slope.estimate,
        excess_low=gap * (slope.estimate - half),
        excess_high=gap * (slope.estimate + half),
        baseline_at_pair=float(baseline[0]),
        baseline_low=float(baseline[1]),
        baseline_high=float(baseline[2]),
        total_at_pair=total.estimate,
        total_se=total.se,
        total_df=total.df,
        total_low=total.estimate - total_half,
        total_high=total.estimate + total_half,
        fit=central,
        draw_slopes=found[:, 0],
        draws=draws,
        draws_failed=int(draws - good.sum()),
        level=level,
        endpoint=central.endpoint,
        scope=central.scope,
        status=status,
        note=note,
    )


def _half(combined: CombinedDraws, level: float) -> float:
    if not np.isfinite(combined.se):
        return NAN
    return float(stats.t.ppf(0.5 + level / 2.0, combined.df)) * combined.se
