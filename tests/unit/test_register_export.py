"""Rows for other programs: exact, and inert in a spreadsheet."""

from __future__ import annotations

import csv

import pandas as pd
import pyarrow.parquet as pq
import pytest
from checked_sheets import run, runs, take, write_sheet

from metafreeze.errors import InputError, RegisterError
from metafreeze.register.exporting import make_inert, undo_inert
from metafreeze.register.schema import FIELDS
from metafreeze.register.store import create_register

NAMES = [f.name for f in FIELDS]

# As typed -> as written: formulas made inert, plain numbers and everything else untouched.
CELLS = {
    "=1+1": "'=1+1",
    "+cmd|' /C calc'!A0": "'+cmd|' /C calc'!A0",
    "-2+3": "'-2+3",
    "@SUM(A1)": "'@SUM(A1)",
    "\t=1": "'\t=1",
    "\r=1": "'\r=1",
    "'=1": "''=1",
    "'quoted'": "''quoted'",
    "-12.4 min": "'-12.4 min",
    "-": "'-",
    "-5": "-5",
    "+5": "+5",
    "-12,4": "-12,4",
    "-.5e-3": "-.5e-3",
    "007": "007",
    "NA": "NA",
    "": "",
    'a "b", c\nd': 'a "b", c\nd',
    "Gefäß °C": "Gefäß °C",
    "a=b": "a=b",
}


@pytest.fixture
def register(tmp_path):
    return create_register(tmp_path / "winter", lab="north kitchen")


def written(path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def test_texts_are_inert_and_numbers_stay_numbers(tmp_path, register):
    rows = [
        run(80, 2400.0 + k, run_id=f"R{k}", remark=cell, nucleation_temp_c=-6.5)
        for k, cell in enumerate(CELLS)
    ]
    take(register, tmp_path, rows)
    assert register.export(tmp_path / "out.csv") == len(CELLS)
    lines = written(tmp_path / "out.csv")
    assert list(lines[0]) == NAMES
    assert [line["remark"] for line in lines] == list(CELLS.values())
    assert {line["nucleation_temp_c"] for line in lines} == {"-6.5"}
    back = pd.read_csv(tmp_path / "out.csv")
    assert (back["nucleation_temp_c"] == -6.5).all()


def test_the_way_back_is_exact(tmp_path, register):
    take(register, tmp_path, [run(80, 1.0, run_id=str(k), remark=c) for k, c in enumerate(CELLS)])
    check, _ = write_sheet(tmp_path, [], name="out.csv", headings=tuple(NAMES))
    table = register._tables()[0][1]
    inert = make_inert(table)
    assert not inert.equals(table)
    from dataclasses import replace

    assert undo_inert(replace(check, rows=inert)).equals(table)
    other = replace(check, rows=inert, headings=("run", "start"))
    assert undo_inert(other).equals(inert), "a person's own apostrophes are left alone"


def test_numbers_come_back_to_the_last_digit(tmp_path, register):
    times = [0.1 + 0.2, 1e-17, 2**53 + 1.0, 1e300, 41.2 * 60, 5e-324]
    take(register, tmp_path, [run(80, t, run_id=str(k)) for k, t in enumerate(times)])
    register.export(tmp_path / "out.csv")
    assert [float(line["time_upper_s"]) for line in written(tmp_path / "out.csv")] == times


def test_empty_and_missing_stay_apart_from_labels(tmp_path, register):
    take(register, tmp_path, [run(80, 1.0, run_id="NA", vessel_material="None")])
    register.export(tmp_path / "out.csv")
    (line,) = written(tmp_path / "out.csv")
    assert (line["run_id"], line["vessel_material"], line["remark"]) == ("NA", "None", "")


def test_parquet_holds_the_rows_as_they_are(tmp_path, register):
    take(register, tmp_path, runs(3, remark="=1+1"))
    assert register.export(tmp_path / "out.parquet") == 3
    table = pq.read_table(tmp_path / "out.parquet")
    assert table.column_names == NAMES
    assert table["remark"].to_pylist() == ["=1+1"] * 3


def test_only_what_shows_is_exported(tmp_path, register):
    take(register, tmp_path, runs(3), name="a.csv")
    take(register, tmp_path, runs(2, first=5), name="b.csv")
    register.undo("e0001")
    assert register.export(tmp_path / "out.csv") == 2
    register.undo("e0002")
    assert register.export(tmp_path / "out.csv") == 0
    assert (tmp_path / "out.csv").read_text("utf-8").count("\n") == 1


def test_an_export_is_whole_or_not_there(tmp_path, register):
    take(register, tmp_path, runs(3))
    with pytest.raises(InputError, match=r'"out.xlsx". End its name in .csv or .parquet'):
        register.export(tmp_path / "out.xlsx")
    with pytest.raises(RegisterError, match=r"out.csv could not be written: No such file"):
        register.export(tmp_path / "nowhere" / "out.csv")
    assert not list(tmp_path.glob("*out*"))
