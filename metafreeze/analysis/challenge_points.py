"""Register rows as points of a naive graph, and what a newcomer would do with them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from metafreeze.analysis.pooling import KELVIN_PER_UNIT, study_names
from metafreeze.options import Endpoint
from metafreeze.results import BoolArray, FloatArray, IntArray

REFERENCE_C = 20.0
ASSIGNED = ("randomised", "alternated")
# What sets the ice off from outside: the vessel would have stayed liquid for longer.
PROVOKED = ("knock", "door", "probe_move")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Points:
    """Rows as points of a naive graph: start temperature, time, and what each row is."""

    x: FloatArray
    y: FloatArray
    primary: BoolArray
    exact: BoolArray
    study: np.ndarray[Any, Any]
    block: np.ndarray[Any, Any]
    assigned: BoolArray


def points_of(rows: pd.DataFrame, endpoint: Endpoint) -> Points:
    """Put runs and published means on one graph, as a newcomer would."""
    times = rows["time_upper_s"].astype(float)
    group = rows["record_level"].eq("arm_summary").to_numpy(dtype=bool, na_value=False)
    middle = rows["mean_s"].astype(float).fillna(rows["median_s"].astype(float))
    time = np.where(group, middle, times)
    usable = (
        rows["exclusion_reason"].isna().to_numpy()
        & rows["start_temp_c"].notna().to_numpy()
        & np.isfinite(time)
        & (time > 0)
        & rows["endpoint"].notna().to_numpy()
        & rows["endpoint"].ne("ice_at_time").to_numpy(dtype=bool, na_value=False)
    )
    kept = rows[usable]
    study = study_names(kept)
    block = block_names(kept)
    lower = kept["time_lower_s"].astype(float).to_numpy()
    return Points(
        x=(kept["start_temp_c"].to_numpy(dtype=np.float64) - REFERENCE_C) / KELVIN_PER_UNIT,
        y=np.log(time[usable]),
        primary=kept["endpoint"].eq(endpoint).to_numpy(dtype=bool, na_value=False),
        exact=(lower == kept["time_upper_s"].astype(float).to_numpy()) & ~group[usable],
        study=study.to_numpy(dtype=object),
        block=block.to_numpy(dtype=object),
        assigned=kept["assignment"].isin(ASSIGNED).to_numpy(dtype=bool),
    )


def block_names(rows: pd.DataFrame) -> pd.Series:
    """Name the batch of every row by its study and its block, else its session."""
    block = rows["block_id"].fillna(rows["session_id"]).fillna("").astype(str)
    return study_names(rows) + "\x1f" + block


def codes(words: pd.Series) -> IntArray:
    """Give each word a number, equal ones the same, in their order.

    Parameters
    ----------
    words : Series
        Names.

    Returns
    -------
    array of int, shape (n,)
    """
    found = np.unique(words.to_numpy(dtype=object).astype(str), return_inverse=True)[1]
    return found.astype(np.int64)


def looks_as_events(rows: pd.DataFrame) -> tuple[pd.DataFrame, BoolArray]:
    """Take each look for the event, and drop what was never seen to end.

    Returns
    -------
    rows : DataFrame
        The rows left, with one exact time each.
    kept : bool array, shape (rows,)
        Which rows are left.
    """
    run = rows["record_level"].eq("run").to_numpy(dtype=bool, na_value=False)
    kept = ~run | rows["time_upper_s"].notna().to_numpy()
    seen = rows[kept].reset_index(drop=True)
    seen["time_lower_s"] = seen["time_upper_s"]
    return seen, kept


def censor_provoked(rows: pd.DataFrame) -> pd.DataFrame:
    """Take a first ice that a knock set off for what it is: it would have come later.

    Other endpoints hardly depend on when the ice began and stay as they are.

    Parameters
    ----------
    rows : DataFrame
        Rows of the register.

    Returns
    -------
    DataFrame
        The same rows; where ice was provoked, without an upper bound.
    """
    provoked = (
        rows["endpoint"].eq("t_first_ice").to_numpy(dtype=bool, na_value=False)
        & rows["record_level"].eq("run").to_numpy(dtype=bool, na_value=False)
        & rows["trigger_event"].isin(PROVOKED).to_numpy(dtype=bool)
        & rows["time_upper_s"].notna().to_numpy()
    )
    if not provoked.any():
        return rows
    bounded = rows.copy()
    # A knock between two looks: ice was absent until the earlier one.
    bounded["time_upper_s"] = bounded["time_upper_s"].mask(provoked)
    return bounded
