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
from scipy import sparse

from metafreeze.models.labels import Segments, combine_codes
from metafreeze.results import BoolArray, FloatArray, IntArray

# A column whose squared remainder, after the columns before it, is a smaller share of
# its own square than this carries no information of its own: products lose half the digits.
ALIASED_SHARE = 1e-11
# A squared pivot below this share of its diagonal is rounding of a dependent column.
DEPENDENT_SHARE = 1e-12
# A crossing wider than this is not worth a dense block per study.
WIDEST_CROSSING = 400
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
    spread : array, shape (n,), or None
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
    batch: tuple[IntArray, int, BoolArray] | None = None
    specimen: tuple[IntArray, int, BoolArray] | None = None
    count: FloatArray | None = None
    spread: FloatArray | None = None
    known: FloatArray | None = None
    added: FloatArray | None = None
    correlated: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """Centres and scales: how the engine's units turn into the caller's.

    ``y = y_unit * y* + X origin``, ``X = X* turn``, ``Z = Z* turn_varying``.
    """

    y_unit: FloatArray
    origin: FloatArray
    turn: FloatArray
    turn_varying: FloatArray

    @property
    def log_turn(self) -> float:
        """Log determinant of `turn`, which the restricted criterion has to give back."""
        return float(np.linalg.slogdet(self.turn)[1])


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """One nested random intercept: which members its groups have, and in which study.

    Rows without a label share a placeholder, whose `real` is 0: it has no intercept.
    """

    name: str
    members: Segments
    study: Segments
    real: FloatArray

    @property
    def count(self) -> int:
        """Number of groups, placeholders for rows without a label included."""
        return self.members.count


@dataclass(frozen=True, slots=True, kw_only=True)
class Entities:
    """Rows that share their innermost group and kind of variance.

    The weight of an entity is ``size / (share * s2 + extra)``: runs have share 1 and
    extra 0, known variances share 0, rows with a reading error are one entity each.
    """

    size: FloatArray
    share: FloatArray
    extra: FloatArray
    pooled: BoolArray
    study: Segments


@dataclass(frozen=True, slots=True, kw_only=True)
class Products:
    """Cross-products of m data sets that share one design.

    Parameters
    ----------
    studies, varying, fixed : int
        Numbers S of studies, q of varying columns, p of fixed columns.
    own : array, shape (m, S, q, p + 1)
        B, each study's own coefficients of [X y] on Z.
    within : array, shape (m, S, q + p + 1, q + p + 1)
        Products of [Z A~] over rows whose variance is estimated: all of them where no
        group is nested in a study, else about the mean of their entity.
    within_known : array or None
        The same for rows of known variance, weighted by its inverse.
    means : array, shape (m, entities, q + p + 1)
    levels : tuple of Level
        Innermost first.
    runs : array, shape (S,)
        Runs whose residual variance is estimated and has no addition.
    total_runs : float
        All runs and rows.
    constant : array, shape (m,)
        What rescaling and known variances add to -2 log likelihood.
    frame : Frame
    crossed : int
        Number of trailing varying columns that are the levels of a crossed factor.
    crossed_name : str
    estimated_rows, has_added : bool
        Whether any row's variance is estimated, and whether any has a reading error.
    twins : tuple of int or None
        For each fixed column the varying column that equals it.
    """

    studies: int
    varying: int
    fixed: int
    own: FloatArray
    within: FloatArray
    within_known: FloatArray | None
    means: FloatArray
    entities: Entities
    levels: tuple[Level, ...]
    runs: FloatArray
    total_runs: float
    constant: FloatArray
    frame: Frame
    correlated: bool
    crossed: int = 0
    crossed_name: str = ""
    estimated_rows: bool = True
    has_added: bool = False
    twins: tuple[int | None, ...] = ()

    @property
    def sets(self) -> int:
        """Number of data sets."""
        return int(self.within.shape[0])

    @property
    def one_scale(self) -> bool:
        """Whether the residual variance is a mere factor that can be profiled out."""
        return self.estimated_rows and not self.has_added and self.within_known is None

    def pick(self, sets: IntArray) -> Products:
        """Keep some of the data sets."""
        from dataclasses import replace

        return replace(
            self,
            own=self.own[sets],
            within=self.within[sets],
            within_known=None if self.within_known is None else self.within_known[sets],
            means=self.means[sets],
            constant=self.constant[sets],
            frame=Frame(
                y_unit=self.frame.y_unit[sets],
                origin=self.frame.origin[sets],
                turn=self.frame.turn,
                turn_varying=self.frame.turn_varying,
            ),
        )


