"""The likelihood of times not seen exactly, random parts integrated out.

Model of the log time of row i in batch j of study s, in standardised units:

    y = x'beta + Z_i (Lambda z_s) + omega v_j + sigma e,    z_s, v_j standard normal,

with e normal or smallest-extreme-value. The integrals over z_s and v_j are adaptive
Gauss-Hermite sums about the joint mode of each study; given z_s the batches of a study are
independent, so theirs are inner sums. Gradient and Hessian are posterior means of the score
and of its square over the same nodes (Louis 1982); both are exact for a normal integrand from
three nodes on, and otherwise as good as the sum itself.

Many parameter vectors or data sets of one design (replicates) are evaluated together: the
axes are rows n, replicates R, study nodes Ks, batch nodes Kb.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from metafreeze.models import censored_likelihood as rows_of
from metafreeze.models.censored_likelihood import Contributions
from metafreeze.models.grouped_rows import Design, Part, Times, unpack_theta
from metafreeze.models.quadrature import normal_grid
from metafreeze.models.study_peaks import Modes, Peak, RowTerms, find_peak, random_part
from metafreeze.results import FloatArray, IntArray

# Array elements handled at once; keeps the working set near the processor's cache.
CHUNK = 1 << 18


class Evaluation(NamedTuple):
    """Minus log likelihood (R,), gradient (R, T), Hessian (R, T, T), and the modes found.

    `by_study` (S, R) are the studies' shares of the value, without the spreads of summaries.
    """

    value: FloatArray
    by_study: FloatArray
    gradient: FloatArray
    hessian: FloatArray
    modes: Modes


def evaluate(
    design: Design,
    times: Times,
    theta: FloatArray,
    nodes: IntArray,
    modes: Modes,
    *,
    derivatives: bool = True,
) -> Evaluation:
    """Evaluate minus the log likelihood of each replicate.

    Parameters
    ----------
    design : Design
        Rows, shared by all replicates.
    times : Times
        Bounds, one column for each replicate or one for all.
    theta : array, shape (R, T)
        Parameter vectors.
    nodes : array of int, shape (S, D)
        Gauss-Hermite nodes of each study in each dimension: varying columns, then batch.
    modes : Modes
        Where to start the search for the modes.
    derivatives : bool
        Without them gradient and Hessian are empty.

    Returns
    -------
    Evaluation
        Not finite where a parameter vector is absurd.
    """
    replicates, t = theta.shape
    _, studies, _, p, _ = design.sizes
    size = t if derivatives else 0
    out = Evaluation(
        np.zeros(replicates),
        np.zeros((studies, replicates)),
        np.zeros((replicates, size)),
        np.zeros((replicates, size, size)),
        Modes(modes.z.copy(), modes.v.copy()),
    )
    for part in design.parts(nodes, CHUNK):
        elements = len(part.design.x) * int(np.prod(part.nodes))
        step = max(1, CHUNK // elements)
        for first in range(0, replicates, step):
            chosen = slice(first, first + step)
            _add_part(out, part, times, theta, chosen, derivatives)
    if design.beyond.any():
        extra, slope, bend = _summary_spreads(design, times.squares, theta[:, p])
        out.value[:] -= extra
        if derivatives:
            out.gradient[:, p] -= slope
            out.hessian[:, p, p] -= bend
    return out


def _add_part(
    out: Evaluation,
    part: Part,
    times: Times,
    theta: FloatArray,
    chosen: slice,
    derivatives: bool,
) -> None:
    """Add some studies of some replicates to the sums, and write where their modes are."""
    start = Modes(out.modes.z[part.studies, chosen], out.modes.v[part.batches, chosen])
    with np.errstate(all="ignore"):
        here = _evaluate_part(
            part.design,
            times.pick(part.rows, chosen),
            theta[chosen],
            part.nodes,
            start,
            derivatives,
        )
    out.value[chosen] += here.value
    out.by_study[part.studies, chosen] = here.by_study
    out.gradient[chosen] += here.gradient
    out.hessian[chosen] += here.hessian
    out.modes.z[part.studies, chosen] = here.modes.z
    out.modes.v[part.batches, chosen] = here.modes.v


def _evaluate_part(
    design: Design,
    times: Times,
    theta: FloatArray,
    nodes: tuple[int, ...],
    modes: Modes,
    derivatives: bool,
) -> Evaluation:
    _, studies, batches, p, q = design.sizes
    replicates = len(theta)
    sigma, factor, omega = unpack_theta(design, theta)
    terms = RowTerms(design, times, sigma)
    base = design.x @ theta[:, :p].T
    outer, inner = normal_grid(nodes[:q]), normal_grid(nodes[q:])
    k_s, k_b = len(outer.log_weights), len(inner.log_weights)
    if q or design.has_batch:
        peak = find_peak(design, terms, base, factor, omega, modes)
    else:
        empty = np.zeros((studies, replicates, q, q))
        flat = np.zeros((batches, replicates, q))
        peak = Peak(modes.z, modes.v, empty, flat, np.ones((batches, replicates)))
    # Node places: z (S, R, Ks, q) and v (J, R, Ks, Kb).
    moved = outer.nodes @ np.swapaxes(peak.root, -1, -2)
    z = peak.z[:, :, None, :] + moved
    if design.has_batch:
        drift = (moved[design.study_of_batch] @ peak.pull[..., None])[..., 0]
        centre = peak.v[:, :, None] - drift
        v = centre[..., None] + peak.width[:, :, None, None] * inner.nodes[:, 0]
    else:
        v = np.zeros((batches, replicates, k_s, 1))
    eta = base[:, :, None] + random_part(design, z, v, factor, omega)
    at = terms(eta)

    by_batch = design.plain_sums(at.value)[0].reshape(batches, replicates, k_s, k_b)
    if design.has_batch:
        height = by_batch + inner.log_weights - 0.5 * v * v
        top = height.max(axis=3, keepdims=True)
        weight_b = np.exp(height - top)
        mass = weight_b.sum(axis=3, keepdims=True)
        weight_b /= mass
        inside = (top + np.log(mass))[..., 0] + np.log(peak.width)[:, :, None]
    else:
        weight_b = np.ones((batches, replicates, k_s, 1))
        inside = by_batch[..., 0]
    height = design.study_sums(inside)[0] + outer.log_weights - 0.5 * (z * z).sum(axis=3)
    top = height.max(axis=2, keepdims=True)
    weight_s = np.exp(height - top)
    mass = weight_s.sum(axis=2, keepdims=True)
    weight_s /= mass
    log_like = (top + np.log(mass))[..., 0]
    if q:
        log_like = log_like + np.log(np.diagonal(peak.root, axis1=-2, axis2=-1)).sum(axis=-1)
    by_study = -log_like
    value = by_study.sum(axis=0)
    found = Modes(peak.z, peak.v)
    if not derivatives:
        return Evaluation(
            value, by_study, np.empty((replicates, 0)), np.empty((replicates, 0, 0)), found
        )

    scores = _scores(design, at, z, v)  # (T, J, R, Ks, Kb)
    mean_b = (
        (scores * weight_b).sum(axis=4) if design.has_batch else scores[..., 0]
    )  # (T, J, R, Ks)
    of_study = np.stack([design.study_sums(m)[0] for m in mean_b])  # (T, S, R, Ks)
    mean_s = (of_study * weight_s).sum(axis=3)  # (T, S, R)
    gradient = mean_s.sum(axis=1).T.copy()
    hessian = _expected_bend(design, at, peak, weight_s, weight_b, outer.nodes, inner.nodes)
    hessian += _spread_of(of_study - mean_s[..., None], weight_s)
    if design.has_batch:
        weight = weight_s[design.study_of_batch][..., None] * weight_b
        hessian += _spread_of(scores - mean_b[..., None], weight)
    return Evaluation(value, by_study, -gradient, -hessian, found)


def _summary_spreads(
    design: Design, squares: FloatArray, log_sigma: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log likelihood of the summaries' own spreads, and derivatives by log sigma.

    A summary of m runs gives its mean (a row of its own) and (m - 1) s^2, which is sigma^2
    times chi-square; the constant makes mean and spread together equal the m runs.
    """
    count = design.beyond.sum()
    scaled = squares * np.exp(-2.0 * log_sigma)
    constant = -count * rows_of.LOG_ROOT_2PI - 0.5 * np.log1p(design.beyond).sum()
    return constant - count * log_sigma - 0.5 * scaled, scaled - count, -2.0 * scaled


