"""The cells of a long regular text, cut from its bytes when they are asked for.

A logger's file takes less memory as bytes than as cells. Here its records are only counted and
checked; numbers and stamps are read straight from the bytes, block by block, and cells are made
where somebody looks at them.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Literal, TypeAlias, TypeVar

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv

Floats: TypeAlias = npt.NDArray[np.float64]
Rows: TypeAlias = npt.NDArray[np.signedinteger[Any]]
Result = TypeVar("Result")
# What the cells of a column are thought to be: numbers with one decimal mark, ISO 8601, others.
Guess = Literal[".", ",", "stamp", "text"]

# So many bytes are read in one go, by one thread, and fewer where cells are made of them, which
# take more memory; larger blocks save no time.
_BLOCK = 1 << 19
_CELLS_BLOCK = 1 << 18
# So many bytes are looked at in one go.
_PIECE, _NEAR = 1 << 18, 1 << 12
# The places of so many lines are known by one of them.
_EACH = 64
# From this size on several threads take turns.
_MUCH = 1 << 22
# Cells of fewer rows than this share are picked line by line.
_FEW = 1 / 16
# A column with a larger share of cells that are no plain numbers is not read as numbers here.
_MOST_ODD = 0.1

# A column of more different cells is not taken by these.
MOST_WORDS = 200

_NEWLINE, _RETURN, _QUOTE = 10, 13, 34


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
    cells : bool
        Whether some column will be looked at as cells.

    Raises
    ------
    Irregular
        Line ends or quotes are mixed.
    """

    def __init__(
        self, utf8: bytes, start: int, mark: str, n_columns: int, *, cells: bool = False
    ) -> None:
        self.buffer = pa.py_buffer(utf8).slice(start)
        self.body = np.frombuffer(utf8, dtype=np.uint8)[start:]
        self.mark = mark
        self.names = [str(i) for i in range(n_columns)]
        self.n_rows, self.starts = _line_starts(self.body)
        if utf8.find(b"\r", start) >= 0 and not _returns_are_regular(self.body):
            raise Irregular
        block = min(_BLOCK, _CELLS_BLOCK) if cells else _BLOCK
        edges = np.searchsorted(self.starts, np.arange(0, self.body.size, block)) * _EACH
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
        return {j: _one_chunk(table.column(k)) for k, j in enumerate(kinds)}

    def only(self, chosen: npt.NDArray[np.bool_]) -> LongTable:
        """Give the text of the chosen records alone."""
        parts = []
        for low, high in zip(self.edges[:-1], self.edges[1:], strict=True):
            body = self.body[self._place(low) : self._place(high)]
            ends = np.flatnonzero(body == _NEWLINE) + 1
            ends = ends if ends.size == high - low else np.append(ends, body.size)
            lengths = np.diff(ends, prepend=0)
            parts.append(body[np.repeat(chosen[low:high], lengths)].tobytes())
        return LongTable(b"".join(parts), 0, self.mark, len(self.names), cells=True)

    def strings(self, low: int, high: int, columns: Sequence[int]) -> dict[int, pa.StringArray]:
        """Read cells as typed, null where there is nothing but white space."""
        try:
            cells = self.read(low, high, dict.fromkeys(columns, pa.string()))
        except pa.ArrowInvalid as problem:
            raise Irregular from problem
        return {j: _without_blanks(array, self.spaces) for j, array in cells.items()}

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
        return _without_blanks(cells[column], self.spaces)


WIDE_SPACES = "\u00a0\u2007\u2009\u202f\u3000"


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


def _one_chunk(column: pa.ChunkedArray) -> pa.Array:
    return column.chunk(0) if column.num_chunks == 1 else pa.concat_arrays(column.chunks)


def _without_blanks(array: pa.StringArray, starts: Sequence[str]) -> pa.StringArray:
    """Make cells of nothing but white space empty; `starts` lists the spaces in the file."""
    if not any(pc.any(pc.starts_with(array, start)).as_py() for start in starts):
        return array
    blank = pc.equal(pc.utf8_trim_whitespace(array), "")
    return pc.if_else(pc.fill_null(blank, False), pa.scalar(None, pa.string()), array)


