"""Every field of the posterior for few studies against a plain grid in ln tau."""

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, special, stats

from metafreeze.errors import InputError
from metafreeze.models import few_studies as module
from metafreeze.models.few_studies import pool_few
from metafreeze.results import round_for_people

Y = np.array([0.3, -0.4, 0.9, 0.2])
V = np.array([0.04, 0.09, 0.02, 0.1])
# A trapezoid rule that falls to nothing at both ends is exact to rounding.
GRID = 1e-8
CASES = [
    (4, "half-normal", 0.5, np.inf),
    (3, "half-normal", 0.05, np.inf),
    (4, "half-cauchy", 0.3, np.inf),
    (4, "half-normal", 0.5, 0.4),
    (2, "half-normal", 2.0, np.inf),
    (1, "half-normal", 0.3, 1.0),
    (3, "half-cauchy", 0.2, 0.5),
    (4, "uniform", 1.0, 0.8),
]


def plain(k, prior, scale, mean_sd):
    """Nodes in tau, their weights, mean and SD of the mean effect at each, by one loop."""
    y, v = Y[:k], V[:k]
    x = np.linspace(-26, 22, 2401)
    tau = np.exp(x)
    log, mean, sd = np.empty_like(x), np.empty_like(x), np.empty_like(x)
    for i, t in enumerate(tau):
        w = 1 / (v + t * t)
        precision = w.sum() + mean_sd**-2.0
        mean[i], sd[i] = (w * y).sum() / precision, precision**-0.5
        square = (w * (y - mean[i]) ** 2).sum() + (mean[i] / mean_sd) ** 2
        log[i] = 0.5 * np.log(w).sum() - 0.5 * np.log(precision) - 0.5 * square
    if prior == "half-normal":
        log += stats.norm.logpdf(tau, 0, scale)
    elif prior == "half-cauchy":
        log += stats.cauchy.logpdf(tau, 0, scale)
    weights = np.exp(log + x - (log + x).max())
    return tau, weights / weights.sum(), mean, sd


def mixture(weights, mean, sd):
    def cdf(value):
        return weights @ special.ndtr((value - mean) / sd)

    def quantile(p):
        reach = 60 * max(1.0, sd[weights > 1e-13].max())
        return optimize.brentq(lambda q: cdf(q) - p, -reach, reach, xtol=1e-13)

    return cdf, quantile


@pytest.mark.parametrize(("k", "prior", "scale", "mean_sd"), CASES)
def test_every_field(k, prior, scale, mean_sd):
    level = 0.8 if k == 3 else 0.95
    names = [f"lab {i}" for i in range(k)]
    fit = pool_few(
        Y[:k],
        V[:k],
        tau_scale=scale,
        tau_prior=prior,
        mean_sd=mean_sd,
        study=names,
        level=level,
    )
    tau, weights, mean, sd = plain(k, prior, scale, mean_sd)
    tail = (1 - level) / 2
    centre = weights @ mean
    cdf, quantile = mixture(weights, mean, sd)
    wide, wide_quantile = mixture(weights, mean, (sd**2 + tau**2) ** 0.5)
    expected = {
        "estimate": centre,
        "sd": (weights @ (sd**2 + mean**2) - centre**2) ** 0.5,
        "low": quantile(tail),
        "high": quantile(1 - tail),
        "chance_below_zero": cdf(0.0),
        "tau_mean": weights @ tau,
        "new_low": wide_quantile(tail),
        "new_high": wide_quantile(1 - tail),
        "new_chance_below_zero": wide(0.0),
    }
    for name, value in expected.items():
        assert getattr(fit, name) == pytest.approx(value, rel=1e-6, abs=GRID), name
    steps = np.cumsum(weights) - weights / 2
    for name, p in (("tau", 0.5), ("tau_low", tail), ("tau_high", 1 - tail)):
        exact = np.exp(np.interp(p, steps, np.log(tau)))
        assert getattr(fit, name) == pytest.approx(exact, rel=1e-3), name
    for value in (-0.2, 0.1, 0.5):
        assert fit.chance_mean_below(value) == pytest.approx(cdf(value), abs=GRID)
        assert fit.chance_next_below(value) == pytest.approx(wide(value), abs=GRID)
    assert fit.tau_weights.sum() == pytest.approx(1.0)
    assert fit.tau_weights @ np.log(fit.tau_nodes) == pytest.approx(weights @ np.log(tau), rel=1e-7)
    np.testing.assert_allclose(fit.node_mean, np.interp(fit.tau_nodes, tau, mean), atol=1e-4)
    np.testing.assert_allclose(fit.node_sd, np.interp(fit.tau_nodes, tau, sd), rtol=1e-3)
    for i, row in enumerate(fit.studies.itertuples(index=False)):
        keep = tau**2 / (V[i] + tau**2)
        own = keep * Y[i] + (1 - keep) * mean
        own_sd = (keep * V[i] + (1 - keep) ** 2 * sd**2) ** 0.5
        own_cdf, own_quantile = mixture(weights, own, own_sd)
        middle = weights @ own
        numbers = (
            middle,
            (weights @ (own_sd**2 + own**2) - middle**2) ** 0.5,
            own_quantile(tail),
            own_quantile(1 - tail),
            own_cdf(0.0),
        )
        assert row[0] == names[i]
        assert tuple(row)[1:] == pytest.approx(numbers, rel=1e-6, abs=GRID)
    assert (fit.k, fit.tau_prior, fit.tau_scale, fit.mean_sd, fit.level, fit.status) == (
        *(k, prior, scale, mean_sd, level),
        "ok",
    )
    assert fit.note == (
        f"the {prior} prior on how much studies disagree weighs in; try half and twice its scale"
    )
    frame_and_line(fit)


