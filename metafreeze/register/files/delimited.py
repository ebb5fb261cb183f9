"""Delimited text: which character separates cells, and the cells of every record."""

from __future__ import annotations

import csv
import io
import re
import string
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace

from metafreeze.errors import Fault, Location
from metafreeze.register.files.cells import look_of

# In order of preference: the last ones also occur inside numbers and sentences.
CANDIDATES = ("\t", ";", "|", ",")
# Space-separated and single-column files have their own names.
SPACES = " "
SINGLE = ""
NAMES = {"\t": "tab", ";": "semicolon", "|": "pipe", ",": "comma", " ": "space", "": "nothing"}
_WORDS = {**{name: mark for mark, name in NAMES.items()}, "\\t": "\t", "none": "", "spaces": " "}
# Stands for "no delimiter" where the parser wants one: the unit separator of ASCII.
NEVER = "\x1f"

# A delimiter that splits this share of rows alike, into clean cells, needs no rival.
_CONVINCING = 0.6
# Below this score a delimiter is an accident of sentences.
_ACCIDENTAL = 0.15
# Share of the filled cells in single quotes that makes these the quotes of the file.
_MOSTLY_QUOTED = 0.9
# A file without any delimiter must be free of the candidates in this share of its lines.
_CLEAN_LINES = 0.9
_SAMPLE_ROWS = 200
_SAMPLE_CHARS = 1 << 18
_BRACKETS = re.compile(r"\([^()]*\)|\[[^\[\]]*\]|\{[^{}]*\}")
# A unit behind a number, such as °C or min.
_UNIT_BEHIND = re.compile(r"(?<=[0-9])[ \u00a0]{0,2}[%°℃℉µ]?[^\W\d_]{0,4}\Z")
_RULE = re.compile(r"[\s|:+]*(?:[-=_*~.]\s?){3,}[-=_*~.\s|:+]*\Z")
_RULED = frozenset("-=_*~.|:+" + string.whitespace + "\u00a0\u2007\u2009\u202f\u3000")
_BEGINNING = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Records:
    """The records of a text file, verbatim.

    Parameters
    ----------
    rows : list of list of str
        Cells; an empty list for a blank line.
    lines : list of int
        Line on which each record starts, counted from 1.
    findings : tuple of Fault
        Broken quotes.
    usual_quotes : bool
        False where cells are quoted otherwise than by double quotes right at their start.
    """

    rows: list[list[str]]
    lines: list[int]
    findings: tuple[Fault, ...] = ()
    usual_quotes: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Delimiter:
    """The decision about what separates cells.

    Parameters
    ----------
    mark : str
        The character; a space for runs of spaces, empty for a single column.
    evidence : str
        Why, in one sentence.
    records : Records
        All records under this decision.
    """

    mark: str
    evidence: str
    records: Records


@contextmanager
def _long_cells(length: int) -> Iterator[None]:
    """Let the parser take cells as long as the file, and put its limit back afterwards."""
    before = csv.field_size_limit(max(length + 1, 1 << 17))
    try:
        yield
    finally:
        csv.field_size_limit(before)


def named_delimiter(answer: str) -> str | None:
    """Give the character that a person's answer names; None where it names none.

    Parameters
    ----------
    answer : str
        A character or a word such as ``tab``.

    Returns
    -------
    str or None
    """
    if len(answer) == 1:
        return answer
    return _WORDS.get(answer.strip().lower())


def split_records(text: str, mark: str, *, file: str = "") -> Records:
    """Split text into records, quotes respected and line numbers kept.

    Parameters
    ----------
    text : str
        The file.
    mark : str
        What separates cells; a space for runs of spaces, empty for a single column.
    file : str
        File name for the findings.

    Returns
    -------
    Records
    """
    lines = list(io.StringIO(text, newline=""))
    if mark == SPACES:
        return _split_at_spaces(lines)
    with _long_cells(len(text)):
        return _split_quoted(lines, mark or NEVER, file)


