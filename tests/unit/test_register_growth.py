"""Growing and corrected sheets: already there, new, changed."""

from __future__ import annotations

import random

import numpy as np
import pytest
from checked_sheets import run, runs, take, write_sheet

from metafreeze.errors import InputError
from metafreeze.register.answers import Answers
from metafreeze.register.folder.codes import pair_rows, repeats, round_digits
from metafreeze.register.folder.store import create_register


@pytest.fixture
def register(tmp_path):
    return create_register(tmp_path / "winter", lab="north kitchen")


def refusal(register, folder, rows, **more) -> InputError:
    with pytest.raises(InputError) as refused:
        take(register, folder, rows, **more)
    return refused.value


@pytest.mark.parametrize("named", [True, False])
def test_a_sheet_that_grew_and_was_corrected(tmp_path, register, named):
    take(register, tmp_path, runs(15, named=named))
    grown = runs(20, named=named)
    grown[3] |= {"time_lower_s": 2500.0, "time_upper_s": 2500.0}
    before = register.rows()
    (fault,) = refusal(register, tmp_path, grown).faults
    assert fault.message == "time_upper_s changed, 2421 → 2500; e0001 holds the old value"
    assert (fault.rule, fault.severity, fault.value) == ("changed", "error", "2500.0")
    assert (fault.location.file, fault.location.row) == ("trials.csv", 5)
    assert fault.location.column == "time_upper_s"
    assert fault.location.run == ("R4" if named else "")
    assert fault.remedy.startswith("--replace if these are corrections")
    assert register.rows().equals(before), "nothing was stored"
    entry = take(register, tmp_path, grown, replace=True)
    assert (entry.new, entry.already_there, entry.changed) == (5, 14, 1)
    assert [n.severity for n in entry.notes] == ["note"]
    rows = register.rows().sort_values("file_row")
    assert rows["time_upper_s"].tolist() == [r["time_upper_s"] for r in grown]


@pytest.mark.parametrize("named", [True, False])
def test_an_unchanged_sheet_writes_nothing(tmp_path, register, named):
    take(register, tmp_path, runs(4, named=named))
    before = {p: p.read_bytes() for p in register.path.rglob("*") if p.is_file()}
    entry = take(register, tmp_path, runs(4, named=named))
    assert (entry.id, entry.already_there, entry.new) == ("", 4, 0)
    assert entry.headline() == "Nothing new in trials.csv: 4 rows already there."
    assert before == {p: p.read_bytes() for p in register.path.rglob("*") if p.is_file()}


@pytest.mark.parametrize("named", [True, False])
def test_rounding_in_a_conversion_is_no_change(tmp_path, register, named):
    take(register, tmp_path, [run(80.0, 2472.0, **({"run_id": "R1"} if named else {}))])
    converted = 80.0 * (1 + 3e-16)
    assert converted != 80.0
    again = run(converted, 41.2 * 60, as_reported="176 °F", derived="")
    again |= {"run_id": "R1"} if named else {}
    assert take(register, tmp_path, [again]).id == ""


def test_a_change_in_the_ninth_digit_is_one(tmp_path, register):
    take(register, tmp_path, [run(80.0, 2472.0, run_id="R1")])
    assert len(refusal(register, tmp_path, [run(80.0, 2472.0001, run_id="R1")]).faults) == 1


def test_every_changed_cell_is_listed_with_its_place(tmp_path, register):
    take(register, tmp_path, runs(12))
    changed = runs(12)
    for row in changed:
        row["start_temp_c"] += 1
    changed[0]["remark"] = "wobbled"
    changed[1]["time_upper_s"] = None
    error = refusal(register, tmp_path, changed)
    assert [(f.location.row, f.location.column) for f in error.faults] == [
        (2, "start_temp_c"),
        (2, "remark"),
        (3, "start_temp_c"),
        (3, "time_upper_s"),
        *[(row, "start_temp_c") for row in range(4, 14)],
    ]
    assert "remark changed, empty → wobbled" in str(error.faults[1])
    assert "time_upper_s changed, 2407 → empty" in str(error.faults[3])
    assert str(error).endswith("and 4 more.")


