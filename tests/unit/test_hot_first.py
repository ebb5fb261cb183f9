"""Counts of "hot first" against physics and chance."""

import numpy as np
import pandas as pd
import pytest

from metafreeze import InputError, hot_first_null
from metafreeze.physics.chance import chance_hot_first
from metafreeze.physics.setup import Setup

BEAKER = {
    "lab_id": "a",
    "record_level": "pair_count",
    "endpoint": "t_first_ice",
    "start_temp_hot_c": 80.0,
    "start_temp_cold_c": 60.0,
    "n_pairs": 20,
    "k_hot_first": 6,
    "sink_type": "freezer",
    "sink_temp_c": -18.0,
    "water_mass_start_g": 100.0,
    "inner_diameter_mm": 60.0,
    "lid": "open",
}
# The beaker of the printed table, nothing unknown but supercooling.
TOLD = {
    "h_air_w_m2k": 6.0,
    "h_base_w_m2k": 15.0,
    "h_exponent": 0.0,
    "air_rh": 0.9,
    "mass_g": 100.0,
    "sink_temp_c": -18.0,
    "diameter_mm": 60.0,
    "wall_thickness_mm": 0.0,
    "emissivity": 0.96,
    "evaporation_factor": 1.0,
    "ice_resistance": 0.0,
    "supercooling_k": 5.5,
}
TAP_SD_K = float(np.hypot(1.5, 0.8))


def counts(*changes):
    return pd.DataFrame([BEAKER | c for c in changes])


def test_chance_of_known_vessels_is_that_of_the_physics():
    rows = counts({}, {"start_temp_hot_c": 90.0, "start_temp_cold_c": 80.0})
    null = hot_first_null(rows, known=TOLD, simulations=20_000)
    for chance, hot, cold in zip(null.chance, (80.0, 90.0), (60.0, 80.0), strict=True):
        exact = chance_hot_first(
            Setup(start_temp_c=cold), hot_c=hot, cold_c=cold, sd_supercooling_k=TAP_SD_K
        ).hot
        error = np.sqrt(exact * (1 - exact) / (20 * 20_000))
        assert chance == pytest.approx(exact, abs=5 * error)
    assert (null.chance_low <= null.chance).all()
    assert (null.chance <= null.chance_high).all()


def test_neither_one_half_nor_zero():
    far, near = hot_first_null(
        counts({"start_temp_cold_c": 20.0}, {"start_temp_cold_c": 75.0})
    ).chance
    assert 0.0 < far < 0.05
    assert 0.35 < near < 0.5


def test_many_and_few_are_the_two_tails():
    rows = counts({"k_hot_first": 20}, {"k_hot_first": 0}, {"k_hot_first": 5})
    null = hot_first_null(rows)
    assert null.p_as_many[0] < 0.01
    assert null.p_as_few[1] < 0.05
    assert null.p_as_many[2] > 0.1
    assert null.p_as_few[2] > 0.1
    # Never exactly zero: (1 + b)/(1 + B).
    assert null.p_as_many[0] >= 1 / (1 + null.simulations)


def test_one_pair_frozen_again_and_again_is_one_pair():
    fresh, same = hot_first_null(
        counts({"k_hot_first": 14}, {"k_hot_first": 14, "n_specimens": 2})
    ).p_as_many
    assert same > 3 * fresh


def test_other_endpoints_scatter_in_ln_time():
    null = hot_first_null(counts({"endpoint": "t_solid"}, {"endpoint": "t_zero"}))
    solid, zero = null.chance
    # Zero is passed much later from a hotter start, the end only a little.
    assert zero < solid < 0.5


def test_rows_without_an_answer_say_why():
    rows = counts({"start_temp_hot_c": np.nan}, {"n_pairs": np.nan}, {"k_hot_first": np.nan}, {})
    null = hot_first_null(rows)
    assert null.row_note[0] == "the start temperature is missing"
    assert null.row_note[1] == "the number of pairs is missing"
    assert null.row_note[2] == ""
    assert np.isnan(null.p_as_many[2])
    assert np.isfinite(null.chance[2])
    frame = null.to_frame()
    assert list(frame["status"]) == ["unidentifiable", "unidentifiable", "ok", "ok"]
    empty = hot_first_null(rows.iloc[:1])
    assert empty.status == "unidentifiable"
    assert "start temperature" in empty.headline()


def test_same_seed_same_answer_whatever_else_is_counted():
    rows = counts({}, {"start_temp_hot_c": 95.0})
    one, other = hot_first_null(rows, seed=3), hot_first_null(rows, seed=3)
    assert one.to_frame().equals(other.to_frame())
    assert not one.to_frame().equals(hot_first_null(rows, seed=4).to_frame())


def test_refusals():
    with pytest.raises(InputError, match="No row counts pairs"):
        hot_first_null(counts({"record_level": "run"}))
    with pytest.raises(InputError, match="Give at least one a draw, 50"):
        hot_first_null(counts({}), simulations=10)
    with pytest.raises(InputError, match="rows is a str"):
        hot_first_null("rows")
