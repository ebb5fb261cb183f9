"""The sealed plan: what was done otherwise, and the effect under its conditions."""

from __future__ import annotations

from metafreeze.reporting import numbers as show
from metafreeze.reporting.content import (
    Between,
    Column,
    Fixed,
    Given,
    Section,
    TableContent,
    say,
)
from metafreeze.reporting.sections.words import Values, number, say_fixed


def plan_sections(challenge: Values) -> tuple[Section, ...]:
    """Say what was fixed before the data, whether it was kept, and who looked in between."""
    planned, departures = challenge["planned"], challenge["departures"]
    looks = int(challenge["looks"])
    if not planned and not looks:
        return ()
    question = say("Was anything fixed before the data, and was it kept?")
    seen = (
        say(
            "The answer was seen {times} before the last runs of the same lab.",
            times=show.count(looks, "time"),
        )
        if looks
        else say("Nobody saw the answer before the last run.")
    )
    if not planned:
        return (
            Section(
                key="plan",
                question=question,
                answer=say("No plan was sealed. ") + seen,
                paragraphs=(
                    say(
                        "Whoever may stop when the answer pleases finds an effect too often; so "
                        "without a sealed rule for the end no effect is claimed."
                    ),
                ),
            ),
        )
    paragraphs = [say_fixed(d) for d in departures]
    if planned["stopping_rule"]:
        paragraphs.append(
            say("Trials were to end: {rule}. ", rule=Given(planned["stopping_rule"])) + seen
        )
    elif looks:
        paragraphs.append(say("The plan does not say when trials end. ") + seen)
    for text, runs in planned["exclusions"].items():
        paragraphs.append(
            say(
                "Left out as planned, “{rule}”: {runs}.",
                rule=Given(text),
                runs=show.count(int(runs), "run"),
            )
        )
    conditions = challenge["conditions"]
    return (
        Section(
            key="plan",
            question=question,
            answer=(
                say("A plan was sealed, and not kept in everything.")
                if departures
                else say("A plan was sealed, and kept.")
            ),
            paragraphs=tuple(paragraphs),
            tables=(_conditions_table(conditions),) if conditions else (),
        ),
    )


def _conditions_table(conditions: list[Values]) -> TableContent:
    return TableContent(
        key="conditions-table",
        caption=say(
            "Conditions that the sealed plan named. Intervals are widened for asking so many "
            "questions; the last column is the share of chance with which the effect would differ "
            "as much from that of the other runs."
        ),
        columns=(
            Column(heading="Condition", kind="given"),
            Column(heading="Labs", kind="count"),
            Column(heading="Change of time", kind="log-ratio"),
            Column(heading="Interval", kind="log-ratio"),
            Column(heading="Beyond physics", kind="log-ratio"),
            Column(heading="Differs", kind="p-value"),
        ),
        rows=tuple(
            (
                c["condition"],
                int(c["studies"]),
                number(c["estimate"]),
                Between(low=number(c["low"]), high=number(c["high"])),
                Between(low=number(c["excess_low"]), high=number(c["excess_high"])),
                number(c["interaction_p"]),
            )
            for c in conditions
        ),
        notes=tuple(
            say("{condition}: {note}", condition=Given(c["condition"]), note=Fixed(c["note"]))
            for c in conditions
            if c["note"]
        ),
    )
