"""What the columns of a table usually hold, and whether a row keeps to it."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from metafreeze.register.files.cells import Look
from metafreeze.register.files.grids import Grid

# Rows looked at to learn what the columns hold; fewer where the table is very wide.
_SAMPLE_ROWS = 200
_SAMPLE_CELLS = 100_000
# Share of one look that makes it the look of a column.
DOMINANT = 0.5
# Share of one spelling that makes it the habit of a column.
_HABIT = 0.6


@dataclass(frozen=True, slots=True)
class Habits:
    """What the columns of a table hold, learned from a sample of its rows.

    Parameters
    ----------
    looks : list of Look
        Dominant look of each column: n, d or t.
    plain : list of bool
        True where the numbers stand bare, without signs or units about them.
    wordy : list of bool
        True where no number was seen.
    shapes : list of str
        Spelling habit of a text column, such as "a9" for R1 and R12; empty if none.
    words : list of set of str
        Texts seen in each text column.
    """

    looks: list[Look]
    plain: list[bool]
    wordy: list[bool]
    shapes: list[str]
    words: list[set[str]]

    @property
    def has_values(self) -> bool:
        """True where any column holds numbers or dates."""
        return any(look != "t" for look in self.looks)


def spelling(cell: str) -> str:
    """Write letters as a and digits as 9, runs of either once, so that R12 gives a9.

    Parameters
    ----------
    cell : str
        The cell.

    Returns
    -------
    str
    """
    return re.sub(r"[^\W\d_]+", "a", re.sub(r"\d+", "9", cell.strip()))


def learn_habits(grid: Grid, rows: Sequence[int], width: int) -> Habits:
    """Learn the habits of the columns, the top rows left out as they may be headings.

    Parameters
    ----------
    grid : Grid
        Where the rows stand.
    rows : sequence of int
        Rows of one table.
    width : int
        Number of its columns.

    Returns
    -------
    Habits
    """
    skip = min(4, len(rows) // 2)
    rest = rows[skip:]
    most = max(20, min(_SAMPLE_ROWS, _SAMPLE_CELLS // max(width, 1)))
    sample = rest[:: max(1, len(rest) // most)]
    looks: list[Look] = []
    plain: list[bool] = []
    wordy: list[bool] = []
    shapes: list[str] = []
    words: list[set[str]] = []
    for j in range(width):
        counts = Counter(grid.look(i, j) for i in sample)
        values = counts["n"] + counts["q"]
        filled = values + counts["d"] + counts["t"]
        if filled and values + counts["d"] >= DOMINANT * filled:
            looks.append("n" if values >= counts["d"] else "d")
        else:
            looks.append("t")
        plain.append(counts["q"] == 0)
        wordy.append(values + counts["d"] == 0)
        if looks[-1] != "t":
            shapes.append("")
            words.append(set())
            continue
        texts = [cell for i in sample if (cell := grid.cell(i, j))]
        shape, n = Counter(map(spelling, texts)).most_common(1)[0] if texts else ("", 0)
        habit = n >= _HABIT * len(texts) and "9" in shape
        shapes.append(shape if habit else "")
        repeated = {text for text, k in Counter(texts).items() if k > 1}
        words.append(repeated)
    return Habits(looks, plain, wordy, shapes, words)


def count_matches(grid: Grid, row: int, habits: Habits) -> tuple[int, int]:
    """Count the cells in value columns that hold such a value, and those that are filled.

    Parameters
    ----------
    grid : Grid
        Where the row stands.
    row : int
        The row.
    habits : Habits
        What the columns usually hold.

    Returns
    -------
    matched, filled : int
    """
    matched = total = 0
    for j, wanted in enumerate(habits.looks):
        if wanted == "t":
            continue
        look = grid.look(row, j)
        if look == "e":
            continue
        total += 1
        matched += look == wanted or (look == "q" and wanted == "n" and not habits.plain[j])
    return matched, total


def like_records(grid: Grid, row: int, habits: Habits) -> bool:
    """Tell whether a text cell of a row is spelled as its column usually is.

    Parameters
    ----------
    grid : Grid
        Where the row stands.
    row : int
        The row.
    habits : Habits
        What the columns usually hold.

    Returns
    -------
    bool
    """
    for j, look in enumerate(habits.looks):
        cell = grid.cell(row, j)
        if look != "t" or not cell:
            continue
        if habits.shapes[j] and spelling(cell) == habits.shapes[j]:
            return True
        if cell in habits.words[j]:
            return True
    return False


def heading_like(grid: Grid, row: int, habits: Habits) -> bool:
    """Tell whether a row holds words and no value where values belong.

    Parameters
    ----------
    grid : Grid
        Where the row stands.
    row : int
        The row.
    habits : Habits
        What the columns usually hold.

    Returns
    -------
    bool
    """
    matched, _ = count_matches(grid, row, habits)
    return matched == 0 and any(grid.look(row, j) == "t" for j in range(len(grid.rows[row])))
