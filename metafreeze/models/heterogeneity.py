"""How much studies disagree, from Q: its p-value, I² and H² with intervals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from metafreeze.errors import InputError
from metafreeze.results import RESULT, Result, round_for_people


@dataclass(**RESULT)
class Disagreement(Result):
    """Share of the variation between studies that chance within studies does not explain.

    Parameters
    ----------
    q : float
        Weighted sum of squares around the pooled effect.
    q_df : int
        Its degrees of freedom.
    q_p : float
        Upper tail of the chi-square distribution.
    i2, i2_low, i2_high : float
        I² in percent, 0 to 100, with its interval.
    h2, h2_low, h2_high : float
        H², at least 1, with its interval.
    level : float
        Level of the intervals.
    reason : str
        Why something is missing; empty otherwise.
    """

    q: float
    q_df: int
    q_p: float
    i2: float
    i2_low: float
    i2_high: float
    h2: float
    h2_low: float
    h2_high: float
    level: float
    reason: str = ""

    def to_frame(self) -> pd.DataFrame:
        """Give Q, I² and H², one row each."""
        nan = float("nan")
        return pd.DataFrame(
            {
                "quantity": ["Q", "I2 percent", "H2"],
                "estimate": [self.q, self.i2, self.h2],
                "df": [float(self.q_df), nan, nan],
                "low": [nan, self.i2_low, self.h2_low],
                "high": [nan, self.i2_high, self.h2_high],
                "p": [self.q_p, nan, nan],
                "reason": ["", self.reason, self.reason],
            }
        )

    def headline(self) -> str:
        """Say the result in one line."""
        return (
            f"Q {round_for_people(self.q)} on {self.q_df} df, "
            f"I² {round_for_people(self.i2)} % ({round_for_people(self.i2_low)} to "
            f"{round_for_people(self.i2_high)})"
        )


def describe_disagreement(q: float, df: int, *, level: float = 0.95) -> Disagreement:
    """Turn Q into a p-value, I² and H² with test-based intervals.

    I² says how much of the visible variation is beyond chance, not how large it is; read
    tau² for that.

    Parameters
    ----------
    q : float
        Weighted sum of squares, not negative.
    df : int
        Degrees of freedom: studies minus coefficients.
    level : float
        Level of the intervals.

    Returns
    -------
    Disagreement

    Raises
    ------
    InputError
        Q or df is negative, or the level is outside 0 to 1.

    Source
    ------
    Higgins & Thompson (2002), Stat. Med. 21:1539, doi:10.1002/sim.1186: ``H² = Q/df`` set to
    1 where smaller, ``I² = (H² - 1)/H²``, and the standard error of ln H from Q.

    Examples
    --------
    >>> round(describe_disagreement(15.9, 5).i2)
    69
    """
    if not q >= 0 or df < 0:
        raise InputError(f"Q is {q!r} on {df!r} degrees of freedom. Neither can be negative.")
    require_level(level)
    nan = float("nan")
    if df == 0:
        return Disagreement(
            q=0.0,
            q_df=0,
            q_p=nan,
            i2=nan,
            i2_low=nan,
            i2_high=nan,
            h2=nan,
            h2_low=nan,
            h2_high=nan,
            level=level,
            reason="disagreement needs at least two studies",
        )
    h2 = max(1.0, q / df)
    se = _se_log_h(q, df)
    z = float(stats.norm.isf((1 - level) / 2))
    # The interval is taken on ln H = ln(H²)/2 and squared back.
    h2_low = float(np.maximum(1.0, h2 * np.exp(-2 * z * se)))
    h2_high = h2 * float(np.exp(2 * z * se))
    return Disagreement(
        q=float(q),
        q_df=df,
        q_p=float(stats.chi2.sf(q, df)),
        i2=_percent(h2),
        i2_low=_percent(h2_low),
        i2_high=_percent(h2_high),
        h2=h2,
        h2_low=h2_low,
        h2_high=h2_high,
        level=level,
        reason="" if np.isfinite(se) else "two studies with a small Q give no interval",
    )


def _percent(h2: float) -> float:
    # The quotient first: it cannot exceed one, the product rounded could.
    return 100.0 * ((h2 - 1.0) / h2)


def _se_log_h(q: float, df: int) -> float:
    k = df + 1
    if q > k:
        return float(0.5 * np.log(q / df) / (np.sqrt(2 * q) - np.sqrt(2 * k - 3)))
    if k == 2:
        return float("nan")
    return float(np.sqrt(1 / (2 * (k - 2)) * (1 - 1 / (3 * (k - 2) ** 2))))


def require_level(level: float) -> None:
    """Refuse a level that is not strictly between 0 and 1.

    Parameters
    ----------
    level : float
        Level of an interval.
    """
    if not 0 < level < 1:
        raise InputError(f"level is {level!r}. Give a fraction between 0 and 1, such as 0.95.")
