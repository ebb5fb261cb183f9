"""Where the tables of a file are: preamble, heading, units row, records, footer.

Works on a grid of cells, whether it came from text or from a worksheet. A row is a
record or it is accounted for: heading, preamble, footer, note or unreadable.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from itertools import pairwise

from metafreeze.errors import Fault
from metafreeze.register.files.beside import split_side_by_side
from metafreeze.register.files.cells import look_of
from metafreeze.register.files.delimited import is_comment
from metafreeze.register.files.grids import Block, Grid, Layout, usual_width
from metafreeze.register.files.habits import DOMINANT, Habits, heading_like, learn_habits
from metafreeze.register.files.heading_rows import Heading, find_heading
from metafreeze.register.files.preamble import read_preamble
from metafreeze.register.files.records import RecordReader, lacks_last_cells

# Two columns above a table are a table, not keys and values, from this number of rows on.
_FEWEST_ABOVE = 5
# So many neighbouring rows of one width are a part of their own.
_ROWS_OF_A_PART = 3


def find_blocks(grid: Grid) -> Layout:
    """Find the tables of a grid.

    Parameters
    ----------
    grid : Grid
        Rows of cells.

    Returns
    -------
    Layout
        Blocks in file order; lines that belong to no table; findings.
    """
    comments = _comments(grid)
    search = _Search(grid, comments)
    blocks = search.scan(list(range(len(grid.rows))), strict=False)
    for block in blocks:
        _account_for_rest(grid, block)
    for block in blocks[1:]:
        search.findings.append(_note_another(grid, block))
    split = [part for block in blocks for part in split_side_by_side(grid, block)]
    for part in split:
        _report_duplicates(grid, part)
    return Layout(blocks=split, loose=search.loose, findings=search.findings)


def _comments(grid: Grid) -> set[int]:
    """List comment lines; a column of labels that start with # holds none."""
    if not grid.ragged:
        return set()
    marked = []
    at_top = True
    for i, row in enumerate(grid.rows):
        if not row:
            continue
        start = row[0].strip()
        # A cell of nothing but # is the heading of a column that counts rows.
        hash_mark = start.startswith("#") and (start != "#" or grid.joiner == " ")
        # The rarer marks stand at the top of a file; further down they are text.
        if hash_mark or (at_top and start != "#" and is_comment(row)):
            marked.append(i)
        elif grid.extent(i):
            at_top = False
    filled = sum(1 for i in range(len(grid.rows)) if grid.extent(i))
    if 2 * len(marked) > filled:
        width, _ = usual_width(grid, [i for i in range(len(grid.rows)) if grid.extent(i)])
        marked = [i for i in marked if grid.width(i) != width or width == 1]
    return set(marked)


