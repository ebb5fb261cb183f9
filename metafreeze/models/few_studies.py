"""Few studies: a normal-normal model with a weakly informative prior on tau, by quadrature.

With three or four studies the data say little on how much labs disagree. A half-normal
prior states what is plausible; everything else follows by one-dimensional integrals, with
no sampling and no simulation error.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import optimize, special, stats

from metafreeze.errors import InputError
from metafreeze.models.heterogeneity import require_level
from metafreeze.models.pool_input import Numbers, check_effects
from metafreeze.options import TauPrior, require_choice
from metafreeze.results import RESULT, FloatArray, Result, round_for_people

# Nodes of Gauss and Legendre in each of the panels into which the posterior of ln tau is cut.
NODES = 24
PANELS = 40
# Panels end where the posterior has fallen by exp(-NEGLIGIBLE) from its mode.
NEGLIGIBLE = 45.0
# The posterior is first looked at from this share of the smallest scale to its inverse of the
# largest: beyond, a tau of zero and an infinite one make no difference.
REACH = 1e-9
LOOKS = 1500
# Power of tau with which each prior falls far out.
_TAIL_POWER = {"half-normal": np.inf, "half-cauchy": 2, "uniform": 0}
# Edges around a sharp mode, in its widths.
AROUND = (0.0, 1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0)


@dataclass(**RESULT)
class FewStudies(Result):
    """Posterior of the mean effect, of tau, and of the next study's true effect.

    Parameters
    ----------
    estimate, sd, low, high : float
        Posterior mean and SD of the mean effect, equal-tailed interval. The SD is infinite where
        few studies and a prior with a long tail give none.
    chance_below_zero : float
        Posterior chance that the mean effect is below zero.
    tau, tau_low, tau_high : float
        Posterior median of tau and equal-tailed interval.
    tau_mean : float
        Posterior mean of tau; infinite where the posterior falls too slowly to have one.
    new_low, new_high : float
        Interval of the next study's true effect.
    new_chance_below_zero : float
        Posterior chance that it is below zero.
    studies : DataFrame
        One row a study: study, mean, sd, low, high of its true effect.
    tau_nodes, tau_weights, node_mean, node_sd : array, shape (g,)
        Quadrature of the posterior of tau, and mean and SD of the mean effect at each node.
    k : int
        Number of studies.
    tau_prior : str
        Prior of tau.
    tau_scale, mean_sd : float
        Its scale; SD of the normal prior of the mean, infinite for a flat one.
    level : float
        Level of the intervals.
    status, note : str
        As in `pool`.
    """

    estimate: float
    sd: float
    low: float
    high: float
    chance_below_zero: float
    tau: float
    tau_low: float
    tau_high: float
    tau_mean: float
    new_low: float
    new_high: float
    new_chance_below_zero: float
    studies: pd.DataFrame
    tau_nodes: FloatArray
    tau_weights: FloatArray
    node_mean: FloatArray
    node_sd: FloatArray
    k: int
    tau_prior: str
    tau_scale: float
    mean_sd: float
    level: float
    status: str
    note: str = field(default="")

    def to_frame(self) -> pd.DataFrame:
        """Give mean effect, next study and tau, then every study, one row each."""
        nan = float("nan")
        head = pd.DataFrame(
            {
                "quantity": ["mean effect", "next study", "tau"],
                "estimate": [self.estimate, self.estimate, self.tau],
                "sd": [self.sd, nan, nan],
                "low": [self.low, self.new_low, self.tau_low],
                "high": [self.high, self.new_high, self.tau_high],
                "chance_below_zero": [self.chance_below_zero, self.new_chance_below_zero, 0.0],
            }
        )
        tail = pd.DataFrame(
            {
                "quantity": "study: " + self.studies["study"],
                "estimate": self.studies["mean"],
                "sd": self.studies["sd"],
                "low": self.studies["low"],
                "high": self.studies["high"],
                "chance_below_zero": self.studies["chance_below_zero"],
            }
        )
        return pd.concat([head, tail], ignore_index=True)

    def headline(self) -> str:
        """Say the result in one line."""
        return (
            f"mean effect {round_for_people(self.estimate)} ({100 * self.level:g} % "
            f"{round_for_people(self.low)} to {round_for_people(self.high)}), {self.k} studies; "
            f"below zero with chance {self.chance_below_zero:.2f}, the next study with "
            f"{self.new_chance_below_zero:.2f}; {self.tau_prior} prior on tau, scale "
            f"{round_for_people(self.tau_scale)}"
        )

    def chance_mean_below(self, value: float) -> float:
        """Give the posterior chance that the mean effect is below `value`."""
        return _mixture_cdf(value, self.tau_weights, self.node_mean, self.node_sd)

    def chance_next_below(self, value: float) -> float:
        """Give the posterior chance that the next study's true effect is below `value`."""
        wide = np.hypot(self.node_sd, self.tau_nodes)
        return _mixture_cdf(value, self.tau_weights, self.node_mean, wide)


