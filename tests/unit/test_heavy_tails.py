"""The range for a new study where some labs lie far out: known answers and its place in pools."""

import numpy as np
import pytest
from scipy import integrate, stats

from metafreeze.errors import InputError
from metafreeze.models.heavy_tails import (
    TAIL_DF,
    VARIANCE_RATIO,
    heavy_tail_factor,
    new_study_factor,
    widen_for_heavy_tails,
)
from metafreeze.models.many_pools import pool_many
from metafreeze.models.pooled import pool

EFFECTS = [0.11, -0.05, 0.31, 0.02, 0.19, -0.22]
VARIANCES = [0.004, 0.01, 0.006, 0.012, 0.003, 0.02]


def ranges_of(effects, reach):
    """Means and half widths by plain formulas, for effects with sampling variances of one."""
    k = effects.shape[1]
    square = effects.var(axis=1, ddof=1)
    tau2 = np.where(square > 1.0, square - 1.0, 0.0)
    se2 = np.where(square > 1.0, square, 1.0) / k
    return effects.mean(axis=1), reach * np.sqrt(tau2 + se2)


@pytest.mark.parametrize("k", [4, 5, 8, 20, 60])
@pytest.mark.parametrize("level", [0.8, 0.95])
def test_the_factor_holds_its_share_of_fresh_studies(k, level):
    rng = np.random.default_rng([k, 5])
    n = 200_000
    true = np.sqrt(VARIANCE_RATIO / 3.0) * rng.standard_t(TAIL_DF, size=(n, k + 1))
    middle, half = ranges_of(true[:, :k] + rng.normal(size=(n, k)), heavy_tail_factor(k, level))
    inside = np.mean(np.abs(true[:, k] - middle) <= half)
    # Four errors of a share of so many draws, and the error of the factor itself.
    error = 4 * (level * (1 - level) / n) ** 0.5 + 0.002
    if heavy_tail_factor(k, level) == new_study_factor(k, "normal", level):
        assert inside > level - error  # the usual range already holds more than asked
    else:
        assert inside == pytest.approx(level, abs=error)


@pytest.mark.parametrize("k", [5, 12])
def test_pools_have_the_mean_and_reach_that_the_factor_was_made_for(k):
    effects = np.random.default_rng(k).normal(scale=2.0, size=(200, k))
    effects[0] /= 10.0  # one pool with tau² at zero
    many = pool_many(effects, np.ones(k), intervals=True, new_study="heavy-tailed")
    middle, half = ranges_of(effects, heavy_tail_factor(k))
    assert many.boundary[0] and not many.boundary.all()
    assert many.prediction_low == pytest.approx(middle - half, abs=1e-6)
    assert many.prediction_high == pytest.approx(middle + half, abs=1e-6)


def test_many_studies_need_no_more_than_the_curve_itself():
    # With all effects known the range is that of t on 3 df in its own standard deviations,
    # 1.837 (closed form), which is less than the normal 1.960: then the usual range stands.
    own = stats.t.isf(0.025, TAIL_DF) / np.sqrt(TAIL_DF / (TAIL_DF - 2))
    assert own == pytest.approx(1.8374, abs=1e-4)
    assert heavy_tail_factor(900) == pytest.approx(stats.t.isf(0.025, 898), rel=1e-12)


def test_three_studies_get_no_wider_range():
    # On one degree of freedom the usual range is so wide (12.706, any table of t) that a
    # brute-force count of heavy-tailed sets finds more than the level inside.
    assert new_study_factor(3, "normal", 0.95) == pytest.approx(12.706, abs=5e-4)
    assert heavy_tail_factor(3) == new_study_factor(3, "normal", 0.95)
    rng = np.random.default_rng(3)
    true = np.sqrt(3.0) * rng.standard_t(TAIL_DF, size=(100_000, 4))
    middle, half = ranges_of(true[:, :3] + rng.normal(size=(100_000, 3)), heavy_tail_factor(3))
    assert np.mean(np.abs(true[:, 3] - middle) <= half) > 0.95


def test_normal_tails_give_the_usual_quantile():
    for k in (3, 4, 10, 41):
        df = k - 2

        def beyond(x, df=df):
            return integrate.quad(lambda t: stats.t.pdf(t, df), x, np.inf)[0]

        assert beyond(new_study_factor(k, "normal", 0.9)) == pytest.approx(0.05, abs=1e-8)


def test_the_factor_shrinks_with_more_studies_and_grows_with_the_level():
    factors = [heavy_tail_factor(k) for k in (3, 4, 5, 6, 8, 10, 20, 40)]
    assert factors == sorted(factors, reverse=True)
    levels = [heavy_tail_factor(7, level) for level in (0.5, 0.8, 0.9, 0.95, 0.99)]
    assert levels == sorted(levels)


def test_pools_take_the_wider_range_around_the_same_effect():
    usual = pool(EFFECTS, VARIANCES)
    wide = pool(EFFECTS, VARIANCES, new_study="heavy-tailed")
    ratio = heavy_tail_factor(6) / stats.t.isf(0.025, 4)
    assert ratio > 1.05
    half = (usual.prediction_high - usual.prediction_low) / 2
    assert wide.prediction_low == pytest.approx(usual.estimate - ratio * half, rel=1e-12)
    assert wide.prediction_high == pytest.approx(usual.estimate + ratio * half, rel=1e-12)
    assert (wide.low, wide.high, wide.tau2, wide.p) == (usual.low, usual.high, usual.tau2, usual.p)
    many = pool_many(
        [EFFECTS, EFFECTS[::-1]], [VARIANCES, VARIANCES[::-1]], intervals=True,
        new_study="heavy-tailed",
    )  # fmt: skip
    assert many.prediction_low == pytest.approx(wide.prediction_low, rel=1e-6)
    assert many.prediction_high == pytest.approx(wide.prediction_high, rel=1e-6)
    assert widen_for_heavy_tails(usual.prediction_low, usual.prediction_high, k=6) == pytest.approx(
        (wide.prediction_low, wide.prediction_high), rel=1e-12
    )


def test_a_moderator_takes_one_study_from_the_range():
    trait = [0.0, 1.0, 0.0, 1.0, 1.0, 0.0]
    usual = pool(EFFECTS, VARIANCES, moderators=trait)
    wide = pool(EFFECTS, VARIANCES, moderators=trait, new_study="heavy-tailed")
    ratio = heavy_tail_factor(5) / stats.t.isf(0.025, 3)
    assert (wide.prediction_high - wide.estimate) == pytest.approx(
        ratio * (usual.prediction_high - usual.estimate), rel=1e-12
    )


def test_nothing_to_widen_stays_as_it_was():
    assert widen_for_heavy_tails(-1.0, 2.0, k=2) == (-1.0, 2.0)
    assert all(np.isnan(widen_for_heavy_tails(np.nan, np.nan, k=9)))


def test_bad_input_is_said():
    with pytest.raises(InputError, match=r"k is 2\. A range for a new study needs at least 3"):
        heavy_tail_factor(2)
    with pytest.raises(InputError, match="level"):
        heavy_tail_factor(5, 1.0)
    with pytest.raises(InputError, match="new_study"):
        pool(EFFECTS, VARIANCES, new_study="wide")
    with pytest.raises(InputError, match="new_study"):
        pool_many([EFFECTS], [VARIANCES], new_study="wide")
