"""The expected time of every row, with what is unknown drawn and carried along."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from metafreeze.analysis.baseline_times import LN_TIME, Question, baselines, read_questions
from metafreeze.analysis.cold_arm import ColdArm, cold_arm, fit_to_cold_arm
from metafreeze.analysis.run_parameters import (
    ASSUMED,
    SHARED_PARAMETERS,
    STUDY_PARAMETERS,
    UNITS,
    Known,
    RunParameters,
    Scores,
    Words,
    central_scores,
    column_words,
    draw_scores,
    read_parameters,
)
from metafreeze.errors import InputError
from metafreeze.options import Endpoint, Status, require_choice
from metafreeze.physics.validity import validity_numbers
from metafreeze.results import RESULT, FloatArray, Result, round_for_people

FRAME_COLUMNS = (
    "row",
    "study",
    "endpoint",
    "quantity",
    "start_temp_c",
    "expected",
    "sd",
    "sd_shared",
    "expected_s",
    "mass_lost_g",
    "status",
    "reason",
)
PARAMETER_COLUMNS = ("study", "parameter", "value", "low", "high", "unit", "how", "source")

ALL_STUDIES = "all"
FITTED = "assumed, then fitted to the cold arm"
REUSE_NOTE = (
    "What is unknown about vessels and sinks was fitted to the coldest runs of each study; these "
    "rows are used a second time when observed and expected times are compared."
)
LEAST_DRAWS = 50

# A parameter counts as fitted where one standard deviation of it moves ln time by this much.
_FELT = 0.01


@dataclass(**RESULT)
class ExpectedTimes(Result):
    """Expected outcome of each row under cooling, evaporation and latent heat alone.

    Parameters
    ----------
    row : object array, shape (n,)
        Row label in the frame as given.
    study, endpoint, quantity : object array, shape (n,)
        Study key, endpoint, and "ln time" or (for contrasts and counted pairs) "log ratio".
    start_temp_c : array, shape (n,)
        Start temperature, the hotter one of a pair.
    ln_time : array, shape (n,)
        Expected ln(time / 1 s), or log ratio, at the centre of all parameters; NaN where physics
        has no answer. This is the offset to subtract from a row's outcome.
    draws : array, shape (D, n)
        The same for each draw of all parameters.
    shared_draws : array, shape (D, n)
        The same with only the parameters drawn that all studies share.
    mass_lost_g : array, shape (n,)
        Water expected to evaporate before freezing.
    row_status, row_note : object array, shape (n,)
        "ok" or "unidentifiable", and why.
    parameters : DataFrame
        study, parameter, value, low, high (nine draws in ten), unit, how, source.
    fitted_studies : tuple of str
        Studies whose unknowns were fitted to their own cold arm.
    validity : tuple of str
        Where the lumped picture of one temperature is strained, in words.
    evaporation : bool
    seed : int
    status, note : str
    """

    row: Words
    study: Words
    endpoint: Words
    quantity: Words
    start_temp_c: FloatArray
    ln_time: FloatArray
    draws: FloatArray
    shared_draws: FloatArray
    mass_lost_g: FloatArray
    row_status: Words
    row_note: Words
    parameters: pd.DataFrame
    fitted_studies: tuple[str, ...]
    validity: tuple[str, ...]
    evaporation: bool
    seed: int
    status: Status
    note: str

    @property
    def sd(self) -> FloatArray:
        """Standard deviation of the draws of each row."""
        return _sd(self.draws)

    @property
    def sd_shared(self) -> FloatArray:
        """Standard deviation of each row from the shared parameters alone."""
        return _sd(self.shared_draws)

    def to_frame(self) -> pd.DataFrame:
        """Give one row per row of the register."""
        seconds = np.where(self.quantity == LN_TIME, np.exp(self.ln_time), np.nan)
        return pd.DataFrame(
            {
                "row": self.row,
                "study": self.study,
                "endpoint": self.endpoint,
                "quantity": self.quantity,
                "start_temp_c": self.start_temp_c,
                "expected": self.ln_time,
                "sd": self.sd,
                "sd_shared": self.sd_shared,
                "expected_s": seconds,
                "mass_lost_g": self.mass_lost_g,
                "status": self.row_status,
                "reason": self.row_note,
            },
            columns=list(FRAME_COLUMNS),
        )

    def headline(self) -> str:
        """Say how many rows have a baseline and how uncertain it is, in one line."""
        found = np.isfinite(self.ln_time)
        if not found.any():
            return f"no row has an expected time ({self.note})"
        typical = round_for_people(100.0 * float(np.median(self.sd[found])), digits=2)
        return (
            f"expected times of {int(found.sum())} of {found.size} rows, typical uncertainty "
            f"{typical} % ({self.draws.shape[0]} draws of the parameters)"
        )


def _sd(draws: FloatArray) -> FloatArray:
    if draws.shape[0] < 2:
        return np.full(draws.shape[1], np.nan)
    return np.asarray(draws.std(axis=0, ddof=1))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Prepared:
    """Rows made ready for physics: parameters, questions, scores after the cold arm."""

    study: Words
    parameters: RunParameters
    question: Question
    cold: ColdArm
    central: Scores
    scores: Scores
    shared: Scores


def prepare(
    rows: pd.DataFrame,
    *,
    endpoint: Endpoint | None,
    draws: int,
    seed: int,
    evaporation: bool = True,
    known: Known | None = None,
    fit_cold_arm: bool = True,
) -> Prepared:
    """Read the rows, draw what is unknown, and fit it to each study's cold arm."""
    if not isinstance(rows, pd.DataFrame):
        raise InputError(f"rows is a {type(rows).__name__}. Give a DataFrame of register rows.")
    if endpoint is not None:
        require_choice(endpoint, Endpoint, name="endpoint")
    if draws < LEAST_DRAWS:
        raise InputError(f"draws is {draws}. Give at least {LEAST_DRAWS}.")
    lab, source = column_words(rows, "lab_id"), column_words(rows, "source_id")
    study = np.where(lab != "", lab, source)
    parameters = read_parameters(rows, study, known=known, evaporation=evaporation)
    question = read_questions(rows, endpoint=endpoint)
    # Another endpoint than the row's own has no observed time to fit to.
    own = column_words(rows, "endpoint") == question.endpoint
    cold = cold_arm(rows, parameters, question, own & fit_cold_arm)
    studies = len(parameters.study_names)
    drawn = draw_scores(draws, studies, np.random.default_rng(seed))
    noise = np.random.default_rng([seed, 1]).standard_normal((draws, studies))
    central = central_scores(studies)
    shared = Scores(shared=drawn.shared, study=np.zeros_like(drawn.study))
    still = np.zeros_like(noise)
    return Prepared(
        study=study,
        parameters=parameters,
        question=question,
        cold=cold,
        central=fit_to_cold_arm(cold, central, still[:1]),
        scores=fit_to_cold_arm(cold, drawn, noise),
        shared=fit_to_cold_arm(cold, shared, still),
    )


