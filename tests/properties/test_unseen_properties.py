"""What must not matter to a fit of times not seen exactly, and what must."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import metafreeze as mf

# Two searches stop within 1e-12 of the same minimum, which leaves an estimate some 1e-6 of its
# standard error; limits are settled to about as much.
SAME = {"rtol": 1e-5, "atol": 1e-5}
CRITERION = 1e-6

quick = settings(
    max_examples=8, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True
)


def data(seed, family="log-normal"):
    """Forty runs in five studies: windows of ten minutes, some exact, some given up."""
    rng = np.random.default_rng(seed)
    study = np.repeat(np.arange(5), 8)
    start = np.tile([-1.0, 1.0], 20)
    noise = rng.normal(size=40) if family == "log-normal" else np.log(rng.exponential(size=40))
    log_time = 8.2 + 0.3 * rng.normal(size=5)[study] + 0.1 * start + 0.15 * noise
    time = np.exp(log_time)
    low, high = time.copy(), time.copy()
    looked = np.arange(40) % 3 != 0
    low[looked] = np.floor(time[looked] / 600) * 600
    high[looked] = low[looked] + 600
    stop = np.quantile(time, 0.85)
    gone = high > stop
    low[gone], high[gone] = np.minimum(low, stop)[gone], np.inf
    x = np.column_stack([np.ones(40), start])
    return low, high, x, study


def fit(low, high, x, study, **options):
    return mf.unseen_times_model(low, high, x, study, focus=[1], **options)


def assert_same(one, other):
    assert one.status == other.status
    assert abs(one.criterion - other.criterion) <= CRITERION * max(1.0, abs(one.criterion))
    np.testing.assert_allclose(other.coefficients, one.coefficients, **SAME)
    np.testing.assert_allclose(
        other.random_parts["sd"].dropna(), one.random_parts["sd"].dropna(), **SAME
    )


families = st.sampled_from(["log-normal", "weibull"])
seeds = st.integers(0, 10_000)


@quick
@given(seed=seeds, family=families)
def test_order_of_rows_and_names_of_studies(seed, family):
    low, high, x, study = data(seed, family)
    one = fit(low, high, x, study, family=family)
    order = np.random.default_rng(seed).permutation(len(low))
    words = np.array(["zeta", "alpha", "42", "b b", "-"])[study]
    assert_same(one, fit(low[order], high[order], x[order], words[order], family=family))


@quick
@given(seed=seeds, family=families, unit=st.sampled_from([1 / 60, 1 / 3600, 1e-6, 1e6]))
def test_units_of_time(seed, family, unit):
    low, high, x, study = data(seed, family)
    one = fit(low, high, x, study, family=family)
    other = fit(low * unit, high * unit, x, study, family=family)
    assert abs(one.criterion - other.criterion) <= CRITERION * max(1.0, abs(one.criterion))
    np.testing.assert_allclose(other.coefficients.loc["x1"], one.coefficients.loc["x1"], **SAME)
    shift = other.coefficients.loc["x0", "estimate"] - one.coefficients.loc["x0", "estimate"]
    assert abs(shift - np.log(unit)) < 1e-6


@quick
@given(seed=seeds, shift=st.floats(-50, 50), slope=st.floats(-3, 3))
def test_log_times_move_with_what_is_added(seed, shift, slope):
    low, high, x, study = data(seed)
    with np.errstate(divide="ignore"):
        low, high = np.log(low), np.log(high)
    one = fit(low, high, x, study, log_times=True)
    added = shift + slope * x[:, 1]
    other = fit(low + added, high + added, x, study, log_times=True)
    assert abs(one.criterion - other.criterion) <= CRITERION * max(1.0, abs(one.criterion))
    moved = other.coefficients["estimate"] - one.coefficients["estimate"]
    np.testing.assert_allclose(moved, [shift, slope], atol=1e-5)
    # Taken off again as an offset, it changes nothing at all.
    assert_same(one, fit(low + added, high + added, x, study, log_times=True, offset=added))


@quick
@given(seed=seeds, centre=st.floats(-1e3, 1e3), scale=st.floats(0.01, 100))
def test_units_of_the_start_temperature(seed, centre, scale):
    low, high, x, study = data(seed)
    one = fit(low, high, x, study, varying=x)
    other_x = np.column_stack([x[:, 0], centre + scale * x[:, 1]])
    other = fit(low, high, other_x, study, varying=other_x)
    assert abs(one.criterion - other.criterion) <= CRITERION * max(1.0, abs(one.criterion))
    for name in ("estimate", "low", "high"):
        np.testing.assert_allclose(
            other.coefficients.loc["x1", name] * scale, one.coefficients.loc["x1", name], atol=1e-5
        )


@quick
@given(seed=seeds, family=families)
def test_a_window_from_a_time_to_itself_is_that_time(seed, family):
    low, _, x, study = data(seed, family)
    low = np.maximum(low, 1.0)
    one = fit(low, low, x, study, family=family)
    assert one.rows_exact == len(low) and one.rows_interval == 0
    close = fit(low, low * np.exp(1e-7), x, study, family=family)
    assert close.rows_interval == len(low)
    # A probability of a window is its density times its width, here on the log scale.
    back = close.criterion + 2 * len(low) * np.log(1e-7)
    assert abs(back - one.criterion) < 1e-4
    np.testing.assert_allclose(
        close.coefficients["estimate"], one.coefficients["estimate"], atol=1e-5
    )


@pytest.mark.parametrize("family", ["log-normal", "weibull"])
def test_windows_that_narrow_converge_to_the_exact_fit(family):
    _, _, x, study = data(1, family)
    rng = np.random.default_rng(1)
    y = 8 + 0.3 * rng.normal(size=5)[study] + 0.1 * rng.normal(size=40)
    exact = fit(y, y, x, study, log_times=True, family=family)
    gaps = []
    for width in (1e-1, 1e-2, 1e-3):
        near = fit(y - width / 2, y + width / 2, x, study, log_times=True, family=family)
        gaps.append(abs(near.coefficients.loc["x1", "low"] - exact.coefficients.loc["x1", "low"]))
    # The error of a midpoint goes with the square of the width.
    assert gaps[1] < gaps[0] / 30 and gaps[2] < max(gaps[1] / 30, 2e-7)


@quick
@given(seed=seeds)
def test_wider_windows_never_have_less_likelihood(seed):
    low, high, x, study = data(seed)
    exact = low == high
    low, high = np.where(exact, low * 0.95, low), np.where(exact, high * 1.05, high)
    one = fit(low, high, x, study)
    wider = fit(np.maximum(low - 60, 0.0), high + 60, x, study)
    assert one.rows_exact == 0
    assert wider.criterion < one.criterion


@quick
@given(seed=seeds)
def test_rows_twice_over_in_new_studies_double_the_criterion(seed):
    low, high, x, study = data(seed)
    one = fit(low, high, x, study)
    twice = fit(
        np.tile(low, 2), np.tile(high, 2), np.tile(x, (2, 1)), np.append(study, study + 100)
    )
    assert abs(twice.criterion - 2 * one.criterion) <= CRITERION * max(1.0, abs(one.criterion))
    np.testing.assert_allclose(twice.coefficients["estimate"], one.coefficients["estimate"], **SAME)
    np.testing.assert_allclose(
        twice.coefficients["se"] * np.sqrt(2), one.coefficients["se"], rtol=1e-4
    )


def test_bootstrap_depends_on_its_seed_alone():
    low, high, x, study = data(4)
    one, same, other = (
        fit(low, high, x, study, inference="bootstrap", draws=99, seed=seed) for seed in (1, 1, 2)
    )
    assert one.coefficients.equals(same.coefficients)
    assert one.coefficients.loc["x1", "low"] != other.coefficients.loc["x1", "low"]
    assert one.draws_used > 90
    order = np.random.default_rng(0).permutation(40)
    shuffled = fit(
        low[order], high[order], x[order], study[order], inference="bootstrap", draws=99, seed=1
    )
    np.testing.assert_allclose(shuffled.coefficients, one.coefficients, **SAME)


def test_bootstrap_of_plain_regression_finds_student_s_cut_off():
    rng = np.random.default_rng(6)
    x = np.column_stack([np.ones(10), np.arange(10.0)])
    y = 1 + 0.1 * x[:, 1] + 0.1 * rng.normal(size=10)
    draws = 1999
    exact = mf.unseen_times_model(y, y, x, log_times=True).coefficients.loc["x1"]
    drawn = mf.unseen_times_model(
        y, y, x, log_times=True, inference="bootstrap", draws=draws, focus=[1]
    ).coefficients.loc["x1"]
    # Three Monte Carlo errors of a 95 % point from so many draws, some 3 % of the half width.
    assert abs(drawn["low"] - exact["low"]) < 0.09 * (exact["high"] - exact["low"]) / 2
