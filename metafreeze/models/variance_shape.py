"""Which variances a model has, and how free parameters make them.

The variances w of a model are, in this order: the elements of the covariance matrix of
the varying coefficients (lower triangle, or only its diagonal where correlations are
left out), the variance of a crossed factor's levels if there is one, the variances of
nested intercepts from the innermost outwards, the residual variance (one, one per study,
or none where all are known). V is linear in w.

The optimiser works on h, in which w is quadratic: a factor L of the covariance matrix
(``L L'``) and standard deviations elsewhere. Zero is then an ordinary point and the
boundary is reached exactly.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np

from metafreeze.models.products import Products
from metafreeze.results import FloatArray, IntArray, frozen_array

ResidualShape = Literal["common", "per-study", "none"]


@lru_cache(maxsize=256)
def _pairs(varying: int, correlated: bool) -> tuple[tuple[int, int], ...]:
    if correlated:
        return tuple((i, j) for j in range(varying) for i in range(j, varying))
    return tuple((i, i) for i in range(varying))


@lru_cache(maxsize=256)
def _directions(varying: int, correlated: bool, crossed: int) -> FloatArray:
    q = varying + crossed
    out = []
    for i, j in _pairs(varying, correlated):
        e = np.zeros((q, q))
        e[i, j] = e[j, i] = 1.0
        out.append(e)
    if crossed:
        e = np.zeros((q, q))
        e[range(varying, q), range(varying, q)] = 1.0
        out.append(e)
    return frozen_array(np.array(out).reshape(len(out), q, q))


@dataclass(frozen=True, slots=True, kw_only=True)
class VarianceShape:
    """The variances of a model.

    Parameters
    ----------
    varying : int
        Varying coefficients q0 that belong to the caller's columns.
    correlated : bool
    crossed : int
        Levels of a crossed factor, as further columns.
    levels : tuple of str
        Nested intercepts, innermost first.
    residual : {"common", "per-study", "none"}
    studies : int
    """

    varying: int
    correlated: bool
    crossed: int
    levels: tuple[str, ...]
    residual: ResidualShape
    studies: int

    @property
    def pairs(self) -> tuple[tuple[int, int], ...]:
        """Row and column of each free element of the covariance matrix."""
        return _pairs(self.varying, self.correlated)

    @property
    def directions(self) -> FloatArray:
        """Derivative of the covariance matrix in each of its variances, (K, q, q)."""
        return _directions(self.varying, self.correlated, self.crossed)

    @property
    def in_matrix(self) -> int:
        """Number of variances that sit in the covariance matrix."""
        return len(self.pairs) + (1 if self.crossed else 0)

    @property
    def residuals(self) -> int:
        """Number of residual variances."""
        return {"common": 1, "per-study": self.studies, "none": 0}[self.residual]

    @property
    def size(self) -> int:
        """Number of variances w, residual ones included."""
        return self.in_matrix + len(self.levels) + self.residuals

    def split(self, w: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Turn variances (m, size) into matrix (m, q, q), nested (m, levels), residual.

        Residual ones may be missing from `w` (profiled); they are then one.
        """
        m = w.shape[0]
        directions = self.directions
        k, depth = self.in_matrix, len(self.levels)
        q = self.varying + self.crossed
        matrix = (w[:, :k] @ directions.reshape(k, q * q)).reshape(m, q, q)
        nested = w[:, k : k + depth]
        residual = w[:, k + depth :]
        if residual.shape[1] == 0:
            residual = np.ones((m, 1))
        return matrix, nested, residual


def shape_of(products: Products, residual: Literal["common", "per-study"]) -> VarianceShape:
    """Say which variances a model on these products has."""
    kind: ResidualShape = residual if products.estimated_rows else "none"
    return VarianceShape(
        varying=products.varying - products.crossed,
        correlated=products.correlated,
        crossed=products.crossed,
        levels=tuple(level.name for level in products.levels),
        residual=kind,
        studies=products.studies,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class VarianceMap:
    """Variances w as quadratic functions of free parameters h.

    ``w_k = constant_k + slope_k h + h' bend_k h / 2``; one map for all data sets, or one each.

    Parameters
    ----------
    constant : array, shape (m or 1, K)
    slope : array, shape (m or 1, K, H)
    bend : array, shape (m or 1, K, H, H)
    """

    constant: FloatArray
    slope: FloatArray
    bend: FloatArray

    @property
    def free(self) -> int:
        """Number of free parameters."""
        return int(self.bend.shape[-1])

    def at(self, h: FloatArray) -> FloatArray:
        """Variances at free parameters (m, H)."""
        half = 0.5 * (self.bend @ h[:, None, :, None])[..., 0]
        return np.asarray(self.constant + ((self.slope + half) @ h[:, :, None])[..., 0])

    def jacobian(self, h: FloatArray) -> FloatArray:
        """Give the derivative of w in h, (m, K, H)."""
        return np.asarray(self.slope + (self.bend @ h[:, None, :, None])[..., 0])

    def pick(self, sets: IntArray) -> VarianceMap:
        """Keep the maps of some data sets."""
        if self.bend.shape[0] == 1:
            return self
        return VarianceMap(
            constant=self.constant[sets], slope=self.slope[sets], bend=self.bend[sets]
        )


def factor_map(fixed: FloatArray, moving: FloatArray, shape: VarianceShape) -> VarianceMap:
    """Elements of ``L L'`` with ``L = fixed + moving h``.

    Parameters
    ----------
    fixed : array, shape (m, q, q)
    moving : array, shape (m, q, q, H)
    shape : VarianceShape

    Returns
    -------
    VarianceMap
        With K the number of `shape.pairs`.
    """
    constant, slope, bend = [], [], []
    for i, j in shape.pairs:
        a, b = fixed[:, i], fixed[:, j]
        A, B = moving[:, i], moving[:, j]
        constant.append(np.einsum("mc,mc->m", a, b))
        slope.append(np.einsum("mc,mch->mh", a, B) + np.einsum("mc,mch->mh", b, A))
        cross = np.einsum("mch,mcg->mhg", A, B)
        bend.append(cross + np.swapaxes(cross, 1, 2))
    m, H = fixed.shape[0], moving.shape[-1]
    K = len(constant)
    return VarianceMap(
        constant=np.stack(constant, axis=1) if K else np.zeros((m, 0)),
        slope=np.stack(slope, axis=1) if K else np.zeros((m, 0, H)),
        bend=np.stack(bend, axis=1) if K else np.zeros((m, 0, H, H)),
    )


def free_map(shape: VarianceShape, *, with_residual: bool, floor: float = 0.0) -> VarianceMap:
    """Free parameters without constraints: factor entries and standard deviations.

    Residual variances never fall below the square of `floor`.
    """
    q, pairs = shape.varying, shape.pairs
    total = shape.in_matrix + len(shape.levels) + (shape.residuals if with_residual else 0)
    moving = np.zeros((1, q, q, total))
    for k, (i, j) in enumerate(pairs):
        moving[0, i, j, k] = 1.0
    matrix = factor_map(np.zeros((1, q, q)), moving, shape)
    bend = np.zeros((1, total, total, total))
    bend[:, : len(pairs)] = matrix.bend
    for k in range(len(pairs), total):
        bend[0, k, k, k] = 2.0
    constant = np.zeros((1, total))
    if with_residual and shape.residuals:
        constant[0, total - shape.residuals :] = floor**2
    return VarianceMap(constant=constant, slope=np.zeros((1, total, total)), bend=bend)
