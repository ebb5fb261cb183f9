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
