"""What a search starts from and may not fall below, against sums over the rows."""

import numpy as np
import pytest
from oracles.mixed_engine_pair import CASES, engine_of

from metafreeze.models.likelihood import read_criterion, sum_studies
from metafreeze.models.search_task import (
    FLOOR_SHARE,
    NEAR_FLOOR,
    at_floor,
    narrow_task,
    plain_task,
    repeat_task,
    residual_floor,
    residual_guess,
    safe_value,
)
from metafreeze.models.starting_points import choose_starts

GROUPED = ("batches", "specimens alone", "summaries in batches", "nothing varies, batches")


def guess_by_hand(name, data, products, hand):
    """Scatter about each study's own line, within batches where there are some."""
    labels = np.unique(data["study"])
    n = len(data["y"])
    count = data.get("count")
    count = np.ones(n) if count is None else count
    q = data["varying"].shape[1]
    A = (data["y"] - data["X"] @ products.frame.origin[0]) / float(products.frame.y_unit[0])
    batch = data["batch"] if data["batch"] is not None else data["specimen"]
    rss, df = [], []
    for s in labels:
        rows = np.flatnonzero(data["study"] == s)
        z, y, c = hand.Z[rows], A[rows], count[rows]
        root = np.sqrt(c)
        if q:
            y = y - z @ np.linalg.lstsq(root[:, None] * z, root * y, rcond=None)[0]
        groups = 0
        if batch is not None:
            names = [str(batch[i]) for i in rows]
            groups = len(set(names))
            for g in set(names):
                here = [k for k, name in enumerate(names) if name == g]
                y[here] = y[here] - (c[here] @ y[here]) / c[here].sum()
        behind = hand.y[n:][hand.study[n:] == s]
        rss.append(float(c @ y**2 + (behind**2).sum()))
        runs = c.sum()
        df.append(max(runs - q - min(groups, 0.5 * runs), 1.0))
    return np.array(rss), np.array(df)


@pytest.mark.parametrize("seed", [11, 12])
@pytest.mark.parametrize("name", ["studies", "slopes", "nothing varies", "summaries", *GROUPED])
def test_the_first_guess_of_the_residual_variance(name, seed):
    data, products, _, hand, _ = engine_of(name, "common", seed=seed)
    rss, df = guess_by_hand(name, data, products, hand)
    total = rss.sum() / df.sum()
    wanted = np.where(rss > 1e-3 * total * df, rss / df, total)
    assert residual_guess(products)[0] == pytest.approx(wanted, rel=1e-9)


def test_a_study_without_scatter_is_guessed_from_all():
    from dataclasses import replace

    _, products, _, _, _ = engine_of("studies", "common", seed=13)
    within = products.within.copy()
    within[0, 1, -1, -1] = 0.0
    df = np.maximum(products.runs - 1, 1.0)
    total = within[0, :, -1, -1].sum() / df.sum()
    found = residual_guess(replace(products, within=within))[0]
    assert found[1] == pytest.approx(total)
    assert found[0] == pytest.approx(within[0, 0, -1, -1] / df[0])
    within[0, :, -1, -1] = 0.0
    assert residual_guess(replace(products, within=within))[0] == pytest.approx(
        np.full(products.studies, 0.1)
    )


def test_the_floor_is_a_share_of_the_least_that_is_seen():
    assert residual_floor(engine_of("slopes", "common")[1]) == 0.0
    for name in ("known variances", "reading errors", "every kind in batches"):
        _, products, _, _, _ = engine_of(name, "common", seed=14)
        least = residual_guess(products).min()
        extra = products.entities.extra[products.entities.extra > 0]
        if extra.size:
            least = min(least, np.median(extra))
        assert residual_floor(products) == pytest.approx(FLOOR_SHARE * np.sqrt(least), rel=1e-12)


