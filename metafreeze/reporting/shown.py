"""A report's content as it is shown: tables formatted, parts in reading order.

Every renderer reads from here, so that page, print, terminal and notebook say the same.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from metafreeze.options import Status
from metafreeze.reporting.cells import (
    column_decimals,
    column_unit,
    is_numeric,
    missing_note,
    shown_cell,
)
from metafreeze.reporting.content import Report, Section, TableContent, Text, say

STATUS_WORDS: dict[Status, str] = {
    "ok": "",
    "boundary": "At the edge of what can be estimated.",
    "unidentifiable": "These data cannot answer this.",
    "failed": "The calculation did not succeed.",
}

ANSWER_HEADING = "The answer"
WARNINGS_HEADING = "Warnings"
METHODS_HEADING = "Methods"
PROVENANCE_HEADING = "Where this comes from"
CAUTIONS_HEADING = "Cautions at the freezer"
ADD_HEADING = "Add your own trials"
CONTENTS_HEADING = "On this page"


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownColumn:
    """A column's heading with its unit, and on which side its cells stand."""

    heading: str
    unit: str
    numeric: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownTable:
    """A table whose cells are sentences."""

    key: str
    caption: Text
    columns: tuple[ShownColumn, ...]
    rows: tuple[tuple[Text, ...], ...]
    notes: tuple[Text, ...]


def shown_table(table: TableContent) -> ShownTable:
    """Write a table's cells, column by column.

    Parameters
    ----------
    table : TableContent
        The description.

    Returns
    -------
    ShownTable
    """
    columns, cells_by_column = [], []
    for place, column in enumerate(table.columns):
        cells = [row[place] for row in table.rows]
        unit, seconds = column_unit(column, cells)
        decimals = column_decimals(column, cells)
        columns.append(ShownColumn(heading=column.heading, unit=unit, numeric=is_numeric(column)))
        cells_by_column.append(
            [shown_cell(cell, column, decimals=decimals, seconds=seconds) for cell in cells]
        )
    rows = tuple(zip(*cells_by_column, strict=True)) if table.rows else ()
    gap = missing_note(table)
    return ShownTable(
        key=table.key,
        caption=table.caption,
        columns=tuple(columns),
        rows=rows,
        notes=table.notes + ((gap,) if gap else ()),
    )


def status_line(section: Section) -> Text:
    """Say what became of a section's calculation; empty where all went well.

    Parameters
    ----------
    section : Section
        The section.

    Returns
    -------
    Text
    """
    words = STATUS_WORDS[section.status]
    if not words:
        return section.note
    return say("{words} {note}", words=words, note=section.note) if section.note else say(words)


def sections_with_methods(report: Report) -> tuple[Section, ...]:
    """List the sections that say how they were computed.

    Parameters
    ----------
    report : Report
        The report.

    Returns
    -------
    tuple of Section
    """
    return tuple(s for s in report.sections if s.applies and (s.method or s.sources))


def texts_of(report: Report) -> Iterator[Text]:
    """Give every sentence of a report in reading order, cells and alternative texts included.

    Parameters
    ----------
    report : Report
        The report.

    Yields
    ------
    Text
    """
    yield report.title
    yield from report.lead
    yield from (b.text for b in report.banners)
    for verdict in report.verdicts:
        yield from (verdict.question, verdict.answer, verdict.because)
    yield from report.summary
    yield from report.warnings
    for section in report.sections:
        yield from _section_texts(section)
    yield from (line.text for line in report.provenance)
    yield from (c.text for c in report.cautions)
    yield from report.how_to_add


def _section_texts(section: Section) -> Iterator[Text]:
    yield from (section.question, section.answer)
    yield status_line(section)
    yield from section.paragraphs
    for figure in section.figures:
        yield from (figure.caption, figure.alt())
        yield from figure.notes + figure.remarks()
    for table in section.tables:
        shown = shown_table(table)
        yield shown.caption
        for row in shown.rows:
            yield from row
        yield from shown.notes
    yield from section.method
    yield from section.sources
