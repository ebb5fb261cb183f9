"""Newton steps for many small problems side by side.

All problems share one design and are evaluated together, so that the cost of a step hardly
depends on how many intervals, refits or simulated data sets are asked for at once.

Symbols: `c` the criterion (minus log likelihood), `g`, `H` its gradient and Hessian, `N` a
basis of the directions a problem may move in.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from metafreeze.models.grouped_rows import Design, Times
from metafreeze.models.marginal_likelihood import Evaluation, evaluate
from metafreeze.models.study_peaks import Modes, no_modes
from metafreeze.results import BoolArray, FloatArray, IntArray

STEPS = 120
# Half the squared Newton step in standard errors: the criterion is then within this of its
# minimum, and every estimate within 1e-6 standard errors.
DECREMENT = 1e-12
# Where rounding of a long sum stops progress, the answer counts if the step left is below
# this many squared standard errors.
STALLED_DECREMENT = 1e-6
# Half squared standard errors within which the slope alone decides.
NEAR = 0.1
FIRST_RADIUS = 1.0
SMALLEST_RADIUS = 1e-9
MOST_IDLE = 6
CROSSING_STEPS = 25
LARGEST_RADIUS = 8.0
# Relative rounding of the criterion, a sum of rows.
ROUNDING = 1e-11


class Problem:
    """One design, its data, and the modes of the last evaluation as the next start."""

    def __init__(self, design: Design, times: Times, replicates: int, nodes: IntArray) -> None:
        self.design = design
        self.times = times
        self.nodes = nodes
        self.modes = no_modes(design, replicates)

    def at(self, theta: FloatArray, chosen: IntArray, *, derivatives: bool = True) -> Evaluation:
        """Evaluate some of the replicates."""
        start = Modes(self.modes.z[:, chosen], self.modes.v[:, chosen])
        out = evaluate(
            self.design,
            self.times.pick(slice(None), chosen),
            theta,
            self.nodes,
            start,
            derivatives=derivatives,
        )
        self.modes.z[:, chosen] = np.nan_to_num(out.modes.z, nan=0.0, posinf=0.0, neginf=0.0)
        self.modes.v[:, chosen] = np.nan_to_num(out.modes.v, nan=0.0, posinf=0.0, neginf=0.0)
        return out


class Minimum(NamedTuple):
    """Where each replicate ended: theta (R, T), c (R,), g (R, T), H (R, T, T), arrived (R,)."""

    theta: FloatArray
    value: FloatArray
    gradient: FloatArray
    hessian: FloatArray
    arrived: BoolArray


class _Step(NamedTuple):
    move: FloatArray
    decrement: FloatArray
    lowest: FloatArray
    away: FloatArray

    def keep(self, which: BoolArray) -> _Step:
        """Take some replicates."""
        return _Step(*(part[which] for part in self))

    def replaced(self, which: BoolArray, other: _Step) -> _Step:
        """Take some replicates from another step."""
        return _Step(
            *(
                np.where(which.reshape(-1, *[1] * (a.ndim - 1)), b, a)
                for a, b in zip(self, other, strict=True)
            )
        )


@np.errstate(all="ignore")
def _newton_step(gradient: FloatArray, hessian: FloatArray, basis: FloatArray) -> _Step:
    """Newton step within the basis (R, T, F), every curvature taken as positive."""
    g = (gradient[:, None, :] @ basis)[:, 0]
    h = np.swapaxes(basis, 1, 2) @ hessian @ basis
    values, vectors = np.linalg.eigh(h)
    largest = np.abs(values).max(axis=1, initial=0.0)
    size = np.maximum(np.abs(values), 1e-10 * largest[:, None] + np.finfo(float).tiny)
    along = (g[:, None, :] @ vectors)[:, 0]
    step = -(vectors @ (along / size)[..., None])
    return _Step(
        (basis @ step)[..., 0],
        (along**2 / size).sum(axis=1),
        values[:, 0] / np.maximum(largest, np.finfo(float).tiny),
        (basis @ vectors[:, :, :1])[..., 0],
    )


def minimise(
    problem: Problem,
    start: FloatArray,
    basis: FloatArray,
    *,
    steps: int = STEPS,
    goal: float = DECREMENT,
) -> Minimum:
    """Minimise each replicate's criterion over start + span(basis).

    Parameters
    ----------
    problem : Problem
        What is evaluated.
    start : array, shape (R, T)
        First parameter vectors.
    basis : array, shape (T, F) or (R, T, F)
        Directions that may move.
    steps : int
        Most steps for a replicate.
    goal : float
        Half the squared step, in standard errors, at which a replicate has arrived.

    Returns
    -------
    Minimum
    """
    theta = start.copy()
    count = len(theta)
    basis = np.broadcast_to(basis, (count, *basis.shape[-2:]))
    everyone = np.arange(count)
    first = problem.at(theta, everyone)
    value, gradient, hessian = first.value.copy(), first.gradient.copy(), first.hessian.copy()
    arrived = np.zeros(count, dtype=bool)
    if basis.shape[2] == 0:
        return Minimum(theta, value, gradient, hessian, np.isfinite(value))
    radius = np.full(count, FIRST_RADIUS)
    active = np.flatnonzero(np.isfinite(value) & np.isfinite(hessian).all(axis=(1, 2)))
    step = _newton_step(gradient[active], hessian[active], basis[active])
    idle = np.zeros(count, dtype=np.int64)
    for _ in range(steps):
        flat = step.decrement < goal
        # A flat place with a downward curvature is a saddle: leave it along that direction.
        saddle = flat & (step.lowest < -1e-7)
        arrived[active[flat & ~saddle]] = True
        keep = ~flat | saddle
        active, step, saddle = active[keep], step.keep(keep), saddle[keep]
        if not len(active):
            break
        move = np.where(saddle[:, None], 0.3 * step.away, step.move)
        length = np.abs(move).max(axis=1)
        cut = np.minimum(1.0, radius[active] / np.maximum(length, np.finfo(float).tiny))
        trial = theta[active] + cut[:, None] * move
        here = problem.at(trial, active)
        finite = np.isfinite(here.value) & np.isfinite(here.hessian).all(axis=(1, 2))
        shown = np.where(finite[:, None, None], here.hessian, np.eye(theta.shape[1]))
        ahead = _newton_step(np.where(finite[:, None], here.gradient, 0.0), shown, basis[active])
        gain = value[active] - np.where(finite, here.value, np.inf)
        slack = ROUNDING * (1.0 + np.abs(value[active]))
        promised = np.where(saddle, 0.0, (cut - 0.5 * cut * cut) * step.decrement)
        falls = (gain > 1e-4 * promised) | ((promised < slack) & (gain > -slack))
        # Too few nodes make the value jump a little as they move; near the goal a step counts
        # that brings the slope down, since slope and curvature belong to the same nodes.
        nears = (step.decrement < NEAR) & (ahead.decrement < 0.25 * step.decrement) & (gain > -NEAR)
        good = finite & (falls | (nears & ~saddle))
        moved = active[good]
        theta[moved], value[moved] = trial[good], here.value[good]
        gradient[moved], hessian[moved] = here.gradient[good], here.hessian[good]
        grown = np.where(cut >= 1.0, radius[active], 2.0 * radius[active])
        shrunk = 0.25 * np.minimum(cut * length, radius[active])
        radius[active] = np.where(good, np.minimum(grown, LARGEST_RADIUS), shrunk)
        # Steps that bring neither the value nor the slope down end the search.
        gets_on = good & ((gain > slack) | (ahead.decrement < 0.5 * step.decrement))
        idle[active] = np.where(gets_on, 0, idle[active] + 1)
        stuck = (radius[active] < SMALLEST_RADIUS) | (idle[active] > MOST_IDLE)
        arrived[active[stuck]] = step.decrement[stuck] < STALLED_DECREMENT
        step = step.replaced(good, ahead).keep(~stuck)
        active = active[~stuck]
    else:
        arrived[active] = step.decrement < STALLED_DECREMENT
    return Minimum(theta, value, gradient, hessian, arrived)


class Crossing(NamedTuple):
    """Where the profiled criterion reaches its target: c'theta (R,), theta (R, T), found (R,)."""

    at: FloatArray
    theta: FloatArray
    found: BoolArray


