"""Where searches start: the grid by its ratios, and spreads by the method of moments."""

from dataclasses import replace

import numpy as np
import pytest
from oracles.mixed_engine_pair import engine_of

from metafreeze.models import starting_points
from metafreeze.models.row_columns import semidefinite_factor
from metafreeze.models.search_task import plain_task, residual_guess, safe_value
from metafreeze.models.starting_points import (
    LARGE_RATIOS,
    RESIDUAL_SHARES,
    SETS_SIDE_BY_SIDE,
    START_RATIOS,
    _moment_starts,
    _start_at,
    choose_starts,
)


def task_of(name, residual="common", seed=20):
    data, products, shape, hand, _ = engine_of(name, residual, seed=seed)
    return data, plain_task(products, shape, restricted=True), hand


STARTS = {
    # case, residual, ratios, what the free parameters are in units of the residual spread
    "slopes": ("common", (0.5,), [0.5, 0.0, 0.5]),
    "slopes without correlation": ("common", (0.5,), [0.5, 0.5]),
    "batches": ("common", (0.5, 2.0), [0.5, 2.0]),
    "specimens in batches": ("common", (0.5, 2.0, 3.0), [0.5, 0.0, 0.5, 2.0, 3.0]),
    "specimens across batches": ("common", (0.5, 2.0, 3.0), [0.5, 3.0, 2.0]),
    "crossing, nothing varies": ("common", (0.5, 2.0, 3.0), [3.0, 2.0]),
    "nothing varies, batches": ("common", (0.5, 2.0), [2.0]),
}


@pytest.mark.parametrize("name", STARTS)
def test_a_start_is_its_ratios(name):
    residual, ratios, wanted = STARTS[name]
    _, task, _ = task_of(name, residual)
    assert task.profiled
    assert _start_at(task, ratios, None).tolist() == [wanted]


def test_one_ratio_is_for_all_levels():
    _, task, _ = task_of("specimens in batches")
    assert _start_at(task, (0.5,), None).tolist() == [[0.5, 0.0, 0.5, 0.5, 0.5]]
    assert _start_at(task, (0.5, 2.0), None).tolist() == [[0.5, 0.0, 0.5, 2.0, 2.0]]


@pytest.mark.parametrize("share", [1.0, 0.15])
@pytest.mark.parametrize(
    ("name", "residual"),
    [("reading errors", "common"), ("batches", "per-study"), ("slopes and crossing", "per-study")],
)
def test_where_the_residual_is_searched_it_starts_at_its_guess(name, residual, share):
    _, task, _ = task_of(name, residual)
    guess = residual_guess(task.products)
    unit = np.sqrt(guess.mean())
    found = _start_at(task, (0.5, 2.0, 3.0), guess, share)[0]
    residuals = task.shape.residuals
    own = np.sqrt(guess[0]) if residual == "per-study" else [unit]
    assert found[-residuals:] == pytest.approx(share * np.asarray(own))
    spreads = [k for k, (i, j) in enumerate(task.shape.pairs) if i == j]
    assert found[spreads] == pytest.approx(0.5 * unit)
    rest = found[len(task.shape.pairs) : -residuals]
    wanted = ([3.0] if task.shape.crossed else []) + [2.0] * len(task.shape.levels)
    assert rest == pytest.approx(np.array(wanted) * unit)
    assert (
        _start_at(task, (0.5, 2.0, 3.0), guess).tolist()
        == _start_at(task, (0.5, 2.0, 3.0), guess, 1.0).tolist()
    )


def test_known_variances_alone_have_no_residual_to_start():
    from metafreeze.models.crossproducts import ModelRows, collect_products
    from metafreeze.models.variance_shape import shape_of

    products = collect_products(
        ModelRows(
            outcome=np.arange(8.0)[:, None] ** 1.5,
            fixed=np.ones((8, 1)),
            varying=np.ones((8, 1)),
            study=np.arange(8) // 2,
            studies=4,
            known=np.ones(8),
        )
    )
    task = plain_task(products, shape_of(products, "common"), restricted=True)
    assert task.mapping.free == 1
    guess = residual_guess(products)
    assert _start_at(task, (0.5,), guess)[0] == pytest.approx([0.5 * np.sqrt(guess.mean())])
    assert len(choose_starts(task)) == 6


