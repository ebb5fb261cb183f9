"""Sheets of runs: wide and long, clocks, windows, units, and what is asked."""

from __future__ import annotations

import datetime as dt

import pytest
from naming_sheets import check_cells, check_text, column, messages, rules

MINUTE = 60.0


def minutes(values: list[float | None]) -> list[float | None]:
    return [None if v is None else round(v / MINUTE, 9) for v in values]


def test_three_columns_are_enough() -> None:
    check = check_text("start,time (min),cup\n80,41.2,blue\n20,39.9,red\n60,41,blue\n")
    assert check.accepted
    assert check.kind == "runs"
    assert column(check, "start_temp_c") == [80.0, 20.0, 60.0]
    assert minutes(column(check, "time_lower_s")) == [41.2, 39.9, 41.0]
    assert column(check, "specimen_id") == ["blue", "red", "blue"]
    assert column(check, "source_id") == ["sheet.csv"] * 3
    assert column(check, "file_row") == [2, 3, 4]
    assert {f.rule for f in check.findings} == {"no-endpoint", "no-lab", "unit-assumed"}


def test_answers_fill_what_the_sheet_leaves_out() -> None:
    text = "start,time (min),lab\n80,41,\n20,39,North\n"
    check = check_text(text, endpoint="t_solid", lab="South", invented=True)
    assert column(check, "endpoint") == ["t_solid", "t_solid"]
    assert column(check, "lab_id") == ["South", "North"]
    assert column(check, "invented") == [True, True]
    assert rules(check) == []


def test_a_column_for_each_event_gives_a_row_for_each() -> None:
    check = check_text(
        "cup,start °F,first ice (min),fully frozen (min)\n1,176,41,80\n2,68,39,\n3,140,,\n"
    )
    assert column(check, "endpoint") == ["t_first_ice", "t_solid", "t_first_ice", "t_first_ice"]
    assert minutes(column(check, "time_upper_s")) == [41.0, 80.0, 39.0, None]
    assert column(check, "file_row") == [2, 2, 3, 4]
    assert column(check, "exclusion_reason") == [None, None, None, "no freezing time"]
    assert check.ledger["used"] == 2
    assert check.ledger["excluded"] == 1


def test_a_row_for_each_event() -> None:
    check = check_text(
        "run,start (C),endpoint,time (min)\n1,80,first ice,41\n1,80,solid,90\n"
        "2,20,reached 4 °C,20\n2,20,0 °C,39\n"
    )
    assert column(check, "endpoint") == ["t_first_ice", "t_solid", "t_threshold", "t_zero"]
    assert column(check, "threshold_c") == [None, None, 4.0, None]
    assert check.accepted


def test_bare_temperatures_are_thresholds_beside_a_start_and_starts_without_one() -> None:
    with_start = check_text("run,start_C,4 °C (min),0 °C (min)\n1,80,41,60\n")
    assert column(with_start, "endpoint") == ["t_threshold", "t_zero"]
    assert column(with_start, "start_temp_c") == [80.0, 80.0]
    without = check_text("run,80 °C (min),20 °C (min)\nR1,41,39\n")
    assert column(without, "start_temp_c") == [80.0, 20.0]
    assert column(without, "endpoint") == [None, None]
    assert column(without, "block_id") == ["R1", "R1"]


def test_both_arms_on_one_line_share_a_batch() -> None:
    check = check_text(
        "pair,hot start (C),cold start (C),hot time (min),cold time (min)\n1,80,20,41,39\n"
    )
    assert column(check, "block_id") == ["1", "1"]
    assert column(check, "arm") == ["hot", "cold"]
    assert column(check, "start_temp_c") == [80.0, 20.0]
    assert minutes(column(check, "time_lower_s")) == [41.0, 39.0]


def test_groups_of_headings_name_arms() -> None:
    check = check_cells(
        [
            ["", "Hot", "", "Cold", ""],
            ["run", "start (°C)", "time (min)", "start (°C)", "time (min)"],
            ["A", 80, 41, 20, 39],
        ]
    )
    assert column(check, "arm") == ["hot", "cold"]
    assert column(check, "start_temp_c") == [80.0, 20.0]
    assert minutes(column(check, "time_lower_s")) == [41.0, 39.0]


