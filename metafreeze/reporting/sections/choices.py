"""Which choice of analysis moves the answer."""

from __future__ import annotations

import math

from metafreeze.reporting import numbers as show
from metafreeze.reporting.content import (
    Column,
    Fixed,
    Section,
    TableContent,
    say,
)
from metafreeze.reporting.figures.choices import ChoicesFigure
from metafreeze.reporting.sections.words import Values, capital, no_answer, number

CHOICE_WORDS = {
    "rows": "which runs count",
    "alike in": "what vessels must be alike in",
    "compared within": "what is compared with what",
    "scale": "the scale of time",
    "form": "the form of the line",
    "weights": "how much each lab counts",
}


def moving_choices(challenge: Values) -> tuple[Section, ...]:
    """Say which choice moves the answer, where it was asked."""
    if challenge.get("status") != "ok" or challenge.get("many_analyses") is None:
        return ()
    return (choices_section(challenge["many_analyses"], challenge),)


def choices_section(many: Values, challenge: Values) -> Section:
    """Say which choice of analysis moves the answer."""
    question = say("Which choice of analysis moves the answer?")
    if many["status"] != "ok":
        return no_answer("choices", question, many["note"])
    paragraphs = []
    if many["p_median"] is not None and not math.isnan(number(many["p_median"])):
        paragraphs.append(
            say(
                "Had the start temperatures been dealt out anew, a share of {p} of the deals would "
                "put the middle answer as far from zero, and a share of {clear} would give as many "
                "clearly negative answers.",
                p=show.show(number(many["p_median"]), "p-value"),
                clear=show.show(number(many["p_clear"]), "p-value"),
            )
        )
    return Section(
        key="choices",
        question=question,
        answer=say(
            "Of {analyses}, {share} have the hotter one sooner; in the middle one, {effect}. "
            "What moves the answer most is {choice}.",
            analyses=show.count(int(challenge["analyses_run"]), "analysis", "analyses"),
            share=show.show(number(many["share_negative"]), "share"),
            effect=show.effect(
                number(many["median"]),
                None,
                None,
                hot_c=challenge["hot_c"],
                cold_c=challenge["cold_c"],
            ),
            choice=Fixed(CHOICE_WORDS[str(many["most_moved_by"])]),
        ),
        paragraphs=tuple(paragraphs),
        figures=(
            ChoicesFigure(
                key="choices-strip",
                caption=say("Every analysis that could be defended, sorted by its answer."),
                analyses=tuple(
                    (number(a["estimate"]), number(a["low"]), number(a["high"]))
                    for a in many["analyses"]
                ),
                kind="log-ratio",
                hot_c=number(challenge["hot_c"]),
                cold_c=number(challenge["cold_c"]),
            ),
        ),
        tables=(
            TableContent(
                key="choices-table",
                caption=say(
                    "Each option of each choice: the middle of all analyses that took it. Effects "
                    "are for {hot} against {cold}.",
                    hot=show.show(number(challenge["hot_c"]), "celsius"),
                    cold=show.show(number(challenge["cold_c"]), "celsius"),
                ),
                columns=(
                    Column(heading="Choice", kind="words"),
                    Column(heading="Option", kind="words"),
                    Column(heading="Analyses", kind="count"),
                    Column(heading="Middle answer", kind="log-ratio"),
                    Column(heading="Hotter sooner in", kind="share"),
                ),
                rows=tuple(
                    (
                        capital(m["choice"]),
                        m["option"],
                        int(m["analyses"]),
                        number(m["median"]),
                        number(m["share_negative"]),
                    )
                    for m in many["moves"]
                ),
            ),
        ),
        sources=(
            say(
                "{source}",
                source=Fixed(
                    "Simonsohn U, Simmons JP, Nelson LD (2020) Specification curve analysis. "
                    "Nature Human Behaviour 4:1208-1214."
                ),
            ),
        ),
    )
