"""How often the hotter one would be first by physics and chance alone: the null for counts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri

from metafreeze.analysis.baseline_times import baselines
from metafreeze.analysis.expected import LEAST_DRAWS, Prepared, prepare
from metafreeze.analysis.run_parameters import Known, Words, column_numbers, column_words
from metafreeze.errors import InputError
from metafreeze.options import Status
from metafreeze.physics import usual
from metafreeze.physics.chance import simulate_hot_first
from metafreeze.physics.setup import Setup
from metafreeze.results import RESULT, FloatArray, IntArray, Result

FRAME_COLUMNS = (
    "row",
    "study",
    "endpoint",
    "hot_c",
    "cold_c",
    "n_pairs",
    "specimens",
    "k_hot_first",
    "expected_k",
    "chance",
    "chance_low",
    "chance_high",
    "p_as_many",
    "p_as_few",
    "status",
    "reason",
)

DEFAULT_SIMULATIONS = 2000


@dataclass(**RESULT)
class HotFirstNull(Result):
    """Counts of "hot first" beside what physics and chance give alone.

    Parameters
    ----------
    row, study, endpoint : object array, shape (n,)
        One entry per counted row.
    hot_c, cold_c : array, shape (n,)
    n_pairs, specimens, k_hot_first : array, shape (n,)
        Pairs compared, different specimens in them (two a pair where unsaid), count seen.
    chance, chance_low, chance_high : array, shape (n,)
        Chance that the hotter of one pair is first; nine parameter draws in ten.
    p_as_many, p_as_few : array, shape (n,)
        Chance of at least, and of at most, as many as seen: (1 + b)/(1 + B).
    row_note : object array, shape (n,)
        Why a row has no answer; empty where it has.
    simulations, draws, seed : int
    status, note : str
    """

    row: Words
    study: Words
    endpoint: Words
    hot_c: FloatArray
    cold_c: FloatArray
    n_pairs: FloatArray
    specimens: FloatArray
    k_hot_first: FloatArray
    chance: FloatArray
    chance_low: FloatArray
    chance_high: FloatArray
    p_as_many: FloatArray
    p_as_few: FloatArray
    row_note: Words
    simulations: int
    draws: int
    seed: int
    status: Status
    note: str

    def to_frame(self) -> pd.DataFrame:
        """Give one row per counted row."""
        return pd.DataFrame(
            {
                "row": self.row,
                "study": self.study,
                "endpoint": self.endpoint,
                "hot_c": self.hot_c,
                "cold_c": self.cold_c,
                "n_pairs": self.n_pairs,
                "specimens": self.specimens,
                "k_hot_first": self.k_hot_first,
                "expected_k": self.chance * self.n_pairs,
                "chance": self.chance,
                "chance_low": self.chance_low,
                "chance_high": self.chance_high,
                "p_as_many": self.p_as_many,
                "p_as_few": self.p_as_few,
                "status": np.where(self.row_note == "", "ok", "unidentifiable").astype(object),
                "reason": self.row_note,
            },
            columns=list(FRAME_COLUMNS),
        )

    def headline(self) -> str:
        """Say how many were first against how many by chance, in one line."""
        there = np.isfinite(self.chance)
        if not there.any():
            return f"no count has a null ({self.note})"
        seen = float(np.nansum(self.k_hot_first[there]))
        by_chance = float(np.sum((self.chance * self.n_pairs)[there]))
        pairs = float(np.sum(self.n_pairs[there]))
        return (
            f"hot first in {seen:g} of {pairs:g} pairs; physics and chance alone give "
            f"{by_chance:.1f}"
        )


def hot_first_null(
    rows: pd.DataFrame,
    *,
    draws: int = LEAST_DRAWS,
    simulations: int = DEFAULT_SIMULATIONS,
    seed: int = 1,
    known: Known | None = None,
) -> HotFirstNull:
    """Simulate "hot first in k of n" under physics and chance alone.

    When to use it: before a count such as "17 of 20" is taken for a sign. The null is neither
    one half (the hotter one has further to cool) nor zero (supercooling scatters). For first
    ice each vessel freezes at its own depth below 0 °C; for other endpoints log times scatter
    as those of like runs usually do.

    Parameters
    ----------
    rows : DataFrame
        Rows of the register's schema; those of kind ``pair_count`` are answered.
    draws : int
        Draws of the unknown parameters, at least 50.
    simulations : int
        Simulated series a row, spread over the draws.
    seed : int
        Seed of draws and simulations.
    known : mapping, optional
        As in `expected_times`.

    Returns
    -------
    HotFirstNull

    Raises
    ------
    InputError
        `rows` is no frame or holds no counted pairs, or too few draws or simulations.

    Source
    ------
    `metafreeze.physics.chance`; p = (1 + b)/(1 + B), Davison AC, Hinkley DV (1997) Bootstrap
    Methods and their Application, section 4.2.
    """
    if not isinstance(rows, pd.DataFrame):
        raise InputError(f"rows is a {type(rows).__name__}. Give a DataFrame of register rows.")
    if simulations < draws:
        raise InputError(f"simulations is {simulations}. Give at least one a draw, {draws}.")
    label = pd.Series(list(rows.index), dtype=object)
    frame = rows.reset_index(drop=True)
    at = np.flatnonzero(column_words(frame, "record_level") == "pair_count")
    if not at.size:
        raise InputError('No row counts pairs. Give rows whose record_level is "pair_count".')
    ready = prepare(frame, endpoint=None, draws=draws, seed=seed, known=known)
    n_pairs = column_numbers(frame, "n_pairs")[at]
    k = column_numbers(frame, "k_hot_first")[at]
    specimens = column_numbers(frame, "n_specimens")[at]
    specimens = np.where(np.isnan(specimens), 2.0 * n_pairs, np.minimum(specimens, 2.0 * n_pairs))
    note = ready.question.problem[at].copy()
    note[(note == "") & ~(n_pairs >= 1)] = "the number of pairs is missing"
    waters = column_words(frame, "water_type")[at]
    streams = np.random.SeedSequence([seed, 2]).spawn(at.size)
    answers = np.full((at.size, 5), np.nan)
    for j, row in enumerate(at):
        if note[j]:
            continue
        # Two specimens make one pair; the same two frozen again are the same pair.
        groups = np.arange(int(n_pairs[j])) % max(int(specimens[j]) // 2, 1)
        task = _Task(row=int(row), specimen=groups, count=k[j], water_type=str(waters[j]))
        rng = np.random.default_rng(streams[j])
        answers[j] = _answer(ready, task, -(-simulations // draws), rng)
        if np.isnan(answers[j, 0]):
            note[j] = "the sink never brings the pair to the endpoint"
    found = np.isfinite(answers[:, 0])
    return HotFirstNull(
        row=label.to_numpy(dtype=object)[at],
        study=ready.study[at],
        endpoint=ready.question.endpoint[at],
        hot_c=ready.question.start_temp_c[at],
        cold_c=ready.question.other_start_c[at],
        n_pairs=n_pairs,
        specimens=specimens,
        k_hot_first=k,
        chance=answers[:, 0],
        chance_low=answers[:, 1],
        chance_high=answers[:, 2],
        p_as_many=answers[:, 3],
        p_as_few=answers[:, 4],
        row_note=note,
        simulations=simulations,
        draws=draws,
        seed=seed,
        status="ok" if found.any() else "unidentifiable",
        note="" if found.any() else str(note[0]),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Task:
    """One counted row: where it stands, the specimen of each pair, the count seen."""

    row: int
    specimen: IntArray
    count: float
    water_type: str


def _answer(ready: Prepared, task: _Task, each: int, rng: np.random.Generator) -> FloatArray:
    """Chance with its range, and the two tail probabilities, over all parameter draws."""
    first_ice = ready.question.endpoint[task.row] == "t_first_ice"
    simulate = _first_ice_counts if first_ice else _log_time_counts
    counts = simulate(ready, task, each, rng)
    if not counts.size:
        return np.full(5, np.nan)
    chance = counts.mean(axis=1) / task.specimen.size
    low, high = np.quantile(chance, [0.05, 0.95])
    total = 1.0 + counts.size
    many = (1.0 + np.sum(counts >= task.count)) / total if np.isfinite(task.count) else np.nan
    few = (1.0 + np.sum(counts <= task.count)) / total if np.isfinite(task.count) else np.nan
    return np.array([chance.mean(), low, high, many, few])


def _first_ice_counts(
    ready: Prepared, task: _Task, each: int, rng: np.random.Generator
) -> IntArray:
    """Simulate counts of first ice, shape (draws, each)."""
    one = ready.parameters.part(np.array([task.row], dtype=np.intp))
    values = one.values(ready.scores)
    start = ready.question.start_temp_c[task.row]
    setups = one.setup(values, np.array([start]))
    specimen_sd = usual.SPECIMEN_SD_K.get(task.water_type, usual.SPECIMEN_SD_UNSAID_K)
    run_sd = usual.RUN_SD_K.get(task.water_type, usual.RUN_SD_UNSAID_K)
    counts = []
    for d in range(ready.scores.shared.shape[0]):
        own = {
            name: float(v[d if v.size > 1 else 0]) for name, v in setups.flat(setups.shape).items()
        }
        if not own["sink_temp_c"] < 0.0:
            continue
        counts.append(
            simulate_hot_first(
                Setup(**own),
                hot_c=float(start),
                cold_c=float(ready.question.other_start_c[task.row]),
                specimen=task.specimen,
                rng=rng,
                draws=each,
                mean_supercooling_k=float(values["supercooling_k"][d, 0]),
                sd_specimen_k=specimen_sd,
                sd_run_k=run_sd,
            )
        )
    return np.array(counts, dtype=np.int64)


def _log_time_counts(ready: Prepared, task: _Task, each: int, rng: np.random.Generator) -> IntArray:
    """Simulate counts where log times scatter about the baseline, shape (draws, each)."""
    at = np.array([task.row], dtype=np.intp)
    some, asked = ready.parameters.part(at), ready.question.part(at)
    log_ratio = baselines(some, asked, ready.scores).outcome[:, 0]
    log_ratio = log_ratio[np.isfinite(log_ratio)]
    if not log_ratio.size:
        return np.zeros((0, each), dtype=np.int64)
    # Scatter itself is known roughly: one value a draw, spread evenly over its range.
    rank = (rng.permutation(log_ratio.size) + 0.5) / log_ratio.size
    sd = usual.LN_TIME_SD.centre * np.exp(usual.LN_TIME_SD.spread * ndtri(rank))
    hot_first = ndtr(-log_ratio / (np.sqrt(2.0) * sd))
    return rng.binomial(task.specimen.size, hot_first[:, np.newaxis], (log_ratio.size, each))
