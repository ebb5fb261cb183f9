"""Parts of the fit: units, starts, what is put at zero, and fits with known ends."""

import itertools

import numpy as np
import pytest

from metafreeze.models import censored_likelihood as rows_of
from metafreeze.models import unseen_fit
from metafreeze.models.lockstep import Minimum
from metafreeze.models.marginal_likelihood import evaluate
from metafreeze.models.study_peaks import no_modes
from metafreeze.models.unseen_fit import (
    Fitted,
    _as_fitted,
    _best_of,
    _standard_varying,
    _zero_candidates,
    aliased_columns,
    fit_all_parts,
    fit_fixed_parts,
    imputed_times,
    lighter_fit,
    standardise,
    starting_points,
    without_random_parts,
)
from metafreeze.models.unseen_input import check_unseen_rows

INF, NAN = np.inf, np.nan
GIVEN = dict.fromkeys(
    (
        *("varying", "batch", "known_variance", "added_variance", "count", "spread", "offset"),
        *("names", "varying_names"),
    )
)


def make(low, high, x=None, study=None, **options):
    x = np.ones((len(low), 1)) if x is None else x
    return check_unseen_rows(low, high, x, study, log_times=True, **{**GIVEN, **options})


def scale(rows, family="log-normal", **options):
    return standardise(rows, family=family, **{"correlated": True, "fixed_scale": None, **options})


SHARES = (0.05, 0.3, 0.75)


def mixed_rows(study=True, batch=True, slope=True, **options):
    """Rows of every kind, in three studies of two batches, with two columns."""
    rng = np.random.default_rng(9)
    n = 18
    low = rng.normal(size=n)
    high = low.copy()
    high[[1, 5, 8]] += [0.4, 0.9, 2.0]
    high[[2, 12]] = INF
    low[[7, 15]] = -INF
    x = np.column_stack([np.ones(n), rng.normal(2.0, 3.0, n)])
    given = dict(options)
    if study and slope:
        given["varying"] = x
    if batch:
        given["batch"] = [None if i == 3 else "ab"[i % 2] for i in range(n)]
    return make(low, high, x, np.repeat([1, 2, 3], 6) if study else None, **given)


def test_a_number_for_every_row():
    rows = make([1.0, 2.0, -INF, 4.0], [1.0, 5.0, 3.0, INF], np.arange(4.0))
    assert imputed_times(rows)[np.argsort(rows.source)].tolist() == [1.0, 3.5, 3.0, 4.0]


@pytest.mark.parametrize("seed", range(8))
def test_aliased_columns_raise_no_rank(seed):
    rng = np.random.default_rng(seed)
    x = rng.normal(size=(9, 3))
    mixed = [x[:, 0], x[:, 0] * 1e-7, np.zeros(9), x[:, 1], x[:, 0] - 3 * x[:, 1], x[:, 2] * 1e6]
    columns = np.column_stack([mixed[i] for i in rng.permutation(6)])
    want, rank = [], 0
    for j in range(6):
        part = columns[:, : j + 1]
        size = np.linalg.norm(part, axis=0)
        new = np.linalg.matrix_rank(part / np.where(size > 0, size, 1.0), tol=1e-8)
        if new == rank:
            want.append(j)
        rank = new
    assert aliased_columns(columns) == want


def test_a_column_is_aliased_by_its_share_outside_the_others():
    rng = np.random.default_rng(0)
    a, b = rng.normal(size=(2, 40))
    b -= a * (a @ b) / (a @ a)
    a, b = a / np.sqrt((a @ a) / 40), b / np.sqrt((b @ b) / 40)
    for share, want in ((2e-9, []), (0.5e-9, [1])):
        assert aliased_columns(np.column_stack([a, a + share * b])) == want
    assert aliased_columns(np.ones((3, 1))) == []


SHAPES = list(itertools.product([True, False], [True, False], [True, False]))


