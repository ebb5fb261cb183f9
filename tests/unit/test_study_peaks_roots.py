"""Small pieces of the mode search against dense matrices."""

import numpy as np
import pytest

from metafreeze.models.study_peaks import _inverse_root, _times


@pytest.mark.parametrize("q", [1, 2, 3, 4])
def test_the_root_of_an_inverse(q):
    rng = np.random.default_rng(q)
    a = rng.normal(size=(5, 2, q, q + 2))
    matrix = a @ np.swapaxes(a, -1, -2)
    root = _inverse_root(matrix)
    np.testing.assert_allclose(root @ np.swapaxes(root, -1, -2), np.linalg.inv(matrix), rtol=1e-8)
    # It is the transpose of the inverse of the lower Cholesky factor, no other root.
    lower = np.linalg.inv(np.linalg.cholesky(matrix))
    np.testing.assert_allclose(root, np.swapaxes(lower, -1, -2), rtol=1e-8, atol=1e-12)


def test_a_hopeless_member_spoils_no_other():
    good = np.array([[2.0, 0.3], [0.3, 1.0]])
    with np.errstate(invalid="ignore"):
        root = _inverse_root(np.stack([good, np.diag([1.0, -1.0])]))
    np.testing.assert_allclose(root[0] @ root[0].T, np.linalg.inv(good), rtol=1e-13)
    assert np.isnan(root[1]).any()


def test_times_is_the_transposed_product():
    rng = np.random.default_rng(0)
    factor, vector = rng.normal(size=(4, 3, 3)), rng.normal(size=(4, 3))
    want = np.stack([f.T @ v for f, v in zip(factor, vector, strict=True)])
    np.testing.assert_allclose(_times(factor, vector), want, rtol=1e-13)