def expected_times(
    rows: pd.DataFrame,
    *,
    endpoint: Endpoint | None = None,
    draws: int = LEAST_DRAWS,
    seed: int = 1,
    evaporation: bool = True,
    known: Known | None = None,
    fit_cold_arm: bool = True,
) -> ExpectedTimes:
    """Expect the time of every row from cooling, evaporation and latent heat alone.

    When to use it: as the null of the question whether hotter water freezes sooner than it
    ought to. "No difference" is the wrong null. What it assumes: the lumped vessel of
    `metafreeze.physics.cooling`; what a row does not record lies in a usual range, is the same
    unknown for all rows of a study, and is fitted to the study's own coldest runs.

    Parameters
    ----------
    rows : DataFrame
        Rows of the register's schema, any mix of kinds.
    endpoint : str, optional
        Ask this endpoint of every row; by default each row's own.
    draws : int
        Draws of the parameters, at least 50.
    seed : int
        Seed of the draws.
    evaporation : bool
        False: the same without evaporation.
    known : mapping, optional
        Parameters known from elsewhere, a value or (value, standard deviation), for all rows;
        names as in the frame `parameters`.
    fit_cold_arm : bool
        Whether unknowns are fitted to each study's own cold arm.

    Returns
    -------
    ExpectedTimes

    Raises
    ------
    InputError
        `rows` is no frame, an option is unknown, or `draws` is below 50.

    Source
    ------
    Physics: `metafreeze.physics.baseline`. Draws after a fit: the linear-Gaussian update of each
    draw with its own copy of the observation, as in Chilès J-P, Delfiner P (2012) Geostatistics,
    section 7.3 (conditioning by kriging). The cold-arm rows are used twice; the result says so.

    Examples
    --------
    >>> rows = pd.DataFrame({"lab_id": "A", "start_temp_c": [20.0, 80.0], "endpoint": "t_solid"})
    >>> times = expected_times(rows, fit_cold_arm=False)
    >>> bool(times.ln_time[1] > times.ln_time[0])
    True
    """
    ready = prepare(
        rows,
        endpoint=endpoint,
        draws=draws,
        seed=seed,
        evaporation=evaporation,
        known=known,
        fit_cold_arm=fit_cold_arm,
    )
    central = baselines(ready.parameters, ready.question, ready.central)
    centre = central.outcome[0]
    problem = ready.question.problem.copy()
    silent = np.isnan(centre) & (problem == "")
    problem[silent] = "the sink never brings this start to the endpoint, or the run begins past it"
    found = int(np.isfinite(centre).sum())
    label = np.empty(len(rows), dtype=object)
    label[:] = list(rows.index)
    notes = [REUSE_NOTE] if ready.cold.studies else []
    if found < len(rows):
        notes.append(f"{len(rows) - found} of {len(rows)} rows have no expected time.")
    return ExpectedTimes(
        row=label,
        study=ready.study,
        endpoint=ready.question.endpoint,
        quantity=ready.question.quantity,
        start_temp_c=ready.question.start_temp_c,
        ln_time=centre,
        draws=_filled(baselines(ready.parameters, ready.question, ready.scores).outcome, centre),
        shared_draws=_filled(
            baselines(ready.parameters, ready.question, ready.shared).outcome, centre
        ),
        mass_lost_g=central.mass_lost_g[0],
        row_status=np.where(problem == "", "ok", "unidentifiable").astype(object),
        row_note=problem,
        parameters=_parameter_frame(ready),
        fitted_studies=ready.cold.studies,
        validity=_validity(ready),
        evaporation=evaporation,
        seed=seed,
        status="ok" if found else "unidentifiable",
        note=" ".join(notes),
    )


