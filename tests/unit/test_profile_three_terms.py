"""Profile intervals with three varying terms, which two terms do not exercise."""

import numpy as np
import pytest

from metafreeze import mixed_model
from metafreeze.models.variance_profile import profile_intervals

# Ends of intervals are found by a search; two orders of the terms take different paths to them.
SEARCH = 2e-3


def runs():
    """Invented: twenty studies whose level, slope and bend all differ, correlated."""
    rng = np.random.default_rng(20261125)
    studies, each = 20, 12
    root = np.array([[1.0, 0.0, 0.0], [0.5, 0.8, 0.0], [-0.3, 0.4, 0.6]])
    own = rng.standard_normal((studies, 3)) @ root.T
    study = np.repeat(np.arange(studies), each)
    heat = rng.uniform(-1.0, 1.0, study.size)
    columns = np.column_stack([np.ones(study.size), heat, heat**2])
    y = (columns * (own[study] + [2.0, 0.5, 0.0])).sum(axis=1)
    return y + 0.3 * rng.standard_normal(study.size), columns, study


def correlations(order):
    y, columns, study = runs()
    names = ["level", "slope", "bend"]
    turned, called = columns[:, order], [names[k] for k in order]
    fit = mixed_model(
        y, turned, study, varying=turned, names=called, varying_names=called, correlated=True
    )
    table = profile_intervals(fit, coefficients=False).to_frame()
    table = table[table["quantity"] == "correlation"]
    return {
        frozenset((row["term"], row["with_term"])): (row["estimate"], row["low"], row["high"])
        for _, row in table.iterrows()
    }


@pytest.mark.parametrize("order", [[2, 0, 1], [1, 2, 0]])
def test_the_order_of_three_terms_changes_no_interval_of_a_correlation(order):
    plain, turned = correlations([0, 1, 2]), correlations(order)
    assert len(plain) == 3
    assert plain.keys() == turned.keys()
    for pair, (estimate, low, high) in plain.items():
        assert -1.0 <= low < estimate < high <= 1.0
        assert turned[pair] == pytest.approx((estimate, low, high), abs=SEARCH)
