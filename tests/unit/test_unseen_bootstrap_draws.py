"""Simulated times: their law, how they are looked at, and what is made of their ratios."""

import numpy as np
import pytest
from scipy import stats

import metafreeze as mf
from metafreeze.models import censored_likelihood as rows_of
from metafreeze.models import unseen_bootstrap
from metafreeze.models.unseen_bootstrap import (
    BootstrapCutOff,
    Watch,
    bootstrap_cut_off,
    check_looks,
    draw_times,
    likelihood_ratios,
    plan_watch,
    simulate,
    watch_times,
)
from metafreeze.models.unseen_fit import Fitted, fit_all_parts, fit_fixed_parts, standardise
from metafreeze.models.unseen_input import check_unseen_rows

INF, NAN = np.inf, np.nan
GIVEN = dict.fromkeys(
    (
        *("varying", "batch", "known_variance", "added_variance", "count", "spread", "offset"),
        *("names", "varying_names"),
    )
)


def make(low, high, x=None, study=None, *, log_times=False, **options):
    x = np.ones((len(low), 1)) if x is None else x
    return check_unseen_rows(low, high, x, study, log_times=log_times, **{**GIVEN, **options})


def scale(rows, family="log-normal", **options):
    options = {"correlated": True, "fixed_scale": None, **options}
    return standardise(rows, family=family, **options)


def grouped(batch=True, **options):
    rng = np.random.default_rng(4)
    n = 9
    y = rng.normal(size=n)
    x = np.column_stack([np.ones(n), rng.normal(size=n)])
    study = [1, 1, 1, 1, 2, 2, 2, 3, 3]
    labels = ["a", "a", "b", None, "a", "a", "b", "a", "b"]
    options = {"batch": labels, **options} if batch else options
    return make(y, y, x, study, log_times=True, varying=x, **options)


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("batch", [True, False])
def test_draws_have_the_mean_and_covariance_of_the_model(batch, seed):
    added = [0.0, 0.4, 0.0, 0.1, 0.0, 0.0, 0.9, 0.2, 0.0]
    known = [NAN, NAN, 0.7, NAN, NAN, NAN, NAN, NAN, 0.3]
    design = scale(grouped(batch, added_variance=added, known_variance=known)).row_design
    theta = np.array([0.4, -0.6, np.log(0.5), 0.8, -0.3, 0.5, *([0.9] if batch else [])])
    count = 40_000
    y, squares = draw_times(design, theta, np.random.default_rng(seed), count)
    assert y.shape == (9, count) and squares.tolist() == [0.0] * count
    factor = np.array([[0.8, 0.0], [-0.3, 0.5]])
    one = design.study_of_row[:, None] == design.study_of_row
    want = design.z @ factor @ factor.T @ design.z.T * one
    if batch:
        member = design.member[:, None] * design.member
        want = want + 0.81 * member * (design.batch_of_row[:, None] == design.batch_of_row)
    want = want + np.diag(0.25 * design.share + design.added)
    mean = design.x @ theta[:2]
    # Five standard errors of each mean and each element of a covariance.
    error = np.sqrt(np.diag(want) / count)
    assert (np.abs(y.mean(axis=1) - mean) < 5 * error).all()
    spread = np.sqrt((np.outer(np.diag(want), np.diag(want)) + want**2) / count)
    assert (np.abs(np.cov(y) - want) < 5 * spread).all()


def test_weibull_draws_follow_the_smallest_extreme_value_law():
    rows = make([1.0, 2.0, 5.0], [1.0, 2.0, 5.0])
    design = scale(rows, "weibull").row_design
    y, _ = draw_times(design, np.array([0.7, np.log(0.3)]), np.random.default_rng(0), 4000)
    w = (y.ravel() - design.x[0, 0] * 0.7) / 0.3
    assert stats.kstest(w, stats.gumbel_l.cdf).pvalue > 1e-3


