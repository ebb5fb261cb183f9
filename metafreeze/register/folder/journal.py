"""The journal: one line an event, append-only, each line vouching for itself.

A line is a JSON object whose last member, ``check``, is a hash of all that stands before
it. Lines are ordered by ``seq``, never by the clock. An entry exists once its line is
whole on the disk; half a line at the end is the rest of an interrupted write and counts
for nothing.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from metafreeze.errors import Fault, Location, RegisterError
from metafreeze.register.folder.shapes import is_known_line
from metafreeze.register.schema import SCHEMA_VERSION

JOURNAL_NAME = "journal.jsonl"
JOURNAL_FORMAT = 1

EntryKind = Literal["create", "add", "merge", "undo", "plan", "seal", "look"]

# A line may not claim that more lines before it are gone.
MOST_GONE = 10_000

# 64 bits: enough to catch damage; a line is not a signature.
_CHECK_DIGITS = 16
_TAIL_CHARS = len(',"check":""}') + _CHECK_DIGITS


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of the journal.

    Parameters
    ----------
    seq : int
        Its number, counted from 0 for the line that made the register.
    kind : str
        What happened.
    body : dict
        All members of the line but `check`.
    """

    seq: int
    kind: str
    body: dict[str, Any]

    @property
    def entry_id(self) -> str:
        """The name under which people speak of the entry, such as ``e0001``."""
        return entry_name(self.seq)


@dataclass(frozen=True, slots=True, kw_only=True)
class Journal:
    """The journal as read.

    Parameters
    ----------
    lines : tuple of Line
        The lines that can be believed, in order.
    faults : tuple of Fault
        Damaged or missing lines, by name.
    whole_bytes : int
        Length of the whole lines.
    line_break : bytes
        What the last of them lacks: nothing, or a line break that an editor took.
    torn_bytes : int
        Length of an interrupted write after it.
    next_seq : int
        The first number that no line has, damaged lines included.
    """

    lines: tuple[Line, ...]
    faults: tuple[Fault, ...]
    whole_bytes: int
    line_break: bytes
    torn_bytes: int
    next_seq: int


def entry_name(seq: int) -> str:
    """Name the entry of one journal line, such as ``e0001``."""
    return f"e{seq:04d}"


def spell_line(body: Mapping[str, Any]) -> bytes:
    """Write one journal line, its check and its line break.

    Parameters
    ----------
    body : mapping
        The members of the line, `seq` and `kind` first.

    Returns
    -------
    bytes
        UTF-8.
    """
    text = json.dumps(dict(body), ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    content = text.encode()
    return content[:-1] + f',"check":"{_check(content)}"}}\n'.encode()


def read_journal(folder: Path) -> Journal:
    """Read the journal, naming what is damaged and keeping the rest.

    Parameters
    ----------
    folder : Path
        The register.

    Returns
    -------
    Journal

    Raises
    ------
    RegisterError
        A line was written by a newer version of the package.
    """
    try:
        content = (folder / JOURNAL_NAME).read_bytes()
    except FileNotFoundError:
        content = b""
    whole, line_break = content.rfind(b"\n") + 1, b""
    if _believe(content[whole:]) is not None:
        # Whole but for its line break, as an editor may leave it.
        whole, line_break = len(content), b"\n"
    lines: list[Line] = []
    faults: list[Fault] = []
    expected = 0
    unread: list[int] = []  # numbers, counted from 1, of the lines that could not be believed
    for number, raw in enumerate((content[:whole] + line_break).split(b"\n")[:-1], 1):
        body = _believe(raw.removesuffix(b"\r"))
        if body is None:
            unread.append(number)
            continue
        _require_known(body, number)
        line = Line(seq=body["seq"], kind=body["kind"], body=body)
        if line.seq > expected + len(unread) + MOST_GONE:
            unread.append(number)
            continue
        if line.seq < expected:
            faults.append(_misplaced(number, line))
            continue
        faults += _missing(unread, expected, line.seq)
        lines.append(line)
        unread, expected = [], line.seq + 1
    # Damaged lines at the end keep their numbers, so that no later entry takes them.
    following = expected + len(unread)
    faults += _missing(unread, expected, following)
    return Journal(
        lines=tuple(lines),
        faults=tuple(faults),
        whole_bytes=whole,
        line_break=line_break,
        torn_bytes=len(content) - whole,
        next_seq=following,
    )


def _check(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()[:_CHECK_DIGITS]


def _believe(raw: bytes) -> dict[str, Any] | None:
    """Give the members of a line, or None where its check or its shape is wrong."""
    content, tail = raw[:-_TAIL_CHARS] + b"}", raw[-_TAIL_CHARS:]
    if tail != f',"check":"{_check(content)}"}}'.encode():
        return None
    try:
        body = json.loads(content)
    except (ValueError, RecursionError):
        return None
    # A line of a newer version may look otherwise; that is said before anything else.
    sound = isinstance(body, dict) and (_is_newer(body) or is_known_line(body))
    return body if sound else None


def _is_newer(body: Mapping[str, Any]) -> bool:
    return any(
        isinstance(has := body.get(name, known), int) and has > known
        for name, known in (("format", JOURNAL_FORMAT), ("schema", SCHEMA_VERSION))
    )


def _require_known(body: Mapping[str, Any], number: int) -> None:
    for what, has, known in (
        ("journal format", body.get("format", 1), JOURNAL_FORMAT),
        ("schema", body.get("schema", 1), SCHEMA_VERSION),
    ):
        if has > known:
            raise RegisterError(
                f"{JOURNAL_NAME}, line {number} was written with {what} {has}; this version "
                f"of metafreeze knows {what} {known}. Update metafreeze and open it again."
            )


def _missing(unread: list[int], expected: int, seq: int) -> list[Fault]:
    """Name the entries between two believable lines that cannot be believed or are gone."""
    faults = []
    for place in range(max(seq - expected, len(unread))):
        lost = expected + place
        if lost >= seq:
            entry = "it stands where no entry is missing"
        elif lost == 0:
            entry = "the line that made the register is lost with it"
        else:
            entry = f"entry {entry_name(lost)} is lost with it"
        damaged = place < len(unread)
        state = f"Journal line {unread[place]} is damaged" if damaged else "A journal line is gone"
        faults.append(
            Fault(
                rule="journal-line" if damaged else "journal-gap",
                message=f"{state}; {entry}",
                remedy=f"Restore {JOURNAL_NAME} from a copy, or add the entry's file again "
                "from the folder sources",
                location=Location(file=JOURNAL_NAME, row=unread[place] if damaged else None),
            )
        )
    return faults


def _misplaced(number: int, line: Line) -> Fault:
    return Fault(
        rule="journal-order",
        message=f"Journal line {number} repeats or goes back to entry {line.entry_id}; "
        "it is left aside",
        remedy="Restore journal.jsonl from a copy",
        location=Location(file=JOURNAL_NAME, row=number),
    )