def group_sum(codes: IntArray, count: int, values: FloatArray) -> FloatArray:
    """Sum values over the rows of each group.

    Parameters
    ----------
    codes : array, shape (n,)
    count : int
        Number of groups.
    values : array, shape (n,) or (n, m)

    Returns
    -------
    array, shape (count,) or (count, m)
    """
    if values.ndim == 1:
        return np.asarray(np.bincount(codes, weights=values, minlength=count), dtype=np.float64)
    if values.shape[1] == 1:
        return group_sum(codes, count, values[:, 0])[:, None]
    n = codes.size
    where = sparse.csc_matrix((np.ones(n), codes, np.arange(n + 1)), shape=(count, n))
    return np.asarray(where @ values)


def collect_products(rows: ModelRows) -> Products:
    """Take the cross-products of checked rows.

    Parameters
    ----------
    rows : ModelRows

    Returns
    -------
    Products
    """
    varying, crossed, crossed_name, levels, entity = _arrange_groups(rows)
    n = rows.study.size
    kind = _row_kinds(rows)
    weight = np.ones(n) if rows.count is None else rows.count.astype(np.float64)
    plain_weight = rows.count is None
    columns, outcome, frame, same, twins = _centre(rows, weight, plain_weight)
    q0, p = rows.varying.shape[1], rows.fixed.shape[1]
    q = q0 + crossed
    zs = columns[:q0]
    xs: list[FloatArray | None] = list(columns[q0:])
    own_x, own_y = _own_fits(rows, zs, xs, outcome, weight, plain_weight, same)
    for j in range(p):
        if same[j] is not None:
            xs[j] = None
            continue
        xs[j] = _subtract_own(xs[j], zs, own_x[:, :, j], rows.study)
    rest = _subtract_own(outcome, zs, own_y, rows.study)
    cols: list[FloatArray | None] = [*zs, *varying, *xs]
    m = rest.shape[1]
    S = rows.studies
    own = np.zeros((m, S, q, p + 1))
    own[:, :, :q0, :p] = own_x
    own[:, :, :q0, p] = np.moveaxis(own_y, 2, 0)

    y_var = frame.y_unit**2
    estimated = kind == ESTIMATED
    known = kind == KNOWN
    has_added = bool((kind == ADDED).any())
    runs = group_sum(rows.study[estimated], S, weight[estimated])
    every = bool(estimated.all())

    # Products are of data sets with their own unit of y; known variances share it, so they
    # are only allowed where the data sets have one unit (`_centre` sees to that).
    unit = float(y_var[0])
    entities, means, within, within_known, levels = _entity_products(
        rows, cols, rest, weight, kind, entity, levels, unit, every, plain_weight
    )
    if rows.spread is not None and rows.count is not None:
        extra = np.where(rows.count > 1, (rows.count - 1) * np.nan_to_num(rows.spread) ** 2, 0.0)
        within[:, :, -1, -1] += (
            np.bincount(rows.study, weights=extra, minlength=S)[None, :] / y_var[:, None]
        )
    total = float(weight.sum())
    constant = np.full(m, 0.0)
    if known.any():
        assert rows.known is not None
        constant += float(np.log(rows.known[known] / unit).sum())
    constant += total * np.log(y_var)
    if has_added:
        constant += float(np.log(weight[kind == ADDED]).sum())
        # The runs behind a mean with a reading error still tell the residual variance.
        behind = np.where(kind == ADDED, weight - 1.0, 0.0)
        runs = runs + np.bincount(rows.study, weights=behind, minlength=S)
    return Products(
        studies=S,
        varying=q,
        fixed=p,
        own=own,
        within=within,
        within_known=within_known,
        means=means,
        entities=entities,
        levels=levels,
        runs=runs,
        total_runs=total,
        constant=constant,
        frame=frame,
        correlated=rows.correlated,
        crossed=crossed,
        crossed_name=crossed_name,
        estimated_rows=bool((kind != KNOWN).any()),
        has_added=has_added,
        twins=tuple(twins),
    )


def _row_kinds(rows: ModelRows) -> IntArray:
    kind = np.zeros(rows.study.size, dtype=np.int64)
    if rows.added is not None:
        kind[rows.added > 0] = ADDED
    if rows.known is not None:
        kind[~np.isnan(rows.known)] = KNOWN
    return kind


