"""The sums of the engine and its criterion, against matrices of all rows written out."""

import numpy as np
import pytest
from oracles.mixed_engine_pair import CASES, close, engine_of

from metafreeze.models.likelihood import read_criterion, sum_studies


def matrix_at(hand, w):
    return hand.base + sum(v * D for v, D in zip(w, hand.parts, strict=True))


@pytest.mark.parametrize("residual", ["common", "per-study"])
@pytest.mark.parametrize("name", CASES)
def test_sums_over_studies_are_those_of_whole_matrices(name, residual):
    _, products, shape, hand, w = engine_of(name, residual)
    totals = sum_studies(products, shape, w[None], order=2, with_residual=True)
    hand.at(w)
    A = np.column_stack([hand.X, hand.y])
    half = hand.inverse @ A
    assert close(totals.products[0], A.T @ half)
    for s, label in enumerate(np.unique(hand.study)):
        rows = hand.study == label
        assert close(totals.by_study[0, s], A[rows].T @ half[rows])
        q = shape.varying
        z = hand.Z[rows]
        assert close(totals.z_products[0, s, :q], z.T @ half[rows])
        assert close(totals.zz[0, s, :q, :q], z.T @ hand.inverse[np.ix_(rows, rows)] @ z)
    assert close(totals.first[0], [-half.T @ D @ half for D in hand.parts])
    assert close(totals.log_first[0], [np.trace(hand.inverse @ D) for D in hand.parts])
    moved = [hand.inverse @ D for D in hand.parts]
    second = [[half.T @ D @ F @ half for F in moved] for D in hand.parts]
    assert close(totals.second[0], np.array(second) + np.swapaxes(second, -1, -2))
    assert close(totals.log_second[0], [[-np.trace(a @ b) for b in moved] for a in moved])
    elsewhere = sum_studies(products, shape, 1.7 * w[None], order=0, with_residual=True)
    rise = np.linalg.slogdet(matrix_at(hand, 1.7 * w))[1] - np.linalg.slogdet(hand.V)[1]
    assert elsewhere.log_det[0] - totals.log_det[0] == pytest.approx(rise, rel=1e-9, abs=1e-9)
    assert elsewhere.first.shape[1] == elsewhere.second.shape[1] == 0
    slopes = sum_studies(products, shape, w[None], order=1, with_residual=True)
    assert np.array_equal(slopes.first, totals.first) and slopes.second.shape[1] == 0


@pytest.mark.parametrize("restricted", [True, False])
@pytest.mark.parametrize("residual", ["common", "per-study"])
@pytest.mark.parametrize("name", CASES)
def test_the_criterion_and_all_it_holds(name, residual, restricted):
    _, products, shape, hand, w = engine_of(name, residual, seed=1)
    totals = sum_studies(products, shape, w[None], order=2, with_residual=True)
    found = read_criterion(totals, products, restricted=restricted, profiled=False)
    hand.at(w)
    unit, p = float(products.frame.y_unit[0]), products.fixed
    value = hand.criterion(restricted) + hand.runs * np.log(unit**2)
    if restricted:
        value += 2 * products.frame.log_turn - p * np.log(unit**2)
    assert found.value[0] == pytest.approx(value, rel=1e-11)
    assert close(found.gradient[0], hand.gradient(restricted))
    assert close(found.hessian[0], hand.hessian(restricted))
    assert close(found.beta[0], hand.beta)
    assert close(found.unscaled[0], hand.phi)
    assert found.scale.tolist() == [1.0]
    assert found.quadratic[0] == pytest.approx(hand.y @ hand.P @ hand.y, rel=1e-9)


PROFILED = [name for name, case in CASES.items() if not ({"known", "added"} & set(case))]


@pytest.mark.parametrize("restricted", [True, False])
@pytest.mark.parametrize("name", PROFILED)
def test_the_residual_variance_may_be_profiled_out(name, restricted):
    _, products, shape, hand, w = engine_of(name, "common", seed=2)
    ratios = w[:-1]
    nu = hand.runs - (products.fixed if restricted else 0)

    def least(h):
        hand.at([*h, 1.0])
        scale = hand.y @ hand.P @ hand.y / nu
        return scale, hand.at([*(scale * h), scale])

    totals = sum_studies(
        products, shape, w[None] * 0 + [*ratios, 1.0], order=2, with_residual=False
    )
    found = read_criterion(totals, products, restricted=restricted, profiled=True)
    scale, at = least(ratios)
    assert found.scale[0] == pytest.approx(scale, rel=1e-9)
    unit = float(products.frame.y_unit[0])
    value = at.criterion(restricted) + nu * np.log(unit**2)
    value += 2 * products.frame.log_turn if restricted else 0.0
    assert found.value[0] == pytest.approx(value, rel=1e-11)
    # By the chain: w = scale(h) h and scale(h), whose own slope is zero at the best scale.
    slope = at.gradient(restricted)
    assert close(found.gradient[0], scale * slope[:-1])
    assert abs(slope[-1] * scale + slope[:-1] @ ratios * scale) < 1e-7
    bend = at.hessian(restricted)
    down = np.array([*ratios, 1.0])
    along = bend @ down  # d slope / d scale
    turning = down @ along
    # d scale / d h from the slope along the scale staying zero.
    first = (slope[:-1] + scale * along[:-1]) / turning
    wanted = scale**2 * bend[:-1, :-1] - turning * np.outer(first, first)
    assert close(found.hessian[0], wanted)


def test_many_data_sets_at_once_are_single_ones():
    _, products, shape, _, w = engine_of("specimens in batches", "per-study")
    both = products.pick(np.array([0, 0]))
    many = sum_studies(both, shape, np.stack([w, 2 * w]), order=2, with_residual=True)
    for m, at in enumerate((w, 2 * w)):
        alone = sum_studies(products, shape, at[None], order=2, with_residual=True)
        for name in ("products", "log_det", "first", "second", "log_first", "log_second"):
            assert close(getattr(many, name)[m], getattr(alone, name)[0])
