"""Robust tables by kind: plain and corrected sandwiches written out over the studies."""

import numpy as np
import pytest
from oracles.mixed_by_hand import ByHand, rows_of_kind, variances_of

from metafreeze import InputError, NotEstimableError, mixed_model, robust_coefficients


def pair_of(studies=6, **how):
    data = rows_of_kind(150, q=1, studies=studies, n=40)
    names = ["one", "x", "other"]
    fit = mixed_model(
        data["y"], data["X"], data["study"], varying=data["varying"], names=names, **how
    )
    return fit, ByHand(data).at(variances_of(fit))


def test_bias_reduced_unless_asked_otherwise():
    fit, _ = pair_of()
    table = robust_coefficients(fit)
    assert table.equals(robust_coefficients(fit, kind="bias-reduced"))
    assert np.allclose(table, fit.robust)
    assert table.index.tolist() == ["one", "x", "other"]


def test_the_level_is_that_of_the_fit():
    wide, narrow = (robust_coefficients(pair_of(level=v)[0]) for v in (0.95, 0.5))
    assert np.allclose(wide["se"], narrow["se"])
    assert ((wide["high"] - wide["low"]) > (narrow["high"] - narrow["low"])).all()


def test_two_studies_are_enough_and_one_is_not():
    rng = np.random.default_rng(151)
    y = np.concatenate([rng.normal(size=8), 4 + rng.normal(size=8)])
    two = mixed_model(y, np.ones((16, 1)), np.repeat([0, 1], 8))
    assert np.isfinite(robust_coefficients(two)["se"]).all()
    one = mixed_model(y[:8], np.ones((8, 1)), np.zeros(8, int))
    with pytest.raises(NotEstimableError) as refusal:
        robust_coefficients(one)
    assert str(refusal.value) == (
        "One study alone gives no spread between studies to be robust by."
    )
    none = mixed_model(y[:2], np.ones((2, 1)), [0, 1])
    with pytest.raises(NotEstimableError) as refusal:
        robust_coefficients(none)
    assert str(refusal.value) == f"There is no fit to ask: {none.note}"
    with pytest.raises(InputError, match="kind"):
        robust_coefficients(two, kind="none")
