"""Sheets with what is seldom written: each is read to the numbers worked out beside it.

All sheets are invented.
"""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

import pytest
from naming_sheets import check_cells, check_text, column, messages, rules

from metafreeze.register.files.sheets import Dialect
from metafreeze.register.meaning.headings import read_heading
from metafreeze.register.meaning.spreads import read_stated
from metafreeze.register.meaning.times import read_duration, read_outcome
from metafreeze.register.meaning.units import find_unit
from metafreeze.register.meaning.values import number_reader
from metafreeze.register.rows.clocks import read_clock
from metafreeze.register.rows.contrasts import p_disagrees
from metafreeze.register.rows.fields import bounds_in_words
from metafreeze.register.schema import FIELD

DOT = Dialect(encoding="utf-8", delimiter=";", decimal=".")


def sheet(heading: str, *rows: str) -> str:
    return "\n".join((heading, *rows)) + "\n"


def near(values: list[float | None]) -> list[Any]:
    return [None if v is None else pytest.approx(v, rel=1e-12) for v in values]


def test_clocks_that_show_no_time_of_day_are_named_and_leave_no_time() -> None:
    check = check_text(
        sheet(
            "lab;start;freezing time;start temp (°C)",
            "A1;09:00 am;10:10 am;80",
            "A1;13:00 pm;2:00 pm;20",
            "A1;25:00;26:00;60",
            "A1;-;11:00;20",
        )
    )
    assert column(check, "time_lower_s") == [4200.0, None, None, None]
    assert messages(check, "not-a-clock") == [
        "“13:00 pm” is not a time of day",
        "“25:00” is not a time of day",
        "“26:00” is not a time of day",
    ]


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("12:30 am", 1800.0), ("12:30 p.m.", 45000.0), ("23:59:30", 86370.0)],
)
def test_halves_of_the_day_are_read(text: str, seconds: float) -> None:
    assert read_clock(text) == (seconds, False)


@pytest.mark.parametrize("text", ["0:30 pm", "24:00", "12:60", "12:30:60", "noon"])
def test_what_no_clock_shows_is_none(text: str) -> None:
    assert read_clock(text) is None


def test_an_end_before_its_start_went_past_midnight() -> None:
    check = check_text(
        sheet("lab;start;end;start temp (°C)", "A1;09:00;08:10;80", "A1;09:00;word;20")
    )
    assert column(check, "time_upper_s") == [(23 * 60 + 10) * 60.0, None]
    assert messages(check, "past-midnight") == [
        "“end” is earlier than “start” in 1 rows: read as past midnight"
    ]
    assert messages(check, "not-a-clock") == ["“word” is not a time of day"]


def test_counts_of_wins_come_from_winners_and_from_fractions() -> None:
    winners = check_text(
        sheet("lab;hot (°C);cold (°C);first;n", "A1;80;20;hot;1", "A1;80;20;cold;1")
    )
    assert column(winners, "k_hot_first") == [1, 0]
    assert column(winners, "n_pairs") == [1, 1]
    fractions = check_text(
        sheet("lab;hot (°C);cold (°C);hot first", "A1;80;20;7/10", "A1;80;20;-", "A1;70;20;3 of 9")
    )
    assert column(fractions, "k_hot_first") == [7, None, 3]
    assert column(fractions, "n_pairs") == [10, None, 9]


def test_a_humidity_above_one_is_percent() -> None:
    check = check_text(sheet("lab;start (°C);time (min);humidity", "A1;80;41;45", "A1;20;40;0.5"))
    assert column(check, "air_rh") == [0.45, 0.005]
    assert "“humidity” carries no unit and goes above 1: read in %" in messages(
        check, "unit-assumed"
    )


def test_a_code_for_missing_is_missing_and_remarks_are_joined() -> None:
    check = check_text(
        sheet(
            "lab;start (°C);time (min);mass (g);remark;notes;exclude",
            "A1;80;41;-999;lid;open;no",
            "A1;20;40;50;;fan;-",
            "A1;20;39;51;;;door opened",
        )
    )
    assert column(check, "water_mass_start_g") == [None, 50.0, 51.0]
    assert messages(check, "sentinel") == ["“-999” is a code for a missing value: read as missing"]
    assert column(check, "remark") == ["lid; open", "fan", None]
    assert column(check, "exclusion_reason") == [None, None, "door opened"]


