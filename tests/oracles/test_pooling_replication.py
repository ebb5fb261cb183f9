"""Replication measures, power and repeatability: identities, statsmodels, pingouin, limits."""

import numpy as np
import pandas as pd
import pingouin as pg
import pytest
from scipy import integrate, stats
from statsmodels.stats.power import TTestIndPower
from statsmodels.stats.weightstats import ttost_ind

from metafreeze.analysis.trial_precision import trial_precision
from metafreeze.effects.means import mean_difference
from metafreeze.errors import InputError, NotEstimableError
from metafreeze.models.pooled import pool
from metafreeze.models.power import disagreement_power, group_size, two_group_power
from metafreeze.models.repeatability import measure_effect_repeatability, measure_repeatability
from metafreeze.models.replication import (
    assess_equivalence,
    compare_replication,
    golden_level,
    liberal_level,
    replication_prediction,
    replication_q,
    sceptical_p,
    smallest_noticeable_d,
    smallest_noticeable_z,
)

SAME = 1e-9


def test_equivalence_is_the_one_of_statsmodels_and_pingouin():
    rng = np.random.default_rng(2)
    x, y = rng.normal(0, 1, 30), rng.normal(0.1, 1.3, 25)
    d = mean_difference(x.mean(), x.std(ddof=1), 30, y.mean(), y.std(ddof=1), 25)
    ours = assess_equivalence(d.estimate, d.se, bounds=(-0.7, 0.7), df=d.df)
    p, lower, upper = ttost_ind(x, y, -0.7, 0.7, usevar="unequal")
    assert ours.p == pytest.approx(p, rel=SAME)
    assert (ours.p_low, ours.p_high) == pytest.approx((lower[1], upper[1]), rel=SAME)
    # pingouin's p is not rounded either; its symmetric bound is the same test.
    assert ours.p == pytest.approx(float(pg.tost(x, y, bound=0.7, correction=True)["pval"].iloc[0]))


@pytest.mark.parametrize(
    ("estimate", "bounds", "equivalent"),
    [
        (0.0, (-0.1, 0.1), True),
        (0.5, (-0.1, 0.1), False),
        (5.0, (-np.inf, 0.1), False),
        (-5.0, (-np.inf, 0.1), True),
        (5.0, (-0.1, np.inf), True),
    ],
)
def test_the_larger_p_decides_and_agrees_with_the_interval(estimate, bounds, equivalent):
    e = assess_equivalence(estimate, 0.02, bounds=bounds, df=20)
    assert e.equivalent is equivalent
    assert e.p == max(e.p_low, e.p_high)
    assert (e.p < e.alpha) is equivalent
    assert (bounds[0] < e.low and e.high < bounds[1]) is equivalent


@pytest.mark.parametrize("bounds", [(0.1, -0.1), (0.1, 0.1), (-np.inf, np.inf), (np.nan, 0.1)])
def test_bounds_without_an_inside_are_refused(bounds):
    with pytest.raises(InputError, match="Give the lower bound first"):
        assess_equivalence(0.0, 0.1, bounds=bounds)


@pytest.mark.parametrize(("z_o", "z_r", "c"), [(2.8, 2.2, 1.0), (3.0, 1.5, 2.5), (2.0, 4.0, 0.3)])
def test_the_sceptical_p_solves_its_equation(z_o, z_r, c):
    z2 = stats.norm.isf(sceptical_p(z_o, z_r, c) / 2) ** 2
    assert (z_o**2 / z2 - 1) * (z_r**2 / z2 - 1) == pytest.approx(c, rel=1e-9)
    ordinary = 2 * stats.norm.sf([z_o, z_r])
    assert sceptical_p(z_o, z_r, c) >= ordinary.max()


def test_the_sceptical_p_needs_no_case_for_equal_variances():
    near = [sceptical_p(2.5, 2.0, c) for c in (1 - 1e-9, 1.0, 1 + 1e-9)]
    assert near[0] == pytest.approx(near[1], rel=1e-7) == near[2]
    half_harmonic_mean = 1 / (1 / 2.5**2 + 1 / 2.0**2)
    assert stats.norm.isf(near[1] / 2) ** 2 == pytest.approx(half_harmonic_mean, rel=1e-9)
    assert sceptical_p(0.0, 3.0, 1.0) == 1.0


def test_two_just_significant_studies_reach_the_liberal_level_and_not_the_golden():
    z = stats.norm.isf(0.025)
    p = sceptical_p(z, z, 1.0)
    # z_S² is half of z².
    assert p / 2 == pytest.approx(liberal_level(0.025), rel=1e-9)
    assert p / 2 > golden_level(0.025)


