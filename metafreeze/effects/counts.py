"""Effects from counts: k of n, two groups, pairs; intervals for small counts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import optimize, stats

from metafreeze.errors import InputError
from metafreeze.results import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class CountEffects:
    """Effects with variances, one element a comparison.

    Parameters
    ----------
    estimate, variance : array, shape (k,)
        Effect on an additive scale and its sampling variance; NaN where a cell is empty.
    """

    estimate: FloatArray
    variance: FloatArray

    @property
    def se(self) -> FloatArray:
        """Standard errors."""
        return np.sqrt(self.variance)


def _two_groups(
    events_1: npt.ArrayLike, n_1: npt.ArrayLike, events_2: npt.ArrayLike, n_2: npt.ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Give events and non-events of both groups as floats, checked."""
    names = ("events_1", "n_1", "events_2", "n_2")
    arrays = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(a, dtype=np.float64)) for a in (events_1, n_1, events_2, n_2))
    )
    for name, array in zip(names, arrays, strict=True):
        bad = ~(np.isfinite(array) & (array >= 0))
        if bad.any():
            row = int(np.flatnonzero(bad)[0])
            raise InputError(
                f"{name} is {array[row]:g} in row {row + 1}. Counts are whole numbers from 0."
            )
    a, n1, c, n2 = arrays
    for events, n, name in ((a, n1, "events_1"), (c, n2, "events_2")):
        if np.any(events > n):
            row = int(np.flatnonzero(events > n)[0])
            raise InputError(
                f"{name} is {events[row]:g} of {n[row]:g} in row {row + 1}. "
                "There cannot be more events than cases."
            )
    return a, n1 - a, c, n2 - c


def _where_counted(value: FloatArray, variance: FloatArray, *cells: FloatArray) -> CountEffects:
    full = np.all([c > 0 for c in cells], axis=0)
    return CountEffects(
        estimate=np.where(full, value, np.nan), variance=np.where(full, variance, np.nan)
    )


def log_risk_ratio(
    events_1: npt.ArrayLike, n_1: npt.ArrayLike, events_2: npt.ArrayLike, n_2: npt.ArrayLike
) -> CountEffects:
    """Log of the ratio of two proportions, with its large-sample variance.

    No continuity correction: with no event in a group the ratio has no finite logarithm and
    comes back as NaN. Use the exact binomial model of `pool_counts` there.

    Parameters
    ----------
    events_1, n_1, events_2, n_2 : array, shape (k,)
        Events and cases of the first and of the second group.

    Returns
    -------
    CountEffects

    Source
    ------
    Borenstein, Hedges, Higgins & Rothstein (2009), Introduction to Meta-Analysis, ch. 5;
    tests/published, example ES-4.
    """
    a, b, c, d = _two_groups(events_1, n_1, events_2, n_2)
    with np.errstate(divide="ignore", invalid="ignore"):
        value = np.log(a / (a + b)) - np.log(c / (c + d))
        variance = 1 / a - 1 / (a + b) + 1 / c - 1 / (c + d)
    return _where_counted(value, variance, a, c)


def log_odds_ratio(
    events_1: npt.ArrayLike, n_1: npt.ArrayLike, events_2: npt.ArrayLike, n_2: npt.ArrayLike
) -> CountEffects:
    """Log of the odds ratio of two groups, with its large-sample variance.

    No continuity correction: an empty cell gives NaN.

    Parameters
    ----------
    events_1, n_1, events_2, n_2 : array, shape (k,)
        Events and cases of the first and of the second group.

    Returns
    -------
    CountEffects

    Source
    ------
    Woolf (1955), Ann. Hum. Genet. 19:251; Borenstein et al. (2009), ch. 5; example ES-4.
    """
    a, b, c, d = _two_groups(events_1, n_1, events_2, n_2)
    with np.errstate(divide="ignore", invalid="ignore"):
        value = np.log(a) - np.log(b) - np.log(c) + np.log(d)
        variance = 1 / a + 1 / b + 1 / c + 1 / d
    return _where_counted(value, variance, a, b, c, d)


