"""Sheets given as text or cells, checked as files would be; shared by the naming tests."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from metafreeze.register.answers import Answers, FileCheck
from metafreeze.register.intake import check_file

# What the sheets of these tests leave unsaid on purpose.
USUAL_NOTES = frozenset(("no-endpoint", "no-lab", "unit-assumed", "no-start-temperature"))


def check_text(text: str, *, name: str = "sheet.csv", **answers: Any) -> FileCheck:
    """Check a text file with this content."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, name)
        path.write_text(text, encoding="utf-8")
        return check_file(path, answers=Answers(**answers))


def check_cells(
    rows: Sequence[Sequence[Any]], *, name: str = "sheet.xlsx", **answers: Any
) -> FileCheck:
    """Check a workbook with these cells in its one sheet."""
    from openpyxl import Workbook

    book = Workbook()
    sheet = book.active
    assert sheet is not None
    for row in rows:
        sheet.append(list(row))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, name)
        book.save(path)
        return check_file(path, answers=Answers(**answers))


def column(check: FileCheck, field: str) -> list[Any]:
    """Give one field of all rows."""
    values: list[Any] = check.rows[field].to_pylist()
    return values


def rules(check: FileCheck, *severities: str) -> list[str]:
    """List the rules that spoke, without the usual notes."""
    wanted = severities or ("error", "question", "note")
    return [f.rule for f in check.findings if f.severity in wanted and f.rule not in USUAL_NOTES]


def messages(check: FileCheck, rule: str) -> list[str]:
    """Give the messages of one rule."""
    return [f.message for f in check.findings if f.rule == rule]
