"""If this study were absent: what one study does to the pooled answer."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from metafreeze.errors import InputError
from metafreeze.models.pool_input import Numbers, check_effects
from metafreeze.models.pooled import PooledEffect, pool
from metafreeze.options import Interval, Spread
from metafreeze.results import RESULT, Result, round_for_people

NAN = float("nan")
INFLUENCE_COLUMNS = (
    "study",
    "estimate_without",
    "low_without",
    "high_without",
    "change",
    "tau2_without",
    "prediction_low_without",
    "prediction_high_without",
    "residual",
    "cook",
    "dfbetas",
    "share_of_q",
    "weight",
)
CUMULATIVE_COLUMNS = ("study", "order", "k", "estimate", "low", "high", "tau2", "status")


@dataclass(**RESULT)
class Influence(Result):
    """What each study does to the pooled effect.

    Parameters
    ----------
    table : DataFrame
        One row a study: the pooled effect, interval, tau² and range for a new study without it;
        `change` (without minus with), the studentised deleted residual, Cook's distance,
        DFBETAS, its share of Q in percent, and its weight.
    whole : PooledEffect
        The pool of all studies.
    sign_turns : tuple of str
        Studies without which the pooled effect has the other sign.
    zero_enters, zero_leaves : tuple of str
        Studies without which the interval comes to hold zero, or no longer does.
    status, note : str
        As in `pool`.
    """

    table: pd.DataFrame
    whole: PooledEffect
    sign_turns: tuple[str, ...]
    zero_enters: tuple[str, ...]
    zero_leaves: tuple[str, ...]
    status: str
    note: str

    def to_frame(self) -> pd.DataFrame:
        """Give one row a study."""
        return self.table.copy()

    def headline(self) -> str:
        """Say the result in one line."""
        if self.status == "unidentifiable":
            return f"influence of studies: {self.note}"
        most = self.table.iloc[int(np.argmax(self.table["change"].abs().to_numpy()))]
        turned = ", ".join(self.sign_turns) or "no single study"
        return (
            f"{self.whole.k} studies: without {most['study']} the pooled effect moves by "
            f"{round_for_people(float(most['change']))}; {turned} alone decides its sign"
        )


def leave_one_out(
    estimate: Numbers,
    variance: Numbers,
    *,
    spread: Spread = "restricted-likelihood",
    interval: Interval = "hartung-knapp",
    study: Sequence[Hashable] | npt.ArrayLike | None = None,
    level: float = 0.95,
) -> Influence:
    """Pool again without each study in turn, tau² included.

    Parameters
    ----------
    estimate, variance : array or Series, shape (k,)
        Effects and sampling variances.
    spread, interval : str
        As in `pool`.
    study : sequence, optional
        Study labels.
    level : float
        Level of the intervals.

    Returns
    -------
    Influence

    Raises
    ------
    InputError
        As `pool`.

    Source
    ------
    Viechtbauer & Cheung (2010), Res. Synth. Methods 1:112, doi:10.1002/jrsm.11: deleted
    residuals, DFBETAS and Cook's distance, with the plain standard errors.
    """
    effects = check_effects(estimate, variance, study=study)
    y, v, names = effects.estimate, effects.variance, effects.study
    whole = pool(y, v, spread=spread, interval=interval, study=names, level=level)
    if y.size < 3:
        nothing = pd.DataFrame(
            {c: pd.Series([], dtype="str" if c == "study" else float) for c in INFLUENCE_COLUMNS}
        )
        return Influence(
            table=nothing,
            whole=whole,
            sign_turns=(),
            zero_enters=(),
            zero_leaves=(),
            status="unidentifiable",
            note="leaving one out needs at least three studies",
        )
    common = np.sum(y / v) / np.sum(1 / v)
    rows, turns, enters, leaves = [], [], [], []
    held = whole.low <= 0 <= whole.high
    for i, name in enumerate(names):
        keep = np.arange(y.size) != i
        rest = pool(y[keep], v[keep], spread=spread, interval=interval, level=level)
        change = rest.estimate - whole.estimate
        gap = y[i] - rest.estimate
        rows.append(
            (
                name,
                rest.estimate,
                rest.low,
                rest.high,
                change,
                rest.tau2,
                rest.prediction_low,
                rest.prediction_high,
                gap / np.sqrt(v[i] + rest.tau2 + rest.se_plain**2),
                (change / whole.se_plain) ** 2,
                # DFBETAS: all studies' information at the tau² estimated without this one.
                -change * np.sqrt(np.sum(1 / (v + rest.tau2))),
                100 * (y[i] - common) ** 2 / v[i] / whole.q if whole.q > 0 else NAN,
                whole.weights[i],
            )
        )
        if rest.estimate * whole.estimate < 0:
            turns.append(name)
        holds = rest.low <= 0 <= rest.high
        if holds and not held:
            enters.append(name)
        if held and not holds:
            leaves.append(name)
    return Influence(
        table=pd.DataFrame(rows, columns=list(INFLUENCE_COLUMNS)),
        whole=whole,
        sign_turns=tuple(turns),
        zero_enters=tuple(enters),
        zero_leaves=tuple(leaves),
        status=whole.status,
        note=whole.note,
    )


@dataclass(**RESULT)
class Cumulative(Result):
    """How the pooled answer grew, study by study.

    Parameters
    ----------
    table : DataFrame
        One row a step: study added, its order value, k, estimate, low, high, tau2, status.
    spread, interval : str
        Rules used.
    level : float
        Level of the intervals.
    """

    table: pd.DataFrame
    spread: str
    interval: str
    level: float

    def to_frame(self) -> pd.DataFrame:
        """Give one row a step."""
        return self.table.copy()

    def headline(self) -> str:
        """Say the result in one line."""
        last = self.table.iloc[-1]
        return (
            f"after {int(last['k'])} studies the pooled effect is "
            f"{round_for_people(float(last['estimate']))}; it began at "
            f"{round_for_people(float(self.table['estimate'].iloc[0]))}"
        )


def cumulate(
    estimate: Numbers,
    variance: Numbers,
    order: npt.ArrayLike | pd.Series,
    *,
    spread: Spread = "restricted-likelihood",
    interval: Interval = "hartung-knapp",
    study: Sequence[Hashable] | npt.ArrayLike | None = None,
    level: float = 0.95,
) -> Cumulative:
    """Pool the first, the first two, and so on, in the order of a date or any other number.

    Parameters
    ----------
    estimate, variance : array or Series, shape (k,)
        Effects and sampling variances.
    order : array or Series, shape (k,)
        Dates or numbers; studies of one date come in together.
    spread, interval : str
        As in `pool`.
    study : sequence, optional
        Study labels.
    level : float
        Level of the intervals.

    Returns
    -------
    Cumulative

    Raises
    ------
    InputError
        As `pool`; or an order value is missing.

    Source
    ------
    Lau et al. (1992), N. Engl. J. Med. 327:248 (the idea; every step is `pool`).
    """
    effects = check_effects(estimate, variance, study=study)
    if isinstance(order, pd.Series) and isinstance(estimate, pd.Series):
        order = order.reindex(estimate.index)
    values = pd.Series(np.asarray(order))
    if values.size != effects.estimate.size:
        raise InputError(f"order has {values.size} rows and estimate {effects.estimate.size}.")
    if values.isna().any():
        row = int(np.flatnonzero(values.isna())[0])
        raise InputError(
            f"The order of study {effects.study[row]} (row {row + 1}) is missing. Give a date or "
            "a number, or leave the study out."
        )
    rows = []
    for value in sorted(values.unique()):
        inside = (values <= value).to_numpy()
        fit = pool(
            effects.estimate[inside],
            effects.variance[inside],
            spread=spread,
            interval=interval,
            level=level,
        )
        added = [n for n, v in zip(effects.study, values, strict=True) if v == value]
        rows.append(
            (
                ", ".join(added),
                value,
                fit.k,
                fit.estimate,
                fit.low,
                fit.high,
                fit.tau2,
                fit.status,
            )
        )
    return Cumulative(
        table=pd.DataFrame(rows, columns=list(CUMULATIVE_COLUMNS)),
        spread=spread,
        interval=interval,
        level=level,
    )
