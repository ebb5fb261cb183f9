"""What was not written down, and what filling the gaps would change."""

from __future__ import annotations

import math

from metafreeze.reporting import numbers as show
from metafreeze.reporting.content import (
    Between,
    Column,
    Fixed,
    Section,
    TableContent,
    Text,
    say,
)
from metafreeze.reporting.sections.ladder import TOTAL
from metafreeze.reporting.sections.words import Values, capital, number, say_fixed


def missing_section(challenge: Values) -> Section:
    """Count what covariates would cost, and warn where the question changed."""
    missing, warnings = challenge["missing"], challenge["warnings"]
    question = say("What was not written down?")
    if not missing:
        return Section(
            key="missing",
            question=question,
            answer=say("Every row says what its vessel was and where it stood."),
            paragraphs=tuple(say_fixed(w) for w in warnings),
        )
    return Section(
        key="missing",
        question=question,
        answer=say(
            "{fields} that could tell vessels of a batch apart are empty in some rows. Rows are "
            "never filled up silently: a field that most rows leave empty is not adjusted for.",
            fields=show.count(int(challenge["missing_fields"]), "field"),
        ),
        paragraphs=tuple(say_fixed(w) for w in warnings)
        + _filled_words(challenge["missing_covariates"]),
        method=_filled_method(challenge["missing_covariates"]),
        tables=(
            *_filled_table(challenge["missing_covariates"], challenge),
            TableContent(
                key="missing-table",
                caption=say("Rows and whole labs that adjusting for a field would cost."),
                columns=(
                    Column(heading="Field", kind="words"),
                    Column(heading="Rows without it", kind="count"),
                    Column(heading="Labs without it", kind="count"),
                ),
                rows=tuple(
                    (capital(m["label"]), int(m["rows_without"]), int(m["studies_without"]))
                    for m in missing
                ),
            ),
        ),
    )


def _filled_words(found: Values) -> tuple[Text, ...]:
    if found["status"] != "ok":
        return ()
    from metafreeze.register.schema import FIELD

    fields = ", ".join(FIELD[name].label for name in found["fields"])
    return (
        say(
            "Adjusted for what only some rows say ({fields}), with rows that lack it left out or "
            "the gaps filled in: {said}",
            fields=Fixed(fields),
            said=Fixed(found["found"][:1].lower() + found["found"][1:]),
        ),
    )


def _filled_table(found: Values, challenge: Values) -> tuple[TableContent, ...]:
    if found["status"] != "ok":
        return ()
    ladder = challenge["ladder"]
    total = next(r for r in ladder if r["rung"] == TOTAL)
    rows: list[tuple[object, ...]] = [
        (
            "As in the ladder",
            number(total["estimate"]),
            Between(low=number(total["low"]), high=number(total["high"])),
            math.nan,
            int(total["rows"]),
            math.nan,
        )
    ]
    rows += [
        (
            capital(w["way"]),
            number(w["estimate"]),
            Between(low=number(w["low"]), high=number(w["high"])),
            number(w["before_on_same_rows"]),
            int(w["rows"]),
            number(w["lost_information"]),
        )
        for w in found["ways"]
    ]
    return (
        TableContent(
            key="filled-table",
            caption=say("The effect under two ways of dealing with gaps."),
            columns=(
                Column(heading="Way", kind="words"),
                Column(heading="Change of time", kind="log-ratio"),
                Column(heading="Interval", kind="log-ratio"),
                Column(heading="Without them, same rows", kind="log-ratio"),
                Column(heading="Rows", kind="count"),
                Column(heading="Lost to the gaps", kind="share"),
            ),
            rows=tuple(rows),
        ),
    )


def _filled_method(found: Values) -> tuple[Text, ...]:
    if found["status"] != "ok":
        return ()
    return (
        say(
            "Gaps were filled {times}, each from a row that looks alike under a model of the other "
            "columns with a level for each lab (chained equations); the answers were pooled by "
            "Rubin's rules with Barnard and Rubin's degrees of freedom. It assumes that whether a "
            "value is missing depends on what was written down. No verdict uses it.",
            times=show.count(int(found["imputations"]), "time"),
        ),
    )