def test_windows_in_two_columns() -> None:
    check = check_text(
        "run,start,last seen liquid (min),first seen frozen (min)\n"
        "A,80,30,40\nB,20,40,\nC,60,,30\nD,40,35,35\nE,40,,\nF,40,0,20\n"
    )
    assert minutes(column(check, "time_lower_s")) == [30.0, 40.0, 0.0, 35.0, None, 0.0]
    assert minutes(column(check, "time_upper_s")) == [40.0, None, 30.0, 35.0, None, 20.0]
    assert check.bins.to_pylist() == [
        "not seen exactly",
        "not seen exactly",
        "not seen exactly",
        "used",
        "excluded",
        "not seen exactly",
    ]


def test_a_window_that_ends_before_it_begins_names_both_cells() -> None:
    check = check_text("run,start_C,lower (min),upper (min)\nA,80,50,40\n")
    (fault,) = [f for f in check.findings if f.severity == "error"]
    assert str(fault) == (
        "Not yet frozen at “50” but frozen by “40”: the window ends before it begins. "
        "sheet.csv, row 2, column upper (min). Correct “lower (min)” or “upper (min)”."
    )
    assert check.ledger["unreadable"] == 1


@pytest.mark.parametrize("target", ["time_lower_s", "time_upper_s", "time_s", "freeze time"])
def test_one_end_named_by_an_answer_is_the_exact_time(target: str) -> None:
    text = "Start (°C);Gefrierzeit (min)\n80;41,5\n20;39,0\n"
    check = check_text(text, mapping={"Gefrierzeit": target})
    assert minutes(column(check, "time_lower_s")) == [41.5, 39.0]
    assert minutes(column(check, "time_upper_s")) == [41.5, 39.0]
    assert check.accepted


def test_schema_headings_with_an_open_end() -> None:
    check = check_text(
        "run_id,start_temp_c,time_lower_s,time_upper_s\n1,80,2460,2460\n2,20,2400,\n"
    )
    assert column(check, "time_upper_s") == [2460.0, None]
    assert check.bins.to_pylist() == ["used", "not seen exactly"]


@pytest.mark.parametrize(
    ("heading", "yes", "no"),
    [("frozen", "yes", "no"), ("frozen?", "1", "0"), ("status", "frozen", "not frozen")],
)
def test_a_time_beside_not_frozen_is_how_long_it_was_watched(
    heading: str, yes: str, no: str
) -> None:
    check = check_text(f"run,start_C,time_min,{heading}\nA,80,41,{yes}\nB,20,180,{no}\n")
    assert minutes(column(check, "time_lower_s")) == [41.0, 180.0]
    assert minutes(column(check, "time_upper_s")) == [41.0, None]


def test_censored_is_the_other_way_round() -> None:
    check = check_text("run,start_C,time_min,censored\nA,80,41,0\nB,20,180,1\n")
    assert minutes(column(check, "time_upper_s")) == [41.0, None]


def test_never_frozen_without_a_time_is_asked_once() -> None:
    text = "run,start_C,time_min\nA,80,41\nB,20,did not freeze\nC,30,DNF\n"
    check = check_text(text)
    assert rules(check, "question") == ["watched-how-long"]
    assert "(rows 3 and 4)" in messages(check, "watched-how-long")[0]
    answered = check_text(text, watched="3 h")
    assert minutes(column(answered, "time_lower_s")) == [41.0, 180.0, 180.0]
    assert minutes(column(answered, "time_upper_s")) == [41.0, None, None]
    assert answered.accepted


def test_a_column_may_say_how_long_it_was_watched() -> None:
    check = check_text("run,start_C,time_min,watched until (min)\nA,80,41,180\nB,20,DNF,180\n")
    assert minutes(column(check, "time_lower_s")) == [41.0, 180.0]
    assert check.accepted


def test_clock_times_and_midnight() -> None:
    check = check_text("run,start_C,time in,frozen at\nA,80,09:15,10:02\nB,20,23:50,00:40\n")
    assert minutes(column(check, "time_lower_s")) == [47.0, 50.0]
    assert rules(check, "note") == ["past-midnight"]


def test_stamps_of_a_workbook() -> None:
    check = check_cells(
        [
            ["run", "start (C)", "put in", "frozen at"],
            ["A", 80, dt.datetime(2025, 2, 11, 23, 50), dt.datetime(2025, 2, 12, 0, 31, 12)],
        ]
    )
    assert column(check, "time_lower_s") == [2472.0]


