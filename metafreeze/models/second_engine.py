"""Refit with an independent general-purpose engine and show the largest difference.

What the general library can express (one residual variance, one varying covariance matrix
and nested intercepts) is fitted there from the start. For the rest, generalised least
squares at the variances found checks the fixed part, and the result says that the
variances themselves could not be compared.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace

import numpy as np

from metafreeze.models.group_levels import Part
from metafreeze.models.mixed_input import CheckedInput, row_variances
from metafreeze.models.mixed_result import MixedFit
from metafreeze.results import FloatArray

# A dense covariance matrix of more rows than this is not built.
MOST_DENSE_ROWS = 3000
# Nested groups beyond this make the general engine take minutes.
MOST_COMPONENTS = 400
# Differences of the criterion smaller than this are where a search stops.
NOTICEABLE = 1e-6


def compare_engines(fit: MixedFit, checked: CheckedInput) -> MixedFit:
    """Give the fit with its comparison filled in.

    Parameters
    ----------
    fit : MixedFit
    checked : CheckedInput
        The rows behind it.

    Returns
    -------
    MixedFit
    """
    words, difference = _compare(fit, checked)
    return replace(fit, second_engine=words, second_engine_difference=difference)


def _compare(fit: MixedFit, checked: CheckedInput) -> tuple[str, float]:
    if fit.state is None:
        return "nothing was fitted that could be compared", float("nan")
    n = checked.outcome.shape[0]
    why = _not_expressible(fit, checked)
    if not why:
        words, difference = _refit(fit, checked)
        if not np.isnan(difference):
            return words, difference
        why = words
    if n > MOST_DENSE_ROWS:
        return f"{why}; {n} rows are too many for a dense comparison", float("nan")
    difference = _least_squares_difference(fit, checked)
    return (
        f"{why}; generalised least squares at the variances found differs by at most "
        f"{difference:.1e}"
    ), difference


def _not_expressible(fit: MixedFit, checked: CheckedInput) -> str:
    if fit.residual == "per-study":
        return "the general engine has one residual variance only"
    if checked.known is not None or checked.added is not None:
        return "the general engine knows no given variances"
    if checked.count is not None:
        return "the general engine takes no summaries"
    assert fit.state is not None
    shape = fit.state.shape
    groups = fit.batches + fit.specimens if shape.levels or shape.crossed else 0
    if groups > MOST_COMPONENTS:
        return f"the general engine would need {groups} component columns"
    return ""


def _refit(fit: MixedFit, checked: CheckedInput) -> tuple[str, float]:
    """Refit from the start; the words say why where the difference is NaN."""
    import statsmodels
    from statsmodels.regression.linear_model import OLS
    from statsmodels.tools.sm_exceptions import ModelWarning

    assert fit.state is not None
    shape = fit.state.shape
    y, X = checked.outcome[:, 0], checked.fixed
    estimate = fit.coefficients["estimate"].to_numpy()
    se = _plain_se(fit)
    engine = f"statsmodels {statsmodels.__version__}"
    if not shape.varying and not shape.levels and not shape.crossed:
        other = OLS(y, X).fit()
        scale = 1.0
        if fit.likelihood == "full":
            scale = np.sqrt((len(y) - X.shape[1]) / len(y))
        difference = _largest(estimate, se, other.params, other.bse * scale)
        return f"{engine}, ordinary least squares: {difference:.1e}", difference
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ModelWarning)
        warnings.simplefilter("ignore", RuntimeWarning)
        try:
            found = _general_fit(fit, checked)
        except (np.linalg.LinAlgError, ValueError) as problem:
            return f"{engine} could not fit it ({type(problem).__name__}: {problem})", float("nan")
    words = f"{engine}, linear mixed model"
    difference = _difference(fit, found)
    if np.isnan(difference):
        return f"{engine} gives no finite answer", difference
    above = found.criterion - fit.criterion
    if above > NOTICEABLE:
        # It stopped short of the optimum: ask it again from ours, and say so.
        words += f" stopped {above:.1e} above our criterion; started from our variances it differs"
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ModelWarning)
            warnings.simplefilter("ignore", RuntimeWarning)
            try:
                again = _general_fit(fit, checked, from_ours=True)
            except (np.linalg.LinAlgError, ValueError) as problem:
                return f"{words} in nothing it could fit ({type(problem).__name__})", float("nan")
        difference = _difference(fit, again)
        found = again
        words += f" by {difference:.1e}"
    else:
        words += f": {difference:.1e}"
    if found.criterion < fit.criterion - NOTICEABLE:
        words += f" (its criterion is {fit.criterion - found.criterion:.1e} below ours)"
    if not found.converged:
        words += " (it says that it did not converge)"
    return words, difference


@dataclass(frozen=True, slots=True)
class _Found:
    """What the general engine gives."""

    params: FloatArray
    bse: FloatArray
    criterion: float
    converged: bool


def _difference(fit: MixedFit, found: _Found) -> float:
    """Largest relative difference of estimates, standard errors and criterion."""
    if not (np.isfinite(found.params).all() and np.isfinite(found.bse).all()):
        return float("nan")
    estimate = fit.coefficients["estimate"].to_numpy()
    gap = abs(found.criterion - fit.criterion) / max(abs(fit.criterion), 1.0)
    return max(_largest(estimate, _plain_se(fit), found.params, found.bse), gap)


def _general_fit(fit: MixedFit, checked: CheckedInput, *, from_ours: bool = False) -> _Found:
    from statsmodels.regression.mixed_linear_model import MixedLM, MixedLMParams, VCSpec

    assert fit.state is not None
    shape = fit.state.shape
    y, X, study = checked.outcome[:, 0], checked.fixed, checked.study.codes
    keep = [checked.varying_names.index(name) for name in fit.state.varying_names]
    Z = checked.varying[:, keep] if shape.varying else None
    wanted = set(shape.levels) | ({fit.state.products.crossed_name} if shape.crossed else set())
    components = [
        (name, part)
        for name, part in (("batch", checked.batch), ("specimen", checked.specimen))
        if part is not None and name in wanted
    ]
    spec = None
    if components:
        names, columns, matrices = [], [], []
        for name, (codes, _, real) in components:
            names.append(name)
            mats, cols = [], []
            for s in range(checked.study.count):
                here = np.flatnonzero(study == s)
                levels = np.unique(codes[here][real[here]])
                mats.append((codes[here][:, None] == levels[None, :]) * real[here][:, None] * 1.0)
                cols.append([str(v) for v in levels])
            matrices.append(mats)
            columns.append(cols)
        spec = VCSpec(names, columns, matrices)
    reml = fit.likelihood == "restricted"
    model = MixedLM(y, X, groups=study, exog_re=Z, exog_vc=spec)
    free = None
    if shape.varying > 1 and not shape.correlated:
        free = MixedLMParams.from_components(
            fe_params=np.ones(X.shape[1]), cov_re=np.eye(shape.varying)
        )
    start = _start_params(fit, components) if from_ours else None
    result = model.fit(reml=reml, free=free, start_params=start, method=["bfgs", "lbfgs", "cg"])
    return _Found(
        params=np.asarray(result.fe_params, dtype=np.float64),
        bse=np.asarray(result.bse_fe, dtype=np.float64),
        criterion=-2.0 * float(result.llf),
        converged=bool(result.converged),
    )


def _start_params(fit: MixedFit, components: list[tuple[str, Part]]) -> object:
    """Our variances relative to the residual's, kept off zero, where its search cannot start."""
    from statsmodels.regression.mixed_linear_model import MixedLMParams

    scale = fit.residual_sd**2
    q = fit.random_covariance.shape[0]
    least = 1e-6
    spreads = fit.random_parts[fit.random_parts["sd"].notna()].set_index("level")["sd"]
    return MixedLMParams.from_components(
        fe_params=fit.coefficients["estimate"].to_numpy(),
        cov_re=fit.random_covariance / scale + least * np.eye(q) if q else None,
        vcomp=np.array([max(float(spreads[name]) ** 2 / scale, least) for name, _ in components]),
    )


