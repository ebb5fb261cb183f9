"""The cells of a long regular text, cut from its bytes when they are asked for.

A logger's file takes less memory as bytes than as cells. Here its records are only counted and
checked; numbers and stamps are read straight from the bytes, block by block, and cells are made
where somebody looks at them.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from typing import Any, Literal, TypeAlias, TypeVar

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.register.files.long_table import Irregular, LongTable, one_chunk, without_blanks
from metafreeze.register.files.plain_cells import MOST_ODD, odd_rows, plain_numbers, stamp_seconds

Floats: TypeAlias = npt.NDArray[np.float64]
Rows: TypeAlias = npt.NDArray[np.signedinteger[Any]]
Result = TypeVar("Result")
# What the cells of a column are thought to be: numbers with one decimal mark, ISO 8601, others.
Guess = Literal[".", ",", "stamp", "text"]

# Cells of fewer rows than this share are picked line by line.
_FEW = 1 / 16

# A column of more different cells is not taken by these.
MOST_WORDS = 200


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
        blocks = pa.chunked_array(list(self.table.over_blocks(self._piece)))
        return one_chunk(blocks.take(pa.array(places)))

    def slice(self, offset: int = 0, length: int | None = None) -> pa.StringArray:
        """Give the cells from `offset` on."""
        end = len(self) if length is None else min(offset + length, len(self))
        return self.take(np.arange(offset, max(end, offset)))

    def _piece(self, low: int, high: int) -> pa.StringArray:
        return self.table.strings(low, high, [self.at])[self.at]

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
            text = LongText(self.table, self.at, self.null_count, turned=self.turned != turned)
        else:
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
            self.keep_numbers(decimal, *self._read_numbers(decimal))
        return self._numbers[decimal]

    def _read_numbers(self, decimal: str) -> tuple[Floats, Rows]:
        values = np.empty(len(self))
        odd_rows = []
        begin = 0
        for part, rows in self.over_pieces(lambda cells: plain_numbers(cells, decimal)):
            values[begin : begin + part.size] = part
            odd_rows.append(rows + begin)
            begin += part.size
        return values, np.concatenate(odd_rows)

    def has_numbers(self, decimal: str) -> bool:
        """Tell whether numbers with a decimal mark have been read."""
        return decimal in self._numbers

    def keep_numbers(self, decimal: str, values: Floats, odd: Rows) -> None:
        """Keep numbers that were read with those of other columns."""
        values.setflags(write=False)
        few = odd.size <= MOST_ODD * len(self)
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
                cells[j] = without_blanks(column, table.spaces)
            if j not in arrays:
                continue
            part = arrays[j][low:high]
            if kinds[j] == pa.float64():
                if pa.types.is_string(column.type):
                    part[:], rows = plain_numbers(cells[j], decimal)
                else:
                    part[:] = column.to_numpy(zero_copy_only=False)
                    rows = odd_rows(part, column)
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
