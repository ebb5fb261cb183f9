"""Times not seen exactly against slow twins and general libraries."""

import numpy as np
import pytest
from oracles.model_free_times import product_limit, window_masses
from oracles.unseen_dense import (
    GRID,
    WEIGHTS,
    adaptive_integral,
    criterion,
    dense_normal_criterion,
)
from scipy import optimize, stats
from statsmodels.base.model import GenericLikelihoodModel

import metafreeze as mf

# The fit stops within 1e-12 of its minimum; what is left is rounding of the sums and the
# integration, refined to 1e-8 of the criterion.
CRITERION = 1e-7
# Estimates are a square root less exact than the criterion of a general optimiser.
ESTIMATE = 1e-4
# Limits are found with nodes that leave 5e-4 in a criterion that stands about 6 above its least.
LIMITS = 1e-4
# Two exact engines of the same normal model.
SAME_MODEL = 1e-6


def sample(seed, studies=4, batches=2, rows=4, *, family="log-normal", kinds=True):
    """Small data with windows, exact rows and both censorings; study, batch and slope effects."""
    rng = np.random.default_rng(seed)
    n = studies * batches * rows
    study = np.repeat(np.arange(studies), batches * rows)
    batch = np.repeat(np.arange(studies * batches), rows)
    start = np.tile([-1.0, 0.0, 1.0, 0.5], n)[:n]
    noise = rng.normal(size=n)
    if family == "weibull":
        noise = np.log(rng.exponential(size=n))
    level = 0.4 * rng.normal(size=studies)[study] + 0.2 * rng.normal(size=studies * batches)[batch]
    y = 4.0 + 0.2 * start + level + 0.3 * rng.normal(size=studies)[study] * start + 0.2 * noise
    low, high = y.copy(), y.copy()
    if kinds:
        kind = rng.permutation(np.arange(n) % 4)
        window = kind == 1
        low[window] = np.floor(y[window] * 4) / 4
        high[window] = low[window] + 0.25
        low[kind == 2], high[kind == 2] = y[kind == 2] - 0.1, np.inf
        low[kind == 3], high[kind == 3] = -np.inf, y[kind == 3] + 0.1
    x = np.column_stack([np.ones(n), start])
    return low, high, x, study, batch


def parameters(fit):
    """Coefficients, scale and standard deviations of the random parts as fitted."""
    parts = fit.random_parts.dropna(subset="sd").set_index(["level", "term"])["sd"]
    return fit.coefficients["estimate"].to_numpy(), fit.scale, parts


def test_the_grid_rule_agrees_with_an_adaptive_one():
    def f(z):
        return np.exp(stats.norm.logcdf((z - 0.3) / 0.2) * 3) * (1 + z**2)

    assert abs(WEIGHTS @ f(GRID) - adaptive_integral(f)) < 1e-10


@pytest.mark.parametrize("family", ["log-normal", "weibull"])
@pytest.mark.parametrize("parts", ["none", "study", "batch", "study and batch", "study and slope"])
def test_criterion_is_that_of_dense_integration(family, parts):
    nested = parts in ("study and batch", "study and slope")
    low, high, x, study, batch = sample(3, 3 if nested else 4, 2, 3 if nested else 4, family=family)
    options = {
        "none": {},
        "study": {"study": study},
        "batch": {"batch": batch},
        "study and batch": {"study": study, "batch": batch},
        "study and slope": {"study": study, "varying": x, "correlated": False},
    }[parts]
    fit = mf.unseen_times_model(
        low, high, x, family=family, log_times=True, inference="wald", **options
    )
    assert fit.status in ("ok", "boundary"), fit.note
    beta, sigma, sd = parameters(fit)
    twin = criterion(
        family,
        low,
        high,
        x,
        beta,
        sigma,
        study=study if "study" in options else batch,
        study_sd=sd.get(("study", "intercept"), sd.get(("batch", "intercept"), 0.0))
        if parts in ("study", "batch", "study and slope", "study and batch")
        else 0.0,
        batch=batch if parts == "study and batch" else None,
        batch_sd=sd.get(("batch", "intercept"), 0.0) if parts == "study and batch" else 0.0,
        slope_sd=sd.get(("study", "x1"), 0.0),
        column=x[:, 1],
    )
    assert abs(fit.criterion - twin) <= 10 * CRITERION * max(1.0, abs(twin)), fit.quadrature_error


def test_no_search_of_the_dense_twin_ends_lower():
    low, high, x, study, _ = sample(11, 4, 1, 5)
    fit = mf.unseen_times_model(low, high, x, study, log_times=True, inference="wald")

    def dense(theta):
        return criterion(
            "log-normal",
            low,
            high,
            x,
            theta[:2],
            np.exp(theta[2]),
            study=study,
            study_sd=np.exp(theta[3]),
        )

    best = min(
        optimize.minimize(dense, start, method="Nelder-Mead", options={"maxiter": 60}).fun
        for start in ([4.0, 0.2, -1.5, -1.0], [3.5, 0.0, -1.0, -3.0])
    )
    assert fit.criterion <= best + CRITERION * abs(best)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("parts", ["study", "slope", "batch", "all"])
