"""Properties of liquid water, water vapour and ice from small published correlations.

Temperatures are in degrees Celsius, results in SI units, everything vectorised. Outside
its range a correlation gives NaN: the number would be an extrapolation, not a property.
Coefficients were written from memory of the cited publications; tests/published and
tests/oracles compare them with printed values and with two general-purpose libraries.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

ZERO_CELSIUS_K = 273.15
GAS_CONSTANT_WATER_J_KGK = 461.51805  # specific gas constant of water, IAPWS SR6-08
MOLAR_MASS_WATER_KG_MOL = 0.018015268  # IAPWS-95

# Latent heat of fusion at 0 °C and one atmosphere: Feistel R, Wagner W (2006) J. Phys. Chem.
# Ref. Data 35:1021-1047. The often quoted 333.55 and 334 kJ/kg are older or rounded.
FUSION_J_KG = 333_426.5

# Freezing-point depression by dissolved matter, K kg/mol; handbook value.
CRYOSCOPIC_K_KG_MOL = 1.86

# Where pure microlitre drops freeze without any nucleus, so no deeper supercooling is believed.
HOMOGENEOUS_FREEZING_C = -36.0

Span = tuple[float, float]


def _celsius(temp_c: npt.ArrayLike) -> FloatArray:
    return np.asarray(temp_c, dtype=np.float64)


def _clipped_kelvin(temp_c: FloatArray, span: Span) -> FloatArray:
    # Evaluating at the nearest edge keeps poles and overflows of the formula away; `_inside`
    # then turns what lay outside into NaN.
    return np.clip(temp_c, *span) + ZERO_CELSIUS_K


def _inside(values: FloatArray, temp_c: FloatArray, span: Span) -> FloatArray:
    return np.where((temp_c >= span[0]) & (temp_c <= span[1]), values, np.nan)


_DENSITY_SPAN: Span = (-30.0, 150.0)


def water_density_kg_m3(temp_c: npt.ArrayLike) -> FloatArray:
    """Density of air-free liquid water at one atmosphere.

    Parameters
    ----------
    temp_c : array-like
        Temperature in °C, any shape; −30 to 150 (supercooled below 0), NaN outside.

    Returns
    -------
    array
        Density in kg/m³, same shape. Within 0.004 kg/m³ of IAPWS-95 up to 40 °C and
        within 0.02 up to 100 °C.

    Source
    ------
    Kell GS (1975) Journal of Chemical and Engineering Data 20:97-105,
    doi:10.1021/je60064a005, the density equation (temperatures on IPTS-68).

    Examples
    --------
    >>> round(float(water_density_kg_m3(25.0)), 2)
    997.04
    """
    temp = _celsius(temp_c)
    t = np.clip(temp, *_DENSITY_SPAN)
    top = 999.83952 + t * (
        16.945176
        + t * (-7.9870401e-3 + t * (-46.170461e-6 + t * (105.56302e-9 + t * -280.54253e-12)))
    )
    return _inside(top / (1.0 + 16.879850e-3 * t), temp, _DENSITY_SPAN)


_LIQUID_SPAN: Span = (-20.0, 110.0)


def water_heat_capacity_j_kgk(temp_c: npt.ArrayLike) -> FloatArray:
    """Isobaric heat capacity of liquid water at 0.1 MPa.

    Parameters
    ----------
    temp_c : array-like
        Temperature in °C, any shape; −20 to 110, NaN outside.

    Returns
    -------
    array
        J/(kg K), same shape; within 0.1 % of IAPWS-95 from 0 to 100 °C.

    Source
    ------
    IAPWS SR6-08(2011), Properties of Liquid Water at 0.1 MPa, the heat-capacity equation:
    -cp/R = c3 + tau [sum n(n+1) a alpha^(n+2) + sum m(m+1) b beta^(m+2)], alpha = 10/(593 - T),
    beta = 10/(T - 232), tau = T/10, T in K.
    """
    temp = _celsius(temp_c)
    kelvin = _clipped_kelvin(temp, _LIQUID_SPAN)
    alpha = 10.0 / (593.0 - kelvin)
    beta = 10.0 / (kelvin - 232.0)
    total = sum(
        n * (n + 1) * a * alpha ** (n + 2)
        for n, a in ((4, -1.661470539e5), (5, 2.708781640e6), (7, -1.557191544e8))
    ) + sum(
        m * (m + 1) * b * beta ** (m + 2)
        for m, b in (
            (2, -8.237426256e-1),
            (3, 1.908956353),
            (4, -2.017597384),
            (5, 8.546361348e-1),
        )
    )
    value = -GAS_CONSTANT_WATER_J_KGK * (-8.983025854 + kelvin / 10.0 * total)
    return _inside(value, temp, _LIQUID_SPAN)


_CONDUCTIVITY_SPAN: Span = (0.0, 110.0)


def water_conductivity_w_mk(temp_c: npt.ArrayLike) -> FloatArray:
    """Thermal conductivity of liquid water at 0.1 MPa.

    Parameters
    ----------
    temp_c : array-like
        Temperature in °C, any shape; 0 to 110, NaN outside.

    Returns
    -------
    array
        W/(m K), same shape; the release states 1.5 %.

    Source
    ------
    IAPWS SR6-08(2011), the thermal-conductivity equation, sum of c (T/300 K)^d.
    """
    temp = _celsius(temp_c)
    reduced = _clipped_kelvin(temp, _CONDUCTIVITY_SPAN) / 300.0
    value = (
        1.6630 * reduced**-1.15
        - 1.7781 * reduced**-3.4
        + 1.1567 * reduced**-6.0
        - 0.432115 * reduced**-7.6
    )
    return _inside(value, temp, _CONDUCTIVITY_SPAN)


def water_viscosity_pa_s(temp_c: npt.ArrayLike) -> FloatArray:
    """Dynamic viscosity of liquid water at 0.1 MPa.

    Parameters
    ----------
    temp_c : array-like
        Temperature in °C, any shape; −20 to 110, NaN outside.

    Returns
    -------
    array
        Pa s, same shape; the release states 1 %.

    Source
    ------
    IAPWS SR6-08(2011), the viscosity equation, sum of a (T/300 K)^b in micropascal seconds.
    """
    temp = _celsius(temp_c)
    reduced = _clipped_kelvin(temp, _LIQUID_SPAN) / 300.0
    value = (
        280.68 * reduced**-1.9
        + 511.45 * reduced**-7.7
        + 61.131 * reduced**-19.6
        + 0.45903 * reduced**-40.0
    )
    return _inside(value * 1e-6, temp, _LIQUID_SPAN)


def water_expansion_per_k(temp_c: npt.ArrayLike) -> FloatArray:
    """Volume expansion coefficient of liquid water, negative below 4 °C.

    Parameters
    ----------
    temp_c : array-like
        Temperature in °C, any shape; −30 to 150, NaN outside.

    Returns
    -------
    array
        1/K, same shape.

    Source
    ------
    −(1/density) d density/dT of the density equation of Kell (1975), differentiated exactly.
    """
    temp = _celsius(temp_c)
    t = np.clip(temp, *_DENSITY_SPAN)
    slope_top = 16.945176 + t * (
        2 * -7.9870401e-3
        + t * (3 * -46.170461e-6 + t * (4 * 105.56302e-9 + t * 5 * -280.54253e-12))
    )
    bottom = 1.0 + 16.879850e-3 * t
    top = water_density_kg_m3(t) * bottom
    return _inside(-(slope_top / top - 16.879850e-3 / bottom), temp, _DENSITY_SPAN)


# Critical point of IAPWS-95, to which the saturation equations are scaled.
_CRITICAL_K = 647.096
_CRITICAL_PA = 22.064e6
_CRITICAL_KG_M3 = 322.0

_SATURATION_SPAN: Span = (0.0, 150.0)
_LIQUID_VAPOUR_SPAN: Span = (-100.0, 150.0)
_PRESSURE_TERMS = (
    (-7.85951783, 1.0),
    (1.84408259, 1.5),
    (-11.7866497, 3.0),
    (22.6807411, 3.5),
    (-15.9618719, 4.0),
    (1.80122502, 7.5),
)


def _saturation_pressure(kelvin: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Saturation pressure in Pa and its slope in Pa/K, above the triple point."""
    scaled = 1.0 - kelvin / _CRITICAL_K
    total = sum(a * scaled**e for a, e in _PRESSURE_TERMS)
    slope_total = sum(a * e * scaled ** (e - 1.0) for a, e in _PRESSURE_TERMS)
    pressure = _CRITICAL_PA * np.exp(_CRITICAL_K / kelvin * total)
    return pressure, -pressure / kelvin * (slope_total + np.log(pressure / _CRITICAL_PA))


