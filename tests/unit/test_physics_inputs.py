"""What the physics refuses, and what it says then."""

import numpy as np
import pytest

from metafreeze.errors import InputError
from metafreeze.physics.baseline import cooling_times
from metafreeze.physics.chance import chance_hot_first, simulate_hot_first
from metafreeze.physics.cooling import cool_to
from metafreeze.physics.freezing import neumann_constant, plank_time_s, stefan_constant
from metafreeze.physics.setup import Setup
from metafreeze.physics.usual import (
    H_BASE,
    STILL_AIR,
    air_coefficient_w_m2k,
    air_range,
    around,
    base_range,
    diameter_from_mass_mm,
    exactly,
    supercooling_range,
    usual_setup,
    wall_conductivity_range,
)
from metafreeze.physics.validity import still_surface_time_s, validity_numbers


def refusal(function, *arguments, **options):
    with pytest.raises(InputError) as caught:
        function(*arguments, **options)
    return str(caught.value)


def test_setup_names_field_value_and_range():
    assert refusal(Setup, start_temp_c=[20.0, 120.0]) == (
        "start_temp_c is 120, outside 0 to 100. Give a value in this range, or NaN where it is "
        "unknown."
    )
    assert "mass_g is -1, outside" in refusal(Setup, start_temp_c=20.0, mass_g=-1.0)
    assert "air_rh is 80, outside 0 to 1" in refusal(Setup, start_temp_c=20.0, air_rh=80.0)


def test_setup_names_shapes_that_do_not_fit():
    said = refusal(Setup, start_temp_c=[1.0, 2.0], mass_g=[1.0, 2.0, 3.0])
    assert "start_temp_c (2,), mass_g (3,)" in said
    assert "arrays of one length" in said


def test_setup_is_read_only_and_copies():
    starts = np.array([20.0, 80.0])
    setup = Setup(start_temp_c=starts)
    starts[0] = 99.0
    assert setup.array("start_temp_c")[0] == 20.0
    with pytest.raises(ValueError, match="read-only"):
        setup.array("start_temp_c")[0] = 1.0
    changed = setup.with_(sink_temp_c=-30.0)
    assert float(changed.array("sink_temp_c")) == -30.0
    assert float(setup.array("sink_temp_c")) == -18.0
    assert setup.shape == (2,)
    assert "no field 'sink'" in refusal(setup.with_, sink=-3.0)


def test_endpoint_refusals():
    setup = Setup(start_temp_c=20.0)
    assert 'Choose one of "t_threshold"' in refusal(cooling_times, setup, endpoint="frozen")
    assert "Use ice_mass_g" in refusal(cooling_times, setup, endpoint="ice_at_time")
    assert "needs residual_from_c" in refusal(cooling_times, setup, endpoint="t_residual")
    said = refusal(
        cooling_times,
        setup,
        endpoint="t_residual",
        residual_from_c=10.0,
        residual_endpoint="ice_at_time",
    )
    assert 'residual_endpoint is "ice_at_time"' in said
    said = refusal(cooling_times, setup, endpoint="t_first_ice", supercooling_k=25.0)
    assert "from 0 to 20 K" in said
    assert "-20 to 100" in refusal(cool_to, setup, -25.0)


def test_shape_of_a_front():
    said = refusal(
        plank_time_s,
        0.1,
        shape="cube",
        density_kg_m3=1e3,
        latent_heat_j_kg=3e5,
        freezing_temp_c=0.0,
        sink_temp_c=-18.0,
        h_w_m2k=10.0,
        conductivity_w_mk=2.2,
    )
    assert said == 'shape is \'cube\'. Choose one of "slab", "cylinder", "sphere".'
    warm = plank_time_s(
        0.1,
        shape="slab",
        density_kg_m3=1e3,
        latent_heat_j_kg=3e5,
        freezing_temp_c=0.0,
        sink_temp_c=2.0,
        h_w_m2k=10.0,
        conductivity_w_mk=2.2,
    )
    assert np.isinf(warm)


def test_growth_constants_at_their_limits():
    assert stefan_constant(0.0) == 0.0
    assert np.isnan(stefan_constant(-0.1))
    # Superheat slows the front, ever more.
    slowed = neumann_constant(0.11, superheat_ratio=[0.0, 0.5, 1.0, 5.0], diffusivity_ratio=8.0)
    assert (np.diff(slowed) < 0.0).all()
    assert (slowed > 0.0).all()


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"sd_supercooling_k": 0.0}, "standard deviation above zero"),
        ({"mean_supercooling_k": np.nan}, "finite mean"),
    ],
)
def test_chance_refusals(options, said):
    assert said in refusal(
        chance_hot_first, Setup(start_temp_c=20.0), hot_c=80.0, cold_c=20.0, **options
    )


def test_chance_refuses_several_vessels_and_warm_sinks():
    several = Setup(start_temp_c=[20.0, 30.0])
    assert "holds 2 vessels" in refusal(chance_hot_first, several, hot_c=80.0, cold_c=20.0)
    warm = Setup(start_temp_c=20.0, sink_temp_c=3.0)
    assert "Nothing freezes" in refusal(chance_hot_first, warm, hot_c=80.0, cold_c=20.0)


def test_chance_when_the_sink_is_hardly_cold_enough():
    mild = Setup(start_temp_c=20.0, sink_temp_c=-3.0)
    chance = chance_hot_first(mild, hot_c=60.0, cold_c=30.0, mean_supercooling_k=6.0)
    assert chance.neither > 0.9
    assert chance.hot + chance.cold + chance.neither == pytest.approx(1.0)
    none = chance_hot_first(
        mild, hot_c=60.0, cold_c=30.0, mean_supercooling_k=19.0, sd_supercooling_k=0.1
    )
    assert (none.hot, none.cold, none.neither) == (0.0, 0.0, 1.0)