def pool_few(
    estimate: Numbers,
    variance: Numbers,
    *,
    tau_scale: float,
    tau_prior: TauPrior = "half-normal",
    mean_sd: float = float("inf"),
    study: Sequence[Hashable] | npt.ArrayLike | None = None,
    level: float = 0.95,
) -> FewStudies:
    """Pool few studies with a stated prior on how much they disagree.

    Parameters
    ----------
    estimate, variance : array or Series, shape (k,)
        Effects and sampling variances above zero.
    tau_scale : float
        Scale of the prior of tau, in the unit of the effects: half of the prior mass of a
        half-normal lies below 0.67 times this. For slopes of ln time per +10 K, 0.02 says that
        labs mostly differ by under 4 %; for log ratios of far-apart starts, 0.1 to 0.5.
        Ignored, and 1 will do, for the uniform prior.
    tau_prior : {"half-normal", "half-cauchy", "uniform"}
        Shape of the prior. The uniform one needs three studies.
    mean_sd : float
        SD of a normal prior of the mean around zero; infinite for a flat one.
    study : sequence, optional
        Study labels.
    level : float
        Level of the intervals.

    Returns
    -------
    FewStudies

    Raises
    ------
    InputError
        As `pool`; or a scale is not above zero; or the posterior would not exist.

    Source
    ------
    Gelman, Carlin, Stern, Dunson, Vehtari & Rubin (2013), Bayesian Data Analysis, 3rd ed.,
    sec. 5.4 (eqs 5.17 to 5.21); half-normal prior: Friede, Roever, Wandel & Neuenschwander
    (2017), Res. Synth. Methods 8:79, doi:10.1002/jrsm.1217. The eight schools of Rubin (1981)
    are the published check.

    Examples
    --------
    >>> three = pool_few([-0.02, 0.01, 0.03], [2e-4, 1e-4, 3e-4], tau_scale=0.02)
    >>> round(three.chance_below_zero, 2)
    0.31
    """
    require_choice(tau_prior, TauPrior, name="tau_prior")
    require_level(level)
    for name, value in (("tau_scale", tau_scale), ("mean_sd", mean_sd)):
        if not value > 0:
            raise InputError(f"{name} is {value!r}. Give a number above zero.")
    effects = check_effects(estimate, variance, study=study)
    y, v = effects.estimate, effects.variance
    flat = np.isinf(mean_sd)
    if tau_prior == "uniform" and y.size < (3 if flat else 2):
        raise InputError(
            f"With {y.size} studies and a uniform prior on tau the posterior does not exist. Use "
            'the "half-normal" prior.'
        )

    def log_posterior(tau: FloatArray) -> FloatArray:
        return _log_marginal(tau, y, v, mean_sd) + _log_prior(tau, tau_prior, tau_scale)

    edges, height = _panels(log_posterior, y, v, tau_scale)
    nodes, weights, masses = _tau_quadrature(log_posterior, edges, height)
    mean, sd, _ = _given_tau(nodes, y, v, mean_sd)
    tail = (1 - level) / 2
    wide = np.hypot(sd, nodes)
    centre = float(weights @ mean)
    cumulative = _tau_quantiles(log_posterior, edges, height, masses)
    notes = [
        f"the {tau_prior} prior on how much studies disagree weighs in; try half and twice its "
        "scale"
    ]
    spread = float(np.sqrt(weights @ (sd**2 + (mean - centre) ** 2)))
    tau_mean = float(weights @ nodes)
    # Far out the density of tau falls as this power of it, and the variance of the mean effect
    # under a flat prior grows as its square.
    power = _TAIL_POWER[tau_prior] + y.size - int(flat)
    if power <= 2:
        tau_mean = float("inf")
        notes.append("the mean of tau is infinite, since its posterior falls so slowly")
    if flat and power <= 3:
        spread = float("inf")
        notes.append("the standard deviation of the mean effect is infinite, its interval is not")
    return FewStudies(
        estimate=centre,
        sd=spread,
        low=_mixture_quantile(tail, weights, mean, sd),
        high=_mixture_quantile(1 - tail, weights, mean, sd),
        chance_below_zero=_mixture_cdf(0.0, weights, mean, sd),
        tau=cumulative(0.5),
        tau_low=cumulative(tail),
        tau_high=cumulative(1 - tail),
        tau_mean=tau_mean,
        new_low=_mixture_quantile(tail, weights, mean, wide),
        new_high=_mixture_quantile(1 - tail, weights, mean, wide),
        new_chance_below_zero=_mixture_cdf(0.0, weights, mean, wide),
        studies=_study_table(effects.study, nodes, weights, y, v, mean, sd, tail),
        tau_nodes=nodes,
        tau_weights=weights,
        node_mean=mean,
        node_sd=sd,
        k=y.size,
        tau_prior=tau_prior,
        tau_scale=tau_scale,
        mean_sd=mean_sd,
        level=level,
        status="ok",
        note="; ".join(notes),
    )


