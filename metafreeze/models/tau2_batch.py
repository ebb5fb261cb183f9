"""tau² for one set of effects under many designs at once (permuted moderators)."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np

from metafreeze.models.tau2 import GRID_START
from metafreeze.results import BoolArray, FloatArray

GRID_POINTS_PER_DECADE = 6
# Halvings of a bracket until it is at rounding: 2^-60 of its width.
HALVINGS = 60
LAST_STEP = 1e-10


def _sums(
    y: FloatArray, v: FloatArray, x: FloatArray, t: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Give y'Py, y'PPy, tr P and tr W for designs x (b, k, p) at t (b,)."""
    w = 1.0 / (v + t[:, np.newaxis])
    root = np.sqrt(w)
    basis, _ = np.linalg.qr(root[:, :, np.newaxis] * x)
    z = root * y
    inside = np.einsum("bkp,bk->bp", basis, z)
    e = z - np.einsum("bkp,bp->bk", basis, inside)
    leverage = np.einsum("bkp,bkp->bk", basis, basis)
    return (
        np.einsum("bk,bk->b", e, e),
        np.einsum("bk,bk,bk->b", w, e, e),
        np.einsum("bk,bk->b", w, 1.0 - leverage),
        w.sum(axis=1),
    )


def _criterion(y: FloatArray, v: FloatArray, x: FloatArray, t: FloatArray, kind: str) -> FloatArray:
    """Give -2 log likelihood up to a constant."""
    total = v + t[:, np.newaxis]
    root = 1.0 / np.sqrt(total)
    basis, upper = np.linalg.qr(root[:, :, np.newaxis] * x)
    z = root * y
    e = z - np.einsum("bkp,bp->bk", basis, np.einsum("bkp,bk->bp", basis, z))
    value: FloatArray = np.log(total).sum(axis=1) + np.einsum("bk,bk->b", e, e)
    if kind == "restricted-likelihood":
        diagonal = np.abs(np.einsum("bpp->bp", upper))
        value = value + 2.0 * np.log(diagonal).sum(axis=1)
    return value


def batch_tau2(y: FloatArray, v: FloatArray, x: FloatArray, *, spread: str) -> FloatArray:
    """Estimate tau² for every design.

    Parameters
    ----------
    y, v : array, shape (k,)
        Effects and sampling variances, on a scale where variances are near one.
    x : array, shape (b, k, p)
        Designs of full column rank.
    spread : str
        One of `metafreeze.options.Spread`.

    Returns
    -------
    array, shape (b,)

    Source
    ------
    As metafreeze.models.tau2, which it must equal design by design.
    """
    b, k, p = x.shape
    free, zero = k - p, np.zeros(b)
    if spread == "none":
        return zero
    basis, _ = np.linalg.qr(x)
    e = y - np.einsum("bkp,bp->bk", basis, np.einsum("bkp,k->bp", basis, y))
    rss = np.einsum("bk,bk->b", e, e)
    if spread == "hedges":
        kept = 1.0 - np.einsum("bkp,bkp->bk", basis, basis)
        unweighted: FloatArray = np.maximum(0.0, (rss - kept @ v) / free)
        return unweighted
    if spread == "sidik-jonkman":
        start = rss / k
        q, _, _, _ = _sums(y, v, x, start)
        weighted: FloatArray = start * q / free
        return weighted
    if spread == "dersimonian-laird":
        q, _, trace, _ = _sums(y, v, x, zero)
        moments: FloatArray = np.maximum(0.0, (q - free) / trace)
        return moments
    if spread in ("paule-mandel", "empirical-bayes"):
        solved = _bisect(lambda t: _sums(y, v, x, t)[0] > free, zero, rss / free)
        return np.where(_sums(y, v, x, zero)[0] > free, solved, 0.0)
    return _likelihood(y, v, x, spread, rss, free)


def _bisect(
    above: Callable[[FloatArray], BoolArray], low: FloatArray, high: FloatArray
) -> FloatArray:
    """Halve brackets at whose left ends `above` holds and at whose right ends it does not."""
    low, high = low.copy(), high.copy()
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        up = above(middle)
        low, high = np.where(up, middle, low), np.where(up, high, middle)
        if np.all(high - low <= LAST_STEP * high):
            break
    return 0.5 * (low + high)


def _likelihood(
    y: FloatArray, v: FloatArray, x: FloatArray, spread: str, rss: FloatArray, free: int
) -> FloatArray:
    """Take the highest mode found on a grid that brackets all of them, then refine it."""
    b = rss.size
    top = np.maximum(v.max(), 2.0 * rss / free)
    start = GRID_START * v.min()
    points = 2 + int(np.ceil(GRID_POINTS_PER_DECADE * np.log10(top.max() / start)))
    growth = (top / start) ** (1.0 / (points - 1))
    restricted = spread == "restricted-likelihood"

    def rises(t: FloatArray, designs: FloatArray = x) -> BoolArray:
        _, pp, trace, trace_w = _sums(y, v, designs, t)
        climbing: BoolArray = pp > (trace if restricted else trace_w)
        return climbing

    grid = np.vstack([np.zeros(b), *(start * growth**j for j in range(points))])
    up = np.array([rises(t) for t in grid])
    best = np.where(up[0], np.nan, 0.0)
    height = np.where(up[0], np.inf, _criterion(y, v, x, np.zeros(b), spread))
    for j in range(points):
        falls = up[j] & ~up[j + 1]
        if not falls.any():
            continue
        at = np.flatnonzero(falls)
        sub = x[at]

        mode = _bisect(partial(rises, designs=sub), grid[j][at], grid[j + 1][at])
        value = _criterion(y, v, sub, mode, spread)
        better = value < height[at]
        best[at[better]], height[at[better]] = mode[better], value[better]
    return best


def weighted_batch(
    y: FloatArray, v: FloatArray, x: FloatArray, tau2: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Fit every design by weighted least squares.

    Parameters
    ----------
    y, v : array, shape (k,)
        Effects and sampling variances.
    x : array, shape (b, k, p)
        Designs.
    tau2 : array, shape (b,)
        Variance between studies for each.

    Returns
    -------
    beta : array, shape (b, p)
    covariance : array, shape (b, p, p)
        Inverse of X'WX.
    squares : array, shape (b,)
        Weighted residual sum of squares.
    """
    root = 1.0 / np.sqrt(v + tau2[:, np.newaxis])
    basis, upper = np.linalg.qr(root[:, :, np.newaxis] * x)
    z = root * y
    inside = np.einsum("bkp,bk->bp", basis, z)
    e = z - np.einsum("bkp,bp->bk", basis, inside)
    p = x.shape[2]
    inverse = np.linalg.solve(upper, np.broadcast_to(np.eye(p), upper.shape))
    beta = np.einsum("bpq,bq->bp", inverse, inside)
    return beta, inverse @ np.swapaxes(inverse, 1, 2), np.einsum("bk,bk->b", e, e)
