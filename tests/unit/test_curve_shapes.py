"""Events of traces drawn with known corners: what the record shows, and what it cannot show.

All traces are invented: straight pieces between corners, and Newton's law for the fall off a
plateau, so that every true time is known.
"""

from dataclasses import replace

import numpy as np
import pytest

from metafreeze.curves.crossings import find_crossing, meet_level
from metafreeze.curves.events import CurveEvents, Event, find_events
from metafreeze.curves.hidden import find_hidden_freeze
from metafreeze.curves.noise import measure_rounding_bias
from metafreeze.curves.plateau import find_plateau
from metafreeze.curves.progress import Level, times_at_levels
from metafreeze.curves.trace import average_trace, cooling_rate, prepare_trace
from metafreeze.errors import InputError
from metafreeze.results import FloatArray

SINK_C = -18.0
TAU_S = 1500.0
BEGINS = "the trace begins at rest near 0 °C"


def drawn(
    *corners: tuple[float, float],
    falls: bool = True,
    step_s: float = 10.0,
    noise_k: float = 0.0,
    after_s: float = 5000.0,
) -> tuple[FloatArray, FloatArray]:
    """Join corners (seconds, °C) by lines; let the last fall toward the sink by Newton's law."""
    end_s, end_c = corners[-1]
    times = np.arange(0.0, end_s + (after_s if falls else 0.0) + step_s / 2, step_s)
    temps = np.interp(times, [c[0] for c in corners], [c[1] for c in corners])
    late = times > end_s
    temps[late] = SINK_C + (end_c - SINK_C) * np.exp(-(times[late] - end_s) / TAU_S)
    return times, temps + noise_k * np.random.default_rng(3).standard_normal(times.size)


def fell_at(level_c: float, *, end_s: float, end_c: float = 0.0) -> float:
    return end_s + TAU_S * float(np.log((end_c - SINK_C) / (level_c - SINK_C)))


def holds(event: Event, true_s: float, *, within_s: float) -> bool:
    return event.lower_s <= true_s <= event.upper_s <= event.lower_s + within_s


def reasons(found: CurveEvents, *names: str) -> list[tuple[str, str]]:
    return [(found.events[n].status, found.events[n].because) for n in names]


def test_a_probe_that_jumps_into_hot_water_was_put_in_then() -> None:
    found = find_events(*drawn((0, 20), (50, 20), (80, 70), (5080, 0), (9000, 0)))
    event = found.events["insertion"]
    assert (event.status, event.lower_s, event.upper_s) == ("seen", 70.0, 80.0)
    assert event.because == "the probe warms from 20.0 to 70.0 °C, then cools"
    assert holds(found.events["t_zero"], 5080.0, within_s=30)


def test_water_at_rest_before_it_cools_was_put_in_at_the_end_of_its_rest() -> None:
    times, temps = drawn((0, 22), (600, 22), (2800, 0), (7000, 0))
    found = find_events(times, temps)
    assert holds(found.events["insertion"], 600.0, within_s=80)
    assert found.events["insertion"].because == "the trace rests at 22.0 °C, then begins to cool"
    # Times of levels are sought from there on, and keep the record's clock.
    at = times_at_levels(times, temps, (Level(kind="water", value=12.0),))
    assert at.time_s[0] == pytest.approx(1600.0, abs=10.0)


def test_a_record_that_begins_on_the_plateau_shows_only_its_end() -> None:
    found = find_events(*drawn((0, 0), (3000, 0)), residual_from_c=10.0)
    assert reasons(found, "t_first_ice", "supercooling_minimum", "t_zero", "t_residual") == [
        ("none", f"{BEGINS}; ice may have begun before it"),
        ("none", f"{BEGINS}; it would lie before it"),
        ("none", "the trace begins at 0.0 °C, not above 0 °C"),
        ("none", "the trace begins at 0.0 °C, not above 10 °C"),
    ]
    assert holds(found.events["t_plateau_end"], 3000.0, within_s=40)
    assert holds(found.events["t_solid"], fell_at(-5.0, end_s=3000.0), within_s=30)
    assert found.headline().startswith("first ice not applicable, plateau end 29")


