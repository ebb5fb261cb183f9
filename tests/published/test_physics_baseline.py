"""The baseline against what the project's domain brief computed.

The brief states its conventions in words and its results to two or three digits; these are
no measurements. Tolerances: half the last printed digit plus `SHARE`, since the brief's own
properties of air and vapour are not printed.
"""

import tomllib
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq

from metafreeze import water
from metafreeze.physics.baseline import cooling_times, pair_log_ratio
from metafreeze.physics.chance import chance_hot_first
from metafreeze.physics.cooling import evaporated_share
from metafreeze.physics.setup import Setup
from metafreeze.physics.validity import rayleigh_number, stefan_number, validity_numbers

BRIEF = tomllib.loads((Path(__file__).parent / "expected_physics.toml").read_text("utf-8"))["brief"]
OTHERS = BRIEF["others"]
STARTS = [25.0, 60.0, 90.0]

SHARE = 0.003
# The bath of the brief adds radiation to the liquid's coefficient; ours does not.
BATH_SHARE = 0.015
# A slope of ln t per kelvin, times 1000.
SLOPE = 0.01
TOP = {"side_share": 0.0, "h_base_w_m2k": 0.0}


def last_digit(printed, step):
    return 0.5 * step + 1e-9


@pytest.mark.parametrize("case", list(BRIEF["baseline"]))
def test_baseline_table(case):
    entry = BRIEF["baseline"][case]
    setup = Setup(start_temp_c=STARTS, **entry["setup"])
    share = BATH_SHARE if case == "bath" else SHARE
    for endpoint, key in (("t_zero", "zero_min"), ("t_solid", "solid_min")):
        minutes = cooling_times(setup, endpoint=endpoint).time_s / 60
        printed = np.array(entry[key], dtype=float)
        assert (np.abs(minutes - printed) <= 0.5 + share * printed).all(), (endpoint, minutes)
    lost = cooling_times(setup, endpoint="t_zero").mass_lost_g
    printed = np.array(entry["lost_g"])
    # Printed to 0.1 g, small losses as "below" or to 0.01 g.
    assert (np.abs(lost - printed) <= 0.05 + 0.005 * printed).all(), lost


@pytest.mark.parametrize("case", list(BRIEF["slopes"]))
def test_slope_table(case):
    entry = BRIEF["slopes"][case]
    for endpoint, key in (("t_zero", "zero"), ("t_solid", "solid")):
        log_ratio = pair_log_ratio(
            Setup(start_temp_c=25.0, **entry["setup"]), hot_c=90.0, cold_c=25.0, endpoint=endpoint
        )
        assert 1e3 * log_ratio / 65.0 == pytest.approx(entry[key], abs=SLOPE)


def test_top_cooled_reversal_and_thresholds():
    top = Setup(start_temp_c=60.0, **TOP)
    ratio = np.exp(pair_log_ratio(top, hot_c=95.0, cold_c=60.0, endpoint="t_solid"))
    assert ratio == pytest.approx(OTHERS["top_cooled_95_over_60_solid"], abs=1e-3)
    for threshold, printed in OTHERS["top_cooled_95_over_80"].items():
        log_ratio = pair_log_ratio(
            top, hot_c=95.0, cold_c=80.0, endpoint="t_threshold", threshold_c=float(threshold)
        )
        assert np.exp(log_ratio) == pytest.approx(printed, abs=1e-3)


def test_residual_time_remembers_lost_water_only():
    for name, setup in (("lidded", {"evaporation": 0.0}), ("open", {}), ("top", TOP)):
        log_ratio = pair_log_ratio(
            Setup(start_temp_c=25.0, **setup), hot_c=90.0, cold_c=25.0, endpoint="t_residual"
        )
        assert np.exp(log_ratio) == pytest.approx(OTHERS[f"residual_90_25_{name}"], abs=1.5e-3)