def test_all_seen_is_the_dense_normal_likelihood_and_the_linear_mixed_fit(seed, parts):
    low, _, x, study, batch = sample(seed, 5, 3, 4, kinds=False)
    options = {
        "study": {},
        "slope": {"varying": x},
        "batch": {"batch": batch},
        "all": {"varying": x, "batch": batch},
    }[parts]
    fit = mf.unseen_times_model(low, low, x, study, log_times=True, inference="wald", **options)
    linear = mf.mixed_model(
        low, x, study, likelihood="full", second_engine=False, simplify=False, **options
    )
    assert abs(fit.criterion - linear.criterion) <= SAME_MODEL * abs(linear.criterion)
    np.testing.assert_allclose(
        fit.coefficients["estimate"], linear.coefficients["estimate"], rtol=SAME_MODEL
    )
    beta, sigma, sd = parameters(fit)
    z = np.zeros((len(low), 0))
    spread = np.zeros((0, 0))
    if ("study", "intercept") in sd:
        z = x if "varying" in options else x[:, :1]
        spread = np.diag(sd["study"].to_numpy() ** 2)
        if z.shape[1] == 2:
            r = fit.random_parts["correlation"].dropna()
            both = float(r.iloc[0]) * sd["study"].prod() if len(r) else 0.0
            spread[0, 1] = spread[1, 0] = both
    covariance = (z @ spread @ z.T) * (study[:, None] == study) + sigma**2 * np.eye(len(low))
    if ("batch", "intercept") in sd:
        covariance += sd["batch", "intercept"] ** 2 * (batch[:, None] == batch)
    dense = dense_normal_criterion(low, x, beta, covariance)
    assert abs(fit.criterion - dense) <= SAME_MODEL * abs(dense)


def test_known_and_added_variances_and_summaries_are_those_of_the_linear_fit():
    rng = np.random.default_rng(5)
    low, _, x, study, _ = sample(5, 6, 1, 6, kinds=False)
    known = np.where(np.arange(36) % 5 == 0, 0.03, np.nan)
    added = np.where(np.arange(36) % 7 == 0, 0.02, 0.0)
    count = np.where((np.arange(36) % 3 == 0) & np.isnan(known), 4.0, 1.0)
    spread = np.where(count > 1, rng.uniform(0.1, 0.3, 36), np.nan)
    shared = {
        "known_variance": known,
        "added_variance": added,
        "count": count,
        "spread": spread,
        "offset": 0.3 * x[:, 1] ** 2,
    }
    fit = mf.unseen_times_model(low, low, x, study, log_times=True, inference="wald", **shared)
    linear = mf.mixed_model(
        low, x, study, likelihood="full", second_engine=False, simplify=False, **shared
    )
    assert abs(fit.criterion - linear.criterion) <= SAME_MODEL * abs(linear.criterion)
    np.testing.assert_allclose(
        fit.coefficients["estimate"], linear.coefficients["estimate"], rtol=SAME_MODEL
    )


def test_runs_and_their_summaries_give_one_fit():
    rng = np.random.default_rng(2)
    y = 4.0 + 0.3 * np.repeat([0.0, 1.0], 12) + 0.1 * rng.normal(size=24)
    y = y + np.tile(np.repeat([0.0, 0.2, -0.2], 4), 2)
    cell = np.repeat(np.arange(6), 4)
    study = np.tile(np.repeat([0, 1, 2], 4), 2)
    x = np.column_stack([np.ones(24), np.repeat([0.0, 1.0], 12)])
    runs = mf.unseen_times_model(y, y, x, study, log_times=True)
    mean = np.array([y[cell == c].mean() for c in range(6)])
    first = np.arange(6) * 4
    summary = mf.unseen_times_model(
        mean,
        mean,
        x[first],
        study[first],
        log_times=True,
        count=np.full(6, 4),
        spread=[y[cell == c].std(ddof=1) for c in range(6)],
    )
    assert abs(runs.criterion - summary.criterion) < 1e-9
    np.testing.assert_allclose(summary.coefficients, runs.coefficients, rtol=1e-6)


@pytest.mark.parametrize("family", ["log-normal", "weibull"])
def test_one_sample_is_that_of_the_general_library(family):
    low, high, *_ = sample(8, 6, 2, 4, family=family)
    seen, left, right = low == high, np.isinf(low), np.isinf(high)
    window = ~(seen | left | right)
    data = stats.CensoredData(
        uncensored=low[seen],
        left=high[left],
        right=low[right],
        interval=np.column_stack([low, high])[window],
    )
    law = stats.norm if family == "log-normal" else stats.gumbel_l
    location, scale = law.fit(data)
    fit = mf.unseen_times_model(low, high, np.ones(len(low)), family=family, log_times=True)
    assert abs(fit.coefficients["estimate"].iloc[0] - location) < ESTIMATE
    assert abs(fit.scale - scale) < ESTIMATE
    there = criterion(family, low, high, np.ones((len(low), 1)), np.array([location]), scale)
    assert fit.criterion <= there + CRITERION