def test_a_record_that_begins_just_above_the_plateau_cannot_place_0_degrees_on_it() -> None:
    # It reaches 0 °C at 300 s and stays there until 3000 s: only the bracket itself is known.
    found = find_events(*drawn((0, 0.28), (300, 0), (3000, 0)))
    assert reasons(found, "t_first_ice")[0] == ("none", f"{BEGINS}; ice may have begun before it")
    zero = found.events["t_zero"]
    assert zero.lower_s <= 300.0 and zero.upper_s >= 3000.0
    assert holds(found.events["t_plateau_end"], 3000.0, within_s=40)


@pytest.mark.parametrize("level_c", [0.0, 4.0])
def test_a_trace_that_only_rests_at_a_level_never_fell_through_it(level_c: float) -> None:
    times = np.arange(0.0, 300.0, 10.0)
    trace = prepare_trace(times, np.full(times.size, level_c))
    assert find_crossing(trace, level_c) is None
    cooled = prepare_trace(*drawn((0, 20), (1700, level_c), (12000, level_c), falls=False))
    assert find_crossing(cooled, level_c) is None


def test_a_slow_rise_is_no_new_ice_but_the_first_rest_is() -> None:
    # From -2 to 0 °C in over an hour: the rest that counts is reached from above at 2000 s.
    found = find_events(*drawn((0, 20), (2200, -2), (3600, 0), (12000, 0)))
    assert np.isnan(found.supercooling_k)
    assert holds(found.events["t_plateau_end"], 12000.0, within_s=40)
    assert found.events["t_first_ice"].status == "interval"
    assert found.events["t_first_ice"].lower_s <= 2000.0


def test_a_rise_that_does_not_hold_is_no_ice() -> None:
    found = find_events(*drawn((0, 20), (2500, -5), (2520, 0), (2620, 0)), residual_from_c=10.0)
    why = "not frozen when the record ends: a rise of 5.0 K holds near 0 °C too briefly for ice"
    assert reasons(found, "t_first_ice", "t_plateau_end", "t_solid") == [("censored", why)] * 3
    assert found.headline().startswith("first ice not seen by 7620 s")
    # 10 °C was passed at 1000 s.
    rest = found.events["t_residual"]
    assert (rest.status, rest.because) == ("censored", f"from 10 °C; {why}")
    assert rest.lower_s == pytest.approx(7620.0 - 1000.0, abs=15.0)


def test_a_record_that_begins_supercooled_shows_ice_at_its_rise() -> None:
    found = find_events(*drawn((0, -4), (20, 0), (3000, 0)))
    assert found.events["insertion"].status == "none"
    assert holds(found.events["t_first_ice"], 5.0, within_s=12)
    assert found.supercooling_k == pytest.approx(4.0, abs=0.05)
    assert holds(found.events["t_plateau_end"], 3000.0, within_s=40)


@pytest.mark.parametrize(
    ("corners", "why"),
    [
        (((0.0, 0.5), (300.0, 1.9), (310.0, 0.0), (3000.0, 0.0)), "does not cool toward 0 °C"),
        (((0.0, 5.0), (10.0, 0.0), (3000.0, 0.0)), "does not cool toward 0 °C"),
        (
            ((0.0, 20.0), (1700.0, 3.0), (3200.0, 0.3), (3400.0, 0.0), (12000.0, 0.0)),
            "slows down on its way to rest, as toward a sink near 0 °C",
        ),
    ],
    ids=["warms", "one reading", "slows"],
)
def test_a_rest_whose_approach_is_not_that_of_cooling_water_is_no_ice(
    corners: tuple[tuple[float, float], ...], why: str
) -> None:
    found = find_events(*drawn(*corners))
    assert reasons(found, "t_first_ice") == [
        ("censored", f"not frozen when the record ends: the trace {why}")
    ]