def test_stored_durations_of_a_workbook() -> None:
    check = check_cells(
        [
            ["run", "start (C)", "freeze time"],
            ["A", 80, dt.time(0, 41, 12)],
            ["B", 20, dt.timedelta(minutes=39, seconds=54)],
        ]
    )
    assert column(check, "time_lower_s") == [2472.0, 2394.0]


def test_minutes_and_seconds_stored_as_hours_are_asked_about() -> None:
    text = "run,start (C),freeze (min)\nA,80,41:12:00\nB,20,39:54:00\n"
    assert rules(check_text(text), "question") == ["clock-undecidable"]
    answered = check_text(text, units={"freeze (min)": "h:min:s"})
    assert column(answered, "time_lower_s") == [148320.0, 143640.0]


def test_two_fields_are_settled_by_the_cells_or_asked() -> None:
    settled = check_text("run,start_C,freeze\nA,80,41:20\nB,20,0:54\n")
    assert column(settled, "time_lower_s") == [2480.0, 54.0]
    assert rules(settled) == ["clock-by-cells"]
    text = "run,start_C,freeze\nA,80,1:20\nB,20,0:55\n"
    asked = check_text(text)
    assert rules(asked) == ["clock-undecidable"]
    assert column(asked, "time_lower_s") == [None, None]
    answered = check_text(text, units={"freeze": "h:min"})
    assert column(answered, "time_lower_s") == [4800.0, 3300.0]


def test_times_without_a_unit_are_minutes_where_they_can_be_and_said_so() -> None:
    text = "run,start_C,freeze\nA,80,41\nB,20,>180\n"
    check = check_text(text)
    assert minutes(column(check, "time_lower_s")) == [41.0, 180.0]
    assert column(check, "as_reported") == ["freeze=41 min", "freeze=>180 min"]
    assert messages(check, "unit-assumed") == [
        "“freeze” carries no unit: read as minutes. Ratios of times within a study do not depend "
        "on it, the times themselves do"
    ]
    assert check.accepted
    answered = check_text(text, units={"freeze": "h"})
    assert column(answered, "time_lower_s") == [147600.0, 648000.0]


@pytest.mark.parametrize("times", [("0.7", "0.65"), ("14400", "12960")])
def test_times_that_can_be_no_minutes_are_asked_about(times: tuple[str, str]) -> None:
    text = f"run,start_C,freeze\nA,80,{times[0]}\nB,20,{times[1]}\n"
    check = check_text(text)
    assert rules(check) == ["time-unit-missing"]
    assert column(check, "time_lower_s") == [None, None]
    assert column(check, "as_reported") == [f"freeze={t}" for t in times]
    answered = check_text(text, units={"time": "h"})
    assert column(answered, "time_lower_s") == pytest.approx([3600 * float(t) for t in times])
    assert answered.accepted


def test_cells_that_say_their_unit_need_no_other() -> None:
    check = check_text("start;time\n80 °C;41 min\n68 F;0.65 h\n")
    assert column(check, "start_temp_c") == [80.0, 20.0]
    assert column(check, "time_lower_s") == [2460.0, 2340.0]
    assert check.accepted


def test_temperatures_without_a_unit() -> None:
    celsius = check_text("run,start,time (min)\nA,80,41\n")
    assert messages(celsius, "unit-assumed") == [
        "“start” carries no unit: read in °C, no temperature in the sheet has one"
    ]
    hot = "run,start,time (min)\nA,176,41\nB,68,39\n"
    assert rules(check_text(hot), "question") == ["unit-missing"]
    answered = check_text(hot, units={"start": "°F"})
    assert column(answered, "start_temp_c") == [80.0, 20.0]
    shared = check_text("run,start,ambient (F),time (min)\nA,176,0,41\n")
    assert column(shared, "start_temp_c") == [80.0]
    torn = check_text("run,start,ambient (F),time (min)\nA,80,0,41\nB,20,0,39\n")
    assert rules(torn, "question") == ["unit-missing"]


def test_start_beside_end_is_a_clock() -> None:
    check = check_text("run,start,end,freeze_min\nR1,9,49.2,40.2\n")
    assert column(check, "start_temp_c") == [None]
    assert column(check, "time_lower_s") == [2412.0]
    assert "start-is-a-clock" in rules(check)
    running = check_text("run,start (min),end (min),start temp (C)\nR1,9,49.2,80\n")
    assert minutes(column(running, "time_lower_s")) == [40.2]
    assert column(running, "start_temp_c") == [80.0]


