"""Units as people write them, and their exact conversion to the units of the schema.

A small table serves better than a unit library here: the spellings are what matters
(headings, units rows, unit columns, cells), and a temperature must never be mistaken
for a temperature difference. A temperature has an offset; a difference has none.

Sources of the factors: The International System of Units, 9th edition (BIPM 2019);
NIST Special Publication 811 (2008), appendix B, for inch, ounce, pound and US fluid ounce.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

Dimension = Literal[
    "time",
    "temperature",
    "difference",
    "mass",
    "volume",
    "length",
    "speed",
    "fraction",
    "concentration",
    "conductivity",
    "",
]
Clock = Literal["", "h:min:s", "min:s", "h:min"]

FloatArray = npt.NDArray[np.float64]

KELVIN_AT_ZERO_CELSIUS = 273.15
# Decimal places kept after an offset is taken off: 293.15 - 273.15 is 20 and not
# 19.999999999999996, and a tenth of a nanokelvin is below any thermometer.
OFFSET_DECIMALS = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """One unit: value in schema units = (value - `zero`) * `times` / `over`.

    Parameters
    ----------
    name : str
        The spelling shown to people.
    dimension : str
        What it measures.
    times, over : float
        Factor to the schema's unit as an exact quotient.
    zero : float
        Reading at the schema's zero; only temperatures have one.
    clock : {"", "h:min:s", "min:s", "h:min"}
        Set where the unit is a way of writing time with colons.
    """

    name: str
    dimension: Dimension
    times: float = 1.0
    over: float = 1.0
    zero: float = 0.0
    clock: Clock = ""

    def convert(self, values: FloatArray) -> FloatArray:
        """Give values of this unit in the schema's unit.

        Parameters
        ----------
        values : float array
            Any shape.

        Returns
        -------
        float array
            Same shape.
        """
        if self.times == 1.0 and self.over == 1.0 and not self.zero:
            return values
        # What overflows is infinite and named as out of range; numpy need not say it too.
        with np.errstate(over="ignore"):
            converted = (values - self.zero) * self.times / self.over
            return np.round(converted, OFFSET_DECIMALS) if self.zero else converted

    def convert_one(self, value: float) -> float:
        """Give one value of this unit in the schema's unit."""
        return float(self.convert(np.array([value]))[0])

    @property
    def is_plain(self) -> bool:
        """True where values are already in the schema's unit."""
        return self.times == 1.0 and self.over == 1.0 and self.zero == 0.0 and not self.clock


def _units(dimension: Dimension, *rows: tuple[str, float, float, str]) -> list[tuple[Unit, str]]:
    return [
        (Unit(name=name, dimension=dimension, times=times, over=over), spellings)
        for name, times, over, spellings in rows
    ]


