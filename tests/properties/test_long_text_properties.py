"""Cells cut from the bytes of a long text are those that the standard library reads."""

import csv
import io
import re

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from metafreeze.register.files import alike, long_table
from metafreeze.register.files.long_table import LongTable
from metafreeze.register.files.long_text import LongText, scan, whole
from metafreeze.register.files.plain_cells import plain_numbers

_CELLS = st.one_of(
    st.just(""),
    st.just("  "),
    st.from_regex(r"[+-]?[0-9]{1,4}(?:\.[0-9]{0,3})?", fullmatch=True),
    st.from_regex(r"2025-0[1-9]-[12][0-9] [01][0-9]:[0-5][0-9]:[0-5][0-9]", fullmatch=True),
    st.text(
        st.characters(codec="utf-8", exclude_characters="\r\n\0", exclude_categories=("C",)),
        max_size=6,
    ),
)


@st.composite
def tables(draw: st.DrawFn) -> tuple[list[list[str]], str]:
    """Draw rows of cells and the text that a writer makes of them."""
    width = draw(st.integers(1, 4))
    rows = draw(
        st.lists(st.lists(_CELLS, min_size=width, max_size=width), min_size=1, max_size=200)
    )
    # A line without any cell is a blank line, which is no record.
    rows = [row if width > 1 or row[0] else ["x"] for row in rows]
    text = io.StringIO()
    end = draw(st.sampled_from(["\n", "\r\n"]))
    quoting = draw(st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]))
    csv.writer(text, delimiter=";", lineterminator=end, quoting=quoting).writerows(rows)
    written = text.getvalue()
    return rows, written if draw(st.booleans()) else written.removesuffix(end)


def _plain(cell: str) -> str | None:
    return cell if cell.strip(" \t\v\f\u00a0\u2007\u2009\u202f\u3000") else None


@settings(deadline=None)
@given(tables(), st.integers(20, 300), st.data())
def test_cells_are_those_that_were_written(
    table: tuple[list[list[str]], str], block: int, data: st.DataObject
) -> None:
    rows, text = table
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(long_table, "_BLOCK", block)
        patch.setattr(long_table, "_MUCH", data.draw(st.sampled_from([0, 1 << 30])))
        patch.setattr(long_table, "_NEAR", 16)
        lines = LongTable(b"head\n" + text.encode(), 5, ";", len(rows[0]))
        assert lines.n_rows == len(rows)
        for j in range(len(rows[0])):
            expected = [_plain(row[j]) for row in rows]
            column = LongText(lines, j, sum(cell is None for cell in expected))
            assert whole(column).to_pylist() == expected
            at = data.draw(st.lists(st.integers(0, len(rows) - 1), max_size=90))
            assert column.take(np.array(at, dtype=np.int64)).to_pylist() == [
                expected[k] for k in at
            ]
            low = data.draw(st.integers(0, len(rows)))
            assert column.slice(low, 7).to_pylist() == expected[low : low + 7]
            assert column[len(rows) - 1].as_py() == expected[-1]


@settings(deadline=None)
@given(tables())
def test_one_way_through_reads_what_each_column_alone_gives(
    table: tuple[list[list[str]], str],
) -> None:
    rows, text = table
    lines = LongTable(text.encode(), 0, ";", len(rows[0]))
    for guesses in (["."] * len(rows[0]), ["stamp"] * len(rows[0]), ["text"] * len(rows[0])):
        columns = scan(lines, guesses, lambda cells, n: len(cells) == len(rows[0]) and n > 0)
        assert columns is not None
        for j, column in enumerate(columns):
            assert isinstance(column, LongText)
            cells = [_plain(row[j]) for row in rows]
            assert column.null_count == cells.count(None)
            alone = LongText(lines, j, column.null_count)
            numbers, again = column.numbers("."), alone.numbers(".")
            assert (numbers is None) == (again is None)
            if numbers is not None and again is not None:
                np.testing.assert_array_equal(numbers[0], again[0])
                assert numbers[1].tolist() == again[1].tolist()
            stamps = [c for c in cells if c is not None]
            plain = all(re.fullmatch(r"2025-0\d-\d\d \d\d:\d\d:\d\d", c) for c in stamps)
            if guesses[0] == "stamp" and plain:
                seconds = [
                    np.nan if c is None else np.datetime64(c.replace(" ", "T")).astype(float)
                    for c in cells
                ]
                # Given away at the first asking, and read again at the second.
                for _ in range(2):
                    np.testing.assert_array_equal(column.stamps(), seconds)


_NUMBER = {
    ".": re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"),
    ",": re.compile(r"[+-]?(?:[0-9]+,?[0-9]*|,[0-9]+)(?:[eE][+-]?[0-9]+)?"),
}


