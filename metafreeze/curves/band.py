"""A band that holds a whole curve of differences at once, by resampling blocks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from metafreeze.curves.trace import Floats
from metafreeze.errors import InputError

# Fewer blocks than this show no spread that a band could rest on.
FEWEST_BLOCKS = 4
# Logarithms of times that differ by less were rounded apart.
ROUNDING = 1e-12
_SMALLEST_SHARE = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """A curve of differences and its simultaneous limits.

    Parameters
    ----------
    middle, se, low, high : float array, shape (levels,)
        Difference, standard error and limits; NaN where blocks are missing.
    critical : float
        Standard errors on either side; NaN where there is no band.
    blocks : tuple of int
        Blocks used: one number for pairs, two (hot, cold) else.
    """

    middle: Floats
    se: Floats
    low: Floats
    high: Floats
    critical: float
    blocks: tuple[int, ...]


def band_of_pairs(
    differences: Floats, *, level: float = 0.95, draws: int = 2000, rng: np.random.Generator
) -> Band:
    """Band around the mean of one curve of differences per block.

    Parameters
    ----------
    differences : float array, shape (blocks, levels)
        One row per block; finite.
    level : float
        Coverage of the whole curve.
    draws : int
        Resamples of the blocks.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    Band

    Raises
    ------
    InputError
        `level` or `draws` is out of range.

    Source
    ------
    Studentised bootstrap of the largest deviation over the levels: Efron and Tibshirani 1993,
    An Introduction to the Bootstrap, section 12.5; the largest of several studentised
    deviations as in Romano and Wolf 2005, doi:10.1198/016214504000000539.
    """
    return _band((differences,), level=level, draws=draws, rng=rng)


def band_of_arms(
    hot: Floats,
    cold: Floats,
    *,
    level: float = 0.95,
    draws: int = 2000,
    rng: np.random.Generator,
) -> Band:
    """Band around the difference of two means over separate blocks.

    Parameters
    ----------
    hot, cold : float array, shape (blocks of the arm, levels)
        One row per block; finite.
    level : float
        Coverage of the whole curve.
    draws : int
        Resamples of the blocks, each arm by itself.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    Band

    Raises
    ------
    InputError
        `level` or `draws` is out of range.

    Source
    ------
    As `band_of_pairs`, with the standard error of Welch 1947, doi:10.1093/biomet/34.1-2.28.
    """
    return _band((hot, cold), level=level, draws=draws, rng=rng)


def _band(arms: tuple[Floats, ...], *, level: float, draws: int, rng: np.random.Generator) -> Band:
    if not 0.5 <= level < 1.0:
        raise InputError(f"level is {level:g}. Give a coverage from 0.5 to below 1.")
    if draws < 200:
        raise InputError(f"draws is {draws}. Give at least 200 resamples.")
    signs = (1.0, -1.0)
    middle = np.asarray(
        sum(sign * arm.mean(axis=0) for sign, arm in zip(signs, arms, strict=False)),
        dtype=np.float64,
    )
    blocks = tuple(arm.shape[0] for arm in arms)
    nothing = np.full(middle.shape, np.nan)
    no_band = Band(
        middle=middle, se=nothing, low=nothing, high=nothing, critical=np.nan, blocks=blocks
    )
    if min(blocks) < FEWEST_BLOCKS or middle.size == 0:
        return no_band
    squared = np.zeros(middle.size)
    drawn_middle = np.zeros((draws, middle.size))
    drawn_squared = np.zeros((draws, middle.size))
    for sign, arm in zip(signs, arms, strict=False):
        count = arm.shape[0]
        off = arm - arm.mean(axis=0)
        squared += (off**2).sum(axis=0) / (count - 1) / count
        weights = rng.multinomial(count, np.full(count, 1.0 / count), size=draws) / count
        mean = weights @ off
        drawn_middle += sign * mean
        drawn_squared += np.maximum(weights @ off**2 - mean**2, 0.0) / (count - 1)
    se = np.sqrt(squared)
    if se.max() <= ROUNDING:
        return no_band
    # A level at which all blocks agree to rounding has no spread to judge it by.
    spread = se > _SMALLEST_SHARE * float(se.max())
    floor = (_SMALLEST_SHARE * se[spread]) ** 2
    ratio = np.abs(drawn_middle[:, spread]) / np.sqrt(np.maximum(drawn_squared[:, spread], floor))
    critical = float(np.quantile(ratio.max(axis=1), level))
    return Band(
        middle=middle,
        se=se,
        low=middle - critical * se,
        high=middle + critical * se,
        critical=critical,
        blocks=blocks,
    )
