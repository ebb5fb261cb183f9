"""Several contrasts at once, against the textbook forms on matrices of all rows."""

import numpy as np
import pytest
from oracles.mixed_by_hand import ByHand, rows_of_kind, variances_of
from scipy import stats

from metafreeze import InputError, joint_test, mixed_model

CASES = {
    "studies": {"seed": 3, "q": 1, "studies": 6},
    "slopes": {"seed": 5, "q": 2, "studies": 8, "n": 60},
    "batches": {"seed": 6, "q": 1, "studies": 6, "batch": True, "n": 50},
    "known variances": {"seed": 7, "q": 1, "studies": 6, "known": True},
    "summaries": {"seed": 8, "q": 1, "studies": 6, "counts": True},
}
NAMES = ["one", "x", "other"]
CONTRASTS = {
    "one": [[0, 1, 0]],
    "two": [[0, 1, 0], [0, 0, 1]],
    "all": [[1, 0, 0], [0, 1, 0], [0, 0, 1]],
    "mixed": [[1, 2, 0], [0, 1, -1]],
}


def pair_of(name):
    case = dict(CASES[name])
    data = rows_of_kind(case.pop("seed"), **case)
    options = {k: v for k, v in data.items() if k not in ("y", "X", "study")}
    fit = mixed_model(data["y"], data["X"], data["study"], names=NAMES, **options)
    assert fit.status == "ok"
    levels = ["batch"] if case.get("batch") else []
    hand = ByHand(data, levels=levels)
    return fit, hand.at(variances_of(fit, levels=levels))


@pytest.mark.parametrize("which", CONTRASTS)
@pytest.mark.parametrize("name", CASES)
def test_kenward_roger_by_hand(name, which):
    fit, hand = pair_of(name)
    L = np.array(CONTRASTS[which], dtype=float)
    found = joint_test(fit, contrasts=CONTRASTS[which])
    _, f, df = hand.kenward_roger(L)
    assert found.f == pytest.approx(f, rel=1e-6)
    assert found.df_bottom == pytest.approx(df, rel=1e-5)
    assert found.df_top == len(L)
    assert found.p == pytest.approx(stats.f.sf(f, len(L), df), rel=1e-4)
    assert found.method == "kenward-roger"


@pytest.mark.parametrize("which", CONTRASTS)
@pytest.mark.parametrize("name", CASES)
def test_satterthwaite_by_hand(name, which):
    """Fai & Cornelius (1996): independent squares of t, each with its own df."""
    fit, hand = pair_of(name)
    L = np.array(CONTRASTS[which], dtype=float)
    found = joint_test(fit, contrasts=CONTRASTS[which], method="satterthwaite")
    values, vectors = np.linalg.eigh(L @ hand.phi @ L.T)
    own = [hand.satterthwaite_df(v @ L) for v in vectors.T]
    rank = len(L)
    f = sum((v @ L @ hand.beta) ** 2 / value for v, value in zip(vectors.T, values, strict=True))
    if rank == 1:
        df = own[0]
    else:
        total = sum(d / (d - 2) for d in own if d > 2)
        df = 2 * total / (total - rank)
    assert found.f == pytest.approx(f / rank, rel=1e-6)
    assert found.df_bottom == pytest.approx(df, rel=1e-4)
    assert found.df_top == rank
    assert found.p == pytest.approx(stats.f.sf(f / rank, rank, df), rel=1e-3)
    assert found.method == "satterthwaite"


@pytest.mark.parametrize("method", ["kenward-roger", "satterthwaite"])
def test_terms_are_contrasts_by_name(method):
    fit, _ = pair_of("slopes")
    by_name = joint_test(fit, ["other", "x"], method=method)
    by_row = joint_test(fit, contrasts=[[0, 0, 1], [0, 1, 0]], method=method)
    assert by_name.to_frame().iloc[0].tolist() == pytest.approx(by_row.to_frame().iloc[0].tolist())
    one = joint_test(fit, ["x"], method=method)
    flat = joint_test(fit, contrasts=[0, 1, 0], method=method)
    assert one.to_frame().iloc[0].tolist() == flat.to_frame().iloc[0].tolist()
    row = fit.coefficients.loc["x"]
    if method == "kenward-roger":
        assert one.f == pytest.approx((row["estimate"] / row["se"]) ** 2, rel=1e-12)
        assert one.df_bottom == pytest.approx(row["df"], rel=1e-9)
        assert one.p == pytest.approx(row["p"], rel=1e-8)