def test_exact_replication_of_two_is_the_z_test_of_their_difference():
    q = replication_q([0.3, 0.1], [0.01, 0.02])
    z = 0.2 / np.sqrt(0.03)
    assert q.q == pytest.approx(z**2, rel=SAME)
    assert q.p == pytest.approx(2 * stats.norm.sf(z), rel=SAME)
    near = replication_q([0.3, 0.1], [0.01, 0.02], allowed=0.25)
    assert near.p > q.p and near.critical > q.critical


def test_the_prediction_range_holds_its_share_of_new_estimates():
    """20 000 draws: Monte Carlo error of the share is 0.0015."""
    rng = np.random.default_rng(1)
    old, new = rng.normal(0.3, 0.2, 20_000), rng.normal(0.3, 0.1, 20_000)
    low, high = replication_prediction(0.0, 0.2, 0.1)
    share = np.mean((new >= old + low) & (new <= old + high))
    assert share == pytest.approx(0.95, abs=0.006)


def test_the_noticeable_effect_has_a_third_of_power():
    for n in (5, 20, 100):
        d = smallest_noticeable_d(n)
        assert two_group_power(d, n) == pytest.approx(1 / 3, abs=1e-10)
        df, ncp = 2 * n - 2, d * np.sqrt(n / 2)
        crit = stats.t.isf(0.025, df)

        def inside(u, df=df, ncp=ncp, crit=crit):
            s = np.sqrt(u / df)
            both = stats.norm.sf(crit * s - ncp) + stats.norm.cdf(-crit * s - ncp)
            return stats.chi2.pdf(u, df) * both

        power = integrate.quad(inside, 0, df + 60 * np.sqrt(2 * df), points=[df], epsabs=1e-12)[0]
        assert power == pytest.approx(1 / 3, abs=1e-9)
    z = smallest_noticeable_z()
    assert smallest_noticeable_d(4000) * np.sqrt(2000) == pytest.approx(z, abs=1e-3)


def test_power_is_that_of_statsmodels():
    power = TTestIndPower()
    for d, n, alpha in [(0.5, 30, 0.05), (0.2, 100, 0.01), (1.2, 4, 0.10)]:
        assert two_group_power(d, n, alpha=alpha) == pytest.approx(
            power.power(d, n, alpha), abs=1e-10
        )
        size = group_size(d, alpha=alpha)
        assert power.power(d, size, alpha) == pytest.approx(0.8, abs=1e-8)


def test_sizes_at_the_edges_are_scalars_and_make_sense():
    assert group_size(8.0) == pytest.approx(2.0, abs=0.5)
    assert group_size(20.0) == 2.0
    assert group_size(0.0008) == float("inf")
    assert isinstance(group_size(0.5), float)
    assert group_size(-0.5) == group_size(0.5)
    with pytest.raises(InputError, match="Give a difference"):
        group_size(0.0)


def test_power_of_the_q_test_is_that_of_simulated_pools():
    """20 000 pools: Monte Carlo error 0.0035."""
    rng = np.random.default_rng(6)
    y = rng.normal(0, np.sqrt(1 + 2 / 3), size=(20_000, 10))
    q = ((y - y.mean(axis=1, keepdims=True)) ** 2).sum(axis=1)
    seen = np.mean(q > stats.chi2.isf(0.05, 9))
    assert disagreement_power(10, tau2=2 / 3) == pytest.approx(seen, abs=0.014)


def test_all_questions_of_one_replication():
    r = compare_replication(0.40, 0.10, 0.10, 0.08, smallest_of_interest=0.30)
    answers = dict(zip(r.answers["measure"], r.answers["answer"], strict=True))
    assert answers == {
        "sign": "yes",
        "significance": "no",
        "original in new interval": "no",
        "prediction": "no",
        "small telescopes": "yes",
        "exact replication": "no",
        "approximate replication": "no",
        "sceptical p": "no",
        "equivalence": "yes",
    }
    assert all(q.endswith("?") for q in r.answers["question"])
    without = compare_replication(0.40, 0.10, 0.35, 0.05)
    assert without.answer("equivalence") == "cannot tell"
    assert without.answer("sceptical p") == "yes"


def test_turning_both_studies_round_changes_no_answer():
    a = compare_replication(0.40, 0.10, [0.10, 0.2], [0.08, 0.1], smallest_of_interest=0.3)
    b = compare_replication(-0.40, 0.10, [-0.10, -0.2], [0.08, 0.1], smallest_of_interest=0.3)
    assert list(a.answers["answer"]) == list(b.answers["answer"])
    np.testing.assert_allclose(a.answers["p"], b.answers["p"])
    assert a.k_new == 2 and "pooled as one common effect" in a.note


def test_a_single_missing_error_is_refused():
    with pytest.raises(InputError, match="every standard error above zero"):
        compare_replication(0.4, 0.1, [0.1, 0.2], [0.1, np.nan])


