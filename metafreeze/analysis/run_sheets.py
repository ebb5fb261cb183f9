"""A run sheet for a register: its lab, endpoint, gear and pair, and the batches to come."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import pandas as pd

from metafreeze.errors import InputError
from metafreeze.options import ENDPOINT_WORDS, Endpoint, require_choice
from metafreeze.planning.runsheet import RunSheet, draw_run_sheet

if TYPE_CHECKING:
    from metafreeze.register.folder.store import Register

DEFAULT_STARTS_C = (80.0, 20.0)
# A lot that nobody chose, short enough to write down.
LARGEST_SEED = 1_000_000
GEAR = ("vessel_material", "sink_type", "lid", "base_support")


def run_sheet(
    source: Register | None = None,
    *,
    vessels: int = 6,
    batches: int = 5,
    starts_c: Sequence[float] = (),
    endpoint: str = "",
    lab: str = "",
    positions: Sequence[str] = (),
    vessel: str = "",
    sink_type: str = "",
    sink_temp_c: float | None = None,
    lid: str = "",
    base_support: str = "",
    probe: tuple[float, float] | None = None,
    sham: bool = False,
    seed: int | None = None,
) -> RunSheet:
    """Draw places and order for the next batches, taking from a register what it knows.

    Parameters
    ----------
    source : Register, optional
        Gives lab, endpoint, planned pair, the number of the next batch, and the gear where all
        its runs of that lab were alike.
    vessels, batches : int
        Vessels that cool together, and how often.
    starts_c : sequence of float
        Start temperatures, °C; the plan's pair by default, else 80 and 20.
    endpoint, lab : str
        The register's own by default.
    positions, vessel, sink_type, lid, base_support, probe, sham
        As in `draw_run_sheet`.
    sink_temp_c : float, optional
        Temperature of the sink, for the cautions; the coldest of the register by default.
    seed : int, optional
        Draws the same sheet again; by default a new lot, whose number the sheet carries.

    Returns
    -------
    RunSheet

    Raises
    ------
    InputError
        No endpoint or no lab is known, or as in `draw_run_sheet`.
    """
    rows, plan = pd.DataFrame(), {}
    if source is not None:
        rows, plan = source.rows(), dict(source.plan)
        endpoint = endpoint or source.primary_endpoint
        lab = lab or source.lab or _only(rows, "lab_id")
    if not endpoint:
        listed = ", ".join(ENDPOINT_WORDS)
        raise InputError(
            f"No endpoint is known. Say what will be called frozen before the first run: {listed}."
        )
    if not lab:
        raise InputError(
            "No lab is known. Name the lab or kitchen, so that the sheet is read back with no "
            "question."
        )
    chosen: Endpoint = require_choice(endpoint, Endpoint, name="endpoint")  # type: ignore[assignment]
    own = rows[rows["lab_id"].eq(lab).fillna(False).to_numpy(dtype=bool)] if len(rows) else rows
    given = dict(zip(GEAR, (vessel, sink_type, lid, base_support), strict=True))
    gear = {name: word or _only(own, name) for name, word in given.items()}
    coldest = sink_temp_c
    if coldest is None:
        logged = own["sink_temp_c"].min() if len(own) else None
        coldest = float(logged) if logged is not None and pd.notna(logged) else 0.0
    return draw_run_sheet(
        tuple(starts_c) or tuple(plan.get("pair", DEFAULT_STARTS_C)),
        vessels=vessels,
        batches=batches,
        endpoint=chosen,
        seed=secrets.randbelow(LARGEST_SEED) if seed is None else seed,
        lab=lab,
        first_batch=_next_batch(own),
        positions=positions,
        vessel=gear["vessel_material"],
        sink_type=gear["sink_type"],
        coldest_sink_c=coldest,
        lid=gear["lid"],
        base_support=gear["base_support"],
        probe=probe,
        sham=sham,
    )


def _only(rows: pd.DataFrame, name: str) -> str:
    """Give the one value that all rows have; empty where they differ or say nothing."""
    values: list[Any] = list(rows[name].dropna().unique()) if name in rows else []
    return str(values[0]) if len(values) == 1 else ""


def _next_batch(rows: pd.DataFrame) -> int:
    """Count on from the largest number among the lab's own batches."""
    if "block_id" not in rows:
        return 1
    numbers = pd.to_numeric(rows["block_id"].dropna().astype(str), errors="coerce").dropna()
    return int(numbers.max()) + 1 if len(numbers) else 1