def test_variances_become_standard_deviations() -> None:
    named = check_text(
        sheet("lab;start (°C);n;mean (min);variance (min²)", "A1;80;5;41;4", "A1;20;5;40;9")
    )
    assert column(named, "sd_s") == [120.0, 180.0]
    loose = check_text(
        sheet(
            "lab;start (°C);n;mean (min);spread;error bar",
            "A1;80;5;41;4;variance",
            "A1;20;5;40;9;SD",
            "A1;30;5;40;1;95% CI",
        )
    )
    # The first is 4 min², of which the root is 2 min.
    assert column(loose, "sd_s") == [120.0, 540.0, None]
    assert column(loose, "ci_low_s") == [None, None, 2340.0]
    assert column(loose, "ci_level") == [None, None, 0.95]


def test_means_that_carry_their_count_and_spread_in_one_cell() -> None:
    check = check_text(
        sheet(
            "lab;start (°C);mean (min)",
            "A1;80;41 ± 2 (n=5)",
            "A1;20;40 (38 to 42), n = 6",
            "A1;20;40 ± 5%",
            "A1;25;-999",
            "A1;25;word",
        )
    )
    assert column(check, "mean_s") == [2460.0, 2400.0, 2400.0, None, None]
    assert column(check, "n_runs") == [5, 6, None, None, None]
    assert column(check, "sd_s") == [120.0, None, 120.0, None, None]
    assert messages(check, "not-a-number") == ["“word” is not a number"]


def test_a_mean_larger_than_any_time_is_refused() -> None:
    check = check_text(
        sheet("lab;start (°C);n;mean (min);SD (min)", "A1;80;5;1e308;2", "A1;20;5;40;1")
    )
    assert column(check, "mean_s") == [None, 2400.0]
    assert messages(check, "out-of-range") == ["Mean is larger than any time"]


def test_radius_volume_and_share_become_diameter_and_masses() -> None:
    check = check_text(
        sheet(
            "lab;start (°C);time (min);radius (cm);volume (mL)",
            "A1;80;41;3;50",
            "A1;20;40;4;60",
            "A1;20;39;4;9000000",
        )
    )
    assert column(check, "inner_diameter_mm") == [60.0, 80.0, 80.0]
    # Densities of water at 80 and 20 °C: 971.80 and 998.21 kg/m³ (IAPWS R6-95, from memory).
    assert column(check, "water_mass_start_g") == [
        pytest.approx(48.590, abs=0.002),
        pytest.approx(59.892, abs=0.002),
        None,
    ]
    assert messages(check, "out-of-range") == [
        "Water volume “9000000” gives 8.98e+06 g, outside 0.0001 to 10000 g"
    ]
    shares = check_text(
        sheet("lab;start (°C);time (min);mass (g);evaporated (%)", "A1;80;41;100;5", "A1;20;40;;2")
    )
    assert column(shares, "mass_evaporated_g") == [5.0, None]
    assert messages(shares, "share-without-mass") == [
        "“evaporated (%)” is a share, and without the water at start it gives no mass"
    ]
    both = check_text(
        sheet(
            "lab;start (°C);time (min);mass (g);evaporated (g);evaporated (%)", "A1;80;41;100;4;5"
        )
    )
    assert column(both, "mass_evaporated_g") == [4.0]


def test_colons_under_minutes_are_minutes_and_seconds() -> None:
    check = check_text(
        sheet("lab;start (°C);time (min)", "A1;80;41:30", "A1;20;40:15", "A1;20;39:10")
    )
    assert column(check, "time_lower_s") == [2490.0, 2415.0, 2350.0]
    assert messages(check, "clock-by-unit") == [
        "“time (min)” holds cells such as “41:30” under min: read as min:s"
    ]


