"""Small-sample inference: adjusted covariance and degrees of freedom.

Kenward-Roger adjusts the covariance of the coefficients for the estimation of the
variances and gives each question its own degrees of freedom. V is linear in the
variances here, so the terms with second derivatives of V vanish. Variances estimated at
zero stay in the information; known variances are no parameters and are not in it.

Symbols: Phi = (X' V^-1 X)^-1; P_i = -X' V^-1 V_i V^-1 X; Q_ij = X' V^-1 V_i V^-1 V_j V^-1 X;
W the inverse expected information of the variances.

Source
------
Kenward, M. G. & Roger, J. H. (1997), Biometrics 53, 983-997, doi:10.2307/2533558, sections
2 and 3. Satterthwaite, F. E. (1946), Biometrics Bulletin 2, 110-114, doi:10.2307/3002019.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from metafreeze.models.likelihood import (
    Criterion,
    Totals,
    pair_traces,
    read_criterion,
    sum_studies,
)
from metafreeze.models.products import Products
from metafreeze.models.variance_shape import VarianceShape
from metafreeze.results import BoolArray, FloatArray

# Eigenvalues of the scaled information below this share are directions without information.
NO_INFORMATION = 1e-10


@dataclass(frozen=True, slots=True, kw_only=True)
class FitPoint:
    """A fit in the engine's units at absolute variances, with all derivatives.

    Parameters
    ----------
    variances : array, shape (m, K)
    totals : Totals
    criterion : Criterion
        Not profiled; Hessian in the variances.
    information : array, shape (m, K, K)
        Expected information of the variances, restricted likelihood.
    """

    variances: FloatArray
    totals: Totals
    criterion: Criterion
    information: FloatArray


def fit_point(
    products: Products, shape: VarianceShape, variances: FloatArray, *, restricted: bool
) -> FitPoint:
    """Evaluate everything at absolute variances (m, K), residual ones included."""
    totals = sum_studies(products, shape, variances, order=2, with_residual=True)
    criterion = read_criterion(totals, products, restricted=restricted, profiled=False)
    return FitPoint(
        variances=variances,
        totals=totals,
        criterion=criterion,
        information=expected_information(totals, criterion, products.fixed),
    )


def expected_information(totals: Totals, criterion: Criterion, fixed: int) -> FloatArray:
    """Half of ``tr(V^-1 V_i V^-1 V_j) - 2 tr(Phi Q_ij) + tr(Phi P_i Phi P_j)``."""
    p = fixed
    phi = criterion.unscaled
    PhiP = phi[:, None] @ totals.first[:, :, :p, :p]
    two_q = (phi[:, None, None] * totals.second[..., :p, :p]).sum(axis=(-1, -2))
    pp = pair_traces(PhiP, PhiP)
    return np.asarray(0.5 * (-totals.log_second - two_q + pp))


def invert_information(information: FloatArray) -> FloatArray:
    """Inverse of information matrices (m, K, K), none along directions without any."""
    scale = np.sqrt(np.maximum(np.diagonal(information, axis1=1, axis2=2), 0.0))
    safe = np.where(scale > 0, scale, 1.0)
    alike = information / (safe[:, :, None] * safe[:, None, :])
    values, vectors = np.linalg.eigh(alike)
    largest = values.max(axis=1, initial=0.0)[:, None]
    inverse = np.where(
        values > NO_INFORMATION * largest, 1.0 / np.where(values > 0, values, 1.0), 0.0
    )
    middle = (vectors * inverse[:, None, :]) @ np.swapaxes(vectors, 1, 2)
    return np.asarray(middle / (safe[:, :, None] * safe[:, None, :]))


def adjusted_covariance(point: FitPoint, fixed: int) -> FloatArray:
    """Kenward & Roger (1997), covariance adjusted for estimating the variances."""
    p = fixed
    phi = point.criterion.unscaled
    if point.information.shape[1] == 0:
        return phi
    W = invert_information(point.information)
    P = point.totals.first[:, :, :p, :p]
    Q = 0.5 * point.totals.second[..., :p, :p]
    inner = (W[..., None, None] * Q).sum(axis=(1, 2))
    PW = np.einsum("mij,mjab->miab", W, P)
    inner = inner - (P @ phi[:, None] @ PW).sum(axis=1)
    inner = 0.5 * (inner + np.swapaxes(inner, 1, 2))
    return np.asarray(phi + 2.0 * phi @ inner @ phi)


def slopes_of_variance(point: FitPoint, contrasts: FloatArray, fixed: int) -> FloatArray:
    """Give the derivative of ``c' Phi c`` in each variance, (m, rows of contrasts, K)."""
    p = fixed
    phi = point.criterion.unscaled
    right = contrasts @ phi
    first = point.totals.first[:, :, :p, :p]
    moved = (right[:, None] @ first) * right[:, None]  # (m, K, c, p)
    return np.asarray(-np.swapaxes(moved.sum(axis=-1), 1, 2))


def expected_df(point: FitPoint, contrasts: FloatArray, fixed: int) -> FloatArray:
    """Kenward-Roger degrees of freedom of single contrasts, (m, rows of contrasts).

    For one column the method's scale factor is one and its degrees of freedom are
    ``2 (c' Phi c)^2 / (g' W g)``.
    """
    g = slopes_of_variance(point, contrasts, fixed)
    if g.shape[2] == 0:
        return np.full(g.shape[:2], np.inf)
    W = invert_information(point.information)
    return _ratio(point, contrasts, g, W)


def observed_df(
    point: FitPoint, contrasts: FloatArray, fixed: int, *, boundary: BoolArray | bool
) -> FloatArray:
    """Satterthwaite degrees of freedom of single contrasts, from the observed Hessian.

    On the boundary the Hessian is no measure of spread; the expected information
    stands in for it.
    """
    g = slopes_of_variance(point, contrasts, fixed)
    if g.shape[2] == 0:
        return np.full(g.shape[:2], np.inf)
    information = 0.5 * point.criterion.hessian
    instead = np.asarray(boundary) | ~(np.linalg.eigvalsh(information)[:, 0] > 0)
    information = np.where(instead[:, None, None], point.information, information)
    return _ratio(point, contrasts, g, invert_information(information))


def _ratio(point: FitPoint, contrasts: FloatArray, g: FloatArray, W: FloatArray) -> FloatArray:
    variance = ((contrasts @ point.criterion.unscaled) * contrasts).sum(axis=-1)
    spread = ((g @ W) * g).sum(axis=-1)
    with np.errstate(divide="ignore"):
        return np.where(spread > 0, 2.0 * variance**2 / np.where(spread > 0, spread, 1.0), np.inf)
