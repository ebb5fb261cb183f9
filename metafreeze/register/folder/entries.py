"""What the register tells about itself: entries, history, ledger and sources."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from metafreeze.errors import Fault
from metafreeze.register.answers import BINS
from metafreeze.results import RESULT, Result

# The register's own bins follow those of the files.
ALREADY_THERE = "already there"
REPLACED = "replaced since"
TAKEN_BACK = "taken back"
LEDGER_BINS: tuple[str, ...] = (*BINS, ALREADY_THERE, REPLACED, TAKEN_BACK)

# One text type whatever the version and the options of pandas.
TEXT_DTYPE = pd.StringDtype(na_value=np.nan)


def spell_count(count: int, noun: str) -> str:
    """Write a number of things, such as "1 row" or "3 rows"."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def _text(values: list[str]) -> pd.Series[Any]:
    return pd.Series(values, dtype=TEXT_DTYPE)


def _counts(values: list[int]) -> pd.Series[Any]:
    return pd.Series(values, dtype="int64")


@dataclass(**RESULT)
class Entry(Result):
    """What one call changed in the register.

    Parameters
    ----------
    id : str
        Name of the entry, such as ``e0001``; empty where there was nothing to write.
    kind : str
        ``add``, ``merge``, ``undo`` or ``plan``.
    files : tuple of str
        Files taken in.
    target : str
        The entry that an undo takes back.
    new : int
        Rows that show now and did not before.
    already_there : int
        Rows that an earlier entry holds.
    changed : int
        Earlier rows replaced by corrected ones.
    gone : int
        Rows that no longer show.
    ledger_counts : tuple of int
        Records of the files by bin, in the order of `BINS`.
    notes : tuple of Fault
        What a person should know about it.
    """

    id: str
    kind: str
    files: tuple[str, ...] = ()
    target: str = ""
    new: int = 0
    already_there: int = 0
    changed: int = 0
    gone: int = 0
    ledger_counts: tuple[int, ...] = (0,) * len(BINS)
    notes: tuple[Fault, ...] = ()

    @property
    def ledger(self) -> dict[str, int]:
        """Bin -> records of the files."""
        return dict(zip(BINS, self.ledger_counts, strict=True))

    def to_frame(self) -> pd.DataFrame:
        """Give the entry as a table of one row."""
        return pd.DataFrame(
            {
                "entry_id": _text([self.id]),
                "kind": _text([self.kind]),
                "files": _text([", ".join(self.files)]),
                "target": _text([self.target]),
                "new": _counts([self.new]),
                "already_there": _counts([self.already_there]),
                "changed": _counts([self.changed]),
                "gone": _counts([self.gone]),
            }
            | {name: _counts([count]) for name, count in self.ledger.items()}
        )

    def headline(self) -> str:
        """Say in one line what changed."""
        files = ", ".join(self.files)
        if not self.id:
            return (
                f"Nothing new in {files}: {spell_count(self.already_there, 'row')} already there."
            )
        if self.kind == "undo":
            what = f"{self.id} takes back {self.target}"
        else:
            what = f"{self.id}, {self.kind} {files}".rstrip()
        return f"{what}: {_what_changed(self)}."

    def to_dict(self) -> dict[str, Any]:
        """Give the entry as plain values, for machines."""
        return {
            "entry_id": self.id,
            "kind": self.kind,
            "files": list(self.files),
            "target": self.target,
            "new": self.new,
            "already_there": self.already_there,
            "changed": self.changed,
            "gone": self.gone,
            "ledger": self.ledger,
            "notes": [note.to_dict() for note in self.notes],
        }


@dataclass(**RESULT)
class PastEntry(Result):
    """One entry as the journal tells it.

    Parameters
    ----------
    entry : Entry
        What it changed when it was made.
    undone_by : str
        The standing entry that takes it back; empty while it is in force.
    recorded_at : str
        When it was written, ISO 8601, by the clock of that machine; for people only,
        since entries are ordered by their numbers.
    """

    entry: Entry
    undone_by: str
    recorded_at: str

    def to_frame(self) -> pd.DataFrame:
        """Give the entry as a table of one row."""
        return History(past=(self,)).to_frame()

    def headline(self) -> str:
        """Say in one line what it changed and whether it stands."""
        said = self.entry.headline()
        return f"{said} Taken back by {self.undone_by}." if self.undone_by else said


