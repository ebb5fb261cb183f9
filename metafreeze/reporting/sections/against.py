"""What differs between this register or report and another."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from metafreeze.options import ENDPOINT_WORDS
from metafreeze.reporting import numbers as show
from metafreeze.reporting.content import (
    Between,
    Column,
    Fixed,
    Given,
    Section,
    TableContent,
    Text,
    listed,
    say,
)
from metafreeze.reporting.sections.words import number, say_fixed

ROWS_SHOWN = 20


def against_section(against: Mapping[str, Any], tables: Mapping[str, pd.DataFrame]) -> Section:
    """Set two registers or reports beside each other.

    Parameters
    ----------
    against : mapping
        What the comparison found, as ``results.json`` holds it.
    tables : mapping of str to DataFrame
        Holds ``against-rows``, the rows that differ.

    Returns
    -------
    Section
    """
    paragraphs = [say_fixed(against["question"]), _rows_sentence(against)]
    paragraphs += _studies_sentences(against)
    if against["agree"] is not None:
        paragraphs.append(
            say("Each pooled effect lies in the range of the other.")
            if against["agree"]
            else say("At least one pooled effect lies outside the range of the other.")
        )
    effects = [n for n in against["numbers"] if n["kind"] == "log-ratio"]
    sizes = [n for n in against["numbers"] if n["kind"] == "count"]
    rows = tables["against-rows"]
    shown = [_verdict_table(against), _effect_table(effects), _size_table(sizes)]
    return Section(
        key="against",
        question=say("What differs from {there}?", there=Given(against["there"])),
        answer=say_fixed(against["headline"]),
        paragraphs=tuple(paragraphs),
        tables=(*shown, *((_row_table(rows),) if len(rows) else ())),
        method=(
            say(
                "Rows were paired by what was measured, then by lab, batch, run and event; the "
                "change of an effect is a difference of log ratios. Where rows are shared the "
                "two effects are not independent, so no test of the change is made."
            ),
        ),
    )


def _rows_sentence(against: Mapping[str, Any]) -> Text:
    if not against["changed"] + against["only_here"] + against["only_there"]:
        return say("Both rest on the same {rows}.", rows=show.count(against["shared"], "row"))
    return say(
        "{shared} in both; {changed} of one run with other content; {here} only here, {there} "
        "only there.",
        shared=show.count(against["shared"], "row"),
        changed=show.count(against["changed"], "row"),
        here=show.count(against["only_here"], "row"),
        there=show.count(against["only_there"], "row"),
    )


def _studies_sentences(against: Mapping[str, Any]) -> list[Text]:
    sentences = []
    for where in ("here", "there"):
        names = [Given(n) for n in against[f"studies_{where}"]]
        if names:
            sentences.append(say("Only {where}: {names}.", where=Fixed(where), names=listed(names)))
    return sentences


def _verdict_table(against: Mapping[str, Any]) -> TableContent:
    return TableContent(
        key="against-verdicts",
        caption=say("The two verdicts, here and there."),
        columns=(
            Column(heading="Verdict", kind="words"),
            Column(heading="Here", kind="words"),
            Column(heading="There", kind="words"),
        ),
        rows=tuple((v["verdict"], v["here"], v["there"]) for v in against["verdicts"]),
    )


def _effect_table(effects: list[Mapping[str, Any]]) -> TableContent:
    return TableContent(
        key="against-effects",
        caption=say("How much later the hotter one was, here and there."),
        columns=(
            Column(heading="Number", kind="words"),
            Column(heading="Here", kind="log-ratio"),
            Column(heading="Range here", kind="log-ratio"),
            Column(heading="There", kind="log-ratio"),
            Column(heading="Range there", kind="log-ratio"),
            Column(heading="Change", kind="log-ratio"),
        ),
        rows=tuple(
            (
                n["number"],
                number(n["here"]),
                Between(low=number(n["here_low"]), high=number(n["here_high"])),
                number(n["there"]),
                Between(low=number(n["there_low"]), high=number(n["there_high"])),
                number(n["change"]),
            )
            for n in effects
        ),
    )


def _size_table(sizes: list[Mapping[str, Any]]) -> TableContent:
    return TableContent(
        key="against-sizes",
        caption=say("What each rests on."),
        columns=(
            Column(heading="Number", kind="words"),
            Column(heading="Here", kind="count"),
            Column(heading="There", kind="count"),
        ),
        rows=tuple((n["number"], number(n["here"]), number(n["there"])) for n in sizes),
    )


def _row_table(rows: pd.DataFrame) -> TableContent:
    first = rows.head(ROWS_SHOWN)
    more = len(rows) - len(first)
    return TableContent(
        key="against-rows",
        caption=say("Rows that differ."),
        columns=(
            Column(heading="Where", kind="words"),
            Column(heading="Lab", kind="given"),
            Column(heading="Batch", kind="given"),
            Column(heading="Run", kind="given"),
            Column(heading="Event", kind="words"),
            Column(heading="What differs", kind="words"),
        ),
        rows=tuple(
            (
                r["where"],
                r["study"],
                r["block_id"],
                r["run_id"],
                ENDPOINT_WORDS.get(r["endpoint"], r["endpoint"]),
                r["fields"],
            )
            for r in first.to_dict(orient="records")
        ),
        notes=(
            (say("More rows differ; the table against-rows beside the report lists them."),)
            if more
            else ()
        ),
    )
