"""Columns centred, multiplied and summed, against the plain algebra."""

import numpy as np
import pytest

from metafreeze.models.row_columns import (
    HEAD,
    as_values,
    centre_columns,
    fit_studies,
    group_sum,
    is_constant,
    multiply,
    same_column,
    semidefinite_factor,
    solve_semidefinite,
    subtract_own,
    sum_column,
)

CLOSE = 1e-12


@pytest.mark.parametrize("width", [None, 0, 1, 3])
def test_sums_of_groups_by_loop(width):
    rng = np.random.default_rng(1)
    codes = np.array([2, 0, 2, 2, 0, 4])
    values = rng.normal(size=(6,) if width is None else (6, width))
    wanted = np.zeros((5, *values.shape[1:]))
    for i, g in enumerate(codes):
        wanted[g] += values[i]
    found = group_sum(codes, 5, values)
    assert found.shape == wanted.shape
    assert np.allclose(found, wanted, atol=CLOSE)


def test_constants_stand_for_columns():
    a, b = np.array([1.0, 2.0, 3.0]), np.array([4.0, -1.0, 0.5])
    assert multiply("one", None) == "one" and multiply() == "one"
    assert multiply(a, "zero", b) == "zero" and multiply("zero", "one") == "zero"
    assert multiply(a, "one", None, b).tolist() == [4.0, -2.0, 1.5]
    assert multiply("one", a).tolist() == a.tolist()
    assert multiply(a, a, b).tolist() == [4.0, -4.0, 4.5]
    codes = np.array([1, 1, 0])
    assert sum_column(codes, 3, a).tolist() == [3.0, 3.0, 0.0]
    assert sum_column(codes, 3, "one").tolist() == [1.0, 2.0, 0.0]
    assert sum_column(codes, 3, "zero").tolist() == [0.0, 0.0, 0.0]
    assert as_values("one", 2).tolist() == [1.0, 1.0]
    assert as_values("zero", 2).tolist() == [0.0, 0.0]
    assert as_values(a, 3) is a


@pytest.mark.parametrize(
    ("column", "constant"),
    [([2.0, 2.0], True), ([0.0, 0.0], False), ([], False), ([1.0, 2.0], False), ([-3.0], True)],
)
def test_a_constant_is_one_number_other_than_zero(column, constant):
    assert is_constant(np.array(column)) is constant


@pytest.mark.parametrize("place", [0, 1, HEAD - 1, HEAD, 2 * HEAD])
def test_one_other_number_anywhere_is_seen(place):
    ones = np.ones(2 * HEAD + 1)
    other = ones.copy()
    other[place] = 5.0
    assert is_constant(ones) and not is_constant(other)
    assert same_column(ones, ones.copy()) and not same_column(ones, other)


def test_one_memory_is_one_column_only_with_one_stride():
    memory = np.arange(6.0)
    assert same_column(memory, memory[:])
    assert not same_column(memory[:3], memory[::2])


def case_of(name, seed=0):
    rng = np.random.default_rng(seed)
    n = 30
    x, w = 3 * rng.normal(size=n) + 8, rng.normal(size=n)
    one = np.ones(n)
    columns = {
        "plain": ([one, x, w], [one, x]),
        "slope alone": ([one, x, w], [x]),
        "no constant": ([x, w], [x]),
        "constant in neither": ([x, w], [w, x]),
        "constant only varies": ([x, w], [one, w]),
        "constant last": ([x, w, 4 * one], [x, 4 * one]),
        "another constant": ([one, x], [2 * one, x]),
        "nothing varies": ([one, x], []),
        "a column of noughts": ([one, 0 * one, x], [one, 0 * one]),
        "one column twice": ([one, x, x], [x, x]),
        "new columns": ([one, x], [one, w]),
    }
    fixed, varying = columns[name]
    X = np.column_stack(fixed)
    Z = np.column_stack(varying) if varying else np.zeros((n, 0))
    Y = np.column_stack([5 * rng.normal(size=n) + 100, rng.normal(size=n), 7 * one])
    study = rng.permutation(np.repeat(np.arange(5), 6))
    return X, Z, Y, study, rng.integers(1, 9, n) / 4.0


NAMES = (
    "plain",
    "slope alone",
    "no constant",
    "constant in neither",
    "constant only varies",
    "constant last",
    "another constant",
    "nothing varies",
    "a column of noughts",
    "one column twice",
    "new columns",
)


def written(columns, n):
    return np.column_stack([as_values(c, n) for c in columns]) if columns else np.zeros((n, 0))


