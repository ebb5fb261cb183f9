"""Pool counts "hotter first in k of n" by their exact likelihood, no corrections.

Each study (or specimen) has its own log odds, normal around a mean; given them its count is
binomial. The integral over the normal is done by the trapezoid rule around its mode, which
holds also where a spread is large and a count is 0, where Gauss and Hermite fail.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import optimize, special, stats

from metafreeze.errors import Fault, InputError, Location
from metafreeze.models.heterogeneity import require_level
from metafreeze.results import RESULT, FloatArray, Result, round_for_people

# Trapezoid rule in z with u = mode + width sinh(z): fine at the mode, far-reaching beyond it.
# Its error falls like exp(-2 pi d / step), d the distance of the nearest pole: 0.4 up to a tau of
# 5, 0.1 at 20.
FURTHEST = 7.0
COARSE, FINE, STEEP = 0.05, 0.025, 5.0
MODE_STEPS = 200
# Wider than any log odds or spread that counts up to 1e9 can show.
WIDEST = 40.0
NAN = float("nan")


@dataclass(**RESULT)
class PooledCounts(Result):
    """Pooled chance that the hotter one is first.

    Parameters
    ----------
    estimate, low, high : float
        Mean log odds with its profile likelihood interval, calibrated for few clusters.
    chance, chance_low, chance_high : float
        The same as a chance (of the middle study).
    p : float
        Likelihood ratio test of even odds, calibrated alike; the null is seldom even odds, see the
        shuffle test.
    tau2, tau2_low, tau2_high : float
        Variance of log odds between clusters.
    prediction_low, prediction_high : float
        Range of the chance in a new cluster, plug-in.
    log_likelihood : float
        At the optimum, binomial coefficients included.
    k : int
        Number of clusters.
    events, pairs : float
        Totals.
    level : float
        Level of the intervals.
    status, note : str
        As in `pool`.
    reasons : dict
        Name of a missing number to why it is missing.
    """

    estimate: float
    low: float
    high: float
    chance: float
    chance_low: float
    chance_high: float
    p: float
    tau2: float
    tau2_low: float
    tau2_high: float
    prediction_low: float
    prediction_high: float
    log_likelihood: float
    k: int
    events: float
    pairs: float
    level: float
    status: str
    note: str
    reasons: dict[str, str] = field(default_factory=dict)

    def to_frame(self) -> pd.DataFrame:
        """Give log odds, chance, new cluster and tau², one row each."""
        why = self.reasons.get
        rows = [
            ("log odds", self.estimate, self.low, self.high, self.p, why("estimate", "")),
            (
                "chance of hotter first",
                self.chance,
                self.chance_low,
                self.chance_high,
                NAN,
                why("estimate", ""),
            ),
            (
                "chance in a new cluster",
                self.chance,
                self.prediction_low,
                self.prediction_high,
                NAN,
                why("prediction", why("estimate", "")),
            ),
            ("tau2", self.tau2, self.tau2_low, self.tau2_high, NAN, why("tau2", "")),
        ]
        return pd.DataFrame(rows, columns=["quantity", "estimate", "low", "high", "p", "reason"])

    def headline(self) -> str:
        """Say the result in one line."""
        return (
            f"hotter first in {self.events:g} of {self.pairs:g} pairs, {self.k} clusters: chance "
            f"{round_for_people(self.chance)} ({100 * self.level:g} % "
            f"{round_for_people(self.chance_low)} to {round_for_people(self.chance_high)}); "
            f"exact binomial likelihood; {self.status}"
        )


def pool_counts(
    k: npt.ArrayLike,
    n: npt.ArrayLike,
    *,
    cluster: Sequence[Hashable] | npt.ArrayLike | None = None,
    level: float = 0.95,
) -> PooledCounts:
    """Pool counts of pairs in which the hotter one was first.

    Use it where some counts are 0 or n, where log odds have no variance. Rows of one cluster
    (a specimen frozen again and again, or a study) share one chance and are added up.

    Parameters
    ----------
    k, n : array, shape (m,)
        Pairs with the hotter one first, and pairs; ties left out.
    cluster : sequence, shape (m,), optional
        Which rows share a chance; each row its own by default.
    level : float
        Level of the intervals.

    Returns
    -------
    PooledCounts
        With all counts at 0 or all at n there is no finite estimate, only a one-sided limit.

    Raises
    ------
    InputError
        A count is not between 0 and n, or n is below 1.

    Source
    ------
    Stijnen, Hamza & Ozdemir (2010), Stat. Med. 29:3046, doi:10.1002/sim.4040, binomial-normal
    model; all-or-none counts: Clopper & Pearson (1934), Biometrika 26:404, one-sided.

    Examples
    --------
    >>> counted = pool_counts([1, 0, 2], [12, 8, 20])
    >>> round(counted.chance, 3)
    0.075
    """
    require_level(level)
    events, pairs = _clustered(k, n, cluster)
    total, of = float(events.sum()), float(pairs.sum())
    if total in (0.0, of):
        return _one_sided(events, pairs, level)
    model = _Counts(k=events, n=pairs)
    mu, tau, best = model.optimum()
    mean_drop = _allowed_drop(events.size, level)
    tau_drop = float(stats.chi2.isf(1 - level, 1)) / 2

    def mean_gap(m: float) -> float:
        return best - model.profile_mean(m) - mean_drop

    def tau_gap(t: float) -> float:
        return best - model.profile_tau(t) - tau_drop

    low, high = _outward(mean_gap, mu, -1.0), _outward(mean_gap, mu, 1.0)
    notes, reasons = [], {}
    if events.size < 2:
        reasons["tau2"] = "one cluster says nothing on how much clusters disagree"
        tau2 = tau2_low = tau2_high = NAN
        reasons["prediction"] = reasons["tau2"]
        prediction = (NAN, NAN)
    else:
        tau2 = tau**2
        tau2_low = 0.0 if tau == 0 or tau_gap(0.0) <= 0 else _root(tau_gap, 0.0, tau) ** 2
        tau2_high = _outward(tau_gap, tau, 1.0) ** 2
        reach = float(stats.norm.isf((1 - level) / 2)) * tau
        prediction = (float(special.expit(mu - reach)), float(special.expit(mu + reach)))
        if tau == 0:
            notes.append(
                "no disagreement beyond chance was seen, which does not show that studies agree"
            )
    return PooledCounts(
        estimate=mu,
        low=low,
        high=high,
        chance=float(special.expit(mu)),
        chance_low=float(special.expit(low)),
        chance_high=float(special.expit(high)),
        p=_even_odds_p(events.size, max(0.0, best - model.profile_mean(0.0))),
        tau2=tau2,
        tau2_low=tau2_low,
        tau2_high=tau2_high,
        prediction_low=prediction[0],
        prediction_high=prediction[1],
        log_likelihood=best,
        k=events.size,
        events=total,
        pairs=of,
        level=level,
        status="boundary" if events.size > 1 and tau == 0 else "ok",
        note="; ".join(notes),
        reasons=reasons,
    )


def _allowed_drop(clusters: int, level: float) -> float:
    """Give the fall of the log likelihood that bounds the interval of the mean.

    Were log odds seen without binomial error, they would be a normal sample of m and twice the
    fall exactly ``m ln(1 + t²/(m - 1))`` with t on m - 1. The chi-square limit of this covers too
    seldom: 0.91 for 0.95 with six and with twelve clusters (first run of
    tests/calibration/pooling_models_coverage.py).
    """
    if clusters == 1:
        return float(stats.chi2.isf(1 - level, 1)) / 2
    t = float(stats.t.isf((1 - level) / 2, clusters - 1))
    return clusters / 2 * float(np.log1p(t * t / (clusters - 1)))


def _even_odds_p(clusters: int, drop: float) -> float:
    """Give the p-value of a fall of the log likelihood, the inverse of `_allowed_drop`."""
    if clusters == 1:
        return float(stats.chi2.sf(2 * drop, 1))
    t = float(np.sqrt((clusters - 1) * np.expm1(2 * drop / clusters)))
    return float(2 * stats.t.sf(t, clusters - 1))


def _clustered(
    k: npt.ArrayLike, n: npt.ArrayLike, cluster: object
) -> tuple[FloatArray, FloatArray]:
    events = np.atleast_1d(np.asarray(k, dtype=np.float64))
    pairs = np.atleast_1d(np.asarray(n, dtype=np.float64))
    if events.shape != pairs.shape or events.ndim != 1 or events.size == 0:
        raise InputError(
            f"k has shape {events.shape} and n has {pairs.shape}. Give one of each per row."
        )
    names = [str(i + 1) for i in range(events.size)] if cluster is None else list(map(str, cluster))  # type: ignore[call-overload]
    if len(names) != events.size:
        raise InputError(f"cluster has {len(names)} names and k has {events.size} rows.")
    faults = []
    for i, (a, b) in enumerate(zip(events, pairs, strict=True)):
        if not (np.isfinite(a) and np.isfinite(b) and 0 <= a <= b and b >= 1):
            faults.append(
                Fault(
                    rule="count",
                    message=f"{a:g} of {b:g} is not a count of pairs",
                    remedy="Give counts with 0 ≤ k ≤ n and n from 1, or leave the row out.",
                    location=Location(row=i + 1, column="k", run=names[i]),
                    value=f"{a:g}",
                )
            )
    if faults:
        raise InputError(faults=faults)
    order, member = np.unique(np.array(names), return_inverse=True)
    sums = [np.bincount(member, weights=w, minlength=order.size) for w in (events, pairs)]
    return sums[0].astype(np.float64), sums[1].astype(np.float64)


def _one_sided(events: FloatArray, pairs: FloatArray, level: float) -> PooledCounts:
    """Give only what all-or-none counts show: an exact one-sided limit of the chance."""
    total, of = float(events.sum()), float(pairs.sum())
    none = total == 0
    # 1 - level^... : the exact limit solves (1 - p)^n = 1 - level.
    limit = float(-np.expm1(np.log1p(-level) / of))
    why = f"the hotter one was {'never' if none else 'always'} first, so only a limit is known"
    return PooledCounts(
        estimate=NAN,
        low=NAN,
        high=NAN,
        chance=NAN,
        chance_low=0.0 if none else 1.0 - limit,
        chance_high=limit if none else 1.0,
        p=NAN,
        tau2=NAN,
        tau2_low=NAN,
        tau2_high=NAN,
        prediction_low=NAN,
        prediction_high=NAN,
        log_likelihood=NAN,
        k=events.size,
        events=total,
        pairs=of,
        level=level,
        status="boundary",
        note=f"{why}; the limit is exact, one-sided, and takes all pairs as independent",
        reasons=dict.fromkeys(("estimate", "tau2", "prediction"), why),
    )


@lru_cache(maxsize=2)
def _nodes(step: float) -> tuple[FloatArray, FloatArray]:
    half = round(FURTHEST / step)
    z = np.arange(-half, half + 1) * step
    return np.sinh(z), np.log(np.cosh(z) * step) - 0.5 * np.log(2 * np.pi)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Counts:
    k: FloatArray
    n: FloatArray

    def log_likelihood(self, mu: float, tau: float) -> float:
        """Give ln of the product over clusters of the binomial averaged over the normal."""
        return self.with_slopes(mu, tau)[0]

    def with_slopes(self, mu: float, tau: float) -> tuple[float, float, float, float]:
        """Give the log likelihood, its slopes in the mean and in tau, and its bend in the mean."""
        coefficient = (
            special.gammaln(self.n + 1)
            - special.gammaln(self.k + 1)
            - special.gammaln(self.n - self.k + 1)
        )
        mode, width = self._mode(mu, tau)
        reach, log_weights = _nodes(COARSE if tau <= STEEP else FINE)
        u = mode[:, np.newaxis] + width[:, np.newaxis] * reach
        eta = mu + tau * u
        k, n = self.k[:, np.newaxis], self.n[:, np.newaxis]
        inside = k * eta - n * np.logaddexp(0.0, eta) - 0.5 * u * u + log_weights
        top = inside.max(axis=1, keepdims=True)
        mass = np.exp(inside - top)
        total = mass.sum(axis=1)
        share = mass / total[:, np.newaxis]
        p = special.expit(eta)
        surprise = k - n * p
        mean = (share * surprise).sum(axis=1)
        bend = (share * (surprise * surprise - n * p * (1 - p))).sum(axis=1) - mean * mean
        return (
            float((coefficient + np.log(total) + top[:, 0] + np.log(width)).sum()),
            float(mean.sum()),
            float((share * surprise * u).sum()),
            float(bend.sum()),
        )

    def _mode(self, mu: float, tau: float) -> tuple[FloatArray, FloatArray]:
        """Find, for each cluster, the mode of the integrand in u and its width."""
        # The slope falls in u and is zero at u = tau (k - n p), so these bracket it.
        low, high = -tau * self.n - 1.0, tau * self.n + 1.0
        # Start where a normal approximation of each count would put it.
        share = (self.k + 0.5) / (self.n + 1.0)
        weight = tau * self.n * share * (1 - share)
        u = weight * (special.logit(share) - mu) / (1.0 + tau * weight)
        for _ in range(MODE_STEPS):
            p = special.expit(mu + tau * u)
            slope = tau * (self.k - self.n * p) - u
            low, high = np.where(slope > 0, u, low), np.where(slope < 0, u, high)
            new = u + slope / (tau * tau * self.n * p * (1 - p) + 1.0)
            # Over the cliff of a steep binomial Newton would leap to and fro: halve instead.
            new = np.where((new > low) & (new < high), new, 0.5 * (low + high))
            # The rule needs the mode only as a centre: no more digits than this matter.
            done = np.abs(new - u) < 1e-3 * (1 + np.abs(u))
            u = new
            if done.all():
                break
        p = special.expit(mu + tau * u)
        return u, 1.0 / np.sqrt(tau * tau * self.n * p * (1 - p) + 1.0)

    def best_mean(self, tau: float) -> float:
        """Solve the slope in the mean at fixed tau.

        The likelihood is log-concave in the mean (a marginal of a log-concave function), so
        Newton's steps, kept short, cannot go astray.
        """
        mu = float(special.logit(self.k.sum() / self.n.sum()))
        for _ in range(MODE_STEPS):
            _, slope, _, bend = self.with_slopes(mu, tau)
            step = float(np.clip(-slope / bend, -2.0 - tau, 2.0 + tau)) if bend < 0 else 0.0
            mu += step
            if abs(step) <= 1e-12 * (1 + abs(mu)):
                break
        return mu

    def profile_tau(self, tau: float) -> float:
        """Maximise over the mean at fixed tau."""
        return self.log_likelihood(self.best_mean(tau), tau)

    def profile_mean(self, mu: float) -> float:
        """Maximise over tau at a fixed mean; one cluster alone has no tau."""
        if self.k.size == 1:
            return self.log_likelihood(mu, 0.0)
        gap = abs(mu - float(special.logit(self.k.sum() / self.n.sum())))
        tau = _highest(
            lambda t: self.log_likelihood(mu, t), lambda t: self.with_slopes(mu, t)[2], 1.0 + gap
        )
        return self.log_likelihood(mu, tau)

    def optimum(self) -> tuple[float, float, float]:
        """Maximise over both; tau is zero where no inner mode is higher."""
        if self.k.size == 1:
            mu = float(special.logit(self.k[0] / self.n[0]))
            return mu, 0.0, self.log_likelihood(mu, 0.0)
        tau = _highest(self.profile_tau, lambda t: self.with_slopes(self.best_mean(t), t)[2], 1.0)
        mu = self.best_mean(tau)
        return mu, tau, self.log_likelihood(mu, tau)


def _highest(
    value: Callable[[float], float], slope: Callable[[float], float], scale: float
) -> float:
    """Find the highest mode in tau from zero upwards, by the sign of its slope on a grid.

    At zero the slope itself vanishes, so the first point of the grid decides whether the
    likelihood rises from there.
    """
    grid = scale * np.geomspace(0.01, 20.0, 16)
    rising = [slope(float(t)) > 0 for t in grid]
    modes = [0.0] if not rising[0] else []
    for j in range(grid.size - 1):
        if rising[j] and not rising[j + 1]:
            modes.append(_root(slope, float(grid[j]), float(grid[j + 1])))
    if rising[-1]:
        modes.append(float(grid[-1]))
    return max(modes, key=value)


def _outward(gap: Callable[[float], float], start: float, direction: float) -> float:
    """Walk from the optimum until the likelihood has fallen enough, then solve."""
    step = 0.1
    at = start + direction * step
    while gap(at) < 0:
        step *= 2.0
        at = start + direction * step
        if step > WIDEST:
            return float("inf") * direction
    return _root(gap, min(start, at), max(start, at))


def _root(function: Callable[[float], float], low: float, high: float) -> float:
    return float(optimize.brentq(function, low, high, xtol=1e-12, rtol=1e-12))
