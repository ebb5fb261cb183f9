"""Each of the small hard files is read into the right tables, or the finding says why not."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

from metafreeze.register.files.numbers import parse_numbers
from metafreeze.register.files.reading import read_file
from metafreeze.register.files.sheets import RawTable, SourceFile

CASES = Path(__file__).parents[1] / "cases"


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """What reading a file gives.

    Parameters
    ----------
    dialect : tuple
        Encoding, delimiter, decimal mark, grouping mark.
    tables : tuple
        Headings (with group and units row), row of the heading, records, first and last
        row, whether it is a trace.
    rules : list of str
        Severity and rule of the findings.
    """

    dialect: tuple[str, str, str, str]
    tables: tuple[tuple[tuple[str, ...], int, int, int, int, bool], ...]
    rules: list[str]


EXPECTED: dict[str, Expected] = {
    "l01_hash_preamble.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("Elapsed (s)", "Cup 1 (°C)"), 7, 92, 8, 99, True),),
        rules=["note:preamble"],
    ),
    "l02_keyvalue_preamble_footer.txt": Expected(
        dialect=("windows-1252", ";", ",", ""),
        tables=((("Row", "Clock", "Water"), 8, 68, 9, 76, True),),
        rules=["note:encoding-guessed", "note:footer", "note:preamble"],
    ),
    "l03_three_header_rows.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=(
            (
                ("Clock local", "Probe 1 hot cup [deg C]", "Probe 2 cold cup [deg C]"),
                2,
                68,
                4,
                71,
                True,
            ),
        ),
        rules=["note:heading-rows"],
    ),
    "l04_elapsed_over_24h.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("elapsed", "T_C"), 1, 61, 2, 62, True),),
        rules=[],
    ),
    "l05_elapsed_two_fields.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("elapsed", "T_C"), 1, 79, 2, 80, True),),
        rules=[],
    ),
    "l06_mixed_utc_offsets.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("time", "T_C"), 1, 32, 2, 33, True),),
        rules=[],
    ),
    "l07_four_samples_per_second_truncated_stamps.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("time", "T_C"), 1, 327, 2, 328, True),),
        rules=[],
    ),
    "l08_duplicate_rows_one_conflicting.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("time", "T_C"), 1, 88, 2, 89, True),),
        rules=[],
    ),
    "l09_clock_reset_header_repeated.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("time", "T_C"), 1, 86, 2, 88, True),),
        rules=["note:heading-again"],
    ),
    "l10_sentinels_and_status_text.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("t_s", "T_C"), 1, 86, 2, 87, True),),
        rules=[],
    ),
    "l11_tab_separated_named_xls_fahrenheit.xls": Expected(
        dialect=("utf-8", "\t", ".", ""),
        tables=((("Elapsed (s)", "Water (F)"), 1, 92, 2, 93, True),),
        rules=[],
    ),
    "l12_gap_over_nucleation.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("t_s", "T_C"), 1, 58, 2, 59, True),),
        rules=[],
    ),
    "l13_supercooled_never_freezes.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("t_s", "T_C"), 1, 120, 2, 121, True),),
        rules=[],
    ),
    "l14_half_degree_resolution_ties.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("t_s", "T_C"), 1, 120, 2, 121, True),),
        rules=[],
    ),
    "l15_door_opening_bump.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("t_s", "T_C"), 1, 164, 2, 165, True),),
        rules=[],
    ),
    "l16_event_rows_interleaved.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=(
            (
                ("#", "Clock UTC+01:00", "Water °C (probe 0000)", "What happened"),
                1,
                95,
                2,
                96,
                True,
            ),
        ),
        rules=["note:day-order-undecidable"],
    ),
    "l17_side_by_side_blocks.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=(
            (("Time1 (s)", "T1 (C)"), 1, 92, 2, 93, True),
            (("Time2 (s)", "T2 (C)"), 1, 46, 2, 47, True),
        ),
        rules=[],
    ),
    "l18_twelve_hour_local_markers.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("clock", "water_C"), 1, 32, 2, 33, True),),
        rules=[],
    ),
    "l19_headerless_epoch_nan.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("", "", "", "", ""), 0, 68, 1, 68, True),),
        rules=["note:no-heading"],
    ),
    "l20_no_time_column_fixed_rate.txt": Expected(
        dialect=("utf-8", "", ".", ""),
        tables=((("Water temperature",), 5, 183, 6, 188, True),),
        rules=["note:preamble"],
    ),
    "l21_stop_trigger_row.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("Day", "Clock", "1 water [degC]"), 2, 87, 4, 90, True),),
        rules=["note:heading-rows"],
    ),
    "l22_local_and_utc_columns_disagree.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("local clock", "UTC clock", "water_C"), 1, 86, 2, 87, True),),
        rules=[],
    ),
    "r01_semicolon_decimal_comma_cp1252.csv": Expected(
        dialect=("windows-1252", ";", ",", ""),
        tables=(
            (
                (
                    "Versuch",
                    "Labor",
                    "Gefäß",
                    "Starttemp. (°C)",
                    "Außentemp. (°C)",
                    "Gefrierzeit (min)",
                ),
                1,
                4,
                2,
                5,
                False,
            ),
        ),
        rules=["note:encoding-guessed"],
    ),
    "r02_decimal_comma_dot_grouping.csv": Expected(
        dialect=("utf-8", ";", ",", "."),
        tables=((("run", "start_C", "freeze_s"), 1, 4, 2, 5, False),),
        rules=[],
    ),
    "r02b_ambiguous_dot_only.csv": Expected(
        dialect=("utf-8", ";", ",", ""),
        tables=((("run", "start_C", "freeze_s"), 1, 3, 2, 4, False),),
        rules=["question:grouping-undecidable"],
    ),
    "r03_bom_quoted_headers.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("run", "lab", "start_C", "freeze_min"), 1, 2, 2, 3, False),),
        rules=[],
    ),
    "r04_utf16_tab.txt": Expected(
        dialect=("utf-16-le", "\t", ".", ""),
        tables=((("run", "lab", "start °C", "freeze min"), 1, 2, 2, 3, False),),
        rules=[],
    ),
    "r05_trailing_delimiter_all_rows.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("run", "start_C", "freeze_min"), 1, 3, 2, 4, False),),
        rules=["note:trailing-delimiter"],
    ),
    "r06_units_row_under_header.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("run [-]", "start [°C]", "ambient [°C]", "freeze [min]"), 1, 3, 3, 5, False),),
        rules=[],
    ),
    "r07_mixed_units_per_row.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("run", "start", "start_unit", "freeze", "freeze_unit"), 1, 5, 2, 6, False),),
        rules=[],
    ),
    "r08_day_first_mixed.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("run", "date", "start_C", "freeze_min"), 1, 4, 2, 5, False),),
        rules=[],
    ),
    "r08b_day_month_undecidable.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("run", "date", "start_C", "freeze_min"), 1, 2, 2, 3, False),),
        rules=["question:day-order-undecidable"],
    ),
    "r09_na_like_labels.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("run", "lab", "water", "container", "freeze_min"), 1, 4, 2, 5, False),),
        rules=[],
    ),
    "r10_identifier_traps.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("run", "batch", "start_C", "freeze_min"), 1, 4, 2, 5, False),),
        rules=[],
    ),
    "r11_duplicate_columns.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("run", "T", "T", "T", "freeze_min"), 1, 2, 2, 3, False),),
        rules=["note:duplicate-heading"],
    ),
    "r12_unicode_minus_nbsp.csv": Expected(
        dialect=("utf-8", ",", ".", " "),
        tables=((("run", "start_C", "nucleation_C", "freeze_s"), 1, 4, 2, 5, False),),
        rules=[],
    ),
    "r13_censored_outcomes_as_text.csv": Expected(
        dialect=("utf-8", ",", "", ""),
        tables=((("run", "lab", "start_C", "freeze_min"), 1, 9, 2, 10, False),),
        rules=[],
    ),
    "r14_totals_and_duplicates.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("run", "lab", "start_C", "freeze_min"), 1, 8, 2, 9, False),),
        rules=[],
    ),
    "r15_nominal_start_temperatures.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("run", "start_C", "freeze_min"), 1, 7, 2, 8, False),),
        rules=[],
    ),
    "r16_missing_lab_label.csv": Expected(
        dialect=("utf-8", ",", "", ""),
        tables=((("run", "lab", "start_C", "freeze_min"), 1, 8, 2, 9, False),),
        rules=[],
    ),
    "r17_run_numbers_restart_per_lab.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("run", "lab", "start_C", "freeze_min"), 1, 18, 2, 19, False),),
        rules=[],
    ),
    "r18_no_between_lab_spread.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("run", "lab", "protocol", "start_C", "freeze_min"), 1, 48, 2, 49, False),),
        rules=[],
    ),
    "r19_constant_arm_timer_resolution.csv": Expected(
        dialect=("utf-8", ",", "", ""),
        tables=((("run", "lab", "start_C", "freeze_min"), 1, 10, 2, 11, False),),
        rules=[],
    ),
    "r20_two_runs_per_lab_slopes.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("run", "lab", "start_C", "freeze_min"), 1, 10, 2, 11, False),),
        rules=[],
    ),
    "s01_spread_type_mixed.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=(
            (
                ("source", "arm", "start_C", "mean_min", "spread", "spread_type", "n"),
                1,
                10,
                2,
                11,
                False,
            ),
        ),
        rules=[],
    ),
    "s02_rows_that_cannot_pool.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("source", "effect_min", "variance", "n_hot", "n_cold"), 1, 7, 2, 8, False),),
        rules=[],
    ),
    "s03_sign_and_endpoint_differ.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("source", "contrast", "endpoint", "value_min", "se_min"), 1, 5, 2, 6, False),),
        rules=[],
    ),
    "s04_inconsistent_rows.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("source", "mean_diff", "ci_low", "ci_high", "p", "n_total"), 1, 5, 2, 6, False),),
        rules=[],
    ),
    "s05_duplicate_study_names.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("source", "effect_min", "variance"), 1, 5, 2, 6, False),),
        rules=[],
    ),
    "s06_homogeneous.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("source", "effect_min", "variance"), 1, 4, 2, 5, False),),
        rules=[],
    ),
    "s07_two_studies.csv": Expected(
        dialect=("utf-8", ",", ".", ""),
        tables=((("source", "effect_min", "variance"), 1, 2, 2, 3, False),),
        rules=[],
    ),
    "x01_merged_headers_and_labels.xlsx": Expected(
        dialect=("", "", "", ""),
        tables=(
            (
                (
                    "Lab",
                    "Hot (80 °C) / mean",
                    "Hot (80 °C) / SD",
                    "Hot (80 °C) / n",
                    "Cold (20 °C) / mean",
                    "Cold (20 °C) / SD",
                    "Cold (20 °C) / n",
                ),
                2,
                4,
                3,
                6,
                False,
            ),
        ),
        rules=["note:heading-rows", "note:merged-cells"],
    ),
    "x02_formula_without_cached_value.xlsx": Expected(
        dialect=("", "", "", ""),
        tables=((("run", "start", "end", "freeze_min"), 1, 2, 2, 3, False),),
        rules=["error:formula-without-value"],
    ),
    "x03_ids_turned_into_dates_text_numbers.xlsx": Expected(
        dialect=("", "", "undecidable", ""),
        tables=((("run", "freeze_min", "note"), 1, 4, 2, 5, False),),
        rules=["error:dates-among-labels", "error:decimal-contradiction"],
    ),
    "x04_title_hidden_row_second_table.xlsx": Expected(
        dialect=("", "", "", ""),
        tables=(
            (("run", "lab", "start_C", "freeze_min"), 4, 4, 5, 8, False),
            (("run", "probe", "offset_C"), 12, 2, 13, 14, False),
        ),
        rules=["note:another-table", "note:footer", "note:preamble"],
    ),
    "x05_sheet_per_lab_different_units.xlsx": Expected(
        dialect=("", "", "", ""),
        tables=(
            (("run", "start_C", "freeze_min"), 1, 2, 2, 3, False),
            (("freeze_s", "run", "start_F"), 1, 2, 2, 3, False),
        ),
        rules=["note:notes-only"],
    ),
    "x06_dates_as_column_headers.xlsx": Expected(
        dialect=("", "", "", ""),
        tables=((("run", "2025-02-11", "2025-02-12", "45700"), 1, 2, 2, 3, False),),
        rules=[],
    ),
}


def read(name: str) -> SourceFile:
    return read_file(CASES / name)


def describe(table: RawTable) -> tuple[tuple[str, ...], int, int, int, int, bool]:
    headings = tuple(
        (f"{c.group} / " if c.group else "") + c.heading + (f" [{c.unit}]" if c.unit else "")
        for c in table.columns
    )
    first, last = int(table.file_rows[0]), int(table.file_rows[-1])
    return headings, table.header_row, table.n_rows, first, last, table.is_trace


def cells(table: RawTable, heading: str) -> list[str | None]:
    (column,) = [c for c in table.columns if c.heading == heading]
    return column.text.to_pylist()


def numbers(source: SourceFile, heading: str) -> list[float]:
    (column,) = [c for c in source.tables[0].columns if c.heading == heading]
    values, bad = parse_numbers(column.text, source.dialect)
    assert not bad.any()
    return values.tolist()


def test_every_file_has_an_expectation():
    assert sorted(EXPECTED) == sorted(p.name for p in CASES.glob("[rlsx]*"))


@pytest.mark.parametrize("name", EXPECTED)
def test_structure_and_decisions(name):
    source, expected = read(name), EXPECTED[name]
    dialect = source.dialect
    found = (dialect.encoding, dialect.delimiter, dialect.decimal, dialect.grouping)
    assert found == expected.dialect
    assert tuple(describe(t) for t in source.tables) == expected.tables
    assert sorted({f"{f.severity}:{f.rule}" for f in source.findings}) == expected.rules


@pytest.mark.parametrize("name", [n for n in EXPECTED if n[0] in "rs"])
def test_every_line_of_a_table_of_runs_is_heading_units_or_record(name):
    source = read(name)
    (table,) = source.tables
    data = (CASES / name).read_bytes()
    lines = data.decode("utf-16" if source.dialect.encoding.startswith("utf-16") else "latin-1")
    n_units = int(any(c.unit for c in table.columns))
    assert table.n_rows + table.header_row + n_units == len(lines.splitlines())
    assert not table.unreadable
    assert all(len(c.text) == table.n_rows for c in table.columns)


def test_umlauts_and_decimal_commas():
    source = read("r01_semicolon_decimal_comma_cp1252.csv")
    assert cells(source.tables[0], "Labor") == ["Nord", "Nord", "Süd", "Süd"]
    assert numbers(source, "Starttemp. (°C)") == [80.0, 20.0, 80.5, 19.5]
    assert numbers(source, "Gefrierzeit (min)") == [41.5, 38.25, 47.0, 44.75]


def test_dots_group_thousands_on_some_rows():
    source = read("r02_decimal_comma_dot_grouping.csv")
    assert numbers(source, "freeze_s") == [955.0, 2490.5, 1241.5, 3012.0]


def test_a_doubtful_dot_is_asked_about_and_never_read():
    source = read("r02b_ambiguous_dot_only.csv")
    (question,) = [f for f in source.findings if f.severity == "question"]
    assert "1.241" in question.message
    assert "--decimal ," in question.remedy
    assert (question.location.row, question.location.column) == (2, "freeze_s")
    assert numbers(source, "start_C") == [80.0, 20.0, 60.0]
    (column,) = [c for c in source.tables[0].columns if c.heading == "freeze_s"]
    _, bad = parse_numbers(column.text, source.dialect)
    assert bad.all()


def test_nothing_is_shifted_by_a_trailing_delimiter():
    source = read("r05_trailing_delimiter_all_rows.csv")
    assert cells(source.tables[0], "run") == ["R1", "R2", "R3"]
    assert numbers(source, "start_C") == [80, 20, 60]
    assert numbers(source, "freeze_min") == [41.2, 39.9, 40.4]


def test_day_order_from_all_rows_of_the_column():
    first = read("r08_day_first_mixed.csv").tables[0]
    assert [c.day_order for c in first.columns] == ["", "day-first", "", ""]
    open_order = read("r08b_day_month_undecidable.csv")
    assert open_order.tables[0].columns[1].day_order == "undecidable"
    (question,) = [f for f in open_order.findings if f.severity == "question"]
    assert "--day-order day-first or --day-order month-first" in question.remedy


def test_words_for_nothing_stay_labels():
    table = read("r09_na_like_labels.csv").tables[0]
    assert cells(table, "lab") == ["NA", "NA", "North", "North"]
    assert cells(table, "water") == ["tap", "null", "nan", "tap"]
    assert cells(table, "container") == ["None", "cup", "cup", "n/a"]
    assert cells(table, "freeze_min") == ["41.2", "39.9", None, "n/a"]


def test_identifiers_stay_verbatim():
    table = read("r10_identifier_traps.csv").tables[0]
    assert cells(table, "run") == ["007", "012", "0012", "12"]
    assert cells(table, "batch") == ["1E5", "2E3", "1-2", "10_000"]


def test_typographic_minus_and_spaces_inside_numbers():
    source = read("r12_unicode_minus_nbsp.csv")
    assert numbers(source, "nucleation_C") == [-6.5, -5.0, -4.5, -3.9]
    assert numbers(source, "freeze_s") == [2472, 2394, 2401, 2394]


def test_nearly_equal_numbers_stay_apart():
    source = read("r15_nominal_start_temperatures.csv")
    assert numbers(source, "start_C")[:4] == [20.0, 20.0, 19.999999999999996, 20.1]


def test_blank_labels_are_null_and_spaces_are_kept():
    table = read("r16_missing_lab_label.csv").tables[0]
    assert cells(table, "lab") == ["A", "A", None, None, "B", "B", " B", "b"]


def test_preamble_and_footer_of_a_log():
    table = read("l02_keyvalue_preamble_footer.txt").tables[0]
    assert table.preamble["Time zone"] == "UTC+01:00"
    assert table.preamble["Every"] == "00:01:00"
    assert table.preamble["Trial"] == "cup 3, start 20 °C"
    assert table.footer == ("Readings;68", "Lowest;-8,0", "Highest;20,0", "That is all")


def test_commented_preamble_keeps_the_probe_offset():
    preamble = read("l01_hash_preamble.csv").tables[0].preamble
    assert preamble["Probe offset applied"] == "-0.3 C"
    assert preamble["Start"] == "2025-02-11 09:00:00"


def test_rate_stated_above_a_single_column():
    table = read("l20_no_time_column_fixed_rate.txt").tables[0]
    assert table.preamble["Reading every (hh:mm:ss)"] == "00:00:30"
    assert table.preamble["First reading at"] == "09:00:00"
    assert "stated rate" in table.because


def test_a_heading_that_stands_again_breaks_the_log():
    table = read("l09_clock_reset_header_repeated.csv").tables[0]
    assert table.breaks == (43,)
    assert table.file_rows[42:44].tolist() == [44, 46]


def test_first_row_without_heading_is_a_record():
    table = read("l19_headerless_epoch_nan.csv").tables[0]
    assert table.columns[0].text[0].as_py() == "1739264400"
    assert [c.heading for c in table.columns] == [""] * 5


def test_merged_labels_fill_their_span_only():
    table = read("x01_merged_headers_and_labels.xlsx").tables[0]
    assert cells(table, "Lab") == ["A", "A", "B", "B"]
    hot = [c for c in table.columns if c.group == "Hot (80 °C)"]
    assert [c.text.to_pylist()[3] for c in hot] == [None, None, "0"]


def test_formulas_without_value_are_named_cell_by_cell():
    faults = read("x02_formula_without_cached_value.xlsx").findings
    assert [(f.location.row, f.location.column) for f in faults] == [
        (2, "freeze_min"),
        (3, "freeze_min"),
    ]


def test_labels_turned_into_dates_are_reported_and_not_guessed():
    source = read("x03_ids_turned_into_dates_text_numbers.xlsx")
    table = source.tables[0]
    assert cells(table, "run") == ["3-1", "2025-01-03", "3-2", "2025-02-03"]
    dates = table.columns[0].dates
    assert dates is not None and dates.tolist() == [False, True, False, True]
    values, bad = parse_numbers(table.columns[1].text, source.dialect)
    assert values.tolist() == [41.2, 39.9, 40.4, 42.0]
    assert not bad.any()


def test_hidden_rows_are_flagged_and_the_second_table_stands_apart():
    source = read("x04_title_hidden_row_second_table.xlsx")
    hidden = source.tables[0].hidden
    assert hidden is not None and hidden.tolist() == [False, False, True, False]
    assert source.tables[0].footer == ("Excluded: R3 (probe fell out, row hidden)",)


def test_sheets_are_tables_and_notes_are_not():
    source = read("x05_sheet_per_lab_different_units.xlsx")
    assert [t.sheet for t in source.tables] == ["Lab A", "Lab B"]
    (note,) = source.findings
    assert (note.rule, note.location.sheet) == ("notes-only", "README")


def test_dates_as_headings():
    table = read("x06_dates_as_column_headers.xlsx").tables[0]
    assert [c.heading_is_date for c in table.columns] == [False, True, True, False]
