"""Run sheets as plans, and the arms of a live view."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from metafreeze.cli.main import answer
from metafreeze.errors import InputError
from metafreeze.logbook.arms import split_arms, stopping_rule
from metafreeze.logbook.sheets import read_run_sheet
from metafreeze.register.folder.store import create_register
from metafreeze.register.templates import write_template

HEAD = "lab,batch,run,position,vessel,start temperature (°C),freeze time (min)\n"


def sheet(tmp_path, *lines, head=HEAD):
    path = tmp_path / "today.csv"
    path.write_text(head + "".join(f"{line}\n" for line in lines), encoding="utf-8")
    return path


def test_each_batch_of_the_sheet_is_a_plan(tmp_path):
    first, second = read_run_sheet(
        sheet(tmp_path, "Q,1,A,p1,cup,80,", "Q,1,B,p2,cup,20,", "Q,2,A,p1,cup,20,")
    )
    assert [v.name for v in first.vessels] == ["A", "B"]
    assert dict(first.vessels[0].fields) == {
        "position_id": "p1",
        "vessel_material": "cup",
        "start_temp_c": 80.0,
    }
    assert not {"endpoint", "time_lower_s", "file_row"} & set(first.vessels[0].fields)
    assert (first.lab, first.name, second.name) == ("Q", "1", "2")


def test_a_run_sheet_drawn_by_lot_is_read_with_its_places_and_aims(tmp_path):
    create_register(tmp_path / "winter", primary_endpoint="t_solid", lab="Quarry Lane")
    words = ["runsheet", str(tmp_path / "winter"), "--vessels", "6", "--batches", "3", "--sham"]
    assert answer([*words, "--seed", "7", "--out", str(tmp_path / "today")]) == 0
    plans = read_run_sheet(tmp_path / "today.csv")
    assert [(plan.lab, plan.name, len(plan.vessels)) for plan in plans] == [
        ("Quarry Lane", name, 6) for name in ("1", "2", "3")
    ]
    for plan in plans:
        fields = [dict(vessel.fields) for vessel in plan.vessels]
        assert sorted(one["position_id"] for one in fields) == [f"P{k}" for k in range(1, 7)]
        assert [one["insertion_order"] for one in fields] == [1, 2, 3, 4, 5, 6]
        assert {one["arm"] for one in fields} == {"aim 80 °C", "aim 20 °C"}
        assert sorted(one["sham"] for one in fields if "sham" in one) == ["A", "B"]
        assert all("start_temp_c" not in one for one in fields)


def test_a_vessel_without_a_name_takes_that_of_its_place(tmp_path):
    (plan,) = read_run_sheet(sheet(tmp_path, "Q,1,,p1,cup,80,", "Q,1,,,cup,20,"))
    assert [v.name for v in plan.vessels] == ["p1", "2"]


def test_two_vessels_of_one_name_are_refused(tmp_path):
    path = sheet(tmp_path, "Q,1,A,p1,cup,80,", "Q,1,A,p2,cup,20,")
    with pytest.raises(InputError) as refused:
        read_run_sheet(path)
    assert refused.value.faults


def test_what_is_no_sheet_of_runs_is_refused(tmp_path):
    write_template("summaries", tmp_path / "table.csv", example=True)
    with pytest.raises(InputError, match="sheet of single runs"):
        read_run_sheet(tmp_path / "table.csv")
    with pytest.raises(InputError):
        read_run_sheet(sheet(tmp_path, "Q,1,A,p1,cup,warm,"))


times = st.lists(
    st.tuples(st.sampled_from([18.0, 20.0, 79.0, 80.0]), st.integers(0, 9000), st.booleans()),
    min_size=1,
    max_size=15,
)


@given(drawn=times, data=st.data())
def test_the_median_of_the_true_times_lies_in_its_range(drawn, data):
    """Any true times inside the windows: their median is inside what is shown."""
    seen = [(start, float(low), float(low + 600) if froze else None) for start, low, froze in drawn]
    truths = [
        low + data.draw(st.floats(0, 1)) * ((high if high is not None else low + 9e5) - low)
        for _, low, high in seen
    ]
    for arm in split_arms(seen, (80.0, 20.0)):
        members = [
            truth
            for truth, (start, _, _) in zip(truths, seen, strict=True)
            if (start > 50) == (arm.name == "hotter")
        ]
        assert arm.vessels == len(members)
        if members:
            slack = 1e-9 * max(members)
            assert arm.median_lower_s - slack <= np.median(members) <= arm.median_upper_s + slack
        else:
            assert math.isnan(arm.median_lower_s)


def test_without_a_pair_the_widest_gap_parts_the_arms():
    seen = [(20.0, 1.0, 2.0), (22.0, 1.0, 2.0), (60.0, 1.0, None), (75.0, 1.0, 2.0)]
    hot, cold = split_arms(seen, None)
    assert (hot.low_c, hot.high_c, hot.vessels, hot.frozen) == (60, 75, 2, 1)
    assert (cold.low_c, cold.high_c, cold.vessels) == (20, 22, 2)
    assert split_arms([(20.0, 1.0, 2.0)], None) == split_arms([], None) == ()


def test_a_vessel_far_from_the_pair_belongs_to_no_arm():
    hot, cold = split_arms([(80.0, 1.0, 2.0), (50.0, 1.0, 2.0), (20.0, 1.0, 2.0)], (80.0, 20.0))
    assert (hot.vessels, cold.vessels) == (1, 1)


def test_the_sealed_rule_is_stated_or_missed():
    assert "No plan is sealed" in stopping_rule({"stopping_rule": "later"})
    assert stopping_rule({"seal": "x", "stopping_rule": "after 30"}).endswith("after 30")
    assert "does not say" in stopping_rule({"seal": "x"})
