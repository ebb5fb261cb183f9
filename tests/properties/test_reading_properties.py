"""What holds for any table of text: nothing is lost, nothing changes, order does not matter."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
import pyarrow as pa
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from metafreeze.register.files.dates import decide_day_order
from metafreeze.register.files.numbers import NumberColumn, decide_marks, parse_numbers
from metafreeze.register.files.reading import read_file
from metafreeze.register.files.sheets import Dialect, SourceFile

BRIEF = settings(max_examples=100, deadline=None)
# Each example writes and reads a file.
FILES = settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)

WORDS = ["run", "lab", "start_C", "freeze_min", "remark", "vessel", "batch", "water"]
CELLS = st.one_of(
    st.text(alphabet=st.sampled_from(list("abXY019 .,;|\t\"'\n-+%é°µ()[]/:")), max_size=8),
    st.integers(-500, 5000).map(str),
    st.floats(-100, 1000, allow_nan=False).map(lambda x: f"{x:.2f}"),
    st.sampled_from(["R1", "A", "cup 3", "not frozen", ">180", "NA", "None", "", "80,5", "12:30"]),
)
ENDS = st.sampled_from(["\n", "\r\n"])
MARKS = st.sampled_from(",;\t|")


@st.composite
def wild_tables(draw: st.DrawFn) -> tuple[list[str], list[list[str]]]:
    n = draw(st.integers(2, 5))
    heading = draw(st.lists(st.sampled_from(WORDS), min_size=n, max_size=n, unique=True))
    rows = draw(st.lists(st.lists(CELLS, min_size=n, max_size=n), min_size=1, max_size=7))
    return heading, rows


@st.composite
def plain_tables(draw: st.DrawFn) -> tuple[list[str], list[list[str]]]:
    """Runs whose labels and outcomes are of a kind, and whose remarks may be anything."""
    n = draw(st.integers(2, 8))
    numbers = st.floats(1, 999, allow_nan=False).map(lambda x: f"{x:.2f}")
    remarks = st.lists(CELLS, min_size=n, max_size=n)
    rows = [
        [f"R{i}", draw(numbers), draw(numbers), remark] for i, remark in enumerate(draw(remarks))
    ]
    return ["run", "start_C", "freeze_min", "remark"], rows


def write(heading: list[str], rows: list[list[str]], mark: str, end: str) -> str:
    out = io.StringIO()
    writer = csv.writer(out, delimiter=mark, lineterminator=end)
    writer.writerow(heading)
    writer.writerows(rows)
    return out.getvalue()


def read(folder: Path, text: str, codec: str = "utf-8") -> SourceFile:
    path = folder / "runs.csv"
    path.write_bytes(text.encode(codec))
    return read_file(path)


def blank(rows: list[list[str]]) -> list[list[str | None]]:
    return [[cell if cell.strip() else None for cell in row] for row in rows]


def text_of(source: SourceFile) -> list[list[str | None]]:
    columns = [c.text.to_pylist() for c in source.tables[0].columns]
    return [list(row) for row in zip(*columns, strict=True)]


@FILES
@given(plain_tables(), MARKS, ENDS)
def test_runs_come_back_verbatim_under_any_delimiter(tmp_path, table, mark, end):
    heading, rows = table
    source = read(tmp_path, write(heading, rows, mark, end))
    serious = [f for f in source.findings if f.rule in ("broken-quote", "swallowed-rows")]
    if serious:
        return
    assert source.dialect.delimiter == mark
    assert [c.heading for c in source.tables[0].columns] == heading
    assert text_of(source) == blank(rows)


def test_a_quoted_cell_that_begins_with_a_space_and_a_quote(tmp_path):
    heading = ["run", "lab", "start_C", "freeze_min", "remark"]
    rows = [["", "", "", "", " 0"], ["", "", "", "", ' "']]
    source = read(tmp_path, write(heading, rows, ",", "\n"))
    assert text_of(source) == blank(rows)


@FILES
@given(wild_tables(), MARKS, ENDS)
def test_any_table_comes_back_verbatim_or_a_finding_says_why_not(tmp_path, table, mark, end):
    heading, rows = table
    source = read(tmp_path, write(heading, rows, mark, end))
    expected = [row for row in blank(rows) if any(row)]
    verbatim = (
        bool(source.tables)
        and [c.heading for c in source.tables[0].columns] == heading
        and text_of(source) == expected
    )
    assert verbatim or source.findings


@FILES
@given(plain_tables(), st.sampled_from(["utf-8-sig", "utf-16", "utf-16-le", "utf-32", "cp1252"]))
def test_the_encoding_does_not_change_the_cells(tmp_path, table, codec):
    heading, rows = table
    text = write(heading, rows, ";", "\n")
    plain, coded = read(tmp_path, text), read(tmp_path, text, codec)
    guessed = any(f.rule == "encoding-guessed" for f in coded.findings)
    assert guessed or text_of(plain) == text_of(coded)
    assert guessed == (codec == "cp1252" and not text.isascii())
    assert plain.dialect.decimal == coded.dialect.decimal


@FILES
@given(
    st.lists(st.integers(1, 6), min_size=1, max_size=12),
    st.sampled_from(["R{}", "A", "80", ""]),
)
def test_every_line_ends_in_one_place(tmp_path, widths, label):
    lines = ["run,start,freeze,remark"]
    for i, width in enumerate(widths):
        lines.append(",".join([f"R{i}", "80", "41.5", "late", "x", label.format(i)][:width]))
    source = read(tmp_path, "\n".join(lines) + "\n")
    if any(f.severity == "error" for f in source.findings):
        return
    records = sum(t.n_rows + len(t.unreadable) for t in source.tables)
    around = sum(len(t.preamble) + len(t.footer) for t in source.tables)
    headings = sum(bool(t.header_row) for t in source.tables)
    assert records + around + headings == len(lines)


DIALECTS = st.sampled_from([(".", ","), (",", "."), (",", " "), (".", "'"), (".", ""), (",", "")])


@BRIEF
@given(st.floats(-1e12, 1e12, allow_nan=False), DIALECTS)
def test_a_number_survives_any_convention(value, marks):
    decimal, grouping = marks
    cell = f"{value:,.6f}" if grouping else f"{value:.6f}"
    cell = cell.translate(str.maketrans({",": grouping, ".": decimal}))
    read_back, bad = parse_numbers(pa.array([cell]), Dialect(decimal=decimal, grouping=grouping))
    assert read_back[0] == float(f"{value:.6f}")
    assert not bad[0]


def as_column(cells: list[str]) -> NumberColumn:
    return NumberColumn(name="t", text=pa.array(cells), file_rows=np.arange(2, 2 + len(cells)))


NUMBERS = st.lists(
    st.sampled_from(["41", "41.2", "39,9", "1.241", "1,241", "2.490,5", "2,490.5", "2 472", "x"]),
    min_size=1,
    max_size=8,
)


@BRIEF
@given(NUMBERS, st.randoms(use_true_random=False))
def test_marks_do_not_depend_on_the_order_of_rows(cells, chance):
    shuffled = list(cells)
    chance.shuffle(shuffled)
    one, other = decide_marks([as_column(cells)]), decide_marks([as_column(shuffled)])
    assert (one.decimal, one.grouping) == (other.decimal, other.grouping)
    assert [f.rule for f in one.findings] == [f.rule for f in other.findings]


@BRIEF
@given(NUMBERS)
def test_no_number_changes_by_a_power_of_ten(cells):
    """Whatever is read without a question or an error can be meant in no other way."""
    marks = decide_marks([as_column(cells)])
    values, bad = parse_numbers(
        pa.array(cells), Dialect(decimal=marks.decimal, grouping=marks.grouping)
    )
    if any(f.severity != "note" for f in marks.findings):
        return
    proofs = {"41.2": ".", "39,9": ",", "2.490,5": ",", "2,490.5": "."}
    shown = {proofs[c] for c in cells if c in proofs}
    meant = {"41": 41, "41.2": 41.2, "39,9": 39.9, "2.490,5": 2490.5, "2,490.5": 2490.5}
    meant |= {"2 472": 2472}
    for cell, value, is_bad in zip(cells, values, bad, strict=True):
        if cell in meant:
            assert is_bad or value == meant[cell]
        elif cell in ("1.241", "1,241") and not is_bad:
            assert len(shown) == 1
            assert value == (1.241 if cell[1] in shown else 1241)


@BRIEF
@given(
    st.lists(st.tuples(st.integers(1, 28), st.integers(1, 28)), min_size=1, max_size=6),
    st.randoms(use_true_random=False),
)
def test_day_order_does_not_depend_on_the_order_of_rows(pairs, chance):
    cells = [f"{a:02d}/{b:02d}/2025" for a, b in pairs]
    shuffled = list(cells)
    chance.shuffle(shuffled)
    one, other = decide_day_order(pa.array(cells)), decide_day_order(pa.array(shuffled))
    assert one.order == other.order
    assert one.contradicting.size == other.contradicting.size
