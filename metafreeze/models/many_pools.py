"""Pool many sets of studies at once: simulations, shuffles, every combination of choices.

The same rules as `pool` without moderators, as whole-array arithmetic over pools of equal
size. Arrays are turned to (studies, pools) and worked through in slices that stay in the
processor's cache.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from metafreeze.errors import InputError
from metafreeze.models.heavy_tails import new_study_factor
from metafreeze.models.heterogeneity import require_level
from metafreeze.models.pool_input import variance_problem
from metafreeze.models.tau2 import maximise_likelihood
from metafreeze.options import Interval, NewStudy, Spread, require_choice
from metafreeze.results import RESULT, BoolArray, FloatArray, Result, round_for_people

# Six working arrays of 20 studies by this many pools fill about a megabyte, one core's cache.
SLICE = 1024
# Newton's steps double the correct digits: after a step this small the next is rounding.
LAST_STEP = 1e-8
MOST_STEPS = 60
# Grid on which a second mode is looked for: from a share of the smallest variance upwards.
GRID_FIRST = 0.2
GRID_PER_DECADE = 3.0


@dataclass(**RESULT)
class ManyPools(Result):
    """Results of m pools of k studies each; every array has one element a pool.

    Parameters
    ----------
    estimate, se, se_plain : array, shape (m,)
        Pooled effect, its standard error as the interval has it, and the plain one.
    tau2, q, i2 : array, shape (m,)
        Variance between studies, weighted sum of squares, I² in percent.
    boundary : bool array, shape (m,)
        Where tau² was estimated at zero.
    low, high, p, prediction_low, prediction_high : array, shape (m,)
        Interval, p-value and range for a new study; NaN unless asked for.
    df : float
        Degrees of freedom of the interval.
    k : int
        Studies in each pool.
    spread, interval : str
        Rules used.
    level : float
        Level of the intervals.
    """

    estimate: FloatArray
    se: FloatArray
    se_plain: FloatArray
    tau2: FloatArray
    q: FloatArray
    i2: FloatArray
    boundary: BoolArray
    low: FloatArray
    high: FloatArray
    p: FloatArray
    prediction_low: FloatArray
    prediction_high: FloatArray
    df: float
    k: int
    spread: str
    interval: str
    level: float

    def to_frame(self) -> pd.DataFrame:
        """Give one row a pool."""
        names = (
            "estimate",
            "se",
            "se_plain",
            "tau2",
            "q",
            "i2",
            "boundary",
            "low",
            "high",
            "p",
            "prediction_low",
            "prediction_high",
        )
        return pd.DataFrame({name: getattr(self, name) for name in names})

    def headline(self) -> str:
        """Say the result in one line."""
        middle = float(np.median(self.estimate))
        return (
            f"{self.estimate.size} pools of {self.k} studies, median effect "
            f"{round_for_people(middle)}; {self.spread}, {self.interval}"
        )


def pool_many(
    estimates: npt.ArrayLike,
    variances: npt.ArrayLike,
    *,
    spread: Spread = "restricted-likelihood",
    interval: Interval = "hartung-knapp",
    intervals: bool = False,
    new_study: NewStudy = "normal",
    level: float = 0.95,
) -> ManyPools:
    """Pool m sets of k studies each, as `pool` would one by one.

    Parameters
    ----------
    estimates : array, shape (m, k)
        Effects, one pool a row.
    variances : array, shape (m, k) or (k,)
        Sampling variances, above zero.
    spread : str
        Rule for the variance between studies, one of `metafreeze.options.Spread`.
    interval : {"hartung-knapp", "hartung-knapp-floored", "normal"}
        Which standard error `se` is, and which interval.
    intervals : bool
        Whether limits, p-values and prediction ranges are computed too.
    new_study : {"normal", "heavy-tailed"}
        Tails of the true effects that the range for a new study allows for. The heavy-tailed
        one is wider and holds its level where some labs lie far out (t on 3 degrees of
        freedom); where effects are normal it holds more than the level.
    level : float
        Level of the intervals.

    Returns
    -------
    ManyPools

    Raises
    ------
    InputError
        Shapes differ, k is under 2, an effect is not finite or a variance not above zero.

    Source
    ------
    As `pool`. Newton's method works on 1/Q(t) for Paule-Mandel and on ``tr P / y'PPy`` for the
    likelihoods: both are straight lines in t where all variances are equal. A pool whose
    likelihood may have two modes goes to the one-by-one search.

    Examples
    --------
    >>> import numpy as np
    >>> many = pool_many([[0.1, 0.3, 0.35], [0.2, 0.2, 0.2]], [0.01, 0.02, 0.04], spread="none")
    >>> np.round(many.estimate, 4)
    array([0.1929, 0.2   ])
    """
    require_choice(spread, Spread, name="spread")
    require_choice(interval, Interval, name="interval")
    require_choice(new_study, NewStudy, name="new_study")
    require_level(level)
    y, v = _checked(estimates, variances)
    m, k = y.shape
    parts = [_slice(y[i : i + SLICE].T, v[i : i + SLICE].T, spread) for i in range(0, m, SLICE)]
    mu, precision, tau2, q, scatter = (np.concatenate(c) for c in zip(*parts, strict=True))
    se_plain = 1.0 / np.sqrt(precision)
    mean_square = scatter / (k - 1)
    if interval == "normal":
        se, df = se_plain, float("inf")
    else:
        # Without any scatter the floored form stands in, as in `pool`.
        floored = interval == "hartung-knapp-floored"
        factor = np.maximum(mean_square, 1.0) if floored else mean_square
        factor = np.where(mean_square > 0, factor, 1.0)
        se, df = se_plain * np.sqrt(factor), float(k - 1)
    nothing = np.full(m, np.nan)
    low = high = p = prediction_low = prediction_high = nothing
    if intervals:
        tail = (1 - level) / 2
        crit = stats.norm.isf(tail) if df == np.inf else stats.t.isf(tail, df)
        low, high = mu - crit * se, mu + crit * se
        z = np.abs(mu) / se
        p = 2 * (stats.norm.sf(z) if df == np.inf else stats.t.sf(z, df))
        if k > 2 and spread != "none":
            reach = new_study_factor(k, new_study, level)
            half = reach * np.sqrt(tau2 + np.maximum(se, se_plain) ** 2)
            prediction_low, prediction_high = mu - half, mu + half
    return ManyPools(
        estimate=mu,
        se=se,
        se_plain=se_plain,
        tau2=tau2,
        q=q,
        i2=100.0 * np.maximum(0.0, 1.0 - (k - 1) / np.maximum(q, k - 1)),
        boundary=(tau2 == 0) & (spread != "none"),
        low=low,
        high=high,
        p=p,
        prediction_low=prediction_low,
        prediction_high=prediction_high,
        df=df,
        k=k,
        spread=spread,
        interval=interval,
        level=level,
    )


def _checked(estimates: npt.ArrayLike, variances: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    y = np.asarray(estimates, dtype=np.float64)
    v = np.asarray(variances, dtype=np.float64)
    if y.ndim != 2 or y.shape[1] < 2 or y.shape[0] == 0:
        raise InputError(
            f"estimates has shape {y.shape}. Give one pool a row, of at least two studies."
        )
    if v.shape != y.shape:
        if v.shape != (y.shape[1],):
            raise InputError(
                f"variances has shape {v.shape}. Give the shape of estimates, {y.shape}, or one "
                "row for all pools."
            )
        v = np.broadcast_to(v, y.shape)
    # One sum finds any NaN or infinity faster than a look at every element.
    if not np.isfinite(y.sum()) and not np.isfinite(y).all():
        row, column = np.argwhere(~np.isfinite(y))[0]
        raise InputError(
            f"The effect of study {column + 1} in pool {row + 1} is {y[row, column]:g}. "
            "Every pool needs all its effects."
        )
    if not (v.min() > 0 and v.max() < np.inf):
        row, column = np.argwhere(~((v > 0) & np.isfinite(v)))[0]
        problem = variance_problem(float(v[row, column]))
        raise InputError(
            f"{problem}: study {column + 1} in pool {row + 1}. Give variances above zero."
        )
    return y, v


Columns = tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]


def _slice(y: FloatArray, v: FloatArray, spread: str) -> Columns:
    """Pool the columns of (k, n) arrays: mean, precision, tau², Q, weighted scatter."""
    y, v = np.ascontiguousarray(y), np.ascontiguousarray(v)
    k = y.shape[0]
    w = 1.0 / v
    s1 = w.sum(axis=0)
    mu0 = (w * y).sum(axis=0) / s1
    y = y - mu0  # centred, so that no later difference cancels
    wr = w * y
    q = (wr * y).sum(axis=0)
    if spread == "none":
        tau2 = np.zeros_like(q)
    elif spread == "dersimonian-laird":
        tau2 = _moments(w, s1, q)
    elif spread == "hedges":
        tau2 = np.maximum(0.0, y.var(axis=0, ddof=1) - v.mean(axis=0))
    elif spread == "sidik-jonkman":
        tau2 = _sidik_jonkman(y, v)
    elif spread in ("paule-mandel", "empirical-bayes"):
        tau2 = _paule_mandel(y, v, wr, q)
    else:
        tau2 = _likelihood(y, v, restricted=spread == "restricted-likelihood")
    w = 1.0 / (v + tau2)
    s1 = w.sum(axis=0)
    shift = (w * y).sum(axis=0) / s1
    r = y - shift
    scatter = (w * r * r).sum(axis=0)
    size = np.abs(mu0) + np.sqrt((y * y).mean(axis=0))
    # Rounding of equal effects is no scatter; the same threshold as in `pool`.
    scatter = np.where(scatter <= (k - 1) * 1e-24 * np.maximum(1.0, size**2 * s1 / k), 0.0, scatter)
    return mu0 + shift, s1, tau2, q, scatter


def _moments(w: FloatArray, s1: FloatArray, q: FloatArray) -> FloatArray:
    k = w.shape[0]
    moments: FloatArray = (q - (k - 1)) / (s1 - (w * w).sum(axis=0) / s1)
    return np.maximum(0.0, moments)


def _sidik_jonkman(y: FloatArray, v: FloatArray) -> FloatArray:
    start = y.var(axis=0)
    safe = np.where(start > 0, start, 1.0)
    w = safe / (v + safe)
    r = y - (w * y).sum(axis=0) / w.sum(axis=0)
    tau2 = (w * r * r).sum(axis=0) / (y.shape[0] - 1)
    return np.where(start > 0, tau2, 0.0)


def _paule_mandel(y: FloatArray, v: FloatArray, wr: FloatArray, q0: FloatArray) -> FloatArray:
    """Solve Q(t) = k - 1 by Newton on 1/Q, from below and without overshooting."""
    df = y.shape[0] - 1.0
    t = np.zeros_like(q0)
    active = np.flatnonzero(q0 > df)
    if active.size == 0:
        return t
    if active.size < q0.size:
        y, v, wr = y[:, active], v[:, active], wr[:, active]
    q, d = q0[active], (wr * wr).sum(axis=0)
    at = np.zeros(active.size)
    floor = v.min(axis=0)
    for _ in range(MOST_STEPS):
        step = q * (q / df - 1.0) / d
        at = np.maximum(at + step, 0.0)
        if np.all(np.abs(step) <= LAST_STEP * (at + floor)):
            break
        w = 1.0 / (v + at)
        r = y - (w * y).sum(axis=0) / w.sum(axis=0)
        wr = w * r
        q = (wr * r).sum(axis=0)
        d = (wr * wr).sum(axis=0)
    t[active] = at
    return t


def _score_parts(
    w: FloatArray, s1: FloatArray, wr: FloatArray, *, restricted: bool
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Give y'PPy, the trace it is compared with, y'PPPy, and the trace's slope (negated)."""
    w2 = w * w
    s2 = w2.sum(axis=0)
    a = (wr * wr).sum(axis=0)
    wwr = w * wr
    g = (wwr * wr).sum(axis=0) - wwr.sum(axis=0) ** 2 / s1
    if not restricted:
        return a, s1, g, s2
    ratio = s2 / s1
    s3 = (w2 * w).sum(axis=0)
    return a, s1 - ratio, g, s2 - 2.0 * s3 / s1 + ratio * ratio


