"""What physics expects of a named pair of start temperatures in each study's own vessels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from metafreeze.analysis.baseline_times import Question, baselines
from metafreeze.analysis.expected import ALL_STUDIES, LEAST_DRAWS, Prepared, prepare
from metafreeze.analysis.run_parameters import Known, RunParameters, Scores, column_numbers
from metafreeze.errors import InputError
from metafreeze.options import Endpoint, Status
from metafreeze.results import RESULT, FloatArray, Result

EFFECT_COLUMNS = (
    "study",
    "evaporation",
    "log_ratio",
    "low",
    "high",
    "slope_per_10k",
    "mass_lost_hot_g",
    "extrapolated",
    "status",
    "reason",
)

# Vessels of a study looked at; more of the same say nothing new.
MOST_VESSELS = 40

# A pair this far outside a study's own start temperatures counts as extrapolated.
_NEAR_K = 0.5


@dataclass(**RESULT)
class ExpectedEffect(Result):
    """Expected ln(t_hot/t_cold) of a pair, per study and over all, with and without evaporation.

    Parameters
    ----------
    hot_c, cold_c : float
        The pair.
    endpoint : str
    studies : tuple of str
        Study names; the entry over all comes last in every array, under "all".
    log_ratio, log_ratio_dry : array, shape (k + 1,)
        Centre, with evaporation and with none.
    draws, draws_dry : array, shape (D, k + 1)
        The same for each draw of the parameters.
    shared_draws : array, shape (D, k + 1)
        With only the parameters drawn that all studies share.
    mass_lost_hot_g : array, shape (k + 1,)
        Water expected to evaporate from the hotter one before it freezes.
    extrapolated : tuple of bool
        Whether the pair lies outside a study's own start temperatures.
    reasons : tuple of str
        Why a study has no value; empty where it has.
    status, note : str
    """

    hot_c: float
    cold_c: float
    endpoint: str
    studies: tuple[str, ...]
    log_ratio: FloatArray
    log_ratio_dry: FloatArray
    draws: FloatArray
    draws_dry: FloatArray
    shared_draws: FloatArray
    mass_lost_hot_g: FloatArray
    extrapolated: tuple[bool, ...]
    reasons: tuple[str, ...]
    status: Status
    note: str

    def to_frame(self) -> pd.DataFrame:
        """Give two rows per study and two over all: with evaporation and without."""
        per_10k = (self.hot_c - self.cold_c) / 10.0
        parts = []
        for wet, centre, draws in (
            (True, self.log_ratio, self.draws),
            (False, self.log_ratio_dry, self.draws_dry),
        ):
            low, high = np.quantile(draws, [0.025, 0.975], axis=0)
            parts.append(
                pd.DataFrame(
                    {
                        "study": (*self.studies, ALL_STUDIES),
                        "evaporation": wet,
                        "log_ratio": centre,
                        "low": low,
                        "high": high,
                        "slope_per_10k": centre / per_10k,
                        "mass_lost_hot_g": self.mass_lost_hot_g if wet else 0.0 * centre,
                        "extrapolated": self.extrapolated,
                        "status": ["unidentifiable" if r else "ok" for r in self.reasons],
                        "reason": self.reasons,
                    },
                    columns=list(EFFECT_COLUMNS),
                )
            )
        return pd.concat(parts, ignore_index=True)

    def headline(self) -> str:
        """Say what physics expects over all studies, with and without evaporation."""
        if not np.isfinite(self.log_ratio[-1]):
            return f"no expected ratio ({self.note})"
        low, high = np.quantile(self.draws[:, -1], [0.025, 0.975])
        return (
            f"physics expects {self.hot_c:g} °C {_percent(self.log_ratio[-1])} against "
            f"{self.cold_c:g} °C ({_percent(low)} to {_percent(high)}), "
            f"{_percent(self.log_ratio_dry[-1])} without evaporation; {self.endpoint}"
        )


def _percent(log_ratio: float) -> str:
    return f"{100.0 * np.expm1(log_ratio):+.1f} %".replace("-", "−")


def expected_effect(
    rows: pd.DataFrame,
    *,
    hot_c: float,
    cold_c: float,
    endpoint: Endpoint,
    threshold_c: float | None = None,
    residual_endpoint: Endpoint | None = None,
    draws: int = LEAST_DRAWS,
    seed: int = 1,
    known: Known | None = None,
    fit_cold_arm: bool = True,
) -> ExpectedEffect:
    """Expect the log time ratio of a named pair in the vessels of each study.

    When to use it: beside the observed effect of a pair, which ordinary physics makes positive in
    closed vessels and can make negative in open ones cooled from the top. It is the physics of
    the study's own vessels and sink, averaged over its rows; "all" averages the studies with
    equal weight.

    Parameters
    ----------
    rows : DataFrame
        Rows of the register's schema.
    hot_c, cold_c : float
        The pair, °C, the hotter one first.
    endpoint : str
        The endpoint asked for; rows of other endpoints lend their vessels.
    threshold_c : float, optional
        Temperature of the crossing, for `t_threshold`.
    residual_endpoint : str, optional
        Endpoint to which `t_residual` is counted.
    draws, seed, known, fit_cold_arm
        As in `expected_times`.

    Returns
    -------
    ExpectedEffect

    Raises
    ------
    InputError
        The pair is not a hotter and a colder temperature, or an option is unknown.

    Source
    ------
    `metafreeze.physics.baseline`; draws as in `expected_times`.
    """
    if not (np.isfinite(hot_c) and np.isfinite(cold_c) and 100.0 >= hot_c > cold_c >= 0.0):
        raise InputError(
            f"hot_c is {hot_c:g} and cold_c is {cold_c:g}. Give two temperatures from 0 to 100 °C, "
            "hot_c above cold_c."
        )
    asked = _ask(rows, endpoint, cold_c, threshold_c, residual_endpoint)
    wet, dry = (
        prepare(
            asked,
            endpoint=None,
            draws=draws,
            seed=seed,
            evaporation=evaporation,
            known=known,
            fit_cold_arm=fit_cold_arm,
        )
        for evaporation in (True, False)
    )
    at = _vessels(wet)
    studies = wet.parameters.study_names
    some, question = wet.parameters.part(at), wet.question.part(at)
    pair = _Pair(some, question, hot_c, cold_c)
    centre, lost = pair.means(wet.central, len(studies))
    # The unknowns are fitted to the cold arm with evaporation in both cases: it is there, and
    # only the question is what the ratio would be without it.
    still = _Pair(dry.parameters.part(at), question, hot_c, cold_c)
    centre_dry, _ = still.means(wet.central, len(studies))
    reasons = tuple("" if np.isfinite(v) else _reason(wet, s) for s, v in enumerate(centre[0]))
    over_all = "" if any(not r for r in reasons) else "no study has an expected ratio"
    notes = [r for r in (over_all,) if r]
    return ExpectedEffect(
        hot_c=float(hot_c),
        cold_c=float(cold_c),
        endpoint=endpoint,
        studies=studies,
        log_ratio=_with_all(centre)[0],
        log_ratio_dry=_with_all(centre_dry)[0],
        draws=_with_all(pair.means(wet.scores, len(studies))[0]),
        draws_dry=_with_all(still.means(wet.scores, len(studies))[0]),
        shared_draws=_with_all(pair.means(wet.shared, len(studies))[0]),
        mass_lost_hot_g=_with_all(lost)[0],
        extrapolated=_extrapolated(wet, hot_c, cold_c),
        reasons=(*reasons, over_all),
        status="unidentifiable" if over_all else "ok",
        note=" ".join(notes),
    )


def pair_at_centre(ready: Prepared, *, hot_c: float, cold_c: float) -> float:
    """Give the log ratio of a pair at the centre of all parameters, over all studies.

    Parameters
    ----------
    ready : Prepared
        Rows made ready.
    hot_c, cold_c : float
        The pair, °C.

    Returns
    -------
    float
        As ``log_ratio[-1]`` of `expected_effect`, without its draws; NaN where none is had.
    """
    at = _vessels(ready)
    pair = _Pair(ready.parameters.part(at), ready.question.part(at), hot_c, cold_c)
    centre, _ = pair.means(ready.central, len(ready.parameters.study_names))
    return float(_with_all(centre)[0, -1])


def _ask(
    rows: pd.DataFrame,
    endpoint: Endpoint,
    cold_c: float,
    threshold_c: float | None,
    residual_endpoint: Endpoint | None,
) -> pd.DataFrame:
    """Prefer the rows of the endpoint asked for; lend other rows' vessels where there are none."""
    if not isinstance(rows, pd.DataFrame):
        raise InputError(f"rows is a {type(rows).__name__}. Give a DataFrame of register rows.")
    frame = rows.reset_index(drop=True)
    if "endpoint" not in frame.columns:
        frame = frame.assign(endpoint="")
    own = (frame["endpoint"] == endpoint).to_numpy()
    if own.any():
        frame = frame[own].reset_index(drop=True)
    else:
        blank = dict.fromkeys(("time_lower_s", "time_upper_s", "mean_s", "median_s"), np.nan)
        frame = frame.assign(endpoint=endpoint, **blank)
    if threshold_c is not None:
        frame = frame.assign(threshold_c=float(threshold_c))
    if residual_endpoint is not None:
        frame = frame.assign(residual_endpoint=residual_endpoint)
    if endpoint == "t_residual":
        counted = column_numbers(frame, "residual_from_c")
        frame = frame.assign(residual_from_c=np.where(np.isnan(counted), cold_c, counted))
    return frame


