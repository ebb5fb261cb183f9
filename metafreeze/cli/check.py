"""``metafreeze check``: how files would be read, nothing stored."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from metafreeze.cli.options import answer_options, json_option
from metafreeze.cli.output import progress, say, wrap

if TYPE_CHECKING:
    from metafreeze.register.answers import Answers, FileCheck

SHOWN_NOTES = 12


@click.command("check")
@click.argument("files", nargs=-1, required=True)
@answer_options
@json_option
def command(files: tuple[str, ...], answers: Answers, as_json: bool) -> int:
    """Say how files would be read and everything that is wrong with them.

    \b
    Example:
      metafreeze check trials.csv --map "cup colour=remark"
    """
    from metafreeze.register.intake import check_files

    with progress("Reading"):
        checks = check_files(files, answers=answers)
    content = {"files": [check.to_dict() for check in checks]}
    text = "\n\n".join(describe_check(check) for check in checks)
    say(text, content, as_json=as_json)
    return 0 if all(check.accepted for check in checks) else 1


def describe_check(check: FileCheck) -> str:
    """Write what was read from one file, its findings and its ledger."""
    kinds = {
        "runs": "single runs",
        "summaries": "published summaries",
        "points": "points read off a figure",
        "trace": "a temperature trace",
        "unknown": "not recognised",
    }
    state = "can be added" if check.accepted else "cannot be added yet"
    lines = [f"{check.file}: {kinds[check.kind]}, {check.rows.num_rows} rows, {state}."]
    lines += [wrap(sentence, indent="  ") for sentence in check.dialect.evidence]
    for severity, heading in (
        ("error", "Must be mended:"),
        ("question", "Must be answered:"),
        ("note", "Worth knowing:"),
    ):
        found = [f for f in check.findings if f.severity == severity]
        if not found:
            continue
        lines.append(f"  {heading}")
        shown = found if severity != "note" else found[:SHOWN_NOTES]
        lines += [wrap(f"- {fault}", indent="  ") for fault in shown]
        if len(found) > len(shown):
            lines.append(f"  - and {len(found) - len(shown)} more; --json lists all.")
    counted = [f"{count} {name}" for name, count in check.ledger.items() if count]
    lines.append("  Rows: " + (", ".join(counted) or "none") + ".")
    return "\n".join(lines)