@pytest.mark.parametrize(("study", "batch", "correlated"), SHAPES)
@pytest.mark.parametrize("extra", ["plain", "variances", "summaries"])
def test_standard_units_say_the_same(study, batch, correlated, extra):
    options = {}
    if extra == "variances":
        known = np.where(np.arange(18) % 4 == 0, 0.3, NAN)
        options = {"known_variance": known, "added_variance": np.arange(18) * 0.01}
    if extra == "summaries":
        count, spread = np.ones(18), np.full(18, 0.4)
        count[[0, 4, 9]] = [3, 5, 2]
        options = {"count": count, "spread": spread}
    rows = mixed_rows(study, batch, **options)
    scaled = scale(rows, correlated=correlated)
    n, unit, design = 18, scaled.unit, scaled.row_design
    np.testing.assert_allclose(design.x.T @ design.x, n * np.eye(2), atol=1e-9)
    np.testing.assert_allclose(rows.x @ scaled.back, design.x, atol=1e-10)
    # Start: least squares on the rows imputed; for summaries with their runs as weights.
    y, root = imputed_times(rows), np.sqrt(rows.count)
    want = np.linalg.lstsq(rows.x * root[:, None], y * root, rcond=None)[0]
    np.testing.assert_allclose(scaled.start, want, rtol=1e-9)
    rest = y - rows.x @ want
    squares = (rows.count * rest**2).sum() + ((rows.count - 1) * rows.spread**2).sum()
    assert unit == pytest.approx(np.sqrt(squares / rows.count.sum()), rel=1e-9)
    for mine, theirs in ((rows.lower, scaled.times.lower), (rows.upper, scaled.times.upper)):
        finite = np.isfinite(mine)
        want = (mine - rows.x @ scaled.start)[finite] / unit
        np.testing.assert_allclose(theirs[finite, 0], want, rtol=1e-9, atol=1e-12)
        np.testing.assert_array_equal(theirs[~finite, 0], mine[~finite])
    exact = rows.kind == rows_of.EXACT
    np.testing.assert_array_equal(scaled.times.lower[exact], scaled.times.upper[exact])
    np.testing.assert_array_equal(scaled.times.kind[:, 0], rows.kind)
    free = np.isnan(rows.known)
    np.testing.assert_allclose(design.share, np.where(free, 1.0 / rows.count, 0.0))
    np.testing.assert_allclose(
        design.added, (np.where(free, 0.0, rows.known) + rows.added) / unit**2
    )
    np.testing.assert_array_equal(design.beyond, rows.count - 1.0)
    own = ((rows.count - 1.0) * rows.spread**2).sum() / unit**2
    np.testing.assert_allclose(scaled.times.squares, [own])
    exact_runs = rows.count[exact].sum()
    assert scaled.shift == pytest.approx(2.0 * exact_runs * np.log(unit), rel=1e-12)
    assert scaled.first_log_sigma == 0.0
    assert scaled.free.tolist() == list(range(design.parameter_count))
    # Groups.
    if study:
        pairs = [(0, 0), (1, 0), (1, 1)] if correlated else [(0, 0), (1, 1)]
        assert list(design.pairs) == pairs
        np.testing.assert_allclose(rows.z @ scaled.varying_back, design.z, atol=1e-10)
        size = design.z.T @ design.z
        np.testing.assert_allclose(np.diag(size), n, rtol=1e-9)
        if correlated:
            np.testing.assert_allclose(size, n * np.eye(2), atol=1e-9)
        assert design.study_of_row.tolist() == rows.study.tolist()
        assert design.has_batch == batch
        if batch:
            np.testing.assert_array_equal(design.member, rows.member)
            assert (np.diff(design.batch_of_row) > 0).tolist() == (np.diff(rows.batch) > 0).tolist()
    elif batch:
        # Batches alone are the outer level.
        assert list(design.pairs) == [(0, 0)] and not design.has_batch
        np.testing.assert_array_equal(design.z[:, 0], rows.member)
        assert scaled.varying_back.tolist() == [[1.0]]
        assert (np.diff(design.study_of_row) > 0).tolist() == (np.diff(rows.batch) > 0).tolist()
    else:
        assert design.dimensions == 0 and list(design.pairs) == []
        assert scaled.varying_back.shape == (0, 0)
    np.testing.assert_array_equal(design.times_over, 1.0)


def test_wide_windows_raise_the_unit():
    low = np.zeros(5)
    rows = make(low, low + np.array([2.0, 2.0, 2.0, 2.0, 2.0]))
    # All middles agree: three tenths of the usual window is the unit.
    assert scale(rows).unit == pytest.approx(0.6, rel=1e-12)
    rows = make(low, low + np.array([2.0, 2.0, 2.0, 0.0, 0.0]))
    assert scale(rows).unit == pytest.approx(0.6, rel=1e-12)
    # Most rows have no window: the spread of the middles about 0.4 stays, 0.49.
    rows = make(low, low + np.array([2.0, 2.0, 0.0, 0.0, 0.0]))
    assert scale(rows).unit == pytest.approx(np.sqrt(0.24), rel=1e-12)


