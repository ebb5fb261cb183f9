"""``metafreeze history``: what was entered, and when."""

from __future__ import annotations

import click

from metafreeze.cli.options import json_option
from metafreeze.cli.output import say


@click.command("history")
@click.argument("register")
@json_option
def command(register: str, as_json: bool) -> None:
    """List every entry of a register, also those taken back.

    \b
    Example:
      metafreeze history winter
    """
    from metafreeze.register.folder.store import open_register

    past = open_register(register).history()
    content = {"entries": past.to_frame().to_dict(orient="records")}
    say(str(past), content, as_json=as_json)
