"""Effects refuse what has no meaning in whole sentences, and bear the ends of their ranges."""

from collections.abc import Callable

import numpy as np
import pytest
from scipy import stats

from metafreeze.effects import conversions, counts, means, ratios, spreads, standardised
from metafreeze.effects.additive import arm_contrasts
from metafreeze.errors import InputError

REFUSALS: list[tuple[Callable[[], object], str]] = [
    (
        lambda: conversions.d_from_r(1.0, 0.1),
        "r is 1.0. Give a correlation between -1 and 1.",
    ),
    (
        lambda: conversions.fisher_z([0.2, -1.0], [20, 20]),
        "Fisher's z needs correlations between -1 and 1 of more than 3 pairs.",
    ),
    (
        lambda: conversions.fisher_z([0.2], [3]),
        "Fisher's z needs correlations between -1 and 1 of more than 3 pairs.",
    ),
    (
        lambda: counts.log_odds_ratio([3, -1], [10, 10], [2, 2], [10, 10]),
        "events_1 is -1 in row 2. Counts are whole numbers from 0.",
    ),
    (
        lambda: counts.log_odds_ratio([3, 4], [10, 10], [2, 12], [10, 10]),
        "events_2 is 12 of 10 in row 2. There cannot be more events than cases.",
    ),
    (
        lambda: counts.score_interval(2.5, 10),
        "2.5 of 10 is not a count. Give whole numbers, 0 ≤ k ≤ n, n ≥ 1.",
    ),
    (
        lambda: counts.exact_interval(2, 10, level=95),
        "level is 95. Give a fraction between 0 and 1, such as 0.95.",
    ),
    (
        lambda: counts.compare_pairs(4, 0, 0, 3),
        "There are no pairs in which one member alone had the event, so the two shares "
        "cannot be told apart. Give all four counts from 0.",
    ),
    (
        lambda: counts.latent_difference(10, 10, 0.2),
        "10 of 10 has no finite latent difference. Use pool_counts.",
    ),
    (
        lambda: means.require_group(float("inf"), 1.0, 5, "hot"),
        "The mean of the hot group is inf. Give a finite number.",
    ),
    (
        lambda: means.require_group(30.0, -1.0, 5, "hot"),
        "The SD of the hot group is -1.0. Give a number from 0.",
    ),
    (
        lambda: means.require_group(30.0, 1.0, 1, "cold"),
        "The cold group has 1 runs. An SD needs at least two.",
    ),
    (
        lambda: ratios.log_ratio(0.0, 1.0, 5, 30.0, 1.0, 5),
        "The mean of the first group is 0. A ratio needs means above zero: it makes "
        "no sense on a scale whose zero is arbitrary, such as °C.",
    ),
    (
        lambda: spreads.sd_from_interval(1.0, 2.0, 1),
        "n is 1. The interval of a mean of one run gives no SD.",
    ),
    (
        lambda: spreads.log_normal_moments(-2.0, 1.0),
        "The mean is -2. A logarithm needs a mean above zero: ratios make no sense on "
        "a scale whose zero is arbitrary.",
    ),
    (
        lambda: spreads.expected_quartile_gap(8),
        "n is 8. The exact quartile gap is tabulated for 5, 9, 13 and so on.",
    ),
    (
        lambda: standardised.correction_factor(1.0),
        "df is 1.0. The correction needs more than one degree of freedom.",
    ),
    (
        lambda: standardised.change_difference(5.0, 4.0, 0.0, 6),
        "All differences are equal, so their mean cannot be standardised.",
    ),
    (
        lambda: standardised.change_difference(5.0, 4.0, 1.0, 2),
        "There are 2 pairs. The small-sample correction needs three.",
    ),
    (
        lambda: standardised.paired_standardised_difference(5.0, 4.0, 1.0, 6, correlation=1.0),
        "correlation is 1.0. Give a number between -1 and 1.",
    ),
    (
        lambda: standardised.paired_standardised_difference(5.0, 4.0, 0.0, 6, correlation=0.5),
        "All differences are equal, so their mean cannot be standardised.",
    ),
    (
        lambda: standardised.superiority_from_ranks(np.array([1.0]), np.array([2.0, 3.0])),
        "Each sample needs at least two runs.",
    ),
]