def _centre(
    rows: ModelRows, weight: FloatArray, plain: bool
) -> tuple[list[FloatArray], FloatArray, Frame, list[FloatArray | None], list[int | None]]:
    """Centre and scale the columns; say which fixed columns are varying columns too."""
    n, p = rows.fixed.shape
    q = rows.varying.shape[1]
    total = float(weight.sum())

    def mean_of(values: FloatArray) -> float:
        return float(values.mean() if plain else weight @ values / total)

    def size_of(values: FloatArray) -> float:
        square = values @ values / n if plain else (weight * values) @ values / total
        return float(np.sqrt(square))

    x_raw = [np.ascontiguousarray(rows.fixed[:, j]) for j in range(p)]
    constant = next((j for j, c in enumerate(x_raw) if _is_constant(c)), None)
    x_cols, turn = _centre_columns(x_raw, constant, mean_of, size_of)

    z_raw = []
    twin: list[int | None] = [None] * p
    for k in range(q):
        column = np.ascontiguousarray(rows.varying[:, k])
        for j in range(p):
            head = twin[j] is None and np.array_equal(column[:64], x_raw[j][:64])
            if head and np.array_equal(column, x_raw[j]):
                twin[j] = k
                column = x_raw[j]
                break
        z_raw.append(column)
    z_constant = next((k for k, c in enumerate(z_raw) if _is_constant(c)), None)
    centre_at = z_constant if rows.correlated else None
    z_cols: list[FloatArray]
    z_cols, turn_varying = _centre_columns(z_raw, centre_at, mean_of, size_of)
    for j, other in enumerate(twin):  # a column used twice is stored once
        if other is not None and np.array_equal(z_cols[other][:64], x_cols[j][:64]):
            z_cols[other] = x_cols[j]

    # X* of a twin column in terms of Z*: x* = Z* back.
    same: list[FloatArray | None] = [None] * p
    if any(t is not None for t in twin):
        raw_in_z = np.zeros((q, p))
        usable = np.zeros(p, dtype=bool)
        for j, other in enumerate(twin):
            if other is not None:
                raw_in_z[other, j] = 1.0
                usable[j] = True
        # x*_j = (x_j - mean_j 1) / size_j needs the constant among the varying columns.
        to_star = np.linalg.inv(turn)
        for j in range(p):
            needed = np.flatnonzero(to_star[:, j])
            if usable[needed].all():
                same[j] = turn_varying @ (raw_in_z @ to_star[:, j])

    y = rows.outcome
    origin = np.zeros((y.shape[1], p))
    if constant is not None:
        value = float(x_raw[constant][0])
        centre = y.mean(axis=0) if plain else weight @ y / total
        y = y - centre[None, :]
        origin[:, constant] = centre / value
    square = (y * y).mean(axis=0) if plain else weight @ (y * y) / total
    unit = np.sqrt(square)
    fallback = np.abs(origin).max(axis=1, initial=0.0)
    unit = np.where(unit > 0, unit, np.where(fallback > 0, fallback, 1.0))
    if rows.known is not None or rows.added is not None:
        unit = np.full_like(unit, float(np.sqrt(np.mean(unit**2))))
    y = y / unit[None, :]
    frame = Frame(y_unit=unit, origin=origin, turn=turn, turn_varying=turn_varying)
    return [*z_cols, *x_cols], y, frame, same, twin


def _is_constant(column: FloatArray) -> bool:
    return bool(column.size and column[0] != 0 and np.all(column == column[0]))


def _centre_columns(
    raw: list[FloatArray],
    constant: int | None,
    mean_of: object,
    size_of: object,
) -> tuple[list[FloatArray], FloatArray]:
    """Centre on the constant column where there is one, scale to mean square one."""
    k = len(raw)
    turn = np.zeros((k, k))
    columns: list[FloatArray] = []
    for j, column in enumerate(raw):
        if j == constant:
            columns.append(np.ones_like(column))
            turn[j, j] = float(column[0])
            continue
        if constant is not None:
            middle = mean_of(column)  # type: ignore[operator]
            column = column - middle
            turn[constant, j] = middle
        size = size_of(column)  # type: ignore[operator]
        size = size if size > 0 else 1.0
        columns.append(column / size)
        turn[j, j] = size
    return columns, turn


