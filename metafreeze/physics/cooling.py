"""The lumped open vessel: convection, radiation, contact and evaporation, one temperature.

The balance has no explicit time, so temperature is the independent variable. With
u = ln|T − T_sink| the integrands are nearly constant (exactly constant where conductance
and heat capacity are, which gives Newton's closed form back), and a few Gauss nodes give
many digits. Mass enters its own equation only through the wetted side, so a short
fixed-point iteration at the nodes closes the system.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from metafreeze import water
from metafreeze.errors import InputError
from metafreeze.physics.setup import FILLING_KG_M3, REFERENCE_DIFFERENCE_K, Setup
from metafreeze.results import FloatArray, IntArray

STEFAN_BOLTZMANN_W_M2K4 = 5.670374419e-8  # CODATA 2018
GAS_CONSTANT_AIR_J_KGK = 287.05  # dry air, handbook value
AIR_HEAT_CAPACITY_J_KGK = 1006.0  # dry air near 0 °C, handbook value
LEWIS_NUMBER = 0.85  # water vapour in air, handbook value

_ICE_VAPOUR_PA = float(water.vapour_pressure_ice_pa(0.0))
_SUBLIMATION_J_KG = float(water.latent_heat_sublimation_j_kg(0.0))

# Nodes per step. Six keep the time of any start up to 90 °C within 1e-4 of the limit in one
# step (tests/oracles measures it); starts near boiling with strong evaporation need more.
NODES = 6

# Numbers in one array of nodes times runs. The dozen arrays of a batch then stay in a
# second-level cache, each below the size (128 KiB) from which an allocator asks the system.
_BATCH_NUMBERS = 15_000

# Rounds of the fixed-point iteration for the mass. Each leaves a few per cent of the error
# before, so four stay below the error of six nodes in one step. The quick way always takes as
# many, so that no run's result depends on the others in its batch; the fine way goes on until
# ln(mass) rests.
_QUICK_ROUNDS, _FINE_ROUNDS, _FINE_CHANGE = 4, 60, 1e-12

# Evaporation at the boiling point has an integrable logarithmic singularity; this keeps the
# logarithm finite there and changes a cooling time by less than 1e-9 of itself.
_LARGEST_VAPOUR_SHARE = 1.0 - 1e-12

# Spans of the property fits, which meet at 0 °C because the vapour-pressure formulas do.
Span = tuple[float, float]
_WARM: Span = (0.0, 100.0)
_SUPERCOOLED: Span = (-20.0, 0.0)
_FROZEN: Span = (-200.0, 0.0)
COLDEST_LIQUID_C = _SUPERCOOLED[0]

# The fits are polynomials in 1/(T + 200 °C): in that variable both vapour pressure (nearly
# Antoine's form) and heat capacity need few terms. Largest relative errors of the fits: heat
# capacity 4e-6 on the quick way and below 5e-7 on the fine one, since the energy balance is to
# close to 1e-6 there; heat of evaporation 2e-5 (7e-5 below 0 °C) and vapour pressure 1e-5, a tenth
# of what their correlations are good for.
_FIT_OFFSET_K = 200.0
_CAPACITY_DEGREE_QUICK, _CAPACITY_DEGREE_FINE, _LATENT_DEGREE, _PRESSURE_DEGREE = 6, 9, 4, 4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeatFlows:
    """Heat leaving through top (evaporation included), base and side, W."""

    top: FloatArray
    base: FloatArray
    side: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cooling:
    """What happened between insertion and a temperature.

    Parameters
    ----------
    time_s : array
        Seconds; infinite where the sink can never bring the water there, NaN where the water
        starts beyond the temperature or a parameter is missing.
    mass_g : array
        Water left, g.
    dry_heat_j, latent_heat_j, carried_heat_j : array
        Heat given off by convection, radiation and contact; heat of evaporation; enthalpy
        (liquid, counted from 0 °C) of the water that left as vapour. NaN unless asked for.
    flows : HeatFlows or None
        Heat that leaves once the surface is ice at 0 °C; None unless asked for.
    """

    time_s: FloatArray
    mass_g: FloatArray
    dry_heat_j: FloatArray
    latent_heat_j: FloatArray
    carried_heat_j: FloatArray
    flows: HeatFlows | None


@dataclass(frozen=True, slots=True)
class _Rule:
    """Gauss nodes on (0, 1), weights, and the integrals from 0 to each node and to 1."""

    nodes: FloatArray
    weights: FloatArray
    running: FloatArray


@cache
def _rule(order: int) -> _Rule:
    x, weights = (np.asarray(v) for v in np.polynomial.legendre.leggauss(order))
    # Lagrange polynomials of the nodes, integrated exactly: columns of inverse Vandermonde
    # in the Legendre basis, whose integrals are known in closed form.
    basis = np.polynomial.legendre.legvander(x, order)
    integrals = np.empty((order, order))
    integrals[:, 0] = x + 1.0
    for n in range(1, order):
        integrals[:, n] = (basis[:, n + 1] - basis[:, n - 1]) / (2 * n + 1)
    running = np.linalg.solve(basis[:, :order].T, integrals.T).T
    return _Rule(
        nodes=(x + 1.0) / 2.0,
        weights=weights / 2.0,
        running=np.vstack([running, weights]) / 2.0,
    )


Polynomial = tuple[float, ...]
Runs = IntArray | slice


@cache
def _scaling(span: Span) -> tuple[float, float]:
    """Factor and shift that bring 1/(T + 200 °C) over a span to the interval from -1 to 1."""
    cold, warm = (1.0 / (t + _FIT_OFFSET_K) for t in span)
    factor = 2.0 / (cold - warm)
    return factor, factor * (cold + warm) / 2.0


@cache
def _fit(function: Callable[[FloatArray], FloatArray], degree: int, span: Span) -> Polynomial:
    """Replace a property by a polynomial in the scaled variable, highest power first."""
    factor, shift = _scaling(span)
    x = np.cos(np.pi * (np.arange(200) + 0.5) / 200)
    temp_c = factor / (x + shift) - _FIT_OFFSET_K
    fitted = np.polynomial.Chebyshev.fit(x, function(temp_c), degree, domain=[-1.0, 1.0])
    power = fitted.convert(kind=np.polynomial.Polynomial)
    return tuple(float(c) for c in power.coef[::-1])


def _horner(coefficients: Polynomial, x: FloatArray) -> FloatArray:
    total = x * coefficients[0]
    total += coefficients[1]
    for c in coefficients[2:]:
        total *= x
        total += c
    return total


def _log_vapour_pressure(temp_c: FloatArray) -> FloatArray:
    return np.log(water.vapour_pressure_water_pa(temp_c))


def _sink_vapour_kg_m3(sink_temp_c: FloatArray, air_rh: FloatArray) -> FloatArray:
    """Vapour density of the sink's air: over ice below 0 °C, over water above."""
    pressure = water.vapour_pressure_ice_pa(np.clip(sink_temp_c, -160.0, 0.0))
    above = sink_temp_c > 0.0
    if np.any(above):
        warm = water.vapour_pressure_water_pa(np.clip(sink_temp_c, 0.0, 100.0))
        pressure = np.where(above, warm, pressure)
    kelvin = sink_temp_c + water.ZERO_CELSIUS_K
    return air_rh * pressure / (water.GAS_CONSTANT_WATER_J_KGK * kelvin)


