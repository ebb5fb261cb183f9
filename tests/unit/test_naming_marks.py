"""Marks of axes said in other ways, and units as they are answered; all sheets are invented."""

from __future__ import annotations

import numpy as np
import pytest
from naming_sheets import check_text, column, messages

from metafreeze.register.rows.fields import bounds_in_words
from metafreeze.register.rows.points import calibrate
from metafreeze.register.schema import FIELD

HEAD = "mark,axis,pixel_x,pixel_y,value"
# A temperature of 0.25 K and a time of 0.25 min a pixel.
X_AT, Y_AT = ((100, 0), (300, 50), (500, 100)), ((500, 0), (300, 50), (100, 100))
POINTS = "point,,420,336,{0}\npoint,,180,344,{0}\n"


def figure(
    *, x: str = "x", y: str = "y", x_unit: str = "", y_unit: str = "", above: str = ""
) -> str:
    lines = [f"axis,{x},{pixel},,{value}{x_unit}" for pixel, value in X_AT]
    lines += [f"axis,{y},,{pixel},{value}{y_unit}" for pixel, value in Y_AT]
    return above + "\n".join((HEAD, *lines)) + "\n" + POINTS.format("")


@pytest.mark.parametrize(
    ("text", "units"),
    [
        (figure(x_unit=" °C", y_unit=" min"), {}),
        (figure(), {"x": "°C", "y": "min"}),
        (figure(x="start temperature (°C)", y="freezing time (min)"), {}),
        (
            figure(above="x axis: start temperature (°C)\ny axis: freezing time (min)\n\n"),
            {},
        ),
    ],
    ids=["beside the values", "answered", "in the axis column", "above the table"],
)
def test_what_an_axis_shows_may_stand_in_four_places(text: str, units: dict[str, str]) -> None:
    check = check_text(text, units=units)
    assert column(check, "start_temp_c") == pytest.approx([80.0, 20.0])
    assert column(check, "time_lower_s") == pytest.approx([41 * 60.0, 39 * 60.0])
    assert [f for f in check.findings if f.severity in ("error", "question")] == []


def test_an_axis_of_nothing_known_is_asked_for() -> None:
    check = check_text(figure(x_unit=" g", y_unit=" min"))
    assert messages(check, "axis-quantity") == ["Nothing says what the x axis shows"]
    assert column(check, "start_temp_c") == [None, None]
    assert column(check, "time_lower_s") == pytest.approx([41 * 60.0, 39 * 60.0])


def test_a_mark_without_a_value_places_nothing() -> None:
    text = figure(x_unit=" °C", y_unit=" min").replace(",500,0 min", ",500,-")
    check = check_text(text)
    assert column(check, "time_lower_s") == pytest.approx([41 * 60.0, 39 * 60.0])
    assert "two-marks" in [f.rule for f in check.findings]


def test_a_logarithmic_axis_has_no_mark_at_zero() -> None:
    lines = figure(x_unit=" °C", y_unit=" min").strip().split("\n")
    scaled = [lines[0] + ",axis scale", *(f"{line},log" for line in lines[1:])]
    check = check_text("\n".join(scaled) + "\n")
    assert messages(check, "log-axis-value") == [
        "The x axis is logarithmic, and a mark on it is not above zero",
        "The y axis is logarithmic, and a mark on it is not above zero",
    ]
    assert column(check, "time_lower_s") == [None, None]


def test_marks_whose_pixels_do_not_follow_their_values_place_nothing() -> None:
    assert calibrate(np.array([0.0, 10.0, 0.0]), np.array([1.0, 2.0, 3.0])) is None
    assert calibrate(np.array([5.0, 5.0]), np.array([1.0, 2.0])) is None


def test_a_vessel_that_froze_as_it_went_in_is_a_fault() -> None:
    check = check_text("lab,start,end,start temp (°C)\nA1,40,40,80\nA1,30,40,20\n")
    assert column(check, "time_lower_s") == [None, 600.0]
    assert messages(check, "time-not-positive") == [
        "The vessel went in at “40” and was frozen at “40”: that is no time"
    ]


def test_an_answer_goes_before_the_heading_and_must_be_a_unit() -> None:
    own = check_text("lab,start (°C),time (min)\nA1,80,41\n", units={"time (min)": "s"})
    assert column(own, "time_lower_s") == [41.0]
    none = check_text("lab,start (°C),time\nA1,80,41\n", units={"time": "furlong"})
    assert messages(none, "unit-not-recognised") == ["“furlong” is no unit of freeze time"]


def test_a_time_of_watching_that_is_no_time_is_asked_again() -> None:
    sheet = "lab,start (°C),time (min)\nA1,80,never\nA1,20,40\n"
    asked = check_text(sheet, watched="word")
    assert column(asked, "time_lower_s") == [None, 2400.0]
    assert messages(asked, "watched-how-long") == [
        "“never” says that the vessel did not freeze, but not for how long it was watched (row 2)"
    ]
    told = check_text(sheet, watched="3 h")
    assert column(told, "time_lower_s") == [10800.0, 2400.0]
    assert column(told, "time_upper_s") == [None, 2400.0]


def test_two_rows_of_one_run_that_differ_in_words_are_a_fault() -> None:
    check = check_text("lab,run,start (°C),time (min),lid\nA1,1,80,41,open\nA1,1,80,41,\n")
    assert messages(check, "conflicting-rows") == [
        "Run “1” of lab A1 stands in rows 2 and 3 with different values (lid “open” and empty)"
    ]


def test_a_field_without_bounds_takes_any_finite_number() -> None:
    assert bounds_in_words(FIELD["contrast_value"]) == "any finite number"
    # No field has an upper bound alone.
    assert not [f for f in FIELD.values() if np.isfinite(f.high) and not np.isfinite(f.low)]
