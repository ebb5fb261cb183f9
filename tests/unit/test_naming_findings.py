"""Findings: gathered, ordered, counted."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
from naming_sheets import check_text, messages

from metafreeze.register.files.sheets import Column, RawTable
from metafreeze.register.meaning.findings import Findings, column_name, list_rows

COLUMN = Column(heading="freeze  (min)", position=2, text=pa.array(["1"] * 30))
TABLE = RawTable(columns=(COLUMN,), file_rows=np.arange(2, 32), header_row=1)


def test_rows_in_words() -> None:
    assert list_rows([4]) == "row 4"
    assert list_rows([4, 5]) == "rows 4 and 5"
    assert list_rows([1, 2, 3, 4, 5]) == "rows 1, 2, 3, 4 and 5"
    assert list_rows(list(range(1, 13))) == "rows 1, 2, 3, 4, 5 and 7 more"


def test_columns_are_named_as_they_stand() -> None:
    assert column_name(COLUMN) == "freeze (min)"
    assert column_name(Column(heading="", position=3, text=pa.array(["a"]))) == "column 3"
    grouped = Column(heading="mean", position=4, text=pa.array(["a"]), group="Hot (80 °C)")
    assert column_name(grouped) == "Hot (80 °C): mean"


def test_equal_notes_become_one_with_their_rows() -> None:
    findings = Findings("a.csv")
    findings.open_table()
    for at in (9, 2, 3, 4, 5, 6, 7):
        findings.add("note", "said", "There is nothing", table=TABLE, column=COLUMN, at=at)
    findings.add("note", "said", "There is something", table=TABLE, column=COLUMN, at=1)
    told = [(f.message, f.location.row) for f in findings.in_order()]
    assert told == [
        ("There is something", 3),
        ("There is nothing (rows 4, 5, 6, 7, 8 and 2 more)", 4),
    ]


def test_errors_and_questions_are_never_gathered() -> None:
    findings = Findings("a.csv")
    for severity in ("error", "question"):
        for at in (1, 2):
            findings.add(severity, "bad", "It is bad", table=TABLE, at=at)  # type: ignore[arg-type]
    assert len(findings.in_order()) == 4
    assert findings.has_open()


def test_rows_without_times_are_one_note() -> None:
    check = check_text(
        "run,start_C,freeze_min\n" + "".join(f"{k},80,\n" for k in range(8)) + "9,80,4\n"
    )
    assert messages(check, "no-freezing-time") == [
        "There is no freezing time: the row is kept and left out of every model (rows 2, 3, 4, 5, "
        "6 and 3 more)"
    ]
