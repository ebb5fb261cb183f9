"""Open questions are asked at a terminal, once each, and only there."""

import io
import sys

import pytest

from metafreeze.cli.main import answer


@pytest.fixture
def at_terminal(monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    lines = ["start_C,freeze_min"] + [f"{20 + 60 * (i % 2)},{40 + i / 10:.1f}" for i in range(8)]
    (tmp_path / "trials.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")

    def typing(text):
        keyboard = io.StringIO(text)
        keyboard.isatty = lambda: True
        monkeypatch.setattr(sys, "stdin", keyboard)

    return typing


def test_the_endpoint_is_asked_once_and_remembered(at_terminal, capsys):
    at_terminal("5\n")
    assert answer(["new", "mine"]) == 0
    assert answer(["add", "mine", "trials.csv"]) == 0
    said = capsys.readouterr()
    assert "What did you call frozen?" in said.out + said.err
    at_terminal("")
    assert answer(["add", "mine", "trials.csv"]) == 0
    assert "already there" in capsys.readouterr().out


def test_the_number_names_the_event(at_terminal):
    from metafreeze.register.folder.store import open_register

    at_terminal("3\n")
    assert answer(["new", "mine"]) == 0
    assert answer(["add", "mine", "trials.csv"]) == 0
    assert open_register("mine").primary_endpoint == "t_first_ice"


def test_giving_up_at_the_question_stores_nothing(at_terminal):
    from metafreeze.register.folder.store import open_register

    at_terminal("")
    assert answer(["new", "mine"]) == 0
    assert answer(["add", "mine", "trials.csv"]) == 130
    assert len(open_register("mine").rows()) == 0
