"""The likelihood of the mixed model from cross-products, with exact derivatives.

In study s the variance is ``V = V_b + Z M Z'`` with M the covariance of the varying
coefficients. From ``C = [Z A~]' V_b^-1 [Z A~]`` of `nested` everything follows through

    A' V^-1 A   and   log det V

and their first and second derivatives in the variances, in which V is linear. Summed
over studies they give the criterion (-2 log likelihood, restricted or full), its exact
gradient and Hessian, and the matrices of the small-sample methods.

Source: Woodbury's identity and the matrix derivatives of Lindstrom, M. J. & Bates, D. M.
(1988), J. Am. Stat. Assoc. 83, 1014-1022, doi:10.1080/01621459.1988.10478693; the criterion
with its constants as in Bates et al. (2015), doi:10.18637/jss.v067.i01, eq. 34 and 42.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from metafreeze.models.nested import StudyBlocks, eliminate_groups
from metafreeze.models.products import Products
from metafreeze.models.variance_shape import VarianceShape
from metafreeze.results import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Totals:
    """``E = A' V^-1 A`` and ``log det V`` summed over studies, with derivatives.

    Parameters
    ----------
    products : array, shape (m, a, a)
        a = p + 1, the last row and column belong to y.
    log_det : array, shape (m,)
    first : array, shape (m, K, a, a)
    second : array, shape (m, K, K, a, a)
    log_first : array, shape (m, K)
    log_second : array, shape (m, K, K)
        Minus ``tr(V^-1 V_k V^-1 V_l)``.
    by_study : array, shape (m, S, a, a)
    z_products : array, shape (m, S, q, a)
        Z' V^-1 A.
    zz : array, shape (m, S, q, q)
        Z' V^-1 Z.
    """

    products: FloatArray
    log_det: FloatArray
    first: FloatArray
    second: FloatArray
    log_first: FloatArray
    log_second: FloatArray
    by_study: FloatArray
    z_products: FloatArray
    zz: FloatArray


def _t(x: FloatArray) -> FloatArray:
    return np.swapaxes(x, -1, -2)


def pair_traces(left: FloatArray, right: FloatArray) -> FloatArray:
    """Traces of the products of every pair of square matrices, (..., k, l)."""
    size = left.shape[-1] ** 2
    return np.asarray(
        left.reshape(*left.shape[:-2], size) @ _t(_t(right).reshape(*right.shape[:-2], size))
    )


def _trace_with(h: FloatArray, f: FloatArray) -> FloatArray:
    return np.asarray((h * _t(f)).sum(axis=(-1, -2)))


# A determinant below this share of its diagonal product is rounding of a singular matrix.
SINGULAR_SHARE = 1e-13


def _shrink(M: FloatArray, K: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Give ``R = (I + M K)^-1``, ``R M``, ``K R`` and ``log det (I + M K)``.

    Up to two columns the closed forms hold only sums of positive terms, so that nothing
    cancels where the spread between studies is large: with two,
    ``det = 1 + tr(M K) + |M| |K|``, ``R M = (M + |M| adj K) / det`` and likewise ``K R``.
    """
    q = K.shape[-1]
    if q == 1:
        grown = 1.0 + M * K
        R = 1.0 / grown
        return R, R * M, K * R, np.log(grown[..., 0, 0])
    if q == 2:
        det_m, det_k = _determinant(M), _determinant(K)
        adj_m, adj_k = _adjugate(M), _adjugate(K)
        trace = (M * K).sum(axis=(-1, -2))
        det = 1.0 + trace + det_m * det_k
        scale = 1.0 / det[..., None, None]
        R = (np.eye(2) + adj_k @ adj_m) * scale
        H = (M + det_m[..., None, None] * adj_k) * scale
        Szz = (K + det_k[..., None, None] * adj_m) * scale
        return R, H, Szz, np.log(det)
    grown = np.eye(q) + M @ K
    R = np.asarray(np.linalg.inv(grown), dtype=np.float64)
    H, Szz = R @ M, K @ R
    return R, 0.5 * (H + _t(H)), 0.5 * (Szz + _t(Szz)), np.linalg.slogdet(grown)[1]


def _determinant(x: FloatArray) -> FloatArray:
    product = x[..., 0, 0] * x[..., 1, 1]
    det = product - x[..., 0, 1] ** 2
    return np.where(det > SINGULAR_SHARE * product, det, 0.0)


def _adjugate(x: FloatArray) -> FloatArray:
    out = np.empty_like(x)
    out[..., 0, 0], out[..., 1, 1] = x[..., 1, 1], x[..., 0, 0]
    out[..., 0, 1] = out[..., 1, 0] = -x[..., 0, 1]
    return out


