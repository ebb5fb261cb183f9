"""Delimited text, from bytes to tables.

Long and regular files take a fast way: their structure is found on the first lines and
then verified on every line. All others take the exact way, record by record.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.errors import Fault
from metafreeze.register.answers import Answers
from metafreeze.register.files.delimited import (
    NAMES,
    SINGLE,
    SPACES,
    Delimiter,
    decide_delimiter,
    read_regular,
)
from metafreeze.register.files.encodings import Decoded, decode_text
from metafreeze.register.files.grids import Block, Grid
from metafreeze.register.files.layout import find_blocks
from metafreeze.register.files.sheets import Column, RawTable
from metafreeze.register.files.tables import Draft, file_fault, notes_of, table_of_block

# Files shorter than this are read the exact way, which takes no time for them.
_SHORT = 1 << 17
# The structure of a long file is found on so many bytes from its start.
_HEAD = 1 << 13
# What a cell of white space may start with, the four of ASCII first.
_SPACES = " \t\v\f\u00a0\u2007\u2009\u202f\u3000"
# More columns than any spreadsheet has: a file of another kind.
MOST_COLUMNS = 16_384

_MARKUP = re.compile(
    rb"\s*(?:<!doctype|<\?xml|<html|<table|<svg|\{\s*\"|\[\s*[\[{])", re.IGNORECASE
)


def read_text(data: bytes, *, name: str, sha256: str, answers: Answers) -> Draft:
    """Read delimited text.

    Parameters
    ----------
    data : bytes
        The file.
    name : str
        Its name, for the findings.
    sha256 : str
        Hash of its bytes.
    answers : Answers
        Encoding and delimiter are used where they were answered.

    Returns
    -------
    Draft
    """
    decoded = decode_text(data, file=name, forced=answers.encoding)
    if not decoded.readable and not decoded.utf8:
        return _stop(name, sha256, decoded, [])
    if not decoded.utf8 or decoded.utf8.isspace():
        return _stop(
            name,
            sha256,
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
            sha256,
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
        regular = _read_long(decoded, name, sha256, answers)
        if regular is not None:
            return regular
    return _read_exactly(decoded, name, sha256, answers)


def _stop(name: str, sha256: str, decoded: Decoded, faults: list[Fault]) -> Draft:
    return Draft(
        name=name,
        sha256=sha256,
        tables=(),
        findings=(*decoded.findings, *faults),
        encoding=decoded.encoding,
        evidence=(decoded.evidence,) if decoded.evidence else (),
    )


def _read_exactly(decoded: Decoded, name: str, sha256: str, answers: Answers) -> Draft:
    """Read text record by record."""
    text = decoded.utf8.decode("utf-8")
    delimiter = decide_delimiter(text, file=name, forced=answers.delimiter)
    records = delimiter.records
    findings = [*decoded.findings, *records.findings]
    if not delimiter.evidence and not records.rows:
        return _stop(name, sha256, decoded, list(records.findings))
    if max(map(len, records.rows), default=0) > MOST_COLUMNS:
        many = file_fault(
            "too-many-columns",
            f"A row has more than {MOST_COLUMNS} cells",
            "Give a table with a row for each run; or answer with --delimiter",
            name,
        )
        return _stop(name, sha256, decoded, [*records.findings, many])
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
        sha256=sha256,
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


def _plan_long(head: str, name: str, answers: Answers) -> _Plan | None:
    """Find the structure on the first lines; None where it is not as plain as can be."""
    delimiter = decide_delimiter(head, file=name, forced=answers.delimiter)
    records = delimiter.records
    if delimiter.mark in (SPACES, SINGLE) or records.findings or not records.usual_quotes:
        return None
    if any("\n" in cell or "\r" in cell for row in records.rows for cell in row):
        return None
    grid = Grid(rows=records.rows, lines=records.lines, file=name, joiner=delimiter.mark)
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
    return _Plan(delimiter, grid, block, layout.findings, cells.pop())


def _read_long(decoded: Decoded, name: str, sha256: str, answers: Answers) -> Draft | None:
    """Read a long regular file the fast way; None where any line speaks against it."""
    utf8 = decoded.utf8
    end = utf8.find(b"\n", _HEAD) + 1
    if not end:
        return None
    plan = _plan_long(utf8[:end].decode("utf-8"), name, answers)
    if plan is None:
        return None
    first_line = plan.grid.lines[plan.block.body[0]]
    start = 0
    for _ in range(first_line - 1):
        start = utf8.find(b"\n", start) + 1
    arrays = read_regular(utf8, start, plan.delimiter.mark, plan.n_cells)
    if arrays is None:
        return None
    body = np.frombuffer(utf8, dtype=np.uint8)[start:]
    # The heading may hold a degree sign; below it a long file mostly keeps to ASCII.
    known = _SPACES[:4] if body.max() < 128 else _SPACES
    spaces = [space for space in known if utf8.find(space.encode(), start) >= 0]
    arrays = [_without_blanks(array, spaces) for array in arrays]
    if not _holds_for_all(plan, arrays, utf8, start):
        return None
    table = _table_of_arrays(plan, arrays, first_line)
    mark = plan.delimiter.mark
    evidence = plan.delimiter.evidence
    if not answers.delimiter and "first line says so" not in evidence:
        evidence = (
            f"{NAMES.get(mark, mark)} between cells: all {table.n_rows} rows have "
            f"{plan.n_cells} cells"
        )
    return Draft(
        name=name,
        sha256=sha256,
        tables=(table,),
        findings=(*decoded.findings, *plan.findings, *plan.block.notes),
        encoding=decoded.encoding,
        delimiter=mark,
        evidence=(decoded.evidence, evidence),
        no_commas=mark == "," and b'"' not in utf8,
    )


def _without_blanks(array: pa.ChunkedArray, starts: list[str]) -> pa.ChunkedArray:
    """Make cells of nothing but white space empty; `starts` lists the spaces in the file."""
    if not any(pc.any(pc.starts_with(array, start)).as_py() for start in starts):
        return array
    blank = pc.equal(pc.utf8_trim_whitespace(array), "")
    return pc.if_else(pc.fill_null(blank, False), pa.scalar(None, pa.string()), array)


def _holds_for_all(plan: _Plan, arrays: list[pa.ChunkedArray], utf8: bytes, start: int) -> bool:
    """Tell whether no row further down is a heading, a comment, a blank or wider than the rest."""
    columns = plan.block.columns
    if any(a.null_count != len(a) for j, a in enumerate(arrays) if j not in columns):
        return False
    for heading, j in zip(plan.block.headings, columns, strict=True):
        if heading:
            # The text is searched first, which takes a tenth of the time; a quote in a cell
            # is written as two.
            if '"' in heading or utf8.find(heading.encode(), start) >= 0:
                cells = pc.utf8_trim_whitespace(arrays[j])
                if pc.any(pc.equal(cells, heading)).as_py():
                    return False
            break
    if all(arrays[j].null_count for j in columns):
        empty = arrays[columns[0]].is_null()
        for j in columns[1:]:
            empty = pc.and_(empty, arrays[j].is_null())
        if pc.any(empty).as_py():
            return False
    for sign in ("#", "%", "//"):
        found = sign[:1].encode() in utf8 and sign.encode() in utf8
        if found and pc.any(pc.starts_with(arrays[0], sign)).as_py():
            return False
    return True


def _table_of_arrays(plan: _Plan, arrays: list[pa.ChunkedArray], first_line: int) -> RawTable:
    block, grid = plan.block, plan.grid
    columns = tuple(
        Column(heading=heading, position=j + 1, text=arrays[j], unit=unit, group=group)
        for j, heading, unit, group in zip(
            block.columns, block.headings, block.units, block.groups, strict=True
        )
    )
    n_rows = len(arrays[0])
    return RawTable(
        columns=columns,
        file_rows=np.arange(first_line, first_line + n_rows, dtype=np.int32),
        header_row=grid.lines[block.heading_rows[-1]],
        preamble=block.preamble,
    )
