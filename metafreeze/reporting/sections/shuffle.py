"""Whether the dealing of hot and cold alone could have done it."""

from __future__ import annotations

from metafreeze.reporting import numbers as show
from metafreeze.reporting.content import (
    Fixed,
    Section,
    Text,
    say,
)
from metafreeze.reporting.sections.words import Values


def shuffle_section(challenge: Values) -> Section:
    """Say what dealing the start temperatures out anew gave."""
    question = say("Could the dealing of start temperatures alone have done it?")
    test = challenge.get("shuffle_test")
    if test is None or test["status"] != "ok":
        why = "" if test is None else test["note"]
        return Section(
            key="shuffle",
            question=question,
            answer=say("This does not apply: {why}.", why=Fixed(why or "it was not asked")),
            applies=False,
        )
    return Section(
        key="shuffle",
        question=question,
        answer=say(
            "Of {deals} deals of the temperatures as they were dealt, a share of {p} gives a slope "
            "as far from zero as what was seen, in {blocks}.",
            deals=show.show(test["deals"], "count"),
            p=show.show(test["p"], "p-value"),
            blocks=show.count(int(test["blocks"]), "batch", "batches"),
        ),
        paragraphs=(
            *_whole_batches(test),
            say(
                "The test asks whether there is no effect in any lab. It also answers no when labs "
                "differ around zero, so it can hold a verdict back and never carry one."
            ),
            *_shuffled_excess(challenge.get("shuffle_excess")),
        ),
        sources=(
            say(
                "{source}",
                source=Fixed(
                    "Phipson B, Smyth GK (2010) Permutation p-values should never be zero. "
                    "Statistical Applications in Genetics and Molecular Biology 9:39."
                ),
            ),
        ),
    )


def _whole_batches(test: Values) -> tuple[Text, ...]:
    if not test["whole_batches"]:
        return ()
    return (
        say(
            "{batches} of a single temperature were dealt anew as a whole, within their lab.",
            batches=show.count(int(test["whole_batches"]), "batch", "batches"),
        ),
    )


def _shuffled_excess(test: Values | None) -> tuple[Text, ...]:
    if test is None or test["status"] != "ok":
        return ()
    return (
        say(
            "Asked of what is beyond ordinary physics in the same way, the share is {p}. It is "
            "also small when labs differ around what physics gives.",
            p=show.show(test["p"], "p-value"),
        ),
    )
