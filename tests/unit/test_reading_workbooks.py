"""Workbooks as people make them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest

from metafreeze.register.answers import Answers
from metafreeze.register.files.reading import read_file
from metafreeze.register.files.sheets import SourceFile
from metafreeze.register.files.workbooks import spell_duration, spell_number

RUNS = [["run", "start", "freeze"], ["R1", 80, 41.2], ["R2", 20, 39.9]]


@pytest.fixture
def read(tmp_path: Path):
    def reader(
        fill: Callable[[Any], None] | list[list[Any]], answers: Answers | None = None
    ) -> SourceFile:
        book = openpyxl.Workbook()
        if callable(fill):
            fill(book)
        else:
            for row in fill:
                book.active.append(row)
        path = tmp_path / "runs.xlsx"
        book.save(path)
        return read_file(path, answers=answers or Answers())

    return reader


def column(source: SourceFile, heading: str, at: int = 0):
    (found,) = [c for c in source.tables[at].columns if c.heading == heading]
    return found


def rules(source: SourceFile) -> list[str]:
    return [f.rule for f in source.findings]


def test_numbers_are_stored_and_spelled_exactly(read):
    values = [80, 41.2, 1 / 3, 1e-7, 1e22, -0.5, 12345678901234]
    source = read([["run", "t"], *[[f"R{i}", v] for i, v in enumerate(values)]])
    found = column(source, "t")
    assert found.numbers is not None
    assert found.numbers.tolist() == values
    assert [float(text) for text in found.text.to_pylist()] == values
    assert found.text.to_pylist()[:2] == ["80", "41.2"]


def test_dates_times_and_durations(read):
    source = read(
        [
            ["run", "day", "at", "took"],
            ["R1", dt.datetime(2025, 4, 3), dt.time(9, 30), dt.timedelta(hours=27, minutes=15)],
            ["R2", dt.datetime(2025, 4, 4, 9, 30), dt.time(9, 31, 5), dt.timedelta(seconds=2472)],
        ]
    )
    assert column(source, "day").text.to_pylist() == ["2025-04-03", "2025-04-04T09:30:00"]
    assert column(source, "at").text.to_pylist() == ["09:30:00", "09:31:05"]
    assert column(source, "took").text.to_pylist() == ["27:15:00", "00:41:12"]
    dates = column(source, "day").dates
    assert dates is not None and dates.all()
    assert not column(source, "took").dates.any()
    assert column(source, "day").day_order == "year-first"


def test_typed_numbers_beside_stored_ones(read):
    source = read([["run", "t"], ["R1", "41,2"], ["R2", 39.9], ["R3", "40,4"]])
    assert source.dialect.decimal == ","
    found = column(source, "t")
    assert found.numbers is not None
    assert np.isnan(found.numbers).tolist() == [True, False, True]


def test_a_blank_row_between_the_rows_of_a_heading(read):
    def fill(book):
        sheet = book.active
        for row in [
            ["Lab", "Hot (80 °C)", None, "Cold (20 °C)", None],
            [],
            [None, "mean", "SD", "mean", "SD"],
            ["A", 41.2, 3.1, 44, 2.8],
            [None, 40.1, 2.9, 43.2, 3.0],
        ]:
            sheet.append(row)
        sheet.merge_cells("B1:C1")
        sheet.merge_cells("D1:E1")

    source = read(fill)
    columns = source.tables[0].columns
    assert [(c.group, c.heading) for c in columns] == [
        ("", "Lab"),
        ("Hot (80 °C)", "mean"),
        ("Hot (80 °C)", "SD"),
        ("Cold (20 °C)", "mean"),
        ("Cold (20 °C)", "SD"),
    ]
    # A blank that is not merged stays blank.
    assert columns[0].text.to_pylist() == ["A", None]


def test_a_heading_of_three_rows_with_years(read):
    def fill(book):
        for row in [
            ["Year", None, 2024, None, 2025, None],
            ["Arm", None, "hot", "cold", "hot", "cold"],
            ["Lab", "n", "min", "min", "min", "min"],
            ["A", 3, 41, 44, 42, 43],
            ["B", 3, 41, 44, 42, 43],
        ]:
            book.active.append(row)
        book.active.merge_cells("C1:D1")
        book.active.merge_cells("E1:F1")

    columns = read(fill).tables[0].columns
    assert [(c.group, c.heading) for c in columns[1:]] == [
        ("", "n"),
        ("2024 hot", "min"),
        ("2024 cold", "min"),
        ("2025 hot", "min"),
        ("2025 cold", "min"),
    ]


def test_tables_beside_each_other_under_their_labs(read):
    source = read(
        [
            ["Lab A", None, None, None, "Lab B", None, None],
            ["run", "start", "freeze", None, "run", "start", "freeze"],
            ["A1", 80, 41, None, "B1", 80, 44],
            ["A2", 20, 40, None, "B2", 20, 43],
            ["A3", 20, 40],
        ]
    )
    assert [t.n_rows for t in source.tables] == [3, 2]
    assert [{c.group for c in t.columns} for t in source.tables] == [{"Lab A"}, {"Lab B"}]


def test_a_table_away_from_the_corner(read):
    rows = [[None, None, *row] for row in RUNS]
    source = read([[], [], *rows])
    assert [c.position for c in source.tables[0].columns] == [3, 4, 5]
    assert source.tables[0].file_rows.tolist() == [4, 5]


def test_a_merged_label_makes_no_records_of_blank_rows(read):
    def fill(book):
        for row in RUNS:
            book.active.append(row)
        book.active["A3"] = "R1"
        book.active.merge_cells("A2:A9")

    source = read(fill)
    assert column(source, "run").text.to_pylist() == ["R1", "R1"]
    assert "merged-cells" in rules(source)


def test_hidden_rows_columns_and_sheets(read):
    def fill(book):
        for row in RUNS:
            book.active.append(row)
        book.active.row_dimensions[3].hidden = True
        book.active.column_dimensions["B"].hidden = True
        old = book.create_sheet("old")
        old.append(["run", "start", "freeze"])
        old.append(["X1", 1, 2])
        old.sheet_state = "hidden"

    source = read(fill)
    hidden = source.tables[0].hidden
    assert hidden is not None and hidden.tolist() == [False, True]
    assert sorted(rules(source)) == ["hidden-columns", "hidden-sheet"]
    assert len(source.tables) == 1


def test_a_sheet_that_is_named_is_read_alone(read):
    def fill(book):
        for row in RUNS:
            book.active.append(row)
        other = book.create_sheet("Lab B")
        other.append(["run", "start", "freeze"])
        other.append(["B1", 60, 40])
        other.sheet_state = "hidden"

    source = read(fill, Answers(sheet="lab b"))
    assert [t.sheet for t in source.tables] == ["Lab B"]
    missing = read(fill, Answers(sheet="Lab C"))
    assert rules(missing) == ["sheet-unknown"]
    assert "“Sheet”, “Lab B”" in missing.findings[0].remedy


def test_formulas_with_a_stored_value_are_read(tmp_path):
    import zipfile

    book = openpyxl.Workbook()
    book.active.append(["run", "start", "freeze"])
    book.active.append(["R1", 80, "=40+1.2"])
    path = tmp_path / "plain.xlsx"
    book.save(path)
    solved = tmp_path / "solved.xlsx"
    with zipfile.ZipFile(path) as source, zipfile.ZipFile(solved, "w") as target:
        for name in source.namelist():
            part = source.read(name)
            target.writestr(
                name, part.replace(b"<v></v>", b"<v>41.2</v>").replace(b"<v />", b"<v>41.2</v>")
            )
    found = read_file(solved)
    assert found.findings == ()
    assert column(found, "freeze").numbers.tolist() == [41.2]


def test_only_formulas(read):
    source = read([["=1+1", "=2+2"]])
    assert source.tables == ()
    assert {f.rule for f in source.findings if f.severity == "error"} == {"formula-without-value"}


def test_error_values_and_truth_values_are_text(read):
    source = read([["run", "t", "ok"], ["R1", "#DIV/0!", True], ["R2", 41.2, False]])
    assert column(source, "t").text.to_pylist() == ["#DIV/0!", "41.2"]
    assert column(source, "ok").text.to_pylist() == ["TRUE", "FALSE"]
    assert np.isnan(column(source, "ok").numbers).all()


def test_a_stray_cell_at_the_far_end(read):
    def fill(book):
        for row in RUNS:
            book.active.append(row)
        book.active["XFD1048576"] = "stray"

    source = read(fill)
    assert [c.heading for c in source.tables[0].columns] == ["run", "start", "freeze"]
    assert source.tables[0].footer[0].endswith("stray")


def test_key_and_value_rows_above(read):
    source = read([["Operator", "K"], ["Freezer", "chest"], [], *RUNS])
    assert source.tables[0].preamble == {"Operator": "K", "Freezer": "chest"}
    assert source.tables[0].header_row == 4
    assert source.tables[0].file_rows.tolist() == [5, 6]


def test_dates_among_other_text_are_noted(read):
    source = read([["run", "when"], ["R1", dt.datetime(2025, 4, 3)], ["R2", "in the morning"]])
    assert [(f.rule, f.severity) for f in source.findings] == [("dates-among-text", "note")]


def test_the_calendar_of_1904(read):
    def fill(book):
        book.epoch = openpyxl.utils.datetime.CALENDAR_MAC_1904
        book.active.append(["run", "day"])
        book.active.append(["R1", dt.datetime(2025, 4, 3)])

    assert column(read(fill), "day").text.to_pylist() == ["2025-04-03"]


@pytest.mark.parametrize("rows", [[], [["a note"]], [["two", "words"], ["more", "words"]]])
def test_books_without_a_table(read, rows):
    source = read(rows)
    assert source.tables == ()
    assert source.findings[-1].rule == "no-table" or source.findings[0].rule == "no-table"


@pytest.mark.parametrize(
    ("value", "text"), [(80, "80"), (80.0, "80"), (41.2, "41.2"), (1e22, "1e+22"), (-0.0, "-0")]
)
def test_spelling_of_numbers(value, text):
    assert spell_number(value) == text
    assert float(text) == value


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "00:00:00"),
        (2472, "00:41:12"),
        (98100, "27:15:00"),
        (1.5, "00:00:01.5"),
        (-60, "-00:01:00"),
    ],
)
def test_spelling_of_durations(seconds, text):
    assert spell_duration(seconds) == text
