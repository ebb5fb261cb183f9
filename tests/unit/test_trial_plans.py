"""What a plan says, and what it refuses to put a number to."""

import math

import numpy as np
import pandas as pd
import pytest

import metafreeze as mf
from metafreeze.errors import InputError
from metafreeze.planning.power import TrialDesign, effect_power, equivalence_power, half_width
from metafreeze.planning.simulate import Scatter
from metafreeze.planning.simulated_power import simulate_power

SCATTER = Scatter(run_sd=0.05, batch_sd=0.07, lab_sd=0.3, slope_sd_per_10k=0.01)
BOUND = math.log1p(0.05)
# Beyond this many standard errors of a share lies one simulation in fifteen thousand.
FOUR = 4.0


def error(power, n):
    return FOUR * math.sqrt(power * (1.0 - power) / n)


@pytest.mark.parametrize(
    "design",
    [
        TrialDesign(vessels=6, batches=5),
        TrialDesign(vessels=5, batches=4),
        TrialDesign(vessels=2, batches=12),
        TrialDesign(vessels=6, batches=4, labs=8),
    ],
)
def test_simulation_agrees_with_the_closed_form(design):
    n = 800
    found = simulate_power(design, SCATTER, -0.05, bound=BOUND, simulations=n, seed=4)
    assert found.failed == 0 and found.fits == n
    effect = effect_power(design, SCATTER, -0.05)
    assert found.power("effect")[0] == pytest.approx(effect, abs=error(effect, n))
    alike = equivalence_power(design, SCATTER, 0.0, bound=BOUND)
    assert found.power("equivalence")[0] == pytest.approx(alike, abs=error(alike, n))
    # The half width's median lies near the one with known variance, below it.
    assert 0.85 < found.half_width / half_width(design, SCATTER) < 1.02
    # The partner that must fail: half the scatter.
    wrong = effect_power(design, Scatter(run_sd=0.025, slope_sd_per_10k=0.005), -0.05)
    assert abs(found.power("effect")[0] - wrong) > error(wrong, n)


def test_one_lab_is_asked_about_itself():
    """How labs differ plays no part with one lab, and does with two or more."""
    alone = mf.plan_trials(simulations=1, between_labs_sd=0.5)
    assert alone.noticeable == mf.plan_trials(simulations=1, between_labs_sd=0.0).noticeable
    many, alike = (
        mf.plan_trials(simulations=50, labs=5, between_labs_sd=sd).noticeable for sd in (0.5, 0.0)
    )
    assert many > alike


def test_more_of_anything_notices_no_less():
    table = mf.plan_trials(labs=4, simulations=1).to_frame()
    for axis in ("vessels", "batches"):
        lines = table[table["along"].isin(["design", axis])].sort_values(axis)
        assert (np.diff(lines["noticeable_closed"]) < 0).all()
        assert len(lines) == 4
    labs = table[(table["labs"] > 1) & table["along"].isin(["design", "labs"])].sort_values("labs")
    assert (np.diff(labs["noticeable_closed"]) < 0).all()


def test_with_three_labs_and_few_runs_the_first_sentence_rests_on_the_careful_fit():
    plan = mf.plan_trials(labs=3, batches=2, between_labs_sd=0.0, simulations=40)
    line = plan.to_frame().iloc[0]
    assert plan.noticeable == line["noticeable"] > line["noticeable_closed"]


def test_the_noticeable_effect_is_noticed_by_as_many_simulations_as_it_says():
    design, n = TrialDesign(vessels=6, batches=2, labs=3), 200
    more = {"bound": BOUND, "simulations": n, "seed": 5}
    size = simulate_power(design, SCATTER, -0.05, power=0.7, **more).noticeable
    again = simulate_power(design, SCATTER, -size * (1 + 1e-9), **more)
    assert again.power("effect")[0] == pytest.approx(0.7, abs=1 / n)