class _Search:
    """The search for tables in one grid; collects what is left outside of them."""

    def __init__(self, grid: Grid, comments: set[int]) -> None:
        self.grid = grid
        self.comments = comments
        self.loose: list[str] = []
        self.findings: list[Fault] = []

    def scan(self, rows: list[int], *, strict: bool) -> list[Block]:
        """Find the largest table among `rows`, then those above and below it."""
        grid = self.grid
        paragraphs = _paragraphs(grid, rows, self.comments)
        if not paragraphs:
            return []
        sizes = [self._size(paragraph) for paragraph in paragraphs]
        core = max(range(len(paragraphs)), key=lambda k: sizes[k])
        found = self._read_block(paragraphs, core)
        if found is None or (strict and not _is_convincing(found[0])):
            self.loose += [grid.text(i) for p in paragraphs for i in p]
            return []
        block, first, last = found
        above = [i for i in rows if i < first]
        below = [i for i in rows if i > last]
        before = self._scan_above(above, block)
        after = self._scan_below(below, block)
        return [*before, block, *after]

    def _size(self, paragraph: list[int]) -> float:
        """Weigh a paragraph by its cells; lines of a single cell count half."""
        if not self.grid.ragged:
            return sum(len(self.grid.filled(i)) for i in paragraph)
        width, n_alike = usual_width(self.grid, paragraph)
        return n_alike * (width if width > 1 else 0.5)

    def _scan_above(self, rows: list[int], block: Block) -> list[Block]:
        """Look for wide tables above a table; what is none of them is its preamble."""
        grid = self.grid
        inner = _Search(grid, self.comments)
        blocks = [b for b in inner.scan(rows, strict=True) if self._is_no_preamble(b)]
        if blocks:
            taken = _rows_of(blocks[-1], grid)
            rows = [i for i in rows if i > max(taken)]
            self.findings += inner.findings
        self._promote_comment(rows, block)
        block.above += [i for i in rows if grid.extent(i) and i not in block.heading_rows]
        return blocks

    def _is_no_preamble(self, block: Block) -> bool:
        """Tell whether a table above another is more than keys and their values."""
        if len(block.columns) >= 3:
            return True
        habits = learn_habits(self.grid, block.body, len(block.columns))
        return len(block.body) >= _FEWEST_ABOVE and "t" not in habits.looks

    def _promote_comment(self, rows: list[int], block: Block) -> None:
        """Take the comment line right above records without a heading as their heading."""
        grid = self.grid
        near = [i for i in rows if grid.extent(i)]
        if block.heading_rows or not near or near[-1] not in self.comments:
            return
        cells = [c.strip() for c in grid.rows[near[-1]]]
        cells[0] = cells[0].lstrip("#%/ ").strip()
        if not cells[0] and len(cells) == len(block.columns) + 1:
            cells = cells[1:]
        names = [c for c in cells if c]
        if len(cells) == len(block.columns) and any(look_of(c) == "t" for c in names):
            block.headings = cells
            block.heading_rows = [near[-1]]
            block.notes = [f for f in block.notes if f.rule != "no-heading"]

    def _scan_below(self, rows: list[int], block: Block) -> list[Block]:
        """Look for tables below a table; what comes before them is its footer."""
        grid = self.grid
        inner = _Search(grid, self.comments)
        blocks = inner.scan(rows, strict=True)
        self.findings += inner.findings
        end = min(_rows_of(blocks[0], grid)) if blocks else len(grid.rows)
        block.below += [i for i in rows if i < end and grid.extent(i)]
        return blocks

    def _read_block(self, paragraphs: list[list[int]], core: int) -> tuple[Block, int, int] | None:
        """Read the table around a paragraph; give it with its first and last row."""
        grid = self.grid
        rows = paragraphs[core]
        width, _ = usual_width(grid, rows)
        if width == 0 or (width == 1 and not self._is_list_of_values(rows)):
            return None
        alike = [i for i in rows if grid.width(i) == width] if grid.ragged else rows
        habits = learn_habits(grid, alike, width)
        heading = find_heading(grid, rows, width, habits)
        while not heading.names:
            above = self._part_above(paragraphs, core, width, habits)
            if above is None:
                break
            core = above
            rows = paragraphs[core]
            heading = find_heading(grid, rows, width, habits)
        names, first = list(heading.names), rows[0]
        if core:
            more = self._heading_above(paragraphs[core - 1], heading, width, habits)
            if more:
                names = [*more, *names]
                first = paragraphs[core - 1][0]
        preamble_rows = [i for i in heading.above if i not in names]
        reader = RecordReader(
            grid, self.comments, self.findings, width=width, habits=habits, names=names
        )
        block = reader.read(rows[heading.first_record :], paragraphs[core + 1 :])
        if block is None or (not block.body and not self._is_heading_alone(block)):
            return None
        if heading.units is not None:
            block.units = [grid.cell(heading.units, j) for j in block.columns]
        start = min(block.body, default=first)
        between = [i for i in self.comments if first < i < start]
        block.above += [*preamble_rows, *between]
        last = max([*block.body, *rows[: heading.first_record], *_rows_of(block, grid)])
        return block, min(first, rows[0]), last

    def _is_heading_alone(self, block: Block) -> bool:
        """Tell whether a heading without records is the last thing in the file."""
        last = max(block.heading_rows)
        grid = self.grid
        return len(grid.filled(last)) >= 2 and not any(
            grid.extent(i) for i in range(last + 1, len(grid.rows))
        )

    def _part_above(
        self, paragraphs: list[list[int]], core: int, width: int, habits: Habits
    ) -> int | None:
        """Find the paragraph above from which records without a heading go on."""
        grid = self.grid
        for k in range(core - 1, -1, -1):
            rows = paragraphs[k]
            usual, _ = usual_width(grid, rows)
            if grid.ragged and usual == width:
                return k
            if not grid.ragged:
                return k if usual <= width and (width == 1 or usual > 1) else None
            if not all(lacks_last_cells(grid, i, habits) for i in rows):
                return None
        return None

    def _is_list_of_values(self, rows: list[int]) -> bool:
        """Tell whether a single column holds values and not sentences."""
        looks = Counter(self.grid.look(i, 0) for i in rows)
        values = looks["n"] + looks["d"] + looks["q"]
        return values > 0 and values >= DOMINANT * (len(rows) - 1)

    def _heading_above(
        self, rows: list[int], heading: Heading, width: int, habits: Habits
    ) -> list[int]:
        """Take the paragraph above as upper heading rows where the heading lacks them."""
        grid = self.grid
        if len(rows) > 2 or not all(heading_like(grid, i, habits) for i in rows):
            return []
        filled = [j for i in rows for j in grid.filled(i)]
        if len(filled) < 2 or max(filled) >= width or (width >= 3 and filled == [0, 1]):
            return []
        if not heading.names:
            return rows
        low = [grid.cell(heading.names[0], j) for j in range(width)]
        named = [w for w in low if w]
        lacking = any(not low[j] for j in filled) or len(set(named)) < len(named)
        return rows if lacking else []


