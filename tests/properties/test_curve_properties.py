"""Events and levels of a trace under changes that must not, or must, move them."""

from __future__ import annotations

import numpy as np
import pytest

from metafreeze.curves.crossings import find_crossing, meet_level
from metafreeze.curves.events import EVENT_NAMES, CurveEvents, find_events
from metafreeze.curves.noise import measure_noise, measure_resolution, measure_rounding_bias
from metafreeze.curves.trace import average_trace, cooling_rate, prepare_trace
from metafreeze.physics.setup import Setup
from metafreeze.planning.traces import DoorOpening, Logger, simulate_trace

# Times are of the order of 10,000 s: rounding of the machine, times conditioning.
ROUNDING_S = 1e-6
DEPTHS = (0.8, 3.0, 9.0)


def trace_of(seed: int, **how: object) -> tuple[np.ndarray, np.ndarray]:
    found = simulate_trace(
        Setup(start_temp_c=55.0, sink_temp_c=-20.0, mass_g=80.0),
        rng=np.random.default_rng(seed),
        supercooling_k=DEPTHS[seed % 3],
        logger=Logger(**{"interval_s": 10.0, "noise_k": 0.04, "lag_s": 2.0, **how}),  # type: ignore[arg-type]
    )
    return found.time_s, found.temp_c


def limits(found: CurveEvents) -> np.ndarray:
    return np.array([[found.events[n].lower_s, found.events[n].upper_s] for n in EVENT_NAMES])


@pytest.mark.parametrize("seed", range(6))
def test_a_clock_set_otherwise_moves_every_event_alike(seed):
    times, temps = trace_of(seed)
    there, here = limits(find_events(times + 4096.0, temps)), limits(find_events(times, temps))
    np.testing.assert_allclose(there - 4096.0, here, rtol=0, atol=ROUNDING_S)


@pytest.mark.parametrize("seed", range(6))
def test_an_offset_of_the_probe_moves_neither_freezing_point_nor_ice(seed):
    times, temps = trace_of(seed)
    plain, shifted = find_events(times, temps), find_events(times, temps + 0.5)
    assert shifted.offset_k - plain.offset_k == pytest.approx(0.5, abs=1e-9)
    assert shifted.supercooling_k == pytest.approx(plain.supercooling_k, abs=1e-9)
    for name in ("t_zero", "t_first_ice", "t_plateau_end"):
        one, two = plain.events[name], shifted.events[name]
        # The rate by which readings are averaged is taken at fixed temperatures.
        assert two.lower_s == pytest.approx(one.lower_s, abs=10.0)
        assert two.upper_s == pytest.approx(one.upper_s, abs=10.0)


@pytest.mark.parametrize("seed", range(6))
def test_marked_and_missing_readings_are_one_thing(seed):
    times, temps = trace_of(seed)
    bad = np.zeros(times.size, dtype=bool)
    bad[7::40] = True
    marked = find_events(times, np.where(bad, 999.0, temps), bad=bad)
    missing = find_events(times, np.where(bad, np.nan, temps))
    absent = find_events(times[~bad], temps[~bad])
    np.testing.assert_array_equal(limits(marked), limits(missing))
    np.testing.assert_array_equal(limits(marked), limits(absent))


@pytest.mark.parametrize("seed", range(6))
def test_events_stand_in_order(seed):
    found = find_events(*trace_of(seed)).events
    names = ["t_threshold_20_c", "t_threshold_10_c", "t_threshold_4_c", "t_zero", "t_first_ice"]
    middles = [
        (found[n].lower_s + found[n].upper_s) / 2 for n in [*names, "t_plateau_end", "t_solid"]
    ]
    assert middles == sorted(middles)
    assert all(found[n].lower_s <= found[n].upper_s for n in names)


@pytest.mark.parametrize("seed", range(3))
def test_more_noise_never_narrows_the_limits_much(seed):
    quiet, loud = (find_events(*trace_of(seed, noise_k=noise)) for noise in (0.02, 0.4))
    for name in ("t_threshold_20_c", "t_threshold_4_c", "t_solid"):
        widths = [e.events[name].upper_s - e.events[name].lower_s for e in (quiet, loud)]
        assert widths[1] > widths[0]


