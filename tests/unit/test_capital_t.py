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
