"""A capital T before an arm is a temperature; a small one, or one with a unit of time, is not."""

import pytest

from metafreeze.register.intake import check_file
from metafreeze.register.meaning.headings import read_heading


@pytest.mark.parametrize(
    ("heading", "target", "arm"),
    [
        ("T hot", "start_temp_c", "hot"),
        ("T_cold", "start_temp_c", "cold"),
        ("T start", "start_temp_c", ""),
        ("Hot T", "start_temp_c", "hot"),
        ("Cold_T (°C)", "start_temp_c", "cold"),
        ("Hot time", "time", "hot"),
        ("hot t", "time", "hot"),
        ("T hot (°C)", "start_temp_c", "hot"),
        ("T hot (min)", "time", "hot"),
        ("t hot", "time", "hot"),
        ("Time hot", "time", "hot"),
    ],
)
def test_case_tells_temperature_from_time(heading, target, arm):
    meant = read_heading(heading)[0]
    assert (meant.target, meant.arm) == (target, arm)


def test_a_table_of_arms_gives_temperatures_and_times(tmp_path):
    path = tmp_path / "arms.csv"
    path.write_text(
        "study,T hot,T cold,hot mean ± SD (min),cold mean ± SD (min),n\n"
        "A,80,20,41.2 ± 3.1,45.0 ± 2.8,10\nB,90,25,50 ± 4,48 ± 5,6\n",
        encoding="utf-8",
    )
    rows = check_file(path).rows
    assert rows["arm"].to_pylist() == ["hot", "cold", "hot", "cold"]
    assert rows["start_temp_c"].to_pylist() == [80.0, 20.0, 90.0, 25.0]
    assert rows["mean_s"].to_pylist() == pytest.approx([2472.0, 2700.0, 3000.0, 2880.0])


def test_checks_of_a_vessel_bound_its_time(tmp_path):
    path = tmp_path / "checks.csv"
    path.write_text(
        "run,start_C,checked liquid min,checked solid min\n1,80,40,50\n2,20,50,60\n3,80,50,\n",
        encoding="utf-8",
    )
    rows = check_file(path).rows
    assert rows["time_lower_s"].to_pylist() == [2400.0, 3000.0, 3000.0]
    assert rows["time_upper_s"].to_pylist() == [3000.0, 3600.0, None]


def test_a_table_of_a_review_needs_no_answers(tmp_path):
    path = tmp_path / "review.csv"
    path.write_text(
        "Author,Year,Hot T,Cold T,Hot N,Cold N,Hot mean,Hot SD,Cold mean,Cold SD\n"
        "A (invented),2001,90 C,25 C,5,5,101.0,11,95,9\n"
        "B (invented),2010,70 C,25 C,12,12,64,8,71,7\n",
        encoding="utf-8",
    )
    found = check_file(path)
    assert not [f for f in found.findings if f.severity != "note"]
    rows = found.rows
    assert rows["source_id"].to_pylist() == ["A (invented)"] * 2 + ["B (invented)"] * 2
    assert rows["start_temp_c"].to_pylist() == [90.0, 25.0, 70.0, 25.0]
    assert rows["n_runs"].to_pylist() == [5, 5, 12, 12]
    assert rows["sd_s"].to_pylist() == [660.0, 540.0, 480.0, 420.0]
    assert rows["remark"].to_pylist() == ["2001", "2001", "2010", "2010"]
