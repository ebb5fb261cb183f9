"""Which column of a table means what: answers first, then headings, units and cells.

Every column ends with one meaning, is left out on purpose, or becomes a question with
the nearest suggestions. Nothing is dropped without a line.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace

import pyarrow as pa

from metafreeze.register.answers import Answers
from metafreeze.register.files.dates import decide_day_order, parse_dates
from metafreeze.register.files.sheets import Column, Dialect, RawTable
from metafreeze.register.meaning.context import decide_in_context
from metafreeze.register.meaning.findings import Findings, column_name
from metafreeze.register.meaning.headings import (
    Meaning,
    find_target,
    plain_heading,
    read_contrast,
    read_heading,
    split_units,
    suggest,
    target_dimension,
    target_words,
)
from metafreeze.register.meaning.named import MOSTLY, NamedColumn, NamedTable, answer_for, slot_of
from metafreeze.register.meaning.sheet_units import attach_unit_columns, give_units
from metafreeze.register.meaning.times import read_outcome
from metafreeze.register.meaning.units import Unit, find_unit
from metafreeze.register.meaning.unknown_headings import (
    SERIAL_HEADING,
    map_remedy,
    serial_date,
    settle_unknown,
)
from metafreeze.register.meaning.values import Glance, glance, may_be_date
from metafreeze.register.meaning.words import (
    MARK_WORDS,
    find_seen,
    find_winner,
    is_missing,
    plain_word,
    read_counted,
)
from metafreeze.register.schema import FIELD, FIELDS

_UNIT_HEADING = re.compile(r"^(?:(?P<stem>.+?)[\s_.-]*(?:units?)|units?(?: of (?P<of>.+))?)$", re.I)


def name_columns(
    table: RawTable, dialect: Dialect, answers: Answers, findings: Findings
) -> NamedTable:
    """Decide what every column of a table means.

    Parameters
    ----------
    table : RawTable
        As read.
    dialect : Dialect
        How its numbers look.
    answers : Answers
        What a person has answered.
    findings : Findings
        Receives notes and questions.

    Returns
    -------
    NamedTable
    """
    named = NamedTable(table=table, columns=[])
    dates = _date_headings(named, answers, findings)
    unit_columns: list[tuple[Column, str]] = []
    unknown: list[Column] = []
    for column in table.columns:
        answer = answer_for(answers.mapping, column)
        unit_of = None if answer else _unit_heading(column)
        if unit_of is not None:
            unit_columns.append((column, unit_of))
            continue
        look = glance(column, dialect)
        if answer is not None:
            meanings = _answered(column, answer, table, findings, named)
        elif not column.heading.strip() and not column.group.strip():
            if look.texts:
                unknown.append(column)
            continue
        else:
            meanings = read_heading(column.heading, column.group)
        if meanings is None or column in named.asked:
            continue
        date = dates.get(column.position, "")
        if date:
            meaning = Meaning(target="time")
            named.columns.append(
                NamedColumn(column=column, meaning=meaning, glance=look, date=date)
            )
            continue
        chosen = _choose(column, meanings, look)
        if chosen is None:
            unknown.append(column)
            continue
        chosen.answered = answer is not None
        named.columns.append(chosen)
    attach_unit_columns(named, [u for u in unit_columns if u[1]], unknown)
    _read_preamble(named, dialect, findings)
    decide_in_context(named, findings)
    # What a bare `unit` belongs to depends on what its neighbours mean.
    attach_unit_columns(named, [u for u in unit_columns if not u[1]], unknown)
    named.columns = [c for c in named.columns if c.target != "ignore"]
    named.columns.sort(key=lambda c: c.column.position)
    _refuse_repeats(named, findings)
    give_units(named, answers, findings)
    for column in unknown:
        settle_unknown(column, named, glance(column, dialect), findings)
    named.columns.sort(key=lambda c: c.column.position)
    return named


def _unit_heading(column: Column) -> str | None:
    """Give the stem of a heading such as `start_unit`; empty for `unit`; None for others."""
    match = _UNIT_HEADING.match(column.heading.strip())
    if match is None:
        return None
    return (match.group("stem") or match.group("of") or "").strip()


def _answered(
    column: Column, answer: str, table: RawTable, findings: Findings, named: NamedTable
) -> tuple[Meaning, ...] | None:
    """Read the answer given for a heading; None where it names nothing."""
    if _as_date(answer) or (
        SERIAL_HEADING.match(column.heading.strip()) and plain_heading(answer) == "date"
    ):
        return ()
    found = read_heading(answer)
    if not found and find_target(answer):
        found = (Meaning(target=find_target(answer)),)
    if not found:
        findings.add(
            "question",
            "answer-not-recognised",
            f"“{answer}” names no field for the heading “{column_name(column)}”",
            remedy=map_remedy(column, suggest(answer)),
            table=table,
            column=column,
            value=answer,
        )
        named.asked.append(column)
        return None
    meaning = found[0]
    if plain_heading(answer) in ("time lower s", "time upper s"):
        meaning = Meaning(target=meaning.target)
    own_unit = _unit_in_heading(column, meaning.target)
    said_unit = meaning.unit if _says_unit(answer) else None
    return (replace(meaning, unit=own_unit or said_unit),)


def _says_unit(answer: str) -> bool:
    """Tell whether an answer spells a unit of its own, and is no schema name."""
    return plain_heading(answer) not in {plain_heading(f.name) for f in FIELDS}


def _unit_in_heading(column: Column, target: str) -> Unit | None:
    dimension = target_dimension(target)
    if not dimension:
        return None
    for _, text in split_units(column.heading):
        unit = find_unit(text, dimension=dimension)
        if unit is not None:
            return unit
    return None


def _as_date(text: str) -> str:
    if not may_be_date(text):
        return ""
    iso, _ = parse_dates(pa.array([text.strip()], pa.string()))
    value = iso[0].as_py()
    return "" if value is None or text.strip().isdigit() else str(value)


def _date_headings(named: NamedTable, answers: Answers, findings: Findings) -> dict[int, str]:
    """Read headings that are dates, or that answers say are; place -> ISO date.

    The order of day and month is decided from all of them; where nothing decides it the
    columns are asked about.
    """
    dates: dict[int, str] = {}
    typed: dict[int, str] = {}
    for column in named.table.columns:
        heading = column.heading.strip()
        answer = answer_for(answers.mapping, column)
        if answer is not None:
            serial = plain_heading(answer) == "date" and SERIAL_HEADING.match(heading)
            dates[column.position] = serial_date(heading) if serial else _as_date(answer)
        elif column.heading_is_date:
            dates[column.position] = heading
        elif may_be_date(heading):
            typed[column.position] = heading
    if typed:
        texts = pa.array(list(typed.values()), pa.string())
        order = decide_day_order(texts).order
        if order == "undecidable" and answers.day_order:
            order = answers.day_order  # type: ignore[assignment]
        iso, _ = parse_dates(texts, order)
        dates |= {k: d for k, d in zip(typed, iso.to_pylist(), strict=True) if d is not None}
        if order == "undecidable":
            _ask_for_day_order(named, typed, findings)
    return {place: date for place, date in dates.items() if date}


def _ask_for_day_order(named: NamedTable, typed: dict[int, str], findings: Findings) -> None:
    columns = [c for c in named.table.columns if c.position in typed]
    named.asked.extend(columns)
    findings.add(
        "question",
        "day-order-undecidable",
        f"Which of day and month comes first in the headings {', '.join(typed.values())}?",
        remedy="Answer with --day-order day-first or --day-order month-first",
        table=named.table,
        column=columns[0],
        value=columns[0].heading,
    )


def _choose(column: Column, meanings: tuple[Meaning, ...], look: Glance) -> NamedColumn | None:
    """Choose among the meanings of a heading by its units row and its cells."""
    if not meanings:
        return None
    if column.unit.strip():
        with_unit = []
        for m in meanings:
            dimension = target_dimension(m.target)
            unit = find_unit(column.unit, dimension=dimension) if dimension else None
            if unit is not None:
                with_unit.append(replace(m, unit=unit))
        if with_unit:
            best = _first_fitting(with_unit, look)
            return NamedColumn(column=column, meaning=best, glance=look, unit_from="units row")
    best = _first_fitting(list(meanings), look)
    source = "heading" if best.unit is not None else ""
    return NamedColumn(column=column, meaning=best, glance=look, unit_from=source)


def _first_fitting(meanings: list[Meaning], look: Glance) -> Meaning:
    for meaning in meanings:
        if _fits(meaning, look):
            return meaning
    return meanings[0]


def _fits(meaning: Meaning, look: Glance) -> bool:
    """Tell whether the cells can be what a meaning says."""
    target = meaning.target
    if not look.texts:
        return True
    if target in ("start_clock", "end_clock"):
        as_clock = max(look.clocks, look.dates)
        plain = look.numbers if meaning.unit is not None or target == "end_clock" else 0.0
        return max(as_clock, plain) >= MOSTLY
    if target in ("time", "time_lower_s", "time_upper_s", "watched"):
        return _outcomes(look) >= MOSTLY
    if target == "inserted_at" or target == "read_at":
        return max(look.dates, look.clocks) >= MOSTLY
    if target in ("seen", "not_seen"):
        return _share(find_seen(t) is not None for t in look.texts) >= MOSTLY
    if target == "contrast_kind":
        return _share(bool(read_contrast(t)[0]) for t in look.texts) >= MOSTLY
    if target == "mark":
        return _share(plain_word(t) in MARK_WORDS for t in look.texts) >= MOSTLY
    if target == "counted":
        return _share(read_counted(t) is not None for t in look.texts) >= MOSTLY
    if target == "winner":
        return _share(find_winner(t) is not None for t in look.texts) >= MOSTLY
    if target == "spread_type":
        return look.numbers < MOSTLY
    if target in ("interval", "quartiles", "span", "scale", "axis", "quantity", "unit", "ignore"):
        return True
    if target in FIELD:
        kind = FIELD[target].kind
        if kind == "choice":
            return look.words(target) >= MOSTLY
        if kind == "boolean":
            return look.flags >= MOSTLY
        if kind in ("text", "date"):
            return True
        if target == "nucleation_temp_c" and meaning.unit is None and look.numbers >= MOSTLY:
            return any(t.strip()[:1] in "-−–" for t in look.texts)
    return look.numbers >= MOSTLY


def _share(flags: Iterable[bool]) -> float:
    listed = list(flags)
    return sum(listed) / len(listed) if listed else 1.0


def _outcomes(look: Glance) -> float:
    """Give the share of cells that read as outcomes, in whatever unit."""
    minute = find_unit("min", dimension="time")

    def number(text: str) -> float | None:
        tidy = text.strip().replace("−", "-").replace(",", ".")
        return float(tidy) if re.fullmatch(r"[-+]?(?:\d+\.?\d*|\.\d+)", tidy) else None

    readable = [
        read_outcome(t, unit=minute, number=number).form != "unreadable" for t in look.texts[:50]
    ]
    return max(look.numbers, _share(readable))


# Fields that a title line such as `Lab: North` may give for the whole table.
_PREAMBLE_FIELDS = frozenset(
    (
        "lab_id",
        "session_id",
        "block_id",
        "endpoint",
        "sink_temp_c",
        "sink_type",
        "water_type",
        "lid",
        "vessel_material",
        "source_id",
        "water_mass_start_g",
        "volume",
        "inserted_at",
        "assignment",
        "start_temp_c",
        "base_support",
        "invented",
        "system",
        "direction",
    )
)


def _read_preamble(named: NamedTable, dialect: Dialect, findings: Findings) -> None:
    """Turn key and value lines above the table into columns that hold for all its rows."""
    table = named.table
    for key, value in table.preamble.items():
        if not value.strip():
            continue
        meanings = [m for m in read_heading(key) if m.target in _PREAMBLE_FIELDS]
        if not meanings or is_missing(value):
            continue
        column = Column(
            heading=key,
            position=0,
            text=pa.array([value] * table.n_rows, pa.string()),
        )
        look = glance(column, dialect)
        meaning = _first_fitting(meanings, look)
        if named.has(meaning.target) or not _fits(meaning, look):
            continue
        source = "heading" if meaning.unit is not None else ""
        named.columns.append(
            NamedColumn(column=column, meaning=meaning, glance=look, unit_from=source)
        )
        findings.add(
            "note",
            "from-title",
            f"“{key}: {value}” above the table is taken as {target_words(meaning.target)} "
            "of all its rows",
            table=table,
            heading=key,
            value=value,
        )


def _refuse_repeats(named: NamedTable, findings: Findings) -> None:
    """Ask about two columns that mean the same; text remarks may repeat."""
    groups: dict[tuple[object, ...], list[NamedColumn]] = {}
    for column in named.columns:
        if column.target not in ("remark", "axis_value"):
            key = (column.target, *slot_of(column), column.meaning.contrast)
            groups.setdefault(key, []).append(column)
    for group in groups.values():
        if len(group) < 2:
            continue
        names = " and ".join(f"column {c.column.position} “{c.name}”" for c in group)
        options = ", ".join(f'--map "column {c.column.position}=ignore"' for c in group)
        findings.add(
            "question",
            "same-meaning-twice",
            f"{names} all mean {target_words(group[0].target)}; one row has one",
            remedy=f"Keep one and leave the others out: {options}; or say what they are with "
            f'--map "column {group[1].column.position}=FIELD"',
            table=named.table,
            column=group[1].column,
            value=group[1].name,
        )
        named.asked.extend(c.column for c in group)
    asked = {id(c) for c in named.asked}
    named.columns = [c for c in named.columns if id(c.column) not in asked]
