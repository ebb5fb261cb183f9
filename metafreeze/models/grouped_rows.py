"""Rows in studies and batches, and the times seen on them, as the likelihood takes them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from scipy import sparse

from metafreeze.results import FloatArray, IntArray


class Summation:
    """Sums over consecutive rows as sparse products, one weight column after the other."""

    def __init__(self, starts: IntArray, weights: FloatArray) -> None:
        n, columns = weights.shape
        groups = len(starts) - 1
        pointers = np.concatenate([[0], (starts[1:] + n * np.arange(columns)[:, None]).ravel()])
        self._matrix = sparse.csr_array(
            (weights.T.ravel(), np.tile(np.arange(n), columns), pointers),
            shape=(groups * columns, n),
        )
        self._shape = (columns, groups)

    def __call__(self, values: FloatArray) -> FloatArray:
        """Sum values (n, ...) into (columns, groups, ...)."""
        flat = values.reshape(values.shape[0], -1)
        return np.asarray(self._matrix @ flat).reshape(*self._shape, *values.shape[1:])


@dataclass(kw_only=True)
class Design:
    """What all replicates share: rows sorted by study, then batch.

    Attributes
    ----------
    family : str
        "log-normal" or "weibull".
    x : array, shape (n, P)
        Fixed columns.
    z : array, shape (n, q)
        Columns whose coefficients vary between studies.
    pairs : sequence of (int, int)
        Entries (k, l), l <= k, of the lower triangular Lambda that are parameters.
    member : array, shape (n,)
        1 where the row belongs to a batch, 0 where it has none; empty when there is no
        batch effect at all.
    batch_start : array of int, shape (J + 1,)
        First row of each batch, and n.
    study_start : array of int, shape (S + 1,)
        First batch of each study, and J.
    share, added : array, shape (n,)
        Variance of a row is `share * sigma^2 + added`.
    beyond : array, shape (n,)
        Runs of a summary beyond its mean.
    times_over : array, shape (n,)
        How many identical rows a row stands for.
    """

    family: str
    x: FloatArray
    z: FloatArray
    pairs: Sequence[tuple[int, int]]
    member: FloatArray
    batch_start: IntArray
    study_start: IntArray
    share: FloatArray
    added: FloatArray
    beyond: FloatArray
    times_over: FloatArray

    @cached_property
    def sizes(self) -> tuple[int, int, int, int, int]:
        """Rows, studies, batches, fixed columns, varying columns."""
        return (
            len(self.x),
            len(self.study_start) - 1,
            len(self.batch_start) - 1,
            self.x.shape[1],
            self.z.shape[1],
        )

    @cached_property
    def has_batch(self) -> bool:
        """Whether batches have an effect of their own."""
        return self.member.size > 0

    @cached_property
    def parameter_count(self) -> int:
        """Length of theta: beta, log sigma, entries of Lambda, omega."""
        return int(self.x.shape[1]) + 1 + len(self.pairs) + int(self.has_batch)

    @cached_property
    def dimensions(self) -> int:
        """Variables that are integrated out: varying columns, and batch."""
        return int(self.z.shape[1]) + int(self.has_batch)

    @cached_property
    def rows_in_study(self) -> IntArray:
        """Number of rows of each study."""
        return np.diff(self.batch_start[self.study_start])

    @cached_property
    def plain_spread(self) -> bool:
        """Whether every row's spread is sigma itself."""
        return bool(np.all(self.share == 1.0) and np.all(self.added == 0.0))

    @cached_property
    def batch_of_row(self) -> IntArray:
        """Batch number of each row."""
        return np.repeat(np.arange(self.sizes[2]), np.diff(self.batch_start))

    @cached_property
    def study_of_batch(self) -> IntArray:
        """Study number of each batch."""
        return np.repeat(np.arange(self.sizes[1]), np.diff(self.study_start))

    @cached_property
    def study_of_row(self) -> IntArray:
        """Study number of each row."""
        return self.study_of_batch[self.batch_of_row]

    @cached_property
    def feature_columns(self) -> list[tuple[FloatArray, IntArray]]:
        """For each feature 1, z_1.., v: row multipliers (n, c) and their places in theta."""
        p, q = self.sizes[3], self.sizes[4]
        blocks = [(self.x, np.arange(p))]
        for column in range(q):
            chosen = [(i, k) for i, (k, m) in enumerate(self.pairs) if m == column]
            places = np.array([p + 1 + i for i, _ in chosen], dtype=np.int64)
            blocks.append((self.z[:, [k for _, k in chosen]], places))
        if self.has_batch:
            blocks.append((self.member[:, None], np.array([self.parameter_count - 1])))
        return blocks

    @cached_property
    def score_sums(self) -> Summation:
        """Sums of x, z, member times a row quantity, by batch."""
        parts = [self.x, self.z] + ([self.member[:, None]] if self.has_batch else [])
        return Summation(self.batch_start, np.hstack(parts))

    @cached_property
    def plain_sums(self) -> Summation:
        """Plain sums by batch."""
        return Summation(self.batch_start, np.ones((self.sizes[0], 1)))

    @cached_property
    def mode_sums(self) -> tuple[Summation, Summation]:
        """Sums for the mode search: first and second powers of (z, member), by batch."""
        parts = np.hstack([self.z] + ([self.member[:, None]] if self.has_batch else []))
        second = [parts[:, i] * parts[:, j] for i, j in self.mode_products]
        return (
            Summation(self.batch_start, parts),
            Summation(self.batch_start, np.column_stack(second)),
        )

    @cached_property
    def mode_products(self) -> list[tuple[int, int]]:
        """Index pairs of the second powers."""
        size = self.sizes[4] + int(self.has_batch)
        return [(i, j) for i in range(size) for j in range(i + 1)]

    @cached_property
    def study_sums(self) -> Summation:
        """Plain sums of batches by study."""
        return Summation(self.study_start, np.ones((self.sizes[2], 1)))

    def parts(self, nodes: IntArray, most: int) -> list[Part]:
        """Divide into studies of equal node count, each part of at most about `most` elements.

        Parameters
        ----------
        nodes : array of int, shape (S, D)
            Gauss-Hermite nodes of each study in each dimension: varying columns, then batch.
        most : int
            Rows times nodes in a part.

        Returns
        -------
        list of Part
        """
        key = (nodes.tobytes(), most)
        if key not in self._parts:
            self._parts[key] = self._divide(nodes, most)
        return self._parts[key]

    @cached_property
    def _parts(self) -> dict[tuple[bytes, int], list[Part]]:
        return {}

    def _divide(self, nodes: IntArray, most: int) -> list[Part]:
        out = []
        for counts in np.unique(nodes, axis=0):
            studies = np.flatnonzero((nodes == counts).all(axis=1))
            size = np.cumsum(self.rows_in_study[studies] * float(np.prod(counts)))
            run = np.floor((size - 1.0) / most).astype(np.int64)
            for one in np.unique(run):
                out.append(self.part(studies[run == one], tuple(counts.tolist())))
        return out

    def part(self, studies: IntArray, counts: tuple[int, ...]) -> Part:
        """Take some studies, to be integrated with these nodes in each dimension."""
        if len(studies) == self.sizes[1]:
            whole = slice(None)
            return Part(self, counts, whole, whole, whole)
        batches = np.flatnonzero(np.isin(self.study_of_batch, studies))
        rows = np.flatnonzero(np.isin(self.study_of_row, studies))
        design = Design(
            family=self.family,
            x=self.x[rows],
            z=self.z[rows],
            pairs=self.pairs,
            member=self.member[rows] if self.has_batch else self.member,
            batch_start=_edges(np.diff(self.batch_start)[batches]),
            study_start=_edges(np.diff(self.study_start)[studies]),
            share=self.share[rows],
            added=self.added[rows],
            beyond=self.beyond[rows],
            times_over=self.times_over[rows],
        )
        return Part(design, counts, rows, studies, batches)


