"""Rows for other programs: exact, and inert in a spreadsheet."""

from __future__ import annotations

import csv

import pandas as pd
import pyarrow.parquet as pq
import pytest
from checked_sheets import run, runs, take

from metafreeze.errors import InputError, RegisterError
from metafreeze.register.answers import Answers
from metafreeze.register.folder.returning import read_export
from metafreeze.register.folder.store import create_register
from metafreeze.register.schema import FIELDS

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


@pytest.mark.parametrize("suffix", [".csv", ".parquet"])
def test_the_way_back_is_exact(tmp_path, register, suffix):
    odd = [run(80, 0.1 * k, run_id=str(k), remark=c) for k, c in enumerate(CELLS)]
    odd.append(run(20, 1.0, run_id="not seen", time_upper_s=None, preregistered=False))
    take(register, tmp_path, odd, name="odd.csv")
    paper = {"record_level": "arm_summary", "mean_s": 2400.0, "n_runs": 5, "endpoint": "t_zero"}
    take(register, tmp_path, [paper | {"source_id": "Invented Review 3"}], name="paper.csv")
    take(register, tmp_path, runs(2, exclusion_reason="knocked"), name="more.csv")
    out = tmp_path / f"out{suffix}"
    register.export(out)
    other = create_register(tmp_path / "other")
    entry = other.add(out)
    assert entry.new == len(CELLS) + 4
    before, after = (r.rows().drop(columns="entry_id") for r in (register, other))
    pd.testing.assert_frame_equal(before, after)
    counts = {"used": len(CELLS) + 1, "not seen exactly": 1, "excluded": 2}
    assert {name: n for name, n in entry.ledger.items() if n} == counts
    assert other.add(out).id == ""
    again = register.add(out, answers=Answers(same_as="new"))
    assert (again.new, again.already_there) == (1, len(CELLS) + 3), "the paper's row has no run"


def test_an_edited_export_is_checked_like_any_file(tmp_path, register):
    take(register, tmp_path, runs(3))
    out = tmp_path / "out.csv"
    register.export(out)
    text = out.read_text("utf-8").replace('"t_solid"', '"frozen"', 1).replace("22,", "122,", 1)
    out.write_text(text, "utf-8")
    other = create_register(tmp_path / "other")
    with pytest.raises(InputError) as refused:
        other.add(out)
    found = [(f.location.row, f.message) for f in refused.value.faults]
    assert found == [
        (4, "start_temp_c is out of range (122.0)"),
        (2, "endpoint is not in the vocabulary (frozen)"),
    ]
    assert refused.value.faults[0].remedy == "Enter a value from 0 to 100 °C"
    assert other.rows().empty


def test_other_files_are_no_exports(tmp_path, register):
    take(register, tmp_path, runs(1))
    register.export(tmp_path / "out.csv")
    text = (tmp_path / "out.csv").read_text("utf-8")
    assert read_export(tmp_path / "out.csv") is not None
    for name, content in {
        "plain.csv": b"start,time (min)\n80,41\n",
        "empty.csv": b"",
        "words.csv": text.replace("2400", "soon").encode(),
        "more.csv": text.replace('"remark"', '"mood"').encode(),
        "latin.csv": "größe\n1".encode("latin-1"),
        "out.txt": text.encode(),
        "broken.parquet": b"PAR1",
    }.items():
        (tmp_path / name).write_bytes(content)
        assert read_export(tmp_path / name) is None, name
    assert read_export(tmp_path / "nowhere.csv") is None


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
