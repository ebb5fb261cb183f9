"""Pool study effects, allowing true effects to differ between studies."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from metafreeze.models.heavy_tails import new_study_factor
from metafreeze.models.heterogeneity import describe_disagreement, require_level
from metafreeze.models.pool_input import Effects, Moderators, Numbers, check_effects
from metafreeze.models.tau2 import cochran_q, estimate_tau2, profile_q
from metafreeze.options import Interval, NewStudy, Spread, require_choice
from metafreeze.results import RESULT, FloatArray, Result, round_for_people

FEW_STUDIES = 5
# Columns of the design count as dependent once a singular value falls this far.
RANK_TOLERANCE = 1e-9
# Residuals this small against the effects are rounding: the studies report one number.
NO_RESIDUAL = 1e-12

NAN = float("nan")
COEFFICIENT_COLUMNS = ("term", "estimate", "se", "df", "low", "high", "p")


@dataclass(**RESULT)
class PooledEffect(Result):
    """A pooled effect, the range for a new study, and how much studies disagree.

    Parameters
    ----------
    estimate, se, df, low, high, p : float
        Pooled effect with its interval and two-sided p-value; with moderators, the effect for
        a study with average moderators. `df` is infinite for the normal interval.
    prediction_low, prediction_high : float
        Range that would hold the true effect of a new study.
    tau2, tau2_low, tau2_high : float
        Variance of true effects between studies.
    q, q_df, q_p : float, int, float
        Weighted sum of squares around the fit.
    i2, i2_low, i2_high : float
        I² in percent.
    h2 : float
        H², at least 1.
    weights : array, shape (k,)
        Share of each study, in the order given; sums to 1.
    k : int
        Number of effects.
    coefficients : DataFrame
        One row a coefficient: term, estimate, se, df, low, high, p. The first is the pooled
        effect, with moderators the effect where all of them are zero.
    r2 : float
        Percent of the between-study variance that the moderators explain; NaN without them.
    status : str
        ``ok``, ``boundary`` (tau² estimated at zero) or ``unidentifiable``.
    note : str
        What to keep in mind, in plain words.
    level : float
        Level of the intervals.
    spread, interval : str
        Rule for tau² and kind of interval, as used.
    study : tuple of str
        Labels in the order of `weights`.
    se_plain : float
        Standard error if tau² were known, whatever the interval.
    covariance : array, shape (p, p)
        Covariance of the coefficients as used by the interval.
    reasons : dict
        Name of a missing number to why it is missing.
    """

    estimate: float
    se: float
    df: float
    low: float
    high: float
    p: float
    prediction_low: float
    prediction_high: float
    tau2: float
    tau2_low: float
    tau2_high: float
    q: float
    q_df: int
    q_p: float
    i2: float
    i2_low: float
    i2_high: float
    h2: float
    weights: FloatArray
    k: int
    coefficients: pd.DataFrame
    r2: float
    status: str
    note: str
    level: float
    spread: str
    interval: str
    study: tuple[str, ...]
    se_plain: float
    covariance: FloatArray
    reasons: dict[str, str] = field(default_factory=dict)

    def to_frame(self) -> pd.DataFrame:
        """Give one row a quantity: pooled effect, new study, moderators, tau², Q, I², H²."""
        why = self.reasons.get
        rows: list[tuple[object, ...]] = [
            (
                "pooled effect",
                self.estimate,
                self.se,
                self.df,
                self.low,
                self.high,
                self.p,
                why("estimate", why("low", "")),
            ),
            (
                "new study",
                self.estimate,
                NAN,
                NAN if "prediction" in self.reasons else float(self.q_df - 1),
                self.prediction_low,
                self.prediction_high,
                NAN,
                why("prediction", ""),
            ),
        ]
        if self.coefficient_count > 1:
            rows += [
                (f"coefficient: {term}", *numbers, why("estimate", ""))
                for term, *numbers in self.coefficients.itertuples(index=False)
            ]
            rows.append(("R2 percent", self.r2, NAN, NAN, NAN, NAN, NAN, why("r2", "")))
        rows += [
            ("tau2", self.tau2, NAN, NAN, self.tau2_low, self.tau2_high, NAN, why("tau2", "")),
            ("Q", self.q, NAN, float(self.q_df), NAN, NAN, self.q_p, why("q", "")),
            ("I2 percent", self.i2, NAN, NAN, self.i2_low, self.i2_high, NAN, why("i2", "")),
            ("H2", self.h2, NAN, NAN, NAN, NAN, NAN, why("i2", "")),
        ]
        columns = ["quantity", "estimate", "se", "df", "low", "high", "p", "reason"]
        return pd.DataFrame(rows, columns=columns)

    @property
    def coefficient_count(self) -> int:
        """Number of fixed coefficients, the pooled effect included."""
        return len(self.coefficients)

    def headline(self) -> str:
        """Say the result in one line."""
        studies = "1 study" if self.k == 1 else f"{self.k} studies"
        return (
            f"pooled effect {round_for_people(self.estimate)} "
            f"({100 * self.level:g} % {round_for_people(self.low)} to "
            f"{round_for_people(self.high)}), {studies}; a new study "
            f"{round_for_people(self.prediction_low)} to "
            f"{round_for_people(self.prediction_high)}; {self.spread}, {self.interval}; "
            f"{self.status}"
        )


def pool(
    estimate: Numbers,
    variance: Numbers,
    *,
    spread: Spread = "restricted-likelihood",
    interval: Interval = "hartung-knapp",
    moderators: Moderators | None = None,
    study: Sequence[Hashable] | npt.ArrayLike | None = None,
    covariance: npt.ArrayLike | pd.DataFrame | None = None,
    new_study: NewStudy = "normal",
    level: float = 0.95,
) -> PooledEffect:
    """Pool study effects, allowing true effects to differ between studies.

    Use it on one effect a study with a sampling variance that is known well (from a dozen
    runs or more, or published). It assumes effects scatter normally around their mean.
    For runs at hand prefer the one-stage mixed model: s²/n of three runs is not a known
    variance. For several effects a study use `pool_nested`; for three or four studies look
    at `pool_few` too.

    Parameters
    ----------
    estimate : array or Series, shape (k,)
        Effects on an additive scale, such as log time ratios. Labels of a Series are keys:
        the other columns are matched by them, not by position.
    variance : array or Series, shape (k,)
        Sampling variances, above zero.
    spread : str
        Rule for the variance between studies, one of `metafreeze.options.Spread`.
    interval : {"hartung-knapp", "hartung-knapp-floored", "normal"}
        Interval of the pooled effect; the floored one is never narrower than the plain one
        on the same t distribution.
    moderators : array, Series, DataFrame or mapping, optional
        Study characteristics, one row an effect. Text becomes indicators.
    study : sequence, shape (k,), optional
        Study labels, unique.
    covariance : array or DataFrame, shape (k, k), optional
        Sampling covariance where effects share a group; its diagonal is `variance`.
    new_study : {"normal", "heavy-tailed"}
        Tails of the true effects that the range for a new study allows for. The heavy-tailed
        one is wider and holds its level where some labs lie far out (t on 3 degrees of
        freedom); where effects are normal it holds more than the level.
    level : float
        Level of the intervals.

    Returns
    -------
    PooledEffect

    Raises
    ------
    InputError
        A row is missing, a variance is not above zero, keys do not match, names repeat, or an
        option does not exist; the message names the rows.

    Source
    ------
    Pooled mean and Hartung-Knapp: Hartung & Knapp (2001), Stat. Med. 20:3875,
    doi:10.1002/sim.1009; with moderators Knapp & Hartung (2003), Stat. Med. 22:2693,
    doi:10.1002/sim.1482; floored: Roever, Knapp & Friede (2015), BMC Med. Res. Methodol.
    15:99, doi:10.1186/s12874-015-0091-1. Prediction: Higgins, Thompson & Spiegelhalter
    (2009), J. R. Stat. Soc. A 172:137, doi:10.1111/j.1467-985X.2008.00552.x; with heavy tails
    our own rule, see `heavy_tail_factor`. Interval of
    tau²: Viechtbauer (2007), Stat. Med. 26:37, doi:10.1002/sim.2514. Shared groups: rotating
    by the eigenvectors of the sampling covariance makes it diagonal and leaves tau² I as it
    is. Checks in tests/published/test_pooling_published.py.

    Examples
    --------
    >>> pooled = pool([0.10, 0.30, 0.35], [0.01, 0.02, 0.04], spread="dersimonian-laird")
    >>> round(pooled.estimate, 3)
    0.195
    """
    require_choice(spread, Spread, name="spread")
    require_choice(interval, Interval, name="interval")
    require_choice(new_study, NewStudy, name="new_study")
    require_level(level)
    effects = check_effects(
        estimate, variance, moderators=moderators, study=study, covariance=covariance
    )
    k = effects.estimate.size
    p = 1 + effects.moderators.shape[1]
    problem = design_problem(effects)
    if problem:
        return _not_pooled(effects, spread, interval, level, problem)
    if k == 1:
        return _single_study(effects, spread, level)
    centre = effects.moderators.mean(axis=0)
    y, v, x = _diagonal_problem(effects, centre)
    tau2 = estimate_tau2(y, v, x, spread=spread)
    return _pooled(effects, y, v, x, centre, tau2, spread, interval, new_study, level, free=k - p)


def design_problem(effects: Effects) -> str:
    """Say, before anything is fitted, why these moderators cannot be told apart.

    Parameters
    ----------
    effects : Effects
        With their moderators.

    Returns
    -------
    str
        Empty where they can.
    """
    k, q = effects.moderators.shape
    if q == 0:
        return ""
    if k <= q + 1:
        return (
            f"{k} studies cannot carry {q + 1} coefficients and their disagreement; "
            f"at least {q + 2} are needed"
        )
    names = effects.moderator_names
    centred = effects.moderators - effects.moderators.mean(axis=0)
    sizes = np.sqrt((centred**2).sum(axis=0))
    scale = np.abs(effects.moderators).max(axis=0) * np.sqrt(k)
    constant = [n for n, s, c in zip(names, sizes, scale, strict=True) if s <= RANK_TOLERANCE * c]
    if constant:
        return f"the moderator {', '.join(constant)} has one value in all studies"
    basis: list[FloatArray] = []
    for name, column in zip(names, (centred / sizes).T, strict=True):
        rest = column.copy()
        for _ in range(2):  # a second pass removes what rounding left
            for b in basis:
                rest -= b * (b @ rest)
        length = float(np.sqrt(rest @ rest))
        if length <= RANK_TOLERANCE:
            return f"the moderator {name} is a combination of the others"
        basis.append(rest / length)
    return ""


def _diagonal_problem(
    effects: Effects, centre: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give y, v, X with independent rows; moderators centred on `centre`."""
    y, v = effects.estimate, effects.variance
    x = np.column_stack([np.ones(y.size), effects.moderators - centre])
    if effects.covariance is None:
        return y, v, x
    values, vectors = np.linalg.eigh(effects.covariance)
    return vectors.T @ y, values, vectors.T @ x