class Part(NamedTuple):
    """Some studies of a design, how many nodes they need, and where they stand in it."""

    design: Design
    nodes: tuple[int, ...]
    rows: IntArray | slice
    studies: IntArray | slice
    batches: IntArray | slice


def _edges(lengths: IntArray) -> IntArray:
    return np.concatenate([[0], np.cumsum(lengths)]).astype(np.int64)


class Times(NamedTuple):
    """Bounds (n, R) on the standardised log scale and what kind each is.

    `squares` (R,) holds the summaries' own sums of squares about their means.
    """

    lower: FloatArray
    upper: FloatArray
    kind: IntArray
    squares: FloatArray

    def pick(self, rows: IntArray | slice, replicates: IntArray | slice) -> Times:
        """Take some rows and replicates; one shared data set stays shared."""
        if self.kind.shape[1] == 1:
            replicates = slice(None)
        return Times(
            self.lower[rows][:, replicates],
            self.upper[rows][:, replicates],
            self.kind[rows][:, replicates],
            self.squares[replicates],
        )


def unpack_theta(design: Design, theta: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give sigma (R,), Lambda (R, q, q) and omega (R,) of parameter vectors (R, T)."""
    p, q = design.sizes[3], design.sizes[4]
    factor = np.zeros((len(theta), q, q))
    for i, (k, m) in enumerate(design.pairs):
        factor[:, k, m] = theta[:, p + 1 + i]
    omega = theta[:, -1] if design.has_batch else np.zeros(len(theta))
    return np.exp(theta[:, p]), factor, omega
