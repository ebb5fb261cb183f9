"""Lines above a table, read as keys and values."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from metafreeze.register.files.delimited import is_rule_line

_VALUE_AT_END = re.compile(
    r"(?P<key>\D.*?[^\s:=])\s+(?P<value>[0-9][0-9./:-]*(?:\s*[0-9:]{4,})?(?:\s*[^\W\d_]{1,3})?)\Z"
)
_PAIR = re.compile(r"(?P<key>[^\d:=,;\t][^:=,;\t]{0,59})[,;\t](?P<value>[^,;\t]+)\Z")
_KEY_FIRST = re.compile(r"(?P<key>[^:=]*[^:=\s])\s*(?::(?:\s+|\Z)|=\s*)(?P<value>.*)\Z", re.DOTALL)


def read_preamble(lines: Iterable[tuple[int, Sequence[str], str]]) -> dict[str, str]:
    """Read lines above a table as keys and values.

    Parameters
    ----------
    lines : iterable of (int, sequence of str, str)
        Row in the file, cells, and what separated them.

    Returns
    -------
    dict
        A line without a key is kept under its row, such as ``line 3``.
    """
    found: dict[str, str] = {}
    for number, cells, joiner in lines:
        filled = [c.strip() for c in cells if c.strip()]
        if not filled or is_rule_line(list(cells)):
            continue
        line = joiner.join(c.strip() for c in cells).strip(f"{joiner} \t").lstrip("#%/ \t").strip()
        if not line:
            continue
        # In a file of one column the lines above it may still be pairs.
        pair = _PAIR.match(line) if len(cells) == 1 else None
        if pair:
            key = pair["key"].strip()
            found[key if key not in found else f"{key} (line {number})"] = pair["value"].strip()
            continue
        colon = _KEY_FIRST.match(line)
        tail = _VALUE_AT_END.match(line)
        if colon and len(colon["key"]) <= 60:
            key, value = colon["key"], colon["value"].strip(f"{joiner} ")
        elif len(filled) >= 2 and joiner != " ":
            key = filled[0].lstrip("#%/ \t").rstrip(":")
            value = joiner.join(filled[1:])
        elif tail:
            key, value = tail["key"].rstrip(), tail["value"]
        else:
            key, value = f"line {number}", line
        found[key if key not in found else f"{key} (line {number})"] = value
    return found
