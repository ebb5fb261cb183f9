"""A long text whose every line is one record, read block by block from its bytes."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeAlias, TypeVar

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv

Rows: TypeAlias = npt.NDArray[np.signedinteger[Any]]
Result = TypeVar("Result")

# So many bytes are read in one go, by one thread; larger blocks save no time.
_BLOCK = 1 << 19
# Fewer where cells are made of them on the way, which take more memory.
CELLS_BLOCK = 1 << 18
# So many bytes are looked at in one go.
_PIECE, _NEAR = 1 << 18, 1 << 12
# The places of so many lines are known by one of them.
_EACH = 64
# From this size on several threads take turns.
_MUCH = 1 << 22

_NEWLINE, _RETURN, _QUOTE = 10, 13, 34
# White space beyond ASCII.
WIDE_SPACES = "\u00a0\u2007\u2009\u202f\u3000"


class Irregular(Exception):
    """The text is not as regular as the fast way needs; the exact way must be taken."""


class LongTable:
    """Text in which every line is one record with the same number of cells.

    Parameters
    ----------
    utf8 : bytes
        The file as UTF-8.
    start : int
        Place of the first record.
    mark : str
        What separates cells.
    n_columns : int
        Cells of every record.
    block : int, optional
        So many bytes are read in one go.

    Raises
    ------
    Irregular
        Line ends or quotes are mixed.
    """

    def __init__(
        self, utf8: bytes, start: int, mark: str, n_columns: int, *, block: int | None = None
    ) -> None:
        self.buffer = pa.py_buffer(utf8).slice(start)
        self.body = np.frombuffer(utf8, dtype=np.uint8)[start:]
        self.mark = mark
        self.names = [str(i) for i in range(n_columns)]
        self.n_rows, self.starts = _line_starts(self.body)
        if utf8.find(b"\r", start) >= 0 and not _returns_are_regular(self.body):
            raise Irregular
        sizes = np.arange(0, self.body.size, min(block or _BLOCK, _BLOCK))
        edges = np.searchsorted(self.starts, sizes) * _EACH
        # Where each block begins and the last one ends, in records.
        self.edges = np.unique(np.append(edges[edges < self.n_rows], self.n_rows)).tolist()
        if utf8.find(b'"', start) >= 0 and not all(self.over_blocks(self._quotes_are_regular)):
            raise Irregular
        self.spaces = [space for space in " \t\v\f" if utf8.find(space.encode(), start) >= 0]
        if self.body.max(initial=0) >= 128:
            self.spaces += _wide_spaces(self.body)

    def _place(self, row: int) -> int:
        """Give the place where a record begins; that behind the last one is the end."""
        if row == self.n_rows:
            return int(self.body.size)
        known, further = divmod(row, _EACH)
        place = int(self.starts[known])
        while further:
            ends = np.flatnonzero(self.body[place : place + _NEAR] == _NEWLINE)[:further]
            further -= ends.size
            place += int(ends[-1]) + 1 if not further else _NEAR
        return place

    def _quotes_are_regular(self, low: int, high: int) -> bool:
        """Tell whether every quote opens or closes a whole cell, or is one of a pair inside it."""
        first, last = self._place(low), self._place(high)
        quotes = np.flatnonzero(self.body[first:last] == _QUOTE) + first
        if quotes.size % 2:
            return False
        opening, closing = quotes[::2], quotes[1::2]
        edge = np.zeros(256, dtype=np.bool_)
        edge[[ord(self.mark), _NEWLINE, _RETURN, _QUOTE]] = True
        before = self.body[np.maximum(opening - 1, 0)]
        after = self.body[np.minimum(closing + 1, self.body.size - 1)]
        return bool(
            np.all(edge[before] | (opening == 0))
            and np.all(edge[after] | (closing == self.body.size - 1))
        )

    def over_blocks(
        self, task: Callable[[int, int], Result], *, turned: bool = False
    ) -> Iterator[Result]:
        """Do a task for the records of each block, several at once where there is much to read.

        Parameters
        ----------
        task : callable
            Takes the first record and the one after the last.
        turned : bool
            Whether to begin with the last block.

        Yields
        ------
        object
            One result a block, in their order.
        """
        spans = list(zip(self.edges[:-1], self.edges[1:], strict=True))
        if turned:
            spans.reverse()
        if self.body.size < _MUCH:
            yield from (task(*span) for span in spans)
            return
        with ThreadPoolExecutor(max_workers=min(os.cpu_count() or 1, 4)) as pool:
            yield from pool.map(lambda span: task(*span), spans)
        give_back()

    def read(
        self, low: int, high: int, kinds: dict[int, pa.DataType], decimal: str = "."
    ) -> dict[int, pa.Array]:
        """Read columns of the records from `low` to before `high`.

        Parameters
        ----------
        low, high : int
            Records.
        kinds : dict of int to pyarrow type
            Columns to read, and as what.
        decimal : str
            Decimal mark of the numbers.

        Returns
        -------
        dict of int to pyarrow array
            Null where a cell is empty.

        Raises
        ------
        Irregular
            Some line has not the usual number of cells.
        pyarrow.ArrowInvalid
            Some cell is not what it was to be read as.
        """
        first, last = self._place(low), self._place(high)
        return self._parse(self.buffer.slice(first, last - first), high - low, kinds, decimal)

    def _parse(
        self, text: pa.Buffer, n_rows: int, kinds: dict[int, pa.DataType], decimal: str
    ) -> dict[int, pa.Array]:
        irregular = []

        def note(row: pa_csv.InvalidRow) -> str:
            irregular.append(row.number)
            return "skip"

        table = pa_csv.read_csv(
            pa.BufferReader(text),
            read_options=pa_csv.ReadOptions(
                column_names=self.names, block_size=max(text.size + 1, 64), use_threads=False
            ),
            parse_options=pa_csv.ParseOptions(
                delimiter=self.mark,
                quote_char='"',
                newlines_in_values=False,
                invalid_row_handler=note,
            ),
            convert_options=pa_csv.ConvertOptions(
                check_utf8=False,  # the whole file was decoded before
                include_columns=[self.names[j] for j in kinds],
                column_types={self.names[j]: kind for j, kind in kinds.items()},
                decimal_point=decimal,
                strings_can_be_null=True,
                null_values=[""],
                quoted_strings_can_be_null=True,
            ),
            memory_pool=pa.system_memory_pool(),
        )
        if irregular or table.num_rows != n_rows:
            raise Irregular
        return {j: one_chunk(table.column(k)) for k, j in enumerate(kinds)}

    def only(self, chosen: npt.NDArray[np.bool_]) -> LongTable:
        """Give the text of the chosen records alone."""
        parts = []
        for low, high in zip(self.edges[:-1], self.edges[1:], strict=True):
            body = self.body[self._place(low) : self._place(high)]
            ends = np.flatnonzero(body == _NEWLINE) + 1
            ends = ends if ends.size == high - low else np.append(ends, body.size)
            lengths = np.diff(ends, prepend=0)
            parts.append(body[np.repeat(chosen[low:high], lengths)].tobytes())
        return LongTable(b"".join(parts), 0, self.mark, len(self.names), block=CELLS_BLOCK)

    def strings(self, low: int, high: int, columns: Sequence[int]) -> dict[int, pa.StringArray]:
        """Read cells as typed, null where there is nothing but white space."""
        try:
            cells = self.read(low, high, dict.fromkeys(columns, pa.string()))
        except pa.ArrowInvalid as problem:
            raise Irregular from problem
        return {j: without_blanks(array, self.spaces) for j, array in cells.items()}

    def pick(self, rows: Rows, column: int) -> pa.StringArray:
        """Give the cells of a column in some records, in the order of `rows`."""
        if not rows.size:
            return pa.array([], pa.string())
        view = memoryview(self.buffer)
        # Neighbours are taken together.
        cuts = np.flatnonzero(np.diff(rows) != 1) + 1
        lows, highs = rows[np.append(0, cuts)], rows[np.append(cuts, rows.size) - 1] + 1
        pieces = [
            bytes(view[low:high])
            for low, high in zip(
                map(self._place, lows.tolist()), map(self._place, highs.tolist()), strict=True
            )
        ]
        whole = b"".join(part if part.endswith(b"\n") else part + b"\n" for part in pieces)
        cells = self._parse(pa.py_buffer(whole), rows.size, {column: pa.string()}, ".")
        return without_blanks(cells[column], self.spaces)


def _wide_spaces(body: npt.NDArray[np.uint8]) -> list[str]:
    """List the spaces beyond ASCII that a text holds."""
    found = set()
    for low in range(0, body.size, _PIECE):
        piece = body[low : low + _PIECE + 2]
        # Few bytes begin a letter beyond ASCII, and those of a space are looked at alone.
        at = np.flatnonzero(np.isin(piece[:_PIECE], (0xC2, 0xE2, 0xE3)))
        for space in WIDE_SPACES:
            fits = np.ones(at.size, dtype=np.bool_)
            for k, byte in enumerate(space.encode()):
                fits &= piece[np.minimum(at + k, piece.size - 1)] == byte
            if fits.any():
                found.add(space)
    return sorted(found)


def give_back() -> None:
    """Give back what reading needed on the way, or it would lie idle beside what was read."""
    pa.system_memory_pool().release_unused()


def _line_starts(body: npt.NDArray[np.uint8]) -> tuple[int, npt.NDArray[np.int64]]:
    """Count the lines, and give the place where each of a certain number begins."""
    starts = [np.zeros(1, dtype=np.int64)]
    count = 0
    for low in range(0, body.size, _PIECE):
        ends = np.flatnonzero(body[low : low + _PIECE] == _NEWLINE)
        first = -(count + 1) % _EACH
        starts.append(ends[first::_EACH] + (low + 1))
        count += ends.size
    if body.size and body[-1] != _NEWLINE:
        count += 1
    return count, np.concatenate(starts)


def _returns_are_regular(body: npt.NDArray[np.uint8]) -> bool:
    """Tell whether a return stands before the end of a line only."""
    for low in range(0, body.size, _PIECE):
        piece = body[low : low + _PIECE + 1]
        inside = (piece[:-1] == _RETURN) & (piece[1:] != _NEWLINE)
        if inside.any():
            return False
    return bool(body[-1] != _RETURN)


def one_chunk(column: pa.ChunkedArray) -> pa.Array:
    """Give an array in chunks as one, without a copy where it is one.

    Parameters
    ----------
    column : pyarrow chunked array, shape (n,)
        The array.

    Returns
    -------
    pyarrow array, shape (n,)
    """
    return column.chunk(0) if column.num_chunks == 1 else pa.concat_arrays(column.chunks)


def without_blanks(array: pa.StringArray, starts: Sequence[str]) -> pa.StringArray:
    """Make cells of nothing but white space empty.

    Parameters
    ----------
    array : pyarrow string array, shape (n,)
        The cells.
    starts : sequence of str
        The kinds of white space that the file holds.

    Returns
    -------
    pyarrow string array, shape (n,)
    """
    if not any(pc.any(pc.starts_with(array, start)).as_py() for start in starts):
        return array
    blank = pc.equal(pc.utf8_trim_whitespace(array), "")
    return pc.if_else(pc.fill_null(blank, False), pa.scalar(None, pa.string()), array)