def test_times_in_words_bounds_and_errors() -> None:
    check = check_text(
        sheet(
            "lab;start (°C);time (min)",
            "A1;80;inf",
            "A1;20;> 90",
            "A1;20;about 0",
            "A1;20;40 ± 2",
            "A1;20;<0",
            "A1;30;12:75:10",
            "A1;30;0-5",
            "A1;30;≈ 40",
        )
    )
    assert column(check, "time_lower_s") == [None, 5400.0, None, 2400.0, None, None, 0.0, 2400.0]
    assert column(check, "time_upper_s") == [None, None, None, 2400.0, None, None, 300.0, 2400.0]
    assert column(check, "time_reading_sd_s") == [None, None, None, 120.0, None, None, None, None]
    assert messages(check, "not-a-time") == ["“12:75:10” is not a freezing time"]
    assert messages(check, "time-not-positive") == [
        "Freezing time is zero (“about 0”)",
        "Freezing time is zero (“<0”)",
    ]
    assert messages(check, "watched-how-long") == [
        "“inf” says that the vessel did not freeze, but not for how long it was watched (row 2)"
    ]


def test_p_values_are_compared_with_the_weight_beside_them() -> None:
    check = check_text(
        sheet(
            "source;hot (°C);cold (°C);log ratio;SE;p;n hot;n cold",
            # -0.1/0.02 is five standard errors: p is below one in a million.
            "a;80;20;-0.1;0.02;0.001;5;5",
            "b;80;20;0.1;0.02;0.9;5;5",
            "c;80;20;0.1;;0.04;1;5",
            "d;80;20;0.1;;0.04;5;5",
            # 0.1/0.05 is two standard errors: p is 0.0455.
            "e;80;20;0.1;0.05;0.0455;5;5",
        )
    )
    assert messages(check, "p-disagrees") == [
        "a: p = 0.001 does not fit the standard error 0.02",
        "b: p = 0.9 does not fit the standard error 0.02",
    ]
    assert column(check, "exclusion_reason")[2:] == [
        "n = 1 in one arm: the variance cannot come from these runs",
        "there is only a p-value to weigh it by",
        None,
    ]


def test_no_p_value_and_no_weight_disagree_with_nothing() -> None:
    nan = math.nan
    assert p_disagrees(0.1, nan, nan, level=0.95, p=0.0, se=0.02) == ""
    assert p_disagrees(0.1, nan, nan, level=0.95, p=0.04) == ""
    # 0.1 ± 0.02 is five standard errors.
    assert p_disagrees(0.1, nan, nan, level=0.95, p=0.5, se=0.02) == "the standard error 0.02"


def test_intervals_beside_a_contrast_in_a_column_or_in_its_cell() -> None:
    check = check_text(
        sheet(
            "source;hot (°C);cold (°C);difference (min);95% CI",
            "a;80;20;-2.8;-4.6 to -1.0",
            "b;80;20;1.2;",
            "c;80;20;1.2;word",
            "d;80;20;1.2;90% CI -1 to 3",
        )
    )
    assert column(check, "contrast_low") == [-276.0, None, None, -60.0]
    assert column(check, "contrast_high") == [-60.0, None, None, 180.0]
    assert column(check, "ci_level") == [0.95, None, None, 0.9]
    assert messages(check, "not-an-interval") == ["“word” is no interval"]
    beside = check_text(
        sheet(
            "source;hot (°C);cold (°C);difference (min)",
            "a;80;20;-2.8 ± 0.9",
            "b;80;20;1.2 (-1.0 to 3.4)",
            "c;80;20;-",
            "d;80;20;word",
            "e;80;20;1.2 (SE 0.4)",
        )
    )
    assert column(beside, "contrast_value") == [-168.0, 72.0, None, None, 72.0]
    assert column(beside, "contrast_high") == near([None, 204.0, None, None, None])
    assert column(beside, "contrast_se") == [None, None, None, None, 24.0]
    assert messages(beside, "bars-unstated") == [
        "“-2.8 ± 0.9” does not say what stands after the ±"
    ]


def test_percentages_become_log_ratios_and_a_stated_order_turns_the_sign() -> None:
    check = check_text(
        sheet(
            "source;hot (°C);cold (°C);difference (%);variance",
            "a;80;20;-12;4",
            "b;80;20;10;word",
            "c;80;20;-120;4",
            "d;80;20;;4",
        )
    )
    assert column(check, "contrast_value") == near([math.log(0.88), math.log(1.1), None, None])
    # The root of 4 is 2 percent, over a ratio of 0.88.
    assert column(check, "contrast_se")[0] == pytest.approx(0.02 / 0.88, rel=1e-12)
    assert messages(check, "ratio-not-positive") == [
        "“-120” gives a ratio of -0.2, and a ratio of times is above zero"
    ]
    turned = check_text(sheet("source;cold - hot (min);SE", "a;-2.8;0.5", "b;3;0.4"))
    assert column(turned, "contrast_value") == [168.0, -180.0]


