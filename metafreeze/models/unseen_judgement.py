"""What a finished search is worth: status, note, standard errors."""

from __future__ import annotations

import numpy as np

from metafreeze.models import censored_likelihood as rows_of
from metafreeze.models.unseen_fit import EDGE_LOG_SPREAD, Fitted, Standardised
from metafreeze.models.unseen_input import UnseenRows
from metafreeze.options import Status
from metafreeze.results import FloatArray

# Where nothing was seen exactly, a search that ends nowhere below this log spread (a twelfth
# of what least squares on the bounds gives) is on its way to none.
DRIFT_LOG_SPREAD = -2.5
# A search that drove the log of the spread so far above its start will not end.
HIGHEST_LOG_SPREAD = 5.0


def spread_note(rows: UnseenRows) -> str:
    """Say why the spread can shrink to nothing."""
    if np.all(rows.kind == rows_of.RIGHT):
        return "No row has an upper bound: nothing was seen to freeze, so no time can be estimated."
    if np.all(rows.kind == rows_of.LEFT):
        return "No row has a lower bound: all had frozen at the first look, so no time is known."
    if not np.any((rows.kind == rows_of.EXACT) | (rows.kind == rows_of.INTERVAL)):
        return (
            "Every row is bounded on one side only, by looks that do not tell how much times "
            "differ from where they lie."
        )
    if not np.any(rows.kind == rows_of.EXACT):
        return (
            "All bounds can hold at once with no spread at all, so the data do not say how "
            "much times differ."
        )
    return "The columns fit every row without any spread, so the spread cannot be estimated."


def judge_fit(scaled: Standardised, fitted: Fitted) -> tuple[Status, str]:
    """Give the status of a finished search and the note beside it."""
    p = scaled.design.x.shape[1]
    free = np.setdiff1d(scaled.free, fitted.zero)
    at_edge = p in free and fitted.theta[p] < EDGE_LOG_SPREAD
    if at_edge and bool(np.all(scaled.design.added > 0.0)):
        fitted.zero = np.union1d(fitted.zero, [p])
        return "boundary", "The residual spread beyond the stated variances is estimated at zero."
    unseen = not bool(np.any(scaled.times.kind == rows_of.EXACT))
    drifts = unseen and not fitted.arrived and fitted.theta[p] < DRIFT_LOG_SPREAD
    if at_edge or drifts:
        return (
            "unidentifiable",
            "The windows are too wide to show how runs within a group differ: the spread runs "
            "to zero.",
        )
    if not fitted.arrived and fitted.theta[p] > HIGHEST_LOG_SPREAD:
        return (
            "unidentifiable",
            "The bounds are fitted ever better as the spread grows: they follow no column.",
        )
    if not fitted.arrived or not np.isfinite(fitted.value):
        return "failed", "The search for the best fit did not settle."
    curve = np.linalg.eigvalsh(fitted.hessian[np.ix_(free, free)])
    if not curve[0] > 1e-9 * curve[-1]:
        return (
            "unidentifiable",
            "Near the best fit some combination of the parameters can change freely.",
        )
    note = ""
    criterion = 2.0 * fitted.value + scaled.shift
    if fitted.quadrature_error > 1e-6 * max(1.0, abs(criterion)):
        note = (
            f"The integrals over random parts are good to {fitted.quadrature_error:.1g} in the "
            "criterion only."
        )
    if len(fitted.zero):
        word = "No spread between groups is seen in a random part, or two vary in step"
        return "boundary", " ".join(part for part in (f"{word}.", note) if part)
    return "ok", note


def coefficient_covariance(scaled: Standardised, fitted: Fitted) -> tuple[FloatArray, float]:
    """Covariance of the coefficients and standard error of log sigma."""
    p = scaled.design.x.shape[1]
    free = np.setdiff1d(scaled.free, fitted.zero)
    low = np.linalg.cholesky(fitted.hessian[np.ix_(free, free)])
    root = np.linalg.solve(low, np.eye(len(free)))
    whole = root.T @ root
    back = scaled.unit * scaled.back
    inner = whole[: int((free < p).sum()), : int((free < p).sum())]
    place = np.flatnonzero(free == p)
    log_se = float(np.sqrt(whole[place[0], place[0]])) if len(place) else float("nan")
    return back @ inner @ back.T, log_se
