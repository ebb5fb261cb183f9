"""Estimates of combinations of the coefficients of a mixed fit."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from metafreeze.errors import InputError, NotEstimableError
from metafreeze.models.cluster_robust import robust_covariance
from metafreeze.models.mixed_result import MixedFit, coefficient_frame
from metafreeze.models.small_sample import (
    adjusted_covariance,
    expected_df,
    fit_point,
    observed_df,
)
from metafreeze.options import Inference, require_choice
from metafreeze.results import FloatArray


def estimate_contrasts(
    fit: MixedFit,
    contrasts: npt.ArrayLike,
    *,
    names: Sequence[str] | None = None,
    inference: Inference | None = None,
    level: float | None = None,
) -> pd.DataFrame:
    """Estimate combinations of the fixed coefficients, each with its own degrees of freedom.

    Parameters
    ----------
    fit : MixedFit
    contrasts : array, shape (c, p)
        One combination a row.
    names : sequence of str, optional
        Names of the combinations.
    inference : {"kenward-roger", "satterthwaite", "cluster-robust", "normal"}, optional
        The fit's own by default.
    level : float, optional
        The fit's own by default.

    Returns
    -------
    DataFrame
        estimate, se, df, low, high, p, indexed by name.

    Raises
    ------
    InputError
        Shapes differ or an option is unknown.
    NotEstimableError
        The fit has no estimate, or is one study and robust inference is asked for.

    Source
    ------
    As in `mixed_model`.
    """
    state = fit.state
    if state is None:
        raise NotEstimableError(f"There is no fit to ask: {fit.note}")
    L = np.atleast_2d(np.asarray(contrasts, dtype=np.float64))
    p = state.products.fixed
    if L.ndim != 2 or L.shape[1] != p:
        raise InputError(
            f"contrasts has shape {L.shape}; it needs {p} columns: {', '.join(state.names)}."
        )
    labels = tuple(names) if names is not None else tuple(f"c{i}" for i in range(L.shape[0]))
    if len(labels) != L.shape[0]:
        raise InputError(f"{len(labels)} names are given for {L.shape[0]} contrasts.")
    method = fit.inference if inference is None else inference
    require_choice(method, Inference, name="inference")
    point = fit_point(state.products, state.shape, state.variances, restricted=state.restricted)
    frame = state.products.frame
    turned: FloatArray = np.asarray(L @ np.linalg.inv(frame.turn))
    unit = float(frame.y_unit[0])
    if method == "cluster-robust":
        if state.products.studies < 2:
            raise NotEstimableError("One study alone gives no spread between studies.")
        found = robust_covariance(
            point.totals.by_study[0], point.criterion.beta[0], turned, kind="bias-reduced"
        )
        se, df = unit * found.se, found.df
    else:
        covariance = point.criterion.unscaled[0]
        df = np.full(L.shape[0], np.inf)
        if method == "kenward-roger":
            covariance = adjusted_covariance(point, p)[0]
            df = expected_df(point, turned, p)[0]
        elif method == "satterthwaite":
            df = observed_df(point, turned, p, boundary=fit.status == "boundary")[0]
        variance = np.einsum("cp,pq,cq->c", turned, covariance, turned)
        se = unit * np.sqrt(np.maximum(variance, 0.0))
    estimate = L @ fit.coefficients["estimate"].to_numpy()
    return coefficient_frame(labels, estimate, se, df, fit.level if level is None else level)
