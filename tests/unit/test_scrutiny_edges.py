"""The challenge at the ends of its ranges: closed forms, counted deals, whole refusals."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import permutations

import numpy as np
import pytest
from scipy import optimize

from metafreeze.errors import InputError
from metafreeze.results import FloatArray
from metafreeze.scrutiny.choices import LAB, ONE_LINE, Material, many_analyses
from metafreeze.scrutiny.hidden import (
    adjust_for_hidden,
    e_value,
    robustness_value,
    shares_as_strong_as,
)
from metafreeze.scrutiny.imputation import choose_donors
from metafreeze.scrutiny.ladder import slope_through
from metafreeze.scrutiny.measured import measure_causes
from metafreeze.scrutiny.mediation import fit_paths, mediate, product_limits
from metafreeze.scrutiny.needed import trials_needed
from metafreeze.scrutiny.roles import judge_covariates
from metafreeze.scrutiny.sham import compare_sham
from metafreeze.scrutiny.shape import fit_shape
from metafreeze.scrutiny.shuffle import null_scores, shuffle_test
from metafreeze.scrutiny.verdict import PhysicsVerdict, RawVerdict

# Sums of a few dozen products, in another order.
ROUNDING = 1e-10


def rng() -> np.random.Generator:
    return np.random.default_rng(7)


REFUSALS: list[tuple[Callable[[], object], str]] = [
    (
        lambda: robustness_value(1.0, 0.0, 10),
        "se is 0.0. Give a standard error above zero.",
    ),
    (
        lambda: adjust_for_hidden(1.0, 0.1, 10, share_of_treatment=1.0, share_of_outcome=0.1),
        "share_of_treatment is 1.0. Give a share from 0 to below 1.",
    ),
    (
        lambda: shares_as_strong_as(times=3.0, share_of_treatment=0.4, share_of_outcome=0.1),
        "A cause 3 times as strong would explain more than all of start temperature. "
        "Ask for a smaller multiple.",
    ),
    (
        lambda: many_analyses(material(), rng=rng(), shuffles=10),
        "shuffles is 10. Give at least 50.",
    ),
    (
        lambda: product_limits(1.0, 0.0, 1.0, 0.1),
        "Standard errors are 0.0 and 0.1. Both must be above zero.",
    ),
    (
        lambda: fit_paths([1, 2, 1, 2], [2, 4, 2, 4], [1, 2, 3, 4], [0, 0, 1, 1]),
        "Treatment and consequence do not vary apart from each other within the blocks, or "
        "the rows are too few. Give more runs in which they differ.",
    ),
    (
        lambda: trials_needed(
            0.1, studies=4, blocks=8, runs=40, margin=0.0, margin_words="a tenth"
        ),
        "margin is 0.0. Give a log ratio above zero.",
    ),
    (
        lambda: judge_covariates(
            ["colour"], roles={"lid": "design", "remark": "note"}, labels={"lid": "lid"}
        ),
        'There is no field "colour". Design covariates are: lid.',
    ),
    (
        lambda: compare_sham([1.0, 2.0], ["A"], [1, 1]),
        "y, label and block differ in length. Give one value a row in each.",
    ),
    (
        lambda: fit_shape([20.0, 80.0], [1.0], [0, 0], rng=rng()),
        "start_c, y and block have shapes (2,), (1,) and (2,). Give one value a row in each.",
    ),
]


@pytest.mark.parametrize(("call", "message"), REFUSALS, ids=[m[:40] for _, m in REFUSALS])
def test_what_cannot_be_asked_is_refused_whole(call: Callable[[], object], message: str) -> None:
    with pytest.raises(InputError) as caught:
        call()
    assert str(caught.value) == message


def share_left(y: FloatArray, cause: FloatArray, *others: FloatArray) -> float:
    """Partial R² of a cause by two regressions."""
    base = np.column_stack(others) if others else np.zeros((y.size, 1))
    before = y - base @ np.linalg.lstsq(base, y, rcond=None)[0]
    full = np.column_stack([base, cause])
    after = y - full @ np.linalg.lstsq(full, y, rcond=None)[0]
    return 1.0 - float(after @ after) / float(before @ before)


@pytest.mark.parametrize("times", [1.0, 2.0])
def test_a_cause_so_many_times_as_strong_reaches_its_bound(times: float) -> None:
    # Orthogonal columns: a measured cause, a hidden one with so many times its share of the
    # treatment, and rest. The hidden one's tie to the outcome is tuned until its share is so
    # many times the measured one's; in its worse direction the bound is then met exactly.
    measured, hidden, rest, noise = np.eye(4)
    share = 0.2
    treatment = (
        math.sqrt(share) * measured
        + math.sqrt(times * share) * hidden
        + math.sqrt(1 - share - times * share) * rest
    )

    def outcome(tie: float) -> FloatArray:
        return np.asarray(treatment + 0.6 * measured + tie * hidden + noise)

    def gap(tie: float) -> float:
        y = outcome(tie)
        return share_left(y, hidden, treatment) - times * share_left(y, measured, treatment)

    ties = [t for t in np.linspace(-6, 6, 400) if gap(t) * gap(t + 0.03) < 0]
    reached = []
    for tie in ties:
        y = outcome(optimize.brentq(gap, tie, tie + 0.03, xtol=1e-14))
        of_treatment, of_outcome = shares_as_strong_as(
            times=times,
            share_of_treatment=share_left(treatment, measured),
            share_of_outcome=share_left(y, measured, treatment),
        )
        assert of_treatment == pytest.approx(share_left(treatment, hidden, measured), rel=1e-9)
        true = share_left(y, hidden, measured, treatment)
        assert true <= of_outcome * (1 + 1e-9)
        reached.append(true / of_outcome)
    assert max(reached) == pytest.approx(1.0, rel=1e-8)


def test_hidden_causes_are_told_as_a_table_and_in_a_line() -> None:
    # f² = t²/df = 4; robustness value (sqrt(16 + 16) - 4)/2 = 0.828.
    strength = robustness_value(2.0, 0.1, 100)
    assert strength.headline() == (
        "a hidden cause would have to explain 82.8 % of what is left of start temperature and of "
        "time to explain the effect away"
    )
    assert strength.to_frame()["quantity"].tolist() == [
        "partial_r2",
        "robustness_value",
        "robustness_value_at_level",
    ]
    # Shares of zero leave the estimate; one degree of freedom is spent.
    same = adjust_for_hidden(2.0, 0.1, 100, share_of_treatment=0.0, share_of_outcome=0.0)
    assert same.to_frame().iloc[0][["estimate", "df"]].tolist() == [2.0, 99]
    assert same.headline() == "adjusted effect 2.00 (1.80 to 2.20)"
    # 2 + sqrt(2 (2 - 1)) for a ratio of 2.
    risk = e_value(2.0, low=1.5, high=3.0)
    assert risk.to_frame()["e_value"].tolist() == pytest.approx(
        [2 + math.sqrt(2), 1.5 + math.sqrt(0.75)]
    )
    assert risk.headline() == "E-value 3.41, 2.37 for the nearer limit"
    assert math.isnan(e_value(2.0).value_of_limit)
    assert e_value(2.0, low=0.9, high=3.0).value_of_limit == 1.0


def test_verdicts_are_told_as_one_row() -> None:
    raw = RawVerdict(
        label="cannot tell", because="x", place="in this freezer", condition="", rule=1
    )
    assert raw.to_frame().iloc[0]["place"] == "in this freezer"
    assert raw.headline() == "cannot tell in this freezer: x"
    physics = PhysicsVerdict(label="cannot tell", because="y")
    assert physics.to_frame()["because"].tolist() == ["y"]


def test_a_line_needs_a_spread_and_a_row_to_spare() -> None:
    one = np.array([1.0, 2.0])
    assert np.isnan(slope_through(one, one)).all()
    assert np.isnan(slope_through(np.ones(5), np.arange(5.0))).all()


def test_a_cause_that_is_the_treatment_itself_has_no_place() -> None:
    x = np.array([0.0, 1.0, 2.0, 0.0, 1.0, 2.0])
    y = x + np.array([0.1, -0.1, 0.05, -0.02, 0.0, 0.03])
    other = np.array([1.0, 0.0, 1.0, 0.0, 0.0, 1.0])
    found = measure_causes(x, y, [0, 0, 0, 1, 1, 1], {"itself": x[:, None], "lid": other[:, None]})
    assert "itself" not in found.causes.iloc[:, 0].tolist()


def test_a_consequence_that_follows_exactly_is_not_split() -> None:
    x = np.tile([0.0, 1.0, 2.0], 12)
    y = x + np.random.default_rng(2).normal(0, 0.1, x.size)
    found = mediate(x, 3 * x, y, np.repeat(np.arange(12), 3), through="mass", units=6.0, rng=rng())
    assert found.status == "unidentifiable"
    assert found.note == "it follows from the start temperature exactly"


def test_one_sham_pair_says_nothing() -> None:
    found = compare_sham([1.0, 2.0, 3.0], ["A", "B", "A"], [1, 1, 2])
    assert found.note == "fewer than two batches hold both labels" and found.pairs == 1


def test_a_shape_needs_runs_and_says_what_it_found() -> None:
    few = fit_shape([20.0, 80.0, 20.0, 80.0], [1.0, 2.0, 1.0, 2.0], [0, 0, 1, 1], rng=rng())
    assert few.headline() == "shape: the runs are too few for a curve"
    # Every degree a level of its own: the pairs are taken over evenly spaced ones.
    starts = np.tile(np.arange(20.0, 80.0), 4)
    blocks = np.repeat(np.arange(4), 60)
    scatter = np.random.default_rng(1).normal(0, 0.01, starts.size)
    sooner = fit_shape(starts, -0.01 * starts + scatter, blocks, rng=rng())
    assert len(sooner.pairs) < 60 * 59 / 2
    assert sooner.reversed_hot_c > sooner.reversed_cold_c
    assert sooner.headline() == (
        f"reversal: {sooner.reversed_hot_c:.1f} °C before {sooner.reversed_cold_c:.1f} °C"
    )
    later = fit_shape(starts, 0.01 * starts + scatter, blocks, rng=rng())
    assert later.headline() == f"no reversal among {len(later.pairs)} pairs"


def test_whole_batches_of_single_vessels_are_dealt_by_count() -> None:
    # One lab, four batches of one vessel each: six ways to deal two hot and two cold ones.
    x, y = np.array([2.0, 2.0, 8.0, 8.0]), np.array([1.0, 1.1, 2.0, 2.3])
    found = shuffle_test(x, y, np.arange(4), lab=np.zeros(4, dtype=int), rng=rng())
    slopes = [np.polyfit(p, y, 1)[0] for p in set(permutations(x.tolist()))]
    assert found.exact and found.deals == 6 == len(slopes)
    assert found.slope == pytest.approx(np.polyfit(x, y, 1)[0], rel=ROUNDING)
    far = sum(abs(s) >= abs(found.slope) * (1 - 1e-9) for s in slopes)
    assert found.p == pytest.approx(far / 6)
    assert found.whole_batches == 4


def test_batches_that_a_lab_all_set_alike_say_nothing() -> None:
    same = shuffle_test(
        np.full(4, 2.0), np.arange(4.0), np.arange(4), lab=np.zeros(4, dtype=int), rng=rng()
    )
    assert same.status == "unidentifiable"
    assert same.headline() == f"shuffle test does not apply: {same.note}"


def test_times_all_known_alike_have_themselves_as_scores() -> None:
    lower, upper = np.array([1.0, 1.0, 1.0]), np.array([1.0, 1.0, np.inf])
    scores = null_scores(lower, upper, [0, 0, 0])
    np.testing.assert_array_equal(scores[:2], 1.0)
    assert scores[2] >= 1.0


def test_donors_of_a_single_cluster_are_rows_that_were_known() -> None:
    value = np.arange(30.0)
    there = np.ones(30, dtype=bool)
    there[[3, 17]] = False
    (donor,) = choose_donors(
        [value[:, None]], [there], value[:, None], np.zeros(30, dtype=np.int64), rng=rng()
    )
    np.testing.assert_array_equal(donor[there], np.flatnonzero(there))
    assert there[donor].all()
    # Its neighbours on the line are the likeliest donors.
    assert np.abs(donor[[3, 17]] - [3, 17]).max() <= 10


def material(
    *, x: FloatArray | None = None, rows: FloatArray | None = None, dealt: bool = True
) -> Material:
    """Give two labs of three batches of four vessels, with a slope of 0.1 per 10 K."""
    start = np.tile([2.0, 2.0, 8.0, 8.0], 6) if x is None else x
    block = np.repeat(np.arange(6), 4)
    noise = np.random.default_rng(4).normal(0, 0.02, start.size)
    return Material(
        x=start,
        y=9.0 + 0.1 * start + 0.05 * block + noise,
        study=np.repeat([0, 1], 12),
        block=block,
        dealt=np.full(start.size, dealt),
        rows={
            "all": np.ones(start.size, dtype=bool),
            "none": np.zeros(start.size, dtype=bool),
        },
        covariates={"lid": np.tile([0.0, 1.0], 12)[:, None]},
        curvature=np.zeros(start.size),
        units=6.0,
    )


def test_many_analyses_leave_out_empty_choices_and_may_be_a_sample() -> None:
    made = material()
    found = many_analyses(made, rng=rng(), shuffles=60, workers=1)
    assert set(found.analyses["rows"]) == {"all"}
    plain = found.analyses.query(
        "`alike in` == 'nothing else' and `compared within` == 'batch' and scale == 'ln time'"
        f" and weights == '{ONE_LINE}' and form == 'straight line'"
    )
    centred = made.x - 5.0
    slope = float(centred @ made.y) / float(centred @ centred)
    assert plain["estimate"].item() == pytest.approx(6.0 * slope, rel=ROUNDING)
    assert LAB in set(found.analyses["compared within"])
    assert found.headline().startswith(f"{len(found.analyses)} analyses, median ")
    some = many_analyses(made, rng=rng(), shuffles=60, most=12, workers=1)
    assert 0 < len(some.analyses) <= 12


def test_one_start_everywhere_leaves_nothing_to_analyse() -> None:
    found = many_analyses(
        material(x=np.full(24, 2.0), dealt=False), rng=rng(), shuffles=60, workers=1
    )
    assert found.analyses.empty and found.moves.empty
    assert found.headline() == (
        "many analyses: start temperatures do not vary within batches or labs"
    )
