"""Published groups: mean or median, spread of any kind, number of runs, as stated."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.register.meaning.named import NamedColumn, Slot
from metafreeze.register.meaning.spreads import Stated, find_kind, read_stated
from metafreeze.register.meaning.values import cell_text, number_reader, raw_numbers
from metafreeze.register.meaning.words import SENTINELS, find_word, is_missing
from metafreeze.register.rows.drafts import Draft
from metafreeze.register.rows.fields import read_quantity, read_row_units, report_range, unit_suffix
from metafreeze.register.rows.readings import Reading
from metafreeze.register.schema import FIELD

BoolArray = npt.NDArray[np.bool_]
FloatArray = npt.NDArray[np.float64]

# Columns that hold one kind of number only, columns with a centre, and columns of spreads
# whose kind the heading, another column or the cell says.
DIRECT = ("sd_s", "se_s", "ci_low_s", "ci_high_s", "q1_s", "q3_s", "min_s", "max_s")
CENTRES = ("mean_s", "median_s")
LOOSE = ("spread", "interval", "quartiles", "span")

_KIND_OF_HEADING = {"interval": "CI", "quartiles": "IQR", "span": "range"}
_KIND_OF_WORD = {"SD": "SD", "SE": "SE", "CI95": "CI", "range": "range"}
_ENDS = {"IQR": ("q1_s", "q3_s"), "range": ("min_s", "max_s"), "CI": ("ci_low_s", "ci_high_s")}

USUAL_LEVEL = 0.95
SPREAD_TYPES = "SD, SE, 95% CI, IQR, range, none, unstated"


def seconds_per_unit(column: NamedColumn, draft: Draft, reading: Reading) -> FloatArray:
    """Give the seconds in one unit of each record's cell, shape (records,)."""
    base = column.unit.convert_one(1.0) if column.unit is not None else 1.0
    units = read_row_units(column, draft, reading.findings)
    if units is None:
        return np.full(draft.n, base)
    return np.array([u.convert_one(1.0) if u is not None else base for u in units])


def read_runs_behind(reading: Reading, slot: Slot, draft: Draft) -> None:
    """Read n; an arm with n = 0 has no runs and is left out with that reason.

    Parameters
    ----------
    reading : Reading
        The table.
    slot : Slot
        The arm at hand.
    draft : Draft
        Its rows; receives `n_runs`.
    """
    columns = reading.columns_for(slot, "n_runs", "n_total")
    if not columns:
        return
    column = columns[0]
    typed, _ = raw_numbers(column.column, reading.dialect)
    none = typed == 0
    stored = column.column.numbers
    counted = replace(
        column,
        column=replace(
            column.column,
            text=pc.if_else(pa.array(none), pa.scalar(None, pa.string()), column.labels),
            numbers=None if stored is None else np.where(none, np.nan, stored),
        ),
        meaning=replace(column.meaning, target="n_runs"),
    )
    draft.columns["n_runs"] = read_quantity(
        counted, draft, reading.dialect, reading.findings
    ).values
    draft.exclude(none, "no runs in this arm (n = 0)")
    for at in np.flatnonzero(none):
        arm = slot.arm or draft.text("arm")[int(at)].as_py() or ""
        reading.findings.add(
            "note",
            "no-runs",
            f"The {arm} arm has n = 0: there are no runs in it, left out".replace("  ", " "),
            table=draft.table,
            column=column.column,
            at=int(at),
            value=cell_text(column.column, at),
        )


def read_groups(reading: Reading, slot: Slot, draft: Draft) -> BoolArray:
    """Read centre and spread of every record of an arm.

    Parameters
    ----------
    reading : Reading
        The table.
    slot : Slot
        The arm at hand.
    draft : Draft
        Its rows; receives the statistics.

    Returns
    -------
    bool array, shape (records,)
        True where a record has a mean or a median.
    """
    reader = _GroupReader(reading, slot, draft)
    reader.read()
    return reader.finish()


