"""One vessel in one sink: what ordinary cooling needs to know, as numbers or arrays."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from metafreeze.errors import InputError
from metafreeze.results import FloatArray, frozen_array

# Density that turns a mass into a filling height; water at 0 °C (Kell 1975).
FILLING_KG_M3 = 999.84

# Temperature difference at which the air-side coefficient is quoted when it varies.
REFERENCE_DIFFERENCE_K = 20.0

STANDARD_PRESSURE_PA = 101_325.0

INF = float("inf")

# Closed ranges a number may have; NaN is allowed and gives NaN.
_LIMITS: dict[str, tuple[float, float]] = {
    "start_temp_c": (0.0, 100.0),
    "sink_temp_c": (-196.0, 100.0),
    "mass_g": (1e-6, INF),
    "diameter_mm": (1e-3, INF),
    "h_air_w_m2k": (0.0, INF),
    "h_side_w_m2k": (0.0, INF),
    "h_base_w_m2k": (0.0, INF),
    "h_exponent": (0.0, 1.0),
    "evaporation": (0.0, INF),
    "air_rh": (0.0, 1.0),
    "emissivity": (0.0, 1.0),
    "side_share": (0.0, 1.0),
    "wall_resistance_m2k_w": (0.0, INF),
    "pressure_pa": (1e4, 2e5),
    "ice_resistance": (0.0, INF),
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Setup:
    """A cylindrical vessel of water and what takes its heat.

    Every field is a number or an array; all broadcast together, so one setup can hold
    thousands of runs or draws of parameters. The defaults are 100 g in a 6 cm beaker in
    still freezer air.

    Parameters
    ----------
    start_temp_c : array-like
        Water temperature at insertion, °C, 0 to 100.
    sink_temp_c : array-like
        Temperature of air, walls and base, °C.
    mass_g : array-like
        Water at insertion, g, above zero.
    diameter_mm : array-like
        Inner diameter, mm, above zero. With the mass it gives the wetted side, which
        shrinks as water evaporates.
    h_air_w_m2k : array-like
        Convection coefficient of the air, W/(m² K), radiation not included.
    h_side_w_m2k : array-like
        Coefficient of the side where it is not air (a bath), radiation included; NaN
        means air as on top.
    h_base_w_m2k : array-like
        Conductance through the base to the sink, W/(m² K), wall included.
    h_exponent : array-like
        The air coefficient grows as (difference / 20 K)^exponent; 0 constant, 0.25
        laminar free convection.
    evaporation : array-like
        Factor on the mass-transfer coefficient: 0 covered, 1 open.
    air_rh : array-like
        Relative humidity of the sink's air over ice (over water above 0 °C), 0 to 1.
    emissivity : array-like
        Emissivity of top and side.
    side_share : array-like
        Share of the side that is not insulated, 0 to 1.
    wall_resistance_m2k_w : array-like
        Wall thickness over wall conductivity at the side, m² K/W.
    pressure_pa : array-like
        Air pressure.
    ice_resistance : array-like
        Share of the conduction resistance of the growing ice that is counted: 0 leaves it
        out as a lumped model does, 1 counts all of it.

    Raises
    ------
    InputError
        A value lies outside its range; the message names field, value and range.
    """

    start_temp_c: npt.ArrayLike
    sink_temp_c: npt.ArrayLike = -18.0
    mass_g: npt.ArrayLike = 100.0
    diameter_mm: npt.ArrayLike = 60.0
    h_air_w_m2k: npt.ArrayLike = 6.0
    h_side_w_m2k: npt.ArrayLike = np.nan
    h_base_w_m2k: npt.ArrayLike = 15.0
    h_exponent: npt.ArrayLike = 0.0
    evaporation: npt.ArrayLike = 1.0
    air_rh: npt.ArrayLike = 0.9
    emissivity: npt.ArrayLike = 0.96
    side_share: npt.ArrayLike = 1.0
    wall_resistance_m2k_w: npt.ArrayLike = 0.0
    pressure_pa: npt.ArrayLike = STANDARD_PRESSURE_PA
    ice_resistance: npt.ArrayLike = 0.0

    def __post_init__(self) -> None:
        """Store every field as a read-only array and check its range."""
        for name, (low, high) in _LIMITS.items():
            values = frozen_array(getattr(self, name))
            _require_range(name, values, low, high)
            object.__setattr__(self, name, values)
        try:
            np.broadcast_shapes(*(np.shape(getattr(self, name)) for name in _LIMITS))
        except ValueError as error:
            shapes = ", ".join(
                f"{name} {np.shape(getattr(self, name))}"
                for name in _LIMITS
                if np.ndim(getattr(self, name))
            )
            raise InputError(
                f"The fields of the setup do not fit together: {shapes}. "
                "Give numbers, or arrays of one length."
            ) from error

    @property
    def shape(self) -> tuple[int, ...]:
        """The shape that all fields broadcast to."""
        return np.broadcast_shapes(*(np.shape(getattr(self, name)) for name in _LIMITS))

    def with_(self, **changes: npt.ArrayLike) -> Setup:
        """Give a copy with other values in some fields.

        Parameters
        ----------
        **changes : array-like
            Fields to replace.

        Returns
        -------
        Setup

        Raises
        ------
        InputError
            A name is no field, or a value lies outside its range.
        """
        unknown = sorted(set(changes) - set(_LIMITS))
        if unknown:
            listed = ", ".join(_LIMITS)
            raise InputError(f"A setup has no field {unknown[0]!r}. Choose from {listed}.")
        arguments: dict[str, Any] = dict(changes)
        return replace(self, **arguments)

    def array(self, name: str) -> FloatArray:
        """Give one field as the read-only array it is stored as."""
        values: FloatArray = getattr(self, name)
        return values

    def flat(self, shape: tuple[int, ...]) -> dict[str, FloatArray]:
        """Give every field in one dimension: one number, or as many as `shape` holds."""
        flat = {}
        for f in fields(self):
            values = self.array(f.name)
            if values.size > 1:
                values = np.broadcast_to(values, shape)
            flat[f.name] = values.reshape(-1)
        return flat


def _require_range(name: str, values: FloatArray, low: float, high: float) -> None:
    outside = (values < low) | (values > high)
    if np.any(outside):
        value = np.atleast_1d(values)[np.atleast_1d(outside)][0]
        raise InputError(
            f"{name} is {value:g}, outside {low:g} to {high:g}. "
            "Give a value in this range, or NaN where it is unknown."
        )


def ends_area_m2(diameter_mm: npt.ArrayLike) -> FloatArray:
    """Area of the free surface, and of the base.

    Parameters
    ----------
    diameter_mm : array-like
        Inner diameter, mm.

    Returns
    -------
    array
        m².
    """
    return np.pi / 4.0 * (np.asarray(diameter_mm, dtype=np.float64) * 1e-3) ** 2


def filling_height_m(mass_g: npt.ArrayLike, diameter_mm: npt.ArrayLike) -> FloatArray:
    """Height of the water in the vessel.

    Parameters
    ----------
    mass_g, diameter_mm : array-like
        Water, g, and inner diameter, mm.

    Returns
    -------
    array
        m.
    """
    mass_kg = np.asarray(mass_g, dtype=np.float64) * 1e-3
    return mass_kg / FILLING_KG_M3 / ends_area_m2(diameter_mm)
