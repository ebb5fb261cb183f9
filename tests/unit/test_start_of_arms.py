"""Arms that are named after their start temperature give it, where no column does."""

import math

import pytest

from metafreeze.register.intake import check_file


def check(folder, text):
    path = folder / "arms.csv"
    path.write_text(text, encoding="utf-8")
    return check_file(path)


@pytest.mark.parametrize(
    ("hot", "cold", "starts"),
    [
        ("hot 80C", "cold 20C", (80.0, 20.0)),
        ("Hot (80 °C)", "Cold (20 °C)", (80.0, 20.0)),
        ("80 °C", "20 °C", (80.0, 20.0)),
        ("hot 176F", "cold 68F", (80.0, 20.0)),
    ],
)
def test_named_after_a_temperature(tmp_path, hot, cold, starts):
    found = check(tmp_path, f"condition,mean min,sd,n\n{hot},41.2,3.1,10\n{cold},45.0,2.8,10\n")
    assert found.rows["start_temp_c"].to_pylist() == pytest.approx(list(starts))
    assert found.rows["arm"].to_pylist() == [hot, cold]
    assert "start_temp_c: from the name of the arm" in found.rows["derived"].to_pylist()[0]


def test_single_runs_as_well(tmp_path):
    found = check(tmp_path, "group,freeze min\nhot 80C,41\ncold 20C,45\nhot 80C,43\n")
    assert found.rows["start_temp_c"].to_pylist() == [80.0, 20.0, 80.0]


@pytest.mark.parametrize("other", ["control", "salty 5", "hot 80C lid"])
def test_one_arm_without_leaves_all_without(tmp_path, other):
    found = check(tmp_path, f"condition,mean min,sd,n\nhot 80C,41.2,3.1,10\n{other},45,2.8,10\n")
    assert all(v is None or math.isnan(v) for v in found.rows["start_temp_c"].to_pylist())


def test_a_column_of_starts_goes_first(tmp_path):
    found = check(tmp_path, "group,start C,freeze min\nhot 80C,78,41\ncold 20C,21,45\n")
    assert found.rows["start_temp_c"].to_pylist() == [78.0, 21.0]


def test_no_run_starts_above_boiling(tmp_path):
    found = check(tmp_path, "group,freeze min\nhot 180C,41\ncold 20C,45\n")
    errors = [f for f in found.findings if f.severity == "error"]
    assert [(f.rule, f.location.row, f.location.column, f.message, f.remedy) for f in errors] == [
        (
            "out-of-range",
            2,
            "group",
            "The start temperature in “hot 180C” is outside 0 to 100 °C",
            "Write a temperature of 0 to 100 °C",
        )
    ]
