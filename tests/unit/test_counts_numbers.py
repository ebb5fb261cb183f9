"""Every field of pooled counts against integrals by quad and plain formulas."""

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, optimize, special, stats

from metafreeze.errors import InputError
from metafreeze.models import counts as module
from metafreeze.models.counts import _Counts, pool_counts
from metafreeze.results import round_for_people

NAN = float("nan")
SETS = {
    "spread": ([6, 0, 5, 9, 1], [20, 9, 12, 10, 14]),
    "two": ([2, 9], [10, 11]),
    "calm": ([5, 6, 5, 4], [10, 12, 10, 9]),
    "steep": ([0, 30, 1, 28, 30], [30, 30, 30, 30, 30]),
    "single": ([3], [11]),
}


def dense(mu, tau, k, n):
    """Log likelihood by the trapezoid rule over the whole normal, no mode and no stretching."""
    u = np.linspace(-10, 10, 2501)
    share = special.expit(mu + tau * u)
    inside = stats.binom.pmf(k[:, None], n[:, None], share) * stats.norm.pdf(u)
    return float(np.log(integrate.trapezoid(inside, x=u)).sum())


def both(name):
    return (np.array(a, dtype=float) for a in SETS[name])


@pytest.mark.parametrize("name", SETS)
@pytest.mark.parametrize(
    ("mu", "tau"), [(-0.5, 0.0), (0.3, 0.4), (-1.0, 2.0), (0.5, 4.9), (0.0, 5.1), (-3.0, 9.0)]
)
def test_the_integral_and_its_slopes(name, mu, tau):
    k, n = both(name)
    value, slope, slope_tau, bend = _Counts(k=k, n=n).with_slopes(mu, tau)
    assert value == pytest.approx(dense(mu, tau, k, n), abs=1e-7)
    assert _Counts(k=k, n=n).log_likelihood(mu, tau) == value
    h = 1e-4
    ahead, behind = dense(mu + h, tau, k, n), dense(mu - h, tau, k, n)
    assert slope == pytest.approx((ahead - behind) / (2 * h), abs=1e-5)
    assert bend == pytest.approx((ahead - 2 * dense(mu, tau, k, n) + behind) / h**2, abs=1e-4)
    up = dense(mu, tau + h, k, n) - dense(mu, abs(tau - h), k, n)
    assert slope_tau == pytest.approx(up / (2 * h), abs=1e-5)


@pytest.mark.parametrize("name", SETS)
@pytest.mark.parametrize(("mu", "tau"), [(0.3, 0.4), (-1.0, 2.0), (-4.0, 12.0)])
def test_the_mode_is_where_the_integrand_is_flat(name, mu, tau):
    k, n = both(name)
    mode, width = _Counts(k=k, n=n)._mode(mu, tau)
    for i in range(k.size):

        def slope(u, i=i):
            return tau * (k[i] - n[i] * special.expit(mu + tau * u)) - u

        exact = optimize.brentq(slope, -tau * n[i] - 1, tau * n[i] + 1, xtol=1e-13)
        assert mode[i] == pytest.approx(exact, abs=2e-3 * (1 + abs(exact)))
        p = special.expit(mu + tau * mode[i])
        assert width[i] == pytest.approx((1 + tau**2 * n[i] * p * (1 - p)) ** -0.5)


def test_nodes_are_a_stretched_trapezoid_rule():
    for step in (module.COARSE, module.FINE):
        at, log_weights = module._nodes(step)
        z = np.arcsinh(at)
        np.testing.assert_allclose(np.diff(z), step, rtol=1e-9)
        assert z.max() == pytest.approx(module.FURTHEST) and z.min() == -z.max()
        weights = np.exp(log_weights - 0.5 * at**2)
        for power, moment in ((0, 1.0), (1, 0.0), (2, 1.0), (4, 3.0)):
            assert weights @ at**power == pytest.approx(moment, abs=1e-9)


def dense_profile(value, start):
    found = optimize.minimize_scalar(
        lambda x: -value(x), bounds=start, method="bounded", options={"xatol": 1e-10}
    )
    return -found.fun


