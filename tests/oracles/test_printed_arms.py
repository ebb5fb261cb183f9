"""What a table prints about one group, carried to mean and variance, against closed forms.

Quantiles are planted where the rules expect them in a normal sample (normal scores at
(i - 3/8)/(n + 1/4): Blom 1958, Statistical Estimates and Transformed Beta-Variables), so mean
and SD must come back exactly.
"""

import numpy as np
import pytest
from scipy import special, stats

from metafreeze.effects.spreads import (
    NO_SPREAD,
    ONE_RUN,
    ZERO_SPREAD,
    Arm,
    PrintedArm,
    log_arm,
    raw_arm,
)

ROUNDING = 1e-12
N = 15
EDGE = float(special.ndtri((N - 0.375) / (N + 0.25)))
QUARTILE = float(special.ndtri((0.75 * N - 0.125) / (N + 0.25)))


def _moments(arm: Arm) -> tuple[float, float, float]:
    return arm.mean, arm.sd, arm.mean_variance


def test_range_of_a_normal_sample_gives_back_mean_and_sd() -> None:
    mean, sd = 47.0, 6.0
    arm = raw_arm(PrintedArm(n=N, median=mean, minimum=mean - sd * EDGE, maximum=mean + sd * EDGE))
    assert _moments(arm) == pytest.approx((mean, sd, sd**2 / N), rel=ROUNDING)
    assert (arm.derived, arm.problem) == ("median-based: mean and SD from the range", "")


def test_range_of_a_log_normal_sample_gives_back_mean_and_sd_of_logarithms() -> None:
    mean, sd = 3.8, 0.2
    arm = log_arm(
        PrintedArm(n=N, minimum=np.exp(mean - sd * EDGE), maximum=np.exp(mean + sd * EDGE))
    )
    assert _moments(arm) == pytest.approx((mean, sd, sd**2 / N), rel=ROUNDING)
    assert arm.derived == "median-based: mean and SD from the range"


def test_quartiles_go_before_the_range() -> None:
    mean, sd = 47.0, 6.0
    arm = raw_arm(
        PrintedArm(
            n=N,
            median=mean,
            q1=mean - sd * QUARTILE,
            q3=mean + sd * QUARTILE,
            minimum=0.0,
            maximum=900.0,
        )
    )
    assert _moments(arm) == pytest.approx((mean, sd, sd**2 / N), rel=ROUNDING)
    assert arm.derived == "median-based: mean and SD from quartiles"


def test_quartiles_beside_a_mean_without_a_median_give_the_spread_alone() -> None:
    arm = raw_arm(PrintedArm(n=N, mean=50.0, q1=40.0, q3=40.0 + 2 * 6.0 * QUARTILE))
    assert _moments(arm) == pytest.approx((50.0, 6.0, 36.0 / N), rel=ROUNDING)
    assert arm.derived == "SD from quartiles"


def test_range_beside_a_mean_without_a_median_gives_the_spread_alone() -> None:
    arm = raw_arm(PrintedArm(n=N, mean=50.0, minimum=40.0, maximum=40.0 + 2 * 6.0 * EDGE))
    assert _moments(arm) == pytest.approx((50.0, 6.0, 36.0 / N), rel=ROUNDING)
    assert arm.derived == "SD from the range"


def test_interval_without_the_number_of_runs_goes_by_the_normal_quantile() -> None:
    half = float(stats.norm.isf(0.05)) * 1.5
    printed = PrintedArm(mean=50.0, ci_low=50.0 - half, ci_high=50.0 + half, ci_level=0.9)
    raw, log = raw_arm(printed), log_arm(printed)
    rule = "variance from the interval by the normal quantile, n not reported"
    assert (raw.mean, raw.mean_variance) == pytest.approx((50.0, 2.25), rel=ROUNDING)
    assert (log.mean, log.mean_variance) == pytest.approx((np.log(50.0), 2.25 / 2500), rel=ROUNDING)
    assert raw.derived == log.derived == rule
    assert np.isnan([raw.sd, raw.n, log.sd, log.n]).all()


def test_interval_of_a_single_run_weighs_nothing() -> None:
    arm = raw_arm(PrintedArm(n=1, mean=50.0, ci_low=48.0, ci_high=52.0))
    assert (arm.mean, arm.n, arm.problem) == (50.0, 1, ONE_RUN)
    assert np.isnan(arm.mean_variance)


@pytest.mark.parametrize(
    "printed",
    [
        PrintedArm(n=8, mean=50.0),
        PrintedArm(mean=50.0),
        PrintedArm(n=8, median=50.0),
        PrintedArm(mean=50.0, se=0.0),
        PrintedArm(n=8, median=50.0, q1=40.0),
    ],
)
def test_a_middle_without_spread_keeps_its_place_and_says_so(printed: PrintedArm) -> None:
    raw, log = raw_arm(printed), log_arm(printed)
    assert (raw.mean, raw.problem) == (50.0, NO_SPREAD)
    assert log.mean == pytest.approx(np.log(50.0), rel=ROUNDING)
    assert log.problem == NO_SPREAD
    assert np.isnan([raw.mean_variance, log.mean_variance]).all()


def test_quantiles_at_zero_have_no_logarithm() -> None:
    arm = log_arm(PrintedArm(n=8, median=20.0, q1=0.0, q3=40.0))
    assert arm.problem == "a quantile is not above zero, so it has no logarithm"
    assert np.isnan([arm.mean, arm.mean_variance]).all()


def test_equal_quartiles_are_no_spread() -> None:
    arm = raw_arm(PrintedArm(n=8, median=20.0, q1=20.0, q3=20.0))
    assert (arm.mean, arm.sd, arm.problem) == (20.0, 0.0, ZERO_SPREAD)
