"""Tables, headings, units rows and records found by their structure."""

from __future__ import annotations

from pathlib import Path

import pytest

from metafreeze.register.files.reading import read_file
from metafreeze.register.files.sheets import SourceFile

A4 = ["run", "lab", "start", "freeze"]


@pytest.fixture
def read(tmp_path: Path):
    def reader(text: str, name: str = "runs.csv") -> SourceFile:
        path = tmp_path / name
        path.write_bytes(text.encode())
        return read_file(path)

    return reader


def headings(source: SourceFile, at: int = 0) -> list[str]:
    return [c.heading for c in source.tables[at].columns]


def rows(source: SourceFile, at: int = 0) -> list[list[str | None]]:
    columns = [c.text.to_pylist() for c in source.tables[at].columns]
    return [list(row) for row in zip(*columns, strict=True)]


def rules(source: SourceFile) -> list[str]:
    return [f.rule for f in source.findings]


def test_quoted_line_ends_keep_line_numbers(read):
    source = read('run;remark;t\r\nR1;"fell;\r\nrefilled";41,2\r\nR2;"say ""hi""";39,9\r\n')
    assert rows(source) == [["R1", "fell;\r\nrefilled", "41,2"], ["R2", 'say "hi"', "39,9"]]
    assert source.tables[0].file_rows.tolist() == [2, 4]


def test_units_row_in_brackets(read):
    source = read("run,start,freeze\n,[°C],[min]\nR1,80,41.2\nR2,20,39.9\n")
    assert [c.unit for c in source.tables[0].columns] == ["", "[°C]", "[min]"]
    assert len(rows(source)) == 2


def test_groups_over_repeated_names(read):
    source = read(",Hot,,Cold,\nlab,mean,SD,mean,SD\nA,41.2,3.1,44.0,2.8\nB,40.1,2.9,43.2,3.0\n")
    columns = source.tables[0].columns
    assert [(c.group, c.heading) for c in columns] == [
        ("", "lab"),
        ("Hot", "mean"),
        ("Hot", "SD"),
        ("Cold", "mean"),
        ("Cold", "SD"),
    ]
    assert rules(source) == ["heading-rows"]


def test_repeated_names_over_their_parts(read):
    source = read("lab,hot,hot,cold,cold\n,mean,SD,mean,SD\nA,41.2,3.1,44.0,2.8\nB,40,3,43,3\n")
    assert headings(source) == ["lab", "hot mean", "hot SD", "cold mean", "cold SD"]


def test_numbers_over_groups_of_columns(read):
    source = read("start,80,,20,\nlab,mean,SD,mean,SD\nA,41.2,3.1,44.0,2.8\nB,40.1,2.9,43.2,3\n")
    assert [(c.group, c.heading) for c in source.tables[0].columns] == [
        ("", "lab"),
        ("80", "mean"),
        ("80", "SD"),
        ("20", "mean"),
        ("20", "SD"),
    ]


def test_a_heading_broken_inside_its_cell_is_joined(read):
    source = read('run,"start\n(°C)",freeze\nR1,80,41\nR2,20,39\n')
    assert headings(source) == ["run", "start (°C)", "freeze"]
    assert source.tables[0].file_rows.tolist() == [3, 4]


@pytest.mark.parametrize(
    "text",
    [
        'run, "lab", t\nR1, "a, b", 41\nR2, "c", 42\n',
        "'run','lab','t'\n'R1','a, b','41'\n'R2','c','42'\n",
    ],
)
def test_other_ways_of_quoting(read, text):
    source = read(text)
    assert headings(source) == ["run", "lab", "t"]
    assert rows(source) == [["R1", "a, b", "41"], ["R2", "c", "42"]]


def test_labels_that_a_spreadsheet_turned_into_dates(read):
    source = read("run,start,t\n3-1,80,41\n3-Jan,20,39\n3-2,80,40\n2-Feb,20,40\n")
    (fault,) = source.findings
    assert (fault.rule, fault.severity, fault.location.row) == ("dates-among-labels", "error", 3)
    assert "row 3: 3-Jan, row 5: 2-Feb" in fault.message
    assert rows(source)[1][0] == "3-Jan"


def test_first_record_in_words_is_a_record(read):
    source = read("run,lab,start,freeze\nR1,A,hot,not frozen\nR2,A,80,41\nR3,B,20,40\nR4,B,20,41\n")
    assert headings(source) == A4
    assert rows(source)[0] == ["R1", "A", "hot", "not frozen"]


@pytest.mark.parametrize("gap", ["\n", "\n\n", ",,\n"])
def test_blank_lines_between_records(read, gap):
    lines = ["run,start,freeze\n", "R1,80,41.2\n", "R2,20,39.9\n", "R3,60,40\n", "R4,70,45\n"]
    source = read(gap.join(lines))
    assert headings(source) == ["run", "start", "freeze"]
    assert [row[0] for row in rows(source)] == ["R1", "R2", "R3", "R4"]


