"""The walk to the end of an interval, on rises whose ends are known."""

from types import SimpleNamespace

import numpy as np
import pytest
from oracles.mixed_by_hand import rows_of_kind

from metafreeze import mixed_model, profile_intervals
from metafreeze.models.variance_profile import RISE_TOLERANCE, _Profiler, hold_coefficient

TARGET = 3.84


def walker(rise, target=TARGET):
    """The walking part of a profiler alone, with a count of what it asks."""
    asked = []

    def counted(values):
        asked.extend(values.tolist())
        return np.array([rise(v) for v in values])

    self = SimpleNamespace(target=target, residual=np.array([4.0]), unit=2.0)
    self._close_in = lambda *a: _Profiler._close_in(self, *a)
    self._walk = lambda *a, **k: _Profiler._walk(self, *a, **k)
    return self, counted, asked


@pytest.mark.parametrize("start", [-3.0, 0.0, 7.0])
@pytest.mark.parametrize("step", [0.01, 1.0, 50.0, -0.01, -1.0, -50.0])
def test_a_parabola_ends_at_the_root_of_its_target(start, step):
    self, rise, asked = walker(lambda v: 2.0 * (v - start) ** 2)
    floor = np.inf if step > 0 else -np.inf
    end = _Profiler._walk(self, rise, start, step, floor=floor)
    assert end == pytest.approx(start + np.sign(step) * np.sqrt(TARGET / 2), abs=1e-7)
    assert len(asked) < 20


@pytest.mark.parametrize("step", [0.5, -0.5])
def test_a_quartic_and_a_skewed_rise(step):
    for rise in (lambda v: v**4, lambda v: 10 * (np.exp(v) - 1 - v)):
        self, counted, _ = walker(rise)
        end = _Profiler._walk(self, counted, 0.0, step, floor=np.sign(step) * np.inf)
        assert np.sqrt(rise(end)) == pytest.approx(np.sqrt(TARGET), abs=2 * RISE_TOLERANCE)
        assert np.sign(end) == np.sign(step)


def test_an_end_short_of_the_floor_is_found_and_one_beyond_is_the_floor():
    # The rise reaches its target at 0.1, close above a floor of nought.
    self, rise, asked = walker(lambda v: TARGET * ((1 - v) / 0.9) ** 2)
    end = _Profiler._walk(self, rise, 1.0, -0.4, floor=0.0)
    assert end == pytest.approx(0.1, abs=1e-7) and min(asked) > 0.0
    self, rise, asked = walker(lambda v: 0.5 * TARGET * (1 - v) ** 2)
    assert _Profiler._walk(self, rise, 1.0, -0.4, floor=0.0) == 0.0
    assert min(asked) >= 0.0
    self, rise, asked = walker(lambda v: 0.5 * TARGET * (v / 15) ** 2)
    assert _Profiler._walk(self, rise, 0.0, 0.2, floor=15.0) == 15.0
    assert max(asked) <= 15.0


def test_a_rise_that_never_comes_ends_nowhere():
    self, rise, asked = walker(lambda v: 1 - np.exp(-v))
    assert _Profiler._walk(self, rise, 0.0, 0.5, floor=np.inf) == np.inf
    assert len(asked) == 40
    # Steps grow by six tenths each.
    assert np.diff(asked)[1] / np.diff(asked)[0] == pytest.approx(1.6)


def scan(rise, sd, **more):
    self, counted, asked = walker(rise)
    return (*_Profiler._scan_sd(self, sd, counted, **more), asked)


def test_a_spread_is_scanned_down_to_nought_and_up():
    # In units of 2: the ends of a rise about 1 at 1 +- 0.5, both within reach.
    low, high, asked = scan(lambda v: TARGET * ((v - 1) / 0.5) ** 2, 1.0)
    assert (low, high) == pytest.approx((1.0, 3.0), abs=1e-6)
    assert asked[0] == 0.0 and asked[1] == pytest.approx(0.8)
    # The target is not reached at nought.
    low, high, asked = scan(lambda v: TARGET * ((v - 1) / 1.5) ** 2, 1.0)
    assert low == 0.0 and high == pytest.approx(5.0, abs=1e-6)
    # Exactly reached there: nought is in the interval.
    low, _, _ = scan(lambda v: TARGET * (v - 1) ** 2, 1.0)
    assert low == 0.0


