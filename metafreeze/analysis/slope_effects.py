"""One slope per study: ln time for a start 10 K hotter, from any mix of rows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import stats

from metafreeze.analysis.effect_rows import EffectRows, Ledger, log_times
from metafreeze.effects.counts import latent_difference
from metafreeze.effects.slopes import WithinSlope, known_slope, within_slope
from metafreeze.effects.spreads import Arm, PrintedArm, log_arm
from metafreeze.results import FloatArray

KELVIN_PER_UNIT = 10.0
REFERENCE_C = 20.0
NAN = float("nan")

BORROWED = "borrowed SD"
ONE_TEMPERATURE = "no batch or table holds two start temperatures to compare"


@dataclass(frozen=True, slots=True, kw_only=True)
class OneEffect:
    """One effect of one study, before the effects are put together.

    Parameters
    ----------
    study, label : str
        Study key, and a label unique among the effects.
    estimate, variance, df : float
        Effect, sampling variance, degrees of freedom behind the variance.
    n_runs : float
        Runs behind it; NaN where not reported.
    cold_c, hot_c : float
        Coldest and hottest start temperature it uses.
    remark : str
        What is derived, borrowed or assumed.
    """

    study: str
    label: str
    estimate: float
    variance: float
    df: float
    n_runs: float
    cold_c: float
    hot_c: float
    remark: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EffectBlock:
    """Effects that may be correlated with each other and with no others.

    Parameters
    ----------
    effects : list of OneEffect, length m
        The effects.
    covariance : array, shape (m, m)
        Their sampling covariance; its diagonal holds the variances.
    """

    effects: list[OneEffect]
    covariance: FloatArray


def alone(effect: OneEffect) -> EffectBlock:
    """Wrap one effect that is correlated with no other."""
    return EffectBlock(effects=[effect], covariance=np.array([[effect.variance]]))


@dataclass(slots=True)
class Part:
    """What one kind of rows says about a study's slope.

    `extra` is the variance that errors of published temperatures and of readings add;
    `extra_borrowed` the same where the spread of single runs is lent and holds none of them.
    """

    fit: WithinSlope
    variance: float
    df: float
    n_runs: float
    positions: npt.NDArray[np.intp]
    low_c: float
    high_c: float
    remarks: list[str]
    extra: float = 0.0
    extra_borrowed: float = 0.0


def slope_effects(
    rows: EffectRows,
    ledger: Ledger,
    *,
    residual: str,
    borrowed_sd: float | None,
    unstated_bars: str | None,
) -> list[EffectBlock]:
    """Give one slope per study and put what gives none into the ledger.

    Parameters
    ----------
    rows : EffectRows
        The chosen rows.
    ledger : Ledger
        Takes rows that say nothing on the slope.
    residual : {"per-study", "common"}
        Whether runs of all studies share one variance around their lines.
    borrowed_sd : float, optional
        SD of ln time of a single run, for rows that bring no spread of their own.
    unstated_bars : {"SD", "SE"}, optional
        How to read bars whose meaning the source does not state.

    Returns
    -------
    list of EffectBlock
    """
    parts: dict[str, list[Part]] = {}
    for study in sorted(set(rows.study[rows.use])):
        runs, y = log_times(rows, rows.positions("run", study), ledger)
        _note_batches(rows, ledger, study, runs)
        full, bare = _log_arms(rows, ledger, study, borrowed_sd, unstated_bars)
        found = [
            _sufficient_part(rows, ledger, study, runs, y, full, borrowed_sd),
            _known_part(rows, ledger, bare),
            *(_contrast_part(rows, ledger, i) for i in rows.positions("contrast_summary", study)),
            *(
                _count_part(rows, ledger, i, borrowed_sd)
                for i in rows.positions("pair_count", study)
            ),
        ]
        parts[study] = [part for part in found if part is not None]
    if residual == "common":
        _share_residual(parts, ledger)
    effects = [_combined(study, found, rows, ledger) for study, found in parts.items()]
    return [alone(effect) for effect in effects if effect is not None]


def _scaled(temp_c: FloatArray) -> FloatArray:
    return (temp_c - REFERENCE_C) / KELVIN_PER_UNIT


def _group_numbers(group: npt.NDArray[np.object_]) -> npt.NDArray[np.int64]:
    return np.unique(group.astype(str), return_inverse=True)[1].astype(np.int64)


def printed_groups(
    rows: EffectRows, ledger: Ledger, study: str, unstated_bars: str | None
) -> list[tuple[int, PrintedArm]]:
    """Give the published groups of a study whose bars can be read, by position.

    Parameters
    ----------
    rows : EffectRows
        All rows.
    ledger : Ledger
        Takes the groups whose bars cannot be read.
    study : str
        Study key.
    unstated_bars : {"SD", "SE"}, optional
        How to read bars of unstated meaning.

    Returns
    -------
    list of (int, PrintedArm)
    """
    groups = []
    for i in rows.positions("arm_summary", study):
        sd, se = float(rows.number["sd_s"][i]), float(rows.number["se_s"][i])
        if not np.isfinite(rows.number["start_temp_c"][i]):
            ledger.leave_out(i, "the start temperature is missing")
            continue
        if rows.word["error_bar_meaning"][i] == "unstated" and np.isfinite([sd, se]).any():
            bar = sd if np.isfinite(sd) else se
            if unstated_bars is None:
                ledger.leave_out(
                    i,
                    "the meaning of the ± is not stated; state it, or analyse it as SD and as SE "
                    "(unstated_bars)",
                )
                continue
            sd, se = (bar, NAN) if unstated_bars == "SD" else (NAN, bar)
            ledger.note(f"bars of unstated meaning in {study} are read as {unstated_bars}")
        groups.append((int(i), rows.printed_arm(i, sd=sd, se=se)))
    return groups


Placed = list[tuple[int, Arm]]


def _log_arms(
    rows: EffectRows,
    ledger: Ledger,
    study: str,
    borrowed_sd: float | None,
    unstated_bars: str | None,
) -> tuple[Placed, Placed]:
    """Split published groups into those with n and SD, and those with a known error only.

    Groups that are compared with each other stay together, so one group without its own n
    moves its whole table to the second kind.
    """
    arms: dict[str, Placed] = {}
    for i, printed in printed_groups(rows, ledger, study, unstated_bars):
        arm = log_arm(printed)
        if arm.problem and borrowed_sd is not None and np.isfinite(arm.mean):
            runs = arm.n if arm.n >= 1 else 1.0
            arm = Arm(mean=arm.mean, n=runs, mean_variance=borrowed_sd**2 / runs, derived=BORROWED)
        if arm.problem or not np.isfinite(arm.mean):
            ledger.leave_out(i, arm.problem or "neither a mean nor a median is given")
        else:
            arms.setdefault(rows.group[i], []).append((i, arm))
    full: Placed = []
    bare: Placed = []
    for group in arms.values():
        complete = all(np.isfinite(arm.sd) for _, arm in group)
        (full if complete else bare).extend(group)
    return full, bare


def _sufficient_part(
    rows: EffectRows,
    ledger: Ledger,
    study: str,
    runs: npt.NDArray[np.intp],
    y: FloatArray,
    arms: Placed,
    borrowed_sd: float | None,
) -> Part | None:
    """Fit runs, and published groups with n and SD, together."""
    at = np.concatenate([runs, np.array([i for i, _ in arms], dtype=np.intp)])
    if at.size == 0:
        return None
    y = np.concatenate([y, [arm.mean for _, arm in arms]])
    n = np.concatenate([np.ones(runs.size), [arm.n for _, arm in arms]])
    ss = np.concatenate([np.zeros(runs.size), [(arm.n - 1) * arm.sd**2 for _, arm in arms]])
    temp = rows.number["start_temp_c"][at]
    fit = within_slope(y, _scaled(temp), n, ss, _group_numbers(rows.group[at]))
    if np.isnan(fit.estimate):
        ledger.leave_out(at, ONE_TEMPERATURE)
        return None
    if runs.size and arms:
        ledger.note(
            f"{study} brings single runs and published groups; make sure that the groups are not "
            "made of those runs"
        )
    single = np.arange(at.size) < runs.size
    part = Part(
        fit=fit,
        variance=fit.variance,
        df=fit.df,
        n_runs=float(n.sum()),
        positions=at,
        low_c=float(temp.min()),
        high_c=float(temp.max()),
        remarks=sorted({arm.derived for _, arm in arms if arm.derived}),
        extra=_error_of_reading(rows, at, fit, y, single),
        extra_borrowed=_error_of_reading(rows, at, fit, y, np.zeros(at.size, dtype=bool)),
    )
    return _weighed(rows, ledger, part, borrowed_sd)


def _weighed(
    rows: EffectRows, ledger: Ledger, part: Part, borrowed_sd: float | None
) -> Part | None:
    """Give the part a variance, or put its rows into the ledger."""
    sxx = part.fit.sxx
    floor = _resolution_variance(rows, part.positions)
    if part.df > 0 and (part.fit.residual_variance > 0 or floor > 0):
        if part.fit.residual_variance < floor:
            part.variance = floor / sxx
            part.remarks.append("spread taken from the time between looks, which hides it")
        return part
    if borrowed_sd is not None:
        part.variance, part.df = borrowed_sd**2 / sxx, np.inf
        # A lent SD knows nothing of these readings' own errors.
        part.extra = part.extra_borrowed
        part.remarks.append(BORROWED)
        return part
    if part.df > 0:
        ledger.leave_out(
            part.positions,
            "runs of one temperature all took the same time (timer resolution?), so there is no "
            "spread to weigh by",
        )
    else:
        ledger.leave_out(
            part.positions,
            f"{part.n_runs:g} runs leave no spread around the line: as many coefficients as runs",
        )
    return None


def _resolution_variance(rows: EffectRows, at: npt.NDArray[np.intp]) -> float:
    """Variance that the time between looks alone brings to ln time."""
    looks = np.fmax(rows.number["check_interval_s"][at], rows.number["log_interval_s"][at])
    time = np.fmax(rows.number["time_upper_s"][at], rows.number["mean_s"][at])
    shares = (looks / time)[np.isfinite(looks) & (time > 0)]
    # A rounded reading is uniform over its step: variance of step²/12.
    return float(np.mean(shares**2) / 12) if shares.size else 0.0


def _error_of_reading(
    rows: EffectRows,
    at: npt.NDArray[np.intp],
    fit: WithinSlope,
    y: FloatArray,
    single: npt.NDArray[np.bool_],
) -> float:
    """Variance from the errors of published temperatures and of points read off a figure.

    The scatter of single runs holds these errors already; the SD of a published group does not.
    """
    temp_sd = np.nan_to_num(rows.number["start_temp_sd_k"][at]) / KELVIN_PER_UNIT
    reading = np.nan_to_num(rows.number["time_reading_sd_s"][at]) / np.exp(y)
    squares = reading**2 + (fit.estimate * temp_sd) ** 2
    return float(np.sum(fit.coefficients**2 * np.where(single, 0.0, squares)))


def _known_part(rows: EffectRows, ledger: Ledger, arms: Placed) -> Part | None:
    """Fit published groups of which only the error of the mean is known, or is borrowed."""
    if not arms:
        return None
    at = np.array([i for i, _ in arms], dtype=np.intp)
    y = np.array([arm.mean for _, arm in arms])
    temp = rows.number["start_temp_c"][at]
    variance = np.array([arm.mean_variance for _, arm in arms])
    fit = known_slope(y, _scaled(temp), variance, _group_numbers(rows.group[at]))
    if np.isnan(fit.estimate):
        ledger.leave_out(at, ONE_TEMPERATURE)
        return None
    return Part(
        fit=fit,
        variance=fit.variance,
        df=np.inf,
        n_runs=float(np.sum([arm.n for _, arm in arms])),
        positions=at,
        low_c=float(temp.min()),
        high_c=float(temp.max()),
        remarks=sorted({arm.derived for _, arm in arms if arm.derived}),
        extra=_error_of_reading(rows, at, fit, y, np.zeros(at.size, dtype=bool)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ContrastError:
    """Standard error of a published contrast, and where it comes from.

    Parameters
    ----------
    se, df : float
        Standard error, and degrees of freedom behind it; infinite where n is not reported.
    remark : str
        How it was derived.
    problem : str
        Why the contrast cannot be weighed; empty where it can.
    """

    se: float = NAN
    df: float = np.inf
    remark: str = "published contrast"
    problem: str = ""


def contrast_error(rows: EffectRows, i: int) -> ContrastError:
    """Find the standard error of a published contrast: as printed, from its interval, or from p.

    Parameters
    ----------
    rows : EffectRows
        All rows.
    i : int
        Position.

    Returns
    -------
    ContrastError
    """
    number = {name: float(values[i]) for name, values in rows.number.items()}
    value, se = number["contrast_value"], number["contrast_se"]
    low, high, p = number["contrast_low"], number["contrast_high"], number["p_value"]
    if np.isnan(value):
        return ContrastError(problem="the contrast has no value")
    if number["n_hot"] == 1 and number["n_cold"] == 1:
        return ContrastError(
            problem="one run an arm has no spread of its own, so its standard error cannot be known"
        )
    runs = number["n_hot"] + number["n_cold"]
    runs = number["n_runs"] if np.isnan(runs) else runs
    df = runs - 2 if runs > 2 else np.inf
    remark = "published contrast" if np.isfinite(df) else "published contrast, n not reported"
    if np.isnan(se) and np.isfinite(low) and np.isfinite(high):
        level = 0.95 if np.isnan(number["ci_level"]) else number["ci_level"]
        se = (high - low) / (2 * float(stats.t.isf((1 - level) / 2, df)))
        remark += f", error from its {100 * level:g} % interval"
    elif np.isnan(se) and 0 < p < 1 and value != 0:
        se = abs(value) / float(stats.t.isf(p / 2, df))
        remark += ", error from its p-value"
    if np.isnan(se):
        problem = "the contrast has no standard error, so it cannot be weighed"
    elif se == 0:
        problem = "the standard error is zero, which claims certainty"
    elif se < 0:
        problem = f"the standard error is negative ({se:g})"
    else:
        problem = ""
    return ContrastError(se=se, df=df, remark=remark, problem=problem)


def _temperature_gap(rows: EffectRows, i: int) -> tuple[float, str]:
    """Give hot minus cold in units of 10 K, or why there is none."""
    hot, cold = rows.number["start_temp_hot_c"][i], rows.number["start_temp_cold_c"][i]
    if np.isnan(hot) or np.isnan(cold):
        return NAN, "the two start temperatures are missing"
    if hot <= cold:
        return NAN, f"the hot start ({hot:g} °C) is not above the cold one ({cold:g} °C)"
    return float(hot - cold) / KELVIN_PER_UNIT, ""


def _contrast_part(rows: EffectRows, ledger: Ledger, i: int) -> Part | None:
    gap, no_gap = _temperature_gap(rows, i)
    error = contrast_error(rows, i)
    problem = error.problem or no_gap
    if not problem and rows.word["contrast_scale"][i] != "log_ratio":
        problem = "a difference in time without the two means gives no ratio"
    if problem:
        ledger.leave_out(i, problem)
        return None
    value = float(rows.number["contrast_value"][i]) / gap
    return _single_part(rows, i, value, (error.se / gap) ** 2, error.remark, df=error.df)


def _count_part(rows: EffectRows, ledger: Ledger, i: int, borrowed_sd: float | None) -> Part | None:
    """Turn "hotter first in k of n" into a slope, where an SD of single runs is lent to it."""
    gap, problem = _temperature_gap(rows, i)
    k, n, remark = pair_counts(rows, i)
    if not problem and not n >= 1:
        problem = "no number of pairs is given"
    if not problem and borrowed_sd is None:
        problem = "a count of pairs gives a ratio only with a borrowed SD; see hotter-first"
    if not problem and (k <= 0 or k >= n):
        problem = f"{k:g} of {n:g} has no finite latent difference; see the model for counts"
    if problem or borrowed_sd is None:
        ledger.leave_out(i, problem)
        return None
    value, variance = latent_difference(k, n, borrowed_sd)
    remarks = "; ".join(r for r in ("latent difference behind the count", BORROWED, remark) if r)
    return _single_part(rows, i, value / gap, variance / gap**2, remarks)


def pair_counts(rows: EffectRows, i: int) -> tuple[float, float, str]:
    """Give k and n of a count row without its ties, clustered by specimen.

    Refreezing one pair of specimens n times is one pair, so with s specimens (or fewer than n)
    the counts shrink to s pairs with the same share.

    Parameters
    ----------
    rows : EffectRows
        All rows.
    i : int
        Position.

    Returns
    -------
    k, n : float
    remark : str
    """
    k, n = float(rows.number["k_hot_first"][i]), float(rows.number["n_pairs"][i])
    ties = float(np.nan_to_num(rows.number["n_ties"][i]))
    remarks = []
    if ties > 0:
        n -= ties
        remarks.append(f"{ties:g} ties left out")
    specimens = float(rows.number["n_specimens"][i])
    if specimens < n:
        k, n = k * specimens / n, specimens
        remarks.append(f"counts as {specimens:g} pairs, its number of different specimens")
    return k, n, "; ".join(remarks)


def _single_part(
    rows: EffectRows, i: int, slope: float, variance: float, remark: str, *, df: float = np.inf
) -> Part:
    hot, cold = rows.number["start_temp_hot_c"][i], rows.number["start_temp_cold_c"][i]
    fit = WithinSlope(
        estimate=slope,
        variance=variance,
        df=df,
        residual_variance=NAN,
        sum_squares=NAN,
        sxx=NAN,
        coefficients=np.ones(1),
        groups_used=1,
    )
    return Part(
        fit=fit,
        variance=variance,
        df=df,
        n_runs=float(rows.number["n_hot"][i] + rows.number["n_cold"][i]),
        positions=np.array([i], dtype=np.intp),
        low_c=float(cold),
        high_c=float(hot),
        remarks=[remark],
    )


def _share_residual(parts: dict[str, list[Part]], ledger: Ledger) -> None:
    """Give all studies with runs one variance around their lines, in place."""
    own = [p for found in parts.values() for p in found if np.isfinite(p.fit.residual_variance)]
    df = sum(p.df for p in own)
    if not df > 0:
        return
    shared = sum(p.fit.sum_squares for p in own) / df
    if not shared > 0:
        return
    for part in own:
        part.variance, part.df = shared / part.fit.sxx, df
    ledger.note(f"runs of all studies share one variance around their lines ({df:g} df)")


def _combined(study: str, found: list[Part], rows: EffectRows, ledger: Ledger) -> OneEffect | None:
    """Put the parts of one study together by inverse variance."""
    if not found:
        return None
    variance = np.array([p.variance + p.extra for p in found])
    weight = (1 / variance) / np.sum(1 / variance)
    if len(found) > 1:
        ledger.note(f"{study} brings several kinds of rows; they are combined by their errors")
    slope = float(weight @ np.array([p.fit.estimate for p in found]))
    total = float(1 / np.sum(1 / variance))
    if len(found) == 1 and found[0].extra == 0:
        df = found[0].df
    else:
        # Satterthwaite: df of a sum of independent variances, the known ones without share.
        estimated = [(w**2 * p.variance) ** 2 / p.df for w, p in zip(weight, found, strict=True)]
        df = float(total**2 / sum(estimated)) if sum(estimated) > 0 else np.inf
    remarks = list(dict.fromkeys(r for p in found for r in p.remarks))
    at = np.concatenate([p.positions for p in found])
    refrozen = _refrozen(rows, at)
    if refrozen:
        ledger.note(f"{study}: {refrozen}")
    return OneEffect(
        study=study,
        label=study,
        estimate=slope,
        variance=total,
        df=df,
        n_runs=float(sum(p.n_runs for p in found)),
        cold_c=min(p.low_c for p in found),
        hot_c=max(p.high_c for p in found),
        remark="; ".join(remarks),
    )


def _refrozen(rows: EffectRows, at: npt.NDArray[np.intp]) -> str:
    names = rows.word["specimen_id"][at]
    names = names[names != ""]
    different = np.unique(names.astype(str)).size
    if names.size <= different:
        return ""
    return (
        f"{names.size} runs come from {different} specimens and count as independent here; the "
        "mixed model takes the specimen in"
    )


def _note_batches(rows: EffectRows, ledger: Ledger, study: str, runs: npt.NDArray[np.intp]) -> None:
    if runs.size and not rows.batched[runs].any():
        ledger.note(f"no batches are named in {study}, so all its runs count as cooled together")
