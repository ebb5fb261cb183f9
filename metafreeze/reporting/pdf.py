"""The report as a PDF on A4, typeset without anything installed beside Python.

The template holds no word of the report: the content reaches it as data, so that nothing in a
name is ever read as markup. The file carries no date, is tagged, and keeps to PDF/UA-1 (ISO
14289-1), whose check also refuses a character without a glyph.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from metafreeze.reporting import shown
from metafreeze.reporting.content import (
    Code,
    FigureContent,
    Given,
    Part,
    Report,
    Section,
    TableContent,
    Text,
)
from metafreeze.reporting.figures.canvas import drawings
from metafreeze.reporting.figures.svg import PALETTE
from metafreeze.reporting.labels import shortened, visible
from metafreeze.reporting.lettering import FOLDER, drawable, font_files, text_width
from metafreeze.reporting.shown import ShownTable

TEMPLATE = Path(__file__).parent / "templates" / "report.typ"
STANDARD = "ua-1"

# A word longer than this gets places where it may break; a line would run off the page.
LONGEST_WORD = 20
BREAK_EVERY = 10
ZERO_WIDTH_SPACE = "\u200b"

# Room for a table on an upright and on a turned A4 page, less the margins of the template, pt.
TEXT_WIDTH_PT = (210 - 2 * 20) / 25.4 * 72
TURNED_WIDTH_PT = (297 - 2 * 20) / 25.4 * 72
TABLE_PT = 8.5
CELL_PAD_PT = 11.0
WIDEST_WORDS_PT = 150.0
WIDEST_HEADING_PT = 60.0
# A table may shrink to this share of its size before its page is turned.
SMALLEST_SHARE = 0.85

# Isolates keep a right-to-left name from turning the words around it.
FIRST_STRONG_ISOLATE, POP_ISOLATE = "\u2068", "\u2069"


def render_pdf(report: Report) -> bytes:
    """Write a report as PDF.

    Parameters
    ----------
    report : Report
        The content.

    Returns
    -------
    bytes
        The file; the same content gives the same bytes.
    """
    files: dict[str, bytes] = {}
    data = _report_data(report, files)
    files["report.json"] = json.dumps(data, ensure_ascii=True).encode("ascii")
    return typeset(TEMPLATE, files)


def typeset(template: Path, files: Mapping[str, bytes]) -> bytes:
    """Typeset a template with its data.

    Parameters
    ----------
    template : Path
        The template; it holds no word of what is written.
    files : mapping of str to bytes
        Data and drawings, by the names under which the template reads them.

    Returns
    -------
    bytes
        The PDF; the same files give the same bytes.
    """
    import typst

    folders = sorted({str(p.parent) for paths in font_files().values() for p in paths})
    # The stubs do not know yet that the input may be a set of files in memory.
    out = typst.compile(  # type: ignore[call-overload]
        {"main": template.read_bytes(), **files},
        format="pdf",
        font_paths=[str(FOLDER), *(f for f in folders if f != str(FOLDER))],
        ignore_system_fonts=True,
        pdf_standards=STANDARD,
    )
    return bytes(out)


def _words(text: Text) -> list[dict[str, str]]:
    return [_part(part) for part in text.parts]


def _part(part: Part) -> dict[str, str]:
    words = drawable(str(part))
    if isinstance(part, Given):
        name = breakable(drawable(shortened(visible(part.text))))
        return {"kind": "given", "text": FIRST_STRONG_ISOLATE + name + POP_ISOLATE}
    if isinstance(part, Code):
        return {"kind": "code", "text": words}
    return {"kind": "words", "text": words}


def breakable(text: str) -> str:
    """Let very long words break, without changing what is seen.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str
        With zero-width spaces in words longer than a line could hold.
    """
    return " ".join(_breakable_word(word) for word in text.split(" "))


def _breakable_word(word: str) -> str:
    if len(word) <= LONGEST_WORD:
        return word
    pieces = [word[n : n + BREAK_EVERY] for n in range(0, len(word), BREAK_EVERY)]
    return ZERO_WIDTH_SPACE.join(pieces)


def _all(texts: Sequence[Text]) -> list[list[dict[str, str]]]:
    return [_words(text) for text in texts]


def _report_data(report: Report, files: dict[str, bytes]) -> dict[str, Any]:
    title = drawable(shortened(visible(str(report.title))))
    return {
        "title": _words(report.title),
        "title_plain": title,
        "short_title": breakable(title),
        "language": report.language,
        "lead": _all(report.lead),
        "banners": [{"heading": b.heading, "text": _words(b.text)} for b in report.banners],
        "verdicts": [
            {
                "question": _words(v.question),
                "answer": _words(v.answer),
                "because": _words(v.because),
            }
            for v in report.verdicts
        ],
        "summary": _all(report.summary),
        "warnings": _all(report.warnings),
        "sections": [_section_data(s, files) for s in report.sections],
        "methods": [
            {
                "question": _words(s.question),
                "paragraphs": _all(s.method),
                "sources": _all(s.sources),
            }
            for s in shown.sections_with_methods(report)
        ],
        "provenance": [{"name": p.name, "text": _words(p.text)} for p in report.provenance],
        "cautions": [{"hazard": c.hazard, "text": _words(c.text)} for c in report.cautions],
        "how_to_add": _all(report.how_to_add),
        "headings": {
            "answer": shown.ANSWER_HEADING,
            "warnings": shown.WARNINGS_HEADING,
            "methods": shown.METHODS_HEADING,
            "provenance": shown.PROVENANCE_HEADING,
            "cautions": shown.CAUTIONS_HEADING,
            "add": shown.ADD_HEADING,
        },
    }


def _section_data(section: Section, files: dict[str, bytes]) -> dict[str, Any]:
    return {
        "question": _words(section.question),
        "answer": _words(section.answer),
        "applies": section.applies,
        "status": _words(shown.status_line(section)),
        "paragraphs": _all(section.paragraphs),
        "figures": [_figure_data(f, files) for f in section.figures],
        "tables": [_table_data(t) for t in section.tables],
    }


def _table_data(table: TableContent) -> dict[str, Any]:
    ready = shown.shown_table(table)
    needs = _column_needs(ready)
    upright = sum(needs) <= TEXT_WIDTH_PT / SMALLEST_SHARE
    room = TEXT_WIDTH_PT if upright else TURNED_WIDTH_PT
    return {
        "caption": _words(ready.caption),
        "columns": [
            {"heading": c.heading, "unit": c.unit, "numeric": c.numeric, "share": need}
            for c, need in zip(ready.columns, needs, strict=True)
        ],
        "turned": not upright,
        "size": TABLE_PT * min(1.0, room / sum(needs)),
        "rows": [_all(row) for row in ready.rows],
        "notes": _all(ready.notes),
    }


def _column_needs(table: ShownTable) -> list[float]:
    """Measure how much room each column wants at the usual size, in points.

    Numbers are never broken; words may wrap, but not within a word.
    """
    needs = []
    for place, column in enumerate(table.columns):
        cells = [drawable("".join(p["text"] for p in _words(row[place]))) for row in table.rows]
        head = [f"({column.unit})", *column.heading.split(" ")]
        least = max(_width(word, strong=True) for word in head)
        if column.numeric:
            # Half of a long heading, lest it become a column of single words.
            heading = min(_width(column.heading, strong=True) / 2, WIDEST_HEADING_PT)
            want = max([heading, *map(_width, cells)])
        else:
            want = min(max(map(_width, cells), default=0.0), WIDEST_WORDS_PT)
            least = max([least, *(_width(w) for cell in cells for w in _unbroken(cell))])
        needs.append(max(least, want) + CELL_PAD_PT)
    return needs


def _unbroken(cell: str) -> list[str]:
    return cell.replace(ZERO_WIDTH_SPACE, " ").split(" ")


def _width(words: str, *, strong: bool = False) -> float:
    # The size is given in points here, so the width comes in points.
    return text_width(words, TABLE_PT, strong=strong)


def _figure_data(figure: FigureContent, files: dict[str, bytes]) -> dict[str, Any]:
    pictures = []
    for place, drawing in enumerate(drawings(figure, "page")):
        name = f"{figure.key}-{place}.svg"
        # The paper of the screen is tinted, that of the printer is white.
        files[name] = drawing.svg.replace(PALETTE["paper"], "#ffffff").encode("utf-8")
        words = str(figure.alt()) if place == 0 else f"{figure.caption} (continued)"
        pictures.append({"file": name, "alt": visible(words)})
    return {
        "caption": _words(figure.caption),
        "notes": _all((*figure.notes, *figure.remarks())),
        "pictures": pictures,
    }