def _own_fits(
    rows: ModelRows,
    zs: list[FloatArray],
    xs: list[FloatArray | None],
    outcome: FloatArray,
    weight: FloatArray,
    plain: bool,
    same: list[FloatArray | None],
) -> tuple[FloatArray, FloatArray]:
    """Least squares of [X y] on Z in each study, a basic solution where Z is deficient."""
    S, q, p, m = rows.studies, len(zs), len(xs), outcome.shape[1]
    own_x = np.zeros((S, q, p))
    own_y = np.zeros((S, q, m))
    if q == 0:
        return own_x, own_y
    gram = np.zeros((S, q, q))
    right = np.zeros((S, q, p + m))
    study = rows.study
    for a in range(q):
        za = zs[a] if plain else zs[a] * weight
        for b in range(a, q):
            gram[:, a, b] = gram[:, b, a] = group_sum(study, S, za * zs[b])
        for j in range(p):
            if same[j] is None:
                column = xs[j]
                assert column is not None
                right[:, a, j] = group_sum(study, S, za * column)
        right[:, a, p:] = group_sum(study, S, za[:, None] * outcome)
    solved = solve_semidefinite(gram, right)
    own_x[:] = solved[:, :, :p]
    own_y[:] = solved[:, :, p:]
    for j, known in enumerate(same):
        if known is not None:
            own_x[:, :, j] = known
    return own_x, own_y


def semidefinite_factor(gram: FloatArray) -> FloatArray:
    """Lower factor of positive semidefinite matrices, dependent columns left at zero.

    Parameters
    ----------
    gram : array, shape (..., q, q)

    Returns
    -------
    array, shape (..., q, q)
        L with ``L L' = gram``.
    """
    q = gram.shape[-1]
    left = np.zeros_like(gram)
    rest = gram.copy()
    for k in range(q):
        pivot = rest[..., k, k]
        good = pivot > DEPENDENT_SHARE * gram[..., k, k]
        root = np.sqrt(np.where(good, pivot, 1.0))
        column = np.where(good[..., None], rest[..., :, k] / root[..., None], 0.0)
        column[..., :k] = 0.0
        left[..., :, k] = column
        if k + 1 < q:
            rest[..., k + 1 :, k + 1 :] -= column[..., k + 1 :, None] * column[..., None, k + 1 :]
    return left


def solve_semidefinite(gram: FloatArray, right: FloatArray) -> FloatArray:
    """Solve ``gram x = right`` where gram may be deficient: a basic solution."""
    q = gram.shape[-1]
    left = semidefinite_factor(gram)
    diagonal = np.diagonal(left, axis1=-2, axis2=-1)
    good = diagonal > 0
    safe = np.where(good, diagonal, 1.0)
    middle = np.zeros_like(right)
    for k in range(q):
        value = right[..., k, :] - np.einsum(
            "...k,...kc->...c", left[..., k, :k], middle[..., :k, :]
        )
        middle[..., k, :] = np.where(good[..., k, None], value / safe[..., k, None], 0.0)
    solved = np.zeros_like(right)
    for k in range(q - 1, -1, -1):
        value = middle[..., k, :] - np.einsum(
            "...k,...kc->...c", left[..., k + 1 :, k], solved[..., k + 1 :, :]
        )
        solved[..., k, :] = np.where(good[..., k, None], value / safe[..., k, None], 0.0)
    return solved


def _subtract_own(
    column: FloatArray | None, zs: list[FloatArray], own: FloatArray, study: IntArray
) -> FloatArray:
    """Take each study's own fit off a column or off several."""
    assert column is not None
    rest = column.copy()
    for k, z in enumerate(zs):
        coefficient = own[:, k]
        if not coefficient.any():
            continue
        if column.ndim == 1:
            rest -= z * coefficient[study]
        else:
            rest -= z[:, None] * coefficient[study]
    return rest


