"""Slow twins of the fit to times not seen exactly: plain formulas, dense integration."""

import numpy as np
from scipy import integrate, stats

LAWS = {"log-normal": stats.norm, "weibull": stats.gumbel_l}

# A rule of its own: the trapezoidal sum, which converges faster than any power for smooth
# integrands with normal tails. Nine standard deviations leave 1e-18.
GRID = np.linspace(-9.0, 9.0, 181)
WEIGHTS = stats.norm.pdf(GRID) * (GRID[1] - GRID[0])


def row_log_density(family, low, high, eta, sigma):
    """One row's log contribution at locations `eta`, from the general library's law."""
    law = LAWS[family]
    if low == high:
        return law.logpdf((low - eta) / sigma) - np.log(sigma)
    if np.isinf(high):
        return law.logsf((low - eta) / sigma)
    if np.isinf(low):
        return law.logcdf((high - eta) / sigma)
    a, b = (low - eta) / sigma, (high - eta) / sigma
    upper = law.sf(a) - law.sf(b)
    lower = law.cdf(b) - law.cdf(a)
    return np.log(np.where(a > 0, upper, lower))


def criterion(
    family,
    low,
    high,
    x,
    beta,
    sigma,
    *,
    study=None,
    study_sd=0.0,
    batch=None,
    batch_sd=0.0,
    slope_sd=0.0,
    column=None,
):
    """-2 log likelihood by dense sums over each study's and batch's effect.

    `slope_sd` gives a second, independent study effect on `column`.
    """
    fixed = x @ beta
    study = np.zeros(len(low)) if study is None else np.asarray(study)
    # Axes: study level, study slope, batch level; one place where there is no such effect.
    u = (GRID if study_sd else np.zeros(1))[:, None, None]
    v = (GRID if slope_sd else np.zeros(1))[None, :, None]
    w = (GRID if batch is not None else np.zeros(1))[None, None, :]
    weight_u, weight_v, weight_w = (WEIGHTS if axis.size > 1 else np.ones(1) for axis in (u, v, w))

    def share(s):
        inside = np.flatnonzero(study == s)
        groups = (
            [inside]
            if batch is None
            else [inside[batch[inside] == b] for b in np.unique(batch[inside])]
        )
        log_given = 0.0
        for rows in groups:
            terms = 0.0
            for i in rows:
                slope = slope_sd * v * column[i] if slope_sd else 0.0
                eta = fixed[i] + study_sd * u + slope + batch_sd * w
                terms = terms + row_log_density(family, low[i], high[i], eta, sigma)
            log_given = log_given + np.log(np.exp(terms) @ weight_w)
        return np.log(weight_u @ np.exp(log_given) @ weight_v)

    # Far out on the grid a density is zero and its log minus infinity, as it should be.
    with np.errstate(all="ignore"):
        return -2.0 * sum(share(s) for s in np.unique(study))


def adaptive_integral(f):
    """Integrate f against the normal density by the general library's adaptive rule."""
    value, _ = integrate.quad(lambda z: f(z) * stats.norm.pdf(z), -9, 9, epsabs=1e-13, limit=400)
    return value


def dense_normal_criterion(y, x, beta, covariance):
    """-2 log likelihood of an exactly seen normal sample, by its full covariance."""
    return -2.0 * stats.multivariate_normal(x @ beta, covariance).logpdf(y)
