"""Names stay what they are and cannot act on what stands around them."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from metafreeze.reporting.labels import LONGEST_LABEL, shortened, visible


@pytest.mark.parametrize(
    ("entered", "seen"),
    [
        ("Upper pond", "Upper pond"),
        ("a\nb\r\nc\td", "a b  c d"),
        ("x\u202ey", "x[U+202E]y"),
        ("\u2067x\u2069", "[U+2067]x[U+2069]"),
        ("\x1b[31mred", "[U+001B][31mred"),
        ("nul\x00", "nul[U+0000]"),
        ("\ufeffmark", "[U+FEFF]mark"),
        ("tag\U000e0041", "tag[U+E0041]"),
        ("half \ud800", "half [U+D800]"),
        ("می\u200cخواهم", "می\u200cخواهم"),
        ("א\u200f(ב)", "א\u200f(ב)"),
        ("🧊 e\u0301", "🧊 e\u0301"),
    ],
)
def test_visible(entered, seen):
    assert visible(entered) == seen


@given(st.text())
def test_what_is_visible_holds_no_control_and_stays_visible(text):
    seen = visible(text)
    assert not any(unicodedata.category(c) in ("Cc", "Cs", "Co") for c in seen)
    assert not set(seen) & set("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
    assert visible(seen) == seen


def test_a_very_long_name_shows_both_ends_and_how_much_is_left_out():
    name = "A" * 60 + "x" * 9880 + "B" * 60
    seen = shortened(name)
    assert seen.startswith("A" * 50) and seen.endswith("B" * 50)
    assert "[…9900 characters…]" in seen
    assert shortened("n" * LONGEST_LABEL) == "n" * LONGEST_LABEL
