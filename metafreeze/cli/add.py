"""``metafreeze add``: files, or another register, into a register."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from metafreeze.cli.options import answer_options, json_option, read_pairs
from metafreeze.cli.output import progress, say, wrap

if TYPE_CHECKING:
    from metafreeze.register.answers import Answers


@click.command("add")
@click.argument("register")
@click.argument("files", nargs=-1, required=True)
@click.option("--replace", is_flag=True, help="Let corrected rows supersede the earlier ones.")
@click.option(
    "--channels",
    multiple=True,
    metavar='"CHANNEL=RUN"',
    help="Say which run a channel of a temperature trace is of.",
)
@click.option(
    "--join",
    "join_s",
    type=click.FloatRange(min=0.0),
    metavar="SECONDS",
    help="Join what a reset of a logger's clock parted, this far apart.",
)
@answer_options
@json_option
def command(
    register: str,
    files: tuple[str, ...],
    replace: bool,
    channels: tuple[str, ...],
    join_s: float | None,
    answers: Answers,
    as_json: bool,
) -> None:
    """Take sheets, tables, temperature traces or another register into REGISTER.

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
        if not others and _are_traces(files, answers):
            from metafreeze.analysis.traced_runs import add_traces

            entry = add_traces(
                target,
                files,
                channels=read_pairs(channels, option="--channels"),
                answers=answers,
                join_s=join_s,
                replace=replace,
            )
        elif channels or join_s is not None:
            raise UsageError("--channels and --join are for temperature traces; these are none.")
        elif others:
            entry = target.merge(open_register(others[0]), answers=answers, replace=replace)
        else:
            entry = take(target, files, answers, replace=replace)
    lines = [entry.headline(), *(wrap(f"- {note}", indent="  ") for note in entry.notes)]
    say("\n".join(lines), entry.to_dict(), as_json=as_json)


def _are_traces(files: tuple[str, ...], answers: Answers) -> bool:
    """Tell traces from sheets; each kind is added in a call of its own."""
    from metafreeze.analysis.traced_runs import is_trace_file
    from metafreeze.errors import UsageError

    traces = [is_trace_file(name, answers=answers) for name in files]
    if any(traces) and not all(traces):
        raise UsageError("Add sheets first, then temperature traces in a call of their own.")
    return all(traces)