def sum_studies(
    products: Products, shape: VarianceShape, w: FloatArray, *, order: int, with_residual: bool
) -> Totals:
    """Evaluate the sums at variances w.

    Parameters
    ----------
    products : Products
    shape : VarianceShape
    w : array, shape (m, K)
        Variances in the order of `VarianceShape`, residual ones included where
        `with_residual`, else the residual variance is one.
    order : {0, 1, 2}
    with_residual : bool
        Whether derivatives in the residual variances are wanted.

    Returns
    -------
    Totals
    """
    matrix, nested, residual = shape.split(w)
    wanted = with_residual and shape.residuals > 0
    blocks = eliminate_groups(products, residual, nested, order=order, with_residual=wanted)
    q, S = products.varying, products.studies
    C = blocks.products
    Ca = C[:, :, q:, q:]
    m, a = C.shape[0], Ca.shape[-1]
    depth = len(shape.levels)
    kept = depth + int(wanted)
    if q == 0:
        return _without_varying(blocks, shape, order=order, kept=kept, depth=depth)
    B = products.own
    K = C[:, :, :q, :q]
    k = C[:, :, :q, q:]
    R, H, Szz, log_grown = _shrink(matrix[:, None], K)
    rest = _t(R) @ k
    Sza = Szz @ B + rest
    cross = _t(B) @ rest
    E = Ca - _t(k) @ (H @ k) + _t(B) @ (Szz @ B) + cross + _t(cross)
    log_det = (blocks.log_det + log_grown).sum(axis=1)
    Kz = shape.in_matrix
    out = _Derivatives.empty(m, a, Kz, depth, kept, shape, order)
    if order:
        Y = shape.directions[None, :, None] @ Sza[:, None]  # (m, Kz, S, q, a)
        _matrix_derivatives(out, shape, Sza, Szz, Y, order=order)
        if kept:
            D = np.concatenate([R @ B - H @ k, np.broadcast_to(np.eye(a), (m, S, a, a))], axis=2)
            _group_derivatives(out, shape, blocks, D, R, H, Y, kept, order=order)
    return out.totals(E, log_det, Sza, Szz)


@dataclass(slots=True)
class _Derivatives:
    """Derivatives of the sums while they are put together, in the order of the variances."""

    first: FloatArray
    log_first: FloatArray
    second: FloatArray
    log_second: FloatArray
    in_matrix: int
    depth: int
    places: list[int | slice]

    @classmethod
    def empty(
        cls,
        m: int,
        a: int,
        in_matrix: int,
        depth: int,
        kept: int,
        shape: VarianceShape,
        order: int,
    ) -> _Derivatives:
        """Make room for derivatives up to `order`; `kept` counts levels and the residual."""
        residuals = (kept - depth) * (shape.studies if shape.residual == "per-study" else 1)
        total = in_matrix + depth + residuals
        one, two = (total if order else 0), (total if order > 1 else 0)
        return cls(
            first=np.zeros((m, one, a, a)),
            log_first=np.zeros((m, one)),
            second=np.zeros((m, two, two, a, a)),
            log_second=np.zeros((m, two, two)),
            in_matrix=in_matrix,
            depth=depth,
            places=[],
        )

    def place(self, dE: FloatArray, dlog: FloatArray, shape: VarianceShape) -> None:
        """Add per-study derivatives where they belong, and remember where each one went."""
        start = self.in_matrix
        for c in range(dE.shape[2]):
            if c == self.depth and shape.residual == "per-study":
                where = slice(start + c, start + c + shape.studies)
                self.first[:, where] = dE[:, :, c]
                self.log_first[:, where] = dlog[:, :, c]
                self.places.append(where)
            else:
                self.first[:, start + c] = dE[:, :, c].sum(axis=1)
                self.log_first[:, start + c] = dlog[:, :, c].sum(axis=1)
                self.places.append(start + c)

    def place_second(
        self,
        mixed: FloatArray | None,
        mixed_log: FloatArray | None,
        own: FloatArray,
        own_log: FloatArray,
    ) -> None:
        """Add second derivatives: against the matrix's variances, and among the others."""
        for c, where in enumerate(self.places):
            if mixed is not None and mixed_log is not None:
                for k in range(self.in_matrix):
                    _set_pair(self.second, where, k, mixed[:, :, c, k])
                    _set_pair(self.log_second, where, k, mixed_log[:, :, c, k])
            for d in range(c, len(self.places)):
                _set_pair(self.second, where, self.places[d], own[:, :, c, d])
                _set_pair(self.log_second, where, self.places[d], own_log[:, :, c, d])

    def totals(
        self, E: FloatArray, log_det: FloatArray, Sza: FloatArray, Szz: FloatArray
    ) -> Totals:
        """Close the books."""
        return Totals(
            products=E.sum(axis=1),
            log_det=log_det,
            first=self.first,
            second=self.second,
            log_first=self.log_first,
            log_second=self.log_second,
            by_study=E,
            z_products=Sza,
            zz=Szz,
        )


