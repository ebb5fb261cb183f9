"""The part of the variance below the study: residual and nested random intercepts.

For one study let V_b hold the residual variance and the intercepts of batches and
specimens. This module gives, for all studies at once, the products ``A' V_b^-1 A``,
``log det V_b`` and their derivatives in the variances, from the means of entities
alone. An intercept with variance f on a group of weight N shrinks the group's mean to
weight ``N / (1 + f N)``; two nested levels apply the rule twice. Every product is a sum
of positive terms about group means, so nothing is lost where a variance is large.

Symbols: t = 1_g' V_b^-1 A of a group g; V_k the derivative of V_b in variance k, which
is the residual's (share of each row) or an intercept's (ones within its groups);
F_k = A' V_b^-1 V_k V_b^-1 A; F_kl with two of them, made symmetric; T_k = tr(V_b^-1 V_k)
and T_kl = tr(V_b^-1 V_k V_b^-1 V_l).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from metafreeze.models.labels import Segments
from metafreeze.models.products import Level, Products
from metafreeze.results import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyBlocks:
    """Per study: products in the metric of V_b, its log determinant, derivatives.

    Parameters
    ----------
    products : array, shape (m, S, r, r)
        C = [Z A~]' V_b^-1 [Z A~].
    log_det : array, shape (m, S)
    first : array, shape (m, S, K, r, r)
        F_k; the derivative of C is its negative. K counts levels, then the residual if
        asked for.
    second : array, shape (m, S, K, K, r, r)
        F_kl.
    trace : array, shape (m, S, K)
    trace_two : array, shape (m, S, K, K)
    """

    products: FloatArray
    log_det: FloatArray
    first: FloatArray
    second: FloatArray
    trace: FloatArray
    trace_two: FloatArray


@dataclass(slots=True)
class _Chain:
    """Weights along the nesting for given variances; members to groups to study."""

    levels: tuple[Level, ...]
    variance: list[FloatArray]  # (m, 1) each, innermost first
    weight: FloatArray  # of entities, (m, e)
    mass: list[FloatArray]  # N per level, (m, groups)
    grown: list[FloatArray]  # 1 + f N
    shrunk: list[FloatArray]  # N / (1 + f N)


def _outer_total(x: FloatArray, y: FloatArray, to_study: Segments) -> FloatArray:
    """Sum ``x y'`` over the members of each study."""
    if to_study.even:
        shape = (x.shape[0], to_study.count, to_study.even)
        left = x.reshape(*shape, x.shape[-1])
        return np.asarray(np.swapaxes(left, -1, -2) @ y.reshape(*shape, y.shape[-1]))
    return to_study.total(x[..., :, None] * y[..., None, :])


def _build_chain(products: Products, weight: FloatArray, variance: FloatArray) -> _Chain:
    chain = _Chain(
        levels=products.levels,
        variance=[variance[:, k : k + 1] for k in range(len(products.levels))],
        weight=weight,
        mass=[],
        grown=[],
        shrunk=[],
    )
    carried = weight
    for level, f in zip(chain.levels, chain.variance, strict=True):
        mass = level.members.total(carried)
        grown = 1.0 + f * level.real[None, :] * mass
        chain.mass.append(mass)
        chain.grown.append(grown)
        carried = mass / grown
        chain.shrunk.append(carried)
    return chain


def _climb(
    chain: _Chain, x: FloatArray, start: int, to_study: Segments
) -> tuple[FloatArray, list[FloatArray]]:
    """Quadratic form of V_b^-1 in columns constant on members of level `start`.

    Gives the form per study and the means at each level from `start` up.
    """
    weight = chain.weight if start == 0 else chain.shrunk[start - 1]
    form: FloatArray | None = None
    means: list[FloatArray] = []
    current = x
    for k in range(start, len(chain.levels)):
        level = chain.levels[k]
        if level.members.each_has_one:
            mean = current
        else:
            mean = level.members.total(weight[..., None] * current) / chain.mass[k][..., None]
            rest = current - mean[:, level.members.parent]
            here = _outer_total(weight[..., None] * rest, rest, to_study)
            form = here if form is None else form + here
        means.append(mean)
        current, weight, to_study = mean, chain.shrunk[k], level.study
    top = _outer_total(weight[..., None] * current, current, to_study)
    return (top if form is None else form + top), means


