"""The simulator of traces: its truth is that of the physics; the logger's faults are laid on."""

from __future__ import annotations

import numpy as np
import pytest

from metafreeze.errors import InputError
from metafreeze.physics.baseline import cooling_times
from metafreeze.physics.setup import Setup
from metafreeze.planning.traces import (
    DoorOpening,
    Logger,
    draw_supercooling,
    simulate_trace,
    simulate_traces,
)

VESSEL = Setup(start_temp_c=50.0, sink_temp_c=-18.0)
# Straight lines between 160 knots, and a fine grid of 1 s.
KNOTS_S = 3.0


def test_true_times_are_those_of_the_physics():
    trace = simulate_trace(VESSEL, rng=np.random.default_rng(1), supercooling_k=4.0)
    for event, endpoint in (
        ("t_zero", "t_zero"),
        ("t_first_ice", "t_first_ice"),
        ("t_plateau_end", "t_plateau_end"),
    ):
        expected = float(cooling_times(VESSEL, endpoint=endpoint, supercooling_k=4.0).time_s)
        assert abs(trace.true_s[event] - expected) <= KNOTS_S
    assert trace.frozen and trace.supercooling_k == 4.0


def test_readings_scatter_and_round_as_told():
    how = Logger(interval_s=5.0, noise_k=0.2, resolution_k=0.5)
    trace = simulate_trace(VESSEL, rng=np.random.default_rng(1), logger=how)
    off = trace.temp_c - trace.felt_c
    # Noise and rounding add up in squares; 2,000 readings give the sum to a few percent.
    assert np.std(off) == pytest.approx(np.hypot(0.2, 0.5 / 12**0.5), rel=0.06)
    np.testing.assert_array_equal(trace.temp_c, np.round(trace.temp_c * 2) / 2)


def test_a_probe_that_lags_feels_a_steady_fall_later():
    fast, slow = (
        simulate_trace(VESSEL, rng=np.random.default_rng(1), logger=Logger(lag_s=lag)).true_s
        for lag in (0.0, 8.0)
    )
    for event in ("t_threshold_10_c", "t_zero", "t_plateau_end"):
        assert slow[event] - fast[event] == pytest.approx(8.0, abs=1.0)


def test_gaps_hold_no_readings_and_doors_warm():
    how = Logger(
        noise_k=0.0, gaps=((1000.0, 2000.0),), doors=(DoorOpening(at_s=300.0, rise_k=3.0),)
    )
    plain = simulate_trace(VESSEL, rng=np.random.default_rng(1), logger=Logger(noise_k=0.0))
    trace = simulate_trace(VESSEL, rng=np.random.default_rng(1), logger=how)
    assert not np.any((trace.time_s > 1000.0) & (trace.time_s < 2000.0))
    peak = np.argmin(np.abs(trace.time_s - 360.0))
    assert trace.temp_c[peak] - plain.temp_c[peak] == pytest.approx(3.0, abs=0.05)


def test_water_that_never_freezes_comes_to_rest_at_the_sink():
    trace = simulate_trace(
        VESSEL.with_(sink_temp_c=-5.0),
        rng=np.random.default_rng(1),
        supercooling_k=None,
        ended_s=8 * 3600.0,
    )
    assert not trace.frozen and np.isinf(trace.true_s["t_first_ice"])
    assert trace.felt_c[-1] == pytest.approx(-5.0, abs=0.05)


def test_one_seed_gives_one_trace_and_vessels_have_their_own_chance():
    first, second = (
        simulate_traces([VESSEL, VESSEL], rng=np.random.default_rng(3), supercooling_k=[2.0, 2.0])
        for _ in range(2)
    )
    np.testing.assert_array_equal(first[0].temp_c, second[0].temp_c)
    assert not np.array_equal(first[0].temp_c[:50], first[1].temp_c[:50])
    drawn = draw_supercooling(np.random.default_rng(1), 4000)
    assert drawn.min() >= 0.0 and drawn.mean() == pytest.approx(5.5, abs=0.1)


def test_what_cannot_be_simulated_is_refused():
    rng = np.random.default_rng(1)
    with pytest.raises(InputError, match="for one vessel"):
        simulate_trace(Setup(start_temp_c=[50.0, 60.0]), rng=rng)
    with pytest.raises(InputError, match="at least five intervals"):
        simulate_trace(VESSEL, rng=rng, ended_s=10.0)
    with pytest.raises(InputError, match="Shorten the gaps"):
        simulate_trace(VESSEL, rng=rng, logger=Logger(gaps=((0.0, 1e9),)))