def test_a_door_opened_on_the_plateau_does_not_begin_the_ice_again():
    door = DoorOpening(at_s=9000.0, rise_k=3.0)
    plain, opened = find_events(*trace_of(1)), find_events(*trace_of(1, doors=(door,)))
    one, two = plain.events["t_first_ice"], opened.events["t_first_ice"]
    assert (two.lower_s, two.upper_s) == pytest.approx((one.lower_s, one.upper_s), abs=10.0)


def test_water_at_rest_below_freezing_is_no_ice():
    times = np.arange(0.0, 20000.0, 20.0)
    rng = np.random.default_rng(2)
    for sink in (-4.0, -2.0, -0.5, 0.3, 2.0):
        temps = sink + (30.0 - sink) * np.exp(-times / 2500.0) + rng.normal(0, 0.05, times.size)
        assert find_events(times, temps).events["t_first_ice"].status == "censored"


def test_a_line_meets_a_level_where_it_does():
    times = np.arange(0.0, 20.0)
    met = meet_level(times, 10.0 - 0.5 * times, 3.0, 0.1)
    assert met is not None
    assert met.at_s == pytest.approx(14.0) and met.slope_k_s == pytest.approx(0.5)
    bent = meet_level(times, 10.0 - 0.5 * times + 0.004 * times**2, 3.0, 0.1)
    exact = (0.5 - (0.25 - 4 * 0.004 * 7.0) ** 0.5) / 0.008
    assert bent is not None and bent.at_s == pytest.approx(exact, abs=1e-6)
    assert meet_level(times, 10.0 + times, 3.0, 0.1) is None


def test_a_fall_that_an_opened_door_undoes_is_passed_over():
    times = np.arange(0.0, 4000.0, 5.0)
    temps = 20.0 - 0.01 * times
    temps[220:260] += 3.0
    crossing = find_crossing(prepare_trace(times, temps), 9.5)
    # It falls through at 1050 s, is lifted above from 1100 to 1300 s, and then stays below.
    assert crossing is not None and crossing.lower_s <= 1300.0 <= crossing.upper_s + 5.0


def test_noise_and_rounding_are_measured():
    rng = np.random.default_rng(3)
    course = np.linspace(30.0, -10.0, 4000)
    assert measure_noise(course + rng.normal(0, 0.2, 4000), resolution_k=0.0) == pytest.approx(
        0.2, rel=0.1
    )
    rounded = np.round(course * 4) / 4
    assert measure_resolution(rounded) == pytest.approx(0.25)
    # Noise below a tenth of a step leaves half a step of doubt, above half a step next to none.
    fine = np.round(rng.normal(0.1, 0.02, 4000) * 4) / 4
    wide = np.round(rng.normal(0.1, 0.25, 4000) * 4) / 4
    assert measure_rounding_bias(fine, resolution_k=0.25) == 0.125
    assert measure_rounding_bias(wide, resolution_k=0.25) < 0.001
    assert abs(fine.mean() - 0.1) <= 0.125 and abs(wide.mean() - 0.1) < 0.02


def test_averages_never_reach_over_a_gap():
    times = np.concatenate((np.arange(0.0, 600.0, 0.2), np.arange(900.0, 2000.0, 0.2)))
    rng = np.random.default_rng(4)
    trace = prepare_trace(times, 20.0 - 0.01 * times + rng.normal(0, 0.5, times.size))
    seen = average_trace(trace)
    # Noise of 0.5 K lets single readings cross up to 1.5 K early or late, of 8 K in all.
    assert cooling_rate(trace) == pytest.approx(0.01, rel=0.6)
    assert seen.size > 5 and seen.trace.noise_k < 0.3
    assert not np.any((seen.trace.time_s > 600.0) & (seen.trace.time_s < 900.0))
    assert seen.trace.temp_c.mean() == pytest.approx(trace.temp_c.mean(), abs=0.1)
