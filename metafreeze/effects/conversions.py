"""Convert effects among each other, each by one stated formula and never silently."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from metafreeze.effects.counts import CountEffects
from metafreeze.effects.means import Effect
from metafreeze.errors import InputError

# SD of a standard logistic variable is pi/sqrt(3): the ratio of log odds to a normal difference.
LOGISTIC_SD = float(np.pi / np.sqrt(3))


def d_from_log_odds(log_odds_ratio: float, variance: float) -> Effect:
    """Turn a log odds ratio into a standardised difference: times ``sqrt(3)/pi``.

    Parameters
    ----------
    log_odds_ratio, variance : float
        Effect and variance.

    Returns
    -------
    Effect

    Source
    ------
    Hasselblad & Hedges (1995), Psychol. Bull. 117:167; Borenstein et al. (2009), eqs 7.1 and 7.2;
    example ES-6.
    """
    return Effect(estimate=log_odds_ratio / LOGISTIC_SD, variance=variance / LOGISTIC_SD**2)


def log_odds_from_d(d: float, variance: float) -> Effect:
    """Turn a standardised difference into a log odds ratio: times ``pi/sqrt(3)``.

    Parameters
    ----------
    d, variance : float
        Effect and variance.

    Returns
    -------
    Effect

    Source
    ------
    Borenstein et al. (2009), eqs 7.3 and 7.4; example ES-6.
    """
    return Effect(estimate=d * LOGISTIC_SD, variance=variance * LOGISTIC_SD**2)


def d_from_r(r: float, variance: float) -> Effect:
    """Turn a correlation into a standardised difference.

    Parameters
    ----------
    r, variance : float
        Correlation, and its variance.

    Returns
    -------
    Effect

    Source
    ------
    Borenstein et al. (2009), eqs 7.5 and 7.6; example ES-6.
    """
    if not -1 < r < 1:
        raise InputError(f"r is {r!r}. Give a correlation between -1 and 1.")
    return Effect(
        estimate=2 * r / float(np.sqrt(1 - r**2)), variance=4 * variance / (1 - r**2) ** 3
    )


def r_from_d(d: float, variance: float, *, n_1: float = 1.0, n_2: float = 1.0) -> Effect:
    """Turn a standardised difference into a correlation.

    Parameters
    ----------
    d, variance : float
        Effect and variance.
    n_1, n_2 : float
        Runs in the groups; equal by default.

    Returns
    -------
    Effect

    Source
    ------
    Borenstein et al. (2009), eqs 7.7 to 7.9; example ES-6.
    """
    a = (n_1 + n_2) ** 2 / (n_1 * n_2)
    return Effect(estimate=d / float(np.sqrt(d**2 + a)), variance=a**2 * variance / (d**2 + a) ** 3)


def fisher_z(r: npt.ArrayLike, n: npt.ArrayLike) -> CountEffects:
    """Turn correlations into Fisher's z with variance ``1/(n - 3)``.

    Parameters
    ----------
    r, n : array, shape (k,)
        Correlations and pairs, more than 3.

    Returns
    -------
    CountEffects

    Source
    ------
    Fisher (1921), Metron 1:3; Borenstein et al. (2009), ch. 6; example ES-9.
    """
    correlation, pairs = np.asarray(r, dtype=np.float64), np.asarray(n, dtype=np.float64)
    if np.any(np.abs(correlation) >= 1) or np.any(pairs <= 3):
        raise InputError("Fisher's z needs correlations between -1 and 1 of more than 3 pairs.")
    return CountEffects(
        estimate=np.arctanh(correlation), variance=np.broadcast_to(1 / (pairs - 3), pairs.shape)
    )


def r_from_fisher_z(z: float) -> float:
    """Turn Fisher's z back into a correlation.

    Parameters
    ----------
    z : float
        Any number.

    Returns
    -------
    float
    """
    return float(np.tanh(z))


def ratio_as_percent(log_ratio: float) -> float:
    """Give "so many percent later" of a log time ratio: ``100 (e^y - 1)``.

    Parameters
    ----------
    log_ratio : float
        ln(hot/cold).

    Returns
    -------
    float
        Above zero: the hotter one took longer.
    """
    return 100 * float(np.expm1(log_ratio))
