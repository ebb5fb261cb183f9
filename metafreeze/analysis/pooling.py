"""The pooled answer: what all rows say, lab by lab, beside what ordinary physics expects."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
import pandas as pd

from metafreeze.analysis.advice import advise
from metafreeze.analysis.excess import ExcessSlope, excess_slope
from metafreeze.analysis.expected import ExpectedTimes, expected_times
from metafreeze.analysis.expected_pair import ExpectedEffect, expected_effect
from metafreeze.analysis.mixed_fits import MixedRowsFit, fit_mixed
from metafreeze.analysis.study_effects import StudyEffects, study_effects
from metafreeze.errors import InputError, NotEstimableError
from metafreeze.models.heavy_tails import widen_for_heavy_tails
from metafreeze.models.pooled import PooledEffect, pool
from metafreeze.options import ENDPOINT_WORDS, Endpoint, choices, require_choice
from metafreeze.results import RESULT, FloatArray, Result

KELVIN_PER_UNIT = 10.0
# Start temperatures are rounded to this when the coldest and hottest level are named.
LEVEL_STEP_K = 5.0
# A level counts for the pair when at least this share of the runs stood at or beyond it.
PAIR_TAIL = 0.1
DEFAULT_DRAWS = 50
DEFAULT_SEED = 1
NAN = float("nan")

STUDY_COLUMNS = (
    "study",
    "runs",
    "cold_c",
    "hot_c",
    "log_ratio",
    "low",
    "high",
    "slope_per_10k",
    "slope_se",
    "expected_log_ratio",
    "extrapolated",
    "remark",
)
# Every column that holds a time or the spread of one.
TIMES = (
    "time_lower_s",
    "time_upper_s",
    "time_reading_sd_s",
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
ABSENT_COLUMNS = ("study", "log_ratio", "low", "high", "change", "spread_sd")
POINT_COLUMNS = ("study", "start_c", "lower_s", "upper_s")
LINE_COLUMNS = ("study", "cold_c", "cold_s", "hot_c", "hot_s")


@dataclass(**RESULT)
class PoolAnswer(Result):
    """What all rows of one endpoint say together.

    Parameters
    ----------
    endpoint : str
        The endpoint pooled.
    hot_c, cold_c : float
        The pair of start temperatures that the effect is named for, °C.
    pair_because : str
        Where the pair comes from.
    scope : str
        ``labs`` or ``one lab``.
    log_ratio, low, high : float
        ln of the ratio of times, hot over cold, at the pair, with its 95 % interval:
        ordinary physics at the pair plus the pooled excess.
    new_lab_low, new_lab_high : float
        Where a new lab's log ratio is to be expected; NaN for one lab.
    new_lab_wide_low, new_lab_wide_high : float
        The same where some labs may lie far out (see `heavy_tail_factor`).
    expected_log_ratio, expected_low, expected_high : float
        What ordinary physics gives at the pair.
    excess_log_ratio, excess_low, excess_high : float
        Seen minus expected.
    slope_per_10k, slope_low, slope_high : float
        Slope of ln time within batches, as seen.
    slope_sd_between : float
        Standard deviation of that slope between labs.
    spread_sd_log_ratio : float
        The same at the pair.
    across_slope_per_10k : float
        Slope of a line through all points regardless of lab, for contrast.
    studies, absent, points, lines, slopes, unused : DataFrame
        Studies one by one; each study left out in turn; the runs; within-study lines; the
        three slopes; rows outside the fit with the reason.
    two_stage : PooledEffect or None
        The same question asked of one effect per study; None for one study.
    fit, seen_fit : MixedRowsFit
        The one-stage fit with a straight line, and with the bend of physics.
    excess : ExcessSlope or None
        What is beyond ordinary physics, the baseline's own uncertainty included.
    runs, labs, batches, rows_given, rows_used, unseen : int
        Counts; `unseen` are rows not seen exactly.
    advice : tuple of str
        What to write down next time.
    status, note : str
        One word, and why.
    """

    endpoint: str
    hot_c: float
    cold_c: float
    pair_because: str
    scope: str
    log_ratio: float
    low: float
    high: float
    new_lab_low: float
    new_lab_high: float
    new_lab_wide_low: float
    new_lab_wide_high: float
    expected_log_ratio: float
    expected_low: float
    expected_high: float
    excess_log_ratio: float
    excess_low: float
    excess_high: float
    slope_per_10k: float
    slope_low: float
    slope_high: float
    slope_sd_between: float
    spread_sd_log_ratio: float
    across_slope_per_10k: float
    studies: pd.DataFrame
    absent: pd.DataFrame
    points: pd.DataFrame
    lines: pd.DataFrame
    slopes: pd.DataFrame
    unused: pd.DataFrame
    two_stage: PooledEffect | None
    fit: MixedRowsFit
    seen_fit: MixedRowsFit
    excess: ExcessSlope | None
    runs: int
    labs: int
    batches: int
    rows_given: int
    rows_used: int
    unseen: int
    advice: tuple[str, ...]
    status: str
    note: str

    def to_frame(self) -> pd.DataFrame:
        """Give one row a quantity at the pair: seen, new lab, expected, excess."""
        return pd.DataFrame(
            [
                ("seen", self.log_ratio, self.low, self.high),
                ("new lab", NAN, self.new_lab_low, self.new_lab_high),
                ("new lab, far out", NAN, self.new_lab_wide_low, self.new_lab_wide_high),
                ("expected", self.expected_log_ratio, self.expected_low, self.expected_high),
                ("excess", self.excess_log_ratio, self.excess_low, self.excess_high),
            ],
            columns=["quantity", "log_ratio", "low", "high"],
        )

    def headline(self) -> str:
        """Say the result in one line."""
        return (
            f"{self.hot_c:g} °C against {self.cold_c:g} °C, {ENDPOINT_WORDS[self.endpoint]}: "
            f"log ratio {self.log_ratio:.3f} ({self.low:.3f} to {self.high:.3f}), "
            f"{self.labs} labs, {self.runs} runs; {self.status}"
        )

    def to_dict(self) -> dict[str, Any]:
        """Give everything the report and machines need as plain values."""
        plain: dict[str, Any] = {
            name: getattr(self, name)
            for name in self.field_names()
            if isinstance(getattr(self, name), (str, int, float))
        }
        plain["advice"] = list(self.advice)
        for name in ("studies", "absent", "lines", "slopes"):
            plain[name] = getattr(self, name).to_dict(orient="records")
        plain["unused"] = _counted_reasons(self.unused)
        plain["across_line"] = self.across_line()
        plain["drawn"] = {
            "runs": len(self.points),
            "studies": int(self.points["study"].nunique()),
        }
        plain["second_engine"] = self.fit.second_engine
        plain["steps_taken"] = list(self.fit.steps_taken)
        plain["random_parts"] = self.fit.model.random_parts.to_dict(orient="records")
        plain["residual_sd"] = float(self.fit.model.residual_sd)
        if self.two_stage is not None:
            plain["two_stage"] = {
                name: value
                for name in self.two_stage.field_names()
                if isinstance(value := getattr(self.two_stage, name), (str, int, float))
            }
            plain["two_stage_at_pair"] = self.two_stage_at_pair(self.two_stage)
        return plain

    def two_stage_at_pair(self, pooled: PooledEffect) -> dict[str, float]:
        """Move the pooled slopes of what is beyond physics to the pair."""
        units = (self.hot_c - self.cold_c) / KELVIN_PER_UNIT
        shift = 0.0 if np.isnan(self.expected_log_ratio) else self.expected_log_ratio
        return {
            "log_ratio": shift + units * pooled.estimate,
            "low": shift + units * pooled.low,
            "high": shift + units * pooled.high,
        }

    def across_line(self) -> dict[str, float] | None:
        """Give the ends of the line through all exactly seen runs, whatever their lab."""
        seen = self.points[exactly_seen(self.points)]
        if np.isnan(self.across_slope_per_10k):
            return None
        x = seen["start_c"].to_numpy() / KELVIN_PER_UNIT
        level = float(np.log(seen["lower_s"].to_numpy()).mean())
        ends = {"cold": float(seen["start_c"].min()), "hot": float(seen["start_c"].max())}
        line = {f"{name}_c": at for name, at in ends.items()}
        for name, at in ends.items():
            rise = self.across_slope_per_10k * (at / KELVIN_PER_UNIT - float(x.mean()))
            line[f"{name}_s"] = float(np.exp(level + rise))
        return line


def _counted_reasons(unused: pd.DataFrame) -> list[dict[str, Any]]:
    if unused.empty:
        return []
    counted = unused.groupby("reason", sort=True).size()
    return [{"reason": str(reason), "rows": int(n)} for reason, n in counted.items()]


def choose_endpoint(rows: pd.DataFrame, primary: str = "") -> Endpoint:
    """Name the endpoint to pool: the primary one, else the only one there is.

    Parameters
    ----------
    rows : DataFrame
        Rows of the register.
    primary : str
        The register's primary endpoint; empty if none was named.

    Returns
    -------
    str

    Raises
    ------
    InputError
        No endpoint was named and the rows hold several, or none.
    """
    if primary:
        return cast(Endpoint, require_choice(primary, Endpoint, name="endpoint"))
    present = [e for e in choices(Endpoint) if (rows["endpoint"] == e).any()]
    if len(present) == 1:
        return cast(Endpoint, present[0])
    found = ", ".join(present) or "none"
    raise InputError(
        f"The rows hold the endpoints: {found}. Endpoints are never pooled together: name one "
        f"with --endpoint, any of {', '.join(ENDPOINT_WORDS)}."
    )


def choose_pair(
    rows: pd.DataFrame, planned: Sequence[float] | None = None
) -> tuple[float, float, str]:
    """Name the pair of start temperatures: the planned one, else the ends of what was tried.

    Parameters
    ----------
    rows : DataFrame
        Rows of one endpoint.
    planned : pair of float, optional
        Hot and cold start temperature of the plan, °C.

    Returns
    -------
    hot_c, cold_c : float
    because : str

    Raises
    ------
    NotEstimableError
        All starts are alike, or none is known.
    """
    if planned is not None:
        hot, cold = float(max(planned)), float(min(planned))
        return hot, cold, "named in the plan"
    columns = ("start_temp_c", "start_temp_hot_c", "start_temp_cold_c")
    starts = np.concatenate([rows[c].to_numpy(dtype=float, na_value=NAN) for c in columns])
    starts = starts[np.isfinite(starts)]
    if starts.size == 0:
        raise NotEstimableError(
            "No row has a start temperature, so nothing can be said about starting hot."
        )
    low, high = np.quantile(starts, [PAIR_TAIL, 1 - PAIR_TAIL], method="nearest")
    cold, hot = (LEVEL_STEP_K * round(float(v) / LEVEL_STEP_K) for v in (low, high))
    if hot - cold < LEVEL_STEP_K:
        raise NotEstimableError(
            f"All runs started near {cold:g} °C. To compare, start some vessels hotter in the "
            "same batch."
        )
    return hot, cold, "the ends of the start temperatures tried most"


def answer_pool(
    rows: pd.DataFrame,
    *,
    endpoint: Endpoint,
    pair: Sequence[float] | None = None,
    design: Sequence[str] = (),
    without: Sequence[str] = (),
    draws: int = DEFAULT_DRAWS,
    seed: int = DEFAULT_SEED,
) -> PoolAnswer:
    """Pool all rows of one endpoint and set ordinary physics beside.

    The effect at the pair is what ordinary physics gives there plus the pooled slope of what
    is beyond it, since physics is curved in start temperature and a straight slope is not.

    Parameters
    ----------
    rows : DataFrame
        Rows of the register.
    endpoint : str
        One endpoint.
    pair : pair of float, optional
        Hot and cold start temperature, °C; the ends of what was tried by default.
    design : sequence of str
        Design covariates to adjust for.
    without : sequence of str
        Studies to leave out.
    draws, seed : int
        Draws of the uncertain physics parameters, and their seed.

    Returns
    -------
    PoolAnswer

    Raises
    ------
    InputError
        An unknown endpoint, column or study.
    NotEstimableError
        The rows cannot answer; the message says what is missing.

    Source
    ------
    See `fit_mixed`, `expected_times` and `pool`.
    """
    endpoint = cast(Endpoint, require_choice(endpoint, Endpoint, name="endpoint"))
    kept = leave_out(rows, without)
    chosen = kept[(kept["endpoint"] == endpoint).to_numpy(dtype=bool, na_value=False)]
    if chosen.empty:
        raise NotEstimableError(f"No row has the endpoint {endpoint} ({ENDPOINT_WORDS[endpoint]}).")
    chosen = chosen.reset_index(drop=True)
    hot, cold, because = choose_pair(chosen, pair)
    units = (hot - cold) / KELVIN_PER_UNIT

    alike = with_typical_vessels(chosen)
    curve = _usable(expected_times(alike, endpoint=endpoint, draws=draws, seed=seed))
    baseline = expected_effect(
        alike, hot_c=hot, cold_c=cold, endpoint=endpoint, draws=draws, seed=seed
    )
    has_baseline = curve is not None
    at_pair = float(baseline.log_ratio[-1]) if has_baseline else NAN
    expected_low, expected_high = (
        np.quantile(baseline.draws[:, -1], [0.025, 0.975]) if has_baseline else (NAN, NAN)
    )

    straight = fit_mixed(chosen, endpoint=endpoint, design=design, unseen="model")
    seen, beyond = straight, None
    if has_baseline:
        seen = fit_mixed(chosen, endpoint=endpoint, design=design, unseen="model", offset=curve)
        beyond = excess_slope(
            chosen,
            endpoint=endpoint,
            pair=(cold, hot),
            design=design,
            draws=draws,
            seed=seed,
        )
    shift = at_pair if has_baseline else 0.0
    studies = _study_table(chosen, endpoint, curve if has_baseline else None, baseline, hot, cold)
    two_stage, absent = _absent(studies, units, shift)
    wide_low, wide_high = widen_for_heavy_tails(
        seen.new_study_low, seen.new_study_high, k=seen.studies
    )
    return PoolAnswer(
        endpoint=endpoint,
        hot_c=hot,
        cold_c=cold,
        pair_because=because,
        scope="one lab" if straight.studies == 1 else "labs",
        log_ratio=shift + units * seen.slope_per_10k,
        low=shift + units * seen.slope_low,
        high=shift + units * seen.slope_high,
        new_lab_low=shift + units * seen.new_study_low,
        new_lab_high=shift + units * seen.new_study_high,
        new_lab_wide_low=shift + units * wide_low,
        new_lab_wide_high=shift + units * wide_high,
        expected_log_ratio=at_pair,
        expected_low=float(expected_low),
        expected_high=float(expected_high),
        excess_log_ratio=NAN if beyond is None else beyond.excess_at_pair,
        excess_low=NAN if beyond is None else beyond.excess_low,
        excess_high=NAN if beyond is None else beyond.excess_high,
        slope_per_10k=straight.slope_per_10k,
        slope_low=straight.slope_low,
        slope_high=straight.slope_high,
        slope_sd_between=straight.slope_sd_between,
        spread_sd_log_ratio=units * seen.slope_sd_between,
        across_slope_per_10k=_slope_across(chosen),
        studies=studies,
        absent=absent,
        points=_points(chosen),
        lines=_lines(chosen, studies),
        slopes=straight.slopes.reset_index(drop=True),
        unused=straight.unused,
        two_stage=two_stage,
        fit=straight,
        seen_fit=seen,
        excess=beyond,
        runs=round(float(straight.runs_used)),
        labs=straight.studies,
        batches=straight.batches,
        rows_given=straight.rows_given,
        rows_used=straight.rows_used,
        unseen=_count_unseen(chosen),
        advice=advise(chosen),
        status=seen.status,
        note=seen.note,
    )


# What a vessel and its place are: everything that physics reads except the start temperature.
VESSEL_FIELDS = (
    "sink_type",
    "sink_temp_c",
    "air_speed_m_s",
    "air_rh",
    "vessel_material",
    "inner_diameter_mm",
    "wall_thickness_mm",
    "water_mass_start_g",
    "lid",
    "base_support",
    "side_insulation",
    "frost_before_mm",
)


def with_typical_vessels(rows: pd.DataFrame) -> pd.DataFrame:
    """Give every row the most common vessel and place of its study.

    Physics on these rows bends with start temperature alone. The raw effect at a pair needs
    that bend and nothing else: whatever went along with starting hot, such as frost under
    the hot vessels, must stay in it.
    """
    alike = rows.copy()
    study = study_names(rows)
    for name in VESSEL_FIELDS:
        typical = rows[name].groupby(study).agg(_most_common)
        alike[name] = study.map(typical).astype(rows[name].dtype)
    return alike


def _most_common(values: pd.Series) -> Any:
    counted = values.dropna().value_counts()
    if counted.empty:
        return None
    # The smallest of equally common values, so that the order of rows does not matter.
    return min(counted.index[counted == counted.iloc[0]])


def leave_out(rows: pd.DataFrame, without: Sequence[str]) -> pd.DataFrame:
    """Drop whole studies by name.

    Raises
    ------
    InputError
        A name is no study of these rows.
    """
    if not without:
        return rows
    study = study_names(rows)
    known = sorted(set(study))
    for name in without:
        if name not in known:
            raise InputError(f'There is no study "{name}". The studies are: {", ".join(known)}.')
    return rows[~study.isin(list(without)).to_numpy()]


def study_names(rows: pd.DataFrame) -> pd.Series:
    """Give the study of every row: its lab, else its source."""
    return rows["lab_id"].fillna(rows["source_id"]).fillna("lab unknown").astype(str)


def _usable(times: ExpectedTimes) -> FloatArray | None:
    ln_time = np.asarray(times.ln_time, dtype=float)
    return ln_time if np.isfinite(ln_time).any() else None


def _study_table(
    rows: pd.DataFrame,
    endpoint: str,
    offset: FloatArray | None,
    baseline: ExpectedEffect,
    hot: float,
    cold: float,
) -> pd.DataFrame:
    """List every study's effect at the pair, its own baseline plus its own excess."""
    beyond = rows if offset is None else relative_to(rows, offset)
    effects: StudyEffects = study_effects(
        beyond, endpoint=endpoint, effect="slope", residual="common"
    )
    frame = effects.to_frame()
    units = (hot - cold) / KELVIN_PER_UNIT
    own = _baseline_by_study(baseline) if offset is not None else {}
    records = []
    for one in frame.to_dict(orient="records"):
        shift = own.get(one["study"], float(baseline.log_ratio[-1])) if offset is not None else 0.0
        beyond_own = one["cold_c"] > cold + LEVEL_STEP_K or one["hot_c"] < hot - LEVEL_STEP_K
        records.append(
            (
                one["study"],
                one["n_runs"],
                one["cold_c"],
                one["hot_c"],
                shift + units * one["estimate"],
                shift + units * one["low"],
                shift + units * one["high"],
                one["estimate"],
                one["se"],
                shift if offset is not None else NAN,
                bool(beyond_own),
                one["remark"],
            )
        )
    return pd.DataFrame(records, columns=list(STUDY_COLUMNS))


