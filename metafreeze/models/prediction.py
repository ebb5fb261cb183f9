"""What a mixed fit says about a study it has seen, and about one it has not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from metafreeze.errors import InputError, NotEstimableError
from metafreeze.models.mixed_result import FittedState, MixedFit, t_quantile
from metafreeze.models.small_sample import (
    FitPoint,
    adjusted_covariance,
    expected_df,
    fit_point,
)
from metafreeze.results import RESULT, FloatArray, Result, round_for_people

PREDICTED_COLUMNS = ("predicted", "se", "df", "low", "high")


def study_modes(fit: MixedFit) -> pd.DataFrame:
    """Give each study's deviations of its varying coefficients: their conditional modes.

    Parameters
    ----------
    fit : MixedFit

    Returns
    -------
    DataFrame
        One row a study, one column a varying term; no columns where nothing varies.

    Raises
    ------
    NotEstimableError
        The fit has no estimate.

    Source
    ------
    Bates et al. (2015), doi:10.18637/jss.v067.i01, eq. 58.
    """
    state = _state(fit)
    point = _point(state)
    names = list(state.varying_names)
    index = pd.Index(fit.study_names, name="study")
    q = state.shape.varying
    if q == 0:
        return pd.DataFrame(index=index)
    modes = _star_modes(state, point)[:, :q] @ np.linalg.inv(state.products.frame.turn_varying).T
    unit = float(state.products.frame.y_unit[0])
    return pd.DataFrame(unit * modes, index=index, columns=names)


def _state(fit: MixedFit) -> FittedState:
    if fit.state is None:
        raise NotEstimableError(f"There is no fit to ask: {fit.note}")
    return fit.state


def _point(state: FittedState) -> FitPoint:
    return fit_point(state.products, state.shape, state.variances, restricted=state.restricted)


def _star_modes(state: FittedState, point: FitPoint) -> FloatArray:
    """Modes in the engine's units, crossed levels included: M Z' V^-1 (y - X b)."""
    matrix, _, _ = state.shape.split(state.variances)
    beta = point.criterion.beta[0]
    u = np.concatenate([-beta, [1.0]])
    return np.asarray(point.totals.z_products[0] @ u @ matrix[0].T)


@dataclass(**RESULT)
class Prediction(Result):
    """Predicted outcomes with intervals, for known studies or for a new one.

    Parameters
    ----------
    table : DataFrame
        predicted, se, df, low, high; one row for each row asked for.
    kind : str
        "known study", "new study" or "mean".
    confidence : float
    """

    table: pd.DataFrame
    kind: str
    confidence: float

    def to_frame(self) -> pd.DataFrame:
        """Give one row a prediction."""
        return self.table.reset_index(drop=True)

    def headline(self) -> str:
        """Say the first prediction in one line."""
        row = self.table.iloc[0]
        low, high = round_for_people(float(row["low"])), round_for_people(float(row["high"]))
        return (
            f"{round_for_people(float(row['predicted']))} ({low} to {high}), "
            f"{len(self.table)} rows, for a {self.kind}"
        )


def predict_outcomes(
    fit: MixedFit,
    X: npt.ArrayLike,
    *,
    varying: npt.ArrayLike | None = None,
    study: npt.ArrayLike | None = None,
    new_study: bool = False,
    level: float = 0.95,
) -> Prediction:
    """Predict the mean outcome of rows: over all studies, in a known study, or in a new one.

    Which of them is meant must be said: a known study has its own level and slope, a new
    one has the spread between studies as well. Batch and residual spread are not in it.

    Parameters
    ----------
    fit : MixedFit
    X : array, shape (k, p)
        Fixed columns of the rows.
    varying : array, shape (k, q), optional
        Their varying columns; needed with `study` or `new_study`.
    study : array, shape (k,), optional
        Labels of studies in the fit.
    new_study : bool
        Predict for a study that is not in the fit.
    level : float

    Returns
    -------
    Prediction
        For a known study the standard error is that of the prediction at the variances
        found (mode and coefficients together).

    Raises
    ------
    InputError
        A study is not in the fit, shapes differ, or both kinds are asked for.
    NotEstimableError
        The fit has no estimate.
    """
    state = _state(fit)
    if study is not None and new_study:
        raise InputError("Give either study or new_study, not both.")
    rows = np.atleast_2d(np.asarray(X, dtype=np.float64))
    p, q = state.products.fixed, state.shape.varying
    if rows.ndim != 2 or rows.shape[1] != p:
        raise InputError(
            f"X has shape {rows.shape}; it needs {p} columns: {', '.join(state.names)}."
        )
    k = rows.shape[0]
    z = np.zeros((k, q))
    if (study is not None or new_study) and q:
        if varying is None:
            raise InputError("varying is missing. Give the varying columns of the rows.")
        z = np.atleast_2d(np.asarray(varying, dtype=np.float64))
        if z.shape != (k, q):
            raise InputError(
                f"varying has shape {z.shape}; it needs {k} rows and {q} columns: "
                f"{', '.join(state.varying_names)}."
            )
    point = _point(state)
    mean = rows @ fit.coefficients["estimate"].to_numpy()
    frame = state.products.frame
    unit = float(frame.y_unit[0])
    turned = rows @ np.linalg.inv(frame.turn)
    phi = adjusted_covariance(point, p)[0]
    variance = unit**2 * np.einsum("kp,pq,kq->k", turned, phi, turned)
    df = expected_df(point, turned, p)[0]
    kind = "mean"
    if new_study and q:
        kind = "new study"
        matrix = fit.random_covariance
        variance = variance + np.einsum("kq,qr,kr->k", z, matrix, z)
        df = np.full(k, float(fit.studies - 2) if fit.studies > 2 else np.nan)
    elif study is not None:
        kind = "known study"
        places = _places(fit, study, k)
        z_star = z @ np.linalg.inv(frame.turn_varying) if q else z
        modes = _star_modes(state, point)[places, :q]
        mean = mean + unit * np.einsum("kq,kq->k", z_star, modes)
        variance = unit**2 * _known_variance(state, point, turned, z_star, places)
    se = np.sqrt(np.maximum(variance, 0.0))
    half = t_quantile(0.5 + level / 2.0, df) * se
    table = pd.DataFrame(
        np.column_stack([mean, se, df, mean - half, mean + half]), columns=list(PREDICTED_COLUMNS)
    )
    return Prediction(table=table, kind=kind, confidence=level)


def _places(fit: MixedFit, study: npt.ArrayLike, k: int) -> npt.NDArray[np.intp]:
    labels = [str(s) for s in np.broadcast_to(np.asarray(study, dtype=object), (k,))]
    known = {name: i for i, name in enumerate(fit.study_names)}
    missing = sorted({s for s in labels if s not in known})
    if missing:
        raise InputError(
            f"study {missing[0]!r} is not in the fit. Choose from {', '.join(fit.study_names)}, or "
            "ask for new_study=True."
        )
    return np.array([known[s] for s in labels], dtype=np.intp)


def _known_variance(
    state: FittedState,
    point: FitPoint,
    turned: FloatArray,
    z: FloatArray,
    places: npt.NDArray[np.intp],
) -> FloatArray:
    """Variance of ``x'b + z'u`` about the truth, at the variances found.

    With G = M Z' V^-1 Z M: ``(x - C' z)' Phi (x - C' z) + z' (M - G) z``, C = M Z' V^-1 X.
    """
    matrix, _, _ = state.shape.split(state.variances)
    q, p = state.shape.varying, state.products.fixed
    if q == 0:
        return np.asarray(np.einsum("kp,pq,kq->k", turned, point.criterion.unscaled[0], turned))
    M = matrix[0, :q, :q]
    C = M @ point.totals.z_products[0][places][:, :q, :p]
    away = turned - np.einsum("kq,kqp->kp", z, C)
    fixed = np.einsum("kp,pr,kr->k", away, point.criterion.unscaled[0], away)
    left = M - M @ point.totals.zz[0][places][:, :q, :q] @ M
    return np.asarray(fixed + np.einsum("kq,kqr,kr->k", z, left, z))
