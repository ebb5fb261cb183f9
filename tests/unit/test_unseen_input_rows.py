"""Rows as they are checked and put in order: every refusal in full, every field of the rows."""

import itertools

import numpy as np
import pytest

import metafreeze as mf
from metafreeze.models import censored_likelihood as rows_of
from metafreeze.models.unseen_input import UnseenRows, check_unseen_rows

INF, NAN = np.inf, np.nan


def check(low, high, x=None, study=None, *, log_times=False, **options):
    names = ("varying", "batch", "known_variance", "added_variance", "count", "spread", "offset")
    given = dict.fromkeys((*names, "names", "varying_names"))
    x = np.ones(len(low)) if x is None else x
    return check_unseen_rows(low, high, x, study, log_times=log_times, **{**given, **options})


NEVER = "Use infinity for a vessel that was never seen frozen."
TIME = "Enter the time since the vessel entered the freezer, 0 for no lower bound."
NUMBER = "Enter a number or leave the row out."
VARIANCE = "Enter a variance above zero, or NaN to have it estimated."
THREE = ([10, 20, 30], [10, 20, 30])
FAULTS = [
    (
        ([10, NAN, 30], [15, 25, 35]),
        {},
        [("missing", 2, "lower", "lower is missing", "Use 0 for no lower bound.")],
    ),
    (
        ([10, NAN], [15, 25]),
        {"log_times": True},
        [("missing", 2, "lower", "lower is missing", "Use minus infinity for no lower bound.")],
    ),
    (
        ([10, 20, 30], [15, 25, NAN]),
        {},
        [("missing", 3, "upper", "upper is missing", NEVER)],
    ),
    (
        ([INF, 20], [INF, 25]),
        {},
        [
            (
                "out-of-range",
                1,
                "lower",
                "lower is infinite",
                "Enter when it was last unfrozen.",
            )
        ],
    ),
    (
        ([10, 25], [15, 24.5]),
        {},
        [
            (
                "bounds",
                2,
                "upper",
                "upper 24.5 is below lower 25",
                "Exchange them or correct one.",
            )
        ],
    ),
    (
        ([-INF, 1.0], [-INF, 2.0]),
        {"log_times": True},
        [("out-of-range", 1, "upper", "upper is minus infinity", NEVER)],
    ),
    (
        ([-0.5, -INF], [2.0, 3.0]),
        {},
        [("out-of-range", 1, "lower", "lower is negative (-0.5)", TIME)],
    ),
    (
        ([0, 0, -INF], [0, 1, -2.5]),
        {},
        [
            ("out-of-range", 1, "upper", "upper is 0; a time is above zero", NEVER),
            ("out-of-range", 3, "upper", "upper is -2.5; a time is above zero", NEVER),
        ],
    ),
    (
        THREE,
        {"x": [[1, 2], [1, NAN], [INF, 3]]},
        [
            ("not-finite", 2, "X column 2", "the value is nan", NUMBER),
            ("not-finite", 3, "X column 1", "the value is inf", NUMBER),
        ],
    ),
    (THREE, {"x": [1, NAN, 3]}, [("not-finite", 2, "X", "the value is nan", NUMBER)]),
    (
        THREE,
        {"offset": [0, 0, INF]},
        [("not-finite", 3, "offset", "the value is inf", NUMBER)],
    ),
    (
        THREE,
        {"study": [1, 1, 2], "varying": [[1, 2], [1, NAN], [1, 3]]},
        [("not-finite", 2, "varying column 2", "the value is nan", NUMBER)],
    ),
    (
        THREE,
        {"known_variance": [0, NAN, INF]},
        [
            ("out-of-range", 1, "known_variance", "the known variance is 0", VARIANCE),
            ("out-of-range", 3, "known_variance", "the known variance is inf", VARIANCE),
        ],
    ),
    (
        THREE,
        {"added_variance": [-0.1, 0, INF]},
        [
            (
                "out-of-range",
                row,
                "added_variance",
                f"the added variance is {value}",
                "Enter a variance of zero or more.",
            )
            for row, value in ((1, -0.1), (3, "inf"))
        ],
    ),
    (
        THREE,
        {"count": [0, 1.5, 1]},
        [
            (
                "out-of-range",
                row,
                "count",
                f"the number of runs is {value}",
                "Enter a whole number, 1 or more.",
            )
            for row, value in ((1, "0"), (2, "1.5"))
        ]
        + [
            (
                "out-of-range",
                2,
                "spread",
                "the spread of a summary of 1.5 runs is nan",
                "Enter the standard deviation of the log times.",
            )
        ],
    ),
    (
        ([10, 20], [12, 20]),
        {"count": [2, 2], "spread": [0.1, -0.1]},
        [
            (
                "bounds",
                1,
                "count",
                "a summary of 2 runs has a window",
                "A summary needs its mean log time in both lower and upper.",
            ),
            (
                "out-of-range",
                2,
                "spread",
                "the spread of a summary of 2 runs is -0.1",
                "Enter the standard deviation of the log times.",
            ),
        ],
    ),
    (
        THREE,
        {"count": [1, 2, 4], "spread": [NAN, INF, 0.0], "known_variance": [0.1, NAN, 0.2]},
        [
            (
                "out-of-range",
                2,
                "spread",
                "the spread of a summary of 2 runs is inf",
                "Enter the standard deviation of the log times.",
            ),
            (
                "contradiction",
                3,
                "known_variance",
                "a summary of 4 runs also has a known variance",
                "Give one or the other.",
            ),
        ],
    ),
]


