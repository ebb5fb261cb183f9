"""What comes into pooling: every column, every name, every fault in full."""

import numpy as np
import pandas as pd
import pytest

from metafreeze.errors import InputError
from metafreeze.models.pool_input import check_effects, variance_problem

Y, V = [0.1, 0.2, 0.3], [0.01, 0.02, 0.03]


def faults_of(*columns, **options):
    with pytest.raises(InputError) as caught:
        check_effects(*columns, **options)
    return caught.value.faults


def test_plain_columns_are_kept_and_numbered_from_one():
    found = check_effects(Y, V)
    np.testing.assert_array_equal(found.estimate, Y)
    np.testing.assert_array_equal(found.variance, V)
    assert found.study == ("1", "2", "3")
    assert found.moderators.shape == (3, 0) and found.moderator_names == ()
    assert found.covariance is None
    assert check_effects([1], [2]).study == ("1",)


@pytest.mark.parametrize(
    ("values", "words"),
    [(["a", 1, 2], "not a number"), ([], "shape"), ([[1.0]], "shape"), (1.0, "shape"), (None, "")],
)
def test_columns_that_are_none(values, words):
    for name, columns in (("estimate", (values, V)), ("variance", (Y, values))):
        with pytest.raises(InputError, match=f"{name}.*{words}"):
            check_effects(*columns)


def test_lengths_must_agree():
    with pytest.raises(InputError, match="variance has 2 rows and estimate has 3"):
        check_effects(Y, V[:2])
    with pytest.raises(InputError, match="study has 2 names and estimate has 3 rows"):
        check_effects(Y, V, study=["a", "b"])
    with pytest.raises(InputError, match="moderators has 2 rows and estimate has 3"):
        check_effects(Y, V, moderators=[1, 2])


def test_labels_of_a_series_name_the_studies_unless_they_only_count():
    named = check_effects(pd.Series(Y, index=["a", "b", "c"]), V)
    assert named.study == ("a", "b", "c")
    assert check_effects(pd.Series(Y), V).study == ("1", "2", "3")
    assert check_effects(pd.Series(Y, index=[1, 2, 3]), V).study == ("1", "2", "3")
    assert check_effects(pd.Series(Y, index=[5, 6, 7]), V).study == ("5", "6", "7")
    assert check_effects(pd.Series(Y), V, study=[9, 8, 7]).study == ("9", "8", "7")


def test_every_labelled_column_is_matched_by_its_labels():
    keys, other = ["a", "b", "c"], ["c", "a", "b"]
    found = check_effects(
        pd.Series(Y, index=keys),
        pd.Series([3.0, 1.0, 2.0], index=other),
        study=pd.Series(["C", "A", "B"], index=other),
        moderators=pd.Series([30.0, 10.0, 20.0], index=other, name="dose"),
        covariance=pd.DataFrame(np.diag([3.0, 1.0, 2.0]), index=other, columns=other),
    )
    assert list(found.variance) == [1.0, 2.0, 3.0]
    assert found.study == ("A", "B", "C")
    assert list(found.moderators[:, 0]) == [10.0, 20.0, 30.0]
    assert found.moderator_names == ("dose",)
    np.testing.assert_array_equal(found.covariance, np.diag([1.0, 2.0, 3.0]))


def test_an_unlabelled_estimate_takes_columns_in_their_order():
    found = check_effects(
        Y,
        pd.Series(V, index=["c", "a", "b"]),
        moderators=pd.DataFrame({"z": [1, 2, 3]}, index=["c", "a", "b"]),
        study=pd.Series(["x", "y", "z"], index=["c", "a", "b"]),
    )
    assert list(found.variance) == V and list(found.moderators[:, 0]) == [1, 2, 3]
    assert found.study == ("x", "y", "z")


def test_names_that_do_not_match_are_told_from_both_sides():
    estimate = pd.Series(Y, index=["a", "b", "c"])
    cases = [
        (["a", "b", "d"], "variance lacks c; estimate lacks d."),
        (["a", "b", "c", "d"], "estimate lacks d."),
        (["a", "b"], "variance lacks c."),
    ]
    for index, words in cases:
        with pytest.raises(InputError) as caught:
            check_effects(estimate, pd.Series(np.ones(len(index)), index=index))
        assert words in str(caught.value)
        assert ("variance lacks" in str(caught.value)) == ("variance lacks" in words)
        assert ("estimate lacks" in str(caught.value)) == ("estimate lacks" in words)


