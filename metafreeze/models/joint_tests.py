"""Test several coefficients of a mixed fit together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from metafreeze.errors import InputError, NotEstimableError
from metafreeze.models.mixed_result import MixedFit
from metafreeze.models.small_sample import (
    FitPoint,
    adjusted_covariance,
    fit_point,
    invert_information,
    observed_df,
)
from metafreeze.options import Inference
from metafreeze.results import RESULT, FloatArray, Result, round_for_people

# Degrees of freedom nearer to each other than this are one number.
SAME_DF = 1e-8


@dataclass(**RESULT)
class JointTest(Result):
    """Test that several contrasts are all zero.

    Parameters
    ----------
    f : float
    df_top, df_bottom : float
        Infinite `df_bottom` stands for the chi-square law.
    p : float
    method : str
    """

    f: float
    df_top: float
    df_bottom: float
    p: float
    method: Inference

    def to_frame(self) -> pd.DataFrame:
        """Give the test as one row."""
        return pd.DataFrame(
            {
                "f": [self.f],
                "df_top": [self.df_top],
                "df_bottom": [self.df_bottom],
                "p": [self.p],
            }
        )

    def headline(self) -> str:
        """Say the test in one line."""
        return (
            f"F({self.df_top:g}, {round_for_people(self.df_bottom)}) = "
            f"{round_for_people(self.f)}, p = {round_for_people(self.p)}, {self.method}"
        )


def joint_test(
    fit: MixedFit,
    terms: Sequence[str] | None = None,
    *,
    contrasts: npt.ArrayLike | None = None,
    method: Literal["kenward-roger", "satterthwaite"] = "kenward-roger",
) -> JointTest:
    """Test coefficients or contrasts of a mixed fit together.

    Parameters
    ----------
    fit : MixedFit
    terms : sequence of str, optional
        Coefficients that are zero under the hypothesis.
    contrasts : array, shape (c, p), optional
        Or rows of contrasts of the coefficients.
    method : {"kenward-roger", "satterthwaite"}

    Returns
    -------
    JointTest

    Raises
    ------
    InputError
        A term is unknown, or the contrasts are not independent.
    NotEstimableError
        The fit has no estimate.

    Source
    ------
    Kenward & Roger (1997), doi:10.2307/2533558, section 3; Fai & Cornelius (1996), J. Stat.
    Comput. Simul. 54, 363-378, doi:10.1080/00949659608811740.
    """
    if method not in ("kenward-roger", "satterthwaite"):
        raise InputError(f'method is {method!r}. Choose one of "kenward-roger", "satterthwaite".')
    state = fit.state
    if state is None:
        raise NotEstimableError(f"There is no fit to test: {fit.note}")
    L = _contrasts(state.names, terms, contrasts)
    point = fit_point(state.products, state.shape, state.variances, restricted=state.restricted)
    frame, p = state.products.frame, state.products.fixed
    turned = float(frame.y_unit[0]) * L @ np.linalg.inv(frame.turn)
    difference = L @ fit.coefficients["estimate"].to_numpy()
    if method == "kenward-roger":
        return _kenward_roger(point, difference, turned, p)
    return _satterthwaite(point, difference, turned, p, boundary=fit.status == "boundary")


def _contrasts(
    names: tuple[str, ...], terms: Sequence[str] | None, contrasts: npt.ArrayLike | None
) -> FloatArray:
    p = len(names)
    if (terms is None) == (contrasts is None):
        raise InputError("Give either terms or contrasts.")
    if terms is not None:
        unknown = [t for t in terms if t not in names]
        if unknown or not terms:
            raise InputError(f"terms is {list(terms)!r}. Choose from {', '.join(names)}.")
        L = np.zeros((len(terms), p))
        for row, term in enumerate(terms):
            L[row, names.index(term)] = 1.0
    else:
        L = np.atleast_2d(np.asarray(contrasts, dtype=np.float64))
        if L.ndim != 2 or L.shape[1] != p:
            raise InputError(f"contrasts has shape {L.shape}; it needs {p} columns.")
    if np.linalg.matrix_rank(L) < L.shape[0]:
        raise InputError("Some contrasts follow from others. Leave those out.")
    return L


def _result(f: float, rank: int, df: float, method: Inference) -> JointTest:
    p = stats.f.sf(f, rank, df) if np.isfinite(df) else stats.chi2.sf(f * rank, rank)
    return JointTest(f=f, df_top=float(rank), df_bottom=df, p=float(p), method=method)


def _kenward_roger(point: FitPoint, difference: FloatArray, L: FloatArray, fixed: int) -> JointTest:
    """Kenward & Roger (1997), section 3; symbols as there, Theta = L' (L Phi L')^-1 L."""
    p, rank = fixed, L.shape[0]
    phi = point.criterion.unscaled[0]
    adjusted = adjusted_covariance(point, p)[0]
    f = float(difference @ np.linalg.solve(L @ adjusted @ L.T, difference)) / rank
    if point.information.shape[1] == 0:
        return _result(f, rank, float("inf"), "kenward-roger")
    W = invert_information(point.information)[0]
    P = point.totals.first[0, :, :p, :p]
    theta = L.T @ np.linalg.solve(L @ phi @ L.T, L)
    parts = theta @ phi @ P @ phi  # (K, p, p)
    single = np.einsum("kaa->k", parts)
    a1 = float(single @ W @ single)
    a2 = float(np.einsum("ij,iab,jba->", W, parts, parts))
    if a2 <= 0.0:
        return _result(f, rank, float("inf"), "kenward-roger")
    if rank == 1:
        # The general formula below has this limit: its factor is one.
        return _result(f, rank, 2.0 / a2, "kenward-roger")
    b = (a1 + 6.0 * a2) / (2.0 * rank)
    g = ((rank + 1) * a1 - (rank + 4) * a2) / ((rank + 2) * a2)
    bottom = 3.0 * rank + 2.0 * (1.0 - g)
    c1, c2, c3 = g / bottom, (rank - g) / bottom, (rank + 2 - g) / bottom
    expected = 1.0 / (1.0 - a2 / rank)  # E*
    spread = (2.0 / rank) * (1.0 + c1 * b) / ((1.0 - c2 * b) ** 2 * (1.0 - c3 * b))  # V*
    rho = spread / (2.0 * expected**2)
    df = 4.0 + (rank + 2.0) / (rank * rho - 1.0)
    # At df = 2 the mean of F does not exist and the factor has no use.
    factor = df / (expected * (df - 2.0)) if abs(df - 2.0) > 1e-6 else 1.0
    return _result(f * factor, rank, df, "kenward-roger")


def _satterthwaite(
    point: FitPoint, difference: FloatArray, L: FloatArray, fixed: int, *, boundary: bool
) -> JointTest:
    """Fai & Cornelius (1996): one F from the degrees of freedom of independent parts."""
    phi = point.criterion.unscaled[0]
    values, vectors = np.linalg.eigh(L @ phi @ L.T)
    rank = values.size
    f = float(((vectors.T @ difference) ** 2 / values).sum() / rank)
    df = observed_df(point, vectors.T @ L, fixed, boundary=boundary)[0]
    least = float(df.min())
    # Infinite ones, from known variances alone, have no difference that could be taken.
    if np.isinf(least) or df.max() - least <= SAME_DF * least:
        return _result(f, rank, float(df.mean()), "satterthwaite")
    total = float((1.0 / (1.0 - 2.0 / df[df > 2.0])).sum())
    bottom = 2.0 * total / (total - rank) if total > rank else float("nan")
    return _result(f, rank, bottom, "satterthwaite")