@pytest.mark.parametrize("size", [1.0, 1e3])
def test_no_spread_at_all_is_not_blown_up(size):
    same = np.full(6, size)
    assert scale(make(same, same)).unit == 1.0
    near = same + np.tile([1.0, -1.0], 3) * 3e-10 * max(size, 1.0)
    assert scale(make(near, near)).unit == pytest.approx(3e-10 * size, rel=1e-4)
    nearer = same + np.tile([1.0, -1.0], 3) * 0.5e-10 * size
    assert scale(make(nearer, nearer)).unit == 1.0


def test_a_held_or_known_spread_is_not_free():
    y = np.array([0.1, 0.5, 0.3, 0.9])
    held = scale(make(y, y, None, [1, 1, 2, 2]), fixed_scale=0.25)
    assert held.first_log_sigma == pytest.approx(np.log(0.25 / held.unit), rel=1e-12)
    assert held.free.tolist() == [0, 2]
    known = scale(make(y, y, None, [1, 1, 2, 2], known_variance=np.full(4, 0.1)))
    assert known.free.tolist() == [0, 2] and known.first_log_sigma == 0.0
    some = scale(make(y, y, known_variance=[0.1, NAN, 0.1, 0.1]))
    assert some.free.tolist() == [0, 1]


def test_columns_that_are_aliased_take_no_parameter():
    y = np.array([0.1, 0.5, 0.3, 0.9])
    column = np.array([0.0, 1.0, 2.0, 3.0])
    scaled = scale(make(y, y, np.column_stack([column, 2 * column, np.zeros(4)])))
    assert scaled.design.x.shape == (4, 1) and scaled.back.shape == (3, 1)
    slope = (column @ y) / (column @ column)
    np.testing.assert_allclose(
        np.column_stack([column, 2 * column]) @ scaled.start[:2], column * slope
    )


def repeated(**options):
    low = np.array([1.0, 1.0, 1.0, 2.0, 2.0, 1.0, 1.0, 3.0])
    high = np.array([1.5, 1.5, 1.5, INF, INF, 1.5, 1.5, 3.0])
    return make(low, high, None, [1, 1, 1, 1, 1, 2, 2, 2], **options)


@pytest.mark.parametrize("batch", [None, list("aabbbabb")])
def test_alike_neighbours_stand_once_and_weigh_the_same(batch):
    scaled = scale(repeated(batch=batch))
    design = scaled.design
    want = [3, 2, 2, 1] if batch is None else [2, 1, 2, 1, 1, 1]
    assert design.times_over.tolist() == want
    assert design.times_over.sum() == 8
    whole = scaled.row_design
    assert len(whole.x) == 8 and whole.times_over.tolist() == [1.0] * 8
    theta = np.array([[0.2, -0.3, 0.7, *([0.4] if batch else [])]])
    nodes = np.full((2, design.dimensions), 12)
    rows = repeated(batch=batch)
    full = scaled.times._replace(
        lower=(rows.lower[:, None] - (rows.x @ scaled.start)[:, None]) / scaled.unit,
        upper=(rows.upper[:, None] - (rows.x @ scaled.start)[:, None]) / scaled.unit,
        kind=rows.kind[:, None],
    )
    a = evaluate(design, scaled.times, theta, nodes, no_modes(design, 1))
    b = evaluate(whole, full, theta, nodes, no_modes(whole, 1))
    np.testing.assert_allclose(a.value, b.value, rtol=1e-11)
    np.testing.assert_allclose(a.hessian, b.hessian, rtol=1e-8, atol=1e-9)


def test_summaries_and_other_variances_are_not_merged():
    y = np.array([0.3, 0.3, 0.3, 0.3, 0.9])
    one = scale(make(y, y, count=[2, 2, 1, 1, 1], spread=[0.1, 0.1, NAN, NAN, NAN]))
    assert sorted(one.design.times_over.tolist()) == [1, 1, 1, 2]
    two = scale(make(y, y, added_variance=[0.1, 0.1, 0.2, 0.1, 0.1]))
    assert len(two.design.x) >= 3 and two.design.times_over.sum() == 5


