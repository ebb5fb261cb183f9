"""What a design can tell, against ranks of its matrices; the ladder step by step."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from oracles.mixed_engine_pair import engine_of

from metafreeze import mixed_model
from metafreeze.models.crossproducts import ModelRows, collect_products
from metafreeze.models.identify import (
    AGREE,
    Finding,
    RandomPlan,
    _sweep,
    _variance_labels,
    aliased_columns,
    exact_fit,
    find_obstacle,
    next_step,
    studies_with_slopes,
    too_few_studies,
)
from metafreeze.models.variance_shape import VarianceShape, shape_of


def rows_of(X, Z, study, y=None, **more):
    study = np.asarray(study)
    n = len(study)
    y = np.random.default_rng(1).normal(size=n) if y is None else np.asarray(y, float)
    return ModelRows(
        outcome=y[:, None],
        fixed=np.asarray(X, float),
        varying=np.asarray(Z, float),
        study=study,
        studies=int(study.max()) + 1,
        **more,
    )


def part(codes):
    codes = np.asarray(codes)
    return codes, int(codes.max()) + 1, np.ones(len(codes), bool)


def dependent(X):
    """Columns that add nothing to the rank of those before them."""
    ranks = [0] + [np.linalg.matrix_rank(X[:, : j + 1]) for j in range(X.shape[1])]
    return [bool(b == a) for a, b in itertools.pairwise(ranks)]


RNG = np.random.default_rng(2)
X0 = RNG.normal(size=(24, 2))
ONE = np.ones((24, 1))
DESIGNS = {
    "independent": np.hstack([ONE, X0]),
    "a sum": np.hstack([ONE, X0, X0.sum(axis=1, keepdims=True)]),
    "twice": np.hstack([X0[:, :1], X0[:, :1], X0[:, 1:]]),
    "two constants": np.hstack([ONE, X0, 3 * ONE]),
    "a shifted copy": np.hstack([ONE, X0[:, :1], 2 * X0[:, :1] + 7, X0[:, 1:]]),
    "noughts": np.hstack([ONE, 0 * ONE, X0]),
    "far from nought": np.hstack([ONE, X0 + 1e4]),
    "of many sizes": np.hstack([ONE, X0 * np.array([1e-6, 1e6])]),
}


@pytest.mark.parametrize("sets", [1, 2])
@pytest.mark.parametrize("grouped", [False, True])
@pytest.mark.parametrize("name", DESIGNS)
def test_aliased_columns_add_nothing_to_the_rank(name, grouped, sets):
    X = DESIGNS[name]
    study = np.repeat(np.arange(4), 6)
    batch = part(np.arange(24) // 3) if grouped else None
    products = collect_products(rows_of(X, ONE, study, batch=batch))
    if sets == 2:
        products = products.pick(np.array([0, 0]))
    shape = shape_of(products, "common")
    assert aliased_columns(products, shape).tolist() == dependent(X)


def obstacle(X, Z, study, *, residual="common", names=None, **more):
    X, Z = np.asarray(X, float), np.asarray(Z, float)
    products = collect_products(rows_of(X, Z, study, **more))
    shape = shape_of(products, residual)
    return find_obstacle(
        products,
        shape,
        fixed_names=tuple(f"f{k}" for k in range(X.shape[1])),
        varying_names=tuple(f"v{k}" for k in range(Z.shape[1])),
        varies=np.array([np.ptp(z) > 0 for z in Z.T], dtype=bool),
    )


def test_a_design_that_tells_all_has_no_obstacle():
    study = np.repeat(np.arange(4), 6)
    assert obstacle(DESIGNS["independent"], np.hstack([ONE, X0[:, :1]]), study) is None
    assert obstacle(DESIGNS["independent"], ONE, study, residual="per-study") is None


def test_dependent_columns_are_listed():
    found = obstacle(DESIGNS["a sum"], ONE, np.repeat(np.arange(4), 6))
    assert found == Finding(
        reason="constant, or the same as columns before it: f3", parts=frozenset({"fixed"})
    )
    found = obstacle(np.hstack([ONE, ONE, X0, X0]), ONE, np.repeat(np.arange(4), 6))
    assert found.reason.endswith(": f1, f4, f5")


def test_more_runs_than_coefficients_are_needed():
    X = np.eye(3)[:, :3] + 0.1
    found = obstacle(X, np.zeros((3, 0)), [0, 0, 0])
    assert found == Finding(reason="3 fixed coefficients and 3 runs", parts=frozenset({"fixed"}))
    assert obstacle(X[:, :2], np.zeros((3, 0)), [0, 0, 0]) is None


def test_one_study_shows_no_differences():
    found = obstacle(ONE, ONE, np.zeros(24, dtype=int))
    assert found.reason == "one study shows nothing about differences between studies"
    assert found.parts == {"correlation", "slope", "intercept", "single"}
    assert obstacle(ONE, np.zeros((24, 0)), np.zeros(24, dtype=int)) is None


def test_one_run_a_study_shows_one_spread():
    found = obstacle(np.ones((5, 1)), np.ones((5, 1)), np.arange(5))
    assert found.reason == ("one run per study: the spread between studies and among runs are one")
    assert found.parts == {"correlation", "slope", "intercept"}
    # A known variance, a reading error or one study of two runs tells them apart.
    assert obstacle(np.ones((6, 1)), np.ones((6, 1)), [0, 0, 1, 2, 3, 4]) is None
    known = np.array([np.nan, 1.0, 2.0, np.nan, 0.5])
    found = obstacle(np.ones((5, 1)), np.ones((5, 1)), np.arange(5), known=known)
    assert found is None or "one run per study" not in found.reason


@pytest.mark.parametrize(("runs", "refused"), [(2, True), (3, False)])
def test_as_many_varying_coefficients_as_runs(runs, refused):
    study = np.repeat(np.arange(4), runs)
    x = np.random.default_rng(3).normal(size=len(study))
    X = np.column_stack([np.ones(len(study)), x])
    found = obstacle(X, X, study)
    if refused:
        assert found.reason == ("as many varying coefficients (4 studies × 2 = 8) as runs (8)")
        assert found.parts == {"correlation", "slope"}
    else:
        assert found is None


def test_one_varying_column_of_single_runs_but_one_summary():
    # Two studies of one run each and one of none more: 2 x 1 coefficients, 2 runs.
    found = obstacle(np.ones((2, 1)), np.ones((2, 1)), [0, 1])
    assert found.parts == {"correlation", "slope", "intercept"}


ALIKE = {
    "batches that are studies": (
        {"batch": part(np.repeat(np.arange(4), 6))},
        "cannot be told apart in this design: spread of v0 between studies, spread between batch "
        "groups",
        {"intercept", "batch"},
    ),
    "batches of one run": (
        {"batch": part(np.arange(24))},
        "cannot be told apart in this design: spread between batch groups, spread among runs",
        {"batch", "residual"},
    ),
    "specimens of one run": (
        {"specimen": part(np.arange(24))},
        "cannot be told apart in this design: spread between specimen groups, spread among runs",
        {"specimen", "residual"},
    ),
}


@pytest.mark.parametrize("name", ALIKE)
def test_spreads_with_one_pattern_cannot_be_told_apart(name):
    more, reason, parts = ALIKE[name]
    found = obstacle(ONE, ONE, np.repeat(np.arange(4), 6), **more)
    assert found.reason == reason and found.parts == parts


def test_a_spread_that_no_row_shows_is_named():
    """One batch in all, and a coefficient for every study: nothing is left for a spread."""
    study = np.repeat(np.arange(3), 4)
    X = (study[:, None] == np.arange(3)).astype(float)
    found = obstacle(X, np.ones((12, 1)), study)
    assert found.reason == "the design says nothing about: spread of v0 between studies"
    assert found.parts == {"intercept"}
    moving = np.random.default_rng(4).normal(size=12)
    both = np.column_stack([X, X * moving[:, None]])
    found = obstacle(both, moving[:, None], study)
    assert found.parts == {"slope"}


def test_labels_of_the_variances():
    shape = VarianceShape(
        varying=2,
        correlated=True,
        crossed=0,
        levels=("specimen", "batch"),
        residual="common",
        studies=2,
    )
    varies = np.array([False, True])
    labels, parts = _variance_labels(shape, ("one", "x"), varies)
    assert labels == [
        "spread of one between studies",
        "correlation of one and x",
        "spread of x between studies",
        "spread between specimen groups",
        "spread between batch groups",
        "spread among runs",
    ]
    assert parts == ["intercept", "correlation", "slope", "specimen", "batch", "residual"]
    for level, other in (("specimen", "batch"), ("batch", "specimen")):
        crossed = replace(shape, varying=0, crossed=3, levels=(level,), residual="per-study")
        labels, parts = _variance_labels(crossed, (), varies[:0])
        assert labels == [
            f"spread between {other} groups",
            f"spread between {level} groups",
            "spread among runs of study 1",
            "spread among runs of study 2",
        ]
        assert parts == [other, level, "residual", "residual"]
    none = replace(shape, varying=0, levels=(), residual="none")
    assert _variance_labels(none, (), varies[:0]) == ([], [])


EXACT = {
    "scatter": (lambda s, x, r: r.normal(size=24), {}, ""),
    "one number": (lambda s, x, r: np.full(24, 7.0), {}, AGREE),
    "levels only": (lambda s, x, r: 1.0 * s, {}, AGREE),
    "a straight line": (lambda s, x, r: 2 + 3 * x, {}, AGREE),
    "levels and a line": (lambda s, x, r: s + 3 * x, {}, AGREE),
    "one run off": (lambda s, x, r: s + 3 * x + 1e-3 * (np.arange(24) == 5), {}, ""),
    "batches agree": (lambda s, x, r: np.arange(24) // 3 + 0.0, {"grouped": True}, AGREE),
    "batches scatter": (
        lambda s, x, r: np.arange(24) // 3 + r.normal(size=24),
        {"grouped": True},
        "",
    ),
}


@pytest.mark.parametrize("residual", ["common", "per-study"])
@pytest.mark.parametrize("name", EXACT)
def test_runs_that_agree_exactly_are_found(name, residual):
    make, how, wanted = EXACT[name]
    study = np.repeat(np.arange(4), 6)
    rng = np.random.default_rng(5)
    x = rng.normal(size=24)
    products = collect_products(
        rows_of(
            np.column_stack([np.ones(24), x]),
            ONE,
            study,
            y=make(study, x, rng),
            batch=part(np.arange(24) // 3) if how else None,
        )
    )
    shape = shape_of(products, residual)
    if name == "one run off" and residual == "per-study":
        wanted = AGREE  # the other studies have no scatter of their own
    assert exact_fit(products, shape) == wanted


@pytest.mark.parametrize(("runs", "words"), [(3, True), (4, False)])
def test_a_study_needs_a_run_more_than_it_has_coefficients(runs, words):
    study = np.concatenate([np.repeat(np.arange(3), 8), np.full(runs, 3)])
    n = len(study)
    rng = np.random.default_rng(6)
    x = rng.normal(size=n)
    X = np.column_stack([np.ones(n), x, rng.normal(size=n)])
    products = collect_products(rows_of(X, X[:, :1], study))
    found = exact_fit(products, shape_of(products, "per-study"))
    assert found == (
        "1 of 4 studies have as many coefficients as runs, so they have no residual variance of "
        "their own"
        if words
        else ""
    )
    assert exact_fit(products, shape_of(products, "common")) == ""


def test_known_variances_alone_need_no_scatter():
    products = collect_products(
        rows_of(ONE, ONE, np.repeat(np.arange(4), 6), y=np.ones(24), known=np.ones(24))
    )
    assert exact_fit(products, shape_of(products, "common")) == ""


def test_columns_are_swept_off():
    rng = np.random.default_rng(7)
    A = rng.normal(size=(2, 9, 4))
    A[1, :, 1] = 2 * A[1, :, 0]
    blocks = np.swapaxes(A, 1, 2) @ A
    rest, taken = _sweep(blocks, 2)
    assert taken.tolist() == [2, 1]
    for b in range(2):
        x, others = A[b, :, :2], A[b, :, 2:]
        left = others - x @ np.linalg.lstsq(x, others, rcond=None)[0]
        assert np.allclose(rest[b], left.T @ left)
    same, none = _sweep(blocks, 0)
    assert np.array_equal(same, blocks) and none.tolist() == [0, 0]


@pytest.mark.parametrize("order", [[0, 1], [1, 0]])
@pytest.mark.parametrize("slopes", [1, 2])
def test_a_study_shows_slopes_where_its_rank_does(slopes, order):
    """Studies with one temperature, with two, and with three that lie on a line."""
    rng = np.random.default_rng(8)
    a = [*[1.0] * 4, *[1, 2, 1, 2], *rng.normal(size=4), *[0, 1, 2, 3], *rng.normal(size=4)]
    b = [*rng.normal(size=4), *[2, 4, 2, 4], *rng.normal(size=4), *[0, 1, 4, 9], *[0.0] * 4]
    study = np.repeat(np.arange(5), 4)
    columns = [np.ones(20), np.array(a), np.array(b)][: slopes + 1]
    if order == [1, 0]:
        columns = columns[::-1]
    Z = np.column_stack(columns)
    varies = np.array([np.ptp(c) > 0 for c in columns])
    products = collect_products(rows_of(np.column_stack([np.ones(20), a, b]), Z, study))
    shape = shape_of(products, "common")
    wanted = sum(
        np.linalg.matrix_rank(
            np.column_stack([np.ones(4), *(c[study == s] for c in columns if np.ptp(c) > 0)])
        )
        == slopes + 1
        for s in range(5)
    )
    assert studies_with_slopes(products, shape, varies) == wanted == (4 if slopes == 1 else 2)
    both = products.pick(np.array([0, 0]))
    assert studies_with_slopes(both, shape, varies) == wanted


def plan_of(varying=(0, 1), correlated=True, batch=False, specimen=False):
    return RandomPlan(varying=varying, correlated=correlated, batch=batch, specimen=specimen)


VARIES = np.array([False, True, True])


@pytest.mark.parametrize(
    ("varying", "correlated", "studies", "parts"),
    [
        ((0, 1), True, 3, {"correlation"}),
        ((0, 1), True, 4, None),
        ((0, 1, 2), True, 4, {"correlation"}),
        ((0, 1, 2), True, 5, None),
        ((0, 1), False, 3, None),
        ((0, 1), False, 2, {"slope"}),
        ((1,), False, 2, {"slope"}),
        ((1,), True, 3, None),
        ((0,), True, 1, None),
        ((), False, 1, None),
    ],
)
def test_few_studies_are_not_even_asked(varying, correlated, studies, parts):
    found = too_few_studies(plan_of(varying, correlated), studies=studies, varies=VARIES)
    assert (None if found is None else found.parts) == parts
    if found is not None:
        what = "a correlation" if parts == {"correlation"} else "their spread"
        assert found.reason == f"{studies} studies that show slopes are too few for {what}"


LADDER = [
    # plan, what is blamed, what is left, in which words
    (plan_of(), {"correlation", "slope"}, plan_of(correlated=False), "dropped the correlation"),
    (
        plan_of(correlated=False),
        {"slope"},
        plan_of((0,), False),
        "dropped the spread of slopes between studies",
    ),
    (plan_of(), {"slope"}, plan_of((0,), False), "dropped the spread of slopes between studies"),
    (
        plan_of(batch=True, specimen=True),
        {"batch", "specimen"},
        plan_of(specimen=True),
        "dropped the batch",
    ),
    (plan_of(specimen=True), {"specimen"}, plan_of(), "dropped the specimen"),
    (
        plan_of((0,), False),
        {"intercept"},
        plan_of((), False),
        "dropped the spread of levels between studies",
    ),
    # Slopes go before levels do: the first that can go stands in for what is blamed.
    (plan_of((0, 1), False), {"intercept"}, plan_of((0,), False), "dropped the spread of slopes"),
    (plan_of(), {"residual"}, plan_of(correlated=False), "dropped the correlation"),
    (plan_of((), False, batch=True), {"residual"}, plan_of((), False), "dropped the batch"),
    (
        plan_of(batch=True),
        {"single", "slope"},
        plan_of((), False, batch=True),
        "dropped the parts between studies",
    ),
    (plan_of((0,), True), {"correlation"}, plan_of((), False), "dropped the spread of levels"),
]


@pytest.mark.parametrize("step", LADDER, ids=lambda step: f"{step[3]} for {sorted(step[1])}")
def test_each_step_of_the_ladder(step):
    plan, blamed, left, words = step
    smaller, said = next_step(plan, Finding(reason="", parts=frozenset(blamed)), VARIES)
    assert smaller == left and said.startswith(words)


@pytest.mark.parametrize(
    ("plan", "blamed"),
    [
        (plan_of(), {"fixed"}),
        (plan_of((), False), {"residual"}),
        (plan_of((), False), {"single"}),
    ],
)
def test_where_no_step_is_left(plan, blamed):
    assert next_step(plan, Finding(reason="", parts=frozenset(blamed)), VARIES) is None


def test_the_ladder_of_a_whole_fit():
    """Two studies, slopes, batches of one run: three steps with their reasons."""
    rng = np.random.default_rng(9)
    x = rng.normal(size=16)
    X = np.column_stack([np.ones(16), x])
    fit = mixed_model(
        rng.normal(size=16),
        X,
        np.repeat([0, 1], 8),
        varying=X,
        batch=np.arange(16),
        simplify=True,
        names=["one", "x"],
    )
    assert fit.status in ("ok", "boundary")
    assert [step.split(":")[0] for step in fit.steps_taken] == [
        "dropped the correlation",
        "dropped the spread of slopes between studies",
        "dropped the batch",
    ]
    assert fit.steps_taken[0].endswith(": 2 studies that show slopes are too few for a correlation")
    assert fit.random_parts["level"].tolist() == ["study", "residual"]


def test_the_first_of_several_data_sets_speaks_for_the_design():
    _, products, shape, _, _ = engine_of("slopes", "common")
    both = products.pick(np.array([0, 0]))
    names = ("one", "x", "other")
    varies = np.array([False, True])
    for one in (products, both):
        found = find_obstacle(one, shape, fixed_names=names, varying_names=names[:2], varies=varies)
        assert found is None


@pytest.mark.parametrize("residual", ["common", "per-study"])
@pytest.mark.parametrize("levels", [0.0, 1.0])
def test_an_exact_line_has_no_standard_error(levels, residual):
    """Taking the line off leaves rounding, which is no scatter."""
    study = np.repeat(np.arange(4), 6)
    for seed in range(8):
        x = np.random.default_rng(seed).normal(size=24)
        X = np.column_stack([np.ones(24), x])
        fit = mixed_model(2 + levels * study + 3 * x, X, study, residual=residual)
        assert fit.status == "unidentifiable" and fit.note.lower().startswith(AGREE[:30])
        assert fit.coefficients["se"].isna().all()


def test_a_line_with_little_scatter_has_one():
    rng = np.random.default_rng(10)
    study = np.repeat(np.arange(4), 6)
    x = rng.normal(size=24)
    X = np.column_stack([np.ones(24), x])
    fit = mixed_model(study + 3 * x + 1e-5 * rng.normal(size=24), X, study)
    assert fit.status == "ok" and fit.residual_sd == pytest.approx(1e-5, rel=0.3)