def test_summaries_are_drawn_as_chi_squares():
    y = np.array([0.1, 0.3, 0.2])
    rows = make(y, y, log_times=True, count=[1, 4, 6], spread=[NAN, 0.2, 0.3])
    design = scale(rows).row_design
    theta = np.array([0.0, np.log(0.5)])
    means, squares = draw_times(design, theta, np.random.default_rng(5), 30_000)
    # 3 + 5 degrees of freedom in all.
    assert stats.kstest(squares / 0.25, stats.chi2(8).cdf).pvalue > 1e-3
    by = np.argsort(rows.source)
    want = 0.25 / np.array([1.0, 4.0, 6.0])
    np.testing.assert_allclose(means.var(axis=1)[by], want, rtol=5 * np.sqrt(2 / 30_000))


def look(time, first, every, until):
    """Write down what an observer sees, by walking from look to look."""
    if every == 0.0:
        return (until, INF) if time > until else (time, time)
    looks = [first + k * every for k in range(-200, 400)]
    seen = [t for t in looks if t <= until]
    after = [t for t in seen if t >= time]
    before = [t for t in looks if t < time and t <= until]
    low = max(before[-1], 0.0) if before else 0.0
    if after:
        return low, after[0]
    if not seen or seen[-1] <= 0.0:
        return min(low, until), INF
    return low, INF


@pytest.mark.parametrize("seed", range(3))
def test_looks_are_those_of_a_plain_walk(seed):
    rng = np.random.default_rng(seed)
    n, draws = 12, 30
    # Quarters are exact, so that looks fall upon times.
    every = rng.integers(0, 9, n) / 4.0
    first = rng.integers(0, 30, n) / 4.0
    until = np.where(rng.random(n) < 0.4, INF, rng.integers(20, 60, n) / 4.0)
    time = rng.integers(1, 80, (n, draws)) / 4.0
    low, high = watch_times(time, Watch(first=first, every=every, until=until))
    for i in range(n):
        for k in range(draws):
            want = look(time[i, k], first[i], every[i], until[i])
            assert (low[i, k], high[i, k]) == want, (time[i, k], first[i], every[i], until[i])


def test_simulated_data_sets_are_the_draws_as_they_were_looked_at():
    rows = make(
        [50, 60, 45, 60, 30],
        [60, 70, 45, INF, 30],
        np.column_stack([np.ones(5), np.arange(5.0)]),
        offset=[0.0, 0.3, 0.0, -0.2, 0.1],
    )
    scaled = scale(rows)
    theta = np.array([0.2, -0.1, np.log(0.8)])
    watch = plan_watch(rows, check_looks(None, None, 5))
    times = simulate(rows, watch, scaled, theta, np.random.default_rng(11), 50)
    y, squares = draw_times(scaled.row_design, theta, np.random.default_rng(11), 50)
    np.testing.assert_array_equal(times.squares, squares)
    back = (rows.x @ scaled.start + rows.offset)[:, None]
    low, high = watch_times(np.exp(back + scaled.unit * y), watch)
    seen = low == high
    assert seen.any() and not seen.all()
    np.testing.assert_array_equal(times.lower[seen], y[seen])
    np.testing.assert_array_equal(times.upper[seen], y[seen])
    with np.errstate(divide="ignore"):
        again = np.exp(back + scaled.unit * times.lower), np.exp(back + scaled.unit * times.upper)
    np.testing.assert_allclose(again[0], low, rtol=1e-10)
    np.testing.assert_allclose(again[1], high, rtol=1e-10)
    np.testing.assert_array_equal(times.kind == rows_of.EXACT, seen)
    np.testing.assert_array_equal(times.kind == rows_of.RIGHT, np.isinf(high))
    assert ((times.lower <= y + 1e-9) & (y <= times.upper + 1e-9)).all()


def plan(low, high, study=None, looks=None, **options):
    rows = make(low, high, np.arange(float(len(low))), study, **options)
    made = plan_watch(rows, looks or check_looks(None, None, len(low)))
    by = np.argsort(rows.source)
    return made.first[by], made.every[by], made.until[by]