class _Rates:
    """Conductance and evaporation of a batch of runs at given temperatures.

    Everything is per unit of starting mass. Symbols follow the balance
    m c dT/dt = −[U_b A_b + U_s A_s + (h_c + h_r) A_t](T − T_sink) − m' L. Arrays made here are
    changed in place further on: the inner loop spends its time in memory, not in arithmetic.
    """

    def __init__(self, flat: dict[str, FloatArray], runs: Runs) -> None:
        def take(name: str) -> FloatArray:
            return _part(flat[name], runs)

        diameter_m = take("diameter_mm") * 1e-3
        self.top = (np.pi / 4.0 * 1e3) * diameter_m**2 / take("mass_g")
        self.side = (4.0 / FILLING_KG_M3) / diameter_m * take("side_share")
        self.sink_c = take("sink_temp_c")
        self.sink_k = self.sink_c + water.ZERO_CELSIUS_K
        self.sink_k2 = self.sink_k * self.sink_k
        self.h_air = take("h_air_w_m2k")
        h_side = take("h_side_w_m2k")
        self.side_is_air = np.isnan(h_side)
        self.h_side = None if self.side_is_air.all() else np.where(self.side_is_air, 0.0, h_side)
        exponent = take("h_exponent")
        self.exponent = exponent if np.any(exponent != 0.0) else None
        wall = take("wall_resistance_m2k_w")
        self.wall = wall if np.any(wall != 0.0) else None
        self.base = take("h_base_w_m2k") * self.top
        self.radiation = take("emissivity") * STEFAN_BOLTZMANN_W_M2K4
        self.pressure = take("pressure_pa")
        evaporation = take("evaporation")
        self.evaporates = bool(np.any(evaporation != 0.0))
        if self.evaporates:
            # Mass transfer from heat transfer (Chilton and Colburn): h_m = h_c/(rho c Le^2/3),
            # rho of air at the film temperature, so 1/rho = R (T + T_sink)/(2 p).
            lewis = 2.0 * AIR_HEAT_CAPACITY_J_KGK * LEWIS_NUMBER ** (2.0 / 3.0)
            self.transfer = evaporation * self.top * (GAS_CONSTANT_AIR_J_KGK / lewis)
            self.transfer = self.transfer / self.pressure
            self.sink_vapour = _sink_vapour_kg_m3(self.sink_c, take("air_rh"))

    def air(self, difference: FloatArray) -> FloatArray:
        """Convection coefficient of the air at |T − T_sink|, W/(m² K)."""
        if self.exponent is None:
            return self.h_air
        strength: FloatArray = np.abs(difference) / REFERENCE_DIFFERENCE_K
        strength **= self.exponent
        strength *= self.h_air
        return strength

    def conductance(self, kelvin: FloatArray, air: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Dry conductance over starting mass, W/(K kg): without the side, and of the full side."""
        surface = kelvin * kelvin
        surface += self.sink_k2
        surface *= kelvin + self.sink_k
        surface *= self.radiation
        surface += air
        fixed = surface * self.top
        fixed += self.base
        if self.h_side is not None:
            surface = np.where(self.side_is_air, surface, self.h_side)
        if self.wall is not None:
            surface /= 1.0 + surface * self.wall
        surface *= self.side
        return fixed, surface

    def vapour_flux(self, kelvin: FloatArray, pressure: FloatArray, air: FloatArray) -> FloatArray:
        """Evaporation over starting mass, 1/s: diffusion with the outward (Stefan) flow.

        m' = h_m A [rho_sat(T) − rho_sink] [−ln(1 − y)/y], y = p_sat/p, written so that one
        logarithm serves: −ln(1 − y) [p/(R T) − rho_sink/y].
        """
        share = pressure / self.pressure
        np.minimum(share, _LARGEST_VAPOUR_SHARE, out=share)
        flux = self.pressure / water.GAS_CONSTANT_WATER_J_KGK / kelvin
        flux -= self.sink_vapour / share
        np.negative(share, out=share)
        flux *= np.log1p(share, out=share)
        flux *= kelvin + self.sink_k
        flux *= air * -self.transfer
        return flux

    def flows_at_zero(self, share: FloatArray | float, runs: int) -> FloatArray:
        """Heat leaving through top, base and side at 0 °C over starting mass, shape (3, runs).

        The surface is ice, so vapour pressure and heat are those of ice.
        """
        kelvin = np.full(runs, water.ZERO_CELSIUS_K)
        difference = -self.sink_c
        air = self.air(difference)
        fixed, side = self.conductance(kelvin, air)
        flows = np.empty((3, runs))
        flows[0] = (fixed - self.base) * difference
        flows[1] = self.base * difference
        flows[2] = side * difference * share
        if self.evaporates:
            flux = self.vapour_flux(kelvin, np.full(runs, _ICE_VAPOUR_PA), air)
            flows[0] += flux * _SUBLIMATION_J_KG
        return flows


class _Leg:
    """Where a batch of runs stands: time, share of the starting mass, and the heats so far."""

    def __init__(self, runs: int, *, with_heat: bool = False, quick: bool = True) -> None:
        self.quick = quick
        self.time_s = np.zeros(runs)
        self.share: FloatArray | None = None  # nothing lost yet
        self.heat = np.zeros((3, runs)) if with_heat else None

    def part(self, runs: IntArray) -> _Leg:
        """Copy the state of some runs."""
        some = _Leg(runs.size, with_heat=self.heat is not None, quick=self.quick)
        some.time_s = self.time_s[runs]
        some.share = None if self.share is None else self.share[runs]
        if self.heat is not None:
            some.heat = self.heat[:, runs]
        return some

    def put(self, runs: IntArray, some: _Leg) -> None:
        """Write the state of some runs back."""
        self.time_s[runs] = some.time_s
        if some.share is not None:
            if self.share is None:
                self.share = np.ones_like(self.time_s)
            self.share[runs] = some.share
        if self.heat is not None and some.heat is not None:
            self.heat[:, runs] = some.heat


def _march(
    rates: _Rates, leg: _Leg, start_c: FloatArray, end_c: FloatArray, span: Span, rule: _Rule
) -> None:
    """Move a batch from one temperature to another inside one span, updating `leg`.

    With u = ln|T − T_sink|, share M of the starting mass and conductance K over it:
    d ln M/du = m' c/(K(M) + m' L/(T − T_sink)) and dt/du = −M c/(K(M) + m' L/(T − T_sink)).
    """
    first = start_c - rates.sink_c
    log_first = np.log(np.abs(first))
    step = np.log(np.abs(end_c - rates.sink_c))
    step -= log_first
    difference = rule.nodes[:, np.newaxis] * step
    difference += log_first
    np.exp(difference, out=difference)
    if not np.all(first > 0.0):
        difference *= np.sign(first)
    kelvin = difference + rates.sink_k
    air = rates.air(difference)
    dry, side = rates.conductance(kelvin, air)
    if span == _FROZEN:
        capacity = water.ice_heat_capacity_j_kgk(kelvin - water.ZERO_CELSIUS_K)
    else:
        factor, shift = _scaling(span)
        scaled = kelvin - (water.ZERO_CELSIUS_K - _FIT_OFFSET_K)
        np.divide(factor, scaled, out=scaled)
        scaled -= shift
        degree = _CAPACITY_DEGREE_QUICK if leg.quick else _CAPACITY_DEGREE_FINE
        capacity = _horner(_fit(water.water_heat_capacity_j_kgk, degree, span), scaled)
    flux: FloatArray | None = None
    wet: FloatArray | None = None
    share: FloatArray | float = 1.0 if leg.share is None else leg.share
    if rates.evaporates and span != _FROZEN:
        pressure = _horner(_fit(_log_vapour_pressure, _PRESSURE_DEGREE, span), scaled)
        flux = rates.vapour_flux(kelvin, np.exp(pressure, out=pressure), air)
        # Heat taken by evaporation, as a conductance: m' L/(T − T_sink).
        wet = _horner(_fit(water.latent_heat_vaporisation_j_kg, _LATENT_DEGREE, span), scaled)
        wet *= flux
        wet /= difference
        flow = flux * capacity
        flow *= step
        share = _settle_mass(leg, dry + wet, side, flow, rule)
    full = side * share
    full += dry
    total = full if wet is None else full + wet
    spent = capacity
    spent *= share
    spent /= total
    spent *= step
    leg.time_s -= rule.weights @ spent
    if leg.heat is not None:
        spent *= -difference
        leg.heat[0] += rule.weights @ (full * spent)
        if wet is not None and flux is not None:
            leg.heat[1] += rule.weights @ (wet * spent)
            enthalpy = liquid_enthalpy_j_kg(kelvin - water.ZERO_CELSIUS_K)
            leg.heat[2] += rule.weights @ (flux / difference * enthalpy * spent)


def _settle_mass(
    leg: _Leg, fixed: FloatArray, side: FloatArray, flow: FloatArray, rule: _Rule
) -> FloatArray:
    """Solve for the mass at the nodes and at the end; give the former, put the latter in `leg`.

    The contraction factor is the share lost times the side's part of the conductance.
    """
    total = side + fixed if leg.share is None else side * leg.share + fixed
    shares = total
    lost = np.zeros(fixed.shape[1])
    for done in range(_QUICK_ROUNDS if leg.quick else _FINE_ROUNDS):
        if done:
            np.multiply(side, shares[:-1], out=total)
            total += fixed
        shares = rule.running @ np.divide(flow, total, out=total)
        if not leg.quick:
            before, lost = lost, shares[-1].copy()
        np.exp(shares, out=shares)
        if leg.share is not None:
            shares *= leg.share
        if not leg.quick and not np.max(np.abs(before - lost)) > _FINE_CHANGE:
            break
    leg.share = shares[-1]
    return shares[:-1]


def liquid_enthalpy_j_kg(temp_c: npt.ArrayLike) -> FloatArray:
    """Enthalpy of liquid water over that at 0 °C.

    Parameters
    ----------
    temp_c : array-like
        °C, −20 to 110.

    Returns
    -------
    array
        J/kg, below zero for supercooled water.

    Source
    ------
    Heat capacity of IAPWS SR6-08, integrated by Gauss's rule.
    """
    temp = np.asarray(temp_c, dtype=np.float64)
    x, weights = np.polynomial.legendre.leggauss(12)
    nodes = 0.5 * temp[..., np.newaxis] * (1.0 + x)
    return 0.5 * temp * (water.water_heat_capacity_j_kgk(nodes) @ weights)


def cool_to(
    setup: Setup,
    to_temp_c: npt.ArrayLike,
    *,
    nodes: int = NODES,
    steps: int = 1,
    with_heat: bool = False,
    with_flows: bool = False,
) -> Cooling:
    """Time and water left when a vessel reaches a temperature, still liquid.

    When to use it: stirred or convecting water, where one temperature describes the vessel.
    Below 4 °C, and in vessels cooled from the top only, layers form and the lumped answer is
    an average (see `validity_numbers`).

    Parameters
    ----------
    setup : Setup
        Vessels and sinks, any shape.
    to_temp_c : array-like
        Temperature to reach, °C, −20 to 100, broadcast with the setup.
    nodes : int
        Gauss nodes a step.
    steps : int
        Equal steps in ln|T − T_sink| on each side of 0 °C.
    with_heat : bool
        Whether the three heats are computed.
    with_flows : bool
        Whether the heat flows of the freezing that may follow are computed.

    Returns
    -------
    Cooling

    Raises
    ------
    InputError
        `to_temp_c` is below the coldest known liquid or above 100 °C.

    Source
    ------
    Lumped energy balance with convection, radiation and evaporation: Incropera FP, DeWitt DP,
    Fundamentals of Heat and Mass Transfer, chapters 5 and 6 (heat and mass transfer analogy of
    Chilton and Colburn); Bird RB, Stewart WE, Lightfoot EN, Transport Phenomena, section 18.2
    (outward flow). Gauss collocation: Hairer E, Norsett SP, Wanner G, Solving Ordinary
    Differential Equations I, section II.7.
    """
    target = np.asarray(to_temp_c, dtype=np.float64)
    if np.any((target < COLDEST_LIQUID_C) | (target > 100.0)):
        raise InputError(
            f"to_temp_c reaches {np.nanmin(target):g} to {np.nanmax(target):g}. Liquid water is "
            f"known here from {COLDEST_LIQUID_C:g} to 100 °C; choose a temperature in that range."
        )
    shape = np.broadcast_shapes(setup.shape, target.shape)
    flat = setup.flat(shape) | {"end": target.reshape(-1)}
    if target.size > 1:
        flat["end"] = np.broadcast_to(target, shape).reshape(-1)
    size = int(np.prod(shape))
    time_s, mass_g = np.empty(size), np.empty(size)
    heat = np.full((3, size if with_heat else 1), np.nan)
    flows = np.full((3, size if with_flows else 0), np.nan)
    rule = _rule(nodes)
    for part in _batches(size, nodes):
        sink = _part(flat["sink_temp_c"], part)
        start, end, start_g = (
            _part(flat[name], part, spread=True) for name in ("start_temp_c", "end", "mass_g")
        )
        # Which way the sink pulls: the target is behind the start, here, ahead, or out of reach.
        way = np.sign(sink - start)
        here = end == start
        onward = here | (way * (end - start) > 0.0)
        reached = way * (sink - end) > 0.0
        runs: Runs = part
        moving: Runs = slice(None)
        if not np.all(onward & reached):
            never = (onward | (way == 0.0)) & ~reached & ~here
            time_s[part] = np.where(never, np.inf, np.where(here, 0.0, np.nan))
            mass_g[part] = np.where(here, start_g, np.nan)
            moving = np.flatnonzero(onward & reached)
            runs = moving + part.start
        if not start[moving].size:
            continue
        rates = _Rates(flat, runs)
        quick = nodes <= NODES and steps == 1 and not with_heat
        leg = _Leg(start[moving].size, with_heat=with_heat, quick=quick)
        _travel(rates, leg, start[moving], np.maximum(end[moving], 0.0), _WARM, rule, steps)
        _travel_on(flat, runs, leg, end[moving], rule, steps)
        time_s[runs] = leg.time_s
        share = 1.0 if leg.share is None else leg.share
        mass_g[runs] = share * start_g[moving]
        if with_flows:
            flows[:, runs] = rates.flows_at_zero(share, leg.time_s.size)
            flows[:, runs] *= start_g[moving] * 1e-3
        if leg.heat is not None:
            heat[:, runs] = leg.heat * (start_g[moving] * 1e-3)
    dry, latent, carried = (np.broadcast_to(h, size).reshape(shape) for h in heat)
    return Cooling(
        time_s=time_s.reshape(shape),
        mass_g=mass_g.reshape(shape),
        dry_heat_j=dry,
        latent_heat_j=latent,
        carried_heat_j=carried,
        flows=_heat_flows(flows, shape) if with_flows else None,
    )


def _part(values: FloatArray, runs: Runs, *, spread: bool = False) -> FloatArray:
    """Take some runs; one number for all stays one number unless it is to be spread."""
    if values.size > 1:
        return values[runs]
    if spread and isinstance(runs, slice):
        return np.broadcast_to(values, runs.stop - runs.start)
    return values


def _batches(size: int, nodes: int) -> Iterator[slice]:
    width = max(1, _BATCH_NUMBERS // (nodes + 1))
    for low in range(0, size, width):
        yield slice(low, min(low + width, size))


def _travel_on(
    flat: dict[str, FloatArray],
    runs: Runs,
    leg: _Leg,
    end_c: FloatArray,
    rule: _Rule,
    steps: int,
) -> None:
    """Take the runs that go below 0 °C on from there, supercooled."""
    deep = np.flatnonzero(end_c < 0.0)
    if not deep.size:
        return
    below = leg.part(deep)
    numbers = np.arange(runs.start, runs.stop) if isinstance(runs, slice) else runs
    rates = _Rates(flat, numbers[deep])
    _travel(rates, below, np.zeros(deep.size), end_c[deep], _SUPERCOOLED, rule, steps)
    leg.put(deep, below)


def _travel(
    rates: _Rates,
    leg: _Leg,
    start_c: FloatArray,
    end_c: FloatArray,
    span: Span,
    rule: _Rule,
    steps: int,
) -> None:
    """March in so many steps of equal ratio of the distance to the sink."""
    first, last = start_c - rates.sink_c, end_c - rates.sink_c
    here = start_c
    for k in range(1, steps + 1):
        there = end_c if k == steps else rates.sink_c + first * (last / first) ** (k / steps)
        _march(rates, leg, here, there, span, rule)
        here = there


def ice_cooling_time_s(
    setup: Setup, to_temp_c: npt.ArrayLike, *, mass_g: npt.ArrayLike
) -> FloatArray:
    """Time the finished ice takes from 0 °C to a temperature below.

    Lumped, without sublimation, the side as high as the water was.

    Parameters
    ----------
    setup : Setup
        Vessels and sinks; their start temperature is not used.
    to_temp_c : array-like
        Temperature of the ice, °C, −200 to 0.
    mass_g : array-like
        Ice, g.

    Returns
    -------
    array
        Seconds; infinite where the sink is not colder than `to_temp_c`.

    Source
    ------
    Incropera FP, DeWitt DP, Fundamentals of Heat and Mass Transfer, section 5.1 (lumped
    capacitance), with the heat capacity of ice of IAPWS R10-06.
    """
    target = np.asarray(to_temp_c, dtype=np.float64)
    ice_g = np.asarray(mass_g, dtype=np.float64)
    shape = np.broadcast_shapes(setup.shape, target.shape, ice_g.shape)
    flat = setup.flat(shape) | {"mass_g": np.broadcast_to(ice_g, shape).reshape(-1)}
    end = np.broadcast_to(target, shape).reshape(-1)
    sink = flat["sink_temp_c"]
    time_s = np.where(end == 0.0, 0.0, np.where(sink >= end, np.inf, np.nan))
    moving = np.flatnonzero((end < 0.0) & (sink < end))
    for part in _batches(moving.size, NODES):
        runs = moving[part]
        leg = _Leg(runs.size)
        _march(_Rates(flat, runs), leg, np.zeros(runs.size), end[runs], _FROZEN, _rule(NODES))
        time_s[runs] = leg.time_s
    return time_s.reshape(shape)


def heat_flows_at_zero_w(setup: Setup, *, mass_g: npt.ArrayLike) -> HeatFlows:
    """Heat that leaves a freezing vessel whose surface is at 0 °C.

    The surface is ice by then, so what leaves it takes the heat of sublimation along.

    Parameters
    ----------
    setup : Setup
        Vessels and sinks; their start temperature is not used.
    mass_g : array-like
        Water and ice, g; it sets the height of the cooled side.

    Returns
    -------
    HeatFlows
        Below zero where the sink is warmer than 0 °C.

    Source
    ------
    The balance of `cool_to` at 0 °C; heat of sublimation of Murphy and Koop (2005).
    """
    frozen_g = np.asarray(mass_g, dtype=np.float64)
    shape = np.broadcast_shapes(setup.shape, frozen_g.shape)
    grams = np.broadcast_to(frozen_g, shape).reshape(-1)
    flat = setup.flat(shape) | {"mass_g": grams}
    flows = np.empty((3, grams.size))
    for part in _batches(grams.size, 1):
        flows[:, part] = _Rates(flat, part).flows_at_zero(1.0, part.stop - part.start)
    return _heat_flows(flows * (grams * 1e-3), shape)


def _heat_flows(flows: FloatArray, shape: tuple[int, ...]) -> HeatFlows:
    top, base, side = (flow.reshape(shape) for flow in flows)
    return HeatFlows(top=top, base=base, side=side)


def newton_time_s(
    start_temp_c: npt.ArrayLike,
    to_temp_c: npt.ArrayLike,
    sink_temp_c: npt.ArrayLike,
    *,
    time_constant_s: npt.ArrayLike,
    h_exponent: float = 0.0,
) -> FloatArray:
    """Closed-form cooling time without evaporation, all properties constant.

    Parameters
    ----------
    start_temp_c, to_temp_c, sink_temp_c : array-like
        °C, broadcast together.
    time_constant_s : array-like
        Mass times heat capacity over conductance, the conductance taken at a difference of
        20 K where it varies.
    h_exponent : float
        0 for a constant conductance, 0.25 for laminar free convection.

    Returns
    -------
    array
        Seconds; infinite where the sink is not beyond the temperature, NaN where the start
        is already past it.

    Source
    ------
    Newton's law: Incropera FP, DeWitt DP, Fundamentals of Heat and Mass Transfer, equation 5.5
    (constant coefficient) and section 5.3 (coefficient growing as a power of the difference).
    """
    start, end, sink, constant = np.broadcast_arrays(
        *(
            np.asarray(v, dtype=np.float64)
            for v in (start_temp_c, to_temp_c, sink_temp_c, time_constant_s)
        )
    )
    first, last = np.abs(start - sink), np.abs(end - sink)
    with np.errstate(divide="ignore", invalid="ignore"):
        if h_exponent == 0.0:
            time_s = constant * np.log(first / last)
        else:
            scale = REFERENCE_DIFFERENCE_K**h_exponent / h_exponent
            time_s = constant * scale * (last**-h_exponent - first**-h_exponent)
    way = np.sign(sink - start)
    past = way * (end - start) < 0.0
    never = (way * (sink - end) <= 0.0) & (end != start)
    return np.where(past, np.nan, np.where(never, np.inf, time_s))


def evaporated_share(start_temp_c: npt.ArrayLike, *, frozen: bool = False) -> FloatArray:
    """Share of the water lost when evaporation alone cools it to 0 °C, or freezes it as well.

    Parameters
    ----------
    start_temp_c : array-like
        °C, 0 to 100.
    frozen : bool
        Whether the rest is frozen too.

    Returns
    -------
    array
        Share of the starting mass, 0 to 1.

    Source
    ------
    m c dT = L dm, hence ln(m/m0) = −integral of c/L; then, at 0 °C, fusion of what stays
    pays for evaporation of what leaves: L_fusion m = L_evaporation (m_zero − m). Properties of
    `metafreeze.water`.
    """
    start = np.asarray(start_temp_c, dtype=np.float64)
    rule = _rule(16)
    temps = start[..., np.newaxis] * rule.nodes
    ratio = water.water_heat_capacity_j_kgk(temps) / water.latent_heat_vaporisation_j_kg(temps)
    left = np.exp(-start * (ratio @ rule.weights))
    if frozen:
        vapour = float(water.latent_heat_vaporisation_j_kg(0.0))
        left = left * vapour / (vapour + water.FUSION_J_KG)
    return 1.0 - left
