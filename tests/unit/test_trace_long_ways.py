"""A long file gives the same traces read the fast way and record by record."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from long_files import FILES, clocked, day_first, plain, returns, stamps, temperatures

from metafreeze.register.files import text_files
from metafreeze.register.files.long_text import LongText, whole
from metafreeze.register.files.reading import read_file
from metafreeze.register.traces import clocks
from metafreeze.register.traces.intake import read_traces


def _interrupted(at: dict[int, list[str]]) -> Callable[[str], str]:
    """Put lines before some lines of a file, counted from its end where that is negative."""

    def change(text: str) -> str:
        lines = text.splitlines()
        for place in sorted(at, key=lambda k: k % (len(lines) + 1), reverse=True):
            where = place if place >= 0 else len(lines) + 1 + place
            lines[where:where] = at[place]
        return "\n".join(lines) + "\n"

    return change


def _heading_again(text: str) -> str:
    lines = text.splitlines()
    for place in (1100, 600):
        lines.insert(place, lines[0])
    return "\n".join(lines) + "\n"


_INTERRUPTIONS = {
    "footer": _interrupted({-1: ["", "Total readings: 1500"]}),
    "footer beside": _interrupted({-1: ["End of data,"]}),
    "two footers": _interrupted({-1: ["", "Max,78.1", "Min,-6.2", "Operator: invented"]}),
    "blank line": _interrupted({700: [""], 900: ["", ""]}),
    "comment": _interrupted({700: ["# battery changed"], 800: ["# door, opened"]}),
    "short row": _interrupted({800: ["12:00"]}),
    "long row": _interrupted({800: ["12:00,1,2,3"]}),
    "long row of nothing": _interrupted({800: ["12:00:00,20.5,,"]}),
    "quoted": _interrupted({800: ['"door, opened",'], 810: ['"12:00","20.5"']}),
    "empty cells": _interrupted({800: [","], 820: [" , "]}),
    "preamble": _interrupted({0: ["Logger: invented", "Serial: 17", ""], -1: ["", "End"]}),
    "heading again": _heading_again,
    "units again": lambda text: _heading_again(text).replace(
        "(°C)\n", "(°C)\n".replace("\n", "\n,°C\n")
    ),
    "another table": _interrupted({-1: ["", "a,b,c,d", "1,2,3,4", "2,3,4,5"]}),
    "cut off": lambda text: text[:-4],
    "quote over lines": _interrupted({800: ['"door', 'opened",20.1']}),
}
_REGULAR = {"footer beside", "quoted", "cut off"}
_MAY_BE_LEFT = {"another table", "quote over lines"}


@pytest.mark.parametrize("kind", _INTERRUPTIONS)
@pytest.mark.parametrize("write", [plain, stamps, clocked(day_first), returns])
def test_a_few_lines_of_their_own_kind_change_nothing_else(
    write: Callable[[list[str]], str],
    kind: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    path = tmp_path / "trace.csv"
    text = write(temperatures(np.random.default_rng(20250211)))
    text = _INTERRUPTIONS[kind](text.replace("\r\n", "\n"))
    if write is returns:
        text = text.replace("\n", "\r\n")
    path.write_bytes(text.encode())
    taken: list[object] = []
    fast = text_files._read_interrupted

    def noted(*given: object) -> object:
        taken.append(fast(*given))  # type: ignore[arg-type]
        return taken[-1]

    monkeypatch.setattr(text_files, "_read_interrupted", noted)
    monkeypatch.setattr(text_files, "_HEAD", 1 << 9)
    ways = []
    for short, many in ((1, 1), (1 << 40, 1 << 40)):
        monkeypatch.setattr(text_files, "_SHORT", short)
        monkeypatch.setattr(clocks, "_MANY", many)
        source = read_file(path)
        ways.append((source, read_traces(source)))
    # Whatever has the usual number of cells in each line is regular already.
    assert len(taken) == (0 if kind in _REGULAR else 1)
    assert all(taken) or kind in _MAY_BE_LEFT
    (quick, made), (exact, expected) = ways
    assert quick.findings == exact.findings
    assert replace(quick.dialect, evidence=()) == replace(exact.dialect, evidence=())
    if taken:
        assert quick.dialect.evidence == exact.dialect.evidence
    for one, other in zip(quick.tables, exact.tables, strict=True):
        assert one.file_rows.tolist() == other.file_rows.tolist()
        for name in ("header_row", "preamble", "footer", "unreadable", "breaks", "because"):
            assert getattr(one, name) == getattr(other, name)
        for column, same in zip(one.columns, other.columns, strict=True):
            assert whole(column.text).to_pylist() == whole(same.text).to_pylist()
            assert (column.heading, column.unit, column.position, column.day_order) == (
                same.heading,
                same.unit,
                same.position,
                same.day_order,
            )
    for a, b in zip(made, expected, strict=True):
        np.testing.assert_array_equal(a.time_s, b.time_s)
        np.testing.assert_array_equal(a.temp_c, b.temp_c)
        np.testing.assert_array_equal(a.marks, b.marks)
        assert (a.how, a.events, a.findings) == (b.how, b.events, b.findings)


@pytest.mark.parametrize("write", FILES)
@pytest.mark.parametrize("block", [1 << 12, 1 << 18])
def test_both_ways_agree(
    write: Callable[[list[str]], str],
    block: int,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    path = tmp_path / "trace.csv"
    path.write_bytes(write(temperatures(np.random.default_rng(20250211))).encode())
    ways = []
    taken = []
    fast = text_files._read_long

    def noted(*given: object) -> object:
        taken.append(fast(*given))  # type: ignore[arg-type]
        return taken[-1]

    monkeypatch.setattr(text_files, "_read_long", noted)
    monkeypatch.setattr("metafreeze.register.files.long_table._BLOCK", block)
    traces = []
    for short, many, much in ((1, 1, 1), (1 << 40, 1 << 40, 1 << 40)):
        monkeypatch.setattr(text_files, "_SHORT", short)
        monkeypatch.setattr(clocks, "_MANY", many)
        monkeypatch.setattr("metafreeze.register.files.long_table._MUCH", much)
        ways.append(read_file(path))
        traces.append(read_traces(ways[-1]))
    assert len(taken) == 1 and taken[0] is not None
    quick, exact = ways
    assert [t.because for t in quick.tables] == [t.because for t in exact.tables]
    assert quick.findings == exact.findings
    # The evidence words the count of the rows differently, with or without the heading.
    assert replace(quick.dialect, evidence=()) == replace(exact.dialect, evidence=())
    for one, other in zip(quick.tables, exact.tables, strict=True):
        assert all(isinstance(c.text, LongText) for c in one.columns)
        assert [whole(c.text).to_pylist() for c in one.columns] == [
            whole(c.text).to_pylist() for c in other.columns
        ]
        assert one.file_rows.tolist() == other.file_rows.tolist()
    assert len(traces[0]) >= 1
    for a, b in zip(*traces, strict=True):
        np.testing.assert_array_equal(a.time_s, b.time_s)
        np.testing.assert_array_equal(a.temp_c, b.temp_c)
        np.testing.assert_array_equal(a.marks, b.marks)
        assert (a.channel, a.how, a.began_at, a.zone, a.unit, a.role, a.events) == (
            b.channel,
            b.how,
            b.began_at,
            b.zone,
            b.unit,
            b.role,
            b.events,
        )
        assert a.findings == b.findings


@pytest.mark.parametrize("write", [plain, stamps, clocked(day_first, mark=";"), returns])
def test_a_file_of_real_length_is_read_alike(
    write: Callable[[list[str]], str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "trace.csv"
    text = write(temperatures(np.random.default_rng(20250211), 12_000))
    path.write_bytes(text.encode())
    assert path.stat().st_size > text_files._SHORT
    source = read_file(path)
    (quick,) = read_traces(source)
    assert all(isinstance(c.text, LongText) for c in source.tables[0].columns)
    monkeypatch.setattr(text_files, "_SHORT", 1 << 40)
    monkeypatch.setattr(clocks, "_MANY", 1 << 40)
    (exact,) = read_traces(read_file(path))
    np.testing.assert_array_equal(quick.time_s, exact.time_s)
    np.testing.assert_array_equal(quick.temp_c, exact.temp_c)
    np.testing.assert_array_equal(quick.marks, exact.marks)
    assert (quick.how, quick.findings) == (exact.how, exact.findings)
