"""The tables of a fit in the caller's units, against whole matrices at its variances."""

from functools import lru_cache

import numpy as np
import pytest
from oracles.mixed_by_hand import ByHand, rows_of_kind, variances_of
from scipy import stats

from metafreeze import mixed_model
from metafreeze.models.mixed_tables import _is_singular

CASES = {
    "levels": {"seed": 41, "q": 1, "studies": 6},
    "slopes": {"seed": 42, "q": 2, "studies": 8, "n": 64},
    "slopes without correlation": {"seed": 43, "q": 2, "studies": 8, "n": 64, "correlated": False},
    "three columns": {"seed": 44, "q": 3, "studies": 9, "n": 110},
    "batches": {"seed": 45, "q": 1, "studies": 6, "batch": True, "n": 60},
    "specimens in batches": {
        "seed": 46,
        "q": 1,
        "studies": 6,
        "n": 110,
        "batch": True,
        "specimen": "nested",
    },
    "specimens across batches": {
        "seed": 47,
        "q": 1,
        "studies": 8,
        "n": 110,
        "batch": True,
        "specimen": "crossed",
    },
    "per study": {"seed": 48, "q": 1, "studies": 4, "n": 60, "residual": "per-study"},
    "known variances": {"seed": 49, "q": 1, "studies": 6, "known": True},
    "summaries": {"seed": 50, "q": 2, "studies": 8, "n": 64, "counts": True},
}
NAMES = ["one", "x", "other"]


@lru_cache
def pair_of(name, **more):
    case = dict(CASES[name])
    seed, correlated = case.pop("seed"), case.pop("correlated", True)
    residual = case.pop("residual", "common")
    data = rows_of_kind(seed, **case)
    options = {k: v for k, v in data.items() if k not in ("y", "X", "study")}
    fit = mixed_model(
        data["y"],
        data["X"],
        data["study"],
        names=NAMES,
        correlated=correlated,
        residual=residual,
        **options,
        **more,
    )
    levels = [k for k in ("batch", "specimen") if data[k] is not None]
    hand = ByHand(data, correlated=correlated, levels=levels, residual=residual)
    w = variances_of(fit, correlated=correlated, levels=levels, residual=residual)
    return data, fit, hand.at(w), levels, correlated


# The gradient at the optimum, against the size of the criterion's bend there.
STATIONARY = 1e-3


@pytest.mark.parametrize("likelihood", ["restricted", "full"])
@pytest.mark.parametrize("name", CASES)
def test_the_variances_are_where_the_criterion_is_least(name, likelihood):
    data, fit, hand, _, _ = pair_of(name, likelihood=likelihood)
    restricted = likelihood == "restricted"
    assert fit.criterion == pytest.approx(hand.criterion(restricted), rel=1e-9)
    gradient, bend = hand.gradient(restricted), hand.hessian(restricted)
    if fit.status == "ok":
        fall = gradient @ np.linalg.solve(bend, gradient) / 2
        assert 0 <= fall < 1e-8
        assert np.linalg.eigvalsh(bend)[0] > 0
    assert fit.degrees_lost == data["X"].shape[1] + len(hand.parts)
    assert fit.aic == pytest.approx(fit.criterion + 2 * fit.degrees_lost)
    assert fit.log_likelihood == pytest.approx(-fit.criterion / 2)
    assert np.allclose(fit.coefficients["estimate"], hand.beta, rtol=1e-7)


@pytest.mark.parametrize("name", CASES)
def test_the_parts_are_the_covariance_by_name(name):
    data, fit, _, levels, correlated = pair_of(name)
    G = fit.random_covariance
    q = len(G)
    assert q == data["varying"].shape[1] and np.allclose(G, G.T)
    rows = [("study", NAMES[k] if k < 2 else "x2", "", np.sqrt(G[k, k]), np.nan) for k in range(q)]
    for j in range(q):
        for i in range(j + 1, q) if correlated else ():
            r = G[i, j] / np.sqrt(G[i, i] * G[j, j])
            rows.append(("study", rows[j][1], rows[i][1], np.nan, r))
    table = fit.random_parts
    assert table.columns.tolist() == ["level", "term", "with_term", "sd", "correlation"]
    own = table[table["level"] == "study"]
    assert own[["level", "term", "with_term"]].to_numpy().tolist() == [list(r[:3]) for r in rows]
    assert np.allclose(own["sd"], [r[3] for r in rows], equal_nan=True)
    assert np.allclose(own["correlation"], [r[4] for r in rows], equal_nan=True)
    rest = table[table["level"] != "study"]
    assert sorted(rest["level"]) == sorted([*levels, *(["residual"] * (name != "per study"))])
    assert rest["term"].tolist() == ["intercept"] * len(levels) + [""] * (name != "per study")
    if "specimens" in name:
        # A crossed factor first; nested ones from the outside inwards.
        outer = "specimen" if "across" in name else "batch"
        assert rest["level"].iloc[0] == outer
    assert (rest["with_term"] == "").all() and rest["correlation"].isna().all()
    if name == "per study":
        assert np.isnan(fit.residual_sd)
        assert len(fit.residual_sds) == 4 and (fit.residual_sds > 0).all()
    else:
        assert rest["sd"].iloc[-1] == pytest.approx(fit.residual_sd, rel=1e-12)
        assert np.allclose(fit.residual_sds, fit.residual_sd)
        assert len(fit.residual_sds) == fit.studies


