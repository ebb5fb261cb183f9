"""Arguments of the mixed model: what is taken, how it is named, what is refused in which words."""

import numpy as np
import pandas as pd
import pytest

from metafreeze import InputError
from metafreeze.models.identify import RandomPlan
from metafreeze.models.mixed_input import (
    WIDEST_CROSSING,
    check_input,
    crossing_too_wide,
    row_variances,
)

N = 4


def check(y=(1.0, 2.0, 3.0, 5.0), X=None, study=(0, 0, 1, 1), **more):
    given = dict.fromkeys(
        (
            *("varying", "batch", "specimen", "known_variance", "added_variance", "count"),
            *("spread", "offset", "names", "varying_names"),
        )
    )
    return check_input(y, np.ones((N, 1)) if X is None else X, study, **(given | more))


X2 = np.column_stack([np.ones(N), [1.0, 2.0, 4.0, 8.0]])


def test_what_is_left_out_is_not_there():
    found = check()
    assert found.outcome.tolist() == [[1.0], [2.0], [3.0], [5.0]]
    assert found.varying.tolist() == [[1.0]] * N and found.varying_names == ("intercept",)
    assert found.varies.tolist() == [False]
    assert found.names == ("intercept",)
    for name in ("batch", "specimen", "count", "spread", "known", "added"):
        assert getattr(found, name) is None
    one = check(study=[7] * N)
    assert one.varying.shape == (N, 0) and one.varying_names == () and one.study.count == 1


@pytest.mark.parametrize("y", [[1, 2, 3, 5], [[1], [2], [3], [5]], np.array([1.0, 2, 3, 5])])
def test_an_outcome_is_one_number_a_row(y):
    assert check(y).outcome.tolist() == [[1.0], [2.0], [3.0], [5.0]]


def test_several_outcomes_only_where_many_are_asked_for():
    table = np.arange(8.0).reshape(4, 2)
    assert check(table, many=True).outcome.tolist() == table.tolist()
    with pytest.raises(InputError) as refusal:
        check(table)
    assert str(refusal.value) == "y has shape (4, 2); it needs one number for each row."
    shifted = check(table, many=True, offset=[1.0, 0.0, 0.0, 2.0])
    assert shifted.outcome.tolist() == [[-1.0, 0.0], [2.0, 3.0], [4.0, 5.0], [4.0, 5.0]]


NAMED = {
    "numbers": (np.column_stack([X2[:, 1], np.ones(N)]), ("x0", "intercept")),
    "two constants": (np.ones((N, 2)), ("intercept", "x1")),
    "twos": (2 * np.ones((N, 1)), ("x0",)),
    "a frame": (pd.DataFrame({"a": [1, 2, 3, 4], 5: [1, 0, 0, 0]}), ("a", "5")),
    "one axis": (np.ones(N), ("intercept",)),
}


@pytest.mark.parametrize("name", NAMED)
def test_columns_have_names(name):
    X, names = NAMED[name]
    found = check(X=X)
    assert found.names == names
    assert found.fixed.shape == (N, len(names))
    assert np.array_equal(found.fixed, np.asarray(X, float).reshape(N, -1))
    given = tuple(f"n{k}" for k in range(len(names)))
    assert check(X=X, names=given).names == given


def test_a_varying_column_takes_the_name_of_its_twin():
    names = ("one", "x")
    z = X2[:, ::-1].copy()
    assert check(X=X2, names=names, varying=X2).varying_names == names
    assert check(X=X2, names=names, varying=z).varying_names == ("x", "one")
    other = np.column_stack([[0.0, 1.0, 0.0, 1.0], X2[:, 1]])
    assert check(X=X2, names=names, varying=other).varying_names == ("x0", "x")
    assert check(X=X2, names=names, varying=X2, varying_names=("a", "b")).varying_names == (
        "a",
        "b",
    )
    assert check(X=X2, names=names, varying=z, varying_names=("a", "b")).varying_names == ("a", "b")
    frame = pd.DataFrame({"p": X2[:, 1], "q": [0, 1, 0, 1]})
    assert check(X=X2, names=names, varying=frame).varying_names == ("x", "q")
    # One name is given once.
    both = check(X=np.column_stack([X2, X2[:, 1]]), names=("one", "x", "y"), varying=X2[:, [1, 1]])
    assert both.varying_names == ("x", "y")
    found = check(X=X2, varying=z)
    assert found.varies.tolist() == [True, False]
    assert check(X=X2, varying=np.zeros((N, 0))).varying.shape == (N, 0)


