"""A freeze that lies wholly in a gap of the record, with its length known beforehand.

The trace is invented: Newton's law of cooling toward a steady sink, solved exactly, with a hold
of known length inside a gap. What must come back is that length.
"""

import numpy as np
import pytest

from metafreeze.curves.events import find_events
from metafreeze.curves.hidden import find_hidden_freeze
from metafreeze.curves.trace import prepare_trace

SINK_C = -20.0
START_C = 20.0
TAU_S = 3000.0
STEP_S = 5.0
BEFORE_GAP_C = 5.0
AFTER_GAP_C = -3.0
# The rates are those of twelve readings, whose middle lies half a minute from the gap: one
# percent of the time constant, so one percent of the time that cooling takes.
RATE_SHARE = 0.015


def time_at(temp_c):
    """Solve Newton's law for the time at which a temperature is reached."""
    return TAU_S * np.log((START_C - SINK_C) / (temp_c - SINK_C))


def trace_with_gap(hold_s, *, last_s=6000.0):
    """Cool exactly, leave out what lies between two temperatures, hold for a time in it."""
    own = np.arange(0.0, last_s, STEP_S)
    seen = (own <= time_at(BEFORE_GAP_C)) | (own >= time_at(AFTER_GAP_C))
    temp = SINK_C + (START_C - SINK_C) * np.exp(-own[seen] / TAU_S)
    clock = own[seen] + np.where(own[seen] >= time_at(AFTER_GAP_C), hold_s, 0.0)
    return clock, temp


@pytest.mark.parametrize("hold_s", [3000.0, 4000.0, 9000.0])
def test_the_hold_inside_the_gap_comes_back(hold_s):
    clock, temp = trace_with_gap(hold_s)
    found = find_hidden_freeze(prepare_trace(clock, temp))
    assert found is not None
    cooling_s = time_at(AFTER_GAP_C) - time_at(BEFORE_GAP_C)
    assert found.held_s == pytest.approx(hold_s, abs=RATE_SHARE * cooling_s)
    assert clock[found.before] == pytest.approx(time_at(BEFORE_GAP_C), abs=STEP_S)
    assert found.after == found.before + 1


@pytest.mark.parametrize("hold_s", [0.0, 300.0])
def test_a_gap_no_longer_than_cooling_takes_hides_nothing(hold_s):
    clock, temp = trace_with_gap(hold_s)
    assert find_hidden_freeze(prepare_trace(clock, temp)) is None


def test_a_gap_while_the_water_warms_hides_nothing():
    clock, temp = trace_with_gap(4000.0)
    assert find_hidden_freeze(prepare_trace(clock, temp[::-1])) is None


def test_toward_a_sink_at_rest_any_gap_is_long_enough_and_none_tells():
    """Rates that are lost in the scatter say nothing about how long the gap ought to be."""
    clock, temp = trace_with_gap(4000.0)
    after = clock > time_at(BEFORE_GAP_C) + STEP_S
    rng = np.random.default_rng(7)
    rested = np.where(after, AFTER_GAP_C, temp) + rng.normal(0.0, 0.05, temp.size)
    assert find_hidden_freeze(prepare_trace(clock, rested)) is None


def test_events_inside_the_gap_are_known_between_its_ends_only():
    hold_s = 4000.0
    clock, temp = trace_with_gap(hold_s)
    events = find_events(clock, temp, residual_from_c=15.0).events
    before = clock[clock <= time_at(BEFORE_GAP_C)][-1]
    after = clock[clock > time_at(BEFORE_GAP_C)][0]
    for name in ("t_first_ice", "t_plateau_end"):
        event = events[name]
        assert (event.status, event.confidence) == ("interval", "weak")
        assert (event.lower_s, event.upper_s) == (before, after)
    assert events["supercooling_minimum"].status == "none"
    assert "gap" in events["supercooling_minimum"].because
    # The end is seen after the gap, at the exact time at which the law reaches it.
    solid = events["t_solid"]
    assert solid.lower_s - STEP_S <= time_at(-5.0) + hold_s <= solid.upper_s + STEP_S
    residual = events["t_residual"]
    true_s = time_at(-5.0) + hold_s - time_at(15.0)
    assert residual.lower_s - 2 * STEP_S <= true_s <= residual.upper_s + 2 * STEP_S
    assert residual.upper_s - residual.lower_s <= 4 * STEP_S


def test_without_the_cold_start_there_is_no_residual():
    clock, temp = trace_with_gap(4000.0)
    residual = find_events(clock, temp).events["t_residual"]
    assert residual.status == "none"
    assert "was not given" in residual.because
    assert np.isnan(residual.lower_s)


def test_a_record_that_ends_before_the_end_gives_a_residual_without_an_upper_limit():
    hold_s = 4000.0
    clock, temp = trace_with_gap(hold_s)
    cut = temp > -4.5
    events = find_events(clock[cut], temp[cut], residual_from_c=15.0).events
    assert events["t_solid"].status == "censored"
    residual = events["t_residual"]
    assert residual.status == "censored"
    assert np.isnan(residual.upper_s)
    assert residual.lower_s == pytest.approx(clock[cut][-1] - time_at(15.0), abs=STEP_S)
    assert "15 °C" in residual.because