def test_bounds_that_change_apart_are_both_listed(tmp_path, register):
    take(register, tmp_path, [run(80, 100.0, run_id="R1", time_upper_s=200.0)])
    error = refusal(register, tmp_path, [run(80, 120.0, run_id="R1", time_upper_s=220.0)])
    assert [f.location.column for f in error.faults] == ["time_lower_s", "time_upper_s"]


def test_run_numbers_that_restart_in_each_lab_and_batch_are_different_runs(tmp_path, register):
    sheet = [
        run(20 + k, 2000.0 + k, run_id=str(number), lab_id=lab, block_id=batch)
        for k, (lab, batch, number) in enumerate(
            (lab, batch, number) for lab in "AB" for batch in "12" for number in range(6)
        )
    ]
    assert take(register, tmp_path, sheet[:12]).new == 12
    entry = take(register, tmp_path, sheet, name="other.csv")
    assert (entry.new, entry.already_there) == (12, 12)


def test_outcomes_of_one_run_are_told_apart(tmp_path, register):
    def crossings(*thresholds):
        return [
            run(80, 100.0 * t, run_id="R1", endpoint="t_threshold", threshold_c=t, file_row=2)
            for t in thresholds
        ] + [run(80, 5000.0, run_id="R1", file_row=2)]

    take(register, tmp_path, crossings(20.0, 10.0))
    entry = take(register, tmp_path, crossings(20.0, 10.0, 4.0))
    assert (entry.new, entry.already_there) == (1, 3)
    assert take(register, tmp_path, crossings(2.0)[:1], name="late.csv").new == 1


def test_a_corrected_detail_of_an_endpoint_is_a_change(tmp_path, register):
    for named in ({"run_id": "R1"}, {}):
        name = f"{len(named)}.csv"
        first = run(80, 700.0, endpoint="t_threshold", threshold_c=40.0, **named)
        other = run(80, 900.0, endpoint="t_zero", **named, file_row=2)
        take(register, tmp_path, [first, other], name=name)
        error = refusal(register, tmp_path, [first | {"threshold_c": 4.0}, other], name=name)
        assert [f.location.column for f in error.faults] == ["threshold_c"], name


def test_a_corrected_batch_is_a_change_and_not_a_second_run(tmp_path, register):
    take(register, tmp_path, runs(6, block_id="1"))
    corrected = runs(6, block_id="1")
    corrected[5]["block_id"] = "2"
    assert [f.location.column for f in refusal(register, tmp_path, corrected).faults] == [
        "block_id"
    ]
    entry = take(register, tmp_path, corrected, replace=True)
    assert (entry.new, entry.changed) == (0, 1)
    assert register.rows()["block_id"].tolist() == ["1"] * 5 + ["2"]


def test_the_same_file_name_with_other_runs_brings_new_rows(tmp_path, register):
    take(register, tmp_path, runs(5, block_id="monday"), name="data.csv")
    other = [row | {"time_lower_s": 1.0 + k} for k, row in enumerate(runs(5, block_id="tuesday"))]
    entry = take(register, tmp_path, other, name="data.csv")
    assert (entry.new, entry.changed) == (5, 0)
    assert [note.rule for note in entry.notes] == ["vanished"]
    assert (
        entry.notes[0].message
        == "5 rows that e0001 holds of this sheet are not in it now; the register keeps them"
    )


def test_a_lab_added_later_is_a_change_and_not_a_second_run(tmp_path):
    register = create_register(tmp_path / "unlabelled")
    take(register, tmp_path, runs(3))
    error = refusal(register, tmp_path, runs(3), answers=Answers(lab="north kitchen"))
    assert [f.location.column for f in error.faults] == ["lab_id"] * 3
    assert "lab_id changed, empty → north kitchen" in error.faults[0].message
    take(register, tmp_path, runs(3), answers=Answers(lab="north kitchen"), replace=True)
    assert register.rows()["lab_id"].tolist() == ["north kitchen"] * 3


