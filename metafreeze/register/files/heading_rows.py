"""The heading of a table: its names, groups and units, and what only stands above it."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from metafreeze.register.files.cells import is_units_row
from metafreeze.register.files.delimited import is_rule_line
from metafreeze.register.files.grids import Grid
from metafreeze.register.files.habits import (
    Habits,
    count_matches,
    heading_like,
    like_records,
    spelling,
)

# A heading has at most this many lines, its units row apart.
_HEADING_LINES = 3
# What is longer is no heading that anybody reads; searching it could take very long.
_LONGEST_HEADING = 400


@dataclass(frozen=True, slots=True)
class Heading:
    """Where a heading stands in a paragraph.

    Parameters
    ----------
    names : list of int
        Its rows, top first; empty where there is none.
    units : int or None
        Its units row.
    first_record : int
        Place in the paragraph of the first row below it.
    above : list of int
        Rows of the paragraph above it.
    """

    names: list[int]
    units: int | None
    first_record: int
    above: list[int]


def find_heading(grid: Grid, rows: Sequence[int], width: int, habits: Habits) -> Heading:
    """Find the heading at the top of a paragraph; `names` is empty where there is none.

    Parameters
    ----------
    grid : Grid
        Where the rows stand.
    rows : sequence of int
        The paragraph.
    width : int
        Number of columns of the table.
    habits : Habits
        What the columns usually hold.

    Returns
    -------
    Heading
    """
    stretch = next(k for k, i in enumerate(rows) if grid.width(i) == width or not grid.ragged)
    full = _first_full(grid, rows, stretch, habits)
    zone = [k for k in range(full) if heading_like(grid, rows[k], habits)]
    # Rows below the heading whose text is spelled like the rest are records.
    while len(zone) > 1 and like_records(grid, rows[zone[-1]], habits):
        if is_units_row(grid.rows[rows[zone[-1]]]):
            break
        zone.pop()
    if not zone:
        if _is_odd_heading(grid, rows, stretch, full, habits):
            return Heading([rows[stretch]], None, stretch + 1, list(rows[:stretch]))
        return Heading([], None, stretch, list(rows[:stretch]))
    if not habits.has_values and width > 1:
        zone = [next((k for k in zone if len(grid.filled(rows[k])) >= width), zone[0])]
    top = bottom = _likeliest(grid, rows, zone, width)
    while top and (top - 1 in zone or _is_mostly_words(grid, rows[top - 1], width, habits)):
        top -= 1
    lines = [rows[k] for k in range(top, bottom + 1)]
    lines = [i for i in lines if not is_rule_line(grid.rows[i])] or lines
    names, units = _choose_lines(grid, lines, width, habits)
    # A row of numbers over groups of columns, such as the start temperatures.
    while (at := rows.index(names[0])) and len(names) < _HEADING_LINES:
        if not _has_gaps(grid, rows[at - 1], names[0]) or is_rule_line(grid.rows[rows[at - 1]]):
            break
        names.insert(0, rows[at - 1])
    end = rows.index(max([*names, *([] if units is None else [units])]))
    while end + 1 < len(rows) and is_rule_line(grid.rows[rows[end + 1]]) and width > 1:
        end += 1
    above = [i for i in rows[:end] if i not in names and i != units]
    return Heading(names, units, end + 1, above)


def _likeliest(grid: Grid, rows: Sequence[int], zone: list[int], width: int) -> int:
    """Choose among runs of neighbouring lines of words the one that speaks most like a heading.

    The last of equals counts, and the last row of a run is given.
    """
    ends = [k for k in zone if k + 1 not in zone]
    if width == 1:
        return ends[-1]

    def speaks(end: int) -> int:
        start = end
        while start - 1 in zone:
            start -= 1
        return max(_speaks_as_heading(grid, rows[k], width) for k in range(start, end + 1))

    return max(reversed(ends), key=speaks)


def _is_mostly_words(grid: Grid, row: int, width: int, habits: Habits) -> bool:
    """Tell whether a full row of words, a few numbers among them, is part of a heading."""
    matched, total = count_matches(grid, row, habits)
    return len(grid.filled(row)) == width and matched < 0.5 * total


def _first_full(grid: Grid, rows: Sequence[int], stretch: int, habits: Habits) -> int:
    """Find the first row that holds a value wherever one belongs."""
    if not habits.has_values:
        return len(rows)
    partial = len(rows)
    for k in range(_below_numbers(grid, rows, stretch, habits), len(rows)):
        matched, total = count_matches(grid, rows[k], habits)
        if total and matched == total:
            return k
        if matched and partial == len(rows) and matched > 0.5 * total:
            partial = k
    return partial


def _below_numbers(grid: Grid, rows: Sequence[int], stretch: int, habits: Habits) -> int:
    """Step over a first row of sparse numbers that stands above a heading, such as years."""
    first = rows[stretch]
    matched, total = count_matches(grid, first, habits)
    lower = rows[stretch + 1 : stretch + _HEADING_LINES + 1]
    if not total or matched < total or not lower:
        return stretch
    sparse = len(grid.filled(first)) < max(len(grid.filled(i)) for i in lower)
    for i in reversed(lower):
        if sparse and heading_like(grid, i, habits) and not like_records(grid, i, habits):
            return rows.index(i) + 1
    return stretch


def _is_odd_heading(
    grid: Grid, rows: Sequence[int], stretch: int, full: int, habits: Habits
) -> bool:
    """Tell whether the first row is a heading of dates or numbers over other values."""
    row = rows[stretch]
    matched, total = count_matches(grid, row, habits)
    if full > stretch and total and matched < 0.5 * total:
        return True
    # A word over names that are all spelled alike, such as "run" over R1, R2, R3.
    for j, shape in enumerate(habits.shapes):
        cell = grid.cell(row, j)
        if habits.looks[j] != "t" or not cell:
            continue
        if shape:
            return spelling(cell) != shape and not any(c.isdigit() for c in cell)
        if cell.casefold() in _LABEL_HEADINGS and cell not in habits.words[j]:
            return True
    return False


LONGEST_SEARCHED = 250
_HEADING_WORDS = re.compile(
    r"\b(?:time|clock|date|elapsed|temp\w*|probe|channel|ch|start|run|trial|lab|freez\w*|cup|vessel"
    r"|zeit|datum|uhrzeit|heure|temps|fecha|hora|ora|tempo|batch|remark|note|water|mean|sd|se|n"
    r"|source|study|unit|min|sec|water|room|sink|mass|volume|endpoint)\b|[(\[][^)\]]*[)\]]",
    re.IGNORECASE,
)


# Headings of label columns: over them a first row of numbers is a heading too.
_LABEL_HEADINGS = {
    *("run", "runs", "cup", "cups", "vessel", "vessels", "lab", "labs", "id", "name", "sample"),
    *("trial", "label", "batch", "beaker", "tray", "specimen", "source", "study", "site"),
}


def _choose_lines(
    grid: Grid, lines: list[int], width: int, habits: Habits
) -> tuple[list[int], int | None]:
    """Tell names and units row from the preamble above them and the records below them.

    The line that speaks most like a heading is one, the upper of equals. A line
    below it belongs to the heading where it fills gaps, tells repeated names apart, labels
    value columns alone, or leads on to a units row; any other is a record.
    """
    lines = list(lines)
    while len(lines) > 1 and _is_preamble(grid, lines[0], width):
        lines.pop(0)
    at_units = next((k for k, i in enumerate(lines) if k and is_units_row(grid.rows[i])), None)
    before_units = lines[:at_units]
    if width == 1:
        best = len(before_units) - 1
    else:
        speaking = [_speaks_as_heading(grid, i, width) for i in before_units]
        best = speaking.index(max(speaking))
    top = best
    while top and best - top < _HEADING_LINES - 1 and _has_gaps(grid, lines[top - 1], lines[top]):
        top -= 1
    names = lines[top : best + 1]
    end = best
    while end + 1 < len(before_units) and len(names) < _HEADING_LINES:
        below = lines[end + 1]
        if at_units is None and not _completes(grid, names, below, width, habits):
            break
        end += 1
        names.append(below)
    if at_units is not None and end + 1 == at_units:
        return names, lines[at_units]
    return names, None


def _speaks_as_heading(grid: Grid, row: int, width: int) -> int:
    """Count the cells with a usual word of headings or a unit in brackets, less the values.

    A row that names every column counts two more.
    """
    cells = [grid.cell(row, j).replace("_", " ") for j in grid.filled(row)]
    full = 2 if len(cells) >= width else 0
    # A very long cell is no heading, and to search it would take for ever.
    words = sum(bool(_HEADING_WORDS.search(cell[:LONGEST_SEARCHED])) for cell in cells)
    return full + words - sum(grid.look(row, j) in ("n", "d") for j in grid.filled(row))


def _has_gaps(grid: Grid, upper: int, lower: int) -> bool:
    """Tell whether the words of a row each stand over several columns of the row below it."""
    above, below = set(grid.filled(upper)), set(grid.filled(lower))
    words = [grid.cell(upper, j).casefold() for j in sorted(above & below)]
    gaps = bool(below - above) or len(set(words)) < len(words)
    return gaps and bool(words) and above != {0}


def _completes(grid: Grid, names: Sequence[int], row: int, width: int, habits: Habits) -> bool:
    """Tell whether a row completes the heading above it rather than being a record."""
    low = names[-1]
    values = [j for j in range(width) if habits.looks[j] == "n"]
    filled = set(grid.filled(row))
    if any(j in filled and not any(grid.cell(i, j) for i in names) for j in values):
        return True
    named = [grid.cell(low, j).casefold() for j in grid.filled(low)]
    if len(set(named)) < len(named) and sum(j in filled for j in values) * 2 >= len(values):
        return True
    labels = [j for j in filled if j >= width or habits.looks[j] == "t"]
    return (
        not labels
        and len(filled) < width
        and bool(values)
        and 2 * sum(j in filled for j in values) >= len(values)
    )


def _is_preamble(grid: Grid, row: int, width: int) -> bool:
    """Tell whether a row above a heading is a title, or a key and its value."""
    filled = grid.filled(row)
    if grid.cell(row, 0).endswith(":"):
        return True
    if width >= 2 and filled == [0]:
        return True
    if grid.ragged and abs(len(grid.rows[row]) - width) > 1:
        return True
    return width >= 3 and filled == [0, 1]


def name_columns(grid: Grid, names: Sequence[int], width: int) -> tuple[list[str], list[str]]:
    """Make the heading and the group of every column from the rows of a heading.

    Parameters
    ----------
    grid : Grid
        Where the rows stand.
    names : sequence of int
        Rows of the heading, top first.
    width : int
        Number of columns.

    Returns
    -------
    headings, groups : list of str
        One of each a column.
    """
    if not names:
        return [""] * width, [""] * width
    lowest = names[-1]
    low = [_one_line(grid.cell(lowest, j)) for j in range(width)]
    headings = list(low)
    groups = [""] * width
    for i in reversed(names[:-1]):
        upper = [_one_line(grid.cell(i, j)) for j in range(width)]
        if _is_group_row(upper, low):
            spread = _spread_group(grid, i, upper, low)
            for j in range(width):
                if not low[j] and upper[j]:
                    headings[j] = f"{upper[j]} {headings[j]}".strip()
                elif spread[j] and spread[j] != low[j]:
                    groups[j] = f"{spread[j]} {groups[j]}".strip()
        else:
            for j in range(width):
                if upper[j] and upper[j] != headings[j]:
                    headings[j] = f"{upper[j]} {headings[j]}".strip()
    return headings, groups


def _one_line(cell: str) -> str:
    """Join the lines of a heading that was broken inside its cell, and cut an endless one."""
    line = " ".join(cell.split())
    return line if len(line) <= _LONGEST_HEADING else f"{line[:_LONGEST_HEADING]}…"


def _is_group_row(upper: Sequence[str], low: Sequence[str]) -> bool:
    """Tell whether a row stands over several columns of the row below it."""
    gap = any(not u and w for u, w in zip(upper, low, strict=True))
    over = any(u and w for u, w in zip(upper, low, strict=True))
    return gap and over


def _spread_group(grid: Grid, row: int, upper: Sequence[str], low: Sequence[str]) -> list[str]:
    """Give each column the group above it: along merged cells, else up to the next group."""
    spread = list(upper)
    merged = [s for s in grid.spans if s.top <= row <= s.bottom and s.right > s.left]
    for s in merged:
        for j in range(s.left, min(s.right + 1, len(spread))):
            spread[j] = upper[s.left]
    named = [w for w in low if w]
    if not merged and len(set(named)) < len(named):
        current = ""
        for j, word in enumerate(upper):
            current = word or (current if low[j] else "")
            spread[j] = current
    return _without_caption(spread, low)


def _without_caption(spread: list[str], low: Sequence[str]) -> list[str]:
    """Take away a first group that names the row itself, such as "Arm" over hot and cold.

    It stands over other names than the groups after it, which all stand over the same.
    """
    runs: dict[str, list[str]] = {}
    for group, name in zip(spread, low, strict=True):
        if group:
            runs.setdefault(group, []).append(name)
    first, *others = runs.values() if runs else [[]]
    alike = len(others) >= 2 and all(names == others[0] for names in others)
    if not alike or first == others[0]:
        return spread
    caption = next(iter(runs))
    return ["" if group == caption else group for group in spread]
