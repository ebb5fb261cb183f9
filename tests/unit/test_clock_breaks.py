"""Breaks of a clock: midnight, summer time, stamps cut short, resets, readings of one time.

All records are invented; the true seconds are known beforehand.
"""

import numpy as np
import pytest

from metafreeze.register.traces.logged import BACKWARDS, CONFLICT, NO_TIME
from metafreeze.register.traces.segments import (
    close_hour,
    collapse_repeats,
    cut_stretches,
    spread_cut_stamps,
    unroll_clock,
    usual_step,
)
from metafreeze.results import FloatArray

HOUR_S, DAY_S = 3600.0, 86400.0
# 2025-03-30, a Sunday, at 01:30: half an hour before clocks in Central Europe go forward.
BEFORE_S = float(np.datetime64("2025-03-30T01:30:00").astype("datetime64[s]").astype(np.int64))


def test_a_long_record_has_the_step_of_its_parts() -> None:
    seconds = np.arange(50_000.0) * 2.0
    seconds[100] = np.nan
    assert usual_step(seconds) == 2.0
    assert np.isnan(usual_step(np.array([3.0, 3.0, 2.0])))


@pytest.mark.parametrize(
    ("shown", "of_day", "twelve", "said"),
    [
        (
            [86340.0, 86370.0, 0.0, 30.0],
            True,
            False,
            ["the clock passed midnight"],
        ),
        (
            [12 * HOUR_S + 3540.0, 12 * HOUR_S + 3570.0, HOUR_S, HOUR_S + 30.0],
            True,
            False,
            ["the clock shows 12 hours without halves; it went on past 12:59"],
        ),
        (
            [7140.0, 7170.0, 3600.0, 3630.0],
            False,
            False,
            ["the clock was put back by one hour; seconds go on"],
        ),
    ],
)
def test_a_clock_that_falls_back_goes_on(
    shown: list[float], of_day: bool, twelve: bool, said: list[str]
) -> None:
    heard: list[str] = []
    seconds = unroll_clock(
        np.array(shown), of_day=of_day, dated=not of_day, twelve=twelve, said=heard
    )
    np.testing.assert_array_equal(np.diff(seconds), 30.0)
    assert heard == said


@pytest.mark.parametrize("shown", [[5.0, 5.0, 5.0], [5.0, 6.0, 7.0], [5.0, np.nan, 4.0]])
def test_a_clock_without_falls_or_steps_stays(shown: list[float]) -> None:
    heard: list[str] = []
    seconds = unroll_clock(np.array(shown), of_day=True, dated=False, twelve=False, said=heard)
    np.testing.assert_array_equal(seconds, shown)
    assert heard == []


def put_forward(temps: FloatArray) -> tuple[FloatArray, FloatArray, list[str]]:
    """Give a clock read every minute that leaps an hour at 02:00, what comes back, and why."""
    true_s = BEFORE_S + np.arange(0.0, 3600.0, 60.0)
    shown = np.where(true_s >= BEFORE_S + 1800.0, true_s + HOUR_S, true_s)
    heard: list[str] = []
    return true_s, close_hour(shown, temps, heard), heard


def test_an_hour_that_the_temperature_denies_is_taken_out() -> None:
    true_s, seconds, heard = put_forward(20.0 - 0.1 * np.arange(0.0, 60.0))
    np.testing.assert_array_equal(seconds, true_s)
    assert heard == [
        "the clock was put forward by one hour, since the temperature goes on as if none had passed"
    ]


def test_on_a_plateau_the_hour_of_the_change_itself_tells() -> None:
    true_s, seconds, heard = put_forward(np.zeros(60))
    np.testing.assert_array_equal(seconds, true_s)
    assert heard == [
        "the clock is taken to have been put forward by one hour, since the hour that is missing "
        "is that of the change to summer time"
    ]


def test_an_hour_in_which_it_cooled_is_a_gap() -> None:
    temps = 20.0 - 0.1 * np.arange(0.0, 60.0)
    temps[30:] -= 6.0
    true_s, seconds, heard = put_forward(temps)
    np.testing.assert_array_equal(seconds[30:], true_s[30:] + HOUR_S)
    assert heard == []


def test_without_readings_beside_it_an_hour_stays_a_gap() -> None:
    temps = np.full(60, np.nan)
    true_s, seconds, heard = put_forward(temps)
    np.testing.assert_array_equal(seconds[30:], true_s[30:] + HOUR_S)
    assert heard == []
    still = np.full(5, BEFORE_S)
    np.testing.assert_array_equal(close_hour(still, np.zeros(5), heard), still)


def test_stamps_cut_to_the_minute_are_spread_over_it() -> None:
    true_s = np.arange(24) * 15.0
    heard: list[str] = []
    spread = spread_cut_stamps(np.floor(true_s / 60.0) * 60.0, 60.0, heard)
    np.testing.assert_allclose(spread, true_s, rtol=0, atol=1e-9)
    assert heard == [
        "about 4 readings share each stamp, which is cut short; they are spread evenly, 15 s apart"
    ]


