"""What a fit says about studies, against Henderson's equations written out.

The joint equations of fixed and random effects give modes, coefficients and the covariance of
their errors in one inverse: Henderson (1975), Biometrics 31, 423-447.
"""

from functools import lru_cache

import numpy as np
import pandas as pd
import pytest
from oracles.mixed_by_hand import ByHand, rows_of_kind, variances_of
from scipy import stats

from metafreeze import InputError, NotEstimableError, mixed_model, predict_outcomes, study_modes

CASES = {
    "levels": {"seed": 21, "q": 1, "studies": 5},
    "slopes": {"seed": 22, "q": 2, "studies": 7, "n": 60},
    "slopes in batches": {"seed": 25, "q": 2, "studies": 7, "n": 70, "batch": True},
    "known variances": {"seed": 24, "q": 1, "studies": 5, "known": True},
    "summaries": {"seed": 25, "q": 2, "studies": 7, "n": 60, "counts": True},
    "reading errors": {"seed": 26, "q": 1, "studies": 5, "added": True},
}
NAMES = ["one", "x", "other"]


@lru_cache
def fit_of(name, **more):
    case = dict(CASES[name])
    data = rows_of_kind(case.pop("seed"), **case)
    options = {k: v for k, v in data.items() if k not in ("y", "X", "study")}
    fit = mixed_model(data["y"], data["X"], data["study"], names=NAMES, **options, **more)
    assert fit.status == "ok", fit.note
    levels = ["batch"] if case.get("batch") else []
    hand = ByHand(data, levels=levels)
    return data, fit, hand, hand.at(variances_of(fit, levels=levels))


def henderson(hand, fit):
    """Coefficients, modes by study, and the covariance of their errors."""
    labels = list(np.unique(hand.study))
    q = hand.Z.shape[1]
    between = np.zeros_like(hand.V)
    wide = np.zeros((len(hand.y), len(labels) * q))
    for s, label in enumerate(labels):
        rows = hand.study == label
        wide[np.ix_(rows, range(s * q, (s + 1) * q))] = hand.Z[rows]
    G = np.kron(np.eye(len(labels)), fit.random_covariance)
    between = wide @ G @ wide.T
    rest = np.linalg.inv(hand.V - between)
    W = np.hstack([hand.X, wide])
    left = W.T @ rest @ W
    p = hand.X.shape[1]
    left[p:, p:] += np.linalg.inv(G)
    covariance = np.linalg.inv(left)
    solution = covariance @ W.T @ rest @ hand.y
    return solution[:p], solution[p:].reshape(len(labels), q), covariance, labels


@pytest.mark.parametrize("likelihood", ["restricted", "full"])
@pytest.mark.parametrize("name", CASES)
def test_modes_solve_the_joint_equations(name, likelihood):
    data, fit, hand, _ = fit_of(name, likelihood=likelihood)
    beta, modes, _, labels = henderson(hand, fit)
    found = study_modes(fit)
    assert found.index.tolist() == [str(s) for s in labels] and found.index.name == "study"
    assert found.columns.tolist() == NAMES[: data["varying"].shape[1]]
    assert np.allclose(found, modes, rtol=1e-6, atol=1e-8)
    assert np.allclose(fit.coefficients["estimate"], beta, rtol=1e-7)


@pytest.mark.parametrize("level", [0.95, 0.8])
@pytest.mark.parametrize("name", CASES)
def test_a_known_study_is_its_mode_with_the_error_of_both(name, level):
    data, fit, hand, _ = fit_of(name)
    beta, modes, covariance, labels = henderson(hand, fit)
    q, p = data["varying"].shape[1], 3
    rng = np.random.default_rng(1)
    X, Z = rng.normal(size=(4, p)), rng.normal(size=(4, q))
    asked = [labels[2], labels[0], labels[2], labels[-1]]
    found = predict_outcomes(fit, X, varying=Z, study=asked, level=level)
    assert found.kind == "known study" and found.confidence == level
    table = found.table
    for i in range(4):
        s = labels.index(asked[i])
        row = np.zeros(len(covariance))
        row[:p] = X[i]
        row[p + s * q : p + (s + 1) * q] = Z[i]
        assert table["predicted"][i] == pytest.approx(X[i] @ beta + Z[i] @ modes[s], rel=1e-6)
        assert table["se"][i] == pytest.approx(np.sqrt(row @ covariance @ row), rel=1e-6)
        df = hand.kenward_roger_df(X[i])
        assert table["df"][i] == pytest.approx(df, rel=1e-4)
        half = stats.t.ppf(0.5 + level / 2, table["df"][i]) * table["se"][i]
        assert table["low"][i] == pytest.approx(table["predicted"][i] - half, rel=1e-9)
        assert table["high"][i] == pytest.approx(table["predicted"][i] + half, rel=1e-9)


@pytest.mark.parametrize("name", CASES)
def test_the_mean_over_studies_and_a_new_study(name):
    data, fit, hand, _ = fit_of(name)
    q, p = data["varying"].shape[1], 3
    adjusted, _, _ = hand.kenward_roger(np.eye(p)[:1])
    rng = np.random.default_rng(2)
    X, Z = rng.normal(size=(3, p)), rng.normal(size=(3, q))
    mean = predict_outcomes(fit, X)
    assert mean.kind == "mean" and mean.confidence == 0.95
    new = predict_outcomes(fit, X, varying=Z, new_study=True)
    assert new.kind == "new study"
    for i in range(3):
        for found, extra, df in (
            (mean, 0.0, hand.kenward_roger_df(X[i])),
            (new, Z[i] @ fit.random_covariance @ Z[i], len(fit.study_names) - 2),
        ):
            row = found.table.iloc[i]
            se = np.sqrt(X[i] @ adjusted @ X[i] + extra)
            assert row["predicted"] == pytest.approx(X[i] @ hand.beta, rel=1e-7)
            assert row["se"] == pytest.approx(se, rel=1e-6)
            assert row["df"] == pytest.approx(df, rel=1e-4)
            half = stats.t.ppf(0.975, row["df"]) * row["se"]
            assert (row["low"], row["high"]) == pytest.approx(
                (row["predicted"] - half, row["predicted"] + half), rel=1e-9
            )