def _plain_se(fit: MixedFit) -> FloatArray:
    """Give standard errors without small-sample adjustment, which the other engine lacks."""
    from metafreeze.models.small_sample import fit_point

    state = fit.state
    assert state is not None
    point = fit_point(state.products, state.shape, state.variances, restricted=state.restricted)
    frame = state.products.frame
    back = np.linalg.inv(frame.turn)
    phi = back @ point.criterion.unscaled[0] @ back.T
    return np.asarray(float(frame.y_unit[0]) * np.sqrt(np.diag(phi)))


def _largest(
    estimate: FloatArray, se: FloatArray, other: FloatArray, other_se: FloatArray
) -> float:
    """Largest difference of estimates in standard errors, and of standard errors."""
    shift = np.abs(np.asarray(other) - estimate) / se
    return float(max(shift.max(), np.abs(np.asarray(other_se) / se - 1.0).max()))


def dense_variance(fit: MixedFit, checked: CheckedInput) -> FloatArray:
    """Build the fitted covariance matrix of the rows, in the caller's units.

    Parameters
    ----------
    fit : MixedFit
    checked : CheckedInput

    Returns
    -------
    array, shape (n, n)
    """
    state = fit.state
    assert state is not None
    study = checked.study.codes
    n = study.size
    same = study[:, None] == study[None, :]
    V = np.zeros((n, n))
    if state.shape.varying:
        keep = [checked.varying_names.index(name) for name in state.varying_names]
        Z = checked.varying[:, keep]
        V += same * (Z @ fit.random_covariance @ Z.T)
    sds = fit.random_parts.loc[fit.random_parts["sd"].notna()]
    for name, part in (("batch", checked.batch), ("specimen", checked.specimen)):
        row = sds.loc[sds["level"] == name, "sd"]
        if part is None or row.empty:
            continue
        codes, _, real = part
        V += float(row.iloc[0]) ** 2 * (
            (codes[:, None] == codes[None, :]) & real[:, None] & real[None, :]
        )
    own = row_variances(checked, fit.residual_sds)
    return np.asarray(V + np.diag(own))


def _least_squares_difference(fit: MixedFit, checked: CheckedInput) -> float:
    from statsmodels.regression.linear_model import GLS

    V = dense_variance(fit, checked)
    other = GLS(checked.outcome[:, 0], checked.fixed, sigma=V).fit()
    bse = np.sqrt(np.diag(other.normalized_cov_params))
    return _largest(fit.coefficients["estimate"].to_numpy(), _plain_se(fit), other.params, bse)
