"""From results in plain values to the content of a whole report."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from metafreeze.cautions import DEFERENCE, cautions_for, gear_of
from metafreeze.reporting import numbers as show
from metafreeze.reporting.content import (
    Banner,
    Caution,
    Fixed,
    Given,
    Provenance,
    Report,
    Section,
    say,
)
from metafreeze.reporting.sections.against import against_section
from metafreeze.reporting.sections.challenge import challenge_sections
from metafreeze.reporting.sections.choices import moving_choices
from metafreeze.reporting.sections.curves import curves_section
from metafreeze.reporting.sections.false_alarms import false_alarms_section
from metafreeze.reporting.sections.ladder import ladder_section
from metafreeze.reporting.sections.physics import physics_section
from metafreeze.reporting.sections.pooled import (
    NOT_ESTIMABLE,
    absent_section,
    advice_sentence,
    answer_sentence,
    counts_sentence,
    disagreement_sentence,
    how_to_add,
    new_lab_sentence,
    points_section,
    pooled_section,
    spread_section,
)
from metafreeze.reporting.sections.rows import rows_section
from metafreeze.reporting.sections.verdicts import verdicts
from metafreeze.reporting.sections.words import say_fixed


def compose_report(results: Mapping[str, Any], tables: Mapping[str, pd.DataFrame]) -> Report:
    """Describe a whole report.

    Parameters
    ----------
    results : mapping
        What ``results.json`` holds.
    tables : mapping of str to DataFrame
        The tables beside it.

    Returns
    -------
    Report
    """
    register = results["register"]
    pool = {**results["pool"], "endpoint_words": register["endpoint_words"]}
    estimable = pool["status"] not in NOT_ESTIMABLE
    summary = (
        (
            answer_sentence(pool),
            new_lab_sentence(pool),
            counts_sentence(pool),
            disagreement_sentence(pool),
        )
        if estimable
        else (answer_sentence(pool),)
    )
    challenge = results["challenge"]
    sections: list[Section] = []
    if estimable:
        sections.append(ladder_section(challenge))
    sections.append(pooled_section(pool))
    if estimable:
        sections += [
            points_section(pool, tables),
            *moving_choices(challenge),
            spread_section(pool, results.get("traits")),
            absent_section(pool),
            *challenge_sections(challenge),
        ]
    if "curves" in results:
        sections.append(curves_section(results["curves"], tables))
    if estimable:
        sections.append(physics_section(pool, challenge))
    if "false_alarms" in results:
        sections.append(false_alarms_section(results["false_alarms"]))
    sections.append(rows_section(register, pool, tables))
    if "against" in results:
        sections.append(against_section(results["against"], tables))
    return Report(
        title=say("{title}", title=Given(register["title"] or "Freezing trials")),
        lead=(
            say(
                "Does water that starts hotter freeze sooner? The event timed: {what}.",
                what=Fixed(register["endpoint_words"]),
            ),
        ),
        banners=banners(register),
        verdicts=verdicts(challenge),
        summary=tuple(s for s in (*summary, advice_sentence(pool)) if s),
        sections=tuple(sections),
        warnings=tuple(say_fixed(w) for w in register["damage"]),
        cautions=cautions(register),
        how_to_add=how_to_add(),
        provenance=provenance(register, tables),
    )


def banners(register: Mapping[str, Any]) -> tuple[Banner, ...]:
    """Mark a report that rests on invented rows."""
    if not register["invented"]:
        return ()
    return (
        Banner(
            heading="Invented data",
            text=say("Every row was made up to show the work. Nothing here was ever measured."),
        ),
    )


def cautions(register: Mapping[str, Any]) -> tuple[Caution, ...]:
    """Pick the cautions that fit the gear of these trials."""
    hottest, coldest = register["hottest_c"], register["coldest_sink_c"]
    gear = gear_of(
        hottest_c=100.0 if hottest is None else hottest,
        coldest_sink_c=0.0 if coldest is None else coldest,
        vessels=register["vessels"],
        lids=register["lids"],
        sinks=register["sinks"],
    )
    return (
        *(Caution(hazard=c.name, text=say_fixed(c.text)) for c in cautions_for(gear)),
        Caution(hazard="First of all", text=say_fixed(DEFERENCE)),
    )


def provenance(
    register: Mapping[str, Any], tables: Mapping[str, pd.DataFrame]
) -> tuple[Provenance, ...]:
    """Say where it all came from: register, version, seed, every file."""
    files = tables["sources"].to_dict(orient="records")
    return (
        Provenance(name="Register", text=say("{hash}", hash=Fixed(register["fingerprint"]))),
        Provenance(name="metafreeze", text=say("{version}", version=Fixed(register["version"]))),
        Provenance(name="Seed", text=say("{seed}", seed=show.show(register["seed"], "count"))),
        *(
            Provenance(
                name="File",
                text=say(
                    "{file}, {rows}, entry {entry}",
                    file=Given(f["file"]),
                    rows=show.count(int(f["rows"]), "row"),
                    entry=Fixed(f["entry_id"]),
                ),
            )
            for f in files
        ),
    )
