"""From blocks of a grid to tables, and the decisions that need every row of a file."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.errors import Fault, Location
from metafreeze.register.answers import Answers
from metafreeze.register.files.cells import look_of
from metafreeze.register.files.dates import decide_day_order, different_stamps
from metafreeze.register.files.grids import Block, Grid
from metafreeze.register.files.long_text import LongText, over_pieces, whole
from metafreeze.register.files.numbers import LISTED, NumberColumn, decide_marks
from metafreeze.register.files.sheets import (
    Column,
    Dialect,
    RawTable,
    SourceFile,
    cells_over_length,
)
from metafreeze.register.files.traces import recognise_trace

Mask: TypeAlias = npt.NDArray[np.bool_]

# Above this number of rows only columns whose sample shows a date are searched for dates.
_MANY_ROWS = 5000
_SAMPLE_CELLS = 100


@dataclass(slots=True)
class Contents:
    """The bytes of a file, which whoever needs them last lets go of for all.

    Parameters
    ----------
    data : bytes
        The bytes.
    """

    data: bytes

    def let_go(self) -> None:
        """Forget the bytes."""
        self.data = b""


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """A file whose tables are found and whose decisions are open.

    Parameters
    ----------
    name : str
        File name without its folder.
    tables : sequence of RawTable
        With verbatim columns.
    findings : sequence of Fault
        What was found so far, in file order.
    encoding, delimiter : str
        As decided; empty where there is none.
    evidence : sequence of str
        One sentence a decision.
    no_commas : bool
        True where no cell holds a comma.
    """

    name: str
    tables: Sequence[RawTable]
    findings: Sequence[Fault] = ()
    encoding: str = ""
    delimiter: str = ""
    evidence: Sequence[str] = ()
    no_commas: bool = False


def file_fault(rule: str, message: str, remedy: str, file: str, *, sheet: str = "") -> Fault:
    """Make an error that concerns a whole file or sheet.

    Parameters
    ----------
    rule, message, remedy : str
        As in `Fault`.
    file, sheet : str
        File name, and worksheet where one is meant.

    Returns
    -------
    Fault
    """
    return Fault(
        rule=rule, message=message, remedy=remedy, location=Location(file=file, sheet=sheet)
    )


def refuse_file(name: str, fault: Fault) -> Draft:
    """Give a file without tables and the reason.

    Parameters
    ----------
    name : str
        File name.
    fault : Fault
        The reason.

    Returns
    -------
    Draft
    """
    return Draft(name=name, tables=(), findings=(fault,))


def text_column(cells: Sequence[str]) -> pa.StringArray:
    """Make a column of verbatim cells, null where there is nothing but white space.

    Parameters
    ----------
    cells : sequence of str
        The cells.

    Returns
    -------
    pyarrow string array
    """
    return pa.array([cell if cell.strip() else None for cell in cells], pa.string())


def table_of_block(grid: Grid, block: Block) -> RawTable:
    """Make a table of verbatim text from a block.

    Parameters
    ----------
    grid : Grid
        Where the block lies.
    block : Block
        The block.

    Returns
    -------
    RawTable
    """
    rows = [grid.rows[i] for i in block.body]
    columns = tuple(
        Column(
            heading=heading,
            position=at + 1,
            text=text_column([row[at] if at < len(row) else "" for row in rows]),
            unit=unit,
            group=group,
        )
        for at, heading, unit, group in zip(
            block.columns, block.headings, block.units, block.groups, strict=True
        )
    )
    lines = np.asarray([grid.lines[i] for i in block.body], dtype=np.int64)
    return RawTable(
        columns=columns,
        file_rows=lines,
        header_row=grid.lines[block.heading_rows[-1]] if block.heading_rows else 0,
        sheet=grid.sheet,
        preamble=block.preamble,
        footer=tuple(block.footer),
        unreadable=tuple(block.unreadable),
        breaks=tuple(block.breaks),
    )


def notes_of(blocks: Sequence[Block]) -> list[Fault]:
    """List the notes of blocks.

    Parameters
    ----------
    blocks : sequence of Block
        The blocks.

    Returns
    -------
    list of Fault
    """
    return [fault for block in blocks for fault in block.notes]


def name_of(column: Column) -> str:
    """Name a column for a message: its heading, or its place where it has none.

    Parameters
    ----------
    column : Column
        The column.

    Returns
    -------
    str
    """
    heading = f"{column.group} {column.heading}".strip()
    return heading or f"column {column.position}"


def settle(draft: Draft, answers: Answers, sha256: str = "") -> SourceFile:
    """Decide marks, day orders and traces from all rows of a file.

    Parameters
    ----------
    draft : Draft
        The file with its tables.
    answers : Answers
        What a person has answered.
    sha256 : str
        Hash of the file's bytes.

    Returns
    -------
    SourceFile
    """
    columns = [
        NumberColumn(
            name=name_of(column),
            text=column.text,
            file_rows=table.file_rows,
            sheet=table.sheet,
            stored=None if column.numbers is None else ~np.isnan(column.numbers),
        )
        for table in draft.tables
        for column in table.columns
    ]
    marks = decide_marks(
        columns,
        file=draft.name,
        delimiter=draft.delimiter,
        forced=answers.decimal,
        no_commas=draft.no_commas,
    )
    dialect = Dialect(
        encoding=draft.encoding,
        delimiter=draft.delimiter,
        decimal=marks.decimal,
        grouping=marks.grouping,
    )
    evidence = [*draft.evidence, *marks.evidence]
    findings = [*draft.findings, *marks.findings]
    tables = []
    for table in draft.tables:
        verdict = recognise_trace(table.columns, table.preamble, dialect)
        if not verdict.is_trace:
            table = _with_cells(table)
        settled = [
            _settle_dates(column, table, draft.name, answers, verdict.is_trace, evidence, findings)
            for column in table.columns
        ]
        tables.append(
            replace(
                table,
                columns=tuple(settled),
                is_trace=verdict.is_trace,
                because=verdict.because,
            )
        )
    order = {table.sheet: k for k, table in reversed(list(enumerate(tables)))}
    findings.sort(key=lambda f: (order.get(f.location.sheet, -1), f.location.row or 0))
    return SourceFile(
        name=draft.name,
        sha256=sha256,
        dialect=replace(dialect, evidence=tuple(evidence)),
        tables=tuple(tables),
        findings=tuple(findings),
    )


def _with_cells(table: RawTable) -> RawTable:
    """Make cells of the text of a table that is no trace: all of them will be looked at."""
    columns = table.columns
    if any(isinstance(c.text, LongText) for c in columns):
        columns = tuple(replace(c, text=whole(c.text)) for c in columns)
    return replace(table, columns=columns)


def _shows_date(column: Column) -> bool:
    """Tell from all cells, or a sample of a long column, whether to search it for dates."""
    cells = column.text
    if len(cells) > _MANY_ROWS:
        cells = cells_over_length(cells, _SAMPLE_CELLS)
    return any(look_of(cell) == "d" for cell in whole(cells).to_pylist() if cell)


def _settle_dates(
    column: Column,
    table: RawTable,
    file: str,
    answers: Answers,
    is_trace: bool,
    evidence: list[str],
    findings: list[Fault],
) -> Column:
    """Decide the order of day and month of a column; ask where no row decides it."""
    if column.dates is not None and column.dates.any():
        findings.extend(_find_damage(column, table, file))
    else:
        findings.extend(_find_month_labels(column, table, file))
    if not _shows_date(column):
        return column
    decision = decide_day_order(column.text)
    if not decision.order:
        return column
    name = name_of(column)

    def place(at: int) -> Location:
        row = int(table.file_rows[at]) if at >= 0 else None
        return Location(file=file, sheet=table.sheet, row=row, column=name)

    if decision.contradicting.size:
        where = decision.contradicting[:LISTED]
        cells = column.text.take(pa.array(where)).to_pylist()
        rows = table.file_rows[where].tolist()
        listed = ", ".join(f"{c} (row {r})" for c, r in zip(cells, rows, strict=True))
        findings.append(
            Fault(
                rule="day-order-contradiction",
                message=(
                    f"Dates in “{name}” are {decision.order.replace('-', ' ')}, as "
                    f"{decision.because}; others cannot be: {listed}"
                ),
                remedy="Write all dates of the column alike, best as 2025-04-03",
                location=place(int(where[0])),
                value=str(cells[0]),
            )
        )
    findings.extend(_note_day_numbers(column, place))
    if decision.order != "undecidable":
        evidence.append(f"dates in “{name}” {decision.order.replace('-', ' ')}: {decision.because}")
        return replace(column, day_order=decision.order)
    if answers.day_order in ("day-first", "month-first"):
        evidence.append(f"dates in “{name}” {answers.day_order.replace('-', ' ')}: as answered")
        return replace(column, day_order=answers.day_order)  # type: ignore[arg-type]
    evidence.append(f"dates in “{name}” undecidable: {decision.because}")
    findings.append(
        Fault(
            rule="day-order-undecidable",
            message=f"Which of day and month comes first in “{name}”? {decision.because}",
            remedy="Answer with --day-order day-first or --day-order month-first",
            location=place(decision.at),
            value=str(column.text[decision.at].as_py()),
            severity="note" if is_trace else "question",
        )
    )
    return replace(column, day_order="undecidable")


# No bare day number is longer, white space about it included.
_DAY_NUMBER = 12


def _note_day_numbers(column: Column, place: Callable[[int], Location]) -> list[Fault]:
    """Note bare day numbers of spreadsheets among typed dates."""
    if column.numbers is not None:
        return []
    cells, rows = column.text, None
    if isinstance(cells, LongText):
        if cells.holds_stamps:
            return []
        rows = different_stamps(cells)
        cells = cells.whole() if rows is None else cells.take(rows)
    least = over_pieces(cells, lambda piece: pc.min(pc.binary_length(piece)).as_py())
    if min((length for length in least if length is not None), default=0) > _DAY_NUMBER:
        return []
    mask = pc.match_substring_regex(cells, r"^\s*[2-7][0-9]{4}\s*$")
    where = np.flatnonzero(pc.fill_null(mask, False).to_numpy(zero_copy_only=False))
    if not where.size:
        return []
    if rows is not None:
        where = rows[where]
    cell = str(column.text[int(where[0])].as_py()).strip()
    date = np.datetime64("1899-12-30", "D") + np.timedelta64(int(cell), "D")
    return [
        Fault(
            rule="day-number",
            message=f"“{cell}” stands among dates and is read as the day number of {date}",
            remedy="Write the date out if that is not what was meant",
            location=place(int(where[0])),
            value=cell,
            severity="note",
        )
    ]


# What a spreadsheet shows of a label such as 3-1 that it took for a date.
_DAY_MONTH = re.compile(
    r"(?:\d{1,2}[-. ](?:jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*"
    r"|(?:jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*[-. ]\d{1,2})\Z",
    re.IGNORECASE,
)


def _find_month_labels(column: Column, table: RawTable, file: str) -> list[Fault]:
    """Report cells such as 3-Jan among labels such as 3-1, dates made of labels before saving."""
    if len(column.text) > _MANY_ROWS:
        return []
    cells = whole(column.text)
    typed = [(k, cell.strip()) for k, cell in enumerate(cells.to_pylist()) if cell]
    made = [(k, cell) for k, cell in typed if _DAY_MONTH.match(cell)]
    others = [cell for _, cell in typed if not _DAY_MONTH.match(cell)]
    if not made or not others or not all(_ID_LIKE.match(cell) for cell in others):
        return []
    name = name_of(column)
    listed = ", ".join(f"row {table.file_rows[k]}: {cell}" for k, cell in made[:LISTED])
    return [_damage(name, others[0], listed, int(table.file_rows[made[0][0]]), table, file)]


def _damage(name: str, other: str, listed: str, row: int, table: RawTable, file: str) -> Fault:
    return Fault(
        rule="dates-among-labels",
        message=(
            f"“{name}” holds dates among labels such as “{other.strip()}” ({listed}); a "
            "spreadsheet has turned labels into dates, and what was typed is lost"
        ),
        remedy="Type the labels again in cells formatted as text",
        location=Location(file=file, sheet=table.sheet, row=row, column=name),
    )


_ID_LIKE = re.compile(r"\s*\d{1,3}\s*[-/._]\s*\d{1,3}(?:\s*[-/._]\s*\d{1,4})?\s*\Z")


def _find_damage(column: Column, table: RawTable, file: str) -> list[Fault]:
    """Report stored dates among labels such as 3-1, which a spreadsheet turned into dates."""
    if column.dates is None:
        return []
    cells = whole(column.text).to_pylist()
    others = [cell for cell, stored in zip(cells, column.dates, strict=True) if cell and not stored]
    if not others:
        return []
    where = np.flatnonzero(column.dates)
    rows = table.file_rows[where]
    listed = ", ".join(
        f"row {row}: {cells[k]}" for k, row in zip(where[:LISTED], rows, strict=False)
    )
    name = name_of(column)
    row = int(rows[0])
    if all(_ID_LIKE.match(cell) for cell in others):
        return [_damage(name, others[0], listed, row, table, file)]
    return [
        Fault(
            rule="dates-among-text",
            message=f"“{name}” holds dates among other text ({listed})",
            remedy="Look whether they were meant as dates",
            location=Location(file=file, sheet=table.sheet, row=row, column=name),
            value=str(cells[int(where[0])]),
            severity="note",
        )
    ]
