"""What a person can answer about a file, and what checking a file gives back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Literal

import pyarrow as pa

from metafreeze.errors import Fault
from metafreeze.register.files.sheets import Dialect

FileKind = Literal["runs", "summaries", "points", "trace", "unknown"]
Bin = Literal["used", "not seen exactly", "excluded", "duplicate", "unreadable"]

# The bins of the row ledger, in the order in which they are shown. Every input row
# ends in exactly one of them.
BINS: tuple[Bin, ...] = ("used", "not seen exactly", "excluded", "duplicate", "unreadable")


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """Answers to the questions that a file may leave open.

    Parameters
    ----------
    mapping : mapping of str to str
        Heading as it stands in the file -> schema field, plain alias, or ``ignore``.
    endpoint : str
        What "frozen" meant, for files that do not say; empty if not answered.
    lab : str
        Lab of all rows that name none.
    decimal : str
        ``.`` or ``,`` where the file does not decide it.
    day_order : str
        ``day-first`` or ``month-first`` where the file does not decide it.
    delimiter, encoding : str
        Overrides of what the file shows.
    sheet : str
        Worksheet to read; all that hold a table by default.
    bars : str
        What unlabelled error bars mean: one of SD, SE, CI95, range, or ``both`` for
        an analysis as SD and as SE.
    hidden : str
        ``keep`` or ``exclude`` for hidden workbook rows.
    units : mapping of str to str
        Heading -> unit, for headings that carry none; ``time`` stands for all times.
    watched : str
        How long vessels were watched that never froze, such as ``180 min``, where the
        cell does not say it.
    same_source : str
        ``one`` where entries under one source name belong together, ``separate`` where
        each is a study of its own.
    same_as : str
        Earlier file of which this one is a later copy, or ``new``; read by the register.
    invented : bool
        Marks every row as demonstration data.
    """

    mapping: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    endpoint: str = ""
    lab: str = ""
    decimal: str = ""
    day_order: str = ""
    delimiter: str = ""
    encoding: str = ""
    sheet: str = ""
    bars: str = ""
    hidden: str = ""
    units: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    watched: str = ""
    same_source: str = ""
    same_as: str = ""
    invented: bool = False

    def to_dict(self) -> dict[str, Any]:
        """Give the answers that were given as plain values, for the journal."""
        plain = {
            "mapping": dict(self.mapping),
            "endpoint": self.endpoint,
            "lab": self.lab,
            "decimal": self.decimal,
            "day_order": self.day_order,
            "delimiter": self.delimiter,
            "encoding": self.encoding,
            "sheet": self.sheet,
            "bars": self.bars,
            "hidden": self.hidden,
            "units": dict(self.units),
            "watched": self.watched,
            "same_source": self.same_source,
            "same_as": self.same_as,
            "invented": self.invented,
        }
        return {name: value for name, value in plain.items() if value}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FileCheck:
    """What one file holds and what is wrong with it.

    Parameters
    ----------
    file : str
        File name without its folder.
    sha256 : str
        Hash of its bytes.
    kind : {"runs", "summaries", "points", "trace", "unknown"}
        What its columns say it is.
    accepted : bool
        True where it could be added as it stands: no error, no open question.
    dialect : Dialect
        How it was read.
    rows : pyarrow.Table
        Rows in the schema (`metafreeze.register.schema.arrow_schema`); also the excluded ones.
    bins : pyarrow string array, shape (rows,)
        The ledger bin of every row of `rows`.
    ledger : dict
        Bin -> number of input rows; the counts add up to the records in the file.
    findings : tuple of Fault
        All findings, in file order.
    shape : str
        Hash of the normalised headings: files of the same shape are offered the same answers.
    headings : tuple of str
        Headings as they stand.
    """

    file: str
    sha256: str
    kind: FileKind
    accepted: bool
    dialect: Dialect
    rows: pa.Table
    bins: pa.StringArray
    ledger: dict[str, int]
    findings: tuple[Fault, ...] = ()
    shape: str = ""
    headings: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Give the check as plain values, one object of the list `files`."""
        return {
            "file": self.file,
            "kind": self.kind,
            "accepted": self.accepted,
            "dialect": self.dialect.to_dict(),
            "rows": [
                {name: value for name, value in row.items() if value is not None}
                for row in self.rows.to_pylist()
            ],
            "ledger": dict(self.ledger),
            "findings": [finding.to_dict() for finding in self.findings],
        }
