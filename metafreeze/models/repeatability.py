"""Repeatability and reproducibility: what one more trial would show, here or elsewhere.

In the words of ISO 5725: repeatability is the scatter under the same conditions (same lab,
same gear), reproducibility the scatter when another lab does the same.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from metafreeze.errors import InputError
from metafreeze.models.heterogeneity import require_level
from metafreeze.models.pool_input import Numbers
from metafreeze.models.pooled import pool
from metafreeze.options import Spread
from metafreeze.results import RESULT, FloatArray, Result, round_for_people

NAN = float("nan")


@dataclass(**RESULT)
class Repeatability(Result):
    """Scatter within and between laboratories.

    Parameters
    ----------
    mean : float
        Mean over laboratories, each by its number of runs.
    repeatability_sd, repeatability_low, repeatability_high : float
        Standard deviation within a laboratory, with its interval.
    between_sd : float
        Standard deviation of laboratory means beyond that; zero where none was seen.
    reproducibility_sd : float
        Standard deviation of one run in any laboratory.
    repeatability_limit, reproducibility_limit : float
        Two runs, in one laboratory and in two, differ by more than this with a chance of
        1 - level.
    df_within : float
        Degrees of freedom within laboratories.
    labs, runs : int
        Laboratories and runs (of effects: one a laboratory).
    level : float
        Level of limits and interval.
    status, note : str
        As in `pool`.
    reasons : dict
        Name of a missing number to why it is missing.
    """

    mean: float
    repeatability_sd: float
    repeatability_low: float
    repeatability_high: float
    between_sd: float
    reproducibility_sd: float
    repeatability_limit: float
    reproducibility_limit: float
    df_within: float
    labs: int
    runs: int
    level: float
    status: str
    note: str
    reasons: dict[str, str] = field(default_factory=dict)

    def to_frame(self) -> pd.DataFrame:
        """Give the standard deviations with what each means for a single new trial."""
        why = self.reasons.get
        share = f"{100 * self.level:g} %"
        rows = [
            (
                "repeatability SD",
                self.repeatability_sd,
                self.repeatability_low,
                self.repeatability_high,
                "scatter of single runs in one lab",
                why("within", ""),
            ),
            (
                "between-lab SD",
                self.between_sd,
                NAN,
                NAN,
                "scatter of lab levels",
                why("between", ""),
            ),
            (
                "reproducibility SD",
                self.reproducibility_sd,
                NAN,
                NAN,
                "scatter of a single run in any lab",
                why("between", ""),
            ),
            (
                "repeatability limit",
                self.repeatability_limit,
                NAN,
                NAN,
                f"two runs in one lab differ by less in {share} of cases",
                why("within", ""),
            ),
            (
                "reproducibility limit",
                self.reproducibility_limit,
                NAN,
                NAN,
                f"runs of two labs differ by less in {share} of cases",
                why("between", ""),
            ),
        ]
        columns = ["quantity", "estimate", "low", "high", "meaning", "reason"]
        return pd.DataFrame(rows, columns=columns)

    def headline(self) -> str:
        """Say the result in one line."""
        return (
            f"repeatability SD {round_for_people(self.repeatability_sd)}, reproducibility SD "
            f"{round_for_people(self.reproducibility_sd)}: {self.runs} runs in {self.labs} labs; "
            f"{self.status}"
        )


def measure_repeatability(
    values: npt.ArrayLike,
    lab: Sequence[Hashable] | npt.ArrayLike,
    *,
    level: float = 0.95,
) -> Repeatability:
    """Split the scatter of like runs into within and between laboratories.

    Give runs made under the same conditions but for the laboratory, such as logarithms of the
    time at one start temperature, or residuals from the fitted slope. On logarithms 0.05 is
    5 %.

    Parameters
    ----------
    values : array, shape (n,)
        Outcomes.
    lab : sequence, shape (n,)
        Laboratory of each.
    level : float
        Level of the limits and the interval.

    Returns
    -------
    Repeatability

    Raises
    ------
    InputError
        A value is not finite or lengths differ.

    Source
    ------
    ISO 5725-2 (1994), Accuracy of measurement methods and results (from memory): analysis of
    variance with ``n0 = (N - sum n²/N)/(p - 1)``; limits: ISO 5725-6.
    """
    require_level(level)
    y: FloatArray = np.asarray(values, dtype=np.float64)
    names = np.array([str(name) for name in np.asarray(lab).ravel()])
    if y.ndim != 1 or y.shape != names.shape or y.size == 0 or not np.isfinite(y).all():
        raise InputError("Give one finite value and one laboratory a run.")
    order, member = np.unique(names, return_inverse=True)
    n = np.bincount(member).astype(np.float64)
    centre = float(y.mean())
    shifted = y - centre
    means = np.bincount(member, weights=shifted) / n
    inside = shifted - means[member]
    within_ss, df = float(inside @ inside), y.size - order.size
    reasons: dict[str, str] = {}
    notes: list[str] = []
    within = within_ss / df if df > 0 else NAN
    if df <= 0:
        reasons["within"] = "no laboratory has two runs"
        reasons["between"] = (
            "without two runs in some laboratory, labs and runs cannot be told apart"
        )
    between = NAN
    if order.size < 2:
        reasons["between"] = "one laboratory says nothing on others"
    elif df > 0:
        base = (y.size - float(np.sum(n**2)) / y.size) / (order.size - 1)
        square = float(np.sum(n * means**2)) / (order.size - 1)
        raw = (square - within) / base
        between = max(0.0, raw)
        if raw <= 0:
            notes.append(
                "no disagreement between labs was seen beyond scatter, which does not show that "
                "they agree"
            )
    tail = (1 - level) / 2
    low = high = NAN
    if df > 0:
        low = float(np.sqrt(within_ss / stats.chi2.isf(tail, df)))
        high = float(np.sqrt(within_ss / stats.chi2.ppf(tail, df)))
    # 1.96 sqrt(2) = 2.77, the standard's 2.8, at the usual level.
    factor = float(stats.norm.isf(tail) * np.sqrt(2))
    any_lab = float(np.sqrt(within + between))
    missing = bool(reasons)
    return Repeatability(
        mean=centre,
        repeatability_sd=float(np.sqrt(within)),
        repeatability_low=low,
        repeatability_high=high,
        between_sd=float(np.sqrt(between)),
        reproducibility_sd=any_lab,
        repeatability_limit=factor * float(np.sqrt(within)),
        reproducibility_limit=factor * any_lab,
        df_within=float(df),
        labs=order.size,
        runs=y.size,
        level=level,
        status="unidentifiable" if missing else ("boundary" if between == 0 else "ok"),
        note="; ".join(notes or sorted(set(reasons.values()))),
        reasons=reasons,
    )


def measure_effect_repeatability(
    estimate: Numbers,
    variance: Numbers,
    *,
    spread: Spread = "restricted-likelihood",
    level: float = 0.95,
) -> Repeatability:
    """Split the scatter of measured effects into one trial's own error and the laboratory.

    Parameters
    ----------
    estimate, variance : array or Series, shape (k,)
        Effects of laboratories and their sampling variances.
    spread : str
        Rule for the variance between laboratories, as in `pool`.
    level : float
        Level of the limits.

    Returns
    -------
    Repeatability
        Repeatability is what a trial of typical size shows when the same laboratory repeats it;
        reproducibility what another laboratory shows.

    Raises
    ------
    InputError
        As `pool`.

    Source
    ------
    ISO 5725-1 (1994); the typical sampling variance is that of Higgins & Thompson
    (2002), Stat. Med. 21:1539: ``(k - 1) sum w / ((sum w)² - sum w²)``.
    """
    fit = pool(estimate, variance, spread=spread, level=level)
    v: FloatArray = np.asarray(variance, dtype=np.float64)
    w = 1 / v
    k = v.size
    typical = float(v[0]) if k == 1 else float((k - 1) * w.sum() / (w.sum() ** 2 - w @ w))
    factor = float(stats.norm.isf((1 - level) / 2) * np.sqrt(2))
    any_lab = float(np.sqrt(typical + fit.tau2))
    alone = {} if k > 1 else {"between": "one laboratory says nothing on others"}
    return Repeatability(
        mean=fit.estimate,
        repeatability_sd=float(np.sqrt(typical)),
        repeatability_low=NAN,
        repeatability_high=NAN,
        between_sd=float(np.sqrt(fit.tau2)),
        reproducibility_sd=any_lab,
        repeatability_limit=factor * float(np.sqrt(typical)),
        reproducibility_limit=factor * any_lab,
        df_within=float("inf"),
        labs=k,
        runs=k,
        level=level,
        status=fit.status,
        note=fit.note,
        reasons=alone,
    )
