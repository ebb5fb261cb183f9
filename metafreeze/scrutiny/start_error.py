"""What an error in the start temperature hides: a slope comes out flatter than it is.

Noise of known size is added on purpose, more and more of it, and the way the slope flattens is
followed back to no noise at all.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from metafreeze.errors import InputError
from metafreeze.results import RESULT, FloatArray, IntArray, Result, round_for_people

NAN = float("nan")
COLUMNS = ("added_share", "slope")
# Twice as much noise as there is, in steps; Cook & Stefanski (1994) use the same range.
ADDED = (0.0, 0.5, 1.0, 1.5, 2.0)
DRAWS = 200


@dataclass(**RESULT)
class StartError(Result):
    """The effect as seen and as it would be without error in the start temperatures.

    Parameters
    ----------
    error_sd_k : float
        Typical error of a start temperature, K.
    assumed : bool
        Whether some rows or all do not say it.
    seen, corrected : float
        Log ratio at the pair, by least squares within batches.
    hidden_share : float
        Share of the effect that the error hides.
    steps : DataFrame
        Slope with so much noise added.
    rows, blocks : int
    asked, found : str
        One sentence each.
    status, note : str
    """

    error_sd_k: float
    assumed: bool
    seen: float
    corrected: float
    hidden_share: float
    steps: pd.DataFrame
    rows: int
    blocks: int
    asked: str
    found: str
    status: str = "ok"
    note: str = ""

    def to_frame(self) -> pd.DataFrame:
        """Give the slope at each amount of added noise."""
        return self.steps.copy()

    def headline(self) -> str:
        """Say what the error hides."""
        if self.status != "ok":
            return f"error in start temperature: {self.note}"
        return (
            f"an error of {round_for_people(self.error_sd_k)} K hides "
            f"{round_for_people(100 * self.hidden_share)} % of the effect"
        )


ASKED = "How much of the effect does error in the start temperatures hide?"


def correct_for_start_error(
    start_c: npt.ArrayLike,
    y: npt.ArrayLike,
    block: npt.ArrayLike,
    error_sd_k: npt.ArrayLike,
    *,
    units: float,
    assumed: bool,
    rng: np.random.Generator,
    draws: int = DRAWS,
) -> StartError:
    """Extrapolate the slope within batches to start temperatures without error.

    What it assumes: errors independent of each other, of the true temperature and of the time.
    An error that all vessels of a batch share, such as a probe's offset, hides nothing.

    Parameters
    ----------
    start_c, y : array, shape (n,)
        Start temperatures as written down, °C, and ln time.
    block : array, shape (n,)
        Batch of each row.
    error_sd_k : float or array, shape (n,)
        Standard deviation of the error of each start temperature, K.
    units : float
        The pair's distance in 10 K.
    assumed : bool
        Whether the error of some rows or all is assumed rather than recorded.
    rng : Generator
    draws : int
        Simulated sets at each amount of noise.

    Returns
    -------
    StartError

    Raises
    ------
    InputError
        An error is negative or none.

    Source
    ------
    Simulation and extrapolation, quadratic: Cook & Stefanski (1994), J. Am. Stat. Assoc.
    89:1314-1328; Carroll, Ruppert, Stefanski & Crainiceanu (2006), Measurement Error in
    Nonlinear Models, chapter 5.
    """
    starts, times = np.asarray(start_c, dtype=float), np.asarray(y, dtype=float)
    error = np.broadcast_to(np.asarray(error_sd_k, dtype=float), starts.shape)
    if not (error >= 0).all():
        raise InputError("An error of a start temperature is negative or empty. Give K, from 0.")
    label = np.unique(np.asarray(block), return_inverse=True)[1].astype(np.int64)
    inner = starts - _means(starts[np.newaxis], label)[0]
    telling = np.bincount(label, inner**2)[label] > 0
    starts, times, error = starts[telling], times[telling], error[telling]
    label = np.unique(label[telling], return_inverse=True)[1].astype(np.int64)
    typical = math.sqrt(float(np.mean(error**2))) if error.size else NAN
    if not starts.size:
        return _does_not_apply("no batch holds two start temperatures", typical, assumed)
    outcome = times - _means(times[np.newaxis], label)[0]
    noise = error * rng.standard_normal((draws, starts.size))
    slopes = [
        float(_slopes(starts + math.sqrt(share) * noise, outcome, label).mean()) for share in ADDED
    ]
    curve = np.polynomial.polynomial.polyfit(ADDED, slopes, 2)
    seen = slopes[0]
    corrected = float(np.polynomial.polynomial.polyval(-1.0, curve)) if typical > 0 else seen
    hidden = 1.0 - seen / corrected if corrected else 0.0
    said = ", assumed where nobody wrote it down," if assumed else ""
    return StartError(
        error_sd_k=typical,
        assumed=assumed,
        seen=10.0 * units * seen,
        corrected=10.0 * units * corrected,
        hidden_share=hidden,
        steps=pd.DataFrame({"added_share": ADDED, "slope": slopes}, columns=list(COLUMNS)),
        rows=int(starts.size),
        blocks=int(label.max()) + 1,
        asked=ASKED,
        found=(f"An error of {typical:.2g} K{said} hides {100 * hidden:.2g} % of it."),
    )


def _means(values: FloatArray, label: IntArray) -> FloatArray:
    """Mean of each line's groups, at every place."""
    order = np.argsort(label, kind="stable")
    first = np.flatnonzero(np.diff(label[order], prepend=-1))
    sums = np.add.reduceat(values[:, order], first, axis=1)
    means: FloatArray = (sums / np.bincount(label))[:, label]
    return means


def _slopes(starts: FloatArray, outcome: FloatArray, label: IntArray) -> FloatArray:
    inner = starts - _means(starts, label)
    slopes: FloatArray = inner @ outcome / (inner**2).sum(axis=1)
    return slopes


def _does_not_apply(why: str, error: float, assumed: bool) -> StartError:
    return StartError(
        error_sd_k=error,
        assumed=assumed,
        seen=NAN,
        corrected=NAN,
        hidden_share=NAN,
        steps=pd.DataFrame(columns=list(COLUMNS)),
        rows=0,
        blocks=0,
        asked=ASKED,
        found=f"It does not apply: {why}.",
        status="unidentifiable",
        note=why,
    )
