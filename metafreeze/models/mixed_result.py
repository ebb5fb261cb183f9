"""The result of a mixed-model fit, and the tables it is made of."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from metafreeze.models.mixed_input import CheckedInput
from metafreeze.models.products import Products
from metafreeze.models.variance_shape import VarianceShape
from metafreeze.options import Inference, Likelihood, Residual, Status
from metafreeze.results import RESULT, FloatArray, Result, round_for_people

COEFFICIENT_COLUMNS = ("estimate", "se", "df", "low", "high", "p")
PART_COLUMNS = ("level", "term", "with_term", "sd", "correlation")
PREDICTION_COLUMNS = ("estimate", "sd_between", "df", "low", "high")


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedState:
    """What further questions of a fit need: its products and where it stands.

    Parameters
    ----------
    products : Products
    shape : VarianceShape
    variances : array, shape (1, K)
        Absolute, in the engine's units.
    restricted : bool
    names, varying_names : tuple of str
    rows : CheckedInput or None
        The rows themselves, unless they are too many to be kept.
    """

    products: Products
    shape: VarianceShape
    variances: FloatArray
    restricted: bool
    names: tuple[str, ...]
    varying_names: tuple[str, ...]
    rows: CheckedInput | None


@dataclass(**RESULT)
class MixedFit(Result):
    """Fit of a linear mixed model; every field of a fit that cannot be had is NaN with a reason.

    Parameters
    ----------
    coefficients : DataFrame
        One row per column of X, indexed by its name: estimate, se, df, low, high, p.
    robust : DataFrame
        The same, robust by study with bias-reduced linearisation; NaN with one study.
    covariance : DataFrame, shape (p, p)
        Covariance behind `coefficients`.
    random_parts : DataFrame
        level, term, with_term, sd, correlation: a row per standard deviation, then one per
        correlation of two terms. Units of y per unit of the term's column.
    random_covariance : array, shape (q, q)
        Covariance of the coefficients that vary between studies.
    new_study : DataFrame
        For every fixed coefficient that also varies between studies: estimate, sd_between, df,
        low, high of its value in a new study.
    residual_sd : float
        Standard deviation among runs; NaN where per study or where all variances are known.
    residual_sds : array, shape (studies,)
        The same for each study.
    criterion : float
        -2 log likelihood, restricted where asked for, every constant kept.
    degrees_lost : int
        Coefficients and variances that were estimated.
    likelihood, residual, inference : str
        What was asked for; `inference` is what stands in `coefficients`.
    level : float
        Level of the intervals.
    rows : int
        Rows in the fit.
    runs : float
        Runs behind them.
    studies, batches, specimens : int
    study_names : tuple of str
    status : str
        ok, boundary, unidentifiable, failed.
    note : str
        Why.
    steps_taken : tuple of str
        Simplifications of the random parts, each with its reason.
    second_engine : str
        Largest relative difference from an independent engine, or why none was asked.
    second_engine_difference : float
    optimiser_steps : int
    state : FittedState or None
        For further questions; None where nothing was fitted.
    """

    coefficients: pd.DataFrame
    robust: pd.DataFrame
    covariance: pd.DataFrame
    random_parts: pd.DataFrame
    random_covariance: FloatArray
    new_study: pd.DataFrame
    residual_sd: float
    residual_sds: FloatArray
    criterion: float
    degrees_lost: int
    likelihood: Likelihood
    residual: Residual
    inference: Inference
    level: float
    rows: int
    runs: float
    studies: int
    batches: int
    specimens: int
    study_names: tuple[str, ...]
    status: Status
    note: str
    steps_taken: tuple[str, ...]
    second_engine: str
    second_engine_difference: float
    optimiser_steps: int
    state: FittedState | None

    @property
    def aic(self) -> float:
        """`criterion` plus twice the number of estimated parameters."""
        return self.criterion + 2.0 * self.degrees_lost

    @property
    def log_likelihood(self) -> float:
        """Minus half the criterion."""
        return -0.5 * self.criterion

    def to_frame(self) -> pd.DataFrame:
        """Give the coefficients, one row each."""
        return self.coefficients.rename_axis("term").reset_index()

    def headline(self) -> str:
        """Say the last coefficient, its interval, the studies and the method in one line."""
        row = self.coefficients.iloc[-1]
        name = self.coefficients.index[-1]
        studies = "1 study" if self.studies == 1 else f"{self.studies} studies"
        return (
            f"{name} {round_for_people(row['estimate'])} ({round_for_people(row['low'])} to "
            f"{round_for_people(row['high'])}), {self.runs:,.0f} runs in {studies}, "
            f"{self.likelihood} likelihood, {self.inference}, {self.status}"
        )


def coefficient_frame(
    names: tuple[str, ...], estimate: FloatArray, se: FloatArray, df: FloatArray, level: float
) -> pd.DataFrame:
    """Write estimates with their t intervals and p-values.

    Parameters
    ----------
    names : tuple of str
    estimate, se, df : array, shape (p,)
        Infinite df means the normal law.
    level : float

    Returns
    -------
    DataFrame
    """
    quantile = t_quantile(0.5 + level / 2.0, df)
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.abs(estimate / se)
        p = np.where(np.isinf(df), 2.0 * stats.norm.sf(t), 2.0 * stats.t.sf(t, _finite(df)))
    p = np.where(np.isfinite(df) | np.isinf(df), p, np.nan)
    table = np.column_stack(
        [estimate, se, df, estimate - quantile * se, estimate + quantile * se, p]
    )
    frame = pd.DataFrame(table, columns=list(COEFFICIENT_COLUMNS), index=list(names))
    return frame.rename_axis("term")


def _finite(df: FloatArray) -> FloatArray:
    return np.where(np.isfinite(df) & (df > 0), df, np.nan)


def t_quantile(probability: float, df: FloatArray) -> FloatArray:
    """Quantile of t, of the normal law where df is infinite, NaN where df is."""
    df = np.asarray(df, dtype=np.float64)
    normal = float(stats.norm.ppf(probability))
    return np.where(np.isinf(df), normal, stats.t.ppf(probability, _finite(df)))


def empty_coefficients(names: tuple[str, ...]) -> pd.DataFrame:
    """Coefficients that could not be had."""
    nothing = np.full(len(names), np.nan)
    return coefficient_frame(names, nothing, nothing, nothing, 0.95)