def test_known_and_added_variances_are_put_together():
    nan = np.nan
    found = check(known_variance=[1.0, nan, 2.0, nan], added_variance=[0.5, 0.25, 0.0, 0.0])
    assert np.array_equal(found.known, [1.5, nan, 2.0, nan], equal_nan=True)
    assert found.added.tolist() == [0.0, 0.25, 0.0, 0.0]
    assert check(known_variance=[nan] * N).known is None
    assert check(added_variance=[0.0] * N).added is None
    both = check(known_variance=[nan] * N, added_variance=0.5)
    assert both.known is None and both.added.tolist() == [0.5] * N
    assert check(known_variance=2.0).known.tolist() == [2.0] * N


def test_counts_and_spreads_are_kept_where_they_say_something():
    nan = np.nan
    assert check(count=[1, 1, 1, 1]).count is None
    assert check(count=[1, 1, 1, 1], spread=[nan, 0, 0, 3]).spread is None
    assert check(spread=[0.0, nan, 0.0, 0.0]).spread is None
    found = check(count=[3, 1, 2, 1], spread=[0.5, 9.0, 0.0, nan])
    assert found.count.tolist() == [3, 1, 2, 1]
    assert np.array_equal(found.spread, [0.5, nan, 0.0, nan], equal_nan=True)
    # A row of known variance is one row, whatever stands behind it.
    found = check(
        count=[3, 2, 1, 1], spread=[nan, 0.7, nan, nan], known_variance=[1.0, nan, nan, nan]
    )
    assert found.count.tolist() == [1, 2, 1, 1]
    assert np.array_equal(found.spread, [nan, 0.7, nan, nan], equal_nan=True)
    only = check(count=[3, 1, 1, 1], known_variance=[1.0, nan, nan, nan])
    assert only.count is None and only.spread is None


def test_groups_without_any_label_are_none():
    assert check(batch=[None] * N).batch is None
    codes, count, real = check(batch=["a", None, "a", "b"]).batch
    assert real.tolist() == [True, False, True, True]
    assert len(set(codes.tolist())) == count == 4
    assert check(specimen=["a", "a", "a", "b"]).specimen[1] == 3