def _descend(chain: _Chain, means: list[FloatArray], start: int) -> list[FloatArray]:
    """Totals t at each level from `start` up, from the means of `_climb`."""
    totals: list[FloatArray] = [np.empty(0)] * len(means)
    above: FloatArray | None = None  # f t of the groups above, summed
    for k in range(len(chain.levels) - 1, start - 1, -1):
        level = chain.levels[k]
        mean = means[k - start]
        centred = mean if above is None else mean - above
        totals[k - start] = chain.shrunk[k][..., None] * centred
        effect = (chain.variance[k] * level.real[None, :])[..., None] * totals[k - start]
        total_effect = effect if above is None else effect + above
        above = total_effect[:, level.members.parent]
    return totals


def _effects_at_entities(chain: _Chain, totals: list[FloatArray]) -> FloatArray:
    """Sum f t over the groups of each entity: what the intercepts take off it."""
    above: FloatArray | None = None
    for k in range(len(chain.levels) - 1, -1, -1):
        level = chain.levels[k]
        effect = (chain.variance[k] * level.real[None, :])[..., None] * totals[k]
        above = (effect if above is None else effect + above)[:, level.members.parent]
    assert above is not None
    return above


def eliminate_groups(
    products: Products,
    residual: FloatArray,
    variance: FloatArray,
    *,
    order: int,
    with_residual: bool,
) -> StudyBlocks:
    """Products in the metric of V_b and their derivatives.

    Parameters
    ----------
    products : Products
    residual : array, shape (m, 1) or (m, S)
        Residual variance, common or per study.
    variance : array, shape (m, levels)
        Variances of the nested intercepts, innermost first.
    order : {0, 1, 2}
        Highest derivative.
    with_residual : bool
        Whether derivatives in the residual variance are wanted.

    Returns
    -------
    StudyBlocks
    """
    S, r = products.studies, products.varying + products.fixed + 1
    m = residual.shape[0]
    depth = len(products.levels)
    ent = products.entities
    full = np.broadcast_to(residual, (m, S))
    per_entity = full[:, ent.study.parent]
    unit = 1.0 / (ent.share[None, :] * per_entity + ent.extra[None, :])  # 1 / row variance
    weight = ent.size[None, :] * unit
    chain = _build_chain(products, weight, variance)

    form, means = _climb(chain, products.means, 0, ent.study)
    scale = full[:, :, None, None]
    has_runs = products.estimated_rows
    C = form
    if has_runs:
        C = C + products.within / scale
    if products.within_known is not None:
        C = C + products.within_known

    lone = ~ent.pooled & (ent.share > 0)
    log_det = np.zeros((m, S))
    if has_runs:
        log_det += products.runs[None, :] * np.log(full)
    if lone.any():
        spread = np.where(lone[None, :], -np.log(unit), 0.0)
        log_det += ent.study.total(spread)
    for level, grown in zip(chain.levels, chain.grown, strict=True):
        log_det += level.study.total(np.log(grown))

    K = depth + int(with_residual)
    first = np.zeros((m, S, K if order else 0, r, r))
    trace = np.zeros((m, S, K if order else 0))
    second = np.zeros((m, S, K, K, r, r) if order > 1 else (m, S, 0, 0, r, r))
    trace_two = np.zeros((m, S, K, K) if order > 1 else (m, S, 0, 0))
    if order:
        totals = _descend(chain, means, 0)
        for k, level in enumerate(chain.levels):
            first[:, :, k] = _outer_total(
                level.real[None, :, None] * totals[k], totals[k], level.study
            )
        _first_traces(products, chain, full, trace, with_residual=with_residual)
        if order > 1:
            _second_products(chain, totals, second)
            _second_traces(products, chain, full, unit, trace_two, with_residual=with_residual)
        if with_residual:
            at_rows = products.means
            if depth:
                at_rows = at_rows - _effects_at_entities(chain, totals)
            pull = ent.share[None, :, None] * unit[..., None] * at_rows  # V_e V_b^-1 A
            # share * size * Y Y' with Y = unit * at_rows; pull already holds share * Y
            own = _outer_total(ent.size[None, :, None] * pull, unit[..., None] * at_rows, ent.study)
            first[:, :, depth] = own + (products.within / scale**2 if has_runs else 0.0)
            if order > 1:
                _second_residual(products, chain, full, totals, pull, second)
    return StudyBlocks(
        products=C,
        log_det=log_det,
        first=first,
        second=second,
        trace=trace,
        trace_two=trace_two,
    )


