"""What stands above a table about its time: interval, start, zone, labels."""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np
import pyarrow as pa

from metafreeze.register.files.dates import parse_dates
from metafreeze.register.meaning.units import find_unit
from metafreeze.register.traces.clocks import zone_in

_INTERVAL_KEY = re.compile(
    r"interval|period|every|rate|sampl|takt|cadence|\bstep\b|intervalle|intervalo|间隔|間隔|freq",
    re.IGNORECASE,
)
_QUANTITY = re.compile(
    r"(?P<value>[0-9]+(?:[.,][0-9]+)?)\s*(?P<unit>hz|/s|per second|samples/s|[a-zµ]+)?", re.I
)
_START_KEY = re.compile(r"start|begin|began|first|from|anfang|beginn|début|inicio|开始", re.I)
_LABEL_START = re.compile(
    r"(?:start(?:ing)?|from|anfang|initial|begins?)\D{0,16}?(-?[0-9]+(?:[.,][0-9]+)?)\s*"
    r"(°\s*[CFK]|deg\s*[CFK]|[CFK])\b",
    re.IGNORECASE,
)
_OFFSET_KEY = re.compile(r"offset|correction|calibrat|abgleich|korrektur", re.IGNORECASE)


def stated_interval(notes: Mapping[str, str]) -> tuple[float, str]:
    """Find the time between readings that is stated above a table.

    Parameters
    ----------
    notes : mapping of str to str
        Lines above the table.

    Returns
    -------
    seconds : float
        NaN where none is stated.
    line : str
        The line that states it.
    """
    for key, value in notes.items():
        if not _INTERVAL_KEY.search(key):
            continue
        seconds = read_interval(value, key)
        if seconds > 0:
            return seconds, f"{key}: {value}"
    return float("nan"), ""


def read_interval(text: str, key: str = "") -> float:
    """Read a time between readings or a rate, in seconds; NaN where the text is neither.

    Parameters
    ----------
    text : str
        Such as ``60 s``, ``00:00:30``, ``2 Hz``.
    key : str
        What stands before it, which may hold the unit.

    Returns
    -------
    float
    """
    clock = re.search(r"([0-9]+):([0-9]{2})(?::([0-9]{2}(?:[.,][0-9]+)?))?", text)
    if clock:
        if clock[3] is not None:
            return int(clock[1]) * 3600 + int(clock[2]) * 60 + float(clock[3].replace(",", "."))
        hours = re.search(r"hh?:mm(?!:)", f"{key} {text}", re.IGNORECASE)
        return (int(clock[1]) * 60 + int(clock[2])) * (60.0 if hours else 1.0)
    match = _QUANTITY.search(text)
    if match is None:
        return float("nan")
    value = float(match["value"].replace(",", "."))
    unit_text = (match["unit"] or "").casefold()
    rate = unit_text in ("hz", "/s", "per second", "samples/s")
    if not unit_text:
        inside = re.search(r"[(\[]([^()\[\]]+)[)\]]", key)
        unit_text = inside[1].strip().casefold() if inside else ""
        rate = unit_text in ("hz", "/s") or bool(re.search(r"\b(?:rate|freq)", key, re.I))
    if rate:
        return 1 / value if value > 0 else float("nan")
    unit = find_unit(unit_text, dimension="time") if unit_text else None
    if unit is None or unit.clock:
        return float("nan")
    return unit.convert_one(value)


def stated_start(notes: Mapping[str, str], day_order: str = "") -> str:
    """Give the date and time of the first reading as stated, ISO 8601; empty if they are not."""
    date, time = "", ""
    for key, value in notes.items():
        if not _START_KEY.search(key):
            continue
        # A date that can be read both ways is left out.
        iso, _ = parse_dates(pa.array([value.strip()], pa.string()), day_order)
        found = iso[0].as_py()
        if found and "T" in found:
            return str(found)
        if found:
            date = found
        elif match := re.match(r"\s*([0-9]{1,2}):([0-9]{2})(?::([0-9]{2}))?\s*$", value):
            time = f"{int(match[1]):02d}:{match[2]}:{match[3] or '00'}"
    return f"{date}T{time}" if date and time else date


def stated_zone(notes: Mapping[str, str]) -> str:
    """Give the zone that stands above a table; empty where none does."""
    for key, value in notes.items():
        if re.search(r"zone|utc|gmt|offset from", key, re.IGNORECASE):
            return zone_in(value) or zone_in(key) or value.strip()
    for value in notes.values():
        zone = zone_in(value)
        if zone and zone != "UTC":
            return zone
    return ""


def start_label(notes: Mapping[str, str]) -> tuple[float, str]:
    """Find a start temperature in the labels above a table, in degrees Celsius.

    Parameters
    ----------
    notes : mapping of str to str
        Lines above the table.

    Returns
    -------
    temp_c : float
        NaN where none is named.
    line : str
        The label.
    """
    for key, value in notes.items():
        match = _LABEL_START.search(f"{key} {value}" if "start" in key.casefold() else value)
        if match is None:
            continue
        unit = find_unit(match[2].replace(" ", ""), dimension="temperature")
        if unit is not None:
            return unit.convert_one(float(match[1].replace(",", "."))), f"{key}: {value}"
    return float("nan"), ""


def offset_line(notes: Mapping[str, str]) -> str:
    """Give the line above a table that speaks of an offset of the probe; empty if none does."""
    for key, value in notes.items():
        if _OFFSET_KEY.search(key) and re.search(r"\d", value) and "zone" not in key.casefold():
            return f"{key}: {value}"
    return ""


def spell_seconds(seconds: float) -> str:
    """Write a length of time for people, such as 30 s, 5 min or 1.5 h."""
    if not np.isfinite(seconds):
        return "an unknown time"
    if seconds < 120:
        return f"{seconds:.4g} s"
    if seconds < 7200:
        return f"{seconds / 60:.4g} min"
    return f"{seconds / 3600:.4g} h"