def relative_to(rows: pd.DataFrame, offset: FloatArray) -> pd.DataFrame:
    """Divide every time of a row by the row's baseline; a published log ratio loses its own.

    A published difference of times has no such form: it keeps its seconds, and the fit of
    slopes, which works on logarithms, lists it as unused.
    """
    factor = np.exp(-(offset - np.nanmean(offset)))
    scaled = rows.copy()
    for name in TIMES:
        scaled[name] = scaled[name] * factor
    contrast = scaled["contrast_scale"].eq("log_ratio").to_numpy(dtype=bool, na_value=False)
    scaled.loc[contrast, "contrast_value"] = (
        scaled.loc[contrast, "contrast_value"] - offset[contrast]
    )
    without = ~np.isfinite(offset)
    if without.any():
        scaled.loc[without, "exclusion_reason"] = "no expected time could be worked out for it"
    return scaled


def _baseline_by_study(baseline: ExpectedEffect) -> Mapping[str, float]:
    names = (*baseline.studies,)
    return {
        name: float(value)
        for name, value in zip(names, baseline.log_ratio[: len(names)], strict=True)
        if np.isfinite(value)
    }


def _absent(
    studies: pd.DataFrame, units: float, shift: float
) -> tuple[PooledEffect | None, pd.DataFrame]:
    """Pool one effect per study, and again with each study left out."""
    empty = pd.DataFrame(columns=list(ABSENT_COLUMNS))
    usable = studies[np.isfinite(studies["slope_se"]) & (studies["slope_se"] > 0)]
    if len(usable) < 2:
        return None, empty
    estimate = usable["slope_per_10k"].to_numpy()
    variance = usable["slope_se"].to_numpy() ** 2
    names = usable["study"].tolist()
    whole = pool(estimate, variance, interval="hartung-knapp-floored", study=names)
    if len(usable) < 3:
        return whole, empty
    records = []
    for place, name in enumerate(names):
        keep = np.arange(len(names)) != place
        rest = pool(estimate[keep], variance[keep], interval="hartung-knapp-floored")
        records.append(
            (
                name,
                shift + units * rest.estimate,
                shift + units * rest.low,
                shift + units * rest.high,
                units * (rest.estimate - whole.estimate),
                units * np.sqrt(rest.tau2),
            )
        )
    return whole, pd.DataFrame(records, columns=list(ABSENT_COLUMNS))


