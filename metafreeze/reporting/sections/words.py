"""What several sections need: numbers of the results, notes as they stand, a missing answer."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from metafreeze.reporting.content import Fixed, Section, Text, say

Values = Mapping[str, Any]


def number(value: Any) -> float:
    """Read a number of the results; what is missing there is NaN here."""
    return math.nan if value is None else float(value)


def say_fixed(words: str) -> Text:
    """Take a result's own note as it stands; it may hold digits."""
    return say("{words}", words=Fixed(words)) if words else Text()


def capital(words: str) -> str:
    """Begin with a capital letter."""
    return words[:1].upper() + words[1:]


def no_answer(key: str, question: Text, why: str) -> Section:
    """Say why a section does not apply."""
    return Section(
        key=key,
        question=question,
        answer=say("This does not apply: {why}.", why=Fixed(why)),
        applies=False,
    )