def test_each_study_is_given_up_by_itself():
    first, every, until = plan(
        [10, 20, 30, 40, 10, 30, 0], [14, 20, INF, 46, 16, 30, 5], [1, 1, 1, 1, 2, 2, 2]
    )
    # The row never seen is looked at as often as the middle of its study's windows, 4 and 6.
    np.testing.assert_allclose(every, [4, 0, 5, 6, 6, 0, 5])
    np.testing.assert_allclose(first, [10, 0, 30, 40, 10, 0, 0])
    # Study 1 has a look at 46, after the row that was given up; study 2 gave none up.
    np.testing.assert_allclose(until, [46, 46, 30, 46, INF, INF, INF])


def test_rows_outside_batches_belong_to_their_study():
    _, every, until = plan(
        [10, 20, 30, 40, 50],
        [13, 27, INF, INF, 50],
        [1, 1, 1, 1, 2],
        batch=["a", None, "a", None, "b"],
    )
    np.testing.assert_allclose(every, [3, 7, 3, 7, 0])
    np.testing.assert_allclose(until, [30, 40, 30, 40, INF])


def test_alone_a_row_never_seen_is_watched_always():
    _, every, until = plan([30, 20], [INF, 20])
    assert every.tolist() == [0.0, 0.0]
    np.testing.assert_allclose(until, [30, 30])


def test_the_offset_is_put_back_before_looking():
    _, every, until = plan([10, 20], [14, INF], offset=[0.5, -0.7])
    np.testing.assert_allclose(every, [4, 4])
    np.testing.assert_allclose(until, [20, 20])


@pytest.mark.parametrize(
    ("every", "until", "message"),
    [
        (
            [1.0, -0.5, -2.0],
            None,
            "check_interval is -0.5 in row 2. Give zero or more, or NaN.",
        ),
        (None, [1.0], "watched_until has shape (1,); it needs one value for each of the 3 rows."),
    ],
)
def test_looks_are_refused_in_full(every, until, message):
    with pytest.raises(mf.InputError) as caught:
        check_looks(every, until, 3)
    assert str(caught.value) == message


def test_looks_are_taken_as_given():
    looks = check_looks([0, NAN, 2], None, 3)
    np.testing.assert_array_equal(looks.every, [0, NAN, 2])
    assert np.isnan(looks.until).all() and looks.until.shape == (3,)


def test_p_values_count_the_data_themselves():
    ratios = np.array([[0.5, 3.0], [1.0, 1.0], [2.0, 0.1]])
    ran = BootstrapCutOff(ratios=ratios, cut_off=np.zeros(2), used=3)
    # At or above 1: two of three and the data; at or above 4: the data alone.
    np.testing.assert_allclose(ran.p_value(np.array([1.0, 4.0])), [3 / 4, 1 / 4])
    np.testing.assert_allclose(ran.p_value(np.array([NAN, 0.0])), [NAN, 1.0])
    none = BootstrapCutOff(ratios=np.zeros((0, 2)), cut_off=np.zeros(2), used=0)
    assert np.isnan(none.p_value(np.ones(2))).all() and none.p_value(np.ones(2)).shape == (2,)


def regression(n=12):
    rng = np.random.default_rng(8)
    x = np.column_stack([np.ones(n), rng.normal(size=n)])
    y = x @ [1.0, 0.4] + 0.3 * rng.normal(size=n)
    rows = make(y, y, x, log_times=True)
    scaled = scale(rows)
    fixed, _ = fit_fixed_parts(scaled)
    return x, rows, scaled, fit_all_parts(scaled, fixed, accuracy=1e-8)


