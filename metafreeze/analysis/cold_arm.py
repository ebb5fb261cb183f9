"""Fit what is unknown in a study to the level of its own coldest runs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from metafreeze.analysis.baseline_times import Question, baselines
from metafreeze.analysis.run_parameters import (
    SHARED_PARAMETERS,
    STUDY_PARAMETERS,
    RunParameters,
    Scores,
    column_numbers,
    column_words,
)
from metafreeze.results import BoolArray, FloatArray, IntArray

# Runs in the lowest quarter of a study's range of start temperatures are its cold arm.
COLD_SHARE = 0.25

# Error of the lumped model in the level of ln time, assumed: ice resistance, layers below
# 4 °C, vessel walls. Without it a few exact times would pin the conductances too well.
LEVEL_SD = 0.15

# Scatter of ln time among runs where the cold arm has a single one.
SINGLE_RUN_SD = 0.1

_STEP = 0.25
_ROUNDS = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ColdArm:
    """Cold-arm rows of all studies and how their mean log time answers the unknowns.

    Parameters
    ----------
    parameters, question : RunParameters, Question
        Of the cold-arm rows.
    observed : array, shape (m,)
        Their ln(time / 1 s).
    study : array of int, shape (m,)
    mean_variance : array, shape (studies,)
        Variance of a study's mean, the error of the model included; infinite without cold arm.
    gradient, gain : array, shape (studies, parameters)
        Change of the mean per unit score, and the update of the scores per unit of misfit.
    studies : tuple of str
        Names of the studies that have a cold arm.
    """

    parameters: RunParameters
    question: Question
    observed: FloatArray
    study: IntArray
    mean_variance: FloatArray
    gradient: FloatArray
    gain: FloatArray
    studies: tuple[str, ...]

    def means(self, values: FloatArray) -> FloatArray:
        """Average over the cold-arm rows of each study, shape (draws, studies)."""
        count = np.bincount(self.study, minlength=self.mean_variance.size)
        sums = np.zeros((values.shape[0], count.size))
        np.add.at(sums.T, self.study, values.T)
        return sums / np.maximum(count, 1)


def observed_ln_times(rows: pd.DataFrame) -> FloatArray:
    """Give each row's ln time for the level only: exact, middle of a window, or mean of a group.

    Parameters
    ----------
    rows : DataFrame
        Rows of the schema.

    Returns
    -------
    array, shape (n,)
        NaN where no time was seen.
    """
    low, high = column_numbers(rows, "time_lower_s"), column_numbers(rows, "time_upper_s")
    low = np.where(np.isnan(low), high, low)
    seconds = np.where(np.isfinite(high), 0.5 * (low + high), np.nan)
    group = column_words(rows, "record_level") == "arm_summary"
    mean, median = column_numbers(rows, "mean_s"), column_numbers(rows, "median_s")
    seconds = np.where(group, np.where(np.isnan(mean), median, mean), seconds)
    fine = np.isfinite(seconds) & (seconds > 0.0)
    return np.where(fine, np.log(np.where(fine, seconds, 1.0)), np.nan)


def cold_arm(
    rows: pd.DataFrame, parameters: RunParameters, question: Question, usable: npt.ArrayLike
) -> ColdArm:
    """Find the cold arm of every study and measure how it answers the unknowns.

    Parameters
    ----------
    rows : DataFrame
        Rows of the schema.
    parameters, question : RunParameters, Question
        Of the same rows.
    usable : array-like of bool
        Rows whose observed time answers the question.

    Returns
    -------
    ColdArm
    """
    studies = len(parameters.study_names)
    observed = observed_ln_times(rows)
    fine = (
        np.broadcast_to(usable, observed.shape)
        & np.isfinite(observed)
        & (question.problem == "")
        & np.isnan(question.other_start_c)
        & (column_words(rows, "exclusion_reason") == "")
    )
    at = _coldest(question.start_temp_c, parameters.study, fine, studies)
    some, asked = parameters.part(at), question.part(at)
    # Row 0 holds the centre, row p + 1 a step in parameter p, in every study at once.
    count = len(STUDY_PARAMETERS)
    probe = np.zeros((count + 1, studies, count))
    probe[np.arange(1, count + 1), :, np.arange(count)] = _STEP
    shared = np.zeros((count + 1, len(SHARED_PARAMETERS)))
    outcome = baselines(some, asked, Scores(shared=shared, study=probe)).outcome
    answered = np.isfinite(outcome).all(axis=0)
    keep = np.flatnonzero(answered)
    cold = ColdArm(
        parameters=some.part(keep),
        question=asked.part(keep),
        observed=observed[at][keep],
        study=some.study[keep],
        mean_variance=np.full(studies, np.inf),
        gradient=np.zeros((studies, count)),
        gain=np.zeros((studies, count)),
        studies=(),
    )
    if not keep.size:
        return cold
    level = cold.means(outcome[:, keep])
    gradient = ((level[1:] - level[0]) / _STEP).T
    variance = _mean_variance(cold, outcome[0, keep])
    spread = np.sum(gradient**2, axis=1) + variance
    gain = np.where(np.isfinite(spread)[:, np.newaxis], gradient / spread[:, np.newaxis], 0.0)
    there = sorted(set(cold.study.tolist()))
    return ColdArm(
        parameters=cold.parameters,
        question=cold.question,
        observed=cold.observed,
        study=cold.study,
        mean_variance=variance,
        gradient=gradient,
        gain=gain,
        studies=tuple(parameters.study_names[s] for s in there),
    )


def _coldest(
    start_temp_c: FloatArray, study: IntArray, fine: BoolArray, studies: int
) -> npt.NDArray[np.intp]:
    low = np.full(studies, np.inf)
    high = np.full(studies, -np.inf)
    np.minimum.at(low, study[fine], start_temp_c[fine])
    np.maximum.at(high, study[fine], start_temp_c[fine])
    with np.errstate(invalid="ignore"):
        limit = low + COLD_SHARE * (high - low)
    return np.flatnonzero(fine & (start_temp_c <= limit[study]))


def _mean_variance(cold: ColdArm, expected: FloatArray) -> FloatArray:
    """Variance of the mean misfit of each study, the model's own error of level included."""
    misfit = cold.observed - expected
    count = np.bincount(cold.study, minlength=cold.mean_variance.size)
    mean = cold.means(misfit[np.newaxis, :])[0]
    squares = np.bincount(
        cold.study, weights=(misfit - mean[cold.study]) ** 2, minlength=count.size
    )
    scatter = np.where(count > 1, squares / np.maximum(count - 1, 1), SINGLE_RUN_SD**2)
    return np.where(count > 0, scatter / np.maximum(count, 1) + LEVEL_SD**2, np.inf)


