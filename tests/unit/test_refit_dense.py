"""Refits with held variances, against generalised least squares on whole matrices."""

from functools import lru_cache

import numpy as np
import pytest
from oracles.mixed_by_hand import ByHand, rows_of_kind, variances_of

from metafreeze import InputError, NotEstimableError, mixed_model, plan_refits, refit_many
from metafreeze.models import refit

CASES = {
    "levels": {"q": 1, "studies": 5},
    "slopes": {"q": 2, "studies": 6, "n": 40},
    "three columns": {"q": 3, "studies": 6, "n": 50},
    "batches": {"q": 1, "studies": 5, "batch": True},
    "specimens in batches": {"q": 2, "studies": 6, "batch": True, "specimen": "nested", "n": 50},
    "nothing varies": {"q": 0, "studies": 4},
    "nothing varies, batches": {"q": 0, "studies": 4, "batch": True},
    "every kind of row": {"q": 1, "studies": 5, "known": True, "added": True, "counts": True},
    "per study": {"q": 1, "studies": 3, "n": 45, "residual": "per-study"},
}


@lru_cache
def plan_of(name):
    case = dict(CASES[name])
    residual = case.pop("residual", "common")
    data = rows_of_kind(90, **case)
    options = {k: v for k, v in data.items() if k not in ("y", "X", "study")}
    fit = mixed_model(data["y"], data["X"], data["study"], residual=residual, **options)
    options.pop("spread", None)
    plan = plan_refits(fit, data["y"], data["X"], data["study"], **options)
    levels = [k for k in ("batch", "specimen") if data[k] is not None]
    hand = ByHand(data, levels=levels, residual=residual)
    hand.at(variances_of(fit, levels=levels, residual=residual))
    return data, fit, plan, hand


@pytest.mark.parametrize("width", [1, 2, 3])
@pytest.mark.parametrize("name", CASES)
def test_added_columns_are_generalised_least_squares(name, width, monkeypatch):
    data, _, plan, hand = plan_of(name)
    n = len(data["y"])
    rng = np.random.default_rng(91)
    columns = rng.normal(size=(7, n, width))
    found = refit_many(plan, columns)
    assert found.estimate.shape == found.se.shape == (7, width)
    V = hand.V[:n, :n]
    inverse = np.linalg.inv(V)
    for b in range(7):
        X = np.column_stack([data["X"], columns[b]])
        covariance = np.linalg.inv(X.T @ inverse @ X)
        beta = covariance @ X.T @ inverse @ data["y"]
        assert np.allclose(found.estimate[b], beta[3:], rtol=1e-7, atol=1e-9)
        assert np.allclose(found.se[b], np.sqrt(np.diag(covariance))[3:], rtol=1e-7)
    monkeypatch.setattr(refit, "BLOCK_NUMBERS", 2 * n * width)
    split = refit_many(plan, columns)
    assert np.allclose(split.estimate, found.estimate, rtol=1e-12)
    assert np.allclose(split.se, found.se, rtol=1e-12)
    monkeypatch.setattr(refit, "BLOCK_NUMBERS", 1)
    assert np.allclose(refit_many(plan, columns).estimate, found.estimate, rtol=1e-12)


def test_one_column_each_may_leave_out_its_axis():
    _, _, plan, _ = plan_of("levels")
    columns = np.random.default_rng(92).normal(size=(3, plan.rows))
    flat, deep = refit_many(plan, columns), refit_many(plan, columns[:, :, None])
    assert flat.estimate.tolist() == deep.estimate.tolist()
    assert flat.estimate.shape == (3, 1)


@pytest.mark.parametrize("name", ["levels", "batches"])
def test_a_column_that_is_there_already_has_no_answer(name):
    data, _, plan, _ = plan_of(name)
    n = len(data["y"])
    new = np.random.default_rng(93).normal(size=n)
    found = refit_many(plan, np.stack([data["X"][:, 1], new, np.zeros(n)]))
    assert np.isnan(found.estimate[:, 0]).tolist() == [True, False, True]
    assert np.isnan(found.se[:, 0]).tolist() == [True, False, True]
    two = refit_many(
        plan, np.stack([np.column_stack([new, 2 * new]), np.column_stack([new, new**2])])
    )
    assert np.isnan(two.estimate).tolist() == [[True, True], [False, False]]
    assert np.isnan(two.se).tolist() == [[True, True], [False, False]]


