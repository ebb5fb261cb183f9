"""Does a new study bear the old one out? Each measure answers one plain question."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import optimize, stats

from metafreeze.errors import InputError
from metafreeze.models.heterogeneity import require_level
from metafreeze.models.power import two_group_power
from metafreeze.results import RESULT, FloatArray, Result, round_for_people

NAN = float("nan")
# Power that an effect "too small for the original to have noticed" would have had.
UNDERPOWERED = 1.0 / 3.0
GOLDEN = (1 + 5**0.5) / 2
ANSWER_COLUMNS = ("measure", "question", "answer", "value", "low", "high", "p", "reason")


@dataclass(**RESULT)
class Equivalence(Result):
    """Two one-sided tests against bounds of no interest.

    Parameters
    ----------
    estimate, se, df : float
        Effect, standard error, degrees of freedom (infinite for the normal).
    bound_low, bound_high : float
        Bounds, in the unit of the effect.
    p_low, p_high : float
        One-sided p-values against the lower and the upper bound.
    p : float
        The larger of the two, which decides.
    low, high : float
        The interval at level 1 - 2 alpha that says the same.
    equivalent : bool
        Whether both tests reject at `alpha`: the interval lies inside the bounds.
    alpha : float
        Level of each one-sided test.
    """

    estimate: float
    se: float
    df: float
    bound_low: float
    bound_high: float
    p_low: float
    p_high: float
    p: float
    low: float
    high: float
    equivalent: bool
    alpha: float

    def to_frame(self) -> pd.DataFrame:
        """Give one row a test."""
        return pd.DataFrame(
            {
                "test": ["above the lower bound", "below the upper bound", "both"],
                "bound": [self.bound_low, self.bound_high, NAN],
                "t": [
                    (self.estimate - self.bound_low) / self.se,
                    (self.estimate - self.bound_high) / self.se,
                    NAN,
                ],
                "df": [self.df] * 3,
                "p": [self.p_low, self.p_high, self.p],
            }
        )

    def headline(self) -> str:
        """Say the result in one line."""
        verdict = "inside" if self.equivalent else "not shown to be inside"
        return (
            f"effect {round_for_people(self.estimate)} ({100 * (1 - 2 * self.alpha):g} % "
            f"{round_for_people(self.low)} to {round_for_people(self.high)}) is {verdict} "
            f"({round_for_people(self.bound_low)}, {round_for_people(self.bound_high)}), "
            f"p {round_for_people(self.p)}"
        )


def assess_equivalence(
    estimate: float,
    se: float,
    *,
    bounds: tuple[float, float],
    df: float = float("inf"),
    alpha: float = 0.05,
) -> Equivalence:
    """Test whether an effect lies inside bounds within which it would not matter.

    Both one-sided tests must reject, so the larger p-value decides; the verdict is that of the
    interval at level 1 - 2 alpha.

    Parameters
    ----------
    estimate, se : float
        Effect and standard error above zero.
    bounds : tuple of float
        Lower and upper bound; one may be infinite.
    df : float
        Degrees of freedom.
    alpha : float
        Level of each test.

    Returns
    -------
    Equivalence

    Raises
    ------
    InputError
        Bounds are reversed, equal, missing or both infinite, or the error is not above zero.

    Source
    ------
    Schuirmann (1987), J. Pharmacokinet. Biopharm. 15:657, doi:10.1007/BF01068419; example EQ-1.

    Examples
    --------
    >>> assess_equivalence(0.01, 0.02, bounds=(-0.05, 0.05)).equivalent
    True
    """
    low_bound, high_bound = bounds
    if not low_bound < high_bound or (np.isinf(low_bound) and np.isinf(high_bound)):
        raise InputError(
            f"bounds is ({low_bound:g}, {high_bound:g}). Give the lower bound first, the upper "
            "second, at least one of them finite."
        )
    if not (se > 0 and np.isfinite(se) and np.isfinite(estimate)):
        raise InputError(f"se is {se!r} at {estimate!r}. Give a standard error above zero.")
    if not 0 < alpha < 0.5:
        raise InputError(f"alpha is {alpha!r}. Give a level between 0 and 0.5, such as 0.05.")
    p_low = float(stats.t.sf((estimate - low_bound) / se, df))
    p_high = float(stats.t.cdf((estimate - high_bound) / se, df))
    half = float(stats.t.isf(alpha, df)) * se
    p = max(p_low, p_high)
    return Equivalence(
        estimate=float(estimate),
        se=float(se),
        df=float(df),
        bound_low=float(low_bound),
        bound_high=float(high_bound),
        p_low=p_low,
        p_high=p_high,
        p=p,
        low=estimate - half,
        high=estimate + half,
        equivalent=bool(low_bound < estimate - half and estimate + half < high_bound),
        alpha=alpha,
    )


def smallest_noticeable_d(n: float, *, power: float = UNDERPOWERED, alpha: float = 0.05) -> float:
    """Give the standardised difference at which n per group have just this power.

    Parameters
    ----------
    n : float
        Runs per group of the original.
    power : float
        A third by default: less and the original could hardly have noticed.
    alpha : float
        Two-sided level.

    Returns
    -------
    float

    Source
    ------
    Simonsohn (2015), Psychol. Sci. 26:559, doi:10.1177/0956797614567341; example REP-1.
    """
    if not n >= 2 or not alpha < power < 1:
        raise InputError(f"n is {n!r}, power {power!r}. Give n from 2 and a power above alpha.")
    high = 1.0
    while two_group_power(high, n, alpha=alpha) < power:
        high *= 2
    return float(
        optimize.brentq(lambda d: two_group_power(d, n, alpha=alpha) - power, 0.0, high, xtol=1e-13)
    )


def smallest_noticeable_z(*, power: float = UNDERPOWERED, alpha: float = 0.05) -> float:
    """Give the effect, in standard errors, at which a normal test has just this power.

    Parameters
    ----------
    power, alpha : float
        Power and two-sided level.

    Returns
    -------
    float
    """
    crit = float(stats.norm.isf(alpha / 2))

    def gap(z: float) -> float:
        return float(stats.norm.sf(crit - z) + stats.norm.sf(crit + z)) - power

    return float(optimize.brentq(gap, 0.0, crit + 10.0, xtol=1e-13))


def sceptical_p(z_original: float, z_new: float, variance_ratio: float) -> float:
    """Give the two-sided sceptical p-value of a replication.

    Parameters
    ----------
    z_original, z_new : float
        Effects over their standard errors.
    variance_ratio : float
        Variance of the original effect over that of the new one.

    Returns
    -------
    float
        Never below either ordinary p-value.

    Source
    ------
    Held (2020), J. R. Stat. Soc. A 183:431, doi:10.1111/rssa.12493: z_S solves
    ``(z_o²/z_S² - 1)(z_r²/z_S² - 1) = c``; example REP-2.
    """
    if not variance_ratio > 0:
        raise InputError(f"variance_ratio is {variance_ratio!r}. Give a number above zero.")
    a, b, c = z_original**2, z_new**2, variance_ratio
    if min(a, b) == 0:
        return 1.0
    # With s = z_S²: (1 - c) s² - (a + b) s + a b = 0; its root in (0, min(a, b)), written so
    # that nothing cancels and c = 1 needs no case of its own.
    root = float(np.sqrt((a - b) ** 2 + 4 * c * a * b))
    s = 2 * a * b / (a + b + root)
    return float(2 * stats.norm.sf(np.sqrt(s)))


def golden_level(alpha: float) -> float:
    """Give the level at which the sceptical p-value is judged so that a shrunken effect counts.

    Parameters
    ----------
    alpha : float
        One-sided level of an ordinary test.

    Returns
    -------
    float
        One-sided; an original just significant then succeeds only if its replication of equal
        precision is at least as large.

    Source
    ------
    Held, Micheloud & Pawel (2022), Ann. Appl. Stat. 16:706, doi:10.1214/21-AOAS1502:
    ``1 - Phi(z_alpha / sqrt(golden ratio))``; example REP-2.
    """
    return float(stats.norm.sf(stats.norm.isf(alpha) / np.sqrt(GOLDEN)))


def liberal_level(alpha: float) -> float:
    """Give the level at which two studies just significant, of equal precision, succeed.

    Parameters
    ----------
    alpha : float
        One-sided level of an ordinary test.

    Returns
    -------
    float

    Source
    ------
    Held (2020), sec. 3: ``1 - Phi(z_alpha / sqrt(2))``; example REP-2.
    """
    return float(stats.norm.sf(stats.norm.isf(alpha) / np.sqrt(2)))


def replication_prediction(
    original: float, original_se: float, new_se: float, *, level: float = 0.95
) -> tuple[float, float]:
    """Give the range in which a new estimate falls if both studies see one true effect.

    Parameters
    ----------
    original, original_se, new_se : float
        Original effect, its standard error, and that of the new study.
    level : float
        Level of the range.

    Returns
    -------
    low, high : float

    Source
    ------
    Patil, Peng & Leek (2016), Perspect. Psychol. Sci. 11:539, doi:10.1177/1745691616646366;
    example REP-3.
    """
    half = float(stats.norm.isf((1 - level) / 2) * np.hypot(original_se, new_se))
    return original - half, original + half


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplicationQ:
    """Test that studies replicate each other.

    Parameters
    ----------
    q : float
        Weighted sum of squares around the common effect.
    df : int
        Studies minus one.
    allowed : float
        Noncentrality counted as replication: zero for exact.
    p : float
        Upper tail of the (noncentral) chi-square distribution.
    critical : float
        Value of q beyond which replication is rejected at `alpha`.
    alpha : float
        Level.
    """

    q: float
    df: int
    allowed: float
    p: float
    critical: float
    alpha: float


def replication_q(
    estimate: npt.ArrayLike, variance: npt.ArrayLike, *, allowed: float = 0.0, alpha: float = 0.05
) -> ReplicationQ:
    """Test whether studies replicate each other exactly, or nearly.

    Parameters
    ----------
    estimate, variance : array, shape (m,)
        Effects and sampling variances of all studies, the original included.
    allowed : float
        Noncentrality within which studies count as replicating; 0 is exact, ``(m - 1)/4``,
        ``(m - 1)/3`` and ``2 (m - 1)/3`` are customary for nearly.
    alpha : float
        Level.

    Returns
    -------
    ReplicationQ

    Source
    ------
    Hedges & Schauer (2019), Psychol. Methods 24:557, doi:10.1037/met0000189; example REP-3.
    """
    y: FloatArray = np.asarray(estimate, dtype=np.float64)
    v: FloatArray = np.asarray(variance, dtype=np.float64)
    if y.ndim != 1 or y.shape != v.shape or y.size < 2 or np.any(~(v > 0)):
        raise InputError("Give two or more effects, each with a variance above zero.")
    w = 1 / v
    q = float(np.sum(w * (y - w @ y / w.sum()) ** 2))
    df = y.size - 1
    if allowed > 0:
        p, critical = stats.ncx2.sf(q, df, allowed), stats.ncx2.isf(alpha, df, allowed)
    else:
        p, critical = stats.chi2.sf(q, df), stats.chi2.isf(alpha, df)
    return ReplicationQ(
        q=q, df=df, allowed=allowed, p=float(p), critical=float(critical), alpha=alpha
    )


@dataclass(**RESULT)
class Replication(Result):
    """One original study against new ones.

    Parameters
    ----------
    original, original_se : float
        Original effect.
    new, new_se : float
        The new study, or the common effect of several.
    answers : DataFrame
        One row a measure: measure, question, answer ("yes", "no", "cannot tell"), value, low,
        high, p, reason.
    k_new : int
        Number of new studies.
    level : float
        Level of the intervals.
    note : str
        What to keep in mind.
    """

    original: float
    original_se: float
    new: float
    new_se: float
    answers: pd.DataFrame
    k_new: int
    level: float
    note: str

    def to_frame(self) -> pd.DataFrame:
        """Give one row a measure."""
        return self.answers.copy()

    def headline(self) -> str:
        """Say the result in one line."""
        yes = int((self.answers["answer"] == "yes").sum())
        return (
            f"original {round_for_people(self.original)}, new {round_for_people(self.new)} "
            f"({self.k_new} new): {yes} of {len(self.answers)} questions answered yes"
        )

    def answer(self, measure: str) -> str:
        """Give the answer of one measure."""
        row = self.answers[self.answers["measure"] == measure]
        return str(row["answer"].iloc[0])


def compare_replication(
    original: float,
    original_se: float,
    new: npt.ArrayLike,
    new_se: npt.ArrayLike,
    *,
    smallest_of_interest: float | None = None,
    level: float = 0.95,
) -> Replication:
    """Ask all replication questions of an original study and one or more new ones.

    Parameters
    ----------
    original, original_se : float
        Original effect and standard error above zero.
    new, new_se : float or array, shape (m,)
        New effects and standard errors; several are first pooled as one common effect.
    smallest_of_interest : float, optional
        Effect below which nobody would care, for the equivalence question.
    level : float
        Level of intervals; tests are at 1 - level.

    Returns
    -------
    Replication

    Raises
    ------
    InputError
        An effect is not finite or an error not above zero.

    Source
    ------
    As the functions of this module, each named there.
    """
    require_level(level)
    effects = np.atleast_1d(np.asarray(new, dtype=np.float64))
    errors = np.atleast_1d(np.asarray(new_se, dtype=np.float64))
    every = np.concatenate([[original], effects]), np.concatenate([[original_se], errors])
    if effects.shape != errors.shape or effects.size == 0:
        raise InputError("Give as many new standard errors as new effects, at least one.")
    if not np.all(np.isfinite(every[0])) or np.any(~(every[1] > 0)) or np.isinf(every[1]).any():
        raise InputError("Every effect must be finite, every standard error above zero.")
    w = 1 / errors**2
    mean, se = float(w @ effects / w.sum()), float(w.sum() ** -0.5)
    alpha = 1 - level
    answers = [
        _same_sign(original, mean),
        _both_clear(original, original_se, mean, se, alpha),
        _original_inside(original, mean, se, level),
        _new_predicted(original, original_se, mean, se, level),
        _telescopes(original, original_se, mean, se, alpha),
        _exact(every[0], every[1], alpha, 0.0),
        _exact(every[0], every[1], alpha, effects.size / 4),
        _sceptical(original, original_se, mean, se, alpha),
        _negligible(mean, se, smallest_of_interest, alpha),
    ]
    return Replication(
        original=float(original),
        original_se=float(original_se),
        new=mean,
        new_se=se,
        answers=pd.DataFrame(answers, columns=list(ANSWER_COLUMNS)),
        k_new=effects.size,
        level=level,
        note=("the new studies are pooled as one common effect" if effects.size > 1 else ""),
    )


Answer = tuple[str, str, str, float, float, float, float, str]


def _said(yes: bool) -> str:
    return "yes" if yes else "no"


def _same_sign(original: float, new: float) -> Answer:
    question = "Does the new effect point the same way?"
    return ("sign", question, _said(original * new > 0), new, NAN, NAN, NAN, "")


def _both_clear(a: float, a_se: float, b: float, b_se: float, alpha: float) -> Answer:
    question = "Are both clear of zero, and the same way?"
    p = [float(2 * stats.norm.sf(abs(e) / s)) for e, s in ((a, a_se), (b, b_se))]
    return ("significance", question, _said(a * b > 0 and max(p) <= alpha), b, NAN, NAN, p[1], "")


def _original_inside(original: float, new: float, se: float, level: float) -> Answer:
    question = "Does the new interval hold the original effect?"
    half = float(stats.norm.isf((1 - level) / 2)) * se
    inside = new - half <= original <= new + half
    return (
        "original in new interval",
        question,
        _said(inside),
        new,
        new - half,
        new + half,
        NAN,
        "",
    )


def _new_predicted(a: float, a_se: float, b: float, b_se: float, level: float) -> Answer:
    question = "Is the new effect where the original would predict it?"
    low, high = replication_prediction(a, a_se, b_se, level=level)
    p = float(2 * stats.norm.sf(abs(a - b) / np.hypot(a_se, b_se)))
    return ("prediction", question, _said(low <= b <= high), b, low, high, p, "")


def _telescopes(a: float, a_se: float, b: float, b_se: float, alpha: float) -> Answer:
    question = "Is the effect large enough for the original study to have noticed it?"
    if a == 0:
        why = "the original effect is zero, so it has no direction"
        return ("small telescopes", question, "cannot tell", NAN, NAN, NAN, NAN, why)
    small = float(np.sign(a)) * smallest_noticeable_z(alpha=alpha) * a_se
    # One-sided: is the new effect below what the original had a one-in-three chance to see?
    z = (b - small) * float(np.sign(a)) / b_se
    p = float(stats.norm.cdf(z))
    return ("small telescopes", question, _said(p > alpha), small, NAN, NAN, p, "")


def _exact(y: FloatArray, se: FloatArray, alpha: float, allowed: float) -> Answer:
    test = replication_q(y, se**2, allowed=allowed, alpha=alpha)
    if allowed == 0:
        name, question = "exact replication", "Could all studies see one and the same effect?"
    else:
        name, question = "approximate replication", "Could all see effects that differ negligibly?"
    return (name, question, _said(test.p > alpha), test.q, NAN, test.critical, test.p, "")


def _sceptical(a: float, a_se: float, b: float, b_se: float, alpha: float) -> Answer:
    question = "Would a sceptic who doubted the original be convinced by the new one?"
    p = sceptical_p(a / a_se, b / b_se, a_se**2 / b_se**2)
    threshold = 2 * golden_level(alpha / 2)
    convinced = a * b > 0 and p <= threshold
    return ("sceptical p", question, _said(convinced), p, NAN, threshold, p, "")


def _negligible(new: float, se: float, smallest: float | None, alpha: float) -> Answer:
    question = "Is the new effect too small to matter?"
    if smallest is None:
        why = "no smallest effect of interest is given"
        return ("equivalence", question, "cannot tell", NAN, NAN, NAN, NAN, why)
    size = abs(smallest)
    test = assess_equivalence(new, se, bounds=(-size, size), alpha=alpha)
    return ("equivalence", question, _said(test.equivalent), new, test.low, test.high, test.p, "")
