"""How the cells of a table are written: a unit and decimals for each column."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from metafreeze.errors import InputError
from metafreeze.options import Display
from metafreeze.reporting.content import (
    Between,
    CellValue,
    Code,
    Column,
    Fixed,
    Given,
    TableContent,
    Text,
)
from metafreeze.reporting.numbers import (
    MISSING,
    PERCENT_KINDS,
    SIGNED_KINDS,
    UNITS,
    between,
    decimals_for,
    is_missing,
    show,
    sizes_shown,
    time_unit,
)

NUMBER_KINDS: tuple[Display, ...] = (
    *PERCENT_KINDS,
    "seconds",
    "celsius",
    "kelvin",
    "grams",
    "millimetres",
    "count",
    "p-value",
    "number",
)
WORD_KINDS: dict[Display, type[Fixed] | type[Given] | type[Code]] = {
    "words": Fixed,
    "given": Given,
    "code": Code,
}


def is_numeric(column: Column) -> bool:
    """Tell whether a column holds numbers, which stand to the right.

    Parameters
    ----------
    column : Column
        The column.

    Returns
    -------
    bool
    """
    return column.kind in NUMBER_KINDS


def column_unit(column: Column, cells: Sequence[CellValue]) -> tuple[str, int | None]:
    """Give the unit that a column's heading names, and its seconds for durations.

    Parameters
    ----------
    column : Column
        The column.
    cells : sequence
        Its raw values.

    Returns
    -------
    tuple of str and int or None
    """
    if column.kind == "seconds":
        return time_unit(list(_cell_numbers(cells)))
    return UNITS.get(column.kind, ""), None


def _cell_numbers(cells: Sequence[CellValue]) -> Iterator[float]:
    for cell in cells:
        values = (cell.low, cell.high) if isinstance(cell, Between) else (cell,)
        for value in values:
            if isinstance(value, (int, float, np.integer, np.floating)) and not is_missing(value):
                yield float(value)


def column_decimals(column: Column, cells: Sequence[CellValue]) -> int | None:
    """Choose the decimals of a column, so that its numbers stand under each other.

    Parameters
    ----------
    column : Column
        The column.
    cells : sequence
        Its raw values.

    Returns
    -------
    int or None
        None for a column of words.
    """
    if not is_numeric(column) or column.kind == "p-value":
        return column.decimals
    if column.decimals is not None:
        return column.decimals
    seconds = column_unit(column, cells)[1]
    return decimals_for(sizes_shown(list(_cell_numbers(cells)), column.kind, seconds), column.kind)


def shown_cell(
    cell: CellValue, column: Column, *, decimals: int | None, seconds: int | None
) -> Text:
    """Write one cell of a table.

    Parameters
    ----------
    cell : number, str, bool, Between, Text or None
        The raw value.
    column : Column
        What it is.
    decimals : int or None
        The column's decimals.
    seconds : int or None
        The column's unit of time.

    Returns
    -------
    Text

    Raises
    ------
    InputError
        The value does not fit the column's kind.
    """
    if isinstance(cell, Text):
        return cell
    if is_missing(cell):
        return Text((MISSING,))
    if isinstance(cell, Between):
        if is_missing(cell.low) or is_missing(cell.high):
            return Text((MISSING,))
        return between(
            cell.low,
            cell.high,
            column.kind,
            decimals=decimals,
            signed=column.kind in SIGNED_KINDS,
            unit=False,
            seconds=seconds,
        )
    if column.kind == "yes-no":
        return Text(("yes" if cell else "no",))
    if column.kind in WORD_KINDS:
        return Text((WORD_KINDS[column.kind](str(cell)),))
    if not isinstance(cell, (int, float, np.integer, np.floating)):
        raise InputError(
            f"Column {column.heading!r} shows {column.kind} and holds {cell!r}. "
            "Give a number, two limits, a sentence or nothing."
        )
    signed = column.kind in SIGNED_KINDS
    return Text(
        (
            show(
                float(cell) if column.kind != "count" else int(cell),
                column.kind,
                decimals=decimals,
                signed=signed,
                unit=False,
                seconds=seconds,
            ),
        )
    )


def missing_note(table: TableContent) -> Text:
    """Give the note that a table with gaps carries; empty for one without.

    Parameters
    ----------
    table : TableContent
        The table.

    Returns
    -------
    Text
    """
    for row in table.rows:
        for cell in row:
            gap = isinstance(cell, Between) and (is_missing(cell.low) or is_missing(cell.high))
            if gap or is_missing(cell):
                return Text((f"{MISSING} means not available.",))
    return Text()
