"""The shipped fonts cover what they promise, and lines lose nothing."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from metafreeze.reporting.lettering import (
    drawable,
    font_files,
    lacks_glyphs,
    text_width,
    wrapped,
)


def test_every_font_is_there_with_its_licence():
    for paths in font_files().values():
        assert all(path.is_file() for path in paths)
    folder = next(iter(font_files().values()))[0].parent
    licence = (folder / "LICENSE-OFL.txt").read_text("utf-8")
    for path in folder.glob("*.[ot]tf"):
        assert path.name in licence
        assert path.name in (folder / "README.md").read_text("utf-8")


@pytest.mark.parametrize(
    "name",
    [
        "Čerňák, Łódź, Ørsted, Nguyễn",
        "Παγοποιείο Άνδρου",
        "Ледовая станция, їжак",
        "מעבדת הקרח",
        "محطة الجليد گچپژ",
        "凉水实验室 涼水實驗室 氷の研究室カナ",
        "얼음 창고",
        "बर्फ़ घर",
        "ห้องเย็น",
        "Հայք საქართველო",
        "−5 °C ± 2 ‰ → ≤ ≥ – …",
    ],
)
def test_scripts_that_are_promised(name):
    assert drawable(name) == name
    assert not lacks_glyphs(name)


def test_a_missing_glyph_becomes_its_code_point_and_never_a_box():
    assert drawable("ice 🧊 ᚠ") == "ice [U+1F9CA] [U+16A0]"
    assert lacks_glyphs("🧊")


def test_weightless_marks_need_no_glyph():
    assert not lacks_glyphs("❄\ufe0f")
    assert drawable("❄\ufe0f").startswith("❄")


def test_two_long_names_that_differ_at_the_end_stay_apart():
    first, second = "N" * 59 + "x", "N" * 59 + "y"
    lines = [wrapped(name, 180, 13) for name in (first, second)]
    assert ["".join(rows) for rows in lines] == [first, second]
    assert lines[0][-1] != lines[1][-1]


letters = st.text(st.sampled_from("abc äß-/_ λж凉한שغ0"), max_size=60)


@settings(max_examples=60, deadline=None)
@given(letters, st.integers(40, 300))
def test_wrapping_loses_no_letter_and_keeps_to_the_width(text, room):
    lines = wrapped(text, room, 13)
    assert "".join("".join(lines).split()) == "".join(text.split())
    for line in lines:
        # A single character may be wider than the room; nothing else may.
        assert len(line) <= 1 or text_width(line, 13) <= room


def test_a_mark_stays_with_its_letter():
    lines = wrapped("e\u0301" * 30, 60, 13)
    assert len(lines) > 1
    assert all(line.startswith("e") for line in lines)
