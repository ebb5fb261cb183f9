"""What a search for variances minimises, for many data sets at once."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from metafreeze.models.likelihood import Criterion, read_criterion, sum_studies
from metafreeze.models.products import Products
from metafreeze.models.variance_shape import VarianceMap, VarianceShape, free_map
from metafreeze.results import BoolArray, FloatArray, IntArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """What is minimised: products, variances, criterion, map."""

    products: Products
    shape: VarianceShape
    mapping: VarianceMap
    restricted: bool
    profiled: bool

    def evaluate(self, h: FloatArray, *, order: int, sets: IntArray | None = None) -> Criterion:
        """Criterion and derivatives in the variances at free parameters."""
        products = self.products if sets is None else self.products.pick(sets)
        mapping = self.mapping if sets is None else self.mapping.pick(sets)
        totals = sum_studies(
            products, self.shape, mapping.at(h), order=order, with_residual=not self.profiled
        )
        return read_criterion(totals, products, restricted=self.restricted, profiled=self.profiled)

    def derivatives(
        self, h: FloatArray, *, sets: IntArray | None = None
    ) -> tuple[Criterion, FloatArray, FloatArray]:
        """Criterion with gradient and Hessian in the free parameters."""
        c = self.evaluate(h, order=2, sets=sets)
        mapping = self.mapping if sets is None else self.mapping.pick(sets)
        J = mapping.jacobian(h)
        gradient = (np.swapaxes(J, 1, 2) @ c.gradient[:, :, None])[:, :, 0]
        hessian = np.swapaxes(J, 1, 2) @ c.hessian @ J
        hessian = hessian + (c.gradient[:, :, None, None] * mapping.bend).sum(axis=1)
        return c, gradient, 0.5 * (hessian + np.swapaxes(hessian, 1, 2))


# With reading errors the residual variance may be best at zero, where a row without one has
# an infinite weight. It stops at this share of the scatter: closer, rounding takes over.
FLOOR_SHARE = 1e-4
NEAR_FLOOR = 4.0


def residual_guess(products: Products) -> FloatArray:
    """Residual variance within studies, in the engine's units, (m, S)."""
    q = products.varying - products.crossed
    entities = np.zeros(products.studies)
    if products.levels:
        entities += np.bincount(
            products.entities.study.parent[products.entities.pooled], minlength=products.studies
        )
    df = np.maximum(products.runs - q - np.minimum(entities, 0.5 * products.runs), 1.0)
    rss = products.within[:, :, -1, -1]
    total = rss.sum(axis=1) / df.sum()
    total = np.where(total > 1e-12, total, 0.1)
    own = np.where(rss > 1e-3 * total[:, None] * df, rss / df, total[:, None])
    return np.asarray(own)


def residual_floor(products: Products) -> float:
    """Give the least residual SD of a search, in the engine's units; zero if it is profiled.

    Parameters
    ----------
    products : Products

    Returns
    -------
    float
    """
    if products.one_scale or not products.estimated_rows:
        return 0.0
    scale = float(residual_guess(products).min())
    extra = products.entities.extra
    if (extra > 0).any():
        scale = min(scale, float(np.median(extra[extra > 0])))
    return FLOOR_SHARE * float(np.sqrt(scale))


def at_floor(products: Products, residual: FloatArray) -> BoolArray:
    """Say in which data sets a residual variance stands at its floor, as good as zero.

    Parameters
    ----------
    products : Products
    residual : array, shape (m, residual variances)

    Returns
    -------
    array of bool, shape (m,)
    """
    floor = residual_floor(products)
    if floor == 0.0:
        return np.zeros(residual.shape[0], dtype=bool)
    return np.asarray((residual <= NEAR_FLOOR * floor**2).any(axis=1))


def plain_task(products: Products, shape: VarianceShape, *, restricted: bool) -> Task:
    """Give the usual task: all variances free, the residual one profiled where it can be."""
    profiled = products.one_scale and shape.residual == "common"
    return Task(
        products=products,
        shape=shape,
        mapping=free_map(shape, with_residual=not profiled, floor=residual_floor(products)),
        restricted=restricted,
        profiled=profiled,
    )


def safe_value(task: Task, h: FloatArray, sets: IntArray | None = None) -> FloatArray:
    """Criterion at h; infinite where it cannot be computed."""
    with np.errstate(all="ignore"):
        try:
            value = task.evaluate(h, order=0, sets=sets).value
        except np.linalg.LinAlgError:
            # One data set of many may be at fault: ask one by one.
            if h.shape[0] == 1:
                return np.array([np.inf])
            which = np.arange(h.shape[0]) if sets is None else sets
            return np.concatenate(
                [safe_value(task, h[i : i + 1], which[i : i + 1]) for i in range(h.shape[0])]
            )
    return np.where(np.isfinite(value), value, np.inf)


def narrow_task(task: Task, sets: IntArray) -> Task:
    """Give the task for some of the data sets, which may be named several times."""
    return replace(task, products=task.products.pick(sets), mapping=task.mapping.pick(sets))


def repeat_task(task: Task, times: int) -> Task:
    """Give the same task several times over, start after start."""
    if times == 1:
        return task
    sets = np.tile(np.arange(task.products.sets), times)
    return narrow_task(task, sets)
