"""Decide from the design what can be told apart, before anything is fitted.

Fixed coefficients need independent columns. Variances need a restricted information
matrix of full rank: where two of them shape V alike, no amount of searching separates
them. The written ladder drops, in this order, the correlation of the varying
coefficients, the variances of varying slopes, the batch and the specimen; with one study it
drops first what only several studies can show.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from metafreeze.models.likelihood import read_criterion, sum_studies
from metafreeze.models.nested import eliminate_groups
from metafreeze.models.products import Products
from metafreeze.models.small_sample import expected_information
from metafreeze.models.variance_shape import VarianceShape
from metafreeze.results import BoolArray, FloatArray, IntArray

# A column whose squared remainder, after the columns before it, is a smaller share of
# its own square than this carries no information of its own: products lose half the digits.
ALIASED_SHARE = 1e-11
# Eigenvalues of the scaled information below this: two variances shape V alike.
ALIKE = 1e-8
# A share of the summed squares below this is rounding of an exact fit.
EXACT_FIT = 1e-24
# What taking columns off a square leaves of it by rounding alone, as a share.
ROUNDING = 32.0 * np.finfo(np.float64).eps


AGREE = (
    "runs of one group agree exactly, so there is no scatter to estimate a variance from; if a "
    "coarse timer is the cause, give its reading error as added_variance"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class RandomPlan:
    """The random parts that a fit keeps.

    Parameters
    ----------
    varying : tuple of int
        Columns of Z that stay.
    correlated : bool
    batch, specimen : bool
    """

    varying: tuple[int, ...]
    correlated: bool
    batch: bool
    specimen: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Why a model cannot be told from its design.

    Parameters
    ----------
    reason : str
    parts : frozenset of str
        Which of "fixed", "correlation", "slope", "intercept", "batch", "specimen" are at fault.
    """

    reason: str
    parts: frozenset[str]


def aliased_columns(products: Products, shape: VarianceShape) -> BoolArray:
    """Say which fixed columns are constant or follow from the columns before them."""
    zero = np.zeros((1, shape.size))
    k = shape.size - shape.residuals
    zero[:, k:] = 1.0
    one = products if products.sets == 1 else products.pick(np.array([0]))
    totals = sum_studies(one, shape, zero, order=0, with_residual=True)
    p = products.fixed
    rest = totals.products[0, :p, :p].copy()
    size = np.diag(rest).copy()
    aliased = np.zeros(p, dtype=bool)
    for j in range(p):
        pivot = rest[j, j]
        # The constant column is centred on, so that its own square is the yardstick.
        if pivot <= ALIASED_SHARE * max(size[j], size.max() * ALIASED_SHARE):
            aliased[j] = True
            continue
        rest -= np.outer(rest[:, j], rest[j]) / pivot
    return aliased


def find_obstacle(
    products: Products,
    shape: VarianceShape,
    *,
    fixed_names: tuple[str, ...],
    varying_names: tuple[str, ...],
    varies: BoolArray,
) -> Finding | None:
    """Find what the design cannot tell apart.

    Parameters
    ----------
    products : Products
    shape : VarianceShape
    fixed_names, varying_names : tuple of str
    varies : array of bool, shape (q,)
        True for varying columns that are not constant.

    Returns
    -------
    Finding or None
    """
    p, q, S = products.fixed, shape.varying, products.studies
    runs = products.total_runs
    aliased = aliased_columns(products, shape)
    if aliased.any():
        listed = ", ".join(n for n, bad in zip(fixed_names, aliased, strict=True) if bad)
        return Finding(
            reason=f"constant, or the same as columns before it: {listed}",
            parts=frozenset({"fixed"}),
        )
    if runs <= p:
        return Finding(
            reason=f"{p} fixed coefficients and {runs:g} runs", parts=frozenset({"fixed"})
        )
    estimated = products.estimated_rows
    if q and S == 1:
        return Finding(
            reason="one study shows nothing about differences between studies",
            parts=frozenset({"correlation", "slope", "intercept", "single"}),
        )
    if q and estimated and shape.residual != "none" and products.within_known is None:
        if (products.runs <= 1).all() and not products.has_added:
            return Finding(
                reason="one run per study: the spread between studies and among runs are one",
                parts=frozenset({"correlation", "slope", "intercept"}),
            )
        if S * q >= runs:
            return Finding(
                reason=f"as many varying coefficients ({S} studies × {q} = {S * q}) as runs "
                f"({runs:g})",
                parts=frozenset({"correlation", "slope"} if q > 1 else {"intercept"}),
            )
    return _alike_variances(products, shape, varying_names=varying_names, varies=varies)