def test_a_variance_at_its_floor_is_as_good_as_zero():
    _, products, _, _, _ = engine_of("reading errors", "common", seed=14)
    edge = NEAR_FLOOR * residual_floor(products) ** 2
    residual = np.array([[edge], [np.nextafter(edge, 1)], [1.0], [0.0]])
    assert at_floor(products, residual).tolist() == [True, False, False, True]
    assert at_floor(products, np.array([[1.0, edge], [1.0, 1.0]])).tolist() == [True, False]
    free = engine_of("slopes", "common")[1]
    assert at_floor(free, np.zeros((2, 1))).tolist() == [False, False]


@pytest.mark.parametrize("restricted", [True, False])
@pytest.mark.parametrize("residual", ["common", "per-study"])
@pytest.mark.parametrize("name", CASES)
def test_slopes_in_the_free_parameters_are_differences(name, residual, restricted):
    _, products, shape, _, _ = engine_of(name, residual, seed=15)
    task = plain_task(products, shape, restricted=restricted)
    assert task.restricted is restricted
    assert task.profiled is (products.one_scale and residual == "common")
    free = shape.size - task.profiled
    assert task.mapping.free == free
    rng = np.random.default_rng(16)
    h = rng.uniform(0.4, 1.2, (1, free))
    criterion, gradient, hessian = task.derivatives(h)
    w = task.mapping.at(h)
    totals = sum_studies(
        products,
        shape,
        np.column_stack([w, np.ones((1, 1))]) if task.profiled else w,
        order=0,
        with_residual=True,
    )
    direct = read_criterion(totals, products, restricted=restricted, profiled=task.profiled)
    assert criterion.value[0] == pytest.approx(direct.value[0], rel=1e-12)
    step = 1e-5
    for k in range(free):
        move = np.zeros((1, free))
        move[0, k] = step
        above, below = task.derivatives(h + move), task.derivatives(h - move)
        slope = (above[0].value[0] - below[0].value[0]) / (2 * step)
        bend = (above[1][0] - below[1][0]) / (2 * step)
        scale = 1 + np.abs(hessian[0]).max()
        assert gradient[0, k] == pytest.approx(slope, abs=1e-6 * scale)
        assert hessian[0, k] == pytest.approx(bend, abs=1e-6 * scale)
    assert np.array_equal(hessian, np.swapaxes(hessian, 1, 2))


def test_some_of_the_data_sets_and_many_times_the_same():
    _, products, shape, _, _ = engine_of("slopes", "common", seed=17)
    task = plain_task(products.pick(np.array([0, 0])), shape, restricted=True)
    h = np.array([[0.5, 0.1, 0.4], [1.0, -0.2, 0.3]])
    both = task.evaluate(h, order=0).value
    assert task.evaluate(h[1:], order=0, sets=np.array([1])).value == pytest.approx(both[1:])
    one = task.derivatives(h[1:], sets=np.array([1]))
    assert np.allclose(one[2][0], task.derivatives(h)[2][1])
    assert repeat_task(task, 1) is task
    three = repeat_task(task, 3)
    assert three.products.sets == 6
    assert safe_value(three, np.tile(h, (3, 1))) == pytest.approx(np.tile(both, 3))
    narrow = narrow_task(task, np.array([1]))
    assert narrow.products.sets == 1
    assert safe_value(narrow, h[:1])[0] == pytest.approx(both[0])
    assert safe_value(task, h[1:], np.array([0]))[0] == pytest.approx(both[1])


def test_a_criterion_that_cannot_be_had_is_infinite():
    _, products, shape, _, _ = engine_of("known variances", "common", seed=18)
    task = plain_task(products.pick(np.array([0, 0, 0])), shape, restricted=True)
    good = np.array([0.5, 0.8])
    rows = np.stack([good, np.full(2, np.nan), good])
    found = safe_value(task, rows)
    assert found[1] == np.inf
    wanted = task.evaluate(np.stack([good] * 3), order=0).value
    assert found[[0, 2]] == pytest.approx(wanted[[0, 2]])
    assert safe_value(task, rows[1:2], np.array([2])).tolist() == [np.inf]


