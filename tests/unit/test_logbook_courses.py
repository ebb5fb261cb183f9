"""Taps to windows: each look narrows the window, and nothing is made up."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from metafreeze.logbook.batches import Batch, make_batch
from metafreeze.logbook.courses import (
    LID_OPENED_TO_LOOK_S,
    PROVOKED_WITHIN_S,
    Window,
    follow,
)
from metafreeze.logbook.outcomes import NEVER_LOOKED, make_sheet
from metafreeze.logbook.taps import Tap
from metafreeze.register.intake import check_file

BEGAN_MS = 1_790_000_000_000


def batch_of(*taps, vessels=1, watching="looks"):
    """A batch with taps (kind, seconds, vessel, more)."""
    plan = make_batch(
        {
            "id": "ab" * 8,
            "name": "first",
            "vessels": vessels,
            "start_temps_c": [80, 20],
            "watching": watching,
        },
        planned=[],
        taken=[],
        lab="Quarry Lane",
        now_ms=BEGAN_MS,
    )
    batch = Batch(plan)
    for seq, (kind, seconds, *rest) in enumerate(taps):
        vessel, more = (*rest, {})[:2] if rest else ("1", {})
        at = BEGAN_MS + round(seconds * 1000)
        tap = Tap(
            id=f"{seq:016x}", batch=plan.id, kind=kind, at_ms=at, **({"vessel": vessel} | more)
        )
        batch.taps.append((seq, tap))
    return batch


def only(*taps, **more):
    return follow(batch_of(*taps, **more))[0]


def test_looks_narrow_both_windows():
    course = only(
        ("in", 10),
        ("liquid", 310),
        ("liquid", 610),
        ("ice", 910),
        ("partly", 1510),
        ("solid", 2110),
    )
    assert course.first_ice == Window(lower_s=600.0, upper_s=900.0)
    assert course.solid == Window(lower_s=1500.0, upper_s=2100.0)
    assert course.faults == ()


def test_order_of_arrival_does_not_matter():
    taps = [("in", 0), ("liquid", 300), ("ice", 600), ("solid", 900)]
    assert only(*reversed(taps)).solid == only(*taps).solid == Window(lower_s=600.0, upper_s=900.0)


def test_ice_that_nobody_saw_began_before_it_was_solid():
    course = only(("in", 0), ("liquid", 300), ("solid", 900))
    assert course.first_ice == Window(lower_s=300.0, upper_s=900.0)
    assert course.solid == Window(lower_s=300.0, upper_s=900.0)


def test_without_a_look_the_window_begins_at_insertion():
    course = only(("in", 5), ("ice", 605))
    assert course.first_ice == Window(lower_s=0.0, upper_s=600.0)
    assert course.solid == Window(lower_s=600.0, upper_s=None)


def test_a_vessel_never_looked_at_has_no_window():
    course = only(("in", 0), ("knocked", 60))
    assert course.first_ice is None and course.solid is None


def test_a_round_speaks_of_every_vessel_in_its_own_state():
    batch = batch_of(
        ("in", 0, "1"),
        ("in", 10, "2"),
        ("ice", 300, "1"),
        ("round", 310, ""),
        ("in", 400, "3"),
        ("solid", 500, "1"),
        ("round", 600, ""),
        vessels=4,
    )
    one, two, three, four = follow(batch)
    assert one.first_ice == Window(lower_s=0.0, upper_s=300.0)
    assert one.solid == Window(lower_s=310.0, upper_s=500.0)
    assert two.first_ice == two.solid == Window(lower_s=590.0, upper_s=None)
    assert three.first_ice == Window(lower_s=200.0, upper_s=None)
    assert four.in_ms is None and four.first_ice is None


def test_what_was_taken_back_does_not_count():
    course = only(
        ("in", 0), ("liquid", 300), ("solid", 400), ("undo", 410, "1", {"target": f"{2:016x}"})
    )
    assert course.solid == Window(lower_s=300.0, upper_s=None)


def test_the_last_of_two_measurements_counts():
    course = only(
        ("mass_in", 0, "1", {"value": 99.0}),
        ("mass_in", 5, "1", {"value": 100.5}),
        ("start_temp", 6, "1", {"value": 78.0}),
        ("in", 10),
    )
    assert course.measured == {"water_mass_start_g": 100.5, "start_temp_c": 78.0}


@pytest.mark.parametrize(
    ("taps", "said"),
    [
        ([("liquid", 5)], "nobody tapped “in”"),
        ([("in", 0), ("in", 60)], "went in twice"),
        ([("liquid", 0), ("in", 60)], "“looked: still liquid” before it went in"),
        ([("in", 0), ("ice", 60), ("liquid", 360)], "still liquid” 5.0 min after “first ice”"),
        ([("in", 0), ("solid", 60), ("partly", 120)], "not yet solid” 1.0 min after “solid”"),
    ],
)
def test_taps_that_contradict_each_other_are_refused(taps, said):
    faults = only(*taps).faults
    assert [fault.severity for fault in faults] == ["error"] * len(faults)
    assert any(said in fault.message for fault in faults), faults
    assert not any(fault.severity == "note" for fault in make_sheet(batch_of(*taps)).faults[:1])


def test_a_clock_set_between_tap_and_sending_is_told():
    (fault,) = only(("in", 0, "1", {"moved_ms": -3_600_000})).faults
    assert fault.severity == "note" and "-3600.0 s" in fault.message


@pytest.mark.parametrize(
    ("kind", "at", "word"),
    [
        ("knocked", 290, ""),
        ("knocked", 310, "knock"),
        ("knocked", 601, ""),
        ("lid", 310, "door"),
        # Opened to look: the ice was there already.
        ("lid", 600 - LID_OPENED_TO_LOOK_S + 1, ""),
        ("lid", 290, ""),
    ],
)
def test_what_may_have_provoked_the_ice_lies_between_the_looks(kind, at, word):
    assert only(("in", 0), ("liquid", 300), (kind, at), ("ice", 600)).trigger == word


def test_watched_without_a_break_ice_comes_when_it_is_tapped():
    course = only(
        ("in", 0),
        ("knocked", 600 - PROVOKED_WITHIN_S + 1),
        ("ice", 600),
        ("solid", 900),
        watching="always",
    )
    assert course.first_ice == Window(lower_s=600.0, upper_s=600.0)
    assert course.solid == Window(lower_s=900.0, upper_s=900.0)
    assert course.trigger == "knock"


def test_watched_without_a_break_it_had_not_frozen_at_the_last_tap_of_all():
    batch = batch_of(
        ("in", 0, "1"), ("in", 10, "2"), ("ice", 700, "1"), vessels=2, watching="always"
    )
    assert follow(batch)[1].first_ice == Window(lower_s=690.0, upper_s=None)


@given(
    ice=st.integers(1, 5000),
    freezing=st.integers(0, 5000),
    looks=st.lists(st.integers(1, 12000), min_size=1, max_size=12, unique=True),
)
def test_the_window_holds_the_truth_and_no_look_lies_inside_it(ice, freezing, looks):
    """An honest observer of a vessel whose true times are known."""
    solid = ice + freezing
    taps = [("in", 0)]
    stands = "liquid"
    for look in sorted(looks):
        if stands == "solid":
            break
        sees = "liquid" if look < ice else "ice" if look < solid else "solid"
        kind = sees if sees != stands or sees == "liquid" else "partly"
        taps.append((kind, look))
        stands = sees
    course = only(*taps)
    assert course.faults == ()
    watched = [seconds for _, seconds in taps[1:]]
    for window, truth in ((course.first_ice, ice), (course.solid, solid)):
        upper = math.inf if window.upper_s is None else window.upper_s
        assert window.lower_s < truth <= upper
        assert not any(window.lower_s < look < upper for look in watched)


def test_a_batch_becomes_rows_that_the_way_in_accepts(tmp_path):
    batch = batch_of(
        ("mass_in", 0, "1", {"value": 100.25}),
        ("in", 0, "1"),
        ("in", 0.5, "2"),
        ("in", 30, "3"),
        ("round", 600.125, ""),
        ("in", 610, "4"),
        ("ice", 900, "2"),
        ("note", 901, "", {"text": '=1+1, "quoted"; fan on'}),
        vessels=5,
    )
    sheet = make_sheet(batch)
    assert sheet.not_in == ("5",)
    (tmp_path / "batch.csv").write_bytes(sheet.to_csv())
    check = check_file(tmp_path / "batch.csv")
    assert check.accepted
    rows = {(row["run_id"], row["endpoint"]): row for row in check.rows.to_pylist()}
    assert len(rows) == 8
    assert rows["1", "t_first_ice"]["time_lower_s"] == 600.125
    assert rows["2", "t_first_ice"]["time_lower_s"] == 599.625
    assert rows["2", "t_first_ice"]["time_upper_s"] == 899.5
    assert rows["1", "t_solid"]["water_mass_start_g"] == 100.25
    assert rows["4", "t_solid"]["exclusion_reason"] == NEVER_LOOKED
    assert rows["1", "t_solid"]["remark"] == '=1+1, "quoted"; fan on'
    assert {row["lab_id"] for row in rows.values()} == {"Quarry Lane"}
    assert [rows[str(v), "t_solid"]["insertion_order"] for v in (1, 2, 3, 4)] == [1, 2, 3, 4]
    # What other programs get holds no formula.
    assert b"\"'=1+1" in sheet.to_download()


def test_what_a_person_should_know_before_storing():
    plan = batch_of().plan
    rules = [fault.rule for fault in make_sheet(batch_of()).faults]
    assert rules == ["nothing-in"]
    bare = make_batch(
        {"id": "cd" * 8, "name": "bare", "vessels": 1},
        planned=[],
        taken=[plan.name],
        lab="Quarry Lane",
        now_ms=BEGAN_MS,
    )
    batch = Batch(bare)
    batch.taps.append((0, Tap(id="0" * 16, batch=bare.id, kind="in", at_ms=0, vessel="1")))
    rules = {fault.rule: fault.severity for fault in make_sheet(batch).faults}
    assert rules == {"no-start-temperature": "error", "never-looked": "note"}
