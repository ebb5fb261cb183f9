"""``metafreeze logbook``: the page at the freezer."""

from __future__ import annotations

import json
import sys
from contextlib import suppress
from typing import TYPE_CHECKING

import click

from metafreeze.cli.options import json_option
from metafreeze.cli.output import say, wrap

if TYPE_CHECKING:
    from metafreeze.logbook.serving import Opening


@click.command("logbook")
@click.argument("register")
@click.option("--sheet", metavar="FILE", help="Run sheet whose batches the page offers.")
@click.option("--on-network", is_flag=True, help="Serve the local network, behind a code.")
@click.option("--address", default="", help="With --on-network: which address of this machine.")
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=8417,
    show_default=True,
    help="Port; 0 takes any free one.",
)
@json_option
def command(
    register: str, sheet: str | None, on_network: bool, address: str, port: int, as_json: bool
) -> None:
    """Serve a page for the phone at the freezer: in, looked, first ice, solid, weigh.

    Every tap is on the disk before the page hears of it; closing a batch adds it to
    REGISTER. With --on-network a phone comes in by a code that works once; the connection
    is not encrypted, so use a network that you trust. Ctrl-C ends it.

    \b
    Example:
      metafreeze logbook winter --sheet today.csv --on-network
    """
    from metafreeze.errors import UsageError
    from metafreeze.logbook.serving import serve_logbook
    from metafreeze.register.folder.store import open_register

    if address and not on_network:
        raise UsageError("--address needs --on-network. Without it, this machine alone is served.")

    def opened(opening: Opening) -> None:
        content = {"address": opening.address, "code": opening.code, "taps": opening.taps}
        say(describe(opening), content, as_json=as_json)
        sys.stdout.flush()

    def next_code(code: str) -> None:
        # One JSON object stands on standard output; what follows goes beside it.
        said = json.dumps({"code": code}) if as_json else f"Let in. Code for the next: {code}"
        click.echo(said, err=as_json)
        sys.stdout.flush()

    # Ctrl-C is the usual way to end it.
    with suppress(KeyboardInterrupt):
        serve_logbook(
            open_register(register),
            sheet=sheet,
            on_network=on_network,
            address=address,
            port=port,
            opened=opened,
            next_code=next_code,
        )
    click.echo("Closed. Every tap that the page calls stored is on the disk.", err=True)


def describe(opening: Opening) -> str:
    """Say where the page is and how a phone comes in."""
    from metafreeze.cautions import DEFERENCE, cautions_for

    lines = [f"The logbook is open at {opening.address}"]
    if opening.code:
        lines += [f"Code, for one phone: {opening.code}", *_square(opening)]
    if opening.taps:
        lines.append(f"It holds {opening.taps} taps from before.")
    lines += [wrap(c.short, indent="  ") for c in cautions_for(["hot", "glass", "freezer"])]
    return "\n".join([*lines, wrap(DEFERENCE, indent="  "), "Ctrl-C ends it."])


def _square(opening: Opening) -> list[str]:
    """Draw the code for a camera, where the terminal can spell it."""
    from metafreeze.logbook.serving import spell_code

    try:
        drawn = spell_code(opening)
    except ModuleNotFoundError:
        return ["No picture of it for the camera: that needs pip install segno."]
    try:
        drawn.encode(sys.stdout.encoding or "ascii")
    except UnicodeEncodeError:
        return []
    return [drawn.rstrip("\n")]
