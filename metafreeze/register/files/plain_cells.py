"""Cells read at full speed where they are spelled plainly: numbers, and stamps of ISO 8601."""

from __future__ import annotations

from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

Floats: TypeAlias = npt.NDArray[np.float64]
Rows: TypeAlias = npt.NDArray[np.signedinteger[Any]]

# A column with a larger share of cells that are no plain numbers is looked at cell by cell.
MOST_ODD = 0.1


def odd_rows(values: Floats, cells: pa.Array) -> Rows:
    """List the filled cells whose number is none, such as the words "nan" and "inf".

    Parameters
    ----------
    values : float array, shape (n,)
        Their numbers; those of the listed cells become NaN.
    cells : pyarrow array, shape (n,)
        Null where a cell is empty.

    Returns
    -------
    int array
    """
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
