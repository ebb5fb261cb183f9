"""Measured causes as marks on the ruler of hidden ones: what "strong" means in these rows."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from metafreeze.results import RESULT, FloatArray, Result

COLUMNS = ("cause", "share_of_treatment", "share_of_outcome", "strength")
LEAST_LEFT = 1e-9


@dataclass(**RESULT)
class MeasuredCauses(Result):
    """How strongly each measured cause is tied to start temperature and to time.

    Parameters
    ----------
    causes : DataFrame
        Cause, its share of what the others leave of start temperature and of time, and the
        strength of a cause tied equally to both that would bias as much.
    """

    causes: pd.DataFrame

    def to_frame(self) -> pd.DataFrame:
        """Give one row a cause, the strongest first."""
        return self.causes.copy()

    def headline(self) -> str:
        """Name the strongest."""
        if self.causes.empty:
            return "no cause was measured that differs within batches"
        first = self.causes.iloc[0]
        return f"strongest measured cause: {first['cause']}, {100 * first['strength']:.0f} %"


def measure_causes(
    x: npt.ArrayLike, y: npt.ArrayLike, block: npt.ArrayLike, causes: Mapping[str, FloatArray]
) -> MeasuredCauses:
    """Place measured causes on the scale of the robustness value.

    A cause with shares s of treatment and r of outcome biases in proportion to
    ``sqrt(r s/(1-s))``; one tied equally to both, with share v, by ``v/sqrt(1-v)``. Setting the
    two equal gives the mark. Rows where a cause is unknown are left out for that cause.

    Parameters
    ----------
    x, y : array, shape (n,)
        Start temperature, and ln time.
    block : array, shape (n,)
        Batch of each row.
    causes : mapping of str to array, shape (n, k)
        Columns of each measured cause.

    Returns
    -------
    MeasuredCauses

    Source
    ------
    Cinelli & Hazlett (2020), J. R. Stat. Soc. B 82:39-67: partial R² of groups of covariates
    (section 4.4), bias (section 4.1), robustness value (section 4.2).
    """
    start, times = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    groups = np.asarray(block)
    records = []
    for name, columns in causes.items():
        others = [v for k, v in causes.items() if k != name]
        keep = np.isfinite(columns).all(axis=1)
        rest = [v for v in others if np.isfinite(v[keep]).all()]
        label = np.unique(groups[keep], return_inverse=True)[1].astype(np.int64)
        t, o = (_within(v[keep][:, None], label) for v in (start, times))
        base = _within(np.column_stack([*(v[keep] for v in rest), np.zeros(keep.sum())]), label)
        own = _within(columns[keep], label)
        of_treatment = _partial_share(t, base, own)
        of_outcome = _partial_share(o, np.column_stack([base, t]), own)
        if not (of_treatment < 1 and math.isfinite(of_outcome)):
            continue
        records.append((name, of_treatment, of_outcome, _strength(of_treatment, of_outcome)))
    frame = pd.DataFrame(records, columns=list(COLUMNS))
    return MeasuredCauses(
        causes=frame.sort_values("strength", ascending=False, kind="stable").reset_index(drop=True)
    )


def _strength(of_treatment: float, of_outcome: float) -> float:
    f2 = of_outcome * of_treatment / (1.0 - of_treatment)
    return 0.5 * (math.sqrt(f2**2 + 4.0 * f2) - f2)


def _partial_share(target: FloatArray, base: FloatArray, own: FloatArray) -> float:
    """Share of what `base` leaves of the target that the own columns explain."""
    before = _left(target, base)
    after = _left(target, np.column_stack([base, own]))
    return max(1.0 - after / before, 0.0) if before > 0 else math.nan


def _left(target: FloatArray, columns: FloatArray) -> float:
    left, size, _ = np.linalg.svd(columns, full_matrices=False)
    kept = left[:, size > LEAST_LEFT * max(float(size.max(initial=0.0)), LEAST_LEFT)]
    rest = target - kept @ (kept.T @ target)
    return float((rest**2).sum())


def _within(values: FloatArray, label: npt.NDArray[np.int64]) -> FloatArray:
    sums = np.zeros((int(label.max(initial=0)) + 1, values.shape[1]))
    np.add.at(sums, label, values)
    means = sums / np.maximum(np.bincount(label), 1)[:, None]
    return np.asarray(values - means[label])
