"""How numbers are written, and that what is written is the value."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from metafreeze.errors import InputError
from metafreeze.reporting import numbers as show
from metafreeze.reporting.content import Between, Column, TableContent, say
from metafreeze.reporting.shown import shown_table


def words(text):
    """Write a sentence with plain spaces, to compare it with what a person reads."""
    return str(text).replace("\u00a0", " ").replace("\u202f", " ")


def test_an_effect_reads_as_the_design_says():
    text = show.effect(math.log(1.06), math.log(1.02), math.log(1.10), hot_c=80.0, cold_c=20.0)
    assert words(text) == "80 °C finished 6 % later than 20 °C (2 to 10 %)"


@pytest.mark.parametrize(
    ("ratio", "low", "high", "expected"),
    [
        (0.94, 0.90, 0.98, "80 °C finished 6 % sooner than 20 °C (2 to 10 %)"),
        (1.06, 0.97, 1.16, "80 °C finished 6 % later than 20 °C (3 % sooner to 16 % later)"),
        (1.06, 0.996, 1.12, "80 °C finished 6.0 % later than 20 °C (0.4 % sooner to 12.0 % later)"),
        (1.06, 1.02, math.inf, "80 °C finished 6 % later than 20 °C (at least 2 % later)"),
        (1.06, 0.97, math.inf, "80 °C finished 6 % later than 20 °C (3 % sooner to any later)"),
        (1.003, 1.001, 1.005, "80 °C finished 0.3 % later than 20 °C (0.1 to 0.5 %)"),
    ],
)
def test_effects_in_words(ratio, low, high, expected):
    text = show.effect(ratio, low, high, hot_c=80, cold_c=20, kind="ratio")
    assert words(text) == expected


def test_an_effect_without_limits_or_without_itself_says_so():
    alone = show.effect(0.05, math.nan, math.nan, hot_c=80, cold_c=20)
    assert words(alone) == "80 °C finished 5 % later than 20 °C (interval not available)"
    nothing = show.effect(math.nan, math.nan, math.nan, hot_c=80, cold_c=20)
    assert "cannot be estimated" in words(nothing)


def test_an_effect_is_a_ratio():
    with pytest.raises(InputError, match='Choose one of "log-ratio", "ratio"'):
        show.effect(1, 1, 1, hot_c=80, cold_c=20, kind="seconds")


@pytest.mark.parametrize(
    ("value", "kind", "expected"),
    [
        (45.0, "seconds", "45.0 s"),
        (2.04, "seconds", "2.04 s"),
        (2472.0, "seconds", "41.2 min"),
        (60 * 3600.0, "seconds", "60.0 h"),
        (-18.0, "celsius", "−18 °C"),
        (-18.25, "celsius", "−18.2 °C"),
        (12345, "count", "12 345"),
        (1234, "count", "1234"),
        (0.0321, "p-value", "0.032"),
        (0.0000321, "p-value", "< 0.001"),
        (0.25, "share", "25 %"),
        (3.14159, "number", "3.14"),
        (-0.0, "number", "0"),
        (math.inf, "number", "∞"),
        (math.nan, "number", "–"),
        (None, "seconds", "–"),
    ],
)
def test_kinds(value, kind, expected):
    assert words(show.show(value, kind)) == expected


def test_the_minus_is_a_minus_and_zero_has_no_sign():
    assert show.decimal_text(-0.004, 2) == "0.00"
    assert show.decimal_text(-0.005001, 2) == "−0.01"
    assert show.decimal_text(0.5, 1, signed=True) == "+0.5"
    assert show.decimal_text(-math.inf, 0) == "−∞"


def test_counts_have_their_noun():
    assert words(show.count(1, "study", "studies")) == "1 study"
    assert words(show.count(2, "study", "studies")) == "2 studies"
    assert words(show.count(0, "run")) == "0 runs"


def test_intervals():
    assert words(show.between(2400.0, 2580.0, "seconds")) == "40.0 to 43.0 min"
    assert words(show.between(-0.05, 0.09, "log-ratio")) == "−5 to +9 %"
    assert words(show.between(0.02, 0.09, "log-ratio")) == "2 to 9 %"
    assert words(show.between(0.02, math.inf, "log-ratio")) == "at least 2 %"
    assert words(show.between(-math.inf, 90.0, "celsius")) == "at most 90 °C"
    assert words(show.between(-math.inf, math.inf, "number")) == "no limit on either side"
    assert words(show.between(0.02, math.nan, "log-ratio")) == "interval not available"
    assert words(show.between(math.nan, math.nan, "seconds")) == "interval not available"


@given(st.floats(-6, 6), st.integers(0, 3))
def test_what_is_written_is_the_value_to_half_its_last_digit(log_ratio, decimals):
    number = show.show(log_ratio, "log-ratio", decimals=decimals, signed=True)
    written = float(number.text.replace("−", "-").replace("\u202f", "").replace("+", ""))
    # Half of the last digit shown, and the rounding of doubles near a tie.
    assert abs(written - 100 * math.expm1(log_ratio)) <= 0.5 * 10**-decimals * (1 + 1e-9)
    assert number.value == log_ratio


def test_numpy_scalars_become_plain_numbers():
    number = show.show(np.float64(1.5), "number")
    assert type(number.value) is float
    assert type(show.show(np.int64(3), "count").value) is int


def table(kind, cells, **column):
    return TableContent(
        key="t",
        caption=say("c"),
        columns=(Column(heading="x", kind="given"), Column(heading="y", kind=kind, **column)),
        rows=tuple(("row", cell) for cell in cells),
    )


def column_of(content):
    shown = shown_table(content)
    return [words(row[1]) for row in shown.rows], shown.columns[1].unit, list(map(str, shown.notes))


def test_a_column_shares_unit_and_decimals():
    cells, unit, notes = column_of(table("seconds", [5400.0, 600.0, 36.0]))
    assert (cells, unit, notes) == (["90.0", "10.0", "0.6"], "min", [])


def test_one_extreme_row_does_not_cost_the_others_their_digits():
    cells, unit, _ = column_of(table("log-ratio", [0.061, 0.012, 2.5]))
    assert (cells, unit) == (["+6", "+1", "+1118"], "%")


def test_gaps_are_marked_and_explained():
    gaps = [0.06, None, math.nan, Between(low=math.nan, high=math.nan)]
    cells, _, notes = column_of(table("log-ratio", gaps))
    assert cells == ["+6", "–", "–", "–"]
    assert notes == ["– means not available."]


def test_limits_sentences_flags_and_decimals_asked_for():
    cells, _, _ = column_of(table("log-ratio", [Between(low=0.02, high=0.1), say("about")]))
    assert cells == ["+2 to +11", "about"]
    assert column_of(table("yes-no", [True, False]))[0] == ["yes", "no"]
    assert column_of(table("number", [1.23456, 100.0], decimals=2))[0] == ["1.23", "100.00"]
    assert column_of(table("p-value", [0.2, 0.0001]))[0] == ["0.200", "< 0.001"]


def test_a_cell_of_another_kind_is_refused_with_its_column():
    with pytest.raises(InputError, match="Column 'y' shows seconds and holds 'long'"):
        shown_table(table("seconds", ["long"]))


def test_an_effect_may_be_told_without_limits():
    alone = show.effect(math.log(1.05), None, None, hot_c=80.0, cold_c=20.0)
    assert words(alone) == "80 °C finished 5 % later than 20 °C"
