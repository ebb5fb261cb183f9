"""Power and precision of trials to come, in closed form.

A trial has labs, each with batches of vessels, half of a batch started hot and half cold. The
effect is the log ratio of times at the pair, hot over cold, from vessels that cooled together.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy import integrate, optimize, special, stats

from metafreeze.errors import InputError
from metafreeze.planning.simulate import Scatter

NAN = float("nan")
ALPHA = 0.05
KELVIN_PER_UNIT = 10.0
# Labs from which a range for a new one can be given.
FEWEST_LABS = 3
MOST_BATCHES, MOST_LABS = 1000, 200
# Ends the search for a noticeable effect, in critical values.
FARTHEST = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialDesign:
    """Trials to come.

    Parameters
    ----------
    vessels : int
        Vessels that cool together, at least 2.
    batches : int
        Batches of each lab.
    labs : int
        Labs; with one the answer holds in this freezer.
    hot_c, cold_c : float
        The pair of start temperatures, °C.
    """

    vessels: int
    batches: int
    labs: int = 1
    hot_c: float = 80.0
    cold_c: float = 20.0

    def __post_init__(self) -> None:
        """Refuse what cannot be run."""
        for name, least in (("vessels", 2), ("batches", 1), ("labs", 1)):
            value = getattr(self, name)
            if value < least:
                raise InputError(f"{name} is {value!r}. Give a whole number from {least}.")
        if not self.hot_c > self.cold_c:
            raise InputError(
                f"The pair is {self.hot_c:g} and {self.cold_c:g} °C. Give hot, then cold."
            )

    @property
    def units(self) -> float:
        """The pair's distance in 10 K."""
        return (self.hot_c - self.cold_c) / KELVIN_PER_UNIT

    @property
    def information(self) -> float:
        """What one lab's runs say about hot minus cold, in runs' variances: sum of n_h n_c / n."""
        half = self.vessels // 2
        return self.batches * half * (self.vessels - half) / self.vessels

    @property
    def df(self) -> int:
        """Degrees of freedom: runs less batches less one in one lab, labs less one in several."""
        if self.labs > 1:
            return self.labs - 1
        return self.batches * (self.vessels - 1) - 1


def between_sd(design: TrialDesign, scatter: Scatter) -> float:
    """Give the standard deviation of the effect between labs, as a log ratio at the pair.

    Parameters
    ----------
    design : TrialDesign
    scatter : Scatter

    Returns
    -------
    float
        Zero with one lab, which speaks for itself only.
    """
    return design.units * scatter.slope_sd_per_10k if design.labs > 1 else 0.0


def effect_se(design: TrialDesign, scatter: Scatter) -> float:
    """Give the standard error of the effect.

    Parameters
    ----------
    design : TrialDesign
    scatter : Scatter

    Returns
    -------
    float
        Log ratio; batches' and labs' own levels cancel in it.

    Source
    ------
    A randomised block design, Cochran WG, Cox GM (1957) Experimental Designs, 2nd ed., ch. 4;
    over labs Hedges & Pigott (2001), doi:10.1037/1082-989X.6.3.203: ``(v + tau²)/k``.
    """
    inside = scatter.run_sd**2 / design.information
    return float(np.sqrt((inside + between_sd(design, scatter) ** 2) / design.labs))


def effect_power(
    design: TrialDesign, scatter: Scatter, log_ratio: float, *, alpha: float = ALPHA
) -> float:
    """Give the probability that the interval lies wholly on the effect's own side of zero.

    Parameters
    ----------
    design : TrialDesign
    scatter : Scatter
    log_ratio : float
        True effect.
    alpha : float
        Two-sided level.

    Returns
    -------
    float
        NaN without degrees of freedom.

    Source
    ------
    Noncentral t: Cohen (1988), Statistical Power Analysis, 2nd ed., ch. 2, of which this is the
    right-hand term; with one batch it is the two-sample test of examples POW-1 and POW-2.
    """
    if design.df < 1:
        return NAN
    crit = float(stats.t.isf(alpha / 2, design.df))
    return _beyond(crit, design.df, abs(log_ratio) / effect_se(design, scatter))


def _beyond(crit: float, df: float, shift: float) -> float:
    """P(noncentral t > crit); where the routine underflows the answer is one."""
    power = float(special.nctdtr(df, shift, crit))
    return 1.0 if np.isnan(power) else 1.0 - power


