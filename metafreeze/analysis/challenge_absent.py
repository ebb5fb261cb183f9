"""The effect with each study left out in turn, from one fit."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from metafreeze.analysis.excess import fitted_columns, study_covariances
from metafreeze.analysis.mixed_rows import WITHIN, MixedArrays
from metafreeze.models.cut_normal import between_bounds
from metafreeze.models.mixed_result import MixedFit
from metafreeze.models.unseen_result import UnseenTimesFit
from metafreeze.results import FloatArray

NAN = float("nan")
# A direction that carries less than this share of the information is not estimated.
LEAST_SHARE = 1e-10
WIDEST_WINDOW = 1e-6


def slopes_without(arrays: MixedArrays, model: MixedFit | UnseenTimesFit) -> dict[str, float]:
    """Give the slope within batches with each study left out, the variances being held.

    Every study's share of the normal equations is taken off in turn. With the variances of
    all studies held, an odd study cannot hide behind the spread that it caused.

    Parameters
    ----------
    arrays : MixedArrays
        Rows of the fit.
    model : MixedFit or UnseenTimesFit
        The fit. Rows not seen exactly enter with the outcome and the weight that make the
        normal equations hold at the fit (one step of scoring).

    Returns
    -------
    dict of str to float
        Study to slope; NaN where the other studies alone have none.

    Source
    ------
    Case deletion with variances held: Christensen, Pearson & Johnson (1992), Technometrics
    34:38-45. Working outcome of a window: one step of Fisher scoring, as in McCullagh &
    Nelder (1989), section 2.5.
    """
    names = list(model.coefficients.index)
    studies = sorted(set(arrays.study))
    if model.status not in ("ok", "boundary") or not np.isfinite(model.residual_sd):
        return dict.fromkeys(studies, NAN)
    X = fitted_columns(arrays, model)
    outcome = _working_outcome(arrays, model, X)
    shares, sums = [], []
    for at, covariance in study_covariances(arrays, model, X):
        solved = np.linalg.solve(covariance, X[at])
        shares.append(X[at].T @ solved)
        sums.append(solved.T @ outcome[at])
    place = names.index(WITHIN)
    all_shares, all_sums = np.sum(shares, axis=0), np.sum(sums, axis=0)
    whole = _solve(all_shares, all_sums, place)
    centre = float(model.coefficients["estimate"].to_numpy(dtype=np.float64)[place])
    # The difference is moved to the fit itself, which rounding and windows put a little apart.
    return {
        study: centre + _solve(all_shares - share, all_sums - total, place) - whole
        for study, share, total in zip(studies, shares, sums, strict=True)
    }


def _solve(shares: FloatArray, sums: FloatArray, place: int) -> float:
    """Solve for one coefficient; NaN where it has no information of its own."""
    scale = np.sqrt(np.clip(np.diag(shares), 0.0, None))
    scale = np.where(scale > 0, scale, 1.0)
    values, vectors = np.linalg.eigh(shares / np.outer(scale, scale))
    kept = values > LEAST_SHARE * values.max()
    if np.any(np.abs(vectors[place, ~kept]) > np.sqrt(LEAST_SHARE)):
        return NAN
    inside = vectors[:, kept].T @ (sums / scale) / values[kept]
    return float(vectors[place, kept] @ inside / scale[place])


def _working_outcome(
    arrays: MixedArrays, model: MixedFit | UnseenTimesFit, X: FloatArray
) -> npt.NDArray[np.float64]:
    seen = arrays.y - arrays.offset
    if arrays.exact.all():
        return seen
    mean = X @ model.coefficients["estimate"].to_numpy(dtype=np.float64)
    for study in set(arrays.study):
        own = arrays.study == study
        mean[own] += np.mean((seen - mean)[own])
    sd = np.sqrt(model.residual_sd**2 / arrays.count + arrays.added_variance)
    low = (arrays.lower - arrays.offset - mean) / sd
    high = np.maximum((arrays.upper - arrays.offset - mean) / sd, low + WIDEST_WINDOW)
    middle, variance = between_bounds(low, high)
    step = middle / np.clip(1.0 - variance, WIDEST_WINDOW, 1.0)
    return np.where(arrays.exact, seen, mean + sd * step)
