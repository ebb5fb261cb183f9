"""The run sheet: what to start where and when, with room for what will be seen."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from metafreeze.cautions import DEFERENCE, Caution, cautions_for, gear_of
from metafreeze.errors import InputError
from metafreeze.options import ENDPOINT_WORDS, Endpoint, require_choice
from metafreeze.planning.allocation import allocate, sham_pairs
from metafreeze.register.schema import FIELD
from metafreeze.register.templates import heading_of
from metafreeze.results import RESULT, Result

FREEZE_TIME = "freeze time (min)"
AIM = "aim "
SHAM_LABELS = ("", "A", "B")
HOTTEST_C, COLDEST_C = 100.0, 0.0

# In the order in which a batch is done. "time" is the column of freezing times.
COLUMNS = (
    "lab_id",
    "block_id",
    "run_id",
    "insertion_order",
    "position_id",
    "vessel_material",
    "arm",
    "sham",
    "start_temp_c",
    "water_mass_start_g",
    "sink_temp_c",
    "frost_before_mm",
    "time",
    "water_mass_end_g",
    "frost_melted",
    "trigger_event",
    "sink_type",
    "lid",
    "base_support",
    "probe_height_frac",
    "probe_radial_frac",
    "probe_offset_zero_k",
    "assignment",
    "endpoint",
    "remark",
)
# What an endpoint needs beside a time, or in its place.
ENDPOINT_NEEDS: dict[str, tuple[str, ...]] = {
    "t_threshold": ("threshold_c",),
    "t_residual": ("residual_from_c", "residual_endpoint"),
    "ice_at_time": ("at_time_s", "ice_mass_g"),
}

# Common practice of careful trials, no single source.
CHECKS = (
    "Weigh each vessel empty, with its water when it goes in, and again when its run ends.",
    "Start temperature: what the thermometer in the vessel says as it goes in, not the aim.",
    "Freezer: read its temperature before the door opens, and write down how much frost lies "
    "under each place. A wire rack keeps frost from touching a vessel. Look again afterwards.",
    "Places and order are drawn by lot. Keep to them; where you could not, write what you did.",
    "Keep the door shut and the bench still; write down every door, knock and moved probe.",
    "Probes: zero each one in ice water with ice left in it; same height and radius in every "
    "vessel.",
    "Looked now and then: write both looks, 65-70. Not frozen when you left: >180.",
    "Keep every run, also the odd ones, and say what was odd. Finish all batches before you look "
    "at the answer.",
)


@dataclass(**RESULT)
class RunSheet(Result):
    """Random places and order for the batches to come.

    Parameters
    ----------
    table : DataFrame
        One row a vessel, in the order of insertion; columns are fields of the schema, and
        ``time``. Empty cells are to be filled in.
    endpoint : str
        The event that will be timed.
    starts_c : tuple of float
        Start temperatures aimed at, °C.
    batches, vessels : int
    gear : tuple of str
        Kinds of gear, for the cautions.
    checks : tuple of str
    seed : int
        Draws the same sheet again.
    """

    table: pd.DataFrame
    endpoint: str
    starts_c: tuple[float, ...]
    batches: int
    vessels: int
    gear: tuple[str, ...]
    checks: tuple[str, ...]
    seed: int

    @property
    def cautions(self) -> tuple[Caution, ...]:
        """The cautions that fit the gear."""
        return cautions_for(self.gear)

    @property
    def deference(self) -> str:
        """What comes before all cautions."""
        return DEFERENCE

    def to_frame(self) -> pd.DataFrame:
        """Give one row a vessel."""
        return self.table.copy()

    def headline(self) -> str:
        """Say what was drawn in one line."""
        starts = ", ".join(f"{t:g}" for t in self.starts_c)
        return (
            f"{self.batches} batches of {self.vessels} vessels at {starts} °C, places and order "
            f"drawn with seed {self.seed}"
        )


def draw_run_sheet(
    starts_c: Sequence[float],
    *,
    vessels: int,
    batches: int,
    endpoint: Endpoint,
    seed: int,
    lab: str = "",
    first_batch: int = 1,
    positions: Sequence[str] = (),
    vessel: str = "",
    sink_type: str = "",
    coldest_sink_c: float = 0.0,
    lid: str = "",
    base_support: str = "",
    probe: tuple[float, float] | None = None,
    sham: bool = False,
) -> RunSheet:
    """Draw a run sheet.

    When to use it: before every series. It takes place, order and habit out of the comparison;
    sham pairs show what handling alone does.

    Parameters
    ----------
    starts_c : sequence of float
        Start temperatures to aim at, °C.
    vessels, batches : int
        Vessels that cool together, and how often.
    endpoint : str
        The event to be timed.
    seed : int
        Seed of the lot.
    lab : str
        Written on every row.
    first_batch : int
        Number of the first batch.
    positions : sequence of str
        Names of the places; P1, P2 and so on by default.
    vessel, sink_type, lid, base_support : str
        Gear alike for all runs, as in the schema; empty where it is to be filled in.
    coldest_sink_c : float
        Lowest temperature of the sink, for the cautions.
    probe : pair of float, optional
        Height and radius of the probe, as shares of depth and radius, alike in all vessels.
    sham : bool
        Whether each batch has a pair that differs by its label only.

    Returns
    -------
    RunSheet

    Raises
    ------
    InputError
        A temperature outside 0 to 100 °C or named twice, too few vessels, wrong number of
        places, or an unknown word.

    Source
    ------
    See `metafreeze.planning.allocation.allocate`.
    """
    starts = _require_starts(starts_c)
    require_choice(endpoint, Endpoint, name="endpoint")
    if vessels < len(starts):
        raise InputError(
            f"{vessels} vessels cannot hold {len(starts)} start temperatures in one batch, and "
            "only vessels that cool together are compared. Give more vessels or fewer temperatures."
        )
    places = tuple(positions) or tuple(f"P{k}" for k in range(1, vessels + 1))
    if len(set(places)) != vessels:
        raise InputError(
            f"{len(set(places))} places are named for {vessels} vessels. Name each place once."
        )
    words = {"sink_type": sink_type, "lid": lid, "base_support": base_support}
    for name, word in words.items():
        allowed = FIELD[name].vocabulary
        if word and word not in allowed:
            raise InputError(f"{name} is {word!r}. Choose one of {', '.join(allowed)}.")
    rng = np.random.default_rng(seed)
    dealt = allocate(len(starts), batches=batches, vessels=vessels, rng=rng)
    label = sham_pairs(dealt.temperature, rng) if sham else np.zeros_like(dealt.temperature)
    lines: list[dict[str, Any]] = []
    for batch in range(batches):
        number = first_batch + batch
        for turn, place in enumerate(np.argsort(dealt.order[batch]), start=1):
            lines.append(
                {
                    "lab_id": lab,
                    "block_id": str(number),
                    "run_id": f"{number}-{turn}",
                    "insertion_order": turn,
                    "position_id": places[place],
                    "vessel_material": vessel,
                    "arm": f"{AIM}{starts[dealt.temperature[batch, place]]:g} °C",
                    "sham": SHAM_LABELS[label[batch, place]],
                    **words,
                    "probe_height_frac": "" if probe is None else probe[0],
                    "probe_radial_frac": "" if probe is None else probe[1],
                    "assignment": "randomised",
                    "endpoint": endpoint,
                }
            )
    needs = ENDPOINT_NEEDS.get(endpoint, ())
    columns = [c for c in COLUMNS if c != "time" or endpoint != "ice_at_time"]
    where = columns.index("water_mass_end_g")
    columns[where:where] = needs
    table = pd.DataFrame(lines).reindex(columns=columns).astype(object)
    gear = gear_of(
        hottest_c=max(starts),
        coldest_sink_c=coldest_sink_c,
        vessels=[vessel] if vessel else ["glass or other"],
        lids=[lid or "sealed"],
        sinks=[sink_type] if sink_type else [],
    )
    return RunSheet(
        table=table.where(table.notna(), ""),
        endpoint=endpoint,
        starts_c=starts,
        batches=batches,
        vessels=vessels,
        gear=tuple(sorted(gear)),
        checks=(f"Write down when it {_event(endpoint)}.", *CHECKS),
        seed=seed,
    )


def _event(endpoint: str) -> str:
    """Say the event after "it"."""
    if endpoint == "t_solid":
        return "was fully frozen: prodded solid, or the probe at −5 °C. A skin is not solid"
    if endpoint == "ice_at_time":
        return "was taken out, and the mass of ice"
    if endpoint == "t_residual":
        return "passed the colder one's start, and when it froze"
    if endpoint == "t_threshold":
        return "first stayed below the temperature named"
    return ENDPOINT_WORDS[endpoint]


def _require_starts(starts_c: Sequence[float]) -> tuple[float, ...]:
    starts = tuple(float(t) for t in starts_c)
    for t in starts:
        if not COLDEST_C <= t <= HOTTEST_C:
            raise InputError(f"Start temperature {t:g} °C is not water's. Give 0 to 100 °C.")
    if len(set(starts)) < max(len(starts), 2):
        listed = ", ".join(f"{t:g}" for t in starts)
        raise InputError(
            f"Start temperatures are {listed or 'missing'}. Give at least two, each once; vessels "
            "are shared out among them."
        )
    return starts


def sheet_headings(sheet: RunSheet) -> tuple[str, ...]:
    """Give the heading of each column as it is written and read back.

    Parameters
    ----------
    sheet : RunSheet

    Returns
    -------
    tuple of str
    """
    return tuple(
        FREEZE_TIME if name == "time" else heading_of(FIELD[name]) for name in sheet.table.columns
    )


def sheet_csv(sheet: RunSheet) -> bytes:
    """Write the sheet as CSV, which `metafreeze add` reads back once it is filled in.

    Parameters
    ----------
    sheet : RunSheet

    Returns
    -------
    bytes
        With a byte-order mark, without which spreadsheets spoil "°C".
    """
    stream = io.StringIO(newline="")
    writer = csv.writer(stream)
    writer.writerow(sheet_headings(sheet))
    writer.writerows(sheet.table.itertuples(index=False, name=None))
    return stream.getvalue().encode("utf-8-sig")
