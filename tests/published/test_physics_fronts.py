"""Fronts, similarity solutions, Newton cooling and drops against textbook examples."""

import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad

from metafreeze.physics.cooling import newton_time_s
from metafreeze.physics.droplets import droplet_times, hemisphere_height_m
from metafreeze.physics.freezing import (
    front_depth_m,
    front_time_s,
    neumann_constant,
    plank_time_s,
    similarity_depth_m,
    similarity_time_s,
    stefan_constant,
)
from metafreeze.physics.validity import biot_number, penetration_depth_m

HERE = Path(__file__).parent
EXPECTED = tomllib.loads((HERE / "expected_physics.toml").read_text("utf-8"))
EXAMPLES = {example["id"]: example for example in EXPECTED["example"]}
BRIEF = EXPECTED["brief"]

# Closed forms and roots found to the last digit; the recomputation stopped at about this.
CLOSED_FORM = 1e-9
# The brief prints three digits and rounds properties; 2 % covers both.
BRIEF_SHARE = 0.02


def assert_agrees(example_id, values):
    """Hold values by quantity to the printed digits and to the full-precision ones."""
    example = EXAMPLES[example_id]
    by_name = {check["quantity"]: check for check in example["check"]}
    assert set(values) <= set(by_name)
    for quantity, value in values.items():
        check = by_name[quantity]
        assert float(value) == pytest.approx(check["recomputed"], rel=CLOSED_FORM), quantity
        if "within" in check:
            assert abs(float(value) - float(check["published"])) <= check["within"], quantity


def plank_row(name):
    row = pd.read_csv(HERE / "data" / "s10_plank.csv").set_index("id").loc[name]
    return float(
        plank_time_s(
            row.d_m,
            shape=row["shape"],
            density_kg_m3=row.density,
            latent_heat_j_kg=row.latent_J_per_kg,
            freezing_temp_c=row.t_freeze_C,
            sink_temp_c=row.t_medium_C,
            h_w_m2k=row.h_W_m2K,
            conductivity_w_mk=row.k_W_mK,
        )
    )


def test_plank_textbook_examples():
    # Singh and Heldman (sphere), Geankoplis section 9.11 (slab); PHYS-9.
    sphere, slab = plank_row("singh_heldman"), plank_row("geankoplis")
    assert_agrees(
        "PHYS-9",
        {
            "sphere, hours": sphere / 3600,
            "sphere, seconds": sphere,
            "slab, seconds": slab,
            "slab, hours": slab / 3600,
        },
    )


WATER = {
    "density_kg_m3": 916.0,
    "latent_heat_j_kg": 333426.5,
    "freezing_temp_c": 0.0,
    "sink_temp_c": -18.0,
    "h_w_m2k": 20.0,
    "conductivity_w_mk": 2.22,
}


def quasi_steady(shape, d, h, k, drive, volumetric):
    """Integrate the shell by shell heat balance: latent heat over resistance, no formula."""
    radius = d / 2

    def pace(r):
        if shape == "slab":
            return volumetric * (1 / h + (radius - r) / k)
        if shape == "cyl":
            return volumetric * r * (1 / (h * radius) + np.log(radius / r) / k)
        return volumetric * r**2 * (1 / (h * radius**2) + (1 / r - 1 / radius) / k)

    return quad(pace, 0.0, radius, epsabs=0.0, epsrel=1e-12)[0] / drive


@pytest.mark.parametrize(
    ("short", "shape"), [("slab", "slab"), ("cyl", "cylinder"), ("sphere", "sphere")]
)
def test_plank_factors_against_integration(short, shape):
    # PHYS-10; the second value is an integral that knows nothing of the shape factors.
    closed = float(plank_time_s(0.06, shape=shape, **WATER))
    integral = quasi_steady(short, 0.06, 20.0, 2.22, 18.0, 916.0 * 333426.5)
    assert_agrees(
        "PHYS-10",
        {
            f"{short}: closed form, s": closed,
            f"{short}: numerical integration of the quasi-steady shell (must equal), s": integral,
        },
    )
    assert closed == pytest.approx(integral, rel=CLOSED_FORM)


def test_long_cylinder_of_the_brief():
    hours = float(plank_time_s(0.06, shape="cylinder", **(WATER | {"h_w_m2k": 10.0}))) / 3600
    assert hours == pytest.approx(BRIEF["others"]["long_cylinder_hours"], rel=BRIEF_SHARE)


def two_phase(liquid_c, wall_c, *, k_s, c_s, rho_s, k_l, c_l, rho_l, latent):
    alpha_s, alpha_l = k_s / (rho_s * c_s), k_l / (rho_l * c_l)
    constant = neumann_constant(
        c_s * -wall_c / latent,
        superheat_ratio=k_l / k_s * np.sqrt(alpha_s / alpha_l) * np.asarray(liquid_c) / -wall_c,
        diffusivity_ratio=alpha_s / alpha_l,
    )
    return constant, alpha_s


def test_stefan_and_neumann_constants():
    # Carslaw and Jaeger section 11.2; the constant for St = 1 is printed in benchmark papers.
    values = {f"lambda, St={st:g}": stefan_constant(st) for st in (1, 0.01, 0.1, 0.5, 2)}
    values["small-St approximation sqrt(St/2), St=0.01"] = np.sqrt(0.005)
    properties = {
        "k_s": 2.22,
        "c_s": 2100.0,
        "rho_s": 917.0,
        "k_l": 0.56,
        "c_l": 4200.0,
        "rho_l": 1000.0,
        "latent": 333426.5,
    }
    warm, alpha = two_phase(20.0, -20.0, **properties)
    values["two-phase: water 20 C, surface -20 C, lambda"] = warm
    values["two-phase: depth after 1 h, mm"] = 1e3 * similarity_depth_m(
        warm, 3600.0, ice_diffusivity_m2_s=alpha
    )
    cold, _ = two_phase(0.0, -20.0, **properties)
    values["one-phase, same surface: lambda"] = cold
    values["one-phase: depth after 1 h, mm"] = 1e3 * similarity_depth_m(
        cold, 3600.0, ice_diffusivity_m2_s=alpha
    )
    assert_agrees("PHYS-11", values)


