"""``metafreeze plan``: how many runs settle it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from metafreeze.cli.options import answer_options, json_option
from metafreeze.cli.output import progress, say, terminal_width

if TYPE_CHECKING:
    from metafreeze.register.answers import Answers

NOT_ESTIMABLE_EXIT = 3
PERCENT = 100.0


def _share(percent: float | None) -> float | None:
    return None if percent is None else percent / PERCENT


@click.command("plan")
@click.argument("sources", nargs=-1, metavar="[REGISTER|SHEET...]")
@click.option(
    "--vessels",
    type=click.IntRange(min=2),
    default=6,
    show_default=True,
    help="Vessels that cool together, half of them hot.",
)
@click.option(
    "--batches",
    type=click.IntRange(min=1),
    default=5,
    show_default=True,
    help="Batches of each lab.",
)
@click.option("--labs", type=click.IntRange(min=1), default=1, show_default=True, help="Labs.")
@click.option("--pair", nargs=2, type=float, metavar="HOT COLD", help="Start temperatures, °C.")
@click.option(
    "--effect",
    type=click.FloatRange(min=-99.0, max=99.0),
    metavar="PERCENT",
    help="How much less time the hotter one truly takes; below zero where it takes more.",
)
@click.option(
    "--smallest-effect",
    type=click.FloatRange(min=0.0, max=99.0, min_open=True),
    metavar="PERCENT",
    help="Smallest difference of time that would matter.",
)
@click.option(
    "--power",
    type=click.FloatRange(min=5.0, max=100.0, min_open=True, max_open=True),
    default=80.0,
    show_default=True,
    metavar="PERCENT",
    help="Share of such trials in which an effect should show.",
)
@click.option(
    "--scatter",
    type=click.FloatRange(min=0.0, min_open=True),
    metavar="PERCENT",
    help="Scatter of vessels started alike.",
)
@click.option(
    "--disagreement",
    type=click.FloatRange(min=0.0),
    metavar="PERCENT",
    help="How much labs differ in the effect.",
)
@click.option(
    "--simulations",
    type=click.IntRange(min=1),
    default=1000,
    show_default=True,
    help="Simulated trials.",
)
@click.option("--seed", default=1, show_default=True, help="Seed of all randomness.")
@answer_options
@json_option
def command(
    sources: tuple[str, ...],
    vessels: int,
    batches: int,
    labs: int,
    pair: tuple[float, float] | None,
    effect: float | None,
    smallest_effect: float | None,
    power: float,
    scatter: float | None,
    disagreement: float | None,
    simulations: int,
    seed: int,
    answers: Answers,
    as_json: bool,
) -> int:
    """Say what trials to come would notice, and how many it takes.

    With a register, its own scatter is taken and its runs count as well.

    \b
    Example:
      metafreeze plan --vessels 6 --batches 5
    """
    from contextlib import ExitStack

    from metafreeze.analysis.bundle import as_plain
    from metafreeze.analysis.plans import plan_trials
    from metafreeze.cli.registers import opened
    from metafreeze.reporting.plan_page import plan_page
    from metafreeze.reporting.terminal import render_text

    with ExitStack() as stack:
        register = stack.enter_context(opened(sources, answers)) if sources else None
        stack.enter_context(progress("Planning"))
        plan = plan_trials(
            register,
            vessels=vessels,
            batches=batches,
            labs=labs,
            endpoint=answers.endpoint,
            pair=pair,
            effect=_share(effect),
            smallest_effect=_share(smallest_effect),
            power=power / PERCENT,
            run_sd=_share(scatter),
            between_labs_sd=_share(disagreement),
            simulations=simulations,
            seed=seed,
        )
    content = as_plain(plan.to_dict())
    say(render_text(plan_page(content), width=terminal_width()), {"plan": content}, as_json=as_json)
    return 0 if plan.status == "ok" else NOT_ESTIMABLE_EXIT
