"""The integrated likelihood against dense sums over all random parts, written out plainly."""

import itertools
from dataclasses import dataclass

import numpy as np
import pytest
from scipy import special

from metafreeze.models import censored_likelihood as rows_of
from metafreeze.models import marginal_likelihood
from metafreeze.models.grouped_rows import Design, Times, unpack_theta
from metafreeze.models.marginal_likelihood import evaluate
from metafreeze.models.study_peaks import RowTerms, find_peak, no_modes, random_part

INF = np.inf
# The trapezoidal sum over a normal density with this step is exact to far below rounding as
# long as what a study tells leaves its effect a spread of half or more.
STEP = 0.3
GRID = np.arange(-7.5, 7.5 + STEP / 2, STEP)
# Adaptive sums of so many nodes against it.
NODES = {0: 1, 1: 24, 2: 14, 3: 10}
CLOSE = {0: 1e-11, 1: 1e-8, 2: 1e-6, 3: 1e-5}
H = 1e-4


@dataclass
class Case:
    """One shape of the model."""

    q: int
    batch: bool
    family: str = "log-normal"
    correlated: bool = True
    spreads: str = "plain"
    over: bool = False
    replicates: int = 2
    own_times: bool = False


CASES = {
    "nothing": Case(0, False),
    "nothing, Weibull": Case(0, False, "weibull", over=True),
    "study": Case(1, False, over=True),
    "study, Weibull": Case(1, False, "weibull"),
    "study, added variance": Case(1, False, spreads="mixed"),
    "study, own times": Case(1, False, own_times=True),
    "batch": Case(0, True, spreads="mixed"),
    "batch, Weibull": Case(0, True, "weibull", own_times=True),
    "slope": Case(2, False),
    "slope apart": Case(2, False, correlated=False, over=True),
    "study and batch": Case(1, True, replicates=1),
    "study and batch, Weibull": Case(1, True, "weibull", over=True, replicates=1),
    "slope and batch": Case(2, True, replicates=1, spreads="mixed"),
}


def build(case, seed=0):
    """Three studies, two batches each, every kind of row in turn."""
    rng = np.random.default_rng(seed)
    sizes = [2, 3, 2, 2, 3, 1]
    n = sum(sizes)
    batch_start = np.concatenate([[0], np.cumsum(sizes)])
    if not case.batch:
        batch_start = batch_start[[0, 2, 4, 6]]
    study_start = np.arange(0, 7, 2) if case.batch else np.arange(4)
    x = np.column_stack([np.ones(n), rng.normal(size=n)])
    z = np.column_stack([np.ones(n), rng.normal(size=n)])[:, : case.q]
    member = np.ones(n) if case.batch else np.zeros(0)
    if case.batch:
        member[[1, 6]] = 0.0
    mixed = case.spreads == "mixed"
    share, added = np.ones(n), np.zeros(n)
    if mixed:
        share[::3], added[::3] = 0.0, 1.3
        share[1::3], added[1::3] = 0.5, 0.2
    design = Design(
        family=case.family,
        x=x,
        z=z,
        pairs=[(k, m) for k in range(case.q) for m in range(k + 1) if case.correlated or k == m],
        member=member,
        batch_start=batch_start,
        study_start=study_start,
        share=share,
        added=added,
        beyond=np.zeros(n),
        times_over=rng.integers(1, 3, n).astype(float) if case.over else np.ones(n),
    )
    columns = case.replicates if case.own_times else 1
    low = rng.normal(size=(n, columns))
    high = low.copy()
    for i, j in itertools.product(range(n), range(columns)):
        turn = (i + 2 * j) % 4
        if turn == 1:
            high[i, j] = low[i, j] + rng.uniform(0.2, 1.5)
        elif turn == 2:
            high[i, j] = INF
        elif turn == 3:
            low[i, j] = -INF
    times = Times(low, high, rows_of.classify_rows(low, high), np.zeros(columns))
    theta = 0.3 * rng.normal(size=(case.replicates, design.parameter_count))
    theta[:, 2] = rng.uniform(0.1, 0.4, case.replicates)
    theta[:, 3:] += 0.6
    return design, times, theta


