"""How many more trials would settle it, said where a verdict is that these cannot tell."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from metafreeze.errors import InputError
from metafreeze.results import RESULT, Result

NAN = float("nan")
COLUMNS = ("unit", "there", "needed", "runs_needed", "status", "note")
POWER, ALPHA = 0.8, 0.05
# More labs or batches than this nobody will ever have.
MOST_UNITS = 500


@dataclass(**RESULT)
class TrialsNeeded(Result):
    """Labs or batches, and runs, at which the answer would not be "cannot tell".

    Parameters
    ----------
    unit : str
        "labs", or "batches" where one or two labs answer.
    there, needed : int
        How many there are, and how many are needed in all; 0 where none are enough.
    runs_needed : int
        Runs in them, at as many a unit as now.
    sentence : str
        The same in words.
    status, note : str
    """

    unit: str
    there: int
    needed: int
    runs_needed: int
    sentence: str
    status: str = "ok"
    note: str = ""

    def to_frame(self) -> pd.DataFrame:
        """Give the answer as one row."""
        return pd.DataFrame([tuple(getattr(self, name) for name in COLUMNS)], columns=list(COLUMNS))

    def headline(self) -> str:
        """Say how many are needed."""
        return self.sentence


def trials_needed(
    se: float,
    *,
    studies: int,
    blocks: int,
    runs: int,
    margin: float,
    margin_words: str,
    shared_se: float = 0.0,
) -> TrialsNeeded:
    """Say how many labs, or batches of one lab, would tell a difference of a margin from none.

    The standard error is taken to shrink with the square root of their number, apart from the
    part that all of them share. Enough are those with which a true difference of the margin is
    told from zero, and no difference is told from the margin, each with a chance of 80 %.

    Parameters
    ----------
    se : float
        Standard error of the effect at the pair now, without the shared part.
    studies, blocks, runs : int
        Behind it. With one or two studies batches are counted, else labs.
    margin : float
        Difference to be told from none, as a log ratio above zero.
    margin_words : str
        The margin for people, such as "5 %".
    shared_se : float
        Standard error that does not shrink.

    Returns
    -------
    TrialsNeeded

    Raises
    ------
    InputError
        The margin is not above zero.

    Source
    ------
    Sample size for a t test, ``margin/se = t(1 - alpha/2) + t(power)``, and for two one-sided
    tests at a true difference of zero, ``t(1 - alpha) + t((1 + power)/2)``: Julious (2004),
    Stat. Med. 23:1921-1986.
    """
    if not margin > 0:
        raise InputError(f"margin is {margin!r}. Give a log ratio above zero.")
    one_lab = studies < 3
    unit, there = ("batches", blocks) if one_lab else ("labs", studies)
    if not (math.isfinite(se) and se > 0 and there > 0):
        return TrialsNeeded(
            unit=unit,
            there=there,
            needed=0,
            runs_needed=0,
            sentence="How many more would settle it cannot be said from these.",
            status="unidentifiable",
            note="the effect has no standard error",
        )
    k = np.arange(max(there, 3), MOST_UNITS + 1)
    df = k - 1.0
    error = np.sqrt(se**2 * there / k + shared_se**2)
    reach = np.maximum(
        stats.t.isf(ALPHA / 2, df) + stats.t.isf(1 - POWER, df),
        stats.t.isf(ALPHA, df) + stats.t.isf((1 - POWER) / 2, df),
    )
    enough = k[reach * error <= margin]
    if not enough.size:
        why = (
            "the part that all labs share is too uncertain: log the sink, weigh the water and "
            "describe the vessels"
            if shared_se * float(reach[-1]) > margin
            else f"more than {MOST_UNITS} {unit} like these would be needed"
        )
        return TrialsNeeded(
            unit=unit,
            there=there,
            needed=0,
            runs_needed=0,
            sentence=f"To tell {margin_words} from none is not reachable by more of the same: "
            f"{why}.",
            status="unidentifiable",
            note=why,
        )
    needed = int(enough[0])
    total = round(runs / there * needed)
    # The sum is already enough where an interval straddles the margin by bad luck.
    more = needed - there
    extra = f"{more} more" if more else "a few more"
    return TrialsNeeded(
        unit=unit,
        there=there,
        needed=needed,
        runs_needed=total,
        sentence=(
            f"To tell {margin_words} from none, about {needed} {unit} like these would be needed "
            f"({total} runs): {extra} than there are."
        ),
    )
