"""Tables that hypothesis writes: headings and cells near what people write, as files."""

from __future__ import annotations

import csv
import datetime as dt
import io

import hypothesis.strategies as st
import pyarrow as pa
import pyarrow.parquet as pq
from openpyxl import Workbook
from openpyxl.utils.exceptions import IllegalCharacterError
from wild_inputs import TOKENS

from metafreeze.register.schema import FIELDS
from metafreeze.register.templates import heading_of

WORDS = [token.decode("utf-8") for token in TOKENS]

HEADINGS = st.one_of(
    st.sampled_from([heading_of(field) for field in FIELDS if field.sheets]),
    st.sampled_from([field.name for field in FIELDS]),
    st.sampled_from(["start (°C)", "freeze (min)", "run", "time", "SD", "n", "hot", "cold", "T"]),
    st.text(max_size=12),
)
NUMBERS = st.one_of(
    st.integers(-100, 10_000).map(str),
    st.floats(0, 1000).map(lambda x: f"{x:.1f}"),
    st.floats().map(repr),
    st.floats(0, 200).map(lambda x: f"{x:.2f}".replace(".", ",")),
)
CELLS = st.one_of(NUMBERS, NUMBERS, st.sampled_from(WORDS), st.text(max_size=10), st.just(""))
STORED = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(10**6), 10**6),
    st.floats(allow_nan=False, allow_infinity=False),
    st.datetimes(min_value=dt.datetime(1901, 1, 1), max_value=dt.datetime(2100, 1, 1)),
    st.times(),
    st.timedeltas(dt.timedelta(0), dt.timedelta(days=40)),
    st.sampled_from(WORDS),
    st.text(max_size=10),
)


@st.composite
def likely_rows(draw: st.DrawFn) -> list[list[str]]:
    """Runs that can be accepted, but for what is changed in them."""
    heading = ["lab", "run", "start (°C)", "freeze (min)"]
    n = draw(st.integers(1, 12))
    times = st.one_of(
        st.floats(1, 500).map(lambda x: f"{x:.1f}"),
        st.sampled_from([">180", "35-40", "<30", "not frozen after 180", "", "~41"]),
    )
    rows = [
        [draw(st.sampled_from("AB")), f"R{k}", draw(st.integers(0, 100).map(str)), draw(times)]
        for k in range(n)
    ]
    for extra in draw(st.lists(st.sampled_from([f for f in FIELDS if f.sheets]), max_size=3)):
        heading.append(heading_of(extra))
        cells = st.sampled_from([*extra.vocabulary, ""]) if extra.vocabulary else CELLS
        for row in rows:
            row.append(draw(cells))
    return [heading, *rows]


@st.composite
def wild_rows(draw: st.DrawFn) -> list[list[str]]:
    """Any headings over any cells."""
    n = draw(st.integers(1, 7))
    heading = draw(st.lists(HEADINGS, min_size=n, max_size=n))
    rows = st.lists(st.lists(CELLS, min_size=n, max_size=n), max_size=6)
    return [heading, *draw(rows)]


def as_text(rows: list[list[str]], mark: str, end: str, codec: str) -> bytes:
    """Write rows as delimited text."""
    out = io.StringIO()
    csv.writer(out, delimiter=mark, lineterminator=end).writerows(rows)
    return out.getvalue().encode(codec, errors="replace")


@st.composite
def texts(draw: st.DrawFn) -> tuple[str, bytes]:
    """Delimited text of some dialect."""
    rows = draw(st.one_of(likely_rows(), wild_rows()))
    mark, end = draw(st.sampled_from(",;\t|")), draw(st.sampled_from(["\n", "\r\n", "\r"]))
    codec = draw(st.sampled_from(["utf-8", "utf-8", "utf-8-sig", "utf-16", "cp1252", "gb18030"]))
    return "sheet.csv", as_text(rows, mark, end, codec)


