"""What one row tells when its time was seen exactly, within a window, or only on one side.

Each function gives the log contribution of rows and its derivatives by the location `eta`
and by the logarithm of the spread. Rows are the first axis, quadrature nodes the last.

Symbols: `eta` location of the log time; `s` spread; `a = (lower - eta) / s`,
`b = (upper - eta) / s`; `m1` to `m4` raw moments of the standard normal kept between a and b.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy import special

from metafreeze.results import FloatArray, IntArray

EXACT, INTERVAL, RIGHT, LEFT, EMPTY = 0, 1, 2, 3, 4

LOG_ROOT_2PI = 0.5 * np.log(2.0 * np.pi)

# Below this window width (in spreads, times 1 + |midpoint|) the closed moments lose digits to
# cancellation; five Gauss-Legendre points are then exact to rounding.
NARROW = 0.05
_POINTS, _WEIGHTS = np.polynomial.legendre.leggauss(5)

# exp() of more than this overflows; the contribution is zero long before.
_LARGEST_EXPONENT = 700.0


class Contributions(NamedTuple):
    """Log contributions and derivatives; every array has the shape of `eta`.

    `by_eta`, `by_eta2`: first and second derivative by the location; `by_log`, `by_log2`: by
    the log of the spread; `by_both`: the mixed one.
    """

    value: FloatArray
    by_eta: FloatArray
    by_eta2: FloatArray
    by_log: FloatArray
    by_log2: FloatArray
    by_both: FloatArray


def classify_rows(lower: FloatArray, upper: FloatArray) -> IntArray:
    """Say for each row what was seen: exact, window, never (right), before a look (left), nothing.

    Parameters
    ----------
    lower, upper : array, same shape
        Bounds on the log scale; minus or plus infinity where there is none.

    Returns
    -------
    array of int
        EXACT, INTERVAL, RIGHT, LEFT or EMPTY.
    """
    no_lower = np.isneginf(lower)
    no_upper = np.isposinf(upper)
    kind = np.where(lower == upper, EXACT, INTERVAL)
    kind = np.where(no_upper, RIGHT, kind)
    kind = np.where(no_lower, LEFT, kind)
    return np.where(no_lower & no_upper, EMPTY, kind).astype(np.int64)


def normal_exact(y: FloatArray, eta: FloatArray, s: FloatArray) -> Contributions:
    """Log normal density of `y` about `eta` with standard deviation `s`."""
    z = (y - eta) / s
    z2 = z * z
    return Contributions(
        -0.5 * z2 - np.log(s) - LOG_ROOT_2PI,
        z / s,
        np.broadcast_to(-1.0 / (s * s), z.shape),
        z2 - 1.0,
        -2.0 * z2,
        -2.0 * z / s,
    )


def normal_one_sided(
    bound: FloatArray, eta: FloatArray, s: FloatArray, sign: FloatArray
) -> Contributions:
    """Log probability of ending beyond `bound`: later for `sign` +1, earlier for -1."""
    a = sign * (bound - eta) / s
    value = special.log_ndtr(-a)
    # Hazard phi/Q from logs, so that neither underflows in the tail.
    h = np.exp(-0.5 * a * a - LOG_ROOT_2PI - value)
    gap = h - a
    ah = a * h
    bend = 1.0 + a * gap
    return Contributions(
        value, sign * h / s, -h * gap / (s * s), ah, -ah * bend, -sign * h * bend / s
    )


def normal_interval(
    lower: FloatArray, upper: FloatArray, eta: FloatArray, s: FloatArray
) -> Contributions:
    """Log probability of the window (lower, upper] under a normal law."""
    a, b = np.broadcast_arrays((lower - eta) / s, (upper - eta) / s)
    middle = 0.5 * (a + b)
    narrow = (b - a) * (1.0 + np.abs(middle)) < NARROW
    if not narrow.any():
        return _wide_window(a, b, middle, s)
    if narrow.all():
        return _narrow_window(middle, 0.5 * (b - a), s)
    width = np.broadcast_to(s, a.shape)
    out = np.empty((6, *a.shape))
    wide = ~narrow
    out[:, wide] = _wide_window(a[wide], b[wide], middle[wide], width[wide])
    half = 0.5 * (b - a)
    out[:, narrow] = _narrow_window(middle[narrow], half[narrow], width[narrow])
    return Contributions(*out)


def _wide_window(a: FloatArray, b: FloatArray, middle: FloatArray, s: FloatArray) -> Contributions:
    # Turned so that both ends lie in the lower tail or astride zero: logs of the normal
    # distribution then differ without cancellation.
    turn = np.where(middle > 0.0, -1.0, 1.0)
    low = np.where(middle > 0.0, -b, a)
    high = np.where(middle > 0.0, -a, b)
    log_high = special.log_ndtr(high)
    value = log_high + np.log(-np.expm1(special.log_ndtr(low) - log_high))
    base = -LOG_ROOT_2PI - value
    g_low = np.exp(base - 0.5 * low * low)
    g_high = np.exp(base - 0.5 * high * high)
    m1 = g_low - g_high
    low2, high2 = low * low, high * high
    excess2 = low * g_low - high * g_high  # m2 - 1
    third = low2 * g_low - high2 * g_high  # m3 - 2 m1
    fourth = low2 * low * g_low - high2 * high * g_high  # m4 - 3 m2
    m2 = 1.0 + excess2
    return Contributions(
        value,
        turn * m1 / s,
        (excess2 - m1 * m1) / (s * s),
        excess2,
        fourth + m2 - m2 * m2,
        turn * (third - m1 * m2) / s,
    )


def _narrow_window(middle: FloatArray, half: FloatArray, s: FloatArray) -> Contributions:
    # t runs through the window about its middle; weights are the density inside it.
    t = half[..., None] * _POINTS
    density = _WEIGHTS * np.exp(-middle[..., None] * t - 0.5 * t * t)
    mass = density.sum(axis=-1)
    w = density / mass[..., None]
    value = np.log(half * mass) - 0.5 * middle * middle - LOG_ROOT_2PI
    shift = (w * t).sum(axis=-1)
    m1 = middle + shift
    # z^2 about its mean from the deviation d = z - m1, so that nothing cancels.
    d = t - shift[..., None]
    d2 = d * d
    variance = (w * d2).sum(axis=-1)
    m2 = m1 * m1 + variance
    skew = (w * d2 * d).sum(axis=-1)
    # cov(z, z^2) = 2 m1 var + skew; var(z^2) = 4 m1^2 var + 4 m1 skew + E d^4 - var^2
    cov = 2.0 * m1 * variance + skew
    spread2 = (
        4.0 * m1 * m1 * variance
        + 4.0 * m1 * skew
        + (w * d2 * d2).sum(axis=-1)
        - variance * variance
    )
    return Contributions(
        value,
        m1 / s,
        (variance - 1.0) / (s * s),
        m2 - 1.0,
        spread2 - 2.0 * m2,
        (cov - 2.0 * m1) / s,
    )


def weibull_exact(y: FloatArray, eta: FloatArray, s: FloatArray) -> Contributions:
    """Log density of the smallest-extreme-value law (the log of a Weibull time)."""
    w = (y - eta) / s
    grown = np.exp(np.minimum(w, _LARGEST_EXPONENT))
    wg = w * grown
    return Contributions(
        w - grown - np.log(s),
        (grown - 1.0) / s,
        -grown / (s * s),
        wg - w - 1.0,
        w - w * (1.0 + w) * grown,
        (1.0 - grown - wg) / s,
    )


def weibull_later(bound: FloatArray, eta: FloatArray, s: FloatArray) -> Contributions:
    """Log probability that a Weibull time ends after `bound`."""
    a = (bound - eta) / s
    grown = np.exp(np.minimum(a, _LARGEST_EXPONENT))
    ag = a * grown
    return Contributions(
        -grown, grown / s, -grown / (s * s), ag, -(1.0 + a) * ag, -(grown + ag) / s
    )


def weibull_interval(
    lower: FloatArray, upper: FloatArray, eta: FloatArray, s: FloatArray
) -> Contributions:
    """Log probability of the window (lower, upper] of a Weibull time; `lower` may be -inf.

    With A = exp(a), B = exp(b), D = B - A the contribution is -A + log(1 - exp(-D)), and every
    derivative is a polynomial in k = D / (exp(D) - 1) and two ratios that stay finite as the
    window closes, so narrow windows need no second branch.
    """
    a, b = np.broadcast_arrays((lower - eta) / s, (upper - eta) / s)
    left = np.isneginf(a)
    base = np.where(left, 0.0, a)
    grown_a = np.where(left, 0.0, np.exp(np.minimum(base, _LARGEST_EXPONENT)))
    grown_b = np.exp(np.minimum(b, _LARGEST_EXPONENT))
    w = np.where(left, 1.0, b - base)
    share = -np.expm1(-w)
    d = np.where(left, grown_b, grown_b * share)
    # k = d / (e^d - 1) tends to 1; the cap keeps e^d finite where k is zero anyway.
    d_safe = np.clip(d, np.finfo(float).tiny, _LARGEST_EXPONENT)
    k = np.where(d > _LARGEST_EXPONENT, 0.0, d_safe / np.expm1(d_safe))
    k_up = d_safe / -np.expm1(-d_safe)
    per_d = w / share
    ratio1 = np.where(left, b, base + per_d)
    ratio2 = np.where(left, b * (1.0 + b), base * (1.0 + base) + (1.0 + base + b) * per_d)
    ag = base * grown_a
    bend = k * (1.0 - k_up)
    return Contributions(
        -grown_a + np.log(-np.expm1(-d_safe)),
        (grown_a - k) / s,
        (bend - grown_a) / (s * s),
        ag - ratio1 * k,
        k * ratio2 - ratio1 * ratio1 * k * k_up - (1.0 + base) * ag,
        (k - grown_a - ag + bend * ratio1) / s,
    )