class LongText:
    """The cells of one column of a `LongTable`.

    It can be cut and counted as a string array of pyarrow can; `whole` makes one of it.

    Parameters
    ----------
    table : LongTable
        The text.
    at : int
        The column.
    null_count : int
        Number of empty cells.
    turned : bool
        Whether the last record comes first.
    """

    def __init__(self, table: LongTable, at: int, null_count: int, *, turned: bool = False) -> None:
        self.table = table
        self.at = at
        self.null_count = null_count
        self.turned = turned
        # Whether all cells are ISO 8601 without offsets.
        self.holds_stamps = False
        # What somebody found out about all cells and may ask for again.
        self.kept: object = None
        # Its different cells and their places as `words_of` gives them, empty where they are many.
        self.words: tuple[list[str | None], npt.NDArray[np.int16]] | None = None
        self._numbers: dict[str, tuple[Floats, Rows] | None] = {}
        self._stamps: Floats | None = None

    def __len__(self) -> int:
        return self.table.n_rows

    def __getitem__(self, row: int) -> pa.StringScalar:
        return self.take(np.array([row]))[0]

    def take(self, rows: Rows | pa.Array) -> pa.StringArray:
        """Give the cells of some rows, in the order of `rows`."""
        places = np.asarray(rows)
        if self.turned:
            places = len(self) - 1 - places
        if places.size <= max(_FEW * len(self), 64):
            return self.table.pick(places, self.at)
        return _one_chunk(pa.chunked_array(list(self._blocks())).take(pa.array(places)))

    def slice(self, offset: int = 0, length: int | None = None) -> pa.StringArray:
        """Give the cells from `offset` on."""
        end = len(self) if length is None else min(offset + length, len(self))
        return self.take(np.arange(offset, max(end, offset)))

    def _piece(self, low: int, high: int) -> pa.StringArray:
        return self.table.strings(low, high, [self.at])[self.at]

    def _blocks(self) -> Iterator[pa.StringArray]:
        yield from self.table.over_blocks(self._piece)

    def over_pieces(self, task: Callable[[pa.StringArray], Result]) -> Iterator[Result]:
        """Do a task for the cells in pieces, in their order."""

        def whole_task(low: int, high: int) -> Result:
            cells = self._piece(low, high)
            return task(cells.take(pa.array(np.arange(len(cells))[::-1])) if self.turned else cells)

        yield from self.table.over_blocks(whole_task, turned=self.turned)

    def whole(self) -> pa.ChunkedArray:
        """Give all cells as an array."""
        return pa.chunked_array(list(self.over_pieces(lambda cells: cells)), type=pa.string())

    def of(self, table: LongTable | None = None, *, turned: bool = False) -> LongText:
        """Give the same column of another text, or of this one the other way round."""
        if table is None:
            return LongText(self.table, self.at, self.null_count, turned=self.turned != turned)
        text = LongText(table, self.at, 0)
        text.null_count = sum(text.over_pieces(lambda cells: int(cells.null_count)))
        text.holds_stamps = self.holds_stamps
        return text

    def numbers(self, decimal: str) -> tuple[Floats, Rows] | None:
        """Read plain numbers: digits with at most a sign, one decimal mark and an exponent.

        Parameters
        ----------
        decimal : {".", ","}
            Decimal mark.

        Returns
        -------
        values : float array, shape (n,)
            NaN where the cell is empty or odd.
        odd : int array
            Rows whose cells are filled and are no plain numbers. None in place of both where
            these are more than a tenth of all.
        """
        if decimal not in self._numbers:
            self._numbers[decimal] = self._read_numbers(decimal)
        return self._numbers[decimal]

    def _read_numbers(self, decimal: str) -> tuple[Floats, Rows] | None:
        values = np.empty(len(self))
        odd_rows = []
        begin = 0
        for part, rows in self.over_pieces(lambda cells: plain_numbers(cells, decimal)):
            values[begin : begin + part.size] = part
            odd_rows.append(rows + begin)
            begin += part.size
        odd = np.concatenate(odd_rows)
        values.setflags(write=False)
        return None if odd.size > _MOST_ODD * len(self) else (values, odd)

    def has_numbers(self, decimal: str) -> bool:
        """Tell whether numbers with a decimal mark have been read."""
        return decimal in self._numbers

    def keep_numbers(self, decimal: str, values: Floats, odd: Rows) -> None:
        """Keep numbers that were read with those of other columns."""
        values.setflags(write=False)
        few = odd.size <= _MOST_ODD * len(self)
        self._numbers[decimal] = (values, odd) if few else None

    def keep_stamps(self, seconds: Floats) -> None:
        """Keep stamps that were read with other columns."""
        self._stamps = seconds
        self.holds_stamps = True

    def stamps(self) -> Floats | None:
        """Give ISO 8601 without offsets as seconds since 1970; None where a cell is otherwise.

        Returns
        -------
        float array, shape (n,), or None
            NaN where a cell is empty. The caller's own: it is given away and not kept.
        """
        seconds, self._stamps = self._stamps, None
        if seconds is None and self.holds_stamps:
            seconds = np.empty(len(self))
            begin = 0
            for part in self.over_pieces(stamp_seconds):
                assert part is not None
                seconds[begin : begin + part.size] = part
                begin += part.size
        return seconds

    def forget(self) -> None:
        """Let go of what was read; the bytes give it again."""
        self._numbers.clear()
        self._stamps = None
        self.kept = None


