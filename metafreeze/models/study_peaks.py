"""Where each study's integrand peaks, and how wide it is there."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from metafreeze.models import censored_likelihood as rows_of
from metafreeze.models.censored_likelihood import Contributions
from metafreeze.models.grouped_rows import Design, Times
from metafreeze.results import FloatArray, IntArray

MODE_STEPS = 60
# Squared Newton step, in posterior standard deviations, at which a study's mode is taken.
MODE_TOLERANCE = 1e-7


class Modes(NamedTuple):
    """Where each study's integrand peaks: z (S, R, q) and v (J, R)."""

    z: FloatArray
    v: FloatArray


class _Spread(NamedTuple):
    """Standard deviation of each row and the share that sigma has in its variance."""

    s: FloatArray
    r: FloatArray


def no_modes(design: Design, replicates: int) -> Modes:
    """Give the start of the mode search: every random part at zero."""
    _, studies, batches, _, q = design.sizes
    return Modes(np.zeros((studies, replicates, q)), np.zeros((batches, replicates)))


class RowTerms:
    """Contributions of all rows at any number of nodes, kinds sorted once."""

    def __init__(self, design: Design, times: Times, sigma: FloatArray) -> None:
        self._family = design.family
        self._shape = (design.sizes[0], len(sigma))
        shared = times.kind.shape[1] == 1
        kind = times.kind if shared else times.kind.reshape(-1, 1)
        # One shared data set: a place is a row, replicates stay an axis. Else both are joined.
        self._shared = shared
        self._places = [np.flatnonzero(kind[:, 0] == k) for k in range(4)]
        # The Weibull window function takes an open lower end.
        if self._family == "weibull":
            both = np.sort(
                np.concatenate([self._places[rows_of.INTERVAL], self._places[rows_of.LEFT]])
            )
            self._places[rows_of.INTERVAL], self._places[rows_of.LEFT] = both, both[:0]
        self._lower = times.lower if shared else times.lower.reshape(-1, 1)
        self._upper = times.upper if shared else times.upper.reshape(-1, 1)
        self.spread = _spreads(design, sigma)
        self._plain = design.plain_spread
        over = design.times_over
        self._over = None if np.all(over == 1.0) else over[:, None, None]

    def __call__(self, eta: FloatArray) -> Contributions:
        """Contributions at locations (n, R, K), by sigma's logarithm through the chain rule."""
        n, replicates = self._shape
        points = eta.shape[2]
        flat = eta.reshape(n, replicates * points) if self._shared else eta.reshape(-1, points)
        s = np.broadcast_to(self.spread.s[:, :, None], eta.shape).reshape(flat.shape)
        filled = [(k, rows) for k, rows in enumerate(self._places) if len(rows)]
        if len(filled) == 1 and len(filled[0][1]) == len(flat):
            out = np.stack(np.broadcast_arrays(*self._terms(filled[0][0], slice(None), flat, s)))
        else:
            out = np.zeros((6, *flat.shape))
            for k, rows in filled:
                for target, part in zip(
                    out, self._terms(k, rows, flat[rows], s[rows]), strict=True
                ):
                    target[rows] = part
        terms = out.reshape(6, n, replicates, points)
        if not self._plain:
            r = self.spread.r[:, :, None]
            terms[4] = r * r * terms[4] + 2.0 * r * (1.0 - r) * terms[3]
            terms[3] *= r
            terms[5] *= r
        if self._over is not None:
            terms *= self._over
        return Contributions(*terms)

    def _terms(
        self, kind: int, rows: IntArray | slice, eta: FloatArray, s: FloatArray
    ) -> Contributions:
        low, high = self._lower[rows], self._upper[rows]
        if self._family == "log-normal":
            if kind == rows_of.EXACT:
                return rows_of.normal_exact(low, eta, s)
            if kind == rows_of.RIGHT:
                return rows_of.normal_one_sided(low, eta, s, np.ones(1))
            if kind == rows_of.LEFT:
                return rows_of.normal_one_sided(high, eta, s, -np.ones(1))
            return rows_of.normal_interval(low, high, eta, s)
        if kind == rows_of.EXACT:
            return rows_of.weibull_exact(low, eta, s)
        if kind == rows_of.RIGHT:
            return rows_of.weibull_later(low, eta, s)
        return rows_of.weibull_interval(low, high, eta, s)


def _spreads(design: Design, sigma: FloatArray) -> _Spread:
    n = design.sizes[0]
    if design.plain_spread:
        s = np.broadcast_to(sigma, (n, len(sigma)))
        return _Spread(s, np.ones((1, 1)))
    part = design.share[:, None] * sigma**2
    total = part + design.added[:, None]
    return _Spread(np.sqrt(total), part / total)


class Peak(NamedTuple):
    """Modes and the Gaussian shape about them, for one block."""

    z: FloatArray  # (S, R, q)
    v: FloatArray  # (J, R)
    root: FloatArray  # (S, R, q, q): z = mode + root x
    pull: FloatArray  # (J, R, q): v moves by -pull (z - mode)
    width: FloatArray  # (J, R): standard deviation of v given z


