"""One number for the content of a row, so that rows can be matched by the hundred thousand.

Codes depend on the values alone: neither on the machine, nor on the session, nor on how
a table is cut into chunks. Numbers are rounded first, since a temperature typed in
Fahrenheit differs from the same one in Celsius in its last digits.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

Codes = npt.NDArray[np.uint64]

# Significant digits that two spellings of one measured value share, after conversion.
SAME_DIGITS = 9
# Numbers closer to zero are no measurements, and powers of ten do not reach them.
SMALLEST = 1e-290
SAME_RELATIVE = 1e-9

# Multipliers and shifts of the 64-bit finaliser of Steele, Lea and Flood (2014),
# doi 10.1145/2714064.2660195.
_STEPS = ((30, 0xBF58476D1CE4E5B9), (27, 0x94D049BB133111EB), (31, 1))


def row_codes(columns: Iterable[tuple[str, pa.Array | pa.ChunkedArray]], rows: int) -> Codes:
    """Code rows by named columns; an empty cell leaves no trace in the code.

    Parameters
    ----------
    columns : iterable of (name, array of shape (rows,))
        Text, numbers, counts or flags.
    rows : int
        Number of rows.

    Returns
    -------
    uint64 array, shape (rows,)
        Equal for equal rows; different ones share a code about once in 2**64 pairs.
    """
    total = np.zeros(rows, dtype=np.uint64)
    for name, column in columns:
        if column.null_count == rows:
            continue
        seed = _text_code(name)
        # A sum, so that the order of the columns does not matter.
        with np.errstate(over="ignore"):
            total += np.where(_valid(column), _mix(_value_codes(column) ^ seed), np.uint64(0))
    return total


def repeats(codes: Codes) -> npt.NDArray[np.int64]:
    """Count, for each row, how many earlier rows share its code, shape (rows,)."""
    order = np.argsort(codes, kind="stable")
    ordered = codes[order]
    starts = np.flatnonzero(np.r_[True, ordered[1:] != ordered[:-1]]) if codes.size else order
    place = np.arange(codes.size) - np.repeat(starts, np.diff(np.r_[starts, codes.size]))
    counted = np.empty(codes.size, dtype=np.int64)
    counted[order] = place
    return counted


def pair_rows(
    old: Codes, new: Codes, *, only_unique: bool = False
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Pair old and new rows of one code: the first with the first, the second with the second.

    Parameters
    ----------
    old, new : uint64 array
        Codes of two sets of rows.
    only_unique : bool
        Pair only what stands once on both sides.

    Returns
    -------
    old_at, new_at : int array, same shape
        Positions of the pairs, in the order of `new`.
    """
    old_repeat, new_repeat = repeats(old), repeats(new)
    with np.errstate(over="ignore"):
        old_key = _mix(old + _mix(old_repeat.astype(np.uint64)))
        new_key = _mix(new + _mix(new_repeat.astype(np.uint64)))
    _, old_at, new_at = np.intersect1d(old_key, new_key, assume_unique=True, return_indices=True)
    if only_unique:
        twice = np.union1d(old[old_repeat > 0], new[new_repeat > 0])
        once = ~np.isin(new[new_at], twice)
        old_at, new_at = old_at[once], new_at[once]
    order = np.argsort(new_at)
    return old_at[order], new_at[order]


def _valid(column: pa.Array | pa.ChunkedArray) -> npt.NDArray[np.bool_]:
    valid: npt.NDArray[np.bool_] = pc.is_valid(column).to_numpy(zero_copy_only=False)
    return valid


def _value_codes(column: pa.Array | pa.ChunkedArray) -> Codes:
    whole = column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column
    if pa.types.is_string(whole.type) or pa.types.is_large_string(whole.type):
        encoded = whole.dictionary_encode()
        words = np.array([_text_code(w) for w in encoded.dictionary.to_pylist()], dtype=np.uint64)
        places = encoded.indices.fill_null(0).to_numpy(zero_copy_only=False)
        return words[places] if words.size else np.zeros(len(whole), dtype=np.uint64)
    if pa.types.is_boolean(whole.type):
        whole = whole.cast(pa.int8())
    numbers = whole.cast(pa.float64()).fill_null(0.0).to_numpy(zero_copy_only=False)
    return round_digits(numbers).view(np.uint64)


def round_digits(numbers: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Round to `SAME_DIGITS` significant digits; a zero has no sign."""
    rounded = numbers.astype(np.float64, copy=True)
    # Powers beyond 10**308 overflow; such small numbers are left as they are.
    usable = np.isfinite(rounded) & (np.abs(rounded) > SMALLEST)
    size = SAME_DIGITS - 1 - np.floor(np.log10(np.abs(rounded[usable])))
    scale = 10.0**size
    rounded[usable] = np.round(rounded[usable] * scale) / scale
    return rounded + 0.0


def _text_code(text: str) -> np.uint64:
    return np.uint64(int.from_bytes(hashlib.blake2b(text.encode(), digest_size=8).digest()))


def _mix(codes: Codes) -> Codes:
    with np.errstate(over="ignore"):
        mixed = codes + np.uint64(0x9E3779B97F4A7C15)
        for shift, factor in _STEPS:
            mixed = (mixed ^ (mixed >> np.uint64(shift))) * np.uint64(factor)
    return mixed
