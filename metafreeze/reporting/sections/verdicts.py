"""Does the effect survive? Both verdicts in a sentence each."""

from __future__ import annotations

from typing import Any

from metafreeze.reporting import numbers as show
from metafreeze.reporting.content import (
    Fixed,
    Text,
    Verdict,
    say,
)
from metafreeze.reporting.sections.ladder import TOTAL
from metafreeze.reporting.sections.words import Values, capital, number, say_fixed

RAW_SENTENCES = {
    "hotter first": "Yes{place}: starting hotter finished first.",
    "hotter first, under named conditions": "Yes{place}, under this condition: {condition}.",
    "apparent only": "Only in appearance{place}: the effect does not survive a fair comparison.",
    "no difference": "No{place}: any difference is smaller than what would matter.",
    "cooler first": "No{place}: the one that started cooler finished first.",
    "cannot tell": "These trials cannot tell{place}.",
}

PHYSICS_SENTENCES = {
    "sooner than physics": "The hotter one was sooner than ordinary physics allows.",
    "later than physics": "The hotter one was later than ordinary physics gives.",
    "nothing beyond ordinary physics": "Nothing was seen beyond ordinary physics.",
    "cannot tell": "Whether anything lies beyond ordinary physics cannot be told.",
}


def verdicts(challenge: Values) -> tuple[Verdict, ...]:
    """Say both verdicts in a sentence each, with what carries them."""
    if challenge.get("status") != "ok":
        return ()
    raw, physics = challenge["verdict"]["raw"], challenge["verdict"]["physics"]
    place = f" {raw['place']}" if raw["place"] else ""
    fields: dict[str, Any] = {"place": place}
    if "{condition}" in RAW_SENTENCES[raw["label"]]:
        fields["condition"] = Fixed(raw["condition"])
    total = next(r for r in challenge["ladder"] if r["rung"] == TOTAL)
    pair = {"hot_c": challenge["hot_c"], "cold_c": challenge["cold_c"]}
    excess = challenge["excess"]
    return (
        Verdict(
            question=say("Does the hotter one finish first?"),
            answer=say(RAW_SENTENCES[raw["label"]], **fields),
            because=say(
                "{why}. Like with like, {effect}.",
                why=Fixed(capital(raw["because"])),
                effect=show.effect(
                    number(total["estimate"]), number(total["low"]), number(total["high"]), **pair
                ),
            )
            + _settled_by(challenge, "raw"),
        ),
        Verdict(
            question=say("Is there anything beyond ordinary physics?"),
            answer=say(PHYSICS_SENTENCES[physics["label"]]),
            because=say(
                "{why}. Against what physics expects of these vessels, {effect}.",
                why=Fixed(capital(physics["because"])),
                effect=show.effect(
                    number(excess["log_ratio"]),
                    number(excess["low"]),
                    number(excess["high"]),
                    **pair,
                ),
            )
            + _settled_by(challenge, "physics"),
        ),
    )


def _settled_by(challenge: Values, which: str) -> Text:
    """Say what would change a verdict, or settle one that cannot be told."""
    change = challenge["verdict"][which]["change"]
    sentence = challenge["needed"][which] or (f"{change}." if change else "")
    return say(" ") + say_fixed(sentence) if sentence else Text()