def _second_residual(
    products: Products,
    chain: _Chain,
    full: FloatArray,
    totals: list[FloatArray],
    pull: FloatArray,
    out: FloatArray,
) -> None:
    """F_kl with the residual variance."""
    depth = len(chain.levels)
    form, means = _climb(chain, pull, 0, products.entities.study)
    out[:, :, depth, depth] = form
    if products.estimated_rows:
        out[:, :, depth, depth] += products.within / full[:, :, None, None] ** 3
    pull_totals = _descend(chain, means, 0)
    for k, level in enumerate(chain.levels):
        cross = _outer_total(level.real[None, :, None] * pull_totals[k], totals[k], level.study)
        out[:, :, depth, k] = out[:, :, k, depth] = _even(cross)


def _second_products(chain: _Chain, totals: list[FloatArray], out: FloatArray) -> None:
    """F_kl among the nested intercepts."""
    depth = len(chain.levels)
    for k, level in enumerate(chain.levels):
        real = level.real[None, :, None]
        # V_k V_b^-1 A is t within each group of level k; climb from there.
        image = real * totals[k]
        own, above = _climb_from_group(chain, image, k)
        out[:, :, k, k] = own
        for upper in range(k + 1, depth):
            above_level = chain.levels[upper]
            cross = _outer_total(
                above_level.real[None, :, None] * above[upper], totals[upper], above_level.study
            )
            out[:, :, k, upper] = out[:, :, upper, k] = _even(cross)


def _even(x: FloatArray) -> FloatArray:
    return 0.5 * (x + np.swapaxes(x, -1, -2))


def _climb_from_group(
    chain: _Chain, image: FloatArray, k: int
) -> tuple[FloatArray, dict[int, FloatArray]]:
    """Form of V_b^-1 in columns constant on the groups of level k, and totals above."""
    if k + 1 == len(chain.levels):
        shrunk = chain.shrunk[k][..., None]
        return _outer_total(shrunk * image, image, chain.levels[k].study), {}
    form, means = _climb(chain, image, k + 1, chain.levels[k].study)
    totals = _descend(chain, means, k + 1)
    return form, {k + 1 + i: t for i, t in enumerate(totals)}


def _level_shrink(chain: _Chain, k: int) -> FloatArray:
    """``f / (1 + f N)`` of each group of level k, zero for placeholders."""
    return chain.variance[k] * chain.levels[k].real[None, :] / chain.grown[k]


def _first_traces(
    products: Products,
    chain: _Chain,
    full: FloatArray,
    out: FloatArray,
    *,
    with_residual: bool,
) -> None:
    ent, depth = products.entities, len(chain.levels)
    if depth == 2:
        low, top = chain.levels
        M = chain.shrunk[0]
        b = _level_shrink(chain, 1)[:, top.members.parent]
        out[:, :, 0] = low.study.total(low.real[None, :] * (M - M * M * b))
    if depth:
        last = chain.levels[-1]
        out[:, :, depth - 1] = last.study.total(last.real[None, :] * chain.shrunk[-1])
    if not with_residual:
        return
    residual = _free_runs(products) / full if products.estimated_rows else np.zeros_like(full)
    w = chain.weight
    diagonal = w.copy()  # 1_e' V_b^-1 1_e
    if depth:
        inner = chain.levels[0].members.parent
        diagonal -= w * w * _level_shrink(chain, 0)[:, inner]
    if depth == 2:
        outer = chain.levels[1].members.parent
        wt = w / chain.grown[0][:, inner]
        diagonal -= wt * wt * _level_shrink(chain, 1)[:, outer][:, inner]
    out[:, :, depth] = residual + ent.study.total(ent.share[None, :] * diagonal / ent.size[None, :])