@st.composite
def workbooks(draw: st.DrawFn) -> tuple[str, bytes]:
    """A workbook of one or two sheets with stored values of all types."""
    book = Workbook()
    for number in range(draw(st.integers(1, 2))):
        sheet = book.active if number == 0 else book.create_sheet()
        assert sheet is not None
        rows: list[list[object]] = [
            list(row) for row in draw(st.one_of(likely_rows(), wild_rows()))
        ]
        for _ in range(draw(st.integers(0, 4))):
            row = draw(st.sampled_from(rows))
            if row:
                row[draw(st.integers(0, len(row) - 1))] = draw(STORED)
        for at, row in enumerate(rows, draw(st.integers(1, 3))):
            for column, value in enumerate(row, 1):
                put_cell(sheet, at, column, value)
        if draw(st.booleans()):
            sheet.merge_cells(
                start_row=2, end_row=draw(st.integers(2, 4)), start_column=1, end_column=1
            )
        if draw(st.booleans()):
            sheet.row_dimensions[draw(st.integers(1, 5))].hidden = True
    out = io.BytesIO()
    book.save(out)
    return "sheet.xlsx", out.getvalue()


def put_cell(sheet: object, row: int, column: int, value: object) -> None:
    """Store a value as typed: text that looks like a number becomes one, as in a spreadsheet."""
    if isinstance(value, str):
        try:
            value = float(value) if value.strip() and abs(float(value)) < 1e300 else value
        except ValueError:
            value = str(value)
    try:
        sheet.cell(row=row, column=column, value=value)  # type: ignore[attr-defined]
    except IllegalCharacterError:
        sheet.cell(row=row, column=column, value="?")  # type: ignore[attr-defined]


ARROW_TYPES: list[tuple[pa.DataType, st.SearchStrategy[object]]] = [
    (pa.string(), st.one_of(CELLS, st.none())),
    (pa.float64(), st.one_of(st.floats(), st.none())),
    (pa.float32(), st.floats(width=32)),
    (pa.int64(), st.integers(-(2**63), 2**63 - 1)),
    (pa.uint64(), st.integers(0, 2**64 - 1)),
    (pa.bool_(), st.one_of(st.booleans(), st.none())),
    (pa.binary(), st.binary(max_size=6)),
    (pa.date32(), st.dates()),
    (pa.timestamp("us"), st.datetimes()),
    (pa.timestamp("ms", tz="UTC"), st.datetimes(timezones=st.just(dt.UTC))),
    (pa.duration("s"), st.timedeltas(dt.timedelta(0), dt.timedelta(days=90))),
    (pa.time64("us"), st.times()),
    (pa.list_(pa.int8()), st.lists(st.integers(-128, 127), max_size=2)),
    (pa.struct([("a", pa.int8())]), st.fixed_dictionaries({"a": st.integers(-128, 127)})),
    (pa.decimal128(20, 3), st.decimals(-1000, 1000, places=3)),
    (pa.null(), st.none()),
]


@st.composite
def parquets(draw: st.DrawFn) -> tuple[str, bytes]:
    """A Parquet file with columns of any type, some of them named alike."""
    rows = draw(st.integers(0, 5))
    arrays, names = [], []
    for _ in range(draw(st.integers(1, 5))):
        kind, values = draw(st.sampled_from(ARROW_TYPES))
        arrays.append(pa.array(draw(st.lists(values, min_size=rows, max_size=rows)), kind))
        names.append(draw(HEADINGS))
    for name, cells in (("start (°C)", ["80", "20"]), ("freeze (min)", ["41", "39"])):
        if draw(st.booleans()):
            names.append(name)
            arrays.append(pa.array([cells[k % 2] for k in range(rows)]))
    out = io.BytesIO()
    pq.write_table(pa.Table.from_arrays(arrays, names=names), out)
    return "sheet.parquet", out.getvalue()


def sheets() -> st.SearchStrategy[tuple[str, bytes]]:
    """Give files of every kind: their name and their bytes."""
    return st.one_of(texts(), texts(), workbooks(), parquets())
