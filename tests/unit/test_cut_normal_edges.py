"""Moments of a normal value between bounds against plain integrals, and their limits."""

import numpy as np
import pytest
from numpy.polynomial.legendre import leggauss

from metafreeze.models.cut_normal import between_bounds

INF = np.inf
NODES, WEIGHTS = leggauss(200)
WINDOWS = [
    (-1.0, 2.0),
    (0.0, 1.0),
    (-1.0, 0.0),
    (-0.4, 0.1),
    (0.3, INF),
    (-INF, -0.8),
    (0.0, INF),
    (-INF, 0.0),
    (-INF, 1.7),
    (2.0, 2.5),
    (-6.5, -6.0),
    (7.0, 9.0),
]


def integrals(low, high):
    a, b = max(low, -13.0), min(high, 13.0)
    if a > 5.0:
        b = min(b, a + 8.0)
    if b < -5.0:
        a = max(a, b - 8.0)
    x = 0.5 * (a + b) + 0.5 * (b - a) * NODES
    w = WEIGHTS * np.exp(-0.5 * (x * x - min(a * a, b * b) * (a * b > 0)))
    mean = (w * x).sum() / w.sum()
    return mean, (w * (x - mean) ** 2).sum() / w.sum()


def test_all_windows_at_once_are_the_integrals():
    low, high = (np.array(part) for part in zip(*WINDOWS, strict=True))
    mean, variance = between_bounds(low, high)
    want = np.array([integrals(a, b) for a, b in WINDOWS])
    np.testing.assert_allclose(mean, want[:, 0], rtol=1e-10, atol=1e-12)
    # One plus the edges less the squared mean loses the digits of mean^2.
    np.testing.assert_allclose(variance, want[:, 1], rtol=1e-9, atol=1e-11)


def test_a_window_and_its_mirror_have_mirrored_means():
    low, high = (np.array(part) for part in zip(*WINDOWS, strict=True))
    mean, variance = between_bounds(low, high)
    mirrored, same = between_bounds(-high, -low)
    np.testing.assert_allclose(mirrored, -mean, rtol=1e-12, atol=1e-15)
    np.testing.assert_allclose(same, variance, rtol=1e-10, atol=1e-13)


@pytest.mark.parametrize("middle", [-9.0, -1.0, 0.0, 0.6, 30.0])
@pytest.mark.parametrize("width", [1e-2, 1e-4, 1e-9, 1e-14])
def test_a_closing_window_becomes_uniform(middle, width):
    low, high = np.array([middle - width / 2]), np.array([middle + width / 2])
    mean, variance = between_bounds(low, high)
    assert low[0] <= mean[0] <= high[0]
    width = high[0] - low[0]
    # The variance of an even spread, width^2 / 12, up to the slope of the density across it.
    slack = 1e-5 + (width * (1.0 + abs(middle))) ** 2
    assert variance[0] == pytest.approx(width**2 / 12.0, rel=slack, abs=1e-300)
    assert mean[0] - middle == pytest.approx(-middle * width**2 / 12.0, rel=slack, abs=1e-13)


def test_a_single_bound_is_the_inverse_mills_ratio():
    # E = phi(a) / Q(a), var = 1 + a E - E^2; at zero root(2 / pi) and 1 - 2 / pi.
    mean, variance = between_bounds(np.array([0.0]), np.array([INF]))
    assert mean[0] == pytest.approx(np.sqrt(2.0 / np.pi), rel=1e-14)
    assert variance[0] == pytest.approx(1.0 - 2.0 / np.pi, rel=1e-13)