def test_a_unit_for_each_row_and_for_all_times_of_a_row() -> None:
    check = check_text(
        "run,start (C),time to first ice,time to solid,unit\nA,80,41,90,min\nB,20,2340,4800,s\n"
    )
    assert minutes(column(check, "time_lower_s")) == [41.0, 90.0, 39.0, 80.0]
    wrong = check_text("run,start (C),freeze,freeze_unit\nA,80,41,parsec\n")
    assert "unknown-unit" in rules(wrong, "error")


def test_masses_from_volumes_and_what_was_lost() -> None:
    check = check_text(
        "run,start_C,freeze_min,volume (mL),evaporated (%)\nA,80,41,100,5\nB,20,39,100,1\n"
    )
    # Density of water at 80 and 20 °C: 971.8 and 998.2 kg/m³ (Kell 1975).
    assert column(check, "water_mass_start_g") == pytest.approx([97.18, 99.82], abs=0.01)
    assert column(check, "mass_evaporated_g") == pytest.approx([4.859, 0.9982], abs=0.001)
    assert all("by the density of water" in text for text in column(check, "derived"))
    weighed = check_text("start_C,freeze_min,mass before (g),mass after (g)\n80,41,100,97\n")
    assert column(weighed, "mass_evaporated_g") == [3.0]


def test_a_fluid_ounce_is_named() -> None:
    check = check_text("run,start_C,freeze_min,volume (oz)\nA,4,41,1\n")
    assert column(check, "water_mass_start_g") == pytest.approx([29.5727], abs=1e-3)
    assert rules(check) == ["fluid-ounce"]


def test_a_volume_without_a_temperature_gives_no_mass() -> None:
    check = check_text("run,freeze_min,volume (mL)\nA,41,100\n")
    assert column(check, "water_mass_start_g") == [None]
    assert "volume-without-temperature" in rules(check)


def test_title_lines_hold_for_all_rows() -> None:
    check = check_text(
        "Lab: North\nFreezer temp: -18 °C\nEndpoint: fully solid\n\n"
        "run,start (°C),freeze (min)\n1,80,41\n2,20,39\n3,60,40\n"
    )
    assert column(check, "lab_id") == ["North"] * 3
    assert column(check, "sink_temp_c") == [-18.0] * 3
    assert column(check, "endpoint") == ["t_solid"] * 3


def test_a_trial_that_holds_several_starts_is_a_batch() -> None:
    text = "trial,start_C,freeze_min\n1,80,41\n1,20,39\n2,80,42\n2,20,38\n"
    check = check_text(text)
    assert column(check, "block_id") == ["1", "1", "2", "2"]
    assert rules(check) == ["trial-is-a-batch"]
    numbered = check_text(text, mapping={"trial": "run"})
    assert column(numbered, "run_id") == ["1", "1", "2", "2"]
    assert rules(numbered) == ["run-numbers-restart"]


def test_reasons_exclude() -> None:
    check = check_text(
        "run,start_C,freeze_min,excluded because\n1,80,41,\n2,20,39,probe fell out\n3,60,40,yes\n"
    )
    assert column(check, "exclusion_reason") == [None, "probe fell out", "excluded in the sheet"]
    assert check.bins.to_pylist() == ["used", "excluded", "excluded"]


def test_a_single_missing_start_is_left_out_with_its_reason() -> None:
    check = check_text("run,start_C,freeze_min\n1,80,41\n2,,39\n")
    assert column(check, "exclusion_reason") == [None, "no start temperature"]
    assert check.accepted
    none = check_text("run,freeze_min\n1,41\n2,39\n")
    assert none.bins.to_pylist() == ["used", "used"]
    assert none.accepted


def test_unknown_headings_are_asked_about_and_may_be_ignored() -> None:
    text = "run,start_C,freeze_min,weather\nA,80,41,sunny\nB,20,39,cloudy\n"
    check = check_text(text)
    assert not check.accepted
    (fault,) = [f for f in check.findings if f.severity == "question"]
    assert fault.rule == "heading-not-recognised"
    assert fault.message == "The heading “weather” is not recognised; it holds “sunny”, “cloudy”"
    assert '--map "weather=ignore"' in fault.remedy
    assert check_text(text, mapping={"Weather ": "ignore"}).accepted
    kept = check_text(text, mapping={"weather": "remark"})
    assert column(kept, "remark") == ["sunny", "cloudy"]
    wrong = check_text(text, mapping={"weather": "wether"})
    assert "answer-not-recognised" in rules(wrong, "question")


