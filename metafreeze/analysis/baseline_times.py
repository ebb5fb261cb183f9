"""What is asked of each row, and its expected log time at given parameter scores."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from metafreeze.analysis.run_parameters import (
    RunParameters,
    Scores,
    Words,
    column_numbers,
    column_words,
)
from metafreeze.options import Endpoint, choices
from metafreeze.physics import usual
from metafreeze.physics.baseline import DEEPEST_SUPERCOOLING_K, cooling_times
from metafreeze.physics.droplets import droplet_times, hemisphere_height_m
from metafreeze.results import BoolArray, FloatArray

# Evaluations held in memory at once.
BLOCK = 200_000

LN_TIME, LOG_RATIO = "ln time", "log ratio"

# Ice forms before the water has come this near to the sink, as a share of the distance.
_DEEPEST_SHARE = 0.9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Question:
    """What each row asks of physics.

    Parameters
    ----------
    endpoint, residual_endpoint : object array, shape (n,)
    threshold_c, residual_from_c : array, shape (n,)
    start_temp_c : array, shape (n,)
        Start, or the hotter start of a contrast.
    other_start_c : array, shape (n,)
        Colder start of a contrast or pair, NaN for runs and groups.
    problem : object array, shape (n,)
        Why physics has no answer; empty where it has.
    """

    endpoint: Words
    residual_endpoint: Words
    threshold_c: FloatArray
    residual_from_c: FloatArray
    start_temp_c: FloatArray
    other_start_c: FloatArray
    problem: Words

    @property
    def quantity(self) -> Words:
        """Say which of the two quantities each row's baseline is."""
        return np.where(np.isnan(self.other_start_c), LN_TIME, LOG_RATIO).astype(object)

    def part(self, rows: npt.NDArray[np.intp]) -> Question:
        """Give the questions of some rows."""
        return Question(**{name: getattr(self, name)[rows] for name in self.__slots__})

    def at_starts(self, start_temp_c: float, *, residual_from_c: float) -> Question:
        """Ask the same of another start temperature."""
        n = self.start_temp_c.size
        return Question(
            endpoint=self.endpoint,
            residual_endpoint=self.residual_endpoint,
            threshold_c=self.threshold_c,
            residual_from_c=np.full(n, residual_from_c),
            start_temp_c=np.full(n, start_temp_c),
            other_start_c=np.full(n, np.nan),
            problem=self.problem,
        )


