"""What the runs say together, and lab by lab."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import pandas as pd

from metafreeze.reporting import numbers as show
from metafreeze.reporting.content import (
    Between,
    Code,
    Column,
    Fixed,
    Given,
    Section,
    TableContent,
    Text,
    listed,
    say,
)
from metafreeze.reporting.figures.absent import AbsentFigure
from metafreeze.reporting.figures.points import PointsFigure, StudyPoints
from metafreeze.reporting.figures.rows import EffectRow
from metafreeze.reporting.figures.spread import NamedRange, SpreadFigure
from metafreeze.reporting.figures.studies import StudiesFigure
from metafreeze.reporting.sections import methods
from metafreeze.reporting.sections.words import Values, number, say_fixed

Tables = Mapping[str, pd.DataFrame]

NOT_ESTIMABLE = ("unidentifiable", "failed")


def answer_sentence(pool: Values) -> Text:
    """Say the effect at the pair, or why it cannot be said."""
    if pool["status"] in NOT_ESTIMABLE:
        return say("This cannot be answered from these data. {why}", why=Fixed(pool["note"]))
    effect = show.effect(
        number(pool["log_ratio"]),
        number(pool["low"]),
        number(pool["high"]),
        hot_c=pool["hot_c"],
        cold_c=pool["cold_c"],
    )
    place = (
        "In this freezer"
        if pool["scope"] == "one lab"
        else "Over all labs, as the trials were done"
    )
    return say("{place}, {effect}.", place=place, effect=effect)


def new_lab_sentence(pool: Values) -> Text:
    """Say the range for a new lab, or why there is none."""
    if pool["scope"] == "one lab":
        return say("These are runs of one lab, so nothing is said about another freezer.")
    low, high = number(pool["new_lab_low"]), number(pool["new_lab_high"])
    if math.isnan(low):
        return say("With so few labs, no range for a new lab can be given.")
    return say(
        "In a new lab, {limits} would have to be expected (above zero: the hotter one later).",
        limits=show.between(low, high, "log-ratio", signed=True),
    )


def counts_sentence(pool: Values) -> Text:
    """Count labs, batches and runs, and what was not seen exactly."""
    parts = [show.count(pool["labs"], "lab")]
    if pool["batches"]:
        parts.append(show.count(pool["batches"], "batch", "batches"))
    parts.append(show.count(pool["runs"], "run"))
    words = listed(parts)
    if pool["unseen"]:
        words += say(
            "; {n} of them not seen exactly and used with their bounds",
            n=show.show(pool["unseen"], "count"),
        )
    left = pool["rows_given"] - pool["rows_used"]
    if left:
        words += say("; some rows give no effect and are listed with their reasons")
    words += "."
    if not pool["batches"]:
        words += say(
            " Nothing says which vessels cooled together, so all count as one batch a lab."
        )
    return words


def disagreement_sentence(pool: Values) -> Text:
    """Say how much labs disagree, never that they agree."""
    if pool["scope"] == "one lab":
        return say("Disagreement between labs cannot be seen from one lab.")
    spread = number(pool["spread_sd_log_ratio"])
    if math.isnan(spread):
        return say("How much labs disagree could not be estimated.")
    if spread == 0:
        return say(
            "No disagreement between labs was seen beyond the scatter of their runs; with "
            "{labs} some may well be hidden.",
            labs=show.count(pool["labs"], "lab"),
        )
    return say(
        "Labs disagree: from one to the next the effect differs by {spread} or so "
        "(a standard deviation).",
        spread=show.show(spread, "log-ratio"),
    )


def pooled_section(pool: Values) -> Section:
    """Describe the effect, study by study."""
    question = say("What do the runs say, lab by lab?")
    if pool["status"] in NOT_ESTIMABLE:
        return Section(
            key="labs",
            question=question,
            answer=answer_sentence(pool),
            applies=False,
            status=pool["status"],
        )
    together = EffectRow(
        label="All labs" if pool["scope"] == "labs" else "All runs",
        estimate=number(pool["log_ratio"]),
        low=number(pool["low"]),
        high=number(pool["high"]),
    )
    new_lab = None
    if pool["new_lab_low"] is not None:
        new_lab = Between(low=number(pool["new_lab_low"]), high=number(pool["new_lab_high"]))
    rows = tuple(study_row(s) for s in pool["studies"])
    figure = StudiesFigure(
        key="studies-figure",
        caption=say(
            "Each lab's effect with its interval, sorted. The darker band is what all say "
            "together, the lighter one where a new lab is to be expected."
        ),
        rows=rows,
        kind="log-ratio",
        together=together,
        new_lab=new_lab,
        hot_c=number(pool["hot_c"]),
        cold_c=number(pool["cold_c"]),
    )
    return Section(
        key="labs",
        question=question,
        answer=answer_sentence(pool),
        paragraphs=(new_lab_sentence(pool), disagreement_sentence(pool)),
        figures=(figure,),
        tables=(studies_table(pool),),
        method=methods.pool_method(pool),
        sources=methods.pool_sources(pool),
        status=pool["status"],
        note=say_fixed(pool["note"]),
    )


def study_row(study: Values) -> EffectRow:
    """Describe one study as a row of a figure."""
    runs = number(study["runs"])
    beside = Text() if math.isnan(runs) else show.count(int(runs), "run")
    return EffectRow(
        label=study["study"],
        estimate=number(study["log_ratio"]),
        low=number(study["low"]),
        high=number(study["high"]),
        beside=beside,
    )


def studies_table(pool: Values) -> TableContent:
    """List the studies with what they tried and what physics expects of them."""
    return TableContent(
        key="studies-table",
        caption=say(
            "The effect of each lab: {hot} against {cold}.",
            hot=show.show(pool["hot_c"], "celsius"),
            cold=show.show(pool["cold_c"], "celsius"),
        ),
        columns=(
            Column(heading="Lab or source", kind="given", key="study"),
            Column(heading="Runs", kind="count", key="runs"),
            Column(heading="Starts tried", kind="celsius", key="cold_c"),
            Column(heading="Hotter one took longer by", kind="log-ratio", key="log_ratio"),
            Column(heading="Interval", kind="log-ratio", key="low"),
            Column(heading="Physics expects", kind="log-ratio", key="expected_log_ratio"),
            Column(heading="Beyond its own starts", kind="yes-no", key="extrapolated"),
        ),
        rows=tuple(
            (
                s["study"],
                s["runs"],
                Between(low=number(s["cold_c"]), high=number(s["hot_c"])),
                number(s["log_ratio"]),
                Between(low=number(s["low"]), high=number(s["high"])),
                number(s["expected_log_ratio"]),
                bool(s["extrapolated"]),
            )
            for s in sorted(pool["studies"], key=lambda s: number(s["log_ratio"]))
        ),
        notes=tuple(
            say(
                "{lab}: {remark}.",
                lab=Given(s["study"]),
                remark=Fixed(str(s["remark"]).rstrip(".")),
            )
            for s in pool["studies"]
            if s["remark"]
        ),
    )


def points_section(pool: Values, tables: Tables) -> Section:
    """Show all runs on one graph, with each lab's own line and the line across labs."""
    question = say("What would all points on one graph suggest?")
    points = tables.get("pool-points")
    if points is None or points.empty:
        return Section(
            key="points",
            question=question,
            answer=say("There are no single runs to draw."),
            applies=False,
        )
    lines = {line["study"]: line for line in pool["lines"]}
    studies = tuple(
        StudyPoints(
            label=str(study),
            start_c=tuple(own["start_c"]),
            lower_s=tuple(own["lower_s"]),
            upper_s=tuple(own["upper_s"]),
            line=_line_ends(lines.get(str(study))),
        )
        for study, own in points.groupby("study", sort=True)
    )
    across = number(pool["across_slope_per_10k"])
    within = number(pool["slope_per_10k"])
    if math.isnan(across) or math.isnan(within):
        answer = say("Each lab's runs with the line through them.")
    else:
        answer = say(
            "A line through all points regardless of lab changes the time by {across} for a "
            "start {step} hotter; within batches of one lab the change is {within}.",
            across=show.show(across, "log-ratio", signed=True),
            step=show.constant(10.0, "kelvin"),
            within=show.show(within, "log-ratio", signed=True),
        )
    return Section(
        key="points",
        question=question,
        answer=answer,
        paragraphs=(
            say(
                "Labs differ in freezers, vessels and amounts of water. A cloud of points from "
                "many labs mixes those differences with the effect; only vessels that cooled "
                "together are compared like with like."
            ),
        ),
        figures=(
            PointsFigure(
                key="points-figure",
                caption=say(
                    "Every run: time against start temperature, a line for each lab. Bars are "
                    "runs not seen exactly, arrows runs never seen to end."
                ),
                studies=studies,
                across=_line_ends(pool.get("across_line")),
                what=str(pool["endpoint_words"]),
            ),
        ),
        tables=(slopes_table(pool),),
    )


