"""What the rows say once, against the rows: several outcomes, every kind of row."""

import numpy as np
import pytest
from oracles.mixed_by_hand import rows_of_kind
from oracles.mixed_engine_pair import CASES, close, engine_of

from metafreeze.models.crossproducts import ModelRows, collect_products
from metafreeze.models.likelihood import read_criterion, sum_studies


@pytest.mark.parametrize("seed", [3, 4])
@pytest.mark.parametrize("name", CASES)
def test_the_criterion_from_products_is_that_of_the_rows(name, seed):
    _, products, shape, hand, w = engine_of(name, "common", seed=seed)
    totals = sum_studies(products, shape, w[None], order=1, with_residual=True)
    found = read_criterion(totals, products, restricted=True, profiled=False)
    hand.at(w)
    unit, p = float(products.frame.y_unit[0]), products.fixed
    value = hand.criterion(True) + (hand.runs - p) * np.log(unit**2) + 2 * products.frame.log_turn
    assert found.value[0] == pytest.approx(value, rel=1e-11)
    assert close(found.gradient[0], hand.gradient(True))


@pytest.mark.parametrize("name", CASES)
def test_counts_and_marks_of_the_products(name):
    data, products, _, hand, _ = engine_of(name, "common", seed=5)
    n = len(data["y"])
    known = data.get("known_variance")
    known = np.full(n, np.nan) if known is None else known
    added = data.get("added_variance")
    added = np.zeros(n) if added is None else np.where(np.isnan(known), added, 0.0)
    count = data.get("count")
    count = np.ones(n) if count is None else count
    free = np.isnan(known)
    labels = np.unique(data["study"])
    plain = np.where(free, np.where(added > 0, count - 1, count), 0.0)
    assert products.runs.tolist() == [plain[data["study"] == s].sum() for s in labels]
    assert products.total_runs == hand.runs
    assert products.studies == len(labels)
    assert products.fixed == data["X"].shape[1]
    assert products.has_added is bool((added > 0).any())
    assert products.estimated_rows is True
    assert (products.within_known is not None) == bool((~free).any())
    assert products.one_scale == (not (added > 0).any() and bool(free.all()))
    q = data["varying"].shape[1]
    assert products.varying - products.crossed == q
    assert products.sets == 1
    twins = []
    for j in range(products.fixed):
        same = [k for k in range(q) if np.array_equal(data["varying"][:, k], data["X"][:, j])]
        twins.append(same[0] if same else None)
    assert products.twins == tuple(twins)
    crossed = CASES[name].get("specimen") == "crossed"
    assert products.crossed_name == ("specimen" if crossed else "")
    assert products.crossed == (2 if crossed else 0)


@pytest.mark.parametrize("name", ["studies", "slopes", "three columns", "no constant"])
def test_own_coefficients_are_least_squares_of_each_study(name):
    data, products, _, hand, _ = engine_of(name, "common", seed=6)
    for s, label in enumerate(np.unique(data["study"])):
        rows = hand.study == label
        A = np.column_stack([hand.X[rows], hand.y[rows]])
        z = hand.Z[rows]
        own = np.linalg.lstsq(z, A, rcond=None)[0]
        assert close(products.own[0, s], own)
        rest = np.column_stack([z, A - z @ own])
        assert close(products.within[0, s], rest.T @ rest)


def parts_of(data):
    codes = np.unique(data["study"], return_inverse=True)[1]
    return codes, len(np.unique(codes))


@pytest.mark.parametrize(
    "kinds", [(), ("known",), ("added",), ("counts",), ("counts", "added", "known")]
)
@pytest.mark.parametrize("grouped", [False, True])
def test_several_outcomes_are_each_their_own(kinds, grouped):
    sets = [rows_of_kind(8, q=2, **dict.fromkeys(kinds, True))]
    data = sets[0]
    rng = np.random.default_rng(9)
    n = len(data["y"])
    outcome = np.column_stack([data["y"], 3 * rng.normal(size=n) - 20, 0.1 * rng.normal(size=n)])
    spread = data.get("spread")
    both = None if spread is None else spread[:, None] * np.array([[1.0, 2.0, 0.5]])
    codes, studies = parts_of(data)
    batch = codes * 2 + np.arange(n) % 2
    whole = np.unique(batch, return_inverse=True)[1]
    part = (whole, int(whole.max()) + 1, rng.random(n) > 0.1)
    known, added = data.get("known_variance"), data.get("added_variance")
    if known is not None and added is not None:
        added = np.where(np.isnan(known), added, 0.0)

    def rows(columns):
        return ModelRows(
            outcome=outcome[:, columns],
            fixed=data["X"],
            varying=data["varying"],
            study=codes,
            studies=studies,
            batch=part if grouped else None,
            count=data.get("count"),
            spread=None if both is None else both[:, columns],
            known=known,
            added=added,
        )

    many = collect_products(rows([0, 1, 2]))
    assert many.sets == 3
    from metafreeze.models.variance_shape import shape_of

    shape = shape_of(many, "common")
    caller = rng.uniform(0.5, 1.0, shape.size)
    caller[1] = 0.1
    w = caller / many.frame.y_unit[:, None] ** 2
    totals = sum_studies(many, shape, w, order=0, with_residual=True)
    together = read_criterion(totals, many, restricted=True, profiled=False)
    for m in range(3):
        one = collect_products(rows([m]))
        unit = float(one.frame.y_unit[0])
        alone = read_criterion(
            sum_studies(one, shape, caller[None] / unit**2, order=0, with_residual=True),
            one,
            restricted=True,
            profiled=False,
        )
        assert together.value[m] == pytest.approx(alone.value[0], rel=1e-10)
        ours = many.frame.y_unit[m] * np.linalg.inv(many.frame.turn) @ together.beta[m]
        theirs = unit * np.linalg.inv(one.frame.turn) @ alone.beta[0]
        assert close(ours + many.frame.origin[m], theirs + one.frame.origin[0])
    if not kinds:
        # Without given variances each outcome is measured in its own unit.
        assert np.allclose(many.frame.y_unit, outcome.std(axis=0))
    elif "counts" not in kinds:
        assert np.ptp(many.frame.y_unit) == 0.0


def test_rows_of_known_variance_alone_leave_nothing_to_estimate():
    data = rows_of_kind(1, q=1)
    codes, studies = parts_of(data)
    n = len(codes)
    products = collect_products(
        ModelRows(
            outcome=data["y"][:, None],
            fixed=data["X"],
            varying=data["varying"],
            study=codes,
            studies=studies,
            known=np.full(n, 0.5),
        )
    )
    assert products.estimated_rows is False and products.one_scale is False
    assert products.runs.tolist() == [0.0] * studies
    assert products.total_runs == n
