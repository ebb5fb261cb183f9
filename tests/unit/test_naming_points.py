"""Points read off a figure: axis values, or pixels calibrated by axis marks."""

from __future__ import annotations

import math

import numpy as np
import pytest
from naming_sheets import check_text, column, rules

from metafreeze.register.rows.points import PIXEL_ROUNDING_SD, calibrate

HEAD = "mark,axis,pixel_x,pixel_y,value,unit\n"
X_MARKS = "axis,x,100,,0,°C\naxis,x,300,,50,°C\naxis,x,500,,100,°C\n"
Y_MARKS = "axis,y,,500,0,min\naxis,y,,300,50,min\naxis,y,,100,100,min\n"


def test_axis_values_with_a_reading_error() -> None:
    check = check_text(
        "source,figure,start (°C),time (min),reading error (min),read by\n"
        "P1,Fig 2,80,41.2,0.5,me\nP1,Fig 2,20,39,0.5,me\n"
    )
    assert check.kind == "points"
    assert column(check, "time_lower_s") == [2472.0, 2340.0]
    assert column(check, "time_reading_sd_s") == [30.0, 30.0]
    assert column(check, "locator") == ["Fig 2", "Fig 2"]
    assert check.accepted


def test_pixels_become_axis_values() -> None:
    check = check_text(HEAD + X_MARKS + Y_MARKS + "point,,420,336,,\npoint,,180,344,,\n")
    assert check.kind == "points"
    assert column(check, "start_temp_c") == pytest.approx([80.0, 20.0])
    assert column(check, "time_lower_s") == pytest.approx([41 * 60, 39 * 60])
    assert check.ledger["used"] == 8
    # Half a pixel of rounding: 0.25 °C and 0.25 min per pixel.
    assert column(check, "start_temp_sd_k") == pytest.approx([PIXEL_ROUNDING_SD * 0.25] * 2)
    assert column(check, "time_reading_sd_s") == pytest.approx([PIXEL_ROUNDING_SD * 15] * 2)
    assert column(check, "file_row") == [8, 9]


def test_the_residual_of_the_marks_is_the_reading_error() -> None:
    """Inverse prediction written out by hand for three marks, one of them 3 pixels off."""
    pixel, value = np.array([100.0, 303.0, 500.0]), np.array([0.0, 50.0, 100.0])
    axis = calibrate(pixel, value)
    assert axis is not None
    slope = ((value - 50) * (pixel - pixel.mean())).sum() / ((value - 50) ** 2).sum()
    residual = pixel - pixel.mean() - slope * (value - 50)
    s2 = (residual**2).sum()
    at, sd = axis.read(np.array([420.0]), np.array([np.nan]))
    expected = 50 + (420 - pixel.mean()) / slope
    assert at[0] == pytest.approx(expected)
    variance = s2 * (1 + 1 / 3 + (expected - 50) ** 2 / 5000) + 1 / 12
    assert sd[0] == pytest.approx(math.sqrt(variance) / slope)


def test_a_stated_pixel_error_replaces_that_of_the_marks() -> None:
    check = check_text(
        "mark,axis,pixel_x,pixel_y,value,unit,pixel error\n"
        + X_MARKS.replace("\n", ",\n")
        + Y_MARKS.replace("\n", ",\n")
        + "point,,420,336,,,2\n"
    )
    assert column(check, "start_temp_sd_k") == pytest.approx([0.5])
    assert column(check, "time_reading_sd_s") == pytest.approx([30.0])


@pytest.mark.parametrize("scale", ["log", ""])
def test_logarithmic_axes(scale: str) -> None:
    marks = "".join(
        f"axis,{axis},{x},{y},{value},{unit},{kind}\n"
        for axis, x, y, value, unit, kind in (
            ("x", 100, "", 0, "°C", ""),
            ("x", 300, "", 50, "°C", ""),
            ("x", 500, "", 100, "°C", ""),
            ("y", "", 500, 1, "min", scale),
            ("y", "", 300, 10, "min", scale),
            ("y", "", 100, 100, "min", scale),
        )
    )
    check = check_text(
        "mark,axis,pixel_x,pixel_y,value,unit,axis scale\n" + marks + "point,,420,200,,,\n"
    )
    minutes = 10**1.5
    assert column(check, "time_lower_s") == pytest.approx([60 * minutes])
    sd = minutes * math.log(10) * PIXEL_ROUNDING_SD / 200
    assert column(check, "time_reading_sd_s") == pytest.approx([60 * sd])
    assert ("axis-taken-as-log" in rules(check)) is (scale == "")


