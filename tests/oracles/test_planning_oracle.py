"""Closed forms of the plan beside a general library, and beside brute force."""

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.power import TTestPower

from metafreeze.planning.power import (
    TrialDesign,
    batches_needed,
    effect_power,
    effect_se,
    equivalence_power,
    labs_needed,
    most_power,
    new_lab_half_width,
    new_lab_power,
    noticeable_effect,
)
from metafreeze.planning.simulate import Scatter, share_limits

SCATTER = Scatter(run_sd=0.05, batch_sd=0.07, lab_sd=0.3, slope_sd_per_10k=0.01)
# Two noncentral-t routines.
ROUTINES = 1e-6
DRAWS = 200_000
# Four standard errors of a share in that many draws.
FOUR_ERRORS = 4 * 0.5 / math.sqrt(DRAWS)


@pytest.mark.parametrize("batches", [3, 6, 20])
@pytest.mark.parametrize("log_ratio", [0.02, 0.06])
def test_two_vessels_a_batch_are_the_paired_test(batches, log_ratio):
    design = TrialDesign(vessels=2, batches=batches)
    d = log_ratio / (SCATTER.run_sd * math.sqrt(2.0))
    expected = TTestPower().power(d, batches, 0.025, alternative="larger")
    assert effect_power(design, SCATTER, -log_ratio) == pytest.approx(expected, abs=ROUTINES)


def test_labs_are_the_one_sample_test_on_their_effects():
    design = TrialDesign(vessels=6, batches=4, labs=7)
    inside = SCATTER.run_sd**2 * (1 / 12 + 1 / 12)
    d = 0.1 / math.hypot(math.sqrt(inside), 6 * SCATTER.slope_sd_per_10k)
    expected = TTestPower().power(d, 7, 0.025, alternative="larger")
    assert effect_power(design, SCATTER, -0.1) == pytest.approx(expected, abs=ROUTINES)


@pytest.mark.parametrize(
    "design",
    [
        TrialDesign(vessels=6, batches=5),
        TrialDesign(vessels=2, batches=4),
        TrialDesign(vessels=5, batches=8),
        TrialDesign(vessels=6, batches=5, labs=9),
    ],
)
@pytest.mark.parametrize("true", [0.0, 0.02])
def test_equivalence_agrees_with_drawn_estimates_and_errors(design, true):
    rng = np.random.default_rng(11)
    se, bound = effect_se(design, SCATTER), math.log1p(0.05)
    estimate = true + se * rng.standard_normal(DRAWS)
    found = se * np.sqrt(rng.chisquare(design.df, DRAWS) / design.df)
    crit = stats.t.ppf(0.95, design.df)
    share = np.mean((estimate + crit * found < bound) & (estimate - crit * found > -bound))
    closed = equivalence_power(design, SCATTER, true, bound=bound)
    assert closed == pytest.approx(share, abs=FOUR_ERRORS)
    # The partner that must fail: the error taken as known.
    known = stats.norm.cdf((bound - true) / se - 1.645) - stats.norm.cdf(
        (-bound - true) / se + 1.645
    )
    assert abs(max(known, 0.0) - share) > FOUR_ERRORS


@pytest.mark.parametrize("labs", [1, 2, 5])
@pytest.mark.parametrize("power", [0.5, 0.8, 0.95])
def test_the_noticeable_effect_has_the_power_it_is_named_for(labs, power):
    design = TrialDesign(vessels=6, batches=5, labs=labs)
    size = noticeable_effect(design, SCATTER, power=power)
    assert effect_power(design, SCATTER, size) == pytest.approx(power, abs=ROUTINES)


def test_numbers_needed_are_the_first_that_are_enough():
    design = TrialDesign(vessels=6, batches=1)
    n = batches_needed(design, SCATTER, -0.05)
    power = [
        effect_power(TrialDesign(vessels=6, batches=int(b)), SCATTER, -0.05) for b in (n - 1, n)
    ]
    assert power[0] < 0.8 <= power[1]
    k = labs_needed(design, SCATTER, -0.05)
    power = [
        effect_power(TrialDesign(vessels=6, batches=1, labs=int(b)), SCATTER, -0.05)
        for b in (k - 1, k)
    ]
    assert power[0] < 0.8 <= power[1]


def test_a_number_of_labs_that_disagree_has_a_ceiling_no_batches_lift():
    few = TrialDesign(vessels=6, batches=1, labs=4)
    ceiling = most_power(few, SCATTER, -0.05)
    huge = effect_power(TrialDesign(vessels=6, batches=10**6, labs=4), SCATTER, -0.05)
    assert huge == pytest.approx(ceiling, abs=1e-4)
    assert ceiling < 0.8
    assert math.isinf(batches_needed(few, SCATTER, -0.05))
    assert most_power(TrialDesign(vessels=6, batches=1), SCATTER, -0.05) == 1.0


@pytest.mark.parametrize(("labs", "batches"), [(3, 5), (6, 2), (12, 5)])
def test_the_range_for_a_new_lab_agrees_with_drawn_lab_effects(labs, batches):
    """Lab effects drawn; variance parts of a balanced layout, none below zero."""
    design = TrialDesign(vessels=6, batches=batches, labs=labs)
    inside = SCATTER.run_sd**2 / design.information
    rng = np.random.default_rng(21)
    whole = math.hypot(math.sqrt(inside), 6 * SCATTER.slope_sd_per_10k)
    effects = -0.2 + whole * rng.standard_normal((DRAWS // 4, labs))
    found = effects.var(axis=1, ddof=1)
    range_ = np.sqrt(np.maximum(found - inside, 0.0) + np.maximum(found, inside) / labs)
    share = np.mean(effects.mean(axis=1) + stats.t.ppf(0.975, labs - 2) * range_ < 0.0)
    assert new_lab_power(design, SCATTER, -0.2) == pytest.approx(share, abs=2 * FOUR_ERRORS)
    # The partner that must fail: the range for the mean in the place of the one for a new lab.
    mean_only = np.sqrt(np.maximum(found, inside) / labs)
    wrong = np.mean(effects.mean(axis=1) + stats.t.ppf(0.975, labs - 2) * mean_only < 0.0)
    assert abs(wrong - share) > 2 * FOUR_ERRORS


def test_no_number_without_degrees_of_freedom_or_labs():
    smallest = TrialDesign(vessels=2, batches=1)
    assert smallest.df == 0
    assert math.isnan(noticeable_effect(smallest, SCATTER))
    assert math.isnan(effect_power(smallest, SCATTER, 0.1))
    assert math.isnan(new_lab_half_width(TrialDesign(vessels=6, batches=5, labs=2), SCATTER))
    assert math.isnan(equivalence_power(TrialDesign(vessels=6, batches=5), SCATTER, 0.2, bound=0.1))


def test_limits_of_a_share_agree_with_a_general_routine():
    for hits, n in ((0, 20), (7, 20), (20, 20)):
        exact = stats.binomtest(hits, n).proportion_ci(method="exact")
        assert share_limits(hits, n) == pytest.approx((exact.low, exact.high), abs=1e-12)
