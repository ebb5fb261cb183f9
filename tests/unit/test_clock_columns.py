"""Columns of a clock, written every way: what they mean in seconds, and what stays a question.

The readings are invented; every expected number is worked out by hand beside its case. That
fields may be hours and minutes or minutes and seconds, and how quickly a vessel in a freezer
cools, are common practice without a source.
"""

import numpy as np
import pyarrow as pa
import pytest

from metafreeze.register.files.sheets import Column, DayOrder, Dialect
from metafreeze.register.traces.clocks import (
    Clock,
    read_clock_column,
    settle_number,
    settle_two_fields,
    unit_of,
    zone_in,
)
from metafreeze.register.traces.rates import (
    offset_line,
    read_interval,
    spell_seconds,
    start_label,
    stated_interval,
    stated_start,
    stated_zone,
)

DOT = Dialect(encoding="utf-8", delimiter=";", decimal=".")


def column(
    cells: list[str | None], heading: str = "Time", *, unit: str = "", day_order: DayOrder = ""
) -> Column:
    return Column(
        heading=heading,
        position=1,
        unit=unit,
        text=pa.array(cells, pa.string()),
        day_order=day_order,
    )


def read(
    cells: list[str | None], heading: str = "Time", *, unit: str = "", answered: str = ""
) -> Clock:
    clock = read_clock_column(column(cells, heading, unit=unit), DOT, unit=answered)
    assert clock is not None
    return clock


def test_no_cell_and_no_time_are_no_clock() -> None:
    assert read_clock_column(column([None, None]), DOT) is None
    assert read_clock_column(column(["ice", "water", "ice", "lid"]), DOT) is None
    # Colons alone are no times either.
    assert read_clock_column(column(["a:b", "c:d", "e:f"]), DOT) is None


@pytest.mark.parametrize(
    ("cells", "seconds"),
    [
        (["1h 02m 03s", "1h 02m 33s", "1h 3m"], [3723.0, 3753.0, 3780.0]),
        (["12 min 30 s", "13 min", "13 min 30,5 s"], [750.0, 780.0, 810.5]),
        # One cell of three is a remark: two thirds are still most.
        (["45s", "90s", None, "lid opened"], [45.0, 90.0, np.nan, np.nan]),
    ],
)
def test_times_spelled_out_are_elapsed_times(cells: list[str | None], seconds: list[float]) -> None:
    clock = read(cells)
    assert clock.kind == "elapsed"
    assert clock.how == "hours, minutes and seconds spelled out in “Time”"
    np.testing.assert_array_equal(clock.seconds, seconds)


def test_a_unit_settles_two_fields() -> None:
    cells: list[str | None] = ["10:00", "10:30", "11:00"]
    short = read(cells, "Time (min:s)")
    assert short.kind == "elapsed" and short.how == (
        "minutes and seconds in “Time (min:s)”: as its unit says"
    )
    np.testing.assert_array_equal(short.seconds, [600.0, 630.0, 660.0])
    long = read(cells, "Time", unit="h:min")
    np.testing.assert_array_equal(long.seconds, [36000.0, 37800.0, 39600.0])
    assert long.exact_s == 60.0
    answered = read(cells, answered="min:s")
    np.testing.assert_array_equal(answered.seconds, [600.0, 630.0, 660.0])


def test_decimals_of_the_second_field_make_it_seconds() -> None:
    clock = read(["0:59.5", "1:00.0", "1:00.5"])
    assert clock.how == "minutes and seconds in “Time”: seconds have decimals"
    np.testing.assert_array_equal(clock.seconds, [59.5, 60.0, 60.5])


def test_a_first_field_past_an_hour_is_minutes() -> None:
    clock = read(["59:30", "60:00", "60:30"])
    assert clock.how == ("minutes and seconds in “Time”: the first field goes on to 60, past 60:00")
    np.testing.assert_array_equal(clock.seconds, [3570.0, 3600.0, 3630.0])


def test_fields_that_fall_from_23_to_0_are_a_time_of_day() -> None:
    clock = read(["23:58", "23:59", "00:00", "00:01"])
    assert clock.kind == "time of day"
    np.testing.assert_array_equal(clock.seconds, [86280.0, 86340.0, 0.0, 60.0])


