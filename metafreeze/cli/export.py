"""``metafreeze export``: the pooled rows for other programs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from metafreeze.cli.options import answer_options, json_option
from metafreeze.cli.output import progress, say

if TYPE_CHECKING:
    from metafreeze.register.answers import Answers


@click.command("export")
@click.argument("sources", nargs=-1, required=True, metavar="REGISTER|SHEET...")
@click.option("--out", required=True, metavar="FILE", help="File to write, .csv or .parquet.")
@click.option("--traces", is_flag=True, help="Write the readings of temperature traces instead.")
@answer_options
@json_option
def command(
    sources: tuple[str, ...], out: str, traces: bool, answers: Answers, as_json: bool
) -> None:
    """Write the pooled rows, one row per outcome, in the one schema.

    Cells of a CSV that a spreadsheet would take for a formula are made inert.

    \b
    Example:
      metafreeze export winter --out winter.csv
    """
    from metafreeze.cli.registers import opened

    with opened(sources, answers) as register, progress("Writing"):
        rows = register.export_traces(out) if traces else register.export(out)
    what = "readings" if traces else "rows"
    say(f"Wrote {rows} {what} to {out}.", {"file": out, what: rows}, as_json=as_json)