def test_lines_inserted_and_sorted_in_a_sheet_without_run_ids(tmp_path, register):
    sheet = runs(9, named=False)
    take(register, tmp_path, sheet)
    inserted = [*sheet[:4], run(99, 9.0), *sheet[4:]]
    entry = take(register, tmp_path, inserted)
    assert (entry.new, entry.already_there, entry.changed) == (1, 9, 0)
    shuffled = list(inserted)
    random.Random(5).shuffle(shuffled)
    assert take(register, tmp_path, shuffled).id == ""


def test_equal_rows_of_a_sheet_without_run_ids_are_counted(tmp_path, register):
    take(register, tmp_path, [run(80, 2400.0)] * 2)
    entry = take(register, tmp_path, [run(80, 2400.0)] * 3)
    assert (entry.new, entry.already_there) == (1, 2)
    assert len(register.rows()) == 3


def test_run_ids_given_later_are_changes_of_the_same_rows(tmp_path, register):
    take(register, tmp_path, runs(3, named=False))
    error = refusal(register, tmp_path, runs(3))
    assert [f.location.column for f in error.faults] == ["run_id"] * 3


def test_rows_that_left_the_sheet_stay_and_are_mentioned(tmp_path, register):
    take(register, tmp_path, runs(5))
    entry = take(register, tmp_path, runs(6)[1:])
    assert (entry.new, entry.already_there) == (1, 4)
    (note,) = entry.notes
    assert note.message == (
        "1 row that e0001 holds of this sheet is not in it now; the register keeps it"
    )
    assert len(register.rows()) == 6


def test_a_copy_under_another_name_is_asked_about(tmp_path, register):
    take(register, tmp_path, runs(6, named=False), name="trials.csv")
    grown = runs(8, named=False)
    (question,) = refusal(register, tmp_path, grown, name="trials (1).csv").questions
    assert question.rule == "same-sheet"
    assert question.message.startswith("Most of its rows are those of trials.csv (e0001).")
    assert '--same-as "trials.csv"' in question.remedy
    copy = Answers(same_as="trials.csv")
    entry = take(register, tmp_path, grown, name="trials (1).csv", answers=copy)
    assert (entry.new, entry.already_there) == (2, 6)
    assert register.rows()["source_id"].unique().tolist() == ["trials.csv"]
    grown.append(run(70, 4.0))
    entry = take(register, tmp_path, grown, name="trials (1).csv")
    assert (entry.new, entry.already_there) == (1, 8), "the new name is known from now on"


def test_another_sheet_that_looks_alike_is_counted_again_if_told(tmp_path, register):
    take(register, tmp_path, runs(6, named=False), name="a.csv")
    entry = take(
        register, tmp_path, runs(6, named=False), name="b.csv", answers=Answers(same_as="new")
    )
    assert (entry.new, entry.already_there) == (6, 0)
    assert len(register.rows()) == 12


def test_an_equal_file_under_another_name_is_known_by_its_bytes(tmp_path, register):
    take(register, tmp_path, runs(4, named=False), name="a.csv")
    assert take(register, tmp_path, runs(4, named=False), name="copy of a.csv").id == ""


def test_a_new_sheet_of_a_known_name_can_be_told_apart(tmp_path, register):
    take(register, tmp_path, runs(4, named=False), name="data.csv")
    other = [run(50 + k, 1000.0 + k) for k in range(4)]
    error = refusal(register, tmp_path, other, name="data.csv")
    assert "--same-as new if this is another sheet of the same name" in error.faults[0].remedy
    new = Answers(same_as="new")
    assert take(register, tmp_path, other, name="data.csv", answers=new).new == 4
    assert take(register, tmp_path, other, name="data.csv").id == "", "the more alike one is meant"
    assert take(register, tmp_path, runs(4, named=False), name="data.csv").id == ""


