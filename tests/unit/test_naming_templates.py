"""Templates read back as the fields they are for."""

from __future__ import annotations

from itertools import product
from pathlib import Path

import pytest
from openpyxl import load_workbook

from metafreeze.errors import InputError
from metafreeze.register.intake import check_file
from metafreeze.register.meaning.headings import read_heading
from metafreeze.register.schema import FIELDS, PLAIN_RUN_FIELDS
from metafreeze.register.templates import (
    SHEET_KINDS,
    heading_of,
    template_columns,
    write_template,
)

ALL = list(product(SHEET_KINDS, (False, True), (".csv", ".xlsx")))


@pytest.mark.parametrize(("kind", "full", "ending"), ALL)
def test_an_empty_template_asks_for_rows_only(
    kind: str, full: bool, ending: str, tmp_path: Path
) -> None:
    path = tmp_path / f"sheet{ending}"
    headings = write_template(kind, path, full=full)  # type: ignore[arg-type]
    check = check_file(path)
    assert check.headings == headings
    assert check.kind == kind
    assert [f.rule for f in check.findings if f.severity != "note"] == ["no-rows"]


@pytest.mark.parametrize(("kind", "full", "ending"), ALL)
def test_the_example_is_accepted_and_invented(
    kind: str, full: bool, ending: str, tmp_path: Path
) -> None:
    path = tmp_path / f"sheet{ending}"
    write_template(kind, path, full=full, example=True)  # type: ignore[arg-type]
    check = check_file(path)
    assert check.accepted
    assert check.kind == kind
    assert set(check.rows["invented"].to_pylist()) == {True}
    assert check.rows.num_rows >= 3


@pytest.mark.parametrize("kind", SHEET_KINDS)
def test_every_heading_of_a_full_sheet_is_its_field(kind: str) -> None:
    by_heading = {heading_of(f): f.name for f in FIELDS if kind in f.sheets}
    found = set()
    for column in template_columns(kind, full=True):  # type: ignore[arg-type]
        meanings = read_heading(column.heading)
        assert meanings, column.heading
        if column.heading in by_heading:
            assert meanings[0].target == by_heading[column.heading]
        found.add(meanings[0].target)
    wanted = {f.name for f in FIELDS if kind in f.sheets} - {"n_runs", "contrast_scale"}
    wanted -= {"time_lower_s", "time_upper_s"}
    assert wanted <= found


def test_the_plain_sheet_has_six_columns() -> None:
    columns = template_columns("runs")
    assert len(columns) == len(PLAIN_RUN_FIELDS) == 6
    assert [c.heading for c in columns] == [
        "lab",
        "batch",
        "vessel",
        "start temperature (°C)",
        "freeze time (min)",
        "remark",
    ]


def test_a_workbook_offers_the_words_of_a_choice(tmp_path: Path) -> None:
    path = tmp_path / "sheet.xlsx"
    write_template("runs", path, full=True)
    sheet = load_workbook(path).active
    assert sheet is not None
    offers = {v.formula1 for v in sheet.data_validations.dataValidation}
    assert '"open,loose,sealed,oil_film"' in offers
    assert all(len(offer) <= 257 for offer in offers)
    assert sheet["A1"].comment.text == "Laboratory, kitchen or site; the study in models."


def test_a_csv_template_keeps_its_degree_sign_in_spreadsheets(tmp_path: Path) -> None:
    path = tmp_path / "sheet.csv"
    write_template("runs", path)
    assert path.read_bytes().startswith(b"\xef\xbb\xbf")


def test_what_cannot_be_written_says_why(tmp_path: Path) -> None:
    with pytest.raises(InputError) as unknown:
        write_template("trace", tmp_path / "a.csv")  # type: ignore[arg-type]
    assert str(unknown.value) == (
        'There is no template for "trace". Choose one of "runs", "summaries", "points".'
    )
    with pytest.raises(InputError) as ending:
        write_template("runs", tmp_path / "a.doc")
    assert str(ending.value) == 'The template "a.doc" must end in .csv or .xlsx, not in ".doc".'
    (tmp_path / "b.csv").write_text("mine")
    with pytest.raises(InputError) as there:
        write_template("runs", tmp_path / "b.csv")
    assert str(there.value) == ('"b.csv" exists already. Give another name, or move it away first.')
    assert (tmp_path / "b.csv").read_text() == "mine"
