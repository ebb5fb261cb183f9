"""What must hold of every trace: units, offsets of the clock and order of columns do not matter."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import metafreeze as mf
from metafreeze.analysis.curve_files import TraceEvents
from metafreeze.register.traces.segments import collapse_repeats, spread_cut_stamps
from metafreeze.register.traces.sentinels import mark_codes

ROWS = 90
FEW = settings(max_examples=25, deadline=None)


def curve(ice_s: float, held_s: float, start_c: float, step_s: float) -> np.ndarray:
    seconds = np.arange(ROWS) * step_s
    rate = np.log((start_c + 20) / 16) / ice_s
    liquid = -20 + (start_c + 20) * np.exp(-rate * seconds)
    solid = -20 + 20 * np.exp(-(seconds - ice_s - held_s) / 2200)
    temps = np.where(seconds < ice_s, liquid, np.where(seconds < ice_s + held_s, 0.0, solid))
    return np.round(temps + np.random.default_rng(5).normal(0, 0.03, ROWS), 2)


def read(heading: str, *columns: np.ndarray | list[str]) -> list[TraceEvents]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        rows = [",".join(map(str, row)) for row in zip(*columns, strict=True)]
        path.write_text("\n".join([heading, *rows]) + "\n", encoding="utf-8")
        return list(mf.read_curves(path).traces)


CURVES = st.tuples(
    st.floats(900, 2400), st.floats(600, 1500), st.floats(15, 90), st.sampled_from([30.0, 60.0])
)


@FEW
@given(shape=CURVES)
def test_the_unit_of_the_temperature_does_not_matter(
    shape: tuple[float, float, float, float],
) -> None:
    temps, seconds = curve(*shape), np.arange(ROWS) * shape[3]
    (celsius,) = read("time (s),water (°C)", seconds, temps)
    (kelvin,) = read("time (s),water (K)", seconds, np.round(temps + 273.15, 2))
    assert celsius.found is not None
    assert kelvin.found is not None
    np.testing.assert_allclose(kelvin.trace.temp_c, celsius.trace.temp_c, atol=1e-9)
    for name, event in celsius.found.events.items():
        other = kelvin.found.events[name]
        assert other.status == event.status
        assert other.lower_s == pytest.approx(event.lower_s, abs=1e-6, nan_ok=True)


@FEW
@given(shape=CURVES, minutes=st.integers(0, 1439))
def test_the_hour_of_the_day_does_not_matter(
    shape: tuple[float, float, float, float], minutes: int
) -> None:
    temps, seconds = curve(*shape), np.arange(ROWS) * shape[3]
    at = (seconds + 60 * minutes).astype(int) % 86400
    clock = [f"{s // 3600:02d}:{s % 3600 // 60:02d}:{s % 60:02d}" for s in at.tolist()]
    (elapsed,) = read("time (s),water (°C)", seconds, temps)
    (of_day,) = read("clock,water (°C)", clock, temps)
    np.testing.assert_allclose(of_day.trace.time_s, elapsed.trace.time_s)
    assert elapsed.to_dict()["events"] == of_day.to_dict()["events"]


@FEW
@given(shape=CURVES)
def test_the_order_of_channels_does_not_matter(shape: tuple[float, float, float, float]) -> None:
    seconds = np.arange(ROWS) * shape[3]
    one, two = curve(*shape), curve(1200.0, 900.0, 40.0, shape[3])
    first = read("time (s),a (°C),b (°C)", seconds, one, two)
    second = read("time (s),b (°C),a (°C)", seconds, two, one)
    by_name = {t.trace.channel: t.to_dict()["events"] for t in first}
    assert by_name == {t.trace.channel: t.to_dict()["events"] for t in second}


@FEW
@given(count=st.integers(2, 9), rows=st.integers(30, 200), first=st.integers(0, 8))
def test_stamps_cut_short_are_spread_without_falling(count: int, rows: int, first: int) -> None:
    stamps = ((np.arange(rows) + first % count) // count).astype(np.float64)
    said: list[str] = []
    spread = spread_cut_stamps(stamps, 1.0, said)
    assert np.all(np.diff(spread) > 0)
    assert np.all(np.abs(spread - stamps) <= 1.0 + 1e-9)
    assert said


@FEW
@given(temps=st.lists(st.floats(-30, 95), min_size=5, max_size=60))
def test_marks_and_repeats_never_lose_a_reading(temps: list[float]) -> None:
    values = np.array(temps)
    assert mark_codes(values, values).shape == values.shape
    repeats = collapse_repeats(np.arange(values.size, dtype=np.float64), values)
    assert repeats.keep.all()
    assert not repeats.marks.any()
