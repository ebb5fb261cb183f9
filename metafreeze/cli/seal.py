"""``metafreeze seal``: fix the plan before the data."""

from __future__ import annotations

import click

from metafreeze.cli.options import ENDPOINTS, json_option
from metafreeze.cli.output import say
from metafreeze.options import ENDPOINT_WORDS

SHOWN_DIGITS = 12


@click.command("seal")
@click.argument("register")
@click.option("--endpoint", type=ENDPOINTS, help="The event that decides; the register's own.")
@click.option(
    "--pair",
    nargs=2,
    type=float,
    required=True,
    metavar="HOT COLD",
    help="Start temperatures that the effect is named for, °C.",
)
@click.option(
    "--smallest-effect",
    type=float,
    default=5.0,
    show_default=True,
    metavar="PERCENT",
    help="Smallest difference of time that would matter.",
)
@click.option("--adjust", multiple=True, metavar="FIELD", help="Design field to adjust for.")
@click.option(
    "--exclude",
    multiple=True,
    metavar="RULE",
    help="Which runs will be left out: FIELD=VALUE, such as vessel_material=tin, or words.",
)
@click.option(
    "--condition",
    multiple=True,
    metavar="RULE",
    help="Condition asked for by itself: FIELD=VALUE, such as lid=open, or words.",
)
@click.option(
    "--stop",
    default="",
    metavar="WORDS",
    help="When the trials will end; a number of batches, runs or labs is checked.",
)
@json_option
def command(
    register: str,
    endpoint: str | None,
    pair: tuple[float, float],
    smallest_effect: float,
    adjust: tuple[str, ...],
    exclude: tuple[str, ...],
    condition: tuple[str, ...],
    stop: str,
    as_json: bool,
) -> None:
    """Fix endpoint, pair, smallest effect and rules before the data, with a seal.

    Whoever looks at the answer and then goes on with trials needs a sealed --stop: without one
    no effect is claimed.

    \b
    Example:
      metafreeze seal winter --pair 80 20 --stop "after 30 batches" --condition lid=open
    """
    from metafreeze.errors import UsageError
    from metafreeze.register.folder.clauses import read_clause
    from metafreeze.register.folder.sealing import ROWS_AT_SEAL, make_plan, seal_of
    from metafreeze.register.folder.store import open_register

    opened = open_register(register)
    chosen = endpoint or opened.primary_endpoint
    if not chosen:
        raise UsageError(
            f"The register names no endpoint. Say --endpoint, any of {', '.join(ENDPOINT_WORDS)}."
        )
    entry = opened.seal_plan(
        make_plan(
            endpoint=chosen,
            pair=pair,
            smallest_effect=smallest_effect / 100.0,
            covariates=adjust,
            exclusions=exclude,
            conditions=condition,
            stopping_rule=stop,
        )
    )
    plan = dict(opened.plan)
    rows = plan[ROWS_AT_SEAL]
    lines = [
        f"Sealed: {plan['pair'][0]:g} against {plan['pair'][1]:g} °C, "
        f"{ENDPOINT_WORDS[chosen]}, {smallest_effect:g} % would matter.",
        f"The seal is {seal_of(plan)[:SHOWN_DIGITS]}…, in the journal as {entry.id}.",
        "Whatever an analysis does otherwise will be reported as a departure.",
    ]
    for_people = [
        text for text in (*plan["exclusions"], *plan["conditions"]) if read_clause(text) is None
    ]
    if for_people:
        listed = ", ".join(f"“{text}”" for text in for_people)
        lines.append(f"In words only, so printed and not looked up in the rows: {listed}.")
    if rows:
        lines.append(f"The register held {rows} rows already; the report will say so.")
    say("\n".join(lines), {"entry": entry.id, "plan": plan}, as_json=as_json)
