"""Power by simulation: the trials to come, run many times and fitted as they will be."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from metafreeze.errors import InputError
from metafreeze.models.many_fits import ManyFits, fit_outcomes
from metafreeze.planning.power import FEWEST_LABS, TrialDesign
from metafreeze.planning.simulate import Scatter, scatter_log_times, share_limits
from metafreeze.results import RESULT, FloatArray, IntArray, Result, round_for_people

NAN = float("nan")
WITHIN = "within"
QUESTIONS = ("effect", "equivalence", "new lab")
COLUMNS = ("question", "hits", "fits", "power", "low", "high")


@dataclass(**RESULT)
class SimulatedPower(Result):
    """How often each question was answered.

    Parameters
    ----------
    hits : array of int, shape (3,)
        Effect noticed; shown smaller than the bound; range for a new lab on one side.
    fits : int
        Simulations that were fitted.
    failed : int
        Those that were not; counted apart and not in the shares.
    noticeable : float
        Smallest effect that the wanted share of simulations would notice; log ratio.
    half_width, new_lab_half_width : float
        Median half width of the interval, and of the range for a new lab; log ratio.
    simulations, seed : int
    """

    hits: IntArray
    fits: int
    failed: int
    noticeable: float
    half_width: float
    new_lab_half_width: float
    simulations: int
    seed: int

    def power(self, question: str) -> tuple[float, float, float]:
        """Give a question's share with its 95 % Monte Carlo interval."""
        hits = int(self.hits[QUESTIONS.index(question)])
        if not self.fits or hits < 0:
            return NAN, NAN, NAN
        return hits / self.fits, *share_limits(hits, self.fits)

    def to_frame(self) -> pd.DataFrame:
        """Give one row a question; hits below zero mean that it cannot be asked."""
        lines = [
            (q, max(int(h), 0), self.fits, *self.power(q))
            for q, h in zip(QUESTIONS, self.hits, strict=True)
        ]
        return pd.DataFrame(lines, columns=list(COLUMNS))

    def headline(self) -> str:
        """Say the power in one line."""
        share, low, high = self.power("effect")
        return (
            f"power {round_for_people(share)} ({round_for_people(low)} to "
            f"{round_for_people(high)}) in {self.fits} simulations, {self.failed} failed"
        )


def simulate_power(
    design: TrialDesign,
    scatter: Scatter,
    log_ratio: float,
    *,
    bound: float,
    power: float = 0.8,
    simulations: int = 400,
    seed: int = 1,
) -> SimulatedPower:
    """Run the trials many times and fit each with the mixed model.

    Parameters
    ----------
    design : TrialDesign
    scatter : Scatter
    log_ratio : float
        True effect at the pair for the questions of an effect and of a new lab. For equivalence
        nothing is true; its power is asked of no difference.
    bound : float
        Bound of equivalence, log ratio.
    power : float
        Power at which an effect counts as noticeable.
    simulations : int
    seed : int

    Returns
    -------
    SimulatedPower

    Raises
    ------
    InputError
        Fewer simulations than one.

    Source
    ------
    The model of `metafreeze.fit_outcomes`; of the Kenward-Roger interval and the one from labs as
    clusters the wider, as in a challenge. A true effect moves the
    estimates and nothing else, since restricted likelihood knows only residuals; so one set of
    simulations answers all questions.
    """
    if simulations < 1:
        raise InputError(f"simulations is {simulations!r}. Give at least one.")
    rng = np.random.default_rng(seed)
    if design.labs == 1:
        # One lab is asked about itself: how it differs from others is no error there.
        scatter = replace(scatter, slope_sd_per_10k=0.0)
    start, lab, batch = _layout(design)
    outcomes = np.column_stack(
        [scatter_log_times(start, lab, batch, scatter, rng) for _ in range(simulations)]
    )
    fits = _fit(outcomes, start, lab, batch)
    place = fits.names.index(WITHIN)
    fine = fits.settled & np.isfinite(fits.se[:, place]) & (fits.df[:, place] > 0.0)
    estimate, se = (design.units * a[fine, place] for a in (fits.estimate, fits.se))
    reach95, reach90 = (_reach(fits, place, design.units, level)[fine] for level in (0.975, 0.95))
    # Without an effect the question is of the hotter one being sooner.
    side = math.copysign(1.0, log_ratio) if log_ratio else -1.0
    noticed = (estimate + log_ratio) * side - reach95 > 0.0
    alike = np.abs(estimate) + reach90 < bound
    hits = [int(noticed.sum()), int(alike.sum()), -1]
    new_lab = np.array([])
    if design.labs >= FEWEST_LABS and f"study {WITHIN}" in fits.parts:
        between = design.units * fits.spread[fine, fits.parts.index(f"study {WITHIN}")]
        new_lab = float(stats.t.isf(0.025, design.labs - 2)) * np.hypot(between, se)
        away = (estimate + log_ratio) * side - new_lab
        hits[2] = int((away > 0.0).sum())
    return SimulatedPower(
        hits=np.array(hits, dtype=np.int64),
        fits=int(fine.sum()),
        failed=int((~fine).sum()),
        # An effect moves each estimate by itself, so it is noticed from here on.
        noticeable=float(np.quantile(reach95 - side * estimate, power)) if reach95.size else NAN,
        half_width=float(np.median(reach95)) if reach95.size else NAN,
        new_lab_half_width=float(np.median(new_lab)) if new_lab.size else NAN,
        simulations=simulations,
        seed=seed,
    )


def _reach(fits: ManyFits, place: int, units: float, level: float) -> FloatArray:
    """Give half of the wider of two intervals, as a challenge takes it."""
    model = stats.t.ppf(level, fits.df[:, place]) * fits.se[:, place]
    robust = stats.t.ppf(level, fits.robust_df[:, place]) * fits.robust_se[:, place]
    return np.asarray(units * np.fmax(model, robust), dtype=np.float64)


def _layout(design: TrialDesign) -> tuple[FloatArray, IntArray, IntArray]:
    """Lay out start temperatures in 10 K above the colder one, labs and batches.

    Where a batch holds an odd number of vessels, the one more goes to hot and cold in turn.
    """
    half, odd = divmod(design.vessels, 2)
    blocks = design.labs * design.batches
    hot = np.zeros((blocks, design.vessels))
    for b in range(blocks):
        hot[b, : half + odd * (b % 2)] = 1.0
    block = np.repeat(np.arange(blocks), design.vessels)
    start = design.units * hot.ravel()
    return start, (block // design.batches).astype(np.int64), block.astype(np.int64)


def _fit(outcomes: FloatArray, start: FloatArray, lab: IntArray, batch: IntArray) -> ManyFits:
    """Fit as register rows are fitted: the effect within batches.

    Differences between batches are orthogonal to it and left to their random level.
    """
    labs = int(lab.max()) + 1
    within = start - _mean_of(start, batch)
    columns = {"intercept": np.ones(start.size), WITHIN: within}
    more: dict[str, Any] = {}
    if labs > 1:
        # Two labs cannot show how labs disagree, three not how level and effect go together.
        varying = columns if labs >= FEWEST_LABS else {"intercept": columns["intercept"]}
        more = {"varying": pd.DataFrame(varying), "correlated": labs > FEWEST_LABS}
    if batch.max() > lab.max():
        more["batch"] = batch.astype(str)
    table = pd.DataFrame(columns)
    return fit_outcomes(outcomes, table, lab.astype(str), names=tuple(columns), **more)


def _mean_of(values: FloatArray, groups: IntArray) -> npt.NDArray[np.float64]:
    return (np.bincount(groups, values) / np.bincount(groups))[groups]