def _matrix_derivatives(
    out: _Derivatives,
    shape: VarianceShape,
    Sza: FloatArray,
    Szz: FloatArray,
    Y: FloatArray,
    *,
    order: int,
) -> None:
    """Add derivatives in the variances of the covariance matrix: V_k = Z E_k Z'."""
    m, S, q, a = Sza.shape
    directions = shape.directions
    K = directions.shape[0]
    flat = Y.reshape(m, K, S * q, a)
    out.first[:, :K] = -(_t(Sza.reshape(m, 1, S * q, a)) @ flat)
    out.log_first[:, :K] = (Szz.sum(axis=1)[:, None] * directions).sum(axis=(-1, -2))
    if order > 1:
        SY = Szz[:, None] @ Y
        out.second[:, :K, :K] = _gram(flat, SY.reshape(m, K, S * q, a))
        SE = Szz[:, None] @ directions[:, None]  # (m, K, S, q, q)
        right = _t(SE).reshape(m, K, S * q * q)
        out.log_second[:, :K, :K] = -(SE.reshape(m, K, S * q * q) @ _t(right))


def _group_derivatives(
    out: _Derivatives,
    shape: VarianceShape,
    blocks: StudyBlocks,
    D: FloatArray,
    R: FloatArray,
    H: FloatArray,
    Y: FloatArray,
    kept: int,
    *,
    order: int,
) -> None:
    """Add derivatives in the variances below the study; D gives A - Z M Z' V^-1 A."""
    q = R.shape[-1]
    F = blocks.first[:, :, :kept]
    FD = F @ D[:, :, None]  # (m, S, kept, r, a)
    Fz, FDz = F[..., :q, :q], FD[..., :q, :]
    dlog = blocks.trace[:, :, :kept] - _trace_with(H[:, :, None], Fz)
    out.place(-(_t(D)[:, :, None] @ FD), dlog, shape)
    if order < 2:
        return
    RFD = _t(R)[:, :, None] @ FDz  # Z' V^-1 U_c
    mixed = _t(RFD)[:, :, :, None] @ np.moveaxis(Y, 1, 2)[:, :, None]
    RFR = _t(R)[:, :, None] @ Fz @ R[:, :, None]
    mixed_log = -(RFR[:, :, :, None] * shape.directions).sum(axis=(-1, -2))
    F2 = blocks.second[:, :, :kept, :kept]
    fall = _t(FDz)[:, :, :, None] @ (H[:, :, None] @ FDz)[:, :, None]
    own = 2.0 * (_t(D)[:, :, None, None] @ (F2 @ D[:, :, None, None])) - fall - _t(fall)
    HF = H[:, :, None] @ Fz
    own_log = (
        2.0 * _trace_with(H[:, :, None, None], F2[..., :q, :q])
        - blocks.trace_two[:, :, :kept, :kept]
        - pair_traces(HF, HF)
    )
    out.place_second(mixed + _t(mixed), mixed_log, own, own_log)


def _gram(Y: FloatArray, SY: FloatArray) -> FloatArray:
    """Twice the symmetric part of ``Y_k' S Y_l`` summed over studies."""
    m, K, n, a = Y.shape
    left = np.swapaxes(Y, 1, 2).reshape(m, n, K * a)
    right = np.swapaxes(SY, 1, 2).reshape(m, n, K * a)
    product = (_t(left) @ right).reshape(m, K, a, K, a).swapaxes(2, 3)
    return product + _t(product)


def _without_varying(
    blocks: StudyBlocks, shape: VarianceShape, *, order: int, kept: int, depth: int
) -> Totals:
    """Give the sums where no coefficient varies between studies."""
    E = blocks.products
    m, S, a, _ = E.shape
    out = _Derivatives.empty(m, a, 0, depth, kept, shape, order)
    if order and kept:
        out.place(-blocks.first[:, :, :kept], blocks.trace[:, :, :kept], shape)
        if order > 1:
            out.place_second(
                None,
                None,
                2.0 * blocks.second[:, :, :kept, :kept],
                -blocks.trace_two[:, :, :kept, :kept],
            )
    empty = np.zeros((m, S, 0, a))
    return out.totals(E, blocks.log_det.sum(axis=1), empty, np.zeros((m, S, 0, 0)))


