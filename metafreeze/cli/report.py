"""``metafreeze report``: the report that others can check."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from metafreeze.cli.options import answer_options, json_option
from metafreeze.cli.output import progress, say, terminal_width

if TYPE_CHECKING:
    from metafreeze.analysis.bundle import Bundle
    from metafreeze.register.answers import Answers
    from metafreeze.register.folder.store import Register

NOT_ESTIMABLE_EXIT = 3


@click.command("report")
@click.argument("sources", nargs=-1, required=True, metavar="REGISTER|SHEET...")
@click.option("--out", metavar="DIR", help="Folder of the report; reports/NAME by default.")
@click.option(
    "--against",
    metavar="REGISTER|REPORT",
    help="Another register, or the folder of a report, to set beside this one.",
)
@click.option("--seed", default=1, show_default=True, help="Seed of all randomness.")
@answer_options
@json_option
def command(
    sources: tuple[str, ...],
    out: str | None,
    against: str | None,
    seed: int,
    answers: Answers,
    as_json: bool,
) -> int:
    """Write one HTML file, one PDF, the data and all numbers.

    \b
    Examples:
      metafreeze report trials.csv --endpoint t_solid --out reports/mine
      metafreeze report mine --against reports/published
    """
    from metafreeze.cli.registers import opened
    from metafreeze.reporting.answers import published_page
    from metafreeze.reporting.files import is_report, read_report
    from metafreeze.reporting.publish import beside, publish, report
    from metafreeze.reporting.terminal import render_text

    folder = Path(out) if out else Path("reports") / Path(sources[0]).stem
    other = _other(against)
    name = Path(against).name if against else ""
    if len(sources) == 1 and is_report(sources[0]):
        if other is None:
            raise click.UsageError(
                f"{sources[0]} is a report already. Name a register or sheets, or set another "
                "beside it with --against."
            )
        with progress("Writing the report"):
            bundle = beside(read_report(sources[0]), other, name=name, seed=seed)
            published = publish(bundle, out or f"{folder}-against-{name}")
    else:
        with opened(sources, answers) as register, progress("Writing the report"):
            published = report(
                register,
                out=folder,
                endpoint=answers.endpoint,
                seed=seed,
                against=other,
                against_name=name,
            )
    folder = published.files[0].parent
    page = render_text(published_page(published.results, published.tables), width=terminal_width())
    files = [str(path) for path in published.files]
    text = f"{page}\nThe report is {folder / 'report.html'}, for printing {folder / 'report.pdf'}."
    say(text, {"files": files, "results": published.results}, as_json=as_json)
    return 0 if published.answered else NOT_ESTIMABLE_EXIT


def _other(path: str | None) -> Bundle | Register | None:
    """Open what the report is set beside: a report's folder or a register."""
    from metafreeze.cli.registers import choose_register
    from metafreeze.register.folder.store import open_register
    from metafreeze.reporting.files import is_report, read_report

    if path is None:
        return None
    if is_report(path):
        return read_report(path)
    return open_register(choose_register(path))
