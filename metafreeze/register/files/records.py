"""The records below a heading: which rows are records, and what becomes of the others."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from metafreeze.errors import Fault
from metafreeze.register.files.cells import is_unit
from metafreeze.register.files.grids import Block, Grid, usual_width
from metafreeze.register.files.habits import Habits, count_matches, heading_like, like_records
from metafreeze.register.files.heading_rows import name_columns


def lacks_last_cells(grid: Grid, row: int, habits: Habits) -> bool:
    """Tell whether a row lacks its last cells only: what it has stands where it belongs.

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
    for j in range(min(len(grid.rows[row]), len(habits.looks))):
        look = grid.look(row, j)
        if habits.looks[j] == "t" and habits.wordy[j] and look in ("n", "d"):
            return False
    matched, total = count_matches(grid, row, habits)
    if total:
        return matched == total
    return like_records(grid, row, habits)


class RecordReader:
    """Reads the records of one table below its heading.

    Parameters
    ----------
    grid : Grid
        Where the table lies.
    comments : set of int
        Comment lines of the grid.
    findings : list of Fault
        Takes what refuses the table as a whole.
    width : int
        Number of columns as far as known.
    habits : Habits
        What the columns usually hold.
    names : list of int
        Rows of the heading.
    """

    def __init__(
        self,
        grid: Grid,
        comments: set[int],
        findings: list[Fault],
        *,
        width: int,
        habits: Habits,
        names: list[int],
    ) -> None:
        self.grid = grid
        self.comments = comments
        self.findings = findings
        self.habits = habits
        self.names = names
        self.width = width
        self.body: list[int] = []
        self.breaks: list[int] = []
        self.unreadable: list[Fault] = []
        self.notes: list[Fault] = []
        self.padded: list[int] = []
        self.trailing: list[int] = []

    def read(self, rows: Sequence[int], following: list[list[int]]) -> Block | None:
        """Read records from `rows` and from the paragraphs after them.

        Parameters
        ----------
        rows : sequence of int
            Rows below the heading, in its paragraph.
        following : list of list of int
            Later paragraphs; the table ends at the first that is not of it.

        Returns
        -------
        Block or None
            None where heading and records do not fit each other.
        """
        grid = self.grid
        if self.names and grid.ragged and not self._fit_heading(rows):
            return None
        self._take(rows)
        for paragraph in following:
            if not self._continues(paragraph):
                break
            self._take(paragraph)
        if not grid.ragged and self.body:
            self.width = max(self.width, max(map(grid.extent, self.body)))
        self._report()
        if not self.body and not self.names:
            return None
        headings, groups = name_columns(grid, self.names, self.width)
        columns = self._used_columns(headings)
        block = Block(
            columns=columns,
            headings=[headings[j] for j in columns],
            groups=[groups[j] for j in columns],
            units=["" for _ in columns],
            heading_rows=self.names,
            body=self.body,
            breaks=self.breaks,
            unreadable=self.unreadable,
            notes=self.notes,
        )
        self._report_headings(block)
        return block

    def _fit_heading(self, rows: Sequence[int]) -> bool:
        """Settle the number of columns from heading and records; refuse where they differ."""
        grid = self.grid
        lowest = max(self.names, key=grid.extent)
        named = grid.extent(lowest)
        typed = max(len(grid.rows[i]) for i in self.names)
        widths = Counter(len(grid.rows[i]) for i in rows)
        if not widths or self.width == 1:
            self.width = max(self.width, named)
            return True
        used = max((grid.extent(i) for i in rows if len(grid.rows[i]) == self.width), default=0)
        if used <= typed and (typed <= self.width or typed in widths or named <= self.width):
            self.width = max(min(typed, self.width) if typed < self.width else named, used)
            self._note_trailing(rows, typed)
            return True
        pieces = [grid.rows[lowest][j] for j in range(self.width, named)]
        unfilled = named > self.width and not any(
            piece.startswith(" ") or is_unit(piece) for piece in grid.rows[lowest][1:]
        )
        if unfilled:
            listed = ", ".join(f"“{p.strip()}”" for p in pieces)
            self.notes.append(
                Fault(
                    rule="short-rows",
                    message=f"No row has a cell under the last headings: {listed}",
                    remedy="They are read as empty",
                    location=grid.place(lowest),
                    severity="note",
                )
            )
            self.width = named
            return True
        usual = widths.most_common(1)[0][0]
        self.findings.append(
            Fault(
                rule="heading-width",
                message=f"The heading has {named} cells but the rows have {usual}",
                remedy=(
                    "Give every column a heading, and quote headings and cells that hold the "
                    "delimiter; save with semicolons between cells if a comma also marks "
                    "decimals; or answer with --delimiter"
                ),
                location=grid.place(lowest),
                value=grid.text(lowest)[:80],
            )
        )
        return False

    def _note_trailing(self, rows: Sequence[int], typed: int) -> None:
        longer = [i for i in rows if len(self.grid.rows[i]) > typed]
        if longer and len(longer) == len(rows):
            self.notes.append(
                Fault(
                    rule="trailing-delimiter",
                    message=(
                        f"All {len(longer)} rows have an empty cell more than the heading, as a "
                        "delimiter ends each of them"
                    ),
                    remedy="The empty cells are left away; nothing is shifted",
                    location=self.grid.place(longer[0]),
                    severity="note",
                )
            )

    def _take(self, rows: Sequence[int]) -> None:
        """Sort the rows of a paragraph: records, heading again, unreadable."""
        grid = self.grid
        if not grid.ragged:
            for i in rows:
                if self._is_heading_again(i):
                    self._note_break(i)
                else:
                    self.body.append(i)
            return
        whole = [k for k, i in enumerate(rows) if self._is_whole(i)]
        last_whole = whole[-1] if whole else -1
        for k, i in enumerate(rows):
            n_cells = len(grid.rows[i])
            if k == last_whole + 1 and self._starts_another(rows[k:]):
                break
            if self._is_heading_again(i):
                self._note_break(i)
            elif n_cells == self.width:
                self.body.append(i)
            elif n_cells > self.width:
                self._take_long(i)
            elif self._fits_short(i):
                self.padded.append(i)
                self.body.append(i)
            elif k > last_whole:
                break
            else:
                self._refuse_row(i)

    def _is_whole(self, row: int) -> bool:
        """Tell whether a row has all its cells and none that is one too many."""
        return len(self.grid.rows[row]) >= self.width >= self.grid.extent(row)

    def _starts_another(self, rows: Sequence[int]) -> bool:
        """Tell whether rows at the end are a table of another width under its own heading."""
        grid = self.grid
        widths = {len(grid.rows[i]) for i in rows}
        return (
            len(rows) > 1
            and len(widths) == 1
            and self.width not in widths
            and 1 not in widths
            and heading_like(grid, rows[0], self.habits)
        )

    def _take_long(self, row: int) -> None:
        if self.grid.extent(row) <= self.width:
            self.trailing.append(row)
            self.body.append(row)
        else:
            self._refuse_row(row)

    def _fits_short(self, row: int) -> bool:
        return self.width > 1 and lacks_last_cells(self.grid, row, self.habits)

    def _refuse_row(self, row: int) -> None:
        grid = self.grid
        n_cells = len(grid.rows[row])
        more = n_cells > self.width
        remedy = (
            "Quote the cell that holds the delimiter, or take the extra cell away"
            if more
            else "Fill in the missing cells, or delimiters where a cell is empty"
        )
        self.unreadable.append(
            Fault(
                rule="row-width",
                message=f"The row has {n_cells} cells but the heading has {self.width}",
                remedy=remedy,
                location=grid.place(row),
                value=grid.text(row)[:80],
            )
        )

    def _is_heading_again(self, row: int) -> bool:
        """Tell whether a row repeats the lowest row of the heading."""
        if not self.names:
            return False
        grid, low = self.grid, self.names[-1]
        named = [j for j in grid.filled(low) if j < self.width]
        if not named or grid.cell(row, named[0]).casefold() != grid.cell(low, named[0]).casefold():
            return False
        return all(grid.cell(row, j).casefold() == grid.cell(low, j).casefold() for j in named)

    def _note_break(self, row: int) -> None:
        if not self.body:
            return
        self.breaks.append(len(self.body))
        self.notes.append(
            Fault(
                rule="heading-again",
                message=f"The heading stands again in row {self.grid.lines[row]}",
                remedy="It is left out; the rows below it start a new part of the table",
                location=self.grid.place(row),
                severity="note",
            )
        )

    def _continues(self, rows: list[int]) -> bool:
        """Tell whether a paragraph after a blank line goes on with the same table."""
        grid, habits = self.grid, self.habits
        if self._is_heading_again(rows[0]):
            return True
        if grid.ragged and usual_width(grid, rows)[0] != self.width:
            return all(self._fits_short(i) for i in rows if len(grid.rows[i]) < self.width) and all(
                len(grid.rows[i]) <= self.width for i in rows
            )
        if all(grid.extent(i) == 1 for i in rows) and self.width > 1:
            return False
        if heading_like(grid, rows[0], habits) and not like_records(grid, rows[0], habits):
            return not habits.has_values and len(rows) == 1
        fitting = sum(self._fits(i) for i in rows)
        return 2 * fitting >= len(rows)

    def _fits(self, row: int) -> bool:
        matched, total = count_matches(self.grid, row, self.habits)
        return 2 * matched >= total if total else not self.habits.has_values

    def _report(self) -> None:
        """Put what was mended into notes, once a kind."""
        grid = self.grid
        if self.padded and len(self.padded) < len(self.body):
            listed = ", ".join(str(grid.lines[i]) for i in self.padded[:5])
            more = "" if len(self.padded) <= 5 else f" and {len(self.padded) - 5} more"
            self.notes.append(
                Fault(
                    rule="short-rows",
                    message=f"Rows without their last cells: {listed}{more}",
                    remedy="The missing cells are read as empty",
                    location=grid.place(self.padded[0]),
                    severity="note",
                )
            )
        if self.body:
            self._report_comments(min(self.body), max(self.body))

    def _report_comments(self, first: int, last: int) -> None:
        grid, end = self.grid, last
        while last + 1 in self.comments:
            last += 1
        for i in sorted(self.comments):
            like_row = len(grid.rows[i]) == self.width > 1
            if not first < i <= last or (i > end and not like_row):
                continue
            fault = Fault(
                rule="comment-line",
                message=f"Left out as a comment: “{grid.text(i)[:60]}”",
                remedy="Take the mark at its start away if it is a record",
                location=grid.place(i),
                value=grid.text(i)[:80],
                severity="note",
            )
            (self.unreadable if like_row else self.notes).append(fault)

    def _used_columns(self, headings: Sequence[str]) -> list[int]:
        """List the columns that have a heading or a cell."""
        grid = self.grid
        bare = {j for j in range(self.width) if not headings[j]}
        for i in self.body:
            if not bare:
                break
            bare -= {j for j in bare if grid.cell(i, j)}
        # Empty columns inside are kept until side-by-side tables have been told apart.
        used = [j for j in range(self.width) if j not in bare]
        if not used:
            return list(range(self.width))
        return list(range(used[0], used[-1] + 1))

    def _report_headings(self, block: Block) -> None:
        """Report a missing heading and headings that are not unique."""
        grid = self.grid
        if not block.heading_rows:
            self.notes.append(
                Fault(
                    rule="no-heading",
                    message="The table has no heading; its first row is read as a record",
                    remedy="Put a row of headings above it, or name the columns by their place",
                    location=grid.place(block.body[0]),
                    severity="note",
                )
            )
            return
