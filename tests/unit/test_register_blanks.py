"""What a sheet does not say: its endpoint, its lab, and whether it is invented."""

from __future__ import annotations

import tomllib

import pytest
from checked_sheets import run, runs, take

from metafreeze.errors import InputError
from metafreeze.options import ENDPOINT_WORDS
from metafreeze.register.answers import Answers
from metafreeze.register.folder.store import create_register


@pytest.fixture
def register(tmp_path):
    return create_register(tmp_path / "winter")


def silent(count: int, **more):
    """Give runs whose sheet does not say which event was timed."""
    return [row | {"endpoint": None} for row in runs(count, **more)]


def refusal(register, folder, rows, **more) -> InputError:
    with pytest.raises(InputError) as refused:
        take(register, folder, rows, **more)
    assert register.history().to_frame().empty or register.damage == ()
    return refused.value


def labs(register) -> list[str]:
    return register.rows()["lab_id"].fillna("").tolist()


def test_the_endpoint_is_asked_once_and_then_known(tmp_path, register):
    (question,) = refusal(register, tmp_path, silent(3)).questions
    assert question.rule == "endpoint"
    assert question.message.startswith("What did you call frozen? 3 rows do not say")
    for name, words in ENDPOINT_WORDS.items():
        assert f"{name} ({words})" in question.remedy
    take(register, tmp_path, silent(3), answers=Answers(endpoint="t_first_ice"))
    assert register.primary_endpoint == "t_first_ice"
    content = tomllib.loads((register.path / "register.toml").read_text("utf-8"))
    assert content["primary_endpoint"] == "t_first_ice"
    take(register, tmp_path, silent(4))
    assert register.rows()["endpoint"].tolist() == ["t_first_ice"] * 4


def test_a_later_answer_holds_for_its_file_only(tmp_path):
    register = create_register(tmp_path / "winter", primary_endpoint="t_solid", lab="k")
    take(register, tmp_path, silent(1), answers=Answers(endpoint="t_zero"))
    take(register, tmp_path, silent(1, first=3), name="b.csv")
    assert register.rows()["endpoint"].tolist() == ["t_zero", "t_solid"]
    assert register.primary_endpoint == "t_solid"


def test_an_endpoint_in_the_sheet_is_never_overwritten(tmp_path, register):
    rows = [*silent(1), run(80, 100.0, run_id="Z", endpoint="t_zero")]
    take(register, tmp_path, rows, answers=Answers(endpoint="t_solid"))
    assert register.rows()["endpoint"].tolist() == ["t_solid", "t_zero"]


def test_the_first_unlabelled_sheet_stays_so_and_may_grow(tmp_path, register):
    take(register, tmp_path, runs(2), name="a.csv")
    take(register, tmp_path, runs(3), name="a.csv")
    assert labs(register) == [""] * 3
    assert register.rows()["source_id"].unique().tolist() == ["a.csv"]


def test_a_second_unlabelled_sheet_is_asked_about(tmp_path, register):
    take(register, tmp_path, runs(2), name="a.csv")
    (question,) = refusal(register, tmp_path, runs(2, first=5), name="b.csv").questions
    assert question.rule == "lab"
    assert question.message == ("It names no lab, and neither does a.csv. Are both from one lab?")
    assert question.remedy == "--lab same if they are; --lab NAME for the lab of b.csv if not"


def test_the_same_lab_pools_both_sheets_and_is_remembered(tmp_path, register):
    take(register, tmp_path, runs(2), name="a.csv")
    take(register, tmp_path, runs(2, first=5), name="b.csv", answers=Answers(lab="same"))
    take(register, tmp_path, runs(2, first=9), name="c.csv")
    rows = register.rows()
    study = rows["lab_id"].fillna(rows["source_id"])
    assert study.unique().tolist() == ["a.csv"]
    assert register.lab == "a.csv"
    entry = take(register, tmp_path, runs(3), name="again.csv")
    assert (entry.new, entry.already_there) == (1, 2), "runs R1 and R2 of that lab are known"


def test_another_lab_stands_beside_the_unlabelled_one_and_a_note_says_so(tmp_path, register):
    take(register, tmp_path, runs(2), name="a.csv")
    entry = take(
        register, tmp_path, runs(2, remark="b"), name="b.csv", answers=Answers(lab="garage")
    )
    assert labs(register) == ["", "", "garage", "garage"]
    assert register.lab == "", "garage is the lab of b.csv, not of this register"
    (note,) = entry.notes
    assert "those of a.csv (e0001) stay a lab of their own, “a.csv”" in note.message
    assert "--lab same" in note.remedy
    assert refusal(register, tmp_path, runs(3), name="c.csv").questions[0].rule == "lab"