def _run_rows(rows: pd.DataFrame) -> pd.DataFrame:
    kept = rows[
        rows["record_level"].eq("run")
        & rows["exclusion_reason"].isna()
        & rows["start_temp_c"].notna()
        & rows["time_lower_s"].notna()
    ]
    return pd.DataFrame(
        {
            "study": study_names(kept),
            "batch": kept["block_id"].fillna(kept["session_id"]).fillna("").astype(str),
            "start_c": kept["start_temp_c"].astype(float),
            "lower_s": kept["time_lower_s"].astype(float),
            "upper_s": kept["time_upper_s"].astype(float).fillna(np.inf),
        }
    ).reset_index(drop=True)


def exactly_seen(runs: pd.DataFrame) -> pd.Series:
    """Mark the runs with one exact time above zero."""
    return (runs["lower_s"] == runs["upper_s"]) & (runs["lower_s"] > 0)


def _points(rows: pd.DataFrame) -> pd.DataFrame:
    return _run_rows(rows)[list(POINT_COLUMNS)]


def _count_unseen(rows: pd.DataFrame) -> int:
    runs = _run_rows(rows)
    return int((~exactly_seen(runs)).sum())


def _lines(rows: pd.DataFrame, studies: pd.DataFrame) -> pd.DataFrame:
    """Draw each study's line through the middle of its runs, with its slope within batches."""
    runs = _run_rows(rows)
    runs = runs[exactly_seen(runs)]
    records = []
    for study, own in runs.groupby("study", sort=False):
        x = own["start_c"].to_numpy() / KELVIN_PER_UNIT
        y = np.log(own["lower_s"].to_numpy())
        spread = x - own["start_c"].groupby(own["batch"]).transform("mean").to_numpy() / (
            KELVIN_PER_UNIT
        )
        if not float(spread @ spread) > 0:  # batches of one temperature: between batches, then
            spread = x - x.mean()
        if study not in set(studies["study"]) or not float(spread @ spread) > 0:
            continue
        slope = float(spread @ y / (spread @ spread))
        cold, hot = float(own["start_c"].min()), float(own["start_c"].max())
        at = [
            float(np.exp(y.mean() + slope * (t / KELVIN_PER_UNIT - x.mean()))) for t in (cold, hot)
        ]
        records.append((str(study), cold, at[0], hot, at[1]))
    return pd.DataFrame(records, columns=list(LINE_COLUMNS))


def _slope_across(rows: pd.DataFrame) -> float:
    """Slope of least squares through all exactly seen runs, regardless of lab."""
    runs = _run_rows(rows)
    runs = runs[exactly_seen(runs)]
    x = runs["start_c"].to_numpy() / KELVIN_PER_UNIT
    if x.size < 2:
        return NAN
    spread = x - x.mean()
    weight = float(spread @ spread)
    return float(spread @ np.log(runs["lower_s"].to_numpy()) / weight) if weight > 0 else NAN