@pytest.mark.parametrize(("times", "options", "faults"), FAULTS)
def test_every_fault_is_told_in_full(times, options, faults):
    with pytest.raises(mf.InputError) as caught:
        check(*times, **options)
    told = [
        (f.rule, f.location.row, f.location.column, f.message, f.remedy)
        for f in caught.value.faults
    ]
    assert [(*f[:4], f[4].rstrip(".")) for f in told] == [
        (*f[:4], f[4].rstrip(".")) for f in faults
    ]


REFUSED = [
    (([10, 20], [10]), {}, "upper has shape (1,); it needs one value for each of the 2 rows."),
    (([[10, 20]], [10, 20]), {}, "lower has shape (1, 2); it needs one value for each row."),
    (([], []), {"x": np.ones((0, 1))}, "lower is empty. Give at least one row."),
    (THREE, {"x": np.ones((3, 0))}, "X has no columns. Give at least a column of ones."),
    (THREE, {"x": np.ones((2, 1))}, "X has shape (2, 1); it needs 3 rows, one for each time."),
    (
        THREE,
        {"x": np.ones((3, 1, 1))},
        "X has shape (3, 1, 1); it needs 3 rows, one for each time.",
    ),
    (
        THREE,
        {"names": ["a", "a"], "x": np.ones((3, 2))},
        "names has 2 names, 1 of them different; it needs 2 different ones, one for each column.",
    ),
    (
        THREE,
        {"study": [1, 1, 2], "varying_names": ["a", "b"]},
        "varying_names has 2 names, 2 of them different; it needs 1 different ones, one for each "
        "column.",
    ),
    (
        THREE,
        {"study": [1, 1, 2], "varying": np.ones((2, 1))},
        "varying has shape (2, 1); it needs 3 rows, one for each time.",
    ),
]


@pytest.mark.parametrize(("times", "options", "message"), REFUSED)
def test_wrong_shapes_are_told(times, options, message):
    with pytest.raises(mf.InputError) as caught:
        check(*times, **options)
    assert str(caught.value) == message


def test_what_stands_at_the_limit_is_taken():
    rows = check(
        [0, -INF, 5, 5],
        [1e-9, 2, 5, INF],
        count=[1, 1, 2, 1],
        spread=[NAN, NAN, 0.0, NAN],
        known_variance=[1e-9, NAN, NAN, NAN],
        added_variance=[0.0, NAN, 0.3, 0.0],
    )
    assert rows.empty == 0 and len(rows.x) == 4
    logs = check([-INF, -3.0, 0.0], [0.0, -3.0, INF], log_times=True)
    by = np.argsort(logs.source)
    assert logs.kind[by].tolist() == [rows_of.LEFT, rows_of.EXACT, rows_of.RIGHT]


def test_fields_of_plain_rows():
    rows = check([10, 0, 30, 0], [10, 20, INF, INF], x=[1, 2, 3, 4], offset=[0.1, 0.2, 0.3, 0.4])
    by = np.argsort(rows.source)
    assert rows.source[by].tolist() == [0, 1, 2]
    assert rows.empty == 1
    np.testing.assert_allclose(rows.lower[by], [np.log(10) - 0.1, -INF, np.log(30) - 0.3])
    np.testing.assert_allclose(rows.upper[by], [np.log(10) - 0.1, np.log(20) - 0.2, INF])
    assert rows.kind[by].tolist() == [rows_of.EXACT, rows_of.LEFT, rows_of.RIGHT]
    assert rows.x[by].tolist() == [[1], [2], [3]]
    assert rows.z.shape == (3, 0)
    assert rows.study.tolist() == rows.batch.tolist() == [0, 0, 0]
    assert rows.member.tolist() == [False] * 3
    assert np.isnan(rows.known).all()
    assert rows.added.tolist() == [0.0] * 3
    assert rows.count.tolist() == [1.0] * 3
    assert rows.spread.tolist() == [0.0] * 3
    assert rows.offset[by].tolist() == [0.1, 0.2, 0.3]
    assert rows.names == ("x0",) and rows.varying_names == ()
    assert rows.studies == 1 and rows.batches == 0