@pytest.mark.parametrize("method", ["kenward-roger", "satterthwaite"])
def test_without_random_parts_it_is_the_f_test_of_least_squares(method):
    data = rows_of_kind(2, q=0, spread=0.0)
    X, y = data["X"], data["y"]
    fit = mixed_model(y, X, data["study"], varying=np.zeros((len(y), 0)), names=NAMES)
    found = joint_test(fit, ["x", "other"], method=method)
    whole = ((y - X @ np.linalg.lstsq(X, y, rcond=None)[0]) ** 2).sum()
    bare = ((y - y.mean()) ** 2).sum()
    df = len(y) - 3
    f = (bare - whole) / 2 / (whole / df)
    assert found.f == pytest.approx(f, rel=1e-9)
    assert found.df_bottom == pytest.approx(df, rel=1e-6)
    assert found.p == pytest.approx(stats.f.sf(f, 2, df), rel=1e-6)


@pytest.mark.parametrize("method", ["kenward-roger", "satterthwaite"])
@pytest.mark.parametrize("which", ["one", "two"])
def test_known_variances_alone_give_chi_square(method, which):
    data = rows_of_kind(2, q=0)
    n = len(data["y"])
    v = np.linspace(0.5, 2.0, n)
    fit = mixed_model(
        data["y"],
        data["X"],
        data["study"],
        varying=np.zeros((n, 0)),
        known_variance=v,
        names=NAMES,
    )
    L = np.array(CONTRASTS[which], dtype=float)
    found = joint_test(fit, contrasts=L, method=method)
    phi = np.linalg.inv(data["X"].T @ (data["X"] / v[:, None]))
    beta = phi @ data["X"].T @ (data["y"] / v)
    wald = L @ beta @ np.linalg.solve(L @ phi @ L.T, L @ beta)
    assert found.df_bottom == np.inf
    assert found.f == pytest.approx(wald / len(L), rel=1e-10)
    assert found.p == pytest.approx(stats.chi2.sf(wald, len(L)), rel=1e-8)


def test_the_table_and_the_line():
    fit, _ = pair_of("studies")
    found = joint_test(fit, ["x", "other"])
    frame = found.to_frame()
    assert list(frame.columns) == ["f", "df_top", "df_bottom", "p"]
    assert frame.iloc[0].tolist() == [found.f, found.df_top, found.df_bottom, found.p]
    assert found.headline().startswith("F(2, ")
    assert found.headline().endswith(", kenward-roger")


REFUSED = {
    "neither": ({}, "Give either terms or contrasts."),
    "both": ({"terms": ["x"], "contrasts": [[0, 1, 0]]}, "Give either terms or contrasts."),
    "an unknown term": (
        {"terms": ["x", "y"]},
        "terms is ['x', 'y']. Choose from one, x, other.",
    ),
    "no term": ({"terms": []}, "terms is []. Choose from one, x, other."),
    "too few columns": (
        {"contrasts": [[0, 1]]},
        "contrasts has shape (1, 2); it needs 3 columns.",
    ),
    "three axes": (
        {"contrasts": np.zeros((1, 1, 3))},
        "contrasts has shape (1, 1, 3); it needs 3 columns.",
    ),
    "one contrast twice": (
        {"contrasts": [[0, 1, 0], [0, 2, 0]]},
        "Some contrasts follow from others. Leave those out.",
    ),
    "an unknown method": (
        {"terms": ["x"], "method": "wald"},
        'method is \'wald\'. Choose one of "kenward-roger", "satterthwaite".',
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_tested_is_refused(name):
    given, words = REFUSED[name]
    with pytest.raises(InputError) as refusal:
        joint_test(pair_of("studies")[0], **given)
    assert str(refusal.value) == words