def test_ratios_of_a_regression_are_those_of_residual_squares():
    x, rows, scaled, fitted = regression()
    n = len(x)
    functions = np.array([[0.0, 1.0], [1.0, 0.0], [1.0, -2.0]])
    watch = plan_watch(rows, check_looks(None, None, n))
    times = simulate(rows, watch, scaled, fitted.theta, np.random.default_rng(2), 6)
    got, good = likelihood_ratios(scaled, fitted, times, functions)
    assert good.tolist() == [True] * 6 and got.shape == (6, 3)
    beta = scaled.start + scaled.unit * scaled.back @ fitted.theta[:2]
    for r in range(6):
        y = rows.x @ scaled.start + scaled.unit * times.lower[:, r]
        here = np.linalg.lstsq(rows.x, y, rcond=None)[0]
        rss = ((y - rows.x @ here) ** 2).sum()
        gap = functions @ (here - beta)
        inverse = np.linalg.inv(rows.x.T @ rows.x)
        more = gap**2 / np.diag(functions @ inverse @ functions.T)
        # A search ends within 1e-7 of its minimum, in the criterion halved.
        np.testing.assert_allclose(got[r], n * np.log1p(more / rss), rtol=1e-6, atol=4e-7)


@pytest.mark.parametrize(("share", "kept"), [(1.01e-7, True), (0.99e-7, False), (-1.0, False)])
def test_fits_with_a_direction_left_open_are_not_counted(share, kept, monkeypatch):
    _, rows, scaled, fitted = regression()
    real = unseen_bootstrap.minimise

    def flat(problem, start, basis, **options):
        found = real(problem, start, basis, **options)
        # Of the coefficients; the spread's own curvature is no matter here.
        found.hessian[1] = np.diag([4.0, 4.0 * share, 1e-12])
        return found

    monkeypatch.setattr(unseen_bootstrap, "minimise", flat)
    times = simulate(
        rows,
        plan_watch(rows, check_looks(None, None, 12)),
        scaled,
        fitted.theta,
        np.random.default_rng(2),
        3,
    )
    _, good = likelihood_ratios(scaled, fitted, times, np.eye(2))
    assert good.tolist() == [True, kept, True]


@pytest.mark.parametrize("held", [False, True])
def test_fits_that_did_not_arrive_are_not_counted(held, monkeypatch):
    _, rows, scaled, fitted = regression()
    real, calls = unseen_bootstrap.minimise, []

    def lost(problem, start, basis, **options):
        found = real(problem, start, basis, **options)
        calls.append(1)
        if len(calls) == (3 if held else 1):
            found.arrived[0] = False
            found.value[0] = np.nan
        return found

    monkeypatch.setattr(unseen_bootstrap, "minimise", lost)
    watch = plan_watch(rows, check_looks(None, None, 12))
    times = simulate(rows, watch, scaled, fitted.theta, np.random.default_rng(2), 2)
    ratios, good = likelihood_ratios(scaled, fitted, times, np.eye(2))
    assert good.tolist() == [False, True]
    assert np.isfinite(ratios).all() and (ratios >= 0.0).all()


NODES = [
    (1, [[3], [60], [41]], [40]),
    (2, [[3, 17], [19, 3], [3, 3]], [18, 17]),
    (3, [[3, 5, 8], [12, 3, 3], [3, 3, 3]], [8, 5, 8]),
    (4, [[3, 3, 3, 8], [4, 3, 3, 3], [3, 3, 5, 3]], [4, 3, 5, 5]),
]


@pytest.mark.parametrize(("size", "given", "want"), NODES)
def test_simulated_data_get_the_most_nodes_of_any_study_within_bounds(
    size, given, want, monkeypatch
):
    rng = np.random.default_rng(3)
    varying = rng.normal(size=(9, min(size, 3)))
    batch = list("abcabcabc") if size == 4 else None
    y, study = rng.normal(size=9), np.repeat([1, 2, 3], 3)
    rows = make(
        y, y, None, study, log_times=True, varying=varying, **({"batch": batch} if batch else {})
    )
    scaled = scale(rows, correlated=False)
    count = scaled.design.parameter_count
    assert scaled.design.dimensions == size
    theta = np.full(count, 0.3)
    seen = []

    class Stop(Exception):
        pass

    def look_at(problem, start, basis, **options):
        seen.append((problem.nodes, start, basis))
        raise Stop

    monkeypatch.setattr(unseen_bootstrap, "minimise", look_at)
    fitted = Fitted(theta, 1.0, np.eye(count), nodes=np.array(given))
    watch = plan_watch(rows, check_looks(None, None, 9))
    times = simulate(rows, watch, scaled, theta, np.random.default_rng(0), 2)
    with pytest.raises(Stop):
        likelihood_ratios(scaled, fitted, times, np.eye(1))
    nodes, start, basis = seen[0]
    # The most of any study in each dimension, at most 40, 18, 8, 5 in one to four dimensions.
    assert nodes.tolist() == [want] * 3
    np.testing.assert_array_equal(start, [theta, theta])
    np.testing.assert_array_equal(basis, np.eye(count))


