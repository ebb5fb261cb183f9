"""The result of a fit to times not seen exactly, and the tables it is made of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from metafreeze.models import censored_likelihood as rows_of
from metafreeze.models.grouped_rows import unpack_theta
from metafreeze.models.unseen_fit import Fitted, Standardised
from metafreeze.models.unseen_input import UnseenRows
from metafreeze.options import Status, TimeFamily, UnseenInference
from metafreeze.results import RESULT, FloatArray, Result, round_for_people

PART_TYPES = {"level": str, "term": str, "with_term": str, "sd": float, "correlation": float}
NUMBERS = ("estimate", "se", "df", "low", "high", "p")

NO_SECOND_ENGINE = "none, since the general library has no random parts for times seen in part"

# Standard deviation of the standard smallest-extreme-value law.
WEIBULL_SD = float(np.pi / np.sqrt(6.0))


@dataclass(**RESULT)
class UnseenTimesFit(Result):
    """Fit of log freezing times of which some are known only within bounds.

    Parameters
    ----------
    coefficients : DataFrame
        One row per column of X, indexed by its name: estimate, se, df, low, high, p. A
        coefficient bounded on one side only has no estimate and one infinite limit.
    contrasts : DataFrame
        The same for the functions asked for; empty without.
    covariance : DataFrame, shape (p, p)
        Of the coefficients, from the observed information; parts at zero held there.
    random_parts : DataFrame
        level (study, batch, residual), term, with_term, sd of the log time, correlation: a row
        per standard deviation, then one per correlation of two terms.
    residual_sd : float
        Standard deviation of the log time of runs within their batch; NaN where known.
    scale : float
        The spread parameter: `residual_sd` itself, or for Weibull one over its shape.
    log_scale_se : float
        Standard error of ln(scale); NaN where held or known.
    criterion : float
        -2 log likelihood, in full: densities of the log time for exact rows, probabilities for
        the others, every constant kept. Equals the full likelihood of the linear mixed model
        where every row is exact.
    criterion_time : float
        The same with densities of the time itself: `criterion` + 2 sum of ln t over exact rows.
    aic : float
        `criterion` + 2 `parameters`; comparable between families.
    parameters : int
        Number of estimated parameters, parts at zero included.
    rows_exact, rows_interval, rows_right, rows_left, rows_empty : int
        Rows seen exactly, within a window, never, before the first look; rows that say nothing
        are left out.
    studies, batches : int
        Groups with a random part of their own; zero where there is none.
    nodes : int
        Gauss-Hermite nodes in the dimension of the study that needs most; 1 without random
        parts.
    quadrature_error : float
        Change of `criterion` at the last rise of the nodes.
    family, inference : str
        What was asked for.
    level : float
        Level of the intervals.
    seed : int
        Seed of the bootstrap.
    draws_used : int
        Simulated data sets that could be fitted; zero without bootstrap.
    status : str
        ok, boundary (a random part stands at zero), unidentifiable, failed.
    note : str
        Why, in words.
    steps_taken : tuple of str
        Random parts that were left out, and why.
    second_engine : str
        Why no independent engine was asked.
    """

    coefficients: pd.DataFrame
    contrasts: pd.DataFrame
    covariance: pd.DataFrame
    random_parts: pd.DataFrame
    residual_sd: float
    scale: float
    log_scale_se: float
    criterion: float
    criterion_time: float
    aic: float
    parameters: int
    rows_exact: int
    rows_interval: int
    rows_right: int
    rows_left: int
    rows_empty: int
    studies: int
    batches: int
    nodes: int
    quadrature_error: float
    family: TimeFamily
    inference: UnseenInference
    level: float
    seed: int
    draws_used: int
    status: Status
    note: str
    steps_taken: tuple[str, ...]
    second_engine: str

    def to_frame(self) -> pd.DataFrame:
        """Give the coefficients, then the contrasts, one row each."""
        parts = [part for part in (self.coefficients, self.contrasts) if len(part)]
        return pd.concat(parts).rename_axis("term").reset_index()

    def headline(self) -> str:
        """Say the last coefficient, its interval, the rows and the method in one line."""
        row = self.coefficients.iloc[-1]
        name = self.coefficients.index[-1]
        unseen = self.rows_interval + self.rows_right + self.rows_left
        return (
            f"{name} {round_for_people(row['estimate'])} ({round_for_people(row['low'])} to "
            f"{round_for_people(row['high'])}), {self.rows_exact + unseen} rows, {unseen} not "
            f"seen exactly, {self.family}, {self.inference}, {self.status}"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What was asked of the rows."""

    family: TimeFamily
    inference: UnseenInference
    level: float
    fixed_scale: float | None
    correlated: bool
    functions: FloatArray
    asked: npt.NDArray[np.bool_]
    df: float | None
    accuracy: float
    seed: int
    draws: int


