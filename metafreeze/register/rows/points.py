"""Points read off a figure: axis values with a reading error, or pixels with axis marks.

Pixel positions become axis values by a least-squares line through the marks of each axis,
and its residual becomes the reading error of every point.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from metafreeze.register.answers import Answers
from metafreeze.register.files.sheets import Column, Dialect, RawTable
from metafreeze.register.meaning.findings import Findings, list_rows
from metafreeze.register.meaning.headings import Meaning, plain_heading, read_heading
from metafreeze.register.meaning.named import NamedColumn, NamedTable
from metafreeze.register.meaning.units import Dimension, Unit, find_unit
from metafreeze.register.meaning.values import (
    cell_text,
    glance,
    number_reader,
    raw_numbers,
)
from metafreeze.register.meaning.words import MARK_WORDS, is_missing, plain_word
from metafreeze.register.rows.drafts import Draft
from metafreeze.register.rows.runs import read_runs

BoolArray = npt.NDArray[np.bool_]
FloatArray = npt.NDArray[np.float64]

# A mark is set to a whole pixel: a rounding error of uniform width one.
PIXEL_ROUNDING_SD = 1 / math.sqrt(12)

# No picture is so large and no axis goes so far; their squares must stay numbers.
LARGEST_PX, LARGEST_VALUE = 1e7, 1e15

# An axis whose marks miss the line by more than this is not the axis that is claimed.
POOR_FIT_PX = 3.0

# How much better a logarithmic axis must fit before it is taken for one.
CLEARLY_BETTER = 0.3

# Marks whose positions differ by no more than this lie in one line.
ALIGNED_PX = 2

AXES = ("x", "y")
_AXIS_WORDS = {
    "x": "x",
    "x axis": "x",
    "horizontal": "x",
    "abscissa": "x",
    "y": "y",
    "y axis": "y",
    "vertical": "y",
    "ordinate": "y",
}
_AXIS_DIMENSIONS: tuple[Dimension, ...] = ("temperature", "time")
_TARGET_OF: dict[Dimension, str] = {"temperature": "start_temp_c", "time": "time"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """A calibrated axis: position in pixels against axis value.

    Parameters
    ----------
    intercept_px, slope_px : float
        Line through the marks: pixel = intercept + slope * value, the value logged to base
        ten on a logarithmic axis.
    residual_px : float
        Standard deviation of the marks about the line; NaN with two marks.
    centre, spread : float
        Mean of the marks' values and the sum of their squared deviations.
    n : int
        Number of marks.
    logarithmic : bool
        Whether values are logged.
    """

    intercept_px: float
    slope_px: float
    residual_px: float
    centre: float
    spread: float
    n: int
    logarithmic: bool = False

    def read(self, pixel: FloatArray, error_px: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Give axis values and their reading errors for pixel positions.

        Parameters
        ----------
        pixel : float array, shape (n,)
            Positions.
        error_px : float array, shape (n,)
            Reading error of each position in pixels; NaN to use that of the marks.

        Returns
        -------
        value, sd : float array, shape (n,)
            In the axis unit.

        Source
        ------
        Inverse prediction from a calibration line, as in Draper & Smith (1998), Applied
        Regression Analysis, 3rd edition, section 3.2 (from memory).
        """
        at = (pixel - self.intercept_px) / self.slope_px
        marks = 0.0 if math.isnan(self.residual_px) else self.residual_px**2
        own = np.where(np.isnan(error_px), marks + PIXEL_ROUNDING_SD**2, error_px**2)
        line = marks * (1 / self.n + (at - self.centre) ** 2 / self.spread)
        sd = np.sqrt(own + line) / abs(self.slope_px)
        if not self.logarithmic:
            return at, sd
        value = 10.0**at
        return value, value * math.log(10) * sd


