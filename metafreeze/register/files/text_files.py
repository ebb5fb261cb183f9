"""Delimited text, from bytes to tables.

Long and regular files take a fast way: their structure is found on the first lines and
then verified on every line. All others take the exact way, record by record.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.errors import Fault
from metafreeze.register.answers import Answers
from metafreeze.register.files.delimited import (
    NAMES,
    NEVER,
    SINGLE,
    SPACES,
    Delimiter,
    decide_delimiter,
)
from metafreeze.register.files.encodings import Decoded, decode_text
from metafreeze.register.files.excerpts import Excerpt, take_excerpt, whole_records
from metafreeze.register.files.grids import Block, Grid
from metafreeze.register.files.layout import find_blocks
from metafreeze.register.files.long_table import CELLS_BLOCK, WIDE_SPACES, Irregular, LongTable
from metafreeze.register.files.long_text import Guess, Text, scan
from metafreeze.register.files.sheets import Column, RawTable
from metafreeze.register.files.tables import Contents, Draft, file_fault, notes_of, table_of_block
from metafreeze.register.files.traces import tells_runs

# Files shorter than this are read the exact way, which takes no time for them.
_SHORT = 1 << 17
# The structure of a long file is found on so many bytes from its start, and so many lines.
_HEAD, _HEAD_LINES = 1 << 13, 40
# A heading that stands again is one of so many lines at the top.
_HEADING_LINES = 60
# More columns than any spreadsheet has: a file of another kind.
MOST_COLUMNS = 16_384

_MARKUP = re.compile(
    rb"\s*(?:<!doctype|<\?xml|<html|<table|<svg|\{\s*\"|\[\s*[\[{])", re.IGNORECASE
)


def read_text(contents: Contents, *, name: str, answers: Answers) -> Draft:
    """Read delimited text.

    Parameters
    ----------
    contents : Contents
        The file; let go of once it is text.
    name : str
        Its name, for the findings.
    answers : Answers
        Encoding and delimiter are used where they were answered.

    Returns
    -------
    Draft
    """
    decoded = decode_text(contents.data, file=name, forced=answers.encoding)
    contents.let_go()
    if not decoded.readable and not decoded.utf8:
        return _stop(name, decoded, [])
    if not decoded.utf8 or decoded.utf8.isspace():
        return _stop(
            name,
            decoded,
            [
                file_fault(
                    "empty-file", "The file is empty", "Give a file with a heading and rows", name
                )
            ],
        )
    if _MARKUP.match(decoded.utf8[:200]):
        return _stop(
            name,
            decoded,
            [
                file_fault(
                    "not-a-table",
                    "The file is a web page, XML or JSON, not delimited text",
                    "Open it in a spreadsheet and save it as CSV or XLSX",
                    name,
                )
            ],
        )
    if decoded.readable and len(decoded.utf8) >= _SHORT:
        for way in (_read_long, _read_interrupted):
            regular = way(decoded, name, answers)
            if regular is not None:
                return regular
    return _read_exactly(decoded, name, answers)


def _stop(name: str, decoded: Decoded, faults: list[Fault]) -> Draft:
    return Draft(
        name=name,
        tables=(),
        findings=(*decoded.findings, *faults),
        encoding=decoded.encoding,
        evidence=(decoded.evidence,) if decoded.evidence else (),
    )


def _read_exactly(decoded: Decoded, name: str, answers: Answers) -> Draft:
    """Read text record by record."""
    text = decoded.utf8.decode("utf-8")
    delimiter = decide_delimiter(text, file=name, forced=answers.delimiter)
    records = delimiter.records
    findings = [*decoded.findings, *records.findings]
    if not delimiter.evidence and not records.rows:
        return _stop(name, decoded, list(records.findings))
    if max(map(len, records.rows), default=0) > MOST_COLUMNS:
        many = file_fault(
            "too-many-columns",
            f"A row has more than {MOST_COLUMNS} cells",
            "Give a table with a row for each run; or answer with --delimiter",
            name,
        )
        return _stop(name, decoded, [*records.findings, many])
    grid = Grid(rows=records.rows, lines=records.lines, file=name, joiner=_joiner(delimiter.mark))
    layout = find_blocks(grid)
    findings += layout.findings
    tables = [table_of_block(grid, block) for block in layout.blocks]
    findings += notes_of(layout.blocks)
    findings += _swallowed_rows(grid, layout.blocks, delimiter)
    if not tables and not any(f.severity == "error" for f in findings):
        findings.append(_no_table(name))
    return Draft(
        name=name,
        tables=tables,
        findings=findings,
        encoding=decoded.encoding,
        delimiter=delimiter.mark,
        evidence=(decoded.evidence, delimiter.evidence),
        no_commas=delimiter.mark == "," and b'"' not in decoded.utf8,
    )


def _no_table(name: str) -> Fault:
    return file_fault(
        "no-table",
        "The file holds text but no table",
        "Give a heading and under it a row for each run; or answer with --delimiter",
        name,
    )


def _joiner(mark: str) -> str:
    return " " if mark in (SPACES, SINGLE) else mark


def _swallowed_rows(grid: Grid, blocks: list[Block], delimiter: Delimiter) -> list[Fault]:
    """Report quoted cells that run over lines which look like records of their own."""
    faults = []
    mark = delimiter.mark or ","
    for block in blocks:
        width = len(block.columns)
        if width < 2:
            continue
        for i in block.body:
            for cell in grid.rows[i]:
                if "\n" not in cell:
                    continue
                inner = cell.splitlines()[1:]
                if any(line.count(mark) >= width - 1 for line in inner):
                    faults.append(
                        Fault(
                            rule="swallowed-rows",
                            message=(
                                f"A quote opened here runs over {len(inner)} more lines that look "
                                "like rows of their own"
                            ),
                            remedy="Close the quote in the row where it was opened",
                            location=grid.place(i),
                            value=cell.splitlines()[0][:60],
                        )
                    )
    return faults


@dataclass(frozen=True, slots=True)
class _Plan:
    """How a long file starts, and so how the rest is expected to go on."""

    delimiter: Delimiter
    grid: Grid
    block: Block
    findings: list[Fault]
    n_cells: int


def _end_of_head(utf8: bytes) -> int:
    """Give the end of the first lines; 0 where the text has hardly more."""
    end = utf8.find(b"\n", _HEAD) + 1
    lines = utf8.count(b"\n", 0, end)
    while end and lines < _HEAD_LINES:
        end = utf8.find(b"\n", end) + 1
        lines += 1
    return end


def _plan_long(head: str, name: str, answers: Answers) -> _Plan | None:
    """Find the structure on the first lines; None where it is not as plain as can be."""
    delimiter = decide_delimiter(head, file=name, forced=answers.delimiter)
    records = delimiter.records
    if records.findings or not records.usual_quotes:
        return None
    if delimiter.mark == SINGLE:
        # The ends of lines are no part of a cell, which only this way of reading shows.
        records = replace(records, rows=[[c.rstrip("\r\n") for c in row] for row in records.rows])
    if any("\n" in cell or "\r" in cell for row in records.rows for cell in row):
        return None
    grid = Grid(rows=records.rows, lines=records.lines, file=name, joiner=_joiner(delimiter.mark))
    layout = find_blocks(grid)
    if (
        len(layout.blocks) != 1
        or layout.loose
        or any(f.severity == "error" for f in layout.findings)
    ):
        return None
    block = layout.blocks[0]
    plain = not (block.unreadable or block.breaks or block.footer)
    first = block.body[0] if block.body else len(grid.rows)
    whole = list(range(first, len(grid.rows))) == block.body
    cells = {len(grid.rows[i]) for i in block.body}
    if not plain or not whole or len(cells) != 1 or not block.heading_rows:
        return None
    if max(block.columns) >= max(cells):
        return None
    return _Plan(delimiter, grid, block, layout.findings, cells.pop())


def _read_long(decoded: Decoded, name: str, answers: Answers) -> Draft | None:
    """Read a long regular file the fast way; None where any line speaks against it."""
    utf8 = decoded.utf8
    end = _end_of_head(utf8)
    if not end:
        return None
    plan = _plan_long(utf8[:end].decode("utf-8"), name, answers)
    if plan is None:
        return None
    first_line = plan.grid.lines[plan.block.body[0]]
    start = 0
    for _ in range(first_line - 1):
        start = utf8.find(b"\n", start) + 1
    columns = _read_columns(plan, utf8, start)
    if columns is None:
        return None
    rows = np.arange(first_line, first_line + len(columns[0]), dtype=np.int32)
    evidence = f"all {rows.size} rows have {plan.n_cells} cells"
    return _draft_of(plan, decoded, name, answers, _table_of_columns(plan, columns, rows), evidence)


def _read_interrupted(decoded: Decoded, name: str, answers: Answers) -> Draft | None:
    """Read a long file of which few lines are not as the others; None where that fails."""
    utf8 = decoded.utf8
    end = _end_of_head(utf8)
    if not end:
        return None
    head = decide_delimiter(utf8[:end].decode("utf-8"), file=name, forced=answers.delimiter)
    mark, rows = head.mark, [row for row in head.records.rows if any(map(str.strip, row))]
    if mark in (SPACES, SINGLE) or head.records.findings or not head.records.usual_quotes:
        return None
    n_cells, _ = Counter(map(len, rows)).most_common(1)[0]
    first = utf8[:end].splitlines(keepends=True)[:_HEADING_LINES]
    # Records at the top are spelled alike, but for their digits; a heading is not.
    spelled = Counter(re.sub(rb"[0-9]+", b"0", line) for line in first)
    single = [line for line in first if spelled[re.sub(rb"[0-9]+", b"0", line)] == 1]
    excerpt = take_excerpt(utf8, end, mark, n_cells, [line for line in single if line.strip()])
    if excerpt is None:
        return None
    plan = _plan_excerpt(excerpt, name, answers, mark, n_cells)
    if plan is None:
        return None
    records = whole_records(utf8, excerpt, plan.grid, plan.block, mark, n_cells)
    columns = None if records is None else _read_columns(plan, records.text, 0)
    if records is None or columns is None or len(columns[0]) != records.rows.size:
        return None
    table = replace(
        _table_of_columns(plan, columns, records.rows),
        footer=tuple(plan.block.footer),
        unreadable=tuple(plan.block.unreadable),
        breaks=records.breaks,
    )
    filled = [len(row) for row in plan.grid.rows if any(map(str.strip, row))]
    alike, total = filled.count(n_cells) + excerpt.left_out, len(filled) + excerpt.left_out
    evidence = f"{alike} of {total} rows have {n_cells} cells"
    return _draft_of(plan, decoded, name, answers, table, evidence)


def _plan_excerpt(
    excerpt: Excerpt, name: str, answers: Answers, mark: str, n_cells: int
) -> _Plan | None:
    """Find the one table of an excerpt; None where its cells run over lines or it has more."""
    delimiter = decide_delimiter(excerpt.text, file=name, forced=answers.delimiter)
    records = delimiter.records
    if delimiter.mark != mark or records.findings or not records.usual_quotes:
        return None
    if any("\n" in cell or "\r" in cell for row in records.rows for cell in row):
        return None
    lines = [int(excerpt.lines[n - 1]) for n in records.lines]
    grid = Grid(rows=records.rows, lines=lines, file=name, joiner=mark)
    layout = find_blocks(grid)
    if len(layout.blocks) != 1 or any(f.severity == "error" for f in layout.findings):
        return None
    block = layout.blocks[0]
    if not block.heading_rows or not block.body or max(block.columns) >= n_cells:
        return None
    findings = [*layout.findings, *_swallowed_rows(grid, layout.blocks, delimiter)]
    return _Plan(delimiter, grid, block, findings, n_cells)


def _read_columns(plan: _Plan, utf8: bytes, start: int) -> list[Text] | None:
    """Read the records from `start` on; None where some line speaks against the plan."""
    mark = plan.delimiter.mark
    if mark in (SPACES, SINGLE) and not _splits_plainly(utf8, start, mark):
        return None
    guesses = _guesses(plan)
    runs = tells_runs(plan.block.headings, plan.block.groups)
    try:
        block = CELLS_BLOCK if "text" in guesses and not runs else None
        lines = LongTable(utf8, start, mark or NEVER, plan.n_cells, block=block)
    except Irregular:
        return None
    columns = scan(
        lines,
        guesses,
        lambda cells, n_rows: _holds_for(plan, cells, n_rows),
        keep=runs,
    )
    return columns if columns is not None and _unnamed_are_empty(plan, columns) else None


def _splits_plainly(utf8: bytes, start: int, mark: str) -> bool:
    """Tell whether single spaces part cells, or nothing does, and no quote is to be heeded."""
    others = [b'"']
    if mark == SPACES:
        others += [b"  ", b"\n ", b" \n", b" \r", b"\t", b"\v", b"\f"]
        others += [space.encode() for space in WIDE_SPACES]
    return all(utf8.find(other, start) < 0 for other in others)


def _draft_of(
    plan: _Plan, decoded: Decoded, name: str, answers: Answers, table: RawTable, alike: str
) -> Draft:
    mark, evidence = plan.delimiter.mark, plan.delimiter.evidence
    if not answers.delimiter and "first line says so" not in evidence:
        evidence = f"{NAMES.get(mark, mark)} between cells: {alike}"
    return Draft(
        name=name,
        tables=(table,),
        findings=(*decoded.findings, *plan.findings, *plan.block.notes),
        encoding=decoded.encoding,
        delimiter=mark,
        evidence=(decoded.evidence, evidence),
        no_commas=mark == "," and b'"' not in decoded.utf8,
    )


def _guesses(plan: _Plan) -> list[Guess]:
    """Tell from the first records what each column is likely to hold."""
    rows = [plan.grid.rows[i] for i in plan.block.body]
    headings = dict(zip(plan.block.columns, plan.block.headings, strict=True))
    return [
        _guess(
            [cell.strip() for row in rows if j < len(row) and (cell := row[j]).strip()],
            headings.get(j, ""),
        )
        for j in range(plan.n_cells)
    ]


def _guess(cells: list[str], heading: str) -> Guess:
    if not cells or any(c.isdigit() for c in heading[:1]):
        # A heading that is a number itself must be told from the cells by its text.
        return "text"
    if all(map(_ISO.match, cells)):
        return "stamp"
    # Words for a fault stand among numbers; they are read by themselves.
    numbers = [cell for cell in cells if any(c.isdigit() for c in cell)]
    fitting = (mark for mark, form in _NUMBERS.items() if all(map(form.match, numbers)))
    return next(fitting, "text") if numbers else "text"


_ISO = re.compile(r"\d{4}-\d{2}-\d{2}(?:[ T]\d{2}:\d{2}(?::\d{2}(?:\.\d{1,6})?)?)?\Z", re.ASCII)
_NUMBERS: dict[Guess, re.Pattern[str]] = {
    ".": re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?\Z", re.ASCII),
    ",": re.compile(r"[+-]?(?:\d+,?\d*|,\d+)(?:[eE][+-]?\d+)?\Z", re.ASCII),
}


def _unnamed_are_empty(plan: _Plan, columns: list[Text]) -> bool:
    """Tell whether the columns that belong to no table hold nothing."""
    named = plan.block.columns
    return all(c.null_count == len(c) for j, c in enumerate(columns) if j not in named)


def _holds_for(plan: _Plan, cells: dict[int, pa.Array], n_rows: int) -> bool:
    """Tell whether no record of a block is a heading, a comment or a blank."""
    columns = plan.block.columns
    for heading, j in zip(plan.block.headings, columns, strict=True):
        if heading:
            if pa.types.is_string(cells[j].type) and _any_is(cells[j], heading):
                return False
            break
    if all(cells[j].null_count for j in columns):
        empty = np.ones(n_rows, dtype=np.bool_)
        for j in columns:
            empty &= cells[j].is_null().to_numpy(zero_copy_only=False)
        if empty.any():
            return False
    first = cells[0]
    return not pa.types.is_string(first.type) or not any(
        pc.any(pc.starts_with(first, sign)).as_py() for sign in ("#", "%", "//")
    )


def _any_is(cells: pa.StringArray, heading: str) -> bool:
    # Few cells have the length of the heading, and most are told apart by that.
    alike = pc.greater_equal(pc.binary_length(cells), len(heading.encode()))
    if not pc.any(alike).as_py():
        return False
    return bool(pc.any(pc.equal(pc.utf8_trim_whitespace(cells), heading)).as_py())


def _table_of_columns(
    plan: _Plan, texts: list[Text], rows: npt.NDArray[np.signedinteger[Any]]
) -> RawTable:
    block, grid = plan.block, plan.grid
    columns = tuple(
        Column(heading=heading, position=j + 1, text=texts[j], unit=unit, group=group)
        for j, heading, unit, group in zip(
            block.columns, block.headings, block.units, block.groups, strict=True
        )
    )
    return RawTable(
        columns=columns,
        file_rows=rows,
        header_row=grid.lines[block.heading_rows[-1]],
        preamble=block.preamble,
    )
