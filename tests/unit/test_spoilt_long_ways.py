"""Whatever is wrong with a long file, the fast ways read the same as the exact one or give up."""

import random
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from long_files import FILES, temperatures
from wild_inputs import TOKENS

from metafreeze.register.files import long_table, text_files
from metafreeze.register.files.long_text import whole
from metafreeze.register.files.reading import read_file
from metafreeze.register.files.sheets import RawTable
from metafreeze.register.traces import clocks
from metafreeze.register.traces.intake import read_traces

_TOKENS = [token.decode("utf-8", errors="ignore").replace("\n", "") for token in TOKENS]
_CELLS = [*_TOKENS, "OPEN", "", "--", "-127", "85", "31.02.2025 10:00:00", "25:61:00", "9:5"]
_LINES = [
    "",
    "   ",
    "# note",
    "End",
    "a,b,c,d",
    ",",
    ";;",
    "Total: 3",
    '"x',
    '"a,b",c',
    "---",
    "\t",
]


def _put_a_line(chance: random.Random, lines: list[str], at: int) -> None:
    lines.insert(at, chance.choice([*_LINES, lines[0], chance.choice(lines)]))


def _take_a_line(chance: random.Random, lines: list[str], at: int) -> None:
    del lines[at]


def _put_a_token(chance: random.Random, lines: list[str], at: int) -> None:
    place = chance.randrange(len(lines[at]) + 1)
    lines[at] = lines[at][:place] + chance.choice(_TOKENS) + lines[at][place:]


def _change_a_cell(chance: random.Random, lines: list[str], at: int) -> None:
    mark = chance.choice([",", ";", "\t", " "])
    cells = lines[at].split(mark)
    cells[chance.randrange(len(cells))] = chance.choice(_CELLS)
    lines[at] = mark.join(cells)


def _repeat(chance: random.Random, lines: list[str], at: int) -> None:
    lines[at:at] = [lines[at]] * chance.choice([1, 2])


def _take_a_letter(chance: random.Random, lines: list[str], at: int) -> None:
    place = chance.randrange(len(lines[at]) + 1)
    lines[at] = lines[at][:place] + lines[at][place + 1 :]


def _turn_round(chance: random.Random, lines: list[str], at: int) -> None:
    lines[at : at + 5] = lines[at : at + 5][::-1]


def _cry(chance: random.Random, lines: list[str], at: int) -> None:
    lines[at] = lines[at].upper() if chance.random() < 0.5 else f" {lines[at]}"


def _cut_off(chance: random.Random, lines: list[str], at: int) -> None:
    if at > 60:
        del lines[at + 1 :]


_SPOILS: list[Callable[[random.Random, list[str], int], None]] = [
    *(_put_a_line, _take_a_line, _put_a_token, _change_a_cell, _repeat, _take_a_letter),
    *(_turn_round, _cry, _cut_off),
]


def _spoilt(seed: int) -> bytes:
    chance = random.Random(seed)
    readings = temperatures(np.random.default_rng(seed))
    lines = chance.choice(FILES)(readings).split("\n")
    for _ in range(chance.choice([0, 1, 1, 2, 3, 6])):
        chance.choice(_SPOILS)(chance, lines, chance.randrange(len(lines)))
        lines = lines or [""]
    codec = chance.choice(["utf-8"] * 6 + ["utf-16", "utf-8-sig", "cp1252"])
    return "\n".join(lines).encode(codec, errors="ignore")


def _shown(table: RawTable) -> list[object]:
    kept = ("header_row", "preamble", "footer", "unreadable", "breaks", "is_trace", "because")
    return [
        table.file_rows.tolist(),
        *(getattr(table, name) for name in kept),
        *(
            (c.heading, c.unit, c.group, c.position, c.day_order, whole(c.text).to_pylist())
            for c in table.columns
        ),
    ]


def _read(path: Path) -> object:
    """Give all that reading finds but for the evidence, which words the number of rows its way."""
    source = read_file(path)
    traces = [
        (
            replace(t, time_s=np.empty(0), temp_c=np.empty(0), marks=np.empty(0, np.int8)),
            *(values.tolist() for values in (t.time_s, t.temp_c, t.marks)),
        )
        for t in read_traces(source)
    ]
    tables = [_shown(table) for table in source.tables]
    return tables, source.findings, replace(source.dialect, evidence=()), traces


def _both_ways(seed: int, path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[str, str]:
    path.write_bytes(_spoilt(seed))
    chance = random.Random(seed)
    monkeypatch.setattr(text_files, "_HEAD", chance.choice([500, 1500, 4000]))
    block = chance.choice([100, 1000, 1 << 19])
    monkeypatch.setattr(long_table, "_BLOCK", block)
    monkeypatch.setattr(long_table, "_MUCH", chance.choice([1, 1 << 30]))
    monkeypatch.setattr(text_files, "_SHORT", 1)
    monkeypatch.setattr(clocks, "_MANY", 1)
    fast = repr(_read(path))
    monkeypatch.setattr(text_files, "_SHORT", 1 << 40)
    monkeypatch.setattr(clocks, "_MANY", 1 << 40)
    return fast, repr(_read(path))


@pytest.mark.parametrize("block", range(8))
def test_fast_and_exact_ways_agree(
    block: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for seed in range(15 * block, 15 * block + 15):
        fast, exact = _both_ways(seed, tmp_path / "trace.csv", monkeypatch)
        assert fast == exact, f"seed {seed}"


@pytest.mark.slow
@pytest.mark.parametrize("block", range(20))
def test_fast_and_exact_ways_agree_on_many(
    block: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for seed in range(1000 + 300 * block, 1000 + 300 * block + 300):
        fast, exact = _both_ways(seed, tmp_path / "trace.csv", monkeypatch)
        assert fast == exact, f"seed {seed}"
