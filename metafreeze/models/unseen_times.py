"""Freezing times not seen exactly, with random effects of studies and batches."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from metafreeze.errors import InputError
from metafreeze.models.heterogeneity import require_level
from metafreeze.models.unseen_bootstrap import Looks, bootstrap_cut_off, check_looks
from metafreeze.models.unseen_design import drop_single_study, random_trouble
from metafreeze.models.unseen_fit import (
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
    profile_limits,
    reference_for,
    value_where,
)
from metafreeze.models.unseen_judgement import coefficient_covariance, judge_fit, spread_note
from metafreeze.models.unseen_one_sided import fill_one_sided
from metafreeze.models.unseen_result import Question, Table, UnseenTimesFit, build_result
from metafreeze.options import TimeFamily, UnseenInference, require_choice
from metafreeze.results import FloatArray

# So many standard errors from zero (and twice the t limit) the test at zero is not profiled:
# the p from estimate over error is the same nothing, and refitting far away is slow.
FAR_FROM_ZERO = 8.0


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
        always; where rows of a batch (or study) were given up, all of it is watched until its
        latest known look.
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
    Society B 44, 226-233. Existence: Silvapulle et al. (1986), ibid. 48, 100-106. Profile
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
    0.32
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
    looks = check_looks(check_interval, watched_until, len(np.asarray(lower)))
    question = Question(
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


def _answer(question: Question, rows: UnseenRows, looks: Looks) -> UnseenTimesFit:
    table = Table(len(question.functions))
    if not len(rows.x):
        return build_result(question, rows, table, "unidentifiable", "No row bounds its time.")
    aliased = aliased_columns(rows.x)
    if aliased:
        listed = ", ".join(rows.names[j] for j in aliased)
        note = f"The columns before it already give {listed} on the rows that bound a time."
        return build_result(question, rows, table, "unidentifiable", note)
    rows, steps = drop_single_study(rows)
    trouble = random_trouble(rows, scale_is_held=question.fixed_scale is not None)
    if trouble:
        return build_result(question, rows, table, "unidentifiable", trouble, steps=steps)
    scaled = standardise(
        rows,
        family=question.family,
        correlated=question.correlated,
        fixed_scale=question.fixed_scale,
    )
    fixed, escape = fit_fixed_parts(scaled)
    if escape.spread:
        return build_result(question, rows, table, "unidentifiable", spread_note(rows), steps=steps)
    if escape.rows.any():
        reference = _reference(question, rows, scaled)
        note, further = fill_one_sided(question, rows, table, escape, reference)
        steps += further
        return build_result(question, rows, table, "unidentifiable", note, steps=steps)
    fitted = fit_all_parts(scaled, fixed, accuracy=question.accuracy)
    status, note = judge_fit(scaled, fitted)
    if status in ("unidentifiable", "failed"):
        return build_result(question, rows, table, status, note, steps=steps)
    reference = _reference(question, rows, scaled)
    covariance, log_se = coefficient_covariance(scaled, fitted)
    extra = _fill(question, rows, looks, table, scaled, fitted, reference, covariance)
    note = " ".join(part for part in (note, extra.note) if part)
    return build_result(
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


def _reference(question: Question, rows: UnseenRows, scaled: Standardised) -> Reference:
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


@dataclass(frozen=True, slots=True)
class _Extra:
    note: str = ""
    draws_used: int = 0


def _fill(
    question: Question,
    rows: UnseenRows,
    looks: Looks,
    table: Table,
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

    def profiled(cut_off: FloatArray) -> Limits:
        limits = profile_limits(scaled, fitted, picked, cut_off, test)
        # Far by its standard error, yet not by its limits: then the test is profiled after all.
        missed = ~test & ~((limits.low > 0.0) | (limits.high < 0.0)) & np.isfinite(cut_off)
        values["p"][chosen[missed]] = np.nan
        if missed.any():
            at_zero = value_where(scaled, fitted, picked[missed], np.zeros(int(missed.sum())))
            limits.rise_at_zero[missed] = 2.0 * (at_zero - fitted.value)
        return limits

    if question.inference == "profile":
        cut_off = reference.cut_off(question.level)[chosen]
        limits = profiled(cut_off)
        p_values = reference.pick(chosen).p_value(limits.rise_at_zero)
        _write(values, chosen, limits, p_values, test)
        odd = _drop_contradictions(values, chosen, 1.0 - question.level)
        return _Extra(f"{note} {odd}".strip())
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
    limits = profiled(ran.cut_off)
    _write(values, chosen, limits, ran.p_value(limits.rise_at_zero), test)
    values["df"][chosen] = np.nan
    lost = question.draws - ran.used
    if lost:
        note = f"{note} {lost} of {question.draws} simulated data sets had no finite fit.".strip()
    return _Extra(note, ran.used)


def _write(
    values: dict[str, FloatArray],
    chosen: npt.NDArray[np.int64],
    limits: Limits,
    p: FloatArray,
    tested: npt.NDArray[np.bool_],
) -> None:
    values["low"][chosen] = limits.low
    values["high"][chosen] = limits.high
    # Where zero is far off, the p of estimate over error stands; it was not asked again.
    values["p"][chosen] = np.where(np.isfinite(p) | tested, p, values["p"][chosen])


def _drop_contradictions(
    values: dict[str, FloatArray], chosen: npt.NDArray[np.int64], alpha: float
) -> str:
    """Leave out a p that says the opposite of the limits; give the sentence for the note.

    Both come from one likelihood, so they part only where it has several peaks or its
    integrals are poor.
    """
    low, high, p = (values[name][chosen] for name in ("low", "high", "p"))
    with np.errstate(invalid="ignore"):
        holds = (low < 0.0) & (high > 0.0)
        parted = (holds & (p < 0.8 * alpha)) | (~holds & (p > 1.25 * alpha))
    if not parted.any():
        return ""
    values["p"][chosen[parted]] = np.nan
    return "The likelihood is too uneven for a test of zero that agrees with the limits."
