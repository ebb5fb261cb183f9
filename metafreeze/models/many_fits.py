"""Fit one design to many outcomes at once: simulations, bootstraps, false alarms.

The products of the design are taken once; the searches of all data sets run side by side
as arrays. The numbers are those of `mixed_model` on each outcome by itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from metafreeze.errors import InputError
from metafreeze.models.cluster_robust import robust_covariance
from metafreeze.models.crossproducts import ModelRows, collect_products
from metafreeze.models.identify import RandomPlan, find_obstacle
from metafreeze.models.mixed_input import CheckedInput, check_input, crossing_too_wide
from metafreeze.models.mixed_result import t_quantile
from metafreeze.models.optimise import minimise
from metafreeze.models.products import Products
from metafreeze.models.search_task import at_floor, plain_task
from metafreeze.models.small_sample import (
    adjusted_covariance,
    expected_df,
    fit_point,
    observed_df,
)
from metafreeze.models.variance_shape import VarianceShape, shape_of
from metafreeze.options import Likelihood, Residual, require_choice
from metafreeze.results import (
    RESULT,
    BoolArray,
    FloatArray,
    Result,
    html_table,
    round_for_people,
)

# Numbers that one block of data sets may hold in its largest array.
BLOCK_NUMBERS = 3_000_000
SHOWN_ROWS = 10


@dataclass(**RESULT)
class ManyFits(Result):
    """Fits of one design to m outcomes.

    Parameters
    ----------
    names : tuple of str, length p
    estimate, se, df : array, shape (m, p)
        Kenward-Roger standard errors and degrees of freedom; NaN where a fit failed.
    plain_se : array, shape (m, p)
        Standard errors without adjustment.
    satterthwaite_df : array, shape (m, p)
        From the observed information, from the expected one on the boundary.
    robust_se, robust_df : array, shape (m, p)
        Bias-reduced, by study; NaN with one study.
    parts : tuple of str, length k
        Names of the spreads: study terms, levels, residual.
    spread : array, shape (m, k)
        Standard deviations.
    criterion : array, shape (m,)
    settled, boundary : array of bool, shape (m,)
    note : str
        Why nothing was fitted, where nothing was.
    """

    names: tuple[str, ...]
    estimate: FloatArray
    se: FloatArray
    df: FloatArray
    plain_se: FloatArray
    satterthwaite_df: FloatArray
    robust_se: FloatArray
    robust_df: FloatArray
    parts: tuple[str, ...]
    spread: FloatArray
    criterion: FloatArray
    settled: BoolArray
    boundary: BoolArray
    note: str

    def limits(self, *, level: float = 0.95) -> tuple[FloatArray, FloatArray]:
        """Lower and upper Kenward-Roger limits, (m, p) each."""
        half = t_quantile(0.5 + level / 2.0, self.df) * self.se
        return self.estimate - half, self.estimate + half

    def to_frame(self) -> pd.DataFrame:
        """Give one row a fit and coefficient."""
        m, p = self.estimate.shape
        return pd.DataFrame(
            {
                "fit": np.repeat(np.arange(m), p),
                "term": list(self.names) * m,
                "estimate": self.estimate.ravel(),
                "se": self.se.ravel(),
                "df": self.df.ravel(),
            }
        )

    def headline(self) -> str:
        """Say how many fits there are, how many settled, how many stand at the boundary."""
        m = self.estimate.shape[0]
        share = round_for_people(float(self.boundary.mean()) if m else float("nan"))
        return f"{m} fits, {int(self.settled.sum())} settled, share at the boundary {share}"

    def __str__(self) -> str:
        # The whole frame is no printout: thousands of fits are the rule.
        return self.headline()

    def _repr_html_(self) -> str:
        return html_table(self.to_frame().head(SHOWN_ROWS), caption=self.headline())


def fit_outcomes(
    outcomes: npt.ArrayLike,
    X: npt.ArrayLike | pd.DataFrame,
    study: npt.ArrayLike,
    *,
    varying: npt.ArrayLike | pd.DataFrame | None = None,
    batch: npt.ArrayLike | None = None,
    specimen: npt.ArrayLike | None = None,
    known_variance: npt.ArrayLike | None = None,
    added_variance: npt.ArrayLike | None = None,
    residual: Residual = "common",
    likelihood: Likelihood = "restricted",
    offset: npt.ArrayLike | None = None,
    correlated: bool = True,
    names: Sequence[str] | None = None,
) -> ManyFits:
    """Fit the same rows with many outcomes.

    Parameters
    ----------
    outcomes : array, shape (n, m)
        One outcome a column.
    X, study, varying, batch, specimen, known_variance, added_variance, residual, likelihood, \