def calibrate(pixel: FloatArray, value: FloatArray, *, logarithmic: bool = False) -> Axis | None:
    """Fit a line through the marks of an axis.

    Parameters
    ----------
    pixel, value : float array, shape (marks,)
        Position and axis value of each mark.
    logarithmic : bool
        Whether the axis is logarithmic.

    Returns
    -------
    Axis or None
        None where the marks do not span the axis.
    """
    v = np.log10(value) if logarithmic else np.asarray(value, dtype=np.float64)
    centre = float(v.mean())
    spread = float(((v - centre) ** 2).sum())
    if spread == 0 or float(np.ptp(pixel)) == 0:
        return None
    slope = float(((v - centre) * (pixel - pixel.mean())).sum() / spread)
    if slope == 0:
        return None
    intercept = float(pixel.mean() - slope * centre)
    missed = pixel - intercept - slope * v
    n = int(v.size)
    residual = math.sqrt(float((missed**2).sum()) / (n - 2)) if n > 2 else math.nan
    return Axis(
        intercept_px=intercept,
        slope_px=slope,
        residual_px=residual,
        centre=centre,
        spread=spread,
        n=n,
        logarithmic=logarithmic,
    )


def read_points(named: NamedTable, dialect: Dialect, answers: Answers, findings: Findings) -> Draft:
    """Turn pixel positions and axis marks into a draft of runs.

    Parameters
    ----------
    named : NamedTable
        A table with columns `mark`, `pixel_x`, `pixel_y` and `value`.
    dialect : Dialect
        How numbers look.
    answers : Answers
        What a person has answered.
    findings : Findings
        Receives what is wrong.

    Returns
    -------
    Draft
    """
    if _holds_no_pixels(named):
        return read_runs(named, dialect, answers, findings)
    is_axis, is_point = _kinds_of_rows(named, findings)
    pixels = {
        axis: _numbers(named.first(f"pixel_{axis}"), named, dialect, findings) for axis in AXES
    }
    axis_of = _axis_of_marks(named, is_axis, pixels, findings)
    points = np.flatnonzero(is_point)
    table = _take(named.table, points)
    columns = [_taken(c, points) for c in named.columns if c.target not in _PIXEL_ONLY]
    error_column = named.first("pixel_error")
    error_px = (
        _numbers(error_column, named, dialect, findings)[points]
        if error_column is not None
        else np.full(points.size, np.nan)
    )
    for axis in AXES:
        marks = np.flatnonzero(is_axis & (axis_of == axis))
        columns += _axis_columns(
            named, axis, marks, points, pixels[axis], error_px, dialect, answers, findings
        )
    placed = NamedTable(table=table, columns=columns, asked=named.asked)
    quiet = Findings(findings.file)
    quiet.follow(findings)
    draft = read_runs(placed, dialect, answers, quiet)
    # Where an axis is asked about, its missing values follow from the question.
    lost = not placed.has("time") or not placed.has("start_temp_c")
    findings.take(quiet, without=("no-freezing-time", "no-start-temperature") if lost else ())
    draft.aside["used"] = int(is_axis.sum())
    draft.aside["unreadable"] = int((~is_axis & ~is_point).sum())
    draft.note_derived(
        "start_temp_c and times: from pixel positions by least squares through the axis marks"
    )
    findings.add(
        "note",
        "calibrated",
        f"{int(is_axis.sum())} axis marks place {points.size} points",
        table=named.table,
    )
    return draft


def _holds_no_pixels(named: NamedTable) -> bool:
    """Tell whether the columns for pixels stand empty, beside values in axis units."""
    return not any(c.glance.texts for c in named.all_of("mark", "pixel_x", "pixel_y"))


_PIXEL_ONLY = frozenset(
    ("mark", "axis", "pixel_x", "pixel_y", "axis_value", "pixel_error", "scale", "quantity")
)


def _kinds_of_rows(named: NamedTable, findings: Findings) -> tuple[BoolArray, BoolArray]:
    n = named.table.n_rows
    column = named.first("mark")
    values = named.first("axis_value")
    is_axis = np.zeros(n, dtype=np.bool_)
    is_point = np.zeros(n, dtype=np.bool_)
    for at in range(n):
        if column is None:
            # Without a column `mark`, a row with an axis value is a mark.
            text = cell_text(values.column, at) if values is not None else ""
            is_axis[at] = not is_missing(text)
            is_point[at] = not is_axis[at]
            continue
        text = cell_text(column.column, at)
        word = MARK_WORDS.get(plain_word(text), "")
        is_axis[at], is_point[at] = word == "axis", word == "point"
        if not word:
            findings.add(
                "error",
                "unknown-word",
                f"“{text}” is neither an axis mark nor a point",
                remedy="Use one of axis, point",
                table=named.table,
                column=column.column,
                at=at,
                value=text,
            )
    return is_axis, is_point


