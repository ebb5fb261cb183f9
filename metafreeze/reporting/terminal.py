"""The report in a terminal: the same words, aligned, no wider than asked."""

from __future__ import annotations

from metafreeze.reporting.content import Report


def render_text(report: Report, *, width: int = 80) -> str:
    """Write a report as plain text."""
    return f"{report.title}"[:width]
