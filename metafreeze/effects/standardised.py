"""Standardised differences, each named by what it is divided by.

The pooled standard deviation of two groups, the standard deviation of change, and the
within-person standard deviation behind a change are different divisors; they give different
numbers and never share a name here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize, special, stats

from metafreeze.effects.means import Effect, pooled_sd, require_group
from metafreeze.errors import InputError
from metafreeze.results import FloatArray

# A standardised difference this large is mostly a mix-up, such as labels for values.
QUESTIONABLE_SIZE = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class StandardisedEffect(Effect):
    """A standardised difference.

    Parameters
    ----------
    uncorrected, uncorrected_variance : float
        Before the small-sample correction.
    correction : float
        Factor J.
    divisor : str
        What the difference is divided by.
    """

    uncorrected: float
    uncorrected_variance: float
    correction: float
    divisor: str


def correction_factor(df: float) -> float:
    """Give the exact small-sample factor J.

    Parameters
    ----------
    df : float
        Degrees of freedom of the divisor, at least 2.

    Returns
    -------
    float
        ``Gamma(df/2) / (sqrt(df/2) Gamma((df - 1)/2))``.

    Source
    ------
    Hedges (1981), J. Educ. Stat. 6:107, doi:10.3102/10769986006002107; example ES-1.
    """
    if not df > 1:
        raise InputError(f"df is {df!r}. The correction needs more than one degree of freedom.")
    return float(np.exp(special.gammaln(df / 2) - special.gammaln((df - 1) / 2)) / np.sqrt(df / 2))


def approximate_correction_factor(df: float) -> float:
    """Give the usual approximation ``1 - 3/(4 df - 1)`` of the factor J.

    Parameters
    ----------
    df : float
        Degrees of freedom of the divisor.

    Returns
    -------
    float

    Source
    ------
    Hedges (1981); Borenstein et al. (2009), eq. 4.22; examples ES-1, ES-2 and ES-7.
    """
    return 1 - 3 / (4 * df - 1)


def standardised_difference(
    mean_1: float,
    sd_1: float,
    n_1: float,
    mean_2: float,
    sd_2: float,
    n_2: float,
    *,
    exact: bool = True,
) -> StandardisedEffect:
    """Divide a difference of independent means by the pooled standard deviation.

    Parameters
    ----------
    mean_1, sd_1, n_1, mean_2, sd_2, n_2 : float
        Means, standard deviations and runs; first minus second.
    exact : bool
        With the exact factor J and the exact variance of the corrected statistic at its
        estimate; otherwise the approximate factor and the textbook variance.

    Returns
    -------
    StandardisedEffect

    Raises
    ------
    InputError
        A group has under two runs, or neither has any spread.

    Source
    ------
    Exact: Hedges (1981), variance of J times a noncentral t. Textbook:
    Borenstein et al. (2009), ch. 4; examples ES-1 and ES-7.
    """
    require_group(mean_1, sd_1, n_1, "first")
    require_group(mean_2, sd_2, n_2, "second")
    s = pooled_sd(sd_1, n_1, sd_2, n_2)
    if s == 0:
        raise InputError(
            "Neither group has any spread (timer resolution?), so the difference cannot be "
            "standardised. Give the difference in minutes instead."
        )
    df = n_1 + n_2 - 2
    d = (mean_1 - mean_2) / s
    textbook = (n_1 + n_2) / (n_1 * n_2) + d**2 / (2 * (n_1 + n_2))
    if exact and df > 2:
        j = correction_factor(df)
        variance = _exact_variance(j * d, j, df, n_1 * n_2 / (n_1 + n_2))
    else:
        # At df = 2 the noncentral t has no variance; the textbook formula stands in.
        j = correction_factor(df) if exact else approximate_correction_factor(df)
        variance = j**2 * textbook
    return StandardisedEffect(
        estimate=j * d,
        variance=variance,
        df=df,
        uncorrected=d,
        uncorrected_variance=textbook,
        correction=j,
        divisor="pooled standard deviation of the two groups",
    )


def _exact_variance(delta: float, j: float, df: float, size: float) -> float:
    """Give Var(J d) at true difference delta, where sqrt(size) d is noncentral t on df."""
    return j**2 * df / (df - 2) * (1 / size + delta**2) - delta**2


def shared_standardised_covariance(d_1: float, d_2: float, n_shared: float, total: float) -> float:
    """Give the covariance of two standardised differences from one shared group.

    Parameters
    ----------
    d_1, d_2 : float
        The differences, divided by one standard deviation pooled over all groups.
    n_shared : float
        Runs in the shared group.
    total : float
        Runs in all groups.

    Returns
    -------
    float

    Source
    ------
    Gleser & Olkin (2009), in Handbook of Research Synthesis, 2nd ed., ch. 19.
    """
    return 1 / n_shared + d_1 * d_2 / (2 * total)


def change_difference(
    mean_1: float, mean_2: float, sd_difference: float, n: float
) -> StandardisedEffect:
    """Divide a mean change of pairs by the standard deviation of change.

    Parameters
    ----------
    mean_1, mean_2 : float
        Means of the same specimens.
    sd_difference : float
        Standard deviation of the differences.
    n : float
        Pairs.

    Returns
    -------
    StandardisedEffect
        Exact correction on n - 1 degrees of freedom, exact variance.

    Source
    ------
    Hedges (1981) for one sample: sqrt(n) d is noncentral t on n - 1.
    """
    require_group(mean_1 - mean_2, sd_difference, n, "difference")
    if sd_difference == 0:
        raise InputError("All differences are equal, so their mean cannot be standardised.")
    if n < 3:
        raise InputError(f"There are {n:g} pairs. The small-sample correction needs three.")
    df = n - 1
    j = correction_factor(df)
    d = (mean_1 - mean_2) / sd_difference
    textbook = 1 / n + d**2 / (2 * n)
    exact = _exact_variance(j * d, j, df, n) if df > 2 else j**2 * textbook
    return StandardisedEffect(
        estimate=j * d,
        variance=exact,
        df=df,
        uncorrected=d,
        uncorrected_variance=textbook,
        correction=j,
        divisor="standard deviation of change",
    )


def paired_standardised_difference(
    mean_1: float, mean_2: float, sd_difference: float, n: float, *, correlation: float
) -> StandardisedEffect:
    """Divide a mean change of pairs by the standard deviation within the two readings.

    Parameters
    ----------
    mean_1, mean_2 : float
        Means of the same specimens.
    sd_difference : float
        Standard deviation of the differences.
    n : float
        Pairs.
    correlation : float
        Correlation of the two readings, below 1.

    Returns
    -------
    StandardisedEffect
        Approximate correction on n - 1 degrees of freedom, textbook variance.

    Source
    ------
    Borenstein et al. (2009), ch. 4, eqs 4.26 to 4.31: ``S = sd_difference/sqrt(2 (1 - r))``,
    ``V = (1/n + d²/(2n)) 2 (1 - r)``; example ES-2.
    """
    require_group(mean_1 - mean_2, sd_difference, n, "difference")
    if not -1 < correlation < 1:
        raise InputError(f"correlation is {correlation!r}. Give a number between -1 and 1.")
    if sd_difference == 0:
        raise InputError("All differences are equal, so their mean cannot be standardised.")
    within = sd_difference / float(np.sqrt(2 * (1 - correlation)))
    d = (mean_1 - mean_2) / within
    variance = (1 / n + d**2 / (2 * n)) * 2 * (1 - correlation)
    j = approximate_correction_factor(n - 1)
    return StandardisedEffect(
        estimate=j * d,
        variance=j**2 * variance,
        df=n - 1,
        uncorrected=d,
        uncorrected_variance=variance,
        correction=j,
        divisor="standard deviation within the two readings",
    )


def noncentral_interval(
    effect: StandardisedEffect, n_1: float, n_2: float, *, level: float = 0.95
) -> tuple[float, float]:
    """Give the exact interval of a standardised difference of two groups.

    It inverts the noncentral t distribution and therefore always holds the uncorrected estimate.

    Parameters
    ----------
    effect : StandardisedEffect
        From `standardised_difference`; no other divisor has this distribution.
    n_1, n_2 : float
        Runs in the groups.
    level : float
        Level of the interval.

    Returns
    -------
    low, high : float

    Raises
    ------
    InputError
        The effect has another divisor.

    Source
    ------
    Steiger & Fouladi (1997), in What If There Were No Significance Tests, ch. 9.
    """
    if not effect.divisor.startswith("pooled"):
        raise InputError(
            f"This interval is for a difference divided by the pooled standard deviation, and "
            f"this one is divided by the {effect.divisor}."
        )
    root = float(np.sqrt(n_1 * n_2 / (n_1 + n_2)))
    t, df = effect.uncorrected * root, effect.df
    tail = (1 - level) / 2

    def below(ncp: float) -> float:
        return float(stats.nct.cdf(t, df, ncp))

    reach = 2.0
    while below(t + reach) > tail:
        reach *= 2
    high = optimize.brentq(lambda c: below(c) - tail, t, t + reach, xtol=1e-12)
    reach = 2.0
    while below(t - reach) < 1 - tail:
        reach *= 2
    low = optimize.brentq(lambda c: below(c) - (1 - tail), t - reach, t, xtol=1e-12)
    return float(low) / root, float(high) / root


def superiority_from_means(mean_1: float, sd_1: float, mean_2: float, sd_2: float) -> float:
    """Chance that a draw of the first normal group exceeds one of the second.

    Parameters
    ----------
    mean_1, sd_1, mean_2, sd_2 : float
        Means and standard deviations.

    Returns
    -------
    float

    Source
    ------
    McGraw & Wong (1992), Psychol. Bull. 111:361; example ES-15.
    """
    return float(stats.norm.cdf((mean_1 - mean_2) / np.hypot(sd_1, sd_2)))


def superiority_from_d(d: float) -> float:
    """Chance that a draw of the first group exceeds one of the second, at this difference.

    Parameters
    ----------
    d : float
        Standardised difference, equal spreads.

    Returns
    -------
    float

    Source
    ------
    Grissom (1994), J. Appl. Psychol. 79:314; example ES-15.
    """
    return float(stats.norm.cdf(d / np.sqrt(2)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Superiority:
    """Chance that a draw of the second sample exceeds one of the first, ties counting half.

    Parameters
    ----------
    estimate, variance, df : float
        Chance, its variance, and the degrees of freedom of its t interval.
    statistic, p : float
        Test of one half.
    low, high : float
        Interval, cut at 0 and 1.
    level : float
        Its level.
    """

    estimate: float
    variance: float
    df: float
    statistic: float
    p: float
    low: float
    high: float
    level: float


def superiority_from_ranks(
    first: FloatArray, second: FloatArray, *, level: float = 0.95
) -> Superiority:
    """Estimate the chance that the second sample exceeds the first, from ranks.

    No normality and no equal spreads are assumed.

    Parameters
    ----------
    first, second : array, shape (n1,), (n2,)
        Samples of at least two.
    level : float
        Level of the interval.

    Returns
    -------
    Superiority
        With a variance of zero and no interval where the samples do not overlap at all.

    Source
    ------
    Brunner & Munzel (2000), Biom. J. 42:17; example ES-16.
    """
    x, y = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if min(x.size, y.size) < 2:
        raise InputError("Each sample needs at least two runs.")
    n_1, n_2 = x.size, y.size
    both = stats.rankdata(np.concatenate([x, y]))
    own_1, own_2 = stats.rankdata(x), stats.rankdata(y)
    rank_1, rank_2 = both[:n_1], both[n_1:]
    p = float((rank_2.mean() - (n_2 + 1) / 2) / n_1)
    placed_1, placed_2 = rank_1 - own_1, rank_2 - own_2
    s_1 = float(placed_1.var(ddof=1)) / n_2**2 / n_1
    s_2 = float(placed_2.var(ddof=1)) / n_1**2 / n_2
    variance = s_1 + s_2
    if variance == 0:
        nan = float("nan")
        return Superiority(
            estimate=p,
            variance=0.0,
            df=nan,
            statistic=nan,
            p=nan,
            low=nan,
            high=nan,
            level=level,
        )
    df = variance**2 / (s_1**2 / (n_1 - 1) + s_2**2 / (n_2 - 1))
    t = (p - 0.5) / float(np.sqrt(variance))
    half = float(stats.t.isf((1 - level) / 2, df) * np.sqrt(variance))
    return Superiority(
        estimate=p,
        variance=variance,
        df=df,
        statistic=t,
        p=float(2 * stats.t.sf(abs(t), df)),
        low=max(0.0, p - half),
        high=min(1.0, p + half),
        level=level,
    )
