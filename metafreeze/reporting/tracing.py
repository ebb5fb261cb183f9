"""Every number on the page has a result behind it, and this finds the ones that have none."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from metafreeze.reporting.content import Number, Report
from metafreeze.reporting.numbers import (
    MINUS,
    SECONDS_PER_HOUR,
    SECONDS_PER_MINUTE,
    SMALLEST_P,
    THIN_SPACE,
    shown_value,
)
from metafreeze.reporting.shown import texts_of


def numbers_shown(report: Report) -> tuple[Number, ...]:
    """List every number that a report shows, in sentences, tables and figures' words.

    Parameters
    ----------
    report : Report
        The report.

    Returns
    -------
    tuple of Number
    """
    return tuple(n for text in texts_of(report) for n in text.numbers())


def numbers_without_result(
    report: Report, results: Mapping[str, Any], tables: Mapping[str, pd.DataFrame]
) -> tuple[Number, ...]:
    """Find the numbers on the page that no result accounts for.

    Parameters
    ----------
    report : Report
        The report.
    results : mapping
        What stands in ``results.json``.
    tables : mapping of str to DataFrame
        The tables beside it.

    Returns
    -------
    tuple of Number
        Empty when every number that is not fixed wording has its value, exactly, in the
        results, and is shown as that value at its display precision.
    """
    known = set(_values_in(results))
    for frame in tables.values():
        for name in frame.select_dtypes("number"):
            known.update(float(v) for v in frame[name].dropna().unique())
    return tuple(
        n
        for n in numbers_shown(report)
        if not n.fixed and (float(n.value) not in known or not _says_its_value(n))
    )


def _values_in(thing: Any) -> Iterator[float]:
    if isinstance(thing, Mapping):
        for value in thing.values():
            yield from _values_in(value)
    elif isinstance(thing, (list, tuple, np.ndarray)):
        for value in thing:
            yield from _values_in(value)
    elif isinstance(thing, (int, float, np.integer, np.floating)) and not isinstance(thing, bool):
        yield float(thing)


def _says_its_value(number: Number) -> bool:
    if number.text.startswith("<"):
        return number.value < SMALLEST_P
    plain = number.text.replace(MINUS, "-").replace(THIN_SPACE, "").replace("+", "")
    if "∞" in plain:
        return math.isinf(number.value)
    decimals = len(plain.partition(".")[2])
    seconds = {"s": 1, "min": SECONDS_PER_MINUTE, "h": SECONDS_PER_HOUR}
    units = [seconds[number.unit]] if number.unit in seconds else list(seconds.values())
    half = 0.5 * 10.0**-decimals * (1 + 1e-9)
    return any(
        abs(abs(shown_value(number.value, number.kind, seconds=u)) - abs(float(plain))) <= half
        for u in (units if number.kind == "seconds" else [1])
    )
