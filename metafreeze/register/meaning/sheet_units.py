"""The unit of every column of a sheet: its own, an answer, its neighbours', or a question."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from statistics import median

from metafreeze.register.answers import Answers
from metafreeze.register.files.sheets import Column, RawTable
from metafreeze.register.meaning.findings import Findings
from metafreeze.register.meaning.headings import (
    find_target,
    plain_heading,
    read_contrast,
    read_heading,
    split_units,
    target_dimension,
    target_words,
)
from metafreeze.register.meaning.named import (
    CONTRAST_TARGETS,
    STATISTIC_TARGETS,
    TIME_TARGETS,
    NamedColumn,
    NamedTable,
    answer_for,
)
from metafreeze.register.meaning.units import Dimension, Unit, find_unit, offered
from metafreeze.register.meaning.words import is_missing
from metafreeze.register.schema import FIELD


def attach_unit_columns(
    named: NamedTable, unit_columns: list[tuple[Column, str]], unknown: list[Column]
) -> None:
    """Give each unit column to the column or the family of columns whose unit it holds."""
    for column, stem in unit_columns:
        owner = _owner_by_stem(named, stem) if stem else _owner_by_place(named, column)
        if owner is None:
            unknown.append(column)
            continue
        family: frozenset[str] = frozenset()
        if not stem:
            # A bare `unit` holds for all times of the row.
            family = next((f for f in _SHARING if owner.target in f), family)
        for member in named.columns:
            if member is owner or (member.target in family and member.unit is None):
                member.unit_column = column
                member.unit_from = "unit column"


def _owner_by_stem(named: NamedTable, stem: str) -> NamedColumn | None:
    wanted = plain_heading(stem)
    for column in named.columns:
        rests = [rest for rest, _ in split_units(column.column.heading)]
        if wanted in {plain_heading(h) for h in (column.column.heading, *rests)}:
            return column
    targets = {m.target for m in read_heading(stem)}
    return next((c for c in named.columns if c.target in targets), None)


def _owner_by_place(named: NamedTable, column: Column) -> NamedColumn | None:
    """Find what a bare `unit` stands beside: axis values, else the quantity to its left."""
    values = named.first("axis_value")
    if values is not None:
        return values
    measured = [c for c in named.columns if target_dimension(c.target)]
    before = [c for c in measured if c.column.position < column.position]
    after = [c for c in measured if c.column.position > column.position]
    return before[-1] if before else after[0] if after else None


def give_units(named: NamedTable, answers: Answers, findings: Findings) -> None:
    """Find the unit of every column that carries none: answers, title lines, other columns."""
    for column in named.columns:
        dimension = target_dimension(column.target)
        if not dimension:
            continue
        own = answer_for(answers.units, column.column)
        spelled = own or _answer_by_target(answers.units, column)
        if spelled is not None:
            unit = find_unit(spelled, dimension=dimension)
            if unit is None:
                findings.add(
                    "question",
                    "unit-not-recognised",
                    f"“{spelled}” is no unit of {target_words(column.target)}",
                    remedy=f"Units known here: {offered(dimension)}",
                    table=named.table,
                    column=column.column,
                    value=spelled,
                )
            elif own is not None or column.unit is None:
                # An answer for this very heading goes before what the heading says.
                column.take_unit(unit, "answer")
        if column.unit is None and column.unit_column is None:
            _doubt_unit(column, dimension, named, findings)
    _share_units(named, findings)
    _assume_minutes(named, findings)


def _answer_by_target(units: Mapping[str, str], column: NamedColumn) -> str | None:
    for key, value in units.items():
        plain = plain_heading(key)
        target = find_target(key)
        if plain == plain_heading(target_words(column.target)) or target == column.target:
            return value
        is_time = target_dimension(column.target) == "time" and column.target in (
            STATISTIC_TARGETS | CONTRAST_TARGETS | TIME_TARGETS | {"time_reading_sd_s"}
        )
        if target == "time" and is_time:
            return value
    return None


def _doubt_unit(
    column: NamedColumn, dimension: Dimension, named: NamedTable, findings: Findings
) -> None:
    """Ask about what stands where a unit should and is none of the quantity."""
    under = column.column.unit.strip()
    text = column.meaning.doubt or ("" if is_missing(under) or under == "1" else under)
    if not text:
        return
    column.unit_from = "asked"
    findings.add(
        "question",
        "unit-not-recognised",
        f"“{text}” of “{column.name}” is no unit of {target_words(column.target)}",
        remedy=f'Answer with --unit "{column.name}=UNIT"; units known here: {offered(dimension)}',
        table=named.table,
        column=column.column,
        value=text,
    )


# Columns whose bare numbers surely share one unit.
_SHARING: tuple[frozenset[str], ...] = (
    STATISTIC_TARGETS | {"time_reading_sd_s"},
    CONTRAST_TARGETS | {"variance", "interval", "se_s"},
    frozenset(
        (
            "time",
            "time_lower_s",
            "time_upper_s",
            "watched",
            "time_reading_sd_s",
            "check_interval_s",
            "at_time_s",
        )
    ),
)

# Times without any unit are read as minutes where their median lies here: a vessel takes
# minutes to days, and people who mean seconds or hours write other numbers.
PLAUSIBLE_MINUTES = (1.0, 3000.0)


def _share_units(named: NamedTable, findings: Findings) -> None:
    preamble = _preamble_unit(named.table)
    for family in _SHARING:
        members = [c for c in named.columns if c.target in family]
        known = {c.unit for c in members if c.unit is not None and not c.unit.clock}
        if len(known) != 1:
            known = set()
        if not known and preamble is not None and members:
            known = {preamble}
        if not known:
            continue
        unit = known.pop()
        bare = [c for c in members if c.unit is None and not c.unit_from]
        for column in bare:
            column.take_unit(unit, "other columns")
        bare = [c for c in bare if c.glance.texts]
        if bare:
            names = ", ".join(f"“{c.name}”" for c in bare)
            square = " (a variance in its square)" if named.has("variance") else ""
            findings.add(
                "note",
                "unit-shared",
                f"{names} carr{'ies' if len(bare) == 1 else 'y'} no unit: read in {unit.name}"
                f"{square} like the columns beside",
                remedy=f'Otherwise answer with --unit "{bare[0].name}=UNIT"',
                table=named.table,
                column=bare[0].column,
            )
    _share_temperatures(named, findings)


def bare_times(named: NamedTable, column: NamedColumn) -> list[float]:
    """List the numbers of a column that are times and say no unit.

    Ratios, percent changes and their errors have no unit and are left out.

    Parameters
    ----------
    named : NamedTable
        The sheet.
    column : NamedColumn
        One of its columns of times.

    Returns
    -------
    list of float
        Empty where every time says its unit.
    """
    of_contrast = column.target in (*CONTRAST_TARGETS, "variance", "interval")
    value = named.first("contrast_value")
    if of_contrast and value is not None and value.meaning.contrast not in ("", "difference"):
        return []
    kinds = named.first("contrast_kind") or named.first("contrast_scale")
    if not of_contrast or kinds is None:
        return _bare_numbers(column.glance.texts)
    texts = [
        text
        for text, said in zip(column.labels.to_pylist(), kinds.labels.to_pylist(), strict=True)
        if text and (said is None or read_contrast(said)[0] in ("difference", ""))
    ]
    return _bare_numbers(texts)


def _assume_minutes(named: NamedTable, findings: Findings) -> None:
    """Read times without any unit as minutes where they can be; the note says so."""
    for family in (_SHARING[0], _SHARING[1], _SHARING[2] | {"start_clock", "end_clock"}):
        members = [c for c in named.columns if c.target in family]
        if any(c.unit is not None or c.unit_from for c in members):
            continue
        numbers = {id(c): bare_times(named, c) for c in members}
        bare = [c for c in members if numbers[id(c)]]
        centres = [c for c in bare if c.target in _CENTRAL] or bare
        sizes = [abs(n) for c in centres for n in numbers[id(c)]]
        if not sizes or not PLAUSIBLE_MINUTES[0] <= median(sizes) <= PLAUSIBLE_MINUTES[1]:
            continue
        unit = find_unit("min", dimension="time")
        assert unit is not None
        for column in members:
            column.take_unit(unit, "assumed")
        names = list(dict.fromkeys(f"“{c.name}”" for c in bare))
        shown = ", ".join(names[:4]) + (" and others" if len(names) > 4 else "")
        findings.add(
            "note",
            "unit-assumed",
            f"{shown} carr{'ies' if len(names) == 1 else 'y'} no unit: read as minutes. Ratios of "
            "times within a study do not depend on it, the times themselves do",
            remedy=f'Otherwise answer with --unit "{bare[0].name}=s", or another of '
            f"{offered('time')}",
            table=named.table,
            column=bare[0].column,
        )


# Columns whose size tells the unit; errors and limits beside them may be of any size.
_CENTRAL = frozenset(
    ("time", "time_lower_s", "time_upper_s", "mean_s", "median_s", "contrast_value", "end_clock")
)


def _preamble_unit(table: RawTable) -> Unit | None:
    for key, value in table.preamble.items():
        if plain_heading(key) in ("unit", "units", "time unit", "units of time", "times in"):
            unit = find_unit(value, dimension="time")
            if unit is not None:
                return unit
    return None


def _share_temperatures(named: NamedTable, findings: Findings) -> None:
    """Temperatures without a unit take that of the others, else degrees Celsius."""
    temperatures = [c for c in named.columns if target_dimension(c.target) == "temperature"]
    known = {c.unit for c in temperatures if c.unit is not None}
    celsius = find_unit("°C", dimension="temperature")
    assert celsius is not None
    unit = next(iter(known)) if len(known) == 1 else celsius
    assert unit is not None
    for column in temperatures:
        if column.unit is not None or column.unit_from in ("unit column", "asked"):
            continue
        if column.target == "start_temp_c" and not column.glance.texts:
            continue
        if len(known) > 1:
            doubt = "the other temperatures have different ones"
        elif not known and _beyond(column, celsius):
            doubt = f"{_highest(column)} is no water temperature in °C"
        elif known and _beyond(column, unit) and not _beyond(column, celsius):
            doubt = f"in {unit.name}, like the other temperatures, its cells are out of range"
        else:
            doubt = ""
        if doubt:
            findings.add(
                "question",
                "unit-missing",
                f"“{column.name}” carries no unit and {doubt}",
                remedy=f'Answer with --unit "{column.name}=°F" or another of '
                f"{offered('temperature')}",
                table=named.table,
                column=column.column,
                value=_highest(column),
            )
            continue
        column.take_unit(unit, "assumed")
        if not _bare_numbers(column.glance.texts):
            # Every cell says its own unit.
            continue
        why = "like the other temperatures" if known else "no temperature in the sheet has one"
        findings.add(
            "note",
            "unit-assumed",
            f"“{column.name}” carries no unit: read in {unit.name}, {why}",
            remedy=f'Otherwise answer with --unit "{column.name}=°F"',
            table=named.table,
            column=column.column,
        )
    for column in named.columns:
        if target_dimension(column.target) == "difference" and column.unit is None:
            if column.unit_column is not None:
                continue
            found = find_unit(unit.name, dimension="difference")
            if found is not None:
                column.take_unit(found, "other columns")


def _bare_numbers(texts: Iterable[str]) -> list[float]:
    numbers = []
    for text in texts:
        tidy = text.strip().replace("−", "-").replace(",", ".")
        if re.fullmatch(r"-?\d+(?:\.\d+)?", tidy):
            numbers.append(float(tidy))
    return numbers


def _beyond(column: NamedColumn, unit: Unit) -> bool:
    """Tell whether a unit puts much of a column outside its field's range.

    One value outside is a slip for the range check; several are another unit.
    """
    field_ = FIELD.get(column.target)
    values = [unit.convert_one(n) for n in _bare_numbers(column.glance.texts)]
    if field_ is None or not values:
        return False
    outside = sum(not field_.low <= v <= field_.high for v in values)
    return outside >= max(1.0, 0.3 * len(values))


def _highest(column: NamedColumn) -> str:
    numbers = _bare_numbers(column.glance.texts)
    return f"{max(numbers):g}" if numbers else ""
