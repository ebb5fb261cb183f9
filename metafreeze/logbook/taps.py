"""One tap on the page: what was seen or measured, of which vessel, and when."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from metafreeze.errors import InputError
from metafreeze.options import TapKind, choices, require_choice
from metafreeze.register.schema import FIELD

# What a page makes up for itself: enough random digits that no two ever meet.
_ID = re.compile(r"[0-9a-f]{16,64}")
LONGEST_NOTE = 500
LONGEST_NAME = 80

# 2000-01-01, in milliseconds: a clock before it was never set.
_EARLIEST_MS = 946_684_800_000
_DAY_MS = 86_400_000

# Taps that carry a number, and the field of the schema that it is.
MEASURED: dict[str, str] = {
    "start_temp": "start_temp_c",
    "mass_in": "water_mass_start_g",
    "mass_out": "water_mass_end_g",
}
# Taps that may speak of all vessels at once.
OF_ALL = ("round", "lid", "knocked", "note")

KIND_WORDS: dict[str, str] = {
    "in": "in",
    "liquid": "looked: still liquid",
    "partly": "looked: not yet solid",
    "round": "looked: no change in the others",
    "ice": "first ice",
    "solid": "solid",
    "knocked": "knocked",
    "lid": "lid opened",
    "start_temp": "start temperature",
    "mass_in": "mass in",
    "mass_out": "mass out",
    "note": "note",
    "undo": "undo",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Tap:
    """One tap.

    Parameters
    ----------
    id : str
        Made by the page; a tap sent twice is stored once.
    batch : str
        Id of the batch.
    kind : str
        One of `TapKind`.
    at_ms : int
        When it was tapped, milliseconds since 1970 by the clock of the server: the clock of
        the phone with the difference that the phone had last measured.
    vessel : str
        Name of the vessel; empty for all vessels of the batch.
    value : float, optional
        Number of a measurement, in the unit of its field.
    text : str
        Words of a note.
    target : str
        Id of the tap that an undo takes back.
    moved_ms : int
        How far the difference between the clocks had moved by the time of sending.
    """

    id: str
    batch: str
    kind: str
    at_ms: int
    vessel: str = ""
    value: float | None = None
    text: str = ""
    target: str = ""
    moved_ms: int = 0

    def to_dict(self) -> dict[str, Any]:
        """Give the members that say something."""
        plain = {
            "id": self.id,
            "batch": self.batch,
            "tap": self.kind,
            "vessel": self.vessel,
            "at_ms": self.at_ms,
            "value": self.value,
            "text": self.text,
            "target": self.target,
            "moved_ms": self.moved_ms,
        }
        return {name: value for name, value in plain.items() if value not in ("", None, 0)}

    @classmethod
    def from_dict(cls, plain: Mapping[str, Any]) -> Tap:
        """Read what `to_dict` wrote.

        Raises
        ------
        InputError
            A member is missing or of another kind: a register may come from a stranger.
        """
        value = plain.get("value")
        return cls(
            id=require_id(plain.get("id")),
            batch=require_id(plain.get("batch")),
            kind=require_choice(plain.get("tap"), TapKind, name="tap"),
            at_ms=require_member(plain, "at_ms", int),
            vessel=require_member(plain, "vessel", str, ""),
            value=None if value is None else float(require_member(plain, "value", (int, float))),
            text=require_member(plain, "text", str, ""),
            target=require_member(plain, "target", str, ""),
            moved_ms=require_member(plain, "moved_ms", int, 0),
        )


def read_tap(raw: object, *, offset_now_ms: int, now_ms: int) -> Tap:
    """Check a tap as a page sent it.

    Parameters
    ----------
    raw : object
        A mapping of `id`, `batch`, `tap`, `clock` (milliseconds by the phone), `offset` (server
        minus phone when it was tapped) and, where they apply, `vessel`, `value`, `text`, `target`.
    offset_now_ms : int
        Server minus phone as the page measured it for sending.
    now_ms : int
        The server's clock.

    Returns
    -------
    Tap

    Raises
    ------
    InputError
        A member is missing or is none that can be; the message names it.
    """
    if not isinstance(raw, Mapping):
        raise InputError("A tap is not an object of names and values.")
    kind = raw.get("tap")
    if kind not in choices(TapKind):
        raise InputError(f"The tap is {kind!r}. Use one of {', '.join(choices(TapKind))}.")
    clock, offset = _whole(raw, "clock"), _whole(raw, "offset")
    at_ms = clock + offset
    if not _EARLIEST_MS <= at_ms <= now_ms + _DAY_MS:
        raise InputError("The time of the tap is not near any day of ours. Set the phone's clock.")
    vessel = _words(raw, "vessel", LONGEST_NAME)
    if not vessel and kind not in (*OF_ALL, "undo"):
        raise InputError(f"The tap “{KIND_WORDS[str(kind)]}” names no vessel.")
    text = _words(raw, "text", LONGEST_NOTE)
    if kind == "note" and not text:
        raise InputError("The note is empty.")
    return Tap(
        id=require_id(raw.get("id")),
        batch=require_id(raw.get("batch")),
        kind=str(kind),
        at_ms=at_ms,
        vessel=vessel,
        value=_measured(raw, str(kind)),
        text=text,
        target=require_id(raw.get("target")) if kind == "undo" else "",
        moved_ms=offset_now_ms - offset,
    )


def require_id(value: object) -> str:
    """Return an id that a page made up.

    Raises
    ------
    InputError
        It is none.
    """
    if not isinstance(value, str) or not _ID.fullmatch(value):
        raise InputError(f"The id {value!r} is not one of 16 to 64 hexadecimal digits.")
    return value


def require_member(
    plain: Mapping[str, Any], name: str, kind: type | tuple[type, ...], default: Any = None
) -> Any:
    """Return a member of a stored event if it is of its kind.

    Raises
    ------
    InputError
        It is missing, or of another kind.
    """
    value = plain.get(name, default)
    if isinstance(value, bool) or not isinstance(value, kind):
        raise InputError(f"The {name} of a stored event is {value!r}.")
    return value


def _whole(raw: Mapping[str, Any], name: str) -> int:
    value = raw.get(name)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise InputError(f"The tap's {name} is {value!r}. Send milliseconds.")
    return round(value)


def _words(raw: Mapping[str, Any], name: str, longest: int) -> str:
    value = raw.get(name, "")
    if not isinstance(value, str):
        raise InputError(f"The tap's {name} is {value!r}. Send a text.")
    # A line break or a control character would not survive a table.
    tidy = " ".join("".join(c if c.isprintable() else " " for c in value).split())
    if len(tidy) > longest:
        raise InputError(f"The tap's {name} has {len(tidy)} characters. Send at most {longest}.")
    return tidy


def _measured(raw: Mapping[str, Any], kind: str) -> float | None:
    if kind not in MEASURED:
        return None
    field = FIELD[MEASURED[kind]]
    value = raw.get("value")
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise InputError(f"The {field.label} is {value!r}. Send a number.")
    if not field.low <= value <= field.high:
        raise InputError(
            f"The {field.label} is {value:g} {field.unit}. "
            f"Give {field.low:g} to {field.high:g} {field.unit}."
        )
    return float(value)
