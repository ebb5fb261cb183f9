"""Numbers as people type them: decimal marks, grouping, minus signs, stray spaces.

A cell is a number only if it reads in one way under the file's dialect; everything
else is refused, so that no value changes by a power of ten unseen. The marks of a
file are decided once, from all its cells (`decide_marks`).
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.errors import Fault, Location
from metafreeze.register.files.sheets import Dialect, cells_over_length

Text: TypeAlias = "pa.StringArray | pa.ChunkedArray"

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
_UNGROUPED = str.maketrans("", "", GROUP_SPACES + GROUP_APOSTROPHES)


def _marks(dialect: Dialect) -> tuple[str, str]:
    """Give the marks to read by; where no number showed one, a cell must speak for itself."""
    return dialect.decimal or "undecidable", dialect.grouping


def _as_chunked(text: Text) -> pa.ChunkedArray:
    return text if isinstance(text, pa.ChunkedArray) else pa.chunked_array([text])


def tidy_numbers(text: Text) -> pa.ChunkedArray:
    """Take outer spaces away and write every kind of minus sign as a hyphen.

    Parameters
    ----------
    text : string array, shape (n,)
        Cells as typed.

    Returns
    -------
    pyarrow string array, shape (n,)
    """
    tidy = pc.utf8_trim_whitespace(_as_chunked(text))
    # Plain ASCII cells hold no other minus sign: as many bytes as characters.
    if pc.sum(pc.binary_length(tidy)).as_py() == pc.sum(pc.utf8_length(tidy)).as_py():
        return tidy
    return pc.replace_substring_regex(tidy, f"[{MINUS_SIGNS}]", "-")


def _cast_plainly(text: pa.ChunkedArray) -> npt.NDArray[np.float64] | None:
    """Read a column of plain decimal-point numbers at full speed, or give None."""
    array = np.empty(len(text))
    begin = 0
    # Chunk by chunk, so that the column stands in memory once.
    for chunk in text.chunks:
        try:
            values = pc.cast(chunk, pa.float64(), memory_pool=pa.system_memory_pool())
        except pa.ArrowInvalid:
            return None
        part = array[begin : begin + len(chunk)]
        part[:] = values.to_numpy(zero_copy_only=False)
        # Words such as "nan" and "inf" pass the cast but are text here.
        if np.count_nonzero(np.isfinite(part)) != len(chunk) - chunk.null_count:
            return None
        begin += len(chunk)
    return array


def _cast_commas(text: pa.ChunkedArray) -> npt.NDArray[np.float64] | None:
    """Read a column of plain decimal-comma numbers without any dot, or give None."""
    if pc.any(pc.match_substring(text, ".")).as_py():
        return None
    return _cast_plainly(pc.replace_substring(text, ",", "."))


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
    cells = _as_chunked(text)
    if len(cells) == 0:
        return np.empty(0), np.empty(0, dtype=np.bool_)
    decimal, grouping = _marks(dialect)
    if decimal == "." or not pc.any(pc.match_substring_regex(cells, "[.,]")).as_py():
        plain = _cast_plainly(cells)
        if plain is not None:
            return plain, np.zeros(plain.size, dtype=np.bool_)
    if decimal == ",":
        plain = _cast_commas(cells)
        if plain is not None:
            return plain, np.zeros(plain.size, dtype=np.bool_)
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
    values: npt.NDArray[np.float64] = pc.cast(spelled, pa.float64()).to_numpy().copy()
    values[~np.isfinite(values)] = np.nan
    bad: npt.NDArray[np.bool_] = filled.to_numpy() & np.isnan(values)
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
    tidy = text.strip().translate(_TO_HYPHEN)
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
    cells = cells_over_length(text, _SAMPLE_CELLS).to_pylist()
    return [cell for cell in cells if cell and cell.strip()]


def _sample_holds_numbers(text: Text) -> bool:
    """Tell whether any cell of a sample has a digit where a number would have one."""
    pattern = re.compile(f"[+{MINUS_SIGNS}.,-]?[0-9]")
    cells = _sample(text)
    return sum(bool(pattern.match(cell.strip())) for cell in cells) > 0


def _count_plain(
    column: NumberColumn, values: npt.NDArray[np.float64], mark: str
) -> _Counts | None:
    """Count the marks of a column of plain numbers that hold one kind of mark at most."""
    none = np.zeros(values.size, dtype=np.bool_)
    n_numbers = int(np.isfinite(values).sum())
    if not n_numbers:
        return None
    text = _as_chunked(column.text)
    doubtful = marked = none
    has_mark = pc.fill_null(pc.match_substring(text, mark), False)
    if pc.any(has_mark).as_py():
        marked = has_mark.to_numpy()
        match = pc.match_substring_regex(text, f"^(?:{_AMBIGUOUS[mark]})$")
        doubtful = pc.fill_null(match, False).to_numpy()
    other = "," if mark == "." else "."
    return _Counts(
        column=column,
        n_numbers=n_numbers,
        decimal={mark: marked & ~doubtful, other: none},
        doubtful={mark: doubtful, other: none},
        groups={".": none, ",": none},
        n_spaced=0,
        n_ticked=0,
    )


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
        if pc.any(pc.match_substring(_as_chunked(column.text), ".")).as_py():
            dotted = column.name
            break
    if not dotted:
        return Marks(decimal="", grouping="")
    evidence = f"decimal dot: a comma stands between cells and in no number; “{dotted}” has dots"
    return Marks(decimal=".", grouping="", evidence=(evidence,))


def _count_marks(column: NumberColumn) -> _Counts | None:
    """Look at every cell of a column; None where it is not a column of numbers."""
    n = len(column.text)
    if n > _MANY_ROWS and not _sample_holds_numbers(column.text):
        return None
    if column.stored is None:
        text = _as_chunked(column.text)
        for mark, cast in ((".", _cast_plainly), (",", _cast_commas)):
            values = cast(text)
            if values is not None:
                return _count_plain(column, values, mark)
    tidy = tidy_numbers(column.text)
    use = np.ones(n, dtype=np.bool_) if column.stored is None else ~column.stored

    def fits(pattern: str) -> npt.NDArray[np.bool_]:
        match = pc.match_substring_regex(tidy, f"^(?:{pattern})$")
        mask: npt.NDArray[np.bool_] = pc.fill_null(match, False).to_numpy()
        return mask & use

    plain = fits(_PLAIN)
    doubtful = {mark: fits(_AMBIGUOUS[mark]) for mark in (".", ",")}
    decimal = {mark: fits(_DECIMAL[mark]) & ~doubtful[mark] for mark in (".", ",")}
    groups = {mark: fits(_GROUPS[mark]) for mark in (".", ",")}
    n_filled = int(pc.sum(pc.fill_null(pc.not_equal(tidy, ""), False)).as_py() or 0)
    any_number = plain.copy()
    for part in (*doubtful.values(), *decimal.values(), *groups.values()):
        any_number |= part
    n_numbers = int(any_number.sum())
    n_stored = n - int(use.sum())
    if n_filled == 0 or n_numbers + n_stored < NUMBER_SHARE * n_filled:
        return None
    spaced = fits(f"{_SIGN}(?:{_SPACED})(?:[.,][0-9]*)?")
    ticked = fits(f"{_SIGN}(?:{_TICKED})(?:[.,][0-9]*)?")
    return _Counts(
        column=column,
        n_numbers=n_numbers,
        decimal=decimal,
        doubtful=doubtful,
        groups=groups,
        n_spaced=int(spaced.sum()),
        n_ticked=int(ticked.sum()),
    )


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