def test_cooling_toward_a_sink_at_0_degrees_is_no_ice() -> None:
    times = np.arange(0.0, 30000.0, 10.0)
    found = find_events(times, 20.0 * np.exp(-times / 3000.0))
    assert found.events["t_first_ice"].because == (
        "not frozen when the record ends: a rest near 0 °C without a rise before it, too short "
        "for ice"
    )
    assert found.events["t_zero"].status == "censored"


def test_a_rest_that_ends_in_warming_is_no_ice() -> None:
    found = find_events(*drawn((0, 20), (2000, 0), (6000, 0), (7000, 10), falls=False))
    assert found.events["t_first_ice"].because == (
        "not frozen when the record ends: a rest near 0 °C without a rise before it and without "
        "a fall after it"
    )


def test_readings_every_five_minutes_still_hold_every_time() -> None:
    found = find_events(*drawn((0, 20), (2000, 0), (6000, 0), step_s=300.0))
    for name, true_s in (("t_zero", 2000.0), ("t_first_ice", 2000.0), ("t_plateau_end", 6000.0)):
        assert holds(found.events[name], true_s, within_s=2400), name
    assert holds(found.events["t_solid"], fell_at(-5.0, end_s=6000.0), within_s=900)


def test_an_arrival_in_a_gap_is_known_between_its_ends_only() -> None:
    times, temps = drawn((0, 20), (2000, 0), (6000, 0))
    seen = (times < 1500) | (times > 2600)
    found = find_events(times[seen], temps[seen])
    for name in ("t_zero", "t_first_ice"):
        event = found.events[name]
        assert (event.status, event.confidence) == ("interval", "weak")
        assert (event.lower_s, event.upper_s) == (1490.0, 2610.0)
    assert found.events["t_first_ice"].because.endswith(", in a gap of the record")
    assert holds(found.events["t_plateau_end"], 6000.0, within_s=40)
    # The level at 0 °C lies in the gap: it has no time of its own.
    at = times_at_levels(times[seen], temps[seen], (Level(kind="water", value=3.0),))
    assert np.isnan(at.time_s).all()


def test_noise_is_averaged_away_and_the_minimum_keeps_its_reading() -> None:
    found = find_events(*drawn((0, 20), (4000, -6), (4020, 0), (12000, 0), step_s=1.0, noise_k=0.5))
    assert found.noise_k == pytest.approx(0.5, rel=0.05)
    assert found.supercooling_k == pytest.approx(6.0, abs=0.3)
    minimum = found.events["supercooling_minimum"]
    assert minimum.lower_s <= 4000.0 <= minimum.upper_s <= minimum.lower_s + 60
    assert holds(found.events["t_first_ice"], 4000.0, within_s=60)
    assert holds(found.events["t_zero"], 4000.0 * 20 / 26, within_s=60)
    assert holds(found.events["t_plateau_end"], 12000.0, within_s=80)


def test_the_end_of_the_record_leaves_the_residual_open() -> None:
    found = find_events(
        *drawn((0, 20), (2000, 0), (6000, 0), (6300, -2), falls=False), residual_from_c=10.0
    )
    rest = found.events["t_residual"]
    assert (rest.status, rest.because) == ("censored", "from 10 °C; the record ends before -5 °C")
    assert rest.lower_s == pytest.approx(6300.0 - 1000.0, abs=15.0)
    assert holds(found.events["t_plateau_end"], 6000.0, within_s=40)


