"""A register's own design, ready to be simulated: who looked when at which vessel."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from metafreeze.analysis.baseline_times import baselines
from metafreeze.analysis.challenge_points import REFERENCE_C, block_names, censor_provoked
from metafreeze.analysis.challenge_question import ask_physics, choose_design
from metafreeze.analysis.expected import LEAST_DRAWS, prepare
from metafreeze.analysis.mixed_fits import MixedRowsFit, fit_mixed
from metafreeze.analysis.mixed_rows import WITHIN
from metafreeze.analysis.pooling import KELVIN_PER_UNIT, study_names
from metafreeze.errors import NotEstimableError
from metafreeze.options import Endpoint
from metafreeze.planning.simulate import Scatter, look_at, scatter_log_times
from metafreeze.planning.usual_scatter import usual_scatter
from metafreeze.results import BoolArray, FloatArray, IntArray

NAN = float("nan")
# Enough that a thousand simulations do not repeat a handful of physics.
TRUTHS = 200
# Seeds of the truths keep away from those of the analysis, or it would know the answer.
TRUTH_SEED = 104_729
# All statistics of a group's times; they move together when its mean moves.
GROUP_TIMES = (
    "mean_s",
    "sd_s",
    "se_s",
    "ci_low_s",
    "ci_high_s",
    "median_s",
    "q1_s",
    "q3_s",
    "min_s",
    "max_s",
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OwnDesign:
    """Everything that a simulation needs to know of a register.

    Parameters
    ----------
    rows : DataFrame
        All rows, n of them.
    physics, at_cold : array, shape (D, n)
        ln of the time that physics gives, in D equally possible truths: at the row's start,
        and had it started at the pair's colder temperature. Log ratio for a contrast.
    start_10k : array, shape (n,)
        Start above the reference, in 10 K; for a contrast hot minus cold.
    share : array, shape (n,)
        How much of the pair's distance the start lies above its colder temperature.
    lab, batch : array of int, shape (n,)
    run, group, contrast : array of bool, shape (n,)
        Rows that are simulated, by kind.
    every_s, first_s, until_s : array, shape (n,)
        As in `look_at`.
    provoked_s : array, shape (n,)
        When somebody set the ice off; infinite where nobody did.
    observed : array, shape (n,)
        ln of a group's mean, log ratio of a contrast.
    error : array, shape (n,)
        Standard deviation of a row's own error: a run's, a mean's, a contrast's.
    scatter : Scatter
    note : str
        What was assumed.
    """

    rows: pd.DataFrame
    physics: FloatArray
    at_cold: FloatArray
    start_10k: FloatArray
    share: FloatArray
    lab: IntArray
    batch: IntArray
    run: BoolArray
    group: BoolArray
    contrast: BoolArray
    every_s: FloatArray
    first_s: FloatArray
    until_s: FloatArray
    provoked_s: FloatArray
    observed: FloatArray
    error: FloatArray
    scatter: Scatter
    note: str

    def simulate(
        self, number: int, rng: np.random.Generator, *, ratio: float | None
    ) -> pd.DataFrame:
        """Make the register as it might have been.

        Parameters
        ----------
        number : int
            Number of the simulation; it chooses the truth about physics.
        rng : Generator
        ratio : float or None
            None for nothing but physics; else the true ratio of times at the pair, hot over
            cold, which stands in the place of physics' own.

        Returns
        -------
        DataFrame
            The same rows with other times.
        """
        truth = number % self.physics.shape[0]
        centre = self.physics[truth]
        if ratio is not None:
            centre = np.where(self.contrast, 0.0, self.at_cold[truth])
            centre = centre + np.log(ratio) * self.share
        shared = replace(self.scatter, run_sd=0.0)
        level = np.where(self.contrast, 0.0, 1.0)
        outcome = centre + self.error * rng.standard_normal(len(self.rows))
        outcome += scatter_log_times(self.start_10k, self.lab, self.batch, shared, rng, level=level)
        rows = self.rows.copy()
        self._write_runs(rows, np.exp(np.where(self.run, outcome, 0.0)))
        self._write_groups(rows, outcome)
        self._write_contrasts(rows, outcome)
        return rows

    def _write_runs(self, rows: pd.DataFrame, seconds: FloatArray) -> None:
        knocked = np.isfinite(self.provoked_s)
        early = knocked & (seconds < self.provoked_s)
        lower, upper = look_at(
            np.where(knocked, np.minimum(seconds, self.provoked_s), seconds),
            every_s=self.every_s,
            first_s=self.first_s,
            until_s=self.until_s,
        )
        upper = np.where(np.isinf(upper), NAN, upper)
        for name, value in (("time_lower_s", lower), ("time_upper_s", upper)):
            old = rows[name].to_numpy(dtype=np.float64, na_value=NAN)
            rows[name] = _alike(np.where(self.run, value, old), rows[name])
        if early.any():
            rows.loc[early & self.run, "trigger_event"] = "none"

    def _write_groups(self, rows: pd.DataFrame, ln_time: FloatArray) -> None:
        if not self.group.any():
            return
        factor = np.exp(ln_time - self.observed)[self.group]
        for name in GROUP_TIMES:
            values = rows[name].to_numpy(dtype=np.float64, na_value=NAN).copy()
            values[self.group] *= factor
            rows[name] = _alike(values, rows[name])

    def _write_contrasts(self, rows: pd.DataFrame, log_ratio: FloatArray) -> None:
        if not self.contrast.any():
            return
        moved = (log_ratio - self.observed)[self.contrast]
        for name in ("contrast_value", "contrast_low", "contrast_high"):
            values = rows[name].to_numpy(dtype=np.float64, na_value=NAN).copy()
            values[self.contrast] += moved
            rows[name] = _alike(values, rows[name])


def _alike(values: FloatArray, column: pd.Series) -> pd.Series:
    return pd.Series(values, index=column.index).astype(column.dtype)


def read_design(
    rows: pd.DataFrame, fit: MixedRowsFit, *, endpoint: str, hot_c: float, cold_c: float, seed: int
) -> OwnDesign:
    """Read from a register how it was made and how its times scatter.

    Parameters
    ----------
    rows : DataFrame
        Rows of the schema, all endpoints.
    fit : MixedRowsFit
        Fit of the register's own total effect, for its scatter.
    endpoint : str
        The endpoint that is answered.
    hot_c, cold_c : float
        The pair, °C.
    seed : int

    Returns
    -------
    OwnDesign

    Raises
    ------
    NotEstimableError
        Physics has no answer for any row of the endpoint.

    Source
    ------
    Physics and its uncertainty: `metafreeze.expected_times`. Each simulation takes one draw of
    all that is unknown about vessels and model, so that the analysis is wrong about physics as
    often as it may be in truth.
    """
    rows = rows.reset_index(drop=True)
    ready = prepare(rows, endpoint=None, draws=TRUTHS, seed=seed + TRUTH_SEED)
    centre = baselines(ready.parameters, ready.question, ready.central).outcome[0]
    physics = baselines(ready.parameters, ready.question, ready.scores).outcome
    cold_question = ready.question.at_starts(cold_c, residual_from_c=cold_c)
    at_cold = baselines(ready.parameters, cold_question, ready.scores).outcome
    physics = np.where(np.isnan(physics), centre, physics)
    # Where a start at the colder end says nothing (it may be the end itself), the row's own
    # start stands in.
    at_cold = np.where(np.isnan(at_cold), physics, at_cold)
    known = np.isfinite(centre)
    level = rows["record_level"].to_numpy(dtype=object)
    open_ = rows["exclusion_reason"].isna().to_numpy()
    lower, upper = (
        rows[name].to_numpy(dtype=np.float64, na_value=NAN)
        for name in ("time_lower_s", "time_upper_s")
    )
    timed = (np.nan_to_num(lower) > 0.0) | np.isfinite(upper)
    run = (level == "run") & open_ & known & timed
    group, contrast, observed, error = _published(rows, level, known & open_, fit)
    wanted = rows["endpoint"].eq(endpoint).to_numpy(dtype=bool, na_value=False)
    if not ((run | group | contrast) & wanted).any():
        raise NotEstimableError(
            f"Physics expects no time for any row with the endpoint {endpoint}, so nothing can be "
            "simulated. It needs start temperatures, and a sink cold enough to freeze."
        )
    lab = np.unique(study_names(rows).to_numpy(dtype=str), return_inverse=True)[1]
    block = np.unique(block_names(rows).to_numpy(dtype=str), return_inverse=True)[1]
    bounded = censor_provoked(rows)["time_upper_s"].to_numpy(dtype=np.float64, na_value=NAN)
    knocked = np.isfinite(upper) & np.isnan(bounded)
    every, first, until = _rhythm(lower, upper, rows, run & ~knocked, lab, block)
    hot, cold = (
        rows[name].to_numpy(dtype=np.float64, na_value=NAN)
        for name in ("start_temp_hot_c", "start_temp_cold_c")
    )
    start = rows["start_temp_c"].to_numpy(dtype=np.float64, na_value=NAN)
    above = np.where(contrast, hot - cold, start - cold_c)
    x = np.where(contrast, hot - cold, start - REFERENCE_C) / KELVIN_PER_UNIT
    scatter, assumed = scatter_of(fit)
    still = int((wanted & open_ & (level != "pair_count") & ~(run | group | contrast)).sum())
    left = f"{still} rows kept their times, for want of an expected one." if still else ""
    return OwnDesign(
        rows=rows,
        physics=physics,
        at_cold=at_cold,
        start_10k=np.nan_to_num(x),
        share=np.nan_to_num(above / (hot_c - cold_c)),
        lab=lab.astype(np.int64),
        batch=block.astype(np.int64),
        run=run,
        group=group,
        contrast=contrast,
        every_s=every,
        first_s=first,
        until_s=until,
        provoked_s=np.where(knocked & run, upper, np.inf),
        observed=observed,
        error=error,
        scatter=scatter,
        note=" ".join(w for w in (assumed, left) if w),
    )


def fit_scatter(
    rows: pd.DataFrame, endpoint: Endpoint, hot_c: float, cold_c: float, *, seed: int
) -> MixedRowsFit:
    """Fit a register's own scatter around what physics expects of its rows.

    Parameters
    ----------
    rows : DataFrame
        Rows of the schema.
    endpoint : str
    hot_c, cold_c : float
        The pair, °C.
    seed : int

    Returns
    -------
    MixedRowsFit
        The fit behind a challenge's total effect.
    """
    own = rows[rows["endpoint"].eq(endpoint).to_numpy(dtype=bool, na_value=False)]
    bounded = censor_provoked(own.reset_index(drop=True))
    physics = ask_physics(
        bounded, endpoint=endpoint, hot_c=hot_c, cold_c=cold_c, draws=LEAST_DRAWS, seed=seed
    )
    return fit_mixed(
        bounded,
        endpoint=endpoint,
        design=choose_design(bounded),
        offset=physics.typical,
        unseen="model",
        second_engine=False,
        slope_only=True,
    )


def scatter_of(fit: MixedRowsFit) -> tuple[Scatter, str]:
    """Take the scatter from a fit; where it shows none, the usual one, and say so.

    Parameters
    ----------
    fit : MixedRowsFit

    Returns
    -------
    scatter : Scatter
    note : str
        Empty where everything came from the fit.
    """
    if fit.status not in ("ok", "boundary") or not np.isfinite(fit.residual_sd):
        return usual_scatter(
            fit.endpoint
        ), "The rows do not show their own scatter; the usual one was taken."
    parts = fit.random_parts
    found = {}
    for level, term, name in (
        ("batch", "intercept", "batch_sd"),
        ("study", "intercept", "lab_sd"),
        ("study", WITHIN, "slope_sd_per_10k"),
    ):
        own = parts.loc[(parts["level"] == level) & (parts["term"] == term), "sd"].dropna()
        found[name] = float(own.iloc[0]) if len(own) else 0.0
    return Scatter(run_sd=float(fit.residual_sd), **found), ""


def _published(
    rows: pd.DataFrame, level: Any, usable: BoolArray, fit: MixedRowsFit
) -> tuple[BoolArray, BoolArray, FloatArray, FloatArray]:
    """Find the groups and contrasts that can be moved, with their outcome and its error."""
    mean, median, n = (
        rows[name].to_numpy(dtype=np.float64, na_value=NAN)
        for name in ("mean_s", "median_s", "n_runs")
    )
    middle = np.where(np.isfinite(mean), mean, median)
    group = (level == "arm_summary") & usable & np.isfinite(middle) & (middle > 0.0)
    value, se, low, high = (
        rows[name].to_numpy(dtype=np.float64, na_value=NAN)
        for name in ("contrast_value", "contrast_se", "contrast_low", "contrast_high")
    )
    # Half of a 95 % interval is nearly two standard errors.
    se = np.where(np.isfinite(se), se, (high - low) / (2 * 1.96))
    ratio = rows["contrast_scale"].eq("log_ratio").to_numpy(dtype=bool, na_value=False)
    contrast = (level == "contrast_summary") & usable & ratio & np.isfinite(value + se)
    run_sd = fit.residual_sd if np.isfinite(fit.residual_sd) else usual_scatter(fit.endpoint).run_sd
    count = np.where(np.isfinite(n) & (n >= 1.0), n, 1.0)
    observed = np.where(contrast, value, np.log(np.where(group, middle, 1.0)))
    error = np.where(contrast, se, run_sd / np.sqrt(np.where(group, count, 1.0)))
    return group, contrast, observed, np.nan_to_num(error)


def _rhythm(
    lower: FloatArray,
    upper: FloatArray,
    rows: pd.DataFrame,
    run: BoolArray,
    lab: IntArray,
    block: IntArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Read how often vessels were looked at, and when people went home."""
    low = np.nan_to_num(lower)
    window = run & np.isfinite(upper) & (upper > low)
    every = np.where(window, upper - low, 0.0)
    unfinished = run & ~np.isfinite(upper)
    said = rows["check_interval_s"].to_numpy(dtype=np.float64, na_value=NAN)
    for place in np.flatnonzero(unfinished):
        beside = every[window & (lab == lab[place])]
        usual = float(np.median(beside)) if beside.size else 0.0
        every[place] = said[place] if np.isfinite(said[place]) else usual
    first = np.where(every > 0.0, np.mod(low, np.where(every > 0.0, every, 1.0)), 0.0)
    until = np.full(lower.size, np.inf)
    for place in np.flatnonzero(unfinished):
        together = run & (block == block[place])
        until[together] = np.minimum(until[together], low[place])
    # Somebody saw these freeze later than that, and so was still there.
    until = np.where(np.isfinite(upper) & (upper > until), np.inf, until)
    return every, first, until