def _pooled(
    effects: Effects,
    y: FloatArray,
    v: FloatArray,
    x: FloatArray,
    centre: FloatArray,
    tau2: float,
    spread: str,
    interval: str,
    new_study: str,
    level: float,
    *,
    free: int,
) -> PooledEffect:
    alpha = 1 - level
    beta, plain, squares = _weighted_fit(y, v + tau2, x)
    notes: list[str] = []
    reasons: dict[str, str] = {}
    factor, used = _interval_factor(y, v + tau2, squares / free, interval, notes)
    covariance = plain * factor
    df = np.inf if interval == "normal" else float(free)
    crit = float(stats.norm.isf(alpha / 2) if np.isinf(df) else stats.t.isf(alpha / 2, df))
    estimate, se = float(beta[0]), float(np.sqrt(covariance[0, 0]))
    se_plain = float(np.sqrt(plain[0, 0]))
    q = cochran_q(y, v, x)
    disagreement = describe_disagreement(q, free, level=level)
    if disagreement.reason:
        reasons["i2"] = disagreement.reason
    tau2_low, tau2_high = _tau2_interval(y, v, x, tau2, spread, free, alpha, notes, reasons)
    prediction = _prediction(
        estimate, max(se, se_plain), tau2, spread, new_study, free, level, notes, reasons
    )
    _notes_on_few(effects.estimate.size, free, tau2, spread, notes)
    if interval == "hartung-knapp" and factor < 1:
        notes.append(
            "the studies agree more closely than their own errors let expect, so this interval "
            "is narrower than the plain one; the floored one is not"
        )
    table, table_covariance = _coefficient_table(effects, beta, covariance, centre, df, crit)
    weights = 1.0 / (effects.variance + tau2)
    boundary = tau2 == 0 and spread != "none"
    return PooledEffect(
        estimate=estimate,
        se=se,
        df=df,
        low=estimate - crit * se,
        high=estimate + crit * se,
        p=two_sided_p(estimate, se, df),
        prediction_low=prediction[0],
        prediction_high=prediction[1],
        tau2=tau2,
        tau2_low=tau2_low,
        tau2_high=tau2_high,
        q=q,
        q_df=free,
        q_p=disagreement.q_p,
        i2=disagreement.i2,
        i2_low=disagreement.i2_low,
        i2_high=disagreement.i2_high,
        h2=disagreement.h2,
        weights=weights / weights.sum(),
        k=effects.estimate.size,
        coefficients=table,
        r2=_explained(effects, tau2, spread, reasons),
        status="boundary" if boundary else "ok",
        note="; ".join(notes),
        level=level,
        spread=spread,
        interval=used,
        study=effects.study,
        se_plain=se_plain,
        covariance=table_covariance,
        reasons=reasons,
    )