def noticeable_effect(
    design: TrialDesign, scatter: Scatter, *, power: float = 0.8, alpha: float = ALPHA
) -> float:
    """Give the smallest log ratio that would be noticed with this power.

    Parameters
    ----------
    design : TrialDesign
    scatter : Scatter
    power, alpha : float

    Returns
    -------
    float
        Size, without a sign; NaN without degrees of freedom.

    Raises
    ------
    InputError
        A power that is not between the level and one.
    """
    _require_power(power, alpha)
    if design.df < 1:
        return NAN
    return noticed_errors(design.df, power=power, alpha=alpha) * effect_se(design, scatter)


def noticed_errors(df: float, *, power: float = 0.8, alpha: float = ALPHA) -> float:
    """Give how many standard errors an effect must measure to be noticed with this power.

    Parameters
    ----------
    df : float
        Degrees of freedom, above zero.
    power, alpha : float

    Returns
    -------
    float
    """
    crit = float(stats.t.isf(alpha / 2, df))
    end = FARTHEST * max(1.0, crit)
    return float(optimize.brentq(lambda s: _beyond(crit, df, s) - power, 0.0, end, xtol=1e-10))


def _require_power(power: float, alpha: float) -> None:
    if not alpha < power < 1.0:
        raise InputError(f"power is {power!r}. Give a share between {alpha:g} and 1, such as 0.8.")


def half_width(design: TrialDesign, scatter: Scatter, *, alpha: float = ALPHA) -> float:
    """Give half the width of the interval to be expected, its variance known.

    Parameters
    ----------
    design : TrialDesign
    scatter : Scatter
    alpha : float

    Returns
    -------
    float
    """
    if design.df < 1:
        return NAN
    return float(stats.t.isf(alpha / 2, design.df)) * effect_se(design, scatter)


def equivalence_power(
    design: TrialDesign,
    scatter: Scatter,
    log_ratio: float,
    *,
    bound: float,
    alpha: float = ALPHA,
) -> float:
    """Give the probability of showing that the effect is smaller than a bound, either way.

    Parameters
    ----------
    design : TrialDesign
    scatter : Scatter
    log_ratio : float
        True effect.
    bound : float
        The bound, as a log ratio above zero.
    alpha : float
        Level of each of the two one-sided tests.

    Returns
    -------
    float
        NaN where the true effect is no smaller than the bound (more runs then only show that
        it is not), or without degrees of freedom.

    Source
    ------
    Two one-sided tests: Schuirmann (1987), J. Pharmacokinet. Biopharm. 15:657-680,
    doi:10.1007/BF01068419. Exact power, integrating over the standard error: Phillips KF
    (1990), J. Pharmacokinet. Biopharm. 18:137-144, doi:10.1007/BF01063556.
    """
    if not bound > 0.0:
        raise InputError(f"bound is {bound!r}. Give a log ratio above zero.")
    if abs(log_ratio) >= bound or design.df < 1:
        return NAN
    se, df = effect_se(design, scatter), design.df
    crit = float(stats.t.isf(alpha, df))
    # The standard error found is u times the true one, u² df a chi-square.
    largest = bound / (crit * se)

    def inside(u: float) -> float:
        high = stats.norm.cdf((bound - log_ratio) / se - crit * u)
        low = stats.norm.cdf((-bound - log_ratio) / se + crit * u)
        density = 2.0 * df * u * stats.chi2.pdf(df * u * u, df)
        return float(max(high - low, 0.0) * density)

    middle = [u for u in (1.0,) if u < largest]
    top = min(largest, 1.0 + 12.0 / np.sqrt(df))
    value, _ = integrate.quad(inside, 0.0, top, points=middle or None, limit=200)
    return float(min(max(value, 0.0), 1.0))


def new_lab_half_width(design: TrialDesign, scatter: Scatter, *, alpha: float = ALPHA) -> float:
    """Give half the width of the range for a new lab to be expected, spreads known.

    Parameters
    ----------
    design : TrialDesign
    scatter : Scatter
    alpha : float

    Returns
    -------
    float
        NaN with fewer labs than three.

    Source
    ------
    Higgins, Thompson & Spiegelhalter (2009), J. R. Stat. Soc. A 172:137-159,
    doi:10.1111/j.1467-985X.2008.00552.x, k - 2 degrees of freedom.
    """
    if design.labs < FEWEST_LABS:
        return NAN
    spread = np.hypot(between_sd(design, scatter), effect_se(design, scatter))
    return float(stats.t.isf(alpha / 2, design.labs - 2) * spread)


