"""Profile-likelihood intervals of a mixed fit: standard deviations, correlations, coefficients.

One quantity is held at a value, all others are found anew, and the interval holds the
values at which the criterion rises by no more than a chi-square quantile on one degree
of freedom. Many held values are searched at once.

Source: Venzon, D. J. & Moolgavkar, S. H. (1988), Applied Statistics 37, 87-94,
doi:10.2307/2347496; Bates et al. (2015), doi:10.18637/jss.v067.i01, section 5.1.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd
from scipy import stats

from metafreeze.errors import InputError, NotEstimableError
from metafreeze.models.mixed_result import FittedState, MixedFit
from metafreeze.models.optimise import minimise
from metafreeze.models.products import Products
from metafreeze.models.row_columns import semidefinite_factor
from metafreeze.models.search_task import Task, plain_task, residual_floor
from metafreeze.models.small_sample import fit_point
from metafreeze.models.variance_shape import VarianceMap, factor_map
from metafreeze.options import Likelihood, require_choice
from metafreeze.results import RESULT, FloatArray, Result, round_for_people

PROFILE_COLUMNS = ("quantity", "level", "term", "with_term", "estimate", "low", "high")
# The end of an interval is found when the rise of the criterion is this close to its target.
RISE_TOLERANCE = 1e-8
MOST_REFINEMENTS = 60
MOST_WIDENINGS = 40


@dataclass(**RESULT)
class ProfileIntervals(Result):
    """Profile intervals of the parts of a mixed fit.

    Parameters
    ----------
    table : DataFrame
        quantity (sd, correlation, coefficient), level, term, with_term, estimate, low, high.
        A standard deviation that may be zero has low = 0; an end that is nowhere is infinite.
    likelihood : str
        The criterion that was profiled.
    confidence : float
        Level of the intervals.
    """

    table: pd.DataFrame
    likelihood: Likelihood
    confidence: float

    def to_frame(self) -> pd.DataFrame:
        """Give one row an interval."""
        return self.table.copy()

    def headline(self) -> str:
        """Say the first interval and how many there are."""
        if self.table.empty:
            return "no quantity to profile"
        row = self.table.iloc[0]
        return (
            f"{row['quantity']} of {row['term'] or row['level']} "
            f"{round_for_people(float(row['estimate']))} ({round_for_people(float(row['low']))} to "
            f"{round_for_people(float(row['high']))}), {len(self.table)} profile intervals, "
            f"{self.likelihood} likelihood"
        )


def profile_intervals(
    fit: MixedFit,
    *,
    level: float = 0.95,
    likelihood: Likelihood | None = None,
    coefficients: bool = True,
) -> ProfileIntervals:
    """Profile every standard deviation, correlation and, with full likelihood, coefficient.

    Use it for variances, whose sampling law is skewed; a standard error of a variance says
    little, and at zero nothing. Needs one common residual variance or known ones.

    Parameters
    ----------
    fit : MixedFit
    level : float
        Level of the intervals.
    likelihood : {"restricted", "full"}, optional
        The fit's own by default.
    coefficients : bool
        Whether to profile the fixed coefficients too; only the full likelihood allows it.

    Returns
    -------
    ProfileIntervals

    Raises
    ------
    NotEstimableError
        The fit has no estimate, or a residual variance per study.
    InputError
        An unknown option.

    Source
    ------
    Venzon & Moolgavkar (1988), doi:10.2307/2347496.
    """
    if not 0.0 < level < 1.0:
        raise InputError(f"level is {level}. Give a number between 0 and 1, such as 0.95.")
    chosen: Likelihood = fit.likelihood if likelihood is None else likelihood
    require_choice(chosen, Likelihood, name="likelihood")
    state = fit.state
    if state is None:
        raise NotEstimableError(f"There is no fit to profile: {fit.note}")
    if state.shape.residual == "per-study":
        raise NotEstimableError(
            'Profiles are for one residual variance. Fit with residual="common" for them.'
        )
    restricted = chosen == "restricted"
    profiler = _Profiler.of(state, restricted=restricted, level=level)
    rows = profiler.spreads()
    if coefficients and not restricted:
        rows += profiler.coefficients()
    table = pd.DataFrame(rows, columns=list(PROFILE_COLUMNS))
    return ProfileIntervals(table=table, likelihood=chosen, confidence=level)


def hidden_spread(fit: MixedFit, *, level: float = 0.95) -> pd.DataFrame:
    """Say how large a spread these data could have hidden: one-sided upper limits.

    A spread estimated at zero is no proof that there is none. The limit is where the profiled
    criterion of the fit has risen by the chi-square quantile of a one-sided interval.

    Parameters
    ----------
    fit : MixedFit
    level : float
        One-sided level.

    Returns
    -------
    DataFrame
        level, term, estimate, upper; one row a standard deviation, residual left out.

    Raises
    ------
    NotEstimableError
        As in `profile_intervals`.

    Source
    ------
    As in `profile_intervals`.
    """
    table = profile_intervals(fit, level=2.0 * level - 1.0, coefficients=False).table
    own = table[(table["quantity"] == "sd") & (table["level"] != "residual")]
    return (
        own[["level", "term", "estimate", "high"]]
        .rename(columns={"high": "upper"})
        .reset_index(drop=True)
    )


Row = tuple[str, str, str, str, float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Profiler:
    """The fit under the profiled criterion, in the caller's units."""

    state: FittedState
    restricted: bool
    target: float
    best: float
    matrix: FloatArray  # (q, q), caller's units over y_unit
    nested: FloatArray
    residual: FloatArray
    beta: FloatArray
    beta_se: FloatArray

    @classmethod
    def of(cls, state: FittedState, *, restricted: bool, level: float) -> _Profiler:
        products, shape = state.products, state.shape
        variances = state.variances
        if restricted != state.restricted:
            task = plain_task(products, shape, restricted=restricted)
            found = minimise(task)
            variances = found.variances
            if task.profiled:
                scale = found.criterion.scale[:, None]
                variances = np.concatenate([variances * scale, scale], axis=1)
        point = fit_point(products, shape, variances, restricted=restricted)
        matrix, nested, residual = shape.split(variances)
        q = shape.varying
        back = np.linalg.inv(products.frame.turn_varying) if q else np.zeros((0, 0))
        frame = products.frame
        turn_back = np.linalg.inv(frame.turn)
        unit = float(frame.y_unit[0])
        phi = turn_back @ point.criterion.unscaled[0] @ turn_back.T
        return cls(
            state=state,
            restricted=restricted,
            target=float(stats.chi2.ppf(level, 1)),
            best=float(point.criterion.value[0]),
            matrix=back @ matrix[0, :q, :q] @ back.T,
            nested=np.concatenate([matrix[0, -1:, -1], nested[0]]) if shape.crossed else nested[0],
            residual=residual[0, : shape.residuals],
            beta=unit * turn_back @ point.criterion.beta[0] + frame.origin[0],
            beta_se=unit * np.sqrt(np.diag(phi)),
        )

    @property
    def unit(self) -> float:
        return float(self.state.products.frame.y_unit[0])

    def spreads(self) -> list[Row]:
        """Intervals of standard deviations and correlations."""
        shape, names = self.state.shape, self.state.varying_names
        rows: list[Row] = []
        for k, name in enumerate(names):
            sd = float(np.sqrt(self.matrix[k, k]))
            low, high = self._scan_sd(sd, partial(self._hold_sd, k))
            rows.append(("sd", "study", name, "", self.unit * sd, low, high))
        if shape.correlated:
            for j in range(len(names)):
                for i in range(j + 1, len(names)):
                    rows.append(self._correlation(j, i))
        labels = ([self.state.products.crossed_name] if shape.crossed else []) + list(shape.levels)
        for k in range(len(labels) - 1, -1, -1):
            sd = float(np.sqrt(self.nested[k]))
            low, high = self._scan_sd(sd, partial(self._hold_single, k))
            rows.append(("sd", labels[k], "intercept", "", self.unit * sd, low, high))
        if self.residual.size:
            sd = float(np.sqrt(self.residual[0]))
            at = len(labels)
            vanishes = self.state.products.has_added
            low, high = self._scan_sd(sd, partial(self._hold_single, at), may_vanish=vanishes)
            rows.append(("sd", "residual", "", "", self.unit * sd, low, high))
        return rows

    def _correlation(self, j: int, i: int) -> Row:
        names = self.state.varying_names
        both = np.sqrt(self.matrix[i, i] * self.matrix[j, j])
        if both <= 0.0:
            return ("correlation", "study", names[j], names[i], np.nan, -1.0, 1.0)
        r = float(np.clip(self.matrix[i, j] / both, -1.0, 1.0))

        def rise(values: FloatArray) -> FloatArray:
            return self._hold_correlation(j, i, np.tanh(values))

        # On the scale of Fisher's transformation the ends are never out of reach.
        z = float(np.arctanh(np.clip(r, -1 + 1e-9, 1 - 1e-9)))
        low = np.tanh(self._walk(rise, z, -0.2, floor=-15.0))
        high = np.tanh(self._walk(rise, z, 0.2, floor=15.0))
        low = -1.0 if low < -1 + 1e-10 else low
        high = 1.0 if high > 1 - 1e-10 else high
        return ("correlation", "study", names[j], names[i], r, float(low), float(high))

    def _scan_sd(
        self, sd: float, rise: Callable[[FloatArray], FloatArray], *, may_vanish: bool = True
    ) -> tuple[float, float]:
        scale = float(np.sqrt(self.residual[0])) if self.residual.size else 1.0
        step = 0.2 * sd if sd > 1e-3 * scale else 0.05 * scale
        low = 0.0
        if sd > 0.0:
            at_zero = float(rise(np.zeros(1))[0]) if may_vanish else np.inf
            low = 0.0 if at_zero <= self.target else self._walk(rise, sd, -step, floor=0.0)
        high = self._walk(rise, sd, step, floor=np.inf)
        return self.unit * low, self.unit * high

    def _walk(
        self, rise: Callable[[FloatArray], FloatArray], start: float, step: float, *, floor: float
    ) -> float:
        """Walk from the estimate until the criterion has risen enough, then close in."""
        inside, outside, at_inside, at_outside = start, start, 0.0, 0.0
        for _ in range(MOST_WIDENINGS):
            outside = inside + step
            if (step < 0 and outside <= floor) or (step > 0 and outside >= floor):
                outside = 0.5 * (inside + floor)
            at_outside = float(rise(np.array([outside]))[0])
            if at_outside > self.target:
                break
            if abs(outside) > 0 and abs(outside - floor) < 1e-12 * (1 + abs(floor)):
                return floor
            inside, at_inside, step = outside, at_outside, 1.6 * step
        else:
            return float(floor)
        return self._close_in(rise, inside, outside, at_inside, at_outside)

    def _close_in(
        self,
        rise: Callable[[FloatArray], FloatArray],
        inside: float,
        outside: float,
        at_inside: float,
        at_outside: float,
    ) -> float:
        """Regula falsi on the root of the rise, which is nearly a straight line."""
        goal = np.sqrt(self.target)
        a, fa = inside, np.sqrt(max(at_inside, 0.0)) - goal
        b, fb = outside, np.sqrt(at_outside) - goal
        for _ in range(MOST_REFINEMENTS):
            c = b - fb * (b - a) / (fb - fa)
            fc = np.sqrt(max(float(rise(np.array([c]))[0]), 0.0)) - goal
            if abs(fc) < RISE_TOLERANCE or abs(b - a) < 1e-13 * (abs(a) + abs(b)):
                return float(c)
            if fc * fb < 0:
                a, fa = b, fb
            else:
                fa *= 0.5  # keeps the far end from standing still
            b, fb = c, fc
        return float(b)

    # Holding a quantity: a map of the other parameters, in the caller's units.

    def _hold_sd(self, k: int, values: FloatArray) -> FloatArray:
        q = self.state.shape.varying
        order = [k, *(i for i in range(q) if i != k)]
        if not self.state.shape.correlated:
            order = list(range(q))
        start = self._factor(order)
        m = values.size
        spot = order.index(k)
        fixed = np.zeros((m, q, q))
        fixed[:, spot, spot] = values
        free = [
            (i, j)
            for j in range(q)
            for i in range(j, q)
            if (i, j) != (spot, spot) and (self.state.shape.correlated or i == j)
        ]
        moving = np.zeros((m, q, q, len(free)))
        for h, (i, j) in enumerate(free):
            moving[:, i, j, h] = 1.0
        begin = np.tile([start[i, j] for i, j in free], (m, 1)).reshape(m, len(free))
        return self._rise(order, fixed, moving, begin, {})

    def _hold_correlation(self, j: int, i: int, values: FloatArray) -> FloatArray:
        q, m = self.state.shape.varying, values.size
        order = [j, i, *(k for k in range(q) if k not in (i, j))]
        start = self._factor(order)
        sds = [np.sqrt(self.matrix[j, j]), np.sqrt(self.matrix[i, i])]
        free = [(a, b) for b in range(q) for a in range(max(b, 2), q)]
        moving = np.zeros((m, q, q, 2 + len(free)))
        moving[:, 0, 0, 0] = 1.0
        moving[:, 1, 0, 1] = values
        moving[:, 1, 1, 1] = np.sqrt(np.maximum(1.0 - values**2, 0.0))
        for h, (a, b) in enumerate(free):
            moving[:, a, b, 2 + h] = 1.0
        begin = np.tile([*sds, *(start[a, b] for a, b in free)], (m, 1))
        return self._rise(order, np.zeros((m, q, q)), moving, begin, {})

    def _hold_single(self, at: int, values: FloatArray) -> FloatArray:
        q, m = self.state.shape.varying, values.size
        order = list(range(q))
        start = self._factor(order)
        pairs = self.state.shape.pairs
        moving = np.zeros((m, q, q, len(pairs)))
        for h, (i, j) in enumerate(pairs):
            moving[:, i, j, h] = 1.0
        begin = np.tile([start[i, j] for i, j in pairs], (m, 1)).reshape(m, len(pairs))
        return self._rise(order, np.zeros((m, q, q)), moving, begin, {at: values})

    def _factor(self, order: list[int]) -> FloatArray:
        matrix = self.matrix[np.ix_(order, order)]
        if not self.state.shape.correlated:
            return np.diag(np.sqrt(np.diag(matrix)))
        return semidefinite_factor(matrix)

    def _rise(
        self,
        order: list[int],
        fixed: FloatArray,
        moving: FloatArray,
        begin: FloatArray,
        held: dict[int, FloatArray],
    ) -> FloatArray:
        """Search the other parameters and give the rise of the criterion."""
        shape = self.state.shape
        m, in_matrix = begin.shape
        singles = np.concatenate([self.nested, self.residual])
        free = [k for k in range(singles.size) if k not in held]
        total = in_matrix + len(free)
        wide = np.zeros((*moving.shape[:3], total))
        wide[..., :in_matrix] = moving
        own = factor_map(fixed, wide, replace(shape, crossed=0))
        K = len(shape.pairs) + singles.size
        constant, slope = np.zeros((m, K)), np.zeros((m, K, total))
        bend = np.zeros((m, K, total, total))
        turn = self._to_engine(order)
        constant[:, : len(shape.pairs)] = own.constant @ turn.T
        slope[:, : len(shape.pairs)] = turn @ own.slope
        flat = own.bend.reshape(m, len(shape.pairs), total * total)
        bend[:, : len(shape.pairs)] = (turn @ flat).reshape(m, -1, total, total)
        for k in range(singles.size):
            if k in held:
                constant[:, len(shape.pairs) + k] = held[k] ** 2
            else:
                h = in_matrix + free.index(k)
                bend[:, len(shape.pairs) + k, h, h] = 2.0
                if k >= self.nested.size:
                    constant[:, len(shape.pairs) + k] = residual_floor(self.state.products) ** 2
        start = np.column_stack([begin, np.tile(np.sqrt(singles[free]), (m, 1))])
        task = Task(
            products=_repeat(self.state.products, m),
            shape=shape,
            mapping=VarianceMap(constant=constant, slope=slope, bend=bend),
            restricted=self.restricted,
            profiled=False,
        )
        # A second start leaves parts at zero, where the first would stand still.
        lifted = np.where(start == 0.0, 0.1 * (np.abs(start).max() + 0.1), start)
        starts = [start] if np.array_equal(lifted, start) else [start, lifted]
        found = minimise(task, starts)
        return found.criterion.value - self.best

    def _to_engine(self, order: list[int]) -> FloatArray:
        """Matrix from elements of the caller's covariance (reordered) to the engine's."""
        pairs = self.state.shape.pairs
        turn = self.state.products.frame.turn_varying[:, order]
        out = np.zeros((len(pairs), len(pairs)))
        for b, (i, j) in enumerate(pairs):
            e = np.zeros((turn.shape[1], turn.shape[1]))
            e[i, j] = e[j, i] = 1.0
            moved = turn @ e @ turn.T
            out[:, b] = [moved[r, c] for r, c in pairs]
        return out

    def coefficients(self) -> list[Row]:
        """Intervals of the fixed coefficients, by the full likelihood."""
        rows: list[Row] = []
        for j, name in enumerate(self.state.names):

            def rise(values: FloatArray, j: int = j) -> FloatArray:
                products = hold_coefficient(self.state.products, j, values)
                task = plain_task(products, self.state.shape, restricted=False)
                return minimise(task).criterion.value - self.best

            at, step = float(self.beta[j]), 0.7 * float(self.beta_se[j])
            low = self._walk(rise, at, -step, floor=-np.inf)
            high = self._walk(rise, at, step, floor=np.inf)
            rows.append(("coefficient", "", name, "", at, low, high))
        return rows


