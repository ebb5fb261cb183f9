"""``metafreeze demo``: the whole job on an invented network of sites."""

from __future__ import annotations

import click

from metafreeze.cli.options import json_option
from metafreeze.cli.output import progress, say, terminal_width


@click.command("demo")
@click.option(
    "--out",
    default="reports/demo",
    show_default=True,
    metavar="DIR",
    help="Folder of the report; the register is made inside it.",
)
@json_option
def command(out: str, as_json: bool) -> int:
    """Make a register of invented trials, pool it and write its report.

    \b
    Example:
      metafreeze demo
    """
    import tempfile
    from pathlib import Path

    from metafreeze.cli.demo_sheets import demo_sheets
    from metafreeze.register.folder.store import create_register
    from metafreeze.reporting.answers import published_page
    from metafreeze.reporting.publish import report
    from metafreeze.reporting.terminal import render_text

    folder = Path(out)
    with progress("Working through the demo"), tempfile.TemporaryDirectory() as scratch:
        register = create_register(
            Path(scratch) / "register",
            title="An invented network of sites that make ice",
            primary_endpoint="t_solid",
        )
        entry = register.add(demo_sheets())
        published = report(register, out=folder)
    page = render_text(published_page(published.results, published.tables), width=terminal_width())
    lines = [f"Took in {len(entry.files)} invented sheets.", "", page]
    lines.append(
        f"Open the report: {folder / 'report.html'} (for printing: {folder / 'report.pdf'})"
    )
    say(
        "\n".join(lines),
        {
            "report": str(folder / "report.html"),
            "files": [str(path) for path in published.files],
            "results": published.results,
        },
        as_json=as_json,
    )
    return 0 if published.answered else 3
