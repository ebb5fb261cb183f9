"""``metafreeze challenge``: does the effect survive."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from metafreeze.cli.cluster import cluster_option, working_on
from metafreeze.cli.options import answer_options, json_option
from metafreeze.cli.output import progress, say, terminal_width

if TYPE_CHECKING:
    from metafreeze.register.answers import Answers

NOT_ESTIMABLE_EXIT = 3


@click.command("challenge")
@click.argument("sources", nargs=-1, required=True, metavar="REGISTER|SHEET...")
@click.option(
    "--pair",
    nargs=2,
    type=float,
    metavar="HOT COLD",
    help="Pair of start temperatures that the effect is named for, °C.",
)
@click.option("--seed", default=1, show_default=True, help="Seed of all randomness.")
@click.option(
    "--thorough",
    is_flag=True,
    help="More deals of the start temperatures and more filled tables, on all cores.",
)
@click.option(
    "--workers",
    type=int,
    metavar="N",
    help="Processes at once; -1 for all cores. One by default, all with --thorough.",
)
@cluster_option
@answer_options
@json_option
def command(
    sources: tuple[str, ...],
    pair: tuple[float, float] | None,
    seed: int,
    thorough: bool,
    workers: int | None,
    cluster: str | None,
    answers: Answers,
    as_json: bool,
) -> int:
    """Take the apparent effect apart, rung by rung, and give the two verdicts.

    The answer does not depend on how many processes share the work, here or on a cluster.

    \b
    Example:
      metafreeze challenge winter --pair 80 20
    """
    from metafreeze.analysis.bundle import gather, settings_of
    from metafreeze.cli.registers import opened
    from metafreeze.reporting.answers import challenge_page
    from metafreeze.reporting.terminal import render_text

    if workers is None and cluster is None:
        workers = -1 if thorough else 1
    with opened(sources, answers) as register, working_on(cluster), progress("Challenging"):
        settings = settings_of(
            register, endpoint=answers.endpoint, pair=pair, seed=seed, thorough=thorough
        )
        found = gather(register, settings, only=("challenge",), workers=workers)
    page = challenge_page(found.results)
    content = {name: found.results[name] for name in ("register", "challenge")}
    say(render_text(page, width=terminal_width()), content, as_json=as_json)
    return 0 if found.results["challenge"]["status"] == "ok" else NOT_ESTIMABLE_EXIT