def _given_tau(
    tau: FloatArray, y: FloatArray, v: FloatArray, mean_sd: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give mean and SD of the mean effect at each tau, and the weighted residual squares."""
    w = 1.0 / (v + np.square(tau)[:, np.newaxis])
    precision = w.sum(axis=1) + 1.0 / mean_sd**2
    mean = (w @ y) / precision
    squares = np.einsum("gk,gk->g", w, (y - mean[:, np.newaxis]) ** 2) + (mean / mean_sd) ** 2
    return mean, 1.0 / np.sqrt(precision), squares


def _log_marginal(tau: FloatArray, y: FloatArray, v: FloatArray, mean_sd: float) -> FloatArray:
    """Give ln p(y | tau) up to a constant (Gelman et al. 2013, eq. 5.21 without prior)."""
    _, sd, squares = _given_tau(tau, y, v, mean_sd)
    total = v + np.square(tau)[:, np.newaxis]
    value: FloatArray = np.log(sd) - 0.5 * np.log(total).sum(axis=1) - 0.5 * squares
    return value


def _log_prior(tau: FloatArray, kind: str, scale: float) -> FloatArray:
    if kind == "half-normal":
        return -0.5 * np.square(tau / scale)
    if kind == "half-cauchy":
        return -np.log1p(np.square(tau / scale))
    return np.zeros_like(tau)


def _log_scale(log_posterior: Callable[[FloatArray], FloatArray], x: FloatArray) -> FloatArray:
    """Give the log density of ln tau at x, up to a constant."""
    return log_posterior(np.exp(x)) + x


def _panels(
    log_posterior: Callable[[FloatArray], FloatArray],
    y: FloatArray,
    v: FloatArray,
    scale: float,
) -> tuple[FloatArray, float]:
    """Cut ln tau into panels that cover the posterior, finely around its mode; and its height."""
    sizes = [float(np.sqrt(v.min())), float(np.sqrt(v.max()) + np.ptp(y)), scale]
    x = np.linspace(np.log(REACH * min(sizes)), np.log(max(sizes) / REACH), LOOKS)
    value = _log_scale(log_posterior, x)
    top = int(value.argmax())
    low, high = x[max(0, top - 1)], x[min(top + 1, LOOKS - 1)]
    found = optimize.minimize_scalar(
        lambda at: -float(_log_scale(log_posterior, np.array([at]))[0]),
        bounds=(float(low), float(high)),
        method="bounded",
        options={"xatol": 1e-10},
    )
    mode, height = float(found.x), max(-float(found.fun), float(value[top]))
    inside = np.flatnonzero(value > height - NEGLIGIBLE)
    # A mode sharper than the looks are apart may leave none of them inside.
    first = x[max(0, inside[0] - 1)] if inside.size else low
    last = x[min(inside[-1] + 1, LOOKS - 1)] if inside.size else high
    step = 1e-4 * float(x[1] - x[0])
    three = _log_scale(log_posterior, mode + step * np.array([-1.0, 0.0, 1.0]))
    bend = float(2 * three[1] - three[0] - three[2]) / step**2
    around = np.array([])
    if bend > 0:
        width = min(1.0 / np.sqrt(bend), float(last - first))
        around = np.concatenate([mode - width * np.array(AROUND), mode + width * np.array(AROUND)])
        around = around[(around > first) & (around < last)]
    return np.unique(np.concatenate([np.linspace(first, last, PANELS + 1), around])), height


def _tau_quadrature(
    log_posterior: Callable[[FloatArray], FloatArray], edges: FloatArray, height: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give nodes in tau with normalised weights, and the unnormalised mass of each panel."""
    t, w = special.roots_legendre(NODES)
    half = np.diff(edges)[:, np.newaxis] / 2
    x = edges[:-1, np.newaxis] + half + half * t
    density = np.exp(_log_scale(log_posterior, x.ravel()).reshape(x.shape) - height)
    mass = half * w * density
    weights = mass.ravel()
    return np.exp(x.ravel()), weights / weights.sum(), mass.sum(axis=1)


def _tau_quantiles(
    log_posterior: Callable[[FloatArray], FloatArray],
    edges: FloatArray,
    height: float,
    masses: FloatArray,
) -> Callable[[float], float]:
    """Give the quantile function of tau: whole panels, and quadrature inside the last one."""
    t, w = special.roots_legendre(NODES)
    steps = np.concatenate([[0.0], np.cumsum(masses)])

    def below(x: float) -> float:
        j = min(max(int(np.searchsorted(edges, x, side="right")) - 1, 0), len(edges) - 2)
        h = (x - edges[j]) / 2
        inside = _log_scale(log_posterior, edges[j] + h + h * t) - height
        return float((steps[j] + h * w @ np.exp(inside)) / steps[-1])

    def quantile(p: float) -> float:
        at = optimize.brentq(lambda x: below(x) - p, float(edges[0]), float(edges[-1]), xtol=1e-13)
        return float(np.exp(at))

    return quantile


def _mixture_cdf(x: float, weights: FloatArray, mean: FloatArray, sd: FloatArray) -> float:
    # The weights sum to one but for rounding; a chance is never above one.
    return min(1.0, float(weights @ stats.norm.cdf((x - mean) / sd)))


def _mixture_quantile(p: float, weights: FloatArray, mean: FloatArray, sd: FloatArray) -> float:
    # All components lie below their own p-quantile with chance p, so these two bracket; a width
    # more on either side keeps rounding out of it.
    ends = mean + stats.norm.ppf(p) * sd
    low, high = float(ends.min()), float(ends.max())
    width = float(sd.max())
    return float(
        optimize.brentq(
            lambda x: _mixture_cdf(x, weights, mean, sd) - p,
            low - width,
            high + width,
            xtol=1e-14 * width,
            rtol=1e-14,
        )
    )


def _study_table(
    names: tuple[str, ...],
    tau: FloatArray,
    weights: FloatArray,
    y: FloatArray,
    v: FloatArray,
    mean: FloatArray,
    sd: FloatArray,
    tail: float,
) -> pd.DataFrame:
    """Give each study's own true effect, drawn towards the mean (Gelman et al. eq. 5.17)."""
    rows = []
    for name, effect, variance in zip(names, y, v, strict=True):
        keep = np.square(tau) / (variance + np.square(tau))  # share of the study's own evidence
        centre = keep * effect + (1 - keep) * mean
        width = np.sqrt(keep * variance + (1 - keep) ** 2 * sd**2)
        overall = float(weights @ centre)
        rows.append(
            (
                name,
                overall,
                float(np.sqrt(weights @ (width**2 + (centre - overall) ** 2))),
                _mixture_quantile(tail, weights, centre, width),
                _mixture_quantile(1 - tail, weights, centre, width),
                _mixture_cdf(0.0, weights, centre, width),
            )
        )
    return pd.DataFrame(rows, columns=["study", "mean", "sd", "low", "high", "chance_below_zero"])