def test_without_random_parts_only_the_groups_are_gone():
    design = scale(mixed_rows(added_variance=np.arange(18) * 0.01)).design
    plain = without_random_parts(design)
    assert plain.dimensions == 0 and plain.parameter_count == 3
    assert plain.batch_start.tolist() == [0, 18] and plain.study_start.tolist() == [0, 1]
    for name in ("x", "share", "added", "beyond", "times_over", "family"):
        np.testing.assert_array_equal(getattr(plain, name), getattr(design, name))


def test_the_plain_fit_is_least_squares():
    rng = np.random.default_rng(1)
    x = np.column_stack([np.ones(15), rng.normal(size=15)])
    y = x @ [1.0, 2.0] + rng.normal(size=15)
    scaled = scale(make(y, y, x))
    fitted, escape = fit_fixed_parts(scaled)
    assert fitted.arrived and not escape.any
    assert escape.rows.tolist() == [False] * 15
    assert escape.rising.tolist() == escape.falling.tolist() == [False, False]
    # In its units the residual spread is one and the slopes are nothing.
    np.testing.assert_allclose(fitted.theta, 0.0, atol=1e-7)
    assert fitted.value == pytest.approx(7.5 * (np.log(2 * np.pi) + 1.0), rel=1e-12)
    np.testing.assert_allclose(fitted.hessian, np.diag([15.0, 15.0, 30.0]), atol=1e-6)
    held, _ = fit_fixed_parts(scale(make(y, y, x), fixed_scale=2.0 * scaled.unit))
    assert held.theta[2] == pytest.approx(np.log(2.0), rel=1e-12)
    same = fit_all_parts(scaled, fitted, accuracy=1e-8)
    assert same is fitted
    assert lighter_fit(scaled, fitted, 3) is fitted


def test_escapes_speak_for_every_row_they_stand_for():
    low = np.array([1.0, 1.2, 0.9, 1.1, 2.0, 2.0, 2.0])
    high = np.array([1.0, 1.2, 0.9, 1.1, INF, INF, INF])
    hot = np.array([0, 0, 0, 0, 1, 1, 1.0])
    rows = make(low, high, np.column_stack([np.ones(7), hot]))
    scaled = scale(rows)
    assert scaled.design.times_over.tolist() == [1, 1, 1, 1, 3]
    _, escape = fit_fixed_parts(scaled)
    assert escape.rows.tolist() == (rows.x[:, 1] == 1.0).tolist()
    assert not escape.spread
    assert escape.rising.tolist() == [False, True] and escape.falling.tolist() == [False] * 2


@pytest.mark.parametrize(
    ("options", "spread"),
    [
        ({}, True),
        ({"added_variance": [0.1, 0.1]}, False),
        ({"added_variance": [0.1, 0.0]}, False),
        ({"count": [2, 1], "spread": [0.1, NAN]}, False),
        ({"count": [2, 1], "spread": [0.0, NAN]}, True),
    ],
)
def test_a_perfect_fit_has_no_spread_unless_something_bounds_it(options, spread):
    rows = make([0.1, 0.5], [0.1, 0.5], np.eye(2), **options)
    _, escape = fit_fixed_parts(scale(rows))
    assert escape.spread == spread


def test_starts_share_the_variance_of_the_plain_fit():
    scaled = scale(mixed_rows(batch=True))
    fixed = np.array([0.3, -0.2, np.log(0.8)])
    points = starting_points(scaled, fixed)
    want = [s for s in itertools.product(SHARES, repeat=2) if sum(s) < 0.9]
    assert len(points) == len(want) == 6
    for theta, (study, batch) in zip(points, want, strict=True):
        np.testing.assert_array_equal(theta[:2], fixed[:2])
        assert np.exp(2 * theta[2]) == pytest.approx(0.64 * (1 - study - batch), rel=1e-12)
        np.testing.assert_allclose(theta[[3, 5]] ** 2, 0.64 * study, rtol=1e-12)
        assert theta[4] == 0.0
        assert theta[6] ** 2 == pytest.approx(0.64 * batch, rel=1e-12)
    for rows in (mixed_rows(batch=False, slope=False), mixed_rows(study=False)):
        points = starting_points(scale(rows), fixed)
        assert points.shape == (3, 4)
        np.testing.assert_allclose(points[:, 3] ** 2, 0.64 * np.array(SHARES))
        np.testing.assert_allclose(
            np.exp(2 * points[:, 2]), 0.64 * (1 - np.array(SHARES)), rtol=1e-12
        )