REFUSED = {
    "no rows": ({"y": [], "X": np.ones((0, 1)), "study": []}, "y is empty. Give at least one row."),
    "a table": (
        {"y": np.zeros((2, 2, 1))},
        "y has shape (2, 2, 1); it needs one number for each row.",
    ),
    "y": (
        {"y": [1.0, np.nan, np.inf, 2.0]},
        "y holds 2 values that are not finite numbers, first nan at row 1 (counted from 0). "
        "Leave such rows out and say so.",
    ),
    "X": (
        {"X": np.column_stack([np.ones(N), [1.0, 1.0, np.inf, 1.0]])},
        "X holds 1 values that are not finite numbers, first inf at row 2, column 1 (counted from "
        "0). Leave such rows out and say so.",
    ),
    "varying": (
        {"varying": [[1.0], [np.nan], [1.0], [1.0]]},
        "varying holds 1 values that are not finite numbers, first nan at row 1, column 0 "
        "(counted from 0). Leave such rows out and say so.",
    ),
    "offset": (
        {"offset": [0.0, 0.0, -np.inf, 0.0]},
        "offset holds 1 values that are not finite numbers, first -inf at row 2 (counted from 0). "
        "Leave such rows out and say so.",
    ),
    "a short column": (
        {"X": np.ones((3, 1))},
        "X has shape (3, 1); it needs 4 rows and one column a term.",
    ),
    "three axes": (
        {"X": np.ones((N, 1, 1))},
        "X has shape (4, 1, 1); it needs 4 rows and one column a term.",
    ),
    "no column": (
        {"X": np.ones((N, 0))},
        "X has no column. Give at least one, such as a column of ones.",
    ),
    "names": (
        {"X": X2, "names": ("a",)},
        "1 names are given for the 2 columns of X. Give one name a column.",
    ),
    "one name twice": (
        {"X": X2, "names": ("a", "a")},
        "Two columns of X have one name: a, a. Rename one.",
    ),
    "varying names": (
        {"varying": X2, "varying_names": ("a",)},
        "1 names are given for the 2 columns of varying. Give one name a column.",
    ),
    "a short vector": (
        {"known_variance": [1.0, 2.0]},
        "known_variance has shape (2,); it needs one number for each of 4 rows.",
    ),
    "a table of counts": (
        {"count": np.ones((N, 1))},
        "count has shape (4, 1); it needs one number for each of 4 rows.",
    ),
    "a variance of nought": (
        {"known_variance": [np.nan, 1.0, 0.0, 1.0]},
        "known_variance is 0.0 at row 2 (counted from 0). Give a variance above zero, or NaN where "
        "it is to be estimated.",
    ),
    "an infinite variance": (
        {"known_variance": [1.0, np.inf, 1.0, 1.0]},
        "known_variance is inf at row 1 (counted from 0). Give a variance above zero, or NaN where "
        "it is to be estimated.",
    ),
    "an added variance that is none": (
        {"added_variance": [0.0, 0.0, 0.0, np.nan]},
        "added_variance is nan at row 3 (counted from 0). Give a variance of zero or more, zero "
        "where nothing is added.",
    ),
    "an added variance below nought": (
        {"added_variance": [0.0, -1e-9, 0.0, 0.0]},
        "added_variance is -1e-09 at row 1 (counted from 0). Give a variance of zero or more, zero "
        "where nothing is added.",
    ),
    "a spread alone": (
        {"spread": [np.nan, 0.5, np.nan, np.nan]},
        "spread is given without count. Say in count how many runs stand behind each row.",
    ),
    "half a run": (
        {"count": [1, 1, 0.5, 1]},
        "count is 0.5 at row 2 (counted from 0). Give the number of runs behind the row, 1 for a "
        "single run.",
    ),
    "no count": (
        {"count": [1, np.nan, 1, 1]},
        "count is nan at row 1 (counted from 0). Give the number of runs behind the row, 1 for a "
        "single run.",
    ),
    "no spread": (
        {"count": [1, 1, 1, 3]},
        "spread is nan at row 3 (counted from 0), a row of 3 runs. Give the standard deviation "
        "among its runs, or leave it out.",
    ),
    "a spread below nought": (
        {"count": [2, 1, 1, 3], "spread": [0.0, 0, 0, -0.5]},
        "spread is -0.5 at row 3 (counted from 0), a row of 3 runs. Give the standard deviation "
        "among its runs, or leave it out.",
    ),
    "an infinite spread": (
        {"count": [2, 1, 1, 1], "spread": [np.inf, 0, 0, 0]},
        "spread is inf at row 0 (counted from 0), a row of 2 runs. Give the standard deviation "
        "among its runs, or leave it out.",
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_is_refused_is_named_with_place_and_remedy(name):
    given, words = REFUSED[name]
    with pytest.raises(InputError) as refusal:
        check(**given)
    assert str(refusal.value) == words


def test_the_variance_of_a_row_that_its_groups_do_not_share():
    nan = np.nan
    plain = check()
    assert row_variances(plain, np.array([2.0, 3.0])).tolist() == [4.0, 4.0, 9.0, 9.0]
    counted = check(count=[4, 1, 1, 2], spread=[0.1, nan, nan, 0.2], added_variance=[0, 0.5, 0, 1])
    assert row_variances(counted, np.array([2.0, 3.0])).tolist() == [1.0, 4.5, 9.0, 5.5]
    known = check(known_variance=[7.0, nan, nan, 0.5], added_variance=[1.0, 1.0, 0.0, 0.0])
    assert row_variances(known, np.array([2.0, 3.0])).tolist() == [8.0, 5.0, 9.0, 0.5]
    alone = check(known_variance=[1.0, 2.0, 3.0, 4.0])
    assert row_variances(alone, np.array([nan, nan])).tolist() == [1.0, 2.0, 3.0, 4.0]


def test_rows_with_the_parts_of_a_plan():
    checked = check(X=X2, varying=X2, batch=["a", "b", "a", "b"], specimen=["k", "k", "l", "l"])
    whole = checked.rows(RandomPlan(varying=(0, 1), correlated=True, batch=True, specimen=True))
    assert whole.varying is checked.varying and whole.correlated is True
    assert whole.batch is checked.batch and whole.specimen is checked.specimen
    assert whole.studies == 2 and whole.study is checked.study.codes
    less = checked.rows(RandomPlan(varying=(1,), correlated=False, batch=False, specimen=False))
    assert less.varying.tolist() == X2[:, 1:].tolist() and less.correlated is False
    assert less.batch is None and less.specimen is None


@pytest.mark.parametrize(
    ("wide", "refused"), [(WIDEST_CROSSING, False), (WIDEST_CROSSING + 1, True)]
)
def test_a_crossing_may_be_so_wide(wide, refused):
    first, second = np.arange(wide), (np.arange(wide) + 1) % wide
    batch, specimen = np.concatenate([first, first]), np.concatenate([first, second])
    n = 2 * wide
    checked = check(np.zeros(n), np.ones((n, 1)), np.zeros(n, int), batch=batch, specimen=specimen)
    assert crossing_too_wide(checked) == (
        f"batch and specimen cross in a study with {wide} levels on the shorter side; at most "
        f"{WIDEST_CROSSING} can be fitted"
        if refused
        else ""
    )


def test_nested_labels_are_never_too_wide():
    n = WIDEST_CROSSING + 5
    every, halves = np.arange(n), np.arange(n) // 2
    for batch, specimen in ((every, halves), (halves, every), (every, None), (None, every)):
        checked = check(
            np.zeros(n), np.ones((n, 1)), np.zeros(n, int), batch=batch, specimen=specimen
        )
        assert crossing_too_wide(checked) == ""
