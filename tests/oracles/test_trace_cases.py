"""Every trace of `tests/cases` end to end: file, channels, events.

The true times are those with which the traces were simulated, counted from the first reading.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import pytest

import metafreeze as mf
from metafreeze.cli.main import answer

FOLDER = Path(__file__).parents[1] / "cases"
# A true time may lie one sample interval outside the limits that are given.
STEPS_ALLOWED = 1.0
# Limits wide enough to hold anything would prove nothing.
WIDEST_STEPS = 4.0

# File, channel, first ice, plateau end, seconds between readings, readings, marked as bad.
SEEN: list[tuple[str, str, float, float, float, int, int]] = [
    ("l01_hash_preamble.csv", "Cup 1 (°C)", 3089, 4589, 60, 92, 0),
    ("l02_keyvalue_preamble_footer.txt", "Water", 1668, 3168, 60, 68, 0),
    ("l03_three_header_rows.csv", "Probe 2 cold cup", 1668, 3168, 60, 68, 0),
    ("l04_elapsed_over_24h.csv", "T_C", 66712, 96712, 1800, 61, 0),
    ("l05_elapsed_two_fields.csv", "T_C", 2302, 3802, 60, 79, 0),
    ("l06_mixed_utc_offsets.csv", "T_C", 4447, 8447, 300, 32, 0),
    ("l07_four_samples_per_second_truncated_stamps.csv", "T_C", 66.7, 76.7, 0.25, 327, 0),
    ("l08_duplicate_rows_one_conflicting.csv", "T_C", 2747, 4247, 60, 87, 1),
    ("l10_sentinels_and_status_text.csv", "T_C", 2747, 4247, 60, 86, 7),
    ("l11_tab_separated_named_xls_fahrenheit.xls", "Water (F)", 3089, 4589, 60, 92, 0),
    ("l14_half_degree_resolution_ties.csv", "T_C", 1172, 2672, 30, 120, 0),
    ("l15_door_opening_bump.csv", "T_C", 2494, 3994, 30, 164, 0),
    ("l16_event_rows_interleaved.csv", "Water °C (probe 0000)", 3089, 4589, 60, 92, 0),
    ("l17_side_by_side_blocks.csv", "T1 (C)", 3089, 4589, 60, 92, 0),
    ("l17_side_by_side_blocks.csv", "T2 (C)", 1668, 3168, 90, 46, 0),
    ("l18_twelve_hour_local_markers.csv", "water_C", 5559, 8559, 300, 32, 0),
    ("l19_headerless_epoch_nan.csv", "column 3", 1668, 3168, 60, 68, 0),
    ("l20_no_time_column_fixed_rate.txt", "Water temperature", 3089, 4589, 30, 183, 0),
    ("l21_stop_trigger_row.csv", "1 water", 2747, 4247, 60, 86, 0),
    ("l22_local_and_utc_columns_disagree.csv", "water_C", 2747, 4247, 60, 86, 0),
]


@cache
def traces_of(name: str) -> dict[str, dict[str, Any]]:
    found = mf.read_curves(FOLDER / name).to_dict()
    return {t["channel"]: t for t in found["traces"]}


def rules_of(name: str, channel: str) -> list[tuple[str, str]]:
    return [(f["rule"], f["severity"]) for f in traces_of(name)[channel]["findings"]]


def message_of(name: str, channel: str, rule: str) -> str:
    found = [f["message"] for f in traces_of(name)[channel]["findings"] if f["rule"] == rule]
    return " / ".join(found)


@pytest.mark.parametrize("case", SEEN, ids=lambda c: f"{c[0][:3]} {c[1]}")
def test_events_and_counts(case: tuple[str, str, float, float, float, int, int]) -> None:
    name, channel, ice_s, end_s, step_s, samples, bad = case
    trace = traces_of(name)[channel]
    assert (trace["samples"], trace["marked_bad"]) == (samples, bad)
    for event, true_s in (("t_first_ice", ice_s), ("t_plateau_end", end_s)):
        seen = trace["events"][event]
        assert seen["status"] in ("seen", "interval")
        slack = STEPS_ALLOWED * step_s
        assert seen["lower_s"] - slack <= true_s <= seen["upper_s"] + slack
        assert seen["upper_s"] - seen["lower_s"] <= WIDEST_STEPS * step_s


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("l02_keyvalue_preamble_footer.txt", "zone UTC+01:00"),
        ("l04_elapsed_over_24h.csv", "past 24 hours"),
        ("l05_elapsed_two_fields.csv", "minutes and seconds"),
        ("l06_mixed_utc_offsets.csv", "+01:00 and +02:00; readings 300 s apart"),
        ("l07_four_samples_per_second_truncated_stamps.csv", "spread evenly, 0.25 s apart"),
        ("l16_event_rows_interleaved.csv", "zone UTC+01:00"),
        ("l18_twelve_hour_local_markers.csv", "12 hours with markers"),
        ("l20_no_time_column_fixed_rate.txt", "stated time between readings"),
        ("l20_no_time_column_fixed_rate.txt", "30 s apart"),
    ],
)
def test_how_the_time_was_read_is_said(name: str, words: str) -> None:
    (trace,) = traces_of(name).values()
    assert words in trace["time"]


def test_a_record_that_ends_on_the_plateau_is_censored_there() -> None:
    trace = traces_of("l03_three_header_rows.csv")["Probe 1 hot cup"]
    ice, end = trace["events"]["t_first_ice"], trace["events"]["t_plateau_end"]
    assert ice["lower_s"] - 60 <= 3089 <= ice["upper_s"] + 60
    assert (end["status"], end["lower_s"], end["upper_s"]) == ("censored", 4020, None)


def test_a_reset_parts_the_trace_and_nothing_is_sorted() -> None:
    parts = traces_of("l09_clock_reset_header_repeated.csv")
    assert list(parts) == ["T_C, part 1", "T_C, part 2"]
    first, second = parts.values()
    assert (first["samples"], second["samples"]) == (43, 43)
    for event in ("t_first_ice", "t_plateau_end", "t_solid"):
        seen = first["events"][event]
        assert (seen["status"], seen["lower_s"], seen["upper_s"]) == ("censored", 2520, None)
    said = message_of("l09_clock_reset_header_repeated.csv", "T_C, part 2", "clock-reset")
    assert "row 46" in said
    assert "Nothing was sorted" in said


def test_parts_are_joined_only_if_told() -> None:
    name = FOLDER / "l09_clock_reset_header_repeated.csv"
    (trace,) = mf.read_curves(name, join_s=60.0).to_dict()["traces"]
    assert trace["samples"] == 86
    ice, end = trace["events"]["t_first_ice"], trace["events"]["t_plateau_end"]
    assert ice["lower_s"] - 60 <= 2747 <= ice["upper_s"] + 60
    assert end["lower_s"] - 60 <= 4247 <= end["upper_s"] + 60
    assert "parts-joined" in {f["rule"] for f in trace["findings"]}


def test_ice_that_begins_in_a_gap_has_its_limits() -> None:
    name = "l12_gap_over_nucleation.csv"
    ice = traces_of(name)["T_C"]["events"]["t_first_ice"]
    assert (ice["status"], ice["lower_s"], ice["upper_s"]) == ("interval", 1380, 2040)
    assert "1380 to 2040 s" in message_of(name, "T_C", "gap")


def test_water_that_never_freezes_is_censored_at_the_end() -> None:
    events = traces_of("l13_supercooled_never_freezes.csv")["T_C"]["events"]
    for event in ("t_first_ice", "t_plateau_end", "t_solid"):
        assert (events[event]["status"], events[event]["lower_s"]) == ("censored", 7140)


def test_an_opened_door_is_flagged_and_is_no_ice() -> None:
    (trace,) = traces_of("l15_door_opening_bump.csv").values()
    doors = [f for f in trace["flags"] if f["kind"] == "door"]
    assert any(f["lower_s"] <= 1250 and f["upper_s"] >= 1150 for f in doors)


def test_lines_above_and_below_the_table_are_kept_and_are_no_data() -> None:
    name = "l02_keyvalue_preamble_footer.txt"
    assert "agree" in message_of(name, "Water", "start-label")
    assert ("footer", "note") in rules_of(name, "Water")
    assert "-0.3 C" in message_of("l01_hash_preamble.csv", "Cup 1 (°C)", "probe-offset")


def test_exact_repeats_count_once_and_a_conflict_is_named() -> None:
    name = "l08_duplicate_rows_one_conflicting.csv"
    assert message_of(name, "T_C", "repeated-rows").startswith("1 row repeat")
    assert "7.49 and 99.9: 7.49 fits" in message_of(name, "T_C", "repeated-time")


def test_fault_codes_and_words_are_named_with_their_rows() -> None:
    said = message_of("l10_sentinels_and_status_text.csv", "T_C", "marked-bad")
    for cell in ("-999", "-127", "9999", "----", "OL", "Err"):
        assert cell in said


def test_rows_that_tell_of_something_are_events() -> None:
    assert message_of(
        "l16_event_rows_interleaved.csv", "Water °C (probe 0000)", "event-rows"
    ).startswith("3 events")
    assert "ENDED HERE at 5113 s" in message_of("l21_stop_trigger_row.csv", "1 water", "event-rows")


def test_clocks_that_disagree_are_reported() -> None:
    said = message_of("l22_local_and_utc_columns_disagree.csv", "water_C", "clocks-disagree")
    assert "60 min apart" in said


def test_a_file_without_headings_asks_which_column(
    capsys: pytest.CaptureFixture[str],
) -> None:
    name = str(FOLDER / "l19_headerless_epoch_nan.csv")
    assert ("which-column", "question") in rules_of("l19_headerless_epoch_nan.csv", "column 3")
    assert answer(["curves", name, "--json"]) == 1
    assert len(json.loads(capsys.readouterr().out)["traces"]) == 1
    assert answer(["curves", name, "--json", "--channels", "column 3=run 7"]) == 0
    (trace,) = json.loads(capsys.readouterr().out)["traces"]
    assert "which-column" not in {f["rule"] for f in trace["findings"]}
