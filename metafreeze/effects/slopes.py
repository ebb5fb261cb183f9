"""The within-group slope from single runs and group summaries together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from metafreeze.results import FloatArray, IntArray

NAN = float("nan")
# Start temperatures within a group count as one value below this share of their size.
NO_SPREAD_OF_X = 1e-9
# A residual sum of squares below this share of the total is rounding: no spread was seen.
NO_RESIDUAL = 1e-20


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WithinSlope:
    """Slope of y on x with an intercept for each group.

    Parameters
    ----------
    estimate : float
        The slope; NaN where x does not vary within any group.
    variance : float
        Its sampling variance; NaN without residual degrees of freedom.
    df : float
        Residual degrees of freedom; infinite where the variance is known.
    residual_variance : float
        Variance of a single run around the line.
    sum_squares : float
        Residual sum of squares.
    sxx : float
        Weighted sum of squares of x within groups.
    coefficients : array, shape (m,)
        The slope is this combination of y.
    groups_used : int
        Groups in which x varies.
    """

    estimate: float
    variance: float
    df: float
    residual_variance: float
    sum_squares: float
    sxx: float
    coefficients: FloatArray
    groups_used: int


def within_slope(
    y: FloatArray, x: FloatArray, n: FloatArray, ss: FloatArray, group: IntArray
) -> WithinSlope:
    """Fit one slope with an intercept per group, from sufficient statistics.

    A run is (y, 1, 0); a summary of n runs is (mean, n, (n - 1) s²). The fit on summaries is
    the fit on the runs behind them.

    Parameters
    ----------
    y : array, shape (m,)
        Outcome, or mean outcome.
    x : array, shape (m,)
        Predictor.
    n : array, shape (m,)
        Runs behind each row.
    ss : array, shape (m,)
        Sum of squares of those runs around their mean.
    group : int array, shape (m,)
        Group of each row, from 0.

    Returns
    -------
    WithinSlope

    Source
    ------
    Least squares with group intercepts (analysis of covariance); Snedecor & Cochran (1989),
    Statistical Methods, 8th ed., ch. 18 (common practice, no single source).
    """
    x_c, y_c = _centred(x, n, group), _centred(y, n, group)
    sxx = float(np.sum(n * x_c * x_c))
    size = float(np.sum(n * x * x))
    seen = np.bincount(group, weights=np.abs(x_c)) > NO_SPREAD_OF_X * np.sqrt(size)
    if sxx <= NO_SPREAD_OF_X**2 * size or not seen.any():
        nothing = np.full(y.size, NAN)
        return WithinSlope(
            estimate=NAN,
            variance=NAN,
            df=0.0,
            residual_variance=NAN,
            sum_squares=NAN,
            sxx=0.0,
            coefficients=nothing,
            groups_used=0,
        )
    coefficients = n * x_c / sxx
    slope = float(coefficients @ y_c)
    around = float(np.sum(n * (y_c - slope * x_c) ** 2))
    rss = around + float(ss.sum())
    df = float(n.sum()) - np.unique(group).size - 1
    total = float(np.sum(n * y_c * y_c)) + float(ss.sum())
    if rss <= NO_RESIDUAL * max(total, float(np.sum(n * y * y))):
        rss = 0.0
    residual = rss / df if df > 0 else NAN
    return WithinSlope(
        estimate=slope,
        variance=residual / sxx,
        df=df,
        residual_variance=residual,
        sum_squares=rss,
        sxx=sxx,
        coefficients=coefficients,
        groups_used=int(seen.sum()),
    )


def _centred(values: FloatArray, n: FloatArray, group: IntArray) -> FloatArray:
    """Take the weighted group means off, twice, so that rounding of the first pass goes too."""
    weight = np.bincount(group, weights=n)
    weight = np.where(weight > 0, weight, 1.0)
    once = values - (np.bincount(group, weights=n * values) / weight)[group]
    return once - (np.bincount(group, weights=n * once) / weight)[group]


def known_slope(y: FloatArray, x: FloatArray, variance: FloatArray, group: IntArray) -> WithinSlope:
    """Fit one slope with group intercepts where the variance of every row is known.

    Parameters
    ----------
    y, x : array, shape (m,)
        Outcome and predictor.
    variance : array, shape (m,)
        Known variance of each y.
    group : int array, shape (m,)
        Group of each row, from 0.

    Returns
    -------
    WithinSlope
        With infinite degrees of freedom.
    """
    fit = within_slope(y, x, 1.0 / variance, np.zeros_like(y), group)
    return WithinSlope(
        estimate=fit.estimate,
        variance=1.0 / fit.sxx if fit.sxx > 0 else NAN,
        df=np.inf if fit.sxx > 0 else 0.0,
        residual_variance=NAN,
        sum_squares=fit.sum_squares,
        sxx=fit.sxx,
        coefficients=fit.coefficients,
        groups_used=fit.groups_used,
    )
