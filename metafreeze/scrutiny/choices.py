"""Many analyses: every combination of the choices that could be defended.

Each choice of rows, covariates, scale, weights, centring and form gives one estimate. What
counts is which choice moves the answer, and whether the whole set would look the same had
start temperatures been dealt out anew.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from scipy import stats

from metafreeze.errors import InputError
from metafreeze.results import RESULT, BoolArray, FloatArray, IntArray, Result, round_for_people

NAN = float("nan")
CHOICES = ("rows", "alike in", "compared within", "scale", "form", "weights")
COLUMNS = (*CHOICES, "estimate", "low", "high", "rows_used")
MOVE_COLUMNS = ("choice", "option", "analyses", "median", "share_negative")
ONE_LINE, EACH_LAB, BY_PRECISION = "each run alike", "each lab alike", "labs by precision"
WEIGHTS = (ONE_LINE, EACH_LAB, BY_PRECISION)
LN_TIME, RELATIVE = "ln time", "share of the mean time"
STRAIGHT, BENT = "straight line", "bent by physics"
BATCH, LAB = "batch", "lab"
SHUFFLES = 200
MOST_ANALYSES = 500
FEWEST_SHUFFLES = 50
# Into how many parts the work is cut: fine enough for a small cluster, coarse enough that
# handing a part over costs nothing beside it.
TASKS = 16


@dataclass(**RESULT)
class ManyAnalyses(Result):
    """Estimates under every combination of defensible choices.

    Parameters
    ----------
    analyses : DataFrame
        One row an analysis: its choices, estimate, interval, rows.
    moves : DataFrame
        One row an option of a choice: median over the analyses with it, and share below zero.
    most_moved_by : str
        The choice whose options differ most.
    most_moved : float
        By how much, between medians.
    median, share_negative, share_clear : float
        Over all analyses; clear: interval below zero.
    p_median, p_clear : float
        Share of deals whose median lies as far from zero, and with as many clear analyses;
        NaN where temperatures were not dealt out.
    shuffles : int
    asked, found : str
        One sentence each.
    status, note : str
    """

    analyses: pd.DataFrame
    moves: pd.DataFrame
    most_moved_by: str
    most_moved: float
    median: float
    share_negative: float
    share_clear: float
    p_median: float
    p_clear: float
    shuffles: int
    asked: str
    found: str
    status: str = "ok"
    note: str = ""

    def to_frame(self) -> pd.DataFrame:
        """Give one row an analysis."""
        return self.analyses.copy()

    def headline(self) -> str:
        """Say the spread of the answers and what moves them."""
        if self.status != "ok":
            return f"many analyses: {self.note}"
        return (
            f"{len(self.analyses)} analyses, median {round_for_people(self.median)}, "
            f"{100 * self.share_negative:.0f} % below zero; moved most by {self.most_moved_by}"
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Material:
    """What the analyses are made of.

    Parameters
    ----------
    x, y : array, shape (n,)
        Start temperature per 10 K, and ln time.
    study, block : array of int, shape (n,)
        Labels.
    dealt : array of bool, shape (n,)
        Rows whose start temperature was assigned at random or in turn.
    rows : mapping of str to array of bool, shape (n,)
        Choices of rows.
    covariates : mapping of str to array, shape (n, k)
        Columns of each design covariate.
    curvature : array, shape (n,)
        What physics bends away from a straight line, in ln time; NaN where unknown.
    units : float
        The pair's distance in 10 K.
    """

    x: FloatArray
    y: FloatArray
    study: IntArray
    block: IntArray
    dealt: BoolArray
    rows: Mapping[str, BoolArray]
    covariates: Mapping[str, FloatArray]
    curvature: FloatArray
    units: float


# Decimals of a log ratio that rounding errors leave alone.
SAME_DECIMALS = 12
ASKED = "Which choice of analysis moves the answer, and by how much?"


def many_analyses(
    material: Material,
    *,
    rng: np.random.Generator,
    shuffles: int = SHUFFLES,
    most: int = MOST_ANALYSES,
    workers: int | None = None,
) -> ManyAnalyses:
    """Run every combination of the choices, and again with start temperatures dealt anew.

    Use it to see whether an answer hangs on one choice. What it assumes: that every choice
    in `material` could be defended beforehand.

    Parameters
    ----------
    material : Material
        Rows and choices.
    rng : Generator
        Source of the deals, and of the sample where there are more than `most` combinations.
    shuffles : int
        Deals; at least 50.
    most : int
        Analyses at most.
    workers : int, optional
        Processes; what joblib's own configuration says by default. All deals are drawn before
        the work is shared out, so the answer does not depend on it.

    Returns
    -------
    ManyAnalyses

    Raises
    ------
    InputError
        Fewer than 50 shuffles.

    Source
    ------
    Simonsohn, Simmons & Nelson (2020), Nat. Hum. Behav. 4:1208-1214: all reasonable
    specifications and joint inference by shuffling the treatment.
    """
    if shuffles < FEWEST_SHUFFLES:
        raise InputError(f"shuffles is {shuffles}. Give at least {FEWEST_SHUFFLES}.")
    combinations = _combinations(material)
    if len(combinations) > most:
        kept = np.sort(rng.choice(len(combinations), size=most, replace=False))
        combinations = [combinations[k] for k in kept]
    deals = _deals(material, shuffles, rng)
    records: list[tuple[object, ...]] = []
    estimates, highs = [], []
    keys = list(dict.fromkeys(c[:-1] for c in combinations))
    batches = [keys[k::TASKS] for k in range(min(TASKS, len(keys)))]
    done = Parallel(n_jobs=workers)(delayed(_analyse_all)(material, b, deals) for b in batches)
    by_key = {key: answers for part in done for key, answers in part}
    for key in keys:
        answers = by_key[key]
        for weights in [c[-1] for c in combinations if c[:-1] == key]:
            estimate, low, high, rows = answers[weights]
            if not np.isfinite(estimate[0]):
                continue
            records.append((*key, weights, estimate[0], low[0], high[0], rows))
            estimates.append(estimate)
            highs.append(high)
    frame = pd.DataFrame(records, columns=list(COLUMNS))
    if frame.empty:
        return _nothing("start temperatures do not vary within batches or labs")
    whole, upper = np.array(estimates), np.array(highs)
    median = np.nanmedian(whole, axis=0)
    clear = np.nanmean(upper < 0, axis=0)
    p_median = p_clear = NAN
    dealt = deals.shape[0] - 1
    if dealt:
        p_median = float((1 + np.sum(np.abs(median[1:]) >= abs(median[0]))) / (1 + dealt))
        p_clear = float((1 + np.sum(clear[1:] >= clear[0])) / (1 + dealt))
    moves = _moves(frame)
    spread = moves.groupby("choice", sort=False)["median"].agg(lambda v: float(v.max() - v.min()))
    by = str(spread.idxmax())
    # Analyses that are one in exact arithmetic keep the order of their choices, whatever the
    # rounding of the library underneath.
    order = np.argsort(frame["estimate"].to_numpy().round(SAME_DECIMALS), kind="stable")
    return ManyAnalyses(
        analyses=frame.iloc[order].reset_index(drop=True),
        moves=moves,
        most_moved_by=by,
        most_moved=float(spread.max()),
        median=float(median[0]),
        share_negative=float((whole[:, 0] < 0).mean()),
        share_clear=float(clear[0]),
        p_median=p_median,
        p_clear=p_clear,
        shuffles=dealt,
        asked=ASKED,
        found=(
            f"Of {len(frame)} analyses, {100 * float((whole[:, 0] < 0).mean()):.0f} % say that the "
            f"hotter one is sooner. The choice that moves the answer most: {by}."
        ),
    )


Key = tuple[str, str, str, str, str]


def _combinations(material: Material) -> list[tuple[str, ...]]:
    names = list(material.covariates)
    alike = ["nothing else", *names]
    if len(names) > 1:
        alike.append(" and ".join(names))
    forms = [STRAIGHT, BENT] if np.isfinite(material.curvature).all() else [STRAIGHT]
    weights: Sequence[str] = WEIGHTS if material.study.max(initial=0) > 0 else (ONE_LINE,)
    return list(
        product(list(material.rows), alike, [BATCH, LAB], [LN_TIME, RELATIVE], forms, weights)
    )


def _deals(material: Material, shuffles: int, rng: np.random.Generator) -> FloatArray:
    """Start temperatures as they were, then dealt anew within blocks where they were dealt."""
    x = material.x
    place = np.flatnonzero(material.dealt)
    if not place.size:
        return x[np.newaxis].copy()
    deals = np.repeat(x[np.newaxis], shuffles + 1, axis=0)
    label = np.unique(material.block[place], return_inverse=True)[1]
    order = np.argsort(label, kind="stable")
    place, label = place[order], label[order]
    keys = rng.random((shuffles, place.size)) + label
    deals[1:, place] = x[place][np.argsort(keys, axis=1)]
    return deals


Answers = dict[str, tuple[FloatArray, FloatArray, FloatArray, int]]


def _analyse_all(
    material: Material, keys: Sequence[tuple[str, ...]], deals: FloatArray
) -> list[tuple[tuple[str, ...], Answers]]:
    return [(key, _analyse(material, key, deals)) for key in keys]


def _analyse(material: Material, key: tuple[str, ...], deals: FloatArray) -> Answers:
    rows, alike, within, scale, form = key
    keep = material.rows[rows].copy()
    names = [n for n in material.covariates if alike in (n, " and ".join(material.covariates))]
    for name in names:
        keep &= np.isfinite(material.covariates[name]).all(axis=1)
    label = np.unique(
        (material.block if within == BATCH else material.study)[keep], return_inverse=True
    )[1]
    study = np.unique(material.study[keep], return_inverse=True)[1]
    n = int(keep.sum())
    empty = np.full(deals.shape[0], NAN)
    if n == 0:
        return dict.fromkeys(WEIGHTS, (empty, empty, empty, 0))
    y = material.y[keep] - (material.curvature[keep] if form == BENT else 0.0)
    if scale == RELATIVE:
        level = np.bincount(label, np.exp(y)) / np.bincount(label)
        y = np.exp(y) / level[label]
    groups = int(label.max()) + 1
    outcome, x = _within(y[np.newaxis], label)[0], _within(deals[:, keep], label)
    lost = 0
    if names:
        columns = np.column_stack([material.covariates[name][keep] for name in names])
        basis = _basis(_within(columns.T, label).T)
        lost = basis.shape[1]
        outcome = outcome - basis @ (basis.T @ outcome)
        x = x - (x @ basis) @ basis.T
    labs = np.eye(int(study.max()) + 1)[study]
    cross, weight = (x * outcome) @ labs, x**2 @ labs
    square = outcome**2 @ labs
    df = n - groups - lost
    return {
        ONE_LINE: (*_one_line(cross, weight, float(square.sum()), df, material.units), n),
        EACH_LAB: (*_each_lab(cross, weight, material.units), n),
        BY_PRECISION: (*_by_precision(cross, weight, square, df, material.units), n),
    }


def _within(values: FloatArray, label: IntArray) -> FloatArray:
    """Centre each line of (d, n) within groups."""
    groups = np.eye(int(label.max()) + 1)[label]
    means = (values @ groups) / groups.sum(axis=0)
    return np.asarray(values - means[:, label])


def _basis(columns: FloatArray) -> FloatArray:
    """Orthonormal basis of the columns that vary; none where none does."""
    left, size, _ = np.linalg.svd(columns, full_matrices=False)
    return left[:, size > 1e-9 * max(float(size.max(initial=0.0)), 1e-9)]


Three = tuple[FloatArray, FloatArray, FloatArray]


def _limits(slope: FloatArray, se: FloatArray, df: FloatArray | float, units: float) -> Three:
    half = stats.t.isf(0.025, df) * se
    return units * slope, units * (slope - half), units * (slope + half)


def _one_line(cross: FloatArray, weight: FloatArray, square: float, df: int, units: float) -> Three:
    total = _positive(weight.sum(axis=1))
    slope = cross.sum(axis=1) / total
    rest = np.clip(square - slope**2 * total, 0.0, None)
    if df < 2:
        return units * slope, np.full(slope.size, NAN), np.full(slope.size, NAN)
    return _limits(slope, np.sqrt(rest / (df - 1) / total), df - 1.0, units)


def _each_lab(cross: FloatArray, weight: FloatArray, units: float) -> Three:
    slope = cross / _positive(weight)
    k = np.sum(np.isfinite(slope), axis=1)
    mean = np.nansum(slope, axis=1) / _positive(k.astype(float))
    spread = np.nansum((slope - mean[:, np.newaxis]) ** 2, axis=1)
    se = np.sqrt(spread / _positive(k - 1.0) / k)
    return _limits(mean, se, np.maximum(k - 1.0, 1.0), units)


def _by_precision(
    cross: FloatArray, weight: FloatArray, square: FloatArray, df: int, units: float
) -> Three:
    """Inverse variances plus the spread between labs, by moments; scaled interval."""
    slope = cross / _positive(weight)
    there = np.isfinite(slope)
    k = there.sum(axis=1).astype(float)
    rest = np.nansum(np.where(there, square - slope**2 * weight, 0.0), axis=1)
    scale = np.clip(rest, 0.0, None) / np.maximum(df - k, 1.0)
    precision = np.where(there, weight / _positive(scale)[:, np.newaxis], 0.0)
    flat = np.where(there, slope, 0.0)
    total = _positive(precision.sum(axis=1))
    mean = (precision * flat).sum(axis=1) / total
    q = (precision * (flat - mean[:, np.newaxis]) ** 2).sum(axis=1)
    room = total - (precision**2).sum(axis=1) / total
    tau2 = np.clip((q - (k - 1)) / _positive(room), 0.0, None)
    tau2 = np.nan_to_num(tau2)[:, np.newaxis]
    shares = np.where(there, precision / (1.0 + tau2 * precision), 0.0)
    total = _positive(shares.sum(axis=1))
    mean = (shares * flat).sum(axis=1) / total
    q = (shares * (flat - mean[:, np.newaxis]) ** 2).sum(axis=1)
    se = np.sqrt(q / _positive(k - 1.0) / total)
    return _limits(mean, se, np.maximum(k - 1.0, 1.0), units)


def _positive(values: FloatArray) -> FloatArray:
    return np.where(values > 1e-12, values, NAN)


def _moves(frame: pd.DataFrame) -> pd.DataFrame:
    records = []
    for choice in CHOICES:
        for option, own in frame.groupby(choice, sort=False):
            records.append(
                (
                    choice,
                    str(option),
                    len(own),
                    float(own["estimate"].median()),
                    float((own["estimate"] < 0).mean()),
                )
            )
    return pd.DataFrame(records, columns=list(MOVE_COLUMNS))


def _nothing(why: str) -> ManyAnalyses:
    return ManyAnalyses(
        analyses=pd.DataFrame(columns=list(COLUMNS)),
        moves=pd.DataFrame(columns=list(MOVE_COLUMNS)),
        most_moved_by="",
        **dict.fromkeys(
            ("most_moved", "median", "share_negative", "share_clear", "p_median", "p_clear"), NAN
        ),
        shuffles=0,
        asked=ASKED,
        found=f"It does not apply: {why}.",
        status="unidentifiable",
        note=why,
    )