def _split_quoted(lines: list[str], mark: str, file: str) -> Records:
    """Split by the rules of quoting; a quote that is never closed counts as a letter."""
    rows, starts, problem = _read_strictly(lines, mark)
    for quote, skip in _other_quoting(rows, lines, mark):
        other, other_starts, other_problem = _read_strictly(lines, mark, quote=quote, skip=skip)
        if other_problem is None and _evenness(other) >= _evenness(rows):
            return Records(rows=other, lines=other_starts, usual_quotes=False)
    if problem is None:
        return Records(rows=rows, lines=starts)
    row, never_closed = problem
    message = (
        "A quote is opened here and never closed"
        if never_closed
        else "A quote stands inside a quoted cell"
    )
    remedy = (
        "Close the quote, or take it away"
        if never_closed
        else 'Write a quote inside a quoted cell twice (""), or take the outer quotes away'
    )
    fault = Fault(
        rule="broken-quote",
        message=message,
        remedy=remedy,
        location=Location(file=file, row=row),
        value=lines[row - 1].strip()[:60],
    )
    rows, starts = [], []
    reader = csv.reader(iter(lines), delimiter=mark)
    before = 0
    for cells in reader:
        if never_closed and before + 1 == row:
            break
        rows.append(cells)
        starts.append(before + 1)
        before = reader.line_num
    if never_closed:
        rest = csv.reader(lines[row - 1 :], delimiter=mark, quoting=csv.QUOTE_NONE)
        for at, cells in enumerate(rest):
            rows.append(cells)
            starts.append(row + at)
    return Records(rows=rows, lines=starts, findings=(fault,))


_SPACED_QUOTE = re.compile(r"\s+\".*\"\s*\Z", re.DOTALL)
_SPACED_OPENING = re.compile(r"\s+\"[^\"]*\Z")
# A cell in single quotes, or a piece of one that holds the delimiter.
_SINGLE_QUOTES = re.compile(r"'|.*'\s*\Z", re.DOTALL)


def _other_quoting(
    rows: Sequence[Sequence[str]], lines: Sequence[str], mark: str
) -> list[tuple[str, bool]]:
    """List other ways of quoting that the cells show: single quotes, spaces before quotes."""
    sample = [row for row in rows[:_SAMPLE_ROWS] if row]
    cells = [cell for row in sample for cell in row if cell]
    single = sum(bool(_SINGLE_QUOTES.match(cell)) for cell in cells)
    ways = []
    if cells and single >= _MOSTLY_QUOTED * len(cells):
        ways.append(("'", True))
    spaced = sum(any(map(_SPACED_QUOTE.match, row)) for row in sample)
    opened = any(_SPACED_OPENING.match(cell) for cell in cells)
    # A cell that begins with a space and a quote may have been quoted itself: only the line
    # tells whether the space stood before the quote.
    before_quote = re.compile(rf"(?:^|{re.escape(mark)})\s+\"")
    shown = (opened or spaced) and any(map(before_quote.search, lines[:_SAMPLE_ROWS]))
    if shown and (opened or 2 * spaced >= len(sample)):
        ways.append(('"', True))
    return ways


def _read_strictly(
    lines: list[str], mark: str, *, quote: str = '"', skip: bool = False
) -> tuple[list[list[str]], list[int], tuple[int, bool] | None]:
    """Read with strict quoting; give the row of the first broken quote and its kind."""
    reader = csv.reader(
        iter(lines), delimiter=mark, quotechar=quote, skipinitialspace=skip, strict=True
    )
    rows: list[list[str]] = []
    starts: list[int] = []
    before = 0
    try:
        for cells in reader:
            rows.append(cells)
            starts.append(before + 1)
            before = reader.line_num
    except csv.Error as problem:
        return rows, starts, (before + 1, "unexpected end" in str(problem))
    return rows, starts, None


def _split_at_spaces(lines: list[str]) -> Records:
    """Split at runs of two or more spaces where that is even, else at any space."""
    wide = [re.split(r"\s{2,}|\t", line.strip()) if line.strip() else [] for line in lines]
    narrow = [line.split() for line in lines]
    rows = wide if _evenness(wide) >= _evenness(narrow) else narrow
    return Records(rows=rows, lines=list(range(1, len(lines) + 1)))


