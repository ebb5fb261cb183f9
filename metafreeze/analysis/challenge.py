"""Does the apparent effect survive? Register rows in, the ladder and two verdicts out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from metafreeze.analysis.excess import ExcessSlope, excess_slope
from metafreeze.analysis.expected import expected_times
from metafreeze.analysis.expected_pair import expected_effect
from metafreeze.analysis.mixed_fits import MixedRowsFit, fit_mixed
from metafreeze.analysis.mixed_rows import WITHIN
from metafreeze.analysis.pooling import (
    KELVIN_PER_UNIT,
    choose_pair,
    study_names,
    with_typical_vessels,
)
from metafreeze.errors import NotEstimableError
from metafreeze.models.mixed_result import MixedFit
from metafreeze.options import Endpoint
from metafreeze.results import RESULT, BoolArray, FloatArray, Result
from metafreeze.scrutiny.hidden import EValue, RobustnessValue, e_value, robustness_value
from metafreeze.scrutiny.ladder import Ladder, Rung, least_squares_rung, slope_through
from metafreeze.scrutiny.shuffle import ShuffleTest, shuffle_test, without_shuffle
from metafreeze.scrutiny.verdict import (
    DEFAULT_SMALLEST_EFFECT,
    Effect,
    Evidence,
    PhysicsVerdict,
    RawVerdict,
    judge_physics,
    judge_raw,
    wider,
)

NAN = float("nan")
# Design covariates that may differ between vessels cooled together; the others are the same
# for all rows of a batch and cannot change a comparison inside it.
WITHIN_BATCH_DESIGN = (
    "base_support",
    "frost_before_mm",
    "side_insulation",
    "lid",
    "vessel_material",
    "water_mass_start_g",
    "probe_height_frac",
    "insertion_order",
)
# A covariate that is missing for more rows than this would change the sample, not the answer.
MOST_MISSING = 0.2
ASSIGNED = ("randomised", "alternated")
NAIVE = "all points"
TOTAL = "times not seen exactly"


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdicts:
    """The two verdicts side by side.

    Parameters
    ----------
    raw : RawVerdict
        Does the hotter one finish first?
    physics : PhysicsVerdict
        Is there anything beyond ordinary physics?
    """

    raw: RawVerdict
    physics: PhysicsVerdict


@dataclass(**RESULT)
class Challenge(Result):
    """What remains of the apparent effect, and why.

    Parameters
    ----------
    endpoint : str
    hot_c, cold_c : float
        The pair, °C.
    ladder : Ladder
        From the graph of all points to like with like.
    excess : ExcessSlope
        Beyond ordinary physics.
    baseline : float
        What physics gives at the pair.
    shuffle_test : ShuffleTest
        "No effect in any study".
    robustness : RobustnessValue or None
        Strength a hidden cause would need; None where no slope within batches exists.
    hidden_ratio : EValue or None
        The same on the scale of ratios.
    each_without : DataFrame
        The total effect with each study left out.
    design : tuple of str
        Design covariates that were adjusted for.
    verdict : Verdicts
        The two verdicts.
    smallest_effect : float
        Smallest effect of interest, as a share.
    default_smallest_effect : bool
        Whether it is the default rather than the plan's.
    """

    endpoint: str
    hot_c: float
    cold_c: float
    ladder: Ladder
    excess: ExcessSlope
    baseline: float
    shuffle_test: ShuffleTest
    robustness: RobustnessValue | None
    hidden_ratio: EValue | None
    each_without: pd.DataFrame
    design: tuple[str, ...]
    verdict: Verdicts
    smallest_effect: float
    default_smallest_effect: bool

    def to_frame(self) -> pd.DataFrame:
        """Give the ladder, one row a rung."""
        return self.ladder.to_frame()

    def headline(self) -> str:
        """Say both verdicts in one line."""
        return f"{self.verdict.raw.headline()}; {self.verdict.physics.headline()}"

    def to_dict(self) -> dict[str, Any]:
        """Give everything the report and machines need as plain values."""
        raw, physics = self.verdict.raw, self.verdict.physics
        return {
            "endpoint": self.endpoint,
            "hot_c": self.hot_c,
            "cold_c": self.cold_c,
            "smallest_effect": self.smallest_effect,
            "default_smallest_effect": self.default_smallest_effect,
            "design": list(self.design),
            "verdict": {
                "raw": {n: getattr(raw, n) for n in raw.field_names()},
                "physics": {n: getattr(physics, n) for n in physics.field_names()},
            },
            "ladder": self.ladder.to_frame().to_dict(orient="records"),
            "ladder_found": self.ladder.found,
            "baseline": self.baseline,
            "excess": {
                "log_ratio": self.excess.excess_at_pair,
                "low": self.excess.excess_low,
                "high": self.excess.excess_high,
            },
            "shuffle_test": self.shuffle_test.to_frame().to_dict(orient="records")[0],
            "robustness": _plain(self.robustness),
            "hidden_ratio": _plain(self.hidden_ratio),
            "each_without": self.each_without.to_dict(orient="records"),
        }


def _plain(result: Result | None) -> dict[str, Any] | None:
    return None if result is None else {n: getattr(result, n) for n in result.field_names()}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Points:
    """Rows as points of a naive graph: start temperature, time, and what each row is."""

    x: FloatArray
    y: FloatArray
    primary: BoolArray
    exact: BoolArray
    study: np.ndarray[Any, Any]
    block: np.ndarray[Any, Any]
    assigned: BoolArray


def challenge_rows(
    rows: pd.DataFrame,
    *,
    endpoint: Endpoint,
    pair: Sequence[float] | None = None,
    plan: Mapping[str, Any] | None = None,
    draws: int = 50,
    seed: int = 1,
) -> Challenge:
    """Take the apparent effect apart, step by step, and judge what remains.

    Parameters
    ----------
    rows : DataFrame
        Rows of the register, all endpoints.
    endpoint : str
        The primary endpoint.
    pair : pair of float, optional
        Hot and cold start temperature, °C.
    plan : mapping, optional
        The register's plan: ``smallest_effect``, ``pair``.
    draws, seed : int
        Draws of uncertain physics, and the seed of all randomness.

    Returns
    -------
    Challenge

    Raises
    ------
    NotEstimableError
        The rows cannot answer; the message says what is missing.

    Source
    ------
    The rule: ``tests/calibration/causes.toml``. Parts: see `metafreeze.scrutiny`.
    """
    plan = plan or {}
    own = rows[rows["endpoint"].eq(endpoint).to_numpy(dtype=bool, na_value=False)]
    own = own.reset_index(drop=True)
    if own.empty:
        raise NotEstimableError(f"No row has the endpoint {endpoint}.")
    hot, cold, _ = choose_pair(own, pair if pair is not None else plan.get("pair"))
    units = (hot - cold) / KELVIN_PER_UNIT
    share = float(plan.get("smallest_effect", DEFAULT_SMALLEST_EFFECT))

    alike = with_typical_vessels(own)
    curve = np.asarray(expected_times(alike, endpoint=endpoint, draws=draws, seed=seed).ln_time)
    baseline = expected_effect(
        alike, hot_c=hot, cold_c=cold, endpoint=endpoint, draws=draws, seed=seed
    )
    at_pair = float(baseline.log_ratio[-1])
    if not np.isfinite(curve).any() or not np.isfinite(at_pair):
        curve, at_pair = np.zeros(len(own)), 0.0
    design = choose_design(own)
    question = _Question(
        rows=own, endpoint=endpoint, units=units, curve=curve, shift=at_pair, design=design
    )
    points = _points(rows, endpoint)
    ladder, total = _ladder(question, points)
    excess = excess_slope(
        own, endpoint=endpoint, pair=(cold, hot), design=design, draws=draws, seed=seed
    )
    without = _each_without(question)
    shuffled = _shuffle(points, np.random.default_rng([seed, 1]))
    effect = question.effect(total)
    evidence = Evidence(
        status=total.status,
        studies=total.studies,
        blocks=_blocks_of_two(points),
        naive=_of_rung(ladder.rungs[0]),
        total=effect,
        excess=Effect(
            estimate=excess.excess_at_pair, low=excess.excess_low, high=excess.excess_high
        ),
        baseline=at_pair,
        each_without=tuple(without["log_ratio"]),
        shuffle_p=shuffled.p,
        largest_step=_largest_step(ladder),
        smallest_effect=share,
    )
    verdict = Verdicts(
        raw=judge_raw(evidence),
        physics=judge_physics(evidence.excess, smallest_effect=share, status=excess.status),
    )
    return Challenge(
        endpoint=endpoint,
        hot_c=hot,
        cold_c=cold,
        ladder=ladder,
        excess=excess,
        baseline=at_pair,
        shuffle_test=shuffled,
        robustness=_robustness(points, units),
        hidden_ratio=_hidden_ratio(effect),
        each_without=without,
        design=design,
        verdict=verdict,
        smallest_effect=share,
        default_smallest_effect="smallest_effect" not in plan,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Question:
    """The total effect as a function of the rows and of what is adjusted for."""

    rows: pd.DataFrame
    endpoint: Endpoint
    units: float
    curve: FloatArray
    shift: float
    design: tuple[str, ...]

    def fit(
        self,
        *,
        design: Sequence[str] = (),
        keep: BoolArray | None = None,
        as_events: bool = False,
    ) -> MixedRowsFit:
        """Fit on some rows, with times not seen exactly modelled or taken at the look."""
        at = np.ones(len(self.rows), dtype=bool) if keep is None else keep
        rows = self.rows[at].reset_index(drop=True)
        curve = self.curve[at]
        if as_events:
            rows, seen = looks_as_events(rows)
            curve = curve[seen]
        return fit_mixed(
            rows,
            endpoint=self.endpoint,
            design=design,
            offset=curve,
            unseen="leave-out" if as_events else "model",
            second_engine=False,
        )

    def effect(self, fit: MixedRowsFit) -> Effect:
        """Move a fit's slope to the pair, with the wider of its intervals."""
        forms = [
            _limits(self.shift, self.units, fit.slope_per_10k, fit.slope_se, fit.slope_df),
            Effect(
                estimate=self.shift + self.units * fit.slope_per_10k,
                low=self.shift + self.units * fit.slope_low,
                high=self.shift + self.units * fit.slope_high,
                low90=NAN,
                high90=NAN,
            ),
        ]
        forms[1] = replace(forms[1], low90=forms[0].low90, high90=forms[0].high90)
        if isinstance(fit.model, MixedFit) and WITHIN in fit.model.robust.index:
            robust = fit.model.robust.loc[WITHIN].to_dict()
            forms.append(
                _limits(
                    self.shift,
                    self.units,
                    fit.slope_per_10k,
                    float(robust["se"]),
                    float(robust["df"]),
                )
            )
        return wider(forms)