def test_a_trial_that_holds_several_starts_is_a_batch() -> None:
    head = "lab;trial;start (°C);time (min)"
    check = check_text(sheet(head, "A1;1;80;41", "A1;1;20;40", "A1;2;80;42", "A1;2;20;39"))
    assert column(check, "block_id") == ["1", "1", "2", "2"]
    assert "trial-is-a-batch" in rules(check)
    alone = check_text(sheet(head, "A1;1;80;41", "A1;2;20;40", "A1;3;80;42", "A1;4;20;39"))
    assert "trial-is-a-batch" not in rules(alone)
    assert column(alone, "block_id") == [None] * 4


def test_units_above_the_table_and_in_columns_of_their_own() -> None:
    above = check_text("Units: minutes\n" + sheet("lab;start (°C);time", "A1;80;41", "A1;20;40"))
    assert column(above, "time_lower_s") == [2460.0, 2400.0]
    beside = check_text(sheet("lab;start;unit;time;unit", "A1;80;°C;41;min", "A1;176;°F;2400;s"))
    assert column(beside, "start_temp_c") == [80.0, 80.0]
    assert column(beside, "time_lower_s") == [2460.0, 2400.0]
    lost = check_text(sheet("lab;start (°C);time;time unit;mass unit", "A1;80;41;min;g"))
    assert column(lost, "time_lower_s") == [2460.0]
    assert messages(lost, "heading-not-recognised") == [
        "The heading “mass unit” is not recognised; it holds “g”"
    ]


def test_headings_of_two_rows_give_arm_start_and_event() -> None:
    arms = check_text(
        sheet(
            "lab;Hot (80 °C);;Cold (20 °C);",
            ";time (min);mass (g);time (min);mass (g)",
            "A1;41;50;40;51",
        )
    )
    assert column(arms, "arm") == ["hot", "cold"]
    assert column(arms, "start_temp_c") == [80.0, 20.0]
    assert column(arms, "water_mass_start_g") == [50.0, 51.0]
    events = check_text(
        sheet(
            "lab;First ice;;Fully frozen;",
            ";hot (min);cold (min);hot (min);cold (min)",
            "A1;20;19;41;40",
        )
    )
    assert column(events, "endpoint") == ["t_first_ice", "t_first_ice", "t_solid", "t_solid"]
    assert column(events, "arm") == ["hot", "cold", "hot", "cold"]
    assert column(events, "time_lower_s") == [1200.0, 1140.0, 2460.0, 2400.0]


def test_lines_above_a_table_fill_whole_fields_and_empty_ones_nothing() -> None:
    check = check_text(
        "Lab: North\nEmpty:\nSink: -18 °C\nStart: maybe\n\nstart (°C);time (min)\n80;41\n20;40\n"
    )
    assert column(check, "lab_id") == ["North", "North"]
    assert column(check, "sink_temp_c") == [-18.0, -18.0]
    assert column(check, "start_temp_c") == [80.0, 20.0]


def test_words_in_a_column_of_dates_are_named() -> None:
    check = check_text(
        sheet(
            "lab;run;date;start (°C);time (min)",
            "A1;1;2025-01-02;80;41",
            "A1;2;someday;20;40",
            "A1;3;-;20;40",
        )
    )
    assert column(check, "session_id") == ["2025-01-02", None, None]
    assert messages(check, "not-a-date") == ["“someday” is not a date"]
    days = check_text(sheet("lab;day;start (°C);time (min)", "A1;A;80;41", "A1;B;20;40"))
    assert column(days, "session_id") == ["A", "B"]


def test_two_columns_of_one_meaning_are_asked() -> None:
    check = check_text(sheet("lab;start (°C);ambient (°F);sink;time (min)", "A1;80;70;-18;41"))
    assert messages(check, "same-meaning-twice") == [
        "column 3 “ambient (°F)” and column 4 “sink” all mean freezer temperature; one row has one"
    ]


