"""A plan fixed before the data, its seal, and what is done otherwise."""

import json
import tomllib

import pytest

import metafreeze as mf
from metafreeze.cli.main import answer
from metafreeze.register.folder.sealing import SEAL, departures, make_plan, seal_of, sealed


@pytest.fixture
def register(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert answer(["new", "winter", "--endpoint", "t_solid"]) == 0
    return tmp_path / "winter"


def test_the_plan_and_its_seal_stand_in_register_and_journal(register, capsys):
    capsys.readouterr()
    assert answer(["seal", "winter", "--pair", "20", "80", "--stop", "after 30 batches",
                   "--json"]) == 0  # fmt: skip
    said = json.loads(capsys.readouterr().out)
    plan = tomllib.loads((register / "register.toml").read_text("utf-8"))["plan"]
    assert plan == said["plan"]
    assert plan["pair"] == [80.0, 20.0]
    assert plan["smallest_effect"] == 0.05
    assert plan["seal"] == seal_of(plan)
    assert said["plan"]["seal"] in (register / "journal.jsonl").read_text("utf-8")


def test_a_sealed_plan_is_not_sealed_again(register, capsys):
    assert answer(["seal", "winter", "--pair", "80", "20"]) == 0
    capsys.readouterr()
    assert answer(["seal", "winter", "--pair", "90", "10"]) == 1
    assert "sealed already" in capsys.readouterr().err
    assert mf.open_register(register).plan["pair"] == [80.0, 20.0]


def test_a_consequence_is_no_planned_covariate(register, capsys):
    assert answer(["seal", "winter", "--pair", "80", "20", "--adjust", "supercooling_k"]) == 1
    assert '"supercooling_k" is no design field' in capsys.readouterr().err
    assert SEAL not in mf.open_register(register).plan


KEPT = {
    "endpoint": "t_solid",
    "pair": (80.0, 20.0),
    "smallest_effect": 0.05,
    "covariates": ("lid",),
}
OTHERWISE = [
    ({"endpoint": "t_zero"}, "named the endpoint t_solid; this answers t_zero"),
    ({"pair": (90.0, 20.0)}, "named 80 and 20 °C; this answers 90 and 20 °C"),
    ({"smallest_effect": 0.1}, "smallest effect of interest is not the planned one"),
    ({"covariates": ()}, "not what was planned, but nothing"),
]


def sealed_plan(rows=0):
    return sealed(
        make_plan(endpoint="t_solid", pair=(80, 20), smallest_effect=0.05, covariates=["lid"]),
        rows=rows,
    )


def test_a_plan_that_was_kept_has_no_departures():
    assert departures(sealed_plan(), **KEPT) == ()


@pytest.mark.parametrize(("change", "words"), OTHERWISE, ids=lambda v: str(v)[:20])
def test_each_departure_is_named(change, words):
    (said,) = departures(sealed_plan(), **{**KEPT, **change})
    assert words in said


def test_a_plan_changed_by_hand_breaks_its_seal():
    plan = {**sealed_plan(), "smallest_effect": 0.2}
    said = departures(plan, **{**KEPT, "smallest_effect": 0.2})
    assert said == ("The plan was changed after it was sealed: its seal does not fit its words.",)


def test_rows_before_the_seal_are_told():
    (said,) = departures(sealed_plan(rows=12), **KEPT)
    assert "held rows already" in said


def test_a_rule_in_words_is_said_to_be_for_people(register, capsys):
    asked = ["seal", "winter", "--pair", "80", "20"]
    assert answer([*asked, "--condition", "lid=open", "--exclude", "cracked vessels"]) == 0
    said = capsys.readouterr().out
    assert "In words only, so printed and not looked up in the rows: “cracked vessels”." in said
    assert "“lid=open”" not in said


def test_a_rule_that_selects_on_the_outcome_is_not_sealed(register, capsys):
    assert answer(["seal", "winter", "--pair", "80", "20", "--exclude", "supercooling_k>5"]) == 1
    assert "selects on the outcome" in capsys.readouterr().err
    assert SEAL not in mf.open_register(register).plan


def trials(path, batches):
    """Write a sheet of batches of six vessels, three of them open."""
    lines = ["lab,batch,vessel,start temperature (°C),freeze time (min),lid"]
    for batch in batches:
        for place, start in enumerate((20, 50, 80, 20, 50, 80)):
            minutes = 200 + 0.6 * start + 3 * ((7 * batch + 5 * place) % 4)
            lid = "open" if place < 3 else "sealed"
            lines.append(f"barn,{batch},v{batch}-{place},{start},{minutes:g},{lid}")
    path.write_text("\n".join(lines) + "\n", "utf-8")
    return str(path)


def test_the_report_says_what_was_planned_what_was_kept_and_who_looked(register, tmp_path, capsys):
    asked = ["seal", "winter", "--pair", "80", "20", "--stop", "after 8 batches"]
    assert answer([*asked, "--condition", "lid=open"]) == 0
    assert answer(["add", "winter", trials(tmp_path / "a.csv", range(5))]) == 0
    assert answer(["challenge", "winter"]) == 0
    capsys.readouterr()
    assert answer(["add", "winter", trials(tmp_path / "a.csv", range(7))]) == 0
    capsys.readouterr()
    assert answer(["challenge", "winter"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "A plan was sealed, and not kept in everything." in said
    assert "The plan was to end at 8 batches; this answers from 7." in said
    assert "Trials were to end: after 8 batches." in said
    assert "The answer was seen 1 time before the last runs of the same lab." in said
    assert "lid=open" in said
    assert "results were looked at before the end without a sealed stopping rule" in said.lower()
    assert answer(["add", "winter", trials(tmp_path / "a.csv", range(8))]) == 0
    capsys.readouterr()
    assert answer(["challenge", "winter", "--json"]) == 0
    kept = json.loads(capsys.readouterr().out)["challenge"]
    assert kept["departures"] == []
    assert kept["looks"] == 2
    assert kept["verdict"]["raw"]["label"] == "cooler first"
    assert answer(["history", "winter"]) == 0
    assert capsys.readouterr().out.count("look") >= 3
