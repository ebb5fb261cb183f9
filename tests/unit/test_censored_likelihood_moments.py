"""Every contribution and derivative of a row against integrals over its window.

For a density f with score u and curvature c by a parameter, the log of its integral over a
window has the mean of u as its first derivative and the mean of c plus the covariance of the
scores as its second (Louis 1982, Journal of the Royal Statistical Society B 44, 226-233).
"""

import numpy as np
import pytest

from metafreeze.models import censored_likelihood as rows_of

NAMES = ("value", "by_eta", "by_eta2", "by_log", "by_log2", "by_both")
# Gauss-Legendre over forty panels leaves rounding; moments of four orders lose a few digits.
CLOSE = 2e-10
TWENTY, SHARES = np.polynomial.legendre.leggauss(20)
INF = np.inf


def standard(law, w):
    """Log density of the standard law with its first two derivatives by the place."""
    if law == "normal":
        return -0.5 * w * w - 0.5 * np.log(2.0 * np.pi), -w, -np.ones_like(w)
    return w - np.exp(w), 1.0 - np.exp(w), -np.exp(w)


def place(law, y, eta, s):
    """Log density at y and its derivatives, in the order of NAMES."""
    w = (y - eta) / s
    log_f, d, dd = standard(law, w)
    return (
        log_f - np.log(s),
        -d / s,
        dd / s**2,
        -w * d - 1.0,
        w * w * dd + w * d,
        (w * dd + d) / s,
    )


def window(law, low, high, eta, s):
    """Moments over (low, high], both ends brought in to where the density is not nothing."""
    left, right = (-45.0, 45.0) if law == "normal" else (-60.0, 6.5)
    a, b = max((low - eta) / s, left), min((high - eta) / s, right)
    # Far out in a tail all of the mass lies next to the near end.
    if law == "normal" and a > 4.0:
        b = min(b, a + 45.0 / a)
    if law == "normal" and b < -4.0:
        a = max(a, b - 45.0 / -b)
    if law == "weibull":
        b = min(b, np.log(np.exp(a) + 45.0))
    edges = np.linspace(a, b, 41)
    half = 0.5 * np.diff(edges)[:, None]
    w = (0.5 * (edges[1:] + edges[:-1])[:, None] + half * TWENTY).ravel()
    weight = (half * SHARES).ravel()
    log_f, u, uu, v, vv, uv = place(law, eta + s * w, eta, s)
    log_f = log_f + np.log(s)
    top = log_f.max()
    weight = weight * np.exp(log_f - top)
    mass = weight.sum()
    weight = weight / mass

    def mean(x):
        return float((weight * x).sum())

    mu, mv = mean(u), mean(v)
    return (
        top + np.log(mass),
        mu,
        mean(uu) + mean((u - mu) ** 2),
        mv,
        mean(vv) + mean((v - mv) ** 2),
        mean(uv) + mean((u - mu) * (v - mv)),
    )


def check(got, want):
    for name, value in zip(NAMES, want, strict=True):
        here = np.broadcast_to(getattr(got, name), got.value.shape)
        np.testing.assert_allclose(here, value, rtol=CLOSE, atol=CLOSE, err_msg=name)


def spot(eta, s):
    return np.array([[float(eta)]]), np.array([[float(s)]])


PLACES = [(0.0, 1.0), (0.3, 0.5), (-1.2, 2.5)]
WINDOWS = [
    (-0.4, 0.6),
    (-3.0, 2.0),
    (0.5, 0.95),
    (0.1, 1.0),
    (-1.3, -0.9),
    (1.0, 4.0),
    (-0.02, 0.03),
    (0.71, 0.715),
    (-2.3, -2.2997),
    (1.4, 1.46),
    (-0.5, 0.5),
]


@pytest.mark.parametrize("law", ["normal", "weibull"])
@pytest.mark.parametrize(("eta", "s"), PLACES)
def test_windows_are_moments_over_the_window(law, eta, s):
    function = rows_of.normal_interval if law == "normal" else rows_of.weibull_interval
    low, high = (np.array(part)[:, None] for part in zip(*WINDOWS, strict=True))
    want = np.array([window(law, a, b, eta, s) for a, b in WINDOWS])
    shape = (len(WINDOWS), 1)
    # All at once, so that narrow and wide ones stand side by side, and one by one.
    check(function(low, high, np.full(shape, eta), np.full(shape, s)), want.T[:, :, None])
    for (a, b), row in zip(WINDOWS, want, strict=True):
        check(function(*spot(a, b), *spot(eta, s)), row)


