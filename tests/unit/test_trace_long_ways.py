"""A long file gives the same traces read the fast way and record by record."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from metafreeze.register.files import text_files
from metafreeze.register.files.reading import read_file
from metafreeze.register.traces.intake import read_traces

_LINES = 1500


def _temperatures(chance: np.random.Generator) -> list[str]:
    seconds = np.arange(_LINES)
    values = 80 * np.exp(-seconds / 400) - 6 + chance.normal(0, 0.05, _LINES)
    return [f"{v:.2f}" for v in values]


def _stamp(k: int, end: str = "") -> str:
    return f"2025-02-11 09:{k // 60 % 60:02d}:{k % 60:02d}{end}"


def _rows(clock: Callable[[int], str], temps: list[str], mark: str = ",") -> list[str]:
    return [f"{clock(k)}{mark}{t}" for k, t in enumerate(temps)]


def _plain(temps: list[str]) -> str:
    return "\n".join(["elapsed (s),water (°C)", *_rows(str, temps)]) + "\n"


def _words(temps: list[str]) -> str:
    temps[700:703] = ["open", "", "open"]
    return _plain(temps)


def _nothing(temps: list[str]) -> str:
    temps[900] = "NaN"
    temps[901] = "inf"
    return _plain(temps)


def _sentinels(temps: list[str]) -> str:
    temps[600], temps[800] = "-127.00", "85.00"
    return _plain(temps)


def _returns(temps: list[str]) -> str:
    return _plain(temps).replace("\n", "\r\n")


def _commas(temps: list[str]) -> str:
    temps = [t.replace(".", ",") for t in temps]
    return "\n".join(["elapsed (s);water (°C)", *_rows(str, temps, ";")]) + "\n"


def _trailing(temps: list[str]) -> str:
    return _plain(temps).replace("\n", ",\n")


def _blanks(temps: list[str]) -> str:
    temps[400] = "  "
    temps[500] = f" {temps[500]} "
    return _plain(temps)


def _quoted_head(temps: list[str]) -> str:
    return "\n".join(['"elapsed (s)","water, inner (°C)"', *_rows(str, temps)]) + "\n"


def _stamps(temps: list[str]) -> str:
    return "\n".join(["time,water (°C)", *_rows(_stamp, temps)]) + "\n"


def _fractions(temps: list[str]) -> str:
    rows = _rows(lambda k: _stamp(k // 2, f".{5 * (k % 2)}00"), temps)
    return "\n".join(["time,water (°C)", *rows]) + "\n"


def _repeated(temps: list[str]) -> str:
    rows = _rows(_stamp, temps)
    rows[300:300] = [rows[299], f"{_stamp(299)},{float(temps[299]) + 3:.2f}"]
    return "\n".join(["time,water (°C)", *rows]) + "\n"


def _missing_stamp(temps: list[str]) -> str:
    rows = _rows(_stamp, temps)
    rows[1100] = f",{temps[1100]}"
    return "\n".join(["time,water (°C)", *rows]) + "\n"


def _back_an_hour(temps: list[str]) -> str:
    rows = _rows(lambda k: _stamp(k if k < 1000 else k - 600), temps)
    return "\n".join(["time,water (°C)", *rows]) + "\n"


def _state(temps: list[str]) -> str:
    rows = [f"{row},{'ok' if k % 3 else 'low'}" for k, row in enumerate(_rows(str, temps))]
    return "\n".join(["elapsed (s),water (°C),state", *rows]) + "\n"


_FILES = [
    _plain,
    _words,
    _nothing,
    _sentinels,
    _returns,
    _commas,
    _trailing,
    _blanks,
    _quoted_head,
    _stamps,
    _fractions,
    _repeated,
    _missing_stamp,
    _back_an_hour,
    _state,
]


@pytest.mark.parametrize("write", _FILES)
@pytest.mark.parametrize("block", [1 << 12, 1 << 18])
def test_both_ways_agree(
    write: Callable[[list[str]], str],
    block: int,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    path = tmp_path / "trace.csv"
    path.write_bytes(write(_temperatures(np.random.default_rng(20250211))).encode())
    ways = []
    taken = []
    fast = text_files._read_long

    def noted(*given: object) -> object:
        taken.append(fast(*given))  # type: ignore[arg-type]
        return taken[-1]

    monkeypatch.setattr(text_files, "_read_long", noted)
    monkeypatch.setattr("metafreeze.register.files.delimited._BLOCK", block)
    for short in (1, 1 << 40):
        monkeypatch.setattr(text_files, "_SHORT", short)
        ways.append(read_file(path))
    assert len(taken) == 1 and taken[0] is not None
    quick, exact = ways
    assert [t.because for t in quick.tables] == [t.because for t in exact.tables]
    assert quick.findings == exact.findings
    # The evidence words the count of the rows differently, with or without the heading.
    assert replace(quick.dialect, evidence=()) == replace(exact.dialect, evidence=())
    for one, other in zip(quick.tables, exact.tables, strict=True):
        assert [c.text.to_pylist() for c in one.columns] == [
            c.text.to_pylist() for c in other.columns
        ]
        assert one.file_rows.tolist() == other.file_rows.tolist()
    traces = [read_traces(source) for source in ways]
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