def _supercooled_pressure(kelvin: FloatArray) -> FloatArray:
    """Pressure in Pa over supercooled water: Murphy and Koop (2005), equation 10."""
    log_k = np.log(kelvin)
    return np.exp(
        54.842763
        - 6763.22 / kelvin
        - 4.210 * log_k
        + 0.000367 * kelvin
        + np.tanh(0.0415 * (kelvin - 218.8))
        * (53.878 - 1331.22 / kelvin - 9.44523 * log_k + 0.014025 * kelvin)
    )


def vapour_pressure_water_pa(temp_c: npt.ArrayLike) -> FloatArray:
    """Vapour pressure over liquid water, supercooled below 0 °C.

    Parameters
    ----------
    temp_c : array-like
        Temperature in °C, any shape; −100 to 150, NaN outside.

    Returns
    -------
    array
        Pa, same shape; within 0.01 % of IAPWS-95 from 0 to 100 °C.

    Source
    ------
    From 0 °C: IAPWS SR1-86(1992), Saturation Properties, equation 1 (Wagner W, Pruss A (1993)
    J. Phys. Chem. Ref. Data 22:783-787). Below: Murphy DM, Koop T (2005) Quarterly Journal of
    the Royal Meteorological Society 131:1539-1565, doi:10.1256/qj.04.94, equation 10.
    """
    temp = _celsius(temp_c)
    kelvin = _clipped_kelvin(temp, _LIQUID_VAPOUR_SPAN)
    warm, _ = _saturation_pressure(np.maximum(kelvin, ZERO_CELSIUS_K))
    cold = _supercooled_pressure(np.minimum(kelvin, ZERO_CELSIUS_K))
    return _inside(np.where(temp >= 0.0, warm, cold), temp, _LIQUID_VAPOUR_SPAN)


