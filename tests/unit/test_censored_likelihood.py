"""Contributions of single rows: values against other formulas, derivatives against differences."""

import numpy as np
import pytest
from scipy import integrate, stats

from metafreeze.models.censored_likelihood import (
    EMPTY,
    EXACT,
    INTERVAL,
    LEFT,
    RIGHT,
    classify_rows,
    normal_exact,
    normal_interval,
    normal_one_sided,
    weibull_exact,
    weibull_interval,
    weibull_later,
)

# A central difference with this step errs by about step^2 of the third derivative.
STEP = 1e-4
DIFFERENCES = 5e-6
ROUNDING = 1e-12

WINDOWS = [(-0.3, 0.9), (1.2, 1.21), (-2.0, 4.0), (2.0, 2.0 + 1e-5), (-6.0, -4.0), (-0.5, 7.0)]


def one(value):
    return np.array([[float(value)]])


def functions():
    for low, high in WINDOWS:
        yield (
            f"normal window {low} {high}",
            lambda e, s, a=low, b=high: normal_interval(one(a), one(b), e, s),
        )
        yield (
            f"weibull window {low} {high}",
            lambda e, s, a=low, b=high: weibull_interval(one(a), one(b), e, s),
        )
    for at in (-3.0, 0.4, 5.0):
        yield f"normal exact {at}", lambda e, s, a=at: normal_exact(one(a), e, s)
        yield f"normal later {at}", lambda e, s, a=at: normal_one_sided(one(a), e, s, np.ones(1))
        yield f"normal earlier {at}", lambda e, s, a=at: normal_one_sided(one(a), e, s, -np.ones(1))
    for at in (-3.0, 0.4, 2.0):
        yield f"weibull exact {at}", lambda e, s, a=at: weibull_exact(one(a), e, s)
        yield f"weibull later {at}", lambda e, s, a=at: weibull_later(one(a), e, s)
        yield (
            f"weibull earlier {at}",
            lambda e, s, a=at: weibull_interval(one(-np.inf), one(a), e, s),
        )


ALL = list(functions())


@pytest.mark.parametrize("function", [f for _, f in ALL], ids=[n for n, _ in ALL])
def test_derivatives_are_those_of_the_value(function):
    eta, log_s, h = 0.2, -0.4, STEP

    def at(de=0.0, ds=0.0):
        return function(one(eta + de), one(np.exp(log_s + ds)))

    here = at()
    e_up, e_down, s_up, s_down = at(h), at(-h), at(0, h), at(0, -h)
    pairs = [
        (here.by_eta, e_up.value - e_down.value),
        (here.by_log, s_up.value - s_down.value),
        (here.by_eta2, e_up.by_eta - e_down.by_eta),
        (here.by_log2, s_up.by_log - s_down.by_log),
        (here.by_both, s_up.by_eta - s_down.by_eta),
        (here.by_both, e_up.by_log - e_down.by_log),
    ]
    for exact, difference in pairs:
        np.testing.assert_allclose(
            np.broadcast_to(exact, (1, 1)), difference / (2 * h), rtol=DIFFERENCES, atol=DIFFERENCES
        )


@pytest.mark.parametrize("law", ["normal", "weibull"])
def test_windows_are_integrals_of_the_density(law):
    exact, window = (
        (normal_exact, normal_interval) if law == "normal" else (weibull_exact, weibull_interval)
    )
    for low, high in [(-1.0, 0.5), (0.3, 0.35), (-2.0, 2.0)]:
        mass, _ = integrate.quad(
            lambda y: float(np.exp(exact(one(y), one(0.1), one(0.7)).value[0, 0])),
            low,
            high,
            epsabs=1e-14,
        )
        value = window(one(low), one(high), one(0.1), one(0.7)).value[0, 0]
        np.testing.assert_allclose(value, np.log(mass), rtol=ROUNDING, atol=ROUNDING)


