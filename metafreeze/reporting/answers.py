"""Short pages for the terminal, from the same sentences as the report."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pandas as pd

from metafreeze.reporting import numbers as show
from metafreeze.reporting.compose import banners
from metafreeze.reporting.content import Fixed, Given, Report, Section, Text, listed, say
from metafreeze.reporting.sections.against import against_section
from metafreeze.reporting.sections.challenge import challenge_sections
from metafreeze.reporting.sections.choices import moving_choices
from metafreeze.reporting.sections.false_alarms import false_alarms_section
from metafreeze.reporting.sections.ladder import ladder_section
from metafreeze.reporting.sections.physics import physics_section
from metafreeze.reporting.sections.pooled import (
    NOT_ESTIMABLE,
    advice_sentence,
    answer_sentence,
    counts_sentence,
    disagreement_sentence,
    new_lab_sentence,
    studies_table,
)
from metafreeze.reporting.sections.verdicts import verdicts
from metafreeze.reporting.sections.words import number


def pool_page(results: Mapping[str, Any], rest: Mapping[str, Any] | None = None) -> Report:
    """Describe what ``metafreeze pool`` prints.

    Parameters
    ----------
    results : mapping
        Results of all studies.
    rest : mapping, optional
        Results without the studies that were named.

    Returns
    -------
    Report
    """
    register = results["register"]
    pool = {**results["pool"], "endpoint_words": register["endpoint_words"]}
    title = say("{title}", title=Given(register["title"] or "Freezing trials"))
    lead = (say("The event timed: {what}.", what=Fixed(register["endpoint_words"])),)
    if pool["status"] in NOT_ESTIMABLE:
        return Report(
            title=title, lead=lead, banners=banners(register), summary=(answer_sentence(pool),)
        )
    summary = [
        answer_sentence(pool),
        new_lab_sentence(pool),
        counts_sentence(pool),
        disagreement_sentence(pool),
        physics_section(pool, results.get("challenge")).answer,
    ]
    if rest is not None:
        summary.append(without_sentence(rest))
    summary.append(advice_sentence(pool))
    return Report(
        title=title,
        lead=lead,
        banners=banners(register),
        summary=tuple(s for s in summary if s),
        sections=(
            Section(
                key="labs",
                question=say("Lab by lab"),
                answer=say("Sorted by effect."),
                tables=(studies_table(pool),),
            ),
        ),
    )


def challenge_page(results: Mapping[str, Any]) -> Report:
    """Describe what ``metafreeze challenge`` prints.

    Parameters
    ----------
    results : mapping
        Results of the challenge.

    Returns
    -------
    Report
    """
    register, challenge = results["register"], results["challenge"]
    sections = (
        ladder_section(challenge),
        *moving_choices(challenge),
        *challenge_sections(challenge),
    )
    return Report(
        title=say("{title}", title=Given(register["title"] or "Freezing trials")),
        lead=(say("The event timed: {what}.", what=Fixed(register["endpoint_words"])),),
        banners=banners(register),
        verdicts=verdicts(challenge),
        sections=tuple(replace(s, figures=(), method=(), sources=()) for s in sections),
    )


def false_alarms_page(results: Mapping[str, Any]) -> Report:
    """Describe what ``metafreeze false-alarms`` prints.

    Parameters
    ----------
    results : mapping
        The register and its false alarms.

    Returns
    -------
    Report
    """
    register = results["register"]
    section = false_alarms_section(results["false_alarms"])
    return Report(
        title=say("{title}", title=Given(register["title"] or "Freezing trials")),
        lead=(say("The event timed: {what}.", what=Fixed(register["endpoint_words"])),),
        banners=banners(register),
        sections=(replace(section, method=(), sources=()),),
    )


def published_page(results: Mapping[str, Any], tables: Mapping[str, pd.DataFrame]) -> Report:
    """Describe what is printed when a report was written: the verdicts, the answer, the ladder.

    Parameters
    ----------
    results : mapping
        All results.
    tables : mapping of str to DataFrame
        The tables beside them.

    Returns
    -------
    Report
    """
    page = pool_page(results)
    challenge = results["challenge"]
    ladder = replace(ladder_section(challenge), figures=(), method=(), sources=())
    sections = [ladder]
    if "against" in results:
        other = against_section(results["against"], tables)
        sections.append(replace(other, method=()))
    return replace(page, verdicts=verdicts(challenge), sections=tuple(sections))


def without_sentence(rest: Mapping[str, Any]) -> Text:
    """Say what the named studies change."""
    names = listed([Given(n) for n in rest["register"]["left_out"]])
    pool = rest["pool"]
    if pool["status"] in NOT_ESTIMABLE:
        return say(
            "Without {names} nothing can be estimated: {why}", names=names, why=Fixed(pool["note"])
        )
    return say(
        "Without {names}, {effect}.",
        names=names,
        effect=show.effect(
            number(pool["log_ratio"]),
            number(pool["low"]),
            number(pool["high"]),
            hot_c=pool["hot_c"],
            cold_c=pool["cold_c"],
        ),
    )
