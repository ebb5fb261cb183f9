"""What was asked of the effect beside ladder and verdicts, in the order of the page."""

from __future__ import annotations

from metafreeze.reporting.content import Section
from metafreeze.reporting.sections.consequences import consequences_section
from metafreeze.reporting.sections.hidden import hidden_section
from metafreeze.reporting.sections.missing import missing_section
from metafreeze.reporting.sections.plan import plan_sections
from metafreeze.reporting.sections.shuffle import shuffle_section
from metafreeze.reporting.sections.starts import (
    sham_section,
    shape_section,
    start_error_section,
)
from metafreeze.reporting.sections.words import Values


def challenge_sections(challenge: Values) -> tuple[Section, ...]:
    """Say what was asked beside ladder and verdicts; each part that does not apply says why."""
    if challenge.get("status") != "ok" or challenge.get("many_analyses") is None:
        return ()
    return (
        consequences_section(challenge["mediation"]),
        shuffle_section(challenge),
        hidden_section(challenge),
        sham_section(challenge["sham"]),
        shape_section(challenge["shape"]),
        start_error_section(challenge["start_error"]),
        missing_section(challenge),
        *plan_sections(challenge),
    )