def test_axes_without_a_name_are_told_by_the_line_of_their_marks() -> None:
    check = check_text(
        "mark,pixel_x,pixel_y,value\naxis,100,500,0\naxis,300,500,50\naxis,500,500,100\n"
        "axis,100,500,0\naxis,100,300,50\naxis,100,100,100\npoint,420,336,\n",
        units={"x": "°C", "y": "min"},
    )
    assert column(check, "start_temp_c") == pytest.approx([80.0])
    assert column(check, "time_lower_s") == pytest.approx([2460.0])
    assert check.accepted


def test_axes_named_by_what_they_show() -> None:
    check = check_text(
        "mark,axis,pixel_x,pixel_y,value\naxis,start (°F),100,,32\naxis,start (°F),500,,212\n"
        "axis,start (°F),300,,122\naxis,time (h),,500,0\naxis,time (h),,100,2\n"
        "axis,time (h),,300,1\npoint,,420,300,\n"
    )
    assert column(check, "start_temp_c") == pytest.approx([80.0])
    assert column(check, "time_lower_s") == pytest.approx([3600.0])


def test_what_an_axis_shows_is_asked() -> None:
    check = check_text(
        "mark,axis,pixel_x,pixel_y,value\naxis,x,1,,0\naxis,x,9,,9\naxis,y,,1,0\n"
        "axis,y,,9,9\npoint,,5,5,\n"
    )
    assert rules(check, "question") == ["axis-quantity", "axis-quantity"]


@pytest.mark.parametrize(
    ("marks", "rule", "severity"),
    [
        ("axis,x,100,,0,°C\n", "too-few-marks", "error"),
        ("axis,x,100,,0,°C\naxis,x,500,,100,°C\n", "two-marks", "note"),
        ("axis,x,100,,0,°C\naxis,x,100,,50,°C\naxis,x,100,,80,°C\n", "marks-coincide", "error"),
        (
            "axis,x,100,,0,°C\naxis,x,340,,50,°C\naxis,x,500,,100,°C\n",
            "marks-off-the-line",
            "question",
        ),
        ("axis,x,100,,zero,°C\naxis,x,300,,50,°C\naxis,x,500,,100,°C\n", "not-a-number", "error"),
    ],
)
def test_marks_that_do_not_serve(marks: str, rule: str, severity: str) -> None:
    check = check_text(HEAD + marks + Y_MARKS + "point,,420,336,,\n")
    assert rule in rules(check, severity)


def test_rows_that_are_neither_mark_nor_point() -> None:
    check = check_text(HEAD + X_MARKS + Y_MARKS + "spot,,420,336,,\n")
    (fault,) = [f for f in check.findings if f.severity == "error"]
    assert str(fault) == (
        "“spot” is neither an axis mark nor a point. sheet.csv, row 8, column mark. "
        "Use one of axis, point."
    )
    assert check.ledger["unreadable"] == 1


def test_a_bar_beside_single_points_is_asked_unless_the_sheet_names_the_place() -> None:
    named = check_text("paper,page,start (C),time (min),±\nA,p3,80,41,0.5\n")
    assert named.kind == "points"
    assert column(named, "time_reading_sd_s") == [30.0]
    unnamed = check_text("paper,start (C),time (min),±\nA,80,41,0.5\n")
    assert rules(unnamed, "question") == ["bars-unstated"]


def test_a_unit_column_belongs_to_the_axis_values_on_either_side() -> None:
    for head in ("mark,axis,pixel_x,pixel_y,unit,value\n", HEAD):
        left = head != HEAD
        rows = [
            ("axis", "x", 100, "", 0, "°C"),
            ("axis", "x", 300, "", 50, "°C"),
            ("axis", "x", 500, "", 100, "°C"),
            ("axis", "y", "", 500, 0, "min"),
            ("axis", "y", "", 300, 50, "min"),
            ("axis", "y", "", 100, 100, "min"),
            ("point", "", 420, 336, "", ""),
        ]
        lines = [(*r[:4], r[5], r[4]) if left else r for r in rows]
        check = check_text(head + "".join(",".join(map(str, line)) + "\n" for line in lines))
        assert check.accepted
        assert column(check, "start_temp_c") == pytest.approx([80.0])


def test_a_question_about_an_axis_is_not_repeated_for_its_points() -> None:
    points = "".join(f"point,,{100 + k},200,\n" for k in range(8))
    check = check_text(
        "mark,axis,pixel_x,pixel_y,value\naxis,x,100,,0\naxis,x,300,,50\naxis,x,500,,100\n"
        "axis,y,,500,0\naxis,y,,300,50\naxis,y,,100,100\n" + points
    )
    assert rules(check) == ["calibrated", "axis-quantity", "axis-quantity"]
