"""The effect under each condition that the sealed plan named before the data."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from scipy import stats

from metafreeze.analysis.challenge_absent import slopes_without
from metafreeze.analysis.challenge_question import Question
from metafreeze.analysis.mixed_fits import MixedRowsFit
from metafreeze.errors import NotEstimableError
from metafreeze.register.folder.clauses import read_condition
from metafreeze.scrutiny.verdict import FITTED, SHUFFLE_P, Condition, Effect, condition_holds

NAN = float("nan")
LEVEL = 0.95
COLUMNS = (
    "condition",
    "studies",
    "estimate",
    "low",
    "high",
    "level",
    "excess_low",
    "excess_high",
    "interaction_p",
    "holds",
    "note",
)
Ask = Callable[[pd.DataFrame], Question]


def judge_conditions(
    texts: Sequence[str], own: pd.DataFrame, ask: Ask, *, delta: float
) -> tuple[tuple[Condition, ...], pd.DataFrame]:
    """Ask for the effect under each condition by itself, and whether it differs elsewhere.

    Intervals are at Holm's levels: the clearest condition at 1 - 5 %/m, the next at
    1 - 5 %/(m - 1), and from the first that fails on all at the failed one's level.

    Parameters
    ----------
    texts : sequence of str
        Conditions of the sealed plan.
    own : DataFrame
        Rows of the endpoint.
    ask : callable
        Makes a question of some rows.
    delta : float
        Smallest effect of interest, as a log ratio.

    Returns
    -------
    conditions : tuple of Condition
        Those that could be estimated.
    table : DataFrame
        All of them, each with what was found or why nothing was.

    Source
    ------
    Holm (1979), Scand. J. Stat. 6:65-70; degrees of freedom of a difference: Welch (1947),
    Biometrika 34:28-35.
    """
    found: dict[str, tuple[Condition, float]] = {}
    notes: dict[str, str] = {}
    for text in texts:
        clause = read_condition(text)
        if clause is None:
            notes[text] = "it is in words, which the program cannot look up in the rows"
            continue
        holds = clause.holds(own)
        try:
            found[text] = _under(text, ask, own[holds], own[~holds])
        except NotEstimableError as impossible:
            notes[text] = str(impossible)
    levels = _holm_levels({text: _p(c.effect, df) for text, (c, df) in found.items()})
    conditions = {
        text: replace(condition, effect=_at_level(condition.effect, df, levels[text]))
        for text, (condition, df) in found.items()
    }
    records = []
    for text in texts:
        if text not in conditions:
            records.append((text, 0, *(NAN,) * 7, False, notes[text]))
            continue
        c = conditions[text]
        records.append(
            (
                text,
                c.studies,
                c.effect.estimate,
                c.effect.low,
                c.effect.high,
                levels[text],
                c.excess.low,
                c.excess.high,
                c.interaction_p,
                condition_holds(c, delta),
                "",
            )
        )
    return tuple(conditions.values()), pd.DataFrame(records, columns=list(COLUMNS))


def _under(text: str, ask: Ask, there: pd.DataFrame, rest: pd.DataFrame) -> tuple[Condition, float]:
    question, total = _asked(ask, there)
    effect = question.effect(total)
    _, excess = question.excess()
    elsewhere, elsewhere_df = Effect(estimate=NAN, low=NAN, high=NAN), NAN
    if len(rest):
        try:
            other, fit = _asked(ask, rest)
            elsewhere, elsewhere_df = other.effect(fit), fit.slope_df
        except NotEstimableError:
            # Nothing to compare with: the interaction stays unknown, and so the condition
            # cannot pass, which the table shows as an empty p.
            elsewhere_df = NAN
    without = slopes_without(total.arrays, total.model)
    shift, units = question.physics.at_pair, question.units
    condition = Condition(
        name=text,
        studies=total.studies,
        effect=effect,
        each_without=tuple(shift + units * slope for slope in without.values()),
        excess=excess,
        interaction_p=_difference_p(effect, total.slope_df, elsewhere, elsewhere_df),
    )
    return condition, total.slope_df


def _asked(ask: Ask, rows: pd.DataFrame) -> tuple[Question, MixedRowsFit]:
    if rows.empty:
        raise NotEstimableError("no row is known to meet it")
    question = ask(rows.reset_index(drop=True))
    total = question.total()
    if total.status not in FITTED:
        raise NotEstimableError(f"the model could not be fitted: {total.note}")
    return question, total


def _se(effect: Effect, df: float) -> float:
    return (effect.high - effect.low) / 2 / float(stats.t.isf((1 - LEVEL) / 2, df))


def _p(effect: Effect, df: float) -> float:
    return float(2 * stats.t.sf(abs(effect.estimate) / _se(effect, df), df))


def _difference_p(one: Effect, one_df: float, other: Effect, other_df: float) -> float:
    variances = [_se(one, one_df) ** 2, _se(other, other_df) ** 2]
    total = sum(variances)
    if not (math.isfinite(total) and total > 0):
        return NAN
    df = total**2 / sum(v**2 / d for v, d in zip(variances, (one_df, other_df), strict=True))
    gap = abs(one.estimate - other.estimate)
    return float(2 * stats.t.sf(gap / math.sqrt(total), df))


def _holm_levels(p: dict[str, float]) -> dict[str, float]:
    levels, left, failed = {}, len(p), 0
    for text in sorted(p, key=lambda t: p[t]):
        share = SHUFFLE_P / (failed or left)
        if not failed and not p[text] <= share:
            failed = left
        levels[text] = 1.0 - share
        left -= 1
    return levels


def _at_level(effect: Effect, df: float, level: float) -> Effect:
    """Widen a 95 % interval to another level; its own shape is kept."""
    by = float(stats.t.isf((1 - level) / 2, df) / stats.t.isf((1 - LEVEL) / 2, df))
    middle = effect.estimate
    return Effect(
        estimate=middle,
        low=middle + by * (effect.low - middle),
        high=middle + by * (effect.high - middle),
        low90=effect.low90,
        high90=effect.high90,
    )


def no_conditions() -> pd.DataFrame:
    """Give the empty table."""
    return pd.DataFrame(columns=list(COLUMNS))


def left_out_counts(own: pd.DataFrame) -> dict[str, int]:
    """Count runs left out by their reason.

    Parameters
    ----------
    own : DataFrame
        Rows of the endpoint.

    Returns
    -------
    dict of str to int
    """
    reasons = own["exclusion_reason"].dropna().astype(str)
    return {str(k): int(v) for k, v in reasons.value_counts().sort_index().items()}


def counts_of(own: pd.DataFrame, block: pd.Series, study: pd.Series) -> dict[str, int]:
    """Count batches, runs and labs that answer.

    Parameters
    ----------
    own : DataFrame
        Rows of the endpoint.
    block, study : Series
        Batch and study of each row.

    Returns
    -------
    dict of str to int
    """
    used = (
        own["exclusion_reason"].isna()
        & own["record_level"].eq("run").fillna(False)
        & own["start_temp_c"].notna()
    ).to_numpy(dtype=bool)
    return {
        "batches": int(block[used].nunique()),
        "runs": int(np.count_nonzero(used)),
        "labs": int(study[used].nunique()),
    }
