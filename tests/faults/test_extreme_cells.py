"""Cells far beyond anything measured: each is refused with its sentence, and in time."""

import time

import pytest

from metafreeze.register.intake import check_file
from metafreeze.register.meaning.headings import read_heading

POINTS = """source,mark,axis,axis quantity,pixel_x,pixel_y,value,unit,endpoint,invented
Brook Figure (invented),axis,x,start temperature,60,640,{low},°C,fully frozen,yes
Brook Figure (invented),axis,x,start temperature,1060,640,100,°C,fully frozen,yes
Brook Figure (invented),axis,y,time,40,600,0,min,fully frozen,yes
Brook Figure (invented),axis,y,time,40,100,100,min,fully frozen,yes
Brook Figure (invented),point,,,{pixel},317,,,fully frozen,yes
Brook Figure (invented),point,,,300,400,,,fully frozen,yes
"""


def errors_of(folder, text, name="sheet.csv"):
    path = folder / name
    path.write_text(text, encoding="utf-8")
    begin = time.process_time()
    found = [f for f in check_file(path).findings if f.severity == "error"]
    assert time.process_time() - begin < 5.0
    return [(f.rule, f.location.row, f.location.column, f.message, f.remedy) for f in found]


def test_a_position_in_no_picture_is_refused(tmp_path):
    pixel = "8" * 200
    assert errors_of(tmp_path, POINTS.format(low=0, pixel=pixel)) == [
        (
            "out-of-range",
            6,
            "pixel_x",
            "A position of 8.89e+199 pixels lies in no picture",
            "Enter the position in pixels",
        )
    ]


def test_an_axis_value_beyond_any_axis_is_refused(tmp_path):
    found = errors_of(tmp_path, POINTS.format(low="-1e200", pixel=200))
    assert (
        "out-of-range",
        2,
        "value",
        "An axis value of -1e+200 is beyond any axis",
        "Enter the axis value at the mark",
    ) in found


@pytest.mark.parametrize(
    ("heading", "said"),
    [
        ("Water at -30 °C (min)", "-30 °C"),
        ("Water at 130 °C (min)", "130 °C"),
        ("Water at 8 °F (min)", "-13.33 °C"),
    ],
)
def test_a_start_temperature_in_a_heading_has_the_range_of_its_field(tmp_path, heading, said):
    sheet = f"run,{heading},Water at 20 °C (min)\n1,40,50\n2,42,52\n3,41,55\n"
    assert errors_of(tmp_path, sheet) == [
        (
            "out-of-range",
            None,
            heading,
            f"The start temperature in the heading, {said}, is outside 0 to 100 °C",
            "Write a temperature of 0 to 100 °C into the heading",
        )
    ]


def test_a_clock_with_thousands_of_digits_is_no_clock(tmp_path):
    sheet = f"run,start (°C),frozen (mm:ss)\n1,80,{'3' * 5000}:12\n2,20,41:20\n"
    (found,) = errors_of(tmp_path, sheet)
    assert found[:3] == ("not-a-time", 2, "frozen (mm:ss)")
    assert found[4]


def test_counts_with_thousands_of_digits_are_no_counts(tmp_path):
    sheet = f"source,hot first,hot (°C),cold (°C)\nA,{'7' * 5000}/{'9' * 5000},80,20\nB,3/7,80,20\n"
    found = errors_of(tmp_path, sheet)
    assert found and all(row[4] for row in found)
    assert {row[1] for row in found} == {2}


def test_a_pair_as_long_as_a_page_is_refused_in_time(tmp_path):
    sheet = f"source,effect_min,CI95\nA,-2,{'j,' * 12000}\nB,-3,-5 to -1\n"
    found = errors_of(tmp_path, sheet.replace("j,", "j;"))
    assert found and all(row[4] for row in found)


def test_a_dash_right_before_a_number_is_its_sign():
    def said(heading):
        (m,) = read_heading(heading)
        return m.target, m.endpoint, m.threshold_c, m.start_temp_c

    assert said("time to -5 °C (min)") == ("time", "t_threshold", -5.0, None)
    assert said("time to 5 °C (min)") == ("time", "t_threshold", 5.0, None)
    assert said("Hot-80 °C (min)") == ("time", "", None, 80.0)
    assert said("Hot - 80 °C (min)") == ("time", "", None, 80.0)
    assert said("Water at -30 °C (min)") == ("time", "", None, -30.0)
