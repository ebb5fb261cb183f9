"""Chance of a false alarm: the same analysis on registers whose truth is known."""

from __future__ import annotations

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
from metafreeze.reporting.sections.words import Values, number, say_fixed

NOTHING, ADVANTAGE = "nothing but physics", "true advantage"
RAW = "hotter first?"
HOTTER, BEYOND = "hotter first", "sooner than physics"

METHOD = say(
    "The register's own rows (which vessel cooled with which, how often it was looked at, what "
    "was recorded) were given new times: those of physics with everything unknown about it "
    "drawn anew, and normal scatter of runs, batches, labs and slopes on the log scale, as large "
    "as the register itself shows. Each simulated register went through the same verdict. "
    "Intervals are exact binomial ones and say how far the number of simulations carries. What "
    "no row records cannot be simulated: a cause that nobody wrote down is not in these rates."
)
SOURCES = (
    say(
        "{source}",
        source=Fixed(
            "Clopper CJ, Pearson ES (1934) The use of confidence or fiducial limits illustrated in "
            "the case of the binomial. Biometrika 26:404-413."
        ),
    ),
)


def false_alarms_section(found: Values) -> Section:
    """Say how often the verdict would be wrong on this design."""
    question = say("How often would this analysis see an effect by chance?")
    if found.get("status") != "ok":
        return Section(
            key="false-alarms",
            question=question,
            answer=say_fixed(found.get("note", "")),
            applies=False,
        )
    return Section(
        key="false-alarms",
        question=question,
        answer=alarm_sentence(found),
        paragraphs=tuple(
            p for p in (_missed(found), _failed(found), say_fixed(found["note"])) if p
        ),
        tables=(_table(found),),
        method=(METHOD,),
        sources=SOURCES,
    )


def alarm_sentence(found: Values) -> Text:
    """Say how often nothing but physics was called hotter first."""
    line = _line(found, NOTHING, HOTTER)
    if not line["runs"]:
        return say("No simulated register could be judged.")
    return say(
        "With nothing but physics at work, the verdict was “hotter first” in {k} of {n} "
        "registers simulated on this design ({limits}).",
        k=show.show(line["count"], "count"),
        n=show.show(line["runs"], "count"),
        limits=_limits(line),
    )


def _missed(found: Values) -> Text:
    if found["advantage"] is None:
        return Text()
    line = _line(found, ADVANTAGE, HOTTER)
    if not line["runs"]:
        return Text()
    return say(
        "Where the hotter one truly took {size} less time, {k} of {n} did not get that verdict "
        "({limits}).",
        size=show.show(found["advantage"], "share"),
        k=show.show(found["missed"], "count"),
        n=show.show(line["runs"], "count"),
        limits=show.between(number(found["missed_low"]), number(found["missed_high"]), "share"),
    )


def _failed(found: Values) -> Text:
    lost = [found["failed"]] + ([found["failed_advantage"]] if found["failed_advantage"] else [])
    if not any(lost):
        return Text()
    return say(
        "Apart from these, {lost} could not be judged at all.",
        lost=show.count(max(lost), "simulated register"),
    )


def _line(found: Values, truth: str, label: str) -> Values:
    return next(r for r in found["table"] if r["truth"] == truth and r["label"] == label)


def _limits(line: Values) -> Text:
    return show.between(number(line["low"]), number(line["high"]), "share")


def _table(found: Values) -> TableContent:
    rows = tuple(
        (
            f"{line['truth']}: {line['label']}",
            line["count"],
            line["runs"],
            number(line["share"]),
            Between(low=number(line["low"]), high=number(line["high"])),
        )
        for line in found["table"]
        if line["count"] or line["label"] in (HOTTER, BEYOND)
    )
    return TableContent(
        key="false-alarms-table",
        caption=say("Verdicts on simulated registers, by what was true of them."),
        columns=(
            Column(heading="Truth and verdict", kind="words"),
            Column(heading="Registers", kind="count"),
            Column(heading="Of", kind="count"),
            Column(heading="Share", kind="share", decimals=1),
            Column(heading="Interval", kind="share", decimals=1),
        ),
        rows=rows,
    )