def new_lab_power(design: TrialDesign, scatter: Scatter, log_ratio: float) -> float:
    """Give the probability that the range for a new lab lies wholly on the effect's side.

    Parameters
    ----------
    design : TrialDesign
    scatter : Scatter
    log_ratio : float
        True effect.

    Returns
    -------
    float
        NaN with fewer labs than three.

    Source
    ------
    For labs alike the mean of their effects and its spread S² are independent, S² is
    ``(tau² + v)`` times a chi-square over its degrees of freedom, and the restricted-likelihood
    estimate of tau² is ``max(S² - v, 0)`` (analysis of variance of a balanced layout: Searle SR,
    Casella G, McCulloch CE (1992) Variance Components, section 3.8); integrated over S². v is
    taken as known.
    """
    if design.labs < FEWEST_LABS:
        return NAN
    k = design.labs
    inside = scatter.run_sd**2 / design.information
    whole = inside + between_sd(design, scatter) ** 2
    crit = float(stats.t.isf(ALPHA / 2, k - 2))

    def clear(u: float) -> float:
        spread = whole * u * u
        half = crit * np.sqrt(max(spread - inside, 0.0) + max(spread, inside) / k)
        density = 2.0 * (k - 1) * u * stats.chi2.pdf((k - 1) * u * u, k - 1)
        return float(stats.norm.cdf((abs(log_ratio) - half) / np.sqrt(whole / k)) * density)

    kink = float(np.sqrt(inside / whole))
    top = 1.0 + 12.0 / float(np.sqrt(k - 1))
    value, _ = integrate.quad(clear, 0.0, top, points=[kink, 1.0], limit=200)
    return float(min(max(value, 0.0), 1.0))


def most_power(design: TrialDesign, scatter: Scatter, log_ratio: float) -> float:
    """Give the power that no number of batches exceeds with this many labs.

    Parameters
    ----------
    design : TrialDesign
    scatter : Scatter
    log_ratio : float
        True effect.

    Returns
    -------
    float
        One where labs do not disagree, or with a single lab.
    """
    tau = between_sd(design, scatter)
    if tau == 0.0:
        return 1.0
    crit = float(stats.t.isf(ALPHA / 2, design.df))
    return _beyond(crit, design.df, abs(log_ratio) * np.sqrt(design.labs) / tau)


def batches_needed(
    design: TrialDesign, scatter: Scatter, log_ratio: float, *, power: float = 0.8
) -> float:
    """Give the batches a lab needs for this power, vessels and labs as they are.

    Parameters
    ----------
    design : TrialDesign
        Its own number of batches plays no part.
    scatter : Scatter
    log_ratio : float
        True effect, not zero.
    power : float

    Returns
    -------
    float
        A whole number; infinite where no number of batches, or none up to a thousand, serves.
    """
    _require_power(power, ALPHA)
    if log_ratio == 0.0 or most_power(design, scatter, log_ratio) < power:
        return float("inf")
    return _first(
        MOST_BATCHES,
        lambda n: effect_power(replace(design, batches=n), scatter, log_ratio) >= power,
    )


def labs_needed(
    design: TrialDesign, scatter: Scatter, log_ratio: float, *, power: float = 0.8
) -> float:
    """Give the labs needed for this power, each with the vessels and batches of the design.

    Parameters
    ----------
    design : TrialDesign
        Its own number of labs plays no part.
    scatter : Scatter
    log_ratio : float
        True effect, not zero.
    power : float

    Returns
    -------
    float
        A whole number of at least two; infinite where two hundred are not enough.
    """
    _require_power(power, ALPHA)
    if log_ratio == 0.0:
        return float("inf")
    return _first(
        MOST_LABS,
        lambda n: n > 1 and effect_power(replace(design, labs=n), scatter, log_ratio) >= power,
    )


def _first(most: int, enough: Callable[[int], bool]) -> float:
    """Find the first whole number that is enough; power rises with all of them."""
    if not enough(most):
        return float("inf")
    low, high = 0, most
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return float(high)
