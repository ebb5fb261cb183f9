"""The report on disk: everything is rendered and written beside first, then put in place."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from metafreeze.analysis.bundle import Bundle
from metafreeze.errors import InputError, UsageError
from metafreeze.reporting.content import Report
from metafreeze.reporting.figures.canvas import drawings
from metafreeze.reporting.html import render_html
from metafreeze.reporting.pdf import render_pdf
from metafreeze.reporting.placing import put_in_place, where_it_stands
from metafreeze.reporting.results_json import (
    csv_text,
    dictionary_frame,
    json_text,
    parquet_bytes,
)

RESULTS = "results.json"
DICTIONARY = "tables/dictionary.csv"


def report_files(
    report: Report,
    results: Mapping[str, Any],
    tables: Mapping[str, pd.DataFrame],
    *,
    meanings: Mapping[str, str] | None = None,
) -> dict[str, bytes]:
    """Render every file of a report in memory.

    Parameters
    ----------
    report : Report
        The content.
    results : mapping
        All numbers, for ``results.json``.
    tables : mapping of str to DataFrame
        Tables written beside, by name.
    meanings : mapping of str to str, optional
        Meaning of the tables' columns that the register's schema does not have.

    Returns
    -------
    dict of str to bytes
        Path inside the report's folder, and what stands in the file.

    Raises
    ------
    InputError
        A table's name is no file name, or a result has no form in JSON.
    """
    for name in tables:
        if not name.isascii() or not name.replace("-", "").replace("_", "").isalnum():
            raise InputError(
                f"A table is called {name!r}. Use letters, digits, hyphens and underscores."
            )
    files = {
        "report.html": render_html(report).encode("utf-8"),
        "report.pdf": render_pdf(report),
        RESULTS: json_text(results).encode("ascii"),
    }
    for section in report.sections:
        for figure in section.figures:
            for place, drawing in enumerate(drawings(figure, "page"), start=1):
                files[f"figures/{figure.key}-{place}.svg"] = drawing.svg.encode("utf-8")
    for name, frame in tables.items():
        files[f"tables/{name}.parquet"] = parquet_bytes(frame)
        files[f"tables/{name}.csv"] = csv_text(frame).encode("utf-8")
    if tables:
        dictionary = dictionary_frame(tables, meanings or {})
        files[DICTIONARY] = csv_text(dictionary).encode("utf-8")
    return files


def write_report(
    report: Report,
    results: Mapping[str, Any],
    tables: Mapping[str, pd.DataFrame],
    out: Path,
    *,
    meanings: Mapping[str, str] | None = None,
) -> tuple[Path, ...]:
    """Write a report's files into a folder, over those of an earlier report.

    Nothing in place is touched before every new file stands whole on disk, and the folder then
    changes in one step, so that a full disk or a power cut leaves either report whole. Other
    files in the folder stay.

    Parameters
    ----------
    report : Report
        The content.
    results : mapping
        All numbers, for ``results.json``.
    tables : mapping of str to DataFrame
        Tables written beside, by name.
    out : Path
        Folder; made where it is missing.
    meanings : mapping of str to str, optional
        Meaning of the tables' columns that the register's schema does not have.

    Returns
    -------
    tuple of Path
        What was written, in a fixed order.

    Raises
    ------
    InputError
        A table's name is no file name, or a result has no form in JSON.
    OSError
        The folder cannot be written; the earlier report is still there.
    """
    files = report_files(report, results, tables, meanings=meanings)
    with put_in_place(out) as folder:
        for name, content in files.items():
            path = folder / name
            path.parent.mkdir(exist_ok=True)
            _write_whole(path, content)
    return tuple(out / name for name in files)


def _write_whole(path: Path, content: bytes) -> None:
    with path.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def is_report(path: str | os.PathLike[str]) -> bool:
    """Tell the folder of a report from a register's."""
    return where_it_stands(Path(path), RESULTS).is_file()


def read_report(path: str | os.PathLike[str]) -> Bundle:
    """Read back the numbers and tables of a report that was written.

    Parameters
    ----------
    path : path
        The report's folder.

    Returns
    -------
    Bundle

    Raises
    ------
    UsageError
        The folder holds no whole report, or one of another version that lacks what is read.
    """
    folder = Path(path)
    try:
        results = json.loads(where_it_stands(folder, RESULTS).read_text("ascii"))
        # Not every table that lies there: one may be of an earlier report.
        dictionary = where_it_stands(folder, DICTIONARY)
        named: set[str] = set()
        if dictionary.is_file():
            named = set(pd.read_csv(dictionary, dtype=str, keep_default_na=False)["table"])
        tables = {
            name: pd.read_parquet(where_it_stands(folder, f"tables/{name}.parquet"))
            for name in sorted(named)
        }
    except (OSError, ValueError, KeyError) as trouble:
        raise UsageError(f"{folder} cannot be read as a report: {trouble}") from trouble
    missing = [name for name in ("register", "pool", "challenge") if name not in results]
    if missing or "rows" not in tables:
        what = ", ".join(missing or ["tables/rows.parquet"])
        raise UsageError(
            f"{folder} is no whole report: it lacks {what}. Write it again with this version."
        )
    return Bundle(results=results, tables=tables)
