"""XLSX workbooks, from bytes to tables, without trusting what they claim of themselves."""

from __future__ import annotations

import datetime as dt
import io
import re
import warnings
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from metafreeze.errors import Fault, Location
from metafreeze.register.answers import Answers
from metafreeze.register.files.cells import Look
from metafreeze.register.files.grids import Block, Grid, Span
from metafreeze.register.files.layout import find_blocks
from metafreeze.register.files.sheets import Column, RawTable
from metafreeze.register.files.tables import (
    Draft,
    file_fault,
    name_of,
    notes_of,
    refuse_file,
    table_of_block,
)

# Limits above which a package is refused before it is parsed. A worksheet of a million
# rows takes some 250 MB; such data belong into CSV or Parquet.
MOST_PARTS = 10_000
MOST_BYTES = 1 << 30
MOST_SHEET_BYTES = 200 << 20
# Worksheets shrink to a tenth or a fiftieth; a package that grows more than this is a trap.
MOST_GROWTH = 300
SMALL_BYTES = 20 << 20
# Cells that merged regions and links may cover together; each would be made on reading.
MOST_COVERED = 1_000_000
MOST_CELLS = 20_000_000

# What the standard library raises on packages that are damaged, cut off or of a strange kind.
PACKAGE_ERRORS = (
    zipfile.BadZipFile,
    zlib.error,
    EOFError,
    OSError,
    ValueError,
    KeyError,
    RuntimeError,  # among them NotImplementedError and a wanted password
)

_ENTITY = re.compile(rb"<!\s*(?:DOCTYPE|ENTITY)", re.IGNORECASE)
_WIDE_ENTITY = re.compile(rb"<\0!\0[DE]\0|\0<\0!\0[DE]", re.IGNORECASE)
_REGION = re.compile(rb"(?:mergeCell|hyperlink)\b[^>]*?\bref\s*=\s*[\"']([A-Za-z$0-9:]+)[\"']")
_OUTSIDE = re.compile(r"xl/(?:externalLinks/|connections\.xml|queryTables/)", re.IGNORECASE)
_AS_CSV = "Open it in a spreadsheet and save the sheet as CSV, or give Parquet"


def read_workbook(data: bytes, *, name: str, answers: Answers) -> Draft:
    """Read all sheets of a workbook that hold a table.

    Parameters
    ----------
    data : bytes
        The file.
    name : str
        Its name, for the findings.
    answers : Answers
        The sheet is used where it was answered.

    Returns
    -------
    Draft
    """
    refused = check_package(data, file=name)
    if refused is not None:
        return refuse_file(name, refused)
    try:
        sheets = _load(data)
    except Exception as problem:
        # The parser meets damaged packages with errors of any kind; all have one answer.
        fault = file_fault(
            "damaged-workbook",
            f"The workbook cannot be read ({type(problem).__name__}: {problem})",
            "Open it in a spreadsheet, save it again, or save the sheet as CSV",
            name,
        )
        return refuse_file(name, fault)
    tables: list[RawTable] = []
    findings: list[Fault] = _note_outside(data, name)
    chosen = _choose_sheets(sheets, answers.sheet, name, findings)
    for sheet in chosen:
        found = _read_sheet(sheet, name, findings)
        if not found:
            findings.append(_note_no_table(sheet, name))
        tables += found
    if not tables and not any(f.severity == "error" for f in findings):
        findings.append(
            file_fault(
                "no-table",
                "No sheet of the workbook holds a table",
                "Give a heading and under it a row for each run",
                name,
            )
        )
    return Draft(name=name, tables=tables, findings=findings)


