"""Scores of times not seen exactly against direct maximisation of the null's likelihood."""

import numpy as np
import pytest
from scipy import optimize, stats

from metafreeze.scrutiny.shuffle import null_scores

# The search settles to six digits of the spread.
CLOSE = 2e-4


def test_scores_are_expectations_at_the_most_likely_null():
    rng = np.random.default_rng(4)
    block = np.repeat(np.arange(3), 12)
    y = np.array([1.0, 1.4, 0.8])[block] + rng.normal(0, 0.3, 36)
    low, high = y.copy(), y.copy()
    low[::3], high[::3] = np.floor(y[::3] * 4) / 4, np.floor(y[::3] * 4) / 4 + 0.25
    high[1::6] = np.inf

    def surprise(at):
        mean, sd = at[:3][block], np.exp(at[3])
        exact = stats.norm.logpdf(y, mean, sd)
        window = np.log(stats.norm.cdf(high, mean, sd) - stats.norm.cdf(low, mean, sd) + 1e-300)
        return -np.where(low == high, exact, window).sum()

    best = optimize.minimize(
        surprise,
        [1.0, 1.0, 1.0, -1.0],
        method="Nelder-Mead",
        options={"xatol": 1e-8, "fatol": 1e-10, "maxiter": 20_000},
    ).x
    mean, sd = best[:3][block], np.exp(best[3])
    found = null_scores(low, high, block)
    unseen = low < high
    wanted = stats.truncnorm.mean((low - mean) / sd, (high - mean) / sd)[unseen]
    assert found[~unseen] == pytest.approx(y[~unseen])
    assert found[unseen] == pytest.approx((mean[unseen] + sd * wanted), abs=CLOSE)


def test_times_seen_exactly_are_left_alone():
    y = np.array([1.0, 2.0, 3.0])
    assert null_scores(y, y, np.zeros(3)) == pytest.approx(y)