def risk_difference(
    events_1: npt.ArrayLike, n_1: npt.ArrayLike, events_2: npt.ArrayLike, n_2: npt.ArrayLike
) -> CountEffects:
    """Difference of two proportions, with its large-sample variance.

    Parameters
    ----------
    events_1, n_1, events_2, n_2 : array, shape (k,)
        Events and cases of the first and of the second group.

    Returns
    -------
    CountEffects
        The variance is zero, and so of no use, where both groups are all or none.

    Source
    ------
    Borenstein et al. (2009), ch. 5; example ES-4.
    """
    a, b, c, d = _two_groups(events_1, n_1, events_2, n_2)
    with np.errstate(divide="ignore", invalid="ignore"):
        value = a / (a + b) - c / (c + d)
        variance = a * b / (a + b) ** 3 + c * d / (c + d) ** 3
    return _where_counted(value, variance, a + b, c + d)


def log_odds(k: npt.ArrayLike, n: npt.ArrayLike) -> CountEffects:
    """Log odds of k in n, with its large-sample variance ``1/k + 1/(n - k)``.

    Parameters
    ----------
    k, n : array, shape (m,)
        Events and cases; k = 0 and k = n give NaN (use `pool_counts`).

    Returns
    -------
    CountEffects

    Source
    ------
    Agresti (2002), Categorical Data Analysis, 2nd ed., sec. 3.1.
    """
    a, b, _, _ = _two_groups(k, n, k, n)
    with np.errstate(divide="ignore"):
        value, variance = np.log(a) - np.log(b), 1 / a + 1 / b
    return _where_counted(value, variance, a, b)


def _check_share(k: float, n: float, level: float) -> None:
    if not (0 <= k <= n and n > 0 and float(k).is_integer() and float(n).is_integer()):
        raise InputError(f"{k!r} of {n!r} is not a count. Give whole numbers, 0 ≤ k ≤ n, n ≥ 1.")
    if not 0 < level < 1:
        raise InputError(f"level is {level!r}. Give a fraction between 0 and 1, such as 0.95.")


def score_interval(
    k: float, n: float, *, level: float = 0.95, continuity: bool = False
) -> tuple[float, float]:
    """Interval for a proportion by inverting the score test.

    Parameters
    ----------
    k, n : float
        Events and cases.
    level : float
        Level of the interval.
    continuity : bool
        Whether half a count is added towards caution.

    Returns
    -------
    low, high : float

    Source
    ------
    Wilson (1927), J. Am. Stat. Assoc. 22:209; with continuity correction Newcombe (1998),
    Stat. Med. 17:857, method 4; example ES-10.
    """
    _check_share(k, n, level)
    z = float(stats.norm.isf((1 - level) / 2))
    p, q = k / n, 1 - k / n
    if continuity:
        low = (2 * n * p + z * z - 1 - z * np.sqrt(z * z - 2 - 1 / n + 4 * p * (n * q + 1))) / (
            2 * (n + z * z)
        )
        high = (2 * n * p + z * z + 1 + z * np.sqrt(z * z + 2 - 1 / n + 4 * p * (n * q - 1))) / (
            2 * (n + z * z)
        )
    else:
        middle, half = 2 * n * p + z * z, z * np.sqrt(z * z + 4 * n * p * q)
        low, high = (middle - half) / (2 * (n + z * z)), (middle + half) / (2 * (n + z * z))
    return (0.0 if k == 0 else float(max(0.0, low))), (1.0 if k == n else float(min(1.0, high)))


def exact_interval(k: float, n: float, *, level: float = 0.95) -> tuple[float, float]:
    """Interval for a proportion that never covers less than its level.

    Parameters
    ----------
    k, n : float
        Events and cases.
    level : float
        Level of the interval.

    Returns
    -------
    low, high : float

    Source
    ------
    Clopper & Pearson (1934), Biometrika 26:404; examples ES-10 and ES-11.
    """
    _check_share(k, n, level)
    tail = (1 - level) / 2
    low = 0.0 if k == 0 else float(stats.beta.ppf(tail, k, n - k + 1))
    high = 1.0 if k == n else float(stats.beta.isf(tail, k + 1, n - k))
    return low, high


