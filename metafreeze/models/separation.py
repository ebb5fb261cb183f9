"""Whether censored times have a finite best fit at all, decided from the data.

In the coordinates alpha = beta / sigma, gamma = 1 / sigma the log likelihood is concave, and
it has no finite maximum exactly when a direction (d_alpha, d_gamma), d_gamma >= 0, exists
along which no row's contribution falls and some row's rises for ever:

    seen exactly   x'd_alpha  = y d_gamma
    never seen     x'd_alpha >= lower d_gamma
    before a look  x'd_alpha <= upper d_gamma
    window         both of the last two

A linear programme finds such directions or shows that there is none.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from scipy import optimize, sparse

from metafreeze.models import censored_likelihood as rows_of
from metafreeze.results import BoolArray, FloatArray, IntArray

# The solver meets constraints to 1e-7; in standardised units a real direction moves rows by
# about one.
VISIBLE = 1e-4


class Escape(NamedTuple):
    """Directions in which the likelihood keeps rising.

    Attributes
    ----------
    spread : bool
        The spread can shrink to nothing: the windows overlap or the fit is perfect.
    rows : array of bool, shape (n,)
        Rows that end up certain along the direction.
    rising, falling : array of bool, shape (p,)
        Whether the function of the coefficients can run off upwards, downwards.
    """

    spread: bool
    rows: BoolArray
    rising: BoolArray
    falling: BoolArray

    @property
    def any(self) -> bool:
        """Whether there is any such direction."""
        return self.spread or bool(self.rows.any())


def find_escape(
    x: FloatArray,
    lower: FloatArray,
    upper: FloatArray,
    kind: IntArray,
    functions: FloatArray,
    *,
    spread_is_free: bool,
) -> Escape:
    """Find the directions in which the fixed part has no finite best fit.

    Parameters
    ----------
    x : array, shape (n, P)
        Columns of full rank, about one in size.
    lower, upper : array, shape (n,)
        Bounds on the standardised log scale.
    kind : array of int, shape (n,)
        From `classify_rows`; no EMPTY rows.
    functions : array, shape (p, P)
        Linear functions of the coefficients whose fate is asked.
    spread_is_free : bool
        Whether sigma is estimated.

    Returns
    -------
    Escape

    Source
    ------
    Silvapulle et al. (1986), Journal of the Royal Statistical Society B 48, 100-106.
    """
    n, p = x.shape
    none = np.zeros(len(functions), dtype=bool)
    # Inequality rows as (coefficients of d_alpha, of d_gamma) >= 0; equalities as == 0.
    exact = kind == rows_of.EXACT
    below = np.isin(kind, (rows_of.RIGHT, rows_of.INTERVAL))
    above = np.isin(kind, (rows_of.LEFT, rows_of.INTERVAL))
    owner = np.concatenate([np.flatnonzero(below), np.flatnonzero(above)])
    at_least = np.vstack(
        [
            np.column_stack([x[below], -lower[below]]),
            np.column_stack([-x[above], upper[above]]),
        ]
    )
    equal = np.column_stack([x[exact], -np.where(exact, lower, 0.0)[exact]])
    # Only the row space of the equalities matters; their number does not.
    if len(equal):
        _, s, vt = np.linalg.svd(equal, full_matrices=False)
        equal = vt[s > 1e-9 * max(s[0], 1.0)]
    if spread_is_free:
        shrink = np.zeros(p + 1)
        shrink[-1] = 1.0
        box = [(None, None)] * p + [(0.0, 1.0)]
        if _largest(shrink, at_least, equal, box) > VISIBLE:
            return Escape(True, np.zeros(n, dtype=bool), none, none)
    # From here on d_gamma = 0, so windows are equalities.
    fixed = x[exact | (kind == rows_of.INTERVAL)]
    one_sided = kind[owner] != rows_of.INTERVAL
    owner, at_least = owner[one_sided], at_least[one_sided][:, :p]
    if len(fixed):
        _, s, vt = np.linalg.svd(fixed, full_matrices=False)
        fixed = vt[s > 1e-9 * max(s[0], 1.0)]
    if len(fixed) == p or not len(at_least):
        return Escape(False, np.zeros(n, dtype=bool), none, none)
    slack = _slacks(at_least, fixed)
    rows = np.zeros(n, dtype=bool)
    rows[owner[slack > VISIBLE]] = True
    if not rows.any():
        return Escape(False, rows, none, none)
    box = [(-1.0, 1.0)] * p
    rising = [_largest(f, at_least, fixed, box) > VISIBLE for f in functions]
    falling = [_largest(-f, at_least, fixed, box) > VISIBLE for f in functions]
    return Escape(False, rows, np.array(rising), np.array(falling))


def _largest(
    objective: FloatArray,
    at_least: FloatArray,
    equal: FloatArray,
    box: Sequence[tuple[float | None, float | None]],
) -> float:
    """Maximise objective'd over the cone cut to a box; zero is always feasible."""
    size = float(np.abs(objective).max(initial=0.0))
    if size == 0.0:
        return 0.0
    answer = optimize.linprog(
        -objective / size,
        A_ub=-at_least if len(at_least) else None,
        b_ub=np.zeros(len(at_least)) if len(at_least) else None,
        A_eq=equal if len(equal) else None,
        b_eq=np.zeros(len(equal)) if len(equal) else None,
        bounds=box,
        method="highs",
    )
    return float(-answer.fun) if answer.status == 0 else np.inf


def _slacks(at_least: FloatArray, equal: FloatArray) -> FloatArray:
    """Give the slack, at most 1, of each inequality along the direction that frees the most."""
    m, p = at_least.shape
    upper = sparse.hstack([sparse.csr_array(-at_least), sparse.eye_array(m)]).tocsr()
    fixed = (
        sparse.hstack([sparse.csr_array(equal), sparse.csr_array((len(equal), m))]).tocsr()
        if len(equal)
        else None
    )
    answer = optimize.linprog(
        np.concatenate([np.zeros(p), -np.ones(m)]),
        A_ub=upper,
        b_ub=np.zeros(m),
        A_eq=fixed,
        b_eq=np.zeros(len(equal)) if len(equal) else None,
        bounds=[(None, None)] * p + [(0.0, 1.0)] * m,
        method="highs",
    )
    return np.asarray(answer.x[p:]) if answer.status == 0 else np.zeros(m)
