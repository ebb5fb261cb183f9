"""Trials that never were: log times with known scatter, and looks at a known rhythm."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import stats

from metafreeze.errors import InputError
from metafreeze.results import FloatArray, IntArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """Standard deviations of ln time, by where they come from.

    Parameters
    ----------
    run_sd : float
        Among vessels of one batch that were started alike.
    batch_sd : float
        Shared by the vessels of a batch.
    lab_sd : float
        Shared by the runs of a lab.
    slope_sd_per_10k : float
        Of the effect of a start 10 K hotter between labs.
    """

    run_sd: float
    batch_sd: float = 0.0
    lab_sd: float = 0.0
    slope_sd_per_10k: float = 0.0

    def __post_init__(self) -> None:
        """Refuse a spread below zero."""
        for name in ("run_sd", "batch_sd", "lab_sd", "slope_sd_per_10k"):
            value = getattr(self, name)
            if not (np.isfinite(value) and value >= 0.0):
                raise InputError(
                    f"{name} is {value!r}. Give a standard deviation of ln time, zero or above "
                    "(0.05 is 5 %)."
                )


def scatter_log_times(
    start_10k: npt.ArrayLike,
    lab: IntArray,
    batch: IntArray,
    scatter: Scatter,
    rng: np.random.Generator,
    *,
    level: npt.ArrayLike = 1.0,
) -> FloatArray:
    """Draw what labs, batches and runs add to ln time.

    Parameters
    ----------
    start_10k : array, shape (n,)
        Start temperature above a reference, in 10 K.
    lab, batch : array of int, shape (n,)
        Codes from zero.
    scatter : Scatter
    rng : Generator
    level : array-like
        One for a time; zero for a log ratio, in which the levels of lab and batch cancel.

    Returns
    -------
    array, shape (n,)

    Source
    ------
    The one-stage model of `metafreeze.models.mixed`: slope and level of a lab, level of a
    batch, residual; all normal and independent of each other.
    """
    x = np.asarray(start_10k, dtype=np.float64)
    labs = int(lab.max()) + 1 if lab.size else 0
    batches = int(batch.max()) + 1 if batch.size else 0
    slope = scatter.slope_sd_per_10k * rng.standard_normal(labs)
    lab_level = scatter.lab_sd * rng.standard_normal(labs)
    run = scatter.run_sd * rng.standard_normal(x.size)
    shared = scatter.batch_sd * rng.standard_normal(batches)
    here = np.asarray(level, dtype=np.float64)
    return np.asarray(slope[lab] * x + here * (lab_level[lab] + shared[batch]) + run)


def look_at(
    time_s: npt.ArrayLike,
    *,
    every_s: npt.ArrayLike = 0.0,
    first_s: npt.ArrayLike = 0.0,
    until_s: npt.ArrayLike = np.inf,
) -> tuple[FloatArray, FloatArray]:
    """Tell what somebody sees who looks now and then and goes home.

    Parameters
    ----------
    time_s : array, shape (n,)
        When it happened.
    every_s : array-like
        Time between looks; zero where the time was seen exactly.
    first_s : array-like
        One of the times at which somebody looked.
    until_s : array-like
        The last look; infinite where somebody stayed.

    Returns
    -------
    lower_s, upper_s : array, shape (n,)
        Not yet at, and seen by; the latter infinite where it was never seen.
    """
    time = np.asarray(time_s, dtype=np.float64)
    every, first, until = (
        np.broadcast_to(np.asarray(v, dtype=np.float64), time.shape)
        for v in (every_s, first_s, until_s)
    )
    step = np.where(every > 0.0, every, 1.0)
    before = first + step * np.floor((time - first) / step)
    lower = np.where(every > 0.0, np.maximum(before, 0.0), time)
    upper = np.where(every > 0.0, before + step, time)
    never = time > until
    return np.where(never, until, lower), np.where(never, np.inf, np.minimum(upper, until))


def share_limits(hits: int, n: int, *, level: float = 0.95) -> tuple[float, float]:
    """Give the limits of a share counted in simulations.

    Parameters
    ----------
    hits, n : int
        Count, and of how many; no limits but 0 and 1 where n is zero.
    level : float

    Returns
    -------
    low, high : float

    Source
    ------
    Clopper & Pearson (1934), doi:10.1093/biomet/26.4.404.
    """
    tail = 0.5 - level / 2.0
    low = 0.0 if hits == 0 else float(stats.beta.ppf(tail, hits, n - hits + 1))
    high = 1.0 if hits == n else float(stats.beta.isf(tail, hits + 1, n - hits))
    return low, high
