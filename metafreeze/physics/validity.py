"""Numbers that say where the lumped picture holds, each with a note where it does not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import erfcx, erfinv

from metafreeze import water
from metafreeze.physics.setup import Setup, filling_height_m
from metafreeze.results import FloatArray

GRAVITY_M_S2 = 9.80665

# Above this the inside of a body lags its surface (Incropera and DeWitt, section 5.2).
LARGEST_LUMPED_BIOT = 0.1

# Below this a horizontal layer heated or cooled across it stays still (Rayleigh-Bénard, rigid
# boundaries: 1708; Chandrasekhar 1961).
CRITICAL_RAYLEIGH = 1708.0

# Density maximum of water; cooling the top of colder water no longer makes it sink.
DENSITY_MAXIMUM_C = 3.98


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ValidityNumbers:
    """Dimensionless numbers of a setup and what they mean in words.

    Parameters
    ----------
    biot_water, biot_ice : array
        Surface coefficient times half the radius over the conductivity, water still, and ice.
    stefan : array
        Sensible heat of ice down to the sink over its latent heat.
    superheat : array
        Sensible heat of the water above 0 °C over latent heat.
    rayleigh_start, rayleigh_6c : array
        Buoyancy against diffusion over the filling height for 1 K, at the start temperature
        and at 6 °C.
    notes : tuple of str
        What lies outside the range of the lumped model, empty where nothing does.
    """

    biot_water: FloatArray
    biot_ice: FloatArray
    stefan: FloatArray
    superheat: FloatArray
    rayleigh_start: FloatArray
    rayleigh_6c: FloatArray
    notes: tuple[str, ...]


def biot_number(
    h_w_m2k: npt.ArrayLike, length_m: npt.ArrayLike, conductivity_w_mk: npt.ArrayLike
) -> FloatArray:
    """Resistance inside a body over resistance at its surface.

    Parameters
    ----------
    h_w_m2k, length_m, conductivity_w_mk : array-like
        Coefficient, volume over surface, conductivity of the body.

    Returns
    -------
    array
        No unit.

    Source
    ------
    Incropera FP, DeWitt DP, Fundamentals of Heat and Mass Transfer, equation 5.10.
    """
    h, length, k = (np.asarray(v, dtype=np.float64) for v in (h_w_m2k, length_m, conductivity_w_mk))
    return np.asarray(h * length / k)


def stefan_number(difference_k: npt.ArrayLike) -> FloatArray:
    """Sensible heat of ice cooled by so much over the heat of fusion.

    Parameters
    ----------
    difference_k : array-like
        0 °C minus sink temperature.

    Returns
    -------
    array
        No unit.

    Source
    ------
    Alexiades V, Solomon AD (1993) Mathematical Modeling of Melting and Freezing Processes.
    """
    capacity = float(water.ice_heat_capacity_j_kgk(0.0))
    return np.asarray(difference_k, dtype=np.float64) * capacity / water.FUSION_J_KG


def rayleigh_number(
    temp_c: npt.ArrayLike, *, height_m: npt.ArrayLike, difference_k: npt.ArrayLike = 1.0
) -> FloatArray:
    """Buoyancy against viscosity and diffusion in a layer of water.

    Parameters
    ----------
    temp_c : array-like
        Mean temperature, °C, 0 to 100.
    height_m : array-like
        Height of the layer.
    difference_k : array-like
        Temperature difference across it.

    Returns
    -------
    array
        No unit; below zero under 4 °C, where colder water floats.

    Source
    ------
    Incropera FP, DeWitt DP, Fundamentals of Heat and Mass Transfer, equation 9.25.
    """
    density = water.water_density_kg_m3(temp_c)
    viscosity = water.water_viscosity_pa_s(temp_c) / density
    diffusivity = water.water_conductivity_w_mk(temp_c) / (
        density * water.water_heat_capacity_j_kgk(temp_c)
    )
    height = np.asarray(height_m, dtype=np.float64)
    drive = GRAVITY_M_S2 * water.water_expansion_per_k(temp_c) * np.asarray(difference_k)
    return np.asarray(drive * height**3 / (viscosity * diffusivity), dtype=np.float64)


def still_surface_time_s(
    start_temp_c: npt.ArrayLike,
    to_temp_c: npt.ArrayLike,
    sink_temp_c: npt.ArrayLike,
    *,
    h_w_m2k: npt.ArrayLike,
) -> FloatArray:
    """Time at which the surface of deep, still water reaches a temperature.

    What happens below 4 °C when nothing stirs: the surface runs ahead of the mean.

    Parameters
    ----------
    start_temp_c, to_temp_c, sink_temp_c : array-like
        °C; the start uniform, the target between start and sink.
    h_w_m2k : array-like
        Coefficient at the surface, evaporation and radiation included.

    Returns
    -------
    array
        Seconds; NaN where the target is not between start and sink.

    Source
    ------
    Carslaw HS, Jaeger JC (1959) Conduction of Heat in Solids, section 2.7, at the surface:
    (T − T_sink)/(T0 − T_sink) = erfcx(h sqrt(alpha t)/k).
    """
    start, end, sink, h = np.broadcast_arrays(
        *(np.asarray(v, dtype=np.float64) for v in (start_temp_c, to_temp_c, sink_temp_c, h_w_m2k))
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        left = (end - sink) / (start - sink)
    valid = (left > 0.0) & (left <= 1.0)
    left = np.where(valid, left, 1.0)
    # erfcx falls from 1 to 0 and stays below both 1 and 1/(x sqrt(pi)), which brackets the root.
    low, high = np.zeros_like(left), 1.0 / (left * np.sqrt(np.pi))
    for _ in range(80):
        middle = 0.5 * (low + high)
        above = erfcx(middle) > left
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    conductivity = water.water_conductivity_w_mk(start)
    volumetric = water.water_density_kg_m3(start) * water.water_heat_capacity_j_kgk(start)
    # alpha t = (x k/h)², alpha = k/(rho c).
    time_s = (0.5 * (low + high) / h) ** 2 * conductivity * volumetric
    return np.where(valid, time_s, np.nan)


def penetration_depth_m(
    start_temp_c: npt.ArrayLike,
    surface_temp_c: npt.ArrayLike,
    *,
    to_temp_c: npt.ArrayLike,
    time_s: npt.ArrayLike,
    diffusivity_m2_s: npt.ArrayLike,
) -> FloatArray:
    """Depth that a temperature has reached in a still body whose face was chilled suddenly.

    Parameters
    ----------
    start_temp_c, surface_temp_c : array-like
        Uniform start and face, °C.
    to_temp_c : array-like
        Temperature looked for, between the two.
    time_s, diffusivity_m2_s : array-like
        Time and diffusivity.

    Returns
    -------
    array
        m.

    Source
    ------
    Incropera FP, DeWitt DP, Fundamentals of Heat and Mass Transfer, equation 5.57 (semi-infinite
    solid, given surface temperature), example 5.6.
    """
    start, surface, end, t, alpha = (
        np.asarray(v, dtype=np.float64)
        for v in (start_temp_c, surface_temp_c, to_temp_c, time_s, diffusivity_m2_s)
    )
    share = (end - surface) / (start - surface)
    return np.asarray(2.0 * np.sqrt(alpha * t) * erfinv(share), dtype=np.float64)


def validity_numbers(setup: Setup) -> ValidityNumbers:
    """Judge whether one temperature describes the vessel.

    Parameters
    ----------
    setup : Setup
        Vessels and sinks.

    Returns
    -------
    ValidityNumbers
        Its `notes` name what lies outside; an empty tuple means that nothing does.

    Source
    ------
    Incropera FP, DeWitt DP, Fundamentals of Heat and Mass Transfer, sections 5.2 and 9.4;
    limits as stated beside the constants of this module.
    """
    radius = setup.array("diameter_mm") * 0.5e-3
    coefficient = setup.array("h_air_w_m2k") + 4.0  # plus radiation, about 4 W/(m² K) at 0 °C
    start = setup.array("start_temp_c")
    height = filling_height_m(setup.array("mass_g"), setup.array("diameter_mm"))
    still = biot_number(coefficient, radius / 2.0, water.water_conductivity_w_mk(10.0))
    ice = biot_number(coefficient, radius / 2.0, water.ice_conductivity_w_mk(0.0))
    stefan = stefan_number(-setup.array("sink_temp_c"))
    notes = []
    if np.any(still > LARGEST_LUMPED_BIOT):
        notes.append(
            f"Biot number of still water up to {np.max(still):.2f} (over {LARGEST_LUMPED_BIOT}): "
            "one temperature is fair while the water stirs itself, poor below 4 °C."
        )
    if np.any(ice > LARGEST_LUMPED_BIOT):
        notes.append(
            f"Biot number of ice up to {np.max(ice):.2f} (over {LARGEST_LUMPED_BIOT}): "
            "the ice itself slows freezing; count its resistance."
        )
    if np.any(stefan > 0.5):
        notes.append(
            f"Stefan number up to {np.max(stefan):.2f}: the heat capacity of the ice, left out of "
            "the freezing time, is no longer small."
        )
    sides = setup.array("side_share") * height
    if np.any((sides <= 0.0) & (setup.array("h_base_w_m2k") < 1.0)):
        notes.append(
            "Cooled from the top only: below 4 °C the coldest water stays on top, so that the "
            "surface reaches 0 °C long before the mean does."
        )
    at_start = rayleigh_number(np.maximum(start, DENSITY_MAXIMUM_C + 0.5), height_m=height)
    if np.any(at_start < CRITICAL_RAYLEIGH):
        notes.append("Rayleigh number below 1708 somewhere: the layer is too thin to stir itself.")
    return ValidityNumbers(
        biot_water=still,
        biot_ice=ice,
        stefan=stefan,
        superheat=water.water_heat_capacity_j_kgk(start) * start / water.FUSION_J_KG,
        rayleigh_start=at_start,
        rayleigh_6c=rayleigh_number(6.0, height_m=height),
        notes=tuple(notes),
    )
