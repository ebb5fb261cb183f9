"""Faults planted by the schema: for every field a wrong type, range, unit and word.

The whole message, its place and its remedy are compared with what the schema says. The
wording is spelled here a second time, so that a change of either side is seen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import pytest
from naming_sheets import check_text

from metafreeze.errors import Fault
from metafreeze.register.answers import FileCheck
from metafreeze.register.meaning.units import DIMENSION_OF_UNIT, OFFERED
from metafreeze.register.schema import FIELDS, Field
from metafreeze.register.templates import heading_of

# A sound sheet of each kind: heading and two rows, to which one column is added.
SOUND = {
    "runs": (
        ("run", "start (°C)", "freeze (min)"),
        ("R1", "80", "41"),
        ("R2", "20", "39"),
    ),
    "summaries": (
        ("source", "arm", "start (°C)", "mean (min)", "SD (min)", "n"),
        ("A", "hot", "80", "41", "3", "12"),
        ("A", "cold", "20", "39", "2", "12"),
    ),
    "points": (
        ("source", "figure", "start (°C)", "time (min)", "reading error (min)"),
        ("A", "2", "80", "41", "1"),
        ("A", "2", "20", "39", "1"),
    ),
}

# Fields that stand in the sound sheets already: the planted column replaces that one.
IN_THE_WAY = {
    "run_id": "run",
    "arm": "arm",
    "start_temp_c": "start (°C)",
    "mean_s": "mean (min)",
    "sd_s": "SD (min)",
    "n_runs": "n",
    "time_reading_sd_s": "reading error (min)",
}

# Freezing times are windows with rules of their own, tested below.
TIMES = ("time_lower_s", "time_upper_s")

TYPED = [f for f in FIELDS if f.sheets and f.name not in TIMES]
NUMBERS = [f for f in TYPED if f.kind in ("number", "integer")]
CHOICES = [f for f in TYPED if f.kind == "choice"]
MEASURED = [f for f in NUMBERS if f.unit in DIMENSION_OF_UNIT]

# A cell that may hold more than a number says so in its remedy.
NOT_A_NUMBER = {
    "mean_s": "Enter it as a number, such as 41.2, as 41.2 ± 3.1, or as 40.0 (median), or leave "
    "the cell empty",
    "median_s": "Enter it as a number, such as 41.2, as 41.2 ± 3.1, or as 40.0 (median), or leave "
    "the cell empty",
    "contrast_value": "Enter the contrast as a number, or leave the cell empty",
}

# Words of columns that hold a choice and more.
WORDS_OF = {
    "error_bar_meaning": (
        "“nonsense” is no kind of spread",
        "Use one of SD, SE, 95% CI, IQR, range, none, unstated",
    ),
    "contrast_scale": (
        "“nonsense” is no kind of contrast",
        "Use one of hot - cold, cold - hot, ratio hot/cold, ratio cold/hot, log ratio, % change",
    ),
}


@dataclass(frozen=True)
class Plant:
    heading: str
    check: FileCheck

    def fault(self, rule: str) -> Fault:
        (found,) = [f for f in self.check.findings if f.rule == rule and f.location.row == 3]
        return found

    def place(self) -> str:
        return f"sheet.csv, row 3, column {self.heading}"


def unnamed(fault: Fault) -> str:
    """Write a fault without the name of its row, which published rows carry."""
    return str(fault).replace(', run "A"', "")


def plant(field: Field, cell: str, *, heading: str = "") -> Plant:
    """Check a sound sheet in which one cell of a field, in row 3, is `cell`."""
    kind = field.sheets[0]
    if field.name in (
        "contrast_value",
        "contrast_se",
        "contrast_low",
        "contrast_high",
        "contrast_scale",
    ):
        rows = [["source", "contrast_value"], ["A", "60"], ["B", "60"]]
        replaced = "contrast_value" if field.name == "contrast_value" else ""
    else:
        rows = [list(row) for row in SOUND[kind]]
        replaced = IN_THE_WAY.get(field.name, "")
    heading = heading or (field.name if field.unit == "s or none" else heading_of(field))
    if replaced:
        place = rows[0].index(replaced)
        before = rows[1][place]
        for row in rows:
            del row[place]
    else:
        before = ""
    if field.name == "error_bar_meaning":
        place = rows[0].index("SD (min)")
        rows[0][place] = "spread (min)"
        before = "SD"
    for row, added in zip(rows, (heading, before, cell), strict=True):
        row.append(added)
    text = "\n".join(";".join(row) for row in rows) + "\n"
    return Plant(heading, check_text(text))


def bounds(field: Field) -> str:
    unit = "" if field.unit in ("", "fraction", "s or none") else f" {field.unit}"
    if math.isfinite(field.high):
        start = f"above {field.low:g} and up to" if field.low_open else f"{field.low:g} to"
        return f"{start} {field.high:g}{unit}"
    return f"above {field.low:g}{unit}" if field.low_open else f"{field.low:g}{unit} or more"


def label(field: Field) -> str:
    return field.label[0].upper() + field.label[1:]


@pytest.mark.parametrize("field", NUMBERS, ids=lambda f: f.name)
def test_words_where_a_number_belongs(field: Field) -> None:
    planted = plant(field, "abc")
    fault = planted.fault("not-a-number")
    unit = f" in {field.unit}" if field.unit not in ("", "s or none") else ""
    what = "a whole number" if field.kind == "integer" else f"a number{unit}"
    remedy = NOT_A_NUMBER.get(field.name, f"Enter {field.label} as {what}, or leave the cell empty")
    assert unnamed(fault) == f"“abc” is not a number. {planted.place()}. {remedy}."
    assert (fault.severity, fault.value) == ("error", "abc")
    assert not planted.check.accepted


def outside(field: Field) -> list[str]:
    """Give numbers just outside a field's range, as typed under its heading."""
    per_unit = 60.0 if field.unit == "s" else 1.0
    cells = []
    if math.isfinite(field.low) and field.name != "n_runs":
        cells.append(field.low if field.low_open else field.low - 1)
    if field.name == "n_runs":
        # n = 0 is an arm without runs, which is said and no fault.
        cells.append(-1.0)
    if math.isfinite(field.high):
        cells.append(field.high + 6)
    return [f"{value / per_unit:.10g}" for value in cells]


