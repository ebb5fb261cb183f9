"""Draws from a fit have its mean and covariance; intervals are quantiles of what is refitted."""

from functools import lru_cache

import numpy as np
import pandas as pd
import pytest
from oracles.mixed_by_hand import ByHand, rows_of_kind, variances_of

from metafreeze import InputError, NotEstimableError, bootstrap_mixed, mixed_model
from metafreeze.models import bootstrap
from metafreeze.models.bootstrap import _with_observed, simulate_rows
from metafreeze.models.many_fits import fit_many_checked

CASES = {
    "levels": {"q": 1, "studies": 4, "n": 12},
    "slopes": {"q": 2, "studies": 6, "n": 24},
    "batches": {"q": 1, "studies": 4, "n": 20, "batch": True},
    "specimens alone": {"q": 1, "studies": 4, "n": 20, "specimen": "nested"},
    "crossed": {"q": 1, "studies": 4, "n": 40, "batch": True, "specimen": "crossed"},
    "nothing varies": {"q": 0, "studies": 3, "n": 12},
    "known variances": {"q": 1, "studies": 4, "n": 16, "known": True},
    "summaries": {"q": 1, "studies": 4, "n": 16, "counts": True},
}
DRAWS = 6000
# Six standard errors of a mean, and of a covariance, of so many normal draws.
FAR = 6.0


@lru_cache
def fit_of(name):
    data = rows_of_kind(100, **CASES[name])
    options = {k: v for k, v in data.items() if k not in ("y", "X", "study")}
    fit = mixed_model(data["y"], data["X"], data["study"], **options)
    levels = [k for k in ("batch", "specimen") if data[k] is not None]
    hand = ByHand(data, levels=levels).at(variances_of(fit, levels=levels))
    return data, fit, hand


@pytest.mark.parametrize("name", CASES)
def test_draws_have_the_mean_and_the_covariance_of_the_fit(name):
    data, fit, hand = fit_of(name)
    n = len(data["y"])
    drawn = simulate_rows(fit, fit.state.rows, DRAWS, np.random.default_rng(1))
    y = drawn.outcome
    assert y.shape == (n, DRAWS)
    V = hand.V[:n, :n]
    mean = data["X"] @ fit.coefficients["estimate"].to_numpy()
    sd = np.sqrt(np.diag(V))
    assert (np.abs(y.mean(axis=1) - mean) < FAR * sd / np.sqrt(DRAWS)).all()
    away = y - mean[:, None]
    error = np.sqrt((np.outer(sd, sd) ** 2 + V**2) / DRAWS)
    assert (np.abs(away @ away.T / DRAWS - V) < FAR * error).all()
    if "count" in data:
        several = data["count"] > 1
        squares = (drawn.spread[several] ** 2).mean(axis=1)
        df = data["count"][several] - 1
        s2 = fit.residual_sd**2
        assert (np.abs(squares - s2) < FAR * s2 * np.sqrt(2 / df / DRAWS)).all()
        fourth = ((drawn.spread[several] ** 2 - s2) ** 2).mean(axis=1)
        assert fourth == pytest.approx(2 * s2**2 / df, rel=0.25)
        assert np.isnan(drawn.spread[~several]).all()
    else:
        assert drawn.spread is None
    for part in ("batch", "specimen"):
        assert getattr(drawn, part) is getattr(fit.state.rows, part)
    assert drawn.varying_names == fit.state.varying_names