# What the cells of a column are stored as.
Text: TypeAlias = "pa.StringArray | pa.ChunkedArray | LongText"


def whole(text: Text) -> pa.ChunkedArray:
    """Give the cells of a column as a string array in chunks.

    Parameters
    ----------
    text : string array, shape (n,)
        The cells.

    Returns
    -------
    pyarrow chunked string array, shape (n,)
    """
    if isinstance(text, LongText):
        return text.whole()
    return text if isinstance(text, pa.ChunkedArray) else pa.chunked_array([text])


def over_pieces(text: Text, task: Callable[[pa.StringArray], Result]) -> Iterator[Result]:
    """Do a task for the cells of a column in pieces, in their order.

    Parameters
    ----------
    text : string array, shape (n,)
        The cells.
    task : callable
        Takes a string array.

    Yields
    ------
    object
        One result a piece.
    """
    if isinstance(text, LongText):
        yield from text.over_pieces(task)
    else:
        yield from map(task, whole(text).chunks)


def words_of(text: Text, most: int) -> tuple[list[str | None], npt.NDArray[np.int16]] | None:
    """Tell a column of few different cells.

    Parameters
    ----------
    text : string array, shape (n,)
        The cells.
    most : int
        How many different ones there may be, at most `MOST_WORDS`.

    Returns
    -------
    words : list of str or None
        The different cells, None for an empty one, in the order of their first places.
    codes : int array, shape (n,)
        Place in `words` of each cell. None in place of both where there are more.
    """
    if isinstance(text, LongText):
        if text.words is None:
            text.words = _words_of(text) or ([], np.empty(0, dtype=np.int16))
        words, codes = text.words
        return (words, codes) if 0 < len(words) <= most else None
    found = _words_of(text)
    return found if found is not None and len(found[0]) <= most else None


def _words_of(text: Text) -> tuple[list[str | None], npt.NDArray[np.int16]] | None:
    most = MOST_WORDS
    if len(set(whole(text.slice(0, 4 * most)).to_pylist())) > most:
        return None
    known: dict[str | None, int] = {}
    codes = np.empty(len(text), dtype=np.int16)
    begin = 0
    for piece in over_pieces(text, lambda cells: pc.dictionary_encode(cells, "encode")):
        words = piece.dictionary.to_pylist()
        numbers = [known.setdefault(word, len(known)) for word in words]
        if len(known) > most:
            return None
        places = piece.indices.to_numpy(zero_copy_only=False)
        codes[begin : begin + len(piece)] = np.array(numbers, dtype=np.int16)[places]
        begin += len(piece)
    return list(known), codes


def _odd_rows(values: Floats, cells: pa.Array) -> Rows:
    """List the filled cells whose number is none, such as the words "nan" and "inf"."""
    if np.count_nonzero(np.isfinite(values)) == len(cells) - cells.null_count:
        return np.empty(0, dtype=np.int64)
    filled = cells.is_valid().to_numpy(zero_copy_only=False)
    odd = np.flatnonzero(filled & ~np.isfinite(values))
    values[odd] = np.nan
    return odd


