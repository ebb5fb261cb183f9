"""A batch: vessels that go in together, what was tapped of them, and how it was closed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, cast

from metafreeze.errors import InputError
from metafreeze.logbook.taps import LONGEST_NAME, Tap, require_id, require_member
from metafreeze.options import Watching, require_choice
from metafreeze.register.schema import FIELD, Field

Value = str | float | int | bool

MOST_VESSELS = 200

# What a batch made on the page may say of all its vessels.
OFFERED = (
    "vessel_material",
    "sink_temp_c",
    "sink_type",
    "lid",
    "base_support",
    "water_type",
    "assignment",
)

# Fields of which the taps decide, and those that only the way in writes.
_TAPPED = ("endpoint", "time_lower_s", "time_upper_s", "inserted_at", "trigger_event")


def may_be_planned(planned: Field) -> bool:
    """Whether a vessel's plan may carry a field."""
    return bool(planned.sheets) and planned.name not in _TAPPED


@dataclass(frozen=True, slots=True, kw_only=True)
class Vessel:
    """A vessel as planned.

    Parameters
    ----------
    name : str
        Unique in its batch; the run's name.
    fields : mapping
        Fields of the schema that the plan states.
    """

    name: str
    fields: Mapping[str, Value] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchPlan:
    """A batch as begun.

    Parameters
    ----------
    id : str
        Made by the page that began it.
    name : str
        The batch's name in the register.
    lab : str
        The laboratory.
    watching : {"looks", "always"}
        Whether vessels are looked at now and then, or watched without a break.
    vessels : tuple of Vessel
        In their order.
    sheet : str
        Run sheet that it comes from; empty where it was made on the page.
    began_ms : int
        By the server's clock.
    """

    id: str
    name: str
    lab: str
    watching: Watching
    vessels: tuple[Vessel, ...]
    sheet: str = ""
    began_ms: int = 0

    def to_dict(self) -> dict[str, Any]:
        """Give the plan as plain values."""
        return {
            "id": self.id,
            "name": self.name,
            "lab": self.lab,
            "watching": self.watching,
            "sheet": self.sheet,
            "began_ms": self.began_ms,
            "vessels": [{"name": v.name, "fields": dict(v.fields)} for v in self.vessels],
        }

    @classmethod
    def from_dict(cls, plain: Mapping[str, Any]) -> BatchPlan:
        """Read what `to_dict` wrote.

        Raises
        ------
        InputError
            A member is missing or of another kind: a register may come from a stranger.
        """
        watching = require_choice(plain.get("watching"), Watching, name="watching")
        return cls(
            id=require_id(plain.get("id")),
            name=require_member(plain, "name", str),
            lab=require_member(plain, "lab", str),
            watching=cast(Watching, watching),
            sheet=require_member(plain, "sheet", str),
            began_ms=require_member(plain, "began_ms", int),
            vessels=tuple(_stored_vessel(v) for v in require_member(plain, "vessels", list)),
        )


def _stored_vessel(plain: object) -> Vessel:
    if not isinstance(plain, Mapping):
        raise InputError(f"A vessel of a stored batch is {plain!r}.")
    fields = require_member(plain, "fields", Mapping)
    for name, value in fields.items():
        if name not in FIELD or not isinstance(value, (str, int, float)):
            raise InputError(f"A vessel of a stored batch has {name!r}: {value!r}.")
    return Vessel(name=require_member(plain, "name", str), fields=fields)


@dataclass(frozen=True, slots=True, kw_only=True)
class Closing:
    """A batch stored in the register.

    Parameters
    ----------
    seq : int
        Number of the last event that was stored.
    entry : str
        Entry of the register; empty where all its rows were there already.
    at_ms : int
        By the server's clock.
    """

    seq: int
    entry: str
    at_ms: int


class Batch:
    """A batch with everything tapped so far.

    Parameters
    ----------
    plan : BatchPlan
        As begun.
    """

    def __init__(self, plan: BatchPlan) -> None:
        self.plan = plan
        self.taps: list[tuple[int, Tap]] = []
        self.closings: list[Closing] = []

    @property
    def last_seq(self) -> int:
        """Number of its last tap; -1 before any."""
        return self.taps[-1][0] if self.taps else -1

    @property
    def is_closed(self) -> bool:
        """Whether all its taps are in the register."""
        return bool(self.closings) and self.closings[-1].seq >= self.last_seq

    def standing(self) -> list[Tap]:
        """Give the taps that were not taken back, in the order of their times."""
        undone = {tap.target for _, tap in self.taps if tap.kind == "undo"}
        kept = [
            (tap.at_ms, seq, tap)
            for seq, tap in self.taps
            if tap.kind != "undo" and tap.id not in undone
        ]
        return [tap for _, _, tap in sorted(kept, key=lambda item: item[:2])]


