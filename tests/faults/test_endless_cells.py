"""A cell, a heading or a line of one sign without end is read or refused in time."""

import time
from pathlib import Path

import pytest

from metafreeze.register.files.reading import read_file
from metafreeze.register.intake import check_file
from metafreeze.register.traces.intake import read_traces

_LONG = 50_000
_ENDLESS = {
    "spaces inside": f"20{' ' * _LONG}x",
    "spaces before": f"{' ' * _LONG}20",
    "tabs before a unit": f"20{chr(9) * _LONG}C",
    "wide spaces": f"20{chr(160) * _LONG}C",
    "digits": "1" * _LONG,
    "dashes": "-" * _LONG,
    "dots": "." * _LONG,
    "colons": "1:" * _LONG,
    "brackets": "(" * _LONG,
    "spans": "41 ± " * _LONG,
    "hours": "1 h " * _LONG,
    "commas": "1," * _LONG,
}
_CLOCK = [f"2025-02-11 09:{k // 60:02d}:{k % 60:02d}" for k in range(120)]
_READINGS = [f"{clock},{80 - k / 2}" for k, clock in enumerate(_CLOCK)]
_RUNS = [f"R{k},{80 if k % 2 else 20},{40 + k}" for k in range(12)]
_PLACES = {
    "clock": ["time,water (°C)", *_READINGS[:50], "{},20.5", *_READINGS[50:]],
    "first clock": ["time,water (°C)", "{},20.5", *_READINGS],
    "reading": ["time,water (°C)", *_READINGS[:50], f"{_CLOCK[50]},{{}}", *_READINGS[50:]],
    "heading of readings": ["time,{}", *_READINGS],
    "heading of the clock": ["{},water (°C)", *_READINGS],
    "line above": ["{}", "time,water (°C)", *_READINGS],
    "label": ["run,start (°C),freeze (min)", *_RUNS, "{},80,40"],
    "start": ["run,start (°C),freeze (min)", *_RUNS, "R99,{},40"],
    "outcome": ["run,start (°C),freeze (min)", *_RUNS, "R99,80,{}"],
    "heading of outcomes": ["run,start (°C),{}", *_RUNS],
    "heading of labels": ["{},start (°C),freeze (min)", *_RUNS],
}


@pytest.mark.parametrize("sign", _ENDLESS)
def test_no_run_of_one_sign_takes_long(sign: str, tmp_path: Path) -> None:
    path = tmp_path / "sheet.csv"
    for place, lines in _PLACES.items():
        path.write_text("\n".join(lines).replace("{}", f'"{_ENDLESS[sign]}"'), encoding="utf-8")
        begin = time.process_time()
        source = read_file(path)
        traces = read_traces(source)
        check = check_file(path)
        assert time.process_time() - begin < 5.0, place
        refused = any(f.severity != "note" for f in check.findings)
        assert traces or check.rows.num_rows or refused
