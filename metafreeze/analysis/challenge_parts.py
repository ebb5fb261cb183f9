"""What is asked beside the verdicts: consequences, many analyses, shape, sham pairs, gaps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from metafreeze.analysis.challenge_points import ASSIGNED, REFERENCE_C, block_names, codes
from metafreeze.analysis.challenge_question import Question
from metafreeze.analysis.pooling import KELVIN_PER_UNIT, study_names
from metafreeze.results import BoolArray, FloatArray, IntArray
from metafreeze.scrutiny.choices import ManyAnalyses, Material, many_analyses
from metafreeze.scrutiny.measured import MeasuredCauses, measure_causes
from metafreeze.scrutiny.mediation import Mediation, mediate
from metafreeze.scrutiny.sham import ShamPairs, compare_sham
from metafreeze.scrutiny.shape import Shape, fit_shape
from metafreeze.scrutiny.start_error import StartError, correct_for_start_error

NAN = float("nan")
# Consequences of starting hot that act on the time, and their levels where they are words.
CONSEQUENCES = ("supercooling_k", "sink_temp_rise_k", "frost_melted")
MELTED = {"no": 0.0, "partial": 0.5, "yes": 1.0}
# Ice forms after the water has reached 0 °C, so its depth cannot act on what came before.
BEFORE_ICE = ("t_threshold", "t_zero")
MISSING_COLUMNS = ("field", "label", "rows_without", "studies_without")
# Levels of a design covariate beyond which its columns would use up the rows.
MOST_LEVELS = 6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ExactRuns:
    """Single runs seen exactly, as arrays.

    Parameters
    ----------
    at : array of int, shape (n,)
        Place in the question's rows.
    start_c, y : array, shape (n,)
        Start temperature, and ln time.
    block, study : array of int, shape (n,)
    """

    at: IntArray
    start_c: FloatArray
    y: FloatArray
    block: IntArray
    study: IntArray

    @property
    def x(self) -> FloatArray:
        """Start temperature per 10 K above the reference."""
        return (self.start_c - REFERENCE_C) / KELVIN_PER_UNIT


def exact_runs(question: Question) -> ExactRuns:
    """Take the runs of a question whose time was seen exactly.

    Parameters
    ----------
    question : Question

    Returns
    -------
    ExactRuns
    """
    rows = question.bounded
    lower = rows["time_lower_s"].to_numpy(dtype=float, na_value=NAN)
    upper = rows["time_upper_s"].to_numpy(dtype=float, na_value=NAN)
    start = rows["start_temp_c"].to_numpy(dtype=float, na_value=NAN)
    keep = (
        rows["record_level"].eq("run").to_numpy(dtype=bool, na_value=False)
        & rows["exclusion_reason"].isna().to_numpy()
        & (lower == upper)
        & (lower > 0)
        & np.isfinite(start)
    )
    at = np.flatnonzero(keep)
    own = rows.iloc[at]
    return ExactRuns(
        at=at,
        start_c=start[at],
        y=np.log(lower[at]),
        block=codes(block_names(own)),
        study=codes(study_names(own)),
    )


def curvature(question: Question, runs: ExactRuns) -> FloatArray:
    """Give what physics bends away from the straight line through its own pair."""
    if not question.physics.known:
        return np.full(runs.at.size, NAN)
    line = question.physics.at_pair / question.units * runs.x
    return np.asarray(question.physics.typical[runs.at] - line)


def through_consequences(
    question: Question, runs: ExactRuns, rng: np.random.Generator
) -> tuple[Mediation, ...]:
    """Split the effect by each consequence that the rows record.

    Parameters
    ----------
    question : Question
    runs : ExactRuns
    rng : Generator

    Returns
    -------
    tuple of Mediation
        One for each consequence; those that were not recorded say so.
    """
    from metafreeze.register.schema import FIELD

    bend = np.nan_to_num(curvature(question, runs))
    found = []
    for name in CONSEQUENCES:
        values = consequence(question.rows, name)[runs.at]
        if question.endpoint in BEFORE_ICE and name == "supercooling_k":
            values = np.full(values.size, NAN)
        fine = np.isfinite(values)
        found.append(
            mediate(
                runs.x[fine],
                values[fine],
                (runs.y - bend)[fine],
                runs.block[fine],
                through=FIELD[name].label,
                units=question.units,
                rng=rng,
            )
        )
    return tuple(found)


def consequence(rows: pd.DataFrame, name: str) -> FloatArray:
    """Read a consequence of starting hot as a number.

    Parameters
    ----------
    rows : DataFrame
        Rows of the register.
    name : str
        One of `CONSEQUENCES`.

    Returns
    -------
    array, shape (rows,)
        NaN where nothing was written down.
    """
    if name == "frost_melted":
        return np.asarray(rows[name].map(MELTED).to_numpy(dtype=float, na_value=NAN), dtype=float)
    values = rows[name].to_numpy(dtype=float, na_value=NAN)
    if name == "supercooling_k":
        reached = rows["nucleation_temp_c"].to_numpy(dtype=float, na_value=NAN)
        values = np.where(np.isfinite(values), values, -reached)
    return np.asarray(values)


def all_choices(
    question: Question,
    runs: ExactRuns,
    rng: np.random.Generator,
    *,
    shuffles: int,
    most: int,
    workers: int | None = None,
) -> ManyAnalyses:
    """Run every combination of choices that the rows allow.

    Parameters
    ----------
    question : Question
    runs : ExactRuns
    rng : Generator
    shuffles, most, workers
        As in `many_analyses`.

    Returns
    -------
    ManyAnalyses
    """
    rows = question.rows.iloc[runs.at]
    dealt = rows["assignment"].isin(ASSIGNED).to_numpy(dtype=bool)
    every = np.ones(runs.at.size, dtype=bool)
    masks: dict[str, BoolArray] = {"all runs seen exactly": every}
    for name, keep in (
        ("dealt out at random or in turn", dealt),
        ("nothing provoked", rows["trigger_event"].fillna("none").eq("none").to_numpy(dtype=bool)),
        ("first freezing only", ~(rows["refreeze_index"].fillna(0) > 0).to_numpy(dtype=bool)),
        ("nobody looked in", rows["check_interval_s"].isna().to_numpy()),
    ):
        if keep.any() and not keep.all():
            masks[name] = keep
    material = Material(
        x=runs.x,
        y=runs.y,
        study=runs.study,
        block=runs.block,
        dealt=dealt,
        rows=masks,
        covariates=_columns(rows, question.design),
        curvature=curvature(question, runs),
        units=question.units,
    )
    return many_analyses(material, rng=rng, shuffles=shuffles, most=most, workers=workers)


def measured_causes(question: Question, runs: ExactRuns) -> MeasuredCauses:
    """Say how strong the measured causes are, as marks beside a hidden one.

    Parameters
    ----------
    question : Question
    runs : ExactRuns

    Returns
    -------
    MeasuredCauses
    """
    columns = _columns(question.rows.iloc[runs.at], question.design)
    return measure_causes(runs.x, runs.y, runs.block, columns)


# A kitchen or laboratory thermometer, read once at insertion; common practice, no source.
USUAL_START_ERROR_K = 1.0


def start_error(question: Question, runs: ExactRuns, rng: np.random.Generator) -> StartError:
    """Say how much of the effect error in start temperatures hides.

    Parameters
    ----------
    question : Question
    runs : ExactRuns
    rng : Generator

    Returns
    -------
    StartError
    """
    written = question.rows["start_temp_sd_k"].iloc[runs.at].to_numpy(dtype=float, na_value=NAN)
    known = np.isfinite(written)
    return correct_for_start_error(
        runs.start_c,
        runs.y,
        runs.block,
        np.where(known, written, USUAL_START_ERROR_K),
        units=question.units,
        assumed=not bool(known.all()),
        rng=rng,
    )


def _columns(rows: pd.DataFrame, design: Sequence[str]) -> dict[str, FloatArray]:
    from metafreeze.register.schema import FIELD

    columns = {}
    for name in design:
        if FIELD[name].kind in ("number", "integer"):
            columns[FIELD[name].label] = rows[name].to_numpy(dtype=float, na_value=NAN)[:, None]
            continue
        levels = sorted(rows[name].dropna().unique())
        if 1 < len(levels) <= MOST_LEVELS:
            marks = np.column_stack(
                [rows[name].eq(v).to_numpy(dtype=float, na_value=NAN) for v in levels[1:]]
            )
            columns[FIELD[name].label] = marks
    return columns


def shape_of_effect(runs: ExactRuns, rng: np.random.Generator) -> Shape:
    """Fit the curve over start temperature within batches.

    Parameters
    ----------
    runs : ExactRuns
    rng : Generator

    Returns
    -------
    Shape
    """
    return fit_shape(runs.start_c, runs.y, runs.block, rng=rng)


def sham_pairs(question: Question, runs: ExactRuns) -> ShamPairs:
    """Compare vessels that were started alike and only labelled apart.

    Parameters
    ----------
    question : Question
    runs : ExactRuns

    Returns
    -------
    ShamPairs
    """
    label = question.rows["sham"].iloc[runs.at].fillna("").to_numpy(dtype=object)
    pair = [f"{b}/{t:.0f}" for b, t in zip(runs.block, runs.start_c, strict=True)]
    return compare_sham(runs.y, label, pair)


def missing_fields(question: Question, fields: Sequence[str]) -> pd.DataFrame:
    """Count the rows and studies that each covariate would cost.

    Parameters
    ----------
    question : Question
    fields : sequence of str
        Covariates.

    Returns
    -------
    DataFrame
        One row a field that some rows leave empty.
    """
    from metafreeze.register.schema import FIELD

    study = study_names(question.rows)
    records = []
    for name in fields:
        gone = question.rows[name].isna()
        if not gone.any():
            continue
        lost = int((gone.groupby(study).mean() == 1.0).sum())
        records.append((name, FIELD[name].label, int(gone.sum()), lost))
    return pd.DataFrame(records, columns=list(MISSING_COLUMNS))
