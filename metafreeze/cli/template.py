"""``metafreeze template``: a sheet to fill in."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from metafreeze.cli.options import json_option
from metafreeze.cli.output import say

if TYPE_CHECKING:
    from metafreeze.register.schema import SheetKind


@click.command("template")
@click.argument("kind", type=click.Choice(["runs", "summaries", "points"]))
@click.option("--full", is_flag=True, help="All columns instead of the plain ones.")
@click.option(
    "--out", metavar="FILE", help="File to write, .csv or .xlsx; runs.csv and so on by default."
)
@click.option("--example", is_flag=True, help="Fill in a few invented rows.")
@json_option
def command(kind: SheetKind, full: bool, out: str | None, example: bool, as_json: bool) -> None:
    """Write an empty sheet for single runs, published summaries, or points off a figure.

    \b
    Example:
      metafreeze template runs --out trials.xlsx
    """
    from pathlib import Path

    from metafreeze.cautions import short_cautions
    from metafreeze.register.templates import write_template

    path = Path(out or f"{kind}.csv")
    columns = write_template(kind, path, full=full, example=example)
    lines = [f"Wrote {path} with {len(columns)} columns: {', '.join(columns)}."]
    if kind == "runs":
        lines += [
            "Only start temperature and freeze time are needed; leave the rest empty.",
            "",
            "Before you start:",
            *[f"  - {caution}" for caution in short_cautions()],
        ]
    say(
        "\n".join(lines),
        {"file": str(path), "kind": kind, "columns": list(columns)},
        as_json=as_json,
    )
