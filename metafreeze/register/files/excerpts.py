"""A long text with few lines that keep to no pattern: footers, headings again, comments, blanks.

These lines, the first and the last ones, and the neighbours of all of them make an excerpt in
which the tables are found as in any file. What lies between two records of the excerpt is
regular, and so it is records of the same table.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from metafreeze.register.files.grids import Block, Grid

Lines = npt.NDArray[np.int64]

# So many lines about each line of its own kind, and so many at the end, are in the excerpt.
_ABOUT, _LAST = 5, 40
# An excerpt of more lines saves nothing.
_MOST_LINES = 60_000
_PIECE = 1 << 18
_NEWLINE, _RETURN, _SPACE, _TAB = 10, 13, 32, 9


@dataclass(frozen=True, slots=True, kw_only=True)
class Excerpt:
    """Some lines of a text.

    Parameters
    ----------
    text : str
        The lines.
    lines : int array
        Their places in the file, counted from 1, rising.
    starts : int array, shape (all lines + 1,)
        Where each line of the file begins, and the end of the last one.
    """

    text: str
    lines: Lines
    starts: npt.NDArray[np.uint32]

    @property
    def left_out(self) -> int:
        """Number of lines that are not in it."""
        return int(self.starts.size - 1 - self.lines.size)


def take_excerpt(
    utf8: bytes, head: int, mark: str, n_cells: int, known: Sequence[bytes]
) -> Excerpt | None:
    """Take the lines that do not go on as the first ones do.

    Parameters
    ----------
    utf8 : bytes
        The file.
    head : int
        End of its first lines, all of which are taken.
    mark : str
        What separates cells.
    n_cells : int
        Cells of a usual line.
    known : sequence of bytes
        Lines, such as the heading, that are taken where they stand again.

    Returns
    -------
    Excerpt or None
        None where no line is of its own kind, too many are, or ends of lines are mixed.
    """
    body = np.frombuffer(utf8, dtype=np.uint8)
    ends = [
        (np.flatnonzero(body[low : low + _PIECE] == _NEWLINE) + (low + 1)).astype(np.uint32)
        for low in range(0, body.size, _PIECE)
    ]
    last = [] if body[-1] == _NEWLINE else [np.array([body.size], dtype=np.uint32)]
    starts = np.concatenate([np.zeros(1, dtype=np.uint32), *ends, *last])
    n = starts.size - 1
    odd = np.flatnonzero(_of_own_kind(body, starts, ord(mark), n_cells))
    again = [row for line in known for row in _standing(utf8, starts, line)]
    if not (odd.size or again) or odd.size > _MOST_LINES // (2 * _ABOUT):
        return None
    taken = np.zeros(n, dtype=np.bool_)
    taken[: int(np.searchsorted(starts, head))] = True
    taken[-_LAST:] = True
    about = np.concatenate([odd, np.array(again, dtype=np.int64)])[:, None]
    places = about + np.arange(-_ABOUT, _ABOUT + 1)
    taken[np.clip(places, 0, n - 1).ravel()] = True
    lines = np.flatnonzero(taken)
    if lines.size > min(_MOST_LINES, n // 2):
        return None
    cuts = np.flatnonzero(np.diff(lines) != 1) + 1
    lows, highs = lines[np.append(0, cuts)], lines[np.append(cuts, lines.size) - 1] + 1
    parts = [
        utf8[low:high]
        for low, high in zip(starts[lows].tolist(), starts[highs].tolist(), strict=True)
    ]
    text = b"".join(parts)
    if text.count(b"\r") != text.count(b"\r\n"):
        # A return alone ends a line too, and the lines were counted without it.
        return None
    return Excerpt(text=text.decode("utf-8"), lines=lines + 1, starts=starts)


def _of_own_kind(
    body: npt.NDArray[np.uint8], starts: npt.NDArray[np.uint32], mark: int, n_cells: int
) -> npt.NDArray[np.bool_]:
    """Mask the lines with another number of cells, without any, or with the sign of a comment."""
    odd = np.empty(starts.size - 1, dtype=np.bool_)
    step = 1 << 15
    for low in range(0, odd.size, step):
        own = starts[low : low + step + 1].astype(np.int64)
        piece = body[own[0] : own[-1]]
        begins, lengths = own[:-1] - own[0], np.diff(own)
        counts = _count_in(begins, piece == mark)
        blanks = counts + _count_in(begins, (piece == _SPACE) | (piece == _TAB))
        first = piece[begins]
        finished = lengths - (piece[begins + lengths - 1] == _NEWLINE)
        finished -= piece[np.maximum(begins + finished - 1, 0)] == _RETURN
        part = (counts != n_cells - 1) | (finished <= blanks)
        for sign in b"#%/":
            part |= first == sign
        odd[low : low + step] = part
    return odd


def _count_in(begins: Lines, hits: npt.NDArray[np.bool_]) -> Lines:
    """Count hits in each line."""
    lines = np.searchsorted(begins, np.flatnonzero(hits), side="right") - 1
    return np.bincount(lines, minlength=begins.size)


def _standing(utf8: bytes, starts: npt.NDArray[np.uint32], line: bytes) -> list[int]:
    """List the lines that are the same as `line`."""
    rows: list[int] = []
    at = utf8.find(line)
    while at >= 0 and len(rows) < _MOST_LINES // _ABOUT:
        row = int(np.searchsorted(starts, at))
        if row < starts.size and starts[row] == at:
            rows.append(row)
        at = utf8.find(line, at + 1)
    return rows


@dataclass(frozen=True, slots=True, kw_only=True)
class Records:
    """The records of a block of an excerpt, with those between its lines.

    Parameters
    ----------
    text : bytes
        One line each, all with the same number of cells.
    rows : int array, shape (n,)
        Their lines in the file, counted from 1.
    breaks : tuple of int
        Records before which the heading stood again.
    """

    text: bytes
    rows: npt.NDArray[np.signedinteger[Any]]
    breaks: tuple[int, ...]


def whole_records(
    utf8: bytes, excerpt: Excerpt, grid: Grid, block: Block, mark: str, n_cells: int
) -> Records | None:
    """Put the records of an excerpt and those between them into one regular text.

    Parameters
    ----------
    utf8 : bytes
        The file.
    excerpt : Excerpt
        Some of its lines.
    grid : Grid
        The excerpt as cells; its lines are those of the file.
    block : Block
        The one table found in it.
    mark, n_cells : str, int
        What separates cells, and their number in a usual line.

    Returns
    -------
    Records or None
        None where something else than records lies beside lines that were left out.
    """
    lines = np.array(grid.lines)
    body = np.array(block.body)
    gaps = np.flatnonzero(np.diff(lines) > 1)
    inside = np.isin(gaps, body) & np.isin(gaps + 1, body)
    breaks = [block.body[b] for b in block.breaks]
    if not inside.all() or np.isin(gaps + 1, breaks).any():
        return None
    parts: list[bytes] = []
    rows: list[npt.NDArray[np.signedinteger[Any]]] = []
    gap_rows = set(gaps.tolist())
    low = high = 0

    def close() -> None:
        if high > low:
            parts.append(utf8[int(excerpt.starts[low]) : int(excerpt.starts[high])])
            rows.append(np.arange(low + 1, high + 1, dtype=np.int32))

    for i in block.body:
        cells, line = grid.rows[i], grid.lines[i]
        until = grid.lines[i + 1] - 1 if i in gap_rows else line
        raw = utf8[int(excerpt.starts[line - 1]) : int(excerpt.starts[line])]
        usual = len(cells) == n_cells and raw.endswith(b"\n")
        if usual and raw.count(mark.encode()) == n_cells - 1:
            if line - 1 != high:
                close()
                low = line - 1
            high = until
            continue
        if any(cell.strip() for cell in cells[n_cells:]):
            return None
        close()
        written = io.StringIO()
        padded = [*cells[:n_cells], *[""] * (n_cells - len(cells))]
        csv.writer(written, delimiter=mark, lineterminator="\n").writerow(padded)
        parts.append(written.getvalue().encode())
        rows.append(np.array([line], dtype=np.int32))
        low, high = line, until
    close()
    whole_rows = np.concatenate(rows)
    return Records(
        text=b"".join(parts),
        rows=whole_rows,
        breaks=tuple(int(np.searchsorted(whole_rows, grid.lines[i])) for i in breaks),
    )
