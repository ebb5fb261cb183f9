"""Columns that hold a schema field as it is: read, converted, checked, reported.

The checks derive from the schema: type, range and vocabulary of the field decide what a
cell may hold and what the message says.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.register.files.sheets import Column, Dialect
from metafreeze.register.meaning.findings import Findings
from metafreeze.register.meaning.headings import target_dimension, target_words
from metafreeze.register.meaning.named import NamedColumn, NamedTable
from metafreeze.register.meaning.units import Unit, find_unit, offered
from metafreeze.register.meaning.values import (
    NumberCells,
    Problem,
    RowUnits,
    cell_text,
    read_choices,
    read_dates,
    read_flags,
    read_numbers,
    trimmed,
)
from metafreeze.register.meaning.words import NO, YES, is_missing, plain_word
from metafreeze.register.rows.drafts import Draft, joined
from metafreeze.register.schema import FIELD, Field

BoolArray = npt.NDArray[np.bool_]
FloatArray = npt.NDArray[np.float64]

# Dimensions in which a bare number has a usual unit; elsewhere a unit must be said.
USUAL_UNIT = {"concentration": "mg/L", "conductivity": "µS/cm"}

# Labels that group rows; spellings that differ in case or spaces only are reported.
GROUPING_LABELS = (
    "lab_id",
    "source_id",
    "session_id",
    "block_id",
    "vessel_material",
    "position_id",
    "probe_type",
)

# More different labels than this are names of single things, not of groups.
MANY_LABELS = 1000

# Excel-style numbers turned into dates are damage in columns that hold names.
_NAME_FIELDS = frozenset(
    (
        "lab_id",
        "block_id",
        "run_id",
        "specimen_id",
        "source_id",
        "arm",
        "vessel_material",
        "position_id",
        "locator",
        "extraction_id",
    )
)


def bounds_in_words(field: Field) -> str:
    """Write the range of a field, such as ``0 to 100 °C`` or ``above 0 s``."""
    unit = f" {field.unit}" if field.unit not in ("", "fraction", "s or none") else ""
    if math.isfinite(field.low) and math.isfinite(field.high):
        start = f"above {field.low:g} and up to" if field.low_open else f"{field.low:g} to"
        return f"{start} {field.high:g}{unit}"
    if math.isfinite(field.low):
        return f"above {field.low:g}{unit}" if field.low_open else f"{field.low:g}{unit} or more"
    return "any finite number"


def out_of_range(field: Field, values: FloatArray) -> BoolArray:
    """Mask values outside a field's range, shape (n,); NaN is inside, infinity is not."""
    low = values <= field.low if field.low_open else values < field.low
    return low | (values > field.high) | np.isinf(values)


def read_row_units(named: NamedColumn, draft: Draft, findings: Findings) -> RowUnits | None:
    """Read the unit column that belongs to a column, one unit for each record."""
    column = named.unit_column
    if column is None:
        return None
    dimension = target_dimension(named.target)
    encoded = trimmed(column.text).dictionary_encode()
    units = [find_unit(text, dimension=dimension) for text in encoded.dictionary.to_pylist()]
    codes = pc.fill_null(encoded.indices, -1).to_numpy(zero_copy_only=False)
    texts = encoded.dictionary.to_pylist()
    for code, unit in enumerate(units):
        if unit is not None or is_missing(texts[code]):
            continue
        for at in np.flatnonzero(codes == code):
            findings.add(
                "error",
                "unknown-unit",
                f"“{texts[code]}” is no unit of {target_words(named.target)}",
                remedy=f"Use one of {offered(dimension)}",
                table=draft.table,
                column=column,
                at=int(at),
                value=texts[code],
            )
    return [units[code] if code >= 0 else None for code in codes]


def read_field(named: NamedColumn, draft: Draft, dialect: Dialect, findings: Findings) -> None:
    """Read a column of a schema field into a draft that has one row for each record.

    Parameters
    ----------
    named : NamedColumn
        A column whose target is a schema field.
    draft : Draft
        Receives the values.
    dialect : Dialect
        How numbers look.
    findings : Findings
        Receives what is wrong.
    """
    field = FIELD[named.target]
    if field.kind == "text":
        draft.columns[field.name] = read_labels(named, draft, findings)
    elif field.kind == "choice":
        words, problems = read_choices(named.column, field.name)
        draft.columns[field.name] = words
        _report(named, problems, draft, findings)
    elif field.kind == "boolean":
        flags, problems = read_flags(named.column)
        draft.columns[field.name] = flags
        _report(named, problems, draft, findings)
    elif field.kind == "date":
        dates, problems = read_dates(named.column)
        draft.columns[field.name] = dates
        if named.column.day_order != "undecidable":
            _report(named, problems, draft, findings)
        _note_iso(named, dates, draft)
    else:
        if field.name == "p_value":
            _set_bounds_of_p_aside(named, draft, findings)
        draft.columns[field.name] = read_quantity(named, draft, dialect, findings).values