def _byte_set(letters: bytes) -> npt.NDArray[np.bool_]:
    known = np.zeros(256, dtype=np.bool_)
    known[list(letters)] = True
    return known


_OF_NUMBERS = {mark: _byte_set(b"0123456789+-eE" + mark.encode()) for mark in ".,"}
_PLAIN = {
    mark: rf"^[+-]?(?:[0-9]+(?:{escaped}[0-9]*)?|{escaped}[0-9]+)(?:[eE][+-]?[0-9]+)?$"
    for mark, escaped in ((".", r"\."), (",", ","))
}


def plain_numbers(cells: pa.StringArray, decimal: str) -> tuple[Floats, Rows]:
    """Read the plain numbers among cells, as `LongText.numbers` does.

    Parameters
    ----------
    cells : pyarrow string array, shape (n,)
        The cells.
    decimal : {".", ","}
        Decimal mark.

    Returns
    -------
    values : float array, shape (n,)
        NaN where the cell is empty or odd.
    odd : int array
        Rows whose cells are filled and are no plain numbers.
    """
    good = None
    if decimal == "," and pc.any(pc.match_substring(cells, ".")).as_py():
        good = pc.match_substring_regex(cells, _PLAIN[decimal])
    values = None
    if good is None:
        values = _cast(cells, decimal)
    if values is None and good is None:
        # Cells with a byte that no number has are set aside first: that finds most, fast.
        good = pa.array(~_with_other_bytes(cells, _OF_NUMBERS[decimal]))
        values = _cast(pc.if_else(good, cells, None), decimal)
        if values is None:
            good = pc.match_substring_regex(cells, _PLAIN[decimal])
    if values is None:
        values = _cast(pc.if_else(good, cells, None), decimal)
        assert values is not None
    odd = np.zeros(len(cells), dtype=np.bool_)
    if good is not None:
        odd = ~pc.fill_null(good, True).to_numpy(zero_copy_only=False)
    filled = cells.is_valid().to_numpy(zero_copy_only=False) if cells.null_count else True
    odd |= ~np.isfinite(values)
    odd &= filled
    where = np.flatnonzero(odd)
    values[where] = np.nan
    return values, where


def _cast(cells: pa.StringArray, decimal: str) -> Floats | None:
    """Read cells as numbers at once; None where any is none."""
    if decimal == ",":
        cells = pc.replace_substring(cells, ",", ".")
    try:
        values = pc.cast(cells, pa.float64(), memory_pool=pa.system_memory_pool())
    except pa.ArrowInvalid:
        return None
    array: Floats = values.to_numpy(zero_copy_only=False)
    return array if array.flags.writeable else array.copy()


