"""Freezing times not seen exactly, with random effects of studies and batches."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from metafreeze.errors import InputError
from metafreeze.models import censored_likelihood as rows_of
from metafreeze.models.grouped_rows import unpack_theta
from metafreeze.models.heterogeneity import require_level
from metafreeze.models.separation import Escape
from metafreeze.models.unseen_bootstrap import Looks, bootstrap_cut_off, check_looks
from metafreeze.models.unseen_design import drop_single_study, random_trouble
from metafreeze.models.unseen_fit import (
    EDGE_LOG_SPREAD,
    Fitted,
    Standardised,
    aliased_columns,
    fit_all_parts,
    fit_fixed_parts,
    standardise,
)
from metafreeze.models.unseen_input import UnseenRows, check_unseen_rows
from metafreeze.models.unseen_intervals import (
    Limits,
    Reference,
    off_zero,
    profile_limits,
    reference_for,
    theta_directions,
    value_where,
    walk_to_crossing,
)
from metafreeze.options import Status, TimeFamily, UnseenInference, require_choice
from metafreeze.results import RESULT, FloatArray, Result, round_for_people

PART_TYPES = {"level": str, "term": str, "with_term": str, "sd": float, "correlation": float}
NUMBERS = ("estimate", "se", "df", "low", "high", "p")

NO_SECOND_ENGINE = "none asked: the general library has no random parts for times seen in part"

# Standard deviation of the standard smallest-extreme-value law.
WEIBULL_SD = float(np.pi / np.sqrt(6.0))

# So many standard errors from zero (and twice the t limit) the test at zero is not profiled:
# the p from estimate over error is the same nothing, and refitting far away is slow.
FAR_FROM_ZERO = 8.0


@dataclass(**RESULT)
class UnseenTimesFit(Result):
    """Fit of log freezing times of which some are known only within bounds.

    Parameters
    ----------
    coefficients : DataFrame
        One row per column of X, indexed by its name: estimate, se, df, low, high, p. A
        coefficient bounded on one side only has no estimate and one infinite limit.
    contrasts : DataFrame
        The same for the functions asked for; empty without.
    covariance : DataFrame, shape (p, p)
        Of the coefficients, from the observed information; parts at zero held there.
    random_parts : DataFrame
        level (study, batch, residual), term, with_term, sd of the log time, correlation: a row
        per standard deviation, then one per correlation of two terms.
    residual_sd : float
        Standard deviation of the log time of runs within their batch; NaN where known.
    scale : float
        The spread parameter: `residual_sd` itself, or for Weibull one over its shape.
    log_scale_se : float
        Standard error of ln(scale); NaN where held or known.
    criterion : float
        -2 log likelihood, in full: densities of the log time for exact rows, probabilities for
        the others, every constant kept. Equals the full likelihood of the linear mixed model
        where every row is exact.
    criterion_time : float
        The same with densities of the time itself: `criterion` + 2 sum of ln t over exact rows.
    aic : float
        `criterion` + 2 `parameters`; comparable between families.
    parameters : int
        Number of estimated parameters, parts at zero included.
    rows_exact, rows_interval, rows_right, rows_left, rows_empty : int
        Rows seen exactly, within a window, never, before the first look; rows that say nothing
        are left out.
    studies, batches : int
        Groups with a random part of their own; zero where there is none.
    nodes : int
        Gauss-Hermite nodes in each dimension of the study that needs most; 1 without random
        parts.
    quadrature_error : float
        Change of `criterion` at the last rise of the nodes.
    family, inference : str
        What was asked for.
    level : float
        Level of the intervals.
    seed : int
        Seed of the bootstrap.
    draws_used : int
        Simulated data sets that could be fitted; zero without bootstrap.
    status : str
        ok, boundary (a random part stands at zero), unidentifiable, failed.
    note : str
        Why, in words.
    steps_taken : tuple of str
        Random parts that were left out, and why.
    second_engine : str
        Why no independent engine was asked.
    """

    coefficients: pd.DataFrame
    contrasts: pd.DataFrame
    covariance: pd.DataFrame
    random_parts: pd.DataFrame
    residual_sd: float
    scale: float
    log_scale_se: float
    criterion: float
    criterion_time: float
    aic: float
    parameters: int
    rows_exact: int
    rows_interval: int
    rows_right: int
    rows_left: int
    rows_empty: int
    studies: int
    batches: int
    nodes: int
    quadrature_error: float
    family: TimeFamily
    inference: UnseenInference
    level: float
    seed: int
    draws_used: int
    status: Status
    note: str
    steps_taken: tuple[str, ...]
    second_engine: str

    def to_frame(self) -> pd.DataFrame:
        """Give the coefficients, then the contrasts, one row each."""
        parts = [part for part in (self.coefficients, self.contrasts) if len(part)]
        return pd.concat(parts).rename_axis("term").reset_index()

    def headline(self) -> str:
        """Say the last coefficient, its interval, the rows and the method in one line."""
        row = self.coefficients.iloc[-1]
        name = self.coefficients.index[-1]
        unseen = self.rows_interval + self.rows_right + self.rows_left
        return (
            f"{name} {round_for_people(row['estimate'])} ({round_for_people(row['low'])} to "
            f"{round_for_people(row['high'])}), {self.rows_exact + unseen} rows, {unseen} not "
            f"seen exactly, {self.family}, {self.inference}, {self.status}"
        )


def unseen_times_model(
    lower: npt.ArrayLike,
    upper: npt.ArrayLike,
    X: npt.ArrayLike,
    study: npt.ArrayLike | None = None,
    *,
    varying: npt.ArrayLike | None = None,
    correlated: bool = True,
    batch: npt.ArrayLike | None = None,
    known_variance: npt.ArrayLike | None = None,
    added_variance: npt.ArrayLike | None = None,
    count: npt.ArrayLike | None = None,
    spread: npt.ArrayLike | None = None,
    offset: npt.ArrayLike | None = None,
    family: TimeFamily = "log-normal",
    log_times: bool = False,
    fixed_scale: float | None = None,
    level: float = 0.95,
    inference: UnseenInference = "profile",
    focus: Sequence[int] | None = None,
    contrasts: npt.ArrayLike | None = None,
    df: float | None = None,
    names: Sequence[str] | None = None,
    varying_names: Sequence[str] | None = None,
    check_interval: npt.ArrayLike | None = None,
    watched_until: npt.ArrayLike | None = None,
    accuracy: float = 1e-8,
    seed: int = 0,
    draws: int = 999,
) -> UnseenTimesFit:
    """Fit times that were seen exactly, within a window, or only on one side.

    The log time is linear in X, with random parts of studies (coefficients of `varying`) and
    of batches within studies, and a normal or smallest-extreme-value residual. Use it when
    vessels were looked at now and then or given up on before they froze; when all times are
    exact it gives the full-likelihood linear mixed fit. It assumes that the looks do not
    depend on the state of the water, and that a row's window holds its time.

    Parameters
    ----------
    lower, upper : array, shape (n,)
        The time lies in (lower, upper]. Equal: seen exactly. `upper` infinite: never seen.
        `lower` 0 (or minus infinity): not bounded below. Seconds, or any unit of time; with
        `log_times` their logarithms (then minus infinity for no lower bound).
    X : array, shape (n, p)
        Columns of the fixed part; include the constant.
    study : array, shape (n,), optional
        Labels. None: no random part of studies.
    varying : array, shape (n, q), optional
        Columns whose coefficients vary between studies, at most 3; None: the constant.
    correlated : bool
        Whether varying coefficients may be correlated.
    batch : array, shape (n,), optional
        Labels of vessels cooled together, within study; None, NaN or "" where there is none.
    known_variance, added_variance : array, shape (n,), optional
        Of the log time: replaces the residual variance (NaN: estimate it), is added to it
        (reading error). Log-normal only.
    count, spread : array, shape (n,), optional
        A row that summarises `count` runs: mean log time in `lower` = `upper`, and their
        standard deviation of log times. Log-normal only.
    offset : array, shape (n,), optional
        Added to the log time's mean with coefficient 1.
    family : {"log-normal", "weibull"}
        Law of the time.
    log_times : bool
        Whether `lower` and `upper` are logarithms.
    fixed_scale : float, optional
        Hold the spread parameter at this value (Weibull 1: exponential times).
    level : float
        Level of the intervals.
    inference : {"profile", "bootstrap", "wald"}
        Profile likelihood with a t reference; the same with its cut-off from seeded parametric
        simulation; estimate and standard error with a t reference.
    focus : sequence of int, optional
        Columns of X that get profile or bootstrap limits; the others get estimate and standard
        error. None: all.
    contrasts : array, shape (m, p), optional
        Further functions c'beta, reported alike.
    df : float, optional
        Degrees of freedom for all coefficients. Default: studies minus one (minus the columns
        constant within studies, for a coefficient of such a column); one study: batches minus
        columns constant within batches, or rows minus batches minus the others; no groups:
        rows minus columns.
    names, varying_names : sequence of str, optional
        Names of the columns.
    check_interval, watched_until : array, shape (n,), optional
        For the bootstrap: time between looks (0: always watched) and when watching ended
        (infinite: never). By default a window repeats itself, the other rows are watched
        always, and until the latest time at which a row of the same batch (or study) was
        given up.
    accuracy : float
        Integration nodes of the studies are raised by half again and again until the criterion
        moves by less than this share of itself (within bounds of work; `quadrature_error` says
        what is left).
    seed : int
        Seed of the bootstrap.
    draws : int
        Simulated data sets of the bootstrap.

    Returns
    -------
    UnseenTimesFit
        NaN with a status and a note where the data cannot say.

    Raises
    ------
    InputError
        Shapes differ, a bound is missing, negative or crossed, an option is unknown; the
        message names the rows, counted from 1.

    Source
    ------
    Likelihood with bounds: Meeker & Escobar (1998), Statistical Methods for Reliability Data,
    Wiley, ch. 2 and 7. Adaptive Gauss-Hermite: Liu & Pierce (1994), Biometrika 81, 624-629,
    doi:10.1093/biomet/81.3.624. Derivatives: Louis (1982), Journal of the Royal Statistical
    Society B 44, 226-233. Existence: Silvapulle & Burridge (1986), ibid. 48, 100-106. Profile
    limits: Venzon & Moolgavkar (1988), Applied Statistics 37, 87-94, doi:10.2307/2347496.
    Checks: tests/published/expected_unseen.toml.

    Examples
    --------
    >>> lower = [50, 60, 50, 60, 70, 80, 70, 90]
    >>> upper = [60, 70, 60, 70, 80, 90, 80, float("inf")]
    >>> hot = [0, 0, 0, 0, 1, 1, 1, 1]
    >>> fit = unseen_times_model(lower, upper, [[1, h] for h in hot], names=["cold", "hot"])
    >>> fit.status, fit.rows_interval, fit.rows_right
    ('ok', 7, 1)
    >>> round(float(fit.coefficients.loc["hot", "estimate"]), 3)
    0.331
    """
    require_choice(family, TimeFamily, name="family")
    require_choice(inference, UnseenInference, name="inference")
    require_level(level)
    _check_options(family, fixed_scale, df, draws, known_variance, added_variance, count)
    rows = check_unseen_rows(
        lower,
        upper,
        X,
        study,
        varying=varying,
        batch=batch,
        known_variance=known_variance,
        added_variance=added_variance,
        count=count,
        spread=spread,
        offset=offset,
        log_times=log_times,
        names=names,
        varying_names=varying_names,
    )
    looks = check_looks(check_interval, watched_until, len(np.asarray(lower)), log_times)
    question = _Question(
        family=family,
        inference=inference,
        level=level,
        fixed_scale=fixed_scale,
        correlated=correlated,
        functions=_functions(contrasts, rows),
        asked=_asked(focus, rows, contrasts),
        df=df,
        accuracy=accuracy,
        seed=seed,
        draws=draws,
    )
    return _answer(question, rows, looks)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Question:
    """What was asked of the rows."""

    family: TimeFamily
    inference: UnseenInference
    level: float
    fixed_scale: float | None
    correlated: bool
    functions: FloatArray
    asked: npt.NDArray[np.bool_]
    df: float | None
    accuracy: float
    seed: int
    draws: int


def _check_options(
    family: str,
    fixed_scale: float | None,
    df: float | None,
    draws: int,
    known_variance: object,
    added_variance: object,
    count: object,
) -> None:
    if fixed_scale is not None and not (fixed_scale > 0.0 and np.isfinite(fixed_scale)):
        raise InputError(f"fixed_scale is {fixed_scale!r}. Give a number above zero, or None.")
    if df is not None and not df > 0.0:
        raise InputError(f"df is {df!r}. Give a number above zero, or None.")
    if draws < 1:
        raise InputError(f"draws is {draws!r}. Give a whole number, 1 or more.")
    given = [
        name
        for name, value in (
            ("known_variance", known_variance),
            ("added_variance", added_variance),
            ("count", count),
        )
        if value is not None
    ]
    if family == "weibull" and given:
        raise InputError(
            f'{given[0]} has no meaning with family "weibull": a Weibull time with a normal '
            'error is no Weibull time. Use family "log-normal".'
        )


def _functions(contrasts: npt.ArrayLike | None, rows: UnseenRows) -> FloatArray:
    p = len(rows.names)
    if contrasts is None:
        return np.eye(p)
    extra = np.atleast_2d(np.asarray(contrasts, dtype=float))
    if extra.ndim != 2 or extra.shape[1] != p or not np.isfinite(extra).all():
        raise InputError(
            f"contrasts has shape {extra.shape}; it needs rows of {p} finite numbers, one for "
            "each column of X."
        )
    return np.vstack([np.eye(p), extra])


def _asked(
    focus: Sequence[int] | None, rows: UnseenRows, contrasts: npt.ArrayLike | None
) -> npt.NDArray[np.bool_]:
    p = len(rows.names)
    further = 0 if contrasts is None else len(np.atleast_2d(np.asarray(contrasts)))
    asked = np.ones(p + further, dtype=bool)
    if focus is not None:
        wrong = [i for i in focus if not 0 <= i < p]
        if wrong:
            raise InputError(
                f"focus names column {wrong[0]}; X has columns 0 to {p - 1}. Give those."
            )
        asked[:p] = False
        asked[list(focus)] = True
    return asked


class _Table:
    """The frame of functions being filled."""

    def __init__(self, count: int) -> None:
        self.values = {name: np.full(count, np.nan) for name in NUMBERS}

    def frames(self, rows: UnseenRows) -> tuple[pd.DataFrame, pd.DataFrame]:
        p = len(rows.names)
        further = [f"contrast {i + 1}" for i in range(len(self.values["se"]) - p)]
        whole = pd.DataFrame(self.values, index=[*rows.names, *further]).rename_axis("term")
        return whole.iloc[:p].copy(), whole.iloc[p:].copy()


def _answer(question: _Question, rows: UnseenRows, looks: Looks) -> UnseenTimesFit:
    table = _Table(len(question.functions))
    if not len(rows.x):
        return _result(question, rows, table, "unidentifiable", "No row bounds its time.")
    aliased = aliased_columns(rows.x)
    if aliased:
        listed = ", ".join(rows.names[j] for j in aliased)
        note = f"The columns before it already give {listed} on the rows that bound a time."
        return _result(question, rows, table, "unidentifiable", note)
    rows, steps = drop_single_study(rows)
    trouble = random_trouble(rows, scale_is_held=question.fixed_scale is not None)
    if trouble:
        return _result(question, rows, table, "unidentifiable", trouble, steps=steps)
    scaled = _standardised(question, rows)
    fixed, escape = fit_fixed_parts(scaled)
    if escape.spread:
        return _result(question, rows, table, "unidentifiable", _spread_note(rows), steps=steps)
    if escape.rows.any():
        return _one_sided(question, rows, table, scaled, escape, steps)
    fitted = fit_all_parts(scaled, fixed, accuracy=question.accuracy)
    status, note = _judge(scaled, fitted)
    if status in ("unidentifiable", "failed"):
        return _result(question, rows, table, status, note, steps=steps)
    reference = _reference(question, rows, scaled)
    covariance, log_se = _covariance(scaled, fitted)
    extra = _fill(question, rows, looks, table, scaled, fitted, reference, covariance)
    note = " ".join(part for part in (note, extra.note) if part)
    return _result(
        question,
        rows,
        table,
        status,
        note,
        steps=steps,
        scaled=scaled,
        fitted=fitted,
        covariance=covariance,
        log_se=log_se,
        draws_used=extra.draws_used,
    )


def _standardised(question: _Question, rows: UnseenRows) -> Standardised:
    return standardise(
        rows,
        family=question.family,
        correlated=question.correlated,
        fixed_scale=question.fixed_scale,
    )


def _spread_note(rows: UnseenRows) -> str:
    seen = int((rows.kind == rows_of.EXACT).sum())
    if not seen and not np.any((rows.kind == rows_of.INTERVAL) | (rows.kind == rows_of.LEFT)):
        return "No row has an upper bound: nothing was seen to freeze, so no time can be estimated."
    if not seen:
        return (
            "All bounds can hold at once with no spread at all, so the data do not say how "
            "much times differ."
        )
    return "The columns fit every row without any spread, so the spread cannot be estimated."


def _judge(scaled: Standardised, fitted: Fitted) -> tuple[Status, str]:
    p = scaled.design.x.shape[1]
    free = np.setdiff1d(scaled.free, fitted.zero)
    at_edge = p in free and fitted.theta[p] < EDGE_LOG_SPREAD
    if at_edge and bool(np.all(scaled.design.added > 0.0)):
        fitted.zero = np.union1d(fitted.zero, [p])
        return "boundary", "The residual spread beyond the stated variances is estimated at zero."
    if at_edge:
        return (
            "unidentifiable",
            "The windows are too wide to show how runs within a group differ: the spread runs "
            "to zero.",
        )
    if not fitted.arrived or not np.isfinite(fitted.value):
        return "failed", "The search for the best fit did not settle."
    curve = np.linalg.eigvalsh(fitted.hessian[np.ix_(free, free)])
    if not curve[0] > 1e-9 * curve[-1]:
        return (
            "unidentifiable",
            "Near the best fit some combination of the parameters can change freely.",
        )
    note = ""
    criterion = 2.0 * fitted.value + scaled.shift
    if fitted.quadrature_error > 1e-6 * max(1.0, abs(criterion)):
        note = (
            f"The integrals over random parts are good to {fitted.quadrature_error:.1g} in the "
            "criterion only."
        )
    if len(fitted.zero):
        word = "No spread between groups is seen in a random part, or two vary in step"
        return "boundary", " ".join(part for part in (f"{word}.", note) if part)
    return "ok", note


def _reference(question: _Question, rows: UnseenRows, scaled: Standardised) -> Reference:
    p = scaled.design.x.shape[1]
    reference = reference_for(
        rows,
        question.functions,
        studies=rows.z.shape[1] > 0,
        batches=bool(rows.member.any()),
        spread_known=p not in scaled.free,
    )
    if question.df is None:
        return reference
    given = np.full(len(question.functions), float(question.df))
    return Reference(given, np.maximum(reference.units, given))


def _covariance(scaled: Standardised, fitted: Fitted) -> tuple[FloatArray, float]:
    """Covariance of the coefficients and standard error of log sigma."""
    p = scaled.design.x.shape[1]
    free = np.setdiff1d(scaled.free, fitted.zero)
    low = np.linalg.cholesky(fitted.hessian[np.ix_(free, free)])
    root = np.linalg.solve(low, np.eye(len(free)))
    whole = root.T @ root
    back = scaled.unit * scaled.back
    inner = whole[: int((free < p).sum()), : int((free < p).sum())]
    place = np.flatnonzero(free == p)
    log_se = float(np.sqrt(whole[place[0], place[0]])) if len(place) else float("nan")
    return back @ inner @ back.T, log_se


@dataclass(frozen=True, slots=True)
class _Extra:
    note: str = ""
    draws_used: int = 0


def _fill(
    question: _Question,
    rows: UnseenRows,
    looks: Looks,
    table: _Table,
    scaled: Standardised,
    fitted: Fitted,
    reference: Reference,
    covariance: FloatArray,
) -> _Extra:
    """Write estimates, standard errors and limits of all functions."""
    functions = question.functions
    beta = scaled.start + scaled.unit * scaled.back @ fitted.theta[: scaled.design.x.shape[1]]
    values = table.values
    values["estimate"][:] = functions @ beta
    values["se"][:] = np.sqrt(np.einsum("ij,jk,ik->i", functions, covariance, functions))
    values["df"][:] = np.where(reference.df > 0.0, reference.df, np.nan)
    reach = reference.t_limit(question.level) * values["se"]
    values["low"][:] = values["estimate"] - reach
    values["high"][:] = values["estimate"] + reach
    values["p"][:] = reference.p_of_t(values["estimate"] / values["se"])
    without = ~(reference.df > 0.0)
    note = ""
    if without.any():
        note = "There are too few groups for an interval of some coefficients."
    if question.inference == "wald":
        return _Extra(note)
    chosen = np.flatnonzero(question.asked)
    picked = functions[chosen]
    with np.errstate(invalid="ignore"):
        far = np.abs(values["estimate"] / values["se"]) > np.maximum(
            FAR_FROM_ZERO, 2.0 * reference.t_limit(question.level)
        )
    test = ~far[chosen]
    if question.inference == "profile":
        cut_off = reference.cut_off(question.level)[chosen]
        limits = profile_limits(scaled, fitted, picked, cut_off, test)
        part = Reference(reference.df[chosen], reference.units[chosen])
        p_values = part.p_value(limits.rise_at_zero)
        _write(values, chosen, limits, p_values)
        return _Extra(note)
    ran = bootstrap_cut_off(
        rows,
        looks,
        scaled,
        fitted,
        picked,
        question.level,
        seed=question.seed,
        draws=question.draws,
    )
    limits = profile_limits(scaled, fitted, picked, ran.cut_off, test)
    _write(values, chosen, limits, ran.p_value(limits.rise_at_zero))
    values["df"][chosen] = np.nan
    lost = question.draws - ran.used
    if lost:
        note = f"{note} {lost} of {question.draws} simulated data sets had no finite fit.".strip()
    return _Extra(note, ran.used)


def _write(
    values: dict[str, FloatArray], chosen: npt.NDArray[np.int64], limits: Limits, p: FloatArray
) -> None:
    values["low"][chosen] = limits.low
    values["high"][chosen] = limits.high
    # Where zero is far off, the p of estimate over error stands.
    values["p"][chosen] = np.where(np.isfinite(p), p, values["p"][chosen])


def _one_sided(
    question: _Question,
    rows: UnseenRows,
    table: _Table,
    scaled: Standardised,
    escape: Escape,
    steps: tuple[str, ...],
) -> UnseenTimesFit:
    """Answer where rows push coefficients to infinity: limits on one side only.

    The likelihood's upper limit is that of the rows that stay, since the others become
    certain; the limit is where the profile has fallen from it by the usual cut-off.
    """
    kept = rows.keep(~escape.rows)
    sides = [
        f"{name} has no {'upper' if up else 'lower'} bound"
        for name, up, down in zip(rows.names, escape.rising, escape.falling, strict=True)
        if up != down
    ]
    note = (
        f"{int(escape.rows.sum())} rows of one kind could lie any distance beyond their bound, "
        f"so the best fit lies at infinity: {'; '.join(sides) or 'several directions'}. "
        "Limits on the other side are given, no estimate."
    )
    bounded = ~escape.rising & ~escape.falling
    inner = _standardised(question, kept)
    fixed, _ = fit_fixed_parts(inner)
    fitted = fit_all_parts(inner, fixed, accuracy=question.accuracy)
    if random_trouble(kept, scale_is_held=question.fixed_scale is not None) or _judge(
        inner, fitted
    )[0] in ("unidentifiable", "failed"):
        return _result(question, rows, table, "unidentifiable", note, steps=steps)
    reference = _reference(question, rows, scaled)
    functions = question.functions
    cut_off = reference.cut_off(question.level)
    values = table.values
    values["df"][:] = np.where(reference.df > 0.0, reference.df, np.nan)
    p = len(rows.names)
    plain = np.zeros(len(functions), dtype=bool)
    plain[:p] = bounded
    if plain.any():
        beta = inner.start + inner.unit * inner.back @ fitted.theta[: inner.design.x.shape[1]]
        covariance, _ = _covariance(inner, fitted)
        picked = functions[plain]
        test = np.ones(len(picked), dtype=bool)
        limits = profile_limits(inner, fitted, picked, cut_off[plain], test)
        values["estimate"][plain] = picked @ beta
        values["se"][plain] = np.sqrt(np.einsum("ij,jk,ik->i", picked, covariance, picked))
        values["low"][plain], values["high"][plain] = limits.low, limits.high
        part = Reference(reference.df[plain], reference.units[plain])
        values["p"][plain] = part.p_value(limits.rise_at_zero)
    top = 2.0 * fitted.value + inner.shift
    anchor = fit_all_parts(
        scaled, Fitted(_flat_start(scaled), np.inf, np.eye(1)), accuracy=question.accuracy
    )
    directions = theta_directions(scaled, functions)
    for j in range(p):
        if escape.rising[j] == escape.falling[j] or not np.isfinite(cut_off[j]):
            continue
        sign = -1.0 if escape.rising[j] else 1.0
        target = 0.5 * (top - scaled.shift + cut_off[j])
        at = walk_to_crossing(
            scaled,
            off_zero(scaled, anchor),
            anchor.nodes,
            directions[j],
            float(directions[j] @ anchor.theta),
            sign,
            1.0,
            target,
        )
        side = "low" if sign < 0.0 else "high"
        other = "high" if sign < 0.0 else "low"
        values[side][j] = scaled.start[j] + scaled.unit * at
        values[other][j] = -sign * np.inf
        here = value_where(scaled, anchor, functions[j : j + 1], np.zeros(1))
        rise = 2.0 * here + scaled.shift - top
        values["p"][j] = Reference(reference.df[j : j + 1], reference.units[j : j + 1]).p_value(
            rise
        )[0]
    return _result(question, rows, table, "unidentifiable", note, steps=steps)


def _flat_start(scaled: Standardised) -> FloatArray:
    theta = np.zeros(scaled.design.x.shape[1] + 1)
    theta[-1] = scaled.first_log_sigma
    return theta


def _random_frame(
    rows: UnseenRows, scaled: Standardised, fitted: Fitted, residual_sd: float
) -> pd.DataFrame:
    _, factor, omega = unpack_theta(scaled.design, fitted.theta[None])
    lines: list[dict[str, Any]] = []
    q = scaled.design.z.shape[1]
    if q:
        root = scaled.unit * scaled.varying_back @ factor[0]
        covariance = root @ root.T
        sd = np.sqrt(np.diag(covariance))
        level = "study" if rows.z.shape[1] else "batch"
        terms = rows.varying_names if rows.z.shape[1] else ("intercept",)
        lines += [_part(level, term, value) for term, value in zip(terms, sd, strict=True)]
        for k, m in scaled.design.pairs:
            if k != m:
                both = sd[k] * sd[m]
                r = float(covariance[k, m] / both) if both > 0.0 else float("nan")
                lines.append(_part(level, terms[m], float("nan"), terms[k], r))
    if scaled.design.has_batch:
        lines.append(_part("batch", "intercept", scaled.unit * abs(float(omega[0]))))
    lines.append(_part("residual", "", residual_sd))
    return pd.DataFrame(lines, columns=list(PART_TYPES))


def _part(
    level: str, term: str, sd: float, with_term: str = "", correlation: float = float("nan")
) -> dict[str, str | float]:
    return {
        "level": level,
        "term": term,
        "with_term": with_term,
        "sd": float(sd),
        "correlation": correlation,
    }


def _result(
    question: _Question,
    rows: UnseenRows,
    table: _Table,
    status: Status,
    note: str,
    *,
    steps: tuple[str, ...] = (),
    scaled: Standardised | None = None,
    fitted: Fitted | None = None,
    covariance: FloatArray | None = None,
    log_se: float = float("nan"),
    draws_used: int = 0,
) -> UnseenTimesFit:
    p = len(rows.names)
    coefficients, contrasts = table.frames(rows)
    seen = [int((rows.kind == kind).sum()) for kind in range(4)]
    scale = residual_sd = criterion = criterion_time = aic = float("nan")
    parts = pd.DataFrame(columns=list(PART_TYPES)).astype(PART_TYPES)
    parameters, nodes, error = 0, 0, float("nan")
    if scaled is not None and fitted is not None:
        place = scaled.design.x.shape[1]
        if np.any(scaled.design.share > 0.0):
            scale = scaled.unit * float(np.exp(fitted.theta[place]))
            scale = 0.0 if place in fitted.zero else scale
            residual_sd = scale * (WEIBULL_SD if question.family == "weibull" else 1.0)
        parts = _random_frame(rows, scaled, fitted, residual_sd)
        criterion = 2.0 * fitted.value + scaled.shift
        exact = rows.kind == rows_of.EXACT
        logs = (rows.lower + rows.offset)[exact]
        criterion_time = criterion + 2.0 * float((rows.count[exact] * logs).sum())
        parameters = len(scaled.free)
        aic = criterion + 2.0 * parameters
        nodes = int(fitted.nodes.max()) if scaled.design.z.shape[1] else 1
        error = fitted.quadrature_error
    return UnseenTimesFit(
        coefficients=coefficients,
        contrasts=contrasts,
        covariance=pd.DataFrame(
            np.full((p, p), np.nan) if covariance is None else covariance,
            index=list(rows.names),
            columns=list(rows.names),
        ),
        random_parts=parts,
        residual_sd=residual_sd,
        scale=scale,
        log_scale_se=log_se,
        criterion=criterion,
        criterion_time=criterion_time,
        aic=aic,
        parameters=parameters,
        rows_exact=seen[rows_of.EXACT],
        rows_interval=seen[rows_of.INTERVAL],
        rows_right=seen[rows_of.RIGHT],
        rows_left=seen[rows_of.LEFT],
        rows_empty=rows.empty,
        studies=rows.studies if rows.z.shape[1] else 0,
        batches=rows.batches,
        nodes=nodes,
        quadrature_error=error,
        family=question.family,
        inference=question.inference,
        level=question.level,
        seed=question.seed,
        draws_used=draws_used,
        status=status,
        note=note,
        steps_taken=steps,
        second_engine=NO_SECOND_ENGINE,
    )
