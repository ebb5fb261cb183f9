"""``metafreeze undo``: take an entry back, or the taking back."""

from __future__ import annotations

import click

from metafreeze.cli.options import json_option
from metafreeze.cli.output import say


@click.command("undo")
@click.argument("register")
@click.argument("entry")
@json_option
def command(register: str, entry: str, as_json: bool) -> None:
    """Take an entry back; undo of an undo brings it back. Nothing is deleted.

    \b
    Example:
      metafreeze undo winter e0002
    """
    from metafreeze.register.folder.store import open_register

    done = open_register(register).undo(entry)
    say(done.headline(), done.to_dict(), as_json=as_json)
