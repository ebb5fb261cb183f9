"""What separates the cells of a text file."""

from __future__ import annotations

import pytest

from metafreeze.register.files.delimited import decide_delimiter, named_delimiter, split_records

ROWS = "run{0}start{0}freeze\nR1{0}80{0}41.2\nR2{0}20{0}39.9\n"


@pytest.mark.parametrize("mark", [",", ";", "\t", "|"])
def test_plain_files(mark):
    found = decide_delimiter(ROWS.format(mark))
    assert found.mark == mark
    assert "3 of 3 rows have 3 cells" in found.evidence


@pytest.mark.parametrize(
    ("text", "mark"),
    [
        ("start_temp\n80\n20\n", ""),
        ("start\n80,0\n20,5\n", ""),
        ("freeze_s\n2 401\n2 390\n", ""),
        ("clock\n2025-02-11 09:00:00\n2025-02-11 09:01:00\n", ""),
        ("run;notes;t\nR1;['a', 'b'];41\n", ";"),
        ("start, °C;freeze, min\n80,0;41,5\n20,0;39,9\n", ";"),
        ("run;start;t\nR1;80,0;1,5\nR2;20,0;2,5\n", ";"),
        ("run;note;t\nR1;fell, then refilled, late;41\nR2;a, b;42\n", ";"),
        ("run,note,t\nR1,a;b,41\nR2,c;d,42\n", ","),
        ("run\tnote\tt\nR1\ta, b; c\t41\nR2\tfine\t42\n", "\t"),
        ("80,41\n20,39\n60,40\n", ","),
        ("run   start  freeze\nR1    80     41.2\nR2    20     39.9\n", " "),
        ("# a, b, c\n# d; e\nrun,t\nR1,41\nR2,42\n", ","),
        ("Box;4\nEvery;60\n\ntime;T;U\n0;80,0;1,0\n60;76,2;1,0\n120;72,4;2,0\n", ";"),
        ('run,note\nR1,"a;b;c"\nR2,"d;e;f"\n', ","),
        ("sep=;\na;b\n1,5;2\n", ";"),
    ],
)
def test_hard_files(text, mark):
    assert decide_delimiter(text).mark == mark


def test_the_hint_line_is_left_out_and_counted():
    records = decide_delimiter("sep=;\na;b\n1;2\n").records
    assert records.rows == [["a", "b"], ["1", "2"]]
    assert records.lines == [2, 3]


@pytest.mark.parametrize(
    ("answer", "mark"),
    [("tab", "\t"), (";", ";"), ("comma", ","), ("Space", " "), ("none", ""), ("\\t", "\t")],
)
def test_answers_name_a_mark(answer, mark):
    assert named_delimiter(answer) == mark


def test_an_answer_is_followed():
    found = decide_delimiter(ROWS.format(","), forced="tab")
    assert found.mark == "\t"
    assert found.records.rows[0] == ["run,start,freeze"]


def test_an_answer_that_names_nothing_is_refused():
    (fault,) = decide_delimiter(ROWS, forced="sideways").records.findings
    assert fault.rule == "delimiter-unknown"


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_lines_are_counted_through_quoted_line_ends(end):
    text = end.join(["run,note", '"R1","a', 'b, c"', "", "R2,d", ""])
    records = split_records(text, ",")
    assert records.lines == [1, 2, 4, 5]
    assert records.rows == [["run", "note"], ["R1", f"a{end}b, c"], [], ["R2", "d"]]


def test_line_ends_may_be_mixed():
    records = split_records("a,b\r\n1,2\n3,4\r5,6\r\n", ",")
    assert records.rows == [["a", "b"], ["1", "2"], ["3", "4"], ["5", "6"]]
    assert records.lines == [1, 2, 3, 4]


def test_a_quote_inside_a_cell_is_a_letter():
    records = split_records('cup,t\n5" cup,41\n', ",")
    assert records.rows[1] == ['5" cup', "41"]
    assert records.findings == ()


def test_a_quote_never_closed_swallows_nothing():
    records = split_records('run,t\nR1,41\n"R2,42\nR3,43\n', ",", file="runs.csv")
    assert records.rows[2:] == [['"R2', "42"], ["R3", "43"]]
    assert records.lines == [1, 2, 3, 4]
    (fault,) = records.findings
    assert (fault.rule, fault.location.row, fault.severity) == ("broken-quote", 3, "error")


def test_a_quote_inside_quotes_is_reported():
    records = split_records('run,t\n"5" cup",41\nR3,43\n', ",")
    assert len(records.rows) == 3
    assert records.findings[0].location.row == 2


def test_very_long_cells():
    cell = "x" * 500_000
    assert split_records(f"a,b\n{cell},2\n", ",").rows[1] == [cell, "2"]
