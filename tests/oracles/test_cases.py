"""Every small hard file is read as its line of `tests/cases/index.toml` says."""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from metafreeze.register.answers import BINS, Answers, FileCheck
from metafreeze.register.files.reading import read_file
from metafreeze.register.intake import check_file

FOLDER = Path(__file__).parents[1] / "cases"
CASES: list[dict[str, Any]] = tomllib.loads((FOLDER / "index.toml").read_text("utf-8"))["case"]

LEDGER_KEYS = {
    "used": "used",
    "not seen exactly": "unseen",
    "excluded": "excluded",
    "duplicate": "duplicate",
    "unreadable": "unreadable",
}

# Conversions are exact up to the rounding of one product or root.
RELATIVE = 1e-9


def name_of(case: dict[str, Any]) -> str:
    return f"{case['file'].split('_')[0]}: {case['about']}"


@cache
def check_numbered(number: int) -> FileCheck:
    case = CASES[number]
    return check_file(FOLDER / case["file"], answers=Answers(**case.get("answers", {})))


def check(case: dict[str, Any]) -> FileCheck:
    return check_numbered(CASES.index(case))


def test_the_table_covers_every_file() -> None:
    files = {p.name for p in FOLDER.iterdir() if p.suffix in (".csv", ".txt", ".xls", ".xlsx")}
    assert {case["file"] for case in CASES} == files
    assert len(files) == 57


@pytest.mark.parametrize("case", CASES, ids=name_of)
def test_kind_and_acceptance(case: dict[str, Any]) -> None:
    found = check(case)
    assert (found.kind, found.accepted) == (case["kind"], case["accepted"])


@pytest.mark.parametrize("case", [c for c in CASES if c["kind"] != "trace"], ids=name_of)
def test_ledger(case: dict[str, Any]) -> None:
    found = check(case)
    expected = {bin_: case.get(key, 0) for bin_, key in LEDGER_KEYS.items()}
    assert found.ledger == expected


@pytest.mark.parametrize("case", CASES, ids=name_of)
def test_the_ledger_accounts_for_every_record(case: dict[str, Any]) -> None:
    answers = Answers(**case.get("answers", {}))
    source = read_file(FOLDER / case["file"], answers=answers)
    records = sum(t.n_rows + len(t.unreadable) for t in source.tables)
    found = check(case)
    assert tuple(found.ledger) == BINS
    assert sum(found.ledger.values()) == records


@pytest.mark.parametrize("case", [c for c in CASES if "rows" in c], ids=name_of)
def test_rows(case: dict[str, Any]) -> None:
    rows = check(case).rows.to_pylist()
    assert len(rows) == len(case["rows"])
    for number, (row, expected) in enumerate(zip(rows, case["rows"], strict=True)):
        for field, value in expected.items():
            wanted = None if value == "" else value
            if isinstance(wanted, float):
                wanted = pytest.approx(wanted, rel=RELATIVE)
            assert row[field] == wanted, f"row {number}, {field}"


@pytest.mark.parametrize("case", [c for c in CASES if "times_s" in c], ids=name_of)
def test_exact_times(case: dict[str, Any]) -> None:
    rows = check(case).rows
    for name in ("time_lower_s", "time_upper_s"):
        np.testing.assert_allclose(rows[name].to_numpy(), case["times_s"], rtol=RELATIVE)


@pytest.mark.parametrize("case", [c for c in CASES if "start_c" in c], ids=name_of)
def test_start_temperatures(case: dict[str, Any]) -> None:
    starts = check(case).rows["start_temp_c"].to_numpy()
    np.testing.assert_allclose(starts, case["start_c"], rtol=RELATIVE)


@pytest.mark.parametrize("case", CASES, ids=name_of)
def test_only_what_must_be_asked_is_asked(case: dict[str, Any]) -> None:
    """A refusal or a question counts only where the table says so."""
    found = [f.rule for f in check(case).findings if f.severity in ("error", "question")]
    expected = case.get("only", [])
    if case["kind"] == "unknown":
        assert set(found) == set(expected)
    else:
        assert sorted(found) == sorted(expected)


@pytest.mark.parametrize("case", [c for c in CASES if "says" in c], ids=name_of)
def test_findings(case: dict[str, Any]) -> None:
    findings = check(case).findings
    for wanted in case["says"]:
        matching = [
            f
            for f in findings
            if (f.rule, f.severity) == (wanted["rule"], wanted["severity"])
            and wanted.get("row", f.location.row) == f.location.row
            and wanted.get("column", f.location.column) == f.location.column
            and wanted.get("value", f.value) == f.value
            and wanted.get("message", "") in f.message
            and wanted.get("remedy", "") in f.remedy
        ]
        shown = [str(f) for f in findings if f.rule == wanted["rule"]]
        assert matching, f"{wanted} is not among {shown}"
        assert all(f.location.file == case["file"] for f in matching)


def test_raw_start_temperatures_are_kept_to_the_last_digit() -> None:
    case = next(c for c in CASES if c["file"].startswith("r15"))
    assert check(case).rows["start_temp_c"][2].as_py() == 19.999999999999996