RANGES = [(f, cell) for f in NUMBERS for cell in outside(f)]


@pytest.mark.parametrize(("field", "cell"), RANGES, ids=[f"{f.name} {c}" for f, c in RANGES])
def test_numbers_outside_the_range(field: Field, cell: str) -> None:
    planted = plant(field, cell)
    fault = planted.fault("out-of-range")
    shown = f"“{cell}”"
    if field.unit in ("s", "s or none"):
        # Contrasts carry no unit here and are read as minutes.
        shown += f" min ({float(cell) * 60:.4g} s)"
    assert str(fault) == (
        f"{label(field)} {shown} is outside {bounds(field)}. {planted.place()}. "
        f"Enter a value of {bounds(field)}, or leave the cell empty."
    )
    assert (fault.severity, fault.value) == ("error", cell)
    assert not planted.check.accepted


def test_every_finite_bound_is_planted() -> None:
    planted = len(RANGES)
    finite = sum(math.isfinite(f.low) + math.isfinite(f.high) for f in NUMBERS)
    assert planted == finite


@pytest.mark.parametrize("field", [f for f in NUMBERS if f.kind == "integer"], ids=lambda f: f.name)
def test_parts_where_a_count_belongs(field: Field) -> None:
    planted = plant(field, "2.5")
    assert str(planted.fault("not-whole")) == (
        f"{label(field)} “2.5” is not a whole number. {planted.place()}. "
        "Enter a whole number, or leave the cell empty."
    )


@pytest.mark.parametrize("field", CHOICES, ids=lambda f: f.name)
def test_words_outside_the_vocabulary(field: Field) -> None:
    planted = plant(field, "nonsense")
    fault = planted.fault("unknown-word")
    message, remedy = WORDS_OF.get(
        field.name,
        (
            f"“nonsense” is not a word for {field.label}",
            f"Use one of {', '.join(field.vocabulary)}",
        ),
    )
    assert unnamed(fault) == f"{message}. {planted.place()}. {remedy}."
    assert not planted.check.accepted


