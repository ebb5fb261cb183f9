"""Sham pairs: same start temperature, two labels, and so no effect but that of handling."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from metafreeze.errors import InputError
from metafreeze.results import RESULT, Result, round_for_people

NAN = float("nan")
LABELS = ("A", "B")


@dataclass(**RESULT)
class ShamPairs(Result):
    """Difference between two labels that stand for nothing.

    Parameters
    ----------
    log_ratio, low, high : float
        ln of A over B, mean over pairs, with its 95 % interval.
    pairs : int
        Batches that hold both labels.
    asked, found : str
        One sentence each.
    status, note : str
    """

    log_ratio: float
    low: float
    high: float
    pairs: int
    asked: str
    found: str
    status: str = "ok"
    note: str = ""

    def to_frame(self) -> pd.DataFrame:
        """Give the difference as one row."""
        return pd.DataFrame([{name: getattr(self, name) for name in self.field_names()}])

    def headline(self) -> str:
        """Say the difference in one line."""
        if self.status != "ok":
            return f"sham pairs: {self.note}"
        return f"sham pairs differ by {round_for_people(self.log_ratio)} in {self.pairs} batches"


ASKED = "How much do two vessels differ that were started alike and only labelled apart?"


def compare_sham(y: npt.ArrayLike, label: npt.ArrayLike, block: npt.ArrayLike) -> ShamPairs:
    """Compare sham labels within blocks.

    Parameters
    ----------
    y : array, shape (n,)
        ln time.
    label : array of str, shape (n,)
        "A" or "B"; anything else is no sham.
    block : array, shape (n,)
        Batch and start temperature within which the two are a pair.

    Returns
    -------
    ShamPairs

    Raises
    ------
    InputError
        The arrays differ in length.

    Source
    ------
    Student (1908), Biometrika 6:1-25, on differences of pairs.
    """
    times, words = np.asarray(y, dtype=float), np.asarray(label, dtype=object)
    blocks = np.asarray(block, dtype=object)
    if not times.shape == words.shape == blocks.shape:
        raise InputError("y, label and block differ in length. Give one value a row in each.")
    frame = pd.DataFrame({"block": blocks, "label": words, "y": times})
    frame = frame[frame["label"].isin(LABELS)]
    if frame.empty:
        return _does_not_apply("no row bears a sham label", 0)
    means = frame.groupby(["block", "label"])["y"].mean().unstack("label")
    means = means.reindex(columns=list(LABELS)).dropna()
    difference = (means["A"] - means["B"]).to_numpy()
    if difference.size < 2:
        return _does_not_apply("fewer than two batches hold both labels", difference.size)
    centre = float(difference.mean())
    se = float(difference.std(ddof=1)) / np.sqrt(difference.size)
    half = float(stats.t.isf(0.025, difference.size - 1)) * se
    clear = abs(centre) > half
    return ShamPairs(
        log_ratio=centre,
        low=centre - half,
        high=centre + half,
        pairs=int(difference.size),
        asked=ASKED,
        found=(
            "They differ clearly, so place or handling has an effect of its own."
            if clear
            else "They do not differ clearly."
        ),
    )


def _does_not_apply(why: str, pairs: int) -> ShamPairs:
    return ShamPairs(
        log_ratio=NAN,
        low=NAN,
        high=NAN,
        pairs=pairs,
        asked=ASKED,
        found=f"It does not apply: {why}.",
        status="unidentifiable",
        note=why,
    )