def test_equal_starts_are_a_fair_coin():
    chance = chance_hot_first(Setup(start_temp_c=20.0), hot_c=50.0, cold_c=50.0)
    assert chance.hot == pytest.approx(0.5, abs=1e-6)


def test_simulated_counts_agree_with_the_chance_and_cluster_by_specimen():
    setup = Setup(start_temp_c=20.0)
    draws, pairs = 4000, 12

    def simulate(specimen, **options):
        return simulate_hot_first(
            setup,
            hot_c=80.0,
            cold_c=60.0,
            specimen=specimen,
            draws=draws,
            rng=np.random.default_rng(1),
            sd_specimen_k=1.2,
            sd_run_k=1.6,
            **options,
        )

    one_each = simulate(np.arange(pairs))
    exact = chance_hot_first(setup, hot_c=80.0, cold_c=60.0, sd_supercooling_k=2.0).hot
    error = np.sqrt(exact * (1 - exact) / (draws * pairs))
    assert one_each.mean() / pairs == pytest.approx(exact, abs=4 * error)
    # The same two specimens again and again: the same mean, far more spread.
    repeated = simulate(np.zeros(pairs))
    assert repeated.mean() / pairs == pytest.approx(exact, abs=0.03)
    assert repeated.var() > 2.0 * one_each.var()
    # Looking now and then turns close ones into ties.
    assert simulate(np.arange(pairs), looked_every_s=1200.0).mean() < one_each.mean()


def test_usual_words():
    assert usual_setup(20.0, lid="sealed").array("evaporation") == 0.0
    assert usual_setup(20.0, sink_type="bath").array("h_side_w_m2k") == 200.0
    assert np.isnan(usual_setup(20.0, sink_type="fan").array("h_side_w_m2k"))
    assert usual_setup(20.0, base_support="wire").array("h_base_w_m2k") == H_BASE["wire"].centre
    assert "lid is 'cork'" in refusal(usual_setup, 20.0, lid="cork")
    assert "sink_type is 'snow'" in refusal(usual_setup, 20.0, sink_type="snow")
    # 50 g filled to 0.7 of the diameter: 50 mL = pi/4 d² 0.7 d.
    assert diameter_from_mass_mm(50.0, 0.7) == pytest.approx(
        np.cbrt(50.008e3 / (0.7 * np.pi / 4)), rel=1e-4
    )


def test_usual_ranges_follow_the_words():
    assert base_range("freezer", "metal") is H_BASE["metal"]
    assert base_range("bath").centre == 200.0
    assert air_range("freezer") is STILL_AIR
    assert air_range("freezer", 3.0).centre == pytest.approx(17.1)
    assert air_range("unheard of") is STILL_AIR
    assert wall_conductivity_range("Glass beaker").centre == 1.0
    assert wall_conductivity_range("Polystyrene foam cup").centre == 0.035
    assert wall_conductivity_range("polypropylene tub").centre == 0.2
    assert wall_conductivity_range("?").centre == 0.5
    assert supercooling_range("tap", "AgI").centre == 1.0
    assert supercooling_range("distilled").centre == 8.0
    assert supercooling_range("tap", "", "outdoor").centre == 1.5


def test_moving_air():
    # McAdams: never below still air, rising, no step down where the formula changes.
    speeds = np.linspace(0.0, 15.0, 301)
    h = air_coefficient_w_m2k(speeds)
    assert h[0] == STILL_AIR.centre
    assert (np.diff(h) >= 0.0).all()
    assert h[speeds == 10.0] == pytest.approx(6.47 * 10**0.78)


def test_ranges_hold_nine_in_ten():
    given = around(10.0, 2.0)
    assert given.spread == pytest.approx(2.0)
    assert exactly(3.0).spread == 0.0
    assert STILL_AIR.spread == pytest.approx(np.log(11.0 / 4.5) / 3.2897, rel=1e-4)
    wider = STILL_AIR.wider(2.0)
    assert wider.spread == pytest.approx(2 * STILL_AIR.spread)
    assert given.wider(3.0).spread == pytest.approx(6.0)


def test_validity_notes_name_what_is_outside():
    quiet = validity_numbers(Setup(start_temp_c=50.0, mass_g=20.0, diameter_mm=15.0))
    assert quiet.notes == ()
    top = validity_numbers(Setup(start_temp_c=50.0, side_share=0.0, h_base_w_m2k=0.0))
    assert any("top only" in note for note in top.notes)
    bath = validity_numbers(Setup(start_temp_c=50.0, h_air_w_m2k=60.0, sink_temp_c=-100.0))
    assert any("Biot number of ice" in note for note in bath.notes)
    assert any("Stefan number" in note for note in bath.notes)
    film = validity_numbers(Setup(start_temp_c=5.0, mass_g=1.0, diameter_mm=60.0))
    assert any("too thin" in note for note in film.notes)


def test_still_water_freezes_on_top_long_before_its_mean():
    # A layer at 4 °C under 13 W/(m2 K): minutes at the surface against half an hour mixed.
    minutes = still_surface_time_s(4.0, 0.0, -18.0, h_w_m2k=13.0) / 60
    assert 6.0 < minutes < 9.0
    assert np.isnan(still_surface_time_s(4.0, 10.0, -18.0, h_w_m2k=13.0))
    assert still_surface_time_s(4.0, 4.0, -18.0, h_w_m2k=13.0) == pytest.approx(0.0, abs=1e-6)