# A hair above the triple point, so that 273.16 K taken from kelvin stays inside.
_TRIPLE_C = 0.0101
_ICE_VAPOUR_SPAN: Span = (-163.0, _TRIPLE_C)


def vapour_pressure_ice_pa(temp_c: npt.ArrayLike) -> FloatArray:
    """Vapour pressure over ice.

    Parameters
    ----------
    temp_c : array-like
        Temperature in °C, any shape; −163 to 0.01, NaN outside.

    Returns
    -------
    array
        Pa, same shape.

    Source
    ------
    Murphy DM, Koop T (2005) Quarterly Journal of the Royal Meteorological Society
    131:1539-1565, doi:10.1256/qj.04.94, equation 7.
    """
    temp = _celsius(temp_c)
    kelvin = _clipped_kelvin(temp, _ICE_VAPOUR_SPAN)
    value = np.exp(9.550426 - 5723.265 / kelvin + 3.53068 * np.log(kelvin) - 0.00728332 * kelvin)
    return _inside(value, temp, _ICE_VAPOUR_SPAN)


_SUPERCOOLED_HEAT_SPAN: Span = (-37.0, 150.0)


def latent_heat_vaporisation_j_kg(temp_c: npt.ArrayLike) -> FloatArray:
    """Heat needed to evaporate liquid water.

    Parameters
    ----------
    temp_c : array-like
        Temperature in °C, any shape; −37 to 150, NaN outside.

    Returns
    -------
    array
        J/kg, same shape; within 0.02 % of IAPWS-95 from 0 to 100 °C.

    Source
    ------
    From 0 °C: Clapeyron's equation L = T (1/rho_vapour − 1/rho_liquid) dp/dT with equations 1
    to 3 of IAPWS SR1-86(1992). Below: Murphy and Koop (2005), equation 9.
    """
    temp = _celsius(temp_c)
    kelvin = _clipped_kelvin(temp, _SUPERCOOLED_HEAT_SPAN)
    warm_k = np.maximum(kelvin, ZERO_CELSIUS_K)
    scaled = 1.0 - warm_k / _CRITICAL_K
    liquid = _CRITICAL_KG_M3 * (
        1.0
        + 1.99274064 * scaled ** (1 / 3)
        + 1.09965342 * scaled ** (2 / 3)
        - 0.510839303 * scaled ** (5 / 3)
        - 1.75493479 * scaled ** (16 / 3)
        - 45.5170352 * scaled ** (43 / 3)
        - 6.74694450e5 * scaled ** (110 / 3)
    )
    vapour = _CRITICAL_KG_M3 * np.exp(
        -2.03150240 * scaled ** (2 / 6)
        - 2.68302940 * scaled ** (4 / 6)
        - 5.38626492 * scaled ** (8 / 6)
        - 17.2991605 * scaled ** (18 / 6)
        - 44.7586581 * scaled ** (37 / 6)
        - 63.9201063 * scaled ** (71 / 6)
    )
    _, slope = _saturation_pressure(warm_k)
    warm = warm_k * (1.0 / vapour - 1.0 / liquid) * slope
    cold_k = np.minimum(kelvin, ZERO_CELSIUS_K)
    cold = (56579.0 - 42.212 * cold_k + np.exp(0.1149 * (281.6 - cold_k))) / MOLAR_MASS_WATER_KG_MOL
    return _inside(np.where(temp >= 0.0, warm, cold), temp, _SUPERCOOLED_HEAT_SPAN)