def test_names_that_repeat_cannot_order_anything():
    estimate = pd.Series(Y, index=["a", "a", "b"])
    with pytest.raises(InputError, match="these names repeat: a, b"):
        check_effects(estimate, pd.Series(V, index=["b", "b", "a"]))
    with pytest.raises(InputError, match="these names repeat: c"):
        check_effects(pd.Series(Y, index=["a", "b", "c"]), pd.Series(V, index=["c", "c", "a"]))
    # In one order there is nothing to match.
    same = check_effects(estimate, pd.Series(V, index=["a", "a", "b"]), several_per_study=True)
    assert same.study == ("a", "a", "b")


@pytest.mark.parametrize(
    ("variance", "words"),
    [
        (float("nan"), "The variance is missing"),
        (float("inf"), "The variance is infinite"),
        (float("-inf"), "The variance is infinite"),
        (0.0, "The variance is zero, which claims certainty"),
        (-0.5, "The variance is negative (-0.5)"),
        (5e-324, ""),
        (2.0, ""),
    ],
)
def test_what_is_wrong_with_a_variance(variance, words):
    assert variance_problem(variance) == words
    if words:
        (fault,) = faults_of(Y, [1.0, variance, 1.0])
        assert (fault.rule, fault.message, fault.value) == ("variance", words, f"{variance:g}")
        assert (fault.location.row, fault.location.column) == (2, "variance")
        assert fault.location.run == "2"


def test_all_faults_come_at_once_with_their_places():
    faults = faults_of(
        [np.nan, 0.2, np.inf],
        [0.1, 0.0, np.nan],
        study=["a", "b", "b"],
        moderators={"dose": [1.0, np.nan, 2.0], "kind": ["x", "y", None]},
    )
    found = [(f.rule, f.location.row, f.location.column, f.location.run) for f in faults]
    assert found == [
        ("not-finite", 1, "estimate", "a"),
        ("variance", 2, "variance", "b"),
        ("not-finite", 3, "estimate", "b"),
        ("variance", 3, "variance", "b"),
        ("repeated-study", 3, "study", "b"),
        ("missing-moderator", 2, "dose", "b"),
        ("missing-moderator", 3, "kind", "b"),
    ]
    assert [f.value for f in faults[:4]] == ["nan", "0", "inf", "nan"]
    assert faults[5].message == "The moderator dose is missing"


def test_names_are_one_but_for_spaces_and_case_and_it_asks():
    names = ["Lab A", "b", "lab  a ", "LAB a"]
    (fault,) = faults_of([1, 2, 3, 4], [1, 1, 1, 1], study=names)
    assert (fault.rule, fault.severity) == ("repeated-study", "question")
    assert fault.location.row == 3 and fault.location.run == "lab  a " and fault.value == "lab  a "
    assert fault.message.startswith(
        "Rows 1, 3, 4 carry one study's name: “Lab A”, “lab  a ”, “LAB a”."
    )
    assert check_effects([1, 2], [1, 1], study=["a", "b"]).study == ("a", "b")
    several = check_effects([1, 2], [1, 1], study=["a", "a"], several_per_study=True)
    assert several.study == ("a", "a")


@pytest.mark.parametrize(
    ("moderators", "names", "columns"),
    [
        ([1, 2, 3], ("moderator",), [[1, 2, 3]]),
        ([[1, 4], [2, 5], [3, 6]], ("moderator 1", "moderator 2"), [[1, 2, 3], [4, 5, 6]]),
        ([[1], [2], [3]], ("moderator",), [[1, 2, 3]]),
        (pd.Series([1.5, 2, 3]), ("moderator",), [[1.5, 2, 3]]),
        (pd.Series([1.5, 2, 3], name="dose"), ("dose",), [[1.5, 2, 3]]),
        ({"on": [True, False, True]}, ("on",), [[1, 0, 1]]),
        ({"k": ["b", "a", "c"]}, ("k: b", "k: c"), [[1, 0, 0], [0, 0, 1]]),
        (
            pd.DataFrame({"a": [1, 2, 3], "t": ["x", "x", "y"]}),
            ("a", "t: y"),
            [[1, 2, 3], [0, 0, 1]],
        ),
        ({"t": ["x", "x", "x"]}, (), []),
        (np.array(["u", "v", "u"]), ("moderator: v",), [[0, 1, 0]]),
    ],
)
def test_moderators_become_columns(moderators, names, columns):
    found = check_effects(Y, V, moderators=moderators)
    assert found.moderator_names == names
    assert found.moderators.shape == (3, len(names))
    np.testing.assert_array_equal(found.moderators.T, np.reshape(columns, (len(names), 3)))
    assert found.moderators.dtype == np.float64