def _weighted_fit(
    y: FloatArray, total: FloatArray, x: FloatArray
) -> tuple[FloatArray, FloatArray, float]:
    """Weighted least squares: coefficients, their covariance, weighted residual squares."""
    root = 1.0 / np.sqrt(total)
    basis, upper = np.linalg.qr(root[:, np.newaxis] * x)
    z = root * y
    inside = basis.T @ z
    residual = z - basis @ inside
    inverse = np.linalg.solve(upper, np.eye(upper.shape[0]))
    return np.linalg.solve(upper, inside), inverse @ inverse.T, float(residual @ residual)


def _interval_factor(
    y: FloatArray, total: FloatArray, mean_square: float, interval: str, notes: list[str]
) -> tuple[float, str]:
    """Give the factor on the plain covariance, and the interval as used."""
    if interval == "normal":
        return 1.0, interval
    if interval == "hartung-knapp-floored":
        return max(1.0, mean_square), interval
    size = float(np.mean(y * y / total))
    if mean_square <= NO_RESIDUAL**2 * max(1.0, size):
        notes.append(
            "all studies report the same effect, so their scatter gives no interval; the one "
            "that is never narrower than the plain one stands instead"
        )
        return 1.0, "hartung-knapp-floored"
    return mean_square, interval


def _tau2_interval(
    y: FloatArray,
    v: FloatArray,
    x: FloatArray,
    tau2: float,
    spread: str,
    free: int,
    alpha: float,
    notes: list[str],
    reasons: dict[str, str],
) -> tuple[float, float]:
    if spread == "none":
        reasons["tau2"] = "zero by assumption, not estimated"
        return NAN, NAN
    upper_target = float(stats.chi2.ppf(alpha / 2, free))
    if cochran_q(y, v, x) < upper_target:
        reasons["tau2"] = (
            "the studies scatter less than their own errors let expect, so Q excludes every tau²"
        )
        return (0.0, NAN) if tau2 == 0 else (NAN, NAN)
    low, high = profile_q(
        y,
        v,
        x,
        lower_target=float(stats.chi2.isf(alpha / 2, free)),
        upper_target=upper_target,
    )
    if not low <= tau2 <= high:
        # The interval inverts Q and the estimate may rest on another statistic.
        notes.append("the interval of tau² was widened to hold its estimate")
        low, high = min(low, tau2), max(high, tau2)
    return low, high


