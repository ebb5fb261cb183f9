"""What the start temperatures tell: their whole range, vessels started alike, their error."""

from __future__ import annotations

from metafreeze.reporting import numbers as show
from metafreeze.reporting.content import (
    Between,
    Column,
    Fixed,
    Section,
    TableContent,
    say,
)
from metafreeze.reporting.sections.words import Values, no_answer, number, say_fixed


def shape_section(shape: Values) -> Section:
    """Say whether a hotter start beats a cooler one anywhere."""
    question = say("Does a hotter start beat a cooler one anywhere in the range?")
    if shape["status"] != "ok":
        return no_answer("shape", question, shape["note"])
    return Section(
        key="shape",
        question=question,
        answer=say_fixed(shape["found"]),
        tables=(
            TableContent(
                key="shape-table",
                caption=say(
                    "Each start against the coldest and against the next cooler one, within "
                    "batches. The intervals hold together, over these and all other pairs."
                ),
                columns=(
                    Column(heading="Hot", kind="celsius"),
                    Column(heading="Cold", kind="celsius"),
                    Column(heading="Change of time", kind="log-ratio"),
                    Column(heading="Interval", kind="log-ratio"),
                ),
                rows=tuple(
                    (
                        number(p["hot_c"]),
                        number(p["cold_c"]),
                        number(p["log_ratio"]),
                        Between(low=number(p["low"]), high=number(p["high"])),
                    )
                    for p in _telling_pairs(shape["pairs"])
                ),
            ),
        ),
        method=(
            say(
                "A natural spline within batches; the largest of all deviations decides how wide "
                "the intervals are. It speaks of these labs and adjusts for no vessel."
            ),
        ),
    )


def _telling_pairs(pairs: list[Values]) -> list[Values]:
    """Keep pairs with the coldest start and pairs of neighbours: the others follow."""
    levels = sorted({p["cold_c"] for p in pairs} | {p["hot_c"] for p in pairs})
    below = dict(zip(levels[1:], levels, strict=False))
    return [p for p in pairs if p["cold_c"] in (levels[0], below[p["hot_c"]])]


def sham_section(sham: Values) -> Section:
    """Set the difference of sham pairs beside the effect."""
    question = say("Do vessels differ that were started alike?")
    if sham["status"] != "ok":
        return no_answer("sham", question, sham["note"])
    return Section(
        key="sham",
        question=question,
        answer=say(
            "{found} Over {pairs}, the time of the one labelled A differed from that of B by "
            "{effect}.",
            found=Fixed(sham["found"]),
            pairs=show.count(int(sham["pairs"]), "batch", "batches"),
            effect=show.show(number(sham["log_ratio"]), "log-ratio"),
        ),
    )


def start_error_section(found: Values) -> Section:
    """Say what error in the start temperatures hides."""
    question = say("How much does error in the start temperatures hide?")
    if found["status"] != "ok":
        return no_answer("start-error", question, found["note"])
    return Section(
        key="start-error",
        question=question,
        answer=say(
            "A typical error of {error}{assumed} hides {share} of the effect within batches.",
            error=show.show(number(found["error_sd_k"]), "kelvin"),
            assumed=Fixed(", assumed where nobody wrote it down," if found["assumed"] else ""),
            share=show.show(number(found["hidden_share"]), "share"),
        ),
        method=(
            say(
                "Noise of the same kind was added on purpose, up to twice as much, and the way the "
                "slope flattens followed back to none. The verdicts are not corrected for it."
            ),
        ),
        sources=(
            say(
                "{source}",
                source=Fixed(
                    "Cook JR, Stefanski LA (1994) Simulation-extrapolation estimation in "
                    "parametric measurement error models. Journal of the American Statistical "
                    "Association 89:1314-1328."
                ),
            ),
        ),
    )