def _repeat(products: Products, m: int) -> Products:
    return products if products.sets == m else products.pick(np.zeros(m, dtype=np.int64))


def hold_coefficient(products: Products, j: int, values: FloatArray) -> Products:
    """Products with one fixed coefficient held: its column moves into the outcome.

    Parameters
    ----------
    products : Products
        One data set.
    j : int
        Column of X.
    values : array, shape (m,)
        The coefficient, in the caller's units.

    Returns
    -------
    Products
        m data sets with p - 1 fixed columns.
    """
    frame, p, q = products.frame, products.fixed, products.varying
    m = values.size
    many = _repeat(products, m)
    gamma = (values - frame.origin[0, j]) / frame.y_unit[0]
    others = np.delete(frame.turn, j, axis=1)
    basis = np.linalg.qr(others)[0] if p > 1 else np.zeros((p, 0))
    change = np.zeros((m, p + 1, p))
    change[:, :p, : p - 1] = basis
    change[:, :p, p - 1] = -gamma[:, None] * frame.turn[:, j]
    change[:, p, p - 1] = 1.0
    r = q + p + 1
    whole = np.zeros((m, r, q + p))
    whole[:, range(q), range(q)] = 1.0
    whole[:, q:, q:] = change
    turned = np.swapaxes(whole, 1, 2)[:, None]
    within_known = many.within_known
    if within_known is not None:
        within_known = turned @ within_known @ whole[:, None]
    return replace(
        many,
        fixed=p - 1,
        own=many.own @ change[:, None],
        within=turned @ many.within @ whole[:, None],
        within_known=within_known,
        means=many.means @ whole,
        frame=replace(many.frame, turn=np.eye(p - 1), origin=np.zeros((m, p - 1)), log_turn=0.0),
        twins=(None,) * (p - 1),
    )