def _prediction(
    estimate: float,
    se: float,
    tau2: float,
    spread: str,
    new_study: str,
    free: int,
    level: float,
    notes: list[str],
    reasons: dict[str, str],
) -> tuple[float, float]:
    if spread == "none":
        reasons["prediction"] = "one common effect was assumed, so a new study is taken to share it"
        return NAN, NAN
    if free < 2:
        reasons["prediction"] = "a range for a new study needs at least three studies"
        return NAN, NAN
    if free + 1 < FEW_STUDIES:
        notes.append("the range for a new study is very uncertain with under five studies")
    reach = new_study_factor(free + 1, new_study, level)
    half = reach * float(np.hypot(np.sqrt(tau2), se))
    return estimate - half, estimate + half


def _notes_on_few(k: int, free: int, tau2: float, spread: str, notes: list[str]) -> None:
    if k == 2:
        notes.append(
            "two studies leave one degree of freedom, and how much labs disagree is barely known"
        )
    elif free + 1 < FEW_STUDIES:
        notes.append(f"{k} studies say little on how much labs disagree")
    if tau2 == 0 and spread != "none":
        notes.append(
            "no disagreement beyond chance was seen, which does not show that studies agree"
        )


def _coefficient_table(
    effects: Effects,
    beta: FloatArray,
    covariance: FloatArray,
    centre: FloatArray,
    df: float,
    crit: float,
) -> tuple[pd.DataFrame, FloatArray]:
    """Move the intercept from average moderators to zero moderators."""
    shift = np.eye(beta.size)
    shift[0, 1:] = -centre
    moved, spread_of = shift @ beta, shift @ covariance @ shift.T
    terms = ["pooled effect"] if beta.size == 1 else ["intercept", *effects.moderator_names]
    rows = []
    for term, value, var in zip(terms, moved, np.diag(spread_of), strict=True):
        se = float(np.sqrt(var))
        b = float(value)
        rows.append((term, b, se, df, b - crit * se, b + crit * se, two_sided_p(b, se, df)))
    return pd.DataFrame(rows, columns=list(COEFFICIENT_COLUMNS)), spread_of