def mid_p_interval(k: float, n: float, *, level: float = 0.95) -> tuple[float, float]:
    """Interval for a proportion that counts half of the observed point in each tail.

    Parameters
    ----------
    k, n : float
        Events and cases.
    level : float
        Level of the interval.

    Returns
    -------
    low, high : float

    Source
    ------
    Lancaster (1961), J. Am. Stat. Assoc. 56:223; Newcombe (1998), Stat. Med. 17:857, method 6;
    example ES-10.
    """
    _check_share(k, n, level)
    tail = (1 - level) / 2

    def upper_gap(p: float) -> float:
        return float(stats.binom.cdf(k, n, p) - stats.binom.pmf(k, n, p) / 2) - tail

    def lower_gap(p: float) -> float:
        return float(stats.binom.sf(k, n, p) + stats.binom.pmf(k, n, p) / 2) - tail

    low = 0.0 if k == 0 else _crossing(lower_gap, 0.0, k / n)
    high = 1.0 if k == n else _crossing(upper_gap, k / n, 1.0)
    return low, high


def likelihood_interval(k: float, n: float, *, level: float = 0.95) -> tuple[float, float]:
    """Interval for a proportion by inverting the likelihood-ratio test.

    Parameters
    ----------
    k, n : float
        Events and cases.
    level : float
        Level of the interval.

    Returns
    -------
    low, high : float

    Source
    ------
    Newcombe (1998), Stat. Med. 17:857, method 7; examples ES-10 and ES-11.
    """
    _check_share(k, n, level)
    best = k / n
    target = float(stats.chi2.isf(1 - level, 1)) / 2
    if k == 0:
        return 0.0, float(-np.expm1(-target / n))
    if k == n:
        return float(np.exp(-target / n)), 1.0

    def gap(p: float) -> float:
        drop = k * (np.log(best) - np.log(p)) + (n - k) * (np.log1p(-best) - np.log1p(-p))
        return float(drop) - target

    tiny = np.finfo(np.float64).tiny
    # 1 - eps/2 is the largest number below one.
    return _crossing(gap, tiny, best), _crossing(gap, best, 1 - np.finfo(np.float64).epsneg)


def _crossing(function: Callable[[float], float], low: float, high: float) -> float:
    return float(optimize.brentq(function, low, high, xtol=1e-15, rtol=8.9e-16))


def difference_interval(
    k_1: float,
    n_1: float,
    k_2: float,
    n_2: float,
    *,
    level: float = 0.95,
    continuity: bool = False,
) -> tuple[float, float]:
    """Interval for the difference of two independent proportions, from their score intervals.

    Parameters
    ----------
    k_1, n_1, k_2, n_2 : float
        Events and cases of both groups.
    level : float
        Level of the interval.
    continuity : bool
        Whether the score intervals carry the continuity correction.

    Returns
    -------
    low, high : float

    Source
    ------
    Newcombe (1998), Stat. Med. 17:873, methods 10 and 11; example ES-12.
    """
    p_1, p_2 = k_1 / n_1, k_2 / n_2
    low_1, high_1 = score_interval(k_1, n_1, level=level, continuity=continuity)
    low_2, high_2 = score_interval(k_2, n_2, level=level, continuity=continuity)
    d = p_1 - p_2
    low = d - float(np.hypot(p_1 - low_1, high_2 - p_2))
    high = d + float(np.hypot(high_1 - p_1, p_2 - low_2))
    return low, high


@dataclass(frozen=True, slots=True, kw_only=True)
class PairedCounts:
    """Pairs that agree and differ, and what follows for the two shares.

    Parameters
    ----------
    share_1, share_2 : float
        Share of pairs in which the first, and the second, member had the event.
    difference, se : float
        Difference of the shares and its large-sample standard error.
    chi_square, z : float
        Test of equal shares from the discordant pairs.
    p_exact : float
        Two-sided exact p-value of the same test.
    odds_ratio : float
        Second-only over first-only pairs.
    """

    share_1: float
    share_2: float
    difference: float
    se: float
    chi_square: float
    z: float
    p_exact: float
    odds_ratio: float


