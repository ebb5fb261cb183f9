"""Put batches and specimens in order: nested as a chain, crossed as columns of a study."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from metafreeze.models.labels import Segments, combine_codes
from metafreeze.models.products import Level
from metafreeze.results import BoolArray, FloatArray, IntArray

# Codes of each row, their number, and whether the row has a label.
Part = tuple[IntArray, int, BoolArray]


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupOrder:
    """Nested levels, innermost first, and the columns of a crossed factor.

    Parameters
    ----------
    levels : tuple of Level
        The innermost one's members are its own groups; entities replace them later.
    inner : array, shape (n,), or None
        Innermost group of each row.
    crossed : list of array
        Indicator columns, numbered anew in each study.
    crossed_name : str
    """

    levels: tuple[Level, ...]
    inner: IntArray | None
    crossed: list[FloatArray]
    crossed_name: str


def arrange_groups(
    study: IntArray, studies: int, batch: Part | None, specimen: Part | None
) -> GroupOrder:
    """Order the groups below the study.

    Parameters
    ----------
    study : array, shape (n,)
    studies : int
    batch, specimen : codes, count, whether real; or None

    Returns
    -------
    GroupOrder
    """
    if batch is None and specimen is None:
        return GroupOrder(levels=(), inner=None, crossed=[], crossed_name="")
    if batch is None or specimen is None:
        name = "batch" if specimen is None else "specimen"
        only = batch if specimen is None else specimen
        assert only is not None
        level = _single_level(name, only, study, studies)
        return GroupOrder(levels=(level,), inner=only[0], crossed=[], crossed_name="")
    if is_nested(specimen, batch):
        return _two_levels("specimen", specimen, "batch", batch, study, studies)
    if is_nested(batch, specimen):
        return _two_levels("batch", batch, "specimen", specimen, study, studies)
    return _crossed(batch, specimen, study, studies)


def is_nested(inner: Part, outer: Part) -> bool:
    """Whether every labelled inner group lies within one outer group."""
    codes, _, real = inner
    _, pairs = combine_codes(codes[real], outer[0][real], outer[1] + 1)
    return bool(pairs == np.unique(codes[real]).size)


def first_rows(codes: IntArray, count: int) -> IntArray:
    """Give one row of each group."""
    first = np.zeros(count, dtype=np.int64)
    first[codes] = np.arange(codes.size)
    return first


def _single_level(name: str, part: Part, study: IntArray, studies: int) -> Level:
    codes, count, real = part
    first = first_rows(codes, count)
    return Level(
        name=name,
        members=Segments.of(np.arange(count), count),
        study=Segments.of(study[first], studies),
        real=real[first].astype(np.float64),
    )


def _two_levels(
    inner_name: str, inner: Part, outer_name: str, outer: Part, study: IntArray, studies: int
) -> GroupOrder:
    # Rows without an inner label get a placeholder in each outer group.
    label = np.where(inner[2], inner[0] + 1, 0)
    codes, count = combine_codes(outer[0], label, inner[1] + 1)
    inside = _single_level(inner_name, (codes, count, inner[2]), study, studies)
    outside = _single_level(outer_name, outer, study, studies)
    members = Segments.of(outer[0][first_rows(codes, count)], outer[1])
    outside = Level(name=outer_name, members=members, study=outside.study, real=outside.real)
    return GroupOrder(levels=(inside, outside), inner=codes, crossed=[], crossed_name="")


def crossing_width(part: Part, study: IntArray, studies: int) -> int:
    """Give the largest number of levels that a factor has in one study."""
    codes, count, real = part
    owner = np.zeros(count, dtype=np.int64)
    owner[codes[real]] = study[real]
    return int(np.bincount(owner[np.unique(codes[real])], minlength=studies).max())


def _crossed(batch: Part, specimen: Part, study: IntArray, studies: int) -> GroupOrder:
    """Make columns of the factor with fewer levels in a study, a level of the other."""
    widths = {
        "batch": crossing_width(batch, study, studies),
        "specimen": crossing_width(specimen, study, studies),
    }
    wide = min(widths, key=lambda k: (widths[k], k))
    as_columns, as_level = (batch, specimen) if wide == "batch" else (specimen, batch)
    codes, _, real = as_columns
    used, compact = np.unique(codes[real], return_inverse=True)
    owner = np.zeros(used.size, dtype=np.int64)
    owner[compact] = study[real]
    # Codes are sorted by study, so levels of one study follow each other.
    start = np.searchsorted(owner, np.arange(studies))
    place = np.full(study.size, -1, dtype=np.int64)
    place[real] = compact - start[study[real]]
    columns = [(place == k).astype(np.float64) for k in range(widths[wide])]
    level = _single_level("specimen" if wide == "batch" else "batch", as_level, study, studies)
    return GroupOrder(levels=(level,), inner=as_level[0], crossed=columns, crossed_name=wide)