@pytest.mark.parametrize(
    ("heading", "targets"),
    [
        ("StartTemp (°C)", ["start_temp_c"]),
        ("FreezingTime (min)", ["time"]),
        ("cold - hot (min)", ["contrast_value"]),
        ("hot vs cold (%)", ["contrast_value"]),
        ("n", ["run_id", "n_runs"]),
    ],
)
def test_headings_run_together_or_of_both_arms(heading: str, targets: list[str]) -> None:
    assert [m.target for m in read_heading(heading)] == targets


def test_a_group_gives_what_its_headings_lack() -> None:
    first = read_heading("(min)", "Time to first ice")
    assert [(m.target, m.endpoint) for m in first] == [("time", "t_first_ice")]
    hot = read_heading("time (min)", "80 °C")
    assert [(m.target, m.start_temp_c) for m in hot] == [("time", 80.0)]
    assert read_heading("time (min)", "Tuesday") == read_heading("time (min)")


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("1h 70", 7800.0),
        ("1:02:03", 3723.0),
        ("1:75:03", None),
        ("1:02:99", None),
        ("1½ h", 5400.0),
        ("1½ parsec", None),
        ("word", None),
    ],
)
def test_durations_are_read_to_the_second(text: str, seconds: float | None) -> None:
    assert read_duration(text, unit=None, number=number_reader(DOT)) == seconds


@pytest.mark.parametrize(
    ("text", "form"),
    [
        ("0", "not-positive"),
        ("40", "needs-unit"),
        ("-3 to -1", "needs-unit"),
        ("about 40", "needs-unit"),
        ("never", "never"),
    ],
)
def test_outcomes_without_a_unit_say_what_they_lack(text: str, form: str) -> None:
    assert read_outcome(text, unit=None, number=number_reader(DOT)).form == form


def test_bounds_below_zero_are_no_outcomes() -> None:
    minutes = find_unit("min", dimension="time")
    for text in ("-3 to -1", "≥ -5"):
        found = read_outcome(text, unit=minutes, number=number_reader(DOT))
        assert found.form == "not-positive", text
    assert find_unit("min") == minutes and find_unit("parsec") is None


def test_a_spread_cannot_be_percent_and_something_else() -> None:
    number = number_reader(DOT)
    percent = read_stated("41 ± 5%", number, with_centre=True)
    assert (percent.kind, percent.width) == ("CV", 0.05)
    assert not read_stated("41 ± 5% (SE)", number, with_centre=True).readable
    level = read_stated("41 (90% CI 38 to 44)", number, with_centre=True)
    assert (level.low, level.high, level.level) == (38.0, 44.0, 0.9)


@pytest.mark.parametrize(
    ("field", "words"),
    [
        ("p_value", "0 to 1"),
        ("time_lower_s", None),
        ("water_mass_start_g", "0.0001 to 10000 g"),
    ],
)
def test_limits_are_said_in_words(field: str, words: str | None) -> None:
    said = bounds_in_words(FIELD[field])
    if words is not None:
        assert said == words
    else:
        assert said.startswith("0 ")


def test_workbook_clocks_are_times_and_dates_are_none() -> None:
    check = check_cells(
        [
            ["lab", "start (°C)", "time (h:min:s)"],
            ["A1", 80, dt.time(0, 41, 30)],
            ["A1", 20, dt.timedelta(minutes=40)],
            ["A1", 20, dt.datetime(2025, 1, 2, 0, 40)],
        ]
    )
    assert column(check, "time_lower_s")[:2] == [2490.0, 2400.0]
    assert column(check, "time_lower_s")[2] is None
    assert "not-a-time" in rules(check, "error")


def test_windows_of_two_columns_fill_what_the_time_lacks() -> None:
    check = check_text(
        sheet(
            "lab;start (°C);time (min);last seen liquid (min);first seen frozen (min)",
            "A1;80;41;;",
            "A1;20;;35;40",
            "A1;20;;0;12",
            "A1;30;;30;never",
        )
    )
    assert column(check, "time_lower_s") == [2460.0, 2100.0, 0.0, 1800.0]
    assert column(check, "time_upper_s") == [2460.0, 2400.0, 720.0, None]