def test_a_spread_of_nought_is_scanned_up_in_steps_of_the_residual():
    low, high, asked = scan(lambda v: TARGET * v**2 / 9, 0.0)
    assert low == 0.0 and high == pytest.approx(6.0, abs=1e-6)
    assert asked[0] == pytest.approx(0.05 * 2.0)  # the residual spread is 2 here
    _, _, tiny = scan(lambda v: TARGET * (v - 1e-3) ** 2 / 9, 1e-3)
    assert tiny[-1] > 0.05 and any(abs(v - (1e-3 + 0.1)) < 1e-12 for v in tiny)


def test_a_spread_that_may_not_vanish_is_not_asked_at_nought():
    low, _, asked = scan(lambda v: TARGET * (np.log(v) / 0.5) ** 2, 1.0, may_vanish=False)
    assert low == pytest.approx(2 * np.exp(-0.5), abs=1e-6)
    assert 0.0 not in asked


def test_without_residual_the_unit_is_one():
    self, counted, asked = walker(lambda v: TARGET * v**2 / 9)
    self.residual = np.zeros(0)
    _Profiler._scan_sd(self, 0.0, counted)
    assert asked[0] == pytest.approx(0.05)


def test_ties_of_a_correlation_reach_one():
    """Slopes and levels that move together exactly, or with few studies hardly known."""
    rng = np.random.default_rng(160)
    study = np.repeat(np.arange(5), 8)
    x = np.tile(np.linspace(-1, 1, 8), 5)
    u = rng.normal(size=5)
    X = np.column_stack([np.ones(40), x])
    y = u[study] * (1 + x) + 0.1 * rng.normal(size=40)
    fit = mixed_model(y, X, study, varying=X, names=["one", "x"])
    row = profile_intervals(fit).table.set_index("quantity").loc["correlation"]
    assert row["high"] == 1.0 and 0.5 < row["low"] < row["estimate"] <= 1.0
    flat = mixed_model(rng.normal(size=40) * (1 + 0 * x), X, study, varying=X, names=["one", "x"])
    table = profile_intervals(flat).table
    row = table.set_index("quantity").loc["correlation"]
    if np.isnan(row["estimate"]):
        assert (row["low"], row["high"]) == (-1.0, 1.0)
    assert -1.0 <= row["low"] < row["high"] <= 1.0
    assert table["low"].iloc[0] == 0.0


@pytest.mark.parametrize("case", [{"q": 1}, {"q": 2, "batch": True}, {"q": 1, "known": True}])
def test_a_held_coefficient_moves_into_the_outcome(case):
    """The full criterion with one column held is that of y less the column's part."""
    from metafreeze.models.likelihood import read_criterion, sum_studies

    data = rows_of_kind(161, studies=6, n=50, **case)
    options = {k: v for k, v in data.items() if k not in ("y", "X", "study")}
    fit = mixed_model(data["y"], data["X"], data["study"], **options)
    state = fit.state
    values = np.array([-1.0, 0.3, 2.0])
    for j in range(3):
        held = hold_coefficient(state.products, j, values)
        assert held.fixed == 2 and held.sets == 3
        w = np.repeat(state.variances, 3, axis=0)
        totals = sum_studies(held, state.shape, w, order=0, with_residual=True)
        found = read_criterion(totals, held, restricted=False, profiled=False).value
        unit = float(state.products.frame.y_unit[0])
        for m, value in enumerate(values):
            less = mixed_model(
                data["y"] - value * data["X"][:, j],
                np.delete(data["X"], j, axis=1),
                data["study"],
                **options,
            )
            frame = less.state.products.frame
            shape = less.state.shape
            own = float(frame.y_unit[0])
            # The same variances in the units of the smaller model.
            G = fit.random_covariance
            turn = frame.turn_varying
            star = turn @ G @ turn.T / own**2
            wanted = [star[a, b] for a, b in shape.pairs]
            rest = state.variances[0, len(shape.pairs) :] * unit**2 / own**2
            at = np.array([[*wanted, *rest]])
            totals = sum_studies(less.state.products, shape, at, order=0, with_residual=True)
            direct = read_criterion(totals, less.state.products, restricted=False, profiled=False)
            assert found[m] == pytest.approx(direct.value[0], rel=1e-9)
