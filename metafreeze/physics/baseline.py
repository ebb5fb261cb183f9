"""What ordinary physics expects of a run: its time to each endpoint, without any randomness.

Pure functions of a setup. Whoever simulates puts the noise on top; whoever analyses draws
the parameters and calls the same functions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from metafreeze import water
from metafreeze.errors import InputError
from metafreeze.options import Endpoint, require_choice
from metafreeze.physics.cooling import (
    COLDEST_LIQUID_C,
    NODES,
    Cooling,
    HeatFlows,
    cool_to,
    ice_cooling_time_s,
    liquid_enthalpy_j_kg,
)
from metafreeze.physics.setup import Setup, filling_height_m
from metafreeze.results import FloatArray

_ICE_W_MK = float(water.ice_conductivity_w_mk(0.0))
DEEPEST_SUPERCOOLING_K = -COLDEST_LIQUID_C


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CoolingTimes:
    """Expected time of each run to its endpoint.

    Parameters
    ----------
    time_s : array
        Seconds from insertion (for `t_residual`, from passing the named temperature);
        infinite where the sink never brings the water there, NaN where the run starts beyond
        the endpoint or a parameter is missing.
    mass_lost_g : array
        Water evaporated before it froze, g: up to the endpoint, at most up to first ice.
    """

    time_s: FloatArray
    mass_lost_g: FloatArray


def cooling_times(
    setup: Setup,
    *,
    endpoint: Endpoint = "t_solid",
    threshold_c: npt.ArrayLike = 0.0,
    supercooling_k: npt.ArrayLike = 0.0,
    residual_from_c: npt.ArrayLike | None = None,
    residual_endpoint: Endpoint = "t_zero",
    nodes: int = NODES,
) -> CoolingTimes:
    """Time from insertion to an endpoint by cooling, evaporation and latent heat alone.

    When to use it: to simulate runs, or as the expected time of runs whose parameters are
    known. What it assumes: one temperature for the water (poor below 4 °C and in vessels cooled
    from the top only), constant coefficients or a power law, a sink that does not warm.

    Parameters
    ----------
    setup : Setup
        Vessels and sinks, any shape.
    endpoint : str
        An endpoint of the schema other than `ice_at_time`, for which see `ice_mass_g`.
    threshold_c : array-like
        Temperature of the crossing, for `t_threshold`; below 0 °C it is the ice's.
    supercooling_k : array-like
        Depth below 0 °C at which ice forms: the whole delay of `t_first_ice`, a short one of
        `t_solid` (part of the heat has left by then, at a slightly lower rate). 0 to 20.
    residual_from_c : array-like, optional
        Temperature from which `t_residual` is counted.
    residual_endpoint : str
        Endpoint to which `t_residual` is counted.
    nodes : int
        Gauss nodes of the cooling step.

    Returns
    -------
    CoolingTimes

    Raises
    ------
    InputError
        The endpoint is unknown, has no time, or lacks the temperature it is counted from.

    Source
    ------
    Cooling: see `cool_to`. Freezing: latent heat over the heat that leaves at 0 °C,
    t_f = m L_f/Q(0 °C) (lumped; Incropera and DeWitt, chapter 5), lengthened by the conduction
    term of Plank's equation, h d/(4 k), times `setup.ice_resistance`.
    """
    require_choice(endpoint, Endpoint, name="endpoint")
    if endpoint == "ice_at_time":
        raise InputError(
            'endpoint is "ice_at_time", which is a mass at a fixed time. Use ice_mass_g.'
        )
    if endpoint == "t_residual":
        if residual_from_c is None:
            raise InputError(
                "t_residual needs residual_from_c, the temperature from which it is counted."
            )
        if residual_endpoint in ("t_residual", "ice_at_time"):
            raise InputError(
                f'residual_endpoint is "{residual_endpoint}". Choose "t_threshold", "t_zero", '
                '"t_first_ice", "t_plateau_end" or "t_solid".'
            )
        whole = cooling_times(
            setup,
            endpoint=residual_endpoint,
            threshold_c=threshold_c,
            supercooling_k=supercooling_k,
            nodes=nodes,
        )
        handicap = cool_to(setup, residual_from_c, nodes=nodes).time_s
        with np.errstate(invalid="ignore"):
            return CoolingTimes(
                time_s=whole.time_s - handicap, mass_lost_g=whole.mass_lost_g + 0.0 * handicap
            )
    depth = _supercooling(supercooling_k)
    if endpoint == "t_threshold":
        return _threshold_times(setup, np.asarray(threshold_c, dtype=np.float64), depth, nodes)
    if endpoint == "t_zero":
        return _liquid_times(setup, np.asarray(0.0), nodes)
    if endpoint == "t_first_ice":
        return _liquid_times(setup, -depth, nodes)
    return _solid_times(setup, depth, nodes)


def _supercooling(supercooling_k: npt.ArrayLike) -> FloatArray:
    depth = np.asarray(supercooling_k, dtype=np.float64)
    if np.any((depth < 0.0) | (depth > DEEPEST_SUPERCOOLING_K)):
        raise InputError(
            f"supercooling_k reaches {np.nanmin(depth):g} to {np.nanmax(depth):g}. Give a depth "
            f"from 0 to {DEEPEST_SUPERCOOLING_K:g} K; deeper, the properties of water are unknown."
        )
    return depth


def _liquid_times(setup: Setup, to_temp_c: FloatArray, nodes: int) -> CoolingTimes:
    cooled = cool_to(setup, to_temp_c, nodes=nodes)
    return CoolingTimes(time_s=cooled.time_s, mass_lost_g=setup.array("mass_g") - cooled.mass_g)


def _solid_times(setup: Setup, depth: FloatArray, nodes: int) -> CoolingTimes:
    liquid = cool_to(setup, -depth, nodes=nodes, with_flows=True)
    rest = _freezing_time_s(setup, liquid)
    if np.any(depth):
        rest = rest * _unfrozen_share(depth)
    return CoolingTimes(
        # Water that never supercools so far has no mass at that point, but its time is known.
        time_s=np.where(np.isinf(liquid.time_s), np.inf, liquid.time_s + rest),
        mass_lost_g=setup.array("mass_g") - liquid.mass_g,
    )


def _unfrozen_share(depth: FloatArray) -> FloatArray:
    """Share still liquid once supercooled water has warmed itself to 0 °C by freezing."""
    return 1.0 + liquid_enthalpy_j_kg(-depth) / water.FUSION_J_KG


def _freezing_time_s(setup: Setup, liquid: Cooling) -> FloatArray:
    """Latent heat of the water left over the heat that leaves at 0 °C."""
    flows = liquid.flows
    if flows is None:
        raise ValueError("the heat flows of freezing were not asked for")
    total = flows.top + flows.base
    total += flows.side
    with np.errstate(divide="ignore", invalid="ignore"):
        time_s = liquid.mass_g * (1e-3 * water.FUSION_J_KG)
        time_s /= total
        if np.any(setup.array("ice_resistance")):
            biot = _ice_biot(setup, liquid.mass_g, flows)
            time_s *= 1.0 + setup.array("ice_resistance") * biot
    return np.where(setup.array("sink_temp_c") >= 0.0, np.inf, time_s)


def _ice_biot(setup: Setup, mass_g: FloatArray, flows: HeatFlows) -> FloatArray:
    """Conduction term of Plank's equation over its surface term, h d/(4 k), mean over the faces.

    In all three shapes of Plank's equation the ratio is h d/(4 k), d the diameter or the full
    thickness; from one face alone it is h H/(2 k). Each face freezes the share of the water
    that matches its share of the heat, so it counts with that share of the diameter (side) or
    of twice the height (ends), and is weighed by its heat.
    """
    total = flows.top + flows.base + flows.side
    height = filling_height_m(mass_g, setup.diameter_mm)
    diameter = setup.array("diameter_mm") * 1e-3
    drive = -setup.array("sink_temp_c")
    end_area = np.pi / 4.0 * diameter**2
    biot = np.zeros(())
    for flow, area, thickness in (
        (flows.side, np.pi * diameter * height, diameter),
        (flows.top, end_area, 2.0 * height),
        (flows.base, end_area, 2.0 * height),
    ):
        share = flow / total
        biot = biot + share * (flow / (area * drive)) * thickness * share
    return np.asarray(biot / (4.0 * _ICE_W_MK), dtype=np.float64)


def _threshold_times(
    setup: Setup, threshold: FloatArray, depth: FloatArray, nodes: int
) -> CoolingTimes:
    shape = np.broadcast_shapes(setup.shape, threshold.shape, depth.shape)
    warm = cool_to(setup, np.maximum(threshold, 0.0), nodes=nodes)
    time_s = np.broadcast_to(warm.time_s, shape)
    lost = np.broadcast_to(setup.array("mass_g") - warm.mass_g, shape)
    if not np.any(threshold < 0.0):
        return CoolingTimes(time_s=time_s, mass_lost_g=lost)
    solid = _solid_times(setup, depth, nodes)
    ice_g = setup.array("mass_g") - solid.mass_lost_g
    ice = solid.time_s + ice_cooling_time_s(setup, np.minimum(threshold, 0.0), mass_g=ice_g)
    frozen = threshold < 0.0
    return CoolingTimes(
        time_s=np.where(frozen, ice, time_s), mass_lost_g=np.where(frozen, solid.mass_lost_g, lost)
    )


def ice_mass_g(
    setup: Setup, *, at_time_s: npt.ArrayLike, supercooling_k: npt.ArrayLike = 0.0
) -> FloatArray:
    """Ice in the vessel at a fixed time, for the endpoint `ice_at_time`.

    Parameters
    ----------
    setup : Setup
        Vessels and sinks.
    at_time_s : array-like
        Seconds from insertion.
    supercooling_k : array-like
        Depth at which ice formed; that share of the water freezes at once.

    Returns
    -------
    array
        g, from 0 to the water left; 0 where ice has not formed by then.

    Source
    ------
    The freezing part of `cooling_times`, at a constant rate.
    """
    depth = _supercooling(supercooling_k)
    liquid = cool_to(setup, -depth, with_flows=True)
    since = np.asarray(at_time_s, dtype=np.float64) - liquid.time_s
    at_once = 1.0 - _unfrozen_share(depth)
    grown = at_once + since / _freezing_time_s(setup, liquid)
    ice = np.clip(grown, 0.0, 1.0) * liquid.mass_g
    return np.where(since < 0.0, 0.0, ice)


def pair_log_ratio(
    setup: Setup,
    *,
    hot_c: npt.ArrayLike,
    cold_c: npt.ArrayLike,
    endpoint: Endpoint = "t_solid",
    threshold_c: npt.ArrayLike = 0.0,
    supercooling_k: npt.ArrayLike = 0.0,
    residual_endpoint: Endpoint = "t_zero",
) -> FloatArray:
    """Natural logarithm of the expected time of the hotter over that of the colder.

    Parameters
    ----------
    setup : Setup
        Vessel and sink; its start temperature is replaced.
    hot_c, cold_c : array-like
        The pair of start temperatures, °C. For `t_residual` both are counted from `cold_c`.
    endpoint, threshold_c, supercooling_k, residual_endpoint
        As in `cooling_times`.

    Returns
    -------
    array
        ln(t_hot/t_cold); below zero where physics itself lets the hotter one finish first.

    Source
    ------
    Two calls of `cooling_times`.
    """
    hot, cold = (
        cooling_times(
            setup.with_(start_temp_c=start),
            endpoint=endpoint,
            threshold_c=threshold_c,
            supercooling_k=supercooling_k,
            residual_from_c=cold_c,
            residual_endpoint=residual_endpoint,
        ).time_s
        for start in (hot_c, cold_c)
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.log(hot) - np.log(cold)


def slope_per_10k(
    setup: Setup,
    *,
    hot_c: npt.ArrayLike,
    cold_c: npt.ArrayLike,
    endpoint: Endpoint = "t_solid",
    threshold_c: npt.ArrayLike = 0.0,
    supercooling_k: npt.ArrayLike = 0.0,
) -> FloatArray:
    """Divide the expected log time ratio of a pair by the distance of its starts in 10 K.

    Physics is curved in start temperature, so the slope belongs to its pair.

    Parameters
    ----------
    setup, hot_c, cold_c, endpoint, threshold_c, supercooling_k
        As in `pair_log_ratio`.

    Returns
    -------
    array
        Per 10 K.

    Source
    ------
    `pair_log_ratio` over (hot − cold)/10 K.
    """
    ratio = pair_log_ratio(
        setup,
        hot_c=hot_c,
        cold_c=cold_c,
        endpoint=endpoint,
        threshold_c=threshold_c,
        supercooling_k=supercooling_k,
    )
    distance = np.asarray(hot_c, dtype=np.float64) - np.asarray(cold_c, dtype=np.float64)
    slope: FloatArray = ratio / (distance / 10.0)
    return slope