@pytest.mark.parametrize("law", ["normal", "weibull"])
@pytest.mark.parametrize(("eta", "s"), PLACES)
@pytest.mark.parametrize("bound", [-1.5, 0.0, 0.3, 1.1])
def test_one_sided_rows_are_moments_beyond_the_bound(law, eta, s, bound):
    at, (e, spread) = np.array([[bound]]), spot(eta, s)
    if law == "normal":
        later = rows_of.normal_one_sided(at, e, spread, np.ones(1))
        earlier = rows_of.normal_one_sided(at, e, spread, -np.ones(1))
    else:
        later = rows_of.weibull_later(at, e, spread)
        earlier = rows_of.weibull_interval(np.full((1, 1), -INF), at, e, spread)
    check(later, window(law, bound, INF, eta, s))
    check(earlier, window(law, -INF, bound, eta, s))


@pytest.mark.parametrize("law", ["normal", "weibull"])
@pytest.mark.parametrize(("eta", "s"), PLACES)
@pytest.mark.parametrize("y", [-1.5, 0.0, 0.9])
def test_seen_rows_are_the_density(law, eta, s, y):
    function = rows_of.normal_exact if law == "normal" else rows_of.weibull_exact
    check(function(np.array([[y]]), *spot(eta, s)), place(law, y, eta, s))


def test_a_weibull_window_with_an_open_end_is_the_one_sided_row():
    bound = np.array([[-0.7], [0.2], [1.3]])
    e, s = np.full((3, 1), 0.1), np.full((3, 1), 0.8)
    far = rows_of.weibull_interval(np.full((3, 1), -60.0), bound, e, s)
    open_end = rows_of.weibull_interval(np.full((3, 1), -INF), bound, e, s)
    for name, a, b in zip(NAMES, far, open_end, strict=True):
        # The mass below -60 is exp(-75) of the whole.
        np.testing.assert_allclose(a, b, rtol=1e-11, atol=1e-11, err_msg=name)


@pytest.mark.parametrize("w", [6.55, 6.7, 40.0, 800.0])
def test_weibull_rows_beyond_all_mass_stay_finite(w):
    at, (e, s) = np.array([[w]]), spot(0.0, 1.0)
    grown = np.exp(min(w, 700.0))
    # Second derivatives of what is certainly over may overflow; the search takes no such step.
    with np.errstate(over="ignore"):
        later = rows_of.weibull_later(at, e, s)
    assert later.value[0, 0] == pytest.approx(-grown, rel=1e-12)
    assert np.isfinite(later.by_eta).all()
    # Before a bound that all times keep: certain, and nothing moves it.
    certain = rows_of.weibull_interval(np.full((1, 1), -INF), at, e, s)
    for part in certain:
        assert part[0, 0] == pytest.approx(0.0, abs=1e-290)
    with np.errstate(over="ignore"):
        seen = rows_of.weibull_exact(at, e, s)
    assert seen.value[0, 0] == pytest.approx(w - grown, rel=1e-12)


def test_a_weibull_window_far_above_is_the_survival_to_its_start():
    # exp(7) - exp(6.6) is more than 300: what is left beyond the upper end is nothing.
    wide = rows_of.weibull_interval(*spot(6.6, 7.4), *spot(0.0, 1.0))
    later = rows_of.weibull_later(np.array([[6.6]]), *spot(0.0, 1.0))
    for name, a, b in zip(NAMES, wide, later, strict=True):
        np.testing.assert_allclose(a, b, rtol=1e-12, err_msg=name)
    empty = rows_of.weibull_interval(*spot(-INF, -800.0), *spot(0.0, 1.0))
    assert np.isfinite(empty.value).all() and empty.value[0, 0] < -700.0


def test_a_kind_for_every_pair_of_bounds():
    low = np.array([[1.0, 1.0, -INF], [-INF, 1.0, 0.0]])
    high = np.array([[1.0, INF, 1.0], [INF, 1.5, 0.0]])
    kinds = rows_of.classify_rows(low, high)
    assert kinds.dtype == np.int64
    assert kinds.tolist() == [
        [rows_of.EXACT, rows_of.RIGHT, rows_of.LEFT],
        [rows_of.EMPTY, rows_of.INTERVAL, rows_of.EXACT],
    ]
    assert len({rows_of.EXACT, rows_of.INTERVAL, rows_of.RIGHT, rows_of.LEFT, rows_of.EMPTY}) == 5