def test_tables_of_moderators_are_matched_by_key_only_where_they_have_keys():
    estimate = pd.Series(Y, index=["a", "b", "c"])
    plain = check_effects(estimate, V, moderators={"z": [1, 2, 3]})
    assert list(plain.moderators[:, 0]) == [1, 2, 3]
    array = check_effects(estimate, V, moderators=np.array([1, 2, 3]))
    assert list(array.moderators[:, 0]) == [1, 2, 3]
    keyed = check_effects(estimate, V, moderators={"z": pd.Series([3, 1, 2], index=list("cab"))})
    assert list(keyed.moderators[:, 0]) == [1, 2, 3]
    with pytest.raises(InputError, match="moderators lacks c; estimate lacks d"):
        check_effects(estimate, V, moderators=pd.DataFrame({"z": [1, 2, 3]}, index=list("abd")))
    with pytest.raises(InputError, match="moderators has shape"):
        check_effects(Y, V, moderators=np.ones((3, 1, 1)))


# --- covariance ---------------------------------------------------------------------------


def test_a_covariance_is_kept_and_made_symmetric():
    matrix = np.array([[0.01, 0.005, 0.0], [0.005, 0.02, 0.001], [0.0, 0.001, 0.03]])
    tilted = matrix.copy()
    tilted[0, 1] *= 1 + 1e-12
    found = check_effects(Y, V, covariance=tilted).covariance
    np.testing.assert_array_equal(found, found.T)
    np.testing.assert_allclose(found, matrix, rtol=1e-11)
    assert found[0, 1] == (tilted[0, 1] + tilted[1, 0]) / 2


@pytest.mark.parametrize("unit", [1.0, 1e6, 1e-6])
def test_a_covariance_is_refused_by_limits_without_a_unit(unit):
    v = unit * np.array([1.0, 4.0])

    def given(off, other=None, first=1.0):
        lower = off if other is None else other
        return unit * np.array([[first, off], [lower, 4.0]])

    check_effects([1, 2], v, covariance=given(0.5, 0.5 + 1e-10))
    with pytest.raises(InputError, match="not a finite symmetric"):
        check_effects([1, 2], v, covariance=given(0.5, 0.5 + 4e-10))
    check_effects([1, 2], v, covariance=given(0.5, first=1 + 5e-11))
    with pytest.raises(InputError, match="diagonal of covariance differs"):
        check_effects([1, 2], v, covariance=given(0.5, first=1 + 2e-10))
    with pytest.raises(InputError, match="diagonal of covariance differs"):
        check_effects([1, 2], v, covariance=given(0.5, first=1 - 2e-10))
    check_effects([1, 2], v, covariance=given(2 * (1 - 1e-11)))
    for off in (2.0, 2.1, 2 * (1 - 1e-13), -2.0):
        with pytest.raises(InputError, match="not positive definite"):
            check_effects([1, 2], v, covariance=given(off))
    with pytest.raises(InputError, match="not a finite symmetric"):
        check_effects([1, 2], v, covariance=given(np.nan))


def test_a_covariance_must_fit_and_is_looked_at_after_the_rows():
    with pytest.raises(InputError, match=r"covariance has shape \(2, 2\). Give 3 rows and 3"):
        check_effects(Y, V, covariance=np.eye(2))
    assert [f.rule for f in faults_of(Y, [0.1, 0.0, 0.1], covariance=np.eye(2))] == ["variance"]
    estimate = pd.Series(Y, index=["a", "b", "c"])
    names = ["a", "b", "d"]
    for index, columns in ((names, list("abc")), (list("abc"), names)):
        table = pd.DataFrame(np.diag(V), index=index, columns=columns)
        with pytest.raises(InputError, match="covariance and estimate have other row names"):
            check_effects(estimate, V, covariance=table)
    # Without keys on the effects the table is taken as it stands.
    table = pd.DataFrame(np.diag(V), index=names, columns=names)
    np.testing.assert_array_equal(check_effects(Y, V, covariance=table).covariance, np.diag(V))
