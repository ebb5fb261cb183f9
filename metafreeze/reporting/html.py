"""The report as one HTML file: no network, no script, nothing beside it.

The page is closed by its own policy: nothing may load, run, be framed in or be sent, and the
one style sheet is allowed by its hash. What others entered stands in isolated spans as text.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterable
from functools import cache
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from metafreeze.options import FigureWidth
from metafreeze.reporting import shown
from metafreeze.reporting.content import (
    Code,
    FigureContent,
    Fixed,
    Given,
    Number,
    Part,
    Report,
    Text,
)
from metafreeze.reporting.faces import faces_css
from metafreeze.reporting.figures.canvas import drawings
from metafreeze.reporting.figures.svg import Glyphs
from metafreeze.reporting.labels import LONGEST_LABEL, shortened, visible

TEMPLATES = Path(__file__).parent / "templates"
WIDTHS: tuple[FigureWidth, ...] = ("page", "phone")


def text_html(text: Text) -> Markup:
    """Write a sentence as HTML, given names isolated, numbers with their value.

    Parameters
    ----------
    text : Text
        The sentence.

    Returns
    -------
    Markup
    """
    return Markup("").join(_part_html(part) for part in text.parts)


def cell_html(text: Text) -> Markup:
    """Write a table's cell as HTML; a very long name opens to its whole length.

    Parameters
    ----------
    text : Text
        The cell.

    Returns
    -------
    Markup
    """
    return Markup("").join(
        _long_name_html(part.text)
        if isinstance(part, Given) and len(visible(part.text)) > LONGEST_LABEL
        else _part_html(part)
        for part in text.parts
    )


def _part_html(part: Part) -> Markup:
    if isinstance(part, Number):
        if part.fixed:
            return Markup('<span class="number fixed">{}</span>').format(str(part))
        # The same spelling as in results.json, also of a limit that is infinite.
        value = json.dumps(part.value)
        return Markup('<data class="number" value="{}">{}</data>').format(value, str(part))
    if isinstance(part, Given):
        return Markup('<bdi class="given">{}</bdi>').format(shortened(visible(part.text)))
    if isinstance(part, Fixed):
        return Markup('<span class="fixed">{}</span>').format(visible(part.text))
    if isinstance(part, Code):
        return Markup("<code>{}</code>").format(visible(part.text))
    return Markup("{}").format(part)


def _long_name_html(text: str) -> Markup:
    whole = visible(text)
    return Markup(
        '<details class="given"><summary><bdi>{}</bdi></summary><bdi>{}</bdi></details>'
    ).format(shortened(whole), whole)


def figure_html(figure: FigureContent, glyphs: Glyphs) -> Markup:
    """Write a figure's pictures, for a page and for a phone, as inline SVG.

    Parameters
    ----------
    figure : FigureContent
        The figure.
    glyphs : Glyphs
        The outlines of the whole page, to which the figure's are added.

    Returns
    -------
    Markup
        The alternative text stands on the first picture; further ones continue it.
    """
    alt = visible(str(figure.alt()))
    out = Markup("")
    for width in WIDTHS:
        inner = Markup("")
        for place, drawing in enumerate(drawings(figure, width)):
            words = alt if place == 0 else f"{visible(str(figure.caption))} (continued)"
            inner += Markup('<div class="picture" role="img" aria-label="{}">{}</div>').format(
                words, Markup(glyphs.share(drawing.svg))
            )
        out += Markup('<div class="for-{}">{}</div>').format(width, inner)
    return out


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["text"] = text_html
    environment.filters["cell"] = cell_html
    environment.filters["figure"] = figure_html
    environment.filters["shown_table"] = shown.shown_table
    environment.filters["status_line"] = shown.status_line
    environment.filters["trusted"] = Markup
    environment.filters["plain"] = lambda text: visible(str(text))
    environment.globals["shown"] = shown
    return environment


def style_sheet(texts: Iterable[str] = ()) -> str:
    """Give the page's style sheet, with the letters that its names need.

    Parameters
    ----------
    texts : iterable of str
        Every sentence of the page.

    Returns
    -------
    str
    """
    return faces_css(texts) + (TEMPLATES / "report.css").read_text("utf-8")


def content_policy(style: str) -> str:
    """Write the policy that closes the page, allowing this style sheet alone.

    Parameters
    ----------
    style : str
        The sheet as it stands between its tags.

    Returns
    -------
    str
    """
    digest = base64.b64encode(hashlib.sha256(style.encode("utf-8")).digest()).decode("ascii")
    fonts = "font-src data:; " if "@font-face" in style else ""
    return (
        f"default-src 'none'; style-src 'sha256-{digest}'; {fonts}"
        "base-uri 'none'; form-action 'none'"
    )


def render_html(report: Report) -> str:
    """Write a report as one HTML file.

    Parameters
    ----------
    report : Report
        The content.

    Returns
    -------
    str
        The whole file; the same content gives the same text.
    """
    style = style_sheet(visible(str(text)) for text in shown.texts_of(report))
    return (
        _environment()
        .get_template("report.html.j2")
        .render(
            report=report,
            style=Markup(style),
            policy=content_policy(style),
            methods=shown.sections_with_methods(report),
            glyphs=Glyphs(),
        )
    )


def render_fragment(report: Report) -> str:
    """Write a report for a notebook: the same parts without a page around them.

    Parameters
    ----------
    report : Report
        The content.

    Returns
    -------
    str
        An escaped fragment on a light ground, without scripts or a style sheet.
    """
    return _environment().get_template("fragment.html.j2").render(report=report, glyphs=Glyphs())
