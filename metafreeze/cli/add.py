"""``metafreeze add``: files, or another register, into a register."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from metafreeze.cli.options import answer_options, json_option
from metafreeze.cli.output import progress, say, wrap

if TYPE_CHECKING:
    from metafreeze.register.answers import Answers


@click.command("add")
@click.argument("register")
@click.argument("files", nargs=-1, required=True)
@click.option("--replace", is_flag=True, help="Let corrected rows supersede the earlier ones.")
@answer_options
@json_option
def command(
    register: str, files: tuple[str, ...], replace: bool, answers: Answers, as_json: bool
) -> None:
    """Take sheets, tables or another register into REGISTER.

    Everything is checked first; where anything is wrong, nothing is stored. A sheet that
    has grown since is matched row by row: what is there already is left alone.

    \b
    Example:
      metafreeze add winter trials.csv --endpoint t_solid --lab "north kitchen"
    """
    from metafreeze.cli.registers import is_register, take
    from metafreeze.errors import UsageError
    from metafreeze.register.folder.store import open_register

    target = open_register(register)
    others = [name for name in files if is_register(name)]
    if others and len(files) > 1:
        raise UsageError("Take one other register at a time, without sheets beside it.")
    with progress("Adding"):
        if others:
            entry = target.merge(open_register(others[0]), answers=answers, replace=replace)
        else:
            entry = take(target, files, answers, replace=replace)
    lines = [entry.headline(), *(wrap(f"- {note}", indent="  ") for note in entry.notes)]
    say("\n".join(lines), entry.to_dict(), as_json=as_json)
