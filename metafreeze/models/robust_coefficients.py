"""Coefficients of a mixed fit with inference that is robust by study."""

from __future__ import annotations

import numpy as np
import pandas as pd

from metafreeze.errors import NotEstimableError
from metafreeze.models.cluster_robust import robust_covariance
from metafreeze.models.mixed_result import MixedFit, coefficient_frame
from metafreeze.models.small_sample import fit_point
from metafreeze.options import RobustKind, require_choice


def robust_coefficients(fit: MixedFit, *, kind: RobustKind = "bias-reduced") -> pd.DataFrame:
    """Give the coefficients with standard errors that hold under a wrong variance model.

    Use the bias-reduced kind, which stands in every fit as `robust`; the others are there to
    compare with. Studies must be independent of each other; few studies give few degrees of
    freedom.

    Parameters
    ----------
    fit : MixedFit
    kind : {"bias-reduced", "scaled", "plain"}
        Bias-reduced linearisation; factor S / (S - 1) on S studies; neither.

    Returns
    -------
    DataFrame
        estimate, se, df, low, high, p, indexed by term.

    Raises
    ------
    NotEstimableError
        The fit has no estimate, or a single study.

    Source
    ------
    Bell & McCaffrey (2002), Survey Methodology 28, 169-181; Pustejovsky & Tipton (2018),
    doi:10.1080/07350015.2016.1247004.
    """
    require_choice(kind, RobustKind, name="kind")
    state = fit.state
    if state is None:
        raise NotEstimableError(f"There is no fit to ask: {fit.note}")
    if state.products.studies < 2:
        raise NotEstimableError("One study alone gives no spread between studies to be robust by.")
    point = fit_point(state.products, state.shape, state.variances, restricted=state.restricted)
    frame = state.products.frame
    found = robust_covariance(
        point.totals.by_study[0],
        point.criterion.beta[0],
        np.asarray(np.linalg.inv(frame.turn), dtype=np.float64),
        kind=kind,
    )
    return coefficient_frame(
        state.names,
        fit.coefficients["estimate"].to_numpy(),
        float(frame.y_unit[0]) * found.se,
        found.df,
        fit.level,
    )
