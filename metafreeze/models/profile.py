"""Profile likelihood intervals for the pooled effect and for tau²."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import optimize, stats

from metafreeze.models.heterogeneity import require_level
from metafreeze.models.pool_input import Numbers, check_effects
from metafreeze.models.tau2 import (
    full_likelihood,
    likelihood_criterion,
    power_of_two_scale,
    residual_sums,
)
from metafreeze.results import RESULT, FloatArray, Result, round_for_people


@dataclass(**RESULT)
class ProfilePool(Result):
    """Full-likelihood pooling with profile intervals.

    Parameters
    ----------
    estimate, low, high : float
        Pooled effect.
    tau2, tau2_low, tau2_high : float
        Variance between studies.
    k : int
        Number of studies.
    level : float
        Level of the intervals.
    status, note : str
        As in `pool`.
    """

    estimate: float
    low: float
    high: float
    tau2: float
    tau2_low: float
    tau2_high: float
    k: int
    level: float
    status: str = "ok"
    note: str = ""

    def to_frame(self) -> pd.DataFrame:
        """Give the pooled effect and tau², one row each."""
        return pd.DataFrame(
            {
                "quantity": ["pooled effect", "tau2"],
                "estimate": [self.estimate, self.tau2],
                "low": [self.low, self.tau2_low],
                "high": [self.high, self.tau2_high],
                "reason": ["", self.note if np.isnan(self.tau2) else ""],
            }
        )

    def headline(self) -> str:
        """Say the result in one line."""
        return (
            f"pooled effect {round_for_people(self.estimate)} ({100 * self.level:g} % "
            f"{round_for_people(self.low)} to {round_for_people(self.high)}), {self.k} studies, "
            "profile likelihood"
        )


def profile_pool(estimate: Numbers, variance: Numbers, *, level: float = 0.95) -> ProfilePool:
    """Pool by full likelihood; both intervals from the profile of the likelihood.

    Parameters
    ----------
    estimate, variance : array, shape (k,)
        Effects and sampling variances above zero.
    level : float
        Level of the intervals.

    Returns
    -------
    ProfilePool

    Raises
    ------
    InputError
        A row is not usable.

    Source
    ------
    Hardy & Thompson (1996), Stat. Med. 15:619; examples RE-2 and RE-4.
    """
    require_level(level)
    effects = check_effects(estimate, variance)
    if effects.estimate.size == 1:
        return _alone(float(effects.estimate[0]), float(effects.variance[0]), level)
    y, v, scale = power_of_two_scale(effects.estimate, effects.variance)
    ones = np.ones((y.size, 1))
    tau2 = full_likelihood(y, v, ones)
    w = 1.0 / (v + tau2)
    mean = float(w @ y / w.sum())
    best = _criterion(y, v, ones, tau2)
    allowed = float(stats.chi2.isf(1 - level, 1))

    def tau2_gap(t: float) -> float:
        return _criterion(y, v, ones, t) - best - allowed

    def mean_gap(m: float) -> float:
        # With the mean fixed nothing is left to estimate but tau²: a design without columns.
        bare = np.empty((y.size, 0))
        return _criterion(y - m, v, bare, full_likelihood(y - m, v, bare)) - best - allowed

    step = float(v.min())
    tau2_low = 0.0 if tau2_gap(0.0) <= 0 else _solve(tau2_gap, 0.0, tau2)
    tau2_high = _solve(tau2_gap, tau2, _beyond(tau2_gap, tau2, step))
    reach = 1.0 / float(np.sqrt(w.sum()))
    low = _solve(mean_gap, _beyond(mean_gap, mean, -reach), mean)
    high = _solve(mean_gap, mean, _beyond(mean_gap, mean, reach))
    return ProfilePool(
        estimate=mean * scale,
        low=low * scale,
        high=high * scale,
        tau2=tau2 * scale**2,
        tau2_low=tau2_low * scale**2,
        tau2_high=tau2_high * scale**2,
        k=y.size,
        level=level,
        status="boundary" if tau2 == 0 else "ok",
    )


def _alone(y: float, v: float, level: float) -> ProfilePool:
    half = float(stats.norm.isf((1 - level) / 2) * np.sqrt(v))
    nan = float("nan")
    return ProfilePool(
        estimate=y,
        low=y - half,
        high=y + half,
        tau2=nan,
        tau2_low=nan,
        tau2_high=nan,
        k=1,
        level=level,
        status="unidentifiable",
        note="one study says nothing on how much studies disagree",
    )


def _criterion(y: FloatArray, v: FloatArray, x: FloatArray, t: float) -> float:
    sums = residual_sums(y, v, x, np.array([t]))
    return float(likelihood_criterion(sums, restricted=False)[0])


def _beyond(gap: Callable[[float], float], start: float, step: float) -> float:
    """Walk from `start` in growing steps until the gap is above zero."""
    at = start + step
    while gap(at) < 0:
        step *= 2.0
        at = start + step
    return at


def _solve(gap: Callable[[float], float], low: float, high: float) -> float:
    return float(optimize.brentq(gap, low, high, xtol=1e-13, rtol=1e-13))
