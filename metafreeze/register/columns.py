"""Which column of a table means what: answers first, then headings, units and cells.

Every column ends with one meaning, is left out on purpose, or becomes a question with
the nearest suggestions. Nothing is dropped without a line.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.register.answers import Answers
from metafreeze.register.dates import decide_day_order, parse_dates
from metafreeze.register.findings import Findings, column_name
from metafreeze.register.headings import (
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
from metafreeze.register.schema import FIELD, FIELDS
from metafreeze.register.sheets import Column, Dialect, RawTable
from metafreeze.register.times import read_outcome
from metafreeze.register.units import (
    Dimension,
    Unit,
    dimensions_of,
    find_unit,
    offered,
)
from metafreeze.register.values import Glance, glance, may_be_date, trimmed
from metafreeze.register.words import find_word, is_missing, plain_word

# A share of the cells above which a column counts as what they look like.
MOSTLY = 0.5

TIME_TARGETS = frozenset(
    ("time", "time_lower_s", "time_upper_s", "start_clock", "end_clock", "watched")
)
STATISTIC_TARGETS = frozenset(
    (
        "mean_s",
        "median_s",
        "sd_s",
        "se_s",
        "ci_low_s",
        "ci_high_s",
        "q1_s",
        "q3_s",
        "min_s",
        "max_s",
        "interval",
        "quartiles",
        "span",
        "spread",
        "variance",
    )
)
CONTRAST_TARGETS = frozenset(("contrast_value", "contrast_se", "contrast_low", "contrast_high"))
COUNT_TARGETS = frozenset(("k_hot_first", "n_pairs", "counted", "winner"))
PIXEL_TARGETS = frozenset(("mark", "pixel_x", "pixel_y"))

_UNIT_HEADING = re.compile(r"^(?:(?P<stem>.+?)[\s_.-]*(?:units?)|units?(?: of (?P<of>.+))?)$", re.I)
_SERIAL_HEADING = re.compile(r"^[2-7]\d{4}(?:\.0)?$")


@dataclass(slots=True, kw_only=True)
class NamedColumn:
    """A column and what it means.

    Parameters
    ----------
    column : Column
        Verbatim cells.
    meaning : Meaning
        What it was decided to mean.
    glance : Glance
        What its cells look like.
    unit_from : str
        Where its unit comes from: ``heading``, ``units row``, ``answer``, ``unit column``,
        ``other columns``, ``assumed``, ``asked`` (a question stands) or empty.
    unit_column : Column, optional
        Column that holds a unit for each record.
    date : str
        ISO date, where the heading is one.
    answered : bool
        Whether a person has said what it means; context then changes nothing.
    """

    column: Column
    meaning: Meaning
    glance: Glance
    unit_from: str = ""
    unit_column: Column | None = None
    date: str = ""
    answered: bool = False
    _labels: pa.StringArray | None = None

    @property
    def labels(self) -> pa.StringArray:
        """Cells with outer white space taken off; null where empty. Computed once."""
        if self._labels is None:
            self._labels = trimmed(self.column.text)
        return self._labels

    def forget_cells(self, at: npt.NDArray[np.bool_]) -> None:
        """Empty the cells of some records, which are no data of this column."""
        column = self.column
        self.column = replace(
            column,
            text=pc.if_else(pa.array(at), pa.scalar(None, pa.string()), trimmed(column.text)),
            numbers=None if column.numbers is None else np.where(at, np.nan, column.numbers),
            dates=None if column.dates is None else column.dates & ~at,
        )
        self._labels = None

    @property
    def target(self) -> str:
        """Schema field or role."""
        return self.meaning.target

    @property
    def name(self) -> str:
        """Heading as its reader sees it."""
        return column_name(self.column)

    @property
    def unit(self) -> Unit | None:
        """Unit of bare numbers; None where it is not known."""
        return self.meaning.unit

    def take_unit(self, unit: Unit, source: str) -> None:
        """Give the column a unit and remember where it comes from."""
        self.meaning = replace(self.meaning, unit=unit)
        self.unit_from = source


@dataclass(slots=True, kw_only=True)
class NamedTable:
    """A table whose columns have meanings.

    Parameters
    ----------
    table : RawTable
        As read.
    columns : list of NamedColumn
        All that have a meaning, in file order.
    asked : list of Column
        Columns about which a question stands.
    """

    table: RawTable
    columns: list[NamedColumn]
    asked: list[Column] = field(default_factory=list)

    def all_of(self, *targets: str) -> list[NamedColumn]:
        """List the columns with one of the targets."""
        return [c for c in self.columns if c.target in targets]

    def first(self, target: str) -> NamedColumn | None:
        """Give the first column with a target."""
        return next((c for c in self.columns if c.target == target), None)

    def has(self, *targets: str) -> bool:
        """Tell whether any column has one of the targets."""
        return any(c.target in targets for c in self.columns)


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
    _attach_unit_columns(named, [u for u in unit_columns if u[1]], unknown)
    _read_preamble(named, dialect, findings)
    _decide_in_context(named, findings)
    # What a bare `unit` belongs to depends on what its neighbours mean.
    _attach_unit_columns(named, [u for u in unit_columns if not u[1]], unknown)
    named.columns = [c for c in named.columns if c.target != "ignore"]
    named.columns.sort(key=lambda c: c.column.position)
    _refuse_repeats(named, findings)
    _give_units(named, answers, findings)
    for column in unknown:
        _settle_unknown(column, named, glance(column, dialect), findings)
    named.columns.sort(key=lambda c: c.column.position)
    return named


def answer_for(answers: Mapping[str, str], column: Column) -> str | None:
    """Find the answer given for a column, if any.

    Headings are compared tolerant of case, outer space and unit; ``column 3`` names a
    column by its place.
    """
    if not answers:
        return None
    spellings = {plain_heading(column.heading), plain_heading(column_name(column))}
    spellings |= {
        plain_heading(rest) for rest, unit in split_units(column.heading) if dimensions_of(unit)
    }
    spellings.add(f"column {column.position}")
    spellings.discard("")
    for key, value in answers.items():
        if plain_heading(key) in spellings:
            return value
        if any(
            plain_heading(rest) in spellings
            for rest, unit in split_units(key)
            if dimensions_of(unit)
        ):
            return value
    return None


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
        _SERIAL_HEADING.match(column.heading.strip()) and plain_heading(answer) == "date"
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
            remedy=_map_remedy(column, suggest(answer)),
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
            serial = plain_heading(answer) == "date" and _SERIAL_HEADING.match(heading)
            dates[column.position] = _serial_date(heading) if serial else _as_date(answer)
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


def _serial_date(heading: str) -> str:
    iso, _ = parse_dates(pa.array([heading.split(".")[0]], pa.string()))
    return str(iso[0].as_py() or "")


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
        return _share(bool(_COUNTED.match(t.strip())) for t in look.texts) >= MOSTLY
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


MARK_WORDS: dict[str, str] = {
    "axis": "axis",
    "axis mark": "axis",
    "calibration": "axis",
    "tick": "axis",
    "cal": "axis",
    "x axis": "axis",
    "y axis": "axis",
    "point": "point",
    "data": "point",
    "data point": "point",
    "marker": "point",
    "datum": "point",
    "p": "point",
    "a": "axis",
}

_COUNTED = re.compile(r"^(\d+)\s*(?:/|of|out of|von|∕|\|)\s*(\d+)$", re.I)

_SEEN_WORDS: dict[str, bool] = {
    plain_word(word): flag
    for words, flag in (
        (
            "yes|y|true|1|1.0|frozen|solid|froze|ice|seen|event|observed|complete|completed|ok|done"
            "|exact|fully frozen|froze solid",
            True,
        ),
        (
            "no|n|false|0|0.0|not frozen|liquid|unfrozen|censored|cens|did not freeze|dnf|stopped"
            "|not seen|gave up|still liquid|incomplete|no ice|never|right censored|not solid",
            False,
        ),
    )
    for word in words.split("|")
}


def find_seen(text: str) -> bool | None:
    """Read whether a vessel was seen frozen; None where the text does not say it."""
    return _SEEN_WORDS.get(plain_word(text))


def find_winner(text: str) -> str | None:
    """Read which arm was first: ``hot``, ``cold``, ``tie``; None where it is not said."""
    word = plain_word(text)
    # A yes answers the heading `hot first?`.
    if word in ("hot", "hotter", "h", "warm", "warmer", "hot first", "hot one", "yes", "y"):
        return "hot"
    if word in ("cold", "colder", "c", "cool", "cooler", "cold first", "cold one", "no", "n"):
        return "cold"
    if word in ("tie", "draw", "same", "equal", "both", "neither", "together"):
        return "tie"
    return None


def read_counted(text: str) -> tuple[int, int] | None:
    """Read ``7/10`` or ``7 of 10``."""
    match = _COUNTED.match(text.strip())
    return (int(match.group(1)), int(match.group(2))) if match else None


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


def _attach_unit_columns(
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
    before = [
        c
        for c in named.columns
        if c.column.position < column.position
        and (target_dimension(c.target) or c.target == "axis_value")
    ]
    return before[-1] if before else None


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


def _retarget(column: NamedColumn, target: str, **more: object) -> None:
    """Give a column another meaning, unless a person has said what it means."""
    if column.answered:
        return
    column.meaning = replace(column.meaning, target=target, **more)  # type: ignore[arg-type]


# What a limit or an error belongs to in a sheet of contrasts.
_OF_CONTRAST = {
    "se_s": "contrast_se",
    "ci_low_s": "contrast_low",
    "ci_high_s": "contrast_high",
    "time_lower_s": "contrast_low",
    "time_upper_s": "contrast_high",
}


def _decide_in_context(named: NamedTable, findings: Findings) -> None:
    """Settle headings that only the other columns explain."""
    _settle_lone_end(named)
    _settle_clocks(named, findings)
    _settle_day(named)
    _settle_numbers_of_runs(named)
    if named.has(*PIXEL_TARGETS):
        for column in named.all_of("contrast_value"):
            _retarget(column, "axis_value")
        for column in named.all_of("contrast_kind", "time_reading_sd_s", "spread"):
            if column.target == "contrast_kind":
                _retarget(column, "scale")
        return
    for column in named.all_of("axis_value"):
        _retarget(column, "contrast_value")
    contrasts = named.has("contrast_value", "contrast_se")
    centres = named.has("mean_s", "median_s")
    if not any(c.meaning.arm for c in named.all_of("time", "mean_s", "median_s", "end_clock")):
        # Without times of both arms, what a heading says of an arm describes the pair.
        for column in named.all_of("start_temp_c", "n_runs"):
            if column.meaning.arm:
                stem = "start_temp_{}_c" if column.target == "start_temp_c" else "n_{}"
                _retarget(column, stem.format(column.meaning.arm), arm="")
    if contrasts and not centres:
        for column in named.columns:
            if column.target in _OF_CONTRAST:
                _retarget(column, _OF_CONTRAST[column.target])
        return
    if centres:
        for low, high in (("time_lower_s", "ci_low_s"), ("time_upper_s", "ci_high_s")):
            for column in named.all_of(low):
                _retarget(column, high)
    _settle_arm_columns(named)
    _settle_thresholds(named)
    _settle_bare_time(named, findings)


def _settle_lone_end(named: NamedTable) -> None:
    """Take one end of a window, named by an answer and alone, for the exact time."""
    ends = named.all_of("time_lower_s", "time_upper_s")
    if len(ends) == 1 and ends[0].answered and not named.has("time", "end_clock"):
        ends[0].meaning = replace(ends[0].meaning, target="time")


def _settle_end_clock(named: NamedTable) -> None:
    """Take clock times beside a clock at the start for the clock at the end."""
    if named.has("end_clock"):
        return
    starts = [c for c in named.all_of("start_clock") if c.glance.clocks >= MOSTLY]
    for column in named.all_of("time") if starts else ():
        if column.unit is None and column.glance.texts and column.glance.clocks >= MOSTLY:
            _retarget(column, "end_clock")


def _settle_clocks(named: NamedTable, findings: Findings) -> None:
    """Tell a start temperature from the clock at the start: an end beside it decides."""
    _settle_end_clock(named)
    ends = named.all_of("end_clock")
    starts = [c for c in named.all_of("start_temp_c") if c.unit is None and not c.unit_column]
    if not ends or not starts or named.has("start_clock"):
        return
    others = [c for c in named.all_of("start_temp_c") if c not in starts]
    plain = [c for c in starts if plain_heading(c.column.heading) in ("start", "begin", "in")]
    if not plain:
        return
    del others
    column = plain[0]
    _retarget(column, "start_clock")
    findings.add(
        "note",
        "start-is-a-clock",
        f"“{column.name}” stands beside “{ends[0].name}” and carries no temperature unit: "
        "read as the clock at the start, not as a temperature",
        remedy=f'If it is a temperature, answer with --unit "{column.name}=°C"',
        table=named.table,
        column=column.column,
    )


def _settle_day(named: NamedTable) -> None:
    """Take a `day` that holds dates for a date, else for the session."""
    for column in named.all_of("inserted_at"):
        dated = max(column.glance.dates, column.glance.clocks) >= MOSTLY
        if plain_heading(column.column.heading) == "day" and column.glance.texts and not dated:
            _retarget(column, "session_id")


def _settle_numbers_of_runs(named: NamedTable) -> None:
    """Take `n` beside a mean for a count of runs, beside single times for their names."""
    grouped = named.has(*STATISTIC_TARGETS, *CONTRAST_TARGETS)
    for column in named.all_of("run_id", "n_runs"):
        plain = plain_heading(column.column.heading)
        if plain in ("n", "number", "runs", "trials", "replicates", "count"):
            _retarget(column, "n_runs" if grouped else "run_id")


def _settle_arm_columns(named: NamedTable) -> None:
    """Beside columns of both arms, `n_hot` or `hot start` belong to the arms."""
    by_arm = any(c.meaning.arm for c in named.all_of("time", "mean_s", "median_s", "end_clock"))
    if not by_arm:
        return
    for column in named.columns:
        for arm in ("hot", "cold"):
            if column.target == f"n_{arm}":
                _retarget(column, "n_runs", arm=arm)
            elif column.target == f"start_temp_{arm}_c":
                _retarget(column, "start_temp_c", arm=arm)


def _settle_thresholds(named: NamedTable) -> None:
    """Beside a start temperature, a heading such as `4 °C (min)` names a threshold."""
    if not any(not c.meaning.arm for c in named.all_of("start_temp_c")):
        return
    for column in named.all_of("time"):
        temp_c = column.meaning.start_temp_c
        if temp_c is None or column.meaning.arm or column.meaning.endpoint:
            continue
        column.meaning = replace(
            column.meaning,
            start_temp_c=None,
            endpoint="t_zero" if temp_c == 0 else "t_threshold",
            threshold_c=None if temp_c == 0 else temp_c,
        )


def _settle_bare_time(named: NamedTable, findings: Findings) -> None:
    """Take a time beside an SD, an SE or a count of runs for their mean."""
    if named.has("mean_s", "median_s"):
        return
    times = named.all_of("time")
    if not times or not named.has(*STATISTIC_TARGETS, "n_runs"):
        return
    only_spread = not named.has(*(STATISTIC_TARGETS - {"spread"}), "n_runs")
    if only_spread and named.has("locator", "reader_id", "extraction_id", "read_at"):
        for column in named.all_of("spread"):
            _retarget(column, "time_reading_sd_s")
            findings.add(
                "note",
                "spread-is-reading-error",
                f"“{column.name}” beside single points is taken as the reading error of the time",
                remedy=f'If it is the spread of runs, answer with --map "{column.name}=spread" '
                "and name the times mean",
                table=named.table,
                column=column.column,
            )
        return
    for column in times:
        _retarget(column, "mean_s")
    findings.add(
        "note",
        "time-is-a-mean",
        f"“{times[0].name}” stands beside a spread or a number of runs: read as their mean",
        remedy=f'If it is the median, answer with --map "{times[0].name}=median"',
        table=named.table,
        column=times[0].column,
    )


def _give_units(named: NamedTable, answers: Answers, findings: Findings) -> None:
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
    frozenset(("time", "time_lower_s", "time_upper_s", "watched", "time_reading_sd_s")),
)


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
        if not _bare_numbers(column):
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


def _bare_numbers(column: NamedColumn) -> list[float]:
    numbers = []
    for text in column.glance.texts:
        tidy = text.strip().replace("−", "-").replace(",", ".")
        if re.fullmatch(r"-?\d+(?:\.\d+)?", tidy):
            numbers.append(float(tidy))
    return numbers


def _beyond(column: NamedColumn, unit: Unit) -> bool:
    """Tell whether a unit puts much of a column outside its field's range.

    One value outside is a slip for the range check; several are another unit.
    """
    field_ = FIELD.get(column.target)
    values = [unit.convert_one(n) for n in _bare_numbers(column)]
    if field_ is None or not values:
        return False
    outside = sum(not field_.low <= v <= field_.high for v in values)
    return outside >= max(1.0, 0.3 * len(values))


def _highest(column: NamedColumn) -> str:
    numbers = _bare_numbers(column)
    return f"{max(numbers):g}" if numbers else ""


def _map_remedy(column: Column, suggestions: list[str]) -> str:
    name = column_name(column)
    options = [f'--map "{name}={s}"' for s in suggestions] + [f'--map "{name}=ignore"']
    lead = "Answer with " if suggestions else 'Say what it holds with --map "HEADING=FIELD", or '
    return lead + (", ".join(options[:-1]) + " or " if len(options) > 1 else "") + options[-1]


def _settle_unknown(column: Column, named: NamedTable, look: Glance, findings: Findings) -> None:
    """Read an unknown heading by its cells where they settle it, else ask."""
    name = column_name(column)
    if not look.texts:
        findings.add(
            "note",
            "empty-column",
            f"“{name}” is not recognised and holds nothing: left out",
            table=named.table,
            column=column,
        )
        return
    if _SERIAL_HEADING.match(column.heading.strip()):
        date = _serial_date(column.heading.strip())
        findings.add(
            "question",
            "heading-may-be-a-date",
            f"The heading “{name}” may be a date that was turned into a day number ({date}) or a "
            "name",
            remedy=f'Answer with --map "{name}=date" for {date}, --map "{name}=YYYY-MM-DD" for '
            f'another day, or --map "{name}=ignore"',
            table=named.table,
            column=column,
            value=name,
        )
        named.asked.append(column)
        return
    words = _fields_of_words(column)
    words = [w for w in words if not named.has(w)]
    if len(words) == 1:
        named.columns.append(
            NamedColumn(column=column, meaning=Meaning(target=words[0]), glance=look)
        )
        pairs = dict.fromkeys(
            f"{t} = {find_word(words[0], t)}"
            for t in look.texts
            if plain_word(t) != plain_word(find_word(words[0], t))
        )
        shown = f" ({', '.join(pairs)})" if pairs else ""
        findings.add(
            "note",
            "read-by-its-words",
            f"“{name}” is not recognised, but all its cells are words for "
            f"{target_words(words[0])}: read as {words[0]}{shown}",
            remedy=f'Otherwise answer with --map "{name}=FIELD" or --map "{name}=ignore"',
            table=named.table,
            column=column,
        )
        return
    unit_text = column.unit or _unit_text_of(column)
    taken = frozenset(c.target for c in named.columns)
    suggestions = (
        [target_words(w) for w in words[:3]]
        or suggest(name, unit_text, taken=taken)
        or _suggest_by_cells(look, taken)
    )
    if not column.heading.strip():
        message = f"Column {column.position} has no heading"
    else:
        message = f"The heading “{name}” is not recognised"
    findings.add(
        "question",
        "heading-not-recognised",
        f"{message}; it holds {_examples(look)}",
        remedy=_map_remedy(column, suggestions),
        table=named.table,
        column=column,
        value=name,
    )
    named.asked.append(column)


def _suggest_by_cells(look: Glance, taken: frozenset[str]) -> list[str]:
    """Suggest fields for a heading that resembles none, by what its cells look like."""
    likely: tuple[str, ...]
    counting = all(re.fullmatch(r"\d{1,4}", t.strip()) for t in look.texts)
    if counting and len(set(look.texts)) == len(look.texts):
        likely = ("run_id", "specimen_id", "time")
    elif look.numbers >= MOSTLY:
        likely = ("time", "start_temp_c", "sink_temp_c")
    elif len(set(look.texts)) == len(look.texts):
        likely = ("run_id", "specimen_id", "remark")
    else:
        likely = ("lab_id", "vessel_material", "block_id", "remark")
    return [target_words(t) for t in likely if t not in taken][:3]


def _unit_text_of(column: Column) -> str:
    for _, text in split_units(column.heading):
        if dimensions_of(text):
            return text
    return ""


def _examples(look: Glance) -> str:
    shown = list(dict.fromkeys(look.texts))[:3]
    return ", ".join(f"“{t}”" for t in shown)


# A column with more different texts than this holds no choice.
MANY_WORDS = 50

# Words of so many fields that they settle none.
_WEAK_WORDS = frozenset(
    plain_word(w)
    for w in (
        "yes",
        "no",
        "none",
        "y",
        "n",
        "1",
        "0",
        "unknown",
        "other",
        "x",
        "?",
        "true",
        "false",
        "hot",
        "fixed",
        "up",
        "down",
        "some",
        "half",
        "full",
        "partial",
        "off",
        "on",
        "in turn",
        "normal",
    )
)


def _fields_of_words(column: Column) -> list[str]:
    """List the choice fields to whose words all filled cells belong."""
    different = pc.unique(trimmed(column.text)).drop_null().to_pylist()
    texts = [t for t in different if not is_missing(t)]
    if len(texts) > MANY_WORDS or all(plain_word(t) in _WEAK_WORDS for t in texts):
        return []
    return [
        f.name
        for f in FIELDS
        if f.kind == "choice"
        and f.name
        not in ("record_level", "error_bar_meaning", "contrast_scale", "residual_endpoint")
        and all(find_word(f.name, t) for t in texts)
    ]


class Slot(NamedTuple):
    """What the headings of some columns fix for the rows that come from them.

    Parameters
    ----------
    arm : {"", "hot", "cold"}
    start_temp_c : float or None
    endpoint : str
    threshold_c : float or None
    date : str
        ISO date.
    """

    arm: str = ""
    start_temp_c: float | None = None
    endpoint: str = ""
    threshold_c: float | None = None
    date: str = ""


PLAIN_SLOT = Slot()


def slot_of(column: NamedColumn) -> Slot:
    """Give what a column's heading fixes: arm, start temperature, event, threshold, date."""
    m = column.meaning
    return Slot(m.arm, m.start_temp_c, m.endpoint, m.threshold_c, column.date)


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