class LeftAndRight(GenericLikelihoodModel):
    """A regression with bounds written for the general library's own optimiser and Hessian."""

    def __init__(self, endog, exog, **options):
        super().__init__(endog, exog, extra_params_names=["log_sigma"], **options)

    def loglikeobs(self, params):
        sigma = np.exp(params[-1])
        eta = self.exog @ params[:-1]
        low, high = self.endog.T
        z = (low - eta) / sigma
        exact = stats.norm.logpdf(z) - np.log(sigma)
        return np.where(np.isinf(high), stats.norm.logsf(z), exact)


def test_estimates_and_standard_errors_are_those_of_the_general_library():
    low, high, x, *_ = sample(4, 5, 2, 5, kinds=False)
    high = np.where(low > np.quantile(low, 0.7), np.inf, low)
    low = np.minimum(low, np.quantile(low, 0.7))
    other = LeftAndRight(np.column_stack([low, high]), x).fit(
        start_params=[4.0, 0.1, -1.0], method="bfgs", disp=0, gtol=1e-8
    )
    fit = mf.unseen_times_model(low, high, x, log_times=True, inference="wald")
    assert abs(-2 * other.llf - fit.criterion) < 1e-6
    np.testing.assert_allclose(fit.coefficients["estimate"], other.params[:2], atol=1e-5)
    # Its Hessian is by differences.
    np.testing.assert_allclose(fit.coefficients["se"], other.bse[:2], rtol=1e-3)
    np.testing.assert_allclose(fit.log_scale_se, other.bse[2], rtol=1e-3)


def test_profile_limits_are_where_the_refitted_criterion_stands_at_the_cut_off():
    low, high, x, study, _ = sample(7, 5, 1, 6)
    fit = mf.unseen_times_model(low, high, x, study, log_times=True)
    # Studies minus one degrees of freedom from five units.
    t = stats.t.isf(0.025, 4)
    for end in ("low", "high"):
        at = fit.coefficients[end]["x1"]
        held = mf.unseen_times_model(
            low, high, x[:, :1], study, offset=at * x[:, 1], log_times=True, inference="wald"
        )
        rise = held.criterion - fit.criterion
        np.testing.assert_allclose(rise, 5 * np.log1p(t * t / 4), rtol=LIMITS)
    zero = mf.unseen_times_model(low, high, x[:, :1], study, log_times=True, inference="wald")
    rise = zero.criterion - fit.criterion
    p = 2 * stats.t.sf(np.sqrt(4 * np.expm1(rise / 5)), 4)
    np.testing.assert_allclose(fit.coefficients["p"]["x1"], p, rtol=10 * LIMITS)


def test_limits_of_plain_regression_are_student_s():
    low, _, x, *_ = sample(1, 5, 1, 4, kinds=False)
    fit = mf.unseen_times_model(low, low, x, log_times=True)
    n, p = x.shape
    beta, squares = np.linalg.lstsq(x, low, rcond=None)[:2]
    se = np.sqrt(squares[0] / (n - p) * np.diag(np.linalg.inv(x.T @ x)))
    t = stats.t.isf(0.025, n - p)
    np.testing.assert_allclose(fit.coefficients["low"], beta - t * se, rtol=1e-7)
    np.testing.assert_allclose(fit.coefficients["high"], beta + t * se, rtol=1e-7)
    np.testing.assert_allclose(
        fit.coefficients["p"]["x1"], 2 * stats.t.sf(abs(beta / se)[1], n - p)
    )


def test_the_fitted_law_follows_estimates_without_a_family():
    rng = np.random.default_rng(9)
    n = 2000
    time = np.exp(4.0 + 0.4 * rng.normal(size=n))
    given_up = rng.uniform(30, 120, n)
    seen = time <= given_up
    low = np.minimum(time, given_up)
    fit = mf.unseen_times_model(low, np.where(seen, time, np.inf), np.ones(n))
    at, survival, _ = product_limit(low, seen)
    z = (np.log(at) - fit.coefficients["estimate"].iloc[0]) / fit.scale
    inner = (survival > 0.2) & (survival < 0.95)
    # Four standard errors of a survival near one half, and what fitting adds.
    assert np.abs(stats.norm.sf(z) - survival)[inner].max() < 4 * 0.5 / np.sqrt(n) * 1.2
    left = np.floor(time / 20) * 20
    fit = mf.unseen_times_model(left, left + 20, np.ones(n))
    windows, mass, value = window_masses(left, left + 20, tolerance=1e-10)
    ends = np.array([b for _, b in windows])
    z = (np.log(ends) - fit.coefficients["estimate"].iloc[0]) / fit.scale
    assert np.abs(stats.norm.cdf(z) - np.cumsum(mass)).max() < 4 * 0.5 / np.sqrt(n) * 1.2
    # The masses are free, so no law fits the windows better.
    assert fit.criterion >= -2 * value
