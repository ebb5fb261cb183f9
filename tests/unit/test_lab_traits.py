"""What goes along with labs' disagreement: a planted trait, none, and what cannot be asked."""

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.multitest import multipletests

from metafreeze.analysis.lab_traits import TRAIT_COLUMNS, TRAITS, _holm, lab_traits, trait_values

PAIR = {"hot_c": 80.0, "cold_c": 20.0}


def rows_of(labs=14, *, per_10k=0.3, seed=2):
    """Invent runs of labs whose slope follows their freezer by `per_10k` at the pair."""
    rng = np.random.default_rng(seed)
    records = []
    for lab in range(labs):
        sink = rng.uniform(-30, -10)
        mass = rng.uniform(50, 200)
        at_pair = 0.1 + per_10k * (sink + 20) / 10 + 0.02 * rng.normal()
        for batch in range(3):
            for start in (20.0, 50.0, 80.0):
                log_time = 8 + at_pair * (start - 20) / 60 + 0.02 * rng.normal()
                records.append(
                    {
                        "record_level": "run",
                        "lab_id": f"lab {lab}",
                        "block_id": str(batch),
                        "run_id": f"{lab}-{batch}-{start}",
                        "start_temp_c": start,
                        "endpoint": "t_solid",
                        "sink_temp_c": sink,
                        "water_mass_start_g": mass,
                        "time_lower_s": np.exp(log_time),
                        "time_upper_s": np.exp(log_time),
                    }
                )
    frame = pd.DataFrame(records)
    for trait in TRAITS:
        if trait.field not in frame:
            frame[trait.field] = None
    return frame.assign(source_id=None)


def test_a_planted_trait_is_found_with_its_size():
    found = lab_traits(rows_of(), endpoint="t_solid", **PAIR)
    first = found.traits.iloc[0]
    assert found.status == "ok"
    assert first["trait"] == "freezer temperature"
    assert first["low"] < 0.3 < first["high"] and first["high"] - first["low"] < 0.15
    # Two traits are tried, a thousand orders at most: no p of Holm can be smaller.
    assert first["p_holm"] == pytest.approx(2 * first["p_permuted"]) and first["p_holm"] < 0.01
    assert first["explained"] > 80
    assert "What goes along with it: freezer temperature." in found.found
    assert found.tried + found.not_tried == len(TRAITS)


def test_chance_alone_is_called_so_in_nineteen_of_twenty():
    rng = np.random.default_rng(8)
    claims = 0
    for _ in range(40):
        seed = int(rng.integers(1 << 31))
        frame = rows_of(10, per_10k=0.0, seed=seed)
        claims += (
            "What goes along" in lab_traits(frame, endpoint="t_solid", draws=199, **PAIR).found
        )
    # 5 % of 40 are 2; six or more come about in 1.4 % of such series.
    assert claims <= 5


def test_the_order_and_the_names_of_labs_change_nothing():
    frame = rows_of(8)
    other = frame.sample(frac=1, random_state=3).assign(
        lab_id=lambda f: "Z" + f["lab_id"].str.removeprefix("lab ").str.zfill(3)
    )
    one, two = (lab_traits(f, endpoint="t_solid", **PAIR) for f in (frame, other))
    same = ["change", "low", "high", "explained"]
    assert np.allclose(one.traits[same], two.traits[same], rtol=1e-9)


def test_few_labs_give_a_hint_only():
    found = lab_traits(rows_of(7, per_10k=1.0), endpoint="t_solid", **PAIR)
    assert "a hint for the next trials, not a finding" in found.found


def test_what_cannot_be_asked_says_why():
    found = lab_traits(rows_of(3), endpoint="t_solid", **PAIR)
    assert found.status == "unidentifiable" and "3 labs have an effect" in found.note
    assert list(found.to_frame().columns) == list(TRAIT_COLUMNS)
    alike = rows_of(5).assign(sink_temp_c=-18.0, water_mass_start_g=100.0)
    assert "no trait" in lab_traits(alike, endpoint="t_solid", **PAIR).note


def test_traits_of_a_lab_are_shares_means_and_doublings():
    frame = rows_of(4)
    frame["lid"] = np.where(frame["start_temp_c"] > 60, "open", "sealed")
    frame.loc[frame["lab_id"] == "lab 1", "lid"] = None
    values = trait_values(frame)
    assert values.loc["lab 0", "open vessels"] == pytest.approx(1 / 3)
    assert np.isnan(values.loc["lab 1", "open vessels"])
    mass = frame.loc[frame["lab_id"] == "lab 2", "water_mass_start_g"].iloc[0]
    assert values.loc["lab 2", "water at start"] == pytest.approx(np.log2(mass))


def test_several_p_values_are_adjusted_as_the_general_library_does():
    p = np.random.default_rng(1).uniform(0, 0.2, 9)
    assert np.allclose(_holm(p), multipletests(p, method="holm")[1], rtol=1e-12)
