"""Units as people spell them, converted exactly."""

from __future__ import annotations

import numpy as np
import pytest

from metafreeze.register.meaning.units import OFFERED, dimensions_of, find_unit, offered


@pytest.mark.parametrize(
    ("text", "dimension", "value", "expected"),
    [
        # Fixed points of the temperature scales (BIPM 2019): exact, not nearly so.
        ("°F", "temperature", 32.0, 0.0),
        ("degF", "temperature", 212.0, 100.0),
        ("Fahrenheit", "temperature", 176.0, 80.0),
        ("K", "temperature", 273.15, 0.0),
        ("kelvin", "temperature", 373.15, 100.0),
        ("K", "temperature", 293.15, 20.0),
        ("C", "temperature", 19.999999999999996, 19.999999999999996),
        ("℃", "temperature", 80.0, 80.0),
        ("ºC", "temperature", 80.0, 80.0),
        ("*C", "temperature", 80.0, 80.0),
        # A difference has no zero point.
        ("°F", "difference", 1.8, 1.0),
        ("K", "difference", 2.0, 2.0),
        ("°C", "difference", 2.0, 2.0),
        ("min", "time", 41.2, 2472.0),
        ("Minutes", "time", 41.2, 2472.0),
        ("hrs.", "time", 0.665, 2394.0),
        ("d", "time", 1.0, 86400.0),
        ("ms", "time", 1500.0, 1.5),
        # NIST Special Publication 811 (2008), appendix B.8.
        ("oz", "mass", 1.0, 28.349523125),
        ("lb", "mass", 1.0, 453.59237),
        ("fl oz", "volume", 1.0, 29.5735295625),
        ("oz", "volume", 8.0, 236.5882365),
        ("inches", "length", 3.0, 76.2),
        ("cc", "volume", 50.0, 50.0),
        ("µL", "volume", 5.0, 0.005),
        ("l", "volume", 0.25, 250.0),
        ("mph", "speed", 1.0, 0.44704),
        ("km/h", "speed", 3.6, 1.0),
        ("%", "fraction", 45.0, 0.45),
        ("ppm", "concentration", 9.0, 9.0),
        ("mS/cm", "conductivity", 0.5, 500.0),
    ],
)
def test_conversion(text: str, dimension: str, value: float, expected: float) -> None:
    unit = find_unit(text, dimension=dimension)  # type: ignore[arg-type]
    assert unit is not None
    assert unit.convert_one(value) == pytest.approx(expected, rel=1e-15, abs=0)


def test_fixed_points_are_exact() -> None:
    fahrenheit = find_unit("°F", dimension="temperature")
    kelvin = find_unit("K", dimension="temperature")
    assert fahrenheit is not None
    assert kelvin is not None
    assert fahrenheit.convert(np.array([32.0, 212.0, 68.0])).tolist() == [0.0, 100.0, 20.0]
    assert kelvin.convert(np.array([273.15, 373.15, 293.15])).tolist() == [0.0, 100.0, 20.0]


@pytest.mark.parametrize(
    ("text", "dimension"),
    [("°C", "time"), ("min", "temperature"), ("parsec", "length"), ("", "time"), ("g", "volume")],
)
def test_other_dimensions_are_refused(text: str, dimension: str) -> None:
    assert find_unit(text, dimension=dimension) is None  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("text", "clock"), [("hms", "h:min:s"), ("mm:ss", "min:s"), ("h:mm", "h:min"), ("min", "")]
)
def test_clock_units(text: str, clock: str) -> None:
    unit = find_unit(text, dimension="time")
    assert unit is not None
    assert unit.clock == clock


def test_one_spelling_may_measure_several_things() -> None:
    assert set(dimensions_of("m")) == {"time", "length"}
    assert set(dimensions_of("oz")) == {"mass", "volume"}
    assert dimensions_of("parsec") == ()


@pytest.mark.parametrize("dimension", OFFERED)
def test_every_offered_unit_is_known(dimension: str) -> None:
    for name in offered(dimension).split(", "):  # type: ignore[arg-type]
        assert find_unit(name, dimension=dimension) is not None, name  # type: ignore[arg-type]
