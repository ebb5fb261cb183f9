"""`metafreeze plan` as it is typed: the sentence first, no number where none would do."""

import json
import re

import pytest

from metafreeze.cli.main import answer
from metafreeze.reporting.plan_page import plan_page
from metafreeze.reporting.tracing import numbers_without_result


def page_of(capsys, *words, code=0):
    assert answer(["plan", "--simulations", "20", *words]) == code
    return re.sub(r"\s+", " ", capsys.readouterr().out)


def test_the_first_sentence_says_what_would_be_noticed(capsys):
    page = page_of(capsys, "--vessels", "6", "--batches", "2")
    assert page.startswith(
        "Plan ==== With 6 vessels in 2 batches you would notice 8.7 %, not 5 %: that much less time"
    )
    assert "in this freezer" in page
    assert "takes 6 batches of 6 vessels" in page
    assert "scatter by 5 %" in page


def test_enough_runs_notice_what_matters(capsys):
    page = page_of(capsys, "--vessels", "12", "--batches", "10")
    assert "and so also 5 %" in page


def test_the_wrong_side_and_too_few_labs_get_a_sentence(capsys):
    page = page_of(capsys, "--effect", "-5")
    assert "no number of runs would show it sooner" in page
    assert "takes" not in page
    page = page_of(capsys, "--labs", "3")
    assert "cannot be made to show" in page and "however many batches" in page
    page = page_of(capsys, "--labs", "3", "--effect", "1", "--disagreement", "40")
    assert "Nor with any number of labs that could be had" in page


def test_one_pair_ends_with_three(capsys):
    page = page_of(capsys, "--vessels", "2", "--batches", "1", code=3)
    assert "shows no scatter" in page


@pytest.mark.parametrize("words", [(), ("--labs", "4"), ("--effect", "-5"), ("--power", "90")])
def test_every_number_on_the_page_is_a_result(words, capsys):
    assert answer(["plan", "--simulations", "20", "--json", *words]) == 0
    said = json.loads(capsys.readouterr().out)
    assert numbers_without_result(plan_page(said["plan"]), said, {}) == ()


def test_a_register_gives_scatter_and_start(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    lines = ["lab,batch,run,start temperature (°C),fully frozen (min)"]
    for batch in range(1, 7):
        for k, (start, minutes) in enumerate(((20, 250), (70, 272), (20, 255), (70, 262))):
            lines.append(f"Invented shed,{batch},{k},{start},{minutes + 3 * batch % 7}")
    (tmp_path / "trials.csv").write_text("\n".join(lines) + "\n", "utf-8")
    page = page_of(capsys, "trials.csv", "--endpoint", "t_solid")
    assert "Together with the 24 runs there are" in page
    assert "Taken as your own runs show" in page
    assert "70 °C than at 20 °C" in page


def test_an_empty_register_is_planned_for(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert answer(["new", "winter", "--endpoint", "t_first_ice"]) == 0
    assert answer(["seal", "winter", "--pair", "70", "30", "--smallest-effect", "20"]) == 0
    capsys.readouterr()
    page = page_of(capsys, "winter")
    assert "showed first ice" in page
    assert "70 °C than at 30 °C" in page and "20 %" in page
    assert "scatter by 12 %" in page