def _with_other_bytes(cells: pa.StringArray, known: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Mask the cells that hold a byte beyond `known`."""
    data, ends = cell_bytes(cells)
    mask = np.zeros(len(cells), dtype=np.bool_)
    places = np.flatnonzero(~known[data])
    mask[np.searchsorted(ends, places, side="right") - 1] = True
    return mask


def cell_bytes(cells: pa.StringArray) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.int32]]:
    """Give the bytes of cells one after the other, and where each begins and the last ends.

    Parameters
    ----------
    cells : pyarrow string array, shape (n,)
        The cells.

    Returns
    -------
    data : byte array
        UTF-8.
    edges : int array, shape (n + 1,)
        Places in `data`; an empty cell begins where it ends.
    """
    _, offsets, data = cells.buffers()
    edges = np.frombuffer(offsets, dtype=np.int32)[cells.offset : cells.offset + len(cells) + 1]
    if data is None:
        return np.empty(0, dtype=np.uint8), np.zeros(len(cells) + 1, dtype=np.int32)
    low, high = int(edges[0]), int(edges[-1])
    return np.frombuffer(data, dtype=np.uint8)[low:high], edges - edges[0]


def scan(
    table: LongTable,
    guesses: Sequence[Guess],
    look: Callable[[dict[int, pa.Array], int], bool],
    *,
    keep: bool = False,
) -> list[Text] | None:
    """Go through all records once: check each, and read what can be guessed.

    Parameters
    ----------
    table : LongTable
        The text.
    guesses : sequence of Guess
        What each column is thought to hold.
    look : callable
        Takes the columns of a block, numbers and stamps or text, and its number of records;
        False where one speaks against the fast way.
    keep : bool
        Whether to make cells of all columns at once, as is best where most will be looked at.

    Returns
    -------
    list of string array, or None
        One a column; None where the text is not as regular as it began.
    """
    n = table.n_rows
    if keep:
        guesses = ["text"] * len(guesses)
    decimal = next((g for g in guesses if g in (".", ",")), ".")
    kinds: dict[int, pa.DataType] = {}
    arrays: dict[int, Floats] = {}
    for j, guess in enumerate(guesses):
        if guess == decimal:
            kinds[j] = pa.float64()
        elif guess == "stamp":
            kinds[j] = pa.timestamp("us")
        else:
            kinds[j] = pa.string()
        if kinds[j] != pa.string():
            arrays[j] = np.empty(n)
    # Columns of which some cell is not what they are mostly.
    loose: set[int] = set()

    def task(low: int, high: int) -> tuple[bool, dict[int, pa.Array], list[int], dict[int, Rows]]:
        cells = _read_loosely(table, low, high, kinds, decimal, loose)
        odd: dict[int, Rows] = {}
        for j, column in cells.items():
            if pa.types.is_string(column.type):
                cells[j] = _without_blanks(column, table.spaces)
            if j not in arrays:
                continue
            part = arrays[j][low:high]
            if kinds[j] == pa.float64():
                if pa.types.is_string(column.type):
                    part[:], rows = plain_numbers(cells[j], decimal)
                else:
                    part[:] = column.to_numpy(zero_copy_only=False)
                    rows = _odd_rows(part, column)
                odd[j] = rows + low
            else:
                seconds = stamp_seconds(cells[j])
                odd[j] = np.empty(0, np.int64) if seconds is not None else np.array([low])
                if seconds is not None:
                    part[:] = seconds
        nulls = [cells[j].null_count for j in range(len(guesses))]
        return look(cells, high - low), cells if keep else {}, nulls, odd

    try:
        done = list(table.over_blocks(task))
    except Irregular:
        return None
    if not all(fine for fine, *_ in done):
        return None
    columns: list[Text] = []
    for j in range(len(guesses)):
        if keep:
            columns.append(pa.chunked_array([cells[j] for _, cells, _, _ in done], pa.string()))
            continue
        text = LongText(table, j, sum(nulls[j] for _, _, nulls, _ in done))
        columns.append(text)
        if j not in arrays:
            continue
        odd = np.concatenate([odd[j] for *_, odd in done])
        if kinds[j] == pa.float64():
            text.keep_numbers(decimal, arrays[j], odd)
        elif not odd.size:
            text.keep_stamps(arrays[j])
    return columns


def _read_loosely(
    table: LongTable,
    low: int,
    high: int,
    kinds: dict[int, pa.DataType],
    decimal: str,
    loose: set[int],
) -> dict[int, pa.Array]:
    """Read columns of a block as what they hold, and as text where some cell is otherwise."""
    while True:
        strings = frozenset(loose)
        own = {j: pa.string() if j in strings else kind for j, kind in kinds.items()}
        try:
            return table.read(low, high, own, decimal)
        except pa.ArrowInvalid as problem:
            named = re.search(r"column #([0-9]+)", str(problem))
            if strings == kinds.keys():
                raise Irregular from problem
            wrong = int(named[1]) if named else -1
            # Where the message does not help, all columns are read as text.
            loose |= {wrong} if wrong in kinds and wrong not in strings else kinds.keys()


def stamp_seconds(cells: pa.Array) -> Floats | None:
    """Give ISO 8601 without offsets as seconds since 1970; None where any cell is otherwise.

    Parameters
    ----------
    cells : pyarrow string or timestamp array, shape (n,)
        The cells.

    Returns
    -------
    float array, shape (n,), or None
        NaN where a cell is empty.
    """
    if pa.types.is_string(cells.type):
        try:
            cells = pc.cast(cells, pa.timestamp("us"), memory_pool=pa.system_memory_pool())
        except pa.ArrowInvalid:
            return None
    whole_us = pc.cast(cells, pa.int64())
    if whole_us.null_count:
        whole_us = pc.cast(whole_us, pa.float64(), safe=False)
    seconds: Floats = whole_us.to_numpy(zero_copy_only=False) / 1e6
    return seconds