def test_starts_leave_a_held_spread_and_take_known_ones_as_measure():
    fixed = np.array([0.3, -0.2, np.log(0.8)])
    held = starting_points(scale(mixed_rows(batch=False, slope=False), fixed_scale=1.0), fixed)
    np.testing.assert_array_equal(held[:, 2], fixed[2])
    np.testing.assert_allclose(held[:, 3] ** 2, 0.64 * np.array(SHARES))
    known = mixed_rows(batch=False, slope=False, known_variance=np.arange(1, 19) * 0.1)
    scaled = scale(known)
    points = starting_points(scaled, fixed)
    mean = scaled.design.added.mean()
    np.testing.assert_allclose(points[:, 3] ** 2, mean * np.array(SHARES))
    np.testing.assert_array_equal(points[:, 2], fixed[2])


def ends(values, arrived=True):
    count = len(values)
    theta = np.arange(2.0 * count).reshape(count, 2)
    return Minimum(
        theta,
        np.array(values, dtype=float),
        np.zeros((count, 2)),
        np.stack([np.eye(2) * (k + 1) for k in range(count)]),
        np.full(count, arrived),
    )


def test_the_lowest_finite_end_is_the_best():
    assert _best_of(ends([3.0, NAN, 1.0, -INF, 2.0])).tolist() == [4.0, 5.0]
    nodes = np.array([[3]])
    fitted = _as_fitted(ends([3.5], False), nodes, np.array([1]))
    assert fitted.theta.tolist() == [0.0, 0.0] and fitted.value == 3.5
    assert fitted.zero.tolist() == [1] and fitted.nodes is nodes and not fitted.arrived
    np.testing.assert_array_equal(fitted.hessian, np.eye(2))
    assert fitted.light is None and fitted.quadrature_error == 0.0


JUST = 1e-6


def candidates(scaled, theta):
    return [(zero.tolist(), start) for zero, start in _zero_candidates(scaled, theta)]


def test_small_parts_are_candidates_for_zero():
    small = 0.02 * 0.5
    scaled = scale(mixed_rows(batch=True, slope=True), correlated=False)
    base = [0.3, -0.2, np.log(0.5)]
    low, high = small * (1 - JUST), small * (1 + JUST)
    assert candidates(scaled, np.array([*base, high, -high, high])) == []
    got = candidates(scaled, np.array([*base, -low, high, high]))
    assert [zero for zero, _ in got] == [[3]]
    assert got[0][1].tolist() == [*base, 0.0, high, high]
    got = candidates(scaled, np.array([*base, low, -low, -low]))
    assert [zero for zero, _ in got] == [[3, 4, 5], [3, 4], [5]]
    assert got[0][1].tolist() == [*base, 0.0, 0.0, 0.0]
    assert got[1][1].tolist() == [*base, 0.0, 0.0, -low]
    assert got[2][1].tolist() == [*base, low, -low, 0.0]


@pytest.mark.parametrize("rank", [0, 1, 2])
def test_a_thin_covariance_is_turned_to_lower_rank(rank):
    scaled = scale(mixed_rows(batch=False, slope=True))
    base = [0.3, -0.2, np.log(0.5)]
    wide = np.array([0.6, 0.8])
    across = np.array([-0.8, 0.6])
    size = [(0.004, 0.002), (0.9, 0.004), (0.9, 0.3)][rank]
    covariance = size[0] ** 2 * np.outer(wide, wide) + size[1] ** 2 * np.outer(across, across)
    factor = np.linalg.cholesky(covariance)
    theta = np.array([*base, factor[0, 0], factor[1, 0], factor[1, 1]])
    got = candidates(scaled, theta)
    if rank == 2:
        assert got == []
        return
    ((zero, start),) = got
    assert zero == ([5] if rank else [3, 4, 5])
    assert start[:3].tolist() == base
    lower = np.array([[start[3], 0.0], [start[4], start[5]]])
    kept = size[0] ** 2 * np.outer(wide, wide) if rank else np.zeros((2, 2))
    np.testing.assert_allclose(lower @ lower.T, kept, atol=1e-10)