def test_parts_of_seconds_days_and_halves_are_read() -> None:
    parts = read(["09:00:00.250", "09:00:00.750"])
    np.testing.assert_array_equal(parts.seconds, [32400.25, 32400.75])
    assert (parts.kind, parts.exact_s) == ("time of day", 0.0)
    days = read(["1.02:03:04", "1.02:03:34"])
    np.testing.assert_array_equal(days.seconds, [93784.0, 93814.0])
    assert days.kind == "elapsed"
    halves = read(["11:59:30 am", "12:00:00 pm", "12:00:30 pm"])
    np.testing.assert_array_equal(halves.seconds, [43170.0, 43200.0, 43230.0])
    assert halves.twelve and halves.how.endswith(", 12 hours with markers")
    past = read(["23:59:30", "24:00:00", "24:00:30"])
    assert past.how.endswith(", which goes on past 24 hours")


def test_cells_that_are_no_time_of_day_have_no_seconds() -> None:
    clock = read(["09:00:00", "09:75:00", "09:00:61", "13:00:00 pm", "word", "09:01:00"])
    np.testing.assert_array_equal(clock.seconds, [32400.0, np.nan, np.nan, np.nan, np.nan, 32460.0])


def test_offsets_and_zones_are_kept() -> None:
    assert read(["09:00:00+0100", "09:00:30+0100"]).zone == "UTC+0100"
    assert zone_in("Date Time, GMT\u221205:30") == "UTC-05:30"
    assert zone_in("UTC+2") == "UTC+02:00"
    assert (zone_in("Zulu Z"), zone_in("local")) == ("UTC", "")


def test_missing_stamps_stay_missing() -> None:
    clock = read(["2025-01-02 03:04:05", None, "2025-01-02 03:05:05"])
    assert clock.kind == "stamp" and np.isnan(clock.seconds[1])
    assert clock.seconds[2] - clock.seconds[0] == 60.0
    # 2025-01-02 is 20,090 days after the beginning of 1970.
    assert clock.seconds[0] == 20090 * 86400 + 3 * 3600 + 4 * 60 + 5


@pytest.mark.parametrize(
    ("cells", "kind", "seconds", "how"),
    [
        (["1735787045", "1735787105"], "stamp", 1735787045.0, "seconds since 1970 in “Time”"),
        (
            ["1735787045000", "1735787105000"],
            "stamp",
            1735787045.0,
            "milliseconds since 1970 in “Time”",
        ),
        # 45659.5 is noon of 2 January 2025.
        (
            ["45659.5", "45659.50069444"],
            "stamp",
            20090 * 86400 + 43200.0,
            "day numbers of a spreadsheet in “Time”",
        ),
        # A minute is 0.00069444 of a day.
        (
            ["0.00069444", "0.00138889", "0.00208333", "0.00277778"],
            "elapsed",
            60.0,
            "fractions of a day in “Time”: the readings are then 60 s apart",
        ),
        (["45659", "45660"], "number", 45659.0, "numbers in “Time”"),
        (["0.1", "0.9", "1.7"], "number", 0.1, "numbers in “Time”"),
    ],
)
def test_bare_numbers_show_by_their_size_what_they_are(
    cells: list[str | None], kind: str, seconds: float, how: str
) -> None:
    clock = read(cells)
    assert (clock.kind, clock.how) == (kind, how)
    assert clock.seconds[0] == pytest.approx(seconds, abs=0.01)


@pytest.mark.parametrize(
    ("stated_s", "factor", "words"), [(30.0, 1.0, "seconds"), (1800.0, 60.0, "minutes")]
)
def test_a_stated_interval_settles_numbers(stated_s: float, factor: float, words: str) -> None:
    clock = settle_number(read(["0", "30", "60"]), expected_s=stated_s)
    np.testing.assert_array_equal(clock.seconds, np.array([0.0, 30.0, 60.0]) * factor)
    assert clock.how == (
        f"elapsed {words} in “Time”: the stated time between readings is {stated_s:g} s"
    )
    assert clock.open == ""


def test_numbers_that_no_stated_interval_fits_stay_a_question() -> None:
    clock = settle_number(read(["0", "30", "60"]), expected_s=7.0)
    assert clock.open == "What is the unit of the times in “Time”?"
    assert settle_number(read(["0", "30"])).how == (
        "elapsed seconds in “Time”, taken so until the unit is answered"
    )


FIELDS: list[str | None] = ["0:00", "0:01", "0:02", "0:30"]


