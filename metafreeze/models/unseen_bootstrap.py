"""Parametric simulation of times that are looked at as the real ones were."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from metafreeze.errors import InputError
from metafreeze.models import censored_likelihood as rows_of
from metafreeze.models.grouped_rows import Design, Times, unpack_theta
from metafreeze.models.lockstep import Problem, minimise, null_basis
from metafreeze.models.unseen_fit import FLAT_SHARE, Fitted, Standardised
from metafreeze.models.unseen_input import UnseenRows
from metafreeze.models.unseen_intervals import off_zero, theta_directions
from metafreeze.results import BoolArray, FloatArray

# Data sets simulated from one spawned stream and fitted side by side; fixed, so that the
# draws do not depend on memory or processors.
BLOCK = 64
# Nodes in each of none, one, two ... dimensions for simulated data, and where a search ends;
# what more would add is far below the error of a quantile of some thousand draws.
MOST_NODES = (1, 40, 18, 8, 5)
GOAL = 1e-7


@dataclass(frozen=True, slots=True, kw_only=True)
class Looks:
    """How rows were watched, as given: time between looks and end of watching, or NaN."""

    every: FloatArray
    until: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    """How rows of a fit are watched, in time units.

    Attributes
    ----------
    first : array, shape (n,)
        A time at which the row was looked at.
    every : array, shape (n,)
        Time between looks; zero where it was watched always.
    until : array, shape (n,)
        When watching ended; infinite where never.
    """

    first: FloatArray
    every: FloatArray
    until: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class BootstrapCutOff:
    """Likelihood ratios of the simulated data at the truth.

    Attributes
    ----------
    ratios : array, shape (used, m)
        For each data set and function.
    cut_off : array, shape (m,)
        Their quantile at the level asked for.
    used : int
        Data sets with a finite fit.
    """

    ratios: FloatArray
    cut_off: FloatArray
    used: int

    def p_value(self, rise: FloatArray) -> FloatArray:
        """Share of simulated ratios at or above the rise, the data itself counted."""
        if not self.used:
            return np.full(len(rise), np.nan)
        above = (self.ratios >= rise).sum(axis=0)
        return np.where(np.isfinite(rise), (1.0 + above) / (1.0 + self.used), np.nan)


def check_looks(every: npt.ArrayLike | None, until: npt.ArrayLike | None, n: int) -> Looks:
    """Check what is said about looking; NaN where it is to be read off the data.

    Raises
    ------
    InputError
        Wrong length, or a value below zero.
    """
    parts = []
    for name, given in (("check_interval", every), ("watched_until", until)):
        values = np.full(n, np.nan) if given is None else np.asarray(given, dtype=float)
        if values.shape != (n,):
            raise InputError(
                f"{name} has shape {values.shape}; it needs one value for each of the {n} rows."
            )
        wrong = np.flatnonzero(values < 0.0)
        if len(wrong):
            raise InputError(
                f"{name} is {values[wrong[0]]:g} in row {wrong[0] + 1}. Give zero or more, or NaN."
            )
        parts.append(values)
    return Looks(every=parts[0], until=parts[1])


def plan_watch(rows: UnseenRows, looks: Looks) -> Watch:
    """Complete what was said about looking from the data.

    A window repeats itself; a row never seen frozen is looked at like its neighbours; a group
    (batch, else study) in which some were given up is watched until its latest known look.
    """
    with np.errstate(over="ignore"):
        low = np.exp(rows.lower + rows.offset)
        high = np.exp(rows.upper + rows.offset)
    right = rows.kind == rows_of.RIGHT
    exact = rows.kind == rows_of.EXACT
    every = np.where(exact | right, 0.0, high - low)
    first = np.where(exact, 0.0, low)
    until = np.full(len(low), np.inf)
    group = np.where(rows.member, rows.batch, rows.study + rows.batch.max() + 1)
    for code in np.unique(group[right]):
        inside = group == code
        until[inside] = np.where(right, low, high)[inside].max()
        looked = inside & ~right & (every > 0.0)
        if looked.any():
            every[inside & right] = np.median(every[looked])
    until[right] = low[right]
    said_every, said_until = looks.every[rows.source], looks.until[rows.source]
    return Watch(
        first=first,
        every=np.where(np.isnan(said_every), every, said_every),
        until=np.where(np.isnan(said_until), until, said_until),
    )


def watch_times(time: FloatArray, watch: Watch) -> tuple[FloatArray, FloatArray]:
    """Turn times (n, R) into the bounds an observer would write down."""
    every, until = watch.every[:, None], watch.until[:, None]
    looked = every > 0.0
    step = np.where(looked, every, 1.0)
    turn = np.ceil((time - watch.first[:, None]) / step)
    high = np.where(looked, watch.first[:, None] + turn * step, time)
    low = np.where(looked, np.maximum(high - step, 0.0), time)
    # The last look at or before the end of watching.
    last = np.where(
        looked & np.isfinite(until),
        watch.first[:, None] + np.floor((until - watch.first[:, None]) / step) * step,
        until,
    )
    last = np.where(last > 0.0, last, until)
    gone = high > until
    return np.where(gone, np.minimum(low, last), low), np.where(gone, np.inf, high)


def draw_times(
    design: Design, theta: FloatArray, rng: np.random.Generator, count: int
) -> tuple[FloatArray, FloatArray]:
    """Draw log times (n, R) in standardised units, and the summaries' sums of squares (R,)."""
    n, studies, batches, p, q = design.sizes
    sigma, factor, omega = unpack_theta(design, theta[None])
    y = np.repeat((design.x @ theta[:p])[:, None], count, axis=1)
    if q:
        effects = rng.standard_normal((studies, count, q)) @ factor[0].T
        y += (design.z[:, None, :] * effects[design.study_of_row]).sum(axis=2)
    if design.has_batch:
        shift = omega[0] * rng.standard_normal((batches, count))
        y += design.member[:, None] * shift[design.batch_of_row]
    s = np.sqrt(design.share * sigma[0] ** 2 + design.added)[:, None]
    if design.family == "weibull":
        noise = np.log(rng.standard_exponential((n, count)))
    else:
        noise = rng.standard_normal((n, count))
    y += s * noise
    squares = np.zeros(count)
    for beyond in design.beyond[design.beyond > 0.0]:
        squares += sigma[0] ** 2 * rng.chisquare(beyond, size=count)
    return y, squares


