"""Variances of a model and their free parameters, against matrices written out."""

import numpy as np
import pytest

from metafreeze.models.variance_shape import VarianceMap, VarianceShape, factor_map, free_map

SHAPES = [
    (q, correlated, crossed, levels, residual)
    for q, correlated in ((0, False), (1, False), (2, True), (2, False), (3, True))
    for crossed, levels in ((0, ()), (0, ("specimen", "batch")), (2, ("batch",)))
    for residual in ("common", "per-study", "none")
]


def shape_like(q, correlated, crossed, levels, residual):
    return VarianceShape(
        varying=q,
        correlated=correlated,
        crossed=crossed,
        levels=levels,
        residual=residual,
        studies=4,
    )


@pytest.mark.parametrize("given", SHAPES, ids=str)
def test_variances_are_counted_and_put_in_their_places(given):
    q, correlated, crossed, levels, residual = given
    shape = shape_like(*given)
    residuals = {"common": 1, "per-study": 4, "none": 0}[residual]
    in_matrix = (q * (q + 1) // 2 if correlated else q) + (1 if crossed else 0)
    assert shape.in_matrix == in_matrix
    assert shape.residuals == residuals
    assert shape.size == in_matrix + len(levels) + residuals
    w = np.random.default_rng(3).uniform(0.2, 2.0, (2, shape.size))
    matrix, nested, left = shape.split(w)
    for m in range(2):
        wanted = np.zeros((q + crossed, q + crossed))
        at = 0
        for j in range(q):
            for i in range(j, q) if correlated else (j,):
                wanted[i, j] = wanted[j, i] = w[m, at]
                assert shape.pairs[at] == (i, j)
                at += 1
        if crossed:
            for k in range(q, q + crossed):
                wanted[k, k] = w[m, at]
            at += 1
        assert np.array_equal(matrix[m], wanted)
        assert nested[m].tolist() == w[m, at : at + len(levels)].tolist()
        own = w[m, at + len(levels) :].tolist()
        assert left[m].tolist() == (own or [1.0])


@pytest.mark.parametrize("with_residual", [True, False])
@pytest.mark.parametrize("given", SHAPES, ids=str)
def test_free_parameters_make_the_factor_squared(given, with_residual):
    q, _, _, levels, _ = given
    shape = shape_like(*given)
    mapping = free_map(shape, with_residual=with_residual, floor=0.3)
    residuals = shape.residuals if with_residual else 0
    total = shape.in_matrix + len(levels) + residuals
    assert mapping.free == total
    rng = np.random.default_rng(5)
    h = rng.normal(size=(3, total))
    w = mapping.at(h)
    assert w.shape == (3, total)
    for m in range(3):
        L = np.zeros((q, q))
        for k, (i, j) in enumerate(shape.pairs):
            L[i, j] = h[m, k]
        wanted = [(L @ L.T)[i, j] for i, j in shape.pairs]
        wanted += [h[m, k] ** 2 for k in range(len(wanted), total - residuals)]
        wanted += [h[m, k] ** 2 + 0.09 for k in range(total - residuals, total)]
        assert np.allclose(w[m], wanted, rtol=1e-14, atol=1e-14)
    assert (free_map(shape, with_residual=True).constant == 0).all()
    jacobian = mapping.jacobian(h)
    for k in range(total):
        # A quadratic function's central difference is its derivative.
        step = np.zeros(total)
        step[k] = 0.5
        assert np.allclose(jacobian[:, :, k], mapping.at(h + step) - mapping.at(h - step))


def test_a_factor_may_be_held_in_part():
    rng = np.random.default_rng(8)
    shape = shape_like(2, True, 0, (), "none")
    fixed, moving = rng.normal(size=(3, 2, 2)), rng.normal(size=(3, 2, 2, 5))
    mapping = factor_map(fixed, moving, shape)
    h = rng.normal(size=(3, 5))
    for m in range(3):
        L = fixed[m] + moving[m] @ h[m]
        V = L @ L.T
        assert np.allclose(mapping.at(h)[m], [V[0, 0], V[1, 0], V[1, 1]])
    chosen = mapping.pick(np.array([2, 0, 2]))
    assert np.allclose(chosen.at(h[[2, 0, 2]]), mapping.at(h)[[2, 0, 2]])
    nothing = factor_map(
        np.zeros((2, 0, 0)), np.zeros((2, 0, 0, 3)), shape_like(0, True, 0, (), "none")
    )
    assert nothing.at(np.ones((2, 3))).shape == (2, 0)
    assert nothing.jacobian(np.ones((2, 3))).shape == (2, 0, 3)


def test_one_map_for_all_is_kept_and_several_are_chosen():
    one = VarianceMap(
        constant=np.ones((1, 1)), slope=np.ones((1, 1, 1)), bend=np.zeros((1, 1, 1, 1))
    )
    assert one.pick(np.array([0, 0, 0])) is one
    two = VarianceMap(
        constant=np.array([[1.0], [2.0]]),
        slope=np.array([[[3.0]], [[4.0]]]),
        bend=np.array([[[[5.0]]], [[[6.0]]]]),
    )
    last = two.pick(np.array([1]))
    assert last.at(np.array([[1.0]])).item() == 2.0 + 4.0 + 3.0
