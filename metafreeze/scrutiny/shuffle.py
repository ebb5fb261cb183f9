"""The shuffle test: would start temperatures dealt out anew in each block do as well.

It asks whether there is no effect in any study. It also rejects when labs differ around
zero, so it may veto a verdict and never establish one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import permutations, product

import numpy as np
import numpy.typing as npt
import pandas as pd

from metafreeze.errors import InputError
from metafreeze.models.cut_normal import between_bounds
from metafreeze.results import RESULT, FloatArray, IntArray, Result, round_for_people

MOST_EXACT = 20_000
DRAWS = 1_999
# Statistics closer than this, relative to the largest, are ties of rounding.
TIE = 1e-12
MOST_ROUNDS = 200
SETTLED = 1e-6
NAN = float("nan")


@dataclass(**RESULT)
class ShuffleTest(Result):
    """How often chance alone gives a slope as far from zero.

    Parameters
    ----------
    slope : float
        Slope within blocks, per 10 K, as seen.
    p : float
        Share of deals with a slope as far from zero, either way; NaN where it does not apply.
    p_sooner : float
        Share of deals with a slope as low.
    deals : int
        Arrangements tried.
    exact : bool
        True where every arrangement was tried.
    blocks, rows : int
        Blocks with two start temperatures or more, and rows in them.
    asked, found : str
        One sentence each.
    status, note : str
        ``ok``, or ``unidentifiable`` and why it does not apply.
    """

    slope: float
    p: float
    p_sooner: float
    deals: int
    exact: bool
    blocks: int
    rows: int
    asked: str
    found: str
    status: str = "ok"
    note: str = ""

    def to_frame(self) -> pd.DataFrame:
        """Give the test as one row."""
        return pd.DataFrame([{name: getattr(self, name) for name in self.field_names()}])

    def headline(self) -> str:
        """Say the result in one line."""
        if self.status != "ok":
            return f"shuffle test does not apply: {self.note}"
        kind = "all" if self.exact else "random"
        return (
            f"p {round_for_people(self.p)} from {self.deals} {kind} deals in {self.blocks} blocks"
        )


ASKED = (
    "If start temperature made no difference in any lab, would dealing the temperatures out "
    "anew within each batch give a slope as far from zero?"
)


def shuffle_test(
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    block: npt.ArrayLike,
    *,
    rng: np.random.Generator,
    draws: int = DRAWS,
) -> ShuffleTest:
    """Deal start temperatures out anew within blocks and compare slopes.

    Use it where temperatures were assigned at random or in turn within blocks; elsewhere the
    caller must not. The statistic is the slope within blocks, the best one when rows scatter
    alike. All arrangements are tried where there are few, else so many random ones.

    Parameters
    ----------
    x : array, shape (n,)
        Start temperature per 10 K.
    y : array, shape (n,)
        ln time, or ln time less that of the baseline for the excess.
    block : array, shape (n,)
        Block of each row.
    rng : Generator
        Source of the random deals.
    draws : int
        Random deals, at least 99.

    Returns
    -------
    ShuffleTest

    Raises
    ------
    InputError
        Fewer than 99 draws.

    Source
    ------
    Phipson & Smyth (2010), Stat. Appl. Genet. Mol. Biol. 9:39 for p = (1 + b)/(1 + B);
    Pitman (1937), J. R. Stat. Soc. Suppl. 4:119-130 for the permutation of assignments.
    """
    if draws < 99:
        raise InputError(f"draws is {draws}. Give at least 99.")
    values, times = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    label = np.unique(np.asarray(block), return_inverse=True)[1]
    order = np.argsort(label, kind="stable")
    values, times, label = values[order], times[order], label[order]
    spread = values - _block_means(values, label)[label]
    telling = _block_sums(spread**2, label) > 0
    keep = telling[label]
    values, times = values[keep], times[keep]
    label = np.unique(label[keep], return_inverse=True)[1]
    blocks = int(telling.sum())
    if blocks == 0:
        return _does_not_apply("no batch holds two start temperatures")
    spread = values - _block_means(values, label)[label]
    rest = times - _block_means(times, label)[label]
    weight = float(spread @ spread)
    seen = float(spread @ rest) / weight
    count = _arrangements(values, label)
    if count <= MOST_EXACT:
        slopes = _all_slopes(spread, rest, label) / weight
        exact = True
    else:
        slopes = _random_slopes(spread, rest, label, draws, rng) / weight
        exact = False
    tie = TIE * float(np.abs(slopes).max(initial=abs(seen)))
    far = int((np.abs(slopes) >= abs(seen) - tie).sum())
    low = int((slopes <= seen + tie).sum())
    extra = 0 if exact else 1
    p = (extra + far) / (extra + slopes.size)
    p_sooner = (extra + low) / (extra + slopes.size)
    return ShuffleTest(
        slope=seen,
        p=p,
        p_sooner=p_sooner,
        deals=int(slopes.size),
        exact=exact,
        blocks=blocks,
        rows=int(values.size),
        asked=ASKED,
        found=(
            f"{far} of {slopes.size} deals lie as far from zero as what was seen. A small share "
            "also comes about when labs differ around zero."
        ),
    )


def _does_not_apply(why: str) -> ShuffleTest:
    return ShuffleTest(
        slope=NAN,
        p=NAN,
        p_sooner=NAN,
        deals=0,
        exact=False,
        blocks=0,
        rows=0,
        asked=ASKED,
        found=f"It does not apply: {why}.",
        status="unidentifiable",
        note=why,
    )


def without_shuffle(why: str) -> ShuffleTest:
    """Say that the test does not apply, such as for temperatures that were chosen."""
    return _does_not_apply(why)


def _block_sums(values: FloatArray, label: IntArray) -> FloatArray:
    sums: FloatArray = np.bincount(label, values).astype(np.float64)
    return sums


def _block_means(values: FloatArray, label: IntArray) -> FloatArray:
    means: FloatArray = np.bincount(label, values) / np.bincount(label)
    return means


def _arrangements(values: FloatArray, label: IntArray) -> float:
    total = 1.0
    for b in range(label.max() + 1):
        own = values[label == b]
        _, repeats = np.unique(own, return_counts=True)
        ways = math.factorial(own.size) / math.prod(math.factorial(int(r)) for r in repeats)
        total *= ways
        if total > MOST_EXACT:
            return math.inf
    return total


def _all_slopes(spread: FloatArray, rest: FloatArray, label: IntArray) -> FloatArray:
    """Sum of products of every distinct arrangement, block by block."""
    per_block = []
    for b in range(label.max() + 1):
        own, others = spread[label == b], rest[label == b]
        ways = sorted(set(permutations(own.tolist())))
        per_block.append(np.array(ways) @ others)
    return np.array([sum(ways) for ways in product(*per_block)])


def _random_slopes(
    spread: FloatArray, rest: FloatArray, label: IntArray, draws: int, rng: np.random.Generator
) -> FloatArray:
    """Sum of products of random deals: sorting random keys after the block shuffles inside it."""
    keys = rng.random((draws, spread.size)) + label
    return spread[np.argsort(keys, axis=1)] @ rest


def null_scores(lower: npt.ArrayLike, upper: npt.ArrayLike, block: npt.ArrayLike) -> FloatArray:
    """Give each time not seen exactly the value that the null expects of it.

    The null is one level a block and one spread for all, fitted without start temperature;
    the values are fixed before any deal, so that the deals stay exchangeable under it.

    Parameters
    ----------
    lower, upper : array, shape (n,)
        Bounds of ln time; alike where the time was seen exactly, infinite where there is none.
    block : array, shape (n,)
        Block of each row.

    Returns
    -------
    array, shape (n,)
        ln time, or its expectation between its bounds.

    Source
    ------
    Expectation and maximisation for grouped normal data: Dempster, Laird & Rubin (1977),
    J. R. Stat. Soc. B 39:1-38. Scores fixed at the null: Hájek & Šidák (1967), Theory of Rank
    Tests.
    """
    low, high = np.asarray(lower, dtype=float), np.asarray(upper, dtype=float)
    exact = low == high
    both = np.isfinite(low) & np.isfinite(high)
    values = np.where(both, 0.5 * low + 0.5 * np.where(both, high, 0.0), 0.0)
    values = np.where(both, values, np.where(np.isfinite(high), high, low))
    if exact.all():
        return values
    label = np.unique(np.asarray(block), return_inverse=True)[1]
    spread, rest = 0.0, np.zeros(values.size)
    for _ in range(MOST_ROUNDS):
        mean = _block_means(values, label)[label]
        new = float(np.sqrt(np.mean((values - mean) ** 2 + rest)))
        if not new > 0 or abs(new - spread) <= SETTLED * new:
            break
        spread = new
        at, to = (low - mean) / spread, (high - mean) / spread
        at, to = np.where(exact, -1.0, at), np.where(exact, 1.0, to)
        middle, variance = between_bounds(at, to)
        values = np.where(exact, values, mean + spread * middle)
        rest = np.where(exact, 0.0, spread**2 * variance)
    return values
