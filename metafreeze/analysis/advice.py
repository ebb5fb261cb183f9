"""What would buy most: the columns that are missing and the question each would answer."""

from __future__ import annotations

from typing import NamedTuple

import pandas as pd


class Advice(NamedTuple):
    """One thing to write down next time.

    Parameters
    ----------
    fields : tuple of str
        Any one of these schema fields would serve.
    words : str
        What it buys, and how to get it.
    """

    fields: tuple[str, ...]
    words: str


# In the order of what they buy: without batches nothing can be compared like with like,
# and each consequence of starting hot needs its own measurement.
ADVICE: tuple[Advice, ...] = (
    Advice(
        ("block_id", "session_id"),
        "to compare like with like, write down which vessels cooled together",
    ),
    Advice(
        ("mass_evaporated_g", "water_mass_end_g"),
        "to test evaporation, weigh each vessel before and after",
    ),
    Advice(("base_support", "frost_before_mm"), "to test frost, write down what vessels stood on"),
    Advice(("position_id", "position_xyz_cm"), "to test placement, write down where vessels stood"),
    Advice(("sink_temp_c",), "to compare with ordinary physics, log the freezer's temperature"),
    Advice(
        ("water_mass_start_g",), "to compare with ordinary physics, weigh the water at the start"
    ),
    Advice(("assignment",), "to rule out habits, draw places and order at random and say so"),
    Advice(
        ("supercooling_k", "nucleation_temp_c"),
        "to test supercooling, log the water's temperature through first ice",
    ),
)

MOST_ADVICE = 3
# A column that is filled in for fewer rows than this share answers nothing yet.
FILLED_SHARE = 0.5


def advise(rows: pd.DataFrame, *, most: int = MOST_ADVICE) -> tuple[str, ...]:
    """Say what to write down next time, the most useful first.

    Parameters
    ----------
    rows : DataFrame
        Rows of the register.
    most : int
        How many at most.

    Returns
    -------
    tuple of str
        Clauses without a capital or a full stop.
    """
    lacking = []
    for item in ADVICE:
        filled = max((float(rows[f].notna().mean()) for f in item.fields if f in rows), default=0.0)
        if not filled >= FILLED_SHARE:
            lacking.append(item.words)
    return tuple(lacking[:most])
