"""Covariates with gaps: complete rows alone, or the gaps filled many times over."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from joblib import Parallel, delayed

from metafreeze.analysis.challenge_points import block_names, codes
from metafreeze.analysis.challenge_question import WITHIN_BATCH_DESIGN, Question
from metafreeze.analysis.pooling import KELVIN_PER_UNIT, study_names
from metafreeze.results import RESULT, BoolArray, FloatArray, IntArray, Result, round_for_people
from metafreeze.scrutiny.imputation import FEWEST_KNOWN, choose_donors, pool_imputations
from metafreeze.scrutiny.shuffle import null_scores
from metafreeze.scrutiny.verdict import FITTED, Effect

NAN = float("nan")
COLUMNS = (
    "way",
    "estimate",
    "low",
    "high",
    "before_on_same_rows",
    "df",
    "rows",
    "studies",
    "lost_information",
)
IMPUTATIONS, THOROUGH_IMPUTATIONS = 20, 50
# Where fewer rows than this say it, the gaps would be filled from next to nothing.
LEAST_KNOWN = 0.25
# A covariate must tell vessels of this many batches apart to matter within batches.
FEWEST_VARYING = 2


@dataclass(**RESULT)
class MissingCovariates(Result):
    """The effect with covariates that some rows lack, under two ways of dealing with the gaps.

    Parameters
    ----------
    fields : tuple of str
        Covariates with gaps that were adjusted for here, beside the design.
    ways : DataFrame
        Complete rows, and filled: effect at the pair with its interval, the effect of the same
        rows without these covariates, degrees of freedom, rows, studies, and the share of
        information that the gaps took.
    imputations : int
        Filled tables behind the second way.
    asked, found : str
        One sentence each.
    status, note : str
    """

    fields: tuple[str, ...]
    ways: pd.DataFrame
    imputations: int
    asked: str
    found: str
    status: str = "ok"
    note: str = ""

    def to_frame(self) -> pd.DataFrame:
        """Give one row a way."""
        return self.ways.copy()

    def headline(self) -> str:
        """Say both answers in one line."""
        if self.status != "ok":
            return f"missing covariates: {self.note}"
        complete, filled = self.ways["estimate"]
        return (
            f"complete rows {round_for_people(float(complete))}, filled "
            f"{round_for_people(float(filled))}, adjusted for {', '.join(self.fields)}"
        )


ASKED = (
    "Does the effect depend on whether rows that lack a covariate are left out, or the covariate "
    "is filled in?"
)


def missing_covariates(
    question: Question,
    *,
    rng: np.random.Generator,
    imputations: int = IMPUTATIONS,
    workers: int | None = None,
) -> MissingCovariates:
    """Adjust for covariates that some rows lack, by complete rows and by filling the gaps.

    The filled answer never enters a verdict. What it assumes: that whether a value is missing
    depends on what was written down alone.

    Parameters
    ----------
    question : Question
    rng : Generator
        Source of the fillings; each has its own stream.
    imputations : int
        Filled tables.
    workers : int, optional
        Processes; what joblib's own configuration says by default.

    Returns
    -------
    MissingCovariates

    Source
    ------
    As `choose_donors` and `pool_imputations`.
    """
    gappy = fields_with_gaps(question)
    if not gappy:
        return _does_not_apply("no covariate that tells vessels of a batch apart has gaps")
    design = tuple(f for f in WITHIN_BATCH_DESIGN if f in {*question.design, *gappy})
    design += tuple(f for f in question.design if f not in design)
    complete = question.rows[list(design)].notna().all(axis=1).to_numpy(dtype=bool)
    by_rows = question.fit(design=design, keep=complete)
    others = tuple(f for f in design if f not in gappy)
    whole = complete | (
        _answering(question.rows)
        & question.rows[list(others)].notna().all(axis=1).to_numpy(dtype=bool)
    )
    before = [
        question.effect(question.fit(design=others, keep=keep)).estimate
        for keep in (complete, whole)
    ]
    tables = Parallel(n_jobs=workers)(
        delayed(_filled_slope)(replace(question, _seen={}), design, stream)
        for stream in rng.spawn(imputations)
    )
    fine = [t for t in tables if t is not None]
    if len(fine) < 2 or by_rows.status not in FITTED:
        return _does_not_apply("the model could not be fitted with these covariates")
    slope, variance, df, rows, studies = (np.array(v) for v in zip(*fine, strict=True))
    pooled = pool_imputations(slope, variance, complete_df=float(np.median(df)))
    shift, units = question.physics.at_pair, question.units
    effect = question.effect(by_rows)
    filled = Effect(
        estimate=shift + units * pooled.estimate,
        low=shift + units * pooled.low,
        high=shift + units * pooled.high,
    )
    records = [
        (
            "complete rows",
            effect.estimate,
            effect.low,
            effect.high,
            before[0],
            by_rows.slope_df,
            by_rows.rows_used,
            by_rows.studies,
            0.0,
        ),
        (
            "gaps filled",
            filled.estimate,
            filled.low,
            filled.high,
            before[1],
            pooled.df,
            int(rows[0]),
            int(studies[0]),
            pooled.lost_information,
        ),
    ]
    return MissingCovariates(
        fields=gappy,
        ways=pd.DataFrame(records, columns=list(COLUMNS)),
        imputations=len(fine),
        asked=ASKED,
        found=_found(effect, filled, before),
    )


def _found(complete: Effect, filled: Effect, before: Sequence[float]) -> str:
    if (complete.low > 0, complete.high < 0) == (filled.low > 0, filled.high < 0):
        return "Both ways say the same."
    by_sample = abs(before[1] - before[0])
    by_filling = abs((filled.estimate - before[1]) - (complete.estimate - before[0]))
    if by_sample >= by_filling:
        return (
            "The two ways differ in what they say, most of it because other rows come in, not "
            "because of what they are adjusted for."
        )
    return "The two ways differ in what they say, so what was not written down matters."


def fields_with_gaps(question: Question) -> tuple[str, ...]:
    """Name the covariates that some rows lack and that tell vessels of a batch apart.

    Parameters
    ----------
    question : Question

    Returns
    -------
    tuple of str
    """
    rows = question.rows
    answering = _answering(rows)
    block = block_names(rows)
    found = []
    for name in WITHIN_BATCH_DESIGN:
        there = rows[name].notna().to_numpy(dtype=bool) & answering
        if not answering.any() or there[answering].all():
            continue
        varying = int((rows[name][there].groupby(block[there]).nunique() > 1).sum())
        enough = int(there.sum()) >= max(FEWEST_KNOWN, LEAST_KNOWN * int(answering.sum()))
        if enough and varying >= FEWEST_VARYING:
            found.append(name)
    return tuple(found)


def _answering(rows: pd.DataFrame) -> BoolArray:
    """Single runs with a start temperature and some bound on their time."""
    lower = rows["time_lower_s"].to_numpy(dtype=float, na_value=0.0)
    upper = rows["time_upper_s"].to_numpy(dtype=float, na_value=np.inf)
    return np.asarray(
        rows["record_level"].eq("run").to_numpy(dtype=bool, na_value=False)
        & rows["exclusion_reason"].isna().to_numpy()
        & rows["start_temp_c"].notna().to_numpy()
        & (upper > 0)
        & ((lower > 0) | np.isfinite(upper))
    )


Table = tuple[float, float, float, int, int]


def _filled_slope(
    question: Question, design: Sequence[str], rng: np.random.Generator
) -> Table | None:
    """Fill once and fit: slope, variance, degrees of freedom, rows, studies."""
    at = np.flatnonzero(_answering(question.rows))
    rows = question.rows.iloc[at]
    study = codes(study_names(rows))
    columns = [_columns(rows[name]) for name in design]
    known = [rows[name].notna().to_numpy(dtype=bool) for name in design]
    donors = choose_donors(columns, known, _always(question, at), study, rng)
    filled_rows, filled_bounded = question.rows.copy(), question.bounded.copy()
    for name, place in zip(design, donors, strict=True):
        values = rows[name].iloc[place].astype(object).to_numpy()
        whole = question.rows[name].astype(object).to_numpy(copy=True)
        whole[at] = values
        column = pd.Series(whole, index=question.rows.index).astype(question.rows[name].dtype)
        filled_rows[name] = column
        filled_bounded[name] = column
    filled = replace(question, rows=filled_rows, bounded=filled_bounded, _seen={})
    fit = filled.fit(design=design)
    if fit.status not in FITTED or not np.isfinite(fit.slope_se):
        return None
    return fit.slope_per_10k, fit.slope_se**2, fit.slope_df, fit.rows_used, fit.studies


def _always(question: Question, at: IntArray) -> FloatArray:
    """Start temperature and time of every row, within its batch and of its batch."""
    rows = question.bounded.iloc[at]
    lower = rows["time_lower_s"].to_numpy(dtype=float, na_value=0.0)
    upper = rows["time_upper_s"].to_numpy(dtype=float, na_value=np.inf)
    block = codes(block_names(rows))
    with np.errstate(divide="ignore"):
        y = null_scores(np.log(lower), np.log(upper), block)
    x = rows["start_temp_c"].to_numpy(dtype=float, na_value=NAN) / KELVIN_PER_UNIT
    count = np.bincount(block)
    mean_x, mean_y = ((np.bincount(block, v) / count)[block] for v in (x, y))
    return np.column_stack([x - mean_x, y - mean_y, mean_x, mean_y])


def _columns(values: pd.Series) -> FloatArray:
    """Write a covariate as numbers, or its words as indicators; NaN where it is unknown."""
    if pd.api.types.is_numeric_dtype(values.dtype):
        return np.asarray(values.to_numpy(dtype=float, na_value=NAN))[:, None]
    levels = sorted(values.dropna().unique())
    there = values.notna().to_numpy()
    marks = np.column_stack([values.eq(v).to_numpy(dtype=float, na_value=NAN) for v in levels])
    return np.where(there[:, None], marks, NAN)


def _does_not_apply(why: str) -> MissingCovariates:
    return MissingCovariates(
        fields=(),
        ways=pd.DataFrame(columns=list(COLUMNS)),
        imputations=0,
        asked=ASKED,
        found=f"It does not apply: {why}.",
        status="unidentifiable",
        note=why,
    )