def log_row(family, low, high, eta, s):
    a, b = (low - eta) / s, (high - eta) / s
    if family == "log-normal":
        if low == high:
            return -0.5 * a * a - np.log(s * np.sqrt(2 * np.pi))
        return np.log(special.ndtr(b) - special.ndtr(a))
    if low == high:
        return a - np.exp(a) - np.log(s)
    return np.log(np.exp(-np.exp(a)) - (0.0 if np.isinf(high) else np.exp(-np.exp(b))))


@np.errstate(divide="ignore")
def dense(design, times, theta, r):
    """Minus log likelihood of each study of replicate r by sums over the whole grid."""
    p, q = design.x.shape[1], design.z.shape[1]
    beta, sigma = theta[r, :p], np.exp(theta[r, p])
    factor = np.zeros((q, q))
    for i, (k, m) in enumerate(design.pairs):
        factor[k, m] = theta[r, p + 1 + i]
    omega = theta[r, -1]
    grids = np.stack(np.meshgrid(*[GRID] * q), axis=-1).reshape(-1, q) if q else np.zeros((1, 0))
    weight = np.exp(-0.5 * (grids**2).sum(axis=1)) * (STEP / np.sqrt(2 * np.pi)) ** q
    inner = GRID if design.member.size else np.zeros(1)
    weight_b = np.exp(-0.5 * inner**2) * STEP / np.sqrt(2 * np.pi)
    if not design.member.size:
        weight_b = np.ones(1)
    column = r if times.kind.shape[1] > 1 else 0
    out = []
    for s in range(len(design.study_start) - 1):
        product = np.ones(len(grids))
        for j in range(design.study_start[s], design.study_start[s + 1]):
            total = np.zeros((len(grids), len(inner)))
            for i in range(design.batch_start[j], design.batch_start[j + 1]):
                eta = design.x[i] @ beta + grids @ factor.T @ design.z[i]
                if design.member.size:
                    eta = eta[:, None] + omega * design.member[i] * inner
                else:
                    eta = eta[:, None]
                spread = np.sqrt(design.share[i] * sigma**2 + design.added[i])
                low, high = times.lower[i, column], times.upper[i, column]
                one = log_row(design.family, low, high, eta, spread)
                total = total + design.times_over[i] * one
            product = product * (np.exp(total) @ weight_b)
        out.append(-np.log(product @ weight))
    return np.array(out)


def run(design, times, theta, count=None, derivatives=True):
    size = design.dimensions
    nodes = np.full((len(design.study_start) - 1, size), count or NODES[size])
    start = no_modes(design, len(theta))
    return evaluate(design, times, theta, nodes, start, derivatives=derivatives)


@pytest.fixture(params=list(CASES), scope="module")
def problem(request):
    return build(CASES[request.param])


@pytest.fixture(params=[name for name in CASES if not name.startswith("nothing")], scope="module")
def integrated(request):
    return build(CASES[request.param])


def test_the_value_is_the_dense_sum_study_by_study(problem):
    design, times, theta = problem
    got = run(design, times, theta)
    assert got.by_study.shape == (3, len(theta))
    for r in range(len(theta)):
        want = dense(design, times, theta, r)
        np.testing.assert_allclose(got.by_study[:, r], want, rtol=CLOSE[design.dimensions])
    np.testing.assert_allclose(got.value, got.by_study.sum(axis=0), rtol=1e-13)


def test_slopes_and_bends_are_differences_of_the_value(problem):
    design, times, theta = problem
    got = run(design, times, theta)
    close = 10.0 * CLOSE[design.dimensions] + 1e-7
    for t in range(design.parameter_count):
        up, down = theta.copy(), theta.copy()
        up[:, t] += H
        down[:, t] -= H
        above, below = run(design, times, up), run(design, times, down)
        np.testing.assert_allclose(
            got.gradient[:, t], (above.value - below.value) / (2 * H), atol=close, rtol=close
        )
        np.testing.assert_allclose(
            got.hessian[:, t],
            (above.gradient - below.gradient) / (2 * H),
            atol=10 * close,
            rtol=10 * close,
        )
    np.testing.assert_allclose(got.hessian, np.swapaxes(got.hessian, 1, 2), rtol=0, atol=1e-9)


