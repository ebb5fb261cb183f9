"""The cooling step against a slow twin in time, and its convergence.

The twin integrates mass and temperature in time with an adaptive general-purpose solver and
the property functions themselves, so it shares neither variable, nor rule, nor fits.
"""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from metafreeze import water
from metafreeze.physics.baseline import cooling_times
from metafreeze.physics.cooling import NODES, cool_to, heat_flows_at_zero_w, newton_time_s
from metafreeze.physics.setup import Setup

KELVIN = 273.15
SIGMA = 5.670374419e-8

# Six nodes in one step, starts up to 90 °C (docstring of cooling.NODES).
DEFAULT_SHARE = 1e-4
# Fits of the properties (2e-5 in the heat of evaporation) and the twin's own tolerance.
TWIN_SHARE = 1e-5

SETUPS = {
    "open beaker": {},
    "lidded": {"evaporation": 0.0},
    "top only": {"side_share": 0.0, "h_base_w_m2k": 0.0},
    "bath": {"h_side_w_m2k": 200.0, "h_base_w_m2k": 200.0},
    "fan, thick wall": {"h_air_w_m2k": 30.0, "wall_resistance_m2k_w": 0.02},
    "free convection": {"h_exponent": 0.25, "air_rh": 0.5},
    "mountain": {"pressure_pa": 80_000.0, "sink_temp_c": -30.0},
}


def number(setup, name):
    return float(setup.array(name))


def rates(temp_c, mass_kg, setup):
    """Dry heat (W) and evaporation (kg/s) as the balance is written in textbooks."""
    sink = number(setup, "sink_temp_c")
    diameter = number(setup, "diameter_mm") * 1e-3
    area = np.pi / 4 * diameter**2
    side = 4 * mass_kg / (999.84 * diameter) * number(setup, "side_share")
    air = number(setup, "h_air_w_m2k") * ((temp_c - sink) / 20.0) ** number(setup, "h_exponent")
    kelvin, sink_k = temp_c + KELVIN, sink + KELVIN
    radiation = number(setup, "emissivity") * SIGMA * (kelvin**4 - sink_k**4) / (kelvin - sink_k)
    face = air + radiation
    bath = number(setup, "h_side_w_m2k")
    wet_side = face if np.isnan(bath) else bath
    wet_side = 1 / (1 / wet_side + number(setup, "wall_resistance_m2k_w"))
    dry = (number(setup, "h_base_w_m2k") * area + wet_side * side + face * area) * (temp_c - sink)
    pressure = number(setup, "pressure_pa")
    saturated = float(water.vapour_pressure_water_pa(temp_c))
    share = saturated / pressure
    air_density = pressure / (287.05 * 0.5 * (kelvin + sink_k))
    transfer = air / (air_density * 1006.0 * 0.85 ** (2 / 3))
    vapour = saturated / (water.GAS_CONSTANT_WATER_J_KGK * kelvin)
    there = number(setup, "air_rh") * float(water.vapour_pressure_ice_pa(sink))
    there /= water.GAS_CONSTANT_WATER_J_KGK * sink_k
    flux = transfer * area * (vapour - there) * -np.log(1 - share) / share
    return dry, flux * number(setup, "evaporation")


def twin(setup, end_c):
    """Seconds and kilograms at the temperature, by integration in time."""

    def change(_, state):
        temp_c, mass_kg = state
        dry, flux = rates(temp_c, mass_kg, setup)
        latent = float(water.latent_heat_vaporisation_j_kg(temp_c))
        capacity = float(water.water_heat_capacity_j_kgk(temp_c))
        return [-(dry + flux * latent) / (mass_kg * capacity), -flux]

    def there(_, state):
        return state[0] - end_c

    there.terminal = True
    solved = solve_ivp(
        change,
        [0.0, 1e7],
        [number(setup, "start_temp_c"), number(setup, "mass_g") * 1e-3],
        events=there,
        method="LSODA",
        rtol=1e-10,
        atol=1e-12,
    )
    return solved.t_events[0][0], solved.y_events[0][0][1]


@pytest.mark.parametrize("name", list(SETUPS))
@pytest.mark.parametrize("start_c", [15.0, 85.0])
def test_against_the_twin_in_time(name, start_c):
    setup = Setup(start_temp_c=start_c, **SETUPS[name])
    seconds, kilograms = twin(setup, 0.0)
    fine = cool_to(setup, 0.0, nodes=16)
    assert fine.time_s == pytest.approx(seconds, rel=TWIN_SHARE)
    assert fine.mass_g == pytest.approx(1e3 * kilograms, rel=TWIN_SHARE)
    assert cool_to(setup, 0.0).time_s == pytest.approx(seconds, rel=DEFAULT_SHARE)


def test_against_the_twin_below_zero():
    setup = Setup(start_temp_c=40.0)
    seconds, kilograms = twin(setup, -8.0)
    ours = cool_to(setup, -8.0, nodes=16)
    assert ours.time_s == pytest.approx(seconds, rel=TWIN_SHARE)
    assert ours.mass_g == pytest.approx(1e3 * kilograms, rel=TWIN_SHARE)