def _scores(design: Design, at: Contributions, z: FloatArray, v: FloatArray) -> FloatArray:
    """Score of every parameter in every batch at every node, (T, J, R, Ks, Kb)."""
    _, _, batches, p, q = design.sizes
    replicates, k_s, k_b = v.shape[1:]
    sums = design.score_sums(at.by_eta).reshape(-1, batches, replicates, k_s, k_b)
    out = np.empty((design.parameter_count, batches, replicates, k_s, k_b))
    out[:p] = sums[:p]
    out[p] = design.plain_sums(at.by_log)[0].reshape(batches, replicates, k_s, k_b)
    if q:
        place = z[design.study_of_batch]
        for i, (k, m) in enumerate(design.pairs):
            out[p + 1 + i] = sums[p + k] * place[..., m, None]
    if design.has_batch:
        out[-1] = sums[-1] * v
    return out


def _spread_of(deviation: FloatArray, weight: FloatArray) -> FloatArray:
    """Weighted sum of outer products: (T, G, R, ...) and (G, R, ...) to (R, T, T)."""
    t, groups, replicates = deviation.shape[:3]
    scaled = (deviation * np.sqrt(weight)).reshape(t, groups, replicates, -1)
    flat = scaled.transpose(2, 0, 1, 3).reshape(replicates, t, -1)
    return flat @ np.swapaxes(flat, -1, -2)


