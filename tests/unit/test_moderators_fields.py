"""The permutation test of moderators against plain loops, field by field."""

import math
from itertools import permutations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from metafreeze.errors import InputError
from metafreeze.models import moderators as module
from metafreeze.models.moderators import permute_moderators
from metafreeze.models.pooled import pool
from metafreeze.models.tau2 import estimate_tau2
from metafreeze.results import round_for_people

# Two ways to the same tau², halved to 1e-10.
SAME = {"rel": 1e-6, "abs": 1e-9}


def data(k, q, seed=1):
    rng = np.random.default_rng(seed)
    v = rng.uniform(0.02, 0.2, k)
    z = rng.normal(size=(k, q))
    return 0.5 * z[:, 0] + rng.normal(0, np.sqrt(v + 0.05)), v, z


def knapp_hartung(y, v, z, spread):
    """The t of each moderator and the joint F by whole matrices."""
    k, q = z.shape
    x = np.column_stack([np.ones(k), z])
    W = np.diag(1 / (v + estimate_tau2(y, v, x, spread=spread)))
    C = np.linalg.inv(x.T @ W @ x)
    b = C @ x.T @ W @ y
    r = y - x @ b
    scale = r @ W @ r / (k - q - 1)
    t = b[1:] / (scale * np.diag(C)[1:]) ** 0.5
    return t, b[1:] @ np.linalg.inv(C[1:, 1:]) @ b[1:] / (q * scale)


@pytest.mark.parametrize("spread", ["restricted-likelihood", "hedges", "none"])
@pytest.mark.parametrize(("k", "q"), [(4, 1), (5, 1), (5, 2)])
def test_all_orders_by_one_loop(k, q, spread):
    y, v, z = data(k, q, seed=k)
    found = permute_moderators(y, v, z, spread=spread, draws=999, seed=5)
    t0, f0 = knapp_hartung(y, v, z, spread)
    every = [knapp_hartung(y, v, z[list(o)], spread) for o in permutations(range(k))]
    beyond = np.array([np.abs(t) >= np.abs(t0) * (1 - 1e-7) for t, _ in every]).mean(axis=0)
    joint = np.mean([f >= f0 * (1 - 1e-7) for _, f in every])
    np.testing.assert_allclose(found.coefficients["p_permuted"], beyond, rtol=1e-12)
    assert found.f_p_permuted == pytest.approx(joint, rel=1e-12)
    assert (found.draws, found.exact, found.seed, found.k) == (math.factorial(k), True, 5, k)
    assert (found.coefficients["p_error"] == 0).all()
    check_fields(found, y, v, z, spread, t0, f0)
    few = f"with {k} studies no permutation p can fall below"
    assert (few in found.note) == (k < 4)


def check_fields(found, y, v, z, spread, t0, f0):
    k, q = z.shape
    fit = pool(y, v, spread=spread, moderators=z)
    assert found.f == pytest.approx(f0, **SAME)
    assert (found.f_df, found.f_df_residual) == (q, k - q - 1)
    assert found.f_p == pytest.approx(1 - stats.f.cdf(f0, q, k - q - 1), **SAME)
    assert found.r2 == pytest.approx(fit.r2, nan_ok=True)
    assert found.status == fit.status
    table = found.coefficients
    assert list(table.columns) == [
        "term",
        "estimate",
        "se",
        "df",
        "t",
        "p",
        "p_permuted",
        "p_error",
    ]
    np.testing.assert_allclose(table["t"], t0, rtol=1e-6)
    np.testing.assert_allclose(table["t"], table["estimate"] / table["se"])
    own = fit.coefficients.iloc[1:].reset_index(drop=True)
    for column in ("term", "estimate", "se", "df", "p"):
        pd.testing.assert_series_equal(table[column], own[column])
    pd.testing.assert_frame_equal(found.to_frame(), table)
    assert found.headline() == (
        f"{q} moderators in {k} studies explain {round_for_people(found.r2)} % of the "
        f"disagreement; permutation p {round_for_people(found.f_p_permuted)} "
        f"({found.draws} {'all' if found.exact else 'drawn'}); {found.status}"
    )