_P_BOUND = r"^\s*(?:[pP]\s*)?[<>≤≥]\s*[0.,]|^(?:n\.?\s?s\.?|NS|not significant)$"


def _set_bounds_of_p_aside(named: NamedColumn, draft: Draft, findings: Findings) -> None:
    """Keep `<0.001` and `n.s.` as typed: a bound on p is no p."""
    bound = pc.fill_null(pc.match_substring_regex(named.labels, _P_BOUND), False)
    at = bound.to_numpy(zero_copy_only=False)
    if not at.any():
        return
    draft.note_typed(named.name, named.labels, "", at)
    for place in np.flatnonzero(at):
        findings.add(
            "note",
            "bound-of-p",
            f"“{cell_text(named.column, place)}” is a bound and no p-value: kept as typed",
            table=draft.table,
            column=named.column,
            at=int(place),
            value=cell_text(named.column, place),
        )
    named.forget_cells(at)


def _note_iso(named: NamedColumn, dates: pa.StringArray, draft: Draft) -> None:
    """Keep dates as typed where ISO 8601 spells them otherwise."""
    typed = named.labels
    changed = pc.fill_null(pc.not_equal(typed, dates), False).to_numpy(zero_copy_only=False)
    draft.note_typed(named.name, typed, "", changed)


def read_labels(named: NamedColumn, draft: Draft, findings: Findings) -> pa.StringArray:
    """Read a column of labels: verbatim but for outer white space; null where empty."""
    labels = named.labels
    dates = named.column.dates
    if dates is not None and dates.any() and named.target in _NAME_FIELDS:
        known = findings.damage_reported(named.column)
        for at in np.flatnonzero(dates) if not known else ():
            findings.add(
                "error",
                "date-in-label",
                f"“{cell_text(named.column, at)}” is stored as a date in a column of names; "
                "what was typed before is lost",
                remedy="Type the name again with the cell formatted as text, or leave the column "
                f'out with --map "{named.name}=ignore"',
                table=draft.table,
                column=named.column,
                at=int(at),
                value=cell_text(named.column, at),
            )
        draft.note_typed(named.name, labels, "(a date)", np.asarray(dates))
        labels = pc.if_else(pa.array(dates), pa.scalar(None, pa.string()), labels)
    if named.target in GROUPING_LABELS:
        _report_near_duplicates(named, draft, findings)
    return labels


def _report_near_duplicates(named: NamedColumn, draft: Draft, findings: Findings) -> None:
    """Report labels that differ in case, hyphens or spaces only."""
    different = pc.unique(named.column.text).drop_null().to_pylist()
    if len(different) > MANY_LABELS:
        return
    alike: dict[str, list[str]] = {}
    for label in different:
        if label.strip():
            alike.setdefault(plain_word(label).replace(" ", ""), []).append(label)
    for spellings in alike.values():
        if len(spellings) < 2:
            continue
        shown = " and ".join(f"“{s}”" for s in spellings)
        kept = len({s.strip() for s in spellings})
        findings.add(
            "note",
            "near-duplicate-labels",
            f"{shown} in “{named.name}” differ in case or spaces only"
            + (f"; read as {kept} different labels" if kept > 1 else "; read as one label"),
            remedy="Spell them alike if they are the same",
            table=draft.table,
            column=named.column,
            value=spellings[1],
        )


