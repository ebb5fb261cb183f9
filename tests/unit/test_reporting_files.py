"""Files: nothing good is lost to a bad moment, and nothing in them runs."""

import csv
import io
import json
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import report_samples

from metafreeze.errors import InputError
from metafreeze.reporting import files as files_module
from metafreeze.reporting.content import Report, say
from metafreeze.reporting.files import report_files, write_report
from metafreeze.reporting.labels import visible
from metafreeze.reporting.results_json import csv_text, dictionary_frame, json_text, parquet_bytes

SMALL = Report(title=say("Title"))
TABLES = {"rows": pd.DataFrame({"lab_id": ["a"], "time_lower_s": [1.5]})}


def contents(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_all_files_are_written_and_named(tmp_path):
    written = write_report(SMALL, {"a": 1}, TABLES, tmp_path / "deep" / "out")
    names = [p.relative_to(tmp_path / "deep" / "out").as_posix() for p in written]
    assert names == [
        "report.html",
        "report.pdf",
        "results.json",
        "tables/rows.parquet",
        "tables/rows.csv",
        "tables/dictionary.csv",
    ]
    assert contents(tmp_path / "deep" / "out") == report_files(SMALL, {"a": 1}, TABLES)


def test_a_second_report_replaces_the_first_and_leaves_other_files(tmp_path):
    write_report(SMALL, {"a": 1}, TABLES, tmp_path)
    (tmp_path / "notes.txt").write_text("mine", "utf-8")
    write_report(SMALL, {"a": 2}, TABLES, tmp_path)
    after = contents(tmp_path)
    assert json.loads(after["results.json"]) == {"a": 2}
    assert after["notes.txt"] == b"mine"
    assert not [name for name in after if "partial" in name]


@pytest.mark.parametrize("fails_at", range(6))
def test_a_full_disk_leaves_the_earlier_report_as_it_was(tmp_path, monkeypatch, fails_at):
    write_report(SMALL, {"a": 1}, TABLES, tmp_path)
    before = contents(tmp_path)
    real, calls = files_module._write_whole, []

    def full(path, content):
        calls.append(path)
        if len(calls) > fails_at:
            path.write_bytes(content[: len(content) // 2])
            raise OSError(28, "No space left on device")
        real(path, content)

    monkeypatch.setattr(files_module, "_write_whole", full)
    with pytest.raises(OSError, match="No space left"):
        write_report(SMALL, {"a": 2}, TABLES, tmp_path)
    assert contents(tmp_path) == before


def test_a_result_without_a_form_is_refused_before_anything_is_written(tmp_path):
    with pytest.raises(InputError, match=r"results\.fit\[1\]\.when is a object"):
        write_report(SMALL, {"fit": [1, {"when": object()}]}, {}, tmp_path / "out")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("name", ["../up", "a b", "", "a/b", "é"])
def test_a_table_with_no_file_name_is_refused(tmp_path, name):
    with pytest.raises(InputError, match="letters, digits, hyphens and underscores"):
        write_report(SMALL, {}, {name: TABLES["rows"]}, tmp_path)


def test_json_keeps_every_digit_and_has_no_nan():
    value = 0.1 + 0.2
    text = json_text(
        {
            "x": np.float64(value),
            "n": np.int64(3),
            "gap": math.nan,
            "open": [math.inf, -math.inf],
            "frame": pd.DataFrame({"a": [1.5, math.nan], "b": ["x", None]}),
            "array": np.array([[1.0, 2.0]]),
            "flag": np.bool_(True),
            "name": "ß\u202e<script>",
        }
    )
    assert text.isascii()
    assert json.loads(text) == {
        "x": value,
        "n": 3,
        "gap": None,
        "open": ["Infinity", "-Infinity"],
        "frame": [{"a": 1.5, "b": "x"}, {"a": None, "b": None}],
        "array": [[1.0, 2.0]],
        "flag": True,
        "name": "ß\u202e<script>",
    }


def test_names_come_back_from_json_and_parquet_as_they_were_entered():
    sample = report_samples.hostile()
    studies = json.loads(json_text(sample.results))["studies"]
    assert [s["study"] for s in studies] == list(report_samples.HOSTILE_NAMES)
    frame = pd.read_parquet(io.BytesIO(parquet_bytes(sample.tables["studies"])))
    pd.testing.assert_frame_equal(frame, sample.tables["studies"])


def test_no_cell_of_a_csv_is_a_formula_or_holds_a_control():
    sample = report_samples.hostile()
    text = csv_text(sample.tables["studies"])
    rows = list(csv.reader(io.StringIO(text)))
    assert len(rows) == 1 + len(report_samples.HOSTILE_NAMES)
    for row, entered in zip(rows[1:], report_samples.HOSTILE_NAMES, strict=True):
        assert not row[0].startswith(("=", "+", "-", "@", "\t", "\r"))
        assert row[0].removeprefix("'") == visible(entered)
        assert visible(row[0]) == row[0]


def test_numbers_in_a_csv_stay_numbers_with_every_digit():
    frame = pd.DataFrame({"x": [-0.1 - 0.2, 1e-300], "label": ["-5", "=1"]})
    back = pd.read_csv(io.StringIO(csv_text(frame)), dtype={"label": str})
    assert list(back["x"]) == list(frame["x"])
    assert list(back["label"]) == ["-5", "'=1"]


def test_the_dictionary_tells_every_column_with_its_unit():
    tables = {"rows": TABLES["rows"], "fit": pd.DataFrame({"slope_k": [1.0], "why": ["x"]})}
    frame = dictionary_frame(tables, {"why": "Reason in words."})
    assert list(frame.columns) == ["table", "column", "type", "unit", "meaning"]
    by_column = frame.set_index("column")
    assert list(frame["table"]) == ["rows", "rows", "fit", "fit"]
    assert by_column.loc["time_lower_s", "unit"] == "s"
    assert by_column.loc["time_lower_s", "meaning"]
    assert by_column.loc["slope_k", "unit"] == "K"
    assert by_column.loc["why", "meaning"] == "Reason in words."
