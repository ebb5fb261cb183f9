"""The run sheet on paper: checks and cautions first, then a table a batch to write in."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from metafreeze.options import Paper, require_choice
from metafreeze.planning.runsheet import AIM, RunSheet, sheet_csv
from metafreeze.register.folder.disk import write_whole
from metafreeze.reporting.labels import shortened, visible
from metafreeze.reporting.lettering import drawable
from metafreeze.reporting.pdf import breakable, typeset

TEMPLATE = Path(__file__).parent / "templates" / "run_sheet.typ"
PAPERS = {"a4": "a4", "letter": "us-letter"}

# Field or name of what is printed in a column, its heading, its share of the width. A column
# without a field is room to write.
COLUMNS: tuple[tuple[str, str, float], ...] = (
    ("run_id", "Run", 1.0),
    ("position_id", "Place", 1.2),
    ("arm", "Start at", 1.5),
    ("sham", "Label", 0.8),
    ("start_temp_c", "In the vessel, °C", 1.5),
    ("water_mass_start_g", "Water at start, g", 1.5),
    ("frost_before_mm", "Frost before, mm", 1.4),
    ("", "In at (clock)", 1.5),
    ("time", "Freeze time, min", 1.9),
    ("water_mass_end_g", "Water at end, g", 1.5),
    ("frost_melted", "Frost melted?", 1.4),
    ("remark", "Knock, door, anything odd", 3.6),
)
FURTHER: dict[str, tuple[str, float]] = {
    "threshold_c": ("Down to, °C", 1.2),
    "residual_from_c": ("Counted from, °C", 1.4),
    "residual_endpoint": ("Counted to", 1.5),
    "at_time_s": ("Taken out after, min", 1.5),
    "ice_mass_g": ("Ice, g", 1.3),
}
# Names of places vary most in length.
WIDEST_PLACE, LETTERS_PER_SHARE = 3.0, 8.0
BLANKS = (
    {"words": "date", "room": 30},
    {"words": "by", "room": 30},
    {"words": "freezer before, °C", "room": 18},
)


def render_run_sheet(sheet: RunSheet, *, paper: Paper = "a4") -> bytes:
    """Write the run sheet as PDF.

    Parameters
    ----------
    sheet : RunSheet
    paper : {"a4", "letter"}

    Returns
    -------
    bytes
        The same sheet gives the same bytes.
    """
    require_choice(paper, Paper, name="paper")
    data = json.dumps(_sheet_data(sheet, paper), ensure_ascii=True).encode("ascii")
    return typeset(TEMPLATE, {"sheet.json": data})


def write_run_sheet(sheet: RunSheet, path: str | Path, *, paper: Paper = "a4") -> tuple[Path, Path]:
    """Write the run sheet as CSV to fill in, and beside it as PDF to print.

    Parameters
    ----------
    sheet : RunSheet
    path : path
        Name of both files; their endings are put in its place.
    paper : {"a4", "letter"}

    Returns
    -------
    tuple of Path
        The CSV and the PDF.

    Raises
    ------
    FileExistsError
        One of them exists; it may be filled in already.
    """
    base = Path(path)
    if base.suffix.lower() in (".csv", ".pdf"):
        base = base.with_suffix("")
    files = tuple(base.with_name(base.name + ending) for ending in (".csv", ".pdf"))
    for file in files:
        if file.exists():
            raise FileExistsError(17, "the file exists, and may be filled in already", str(file))
    base.parent.mkdir(parents=True, exist_ok=True)
    write_whole(files[0], sheet_csv(sheet))
    write_whole(files[1], render_run_sheet(sheet, paper=paper))
    return files[0], files[1]


def _sheet_data(sheet: RunSheet, paper: Paper) -> dict[str, Any]:
    table = sheet.to_frame()
    columns = [c for c in _columns(sheet) if c[0] != "sham" or table["sham"].ne("").any()]
    longest = max(len(str(place)) for place in table["position_id"])
    shares = {"position_id": min(WIDEST_PLACE, max(1.2, longest / LETTERS_PER_SHARE))}
    lab = next(iter(table["lab_id"]), "")
    title = f"Run sheet, {_name(lab)}" if lab else "Run sheet"
    batches = [
        {
            "name": f"Batch {_name(number)}",
            "rows": [
                [
                    _name(str(line[field]).removeprefix(AIM)) if field else ""
                    for field, _, _ in columns
                ]
                for _, line in rows.iterrows()
            ],
        }
        for number, rows in table.groupby("block_id", sort=False)
    ]
    fixed = {
        "Vessel": "vessel_material",
        "cooled by": "sink_type",
        "lid": "lid",
        "stands on": "base_support",
    }
    gear = ", ".join(
        f"{words}: {_name(table[field].iloc[0])}"
        for words, field in fixed.items()
        if table[field].iloc[0]
    )
    return {
        "title": title,
        "short_title": title,
        "paper": PAPERS[paper],
        "drawn": f"drawn by lot, seed {sheet.seed}",
        "lead": [w for w in (_lead(sheet), gear and gear[0].upper() + gear[1:] + ".") if w],
        "headings": {"checks": "Before and while", "cautions": "Take care"},
        "checks": [drawable(check) for check in sheet.checks],
        "cautions": [{"hazard": c.name, "text": drawable(c.text)} for c in sheet.cautions],
        "deference": sheet.deference,
        "blanks": list(BLANKS),
        "columns": [
            {"heading": heading, "share": shares.get(field, share)}
            for field, heading, share in columns
        ],
        "batches": batches,
    }


def _lead(sheet: RunSheet) -> str:
    starts = " and ".join(f"{t:g} °C" for t in sheet.starts_c)
    return (
        f"{sheet.batches} batches of {sheet.vessels} vessels, started at {starts}. Batch by batch, "
        "from the top line down: that is the order in which they go in."
    )


def _columns(sheet: RunSheet) -> list[tuple[str, str, float]]:
    there = set(sheet.table.columns)
    columns = [c for c in COLUMNS if c[0] in there or not c[0]]
    place = next(k for k, c in enumerate(columns) if c[0] == "water_mass_end_g")
    columns[place:place] = [(f, *FURTHER[f]) for f in FURTHER if f in there]
    return columns


def _name(value: object) -> str:
    return breakable(drawable(shortened(visible(str(value)))))
