"""Small-sample inference against matrices of all rows, at variances that are no optimum."""

import numpy as np
import pytest
from oracles.mixed_engine_pair import CASES, close, engine_of

from metafreeze.models.small_sample import (
    adjusted_covariance,
    expected_df,
    fit_point,
    invert_information,
    observed_df,
    slopes_of_variance,
)

# Degrees of freedom divide by differences of second derivatives.
CLOSE_DF = 1e-7


@pytest.mark.parametrize("residual", ["common", "per-study"])
@pytest.mark.parametrize("name", CASES)
def test_covariance_and_degrees_of_freedom(name, residual):
    _, products, shape, hand, w = engine_of(name, residual, seed=7)
    p = products.fixed
    point = fit_point(products, shape, w[None], restricted=True)
    hand.at(w)
    assert np.array_equal(point.variances, w[None])
    assert close(point.information[0], hand.information())
    adjusted, _, _ = hand.kenward_roger(np.eye(p)[:1])
    found = adjusted_covariance(point, p)[0]
    assert np.allclose(found, adjusted, rtol=1e-7, atol=1e-9 * np.abs(adjusted).max())
    L = np.vstack([np.eye(p), np.arange(1.0, p + 1)[None]])
    slopes = [[c @ D @ c for D in hand.slopes_of_phi()] for c in L]
    assert close(slopes_of_variance(point, L, p)[0], slopes)
    df = expected_df(point, L, p)[0]
    assert df == pytest.approx([hand.kenward_roger_df(c) for c in L], rel=CLOSE_DF)
    bent = 0.5 * hand.hessian(True)
    if np.linalg.eigvalsh(bent)[0] > 1e-6:
        own = observed_df(point, L, p, boundary=False)[0]
        assert own == pytest.approx([hand.satterthwaite_df(c) for c in L], rel=CLOSE_DF)
    at_boundary = observed_df(point, L, p, boundary=True)[0]
    assert at_boundary == pytest.approx(df, rel=1e-12)


@pytest.mark.parametrize("name", ["studies", "slopes", "specimens in batches", "summaries"])
def test_observed_degrees_of_freedom_by_the_full_likelihood(name):
    _, products, shape, hand, w = engine_of(name, "common", seed=8)
    p = products.fixed
    # A small spread between studies and a small residual: the criterion is bent upwards.
    w[-1] = 0.2
    point = fit_point(products, shape, w[None], restricted=False)
    hand.at(w)
    bent = np.linalg.eigvalsh(0.5 * hand.hessian(False))[0] > 0
    found = observed_df(point, np.eye(p), p, boundary=False)[0]
    wanted = [
        hand.satterthwaite_df(c, restricted=False) if bent else hand.kenward_roger_df(c)
        for c in np.eye(p)
    ]
    assert found == pytest.approx(wanted, rel=CLOSE_DF)


def test_where_the_observed_bend_is_none_the_expected_one_stands_in():
    _, products, shape, hand, w = engine_of("slopes", "common", seed=9)
    w = 30.0 * w  # far above the estimates the criterion bends down
    hand.at(w)
    assert np.linalg.eigvalsh(hand.hessian(True))[0] < 0
    p = products.fixed
    point = fit_point(products, shape, w[None], restricted=True)
    found = observed_df(point, np.eye(p), p, boundary=False)[0]
    assert found == pytest.approx([hand.kenward_roger_df(c) for c in np.eye(p)], rel=CLOSE_DF)


def test_each_data_set_has_its_own_boundary():
    _, products, shape, _, w = engine_of("batches", "common", seed=10)
    p = products.fixed
    two = products.pick(np.array([0, 0]))
    point = fit_point(two, shape, np.stack([w, w]), restricted=True)
    one = fit_point(products, shape, w[None], restricted=True)
    found = observed_df(point, np.eye(p), p, boundary=np.array([True, False]))
    assert found[0] == pytest.approx(expected_df(one, np.eye(p), p)[0], rel=1e-12)
    assert found[1] == pytest.approx(observed_df(one, np.eye(p), p, boundary=False)[0], rel=1e-12)


@pytest.mark.parametrize("scale", [1.0, 1e-9, 1e9])
def test_information_is_inverted_where_there_is_some(scale):
    rng = np.random.default_rng(1)
    root = rng.normal(size=(3, 3))
    whole = root @ root.T * scale
    # Directions with none of their own stay without variance.
    bare = np.zeros((4, 4))
    keep = [0, 2, 3]
    bare[np.ix_(keep, keep)] = whole
    found = invert_information(np.stack([bare, bare]))
    wanted = np.zeros((4, 4))
    wanted[np.ix_(keep, keep)] = np.linalg.inv(whole)
    assert found.shape == (2, 4, 4)
    assert np.allclose(found[1], wanted, rtol=1e-8, atol=1e-8 * np.abs(wanted).max())
    v = np.array([[1.0], [2.0]])
    # One direction twice: the generalised inverse of the correlations, scaled back.
    alike = invert_information((v @ v.T)[None] * scale)[0]
    wanted = np.linalg.pinv(np.ones((2, 2))) / (v @ v.T) / scale
    assert np.allclose(alike, wanted, rtol=1e-9)


def test_without_variances_everything_is_normal():
    from metafreeze.models.small_sample import FitPoint

    class Bare:
        unscaled = np.eye(2)[None]
        hessian = np.zeros((1, 0, 0))

    class Sums:
        first = np.zeros((1, 0, 3, 3))
        second = np.zeros((1, 0, 0, 3, 3))

    point = FitPoint(
        variances=np.zeros((1, 0)),
        totals=Sums(),
        criterion=Bare(),
        information=np.zeros((1, 0, 0)),
    )
    assert np.array_equal(adjusted_covariance(point, 2)[0], np.eye(2))
    assert expected_df(point, np.eye(2), 2).tolist() == [[np.inf, np.inf]]
    assert observed_df(point, np.eye(2), 2, boundary=False).tolist() == [[np.inf, np.inf]]


def test_a_contrast_that_no_variance_moves_is_normal():
    """A slope within balanced studies of known residual variance does not hang on tau²."""
    from metafreeze.models.crossproducts import ModelRows, collect_products
    from metafreeze.models.variance_shape import shape_of

    study = np.repeat(np.arange(4), 2)
    x = np.tile([0.0, 1.0], 4)
    products = collect_products(
        ModelRows(
            outcome=np.arange(8.0)[:, None] ** 2,
            fixed=np.column_stack([np.ones(8), x]),
            varying=np.ones((8, 1)),
            study=study,
            studies=4,
            known=np.full(8, 0.5),
        )
    )
    shape = shape_of(products, "common")
    point = fit_point(products, shape, np.ones((1, 1)), restricted=True)
    turn = np.linalg.inv(products.frame.turn)
    df = expected_df(point, turn, 2)[0]
    assert df[1] > 1e20  # infinite but for rounding
    assert df[0] < 10
