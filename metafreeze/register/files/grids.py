"""A grid of cells, wherever it came from, and the tables found in it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from metafreeze.errors import Fault, Location
from metafreeze.register.files.cells import Look, look_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A merged region of a worksheet, as grid rows and columns counted from 0, ends included."""

    top: int
    left: int
    bottom: int
    right: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """Rows of cells.

    Parameters
    ----------
    rows : list of list of str
        Cells; an empty string where there is nothing.
    lines : list of int
        Row of the file for each row of the grid, counted from 1.
    ragged : bool
        True where the number of cells in a row is what its writer typed; a worksheet
        has no such number.
    looks : list of list of Look, optional
        What each cell is stored as, where a worksheet says so; empty for text cells.
    spans : tuple of Span
        Merged regions.
    file, sheet : str
        For the findings.
    joiner : str
        What separated the cells, to write a line of the preamble again.
    """

    rows: list[list[str]]
    lines: list[int]
    ragged: bool = True
    looks: list[list[Look | None]] | None = None
    spans: tuple[Span, ...] = ()
    file: str = ""
    sheet: str = ""
    joiner: str = ","

    def cell(self, row: int, column: int) -> str:
        """Give a cell without outer space; empty beyond the end of its row."""
        cells = self.rows[row]
        return cells[column].strip() if column < len(cells) else ""

    def look(self, row: int, column: int) -> Look:
        """Tell what a cell looks like, or is stored as."""
        if self.looks is not None and column < len(self.looks[row]):
            stored = self.looks[row][column]
            if stored is not None:
                return stored
        cells = self.rows[row]
        return look_of(cells[column]) if column < len(cells) else "e"

    def extent(self, row: int) -> int:
        """Count cells up to the last filled one."""
        cells = self.rows[row]
        for at in range(len(cells) - 1, -1, -1):
            if cells[at].strip():
                return at + 1
        return 0

    def width(self, row: int) -> int:
        """Count the cells of a row as typed, or up to the last filled one."""
        return len(self.rows[row]) if self.ragged else self.extent(row)

    def filled(self, row: int) -> list[int]:
        """List the columns that are filled."""
        return [j for j, cell in enumerate(self.rows[row]) if cell.strip()]

    def text(self, row: int) -> str:
        """Write a row as one line."""
        filled = self.extent(row)
        return self.joiner.join(self.rows[row][:filled]).strip()

    def place(self, row: int, column: str = "") -> Location:
        """Give the place of a row for a finding."""
        return Location(file=self.file, sheet=self.sheet, row=self.lines[row], column=column)


@dataclass(slots=True, kw_only=True)
class Block:
    """One table found in a grid; rows are grid rows.

    Parameters
    ----------
    columns : list of int
        Grid columns, in order.
    headings, groups, units : list of str
        One of each a column.
    heading_rows : list of int
        Rows of the heading, top first; empty where there is none.
    body : list of int
        Rows of the records.
    breaks : list of int
        Places in `body` before which the heading stood again.
    above, below : list of int
        Rows above the heading and below the records that belong to neither.
    preamble : dict
        The rows above, as keys and values.
    footer : list of str
        The rows below, as lines.
    unreadable : list of Fault
        Rows that are no records of it.
    notes : list of Fault
        What was found on the way.
    """

    columns: list[int]
    headings: list[str]
    groups: list[str]
    units: list[str]
    heading_rows: list[int]
    body: list[int]
    breaks: list[int] = field(default_factory=list)
    above: list[int] = field(default_factory=list)
    below: list[int] = field(default_factory=list)
    preamble: dict[str, str] = field(default_factory=dict)
    footer: list[str] = field(default_factory=list)
    unreadable: list[Fault] = field(default_factory=list)
    notes: list[Fault] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """What a grid holds: its tables, and what stands outside of them."""

    blocks: list[Block]
    loose: list[str]
    findings: list[Fault]


def usual_width(grid: Grid, rows: Sequence[int]) -> tuple[int, int]:
    """Give the number of cells that most rows have, and how many have it.

    Parameters
    ----------
    grid : Grid
        Where the rows stand.
    rows : sequence of int
        At least one row.

    Returns
    -------
    width, n_rows : int
        In a worksheet the widest extent, and all rows.
    """
    if not grid.ragged:
        return max(map(grid.extent, rows)), len(rows)
    counts = Counter(grid.width(i) for i in rows)
    width, n = max(counts.items(), key=lambda item: (item[1] * (item[0] > 1), item[1], item[0]))
    return width, n