@pytest.mark.parametrize(
    ("draws", "level", "rank"),
    [(19, 0.95, 19), (19, 0.9, 18), (65, 0.5, 33), (18, 0.95, None), (1, 0.5, 1), (9, 0.1, 1)],
)
def test_a_cut_off_is_the_order_statistic_of_its_level(draws, level, rank, monkeypatch):
    _, rows, scaled, fitted = regression()
    sizes = []

    def made_up(scaled, fitted, times, functions):
        size = times.kind.shape[1]
        first = sum(sizes)
        sizes.append(size)
        ratios = np.arange(first, first + size, dtype=float)[::-1, None] * [1.0, 10.0]
        return ratios, np.ones(size, dtype=bool)

    monkeypatch.setattr(unseen_bootstrap, "likelihood_ratios", made_up)
    looks = check_looks(None, None, 12)
    got = bootstrap_cut_off(rows, looks, scaled, fitted, np.eye(2), level, seed=1, draws=draws)
    assert sizes == ([draws] if draws <= 64 else [64, draws - 64])
    assert got.used == draws and got.ratios.shape == (draws, 2)
    if rank is None:
        # 0.95 of 19 is the nineteenth of eighteen: there is none.
        assert np.isnan(got.cut_off).all() and got.cut_off.shape == (2,)
    else:
        np.testing.assert_array_equal(got.cut_off, [rank - 1.0, 10.0 * (rank - 1.0)])


def test_fits_that_are_not_finite_are_left_out(monkeypatch):
    _, rows, scaled, fitted = regression()

    def made_up(scaled, fitted, times, functions):
        size = times.kind.shape[1]
        return np.arange(float(size))[:, None], np.arange(size) % 2 == 0

    monkeypatch.setattr(unseen_bootstrap, "likelihood_ratios", made_up)
    looks = check_looks(None, None, 12)
    got = bootstrap_cut_off(rows, looks, scaled, fitted, np.eye(2)[:1], 0.5, seed=1, draws=10)
    assert got.used == 5 and got.ratios[:, 0].tolist() == [0, 2, 4, 6, 8]
    assert got.cut_off.tolist() == [4.0]
    monkeypatch.setattr(
        unseen_bootstrap,
        "likelihood_ratios",
        lambda s, f, t, c: (np.ones((t.kind.shape[1], 1)), np.zeros(t.kind.shape[1], dtype=bool)),
    )
    got = bootstrap_cut_off(rows, looks, scaled, fitted, np.eye(2)[:1], 0.5, seed=1, draws=3)
    assert got.used == 0 and np.isnan(got.cut_off).all()


def test_draws_hang_on_the_seed_and_not_on_their_number():
    _, rows, scaled, fitted = regression()
    looks = check_looks(None, None, 12)

    def run(seed, draws):
        return bootstrap_cut_off(
            rows, looks, scaled, fitted, np.eye(2)[1:], 0.9, seed=seed, draws=draws
        ).ratios

    few, many = run(5, 20), run(5, 70)
    np.testing.assert_allclose(few, many[:20], rtol=1e-6, atol=1e-9)
    assert abs(run(6, 20) - few).max() > 0.01
    # The blocks do not repeat each other.
    assert abs(many[64:] - many[:6]).max() > 0.01
