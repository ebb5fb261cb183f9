"""Answers given once are offered again to files of the same shape."""

from __future__ import annotations

from dataclasses import replace

import pytest
from checked_sheets import runs, write_sheet

from metafreeze.errors import Fault, InputError
from metafreeze.register.answers import Answers
from metafreeze.register.folder import store
from metafreeze.register.folder.store import create_register

QUESTION = Fault(rule="unknown-heading", message="What is “t”?", severity="question")
DIALECT = Fault(rule="decimal", message="Point or comma?", severity="question")


class WayIn:
    """Stands for checking a file: asks for what its `needs` name until it is answered."""

    def __init__(self, monkeypatch, needs: dict[str, Fault]) -> None:
        self.needs = needs
        self.calls: list[Answers] = []
        self.sheets: dict[str, tuple] = {}
        monkeypatch.setattr(store, "check_file", self)

    def sheet(self, folder, name: str, first: int, shape: str = "f00"):
        check, path = write_sheet(folder, runs(2, first=first), name=name, shape=shape)
        self.sheets[path] = check
        return path

    def __call__(self, path, *, answers):
        self.calls.append(answers)
        open_ = tuple(fault for name, fault in self.needs.items() if not getattr(answers, name))
        return replace(self.sheets[path], findings=open_, accepted=not open_)


@pytest.fixture
def register(tmp_path):
    return create_register(tmp_path / "winter", lab="north kitchen")


def test_a_mapping_is_asked_once_for_a_shape(tmp_path, register, monkeypatch):
    way_in = WayIn(monkeypatch, {"mapping": QUESTION})
    first = way_in.sheet(tmp_path, "a.csv", 0)
    with pytest.raises(InputError, match=r"What is “t”\?"):
        register.add(first)
    answers = Answers(mapping={"t": "time_upper_s"}, lab="north kitchen", same_as="new")
    register.add(first, answers=answers)
    assert {(a.lab, a.same_as) for a in way_in.calls} == {("", "")}, "the register settles these"
    entry = register.add(way_in.sheet(tmp_path, "b.csv", 5))
    assert entry.id == "e0002"
    (note,) = (n for n in entry.notes if n.rule == "remembered")
    assert note.message == "Read as the last file with these headings: “t” is time_upper_s"
    with pytest.raises(InputError, match=r"What is “t”\?"):
        register.add(way_in.sheet(tmp_path, "c.csv", 9, shape="other"))


def test_a_new_answer_wins_over_a_remembered_one(tmp_path, register, monkeypatch):
    way_in = WayIn(monkeypatch, {"mapping": QUESTION})
    register.add(way_in.sheet(tmp_path, "a.csv", 0), answers=Answers(mapping={"t": "remark"}))
    given = Answers(mapping={"t": "time_upper_s"})
    register.add(way_in.sheet(tmp_path, "b.csv", 5), answers=given)
    assert way_in.calls[-1].mapping == {"t": "time_upper_s"}
    assert register.remembered_answers("f00").mapping == {"t": "time_upper_s"}


def test_a_dialect_is_only_taken_over_where_the_file_leaves_it_open(
    tmp_path, register, monkeypatch
):
    way_in = WayIn(monkeypatch, {"decimal": DIALECT})
    register.add(way_in.sheet(tmp_path, "a.csv", 0), answers=Answers(decimal=","))
    entry = register.add(way_in.sheet(tmp_path, "b.csv", 5))
    assert way_in.calls[-1].decimal == ","
    assert [n.message for n in entry.notes if n.rule == "remembered"] == [
        "Read as the last file with these headings: decimal ,"
    ]
    way_in.needs = {}
    entry = register.add(way_in.sheet(tmp_path, "c.csv", 9))
    assert way_in.calls[-1].decimal == "", "this file says itself what its marks mean"
    assert [n.rule for n in entry.notes] == ["lab"]


def test_several_files_report_their_faults_together(tmp_path, register, monkeypatch):
    way_in = WayIn(monkeypatch, {"mapping": QUESTION, "decimal": DIALECT})
    paths = [way_in.sheet(tmp_path, f"{k}.csv", 3 * k) for k in range(2)]
    with pytest.raises(InputError) as refused:
        register.add(paths)
    assert [f.rule for f in refused.value.questions] == ["unknown-heading", "decimal"] * 2
    assert register.history().to_frame().empty


def test_questions_of_the_register_come_with_those_of_the_file(tmp_path, monkeypatch):
    register = create_register(tmp_path / "winter")
    way_in = WayIn(monkeypatch, {"mapping": QUESTION})
    check, path = write_sheet(tmp_path, [r | {"endpoint": None} for r in runs(2)])
    way_in.sheets[path] = check
    with pytest.raises(InputError) as refused:
        register.add(path)
    assert [f.rule for f in refused.value.questions] == ["unknown-heading", "endpoint"]


@pytest.mark.parametrize(
    ("kind", "match"),
    [
        ("trace", r"It is a temperature trace, not a sheet of trials. logger.csv. metafreeze curv"),
        ("unknown", r"It could not be read as trials. logger.csv. metafreeze check logger.csv"),
    ],
)
def test_what_is_no_sheet_of_trials_is_refused(tmp_path, register, monkeypatch, kind, match):
    way_in = WayIn(monkeypatch, {})
    path = way_in.sheet(tmp_path, "logger.csv", 0)
    way_in.sheets[path] = replace(way_in.sheets[path], kind=kind)
    monkeypatch.setattr(
        store, "check_file", lambda p, *, answers: replace(way_in.sheets[p], accepted=False)
    )
    with pytest.raises(InputError, match=match):
        register.add(path)
    assert register.rows().empty