def test_freezing_heat_against_the_textbook_balance():
    for changes in SETUPS.values():
        setup = Setup(start_temp_c=0.0, **changes)
        flows = heat_flows_at_zero_w(setup, mass_g=100.0)
        dry, flux = rates(0.0, 0.1, setup)
        expected = dry + flux * float(water.latent_heat_sublimation_j_kg(0.0))
        # Vapour over ice and over water at 0 °C differ by 1e-4 in two correlations.
        assert flows.top + flows.base + flows.side == pytest.approx(expected, rel=1e-4)


def errors(setup, orders, **how):
    exact = cool_to(setup, 0.0, nodes=40, steps=2).time_s
    return np.array(
        [abs(float(cool_to(setup, 0.0, nodes=n, **how).time_s / exact - 1)) for n in orders]
    )


def test_nodes_converge_geometrically():
    # Smooth integrands: each further node gains a constant factor, here over two.
    setup = Setup(start_temp_c=80.0)
    found = errors(setup, (3, 4, 5, 6, 7, 8))
    assert found[-1] < 1e-6
    assert np.exp(np.diff(np.log(found)).mean()) < 0.5


@pytest.mark.parametrize("evaporation", [0.0, 1.0])
@pytest.mark.parametrize("nodes", [1, 2])
def test_steps_converge_with_the_order_of_the_rule(nodes, evaporation):
    # Gauss collocation has order twice its nodes: half the step, a quarter or a sixteenth of the
    # error. Property fits are the same at all steps and cancel.
    setup = Setup(start_temp_c=60.0, evaporation=evaporation)
    found = [errors(setup, (nodes,), steps=k).item() for k in (8, 16, 32)]
    orders = np.log2(np.array(found[:-1]) / found[1:])
    assert orders == pytest.approx(2.0 * nodes, abs=0.1)


def test_default_nodes_over_the_range_of_ordinary_trials():
    rng = np.random.default_rng(5)
    n = 2000
    setup = Setup(
        start_temp_c=rng.uniform(2.0, 90.0, n),
        sink_temp_c=rng.uniform(-40.0, -5.0, n),
        mass_g=rng.uniform(5.0, 500.0, n),
        diameter_mm=rng.uniform(30.0, 120.0, n),
        h_air_w_m2k=rng.uniform(4.0, 40.0, n),
        h_base_w_m2k=rng.uniform(0.0, 100.0, n),
        side_share=rng.uniform(0.0, 1.0, n),
    )
    exact = cool_to(setup, 0.0, nodes=24, steps=2).time_s
    assert NODES == 6
    assert np.abs(cool_to(setup, 0.0).time_s / exact - 1.0).max() <= DEFAULT_SHARE


def test_closed_form_with_everything_else_off():
    # No evaporation, no radiation: Newton's formula, with the mean heat capacity of the path.
    setup = Setup(
        start_temp_c=[20.0, 60.0, 95.0], sink_temp_c=-18.0, evaporation=0.0, emissivity=0.0
    )
    diameter, mass = 0.06, 0.1
    area = np.pi / 4 * diameter**2
    conductance = (15.0 + 6.0) * area + 6.0 * 4 * mass / (999.84 * diameter)
    for start, ours in zip(setup.array("start_temp_c"), cool_to(setup, 0.0).time_s, strict=True):
        u = np.linspace(np.log(18.0), np.log(start + 18.0), 20_001)
        capacity = np.trapezoid(water.water_heat_capacity_j_kgk(np.exp(u) - 18.0), u) / (
            u[-1] - u[0]
        )
        closed = newton_time_s(start, 0.0, -18.0, time_constant_s=mass * capacity / conductance)
        assert ours == pytest.approx(float(closed), rel=2e-6)


def test_closed_form_for_a_growing_coefficient():
    # Air alone on every face, coefficient growing with the quarter power.
    setup = Setup(
        start_temp_c=[25.0, 90.0],
        evaporation=0.0,
        emissivity=0.0,
        h_exponent=0.25,
        h_base_w_m2k=0.0,
    )
    ours = cool_to(setup, 0.0, nodes=12).time_s
    closed = newton_time_s([25.0, 90.0], 0.0, -18.0, time_constant_s=1.0, h_exponent=0.25)
    # The heat capacity differs by 0.2 % between the two paths and cancels up to that.
    assert ours[1] / ours[0] == pytest.approx(closed[1] / closed[0], rel=2e-3)


def test_solid_time_is_latent_heat_over_heat_flow():
    setup = Setup(start_temp_c=50.0)
    liquid = cool_to(setup, 0.0)
    dry, flux = rates(0.0, float(liquid.mass_g) * 1e-3, setup)
    flow = dry + flux * float(water.latent_heat_sublimation_j_kg(0.0))
    rest = liquid.mass_g * 1e-3 * 333_426.5 / flow
    assert cooling_times(setup).time_s == pytest.approx(float(liquid.time_s + rest), rel=1e-4)