def test_parts_that_a_ladder_dropped_are_not_drawn():
    rng = np.random.default_rng(2)
    x = rng.normal(size=24)
    X = np.column_stack([np.ones(24), x])
    study = np.repeat(np.arange(4), 6)
    more = {"batch": np.arange(24), "specimen": np.arange(24) // 2}
    fit = mixed_model(
        rng.normal(size=24) + study,
        X,
        study,
        varying=X[:, ::-1],
        names=["one", "x"],
        simplify=True,
        **more,
    )
    kept = set(fit.random_parts["level"])
    drawn = simulate_rows(fit, fit.state.rows, 3, rng)
    assert (drawn.batch is not None) == ("batch" in kept)
    assert (drawn.specimen is not None) == ("specimen" in kept)
    assert "batch" not in kept
    assert drawn.varying_names == fit.state.varying_names
    assert drawn.varying.shape[1] == drawn.varies.size == len(fit.state.varying_names)
    assert drawn.varies.tolist() == [name == "x" for name in drawn.varying_names]


@pytest.mark.parametrize("name", ["levels", "summaries"])
def test_the_observed_rows_come_first(name):
    data, fit, _ = fit_of(name)
    drawn = simulate_rows(fit, fit.state.rows, 5, np.random.default_rng(3))
    both = _with_observed(drawn, fit.state.rows)
    assert both.outcome[:, 0].tolist() == data["y"].tolist()
    assert np.array_equal(both.outcome[:, 1:], drawn.outcome)
    if name == "summaries":
        assert np.array_equal(both.spread[:, 0], fit.state.rows.spread, equal_nan=True)
        assert np.array_equal(both.spread[:, 1:], drawn.spread, equal_nan=True)
    else:
        assert both.spread is None


@pytest.mark.parametrize("level", [0.95, 0.8])
@pytest.mark.parametrize("name", ["levels", "batches"])
def test_intervals_are_quantiles_of_refits(name, level):
    _, fit, _ = fit_of(name)
    found = bootstrap_mixed(fit, draws=150, level=level, seed=4)
    drawn = simulate_rows(fit, fit.state.rows, 150, np.random.default_rng(4))
    many = fit_many_checked(
        _with_observed(drawn, fit.state.rows),
        residual="common",
        likelihood="restricted",
        correlated=False,
    )
    good = many.settled[1:] & np.isfinite(many.se[1:]).all(axis=1)
    estimate = fit.coefficients["estimate"].to_numpy()
    t = (many.estimate[1:] - estimate)[good] / many.se[1:][good]
    own = found.table[found.table["quantity"] == "coefficient"]
    assert own["term"].tolist() == fit.coefficients.index.tolist()
    assert np.allclose(own["estimate"], estimate, rtol=1e-4)
    for j, row in enumerate(own.itertuples()):
        low, high = np.quantile(t[:, j], [0.5 - level / 2, 0.5 + level / 2])
        se = many.se[0, j]
        assert row.low == pytest.approx(many.estimate[0, j] - high * se, rel=1e-9)
        assert row.high == pytest.approx(many.estimate[0, j] - low * se, rel=1e-9)
        beyond = (np.abs(t[:, j]) >= abs(many.estimate[0, j]) / se).sum()
        assert row.p == pytest.approx((1 + beyond) / (1 + len(t)))
    sds = found.table[found.table["quantity"] == "sd"]
    assert tuple(sds["term"]) == many.parts
    spread = many.spread[1:][good]
    ends = np.quantile(spread, [0.5 - level / 2, 0.5 + level / 2], axis=0)
    assert np.allclose(sds["low"], ends[0]) and np.allclose(sds["high"], ends[1])
    assert np.allclose(sds["estimate"], many.spread[0]) and sds["p"].isna().all()
    assert (found.draws, found.settled) == (150, good.sum())
    assert found.at_boundary == pytest.approx(many.boundary[1:][good].mean())
    assert (found.seed, found.level) == (4, level)
    frame = found.to_frame()
    assert frame.columns.tolist() == ["quantity", "term", "estimate", "low", "high", "p"]
    assert frame.equals(found.table) and frame is not found.table
    last = own["term"].iloc[-1]
    assert found.headline().startswith(f"{last} ")
    assert found.headline().endswith(f"{found.settled} of 150 simulated data sets fitted, seed 4")


def test_the_seed_is_nought_and_the_level_095_unless_said():
    _, fit, _ = fit_of("levels")
    plain = bootstrap_mixed(fit, draws=99)
    asked = bootstrap_mixed(fit, draws=99, level=0.95, seed=0)
    pd.testing.assert_frame_equal(plain.table, asked.table)
    assert (plain.seed, plain.level) == (0, 0.95)


def test_what_cannot_be_drawn_is_refused(monkeypatch):
    _, fit, _ = fit_of("levels")
    with pytest.raises(InputError) as refusal:
        bootstrap_mixed(fit, draws=98)
    assert str(refusal.value) == "draws is 98. Give at least 99."
    for level in (0.0, 1.0, 95):
        with pytest.raises(InputError, match=f"level is {level}"):
            bootstrap_mixed(fit, draws=99, level=level)
    none = mixed_model([1.0, 2.0, 3.0], np.ones((3, 1)), [0, 1, 2])
    with pytest.raises(NotEstimableError, match="There is no fit to simulate from: One run per"):
        bootstrap_mixed(none, draws=99)
    monkeypatch.setattr("metafreeze.models.mixed_fit.KEPT_ROWS", 11)
    data = rows_of_kind(100, **CASES["levels"])
    many = mixed_model(data["y"], data["X"], data["study"], varying=data["varying"])
    with pytest.raises(NotEstimableError, match="12 rows are too many to be kept with a fit"):
        bootstrap_mixed(many, draws=99)
    monkeypatch.setattr("metafreeze.models.mixed_fit.KEPT_ROWS", 12)
    kept = mixed_model(data["y"], data["X"], data["study"], varying=data["varying"])
    assert kept.state.rows is not None


@pytest.mark.parametrize(("bad", "enough"), [(0, True), (1, False)])
def test_too_few_settled_draws_are_no_bootstrap(bad, enough, monkeypatch):
    from dataclasses import replace

    _, fit, _ = fit_of("levels")

    def some_fail(*args, **kwargs):
        many = fit_many_checked(*args, **kwargs)
        settled = np.ones(100, bool)
        settled[1 : 1 + bad] = False
        return replace(many, settled=settled)

    monkeypatch.setattr(bootstrap, "fit_many_checked", some_fail)
    if enough:
        assert bootstrap_mixed(fit, draws=99).settled == 99
    else:
        with pytest.raises(NotEstimableError, match="Only 98 of 99 simulated data sets"):
            bootstrap_mixed(fit, draws=99)
