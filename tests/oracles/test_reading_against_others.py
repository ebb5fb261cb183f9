"""Reading agrees with general-purpose readers where these are right, and both ways agree.

Oracles: Python's `float`, `datetime.strptime` and `csv`, and `pandas.read_csv` told to
keep text. Each is used on input for which its answer is beyond doubt.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import random
import struct
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pyarrow as pa
import pytest

from metafreeze.register.files import text_files
from metafreeze.register.files.dates import parse_dates
from metafreeze.register.files.numbers import parse_number, parse_numbers
from metafreeze.register.files.reading import read_file
from metafreeze.register.files.sheets import Dialect, SourceFile

SEED = 20250211


def random_doubles(n: int) -> list[float]:
    """Draw doubles of every size from their bits."""
    chance = random.Random(SEED)
    drawn = (struct.unpack("<d", chance.randbytes(8))[0] for _ in range(2 * n))
    return [x for x in drawn if np.isfinite(x)][:n]


def test_the_shortest_spelling_of_any_double_comes_back_exactly():
    values = random_doubles(20_000)
    cells = [repr(x) for x in values]
    read, bad = parse_numbers(pa.array(cells), Dialect(decimal="."))
    np.testing.assert_array_equal(read, values)
    assert not bad.any()


def test_many_digits_are_rounded_as_float_rounds_them():
    chance = random.Random(SEED)
    cells = [f"{chance.randrange(10**6)}.{chance.randrange(10**25):025d}" for _ in range(5000)]
    read, _ = parse_numbers(pa.array(cells), Dialect(decimal="."))
    np.testing.assert_array_equal(read, [float(c) for c in cells])


@pytest.mark.parametrize(
    ("decimal", "grouping"), [(",", "."), (",", " "), (".", ","), (".", "'"), (",", "\u202f")]
)
def test_every_convention_gives_the_number_that_was_formatted(decimal, grouping):
    chance = random.Random(SEED)
    values = [round(chance.uniform(-1e7, 1e7), chance.randrange(1, 6)) for _ in range(3000)]
    cells = [
        f"{x:,}".translate(str.maketrans({",": grouping, ".": decimal, "-": "−"})) for x in values
    ]
    dialect = Dialect(decimal=decimal, grouping=grouping)
    read, bad = parse_numbers(pa.array(cells), dialect)
    np.testing.assert_array_equal(read, values)
    assert not bad.any()
    assert [parse_number(c, dialect) for c in cells[:300]] == values[:300]


FORMATS = {
    "%d/%m/%Y": "day-first",
    "%m/%d/%Y": "month-first",
    "%d.%m.%y": "day-first",
    "%Y-%m-%d": "year-first",
    "%Y/%m/%d": "year-first",
    "%d %b %Y": "",
    "%B %d, %Y": "",
    "%Y%m%d": "",
}


@pytest.mark.parametrize("clock", ["", " %H:%M:%S", " %I:%M:%S %p", "T%H:%M:%S"])
@pytest.mark.parametrize("form", FORMATS)
def test_dates_are_those_of_the_standard_library(form, clock):
    chance = random.Random(SEED)
    start = dt.datetime(2001, 1, 1)
    days = [start + dt.timedelta(seconds=chance.randrange(30 * 365 * 86400)) for _ in range(400)]
    cells = [day.strftime(form + clock) for day in days]
    parsed = [dt.datetime.strptime(cell, form + clock) for cell in cells]
    iso, bad = parse_dates(pa.array(cells), FORMATS[form])
    expected = [p.isoformat() if clock else p.date().isoformat() for p in parsed]
    assert iso.to_pylist() == expected
    assert not bad.any()


def runs(n: int, *, seed: int = SEED) -> list[list[str]]:
    chance = random.Random(seed)
    notes = ["", "fine", 'say "hi"', "a; b", "wide, flat", " padded ", "Süd"]
    return [
        [
            f"R{i}",
            chance.choice(["North", "South"]),
            str(chance.randrange(5, 95)),
            f"{chance.uniform(20, 200):.2f}",
            chance.choice(notes),
        ]
        for i in range(n)
    ]


HEADING = ["run", "lab", "start", "freeze", "remark"]


def written(rows: list[list[str]], mark: str, end: str, heading: list[str] = HEADING) -> str:
    out = io.StringIO()
    writer = csv.writer(out, delimiter=mark, lineterminator=end)
    writer.writerow(heading)
    writer.writerows(rows)
    return out.getvalue()


def text_of(source: SourceFile) -> list[list[str | None]]:
    (table,) = source.tables
    columns = [c.text.to_pylist() for c in table.columns]
    return [list(row) for row in zip(*columns, strict=True)]


@pytest.mark.parametrize("mark", [",", ";", "\t", "|"])
def test_text_is_that_of_general_readers(tmp_path, mark):
    path = tmp_path / "runs.csv"
    path.write_text(written(runs(300), mark, "\n"), encoding="utf-8")
    found = text_of(read_file(path))
    with path.open(encoding="utf-8", newline="") as lines:
        plain = [[c or None for c in row] for row in csv.reader(lines, delimiter=mark)][1:]
    assert found == plain
    frame = pd.read_csv(path, sep=mark, dtype=str, keep_default_na=False)
    assert found == [[c or None for c in row] for row in frame.to_numpy().tolist()]


SHAPES = {
    "plain": written(runs(2500), ",", "\n"),
    "carriage returns": written(runs(2500), ";", "\r\n"),
    "no last line end": written(runs(2500), "\t", "\n").rstrip("\n"),
    "preamble": "# made up\n# Every: 60 s\n\n" + written(runs(2500), ",", "\n"),
    "units row": written([["-", "", "°C", "min", ""], *runs(2500)], ",", "\n"),
    "trailing delimiter": written([[*r, ""] for r in runs(2500)], ";", "\n"),
    "cells of spaces": written([["R", "  ", "80", "41", "\t"], *runs(2500)], ",", "\n"),
    "an early blank line": written(runs(5), ",", "\n")
    + "\n"
    + written(runs(2500), ",", "\n", runs(1)[0]),
    "a late blank line": written(runs(2500), ",", "\n") + "\nR9,North,80,41.25,\n",
    "a late heading": written(runs(2500), ",", "\n") + ",".join(HEADING) + "\nR9,North,80,41.25,\n",
    "a late short row": written(runs(2500), ",", "\n") + "R9,North,80\n",
    "a late long row": written(runs(2500), ",", "\n") + "R9,North,80,41.25,a,b\n",
    "a late comment": written(runs(2500), ",", "\n") + "# done\n",
    "a late row of nothing": written(runs(2500), ",", "\n") + ",,,,\nR9,North,80,41.25,\n",
    "a late line break in quotes": written(
        [*runs(2500), ["R9", "No\nrth", "80", "41.25", ""]], ",", "\n"
    ),
    "a late quote": written(runs(2500), ",", "\n") + 'R9,5" cup,80,41.25,\n',
    "a late quote inside quotes": written(runs(2500), ",", "\n") + 'R9,"5" cup",80,41.25,\n',
    "text after a late closing quote": written(runs(2500), ",", "\n") + 'R9,"a"b,80,41.25,\n',
    "a late quote never closed": written(runs(2500), ",", "\n") + 'R9,"cup,80,41.25,\n',
    "a late space before a quote": written(runs(2500), ",", "\n") + 'R9, "a, b",80,41.25,\n',
    "late single quotes": written(runs(2500), ",", "\n") + "R9,'a',80,41.25,\n",
    "a late zero": written(runs(2500), ",", "\n") + "R9,a\0b,80,41.25,\n",
    "quotes around everything": "\n".join(
        ",".join(f'"{c}"' for c in row)
        for row in [["run", "lab", "t"], *[["R1", "a b", "41"]] * 9000]
    ),
}


@pytest.mark.parametrize("shape", SHAPES)
def test_the_fast_way_and_the_exact_way_agree(tmp_path, monkeypatch, shape):
    path = tmp_path / "runs.csv"
    path.write_bytes(SHAPES[shape].encode())
    monkeypatch.setattr(text_files, "_SHORT", 1)
    fast = read_file(path)
    monkeypatch.setattr(text_files, "_SHORT", 1 << 40)
    exact = read_file(path)
    assert len(fast.tables) == len(exact.tables) >= 1
    for one, other in zip(fast.tables, exact.tables, strict=True):
        assert [(c.heading, c.unit, c.group, c.position) for c in one.columns] == [
            (c.heading, c.unit, c.group, c.position) for c in other.columns
        ]
        assert [c.text.to_pylist() for c in one.columns] == [
            c.text.to_pylist() for c in other.columns
        ]
        np.testing.assert_array_equal(one.file_rows, other.file_rows)
        assert (one.preamble, one.footer, one.breaks) == (
            other.preamble,
            other.footer,
            other.breaks,
        )
        assert list(map(str, one.unreadable)) == list(map(str, other.unreadable))
    for name in ("encoding", "delimiter", "decimal", "grouping"):
        assert getattr(fast.dialect, name) == getattr(exact.dialect, name)
    assert [f.rule for f in fast.findings] == [f.rule for f in exact.findings]


def test_the_fast_way_is_taken_for_long_plain_files(tmp_path, monkeypatch):
    path = tmp_path / "runs.csv"
    path.write_text(written(runs(6000), ",", "\n"), encoding="utf-8")

    def refuse(*_args: object) -> None:
        raise AssertionError("the exact way was taken")

    monkeypatch.setattr(text_files, "_read_exactly", refuse)
    assert read_file(path).tables[0].n_rows == 6000


def test_a_workbook_and_text_give_the_same_numbers(tmp_path: Path):
    rows = runs(50)
    book = openpyxl.Workbook()
    book.active.append(HEADING)
    for run, lab, start, freeze, remark in rows:
        book.active.append([run, lab, int(start), float(freeze), remark])
    book.save(tmp_path / "runs.xlsx")
    comma = [[a, b, c, d.replace(".", ","), e] for a, b, c, d, e in rows]
    (tmp_path / "runs.csv").write_text(written(comma, ";", "\n"), encoding="utf-8")
    stored = read_file(tmp_path / "runs.xlsx").tables[0].columns[3].numbers
    typed = read_file(tmp_path / "runs.csv")
    values, _ = parse_numbers(typed.tables[0].columns[3].text, typed.dialect)
    np.testing.assert_array_equal(stored, values)
