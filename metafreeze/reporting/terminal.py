"""The report in a terminal: the same words, aligned, no wider than asked.

Plain text by default. What others entered has lost its escape sequences before it comes here.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from wcwidth import ljust, rjust, width, wrap

from metafreeze.reporting import shown
from metafreeze.reporting.content import Given, Report, Section, Text
from metafreeze.reporting.labels import shortened, visible
from metafreeze.reporting.shown import ShownTable

NARROWEST = 20
# Longer lines are hard to read back from their end to the next beginning.
LONGEST_LINE = 92
GAP = "  "
NARROWEST_WORDS = 12
BOLD, PLAIN = "\x1b[1m", "\x1b[0m"


def render_text(report: Report, *, width: int = 80, colour: bool = False) -> str:
    """Write a report as text for a terminal.

    Parameters
    ----------
    report : Report
        The content.
    width : int
        Columns of the terminal; below twenty, twenty.
    colour : bool
        Print headings bold. Leave it off where the output is piped.

    Returns
    -------
    str
        Lines no wider than `width`, ending in a line end.
    """
    page = _Page(max(NARROWEST, width), colour)
    page.report(report)
    return page.text()


def plain(text: Text) -> str:
    """Write a sentence for a terminal: given names visible, very long ones by their ends.

    Parameters
    ----------
    text : Text
        The sentence.

    Returns
    -------
    str
    """
    return "".join(
        shortened(visible(p.text)) if isinstance(p, Given) else visible(str(p)) for p in text.parts
    )


class _Page:
    """The lines written so far, and how to add to them."""

    def __init__(self, columns: int, colour: bool) -> None:
        self.columns = columns
        self.line = min(columns, LONGEST_LINE)
        self.colour = colour
        self.lines: list[str] = []

    def text(self) -> str:
        return "\n".join(self.lines).strip("\n") + "\n"

    def blank(self) -> None:
        if self.lines and self.lines[-1]:
            self.lines.append("")

    def heading(self, words: str, mark: str) -> None:
        self.blank()
        rows = _wrapped(words, self.line)
        for row in rows:
            self.lines.append(f"{BOLD}{row}{PLAIN}" if self.colour else row)
        self.lines.append(mark * max(_cells(row) for row in rows))

    def paragraph(self, text: Text, *, first: str = "", rest: str | None = None) -> None:
        self.words(plain(text), first=first, rest=rest)

    def words(self, words: str, *, first: str = "", rest: str | None = None) -> None:
        if not words:
            return
        rest = " " * len(first) if rest is None else rest
        room = self.line - max(len(first), len(rest))
        for place, row in enumerate(_wrapped(words, room)):
            self.lines.append(((first if place == 0 else rest) + row).rstrip())

    def report(self, report: Report) -> None:
        for banner in report.banners:
            self.lines.append("*" * self.line)
            self.words(f"{banner.heading} {plain(banner.text)}")
            self.lines.append("*" * self.line)
        self.heading(plain(report.title), "=")
        for line in report.lead:
            self.paragraph(line)
        for verdict in report.verdicts:
            self.blank()
            self.paragraph(verdict.question)
            self.paragraph(verdict.answer, first="> ", rest="> ")
            self.paragraph(verdict.because, first="  ")
        if report.summary:
            self.blank()
        for line in report.summary:
            self.paragraph(line)
        self.items(shown.WARNINGS_HEADING, report.warnings)
        for section in report.sections:
            self.section(section)
        self.methods(report)
        if report.provenance:
            self.heading(shown.PROVENANCE_HEADING, "-")
            for entry in report.provenance:
                self.words(f"{entry.name}: {plain(entry.text)}", rest="  ")
        cautions = [f"{c.hazard}. {plain(c.text)}" for c in report.cautions]
        self.items(shown.CAUTIONS_HEADING, cautions)
        if report.how_to_add:
            self.heading(shown.ADD_HEADING, "-")
            for place, step in enumerate(report.how_to_add, start=1):
                self.paragraph(step, first=f"{place}. ")

    def items(self, heading: str, items: Sequence[Text | str]) -> None:
        if items:
            self.heading(heading, "-")
        for item in items:
            self.words(item if isinstance(item, str) else plain(item), first="- ")

    def section(self, section: Section) -> None:
        self.heading(plain(section.question), "-")
        self.paragraph(section.answer)
        if not section.applies:
            return
        self.paragraph(shown.status_line(section), first="| ", rest="| ")
        # A table below has the same numbers; without one, the figure's words are all there is.
        for figure in section.figures if not section.tables else ():
            self.blank()
            self.paragraph(figure.alt(), first="Figure: ", rest="  ")
        for paragraph in section.paragraphs:
            self.blank()
            self.paragraph(paragraph)
        for table in section.tables:
            self.blank()
            ready = shown.shown_table(table)
            self.paragraph(ready.caption)
            self.lines.extend(table_lines(ready, self.columns))
            for note in ready.notes:
                self.paragraph(note)

    def methods(self, report: Report) -> None:
        sections = shown.sections_with_methods(report)
        if sections:
            self.heading(shown.METHODS_HEADING, "-")
        for section in sections:
            self.blank()
            self.paragraph(section.question)
            for paragraph in section.method:
                self.paragraph(paragraph, first="  ")
            for source in section.sources:
                self.paragraph(source, first="  - ")


def _cells(words: str) -> int:
    return width(words, control_codes="ignore")


def _wrapped(words: str, room: int) -> list[str]:
    return wrap(words, max(room, 1), control_codes="ignore") or [""]


def table_lines(table: ShownTable, columns: int) -> list[str]:
    """Write a table in so many columns: aligned where it fits, else row by row.

    Parameters
    ----------
    table : ShownTable
        The table.
    columns : int
        Columns of the terminal.

    Returns
    -------
    list of str
    """
    heads = [f"{c.heading} ({c.unit})" if c.unit else c.heading for c in table.columns]
    rows = [[plain(cell) for cell in row] for row in table.rows]
    widths = _column_widths(table, heads, rows, columns)
    if widths is None:
        return list(_stacked(heads, rows, columns))
    lines = list(_aligned(table, heads, widths))
    lines.append(GAP.join("-" * w for w in widths))
    for row in rows:
        lines.extend(_aligned(table, row, widths))
    return lines


def _column_widths(
    table: ShownTable, heads: Sequence[str], rows: Sequence[Sequence[str]], columns: int
) -> list[int] | None:
    """Give each column its width; None where the table cannot stand in so few columns."""
    widest = [
        max([_longest_word(head) if c.numeric else _cells(head)] + [_cells(r[n]) for r in rows])
        for n, (c, head) in enumerate(zip(table.columns, heads, strict=True))
    ]
    free = columns - len(GAP) * (len(widest) - 1)
    wordy = [n for n, c in enumerate(table.columns) if not c.numeric]
    left = free - sum(w for n, w in enumerate(widest) if n not in wordy)
    # The columns of words share what the numbers leave, the narrow ones served first.
    widths = list(widest)
    for place, n in enumerate(sorted(wordy, key=lambda n: widest[n])):
        widths[n] = min(widest[n], left // (len(wordy) - place))
        left -= widths[n]
        if widths[n] < min(widest[n], NARROWEST_WORDS):
            return None
    return widths if left >= 0 else None


def _longest_word(words: str) -> int:
    return max(_cells(word) for word in words.split(" "))


def _aligned(table: ShownTable, cells: Sequence[str], widths: Sequence[int]) -> Iterator[str]:
    parts = [_wrapped(cell, w) for cell, w in zip(cells, widths, strict=True)]
    for level in range(max(len(p) for p in parts)):
        line = [
            _padded(p[level] if level < len(p) else "", w, c.numeric)
            for p, w, c in zip(parts, widths, table.columns, strict=True)
        ]
        yield GAP.join(line).rstrip()


def _padded(words: str, columns: int, numeric: bool) -> str:
    if numeric:
        return str(rjust(words, columns, control_codes="ignore"))
    return str(ljust(words, columns, control_codes="ignore"))


def _stacked(heads: Sequence[str], rows: Sequence[Sequence[str]], columns: int) -> Iterator[str]:
    for row in rows:
        for place, (head, cell) in enumerate(zip(heads, row, strict=True)):
            if not cell:
                continue
            indent = "" if place == 0 else "  "
            for level, line in enumerate(_wrapped(f"{head}: {cell}", columns - 4)):
                yield indent + ("" if level == 0 else "  ") + line
