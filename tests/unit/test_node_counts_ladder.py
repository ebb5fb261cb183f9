"""The climb of node counts against one loop over whole designs, and its two bounds."""

import numpy as np
import pytest

from metafreeze.models import node_counts as module
from metafreeze.models.marginal_likelihood import evaluate
from metafreeze.models.node_counts import LADDER, PIECE, _few_pieces, enough_nodes
from metafreeze.models.study_peaks import no_modes
from metafreeze.models.unseen_fit import fit_all_parts, fit_fixed_parts, standardise
from metafreeze.models.unseen_input import check_unseen_rows

INF = float("inf")
GIVEN = dict.fromkeys(
    (
        *("varying", "batch", "known_variance", "added_variance", "count", "spread", "offset"),
        *("names", "varying_names"),
    )
)


def problem(seed=12, *, batch=False, spread=0.8, sizes=(8, 3, 12, 5, 8)):
    rng = np.random.default_rng(seed)
    study = np.repeat(np.arange(len(sizes)), sizes)
    n = study.size
    x = np.column_stack([np.ones(n), rng.normal(size=n)])
    y = spread * rng.normal(size=len(sizes))[study] + 0.5 * rng.normal(size=n) + 0.3 * x[:, 1]
    low, high = np.floor(2 * y) / 2, np.floor(2 * y) / 2 + 0.5
    high[y > 0.6], low[y > 0.6] = INF, 0.6
    options = dict(GIVEN)
    if batch:
        options["varying"] = x
    rows = check_unseen_rows(low, high, x, study, log_times=True, **options)
    scaled = standardise(rows, family="log-normal", correlated=True, fixed_scale=None)
    fixed, _ = fit_fixed_parts(scaled)
    return scaled, fit_all_parts(scaled, fixed, accuracy=1e-8).theta


def shares(scaled, theta, nodes):
    design = scaled.design
    found = evaluate(
        design, scaled.times, theta[None], nodes, no_modes(design, 1), derivatives=False
    )
    return found.by_study[:, 0]


def one_loop(scaled, theta, nodes, accuracy, most):
    """Climb study by study on the whole design; give nodes, those for limits, and the error."""
    S, D = nodes.shape
    rows = scaled.design.rows_in_study
    rung = [[LADDER.index(int(c)) for c in row] for row in nodes]
    light: list[list[int | None]] = [[None] * D for _ in range(S)]
    change = np.full((S, D), np.inf)
    moving = list(range(S))
    criterion = None

    def at(rungs):
        return shares(scaled, theta, np.array([[LADDER[r] for r in row] for row in rungs]))

    while moving:
        base = at(rung)
        if criterion is None:
            criterion = abs(2 * base.sum() + scaled.shift)
        allowed = accuracy * max(1.0, criterion) / (S * D)
        for d in range(D):
            higher = [list(row) for row in rung]
            for s in range(S):
                higher[s][d] = min(higher[s][d] + 1, len(LADDER) - 1)
            rise = 2 * (at(higher) - base)
            for s in moving:
                change[s, d] = rise[s]
        for s in range(S):
            for d in range(D):
                if light[s][d] is None and abs(change[s, d]) <= 5e-4 / (S * D):
                    light[s][d] = rung[s][d]
        work = sum(rows[s] * np.prod([LADDER[r] for r in rung[s]]) for s in range(S))
        raised = []
        for s in sorted(moving, key=lambda s: -abs(change[s]).sum()):
            wanted = [
                min(r + bool(abs(c) > allowed), len(LADDER) - 1)
                for r, c in zip(rung[s], change[s], strict=True)
            ]
            more = rows[s] * (
                np.prod([LADDER[r] for r in wanted]) - np.prod([LADDER[r] for r in rung[s]])
            )
            work += more
            if more > 0 and work <= most:
                raised.append((s, wanted))
        for s, wanted in raised:
            rung[s] = wanted
        moving = sorted(s for s, _ in raised)
    final = np.array([[LADDER[r] for r in row] for row in rung])
    small = np.array(
        [
            [LADDER[r if q is None else q] for r, q in zip(a, b, strict=True)]
            for a, b in zip(rung, light, strict=True)
        ]
    )
    return final, small, abs(change.sum(axis=1)).sum()


