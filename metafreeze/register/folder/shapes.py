"""What a journal line looks like inside: the kind of every member that is read later.

A line vouches for its bytes, not for who wrote it. One that comes from a stranger and names
no rows, a billion rows, or itself as its own predecessor is damage like any other.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import fields
from typing import Any

from metafreeze.options import Endpoint, choices
from metafreeze.register.answers import BINS, Answers

# No part comes near this; a claim beyond it would take the memory of the machine.
MOST_ROWS = 100_000_000

COUNTED = ("new", "already_there", "changed", "gone")
SETTINGS = ("title", "primary_endpoint", "lab", "plan")

_ENTRY = re.compile(r"e(\d{4,9})")

Test = Callable[[Any], bool]


def is_known_line(body: Mapping[str, Any]) -> bool:
    """Tell whether all members of a journal line that the register reads are of their kind.

    Parameters
    ----------
    body : mapping
        The line.

    Returns
    -------
    bool
        Members that this version does not know may be anything.
    """
    seq = body.get("seq")
    if not _is_number(seq) or not isinstance(body.get("kind"), str):
        return False
    return all(
        test(body[name])
        for name, test in (
            ("at", _is_text),
            ("version", _is_text),
            ("endpoint", _is_text),
            ("format", _is_count),
            ("schema", _is_count),
            ("settings", _is_settings),
            ("counts", _is_counts),
            ("part", _is_part),
            ("curves", _are_curves),
            ("target", lambda target: _is_before(target, seq)),
            ("corrections", lambda runs: _are_corrections(runs, seq)),
            ("files", lambda files: _each(files, _is_file)),
        )
        if name in body
    )


def _is_text(value: Any) -> bool:
    return isinstance(value, str)


def _is_flag(value: Any) -> bool:
    return isinstance(value, bool)


def _is_number(value: Any) -> bool:
    """Tell a whole number that may count rows or entries; true and false are none."""
    return isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= MOST_ROWS


def _is_count(value: Any) -> bool:
    return _is_number(value)


def _each(values: Any, test: Test) -> bool:
    return isinstance(values, list) and all(map(test, values))


def _maps(values: Any, names: tuple[str, ...] | None, test: Test) -> bool:
    """Tell a table whose names are among these, if any are given, and whose values pass."""
    return (
        isinstance(values, dict)
        and (names is None or set(values) <= set(names))
        and all(map(test, values.values()))
    )


def _is_before(entry: Any, seq: Any) -> bool:
    """Tell the name of an entry that came before this one."""
    match = _ENTRY.fullmatch(entry) if isinstance(entry, str) else None
    return match is not None and int(match[1]) < int(seq)


def _is_settings(value: Any) -> bool:
    if not isinstance(value, dict) or not set(value) <= set(SETTINGS):
        return False
    endpoint = value.get("primary_endpoint", "")
    return (
        isinstance(value.get("plan", {}), dict)
        and all(isinstance(text, str) for name, text in value.items() if name != "plan")
        and (endpoint == "" or endpoint in choices(Endpoint))
    )


def _is_counts(value: Any) -> bool:
    return _maps(value, COUNTED, _is_count)


def _is_part(value: Any) -> bool:
    return (
        isinstance(value, dict) and _is_text(value.get("sha256")) and _is_count(value.get("rows"))
    )


def _are_curves(value: Any) -> bool:
    return (
        isinstance(value, dict) and _is_text(value.get("sha256")) and _is_count(value.get("traces"))
    )


def _are_corrections(runs: Any, seq: Any) -> bool:
    return _each(
        runs,
        lambda run: (
            isinstance(run, list)
            and len(run) == 4
            and _is_before(run[1], seq)
            and all(map(_is_count, (run[0], run[2], run[3])))
        ),
    )


_ANSWERS = tuple(f.name for f in fields(Answers))


def _is_answer(value: Any) -> bool:
    return isinstance(value, str | bool) or _maps(value, None, _is_text)


# Members of a file, all of which are read.
_FILE: dict[str, Test] = {
    **dict.fromkeys(
        ("name", "sha256", "suffix", "kind", "shape", "series", "source", "lab"), _is_text
    ),
    **dict.fromkeys(("first", "rows"), _is_count),
    **dict.fromkeys(("unlabelled", "invented"), _is_flag),
    "runs": lambda runs: runs is None or _each(runs, _is_text),
    "head": lambda head: _each(head, _is_text),
    "ledger": lambda ledger: _maps(ledger, BINS, _is_count) and len(ledger) == len(BINS),
    "already": lambda held: _maps(held, None, lambda bins: _maps(bins, BINS, _is_count)),
    "dialect": lambda dialect: isinstance(dialect, dict),
    "answers": lambda answers: _maps(answers, _ANSWERS, _is_answer),
}


def _is_file(value: Any) -> bool:
    return (
        isinstance(value, dict)
        and set(value) == set(_FILE)
        and all(test(value[name]) for name, test in _FILE.items())
    )
