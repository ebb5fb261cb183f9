"""Log ratio of two mean times, with small-sample corrections and shared groups."""

from __future__ import annotations

import numpy as np

from metafreeze.effects.means import Effect, require_group
from metafreeze.errors import InputError


def _relative_variance(mean: float, sd: float, n: float, name: str) -> float:
    require_group(mean, sd, n, name)
    if not mean > 0:
        raise InputError(
            f"The mean of the {name} group is {mean:g}. A ratio needs means above zero: it makes "
            "no sense on a scale whose zero is arbitrary, such as °C."
        )
    return sd**2 / (n * mean**2)


def log_ratio(
    mean_1: float, sd_1: float, n_1: float, mean_2: float, sd_2: float, n_2: float
) -> Effect:
    """Give ln(mean 1 / mean 2) with its large-sample variance.

    Parameters
    ----------
    mean_1, sd_1, n_1, mean_2, sd_2, n_2 : float
        Means above zero, standard deviations and runs.

    Returns
    -------
    Effect

    Source
    ------
    Hedges, Gurevitch & Curtis (1999), Ecology 80:1150; example ES-3.
    """
    v_1 = _relative_variance(mean_1, sd_1, n_1, "first")
    v_2 = _relative_variance(mean_2, sd_2, n_2, "second")
    return Effect(
        estimate=float(np.log(mean_1) - np.log(mean_2)),
        variance=v_1 + v_2,
        df=_satterthwaite(v_1, n_1, v_2, n_2),
    )


def _satterthwaite(v_1: float, n_1: float, v_2: float, n_2: float) -> float:
    total = v_1 + v_2
    if total == 0:
        return n_1 + n_2 - 2
    return total**2 / (v_1**2 / (n_1 - 1) + v_2**2 / (n_2 - 1))


def corrected_log_ratio(
    mean_1: float, sd_1: float, n_1: float, mean_2: float, sd_2: float, n_2: float
) -> Effect:
    """Give ln(mean 1 / mean 2) with the delta-method correction for small samples.

    Parameters
    ----------
    mean_1, sd_1, n_1, mean_2, sd_2, n_2 : float
        Means above zero, standard deviations and runs.

    Returns
    -------
    Effect

    Source
    ------
    Lajeunesse (2015), Ecology 96:2056, doi:10.1890/14-2402.1: adds
    ``(v1 - v2)/2`` to the log ratio and ``(v1² + v2²)/2`` to its variance, with
    ``v = sd²/(n mean²)``; example ES-3b.
    """
    v_1 = _relative_variance(mean_1, sd_1, n_1, "first")
    v_2 = _relative_variance(mean_2, sd_2, n_2, "second")
    return Effect(
        estimate=float(np.log(mean_1) - np.log(mean_2)) + (v_1 - v_2) / 2,
        variance=v_1 + v_2 + (v_1**2 + v_2**2) / 2,
        df=_satterthwaite(v_1, n_1, v_2, n_2),
    )


def corrected_log_ratio_by_expectation(
    mean_1: float, sd_1: float, n_1: float, mean_2: float, sd_2: float, n_2: float
) -> Effect:
    """Give ln(mean 1 / mean 2) with the correction by linearity of expectation.

    Parameters
    ----------
    mean_1, sd_1, n_1, mean_2, sd_2, n_2 : float
        Means above zero, standard deviations and runs.

    Returns
    -------
    Effect

    Source
    ------
    Lajeunesse (2015), Ecology 96:2056, doi:10.1890/14-2402.1, second estimator (formula from
    memory; check the printed equation before quoting its variance); example ES-3b.
    """
    v_1 = _relative_variance(mean_1, sd_1, n_1, "first")
    v_2 = _relative_variance(mean_2, sd_2, n_2, "second")
    total = v_1 + v_2
    squares = np.log(mean_1**2 + sd_1**2 / n_1) - np.log(mean_2**2 + sd_2**2 / n_2)
    return Effect(
        estimate=float(squares / 2),
        variance=float(2 * total - np.log(1 + total + v_1 * v_2)),
        df=_satterthwaite(v_1, n_1, v_2, n_2),
    )


def shared_ratio_covariance(mean: float, sd: float, n: float) -> float:
    """Give the covariance of two corrected log ratios against one shared group.

    Parameters
    ----------
    mean, sd, n : float
        Mean, standard deviation and runs of the shared group.

    Returns
    -------
    float
        ``v + v²/2`` with ``v = sd²/(n mean²)``: what the shared group brings to each variance.

    Source
    ------
    Lajeunesse (2011), Ecology 92:2049, doi:10.1890/11-0423.1 (first-order term).
    """
    v = _relative_variance(mean, sd, n, "shared")
    return v + v**2 / 2
