"""Covariance that is robust to the variance model, by study, for few studies.

The bias-reduced linearisation corrects each study's residuals so that the estimate is
unbiased if the fitted variance model is true, and gives every coefficient its own
Satterthwaite degrees of freedom. Written in whitened residuals the correction needs
only each study's p x p products, never its rows: with G = X_s' V_s^-1 X_s, M = (sum G)^-1 = K K'
and g = X_s' V_s^-1 (y_s - X_s b), the study's corrected score is
``K^-T (I - K' G K)^-1/2 K' g``.

Source
------
Bell, R. M. & McCaffrey, D. F. (2002), Survey Methodology 28, 169-181; Pustejovsky, J. E. &
Tipton, E. (2018), J. Bus. Econ. Stat. 36, 672-683, doi:10.1080/07350015.2016.1247004, eq. 9,
11 and 12. The correction matrix is not unique for a variance other than the identity; the
whitened form is the one that does not depend on which root of V is taken.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from metafreeze.options import RobustKind
from metafreeze.results import FloatArray

# Eigenvalues of I - K' G K below this are a study that alone carries a coefficient.
CARRIED_ALONE = 1e-10


@dataclass(frozen=True, slots=True, kw_only=True)
class RobustCovariance:
    """Covariance and degrees of freedom of contrasts.

    Parameters
    ----------
    covariance : array, shape (..., p, p)
    se : array, shape (..., c)
    df : array, shape (..., c)
    """

    covariance: FloatArray
    se: FloatArray
    df: FloatArray


def robust_covariance(
    by_study: FloatArray, beta: FloatArray, contrasts: FloatArray, *, kind: RobustKind
) -> RobustCovariance:
    """Robust covariance by study from products in the metric of the fitted variance.

    Parameters
    ----------
    by_study : array, shape (..., S, p + 1, p + 1)
        [X y]' V^-1 [X y] of each study; leading axes for several data sets.
    beta : array, shape (..., p)
    contrasts : array, shape (c, p)
    kind : {"bias-reduced", "scaled", "plain"}
        With the bias-reduced linearisation, with the factor S / (S - 1), or with neither.

    Returns
    -------
    RobustCovariance
    """
    S, p = by_study.shape[-3], beta.shape[-1]
    G = by_study[..., :p, :p]
    score = by_study[..., :p, p] - (G @ beta[..., None, :, None])[..., 0]
    factor = np.linalg.cholesky(G.sum(axis=-3))  # sum G = F F'
    K = _t(np.linalg.solve(factor, np.broadcast_to(np.eye(p), factor.shape)))  # M = K K'
    middle = _t(K)[..., None, :, :] @ G @ K[..., None, :, :]
    middle = 0.5 * (middle + _t(middle))
    values, vectors = np.linalg.eigh(middle)
    left = np.maximum(1.0 - values, 0.0)
    if kind == "bias-reduced":
        alone = left < CARRIED_ALONE
        power = np.where(alone, 0.0, 1.0 / np.sqrt(np.where(alone, 1.0, left)))
    else:
        power = np.ones_like(left)
        if kind == "scaled":
            power *= np.sqrt(S / (S - 1.0))
    # In the basis where M is the identity a contrast c is K'c and a score is K'g.
    own = (vectors * power[..., None, :]) @ _t(vectors)
    corrected = (own @ (score @ K)[..., None])[..., 0]
    turned = contrasts @ K  # (..., c, p)
    parts = corrected @ _t(turned)  # (..., S, c)
    covariance = K @ (_t(corrected) @ corrected) @ _t(K)
    se = np.sqrt((parts**2).sum(axis=-2))

    # Satterthwaite under the working model: sum over pairs of studies of squares of
    # delta_st a_s - h_s' h_t, with a_s = k' A (KGK) A k and h_s = (KGK) A k.
    carried = turned[..., None, :, :] @ own  # (..., S, c, p)
    h = carried @ middle
    a = (carried * h).sum(axis=-1)
    lengths = (h * h).sum(axis=-1)
    across = np.moveaxis(h, -2, -3)  # (..., c, S, p)
    gram = _t(across) @ across
    trace = (a - lengths).sum(axis=-2)
    square = (a**2 - 2.0 * a * lengths).sum(axis=-2) + (gram**2).sum(axis=(-1, -2))
    with np.errstate(divide="ignore", invalid="ignore"):
        df = np.where(square > 0, trace**2 / square, np.nan)
    return RobustCovariance(covariance=covariance, se=se, df=df)


def _t(x: FloatArray) -> FloatArray:
    return np.swapaxes(x, -1, -2)
