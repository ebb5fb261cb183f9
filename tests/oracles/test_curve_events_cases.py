"""Events of the traces in `tests/cases` that need no more than two columns of numbers.

The true times are those with which the traces were simulated, counted from the first reading.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from metafreeze.curves.events import CurveEvents, find_events

FOLDER = Path(__file__).parents[1] / "cases"
# A true time may lie one sample interval outside the limits that are given.
STEPS_ALLOWED = 1.0

SEEN = [
    ("l01_hash_preamble.csv", 3089, 4589),
    ("l11_tab_separated_named_xls_fahrenheit.xls", 3089, 4589),
    ("l14_half_degree_resolution_ties.csv", 1172, 2672),
    ("l15_door_opening_bump.csv", 2494, 3994),
]


def events_of(name: str) -> CurveEvents:
    text = (FOLDER / name).read_text("utf-8")
    pairs = re.findall(r"^(\d+)[,\t](-?[\d.]+)$", text, flags=re.MULTILINE)
    times, temps = np.array(pairs, dtype=float).T
    return find_events(times, (temps - 32) / 1.8 if "fahrenheit" in name else temps)


@pytest.mark.parametrize(("name", "ice_s", "end_s"), SEEN)
def test_ice_and_plateau_end(name: str, ice_s: float, end_s: float) -> None:
    found = events_of(name)
    for event, true_s in (("t_first_ice", ice_s), ("t_plateau_end", end_s)):
        seen = found.events[event]
        slack = STEPS_ALLOWED * found.step_s
        assert seen.status in ("seen", "interval")
        assert seen.lower_s - slack <= true_s <= seen.upper_s + slack
        # Limits wide enough to hold anything would prove nothing.
        assert seen.upper_s - seen.lower_s <= 4 * found.step_s


def test_rounding_that_hides_the_minimum_is_said() -> None:
    found = events_of("l14_half_degree_resolution_ties.csv")
    assert found.events["t_first_ice"].status == "interval"
    assert np.isnan(found.supercooling_k)


def test_a_gap_over_the_beginning_of_ice_gives_its_limits() -> None:
    ice = events_of("l12_gap_over_nucleation.csv").events["t_first_ice"]
    assert (ice.status, ice.lower_s, ice.upper_s) == ("interval", 1380, 2040)


def test_water_that_stays_supercooled_is_censored_at_the_end() -> None:
    found = events_of("l13_supercooled_never_freezes.csv").events
    for name in ("t_first_ice", "t_plateau_end", "t_solid"):
        assert (found[name].status, found[name].lower_s) == ("censored", 7140)
        assert np.isnan(found[name].upper_s)


def test_an_opened_door_is_flagged_and_is_not_ice() -> None:
    found = events_of("l15_door_opening_bump.csv")
    assert [d.kind for d in found.disturbances] == ["door"]
    assert found.disturbances[0].lower_s <= 1200 <= found.disturbances[0].upper_s