@pytest.mark.parametrize("lift", [((3010.0, 6.0), (3200.0, 0.0)), ((3010.0, 3.0), (4200.0, 0.0))])
def test_an_opened_door_does_not_part_the_plateau(lift: tuple[tuple[float, float], ...]) -> None:
    times, temps = drawn((0, 20), (2000, 0), (3000, 0), *lift, (6000, 0))
    found = find_events(times, temps)
    assert holds(found.events["t_first_ice"], 2000.0, within_s=30)
    assert holds(found.events["t_plateau_end"], 6000.0, within_s=40)
    # Without a usual rate nothing tells a stay from a passing: the longest run alone counts.
    trace = prepare_trace(times, temps)
    alone, whole = find_plateau(trace), find_plateau(trace, usual_rate=cooling_rate(trace))
    assert alone is not None and whole is not None
    assert trace.time_s[alone.first] > 3000.0 > trace.time_s[whole.first]


def test_a_plateau_that_a_door_lifts_for_longer_than_a_fall_ends_after_it() -> None:
    found = find_events(*drawn((0, 20), (2000, 0), (6000, 0), (6060, -2), (6070, 0.4), (7000, 0.4)))
    assert found.events["t_plateau_end"].lower_s > 6900.0


def test_a_sink_seen_at_the_end_straightens_the_fall() -> None:
    times, temps = drawn((0, 20), (2000, 0), (6000, 0), after_s=0.0)
    later = np.arange(10.0, 12000.0, 10.0)
    times = np.concatenate([times, 6000.0 + later])
    temps = np.concatenate([temps, -8.0 + 8.0 * np.exp(-later / TAU_S)])
    found = find_events(times, temps)
    assert holds(found.events["t_plateau_end"], 6000.0, within_s=40)
    solid_s = 6000.0 + TAU_S * float(np.log(8.0 / 3.0))
    assert holds(found.events["t_solid"], solid_s, within_s=40)


def test_a_fall_that_warms_again_is_known_between_its_readings() -> None:
    times, temps = drawn((0, 20), (2000, 0), (9000, 0), falls=False)
    late = times > 6000.0
    temps[late] = -7.0 + (times[late] - 6000.0) * 2.0 / 3000.0
    event = find_events(times, temps).events["t_plateau_end"]
    assert (event.status, event.lower_s, event.upper_s) == ("seen", 6000.0, 6010.0)


def test_knocks_to_and_fro_are_no_rest() -> None:
    times = np.arange(60) * 10.0
    temps = np.concatenate(
        (np.linspace(20, 1, 20), np.tile([0.0, 50.0], 10), np.linspace(-1, -18, 20))
    )
    trace = prepare_trace(times, temps)
    assert find_plateau(trace, usual_rate=cooling_rate(trace)) is None
    assert find_events(times, temps).events["t_first_ice"].because == (
        "not frozen when the record ends: the trace rests nowhere near 0 °C"
    )


def test_a_hidden_freeze_above_minus_five_leaves_that_level_to_be_seen() -> None:
    # Straight at 0.01 K/s on both sides of a gap that is 3300 s longer than the 6 K across it.
    times, temps = drawn((0, 20), (1800, 2), (5600, -3), (7100, -18), falls=False)
    seen = (times < 1700) | (times > 5600)
    found = find_events(times[seen], temps[seen])
    assert found.events["t_first_ice"].because == (
        "the gap is 3300 s longer than the cooling across it takes without ice"
    )
    assert holds(found.events["t_solid"], 5800.0, within_s=30)


def test_a_gap_across_which_ice_warms_hides_no_freeze() -> None:
    times, temps = drawn((0, -10), (1000, -12), (4000, -8), (6000, -10), falls=False)
    seen = (times < 1000) | (times > 4000)
    assert find_hidden_freeze(prepare_trace(times[seen], temps[seen])) is None


def test_water_taken_out_soon_after_a_level_has_still_passed_it() -> None:
    found = find_events(*drawn((0, 20), (1700, 3), (1800, 6), (4000, 6), falls=False))
    assert holds(found.events["t_threshold_4_c"], 1600.0, within_s=30)
    assert found.events["t_zero"].status == "censored"