def _alike_variances(
    products: Products,
    shape: VarianceShape,
    *,
    varying_names: tuple[str, ...],
    varies: BoolArray,
) -> Finding | None:
    K = shape.size
    if K == 0:
        return None
    w = np.ones((1, K))
    for k, (i, j) in enumerate(shape.pairs):
        if i != j:
            w[0, k] = 0.0
    one = products if products.sets == 1 else products.pick(np.array([0]))
    totals = sum_studies(one, shape, w, order=2, with_residual=True)
    criterion = read_criterion(totals, one, restricted=True, profiled=False)
    information = expected_information(totals, criterion, products.fixed)[0]
    labels, parts = _variance_labels(shape, varying_names, varies)
    diagonal = np.diag(information).copy()
    # An information of one half per squared relative change is that of one degree of freedom.
    bare = diagonal < 1e-10
    if bare.any():
        listed = ", ".join(n for n, bad in zip(labels, bare, strict=True) if bad)
        return Finding(
            reason=f"the design says nothing about: {listed}",
            parts=frozenset(part for part, bad in zip(parts, bare, strict=True) if bad),
        )
    scale = np.sqrt(diagonal)
    values, vectors = np.linalg.eigh(information / np.outer(scale, scale))
    if values[0] > ALIKE:
        return None
    share = np.abs(vectors[:, 0])
    involved = share > 0.05 * share.max()
    listed = ", ".join(n for n, yes in zip(labels, involved, strict=True) if yes)
    return Finding(
        reason=f"cannot be told apart in this design: {listed}",
        parts=frozenset(part for part, yes in zip(parts, involved, strict=True) if yes),
    )


def _variance_labels(
    shape: VarianceShape, varying_names: tuple[str, ...], varies: BoolArray
) -> tuple[list[str], list[str]]:
    labels, parts = [], []
    for i, j in shape.pairs:
        if i == j:
            labels.append(f"spread of {varying_names[i]} between studies")
            parts.append("slope" if varies[i] else "intercept")
        else:
            labels.append(f"correlation of {varying_names[j]} and {varying_names[i]}")
            parts.append("correlation")
    if shape.crossed:
        other = "batch" if shape.levels == ("specimen",) else "specimen"
        labels.append(f"spread between {other} groups")
        parts.append(other)
    for name in shape.levels:
        labels.append(f"spread between {name} groups")
        parts.append(name)
    if shape.residual == "common":
        labels.append("spread among runs")
        parts.append("residual")
    elif shape.residual == "per-study":
        labels += [f"spread among runs of study {s + 1}" for s in range(shape.studies)]
        parts += ["residual"] * shape.studies
    return labels, parts


def exact_fit(products: Products, shape: VarianceShape) -> str:
    """Say where runs of one group agree exactly once all coefficients are taken off.

    The likelihood then grows without limit as the residual variance falls. With residual
    variances of their own every study is looked at by itself, where a study without runs to
    spare fits itself exactly too.

    Parameters
    ----------
    products : Products
    shape : VarianceShape

    Returns
    -------
    str
        Empty where there is scatter.
    """
    if not shape.residuals:
        return ""
    q0 = products.varying - products.crossed
    block = products.within[0]  # (S, r, r) of [Z A~]
    keep = [*range(q0), *range(products.varying, block.shape[-1])]
    block = block[:, keep][:, :, keep]
    groups = np.zeros(products.studies)
    if products.levels:
        pooled = products.entities.pooled
        owner = products.entities.study.parent[pooled]
        groups = groups + np.bincount(owner, minlength=products.studies)
    if shape.residual == "per-study":
        rest, taken = _sweep(block, q0 + products.fixed)
        spare = products.runs - groups - taken
        if (spare <= 0).any():
            return (
                f"{int((spare <= 0).sum())} of {products.studies} studies have as many "
                "coefficients as runs, so they have no residual variance of their own"
            )
        flat = rest[:, 0, 0] <= EXACT_FIT * products.runs + ROUNDING * block[:, -1, -1]
        return AGREE if flat.any() else ""
    swept, lost = _sweep(block, q0)
    rest, lost_fixed = _sweep(swept.sum(axis=0)[None], products.fixed)
    spare = products.runs.sum() - groups.sum() - lost.sum() - lost_fixed[0]
    least = EXACT_FIT * products.total_runs + ROUNDING * float(swept[:, -1, -1].sum())
    flat = rest[0, 0, 0] <= least
    return AGREE if spare > 0 and flat else ""


