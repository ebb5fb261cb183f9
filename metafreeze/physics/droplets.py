"""A drop on a cold plate: conduction through its height, from below."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from metafreeze import water
from metafreeze.physics.freezing import front_time_s
from metafreeze.results import FloatArray

# Temperature at which the water's properties are taken; between start and plate, and the
# same for every start so that the ratio of two times is a matter of the logarithm only.
PROPERTY_TEMP_C = 10.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DropletTimes:
    """What conduction allows at best.

    Parameters
    ----------
    cool_s : array
        Seconds until the top of the drop is at the temperature asked for; infinite where the
        plate is not colder, NaN where the drop starts below it.
    freeze_s : array
        Seconds from then until it is ice; infinite where the plate is not below 0 °C.
    """

    cool_s: FloatArray
    freeze_s: FloatArray


def hemisphere_height_m(volume_ul: npt.ArrayLike) -> FloatArray:
    """Height of a drop that stands as half a sphere.

    Parameters
    ----------
    volume_ul : array-like
        Volume, µL.

    Returns
    -------
    array
        m.
    """
    volume_m3 = np.asarray(volume_ul, dtype=np.float64) * 1e-9
    return np.cbrt(3.0 * volume_m3 / (2.0 * np.pi))


def droplet_times(
    height_m: npt.ArrayLike,
    start_temp_c: npt.ArrayLike,
    plate_temp_c: npt.ArrayLike,
    *,
    to_temp_c: npt.ArrayLike = 0.0,
) -> DropletTimes:
    """Cooling and freezing time of a drop on a cold plate, contact taken as perfect.

    A bound from below: contact, handling and contact angle add to it. Good for ratios of two
    starts, poor for absolute times.

    Parameters
    ----------
    height_m : array-like
        Height of the drop; `hemisphere_height_m` gives it for half a sphere.
    start_temp_c, plate_temp_c : array-like
        °C.
    to_temp_c : array-like
        Temperature that ends the cooling, °C, still liquid.

    Returns
    -------
    DropletTimes

    Source
    ------
    Cooling: first term of the series for a slab with one face held at the plate's temperature
    and the other insulated, Carslaw HS, Jaeger JC (1959) Conduction of Heat in Solids, section
    3.4: t = (4 H²/pi² alpha) ln[(4/pi)(T0 − Tp)/(T − Tp)]. Freezing: Stefan's front through the
    height, rho L H²/(2 k dT).
    """
    height, start, plate, end = np.broadcast_arrays(
        *(
            np.asarray(v, dtype=np.float64)
            for v in (height_m, start_temp_c, plate_temp_c, to_temp_c)
        )
    )
    diffusivity = water.water_conductivity_w_mk(PROPERTY_TEMP_C) / (
        water.water_density_kg_m3(PROPERTY_TEMP_C)
        * water.water_heat_capacity_j_kgk(PROPERTY_TEMP_C)
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.log(4.0 / np.pi * (start - plate) / (end - plate))
    cool = 4.0 * height**2 / (np.pi**2 * diffusivity) * ratio
    cool = np.where(plate < end, np.where(start >= end, cool, np.nan), np.inf)
    cold = plate < 0.0
    below = np.where(cold, -plate, 1.0)
    freeze = front_time_s(
        height,
        difference_k=below,
        h_w_m2k=np.inf,
        density_kg_m3=water.ice_density_kg_m3(0.0),
        latent_heat_j_kg=water.FUSION_J_KG,
        conductivity_w_mk=water.ice_conductivity_w_mk(0.0),
    )
    return DropletTimes(cool_s=cool, freeze_s=np.where(cold, freeze, np.inf))
