"""Columns with their meanings, and the tables that they make."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.register.files.sheets import Column, RawTable
from metafreeze.register.meaning.findings import column_name
from metafreeze.register.meaning.headings import Meaning, plain_heading, split_units
from metafreeze.register.meaning.units import Unit, dimensions_of
from metafreeze.register.meaning.values import Glance, trimmed

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