def fit_to_cold_arm(cold: ColdArm, scores: Scores, noise: FloatArray) -> Scores:
    """Move the scores of each draw to where they agree with the study's cold arm.

    The linear-Gaussian update, each draw with its own copy of the observed mean; repeated with
    the model's own values because the level is curved in the conductances.

    Parameters
    ----------
    cold : ColdArm
        Cold arms.
    scores : Scores
        Draws before the fit.
    noise : array, shape (draws, studies)
        Standard normal errors of the copies; zero gives the centre.

    Returns
    -------
    Scores
    """
    if not cold.studies:
        return scores
    target = cold.means(np.broadcast_to(cold.observed, (scores.shared.shape[0], cold.study.size)))
    error = np.where(np.isfinite(cold.mean_variance), np.sqrt(cold.mean_variance), 0.0)
    target = target + noise * error
    prior, study = scores.study, scores.study
    for _ in range(_ROUNDS):
        reached = cold.means(
            baselines(
                cold.parameters, cold.question, Scores(shared=scores.shared, study=study)
            ).outcome
        )
        moved = np.einsum("dsp,sp->ds", study - prior, cold.gradient)
        misfit = np.nan_to_num(target - reached + moved)
        study = prior + misfit[:, :, np.newaxis] * cold.gain
    return Scores(shared=scores.shared, study=study)
