"""Filling in covariates that were not written down, many times over, and pooling the answers.

Each gap is filled with the value of a row that looks alike under a model of the other columns,
one column after the other. Every filled table is analysed by itself; the answers are pooled so
that not knowing the values widens the interval.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from metafreeze.errors import InputError
from metafreeze.results import RESULT, BoolArray, FloatArray, IntArray, Result, round_for_people

NAN = float("nan")
COLUMNS = ("estimate", "se", "df", "low", "high", "lost_information", "imputations")
SWEEPS = 5
# Morris, White & Royston (2014), BMC Med. Res. Methodol. 14:75, recommend around ten donors in
# large samples and fewer in small ones.
DONORS = 5
FEWEST_KNOWN = 10
LEAST_LEFT = 1e-9
# So that the table of distances stays small in registers of tens of thousands of rows.
GAPS_AT_ONCE = 256


@dataclass(**RESULT)
class PooledImputations(Result):
    """One answer from the answers of many filled tables.

    Parameters
    ----------
    estimate, se, df, low, high : float
        Pooled estimate and its interval.
    lost_information : float
        Share of the information that the gaps took.
    imputations : int
    level : float
    """

    estimate: float
    se: float
    df: float
    low: float
    high: float
    lost_information: float
    imputations: int
    level: float

    def to_frame(self) -> pd.DataFrame:
        """Give the pooled answer as one row."""
        return pd.DataFrame([tuple(getattr(self, name) for name in COLUMNS)], columns=list(COLUMNS))

    def headline(self) -> str:
        """Say the answer in one line."""
        return (
            f"{round_for_people(self.estimate)} ({round_for_people(self.low)} to "
            f"{round_for_people(self.high)}) from {self.imputations} filled tables"
        )


def pool_imputations(
    estimate: npt.ArrayLike,
    variance: npt.ArrayLike,
    *,
    complete_df: float = math.inf,
    level: float = 0.95,
) -> PooledImputations:
    """Pool the answers of filled tables: spread within and between them.

    Parameters
    ----------
    estimate, variance : array, shape (m,)
        Answer of each filled table, and its sampling variance.
    complete_df : float
        Degrees of freedom had nothing been missing.
    level : float
        Level of the interval.

    Returns
    -------
    PooledImputations

    Raises
    ------
    InputError
        Fewer than two tables, or a variance not above zero.

    Source
    ------
    Rubin (1987), Multiple Imputation for Nonresponse in Surveys, section 3.3:
    ``T = U + (1 + 1/m) B``; Barnard & Rubin (1999), Biometrika 86:948-955, for the degrees of
    freedom: ``1/df = 1/df_m + 1/df_obs``.
    """
    answers, own = np.asarray(estimate, dtype=float), np.asarray(variance, dtype=float)
    m = answers.size
    if m < 2 or own.size != m:
        raise InputError(f"{m} estimates and {own.size} variances. Give two filled tables or more.")
    if not (own > 0).all():
        raise InputError("A variance is not above zero. Each table needs its sampling variance.")
    within, between = float(own.mean()), float(answers.var(ddof=1))
    extra = (1.0 + 1.0 / m) * between
    total = within + extra
    share = extra / total
    df_many = (m - 1) / share**2 if share > 0 else math.inf
    df_seen = math.inf
    if math.isfinite(complete_df):
        df_seen = (complete_df + 1) / (complete_df + 3) * complete_df * (1.0 - share)
    inverse = 1.0 / df_many + 1.0 / df_seen
    df = 1.0 / inverse if inverse > 0 else math.inf
    se = math.sqrt(total)
    half = float(stats.t.isf((1 - level) / 2, df)) * se
    centre = float(answers.mean())
    return PooledImputations(
        estimate=centre,
        se=se,
        df=df,
        low=centre - half,
        high=centre + half,
        lost_information=share,
        imputations=m,
        level=level,
    )


def choose_donors(
    covariates: Sequence[FloatArray],
    known: Sequence[BoolArray],
    always: FloatArray,
    study: IntArray,
    rng: np.random.Generator,
    *,
    sweeps: int = SWEEPS,
) -> tuple[IntArray, ...]:
    """Name for every gap the row whose value fills it, once.

    Covariates are taken in turn, each modelled on all others: one line for all studies and a
    level of each study that is drawn towards the common one. Coefficients and levels are drawn
    from their posterior; a study that never wrote the covariate down gets a level drawn from
    the spread of the others. The donor is one of the rows whose expected value is nearest.

    It assumes that whether a value is missing depends on what was written down alone.

    Parameters
    ----------
    covariates : sequence of array, shape (n, c_j)
        Columns of each covariate: numbers, or indicators of its words. NaN where unknown.
    known : sequence of array of bool, shape (n,)
        Where each covariate was written down.
    always : array, shape (n, p)
        What is known of every row: start temperature and time, within batches.
    study : array of int, shape (n,)
        Cluster of each row.
    rng : Generator
    sweeps : int
        Rounds over all covariates.

    Returns
    -------
    tuple of array of int, shape (n,)
        For each covariate the row that gives its value; a row's own place where it is known.

    Raises
    ------
    InputError
        A covariate is known in fewer than ten rows.

    Source
    ------
    Chained equations: van Buuren (2007), Stat. Methods Med. Res. 16:219-242. Donors: Little
    (1988), J. Bus. Econ. Stat. 6:287-296. Levels of clusters: Resche-Rigon & White (2018),
    Stat. Methods Med. Res. 27:1634-1649.
    """
    n = study.size
    donors: list[IntArray] = []
    filled: list[FloatArray] = []
    for values, there in zip(covariates, known, strict=True):
        if int(there.sum()) < FEWEST_KNOWN:
            raise InputError(
                f"A covariate is known in {int(there.sum())} rows. It needs {FEWEST_KNOWN} to fill "
                "the others from."
            )
        places = np.flatnonzero(there)
        start = np.arange(n)
        start[~there] = rng.choice(places, size=int((~there).sum()))
        donors.append(start.astype(np.int64))
        filled.append(values[start])
    gaps = [j for j, there in enumerate(known) if not there.all()]
    for _ in range(sweeps):
        for j in gaps:
            others = [filled[k] for k in range(len(filled)) if k != j]
            expected = _expectations(
                np.column_stack([always, *others]), covariates[j], known[j], study, rng
            )
            donors[j] = _nearest(expected, known[j], rng)
            filled[j] = covariates[j][donors[j]]
    return tuple(donors)


def _expectations(
    predictors: FloatArray,
    target: FloatArray,
    there: BoolArray,
    study: IntArray,
    rng: np.random.Generator,
) -> FloatArray:
    """Give the expected columns of every row under one draw of the model, in units of scatter."""
    label = np.unique(study[there], return_inverse=True)[1]
    home = dict(zip(study[there].tolist(), label.tolist(), strict=True))
    count = np.bincount(label).astype(float)
    middle = predictors[there].mean(axis=0)
    X = predictors - middle
    inner = X[there] - (_sums(X[there], label) / count[:, None])[label]
    left, size, right = np.linalg.svd(inner, full_matrices=False)
    kept = size > LEAST_LEFT * max(float(size.max(initial=0.0)), LEAST_LEFT)
    left, size, right = left[:, kept], size[kept], right[kept]
    df = max(float(there.sum()) - count.size - size.size, 1.0)
    expected = np.empty((study.size, target.shape[1]))
    for c in range(target.shape[1]):
        seen = target[there, c]
        centred = seen - (np.bincount(label, seen) / count)[label]
        score = left.T @ centred
        rest = centred - left @ score
        sigma2 = float(rest @ rest) / rng.chisquare(df)
        drawn = score + math.sqrt(sigma2) * rng.standard_normal(score.size)
        slope = right.T @ (drawn / size)
        level = np.bincount(label, seen - X[there] @ slope) / count
        common = float(level.mean())
        spread2 = 0.0
        if level.size > 1:
            spread2 = max(float(level.var(ddof=1)) - sigma2 * float(np.mean(1.0 / count)), 0.0)
        towards = spread2 / (spread2 + sigma2 / count) if spread2 > 0 else np.zeros(count.size)
        scatter = np.sqrt(towards * sigma2 / count)
        levels = common + towards * (level - common) + scatter * rng.standard_normal(count.size)
        fresh = {
            s: common + math.sqrt(spread2) * float(rng.standard_normal())
            for s in sorted(set(study.tolist()) - set(home))
        }
        own = np.array([levels[home[s]] if s in home else fresh[s] for s in study.tolist()])
        scale = float(seen.std())
        expected[:, c] = (own + X @ slope) / (scale if scale > 0 else 1.0)
    return expected


def _nearest(expected: FloatArray, there: BoolArray, rng: np.random.Generator) -> IntArray:
    places, gaps = np.flatnonzero(there), np.flatnonzero(~there)
    few = min(DONORS, places.size)
    which = rng.integers(few, size=gaps.size)
    pick = np.empty(gaps.size, dtype=np.int64)
    for start in range(0, gaps.size, GAPS_AT_ONCE):
        part = slice(start, start + GAPS_AT_ONCE)
        apart = expected[gaps[part], None, :] - expected[None, places, :]
        near = np.argpartition((apart**2).sum(axis=2), few - 1, axis=1)[:, :few]
        pick[part] = near[np.arange(near.shape[0]), which[part]]
    donors = np.arange(there.size)
    donors[gaps] = places[pick]
    return donors.astype(np.int64)


def _sums(values: FloatArray, label: IntArray) -> FloatArray:
    sums: FloatArray = np.zeros((int(label.max()) + 1, values.shape[1]))
    np.add.at(sums, label, values)
    return sums
