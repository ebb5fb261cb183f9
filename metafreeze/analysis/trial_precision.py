"""What a single new trial would show: repeatability and reproducibility of time and effect."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from metafreeze.analysis.effect_rows import choose_rows, log_times
from metafreeze.analysis.study_effects import study_effects
from metafreeze.errors import NotEstimableError
from metafreeze.models.repeatability import (
    Repeatability,
    measure_effect_repeatability,
    measure_repeatability,
)
from metafreeze.results import RESULT, Result, round_for_people

KELVIN_PER_UNIT = 10.0


@dataclass(**RESULT)
class TrialPrecision(Result):
    """Scatter of the log time and of the slope, in one laboratory and in another.

    Parameters
    ----------
    time : Repeatability
        Of ln time at one start temperature.
    effect : Repeatability
        Of a laboratory's slope per +10 K.
    endpoint : str
        The endpoint.
    note : str
        What to keep in mind.
    """

    time: Repeatability
    effect: Repeatability
    endpoint: str
    note: str

    def to_frame(self) -> pd.DataFrame:
        """Give the standard deviations and limits of both."""
        parts = [
            part.to_frame().assign(of=name)
            for name, part in (("ln time", self.time), ("slope per +10 K", self.effect))
        ]
        frame = pd.concat(parts, ignore_index=True)
        return frame[["of", *[c for c in frame.columns if c != "of"]]]

    def headline(self) -> str:
        """Say the result in one line."""
        same, other = (
            100 * float(np.expm1(limit))
            for limit in (self.time.repeatability_limit, self.time.reproducibility_limit)
        )
        return (
            f"two like runs differ by less than {round_for_people(same)} % in one lab and "
            f"{round_for_people(other)} % in two ({100 * self.time.level:g} % of cases), "
            f"{self.time.labs} labs"
        )


def trial_precision(rows: pd.DataFrame, *, endpoint: str, level: float = 0.95) -> TrialPrecision:
    """Say what one more trial would show, in the same laboratory and in another.

    Times of runs are first brought to one start temperature by their own laboratory's slope.
    Laboratories also differ in vessel, amount and freezer: that is part of reproducibility.

    Parameters
    ----------
    rows : DataFrame
        Rows of the register's schema; only runs enter the scatter of times.
    endpoint : str
        One endpoint.
    level : float
        Level of the limits.

    Returns
    -------
    TrialPrecision

    Raises
    ------
    NotEstimableError
        No laboratory gives a slope from runs.

    Source
    ------
    As `measure_repeatability` and `measure_effect_repeatability`.
    """
    effects = study_effects(rows, endpoint=endpoint)
    if effects.k == 0:
        raise NotEstimableError(
            f"No laboratory gives a slope of {endpoint}: {effects.note}. Repeatability needs runs "
            "at two start temperatures."
        )
    chosen, ledger = choose_rows(rows, endpoint=endpoint)
    slopes = dict(zip(effects.study, effects.estimate, strict=True))
    runs, y = log_times(chosen, chosen.positions("run"), ledger)
    known = np.array([chosen.study[i] in slopes for i in runs], dtype=bool)
    runs, y = runs[known], y[known]
    if runs.size == 0:
        raise NotEstimableError(
            f"No single runs of {endpoint} are at hand, so their scatter cannot be known."
        )
    x = chosen.number["start_temp_c"][runs] / KELVIN_PER_UNIT
    own = np.array([slopes[chosen.study[i]] for i in runs])
    level_of_run = y - own * (x - x.mean())
    time = measure_repeatability(level_of_run, chosen.study[runs], level=level)
    return TrialPrecision(
        time=time,
        effect=measure_effect_repeatability(effects.estimate, effects.variance, level=level),
        endpoint=endpoint,
        note="; ".join(n for n in (time.note, "; ".join(ledger.notes)) if n),
    )
