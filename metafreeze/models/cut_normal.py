"""A normal value of which only two bounds are known."""

from __future__ import annotations

import math

import numpy as np
from scipy import special

from metafreeze.results import FloatArray

# Below this width (times 1 + |middle|) the closed moments cancel, and the density is a straight
# line across the window to more digits than that leaves.
NARROW = 5e-3


def between_bounds(low: FloatArray, high: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean and variance of a standard normal value known to lie between two bounds.

    Parameters
    ----------
    low, high : array, shape (n,)
        Bounds, low below high; infinite where there is none.

    Returns
    -------
    mean, variance : array, shape (n,)

    Source
    ------
    Johnson, Kotz & Balakrishnan (1994), Continuous Univariate Distributions 1, section 10.1;
    in logarithms and on the side of the nearer tail, so that far bounds keep their digits.
    """
    flip = low > 0
    a, b = np.where(flip, -high, low), np.where(flip, -low, high)
    upper, lower = special.log_ndtr(b), special.log_ndtr(a)
    log_mass = upper + np.log(-np.expm1(np.minimum(lower - upper, -np.finfo(float).eps)))
    at, to = (_density_share(edge, log_mass) for edge in (a, b))
    mean = np.clip(at - to, a, b)
    edges = np.where(np.isfinite(a), a, 0.0) * at - np.where(np.isfinite(b), b, 0.0) * to
    variance = np.clip(1.0 + edges - mean**2, 0.0, 1.0)
    with np.errstate(invalid="ignore"):
        width, middle = b - a, 0.5 * (a + b)
        narrow = width * (1.0 + np.abs(middle)) < NARROW
        even = width**2 / 12.0
        mean = np.where(narrow, middle * (1.0 - even), mean)
    variance = np.where(narrow, even, variance)
    return np.where(flip, -mean, mean), variance


def _density_share(edge: FloatArray, log_mass: FloatArray) -> FloatArray:
    with np.errstate(over="ignore"):
        exponent = -0.5 * edge**2 - 0.5 * math.log(2.0 * math.pi) - log_mass
    return np.exp(exponent)