offset, correlated, names
        As in `mixed_model`.

    Returns
    -------
    ManyFits

    Raises
    ------
    InputError
        As in `mixed_model`.
    """
    require_choice(residual, Residual, name="residual")
    require_choice(likelihood, Likelihood, name="likelihood")
    table = np.asarray(outcomes, dtype=np.float64)
    if table.ndim != 2:
        raise InputError(f"outcomes has shape {table.shape}; it needs rows and one column a fit.")
    checked = check_input(
        table,
        X,
        study,
        varying=varying,
        batch=batch,
        specimen=specimen,
        known_variance=known_variance,
        added_variance=added_variance,
        count=None,
        spread=None,
        offset=offset,
        names=None if names is None else tuple(names),
        varying_names=None,
        many=True,
    )
    return fit_many_checked(
        checked, residual=residual, likelihood=likelihood, correlated=correlated
    )


def fit_many_checked(
    checked: CheckedInput, *, residual: Residual, likelihood: Likelihood, correlated: bool
) -> ManyFits:
    """Fit checked rows with several outcomes, block by block."""
    q = checked.varying.shape[1]
    plan = RandomPlan(
        varying=tuple(range(q)),
        correlated=correlated and q > 1,
        batch=checked.batch is not None,
        specimen=checked.specimen is not None,
    )
    why = crossing_too_wide(checked)
    rows = checked.rows(plan)
    m = checked.outcome.shape[1]
    probe = collect_products(_some_sets(rows, slice(0, 1)))
    shape = shape_of(probe, residual)
    if not why:
        finding = find_obstacle(
            probe,
            shape,
            fixed_names=checked.names,
            varying_names=checked.varying_names,
            varies=checked.varies,
        )
        why = finding.reason if finding is not None else ""
    if why or m == 0:
        return _nothing(checked, m, why)
    size = _block_size(probe, shape)
    pieces = [
        _fit_block(
            collect_products(_some_sets(rows, slice(begin, begin + size))),
            shape,
            checked,
            likelihood,
        )
        for begin in range(0, m, size)
    ]
    return _join(pieces)


def _some_sets(rows: ModelRows, sets: slice) -> ModelRows:
    """Keep some of the data sets."""
    spread = rows.spread
    if spread is not None and spread.ndim == 2:
        spread = spread[:, sets]
    return replace(rows, outcome=rows.outcome[:, sets], spread=spread)


def _block_size(products: Products, shape: VarianceShape) -> int:
    r = products.varying + products.fixed + 1
    depth = len(products.levels) + 1
    per_study = products.studies * (depth * r) ** 2
    per_study += products.studies * products.varying * shape.size * (products.fixed + 1)
    per_group = products.entities.size.size * r * r * 2
    return max(1, BLOCK_NUMBERS // max(per_study, per_group, 1))


def _fit_block(
    products: Products, shape: VarianceShape, checked: CheckedInput, likelihood: Likelihood
) -> ManyFits:
    restricted = likelihood == "restricted"
    task = plain_task(products, shape, restricted=restricted)
    best = minimise(task)
    variances = best.variances
    if task.profiled:
        scale = best.criterion.scale[:, None]
        variances = np.concatenate([variances * scale, scale], axis=1)
    point = fit_point(products, shape, variances, restricted=restricted)
    p, frame = products.fixed, products.frame
    back: FloatArray = np.asarray(np.linalg.inv(frame.turn))
    unit = frame.y_unit[:, None]
    estimate = unit * (point.criterion.beta @ back.T) + frame.origin
    zero = boundary_sets(products, shape, variances)
    covariance = adjusted_covariance(point, p)
    se = unit * np.sqrt(np.maximum(((back @ covariance) * back).sum(axis=-1), 0.0))
    phi = point.criterion.unscaled
    plain = unit * np.sqrt(((back @ phi) * back).sum(axis=-1))
    if products.studies > 1:
        robust = robust_covariance(
            point.totals.by_study, point.criterion.beta, back, kind="bias-reduced"
        )
        robust_se, robust_df = unit * robust.se, robust.df
    else:
        robust_se = robust_df = np.full_like(se, np.nan)
    labels, spread = _spreads(products, shape, variances, checked)
    return ManyFits(
        names=checked.names,
        estimate=estimate,
        se=se,
        df=expected_df(point, back, p),
        plain_se=plain,
        satterthwaite_df=observed_df(point, back, p, boundary=zero),
        robust_se=robust_se,
        robust_df=robust_df,
        parts=labels,
        spread=unit * spread,
        criterion=best.criterion.value,
        settled=best.settled,
        boundary=zero,
        note="",
    )


def boundary_sets(products: Products, shape: VarianceShape, variances: FloatArray) -> BoolArray:
    """Say which data sets have a variance at zero or a singular covariance matrix.

    Parameters
    ----------
    products : Products
    shape : VarianceShape
    variances : array, shape (m, K)

    Returns
    -------
    array of bool, shape (m,)
    """
    matrix, nested, residual = shape.split(variances)
    q = shape.varying
    zero = (nested == 0.0).any(axis=1)
    if shape.residuals:
        zero = zero | at_floor(products, residual)
    if shape.crossed:
        zero = zero | (matrix[:, -1, -1] == 0.0)
    if q:
        own = matrix[:, :q, :q]
        sds = np.sqrt(np.maximum(np.diagonal(own, axis1=1, axis2=2), 0.0))
        zero = zero | (sds == 0.0).any(axis=1)
        if shape.correlated and q > 1:
            safe = np.where(sds > 0, sds, 1.0)
            alike = own / (safe[:, :, None] * safe[:, None, :])
            zero = zero | (np.linalg.eigvalsh(alike)[:, 0] < 1e-12)
    return np.asarray(zero)


def _spreads(
    products: Products, shape: VarianceShape, variances: FloatArray, checked: CheckedInput
) -> tuple[tuple[str, ...], FloatArray]:
    matrix, nested, residual = shape.split(variances)
    q = shape.varying
    labels: list[str] = []
    columns: list[FloatArray] = []
    if q:
        back = np.linalg.inv(products.frame.turn_varying)
        own = back @ matrix[:, :q, :q] @ back.T
        for k in range(q):
            labels.append(f"study {checked.varying_names[k]}")
            columns.append(np.sqrt(np.maximum(own[:, k, k], 0.0)))
    if shape.crossed:
        labels.append(products.crossed_name)
        columns.append(np.sqrt(matrix[:, -1, -1]))
    for k in range(len(shape.levels) - 1, -1, -1):
        labels.append(shape.levels[k])
        columns.append(np.sqrt(nested[:, k]))
    if shape.residual == "common":
        labels.append("residual")
        columns.append(np.sqrt(residual[:, 0]))
    table = np.column_stack(columns) if columns else np.zeros((variances.shape[0], 0))
    return tuple(labels), table


def _nothing(checked: CheckedInput, m: int, why: str) -> ManyFits:
    p = checked.fixed.shape[1]
    nothing = np.full((m, p), np.nan)
    return ManyFits(
        names=checked.names,
        estimate=nothing,
        se=nothing,
        df=nothing,
        plain_se=nothing,
        satterthwaite_df=nothing,
        robust_se=nothing,
        robust_df=nothing,
        parts=(),
        spread=np.zeros((m, 0)),
        criterion=np.full(m, np.nan),
        settled=np.zeros(m, dtype=bool),
        boundary=np.zeros(m, dtype=bool),
        note=why,
    )


def _join(pieces: list[ManyFits]) -> ManyFits:
    if len(pieces) == 1:
        return pieces[0]
    first = pieces[0]
    arrays = {
        name: np.concatenate([getattr(piece, name) for piece in pieces])
        for name in ManyFits.field_names()
        if isinstance(getattr(first, name), np.ndarray)
    }
    return ManyFits(names=first.names, parts=first.parts, note=first.note, **arrays)