def _free_runs(products: Products) -> FloatArray:
    """Count the runs beyond one an entity, (1, S)."""
    pooled = products.entities.pooled[None, :].astype(np.float64)
    return np.asarray(products.runs[None, :] - products.entities.study.total(pooled))


def _second_traces(
    products: Products,
    chain: _Chain,
    full: FloatArray,
    unit: FloatArray,
    out: FloatArray,
    *,
    with_residual: bool,
) -> None:
    depth = len(chain.levels)
    if depth == 1:
        low = chain.levels[0]
        out[:, :, 0, 0] = low.study.total(low.real[None, :] * chain.shrunk[0] ** 2)
    elif depth == 2:
        low, top = chain.levels
        outer = top.members.parent
        real0, real1 = low.real[None, :], top.real[None, :]
        M, b, f1 = chain.shrunk[0], _level_shrink(chain, 1), chain.grown[1]
        M2 = real0 * M * M
        out[:, :, 0, 0] = low.study.total(M2 - 2.0 * b[:, outer] * M2 * M) + top.study.total(
            (b * top.members.total(M2)) ** 2
        )
        out[:, :, 1, 1] = top.study.total(real1 * chain.shrunk[1] ** 2)
        cross = low.study.total(M2 * (real1 / f1**2)[:, outer])
        out[:, :, 0, 1] = out[:, :, 1, 0] = cross
    if with_residual:
        _second_residual_traces(products, chain, full, unit, out)


def _second_residual_traces(
    products: Products, chain: _Chain, full: FloatArray, unit: FloatArray, out: FloatArray
) -> None:
    ent, depth = products.entities, len(chain.levels)
    residual = np.zeros_like(full)
    if products.estimated_rows:
        residual = residual + _free_runs(products) / full**2
    w = chain.weight
    s = (ent.share / ent.size)[None, :]
    square = s * s * w * w
    if depth == 0:
        out[:, :, 0, 0] = residual + ent.study.total(square)
        return
    low = chain.levels[0]
    inner = low.members.parent
    a, f0, real0 = _level_shrink(chain, 0), chain.grown[0], low.real[None, :]
    # Squared length of V_b^-1 1_g on its own group, weighted by the shares.
    qs = low.members.total(ent.share[None, :] * ent.size[None, :] * unit * unit) / f0**2
    residual += ent.study.total(square - 2.0 * s * s * w * w * w * a[:, inner])
    residual += low.study.total((a * low.members.total(s * w * w)) ** 2)
    if depth == 1:
        out[:, :, 0, 1] = out[:, :, 1, 0] = low.study.total(real0 * qs)
        out[:, :, 1, 1] = residual
        return
    top = chain.levels[1]
    outer = top.members.parent
    real1 = top.real[None, :]
    b, f1 = _level_shrink(chain, 1), chain.grown[1]
    wt = w / f0[:, inner]
    b_low = b[:, outer]
    residual -= ent.study.total(2.0 * s * s * w * wt * wt * b_low[:, inner])
    residual += low.study.total(2.0 * a * b_low * low.members.total(s * w * wt) ** 2)
    residual += top.study.total((b * top.members.total(low.members.total(s * wt * wt))) ** 2)
    Q = top.members.total(qs)
    out[:, :, 1, 2] = out[:, :, 2, 1] = top.study.total(real1 * Q / f1**2)
    # V_b^-1 1_g on g itself and on its neighbours in the same group above
    beta = chain.shrunk[0] / f1[:, outer]
    f_beta = (chain.variance[1] * real1)[:, outer] * beta
    cross = low.study.total(real0 * ((1.0 - f_beta) ** 2 * qs + f_beta**2 * (Q[:, outer] - qs)))
    out[:, :, 0, 2] = out[:, :, 2, 0] = cross
    out[:, :, 2, 2] = residual
