"""How far a new study may lie where true effects have heavier tails than the normal curve."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy import optimize, stats

from metafreeze.errors import InputError
from metafreeze.models.heterogeneity import require_level

# The heaviest tails of a t distribution that still has a variance, on whole degrees of freedom.
TAIL_DF = 3
# Variance of true effects over that of sampling for which the factor is exact.
VARIANCE_RATIO = 9.0
# Sets of studies behind a factor: the share that the range holds is then right to 0.0005.
SETS = 40_000
# Large sets scatter less, so fewer of them do: so many numbers are drawn at most, so many at once.
MOST_DRAWN, AT_ONCE = 1 << 23, 1 << 20
SEED = 20261125


def new_study_factor(k: int, tails: str, level: float) -> float:
    """Give the half width of a new study's range, by the tails that effects may have.

    Parameters
    ----------
    k : int
        Studies, at least 3; one less for each moderator.
    tails : {"normal", "heavy-tailed"}
        See `pool`.
    level : float
        Share of new studies that the range holds.

    Returns
    -------
    float
        In standard deviations of a new study's effect around the pooled one.

    Source
    ------
    Normal: t on k - 2, Higgins, Thompson & Spiegelhalter (2009), J. R. Stat. Soc. A 172:137,
    doi:10.1111/j.1467-985X.2008.00552.x. Heavy-tailed: see `heavy_tail_factor`.
    """
    if tails == "heavy-tailed":
        return heavy_tail_factor(k, level)
    return float(stats.t.isf((1.0 - level) / 2.0, k - 2))


@lru_cache(maxsize=256)
def heavy_tail_factor(k: int, level: float = 0.95) -> float:
    """Give the half width of a new study's range that holds its level under heavy tails.

    Use it where some labs may lie far out. The range ``mean ± c sqrt(tau² + se²)`` then holds
    the true effect of a further study with probability `level` where effects are t on 3
    degrees of freedom with a variance of nine sampling variances, tau² being estimated; with
    more where they are normal or differ more. It is no cure where labs differ little: below
    about four sampling variances tau² is too often estimated far too small, and this range,
    like the usual one, holds less than its level. c is never under the quantile of t on k - 2
    that the usual range has.

    Parameters
    ----------
    k : int
        Studies, at least 3.
    level : float
        Share of new studies that the range holds.

    Returns
    -------
    float
        The factor c.

    Raises
    ------
    InputError
        k is under 3, or the level is no share.

    Source
    ------
    Own rule, no source: c solves E[F(m + c r) - F(m - c r)] = level, where F is the
    distribution of true effects, and m and r are mean and ``sqrt(tau² + se²)`` of k effects
    seen with equal sampling variances v = 1: tau² = max(0, s² - 1) and se² = max(s², 1) / k,
    which is what `pool` gives there. The expectation is over sets drawn with a fixed seed, so
    that the same k gives the same c. With normal effects and without sampling error the same
    equation gives the quantile of t on k - 1; k - 2 is that of Higgins, Thompson &
    Spiegelhalter (2009), J. R. Stat. Soc. A 172:137, doi:10.1111/j.1467-985X.2008.00552.x.
    Coverage, also with unequal variances, in tests/calibration/pooling_coverage.md.
    """
    require_level(level)
    if k < 3:
        raise InputError(f"k is {k}. A range for a new study needs at least 3 studies.")
    usual = new_study_factor(k, "normal", level)
    scale = np.sqrt(VARIANCE_RATIO / (TAIL_DF / (TAIL_DF - 2)))
    rng = np.random.default_rng(SEED)
    means, reaches = [], []
    sets = min(SETS, MOST_DRAWN // k + 1)
    for first in range(0, sets, AT_ONCE // k + 1):
        size = (min(sets - first, AT_ONCE // k + 1), k)
        seen = scale * rng.standard_t(TAIL_DF, size=size) + rng.normal(size=size)
        square = seen.var(axis=1, ddof=1)
        means.append(seen.mean(axis=1) / scale)
        total = np.maximum(square - 1.0, 0.0) + np.maximum(square, 1.0) / k
        reaches.append(np.sqrt(total) / scale)
    mean, reach = np.concatenate(means), np.concatenate(reaches)

    def excess(c: float) -> float:
        held = stats.t.cdf(mean + c * reach, TAIL_DF) - stats.t.cdf(mean - c * reach, TAIL_DF)
        return float(held.mean()) - level

    # The range of k - 2 often holds too few, seldom too many.
    if excess(usual) >= 0.0:
        return usual
    top = 2.0 * usual
    while excess(top) < 0.0:
        top *= 2.0
    return float(optimize.brentq(excess, usual, top, xtol=1e-9))


def widen_for_heavy_tails(
    low: float, high: float, *, k: int, level: float = 0.95
) -> tuple[float, float]:
    """Widen a range for a new study that rests on t with k - 2 degrees of freedom.

    Parameters
    ----------
    low, high : float
        The usual range; NaN stays NaN.
    k : int
        Studies behind it.
    level : float
        Its level.

    Returns
    -------
    low, high : float
        Around the same middle, as `heavy_tail_factor` has it; as given under 3 studies.

    Raises
    ------
    InputError
        The level is no share.

    Source
    ------
    See `heavy_tail_factor`.
    """
    if k < 3:
        return low, high
    usual = new_study_factor(k, "normal", level)
    middle, half = (low + high) / 2.0, (high - low) / 2.0
    half *= heavy_tail_factor(k, level) / usual
    return middle - half, middle + half