def test_gaps_beside_a_level_only_narrow_what_places_it() -> None:
    times, temps = drawn((0, 20), (2000, 0), (6000, 0), step_s=5.0)
    seen = (np.abs(times - 970.0) > 12) & (np.abs(times - 1030.0) > 12)
    trace = prepare_trace(times[seen], temps[seen])
    crossing = find_crossing(replace(trace, noise_k=0.01, resolution_k=0.0), 10.0)
    assert crossing is not None and not crossing.in_gap
    assert crossing.lower_s <= 1000.0 <= crossing.upper_s <= crossing.lower_s + 12.0
    assert crossing.slope_k_s == pytest.approx(0.01, rel=1e-9)


def test_a_plateau_that_ends_in_a_gap_ends_between_its_ends() -> None:
    times, temps = drawn((0, 20), (2000, 0), (6000, 0))
    seen = (times < 5500) | (times > 6300)
    event = find_events(times[seen], temps[seen]).events["t_plateau_end"]
    assert (event.status, event.confidence) == ("interval", "weak")
    assert (event.lower_s, event.upper_s) == (5490.0, 6310.0)


def test_a_fall_undone_for_good_is_no_end_of_the_plateau() -> None:
    found = find_events(
        *drawn((0, 20), (2000, 0), (6000, 0), (6060, -2), (6120, 0), (9000, 0), falls=False)
    )
    event = found.events["t_plateau_end"]
    assert event.status == "censored" and event.lower_s == 9000.0


def test_one_reading_and_a_rise_meet_no_level() -> None:
    assert meet_level(np.array([0.0]), np.array([1.0]), 0.0, 0.1) is None
    assert meet_level(np.array([0.0, 1.0]), np.array([1.0, 2.0]), 1.5, 0.1) is None


def test_readings_without_rounding_average_by_the_root_of_their_number() -> None:
    trace = prepare_trace(*drawn((0, 20), (20000, -10), falls=False, step_s=1.0, noise_k=0.5))
    smooth = average_trace(replace(trace, resolution_k=0.0))
    assert smooth.size > 1
    assert smooth.trace.noise_k == pytest.approx(trace.noise_k / smooth.size**0.5, rel=1e-12)
    assert measure_rounding_bias(smooth.trace.temp_c, resolution_k=smooth.trace.resolution_k) == 0


def test_a_trace_that_is_only_cold_has_the_rate_of_its_whole_fall() -> None:
    trace = prepare_trace(*drawn((0, 6), (1000, -4), falls=False))
    assert cooling_rate(trace) == pytest.approx(0.01, rel=1e-9)
    still = prepare_trace(np.arange(10) * 10.0, np.linspace(-5.0, 3.0, 10))
    assert cooling_rate(still) == 0.0


@pytest.mark.parametrize(
    ("times", "temps", "bad", "message"),
    [
        (
            np.arange(6.0),
            np.arange(7.0),
            None,
            "A trace has one time for each temperature; there are 6 times and 7 temperatures. "
            "Give two arrays of one length.",
        ),
        (
            np.arange(6.0),
            np.arange(6.0),
            [True],
            "The marks of bad readings are 1 for 6 readings. Give one mark for each reading.",
        ),
        (
            [0.0, 1.0, 2.0, 1.5, 3.0, 4.0],
            np.arange(6.0),
            None,
            "Time runs backwards at reading 4 (1.5 s after 2 s). Give each stretch of a clock as "
            "a trace of its own.",
        ),
        (
            np.full(6, 3.0),
            np.arange(6.0),
            None,
            "All readings bear one time. Give the time of each reading.",
        ),
    ],
)
def test_what_is_no_trace_is_refused_whole(
    times: FloatArray, temps: FloatArray, bad: list[bool] | None, message: str
) -> None:
    with pytest.raises(InputError) as caught:
        prepare_trace(times, temps, bad=bad)
    assert str(caught.value) == message