@pytest.mark.parametrize("batch", [False, True])
@pytest.mark.parametrize(
    ("seed", "accuracy", "most"),
    [
        (12, 1e-8, None),
        (12, 1e-4, None),
        (3, 1e-7, None),
        (3, 1e-6, 700),
        (5, 1e-7, 500),
        (5, 1e-5, 300),
    ],
)
def test_the_climb_is_that_of_one_loop(seed, accuracy, most, batch, monkeypatch):
    # Without pieces to save the counts stay those of the climb.
    monkeypatch.setattr(module, "PIECE", -(10**12))
    scaled, theta = problem(seed, batch=batch)
    D = 2 if batch else 1
    start = np.full((5, D), 3)
    start[1] = 5
    if batch and most:
        most *= 4
    plan = enough_nodes(scaled, theta, start, accuracy, most=most)
    bound = 200_000 + 100 * len(scaled.design.x) if most is None else most
    nodes, light, error = one_loop(scaled, theta, start, accuracy, bound)
    np.testing.assert_array_equal(plan.nodes, nodes)
    np.testing.assert_array_equal(plan.light, light)
    assert plan.error == pytest.approx(error, rel=1e-3, abs=1e-9)
    assert (plan.nodes >= start).all()
    assert (scaled.design.rows_in_study @ plan.nodes.prod(axis=1)) <= max(
        bound, scaled.design.rows_in_study @ start.prod(axis=1)
    )
    if most is None:
        # Enough: the whole top of the ladder moves the criterion by less than asked, tenfold.
        best = shares(scaled, theta, np.full((5, D), LADDER[-1] if D == 1 else 60)).sum()
        here = shares(scaled, theta, plan.nodes).sum()
        criterion = abs(2 * here + scaled.shift)
        assert abs(2 * (best - here)) <= 10 * accuracy * max(1.0, criterion) + 1e-9


def test_the_bound_on_the_work_is_met_exactly_or_not_at_all(monkeypatch):
    monkeypatch.setattr(module, "PIECE", -(10**12))
    scaled, _ = problem(12, sizes=(8,))
    _, theta = problem(12)
    start = np.array([[3]])
    rows = int(scaled.design.rows_in_study[0])
    for most, count in ((5 * rows, 5), (5 * rows - 1, 3), (8 * rows, 8), (8 * rows - 1, 5)):
        assert enough_nodes(scaled, theta, start, 0.0, most=most).nodes.tolist() == [[count]]


def test_by_default_the_work_grows_with_the_rows(monkeypatch):
    monkeypatch.setattr(module, "PIECE", -(10**12))
    scaled, _ = problem(12, sizes=(8,))
    _, theta = problem(12)
    rows = int(scaled.design.rows_in_study[0])
    n = len(scaled.design.x)
    for spare, count in ((0, 5), (-1, 3)):
        monkeypatch.setattr(module, "MOST_ELEMENTS", 5 * rows - 2 * n + spare)
        monkeypatch.setattr(module, "MOST_FOR_A_ROW", 2)
        assert enough_nodes(scaled, theta, np.array([[3]]), 0.0).nodes.tolist() == [[count]]


def test_at_the_top_of_the_ladder_it_stays():
    scaled, theta = problem(12)
    top = np.full((5, 1), LADDER[-1])
    plan = enough_nodes(scaled, theta, top, 0.0)
    assert (plan.nodes == LADDER[-1]).all() and plan.error == pytest.approx(0.0, abs=1e-12)


# --- pieces -------------------------------------------------------------------------------


def cost(nodes, rows):
    kinds = len({tuple(n) for n in nodes.tolist()})
    return PIECE * kinds + float(nodes.prod(axis=1) @ rows)


def test_near_counts_are_put_together_and_far_ones_not():
    nodes, rows = np.array([[3], [5], [5], [135]]), np.array([100, 100, 100, 1000])
    # 100 rows at 5 instead of 3 nodes cost 200 and save a piece; 300 at 135 cost far more.
    assert _few_pieces(nodes, rows).tolist() == [[5], [5], [5], [135]]
    assert nodes.tolist() == [[3], [5], [5], [135]]


@pytest.mark.parametrize(("rows", "joined"), [(PIECE // 2 - 1, True), (PIECE // 2, False)])
def test_a_piece_must_save_more_than_it_costs(rows, joined):
    got = _few_pieces(np.array([[3], [5]]), np.array([rows, 10]))
    assert got.tolist() == ([[5], [5]] if joined else [[3], [5]])


def test_crossed_counts_take_the_larger_of_each():
    got = _few_pieces(np.array([[3, 8], [5, 3]]), np.array([10, 10]))
    assert got.tolist() == [[5, 8], [5, 8]]


@pytest.mark.parametrize("seed", range(12))
def test_pieces_are_never_worse_and_no_pair_is_left(seed):
    rng = np.random.default_rng(seed)
    S, D = 9, int(rng.integers(1, 3))
    nodes = rng.choice(LADDER[:7], (S, D))
    rows = rng.integers(1, 4000 if D == 1 else 300, S)
    got = _few_pieces(nodes, rows)
    assert (got >= nodes).all()
    assert cost(got, rows) <= cost(nodes, rows)
    kinds = np.unique(got, axis=0)
    for i in range(len(kinds)):
        for j in range(i):
            both = np.maximum(kinds[i], kinds[j])
            joined = got.copy()
            for kind in (kinds[i], kinds[j]):
                joined[(got == kind).all(axis=1)] = both
            apart = len(np.unique(joined, axis=0)) < len(kinds) - 1
            assert apart or cost(joined, rows) >= cost(got, rows)


def test_a_single_unit_of_work_saved_is_enough():
    # Three nodes more for 3333 rows cost 9999, one less than a piece.
    assert PIECE == 10_000
    assert _few_pieces(np.array([[5], [8]]), np.array([3333, 10])).tolist() == [[8], [8]]
    assert _few_pieces(np.array([[5], [8]]), np.array([3334, 10])).tolist() == [[5], [8]]
