"""The excess slope on a few simulated registers; excess_coverage.py does it at length."""

import numpy as np
import pytest
from calibration.excess_coverage import EXCESS, one_result, simulate

from metafreeze import fit_mixed

REGISTERS = 40
STATED = 0.93


def outcomes(case):
    return np.array([one_result(case, number) for number in range(1000, 1000 + REGISTERS)])


@pytest.mark.calibration
@pytest.mark.parametrize("knowledge", ["known", "roughly", "nothing"])
def test_interval_holds_the_truth_as_often_as_stated(knowledge):
    estimate, se, low, high = outcomes(("t_zero", 8, knowledge, 0.0))[:, :4].T
    inside = np.mean((low <= EXCESS) & (high >= EXCESS))
    # Four Monte Carlo errors of a proportion of 0.93 in so many registers.
    assert inside >= STATED - 4 * np.sqrt(STATED * (1 - STATED) / REGISTERS)
    assert np.abs(estimate.mean() - EXCESS) <= 4 * estimate.std() / np.sqrt(REGISTERS)
    assert (se > 0).all()


@pytest.mark.calibration
def test_no_difference_is_the_wrong_null():
    # The partner that must fail: the raw slope taken for what is beyond physics.
    case = ("t_zero", 8, "roughly", 0.0)
    inside = []
    for number in range(1000, 1000 + REGISTERS):
        rows, _ = simulate(*case, number)
        raw = fit_mixed(rows, endpoint="t_zero", second_engine=False)
        inside.append(raw.slope_low <= EXCESS <= raw.slope_high)
    assert np.mean(inside) < 0.1
