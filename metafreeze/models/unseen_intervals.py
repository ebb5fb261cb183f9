"""Limits and tests for functions of the coefficients, by profiling the likelihood."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy import stats

from metafreeze.models.lockstep import Problem, find_crossings, minimise, null_basis
from metafreeze.models.unseen_fit import Fitted, Standardised, lighter_fit
from metafreeze.models.unseen_input import UnseenRows
from metafreeze.results import BoolArray, FloatArray, IntArray

# A part that stands at zero is started this far off it (in residual spreads) when limits are
# sought, since it may come to life there.
NUDGE = 0.1

# Doublings after which a side is called unbounded.
MOST_DOUBLINGS = 20
NARROWINGS = 100
HELD_STEPS = 30
# Two doublings that close less than this share of the gap to the target, each no more than the
# one before, never close it.
FLATTENED = 0.01


class Reference(NamedTuple):
    """Degrees of freedom and the number of units they come from, for each function.

    The likelihood ratio of a mean of `units` normal values at its t limit is
    `units * log(1 + t^2 / df)`; that is the cut-off, so that the interval is Student's where
    nothing is censored and the design is balanced.
    """

    df: FloatArray
    units: FloatArray

    def pick(self, which: IntArray | list[int]) -> Reference:
        """Take some functions."""
        return Reference(self.df[which], self.units[which])

    def cut_off(self, level: float) -> FloatArray:
        """Rise of twice the minus log likelihood at the limits."""
        t = self.t_limit(level)
        with np.errstate(invalid="ignore"):
            student = self.units * np.log1p(t * t / self.df)
        return np.asarray(np.where(np.isinf(self.df), t * t, student))

    def t_limit(self, level: float) -> FloatArray:
        """Two-sided t quantile; NaN without degrees of freedom."""
        df = np.where(self.df > 0.0, self.df, np.nan)
        tail = 0.5 - 0.5 * level
        return np.asarray(np.where(np.isinf(df), stats.norm.isf(tail), stats.t.isf(tail, df)))

    def p_value(self, rise: FloatArray) -> FloatArray:
        """Two-sided p of a rise of twice the minus log likelihood."""
        rise = np.maximum(rise, 0.0)
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            t = np.where(
                np.isinf(self.df), np.sqrt(rise), np.sqrt(self.df * np.expm1(rise / self.units))
            )
        return self.p_of_t(t)

    def p_of_t(self, t: FloatArray) -> FloatArray:
        """Two-sided p of a t value."""
        df = np.where(self.df > 0.0, self.df, np.nan)
        size = np.abs(t)
        return np.asarray(
            np.where(np.isinf(df), 2.0 * stats.norm.sf(size), 2.0 * stats.t.sf(size, df))
        )


def reference_for(
    rows: UnseenRows, functions: FloatArray, *, studies: bool, batches: bool, spread_known: bool
) -> Reference:
    """Choose degrees of freedom for each function c'beta.

    With two studies or more: studies minus one, or minus the number of columns that are
    constant within every study where the function uses one. One study: batches minus the
    columns constant within batches for such a function, else rows minus batches minus the
    columns that vary. Neither: rows minus columns. Known spread and one study: infinite.

    Parameters
    ----------
    rows : UnseenRows
        Rows of the fit.
    functions : array, shape (m, p)
        The functions.
    studies, batches : bool
        Which random parts the fit has.
    spread_known : bool
        Whether no spread was estimated.

    Returns
    -------
    Reference
    """
    n = float(rows.count.sum())
    p = rows.x.shape[1]
    uses = np.abs(functions) > 0.0
    if studies:
        outer = _constant_within(rows.x, rows.study)
        touches = (uses & outer).any(axis=1)
        units = np.full(len(functions), float(rows.studies))
        return Reference(units - np.where(touches, max(1, outer.sum()), 1), units)
    if batches:
        unit = np.where(rows.member, rows.batch, rows.batch.max() + 1 + np.arange(len(rows.batch)))
        groups = float(len(np.unique(unit)))
        outer = _constant_within(rows.x, unit)
        touches = (uses & outer).any(axis=1)
        units = np.where(touches, groups, n - groups)
        return Reference(units - np.where(touches, outer.sum(), p - outer.sum()), units)
    units = np.full(len(functions), np.inf if spread_known else n)
    return Reference(units - p, units)


def _constant_within(x: FloatArray, groups: np.ndarray) -> BoolArray:
    _, first, codes = np.unique(groups, return_index=True, return_inverse=True)
    same = x == x[first][codes]
    return np.asarray(same.all(axis=0))


class Limits(NamedTuple):
    """Lower and upper limits, and the rise of the criterion at zero, for each function."""

    low: FloatArray
    high: FloatArray
    rise_at_zero: FloatArray


def theta_directions(scaled: Standardised, functions: FloatArray) -> FloatArray:
    """Turn functions of the coefficients (m, p) into functions of theta (m, T)."""
    out = np.zeros((len(functions), scaled.design.parameter_count))
    inner = functions @ scaled.back
    out[:, : inner.shape[1]] = inner
    return out


def off_zero(scaled: Standardised, fitted: Fitted) -> FloatArray:
    """Give theta with the parts that stand at zero moved a little off it."""
    theta = fitted.theta.copy()
    p = scaled.design.x.shape[1]
    on_diagonal = [p + 1 + i for i, (k, m) in enumerate(scaled.design.pairs) if k == m]
    if scaled.design.has_batch:
        on_diagonal.append(len(theta) - 1)
    moved = np.intersect1d(fitted.zero, np.array(on_diagonal, dtype=np.int64))
    theta[moved] = NUDGE * np.exp(theta[p])
    return theta


def profile_limits(
    scaled: Standardised,
    fitted: Fitted,
    functions: FloatArray,
    cut_off: FloatArray,
    test: BoolArray,
) -> Limits:
    """Find where the profiled criterion has risen by the cut-off on both sides.

    Parameters
    ----------
    scaled, fitted
        The problem and its best fit.
    functions : array, shape (m, p)
        Functions c'beta.
    cut_off : array, shape (m,)
        Rise of twice the minus log likelihood at the limits; NaN gives no limits.
    test : array of bool, shape (m,)
        Functions whose rise at zero is wanted; NaN for the others.

    Returns
    -------
    Limits
        Infinite where the criterion never rises so far.
    """
    m = len(functions)
    directions = theta_directions(scaled, functions)
    exact = fitted
    fitted = lighter_fit(scaled, fitted, 2 * m)
    # Limits found with fewer nodes move along with the estimate.
    base = functions @ scaled.start + scaled.unit * directions @ (exact.theta - fitted.theta)
    nudged = off_zero(scaled, fitted)
    asked = np.flatnonzero(np.isfinite(cut_off))
    limits = np.full((2, m), np.nan)
    if len(asked):
        both = np.concatenate([asked, asked])
        signs = np.repeat([-1.0, 1.0], len(asked))
        found = find_crossings(
            Problem(scaled.design, scaled.times, len(both), fitted.nodes),
            fitted.theta,
            fitted.value,
            fitted.hessian,
            directions[both],
            signs,
            0.5 * cut_off[both],
            scaled.free,
            nudged,
        )
        at = found.at.copy()
        for i in np.flatnonzero(~found.found):
            direction = directions[both[i]]
            held = HeldCriterion(scaled, nudged, fitted.nodes, direction)
            target = fitted.value + 0.5 * cut_off[both[i]]
            step = _spread_along(scaled, fitted, direction)
            at[i] = walk_to_crossing(held, signs[i], step, target)
        limits[0, asked] = base[asked] + scaled.unit * at[: len(asked)]
        limits[1, asked] = base[asked] + scaled.unit * at[len(asked) :]
    rise = np.full(m, np.nan)
    if test.any():
        at_zero = value_where(scaled, fitted, functions[test], np.zeros(int(test.sum())))
        rise[test] = 2.0 * (at_zero - fitted.value)
    return Limits(limits[0], limits[1], rise)


def _spread_along(scaled: Standardised, fitted: Fitted, direction: FloatArray) -> float:
    """Give the standard error of a function of theta."""
    free = scaled.free
    inverse = np.linalg.pinv(fitted.hessian[np.ix_(free, free)], hermitian=True)
    variance = float(direction[free] @ inverse @ direction[free])
    return float(np.sqrt(max(variance, 1e-12)))


def value_where(
    scaled: Standardised, fitted: Fitted, functions: FloatArray, values: FloatArray
) -> FloatArray:
    """Minimise the criterion with each function c'beta held at a value.

    Returns
    -------
    array, shape (m,)
        Minus log likelihood in standardised units; NaN where the search failed.
    """
    directions = theta_directions(scaled, functions)
    targets = (values - functions @ scaled.start) / scaled.unit
    free = scaled.free
    inverse = np.linalg.pinv(fitted.hessian[np.ix_(free, free)], hermitian=True)
    along = directions[:, free] @ inverse
    variance = np.maximum((along * directions[:, free]).sum(axis=1), np.finfo(float).tiny)
    nudged = off_zero(scaled, fitted)
    start = np.repeat(nudged[None], len(functions), axis=0)
    gap = targets - directions @ nudged
    start[:, free] += (gap / variance)[:, None] * along
    basis = np.stack([null_basis(d, free) for d in directions])
    held = minimise(
        Problem(scaled.design, scaled.times, len(functions), fitted.nodes), start, basis
    )
    out = np.where(held.arrived, held.value, np.nan)
    for i in np.flatnonzero(np.isnan(out)):
        slow = HeldCriterion(scaled, nudged, fitted.nodes, directions[i])
        value = slow(float(targets[i]))
        out[i] = value if np.isfinite(value) else np.nan
    return out


class HeldCriterion:
    """Minus log likelihood with one function of theta held, minimised over all else.

    Each call starts where the last one ended.
    """

    def __init__(
        self, scaled: Standardised, start: FloatArray, nodes: IntArray, direction: FloatArray
    ) -> None:
        self._problem = Problem(scaled.design, scaled.times, 1, nodes)
        self._basis = null_basis(direction, scaled.free)
        self._direction = direction
        self._scale = float(direction @ direction)
        self.theta = start.copy()

    @property
    def now(self) -> float:
        """Where the held function stands."""
        return float(self._direction @ self.theta)

    def __call__(self, at: float) -> float:
        """Give the criterion with the function held at a value; infinite where there is none."""
        moved = self.theta + (at - self.now) / self._scale * self._direction
        here = minimise(self._problem, moved[None], self._basis, steps=HELD_STEPS)
        if not np.isfinite(here.value[0]):
            return float("inf")
        self.theta = here.theta[0]
        return float(here.value[0])


def walk_to_crossing(held: HeldCriterion, sign: float, step: float, target: float) -> float:
    """Find where the held criterion crosses the target, by doubling and then narrowing.

    The slow way, for likelihoods that are far from a parabola or run to an edge.

    Parameters
    ----------
    held : HeldCriterion
        The criterion.
    sign : float
        Side, +1 or -1, on which it rises.
    step : float
        First step.
    target : float
        Value to reach.

    Returns
    -------
    float
        Value of the held function; infinite where the criterion stays below the target, NaN
        where it never comes below.
    """
    inside, move = held.now, step
    for _ in range(MOST_DOUBLINGS):
        below = held(inside) - target
        if below < 0.0:
            break
        inside, move = inside - sign * move, 2.0 * move
    else:
        return float("nan")
    outside, move = inside + sign * step, step
    flattened, last = 0, float("inf")
    for _ in range(MOST_DOUBLINGS):
        above = held(outside) - target
        if not above < 0.0:
            break
        rise = above - below
        flattened = flattened + 1 if rise < FLATTENED * -above and rise <= last else 0
        last = rise
        if flattened > 1:
            return float(sign * np.inf)
        inside, below, move = outside, above, 2.0 * move
        outside = inside + sign * move
    else:
        return float(sign * np.inf)
    # Secants that halve the weight of an end that stays (Illinois rule); the ends' values are
    # kept, not asked again, since a search may end a rounding apart.
    stayed = 0
    for _ in range(NARROWINGS):
        if abs(outside - inside) <= 1e-5 * step:
            break
        weight = below / (below - above) if np.isfinite(above) else 0.5
        middle = inside + min(max(weight, 0.01), 0.99) * (outside - inside)
        here = held(middle) - target
        if here < 0.0:
            inside, below = middle, here
            above = 0.5 * above if stayed > 0 else above
            stayed = 1
        else:
            outside, above = middle, here
            below = 0.5 * below if stayed < 0 else below
            stayed = -1
        if abs(here) < 1e-6:
            return middle
    return 0.5 * (inside + outside)