def _expected_bend(
    design: Design,
    at: Contributions,
    peak: Peak,
    weight_s: FloatArray,
    weight_b: FloatArray,
    outer: FloatArray,
    inner: FloatArray,
) -> FloatArray:
    """Posterior mean of the Hessian given the random parts, (R, T, T).

    The features (1, z, v) at a node are affine in the fixed nodes x, so the sums over nodes
    are one product with the fixed monomials of x, moved to each group afterwards.
    """
    n, _, _, p, q = design.sizes
    replicates = weight_s.shape[1]
    t = design.parameter_count
    k_s, k_b = len(outer), len(inner)
    size = 1 + q + int(design.has_batch)
    grid = np.ones((k_s, k_b, size))
    grid[:, :, 1 : 1 + q] = outer[:, None, :]
    if design.has_batch:
        grid[:, :, -1] = inner[None, :, 0]
    x = grid.reshape(-1, size)
    squares = (x[:, :, None] * x[:, None, :]).reshape(-1, size * size)
    weight = (weight_s[design.study_of_batch][..., None] * weight_b).reshape(
        -1, replicates, k_s * k_b
    )[design.batch_of_row]
    bend = ((weight * at.by_eta2) @ squares).reshape(n, replicates, size, size)
    mixed = (weight * at.by_both) @ x
    sigma_bend = (weight * at.by_log2).sum(axis=(0, 2))
    if size > 1:
        move = _feature_map(design, peak)[design.batch_of_row]
        bend = move @ bend @ np.swapaxes(move, -1, -2)
        mixed = (move @ mixed[..., None])[..., 0]
    out = np.zeros((replicates, t, t))
    blocks = design.feature_columns
    for a, (left, place_a) in enumerate(blocks):
        if not len(place_a):
            continue
        cross = left.T @ mixed[:, :, a]
        out[:, place_a, p] = cross.T
        out[:, p, place_a] = cross.T
        for b, (right, place_b) in enumerate(blocks[: a + 1]):
            if not len(place_b):
                continue
            scaled = (bend[:, :, a, b, None] * right[:, None, :]).reshape(n, -1)
            block = (left.T @ scaled).reshape(len(place_a), replicates, len(place_b))
            block = block.transpose(1, 0, 2)
            out[:, place_a[:, None], place_b[None, :]] = block
            if a != b:
                out[:, place_b[:, None], place_a[None, :]] = np.swapaxes(block, -1, -2)
    out[:, p, p] = sigma_bend
    return out


def _feature_map(design: Design, peak: Peak) -> FloatArray:
    """Matrix (J, R, F, F) that takes (1, x_z, x_v) to (1, z, v)."""
    q = design.sizes[4]
    batches, replicates = peak.v.shape
    size = 1 + q + int(design.has_batch)
    move = np.zeros((batches, replicates, size, size))
    move[..., 0, 0] = 1.0
    if q:
        move[..., 1 : 1 + q, 0] = peak.z[design.study_of_batch]
        move[..., 1 : 1 + q, 1 : 1 + q] = peak.root[design.study_of_batch]
    if design.has_batch:
        move[..., -1, 0] = peak.v
        if q:
            move[..., -1, 1 : 1 + q] = -(
                peak.pull[..., None, :] @ peak.root[design.study_of_batch]
            )[..., 0, :]
        move[..., -1, -1] = peak.width
    return move
