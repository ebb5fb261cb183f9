"""How much true effects differ between studies: the variance tau², by eight rules.

Every rule takes effects `y` (k,), known sampling variances `v` (k,) and a design `X`
(k, p) whose first column is ones. With ``W(t) = diag(1 / (v + t))`` and
``P = W - W X (X'W X)^-1 X'W``, all of them need only sums over the residual operator P,
which come from one QR factorisation of ``W^(1/2) X``.

Source
------
Viechtbauer (2005), J. Educ. Behav. Stat. 30:261, doi:10.3102/10769986030003261, and
Veroniki et al. (2016), Res. Synth. Methods 7:55, doi:10.1002/jrsm.1164 state the rules side
by side; the original of each is named where it is computed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from metafreeze.results import FloatArray

GRID_PER_DECADE = 16
# The grid of t starts this far below the smallest sampling variance: below it P barely moves.
GRID_START = 1e-3
# brentq takes no smaller relative tolerance than four units in the last place.
ROOT_RELATIVE = 4 * np.finfo(np.float64).eps


@dataclass(frozen=True, slots=True)
class Residuals:
    """Sums over the residual operator P at one or several values of t (axis 0).

    Parameters
    ----------
    q : array, shape (g,)
        ``y'P y``.
    pp : array, shape (g,)
        ``y'P P y``.
    trace : array, shape (g,)
        ``tr P``.
    trace_w : array, shape (g,)
        ``tr W``.
    log_det_v : array, shape (g,)
        ``ln |V + t I|``.
    log_det_x : array, shape (g,)
        ``ln |X'W X|``.
    """

    q: FloatArray
    pp: FloatArray
    trace: FloatArray
    trace_w: FloatArray
    log_det_v: FloatArray
    log_det_x: FloatArray


def residual_sums(y: FloatArray, v: FloatArray, x: FloatArray, t: FloatArray) -> Residuals:
    """Compute the sums over P for every value of `t`.

    Parameters
    ----------
    y, v : array, shape (k,)
        Effects and sampling variances.
    x : array, shape (k, p)
        Design.
    t : array, shape (g,)
        Values of tau².

    Returns
    -------
    Residuals
    """
    total = v[np.newaxis, :] + t[:, np.newaxis]
    w = 1.0 / total
    root = np.sqrt(w)
    basis, upper = np.linalg.qr(root[:, :, np.newaxis] * x[np.newaxis, :, :])
    z = root * y
    inside = np.einsum("gkp,gk->gp", basis, z)
    e = z - np.einsum("gkp,gp->gk", basis, inside)
    leverage = np.einsum("gkp,gkp->gk", basis, basis)
    diagonal = np.abs(np.diagonal(upper, axis1=1, axis2=2))
    return Residuals(
        q=np.einsum("gk,gk->g", e, e),
        pp=np.einsum("gk,gk,gk->g", w, e, e),
        trace=np.einsum("gk,gk->g", w, 1.0 - leverage),
        trace_w=w.sum(axis=1),
        log_det_v=np.log(total).sum(axis=1),
        log_det_x=2.0 * np.log(diagonal).sum(axis=1),
    )


def _sums_at(y: FloatArray, v: FloatArray, x: FloatArray, t: float) -> Residuals:
    return residual_sums(y, v, x, np.array([t]))


def cochran_q(y: FloatArray, v: FloatArray, x: FloatArray, *, tau2: float = 0.0) -> float:
    """Give the weighted residual sum of squares ``y'P(tau²) y``.

    Parameters
    ----------
    y, v : array, shape (k,)
        Effects and sampling variances.
    x : array, shape (k, p)
        Design.
    tau2 : float
        Between-study variance in the weights.

    Returns
    -------
    float

    Source
    ------
    Cochran (1954), Biometrics 10:101, doi:10.2307/3001666.
    """
    return float(_sums_at(y, v, x, tau2).q[0])


def _least_squares_residuals(y: FloatArray, x: FloatArray) -> tuple[FloatArray, FloatArray]:
    basis, _ = np.linalg.qr(x)
    return y - basis @ (basis.T @ y), np.einsum("kp,kp->k", basis, basis)


def solve_q(y: FloatArray, v: FloatArray, x: FloatArray, target: float) -> float:
    """Find the t at which ``y'P(t) y`` equals `target`; zero where it is smaller at t = 0.

    The function falls strictly in t, so the root is single.

    Parameters
    ----------
    y, v : array, shape (k,)
        Effects and sampling variances.
    x : array, shape (k, p)
        Design.
    target : float
        Above zero.

    Returns
    -------
    float
    """

    def gap(t: float) -> float:
        return float(_sums_at(y, v, x, t).q[0]) - target

    if gap(0.0) <= 0:
        return 0.0
    e, _ = _least_squares_residuals(y, x)
    # Q(t) <= RSS / (min v + t), so the root cannot lie above RSS / target.
    top = float(e @ e) / target
    while gap(top) > 0:  # rounding may leave the bound a hair too small
        top *= 2.0
    return _root(gap, 0.0, top, v)


def _root(function: Callable[[float], float], low: float, high: float, v: FloatArray) -> float:
    return float(brentq(function, low, high, xtol=1e-15 * float(v.min()), rtol=ROOT_RELATIVE))


def dersimonian_laird(y: FloatArray, v: FloatArray, x: FloatArray) -> float:
    """Weighted moments: ``max(0, (Q - (k - p)) / tr P(0))``.

    Parameters
    ----------
    y, v : array, shape (k,)
        Effects and sampling variances.
    x : array, shape (k, p)
        Design.

    Returns
    -------
    float

    Source
    ------
    DerSimonian & Laird (1986), Control. Clin. Trials 7:177, doi:10.1016/0197-2456(86)90046-2,
    with moderators as in Raudenbush (2009), Handbook of Research Synthesis, 2nd ed., ch. 16.
    """
    sums = _sums_at(y, v, x, 0.0)
    free = y.size - x.shape[1]
    return max(0.0, float((sums.q[0] - free) / sums.trace[0]))


def hedges(y: FloatArray, v: FloatArray, x: FloatArray) -> float:
    """Unweighted moments: ``max(0, (RSS - sum v (1 - h)) / (k - p))``.

    Parameters
    ----------
    y, v : array, shape (k,)
        Effects and sampling variances.
    x : array, shape (k, p)
        Design.

    Returns
    -------
    float

    Source
    ------
    Hedges (1983), Psychol. Bull. 93:388, doi:10.1037/0033-2909.93.2.388.
    """
    e, leverage = _least_squares_residuals(y, x)
    return max(0.0, float((e @ e - v @ (1.0 - leverage)) / (y.size - x.shape[1])))


def sidik_jonkman(y: FloatArray, v: FloatArray, x: FloatArray) -> float:
    """Weighted residual mean square, started from the crude variance with divisor k.

    Parameters
    ----------
    y, v : array, shape (k,)
        Effects and sampling variances.
    x : array, shape (k, p)
        Design.

    Returns
    -------
    float

    Source
    ------
    Sidik & Jonkman (2005), J. R. Stat. Soc. C 54:367, doi:10.1111/j.1467-9876.2005.00489.x.
    """
    e, _ = _least_squares_residuals(y, x)
    start = float(e @ e) / y.size
    if start == 0.0:
        return 0.0
    # Weights 1 / (v / start + 1) are start / (v + start): Q at t = start, times start.
    return float(start * cochran_q(y, v, x, tau2=start) / (y.size - x.shape[1]))


def paule_mandel(y: FloatArray, v: FloatArray, x: FloatArray) -> float:
    """Solve ``Q(tau²) = k - p``; the empirical Bayes fixed point is the same root.

    Parameters
    ----------
    y, v : array, shape (k,)
        Effects and sampling variances.
    x : array, shape (k, p)
        Design.

    Returns
    -------
    float

    Source
    ------
    Paule & Mandel (1982), J. Res. Natl. Bur. Stand. 87:377, doi:10.6028/jres.087.022; Morris
    (1983), J. Am. Stat. Assoc. 78:47: with w = 1/(v + t) his
    ``t sum w = k/(k - p) Q - sum w v`` says ``k = k/(k - p) Q``.
    """
    return solve_q(y, v, x, float(y.size - x.shape[1]))


def likelihood_criterion(sums: Residuals, *, restricted: bool) -> FloatArray:
    """Give -2 log likelihood up to a constant at every t.

    Parameters
    ----------
    sums : Residuals
        From `residual_sums`.
    restricted : bool
        Whether the fixed part is integrated out.

    Returns
    -------
    array, shape (g,)
    """
    full = sums.log_det_v + sums.q
    return full + sums.log_det_x if restricted else full


def _score(sums: Residuals, *, restricted: bool) -> FloatArray:
    return sums.pp - (sums.trace if restricted else sums.trace_w)


def maximise_likelihood(y: FloatArray, v: FloatArray, x: FloatArray, *, restricted: bool) -> float:
    """Find the highest mode of the likelihood in tau², zero included.

    The likelihood can have several modes, so the score is evaluated over a grid that
    brackets all of them, each fall through zero is refined, and the best mode is kept.

    Parameters
    ----------
    y, v : array, shape (k,)
        Effects and sampling variances.
    x : array, shape (k, p)
        Design.
    restricted : bool
        Restricted (True) or full likelihood.

    Returns
    -------
    float

    Source
    ------
    Hardy & Thompson (1996), Stat. Med. 15:619; Harville (1977), J. Am. Stat. Assoc. 72:320,
    score ``y'PPy - tr P`` (restricted) or ``y'PPy - tr W`` (full).
    """
    e, _ = _least_squares_residuals(y, x)
    free = y.size - x.shape[1]
    # y'PPy <= RSS/(min v + t)² and tr P >= (k - p)/(max v + t): no mode lies above `top`.
    top = max(float(v.max()), 2.0 * float(e @ e) / free)
    start = GRID_START * float(v.min())
    points = max(2, int(np.ceil(GRID_PER_DECADE * np.log10(top / start))))
    grid = np.concatenate([[0.0], np.geomspace(start, top, points)])
    score = _score(residual_sums(y, v, x, grid), restricted=restricted)

    def at(t: float) -> float:
        return float(_score(_sums_at(y, v, x, t), restricted=restricted)[0])

    modes = [0.0] if score[0] <= 0 else []
    falls = np.flatnonzero((score[:-1] > 0) & (score[1:] <= 0))
    modes += [_root(at, float(grid[i]), float(grid[i + 1]), v) for i in falls]
    if len(modes) == 1:
        return modes[0]
    heights = likelihood_criterion(residual_sums(y, v, x, np.array(modes)), restricted=restricted)
    return modes[int(np.argmin(heights))]


def restricted_likelihood(y: FloatArray, v: FloatArray, x: FloatArray) -> float:
    """Restricted likelihood; see `maximise_likelihood`."""
    return maximise_likelihood(y, v, x, restricted=True)


def full_likelihood(y: FloatArray, v: FloatArray, x: FloatArray) -> float:
    """Full likelihood; see `maximise_likelihood`."""
    return maximise_likelihood(y, v, x, restricted=False)


def no_spread(y: FloatArray, v: FloatArray, x: FloatArray) -> float:  # noqa: ARG001
    """One true effect for all studies: tau² is zero by assumption."""
    return 0.0


RULES: dict[str, Callable[[FloatArray, FloatArray, FloatArray], float]] = {
    "restricted-likelihood": restricted_likelihood,
    "likelihood": full_likelihood,
    "paule-mandel": paule_mandel,
    "dersimonian-laird": dersimonian_laird,
    "hedges": hedges,
    "sidik-jonkman": sidik_jonkman,
    "empirical-bayes": paule_mandel,
    "none": no_spread,
}


def estimate_tau2(y: FloatArray, v: FloatArray, x: FloatArray, *, spread: str) -> float:
    """Estimate tau² by one of the rules; never below zero.

    Effects are first brought to a scale of a power of two near their standard errors, so
    that the unit in which they are given changes no digit.

    Parameters
    ----------
    y, v : array, shape (k,)
        Effects and sampling variances above zero.
    x : array, shape (k, p)
        Design of full column rank, p below k.
    spread : str
        One of `RULES`.

    Returns
    -------
    float
    """
    y, v, scale = power_of_two_scale(y, v)
    return RULES[spread](y, v, x) * scale**2


def power_of_two_scale(y: FloatArray, v: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Divide effects by the power of two nearest to their typical standard error.

    Parameters
    ----------
    y, v : array, shape (k,)
        Effects and sampling variances.

    Returns
    -------
    y, v : array, shape (k,)
        Scaled; no digit is lost.
    scale : float
        The divisor of y.
    """
    scale = float(2.0 ** np.round(0.5 * np.median(np.log2(v))))
    # Two divisions, since the square of the scale may leave the range of numbers.
    return y / scale, v / scale / scale, scale


def profile_q(
    y: FloatArray, v: FloatArray, x: FloatArray, *, lower_target: float, upper_target: float
) -> tuple[float, float]:
    """Invert Q(t) at two chi-square quantiles: an interval for tau².

    Parameters
    ----------
    y, v : array, shape (k,)
        Effects and sampling variances.
    x : array, shape (k, p)
        Design.
    lower_target, upper_target : float
        The upper and the lower chi-square quantile on k - p degrees of freedom; the larger one
        gives the lower limit.

    Returns
    -------
    low, high : float

    Source
    ------
    Viechtbauer (2007), Stat. Med. 26:37, doi:10.1002/sim.2514.
    """
    y, v, scale = power_of_two_scale(y, v)
    low = solve_q(y, v, x, lower_target) * scale**2
    high = solve_q(y, v, x, upper_target) * scale**2
    return low, high