def _evenness(rows: Sequence[Sequence[str]]) -> float:
    """Share of the filled rows that have the most frequent number of cells, above one."""
    widths = Counter(len(row) for row in rows if row)
    widths.pop(1, None)
    filled = sum(1 for row in rows if row)
    return max(widths.values(), default=0) / max(filled, 1)


@dataclass(frozen=True, slots=True)
class _Score:
    """How well a mark splits the rows: cells per row, how many rows, and how cleanly."""

    value: float
    width: int
    n_alike: int
    n_filled: int


def is_comment(row: Sequence[str]) -> bool:
    """Tell whether a record starts like a comment line.

    Parameters
    ----------
    row : sequence of str
        Its cells.

    Returns
    -------
    bool
    """
    return bool(row) and row[0].lstrip().startswith(("#", "%", "//"))


def is_rule_line(row: Sequence[str]) -> bool:
    """Tell whether a record is a drawn line, such as dashes under a heading.

    Parameters
    ----------
    row : sequence of str
        Its cells.

    Returns
    -------
    bool
    """
    joined = "|".join(row)
    # A line of marks alone; the search needs its beginning only, which spares a long line.
    if not joined.strip() or not set(joined) <= _RULED or not _RULE.match(joined[:_BEGINNING]):
        return False
    # A drawn line fills several cells or begins in the first one; a lone mark further right, or
    # an ellipsis, is somebody's cell.
    filled = [bool(cell.strip()) for cell in row]
    return (filled[0] or sum(filled) > 1) and not any(c.strip() == "..." for c in row)


def _clean(cell: str, rivals: Sequence[str]) -> bool:
    """Tell whether a cell is whole: a value, or text without any rival delimiter."""
    if not any(rival in cell for rival in rivals):
        return True
    if look_of(cell) in ("n", "d") or look_of(_UNIT_BEHIND.sub("", cell)) == "n":
        return True
    bare = _BRACKETS.sub("", cell)
    return not any(rival in bare for rival in rivals)


