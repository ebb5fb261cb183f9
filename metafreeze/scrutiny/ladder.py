"""The ladder: what happens to the apparent effect as like is compared with like.

Each rung changes one thing. Where a rung changes the rows used, the rung before is computed
again on the same rows, so that no change of sample is taken for a change of effect.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from metafreeze.results import RESULT, BoolArray, FloatArray, IntArray, Result, round_for_people

COLUMNS = (
    "rung",
    "question",
    "estimate",
    "low",
    "high",
    "rows",
    "before_on_same_rows",
    "change",
    "status",
    "note",
)
NAN = float("nan")


@dataclass(frozen=True, slots=True, kw_only=True)
class Rung:
    """One rung: an estimate under one more like-with-like comparison.

    Parameters
    ----------
    name : str
        Short name, such as ``batch``.
    question : str
        What is compared, in a clause.
    estimate, low, high : float
        Log ratio at the pair with its 95 % interval.
    rows : int
        Rows used.
    before_on_same_rows : float
        The rung before, computed on these rows; NaN on the first rung.
    status, note : str
        One word, and why.
    """

    name: str
    question: str
    estimate: float
    low: float
    high: float
    rows: int
    before_on_same_rows: float = NAN
    status: str = "ok"
    note: str = ""

    @property
    def change(self) -> float:
        """What this rung alone changes, on the same rows."""
        return self.estimate - self.before_on_same_rows


@dataclass(**RESULT)
class Ladder(Result):
    """All rungs in their order.

    Parameters
    ----------
    rungs : tuple of Rung
        From the naive graph to the total effect, then each consequence held fixed.
    asked, found : str
        One sentence each.
    """

    rungs: tuple[Rung, ...]
    asked: str
    found: str

    def to_frame(self) -> pd.DataFrame:
        """Give one row a rung."""
        return pd.DataFrame(
            [
                (
                    r.name,
                    r.question,
                    r.estimate,
                    r.low,
                    r.high,
                    r.rows,
                    r.before_on_same_rows,
                    r.change,
                    r.status,
                    r.note,
                )
                for r in self.rungs
            ],
            columns=list(COLUMNS),
        )

    def headline(self) -> str:
        """Say the result in one line."""
        first, last = self.rungs[0], self.rungs[-1]
        return (
            f"{first.name} {round_for_people(first.estimate)} to {last.name} "
            f"{round_for_people(last.estimate)} over {len(self.rungs)} rungs"
        )

    def largest_step(self, *, upto: str) -> Rung | None:
        """Name the rung that took most of a negative effect away, up to one rung."""
        candidates = []
        for rung in self.rungs:
            if np.isfinite(rung.change):
                candidates.append(rung)
            if rung.name == upto:
                break
        return max(candidates, key=lambda r: r.change, default=None)


def slope_through(
    x: FloatArray, y: FloatArray, groups: Sequence[IntArray] = ()
) -> tuple[float, float, float]:
    """Slope of least squares, within groups where they are given.

    Parameters
    ----------
    x, y : array, shape (n,)
        Start temperature per 10 K, and ln time.
    groups : sequence of int arrays, shape (n,)
        At most one labelling: x and y are centred within it.

    Returns
    -------
    slope, se, df : float
        NaN where x does not vary within groups.

    Source
    ------
    Ordinary least squares; any textbook of linear models.
    """
    n = x.size
    if groups:
        label = groups[0]
        count = np.bincount(label)
        used = count > 0
        level = int(used.sum())
        x = x - (np.bincount(label, x) / np.maximum(count, 1))[label]
        y = y - (np.bincount(label, y) / np.maximum(count, 1))[label]
    else:
        level = 1 if n else 0
        x = x - x.mean() if n else x
        y = y - y.mean() if n else y
    weight = float(x @ x)
    df = n - level - 1
    if not weight > 0 or df < 1:
        return NAN, NAN, NAN
    slope = float(x @ y) / weight
    rest = y - slope * x
    return slope, float(np.sqrt(rest @ rest / df / weight)), float(df)


def least_squares_rung(
    name: str,
    question: str,
    x: FloatArray,
    y: FloatArray,
    *,
    units: float,
    keep: BoolArray,
    group: IntArray | None = None,
    before_on_same_rows: float = NAN,
    level: float = 0.95,
) -> Rung:
    """Make a rung from least squares on the rows kept.

    Parameters
    ----------
    name, question : str
        As in `Rung`.
    x, y : array, shape (n,)
        Start temperature per 10 K, and ln time.
    units : float
        The pair's distance in 10 K.
    keep : bool array, shape (n,)
        Rows of this rung.
    group : int array, shape (n,), optional
        Groups within which to compare.
    before_on_same_rows : float
        The rung before on these rows.
    level : float
        Level of the interval.

    Returns
    -------
    Rung
    """
    groups = () if group is None else (np.unique(group[keep], return_inverse=True)[1],)
    slope, se, df = slope_through(x[keep], y[keep], groups)
    half = float(stats.t.isf((1 - level) / 2, df)) * se if np.isfinite(se) else NAN
    status = "ok" if np.isfinite(slope) else "unidentifiable"
    return Rung(
        name=name,
        question=question,
        estimate=units * slope,
        low=units * (slope - half),
        high=units * (slope + half),
        rows=int(keep.sum()),
        before_on_same_rows=before_on_same_rows,
        status=status,
        note="" if status == "ok" else "start temperatures do not vary in this comparison",
    )
