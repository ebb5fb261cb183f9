"""What a plan says: one sentence first, then what it takes, then the curves as tables."""

from __future__ import annotations

import math
from typing import Any

from metafreeze.options import ENDPOINT_WORDS
from metafreeze.reporting import numbers as show
from metafreeze.reporting.content import (
    Column,
    Fixed,
    Report,
    Section,
    TableContent,
    Text,
    listed,
    say,
)
from metafreeze.reporting.sections.words import Values, number, say_fixed

SOURCES_OF_SCATTER = {
    "these runs": "as your own runs show",
    "common practice": "as is usual",
    "stated": "as you said",
}
AXES = {
    "vessels": ("More vessels in a batch", "Vessels"),
    "batches": ("More batches", "Batches"),
    "labs": ("More labs", "Labs"),
}


def plan_page(plan: Values) -> Report:
    """Describe what ``metafreeze plan`` prints.

    Parameters
    ----------
    plan : mapping
        A plan as plain values.

    Returns
    -------
    Report
    """
    endpoint = ENDPOINT_WORDS.get(plan["endpoint"], "")
    lead = (say("The event timed: {what}.", what=Fixed(endpoint)),) if endpoint else ()
    if plan["status"] != "ok":
        return Report(title=say("Plan"), lead=lead, summary=(say_fixed(plan["note"]),))
    summary = (
        first_sentence(plan),
        _together(plan),
        _needed(plan),
        _equivalence(plan),
        _new_lab(plan),
        _assumed(plan),
        say_fixed(plan["note"]),
    )
    return Report(
        title=say("Plan"),
        lead=lead,
        summary=tuple(text for text in summary if text),
        sections=tuple(_along(plan, axis) for axis in AXES),
    )


def first_sentence(plan: Values) -> Text:
    """Say what would be noticed, beside what would matter."""
    seen, matters = plan["noticeable"], plan["smallest_effect"]
    return say(
        "With {vessels} in {batches}{labs} you would notice {seen}, {matters}: that much less time "
        "for a start at {hot} than at {cold}{scope}.",
        vessels=show.count(plan["vessels"], "vessel"),
        batches=show.count(plan["batches"], "batch", "batches"),
        labs=say(" in each of {n}", n=show.count(plan["labs"], "lab"))
        if plan["labs"] > 1
        else Text(),
        seen=show.show(seen, "share", decimals=_places(seen)),
        matters=say(
            "not {size}" if seen > matters else "and so also {size}",
            size=show.show(matters, "share", decimals=_places(matters)),
        ),
        hot=show.show(plan["hot_c"], "celsius"),
        cold=show.show(plan["cold_c"], "celsius"),
        scope="" if plan["labs"] > 1 else ", in this freezer",
    )


def _places(share: float) -> int:
    """Whole percents, but not below one per cent or for a fraction that was asked for."""
    return 0 if share >= 0.1 or math.isclose(100 * share, round(100 * share)) else 1


def _size(share: float) -> Any:
    return show.show(share, "share", decimals=_places(abs(share)))


def _power(plan: Values) -> Any:
    return show.show(plan["wanted_power"], "share", decimals=0)


def _together(plan: Values) -> Text:
    if plan["together"] is None:
        return Text()
    return say(
        "Together with the {runs} there are, from {size}.",
        runs=show.count(plan["existing_runs"], "run"),
        size=_size(plan["together"]),
    )


def _needed(plan: Values) -> Text:
    """Say how many it takes; a sentence and no number where none would do."""
    if plan["reason"] == "wrong side":
        return say(
            "The effect assumed has the hotter one no sooner, so no number of runs would show it "
            "sooner."
        )
    sizes = {"size": _size(plan["effect"]), "power": _power(plan)}
    if plan["reason"]:
        few = "this many labs" if plan["reason"] == "not with this many labs" else "these vessels"
        text = say(
            "{size} less time cannot be made to show in {power} of such trials with {few}, however "
            "many batches.",
            few=few,
            **sizes,
        )
        if plan["labs_needed"] is None:
            return text + say(" Nor with any number of labs that could be had.")
        return text + say(
            " Labs differ too much; with batches as planned it takes {labs}.",
            labs=show.count(int(plan["labs_needed"]), "lab"),
        )
    return say(
        "To notice {size} less time in {power} of such trials takes {batches} of {vessels}{each}.",
        batches=show.count(int(plan["batches_needed"]), "batch", "batches"),
        vessels=show.count(plan["vessels"], "vessel"),
        each=" in each lab" if plan["labs"] > 1 else "",
        **sizes,
    )