def frame_and_line(fit):
    nan = float("nan")
    rows = [
        ("mean effect", fit.estimate, fit.sd, fit.low, fit.high, fit.chance_below_zero),
        ("next study", fit.estimate, nan, fit.new_low, fit.new_high, fit.new_chance_below_zero),
        ("tau", fit.tau, nan, fit.tau_low, fit.tau_high, 0.0),
    ]
    rows += [(f"study: {r[0]}", *r[1:]) for r in fit.studies.itertuples(index=False)]
    columns = ["quantity", "estimate", "sd", "low", "high", "chance_below_zero"]
    pd.testing.assert_frame_equal(fit.to_frame(), pd.DataFrame(rows, columns=columns))
    parts = [round_for_people(x) for x in (fit.estimate, fit.low, fit.high, fit.tau_scale)]
    assert fit.headline() == (
        f"mean effect {parts[0]} ({100 * fit.level:g} % {parts[1]} to {parts[2]}), {fit.k} "
        f"studies; below zero with chance {fit.chance_below_zero:.2f}, the next study with "
        f"{fit.new_chance_below_zero:.2f}; {fit.tau_prior} prior on tau, scale {parts[3]}"
    )


@pytest.mark.parametrize(
    ("k", "prior", "mean_sd", "sd_infinite", "tau_infinite"),
    [
        # The density of tau falls as tau^-(k - 1) times the prior's power under a flat mean.
        (3, "uniform", np.inf, True, True),
        (4, "uniform", np.inf, True, False),
        (2, "uniform", 1.0, False, True),
        (3, "uniform", 1.0, False, False),
        (1, "half-cauchy", np.inf, True, True),
        (2, "half-cauchy", np.inf, True, False),
        (3, "half-cauchy", np.inf, False, False),
        (1, "half-cauchy", 1.0, False, False),
        (1, "half-normal", np.inf, False, False),
    ],
)
def test_moments_that_do_not_exist_are_infinite(k, prior, mean_sd, sd_infinite, tau_infinite):
    fit = pool_few(Y[:k], V[:k], tau_scale=0.5, tau_prior=prior, mean_sd=mean_sd)
    assert np.isinf(fit.sd) == sd_infinite and np.isinf(fit.tau_mean) == tau_infinite
    assert ("standard deviation of the mean effect is infinite" in fit.note) == sd_infinite
    assert ("mean of tau is infinite" in fit.note) == tau_infinite
    assert np.isfinite([fit.low, fit.high, fit.tau_high, fit.new_high]).all()


def test_five_studies_and_a_uniform_prior_have_a_spread():
    fit = pool_few([*Y, 0.1], [*V, 0.05], tau_scale=1.0, tau_prior="uniform")
    assert np.isfinite(fit.sd) and np.isfinite(fit.tau_mean)


def test_defaults_are_a_half_normal_and_a_flat_mean():
    fit = pool_few(Y, V, tau_scale=0.5)
    assert (fit.tau_prior, fit.mean_sd, fit.level) == ("half-normal", np.inf, 0.95)
    assert list(fit.studies["study"]) == ["1", "2", "3", "4"]


