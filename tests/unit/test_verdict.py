"""The rule of the two verdicts, line by line."""

import math
from typing import get_args

import pytest

from metafreeze.errors import InputError
from metafreeze.options import PhysicsLabel, RawLabel
from metafreeze.scrutiny.verdict import (
    PHYSICS_CHANGES,
    RAW_CHANGES,
    Condition,
    Effect,
    Evidence,
    judge_physics,
    judge_raw,
    wider,
)

DELTA = math.log1p(0.05)
NEGATIVE = Effect(estimate=-0.12, low=-0.18, high=-0.06, low90=-0.17, high90=-0.07)
AROUND_ZERO = Effect(estimate=0.01, low=-0.08, high=0.10, low90=-0.07, high90=0.09)
TIGHT = Effect(estimate=0.0, low=-0.03, high=0.03, low90=-0.025, high90=0.025)
POSITIVE = Effect(estimate=0.14, low=0.08, high=0.20, low90=0.09, high90=0.19)


def evidence(**changes):
    given = {
        "status": "ok",
        "studies": 8,
        "blocks": 24,
        "naive": NEGATIVE,
        "total": NEGATIVE,
        "excess": Effect(estimate=-0.26, low=-0.32, high=-0.20),
        "baseline": 0.14,
        "each_without": (-0.11, -0.12, -0.10),
        "shuffle_p": 0.001,
    }
    return Evidence(**(given | changes))


@pytest.mark.parametrize(
    ("changes", "rule", "label"),
    [
        ({"status": "failed"}, 0, "cannot tell"),
        ({"blocks": 4}, 0, "cannot tell"),
        ({"unsealed_looks": 1}, 0, "cannot tell"),
        ({}, 1, "hotter first"),
        ({"status": "boundary"}, 1, "hotter first"),
        ({"shuffle_p": math.nan}, 1, "hotter first"),
        ({"shuffle_p": 0.2}, 6, "cannot tell"),
        ({"each_without": (-0.11, -0.01)}, 6, "cannot tell"),
        (
            {"baseline": -0.11, "excess": Effect(estimate=-0.01, low=-0.06, high=0.04)},
            2,
            "hotter first, under named conditions",
        ),
        ({"total": AROUND_ZERO}, 3, "apparent only"),
        ({"total": TIGHT, "naive": TIGHT}, 4, "no difference"),
        ({"total": POSITIVE, "naive": POSITIVE}, 5, "cooler first"),
        ({"total": AROUND_ZERO, "naive": AROUND_ZERO}, 6, "cannot tell"),
    ],
)
def test_the_first_line_that_matches_decides(changes, rule, label):
    verdict = judge_raw(evidence(**changes))
    assert (verdict.rule, verdict.label) == (rule, label)


def test_a_small_but_certain_effect_is_not_clear():
    small = Effect(estimate=-DELTA / 2, low=-0.04, high=-0.01, low90=-0.038, high90=-0.012)
    assert judge_raw(evidence(total=small, naive=small)).label == "no difference"


def test_an_effect_that_one_study_carries_is_only_apparent():
    wide = Effect(estimate=-0.10, low=-0.40, high=0.20, low90=-0.35, high90=0.15)
    verdict = judge_raw(evidence(total=wide, each_without=(0.13, -0.12)))
    assert verdict.label == "apparent only"


def test_the_step_that_took_most_away_is_named():
    verdict = judge_raw(evidence(total=AROUND_ZERO, largest_step="batch"))
    assert "batch" in verdict.because


def test_one_lab_speaks_of_its_freezer_and_needs_no_other():
    verdict = judge_raw(evidence(studies=1, each_without=()))
    assert verdict.label == "hotter first"
    assert verdict.place == "in this freezer"


def test_a_named_condition_of_the_plan():
    condition = Condition(
        name="open pans",
        studies=3,
        effect=NEGATIVE,
        each_without=(-0.10, -0.11),
        excess=Effect(estimate=-0.2, low=-0.3, high=-0.1),
        interaction_p=0.01,
    )
    verdict = judge_raw(evidence(total=AROUND_ZERO, naive=AROUND_ZERO, conditions=(condition,)))
    assert (verdict.rule, verdict.condition) == (2, "open pans")


def test_no_smallest_effect_is_refused():
    with pytest.raises(InputError, match=r"above zero, such as 0\.05"):
        judge_raw(evidence(smallest_effect=0.0))


@pytest.mark.parametrize(
    ("excess", "label"),
    [
        (NEGATIVE, "sooner than physics"),
        (POSITIVE, "later than physics"),
        (TIGHT, "nothing beyond ordinary physics"),
        # Alike is asked at 5 % a side: the 90 % interval decides, where there is one.
        (
            Effect(estimate=0.05, low=-0.005, high=0.105, low90=0.004, high90=0.096),
            "nothing beyond ordinary physics",
        ),
        (Effect(estimate=0.05, low=-0.005, high=0.105), "cannot tell"),
        (Effect(estimate=0.0, low=-0.2, high=0.2), "cannot tell"),
        (Effect(estimate=math.nan, low=math.nan, high=math.nan), "cannot tell"),
    ],
)
def test_the_physics_verdict_reads_the_excess_alone(excess, label):
    assert judge_physics(excess, smallest_effect=0.05, status="ok").label == label


def test_the_wider_interval_stands():
    narrow = Effect(estimate=0.1, low=0.05, high=0.15)
    broad = Effect(estimate=0.1, low=-0.1, high=0.3)
    missing = Effect(estimate=0.1, low=math.nan, high=math.nan)
    assert wider([narrow, broad, missing]).low == -0.1


def test_every_verdict_says_what_would_change_it_but_one_that_cannot_tell():
    for labels, changes in ((RawLabel, RAW_CHANGES), (PhysicsLabel, PHYSICS_CHANGES)):
        assert set(changes) == set(get_args(labels))
        assert [label for label, words in changes.items() if not words] == ["cannot tell"]