@pytest.mark.parametrize(
    ("name", "level"), [("spread", 0.95), ("calm", 0.95), ("two", 0.8), ("spread", 0.8)]
)
def test_limits_are_where_the_dense_profile_has_fallen(name, level):
    k, n = both(name)
    m = k.size
    fit = pool_counts(k, n, level=level)
    tau = fit.tau2**0.5
    best = dense(fit.estimate, tau, k, n)
    assert fit.log_likelihood == pytest.approx(best, abs=1e-7)
    for mu, t in ((1e-2, 0.0), (-1e-2, 0.0), (0.0, 1e-2), (0.0, -1e-2)):
        assert dense(fit.estimate + mu, abs(tau + t), k, n) < best + 1e-9

    def over_tau(mu):
        grid = [dense(mu, t, k, n) for t in np.linspace(0, 6, 25)]
        i = int(np.argmax(grid))
        step = (max(0, i - 1) * 0.25, (i + 1) * 0.25)
        return max(grid[i], dense_profile(lambda t: dense(mu, t, k, n), step))

    t = stats.t.ppf(1 - (1 - level) / 2, m - 1)
    drop = m / 2 * np.log(1 + t**2 / (m - 1))
    for limit in (fit.low, fit.high):
        assert best - over_tau(limit) == pytest.approx(drop, abs=1e-5)
    fall = best - over_tau(0.0)
    t = ((m - 1) * (np.exp(2 * fall / m) - 1)) ** 0.5
    assert fit.p == pytest.approx(2 * (1 - stats.t.cdf(t, m - 1)), abs=1e-6)

    def over_mean(t):
        return dense_profile(lambda mu: dense(mu, t, k, n), (-8, 8))

    drop = stats.chi2.ppf(level, 1) / 2
    assert best - over_mean(fit.tau2_high**0.5) == pytest.approx(drop, abs=1e-4)
    if fit.tau2_low > 0:
        assert best - over_mean(fit.tau2_low**0.5) == pytest.approx(drop, abs=1e-4)
    else:
        assert best - over_mean(0.0) <= drop + 1e-9
    z = stats.norm.ppf(1 - (1 - level) / 2)
    chances = (fit.chance, fit.chance_low, fit.chance_high, fit.prediction_low, fit.prediction_high)
    points = np.array(
        [fit.estimate, fit.low, fit.high, fit.estimate - z * tau, fit.estimate + z * tau]
    )
    assert chances == pytest.approx(tuple(1 / (1 + np.exp(-points))))
    assert (fit.k, fit.events, fit.pairs, fit.level) == (m, k.sum(), n.sum(), level)
    if name == "calm":
        assert (fit.tau2, fit.tau2_low, fit.status) == (0.0, 0.0, "boundary")
        assert "does not show that studies agree" in fit.note
    elif name == "spread":
        assert fit.tau2 > 0 and (fit.status, fit.note) == ("ok", "")
    assert fit.reasons == {}


def test_a_large_spread_has_a_lower_limit_above_zero():
    fit = pool_counts(*SETS["steep"])
    assert 0 < fit.tau2_low < fit.tau2 < fit.tau2_high
    assert fit.status == "ok"
    k, n = both("steep")
    drop = stats.chi2.ppf(0.95, 1) / 2
    inner = dense_profile(lambda mu: dense(mu, fit.tau2_low**0.5, k, n), (-8, 8))
    assert fit.log_likelihood - inner == pytest.approx(drop, abs=1e-4)


