"""Power against statsmodels, closed forms and the limits at which answers change kind."""

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.power import TTestIndPower

from metafreeze.errors import InputError
from metafreeze.models.power import (
    disagreement_power,
    group_size,
    pooled_effect_power,
    two_group_power,
)


@pytest.mark.parametrize("alpha", [0.05, 0.2])
@pytest.mark.parametrize(("d", "n"), [(0.5, 20), (-0.5, 20), (0.1, 8), (1.2, 2), (0.0, 10)])
def test_two_groups_as_statsmodels(d, n, alpha):
    expected = TTestIndPower().power(d, n, alpha, ratio=1, alternative="two-sided")
    assert two_group_power(d, n, alpha=alpha) == pytest.approx(expected, rel=1e-8)
    one = TTestIndPower().power(d, n, alpha, ratio=1, alternative="larger")
    assert two_group_power(d, n, alpha=alpha, two_sided=False) == pytest.approx(one, rel=1e-8)


def test_two_groups_by_default_are_two_sided_at_five_percent():
    assert two_group_power(0.6, 12) == two_group_power(0.6, 12, alpha=0.05, two_sided=True)
    assert two_group_power(0.0, 12) == pytest.approx(0.05)
    assert two_group_power(0.0, 12, two_sided=False) == pytest.approx(0.05)


@pytest.mark.parametrize("ncp", [0.0, 0.5, 2.0, 4.5, 5.0, 6.0, 9.0, 40.0])
@pytest.mark.parametrize("n", [1.5, 4, 98.0])
def test_both_tails_are_those_of_a_mean_over_its_chi(n, ncp):
    """T = (z + ncp) / sqrt(chi²/df): the power by integrating over the chi-square."""
    df = 2 * n - 2
    crit = stats.t.ppf(0.975, df)
    law = stats.chi2(df)
    u, w = np.polynomial.legendre.leggauss(400)
    u, w = 0.5 * (u + 1), 0.5 * w
    s = crit * np.sqrt(law.ppf(u) / df)
    both = w @ (stats.norm.sf(s - ncp) + stats.norm.sf(s + ncp))
    for d in (ncp / (n / 2) ** 0.5, -ncp / (n / 2) ** 0.5):
        # The integrand has a kink of the quantile at 0 for a single degree of freedom.
        assert two_group_power(d, n) == pytest.approx(both, rel=1e-5)


def test_the_tail_beyond_zero_fails_nowhere():
    # 98 runs a group at d = 1 stand at 7, where the lower tail of the law has no number.
    assert two_group_power(1.0, 98.12536432192692, alpha=0.01) > 0.999


def test_a_group_needs_more_than_one_run():
    for n in (1.0, 0.0, float("nan")):
        with pytest.raises(InputError, match="more than one run"):
            two_group_power(0.5, n)
    assert two_group_power(0.5, 1.5) > 0.05


@pytest.mark.parametrize("alpha", [0.05, 0.01])
@pytest.mark.parametrize(
    ("d", "power"), [(0.5, 0.8), (-0.5, 0.8), (0.05, 0.95), (2.0, 0.8), (1.0, 0.99)]
)
def test_group_size_has_its_power(d, power, alpha):
    n = group_size(d, power=power, alpha=alpha)
    assert two_group_power(d, n, alpha=alpha) == pytest.approx(power, rel=1e-8)
    expected = TTestIndPower().solve_power(abs(d), None, alpha, power, 1)
    assert n == pytest.approx(expected, rel=1e-6)


def test_group_size_at_its_edges():
    # Cohen (1988), table 2.4.1: 64 in each group for d = 0.5 at 80 % (rounded up).
    assert np.ceil(group_size(0.5)) == 64
    assert group_size(0.5) == group_size(0.5, power=0.8, alpha=0.05)
    enough = two_group_power(3.0, 2.0)
    assert group_size(3.0, power=enough) == 2.0
    assert group_size(3.0, power=enough + 1e-6) > 2.0
    assert group_size(100.0) == 2.0
    assert group_size(1e-4) == float("inf")
    # Seven million are still found: the normal approximation 2 (z + z)²/d².
    z = stats.norm.isf(0.025) + stats.norm.ppf(0.8)
    assert group_size(0.003) == pytest.approx(2 * (z / 0.003) ** 2, rel=1e-4)
    for d, power, alpha in ((0.0, 0.8, 0.05), (0.5, 0.05, 0.05), (0.5, 1.0, 0.05)):
        with pytest.raises(InputError, match="power above alpha"):
            group_size(d, power=power, alpha=alpha)


@pytest.mark.parametrize(
    ("effect", "variance"), [(0.3, 0.04), (-0.3, 0.04), (0.0, 1.0), (2.0, 4.0)]
)
def test_a_pooled_effect_is_a_normal_test(effect, variance):
    for alpha in (0.05, 0.3):
        shift, crit = effect / variance**0.5, stats.norm.ppf(1 - alpha / 2)
        expected = stats.norm.cdf(-crit - shift) + 1 - stats.norm.cdf(crit - shift)
        assert pooled_effect_power(effect, variance, alpha=alpha) == pytest.approx(expected)
    assert pooled_effect_power(0.0, variance) == pytest.approx(0.05)


def test_disagreement_in_every_case():
    for k, alpha in ((2, 0.05), (8, 0.2)):
        crit = stats.chi2.ppf(1 - alpha, k - 1)
        spread = disagreement_power(k, tau2=0.5, variance=0.25, alpha=alpha)
        assert spread == pytest.approx(stats.chi2.sf(crit / 3, k - 1))
        fixed = disagreement_power(k, ncp=0.7, alpha=alpha)
        assert fixed == pytest.approx(1 - stats.ncx2.cdf(crit, k - 1, 0.7))
        assert disagreement_power(k, alpha=alpha) == pytest.approx(alpha)
    assert disagreement_power(5) == pytest.approx(0.05)
    assert disagreement_power(5, tau2=1.0) == disagreement_power(5, tau2=1.0, variance=1.0)
