"""Random, balanced places and orders: which start temperature goes where, and when."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from metafreeze.errors import InputError
from metafreeze.results import IntArray

# Swaps per cell after which nothing of the starting pattern is left to see.
SWAPS_PER_CELL = 10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Allocation:
    """Which start temperature each vessel of each batch gets.

    Parameters
    ----------
    temperature : array of int, shape (B, V)
        Number of the start temperature at each place of each batch.
    order : array of int, shape (B, V)
        When the vessel at that place goes in, from one.
    """

    temperature: IntArray
    order: IntArray


def allocate(
    temperatures: int, *, batches: int, vessels: int, rng: np.random.Generator
) -> Allocation:
    """Deal start temperatures to places and turns, at random and as evenly as the numbers allow.

    Within a batch, at a place over all batches, at a turn of insertion over all batches, and
    in all, the counts of any two temperatures differ by one at most; by none where the numbers
    divide.

    Parameters
    ----------
    temperatures, batches, vessels : int
        How many of each.
    rng : Generator

    Returns
    -------
    Allocation

    Raises
    ------
    InputError
        Fewer than one of anything, or fewer vessels than two.

    Source
    ------
    Rows of a cyclic square with evenly spread shifts: every row and column holds each symbol
    equally often, or one more. Made random by exchanges that keep all row and column counts:
    Ryser HJ (1957) Combinatorial properties of matrices of zeros and ones, Canadian Journal of
    Mathematics 9:371-377, doi:10.4153/CJM-1957-044-3.
    """
    for name, value, least in (
        ("temperatures", temperatures, 1),
        ("batches", batches, 1),
        ("vessels", vessels, 1),
    ):
        if value < least:
            raise InputError(f"{name} is {value!r}. Give a whole number from {least}.")
    shifts = _spread_shifts(temperatures, batches)
    rows, names = rng.permutation(batches), rng.permutation(temperatures)
    at_place, at_turn = (
        _mix(names[(shifts[rows][:, None] + np.arange(vessels)) % temperatures], rng)
        for _ in range(2)
    )
    order = np.empty((batches, vessels), dtype=np.int64)
    for batch in range(batches):
        for t in range(temperatures):
            places = np.flatnonzero(at_place[batch] == t)
            turns = np.flatnonzero(at_turn[batch] == t)
            order[batch, places] = rng.permutation(turns) + 1
    return Allocation(temperature=at_place, order=order)


def _spread_shifts(temperatures: int, batches: int) -> IntArray:
    """Shift each batch; what is left after whole rounds is spread evenly over the round."""
    whole, left = divmod(batches, temperatures)
    rounds = np.tile(np.arange(temperatures), whole)
    return np.concatenate([rounds, np.arange(left) * temperatures // max(left, 1)])


def _mix(square: IntArray, rng: np.random.Generator) -> IntArray:
    """Permute the columns, then exchange at random what keeps every row's and column's counts."""
    mixed = square[:, rng.permutation(square.shape[1])].copy()
    batches, vessels = mixed.shape
    if min(batches, vessels) < 2:
        return mixed
    swaps = SWAPS_PER_CELL * mixed.size
    rows = rng.integers(0, batches, (swaps, 2))
    columns = rng.integers(0, vessels, (swaps, 2))
    for (r, s), (c, d) in zip(rows.tolist(), columns.tolist(), strict=True):
        one, other = mixed[r, c], mixed[r, d]
        if mixed[s, d] == one and mixed[s, c] == other:
            mixed[r, c] = mixed[s, d] = other
            mixed[r, d] = mixed[s, c] = one
    return mixed


def sham_pairs(temperature: IntArray, rng: np.random.Generator) -> IntArray:
    """Choose in each batch two vessels of one start temperature, to be told apart by name only.

    Parameters
    ----------
    temperature : array of int, shape (B, V)
        As in `Allocation`.
    rng : Generator

    Returns
    -------
    array of int, shape (B, V)
        1 and 2 for the two labels, 0 for all other vessels. Over the batches the pair goes
        round the temperatures.

    Raises
    ------
    InputError
        A batch holds no two vessels of one temperature.
    """
    label = np.zeros_like(temperature)
    count = int(temperature.max()) + 1
    first = int(rng.integers(count))
    for batch, row in enumerate(temperature):
        turn = [(first + batch + k) % count for k in range(count)]
        fit = next((t for t in turn if int((row == t).sum()) >= 2), None)
        if fit is None:
            raise InputError(
                f"Batch {batch + 1} has {row.size} vessels at {count} start temperatures, none "
                "twice, so there is no sham pair. Give more vessels or fewer temperatures."
            )
        pair = rng.permutation(np.flatnonzero(row == fit))[:2]
        label[batch, pair] = (1, 2)
    return label
