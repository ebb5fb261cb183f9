"""Numbers as people type them, and the marks of a file."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest

from metafreeze.register.files.numbers import (
    NumberColumn,
    decide_marks,
    parse_number,
    parse_numbers,
)
from metafreeze.register.files.sheets import Dialect

POINT = Dialect(decimal=".")
COMMA = Dialect(decimal=",")
COMMA_DOTS = Dialect(decimal=",", grouping=".")
POINT_COMMAS = Dialect(decimal=".", grouping=",")
OWN_MARK = Dialect(decimal="undecidable")

READ = [
    ("80", POINT, 80.0),
    ("-5.0", POINT, -5.0),
    ("+3", POINT, 3.0),
    (".5", POINT, 0.5),
    ("5.", POINT, 5.0),
    ("1e-5", POINT, 1e-5),
    ("1.5E+3", POINT, 1500.0),
    ("−6.5", POINT, -6.5),
    ("–4.5", POINT, -4.5),
    ("1e−3", POINT, 1e-3),
    (" −3.9\u00a0", POINT, -3.9),
    ("2\u00a0472", POINT, 2472.0),
    ("2\u202f394", POINT, 2394.0),
    ("2\u2009394.5", POINT, 2394.5),
    ("2 401", POINT, 2401.0),
    ("1'234.5", POINT, 1234.5),
    ("1’234’567", POINT, 1234567.0),
    ("007", POINT, 7.0),
    ("1.241", POINT, 1.241),
    ("80,0", COMMA, 80.0),
    ("-18,5", COMMA, -18.5),
    ("2 472,25", COMMA, 2472.25),
    ("2.490,5", COMMA_DOTS, 2490.5),
    ("1.241", COMMA_DOTS, 1241.0),
    ("1.234.567,8", COMMA_DOTS, 1234567.8),
    ("2,490.5", POINT_COMMAS, 2490.5),
    ("1,241", POINT_COMMAS, 1241.0),
    ("41.2", OWN_MARK, 41.2),
    ("39,9", OWN_MARK, 39.9),
    ("2.490,5", OWN_MARK, 2490.5),
    ("2,490.5", OWN_MARK, 2490.5),
    ("42", OWN_MARK, 42.0),
]

REFUSED = [
    ("80,0", POINT),
    ("41.2", COMMA),
    ("1.241", COMMA),
    ("1,241", POINT),
    ("2.49,5", COMMA_DOTS),
    ("24.900.5", COMMA_DOTS),
    ("1.2415", COMMA_DOTS),
    ("0.241", COMMA_DOTS),
    ("1,2345.5", POINT_COMMAS),
    ("1.241", OWN_MARK),
    ("1,241", OWN_MARK),
    ("12 34", POINT),
    ("1234 567", POINT),
    ("1_0", POINT),
    ("0x1F", POINT),
    ("nan", POINT),
    ("inf", POINT),
    ("-Infinity", POINT),
    ("1e999", POINT),
    ("NA", POINT),
    (">180", POINT),
    ("35-40", POINT),
    ("--5", POINT),
    ("5 min", POINT),
    ("٣", POINT),
    ("1.2.3", POINT),
    ("-", POINT),
    (".", POINT),
    ("e5", POINT),
]


@pytest.mark.parametrize(("cell", "dialect", "value"), READ)
def test_reads(cell, dialect, value):
    values, bad = parse_numbers(pa.array([cell]), dialect)
    assert values.tolist() == [value]
    assert not bad.any()
    assert parse_number(cell, dialect) == value


@pytest.mark.parametrize(("cell", "dialect"), REFUSED)
def test_refuses(cell, dialect):
    values, bad = parse_numbers(pa.array([cell]), dialect)
    assert np.isnan(values).all()
    assert bad.all()
    assert parse_number(cell, dialect) is None


@pytest.mark.parametrize("dialect", [POINT, COMMA, OWN_MARK, Dialect()])
def test_empty_cells_are_neither_numbers_nor_bad(dialect):
    values, bad = parse_numbers(pa.chunked_array([["", None, "  ", "7"]]), dialect)
    assert np.isnan(values[:3]).all() and values[3] == 7
    assert not bad.any()


def test_without_a_known_mark_a_cell_must_speak_for_itself():
    cells = pa.array(["41.2", "39,9", "12", "0.125", "1.241", "1,241"])
    values, bad = parse_numbers(cells, Dialect())
    assert values[:4].tolist() == [41.2, 39.9, 12.0, 0.125]
    assert bad.tolist() == [False] * 4 + [True] * 2


def test_no_cells():
    values, bad = parse_numbers(pa.array([], pa.string()), POINT)
    assert values.size == bad.size == 0


def column(*cells: str | None, name: str = "t", stored: list[bool] | None = None) -> NumberColumn:
    return NumberColumn(
        name=name,
        text=pa.array(cells, pa.string()),
        file_rows=np.arange(2, 2 + len(cells)),
        stored=None if stored is None else np.array(stored),
    )


def decide(*columns: NumberColumn, **options: str):
    return decide_marks(columns, file="runs.csv", **options)


@pytest.mark.parametrize(
    ("cells", "marks"),
    [
        (("41.2", "39.9"), (".", "")),
        (("41,2", "39,9"), (",", "")),
        (("41", "39"), ("", "")),
        (("0.241", "0.855"), (".", "")),
        (("1234.567", "1.241"), (".", "")),
        (("955,0", "2.490,5"), (",", ".")),
        (("955.0", "2,490.5"), (".", ",")),
        (("1.234.567",), (",", ".")),
        (("1,234,567", "12"), (".", ",")),
        (("2 472", "1 200"), ("", " ")),
        (("1'241", "900"), ("", "'")),
        (("1,5e3",), (",", "")),
    ],
)
def test_decides(cells, marks):
    found = decide(column(*cells))
    assert (found.decimal, found.grouping) == marks
    assert not found.findings


@pytest.mark.parametrize("cells", [("1.241", "1.855"), ("1,241", "2,004"), ("1.241", "1,855")])
def test_asks_when_only_three_digits_follow(cells):
    found = decide(column(*cells), delimiter=";")
    assert found.decimal == "undecidable"
    (question,) = found.findings
    assert question.severity == "question"
    assert question.remedy == "Answer with --decimal . or --decimal ,"
    assert question.location.row == 2


def test_a_comma_between_cells_settles_doubtful_dots():
    assert decide(column("1.241", "1.855"), delimiter=",").decimal == "."


@pytest.mark.parametrize(
    ("forced", "cells", "grouping"),
    [(",", ("80,0", "1.241"), "."), (".", ("80.0", "1,241"), ","), (".", ("1.241",), "")],
)
def test_an_answer_settles_doubt(forced, cells, grouping):
    found = decide(column(*cells), delimiter=";", forced=forced)
    assert (found.decimal, found.grouping) == (forced, grouping)
    assert not found.findings


def test_one_slip_is_named_at_its_row_and_changes_nothing():
    cells = [f"{i}.{i % 9 + 1}" for i in range(40)]
    cells[17] = "53,2"
    found = decide(column(*cells))
    (fault,) = found.findings
    assert (found.decimal, fault.severity, fault.location.row) == (".", "error", 19)
    assert "53,2 (row 19)" in fault.message


def test_equal_habits_are_read_each_by_its_own_mark():
    found = decide(column("5.4", "53,2"))
    assert found.decimal == "undecidable"
    assert [f.rule for f in found.findings] == ["decimal-contradiction"]
    values, _ = parse_numbers(pa.array(["5.4", "53,2"]), Dialect(decimal=found.decimal))
    assert values.tolist() == [5.4, 53.2]


def test_a_column_of_labels_does_not_contradict_the_measurements():
    labels = column("1.1", "1.2", "1.3", name="run")
    found = decide(labels, column("80,5", "20,0", "60,5"), column("41,2", "39,9", "40,0"))
    assert found.decimal == ","
    assert not found.findings


def test_doubtful_labels_are_not_asked_about_when_they_clearly_use_the_other_mark():
    labels = column("1.100", "1.2", "1.3", name="run")
    found = decide(labels, column("80,5", "20,0", "60,5"), column("41,2", "39,9", "40,0"))
    assert not found.findings


def test_stored_numbers_prove_nothing_about_typed_ones():
    found = decide(column("41.2", "39,9", stored=[True, False]))
    assert found.decimal == ","


def test_words_are_passed_over():
    found = decide(column("fell, then refilled", "a.b", "80"), column("41.2", "39.9", "40.1"))
    assert (found.decimal, found.grouping, found.findings) == (".", "", ())


@pytest.mark.parametrize("no_commas", [True, False])
def test_long_columns_are_decided_alike_the_short_way(no_commas):
    n = 6000
    words = column(*["North"] * n, name="lab")
    values = column(*[f"{i % 90}.{i % 7}" for i in range(n)])
    found = decide_marks([words, values], delimiter=",", no_commas=no_commas)
    assert (found.decimal, found.grouping, found.findings) == (".", "", ())


def test_a_slip_deep_in_a_long_column_is_found():
    cells = [f"{i % 90},{i % 7}" for i in range(7000)]
    cells[6543] = "41.2"
    (fault,) = decide(column(*cells), delimiter=";").findings
    assert fault.location.row == 6545