def _refuse_cell(
    named: NamedTable,
    column: NamedColumn,
    at: int,
    findings: Findings,
    *,
    remedy: str,
    beyond: str = "",
) -> None:
    """Refuse a cell that is no number, or a number beyond anything there is."""
    text = cell_text(column.column, at)
    findings.add(
        "error",
        "out-of-range" if beyond else "not-a-number",
        beyond or f"“{text}” is not a number",
        remedy=remedy,
        table=named.table,
        column=column.column,
        at=at,
        value=text,
    )


def _numbers(
    column: NamedColumn | None, named: NamedTable, dialect: Dialect, findings: Findings
) -> FloatArray:
    n = named.table.n_rows
    if column is None:
        return np.full(n, np.nan)
    values, irregular = raw_numbers(column.column, dialect)
    for at in np.flatnonzero(irregular):
        text = cell_text(column.column, at)
        if is_missing(text) or findings.asked_by_reader(column.column):
            continue
        _refuse_cell(named, column, int(at), findings, remedy="Enter the position in pixels")
    beyond = np.abs(values) > LARGEST_PX
    for at in np.flatnonzero(beyond):
        _refuse_cell(
            named,
            column,
            int(at),
            findings,
            remedy="Enter the position in pixels",
            beyond=f"A position of {values[at]:.3g} pixels lies in no picture",
        )
    return np.where(beyond, np.nan, values)


def _axis_of_marks(
    named: NamedTable, is_axis: BoolArray, pixels: Mapping[str, FloatArray], findings: Findings
) -> npt.NDArray[np.object_]:
    """Tell the axis of each mark: by its column, else by which position it has."""
    n = named.table.n_rows
    axis_of = np.full(n, "", dtype=object)
    column = named.first("axis") or named.first("mark")
    for at in np.flatnonzero(is_axis):
        text = cell_text(column.column, at) if column is not None else ""
        word = _AXIS_WORDS.get(plain_word(text), "")
        if not word and column is not None and column.target == "axis":
            target = _target_of_text(text)[0]
            # An axis may be named by what it shows.
            word = {"start_temp_c": "x", "time": "y"}.get(target, "")
        if not word:
            has_x, has_y = (not math.isnan(pixels[axis][at]) for axis in AXES)
            word = "x" if has_x and not has_y else "y" if has_y and not has_x else ""
        axis_of[at] = word
    _tell_by_alignment(is_axis, axis_of, pixels)
    lost = np.flatnonzero(is_axis & (axis_of == ""))
    if lost.size:
        findings.add(
            "error",
            "axis-unclear",
            f"Axis marks in {list_rows([int(named.table.file_rows[at]) for at in lost])} do not "
            "say which axis they are on",
            remedy="Add a column “axis” with x or y",
            table=named.table,
            at=int(lost[0]),
        )
    return axis_of


def _tell_by_alignment(
    is_axis: BoolArray, axis_of: npt.NDArray[np.object_], pixels: Mapping[str, FloatArray]
) -> None:
    """Tell the axis of marks by their line: a row of pixels is the x axis, a column the y axis.

    A mark in the corner lies on both; it goes with the next mark that is clear.
    """
    open_ = np.flatnonzero(is_axis & (axis_of == ""))
    for at in open_:
        same_y = np.abs(pixels["y"][open_] - pixels["y"][at]) <= ALIGNED_PX
        same_x = np.abs(pixels["x"][open_] - pixels["x"][at]) <= ALIGNED_PX
        if same_y.sum() > same_x.sum():
            axis_of[at] = "x"
        elif same_x.sum() > same_y.sum():
            axis_of[at] = "y"
    clear = np.flatnonzero(is_axis & (axis_of != ""))
    for at in open_:
        if not axis_of[at] and clear.size:
            after = clear[clear > at]
            axis_of[at] = axis_of[after[0] if after.size else clear[-1]]


def _target_of_text(text: str) -> tuple[str, Unit | None]:
    for meaning in read_heading(text):
        if meaning.target in ("start_temp_c", "time", "mean_s"):
            return ("time" if meaning.target == "mean_s" else meaning.target), meaning.unit
    return "", None


