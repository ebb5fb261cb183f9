"""Do small studies tell another story? Asymmetry, filling in, precision, selection.

None of these shows that results were held back: small studies may differ for good reasons.
Under ten studies they have next to no power, and nothing here may serve as a verdict then.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import optimize, stats

from metafreeze.errors import InputError
from metafreeze.models.heterogeneity import require_level
from metafreeze.models.pool_input import Numbers, check_effects
from metafreeze.models.pooled import PooledEffect, pool
from metafreeze.options import FillRule, Side, require_choice
from metafreeze.results import RESULT, FloatArray, Result, round_for_people

ENOUGH_STUDIES = 10
TOO_FEW = "under ten studies this cannot serve as a verdict"
MOST_ROUNDS = 100
TABLE_COLUMNS = ("quantity", "estimate", "se", "df", "low", "high", "p")
NAN = float("nan")

# One-sided p-values at which the weights change, and the chance that such a result is seen
# (Vevea & Woods 2005, Table 1, from memory).
SELECTION_STEPS = (
    0.005,
    0.010,
    0.050,
    0.100,
    0.250,
    0.350,
    0.500,
    0.650,
    0.750,
    0.900,
    0.950,
    0.990,
    0.995,
    1.0,
)
SELECTION_WEIGHTS: dict[str, tuple[float, ...]] = {
    "moderate, one direction": (
        *(1.0, 0.99, 0.95, 0.80, 0.75, 0.65, 0.60),
        *(0.55, 0.50, 0.50, 0.50, 0.50, 0.50, 0.50),
    ),
    "severe, one direction": (
        *(1.0, 0.99, 0.90, 0.75, 0.60, 0.50, 0.40),
        *(0.35, 0.30, 0.25, 0.10, 0.10, 0.10, 0.10),
    ),
    "moderate, both directions": (
        *(1.0, 0.99, 0.95, 0.90, 0.80, 0.75, 0.60),
        *(0.60, 0.75, 0.80, 0.90, 0.95, 0.99, 1.0),
    ),
    "severe, both directions": (
        *(1.0, 0.99, 0.90, 0.75, 0.60, 0.50, 0.25),
        *(0.25, 0.50, 0.60, 0.75, 0.90, 0.99, 1.0),
    ),
}


@dataclass(**RESULT)
class SmallStudyCheck(Result):
    """One look at whether small studies differ.

    Parameters
    ----------
    question : str
        What it asks, in plain words.
    method : str
        What was computed.
    table : DataFrame
        Numbers: quantity, estimate, se, df, low, high, p.
    k : int
        Number of studies.
    verdict_allowed : bool
        False under ten studies.
    level : float
        Level of the intervals.
    status, note : str
        As in `pool`.
    """

    question: str
    method: str
    table: pd.DataFrame
    k: int
    verdict_allowed: bool
    level: float
    status: str
    note: str

    def to_frame(self) -> pd.DataFrame:
        """Give one row a number."""
        return self.table.copy()

    def headline(self) -> str:
        """Say the result in one line."""
        first = self.table.iloc[0]
        return (
            f"{self.question} {first['quantity']} {round_for_people(float(first['estimate']))}"
            f", p {round_for_people(float(first['p']))}; {self.k} studies"
            + ("" if self.verdict_allowed else f"; {TOO_FEW}")
        )

    def value(self, quantity: str, column: str = "estimate") -> float:
        """Look a number up by its row and column."""
        row = self.table[self.table["quantity"] == quantity]
        return float(row[column].iloc[0])


def _check(
    question: str, method: str, rows: list[tuple[object, ...]], k: int, level: float, note: str = ""
) -> SmallStudyCheck:
    allowed = k >= ENOUGH_STUDIES
    notes = [n for n in (note, "" if allowed else TOO_FEW) if n]
    return SmallStudyCheck(
        question=question,
        method=method,
        table=pd.DataFrame(rows, columns=list(TABLE_COLUMNS)),
        k=k,
        verdict_allowed=allowed,
        level=level,
        status="ok",
        note="; ".join(notes),
    )


def _missing(question: str, method: str, k: int, level: float, why: str) -> SmallStudyCheck:
    return SmallStudyCheck(
        question=question,
        method=method,
        table=pd.DataFrame([(method, *([NAN] * 6))], columns=list(TABLE_COLUMNS)),
        k=k,
        verdict_allowed=False,
        level=level,
        status="unidentifiable",
        note=why,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """A weighted least squares line with its residual scale."""

    beta: FloatArray
    se: FloatArray
    df: float

    def row(self, i: int, name: str, level: float) -> tuple[object, ...]:
        half = float(stats.t.isf((1 - level) / 2, self.df) * self.se[i])
        b, se = float(self.beta[i]), float(self.se[i])
        # A line that fits without any residual is certain, except of a value of exactly zero.
        certain = np.inf if b != 0 else 0.0
        t = abs(b) / se if se > 0 else certain
        return (name, b, se, self.df, b - half, b + half, float(2 * stats.t.sf(t, self.df)))


def _line(y: FloatArray, x: FloatArray, weight: FloatArray) -> _Line:
    root = np.sqrt(weight)
    basis, upper = np.linalg.qr(root[:, np.newaxis] * x)
    z = root * y
    inside = basis.T @ z
    residual = z - basis @ inside
    df = y.size - x.shape[1]
    inverse = np.linalg.solve(upper, np.eye(x.shape[1]))
    scale = float(residual @ residual) / df
    return _Line(
        beta=np.linalg.solve(upper, inside),
        se=np.sqrt(scale * np.einsum("pq,pq->p", inverse, inverse)),
        df=float(df),
    )


def _precision_varies(v: FloatArray) -> bool:
    return bool(np.ptp(np.sqrt(v)) > 1e-9 * np.sqrt(v.max()))


ASYMMETRY = "Do small studies show larger effects than large ones?"


def regress_asymmetry(
    estimate: Numbers, variance: Numbers, *, level: float = 0.95
) -> SmallStudyCheck:
    """Regress effect over standard error on precision; an intercept off zero is asymmetry.

    Parameters
    ----------
    estimate, variance : array or Series, shape (k,)
        Effects and sampling variances; at least three of different precision.
    level : float
        Level of the intervals.

    Returns
    -------
    SmallStudyCheck
        Rows ``intercept`` and ``slope``; unweighted least squares, t on k - 2.

    Source
    ------
    Egger, Davey Smith, Schneider & Minder (1997), BMJ 315:629, doi:10.1136/bmj.315.7109.629;
    examples SS-1 to SS-3.
    """
    require_level(level)
    effects = check_effects(estimate, variance)
    y, v = effects.estimate, effects.variance
    method = "regression of effect over error on precision"
    if y.size < 3 or not _precision_varies(v):
        return _missing(
            ASYMMETRY, method, y.size, level, "needs three studies of unequal precision"
        )
    se = np.sqrt(v)
    fit = _line(y / se, np.column_stack([np.ones(y.size), 1 / se]), np.ones(y.size))
    rows = [fit.row(0, "intercept", level), fit.row(1, "slope", level)]
    return _check(ASYMMETRY, method, rows, y.size, level)


def rank_asymmetry(estimate: Numbers, variance: Numbers, *, level: float = 0.95) -> SmallStudyCheck:
    """Correlate standardised deviations from the common effect with variances, by ranks.

    Parameters
    ----------
    estimate, variance : array or Series, shape (k,)
        Effects and sampling variances; at least three.
    level : float
        Carried along.

    Returns
    -------
    SmallStudyCheck
        Rows ``rank correlation`` (Kendall, ties not adjusted for), ``z`` and ``z, continuity``.

    Source
    ------
    Begg & Mazumdar (1994), Biometrics 50:1088, doi:10.2307/2533446; examples SS-1 to SS-3.
    """
    require_level(level)
    effects = check_effects(estimate, variance)
    y, v, k = effects.estimate, effects.variance, effects.estimate.size
    method = "rank correlation of effects and variances"
    if k < 3:
        return _missing(ASYMMETRY, method, k, level, "needs three studies")
    w = 1 / v
    deviation = (y - w @ y / w.sum()) / np.sqrt(v - 1 / w.sum())
    i, j = np.triu_indices(k, 1)
    s = float(np.sum(np.sign(deviation[i] - deviation[j]) * np.sign(v[i] - v[j])))
    error = float(np.sqrt(k * (k - 1) * (2 * k + 5) / 18))
    z, careful = s / error, np.sign(s) * max(0.0, abs(s) - 1) / error

    def p(value: float) -> float:
        return float(2 * stats.norm.sf(abs(value)))

    rows: list[tuple[object, ...]] = [
        ("rank correlation", 2 * s / (k * (k - 1)), NAN, NAN, NAN, NAN, p(z)),
        ("z", z, NAN, NAN, NAN, NAN, p(z)),
        ("z, continuity", float(careful), NAN, NAN, NAN, NAN, p(careful)),
        ("concordant minus discordant", s, error, NAN, NAN, NAN, NAN),
    ]
    return _check(ASYMMETRY, method, rows, k, level)


@dataclass(**RESULT)
class TrimAndFill(Result):
    """The pooled effect if the studies that balance the lot were added.

    Parameters
    ----------
    missing : int
        Studies filled in.
    side : str
        Side on which they are missing, ``left`` or ``right``.
    rule : str
        Rule for their number.
    filled : DataFrame
        All effects and variances, the mirrored ones marked.
    before, after : PooledEffect
        Pool without and with them (DerSimonian and Laird, normal interval unless `centre` is
        "common").
    k : int
        Studies given.
    verdict_allowed : bool
        False under ten studies.
    status, note : str
        As in `pool`.
    """

    missing: int
    side: str
    rule: str
    filled: pd.DataFrame
    before: PooledEffect
    after: PooledEffect
    k: int
    verdict_allowed: bool
    status: str
    note: str

    def to_frame(self) -> pd.DataFrame:
        """Give the pooled effect before and after, one row each."""
        rows = [
            (name, fit.k, fit.estimate, fit.se, fit.low, fit.high, fit.p, fit.tau2)
            for name, fit in (("as given", self.before), ("filled", self.after))
        ]
        columns = ["quantity", "k", "estimate", "se", "low", "high", "p", "tau2"]
        return pd.DataFrame(rows, columns=columns)

    def headline(self) -> str:
        """Say the result in one line."""
        return (
            f"{self.missing} studies seem missing on the {self.side} of {self.k}; with them "
            f"{round_for_people(self.after.estimate)} instead of "
            f"{round_for_people(self.before.estimate)}"
            + ("" if self.verdict_allowed else f"; {TOO_FEW}")
        )


def trim_and_fill(
    estimate: Numbers,
    variance: Numbers,
    *,
    rule: FillRule = "linear",
    side: Side = "auto",
    centre: str = "common",
    level: float = 0.95,
) -> TrimAndFill:
    """Trim the studies without counterpart, find the centre of the rest, fill in mirrors.

    Parameters
    ----------
    estimate, variance : array or Series, shape (k,)
        Effects and sampling variances; at least three.
    rule : {"linear", "run", "quadratic"}
        Estimator of the number of missing studies: L0, R0 or Q0 of the source.
    side : {"auto", "left", "right"}
        Where studies are missing; "auto" asks the asymmetry regression.
    centre : {"common", "random"}
        Model of the centre while trimming: one common effect, or DerSimonian and Laird.
    level : float
        Level of the intervals.

    Returns
    -------
    TrimAndFill

    Raises
    ------
    InputError
        As `pool`; or under three studies.

    Source
    ------
    Duval & Tweedie (2000), Biometrics 56:455, doi:10.1111/j.0006-341X.2000.00455.x; examples
    SS-1 to SS-3.
    """
    require_choice(rule, FillRule, name="rule")
    require_choice(side, Side, name="side")
    if centre not in ("common", "random"):
        raise InputError(f'centre is {centre!r}. Choose one of "common", "random".')
    effects = check_effects(estimate, variance)
    y, v, k = effects.estimate, effects.variance, effects.estimate.size
    if k < 3:
        raise InputError(f"There are {k} studies. Trimming and filling needs at least three.")
    chosen = side
    if side == "auto":
        leaning = regress_asymmetry(y, v).value("intercept") if _precision_varies(v) else 1.0
        chosen = "left" if leaning >= 0 else "right"
    turn = 1.0 if chosen == "left" else -1.0
    x = turn * y  # studies are missing on the left of x
    order = np.argsort(x, kind="stable")
    x, w = x[order], v[order]
    missing, middle, settled = 0, 0.0, False
    for _ in range(MOST_ROUNDS):
        middle = _centre(x[: k - missing], w[: k - missing], centre)
        found = min(k - 2, _missing_count(x - middle, rule))
        if found == missing:
            settled = True
            break
        missing = found
    mirrored = 2 * middle - x[k - missing :]
    filled = pd.DataFrame(
        {
            "estimate": turn * np.concatenate([x, mirrored]),
            "variance": np.concatenate([w, w[k - missing :]]),
            "filled": np.arange(k + missing) >= k,
        }
    )
    spread = "none" if centre == "common" else "dersimonian-laird"

    def pooled(table: pd.DataFrame) -> PooledEffect:
        return pool(
            table["estimate"].to_numpy(),
            table["variance"].to_numpy(),
            spread=spread,  # type: ignore[arg-type]
            interval="normal",
            level=level,
        )

    allowed = k >= ENOUGH_STUDIES
    notes = [] if settled else ["the number of missing studies went round in a circle"]
    notes += [] if allowed else [TOO_FEW]
    return TrimAndFill(
        missing=missing,
        side=chosen,
        rule=rule,
        filled=filled,
        before=pooled(filled[~filled["filled"]]),
        after=pooled(filled),
        k=k,
        verdict_allowed=allowed,
        status="ok" if settled else "failed",
        note="; ".join(notes),
    )


def _centre(x: FloatArray, v: FloatArray, centre: str) -> float:
    spread = "none" if centre == "common" else "dersimonian-laird"
    return pool(x, v, spread=spread, interval="normal").estimate  # type: ignore[arg-type]


def _missing_count(deviation: FloatArray, rule: str) -> int:
    """Estimate how many studies lack a counterpart on the left, from signed ranks."""
    n = deviation.size
    ranks = stats.rankdata(np.abs(deviation))
    right = deviation > 0
    t = float(ranks[right].sum())
    if rule == "linear":
        count = (4 * t - n * (n + 1)) / (2 * n - 1)
    elif rule == "quadratic":
        count = n - 0.5 - float(np.sqrt(max(0.0, 2 * n * n - 4 * t + 0.25)))
    else:
        # Length of the unbroken run of right-hand deviations at the largest ranks, minus one.
        largest_left = float(ranks[~right].max()) if (~right).any() else 0.0
        count = float(np.sum(ranks > largest_left)) - 1
    return int(max(0.0, np.floor(count + 0.5)))


PRECISION = "What effect would a study without sampling error show?"


def regress_precision(
    estimate: Numbers, variance: Numbers, *, level: float = 0.95
) -> SmallStudyCheck:
    """Extrapolate the effect to perfect precision, by standard error and by variance.

    Parameters
    ----------
    estimate, variance : array or Series, shape (k,)
        Effects and sampling variances; at least three of different precision.
    level : float
        Level of the intervals.

    Returns
    -------
    SmallStudyCheck
        Rows ``effect at perfect precision`` (by variance where the line by standard error is off
        zero at the 10 % level, else by standard error), and both lines.

    Source
    ------
    Stanley & Doucouliagos (2014), Res. Synth. Methods 5:60, doi:10.1002/jrsm.1095.
    """
    require_level(level)
    effects = check_effects(estimate, variance)
    y, v = effects.estimate, effects.variance
    method = "precision-effect regression"
    if y.size < 3 or not _precision_varies(v):
        return _missing(
            PRECISION, method, y.size, level, "needs three studies of unequal precision"
        )
    ones = np.ones(y.size)
    by_error = _line(y, np.column_stack([ones, np.sqrt(v)]), 1 / v)
    by_variance = _line(y, np.column_stack([ones, v]), 1 / v)
    first = by_error.row(0, "at zero standard error", level)
    second = by_variance.row(0, "at zero variance", level)
    chosen = second if float(str(first[6])) < 0.10 else first
    rows = [
        ("effect at perfect precision", *chosen[1:]),
        first,
        by_error.row(1, "slope on standard error", level),
        second,
        by_variance.row(1, "slope on variance", level),
    ]
    return _check(PRECISION, method, rows, y.size, level)


SELECTION = "If results of one kind were seen more often, what would the effect be?"


def assume_selection(
    estimate: Numbers,
    variance: Numbers,
    *,
    favoured: str,
    weights: dict[str, Sequence[float]] | None = None,
    steps: Sequence[float] = SELECTION_STEPS,
    level: float = 0.95,
) -> SmallStudyCheck:
    """Pool by likelihood under stated chances that a result is seen, given its p-value.

    The chances are assumed, not estimated: a sensitivity analysis.

    Parameters
    ----------
    estimate, variance : array or Series, shape (k,)
        Effects and sampling variances; at least two.
    favoured : {"negative", "positive"}
        Direction whose small one-sided p-values are seen most; "negative" if reports of hotter
        first (ratios below one) are.
    weights : dict of sequences, optional
        Chance that a result is seen, per interval of p, for each scenario.
    steps : sequence of float
        Upper ends of the intervals of the one-sided p-value; the last is 1.
    level : float
        Level of the intervals.

    Returns
    -------
    SmallStudyCheck
        One row per scenario, and one without selection; normal intervals from the observed
        information, p of no effect; tau² by full likelihood in rows ``tau2: ...``.

    Raises
    ------
    InputError
        As `pool`; or the steps and weights do not fit.

    Source
    ------
    Vevea & Woods (2005), Psychol. Methods 10:428, doi:10.1037/1082-989X.10.4.428; weights of the
    default scenarios from memory of its Table 1.
    """
    require_level(level)
    if favoured not in ("negative", "positive"):
        raise InputError(f'favoured is {favoured!r}. Choose one of "negative", "positive".')
    scenarios = dict(SELECTION_WEIGHTS) if weights is None else weights
    ends = np.asarray(steps, dtype=np.float64)
    if ends[-1] != 1 or np.any(np.diff(ends) <= 0) or ends[0] <= 0:
        raise InputError(f"steps is {list(steps)}. Give rising p-values that end with 1.")
    effects = check_effects(estimate, variance)
    if effects.estimate.size < 2:
        return _missing(SELECTION, "selection model", 1, level, "needs two studies")
    turn = 1.0 if favoured == "positive" else -1.0
    y, v = turn * effects.estimate, effects.variance
    rows: list[tuple[object, ...]] = []
    spreads: list[tuple[object, ...]] = []
    every = {"no selection": [1.0] * ends.size} | {k: list(w) for k, w in scenarios.items()}
    for name, chances in every.items():
        chance = np.asarray(chances, dtype=np.float64)
        if chance.shape != ends.shape or np.any(chance <= 0) or np.any(chance > 1):
            raise InputError(
                f"The weights of “{name}” do not fit: give {ends.size} numbers above 0, at most 1."
            )
        mean, se, tau2 = _selected(y, v, ends, chance)
        half = float(stats.norm.isf((1 - level) / 2)) * se
        mean *= turn
        p = float(2 * stats.norm.sf(abs(mean) / se)) if se > 0 else NAN
        rows.append((name, mean, se, np.inf, mean - half, mean + half, p))
        spreads.append((f"tau2: {name}", tau2, NAN, NAN, NAN, NAN, NAN))
    note = "the chances are assumed, so this shows how much would change and not what happened"
    return _check(SELECTION, "selection model", rows + spreads, y.size, level, note)


def _selected(
    y: FloatArray, v: FloatArray, ends: FloatArray, chance: FloatArray
) -> tuple[float, float, float]:
    """Maximise the weighted likelihood; mean, its standard error, tau²."""
    error = np.sqrt(v)
    p = stats.norm.sf(y / error)
    own = chance[np.minimum(np.searchsorted(ends, p, side="left"), ends.size - 1)]
    # Effects at which the p-value crosses from one interval to the next, largest first.
    cuts = stats.norm.isf(ends[:-1])[:, np.newaxis] * error

    def criterion(mean: float, tau2: float) -> float:
        total = np.sqrt(v + tau2)
        above = stats.norm.sf((cuts - mean) / total)
        shares = np.diff(np.vstack([np.zeros_like(v), above, np.ones_like(v)]), axis=0)
        seen = chance @ shares
        logs = np.log(own) + stats.norm.logpdf(y, mean, total) - np.log(seen)
        return -float(logs.sum())

    start = pool(y, v, spread="likelihood", interval="normal")
    scale = float(np.sqrt(np.median(v)))
    found = min(
        (
            optimize.minimize(
                lambda q: criterion(q[0] * scale, (q[1] * scale) ** 2),
                [start.estimate / scale, root / scale],
                method="Nelder-Mead",
                options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 4000},
            )
            for root in (float(np.sqrt(start.tau2)) + 0.3 * scale, 0.01 * scale)
        ),
        key=lambda r: float(r.fun),
    )
    mean, tau = float(found.x[0]) * scale, abs(float(found.x[1])) * scale
    if criterion(mean, 0.0) <= float(found.fun) + 1e-10:
        tau = 0.0
    h = 1e-4 * scale

    def at(a: float, b: float) -> float:
        return criterion(mean + a * h, (tau + b * h) ** 2)

    centre = at(0, 0)
    mm = (at(1, 0) - 2 * centre + at(-1, 0)) / h**2
    information = mm
    if tau > 2 * h:
        tt = (at(0, 1) - 2 * centre + at(0, -1)) / h**2
        mt = (at(1, 1) - at(1, -1) - at(-1, 1) + at(-1, -1)) / (4 * h**2)
        information = mm - mt**2 / tt if tt > 0 else mm
    se = float(information**-0.5) if information > 0 else NAN
    return mean, se, tau**2


@dataclass(**RESULT)
class SmallStudies(Result):
    """All looks at small studies together.

    Parameters
    ----------
    regression, rank, precision, selection : SmallStudyCheck
        As their functions.
    filled : TrimAndFill
        Trim and fill.
    k : int
        Number of studies.
    verdict_allowed : bool
        False under ten studies.
    note : str
        Why not, where not.
    """

    regression: SmallStudyCheck
    rank: SmallStudyCheck
    precision: SmallStudyCheck
    selection: SmallStudyCheck
    filled: TrimAndFill
    k: int
    verdict_allowed: bool
    note: str

    def to_frame(self) -> pd.DataFrame:
        """Give the main number of each look, one row each."""
        rows = [
            (c.method, c.table["quantity"].iloc[0], *c.table.iloc[0, 1:7])
            for c in (self.regression, self.rank, self.precision, self.selection)
        ]
        a = self.filled.after
        rows.insert(2, ("trim and fill", "filled", a.estimate, a.se, a.df, a.low, a.high, a.p))
        return pd.DataFrame(rows, columns=["method", *TABLE_COLUMNS])

    def headline(self) -> str:
        """Say the result in one line."""
        p = self.regression.value("intercept", "p") if self.regression.status == "ok" else NAN
        return (
            f"small studies, {self.k} in all: asymmetry p {round_for_people(p)}, "
            f"{self.filled.missing} seem missing" + (f"; {self.note}" if self.note else "")
        )


def check_small_studies(
    estimate: Numbers,
    variance: Numbers,
    *,
    favoured: str,
    study: Sequence[Hashable] | npt.ArrayLike | None = None,
    level: float = 0.95,
) -> SmallStudies:
    """Ask in five ways whether small studies differ, and say whether that may count.

    Parameters
    ----------
    estimate, variance : array or Series, shape (k,)
        Effects and sampling variances; at least three.
    favoured : {"negative", "positive"}
        Direction of results that may have been seen more often.
    study : sequence, optional
        Study labels.
    level : float
        Level of the intervals.

    Returns
    -------
    SmallStudies

    Raises
    ------
    InputError
        As `pool`; or under three studies.

    Source
    ------
    Sterne et al. (2011), BMJ 343:d4002, doi:10.1136/bmj.d4002: ten studies at least.
    """
    effects = check_effects(estimate, variance, study=study)
    y, v = effects.estimate, effects.variance
    allowed = y.size >= ENOUGH_STUDIES
    return SmallStudies(
        filled=trim_and_fill(y, v, side=_bare_side(favoured), level=level),
        regression=regress_asymmetry(y, v, level=level),
        rank=rank_asymmetry(y, v, level=level),
        precision=regress_precision(y, v, level=level),
        selection=assume_selection(y, v, favoured=favoured, level=level),
        k=y.size,
        verdict_allowed=allowed,
        note="" if allowed else TOO_FEW,
    )


def _bare_side(favoured: str) -> Side:
    """Name the side on which unfavoured results would be missing."""
    if favoured not in ("negative", "positive"):
        raise InputError(f'favoured is {favoured!r}. Choose one of "negative", "positive".')
    return "right" if favoured == "negative" else "left"
