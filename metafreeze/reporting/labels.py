"""Other people's words, made safe to look at: lab names, file names, remarks.

A name is shown as it was entered. What has no look of its own (controls, characters that
turn the direction of the text around them) is written as its code point instead.
"""

from __future__ import annotations

import unicodedata

# Longer names are shown by both ends; a name that differs in its last letter stays apart.
LONGEST_LABEL = 120
KEPT_AT_EACH_END = 50

# Embeddings, overrides and isolates act on the text around the name. The plain marks
# (U+200E, U+200F, U+061C) and the joiners act on their neighbours alone and belong to spelling.
_TURNING = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
_UNSEEN = frozenset(
    "\ufeff\u00ad\u180e\u2060\u2061\u2062\u2063\u2064\u206a\u206b\u206c\u206d\u206e\u206f"
)
_TAGS = range(0xE0000, 0xE1000)
_LINE_ENDS = frozenset("\n\r\t\v\f\x85\u2028\u2029")


def code_point(character: str) -> str:
    """Write a character as its code point in brackets.

    Parameters
    ----------
    character : str
        One character.

    Returns
    -------
    str
        As in ``[U+202E]``.
    """
    return f"[U+{ord(character):04X}]"


def visible(text: str) -> str:
    """Write a name so that it cannot act on what stands around it.

    Parameters
    ----------
    text : str
        As it was entered.

    Returns
    -------
    str
        Line ends and tabs become spaces; controls, lone surrogates, tags and characters that
        turn the direction of the text become their code point.
    """
    return "".join(_visible_character(c) for c in text)


def _visible_character(character: str) -> str:
    if character in _LINE_ENDS:
        return " "
    acts = (
        character in _TURNING
        or character in _UNSEEN
        or ord(character) in _TAGS
        or unicodedata.category(character) in ("Cc", "Cs", "Co")
    )
    return code_point(character) if acts else character


def shortened(text: str, *, longest: int = LONGEST_LABEL) -> str:
    """Show a very long name by both of its ends, and say so.

    Parameters
    ----------
    text : str
        The name, already visible.
    longest : int
        Names up to this many characters are left alone.

    Returns
    -------
    str
    """
    if len(text) <= longest:
        return text
    left_out = len(text) - 2 * KEPT_AT_EACH_END
    return f"{text[:KEPT_AT_EACH_END]} […{left_out} characters…] {text[-KEPT_AT_EACH_END:]}"
