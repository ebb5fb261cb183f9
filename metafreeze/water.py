"""Properties of liquid water, water vapour, ice and air from small published correlations.

Temperatures are in degrees Celsius, results in SI units, everything vectorised. Outside
its range a correlation gives NaN: the number would be an extrapolation, not a property.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from metafreeze.results import FloatArray

ZERO_CELSIUS_K = 273.15

# Range of the density equation: Kell fitted liquid water from the supercooled region up.
DENSITY_RANGE_C = (-30.0, 150.0)


def _inside(values: FloatArray, temp_c: FloatArray, span: tuple[float, float]) -> FloatArray:
    return np.where((temp_c >= span[0]) & (temp_c <= span[1]), values, np.nan)


def water_density_kg_m3(temp_c: npt.ArrayLike) -> FloatArray:
    """Density of air-free liquid water at one atmosphere.

    Parameters
    ----------
    temp_c : array-like
        Temperature in °C, any shape; −30 to 150 (supercooled below 0), NaN outside.

    Returns
    -------
    array
        Density in kg/m³, same shape. Within 0.003 kg/m³ of IAPWS-95 up to 40 °C and
        within 0.02 up to 100 °C.

    Source
    ------
    Kell GS (1975) Journal of Chemical and Engineering Data 20:97-105,
    doi:10.1021/je60064a005, the density equation (temperatures on IPTS-68). Coefficients
    from memory; checked in tests/published and tests/oracles.

    Examples
    --------
    >>> round(float(water_density_kg_m3(25.0)), 2)
    997.04
    """
    t = np.asarray(temp_c, dtype=np.float64)
    top = 999.83952 + t * (
        16.945176
        + t * (-7.9870401e-3 + t * (-46.170461e-6 + t * (105.56302e-9 + t * -280.54253e-12)))
    )
    # Silence the pole at t = -59.2 °C, which lies outside the range and becomes NaN.
    with np.errstate(divide="ignore", invalid="ignore"):
        return _inside(top / (1.0 + 16.879850e-3 * t), t, DENSITY_RANGE_C)
