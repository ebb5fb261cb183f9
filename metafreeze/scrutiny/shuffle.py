"""The shuffle test: would start temperatures dealt out anew in each block do as well.

Where a whole batch had one temperature, whole batches were dealt out and whole batches are
dealt anew, within their lab. The test asks whether there is no effect in any study. It also
rejects when labs differ around zero, so it may veto a verdict and never establish one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations, product

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
        Blocks that were dealt anew, and rows in them.
    whole_batches : int
        Of those, batches of one temperature, which were dealt anew as a whole.
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
    whole_batches: int
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
    "anew as they were dealt give a slope as far from zero?"
)
ASKED_OF_EXCESS = (
    "If nothing but ordinary physics went on in any lab, would dealing the temperatures out "
    "anew leave as much of a slope beyond physics?"
)


def shuffle_test(
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    block: npt.ArrayLike,
    *,
    rng: np.random.Generator,
    lab: npt.ArrayLike | None = None,
    draws: int = DRAWS,
    asked: str = ASKED,
) -> ShuffleTest:
    """Deal start temperatures out anew as they were dealt, and compare slopes.

    Use it where temperatures were assigned at random or in turn; elsewhere the caller must
    not. Within a batch of several temperatures they are dealt among its vessels. Batches of a
    single temperature, of which a lab has two or more that differ, are dealt as a whole among
    that lab's such batches, by their means. The statistic is the slope within both. All
    arrangements are tried where there are few, else so many random ones.

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
    lab : array, shape (n,), optional
        Lab of each row; without it batches of one temperature say nothing.
    draws : int
        Random deals, at least 99.
    asked : str
        The question, where it is another than that of no effect.

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
    Pitman (1937), J. R. Stat. Soc. Suppl. 4:119-130 for the permutation of assignments; Gail,
    Mark, Carroll, Green & Pee (1996), Stat. Med. 15:1069-1092 for that of whole groups.
    """
    if draws < 99:
        raise InputError(f"draws is {draws}. Give at least 99.")
    dealt = _dealt_units(
        np.asarray(x, dtype=float),
        np.asarray(y, dtype=float),
        np.unique(np.asarray(block), return_inverse=True)[1],
        None if lab is None else np.unique(np.asarray(lab), return_inverse=True)[1],
    )
    if dealt is None:
        return _does_not_apply(
            "no batch holds two start temperatures, and no lab has batches that differ in theirs",
            asked,
        )
    seen = float(dealt.slopes(dealt.x[np.newaxis])[0])
    exact = _arrangements(dealt.x, dealt.stratum) <= MOST_EXACT
    slopes = _all_slopes(dealt) if exact else _random_slopes(dealt, draws, rng)
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
        blocks=dealt.blocks,
        rows=dealt.rows,
        whole_batches=dealt.whole_batches,
        asked=asked,
        found=(
            f"{far} of {slopes.size} deals lie as far from zero as what was seen. A small share "
            "also comes about when labs differ around zero."
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Dealt:
    """Units among which temperatures are dealt: vessels of a batch, or whole batches of a lab.

    Parameters
    ----------
    x, y, weight : array, shape (n,)
        Temperature, mean outcome and weight of each unit, sorted by stratum.
    stratum : array of int, shape (n,)
        Within which they are dealt.
    blocks, rows, whole_batches : int
    """

    x: FloatArray
    y: FloatArray
    weight: FloatArray
    stratum: IntArray
    blocks: int
    rows: int
    whole_batches: int

    def slopes(self, deals: FloatArray) -> FloatArray:
        """Weighted slope within strata of each line of deals, shape (d, n)."""
        first = np.flatnonzero(np.diff(self.stratum, prepend=-1))
        mass = np.add.reduceat(self.weight, first)
        level = np.add.reduceat(self.weight * self.y, first) / mass
        outcome = self.weight * (self.y - level[self.stratum])
        alike = bool((self.weight == self.weight[first][self.stratum]).all())
        # With equal weights no deal changes the spread of temperatures, so one serves for all.
        own = self.x[np.newaxis] if alike else deals
        sums = np.add.reduceat(own * self.weight, first, axis=1)
        spread = own**2 @ self.weight - sums**2 @ (1.0 / mass)
        slopes: FloatArray = deals @ outcome / spread
        return slopes


def _dealt_units(
    x: FloatArray, y: FloatArray, block: IntArray, lab: IntArray | None
) -> _Dealt | None:
    mean_x = _block_means(x, block)
    spread = _block_sums((x - mean_x[block]) ** 2, block)
    mixed = spread > TIE * max(float(np.max(x**2, initial=0.0)), TIE)
    keep = mixed[block]
    values, times, weight = [x[keep]], [y[keep]], [np.ones(int(keep.sum()))]
    names = [block[keep].astype(float)]
    blocks, rows = int(mixed.sum()), int(keep.sum())
    whole = 0
    if lab is not None and not mixed.all():
        home = np.zeros(mixed.size, dtype=np.int64)
        home[block] = lab
        size = np.bincount(block).astype(float)
        single = np.flatnonzero(~mixed)
        of_lab = home[single]
        low = np.full(int(lab.max()) + 1, np.inf)
        high = -low
        np.minimum.at(low, of_lab, mean_x[single])
        np.maximum.at(high, of_lab, mean_x[single])
        single = single[high[of_lab] - low[of_lab] > TIE]
        if single.size:
            level = _block_means(y, block)
            values.append(mean_x[single])
            times.append(level[single])
            weight.append(_precision(y, block, level, size, single, home))
            names.append(-1.0 - home[single])
            whole = int(single.size)
            blocks, rows = blocks + whole, rows + int(size[single].sum())
    if not blocks:
        return None
    stratum = np.unique(np.concatenate(names), return_inverse=True)[1]
    order = np.argsort(stratum, kind="stable")
    x, y, own = (np.concatenate(part)[order] for part in (values, times, weight))
    # Temperatures count from their mean, so that sums of squares keep their digits.
    return _Dealt(
        x=x - float(x.mean()),
        y=y,
        weight=own,
        stratum=stratum[order].astype(np.int64),
        blocks=blocks,
        rows=rows,
        whole_batches=whole,
    )


def _precision(
    y: FloatArray,
    block: IntArray,
    level: FloatArray,
    size: FloatArray,
    single: IntArray,
    home: IntArray,
) -> FloatArray:
    """Weight of a batch's mean against one vessel, from variances without start temperature."""
    inside = float(_block_sums((y - level[block]) ** 2, block).sum())
    inside /= max(float(y.size - size.size), 1.0)
    label = np.unique(home[single], return_inverse=True)[1]
    rest = level[single] - _block_means(level[single], label)[label]
    df = max(single.size - int(label.max()) - 1, 1)
    between = max(float(rest @ rest) / df - inside * float(np.mean(1.0 / size[single])), 0.0)
    if inside <= 0:
        return np.ones(single.size)
    return np.asarray(1.0 / (1.0 / size[single] + between / inside))


