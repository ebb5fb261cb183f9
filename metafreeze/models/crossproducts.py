"""What the rows say, once: cross-products per study, and means per innermost group.

Everything the likelihood needs is computed here in a few passes over the rows; one
evaluation then costs the number of groups and not of rows. Before any product is
taken, `y` and the columns are centred and scaled, and each study's own least-squares
fit on the varying columns is subtracted, so that neither a large constant nor a large
spread between studies takes digits from the scatter within them.

Symbols: Z the columns whose coefficients vary between studies, X the columns of the
fixed coefficients, A = [X y]. In every study A = Z B + A~, and products are kept of
[Z A~] beside B.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from metafreeze.models.group_levels import Part, arrange_groups, first_rows
from metafreeze.models.labels import Segments, combine_codes
from metafreeze.models.products import Entities, Level, Products
from metafreeze.models.row_columns import (
    Column,
    as_values,
    centre_columns,
    fit_studies,
    group_sum,
    multiply,
    subtract_own,
    sum_column,
)
from metafreeze.results import FloatArray, IntArray

# How the variance of a row comes about.
ESTIMATED, KNOWN, ADDED = 0, 1, 2


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelRows:
    """Checked rows as the engine takes them; offset already subtracted.

    Parameters
    ----------
    outcome : array, shape (n, m)
        One column per data set; m is 1 except in simulations.
    fixed : array, shape (n, p)
    varying : array, shape (n, q)
    study : array, shape (n,)
        Codes 0..studies-1.
    studies : int
    batch, specimen : tuple of codes, count and whether real, or None
    count : array, shape (n,), or None
        Runs behind a row; one each where None.
    spread : array, shape (n,) or (n, m), or None
        Standard deviation among those runs.
    known : array, shape (n,), or None
        Variance that replaces the residual variance; NaN where it is estimated.
    added : array, shape (n,), or None
        Variance added to the residual variance.
    correlated : bool
        Whether the varying coefficients may be correlated.
    """

    outcome: FloatArray
    fixed: FloatArray
    varying: FloatArray
    study: IntArray
    studies: int
    batch: Part | None = None
    specimen: Part | None = None
    count: FloatArray | None = None
    spread: FloatArray | None = None
    known: FloatArray | None = None
    added: FloatArray | None = None
    correlated: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class _Weights:
    """Per row: kind, runs, known and added variance in the engine's units."""

    kind: IntArray | None  # None: all estimated
    runs: FloatArray | None  # None: one each
    known: FloatArray
    added: FloatArray

    def of(self, kind: int) -> FloatArray | None:
        """Weight of rows of one kind, zero for the others; None for one everywhere."""
        if self.kind is None:
            return self.runs
        own = np.ones(self.kind.size) if self.runs is None else self.runs
        if kind == KNOWN:
            own = 1.0 / np.where(self.kind == KNOWN, self.known, 1.0)
        return np.where(self.kind == kind, own, 0.0)


