"""Two registers become one: nothing doubled, nothing overwritten unasked."""

from __future__ import annotations

import pytest
from checked_sheets import run, runs, take

from metafreeze.errors import InputError, RegisterError
from metafreeze.register.answers import Answers
from metafreeze.register.folder.store import create_register


@pytest.fixture
def mine(tmp_path):
    register = create_register(tmp_path / "mine", lab="north kitchen")
    take(register, tmp_path / "sheets", runs(6), name="a.csv")
    return register


@pytest.fixture
def theirs(tmp_path):
    return create_register(tmp_path / "theirs", lab="garage", primary_endpoint="t_solid")


def key(register) -> list[tuple[str, str]]:
    rows = register.rows()
    return list(zip(rows["lab_id"].fillna(""), rows["run_id"].fillna(""), strict=True))


def test_another_lab_s_rows_come_in_with_their_files(tmp_path, mine, theirs):
    take(theirs, tmp_path / "other", runs(3), name="a.csv")
    entry = mine.merge(theirs)
    assert (entry.kind, entry.new, entry.files) == ("merge", 3, ("a.csv",))
    assert key(mine)[6:] == [("garage", "R1"), ("garage", "R2"), ("garage", "R3")]
    assert mine.primary_endpoint == "t_solid", "the first endpoint known becomes the register's"
    listed = mine.sources().to_frame()
    assert listed["state"].tolist() == ["kept", "kept"]
    assert mine.damage == ()
    assert mine.ledger().totals["used"] == 9
    again = mine.merge(theirs)
    assert (again.id, again.already_there) == ("", 3)
    mine.undo("e0002")
    assert len(mine.rows()) == 6


@pytest.mark.parametrize("named", [True, False])
def test_a_copy_that_went_its_own_way_is_not_doubled(tmp_path, named):
    one, two = (create_register(tmp_path / n, lab="north kitchen") for n in ("one", "two"))
    take(one, tmp_path, runs(6, named=named), name="a.csv")
    take(two, tmp_path, runs(6, named=named), name="a.csv")
    take(two, tmp_path, runs(8, named=named), name="a.csv")
    entry = one.merge(two)
    assert (entry.new, entry.already_there, entry.changed) == (2, 6, 0)
    assert len(one.rows()) == 8


def test_a_copy_under_another_name_is_recognised(tmp_path):
    one, two = (create_register(tmp_path / n, lab="north kitchen") for n in ("one", "two"))
    take(one, tmp_path, runs(6, named=False), name="a.csv")
    take(two, tmp_path, runs(7, named=False), name="renamed.csv")
    entry = one.merge(two)
    assert (entry.new, entry.already_there) == (1, 6)
    assert [n.rule for n in entry.notes] == ["same-sheet"]


def test_rows_that_differ_are_listed_and_refused(tmp_path, mine):
    other = create_register(tmp_path / "other", lab="north kitchen")
    corrected = runs(7)
    corrected[2] |= {"time_lower_s": 99.0, "time_upper_s": 99.0}
    take(other, tmp_path, corrected, name="b.csv")
    with pytest.raises(InputError, match=r"time_upper_s changed, 2414 → 99; e0001 holds"):
        mine.merge(other)
    assert len(mine.rows()) == 6
    entry = mine.merge(other, replace=True)
    assert (entry.new, entry.already_there, entry.changed) == (1, 5, 1)
    assert sorted(mine.rows()["time_upper_s"]) == sorted(r["time_upper_s"] for r in corrected)


def test_sheets_of_one_name_are_not_one_sheet(tmp_path):
    one, two = (create_register(tmp_path / n) for n in ("one", "two"))
    take(one, tmp_path / "x", runs(4, named=False), name="trials.csv")
    take(two, tmp_path / "y", [run(50 + k, 9.0 + k) for k in range(4)], name="trials.csv")
    with pytest.raises(InputError, match=r"names no lab, and neither does trials.csv") as refused:
        one.merge(two)
    assert len(refused.value.questions) == 1
    entry = one.merge(two, answers=Answers(lab="garage"))
    assert (entry.new, entry.changed) == (4, 0)
    assert one.rows()["lab_id"].fillna("").tolist() == [""] * 4 + ["garage"] * 4


def test_the_lab_of_this_register_is_not_given_to_others_rows_unasked(tmp_path, mine):
    other = create_register(tmp_path / "other")
    take(other, tmp_path / "y", [run(50, 9.0, run_id="X")], name="trials.csv")
    with pytest.raises(InputError, match=r"It names no lab. Is it from “north kitchen”"):
        mine.merge(other)
    mine.merge(other, answers=Answers(lab="north kitchen"))
    assert key(mine)[-1] == ("north kitchen", "X")


def test_two_unlabelled_sheets_settled_elsewhere_are_not_asked_about(tmp_path):
    one, two = (create_register(tmp_path / n) for n in ("one", "two"))
    take(two, tmp_path, runs(2), name="a.csv")
    take(two, tmp_path, runs(2, first=5), name="b.csv", answers=Answers(lab="same"))
    entry = one.merge(two)
    rows = one.rows()
    assert entry.new == 4
    assert rows["lab_id"].fillna(rows["source_id"]).unique().tolist() == ["a.csv"]


def test_only_what_shows_is_merged(tmp_path, mine, theirs):
    take(theirs, tmp_path / "o", runs(3), name="a.csv")
    corrected = runs(4)
    corrected[0] |= {"time_lower_s": 99.0, "time_upper_s": 99.0}
    take(theirs, tmp_path / "o", corrected, name="a.csv", replace=True)
    take(theirs, tmp_path / "o", runs(2, first=20), name="b.csv")
    theirs.undo("e0003")
    entry = mine.merge(theirs)
    assert (entry.new, entry.files) == (4, ("a.csv",))
    merged = mine.rows().iloc[6:]
    assert sorted(merged["time_upper_s"]) == [99, 2407, 2414, 2421]


def test_an_empty_register_brings_nothing(mine, theirs):
    assert mine.merge(theirs).id == ""


def test_a_register_is_not_merged_into_itself(mine):
    with pytest.raises(InputError, match=r"cannot be merged into itself. Name another one"):
        mine.merge(mine)


def test_a_damaged_part_of_the_other_stops_the_merge(tmp_path, mine, theirs):
    take(theirs, tmp_path / "o", runs(3), name="a.csv")
    part = theirs.path / "rows" / "e0001.parquet"
    part.write_bytes(part.read_bytes()[:-9])
    with pytest.raises(RegisterError, match=r"rows/e0001.parquet is damaged"):
        mine.merge(theirs)
    assert len(mine.rows()) == 6


def test_a_lost_copy_is_told_and_the_rows_come_all_the_same(tmp_path, mine, theirs):
    take(theirs, tmp_path / "o", runs(3), name="a.csv")
    for path in (theirs.path / "sources").iterdir():
        path.unlink()
    assert mine.merge(theirs).new == 3
    assert mine.sources().to_frame()["state"].tolist() == ["kept", "none"]
    assert mine.damage == ()