def read_questions(rows: pd.DataFrame, *, endpoint: Endpoint | None = None) -> Question:
    """Read what each row asks, and why physics cannot answer where it cannot.

    Parameters
    ----------
    rows : DataFrame
        Rows of the schema.
    endpoint : str, optional
        Ask this endpoint of every row instead of its own.

    Returns
    -------
    Question
    """
    n = len(rows)
    level = column_words(rows, "record_level")
    pair = np.isin(level, ("contrast_summary", "pair_count"))
    start = np.where(
        pair, column_numbers(rows, "start_temp_hot_c"), column_numbers(rows, "start_temp_c")
    )
    other = np.where(pair, column_numbers(rows, "start_temp_cold_c"), np.nan)
    ends = column_words(rows, "endpoint")
    if endpoint is not None:
        ends = np.full(n, endpoint, dtype=object)
    residual = column_words(rows, "residual_endpoint")
    threshold = column_numbers(rows, "threshold_c")
    counted_from = column_numbers(rows, "residual_from_c")
    sink = column_numbers(rows, "sink_temp_c")
    warming = column_words(rows, "direction") == "warming"
    inner = np.where(ends == "t_residual", np.where(residual == "", "t_zero", residual), ends)
    problem = np.full(n, "", dtype=object)

    def refuse(which: BoolArray, reason: str) -> None:
        problem[which & (problem == "")] = reason

    refuse(~np.isin(ends, choices(Endpoint)), "no endpoint is named")
    refuse(ends == "ice_at_time", "a mass of ice is no time")
    refuse(np.isnan(start), "the start temperature is missing")
    refuse(pair & np.isnan(other), "the two start temperatures are missing")
    refuse((inner == "t_threshold") & np.isnan(threshold), "no threshold is named")
    refuse(
        (ends == "t_residual") & np.isnan(counted_from) & ~pair,
        "the temperature from which the time is counted is missing",
    )
    refuse(
        np.isin(column_words(rows, "system"), ("mix", "other")),
        "only water and dilute solutions are known to the physics here",
    )
    refuse(
        warming & ((ends != "t_threshold") | (threshold <= 0.0)),
        "for warming only a threshold above 0 °C is supported; melting is not",
    )
    refuse(
        warming & ~(sink > threshold),
        "a warming run needs a sink temperature above its threshold",
    )
    return Question(
        endpoint=ends,
        residual_endpoint=np.where(residual == "", "t_zero", residual).astype(object),
        threshold_c=threshold,
        residual_from_c=np.where(pair & np.isnan(counted_from), other, counted_from),
        start_temp_c=start,
        other_start_c=other,
        problem=problem,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Baselines:
    """Expected outcome of each draw and row.

    Parameters
    ----------
    outcome : array, shape (draws, n)
        ln(time / 1 s), or the log ratio of a contrast; NaN where there is none.
    mass_lost_g : array, shape (draws, n)
        Water evaporated before freezing, at the (hotter) start.
    """

    outcome: FloatArray
    mass_lost_g: FloatArray


def baselines(parameters: RunParameters, question: Question, scores: Scores) -> Baselines:
    """Evaluate the physics at every draw of the scores.

    Parameters
    ----------
    parameters : RunParameters
        n rows.
    question : Question
        The same n rows.
    scores : Scores
        Scores of the unknowns.

    Returns
    -------
    Baselines
    """
    draws, n = scores.shared.shape[0], question.start_temp_c.size
    outcome = np.full((draws, n), np.nan)
    lost = np.full((draws, n), np.nan)
    for rows in _groups(parameters, question):
        some, asked = parameters.part(rows), question.part(rows)
        for block in _blocks(draws, rows.size):
            part = Scores(shared=scores.shared[block], study=scores.study[block])
            values = some.values(part)
            ln_time, mass = _ln_times(some, asked, values, asked.start_temp_c)
            pairs = np.flatnonzero(~np.isnan(asked.other_start_c))
            if pairs.size:
                other, _ = _ln_times(some, asked, values, asked.other_start_c)
                ln_time[:, pairs] -= other[:, pairs]
            outcome[block, rows] = ln_time
            lost[block, rows] = mass
    return Baselines(outcome=outcome, mass_lost_g=lost)


def _groups(parameters: RunParameters, question: Question) -> Iterator[npt.NDArray[np.intp]]:
    """Rows that one call of the physics can answer: one endpoint, drops apart."""
    fine = np.flatnonzero(question.problem == "")
    keys = pd.MultiIndex.from_arrays(
        [question.endpoint[fine], question.residual_endpoint[fine], parameters.droplet[fine]]
    )
    numbers, kinds = pd.factorize(keys)
    for k in range(len(kinds)):
        yield fine[numbers == k]


def _blocks(draws: int, rows: int) -> Iterator[slice]:
    height = max(1, BLOCK // max(rows, 1))
    for low in range(0, draws, height):
        yield slice(low, min(low + height, draws))


def _ln_times(
    parameters: RunParameters,
    question: Question,
    values: dict[str, FloatArray],
    start_temp_c: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    setup = parameters.setup(values, np.clip(start_temp_c, 0.0, 100.0))
    deepest = np.minimum(-_DEEPEST_SHARE * setup.array("sink_temp_c"), DEEPEST_SUPERCOOLING_K)
    depth = np.clip(values["supercooling_k"], 0.0, np.maximum(deepest, 0.0))
    if parameters.droplet.any():
        return _droplet_ln_times(question, setup.array("sink_temp_c"), values, depth, start_temp_c)
    endpoint, inner = question.endpoint[0], question.residual_endpoint[0]
    ice_first = "t_first_ice" in (endpoint, inner if endpoint == "t_residual" else "")
    times = cooling_times(
        setup,
        endpoint=endpoint,
        threshold_c=np.nan_to_num(question.threshold_c),
        supercooling_k=depth if ice_first else 0.0,
        residual_from_c=np.nan_to_num(question.residual_from_c),
        residual_endpoint=inner,
    )
    return _logarithm(times.time_s), np.array(times.mass_lost_g)


def _droplet_ln_times(
    question: Question,
    plate_c: FloatArray,
    values: dict[str, FloatArray],
    depth: FloatArray,
    start_temp_c: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Conduction through a drop; its shape is as uncertain as that of a vessel."""
    volume_ul = values["mass_g"] * 1e3
    flatness = values["height_over_diameter"] / usual.HEIGHT_OVER_DIAMETER.centre
    height = hemisphere_height_m(volume_ul) * flatness ** (2.0 / 3.0)
    endpoint = question.endpoint[0]
    end: npt.ArrayLike = 0.0
    if endpoint == "t_threshold":
        end = np.maximum(question.threshold_c, 0.0)
    elif endpoint == "t_first_ice":
        end = -depth
    times = droplet_times(height, start_temp_c, plate_c, to_temp_c=end)
    seconds = times.cool_s
    if endpoint in ("t_solid", "t_plateau_end"):
        seconds = seconds + times.freeze_s
    if endpoint == "t_residual":
        seconds = np.full_like(seconds, np.nan)
    return _logarithm(seconds), np.full(seconds.shape, np.nan)


def _logarithm(time_s: FloatArray) -> FloatArray:
    """Take ln, NaN for what has none: never reached, already past, no time at all."""
    fine = np.isfinite(time_s) & (time_s > 0.0)
    return np.where(fine, np.log(np.where(fine, time_s, 1.0)), np.nan)
