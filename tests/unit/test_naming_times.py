"""Outcome cells: each way of writing a time, a window, or that nothing was seen."""

from __future__ import annotations

import math

import pytest

from metafreeze.register.files.sheets import Dialect
from metafreeze.register.meaning.times import read_duration, read_outcome, two_field_first
from metafreeze.register.meaning.units import find_unit
from metafreeze.register.meaning.values import number_reader

POINT = number_reader(Dialect(decimal="."))
COMMA = number_reader(Dialect(decimal=","))
MIN = find_unit("min", dimension="time")
INF = math.inf
NAN = math.nan

# Text under a heading in minutes -> form, window in minutes.
CELLS = [
    ("41", "exact", 41, 41),
    ("41 min", "exact", 41, 41),
    ("0.7 h", "exact", 42, 42),
    ("90s", "exact", 1.5, 1.5),
    ("00:39:54", "exact", 39.9, 39.9),
    ("41:20", "exact", 41 + 20 / 60, 41 + 20 / 60),
    ("1 h 20 min", "exact", 80, 80),
    ("1h20", "exact", 80, 80),
    ("2 hours 5 minutes", "exact", 125, 125),
    ("41 min 20 s", "exact", 41 + 20 / 60, 41 + 20 / 60),
    ("41'20\"", "exact", 41 + 20 / 60, 41 + 20 / 60),
    ("1½ h", "exact", 90, 90),
    ("frozen after 41", "exact", 41, 41),
    ("41 (knocked)", "exact", 41, 41),
    ("41*", "exact", 41, 41),
    ("41 ± 2", "exact", 41, 41),
    ("~41", "approximate", 41, 41),
    ("ca. 41", "approximate", 41, 41),
    ("41?", "approximate", 41, 41),
    (">180", "right-censored", 180, INF),
    ("> 3 h", "right-censored", 180, INF),
    ("≥180", "right-censored", 180, INF),
    ("180+", "right-censored", 180, INF),
    ("180 or more", "right-censored", 180, INF),
    ("not frozen after 180", "right-censored", 180, INF),
    ("did not freeze (180 min)", "right-censored", 180, INF),
    ("DNF 180", "right-censored", 180, INF),
    ("no ice by 3h", "right-censored", 180, INF),
    ("still liquid at 180 min", "right-censored", 180, INF),
    ("180 (not frozen)", "right-censored", 180, INF),
    ("never froze (watched 180 min)", "right-censored", 180, INF),
    ("> 1:30:00", "right-censored", 90, INF),
    ("<30", "left-censored", 0, 30),
    ("before 30", "left-censored", 0, 30),
    ("frozen by 30", "left-censored", 0, 30),
    ("35-40", "window", 35, 40),
    ("35–40", "window", 35, 40),
    ("35 to 40 min", "window", 35, 40),
    ("between 35 and 40", "window", 35, 40),
    ("(35, 40]", "window", 35, 40),
    ("35<t<40", "window", 35, 40),
    ("liquid at 35, solid at 40", "window", 35, 40),
    ("~35-40", "window", 35, 40),
    ("35-35", "exact", 35, 35),
    ("", "missing", NAN, NAN),
    ("n/a", "missing", NAN, NAN),
    ("-", "missing", NAN, NAN),
    ("-999", "sentinel", NAN, NAN),
    ("did not freeze", "never", NAN, NAN),
    ("DNF", "never", NAN, NAN),
    ("no ice", "never", NAN, NAN),
    ("∞", "never", NAN, NAN),
    ("abc", "unreadable", NAN, NAN),
    ("12/03", "unreadable", NAN, NAN),
    ("30-", "unreadable", NAN, NAN),
    ("1:75", "needs-clock", NAN, NAN),
]


@pytest.mark.parametrize(
    ("text", "form", "low", "high"), CELLS, ids=[c[0] or "empty" for c in CELLS]
)
def test_cells_in_minutes(text: str, form: str, low: float, high: float) -> None:
    outcome = read_outcome(text, unit=MIN, number=POINT)
    assert outcome.form == form
    assert outcome.lower_s == pytest.approx(60 * low, nan_ok=True)
    assert outcome.upper_s == pytest.approx(60 * high, nan_ok=True)


@pytest.mark.parametrize("text", ["0", "0.0", "-5", "−5", "00:00:00"])
def test_times_at_or_below_zero_are_refused(text: str) -> None:
    number = number_reader(Dialect(decimal="."))
    assert read_outcome(text, unit=MIN, number=number).form == "not-positive"


def test_a_window_that_ends_before_it_begins_is_reversed() -> None:
    outcome = read_outcome("40-35", unit=MIN, number=POINT)
    assert (outcome.form, outcome.lower_s, outcome.upper_s) == ("reversed", 2400.0, 2100.0)


@pytest.mark.parametrize("text", ["37,5-40,2", "37,5 to 40,2"])
def test_windows_with_decimal_commas(text: str) -> None:
    outcome = read_outcome(text, unit=MIN, number=COMMA)
    assert (outcome.form, outcome.lower_s, outcome.upper_s) == ("window", 2250.0, 2412.0)


def test_error_beside_a_value_keeps_its_unit() -> None:
    outcome = read_outcome("41 ± 2 min", unit=None, number=POINT)
    assert (outcome.lower_s, outcome.sd_s) == (2460.0, 120.0)


@pytest.mark.parametrize(
    ("text", "unit", "form"),
    [
        ("41", None, "needs-unit"),
        (">180", None, "needs-unit"),
        ("41:20", None, "needs-unit"),
        ("41 min", None, "exact"),
        ("00:39:54", None, "exact"),
        ("41:20", "s", "needs-clock"),
    ],
)
def test_without_a_unit_only_cells_that_say_it_are_read(
    text: str, unit: str | None, form: str
) -> None:
    found = find_unit(unit, dimension="time") if unit else None
    assert read_outcome(text, unit=found, number=POINT).form == form


@pytest.mark.parametrize(
    ("text", "unit", "seconds"),
    [
        ("41:20", "min:s", 2480.0),
        ("1:20", "h:min", 4800.0),
        ("1:20", "h", 4800.0),
        ("27:15:00", None, 98100.0),
        ("1:02:10", "min:s", 3730.0),
    ],
)
def test_clock_readings(text: str, unit: str | None, seconds: float) -> None:
    found = find_unit(unit, dimension="time") if unit else None
    assert read_duration(text, unit=found, number=POINT) == seconds


def test_only_two_fields_are_ambiguous() -> None:
    assert two_field_first("41:20") == 41
    assert two_field_first("0:41:20") is None
    assert two_field_first("41") is None


def test_a_bare_number_among_three_fields_may_be_any_of_them() -> None:
    clock = find_unit("h:min:s", dimension="time")
    assert read_outcome("41", unit=clock, number=POINT).form == "needs-clock"
    two = find_unit("min:s", dimension="time")
    assert read_outcome("41", unit=two, number=POINT).lower_s == 2460.0