def find_peak(
    design: Design,
    terms: RowTerms,
    base: FloatArray,
    factor: FloatArray,
    omega: FloatArray,
    start: Modes,
) -> Peak:
    """Find the joint mode of each study's random parts and the Gaussian shape about it.

    Newton steps with the batches of a study eliminated first; the integrand is log-concave, so
    a step that overshoots is only ever halved.

    Parameters
    ----------
    design : Design
        Rows.
    terms : RowTerms
        Contributions at the parameters in question.
    base : array, shape (n, R)
        Fixed part of the location.
    factor : array, shape (R, q, q)
        Lambda.
    omega : array, shape (R,)
        Standard deviation of batches.
    start : Modes
        Where to begin.

    Returns
    -------
    Peak
    """
    q = design.sizes[4]
    z, v = start.z, start.v
    first, second = design.mode_sums
    products = design.mode_products
    old_z, old_v = z, v
    old_height: FloatArray | None = None
    step_z, step_v = np.zeros_like(z), np.zeros_like(v)
    eye = np.eye(q)
    for _ in range(MODE_STEPS):
        eta = base + random_part(design, z[:, :, None], v[:, :, None, None], factor, omega)[..., 0]
        here = terms(eta[:, :, None])
        height = design.study_sums(design.plain_sums(here.value[..., 0])[0])[0]
        height = height - 0.5 * (z * z).sum(axis=2)
        if design.has_batch:
            height = height - 0.5 * design.study_sums(v * v)[0]
        if old_height is not None:
            # A step that lowers a study's integrand is halved until it does not; the slack
            # is rounding of a sum.
            worse = ~(height >= old_height - 1e-9 * (1.0 + np.abs(old_height)))
            if worse.any():
                rows = worse[design.study_of_batch]
                step_z = np.where(worse[..., None], 0.5 * step_z, step_z)
                step_v = np.where(rows, 0.5 * step_v, step_v)
                z = np.where(worse[..., None], old_z + step_z, z)
                v = np.where(rows, old_v + step_v, v)
                if np.max(np.abs(np.where(worse[..., None], step_z, 0.0)), initial=0.0) > 1e-12:
                    continue
        slope = first(here.by_eta[..., 0])
        bend = second(-here.by_eta2[..., 0])
        matrix = np.empty((*z.shape, q))
        pull = np.zeros((*v.shape, q))
        inner = np.ones(v.shape)
        for i, (a, b) in enumerate(products):
            if a < q:
                matrix[..., a, b] = matrix[..., b, a] = design.study_sums(bend[i])[0]
            elif b < q:
                pull[..., b] = bend[i]
            else:
                inner = 1.0 + omega**2 * bend[i]
        g_z = (
            np.moveaxis(np.stack([design.study_sums(slope[k])[0] for k in range(q)]), 0, -1)
            if q
            else np.zeros_like(z)
        )
        g_z = _times(factor, g_z) - z
        matrix = eye + np.swapaxes(factor, -1, -2) @ matrix @ factor
        g_v = np.zeros_like(v)
        if design.has_batch:
            g_v = omega * slope[q] - v
            cross = omega[:, None] * _times(factor, pull)
            pull = cross / inner[..., None]
            for a in range(q):
                g_z[..., a] -= design.study_sums(pull[..., a] * g_v)[0]
                for b in range(a + 1):
                    taken = design.study_sums(pull[..., a] * cross[..., b])[0]
                    matrix[..., a, b] -= taken
                    if a != b:
                        matrix[..., b, a] -= taken
        root = _inverse_root(matrix)
        inner_step = _times(root, g_z)
        step_z = (root @ inner_step[..., None])[..., 0]
        step_v = g_v / inner
        if design.has_batch:
            step_v = step_v - (pull * step_z[design.study_of_batch]).sum(axis=2)
        decrement = (inner_step**2).sum(axis=2)
        if design.has_batch:
            decrement = decrement + design.study_sums(g_v * g_v / inner)[0]
        old_z, old_v, old_height = z, v, height
        z, v = z + step_z, v + step_v
        if not np.any(decrement > MODE_TOLERANCE):
            break
    return Peak(z, v, root, pull, 1.0 / np.sqrt(inner))


def _times(factor: FloatArray, vector: FloatArray) -> FloatArray:
    """Give factor' vector for stacks (..., q, q) and (..., q)."""
    return (vector[..., None, :] @ factor)[..., 0, :]


def _inverse_root(matrix: FloatArray) -> FloatArray:
    """Give the root L^-T of an inverse, where matrix = L L', for a stack of small matrices.

    Written out, since a library routine stops the whole stack at one hopeless member; such a
    member gives NaN and its trial is refused.
    """
    q = matrix.shape[-1]
    if q == 1:
        return 1.0 / np.sqrt(matrix)
    low = np.zeros_like(matrix)
    root = np.zeros_like(matrix)
    for j in range(q):
        rest = matrix[..., j, j] - (low[..., j, :j] ** 2).sum(axis=-1)
        low[..., j, j] = np.sqrt(rest)
        for i in range(j + 1, q):
            cross = (low[..., i, :j] * low[..., j, :j]).sum(axis=-1)
            low[..., i, j] = (matrix[..., i, j] - cross) / low[..., j, j]
        # Row j of L^-1 by forward substitution, written into column j of its transpose.
        root[..., j, j] = 1.0 / low[..., j, j]
        for i in range(j):
            known = (low[..., j, i:j] * root[..., i, i:j]).sum(axis=-1)
            root[..., i, j] = -known / low[..., j, j]
    return root


def random_part(
    design: Design, z: FloatArray, v: FloatArray, factor: FloatArray, omega: FloatArray
) -> FloatArray:
    """Give the random part of eta (n, R, Ks * Kb) from z (S, R, Ks, q) and v (J, R, Ks, Kb)."""
    n, _, _, _, q = design.sizes
    replicates, outer, inner = v.shape[1:]
    if not q and not design.has_batch:
        return np.zeros((n, replicates, 1))
    total = np.zeros((n, replicates, outer, 1))
    if q:
        effect = z @ np.swapaxes(factor, -1, -2)
        for k in range(q):
            total[..., 0] += design.z[:, k, None, None] * effect[..., k][design.study_of_row]
    if design.has_batch:
        shift = (omega[:, None, None] * v)[design.batch_of_row]
        total = total + design.member[:, None, None, None] * shift
    return total.reshape(n, replicates, outer * inner)