@pytest.mark.parametrize("residual", ["common", "per-study"])
@pytest.mark.parametrize("name", CASES)
def test_starts_are_ranked_by_their_criterion(name, residual):
    _, products, shape, _, _ = engine_of(name, residual, seed=19)
    task = plain_task(products, shape, restricted=True)
    starts = choose_starts(task)
    if task.mapping.free:
        assert len(starts) == (3 if task.profiled else 6)
    values = [float(safe_value(task, h)[0]) for h in starts]
    assert values == sorted(values)
    assert all(h.shape == (1, task.mapping.free) for h in starts)
    if task.mapping.free:
        # Better than no spread at all, or than a thousandfold.
        far = np.full((1, task.mapping.free), 1000.0)
        assert values[0] <= float(safe_value(task, far)[0])


def test_the_floor_lies_far_below_what_is_seen():
    """A residual spread of a thousandth is a number; one of a hundred-thousandth is nought."""
    _, products, _, _, _ = engine_of("reading errors", "common", seed=14)
    extra = products.entities.extra[products.entities.extra > 0]
    seen = np.sqrt(min(residual_guess(products).min(), np.median(extra)))
    spreads = seen * np.array([1e-3, 1e-5])
    assert at_floor(products, spreads[:, None] ** 2).tolist() == [False, True]
    floor = residual_floor(products)
    assert at_floor(
        products, np.array([[(1.99 * floor) ** 2], [(2.01 * floor) ** 2]])
    ).tolist() == [
        True,
        False,
    ]


def test_each_data_set_may_have_a_map_of_its_own():
    from dataclasses import replace

    from metafreeze.models.variance_shape import VarianceMap

    _, products, shape, _, _ = engine_of("studies", "common", seed=17)
    plain = plain_task(products.pick(np.array([0, 0])), shape, restricted=True)
    # w = 1 + 2 h in the first, 3 + h in the second.
    mapping = VarianceMap(
        constant=np.array([[1.0], [3.0]]),
        slope=np.array([[[2.0]], [[1.0]]]),
        bend=np.zeros((2, 1, 1, 1)),
    )
    task = replace(plain, mapping=mapping)
    h = np.array([[0.5], [0.25]])
    roots = np.sqrt([[2.0], [3.25]])  # the usual map squares its parameter
    both = task.evaluate(h, order=0).value
    assert both == pytest.approx(plain.evaluate(roots, order=0).value, rel=1e-12)
    second = np.array([1])
    assert task.evaluate(h[1:], order=0, sets=second).value[0] == pytest.approx(both[1])
    value, gradient, hessian = task.derivatives(h[1:], sets=second)
    whole = task.derivatives(h)
    assert value.value[0] == pytest.approx(both[1])
    assert gradient[0] == pytest.approx(whole[1][1]) and hessian[0] == pytest.approx(whole[2][1])
    assert narrow_task(task, second).evaluate(h[1:], order=0).value[0] == pytest.approx(both[1])
    first = task.derivatives(h[:1], sets=np.array([0]))
    assert first[1][0, 0] == pytest.approx(2.0 * first[0].gradient[0, 0])


def test_a_reused_task_keeps_its_floor_out_of_a_known_design():
    """Known variances alone have no residual and so no floor."""
    from metafreeze.models.crossproducts import ModelRows, collect_products

    products = collect_products(
        ModelRows(
            outcome=np.arange(8.0)[:, None],
            fixed=np.ones((8, 1)),
            varying=np.ones((8, 1)),
            study=np.arange(8) // 2,
            studies=4,
            known=np.ones(8),
        )
    )
    assert residual_floor(products) == 0.0
    assert at_floor(products, np.ones((1, 1))).tolist() == [False]
