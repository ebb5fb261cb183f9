"""One effect per study, from any mix of rows, with every row accounted for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats
from scipy.linalg import block_diag

from metafreeze.analysis.arm_effects import arm_effects
from metafreeze.analysis.effect_rows import EffectRows, Ledger, choose_rows
from metafreeze.analysis.odd_spreads import odd_spreads
from metafreeze.analysis.slope_effects import EffectBlock, pair_counts, slope_effects
from metafreeze.errors import InputError
from metafreeze.options import EffectKind, Residual, require_choice
from metafreeze.results import RESULT, FloatArray, Result

# With fewer residual degrees of freedom than this, s² is far from a known variance.
FEW_DEGREES = 5

UNITS = {
    "slope": "ln time per +10 K",
    "log-ratio": "ln(hot/cold)",
    "minutes": "min, hot minus cold",
    "standardised": "SD, hot minus cold",
    "hotter-first": "log odds of hotter first",
}

FRAME_COLUMNS = (
    "label",
    "study",
    "estimate",
    "se",
    "df",
    "low",
    "high",
    "n_runs",
    "cold_c",
    "hot_c",
    "remark",
)


@dataclass(**RESULT)
class StudyEffects(Result):
    """Effects of studies with their variances, and the rows that give none.

    Parameters
    ----------
    estimate, variance : array, shape (m,)
        Effects, always hot against cold, and sampling variances above zero.
    covariance : array, shape (m, m)
        Sampling covariance; off the diagonal where effects share a cold arm.
    df : array, shape (m,)
        Degrees of freedom behind each variance; infinite where it was published as known.
    study, label : tuple of str, length m
        Study key (repeats where a study gives several effects) and a unique label.
    n_runs : array, shape (m,)
        Runs behind each effect; NaN where not reported.
    cold_c, hot_c : array, shape (m,)
        Coldest and hottest start temperature used.
    remark : tuple of str, length m
        What is derived, borrowed or assumed.
    unused : DataFrame
        One row for each row that gives no effect: row, file_name, file_row, study,
        record_level, reason.
    counts : DataFrame
        Counts of pairs as given: study, k, n, remark.
    rows_given, rows_used : int
        Rows in, and rows behind the effects.
    effect, endpoint, unit : str
        What was asked, and its unit.
    level : float
        Level of the intervals in `to_frame`.
    status : str
        ``ok``, or ``unidentifiable`` where no study gives an effect.
    note : str
        What to keep in mind, in plain words.
    """

    estimate: FloatArray
    variance: FloatArray
    covariance: FloatArray
    df: FloatArray
    study: tuple[str, ...]
    label: tuple[str, ...]
    n_runs: FloatArray
    cold_c: FloatArray
    hot_c: FloatArray
    remark: tuple[str, ...]
    unused: pd.DataFrame
    counts: pd.DataFrame
    rows_given: int
    rows_used: int
    effect: str
    endpoint: str
    unit: str
    level: float
    status: str
    note: str

    @property
    def k(self) -> int:
        """Number of effects."""
        return self.estimate.size

    @property
    def shares_arms(self) -> bool:
        """Whether some effects are correlated."""
        return bool(np.any(self.covariance != np.diag(self.variance)))

    def to_frame(self) -> pd.DataFrame:
        """Give one row an effect, with a t interval on its own degrees of freedom."""
        se = np.sqrt(self.variance)
        half = stats.t.isf((1 - self.level) / 2, self.df) * se
        values = (
            pd.Series(list(self.label), dtype="str"),
            pd.Series(list(self.study), dtype="str"),
            self.estimate,
            se,
            self.df,
            self.estimate - half,
            self.estimate + half,
            self.n_runs,
            self.cold_c,
            self.hot_c,
            pd.Series(list(self.remark), dtype="str"),
        )
        return pd.DataFrame(dict(zip(FRAME_COLUMNS, values, strict=True)))

    def headline(self) -> str:
        """Say the result in one line."""
        studies = len(set(self.study))
        return (
            f"{self.effect} ({self.unit}), {self.endpoint}: {self.k} effects of {studies} studies "
            f"from {self.rows_used} of {self.rows_given} rows; {self.status}"
        )


def study_effects(
    rows: pd.DataFrame,
    *,
    endpoint: str,
    effect: EffectKind = "slope",
    residual: Residual = "per-study",
    borrowed_sd: float | None = None,
    unstated_bars: str | None = None,
    direction: str = "cooling",
    threshold_c: float | None = None,
    residual_endpoint: str | None = None,
    level: float = 0.95,
) -> StudyEffects:
    """Turn rows of any kind into one effect per study, ready to pool.

    Single runs, published groups, published contrasts and counts of pairs may be mixed. Runs
    are compared within the batch they were cooled in, published groups within their source.
    A row that gives no effect never spoils the others: it is listed with its reason.

    The variance of a study with few runs is itself uncertain; `df` says how much, and a note
    warns. Then prefer ``residual="common"`` or the one-stage mixed model.

    Parameters
    ----------
    rows : DataFrame
        Rows of the register's schema.
    endpoint : str
        One endpoint; endpoints are never pooled together.
    effect : {"slope", "log-ratio", "minutes", "standardised", "hotter-first"}
        What to compute.
    residual : {"per-study", "common"}
        Whether each study's runs have their own variance, or all share one (slope only).
    borrowed_sd : float, optional
        SD of ln time of a single run, lent to rows without a spread of their own; flagged.
    unstated_bars : {"SD", "SE"}, optional
        How to read error bars whose meaning is not stated; by default such rows are left out.
    direction : {"cooling", "warming"}
        Which way the trials go.
    threshold_c : float, optional
        Which temperature, for ``t_threshold``.
    residual_endpoint : str, optional
        Which event ends it, for ``t_residual``.
    level : float
        Level of the study intervals.

    Returns
    -------
    StudyEffects

    Raises
    ------
    InputError
        An option or endpoint does not exist, or rows mix thresholds.

    Source
    ------
    Slope: least squares with batch intercepts on ln time, groups by their sufficient
    statistics after Higgins, White & Anzures-Cabrera (2008), Stat. Med. 27:6072,
    doi:10.1002/sim.3427. Other effects: see metafreeze.effects.

    Examples
    --------
    >>> import pandas as pd
    >>> runs = pd.DataFrame(
    ...     {
    ...         "lab_id": ["north"] * 4,
    ...         "block_id": ["1", "1", "2", "2"],
    ...         "start_temp_c": [20.0, 80.0, 20.0, 80.0],
    ...         "time_lower_s": [3000.0, 3300.0, 3100.0, 3350.0],
    ...         "time_upper_s": [3000.0, 3300.0, 3100.0, 3350.0],
    ...         "endpoint": ["t_solid"] * 4,
    ...     }
    ... )
    >>> effects = study_effects(runs, endpoint="t_solid")
    >>> round(float(effects.estimate[0]), 4)
    0.0144
    """
    require_choice(effect, EffectKind, name="effect")
    require_choice(residual, Residual, name="residual")
    _check_options(borrowed_sd, unstated_bars, level)
    chosen, ledger = choose_rows(
        rows,
        endpoint=endpoint,
        direction=direction,
        threshold_c=threshold_c,
        residual_endpoint=residual_endpoint,
    )
    if effect == "slope":
        blocks = slope_effects(
            chosen,
            ledger,
            residual=residual,
            borrowed_sd=borrowed_sd,
            unstated_bars=unstated_bars,
        )
    else:
        blocks = arm_effects(chosen, ledger, effect=effect, unstated_bars=unstated_bars)
    for sentence in [*odd_spreads(chosen), *_perhaps_shared(chosen, ledger)]:
        ledger.note(sentence)
    return _together(chosen, ledger, blocks, effect, endpoint, level)


def _perhaps_shared(rows: EffectRows, ledger: Ledger) -> list[str]:
    """Warn of published contrasts of one study against one cold start: a shared arm, perhaps."""
    out = {i for i, _ in ledger.entries}
    seen: dict[tuple[str, float], int] = {}
    for i in rows.positions("contrast_summary"):
        cold = float(rows.number["start_temp_cold_c"][i])
        if int(i) not in out and np.isfinite(cold):
            seen[rows.study[i], cold] = seen.get((rows.study[i], cold), 0) + 1
    return [
        f"{count} contrasts of {study} against {cold:g} °C may share that arm; how they hang "
        "together is not published, and they count as independent"
        for (study, cold), count in seen.items()
        if count > 1
    ]


def _check_options(borrowed_sd: float | None, unstated_bars: str | None, level: float) -> None:
    if borrowed_sd is not None and not (np.isfinite(borrowed_sd) and borrowed_sd > 0):
        raise InputError(f"borrowed_sd is {borrowed_sd!r}. Give an SD of ln time, such as 0.05.")
    if unstated_bars not in (None, "SD", "SE"):
        raise InputError(f'unstated_bars is {unstated_bars!r}. Choose one of "SD", "SE".')
    if not 0 < level < 1:
        raise InputError(f"level is {level!r}. Give a fraction between 0 and 1, such as 0.95.")


def _together(
    rows: EffectRows,
    ledger: Ledger,
    blocks: list[EffectBlock],
    effect: str,
    endpoint: str,
    level: float,
) -> StudyEffects:
    found = [effect for block in blocks for effect in block.effects]
    covariance = block_diag(*(b.covariance for b in blocks)) if found else np.empty((0, 0))
    thin = [e.label for e in found if e.df < FEW_DEGREES]
    if thin:
        ledger.note(
            f"the variance of {', '.join(thin)} rests on under {FEW_DEGREES} degrees of freedom "
            'and is itself uncertain; residual="common" or the mixed model is safer'
        )
    left_out = {i for i, _ in ledger.entries}
    given = rows.use.size
    if not found:
        ledger.note("no study gives this effect; the reasons stand in unused")
    return StudyEffects(
        estimate=np.array([e.estimate for e in found], dtype=np.float64),
        variance=np.diag(covariance),
        covariance=covariance,
        df=np.array([e.df for e in found], dtype=np.float64),
        study=tuple(e.study for e in found),
        label=tuple(e.label for e in found),
        n_runs=np.array([e.n_runs for e in found], dtype=np.float64),
        cold_c=np.array([e.cold_c for e in found], dtype=np.float64),
        hot_c=np.array([e.hot_c for e in found], dtype=np.float64),
        remark=tuple(e.remark for e in found),
        unused=rows.unused_frame(ledger),
        counts=_counts(rows),
        rows_given=given,
        rows_used=given - len(left_out),
        effect=effect,
        endpoint=endpoint,
        unit=UNITS[effect],
        level=level,
        status="ok" if found else "unidentifiable",
        note="; ".join(ledger.notes),
    )


def _counts(rows: EffectRows) -> pd.DataFrame:
    at = rows.positions("pair_count")
    values = [(rows.study[i], *pair_counts(rows, i)) for i in at]
    return pd.DataFrame(values, columns=["study", "k", "n", "remark"])