def test_without_derivatives_the_value_is_the_same_and_nothing_else_is_made(problem):
    design, times, theta = problem
    whole, bare = run(design, times, theta), run(design, times, theta, derivatives=False)
    np.testing.assert_array_equal(whole.value, bare.value)
    np.testing.assert_array_equal(whole.by_study, bare.by_study)
    assert bare.gradient.shape == (len(theta), 0)
    assert bare.hessian.shape == (len(theta), 0, 0)


def test_small_pieces_and_uneven_nodes_give_the_same(integrated, monkeypatch):
    design, times, theta = integrated
    base = NODES[design.dimensions]
    nodes = np.full((len(design.study_start) - 1, design.dimensions), base)
    nodes[1] += 1
    whole = run(design, times, theta)
    for size in (1, 40 * base):
        monkeypatch.setattr(marginal_likelihood, "CHUNK", size)
        got = evaluate(design, times, theta, nodes, no_modes(design, len(theta)))
        close = 20.0 * CLOSE[design.dimensions]
        for name in ("value", "by_study", "gradient", "hessian"):
            a, b = getattr(got, name), getattr(whole, name)
            np.testing.assert_allclose(a, b, rtol=close, atol=10 * close, err_msg=name)
        np.testing.assert_allclose(got.modes.z, whole.modes.z, atol=1e-5)
        np.testing.assert_allclose(got.modes.v, whole.modes.v, atol=1e-5)


def height(design, times, theta, r, s, u):
    """Log integrand of study s at u = (z, its batches' v)."""
    p, q = design.x.shape[1], design.z.shape[1]
    sigma, factor, omega = unpack_theta(design, theta[r : r + 1])
    column = r if times.kind.shape[1] > 1 else 0
    first = design.study_start[s]
    total = -0.5 * float(u @ u)
    for j in range(first, design.study_start[s + 1]):
        for i in range(design.batch_start[j], design.batch_start[j + 1]):
            eta = design.x[i] @ theta[r, :p] + design.z[i] @ factor[0] @ u[:q]
            if design.member.size:
                eta = eta + omega[0] * design.member[i] * u[q + j - first]
            spread = np.sqrt(design.share[i] * sigma[0] ** 2 + design.added[i])
            low, high = times.lower[i, column], times.upper[i, column]
            total += design.times_over[i] * log_row(design.family, low, high, eta, spread)
    return float(total)


def bends(f, u):
    n, h = len(u), 1e-3
    out = np.empty((n, n))
    for i, j in itertools.product(range(n), repeat=2):
        a, b = np.eye(n)[i] * h, np.eye(n)[j] * h
        out[i, j] = (f(u + a + b) - f(u + a - b) - f(u - a + b) + f(u - a - b)) / (4 * h * h)
    return out


@pytest.mark.parametrize("start", [0.0, 6.0, -9.0])
def test_the_peak_is_where_the_integrand_is_level_and_has_its_shape(integrated, start):
    design, times, theta = integrated
    p, q = design.x.shape[1], design.z.shape[1]
    sigma, factor, omega = unpack_theta(design, theta)
    modes = no_modes(design, len(theta))
    modes.z[:] = start
    modes.v[:] = -start
    base = design.x @ theta[:, :p].T
    peak = find_peak(design, RowTerms(design, times, sigma), base, factor, omega, modes)
    for r, s in itertools.product(range(len(theta)), range(len(design.study_start) - 1)):
        mine = slice(design.study_start[s], design.study_start[s + 1])
        u = np.concatenate([peak.z[s, r], peak.v[mine, r] if design.member.size else []])

        def f(u, r=r, s=s):
            return height(design, times, theta, r, s, u)

        slope = [(f(u + d) - f(u - d)) / 2e-4 for d in 1e-4 * np.eye(len(u))]
        np.testing.assert_allclose(slope, 0.0, atol=1e-5)
        # The shape is that of one step before, a few ten-thousandths of a spread away.
        bend = -bends(f, u)
        zz, vv, vz = bend[:q, :q], np.diag(bend[q:, q:]), bend[q:, :q]
        if design.member.size:
            np.testing.assert_allclose(peak.width[mine, r], vv**-0.5, rtol=1e-3)
            np.testing.assert_allclose(peak.pull[mine, r], vz / vv[:, None], rtol=2e-3, atol=1e-3)
            zz = zz - vz.T @ (vz / vv[:, None])
        root = peak.root[s, r]
        np.testing.assert_allclose(root @ root.T, np.linalg.inv(zz), rtol=3e-3, atol=3e-3)
        np.testing.assert_array_equal(root, np.triu(root))