def test_an_unknown_earlier_file_is_named(tmp_path, register):
    take(register, tmp_path, runs(2, named=False), name="a.csv")
    error = refusal(register, tmp_path, runs(3), name="b.csv", answers=Answers(same_as="c.csv"))
    assert "No file c.csv was taken in" in str(error)
    assert "--same-as takes new or one of: a.csv" in str(error)


def test_an_undone_sheet_comes_in_again_as_new(tmp_path, register):
    take(register, tmp_path, runs(4))
    register.undo("e0001")
    entry = take(register, tmp_path, runs(5))
    assert (entry.id, entry.new) == ("e0003", 5)


def test_many_rows_are_matched_together(tmp_path, register):
    count = 3000
    take(register, tmp_path, runs(count, named=False))
    changed = runs(count + 10, named=False)
    for row in changed[100:200]:
        row["water_mass_start_g"] = 100.0
    entry = take(register, tmp_path, changed, replace=True)
    assert (entry.new, entry.already_there, entry.changed) == (10, count - 100, 100)
    assert len(register.rows()) == count + 10
    assert register.rows()["water_mass_start_g"].notna().sum() == 100


def test_pairing_takes_the_first_with_the_first():
    old = np.array([7, 5, 7, 9], dtype=np.uint64)
    new = np.array([7, 7, 7, 5], dtype=np.uint64)
    assert repeats(old).tolist() == [0, 0, 1, 0]
    old_at, new_at = pair_rows(old, new)
    assert list(zip(old_at.tolist(), new_at.tolist(), strict=True)) == [(0, 0), (2, 1), (1, 3)]
    old_at, new_at = pair_rows(old, new, only_unique=True)
    assert list(zip(old_at.tolist(), new_at.tolist(), strict=True)) == [(1, 3)]
    empty = np.empty(0, dtype=np.uint64)
    assert [a.size for a in pair_rows(empty, new)] == [0, 0]


def test_rounding_keeps_nine_digits():
    numbers = np.array(
        [0.0, -0.0, 1 / 3, 80.00000000000001, -1e-300, 5e-324, np.inf, 123456789123.0]
    )
    rounded = round_digits(numbers).tolist()
    assert rounded[:4] == [0.0, 0.0, 0.333333333, 80.0]
    assert rounded[6:] == [np.inf, 123456789000.0]
    assert not np.signbit(rounded[1])
    assert np.isfinite(rounded[:6]).all()


def take_together(register, folder, *sheets, answers=None):
    """Take several sheets in by one call."""
    made = [write_sheet(folder, rows, name=name) for name, rows in sheets]
    given = answers or Answers()
    checked = [(check, given, ()) for check, _ in made]
    return register._take(checked, [path for _, path in made], answers=given, replace=False)


def test_copies_in_one_call_are_not_counted_twice(tmp_path, register):
    same = runs(6, named=False)
    entry = take_together(register, tmp_path, ("a.csv", same), ("copy of a.csv", same))
    assert (entry.new, entry.already_there) == (6, 6)
    assert register.ledger().totals["already there"] == 6


def test_look_alikes_in_one_call_are_asked_about(tmp_path, register):
    sheets = ("a.csv", runs(6, named=False)), ("a (1).csv", runs(7, named=False))
    with pytest.raises(InputError, match=r"Most of its rows are those of a\.csv\. Is it a later"):
        take_together(register, tmp_path, *sheets)
    entry = take_together(register, tmp_path, *sheets, answers=Answers(same_as="a.csv"))
    assert (entry.new, entry.already_there) == (7, 6)


def test_files_of_one_name_from_two_folders_are_two_sheets(tmp_path, register):
    other = [run(50 + k, 9.0 + k) for k in range(6)]
    one = write_sheet(tmp_path / "x", runs(6, named=False), name="data.csv")
    two = write_sheet(tmp_path / "y", other, name="data.csv")
    entry = register._take(
        [(check, Answers(), ()) for check, _ in (one, two)],
        [path for _, path in (one, two)],
        answers=Answers(),
        replace=False,
    )
    assert entry.new == 12
    assert take(register, tmp_path / "y", [*other, run(70, 1.0)], name="data.csv").new == 1