def test_cooling_by_evaporation_alone():
    for frozen, key in ((False, "evaporated_percent_zero"), (True, "evaporated_percent_frozen")):
        for start, printed in OTHERS[key].items():
            percent = 100 * evaporated_share(float(start), frozen=frozen)
            assert percent == pytest.approx(printed, abs=0.051)


def test_supercooling_delays_first_ice_but_hardly_the_end():
    setup = Setup(start_temp_c=25.0)
    zero = cooling_times(setup, endpoint="t_zero").time_s
    solid = cooling_times(setup, endpoint="t_solid").time_s
    delays = []
    for depth, printed in OTHERS["supercooling_delay_min"].items():
        first = cooling_times(setup, endpoint="t_first_ice", supercooling_k=float(depth)).time_s
        assert (first - zero) / 60 == pytest.approx(printed, abs=0.5 + 0.02 * printed)
        late = cooling_times(setup, endpoint="t_solid", supercooling_k=float(depth)).time_s
        delays.append((late - solid) / 60)
    low, high = OTHERS["solid_delay_min"]
    assert delays[0] == pytest.approx(low, abs=0.06)
    assert delays[-1] == pytest.approx(high, abs=0.5)


def test_mass_at_which_the_hot_one_breaks_even():
    cold = Setup(start_temp_c=25.0)
    for endpoint, key in (("t_solid", "breakeven_solid_ml"), ("t_zero", "breakeven_zero_ml")):
        target = float(cooling_times(cold, endpoint=endpoint).time_s)

        def late(mass, endpoint=endpoint, target=target):
            # Less water in the same vessel: only the wetted side shrinks with it.
            setup = Setup(start_temp_c=90.0, mass_g=mass)
            return float(cooling_times(setup, endpoint=endpoint).time_s) - target

        assert brentq(late, 10.0, 150.0) == pytest.approx(OTHERS[key], abs=0.3)


@pytest.mark.parametrize("pair", list(BRIEF["chance"]))
def test_chance_table(pair):
    hot, cold = map(float, pair.split())
    for sd, printed in zip((1.0, 2.0), BRIEF["chance"][pair], strict=True):
        chance = chance_hot_first(
            Setup(start_temp_c=cold), hot_c=hot, cold_c=cold, sd_supercooling_k=sd
        )
        assert chance.hot == pytest.approx(printed, abs=0.01)
        assert chance.hot + chance.cold + chance.neither == pytest.approx(1.0, abs=1e-12)


def test_validity_numbers():
    numbers = validity_numbers(Setup(start_temp_c=60.0))
    assert numbers.biot_water == pytest.approx(OTHERS["biot_water"], abs=0.005)
    assert numbers.biot_ice == pytest.approx(OTHERS["biot_ice"], abs=0.005)
    assert stefan_number(18.0) == pytest.approx(OTHERS["stefan"], abs=0.005)
    assert numbers.superheat == pytest.approx(OTHERS["superheat_60"], abs=0.005)
    # Printed as "about", one digit.
    warm, cool = rayleigh_number([20.0, 6.0], height_m=0.035)
    assert warm == pytest.approx(OTHERS["rayleigh_20c"], rel=0.15)
    assert cool == pytest.approx(OTHERS["rayleigh_6c"], rel=0.15)
    assert rayleigh_number(2.0, height_m=0.035) < 0.0


def test_ice_resistance_of_a_long_cylinder():
    # A tall vessel cooled from the side alone at 10 W/(m2 K) in all.
    tall = Setup(
        start_temp_c=0.0,
        mass_g=2000.0,
        diameter_mm=60.0,
        h_base_w_m2k=0.0,
        h_air_w_m2k=10.0,
        emissivity=0.0,
        evaporation=0.0,
    )
    plain = cooling_times(tall).time_s
    slowed = cooling_times(tall.with_(ice_resistance=1.0)).time_s
    assert slowed / plain - 1.0 == pytest.approx(OTHERS["ice_resistance_share"], abs=0.005)
    assert float(water.ice_conductivity_w_mk(0.0)) == pytest.approx(2.22, abs=0.001)