def _vessels(ready: Prepared) -> npt.NDArray[np.intp]:
    """Take at most so many rows of each study, evenly through it."""
    chosen = []
    for s in range(len(ready.parameters.study_names)):
        rows = np.flatnonzero(ready.parameters.study == s)
        step = max(1, -(-rows.size // MOST_VESSELS))
        chosen.append(rows[::step])
    return np.concatenate(chosen) if chosen else np.zeros(0, dtype=np.intp)


class _Pair:
    """The two questions of a pair, asked of the same vessels."""

    def __init__(
        self, parameters: RunParameters, question: Question, hot_c: float, cold_c: float
    ) -> None:
        self.parameters = parameters
        self.hot = question.at_starts(hot_c, residual_from_c=cold_c)
        self.cold = question.at_starts(cold_c, residual_from_c=cold_c)

    def means(self, scores: Scores, studies: int) -> tuple[FloatArray, FloatArray]:
        """Average the log ratio and the hotter one's loss over a study's vessels."""
        hot = baselines(self.parameters, self.hot, scores)
        cold = baselines(self.parameters, self.cold, scores)
        return (
            _study_means(hot.outcome - cold.outcome, self.parameters.study, studies),
            _study_means(hot.mass_lost_g, self.parameters.study, studies),
        )


def _study_means(values: FloatArray, study: npt.NDArray[np.int64], studies: int) -> FloatArray:
    means = np.full((values.shape[0], studies), np.nan)
    for s in range(studies):
        own = values[:, study == s]
        there = np.isfinite(own).all(axis=0)
        if there.any():
            means[:, s] = own[:, there].mean(axis=1)
    return means


def _with_all(per_study: FloatArray) -> FloatArray:
    """Append the plain mean over the studies that have a value."""
    there = np.isfinite(per_study).all(axis=0)
    over_all = (
        per_study[:, there].mean(axis=1) if there.any() else np.full(per_study.shape[0], np.nan)
    )
    return np.column_stack([per_study, over_all])


def _reason(ready: Prepared, s: int) -> str:
    own = ready.question.problem[ready.parameters.study == s]
    said = sorted({str(p) for p in own if p and "start temperature" not in str(p)})
    return said[0] if said else "the sink never brings the pair to the endpoint"


def _extrapolated(ready: Prepared, hot_c: float, cold_c: float) -> tuple[bool, ...]:
    outside = []
    for s in range(len(ready.parameters.study_names)):
        own = ready.parameters.study == s
        temps = np.concatenate(
            [ready.question.start_temp_c[own], ready.question.other_start_c[own]]
        )
        temps = temps[np.isfinite(temps)]
        outside.append(
            not temps.size or bool(temps.min() > cold_c + _NEAR_K or temps.max() < hot_c - _NEAR_K)
        )
    return (*outside, all(outside))
