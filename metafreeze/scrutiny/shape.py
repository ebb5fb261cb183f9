"""The whole curve over start temperature: whether a hotter start beats a cooler one anywhere."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from metafreeze.errors import InputError
from metafreeze.results import RESULT, FloatArray, Result, round_for_people

NAN = float("nan")
COLUMNS = ("hot_c", "cold_c", "log_ratio", "low", "high")
MOST_KNOTS = 4
MOST_LEVELS = 9
DRAWS = 20_000
FEWEST_DF = 4


@dataclass(**RESULT)
class Shape(Result):
    """Differences between all pairs of start temperatures, with one level for all of them.

    Parameters
    ----------
    pairs : DataFrame
        One row a pair: hot, cold, log ratio, simultaneous interval.
    reversed_hot_c, reversed_cold_c : float
        The pair where the hotter start is clearly sooner, the clearest one; NaN where none is.
    level : float
        Level of all intervals together.
    blocks, rows : int
    asked, found : str
        One sentence each.
    status, note : str
    """

    pairs: pd.DataFrame
    reversed_hot_c: float
    reversed_cold_c: float
    level: float
    blocks: int
    rows: int
    asked: str
    found: str
    status: str = "ok"
    note: str = ""

    def to_frame(self) -> pd.DataFrame:
        """Give one row a pair."""
        return self.pairs.copy()

    def headline(self) -> str:
        """Say whether a hotter start beats a cooler one anywhere."""
        if self.status != "ok":
            return f"shape: {self.note}"
        if np.isnan(self.reversed_hot_c):
            return f"no reversal among {len(self.pairs)} pairs"
        return (
            f"reversal: {round_for_people(self.reversed_hot_c)} °C before "
            f"{round_for_people(self.reversed_cold_c)} °C"
        )


ASKED = "Does a hotter start beat a cooler one anywhere in the range?"


def natural_spline(values: FloatArray, knots: FloatArray) -> FloatArray:
    """Give the columns of a natural cubic spline without its constant.

    Parameters
    ----------
    values : array, shape (n,)
        Where to evaluate.
    knots : array, shape (k,)
        Increasing; two give a straight line.

    Returns
    -------
    array, shape (n, k - 1)

    Source
    ------
    Hastie, Tibshirani & Friedman (2009), The Elements of Statistical Learning, equations
    5.4-5.5.
    """
    width = float(knots[-1] - knots[0])
    z, t = (values - knots[0]) / width, (knots - knots[0]) / width

    def piece(k: int) -> FloatArray:
        over = np.clip(z - t[k], 0.0, None) ** 3 - np.clip(z - t[-1], 0.0, None) ** 3
        return np.asarray(over / (t[-1] - t[k]))

    last = piece(len(t) - 2)
    return np.column_stack([z, *(piece(k) - last for k in range(len(t) - 2))])


def fit_shape(
    start_c: npt.ArrayLike,
    y: npt.ArrayLike,
    block: npt.ArrayLike,
    *,
    rng: np.random.Generator,
    level: float = 0.95,
    draws: int = DRAWS,
) -> Shape:
    """Fit one curve within blocks and compare all pairs of start temperatures at once.

    What it assumes: one curve for all labs and scatter alike in all rows; where labs differ,
    the answer is for these labs.

    Parameters
    ----------
    start_c : array, shape (n,)
        Start temperatures, °C.
    y : array, shape (n,)
        ln time.
    block : array, shape (n,)
        Batch of each row.
    rng : Generator
        Source of the draws behind the common critical value.
    level : float
        Level of all intervals together.
    draws : int
        Draws of the largest deviation.

    Returns
    -------
    Shape

    Raises
    ------
    InputError
        The arrays differ in length.

    Source
    ------
    Largest of correlated t values: Hothorn, Bretz & Westfall (2008), Biom. J. 50:346-363, with
    the distribution drawn. Basis: `natural_spline`.
    """
    starts, times = np.asarray(start_c, dtype=float), np.asarray(y, dtype=float)
    label = np.unique(np.asarray(block), return_inverse=True)[1]
    if not starts.shape == times.shape == label.shape:
        raise InputError(
            f"start_c, y and block have shapes {starts.shape}, {times.shape} and {label.shape}. "
            "Give one value a row in each."
        )
    spread = starts - _means(starts, label)[label]
    telling = np.bincount(label, spread**2)[label] > 0
    starts, times = starts[telling], times[telling]
    label = np.unique(label[telling], return_inverse=True)[1]
    levels = np.unique(np.round(starts))
    if levels.size < 2:
        return _does_not_apply("no batch holds two start temperatures", level)
    knots = np.unique(
        np.quantile(levels, np.linspace(0.0, 1.0, min(MOST_KNOTS, levels.size)), method="nearest")
    )
    blocks = int(label.max()) + 1
    columns = natural_spline(starts, knots)
    centred = np.column_stack([c - _means(c, label)[label] for c in columns.T])
    df = starts.size - blocks - centred.shape[1]
    q, r = np.linalg.qr(centred)
    thin = np.abs(np.diag(r)) <= 1e-9 * np.linalg.norm(centred, axis=0)
    if df < FEWEST_DF or bool(thin.any()):
        return _does_not_apply("the runs are too few for a curve", level)
    outcome = times - _means(times, label)[label]
    slope = np.linalg.solve(r, q.T @ outcome)
    rest = outcome - centred @ slope
    sd = float(np.sqrt(rest @ rest / df))
    if levels.size > MOST_LEVELS:
        levels = np.linspace(levels[0], levels[-1], MOST_LEVELS)
    cold, hot = np.triu_indices(levels.size, k=1)
    at = natural_spline(levels, knots)
    contrast = np.linalg.solve(r.T, (at[hot] - at[cold]).T).T
    size = np.linalg.norm(contrast, axis=1)
    z = rng.standard_normal((draws, contrast.shape[1]))
    scale = np.sqrt(rng.chisquare(df, size=draws) / df)
    largest = np.abs(z @ (contrast / size[:, np.newaxis]).T).max(axis=1) / scale
    critical = float(np.quantile(largest, level))
    estimate = (at[hot] - at[cold]) @ slope
    half = critical * sd * size
    pairs = pd.DataFrame(
        {
            "hot_c": levels[hot],
            "cold_c": levels[cold],
            "log_ratio": estimate,
            "low": estimate - half,
            "high": estimate + half,
        },
        columns=list(COLUMNS),
    )
    place = int(np.argmin(estimate + half))
    beaten = bool(estimate[place] + half[place] < 0)
    hotter, colder = (float(levels[k[place]]) if beaten else NAN for k in (hot, cold))
    return Shape(
        pairs=pairs,
        reversed_hot_c=hotter,
        reversed_cold_c=colder,
        level=level,
        blocks=blocks,
        rows=int(starts.size),
        asked=ASKED,
        found=(
            f"Yes: {hotter:.0f} °C finished clearly before {colder:.0f} °C."
            if beaten
            else (
                f"No: among {len(pairs)} pairs of start temperatures none shows the hotter one "
                "clearly sooner."
                if len(pairs) > 1
                else "No: the only pair of start temperatures shows no hotter one clearly sooner."
            )
        ),
    )


def _means(values: FloatArray, label: npt.NDArray[np.intp]) -> FloatArray:
    means: FloatArray = np.bincount(label, values) / np.bincount(label)
    return means


def _does_not_apply(why: str, level: float) -> Shape:
    return Shape(
        pairs=pd.DataFrame(columns=list(COLUMNS)),
        reversed_hot_c=NAN,
        reversed_cold_c=NAN,
        level=level,
        blocks=0,
        rows=0,
        asked=ASKED,
        found=f"It does not apply: {why}.",
        status="unidentifiable",
        note=why,
    )