def _line_ends(line: Values | None) -> tuple[tuple[float, float], ...]:
    if line is None:
        return ()
    return ((line["cold_c"], line["cold_s"]), (line["hot_c"], line["hot_s"]))


SLOPE_WORDS = {
    "within": "Within batches (the effect)",
    "between batches": "Between batches of a lab",
    "between studies": "Between labs",
}


def slopes_table(pool: Values) -> TableContent:
    """List the three slopes, which are three different questions."""
    return TableContent(
        key="slopes-table",
        caption=say(
            "Change of time for a start {step} hotter, in three comparisons that are never mixed.",
            step=show.constant(10.0, "kelvin"),
        ),
        columns=(
            Column(heading="Compared", kind="words"),
            Column(heading="Change of time", kind="log-ratio", key="estimate"),
            Column(heading="Interval", kind="log-ratio", key="low"),
        ),
        rows=tuple(
            (
                SLOPE_WORDS.get(s["slope"], s["slope"]),
                number(s["estimate"]),
                Between(low=number(s["low"]), high=number(s["high"])),
            )
            for s in pool["slopes"]
            if _says_something(s)
        ),
        notes=(
            *(
                say(
                    "{which}: {reason}.",
                    which=SLOPE_WORDS.get(s["slope"], s["slope"]),
                    reason=Fixed(s["reason"]),
                )
                for s in pool["slopes"]
                if s["reason"]
            ),
            *(
                say(
                    "{which}: start temperatures differ too little there to say anything.",
                    which=SLOPE_WORDS.get(s["slope"], s["slope"]),
                )
                for s in pool["slopes"]
                if not s["reason"] and not _says_something(s)
            ),
        ),
    )


