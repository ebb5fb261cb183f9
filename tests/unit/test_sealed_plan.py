"""What a sealed plan names reaches the verdict: conditions, exclusions, the end of the trials."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import metafreeze as mf
from metafreeze.analysis.challenge import challenge_rows, in_schema
from metafreeze.register.folder.clauses import read_clause, read_condition, read_exclusion
from metafreeze.register.folder.sealing import (
    departures,
    exclude_planned,
    make_plan,
    read_stop,
    sealed,
    stop_kept,
)

PAIR = (80.0, 20.0)
STARTS = (20.0, 20.0, 50.0, 50.0, 80.0, 80.0)


def rows(labs=8, batches=4, *, open_slope=0.02, closed_slope=0.02, seed=3):
    """Every lab has two batches of open vessels and two of closed ones."""
    rng = np.random.default_rng(seed)
    n = labs * batches * len(STARTS)
    start = np.tile(STARTS, labs * batches)
    batch = np.tile(np.repeat(np.arange(batches), len(STARTS)), labs)
    lid = np.where(batch % 2 == 0, "open", "sealed")
    slope = np.where(lid == "open", open_slope, closed_slope)
    time = np.exp(9.5 + slope * (start - 20.0) / 10.0 + rng.normal(0, 0.03, n))
    return in_schema(
        pd.DataFrame(
            {
                "lab_id": np.repeat([f"lab {k}" for k in range(labs)], batches * len(STARTS)),
                "block_id": [f"b{b}" for b in batch],
                "run_id": [f"r{k}" for k in range(n)],
                "endpoint": "t_solid",
                "start_temp_c": start,
                "assignment": "randomised",
                "lid": lid,
                "base_support": "wire",
                "sink_type": "freezer",
                "sink_temp_c": -18.0,
                "water_mass_start_g": 100.0,
                "inner_diameter_mm": 60.0,
                "time_lower_s": time,
                "time_upper_s": time,
            }
        )
    )


def plan(**changes):
    given = {"endpoint": "t_solid", "pair": PAIR, "smallest_effect": 0.05, **changes}
    return sealed(make_plan(**given), rows=0)


def judged(frame, sealed_plan, **more):
    return challenge_rows(frame, endpoint="t_solid", depth="verdict", plan=sealed_plan, **more)


def test_a_condition_of_the_plan_carries_a_verdict_of_its_own():
    frame = rows(open_slope=-0.06, closed_slope=0.05)
    found = judged(frame, plan(conditions=["lid=open", "sink_temp_c<-30", "the tall ones"]))
    assert found.verdict.raw.label == "hotter first, under named conditions"
    assert found.verdict.raw.condition == "lid=open"
    table = found.conditions.set_index("condition")
    assert table.loc["lid=open", "holds"]
    assert table.loc["lid=open", "studies"] == 8
    assert table.loc["lid=open", "interaction_p"] < 0.001
    # One condition could be asked of the rows: no other took a share of the level.
    assert table.loc["lid=open", "level"] == pytest.approx(0.95)
    assert "in words" in table.loc["the tall ones", "note"]
    assert table.loc["sink_temp_c<-30", "note"]


def test_without_a_plan_nobody_asks_for_conditions():
    found = judged(rows(open_slope=-0.06, closed_slope=0.05), {})
    assert found.verdict.raw.label != "hotter first, under named conditions"
    assert found.conditions.empty


def test_more_conditions_need_more():
    frame = rows(open_slope=-0.06, closed_slope=0.05)
    found = judged(frame, plan(conditions=["lid=open", "lid=sealed"])).conditions
    levels = found.set_index("condition")["level"]
    assert sorted(levels) == pytest.approx([0.95, 0.975])
    assert found.set_index("condition").loc["lid=sealed", "holds"] == False  # noqa: E712


def test_planned_exclusions_are_left_out_and_counted():
    frame = rows()
    frame.loc[frame["start_temp_c"].eq(80.0) & frame["lab_id"].eq("lab 1"), "base_support"] = (
        "frost"
    )
    found = judged(frame, plan(exclusions=["base_support=frost", "cracked vessels"]))
    assert found.planned["exclusions"] == {"base_support=frost": 8, "cracked vessels": 0}
    assert found.departures == ()
    assert found.ladder.rungs[0].rows == len(frame) - 8
    unsealed = {"exclusions": ["base_support=frost"]}
    assert exclude_planned(frame, unsealed) is frame


def test_other_exclusions_and_another_end_are_departures():
    frame = rows()
    frame.loc[:2, "exclusion_reason"] = "looked odd"
    found = judged(frame, plan(stopping_rule="after 40 batches"))
    assert found.departures == (
        "3 runs were left out for reasons that the plan does not name: looked odd (3).",
        "The plan was to end at 40 batches; this answers from 32.",
    )


@pytest.mark.parametrize(
    ("rule", "stop"),
    [
        ("after 30 batches", ("batches", 30)),
        ("at the latest after 1 batch", ("batches", 1)),
        ("when 200 runs are in", ("runs", 200)),
        ("12 labs", ("labs", 12)),
        ("when the ice melts", None),
        ("", None),
    ],
)
def test_a_stopping_rule_is_read(rule, stop):
    assert read_stop(rule) == stop


def test_looks_cap_the_verdict_unless_the_end_was_sealed_and_kept():
    frame = rows(open_slope=-0.1, closed_slope=-0.1)
    assert judged(frame, {}).verdict.raw.label == "hotter first"
    seen = judged(frame, {}, looks=2)
    assert seen.verdict.raw.label == "cannot tell"
    assert "looked at before the end" in seen.verdict.raw.because
    assert "cannot be unseen" in seen.needed["raw"]
    kept = judged(frame, plan(stopping_rule="after 32 batches"), looks=2)
    assert kept.verdict.raw.label == "hotter first"
    broken = judged(frame, plan(stopping_rule="after 10 batches"), looks=2)
    assert broken.verdict.raw.label == "cannot tell"
    assert judged(frame, plan(), looks=2).verdict.raw.label == "cannot tell"
    assert not stop_kept({"stopping_rule": "after 32 batches"}, {"batches": 32})


def sheet(folder, name, lab, batches):
    frame = rows(labs=1, batches=batches)
    frame = frame.assign(
        lab=lab,
        minutes=(frame["time_upper_s"] / 60).round(2),
        run=[f"{name}{k}" for k in range(len(frame))],
    )
    path = folder / f"{name}.csv"
    frame[["lab", "block_id", "run", "start_temp_c", "minutes"]].rename(
        columns={
            "block_id": "batch",
            "run": "vessel",
            "start_temp_c": "start temperature (°C)",
            "minutes": "freeze time (min)",
        }
    ).to_csv(path, index=False)
    return path


def test_a_look_is_interim_only_where_its_own_lab_went_on(tmp_path):
    register = mf.create_register(tmp_path / "r", primary_endpoint="t_solid")
    register.add(sheet(tmp_path, "first", "barn", 4))
    before = mf.challenge(register, depth="verdict", pair=PAIR)
    assert before.looks == 0
    mf.challenge(register, depth="verdict", pair=PAIR)
    looks = [e.entry.kind for e in register.history().past].count("look")
    assert looks == 1, "the same rows were seen twice, which is one look"
    register.add(sheet(tmp_path, "elsewhere", "mill", 5))
    assert register.interim_looks("t_solid") == 0, "another lab does not know"
    register.add(sheet(tmp_path, "more", "barn", 6))
    assert register.interim_looks("t_solid") == 1
    assert register.interim_looks("t_zero") == 0
    after = mf.challenge(register, depth="verdict", pair=PAIR)
    assert after.looks == 1
    assert after.verdict.raw.label == "cannot tell"


def test_a_clause_holds_where_it_is_known_to():
    frame = rows(labs=1)
    frame.loc[0, "lid"] = None
    clause = read_clause("lid != sealed")
    assert clause is not None
    assert clause.holds(frame).sum() == frame["lid"].eq("open").sum()
    cold = read_clause("sink_temp_c <= -18")
    assert cold is not None and cold.holds(frame).all()
    assert read_clause("only on Sundays") is None


@pytest.mark.parametrize(
    ("read", "text", "words"),
    [
        (read_clause, "colour=red", 'names the field "colour", which there is not'),
        (read_clause, "sink_temp_c<cold", 'compares sink_temp_c with "cold". Write a number'),
        (read_clause, "lid<open", "Use = or != with lid"),
        (read_clause, "lid=cork", 'lid is never "cork". It is one of open'),
        (read_condition, "supercooling_k>5", "is not set before the run"),
        (read_exclusion, "trigger_event=knock", "selects on the outcome"),
        (read_exclusion, "time_upper_s>9000", "selects on the outcome"),
    ],
)
def test_a_wrong_clause_says_what_is_wrong(read, text, words):
    with pytest.raises(mf.InputError) as refused:
        read(text)
    assert words in str(refused.value)


def test_a_plan_with_a_wrong_clause_is_not_sealed():
    with pytest.raises(mf.InputError, match="selects on the outcome"):
        plan(exclusions=["trigger_event=knock"])


def test_planned_words_count_as_planned():
    kept = plan(exclusions=["Cracked vessels"])
    asked = {"endpoint": "t_solid", "pair": PAIR, "smallest_effect": 0.05, "covariates": ()}
    assert departures(kept, **asked, left_out={"cracked vessels": 2}) == ()
