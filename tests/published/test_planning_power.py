"""Published power values, reached through the plan's own closed forms.

Examples POW-1 to POW-3 of `expected_pooling.toml`, known from memory of the publications; there
they are checked on the plain formulas, here on a trial of one batch and on many labs.
"""

import math

import pytest

from metafreeze.models.power import pooled_effect_power, two_group_power
from metafreeze.planning.power import TrialDesign, effect_power, effect_se
from metafreeze.planning.simulate import Scatter

ONE = Scatter(run_sd=1.0)
# The plan counts an interval on the effect's own side; the tables count both tails. The other
# tail is below this for all of these.
OTHER_TAIL = 0.002
# Half the last printed digit of two; Cohen's approximation is off by one digit in two cells.
HALF_DIGIT, ONE_DIGIT = 0.005, 0.01

# Cohen J (1988) Statistical Power Analysis, 2nd ed., Table 2.3.5, two-sided 0.05 (POW-2).
TABLE = [
    (0.5, 30, 0.47), (0.8, 20, 0.69), (0.5, 50, 0.70), (1.0, 10, 0.56), (0.5, 64, 0.80),
    (0.5, 20, 0.33), (0.8, 30, 0.86), (0.5, 40, 0.60), (0.5, 100, 0.94), (0.2, 50, 0.17),
    (0.2, 100, 0.29),
]  # fmt: skip
# Cohen J (1992) Psychological Bulletin 112:155-159, Table 2: n per group for power 0.80 (POW-1).
SIZES = [(0.2, 393, 0.05), (0.5, 64, 0.05), (0.8, 26, 0.05), (0.2, 586, 0.01), (0.5, 95, 0.01),
         (0.8, 38, 0.01), (0.2, 310, 0.10), (0.5, 50, 0.10), (0.8, 20, 0.10)]  # fmt: skip


def one_batch(n):
    return TrialDesign(vessels=2 * n, batches=1)


@pytest.mark.parametrize(("d", "n", "printed"), TABLE)
def test_one_batch_is_the_two_sample_test_of_the_handbook(d, n, printed):
    power = effect_power(one_batch(n), ONE, d)
    allowed = ONE_DIGIT if (d, n) in ((0.5, 30), (0.5, 20)) else HALF_DIGIT
    assert power == pytest.approx(printed, abs=allowed + OTHER_TAIL)
    assert power == pytest.approx(two_group_power(d, n), abs=OTHER_TAIL)


@pytest.mark.parametrize(("d", "n", "alpha"), SIZES)
def test_the_published_sizes_are_those_at_which_power_passes_the_printed_one(d, n, alpha):
    """The table rounds to the nearest whole number, so 0.80 lies between its neighbours."""
    below, above = (effect_power(one_batch(m), ONE, d, alpha=alpha) for m in (n - 1, n + 1))
    assert below < 0.80 < above


def test_many_labs_have_the_variance_of_the_published_pooled_mean():
    """Borenstein et al. (2009), ch. 29: k = 10, n = 25 a group, d = 0.20 (POW-3, from memory)."""
    # 0.0804 within a study: the effect's variance there has a term for d itself.
    scatter = Scatter(run_sd=math.sqrt(0.0804 * 12.5))
    many = TrialDesign(vessels=50, batches=1, labs=10)
    se = effect_se(many, scatter)
    assert se**2 == pytest.approx(0.00804, rel=1e-12)
    assert pooled_effect_power(0.20, se**2) == pytest.approx(0.61, abs=HALF_DIGIT)
    # Labs that disagree as much as they err halve the information; formula value of POW-3.
    disagree = Scatter(run_sd=scatter.run_sd, slope_sd_per_10k=math.sqrt(0.0804) / many.units)
    assert pooled_effect_power(0.20, effect_se(many, disagree) ** 2) == pytest.approx(
        0.351149878, abs=1e-8
    )
    # The plan's t with nine degrees of freedom is weaker than that normal test.
    assert effect_power(many, scatter, 0.20) < 0.61