@pytest.mark.parametrize("runs", [[3, 1, 4], [2, 5, 2]])
def test_a_summary_with_its_spread_is_its_runs(runs):
    rng = np.random.default_rng(len(runs) + runs[0])
    y = [rng.normal(size=m) for m in runs]
    n, m = sum(runs), np.array(runs, dtype=float)
    shared = {"family": "log-normal", "pairs": [(0, 0)], "member": np.zeros(0)}
    single = Design(
        **shared,
        x=np.ones((n, 1)),
        z=np.ones((n, 1)),
        batch_start=np.concatenate([[0], np.cumsum(runs)]),
        study_start=np.arange(4),
        share=np.ones(n),
        added=np.zeros(n),
        beyond=np.zeros(n),
        times_over=np.ones(n),
    )
    summed = Design(
        **shared,
        x=np.ones((3, 1)),
        z=np.ones((3, 1)),
        batch_start=np.arange(4),
        study_start=np.arange(4),
        share=1.0 / m,
        added=np.zeros(3),
        beyond=m - 1.0,
        times_over=np.ones(3),
    )
    theta = np.array([[0.2, -0.1, 0.7], [-0.3, 0.4, 0.2]])
    all_y = np.concatenate(y)[:, None]
    means = np.array([part.mean() for part in y])[:, None]
    squares = np.array([sum(((part - part.mean()) ** 2).sum() for part in y)])
    a = run(single, Times(all_y, all_y, np.zeros((n, 1), int), np.zeros(1)), theta)
    b = run(summed, Times(means, means, np.zeros((3, 1), int), squares), theta)
    for name in ("value", "gradient", "hessian"):
        np.testing.assert_allclose(getattr(a, name), getattr(b, name), rtol=1e-9, err_msg=name)
    bare = run(summed, Times(means, means, np.zeros((3, 1), int), squares), theta, None, False)
    np.testing.assert_array_equal(bare.value, b.value)


def test_an_absurd_vector_gives_no_finite_value_and_leaves_the_others_alone():
    design, times, theta = build(CASES["slope"])
    alone = run(design, times, theta)
    both = np.vstack([theta, np.full((1, theta.shape[1]), np.nan)])
    got = run(design, times, both)
    np.testing.assert_allclose(got.value[:2], alone.value, rtol=1e-12)
    assert not np.isfinite(got.value[2])


def test_the_random_part_of_a_row_is_its_columns_times_its_effects(problem):
    design, _, theta = problem
    rng = np.random.default_rng(5)
    _, factor, omega = unpack_theta(design, theta)
    q, batches = design.z.shape[1], len(design.batch_start) - 1
    outer, inner = (3 if q else 1), (2 if design.member.size else 1)
    z = rng.normal(size=(len(design.study_start) - 1, len(theta), outer, q))
    v = rng.normal(size=(batches, len(theta), outer, inner))
    got = random_part(design, z, v, factor, omega)
    assert got.shape == (len(design.x), len(theta), outer * inner)
    for i, r, a, b in itertools.product(
        range(len(design.x)), range(len(theta)), range(outer), range(inner)
    ):
        j = int(np.searchsorted(design.batch_start, i, side="right")) - 1
        s = int(np.searchsorted(design.study_start, j, side="right")) - 1
        want = design.z[i] @ factor[r] @ z[s, r, a] if q else 0.0
        if design.member.size:
            want += omega[r] * design.member[i] * v[j, r, a, b]
        assert got[i, r, a * inner + b] == pytest.approx(want, rel=1e-12, abs=1e-14)