def null_basis(direction: FloatArray, free: IntArray) -> FloatArray:
    """Give an orthonormal basis (T, F - 1) of the free directions that leave c'theta alone."""
    size = len(direction)
    c = direction[free]
    full, _ = np.linalg.qr(np.column_stack([c, np.eye(len(free))]))
    out = np.zeros((size, len(free) - 1))
    out[free] = full[:, 1 : len(free)]
    return out


@np.errstate(all="ignore")
def find_crossings(
    problem: Problem,
    best: FloatArray,
    best_value: float,
    hessian: FloatArray,
    directions: FloatArray,
    signs: FloatArray,
    rise: FloatArray,
    free: IntArray,
    nudged: FloatArray,
) -> Crossing:
    """Find where the criterion, minimised over all else, stands `rise` above its minimum.

    Parameters
    ----------
    problem : Problem
        As many replicates as requests, all of one data set.
    best : array, shape (T,)
        The minimum, with criterion `best_value` and a Hessian that is positive on `free`.
    directions : array, shape (R, T)
        The linear function c'theta of each request.
    signs : array, shape (R,)
        +1 for the upper crossing, -1 for the lower.
    rise : array, shape (R,)
        Half the cut-off of the likelihood ratio statistic.
    free : array of int
        Parameters that may move.
    nudged : array, shape (T,)
        `best` with parts that stand exactly at zero moved off it, since a Newton step never
        leaves a point of symmetry.

    Returns
    -------
    Crossing
        Not found where the search did not settle.

    Source
    ------
    Venzon & Moolgavkar (1988), Applied Statistics 37, 87-94, doi:10.2307/2347496: Newton
    steps for c'theta and the other parameters at once.
    """
    count = len(signs)
    inverse = np.linalg.pinv(hessian[np.ix_(free, free)], hermitian=True)
    c = directions[:, free]
    along = c @ inverse
    variance = np.maximum((along * c).sum(axis=1), np.finfo(float).tiny)
    unit = np.zeros_like(directions)
    unit[:, free] = along / variance[:, None]
    basis = np.stack([null_basis(d, free) for d in directions])
    distance = np.sqrt(2.0 * rise * variance)
    theta = nudged + (signs * distance)[:, None] * unit
    # The nudge must not move c'theta itself; it lies in other parameters.
    centre = directions @ best
    at = centre + signs * distance
    found = np.zeros(count, dtype=bool)
    active = np.arange(count)
    for step in range(CROSSING_STEPS):
        if not len(active):
            break
        here = problem.at(theta[active], active)
        n, u, g = basis[active], unit[active], here.gradient
        finite = np.isfinite(here.value) & np.isfinite(here.hessian).all(axis=(1, 2))
        h = np.where(finite[:, None, None], here.hessian, np.eye(len(best)))
        g = np.where(finite[:, None], g, 0.0)
        above = np.where(finite, here.value, np.inf) - best_value - rise[active]
        g_n = (g[:, None, :] @ n)[:, 0]
        h_u = (h @ u[..., None])[..., 0]
        cross = (h_u[:, None, :] @ n)[:, 0]
        values, vectors = np.linalg.eigh(np.swapaxes(n, 1, 2) @ h @ n)
        largest = np.abs(values).max(axis=1, initial=0.0)
        size = np.maximum(np.abs(values), 1e-10 * largest[:, None] + np.finfo(float).tiny)
        g_v = (g_n[:, None, :] @ vectors)[:, 0]
        x_v = (cross[:, None, :] @ vectors)[:, 0]
        decrement = (g_v**2 / size).sum(axis=1)
        constant = above - 0.5 * decrement
        slope = (g * u).sum(axis=1) - (g_v * x_v / size).sum(axis=1)
        bend = 0.5 * ((h_u * u).sum(axis=1) - (x_v**2 / size).sum(axis=1))
        delta = _quadratic_step(constant, slope, bend, signs[active])
        # Never more than half the way from the centre, nor back across it.
        room = 0.5 * np.abs(at[active] - centre[active])
        delta = np.where(finite, np.clip(delta, -room, room), -signs[active] * room)
        move_n = -(vectors @ ((g_v + x_v * delta[:, None]) / size)[..., None])
        move_n = (n @ move_n)[..., 0]
        longest = np.abs(move_n).max(axis=1, initial=0.0)
        move_n *= np.minimum(1.0, FIRST_RADIUS / np.maximum(longest, FIRST_RADIUS))[:, None]
        saddle = values[:, 0] < -1e-7 * largest if values.shape[1] else np.zeros(len(active), bool)
        # With few nodes slope and value disagree by their error, and the tight goal may stay
        # out of reach; at the end what moves a limit by 1e-4 standard errors is let pass.
        loose = 1e4 if step == CROSSING_STEPS - 1 else 1.0
        settled = (
            finite
            & ~saddle
            & (decrement < 1e-9 * loose)
            & (np.abs(constant) < 1e-8 * loose * np.maximum(1.0, rise[active]))
        )
        theta[active] += delta[:, None] * u + np.where(finite[:, None], move_n, 0.0)
        at[active] += delta
        found[active[settled]] = True
        active = active[~settled]
    return Crossing(at, theta, found)


def _quadratic_step(
    constant: FloatArray, slope: FloatArray, bend: FloatArray, sign: FloatArray
) -> FloatArray:
    """Solve constant + slope d + bend d^2 = 0 for the root on the rising branch."""
    root = slope**2 - 4.0 * bend * constant
    steep = np.sqrt(np.maximum(root, 0.0))
    # Stable form of the root at which the derivative has the wanted sign and size `steep`.
    rising = sign * steep
    below = slope + rising
    safe = np.where(np.abs(below) > np.finfo(float).tiny, below, np.finfo(float).tiny)
    step = np.where(slope * sign > 0.0, -2.0 * constant / safe, (rising - slope) / (2.0 * bend))
    towards = -np.sign(constant) * sign * np.inf
    return np.where((root < 0.0) | ~np.isfinite(step), towards, step)