# Spellings are compared after `_plain`: lower case, no full stops, one space.
_TABLE: list[tuple[Unit, str]] = [
    *_units(
        "time",
        ("ms", 1, 1000, "ms|msec|millisecond|milliseconds"),
        ("s", 1, 1, "s|sec|secs|second|seconds|s elapsed"),
        ("min", 60, 1, "min|mins|minute|minutes|mn|minuten|m"),
        ("h", 3600, 1, "h|hr|hrs|hour|hours|std|stunden"),
        ("d", 86400, 1, "d|day|days"),
    ),
    (
        Unit(name="h:min:s", dimension="time", clock="h:min:s"),
        "hms|h:min:s|h:m:s|hh:mm:ss|h:mm:ss|hh mm ss",
    ),
    (
        Unit(name="min:s", dimension="time", clock="min:s"),
        "ms clock|min:s|min:sec|m:s|mm:ss|m:ss|minutes:seconds",
    ),
    (
        Unit(name="h:min", dimension="time", clock="h:min"),
        "hm|h:min|h:m|hh:mm|h:mm|hours:minutes",
    ),
    (
        Unit(name="°C", dimension="temperature"),
        "°c|c|deg c|degc|degrees c|degree c|celsius|deg celsius|degrees celsius|centigrade"
        "|*c|oc|° celsius|'c|grad c|grad celsius",
    ),
    (
        Unit(name="°F", dimension="temperature", times=5, over=9, zero=32),
        "°f|f|deg f|degf|degrees f|degree f|fahrenheit|deg fahrenheit|degrees fahrenheit|*f|of"
        "|° fahrenheit",
    ),
    (
        Unit(name="K", dimension="temperature", zero=KELVIN_AT_ZERO_CELSIUS),
        "k|kelvin|kelvins|deg k|°k",
    ),
    *_units(
        "mass",
        ("mg", 1, 1000, "mg|milligram|milligrams"),
        ("g", 1, 1, "g|gr|gram|grams|gramm|gramme|grammes"),
        ("kg", 1000, 1, "kg|kilogram|kilograms|kilo|kilos"),
        ("oz", 28.349523125, 1, "oz|ounce|ounces"),
        ("lb", 453.59237, 1, "lb|lbs|pound|pounds"),
    ),
    # A volume in millilitres; its mass needs a density and so a temperature.
    *_units(
        "volume",
        ("µL", 1, 1000, "µl|ul|microlitre|microliter|microlitres|microliters|mm3|mm^3|mm³"),
        ("mL", 1, 1, "ml|cc|ccm|cm3|cm^3|cm³|millilitre|milliliter|millilitres|milliliters"),
        ("cL", 10, 1, "cl|centilitre|centiliter|centilitres|centiliters"),
        ("dL", 100, 1, "dl|decilitre|deciliter|decilitres|deciliters"),
        ("L", 1000, 1, "l|litre|liter|litres|liters|dm3|dm^3|dm³"),
        (
            "US fl oz",
            29.5735295625,
            1,
            "fl oz|floz|fluid ounce|fluid ounces|us fl oz|fluid oz|oz fl",
        ),
        ("imperial fl oz", 28.4130625, 1, "imp fl oz|imperial fl oz|uk fl oz"),
        ("US cup", 236.5882365, 1, "us cup|us cups"),
    ),
    *_units(
        "length",
        ("µm", 1, 1000, "µm|um|micron|microns|micrometre|micrometer"),
        ("mm", 1, 1, "mm|millimetre|millimeter|millimetres|millimeters"),
        ("cm", 10, 1, "cm|centimetre|centimeter|centimetres|centimeters"),
        ("m", 1000, 1, "m|metre|meter|metres|meters"),
        ("in", 25.4, 1, 'in|inch|inches|"|″'),
    ),
    *_units(
        "speed",
        ("m/s", 1, 1, "m/s|m s-1|m s^-1|m s⁻¹|metres per second|meters per second|mps"),
        ("km/h", 1, 3.6, "km/h|kmh|kph|km h-1"),
        ("mph", 0.44704, 1, "mph|miles per hour|mi/h"),
        ("ft/min", 0.3048, 60, "ft/min|fpm"),
        ("kn", 1852, 3600, "kn|kt|knots|knot"),
    ),
    *_units(
        "fraction",
        ("fraction", 1, 1, "fraction|frac|ratio|share"),
        ("%", 1, 100, "%|percent|per cent|pct|% rh|%rh"),
    ),
    *_units(
        "concentration",
        ("mg/L", 1, 1, "mg/l|mg l-1|mg l^-1|ppm"),
        ("µg/L", 1, 1000, "µg/l|ug/l|ppb"),
    ),
    *_units(
        "conductivity",
        ("µS/cm", 1, 1, "µs/cm|us/cm|µs cm-1|us cm-1|us cm"),
        ("mS/cm", 1000, 1, "ms/cm|ms cm-1"),
        ("S/m", 1e4, 1, "s/m"),
        ("mS/m", 10, 1, "ms/m"),
    ),
]

