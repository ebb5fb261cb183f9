"""Group labels as codes: studies, batches in studies, specimens in studies.

A batch or specimen belongs to its study: the same label in two studies is two groups.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from metafreeze.errors import InputError
from metafreeze.results import BoolArray, FloatArray, IntArray

# Up to this many times the number of rows, counting codes is cheaper than sorting them.
COUNTING_RANGE = 4
COUNTING_FLOOR = 100_000


@dataclass(frozen=True, slots=True)
class Groups:
    """Codes 0..count-1 in sorted order of the labels.

    Parameters
    ----------
    codes : array, shape (n,)
        Group of each row.
    names : tuple
        Label of each group, sorted.
    """

    codes: IntArray
    names: tuple[object, ...]

    @property
    def count(self) -> int:
        """Number of groups."""
        return len(self.names)


@dataclass(frozen=True, slots=True)
class Segments:
    """Runs of consecutive members, for sums over groups along an axis.

    Parameters
    ----------
    parent : array, shape (members,)
        Group of each member, never decreasing.
    count : int
        Number of groups; some may have no member.
    starts : array
        First member of each group that has one.
    filled : array
        The groups that have a member.
    even : int
        Members of every group where all have the same number of them, else 0.
    """

    parent: IntArray
    count: int
    starts: IntArray
    filled: IntArray
    even: int

    @classmethod
    def of(cls, parent: IntArray, count: int) -> Segments:
        """Make the runs from the group of each member."""
        filled, starts = np.unique(parent, return_index=True)
        sizes = np.diff(np.append(starts, parent.size))
        same = filled.size == count > 0 and bool((sizes == sizes[0]).all())
        return cls(parent, count, starts, filled, int(sizes[0]) if same else 0)

    @property
    def each_has_one(self) -> bool:
        """Whether every group has exactly one member."""
        return self.even == 1

    def total(self, values: FloatArray) -> FloatArray:
        """Sum over the members of each group along axis 1."""
        if self.even == 1:
            return values
        if self.even:
            shape = (values.shape[0], self.count, self.even, *values.shape[2:])
            return np.asarray(values.reshape(shape).sum(axis=2))
        if self.parent.size == 0:
            return np.zeros((values.shape[0], self.count, *values.shape[2:]))
        sums = np.add.reduceat(values, self.starts, axis=1)
        if self.filled.size == self.count:
            return sums
        full = np.zeros((values.shape[0], self.count, *values.shape[2:]))
        full[:, self.filled] = sums
        return full


def encode_labels(labels: npt.ArrayLike, *, name: str, rows: int) -> Groups:
    """Turn labels into codes in sorted order; refuse a missing one.

    Parameters
    ----------
    labels : array-like, shape (rows,)
        Integers or words.
    name : str
        Name of the argument, for messages.
    rows : int
        Expected length.

    Returns
    -------
    Groups

    Raises
    ------
    InputError
        Wrong length, or a label is missing.
    """
    values = label_vector(labels, name=name, rows=rows)
    groups, missing = _encode(values)
    if missing.any():
        place = int(np.flatnonzero(missing)[0])
        raise InputError(
            f"{name} has no label in {int(missing.sum())} rows, first at place {place} "
            "(counted from 0). Give every row a label or leave the row out."
        )
    return groups


def encode_nested(
    labels: npt.ArrayLike, study: Groups, *, name: str
) -> tuple[IntArray, int, BoolArray]:
    """Turn labels that belong to their study into codes; a missing label is allowed.

    Parameters
    ----------
    labels : array-like, shape (n,)
        Integers or words; None, NaN or an empty word where the row has none.
    study : Groups
        The studies.
    name : str
        Name of the argument, for messages.

    Returns
    -------
    codes : array, shape (n,)
        Sorted by study, then label; rows without a label share one code per study.
    count : int
        Number of codes.
    real : array of bool, shape (n,)
        False where the row has no label.
    """
    values = label_vector(labels, name=name, rows=study.codes.size)
    groups, missing = _encode(values)
    inner = np.where(missing, 0, groups.codes + 1)
    codes, count = combine_codes(study.codes, inner, groups.count + 1)
    return codes, count, ~missing


def combine_codes(outer: IntArray, inner: IntArray, inner_count: int) -> tuple[IntArray, int]:
    """Give each pair that occurs a code, sorted by the outer code, then the inner."""
    key = outer.astype(np.int64) * inner_count + inner
    return compress_codes(key)


def compress_codes(key: IntArray) -> tuple[IntArray, int]:
    """Renumber whole numbers to 0..count-1 in their order."""
    if key.size == 0:
        return key.astype(np.int64), 0
    low = int(key.min())
    spread = int(key.max()) - low + 1
    if spread <= COUNTING_RANGE * key.size + COUNTING_FLOOR:
        shifted = key - low
        present = np.bincount(shifted, minlength=spread) > 0
        count = int(present.sum())
        if count == spread:
            return shifted, count
        renumber = np.cumsum(present) - 1
        return renumber[shifted], count
    _, codes = np.unique(key, return_inverse=True)
    return codes.astype(np.int64), int(codes.max()) + 1


def label_vector(labels: npt.ArrayLike, *, name: str, rows: int) -> npt.NDArray[Any]:
    """Give labels as a one-dimensional array of the right length."""
    values = np.asarray(labels)
    if values.ndim == 2 and 1 in values.shape:
        values = values.ravel()
    if values.ndim != 1 or values.size != rows:
        raise InputError(
            f"{name} has shape {values.shape}; it needs one label for each of the {rows} rows."
        )
    return values


def _encode(values: npt.NDArray[Any]) -> tuple[Groups, BoolArray]:
    """Codes in sorted order, and which labels are missing (their code is 0)."""
    nothing = np.zeros(values.size, dtype=bool)
    if values.dtype.kind in "iub":
        whole = values.astype(np.int64, copy=False)
        if values.size == 0:
            return Groups(whole, ()), nothing
        codes, count = compress_codes(whole)
        names = np.empty(count, dtype=np.int64)
        names[codes] = whole
        return Groups(codes, tuple(names.tolist())), nothing
    if values.dtype.kind != "f":
        values = values.astype(object)
    # Missing labels come out as -1; blank words are looked for among the different ones only.
    found, uniques = pd.factorize(values)
    blank = np.array([isinstance(u, str) and not u.strip() for u in uniques], dtype=bool)
    kept = np.flatnonzero(~blank)
    ordered = np.array(sorted(kept, key=lambda i: _sort_key(uniques[i])), dtype=np.int64)
    place = np.full(len(uniques) + 1, -1, dtype=np.int64)
    place[ordered] = np.arange(ordered.size)
    codes = place[found]
    missing = codes < 0
    return Groups(np.where(missing, 0, codes), tuple(uniques[i] for i in ordered)), missing


def _sort_key(label: object) -> tuple[int, float, str]:
    if isinstance(label, (int, float, np.integer, np.floating)):
        return (0, float(label), "")
    return (1, 0.0, str(label))
