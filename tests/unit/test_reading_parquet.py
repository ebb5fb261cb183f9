"""Parquet files are read with the types that they declare."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from metafreeze.register.files.reading import read_file
from metafreeze.register.files.sheets import SourceFile


@pytest.fixture
def read(tmp_path: Path):
    def reader(**columns: pa.Array) -> SourceFile:
        path = tmp_path / "runs.parquet"
        pq.write_table(pa.table(columns), path)
        return read_file(path)

    return reader


def test_types(read):
    source = read(
        run=pa.array(["007", "", "  ", None]),
        lab=pa.array(["A", "A", "B", None]).dictionary_encode(),
        start=pa.array([80, 20, None, -5]),
        freeze=pa.array([41.2, float("nan"), 39.9, float("inf")]),
        ok=pa.array([True, False, None, True]),
        price=pa.array([Decimal("1.50"), None, Decimal("2.25"), Decimal("0.00")]),
        nothing=pa.nulls(4),
    )
    (table,) = source.tables
    text = {c.heading: c.text.to_pylist() for c in table.columns}
    assert text["run"] == ["007", None, None, None]
    assert text["lab"] == ["A", "A", "B", None]
    assert text["start"] == ["80", "20", None, "-5"]
    assert text["freeze"] == ["41.2", None, "39.9", None]
    assert text["ok"] == ["TRUE", "FALSE", None, "TRUE"]
    assert text["price"] == ["1.50", None, "2.25", "0.00"]
    assert text["nothing"] == [None] * 4
    numbers = {c.heading: c.numbers for c in table.columns}
    np.testing.assert_array_equal(numbers["start"], [80, 20, np.nan, -5])
    np.testing.assert_array_equal(numbers["freeze"], [41.2, np.nan, 39.9, np.nan])
    assert numbers["run"] is None
    assert table.file_rows.tolist() == [1, 2, 3, 4]
    assert (table.header_row, source.findings) == (0, ())
    assert source.dialect.decimal == ""


def test_a_short_float_is_the_number_that_was_written(read):
    source = read(t=pa.array([41.2, 39.9], pa.float32()))
    assert source.tables[0].columns[0].text.to_pylist() == ["41.2", "39.9"]
    np.testing.assert_array_equal(source.tables[0].columns[0].numbers, [41.2, 39.9])


def test_dates_and_times(read):
    zone = pa.timestamp("us", "UTC")
    source = read(
        day=pa.array([dt.date(2025, 4, 3)]),
        when=pa.array([dt.datetime(2025, 4, 3, 9, 30)]),
        midnight=pa.array([dt.datetime(2025, 4, 3)]),
        utc=pa.array([dt.datetime(2025, 4, 3, 9, 30, 0, 250_000)], zone),
        at=pa.array([dt.time(9, 30)], pa.time32("s")),
        took=pa.array([dt.timedelta(minutes=41, seconds=12)]),
    )
    text = {c.heading: c.text.to_pylist()[0] for c in source.tables[0].columns}
    assert text == {
        "day": "2025-04-03",
        "when": "2025-04-03T09:30:00",
        "midnight": "2025-04-03",
        "utc": "2025-04-03T09:30:00.25+00:00",
        "at": "09:30:00",
        "took": "2472",
    }
    orders = {c.heading: c.day_order for c in source.tables[0].columns}
    assert orders["day"] == orders["when"] == "year-first"


def test_nested_columns_are_refused_by_name(read):
    source = read(run=pa.array(["R1"]), readings=pa.array([[1.0, 2.0]]))
    (fault,) = source.findings
    assert (fault.rule, fault.location.column) == ("nested-column", "readings")
    assert [c.heading for c in source.tables[0].columns] == ["run"]


def test_a_cut_off_file(tmp_path):
    path = tmp_path / "runs.parquet"
    pq.write_table(pa.table({"t": [41.2] * 1000}), path)
    path.write_bytes(path.read_bytes()[:300])
    (fault,) = read_file(path).findings
    assert fault.rule == "damaged-parquet"


def test_no_columns(tmp_path):
    path = tmp_path / "runs.parquet"
    pq.write_table(pa.table({}), path)
    assert [f.rule for f in read_file(path).findings] == ["no-table"]


def test_a_trace(read):
    source = read(
        t_s=pa.array(np.arange(60) * 60.0), T_C=pa.array(20 * np.exp(-np.arange(60) / 30) - 4)
    )
    assert source.tables[0].is_trace