def compare_pairs(
    both: float, first_only: float, second_only: float, neither: float
) -> PairedCounts:
    """Compare two shares measured on the same pairs.

    Parameters
    ----------
    both, first_only, second_only, neither : float
        Pairs in which the event was seen in both, one, or none.

    Returns
    -------
    PairedCounts

    Source
    ------
    McNemar (1947), Psychometrika 12:153; Agresti (2002), sec. 10.1; example ES-13.
    """
    n = both + first_only + second_only + neither
    discordant = first_only + second_only
    if min(both, first_only, second_only, neither) < 0 or discordant == 0:
        raise InputError(
            "There are no pairs in which one member alone had the event, so the two shares "
            "cannot be told apart. Give all four counts from 0."
        )
    gap = (first_only - second_only) / n
    fewer = min(first_only, second_only)
    return PairedCounts(
        share_1=(both + first_only) / n,
        share_2=(both + second_only) / n,
        difference=gap,
        se=float(np.sqrt(discordant - (first_only - second_only) ** 2 / n)) / n,
        chi_square=(first_only - second_only) ** 2 / discordant,
        z=(first_only - second_only) / float(np.sqrt(discordant)),
        p_exact=min(1.0, 2 * float(stats.binom.cdf(fewer, discordant, 0.5))),
        odds_ratio=second_only / first_only if first_only > 0 else float("inf"),
    )


def paired_difference_interval(
    both: float, first_only: float, second_only: float, neither: float, *, level: float = 0.95
) -> tuple[float, float]:
    """Interval for the difference of two shares measured on the same pairs.

    Parameters
    ----------
    both, first_only, second_only, neither : float
        Pairs in which the event was seen in both, one, or none.
    level : float
        Level of the interval.

    Returns
    -------
    low, high : float

    Source
    ------
    Newcombe (1998), Stat. Med. 17:2635, method 10, its correlation adjusted for continuity by
    half the number of pairs; example ES-14.
    """
    n = both + first_only + second_only + neither
    k_1, k_2 = both + first_only, both + second_only
    low_1, high_1 = score_interval(k_1, n, level=level)
    low_2, high_2 = score_interval(k_2, n, level=level)
    p_1, p_2 = k_1 / n, k_2 / n
    margin = k_1 * (n - k_1) * k_2 * (n - k_2)
    phi = 0.0
    if margin > 0:
        cross = both * neither - first_only * second_only
        if cross > 0:
            cross = max(0.0, cross - n / 2)
        phi = cross / float(np.sqrt(margin))
    down_1, down_2 = p_1 - low_1, high_2 - p_2
    up_1, up_2 = high_1 - p_1, p_2 - low_2
    d = p_1 - p_2
    low = d - float(np.sqrt(down_1**2 - 2 * phi * down_1 * down_2 + down_2**2))
    high = d + float(np.sqrt(up_1**2 - 2 * phi * up_1 * up_2 + up_2**2))
    return low, high


def sign_test_tail(k: float, n: float, *, share: float = 0.5) -> float:
    """Chance of at most k events in n if each had probability `share`.

    For "hotter first in k of n pairs" the null is neither one half nor zero: see the shuffle
    test and the baseline; one half is the textbook case.

    Parameters
    ----------
    k, n : float
        Events and pairs, ties left out.
    share : float
        Probability under the null.

    Returns
    -------
    float

    Source
    ------
    Siegel (1956), Nonparametric Statistics for the Behavioral Sciences, Table D; example ES-19.
    """
    _check_share(k, n, 0.95)
    return float(stats.binom.cdf(k, n, share))


def latent_difference(k: float, n: float, sd: float) -> tuple[float, float]:
    """Give the difference of means that makes the hotter one first in k of n pairs.

    With normal scatter of known SD in both, ``P(first) = Phi(-delta / (sqrt(2) sd))``.

    Parameters
    ----------
    k, n : float
        Pairs in which the hotter one was first, and pairs; 0 < k < n.
    sd : float
        SD of a single run on the scale of the difference.

    Returns
    -------
    difference : float
        Hot minus cold: below zero where the hotter one is mostly first.
    variance : float
        By the delta method, ``2 sd² p (1 - p) / (n phi(z)²)``.

    Source
    ------
    Thurstone (1927), Psychol. Rev. 34:273 (comparative judgement), case V.
    """
    if not 0 < k < n:
        raise InputError(f"{k:g} of {n:g} has no finite latent difference. Use pool_counts.")
    p = k / n
    z = float(stats.norm.ppf(p))
    return -float(np.sqrt(2)) * sd * z, float(
        2 * sd**2 * p * (1 - p) / (n * stats.norm.pdf(z) ** 2)
    )
