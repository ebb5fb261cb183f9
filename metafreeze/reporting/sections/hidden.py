"""How strong a hidden cause would have to be."""

from __future__ import annotations

import math

from metafreeze.reporting import numbers as show
from metafreeze.reporting.content import (
    Fixed,
    Section,
    Text,
    say,
)
from metafreeze.reporting.figures.ruler import Mark, RulerFigure
from metafreeze.reporting.sections.words import Values, number


def hidden_section(challenge: Values) -> Section:
    """Say how strong a hidden cause would have to be."""
    question = say("How strong would a hidden cause have to be?")
    value, ratio = challenge.get("robustness"), challenge.get("hidden_ratio")
    if value is None:
        return Section(
            key="hidden",
            question=question,
            answer=say("There is no slope within batches to explain away."),
            applies=False,
        )
    paragraphs: list[Text] = []
    if ratio is not None and not math.isnan(number(ratio["value"])):
        paragraphs.append(
            say(
                "On the scale of ratios, it would have to be tied to hot starts and to early "
                "finishes by a factor of {value} each ({limit} for the nearer limit). A ratio near "
                "one needs little, so a small factor here is not by itself a weakness.",
                value=show.show(number(ratio["value"]), "number"),
                limit=show.show(number(ratio["value_of_limit"]), "number"),
            )
        )
    return Section(
        key="hidden",
        question=question,
        answer=say(
            "To explain the effect within batches away, a cause that nobody measured would have to "
            "account for {share} of what is left of start temperature and of time alike.",
            share=show.show(number(value["value"]), "share"),
        )
        + _beside_measured(challenge.get("measured")),
        paragraphs=tuple(paragraphs),
        figures=(
            RulerFigure(
                key="hidden-ruler",
                caption=say(
                    "How strong a hidden cause would have to be, beside the causes that were "
                    "measured."
                ),
                marks=(
                    Mark(
                        words="to explain the effect away",
                        strength=number(value["value"]),
                        hidden=True,
                    ),
                    Mark(
                        words="to leave it unclear",
                        strength=number(value["value_at_level"]),
                        hidden=True,
                    ),
                    *(
                        Mark(words=m["cause"], strength=number(m["strength"]))
                        for m in _measured(challenge.get("measured"))
                    ),
                ),
            ),
        ),
        sources=tuple(
            say("{source}", source=Fixed(s))
            for s in (
                "Cinelli C, Hazlett C (2020) Making sense of sensitivity. Journal of the Royal "
                "Statistical Society B 82:39-67.",
                "VanderWeele TJ, Ding P (2017) Sensitivity analysis in observational research. "
                "Annals of Internal Medicine 167:268-274.",
            )
        ),
    )


def _measured(measured: Values | None) -> list[Values]:
    return [] if measured is None else list(measured["causes"])


def _beside_measured(measured: Values | None) -> Text:
    """Compare what a hidden cause would need with the strongest measured one."""
    causes = _measured(measured)
    if not causes:
        return say(" No cause was measured that differs within batches, to compare it with.")
    return say(
        " The strongest of those that were measured, “{cause}”, is as strong as one of {share}.",
        cause=Fixed(causes[0]["cause"]),
        share=show.show(number(causes[0]["strength"]), "share"),
    )