def test_stamps_cut_to_the_second_say_how_many_a_second() -> None:
    heard: list[str] = []
    spread = spread_cut_stamps(np.floor(np.arange(40) / 4.0), 1.0, heard)
    np.testing.assert_allclose(spread, np.arange(40) / 4.0, rtol=0, atol=1e-9)
    assert heard == [
        "4 readings share each stamp, which is cut short; they are spread evenly, 0.25 s apart "
        "(4 a second)"
    ]


def test_a_single_stamp_after_a_gap_is_spread_by_the_usual_step() -> None:
    shown = np.concatenate([np.floor(np.arange(24) / 4.0) * 60.0, np.full(4, 3600.0)])
    spread = spread_cut_stamps(shown, 60.0, [])
    np.testing.assert_allclose(spread[24:], 3600.0 + 15.0 * np.arange(4), rtol=0, atol=1e-9)


def test_uneven_stamps_are_spread_within_their_own_minute() -> None:
    counts = [2, 30, 2, 2, 2, 2]
    shown = np.repeat(np.arange(6) * 60.0, counts)
    spread = spread_cut_stamps(shown, 60.0, [])
    assert np.all(np.diff(spread) > 0)
    np.testing.assert_array_equal(np.floor(spread / 60.0) * 60.0, shown)


@pytest.mark.parametrize(
    "shown",
    [
        [0.0, 0.0, 0.0, 0.0, 0.0, 0.0],
        [0.0, 0.0, 60.0, 60.0, 0.0, 0.0],
        [0.0, 60.0, 120.0, 180.0, 240.0],
        [0.0, 0.0],
    ],
    ids=["one stamp", "falls", "each its own", "too few"],
)
def test_stamps_that_were_not_cut_short_stay(shown: list[float]) -> None:
    heard: list[str] = []
    np.testing.assert_array_equal(spread_cut_stamps(np.array(shown), 60.0, heard), shown)
    assert heard == []


def test_a_reset_begins_a_stretch_of_its_own() -> None:
    seconds = np.concatenate([np.arange(10) * 30.0, np.arange(8) * 30.0])
    stretches, resets = cut_stretches(seconds, (10,), [])
    assert resets == [(10, "the clock goes backwards where the heading stands again")]
    assert [s.rows.tolist() for s in stretches] == [list(range(10)), list(range(10, 18))]
    assert all((s.marks == 0).all() for s in stretches)


def test_a_heading_that_stands_again_without_a_reset_cuts_nothing() -> None:
    seconds = np.array([0.0, 30.0, 20.0, 60.0, 90.0, 120.0])
    stretches, resets = cut_stretches(seconds, (4,), [])
    assert len(stretches) == 1 and resets == []


def test_single_stamps_out_of_order_are_set_aside_and_counted() -> None:
    heard: list[str] = []
    seconds = np.array([0.0, 30.0, 10.0, 20.0, 60.0, 90.0, np.nan, 120.0, 110.0, 150.0])
    stretches, resets = cut_stretches(seconds, (), heard)
    assert resets == [] and len(stretches) == 1
    assert stretches[0].marks.tolist() == [
        0, 0, BACKWARDS, BACKWARDS, 0, 0, NO_TIME, 0, BACKWARDS, 0
    ]  # fmt: skip
    assert heard == ["3 stamps out of order set aside, none sorted"]


def test_a_stamp_that_leaps_ahead_is_itself_the_wrong_one() -> None:
    heard: list[str] = []
    seconds = np.array([0.0, 30.0, 60.0, 5000.0, 120.0, 150.0])
    stretches, resets = cut_stretches(seconds, (), heard)
    assert resets == [] and stretches[0].marks.tolist() == [0, 0, 0, BACKWARDS, 0, 0]
    assert heard == ["1 stamp out of order set aside, none sorted"]


def test_exact_repeats_are_kept_once_and_empty_ones_not_at_all() -> None:
    times = np.array([0.0, 30.0, 30.0, 30.0, 60.0, 60.0, 90.0, 90.0])
    temps = np.array([5.0, 4.0, 4.0, 4.0, 3.0, np.nan, np.nan, np.nan])
    found = collapse_repeats(times, temps)
    assert found.keep.tolist() == [True, True, False, False, True, False, True, True]
    assert (found.exact, found.conflicts) == (2, []) and not found.marks.any()


def test_of_two_readings_of_one_time_the_one_on_the_curve_is_kept() -> None:
    times = np.array([0.0, 30.0, 60.0, 90.0, 90.0, 120.0, 150.0, 180.0])
    temps = np.array([10.0, 9.0, 8.0, 7.0, 1.0, 6.0, 5.0, 4.0])
    found = collapse_repeats(times, temps)
    assert found.marks.tolist() == [0, 0, 0, 0, CONFLICT, 0, 0, 0]
    assert found.conflicts == [(3, 90.0, [7.0, 1.0], 7.0)]


def test_without_neighbours_none_of_two_readings_is_the_right_one() -> None:
    found = collapse_repeats(np.array([0.0, 0.0, 30.0]), np.array([5.0, 4.0, 3.0]))
    assert found.marks.tolist() == [CONFLICT, CONFLICT, 0]
    at, time_s, values, kept = found.conflicts[0]
    assert (at, time_s, values) == (0, 0.0, [5.0, 4.0]) and np.isnan(kept)