class Table:
    """The frame of functions being filled."""

    def __init__(self, count: int) -> None:
        self.values = {name: np.full(count, np.nan) for name in NUMBERS}

    def frames(self, rows: UnseenRows) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Give the coefficients and the contrasts."""
        p = len(rows.names)
        further = [f"contrast {i + 1}" for i in range(len(self.values["se"]) - p)]
        whole = pd.DataFrame(self.values, index=[*rows.names, *further]).rename_axis("term")
        return whole.iloc[:p].copy(), whole.iloc[p:].copy()


def _random_frame(
    rows: UnseenRows, scaled: Standardised, fitted: Fitted, residual_sd: float
) -> pd.DataFrame:
    _, factor, omega = unpack_theta(scaled.design, fitted.theta[None])
    lines: list[dict[str, Any]] = []
    q = scaled.design.z.shape[1]
    if q:
        root = scaled.unit * scaled.varying_back @ factor[0]
        covariance = root @ root.T
        sd = np.sqrt(np.diag(covariance))
        level = "study" if rows.z.shape[1] else "batch"
        terms = rows.varying_names if rows.z.shape[1] else ("intercept",)
        lines += [_part(level, term, value) for term, value in zip(terms, sd, strict=True)]
        for k, m in scaled.design.pairs:
            if k != m:
                both = sd[k] * sd[m]
                r = float(covariance[k, m] / both) if both > 0.0 else float("nan")
                lines.append(_part(level, terms[m], float("nan"), terms[k], r))
    if scaled.design.has_batch:
        lines.append(_part("batch", "intercept", scaled.unit * abs(float(omega[0]))))
    lines.append(_part("residual", "", residual_sd))
    return pd.DataFrame(lines, columns=list(PART_TYPES))


def _part(
    level: str, term: str, sd: float, with_term: str = "", correlation: float = float("nan")
) -> dict[str, str | float]:
    return {
        "level": level,
        "term": term,
        "with_term": with_term,
        "sd": float(sd),
        "correlation": correlation,
    }


def build_result(
    question: Question,
    rows: UnseenRows,
    table: Table,
    status: Status,
    note: str,
    *,
    steps: tuple[str, ...] = (),
    scaled: Standardised | None = None,
    fitted: Fitted | None = None,
    covariance: FloatArray | None = None,
    log_se: float = float("nan"),
    draws_used: int = 0,
) -> UnseenTimesFit:
    """Put a result together; what was not fitted is NaN.

    Parameters
    ----------
    question, rows, table
        What was asked, the rows in the fit, the filled table.
    status, note, steps
        What to say about the fit.
    scaled, fitted, covariance, log_se, draws_used
        The fit, where there is one.

    Returns
    -------
    UnseenTimesFit
    """
    p = len(rows.names)
    coefficients, contrasts = table.frames(rows)
    seen = [int((rows.kind == kind).sum()) for kind in range(4)]
    scale = residual_sd = criterion = criterion_time = aic = float("nan")
    parts = pd.DataFrame(columns=list(PART_TYPES)).astype(PART_TYPES)
    parameters, nodes, error = 0, 0, float("nan")
    if scaled is not None and fitted is not None:
        place = scaled.design.x.shape[1]
        if np.any(scaled.design.share > 0.0):
            scale = scaled.unit * float(np.exp(fitted.theta[place]))
            scale = 0.0 if place in fitted.zero else scale
            residual_sd = scale * (WEIBULL_SD if question.family == "weibull" else 1.0)
        parts = _random_frame(rows, scaled, fitted, residual_sd)
        criterion = 2.0 * fitted.value + scaled.shift
        exact = rows.kind == rows_of.EXACT
        logs = (rows.lower + rows.offset)[exact]
        criterion_time = criterion + 2.0 * float((rows.count[exact] * logs).sum())
        parameters = len(scaled.free)
        aic = criterion + 2.0 * parameters
        nodes = int(fitted.nodes.max(initial=1))
        error = fitted.quadrature_error
    return UnseenTimesFit(
        coefficients=coefficients,
        contrasts=contrasts,
        covariance=pd.DataFrame(
            np.full((p, p), np.nan) if covariance is None else covariance,
            index=list(rows.names),
            columns=list(rows.names),
        ),
        random_parts=parts,
        residual_sd=residual_sd,
        scale=scale,
        log_scale_se=log_se,
        criterion=criterion,
        criterion_time=criterion_time,
        aic=aic,
        parameters=parameters,
        rows_exact=seen[rows_of.EXACT],
        rows_interval=seen[rows_of.INTERVAL],
        rows_right=seen[rows_of.RIGHT],
        rows_left=seen[rows_of.LEFT],
        rows_empty=rows.empty,
        studies=rows.studies if rows.z.shape[1] else 0,
        batches=rows.batches,
        nodes=nodes,
        quadrature_error=error,
        family=question.family,
        inference=question.inference,
        level=question.level,
        seed=question.seed,
        draws_used=draws_used,
        status=status,
        note=note,
        steps_taken=steps,
        second_engine=NO_SECOND_ENGINE,
    )