def test_a_tiny_scale_is_the_common_effect_and_a_point():
    fit = pool_few(Y, V, tau_scale=1e-7)
    w = 1 / V
    assert fit.estimate == pytest.approx((w @ Y) / w.sum(), rel=1e-9)
    assert fit.sd == pytest.approx(w.sum() ** -0.5, rel=1e-9)
    # The prior is then the posterior: quantiles of a half-normal.
    assert fit.tau == pytest.approx(1e-7 * stats.halfnorm.ppf(0.5), rel=1e-6)
    assert fit.tau_high == pytest.approx(1e-7 * stats.halfnorm.ppf(0.975), rel=1e-6)
    assert fit.tau_low == pytest.approx(1e-7 * stats.halfnorm.ppf(0.025), rel=1e-6)
    assert fit.tau_mean == pytest.approx(1e-7 * (2 / np.pi) ** 0.5, rel=1e-6)


def test_one_study_says_nothing_on_tau():
    fit = pool_few([0.2], [0.04], tau_scale=0.3)
    assert fit.tau == pytest.approx(0.3 * stats.halfnorm.ppf(0.5), rel=1e-6)
    assert fit.estimate == pytest.approx(0.2)
    assert fit.sd == pytest.approx((0.04 + 0.09) ** 0.5, rel=1e-6)


@pytest.mark.parametrize("prior", ["half-normal", "half-cauchy"])
def test_far_apart_and_exact_studies_are_resolved(prior):
    """Effects a million errors apart: the posterior of tau is that of an exact sample."""
    y = np.array([0.0, 1.0, 2.0, 4.0])
    fit = pool_few(y, np.full(4, 1e-12), tau_scale=5.0, tau_prior=prior)
    tau = np.exp(np.linspace(-5, 9, 20001))
    # tau^-3 from four effects around their mean, then the step of ln tau.
    log = -3 * np.log(tau) - 0.5 * 4 * y.var() / tau**2 + np.log(tau)
    log += stats.norm.logpdf(tau / 5) if prior == "half-normal" else stats.cauchy.logpdf(tau / 5)
    w = np.exp(log - log.max())
    assert fit.tau_mean == pytest.approx((w @ tau) / w.sum(), rel=1e-6)
    assert fit.estimate == pytest.approx(y.mean())


@pytest.mark.parametrize(
    ("k", "options", "words"),
    [
        (3, {"tau_scale": 0.0}, "tau_scale"),
        (3, {"tau_scale": float("nan")}, "tau_scale"),
        (3, {"tau_scale": 1.0, "mean_sd": 0.0}, "mean_sd"),
        (2, {"tau_scale": 1.0, "tau_prior": "uniform"}, "With 2 studies"),
        (1, {"tau_scale": 1.0, "tau_prior": "uniform", "mean_sd": 1.0}, "With 1 studies"),
        (3, {"tau_scale": 1.0, "level": 1.0}, "level"),
    ],
)
def test_what_has_no_posterior_is_refused(k, options, words):
    with pytest.raises(InputError, match=words):
        pool_few(Y[:k], V[:k], **options)


def test_the_quadrature_is_that_of_gauss_and_legendre():
    # A normal density in ln tau, cut into panels: mass, mean and quantiles are known.
    def log_posterior(tau):
        return -0.5 * (np.log(tau) - 1.0) ** 2 - np.log(tau)

    edges = np.linspace(-9.0, 11.0, 21)
    nodes, weights, masses = module._tau_quadrature(log_posterior, edges, 0.0)
    assert masses.sum() == pytest.approx((2 * np.pi) ** 0.5, rel=1e-12)
    expected = np.diff(stats.norm.cdf(edges, 1.0)) * (2 * np.pi) ** 0.5
    np.testing.assert_allclose(masses, expected, rtol=1e-9, atol=1e-15)
    assert weights @ np.log(nodes) == pytest.approx(1.0)
    assert weights @ (np.log(nodes) - 1) ** 2 == pytest.approx(1.0)
    quantile = module._tau_quantiles(log_posterior, edges, 0.0, masses)
    for p in (1e-6, 0.025, 0.5, 0.9, 0.999):
        assert np.log(quantile(p)) == pytest.approx(1.0 + stats.norm.ppf(p), abs=1e-8)


def test_panels_cover_the_posterior_and_are_fine_at_its_mode():
    def log_posterior(tau):
        return -0.5 * ((np.log(tau) - 0.5) / 1e-3) ** 2 - np.log(tau)

    edges, height = module._panels(log_posterior, np.array([0.0, 1.0]), np.array([1.0, 2.0]), 1.0)
    assert height == pytest.approx(0.0, abs=1e-9)
    assert (np.diff(edges) > 0).all()
    for width in (1, 2, 3, 4, 6, 8, 12):
        for side in (-1, 1):
            assert np.abs(edges - (0.5 + side * width * 1e-3)).min() < 1e-6
    _, _, masses = module._tau_quadrature(log_posterior, edges, height)
    assert masses.sum() == pytest.approx(1e-3 * (2 * np.pi) ** 0.5, rel=1e-9)
