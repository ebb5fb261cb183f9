"""Numbers as people type them: decimal marks, grouping, minus signs, stray spaces.

A cell is a number only if it reads in one way under the file's dialect; everything
else is refused, so that no value changes by a power of ten unseen. The marks of a
file are decided once, from all its cells (`decide_marks`).
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.errors import Fault, Location
from metafreeze.register.files.long_text import (
    MOST_WORDS,
    LongText,
    Text,
    over_pieces,
    whole,
    words_of,
)
from metafreeze.register.files.plain_cells import MOST_ODD, cell_bytes, plain_numbers
from metafreeze.register.files.sheets import Dialect, cells_over_length

Floats: TypeAlias = npt.NDArray[np.float64]
Mask: TypeAlias = npt.NDArray[np.bool_]
Rows: TypeAlias = npt.NDArray[np.signedinteger[Any]]

# Signs that stand for a minus in typeset tables: hyphens, dashes, the minus sign itself.
MINUS_SIGNS = "\u2010\u2011\u2012\u2013\u2212\ufe63\uff0d"
# Spaces that typeset tables put between groups of digits, and the ordinary one.
GROUP_SPACES = " \u00a0\u2007\u2009\u202f"
GROUP_APOSTROPHES = "'\u2019"

_SIGN = "[+-]?"
_EXPONENT = "(?:[eE][+-]?[0-9]+)?"
_LEAD = "[1-9][0-9]{0,2}"
_SPACED = f"{_LEAD}(?:[{GROUP_SPACES}][0-9]{{3}})+"
_TICKED = f"{_LEAD}(?:[{GROUP_APOSTROPHES}][0-9]{{3}})+"
_LOOSE_GROUPS = f"{_SPACED}|{_TICKED}"

# One mark followed by exactly three digits may group thousands or mark decimals.
_AMBIGUOUS = {".": f"{_SIGN}{_LEAD}\\.[0-9]{{3}}", ",": f"{_SIGN}{_LEAD},[0-9]{{3}}"}
# The mark can only group: it stands twice, or before the other mark.
_GROUPS = {
    ".": f"{_SIGN}(?:{_LEAD}(?:\\.[0-9]{{3}}){{2,}}(?:,[0-9]*)?|{_LEAD}\\.[0-9]{{3}},[0-9]*)",
    ",": f"{_SIGN}(?:{_LEAD}(?:,[0-9]{{3}}){{2,}}(?:\\.[0-9]*)?|{_LEAD},[0-9]{{3}}\\.[0-9]*)",
}
_PLAIN = f"{_SIGN}(?:[0-9]+|{_LOOSE_GROUPS}){_EXPONENT}"
# The mark can only be a decimal mark once the ambiguous spelling is taken away.
_DECIMAL = {
    mark: f"{_SIGN}(?:(?:[0-9]+|{_LOOSE_GROUPS}){escaped}[0-9]*|{escaped}[0-9]+){_EXPONENT}"
    for mark, escaped in ((".", "\\."), (",", ","))
}

# The share of a column's filled cells that must be numbers before its marks count.
NUMBER_SHARE = 0.3
# Above this share of one mark inside a column the rest are slips, not a second habit.
CLEAR_MAJORITY = 0.9
# Above this number of rows a sample tells first whether a column is worth a closer look.
_MANY_ROWS = 5000
_SAMPLE_CELLS = 300
# How many rows a message lists.
LISTED = 5


def _pattern(decimal: str, grouping: str) -> str:
    """Write what a number may look like when the marks are known."""
    mark = re.escape(decimal)
    whole = f"[0-9]+|{_LOOSE_GROUPS}"
    if grouping in (".", ",") and grouping != decimal:
        whole += f"|{_LEAD}(?:{re.escape(grouping)}[0-9]{{3}})+"
    return f"^{_SIGN}(?:(?:{whole})(?:{mark}[0-9]*)?|{mark}[0-9]+){_EXPONENT}$"


@cache
def _compiled(decimal: str, grouping: str) -> re.Pattern[str]:
    return re.compile(_pattern(decimal, grouping).removesuffix("$") + r"\Z")


_TO_HYPHEN = str.maketrans(MINUS_SIGNS, "-" * len(MINUS_SIGNS))
_SPACED_SIGN = re.compile(r"\A([+-]) +(?=[0-9.,])")
_UNGROUPED = str.maketrans("", "", GROUP_SPACES + GROUP_APOSTROPHES)


def _marks(dialect: Dialect) -> tuple[str, str]:
    """Give the marks to read by; where no number showed one, a cell must speak for itself."""
    return dialect.decimal or "undecidable", dialect.grouping


def tidy_numbers(text: Text) -> pa.ChunkedArray:
    """Take outer spaces away, and write every kind of minus sign as a hyphen at its number.

    Parameters
    ----------
    text : string array, shape (n,)
        Cells as typed.

    Returns
    -------
    pyarrow string array, shape (n,)
    """
    tidy = pc.utf8_trim_whitespace(whole(text))
    # Plain ASCII cells hold no other minus sign: as many bytes as characters.
    if pc.sum(pc.binary_length(tidy)).as_py() != pc.sum(pc.utf8_length(tidy)).as_py():
        tidy = pc.replace_substring_regex(tidy, f"[{MINUS_SIGNS}]", "-")
    if any(pc.any(pc.starts_with(tidy, f"{sign} ")).as_py() for sign in "+-"):
        tidy = pc.replace_substring_regex(tidy, "^([+-]) +([0-9.,])", r"\1\2")
    return tidy


def _read_plainly(text: Text, decimal: str) -> tuple[Floats, Rows] | None:
    """Read plain numbers and list the odd cells; None where the column has many of these."""
    if isinstance(text, LongText):
        return text.numbers(decimal)
    chunks = whole(text).chunks
    if len(text) > _MANY_ROWS and not _sample_holds_numbers(text):
        return None
    values, odd = np.empty(len(text)), []
    begin = 0
    for chunk in chunks:
        end = begin + len(chunk)
        values[begin:end], rows = plain_numbers(chunk, decimal)
        odd.append(rows + begin)
        begin = end
    rows = np.concatenate(odd) if odd else np.empty(0, dtype=np.int64)
    return None if rows.size > MOST_ODD * len(text) else (values, rows)


def parse_numbers(
    text: Text, dialect: Dialect
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    """Read cells as numbers under the file's dialect.

    Typographic minus signs, no-break and thin spaces, an exponent and a leading plus
    are read. Groups of digits count only where they are well formed: one to three
    digits, then groups of exactly three. Where the dialect's decimal mark is
    ``undecidable`` or empty a cell is read only if it can mean one number.

    Parameters
    ----------
    text : pyarrow string array, shape (n,)
        Cells as typed; null where empty.
    dialect : Dialect
        Its decimal and grouping marks are used.

    Returns
    -------
    values : float array, shape (n,)
        The nearest double to what is written, as `float` gives it; NaN where the cell is
        empty or is not a number.
    bad : bool array, shape (n,)
        True where the cell is filled and is not a number.
    """
    if len(text) == 0:
        return np.empty(0), np.empty(0, dtype=np.bool_)
    decimal, grouping = _marks(dialect)
    known = isinstance(text, LongText) and text.has_numbers(decimal)
    kinds = words_of(text, MOST_WORDS) if len(text) > _MANY_ROWS and not known else None
    if kinds is not None:
        # A column of few different cells is read by these alone.
        values, bad = _parse_each(whole(pa.array(kinds[0], pa.string())), decimal, grouping)
        return values[kinds[1]], bad[kinds[1]]
    plain = None
    if decimal in (".", ","):
        plain = _read_plainly(text, decimal)
    elif not _holds_a_mark(text):
        plain = _read_plainly(text, ".")
    if plain is None:
        return _parse_each(whole(text), decimal, grouping)
    values, odd = plain
    bad = np.zeros(values.size, dtype=np.bool_)
    if odd.size:
        few = text.take(pa.array(odd))
        found, bad[odd] = _parse_each(whole(few), decimal, grouping)
        if np.isfinite(found).any():
            values = values.copy()
            values[odd] = found
    return values, bad


def _holds_a_mark(text: Text) -> bool:
    def task(cells: pa.StringArray) -> bool:
        return any(pc.any(pc.match_substring(cells, mark)).as_py() for mark in ".,")

    return any(over_pieces(text, task))


def _parse_each(cells: pa.ChunkedArray, decimal: str, grouping: str) -> tuple[Floats, Mask]:
    """Read cells as numbers, whatever their spelling."""
    tidy = tidy_numbers(cells)
    filled = pc.fill_null(pc.not_equal(tidy, ""), False)
    if decimal == "undecidable":
        spelled = _spell_by_own_mark(tidy)
    else:
        good = pc.match_substring_regex(tidy, _pattern(decimal, grouping))
        spelled = pc.if_else(pc.fill_null(good, False), tidy, None)
        if grouping in (".", ",") and grouping != decimal:
            spelled = pc.replace_substring(spelled, grouping, "")
        spelled = _drop_loose_groups(spelled)
        if decimal == ",":
            spelled = pc.replace_substring(spelled, ",", ".")
    values: Floats = pc.cast(spelled, pa.float64()).to_numpy().copy()
    values[~np.isfinite(values)] = np.nan
    bad: Mask = filled.to_numpy() & np.isnan(values)
    return values, bad


def _drop_loose_groups(spelled: pa.ChunkedArray) -> pa.ChunkedArray:
    """Take grouping spaces and apostrophes out of cells known to be numbers."""
    return pc.replace_substring_regex(spelled, f"[{GROUP_SPACES}{GROUP_APOSTROPHES}]", "")


def _spell_by_own_mark(tidy: pa.ChunkedArray) -> pa.ChunkedArray:
    """Spell with a decimal point the cells that can mean one number only; null elsewhere."""

    def fits(pattern: str) -> pa.ChunkedArray:
        return pc.fill_null(pc.match_substring_regex(tidy, f"^(?:{pattern})$"), False)

    nothing = pa.scalar(None, pa.string())
    doubtful = pc.or_(fits(_AMBIGUOUS["."]), fits(_AMBIGUOUS[","]))
    point = pc.or_(fits(_GROUPS[","]), fits(f"{_PLAIN}|{_DECIMAL['.']}"))
    comma = pc.or_(fits(_GROUPS["."]), fits(_DECIMAL[","]))
    as_point = pc.replace_substring(tidy, ",", "")
    as_comma = pc.replace_substring(pc.replace_substring(tidy, ".", ""), ",", ".")
    spelled = pc.if_else(point, as_point, pc.if_else(comma, as_comma, nothing))
    return _drop_loose_groups(pc.if_else(doubtful, nothing, spelled))


def parse_number(text: str, dialect: Dialect) -> float | None:
    """Read one cell as a number under the file's dialect.

    Parameters
    ----------
    text : str
        The cell as typed.
    dialect : Dialect
        Its decimal and grouping marks are used.

    Returns
    -------
    float or None
        None where the cell is empty or is not a number.
    """
    decimal, grouping = _marks(dialect)
    if decimal == "undecidable":
        values, _ = parse_numbers(pa.array([text]), dialect)
        return None if np.isnan(values[0]) else float(values[0])
    tidy = _SPACED_SIGN.sub(r"\1", text.strip().translate(_TO_HYPHEN))
    if not _compiled(decimal, grouping).match(tidy):
        return None
    if grouping in (".", ",") and grouping != decimal:
        tidy = tidy.replace(grouping, "")
    value = float(tidy.translate(_UNGROUPED).replace(decimal, "."))
    return value if math.isfinite(value) else None


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberColumn:
    """What the decision about marks needs of one column.

    Parameters
    ----------
    name : str
        Heading, or its place where it has none.
    text : string array, shape (rows,)
        Cells as typed.
    file_rows : int array, shape (rows,)
        Row of each record in the file.
    sheet : str
        Worksheet, or empty.
    stored : bool array, shape (rows,), optional
        True where the number is stored as one and its spelling proves nothing.
    """

    name: str
    text: Text
    file_rows: npt.NDArray[np.int64]
    sheet: str = ""
    stored: npt.NDArray[np.bool_] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """The decision about decimal and grouping marks of a file.

    Parameters
    ----------
    decimal : {".", ",", "undecidable", ""}
        Decimal mark; empty where no number has one.
    grouping : str
        Thousands mark, or empty.
    evidence : tuple of str
        One sentence a decision.
    findings : tuple of Fault
        Contradictions and questions.
    """

    decimal: str
    grouping: str
    evidence: tuple[str, ...] = ()
    findings: tuple[Fault, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Counts:
    """Which marks the cells of one column show; each mask has shape (rows,)."""

    column: NumberColumn
    n_numbers: int
    decimal: dict[str, npt.NDArray[np.bool_]]
    doubtful: dict[str, npt.NDArray[np.bool_]]
    groups: dict[str, npt.NDArray[np.bool_]]
    n_spaced: int
    n_ticked: int

    def says(self, mark: str) -> npt.NDArray[np.bool_]:
        """Mask the cells that prove `mark` to be the decimal mark."""
        other = "," if mark == "." else "."
        return self.decimal[mark] | self.groups[other]


def _sample(text: Text) -> list[str]:
    """Take filled cells at even distances."""
    cells = whole(cells_over_length(text, _SAMPLE_CELLS)).to_pylist()
    return [cell for cell in cells if cell and cell.strip()]


_ANY_NUMBER = re.compile(
    "|".join([_PLAIN, *_DECIMAL.values(), *_AMBIGUOUS.values(), *_GROUPS.values()]).join(
        ("(?:", r")\Z")
    )
)


def _sample_holds_numbers(text: Text) -> bool:
    """Tell whether any cell of a sample is a number."""
    return any(_ANY_NUMBER.match(cell.strip().translate(_TO_HYPHEN)) for cell in _sample(text))


def _count_plain(column: NumberColumn, values: Floats, odd: Rows, mark: str) -> _Counts:
    """Count the marks of the plain numbers of a column, which hold one kind of mark at most."""
    none: Mask = np.broadcast_to(np.False_, values.shape)
    found = list(over_pieces(column.text, lambda cells: _marked(cells, mark)))
    marked = np.concatenate([one for one, _ in found])
    doubtful = np.concatenate([two for _, two in found])
    marked[odd] = doubtful[odd] = False
    other = "," if mark == "." else "."
    return _Counts(
        column=column,
        n_numbers=int(np.isfinite(values).sum()),
        decimal={mark: marked & ~doubtful, other: none},
        doubtful={mark: doubtful, other: none},
        groups={".": none, ",": none},
        n_spaced=0,
        n_ticked=0,
    )


def _marked(cells: pa.StringArray, mark: str) -> tuple[Mask, Mask]:
    """Mask the plain numbers that hold a mark, and those whose mark may group thousands."""
    found = pc.fill_null(pc.find_substring(cells, mark), -1).to_numpy(zero_copy_only=False)
    marked: Mask = found >= 0
    if not marked.any():
        return marked, marked.copy()
    data, edges = cell_bytes(cells)
    begins, ends = edges[:-1], edges[1:]
    rows = np.flatnonzero(marked & (ends - begins - found == 4))
    doubtful = np.zeros(len(cells), dtype=np.bool_)
    if not rows.size:
        return marked, doubtful
    at = begins[rows]
    signed = np.isin(data[at], (ord("+"), ord("-")))
    lead = found[rows] - signed
    good = (lead >= 1) & (lead <= 3) & (data[at + signed] != ord("0"))
    for back in (1, 2, 3):
        # An exponent is none of three digits.
        good &= data[ends[rows] - back] - np.uint8(ord("0")) < 10
    doubtful[rows] = good
    return marked, doubtful


def _holds_dot(cells: pa.StringArray) -> bool:
    return bool(pc.any(pc.match_substring(cells, ".")).as_py())


def _decide_without_commas(columns: Sequence[NumberColumn]) -> Marks | None:
    """Decide for many rows between whose cells a comma stands, and in none of them.

    Such numbers can only have a dot. None where a sample shows grouped digits, so that
    every cell must be looked at.
    """
    dotted, undotted = "", []
    for column in columns:
        cells = [cell.strip() for cell in _sample(column.text)]
        numbers = [cell for cell in cells if re.match(f"^(?:{_PLAIN}|{_DECIMAL['.']})$", cell)]
        if len(numbers) < NUMBER_SHARE * max(len(cells), 1):
            continue
        if any(re.search(f"[{GROUP_SPACES}{GROUP_APOSTROPHES}]", cell) for cell in numbers):
            return None
        if any("." in cell for cell in numbers):
            dotted = column.name
        else:
            undotted.append(column)
    for column in undotted if not dotted else ():
        if any(over_pieces(column.text, _holds_dot)):
            dotted = column.name
            break
    if not dotted:
        return Marks(decimal="", grouping="")
    evidence = f"decimal dot: a comma stands between cells and in no number; “{dotted}” has dots"
    return Marks(decimal=".", grouping="", evidence=(evidence,))


def _count_marks(column: NumberColumn) -> _Counts | None:
    """Look at every cell of a column; None where it is not a column of numbers."""
    n = len(column.text)
    if not n or (n > _MANY_ROWS and not _sample_holds_numbers(column.text)):
        return None
    if column.stored is None:
        commas = any("," in cell for cell in _sample(column.text))
        for mark in (",", ".") if commas else (".", ","):
            plain = _read_plainly(column.text, mark)
            if plain is not None:
                values, odd = plain
                counts = _count_plain(column, values, odd, mark)
                if odd.size:
                    counts = _with_odd(counts, odd)
                filled = n - column.text.null_count
                return counts if _are_numbers(counts.n_numbers, filled) else None
    use = np.ones(n, dtype=np.bool_) if column.stored is None else ~column.stored
    counts, n_filled = _count_each(column, whole(column.text), use)
    return counts if _are_numbers(counts.n_numbers + n - int(use.sum()), n_filled) else None


def _are_numbers(n_numbers: int, n_filled: int) -> bool:
    return n_filled > 0 and n_numbers > 0 and n_numbers >= NUMBER_SHARE * n_filled


def _with_odd(counts: _Counts, odd: Rows) -> _Counts:
    """Add what the cells show that are no plain numbers."""
    column = counts.column
    few = whole(column.text.take(pa.array(odd)))
    own, _ = _count_each(column, few, np.ones(odd.size, dtype=np.bool_))

    def with_odd(masks: dict[str, Mask], few: dict[str, Mask]) -> dict[str, Mask]:
        all_masks = {mark: mask.copy() for mark, mask in masks.items()}
        for mark, mask in all_masks.items():
            mask[odd] = few[mark]
        return all_masks

    return replace(
        counts,
        decimal=with_odd(counts.decimal, own.decimal),
        doubtful=with_odd(counts.doubtful, own.doubtful),
        groups=with_odd(counts.groups, own.groups),
        n_numbers=counts.n_numbers + own.n_numbers,
        n_spaced=own.n_spaced,
        n_ticked=own.n_ticked,
    )


def _count_each(column: NumberColumn, text: pa.ChunkedArray, use: Mask) -> tuple[_Counts, int]:
    """Count what marks cells show, whatever their spelling, and how many are filled."""
    tidy = tidy_numbers(text)

    def fits(pattern: str) -> Mask:
        match = pc.match_substring_regex(tidy, f"^(?:{pattern})$")
        mask: Mask = pc.fill_null(match, False).to_numpy()
        return mask & use

    plain = fits(_PLAIN)
    doubtful = {mark: fits(_AMBIGUOUS[mark]) for mark in (".", ",")}
    decimal = {mark: fits(_DECIMAL[mark]) & ~doubtful[mark] for mark in (".", ",")}
    groups = {mark: fits(_GROUPS[mark]) for mark in (".", ",")}
    n_filled = int(pc.sum(pc.fill_null(pc.not_equal(tidy, ""), False)).as_py() or 0)
    any_number = plain.copy()
    for part in (*doubtful.values(), *decimal.values(), *groups.values()):
        any_number |= part
    spaced = fits(f"{_SIGN}(?:{_SPACED})(?:[.,][0-9]*)?")
    ticked = fits(f"{_SIGN}(?:{_TICKED})(?:[.,][0-9]*)?")
    counts = _Counts(
        column=column,
        n_numbers=int(any_number.sum()),
        decimal=decimal,
        doubtful=doubtful,
        groups=groups,
        n_spaced=int(spaced.sum()),
        n_ticked=int(ticked.sum()),
    )
    return counts, n_filled


_MARK_NAME = {".": "dot", ",": "comma"}


def _listed(counts: _Counts, mask: npt.NDArray[np.bool_]) -> tuple[str, int]:
    """List the first marked cells as text, and give the file row of the first."""
    where = np.flatnonzero(mask)
    cells = counts.column.text.take(pa.array(where[:LISTED])).to_pylist()
    rows = counts.column.file_rows[where[:LISTED]].tolist()
    shown = ", ".join(f"{cell.strip()} (row {row})" for cell, row in zip(cells, rows, strict=True))
    if where.size > LISTED:
        shown += f" and {where.size - LISTED} more"
    return shown, int(rows[0])


def decide_marks(
    columns: Sequence[NumberColumn],
    *,
    file: str = "",
    delimiter: str = "",
    forced: str = "",
    no_commas: bool = False,
) -> Marks:
    """Decide the decimal and the grouping mark of a file from all its cells.

    Parameters
    ----------
    columns : sequence of NumberColumn
        All columns; those that hold no numbers are passed over.
    file : str
        File name for the findings.
    delimiter : str
        What separates cells; a comma between cells settles otherwise doubtful dots.
    forced : str
        The decimal mark that a person has named; empty if nobody has.
    no_commas : bool
        True where no cell holds a comma, as a comma stands between cells and nothing is quoted.

    Returns
    -------
    Marks
    """
    many = bool(columns) and len(columns[0].text) > _MANY_ROWS
    if many and no_commas and delimiter == "," and not forced:
        quick = _decide_without_commas(columns)
        if quick is not None:
            return quick
    counted = [c for c in map(_count_marks, columns) if c is not None]
    proofs = {mark: sum(int(c.says(mark).sum()) for c in counted) for mark in (".", ",")}
    groups = {mark: sum(int(c.groups[mark].sum()) for c in counted) for mark in (".", ",")}
    doubts = {mark: sum(int(c.doubtful[mark].sum()) for c in counted) for mark in (".", ",")}
    evidence: list[str] = []
    findings: list[Fault] = []
    decimal = forced
    if forced:
        evidence.append(f"decimal {_MARK_NAME.get(forced, forced)}: as answered")
    else:
        findings += _find_contradictions(counted, file)
        decimal = _decide_decimal(counted, proofs, doubts, delimiter, evidence, findings, file)
    grouping = ""
    other = {".": ",", ",": "."}.get(decimal, "")
    if other and (groups[other] or (forced and doubts[other])):
        grouping = other
        n = groups[other] + doubts[other]
        evidence.append(f"{_MARK_NAME[other]} groups thousands: {n} of the numbers have one")
    elif other and doubts[other]:
        findings += _ask_about_grouping(counted, decimal, file)
    if not grouping:
        n_spaced = sum(c.n_spaced for c in counted)
        n_ticked = sum(c.n_ticked for c in counted)
        if n_spaced:
            grouping = " "
            evidence.append(f"space groups thousands: {n_spaced} of the numbers have one")
        elif n_ticked:
            grouping = "'"
            evidence.append(f"apostrophe groups thousands: {n_ticked} of the numbers have one")
    return Marks(
        decimal=decimal, grouping=grouping, evidence=tuple(evidence), findings=tuple(findings)
    )


def _find_contradictions(counted: Sequence[_Counts], file: str) -> list[Fault]:
    """Report columns in which some cells prove a dot and others a comma."""
    faults = []
    for c in counted:
        dot, comma = c.says("."), c.says(",")
        n_dot, n_comma = int(dot.sum()), int(comma.sum())
        if not n_dot or not n_comma:
            continue
        rare = "," if n_comma <= n_dot else "."
        shown, row = _listed(c, comma if rare == "," else dot)
        if n_dot == n_comma:
            usual, _ = _listed(c, dot)
            shown = f"dot in {usual}; comma in {shown}"
        usual_name = _MARK_NAME["." if rare == "," else ","]
        remedy = f"Write these cells with a decimal {usual_name}, like the others"
        if n_dot == n_comma:
            remedy = "Write all cells of the column with the same mark"
        faults.append(
            Fault(
                rule="decimal-contradiction",
                message=(
                    f"Column “{c.column.name}” marks decimals with a dot in {n_dot} and with a "
                    f"comma in {n_comma} cells: {shown}"
                ),
                remedy=remedy,
                location=Location(file=file, sheet=c.column.sheet, row=row, column=c.column.name),
                value=shown.split(" (row ")[0],
            )
        )
    return faults


def _decide_decimal(
    counted: Sequence[_Counts],
    proofs: dict[str, int],
    doubts: dict[str, int],
    delimiter: str,
    evidence: list[str],
    findings: list[Fault],
    file: str,
) -> str:
    """Weigh the proofs; add the sentence that says why, and the question if none decides."""
    dot, comma = proofs["."], proofs[","]
    if dot or comma:
        total = dot + comma
        mixed_inside = any(c.says(".").any() and c.says(",").any() for c in counted)
        usual = "." if dot >= comma else ","
        share = max(dot, comma) / total
        if dot and comma and (dot == comma or (mixed_inside and share < CLEAR_MAJORITY)):
            evidence.append(
                f"decimal mark undecidable: a dot in {dot} and a comma in {comma} of {total} "
                "numbers; each is read by its own mark, where it can mean one number only"
            )
            if not mixed_inside:
                findings.append(_mark_question(counted, file))
            return "undecidable"
        evidence.append(
            f"decimal {_MARK_NAME[usual]}: {max(dot, comma)} of {total} numbers with a clear "
            "mark have one"
        )
        return usual
    if doubts["."] and not doubts[","] and delimiter == ",":
        evidence.append("decimal dot: a comma stands between cells and in no number")
        return "."
    if doubts["."] or doubts[","]:
        findings.append(_mark_question(counted, file))
        evidence.append("decimal mark undecidable: every mark stands before exactly three digits")
        return "undecidable"
    return ""


def _mark_question(counted: Sequence[_Counts], file: str) -> Fault:
    """Ask for the decimal mark, quoting a cell that shows the doubt."""
    c, doubtful = next(
        (c, mask)
        for c in counted
        if (mask := c.doubtful["."] | c.doubtful[","] | c.says(".") | c.says(",")).any()
    )
    shown, row = _listed(c, doubtful)
    return Fault(
        rule="decimal-undecidable",
        message=(
            f"No row decides whether the dot or the comma marks decimals: “{c.column.name}” "
            f"holds {shown}"
        ),
        remedy="Answer with --decimal . or --decimal ,",
        location=Location(file=file, sheet=c.column.sheet, row=row, column=c.column.name),
        value=shown.split(" (row ")[0],
        severity="question",
    )


def _ask_about_grouping(counted: Sequence[_Counts], decimal: str, file: str) -> list[Fault]:
    """Ask, column by column, about marks that group thousands or are slips."""
    other = "," if decimal == "." else "."
    faults = []
    for c in counted:
        mask = c.doubtful[other]
        # A column that clearly uses the other mark is reported by its own cells.
        if not mask.any() or c.decimal[other].any():
            continue
        shown, row = _listed(c, mask)
        cell = shown.split(" (row ")[0]
        grouped = cell.replace(other, "")
        slip = cell.replace(other, decimal)
        faults.append(
            Fault(
                rule="grouping-undecidable",
                message=(
                    f"The file marks decimals with a {_MARK_NAME[decimal]}, so “{cell}” may be "
                    f"{grouped} or a slip for {slip}; column “{c.column.name}” holds {shown}"
                ),
                remedy=(
                    f"Answer with --decimal {decimal} if the {_MARK_NAME[other]} groups thousands "
                    f"({cell} is {grouped}); otherwise write {slip} in the file"
                ),
                location=Location(file=file, sheet=c.column.sheet, row=row, column=c.column.name),
                value=cell,
                severity="question",
            )
        )
    return faults