def _limits(shift: float, units: float, slope: float, se: float, df: float) -> Effect:
    estimate = shift + units * slope
    half95, half90 = (float(stats.t.isf(tail, df)) * units * se for tail in (0.025, 0.05))
    return Effect(
        estimate=estimate,
        low=estimate - half95,
        high=estimate + half95,
        low90=estimate - half90,
        high90=estimate + half90,
    )


def _of_rung(rung: Rung) -> Effect:
    return Effect(estimate=rung.estimate, low=rung.low, high=rung.high)


def looks_as_events(rows: pd.DataFrame) -> tuple[pd.DataFrame, BoolArray]:
    """Take each look for the event, and drop what was never seen to end.

    Returns
    -------
    rows : DataFrame
        The rows left, with one exact time each.
    kept : bool array, shape (rows,)
        Which rows are left.
    """
    run = rows["record_level"].eq("run").to_numpy(dtype=bool, na_value=False)
    kept = ~run | rows["time_upper_s"].notna().to_numpy()
    seen = rows[kept].reset_index(drop=True)
    seen["time_lower_s"] = seen["time_upper_s"]
    return seen, kept


def choose_design(rows: pd.DataFrame) -> tuple[str, ...]:
    """Name the design covariates that vary within batches and are known for most rows.

    Parameters
    ----------
    rows : DataFrame
        Rows of one endpoint.

    Returns
    -------
    tuple of str
        In the fixed order of `WITHIN_BATCH_DESIGN`.
    """
    block = study_names(rows) + "\x1f" + rows["block_id"].fillna(rows["session_id"]).fillna("")
    chosen = []
    for name in WITHIN_BATCH_DESIGN:
        if float(rows[name].isna().mean()) > MOST_MISSING:
            continue
        if int((rows[name].groupby(block).nunique() > 1).sum()) > 0:
            chosen.append(name)
    return tuple(chosen)