def _shortfall(y: FloatArray, v: FloatArray, t: FloatArray, *, restricted: bool) -> FloatArray:
    """Give ``trace / y'PPy - 1``: below zero where the likelihood rises in t."""
    w = 1.0 / (v + t)
    s1 = w.sum(axis=0)
    wr = w * (y - (w * y).sum(axis=0) / s1)
    a = (wr * wr).sum(axis=0)
    trace = s1 - (w * w).sum(axis=0) / s1 if restricted else s1
    # Equal effects have no y'PPy; the floor keeps their ratio a number, far above one.
    ratio: FloatArray = trace / np.maximum(a, 1e-12 * trace)
    return ratio - 1.0


def _likelihood(y: FloatArray, v: FloatArray, *, restricted: bool) -> FloatArray:
    """Solve ``y'PPy = trace`` by Newton on their ratio, from a bracket that holds one mode.

    With smallest and largest variance a and b, the ratio grows in t wherever
    ``2/(b + t) >= 1/(a + t)``, so beyond ``b - 2 a`` there is at most one mode. Up to there
    the ratio is looked at on a grid; a pool whose likelihood rises again after falling goes
    to the one-by-one search.
    """
    n = y.shape[1]
    smallest, largest = v.min(axis=0), v.max(axis=0)
    last = np.maximum(largest - 2.0 * smallest, smallest)
    first = GRID_FIRST * smallest
    points = 2 + int(np.ceil(GRID_PER_DECADE * np.log10(np.max(last / first))))
    growth = (last / first) ** (1.0 / (points - 2)) if points > 2 else np.ones(n)
    low, high = np.full(n, -1.0), np.full(n, np.inf)
    low_gap, high_gap = np.zeros(n), np.zeros(n)
    again = np.zeros(n, dtype=bool)
    for j in range(points):
        t = np.zeros(n) if j == 0 else first * growth ** (j - 1)
        gap = _shortfall(y, v, t, restricted=restricted)
        rising = gap < 0
        again |= rising & (high < np.inf)
        ends = ~rising & (high == np.inf)
        high, high_gap = np.where(ends, t, high), np.where(ends, gap, high_gap)
        goes_on = rising & (high == np.inf)
        low, low_gap = np.where(goes_on, t, low), np.where(goes_on, gap, low_gap)
    tau2 = np.zeros(n)
    keep = np.flatnonzero((low >= 0) & ~again)
    if keep.size:
        low, high, low_gap, high_gap = low[keep], high[keep], low_gap[keep], high_gap[keep]
        bounded = high < np.inf
        # The ratio is nearly straight in t, so the chord between the two ends starts close.
        share = low_gap / np.where(bounded, low_gap - high_gap, 1.0)
        start = low + np.where(bounded, share * (np.where(bounded, high, low) - low), low)
        found, failed = _newton(y[:, keep], v[:, keep], start, low, high, restricted=restricted)
        tau2[keep] = found
        again[keep[failed]] = True
    ones = np.ones((y.shape[0], 1))
    for i in np.flatnonzero(again):
        tau2[i] = maximise_likelihood(y[:, i], v[:, i], ones, restricted=restricted)
    return tau2


def _newton(
    y: FloatArray,
    v: FloatArray,
    at: FloatArray,
    low: FloatArray,
    high: FloatArray,
    *,
    restricted: bool,
) -> tuple[FloatArray, BoolArray]:
    """Refine the mode inside its bracket; also say which columns did not settle."""
    floor = v.min(axis=0)
    done = np.zeros(at.size, dtype=bool)
    for _ in range(MOST_STEPS):
        w = 1.0 / (v + at)
        s1 = w.sum(axis=0)
        r = y - (w * y).sum(axis=0) / s1
        a, trace, g, slope = _score_parts(w, s1, w * r, restricted=restricted)
        rising = a > trace
        low, high = np.where(rising, at, low), np.where(rising, high, at)
        bend = 2.0 * trace * g - slope * a
        new = at + np.where(bend > 0, a * (a - trace) / np.where(bend > 0, bend, 1.0), np.inf)
        outside = ~((new >= low) & (new <= high))
        middle = np.where(high < np.inf, 0.5 * (low + np.where(high < np.inf, high, low)), 4.0 * at)
        new = np.where(outside, middle, new)
        done = np.abs(new - at) <= LAST_STEP * (new + floor)
        at = new
        if done.all():
            break
    return at, ~done