def test_a_single_part_and_known_variances():
    scaled = scale(mixed_rows(batch=False, slope=False))
    base = [0.3, -0.2, 0.0]
    assert candidates(scaled, np.array([*base, 0.02])) == []
    got = candidates(scaled, np.array([*base, -0.02 * (1 - JUST)]))
    assert [zero for zero, _ in got] == [[3]] and got[0][1].tolist() == [*base, 0.0]
    known = scale(mixed_rows(batch=False, slope=False, known_variance=np.full(18, 0.4)))
    limit = 0.02 * np.sqrt(known.design.added[0])
    assert candidates(known, np.array([*base, limit * (1 + JUST)])) == []
    assert len(candidates(known, np.array([*base, limit * (1 - JUST)]))) == 1


def one_way(between, seed=0, groups=6, each=5):
    """Balanced groups with exactly these mean squares between and within."""
    rng = np.random.default_rng(seed)
    inner = rng.normal(size=(groups, each))
    inner -= inner.mean(axis=1, keepdims=True)
    inner *= np.sqrt(groups * (each - 1) / (inner**2).sum())
    outer = rng.normal(size=groups)
    outer -= outer.mean()
    outer *= np.sqrt(between * groups / each / (outer**2).sum())
    return (outer[:, None] + inner).ravel(), np.repeat(np.arange(groups), each)


@pytest.mark.parametrize("between", [5.0, 1.3, 0.7])
def test_balanced_groups_have_their_variances_in_closed_form(between):
    # Full likelihood: within 1, between (B - 1) / m with B over all groups, or zero.
    y, study = one_way(between)
    scaled = scale(make(y, y, None, study))
    fixed, _ = fit_fixed_parts(scaled)
    got = fit_all_parts(scaled, fixed, accuracy=1e-8)
    assert got.arrived
    sd = abs(got.theta[2] * scaled.unit * scaled.varying_back[0, 0])
    if between > 1.0:
        assert sd == pytest.approx(np.sqrt((between - 1.0) / 5), rel=1e-5)
        assert np.exp(got.theta[1]) * scaled.unit == pytest.approx(1.0, rel=1e-6)
        assert got.zero.tolist() == []
        value = 24 * np.log(1.0) + 6 * np.log(between) + 30 * (np.log(2 * np.pi) + 1.0)
        assert 2 * got.value + scaled.shift == pytest.approx(value, rel=1e-9)
    else:
        assert sd == 0.0 and got.zero.tolist() == [2]
        assert got.value == pytest.approx(fixed.value, rel=1e-10)
    # All seen: three nodes are exact, and no fewer are tried.
    assert (got.nodes == 3).all() and got.quadrature_error == 0.0 and got.light is None


def unseen_groups():
    rng = np.random.default_rng(12)
    study = np.repeat(np.arange(5), 8)
    y = 0.8 * rng.normal(size=5)[study] + 0.5 * rng.normal(size=40)
    low, high = np.floor(2 * y) / 2, np.floor(2 * y) / 2 + 0.5
    high[y > 0.8] = INF
    low[y > 0.8] = 0.8
    return scale(make(low, high, None, study))