def _axis_quantity(
    named: NamedTable, axis: str, marks: npt.NDArray[np.int64], answers: Answers
) -> tuple[str, Unit | None]:
    """Tell what an axis shows and in which unit."""
    target, unit = "", None
    for key, spelled in answers.units.items():
        if _AXIS_WORDS.get(plain_heading(key)) == axis:
            for dimension in _AXIS_DIMENSIONS:
                found = find_unit(spelled, dimension=dimension)
                if found is not None:
                    return _TARGET_OF[found.dimension], found
    for key, value in named.table.preamble.items():
        if _AXIS_WORDS.get(plain_heading(key)) == axis:
            target, unit = _target_of_text(value)
    texts = []
    for name in ("quantity", "axis"):
        column = named.first(name)
        texts += [cell_text(column.column, at) for at in marks] if column is not None else []
    for text in texts:
        found_target, found_unit = _target_of_text(text)
        target, unit = target or found_target, unit or found_unit
    values = named.first("axis_value")
    unit_column = values.unit_column if values is not None else None
    spelled_units = [cell_text(unit_column, at) for at in marks] if unit_column is not None else []
    if values is not None:
        for at in marks:
            match = re.match(r"^[-+−–\d.,\s]+(\D+)$", cell_text(values.column, at).strip())
            spelled_units += [match.group(1)] if match else []
    for spelled in spelled_units:
        for dimension in _AXIS_DIMENSIONS:
            found = find_unit(spelled, dimension=dimension)
            if found is not None and (not target or _TARGET_OF[found.dimension] == target):
                return _TARGET_OF[found.dimension], found
    return target, unit


def _axis_columns(
    named: NamedTable,
    axis: str,
    marks: npt.NDArray[np.int64],
    points: npt.NDArray[np.int64],
    pixel: FloatArray,
    error_px: FloatArray,
    dialect: Dialect,
    answers: Answers,
    findings: Findings,
) -> list[NamedColumn]:
    """Calibrate one axis and give its values and errors at the points as columns."""
    values, value_column = _mark_values(named, marks, dialect, findings)
    usable = ~np.isnan(values) & ~np.isnan(pixel[marks])
    marks, values = marks[usable], values[usable]
    if marks.size < 2:
        if points.size and not np.isnan(pixel[points]).all():
            findings.add(
                "error",
                "too-few-marks",
                f"The {axis} axis has {marks.size} mark{'s' if marks.size != 1 else ''}; a scale "
                "needs two at least, better three",
                remedy="Add rows with mark = axis, the position in pixels and the axis value",
                table=named.table,
                column=value_column.column if value_column is not None else None,
            )
        return []
    target, unit = _axis_quantity(named, axis, marks, answers)
    if not target or unit is None:
        findings.add(
            "question",
            "axis-quantity",
            f"Nothing says in which unit the {axis} axis is"
            if target
            else f"Nothing says what the {axis} axis shows",
            remedy=f'Answer with --unit "{axis}=°C" for a temperature or --unit "{axis}=min" for a '
            "time, or add columns “axis quantity” and “unit”",
            table=named.table,
            column=value_column.column if value_column is not None else None,
        )
        return []
    fitted = _fit(named, axis, marks, values, pixel, value_column, findings)
    if fitted is None:
        return []
    value, sd = fitted.read(pixel[points], error_px)
    spread_dimension: Dimension = "difference" if unit.dimension == "temperature" else "time"
    spread_unit = find_unit(unit.name, dimension=spread_dimension)
    spread_target = "start_temp_sd_k" if target == "start_temp_c" else "time_reading_sd_s"
    made = [_made_column(named, axis, value, target, unit, dialect)]
    if spread_unit is not None:
        name = f"{axis} (reading error)"
        made.append(_made_column(named, name, sd, spread_target, spread_unit, dialect))
    return made


def _mark_values(
    named: NamedTable, marks: npt.NDArray[np.int64], dialect: Dialect, findings: Findings
) -> tuple[FloatArray, NamedColumn | None]:
    column = named.first("axis_value")
    values = np.full(marks.size, np.nan)
    if column is None:
        return values, None
    number = number_reader(dialect)
    for place, at in enumerate(marks):
        text = cell_text(column.column, at)
        if is_missing(text):
            continue
        plain = number(text)
        if plain is None:
            match = re.match(r"^([-+−–\d.,\s]*\d)\s*(\D*)$", text.strip())
            plain = number(match.group(1)) if match else None
        if plain is None or abs(plain) > LARGEST_VALUE:
            beyond = f"An axis value of {plain:.3g} is beyond any axis" if plain else ""
            remedy = "Enter the axis value at the mark"
            _refuse_cell(named, column, int(at), findings, remedy=remedy, beyond=beyond)
            continue
        values[place] = plain
    return values, column