def test_fields_of_grouped_rows():
    rows = check(
        [10, 12, 14, 16, 18],
        [10, 12, 14, 16, 18],
        x=np.column_stack([np.ones(5), np.arange(5.0)]),
        study=["b", "a", "b", "a", "b"],
        batch=["u", "u", None, "v", "u"],
        count=[1, 3, 1, 1, 1],
        spread=[0.7, 0.2, NAN, NAN, 0.1],
        added_variance=[NAN, 0.5, 0.0, 0.1, 0.2],
        known_variance=[0.3, NAN, NAN, NAN, NAN],
        names=["level", "slope"],
    )
    by = np.argsort(rows.source)
    study, batch, member = rows.study[by], rows.batch[by], rows.member[by]
    assert (study[:, None] == study).tolist() == [
        [a == b for b in "babab"] for a in ["b", "a", "b", "a", "b"]
    ]
    assert member.tolist() == [True, True, False, True, True]
    # The same label in two studies names two batches.
    assert batch[0] == batch[4] and len({batch[0], batch[1], batch[3]}) == 3
    assert rows.studies == 2 and rows.batches == 3
    assert rows.spread[by].tolist() == [0.0, 0.2, 0.0, 0.0, 0.0]
    assert rows.added[by].tolist() == [0.0, 0.5, 0.0, 0.1, 0.2]
    np.testing.assert_array_equal(rows.known[by], [0.3, NAN, NAN, NAN, NAN])
    assert rows.count[by].tolist() == [1, 3, 1, 1, 1]
    assert rows.z.tolist() == [[1.0]] * 5
    assert rows.names == ("level", "slope") and rows.varying_names == ("intercept",)
    none = rows.without_studies()
    assert none.z.shape == (5, 0) and none.varying_names == ()
    np.testing.assert_array_equal(none.study, rows.study)


def test_the_order_given_does_not_matter():
    rng = np.random.default_rng(1)
    n = 24
    low = rng.integers(1, 4, n).astype(float)
    high = low + rng.integers(1, 3, n)
    x = rng.integers(0, 2, (n, 2)).astype(float)
    study, batch = rng.integers(0, 3, n), rng.integers(0, 2, n)
    first = check(low, high, x, study, batch=batch)
    for seed in range(4):
        turn = np.random.default_rng(seed).permutation(n)
        other = check(low[turn], high[turn], x[turn], study[turn], batch=batch[turn])
        for name in ("lower", "upper", "kind", "x", "z", "member"):
            np.testing.assert_array_equal(getattr(first, name), getattr(other, name), err_msg=name)
        np.testing.assert_array_equal(study[turn][other.source], study[first.source])
        np.testing.assert_allclose(np.log(low[turn])[other.source], other.lower)
    assert (np.diff(first.study) >= 0).all() and (np.diff(first.batch) >= 0).all()
    # Within a batch: last column first, then the columns before, the bounds last.
    key = [
        (s, b, x1, x0, a, c)
        for s, b, (x0, x1), a, c in zip(
            first.study, first.batch, first.x, first.lower, first.upper, strict=True
        )
    ]
    assert key == sorted(key)


def test_some_rows_keep_all_their_fields():
    rows = check(*THREE, x=[[1, 0], [1, 1], [1, 2]], study=[1, 2, 3])
    for chosen in (np.array([True, False, True]), np.array([0, 2])):
        kept = rows.keep(chosen)
        assert isinstance(kept, UnseenRows)
        for name in ("lower", "upper", "kind", "x", "z", "study", "batch", "member", "known"):
            np.testing.assert_array_equal(getattr(kept, name), getattr(rows, name)[[0, 2]])
        for name in ("added", "count", "spread", "offset", "source"):
            np.testing.assert_array_equal(getattr(kept, name), getattr(rows, name)[[0, 2]])
        assert kept.names == rows.names and kept.empty == rows.empty
        assert kept.studies == 2


@pytest.mark.parametrize("named", [True, False])
def test_varying_columns_are_named_after_what_they_equal(named):
    hot = np.array([0.0, 1.0, 0.0, 1.0])
    x = np.column_stack([np.full(4, 2.0), hot, np.arange(4.0)])
    varying = np.column_stack([np.ones(4), hot, hot**2 + 5, np.arange(4.0)])
    rows = check(
        [10, 11, 12, 13],
        [10, 11, 12, 13],
        x,
        [1, 1, 2, 2],
        varying=varying,
        names=["two", "hot", "turn"] if named else None,
    )
    want = ("intercept", "hot", "varying2", "turn") if named else None
    assert rows.varying_names == (want or ("intercept", "x1", "varying2", "x2"))


def test_given_names_of_varying_columns_stand():
    rows = check(*THREE, study=[1, 1, 2], varying_names=[7])
    assert rows.varying_names == ("7",)


def test_combinations_of_bounds_have_their_kind():
    for log_times, (low, high) in itertools.product(
        (False, True), [(1.0, 1.0), (1.0, 2.0), (1.0, INF), (-INF, 2.0)]
    ):
        rows = check([low], [high], log_times=log_times)
        turn = (lambda v: v) if log_times else np.log
        if np.isfinite(low):
            assert rows.lower[0] == turn(low)
        else:
            assert rows.lower[0] == -INF
        assert rows.upper[0] == (turn(high) if np.isfinite(high) else INF)