def check_package(data: bytes, *, file: str) -> Fault | None:
    """Look a workbook over before it is parsed; give the reason to refuse it.

    Parameters
    ----------
    data : bytes
        The file.
    file : str
        Its name, for the finding.

    Returns
    -------
    Fault or None
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as package:
            return _check_parts(package, len(data), file)
    except PACKAGE_ERRORS as problem:
        return file_fault(
            "damaged-workbook",
            f"The workbook is damaged ({problem})",
            "Copy it again from where it came, or open it in a spreadsheet and save it",
            file,
        )


def _check_parts(package: zipfile.ZipFile, size: int, file: str) -> Fault | None:
    parts = package.infolist()
    total = sum(part.file_size for part in parts)
    sheets = sum(p.file_size for p in parts if p.filename.startswith("xl/worksheets/"))
    if len(parts) > MOST_PARTS:
        return file_fault("too-large", f"The workbook has {len(parts)} parts", _AS_CSV, file)
    if total > MOST_BYTES or sheets > MOST_SHEET_BYTES:
        return file_fault(
            "too-large", f"Unpacked, the workbook takes {total / 1e6:.0f} MB", _AS_CSV, file
        )
    if total > SMALL_BYTES and total > MOST_GROWTH * size:
        return file_fault(
            "suspicious-workbook",
            f"The workbook grows {total // size} times when unpacked, as no table does",
            _AS_CSV,
            file,
        )
    if any(part.flag_bits & 1 for part in parts):
        return file_fault(
            "locked-workbook", "The workbook is encrypted", "Save it without a password", file
        )
    for part in parts:
        if not part.filename.lower().endswith((".xml", ".rels", ".vml")):
            continue
        xml = package.read(part)
        if _ENTITY.search(xml) or _WIDE_ENTITY.search(xml):
            return file_fault(
                "suspicious-workbook",
                "The workbook defines entities, which no spreadsheet writes",
                _AS_CSV,
                file,
            )
        covered = sum(map(_area, _REGION.findall(xml)))
        if covered > MOST_COVERED:
            return file_fault(
                "suspicious-workbook",
                f"Merged cells or links cover {covered:,} cells",
                "Take merged cells and links that cover whole columns away, and save it again",
                file,
            )
    return None


def _note_outside(data: bytes, file: str) -> list[Fault]:
    """Say that a checked package refers to data elsewhere; nothing here ever asks for them."""
    with zipfile.ZipFile(io.BytesIO(data)) as package:
        found = [_OUTSIDE.match(part) for part in package.namelist()]
    if not any(found):
        return []
    return [
        Fault(
            rule="outside-data",
            message="The workbook refers to other files or data connections; none was opened",
            remedy="Its cells are read as they were last saved. Check those that come from there",
            location=Location(file=file),
            severity="note",
        )
    ]


def _area(reference: bytes) -> int:
    """Count the cells of a region such as A1:C4 or A:C; what is left out means all."""
    corners = re.findall(r"([A-Za-z]*)([0-9]*)", reference.decode("ascii").replace("$", ""))
    corners = [c for c in corners if c != ("", "")]
    columns = [_column_number(letters) for letters, _ in corners if letters]
    rows = [int(digits) for _, digits in corners if digits]
    n_columns = max(columns) - min(columns) + 1 if columns else 16_384
    n_rows = max(rows) - min(rows) + 1 if rows else 1_048_576
    return n_columns * n_rows


def _column_number(letters: str) -> int:
    number = 0
    for letter in letters.upper()[:4]:
        number = number * 26 + ord(letter) - 64
    return number


@dataclass(slots=True, kw_only=True)
class _Sheet:
    """A worksheet as cells: values by (row, column), counted from 1."""

    title: str
    state: str
    values: dict[tuple[int, int], Any]
    unsolved: set[tuple[int, int]] = field(default_factory=set)
    spans: list[tuple[int, int, int, int]] = field(default_factory=list)
    hidden_rows: set[int] = field(default_factory=set)
    hidden_columns: list[str] = field(default_factory=list)


def _load(data: bytes) -> list[_Sheet]:
    """Parse a checked package; formulas give their stored values."""
    from openpyxl import load_workbook

    with warnings.catch_warnings():
        # Styles and extensions that are not understood do not touch the values.
        warnings.simplefilter("ignore")
        book = load_workbook(io.BytesIO(data), keep_links=False)
        sheets = [_take_sheet(sheet) for sheet in book.worksheets]
        book.close()
        if any(sheet.unsolved for sheet in sheets):
            solved = load_workbook(io.BytesIO(data), keep_links=False, data_only=True)
            for sheet, source in zip(sheets, solved.worksheets, strict=True):
                _take_solutions(sheet, source)
            solved.close()
    return sheets


def _take_sheet(source: Any) -> _Sheet:
    values: dict[tuple[int, int], Any] = {}
    unsolved = set()
    for place, cell in source._cells.items():
        if cell.value is None:
            continue
        if cell.data_type == "f":
            unsolved.add(place)
        else:
            values[place] = cell.value
    hidden = {
        row
        for row, look in source.row_dimensions.items()
        if look.hidden or (look.ht is not None and look.ht == 0)
    }
    if source.sheet_format.zeroHeight:
        shown = {row for row, look in source.row_dimensions.items() if not look.hidden}
        hidden |= {row for row, _ in values if row not in shown}
    columns = [letter for letter, look in source.column_dimensions.items() if look.hidden]
    spans = [(s.min_row, s.min_col, s.max_row, s.max_col) for s in source.merged_cells.ranges]
    return _Sheet(
        title=source.title,
        state=source.sheet_state,
        values=values,
        unsolved=unsolved,
        spans=spans,
        hidden_rows=hidden,
        hidden_columns=columns,
    )


def _take_solutions(sheet: _Sheet, source: Any) -> None:
    """Put the stored values of formulas in place; those without one stay unsolved."""
    for place in list(sheet.unsolved):
        cell = source._cells.get(place)
        if cell is not None and cell.value is not None:
            sheet.values[place] = cell.value
            sheet.unsolved.discard(place)


def _choose_sheets(
    sheets: Sequence[_Sheet], wanted: str, file: str, findings: list[Fault]
) -> list[_Sheet]:
    """Choose the sheets to read: the one that was named, or all that are visible."""
    if wanted:
        named = [s for s in sheets if s.title == wanted]
        named = named or [s for s in sheets if s.title.strip().casefold() == wanted.casefold()]
        if not named:
            listed = ", ".join(f"“{s.title}”" for s in sheets)
            findings.append(
                file_fault(
                    "sheet-unknown",
                    f"The workbook has no sheet “{wanted}”",
                    f"Answer with --sheet and one of {listed}",
                    file,
                )
            )
        return named[:1]
    chosen = []
    for sheet in sheets:
        if sheet.state == "visible":
            chosen.append(sheet)
        elif sheet.values or sheet.unsolved:
            findings.append(
                Fault(
                    rule="hidden-sheet",
                    message=f"Sheet “{sheet.title}” is hidden and was not read",
                    remedy=f'Answer with --sheet "{sheet.title}" to read it',
                    location=Location(file=file, sheet=sheet.title),
                    severity="note",
                )
            )
    return chosen


def _note_no_table(sheet: _Sheet, file: str) -> Fault:
    words = [str(v) for _, v in sorted(sheet.values.items()) if isinstance(v, str)]
    shown = f": “{words[0][:60]}”" if words else ""
    return Fault(
        rule="notes-only" if words else "empty-sheet",
        message=f"Sheet “{sheet.title}” holds {'notes' if words else 'nothing'}, no table{shown}",
        remedy="Nothing is read from it",
        location=Location(file=file, sheet=sheet.title),
        severity="note",
    )


def spell_number(value: float) -> str:
    """Write a number in the shortest way that gives the same double, with a decimal point.

    Parameters
    ----------
    value : float
        The number.

    Returns
    -------
    str
    """
    return str(value) if isinstance(value, int) else repr(value).removesuffix(".0")


def spell_duration(seconds: float) -> str:
    """Write a duration as hours, minutes and seconds; the hours may pass 24.

    Parameters
    ----------
    seconds : float
        The duration in seconds.

    Returns
    -------
    str
    """
    sign = "-" if seconds < 0 else ""
    whole, part = divmod(round(abs(seconds) * 1e6), 1_000_000)
    tail = f".{part:06d}".rstrip("0") if part else ""
    return f"{sign}{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}{tail}"


def _spell(value: Any) -> tuple[str, Look | None, float]:
    """Give a stored value as text, what it is stored as, and its number."""
    if isinstance(value, bool):
        return ("TRUE" if value else "FALSE"), "t", np.nan
    if isinstance(value, int | float):
        return spell_number(value), "n", float(value)
    if isinstance(value, dt.datetime):
        midnight = value.time() == dt.time(0)
        text = value.date().isoformat() if midnight else value.isoformat(timespec="auto")
        return text, "d", np.nan
    if isinstance(value, dt.date):
        return value.isoformat(), "d", np.nan
    if isinstance(value, dt.time):
        return value.isoformat(timespec="auto"), "d", np.nan
    if isinstance(value, dt.timedelta):
        return spell_duration(value.total_seconds()), "d", np.nan
    return str(value), None, np.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class _Dense:
    """A sheet as a grid, with what is stored beside the text."""

    grid: Grid
    numbers: list[list[float]]
    is_date: list[list[bool]]
    row_at: dict[int, int]


def _densify(sheet: _Sheet, file: str) -> _Dense | None:
    """Lay the cells out row by row; a gap of any height becomes one blank row."""
    by_row: dict[int, dict[int, Any]] = {}
    for (row, column), value in sheet.values.items():
        by_row.setdefault(row, {})[column] = value
    if sum(max(cells) for cells in by_row.values()) > MOST_CELLS:
        return None
    _fill_merged(sheet, by_row)
    rows: list[list[str]] = []
    looks: list[list[Look | None]] = []
    numbers: list[list[float]] = []
    is_date: list[list[bool]] = []
    lines: list[int] = []
    row_at: dict[int, int] = {}
    before = 0
    for row in sorted(by_row):
        if row > before + 1:
            rows.append([])
            looks.append([])
            numbers.append([])
            is_date.append([])
            lines.append(row - 1)
        cells = by_row[row]
        spelled = [
            _spell(cells[j]) if j in cells else ("", "e", np.nan) for j in range(1, max(cells) + 1)
        ]
        row_at[row] = len(rows)
        rows.append([text for text, _, _ in spelled])
        looks.append([look for _, look, _ in spelled])
        numbers.append([number for _, _, number in spelled])
        is_date.append([isinstance(cells.get(j), dt.date) for j in range(1, max(cells) + 1)])
        lines.append(row)
        before = row
    spans = tuple(
        Span(
            top=row_at[top], left=left - 1, bottom=row_at.get(bottom, row_at[top]), right=right - 1
        )
        for top, left, bottom, right in sheet.spans
        if top in row_at
    )
    grid = Grid(
        rows=rows,
        lines=lines,
        ragged=False,
        looks=looks,
        spans=spans,
        file=file,
        sheet=sheet.title,
        joiner=", ",
    )
    return _Dense(grid=grid, numbers=numbers, is_date=is_date, row_at=row_at)


def _fill_merged(sheet: _Sheet, by_row: dict[int, dict[int, Any]]) -> None:
    """Give the value of a merged region to the rows it covers, where they hold anything else."""
    for top, left, bottom, _right in sheet.spans:
        value = by_row.get(top, {}).get(left)
        if value is None or bottom == top:
            continue
        for row in range(top + 1, bottom + 1):
            if row in by_row:
                by_row[row].setdefault(left, value)


def _read_sheet(sheet: _Sheet, file: str, findings: list[Fault]) -> list[RawTable]:
    """Find the tables of a sheet and dress their columns with what is stored."""
    if not sheet.values:
        findings.extend(_report_unsolved(sheet, [], file))
        return []
    dense = _densify(sheet, file)
    if dense is None:
        findings.append(
            file_fault(
                "too-large",
                "The sheet spreads over too many cells",
                _AS_CSV,
                file,
                sheet=sheet.title,
            )
        )
        return []
    layout = find_blocks(dense.grid)
    blocks = [b for b in layout.blocks if not _is_prose(b, dense)]
    tables = [_dress(dense, block, sheet) for block in blocks]
    findings.extend(layout.findings)
    findings.extend(notes_of(blocks))
    findings.extend(_report_filled(sheet, dense, file))
    findings.extend(_report_hidden(sheet, tables, file))
    findings.extend(_report_unsolved(sheet, tables, file))
    return tables


def _is_prose(block: Block, dense: _Dense) -> bool:
    """Tell whether a block of one or two columns holds words only."""
    looks = {dense.grid.look(i, j) for i in block.body for j in block.columns}
    return len(block.columns) <= 2 and not looks & {"n", "q", "d"}


def _dress(dense: _Dense, block: Block, sheet: _Sheet) -> RawTable:
    """Make a table whose columns carry stored numbers and dates."""
    table = table_of_block(dense.grid, block)
    columns = tuple(_dress_column(dense, block, column) for column in table.columns)
    hidden = np.asarray([line in sheet.hidden_rows for line in table.file_rows], dtype=np.bool_)
    return replace(table, columns=columns, hidden=hidden)


def _dress_column(dense: _Dense, block: Block, column: Column) -> Column:
    at = column.position - 1
    numbers = np.full(len(block.body), np.nan)
    dates = np.zeros(len(block.body), dtype=np.bool_)
    for k, i in enumerate(block.body):
        if at < len(dense.numbers[i]):
            numbers[k] = dense.numbers[i][at]
            dates[k] = dense.is_date[i][at]
    low = block.heading_rows[-1] if block.heading_rows else None
    heading_is_date = low is not None and at < len(dense.is_date[low]) and dense.is_date[low][at]
    return replace(column, numbers=numbers, dates=dates, heading_is_date=heading_is_date)


def _report_filled(sheet: _Sheet, dense: _Dense, file: str) -> Iterator[Fault]:
    """Note the merged labels that were given to every row they cover."""
    tall = [
        (top, left, bottom)
        for top, left, bottom, _ in sheet.spans
        if bottom > top and top in dense.row_at
    ]
    if not tall:
        return
    listed = ", ".join(
        f"rows {top} to {bottom}: {dense.grid.cell(dense.row_at[top], left - 1)}"
        for top, left, bottom in sorted(tall)[:5]
    )
    yield Fault(
        rule="merged-cells",
        message=f"Merged cells count for every row they cover ({listed})",
        remedy="Blank cells that are not merged stay blank",
        location=Location(file=file, sheet=sheet.title, row=min(tall)[0]),
        severity="note",
    )


def _report_hidden(sheet: _Sheet, tables: Sequence[RawTable], file: str) -> Iterator[Fault]:
    """Note hidden columns; hidden rows are flagged in the tables themselves."""
    if sheet.hidden_columns and tables:
        yield Fault(
            rule="hidden-columns",
            message=f"Hidden columns are read like the others: {', '.join(sheet.hidden_columns)}",
            remedy='Answer with --map "heading=ignore" to leave one out',
            location=Location(file=file, sheet=sheet.title),
            severity="note",
        )


def _report_unsolved(sheet: _Sheet, tables: Sequence[RawTable], file: str) -> Iterator[Fault]:
    """Report every formula that was saved without its value."""
    for row, column in sorted(sheet.unsolved):
        inside = next((t for t in tables if _covers(t, row)), None)
        named = [c for c in inside.columns if c.position == column] if inside else []
        yield Fault(
            rule="formula-without-value",
            message="The cell holds a formula without stored value",
            remedy="Open the workbook in a spreadsheet and save it first",
            location=Location(
                file=file,
                sheet=sheet.title,
                row=row,
                column=name_of(named[0]) if named else f"column {column}",
            ),
            severity="error" if named or not tables else "note",
        )


def _covers(table: RawTable, row: int) -> bool:
    """Tell whether a row lies among the records of a table or right below them."""
    first = table.header_row + 1
    last = int(table.file_rows.max()) + 1 if table.n_rows else first
    return first <= row <= last
