"""``metafreeze pool``: what the runs say together."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from metafreeze.cli.options import answer_options, json_option
from metafreeze.cli.output import progress, say, terminal_width

if TYPE_CHECKING:
    from metafreeze.register.answers import Answers

NOT_ESTIMABLE_EXIT = 3


@click.command("pool")
@click.argument("sources", nargs=-1, required=True, metavar="REGISTER|SHEET...")
@click.option(
    "--without",
    multiple=True,
    metavar="STUDY",
    help="Leave a study out and say what it changes; may be repeated.",
)
@click.option(
    "--pair",
    nargs=2,
    type=float,
    metavar="HOT COLD",
    help="Pair of start temperatures that the effect is named for, °C.",
)
@answer_options
@json_option
def command(
    sources: tuple[str, ...],
    without: tuple[str, ...],
    pair: tuple[float, float] | None,
    answers: Answers,
    as_json: bool,
) -> int:
    """Pool all runs and tables: the effect, each lab, and what physics expects.

    \b
    Example:
      metafreeze pool winter --without "north kitchen"
    """
    from metafreeze.analysis.bundle import gather, settings_of
    from metafreeze.cli.registers import opened
    from metafreeze.reporting.answers import pool_page
    from metafreeze.reporting.terminal import render_text

    with opened(sources, answers) as register, progress("Pooling"):
        settings = settings_of(register, endpoint=answers.endpoint, pair=pair)
        whole = gather(register, settings, only=("pool",))
        rest = None
        if without:
            apart = settings_of(
                register, endpoint=answers.endpoint, pair=_pair_of(whole.results), without=without
            )
            rest = gather(register, apart, only=("pool",))
    page = pool_page(whole.results, rest.results if rest else None)
    content = {"register": whole.results["register"], "pool": whole.results["pool"]}
    if rest is not None:
        content["without"] = {"studies": list(without), "pool": rest.results["pool"]}
    say(render_text(page, width=terminal_width()), content, as_json=as_json)
    return 0 if whole.answered else NOT_ESTIMABLE_EXIT


def _pair_of(results: dict[str, dict[str, float]]) -> tuple[float, float] | None:
    pool = results["pool"]
    return (pool["hot_c"], pool["cold_c"]) if "hot_c" in pool else None