def test_neumann_table_of_the_brief():
    constant, alpha = two_phase(
        [0.0, 25.0, 60.0, 90.0],
        -18.0,
        k_s=2.22,
        c_s=2050.0,
        rho_s=917.0,
        k_l=0.57,
        c_l=4200.0,
        rho_l=1000.0,
        latent=333600.0,
    )
    hours = similarity_time_s(constant, 0.02, ice_diffusivity_m2_s=alpha) / 3600
    assert np.abs(constant - BRIEF["neumann"]["constant"]).max() <= 5e-5
    assert np.abs(hours - BRIEF["neumann"]["hours_to_2_cm"]).max() <= 5e-3


def test_newton_cooling_examples():
    # Stewart, Calculus, section 3.8: 72 F to 61 F in half an hour at 44 F (times in minutes).
    constant = 30.0 / float(newton_time_s(72.0, 61.0, 44.0, time_constant_s=1.0))
    # Incropera and DeWitt, examples 5.1 (thermocouple; its diameter to five digits) and 5.6 (main).
    diameter = 7.0588e-4
    assert_agrees(
        "PHYS-12",
        {
            "k per minute, 72 F to 61 F in 30 min at 44 F": -1.0 / constant,
            "minutes to 50 F": newton_time_s(72.0, 50.0, 44.0, time_constant_s=constant),
            "Biot number": biot_number(400.0, diameter / 6.0, 20.0),
            "seconds to 199 C": newton_time_s(25.0, 199.0, 200.0, time_constant_s=1.0),
            "soil freezing depth after 60 days, m": penetration_depth_m(
                20.0, -15.0, to_temp_c=0.0, time_s=60 * 86400.0, diffusivity_m2_s=0.138e-6
            ),
        },
    )


def test_newton_closed_forms_of_the_brief():
    def ratio(exponent):
        hot, cold = newton_time_s(
            [90.0, 25.0], 0.0, -18.0, time_constant_s=1.0, h_exponent=exponent
        )
        return hot / cold

    assert ratio(0.0) == pytest.approx(BRIEF["others"]["newton_ratio_constant"], abs=5e-4)
    assert ratio(0.25) == pytest.approx(BRIEF["others"]["newton_ratio_quarter"], abs=5e-4)
    for start, slope in BRIEF["others"]["newton_slope_per_k"].items():
        step = np.array([-0.5e-3, 0.5e-3]) + float(start)
        times = newton_time_s(step, 0.0, -18.0, time_constant_s=1.0)
        assert np.diff(np.log(times)).item() / 1e-3 == pytest.approx(slope, abs=5.1e-5)


def test_ice_growth_by_degree_days():
    # US Army Corps of Engineers (2002), Ice Engineering, EM 1110-2-1612, chapter 2: thickness =
    # coefficient times the root of the degree days. PHYS-13.
    ice = {"density_kg_m3": 917.0, "latent_heat_j_kg": 333426.5, "conductivity_w_mk": 2.24}

    def grown_cm(degree_days, h=np.inf):
        return 100 * front_depth_m(86400.0, difference_k=degree_days, h_w_m2k=h, **ice)

    name = (
        "theoretical coefficient sqrt(2k 86400/(rho L)), cm per sqrt(C day); "
        "k=2.24, rho=917, L=333426.5"
    )
    assert_agrees("PHYS-13", {name: grown_cm(1.0)})
    # The bare-ice coefficient bounds all the printed ones, and its square-root law is theirs.
    printed = pd.read_csv(HERE / "data" / "s10_degree_day.csv")
    assert (printed.cm_per_sqrt_C_day_high < grown_cm(1.0)).all()
    windy = printed.cm_per_sqrt_C_day_high.iloc[0]
    assert windy * grown_cm(100.0) / grown_cm(1.0) == pytest.approx(27.0, rel=CLOSED_FORM)
    assert grown_cm(100.0, h=20.0) < grown_cm(100.0)


def test_front_time_and_depth_are_inverse():
    ice = {
        "difference_k": 12.0,
        "h_w_m2k": 15.0,
        "density_kg_m3": 917.0,
        "latent_heat_j_kg": 333e3,
        "conductivity_w_mk": 2.2,
    }
    depth = np.array([1e-9, 1e-4, 0.02, 0.5])
    assert np.allclose(front_depth_m(front_time_s(depth, **ice), **ice), depth, rtol=1e-12, atol=0)


@pytest.mark.parametrize("volume", ["1", "5", "20"])
def test_droplets_of_the_brief(volume):
    times = droplet_times(hemisphere_height_m(float(volume)), [20.0, 60.0], -15.0)
    ours = np.array([*times.cool_s, times.freeze_s[0]])
    printed = np.array(BRIEF["droplets"][volume])
    last_digit = np.where(printed == np.round(printed), 0.5, 0.05)
    last_digit = np.where(printed < 10, 0.05, last_digit)
    assert (np.abs(ours - printed) <= last_digit + BRIEF_SHARE * printed).all()