def test_blank_lines_inside_and_totals_below(read):
    source = read("run,start,freeze\nR1,80,41\nR2,20,39\n\nR3,60,40\n,,\nMean,50,40\n")
    assert [row[0] for row in rows(source)] == ["R1", "R2", "R3", "Mean"]
    assert source.tables[0].file_rows.tolist() == [2, 3, 5, 7]


def test_longer_part_below_a_blank_line(read):
    below = "".join(f"R{i},20,{30 + i}\n" for i in range(3, 20))
    source = read("run,start,freeze\nR1,80,41\nR2,20,39\n\n" + below)
    assert len(source.tables) == 1
    assert len(rows(source)) == 19


@pytest.mark.parametrize(
    "text", ["run,start,freeze\n", "\nrun,start,freeze", "# note\nrun,start,freeze\n"]
)
def test_heading_alone(read, text):
    source = read(text)
    assert headings(source) == ["run", "start", "freeze"]
    assert source.tables[0].n_rows == 0


def test_one_record(read):
    source = read("run,start,freeze\nR1,80,41.2")
    assert rows(source) == [["R1", "80", "41.2"]]


def test_one_column(read):
    source = read("start_temp\n80\n20\n")
    assert (headings(source), rows(source)) == (["start_temp"], [["80"], ["20"]])


def test_no_heading(read):
    source = read("R1,80,41.2\nR2,20,39.9\nR3,60,40\n")
    assert headings(source) == ["", "", ""]
    assert (source.tables[0].header_row, len(rows(source))) == (0, 3)
    assert rules(source) == ["no-heading"]


@pytest.mark.parametrize("first", ["cup,80,60,20", "cup,80 °C,60 °C,20 °C", "cup,1,2,3"])
def test_numbers_as_headings(read, first):
    source = read(first + "\nA,41.2,40,39\nB,42,41,40\n")
    assert headings(source) == first.split(",")
    assert len(rows(source)) == 2


def test_titles_notes_and_a_second_table_in_padded_rows(read):
    source = read(
        "Freezing trials,,,\n,,,\nrun,lab,start,freeze\nR1,A,80,41.2\nR2,A,20,39.9\n,,,\n"
        "Excluded: R3,,,\n,,,\nrun,probe,offset_C,\nR1,P1,-0.3,\n"
    )
    assert headings(source) == A4
    assert source.tables[0].preamble == {"line 1": "Freezing trials"}
    assert source.tables[0].footer == ("Excluded: R3",)
    assert headings(source, 1) == ["run", "probe", "offset_C"]
    assert source.tables[1].file_rows.tolist() == [10]


def test_tables_below_each_other_with_other_columns(read):
    source = read("run,start,freeze\nA1,80,41\nA2,20,39\n\nfreeze_s,run,start_F\n2472,B1,176\n")
    assert headings(source, 1) == ["freeze_s", "run", "start_F"]
    assert "another-table" in rules(source)


def test_other_width_further_down_is_another_table(read):
    first = "time,T_C\n" + "".join(f"2025-02-11 09:{i:02d}:00,{60 - i}\n" for i in range(40))
    second = "#,when,T,mark\n" + "".join(f"{i},09:{i:02d}:00,{60 - i},\n" for i in range(30))
    source = read(first + second)
    assert [t.n_rows for t in source.tables] == [40, 30]


def test_logs_joined_end_to_end(read):
    first = "time,T_C\n" + "".join(f"2025-02-11 09:{i:02d}:00,{60 - i}\n" for i in range(20))
    second = "#,when,T,mark\n" + "".join(f"{i},09:{i:02d}:00,{60 - i},\n" for i in range(40))
    source = read(first + second)
    assert [t.n_rows for t in source.tables] == [20, 40]
    assert [t.header_row for t in source.tables] == [1, 22]
    assert rules(source) == ["another-table"]


def test_several_short_rows_in_the_middle(read):
    rows_of = [f"R{i},A,80,4{i % 10}" + (",late" if i < 4 or i > 8 else "") for i in range(40)]
    source = read("run,lab,start,freeze,remark\n" + "\n".join(rows_of) + "\n")
    assert headings(source) == [*A4, "remark"]
    assert len(rows(source)) == 40
    assert rules(source) == ["short-rows"]


def test_tables_beside_each_other(read):
    source = read(
        "run,start,t,,run,start,t\nA1,80,41,,B1,80,44\nA2,20,40,,B2,20,43\nA3,20,40,,,,\n"
    )
    assert rows(source) == [["A1", "80", "41"], ["A2", "20", "40"], ["A3", "20", "40"]]
    assert rows(source, 1) == [["B1", "80", "44"], ["B2", "20", "43"]]
    assert [c.position for c in source.tables[1].columns] == [5, 6, 7]


def test_an_empty_column_splits_nothing_by_itself(read):
    source = read("run,start,,freeze\nR1,80,,41\nR2,20,,39\n")
    assert headings(source) == ["run", "start", "freeze"]
    assert [c.position for c in source.tables[0].columns] == [1, 2, 4]


