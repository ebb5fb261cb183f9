"""From register rows to the arrays of the one-stage mixed model, every row accounted for.

Runs and published groups enter as they are, published contrasts as differences. The start
temperature enters as three columns: its deviation from the mean of the vessels cooled
together, the deviation of that mean from the study's, and the study's mean, so that a
difference between laboratories never passes for an effect of the start temperature.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from metafreeze.analysis.design_columns import (
    DesignColumns,
    check_design,
    code_design,
    missing_in,
)
from metafreeze.analysis.effect_rows import EffectRows, Ledger, choose_rows, log_times
from metafreeze.analysis.slope_effects import (
    KELVIN_PER_UNIT,
    REFERENCE_C,
    contrast_error,
    printed_groups,
)
from metafreeze.effects.spreads import log_arm
from metafreeze.errors import InputError
from metafreeze.options import UnseenRows, require_choice
from metafreeze.results import BoolArray, FloatArray

WITHIN, BETWEEN_BATCHES, BETWEEN_STUDIES = "within", "between batches", "between studies"
INTERCEPT = "intercept"
# Studies, and batches beyond one a study, from which a between slope is asked for.
LEAST_STUDIES = 4
LEAST_BATCHES = 2
# Start temperatures nearer than this are one nominal temperature.
SAME_TEMPERATURE_K = 0.5
# Between means closer than this share of the spread are rounding of equal means.
NO_SPREAD = 1e-7


@dataclass(frozen=True, slots=True, kw_only=True)
class MixedArrays:
    """Arrays of the one-stage model, one entry per row in the fit.

    Parameters
    ----------
    y : array, shape (n,)
        ln(time / 1 s), or a log ratio where `difference`; offset not yet subtracted.
    lower, upper : array, shape (n,)
        Bounds of y; equal to y where it was seen exactly.
    x : array, shape (n,)
        (start_temp_c - 20) / 10; the difference of two where `difference`.
    start_temp_c : array, shape (n,)
        NaN where `difference`.
    within, between_batches, between_studies : array, shape (n,)
        The three parts of `x`.
    centre : object array, shape (n,)
        Key of the group whose mean `within` is taken from.
    study, batch, specimen : object array, shape (n,)
        Labels; empty where a row has none.
    count, spread, known_variance, added_variance : array, shape (n,)
    offset : array, shape (n,)
        Subtracted from y; zero by default.
    difference : array of bool, shape (n,)
        Published contrasts.
    design : DesignColumns
    X : array, shape (n, p)
    names : tuple of str, length p
    left_out : tuple of str
        Slopes that were not asked for, with the reason.
    label : object array, shape (n,)
        Row label in the frame as given.
    unused : DataFrame
        Rows outside the fit: row, file_name, file_row, study, record_level, reason.
    rows_given : int
    notes : tuple of str
    """

    y: FloatArray
    lower: FloatArray
    upper: FloatArray
    x: FloatArray
    start_temp_c: FloatArray
    within: FloatArray
    between_batches: FloatArray
    between_studies: FloatArray
    centre: npt.NDArray[np.object_]
    study: npt.NDArray[np.object_]
    batch: npt.NDArray[np.object_]
    specimen: npt.NDArray[np.object_]
    count: FloatArray
    spread: FloatArray
    known_variance: FloatArray
    added_variance: FloatArray
    offset: FloatArray
    difference: BoolArray
    design: DesignColumns
    X: FloatArray
    names: tuple[str, ...]
    left_out: tuple[str, ...]
    label: npt.NDArray[np.object_]
    unused: pd.DataFrame
    rows_given: int
    notes: tuple[str, ...]

    @property
    def exact(self) -> BoolArray:
        """Rows whose outcome was seen exactly."""
        return np.asarray(self.lower == self.upper)


def mixed_arrays(
    rows: pd.DataFrame,
    *,
    endpoint: str,
    design: Sequence[str] = (),
    unseen: UnseenRows = "leave-out",
    offset: npt.ArrayLike | pd.Series | None = None,
    direction: str = "cooling",
    threshold_c: float | None = None,
    residual_endpoint: str | None = None,
    unstated_bars: str | None = None,
) -> MixedArrays:
    """Turn rows of the schema into the arrays of the one-stage model.

    Parameters
    ----------
    rows : DataFrame
        Rows of the register's schema, any mix of kinds.
    endpoint : str
        One endpoint; endpoints are never pooled together.
    design : sequence of str
        Columns to adjust for.
    unseen : {"leave-out", "model"}
        Runs not seen exactly: into the ledger, or kept with their bounds.
    offset : array or Series, shape (rows,), optional
        ln of a baseline time of each row; for a published contrast the baseline's log ratio.
        NaN: the row has no baseline and is left out.
    direction, threshold_c, residual_endpoint, unstated_bars
        As in `study_effects`.

    Returns
    -------
    MixedArrays

    Raises
    ------
    InputError
        An unknown option or column.
    """
    require_choice(unseen, UnseenRows, name="unseen")
    if unstated_bars not in (None, "SD", "SE"):
        raise InputError(
            f'unstated_bars is {unstated_bars!r}. Choose "SD" or "SE", or leave it out.'
        )
    if not isinstance(rows, pd.DataFrame):
        raise InputError(f"rows is a {type(rows).__name__}. Give a DataFrame of register rows.")
    names = check_design(rows, design)
    frame = rows.reset_index(drop=True)
    chosen, ledger = choose_rows(
        frame,
        endpoint=endpoint,
        direction=direction,
        threshold_c=threshold_c,
        residual_endpoint=residual_endpoint,
    )
    # Labels are places in the frame as given.
    place = chosen.label.astype(np.intp)
    shift = _offsets(offset, len(rows))[place]
    pieces = [
        _runs(chosen, ledger, unseen),
        _groups(chosen, ledger, unstated_bars),
        _contrasts(chosen, ledger),
    ]
    _leave_counts(chosen, ledger)
    at = np.concatenate([p.at for p in pieces])
    whole = _Piece(
        at=at,
        **{
            name: np.concatenate([getattr(p, name) for p in pieces])
            for name in ("y", "lower", "upper", "count", "spread", "known", "added", "x")
        },
        difference=np.concatenate([p.difference for p in pieces]),
    )
    keep = np.isfinite(shift[at])
    for i in at[~keep]:
        ledger.leave_out(i, "the row has no baseline")
    for name in names:
        gone = missing_in(frame.iloc[place[at]], name) & ~whole.difference & keep
        for i in at[gone]:
            ledger.leave_out(i, f"{name} is missing")
        keep &= ~gone
    arrays = _assemble(chosen, ledger, frame.iloc[place], whole.pick(keep), names, shift)
    given = np.empty(len(rows), dtype=object)
    given[:] = list(rows.index)
    unused = arrays.unused.assign(row=given[arrays.unused["row"].to_numpy(dtype=np.intp)])
    return replace(arrays, label=given[arrays.label.astype(np.intp)], unused=unused)


@dataclass(slots=True, kw_only=True)
class _Piece:
    """Rows of one kind: position and what they bring."""

    at: npt.NDArray[np.intp]
    y: FloatArray
    lower: FloatArray
    upper: FloatArray
    x: FloatArray
    count: FloatArray
    spread: FloatArray
    known: FloatArray
    added: FloatArray
    difference: BoolArray

    def pick(self, keep: BoolArray) -> _Piece:
        """Keep some rows, ordered as in the chosen rows."""
        order = np.flatnonzero(keep)[np.argsort(self.at[keep], kind="stable")]
        return _Piece(**{name: getattr(self, name)[order] for name in self.__slots__})


def _scaled(temp_c: FloatArray) -> FloatArray:
    return (temp_c - REFERENCE_C) / KELVIN_PER_UNIT


def _offsets(offset: npt.ArrayLike | pd.Series | None, n: int) -> FloatArray:
    if offset is None:
        return np.zeros(n)
    values = np.asarray(offset, dtype=np.float64)
    if values.shape != (n,):
        raise InputError(
            f"offset has shape {values.shape}; it needs one number for each of {n} rows."
        )
    return values


def _runs(chosen: EffectRows, ledger: Ledger, unseen: str) -> _Piece:
    positions = chosen.positions("run")
    if unseen == "leave-out":
        at, y = log_times(chosen, positions, ledger)
        lower = upper = y
    else:
        at, lower, upper = _bounds(chosen, positions, ledger)
        both = np.isfinite(lower) & np.isfinite(upper)
        y = np.where(both, 0.5 * (lower + upper), np.where(np.isfinite(upper), upper, lower))
    n = at.size
    reading = np.nan_to_num(chosen.number["time_reading_sd_s"][at])
    return _Piece(
        at=at,
        y=y,
        lower=lower,
        upper=upper,
        x=_scaled(chosen.number["start_temp_c"][at]),
        count=np.ones(n),
        spread=np.full(n, np.nan),
        known=np.full(n, np.nan),
        added=(reading / np.exp(y)) ** 2,
        difference=np.zeros(n, dtype=bool),
    )


def _bounds(
    chosen: EffectRows, positions: npt.NDArray[np.intp], ledger: Ledger
) -> tuple[npt.NDArray[np.intp], FloatArray, FloatArray]:
    low = np.nan_to_num(chosen.number["time_lower_s"][positions])
    high = chosen.number["time_upper_s"][positions]
    high = np.where(np.isnan(high), np.inf, high)
    temp = np.isfinite(chosen.number["start_temp_c"][positions])
    says = (low > 0) | np.isfinite(high)
    fine = temp & says & (high > 0)
    for i, j in enumerate(positions):
        if not temp[i]:
            ledger.leave_out(j, "the start temperature is missing")
        elif not says[i]:
            ledger.leave_out(j, "no time is given")
        elif not high[i] > 0:
            ledger.leave_out(j, "the time is zero, which has no logarithm")
    with np.errstate(divide="ignore"):
        return positions[fine], np.log(low[fine]), np.log(high[fine])


def _groups(chosen: EffectRows, ledger: Ledger, unstated_bars: str | None) -> _Piece:
    at, mean, count, spread, known = [], [], [], [], []
    for study in sorted(set(chosen.study[chosen.use])):
        for i, printed in printed_groups(chosen, ledger, study, unstated_bars):
            arm = log_arm(printed)
            if arm.problem or not np.isfinite(arm.mean):
                ledger.leave_out(i, arm.problem or "neither a mean nor a median is given")
                continue
            if arm.derived:
                ledger.note(f"published groups of {study}: {arm.derived}")
            at.append(i)
            mean.append(arm.mean)
            full = bool(np.isfinite(arm.sd) and np.isfinite(arm.n))
            count.append(arm.n if full else 1.0)
            spread.append(arm.sd if full and arm.n > 1 else np.nan)
            known.append(np.nan if full else arm.mean_variance)
    positions = np.array(at, dtype=np.intp)
    y = np.array(mean, dtype=np.float64)
    reading = np.nan_to_num(chosen.number["time_reading_sd_s"][positions])
    return _Piece(
        at=positions,
        y=y,
        lower=y,
        upper=y,
        x=_scaled(chosen.number["start_temp_c"][positions]),
        count=np.array(count, dtype=np.float64),
        spread=np.array(spread, dtype=np.float64),
        known=np.array(known, dtype=np.float64),
        added=(reading / np.exp(y)) ** 2,
        difference=np.zeros(positions.size, dtype=bool),
    )


def _contrasts(chosen: EffectRows, ledger: Ledger) -> _Piece:
    at, errors = [], []
    hot, cold = chosen.number["start_temp_hot_c"], chosen.number["start_temp_cold_c"]
    for i in chosen.positions("contrast_summary"):
        error = contrast_error(chosen, i)
        problem = error.problem
        if not problem and not (np.isfinite(hot[i]) and np.isfinite(cold[i])):
            problem = "the two start temperatures are missing"
        if not problem and hot[i] <= cold[i]:
            problem = f"the hot start ({hot[i]:g} °C) is not above the cold one ({cold[i]:g} °C)"
        if not problem and chosen.word["contrast_scale"][i] != "log_ratio":
            problem = "a difference in time without the two means gives no ratio"
        if problem:
            ledger.leave_out(i, problem)
        else:
            at.append(i)
            errors.append(error.se)
    positions = np.array(at, dtype=np.intp)
    y = chosen.number["contrast_value"][positions]
    n = positions.size
    return _Piece(
        at=positions,
        y=y,
        lower=y,
        upper=y,
        x=(hot[positions] - cold[positions]) / KELVIN_PER_UNIT,
        count=np.ones(n),
        spread=np.full(n, np.nan),
        known=np.array(errors, dtype=np.float64) ** 2,
        added=np.zeros(n),
        difference=np.ones(n, dtype=bool),
    )


def _leave_counts(chosen: EffectRows, ledger: Ledger) -> None:
    for i in chosen.positions("pair_count"):
        ledger.leave_out(i, "a count of pairs has no time; see the effect hotter-first")


def _assemble(
    chosen: EffectRows,
    ledger: Ledger,
    frame: pd.DataFrame,
    piece: _Piece,
    names: tuple[str, ...],
    shift: FloatArray,
) -> MixedArrays:
    at = piece.at
    study = chosen.study[at]
    single = chosen.word["record_level"][at] == "run"
    batched = chosen.batched[at] & (single | (chosen.word["block_id"][at] != ""))
    batch = np.where(batched, chosen.group[at], "")
    within, middle, top, centre = _three_parts(piece, study, batch)
    design = code_design(frame.iloc[at], names, piece.count, ~piece.difference)
    columns: list[FloatArray] = [np.where(piece.difference, 0.0, 1.0)]
    labels = [INTERCEPT]
    if piece.difference.all():
        columns, labels = [], []
    columns.append(within)
    labels.append(WITHIN)
    left_out: list[str] = []
    for column, label, why in (
        (middle, BETWEEN_BATCHES, _no_batch_slope(middle, study, batch, piece)),
        (top, BETWEEN_STUDIES, _no_study_slope(top, study, piece)),
    ):
        if why:
            left_out.append(f"slope {label}: {why}")
        else:
            columns.append(column)
            labels.append(label)
    X = np.column_stack([*columns, design.columns])
    return MixedArrays(
        y=piece.y,
        lower=piece.lower,
        upper=piece.upper,
        x=piece.x,
        start_temp_c=np.where(piece.difference, np.nan, chosen.number["start_temp_c"][at]),
        within=within,
        between_batches=middle,
        between_studies=top,
        centre=centre,
        study=study,
        batch=batch,
        specimen=chosen.word["specimen_id"][at],
        count=piece.count,
        spread=piece.spread,
        known_variance=piece.known,
        added_variance=piece.added,
        offset=shift[at],
        difference=piece.difference,
        design=design,
        X=X,
        names=(*labels, *design.names),
        left_out=tuple(left_out),
        label=chosen.label[at],
        unused=chosen.unused_frame(ledger),
        rows_given=len(chosen.label),
        notes=tuple(ledger.notes),
    )


def _three_parts(
    piece: _Piece, study: npt.NDArray[np.object_], batch: npt.NDArray[np.object_]
) -> tuple[FloatArray, FloatArray, FloatArray, npt.NDArray[np.object_]]:
    """Split x at the means of centring group and study, each run counting once.

    The centring group of a row is its batch if that holds two start temperatures, else
    its study. Differences are all within.
    """
    level = ~piece.difference
    x, weight = piece.x[level], piece.count[level]
    within = np.where(level, 0.0, piece.x)
    middle, top = np.zeros(piece.x.size), np.zeros(piece.x.size)
    centre = np.full(piece.x.size, "", dtype=object)
    if not level.any():
        return within, middle, top, centre
    grand = float(weight @ x / weight.sum())
    of_study = _weighted_means(x, weight, study[level])
    named = batch[level] != ""
    of_batch = of_study.copy()
    # Batches with one start temperature are centred on their study.
    spread = np.zeros(x.size)
    if named.any():
        codes, keys = pd.factorize(batch[level][named])
        low, high = np.full(len(keys), np.inf), np.full(len(keys), -np.inf)
        np.minimum.at(low, codes, x[named])
        np.maximum.at(high, codes, x[named])
        spread[named] = (high - low)[codes] * KELVIN_PER_UNIT
    own = named & (spread >= SAME_TEMPERATURE_K)
    if own.any():
        of_batch[own] = _weighted_means(x[own], weight[own], batch[level][own])
    within[level] = x - of_batch
    middle[level] = of_batch - of_study
    # Measured from the mean of all rows, so that the intercept is a time at that start.
    top[level] = of_study - grand
    centre[level] = np.where(own, batch[level], study[level])
    return within, middle, top, centre


def _weighted_means(
    x: FloatArray, weight: FloatArray, group: npt.NDArray[np.object_]
) -> FloatArray:
    """Mean of each row's group."""
    codes, keys = pd.factorize(group)
    total = np.bincount(codes, weights=weight * x, minlength=len(keys))
    return np.asarray((total / np.bincount(codes, weights=weight, minlength=len(keys)))[codes])


def _no_batch_slope(
    middle: FloatArray,
    study: npt.NDArray[np.object_],
    batch: npt.NDArray[np.object_],
    piece: _Piece,
) -> str:
    named = (batch != "") & ~piece.difference
    batches, studies = len(set(batch[named])), len(set(study[named]))
    if _range(middle) <= NO_SPREAD * (_range(piece.x) + NO_SPREAD):
        return "the batches of a study all have one mean start temperature"
    if batches - studies < LEAST_BATCHES:
        return f"{batches} batches in {studies} studies are too few"
    return ""


def _no_study_slope(top: FloatArray, study: npt.NDArray[np.object_], piece: _Piece) -> str:
    studies = len(set(study[~piece.difference]))
    if studies < LEAST_STUDIES:
        return "too few studies"
    if _range(top) <= NO_SPREAD * (_range(piece.x) + NO_SPREAD):
        return "all studies have one mean start temperature"
    return ""


def _range(values: FloatArray) -> float:
    return float(np.ptp(values)) if values.size else 0.0