@pytest.mark.parametrize("field", CHOICES, ids=lambda f: f.name)
def test_every_word_of_the_vocabulary_is_read(field: Field) -> None:
    for word in field.vocabulary:
        check = plant(field, word).check
        assert "unknown-word" not in {f.rule for f in check.findings}, word
        stored = set(check.rows[field.name].to_pylist())
        if field.name == "error_bar_meaning":
            assert check.kind == "summaries"
        else:
            assert word in stored


@pytest.mark.parametrize("field", [f for f in TYPED if f.kind == "boolean"], ids=lambda f: f.name)
def test_what_is_neither_yes_nor_no(field: Field) -> None:
    planted = plant(field, "perhaps")
    assert str(planted.fault("not-yes-or-no")) == (
        f"“perhaps” is neither yes nor no. {planted.place()}. "
        "Enter yes or no, or leave the cell empty."
    )


@pytest.mark.parametrize("field", [f for f in TYPED if f.kind == "date"], ids=lambda f: f.name)
def test_what_is_no_date(field: Field) -> None:
    planted = plant(field, "soon")
    assert str(planted.fault("not-a-date")) == (
        f"“soon” is not a date. {planted.place()}. "
        "Enter the date as YYYY-MM-DD, or leave the cell empty."
    )


@pytest.mark.parametrize("field", MEASURED, ids=lambda f: f.name)
def test_a_bracket_that_is_no_unit(field: Field) -> None:
    heading = f"{field.label} (parsec)"
    planted = plant(field, "1", heading=heading)
    (fault,) = [f for f in planted.check.findings if f.rule == "unit-not-recognised"]
    units = ", ".join(OFFERED[DIMENSION_OF_UNIT[field.unit]])
    assert str(fault) == (
        f"“parsec” of “{heading}” is no unit of {field.label}. sheet.csv, column {heading}. "
        f'Answer with --unit "{heading}=UNIT"; units known here: {units}.'
    )
    assert fault.severity == "question"
    assert not planted.check.accepted


@pytest.mark.parametrize("field", MEASURED, ids=lambda f: f.name)
def test_a_unit_column_with_an_unknown_unit(field: Field) -> None:
    kind = field.sheets[0]
    rows = [list(row) for row in SOUND[kind]]
    if field.name in IN_THE_WAY:
        place = rows[0].index(IN_THE_WAY[field.name])
        for row in rows:
            del row[place]
    for row, added in zip(
        rows, ((field.label, f"{field.label} unit"), ("", ""), ("1", "parsec")), strict=True
    ):
        row.extend(added)
    check = check_text("\n".join(";".join(row) for row in rows) + "\n")
    (fault,) = [f for f in check.findings if f.rule == "unknown-unit"]
    units = ", ".join(OFFERED[DIMENSION_OF_UNIT[field.unit]])
    assert str(fault) == (
        f"“parsec” is no unit of {field.label}. sheet.csv, row 3, column {field.label} unit. "
        f"Use one of {units}."
    )


# One unit that measures something else, for each field that is measured.
def other_unit(field: Field) -> str:
    return "min" if field.unit == "g" else "kg"


@pytest.mark.parametrize("field", MEASURED, ids=lambda f: f.name)
def test_a_unit_of_something_else(field: Field) -> None:
    unit = other_unit(field)
    heading = f"{field.label} ({unit})"
    planted = plant(field, "1", heading=heading)
    (fault,) = [f for f in planted.check.findings if f.rule == "unit-not-recognised"]
    units = ", ".join(OFFERED[DIMENSION_OF_UNIT[field.unit]])
    assert str(fault) == (
        f"“{unit}” of “{heading}” is no unit of {field.label}. sheet.csv, column {heading}. "
        f'Answer with --unit "{heading}=UNIT"; units known here: {units}.'
    )
    assert fault.severity == "question"
    assert not planted.check.accepted


