"""Power and sample size in closed form: two groups, a pooled effect, disagreement."""

from __future__ import annotations

import numpy as np
from scipy import optimize, stats

from metafreeze.errors import InputError

MOST_RUNS = 1e7


def two_group_power(d: float, n: float, *, alpha: float = 0.05, two_sided: bool = True) -> float:
    """Give the power of a two-group t test of standardised difference d, n in each group.

    Parameters
    ----------
    d, n : float
        True difference in SDs, and runs per group, at least 2 (fractions allowed).
    alpha : float
        Level.
    two_sided : bool
        Whether both directions count.

    Returns
    -------
    float

    Source
    ------
    Noncentral t; Cohen (1988), Statistical Power Analysis, 2nd ed., ch. 2; examples REP-1,
    POW-1 and POW-2.
    """
    if not n > 1:
        raise InputError(f"n is {n!r}. A group needs more than one run.")
    df, ncp = 2 * n - 2, d * float(np.sqrt(n / 2))
    if not two_sided:
        return float(stats.nct.sf(stats.t.isf(alpha, df), df, ncp))
    crit = float(stats.t.isf(alpha / 2, df))
    # The other tail as the upper one of the mirrored law: the lower one fails from 5 on.
    return float(stats.nct.sf(crit, df, ncp) + stats.nct.sf(crit, df, -ncp))


def group_size(d: float, *, power: float = 0.8, alpha: float = 0.05) -> float:
    """Give the runs per group at which a two-sided t test has this power.

    Parameters
    ----------
    d : float
        True difference in SDs, not zero.
    power, alpha : float
        Power wanted and two-sided level.

    Returns
    -------
    float
        Not rounded: take the next whole number up. Two where two already are enough, infinite
        where ten million are not.

    Source
    ------
    As `two_group_power`; example POW-1.
    """
    if d == 0 or not alpha < power < 1:
        raise InputError(f"d is {d!r}, power {power!r}. Give a difference and a power above alpha.")
    size = abs(d)
    if two_group_power(size, 2.0, alpha=alpha) >= power:
        return 2.0
    # The normal approximation is slightly too small; twice it is ample.
    high = 2.0 + 4.0 * ((stats.norm.isf(alpha / 2) + stats.norm.ppf(power)) / size) ** 2
    if high > MOST_RUNS:
        return float("inf")
    return float(
        optimize.brentq(
            lambda n: two_group_power(size, n, alpha=alpha) - power, 2.0, float(high), xtol=1e-10
        )
    )


def pooled_effect_power(effect: float, variance: float, *, alpha: float = 0.05) -> float:
    """Give the power to tell a pooled effect from zero, its variance known.

    Parameters
    ----------
    effect : float
        True mean effect.
    variance : float
        Variance of the pooled effect: ``(v + tau²)/k`` for k studies alike.
    alpha : float
        Two-sided level.

    Returns
    -------
    float

    Source
    ------
    Hedges & Pigott (2001), Psychol. Methods 6:203, doi:10.1037/1082-989X.6.3.203; example POW-3.
    """
    shift = effect / float(np.sqrt(variance))
    crit = float(stats.norm.isf(alpha / 2))
    return float(stats.norm.sf(crit - shift) + stats.norm.sf(crit + shift))


def disagreement_power(
    k: int, *, tau2: float = 0.0, variance: float = 1.0, ncp: float = 0.0, alpha: float = 0.05
) -> float:
    """Give the power of the Q test that studies disagree.

    Parameters
    ----------
    k : int
        Studies, all with the same sampling variance.
    tau2, variance : float
        Variance of true effects between studies, and sampling variance.
    ncp : float
        Instead of `tau2`: noncentrality of fixed differing effects.
    alpha : float
        Level.

    Returns
    -------
    float

    Source
    ------
    Hedges & Pigott (2001): with equal variances Q is ``(1 + tau²/v)`` times a chi-square;
    example POW-3.
    """
    crit = float(stats.chi2.isf(alpha, k - 1))
    if ncp > 0:
        return float(stats.ncx2.sf(crit, k - 1, ncp))
    return float(stats.chi2.sf(crit / (1 + tau2 / variance), k - 1))
