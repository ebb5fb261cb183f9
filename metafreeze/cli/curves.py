"""``metafreeze curves``: logger files to the events of their traces."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from metafreeze.cli.options import answer_options, json_option, read_pairs
from metafreeze.cli.output import progress, say, wrap

if TYPE_CHECKING:
    from metafreeze.analysis.curve_files import TraceEvents
    from metafreeze.register.answers import Answers

SHOWN_NOTES = 12
_QUIET = ("preamble", "footer", "heading-rows", "encoding-guessed")


@click.command("curves")
@click.argument("files", nargs=-1, required=True)
@click.option(
    "--channels",
    multiple=True,
    metavar='"CHANNEL=RUN"',
    help="Say which run a channel is of, or which column is meant.",
)
@click.option(
    "--join",
    "join_s",
    type=click.FloatRange(min=0.0),
    metavar="SECONDS",
    help="Join what a reset of the clock parted, this far apart.",
)
@click.option(
    "--residual-from",
    "residual_from_c",
    type=float,
    metavar="CELSIUS",
    help="Start of the cold arm, from which the residual time counts.",
)
@answer_options
@json_option
def command(
    files: tuple[str, ...],
    channels: tuple[str, ...],
    join_s: float | None,
    residual_from_c: float | None,
    answers: Answers,
    as_json: bool,
) -> int:
    """Read temperature traces and find their events; store nothing.

    Each event is an interval with its reason, in seconds of the trace. What was not seen
    is said to be open, and never guessed.

    \b
    Example:
      metafreeze curves logger.csv --channels "Probe 1=run 7"
    """
    from metafreeze.analysis.curve_files import read_curves

    with progress("Reading"):
        found = read_curves(
            files,
            answers=answers,
            channels=read_pairs(channels, option="--channels"),
            join_s=join_s,
            residual_from_c=residual_from_c,
        )
    text = "\n\n".join([found.headline() + ".", *map(describe_trace, found.traces)])
    say(text, found.to_dict(), as_json=as_json)
    return 1 if any(f.severity != "note" for f in found.findings) else 0


def describe_trace(one: TraceEvents) -> str:
    """Write one trace: how it was read, its events, what befell it, what is open."""
    trace = one.trace
    run = f", run {one.run}" if one.run else ""
    lines = [
        f"{trace.file}, {trace.channel}{run}: {trace.samples} readings, "
        f"{trace.marked_bad} of them not used."
    ]
    lines.append(wrap(f"Time: {trace.how}.", indent="  "))
    if one.found is None:
        lines.append(wrap(f"No events: {one.because}.", indent="  "))
    else:
        lines += [_describe_event(name, event) for name, event in one.to_dict()["events"].items()]
        depth = one.found.supercooling_k
        if depth == depth:
            lines.append(f"  supercooled by {depth:.2f} K")
        lines += [
            wrap(f"! {d.kind}, {d.lower_s:.0f} to {d.upper_s:.0f} s: {d.because}", indent="  ")
            for d in one.found.disturbances
        ]
    for severity, heading in (
        ("error", "Must be mended:"),
        ("question", "Must be answered:"),
        ("note", "Worth knowing:"),
    ):
        shown = [f for f in trace.findings if f.severity == severity and f.rule not in _QUIET]
        if shown:
            lines.append(f"  {heading}")
            lines += [wrap(f"- {fault}", indent="  ") for fault in shown[:SHOWN_NOTES]]
        if len(shown) > SHOWN_NOTES:
            lines.append(f"  - and {len(shown) - SHOWN_NOTES} more; --json lists all.")
    return "\n".join(lines)


def _describe_event(name: str, event: dict[str, object]) -> str:
    """Write one event in one line."""
    lower, upper = event["lower_s"], event["upper_s"]
    when = {
        "none": "-",
        "censored": f"after {lower:.0f} s" if isinstance(lower, float) else "not seen",
    }.get(str(event["status"]), f"{lower:.0f} to {upper:.0f} s" if upper is not None else "")
    sure = f" ({event['confidence']})" if event["confidence"] else ""
    return wrap(f"{name:<22}{when}{sure}: {event['because']}", indent="  ")