def test_fewer_nodes_for_limits_are_near_the_fit():
    scaled = unseen_groups()
    fixed, _ = fit_fixed_parts(scaled)
    got = fit_all_parts(scaled, fixed, accuracy=1e-8)
    assert got.arrived and got.quadrature_error < 1e-6
    assert got.light is not None and (got.light <= got.nodes).all()
    light = lighter_fit(scaled, got, 2)
    assert light.arrived
    np.testing.assert_allclose(light.theta, got.theta, atol=1e-2)
    got.light = got.nodes.copy()
    assert lighter_fit(scaled, got, 2) is got
    got.light = np.maximum(got.nodes // 3, 3)
    if 2 * got.light.sum() <= got.nodes.sum():
        np.testing.assert_array_equal(lighter_fit(scaled, got, 2).nodes, got.light)
    got.light = None
    assert lighter_fit(scaled, got, 2) is got


def test_many_copies_get_the_fewest_nodes():
    scaled = unseen_groups()
    fixed, _ = fit_fixed_parts(scaled)
    got = fit_all_parts(scaled, fixed, accuracy=1e-8)
    few = lighter_fit(scaled, got, 10**6)
    assert (few.nodes == 3).all() and few.arrived


def test_a_search_that_never_arrives_is_given_back_as_such(monkeypatch):
    scaled = unseen_groups()
    fixed, _ = fit_fixed_parts(scaled)
    real, calls = unseen_fit.minimise, []

    def never(problem, start, basis, **options):
        calls.append(len(start))
        found = real(problem, start, basis, **options)
        return found._replace(arrived=np.zeros(len(start), dtype=bool))

    monkeypatch.setattr(unseen_fit, "minimise", never)
    got = fit_all_parts(scaled, fixed, accuracy=1e-8)
    assert isinstance(got, Fitted) and not got.arrived
    # The two best starts first, all three when nothing else helped.
    assert calls[0] == 2 and calls[-1] == 3


def test_a_search_that_stuck_is_begun_anew_from_everywhere(monkeypatch):
    scaled = unseen_groups()
    fixed, _ = fit_fixed_parts(scaled)
    want = fit_all_parts(scaled, fixed, accuracy=1e-8)
    real, seen = unseen_fit.minimise, []

    def stuck(problem, start, basis, **options):
        found = real(problem, start, basis, **options)
        if len(start) == 3:
            seen.append(True)
        if not seen:
            found = found._replace(arrived=np.zeros(len(start), dtype=bool))
        return found

    monkeypatch.setattr(unseen_fit, "minimise", stuck)
    got = fit_all_parts(scaled, fixed, accuracy=1e-8)
    assert seen and got.arrived
    assert got.value == pytest.approx(want.value, rel=1e-8)
    np.testing.assert_allclose(np.abs(got.theta), np.abs(want.theta), atol=1e-4)
    assert got.light is not None and got.quadrature_error < 1e-6


def test_the_best_starts_are_followed(monkeypatch):
    scaled = unseen_groups()
    fixed, _ = fit_fixed_parts(scaled)
    points = starting_points(scaled, fixed.theta)
    design = scaled.design
    rough = np.full((5, 1), 3)
    values = evaluate(design, scaled.times, points, rough, no_modes(design, 3)).value
    real, begun = unseen_fit.minimise, []

    def watched(problem, start, basis, **options):
        begun.append((start.copy(), options, problem.nodes))
        return real(problem, start, basis, **options)

    monkeypatch.setattr(unseen_fit, "minimise", watched)
    want = fit_all_parts(scaled, fixed, accuracy=1e-8)
    np.testing.assert_array_equal(begun[0][0], points[np.argsort(values)[:2]])
    np.testing.assert_array_equal(begun[0][2], rough)
    begun.clear()
    # A large problem follows the best start alone, to the same end.
    monkeypatch.setattr(unseen_fit, "CHUNK", 3 * len(design.x) - 1)
    got = fit_all_parts(scaled, fixed, accuracy=1e-8)
    np.testing.assert_array_equal(begun[0][0], points[np.argsort(values)[:1]])
    np.testing.assert_allclose(got.theta, want.theta, atol=1e-6)
    begun.clear()
    monkeypatch.setattr(unseen_fit, "CHUNK", 3 * len(design.x))
    fit_all_parts(scaled, fixed, accuracy=1e-8)
    assert len(begun[0][0]) == 2


@pytest.mark.parametrize("between", [5.0, 1.3, 0.7])
def test_zero_is_refused_where_the_criterion_is_higher(between, monkeypatch):
    y, study = one_way(between)
    scaled = scale(make(y, y, None, study))
    fixed, _ = fit_fixed_parts(scaled)
    want = fit_all_parts(scaled, fixed, accuracy=1e-8)
    # Every part is tried at zero now, whatever its size.
    monkeypatch.setattr(unseen_fit, "NEARLY_ZERO", 100.0)
    got = fit_all_parts(scaled, fixed, accuracy=1e-8)
    assert got.zero.tolist() == want.zero.tolist() == ([] if between > 1.0 else [2])
    np.testing.assert_allclose(got.theta, want.theta, atol=1e-8)


def test_zero_is_refused_where_the_part_wants_to_grow(monkeypatch):
    y, study = one_way(1.3)
    scaled = scale(make(y, y, None, study))
    fixed, _ = fit_fixed_parts(scaled)
    monkeypatch.setattr(unseen_fit, "NEARLY_ZERO", 100.0)
    # Even if every criterion counts as equal: at zero the curvature is downward.
    monkeypatch.setattr(unseen_fit, "EQUAL_CRITERION", 1e6)
    assert fit_all_parts(scaled, fixed, accuracy=1e-8).zero.tolist() == []
    y, study = one_way(0.9)
    scaled = scale(make(y, y, None, study))
    fixed, _ = fit_fixed_parts(scaled)
    assert fit_all_parts(scaled, fixed, accuracy=1e-8).zero.tolist() == [2]


def test_work_for_limits_is_bounded_by_rows_and_copies(monkeypatch):
    scaled = unseen_groups()
    fixed, _ = fit_fixed_parts(scaled)
    got = fit_all_parts(scaled, fixed, accuracy=1e-8)
    got.light = np.array([[5], [6], [5], [5], [7]])
    got.nodes = np.full((5, 1), 30)
    work = int(scaled.design.rows_in_study @ got.light[:, 0])
    rows, copies, asked = len(scaled.design.x), 4, []
    real = unseen_fit.enough_nodes

    def watched(scaled, theta, nodes, accuracy, *, most):
        asked.append((nodes.copy(), accuracy, most))
        return real(scaled, theta, nodes, accuracy, most=most)

    monkeypatch.setattr(unseen_fit, "enough_nodes", watched)
    monkeypatch.setattr(unseen_fit, "LIGHT_FOR_A_ROW", 2)
    monkeypatch.setattr(unseen_fit, "LIGHT_ELEMENTS", work * copies - 2 * rows)
    np.testing.assert_array_equal(lighter_fit(scaled, got, copies).nodes, got.light)
    assert asked == []
    monkeypatch.setattr(unseen_fit, "LIGHT_ELEMENTS", work * copies - 2 * rows - 1)
    few = lighter_fit(scaled, got, copies)
    ((nodes, accuracy, most),) = asked
    assert (nodes == 3).all() and accuracy == 0.0 and most == work - 0.25
    want = real(scaled, got.theta, np.full((5, 1), 3), 0.0, most=work - 0.25).nodes
    np.testing.assert_array_equal(few.nodes, want)
    # Where half the nodes or more would stay, nothing is won.
    monkeypatch.setattr(unseen_fit, "LIGHT_ELEMENTS", 10**9)
    total = int(scaled.design.rows_in_study.sum())
    got.nodes = np.full((5, 1), 10)
    got.light = np.full((5, 1), 5)
    assert 2 * 5 * total == 10 * total
    np.testing.assert_array_equal(lighter_fit(scaled, got, 1).nodes, got.light)
    got.light = np.array([[5], [5], [5], [5], [6]])
    assert lighter_fit(scaled, got, 1) is got


@pytest.mark.parametrize("correlated", [True, False])
def test_varying_columns_without_full_rank_stay_as_they_are(correlated):
    y = np.arange(4.0)
    column = np.array([2.0, 0.0, -1.0, 3.0])
    study = [1, 1, 2, 2]
    rows = make(y, y, None, study, varying=np.column_stack([np.zeros(4), column]))
    z, back = _standard_varying(rows, correlated)
    if correlated:
        np.testing.assert_array_equal(z, rows.z)
        np.testing.assert_array_equal(back, np.eye(2))
    else:
        # Each column by its own size, an empty one by one.
        size = np.sqrt(3.5)
        np.testing.assert_allclose(z, rows.z / [1.0, size], rtol=1e-12)
        np.testing.assert_allclose(back, np.diag([1.0, 1.0 / size]), rtol=1e-12)


def test_more_varying_columns_than_rows_stay_as_they_are():
    y = np.arange(2.0)
    rows = make(y, y, None, [1, 2], varying=np.array([[1.0, 2.0, 0.5], [0.3, -1.0, 4.0]]))
    z, back = _standard_varying(rows, True)
    np.testing.assert_array_equal(z, rows.z)
    np.testing.assert_array_equal(back, np.eye(3))


def test_a_design_without_varying_columns_has_none():
    rows = make(np.arange(3.0), np.arange(3.0))
    z, back = _standard_varying(rows, True)
    assert z.shape == (3, 0) and back.shape == (0, 0)
