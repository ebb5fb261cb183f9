"""Where bounds are given the model for times not seen exactly answers, with the same arguments."""

import numpy as np
import pandas as pd
import pytest
from oracles.mixed_by_hand import rows_of_kind

from metafreeze import InputError, UnseenTimesFit, mixed_model, unseen_times_model


def rows():
    data = rows_of_kind(140, q=1, studies=4, n=24, constant=True)
    y = data["y"]
    upper = y.copy()
    upper[3] = np.inf
    return y, upper, data["X"][:, :2], data["study"]


def same(a, b):
    return a.to_frame().equals(b.to_frame())


def test_one_bound_and_the_outcome_are_two_bounds():
    y, upper, X, study = rows()
    both = mixed_model(None, X, study, lower=y, upper=upper)
    assert isinstance(both, UnseenTimesFit)
    assert same(both, mixed_model(y, X, study, upper=upper))
    assert same(both, unseen_times_model(y, upper, X, study, log_times=True))
    lower = y.copy()
    lower[5] = -np.inf
    low = mixed_model(None, X, study, lower=lower, upper=y)
    assert same(low, mixed_model(y, X, study, lower=lower))


def test_columns_of_a_frame_keep_their_names():
    y, upper, X, study = rows()
    frame = pd.DataFrame(X, columns=["one", "x"])
    by_frame = mixed_model(None, frame, study, lower=y, upper=upper)
    by_name = mixed_model(None, X, study, lower=y, upper=upper, names=["one", "x"])
    assert same(by_frame, by_name)
    own = mixed_model(None, frame, study, lower=y, upper=upper, names=["a", "b"])
    words = own.to_frame().astype(str).to_numpy().ravel().tolist()
    assert "a" in words and "b" in words and "one" not in words


@pytest.mark.parametrize("level", [0.8, 0.95])
def test_the_level_is_handed_on(level):
    y, upper, X, study = rows()
    found = mixed_model(None, X, study, lower=y, upper=upper, level=level)
    assert same(found, unseen_times_model(y, upper, X, study, log_times=True, level=level))


REFUSED = {
    "a specimen": (
        {"specimen": np.arange(24)},
        "specimen cannot be fitted together with lower and upper. Leave it out, or give it as "
        "batch.",
    ),
    "residuals of their own": (
        {"residual": "per-study"},
        'residual is "per-study" together with lower and upper. Choose "common" there.',
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_does_not_go_with_bounds_is_refused(name):
    y, upper, X, study = rows()
    more, words = REFUSED[name]
    with pytest.raises(InputError) as refusal:
        mixed_model(None, X, study, lower=y, upper=upper, **more)
    assert str(refusal.value) == words


@pytest.mark.parametrize("bound", ["lower", "upper"])
def test_one_bound_alone_is_not_enough(bound):
    y, _, X, study = rows()
    with pytest.raises(InputError) as refusal:
        mixed_model(None, X, study, **{bound: y})
    assert str(refusal.value) == "Give both lower and upper, or y and one of them."


@pytest.mark.parametrize("level", [0.0, 1.0, -1, 95])
def test_a_level_is_between_nought_and_one(level):
    y, _, X, study = rows()
    with pytest.raises(InputError) as refusal:
        mixed_model(y, X, study, level=level)
    assert str(refusal.value) == (f"level is {level}. Give a number between 0 and 1, such as 0.95.")


def test_no_outcome_at_all_is_refused():
    _, _, X, study = rows()
    with pytest.raises(InputError) as refusal:
        mixed_model(None, X, study)
    assert str(refusal.value) == "y is missing. Give the outcome, or both lower and upper."