@pytest.mark.parametrize("name", ["studies", "slopes", "batches", "specimens across batches"])
@pytest.mark.parametrize("residual", ["common", "per-study"])
def test_the_best_of_the_grid_comes_first(name, residual):
    """Every start of the grid, written out, is no better than the first that is kept."""
    _, task, _ = task_of(name, residual)
    guess = None if task.profiled else residual_guess(task.products)
    groups = 1 + len(task.shape.levels) + bool(task.shape.crossed)
    grid = [(c,) * groups for c in START_RATIOS]
    if groups > 1:
        import itertools

        grid += [g for g in itertools.product((0.2, 2.5), repeat=groups) if len(set(g)) > 1]
    shares = (1.0,) if task.profiled else RESIDUAL_SHARES
    starts = [_start_at(task, r, guess, share) for share in shares for r in grid]
    starts += _moment_starts(task, starts[len(START_RATIOS) // 2], guess)
    values = sorted(float(safe_value(task, h)[0]) for h in starts)
    kept = choose_starts(task)
    count = 3 if task.profiled else 6
    found = [float(safe_value(task, h)[0]) for h in kept]
    assert found == pytest.approx(values[:count], rel=1e-12)
    both = replace(task, products=task.products.pick(np.array([0, 0])))
    for h, one in zip(choose_starts(both), kept, strict=True):
        assert h == pytest.approx(np.vstack([one, one]))


@pytest.mark.parametrize("sets", [SETS_SIDE_BY_SIDE, SETS_SIDE_BY_SIDE + 1])
def test_many_data_sets_are_tried_one_start_after_the_other(sets, monkeypatch):
    _, task, _ = task_of("batches")
    many = replace(task, products=task.products.pick(np.zeros(sets, dtype=int)))
    calls = []

    def counting(at, h):
        calls.append(len(h))
        return safe_value(at, h)

    monkeypatch.setattr(starting_points, "safe_value", counting)
    found = choose_starts(many)
    assert (len(calls) == 1) is (sets == SETS_SIDE_BY_SIDE)
    assert all(np.ptp(h, axis=0).max() < 1e-12 for h in found)


@pytest.mark.parametrize(("small", "kept"), [(True, 3), (False, 1)])
def test_a_large_problem_keeps_one_start_of_a_short_list(small, kept, monkeypatch):
    _, task, _ = task_of("batches")
    products = task.products
    work = (products.studies + products.entities.size.size) * (products.varying + 1)
    monkeypatch.setattr(starting_points, "SMALL_PROBLEM", work if small else work - 1)
    tried = []

    def counting(at, h):
        tried.append(h)
        return safe_value(at, h)

    monkeypatch.setattr(starting_points, "safe_value", counting)
    found = choose_starts(task)
    assert len(found) == kept
    if not small:
        moments = _moment_starts(task, _start_at(task, (0.7, 0.7), None), None)
        assert len(tried) == len(LARGE_RATIOS) + len(moments)
        values = [float(safe_value(task, h)[0]) for h in tried]
        assert float(safe_value(task, found[0])[0]) == min(values)


@pytest.mark.parametrize(
    "name", ["studies", "slopes", "three columns", "slopes without correlation"]
)
def test_moments_are_the_spread_of_studies_less_their_error(name):
    """Own coefficients by least squares about a common line, in units of the residual spread."""
    data, task, hand = task_of(name)
    labels = np.unique(data["study"])
    q = task.shape.varying
    middle = _start_at(task, (2.5,), None)
    beta = task.evaluate(middle, order=0).beta[0]
    spread, error = np.zeros((q, q)), np.zeros((q, q))
    for s in labels:
        rows = hand.study == s
        z = hand.Z[rows]
        away = np.linalg.lstsq(z, hand.y[rows] - hand.X[rows] @ beta, rcond=None)[0]
        spread += np.outer(away, away) / len(labels)
        error += np.linalg.inv(z.T @ z) / len(labels)
    scale = residual_guess(task.products).mean()
    matrix = (spread - scale * error) / scale
    values, vectors = np.linalg.eigh(matrix)
    least = 1e-3 * max(values[-1], 1e-3)
    matrix = vectors @ np.diag(np.maximum(values, least)) @ vectors.T
    (found,) = _moment_starts(task, middle, None)
    left = semidefinite_factor(matrix)
    wanted = [
        left[i, j] if task.shape.correlated else np.sqrt(matrix[i, i]) for i, j in task.shape.pairs
    ]
    assert found[0] == pytest.approx(wanted, rel=1e-6, abs=1e-9)


def test_moments_with_batches_start_them_twice():
    _, task, _ = task_of("batches")
    first, second = _moment_starts(task, _start_at(task, (2.5, 2.5), None), None)
    assert first[0, 1] == 0.3 and second[0, 1] == 1.5
    assert first[0, 0] == second[0, 0] > 0


def test_moments_in_absolute_units_where_the_residual_is_searched():
    _, task, _ = task_of("studies", "per-study")
    _, profiled, _ = task_of("studies")
    guess = residual_guess(task.products)
    at = _start_at(task, (2.5,), guess)
    (found,) = _moment_starts(task, at, guess)
    assert found[0, 1:] == pytest.approx(np.sqrt(guess[0]))
    beta = task.evaluate(at, order=0).beta
    assert np.isfinite(beta).all() and found[0, 0] > 0
    (ratio,) = _moment_starts(profiled, _start_at(profiled, (2.5,), None), None)
    # One is the other times the residual spread, but for the line they are taken about.
    assert found[0, 0] == pytest.approx(ratio[0, 0] * np.sqrt(guess.mean()), rel=0.2)


def test_without_spread_there_are_no_moments():
    for name in ("nothing varies", "specimens across batches"):
        _, task, _ = task_of(name)
        middle = _start_at(task, (1.0, 1.0, 1.0), None)
        assert _moment_starts(task, middle, None) == []
    _, task, _ = task_of("slopes")
    within = task.products.within.copy()
    within[0, 1:, :2, :2] = 0.0  # one study alone shows its own coefficients
    lame = replace(task, products=replace(task.products, within=within))
    assert _moment_starts(lame, _start_at(task, (1.0,), None), None) == []