_DIFFERENCES: list[tuple[Unit, str]] = [
    (Unit(name="K", dimension="difference"), "k|kelvin|kelvins|delta k"),
    (
        Unit(name="°C", dimension="difference"),
        "°c|c|deg c|degc|degrees c|celsius|celsius degrees|delta c|deg|°|degrees|*c",
    ),
    (
        Unit(name="°F", dimension="difference", times=5, over=9),
        "°f|f|deg f|degf|degrees f|fahrenheit|delta f|*f",
    ),
]

# Fields that are a temperature difference are stored in K; a schema unit names its dimension.
DIMENSION_OF_UNIT: dict[str, Dimension] = {
    "s": "time",
    "°C": "temperature",
    "K": "difference",
    "g": "mass",
    "mL": "volume",
    "mm": "length",
    "m/s": "speed",
    "fraction": "fraction",
    "mg/L": "concentration",
    "µS/cm": "conductivity",
}

# The units offered in questions and remedies, in this order.
OFFERED: dict[Dimension, tuple[str, ...]] = {
    "time": ("s", "min", "h", "d", "min:s", "h:min", "h:min:s"),
    "temperature": ("°C", "°F", "K"),
    "difference": ("K", "°C", "°F"),
    "mass": ("mg", "g", "kg", "oz", "lb"),
    "volume": ("µL", "mL", "cL", "dL", "L", "US fl oz", "imperial fl oz"),
    "length": ("µm", "mm", "cm", "m", "in"),
    "speed": ("m/s", "km/h", "mph", "ft/min", "kn"),
    "fraction": ("fraction", "%"),
    "concentration": ("mg/L", "µg/L"),
    "conductivity": ("µS/cm", "mS/cm", "S/m", "mS/m"),
}

_SPACE = re.compile(r"\s+")


def _plain(text: str) -> str:
    # The masculine ordinal sign stands for a degree sign on many keyboards.
    text = text.replace("º", "°").replace("˚", "°").replace("μ", "µ")
    text = unicodedata.normalize("NFKC", text).replace("μ", "µ").casefold().replace("μ", "µ")
    text = text.strip().strip("()[]{}").replace(".", "").replace("_", " ")
    text = text.replace("° ", "°")
    return _SPACE.sub(" ", text).strip()


_BY_SPELLING: dict[str, list[Unit]] = {}
for _unit, _spellings in [*_TABLE, *_DIFFERENCES]:
    for _spelling in _spellings.split("|"):
        _BY_SPELLING.setdefault(_plain(_spelling), []).append(_unit)


def find_unit(text: str, *, dimension: Dimension = "") -> Unit | None:
    """Find the unit that a text spells.

    Parameters
    ----------
    text : str
        Such as ``min``, ``°F``, ``(fl oz)`` or ``h:min:s``.
    dimension : str
        What must be measured; a temperature and a difference are told apart by it.
        An ounce is a fluid ounce where a volume is asked for. Empty: the first meaning.

    Returns
    -------
    Unit or None
        None where the text spells no unit of that dimension.
    """
    plain = _plain(text)
    found = _BY_SPELLING.get(plain, [])
    if dimension == "volume" and plain in ("oz", "ounce", "ounces"):
        found = _BY_SPELLING["fl oz"]
    if not dimension:
        return found[0] if found else None
    for unit in found:
        if unit.dimension == dimension:
            return unit
    return None


def dimensions_of(text: str) -> tuple[Dimension, ...]:
    """List what a unit text may measure, such as length and time for ``m``.

    Parameters
    ----------
    text : str
        A spelling.

    Returns
    -------
    tuple of str
        Empty where no unit is spelled.
    """
    found = [unit.dimension for unit in _BY_SPELLING.get(_plain(text), [])]
    if "mass" in found and _plain(text) in ("oz", "ounce", "ounces"):
        found.append("volume")
    return tuple(dict.fromkeys(found))


def offered(dimension: Dimension) -> str:
    """Write the units offered for a dimension, in their fixed order."""
    return ", ".join(OFFERED.get(dimension, ()))