def collect_products(rows: ModelRows) -> Products:
    """Take the cross-products of checked rows.

    Parameters
    ----------
    rows : ModelRows

    Returns
    -------
    Products
    """
    study, S = rows.study, rows.studies
    order = arrange_groups(study, S, rows.batch, rows.specimen)
    given = rows.known is not None or rows.added is not None
    columns = centre_columns(
        rows.fixed,
        rows.varying,
        rows.outcome,
        rows.count,
        correlated=rows.correlated,
        one_unit=given,
    )
    own = fit_studies(columns, study, S, rows.count)
    fixed: list[Column] = []
    for j, column in enumerate(columns.fixed):
        if columns.in_varying[j] is not None:
            fixed.append("zero")
        else:
            fixed.append(subtract_own(column, columns.varying, own.fixed[:, :, j], study))
    rest = subtract_own(columns.outcome, columns.varying, own.outcome, study)
    cols: list[Column] = [*columns.varying, *order.crossed, *fixed]
    unit = float(columns.frame.y_unit[0])
    weights = _weigh(rows, unit)

    if order.inner is None:
        exact = None if given else own.gram
        entities, means, within, within_known = _scatter_only(
            cols, rest, study, S, weights, varying_products=exact
        )
        levels: tuple[Level, ...] = ()
    else:
        entities, means, within, within_known, levels = _entity_products(
            cols, rest, study, S, weights, order.inner, order.levels
        )
    kind = weights.kind
    runs = sum_column(study, S, _as_column(weights.of(ESTIMATED)))
    total = float(study.size if rows.count is None else rows.count.sum())
    y_var = columns.frame.y_unit**2
    constant = total * np.log(y_var)
    if rows.count is not None and rows.spread is not None:
        spread = rows.spread if rows.spread.ndim == 2 else rows.spread[:, None]
        several = np.where(rows.count > 1, rows.count - 1, 0.0)[:, None]
        extra = several * np.nan_to_num(spread) ** 2
        within[:, :, -1, -1] += group_sum(study, S, extra).T / y_var[:, None]
    has_added = kind is not None and bool((kind == ADDED).any())
    if kind is not None:
        constant = constant + float(np.log(weights.known[kind == KNOWN]).sum())
        if rows.count is not None and has_added:
            constant = constant + float(np.log(rows.count[kind == ADDED]).sum())
            # The runs behind a mean with a reading error still tell the residual variance.
            behind = np.where(kind == ADDED, rows.count - 1.0, 0.0)
            runs = runs + group_sum(study, S, behind)
    m, p, q0 = rest.shape[1], rows.fixed.shape[1], rows.varying.shape[1]
    q = q0 + len(order.crossed)
    coefficients = np.zeros((m, S, q, p + 1))
    coefficients[:, :, :q0, :p] = own.fixed
    coefficients[:, :, :q0, p] = np.moveaxis(own.outcome, 2, 0)
    return Products(
        studies=S,
        varying=q,
        fixed=p,
        own=coefficients,
        within=within,
        within_known=within_known,
        means=means,
        entities=entities,
        levels=levels,
        runs=runs,
        total_runs=total,
        constant=constant,
        frame=columns.frame,
        correlated=rows.correlated,
        crossed=len(order.crossed),
        crossed_name=order.crossed_name,
        estimated_rows=kind is None or bool((kind != KNOWN).any()),
        has_added=has_added,
        twins=columns.twins,
    )


def _as_column(weight: FloatArray | None) -> Column:
    return "one" if weight is None else weight


def _weigh(rows: ModelRows, unit: float) -> _Weights:
    n = rows.study.size
    if rows.known is None and rows.added is None:
        return _Weights(kind=None, runs=rows.count, known=np.empty(0), added=np.empty(0))
    kind = np.zeros(n, dtype=np.int64)
    known, added = np.zeros(n), np.zeros(n)
    if rows.added is not None:
        kind[rows.added > 0] = ADDED
        added = rows.added / unit**2
    if rows.known is not None:
        is_known = ~np.isnan(rows.known)
        kind[is_known] = KNOWN
        known = np.where(is_known, rows.known, 0.0) / unit**2
    return _Weights(kind=kind, runs=rows.count, known=known, added=added)


def _scatter_only(
    cols: list[Column],
    rest: FloatArray,
    study: IntArray,
    S: int,
    weights: _Weights,
    *,
    varying_products: FloatArray | None,
) -> tuple[Entities, FloatArray, FloatArray, FloatArray | None]:
    """Products where no group is nested in a study; only reading errors stand alone."""
    within = _scatter(
        cols, rest, study, S, weight=weights.of(ESTIMATED), varying_products=varying_products
    )
    kind = weights.kind
    within_known = None
    alone = np.zeros(0, dtype=np.int64)
    if kind is not None:
        if (kind == KNOWN).any():
            within_known = _scatter(cols, rest, study, S, weight=weights.of(KNOWN))
        alone = np.flatnonzero(kind == ADDED)
        alone = alone[np.argsort(study[alone], kind="stable")]
    means = np.zeros((rest.shape[1], alone.size, len(cols) + 1))
    if alone.size:
        for c, column in enumerate(cols):
            means[:, :, c] = as_values(column, study.size)[alone]
        means[:, :, -1] = rest[alone].T
    runs = np.ones(alone.size) if weights.runs is None else weights.runs[alone]
    entities = Entities(
        size=np.ones(alone.size),
        share=1.0 / runs,
        extra=weights.added[alone] if alone.size else np.zeros(0),
        pooled=np.zeros(alone.size, dtype=bool),
        study=Segments.of(study[alone], S),
    )
    return entities, means, within, within_known


