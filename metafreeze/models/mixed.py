"""The linear mixed model of runs, summaries and contrasts in studies, batches, specimens."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy.typing as npt
import pandas as pd

from metafreeze.errors import InputError
from metafreeze.models.mixed_fit import Request, fit_checked
from metafreeze.models.mixed_input import check_input
from metafreeze.models.mixed_result import MixedFit
from metafreeze.options import Inference, Likelihood, Residual, require_choice

if TYPE_CHECKING:
    from metafreeze.models.unseen_result import UnseenTimesFit


def mixed_model(
    y: npt.ArrayLike | None,
    X: npt.ArrayLike | pd.DataFrame,
    study: npt.ArrayLike,
    *,
    varying: npt.ArrayLike | pd.DataFrame | None = None,
    batch: npt.ArrayLike | None = None,
    specimen: npt.ArrayLike | None = None,
    known_variance: npt.ArrayLike | None = None,
    added_variance: npt.ArrayLike | None = None,
    count: npt.ArrayLike | None = None,
    spread: npt.ArrayLike | None = None,
    lower: npt.ArrayLike | None = None,
    upper: npt.ArrayLike | None = None,
    residual: Residual = "common",
    likelihood: Likelihood = "restricted",
    offset: npt.ArrayLike | None = None,
    inference: Inference = "kenward-roger",
    correlated: bool = True,
    simplify: bool = False,
    level: float = 0.95,
    names: Sequence[str] | None = None,
    varying_names: Sequence[str] | None = None,
    second_engine: bool = False,
) -> MixedFit | UnseenTimesFit:
    """Fit a linear mixed model of rows in studies, exactly and with small-sample inference.

    Use it where runs, published summaries and contrasts stand in one table and several
    laboratories, batches or specimens repeat themselves. The outcome is normal given the
    random parts (log times usually are). One status word says whether the fit is to be
    believed. A batch or specimen belongs to its study; the two may nest in each other or
    cross within a study.

    Parameters
    ----------
    y : array, shape (n,)
        Outcome, such as ln(time / 1 s). None where `lower` and `upper` are given.
    X : array or DataFrame, shape (n, p)
        Columns of the fixed part; include the constant where there is one.
    study : array, shape (n,)
        Labels, integers or words.
    varying : array or DataFrame, shape (n, q), optional
        Columns whose coefficients vary between studies. None: the constant, if there are
        several studies. No columns at all (shape (n, 0)): nothing varies between studies.
    batch, specimen : array, shape (n,), optional
        Labels of random intercepts within a study; None, NaN or "" where a row has none.
    known_variance : array, shape (n,), optional
        Replaces the residual variance of a row; NaN: it is estimated.
    added_variance : array, shape (n,), optional
        Added to the residual variance, such as a reading error.
    count, spread : array, shape (n,), optional
        A row that summarises `count` runs with mean `y` and standard deviation `spread`.
    lower, upper : array, shape (n,), optional
        Bounds on y where it was not seen exactly; the model for such times answers.
    residual : {"common", "per-study"}
        One residual variance, or one a study.
    likelihood : {"restricted", "full"}
        Full for comparing fixed parts; the small-sample methods then stand at its variances.
    offset : array, shape (n,), optional
        Subtracted from y: a part of the mean with coefficient 1.
    inference : {"kenward-roger", "satterthwaite", "cluster-robust", "normal"}
        What stands in `coefficients`; the robust table always stands beside.
    correlated : bool
        Whether the varying coefficients may be correlated.
    simplify : bool
        Take the written ladder down where the design cannot carry the random parts, and say
        so in `steps_taken`; otherwise such a fit is refused as unidentifiable.
    level : float
        Level of the intervals.
    names, varying_names : sequence of str, optional
        Names of the columns.
    second_engine : bool
        Whether to refit with an independent general-purpose engine and compare.

    Returns
    -------
    MixedFit
        Or the fit of `unseen_times_model` where bounds are given.

    Raises
    ------
    InputError
        Shapes differ, a number is not finite, an option is unknown; the message names the
        argument and the place.

    Source
    ------
    Criterion: Bates et al. (2015), doi:10.18637/jss.v067.i01. Inference: Kenward & Roger
    (1997), doi:10.2307/2533558; Satterthwaite (1946), doi:10.2307/3002019; Bell & McCaffrey
    (2002), Survey Methodology 28, 169-181; Pustejovsky & Tipton (2018),
    doi:10.1080/07350015.2016.1247004. Checks: tests/published/expected_mixed.toml.

    Examples
    --------
    >>> import numpy as np
    >>> y = [3.1, 3.4, 3.3, 3.5, 2.9, 3.3, 3.2, 3.6]
    >>> hot = [0, 1, 0, 1, 0, 1, 0, 1]
    >>> lab = ["a", "a", "a", "a", "b", "b", "b", "b"]
    >>> fit = mixed_model(y, np.column_stack([np.ones(8), hot]), lab, names=["cold", "hot"])
    >>> fit.status, round(float(fit.coefficients.loc["hot", "estimate"]), 3)
    ('boundary', 0.325)
    """
    require_choice(residual, Residual, name="residual")
    require_choice(likelihood, Likelihood, name="likelihood")
    require_choice(inference, Inference, name="inference")
    if not 0.0 < level < 1.0:
        raise InputError(f"level is {level}. Give a number between 0 and 1, such as 0.95.")
    if lower is not None or upper is not None:
        return _delegate_unseen(
            y,
            X,
            study,
            lower=lower,
            upper=upper,
            varying=varying,
            batch=batch,
            specimen=specimen,
            known_variance=known_variance,
            added_variance=added_variance,
            count=count,
            spread=spread,
            offset=offset,
            correlated=correlated,
            residual=residual,
            level=level,
            names=names,
            varying_names=varying_names,
        )
    if y is None:
        raise InputError("y is missing. Give the outcome, or both lower and upper.")
    checked = check_input(
        y,
        X,
        study,
        varying=varying,
        batch=batch,
        specimen=specimen,
        known_variance=known_variance,
        added_variance=added_variance,
        count=count,
        spread=spread,
        offset=offset,
        names=None if names is None else tuple(names),
        varying_names=None if varying_names is None else tuple(varying_names),
    )
    request = Request(
        residual=residual,
        likelihood=likelihood,
        inference=inference,
        correlated=correlated,
        simplify=simplify,
        level=level,
    )
    fit = fit_checked(checked, request)
    if second_engine:
        from metafreeze.models.second_engine import compare_engines

        return compare_engines(fit, checked)
    return fit


def _delegate_unseen(
    y: npt.ArrayLike | None,
    X: npt.ArrayLike | pd.DataFrame,
    study: npt.ArrayLike,
    *,
    lower: npt.ArrayLike | None,
    upper: npt.ArrayLike | None,
    specimen: npt.ArrayLike | None,
    residual: Residual,
    names: Sequence[str] | None,
    **rest: object,
) -> UnseenTimesFit:
    """Hand rows with bounds on y to the model for times not seen exactly."""
    from metafreeze.models.unseen_times import unseen_times_model

    if specimen is not None:
        raise InputError(
            "specimen cannot be fitted together with lower and upper. Leave it out, or give it as "
            "batch."
        )
    if residual != "common":
        raise InputError(
            'residual is "per-study" together with lower and upper. Choose "common" there.'
        )
    if lower is None or upper is None:
        if y is None:
            raise InputError("Give both lower and upper, or y and one of them.")
        lower = y if lower is None else lower
        upper = y if upper is None else upper
    if names is None and isinstance(X, pd.DataFrame):
        names = [str(c) for c in X.columns]
    return unseen_times_model(lower, upper, X, study, log_times=True, names=names, **rest)  # type: ignore[arg-type]
