"""``metafreeze report``: the report that others can check."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from metafreeze.cli.options import answer_options, json_option
from metafreeze.cli.output import progress, say, terminal_width

if TYPE_CHECKING:
    from metafreeze.register.answers import Answers

NOT_ESTIMABLE_EXIT = 3


@click.command("report")
@click.argument("sources", nargs=-1, required=True, metavar="REGISTER|SHEET...")
@click.option("--out", metavar="DIR", help="Folder of the report; reports/NAME by default.")
@click.option("--seed", default=1, show_default=True, help="Seed of all randomness.")
@answer_options
@json_option
def command(
    sources: tuple[str, ...], out: str | None, seed: int, answers: Answers, as_json: bool
) -> int:
    """Write one HTML file, one PDF, the data and all numbers.

    \b
    Example:
      metafreeze report trials.csv --endpoint t_solid --out reports/mine
    """
    from metafreeze.cli.registers import opened
    from metafreeze.reporting.answers import published_page
    from metafreeze.reporting.publish import report
    from metafreeze.reporting.terminal import render_text

    folder = Path(out) if out else Path("reports") / Path(sources[0]).stem
    with opened(sources, answers) as register, progress("Writing the report"):
        published = report(register, out=folder, endpoint=answers.endpoint, seed=seed)
    page = render_text(published_page(published.results), width=terminal_width())
    files = [str(path) for path in published.files]
    text = f"{page}\nThe report is {folder / 'report.html'}, for printing {folder / 'report.pdf'}."
    say(text, {"files": files, "results": published.results}, as_json=as_json)
    return 0 if published.answered else NOT_ESTIMABLE_EXIT
