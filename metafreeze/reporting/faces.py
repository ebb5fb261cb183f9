"""Letters that a reader's machine may lack, carried inside the page.

Names come in many scripts. Latin, Greek and Cyrillic every machine can show; of the other
shipped fonts the page carries just the letters that its names need, a few kilobytes.
"""

from __future__ import annotations

import base64
import io
import unicodedata
from collections.abc import Iterable
from functools import cache
from pathlib import Path

from metafreeze.reporting.lettering import NORMAL, font_files

FAMILY = "metafreeze scripts"


def faces_css(texts: Iterable[str]) -> str:
    """Write the style rules that bring the letters with them.

    Parameters
    ----------
    texts : iterable of str
        Every sentence of the page.

    Returns
    -------
    str
        One rule for each font that is needed; empty where Latin, Greek and Cyrillic suffice. A
        character that no shipped font has is left to the reader's machine.
    """
    common, *others = font_files()[NORMAL]
    # A browser takes some letters apart, or joins them, before it looks for their shapes.
    needed = {
        character
        for text in texts
        for form in ("NFC", "NFKD")
        for character in (*text, *unicodedata.normalize(form, text))
    }
    missing = {ord(c) for c in needed if ord(c) > 0x7F} - _coverage(common)
    rules = []
    for path in others:
        here = missing & _coverage(path)
        missing -= here
        # Signs alone (arrows, dashes) need no font of ours: every machine has them.
        if any(chr(number).isalpha() for number in here):
            rules.append(_rule(path, frozenset(here)))
    return "".join(rules)


@cache
def _coverage(path: Path) -> frozenset[int]:
    from matplotlib.ft2font import FT2Font

    return frozenset(FT2Font(str(path)).get_charmap())


@cache
def _rule(path: Path, numbers: frozenset[int]) -> str:
    data = base64.b64encode(_part_of_font(path, numbers)).decode("ascii")
    which = ", ".join(f"U+{number:X}" for number in sorted(numbers))
    return (
        f'@font-face {{ font-family: "{FAMILY}"; font-display: block; '
        f'src: url(data:font/woff;base64,{data}) format("woff"); unicode-range: {which}; }}\n'
    )


def _part_of_font(path: Path, numbers: frozenset[int]) -> bytes:
    """Cut a font down to some characters, keeping how they join; the same bytes each time."""
    from fontTools import subset
    from fontTools.ttLib import TTFont

    options = subset.Options()
    options.hinting = False
    options.layout_features = ["*"]
    options.name_IDs = [1]
    options.drop_tables += ["FFTM"]
    out = io.BytesIO()
    with TTFont(path, recalcTimestamp=False) as whole:
        cutter = subset.Subsetter(options)
        cutter.populate(unicodes=sorted(numbers))
        cutter.subset(whole)
        whole.flavor = "woff"
        whole.save(out)
    return out.getvalue()
