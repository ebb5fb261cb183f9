"""The findings of one file, gathered with their places while it is named and checked."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace

from metafreeze.errors import Fault, Location, Severity
from metafreeze.register.files.sheets import Column, RawTable

# So many cells of one column under one rule are named one by one; the rest are counted,
# so that a wrong column of a long sheet does not bury everything else.
NAMED_ERRORS = 1000
NAMED_NOTES = 100

# Rules under which reading reports how numbers of a column are spelled.
READER_NUMBER_RULES = ("grouping-undecidable", "decimal-contradiction", "decimal-undecidable")

# How many rows a message lists before it counts the rest.
LISTED_ROWS = 5


class Findings:
    """Gather faults of one file, in the order in which a reader meets them.

    Parameters
    ----------
    file : str
        File name without its folder.
    """

    def __init__(self, file: str) -> None:
        self.file = file
        self._faults: list[tuple[tuple[int, int, int], Fault]] = []
        self._counts: Counter[tuple[str, str, str]] = Counter()
        self._last: dict[tuple[str, str, str], tuple[tuple[int, int, int], Fault]] = {}
        self._tables = 0
        self._before: list[tuple[tuple[int, int, int], Fault]] = []

    def open_table(self) -> None:
        """Say that what follows belongs to the next table."""
        self._tables += 1

    def add(
        self,
        severity: Severity,
        rule: str,
        message: str,
        *,
        remedy: str = "",
        table: RawTable | None = None,
        column: Column | None = None,
        at: int | None = None,
        heading: str = "",
        value: str = "",
        run: str = "",
    ) -> None:
        """Add one fault; `at` is the place of the record in its table."""
        row = None if table is None or at is None else int(table.file_rows[at])
        name = heading or (column_name(column) if column is not None else "")
        fault = Fault(
            rule=rule,
            message=message,
            remedy=remedy,
            location=Location(
                file=self.file,
                sheet=table.sheet if table is not None else "",
                row=row,
                column=name,
                run=run,
            ),
            value=value,
            severity=severity,
        )
        order = (self._tables, row or 0, column.position if column is not None else 0)
        key = (severity, rule, name)
        self._counts[key] += 1
        if self._counts[key] <= _limit(severity):
            self._faults.append((order, fault))
        else:
            self._last[key] = (order, fault)

    def add_all(self, faults: Iterable[Fault]) -> None:
        """Add faults that the readers found, before all others."""
        for fault in faults:
            self._faults.append(((0, fault.location.row or 0, 0), fault))

    def follow(self, other: Findings) -> None:
        """Begin as a scratch copy: what the other knows is known, nothing is counted twice."""
        self._before = list(other._faults)
        self._tables = other._tables

    def take(self, other: Findings, *, without: Collection[str] = ()) -> None:
        """Take over the faults of a scratch copy, but those of some rules."""
        self._faults.extend(pair for pair in other._faults if pair[1].rule not in without)
        self._counts.update(other._counts)
        self._last.update(other._last)
        self._tables = max(self._tables, other._tables)

    def has_open(self) -> bool:
        """Tell whether an error or a question stands."""
        return any(fault.severity != "note" for _, fault in self._faults)

    def has(self, *rules: str) -> bool:
        """Tell whether any of the rules has spoken."""
        return any(fault.rule in rules for _, fault in self._faults)

    def asked_by_reader(self, column: Column) -> bool:
        """Tell whether reading has already asked how the numbers of a column are meant."""
        names = _reader_names(column)
        return any(
            fault.rule in READER_NUMBER_RULES and fault.location.column in names
            for _, fault in (*self._before, *self._faults)
        )

    def damage_reported(self, column: Column) -> bool:
        """Tell whether reading has reported dates among the labels of a column."""
        names = _reader_names(column)
        return any(
            fault.rule == "dates-among-labels" and fault.location.column in names
            for _, fault in (*self._before, *self._faults)
        )

    def time_unit_asked(self, table: RawTable) -> bool:
        """Tell whether the unit of the times of a table has been asked for."""
        return any(
            fault.rule == "time-unit-missing" and order[0] == self._tables
            for order, fault in self._faults
            if fault.location.sheet == table.sheet
        )

    def formula_rows(self, table: RawTable, column: Column) -> set[int]:
        """List the rows of a column in which reading found a formula without a value."""
        return {
            fault.location.row
            for _, fault in (*self._before, *self._faults)
            if "formula" in fault.rule
            and fault.location.row is not None
            and fault.location.sheet == table.sheet
            and fault.location.column in _reader_names(column)
        }

    def in_order(self) -> tuple[Fault, ...]:
        """Give all faults in file order; equal notes as one, with their rows listed."""
        ordered = sorted([*self._faults, *self._counted()], key=lambda pair: pair[0])
        rows: dict[tuple[object, ...], list[int]] = {}
        for _, fault in ordered:
            if fault.severity == "note" and fault.location.row is not None:
                rows.setdefault(_kind_of_note(fault), []).append(fault.location.row)
        gathered = []
        for _, fault in ordered:
            same = rows.get(_kind_of_note(fault), [])
            if fault.severity != "note" or len(same) < 2 or fault.location.row is None:
                gathered.append(fault)
            elif fault.location.row == same[0]:
                gathered.append(
                    replace(fault, message=f"{fault.message} ({list_rows(sorted(set(same)))})")
                )
        return tuple(gathered)

    def _counted(self) -> list[tuple[tuple[int, int, int], Fault]]:
        """Count what stands beyond the limits of one rule in one column."""
        counted = []
        for key, (order, fault) in self._last.items():
            more = self._counts[key] - _limit(key[0])
            message = f"{more} more like this, the last with “{fault.value}”"
            counted.append((order, replace(fault, message=message)))
        return counted


def _limit(severity: str) -> int:
    return NAMED_NOTES if severity == "note" else NAMED_ERRORS


def _kind_of_note(fault: Fault) -> tuple[object, ...]:
    """Give what makes two notes the same but for their row."""
    where = fault.location
    return (fault.rule, fault.message, fault.remedy, where.sheet, where.column, fault.value)


def _reader_names(column: Column) -> tuple[str, ...]:
    """List the names under which reading may have reported a column."""
    heading = " ".join(column.heading.split())
    return (
        column.heading,
        heading,
        f"{column.group} {column.heading}".strip(),
        f"column {column.position}",
    )


def column_name(column: Column) -> str:
    """Name a column as its reader would: its heading, or its place."""
    name = " ".join(column.heading.split())
    if column.group and column.group.strip() and column.group not in column.heading:
        name = f"{' '.join(column.group.split())}: {name}" if name else column.group.strip()
    return name or f"column {column.position}"


def list_rows(rows: Sequence[int]) -> str:
    """Write row numbers as words: `row 4`, `rows 4, 5 and 9`, `rows 4, 5 and 12 more`."""
    if len(rows) == 1:
        return f"row {rows[0]}"
    if len(rows) <= LISTED_ROWS:
        return f"rows {', '.join(map(str, rows[:-1]))} and {rows[-1]}"
    shown = ", ".join(map(str, rows[:LISTED_ROWS]))
    return f"rows {shown} and {len(rows) - LISTED_ROWS} more"
