"""Sheets to fill in: the plain columns or all of them, empty or with invented rows.

Headings are the schema's own labels with their unit, so that what is filled in is read
back as the same fields; tests hold the two together.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import get_args

from metafreeze.errors import InputError
from metafreeze.register.schema import FIELD, FIELDS, Field, SheetKind

SHEET_KINDS: tuple[SheetKind, ...] = get_args(SheetKind)

# Rows of an empty workbook that offer the words of a choice.
ROWS_WITH_CHOICES = 1000

# The longest list of words that a workbook cell can offer inline.
LONGEST_LIST = 255


@dataclass(frozen=True, slots=True, kw_only=True)
class TemplateColumn:
    """One column of a template.

    Parameters
    ----------
    heading : str
        As written.
    meaning : str
        One sentence, shown beside the heading in a workbook.
    vocabulary : tuple of str
        Words offered.
    """

    heading: str
    meaning: str
    vocabulary: tuple[str, ...] = ()


def _of_field(name: str, heading: str = "") -> TemplateColumn:
    field = FIELD[name]
    return TemplateColumn(
        heading=heading or heading_of(field),
        meaning=field.meaning,
        vocabulary=field.vocabulary or (("yes", "no") if field.kind == "boolean" else ()),
    )


def heading_of(field: Field) -> str:
    """Write the heading of a field: its label, and its unit in brackets.

    Times are offered in minutes, as people measure them.
    """
    if field.unit == "s":
        return f"{field.label} (min)"
    if field.unit in ("", "s or none"):
        return field.label
    return f"{field.label} ({field.unit})"


_FREEZE_TIME = TemplateColumn(
    heading="freeze time (min)",
    meaning="Time from insertion to the endpoint: 41, or 35-40 if it froze between two looks, "
    "or >180 if it was not frozen after 180 minutes.",
)
_SPREAD = TemplateColumn(heading="spread (min)", meaning="Spread of the times, as printed.")
_SPREAD_TYPE = TemplateColumn(
    heading="spread type",
    meaning="What the spread is.",
    vocabulary=("SD", "SE", "95% CI", "IQR", "range", "unstated"),
)
_CONTRAST_KIND = TemplateColumn(
    heading="contrast type",
    meaning="What is compared, and which way round.",
    vocabulary=("hot - cold", "cold - hot", "ratio hot/cold", "ratio cold/hot", "% change"),
)
_MARK = TemplateColumn(
    heading="mark",
    meaning="Whether the row is a mark on an axis or a point of the figure.",
    vocabulary=("axis", "point"),
)
_PIXELS = (
    _MARK,
    TemplateColumn(heading="axis", meaning="Axis of a mark.", vocabulary=("x", "y")),
    TemplateColumn(heading="axis quantity", meaning="What the axis shows, such as time (min)."),
    TemplateColumn(
        heading="axis scale", meaning="Scale of the axis.", vocabulary=("linear", "log")
    ),
    TemplateColumn(heading="pixel_x", meaning="Position from the left, in pixels."),
    TemplateColumn(heading="pixel_y", meaning="Position from the top, in pixels."),
    TemplateColumn(heading="value", meaning="Axis value at a mark."),
)

_PLAIN: dict[SheetKind, tuple[TemplateColumn, ...]] = {
    "runs": (
        _of_field("lab_id"),
        _of_field("block_id"),
        _of_field("vessel_material"),
        _of_field("start_temp_c"),
        _FREEZE_TIME,
        _of_field("remark"),
    ),
    "summaries": (
        _of_field("source_id"),
        _of_field("arm"),
        _of_field("start_temp_c"),
        _of_field("mean_s"),
        _SPREAD,
        _SPREAD_TYPE,
        _of_field("n_runs", "n"),
        _of_field("endpoint"),
        _of_field("remark"),
    ),
    "points": (
        _of_field("source_id"),
        _of_field("locator"),
        _of_field("start_temp_c"),
        _FREEZE_TIME,
        _of_field("time_reading_sd_s"),
        _of_field("endpoint"),
        _of_field("remark"),
    ),
}

# Fields of a full sheet that a plainer column stands for.
_STANDS_FOR = {
    "time_lower_s": _FREEZE_TIME,
    "time_upper_s": _FREEZE_TIME,
    "contrast_scale": _CONTRAST_KIND,
}
_NOT_TOGETHER: dict[SheetKind, tuple[str, ...]] = {
    "runs": (),
    # The sheet of summaries has a column for each kind of spread.
    "summaries": ("record_level",),
    "points": ("n_runs",),
}


def template_columns(kind: SheetKind, *, full: bool = False) -> tuple[TemplateColumn, ...]:
    """List the columns of a template.

    Parameters
    ----------
    kind : {"runs", "summaries", "points"}
        What the sheet is for.
    full : bool
        All columns of the kind instead of the plain ones.

    Returns
    -------
    tuple of TemplateColumn
        In the order of the sheet.
    """
    if not full:
        return _PLAIN[kind]
    columns: list[TemplateColumn] = []
    for field in FIELDS:
        if kind not in field.sheets or field.name in _NOT_TOGETHER[kind]:
            continue
        column = _STANDS_FOR.get(field.name) or _of_field(field.name)
        if column not in columns:
            columns.append(column)
    return (*columns, *_PIXELS) if kind == "points" else tuple(columns)


# Invented rows in the order of the plain columns. Every one is marked as invented.
_EXAMPLES: dict[SheetKind, tuple[tuple[str | float, ...], ...]] = {
    "runs": (
        ("Quarry Lane", "1", "glass beaker", 80, 74.5, ""),
        ("Quarry Lane", "1", "glass beaker", 20, 70.2, ""),
        ("Quarry Lane", "2", "steel cup", 78.5, "65-70", "looked every 5 min"),
        ("Quarry Lane", "2", "steel cup", 21, 63.8, ""),
        ("Quarry Lane", "3", "steel cup", 80, ">180", "still liquid when I left"),
    ),
    "summaries": (
        ("Invented report A", "hot", 80, 75.1, 4.2, "SD", 12, "t_solid", "table 2"),
        ("Invented report A", "cold", 20, 70.3, 3.9, "SD", 12, "t_solid", "table 2"),
        ("Invented report B", "hot", 90, 68.0, "65.1-70.9", "95% CI", 8, "t_solid", ""),
        ("Invented report B", "cold", 25, 66.2, "63.0-69.4", "95% CI", 8, "t_solid", ""),
    ),
    "points": (
        ("Invented report C", "figure 3", 82, 76.5, 0.8, "t_first_ice", ""),
        ("Invented report C", "figure 3", 61, 74.0, 0.8, "t_first_ice", ""),
        ("Invented report C", "figure 3", 22, 69.5, 0.8, "t_first_ice", ""),
    ),
}


def write_template(
    kind: SheetKind, path: str | Path, *, full: bool = False, example: bool = False
) -> tuple[str, ...]:
    """Write a sheet to fill in.

    Parameters
    ----------
    kind : {"runs", "summaries", "points"}
        Single runs, published summaries, or points read off a figure.
    path : path
        File to write, ending in ``.csv`` or ``.xlsx``; a workbook offers the words of
        every choice and explains each heading.
    full : bool
        All columns of the kind instead of the plain ones.
    example : bool
        Fill in a few invented rows, marked as invented.

    Returns
    -------
    tuple of str
        The headings, in order.

    Raises
    ------
    InputError
        The kind or the ending of the file name is none of those above, or the file exists.
    """
    if kind not in SHEET_KINDS:
        listed = ", ".join(f'"{k}"' for k in SHEET_KINDS)
        raise InputError(f'There is no template for "{kind}". Choose one of {listed}.')
    path = Path(path)
    columns = list(template_columns(kind, full=full))
    rows = [list(row) for row in _EXAMPLES[kind]] if example else []
    if example:
        places = [_place(columns, plain.heading) for plain in _PLAIN[kind]]
        invented = TemplateColumn(
            heading=FIELD["invented"].label, meaning=FIELD["invented"].meaning
        )
        if all(c.heading != invented.heading for c in columns):
            columns.append(invented)
        rows = [_spread(row, places, len(columns), columns) for row in rows]
    headings = tuple(c.heading for c in columns)
    content = {".csv": _as_csv, ".xlsx": _as_workbook}.get(path.suffix.lower())
    if content is None:
        raise InputError(
            f'The template "{path.name}" must end in .csv or .xlsx, not in "{path.suffix}".'
        )
    data = content(columns, rows)
    try:
        with path.open("xb") as stream:
            stream.write(data)
    except FileExistsError:
        raise InputError(
            f'"{path.name}" exists already. Give another name, or move it away first.'
        ) from None
    return headings


def _place(columns: Sequence[TemplateColumn], heading: str) -> int:
    """Find the place of a plain column in a sheet; -1 where the full sheet has none."""
    return next((k for k, c in enumerate(columns) if c.heading == heading), -1)


def _spread(
    row: Sequence[str | float], places: Sequence[int], width: int, columns: Sequence[TemplateColumn]
) -> list[str | float]:
    """Put the cells of a plain row into the columns of a sheet, marked as invented."""
    cells: list[str | float] = [""] * width
    for cell, place in zip(row, places, strict=True):
        if place >= 0:
            cells[place] = cell
    cells[_place(columns, FIELD["invented"].label)] = "yes"
    return cells


def _as_csv(columns: Sequence[TemplateColumn], rows: Sequence[Sequence[str | float]]) -> bytes:
    stream = io.StringIO(newline="")
    writer = csv.writer(stream)
    writer.writerow([c.heading for c in columns])
    writer.writerows(rows)
    # Spreadsheets take a file without a mark for their own code page and spoil "°C".
    return stream.getvalue().encode("utf-8-sig")


def _as_workbook(columns: Sequence[TemplateColumn], rows: Sequence[Sequence[str | float]]) -> bytes:
    from openpyxl import Workbook
    from openpyxl.comments import Comment
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.datavalidation import DataValidation

    book = Workbook()
    sheet = book.active
    assert sheet is not None
    for place, column in enumerate(columns, start=1):
        cell = sheet.cell(row=1, column=place, value=column.heading)
        cell.font = Font(bold=True)
        cell.comment = Comment(column.meaning, "metafreeze")
        letter = get_column_letter(place)
        sheet.column_dimensions[letter].width = max(12, len(column.heading) + 3)
        words = ",".join(column.vocabulary)
        if column.vocabulary and len(words) <= LONGEST_LIST:
            choice = DataValidation(type="list", formula1=f'"{words}"', allow_blank=True)
            choice.error = f"Use one of {', '.join(column.vocabulary)}."
            sheet.add_data_validation(choice)
            choice.add(f"{letter}2:{letter}{ROWS_WITH_CHOICES + 1}")
    for number, row in enumerate(rows, start=2):
        for place, value in enumerate(row, start=1):
            if value != "":
                cell = sheet.cell(row=number, column=place, value=value)
                if isinstance(value, str):
                    # Text such as 3-1 stays text and is not turned into a date.
                    cell.number_format = "@"
    sheet.freeze_panes = "A2"
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()