def simulate(
    rows: UnseenRows,
    watch: Watch,
    scaled: Standardised,
    theta: FloatArray,
    rng: np.random.Generator,
    count: int,
) -> Times:
    """Draw data sets from the fit and look at them as the rows were looked at."""
    y, squares = draw_times(scaled.row_design, theta, rng, count)
    back = (rows.x @ scaled.start + rows.offset)[:, None]
    with np.errstate(over="ignore", divide="ignore"):
        low, high = watch_times(np.exp(back + scaled.unit * y), watch)
        same = low == high
        low = (np.log(low) - back) / scaled.unit
        high = (np.log(high) - back) / scaled.unit
    low = np.where(same, y, low)
    high = np.where(same, y, high)
    return Times(low, high, rows_of.classify_rows(low, high), squares)


def bootstrap_cut_off(
    rows: UnseenRows,
    looks: Looks,
    scaled: Standardised,
    fitted: Fitted,
    functions: FloatArray,
    level: float,
    *,
    seed: int,
    draws: int,
) -> BootstrapCutOff:
    """Simulate the likelihood ratio of each function at its fitted value.

    Parameters
    ----------
    rows, looks, scaled, fitted
        The data, how they were watched, and the fit.
    functions : array, shape (m, p)
        Functions c'beta.
    level : float
        Level of the interval.
    seed, draws : int
        Seed, spawned for blocks of 64 draws, and their number.

    Returns
    -------
    BootstrapCutOff

    Source
    ------
    Davison & Hinkley (1997), Bootstrap Methods and their Application, Cambridge, ch. 4 and 5.
    """
    watch = plan_watch(rows, looks)
    blocks = -(-draws // BLOCK)
    streams = np.random.default_rng(seed).spawn(blocks)
    found = []
    for i, stream in enumerate(streams):
        times = simulate(rows, watch, scaled, fitted.theta, stream, BLOCK)
        size = min(BLOCK, draws - i * BLOCK)
        times = times.pick(slice(None), np.arange(size))
        ratios, good = likelihood_ratios(scaled, fitted, times, functions)
        found.append(ratios[good])
    ratios = np.concatenate(found)
    used = len(ratios)
    rank = int(np.ceil(level * (used + 1)))
    if not 1 <= rank <= used:
        return BootstrapCutOff(ratios=ratios, cut_off=np.full(len(functions), np.nan), used=used)
    return BootstrapCutOff(ratios=ratios, cut_off=np.sort(ratios, axis=0)[rank - 1], used=used)


def likelihood_ratios(
    scaled: Standardised, fitted: Fitted, times: Times, functions: FloatArray
) -> tuple[FloatArray, BoolArray]:
    """Likelihood ratio (R, m) of each function at its fitted value, and which fits are finite."""
    design = scaled.row_design
    count = times.kind.shape[1]
    size = design.parameter_count
    nodes = fitted.nodes
    # Which study needs most differs from draw to draw, so all get the same.
    most = MOST_NODES[design.dimensions]
    nodes = np.broadcast_to(np.minimum(nodes.max(axis=0), most), nodes.shape).copy()
    start = np.repeat(off_zero(scaled, fitted)[None], count, axis=0)
    basis = np.eye(size)[:, scaled.free]
    best = minimise(Problem(design, times, count, nodes), start, basis, goal=GOAL)
    p = scaled.back.shape[1]
    bend = best.hessian[:, :p, :p]
    curve = np.linalg.eigvalsh(np.where(np.isfinite(bend), bend, 0.0))
    good = best.arrived & (curve[:, 0] > 1e-3 * FLAT_SHARE * curve[:, -1])
    directions = theta_directions(scaled, functions)
    ratios = np.zeros((count, len(functions)))
    for j, direction in enumerate(directions):
        moved = best.theta.copy()
        gap = direction @ fitted.theta - best.theta @ direction
        moved += gap[:, None] * direction / (direction @ direction)
        held = minimise(
            Problem(design, times, count, nodes),
            moved,
            null_basis(direction, scaled.free),
            goal=GOAL,
        )
        good &= held.arrived
        ratios[:, j] = 2.0 * (held.value - best.value)
    return np.maximum(np.where(np.isfinite(ratios), ratios, 0.0), 0.0), good