def _entity_products(
    rows: ModelRows,
    cols: list[FloatArray | None],
    rest: FloatArray,
    weight: FloatArray,
    kind: IntArray,
    inner: IntArray | None,
    levels: tuple[Level, ...],
    unit: float,
    every: bool,
    plain: bool,
) -> tuple[Entities, FloatArray, FloatArray, FloatArray | None, tuple[Level, ...]]:
    """Means of entities and the scatter about them; without nested groups only scatter."""
    S, m, r = rows.studies, rest.shape[1], len(cols) + 1
    n = rows.study.size
    extra_row = np.zeros(n)
    if rows.added is not None:
        extra_row = np.where(kind == ADDED, rows.added / unit, 0.0)
    known_row = np.zeros(n)
    if rows.known is not None:
        known_row = np.where(kind == KNOWN, rows.known / unit, 0.0)
    every_scatter = (cols, rest, rows.study, S)
    if inner is None:
        single = np.flatnonzero(kind == ADDED)
        order = single[np.argsort(rows.study[single], kind="stable")]
        within = (
            _scatter(*every_scatter, weight=None if plain else weight)
            if every
            else _scatter(*every_scatter, weight=np.where(kind == ESTIMATED, weight, 0.0))
        )
        within_known = None
        if (kind == KNOWN).any():
            inverse = np.where(kind == KNOWN, 1.0 / np.where(known_row > 0, known_row, 1.0), 0.0)
            within_known = _scatter(*every_scatter, weight=inverse)
        means = _stack(cols, rest, order)
        entities = Entities(
            size=np.ones(order.size),
            share=1.0 / weight[order],
            extra=extra_row[order],
            pooled=np.zeros(order.size, dtype=bool),
            study=Segments.of(rows.study[order], S),
        )
        return entities, means, within, within_known, levels

    # Entity = innermost group and kind, a row with a reading error alone.
    label = kind.copy()
    if (kind == ADDED).any():
        label = np.where(kind == ADDED, 2 + np.arange(n), kind)
    codes, count = combine_codes(inner, label, int(label.max()) + 1)
    first = np.zeros(count, dtype=np.int64)
    first[codes] = np.arange(n)
    e_kind, e_inner, e_study = kind[first], inner[first], rows.study[first]
    row_weight = np.where(kind == ESTIMATED, weight, 1.0)
    if (kind == KNOWN).any():
        row_weight = np.where(
            kind == KNOWN, 1.0 / np.where(known_row > 0, known_row, 1.0), row_weight
        )
    total = np.bincount(codes, weights=row_weight, minlength=count)
    means = np.zeros((m, count, r))
    dev: list[FloatArray | None] = []
    alone = count == n
    for c, column in enumerate(cols):
        if column is None:
            dev.append(None)
            continue
        mean = np.bincount(codes, weights=row_weight * column, minlength=count) / total
        means[:, :, c] = mean
        dev.append(None if alone else column - mean[codes])
    mean_y = group_sum(codes, count, row_weight[:, None] * rest) / total[:, None]
    means[:, :, r - 1] = mean_y.T
    within = np.zeros((m, S, r, r))
    within_known = None
    if not alone:
        dev_y = rest - mean_y[codes]
        w_est = None if every and plain else np.where(kind == ESTIMATED, row_weight, 0.0)
        within = _scatter(dev, dev_y, rows.study, S, weight=w_est)
    if (kind == KNOWN).any():
        within_known = np.zeros((m, S, r, r))
        if not alone:
            w_known = np.where(kind == KNOWN, row_weight, 0.0)
            within_known = _scatter(dev, dev_y, rows.study, S, weight=w_known)
    size = np.where(e_kind == ESTIMATED, total, 1.0)
    share = np.where(e_kind == KNOWN, 0.0, 1.0)
    share = np.where(e_kind == ADDED, 1.0 / weight[first], share)
    extra = np.where(e_kind == KNOWN, 1.0 / total, extra_row[first])
    entities = Entities(
        size=size,
        share=share,
        extra=extra,
        pooled=e_kind == ESTIMATED,
        study=Segments.of(e_study, S),
    )
    # Members of the innermost level are the entities.
    innermost = levels[0]
    fixed_levels = (
        Level(
            name=innermost.name,
            members=Segments.of(e_inner, innermost.count),
            study=innermost.study,
            real=innermost.real,
        ),
        *levels[1:],
    )
    return entities, means, within, within_known, fixed_levels


def _stack(cols: list[FloatArray | None], rest: FloatArray, order: IntArray) -> FloatArray:
    m, r = rest.shape[1], len(cols) + 1
    means = np.zeros((m, order.size, r))
    for c, column in enumerate(cols):
        if column is not None:
            means[:, :, c] = column[order]
    means[:, :, r - 1] = rest[order].T
    return means


def _scatter(
    cols: list[FloatArray | None],
    rest: FloatArray,
    study: IntArray,
    S: int,
    *,
    weight: FloatArray | None,
) -> FloatArray:
    """Weighted products of all pairs of columns in each study."""
    m, r = rest.shape[1], len(cols) + 1
    out = np.zeros((m, S, r, r))
    for a, left in enumerate(cols):
        if left is None:
            continue
        lead = left if weight is None else left * weight
        for b in range(a, r - 1):
            right = cols[b]
            if right is None:
                continue
            value = np.bincount(study, weights=lead * right, minlength=S)
            out[:, :, a, b] = value
            out[:, :, b, a] = value
        cross = group_sum(study, S, lead[:, None] * rest).T
        out[:, :, a, r - 1] = cross
        out[:, :, r - 1, a] = cross
    square = rest * rest if weight is None else weight[:, None] * rest * rest
    out[:, :, r - 1, r - 1] = group_sum(study, S, square).T
    return out