def _points(rows: pd.DataFrame, endpoint: Endpoint) -> _Points:
    """Put runs and published means on one graph, as a newcomer would."""
    times = rows["time_upper_s"].astype(float)
    group = rows["record_level"].eq("arm_summary").to_numpy(dtype=bool, na_value=False)
    middle = rows["mean_s"].astype(float).fillna(rows["median_s"].astype(float))
    time = np.where(group, middle, times)
    usable = (
        rows["exclusion_reason"].isna().to_numpy()
        & rows["start_temp_c"].notna().to_numpy()
        & np.isfinite(time)
        & (time > 0)
        & rows["endpoint"].notna().to_numpy()
        & rows["endpoint"].ne("ice_at_time").to_numpy(dtype=bool, na_value=False)
    )
    kept = rows[usable]
    study = study_names(kept)
    block = study + "\x1f" + kept["block_id"].fillna(kept["session_id"]).fillna("").astype(str)
    lower = kept["time_lower_s"].astype(float).to_numpy()
    return _Points(
        x=(kept["start_temp_c"].to_numpy(dtype=np.float64) - 20.0) / KELVIN_PER_UNIT,
        y=np.log(time[usable]),
        primary=kept["endpoint"].eq(endpoint).to_numpy(dtype=bool, na_value=False),
        exact=(lower == kept["time_upper_s"].astype(float).to_numpy()) & ~group[usable],
        study=study.to_numpy(dtype=object),
        block=block.to_numpy(dtype=object),
        assigned=kept["assignment"].isin(ASSIGNED).to_numpy(dtype=bool),
    )