def _validity(ready: Prepared) -> tuple[str, ...]:
    """Ask where the lumped picture is strained, of the rows that it answers."""
    rows = np.flatnonzero((ready.question.problem == "") & ~ready.parameters.droplet)
    if not rows.size:
        return ()
    some = ready.parameters.part(rows)
    starts = np.clip(ready.question.start_temp_c[rows], 0.0, 100.0)
    return validity_numbers(some.setup(some.values(ready.central), starts)).notes


def _filled(draws: FloatArray, centre: FloatArray) -> FloatArray:
    """Put the centre where a draw has no answer, as when it makes the sink too warm."""
    return np.where(np.isnan(draws), centre, draws)


def _parameter_frame(ready: Prepared) -> pd.DataFrame:
    """List every parameter of every study with its range and where it comes from."""
    parameters = ready.parameters
    lines = []
    ends = np.where(
        ready.question.endpoint == "t_residual",
        ready.question.residual_endpoint,
        ready.question.endpoint,
    )
    for s, name in enumerate(parameters.study_names):
        rows = np.flatnonzero(parameters.study == s)
        one = parameters.part(rows[:1])
        middle = one.values(ready.central)
        drawn = one.values(ready.scores)
        for j, parameter in enumerate(STUDY_PARAMETERS):
            if _idle(parameter, one, ice_first=bool(np.any(ends[rows] == "t_first_ice"))):
                continue
            how = _how(parameters, parameter, rows)
            if how == ASSUMED and abs(ready.cold.gradient[s, j]) > _FELT:
                how = FITTED
            source = parameters.unknowns[parameter].source[rows[0]]
            lines.append(_line(name, parameter, middle, drawn, how, source))
    if parameters.study.size:
        one = parameters.part(np.array([0], dtype=np.intp))
        middle, drawn = one.values(ready.central), one.values(ready.shared)
        for parameter in SHARED_PARAMETERS:
            if parameter == "evaporation_lid_unsaid" and not parameters.lid_unsaid.any():
                continue
            unknown = parameters.unknowns[parameter]
            lines.append(
                _line(ALL_STUDIES, parameter, middle, drawn, unknown.how[0], unknown.source[0])
            )
    return pd.DataFrame(lines, columns=list(PARAMETER_COLUMNS))


def _how(parameters: RunParameters, parameter: str, rows: npt.NDArray[np.intp]) -> str:
    """Say whether all rows of a study record a parameter, some, or none."""
    kinds = sorted({str(kind) for kind in parameters.unknowns[parameter].how[rows]})
    return " / ".join(kinds)


def _idle(parameter: str, one: RunParameters, *, ice_first: bool) -> bool:
    """Whether a parameter plays no part in a study's rows."""
    return {
        "diameter_mm": not one.diameter_recorded[0],
        "height_over_diameter": bool(one.diameter_recorded[0]),
        "h_side_w_m2k": not one.bath[0],
        "supercooling_k": not ice_first,
        "evaporation": bool(one.lid_unsaid[0]),
    }.get(parameter, False)


def _line(
    study: str,
    parameter: str,
    middle: dict[str, FloatArray],
    drawn: dict[str, FloatArray],
    how: str,
    source: str,
) -> tuple[str, str, float, float, float, str, str, str]:
    low, high = np.quantile(drawn[parameter][:, 0], [0.05, 0.95])
    value = float(middle[parameter][0, 0])
    return (study, parameter, value, float(low), float(high), UNITS[parameter], how, source)
