"""The rule for normal integrals against the moments of the normal law."""

import math

import numpy as np
import pytest

from metafreeze.models.quadrature import normal_grid


def moment(k):
    """E z^k = (k - 1)!! for even k (Johnson, Kotz & Balakrishnan 1994, ch. 13)."""
    return 0.0 if k % 2 else float(math.prod(range(1, k, 2)))


@pytest.mark.parametrize("count", [1, 2, 3, 7, 9])
def test_a_rule_of_k_nodes_has_all_moments_below_twice_k(count):
    grid = normal_grid((count,))
    assert grid.nodes.shape == (count, 1) and grid.log_weights.shape == (count,)
    # The rule is for f moved with its own density: here f itself is the normal one.
    weights = np.exp(grid.log_weights - 0.5 * grid.nodes[:, 0] ** 2)
    for k in range(2 * count):
        got = (weights * grid.nodes[:, 0] ** k).sum()
        assert got == pytest.approx(moment(k), rel=1e-12, abs=1e-10)


def test_a_product_rule_has_the_product_moments_and_the_order_of_its_nodes():
    grid = normal_grid((3, 2, 4))
    assert grid.nodes.shape == (24, 3)
    weights = np.exp(grid.log_weights - 0.5 * (grid.nodes**2).sum(axis=1))
    for powers in [(0, 0, 0), (2, 0, 0), (0, 2, 0), (4, 2, 6), (2, 2, 2), (1, 2, 2)]:
        got = (weights * np.prod(grid.nodes**powers, axis=1)).sum()
        assert got == pytest.approx(math.prod(moment(k) for k in powers), rel=1e-12, abs=1e-12)
    # The last dimension runs fastest.
    single = normal_grid((4,)).nodes[:, 0]
    np.testing.assert_array_equal(grid.nodes[:4, 2], single)
    assert len(set(grid.nodes[:8, 0])) == 1


def test_no_dimension_is_one_empty_node_of_weight_one():
    grid = normal_grid(())
    assert grid.nodes.shape == (1, 0)
    assert grid.log_weights.tolist() == [0.0]


def test_the_shared_rule_cannot_be_written_to():
    grid = normal_grid((5,))
    assert normal_grid((5,)) is grid
    with pytest.raises(ValueError, match="read-only"):
        grid.nodes[0, 0] = 1.0
    with pytest.raises(ValueError, match="read-only"):
        grid.log_weights[0] = 1.0
