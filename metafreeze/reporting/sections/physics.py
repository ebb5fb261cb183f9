"""What ordinary physics expects, beside what was seen."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from metafreeze.reporting import numbers as show
from metafreeze.reporting.content import Between, Column, Section, TableContent, Text, say
from metafreeze.reporting.sections import methods
from metafreeze.reporting.sections.ladder import TOTAL
from metafreeze.reporting.sections.pooled import NOT_ESTIMABLE
from metafreeze.reporting.sections.words import number


def physics_section(pool: Mapping[str, Any], challenge: Mapping[str, Any] | None = None) -> Section:
    """Set the expected ratio beside the one seen, and what is left.

    Where the challenge was run its numbers stand here, which compare like with like, so that
    the page holds one answer to one question.
    """
    question = say("What does ordinary physics expect?")
    pool = _like_with_like(pool, challenge)
    expected = math.nan
    if pool["status"] not in NOT_ESTIMABLE:
        expected = number(pool["expected_log_ratio"])
    if math.isnan(expected):
        return Section(
            key="physics",
            question=question,
            answer=say("No expected time could be worked out for these rows."),
            applies=False,
        )
    rows = (
        ("Seen, like with like", number(pool["log_ratio"]), _limits(pool, "low", "high")),
        ("Expected", expected, _limits(pool, "expected_low", "expected_high")),
        (
            "Beyond ordinary physics",
            number(pool["excess_log_ratio"]),
            _limits(pool, "excess_low", "excess_high"),
        ),
    )
    return Section(
        key="physics",
        question=question,
        answer=say(
            "By cooling, evaporation and latent heat alone, {expected} in these vessels. Beyond "
            "that, {excess}.",
            expected=_effect(pool, "expected_log_ratio", "expected_low", "expected_high"),
            excess=_effect(pool, "excess_log_ratio", "excess_low", "excess_high"),
        ),
        tables=(
            TableContent(
                key="physics-table",
                caption=say("Change of time from the colder to the hotter start."),
                columns=(
                    Column(heading="What", kind="words"),
                    Column(heading="Change of time", kind="log-ratio"),
                    Column(heading="Interval", kind="log-ratio"),
                ),
                rows=rows,
            ),
        ),
        method=(methods.PHYSICS,),
        sources=methods.cite("water", "density", "vapour", "ice", "fronts"),
    )


def _like_with_like(
    pool: Mapping[str, Any], challenge: Mapping[str, Any] | None
) -> Mapping[str, Any]:
    if challenge is None or challenge.get("status") != "ok" or pool["status"] in NOT_ESTIMABLE:
        return pool
    total = next(r for r in challenge["ladder"] if r["rung"] == TOTAL)
    excess = challenge["excess"]
    return {
        **pool,
        "log_ratio": total["estimate"],
        "low": total["low"],
        "high": total["high"],
        "excess_log_ratio": excess["log_ratio"],
        "excess_low": excess["low"],
        "excess_high": excess["high"],
    }


def _effect(pool: Mapping[str, Any], centre: str, low: str, high: str) -> Text:
    return show.effect(
        number(pool[centre]),
        number(pool[low]),
        number(pool[high]),
        hot_c=pool["hot_c"],
        cold_c=pool["cold_c"],
    )


def _limits(pool: Mapping[str, Any], low: str, high: str) -> Between:
    return Between(low=number(pool[low]), high=number(pool[high]))