# An interval of the log ratio wider than this spans a factor of 20: it says nothing.
TELLING_WIDTH = 3.0


def _says_something(slope: Values) -> bool:
    width = number(slope["high"]) - number(slope["low"])
    return bool(slope["reason"]) or not width > TELLING_WIDTH


def spread_section(pool: Values, traits: Values | None = None) -> Section:
    """Show how far labs lie apart, and what goes along with it."""
    question = say("How much do labs disagree, and why?")
    if pool["scope"] == "one lab" or len(pool["studies"]) < 2:
        return Section(
            key="spread",
            question=question,
            answer=say("There is one lab, so this cannot be seen."),
            applies=False,
        )
    ranges = [
        NamedRange(
            words=say("The pooled effect"), low=number(pool["low"]), high=number(pool["high"])
        ),
        NamedRange(
            words=say("A new lab"),
            low=number(pool["new_lab_low"]),
            high=number(pool["new_lab_high"]),
        ),
        NamedRange(
            words=say("A new lab, should some lie far out"),
            low=number(pool["new_lab_wide_low"]),
            high=number(pool["new_lab_wide_high"]),
        ),
    ]
    return Section(
        key="spread",
        question=question,
        answer=disagreement_sentence(pool),
        figures=(
            SpreadFigure(
                key="spread-figure",
                caption=say("Every lab's effect on one line, and the ranges they lead to."),
                estimates=tuple(number(s["log_ratio"]) for s in pool["studies"]),
                kind="log-ratio",
                ranges=tuple(ranges),
                hot_c=number(pool["hot_c"]),
                cold_c=number(pool["cold_c"]),
            ),
        ),
        **_traits_parts(pool, traits),
    )