def test_a_lab_answered_with_the_first_sheet_is_the_register_s(tmp_path, register):
    take(register, tmp_path, runs(2), name="a.csv", answers=Answers(lab="north kitchen"))
    assert register.lab == "north kitchen"
    entry = take(register, tmp_path, runs(2, first=4), name="b.csv")
    assert labs(register) == ["north kitchen"] * 4
    assert [n.message for n in entry.notes] == [
        "It names no lab; its rows stand under “north kitchen”, as those of earlier sheets"
    ]
    take(register, tmp_path, runs(1), name="c.csv", answers=Answers(lab="garage"))
    assert register.lab == "north kitchen"
    assert labs(register)[-1] == "garage"


def test_a_lab_that_the_way_in_filled_in_is_remembered_too(tmp_path, register):
    rows = runs(2, lab_id="north kitchen")
    take(register, tmp_path, rows, answers=Answers(lab="north kitchen"))
    assert register.lab == "north kitchen"


def test_a_sheet_taken_back_does_not_leave_its_lab_behind(tmp_path, register):
    take(register, tmp_path, runs(2), name="a.csv")
    take(register, tmp_path, runs(2, first=5), name="b.csv", answers=Answers(lab="garage"))
    register.undo("e0002")
    error = refusal(register, tmp_path, runs(2, first=5), name="b.csv")
    assert [f.rule for f in error.questions] == ["lab"]


def test_the_same_as_nothing_is_refused(tmp_path, register):
    error = refusal(register, tmp_path, runs(2), answers=Answers(lab="same"))
    assert "There is no earlier sheet without a lab, so it cannot be the same" in str(error)


def test_a_publication_needs_no_lab(tmp_path, register):
    take(register, tmp_path, runs(2), name="a.csv")
    take(register, tmp_path, runs(2, source_id="Invented Review 12"), name="b.csv")
    take(register, tmp_path, runs(2, lab_id="garage"), name="c.csv")
    assert labs(register) == ["", "", "", "", "garage", "garage"]


def test_a_blank_lab_beside_others_is_unknown_and_not_the_register_s(tmp_path):
    register = create_register(tmp_path / "winter", lab="north kitchen")
    rows = [*runs(2, lab_id="A"), *runs(2, first=2)]
    take(register, tmp_path, rows)
    assert labs(register) == ["A", "A", "", ""]
    take(register, tmp_path, runs(1, first=9), name="b.csv")
    assert labs(register)[-1] == "north kitchen"


def test_two_unlabelled_sheets_of_one_call_are_asked_about(tmp_path, register):
    from checked_sheets import write_sheet

    sheets = [write_sheet(tmp_path, runs(2, first=k), name=f"{k}.csv") for k in (0, 2)]

    def add(answers):
        return register._take(
            [(check, answers, ()) for check, _ in sheets],
            [path for _, path in sheets],
            answers=answers,
            replace=False,
        )

    with pytest.raises(InputError, match=r"neither does 0.csv. Are both from one lab"):
        add(Answers())
    add(Answers(lab="same"))
    rows = register.rows()
    assert rows["lab_id"].fillna(rows["source_id"]).unique().tolist() == ["0.csv"]


@pytest.mark.parametrize("first", [True, False])
def test_invented_and_real_rows_never_share_a_register(tmp_path, register, first):
    take(register, tmp_path, runs(2, invented=first or None), name="a.csv")
    assert register.invented is first
    rows = runs(2, first=3, invented=not first)
    error = refusal(register, tmp_path, rows, name="b.csv", answers=Answers(lab="x"))
    (fault,) = (f for f in error.faults if f.severity == "error")
    words = ("real", "invented") if first else ("invented", "real")
    assert fault.message == f"Its rows are {words[0]}, and the register holds {words[1]} ones"
    assert "metafreeze new" in fault.remedy


def test_a_mixed_sheet_is_refused(tmp_path, register):
    rows = [*runs(1, invented=True), *runs(1, first=1)]
    error = refusal(register, tmp_path, rows)
    assert "It holds invented rows and real ones" in str(error)


def test_undo_does_not_mix_invented_and_real_rows(tmp_path, register):
    take(register, tmp_path, runs(1, invented=True), name="a.csv")
    register.undo("e0001")
    take(register, tmp_path, runs(1), name="b.csv")
    with pytest.raises(InputError, match=r"would put invented rows and real ones into one"):
        register.undo("e0002")


def test_all_open_questions_come_at_once(tmp_path, register):
    take(register, tmp_path, runs(2), name="a.csv")
    error = refusal(register, tmp_path, silent(2, first=5), name="b.csv")
    assert {f.rule for f in error.questions} == {"endpoint", "lab"}
