"""The cooling curves: the traces, who is ahead along the way, and whether it lasts."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import pandas as pd

from metafreeze.reporting import numbers as show
from metafreeze.reporting.content import (
    Between,
    Column,
    FigureContent,
    Fixed,
    Given,
    Section,
    TableContent,
    Text,
    say,
)
from metafreeze.reporting.figures.ratio_curve import RatioCurveFigure, level_words
from metafreeze.reporting.figures.traces import TraceLine, TracesFigure
from metafreeze.reporting.sections.words import number

# More traces than this have no table of events in the report; the file beside it has them all.
MOST_LISTED = 40
ARMS = {"hot": "hotter", "cold": "colder"}


def curves_section(curves: Mapping[str, Any], tables: Mapping[str, pd.DataFrame]) -> Section:
    """Show the traces with their events, and the comparison of the whole curves.

    Parameters
    ----------
    curves : mapping
        What `WholeCurves.results` gives.
    tables : mapping of str to DataFrame
        With "curve-events" and "curve-points", the frames `events` and `drawn` of the same.

    Returns
    -------
    Section
    """
    question = say("Who is ahead along the whole curve?")
    if curves["status"] == "none":
        return Section(
            key="curves", question=question, answer=_fixed(curves["note"]), applies=False
        )
    events = tables["curve-events"]
    figures: list[FigureContent] = [_traces_figure(events, tables["curve-points"])]
    shown: list[TableContent] = []
    for place, one in enumerate(curves["probes"]):
        if one["levels"]:
            figures.append(_ratio_figure(curves, one, place))
            shown.append(_levels_table(one, place))
    if len(events) <= MOST_LISTED:
        shown.append(_events_table(events))
    return Section(
        key="curves",
        question=question,
        answer=_answer(curves),
        paragraphs=_paragraphs(curves),
        figures=tuple(figures),
        tables=tuple(shown),
        method=(
            say(
                "At every level the difference of mean log times, with a band that holds the whole "
                "curve at once, from a studentised bootstrap of blocks. Below freezing, where "
                "temperature rises again, the share of the heat of freezing takes its place; it is "
                "taken to leave evenly along the plateau. A lead counts only if the band excludes "
                "no difference from some level down to the end, at every probe."
            ),
        ),
        sources=(
            say(
                "Efron B, Tibshirani R ({year}). An Introduction to the Bootstrap, section "
                "{section}.",
                year=Fixed("1993"),
                section=Fixed("12.5"),
            ),
        ),
    )


def _fixed(words: str) -> Text:
    return say("{words}", words=Fixed(words[:1].upper() + words[1:] + "."))


def _answer(curves: Mapping[str, Any]) -> Text:
    lead = curves["lead"]
    if curves["status"] != "ok":
        return _fixed(f"no answer: {curves['note']}")
    if lead == "nobody":
        if not all(one["reached_end"] for one in curves["probes"]):
            return say("No statement on the end: not every run was followed until all was ice.")
        return say("Neither start is surely ahead to the end.")
    last = max(curves["probes"], key=lambda one: int(one["lead_from"]))
    place = int(last["lead_from"])
    return say(
        "The {who} start is ahead from {where} to the end.",
        who=ARMS[lead],
        where=level_words(last["kinds"][place], number(last["levels"][place])),
    )


def _paragraphs(curves: Mapping[str, Any]) -> tuple[Text, ...]:
    out = []
    for one in curves["probes"]:
        residual = number(one["residual_log_ratio"])
        if not math.isnan(residual):
            words = say(
                "Counted from the moment each vessel passes {start}, the hotter start changes the "
                "time to the last level by {change} ({limits}).",
                start=show.show(number(one["residual_from_c"]), "celsius"),
                change=show.show(residual, "log-ratio", signed=True),
                limits=show.between(
                    number(one["residual_low"]),
                    number(one["residual_high"]),
                    "log-ratio",
                    signed=True,
                ),
            )
            out.append(_of_probe(one, curves) + words)
    if curves["note"] and curves["status"] == "ok":
        out.append(_fixed(curves["note"]))
    if curves["left_out"]:
        out.append(
            say(
                "Of other start temperatures, and left out here: {runs}.",
                runs=show.count(int(curves["left_out"]), "run"),
            )
        )
    return tuple(out)


def _of_probe(one: Mapping[str, Any], curves: Mapping[str, Any]) -> Text:
    if len(curves["probes"]) < 2:
        return Text()
    return say("{probe}: ", probe=Given(one["probe"] or "unnamed probe"))


def _traces_figure(events: pd.DataFrame, points: pd.DataFrame) -> TracesFigure:
    lines = []
    middles = []
    for name, part in points.groupby("trace", sort=False):
        times = tuple(float(v) for v in part["time_s"])
        temps = tuple(float(v) for v in part["temp_c"])
        arm = str(part["arm"].iloc[0])
        if part["middle"].iloc[0]:
            middles.append(TraceLine(arm=arm, time_s=times, temp_c=temps))  # type: ignore[arg-type]
            continue
        row = events.iloc[int(str(name))]
        lines.append(
            TraceLine(
                arm=arm,  # type: ignore[arg-type]
                time_s=times,
                temp_c=temps,
                first_ice_s=_seen(row, "t_first_ice", "lower"),
                plateau_end_s=_seen(row, "t_plateau_end", "upper"),
            )
        )
    return TracesFigure(
        key="curves-traces",
        caption=say("Temperature since insertion, every trace."),
        lines=tuple(lines),
        middles=tuple(middles),
    )


def _seen(row: pd.Series[Any], name: str, end: str) -> float:
    """Give one limit of an event that was seen: a number that stands in the table."""
    if not math.isfinite(float(row[f"{name}_upper_s"])):
        return math.nan
    return float(row[f"{name}_{end}_s"])


def _ratio_figure(
    curves: Mapping[str, Any], one: Mapping[str, Any], place: int
) -> RatioCurveFigure:
    values = {
        name: tuple(number(v) for v in one[name]) for name in ("levels", "log_ratio", "low", "high")
    }
    return RatioCurveFigure(
        key=f"curves-ratio-{place}",
        caption=_of_probe(one, curves)
        + say(
            "Change in time from the colder to the hotter start at every level, with a band that "
            "holds the whole curve with {level}.",
            level=show.show(number(curves["level"]), "share"),
        ),
        kinds=tuple(one["kinds"]),
        values=values["levels"],
        middle=values["log_ratio"],
        low=values["low"],
        high=values["high"],
        lead=one["lead"],
        lead_from=int(one["lead_from"]),
    )


def _levels_table(one: Mapping[str, Any], place: int) -> TableContent:
    rows = tuple(
        (
            level_words(kind, number(value)),
            number(middle),
            Between(low=number(low), high=number(high)),
            number(rate),
            Between(low=number(rate_low), high=number(rate_high)),
        )
        for kind, value, middle, low, high, rate, rate_low, rate_high in zip(
            one["kinds"],
            one["levels"],
            one["log_ratio"],
            one["low"],
            one["high"],
            one["rate_log_ratio"],
            one["rate_low"],
            one["rate_high"],
            strict=True,
        )
    )
    return TableContent(
        key=f"curves-levels-{place}",
        caption=say(
            "Change in time, and in the rate constant of cooling at the same temperature, from "
            "the colder to the hotter start."
        ),
        columns=(
            Column(heading="Level", kind="words"),
            Column(heading="Change in time", kind="log-ratio"),
            Column(heading="Band", kind="log-ratio"),
            Column(heading="Change in rate", kind="log-ratio"),
            Column(heading="Band of the rate", kind="log-ratio"),
        ),
        rows=rows,
        notes=(
            say(
                "The rate is a diagnostic: by cooling alone it is the same at the same "
                "temperature, unless mass was lost or the contact changed."
            ),
        ),
    )


def _events_table(events: pd.DataFrame) -> TableContent:
    def limits(row: Any, name: str) -> Between:
        return Between(low=float(row[f"{name}_lower_s"]), high=float(row[f"{name}_upper_s"]))

    rows = tuple(
        (
            str(row["run"]),
            str(row["probe"]),
            float(row["start_temp_c"]),
            limits(row, "t_zero"),
            limits(row, "t_first_ice"),
            limits(row, "t_plateau_end"),
            float(row["supercooling_k"]),
        )
        for row in events.to_dict(orient="records")
    )
    return TableContent(
        key="curves-events",
        caption=say("When each event happened, since insertion; open where it was not seen."),
        columns=(
            Column(heading="Run", kind="given"),
            Column(heading="Probe", kind="given"),
            Column(heading="Start", kind="celsius"),
            Column(heading="At freezing point", kind="seconds"),
            Column(heading="Ice begins", kind="seconds"),
            Column(heading="Plateau ends", kind="seconds"),
            Column(heading="Supercooled by", kind="kelvin"),
        ),
        rows=rows,
    )