@pytest.mark.parametrize("level", [0.95, 0.8])
def test_one_cluster_is_one_binomial_in_every_field(level):
    fit = pool_counts([1, 2], [5, 6], cluster=["a", "a"], level=level)

    def fall(mu):
        return stats.binom.logpmf(3, 11, 3 / 11) - stats.binom.logpmf(3, 11, special.expit(mu))

    drop = stats.chi2.ppf(level, 1) / 2
    top = special.logit(3 / 11)
    low = optimize.brentq(lambda m: fall(m) - drop, top - 9, top)
    high = optimize.brentq(lambda m: fall(m) - drop, top, top + 9)
    assert (fit.estimate, fit.low, fit.high) == pytest.approx((top, low, high), rel=1e-8)
    assert fit.p == pytest.approx(1 - stats.chi2.cdf(2 * fall(0.0), 1))
    assert (fit.k, fit.events, fit.pairs, fit.status, fit.note) == (1, 3, 11, "ok", "")
    for name in ("tau2", "tau2_low", "tau2_high", "prediction_low", "prediction_high"):
        assert np.isnan(getattr(fit, name))
    why = "one cluster says nothing on how much clusters disagree"
    assert fit.reasons == {"tau2": why, "prediction": why}
    assert list(fit.to_frame()["reason"]) == ["", "", why, why]
    assert fit.log_likelihood == pytest.approx(stats.binom.logpmf(3, 11, 3 / 11))


def test_the_frame_and_the_line_hold_the_fields():
    fit = pool_counts(*SETS["spread"])
    rows = [
        ("log odds", fit.estimate, fit.low, fit.high, fit.p, ""),
        ("chance of hotter first", fit.chance, fit.chance_low, fit.chance_high, NAN, ""),
        ("chance in a new cluster", fit.chance, fit.prediction_low, fit.prediction_high, NAN, ""),
        ("tau2", fit.tau2, fit.tau2_low, fit.tau2_high, NAN, ""),
    ]
    columns = ["quantity", "estimate", "low", "high", "p", "reason"]
    pd.testing.assert_frame_equal(fit.to_frame(), pd.DataFrame(rows, columns=columns))
    parts = [round_for_people(x) for x in (fit.chance, fit.chance_low, fit.chance_high)]
    assert fit.headline() == (
        f"hotter first in 21 of 65 pairs, 5 clusters: chance {parts[0]} (95 % {parts[1]} to "
        f"{parts[2]}); exact binomial likelihood; ok"
    )
    assert fit.level == 0.95


@pytest.mark.parametrize("level", [0.95, 0.8])
@pytest.mark.parametrize("every", [False, True])
def test_all_or_none_in_every_field(every, level):
    n = np.array([4.0, 3.0, 5.0])
    fit = pool_counts(n if every else 0 * n, n, level=level)
    # Twelve pairs all alike: chance to the twelfth power is 1 - level at the limit.
    limit = (1 - level) ** (1 / 12)
    expected = (limit, 1.0) if every else (0.0, 1 - limit)
    assert (fit.chance_low, fit.chance_high) == pytest.approx(expected)
    for name in ("estimate", "low", "high", "chance", "p", "tau2", "tau2_low", "tau2_high"):
        assert np.isnan(getattr(fit, name))
    assert np.isnan([fit.prediction_low, fit.prediction_high, fit.log_likelihood]).all()
    assert (fit.k, fit.events, fit.pairs) == (3, 12.0 if every else 0.0, 12.0)
    assert (fit.status, fit.level) == ("boundary", level)
    word = "always" if every else "never"
    why = f"the hotter one was {word} first, so only a limit is known"
    assert fit.reasons == dict.fromkeys(("estimate", "tau2", "prediction"), why)
    assert fit.note.startswith(f"{why}; the limit is exact")
    assert list(fit.to_frame()["reason"]) == [why] * 4


def test_one_pair_apart_from_all_or_none_is_an_estimate():
    assert pool_counts([0, 1], [4, 5]).status != "unidentifiable"
    assert np.isfinite(pool_counts([0, 1], [4, 5]).estimate)
    assert np.isfinite(pool_counts([4, 4], [4, 5]).estimate)


def test_rows_of_a_cluster_are_added_whatever_their_order():
    rows = pool_counts([1, 4, 2, 0], [5, 6, 5, 3], cluster=["b", 7, "b", 7])
    sums = pool_counts([4, 3], [9, 10])
    pd.testing.assert_frame_equal(rows.to_frame(), sums.to_frame())