def test_headings_mapped_with_units_events_and_dates() -> None:
    text = "Start (°C);Zeit bis fest (min);12.02.\n80;41,5;40\n20;39,0;38\n"
    check = check_text(
        text,
        mapping={"Zeit bis fest": "time to solid", "12.02.": "2025-02-12"},
        units={"12.02.": "min"},
    )
    assert column(check, "endpoint") == ["t_solid", None, "t_solid", None]
    assert column(check, "session_id") == [None, "2025-02-12", None, "2025-02-12"]
    assert minutes(column(check, "time_lower_s")) == [41.5, 40.0, 39.0, 38.0]


def test_two_columns_of_one_meaning_are_never_chosen_between() -> None:
    text = "run,start (C),temperature (C),freeze_min\n1,80,79,41\n"
    check = check_text(text)
    assert rules(check, "question") == ["same-meaning-twice"]
    assert column(check, "start_temp_c") == [None]
    settled = check_text(text, mapping={"temperature": "ignore"})
    assert column(settled, "start_temp_c") == [80.0]


def test_high_codes_far_out_are_asked_about() -> None:
    check = check_text("run,start (C),freeze (min)\n1,80,9999\n2,20,39\n3,30,40\n")
    assert rules(check, "question") == ["may-be-a-code"]
    spelled = check_text("run,start (C),freeze (min)\n1,80,9999 min\n2,20,39\n3,30,40\n")
    assert spelled.accepted


def test_numbers_with_something_about_them() -> None:
    check = check_text("run,start (C),freeze (min)\nA,~80,41\nB,20 ± 0.5,39\nC,60*,40\nD,n/a,40\n")
    assert column(check, "start_temp_c") == [80.0, 20.0, 60.0, None]
    assert rules(check) == ["approximate", "remark"]
    assert check.bins.to_pylist()[3] == "excluded"


def test_an_empty_sheet_is_refused() -> None:
    assert rules(check_text("run,start (C),freeze (min)\n"), "error") == ["no-rows"]


def test_ounces_that_may_be_weight_or_volume_are_named() -> None:
    check = check_text("run,start_C,freeze_min,water (oz)\nA,80,41,4\n")
    assert column(check, "water_mass_start_g") == pytest.approx([113.398], abs=1e-3)
    assert rules(check) == ["ounce-of-weight"]
    weighed = check_text("run,start_C,freeze_min,water mass (oz)\nA,80,41,4\n")
    assert rules(weighed) == []
    text = "run,start_C,freeze_min,water (oz)\nA,4,41,4\n"
    volume = check_text(text, mapping={"water (oz)": "water volume"})
    assert column(volume, "water_mass_start_g") == pytest.approx([118.291], abs=1e-3)


def test_times_of_looks_are_named() -> None:
    check = check_text("run,start_C,freeze_min,looked every (min)\nA,80,40,10\nB,20,30-40,10\n")
    assert messages(check, "seen-at-a-look") == [
        "1 times are single values in vessels that were looked at now and then: kept as seen "
        "exactly"
    ]
    assert minutes(column(check, "time_lower_s")) == [40.0, 30.0]


def test_dates_as_headings_of_a_text_file() -> None:
    dotted = check_text("cup,11.02.2025,12.02.2025\n1,41 min,40 min\n")
    assert column(dotted, "session_id") == ["2025-02-11", "2025-02-12"]
    text = "cup,11/02/2025,12/02/2025\n1,41 min,40 min\n"
    assert rules(check_text(text), "question") == ["day-order-undecidable"]
    answered = check_text(text, day_order="month-first")
    assert column(answered, "session_id") == ["2025-11-02", "2025-12-02"]
    proven = check_text("cup,11/02/2025,13/02/2025\n1,41 min,40 min\n")
    assert column(proven, "session_id") == ["2025-02-11", "2025-02-13"]


def test_a_day_number_as_heading_is_asked_about() -> None:
    text = "cup,start (C),45700\n1,80,41 min\n2,20,39 min\n"
    assert rules(check_text(text), "question") == ["heading-may-be-a-date"]
    assert column(check_text(text, mapping={"45700": "date"}), "session_id") == ["2025-02-12"] * 2


def test_a_clock_beside_a_clock_is_the_end() -> None:
    check = check_text("time in,time frozen,start C\n09:00,09:41,80\n")
    assert minutes(column(check, "time_lower_s")) == [41.0]
