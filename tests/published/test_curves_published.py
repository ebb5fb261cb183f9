"""Curves against an open data set, and against closed forms with known values.

`data/cooling_water.csv`: temperature of water in a mug, every minute for 221 minutes. Data set
CoolingWater of the R package mosaicData (licence GPL, version 2 or later), as collected in
Rdatasets, csv/mosaicData/CoolingWater.csv; readings unchanged, columns renamed.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from metafreeze.curves.events import find_events
from metafreeze.curves.progress import Level, times_at_levels
from metafreeze.curves.whole import CurveRun, compare_curves

DATA = Path(__file__).parent / "data" / "cooling_water.csv"
MINUTE = 60.0
# Readings are every minute and rounded to 0.1 K, which at 0.4 K a minute is a quarter of one.
ONE_STEP_S = 60.0
# Slopes over two minutes of readings rounded to 0.1 K are good to about a seventh at 0.4 K/min.
SLOPE_SHARE = 0.15
# Without noise a crossing is placed to a small share of the step of 5 s.
CLOSED_FORM_S = 0.5


@pytest.fixture(scope="module")
def mug() -> tuple[np.ndarray, np.ndarray]:
    minutes, temps = np.loadtxt(DATA, delimiter=",", skiprows=1, unpack=True)
    return minutes * MINUTE, temps


@pytest.mark.parametrize(("level_c", "minute"), [(78.0, 9), (60.0, 27), (50.0, 46), (40.0, 80)])
def test_the_mug_passes_a_temperature_when_its_readings_do(mug, level_c, minute):
    # At these minutes the file itself holds this very reading.
    (at,) = times_at_levels(*mug, [Level(kind="water", value=level_c)]).time_s
    assert abs(at - minute * MINUTE) <= ONE_STEP_S


def test_the_mug_never_reaches_twenty_degrees_and_never_freezes(mug):
    events = find_events(*mug).events
    for name in ("t_threshold_20_c", "t_zero", "t_first_ice", "t_solid"):
        assert events[name].status == "censored"
        assert events[name].lower_s == 221 * MINUTE


def test_the_mug_cools_faster_than_newton_while_hot(mug):
    # The data set was collected to show where the law is only an approximation: its constant,
    # here against a room at 24 °C (the readings end at 25.8 and still fall), falls on the way.
    times, temps = mug
    levels = [Level(kind="water", value=c) for c in (80.0, 60.0, 40.0)]
    rate = times_at_levels(times, temps, levels).rate_k_s
    constant = rate / (np.array([80.0, 60.0, 40.0]) - 24.0)
    assert constant[0] > constant[1] > constant[2]
    for level, own in zip((80.0, 60.0, 40.0), rate, strict=True):
        near = np.abs(temps - level) <= 2.0
        slope = -np.polyfit(times[near], temps[near], 1)[0]
        assert abs(own / slope - 1) <= SLOPE_SHARE


def newton(start_c: float, rate: float, *, sink_c: float = -18.0) -> tuple[np.ndarray, np.ndarray]:
    """Cool by Newton's law to the freezing point, freeze for an hour, cool as ice."""
    zero = np.log((start_c - sink_c) / -sink_c) / rate
    times = np.arange(0.0, zero + 3600.0 + 4000.0, 5.0)
    water = sink_c + (start_c - sink_c) * np.exp(-rate * times)
    ice = sink_c * (1 - np.exp(-2 * rate * (times - zero - 3600.0)))
    return times, np.where(times < zero, water, np.where(times < zero + 3600.0, 0.0, ice))


def test_newtons_law_gives_its_closed_form():
    # t = ln[(T0 - Ts)/(T - Ts)]/k (Incropera and DeWitt, section 5.1).
    rate = 4e-4
    found = times_at_levels(
        *newton(90.0, rate), [Level(kind="water", value=c) for c in (60.0, 25.0, 5.0)]
    )
    expected = np.log(108.0 / np.array([78.0, 43.0, 23.0])) / rate
    np.testing.assert_allclose(found.time_s, expected, atol=CLOSED_FORM_S)
    np.testing.assert_allclose(found.rate_k_s / np.array([78.0, 43.0, 23.0]), rate, rtol=0.01)


def test_the_plateau_has_its_known_ends():
    times, temps = newton(90.0, 4e-4)
    zero = np.log(108.0 / 18.0) / 4e-4
    events = find_events(times, temps).events
    for name, true in (("t_first_ice", zero), ("t_plateau_end", zero + 3600.0)):
        assert events[name].lower_s <= true <= events[name].upper_s
        assert events[name].upper_s - events[name].lower_s <= 30.0


def test_one_law_in_both_arms_gives_the_ratio_of_logarithms():
    # Constant conductance, 90 against 25 °C in a sink at -18 °C: the times to 1 °C stand as
    # ln(108/19)/ln(43/19) = 2.1274, whatever the constant, and the constants as one.
    runs = []
    for block, rate in enumerate((3.6e-4, 3.9e-4, 4.2e-4, 4.5e-4)):
        for arm, start in (("hot", 90.0), ("cold", 25.0)):
            times, temps = newton(start, rate)
            runs.append(
                CurveRun(
                    run=f"{arm}{block}",
                    arm=arm,
                    block=str(block),
                    time_s=times,
                    temp_c=temps,
                    sink_c=-18.0,
                )
            )
    found = compare_curves(runs).probes[0]
    place = next(i for i, at in enumerate(found.levels) if at == Level(kind="water", value=1.0))
    assert np.exp(found.band.middle[place]) == pytest.approx(2.1274, abs=0.002)
    np.testing.assert_allclose(np.exp(found.rates.middle[: place + 1]), 1.0, atol=0.02)
    # Counted from one temperature, one law has no memory.
    assert np.exp(found.residual_log_ratio) == pytest.approx(1.0, abs=0.005)