@given(
    st.lists(
        st.one_of(
            st.none(),
            st.from_regex(
                r"[+-]?[0-9]{0,12}[.,]?[0-9]{0,12}(?:[eE][+-]?[0-9]{1,3})?", fullmatch=True
            ),
            st.sampled_from(
                ["nan", "inf", "-", "1e999", "OL", "1.2.3", "1,234.5", "٣", "0x1F", "1_0"]
            ),
        ).map(lambda c: c or None)
    ),
    st.sampled_from([".", ","]),
)
def test_plain_numbers_are_those_of_the_standard_library(
    cells: list[str | None], mark: str
) -> None:
    values, odd = plain_numbers(pa.array(cells, pa.string()), mark)
    for k, cell in enumerate(cells):
        number = np.nan
        if cell and _NUMBER[mark].fullmatch(cell):
            number = float(cell.replace(",", "."))
        number = number if np.isfinite(number) else np.nan
        np.testing.assert_equal(values[k], number)
        assert (k in odd) == (cell is not None and np.isnan(number))


@given(
    st.lists(
        st.one_of(
            st.none(), st.text(max_size=5), st.from_regex(r"[0-9]{1,3}:[0-9]{2}", fullmatch=True)
        ),
        max_size=80,
    )
)
def test_each_filled_cell_has_the_shape_of_its_digits(cells: list[str | None]) -> None:
    found: dict[int, str] = {}
    shapes = alike.shapes_of(pa.array(cells, pa.string()))
    for shape in shapes:
        for row, data in zip(shape.rows.tolist(), shape.data, strict=True):
            assert row not in found
            found[row] = shape.cell
            assert data.tobytes().decode() == cells[row]
    assert found == {k: re.sub("[0-9]", "0", c) for k, c in enumerate(cells) if c}
    assert len({s.cell for s in shapes}) == len(shapes)


@given(st.lists(st.from_regex(r"[0-9]{1,20}(?:[.,][0-9]{1,20})?", fullmatch=True), min_size=1))
def test_decimals_of_alike_cells_are_the_nearest_doubles(cells: list[str]) -> None:
    for shape in alike.shapes_of(pa.array(cells)):
        values = shape.decimal((0, len(shape.cell)))
        assert values.tolist() == [float(cells[k].replace(",", ".")) for k in shape.rows.tolist()]


@given(
    st.lists(
        st.one_of(
            st.datetimes().map(lambda d: f"{d:%d.%m.}{d.year:04d} {d:%H:%M:%S}"),
            st.datetimes().map(lambda d: f"{d:%m/%d/}{d.year:04d} {d:%I:%M:%S %p}"),
            st.times().map(lambda t: f"{t:%H:%M}:{t.second:02d}.{t.microsecond:06d}"),
            st.sampled_from(["", "power cut", "25:00:00", "13:00 pm", "12:60"]),
        ),
        max_size=60,
    )
)
def test_stamps_are_parted_into_what_they_share_and_their_time(cells: list[str]) -> None:
    found = alike.stamps_of(pa.array([c or None for c in cells], pa.string()))
    assert found is not None
    time = r"(\d{1,2}):(\d{2})(?::(\d{2})(?:\.(\d{6}))?)?"
    for k, cell in enumerate(cells):
        if not cell or k in found.odd:
            assert found.key[k] == -1
            continue
        like = cells[found.first[found.key[k]]]
        assert re.sub(time, "", like) == re.sub(time, "", cell)
        match = re.search(time, cell)
        hour, minute, second, part = (
            (int(x or 0) for x in match.groups()) if match else (0, 0, 0, 0)
        )
        if "AM" in cell or "PM" in cell:
            hour = hour % 12 + 12 * ("PM" in cell)
        assert found.of_day_us[k] == ((hour * 60 + minute) * 60 + second) * 1_000_000 + part
    assert {cells[k] for k in found.odd} <= {"25:00:00", "13:00 pm", "12:60"}


@pytest.mark.parametrize(
    "text",
    ["1;2\r3;4\n", "1;2\n\n3;4\n", "1;2\n3\n", "1;2\n3;4;5\n", '1;"2\n3";4\n', '1;2"\n3;"4\n'],
)
def test_what_is_not_regular_is_left_to_the_exact_way(text: str) -> None:
    try:
        lines = LongTable(text.encode(), 0, ";", 2)
    except long_table.Irregular:
        return
    assert scan(lines, [".", "."], lambda cells, n: True) is None


@given(st.lists(st.text("abcdefgh0123", min_size=3, max_size=3), min_size=30, max_size=200))
def test_many_shapes_are_parted_like_few(cells: list[str]) -> None:
    shapes = alike.shapes_of(pa.array(cells))
    found = {int(row): shape.cell for shape in shapes for row in shape.rows}
    assert found == {k: re.sub("[0-9]", "0", cell) for k, cell in enumerate(cells)}
    for shape in shapes:
        assert shape.rows.tolist() == sorted(shape.rows.tolist())