@pytest.mark.parametrize("effect", [0.0, -0.1])
def test_an_effect_on_the_wrong_side_gets_no_number(effect):
    plan = mf.plan_trials(effect=effect, simulations=2)
    assert plan.reason == "wrong side"
    assert math.isnan(plan.batches_needed) and math.isnan(plan.labs_needed)
    table = plan.to_frame()
    assert table[["effect_closed", "effect_simulated", "new_lab_closed"]].isna().all(axis=None)
    assert table["equivalence_closed"].notna().any()


def test_too_few_labs_get_no_number_of_batches():
    plan = mf.plan_trials(labs=3, simulations=2)
    assert plan.reason == "not with this many labs"
    assert math.isnan(plan.batches_needed)
    assert plan.labs_needed > 3
    never = mf.plan_trials(labs=3, simulations=2, effect=0.01, between_labs_sd=0.5)
    assert math.isnan(never.batches_needed) and math.isnan(never.labs_needed)


def test_too_small_an_effect_gets_no_number_of_batches():
    plan = mf.plan_trials(effect=0.0005, simulations=2)
    assert plan.reason == "not with this many batches"
    assert math.isnan(plan.batches_needed)


def test_one_pair_of_vessels_says_nothing():
    plan = mf.plan_trials(vessels=2, batches=1, simulations=2)
    assert plan.status == "unidentifiable"
    assert "shows no scatter" in plan.headline()
    assert math.isnan(plan.noticeable)


def runs(labs=1, batches=8, sd=0.02):
    """Invented runs of labs of which the first alone is asked for by most tests."""
    rng = np.random.default_rng(6)
    start = np.tile([20.0, 80.0, 20.0, 80.0], batches * labs)
    block = np.repeat(np.arange(batches * labs), 4)
    time = 15000.0 * np.exp(0.001 * start + sd * rng.standard_normal(start.size))
    return pd.DataFrame(
        {
            "lab_id": [f"Invented shed {b // batches}" for b in block],
            "block_id": block.astype(str),
            "run_id": [f"r{i}" for i in range(start.size)],
            "start_temp_c": start,
            "sink_temp_c": -18.0,
            "endpoint": "t_solid",
            "time_lower_s": time,
            "time_upper_s": time,
        }
    )


def test_own_runs_give_their_scatter_and_count():
    plan = mf.plan_trials(runs(), simulations=1)
    assert plan.scatter_from == "these runs"
    assert (plan.existing_runs, plan.existing_labs) == (32, 1)
    assert plan.run_sd == pytest.approx(0.02, rel=0.4)
    # Eight batches of four and five of six: information adds, as does what scatter rests on.
    info = 8 * 1.0 + 5 * 1.5
    equal = TrialDesign(vessels=6, batches=1)
    scale = Scatter(run_sd=plan.run_sd)
    se = scale.run_sd / math.sqrt(info)
    assert equal.information == 1.5
    size = -math.log1p(-plan.together)
    # A normal test needs 2.80 errors for 80 %, a t with some fifty degrees of freedom 2.86.
    assert 2.80 < size / se < 2.95
    assert plan.together < plan.noticeable


def test_several_labs_and_further_ones_are_taken_together():
    plan = mf.plan_trials(runs(labs=4), labs=2, simulations=1)
    assert plan.existing_labs == 4
    assert plan.together < plan.noticeable


def test_rows_that_show_nothing_leave_the_usual_scatter():
    few = runs(batches=1).iloc[:2]
    plan = mf.plan_trials(few, simulations=1, pair=(80, 20))
    assert plan.scatter_from == "common practice"
    assert plan.run_sd == 0.05
    ice = mf.plan_trials(endpoint="t_first_ice", simulations=1)
    assert ice.run_sd == 0.12


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ({"vessels": 1}, "vessels is 1"),
        ({"power": 0.01}, "power is 0.01"),
        ({"effect": 5}, "effect is 5"),
        ({"smallest_effect": 0.0}, "smallest_effect is 0.0"),
        ({"run_sd": -0.1}, "run_sd is -0.1"),
        ({"pair": (20, 20)}, "The pair is 20 and 20"),
        ({"simulations": 0}, "simulations is 0"),
    ],
)
def test_what_makes_no_plan_is_refused(more, message):
    with pytest.raises(InputError) as refused:
        mf.plan_trials(**more)
    assert message in str(refused.value)