def test_probabilities_agree_with_the_general_library():
    y, s, eta = np.linspace(-4, 4, 9)[:, None], one(0.6), one(0.1)
    z = (y - eta) / s
    later = normal_one_sided(y, eta, s, np.ones(1)).value
    np.testing.assert_allclose(later, stats.norm.logsf(z), rtol=ROUNDING)
    smallest = weibull_later(y, eta, s).value
    np.testing.assert_allclose(smallest, stats.gumbel_l.logsf(z), rtol=1e-11)
    earlier = weibull_interval(np.full_like(y, -np.inf), y, eta, s).value
    np.testing.assert_allclose(earlier, stats.gumbel_l.logcdf(z), rtol=1e-11, atol=1e-15)


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_far_tails_stay_finite_and_exact(side):
    # Mills' ratio: log Q(a) = -a^2/2 - log(a root(2 pi)) + log(1 - 1/a^2 + 3/a^4 - ...).
    for a in (20.0, 100.0, 1000.0):
        got = normal_one_sided(one(side * a), one(0.0), one(1.0), np.array([side]))
        series = 1 - a**-2 + 3 * a**-4 - 15 * a**-6
        want = -0.5 * a * a - np.log(a * np.sqrt(2 * np.pi)) + np.log(series)
        np.testing.assert_allclose(got.value, want, rtol=1e-9)
        np.testing.assert_allclose(got.by_eta, side * a / series, rtol=1e-6)
        # The curvature is a difference of numbers of size a^2, good to a^2 roundings each.
        assert -1.0 - 1e-10 * a**2 <= got.by_eta2[0, 0] < 0.0
        ends = sorted([side * a, side * (a + 1)])
        window = normal_interval(one(ends[0]), one(ends[1]), one(0.0), one(1.0))
        np.testing.assert_allclose(window.value, want, rtol=1e-6)


@pytest.mark.parametrize("law", ["normal", "weibull"])
def test_a_window_that_closes_becomes_the_density(law):
    exact, window = (
        (normal_exact, normal_interval) if law == "normal" else (weibull_exact, weibull_interval)
    )
    for y in (-1.5, 0.2, 2.5):
        want = exact(one(y), one(0.1), one(0.7))
        for width in (1e-3, 1e-6, 1e-9):
            # The middle of the window stays y, so the error is width^2 / 24 times the second
            # derivative of the density over it, below 2000 here; the ends carry rounding of y.
            low, high = y - width / 2, y + width / 2
            got = window(one(low), one(high), one(0.1), one(0.7))
            allowed = 2000 / 24 * width**2 + 1e-15 / width
            np.testing.assert_allclose(got.value - np.log(high - low), want.value, atol=allowed)
            for name in ("by_eta", "by_log", "by_both", "by_log2"):
                np.testing.assert_allclose(
                    getattr(got, name),
                    getattr(want, name),
                    atol=1e4 * width**2 + 1e-6 * width + 1e-9,
                )


def test_both_branches_of_a_narrow_window_meet():
    eta, s = one(0.0), one(1.0)
    for middle in (0.0, 1.0, 3.0):
        width = 0.05 / (1 + middle)
        below = normal_interval(
            one(middle - 0.4999999 * width), one(middle + 0.4999999 * width), eta, s
        )
        above = normal_interval(
            one(middle - 0.5000001 * width), one(middle + 0.5000001 * width), eta, s
        )
        for a, b in zip(below, above, strict=True):
            # The two widths differ by 4e-7 of themselves, and the value moves with their log.
            np.testing.assert_allclose(a, b, atol=1e-6)


def test_kinds_of_rows():
    low = np.array([1.0, 1.0, 1.0, -np.inf, -np.inf])
    high = np.array([1.0, 2.0, np.inf, 2.0, np.inf])
    assert classify_rows(low, high).tolist() == [EXACT, INTERVAL, RIGHT, LEFT, EMPTY]