def _rows_of(block: Block, grid: Grid) -> list[int]:
    """List all rows that a block covers."""
    broken = {f.location.row for f in block.unreadable}
    extra = [i for i, line in enumerate(grid.lines) if line in broken] if broken else []
    return [*block.heading_rows, *block.body, *extra]


def _is_convincing(block: Block) -> bool:
    """Tell whether rows beside the main table are a table themselves."""
    return bool(block.heading_rows) and len(block.columns) >= 2 and bool(block.body)


def _paragraphs(grid: Grid, rows: Iterable[int], skipped: set[int]) -> list[list[int]]:
    """Cut rows at blank lines; many paragraphs of one row each are one table, spaced out."""
    paragraphs: list[list[int]] = []
    current: list[int] = []
    for i in rows:
        if i in skipped:
            continue
        if grid.extent(i) == 0:
            if current:
                paragraphs.append(current)
            current = []
        else:
            current.append(i)
    if current:
        paragraphs.append(current)
    if grid.ragged:
        paragraphs = [part for p in paragraphs for part in _cut_at_width(grid, p)]
    return _join_spaced(grid, paragraphs)


def _cut_at_width(grid: Grid, paragraph: list[int]) -> list[list[int]]:
    """Cut a paragraph where several rows of one width follow several rows of another."""
    runs: list[list[int]] = []
    for i in paragraph:
        if runs and grid.width(runs[-1][-1]) == grid.width(i):
            runs[-1].append(i)
        else:
            runs.append([i])
    parts = [runs[0]]
    for before, run in pairwise(runs):
        if min(len(before), len(run)) >= _ROWS_OF_A_PART and grid.width(run[0]) > 1:
            parts.append(list(run))
        else:
            parts[-1].extend(run)
    return parts


def _join_spaced(grid: Grid, paragraphs: list[list[int]]) -> list[list[int]]:
    """Join three or more neighbouring one-row paragraphs of one width, above one cell."""
    joined: list[list[int]] = []
    at = 0
    while at < len(paragraphs):
        end = at
        width = grid.width(paragraphs[at][0])
        while (
            end < len(paragraphs)
            and len(paragraphs[end]) == 1
            and grid.width(paragraphs[end][0]) == width > 1
        ):
            end += 1
        if end - at >= 3:
            joined.append([p[0] for p in paragraphs[at:end]])
            at = end
        else:
            joined.append(paragraphs[at])
            at += 1
    return joined


def _note_another(grid: Grid, block: Block) -> Fault:
    """Say that a file holds a further table."""
    start = min([*block.heading_rows, *block.body])
    named = ", ".join(h for h in block.headings if h) or "without a heading"
    return Fault(
        rule="another-table",
        message=f"Another table starts in row {grid.lines[start]}: {named}",
        remedy="It is read as a table of its own",
        location=grid.place(start),
        severity="note",
    )


def _account_for_rest(grid: Grid, block: Block) -> None:
    """Keep the rows around a table as preamble and footer, and say so."""
    block.above = sorted(set(block.above))
    lines = [(grid.lines[i], grid.rows[i], grid.joiner) for i in block.above]
    block.preamble = read_preamble(lines)
    block.footer = [grid.text(i) for i in block.below]
    names = [grid.lines[i] for i in block.heading_rows]
    if len(names) > 1:
        block.notes.append(
            Fault(
                rule="heading-rows",
                message=f"The heading takes several rows: {', '.join(map(str, names))}",
                remedy="Their words are joined for each column",
                location=grid.place(block.heading_rows[0]),
                severity="note",
            )
        )
    for rule, rows, what in (
        ("preamble", block.above, "above the heading, kept as notes on the table"),
        ("footer", block.below, "below the table, not read as records"),
    ):
        if rows:
            shown = "; ".join(f"{grid.lines[i]}: {grid.text(i)[:40]}" for i in rows[:3])
            block.notes.append(
                Fault(
                    rule=rule,
                    message=f"Rows {what}: {len(rows)} ({shown})",
                    remedy="If one of them is a record, give it the same cells as the others",
                    location=grid.place(rows[0]),
                    severity="note",
                )
            )


def _report_duplicates(grid: Grid, block: Block) -> None:
    """Note headings that stand over several columns of one table."""
    if not block.heading_rows:
        return
    seen = Counter(zip(block.headings, block.groups, strict=True))
    for (heading, group), n in seen.items():
        if n < 2 or not heading:
            continue
        places = [
            str(column + 1)
            for column, h, g in zip(block.columns, block.headings, block.groups, strict=True)
            if (h, g) == (heading, group)
        ]
        block.notes.append(
            Fault(
                rule="duplicate-heading",
                message=f"{n} columns are headed “{heading}”: places {', '.join(places)}",
                remedy="They are kept apart by their place; give each a heading of its own",
                location=grid.place(block.heading_rows[-1], heading),
                value=heading,
                severity="note",
            )
        )
