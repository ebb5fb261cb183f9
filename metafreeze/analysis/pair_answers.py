"""Answer a named pair of start temperatures as a ratio of times.

Ordinary physics is curved in the start temperature, so a straight line answers a pair only
where the data hold just these two temperatures. Otherwise the pair is answered by a
baseline and the slope beyond it, or by a restricted cubic spline within vessels cooled
together.

Source: Harrell, F. E. (2015), Regression Modeling Strategies, 2nd ed., Springer, section 2.4.5
(restricted cubic splines and their knots).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from metafreeze.analysis.mixed_arrays_fit import FitRequest, fit_arrays
from metafreeze.analysis.mixed_rows import SAME_TEMPERATURE_K, WITHIN, MixedArrays
from metafreeze.analysis.slope_effects import KELVIN_PER_UNIT, REFERENCE_C
from metafreeze.models.contrasts import estimate_contrasts
from metafreeze.models.mixed_result import MixedFit
from metafreeze.models.unseen_result import UnseenTimesFit
from metafreeze.results import FloatArray

# A start temperature this near to one of the pair counts as it.
NEAR_K = 2.0
KNOT_SHARES = (0.10, 0.50, 0.90)
NAN = float("nan")

BASELINE = "baseline at the pair and the slope beyond it"
TWO_TEMPERATURES = "the data hold these two start temperatures only"
SPLINE = "restricted cubic spline in the start temperature, three knots"
STRAIGHT = "straight line in ln time; ordinary physics is curved, so a baseline is better"


@dataclass(frozen=True, slots=True, kw_only=True)
class PairAnswer:
    """Log ratio of times at a pair, hot over cold.

    Parameters
    ----------
    estimate, low, high : float
    method : str
    extrapolated : tuple of str
        Studies whose own start temperatures do not reach both of the pair.
    """

    estimate: float
    low: float
    high: float
    method: str
    extrapolated: tuple[str, ...]


def answer_pair(
    arrays: MixedArrays,
    model: MixedFit | UnseenTimesFit,
    request: FitRequest,
    cold: float,
    hot: float,
    baseline: float | None,
) -> PairAnswer:
    """Give the log ratio at a pair, by the method that the data allow.

    Parameters
    ----------
    arrays : MixedArrays
    model : MixedFit or UnseenTimesFit
        The fit with a straight line.
    request : FitRequest
    cold, hot : float
        Start temperatures in degrees Celsius; NaN for no pair.
    baseline : float or None
        The baseline's log ratio, where an offset was subtracted.

    Returns
    -------
    PairAnswer
    """
    if np.isnan(cold) or model.status not in ("ok", "boundary"):
        return PairAnswer(estimate=NAN, low=NAN, high=NAN, method="", extrapolated=())
    gap = (hot - cold) / KELVIN_PER_UNIT
    outside = _extrapolated(arrays, cold, hot)
    table = model.coefficients[["estimate", "low", "high"]].to_numpy(dtype=np.float64)
    line = [gap * float(v) for v in table[model.coefficients.index.get_loc(WITHIN)]]
    if baseline is not None:
        shifted = [baseline + v for v in line]
        return _answer(shifted, BASELINE, outside)
    temperatures = _distinct(arrays)
    two = len(temperatures) == 2
    if two and abs(temperatures[0] - cold) <= NEAR_K and abs(temperatures[1] - hot) <= NEAR_K:
        return _answer(line, TWO_TEMPERATURES, outside)
    if len(temperatures) > 2 and isinstance(model, MixedFit):
        curved = _by_spline(arrays, request, cold, hot)
        if curved is not None:
            return _answer(curved, SPLINE, outside)
    return _answer(line, STRAIGHT, outside)


def _answer(values: list[float], method: str, outside: tuple[str, ...]) -> PairAnswer:
    return PairAnswer(
        estimate=values[0], low=values[1], high=values[2], method=method, extrapolated=outside
    )


def _distinct(arrays: MixedArrays) -> list[float]:
    """Nominal start temperatures: middles of clusters that no gap splits."""
    temperature = np.sort(arrays.start_temp_c[~arrays.difference])
    if temperature.size == 0:
        return []
    breaks = np.flatnonzero(np.diff(temperature) > NEAR_K) + 1
    return [float(part.mean()) for part in np.split(temperature, breaks)]


def spline_columns(x: FloatArray, knots: FloatArray) -> FloatArray:
    """Curved columns of a restricted cubic spline, straight beyond the outer knots.

    Parameters
    ----------
    x : array, shape (n,)
    knots : array, shape (k,)

    Returns
    -------
    array, shape (n, k - 2)
    """

    def cube(v: FloatArray) -> FloatArray:
        return np.maximum(v, 0.0) ** 3

    last, before = knots[-1], knots[-2]
    width = last - before
    columns = [
        (
            cube(x - t)
            - cube(x - before) * (last - t) / width
            + cube(x - last) * (before - t) / width
        )
        / (last - knots[0]) ** 2
        for t in knots[:-2]
    ]
    return np.column_stack(columns)


def _by_spline(
    arrays: MixedArrays, request: FitRequest, cold: float, hot: float
) -> list[float] | None:
    """Refit with a curved column within vessels cooled together; None where it cannot be had."""
    level = ~arrays.difference
    if arrays.difference.any():
        return None
    knots = np.quantile(arrays.x[level], KNOT_SHARES)
    if np.min(np.diff(knots)) * KELVIN_PER_UNIT < SAME_TEMPERATURE_K:
        knots = np.quantile(np.unique(arrays.x[level]), (0.0, 0.5, 1.0))
    curved = spline_columns(arrays.x, knots)[:, 0]
    column = curved - _group_means(curved, arrays.centre, arrays.count)
    X = np.column_stack([arrays.X, column])
    richer = replace(arrays, X=X, names=(*arrays.names, "curve"))
    fit = fit_arrays(richer, replace(request, second_engine=False))
    if not isinstance(fit, MixedFit) or fit.status not in ("ok", "boundary"):
        return None
    ends = (np.array([cold, hot]) - REFERENCE_C) / KELVIN_PER_UNIT
    bend = spline_columns(ends, knots)[:, 0]
    contrast = np.zeros(len(richer.names))
    contrast[richer.names.index(WITHIN)] = ends[1] - ends[0]
    contrast[-1] = bend[1] - bend[0]
    table = estimate_contrasts(fit, contrast)[["estimate", "low", "high"]]
    return [float(v) for v in table.to_numpy(dtype=np.float64)[0]]


def _group_means(
    values: FloatArray, group: npt.NDArray[np.object_], weight: FloatArray
) -> FloatArray:
    _, codes = np.unique(group.astype(str), return_inverse=True)
    total = np.bincount(codes, weights=weight * values)
    return np.asarray((total / np.bincount(codes, weights=weight))[codes])


def _extrapolated(arrays: MixedArrays, cold: float, hot: float) -> tuple[str, ...]:
    outside = []
    for study in sorted(set(arrays.study)):
        own = arrays.start_temp_c[(arrays.study == study) & ~arrays.difference]
        if own.size and (own.min() > cold + NEAR_K or own.max() < hot - NEAR_K):
            outside.append(str(study))
    return tuple(outside)