def _entity_products(
    cols: list[Column],
    rest: FloatArray,
    study: IntArray,
    S: int,
    weights: _Weights,
    inner: IntArray,
    levels: tuple[Level, ...],
) -> tuple[Entities, FloatArray, FloatArray, FloatArray | None, tuple[Level, ...]]:
    """Means of entities (innermost group and kind of variance) and scatter about them."""
    n, m, r = study.size, rest.shape[1], len(cols) + 1
    kind = np.zeros(n, dtype=np.int64) if weights.kind is None else weights.kind
    if weights.kind is None:
        codes, count = inner, levels[0].count
    else:
        # A row with a reading error is an entity of its own.
        label = np.where(kind == ADDED, ADDED + np.arange(n), kind)
        codes, count = combine_codes(inner, label, int(label.max()) + 1)
    first = first_rows(codes, count)
    runs = np.ones(n) if weights.runs is None else weights.runs
    row_weight: FloatArray | None = weights.runs
    if weights.kind is not None:
        row_weight = np.where(kind == ESTIMATED, runs, 1.0)
        row_weight = np.where(
            kind == KNOWN, 1.0 / np.where(kind == KNOWN, weights.known, 1.0), row_weight
        )
    total = sum_column(codes, count, _as_column(row_weight))
    means = np.zeros((m, count, r))
    alone = count == n
    away: list[Column] = []
    for c, column in enumerate(cols):
        if isinstance(column, np.ndarray):
            mean = sum_column(codes, count, multiply(column, row_weight)) / total
            means[:, :, c] = mean
            away.append("zero" if alone else column - mean[codes])
        else:
            means[:, :, c] = 1.0 if column == "one" else 0.0
            away.append("zero")
    weighted = rest if row_weight is None else row_weight[:, None] * rest
    mean_y = group_sum(codes, count, weighted) / total[:, None]
    means[:, :, r - 1] = mean_y.T
    within = np.zeros((m, S, r, r))
    within_known = None
    if weights.kind is not None and (kind == KNOWN).any():
        within_known = np.zeros((m, S, r, r))
    if not alone:
        away_y = rest - mean_y[codes]
        within = _scatter(away, away_y, study, S, weight=weights.of(ESTIMATED))
        if within_known is not None:
            within_known = _scatter(away, away_y, study, S, weight=weights.of(KNOWN))
    e_kind = kind[first]
    extra = np.zeros(count)
    if weights.kind is not None:
        extra = np.where(e_kind == KNOWN, 1.0 / total, weights.added[first])
        extra = np.where(e_kind == ESTIMATED, 0.0, extra)
    entities = Entities(
        size=np.where(e_kind == ESTIMATED, total, 1.0),
        share=np.where(e_kind == KNOWN, 0.0, np.where(e_kind == ADDED, 1.0 / runs[first], 1.0)),
        extra=extra,
        pooled=e_kind == ESTIMATED,
        study=Segments.of(study[first], S),
    )
    innermost = Level(
        name=levels[0].name,
        members=Segments.of(inner[first], levels[0].count),
        study=levels[0].study,
        real=levels[0].real,
    )
    return entities, means, within, within_known, (innermost, *levels[1:])


def _scatter(
    cols: list[Column],
    rest: FloatArray,
    study: IntArray,
    S: int,
    *,
    weight: FloatArray | None,
    varying_products: FloatArray | None = None,
) -> FloatArray:
    """Weighted products of all pairs of columns in each study.

    With the products of the varying columns given, the rest is free of them by
    construction: what is left of their products with it is rounding, and taken as zero.
    """
    m, r = rest.shape[1], len(cols) + 1
    known = 0
    out = np.zeros((m, S, r, r))
    if varying_products is not None:
        known = varying_products.shape[1]
        out[:, :, :known, :known] = varying_products
    for a in range(known, r - 1):
        lead = multiply(cols[a], weight)
        if isinstance(lead, str) and lead == "zero":
            continue
        for b in range(a, r - 1):
            value = sum_column(study, S, multiply(lead, cols[b]))
            out[:, :, a, b] = value
            out[:, :, b, a] = value
        product = rest if isinstance(lead, str) else lead[:, None] * rest
        cross = group_sum(study, S, product).T
        out[:, :, a, r - 1] = cross
        out[:, :, r - 1, a] = cross
    square = rest * rest if weight is None else weight[:, None] * rest * rest
    out[:, :, r - 1, r - 1] = group_sum(study, S, square).T
    return out