# What is said of a row in which one cell is empty: rule, severity and whole message. Of all other
# fields nothing is said, since they may be absent.
MISSED = {
    "start_temp_c": (
        "no-start-temperature",
        "note",
        "The start temperature is missing: the row cannot enter a model. {place}. Enter it, or "
        "leave the row as it is.",
    ),
    "n_runs": (
        "no-count",
        "note",
        "A, cold does not say how many runs it stands for. sheet.csv, row 3. Add a column “n”.",
    ),
    "mean_s": (
        "no-centre",
        "note",
        "There is neither a mean nor a median: the row is kept and left out. {place}.",
    ),
    "sd_s": (
        "no-spread",
        "note",
        "A, cold has no spread, so it cannot be weighed: kept and shown, left out of fits. "
        "sheet.csv, row 3. Add a column “SD (min)”, or another spread with its type.",
    ),
    "error_bar_meaning": (
        "bars-unstated",
        "question",
        "“2” of A does not say whether it is an SD, an SE, an interval or a range. sheet.csv, row "
        '3, column spread (min), run "A". Name it in a column “spread type”, or answer for all '
        "such rows with --bars SD, --bars SE, --bars CI95, --bars range, or --bars both to have it "
        "analysed as SD and as SE.",
    ),
    "contrast_value": (
        "cannot-be-weighed",
        "note",
        'B is left out: the effect is missing. {place}, run "B". Add what is missing, or leave the '
        "row as it is.",
    ),
    **dict.fromkeys(
        ("contrast_scale", "contrast_se", "contrast_low", "contrast_high"),
        (
            "cannot-be-weighed",
            "note",
            "B is left out: there is no variance, standard error or interval to weigh it by. "
            'sheet.csv, row 3, column {column}, run "B". Add what is missing, or leave the row as '
            "it is.",
        ),
    ),
}

# What an absent word is taken for, where it is not left open.
TAKEN_FOR = {
    "source_id": "sheet.csv",
    "error_bar_meaning": "unstated",
    "contrast_scale": "difference_s",
}


@pytest.mark.parametrize("field", TYPED, ids=lambda f: f.name)
def test_an_empty_cell(field: Field) -> None:
    planted = plant(field, "")
    about_row = [f for f in planted.check.findings if f.location.row == 3]
    rule, severity, message = MISSED.get(field.name, ("", "note", ""))
    assert [(f.rule, f.severity) for f in about_row] == ([(rule, severity)] if rule else [])
    column = planted.heading if field.name == "contrast_se" else "contrast_value"
    expected = message.format(place=planted.place(), column=column)
    assert [str(f) for f in about_row] == ([expected] if rule else [])
    assert planted.check.accepted == (severity == "note")
    assert planted.check.rows[field.name].to_pylist()[-1] == TAKEN_FOR.get(field.name)


@pytest.mark.parametrize("field", [f for f in TYPED if f.kind == "text"], ids=lambda f: f.name)
def test_text_of_any_kind_is_kept_as_typed(field: Field) -> None:
    for cell in ("abc", "80,5", "12.50", "1e3", "007", "=1+1", "../x", "Ж 冰 é"):
        planted = plant(field, cell)
        assert planted.check.rows[field.name].to_pylist()[-1] == cell, cell
        assert not [f for f in planted.check.findings if f.severity == "error"]


def test_a_kind_of_row_that_is_none_is_refused() -> None:
    check = check_text("run;start (°C);freeze (min);record_level\nR1;80;41;run\nR2;20;39;vessel\n")
    (fault,) = [f for f in check.findings if f.severity == "error"]
    assert str(fault) == (
        "“vessel” is not a word for kind of row. sheet.csv, row 3, column record_level. Use one "
        "of run, arm_summary, contrast_summary, pair_count."
    )


@pytest.mark.parametrize("name", ["file_name", "file_row", "as_reported", "derived"])
def test_what_the_way_in_writes_cannot_be_typed(name: str) -> None:
    plain = check_text("run;start (°C);freeze (min)\nR1;80;41\nR2;20;39\n")
    typed = check_text(f"run;start (°C);freeze (min);{name}\nR1;80;41;5\nR2;20;39;6\n")
    assert typed.rows[name].to_pylist() == plain.rows[name].to_pylist()