_SUBLIMATION_SPAN: Span = (-243.0, _TRIPLE_C)


def latent_heat_sublimation_j_kg(temp_c: npt.ArrayLike) -> FloatArray:
    """Heat needed to turn ice into vapour.

    Parameters
    ----------
    temp_c : array-like
        Temperature in °C, any shape; −243 to 0.01, NaN outside.

    Returns
    -------
    array
        J/kg, same shape.

    Source
    ------
    Murphy DM, Koop T (2005) Quarterly Journal of the Royal Meteorological Society
    131:1539-1565, doi:10.1256/qj.04.94, equation 5.
    """
    temp = _celsius(temp_c)
    kelvin = _clipped_kelvin(temp, _SUBLIMATION_SPAN)
    molar = (
        46782.5 + 35.8925 * kelvin - 0.07414 * kelvin**2 + 541.5 * np.exp(-((kelvin / 123.75) ** 2))
    )
    return _inside(molar / MOLAR_MASS_WATER_KG_MOL, temp, _SUBLIMATION_SPAN)


_FUSION_SPAN: Span = (-20.0, 0.0)
_GAUSS_NODES, _GAUSS_WEIGHTS = np.polynomial.legendre.leggauss(12)


def latent_heat_fusion_j_kg(temp_c: npt.ArrayLike) -> FloatArray:
    """Heat set free when water supercooled to `temp_c` freezes at that temperature.

    Parameters
    ----------
    temp_c : array-like
        Temperature in °C, any shape; −20 to 0, NaN outside.

    Returns
    -------
    array
        J/kg, same shape.

    Source
    ------
    Kirchhoff's rule L(T) = L(0 °C) − integral from T to 0 °C of (cp_water − cp_ice), with
    L(0 °C) of Feistel and Wagner (2006), cp_water of IAPWS SR6-08 and cp_ice of IAPWS R10-06.
    """
    temp = _celsius(temp_c)
    t = np.clip(temp, *_FUSION_SPAN)
    nodes = 0.5 * t[..., np.newaxis] * (1.0 - _GAUSS_NODES)
    excess = water_heat_capacity_j_kgk(nodes) - ice_heat_capacity_j_kgk(nodes)
    # t is negative, so half of it times the weights integrates from 0 °C down to t.
    return _inside(FUSION_J_KG + 0.5 * t * (excess @ _GAUSS_WEIGHTS), temp, _FUSION_SPAN)