@pytest.mark.parametrize(("draws", "at_once"), [(99, 512), (150, 64)])
def test_drawn_orders_by_one_loop(draws, at_once, monkeypatch):
    monkeypatch.setattr(module, "AT_ONCE", at_once)
    y, v, z = data(7, 2)
    found = permute_moderators(y, v, z, draws=draws, seed=3)
    t0, f0 = knapp_hartung(y, v, z, "restricted-likelihood")
    orders, exact = module._orders(7, draws, np.random.default_rng(3))
    assert orders.shape == (draws, 7) and not exact
    every = [knapp_hartung(y, v, z[o], "restricted-likelihood") for o in orders]
    beyond = np.array([np.abs(t) >= np.abs(t0) * (1 - 1e-7) for t, _ in every]).sum(axis=0)
    p = (1 + beyond) / (1 + draws)
    np.testing.assert_allclose(found.coefficients["p_permuted"], p, rtol=1e-12)
    np.testing.assert_allclose(
        found.coefficients["p_error"], (p * (1 - p) / draws) ** 0.5, rtol=1e-12
    )
    joint = sum(f >= f0 * (1 - 1e-7) for _, f in every)
    assert found.f_p_permuted == pytest.approx((1 + joint) / (1 + draws))
    assert (found.draws, found.exact, found.k) == (draws, False, 7)
    assert "no permutation p" not in found.note
    check_fields(found, y, v, z, "restricted-likelihood", t0, f0)


def test_all_orders_are_tried_as_long_as_one_more_than_the_draws():
    rng = np.random.default_rng(1)
    for k, draws, exact in ((5, 119, True), (5, 118, False), (6, 719, True), (6, 718, False)):
        orders, found = module._orders(k, draws, rng)
        assert found is exact and len(orders) == (math.factorial(k) if exact else draws)
        assert (np.sort(orders, axis=1) == np.arange(k)).all()
    orders, _ = module._orders(4, 99, rng)
    assert len({tuple(o) for o in orders}) == 24
    drawn, exact = module._orders(21, 200, rng)
    assert not exact and len({tuple(o) for o in drawn}) == 200
    # Every place holds every study about equally often.
    many, _ = module._orders(8, 4000, rng)
    counts = np.array([np.bincount(many[:, i], minlength=8) for i in range(8)])
    assert stats.chisquare(counts.ravel()).pvalue > 1e-4


def test_three_studies_cannot_have_a_small_p_and_it_says_so():
    y, v, z = data(3, 1)
    found = permute_moderators(y, v, z)
    assert found.draws == 6
    assert found.note.endswith("with 3 studies no permutation p can fall below 0.167")
    assert found.seed == 1
    y, v, z = data(4, 1)
    assert "no permutation p" not in permute_moderators(y, v, z).note


def test_defaults_are_999_draws_of_the_first_seed():
    y, v, z = data(8, 1)
    plain, named = permute_moderators(y, v, z), permute_moderators(y, v, z, draws=999, seed=1)
    pd.testing.assert_frame_equal(plain.to_frame(), named.to_frame())
    assert (plain.draws, plain.seed) == (999, 1)


def test_effects_on_a_line_beat_every_other_order():
    z = np.array([[0.0], [1.0], [2.0], [4.0]])
    found = permute_moderators(z[:, 0] * 8.0, np.full(4, 0.25), z, spread="none")
    # Only the order itself lies on the line, and rounding decides nothing.
    assert found.f_p_permuted == pytest.approx(1 / 24)


@pytest.mark.parametrize(
    ("moderators", "words", "q"),
    [
        (np.ones((4, 1)), "", 1),
        ({"a": [1, 2, 3, 4], "b": [2, 4, 6, 8]}, "", 2),
        ({"t": ["x"] * 4}, "no moderators are given", 0),
    ],
)
def test_what_cannot_be_tested_has_no_number(moderators, words, q):
    found = permute_moderators([0.1, 0.4, 0.2, 0.5], np.full(4, 0.1), moderators, seed=9)
    assert (found.status, found.draws, found.exact) == ("unidentifiable", 0, False)
    assert found.note != "" and words in found.note
    assert (found.f_df, found.f_df_residual, found.k, found.seed) == (q, 3 - q, 4, 9)
    assert np.isnan([found.f, found.f_p, found.f_p_permuted, found.r2]).all()
    assert len(found.coefficients) == q and found.coefficients.iloc[:, 1:].isna().all(axis=None)
    assert found.coefficients.columns[0] == "term"


def test_as_many_moderators_as_studies_leave_nothing():
    found = permute_moderators([0.1, 0.4], [0.1, 0.1], np.array([[1, 2, 3], [3, 4, 9]]))
    assert found.f_df_residual == 0 and found.status == "unidentifiable"


def test_too_few_draws_are_refused():
    y, v, z = data(7, 1)
    with pytest.raises(InputError, match="draws is 98"):
        permute_moderators(y, v, z, draws=98)
    assert permute_moderators(y, v, z, draws=99).draws == 99