@dataclass(**RESULT)
class History(Result):
    """All entries of a register, also those taken back.

    Parameters
    ----------
    past : tuple of PastEntry
        In the order in which they were made.
    """

    past: tuple[PastEntry, ...]

    def to_frame(self) -> pd.DataFrame:
        """Give one row an entry."""
        entries = [p.entry for p in self.past]
        return pd.DataFrame(
            {
                "entry_id": _text([e.id for e in entries]),
                "kind": _text([e.kind for e in entries]),
                "files": _text([", ".join(e.files) for e in entries]),
                "target": _text([e.target for e in entries]),
                "new": _counts([e.new for e in entries]),
                "already_there": _counts([e.already_there for e in entries]),
                "changed": _counts([e.changed for e in entries]),
                "gone": _counts([e.gone for e in entries]),
                "undone_by": _text([p.undone_by for p in self.past]),
                "recorded_at": _text([p.recorded_at for p in self.past]),
            }
        )

    def headline(self) -> str:
        """Count the entries."""
        undone = sum(bool(p.undone_by) for p in self.past)
        return (
            f"{len(self.past)} {'entry' if len(self.past) == 1 else 'entries'}, {undone} taken back"
        )


@dataclass(**RESULT)
class Ledger(Result):
    """Where every record of every file taken in ended.

    Parameters
    ----------
    entry_ids, files : tuple of str
        One a file.
    counts : tuple of tuple of int
        For each file its records by bin, in the order of `LEDGER_BINS`.
    """

    entry_ids: tuple[str, ...]
    files: tuple[str, ...]
    counts: tuple[tuple[int, ...], ...]

    @property
    def totals(self) -> dict[str, int]:
        """Bin -> records of all files."""
        return {name: sum(c[i] for c in self.counts) for i, name in enumerate(LEDGER_BINS)}

    def to_frame(self) -> pd.DataFrame:
        """Give one row a file, its bins and their sum."""
        bins = {name: _counts([c[i] for c in self.counts]) for i, name in enumerate(LEDGER_BINS)}
        return pd.DataFrame(
            {"entry_id": _text(list(self.entry_ids)), "file": _text(list(self.files))}
            | bins
            | {"records": _counts([sum(c) for c in self.counts])}
        )

    def headline(self) -> str:
        """Count the records and name the bins that are not empty."""
        totals = self.totals
        filled = ", ".join(f"{count} {name}" for name, count in totals.items() if count)
        return (
            f"{spell_count(sum(totals.values()), 'record')} of "
            f"{spell_count(len(self.files), 'file')}: {filled or 'none'}"
        )


@dataclass(**RESULT)
class Sources(Result):
    """The files taken in, and whether their copies are still there.

    Parameters
    ----------
    entry_ids, files, kinds, copies, states : tuple of str
        One a file: its entry, name, kind, the copy inside the register, and ``kept``,
        ``missing``, ``damaged`` or ``none``.
    rows : tuple of int
        Rows stored from it.
    """

    entry_ids: tuple[str, ...]
    files: tuple[str, ...]
    kinds: tuple[str, ...]
    copies: tuple[str, ...]
    states: tuple[str, ...]
    rows: tuple[int, ...]

    def to_frame(self) -> pd.DataFrame:
        """Give one row a file."""
        return pd.DataFrame(
            {
                "entry_id": _text(list(self.entry_ids)),
                "file": _text(list(self.files)),
                "kind": _text(list(self.kinds)),
                "rows": _counts(list(self.rows)),
                "copy": _text(list(self.copies)),
                "state": _text(list(self.states)),
            }
        )

    def headline(self) -> str:
        """Count the files and those whose copy is there."""
        kept = sum(state == "kept" for state in self.states)
        return f"{spell_count(len(self.files), 'file')}, {kept} with a copy kept"


def _what_changed(entry: Entry) -> str:
    said = [
        (entry.new, "new"),
        (entry.already_there, "already there"),
        (entry.changed, "replaced"),
        (entry.gone, "taken out"),
    ]
    return ", ".join(f"{n} {word}" for n, word in said if n) or "no rows changed"
