"""Does the apparent effect survive? Register rows in, the ladder and two verdicts out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from metafreeze.analysis.challenge_absent import slopes_without
from metafreeze.analysis.challenge_conditions import (
    counts_of,
    judge_conditions,
    left_out_counts,
    no_conditions,
)
from metafreeze.analysis.challenge_evaporation import through_evaporation
from metafreeze.analysis.challenge_parts import (
    BEFORE_ICE,
    CONSEQUENCES,
    MISSING_COLUMNS,
    all_choices,
    exact_runs,
    measured_causes,
    missing_fields,
    sham_pairs,
    shape_of_effect,
    start_error,
    through_consequences,
)
from metafreeze.analysis.challenge_points import (
    ASSIGNED,
    REFERENCE_C,
    Points,
    block_names,
    censor_provoked,
    points_of,
)
from metafreeze.analysis.challenge_question import (
    WITHIN_BATCH_DESIGN,
    Question,
    ask_physics,
    choose_design,
)
from metafreeze.analysis.challenge_result import Challenge, Verdicts
from metafreeze.analysis.excess import ExcessSlope
from metafreeze.analysis.imputation import (
    IMPUTATIONS,
    THOROUGH_IMPUTATIONS,
    MissingCovariates,
    missing_covariates,
)
from metafreeze.analysis.mixed_fits import MixedRowsFit
from metafreeze.analysis.pooling import (
    KELVIN_PER_UNIT,
    choose_endpoint,
    choose_pair,
    study_names,
)
from metafreeze.errors import InputError, NotEstimableError
from metafreeze.options import Depth, Endpoint, require_choice
from metafreeze.register.folder.sealing import (
    ROWS_AT_SEAL,
    SEAL,
    departures,
    exclude_planned,
    stop_kept,
)
from metafreeze.scrutiny.choices import MOST_ANALYSES, SHUFFLES, ManyAnalyses
from metafreeze.scrutiny.hidden import EValue, RobustnessValue, e_value, robustness_value
from metafreeze.scrutiny.ladder import Ladder, Rung, least_squares_rung, slope_through
from metafreeze.scrutiny.measured import MeasuredCauses
from metafreeze.scrutiny.mediation import Mediation
from metafreeze.scrutiny.needed import trials_needed
from metafreeze.scrutiny.roles import judge_covariates
from metafreeze.scrutiny.sham import ShamPairs
from metafreeze.scrutiny.shape import Shape
from metafreeze.scrutiny.shuffle import ASKED as ASKED_OF_ALL
from metafreeze.scrutiny.shuffle import (
    ASKED_OF_EXCESS,
    ShuffleTest,
    null_scores,
    shuffle_test,
    without_shuffle,
)
from metafreeze.scrutiny.start_error import StartError
from metafreeze.scrutiny.verdict import (
    DEFAULT_SMALLEST_EFFECT,
    FEW_STUDIES,
    FEWEST_BLOCKS,
    PHYSICS_TOLERANCE_DELTAS,
    Effect,
    Evidence,
    judge_physics,
    judge_raw,
)

if TYPE_CHECKING:
    from metafreeze.register.folder.store import Register

NAN = float("nan")
NAIVE = "all points"
TOTAL = "times not seen exactly"
THOROUGH_SHUFFLES = 500


def challenge(
    source: Register | pd.DataFrame,
    *,
    depth: Depth = "full",
    endpoint: str = "",
    pair: Sequence[float] | None = None,
    design: Sequence[str] | None = None,
    draws: int = 50,
    seed: int = 1,
    thorough: bool = False,
    workers: int | None = None,
) -> Challenge:
    """Take the apparent effect apart, step by step, and judge what remains.

    When to use it: before an effect is believed or denied. What it assumes: what a row does
    not say is unknown and not zero; see the parts.

    Parameters
    ----------
    source : Register or DataFrame
        A register, or rows of the schema; columns that are missing count as empty.
    depth : {"full", "verdict"}
        Everything, or only what the two verdicts read.
    endpoint : str
        The primary endpoint; the register's, or the only one there is, by default.
    pair : pair of float, optional
        Hot and cold start temperature, °C; the plan's, or the ends of what was tried.
    design : sequence of str, optional
        Covariates to adjust for; those that vary within batches and are known by default. A
        consequence of starting hot among them draws a warning; mass lost by the end of a run
        is refused.
    draws, seed : int
        Draws of uncertain physics, and the seed of all randomness.
    thorough : bool
        More deals of the start temperatures for the many analyses, more filled tables.
    workers : int, optional
        Processes for what is parallel; -1 for all cores. By default joblib's own configuration
        decides (``joblib.parallel_config``, also for a cluster), which is one process where
        nothing was configured. The answer does not depend on it.

    Returns
    -------
    Challenge
        With ``verdict.raw`` and ``verdict.physics``, each with ``label`` and ``because``.

    Raises
    ------
    InputError
        An unknown option, or an endpoint that must be named.
    NotEstimableError
        The rows cannot answer; the message says what is missing.

    Source
    ------
    The rule: ``tests/calibration/causes.toml``. Parts: see `metafreeze.scrutiny`.
    """
    register = None if isinstance(source, pd.DataFrame) else source
    plan: dict[str, Any] = {}
    looks = 0
    if isinstance(source, pd.DataFrame):
        rows = in_schema(source)
        chosen = choose_endpoint(rows, endpoint)
    else:
        rows, plan = source.rows(), dict(source.plan)
        chosen = choose_endpoint(rows, endpoint or source.primary_endpoint)
        looks = source.interim_looks(chosen)
    found = challenge_rows(
        rows,
        depth=depth,
        endpoint=chosen,
        pair=pair,
        design=design,
        plan=plan,
        looks=looks,
        draws=draws,
        seed=seed,
        thorough=thorough,
        workers=workers,
    )
    if register is not None:
        register.note_look(chosen)
    return found


def in_schema(rows: pd.DataFrame) -> pd.DataFrame:
    """Fill a frame up to the whole schema, with its types; what is missing is empty.

    Parameters
    ----------
    rows : DataFrame
        Rows with columns of the schema; runs where `record_level` is missing.

    Returns
    -------
    DataFrame

    Raises
    ------
    InputError
        A column's values are of the wrong kind.
    """
    import pyarrow as pa

    from metafreeze.register.folder.parts import to_pandas
    from metafreeze.register.schema import arrow_schema

    frame = rows.reset_index(drop=True)
    if "record_level" not in frame.columns:
        frame = frame.assign(record_level="run")
    schema = arrow_schema()
    columns = []
    for column in schema:
        if column.name not in frame.columns:
            columns.append(pa.nulls(len(frame), column.type))
            continue
        values = frame[column.name].astype(object).where(frame[column.name].notna(), None)
        try:
            columns.append(pa.array(values.tolist(), type=column.type))
        except (pa.ArrowInvalid, pa.ArrowTypeError) as wrong:
            raise InputError(
                f"Column {column.name} does not hold what the schema says ({wrong}). "
                f"It takes {column.type}."
            ) from wrong
    return to_pandas(pa.table(columns, schema=schema))


def challenge_rows(
    rows: pd.DataFrame,
    *,
    depth: Depth = "full",
    endpoint: Endpoint,
    pair: Sequence[float] | None = None,
    design: Sequence[str] | None = None,
    plan: Mapping[str, Any] | None = None,
    looks: int = 0,
    draws: int = 50,
    seed: int = 1,
    thorough: bool = False,
    workers: int | None = None,
) -> Challenge:
    """Take the apparent effect apart, step by step, and judge what remains.

    Parameters
    ----------
    rows : DataFrame
        Rows of the register, all endpoints, all columns of the schema.
    depth, endpoint, pair, design, draws, seed, thorough, workers
        As in `challenge`.
    plan : mapping, optional
        The register's plan: ``smallest_effect``, ``pair``; where it is sealed also
        ``covariates``, ``exclusions`` and ``conditions``, and what was done otherwise is listed.
    looks : int
        Times when the answer was seen before the last run.

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
    from metafreeze.register.schema import FIELDS

    require_choice(depth, Depth, name="depth")
    plan = plan or {}
    rows = exclude_planned(rows, plan)
    own = rows[rows["endpoint"].eq(endpoint).to_numpy(dtype=bool, na_value=False)]
    own = own.reset_index(drop=True)
    if own.empty:
        raise NotEstimableError(f"No row has the endpoint {endpoint}.")
    hot, cold, _ = choose_pair(own, pair if pair is not None else plan.get("pair"))
    share = float(plan.get("smallest_effect", DEFAULT_SMALLEST_EFFECT))
    if design is None:
        # A sealed plan decides what is adjusted for, so far as the rows say it.
        design = plan["covariates"] if SEAL in plan else choose_design(own)
    roles = judge_covariates(
        design,
        roles={f.name: f.role for f in FIELDS},
        labels={f.name: f.label for f in FIELDS},
    )

    def ask(part: pd.DataFrame) -> Question:
        bounded = censor_provoked(part)
        physics = ask_physics(
            bounded, endpoint=endpoint, hot_c=hot, cold_c=cold, draws=draws, seed=seed
        )
        return Question(
            rows=part,
            bounded=bounded,
            endpoint=endpoint,
            hot_c=hot,
            cold_c=cold,
            physics=physics,
            design=roles.fields,
        )

    question = ask(own)
    points = points_of(rows, endpoint)
    ladder, total = _ladder(question, points)
    excess, beyond = question.excess()
    without = _each_without(question, total)
    shuffled = _shuffle(question, np.random.default_rng([seed, 1]))
    effect = question.effect(total)
    counts = counts_of(own, block_names(own), study_names(own))
    conditions, condition_table = (
        judge_conditions(plan["conditions"], own, ask, delta=float(np.log1p(share)))
        if SEAL in plan and plan.get("conditions")
        else ((), no_conditions())
    )
    evidence = Evidence(
        status=total.status,
        studies=total.studies,
        blocks=_blocks_of_two(points),
        naive=_of_rung(ladder.rungs[0]),
        total=effect,
        excess=beyond,
        baseline=question.physics.at_pair,
        each_without=tuple(without["log_ratio"]),
        shuffle_p=shuffled.p,
        largest_step=_largest_step(ladder),
        smallest_effect=share,
        unsealed_looks=0 if stop_kept(plan, counts) else looks,
        conditions=conditions,
    )
    verdict = Verdicts(
        raw=judge_raw(evidence),
        physics=judge_physics(beyond, smallest_effect=share, status=excess.status),
    )
    full = depth == "full"
    parts = NO_PARTS
    if full:
        parts = _parts(question, total, draws, seed, thorough=thorough, workers=workers)
        ladder = _with_consequences(ladder, question, total)
    return Challenge(
        endpoint=endpoint,
        hot_c=hot,
        cold_c=cold,
        ladder=ladder,
        excess=excess,
        excess_low=beyond.low,
        excess_high=beyond.high,
        excess_low90=beyond.low90,
        excess_high90=beyond.high90,
        baseline=question.physics.at_pair,
        shuffle_test=shuffled,
        shuffle_excess=parts.shuffle_excess,
        robustness=_robustness(points, question.units) if full else None,
        measured=parts.measured,
        hidden_ratio=_hidden_ratio(effect) if full else None,
        each_without=without,
        design=question.design,
        warnings=tuple(w for w in roles.warnings if w),
        departures=departures(
            plan,
            endpoint=endpoint,
            pair=(hot, cold),
            smallest_effect=share,
            covariates=roles.fields,
            left_out=left_out_counts(own),
            counts=counts,
        ),
        looks=looks,
        conditions=condition_table,
        planned=_planned(plan, own),
        needed=_needed(evidence, verdict, total, excess, question.units, counts),
        mediation=parts.mediation,
        many_analyses=parts.many_analyses,
        shape=parts.shape,
        sham=parts.sham,
        start_error=parts.start_error,
        missing=parts.missing,
        missing_covariates=parts.missing_covariates,
        verdict=verdict,
        smallest_effect=share,
        default_smallest_effect="smallest_effect" not in plan,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Parts:
    """What is asked beside the verdicts; nothing where only the verdicts are wanted."""

    mediation: tuple[Mediation, ...] = ()
    many_analyses: ManyAnalyses | None = None
    shuffle_excess: ShuffleTest | None = None
    shape: Shape | None = None
    sham: ShamPairs | None = None
    start_error: StartError | None = None
    measured: MeasuredCauses | None = None
    missing_covariates: MissingCovariates | None = None
    missing: pd.DataFrame = field(
        default_factory=lambda: pd.DataFrame(columns=list(MISSING_COLUMNS))
    )


NO_PARTS = _Parts()


def _parts(
    question: Question,
    total: MixedRowsFit,
    draws: int,
    seed: int,
    *,
    thorough: bool,
    workers: int | None,
) -> _Parts:
    runs = exact_runs(question)
    streams = [np.random.default_rng([seed, k]) for k in range(2, 8)]
    evaporation = (
        (through_evaporation(question, total, draws=draws, seed=seed),)
        if total.status in ("ok", "boundary")
        else ()
    )
    return _Parts(
        mediation=(*evaporation, *through_consequences(question, runs, streams[0])),
        many_analyses=all_choices(
            question,
            runs,
            streams[1],
            shuffles=THOROUGH_SHUFFLES if thorough else SHUFFLES,
            most=MOST_ANALYSES,
            workers=workers,
        ),
        shuffle_excess=_shuffle(question, streams[3], of_excess=True),
        shape=shape_of_effect(runs, streams[2]),
        sham=sham_pairs(question, runs),
        start_error=start_error(question, runs, streams[4]),
        measured=measured_causes(question, runs),
        missing_covariates=missing_covariates(
            question,
            rng=streams[5],
            imputations=THOROUGH_IMPUTATIONS if thorough else IMPUTATIONS,
            workers=workers,
        ),
        missing=missing_fields(question, WITHIN_BATCH_DESIGN),
    )


def _planned(plan: Mapping[str, Any], own: pd.DataFrame) -> dict[str, Any]:
    """Give the sealed plan's own words, and how many runs each of its exclusions took."""
    if SEAL not in plan:
        return {}
    taken = left_out_counts(own)
    return {
        "stopping_rule": plan.get("stopping_rule", ""),
        "exclusions": {text: taken.get(text, 0) for text in plan.get("exclusions", ())},
        "rows_when_sealed": int(plan.get(ROWS_AT_SEAL, 0)),
        "seal": plan[SEAL],
    }


def _needed(
    evidence: Evidence,
    verdict: Verdicts,
    total: MixedRowsFit,
    excess: ExcessSlope,
    units: float,
    counts: Mapping[str, int],
) -> dict[str, str]:
    """Say what would settle a verdict that these rows cannot tell; empty where they can."""
    sentences = {"raw": "", "physics": ""}
    base = {"studies": evidence.studies, "blocks": evidence.blocks, "runs": counts["runs"]}
    delta, percent = evidence.delta, 100 * evidence.smallest_effect
    if verdict.raw.label == "cannot tell":
        if evidence.blocks < FEWEST_BLOCKS:
            sentences["raw"] = (
                f"At least {FEWEST_BLOCKS - evidence.blocks} more batches are needed in which "
                "vessels of different start temperatures cool together."
            )
        elif evidence.unsealed_looks:
            sentences["raw"] = (
                "What was seen cannot be unseen: trials under a sealed plan that says when they "
                "end would settle it."
            )
        else:
            sentences["raw"] = trials_needed(
                units * total.slope_se, margin=delta, margin_words=f"{percent:g} %", **base
            ).sentence
    if verdict.physics.label == "cannot tell":
        shared = units * excess.se_shared
        own = units**2 * (excess.se_within**2 + excess.se_baseline**2) - shared**2
        sentences["physics"] = trials_needed(
            float(np.sqrt(own)) if own > 0 else NAN,
            margin=PHYSICS_TOLERANCE_DELTAS * delta,
            margin_words=f"{100 * np.expm1(PHYSICS_TOLERANCE_DELTAS * delta):.0f} % beyond physics",
            shared_se=shared,
            **base,
        ).sentence
    return sentences


def _with_consequences(ladder: Ladder, question: Question, total: MixedRowsFit) -> Ladder:
    """Hold each recorded consequence fixed, below the total effect; another question each time."""
    if total.status not in ("ok", "boundary"):
        return ladder
    rungs = list(ladder.rungs)
    for name in CONSEQUENCES:
        if name in question.design or (
            name == "supercooling_k" and question.endpoint in BEFORE_ICE
        ):
            continue
        known = question.rows[name].notna().to_numpy()
        block = block_names(question.rows)
        varies = question.rows[name][known].groupby(block[known]).nunique() > 1
        if int(varies.sum()) < FEWEST_BLOCKS:
            continue
        # What these rows have in common tells none of them apart.
        design = [f for f in question.design if question.rows[f][known].nunique() > 1]
        same = question.fit(design=design, keep=known)
        held = question.fit(design=(*design, name), keep=known)
        rungs.append(
            _fitted_rung(
                question,
                f"{_words([name])[0]} held fixed",
                f"another question: what is left were {_words([name])[0]} the same",
                held,
                before=question.effect(same).estimate,
            )
        )
    return replace(ladder, rungs=tuple(rungs))


def _of_rung(rung: Rung) -> Effect:
    return Effect(estimate=rung.estimate, low=rung.low, high=rung.high)


def _ladder(question: Question, points: Points) -> tuple[Ladder, MixedRowsFit]:
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
    question: Question, name: str, asked: str, fit: MixedRowsFit, *, before: float
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


def _each_without(question: Question, total: MixedRowsFit) -> pd.DataFrame:
    """Give the total effect with each study left out; nothing with one or two studies."""
    records: list[tuple[str, float]] = []
    if total.studies > FEW_STUDIES:
        shift, units = question.physics.at_pair, question.units
        found = slopes_without(total.arrays, total.model)
        records = [(name, shift + units * slope) for name, slope in found.items()]
    return pd.DataFrame(records, columns=["study", "log_ratio"])


def _shuffle(
    question: Question, rng: np.random.Generator, *, of_excess: bool = False
) -> ShuffleTest:
    rows = question.bounded
    dealt = rows["assignment"].isin(ASSIGNED).to_numpy(dtype=bool)
    if not dealt.any():
        return without_shuffle(
            "no row says that start temperatures were assigned at random or in turn"
        )
    if of_excess and not question.physics.known:
        return without_shuffle("physics expects nothing of these rows")
    lower = rows["time_lower_s"].to_numpy(dtype=float, na_value=0.0)
    upper = rows["time_upper_s"].to_numpy(dtype=float, na_value=np.inf)
    start = rows["start_temp_c"].to_numpy(dtype=float, na_value=NAN)
    expected = question.physics.own if of_excess else np.zeros(len(rows))
    keep = (
        dealt
        & rows["record_level"].eq("run").to_numpy(dtype=bool, na_value=False)
        & rows["exclusion_reason"].isna().to_numpy()
        & np.isfinite(start)
        & np.isfinite(expected)
        & ((lower > 0) | np.isfinite(upper))
        & (upper > 0)
    )
    if not keep.any():
        return without_shuffle("no run with a time was assigned at random or in turn")
    block = block_names(rows[keep]).to_numpy(dtype=object).astype(str)
    with np.errstate(divide="ignore"):
        scores = null_scores(
            np.log(lower[keep]) - expected[keep], np.log(upper[keep]) - expected[keep], block
        )
    # Runs of which nobody wrote down the batch cannot be told to have been a batch of their own.
    told = rows["block_id"].notna() | rows["session_id"].notna()
    lab = np.where(
        told[keep].to_numpy(dtype=bool),
        study_names(rows[keep]).to_numpy(dtype=object).astype(str),
        block,
    )
    return shuffle_test(
        (start[keep] - REFERENCE_C) / KELVIN_PER_UNIT,
        scores,
        block,
        lab=lab,
        rng=rng,
        asked=ASKED_OF_EXCESS if of_excess else ASKED_OF_ALL,
    )


def _blocks_of_two(points: Points) -> int:
    """Blocks of the primary endpoint with start temperatures at least half a degree apart."""
    frame = pd.DataFrame({"block": points.block, "x": points.x})[points.primary]
    span = frame.groupby("block")["x"].agg(lambda v: float(v.max() - v.min()))
    return int((span >= 0.05).sum())


def _robustness(points: Points, units: float) -> RobustnessValue | None:
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
