"""Difference of two means, for independent groups and for pairs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from metafreeze.errors import InputError


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """An effect with its sampling variance.

    Parameters
    ----------
    estimate, variance : float
        Effect on an additive scale and its variance.
    df : float
        Degrees of freedom behind the variance; infinite where it is taken as known.
    """

    estimate: float
    variance: float
    df: float = float("inf")

    @property
    def se(self) -> float:
        """Standard error."""
        return float(np.sqrt(self.variance))


def require_group(mean: float, sd: float, n: float, name: str) -> None:
    """Refuse a group that cannot give an effect.

    Parameters
    ----------
    mean, sd, n : float
        Mean, standard deviation, runs.
    name : str
        Which group, for the message.
    """
    if not np.isfinite(mean):
        raise InputError(f"The mean of the {name} group is {mean!r}. Give a finite number.")
    if not (np.isfinite(sd) and sd >= 0):
        raise InputError(f"The SD of the {name} group is {sd!r}. Give a number from 0.")
    if not n >= 2:
        raise InputError(f"The {name} group has {n!r} runs. An SD needs at least two.")


def pooled_sd(sd_1: float, n_1: float, sd_2: float, n_2: float) -> float:
    """Give the standard deviation within two groups, weighted by degrees of freedom.

    Parameters
    ----------
    sd_1, n_1, sd_2, n_2 : float
        Standard deviations and runs.

    Returns
    -------
    float
    """
    squares = (n_1 - 1) * sd_1**2 + (n_2 - 1) * sd_2**2
    return float(np.sqrt(squares / (n_1 + n_2 - 2)))


def mean_difference(
    mean_1: float,
    sd_1: float,
    n_1: float,
    mean_2: float,
    sd_2: float,
    n_2: float,
    *,
    common_sd: bool = False,
) -> Effect:
    """Subtract two independent means.

    Parameters
    ----------
    mean_1, sd_1, n_1, mean_2, sd_2, n_2 : float
        Means, standard deviations and runs; the difference is first minus second.
    common_sd : bool
        Whether the groups share one standard deviation; else each has its own, with the
        degrees of freedom of Welch.

    Returns
    -------
    Effect

    Source
    ------
    Borenstein, Hedges, Higgins & Rothstein (2009), Introduction to Meta-Analysis, ch. 4; Welch
    (1947), Biometrika 34:28; example ES-1.
    """
    require_group(mean_1, sd_1, n_1, "first")
    require_group(mean_2, sd_2, n_2, "second")
    if common_sd:
        variance = pooled_sd(sd_1, n_1, sd_2, n_2) ** 2 * (1 / n_1 + 1 / n_2)
        return Effect(estimate=mean_1 - mean_2, variance=variance, df=n_1 + n_2 - 2)
    v_1, v_2 = sd_1**2 / n_1, sd_2**2 / n_2
    total = v_1 + v_2
    df = total**2 / (v_1**2 / (n_1 - 1) + v_2**2 / (n_2 - 1)) if total > 0 else n_1 + n_2 - 2
    return Effect(estimate=mean_1 - mean_2, variance=total, df=df)


def paired_mean_difference(mean_1: float, mean_2: float, sd_difference: float, n: float) -> Effect:
    """Subtract two means measured on the same pairs.

    Parameters
    ----------
    mean_1, mean_2 : float
        Means.
    sd_difference : float
        Standard deviation of the differences.
    n : float
        Pairs.

    Returns
    -------
    Effect

    Source
    ------
    Borenstein et al. (2009), ch. 4; example ES-2.
    """
    require_group(mean_1 - mean_2, sd_difference, n, "difference")
    return Effect(estimate=mean_1 - mean_2, variance=sd_difference**2 / n, df=n - 1)
