"""The two arms so far: an interim look, written in the register's journal before it is shown."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from metafreeze.logbook.batches import Batch
from metafreeze.logbook.courses import follow
from metafreeze.options import ENDPOINT_WORDS
from metafreeze.register.folder.sealing import SEAL
from metafreeze.register.folder.store import Register
from metafreeze.register.folder.writing import changing, write_entry

WARNING = (
    "Looking early invites stopping early. A series that is stopped when the wished result "
    "appears shows effects that are not there."
)

# Endpoints that a logbook records.
_RECORDED = ("t_first_ice", "t_solid")
# A start temperature belongs to an arm within this share of the distance between the two.
# A convention of ours, no source.
_NEAR = 0.25

# Start temperature in °C, not yet frozen at, frozen by (None: not seen), in seconds.
_Time = tuple[float, float, float | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Arm:
    """One arm so far.

    Parameters
    ----------
    name : {"hotter", "colder"}
        Which.
    low_c, high_c : float
        Lowest and highest start temperature in it.
    vessels : int
        Vessels watched.
    frozen : int
        Those that reached the endpoint.
    median_lower_s, median_upper_s : float
        The median time lies between these: the medians of the two ends of all windows. The upper
        one is infinite where too many are still waiting. NaN without vessels.
    """

    name: str
    low_c: float
    high_c: float
    vessels: int
    frozen: int
    median_lower_s: float
    median_upper_s: float

    def to_dict(self) -> dict[str, Any]:
        """Give the arm as plain values; what is not a finite number becomes null."""
        numbers = {
            "low_c": self.low_c,
            "high_c": self.high_c,
            "median_lower_s": self.median_lower_s,
            "median_upper_s": self.median_upper_s,
        }
        finite = {name: v if math.isfinite(v) else None for name, v in numbers.items()}
        return {"name": self.name, "vessels": self.vessels, "frozen": self.frozen, **finite}


def stopping_rule(plan: Mapping[str, Any]) -> str:
    """State the sealed stopping rule, or that there is none."""
    if SEAL not in plan:
        return "No plan is sealed for this register, so no rule says when the trials end."
    rule = str(plan.get("stopping_rule", ""))
    if not rule:
        return "The sealed plan does not say when the trials end."
    return f"The sealed rule for stopping: {rule}"


def look(register: Register, batch: Batch, *, wait_s: float) -> dict[str, Any]:
    """Write an interim look into the journal, then say how the two arms stand.

    Parameters
    ----------
    register : Register
        The register; its journal receives the look.
    batch : Batch
        The batch at hand, counted beside the stored rows while it is not stored.
    wait_s : float
        How long to wait for another writer.

    Returns
    -------
    dict
        `entry`, `endpoint` (in words), `warning`, `stopping_rule`, `arms` of the batch and
        `arms_stored` of the register, each a list of two or none, and `stored_rows`.

    Raises
    ------
    RegisterError
        The journal cannot be written; then nothing is shown.
    """
    rows = register.rows()
    plan = register.plan
    body = {
        "look": {
            "from": "logbook",
            "batch": batch.plan.name,
            "taps": len(batch.taps),
            "rows": len(rows),
            "stopping_rule": str(plan.get("stopping_rule", "")),
        }
    }
    with changing(register.path, wait_s=wait_s) as standing:
        entry = write_entry(register.path, standing, "look", body)
    endpoint = str(plan.get("endpoint", "")) or register.primary_endpoint
    if endpoint not in _RECORDED:
        endpoint = "t_solid"
    pair = _pair(plan)
    return {
        "entry": entry,
        "endpoint": ENDPOINT_WORDS[endpoint],
        "warning": WARNING,
        "stopping_rule": stopping_rule(plan),
        "arms": [arm.to_dict() for arm in split_arms(_times_of_batch(batch, endpoint), pair)],
        "arms_stored": [arm.to_dict() for arm in split_arms(_times_of_rows(rows, endpoint), pair)],
        "stored_rows": len(rows),
    }


def split_arms(times: Sequence[_Time], pair: tuple[float, float] | None) -> tuple[Arm, ...]:
    """Split vessels into the hotter and the colder arm.

    Parameters
    ----------
    times : sequence of (start temperature, lower, upper or None)
        In °C and seconds.
    pair : (hot, cold), optional
        Planned pair of start temperatures, °C; vessels far from both belong to neither. Without
        one, the widest gap between start temperatures parts the arms.

    Returns
    -------
    tuple of Arm
        Hotter, then colder; empty where there is one start temperature, or none.
    """
    starts = np.array([t[0] for t in times], dtype=float)
    if pair is not None:
        hot, cold = pair
        reach = _NEAR * (hot - cold)
        of_hot, of_cold = np.abs(starts - hot) <= reach, np.abs(starts - cold) <= reach
    else:
        distinct = np.unique(starts)
        if distinct.size < 2:
            return ()
        gap = int(np.argmax(np.diff(distinct)))
        of_cold = starts <= distinct[gap]
        of_hot = ~of_cold
    return (_arm("hotter", times, of_hot), _arm("colder", times, of_cold))


def _arm(name: str, times: Sequence[_Time], members: np.ndarray[Any, Any]) -> Arm:
    own = [t for t, member in zip(times, members, strict=True) if member]
    if not own:
        nothing = math.nan
        return Arm(
            name=name,
            low_c=nothing,
            high_c=nothing,
            vessels=0,
            frozen=0,
            median_lower_s=nothing,
            median_upper_s=nothing,
        )
    uppers = [math.inf if upper is None else upper for _, _, upper in own]
    return Arm(
        name=name,
        low_c=min(start for start, _, _ in own),
        high_c=max(start for start, _, _ in own),
        vessels=len(own),
        frozen=sum(upper is not None for _, _, upper in own),
        median_lower_s=_median([lower for _, lower, _ in own]),
        median_upper_s=_median(uppers),
    )


def _median(values: Sequence[float]) -> float:
    """Give the median; of two middle values one of which is infinite, infinity."""
    ordered = sorted(values)
    middle = len(ordered) // 2
    if len(ordered) % 2:
        return ordered[middle]
    return (ordered[middle - 1] + ordered[middle]) / 2


def _pair(plan: Mapping[str, Any]) -> tuple[float, float] | None:
    pair = plan.get("pair")
    return (float(max(pair)), float(min(pair))) if pair else None


def _times_of_batch(batch: Batch, endpoint: str) -> list[_Time]:
    if batch.is_closed:
        return []
    found: list[_Time] = []
    for course in follow(batch):
        start = {**course.vessel.fields, **course.measured}.get("start_temp_c")
        window = course.first_ice if endpoint == "t_first_ice" else course.solid
        if isinstance(start, (int, float)) and window is not None:
            found.append((float(start), window.lower_s, window.upper_s))
    return found


def _times_of_rows(rows: pd.DataFrame, endpoint: str) -> list[_Time]:
    kept = rows[
        rows["record_level"].eq("run")
        & rows["endpoint"].eq(endpoint)
        & rows["exclusion_reason"].isna()
        & rows["start_temp_c"].notna()
        & rows["time_lower_s"].notna()
    ]
    return [
        (float(start), float(lower), None if math.isnan(upper) else float(upper))
        for start, lower, upper in zip(
            kept["start_temp_c"], kept["time_lower_s"], kept["time_upper_s"], strict=True
        )
    ]