def _traits_parts(pool: Values, traits: Values | None) -> dict[str, Any]:
    """Give the part of the section that asks why labs disagree."""
    has_range = not math.isnan(number(pool["new_lab_low"]))
    ranges = (methods.NEW_LAB,) if has_range else ()
    if traits is None:
        return {"method": ranges}
    if traits["status"] != "ok":
        why = traits["note"]
        return {
            "paragraphs": (say("Why cannot be asked: {why}.", why=Fixed(why)),),
            "method": ranges,
        }
    table = TableContent(
        key="traits-table",
        caption=say("What labs stated of their gear and habits, one trait at a time."),
        columns=(
            Column(heading="Trait", kind="words"),
            Column(heading="Unit", kind="words"),
            Column(heading="Labs", kind="count"),
            Column(heading="Change of time", kind="log-ratio"),
            Column(heading="Interval", kind="log-ratio"),
            Column(heading="Chance alone", kind="p-value"),
            Column(heading="All traits tried", kind="p-value"),
        ),
        rows=tuple(
            (
                t["trait"][:1].upper() + t["trait"][1:],
                t["unit"],
                t["labs"],
                number(t["change"]),
                Between(low=number(t["low"]), high=number(t["high"])),
                number(t["p_permuted"]),
                number(t["p_holm"]),
            )
            for t in traits["traits"]
        ),
        notes=(
            say(
                "Chance alone: the share of random orders of the labs in which the trait goes "
                "along with the effects as closely; the last column allows for the number of "
                "traits tried."
            ),
        ),
    )
    return {
        "paragraphs": (say_fixed(traits["found"]),),
        "tables": (table,),
        "method": (*ranges, methods.TRAITS),
        "sources": methods.cite("trait regression", "several tests"),
    }


def absent_section(pool: Values) -> Section:
    """Show what all others would say if one study were absent."""
    question = say("Would the answer change if one study were absent?")
    if not pool["absent"]:
        return Section(
            key="absent",
            question=question,
            answer=say("With fewer than three studies, none can be spared."),
            applies=False,
        )
    two_stage = pool["two_stage_at_pair"]
    together = EffectRow(
        label="All studies",
        estimate=number(two_stage["log_ratio"]),
        low=number(two_stage["low"]),
        high=number(two_stage["high"]),
    )
    farthest = max(pool["absent"], key=lambda a: abs(number(a["change"])))
    return Section(
        key="absent",
        question=question,
        answer=say(
            "The study that moves the answer most is {study}: without it, {effect}.",
            study=Given(farthest["study"]),
            effect=show.effect(
                number(farthest["log_ratio"]),
                number(farthest["low"]),
                number(farthest["high"]),
                hot_c=pool["hot_c"],
                cold_c=pool["cold_c"],
            ),
        ),
        figures=(
            AbsentFigure(
                key="absent-figure",
                caption=say(
                    "The effect of all other studies with each one left out in turn, from one "
                    "effect a study."
                ),
                rows=tuple(
                    EffectRow(
                        label=a["study"],
                        estimate=number(a["log_ratio"]),
                        low=number(a["low"]),
                        high=number(a["high"]),
                    )
                    for a in pool["absent"]
                ),
                kind="log-ratio",
                together=together,
                hot_c=number(pool["hot_c"]),
                cold_c=number(pool["cold_c"]),
            ),
        ),
        method=methods.two_stage_method(pool),
        sources=methods.cite("pooled mean", "never narrower", "one absent"),
    )


def advice_sentence(pool: Values) -> Text:
    """Say what to write down next time."""
    advice = pool.get("advice") or []
    if not advice:
        return Text()
    words = say("What would buy most: ")
    for place, one in enumerate(advice):
        words += ("; " if place else "") + one
    return words + "."


def how_to_add() -> tuple[Text, ...]:
    """Say how a reader adds trials of their own."""
    return (
        say(
            "Write down start temperature and freeze time of each run; {sheet} gives a sheet.",
            sheet=Code("metafreeze template runs"),
        ),
        say(
            "Take this report's rows and your own into one register: {new}, then {add}.",
            new=Code("metafreeze new mine"),
            add=Code("metafreeze add mine tables/rows.csv my-trials.csv"),
        ),
        say(
            "See what your trials changed: {pool}.",
            pool=Code("metafreeze pool mine --without YOURS"),
        ),
    )
