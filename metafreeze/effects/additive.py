"""Arms compared inside the batches they shared: the additive model of arms and batches."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from metafreeze.results import FloatArray, IntArray

# A direction of the design this much shorter than the longest is not there at all.
RANK_TOLERANCE = 1e-9
# A residual sum of squares below this share of the total is rounding: no spread was seen.
NO_RESIDUAL = 1e-20


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ArmContrasts:
    """Every arm against arm 0.

    Parameters
    ----------
    estimate : array, shape (a - 1,)
        Arm minus arm 0.
    covariance : array, shape (a - 1, a - 1)
        Sampling covariance.
    df : float
        Residual degrees of freedom.
    residual_variance : float
        Variance of a single run.
    problem : str
        Why there is no answer; empty otherwise.
    """

    estimate: FloatArray
    covariance: FloatArray
    df: float
    residual_variance: float
    problem: str = ""


def _no_contrasts(arms: int, problem: str) -> ArmContrasts:
    nan = float("nan")
    return ArmContrasts(
        estimate=np.full(arms - 1, nan),
        covariance=np.full((arms - 1, arms - 1), nan),
        df=0.0,
        residual_variance=nan,
        problem=problem,
    )


def arm_contrasts(values: FloatArray, arm: IntArray, batch: IntArray) -> ArmContrasts:
    """Fit ``value = batch + arm`` by least squares and compare every arm with arm 0.

    Parameters
    ----------
    values : array, shape (m,)
        Outcomes.
    arm, batch : int array, shape (m,)
        Arm and batch of each run, from 0 without gaps.

    Returns
    -------
    ArmContrasts

    Source
    ------
    Two-way layout without interaction, unbalanced; Scheffe (1959), The Analysis of Variance,
    sec. 4.4.
    """
    arms, batches = int(arm.max()) + 1, int(batch.max()) + 1
    indicator = (arm[:, np.newaxis] == np.arange(1, arms)).astype(np.float64)
    size = np.bincount(batch, minlength=batches).astype(np.float64)
    x, y = _centred(indicator, batch, size), _centred(values[:, np.newaxis], batch, size)[:, 0]
    basis, upper = np.linalg.qr(x)
    if np.abs(np.diag(upper)).min() <= RANK_TOLERANCE * np.sqrt(values.size):
        return _no_contrasts(arms, "some arms share no batch with the others")
    inside = basis.T @ y
    residual = y - basis @ inside
    rss, df = float(residual @ residual), values.size - batches - (arms - 1)
    if df <= 0:
        return _no_contrasts(arms, "no runs are left to show the spread of a single run")
    if rss <= NO_RESIDUAL * float(values @ values):
        return _no_contrasts(arms, "the runs have no spread at all (timer resolution?)")
    inverse = np.linalg.solve(upper, np.eye(arms - 1))
    return ArmContrasts(
        estimate=np.linalg.solve(upper, inside),
        covariance=rss / df * inverse @ inverse.T,
        df=float(df),
        residual_variance=rss / df,
    )


def _centred(table: FloatArray, batch: IntArray, size: FloatArray) -> FloatArray:
    sums = np.zeros((size.size, table.shape[1]))
    np.add.at(sums, batch, table)
    return table - (sums / size[:, np.newaxis])[batch]