def _arrange_groups(
    rows: ModelRows,
) -> tuple[list[FloatArray], int, str, tuple[Level, ...], IntArray | None]:
    """Put batch and specimen in order: nested as a chain, crossed as a dense block."""
    study, S = rows.study, rows.studies
    batch, specimen = rows.batch, rows.specimen
    if batch is None and specimen is None:
        return [], 0, "", (), None
    if batch is None or specimen is None:
        name = "batch" if specimen is None else "specimen"
        only = batch if specimen is None else specimen
        assert only is not None
        codes, count, real = only
        return [], 0, "", (_top_level(name, codes, count, real, study, S),), codes
    if _is_nested(specimen, batch):
        inner_name, inner, outer_name, outer = "specimen", specimen, "batch", batch
    elif _is_nested(batch, specimen):
        inner_name, inner, outer_name, outer = "batch", batch, "specimen", specimen
    else:
        return _arrange_crossed(rows)
    codes, count = combine_codes(outer[0], np.where(inner[2], inner[0] + 1, 0), inner[1] + 1)
    first = np.zeros(count, dtype=np.int64)
    first[codes] = np.arange(codes.size)
    inside = Level(
        name=inner_name,
        members=Segments.of(np.arange(count), count),
        study=Segments.of(study[first], S),
        real=inner[2][first].astype(np.float64),
    )
    o_first = np.zeros(outer[1], dtype=np.int64)
    o_first[outer[0]] = np.arange(codes.size)
    outside = Level(
        name=outer_name,
        members=Segments.of(outer[0][first], outer[1]),
        study=Segments.of(study[o_first], S),
        real=outer[2][o_first].astype(np.float64),
    )
    return [], 0, "", (inside, outside), codes


def _top_level(
    name: str, codes: IntArray, count: int, real: BoolArray, study: IntArray, S: int
) -> Level:
    first = np.zeros(count, dtype=np.int64)
    first[codes] = np.arange(codes.size)
    return Level(
        name=name,
        members=Segments.of(np.arange(count), count),
        study=Segments.of(study[first], S),
        real=real[first].astype(np.float64),
    )


def _is_nested(
    inner: tuple[IntArray, int, BoolArray], outer: tuple[IntArray, int, BoolArray]
) -> bool:
    """Whether every labelled inner group lies within one outer group."""
    codes, _, real = inner
    pairs, count = combine_codes(codes[real], outer[0][real], outer[1] + 1)
    del pairs
    return count == np.unique(codes[real]).size


def _arrange_crossed(
    rows: ModelRows,
) -> tuple[list[FloatArray], int, str, tuple[Level, ...], IntArray | None]:
    """Crossed batch and specimen: the factor with fewer levels becomes columns."""
    assert rows.batch is not None and rows.specimen is not None
    widths = {}
    for name, (codes, count, real) in (("batch", rows.batch), ("specimen", rows.specimen)):
        owner = np.zeros(count, dtype=np.int64)
        owner[codes[real]] = rows.study[real]
        used = np.unique(codes[real])
        widths[name] = int(np.bincount(owner[used], minlength=rows.studies).max())
    wide = min(widths, key=lambda k: (widths[k], k))
    chain_name = "specimen" if wide == "batch" else "batch"
    w_codes, _, w_real = rows.batch if wide == "batch" else rows.specimen
    c_codes, c_count, c_real = rows.specimen if wide == "batch" else rows.batch
    inside = np.zeros(rows.study.size, dtype=np.int64)
    used, compact = np.unique(w_codes[w_real], return_inverse=True)
    owner = np.zeros(used.size, dtype=np.int64)
    owner[compact] = rows.study[w_real]
    start = np.searchsorted(owner, np.arange(rows.studies))
    inside[w_real] = compact - start[rows.study[w_real]]
    columns = [
        np.where(w_real & (inside == k), 1.0, 0.0).astype(np.float64) for k in range(widths[wide])
    ]
    level = _top_level(chain_name, c_codes, c_count, c_real, rows.study, rows.studies)
    return columns, len(columns), wide, (level,), c_codes