def _ladder(question: _Question, points: _Points) -> tuple[Ladder, MixedRowsFit]:
    everything = np.ones(points.x.size, dtype=bool)
    study = np.unique(points.study.astype(str), return_inverse=True)[1]
    naive = least_squares_rung(
        NAIVE,
        "every point on one graph: all labs, all endpoints, looks taken for events, unfinished "
        "runs dropped",
        points.x,
        points.y,
        units=question.units,
        keep=everything,
    )
    one = least_squares_rung(
        "one endpoint",
        "only the endpoint that was asked about",
        points.x,
        points.y,
        units=question.units,
        keep=points.primary,
        before_on_same_rows=question.units * slope_through(points.x, points.y)[0],
    )
    labs = least_squares_rung(
        "within labs",
        "each lab with itself, not with other labs",
        points.x,
        points.y,
        units=question.units,
        keep=points.primary,
        group=study,
        before_on_same_rows=one.estimate,
    )
    batch_fit = question.fit(as_events=True)
    batch = _fitted_rung(
        question,
        "within batches",
        "only vessels that cooled together",
        batch_fit,
        before=labs.estimate,
    )
    rungs = [naive, one, labs, batch]
    before = batch.estimate
    if question.design:
        known = question.rows[list(question.design)].notna().all(axis=1).to_numpy()
        same = question.fit(as_events=True, keep=known)
        adjusted = question.fit(as_events=True, keep=known, design=question.design)
        rungs.append(
            _fitted_rung(
                question,
                "same vessel and place",
                f"vessels alike in: {', '.join(_words(question.design))}",
                adjusted,
                before=question.effect(same).estimate,
            )
        )
        before = rungs[-1].estimate
    total = question.fit(design=question.design)
    rungs.append(
        _fitted_rung(
            question,
            TOTAL,
            "looks as the bounds they are, unfinished runs kept",
            total,
            before=before,
        )
    )
    return Ladder(rungs=tuple(rungs), asked=ASKED, found=_found(rungs)), total