@pytest.mark.parametrize("sets", [1, 3])
@pytest.mark.parametrize("one_unit", [False, True])
@pytest.mark.parametrize("correlated", [True, False])
@pytest.mark.parametrize("weighted", [True, False])
@pytest.mark.parametrize("name", NAMES)
def test_the_frame_turns_the_columns_back(name, weighted, correlated, one_unit, sets):
    X, Z, Y, _, w = case_of(name)
    Y = Y[:, :sets]
    weight = w if weighted else None
    given = w if weighted else np.ones(len(w))
    before = [a.copy() for a in (X, Z, Y)]
    found = centre_columns(X, Z, Y, weight, correlated=correlated, one_unit=one_unit)
    assert all(np.array_equal(a, b) for a, b in zip(before, (X, Z, Y), strict=True))
    n, frame = len(X), found.frame
    own, moving = written(found.fixed, n), written(found.varying, n)
    assert np.allclose(own @ frame.turn, X, atol=1e-10)
    assert np.allclose(moving @ frame.turn_varying, Z, atol=1e-10)
    back = found.outcome * frame.y_unit + X @ frame.origin.T
    assert np.allclose(back, Y, atol=1e-10)
    assert frame.log_turn == pytest.approx(np.log(abs(np.linalg.det(frame.turn))))

    def mean(values):
        return given @ values / given.sum()

    def has_constant(columns):
        return any(is_constant(c) for c in columns.T)

    for table, raw, centred in (
        (own, X, has_constant(X)),
        (moving, Z, has_constant(Z) and correlated),
    ):
        constants = [k for k in range(raw.shape[1]) if is_constant(raw[:, k])]
        for k in range(raw.shape[1]):
            column = table[:, k]
            if not raw[:, k].any():
                assert (column == 0).all()
            elif centred and k == constants[0]:
                assert (column == 1.0).all()
            else:
                assert mean(column**2) == pytest.approx(1.0, rel=1e-12)
                if centred:
                    assert abs(mean(column)) < 1e-12
                else:
                    ratio = column / raw[:, k]
                    assert np.ptp(ratio) < 1e-12
    squares = mean(found.outcome**2)
    if one_unit:
        assert np.ptp(frame.y_unit) == 0.0
    for m in range(sets):
        if has_constant(X):
            assert abs(mean(found.outcome[:, m])) < 1e-12
        elif not one_unit:
            assert frame.origin[m].tolist() == [0.0] * X.shape[1]
        if not one_unit and not (has_constant(X) and m == 2):
            assert squares[m] == pytest.approx(1.0, rel=1e-12)
    if sets == 3 and has_constant(X) and not one_unit:
        # An outcome of one number has no spread: its own size is the unit.
        assert frame.y_unit[2] == np.abs(frame.origin[2]).max() > 0


@pytest.mark.parametrize("sets", [1, 2])
def test_one_unit_is_the_root_of_the_mean_square(sets):
    X, Z, Y, _, _ = case_of("plain")
    Y = Y[:, :sets]
    own = centre_columns(X, Z, Y, None, correlated=True, one_unit=False).frame.y_unit
    one = centre_columns(X, Z, Y, None, correlated=True, one_unit=True).frame.y_unit
    assert own == pytest.approx(Y.std(axis=0))
    assert one == pytest.approx(np.full(sets, np.sqrt(np.mean(own**2))))


def test_an_outcome_of_noughts_has_the_unit_one():
    X, Z, _, _, _ = case_of("plain")
    found = centre_columns(X, Z, np.zeros((30, 1)), None, correlated=True, one_unit=False)
    assert found.frame.y_unit.tolist() == [1.0]


@pytest.mark.parametrize(
    ("name", "twins"),
    [
        ("plain", (0, 1, None)),
        ("slope alone", (None, 0, None)),
        ("constant in neither", (1, 0)),
        ("constant last", (0, None, 1)),
        ("another constant", (None, 1)),
        ("nothing varies", (None, None)),
        ("one column twice", (None, 0, 1)),
    ],
)
def test_twins_are_columns_of_both_parts(name, twins):
    X, Z, Y, _, _ = case_of(name)
    assert centre_columns(X, Z, Y, None, correlated=True, one_unit=False).twins == twins


