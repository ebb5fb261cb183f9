"""What must hold of cooling whatever the vessel: balances, limits, order, scaling."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from metafreeze import water
from metafreeze.physics.baseline import cooling_times, ice_mass_g, pair_log_ratio
from metafreeze.physics.cooling import (
    cool_to,
    evaporated_share,
    heat_flows_at_zero_w,
    ice_cooling_time_s,
    liquid_enthalpy_j_kg,
    newton_time_s,
)
from metafreeze.physics.setup import Setup

# Stated in the issue this answers: the energy balance closes to one part in a million.
BALANCE = 1e-6
# Two evaluations of the same formula in another order.
ROUNDING = 1e-11
# One step of six nodes (docstring of cooling.NODES) where two routes use different steps.
QUADRATURE = 2e-4

starts = st.floats(1.0, 95.0)
setups = st.builds(
    Setup,
    start_temp_c=starts,
    sink_temp_c=st.floats(-60.0, -3.0),
    mass_g=st.floats(1.0, 2000.0),
    diameter_mm=st.floats(10.0, 200.0),
    h_air_w_m2k=st.floats(2.0, 60.0),
    h_base_w_m2k=st.floats(0.0, 200.0),
    h_exponent=st.floats(0.0, 0.3),
    evaporation=st.floats(0.0, 1.5),
    air_rh=st.floats(0.0, 1.0),
    side_share=st.floats(0.0, 1.0),
    wall_resistance_m2k_w=st.floats(0.0, 0.05),
    ice_resistance=st.floats(0.0, 1.0),
)
few = settings(max_examples=40, deadline=None)


@few
@given(setup=setups, end=st.floats(-8.0, 0.9))
def test_energy_balance_closes(setup, end):
    end = max(end, float(setup.array("sink_temp_c")) + 1.0)
    cooled = cool_to(setup, end, nodes=14, with_heat=True)
    before = setup.array("mass_g") * liquid_enthalpy_j_kg(setup.array("start_temp_c"))
    after = cooled.mass_g * liquid_enthalpy_j_kg(end)
    given_off = 1e-3 * (before - after)
    out = cooled.dry_heat_j + cooled.latent_heat_j + cooled.carried_heat_j
    assert out == pytest.approx(float(given_off), rel=BALANCE)


@few
@given(setup=setups)
def test_mass_balance_closes(setup):
    # Latent heat over the heat of evaporation bounds the mass that left.
    cooled = cool_to(setup, 0.0, nodes=14, with_heat=True)
    lost_kg = 1e-3 * float(setup.array("mass_g") - cooled.mass_g)
    largest, smallest = water.latent_heat_vaporisation_j_kg([0.0, 100.0])
    slack = 1e-9 * float(setup.array("mass_g"))
    assert float(cooled.latent_heat_j) / largest <= lost_kg + slack
    assert lost_kg <= float(cooled.latent_heat_j) / smallest + slack


@few
@given(setup=setups, endpoint=st.sampled_from(["t_zero", "t_solid", "t_plateau_end"]))
def test_hotter_is_always_later_under_a_lid(setup, endpoint):
    lidded = setup.with_(evaporation=0.0, start_temp_c=np.linspace(1.0, 99.0, 25))
    times = cooling_times(lidded, endpoint=endpoint).time_s
    assert (np.diff(times) > 0.0).all()


@few
@given(setup=setups)
def test_zero_comes_later_from_hotter_even_when_open(setup):
    # More evaporation takes more water away, yet one temperature cannot overtake before it has
    # passed the other's start with less water: later by the time to that start at least.
    hot, cold = 90.0, 30.0
    total = cooling_times(setup.with_(start_temp_c=hot), endpoint="t_zero").time_s
    handicap = cool_to(setup.with_(start_temp_c=hot), cold).time_s
    residual = cooling_times(
        setup.with_(start_temp_c=hot), endpoint="t_residual", residual_from_c=cold
    ).time_s
    assert total - handicap == pytest.approx(float(residual), rel=ROUNDING)
    own = cooling_times(setup.with_(start_temp_c=cold), endpoint="t_zero").time_s
    # It remembers lost water only, so it can be sooner but never later.
    assert residual <= own * (1.0 + QUADRATURE)


@few
@given(setup=setups, pair=st.tuples(st.floats(5.0, 50.0), st.floats(51.0, 95.0)))
def test_no_memory_under_a_lid(setup, pair):
    log_ratio = pair_log_ratio(
        setup.with_(evaporation=0.0),
        hot_c=pair[1],
        cold_c=pair[0],
        endpoint="t_residual",
        residual_endpoint="t_solid",
    )
    assert log_ratio == pytest.approx(0.0, abs=QUADRATURE)


@few
@given(setup=setups, factor=st.floats(0.2, 5.0))
def test_similar_vessels_take_times_in_proportion_to_their_size(setup, factor):
    # Constant coefficients: mass over area is all that counts, so time grows with the length.
    larger = setup.with_(
        mass_g=setup.array("mass_g") * factor**3,
        diameter_mm=setup.array("diameter_mm") * factor,
        ice_resistance=0.0,
    )
    one, other = (
        cooling_times(s, endpoint="t_solid") for s in (setup.with_(ice_resistance=0.0), larger)
    )
    assert other.time_s == pytest.approx(float(one.time_s) * factor, rel=ROUNDING)
    assert other.mass_lost_g == pytest.approx(
        float(one.mass_lost_g) * factor**3, abs=1e-9 * factor**3
    )


@few
@given(setup=setups, factor=st.floats(0.2, 5.0))
def test_all_coefficients_together_only_scale_time(setup, factor):
    # Overall conductance cancels from every ratio once radiation and walls are off.
    bare = setup.with_(
        emissivity=0.0, wall_resistance_m2k_w=0.0, ice_resistance=0.0, start_temp_c=[20.0, 80.0]
    )
    scaled = bare.with_(
        h_air_w_m2k=bare.array("h_air_w_m2k") * factor,
        h_base_w_m2k=bare.array("h_base_w_m2k") * factor,
    )
    for endpoint in ("t_zero", "t_solid"):
        one, other = (cooling_times(s, endpoint=endpoint).time_s for s in (bare, scaled))
        assert other * factor == pytest.approx(one, rel=ROUNDING)


@few
@given(setup=setups)
def test_evaporation_only_ever_helps_to_cool(setup):
    # The resistance of the ice is a mean over faces, so shifting heat to the top may change it.
    bare = setup.with_(ice_resistance=0.0)
    open_, closed = bare.with_(evaporation=1.0), bare.with_(evaporation=0.0)
    for endpoint in ("t_zero", "t_solid"):
        assert cooling_times(open_, endpoint=endpoint).time_s <= (
            cooling_times(closed, endpoint=endpoint).time_s
        )
    assert cooling_times(closed).mass_lost_g == pytest.approx(0.0, abs=1e-9)


@few
@given(setup=setups)
def test_small_evaporation_tends_to_none(setup):
    none = cooling_times(setup.with_(evaporation=0.0)).time_s
    tiny = cooling_times(setup.with_(evaporation=1e-9)).time_s
    assert tiny == pytest.approx(float(none), rel=1e-6)


@few
@given(setup=setups, end=st.floats(0.0, 0.9), middle=st.floats(0.1, 0.9))
def test_a_stop_on_the_way_changes_nothing(setup, end, middle):
    lidded = setup.with_(evaporation=0.0)
    start = float(setup.array("start_temp_c"))
    stop = end + (start - end) * middle
    whole = cool_to(lidded, end, nodes=14).time_s
    parts = cool_to(lidded, stop, nodes=14).time_s
    parts = parts + cool_to(lidded.with_(start_temp_c=stop), end, nodes=14).time_s
    assert parts == pytest.approx(float(whole), rel=1e-8)


def test_evaporation_alone_is_the_limit_of_large_evaporation():
    # Nothing but the surface, dry heat a millionth of the rest.
    setup = Setup(
        start_temp_c=80.0,
        h_base_w_m2k=0.0,
        side_share=0.0,
        emissivity=0.0,
        evaporation=1e6,
        air_rh=0.0,
    )
    lost = 1.0 - cool_to(setup, 0.0, nodes=30, steps=4).mass_g / 100.0
    assert lost == pytest.approx(float(evaporated_share(80.0)), rel=1e-4)


def test_boiling_start_stays_finite_and_close_to_its_neighbours():
    times = cooling_times(Setup(start_temp_c=[98.0, 99.0, 99.9, 100.0]), endpoint="t_zero")
    assert np.isfinite(times.time_s).all()
    assert (np.abs(np.diff(np.log(times.time_s))) < 5e-3).all()
    assert (np.diff(times.mass_lost_g) > 0.0).all()


def test_arrays_are_their_elements():
    rng = np.random.default_rng(8)
    # More runs than one batch holds, so that batches meet.
    n = 5000
    setup = Setup(
        start_temp_c=rng.uniform(0.0, 100.0, n),
        sink_temp_c=rng.uniform(-30.0, 4.0, n),
        mass_g=rng.uniform(10.0, 300.0, n),
    )
    depth = rng.uniform(0.0, 10.0, n)
    many = cooling_times(setup, endpoint="t_first_ice", supercooling_k=depth)
    for i in rng.integers(0, n, 40):
        one = cooling_times(
            Setup(
                start_temp_c=setup.array("start_temp_c")[i],
                sink_temp_c=setup.array("sink_temp_c")[i],
                mass_g=setup.array("mass_g")[i],
            ),
            endpoint="t_first_ice",
            supercooling_k=depth[i],
        )
        assert many.time_s[i] == pytest.approx(float(one.time_s), rel=1e-6, nan_ok=True)


def test_draws_by_rows_broadcast():
    rows = np.array([20.0, 50.0, 80.0])
    draws = np.array([[5.0], [9.0]])
    times = cooling_times(Setup(start_temp_c=rows, h_air_w_m2k=draws)).time_s
    assert times.shape == (2, 3)
    assert times[1, 2] == pytest.approx(
        float(cooling_times(Setup(start_temp_c=80.0, h_air_w_m2k=9.0)).time_s), rel=1e-9
    )


def test_never_and_already():
    setup = Setup(start_temp_c=[30.0, 30.0, 5.0, 10.0], sink_temp_c=[-18.0, 5.0, -18.0, -18.0])
    times = cool_to(setup, [0.0, 0.0, 10.0, 10.0]).time_s
    assert np.isfinite(times[0])
    assert np.isinf(times[1])
    assert np.isnan(times[2])
    assert times[3] == 0.0
    for start in (30.0, 5.0, 0.0):
        assert np.isinf(cooling_times(Setup(start_temp_c=start, sink_temp_c=5.0)).time_s)
    frozen_soon = cooling_times(Setup(start_temp_c=0.0)).time_s
    assert 0.0 < frozen_soon < cooling_times(Setup(start_temp_c=1.0)).time_s
    deep = Setup(start_temp_c=30.0, sink_temp_c=-4.0)
    assert np.isinf(cooling_times(deep, endpoint="t_first_ice", supercooling_k=5.0).time_s)
    unknown = Setup(start_temp_c=30.0, mass_g=np.nan)
    assert np.isnan(cooling_times(unknown).time_s)


@few
@given(start=st.floats(0.5, 15.0), room=st.floats(18.0, 35.0))
def test_warming_follows_the_same_law(start, room):
    setup = Setup(start_temp_c=start, sink_temp_c=room, evaporation=0.0, emissivity=0.0)
    times = cool_to(setup, [16.0, 17.0]).time_s
    closed = newton_time_s(start, [16.0, 17.0], room, time_constant_s=1.0)
    # The heat capacity changes by 0.3 % over these temperatures.
    assert times[0] / times[1] == pytest.approx(closed[0] / closed[1], rel=3e-3)


def test_ice_grows_from_none_to_all():
    setup = Setup(start_temp_c=40.0)
    solid = float(cooling_times(setup, endpoint="t_solid").time_s)
    zero = float(cooling_times(setup, endpoint="t_zero").time_s)
    ice = ice_mass_g(setup, at_time_s=np.array([0.0, zero, 0.5 * (zero + solid), solid, 2 * solid]))
    whole = 100.0 - float(cooling_times(setup).mass_lost_g)
    assert ice == pytest.approx([0.0, 0.0, whole / 2, whole, whole], abs=1e-9)
    at_once = ice_mass_g(setup, at_time_s=1e5, supercooling_k=8.0)
    assert at_once == pytest.approx(whole, abs=0.5)
    first = cooling_times(setup, endpoint="t_first_ice", supercooling_k=8.0).time_s
    # Handbook: c times the depth over the heat of fusion freezes at once, here one tenth.
    share = ice_mass_g(setup, at_time_s=float(first), supercooling_k=8.0) / whole
    assert share == pytest.approx(0.10, abs=0.005)


def test_ice_cools_on_to_a_threshold_below_zero():
    setup = Setup(start_temp_c=40.0)
    times = cooling_times(setup, endpoint="t_threshold", threshold_c=[0.0, -5.0, -10.0]).time_s
    solid = float(cooling_times(setup).time_s)
    assert times[0] == pytest.approx(float(cooling_times(setup, endpoint="t_zero").time_s))
    assert solid < times[1] < times[2]
    cooled = ice_cooling_time_s(setup, -5.0, mass_g=100.0)
    flows = heat_flows_at_zero_w(setup.with_(evaporation=0.0), mass_g=100.0)
    conductance = float(flows.top + flows.base + flows.side) / 18.0
    capacity = 0.1 * float(water.ice_heat_capacity_j_kgk(-2.5))
    closed = capacity / conductance * np.log(18.0 / 13.0)
    # Radiation weakens by a few per cent on the way.
    assert cooled == pytest.approx(closed, rel=0.02)
    assert np.isinf(ice_cooling_time_s(setup, -20.0, mass_g=100.0))


def test_a_run_does_not_depend_on_its_neighbours():
    rng = np.random.default_rng(3)
    starts = rng.uniform(5.0, 99.0, 300)
    whole = cooling_times(Setup(start_temp_c=starts)).time_s
    alone = [float(cooling_times(Setup(start_temp_c=s)).time_s) for s in starts[:20]]
    # The last digits may differ by the order of a matrix product's sums.
    assert whole[:20] == pytest.approx(alone, rel=1e-13)
