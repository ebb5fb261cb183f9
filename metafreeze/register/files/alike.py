"""Cells that are spelled alike: a long column of stamps or times of day, taken by its shapes.

The shape of a cell is what is left when each digit is made a 0. A pattern that asks for digits
and never for a certain one fits all cells of one shape in the same way, so it is tried on one of
them, and the digits of the others are read all at once.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from metafreeze.register.files.long_text import LongText, Text, over_pieces
from metafreeze.register.files.plain_cells import cell_bytes

Bytes: TypeAlias = npt.NDArray[np.uint8]
Ints: TypeAlias = npt.NDArray[np.int64]
Mask: TypeAlias = npt.NDArray[np.bool_]
Rows: TypeAlias = npt.NDArray[np.signedinteger[Any]]

# Shapes that are told apart one after the other; more are sorted.
_FEW_SHAPES = 12
# Different beginnings and ends of stamps, such as dates, above which nothing is gained.
_MOST_KEYS = 60_000
# So many digits are whole numbers of a double.
_EXACT_DIGITS = 15
_ZERO = np.uint8(ord("0"))
# The time of day in a stamp; no date has a colon.
_TIME = re.compile(
    r"(?<![0-9:])(?P<h>[0-9]{1,2}):(?P<m>[0-9]{2})(?::(?P<s>[0-9]{2})(?:[.,](?P<f>[0-9]{1,6})(?![0-9]))?)?"
    r"(?![0-9:])"
)
_HALVES = ("am|a\\.m\\.|上午|早上|凌晨|午前|오전", "pm|p\\.m\\.|下午|晚上|午後|오후")
# A half of the day right before the time or right behind it.
_BEFORE = tuple(re.compile(rf"(?<![^\W\d_])(?:{half})\s*\Z", re.IGNORECASE) for half in _HALVES)
_BEHIND = tuple(re.compile(rf"\s*(?:{half})(?![^\W\d_])", re.IGNORECASE) for half in _HALVES)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shape:
    """Cells of one shape.

    Parameters
    ----------
    cell : str
        One of them, with its digits made 0; empty where the cells are.
    rows : int array, shape (cells,)
        Where they stand in their piece, rising.
    data : byte array, shape (cells, bytes)
        Their UTF-8.
    """

    cell: str
    rows: Rows
    data: Bytes

    def integer(self, span: tuple[int, int]) -> Ints:
        """Give the integers that stand between two places of the cell."""
        low, high = (len(self.cell[:place].encode()) for place in span)
        digits = self.data[:, low:high] - _ZERO
        # Two digits fit a byte, which saves time.
        first = digits[:, 0] * np.uint8(10) + digits[:, 1] if high - low > 1 else digits[:, 0]
        value = first.astype(np.int64)
        for j in range(2, high - low):
            value = value * 10 + digits[:, j]
        return value

    def decimal(self, span: tuple[int, int]) -> npt.NDArray[np.float64]:
        """Give the numbers that stand between two places of the cell, with or without decimals."""
        low, high = span
        mark = re.search("[.,]", self.cell[low:high])
        before = low + mark.start() if mark else high
        parts = high - before - 1 if mark else 0
        if high - low > _EXACT_DIGITS:
            first, last = (len(self.cell[:place].encode()) for place in span)
            spelled = [row.tobytes().decode() for row in self.data[:, first:last]]
            return np.array([float(number.replace(",", ".")) for number in spelled])
        value = self.integer((low, before)).astype(np.float64)
        if parts:
            value = value * 10.0**parts + self.integer((before + 1, high))
        # One division of whole numbers gives the nearest double, as `float` does.
        return value / 10.0**parts


def shapes_of(cells: pa.StringArray) -> list[Shape]:
    """Sort cells by their shapes.

    Parameters
    ----------
    cells : pyarrow string array, shape (n,)
        The cells.

    Returns
    -------
    list of Shape
        Each filled cell is in one of them.
    """
    data, edges = cell_bytes(cells)
    lengths = np.diff(edges)
    found: list[Shape] = []
    for length in np.flatnonzero(np.bincount(lengths)).tolist() if lengths.size else ():
        if not length:
            continue
        alike = np.flatnonzero(lengths == length)
        if alike[-1] - alike[0] + 1 == alike.size:
            block = data[edges[alike[0]] : edges[alike[-1] + 1]].reshape(-1, length)
        else:
            block = data[edges[alike][:, None] + np.arange(length)]
        for cell, own in _split(block):
            if own is None:
                found.append(Shape(cell=cell, rows=alike, data=block))
            else:
                found.append(Shape(cell=cell, rows=alike[own], data=block[own]))
    return found


def _split(block: Bytes) -> Iterator[tuple[str, Rows | None]]:
    """Split cells of one length by shape; None stands for all of them."""
    shaped = np.where(block - _ZERO < 10, _ZERO, block)
    left = np.arange(block.shape[0])
    for _ in range(_FEW_SHAPES):
        same = shaped == shaped[0]
        if same.all():
            yield _spell(shaped[0]), None if left.size == block.shape[0] else left
            return
        alike = same.all(axis=1)
        yield _spell(shaped[0]), left[alike]
        left, shaped = left[~alike], shaped[~alike]
    whole = np.ascontiguousarray(shaped).view(np.dtype((np.void, block.shape[1]))).ravel()
    _, first, which = np.unique(whole, return_index=True, return_inverse=True)
    order = np.argsort(which, kind="stable")
    ends = np.cumsum(np.bincount(which))
    for at, own in zip(first.tolist(), np.split(order, ends[:-1]), strict=True):
        yield _spell(shaped[at]), left[own]


def _spell(cell: Bytes) -> str:
    return cell.tobytes().decode("utf-8", errors="replace")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stamps:
    """A column of stamps as few different days, and the time of day of each cell.

    Parameters
    ----------
    first : int array, shape (keys,)
        A row for each way in which cells begin and end about their time of day.
    key : int array, shape (n,)
        Which of them a row has; -1 where the cell is empty or odd.
    of_day_us : int array, shape (n,)
        Microseconds since midnight as the cell spells them, 0 where it spells no time.
    odd : int array
        Rows whose time of day is none, or is one that needs a closer look.
    """

    first: Rows
    key: npt.NDArray[np.int32]
    of_day_us: Ints
    odd: Rows


def stamps_of(text: Text) -> Stamps | None:
    """Part the cells of a column into what they share and their time of day.

    Parameters
    ----------
    text : string array, shape (n,)
        The cells.

    Returns
    -------
    Stamps or None
        None where the cells have too little in common.
    """
    if isinstance(text, LongText) and isinstance(text.kept, Stamps):
        return text.kept
    found = _part_all(text)
    if isinstance(text, LongText):
        text.kept = found
    return found


def _part_all(text: Text) -> Stamps | None:
    key = np.full(len(text), -1, dtype=np.int32)
    of_day = np.zeros(len(text), dtype=np.int64)
    known: dict[tuple[str, bytes], int] = {}
    first: list[int] = []
    odd: list[Rows] = []
    begin = 0
    for size, parts in over_pieces(text, _part):
        end = begin + size
        for part in parts:
            numbers = np.empty(len(part.heads), dtype=np.int32)
            for j, (head, row) in enumerate(zip(part.heads, part.heads_at, strict=True)):
                number = known.setdefault((part.cell, head), len(first))
                if number == len(first):
                    first.append(begin + row)
                numbers[j] = number
            key[begin:end][part.rows] = numbers[part.which]
            of_day[begin:end][part.rows] = part.of_day_us
            odd.append(part.odd + begin)
        if len(first) > _MOST_KEYS:
            return None
        begin = end
    return Stamps(
        first=np.array(first, dtype=np.int64),
        key=key,
        of_day_us=of_day,
        odd=np.sort(np.concatenate(odd)) if odd else np.empty(0, dtype=np.int64),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Part:
    """The stamps of one shape in one piece; `heads` differ from run to run."""

    cell: str
    rows: Rows
    heads: list[bytes]
    heads_at: list[int]
    which: npt.NDArray[np.int32]
    of_day_us: Ints
    odd: Rows


def _part(cells: pa.StringArray) -> tuple[int, list[_Part]]:
    return len(cells), [_part_shape(shape) for shape in shapes_of(cells)]


def _part_shape(shape: Shape) -> _Part:
    """Take the time of day out of stamps of one shape; what is left of them is their head."""
    match = _TIME.search(shape.cell)
    data, rows = shape.data, shape.rows
    is_digit = data[0] - _ZERO < 10
    of_day = np.zeros(rows.size, dtype=np.int64)
    odd = rows[:0]
    if match:
        of_day, good = _time_of_day(shape, match)
        if not good.all():
            odd, rows, data, of_day = rows[~good], rows[good], data[good], of_day[good]
        low, high = (len(shape.cell[:place].encode()) for place in match.span())
        is_digit[low:high] = False
    changes = np.zeros(rows.size, dtype=np.bool_)
    changes[:1] = True
    for j in np.flatnonzero(is_digit).tolist():
        changes[1:] |= data[1:, j] != data[:-1, j]
    runs = np.flatnonzero(changes)
    return _Part(
        cell=shape.cell,
        rows=rows,
        heads=[head.tobytes() for head in data[runs][:, is_digit]],
        heads_at=rows[runs].tolist(),
        which=np.cumsum(changes, dtype=np.int32) - 1,
        of_day_us=of_day,
        odd=odd,
    )


def _time_of_day(shape: Shape, match: re.Match[str]) -> tuple[Ints, Mask]:
    """Give microseconds since midnight, and which of them need no closer look."""
    hour, minute = shape.integer(match.span("h")), shape.integer(match.span("m"))
    good = (hour <= 23) & (minute <= 59)
    before, behind = shape.cell[: match.start()], shape.cell[match.end() :]
    morning, evening = (
        bool(one.search(before) or other.match(behind))
        for one, other in zip(_BEFORE, _BEHIND, strict=True)
    )
    if morning or evening:
        # 0 and 13 o'clock beside a half of the day are left to a closer look.
        good &= (hour >= 1) & (hour <= 12)
        hour = hour % 12 + (12 if evening else 0)
    of_day = (hour * 60 + minute) * 60
    if match["s"]:
        second = shape.integer(match.span("s"))
        good &= second <= 59
        of_day += second
    of_day *= 1_000_000
    if match["f"]:
        of_day += shape.integer(match.span("f")) * 10 ** (6 - len(match["f"]))
    return of_day, good
