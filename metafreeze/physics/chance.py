"""Which shows ice first by chance: the null for counts of "hot first".

Neither one half nor zero. Physics gives the hotter one a handicap; supercooling scatters
enough to overcome it now and then.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, ndtri

from metafreeze.errors import InputError
from metafreeze.physics.baseline import DEEPEST_SUPERCOOLING_K, cooling_times
from metafreeze.physics.setup import Setup
from metafreeze.results import FloatArray, IntArray

# Depths at which the time of first ice is tabulated, and slices of the hot one's distribution.
_TABLE = 65
_SLICES = 400

# Supercooling ends this much above the sink: closer, the wait has no end.
_SINK_MARGIN_K = 0.05


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HotFirstChance:
    """Chances of the three outcomes of one pair; they add to one.

    Parameters
    ----------
    hot, cold, neither : float
        Hotter one first, colder one first, neither ever freezes (both supercool to the sink).
    """

    hot: float
    cold: float
    neither: float


def _table(setup: Setup) -> tuple[FloatArray, FloatArray]:
    """Depth of supercooling and time of first ice at that depth, rising."""
    deepest = min(-float(setup.array("sink_temp_c")) - _SINK_MARGIN_K, DEEPEST_SUPERCOOLING_K)
    depth = np.linspace(0.0, max(deepest, 0.0), _TABLE)
    one = setup.with_(
        **{name: float(setup.array(name)) for name in ("start_temp_c", "sink_temp_c")}
    )
    return depth, cooling_times(one, endpoint="t_first_ice", supercooling_k=depth).time_s


def _checked(setup: Setup, mean_k: float, sd_k: float) -> None:
    if setup.shape not in ((), (1,)):
        raise InputError(
            f"The setup holds {int(np.prod(setup.shape))} vessels. Give one; its start temperature "
            "is replaced by the pair's."
        )
    if not sd_k > 0.0 or not np.isfinite(mean_k):
        raise InputError(
            f"Supercooling has mean {mean_k:g} K and standard deviation {sd_k:g} K. Give a finite "
            "mean and a standard deviation above zero."
        )
    if not float(setup.array("sink_temp_c")) < 0.0:
        raise InputError(
            f"sink_temp_c is {float(setup.array('sink_temp_c')):g}. Nothing freezes unless it is "
            "below 0."
        )


def chance_hot_first(
    setup: Setup,
    *,
    hot_c: float,
    cold_c: float,
    mean_supercooling_k: float = 5.5,
    sd_supercooling_k: float = 1.0,
) -> HotFirstChance:
    """Chance that the hotter of two like vessels shows ice first, physics alone.

    Both cool as the setup says; each freezes at its own depth below 0 °C, normal and cut off
    at zero, independent of the start temperature and of the other.

    Parameters
    ----------
    setup : Setup
        One vessel and sink; its start temperature is replaced.
    hot_c, cold_c : float
        The pair of start temperatures, °C.
    mean_supercooling_k, sd_supercooling_k : float
        Depth at which ice forms and its scatter between vessels.

    Returns
    -------
    HotFirstChance

    Raises
    ------
    InputError
        More than one vessel, a scatter of zero, or a sink not below 0 °C.

    Source
    ------
    P = integral of P(depth of the cold one > depth it has reached when the hot one freezes),
    over the hot one's depth; midpoint rule on equal slices of probability.
    """
    _checked(setup, mean_supercooling_k, sd_supercooling_k)
    depth, hot_time = _table(setup.with_(start_temp_c=hot_c))
    _, cold_time = _table(setup.with_(start_temp_c=cold_c))
    mean, sd = mean_supercooling_k, sd_supercooling_k
    floor = ndtr(-mean / sd)
    freezes = max((ndtr((depth[-1] - mean) / sd) - floor) / (1.0 - floor), 0.0)
    if freezes == 0.0:
        return HotFirstChance(hot=0.0, cold=0.0, neither=1.0)
    slices = (np.arange(_SLICES) + 0.5) / _SLICES * freezes
    own = mean + sd * ndtri(floor + slices * (1.0 - floor))

    def beats(time: FloatArray, other_time: FloatArray) -> float:
        at = np.interp(own, depth, time)
        reached = np.interp(at, other_time, depth, left=0.0, right=depth[-1])
        # The other one is still liquid at that moment if its depth is greater.
        still_liquid = (1.0 - ndtr((reached - mean) / sd)) / (1.0 - floor)
        return float(np.mean(still_liquid) * freezes)

    hot, cold = beats(hot_time, cold_time), beats(cold_time, hot_time)
    neither = float((1.0 - freezes) ** 2)
    # The two integrals and the rest add to one up to the rule's error; put that right.
    scale = (1.0 - neither) / (hot + cold)
    return HotFirstChance(hot=hot * scale, cold=cold * scale, neither=neither)


def simulate_hot_first(
    setup: Setup,
    *,
    hot_c: float,
    cold_c: float,
    specimen: IntArray | npt.ArrayLike,
    rng: np.random.Generator,
    draws: int = 2000,
    mean_supercooling_k: float = 5.5,
    sd_specimen_k: float = 1.5,
    sd_run_k: float = 0.8,
    looked_every_s: float = 0.0,
) -> IntArray:
    """Simulate the count of "hot first" over a list of pairs under physics alone.

    The same two specimens frozen again keep their own depths, so repeats of a pair are not
    independent; this is the null for "hot first in k of n".

    Parameters
    ----------
    setup : Setup
        One vessel and sink; its start temperature is replaced.
    hot_c, cold_c : float
        The pair of start temperatures, °C.
    specimen : array-like, shape (n,)
        For each pair, the number or name of its pair of specimens.
    rng : numpy.random.Generator
        Source of randomness.
    draws : int
        Simulated series.
    mean_supercooling_k, sd_specimen_k, sd_run_k : float
        Mean depth, scatter between specimens, and from run to run of one specimen.
    looked_every_s : float
        Time between looks; two vessels first seen frozen at the same look are a tie, which
        counts as not hot first. 0 for a camera.

    Returns
    -------
    array, shape (draws,)
        Count of hot first.

    Raises
    ------
    InputError
        As in `chance_hot_first`.
    """
    total_sd = float(np.hypot(sd_specimen_k, sd_run_k))
    _checked(setup, mean_supercooling_k, total_sd)
    _, pair = np.unique(np.asarray(specimen), return_inverse=True)
    pairs, specimens = pair.size, int(pair.max(initial=-1)) + 1
    depth, hot_time = _table(setup.with_(start_temp_c=hot_c))
    _, cold_time = _table(setup.with_(start_temp_c=cold_c))

    def times(curve: FloatArray) -> FloatArray:
        own = rng.normal(mean_supercooling_k, sd_specimen_k, (draws, specimens))[:, pair]
        at = np.maximum(own + rng.normal(0.0, sd_run_k, (draws, pairs)), 0.0)
        seen = np.where(at <= depth[-1], np.interp(at, depth, curve), np.inf)
        if looked_every_s > 0.0:
            seen = np.ceil(seen / looked_every_s)
        return seen

    first = times(hot_time) < times(cold_time)
    return np.asarray(first.sum(axis=1), dtype=np.int64)