@pytest.mark.parametrize("level", [0.9])
@pytest.mark.parametrize("inference", ["kenward-roger", "satterthwaite", "normal"])
@pytest.mark.parametrize("name", CASES)
def test_every_inference_by_hand(name, inference, level):
    _, fit, hand, _, _ = pair_of(name, inference=inference, level=level)
    if fit.status != "ok":
        assert fit.status == "boundary"
        return
    p = 3
    if inference == "kenward-roger":
        covariance, _, _ = hand.kenward_roger(np.eye(p)[:1])
        df = [hand.kenward_roger_df(c) for c in np.eye(p)]
    else:
        covariance = hand.phi
        df = [hand.satterthwaite_df(c) for c in np.eye(p)]
        df = df if inference == "satterthwaite" else [np.inf] * p
    table = fit.coefficients
    assert fit.inference == inference and fit.level == level
    assert fit.covariance.index.tolist() == fit.covariance.columns.tolist() == NAMES
    assert np.allclose(fit.covariance, covariance, rtol=1e-5, atol=1e-9 * np.abs(covariance).max())
    assert np.allclose(table["se"], np.sqrt(np.diag(covariance)), rtol=1e-5)
    assert np.allclose(table["df"], df, rtol=1e-3)
    law = [stats.norm() if np.isinf(d) else stats.t(d) for d in table["df"]]
    for j in range(p):
        half = law[j].ppf(0.5 + level / 2) * table["se"].iloc[j]
        estimate = table["estimate"].iloc[j]
        assert table["low"].iloc[j] == pytest.approx(estimate - half, rel=1e-9)
        assert table["high"].iloc[j] == pytest.approx(estimate + half, rel=1e-9)
        t = abs(estimate / table["se"].iloc[j])
        assert table["p"].iloc[j] == pytest.approx(2 * law[j].sf(t), rel=1e-9)


@pytest.mark.parametrize("level", [0.9])
@pytest.mark.parametrize("name", CASES)
def test_a_new_study_takes_the_spread_between_studies(name, level):
    data, fit, _, _, _ = pair_of(name, level=level)
    q = data["varying"].shape[1]
    twins = NAMES[: min(q, 2)]
    table = fit.new_study
    assert table.index.tolist() == twins and table.index.name == "term"
    assert table.columns.tolist() == ["estimate", "sd_between", "df", "low", "high"]
    for k, name_ in enumerate(twins):
        row, own = table.loc[name_], fit.coefficients.loc[name_]
        sd = np.sqrt(fit.random_covariance[k, k])
        half = stats.t.ppf(0.5 + level / 2, fit.studies - 2) * np.hypot(own["se"], sd)
        assert row["df"] == fit.studies - 2
        assert row["sd_between"] == pytest.approx(sd)
        assert row["estimate"] == own["estimate"]
        assert (row["low"], row["high"]) == pytest.approx(
            (own["estimate"] - half, own["estimate"] + half), rel=1e-9
        )


def robust_by_hand(hand, L):
    """CR2 with the degrees of freedom of Pustejovsky & Tipton (2018), under the model."""
    labels = np.unique(hand.study)
    bread, X, V = hand.phi, hand.X, hand.V
    keep = np.eye(len(V)) - X @ bread @ X.T @ hand.inverse
    residual = hand.y - X @ hand.beta
    meat = np.zeros_like(bread)
    arms = []
    for s in labels:
        rows = np.flatnonzero(hand.study == s)
        own, x = V[np.ix_(rows, rows)], X[rows]
        values, vectors = np.linalg.eigh(own)
        root = vectors * np.sqrt(values) @ vectors.T
        white = np.linalg.solve(root, x)
        values, vectors = np.linalg.eigh(np.eye(len(rows)) - white @ bread @ white.T)
        A = root @ (vectors / np.sqrt(values)) @ vectors.T @ np.linalg.inv(root)
        arm = bread @ x.T @ np.linalg.inv(own) @ A
        meat += np.outer(arm @ residual[rows], arm @ residual[rows])
        arms.append(arm @ keep[rows])
    df = []
    for c in L:
        G = np.array([c @ arm for arm in arms])
        M = G @ V @ G.T
        df.append(np.trace(M) ** 2 / (M**2).sum())
    return meat, np.array(df)


