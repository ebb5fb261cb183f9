"""Rows that stand twice, contradict themselves or each other, and labels that look alike."""

from __future__ import annotations

import numpy as np
from naming_sheets import check_text, column, messages, rules

from metafreeze.register.rows.checks import nominal_levels


def test_an_exact_repeat_counts_once_however_it_is_spelled() -> None:
    check = check_text("run,start_C,freeze_min\n1,80,41\n1,80.0,41.0\n2,20,39\n")
    assert column(check, "run_id") == ["1", "2"]
    assert check.ledger == {
        "used": 2,
        "not seen exactly": 0,
        "excluded": 0,
        "duplicate": 1,
        "unreadable": 0,
    }
    assert check.accepted


def test_a_contradiction_names_both_rows_and_both_values() -> None:
    check = check_text("run,lab,start_C,freeze_min\n1,A,80,41\n2,A,20,39\n1,A,80,43\n")
    (fault,) = [f for f in check.findings if f.severity == "error"]
    assert str(fault) == (
        "Run “1” of lab A stands in rows 2 and 4 with different values (freezing time 41 min and "
        '43 min). sheet.csv, row 4, run "1". Correct one of the two rows, give the runs different '
        "names, or give one a reason in a column “excluded because”."
    )


def test_other_labs_batches_vessels_and_events_are_other_runs() -> None:
    for extra in ("lab", "batch", "cup", "vessel", "position", "day"):
        check = check_text(f"run,{extra},start_C,freeze_min\n1,a1,80,41\n1,b2,80,43\n")
        assert check.ledger["used"] == 2, extra
        assert check.accepted, extra
    events = check_text("run,endpoint,start_C,freeze_min\n1,first ice,80,41\n1,solid,80,43\n")
    assert events.ledger["used"] == 2


def test_sheets_of_a_workbook_may_number_their_runs_alike() -> None:
    import tempfile
    from pathlib import Path

    from openpyxl import Workbook

    from metafreeze.register.intake import check_file

    book = Workbook()
    for k, name in enumerate(("Monday", "Tuesday")):
        sheet = book.active if k == 0 else book.create_sheet()
        assert sheet is not None
        sheet.title = name
        sheet.append(["run", "start_C", "freeze_min"])
        sheet.append([1, 80, 41 + k])
        sheet.append([2, 20, 39 + k])
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "days.xlsx")
        book.save(path)
        check = check_file(path)
    assert check.ledger["used"] == 4
    assert check.accepted


def test_run_numbers_that_restart_for_each_temperature() -> None:
    check = check_text(
        "run,start_C,freeze_min\n1,80,41\n2,80,42\n3,80,43\n1,20,39\n2,20,38\n3,20,40\n"
    )
    assert rules(check) == ["run-numbers-restart"]
    assert check.ledger["used"] == 6


def test_equal_rows_without_a_name_are_runs_of_their_own() -> None:
    check = check_text("start (C),time (min)\n80,41\n80,41\n20,39\n")
    assert check.ledger["used"] == 3
    assert messages(check, "rows-alike") == [
        "2 rows are alike in every cell, such as rows 2 and 3; nothing names the runs, so each "
        "counts as a run of its own"
    ]


def test_summary_lines_are_no_runs_but_vessels_may_be_called_so() -> None:
    check = check_text(
        "cup,start_C,freeze_min\nA,80,41\nmax,20,39\nAverage,,40\nSD,,1.4\nn = 2,,\n"
    )
    assert column(check, "specimen_id") == ["A", "max"]
    assert check.ledger["excluded"] == 3
    front = check_text("start_C,freeze_min\n80,41\n20,39\nMean,40\n")
    assert front.ledger["excluded"] == 1
    assert front.accepted


def test_cells_that_contradict_each_other() -> None:
    check = check_text(
        "run,start (C),peak temp (C),mass before (g),mass after (g),freeze (min)\n"
        "A,80,70,100,110,41\n"
    )
    assert rules(check, "error") == ["peak-below-start", "mass-grew"]
    residual = check_text(
        "run,start (C),endpoint,freeze (min)\nA,80,t_residual,41\nB,80,t_threshold,4\n"
    )
    assert rules(residual, "error") == [
        "residual-start-missing",
        "residual-end-missing",
        "threshold-missing",
    ]
    order = check_text("run,start (C),first ice (min),fully frozen (min)\nA,80,90,41\n")
    assert rules(order, "error") == ["events-out-of-order"]


def test_nominal_levels() -> None:
    levels = nominal_levels(np.array([20.0, 20.1, 19.9, 80.0, 79.6, 80.4, np.nan]))
    assert [level for level, _ in levels] == [20.0, 80.0]
    assert levels[1][1].tolist() == [79.6, 80.0, 80.4]
    assert nominal_levels(np.linspace(20, 30, 101)) == []


def test_levels_are_stated_only_where_there_are_any() -> None:
    plain = check_text("run,start_C,freeze_min\n1,80,41.3\n2,20,39.1\n")
    assert "nominal-levels" not in rules(plain)
    near = check_text("run,start_C,freeze_min\n1,80,41.3\n2,80.3,39.1\n3,20,4.1\n4,20,5.2\n")
    assert "nominal-levels" in rules(near)


def test_coarse_times() -> None:
    head = "run,start_C,freeze_min\n"
    coarse = check_text(head + "".join(f"{k},80,{40 + 5 * (k % 2)}\n" for k in range(8)))
    assert "coarse-times" in rules(coarse)
    fine = check_text(head + "".join(f"{k},80,{40 + k}\n" for k in range(8)))
    assert "coarse-times" not in rules(fine)


def test_labels_that_differ_in_case_or_spaces() -> None:
    check = check_text("lab,start_C,freeze_min\nNorth,80,41\nnorth ,20,39\nSouth,20,40\n")
    assert column(check, "lab_id") == ["North", "north", "South"]
    assert messages(check, "near-duplicate-labels") == [
        "“North” and “north ” in “lab” differ in case or spaces only; read as 2 different labels"
    ]