@pytest.mark.parametrize("correlated", [True, False])
@pytest.mark.parametrize("weighted", [True, False])
@pytest.mark.parametrize("name", NAMES)
def test_each_study_is_fitted_by_least_squares(name, weighted, correlated):
    X, Z, Y, study, w = case_of(name)
    weight = w if weighted else None
    given = w if weighted else np.ones(len(w))
    columns = centre_columns(X, Z, Y, weight, correlated=correlated, one_unit=False)
    own = fit_studies(columns, study, 5, weight)
    n = len(X)
    z, x = written(columns.varying, n), written(columns.fixed, n)
    for s in range(5):
        rows = study == s
        root = np.sqrt(given[rows])[:, None]
        assert np.allclose(own.gram[s], (root * z[rows]).T @ (root * z[rows]), atol=1e-11)
        right = np.column_stack([x, columns.outcome])[rows]
        best = z[rows] @ np.linalg.lstsq(root * z[rows], root * right, rcond=None)[0]
        fitted = z[rows] @ np.column_stack([own.fixed[s], own.outcome[s]])
        assert np.allclose(fitted, best, atol=1e-9)
    rest = subtract_own(columns.outcome, columns.varying, own.outcome, study)
    wanted = columns.outcome - (z[:, :, None] * own.outcome[study]).sum(axis=1)
    assert np.allclose(rest, wanted, atol=CLOSE)
    alone = subtract_own(columns.outcome[:, :1], columns.varying, own.outcome[:, :, :1], study)
    assert np.allclose(alone, wanted[:, :1], atol=CLOSE)
    for j, column in enumerate(columns.fixed):
        left = subtract_own(column, columns.varying, own.fixed[:, :, j], study)
        wanted = x[:, j] - (z * own.fixed[:, :, j][study]).sum(axis=1)
        assert np.allclose(left, wanted, atol=CLOSE)
    for j, known in enumerate(columns.in_varying):
        if known is not None:
            assert np.allclose(z @ known, x[:, j], atol=1e-10)
            assert np.allclose(own.fixed[:, :, j], known, atol=1e-10)


@pytest.mark.parametrize(
    ("name", "inside"),
    [
        ("plain", (True, True, False)),
        ("slope alone", (False, False, False)),
        ("no constant", (True, False)),
        ("nothing varies", (False, False)),
        ("one column twice", (False, False, False)),
    ],
)
def test_a_column_lies_within_the_varying_ones(name, inside):
    X, Z, Y, _, _ = case_of(name)
    found = centre_columns(X, Z, Y, None, correlated=True, one_unit=False)
    assert tuple(c is not None for c in found.in_varying) == inside


def grams():
    rng = np.random.default_rng(4)
    root = rng.normal(size=(3, 4, 4))
    whole = root @ np.swapaxes(root, 1, 2)
    root[1, 2] = 2 * root[1, 0] - root[1, 1]  # the third follows from the first two
    root[2, 1] = 0.0
    return np.concatenate([whole, root @ np.swapaxes(root, 1, 2), np.zeros((1, 4, 4))])


def test_factors_of_semidefinite_matrices():
    gram = grams()
    left = semidefinite_factor(gram)
    assert np.allclose(left @ np.swapaxes(left, 1, 2), gram, atol=1e-10)
    assert (np.triu(left, 1) == 0).all()
    assert np.allclose(left[:3], np.linalg.cholesky(gram[:3]), atol=1e-10)
    diagonal = np.diagonal(left, axis1=1, axis2=2)
    assert (diagonal == 0).tolist() == [
        *[[False] * 4] * 4,
        [False, False, True, False],
        [False, True, False, False],
        [True] * 4,
    ]
    one = semidefinite_factor(np.array([[4.0]]))
    assert one.tolist() == [[2.0]]


def test_solutions_leave_dependent_columns_out():
    gram = grams()
    rng = np.random.default_rng(5)
    truth = rng.normal(size=(7, 4, 2))
    right = gram @ truth
    found = solve_semidefinite(gram, right)
    assert np.allclose(gram @ found, right, atol=1e-8)
    assert np.allclose(found[:4], np.linalg.solve(gram[:4], right[:4]), atol=1e-8)
    assert (found[4, 2] == 0).all() and (found[5, 1] == 0).all() and (found[6] == 0).all()


@pytest.mark.parametrize(("excess", "dependent"), [(1e-13, True), (1e-10, False)])
def test_a_column_is_dependent_below_a_share_of_its_square(excess, dependent):
    gram = 1e6 * np.array([[1.0, 1.0], [1.0, 1.0 + excess]])
    assert (semidefinite_factor(gram)[1, 1] == 0.0) is np.bool_(dependent)