FAULTS_OF_A_KIND = {
    # Kind of field -> the planted faults that it must have.
    "text": {"missing", "any text"},
    "number": {"missing", "no number"},
    "integer": {"missing", "no number", "no whole number"},
    "choice": {"missing", "no word"},
    "boolean": {"missing", "neither yes nor no"},
    "date": {"missing", "no date"},
}


def test_every_field_has_every_fault_that_applies() -> None:
    """Fields and faults are counted from the schema, so that a new field cannot slip through."""
    ranged = {f.name for f, _ in RANGES}
    for field in FIELDS:
        if field.name in TIMES or not field.sheets:
            continue
        planted = {"missing"} if field in TYPED else set()
        planted |= {"no number"} if field in NUMBERS else set()
        planted |= {"no whole number"} if field in NUMBERS and field.kind == "integer" else set()
        planted |= {"no word"} if field in CHOICES else set()
        planted |= {"any text"} if field.kind == "text" and field in TYPED else set()
        planted |= {"neither yes nor no"} if field.kind == "boolean" and field in TYPED else set()
        planted |= {"no date"} if field.kind == "date" and field in TYPED else set()
        assert planted == FAULTS_OF_A_KIND[field.kind], field.name
        bounded = math.isfinite(field.low) or math.isfinite(field.high)
        assert (field.name in ranged) == bounded, field.name
        assert (field in MEASURED) == (field.unit in DIMENSION_OF_UNIT), field.name
    unplanted = {f.name for f in FIELDS if not f.sheets}
    assert unplanted == {
        *("record_level", "file_name", "sheet_name", "file_row", "as_reported", "derived")
    }


@pytest.mark.parametrize(
    ("cell", "rule", "message", "remedy"),
    [
        (
            "-5",
            "time-not-positive",
            "Freezing time is negative (“-5”)",
            "Enter the time since the vessel went in, or leave the cell empty and give a reason "
            "in a column “excluded because”",
        ),
        (
            "0",
            "time-not-positive",
            "Freezing time is zero (“0”)",
            "Enter the time since the vessel went in, or leave the cell empty and give a reason "
            "in a column “excluded because”",
        ),
        (
            "soon",
            "not-a-time",
            "“soon” is not a freezing time",
            "Enter a time (41), a window (35-40), >180 for not frozen after 180, <30 for frozen "
            "before the first look at 30, or leave the cell empty",
        ),
        (
            "40-35",
            "window-reversed",
            "The window “40-35” ends before it begins",
            "Write the earlier time first, such as 35-40",
        ),
    ],
)
def test_freezing_times_that_cannot_stand(cell: str, rule: str, message: str, remedy: str) -> None:
    check = check_text(f"run;start (°C);freeze (min)\nR1;80;41\nR2;20;{cell}\n")
    (fault,) = [f for f in check.findings if f.severity == "error"]
    assert fault.rule == rule
    assert str(fault) == f"{message}. sheet.csv, row 3, column freeze (min). {remedy}."
    assert check.ledger["unreadable"] == 1
    assert not check.accepted


def test_all_faults_are_reported_in_one_pass_with_their_lines() -> None:
    check = check_text('minutes,start_C\n41,80\nx,80\n,80\ny,80\n"9 1",200\n')
    found = [(f.rule, f.location.row, f.value) for f in check.findings if f.severity == "error"]
    assert found == [
        ("not-a-time", 3, "x"),
        ("not-a-time", 5, "y"),
        ("not-a-time", 6, "9 1"),
        ("out-of-range", 6, "200"),
    ]
    plain = check.to_dict()
    assert plain["accepted"] is False
    assert plain["findings"][0].keys() == {
        "sheet",
        "row",
        "column",
        "value",
        "rule",
        "message",
        "remedy",
        "severity",
    }


def test_very_many_faults_are_named_and_then_counted() -> None:
    rows = "".join(f"R{k},80,x{k}\n" for k in range(1500))
    check = check_text("run,start_C,freeze_min\n" + rows)
    found = [f for f in check.findings if f.rule == "not-a-time"]
    assert len(found) == 1001
    assert found[-1].message == "500 more like this, the last with “x1499”"
    assert check.ledger["unreadable"] == 1500
