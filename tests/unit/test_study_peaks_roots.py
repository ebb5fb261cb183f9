"""The mode search against the integrand written out plainly, its pieces against matrices."""

import itertools

import numpy as np
import pytest
from unit.random_parts_dense import CASES, build, height

from metafreeze.models import censored_likelihood as rows_of
from metafreeze.models.grouped_rows import Design, Times, unpack_theta
from metafreeze.models.study_peaks import (
    RowTerms,
    _inverse_root,
    _times,
    find_peak,
    no_modes,
    random_part,
)


@pytest.fixture(params=list(CASES), scope="module")
def problem(request):
    return build(CASES[request.param])


@pytest.fixture(params=[name for name in CASES if not name.startswith("nothing")], scope="module")
def integrated(request):
    return build(CASES[request.param])


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
    check_peak(design, times, theta, start)


def check_peak(design, times, theta, start):
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


def steep(seed, batch):
    """Two studies of many Weibull times far from where their effects begin, one of few."""
    rng = np.random.default_rng(seed)
    sizes = [40, 40, 2, 2, 30, 30] if batch else [80, 4, 60]
    n = sum(sizes)
    low = rng.normal(size=(n, 1)) - np.repeat([6.0, 0.0, 9.0], [80, 4, 60])[:, None]
    design = Design(
        family="weibull",
        x=np.ones((n, 1)),
        z=np.ones((n, 1)),
        pairs=[(0, 0)],
        member=np.ones(n) if batch else np.zeros(0),
        batch_start=np.concatenate([[0], np.cumsum(sizes)]),
        study_start=np.arange(0, 7, 2) if batch else np.arange(4),
        share=np.ones(n),
        added=np.zeros(n),
        beyond=np.zeros(n),
        times_over=np.ones(n),
    )
    times = Times(low, low, np.full((n, 1), rows_of.EXACT), np.zeros(1))
    return design, times, np.array([[0.2, -0.5, 2.0, *([1.5] if batch else [])]])


@pytest.mark.parametrize("batch", [False, True])
@pytest.mark.parametrize("start", [0.0, 2.0])
def test_steps_that_overshoot_are_halved_study_by_study(batch, start):
    design, times, theta = steep(1, batch)
    halved = []
    theta = np.vstack([theta, theta + 0.1])

    class Watched(RowTerms):
        def __call__(self, eta):
            out = super().__call__(eta)
            halved.append(out.value.sum())
            return out

    sigma, factor, omega = unpack_theta(design, theta)
    modes = no_modes(design, 2)
    modes.z[:] = start
    with np.errstate(over="ignore", invalid="ignore"):
        find_peak(
            design, Watched(design, times, sigma), design.x @ theta[:, :1].T, factor, omega, modes
        )
        # The first step lands where the integrand is lower by far, and is taken back.
        assert halved[1] < halved[0]
        check_peak(design, times, theta, start)
    assert len(halved) < 40


@pytest.mark.parametrize("q", [1, 2, 3, 4])
def test_the_root_of_an_inverse(q):
    rng = np.random.default_rng(q)
    a = rng.normal(size=(5, 2, q, q + 2))
    matrix = a @ np.swapaxes(a, -1, -2)
    root = _inverse_root(matrix)
    np.testing.assert_allclose(root @ np.swapaxes(root, -1, -2), np.linalg.inv(matrix), rtol=1e-8)
    # It is the transpose of the inverse of the lower Cholesky factor, no other root.
    lower = np.linalg.inv(np.linalg.cholesky(matrix))
    np.testing.assert_allclose(root, np.swapaxes(lower, -1, -2), rtol=1e-8, atol=1e-12)


def test_a_hopeless_member_spoils_no_other():
    good = np.array([[2.0, 0.3], [0.3, 1.0]])
    with np.errstate(invalid="ignore"):
        root = _inverse_root(np.stack([good, np.diag([1.0, -1.0])]))
    np.testing.assert_allclose(root[0] @ root[0].T, np.linalg.inv(good), rtol=1e-13)
    assert np.isnan(root[1]).any()


def test_times_is_the_transposed_product():
    rng = np.random.default_rng(0)
    factor, vector = rng.normal(size=(4, 3, 3)), rng.normal(size=(4, 3))
    want = np.stack([f.T @ v for f, v in zip(factor, vector, strict=True)])
    np.testing.assert_allclose(_times(factor, vector), want, rtol=1e-13)


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
