"""Headings: aliases, units, arms, events, statistics; and what is not recognised."""

from __future__ import annotations

import pytest

from metafreeze.register.meaning.aliases import ROLE_WORDS
from metafreeze.register.meaning.headings import (
    ALIASES,
    find_target,
    plain_heading,
    read_contrast,
    read_heading,
    suggest,
    target_words,
)
from metafreeze.register.schema import FIELDS

# Heading -> target, unit.
PLAIN = [
    ("start", "start_temp_c", ""),
    ("start_C", "start_temp_c", "°C"),
    ("start °C", "start_temp_c", "°C"),
    ("Start Temp (F)", "start_temp_c", "°F"),
    ("starting temperature [K]", "start_temp_c", "K"),
    ("T0", "start_temp_c", ""),
    ("T/°C", "start_temp_c", "°C"),
    ("T", "start_temp_c", ""),
    ("t", "time", ""),
    ("t / min", "time", "min"),
    ("initial temp, °F", "start_temp_c", "°F"),
    ("startTemp_C", "start_temp_c", "°C"),
    ("time", "time", ""),
    ("time (min)", "time", "min"),
    ("time [min]", "time", "min"),
    ("freeze_min", "time", "min"),
    ("freeze min", "time", "min"),
    ("minutes to freeze", "time", "min"),
    ("minutes", "time", "min"),
    ("freezing time in hours", "time", "h"),
    ("t_freeze", "time", ""),
    ("time_s", "time", "s"),
    ("freeze time (mm:ss)", "time", "min:s"),
    ("No.", "run_id", ""),
    ("#", "run_id", ""),
    ("Trial #", "run_id", ""),
    ("Lab (city)", "lab_id", ""),
    ("kitchen", "lab_id", ""),
    ("batch no.", "block_id", ""),
    ("cup", "specimen_id", ""),
    ("Cup no", "specimen_id", ""),
    ("beaker", "vessel_material", ""),
    ("ambient", "sink_temp_c", ""),
    ("freezer temp (°F)", "sink_temp_c", "°F"),
    ("nucleation_C", "nucleation_temp_c", "°C"),
    ("volume (oz)", "volume", "US fl oz"),
    ("water (mL)", "volume", "mL"),
    ("water (g)", "water_mass_start_g", "g"),
    ("mass before / g", "water_mass_start_g", "g"),
    ("evaporated (%)", "evaporated_share", "%"),
    ("mass loss (g)", "mass_evaporated_g", "g"),
    ("diameter (in)", "inner_diameter_mm", "in"),
    ("humidity %", "air_rh", "%"),
    ("Notes", "remark", ""),
    ("last seen liquid (min)", "time_lower_s", "min"),
    ("first seen frozen (min)", "time_upper_s", "min"),
    ("time in", "start_clock", ""),
    ("frozen at", "end_clock", ""),
    ("did it freeze?", "seen", ""),
    ("censored", "not_seen", ""),
    ("mean (min)", "mean_s", "min"),
    ("Average time (min)", "mean_s", "min"),
    ("std dev", "sd_s", ""),
    ("SEM (min)", "se_s", "min"),
    ("variance", "variance", ""),
    ("upper 95% CI (min)", "ci_high_s", "min"),
    ("ci_low", "ci_low_s", ""),
    ("95% CI", "interval", ""),
    ("Q1", "q1_s", ""),
    ("max_min", "max_s", "min"),
    ("spread_type", "spread_type", ""),
    ("k/n", "counted", ""),
    ("p-value", "p_value", ""),
    ("Fig.", "locator", ""),
    ("reading error (min)", "time_reading_sd_s", "min"),
    ("Pixel X", "pixel_x", ""),
]


@pytest.mark.parametrize(("heading", "target", "unit"), PLAIN, ids=[p[0] for p in PLAIN])
def test_plain_headings(heading: str, target: str, unit: str) -> None:
    meaning = read_heading(heading)[0]
    assert meaning.target == target
    assert (meaning.unit.name if meaning.unit else "") == unit


@pytest.mark.parametrize(
    ("heading", "endpoint", "threshold"),
    [
        ("time to first ice (min)", "t_first_ice", None),
        ("t_first_ice (h)", "t_first_ice", None),
        ("fully frozen (min)", "t_solid", None),
        ("time (solid) [min]", "t_solid", None),
        ("time to solid", "t_solid", None),
        ("zero", "t_zero", None),
        ("to 0 °C (min)", "t_zero", None),
        ("time to 4 °C, min", "t_threshold", 4.0),
        ("reached 50 °F (min)", "t_threshold", 10.0),
        ("end of plateau (min)", "t_plateau_end", None),
        ("freeze time (min)", "", None),
    ],
)
def test_events_in_headings(heading: str, endpoint: str, threshold: float | None) -> None:
    meaning = read_heading(heading)[0]
    assert (meaning.target, meaning.endpoint, meaning.threshold_c) == ("time", endpoint, threshold)


