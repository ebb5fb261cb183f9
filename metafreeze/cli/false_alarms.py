"""``metafreeze false-alarms``: how often would this design cry "hotter first" by chance."""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING

import click

from metafreeze.cli.cluster import cluster_option, working_on
from metafreeze.cli.options import answer_options, json_option
from metafreeze.cli.output import SLOW_S, say, terminal_width

if TYPE_CHECKING:
    from metafreeze.register.answers import Answers

NOT_ESTIMABLE_EXIT = 3


@click.command("false-alarms")
@click.argument("sources", nargs=-1, required=True, metavar="REGISTER|SHEET...")
@click.option(
    "--runs",
    type=click.IntRange(min=1),
    default=200,
    show_default=True,
    help="Registers to simulate under each truth; more later goes on from there.",
)
@click.option(
    "--advantage",
    type=click.FloatRange(min=0.0, max=100.0, max_open=True),
    default=10.0,
    show_default=True,
    metavar="PERCENT",
    help="True advantage under which missed verdicts are counted; 0 leaves that out.",
)
@click.option(
    "--pair",
    nargs=2,
    type=float,
    metavar="HOT COLD",
    help="Pair of start temperatures that the effect is named for, °C.",
)
@click.option("--seed", default=1, show_default=True, help="Seed of all randomness.")
@click.option(
    "--workers",
    type=int,
    metavar="N",
    help="Processes at once; -1, for all cores, by default.",
)
@cluster_option
@answer_options
@json_option
def command(
    sources: tuple[str, ...],
    runs: int,
    advantage: float,
    pair: tuple[float, float] | None,
    seed: int,
    workers: int | None,
    cluster: str | None,
    answers: Answers,
    as_json: bool,
) -> int:
    """Simulate your own design with nothing but physics in it, and count wrong verdicts.

    What is done is kept in the register: stop it when you like and call it again. The next
    report shows it.

    \b
    Example:
      metafreeze false-alarms winter --runs 1000
    """
    from metafreeze.analysis.bundle import describe_register, run_false_alarms, settings_of
    from metafreeze.cli.registers import opened
    from metafreeze.reporting.answers import false_alarms_page
    from metafreeze.reporting.terminal import render_text

    if workers is None and cluster is None:
        workers = -1
    with opened(sources, answers) as register, working_on(cluster):
        settings = settings_of(register, endpoint=answers.endpoint, pair=pair, seed=seed)
        found = run_false_alarms(
            register,
            settings,
            runs=runs,
            advantage=advantage / 100.0 or None,
            workers=workers,
            progress=_Said(),
        )
        described = describe_register(register, register.rows(), settings)
    results = {"register": described, "false_alarms": found}
    say(render_text(false_alarms_page(results), width=terminal_width()), results, as_json=as_json)
    return 0 if found["status"] == "ok" else NOT_ESTIMABLE_EXIT


class _Said:
    """Says on standard error how far the simulation is, once it takes long."""

    def __init__(self) -> None:
        self.began = time.monotonic()

    def __call__(self, done: int, of: int) -> None:
        if time.monotonic() - self.began < SLOW_S:
            return
        line = f"Simulated {done} of {of} registers"
        if sys.stderr.isatty():
            click.echo(f"\r{line} ", nl=done == of, err=True)
        else:
            click.echo(line, err=True)
