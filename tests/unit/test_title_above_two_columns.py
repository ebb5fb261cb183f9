"""A title above a file of two columns of numbers does not make it a file of decimal commas."""

import pytest

from metafreeze.register.files.reading import read_file
from metafreeze.register.intake import check_file

RUNS = "".join(f"{80 if k % 2 else 20},{40 + k}\n" for k in range(12))
READINGS = "".join(f"{60 * k}.0,{80 - 0.5 * k:.2f}\n" for k in range(120))


def read(folder, text):
    path = folder / "sheet.csv"
    path.write_text(text, encoding="utf-8")
    return check_file(path)


def test_runs_below_a_title_are_two_columns(tmp_path):
    found = read(tmp_path, "My trials\nstart_C,freeze_min\n" + RUNS)
    assert not [f for f in found.findings if f.severity == "error"]
    assert found.rows["start_temp_c"].to_pylist() == [20.0, 80.0] * 6
    assert found.rows["time_lower_s"].to_pylist() == [60.0 * (40 + k) for k in range(12)]


@pytest.mark.parametrize("above", ["Units: °F\n", "Logger 3\n\n", ""])
def test_readings_below_one_line_are_a_clock_and_a_probe(tmp_path, above):
    found = read(tmp_path, above + "time (s),temp\n" + READINGS)
    (said,) = [f for f in found.findings if "temperature trace" in f.message]
    assert "120 readings in “temp”" in said.message


@pytest.mark.parametrize("above", ["", "Messung\n"])
def test_decimal_commas_in_one_column_stay_one_column(tmp_path, above):
    lines = "".join(f"{40 + k},{k % 10}\n" for k in range(12))
    path = tmp_path / "sheet.csv"
    path.write_text(above + "Gefrierzeit (min)\n" + lines, encoding="utf-8")
    source = read_file(path)
    assert source.dialect.decimal == ","
    (column,) = source.tables[0].columns
    assert column.text.to_pylist() == lines.split()