def _set_pair(out: FloatArray, i: int | slice, j: int | slice, value: FloatArray) -> None:
    """Write per-study values (m, S, ...) into both places of a symmetric array."""
    if isinstance(i, int) and isinstance(j, int):
        out[:, i, j] = out[:, j, i] = value.sum(axis=1)
    elif isinstance(i, int):
        out[:, i, j] = value
        out[:, j, i] = value
    elif isinstance(j, int):
        _set_pair(out, j, i, value)
    else:
        index = np.arange(i.start, i.stop)
        out[:, index, index] = value


@dataclass(frozen=True, slots=True, kw_only=True)
class Criterion:
    """-2 log likelihood with its derivatives in the variances, and what beta is there.

    Parameters
    ----------
    value : array, shape (m,)
    gradient : array, shape (m, K)
    hessian : array, shape (m, K, K)
    beta : array, shape (m, p)
        In the engine's units.
    scale : array, shape (m,)
        Profiled residual variance in the engine's units; one where it is not profiled.
    unscaled : array, shape (m, p, p)
        Inverse of X' V^-1 X (to be multiplied by `scale`).
    quadratic : array, shape (m,)
        y' P y.
    """

    value: FloatArray
    gradient: FloatArray
    hessian: FloatArray
    beta: FloatArray
    scale: FloatArray
    unscaled: FloatArray
    quadratic: FloatArray


# Residual sums of squares below this share of the total are rounding: an exact fit.
EXACT_SHARE = 1e-26


def read_criterion(
    totals: Totals, products: Products, *, restricted: bool, profiled: bool
) -> Criterion:
    """Turn the sums into the criterion.

    Parameters
    ----------
    totals : Totals
    products : Products
    restricted : bool
    profiled : bool
        Whether the residual variance is profiled out (it was one in the sums).

    Returns
    -------
    Criterion
    """
    E = totals.products
    p = products.fixed
    m = E.shape[0]
    Exx, exy, eyy = E[:, :p, :p], E[:, :p, p], E[:, p, p]
    factor = np.linalg.cholesky(Exx)
    identity = np.broadcast_to(np.eye(p), (m, p, p))
    half = np.linalg.solve(factor, identity)
    phi = _t(half) @ half
    lean = (half @ exy[:, :, None])[:, :, 0]
    beta = (_t(half) @ lean[:, :, None])[:, :, 0]
    quadratic = eyy - (lean**2).sum(axis=1)
    u = np.concatenate([-beta, np.ones((m, 1))], axis=1)
    # The difference above loses digits where the fit is close; the form at beta does not
    # go below zero by more than rounding either way, and is as good as E itself.
    quadratic = np.maximum(quadratic, EXACT_SHARE * eyy)
    log_x = 2.0 * np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
    n = products.total_runs
    nu = n - p if restricted else n
    value = totals.log_det + products.constant + nu * np.log(2.0 * np.pi)
    if restricted:
        log_unit = np.log(products.frame.y_unit**2)
        value = value + log_x - p * log_unit + 2.0 * products.frame.log_turn
    if profiled:
        scale = quadratic / nu
        value = value + nu * (1.0 + np.log(scale))
    else:
        scale = np.ones(m)
        value = value + quadratic

    K = totals.first.shape[1]
    gradient, hessian = np.zeros((m, K)), np.zeros((m, K, K))
    if K:
        dEu = (totals.first @ u[:, None, :, None])[..., 0]
        dQ = (dEu * u[:, None]).sum(axis=-1)
        gradient = totals.log_first + dQ / scale[:, None]
        phi_d = phi[:, None] @ totals.first[:, :, :p, :p]
        if restricted:
            gradient = gradient + np.trace(phi_d, axis1=2, axis2=3)
        if totals.second.shape[1]:
            bent = (totals.second @ u[:, None, None, :, None])[..., 0]
            d2Q = (bent * u[:, None, None]).sum(axis=-1)
            side = dEu[:, :, :p] @ _t(half)
            d2Q = d2Q - 2.0 * side @ _t(side)
            hessian = totals.log_second + d2Q / scale[:, None, None]
            if profiled:
                ratio = dQ / scale[:, None]
                hessian = hessian - ratio[:, :, None] * ratio[:, None, :] / nu
            if restricted:
                twice = (phi[:, None, None] * totals.second[..., :p, :p]).sum(axis=(-1, -2))
                hessian = hessian + twice - pair_traces(phi_d, phi_d)
    return Criterion(
        value=value,
        gradient=gradient,
        hessian=hessian,
        beta=beta,
        scale=scale,
        unscaled=phi,
        quadratic=quadratic,
    )
