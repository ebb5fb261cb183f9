"""Properties of water and ice against two general-purpose libraries of reference equations.

The libraries are first held to the verification values of the releases they stand for, so
that they may serve as oracles.
"""

import tomllib
from pathlib import Path

import CoolProp.CoolProp as coolprop
import numpy as np
import pytest
from iapws import IAPWS95, IAPWS97
from iapws import _iapws as releases

from metafreeze import water

EXPECTED = tomllib.loads(
    (Path(__file__).parents[1] / "published" / "expected_physics.toml").read_text("utf-8")
)
EXAMPLES = {example["id"]: example for example in EXPECTED["example"]}

ATMOSPHERE_PA = 101_325.0
KELVIN = 273.15
# Just off the two ends, where one atmosphere is no longer liquid.
TEMPS_C = np.linspace(0.02, 99.9, 60)
ICE_C = np.linspace(-40.0, 0.0, 41)

# Accuracy that each correlation states, or the release's own where it is the same equation.
KELL_KG_M3 = 0.02
CAPACITY_SHARE = 1e-4
CONDUCTIVITY_SHARE = 1e-3
VISCOSITY_SHARE = 1e-3
EXPANSION_PER_K = 1e-6
PRESSURE_SHARE = 1e-4
LATENT_SHARE = 2e-4
SAME_EQUATION = 1e-9


def library(output):
    return np.array(
        [coolprop.PropsSI(output, "T", t + KELVIN, "P", ATMOSPHERE_PA, "Water") for t in TEMPS_C]
    )


def saturated(output, quality):
    return np.array(
        [coolprop.PropsSI(output, "T", t + KELVIN, "Q", quality, "Water") for t in TEMPS_C]
    )


def printed(example_id):
    return {c["quantity"]: c for c in EXAMPLES[example_id]["check"] if "within" in c}


def holds(check, value):
    return abs(value - float(check["published"])) <= check["within"]


@pytest.mark.parametrize(
    ("kelvin", "density"), [(300, 996.556), (300, 1005.308), (500, 0.435), (647, 358.0)]
)
def test_first_oracle_reproduces_the_verification_table(kelvin, density):
    # IAPWS R6-95(2018), table 7 (PHYS-1).
    state = IAPWS95(T=kelvin, rho=density)
    checks = printed("PHYS-1")
    name = f"T={kelvin} K, rho={density}"
    for what, value in (
        ("p MPa", state.P),
        ("cv kJ/(kg K)", state.cv),
        ("speed of sound m/s", state.w),
        ("s kJ/(kg K)", state.s),
    ):
        assert holds(checks[f"{name}: {what}"], value), what


def test_industrial_formulation_reproduces_its_verification_values():
    # IAPWS R7-97(2012) (PHYS-2); it is the form most steam tables use.
    state = IAPWS97(T=300, P=3)
    checks = printed("PHYS-2")
    assert holds(checks["T=300 K, p=3 MPa: v m3/kg"], state.v)
    assert holds(checks["cp kJ/(kg K)"], state.cp)
    assert holds(checks["saturation pressure 300 K, MPa"], IAPWS97(T=300, x=0).P)


def test_oracle_for_ice_reproduces_the_verification_table():
    # IAPWS R10-06(2009), table 6 (PHYS-3).
    checks = printed("PHYS-3")
    state = releases._Ice(273.152519, 0.101325)
    assert holds(checks["273.152519 K, 101325 Pa: h kJ/kg"], state["h"])
    assert holds(checks["cp kJ/(kg K)"], state["cp"])
    assert holds(checks["density [cp kJ/(kg K)]"], state["rho"])


def test_second_oracle_agrees_with_the_first():
    for temp_c in (5.0, 50.0, 95.0):
        state = IAPWS95(T=temp_c + KELVIN, P=ATMOSPHERE_PA / 1e6)
        for output, value in (("D", state.rho), ("C", 1e3 * state.cp)):
            other = coolprop.PropsSI(output, "T", temp_c + KELVIN, "P", ATMOSPHERE_PA, "Water")
            assert other == pytest.approx(value, rel=1e-7)


def test_liquid_properties():
    assert np.abs(water.water_density_kg_m3(TEMPS_C) - library("D")).max() <= KELL_KG_M3
    for ours, output, share in (
        (water.water_heat_capacity_j_kgk, "C", CAPACITY_SHARE),
        (water.water_conductivity_w_mk, "L", CONDUCTIVITY_SHARE),
        (water.water_viscosity_pa_s, "V", VISCOSITY_SHARE),
    ):
        assert np.abs(ours(TEMPS_C) / library(output) - 1.0).max() <= share, output
    expansion = library("ISOBARIC_EXPANSION_COEFFICIENT")
    assert np.abs(water.water_expansion_per_k(TEMPS_C) - expansion).max() <= EXPANSION_PER_K


def test_evaporation_properties():
    pressure = water.vapour_pressure_water_pa(TEMPS_C) / saturated("P", 0)
    assert np.abs(pressure - 1.0).max() <= PRESSURE_SHARE
    heat = saturated("H", 1) - saturated("H", 0)
    assert np.abs(water.latent_heat_vaporisation_j_kg(TEMPS_C) / heat - 1.0).max() <= LATENT_SHARE


def test_ice_to_minus_40():
    states = [releases._Ice(t + KELVIN, ATMOSPHERE_PA / 1e6) for t in ICE_C]
    capacity = [1e3 * state["cp"] for state in states]
    assert np.allclose(water.ice_heat_capacity_j_kgk(ICE_C), capacity, rtol=SAME_EQUATION, atol=0)
    density = [state["rho"] for state in states]
    assert np.allclose(water.ice_density_kg_m3(ICE_C), density, rtol=SAME_EQUATION, atol=0)


def test_vapour_pressure_over_ice_against_the_sublimation_release():
    # IAPWS R14-08; Murphy and Koop's equation is another fit to the same physics.
    release = [1e6 * releases._Sublimation_Pressure(t + KELVIN) for t in ICE_C]
    assert np.allclose(water.vapour_pressure_ice_pa(ICE_C), release, rtol=5e-4, atol=0)


def test_latent_heats_close_the_triangle_at_zero():
    # Subliming is melting and then evaporating.
    sum_of_two = water.latent_heat_fusion_j_kg(0.0) + water.latent_heat_vaporisation_j_kg(0.0)
    assert water.latent_heat_sublimation_j_kg(0.0) == pytest.approx(sum_of_two, rel=5e-4)


def test_heat_capacity_of_supercooled_water():
    # The same release in the library, below the freezing point.
    temps = np.array([-19.0, -10.0, -1.0])
    release = [1e3 * releases._Liquid(t + KELVIN)["cp"] for t in temps]
    assert np.allclose(water.water_heat_capacity_j_kgk(temps), release, rtol=SAME_EQUATION, atol=0)