def test_one_row_is_a_row_and_one_label_is_for_all():
    _, fit, _, _ = fit_of("levels")
    one = predict_outcomes(fit, [1.0, 2.0, 0.5])
    assert len(one.table) == 1
    both = predict_outcomes(
        fit, [[1.0, 2.0, 0.5], [1.0, 3.0, 0.5]], varying=[[1.0], [1.0]], study="lab 1"
    )
    each = predict_outcomes(
        fit, [[1.0, 2.0, 0.5], [1.0, 3.0, 0.5]], varying=[[1.0], [1.0]], study=["lab 1"] * 2
    )
    assert both.table.equals(each.table)
    frame = each.to_frame()
    assert frame.columns.tolist() == ["predicted", "se", "df", "low", "high"]
    assert frame.index.tolist() == [0, 1]
    assert "known study" in each.headline()


def test_two_studies_leave_no_degree_for_a_third():
    rng = np.random.default_rng(3)
    y = np.concatenate([rng.normal(size=8), 4 + rng.normal(size=8)])
    fit = mixed_model(y, np.ones((16, 1)), np.repeat(["a", "b"], 8))
    found = predict_outcomes(fit, [[1.0]], varying=[[1.0]], new_study=True)
    row = found.table.iloc[0]
    assert np.isnan([row["df"], row["low"], row["high"]]).all()
    assert np.isfinite([row["predicted"], row["se"]]).all()
    three = mixed_model(
        np.concatenate([y, 2 + rng.normal(size=8)]), np.ones((24, 1)), np.repeat(["a", "b", "c"], 8)
    )
    assert predict_outcomes(three, [[1.0]], varying=[[1.0]], new_study=True).table["df"][0] == 1.0


def test_where_nothing_varies_every_study_is_the_mean():
    data = rows_of_kind(4, q=0, spread=0.0)
    n = len(data["y"])
    fit = mixed_model(data["y"], data["X"], data["study"], varying=np.zeros((n, 0)))
    modes = study_modes(fit)
    assert modes.shape == (4, 0) and modes.index.tolist() == list(fit.study_names)
    X = data["X"][:3]
    mean = predict_outcomes(fit, X).table
    known = predict_outcomes(fit, X, study=["lab 0"] * 3)
    assert known.kind == "known study"
    assert np.allclose(known.table, mean, rtol=1e-9)
    new = predict_outcomes(fit, X, new_study=True)
    assert np.allclose(new.table, mean, rtol=1e-12)
    residual = data["y"] - data["X"] @ np.linalg.lstsq(data["X"], data["y"], rcond=None)[0]
    s2 = residual @ residual / (n - 3)
    cov = s2 * np.linalg.inv(data["X"].T @ data["X"])
    assert mean["se"].to_numpy() == pytest.approx(np.sqrt(np.einsum("kp,pq,kq->k", X, cov, X)))


REFUSED = {
    "both kinds": (
        {"X": [[1, 2, 3]], "study": ["lab 0"], "new_study": True},
        "Give either study or new_study, not both.",
    ),
    "a column short": (
        {"X": [[1, 2]]},
        "X has shape (1, 2); it needs 3 columns: one, x, other.",
    ),
    "three axes": (
        {"X": np.zeros((1, 1, 3))},
        "X has shape (1, 1, 3); it needs 3 columns: one, x, other.",
    ),
    "no varying columns": (
        {"X": [[1, 2, 3]], "study": ["lab 0"]},
        "varying is missing. Give the varying columns of the rows.",
    ),
    "no varying columns for a new one": (
        {"X": [[1, 2, 3]], "new_study": True},
        "varying is missing. Give the varying columns of the rows.",
    ),
    "too many varying columns": (
        {"X": [[1, 2, 3]], "new_study": True, "varying": [[1, 2]]},
        "varying has shape (1, 2); it needs 1 rows and 1 columns: one.",
    ),
    "an unknown study": (
        {"X": [[1, 2, 3]] * 2, "varying": [[1]] * 2, "study": ["lab 9", "lab 7"]},
        "study 'lab 7' is not in the fit. Choose from lab 0, lab 1, lab 2, lab 3, lab 4, or ask "
        "for new_study=True.",
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_predicted_is_refused(name):
    given = dict(REFUSED[name][0])
    _, fit, _, _ = fit_of("levels")
    with pytest.raises(InputError) as refusal:
        predict_outcomes(fit, given.pop("X"), **given)
    assert str(refusal.value) == REFUSED[name][1]


def test_a_fit_that_could_not_be_had_answers_nothing():
    fit = mixed_model([1.0, 2.0, 3.0], pd.DataFrame({"one": [1, 1, 1]}), ["a", "b", "c"])
    assert fit.state is None
    for ask in (lambda: study_modes(fit), lambda: predict_outcomes(fit, [[1.0]])):
        with pytest.raises(NotEstimableError) as refusal:
            ask()
        assert str(refusal.value) == f"There is no fit to ask: {fit.note}"