def _fit(
    named: NamedTable,
    axis: str,
    marks: npt.NDArray[np.int64],
    values: FloatArray,
    pixel: FloatArray,
    value_column: NamedColumn | None,
    findings: Findings,
) -> Axis | None:
    raw = value_column.column if value_column is not None else None
    scale = named.first("scale")
    said = {plain_word(cell_text(scale.column, at)) for at in marks if scale is not None} - {""}
    logged = any(word.startswith(("log", "ln")) for word in said)
    linear = calibrate(pixel[marks], values)
    curved = calibrate(pixel[marks], values, logarithmic=True) if (values > 0).all() else None
    chosen = curved if logged else linear
    if logged and curved is None:
        findings.add(
            "error",
            "log-axis-value",
            f"The {axis} axis is logarithmic, and a mark on it is not above zero",
            remedy="Check the axis values, or call the scale linear",
            table=named.table,
            column=raw,
        )
        return None
    if not said and linear is not None and curved is not None and marks.size >= 3:
        better = curved.residual_px < CLEARLY_BETTER * linear.residual_px
        if better and linear.residual_px > POOR_FIT_PX:
            chosen = curved
            findings.add(
                "note",
                "axis-taken-as-log",
                f"The marks of the {axis} axis lie on a logarithmic scale (they miss it by "
                f"{curved.residual_px:.2g} pixels, a linear one by {linear.residual_px:.2g})",
                remedy="Otherwise add a column “axis scale” with linear or log",
                table=named.table,
                column=raw,
            )
    if chosen is None:
        findings.add(
            "error",
            "marks-coincide",
            f"The marks of the {axis} axis share one position or one value: they fix no scale",
            remedy="Set the marks apart along the axis",
            table=named.table,
            column=raw,
        )
        return None
    if marks.size == 2:
        findings.add(
            "note",
            "two-marks",
            f"The {axis} axis has two marks: a slip in one of them cannot be seen, and the reading "
            "error counts the rounding to whole pixels only",
            remedy="Add a third mark",
            table=named.table,
            column=raw,
        )
    elif chosen.residual_px > POOR_FIT_PX:
        findings.add(
            "question",
            "marks-off-the-line",
            f"The marks of the {axis} axis miss their line by {chosen.residual_px:.2g} pixels",
            remedy="Check positions and values of the marks, or name the scale in a column “axis "
            "scale” as linear or log",
            table=named.table,
            column=raw,
        )
    return chosen


def _made_column(
    named: NamedTable,
    name: str,
    values: FloatArray,
    target: str,
    unit: Unit,
    dialect: Dialect,
) -> NamedColumn:
    source = named.first(f"pixel_{name[0]}")
    text = pa.array([None if math.isnan(v) else repr(float(v)) for v in values], pa.string())
    column = Column(
        heading=source.column.heading if source is not None else name,
        position=source.column.position if source is not None else 0,
        text=text,
        numbers=values,
    )
    return NamedColumn(
        column=column,
        meaning=Meaning(target=target, unit=unit),
        glance=glance(column, dialect),
        unit_from="axis marks",
    )


def _take(table: RawTable, rows: npt.NDArray[np.int64]) -> RawTable:
    return replace(
        table,
        columns=tuple(_taken_column(c, rows) for c in table.columns),
        file_rows=table.file_rows[rows],
        hidden=None if table.hidden is None else table.hidden[rows],
    )


def _taken_column(column: Column, rows: npt.NDArray[np.int64]) -> Column:
    return replace(
        column,
        text=column.text.take(pa.array(rows)),
        numbers=None if column.numbers is None else column.numbers[rows],
        dates=None if column.dates is None else column.dates[rows],
    )


def _taken(named: NamedColumn, rows: npt.NDArray[np.int64]) -> NamedColumn:
    unit_column = named.unit_column
    return NamedColumn(
        column=_taken_column(named.column, rows),
        meaning=named.meaning,
        glance=named.glance,
        unit_from=named.unit_from,
        unit_column=None if unit_column is None else _taken_column(unit_column, rows),
        date=named.date,
    )
