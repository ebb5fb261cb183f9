"""Combinations of coefficients against the fit's own table and whole matrices."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from metafreeze.errors import InputError, NotEstimableError
from metafreeze.models.contrasts import estimate_contrasts
from metafreeze.models.mixed import mixed_model

METHODS = ["kenward-roger", "satterthwaite", "cluster-robust", "normal"]


def rows(seed=2, studies=7, n=6, unit=1.0):
    rng = np.random.default_rng(seed)
    study = np.repeat(np.arange(studies), n)
    z = rng.normal(size=study.size)
    X = np.column_stack([np.ones(study.size), z])
    y = 3 + 0.5 * z + rng.normal(0, 0.7, studies)[study] + rng.normal(0, 0.4, study.size)
    return unit * y, X, study


def fitted(inference, unit=1.0, **options):
    y, X, study = rows(unit=unit)
    return mixed_model(y, X, study, varying=X[:, :1], inference=inference, **options)


@pytest.mark.parametrize("unit", [1.0, 50.0])
@pytest.mark.parametrize("method", METHODS)
def test_single_coefficients_are_the_table_of_the_fit(method, unit):
    fit = fitted(method, unit)
    found = estimate_contrasts(fit, np.eye(2), names=list(fit.coefficients.index))
    pd.testing.assert_frame_equal(found, fit.coefficients, rtol=1e-8)
    # The method asked for, not the one of the fit.
    other = estimate_contrasts(fitted("normal", unit), np.eye(2), inference=method)
    np.testing.assert_allclose(other, fit.coefficients, rtol=1e-8)
    assert list(other.index) == ["c0", "c1"]


@pytest.mark.parametrize("level", [0.95, 0.8])
@pytest.mark.parametrize("method", METHODS)
def test_a_combination_is_the_coefficient_of_a_shifted_design(method, level):
    """The mean at z = 2 is the intercept once z is counted from 2."""
    y, X, study = rows()
    fit = mixed_model(y, X, study, varying=X[:, :1], inference=method)
    shifted = mixed_model(
        y, X - np.array([0.0, 2.0]), study, varying=X[:, :1], inference=method, level=level
    )
    found = estimate_contrasts(fit, [[1.0, 2.0], [0.0, -3.0]], level=level)
    np.testing.assert_allclose(found.iloc[0], shifted.coefficients.iloc[0], rtol=1e-5)
    slope = shifted.coefficients.iloc[1]
    row = found.iloc[1]
    expected = (-3 * slope["estimate"], 3 * slope["se"], slope["df"], slope["p"])
    assert tuple(row[["estimate", "se", "df", "p"]]) == pytest.approx(expected, rel=1e-5)
    assert (row["low"], row["high"]) == pytest.approx(
        (-3 * slope["high"], -3 * slope["low"]), rel=1e-5
    )


def test_the_normal_error_is_that_of_generalised_least_squares():
    y, X, study = rows()
    fit = fitted("normal")
    L = np.array([1.0, 2.0])
    table = fit.to_frame()
    assert len(table) > 0
    found = estimate_contrasts(fit, L).iloc[0]
    # tau² and s² of a one-way layout with a covariate, by maximising on a grid of their ratio.
    best, where = np.inf, None
    same = (study[:, None] == study).astype(float)
    for ratio in np.exp(np.linspace(-2, 4, 1201)):
        W = np.linalg.inv(np.eye(y.size) + ratio * same)
        C = np.linalg.inv(X.T @ W @ X)
        r = y - X @ (C @ X.T @ W @ y)
        s2 = r @ W @ r / (y.size - 2)
        value = (y.size - 2) * np.log(s2) - np.linalg.slogdet(W)[1] - np.linalg.slogdet(C)[1]
        if value < best:
            best, where = value, (s2 * L @ C @ L) ** 0.5
    assert found["se"] == pytest.approx(where, rel=2e-3)
    assert np.isinf(found["df"])
    assert found["p"] == pytest.approx(2 * stats.norm.sf(abs(found["estimate"]) / found["se"]))


def test_one_combination_may_be_a_plain_row():
    fit = fitted("kenward-roger")
    one = estimate_contrasts(fit, [1.0, 2.0])
    pd.testing.assert_frame_equal(one, estimate_contrasts(fit, [[1.0, 2.0]], names=["c0"]))


def test_shapes_and_names_must_fit():
    fit = fitted("normal")
    with pytest.raises(InputError, match="needs 2 columns"):
        estimate_contrasts(fit, [[1.0, 2.0, 3.0]])
    with pytest.raises(InputError, match="needs 2 columns"):
        estimate_contrasts(fit, np.ones((1, 1, 2)))
    with pytest.raises(InputError, match="1 names are given for 2 contrasts"):
        estimate_contrasts(fit, np.eye(2), names=["a"])
    with pytest.raises(InputError, match="inference"):
        estimate_contrasts(fit, np.eye(2), inference="bayes")  # type: ignore[arg-type]


def test_one_study_has_no_spread_between_studies_for_a_robust_error():
    y, X, _ = rows()
    fit = mixed_model(y, X, np.zeros(y.size), inference="normal")
    assert estimate_contrasts(fit, np.eye(2))["se"].gt(0).all()
    with pytest.raises(NotEstimableError, match="One study alone"):
        estimate_contrasts(fit, np.eye(2), inference="cluster-robust")
    two = mixed_model(y, X, np.arange(y.size) % 2, inference="normal")
    robust = estimate_contrasts(two, np.eye(2), inference="cluster-robust")
    assert robust["se"].gt(0).all()