# Gibbs energy of ice Ih at one atmosphere: IAPWS R10-06(2009), table 2. At that pressure only
# the terms below matter to heat capacity and density.
_ICE_SPAN: Span = (-270.0, _TRIPLE_C)
_TRIPLE_K = 273.16
_TRIPLE_PA = 611.657
_ICE_G01 = 0.655022213658955
_ICE_T1 = 0.368017112855051e-1 + 0.510878114959572e-1j
_ICE_R1 = 0.447050716285388e2 + 0.656876847463481e2j
_ICE_T2 = 0.337315741065416 + 0.335449415919309j
_ICE_R20 = -0.725974574329220e2 - 0.781008427112870e2j
_ICE_R21 = -0.557107698030123e-4 + 0.464578634580806e-4j


def ice_heat_capacity_j_kgk(temp_c: npt.ArrayLike) -> FloatArray:
    """Isobaric heat capacity of ice at one atmosphere.

    Parameters
    ----------
    temp_c : array-like
        Temperature in °C, any shape; −270 to 0, NaN outside.

    Returns
    -------
    array
        J/(kg K), same shape.

    Source
    ------
    IAPWS R10-06(2009), cp = −T d²g/dT², doi:10.1063/1.2183324 (Feistel and Wagner 2006).
    """
    temp = _celsius(temp_c)
    tau = _clipped_kelvin(temp, _ICE_SPAN) / _TRIPLE_K
    curvature = sum(
        (r * (1.0 / (t - tau) + 1.0 / (t + tau) - 2.0 / t)).real
        for r, t in ((_ICE_R1, _ICE_T1), (_ICE_R20, _ICE_T2))
    )
    return _inside(-tau * curvature, temp, _ICE_SPAN)


def ice_density_kg_m3(temp_c: npt.ArrayLike) -> FloatArray:
    """Density of ice at one atmosphere.

    Parameters
    ----------
    temp_c : array-like
        Temperature in °C, any shape; −270 to 0, NaN outside.

    Returns
    -------
    array
        kg/m³, same shape.

    Source
    ------
    IAPWS R10-06(2009), 1/density = dg/dp, doi:10.1063/1.2183324 (Feistel and Wagner 2006).
    """
    temp = _celsius(temp_c)
    tau = _clipped_kelvin(temp, _ICE_SPAN) / _TRIPLE_K
    t = _ICE_T2
    shape = (
        (t - tau) * np.log(t - tau) + (t + tau) * np.log(t + tau) - 2.0 * t * np.log(t) - tau**2 / t
    )
    volume = (_ICE_G01 + _TRIPLE_K * (_ICE_R21 * shape).real) / _TRIPLE_PA
    return _inside(1.0 / volume, temp, _ICE_SPAN)


_ICE_CONDUCTIVITY_SPAN: Span = (-40.0, 0.0)


def ice_conductivity_w_mk(temp_c: npt.ArrayLike) -> FloatArray:
    """Thermal conductivity of ice.

    Parameters
    ----------
    temp_c : array-like
        Temperature in °C, any shape; −40 to 0, NaN outside.

    Returns
    -------
    array
        W/(m K), same shape. Printed tables differ by 4 % among themselves at 0 °C.

    Source
    ------
    ASHRAE Handbook, Refrigeration, thermal properties of foods, ice conductivity (after Choi Y,
    Okos MR 1986): 2.2196 − 6.2489e-3 t + 1.0154e-4 t².
    """
    temp = _celsius(temp_c)
    t = np.clip(temp, *_ICE_CONDUCTIVITY_SPAN)
    return _inside(2.2196 + t * (-6.2489e-3 + t * 1.0154e-4), temp, _ICE_CONDUCTIVITY_SPAN)
