"""Varying columns are put on one scale, and columns that cannot be are left as they are."""

from types import SimpleNamespace

import numpy as np
import pytest

from metafreeze.models.unseen_fit import _standard_varying

# Products of a few dozen numbers near one.
ROUNDING = 1e-12


def columns(n):
    return np.column_stack([np.ones(n), np.linspace(1.0, 90.0, n)])


def test_correlated_columns_become_orthogonal_with_mean_square_one():
    z = columns(30)
    scaled, turn = _standard_varying(SimpleNamespace(z=z), True)
    assert scaled.T @ scaled / len(z) == pytest.approx(np.eye(2), abs=ROUNDING)
    assert z @ turn == pytest.approx(scaled, abs=1e-9)


def test_uncorrelated_columns_keep_their_direction():
    z = columns(30)
    scaled, turn = _standard_varying(SimpleNamespace(z=z), False)
    assert (scaled**2).mean(axis=0) == pytest.approx([1.0, 1.0], abs=ROUNDING)
    assert turn[0, 1] == turn[1, 0] == 0.0
    assert z @ turn == pytest.approx(scaled, abs=ROUNDING)


@pytest.mark.parametrize("correlated", [True, False])
def test_a_column_of_zeros_stays_one(correlated):
    z = columns(30)
    z[:, 1] = 0.0
    scaled, turn = _standard_varying(SimpleNamespace(z=z), correlated)
    assert np.all(scaled[:, 1] == 0.0)
    assert np.all(np.isfinite(turn))
    assert np.array_equal(z @ turn, scaled)


def test_more_terms_than_rows_are_left_alone():
    z = columns(2)[:1]
    scaled, turn = _standard_varying(SimpleNamespace(z=z), True)
    assert np.array_equal(scaled, z)
    assert np.array_equal(turn, np.eye(2))
