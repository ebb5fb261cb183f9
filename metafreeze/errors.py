"""Exceptions, and the faults they carry.

Every message says what was wrong, where, and what to do. Only the outermost
command-line function turns an exception into text and an exit code.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

Severity = Literal["error", "question", "note"]

SHOWN_FAULTS = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Location:
    """Where a fault sits, as the reader of the file sees it.

    Parameters
    ----------
    file : str
        File name without its folder.
    sheet : str, optional
        Worksheet name, for workbooks.
    row : int, optional
        Row number counted from 1 as an editor or a spreadsheet counts it.
    column : str, optional
        Heading as it stands in the file, or the schema field.
    run : str, optional
        Label of the run or study.
    """

    file: str = ""
    sheet: str = ""
    row: int | None = None
    column: str = ""
    run: str = ""

    def __str__(self) -> str:
        parts = [
            self.file,
            f"sheet “{self.sheet}”" if self.sheet else "",
            f"row {self.row}" if self.row is not None else "",
            f"column {self.column}" if self.column else "",
            f'run "{self.run}"' if self.run else "",
        ]
        return ", ".join(p for p in parts if p)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing found in the input: an error, an open question or a note.

    Parameters
    ----------
    rule : str
        Short stable name of the rule that spoke, such as ``out-of-range``.
    message : str
        What is wrong, quoting the value.
    remedy : str
        What to do, with every allowed choice in a fixed order.
    location : Location
        Where it is.
    value : str
        The text as found.
    severity : {"error", "question", "note"}
        An error refuses the file, a question waits for an answer, a note informs.
    """

    rule: str
    message: str
    remedy: str = ""
    location: Location = Location()
    value: str = ""
    severity: Severity = "error"

    def __str__(self) -> str:
        where = str(self.location)
        pieces = [_sentence(self.message), _sentence(where), _sentence(self.remedy)]
        return " ".join(p for p in pieces if p)

    def to_dict(self) -> dict[str, Any]:
        """Give the fault as plain values, the location's parts on the same level."""
        place = asdict(self.location)
        return {
            "sheet": place["sheet"],
            "row": place["row"],
            "column": place["column"],
            "value": self.value,
            "rule": self.rule,
            "message": self.message,
            "remedy": self.remedy,
            "severity": self.severity,
        }


def _sentence(text: str) -> str:
    text = text.strip()
    if not text or text[-1] in ".?!":
        return text
    return text + "."


class MetafreezeError(Exception):
    """Base of every error that the package raises on purpose."""

    exit_code = 1


class InputError(MetafreezeError, ValueError):
    """Data or an argument is refused; `faults` holds every finding.

    Parameters
    ----------
    message : str
        The sentence to show; made from `faults` where it is empty.
    faults : iterable of Fault
        All findings, not only the first.
    """

    def __init__(self, message: str = "", *, faults: Iterable[Fault] = ()) -> None:
        self.faults: tuple[Fault, ...] = tuple(faults)
        super().__init__(message or describe_faults(self.faults))

    @property
    def questions(self) -> tuple[Fault, ...]:
        """The findings that an answer would settle."""
        return tuple(f for f in self.faults if f.severity == "question")


class RegisterError(MetafreezeError):
    """The register on disk is missing, damaged, locked or of a newer schema."""


class UsageError(MetafreezeError):
    """The command line or a call names something that does not exist."""

    exit_code = 2


class NotEstimableError(MetafreezeError):
    """The data cannot answer the question; the message says what is missing."""

    exit_code = 3


class NotConvergedError(MetafreezeError):
    """An iteration ended without an answer; `last` is where it stood.

    Parameters
    ----------
    message : str
        What was being solved and why it stopped.
    last : object
        The last iterate.
    """

    exit_code = 3

    def __init__(self, message: str, *, last: object = None) -> None:
        self.last = last
        super().__init__(message)


def describe_faults(faults: Sequence[Fault], *, shown: int = SHOWN_FAULTS) -> str:
    """Write faults as text: errors, then questions; notes only where nothing else stands.

    Parameters
    ----------
    faults : sequence of Fault
        All findings.
    shown : int
        How many are written out; the rest are counted.

    Returns
    -------
    str
        One line a finding.
    """
    pressing = [f for f in faults if f.severity == "error"]
    pressing += [f for f in faults if f.severity == "question"]
    notes = [f for f in faults if f.severity == "note"]
    ordered = pressing or notes
    lines = [str(f) for f in ordered[:shown]]
    if len(ordered) > shown:
        lines.append(f"and {len(ordered) - shown} more.")
    if pressing and notes:
        count = "1 note" if len(notes) == 1 else f"{len(notes)} notes"
        lines.append(f"Beside these stand {count}; metafreeze check shows all.")
    return "\n".join(lines)
