"""What happened to the effect, rung by rung."""

from __future__ import annotations

from metafreeze.reporting import numbers as show
from metafreeze.reporting.content import (
    Between,
    Column,
    Fixed,
    Section,
    TableContent,
    say,
)
from metafreeze.reporting.figures.ladder import LadderFigure
from metafreeze.reporting.figures.rows import EffectRow
from metafreeze.reporting.sections.words import Values, capital, number, say_fixed

# The rung of the total effect; below it stand consequences held fixed, another question each.
TOTAL = "times not seen exactly"


def ladder_section(challenge: Values) -> Section:
    """Show what happened to the effect under challenge."""
    question = say("What happened to the effect when like was compared with like?")
    if challenge.get("status") != "ok":
        return Section(
            key="ladder",
            question=question,
            answer=say_fixed(challenge.get("note", "It was not asked.")),
            applies=False,
        )
    rungs = challenge["ladder"]
    return Section(
        key="ladder",
        question=question,
        answer=say_fixed(challenge["ladder_found"]),
        figures=(
            LadderFigure(
                key="ladder-figure",
                caption=say(
                    "From the graph of all points at the top to like with like at the bottom. "
                    "Each rung changes one thing."
                ),
                rungs=tuple(
                    EffectRow(
                        label=capital(r["rung"]),
                        estimate=number(r["estimate"]),
                        low=number(r["low"]),
                        high=number(r["high"]),
                        beside=show.count(int(r["rows"]), "row"),
                    )
                    for r in rungs
                ),
                kind="log-ratio",
                hot_c=number(challenge["hot_c"]),
                cold_c=number(challenge["cold_c"]),
            ),
        ),
        tables=(ladder_table(rungs),),
        method=(
            say(
                "The first rungs are least squares; from “within batches” on, the mixed model of "
                "the effect, the named pair bent by physics of each lab's typical vessel. Where "
                "a rung uses other rows, the rung before was computed again on the same rows. "
                "The wider of the model's interval and the one robust to clusters of a lab stands."
            ),
        ),
    )


def ladder_table(rungs: list[Values]) -> TableContent:
    """List the rungs with the change that each alone makes."""
    return TableContent(
        key="ladder-table",
        caption=say("Each rung, and what it alone changes on the same rows."),
        columns=(
            Column(heading="Rung", kind="words"),
            Column(heading="What is compared", kind="words"),
            Column(heading="Change of time", kind="log-ratio"),
            Column(heading="Interval", kind="log-ratio"),
            Column(heading="Rows", kind="count"),
            Column(heading="Before, same rows", kind="log-ratio"),
        ),
        rows=tuple(
            (
                capital(r["rung"]),
                r["question"],
                number(r["estimate"]),
                Between(low=number(r["low"]), high=number(r["high"])),
                int(r["rows"]),
                number(r["before_on_same_rows"]),
            )
            for r in rungs
        ),
        notes=tuple(
            say("{rung}: {note}", rung=capital(r["rung"]), note=Fixed(str(r["note"])))
            for r in rungs
            if r["status"] not in ("ok", "boundary")
        ),
    )
