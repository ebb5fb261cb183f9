"""Dates as people type them, and the order of day and month of a column."""

from __future__ import annotations

import pyarrow as pa
import pytest

from metafreeze.register.files.dates import decide_day_order, parse_dates

ANY_ORDER = [
    ("2025-04-03", "2025-04-03"),
    (" 2025-04-03 ", "2025-04-03"),
    ("2025/4/3", "2025-04-03"),
    ("2025.04.03", "2025-04-03"),
    ("2025年4月3日", "2025-04-03"),
    ("20250403", "2025-04-03"),
    ("3 Apr 2025", "2025-04-03"),
    ("3-Apr-25", "2025-04-03"),
    ("3. März 2025", "2025-03-03"),
    ("3 févr. 2025", "2025-02-03"),
    ("April 3, 2025", "2025-04-03"),
    ("3rd April 2025", "2025-04-03"),
    ("04/04/2025", "2025-04-04"),
    ("45699", "2025-02-11"),
    ("45699.0", "2025-02-11"),
    ("2025-02-11 09:00", "2025-02-11T09:00:00"),
    ("2025-02-11T09:00:00Z", "2025-02-11T09:00:00+00:00"),
    ("2025-10-26T01:30:00+02:00", "2025-10-26T01:30:00+02:00"),
    ("2025-10-26 01:30:00 UTC-0730", "2025-10-26T01:30:00-07:30"),
    ("2025-02-11 09:00:00.125", "2025-02-11T09:00:00.125"),
    ("2025/2/11 上午 11:20:00", "2025-02-11T11:20:00"),
    ("2025/2/11 上午 12:05:00", "2025-02-11T00:05:00"),
    ("2025/2/11 下午 12:00:00", "2025-02-11T12:00:00"),
    ("2025/2/11 下午 01:40:00", "2025-02-11T13:40:00"),
    ("2025-02-11 12:00:00 AM", "2025-02-11T00:00:00"),
    ("2025-02-11 1:05 p.m.", "2025-02-11T13:05:00"),
    ("2025-02-11 午後 3:05", "2025-02-11T15:05:00"),
]

NEVER = [
    "31/02/2025",
    "29/02/2025",
    "2025-13-01",
    "2025-02-30",
    "11//02/2025",
    "3 months",
    "09:00:00",
    "R1",
    "2025-02-11 25:00",
    "2025-02-11 09:61",
    "2025-02-11 13:00 AM",
    "2025-02-11 上午 09:00 PM",
    "3 Foo 2025",
    "123",
    "99999",
    "1-2",
    "0/0/2025",
]


@pytest.mark.parametrize("order", ["day-first", "month-first", "undecidable", ""])
@pytest.mark.parametrize(("cell", "iso"), ANY_ORDER)
def test_read_as_they_are(cell, iso, order):
    values, bad = parse_dates(pa.array([cell]), order)
    assert values.to_pylist() == [iso]
    assert not bad.any()


@pytest.mark.parametrize("order", ["undecidable", ""])
@pytest.mark.parametrize(
    ("cell", "iso"),
    [("25/12/2024", "2024-12-25"), ("12/25/2024", "2024-12-25"), ("29/02/2024", "2024-02-29")],
)
def test_a_date_that_can_be_read_in_one_way_needs_no_order(cell, iso, order):
    values, bad = parse_dates(pa.array([cell]), order)
    assert values.to_pylist() == [iso]
    assert not bad.any()


@pytest.mark.parametrize("order", ["day-first", "month-first", "undecidable"])
@pytest.mark.parametrize("cell", NEVER)
def test_refused(cell, order):
    values, bad = parse_dates(pa.array([cell]), order)
    assert values.to_pylist() == [None]
    assert bad.all()


def test_the_order_of_the_column_decides():
    cells = pa.array(["03/04/2025", "11.02.25 09:00", "1-2-2025", None, ""])
    day, bad = parse_dates(cells, "day-first")
    assert day.to_pylist() == ["2025-04-03", "2025-02-11T09:00:00", "2025-02-01", None, None]
    assert not bad.any()
    month, bad = parse_dates(cells, "month-first")
    assert month.to_pylist() == ["2025-03-04", "2025-11-02T09:00:00", "2025-01-02", None, None]
    assert not bad.any()
    nothing, bad = parse_dates(cells, "undecidable")
    assert nothing.to_pylist() == [None] * 5
    assert bad.tolist() == [True, True, True, False, False]


def test_a_stated_order_is_never_turned_round():
    values, bad = parse_dates(pa.array(["25/12/2024", "12/25/2024"]), "month-first")
    assert values.to_pylist() == [None, "2024-12-25"]
    assert bad.tolist() == [True, False]


@pytest.mark.parametrize(
    ("cells", "order"),
    [
        (["03/04/2025", "12/04/2025", "13/04/2025"], "day-first"),
        (["03/04/2025", "04/13/2025"], "month-first"),
        (["03/04/2025", "04/04/2025"], "undecidable"),
        (["04/04/2025", "05/05/2025"], "day-first"),
        (["11.02.2025", "03.04.2025"], "day-first"),
        (["02-11-25 09:00:00 AM"], "undecidable"),
        (["2025-04-03"], "year-first"),
        (["2025/2/11 上午 11:20:00"], "year-first"),
        (["R1", "R2"], ""),
        (["80", "20"], ""),
        (["09:00:00", "09:01:00"], ""),
        ([None, ""], ""),
        (["note", "fine", "late", "03/04/2025", "ok", "ok"], ""),
    ],
)
def test_decides_from_all_cells(cells, order):
    assert decide_day_order(pa.array(cells, pa.string())).order == order


def test_the_deciding_cell_is_quoted():
    decision = decide_day_order(pa.array(["03/04/2025", "13/04/2025"]))
    assert decision.because == "13/04/2025 can only be day first"
    assert decision.at == 1


def test_dates_that_contradict_the_rest_are_listed():
    decision = decide_day_order(pa.array(["13/04/2025", "14/04/2025", "04/15/2025"]))
    assert decision.order == "day-first"
    assert decision.contradicting.tolist() == [2]