def _sweep(blocks: FloatArray, k: int) -> tuple[FloatArray, IntArray]:
    """Take the first k columns off the others; count those that were there to take off."""
    rest = blocks.copy()
    size = np.diagonal(blocks, axis1=1, axis2=2).copy()
    taken = np.zeros(blocks.shape[0], dtype=np.int64)
    for j in range(k):
        pivot = rest[:, j, j]
        good = pivot > ALIASED_SHARE * size[:, j]
        taken += good
        safe = np.where(good, pivot, 1.0)
        off = rest[:, :, j, None] * rest[:, None, j, :] / safe[:, None, None]
        rest = rest - np.where(good[:, None, None], off, 0.0)
    return rest[:, k:, k:], taken


def studies_with_slopes(products: Products, shape: VarianceShape, varies: BoolArray) -> int:
    """Count the studies that by themselves say something about every varying slope.

    Parameters
    ----------
    products : Products
    shape : VarianceShape
    varies : array of bool, shape (q,)
        True for varying columns that are not constant.

    Returns
    -------
    int
    """
    q = shape.varying
    order = [*np.flatnonzero(~varies), *np.flatnonzero(varies)]
    one = products if products.sets == 1 else products.pick(np.array([0]))
    blocks = eliminate_groups(
        one, np.ones((1, 1)), np.zeros((1, len(shape.levels))), order=0, with_residual=False
    )
    gram = blocks.products[0, :, :q, :q][:, order][:, :, order]
    constants = int((~varies).sum())
    rest, _ = _sweep(gram, constants)
    for _ in range(int(varies.sum())):
        enough = rest[:, 0, 0] > ALIASED_SHARE * np.diagonal(gram, axis1=1, axis2=2).max(axis=1)
        rest = _sweep(rest, 1)[0][enough]
        gram = gram[enough]
    return int(gram.shape[0])


def too_few_studies(plan: RandomPlan, *, studies: int, varies: BoolArray) -> Finding | None:
    """Say where the ladder does not even ask the data for a random part.

    `studies` counts those that say something about the slopes.

    A covariance matrix of q coefficients has full rank from q + 1 studies on, and says
    something about a correlation only from one more on.
    """
    q = len(plan.varying)
    if q > 1 and plan.correlated and studies < q + 2:
        return Finding(
            reason=f"{studies} studies that show slopes are too few for a correlation",
            parts=frozenset({"correlation"}),
        )
    if any(varies[k] for k in plan.varying) and studies < 3:
        return Finding(
            reason=f"{studies} studies that show slopes are too few for their spread",
            parts=frozenset({"slope"}),
        )
    return None


def next_step(
    plan: RandomPlan, finding: Finding, varies: BoolArray
) -> tuple[RandomPlan, str] | None:
    """Take the next step of the ladder that touches what the finding blames.

    Returns
    -------
    tuple of RandomPlan and str, or None
        The smaller plan and the step in words; None where nothing is left to drop.
    """
    if "single" in finding.parts and plan.varying:
        return replace(plan, varying=(), correlated=False), "dropped the parts between studies"
    slopes = tuple(k for k in plan.varying if varies[k])
    options: list[tuple[str, RandomPlan, str]] = []
    if len(plan.varying) > 1 and plan.correlated:
        options.append(("correlation", replace(plan, correlated=False), "dropped the correlation"))
    if slopes:
        rest = tuple(k for k in plan.varying if not varies[k])
        options.append(
            (
                "slope",
                replace(plan, varying=rest, correlated=False),
                "dropped the spread of slopes between studies",
            )
        )
    if plan.batch:
        options.append(("batch", replace(plan, batch=False), "dropped the batch"))
    if plan.specimen:
        options.append(("specimen", replace(plan, specimen=False), "dropped the specimen"))
    if plan.varying and not slopes:
        options.append(
            (
                "intercept",
                replace(plan, varying=(), correlated=False),
                "dropped the spread of levels between studies",
            )
        )
    blamed = [o for o in options if o[0] in finding.parts]
    chosen = blamed or options
    if not chosen or finding.parts == frozenset({"fixed"}):
        return None
    _, smaller, words = chosen[0]
    return smaller, words