@pytest.mark.parametrize(
    ("k", "n", "row"),
    [
        ([1, 3], [2, 2], 2),
        ([-1, 1], [2, 2], 1),
        ([0, 1], [0.5, 2], 1),
        ([1, NAN], [2, 2], 2),
        ([1, 1], [2, float("inf")], 2),
    ],
)
def test_what_is_no_count_is_named_by_row(k, n, row):
    with pytest.raises(InputError) as caught:
        pool_counts(k, n, cluster=["x", "y"])
    (fault,) = caught.value.faults
    assert (fault.rule, fault.location.row, fault.location.column) == ("count", row, "k")
    assert fault.location.run == "xy"[row - 1]
    assert fault.value == f"{k[row - 1]:g}"


def test_limits_of_what_is_a_count():
    assert pool_counts([0, 1], [1, 1]).pairs == 2  # k = 0 and k = n, n = 1
    assert pool_counts(1, 3).k == 1  # a number is a row
    with pytest.raises(InputError) as caught:
        pool_counts([3, 1], [2, 2])
    assert caught.value.faults[0].location.run == "1"
    for k, n in (([1, 1], [2]), ([], []), ([[1]], [[2]])):
        with pytest.raises(InputError, match="one of each per row"):
            pool_counts(k, n)
    with pytest.raises(InputError, match="cluster has 1 names and k has 2 rows"):
        pool_counts([1, 1], [2, 2], cluster=["a"])


def test_walking_outward_solves_or_finds_no_end():
    for direction in (-1.0, 1.0):
        for reach in (0.05, 0.1, 3.7, 25.0):
            found = module._outward(lambda x: abs(x - 2.0) - reach, 2.0, direction)  # noqa: B023
            assert found == pytest.approx(2.0 + direction * reach, rel=1e-10)
        assert module._outward(lambda _: -1.0, 0.0, direction) == direction * np.inf


@pytest.mark.parametrize("scale", [1.0, 2.5])
def test_the_highest_mode_is_found(scale):
    def two_bumps(heights, at=(0.3, 4.0)):
        def value(t):
            return (
                sum(
                    h * np.exp(-0.5 * (np.log(t / scale / a) / 0.3) ** 2)
                    for h, a in zip(heights, at, strict=True)
                )
                if t > 0
                else 0.0
            )

        def slope(t):
            return (value(t * (1 + 1e-6)) - value(t * (1 - 1e-6))) / (2e-6 * t)

        return value, slope

    for heights, best in (((1.0, 2.0), 4.0), ((2.0, 1.0), 0.3)):
        found = module._highest(*two_bumps(heights), scale)
        assert found == pytest.approx(best * scale, rel=1e-3)
    assert module._highest(lambda t: -t, lambda _: -1.0, scale) == 0.0
    assert module._highest(lambda t: t, lambda _: 1.0, scale) == pytest.approx(20.0 * scale)


def test_the_best_mean_is_that_of_a_search():
    for name in ("spread", "two", "steep"):
        k, n = both(name)
        for tau in (0.0, 1.0, 6.0):
            found = _Counts(k=k, n=n).best_mean(tau)
            search = optimize.minimize_scalar(
                lambda m, t=tau, k=k, n=n: -dense(m, t, k, n),
                bounds=(-9, 9),
                method="bounded",
                options={"xatol": 1e-9},
            )
            assert found == pytest.approx(search.x, abs=1e-5)
            assert _Counts(k=k, n=n).profile_tau(tau) == pytest.approx(-search.fun, abs=1e-7)


def test_two_clusters_of_equal_share_are_the_boundary_and_one_is_not():
    two = pool_counts([3, 6], [10, 20])
    assert (two.status, two.tau2, two.tau2_low) == ("boundary", 0.0, 0.0)
    assert two.chance == pytest.approx(0.3) and "does not show" in two.note
    assert two.reasons == {} and np.isfinite(two.tau2_high)
    assert two.prediction_low == two.prediction_high == pytest.approx(0.3)
    assert pool_counts([3], [10]).status == "ok"