@pytest.mark.parametrize(("call", "message"), REFUSALS, ids=[m[:40] for _, m in REFUSALS])
def test_what_has_no_meaning_is_refused_whole(call: Callable[[], object], message: str) -> None:
    with pytest.raises(InputError) as caught:
        call()
    assert str(caught.value) == message


def test_a_ratio_turns_into_percent() -> None:
    assert conversions.ratio_as_percent(np.log(1.25)) == pytest.approx(25.0, rel=1e-14)
    assert conversions.ratio_as_percent(np.log(0.5)) == pytest.approx(-50.0, rel=1e-14)


def test_an_effect_without_scatter_keeps_the_pooled_degrees_of_freedom() -> None:
    effect = ratios.log_ratio(40.0, 0.0, 5, 50.0, 0.0, 7)
    assert effect.estimate == pytest.approx(np.log(0.8), rel=1e-14)
    assert (effect.variance, effect.df) == (0.0, 10.0)


def test_likelihood_interval_of_all_mirrors_that_of_none() -> None:
    # p**n falls to exp(-chi2/2) of its highest value at the lower limit.
    low, high = counts.likelihood_interval(12, 12)
    assert high == 1.0
    assert 12 * np.log(low) == pytest.approx(-stats.chi2.isf(0.05, 1) / 2, rel=1e-13)
    assert counts.likelihood_interval(0, 12) == pytest.approx((0.0, 1 - low), rel=1e-13)


def test_pairs_hardly_associated_have_the_interval_of_independent_shares() -> None:
    # 1 * 12 - 1 * 7 = 5 is below half the 21 pairs: the corrected correlation is zero.
    assert counts.paired_difference_interval(1, 1, 7, 12) == pytest.approx(
        counts.difference_interval(2, 21, 8, 21), rel=1e-14
    )


def test_pairs_of_which_one_member_never_had_the_event_have_no_correlation() -> None:
    assert counts.paired_difference_interval(0, 0, 6, 14) == pytest.approx(
        counts.difference_interval(0, 20, 6, 20), rel=1e-14
    )


def test_pairs_that_always_agree_have_the_interval_of_a_correlation_near_one() -> None:
    # phi = (25 * 25 - 50/2) / 25**2 = 0.96; both halves of both intervals are equally wide.
    low, high = counts.paired_difference_interval(25, 0, 0, 25)
    below, _ = counts.score_interval(25, 50)
    half = (0.5 - below) * np.sqrt(2 * (1 - 0.96))
    assert (low, high) == pytest.approx((-half, half), rel=1e-13)


def test_samples_that_do_not_overlap_are_sure_but_have_no_interval() -> None:
    found = standardised.superiority_from_ranks(np.array([1.0, 2.0]), np.array([3.0, 4.0, 5.0]))
    assert (found.estimate, found.variance) == (1.0, 0.0)
    assert np.isnan([found.df, found.statistic, found.p, found.low, found.high]).all()


def test_arms_without_runs_to_spare_are_not_compared() -> None:
    found = arm_contrasts(np.array([1.0, 2.0]), np.array([0, 1]), np.array([0, 0]))
    assert found.problem == "no runs are left to show the spread of a single run"
    assert np.isnan(found.estimate).all() and np.isnan(found.covariance).all()


def test_arms_whose_runs_are_all_alike_are_not_compared() -> None:
    found = arm_contrasts(
        np.array([1.0, 2.0, 1.0, 2.0]), np.array([0, 1, 0, 1]), np.array([0, 0, 1, 1])
    )
    assert found.problem == "the runs have no spread at all (timer resolution?)"
    assert np.isnan(found.residual_variance)