def two_sided_p(estimate: float, se: float, df: float) -> float:
    """Give the two-sided p-value of ``estimate / se`` on `df` degrees of freedom.

    Parameters
    ----------
    estimate, se : float
        Estimate and standard error above zero.
    df : float
        Infinite for the normal distribution.

    Returns
    -------
    float
    """
    z = abs(estimate) / se
    return float(2 * (stats.norm.sf(z) if np.isinf(df) else stats.t.sf(z, df)))


def _explained(effects: Effects, tau2: float, spread: str, reasons: dict[str, str]) -> float:
    if effects.moderators.shape[1] == 0:
        reasons["r2"] = "no moderators"
        return NAN
    if spread == "none":
        reasons["r2"] = "one common effect was assumed"
        return NAN
    bare = Effects(
        estimate=effects.estimate,
        variance=effects.variance,
        study=effects.study,
        moderators=np.empty((effects.estimate.size, 0)),
        moderator_names=(),
        covariance=effects.covariance,
    )
    y, v, x = _diagonal_problem(bare, np.empty(0))
    total = estimate_tau2(y, v, x, spread=spread)
    if total == 0:
        reasons["r2"] = "without moderators tau² is already zero: nothing to explain"
        return NAN
    return 100.0 * max(0.0, 1.0 - tau2 / total)


def _empty_coefficients(terms: Sequence[str]) -> pd.DataFrame:
    rows = [(term, NAN, NAN, NAN, NAN, NAN, NAN) for term in terms]
    return pd.DataFrame(rows, columns=list(COEFFICIENT_COLUMNS))


def _not_pooled(
    effects: Effects, spread: str, interval: str, level: float, problem: str
) -> PooledEffect:
    k = effects.estimate.size
    terms = ["intercept", *effects.moderator_names]
    return PooledEffect(
        estimate=NAN,
        se=NAN,
        df=NAN,
        low=NAN,
        high=NAN,
        p=NAN,
        prediction_low=NAN,
        prediction_high=NAN,
        tau2=NAN,
        tau2_low=NAN,
        tau2_high=NAN,
        q=NAN,
        q_df=max(0, k - len(terms)),
        q_p=NAN,
        i2=NAN,
        i2_low=NAN,
        i2_high=NAN,
        h2=NAN,
        weights=np.full(k, NAN),
        k=k,
        coefficients=_empty_coefficients(terms),
        r2=NAN,
        status="unidentifiable",
        note=problem,
        level=level,
        spread=spread,
        interval=interval,
        study=effects.study,
        se_plain=NAN,
        covariance=np.full((len(terms), len(terms)), NAN),
        reasons=dict.fromkeys(("estimate", "prediction", "tau2", "q", "i2", "r2"), problem),
    )


def _single_study(effects: Effects, spread: str, level: float) -> PooledEffect:
    """One study: its own effect and error, and nothing on other studies."""
    y, v = float(effects.estimate[0]), float(effects.variance[0])
    se = float(np.sqrt(v))
    crit = float(stats.norm.isf((1 - level) / 2))
    p = two_sided_p(y, se, np.inf)
    alone = "one study says nothing on how much studies disagree"
    row = ("pooled effect", y, se, np.inf, y - crit * se, y + crit * se, p)
    return PooledEffect(
        estimate=y,
        se=se,
        df=np.inf,
        low=y - crit * se,
        high=y + crit * se,
        p=p,
        prediction_low=NAN,
        prediction_high=NAN,
        tau2=0.0 if spread == "none" else NAN,
        tau2_low=NAN,
        tau2_high=NAN,
        q=0.0,
        q_df=0,
        q_p=NAN,
        i2=NAN,
        i2_low=NAN,
        i2_high=NAN,
        h2=NAN,
        weights=np.ones(1),
        k=1,
        coefficients=pd.DataFrame([row], columns=list(COEFFICIENT_COLUMNS)),
        r2=NAN,
        status="ok" if spread == "none" else "unidentifiable",
        note=f"{alone}; the interval is this study's own, from its sampling error alone",
        level=level,
        spread=spread,
        interval="normal",
        study=effects.study,
        se_plain=se,
        covariance=np.array([[v]]),
        reasons=dict.fromkeys(("prediction", "tau2", "q", "i2", "r2"), alone),
    )
