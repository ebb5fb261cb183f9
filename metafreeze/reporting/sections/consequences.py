"""What goes through consequences of starting hot."""

from __future__ import annotations

from metafreeze.reporting.content import (
    Between,
    Column,
    Section,
    TableContent,
    say,
)
from metafreeze.reporting.sections.words import Values, capital, no_answer, number, say_fixed


def consequences_section(parts: list[Values]) -> Section:
    """Say how much goes through what starting hot brings about."""
    question = say("How much goes through what starting hot brings about?")
    fitting = [p for p in parts if p["status"] == "ok"]
    if not fitting:
        return no_answer(
            "consequences",
            question,
            "physics expects nothing of these rows, and no consequence of starting hot, such as "
            "supercooling, was written down in enough batches",
        )
    return Section(
        key="consequences",
        question=question,
        answer=say_fixed(" ".join(_of_path(p) for p in fitting)),
        paragraphs=(
            say(
                "This depends on the model. Evaporation is what physics gives for start "
                "temperature and vessel: mass lost by the end of a run is never used, since slow "
                "vessels lose more. For what was written down it takes for granted that nothing "
                "unseen drives the consequence and the time together. The verdicts do not use it."
            ),
        ),
        tables=(
            TableContent(
                key="consequences-table",
                caption=say("The effect split by each consequence."),
                columns=(
                    Column(heading="Through", kind="words"),
                    Column(heading="Whole", kind="log-ratio"),
                    Column(heading="Past it", kind="log-ratio"),
                    Column(heading="Interval", kind="log-ratio"),
                    Column(heading="Through it", kind="log-ratio"),
                    Column(heading="Interval", kind="log-ratio", key="interval-through"),
                    Column(heading="Batches", kind="count"),
                ),
                rows=tuple(
                    (
                        capital(p["through"]),
                        number(p["total"]),
                        number(p["direct"]),
                        Between(low=number(p["direct_low"]), high=number(p["direct_high"])),
                        number(p["indirect"]),
                        Between(low=number(p["indirect_low"]), high=number(p["indirect_high"])),
                        int(p["blocks"]),
                    )
                    for p in fitting
                ),
            ),
        ),
    )


def _of_path(path: Values) -> str:
    """Say what goes through one consequence, naming it once."""
    through, found = path["through"], path["found"]
    named = through.lower() in found.lower().split(",")[0]
    return str(found if named else f"{capital(through)}: {found}")