def _does_not_apply(why: str, asked: str = ASKED) -> ShuffleTest:
    return ShuffleTest(
        slope=NAN,
        p=NAN,
        p_sooner=NAN,
        deals=0,
        exact=False,
        blocks=0,
        rows=0,
        whole_batches=0,
        asked=asked,
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


def _all_slopes(dealt: _Dealt) -> FloatArray:
    """Slope of every distinct arrangement."""
    per_stratum = []
    for b in range(int(dealt.stratum.max()) + 1):
        per_stratum.append(_distinct_orders(dealt.x[dealt.stratum == b]))
    deals = [np.concatenate(ways) for ways in product(*per_stratum)]
    return dealt.slopes(np.array(deals))


def _distinct_orders(values: FloatArray) -> list[FloatArray]:
    """Every order of values in which repeats are not told apart."""
    orders = [(np.empty(values.size), tuple(range(values.size)))]
    for value, repeats in zip(*np.unique(values, return_counts=True), strict=True):
        placed = []
        for order, free in orders:
            for at in combinations(free, int(repeats)):
                filled = order.copy()
                filled[list(at)] = value
                placed.append((filled, tuple(k for k in free if k not in at)))
        orders = placed
    return [order for order, _ in orders]


def _random_slopes(dealt: _Dealt, draws: int, rng: np.random.Generator) -> FloatArray:
    """Slopes of random deals: sorting random keys after the stratum shuffles inside it."""
    keys = rng.random((draws, dealt.x.size)) + dealt.stratum
    return dealt.slopes(dealt.x[np.argsort(keys, axis=1)])


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
