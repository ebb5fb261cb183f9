"""The usual cautions, as data: which apply to which gear.

They are reminders, not instructions: local codes, licensed practice and supervision
prevail. Common practice of laboratories and kitchens, no single source, except where a
line names one.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple


class Caution(NamedTuple):
    """One caution.

    Parameters
    ----------
    name : str
        Short name of the hazard.
    gear : str
        Kind of gear it belongs to; ``always`` for every trial.
    short : str
        One line for a terminal.
    text : str
        The sentences for a page.
    """

    name: str
    gear: str
    short: str
    text: str


CAUTIONS: tuple[Caution, ...] = (
    Caution(
        "Scalds",
        "hot",
        "Hot water scalds: lidded carriers, mitts, eye protection.",
        "Use the lowest temperature that serves. Carry hot water lidded, with mitts and eye "
        "protection, and do not lean into a chest freezer with a hot vessel. If scalded: cool "
        "running water for 10 to 20 minutes, and seek care.",
    ),
    Caution(
        "Glass",
        "glass",
        "Glass cracks when shocked: borosilicate or metal, a pad on cold metal.",
        "Use borosilicate glass or metal, never scratched or soda-lime glass, and put a pad "
        "between hot glass and cold metal.",
    ),
    Caution(
        "Superheated water",
        "hot",
        "Water from a microwave can erupt when moved: prefer a kettle.",
        "Water overheated in a microwave oven may erupt when moved. Prefer a kettle; otherwise "
        "avoid clean smooth cups, put a wooden stick in, wait, and stand back.",
    ),
    Caution(
        "Sealed vessels",
        "sealed",
        "Ice needs 9 % more room: leave headspace, never heat a sealed vessel.",
        "Ice takes about 9 % more volume than water. Leave headspace, use flexible plastic and a "
        "shield, never heat a sealed vessel, and never seal dry ice in anything.",
    ),
    Caution(
        "Dry ice and liquid nitrogen",
        "cryogen",
        "Dry ice and liquid nitrogen: trained users only, ventilated rooms.",
        "They burn skin and displace air: 1 kg of dry ice gives about half a cubic metre of gas. "
        "Ventilate, use an oxygen or carbon dioxide alarm, and keep them out of lifts, vehicles, "
        "walk-in rooms and domestic freezers. For trained users only.",
    ),
    Caution(
        "Electricity",
        "always",
        "Mains near water: residual-current device, battery loggers, drip loops.",
        "Use a residual-current device, battery-powered loggers and drip loops. Do not defeat "
        "door seals or alter the wiring of a compressor.",
    ),
    Caution(
        "Food",
        "freezer",
        "Keep trials and food apart; never drink a sample.",
        "Use a freezer that holds no food: hot loads can thaw it. Never eat or drink samples. "
        "Label ice formers and dispose of them by local rules.",
    ),
    Caution(
        "Substances",
        "always",
        "Water only: no reactive metals, no flammable solvents in a freezer.",
        "Reactive metals and solvents have no place here: hydrogen, fire, caustic spray. A "
        "domestic freezer has spark sources; keep flammable vapour out of it.",
    ),
    Caution(
        "Outdoors",
        "outdoor",
        "Outdoors: slips, frostbite, darkness; never alone, never throw boiling water.",
        "Mind slips, frostbite, wind chill, ice on water and darkness. Never work alone, and do "
        "not throw boiling water.",
    ),
)

DEFERENCE = "Local codes, licensed practice and supervision come before these lines."

HOT_FROM_C = 45.0
CRYOGENIC_BELOW_C = -50.0


def cautions_for(gear: Iterable[str]) -> tuple[Caution, ...]:
    """Pick the cautions that fit the gear.

    Parameters
    ----------
    gear : iterable of str
        Any of hot, glass, sealed, cryogen, freezer, outdoor.

    Returns
    -------
    tuple of Caution
        Those of the gear and those that always hold, in their fixed order.
    """
    wanted = {*gear, "always"}
    return tuple(c for c in CAUTIONS if c.gear in wanted)


def gear_of(
    *,
    hottest_c: float = 100.0,
    coldest_sink_c: float = 0.0,
    vessels: Iterable[str] = (),
    lids: Iterable[str] = (),
    sinks: Iterable[str] = (),
) -> frozenset[str]:
    """Tell from a trial's own fields which gear was used.

    Parameters
    ----------
    hottest_c : float
        Highest start temperature, in °C.
    coldest_sink_c : float
        Lowest sink temperature, in °C.
    vessels, lids, sinks : iterable of str
        Values of `vessel_material`, `lid` and `sink_type`.

    Returns
    -------
    frozenset of str
        Kinds of gear for `cautions_for`.
    """
    gear = set()
    if hottest_c >= HOT_FROM_C:
        gear.add("hot")
    if coldest_sink_c <= CRYOGENIC_BELOW_C:
        gear.add("cryogen")
    if any(word in vessel.lower() for vessel in vessels for word in ("glass", "beaker", "jar")):
        gear.add("glass")
    if "sealed" in set(lids):
        gear.add("sealed")
    if set(sinks) & {"outdoor"}:
        gear.add("outdoor")
    if set(sinks) & {"freezer", "fan"} or not set(sinks):
        gear.add("freezer")
    return frozenset(gear)


def short_cautions() -> tuple[str, ...]:
    """Give one line per caution for a terminal, the deference last."""
    return (*(c.short for c in CAUTIONS), DEFERENCE)