def read_quantity(
    named: NamedColumn, draft: Draft, dialect: Dialect, findings: Findings
) -> NumberCells:
    """Read a column of a number field: converted, in range, whole where it counts.

    Returns
    -------
    NumberCells
        Values in the schema's unit, shape (records,); NaN where absent or refused.
    """
    target = named.target
    field = FIELD.get(target)
    dimension = target_dimension(target)
    low = field.low if field is not None else 0.0
    row_units = read_row_units(named, draft, findings)
    unit = named.unit
    if unit is None and dimension in USUAL_UNIT:
        unit = find_unit(USUAL_UNIT[dimension], dimension=dimension)
        _note_usual(named, unit, draft, findings)
    cells = read_numbers(
        named.column, dialect, unit=unit, dimension=dimension, low=low, row_units=row_units
    )
    if dimension == "fraction" and unit is None:
        _settle_share(named, cells, draft, findings)
    elif dimension and unit is None:
        ask_for_unit(named, cells, row_units, draft, findings)
    _report(named, cells.problems, draft, findings)
    typed = named.labels
    changed = cells.spelled.copy()
    if unit is not None and not unit.is_plain:
        changed |= ~np.isnan(cells.values)
    if row_units is not None:
        changed |= ~np.isnan(cells.values)
    draft.note_typed(named.name, typed, unit_suffix(named), changed)
    if field is not None:
        _check_range(named, field, cells, draft, findings)
    return cells


def unit_suffix(named: NamedColumn) -> str | pa.StringArray:
    """Give the unit to write after a typed cell, where its heading does not show it."""
    if named.unit_column is not None:
        return trimmed(named.unit_column.text)
    return named.unit.name if named.unit is not None and named.unit_from != "heading" else ""


def _note_usual(named: NamedColumn, unit: Unit | None, draft: Draft, findings: Findings) -> None:
    if unit is None or not named.glance.texts or named.unit_column is not None:
        return
    findings.add(
        "note",
        "unit-assumed",
        f"“{named.name}” carries no unit: read in {unit.name}",
        remedy=f'Otherwise answer with --unit "{named.name}=UNIT"; units known here: '
        f"{offered(target_dimension(named.target))}",
        table=draft.table,
        column=named.column,
    )


def _settle_share(named: NamedColumn, cells: NumberCells, draft: Draft, findings: Findings) -> None:
    """Read shares above one as percent: nothing else can be meant."""
    values = cells.values
    if not (values > 1).any():
        return
    bare = ~cells.spelled
    cells.values = np.where(bare, values / 100, values)
    findings.add(
        "note",
        "unit-assumed",
        f"“{named.name}” carries no unit and goes above 1: read in %",
        remedy=f'Otherwise answer with --unit "{named.name}=fraction"',
        table=draft.table,
        column=named.column,
    )


def ask_for_unit(
    named: NamedColumn,
    cells: NumberCells,
    row_units: RowUnits | None,
    draft: Draft,
    findings: Findings,
) -> None:
    """Ask for the unit of bare numbers and read none of them until it is known."""
    given = [u is not None for u in row_units] if row_units is not None else False
    # The type is named, since a table may have no rows.
    bare = ~np.isnan(cells.values) & ~cells.spelled & ~np.asarray(given, dtype=np.bool_)
    if not bare.any():
        return
    dimension = target_dimension(named.target)
    first = int(np.flatnonzero(bare)[0])
    if named.unit_from != "asked" and dimension != "temperature":
        findings.add(
            "question",
            "unit-missing",
            f"“{named.name}” carries no unit, so “{cell_text(named.column, first)}” can mean "
            "different amounts",
            remedy=f'Answer with --unit "{named.name}=UNIT"; units known here: '
            f"{offered(dimension)}",
            table=draft.table,
            column=named.column,
            value=cell_text(named.column, first),
        )
    draft.note_typed(named.name, named.labels, "(no unit)", bare)
    cells.values = np.where(bare, np.nan, cells.values)


def report_range(
    named: NamedColumn,
    field: Field,
    value: float,
    at: int,
    draft: Draft,
    findings: Findings,
    *,
    bare: bool,
) -> None:
    """Report a value outside its field's range; a bare number with what it was read as."""
    typed = cell_text(named.column, at)
    shown = f"“{typed}”"
    if bare and named.unit is not None and not named.unit.is_plain:
        shown += f" {named.unit.name} ({value:.4g} {field.unit.removesuffix(' or none')})"
    bounds = bounds_in_words(field)
    findings.add(
        "error",
        "out-of-range",
        f"{field.label[:1].upper()}{field.label[1:]} {shown} is outside {bounds}",
        remedy=f"Enter a value of {bounds}, or leave the cell empty",
        table=draft.table,
        column=named.column,
        at=at,
        value=typed,
    )


