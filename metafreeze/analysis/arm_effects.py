"""Hot arm against cold arm: log ratio, minutes, standardised, hotter first.

Within a study, start temperatures closer than a stated tolerance are one arm; every hotter
arm is compared with the coldest, and effects that share that arm are correlated.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from metafreeze.analysis.effect_rows import EffectRows, Ledger, log_times
from metafreeze.analysis.slope_effects import (
    EffectBlock,
    OneEffect,
    alone,
    contrast_error,
    pair_counts,
    printed_groups,
)
from metafreeze.effects.additive import arm_contrasts
from metafreeze.effects.counts import log_odds
from metafreeze.effects.means import mean_difference
from metafreeze.effects.ratios import corrected_log_ratio, shared_ratio_covariance
from metafreeze.effects.spreads import ONE_RUN, ZERO_SPREAD, Arm, raw_arm
from metafreeze.effects.standardised import (
    QUESTIONABLE_SIZE,
    correction_factor,
    shared_standardised_covariance,
    standardised_difference,
    superiority_from_ranks,
)
from metafreeze.results import FloatArray, IntArray

# Start temperatures closer than this are one arm: a kettle and a thermometer do no better.
SAME_START_K = 2.5
SECONDS_PER_MINUTE = 60.0
NAN = float("nan")
ONE_ARM = f"only one start temperature (within {SAME_START_K} K), so no hot arm to compare"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlacedArm:
    """One arm of a comparison, in seconds.

    Parameters
    ----------
    start_c : float
        Mean start temperature.
    arm : Arm
        Mean, SD and runs.
    positions : int array
        Rows behind it.
    """

    start_c: float
    arm: Arm
    positions: npt.NDArray[np.intp]


def arm_effects(
    rows: EffectRows, ledger: Ledger, *, effect: str, unstated_bars: str | None
) -> list[EffectBlock]:
    """Give the effects of every study's hotter arms against its coldest.

    Parameters
    ----------
    rows : EffectRows
        The chosen rows.
    ledger : Ledger
        Takes rows that give no effect.
    effect : {"log-ratio", "minutes", "standardised", "hotter-first"}
        What to compute.
    unstated_bars : {"SD", "SE"}, optional
        How to read bars whose meaning the source does not state.

    Returns
    -------
    list of EffectBlock
    """
    blocks: list[EffectBlock] = []
    for study in sorted(set(rows.study[rows.use])):
        runs, y = log_times(rows, rows.positions("run", study), ledger)
        own = [_from_runs(rows, ledger, study, runs, y, effect)]
        own += _from_groups(rows, ledger, study, effect, unstated_bars)
        own += [
            _from_contrast(rows, ledger, i, effect)
            for i in rows.positions("contrast_summary", study)
        ]
        own += [_from_count(rows, ledger, i, effect) for i in rows.positions("pair_count", study)]
        blocks += _with_unique_labels([block for block in own if block is not None])
    return blocks


def cluster_starts(temp_c: FloatArray) -> IntArray:
    """Give each run its arm, numbered from the coldest: a gap above the tolerance starts a new one.

    Parameters
    ----------
    temp_c : array, shape (m,)
        Start temperatures.

    Returns
    -------
    int array, shape (m,)
    """
    order = np.argsort(temp_c, kind="stable")
    steps = np.concatenate([[0], np.cumsum(np.diff(temp_c[order]) > SAME_START_K)])
    arms = np.empty(temp_c.size, dtype=np.int64)
    arms[order] = steps
    return arms


def _from_runs(
    rows: EffectRows,
    ledger: Ledger,
    study: str,
    runs: npt.NDArray[np.intp],
    y: FloatArray,
    effect: str,
) -> EffectBlock | None:
    if runs.size == 0:
        return None
    temp = rows.number["start_temp_c"][runs]
    arm = cluster_starts(temp)
    if arm.max() == 0:
        ledger.leave_out(runs, ONE_ARM)
        return None
    exact = rows.number["time_lower_s"][runs] == rows.number["time_upper_s"][runs]
    # Ties stay ties: exp(ln t) would break them.
    seconds = np.where(exact, rows.number["time_upper_s"][runs], np.exp(y))
    if effect == "hotter-first":
        return _ranked(rows, ledger, study, runs, temp, arm, seconds)
    if rows.batched[runs].all() and effect != "standardised":
        values = y if effect == "log-ratio" else seconds / SECONDS_PER_MINUTE
        return _within_batches(rows, ledger, study, runs, temp, arm, values, effect)
    if not rows.batched[runs].any():
        ledger.note(f"no batches are named in {study}, so all its runs count as cooled together")
    else:
        ledger.note(f"{study}: differences between batches count as spread of single runs")
    placed = []
    for a in range(int(arm.max()) + 1):
        t = seconds[arm == a]
        sd = float(t.std(ddof=1)) if t.size > 1 else NAN
        problem = ONE_RUN if t.size == 1 else (ZERO_SPREAD if sd == 0 else "")
        placed.append(
            PlacedArm(
                start_c=float(temp[arm == a].mean()),
                arm=Arm(mean=float(t.mean()), sd=sd, n=float(t.size), problem=problem),
                positions=runs[arm == a],
            )
        )
    return _against_coldest(ledger, study, placed, effect)


def _within_batches(
    rows: EffectRows,
    ledger: Ledger,
    study: str,
    runs: npt.NDArray[np.intp],
    temp: FloatArray,
    arm: IntArray,
    values: FloatArray,
    effect: str,
) -> EffectBlock | None:
    """Compare arms inside the batches they were cooled in."""
    batch = np.unique(rows.group[runs].astype(str), return_inverse=True)[1].astype(np.int64)
    fit = arm_contrasts(values, arm, batch)
    if fit.problem:
        ledger.leave_out(runs, fit.problem)
        return None
    starts = [float(temp[arm == a].mean()) for a in range(int(arm.max()) + 1)]
    remark = "within batches" + (", ratio of geometric means" if effect == "log-ratio" else "")
    effects = [
        OneEffect(
            study=study,
            label=_label(study, starts[j + 1], starts[0]),
            estimate=float(fit.estimate[j]),
            variance=float(fit.covariance[j, j]),
            df=fit.df,
            n_runs=float(np.sum((arm == j + 1) | (arm == 0))),
            cold_c=starts[0],
            hot_c=starts[j + 1],
            remark=remark,
        )
        for j in range(fit.estimate.size)
    ]
    return EffectBlock(effects=effects, covariance=fit.covariance)


def _label(study: str, hot_c: float, cold_c: float) -> str:
    return f"{study}: {hot_c:.3g} against {cold_c:.3g} °C"


def _with_unique_labels(blocks: list[EffectBlock]) -> list[EffectBlock]:
    """Give a number to effects of one study that would carry the same label."""
    seen: dict[str, int] = {}
    out = []
    for block in blocks:
        effects = []
        for e in block.effects:
            seen[e.label] = seen.get(e.label, 0) + 1
            times = seen[e.label]
            effects.append(e if times == 1 else replace(e, label=f"{e.label} ({times})"))
        out.append(EffectBlock(effects=effects, covariance=block.covariance))
    return out


def _from_groups(
    rows: EffectRows, ledger: Ledger, study: str, effect: str, unstated_bars: str | None
) -> list[EffectBlock | None]:
    """Compare published groups inside their own table."""
    tables: dict[str, list[PlacedArm]] = {}
    for i, printed in printed_groups(rows, ledger, study, unstated_bars):
        arm = raw_arm(printed)
        placed = PlacedArm(
            start_c=float(rows.number["start_temp_c"][i]),
            arm=arm,
            positions=np.array([i], dtype=np.intp),
        )
        tables.setdefault(rows.group[i], []).append(placed)
    blocks: list[EffectBlock | None] = []
    for table in tables.values():
        if effect == "hotter-first":
            for placed in table:
                ledger.leave_out(placed.positions, "a mean and a spread do not say who was first")
            continue
        blocks.append(_against_coldest(ledger, study, table, effect))
    return blocks


def _against_coldest(
    ledger: Ledger, study: str, arms: list[PlacedArm], effect: str
) -> EffectBlock | None:
    """Compare every arm with the coldest one that can be weighed."""
    usable = []
    for placed in sorted(arms, key=lambda p: p.start_c):
        # One constant arm still has the spread of the other, if a common SD divides.
        excused = effect == "standardised" and placed.arm.problem == ZERO_SPREAD
        problem = "" if excused else placed.arm.problem
        if not problem and effect == "standardised" and np.isnan(placed.arm.sd):
            problem = "without n there is no SD to divide by"
        if problem:
            ledger.leave_out(placed.positions, problem)
        else:
            usable.append(placed)
    if not usable:
        return None
    cold, hotter = usable[0], [p for p in usable if p.start_c > usable[0].start_c + SAME_START_K]
    if not hotter:
        ledger.leave_out(np.concatenate([p.positions for p in usable]), ONE_ARM)
        return None
    for placed in usable[1:]:
        if placed not in hotter:
            ledger.leave_out(placed.positions, "as cold as the coldest arm")
    if effect == "standardised":
        return _standardised(ledger, study, cold, hotter)
    if effect == "minutes":
        return _minutes(study, cold, hotter)
    return _log_ratios(study, cold, hotter)


def _one(
    study: str,
    cold: PlacedArm,
    hot: PlacedArm,
    estimate: float,
    variance: float,
    df: float,
    *remarks: str,
) -> OneEffect:
    said = [hot.arm.derived, cold.arm.derived, *remarks]
    return OneEffect(
        study=study,
        label=_label(study, hot.start_c, cold.start_c),
        estimate=estimate,
        variance=variance,
        df=df,
        n_runs=hot.arm.n + cold.arm.n,
        cold_c=cold.start_c,
        hot_c=hot.start_c,
        remark="; ".join(dict.fromkeys(r for r in said if r)),
    )


def _block(effects: list[OneEffect], shared: float) -> EffectBlock:
    """Put effects that share a cold arm together, with one covariance between all pairs."""
    covariance = np.full((len(effects), len(effects)), shared)
    np.fill_diagonal(covariance, [e.variance for e in effects])
    return EffectBlock(effects=effects, covariance=covariance)


def _log_ratios(study: str, cold: PlacedArm, hotter: list[PlacedArm]) -> EffectBlock:
    c = cold.arm
    effects = []
    for hot in hotter:
        h = hot.arm
        if np.isfinite(h.sd) and np.isfinite(c.sd):
            e = corrected_log_ratio(h.mean, h.sd, h.n, c.mean, c.sd, c.n)
            effects.append(_one(study, cold, hot, e.estimate, e.variance, e.df))
        else:
            # Without n no correction can be made; the errors of the means are published.
            variance = h.mean_variance / h.mean**2 + c.mean_variance / c.mean**2
            value = float(np.log(h.mean) - np.log(c.mean))
            effects.append(_one(study, cold, hot, value, variance, np.inf))
    bare = c.mean_variance / c.mean**2
    shared = shared_ratio_covariance(c.mean, c.sd, c.n) if np.isfinite(c.sd) else bare
    return _block(effects, shared)


def _minutes(study: str, cold: PlacedArm, hotter: list[PlacedArm]) -> EffectBlock:
    c = cold.arm
    effects = []
    for hot in hotter:
        h = hot.arm
        if np.isfinite(h.sd) and np.isfinite(c.sd):
            e = mean_difference(h.mean, h.sd, h.n, c.mean, c.sd, c.n)
            value, variance, df = e.estimate, e.variance, e.df
        else:
            value, variance, df = h.mean - c.mean, h.mean_variance + c.mean_variance, np.inf
        effects.append(
            _one(
                study,
                cold,
                hot,
                value / SECONDS_PER_MINUTE,
                variance / SECONDS_PER_MINUTE**2,
                df,
            )
        )
    shared = c.sd**2 / c.n if np.isfinite(c.sd) else c.mean_variance
    return _block(effects, shared / SECONDS_PER_MINUTE**2)


def _standardised(
    ledger: Ledger, study: str, cold: PlacedArm, hotter: list[PlacedArm]
) -> EffectBlock | None:
    arms = [cold, *hotter]
    squares = sum((p.arm.n - 1) * p.arm.sd**2 for p in arms)
    df = sum(p.arm.n - 1 for p in arms)
    if squares == 0:
        ledger.leave_out(
            np.concatenate([p.positions for p in arms]),
            "no arm has any spread (timer resolution?), so nothing can be standardised",
        )
        return None
    if df <= 2:
        ledger.leave_out(
            np.concatenate([p.positions for p in arms]),
            "too few runs to standardise: its variance needs more than two degrees of freedom",
        )
        return None
    sd = float(np.sqrt(squares / df))
    effects, corrections = [], []
    for hot in hotter:
        # One SD over all arms, so that effects of a study share their divisor.
        e = standardised_difference(hot.arm.mean, sd, hot.arm.n, cold.arm.mean, sd, cold.arm.n)
        if len(hotter) > 1:
            j = correction_factor(df)
            size = hot.arm.n * cold.arm.n / (hot.arm.n + cold.arm.n)
            value = j * e.uncorrected
            variance = j**2 * df / (df - 2) * (1 / size + value**2) - value**2
        else:
            j, value, variance = e.correction, e.estimate, e.variance
        if abs(value) > QUESTIONABLE_SIZE:
            ledger.note(
                f"{study}: a standardised difference of {value:.3g} is very large; check units "
                "and whether a standard error was taken for an SD"
            )
        corrections.append(j)
        effects.append(
            _one(study, cold, hot, value, variance, df, "divided by the SD within all its arms")
        )
    total = sum(p.arm.n for p in arms)
    covariance = np.diag([e.variance for e in effects])
    for i, a in enumerate(effects):
        for k, b in enumerate(effects[:i]):
            d_a, d_b = a.estimate / corrections[i], b.estimate / corrections[k]
            shared = shared_standardised_covariance(d_a, d_b, cold.arm.n, total)
            covariance[i, k] = covariance[k, i] = corrections[i] * corrections[k] * shared
    return EffectBlock(effects=effects, covariance=covariance)


def _ranked(
    rows: EffectRows,
    ledger: Ledger,
    study: str,
    runs: npt.NDArray[np.intp],
    temp: FloatArray,
    arm: IntArray,
    seconds: FloatArray,
) -> EffectBlock | None:
    """Chance that a run of the hottest arm ends before one of the coldest, as log odds.

    Only the two outer arms are compared: chances against one shared arm are correlated in a
    way that ranks do not give.
    """
    hot, cold = arm == arm.max(), arm == 0
    middle = ~hot & ~cold
    if middle.any():
        ledger.leave_out(runs[middle], "between the coldest and the hottest arm")
    outer = runs[hot | cold]
    if min(hot.sum(), cold.sum()) < 2:
        ledger.leave_out(outer, ONE_RUN)
        return None
    # Shorter is first, so the chance is that the cold arm's time exceeds the hot arm's.
    chance = superiority_from_ranks(seconds[hot], seconds[cold])
    p = chance.estimate
    if chance.variance == 0 or p in (0.0, 1.0):
        ledger.leave_out(
            outer,
            "the hotter runs were all first or all last, which has no finite log odds; see the "
            "model for counts",
        )
        return None
    if rows.batched[runs].any():
        ledger.note(f"{study}: hotter first compares all pairs of runs, also across batches")
    scale = p * (1 - p)
    effect = OneEffect(
        study=study,
        label=_label(study, float(temp[hot].mean()), float(temp[cold].mean())),
        estimate=float(np.log(p / (1 - p))),
        variance=chance.variance / scale**2,
        df=chance.df,
        n_runs=float(outer.size),
        cold_c=float(temp[cold].mean()),
        hot_c=float(temp[hot].mean()),
        remark="from ranks of all pairs of runs",
    )
    return alone(effect)


def _from_contrast(rows: EffectRows, ledger: Ledger, i: int, effect: str) -> EffectBlock | None:
    scales = {"log-ratio": "log_ratio", "minutes": "difference_s"}
    scale = rows.word["contrast_scale"][i]
    error = contrast_error(rows, i)
    problem = error.problem
    if not problem and scales.get(effect) != scale:
        given = "a log ratio" if scale == "log_ratio" else "a difference of times"
        problem = f"{given} alone gives no {effect}"
    if problem:
        ledger.leave_out(i, problem)
        return None
    unit = SECONDS_PER_MINUTE if effect == "minutes" else 1.0
    hot = float(rows.number["start_temp_hot_c"][i])
    cold = float(rows.number["start_temp_cold_c"][i])
    study = rows.study[i]
    return alone(
        OneEffect(
            study=study,
            label=_label(study, hot, cold) if np.isfinite([hot, cold]).all() else study,
            estimate=float(rows.number["contrast_value"][i]) / unit,
            variance=(error.se / unit) ** 2,
            df=error.df,
            n_runs=float(rows.number["n_hot"][i] + rows.number["n_cold"][i]),
            cold_c=cold,
            hot_c=hot,
            remark=error.remark,
        )
    )


def _from_count(rows: EffectRows, ledger: Ledger, i: int, effect: str) -> EffectBlock | None:
    if effect != "hotter-first":
        ledger.leave_out(i, f"a count of pairs alone gives no {effect}")
        return None
    k, n, remark = pair_counts(rows, i)
    if not n >= 1:
        ledger.leave_out(i, "no number of pairs is given")
        return None
    if k <= 0 or k >= n:
        ledger.leave_out(i, f"{k:g} of {n:g} has no finite log odds; see the model for counts")
        return None
    e = log_odds(k, n)
    study = rows.study[i]
    hot = float(rows.number["start_temp_hot_c"][i])
    cold = float(rows.number["start_temp_cold_c"][i])
    return alone(
        OneEffect(
            study=study,
            label=_label(study, hot, cold) if np.isfinite([hot, cold]).all() else study,
            estimate=float(e.estimate[0]),
            variance=float(e.variance[0]),
            df=np.inf,
            n_runs=2 * n,
            cold_c=cold,
            hot_c=hot,
            remark=remark,
        )
    )
