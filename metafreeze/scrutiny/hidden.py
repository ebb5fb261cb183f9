"""How strong an unmeasured cause would have to be to explain the effect away.

Two answers on two scales: the robustness value, from the within-block regression, and
the E-value, from a ratio of mean times. Neither is a verdict: a measured cause drawn on
the same ruler says what "strong" means here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd
from scipy import stats

from metafreeze.errors import InputError
from metafreeze.results import RESULT, Result, round_for_people


@dataclass(**RESULT)
class RobustnessValue(Result):
    """Strength that a hidden cause needs, as a share of variance explained.

    Parameters
    ----------
    estimate, se : float
        The effect and its standard error, as given.
    df : float
        Residual degrees of freedom of the regression.
    partial_r2 : float
        Share of the outcome's residual variance that the treatment explains.
    value : float
        Share of residual variance, of treatment and of outcome alike, that a hidden cause
        would have to explain to bring the estimate down by the share `reduction`.
    value_at_level : float
        The same for bringing it down until the interval at `level` reaches that point.
    reduction : float
        Share of the estimate to be explained away; 1 is all of it.
    level : float
        Level of the interval.
    status, note : str
        ``ok``, or ``unidentifiable`` and why.
    """

    estimate: float
    se: float
    df: float
    partial_r2: float
    value: float
    value_at_level: float
    reduction: float
    level: float
    status: str = "ok"
    note: str = ""

    def to_frame(self) -> pd.DataFrame:
        """Give one row a quantity."""
        return pd.DataFrame(
            {
                "quantity": ["partial_r2", "robustness_value", "robustness_value_at_level"],
                "estimate": [self.partial_r2, self.value, self.value_at_level],
                "level": [math.nan, math.nan, self.level],
            }
        )

    def headline(self) -> str:
        """Say the result in one line."""
        return (
            f"a hidden cause would have to explain {round_for_people(100 * self.value)} % of what "
            f"is left of start temperature and of time to explain the effect away"
        )


@dataclass(**RESULT)
class AdjustedEffect(Result):
    """The effect, had a hidden cause of a stated strength been measured.

    Parameters
    ----------
    estimate, se, df, t, low, high : float
        Effect, standard error, degrees of freedom, their ratio and interval after adjusting.
    share_of_treatment, share_of_outcome : float
        Partial R² of the hidden cause with treatment and with outcome.
    level : float
        Level of the interval.
    """

    estimate: float
    se: float
    df: float
    t: float
    low: float
    high: float
    share_of_treatment: float
    share_of_outcome: float
    level: float

    def to_frame(self) -> pd.DataFrame:
        """Give the adjusted effect as one row."""
        return pd.DataFrame([{name: getattr(self, name) for name in self.field_names()}])

    def headline(self) -> str:
        """Say the result in one line."""
        return (
            f"adjusted effect {round_for_people(self.estimate)} "
            f"({round_for_people(self.low)} to {round_for_people(self.high)})"
        )


@dataclass(**RESULT)
class EValue(Result):
    """Least association, as a ratio, with treatment and outcome that explains a ratio away.

    Parameters
    ----------
    ratio : float
        The ratio, as given.
    value : float
        E-value of the ratio.
    value_of_limit : float
        E-value of the interval's limit nearer to 1; 1 where the interval holds 1.
    """

    ratio: float
    value: float
    value_of_limit: float

    def to_frame(self) -> pd.DataFrame:
        """Give one row a quantity."""
        return pd.DataFrame(
            {"quantity": ["ratio", "nearer limit"], "e_value": [self.value, self.value_of_limit]}
        )

    def headline(self) -> str:
        """Say the result in one line."""
        return (
            f"E-value {round_for_people(self.value)}, "
            f"{round_for_people(self.value_of_limit)} for the nearer limit"
        )


def robustness_value(
    estimate: float, se: float, df: float, *, reduction: float = 1.0, level: float = 0.95
) -> RobustnessValue:
    """Ask how strong a hidden cause must be to explain the effect away.

    Use it on the within-block regression, whose rows are exchangeable within blocks. It
    assumes a linear regression with residual degrees of freedom at the level of rows; from
    a mixed model with few studies it would be far too sure.

    Parameters
    ----------
    estimate, se : float
        Slope and standard error, same unit.
    df : float
        Residual degrees of freedom, above 1.
    reduction : float
        Share of the estimate to be explained away, above zero.
    level : float
        Level of the interval, between 0 and 1.

    Returns
    -------
    RobustnessValue

    Raises
    ------
    InputError
        A standard error, df, reduction or level outside its range.

    Source
    ------
    Cinelli & Hazlett (2020), J. R. Stat. Soc. B 82:39-67, sections 4.1 to 4.4:
    f = |t|/sqrt(df), RV = (sqrt(f^4 + 4 f^2) - f^2)/2 with f times the reduction, and for
    the interval f less the critical t over sqrt(df - 1).
    """
    _require(se > 0, f"se is {se!r}. Give a standard error above zero.")
    _require(df > 1, f"df is {df!r}. Give residual degrees of freedom above 1.")
    _require(reduction > 0, f"reduction is {reduction!r}. Give a share above zero.")
    _require(0 < level < 1, f"level is {level!r}. Give a level between 0 and 1.")
    f = abs(estimate / se) / math.sqrt(df)
    f_q = reduction * f
    critical = float(stats.t.isf((1 - level) / 2, df - 1)) / math.sqrt(df - 1)
    f_level = f_q - critical
    if f_level <= 0:
        at_level = 0.0
    elif f_q > 1 / critical:
        # Beyond this strength the bound on the outcome's side is reached first (section 4.4).
        at_level = (f_q**2 - critical**2) / (1 + f_q**2)
    else:
        at_level = _value_of(f_level)
    return RobustnessValue(
        estimate=estimate,
        se=se,
        df=df,
        partial_r2=f**2 / (1 + f**2),
        value=_value_of(f_q),
        value_at_level=at_level,
        reduction=reduction,
        level=level,
    )


def _value_of(f: float) -> float:
    return 0.5 * (math.sqrt(f**4 + 4 * f**2) - f**2)


def adjust_for_hidden(
    estimate: float,
    se: float,
    df: float,
    *,
    share_of_treatment: float,
    share_of_outcome: float,
    level: float = 0.95,
) -> AdjustedEffect:
    """Say what the effect would be, had a cause of this strength been measured.

    Parameters
    ----------
    estimate, se : float
        Slope and standard error, same unit.
    df : float
        Residual degrees of freedom, above 1.
    share_of_treatment, share_of_outcome : float
        Partial R² of the cause with the treatment, and with the outcome given the treatment;
        from 0 to below 1. The cause is taken to pull the estimate towards zero.
    level : float
        Level of the interval.

    Returns
    -------
    AdjustedEffect

    Raises
    ------
    InputError
        A share outside its range, or a standard error or df that cannot be.

    Source
    ------
    Cinelli & Hazlett (2020), J. R. Stat. Soc. B 82:39-67, section 4.1, bias and standard
    error in terms of partial R².
    """
    _require(se > 0, f"se is {se!r}. Give a standard error above zero.")
    _require(df > 1, f"df is {df!r}. Give residual degrees of freedom above 1.")
    for name, share in (
        ("share_of_treatment", share_of_treatment),
        ("share_of_outcome", share_of_outcome),
    ):
        _require(0 <= share < 1, f"{name} is {share!r}. Give a share from 0 to below 1.")
    bias = (
        se
        * math.sqrt(df)
        * math.sqrt(share_of_outcome * share_of_treatment / (1 - share_of_treatment))
    )
    adjusted = estimate - math.copysign(bias, estimate)
    adjusted_se = (
        se * math.sqrt((1 - share_of_outcome) / (1 - share_of_treatment)) * math.sqrt(df / (df - 1))
    )
    half = float(stats.t.isf((1 - level) / 2, df - 1)) * adjusted_se
    return AdjustedEffect(
        estimate=adjusted,
        se=adjusted_se,
        df=df - 1,
        t=adjusted / adjusted_se,
        low=adjusted - half,
        high=adjusted + half,
        share_of_treatment=share_of_treatment,
        share_of_outcome=share_of_outcome,
        level=level,
    )


def shares_as_strong_as(
    *, times: float, share_of_treatment: float, share_of_outcome: float
) -> tuple[float, float]:
    """Bound the strength of a cause that is so many times as strong as a measured one.

    Parameters
    ----------
    times : float
        How many times as strong, with treatment and with outcome alike.
    share_of_treatment, share_of_outcome : float
        Partial R² of the measured cause with treatment, and with outcome given treatment.

    Returns
    -------
    tuple of float
        The same two shares for the hidden cause; the second is at most 1.

    Raises
    ------
    InputError
        The measured cause explains so much that a cause of this strength is impossible.

    Source
    ------
    Cinelli & Hazlett (2020), J. R. Stat. Soc. B 82:39-67, section 4.4, bounds from
    benchmark covariates.
    """
    treatment = times * share_of_treatment / (1 - share_of_treatment)
    _require(
        treatment < 1,
        f"A cause {times:g} times as strong would explain more than all of start temperature. "
        "Ask for a smaller multiple.",
    )
    # Below `treatment`, so below one.
    overlap = (
        times
        * share_of_treatment**2
        / ((1 - times * share_of_treatment) * (1 - share_of_treatment))
    )
    eta2 = (math.sqrt(times) + math.sqrt(overlap)) ** 2 / (1 - overlap)
    return treatment, min(1.0, eta2 * share_of_outcome / (1 - share_of_outcome))


def e_value(ratio: float, *, low: float = math.nan, high: float = math.nan) -> EValue:
    """Ask how strongly a hidden cause must be tied to both sides to explain a ratio away.

    Parameters
    ----------
    ratio : float
        Ratio of mean times, above zero; below 1 it is inverted.
    low, high : float
        Limits of its interval; NaN where there are none.

    Returns
    -------
    EValue

    Raises
    ------
    InputError
        A ratio or limit that is not above zero.

    Source
    ------
    VanderWeele & Ding (2017), Ann. Intern. Med. 167:268-274: E = R + sqrt(R (R - 1)).
    """
    _require(ratio > 0, f"ratio is {ratio!r}. Give a ratio above zero.")
    for name, limit in (("low", low), ("high", high)):
        _require(not limit <= 0, f"{name} is {limit!r}. Give a limit above zero.")
    nearer = high if ratio < 1 else low
    if math.isnan(nearer):
        of_limit = math.nan
    elif (nearer >= 1) == (ratio < 1):
        of_limit = 1.0
    else:
        of_limit = _e_value_of(nearer)
    return EValue(ratio=ratio, value=_e_value_of(ratio), value_of_limit=of_limit)


def _e_value_of(ratio: float) -> float:
    r = max(ratio, 1 / ratio)
    return r + math.sqrt(r * (r - 1))


def _require(holds: bool, message: str) -> None:
    if not holds:
        raise InputError(message)