ASKED = "What happens to the effect on the graph of all points as like is compared with like?"


def _words(fields: Sequence[str]) -> list[str]:
    from metafreeze.register.schema import FIELD

    return [FIELD[name].label for name in fields]


def _fitted_rung(
    question: _Question, name: str, asked: str, fit: MixedRowsFit, *, before: float
) -> Rung:
    effect = question.effect(fit)
    return Rung(
        name=name,
        question=asked,
        estimate=effect.estimate,
        low=effect.low,
        high=effect.high,
        rows=fit.rows_used,
        before_on_same_rows=before,
        status=fit.status,
        note=fit.note,
    )


def _found(rungs: Sequence[Rung]) -> str:
    first, last = rungs[0], rungs[-1]
    if not np.isfinite(first.estimate) or not np.isfinite(last.estimate):
        return "One end of the ladder could not be estimated."
    if first.high >= 0:
        return "The graph of all points shows no clear effect to begin with."
    step = max(rungs[1:], key=lambda r: r.change if np.isfinite(r.change) else -np.inf)
    if last.high < 0:
        return "An effect remains when like is compared with like."
    return (
        f"The apparent effect is gone when like is compared with like; most went at “{step.name}”."
    )


def _largest_step(ladder: Ladder) -> str:
    step = ladder.largest_step(upto=TOTAL)
    return "" if step is None else step.name


def _each_without(question: _Question) -> pd.DataFrame:
    """Fit the total effect with each study left out; nothing with one or two studies."""
    study = study_names(question.rows)
    names = sorted(set(study))
    records: list[tuple[str, float]] = []
    if len(names) > 2:
        for name in names:
            keep = study.ne(name).to_numpy()
            fit = question.fit(keep=keep, design=question.design)
            records.append((name, question.effect(fit).estimate))
    return pd.DataFrame(records, columns=["study", "log_ratio"])


def _shuffle(points: _Points, rng: np.random.Generator) -> ShuffleTest:
    if not points.assigned.any():
        return without_shuffle(
            "no row says that start temperatures were assigned at random or in turn"
        )
    keep = points.primary & points.exact & points.assigned
    return shuffle_test(points.x[keep], points.y[keep], points.block[keep].astype(str), rng=rng)


def _blocks_of_two(points: _Points) -> int:
    """Blocks of the primary endpoint with start temperatures at least half a degree apart."""
    frame = pd.DataFrame({"block": points.block, "x": points.x})[points.primary]
    span = frame.groupby("block")["x"].agg(lambda v: float(v.max() - v.min()))
    return int((span >= 0.05).sum())


def _robustness(points: _Points, units: float) -> RobustnessValue | None:
    keep = points.primary & points.exact
    label = np.unique(points.block[keep].astype(str), return_inverse=True)[1]
    slope, se, df = slope_through(points.x[keep], points.y[keep], (label,))
    if not np.isfinite(se) or not se > 0 or df <= 1:
        return None
    return robustness_value(units * slope, units * se, df)


def _hidden_ratio(effect: Effect) -> EValue | None:
    if not np.isfinite([effect.estimate, effect.low, effect.high]).all():
        return None
    ratio, low, high = np.exp([effect.estimate, effect.low, effect.high])
    return e_value(float(ratio), low=float(low), high=float(high))
