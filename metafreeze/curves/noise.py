"""Scatter and rounding of the readings of a trace."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

Floats = npt.NDArray[np.float64]

# Median of |z| of the standard normal, and root of 1 + 4 + 1: a second difference of
# independent readings with standard deviation s has standard deviation s * sqrt(6).
_MEDIAN_ABSOLUTE = 0.6744897501960817
_SECOND_DIFFERENCE = 6.0**0.5
_SAMPLE = 1000
# Readings of which the rounding steps are counted.
_LEVELS_OF = 300
# Steps below this are rounding of the machine, not of the instrument.
_SMALLEST_STEP_K = 1e-6


def places_of(marks: npt.NDArray[np.bool_]) -> npt.NDArray[np.intp]:
    """Give the places of the True marks, without the detour that other shapes need.

    Parameters
    ----------
    marks : bool array, shape (n,)

    Returns
    -------
    int array
    """
    return marks.nonzero()[0]


def middle_value(values: Floats) -> float:
    """Give the upper of the middle values, quicker than a median that settles ties.

    Parameters
    ----------
    values : float array, shape (n,)
        Finite, n at least 1.

    Returns
    -------
    float
    """
    half = values.size // 2
    return float(np.partition(values, half)[half])


def _second_differences(temps: Floats) -> Floats:
    stride = max((temps.size - 2) // _SAMPLE, 1)
    middle = temps[1:-1:stride]
    return temps[0 : temps.size - 2 : stride] - 2 * middle + temps[2 : temps.size : stride]


def measure_resolution(temps: Floats) -> float:
    """Give the smallest step between readings.

    Parameters
    ----------
    temps : float array, shape (n,)
        Finite temperatures.

    Returns
    -------
    float
        Kelvin; 0 where all readings are one value.
    """
    values = np.unique(temps[:: max(temps.size // _SAMPLE, 1)])
    steps = np.diff(values)
    steps = steps[steps > _SMALLEST_STEP_K]
    return float(steps.min()) if steps.size else 0.0


def measure_noise(temps: Floats, *, resolution_k: float) -> float:
    """Give the scatter of one reading about a smooth curve.

    The median of absolute second differences hardly sees jumps, and a smooth curve hardly
    at all. Rounding to a step r leaves at least r / sqrt(12).

    Parameters
    ----------
    temps : float array, shape (n,)
        Finite temperatures, n at least 3.
    resolution_k : float
        Rounding step.

    Returns
    -------
    float
        Standard deviation in kelvin.

    Notes
    -----
    Median absolute deviation as a scale: Rousseeuw and Croux 1993,
    doi:10.1080/01621459.1993.10476408.
    """
    spread = middle_value(np.abs(_second_differences(temps)))
    scatter = spread / (_MEDIAN_ABSOLUTE * _SECOND_DIFFERENCE)
    return max(scatter, resolution_k / 12**0.5)


def measure_rounding_bias(readings: Floats, *, resolution_k: float) -> float:
    """Give how far the mean of readings at rest may lie off because they are rounded.

    Scatter as large as half a rounding step wipes the rounding out of a mean; without any,
    the mean may be half a step off.

    Parameters
    ----------
    readings : float array, shape (n,)
        Readings of one temperature.
    resolution_k : float
        Rounding step.

    Returns
    -------
    float
        Largest error in kelvin.

    Source
    ------
    First term of the Fourier series of the rounding error under normal scatter s, relative to
    half a step r/2: exp(-2 pi^2 s^2 / r^2) (Widrow and Kollar 2008, Quantization Noise,
    chapter 4, from memory).
    """
    if resolution_k <= 0:
        return 0.0
    some = readings[:: max(readings.size // _LEVELS_OF, 1)]
    counts = np.bincount(np.rint((some - some.min()) / resolution_k).astype(np.int64))
    counts.sort()
    # Two steps hold at most the share 2 Phi(r/s) - 1 of normal readings.
    share = float(counts[-2:].sum()) / some.size
    if share >= 1.0:
        return resolution_k / 2
    own = 1.0 / float(ndtri((1.0 + share) / 2))
    return float(resolution_k / 2 * np.exp(-2 * np.pi**2 * own**2))
