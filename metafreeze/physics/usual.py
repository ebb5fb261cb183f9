"""Usual values of what a register does not say, with their ranges and where they come from.

A range holds nine values in ten. A value that the register records replaces the centre and
keeps only its own error. Ranges marked "assumed" are this project's assumption.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from metafreeze.errors import InputError
from metafreeze.physics.setup import STANDARD_PRESSURE_PA, Setup, filling_height_m
from metafreeze.results import FloatArray

Scale = Literal["log", "linear", "even"]

CENGEL = "Çengel, Heat and Mass Transfer, table of typical coefficients (1-5)"
CENGEL_CONTACT = "Çengel, Heat and Mass Transfer, section 3-2, contact conductance; range assumed"
MCADAMS = "McAdams (1954) Heat Transmission, air past a plane surface"
CONDUCTIVITIES = "handbook conductivities of solids (Incropera and DeWitt, appendix A)"
ASSUMED = "assumed"

# Half the width of an interval that holds nine values in ten of a normal distribution.
_NINE_IN_TEN = 1.6448536269514722


@dataclass(frozen=True, slots=True, kw_only=True)
class Usual:
    """A central value and the range that holds nine values in ten.

    Parameters
    ----------
    centre, low, high : float
        In the unit of the setup's field. With scale "even" all values from low to high are
        as likely, and the centre is their middle.
    scale : {"log", "linear", "even"}
        Normal in the logarithm, normal, or even.
    source : str
        Handbook, or "assumed".
    """

    centre: float
    low: float
    high: float
    scale: Scale = "log"
    source: str = ASSUMED

    @property
    def spread(self) -> float:
        """Standard deviation on the scale; for "even" half the width."""
        if self.scale == "even":
            return (self.high - self.low) / 2.0
        if self.scale == "linear":
            return (self.high - self.low) / (2.0 * _NINE_IN_TEN)
        return float(np.log(self.high / self.low)) / (2.0 * _NINE_IN_TEN)

    def wider(self, factor: float) -> Usual:
        """Give the same centre with a range so many times as wide on its scale."""
        if self.scale == "log":
            return replace(
                self,
                low=self.centre * (self.low / self.centre) ** factor,
                high=self.centre * (self.high / self.centre) ** factor,
            )
        return replace(
            self,
            low=self.centre - factor * (self.centre - self.low),
            high=self.centre + factor * (self.high - self.centre),
        )


def exactly(value: float, source: str = "given") -> Usual:
    """Give a value without any range.

    Parameters
    ----------
    value : float
        The value.
    source : str
        Where it comes from.

    Returns
    -------
    Usual
    """
    return Usual(centre=value, low=value, high=value, scale="linear", source=source)


def around(value: float, sd: float, source: str = "given") -> Usual:
    """Give a value with a standard deviation.

    Parameters
    ----------
    value, sd : float
        Centre and standard deviation, same unit.
    source : str
        Where it comes from.

    Returns
    -------
    Usual
    """
    half = sd * _NINE_IN_TEN
    return Usual(centre=value, low=value - half, high=value + half, scale="linear", source=source)


STILL_AIR = Usual(centre=7.0, low=4.5, high=11.0, source=CENGEL)
MOVING_AIR = Usual(centre=25.0, low=12.0, high=50.0, source=CENGEL)
OUTDOOR_AIR = Usual(centre=12.0, low=5.0, high=30.0, source=CENGEL)
BATH_SIDE = Usual(centre=200.0, low=80.0, high=500.0, source=CENGEL)

H_AIR: dict[str, Usual] = {
    "freezer": STILL_AIR,
    "fan": MOVING_AIR,
    "bath": STILL_AIR,
    "plate": STILL_AIR,
    "outdoor": OUTDOOR_AIR,
}

# Growth of the coefficient with the temperature difference: laminar free convection has 1/4,
# forced air has none; in a freezer with its plume and drafts the truth lies between.
FREE_EXPONENT = Usual(centre=0.125, low=0.0, high=0.25, scale="even", source=CENGEL)
H_EXPONENT: dict[str, Usual] = {
    "freezer": FREE_EXPONENT,
    "fan": exactly(0.0, CENGEL),
    "bath": FREE_EXPONENT,
    "plate": FREE_EXPONENT,
    "outdoor": exactly(0.0, CENGEL),
}

SINK_TEMP_C: dict[str, Usual] = {
    "freezer": Usual(centre=-18.0, low=-23.0, high=-13.0, scale="linear"),
    "fan": Usual(centre=-18.0, low=-23.0, high=-13.0, scale="linear"),
    "bath": Usual(centre=-15.0, low=-22.0, high=-8.0, scale="linear"),
    "plate": Usual(centre=-15.0, low=-22.0, high=-8.0, scale="linear"),
    "outdoor": Usual(centre=-8.0, low=-13.0, high=-3.0, scale="linear"),
}

H_BASE: dict[str, Usual] = {
    "metal": Usual(centre=20.0, low=8.0, high=50.0, source=CENGEL_CONTACT),
    "plastic": Usual(centre=12.0, low=6.0, high=25.0, source=CENGEL_CONTACT),
    "wire": Usual(centre=6.0, low=3.0, high=12.0, source=CENGEL),
    "insulated": Usual(centre=1.0, low=0.3, high=3.0, source=CENGEL_CONTACT),
    "plate": Usual(centre=100.0, low=40.0, high=250.0, source=CENGEL_CONTACT),
    "frost": Usual(centre=60.0, low=25.0, high=150.0, source=CENGEL_CONTACT),
}
H_BASE_UNSAID: dict[str, Usual] = {
    "freezer": Usual(centre=15.0, low=5.0, high=45.0, source=CENGEL_CONTACT),
    "fan": Usual(centre=15.0, low=5.0, high=45.0, source=CENGEL_CONTACT),
    "bath": BATH_SIDE,
    "plate": Usual(centre=100.0, low=40.0, high=250.0, source=CENGEL_CONTACT),
    "outdoor": Usual(centre=15.0, low=5.0, high=45.0, source=CENGEL_CONTACT),
}

EVAPORATION: dict[str, Usual] = {
    "open": exactly(1.0, "the analogy of heat and mass transfer, without a lid"),
    "loose": Usual(centre=0.3, low=0.1, high=0.9),
    "sealed": exactly(0.0, "nothing leaves a sealed vessel"),
    "oil_film": Usual(centre=0.02, low=0.005, high=0.08),
}
# Who does not speak of a lid mostly had none; wide enough for a series in which all had one
# (tests/calibration/excess_coverage.md).
EVAPORATION_UNSAID = Usual(centre=0.7, low=0.05, high=1.35, scale="linear")

SIDE_SHARE: dict[str, Usual] = {
    "none": exactly(1.0, "nothing on the side"),
    "partial": Usual(centre=0.5, low=0.25, high=0.75, scale="even"),
    "full": Usual(centre=0.1, low=0.0, high=0.2, scale="even"),
}
SIDE_SHARE_UNSAID = exactly(1.0, "assumed not insulated")

AIR_RH_ICE = Usual(centre=0.8, low=0.6, high=1.0, scale="even")

MASS_G = Usual(centre=150.0, low=50.0, high=450.0)
HEIGHT_OVER_DIAMETER = Usual(centre=0.7, low=0.3, high=1.6)

WALL_THICKNESS_MM = Usual(centre=2.0, low=0.7, high=5.0)
# Word in the vessel's name -> conductivity of its wall, W/(m K). Longer words first, so that
# "polystyrene foam" is foam before it is anything else.
WALL_W_MK: tuple[tuple[tuple[str, ...], Usual], ...] = (
    (
        ("foam", "styrofoam", "polystyrene"),
        Usual(centre=0.035, low=0.025, high=0.05, source=CONDUCTIVITIES),
    ),
    (
        ("steel", "metal", "alumin", "copper", "tin"),
        Usual(centre=50.0, low=15.0, high=200.0, source=CONDUCTIVITIES),
    ),
    (("glass", "jar", "beaker"), Usual(centre=1.0, low=0.7, high=1.3, source=CONDUCTIVITIES)),
    (
        ("ceramic", "porcelain", "mug", "clay"),
        Usual(centre=1.5, low=0.8, high=2.5, source=CONDUCTIVITIES),
    ),
    (("paper", "card"), Usual(centre=0.1, low=0.06, high=0.18, source=CONDUCTIVITIES)),
    (
        ("plastic", "poly", "pet", "acryl", "silicone", "vial"),
        Usual(centre=0.2, low=0.13, high=0.4, source=CONDUCTIVITIES),
    ),
)
WALL_W_MK_UNSAID = Usual(centre=0.5, low=0.15, high=1.6, source=CONDUCTIVITIES)

SUPERCOOLING_K: dict[str, Usual] = {
    "tap": Usual(centre=5.5, low=2.5, high=8.5, scale="linear"),
    "distilled": Usual(centre=8.0, low=3.5, high=12.5, scale="linear"),
    "deionised": Usual(centre=8.0, low=3.5, high=12.5, scale="linear"),
    "filtered": Usual(centre=8.0, low=3.5, high=12.5, scale="linear"),
}
SUPERCOOLING_SEEDED_K = Usual(centre=1.0, low=0.3, high=3.0)
SUPERCOOLING_OUTDOOR_K = Usual(centre=1.5, low=0.5, high=4.5)
SUPERCOOLING_UNSAID_K = Usual(centre=5.5, low=1.5, high=9.5, scale="linear")

# Scatter of that depth between specimens, and from run to run of one specimen; assumed.
SPECIMEN_SD_K: dict[str, float] = {"distilled": 2.5, "deionised": 2.5, "filtered": 2.5}
SPECIMEN_SD_UNSAID_K = 1.5
RUN_SD_K: dict[str, float] = {"distilled": 1.0, "deionised": 1.0, "filtered": 1.0}
RUN_SD_UNSAID_K = 0.8

# Scatter of ln time among like runs, for endpoints other than first ice; assumed.
LN_TIME_SD = Usual(centre=0.05, low=0.025, high=0.10)

# Shared by every study: what the model itself does not know.
EVAPORATION_FACTOR = Usual(
    centre=1.0,
    low=0.72,
    high=1.39,
    source="evaporation from still pools is predicted to about 18 % (handbook comparison)",
)
EMISSIVITY = Usual(
    centre=0.96,
    low=0.95,
    high=0.97,
    scale="even",
    source="handbook emissivities of water and ice",
)
ICE_RESISTANCE = Usual(centre=0.5, low=0.0, high=1.0, scale="even")

# Errors of recorded values, as ranges that hold nine in ten.
SINK_TEMP_ERROR_K = 0.8
DIAMETER_ERROR_SHARE = 0.04
AIR_SPEED_ERROR_SHARE = 0.5
WALL_ERROR_SHARE = 0.15
AIR_RH_ERROR = 0.08
MASS_ERROR_SHARE = 0.01


def air_coefficient_w_m2k(air_speed_m_s: npt.ArrayLike) -> FloatArray:
    """Coefficient of air moving past a surface.

    Parameters
    ----------
    air_speed_m_s : array-like
        Speed, m/s, zero or above.

    Returns
    -------
    array
        W/(m² K), never below the usual value of still air.

    Source
    ------
    McAdams WH (1954) Heat Transmission: h = 5.7 + 3.8 v up to 5 m/s, 6.47 v^0.78 above. From
    memory; good to about a third.
    """
    v = np.asarray(air_speed_m_s, dtype=np.float64)
    slow = 5.7 + 3.8 * v
    # The two formulas miss each other by 2 W/(m² K) at 5 m/s; the faster one starts at the top.
    fast = np.maximum(6.47 * np.maximum(v, 0.0) ** 0.78, 24.7)
    return np.maximum(np.where(v <= 5.0, slow, fast), STILL_AIR.centre)


def air_range(sink_type: str, air_speed_m_s: float = np.nan) -> Usual:
    """Give the usual coefficient of the air for a cooling mode, or for a recorded speed.

    Parameters
    ----------
    sink_type : str
        Word of the schema; any other counts as a freezer.
    air_speed_m_s : float
        Recorded speed, NaN where there is none.

    Returns
    -------
    Usual
    """
    if not np.isfinite(air_speed_m_s):
        return H_AIR.get(sink_type, STILL_AIR)
    h = float(air_coefficient_w_m2k(air_speed_m_s))
    factor = 1.0 + AIR_SPEED_ERROR_SHARE
    return Usual(centre=h, low=h / factor, high=h * factor, source=MCADAMS)


def base_range(sink_type: str, base_support: str = "") -> Usual:
    """Give the usual conductance of the base for what the vessel stands on.

    Parameters
    ----------
    sink_type, base_support : str
        Words of the schema, empty where unsaid.

    Returns
    -------
    Usual
    """
    if base_support in H_BASE:
        return H_BASE[base_support]
    return H_BASE_UNSAID.get(sink_type, H_BASE_UNSAID["freezer"])


def wall_conductivity_range(vessel_material: str) -> Usual:
    """Give the usual conductivity of a vessel's wall from the words that name it.

    Parameters
    ----------
    vessel_material : str
        Text as typed.

    Returns
    -------
    Usual
    """
    text = vessel_material.lower()
    for words, usual in WALL_W_MK:
        if any(word in text for word in words):
            return usual
    return WALL_W_MK_UNSAID


def supercooling_range(water_type: str = "", nucleant: str = "", sink_type: str = "") -> Usual:
    """Give the usual depth below 0 °C at which ice forms.

    Parameters
    ----------
    water_type, nucleant, sink_type : str
        Words of the schema, empty where unsaid.

    Returns
    -------
    Usual
    """
    if nucleant not in ("", "none"):
        return SUPERCOOLING_SEEDED_K
    if sink_type == "outdoor":
        return SUPERCOOLING_OUTDOOR_K
    return SUPERCOOLING_K.get(water_type, SUPERCOOLING_UNSAID_K)


def diameter_from_mass_mm(mass_g: npt.ArrayLike, height_over_diameter: npt.ArrayLike) -> FloatArray:
    """Inner diameter of a vessel filled to so many times its diameter.

    Parameters
    ----------
    mass_g, height_over_diameter : array-like
        Water, g, and filling height over inner diameter.

    Returns
    -------
    array
        mm.
    """
    # The height at a diameter of 1 mm scales with the square of the diameter.
    unit_height_m = filling_height_m(mass_g, 1.0)
    ratio = np.asarray(height_over_diameter, dtype=np.float64)
    return np.cbrt(unit_height_m * 1e3 / ratio)


def usual_setup(
    start_temp_c: npt.ArrayLike,
    *,
    sink_type: str = "freezer",
    sink_temp_c: npt.ArrayLike | None = None,
    lid: str = "open",
    base_support: str = "",
    side_insulation: str = "none",
    mass_g: npt.ArrayLike | None = None,
    diameter_mm: npt.ArrayLike | None = None,
    air_speed_m_s: float | None = None,
    vessel_material: str = "",
    wall_thickness_mm: float | None = None,
) -> Setup:
    """Build a setup from the words of the schema, with central values for the rest.

    Parameters
    ----------
    start_temp_c : array-like
        Start temperatures, °C.
    sink_type, lid, base_support, side_insulation : str
        Words of the schema.
    sink_temp_c, mass_g, diameter_mm : array-like, optional
        Recorded values; usual ones where None.
    air_speed_m_s, wall_thickness_mm : float, optional
        Recorded values.
    vessel_material : str
        Text; only words such as "glass" count.

    Returns
    -------
    Setup

    Raises
    ------
    InputError
        A word is none of the schema's.

    Examples
    --------
    >>> usual_setup(80.0, lid="sealed", base_support="wire").evaporation.item()
    0.0
    """
    for name, word, known in (
        ("sink_type", sink_type, H_AIR),
        ("lid", lid, EVAPORATION),
        ("base_support", base_support, {"": None, **H_BASE}),
        ("side_insulation", side_insulation, SIDE_SHARE),
    ):
        if word not in known:
            listed = ", ".join(f'"{w}"' for w in known)
            raise InputError(f"{name} is {word!r}. Choose one of {listed}.")
    mass = MASS_G.centre if mass_g is None else mass_g
    if diameter_mm is None:
        diameter_mm = diameter_from_mass_mm(mass, HEIGHT_OVER_DIAMETER.centre)
    thickness = WALL_THICKNESS_MM.centre if wall_thickness_mm is None else wall_thickness_mm
    conductivity = wall_conductivity_range(vessel_material).centre
    speed = np.nan if air_speed_m_s is None else air_speed_m_s
    return Setup(
        start_temp_c=start_temp_c,
        sink_temp_c=SINK_TEMP_C[sink_type].centre if sink_temp_c is None else sink_temp_c,
        mass_g=mass,
        diameter_mm=diameter_mm,
        h_air_w_m2k=air_range(sink_type, speed).centre,
        h_side_w_m2k=BATH_SIDE.centre if sink_type == "bath" else np.nan,
        h_base_w_m2k=base_range(sink_type, base_support).centre,
        h_exponent=H_EXPONENT[sink_type].centre,
        evaporation=EVAPORATION[lid].centre,
        air_rh=AIR_RH_ICE.centre,
        emissivity=EMISSIVITY.centre,
        side_share=SIDE_SHARE[side_insulation].centre,
        wall_resistance_m2k_w=thickness * 1e-3 / conductivity,
        pressure_pa=STANDARD_PRESSURE_PA,
        ice_resistance=ICE_RESISTANCE.centre,
    )