@pytest.mark.parametrize("name", ["levels", "slopes", "batches", "known variances"])
def test_the_robust_table_by_hand(name):
    _, fit, hand, _, _ = pair_of(name)
    covariance, df = robust_by_hand(hand, np.eye(3))
    assert np.allclose(fit.robust["estimate"], fit.coefficients["estimate"])
    assert np.allclose(fit.robust["se"], np.sqrt(np.diag(covariance)), rtol=1e-5)
    assert np.allclose(fit.robust["df"], df, rtol=1e-4)
    _, asked, _, _, _ = pair_of(name, inference="cluster-robust", level=0.8)
    assert asked.inference == "cluster-robust"
    assert np.allclose(asked.coefficients["se"], fit.robust["se"])
    assert np.allclose(asked.covariance, covariance, rtol=1e-4, atol=1e-7)
    half = stats.t.ppf(0.9, asked.robust["df"]) * asked.robust["se"]
    assert np.allclose(asked.robust["high"] - asked.robust["estimate"], half)


def test_one_study_has_neither_robust_table_nor_neighbours():
    data = rows_of_kind(51, studies=1, n=20)
    fit = mixed_model(data["y"], data["X"], data["study"], names=NAMES)
    assert fit.status == "ok"
    assert fit.robust.index.tolist() == NAMES and fit.robust.isna().all(axis=None)
    assert fit.new_study.empty
    assert fit.note == "One study: nothing is said about other studies."
    robust = mixed_model(data["y"], data["X"], data["study"], inference="cluster-robust")
    assert robust.covariance.isna().all(axis=None)
    assert robust.note.endswith("Robust intervals need at least two studies.")


@pytest.mark.parametrize(
    ("matrix", "singular"),
    [
        ([[1.0, 1.0], [1.0, 1.0]], True),
        ([[1.0, 0.0], [0.0, 0.0]], True),
        ([[1.0, 0.999], [0.999, 1.0]], False),
        ([[1e-12, 0.0], [0.0, 1e12]], False),
        ([[1.0, 1 - 1e-13], [1 - 1e-13, 1.0]], True),
        ([[1.0, 1 - 1e-11], [1 - 1e-11, 1.0]], False),
    ],
)
def test_a_covariance_is_singular_by_its_correlations(matrix, singular):
    assert _is_singular(np.array(matrix)) is singular


BOUNDARY = {
    "levels": ({"q": 1}, "one"),
    "slopes without correlation": ({"q": 2, "correlated": False}, "one, x"),
    "slopes": ({"q": 2}, "covariance of one and x"),
    "batches": ({"q": 1, "batch": True}, "one, batch"),
    "nested": ({"q": 1, "batch": True, "specimen": "nested"}, "one, batch, specimen"),
}


@pytest.mark.parametrize("name", BOUNDARY)
def test_what_stands_at_zero_is_named(name):
    """Runs whose groups all have one mean: every spread above the runs is zero."""
    given, listed = BOUNDARY[name]
    given = dict(given)
    correlated = given.pop("correlated", True)
    rng = np.random.default_rng(6)
    labs, per = 5, 8
    study = np.repeat([f"s{k}" for k in range(labs)], per)
    batch = np.tile(np.repeat(["a", "b"], 4), labs)
    specimen = np.tile(np.repeat(["k", "l", "m", "n"], 2), labs)
    x = np.tile([-1.0, 1.0], labs * per // 2)
    wave = np.tile([1.0, 1.0, -1.0, -1.0, -1.0, -1.0, 1.0, 1.0], labs)
    y = 3 + 0.5 * x + 0.3 * np.tile([1.0, -1.0, -1.0, 1.0], 10) + 0 * rng.normal(size=40)
    if name != "nested":
        y = y + 0.2 * wave * x
    X = np.column_stack([np.ones(40), x])
    fit = mixed_model(
        y,
        X,
        study,
        names=["one", "x"],
        varying=X[:, : given["q"]],
        correlated=correlated,
        batch=batch if given.get("batch") else None,
        specimen=specimen if given.get("specimen") else None,
    )
    assert fit.status == "boundary"
    assert fit.note.startswith(f"At the boundary: {listed}. The best estimate")
    least = np.linalg.lstsq(X, y, rcond=None)[0]
    s2 = ((y - X @ least) ** 2).sum() / 38
    assert fit.residual_sd == pytest.approx(np.sqrt(s2), rel=1e-6)
    zero = fit.random_parts[fit.random_parts["level"] != "residual"]["sd"].dropna()
    assert (zero < 1e-6).any()