def _score(rows: Sequence[Sequence[str]], mark: str) -> _Score:
    """Score a delimiter on its records."""
    filled = [r for r in rows if any(map(str.strip, r)) and not is_comment(r)]
    counts = Counter(map(len, filled))
    counts.pop(1, None)
    if not counts or not filled:
        return _Score(0.0, 1, 0, len(filled))
    width, n_alike = max(counts.items(), key=lambda item: (item[1], item[0]))
    alike = [r for r in filled if len(r) == width]
    step = max(1, len(alike) // _SAMPLE_ROWS)
    rivals = [c for c in CANDIDATES if c != mark]
    cells = [cell for row in alike[::step] for cell in row]
    clean = sum(_clean(cell, rivals) for cell in cells) / len(cells)
    value = n_alike / len(filled) * clean
    if _heading_disagrees(rows, width, alike):
        value *= 0.5
    return _Score(value, width, n_alike, len(filled))


def _heading_disagrees(
    rows: Sequence[Sequence[str]], width: int, alike: Sequence[Sequence[str]]
) -> bool:
    """Tell whether the line right above the first evenly split row is split otherwise."""
    at = next(i for i, row in enumerate(rows) if row is alike[0])
    first = rows[at]
    if at == 0 or not rows[at - 1] or is_comment(rows[at - 1]) or is_rule_line(rows[at - 1]):
        return False
    if not any(look_of(cell) in ("n", "d") for cell in first):
        return False
    above = len(rows[at - 1])
    trailing = above == width - 1 and all(not row[-1].strip() for row in alike)
    return above != width and not trailing


def _head(text: str) -> str:
    """Give whole lines from the start, the middle and the end of a long text."""
    if len(text) <= 3 * _SAMPLE_CHARS:
        return text
    parts = []
    for start in (0, len(text) // 2, len(text) - _SAMPLE_CHARS):
        part = text[start : start + _SAMPLE_CHARS]
        cut = part.find("\n") + 1 if start else 0
        parts.append(part[cut : part.rfind("\n") + 1])
    return "".join(parts)


def _hinted(text: str) -> tuple[str, str]:
    """Take a first line such as ``sep=;`` as what it says; give the mark and the rest."""
    match = re.match(r"\ufeff?sep=(.)\r?\n", text, re.IGNORECASE)
    return (match.group(1), text[match.end() :]) if match else ("", text)


def decide_delimiter(text: str, *, file: str = "", forced: str = "") -> Delimiter:
    """Decide what separates cells, from all rows.

    Each candidate is scored by the share of rows that it splits into the same number
    of cells, and by how many of these cells are whole. Quotes are respected, and
    candidates inside brackets or numbers count for nothing.

    Parameters
    ----------
    text : str
        The file.
    file : str
        File name for the findings.
    forced : str
        The delimiter that a person has named; empty if nobody has.

    Returns
    -------
    Delimiter
    """
    hint, body = _hinted(text)
    skipped = 1 if hint else 0
    if forced:
        mark = named_delimiter(forced)
        if mark is None:
            fault = Fault(
                rule="delimiter-unknown",
                message=f"“{forced}” is no delimiter",
                remedy="Answer with --delimiter and one character, or tab, space or none",
                location=Location(file=file),
            )
            return Delimiter(
                mark="", evidence="", records=Records(rows=[], lines=[], findings=(fault,))
            )
        return _settle(
            body, mark, f"{NAMES.get(mark, mark)} between cells: as answered", file, skipped
        )
    if hint:
        name = NAMES.get(hint, hint)
        return _settle(body, hint, f"{name} between cells: the first line says so", file, skipped)
    sample = _head(body)
    present = [c for c in CANDIDATES if c in sample]
    scores = {c: _score(split_records(sample, c).rows, c) for c in present}
    mark = _choose(sample, scores)
    records = split_records(body, mark, file=file)
    return Delimiter(mark=mark, evidence=_evidence(records, mark), records=records)


def _settle(body: str, mark: str, evidence: str, file: str, skipped: int) -> Delimiter:
    records = split_records(body, mark, file=file)
    shifted = replace(records, lines=[n + skipped for n in records.lines])
    return Delimiter(mark=mark, evidence=evidence, records=shifted)


def _choose(sample: str, scores: dict[str, _Score]) -> str:
    """Weigh the candidates against each other and against no delimiter at all."""
    best = max(scores, key=lambda c: (scores[c].value, -CANDIDATES.index(c)), default="")
    value = scores[best].value if best else 0.0
    if value >= _CONVINCING:
        return best
    lines = [line for line in sample.splitlines() if line.strip() and not is_comment([line])]
    clean = sum(_clean(line, CANDIDATES) for line in lines) / max(len(lines), 1)
    if clean < _CLEAN_LINES and value > _ACCIDENTAL:
        return best
    return SPACES if _splits_at_spaces(lines) else SINGLE


def _splits_at_spaces(lines: Sequence[str]) -> bool:
    """Tell whether runs of spaces split every line alike, numbers among the cells."""
    if len(lines) < 2:
        return False
    rows = _split_at_spaces(list(lines)).rows
    # A line that is one number, date or time as a whole needs no splitting.
    whole = sum(look_of(line) in ("n", "d") for line in lines)
    if _evenness(rows) < _CLEAN_LINES or whole > len(lines) // 2 or len(rows[0]) != len(rows[-1]):
        return False
    numbers = sum(any(look_of(cell) in ("n", "q") for cell in row) for row in rows)
    return numbers >= 0.5 * len(rows)


def _evidence(records: Records, mark: str) -> str:
    """Say how evenly the chosen mark splits all rows."""
    filled = [len(r) for r in records.rows if any(map(str.strip, r))]
    if mark == SINGLE:
        return f"no delimiter: {len(filled)} rows of one cell"
    width, n = Counter(filled).most_common(1)[0] if filled else (0, 0)
    return f"{NAMES[mark]} between cells: {n} of {len(filled)} rows have {width} cells"