def make_batch(
    raw: object, *, planned: Sequence[BatchPlan], taken: Iterable[str], lab: str, now_ms: int
) -> BatchPlan:
    """Make a batch as a page asks for it: one of the run sheet, or a fresh one.

    Parameters
    ----------
    raw : object
        A mapping of `id`, `watching` and either `sheet_batch`, the place of the batch in the run
        sheet, or `name`, `vessels` (how many), `start_temps_c` (dealt out in turn) and `fields`;
        `lab` where the register has none.
    planned : sequence of BatchPlan
        Batches of the run sheet.
    taken : iterable of str
        Names of the batches that there are.
    lab : str
        The register's lab.
    now_ms : int
        The server's clock.

    Returns
    -------
    BatchPlan

    Raises
    ------
    InputError
        A member is missing or is none that can be; the message names it.
    """
    if not isinstance(raw, Mapping):
        raise InputError("The batch is not an object of names and values.")
    batch_id = require_id(raw.get("id"))
    watching = require_choice(raw.get("watching", "looks"), Watching, name="watching")
    if "sheet_batch" in raw:
        place = raw["sheet_batch"]
        if not isinstance(place, int) or not 0 <= place < len(planned):
            raise InputError(f"The run sheet has no batch {place!r}.")
        one = planned[place]
        name, vessels, lab, sheet = one.name, one.vessels, one.lab or lab, one.sheet
    else:
        name = _text(raw, "name", "the batch's name")
        vessels, sheet = _fresh_vessels(raw), ""
    lab = lab or _text(raw, "lab", "the lab")
    if not lab:
        raise InputError("The lab has no name. Write where this freezer stands.")
    name = name or _free_name(set(taken), now_ms)
    if name in set(taken):
        raise InputError(f"There is a batch “{name}” already. Give this one another name.")
    return BatchPlan(
        id=batch_id,
        name=name,
        lab=lab,
        watching=cast(Watching, watching),
        vessels=vessels,
        sheet=sheet,
        began_ms=now_ms,
    )


def _free_name(taken: set[str], now_ms: int) -> str:
    """Name a batch by its day, and by a number from the second of that day on."""
    day = datetime.fromtimestamp(now_ms / 1000).date().isoformat()
    names = [day, *(f"{day} ({k})" for k in range(2, len(taken) + 3))]
    return next(name for name in names if name not in taken)


def _text(raw: Mapping[str, Any], name: str, what: str) -> str:
    value = raw.get(name, "")
    if not isinstance(value, str) or len(value) > LONGEST_NAME or not value.isprintable():
        raise InputError(f"For {what}, give one line of at most {LONGEST_NAME} characters.")
    return value.strip()


def _fresh_vessels(raw: Mapping[str, Any]) -> tuple[Vessel, ...]:
    count = raw.get("vessels")
    if isinstance(count, bool) or not isinstance(count, int) or not 1 <= count <= MOST_VESSELS:
        raise InputError(f"The number of vessels is {count!r}. Give 1 to {MOST_VESSELS}.")
    temps = raw.get("start_temps_c", [])
    if not isinstance(temps, list):
        raise InputError("The start temperatures are no list of numbers.")
    dealt = [_require_field(FIELD["start_temp_c"], t) for t in temps]
    given = raw.get("fields", {})
    if not isinstance(given, Mapping) or not set(given) <= set(OFFERED):
        raise InputError(f"The batch's fields can be {', '.join(OFFERED)}.")
    shared = {name: _require_field(FIELD[name], value) for name, value in given.items()}
    vessels = []
    for place in range(count):
        fields = dict(shared)
        if dealt:
            fields["start_temp_c"] = dealt[place % len(dealt)]
        vessels.append(Vessel(name=str(place + 1), fields=fields))
    return tuple(vessels)


def _require_field(planned: Field, value: object) -> Value:
    if planned.kind == "number":
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise InputError(f"The {planned.label} is {value!r}. Give a number.")
        if not planned.low <= value <= planned.high:
            raise InputError(
                f"The {planned.label} is {value:g} {planned.unit}. "
                f"Give {planned.low:g} to {planned.high:g} {planned.unit}."
            )
        return float(value)
    if not isinstance(value, str) or len(value) > LONGEST_NAME or not value.isprintable():
        raise InputError(f"For the {planned.label}, give one line of words.")
    if planned.vocabulary and value not in planned.vocabulary:
        listed = ", ".join(planned.vocabulary)
        raise InputError(f"The {planned.label} is “{value}”. Use one of {listed}.")
    return value