def _check_range(
    named: NamedColumn, field: Field, cells: NumberCells, draft: Draft, findings: Findings
) -> None:
    wrong = out_of_range(field, cells.values)
    for at in np.flatnonzero(wrong):
        bare = not cells.spelled[at]
        report_range(named, field, float(cells.values[at]), int(at), draft, findings, bare=bare)
    values = np.where(wrong, np.nan, cells.values)
    if field.kind == "integer":
        broken = ~np.isnan(values) & (values != np.round(values))
        for at in np.flatnonzero(broken):
            findings.add(
                "error",
                "not-whole",
                f"{field.label[:1].upper()}{field.label[1:]} "
                f"“{cell_text(named.column, at)}” is not a whole number",
                remedy="Enter a whole number, or leave the cell empty",
                table=draft.table,
                column=named.column,
                at=int(at),
                value=cell_text(named.column, at),
            )
        values = np.where(broken, np.nan, values)
    cells.values = values


def _report(named: NamedColumn, problems: list[Problem], draft: Draft, findings: Findings) -> None:
    for problem in problems:
        report_cell(problem, named.target, named.column, draft, findings)


def report_cell(
    problem: Problem, target: str, column: Column, draft: Draft, findings: Findings
) -> None:
    """Turn a cell that could not be read plainly into a finding with its place."""
    text = problem.text
    words = target_words(target)
    field = FIELD.get(target)
    severity, message, remedy = "error", "", ""
    if problem.rule == "not-a-number":
        if findings.asked_by_reader(column):
            # The reader has asked about this column's marks; its answer settles the cells.
            return
        unit = f" in {field.unit}" if field and field.unit not in ("", "s or none") else ""
        what = "a whole number" if field and field.kind == "integer" else f"a number{unit}"
        message = f"“{text}” is not a number"
        remedy = f"Enter {words} as {what}, or leave the cell empty"
    elif problem.rule == "date-in-number":
        message = f"“{text}” is stored as a date where {words} is a number"
        remedy = "Type the number again with the cell formatted as a number"
    elif problem.rule == "unknown-word":
        vocabulary = field.vocabulary if field else ()
        message = f"“{text}” is not a word for {words}"
        remedy = f"Use one of {', '.join(vocabulary)}"
    elif problem.rule == "not-yes-or-no":
        message = f"“{text}” is neither yes nor no"
        remedy = "Enter yes or no, or leave the cell empty"
    elif problem.rule == "not-a-date":
        message = f"“{text}” is not a date"
        remedy = "Enter the date as YYYY-MM-DD, or leave the cell empty"
    elif problem.rule == "sentinel":
        severity = "note"
        message = f"“{text}” is a code for a missing value: read as missing"
        remedy = "Leave the cell empty to say the same"
    elif problem.rule == "approximate":
        severity = "note"
        message = f"“{text}” is marked as approximate: read as the number"
    elif problem.rule == "remark":
        severity = "note"
        message = f"“{text}” is read as the number before the remark"
    elif problem.rule == "label-kept":
        severity = "note"
        message = f"“{text}” is kept as a label of {words}"
        remedy = "Leave the cell empty if it means that nothing is known"
    findings.add(
        severity,  # type: ignore[arg-type]
        problem.rule,
        message,
        remedy=remedy,
        table=draft.table,
        column=column,
        at=problem.at,
        value=text,
    )


def join_remark(column: NamedColumn, draft: Draft) -> None:
    """Add a second column of remarks to the first."""
    more = column.labels
    before = draft.text("remark")
    draft.columns["remark"] = joined([before, more], draft.n)


def date_to_session(draft: Draft) -> None:
    """Take each day for a session of its own, where no session is named."""
    if "session_id" in draft.columns or "inserted_at" not in draft.columns:
        return
    dates = draft.text("inserted_at")
    draft.columns["session_id"] = pc.utf8_slice_codeunits(dates, 0, 10)
    draft.note_derived(
        "session_id: the day of inserted_at",
        pc.is_valid(dates).to_numpy(zero_copy_only=False),
    )


def read_exclusions(named: NamedTable, draft: Draft) -> None:
    """Read the column that says why a row is left out; a bare yes gets a reason."""
    column = named.first("exclusion_reason")
    if column is None:
        return
    text = column.labels
    reasons: list[str | None] = []
    encoded = text.dictionary_encode()
    for reason in encoded.dictionary.to_pylist():
        word = plain_word(reason)
        if word in NO or is_missing(reason):
            reasons.append(None)
        else:
            reasons.append("excluded in the sheet" if word in YES else reason)
    draft.columns["exclusion_reason"] = pa.array(reasons, pa.string()).take(encoded.indices)
