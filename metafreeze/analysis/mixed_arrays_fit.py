"""Fit the arrays of the one-stage model."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from metafreeze.analysis.mixed_rows import INTERCEPT, WITHIN, MixedArrays
from metafreeze.models.mixed import mixed_model
from metafreeze.models.mixed_result import MixedFit
from metafreeze.models.unseen_result import UnseenTimesFit
from metafreeze.models.unseen_times import unseen_times_model
from metafreeze.options import Inference, Likelihood, Residual
from metafreeze.results import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class FitRequest:
    """What a fit of rows is asked for, apart from its rows."""

    residual: Residual = "common"
    likelihood: Likelihood = "restricted"
    inference: Inference = "kenward-roger"
    level: float = 0.95
    second_engine: bool = False
    slope_only: bool = False


def varying_columns(arrays: MixedArrays) -> tuple[FloatArray, tuple[str, ...]]:
    """Give the columns whose coefficients vary between studies: level and within slope."""
    if len(set(arrays.study)) < 2:
        return np.zeros((arrays.y.size, 0)), ()
    if arrays.difference.all():
        return arrays.within[:, None], (WITHIN,)
    level = np.where(arrays.difference, 0.0, 1.0)
    return np.column_stack([level, arrays.within]), (INTERCEPT, WITHIN)


def fit_arrays(arrays: MixedArrays, request: FitRequest) -> MixedFit | UnseenTimesFit:
    """Fit arrays of the one-stage model.

    Parameters
    ----------
    arrays : MixedArrays
    request : FitRequest

    Returns
    -------
    MixedFit or UnseenTimesFit
        The latter where some rows were not seen exactly.
    """
    varying, varying_names = varying_columns(arrays)
    several = bool((arrays.count > 1).any())
    known = bool(np.isfinite(arrays.known_variance).any())
    exact = bool(arrays.exact.all())
    batch = arrays.batch if (arrays.batch != "").any() else None
    specimen = _repeated(arrays.specimen, arrays.study)
    options: dict[str, Any] = {
        "varying": varying if varying.shape[1] or exact else None,
        "varying_names": varying_names if varying.shape[1] or exact else None,
        "batch": batch,
        "specimen": specimen if exact else None,
        "known_variance": arrays.known_variance if known else None,
        "added_variance": arrays.added_variance if (arrays.added_variance > 0).any() else None,
        "count": arrays.count if several else None,
        "spread": arrays.spread if several else None,
        "offset": arrays.offset if arrays.offset.any() else None,
        "residual": request.residual,
        "level": request.level,
        "names": arrays.names,
    }
    if exact:
        return mixed_model(
            arrays.y,
            arrays.X,
            arrays.study,
            likelihood=request.likelihood,
            inference=request.inference,
            simplify=True,
            second_engine=request.second_engine,
            **options,
        )
    if request.slope_only and request.residual == "common" and WITHIN in arrays.names:
        # Each further profile costs as much as the one that is read.
        focus = (list(arrays.names).index(WITHIN),)
        del options["specimen"], options["residual"]
        return unseen_times_model(
            arrays.lower,
            arrays.upper,
            arrays.X,
            arrays.study,
            log_times=True,
            focus=focus,
            **options,
        )
    return mixed_model(
        None, arrays.X, arrays.study, lower=arrays.lower, upper=arrays.upper, **options
    )


def _repeated(
    specimen: npt.NDArray[np.object_], study: npt.NDArray[np.object_]
) -> npt.NDArray[np.object_] | None:
    """Specimen labels where at least one specimen was frozen more than once."""
    named = specimen != ""
    pairs = pd.Series(list(zip(study[named], specimen[named], strict=True)), dtype=object)
    return specimen if bool((pairs.value_counts() > 1).any()) else None
