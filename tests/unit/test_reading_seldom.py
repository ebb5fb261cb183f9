"""Files that are seldom met: locked and overgrown workbooks, tables side by side, long logs."""

from __future__ import annotations

import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest

from metafreeze.register.answers import Answers
from metafreeze.register.files import traces, workbooks
from metafreeze.register.files.reading import read_file
from metafreeze.register.files.sheets import SourceFile

ROWS: list[list[Any]] = [["run", "start", "freeze"], ["R1", 80, 41.2], ["R2", 20, 39.9]]


def book(folder: Path, change: Callable[[Any], None] | None = None) -> Path:
    made = openpyxl.Workbook()
    sheet = made.active
    assert sheet is not None
    for row in ROWS:
        sheet.append(row)
    if change is not None:
        change(sheet)
    path = folder / "runs.xlsx"
    made.save(path)
    return path


def read(path: Path) -> SourceFile:
    return read_file(path, answers=Answers())


def text(folder: Path, content: str) -> SourceFile:
    path = folder / "runs.csv"
    path.write_text(content, encoding="utf-8")
    return read(path)


def cells(source: SourceFile, at: int = 0) -> dict[str, list[str | None]]:
    return {c.heading: c.text.to_pylist() for c in source.tables[at].columns}


def messages(source: SourceFile) -> list[tuple[str, str]]:
    return [(f.rule, f.message) for f in source.findings]


def test_rows_of_no_height_are_hidden_where_the_sheet_says_so(tmp_path: Path) -> None:
    def hide(sheet: Any) -> None:
        sheet.sheet_format.zeroHeight = True
        for row in (1, 3):
            sheet.row_dimensions[row].height = 15

    source = read(book(tmp_path, hide))
    hidden = source.tables[0].hidden
    assert hidden is not None and hidden.tolist() == [True, False]


def test_pictures_in_a_workbook_are_passed_over(tmp_path: Path) -> None:
    path = book(tmp_path)
    with zipfile.ZipFile(path, "a") as package:
        package.writestr("xl/media/image1.png", b"\x89PNG<!ENTITY>")
    assert cells(read(path))["freeze"] == ["41.2", "39.9"]


def test_an_encrypted_workbook_is_refused(tmp_path: Path) -> None:
    path = book(tmp_path)
    raw = bytearray(path.read_bytes())
    at = raw.find(b"PK\x01\x02")
    while at >= 0:
        # Bit 0 of the flags of each entry in the central directory (PKWARE APPNOTE, 4.4.4).
        raw[at + 8] |= 1
        at = raw.find(b"PK\x01\x02", at + 4)
    path.write_bytes(raw)
    assert messages(read(path)) == [("locked-workbook", "The workbook is encrypted")]


def test_a_workbook_of_too_many_parts_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(workbooks, "MOST_PARTS", 20)
    path = book(tmp_path)
    with zipfile.ZipFile(path, "a") as package:
        for number in range(20):
            package.writestr(f"xl/extra{number}.xml", "")
        parts = len(package.namelist())
    assert messages(read(path)) == [("too-large", f"The workbook has {parts} parts")]


def test_a_sheet_too_wide_to_fill_is_refused_and_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(workbooks, "MOST_CELLS", 100)

    def stretch(sheet: Any) -> None:
        sheet.cell(row=5, column=200, value="far off")

    source = read(book(tmp_path, stretch))
    assert source.tables == ()
    assert messages(source)[0] == ("too-large", "The sheet spreads over too many cells")


@pytest.mark.parametrize("again", [1, 2])
def test_a_heading_that_stands_again_is_no_record(tmp_path: Path, again: int) -> None:
    lines = ["run;start;freeze", "R1;80;41", "R2;20;40"]
    lines.insert(again, lines[0])
    source = text(tmp_path, "\n".join(lines) + "\n")
    assert cells(source) == {"run": ["R1", "R2"], "start": ["80", "20"], "freeze": ["41", "40"]}
    # Right under the heading it says nothing new; further down it begins another part.
    assert [rule for rule, _ in messages(source)] == ["heading-again"] * (again - 1)


def test_tables_side_by_side_with_a_clock_each_are_parted(tmp_path: Path) -> None:
    lines = ["time;T;time;T;time;T"]
    lines += [f"{10 * k};{20 - k};{10 * k};{21 - k};{10 * k + 5};{22 - k}" for k in range(20)]
    source = text(tmp_path, "\n".join(lines) + "\n")
    assert [t.is_trace for t in source.tables] == [True] * 3
    assert [cells(source, at)["T"][:2] for at in range(3)] == [
        ["20", "19"],
        ["21", "20"],
        ["22", "21"],
    ]
    assert cells(source, 2)["time"][:2] == ["5", "15"]


def test_a_file_without_a_cell_or_a_heading_says_so(tmp_path: Path) -> None:
    assert messages(text(tmp_path, ";;\n;;\n")) == [
        ("no-table", "The file holds text but no table")
    ]
    bare = text(tmp_path, "1;2;3\n4;5;6\n")
    assert messages(bare) == [
        ("no-heading", "The table has no heading; its first row is read as a record")
    ]
    assert [c.text.to_pylist() for c in bare.tables[0].columns] == [
        ["1", "4"],
        ["2", "5"],
        ["3", "6"],
    ]


def test_old_ends_of_lines_and_files_are_no_cells(tmp_path: Path) -> None:
    assert cells(text(tmp_path, "a,b\n1,2\n\x1a")) == {"a": ["1"], "b": ["2"]}
    assert cells(text(tmp_path, "run;start\rR1;80\rR2;20\r")) == {
        "run": ["R1", "R2"],
        "start": ["80", "20"],
    }


@pytest.mark.parametrize("smooth", [True, False])
def test_a_long_log_is_told_from_a_long_table_by_some_of_its_cells(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, smooth: bool
) -> None:
    monkeypatch.setattr(traces, "_MOST_CELLS", 200)
    seconds = np.arange(1000) * 10
    temps = 20.0 - seconds / 500.0
    if not smooth:
        temps = np.random.default_rng(3).permutation(temps)
    lines = [f"{s};{t:.2f}" for s, t in zip(seconds, temps, strict=True)]
    source = text(tmp_path, "time (s);T (°C)\n" + "\n".join(lines) + "\n")
    assert source.tables[0].is_trace == smooth
    assert source.tables[0].n_rows == 1000