def test_repeatability_is_the_analysis_of_variance():
    rng = np.random.default_rng(4)
    lab = np.repeat(list("abcdef"), [3, 5, 4, 6, 2, 4])
    level = dict(zip("abcdef", rng.normal(0, 0.4, 6), strict=True))
    y = 8 + np.array([level[name] for name in lab]) + rng.normal(0, 0.05, lab.size)
    r = measure_repeatability(y, lab)
    groups = [y[lab == name] for name in "abcdef"]
    within = sum(((g - g.mean()) ** 2).sum() for g in groups) / (lab.size - 6)
    f = stats.f_oneway(*groups).statistic
    n0 = (lab.size - sum(g.size**2 for g in groups) / lab.size) / 5
    assert r.repeatability_sd**2 == pytest.approx(within, rel=SAME)
    assert r.between_sd**2 == pytest.approx(within * (f - 1) / n0, rel=1e-8)
    assert r.reproducibility_sd**2 == pytest.approx(r.between_sd**2 + within, rel=SAME)
    assert r.repeatability_limit == pytest.approx(1.96 * np.sqrt(2 * within), rel=1e-4)
    assert r.repeatability_low < r.repeatability_sd < r.repeatability_high


def test_repeatability_keeps_its_digits_far_from_zero():
    rng = np.random.default_rng(4)
    y, lab = rng.normal(0, 1, 24), np.tile(list("abcd"), 6)
    near, far = measure_repeatability(y, lab), measure_repeatability(y + 1e9, lab)
    assert far.repeatability_sd == pytest.approx(near.repeatability_sd, rel=1e-6)


def test_repeatability_says_what_it_cannot_know():
    one = measure_repeatability([1.0, 1.1, 0.9], ["a", "a", "a"])
    assert np.isfinite(one.repeatability_sd) and np.isnan(one.reproducibility_sd)
    assert one.reasons["between"] == "one laboratory says nothing on others"
    single = measure_repeatability([1.0, 1.1, 0.9], ["a", "b", "c"])
    assert np.isnan(single.repeatability_sd) and "no laboratory has two runs" in single.note
    alike = measure_repeatability([1.0, 1.2, 1.2, 1.0], ["a", "a", "b", "b"])
    assert (alike.between_sd, alike.status) == (0.0, "boundary")
    assert "does not show that they agree" in alike.note
    with pytest.raises(InputError, match="one finite value and one laboratory a run"):
        measure_repeatability([1.0, np.nan], ["a", "b"])


def test_repeatability_of_effects_is_typical_error_and_tau():
    y, v = np.array([0.1, 0.4, -0.2, 0.3, 0.6]), np.array([0.01, 0.02, 0.015, 0.03, 0.01])
    r = measure_effect_repeatability(y, v)
    fit = pool(y, v)
    w = 1 / v
    typical = 4 * w.sum() / (w.sum() ** 2 - (w**2).sum())
    assert r.repeatability_sd == pytest.approx(np.sqrt(typical), rel=SAME)
    assert r.reproducibility_sd == pytest.approx(np.sqrt(typical + fit.tau2), rel=SAME)
    equal = measure_effect_repeatability(y, np.full(5, 0.02))
    assert equal.repeatability_sd == pytest.approx(np.sqrt(0.02), rel=SAME)
    alone = measure_effect_repeatability(y[:1], v[:1])
    assert np.isnan(alone.reproducibility_sd) and alone.reasons["between"]


def test_precision_of_a_trial_from_rows_recovers_what_was_built_in():
    """Six labs of 40 runs: SD 0.05 within, 0.3 between labs, slope SD 0.02 between labs."""
    rng = np.random.default_rng(3)
    rows = []
    for lab in range(8):
        level, slope = 8 + 0.3 * rng.normal(), 0.01 + 0.02 * rng.normal()
        for temp in np.repeat([20.0, 80.0], 20):
            t = np.exp(level + slope * (temp - 20) / 10 + 0.05 * rng.normal())
            rows.append((f"lab {lab}", temp, t, t, "t_solid"))
    names = ["lab_id", "start_temp_c", "time_lower_s", "time_upper_s", "endpoint"]
    r = trial_precision(pd.DataFrame(rows, columns=names), endpoint="t_solid")
    # Relative errors of SDs: 0.04 on 300 degrees of freedom, 0.27 on seven.
    assert r.time.repeatability_sd == pytest.approx(0.05, rel=0.15)
    assert r.time.reproducibility_sd == pytest.approx(0.3, rel=0.6)
    assert r.effect.between_sd == pytest.approx(0.02, rel=0.6)
    assert r.effect.repeatability_sd == pytest.approx(0.05 * np.sqrt(2 / 20) / 6, rel=0.2)
    assert "in one lab" in r.headline() and r.endpoint == "t_solid"
    with pytest.raises(NotEstimableError, match="No laboratory gives a slope"):
        trial_precision(pd.DataFrame(rows[:3], columns=names), endpoint="t_solid")
