"""Counts of pairs: in how many of them the hotter vessel was first."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from metafreeze.register.meaning.values import cell_text
from metafreeze.register.meaning.words import find_winner, is_missing, read_counted
from metafreeze.register.rows.drafts import Draft
from metafreeze.register.rows.fields import read_quantity
from metafreeze.register.rows.readings import Reading

BoolArray = npt.NDArray[np.bool_]


def read_pairs(reading: Reading, draft: Draft) -> BoolArray:
    """Read `k of n`, separate counts, or the winner of single pairs.

    Parameters
    ----------
    reading : Reading
        The table.
    draft : Draft
        One row for each record; receives the counts.

    Returns
    -------
    bool array, shape (records,)
        True where a record counts pairs.
    """
    n = draft.n
    hot_first, pairs, ties = (np.full(n, np.nan) for _ in range(3))
    for target, store in (("k_hot_first", hot_first), ("n_pairs", pairs), ("n_ties", ties)):
        column = reading.named.first(target)
        if column is not None:
            store[:] = read_quantity(column, draft, reading.dialect, reading.findings).values
    _read_fractions(reading, draft, hot_first, pairs)
    winner = reading.named.first("winner")
    if winner is not None:
        for at in range(n):
            who = find_winner(cell_text(winner.column, at))
            if who is not None:
                hot_first[at] = float(who == "hot")
                pairs[at], ties[at] = 1.0, float(who == "tie")
    counted: BoolArray = ~np.isnan(hot_first) & ~reading.totals
    if not counted.any():
        return counted
    if np.isnan(pairs[counted]).any() and "n_runs" in draft.columns:
        # Beside a count of wins, n is the number of pairs.
        runs = draft.numbers("n_runs")
        pairs = np.where(counted & np.isnan(pairs), runs, pairs)
        draft.columns["n_runs"] = np.where(counted, np.nan, runs)
    draft.columns.update(k_hot_first=hot_first, n_pairs=pairs, n_ties=ties)
    without = counted & np.isnan(pairs)
    for lacking in np.flatnonzero(without):
        reading.findings.add(
            "note",
            "count-without-pairs",
            "The number of pairs is missing: the row is kept and left out",
            remedy="Add a column “pairs”",
            table=draft.table,
            at=int(lacking),
        )
    draft.exclude(without, "no number of pairs")
    return counted


def _read_fractions(
    reading: Reading,
    draft: Draft,
    hot_first: npt.NDArray[np.float64],
    pairs: npt.NDArray[np.float64],
) -> None:
    column = reading.named.first("counted")
    if column is None:
        return
    for at in range(draft.n):
        text = cell_text(column.column, at)
        if is_missing(text):
            continue
        both = read_counted(text)
        if both is None:
            reading.findings.add(
                "error",
                "not-a-count",
                f"“{text}” is no count of pairs",
                remedy="Write it as k/n, such as 7/10",
                table=draft.table,
                column=column.column,
                at=at,
                value=text,
            )
        else:
            hot_first[at], pairs[at] = both