@pytest.mark.parametrize(
    ("heading", "group", "target", "arm", "start"),
    [
        ("hot mean (min)", "", "mean_s", "hot", None),
        ("mean_cold", "", "mean_s", "cold", None),
        ("hot time (min)", "", "time", "hot", None),
        ("hot (°C)", "", "start_temp_c", "hot", None),
        ("80 °C (min)", "", "time", "", 80.0),
        ("hot (80 °C) min", "", "time", "hot", 80.0),
        ("mean", "Hot (80 °C)", "mean_s", "hot", 80.0),
        ("n", "Cold (68 °F)", "n_runs", "cold", 20.0),
        ("time (min)", "Cold", "time", "cold", None),
    ],
)
def test_arms_in_headings(
    heading: str, group: str, target: str, arm: str, start: float | None
) -> None:
    meanings = read_heading(heading, group)
    meaning = next(m for m in meanings if m.target == target)
    assert (meaning.arm, meaning.start_temp_c) == (arm, start)


@pytest.mark.parametrize(
    ("heading", "spread"),
    [
        ("mean ± SD (min)", "SD"),
        ("mean ± SEM (min)", "SE"),
        ("mean (SD)", "SD"),
        ("Median [IQR] min", "IQR"),
    ],
)
def test_spread_beside_a_centre(heading: str, spread: str) -> None:
    assert read_heading(heading)[0].spread_type == spread


@pytest.mark.parametrize(
    ("text", "kind", "reverse"),
    [
        ("hot - cold", "difference", False),
        ("cold − hot", "difference", True),
        ("cold minus hot", "difference", True),
        ("ratio hot/cold", "ratio", False),
        ("ratio cold/hot", "ratio", True),
        ("ln(hot/cold)", "log-ratio", False),
        ("log ratio", "log-ratio", None),
        ("% change", "percent", None),
        ("hot relative to cold, % change", "percent", False),
        ("nothing of the kind", "", None),
    ],
)
def test_contrasts(text: str, kind: str, reverse: bool | None) -> None:
    assert read_contrast(text) == (kind, reverse)


@pytest.mark.parametrize("heading", ["weather", "camera", "Gefrierzeit (min)", "offset_C", "Essai"])
def test_unknown_headings_give_nothing(heading: str) -> None:
    assert read_heading(heading) == ()


@pytest.mark.parametrize(
    ("heading", "unit", "first"),
    [
        ("Gefrierzeit (min)", "min", "freeze time"),
        ("Starttemperatur (°C)", "°C", "start temperature"),
        ("Labor", "", "lab"),
        ("freze time", "", "freeze time"),
    ],
)
def test_suggestions_begin_with_what_measures_the_same(heading: str, unit: str, first: str) -> None:
    assert suggest(heading, unit)[0] == first


def test_suggestions_are_answers() -> None:
    for heading in ("Gefrierzeit (min)", "temperatur", "remrk", "vesel"):
        for suggestion in suggest(heading):
            assert find_target(suggestion), suggestion


@pytest.mark.parametrize(
    ("words", "target"),
    [
        ("freeze time", "time"),
        ("time", "time"),
        ("time_s", "time"),
        ("time_lower_s", "time_lower_s"),
        ("time_upper_s", "time_upper_s"),
        ("start", "start_temp_c"),
        ("start_temp_c", "start_temp_c"),
        ("ignore", "ignore"),
        ("no such thing", ""),
    ],
)
def test_answers_name_targets(words: str, target: str) -> None:
    assert find_target(words) == target


def test_every_schema_name_is_its_own_alias() -> None:
    for field in FIELDS:
        assert ALIASES[plain_heading(field.name)][0] == field.name


def test_every_label_and_role_word_leads_to_its_target() -> None:
    for field in FIELDS:
        if field.name not in ("time_lower_s", "time_upper_s"):
            assert field.name in ALIASES[plain_heading(field.label)]
    for role, words in ROLE_WORDS.items():
        assert role in ALIASES[plain_heading(words)]
        assert target_words(role) == words


def test_a_bracket_that_may_be_a_unit_is_kept_in_mind() -> None:
    assert read_heading("start temp (R)")[0].doubt == "R"
    assert read_heading("freeze (°C)")[0].doubt == "°C"
    assert read_heading("start temp (measured)")[0].doubt == ""
    assert read_heading("lab (x)")[0].doubt == ""
