"""Moments between bounds against an independent routine and against known limits."""

import numpy as np
import pytest
from scipy import stats

from metafreeze.models.cut_normal import between_bounds

# The independent routine itself keeps about nine digits for narrow windows.
CLOSE = 1e-8

WINDOWS = [(-1.0, 1.0), (-np.inf, 0.3), (0.2, np.inf), (-3.0, -1.5), (1.0, 1.4), (2.0, 5.0)]


@pytest.mark.parametrize("window", WINDOWS)
def test_mean_and_variance_agree(window):
    low, high = (np.array([edge]) for edge in window)
    mean, variance = between_bounds(low, high)
    other = stats.truncnorm(*window)
    assert mean[0] == pytest.approx(other.mean(), abs=CLOSE)
    assert variance[0] == pytest.approx(other.var(), abs=CLOSE)


def test_no_bounds_leave_the_normal_as_it_is():
    mean, variance = between_bounds(np.array([-np.inf]), np.array([np.inf]))
    assert mean[0] == pytest.approx(0.0, abs=1e-15)
    assert variance[0] == pytest.approx(1.0, abs=1e-15)


@pytest.mark.parametrize("far", [10.0, 50.0, 1e3])
def test_far_bounds_keep_their_digits(far):
    # Mills' ratio: the mean beyond a far bound is the bound plus one over it.
    mean, variance = between_bounds(np.array([far]), np.array([np.inf]))
    assert mean[0] == pytest.approx(far + 1 / far, rel=2 / far**4 + 1e-9)
    assert 0.0 <= variance[0] <= 1.5 / far**2 + 1e-7
    mirrored, _ = between_bounds(np.array([-np.inf]), np.array([-far]))
    assert mirrored[0] == -mean[0]