def test_comments(read):
    source = read(
        "# made up\nrun,start,t\nR1,80,41\n# R2,20,3\nR3,20,39\n# door opened\nR4,30,40\n#R5,1,2\n"
    )
    table = source.tables[0]
    assert [row[0] for row in rows(source)] == ["R1", "R3", "R4"]
    assert [(u.location.row, u.severity) for u in table.unreadable] == [(4, "note"), (8, "note")]
    assert "comment-line" in rules(source)
    assert table.preamble == {"line 1": "made up"}


def test_labels_that_start_with_a_hash(read):
    source = read("run,start,freeze\n#1,80,41\n#2,20,40\n#3,50,39\n")
    assert [row[0] for row in rows(source)] == ["#1", "#2", "#3"]


def test_a_commented_heading_is_the_heading(read):
    source = read(
        "# made up\n#time_s temp_C\n" + "".join(f"{i * 60} {80 - i}\n" for i in range(40))
    )
    assert headings(source) == ["time_s", "temp_C"]
    assert source.tables[0].preamble == {"line 1": "made up"}


def test_rows_without_their_last_cells(read):
    source = read("run,lab,start,freeze\nR1,A,80,41.2\nR2,A,20\nR4,B,20,39.9\nR5,B\n")
    assert rows(source)[1] == ["R2", "A", "20", None]
    assert rows(source)[3] == ["R5", "B", None, None]
    assert rules(source) == ["short-rows"]


def test_a_last_heading_without_cells(read):
    source = read("run,start,freeze,remark\nR1,80,41.2\nR2,20,39.9\n")
    assert rows(source) == [["R1", "80", "41.2", None], ["R2", "20", "39.9", None]]
    assert rules(source) == ["short-rows"]


@pytest.mark.parametrize(
    ("text", "row", "cells"),
    [
        ("run,lab,start,freeze\nR1,A,80,41\nR2,80,41\nR3,A,80,41\n", 3, 3),
        ("run,lab,start,freeze\nR1,A,80,41\nR2,A,80,41,late\nR3,A,80,41\n", 3, 5),
        ("run,lab,start,freeze\nR1,A,80,41\nR3,A,80,41\nR2,A,80,41,late\n", 4, 5),
    ],
)
def test_rows_of_another_width_are_refused_one_by_one(read, text, row, cells):
    source = read(text)
    (fault,) = source.tables[0].unreadable
    assert (fault.rule, fault.severity, fault.location.row) == ("row-width", "error", row)
    assert f"has {cells} cells but the heading has 4" in fault.message
    assert len(rows(source)) == 2


@pytest.mark.parametrize(
    "text",
    [
        "run,start,freeze\n1,R1,80,41.2\n2,R2,20,39.9\n",
        "run,start,freeze\nR1,80,0,41,2\nR2,20,5,39,9\n",
        "run,start, °C,freeze\nR1,80,41.2\nR2,20,39.9\n",
    ],
)
def test_a_heading_that_does_not_fit_its_rows_is_refused(read, text):
    source = read(text)
    assert source.tables == ()
    assert rules(source) == ["heading-width"]


def test_an_unnamed_first_column_is_kept(read):
    source = read(",run,start\n0,R1,80\n1,R2,20\n")
    assert headings(source) == ["", "run", "start"]


def test_key_and_value_above_a_table_of_two_columns(read):
    body = "".join(f"{i * 60},{80 - i}\n" for i in range(40))
    source = read("Box,four\nEvery,60\nTime (s),Temp (C)\n" + body)
    assert headings(source) == ["Time (s)", "Temp (C)"]
    assert source.tables[0].preamble == {"Box": "four", "Every": "60"}


def test_a_drawn_line_under_the_heading(read):
    source = read("| run | start |\n|-----|------:|\n| R1 | 80 |\n| R2 | 20 |\n", "runs.md")
    assert headings(source) == ["run", "start"]
    assert rows(source) == [[" R1 ", " 80 "], [" R2 ", " 20 "]]


def test_a_column_of_rules_in_the_records_is_kept(read):
    source = read("t_s,T_C\n0,20.1\n60,----\n120,18.2\n180,17.5\n")
    assert rows(source)[1] == ["60", "----"]


def test_ten_thousand_columns(read):
    names = [f"c{i}" for i in range(10_000)]
    source = read(",".join(names) + "\n" + ",".join(["1.5"] * 10_000) + "\n")
    assert headings(source) == names
    assert source.tables[0].columns[-1].text.to_pylist() == ["1.5"]


def test_cells_of_white_space_are_empty_and_outer_space_is_kept(read):
    source = read("run,lab,t\nR1,  ,41\nR2, B ,42\nR3,\u00a0,43\n")
    assert [row[1] for row in rows(source)] == [None, " B ", None]


def test_damage_below_a_title_is_not_the_end(read):
    source = read("Trials\n\nrun;start;freeze\nR1;80,0;41,2\nR2;20,0;39,9\n\nn = 2\n")
    assert headings(source) == ["run", "start", "freeze"]
    assert source.tables[0].footer == ("n = 2",)
