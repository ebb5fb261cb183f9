"""The fonts of figures and PDF: which files, what they cover, what stands for the rest.

A folder named like this file's subject holds the fonts and their licences. No font of the
machine is used, so a report looks the same wherever it is made.
"""

from __future__ import annotations

import unicodedata
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from metafreeze.reporting.labels import code_point, visible

if TYPE_CHECKING:
    from matplotlib.font_manager import FontProperties

FOLDER = Path(__file__).parent / "fonts"

# Under this name the files are known to matplotlib, lest a font of the machine with the
# same family name be taken instead.
FAMILIES = (
    "metafreeze letters",
    "metafreeze scripts",
    "metafreeze devanagari",
    "metafreeze thai",
    "metafreeze ideographs",
)
NORMAL, STRONG = 400, 600

# A CSS pixel is 1/96 inch, a point 1/72 inch (CSS Values and Units Level 4, section 6.2).
POINTS_PER_PIXEL = 0.75

# Zero-width marks of spelling: joiners, direction marks, variation selectors. A font need not
# hold them, and leaving them out of a drawing takes away nothing that could be seen.
_WEIGHTLESS = frozenset([0x200B, 0x200C, 0x200D, 0x200E, 0x200F, 0x061C, *range(0xFE00, 0xFE10)])


def _matplotlib_fonts() -> Path:
    import matplotlib

    return Path(matplotlib.get_data_path()) / "fonts" / "ttf"


def font_files() -> dict[int, tuple[Path, ...]]:
    """List the font files of each weight in the order in which they are asked for a glyph.

    Returns
    -------
    dict of int to tuple of Path
    """
    rest = tuple(
        FOLDER / name
        for name in (
            "NotoSansDevanagari-Regular.ttf",
            "NotoSansThai-Regular.ttf",
            "NotoSansCJK-part.otf",
        )
    )
    scripts = _matplotlib_fonts()
    return {
        NORMAL: (FOLDER / "Inter-Regular.otf", scripts / "DejaVuSans.ttf", *rest),
        STRONG: (FOLDER / "Inter-SemiBold.otf", scripts / "DejaVuSans-Bold.ttf", *rest),
    }


@cache
def _covered() -> frozenset[int]:
    from matplotlib.ft2font import FT2Font

    held = [set(FT2Font(str(path)).get_charmap()) for path in font_files()[NORMAL]]
    return frozenset(set().union(*held))


def drawable(text: str) -> str:
    """Write a text with the shipped fonts, code points standing for what they lack.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str
        As in ``[U+0E01]`` for a missing character; nothing is ever drawn as an empty box.
    """
    covered = _covered()
    out = []
    for character in visible(text):
        number = ord(character)
        if number in covered:
            out.append(character)
        elif number not in _WEIGHTLESS:
            out.append(code_point(character))
    return "".join(out)


def lacks_glyphs(text: str) -> bool:
    """Tell whether some character of a text has no glyph in the shipped fonts.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    bool
    """
    covered = _covered() | _WEIGHTLESS
    return any(ord(c) not in covered for c in visible(text))


@cache
def _register() -> None:
    from matplotlib import font_manager

    for weight, paths in font_files().items():
        for family, path in zip(FAMILIES, paths, strict=True):
            entry = font_manager.ttfFontProperty(font_manager.get_font(str(path)))
            font_manager.fontManager.ttflist.append(
                replace(entry, fname=str(path), name=family, weight=weight, style="normal")
            )


def font(size_px: float, *, strong: bool = False) -> FontProperties:
    """Give the lettering of figures at a size.

    Parameters
    ----------
    size_px : float
        Height of the em square in CSS pixels.
    strong : bool
        The heavier weight.

    Returns
    -------
    FontProperties
    """
    from matplotlib.font_manager import FontProperties

    _register()
    return FontProperties(
        family=list(FAMILIES),
        weight=STRONG if strong else NORMAL,
        size=size_px * POINTS_PER_PIXEL,
    )


def text_width(text: str, size_px: float, *, strong: bool = False) -> float:
    """Measure a line of text.

    Parameters
    ----------
    text : str
        One line, drawable.
    size_px : float
        Size of the lettering, px.
    strong : bool
        The heavier weight.

    Returns
    -------
    float
        Width, px.
    """
    return _em_width(text, strong) * size_px


@cache
def _em_width(text: str, strong: bool) -> float:
    from matplotlib.textpath import TextToPath

    # The width at one size serves all: outlines are unhinted and scale.
    size_px = 100.0
    width, _, _ = TextToPath().get_text_width_height_descent(
        text, font(size_px, strong=strong), ismath=False
    )
    return float(width) / POINTS_PER_PIXEL / size_px


def wrapped(text: str, width_px: float, size_px: float, *, strong: bool = False) -> list[str]:
    """Break a text into lines of a given width; nothing is cut off.

    Parameters
    ----------
    text : str
        Drawable text.
    width_px : float
        Most that a line may measure, px.
    size_px : float
        Size of the lettering, px.
    strong : bool
        The heavier weight.

    Returns
    -------
    list of str
        At least one line. A word wider than a line is broken between characters.
    """
    lines: list[str] = []
    line = ""
    for word in _breakable(text):
        trial = line + word
        if text_width(trial.rstrip(), size_px, strong=strong) <= width_px:
            line = trial
            continue
        if line.strip():
            lines.append(line.rstrip())
        line = word.lstrip()
        while text_width(line.rstrip(), size_px, strong=strong) > width_px and len(line) > 1:
            fits = _longest_fit(line, width_px, size_px, strong)
            lines.append(line[:fits])
            line = line[fits:]
    if line.strip() or not lines:
        lines.append(line.rstrip())
    return lines


def _breakable(text: str) -> list[str]:
    """Cut a text after spaces, hyphens, slashes and underscores, keeping them."""
    words, word = [], ""
    for character in text:
        word += character
        if character in " -/_–—]":
            words.append(word)
            word = ""
    return [*words, word] if word else words


def _longest_fit(line: str, width_px: float, size_px: float, strong: bool) -> int:
    low, high = 1, len(line)
    while low < high:
        middle = (low + high + 1) // 2
        if text_width(line[:middle], size_px, strong=strong) <= width_px:
            low = middle
        else:
            high = middle - 1
    # A mark stays with the letter that carries it.
    while low > 1 and low < len(line) and unicodedata.combining(line[low]):
        low -= 1
    return low