class _GroupReader:
    """The statistics of one arm while they are gathered, record by record."""

    def __init__(self, reading: Reading, slot: Slot, draft: Draft) -> None:
        self.reading, self.slot, self.draft = reading, slot, draft
        self.findings = reading.findings
        self.number = number_reader(reading.dialect)
        n = draft.n
        names = (*DIRECT, *CENTRES, "ci_level", "n_runs")
        self.values = {name: draft.numbers(name).copy() for name in names}
        self.bars: list[str | None] = [None] * n
        self.derived: dict[str, BoolArray] = {}
        self.contrasts = reading.named.has("contrast_value")
        self.kinds = reading.named.first("spread_type") or reading.named.first("error_bar_meaning")

    def read(self) -> None:
        columns_for = self.reading.columns_for
        if self.contrasts and not self.reading.named.has(*CENTRES):
            return
        for column in columns_for(self.slot, *DIRECT):
            if np.isnan(self.values[column.target]).all():
                self._read_direct(column)
        if not self.contrasts:
            for column in columns_for(self.slot, "variance")[:1]:
                self._read_variance(column)
        for column in columns_for(self.slot, *CENTRES):
            self._read_centres(column)
        for column in columns_for(self.slot, *LOOSE):
            self._read_loose(column)

    def finish(self) -> BoolArray:
        """Write what was gathered into the draft."""
        self._name_bars()
        for name, values in self.values.items():
            for place in np.flatnonzero(np.isinf(values)):
                self._report_infinite(name, int(place))
            if not np.isnan(values).all():
                self.draft.columns[name] = values
        if any(self.bars):
            self.draft.columns["error_bar_meaning"] = pa.array(self.bars, pa.string())
        for text, at in self.derived.items():
            self.draft.note_derived(text, at)
        centre: BoolArray = ~np.isnan(self.values["mean_s"]) | ~np.isnan(self.values["median_s"])
        return centre

    def _add(
        self, severity: str, rule: str, message: str, remedy: str, column: NamedColumn, at: int
    ) -> None:
        source = self.draft.text("source_id")[at].as_py() or self.draft.text("lab_id")[at].as_py()
        self.findings.add(
            severity,  # type: ignore[arg-type]
            rule,
            message,
            remedy=remedy,
            table=self.draft.table,
            column=column.column,
            at=at,
            value=cell_text(column.column, at),
            run=source or "",
        )

    def _report_infinite(self, name: str, at: int) -> None:
        """Refuse what a conversion or a rule made infinite."""
        self.values[name][at] = np.nan
        self.findings.add(
            "error",
            "out-of-range",
            f"{FIELD[name].label[:1].upper()}{FIELD[name].label[1:]} is larger than any time",
            remedy="Check the row against its source",
            table=self.draft.table,
            at=at,
        )

    def _derive(self, text: str, at: int) -> None:
        self.derived.setdefault(text, np.zeros(self.draft.n, dtype=np.bool_))[at] = True

    def _read_direct(self, column: NamedColumn) -> None:
        values = read_quantity(column, self.draft, self.reading.dialect, self.findings).values
        self.values[column.target] = values.copy()
        if column.target in _ENDS["CI"]:
            for at in np.flatnonzero(~np.isnan(values)):
                self._set_level(column.meaning.level, column, int(at))

    def _set_level(self, level: float | None, column: NamedColumn, at: int) -> None:
        if not math.isnan(self.values["ci_level"][at]):
            return
        if level is None or math.isnan(level):
            level = USUAL_LEVEL
            if not self.findings.has("level-assumed"):
                self.findings.add(
                    "note",
                    "level-assumed",
                    f"“{column.name}” does not say its level: taken as 95 %",
                    remedy="Otherwise add a column “interval level”",
                    table=self.draft.table,
                    column=column.column,
                )
        self.values["ci_level"][at] = level

    def _read_variance(self, column: NamedColumn) -> None:
        typed, _ = raw_numbers(column.column, self.reading.dialect)
        factors = seconds_per_unit(column, self.draft, self.reading)
        negative = typed < 0
        for at in np.flatnonzero(negative):
            self._add(
                "note",
                "variance-not-positive",
                f"The variance is negative (“{cell_text(column.column, at)}”): left out",
                "Correct it, or give the SD",
                column,
                int(at),
            )
        self.draft.exclude(negative, "negative variance")
        for at in np.flatnonzero(typed >= 0):
            if math.isnan(self.values["sd_s"][at]):
                self.values["sd_s"][at] = math.sqrt(typed[at]) * factors[at]
                self._derive("sd_s: square root of the variance", int(at))

    def _read_centres(self, column: NamedColumn) -> None:
        typed, irregular = raw_numbers(column.column, self.reading.dialect)
        factors = seconds_per_unit(column, self.draft, self.reading)
        changed = np.zeros(self.draft.n, dtype=np.bool_)
        for at, text in enumerate(column.labels.to_pylist()):
            if text is None or is_missing(text):
                continue
            if not irregular[at] and typed[at] in SENTINELS:
                continue
            stated = Stated(centre=float(typed[at]))
            if irregular[at]:
                stated = read_stated(text, self.number, with_centre=True)
            if self._store_centre(column, at, stated, text, float(factors[at])):
                changed[at] = irregular[at] or factors[at] != 1.0
        self.draft.note_typed(column.name, column.labels, unit_suffix(column), changed)

    def _store_centre(
        self, column: NamedColumn, at: int, stated: Stated, text: str, factor: float
    ) -> bool:
        usual = "median" if column.target == "median_s" else "mean"
        if not stated.readable or math.isnan(stated.centre):
            self._report_number(column, at, text)
            return False
        centre_s = stated.centre * factor
        if centre_s <= 0:
            field = FIELD[column.target]
            bare = not stated.centre_kind and not stated.has_spread
            report_range(column, field, centre_s, at, self.draft, self.findings, bare=bare)
            return False
        kind = stated.centre_kind or usual
        self.values[f"{kind}_s"][at] = centre_s
        if kind != usual:
            self._add(
                "note",
                "median-not-mean" if kind == "median" else "mean-not-median",
                f"“{text}” says {kind} in a column of {usual}s: stored as the {kind}",
                "",
                column,
                at,
            )
        if not math.isnan(stated.n) and math.isnan(self.values["n_runs"][at]):
            self.values["n_runs"][at] = stated.n
        if stated.has_spread:
            heading = column.meaning.spread_type
            self._store_spread(
                column, at, stated, text, _KIND_OF_WORD.get(heading, heading), factor
            )
        return True

    def _report_number(self, column: NamedColumn, at: int, text: str) -> None:
        if self.findings.asked_by_reader(column.column):
            return
        self._add(
            "error",
            "not-a-number",
            f"“{text}” is not a number",
            "Enter it as a number, such as 41.2, as 41.2 ± 3.1, or as 40.0 (median), or leave the "
            "cell empty",
            column,
            at,
        )

    def _read_loose(self, column: NamedColumn) -> None:
        typed, irregular = raw_numbers(column.column, self.reading.dialect)
        factors = seconds_per_unit(column, self.draft, self.reading)
        changed = np.zeros(self.draft.n, dtype=np.bool_)
        for at, text in enumerate(column.labels.to_pylist()):
            if text is None or is_missing(text):
                continue
            if self.contrasts and math.isnan(self._centre(at)):
                continue
            stated = Stated(width=float(typed[at]))
            if irregular[at]:
                stated = read_stated(text, self.number, with_centre=False)
            if not stated.readable or not stated.has_spread:
                self._report_number(column, at, text)
                continue
            if math.isnan(stated.level) and column.meaning.level is not None:
                stated.level = column.meaning.level
            changed[at] = irregular[at] or factors[at] != 1.0
            by_heading = _KIND_OF_HEADING.get(column.target, "")
            self._store_spread(column, at, stated, text, by_heading, float(factors[at]))
        self.draft.note_typed(column.name, column.labels, unit_suffix(column), changed)

    def _kind_of_row(self, at: int) -> tuple[str, float]:
        """Give the kind of spread that the type column states for a record, and its level."""
        text = cell_text(self.kinds.column, at).strip() if self.kinds is not None else ""
        if is_missing(text):
            return "", math.nan
        kind, level = find_kind(text)
        word = "" if kind else find_word("error_bar_meaning", text)
        if word == "CI95":
            level = USUAL_LEVEL
        if not kind and not word:
            assert self.kinds is not None
            self._add(
                "error",
                "unknown-word",
                f"“{text}” is no kind of spread",
                f"Use one of {SPREAD_TYPES}",
                self.kinds,
                at,
            )
            return "?", math.nan
        return kind or _KIND_OF_WORD.get(word, ""), level

    def _store_spread(
        self,
        column: NamedColumn,
        at: int,
        stated: Stated,
        text: str,
        by_heading: str,
        factor: float,
    ) -> None:
        """Put a spread into the field of its kind; ask where nothing names the kind."""
        by_row, row_level = self._kind_of_row(at)
        if by_row == "?":
            return
        kind = stated.kind or by_row or by_heading or self._kind_by_answer(column, at, text)
        level = row_level if math.isnan(stated.level) else stated.level
        if kind == "CI95":
            kind, level = "CI", USUAL_LEVEL
        low, high = stated.low * factor, stated.high * factor
        if low > high:
            self._add(
                "error",
                "bounds-swapped",
                f"The lower end of “{text}” lies above the upper one",
                "Write the smaller number first",
                column,
                at,
            )
        elif kind in _ENDS:
            self._store_ends(column, at, kind, low, high, stated.width * factor, level, text)
        else:
            self._store_width(at, kind, low, high, stated.width, factor)

    def _centre(self, at: int) -> float:
        mean = float(self.values["mean_s"][at])
        return float(self.values["median_s"][at]) if math.isnan(mean) else mean

    def _store_ends(
        self,
        column: NamedColumn,
        at: int,
        kind: str,
        low: float,
        high: float,
        width: float,
        level: float,
        text: str,
    ) -> None:
        if math.isnan(low) and kind == "CI":
            low, high = self._centre(at) - width, self._centre(at) + width
            self._derive("ci_low_s and ci_high_s: centre ∓ the half-width", at)
        if math.isnan(low):
            what = "quartiles" if kind == "IQR" else "smallest and largest"
            self._add(
                "note",
                "spread-without-ends",
                f"“{text}” is the width of the {kind} only: without its two ends the row has no "
                "spread",
                f"Give the two {what}, such as 37-44",
                column,
                at,
            )
            return
        first, last = _ENDS[kind]
        self.values[first][at], self.values[last][at] = low, high
        if kind == "CI":
            self._set_level(level, column, at)

    def _store_width(
        self, at: int, kind: str, low: float, high: float, width: float, factor: float
    ) -> None:
        if kind == "CV":
            self.values["sd_s"][at] = width * self._centre(at)
            self._derive("sd_s: coefficient of variation times the centre", at)
            return
        if kind == "variance":
            self.values["sd_s"][at] = math.sqrt(max(width, 0.0)) * factor
            self._derive("sd_s: square root of the variance", at)
            return
        name = "se_s" if kind == "SE" else "sd_s"
        if kind == "unstated":
            self.bars[at] = "unstated"
        if not math.isnan(width):
            self.values[name][at] = width * factor
        elif kind != "unstated":
            self.values[name][at] = (high - low) / 2
            self._derive(f"{name}: half of the distance between the two ends", at)

    def _kind_by_answer(self, column: NamedColumn, at: int, text: str) -> str:
        """Give what the answer says about unlabelled bars, else ask and keep them unstated."""
        bars = self.reading.answers.bars
        if bars == "both":
            return "unstated"
        if bars:
            self._derive(f"error bars: {bars}, as answered", at)
            return bars
        source = self.draft.text("source_id")[at].as_py() or self.draft.text("lab_id")[at].as_py()
        self._add(
            "question",
            "bars-unstated",
            f"“{text}”{f' of {source}' if source else ''} does not say whether it is an SD, an SE, "
            "an interval or a range",
            "Name it in a column “spread type”, or answer for all such rows with --bars SD, --bars "
            "SE, --bars CI95, --bars range, or --bars both to have it analysed as SD and as SE",
            column,
            at,
        )
        return "unstated"

    def _name_bars(self) -> None:
        """Write what the bars mean: the schema's word for the spread that is there."""
        for at in range(self.draft.n):
            said = ""
            if self.kinds is not None and self.kinds.target == "error_bar_meaning":
                said = find_word("error_bar_meaning", cell_text(self.kinds.column, at))
            if self.bars[at] is None:
                self.bars[at] = said or self._word_of_spread(at)

    def _word_of_spread(self, at: int) -> str | None:
        if not math.isnan(self.values["sd_s"][at]):
            return "SD"
        if not math.isnan(self.values["se_s"][at]):
            return "SE"
        if not math.isnan(self.values["ci_low_s"][at]):
            return "CI95" if self.values["ci_level"][at] == USUAL_LEVEL else None
        return "range" if not math.isnan(self.values["min_s"][at]) else None