def _design_line(plan: Values) -> Values:
    line: Values = plan["table"][0]
    return line


def _equivalence(plan: Values) -> Text:
    line = _design_line(plan)
    return say(
        "Were there no difference, {share} of such trials would show that it is smaller than "
        "{size} either way.",
        share=show.show(number(line["equivalence_simulated"]), "share", decimals=0),
        size=_size(plan["smallest_effect"]),
    )


def _new_lab(plan: Values) -> Text:
    line = _design_line(plan)
    if line["new_lab_half_width"] is None:
        return say("What a new lab would find cannot be said from fewer than three labs.")
    if plan["reason"] == "wrong side":
        return Text()
    return say(
        "That a new lab, too, would find it sooner, {share} of such trials would say.",
        share=show.show(number(line["new_lab_simulated"]), "share", decimals=0),
    )


def _assumed(plan: Values) -> Text:
    parts = [
        say("vessels started alike scatter by {sd}", sd=_size(plan["run_sd"])),
        say("labs differ in the effect by {sd}", sd=_size(plan["between_sd"])),
    ]
    if plan["labs"] == 1:
        parts = parts[:1]
    return say(
        "Taken {origin}: {parts}.",
        origin=SOURCES_OF_SCATTER[plan["scatter_from"]],
        parts=listed(parts),
    )


def _along(plan: Values, axis: str) -> Section:
    question, heading = AXES[axis]
    lines = [line for line in plan["table"] if line["along"] in ("design", axis)]
    lines.sort(key=lambda line: line[axis])
    new_lab = any(line["new_lab_half_width"] is not None for line in lines)
    columns = [
        Column(heading=heading, kind="count"),
        Column(heading="Runs", kind="count"),
        Column(heading="Noticed from", kind="share"),
        Column(heading="Effect noticed", kind="share", decimals=0),
        Column(heading="By formula", kind="share", decimals=0),
        Column(heading="No difference shown", kind="share", decimals=0),
        Column(heading="By formula", kind="share", decimals=0),
    ]
    if new_lab:
        columns.append(Column(heading="New lab too", kind="share", decimals=0))
    rows = []
    for line in lines:
        cells = [line[axis], line["runs"], number(line["noticeable"])]
        for question_name in ("effect", "equivalence"):
            cells.append(number(line[f"{question_name}_simulated"]))
            cells.append(number(line[f"{question_name}_closed"]))
        if new_lab:
            cells.append(number(line["new_lab_simulated"]))
        rows.append(tuple(cells))
    failed = [line["failed"] for line in lines if line["failed"]]
    notes = [
        say(
            "Each line was simulated {n} times or more.",
            n=show.show(min(line["simulations"] for line in lines), "count"),
        )
    ]
    if failed:
        notes.append(
            say(
                "Of a line's fits up to {n} failed; they are not in the shares.",
                n=show.show(max(failed), "count"),
            )
        )
    return Section(
        key=f"along-{axis}",
        question=say(question),
        answer=_spread(lines),
        tables=(
            TableContent(
                key=f"along-{axis}-table",
                caption=say(
                    "Share of simulated trials that notice {size}, or show no difference.",
                    size=_size(plan["effect"]),
                ),
                columns=tuple(columns),
                rows=tuple(rows),
                notes=tuple(notes),
            ),
        ),
    )


def _spread(lines: list[Values]) -> Text:
    noticed = [number(line["noticeable"]) for line in lines]
    noticed = [n for n in noticed if not math.isnan(n)]
    between = show.between(min(noticed), max(noticed), "share")
    return say("What would be noticed goes from {between}.", between=between)