@pytest.mark.parametrize(
    ("cells", "range_k", "stated_s", "factor", "because"),
    [
        (FIELDS, 20.0, 60.0, 60.0, "the stated time between readings is 60 s"),
        (FIELDS, 20.0, 1.0, 1.0, "the stated time between readings is 1 s"),
        # 20 K in half a minute is too quick; in half an hour it is not.
        (FIELDS, 20.0, 7.0, 60.0, "20 K in 0.5 minutes would be too quick"),
        # 10 K in 50 minutes are usual, in 50 hours they are not.
        (
            ["0:00", "10:00", "20:00", "50:00"],
            10.0,
            np.nan,
            1.0,
            "10 K in 50 hours would be too slow",
        ),
        (["9:15", "9:16", "9:17", "9:45"], 20.0, np.nan, 60.0, "it begins at 9:15, a time of day"),
    ],
)
def test_two_fields_are_settled_by_what_is_stated_or_by_how_water_cools(
    cells: list[str | None], range_k: float, stated_s: float, factor: float, because: str
) -> None:
    fields = read(cells)
    assert fields.kind == "fields"
    clock = settle_two_fields(fields, range_k, expected_s=stated_s)
    np.testing.assert_array_equal(clock.seconds, fields.seconds * factor)
    words = "hours and minutes" if factor == 60 else "minutes and seconds"
    assert clock.how == f"{words} in “Time”: {because}" and clock.open == ""


def test_two_fields_that_nothing_settles_are_asked() -> None:
    clock = settle_two_fields(read(["0:00", "1:00", "2:00", "5:00"]), 12.0)
    assert clock.open == (
        "Are the two fields of “Time” minutes and seconds, or hours and minutes? The spacing fits "
        "both"
    )


def test_a_unit_among_other_words_is_found() -> None:
    def of(heading: str) -> str:
        unit = unit_of(column(["1"], heading), "temperature")
        return unit.name if unit else ""

    assert of("Temp, °F (S/N: 0000, outside)") == of("°F") != ""
    assert of("Temp (outside)") == ""


@pytest.mark.parametrize(
    ("text", "key", "seconds"),
    [
        ("00:00:30", "", 30.0),
        ("00:00:30,5", "", 30.5),
        ("00:30", "Interval", 30.0),
        ("00:30", "Interval (hh:mm)", 1800.0),
        ("2 Hz", "", 0.5),
        ("0 Hz", "", np.nan),
        ("5", "Interval [min]", 300.0),
        ("4", "Sample rate", 0.25),
        ("5", "Interval", np.nan),
        ("5 pints", "Interval", np.nan),
        ("often", "Interval", np.nan),
    ],
)
def test_a_stated_interval_is_read(text: str, key: str, seconds: float) -> None:
    assert read_interval(text, key) == pytest.approx(seconds, nan_ok=True)


def test_lines_above_a_table_tell_interval_start_zone_label_and_offset() -> None:
    notes = {
        "Operator": "invented",
        "Sampling": "often",
        "Interval": "30 s",
        "Start date": "2025-01-02",
        "Start time": "9:05",
        "Label": "starting at 80 °C",
        "Time zone": "UTC+1",
        "Probe offset": "0.3",
    }
    assert stated_interval(notes) == (30.0, "Interval: 30 s")
    assert np.isnan(stated_interval({"Sampling": "often"})[0])
    assert stated_start(notes) == "2025-01-02T09:05:00"
    assert stated_start({"Started": "2025-01-02 09:05:07"}) == "2025-01-02T09:05:07"
    assert stated_start({"Start time": "9:05"}) == ""
    assert stated_zone(notes) == "UTC+01:00"
    assert stated_zone({"Clock": "set to UTC+2"}) == "UTC+02:00"
    assert stated_zone({"Clock": "quartz"}) == ""
    assert start_label(notes) == (80.0, "Label: starting at 80 °C")
    assert np.isnan(start_label({"Label": "box 4"})[0])
    assert offset_line(notes) == "Probe offset: 0.3"
    assert offset_line({"Probe offset": "none"}) == ""


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (np.nan, "an unknown time"),
        (30.0, "30 s"),
        (119.9, "119.9 s"),
        (300.0, "5 min"),
        (5400.0, "90 min"),
        (7200.0, "2 h"),
    ],
)
def test_a_length_of_time_is_spelled_for_people(seconds: float, words: str) -> None:
    assert spell_seconds(seconds) == words
