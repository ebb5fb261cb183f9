"""The integrated likelihood against dense sums over all random parts, written out plainly."""

import numpy as np
import pytest
from unit.random_parts_dense import CASES, CLOSE, NODES, H, build, dense

from metafreeze.models import marginal_likelihood
from metafreeze.models.grouped_rows import Design, Times
from metafreeze.models.marginal_likelihood import evaluate
from metafreeze.models.study_peaks import no_modes


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