def test_sorted_rows_and_rows_in_any_order_agree():
    data, fit, plan, _ = plan_of("levels")
    order = np.argsort(data["study"], kind="stable")
    again = plan_refits(
        fit,
        data["y"][order],
        data["X"][order],
        data["study"][order],
        varying=data["varying"][order],
    )
    assert again.order.tolist() == list(range(plan.rows))
    column = np.random.default_rng(94).normal(size=(1, plan.rows))
    a, b = refit_many(plan, column), refit_many(again, column[:, order])
    assert a.estimate[0, 0] == pytest.approx(b.estimate[0, 0], rel=1e-10)


def test_an_offset_is_taken_off():
    data, fit, plan, _ = plan_of("levels")
    shift = np.linspace(-1, 1, plan.rows)
    moved = plan_refits(
        fit,
        data["y"] + shift,
        data["X"],
        data["study"],
        varying=data["varying"],
        offset=shift,
    )
    column = np.random.default_rng(95).normal(size=(1, plan.rows))
    a, b = refit_many(plan, column), refit_many(moved, column)
    assert a.estimate[0, 0] == pytest.approx(b.estimate[0, 0], rel=1e-10)


def test_the_table_and_the_line():
    _, _, plan, _ = plan_of("levels")
    found = refit_many(plan, np.random.default_rng(96).normal(size=(6, plan.rows, 2)))
    frame = found.to_frame()
    assert frame.columns.tolist() == ["refit", "column", "estimate", "se"]
    assert frame["refit"].tolist() == [b for b in range(6) for _ in range(2)]
    assert frame["column"].tolist() == [0, 1] * 6
    assert frame["estimate"].tolist() == found.estimate.ravel().tolist()
    assert frame["se"].tolist() == found.se.ravel().tolist()
    from metafreeze.results import round_for_people

    middle = round_for_people(float(np.median(found.estimate[:, 0])))
    assert str(found) == found.headline() == f"6 refits, median estimate {middle}"
    assert found._repr_html_().count("<tr") == 10 + 1


REFUSED = {
    "too few rows": ((2, 5), "columns has shape (2, 5); it needs 36 rows in its second axis."),
    "one axis": ((36,), "columns has shape (36,); it needs 36 rows in its second axis."),
    "four axes": (
        (1, 36, 1, 1),
        "columns has shape (1, 36, 1, 1); it needs 36 rows in its second axis.",
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_columns_of_another_shape_are_refused(name):
    shape, words = REFUSED[name]
    with pytest.raises(InputError) as refusal:
        refit_many(plan_of("levels")[2], np.zeros(shape))
    assert str(refusal.value) == words


def test_other_rows_than_those_fitted_are_refused():
    data, fit, _, _ = plan_of("levels")
    with pytest.raises(InputError) as refusal:
        plan_refits(fit, data["y"], data["X"][:, :2], data["study"], varying=data["varying"])
    assert str(refusal.value) == (
        "X has 2 columns and 5 studies, the fit 3 and 5. Give the rows that were fitted."
    )
    other = np.where(data["study"] == "lab 0", "lab 1", data["study"])
    with pytest.raises(InputError, match="X has 3 columns and 4 studies, the fit 3 and 5"):
        plan_refits(fit, data["y"], data["X"], other, varying=data["varying"])


def test_a_crossing_and_a_fit_without_estimate_are_refused():
    data = rows_of_kind(97, batch=True, specimen="crossed", n=48)
    options = {k: v for k, v in data.items() if k not in ("y", "X", "study")}
    fit = mixed_model(data["y"], data["X"], data["study"], **options)
    with pytest.raises(NotEstimableError, match="Batch and specimen cross in this fit"):
        plan_refits(fit, data["y"], data["X"], data["study"], **options)
    none = mixed_model([1.0, 2.0, 3.0], np.ones((3, 1)), [0, 1, 2])
    with pytest.raises(NotEstimableError) as refusal:
        plan_refits(none, [1.0, 2.0, 3.0], np.ones((3, 1)), [0, 1, 2])
    assert str(refusal.value) == f"There is no fit to refit: {none.note}"
