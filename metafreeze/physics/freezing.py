"""A freezing front through a slab, a cylinder or a sphere, and the similarity solutions."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from scipy.special import erfcx

from metafreeze.options import FrontShape, require_choice
from metafreeze.results import FloatArray

# Plank's shape factors P and R, with d the full thickness or the diameter.
PLANK_FACTORS: dict[str, tuple[float, float]] = {
    "slab": (1 / 2, 1 / 8),
    "cylinder": (1 / 4, 1 / 16),
    "sphere": (1 / 6, 1 / 24),
}

_ROUNDS = 200


def _arrays(*values: npt.ArrayLike) -> list[FloatArray]:
    return list(np.broadcast_arrays(*(np.asarray(v, dtype=np.float64) for v in values)))


def plank_time_s(
    diameter_m: npt.ArrayLike,
    *,
    shape: FrontShape,
    density_kg_m3: npt.ArrayLike,
    latent_heat_j_kg: npt.ArrayLike,
    freezing_temp_c: npt.ArrayLike,
    sink_temp_c: npt.ArrayLike,
    h_w_m2k: npt.ArrayLike,
    conductivity_w_mk: npt.ArrayLike,
) -> FloatArray:
    """Time to freeze a body that is at its freezing temperature throughout.

    Parameters
    ----------
    diameter_m : array-like
        Full thickness of a slab cooled on both faces, diameter of a long cylinder or sphere.
    shape : {"slab", "cylinder", "sphere"}
        Geometry.
    density_kg_m3, latent_heat_j_kg : array-like
        Of what freezes.
    freezing_temp_c, sink_temp_c : array-like
        °C.
    h_w_m2k : array-like
        Surface coefficient, radiation and the like included.
    conductivity_w_mk : array-like
        Of the frozen part.

    Returns
    -------
    array
        Seconds; infinite where the sink is not below the freezing temperature.

    Raises
    ------
    InputError
        The shape is none of the three.

    Source
    ------
    Plank R (1913, 1941) as reprinted in ASHRAE Handbook, Refrigeration, cooling and freezing
    times of foods: t = (rho L/(T_f − T_sink)) (P d/h + R d²/k).
    """
    p, r = PLANK_FACTORS[require_choice(shape, FrontShape, name="shape")]
    d, rho, latent, h, k = _arrays(
        diameter_m, density_kg_m3, latent_heat_j_kg, h_w_m2k, conductivity_w_mk
    )
    drive = np.asarray(freezing_temp_c, dtype=np.float64) - np.asarray(sink_temp_c)
    with np.errstate(divide="ignore"):
        time_s = rho * latent / drive * (p * d / h + r * d**2 / k)
    return np.where(drive > 0.0, time_s, np.inf)


def front_time_s(
    depth_m: npt.ArrayLike,
    *,
    difference_k: npt.ArrayLike,
    h_w_m2k: npt.ArrayLike,
    density_kg_m3: npt.ArrayLike,
    latent_heat_j_kg: npt.ArrayLike,
    conductivity_w_mk: npt.ArrayLike,
) -> FloatArray:
    """Time for a front to move so far from one cooled face, its own heat capacity left out.

    Parameters
    ----------
    depth_m : array-like
        Depth of the front.
    difference_k : array-like
        Freezing temperature minus sink temperature, above zero.
    h_w_m2k : array-like
        Surface coefficient; infinite for a face held at the sink temperature.
    density_kg_m3, latent_heat_j_kg, conductivity_w_mk : array-like
        Of the ice.

    Returns
    -------
    array
        Seconds.

    Source
    ------
    Quasi-steady Stefan solution with a surface resistance, t = (rho L/dT)(s/h + s²/2k): Alexiades
    V, Solomon AD (1993) Mathematical Modeling of Melting and Freezing Processes, section 3.2.
    """
    s, drive, h, rho, latent, k = _arrays(
        depth_m, difference_k, h_w_m2k, density_kg_m3, latent_heat_j_kg, conductivity_w_mk
    )
    return rho * latent / drive * (s / h + s**2 / (2.0 * k))


def front_depth_m(
    time_s: npt.ArrayLike,
    *,
    difference_k: npt.ArrayLike,
    h_w_m2k: npt.ArrayLike,
    density_kg_m3: npt.ArrayLike,
    latent_heat_j_kg: npt.ArrayLike,
    conductivity_w_mk: npt.ArrayLike,
) -> FloatArray:
    """Depth of the front of `front_time_s` after a time.

    Parameters
    ----------
    time_s : array-like
        Seconds.
    difference_k, h_w_m2k, density_kg_m3, latent_heat_j_kg, conductivity_w_mk : array-like
        As in `front_time_s`.

    Returns
    -------
    array
        m.

    Source
    ------
    The positive root of the quadratic of `front_time_s`; with an infinite coefficient it is the
    square-root law of Stefan used for ice on lakes (degree days).
    """
    t, drive, h, rho, latent, k = _arrays(
        time_s, difference_k, h_w_m2k, density_kg_m3, latent_heat_j_kg, conductivity_w_mk
    )
    resistance = k / h
    grown = 2.0 * k * drive * t / (rho * latent)
    # Written as a quotient so that thin ice does not come out of a difference of equals.
    return grown / (resistance + np.sqrt(resistance**2 + grown))


def stefan_constant(stefan_number: npt.ArrayLike) -> FloatArray:
    """Growth constant lambda of ice on liquid that is at its freezing temperature.

    The front stands at 2 lambda sqrt(alpha t), alpha the diffusivity of the ice.

    Parameters
    ----------
    stefan_number : array-like
        Heat capacity of ice times temperature drop over latent heat, zero or above.

    Returns
    -------
    array
        No unit.

    Source
    ------
    Carslaw HS, Jaeger JC (1959) Conduction of Heat in Solids, section 11.2, and Crank J (1984)
    Free and Moving Boundary Problems, equation 3.14: lambda exp(lambda²) erf(lambda) =
    St/sqrt(pi).
    """
    return neumann_constant(stefan_number, superheat_ratio=0.0, diffusivity_ratio=1.0)


def neumann_constant(
    stefan_number: npt.ArrayLike,
    *,
    superheat_ratio: npt.ArrayLike,
    diffusivity_ratio: npt.ArrayLike,
) -> FloatArray:
    """Growth constant lambda of ice on liquid that starts above its freezing temperature.

    Parameters
    ----------
    stefan_number : array-like
        c_ice (T_f − T_wall)/L, zero or above.
    superheat_ratio : array-like
        (k_liquid/k_ice) sqrt(alpha_ice/alpha_liquid) (T_liquid − T_f)/(T_f − T_wall); zero
        for liquid at its freezing temperature.
    diffusivity_ratio : array-like
        alpha_ice/alpha_liquid.

    Returns
    -------
    array
        No unit; NaN where the Stefan number is not above zero (zero gives zero).

    Source
    ------
    Neumann's solution, Carslaw HS, Jaeger JC (1959) Conduction of Heat in Solids, section 11.2
    (equation 13), no convection, equal densities:
    exp(−l²)/erf(l) − B exp(−n l²)/erfc(l sqrt(n)) = l sqrt(pi)/St.
    """
    st, b, n = _arrays(stefan_number, superheat_ratio, diffusivity_ratio)
    root_n = np.sqrt(n)

    def falling(x: FloatArray) -> FloatArray:
        # exp(-x²)/erf(x) = 1/(exp(x²) - erfcx(x)); the scaled form cannot underflow.
        cold = 1.0 / (np.exp(np.minimum(x * x, 600.0)) - erfcx(x))
        value: FloatArray = cold - b / erfcx(x * root_n) - x * np.sqrt(np.pi) / st
        return value

    with np.errstate(divide="ignore", invalid="ignore"):
        # lambda never exceeds the answer without superheat, itself below sqrt(St/2) and below
        # sqrt(ln(1 + St)) + 1.
        high = np.minimum(np.sqrt(st / 2.0), np.sqrt(np.log1p(st)) + 1.0)
        root = _halve(falling, np.zeros_like(high), high)
    return np.where(st > 0.0, root, np.where(st == 0.0, 0.0, np.nan))


def _halve(
    falling: Callable[[FloatArray], FloatArray], low: FloatArray, high: FloatArray
) -> FloatArray:
    """Root of a falling function between two bounds, by halving to the last digit."""
    for _ in range(_ROUNDS):
        middle = 0.5 * (low + high)
        above = falling(middle) > 0.0
        low, high = np.where(above, middle, low), np.where(above, high, middle)
        if not np.any(high - low > 4e-16 * high):
            break
    return 0.5 * (low + high)


def similarity_depth_m(
    growth_constant: npt.ArrayLike, time_s: npt.ArrayLike, *, ice_diffusivity_m2_s: npt.ArrayLike
) -> FloatArray:
    """Depth of a front with a known growth constant.

    Parameters
    ----------
    growth_constant : array-like
        lambda of `stefan_constant` or `neumann_constant`.
    time_s : array-like
        Seconds.
    ice_diffusivity_m2_s : array-like
        k/(rho c) of the ice.

    Returns
    -------
    array
        m, 2 lambda sqrt(alpha t).

    Source
    ------
    Carslaw HS, Jaeger JC (1959) Conduction of Heat in Solids, section 11.2.
    """
    lam, t, alpha = _arrays(growth_constant, time_s, ice_diffusivity_m2_s)
    return 2.0 * lam * np.sqrt(alpha * t)


def similarity_time_s(
    growth_constant: npt.ArrayLike, depth_m: npt.ArrayLike, *, ice_diffusivity_m2_s: npt.ArrayLike
) -> FloatArray:
    """Time at which a front with a known growth constant has reached a depth.

    Parameters
    ----------
    growth_constant : array-like
        lambda of `stefan_constant` or `neumann_constant`.
    depth_m : array-like
        m.
    ice_diffusivity_m2_s : array-like
        k/(rho c) of the ice.

    Returns
    -------
    array
        Seconds.

    Source
    ------
    The inverse of `similarity_depth_m`.
    """
    lam, s, alpha = _arrays(growth_constant, depth_m, ice_diffusivity_m2_s)
    return (s / (2.0 * lam)) ** 2 / alpha