def test_one_end_of_a_window_is_the_time_or_a_bound() -> None:
    frozen = check_text(sheet("lab;start (°C);first seen frozen (min)", "A1;80;41", "A1;20;40"))
    assert column(frozen, "time_lower_s") == column(frozen, "time_upper_s") == [2460.0, 2400.0]
    liquid = check_text(sheet("lab;start (°C);last seen liquid (min)", "A1;80;41", "A1;20;40"))
    assert column(liquid, "time_lower_s") == [2460.0, 2400.0]
    assert column(liquid, "time_upper_s") == [None, None]


def test_one_clock_at_the_start_serves_all_events() -> None:
    check = check_text(
        sheet(
            "lab;start (°C);clock in;first ice at;fully frozen at",
            "A1;80;09:00;09:20;09:41",
            "A1;20;09:00;09:19;09:40",
        )
    )
    assert column(check, "endpoint") == ["t_first_ice", "t_solid"] * 2
    assert column(check, "time_lower_s") == [1200.0, 2460.0, 1140.0, 2400.0]


def test_a_unit_that_is_none_is_asked_for() -> None:
    check = check_text(sheet("source;hot (°C);cold (°C);difference (furlong);SE", "a;80;20;-2;1"))
    assert messages(check, "unit-not-recognised") == [
        "“furlong” of “difference (furlong)” is no unit of contrast"
    ]
    assert column(check, "contrast_value") == [None]


def test_a_negative_variance_leaves_its_row_out() -> None:
    check = check_text(
        sheet("lab;start (°C);n;mean (min);variance (min²)", "A1;80;5;41;-4", "A1;20;5;40;9")
    )
    assert column(check, "sd_s") == [None, 180.0]
    assert column(check, "exclusion_reason") == ["negative variance", None]
    assert messages(check, "variance-not-positive") == ["The variance is negative (“-4”): left out"]


def test_two_ends_are_read_by_the_kind_that_is_named() -> None:
    check = check_text(
        sheet(
            "lab;start (°C);n;mean (min);spread;error bar",
            "A1;80;5;41;39-43;SD",
            "A1;20;5;40;38-42;SE",
            "A1;20;5;40;38-42;CI95",
        )
    )
    assert column(check, "sd_s") == [120.0, None, None]
    assert column(check, "se_s") == [None, 120.0, None]
    assert column(check, "ci_low_s") == [None, None, 2280.0]
    assert column(check, "ci_level") == [None, None, 0.95]
    headed = check_text(
        sheet("lab;start (°C);n;mean (min);90% CI", "A1;80;5;41;38 to 44", "A1;20;5;40;37 to 43")
    )
    assert column(headed, "ci_high_s") == [2640.0, 2580.0]
    assert column(headed, "ci_level") == [0.9, 0.9]


def test_a_run_named_twice_with_different_times_is_a_fault() -> None:
    check = check_text(
        sheet("lab;trial;start (°C);time (min)", "A1;1;80;41", "A1;1;80;40", "A1;;20;39")
    )
    assert messages(check, "conflicting-rows") == [
        "Run “1” of lab A1 stands in rows 2 and 3 with different values (freezing time 41 min and "
        "40 min)"
    ]


def test_points_of_a_figure_are_placed_between_its_marks() -> None:
    marks = (
        "axis,x,100,500,0 °C",
        "axis,x,500,500,80 °C",
        "axis,y,100,500,0 min",
        "axis,y,100,100,40 min",
    )
    check = check_text(
        sheet("kind,axis,x_px,y_px,value", *marks, "point,,200,300,", "point,,word,200,")
    )
    assert column(check, "start_temp_c") == [pytest.approx(20.0), None]
    assert column(check, "time_lower_s") == near([1200.0, 1800.0])
    # Rounding to whole pixels alone: 1/sqrt(12) of a pixel, which is 0.2 K and 6 s wide.
    assert column(check, "start_temp_sd_k")[0] == pytest.approx(0.2 / math.sqrt(12), rel=1e-9)
    assert column(check, "time_reading_sd_s")[0] == pytest.approx(6 / math.sqrt(12), rel=1e-9)
    assert messages(check, "not-a-number") == ["“word” is not a number"]
