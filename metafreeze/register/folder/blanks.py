"""What a sheet does not say and the register knows: which sheet it is, its endpoint, its lab."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.errors import Fault, Location, Severity
from metafreeze.options import ENDPOINT_WORDS
from metafreeze.register.folder.entries import spell_count
from metafreeze.register.folder.growth import MOSTLY, share_in_common
from metafreeze.register.folder.standing import FileRecord
from metafreeze.register.schema import arrow_schema

# Answer to the question for the lab: the one of the earlier sheet that names none either.
SAME_LAB = "same"
NEW_SHEET = "new"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """Which sheet a file is a state of.

    Parameters
    ----------
    series : str
        Name of the sheet in the register; empty for a sheet not seen before.
    source : str
        Source under which its rows without a lab stand.
    earlier : FileRecord or None
        Its latest state in the register.
    faults : tuple of Fault
        The question, where it is open; notes.
    """

    series: str
    source: str
    earlier: FileRecord | None
    faults: tuple[Fault, ...] = ()


def recognise_sheet(
    name: str,
    sha256: str,
    head: Sequence[str],
    *,
    source: str,
    files: Sequence[FileRecord],
    standing: Sequence[FileRecord],
    beside: Sequence[FileRecord] = (),
    same_as: str,
    by_name: bool,
) -> Sheet:
    """Find the earlier state of a sheet, or ask whether it has one.

    Parameters
    ----------
    name, sha256 : str
        Of the incoming file.
    head : sequence of str
        Hashes of its first rows without run ids.
    source : str
        Source under which its rows without a lab stand, if it is a sheet not seen before.
    files : sequence of FileRecord
        All files ever taken in, oldest first.
    standing : sequence of FileRecord
        Those of entries in force.
    beside : sequence of FileRecord
        Earlier files of the same call; of these only the content tells.
    same_as : str
        The answer: name of the earlier file, ``new``, or empty.
    by_name : bool
        Whether an equal name makes an equal sheet; not so between two registers, where
        an equal content does without being asked about.

    Returns
    -------
    Sheet
    """
    fresh = Sheet(series="", source=source, earlier=None)
    if same_as == NEW_SHEET:
        return fresh
    # Entries in force come last, so that they win.
    in_force = {file.entry_id for file in standing}
    taken = [*(f for f in files if f.entry_id not in in_force), *standing]
    ordered = [*taken, *beside]
    together = {file.entry_id for file in beside}

    def continued(earlier: FileRecord, *faults: Fault) -> Sheet:
        if earlier.entry_id in in_force | together:
            return Sheet(
                series=earlier.series, source=earlier.source, earlier=earlier, faults=faults
            )
        # Taken back, and in again: keep the tie, but neither its name nor its lab.
        return Sheet(series=earlier.series, source=source, earlier=None)

    if same_as and same_as != name:
        named = [f for f in ordered if f.name == same_as]
        if named:
            return continued(named[-1])
        names = ", ".join(dict.fromkeys(f.name for f in files)) or "none yet"
        question = Fault(
            rule="same-as",
            message=f"No file {same_as} was taken in",
            remedy=f"--same-as takes {NEW_SHEET} or one of: {names}",
            location=Location(file=name),
            value=same_as,
        )
        return Sheet(series="", source=source, earlier=None, faults=(question,))
    known = [f for f in ordered if sha256 and f.sha256 == sha256]
    known = known or [f for f in taken if by_name and f.name == name]
    if known:
        # Of several sheets of one name, the most alike; of equally alike ones the latest.
        return continued(max(reversed(known), key=lambda f: share_in_common(head, f.head)))
    alike = [f for f in ordered if share_in_common(head, f.head) > MOSTLY]
    if not alike:
        return fresh
    earlier = alike[-1]
    known_as = earlier.name
    if earlier.entry_id not in together:
        known_as += f" ({earlier.entry_id})"
    if not by_name:
        note = Fault(
            rule="same-sheet",
            message=f"Most of its rows are those of {known_as}; it is taken as the same sheet",
            location=Location(file=name),
            severity="note",
        )
        return continued(earlier, note)
    question = Fault(
        rule="same-sheet",
        message=f"Most of its rows are those of {known_as}. "
        "Is it a later copy of that sheet, or another one?",
        remedy=f'--same-as "{earlier.name}" for a later copy; --same-as {NEW_SHEET} for another '
        "sheet whose rows are counted again",
        location=Location(file=name),
        severity="question",
    )
    return continued(earlier, question)


def fill_endpoint(
    rows: pa.Table, *, file: str, answer: str, primary: str
) -> tuple[pa.Table, tuple[Fault, ...]]:
    """Give rows without an endpoint the one that was answered, or ask.

    Parameters
    ----------
    rows : pyarrow.Table
        In the schema.
    file : str
        For the message.
    answer, primary : str
        Of this call, and of the register; the first wins.

    Returns
    -------
    rows : pyarrow.Table
    faults : tuple of Fault
        The question, where neither is known.
    """
    lacking = rows["endpoint"].null_count
    if not lacking:
        return rows, ()
    if answer or primary:
        return fill_column(rows, "endpoint", answer or primary), ()
    listed = "; ".join(f"{name} ({words})" for name, words in ENDPOINT_WORDS.items())
    question = Fault(
        rule="endpoint",
        message=f"What did you call frozen? {spell_count(lacking, 'row')} "
        f"{'does' if lacking == 1 else 'do'} not say which event was timed",
        remedy=f"--endpoint with one of: {listed}",
        location=Location(file=file),
        severity="question",
    )
    return rows, (question,)


@dataclass(frozen=True, slots=True, kw_only=True)
class Labelled:
    """Rows after their lab was settled.

    Parameters
    ----------
    rows : pyarrow.Table
        In the schema.
    lab : str
        What the rows without a lab were given; empty where they still have none.
    unlabelled : bool
        Whether none of the rows names a lab now.
    remember : bool
        Whether `lab` is to be remembered as the register's.
    faults : tuple of Fault
        The question, where it is open; notes.
    """

    rows: pa.Table
    lab: str
    unlabelled: bool
    remember: bool = False
    faults: tuple[Fault, ...] = ()


def fill_lab(
    rows: pa.Table,
    *,
    sources: Sequence[str],
    sheet: Sheet,
    answer: str,
    remembered: str,
    others: Sequence[FileRecord],
    own: bool,
    first_of_many: bool = False,
) -> Labelled:
    """Give rows that name neither lab nor publication the lab that was answered, or ask.

    Parameters
    ----------
    rows : pyarrow.Table
        In the schema.
    sources : sequence of str
        Name of the file first; a source among these is no publication.
    sheet : Sheet
        Which sheet the file is.
    answer : str
        Of this call: a name, ``same`` or empty.
    remembered : str
        The register's lab.
    others : sequence of FileRecord
        Files none of whose rows names a lab.
    own : bool
        Whether the rows are the register's own, and not another register's.
    first_of_many : bool
        Whether later files of the same call can be the same lab as this one.

    Returns
    -------
    Labelled
        Rows that stay without a lab have the sheet's source, which then is their study.
    """
    file = sources[0]
    source = rows["source_id"]
    nameless = pc.is_null(rows["lab_id"])
    if rows["lab_id"].null_count:
        is_file = pc.or_(pc.is_null(source), pc.is_in(source, value_set=pa.array(sources)))
        nameless = pc.and_(nameless, is_file)
    others = [other for other in others if other.series != sheet.series]
    may_remember = own and not remembered and not others and answer not in ("", SAME_LAB)
    if not pc.any(nameless).as_py():
        # The way in may have filled the answer in already.
        filled = may_remember and pc.any(pc.equal(rows["lab_id"], answer)).as_py()
        return Labelled(
            rows=rows, lab=answer if filled else "", unlabelled=False, remember=bool(filled)
        )
    wholly = bool(pc.all(nameless).as_py())
    rows = _put(rows, "source_id", pc.if_else(nameless, sheet.source, source))
    given, fault = _choose_lab(
        file,
        sheet=sheet,
        answer="" if answer == SAME_LAB and not others and first_of_many else answer,
        remembered=remembered,
        others=others,
        wholly=wholly,
        own=own,
    )
    if given:
        rows = _put(rows, "lab_id", pc.if_else(nameless, given, rows["lab_id"]))
    same_remembered = own and answer == SAME_LAB and not remembered
    return Labelled(
        rows=rows,
        lab=given,
        unlabelled=wholly and not given,
        remember=bool(given) and (may_remember or same_remembered),
        faults=() if fault is None else (fault,),
    )


def _choose_lab(
    file: str,
    *,
    sheet: Sheet,
    answer: str,
    remembered: str,
    others: Sequence[FileRecord],
    wholly: bool,
    own: bool,
) -> tuple[str, Fault | None]:
    """Choose the lab of nameless rows: the answer, the sheet's, the register's, or ask."""
    if answer == SAME_LAB:
        if others:
            return others[0].source, None
        return "", _lab_fault(
            file,
            "There is no earlier sheet without a lab, so it cannot be the same",
            "--lab NAME",
            "error",
        )
    if answer:
        if others and own and not remembered:
            other = others[0]
            return answer, _lab_fault(
                file,
                f"Its rows stand under “{answer}”; those of {other.name} ({other.entry_id}) stay "
                f"a lab of their own, “{other.source}”",
                f"If both are one lab, undo this entry and answer --lab {SAME_LAB}",
                "note",
            )
        return answer, None
    if sheet.earlier is not None:
        return sheet.earlier.lab, None
    if not wholly:
        # Beside rows that name a lab, a blank one is unknown, not the register's.
        return "", None
    if remembered and own:
        return remembered, _lab_fault(
            file,
            f"It names no lab; its rows stand under “{remembered}”, as those of earlier sheets",
            "--lab NAME if it is another lab's",
            "note",
        )
    if others:
        return "", _lab_fault(
            file,
            f"It names no lab, and neither does {others[0].name}. Are both from one lab?",
            f"--lab {SAME_LAB} if they are; --lab NAME for the lab of {file} if not",
            "question",
        )
    if remembered:
        return "", _lab_fault(
            file,
            f"It names no lab. Is it from “{remembered}”, as sheets here are?",
            f'--lab "{remembered}" if it is; --lab NAME if not',
            "question",
        )
    return "", _lab_fault(
        file,
        f"It names no lab; its rows count as one lab, named after the file, “{sheet.source}”",
        "Answer with --lab NAME, or give the sheet a column “lab”",
        "note",
    )


def _lab_fault(file: str, message: str, remedy: str, severity: Severity) -> Fault:
    return Fault(
        rule="lab",
        message=message,
        remedy=remedy,
        location=Location(file=file),
        severity=severity,
    )


def fill_column(rows: pa.Table, name: str, value: str) -> pa.Table:
    """Fill the empty cells of one column."""
    return _put(rows, name, rows[name].fill_null(value))


def _put(rows: pa.Table, name: str, values: pa.ChunkedArray) -> pa.Table:
    at = rows.schema.get_field_index(name)
    return rows.set_column(at, arrow_schema().field(name), values)
