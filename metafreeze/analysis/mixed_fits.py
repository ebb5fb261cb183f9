"""The one-stage mixed model on register rows: the effect of the start temperature."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from metafreeze.analysis.mixed_arrays_fit import FitRequest as FitRequest
from metafreeze.analysis.mixed_arrays_fit import fit_arrays as fit_arrays
from metafreeze.analysis.mixed_rows import (
    BETWEEN_BATCHES,
    BETWEEN_STUDIES,
    WITHIN,
    MixedArrays,
    mixed_arrays,
)
from metafreeze.analysis.pair_answers import answer_pair
from metafreeze.errors import InputError
from metafreeze.models.mixed_result import MixedFit, t_quantile
from metafreeze.models.unseen_result import UnseenTimesFit
from metafreeze.options import Inference, Likelihood, Residual, Status, UnseenRows
from metafreeze.results import RESULT, Result

SLOPES = (WITHIN, BETWEEN_BATCHES, BETWEEN_STUDIES)
SLOPE_COLUMNS = ("slope", "estimate", "se", "df", "low", "high", "p", "reason")
KELVIN_PER_UNIT = 10.0
# Up to this many rows the comparison with a second engine costs no noticeable time.
ROWS_FOR_SECOND_ENGINE = 400
NAN = float("nan")


@dataclass(**RESULT)
class MixedRowsFit(Result):
    """How the start temperature changes the log freezing time, from all rows at once.

    Parameters
    ----------
    slope_per_10k, slope_se, slope_df, slope_low, slope_high, slope_p : float
        Change of ln time for a start 10 K hotter within vessels cooled together: the effect.
        With an offset, what is beyond the baseline.
    new_study_low, new_study_high : float
        Where the slope of a new study is to be expected; NaN where nothing is said about
        other labs.
    slope_sd_between : float
        Standard deviation of that slope between studies.
    slopes : DataFrame
        The three slopes: within, between batches, between studies; estimate, se, df, low,
        high, p, and the reason where one was not estimated.
    ratio_at_pair, ratio_low, ratio_high : float
        Ratio of times, hot over cold, for the named pair; NaN without a pair.
    pair_cold_c, pair_hot_c : float
    pair_method : str
        How the pair was answered.
    extrapolated : tuple of str
        Studies whose own start temperatures do not reach both of the pair.
    model : MixedFit or UnseenTimesFit
        The fit behind it, with random parts, covariance, criterion.
    arrays : MixedArrays
        What was fitted.
    unused : DataFrame
        Rows outside the fit: row, file_name, file_row, study, record_level, reason.
    rows_given, rows_used : int
    runs_used : float
    studies, batches : int
    endpoint : str
    scope : str
        "in this freezer" for one study, else the number of studies.
    status : str
        ok, boundary, unidentifiable, failed.
    note : str
    steps_taken : tuple of str
        Terms and random parts that were not fitted, each with its reason.
    second_engine : str
        Largest relative difference from an independent engine, or why none was asked.
    """

    slope_per_10k: float
    slope_se: float
    slope_df: float
    slope_low: float
    slope_high: float
    slope_p: float
    new_study_low: float
    new_study_high: float
    slope_sd_between: float
    slopes: pd.DataFrame
    ratio_at_pair: float
    ratio_low: float
    ratio_high: float
    pair_cold_c: float
    pair_hot_c: float
    pair_method: str
    extrapolated: tuple[str, ...]
    model: MixedFit | UnseenTimesFit
    arrays: MixedArrays
    unused: pd.DataFrame
    rows_given: int
    rows_used: int
    runs_used: float
    studies: int
    batches: int
    endpoint: str
    scope: str
    status: Status
    note: str
    steps_taken: tuple[str, ...]
    second_engine: str

    @property
    def coefficients(self) -> pd.DataFrame:
        """All fixed coefficients of the model."""
        return self.model.coefficients

    @property
    def random_parts(self) -> pd.DataFrame:
        """Standard deviations and correlations of the random parts."""
        return self.model.random_parts

    @property
    def covariance(self) -> pd.DataFrame:
        """Covariance of the fixed coefficients."""
        names = list(self.model.coefficients.index)
        return pd.DataFrame(np.asarray(self.model.covariance), index=names, columns=names)

    @property
    def residual_sd(self) -> float:
        """Standard deviation of ln time among runs."""
        return self.model.residual_sd

    @property
    def criterion(self) -> float:
        """-2 log likelihood of the model."""
        return self.model.criterion

    def to_frame(self) -> pd.DataFrame:
        """Give the three slopes, one row each."""
        return self.slopes.copy()

    def headline(self) -> str:
        """Say the effect in percent for a start 10 K hotter, with its interval and scope."""
        if np.isnan(self.slope_per_10k):
            return f"{self.endpoint}: {self.status}; {self.note}"
        return (
            f"{self.endpoint}: a start 10 K hotter takes {_percent(self.slope_per_10k)} "
            f"({_percent(self.slope_low)} to {_percent(self.slope_high)}), "
            f"{self.runs_used:,.0f} runs {self.scope}, {self.status}"
        )


def _percent(log_ratio: float) -> str:
    change = 100.0 * np.expm1(log_ratio)
    return f"{change:+.1f} %".replace("-", "−")


def fit_mixed(
    rows: pd.DataFrame,
    *,
    endpoint: str,
    design: Sequence[str] = (),
    pair: tuple[float, float] | None = None,
    offset: npt.ArrayLike | pd.Series | None = None,
    baseline_at_pair: float | None = None,
    residual: Residual = "common",
    likelihood: Likelihood = "restricted",
    inference: Inference = "kenward-roger",
    unseen: UnseenRows = "leave-out",
    level: float = 0.95,
    direction: str = "cooling",
    threshold_c: float | None = None,
    residual_endpoint: str | None = None,
    unstated_bars: str | None = None,
    second_engine: bool | None = None,
    slope_only: bool = False,
) -> MixedRowsFit:
    """Fit the one-stage mixed model to register rows of any kind.

    Single runs, published groups and published contrasts enter one model. The effect is the
    slope of ln time on the start temperature within vessels that were cooled together;
    differences between batches and between laboratories have slopes of their own and never
    mix into it. Levels and slopes vary between studies, levels vary between batches and
    specimens. A batch with two start temperatures or more is compared within itself, another
    one within its study, and every batch keeps its random level.

    One study alone works: it has no random part between studies and says "in this freezer".
    Where a design cannot carry a random part, the written ladder is taken and said.

    Parameters
    ----------
    rows : DataFrame
        Rows of the register's schema.
    endpoint : str
        One endpoint; endpoints are never pooled together.
    design : sequence of str
        Design covariates to adjust for; rows that miss one are left out and listed.
    pair : tuple of two floats, optional
        A cold and a hot start temperature in °C, to be answered as a ratio of times.
    offset : array or Series, shape (rows,), optional
        ln of a baseline time for each row (for a contrast the baseline's log ratio): the slope
        is then what is beyond it.
    baseline_at_pair : float, optional
        The baseline's log ratio at the pair, hot over cold; added to what is beyond it.
    residual, likelihood, inference, level
        As in `mixed_model`.
    unseen : {"leave-out", "model"}
        What becomes of runs not seen exactly: listed, or modelled with their bounds (full
        likelihood, intervals by profile).
    direction, threshold_c, residual_endpoint, unstated_bars
        As in `study_effects`.
    second_engine : bool, optional
        Whether to refit with an independent engine; by default where it costs no time.
    slope_only : bool
        Profile the interval of the slope within batches only, where times were not seen
        exactly; the other intervals are then those of estimate and standard error.

    Returns
    -------
    MixedRowsFit

    Raises
    ------
    InputError
        An unknown option or column, or a pair that is not cold before hot.

    Source
    ------
    Within and between slopes: Neuhaus & Kalbfleisch (1998), Biometrics 54, 638-645,
    doi:10.2307/3109770. Log-normal moments of published means: Higgins, White &
    Anzures-Cabrera (2008), Statistics in Medicine 27, 6072-6092, doi:10.1002/sim.3427. The
    model and its inference: see `mixed_model`.
    """
    cold, hot = _check_pair(pair)
    arrays = mixed_arrays(
        rows,
        endpoint=endpoint,
        design=design,
        unseen=unseen,
        offset=offset,
        direction=direction,
        threshold_c=threshold_c,
        residual_endpoint=residual_endpoint,
        unstated_bars=unstated_bars,
    )
    if second_engine is None:
        second_engine = 0 < arrays.y.size <= ROWS_FOR_SECOND_ENGINE
    if arrays.y.size == 0:
        raise_no_rows(arrays, endpoint)
    request = FitRequest(
        residual=residual,
        likelihood=likelihood,
        inference=inference,
        level=level,
        second_engine=second_engine,
        slope_only=slope_only,
    )
    model = fit_arrays(arrays, request)
    return _report(arrays, model, request, endpoint, cold, hot, baseline_at_pair)


def _check_pair(pair: tuple[float, float] | None) -> tuple[float, float]:
    if pair is None:
        return NAN, NAN
    cold, hot = float(pair[0]), float(pair[1])
    if not (np.isfinite(cold) and np.isfinite(hot) and cold < hot):
        raise InputError(
            f"pair is {pair!r}. Give a cold and a hotter start temperature in °C, such as (20, 80)."
        )
    return cold, hot


def raise_no_rows(arrays: MixedArrays, endpoint: str) -> None:
    """Refuse an empty fit, saying what became of the rows."""
    reasons = arrays.unused["reason"].value_counts()
    listed = "; ".join(f"{count} rows: {reason}" for reason, count in reasons.head(5).items())
    raise InputError(
        f"No row can be fitted for endpoint {endpoint!r} ({arrays.rows_given} rows given). "
        + (f"{listed}. " if listed else "")
        + "Give rows with a start temperature and a freezing time."
    )


def _report(
    arrays: MixedArrays,
    model: MixedFit | UnseenTimesFit,
    request: FitRequest,
    endpoint: str,
    cold: float,
    hot: float,
    baseline_at_pair: float | None,
) -> MixedRowsFit:
    table = model.coefficients
    row = _row_of(table, WITHIN)
    studies = len(set(arrays.study))
    between, low, high = _new_study(model, studies, request.level)
    pair = answer_pair(arrays, model, request, cold, hot, baseline_at_pair)
    steps = (*arrays.left_out, *model.steps_taken)
    notes = [model.note, *arrays.notes]
    if (arrays.batch == "").all():
        notes.append(
            "No row names a batch, so the runs of a study count as cooled together. Say which "
            "vessels shared a batch if that is not so."
        )
    engine = model.second_engine
    return MixedRowsFit(
        slope_per_10k=row["estimate"],
        slope_se=row["se"],
        slope_df=row["df"],
        slope_low=row["low"],
        slope_high=row["high"],
        slope_p=row["p"],
        new_study_low=low,
        new_study_high=high,
        slope_sd_between=between,
        slopes=_slope_table(table, arrays.left_out),
        ratio_at_pair=float(np.exp(pair.estimate)),
        ratio_low=float(np.exp(pair.low)),
        ratio_high=float(np.exp(pair.high)),
        pair_cold_c=cold,
        pair_hot_c=hot,
        pair_method=pair.method,
        extrapolated=pair.extrapolated,
        model=model,
        arrays=arrays,
        unused=arrays.unused,
        rows_given=arrays.rows_given,
        rows_used=arrays.y.size,
        runs_used=float(arrays.count.sum()),
        studies=studies,
        batches=len(set(arrays.batch) - {""}),
        endpoint=endpoint,
        scope="in this freezer" if studies == 1 else f"in {studies} studies",
        status=model.status,
        note=" ".join(n for n in notes if n),
        steps_taken=steps,
        second_engine=engine,
    )


def _new_study(
    model: MixedFit | UnseenTimesFit, studies: int, level: float
) -> tuple[float, float, float]:
    """Spread of the slope between studies and the interval for a new one."""
    parts = model.random_parts
    if parts.empty or model.status not in ("ok", "boundary"):
        return NAN, NAN, NAN
    own = parts.loc[(parts["level"] == "study") & (parts["term"] == WITHIN) & parts["sd"].notna()]
    if own.empty:
        return NAN, NAN, NAN
    between = float(own["sd"].to_numpy()[0])
    if studies < 3:
        return between, NAN, NAN
    row = _row_of(model.coefficients, WITHIN)
    half = float(t_quantile(0.5 + level / 2.0, np.array(studies - 2.0)))
    half *= float(np.hypot(row["se"], between))
    return between, float(row["estimate"] - half), float(row["estimate"] + half)


def _row_of(table: pd.DataFrame, name: str) -> dict[str, float]:
    values = table.to_numpy(dtype=np.float64)[table.index.get_loc(name)]
    return {str(c): float(v) for c, v in zip(table.columns, values, strict=True)}


def _slope_table(table: pd.DataFrame, left_out: tuple[str, ...]) -> pd.DataFrame:
    rows: list[tuple[Any, ...]] = []
    for name in SLOPES:
        if name in table.index:
            rows.append((name, *_row_of(table, name).values(), ""))
        else:
            why = next(w for w in left_out if w.startswith(f"slope {name}:"))
            rows.append((name, *([NAN] * 6), why.split(": ", 1)[1]))
    return pd.DataFrame(rows, columns=list(SLOPE_COLUMNS))
