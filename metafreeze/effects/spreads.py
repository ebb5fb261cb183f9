"""Turn what a table prints (SE, interval, quartiles, range, p) into a mean and an SD.

Every rule is stated beside its function. Times scatter about in proportion to their
length, so quartiles and ranges are best taken on logarithms, where quantiles transform
exactly; the raw-scale rules are there for effects in minutes.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import integrate, special, stats

from metafreeze.errors import InputError

NAN = float("nan")


@dataclass(frozen=True, slots=True, kw_only=True)
class Arm:
    """Mean and spread of one group on one scale.

    Parameters
    ----------
    mean : float
        Mean on the scale.
    sd : float
        Standard deviation of single runs; NaN where only the error of the mean is known.
    n : float
        Number of runs; NaN where not reported.
    mean_variance : float
        Sampling variance of the mean.
    derived : str
        How the numbers were derived where they were not printed; empty otherwise.
    problem : str
        Why the group cannot be weighed; empty where it can.
    """

    mean: float = NAN
    sd: float = NAN
    n: float = NAN
    mean_variance: float = NAN
    derived: str = ""
    problem: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintedArm:
    """What a table prints about one group; NaN where it does not.

    Parameters
    ----------
    n : float
        Number of runs.
    mean, sd, se : float
        Mean, standard deviation of runs, standard error of the mean.
    ci_low, ci_high, ci_level : float
        Interval of the mean and its level.
    median, q1, q3, minimum, maximum : float
        Quantiles.
    """

    n: float = NAN
    mean: float = NAN
    sd: float = NAN
    se: float = NAN
    ci_low: float = NAN
    ci_high: float = NAN
    ci_level: float = 0.95
    median: float = NAN
    q1: float = NAN
    q3: float = NAN
    minimum: float = NAN
    maximum: float = NAN


def sd_from_se(se: float, n: float) -> float:
    """Give the standard deviation from a standard error: ``se sqrt(n)``.

    Parameters
    ----------
    se, n : float
        Standard error of the mean and number of runs.

    Returns
    -------
    float
    """
    return se * float(np.sqrt(n))


def sd_from_interval(low: float, high: float, n: float, *, level: float = 0.95) -> float:
    """Give the standard deviation from an interval of the mean, by t on n - 1 df.

    Parameters
    ----------
    low, high : float
        Limits.
    n : float
        Number of runs, at least 2.
    level : float
        Level of the interval.

    Returns
    -------
    float

    Source
    ------
    Cochrane Handbook for Systematic Reviews of Interventions v6, sec. 6.5.2.2; examples ES-17
    and CONV-4.
    """
    if n < 2:
        raise InputError(f"n is {n:g}. The interval of a mean of one run gives no SD.")
    return float(np.sqrt(n) * (high - low) / (2 * stats.t.isf((1 - level) / 2, n - 1)))


def t_from_p(p: float, df: float) -> float:
    """Give the |t| whose two-sided p-value on `df` degrees of freedom is p.

    Parameters
    ----------
    p, df : float
        Two-sided p-value and degrees of freedom.

    Returns
    -------
    float

    Source
    ------
    Cochrane Handbook v6, sec. 6.5.2.3; example ES-17.
    """
    return float(stats.t.isf(p / 2, df))


def sd_from_se_of_difference(se: float, n_1: float, n_2: float) -> float:
    """Give the common SD of two groups from the standard error of their difference.

    Parameters
    ----------
    se : float
        Standard error of the difference of means.
    n_1, n_2 : float
        Runs in the groups.

    Returns
    -------
    float

    Source
    ------
    Cochrane Handbook v6, sec. 6.5.2.3; example ES-17.
    """
    return float(se / np.sqrt(1 / n_1 + 1 / n_2))


def change_correlation(sd_before: float, sd_after: float, sd_change: float) -> float:
    """Correlation of two readings of the same specimens from three standard deviations.

    Parameters
    ----------
    sd_before, sd_after, sd_change : float
        Standard deviations before, after and of the change.

    Returns
    -------
    float

    Source
    ------
    Cochrane Handbook v6, sec. 6.5.2.8; example ES-17.
    """
    return (sd_before**2 + sd_after**2 - sd_change**2) / (2 * sd_before * sd_after)


def change_sd(sd_before: float, sd_after: float, correlation: float) -> float:
    """Give the SD of a change from the two standard deviations and their correlation.

    Parameters
    ----------
    sd_before, sd_after, correlation : float
        Standard deviations and correlation.

    Returns
    -------
    float

    Source
    ------
    Cochrane Handbook v6, sec. 6.5.2.8; example ES-17.
    """
    squared = sd_before**2 + sd_after**2 - 2 * correlation * sd_before * sd_after
    return float(np.sqrt(squared))


def combine_groups(
    mean_1: float, sd_1: float, n_1: float, mean_2: float, sd_2: float, n_2: float
) -> tuple[float, float, float]:
    """Mean, SD and size of two groups taken as one; exact.

    Parameters
    ----------
    mean_1, sd_1, n_1, mean_2, sd_2, n_2 : float
        Means, standard deviations and sizes.

    Returns
    -------
    mean, sd, n : float

    Source
    ------
    Cochrane Handbook v6, Table 6.5.a; example ES-18.
    """
    n = n_1 + n_2
    mean = (n_1 * mean_1 + n_2 * mean_2) / n
    between = n_1 * n_2 / n * (mean_1 - mean_2) ** 2
    return mean, float(np.sqrt(((n_1 - 1) * sd_1**2 + (n_2 - 1) * sd_2**2 + between) / (n - 1))), n


def log_normal_moments(mean: float, sd: float) -> tuple[float, float]:
    """Mean and variance of logarithms of a log-normal quantity with this mean and SD.

    Parameters
    ----------
    mean, sd : float
        Raw mean above zero and standard deviation.

    Returns
    -------
    mu, s2 : float
        ``s2 = ln(1 + sd²/mean²)`` and ``mu = ln(mean) - s2/2``.

    Source
    ------
    Higgins, White & Anzures-Cabrera (2008), Stat. Med. 27:6072, doi:10.1002/sim.3427, method 1.
    """
    if not mean > 0:
        raise InputError(
            f"The mean is {mean:g}. A logarithm needs a mean above zero: ratios make no sense on "
            "a scale whose zero is arbitrary."
        )
    s2 = float(np.log1p((sd / mean) ** 2))
    return float(np.log(mean)) - s2 / 2, s2


@lru_cache(maxsize=4096)
def expected_range(n: int) -> float:
    """Give the expected range of n standard normals.

    Parameters
    ----------
    n : int
        At least 1.

    Returns
    -------
    float

    Source
    ------
    Tippett (1925), Biometrika 17:364: ``integral of 1 - F^n - (1 - F)^n``; example CONV-1 (Wan
    et al. 2014, Table 1, whose cell for n = 12 is one off in the third decimal).
    """
    if n < 2:
        return 0.0

    def inside(z: float) -> float:
        below = special.log_ndtr(z)
        above = special.log_ndtr(-z)
        return float(-np.expm1(n * below) - np.exp(n * above))

    # Symmetric; beyond 12 the integrand is below 1e-30 for any n in use.
    half, _ = integrate.quad(inside, 0.0, 12.0, epsabs=1e-13, epsrel=1e-12, limit=200)
    other, _ = integrate.quad(inside, -12.0, 0.0, epsabs=1e-13, epsrel=1e-12, limit=200)
    return float(half + other)


@lru_cache(maxsize=4096)
def expected_quartile_gap(n: int) -> float:
    """Give the expected distance between the quartiles of n = 4Q + 1 standard normals.

    Parameters
    ----------
    n : int
        Of the form 4Q + 1, at least 5.

    Returns
    -------
    float

    Source
    ------
    Wan, Wang, Liu & Tong (2014), BMC Med. Res. Methodol. 14:135,
    doi:10.1186/1471-2288-14-135, Table 2; example CONV-2.
    """
    if n < 5 or n % 4 != 1:
        raise InputError(f"n is {n}. The exact quartile gap is tabulated for 5, 9, 13 and so on.")
    q = (n - 1) // 4
    rank = 3 * q + 1
    log_factor = special.gammaln(n + 1) - special.gammaln(rank) - special.gammaln(n - rank + 1)

    def inside(z: float) -> float:
        log_density = (
            log_factor
            + (rank - 1) * special.log_ndtr(z)
            + (n - rank) * special.log_ndtr(-z)
            - z * z / 2
            - 0.5 * np.log(2 * np.pi)
        )
        return float(z * np.exp(log_density))

    middle = float(special.ndtri(rank / (n + 1)))
    low, _ = integrate.quad(inside, -12.0, middle, epsabs=1e-13, epsrel=1e-12, limit=200)
    high, _ = integrate.quad(inside, middle, 12.0, epsabs=1e-13, epsrel=1e-12, limit=200)
    return float(2 * (low + high))  # the lower quartile mirrors the upper one


def range_divisor(n: float) -> float:
    """Approximate expected range: ``2 Phi^-1((n - 0.375)/(n + 0.25))``.

    Parameters
    ----------
    n : float
        Number of runs, at least 2.

    Returns
    -------
    float

    Source
    ------
    Wan et al. (2014); example CONV-3.
    """
    return float(2 * special.ndtri((n - 0.375) / (n + 0.25)))


def quartile_divisor(n: float) -> float:
    """Approximate expected quartile gap: ``2 Phi^-1((0.75 n - 0.125)/(n + 0.25))``.

    Parameters
    ----------
    n : float
        Number of runs, at least 2.

    Returns
    -------
    float

    Source
    ------
    Wan et al. (2014); example CONV-3.
    """
    return float(2 * special.ndtri((0.75 * n - 0.125) / (n + 0.25)))


def sd_from_range(low: float, high: float, n: float) -> float:
    """Give the standard deviation from the smallest and largest of n (Wan et al. 2014, C1).

    Parameters
    ----------
    low, high, n : float
        Smallest, largest, number of runs.

    Returns
    -------
    float
    """
    return (high - low) / range_divisor(n)


def sd_from_quartiles(q1: float, q3: float, n: float) -> float:
    """Give the standard deviation from the quartiles of n (Wan et al. 2014, C3).

    Parameters
    ----------
    q1, q3, n : float
        Quartiles and number of runs.

    Returns
    -------
    float
    """
    return (q3 - q1) / quartile_divisor(n)


def sd_from_five_numbers(low: float, q1: float, q3: float, high: float, n: float) -> float:
    """Average of the range and the quartile estimate (Wan et al. 2014, C2).

    Parameters
    ----------
    low, q1, q3, high, n : float
        Smallest, quartiles, largest, number of runs.

    Returns
    -------
    float
    """
    return (sd_from_range(low, high, n) + sd_from_quartiles(q1, q3, n)) / 2


def weighted_sd_from_five_numbers(low: float, q1: float, q3: float, high: float, n: float) -> float:
    """Range and quartile estimate weighted by n, smoothly (for a normal sample).

    Parameters
    ----------
    low, q1, q3, high, n : float
        Smallest, quartiles, largest, number of runs.

    Returns
    -------
    float

    Source
    ------
    Shi et al. (2020), Res. Synth. Methods 11:641, doi:10.1002/jrsm.1429; example CONV-3.
    """
    weight = 1 / (1 + 0.07 * float(n**0.6))
    return weight * sd_from_range(low, high, n) + (1 - weight) * sd_from_quartiles(q1, q3, n)


def mean_from_range(low: float, median: float, high: float, n: float) -> float:
    """Mean from smallest, median and largest, weighted by n.

    Parameters
    ----------
    low, median, high, n : float
        Smallest, median, largest, number of runs.

    Returns
    -------
    float

    Source
    ------
    Luo, Wan, Liu & Tong (2018), Stat. Methods Med. Res. 27:1785,
    doi:10.1177/0962280216669183; example CONV-3.
    """
    w = 4 / (4 + float(n**0.75))
    return w * (low + high) / 2 + (1 - w) * median


def mean_from_quartiles(q1: float, median: float, q3: float, n: float) -> float:
    """Mean from quartiles and median, weighted by n (Luo et al. 2018; example CONV-3).

    Parameters
    ----------
    q1, median, q3, n : float
        Quartiles, median, number of runs.

    Returns
    -------
    float
    """
    w = 0.7 + 0.39 / n
    return w * (q1 + q3) / 2 + (1 - w) * median


def mean_from_five_numbers(
    low: float, q1: float, median: float, q3: float, high: float, n: float
) -> float:
    """Mean from all five numbers, weighted by n (Luo et al. 2018; example CONV-3).

    Parameters
    ----------
    low, q1, median, q3, high, n : float
        Smallest, quartiles, median, largest, number of runs.

    Returns
    -------
    float
    """
    w_1 = 2.2 / (2.2 + float(n**0.75))
    w_2 = 0.7 - 0.72 / float(n**0.55)
    return w_1 * (low + high) / 2 + w_2 * (q1 + q3) / 2 + (1 - w_1 - w_2) * median


def plain_means(
    low: float, q1: float, median: float, q3: float, high: float
) -> tuple[float, float, float]:
    """Means of the older rules without n, for comparison only.

    Parameters
    ----------
    low, q1, median, q3, high : float
        The five numbers.

    Returns
    -------
    from_range, from_five, from_quartiles : float
        Hozo, Djulbegovic & Hozo (2005), BMC Med. Res. Methodol. 5:13; Wan et al. (2014); CONV-3.
    """
    return (
        (low + 2 * median + high) / 4,
        (low + 2 * q1 + 2 * median + 2 * q3 + high) / 8,
        (q1 + median + q3) / 3,
    )


def _printed_sd(arm: PrintedArm) -> tuple[float, str]:
    """Give the raw SD from whatever spread of the mean is printed, and the rule used."""
    if np.isfinite(arm.sd):
        return arm.sd, ""
    if np.isfinite(arm.se):
        return sd_from_se(arm.se, arm.n), "SD from SE by √n"
    if np.isfinite(arm.ci_low) and np.isfinite(arm.ci_high):
        if arm.n < 2:
            return NAN, ""
        sd = sd_from_interval(arm.ci_low, arm.ci_high, arm.n, level=arm.ci_level)
        return sd, f"SD from the {100 * arm.ci_level:g} % interval by t on {arm.n - 1:g} df"
    if np.isnan(arm.median) and arm.n >= 2:
        # Beside a mean without a median, quantiles serve for the spread alone.
        if np.isfinite(arm.q1) and np.isfinite(arm.q3):
            return sd_from_quartiles(arm.q1, arm.q3, arm.n), "SD from quartiles"
        if np.isfinite(arm.minimum) and np.isfinite(arm.maximum):
            return sd_from_range(arm.minimum, arm.maximum, arm.n), "SD from the range"
    return NAN, ""


def _mean_error(arm: PrintedArm) -> tuple[float, str]:
    """Give the variance of the mean where n is not reported, and the rule used."""
    if np.isfinite(arm.se):
        return arm.se**2, "variance from SE, n not reported"
    if np.isfinite(arm.ci_low) and np.isfinite(arm.ci_high):
        z = float(stats.norm.isf((1 - arm.ci_level) / 2))
        return ((arm.ci_high - arm.ci_low) / (2 * z)) ** 2, (
            "variance from the interval by the normal quantile, n not reported"
        )
    return NAN, ""


NO_SPREAD = "no spread is reported, so it cannot be weighed"
ONE_RUN = "a single run has no spread of its own, so it cannot be weighed"
ZERO_SPREAD = "its runs have no spread at all (timer resolution?), so it cannot be weighed"


def log_arm(arm: PrintedArm) -> Arm:
    """Bring a printed group to the logarithmic scale.

    Mean with SD, SE or interval goes by log-normal moments; quartiles and range are taken on
    logarithms, where quantiles transform exactly.

    Parameters
    ----------
    arm : PrintedArm
        Raw numbers, times above zero.

    Returns
    -------
    Arm
        With `problem` set where the group cannot be weighed; `mean` is then still given if it
        can be.
    """
    n = arm.n
    if np.isfinite(arm.mean):
        sd, rule = _printed_sd(arm)
        if np.isfinite(sd) and n >= 2:
            mu, s2 = log_normal_moments(arm.mean, sd)
            problem = ZERO_SPREAD if s2 == 0 else ""
            return Arm(
                mean=mu, sd=np.sqrt(s2), n=n, mean_variance=s2 / n, derived=rule, problem=problem
            )
        if np.isnan(n):
            error, rule = _mean_error(arm)
            if np.isfinite(error) and error > 0:
                return Arm(
                    mean=float(np.log(arm.mean)),
                    mean_variance=error / arm.mean**2,
                    derived=rule,
                )
    from_quantiles = _quantile_arm(arm, logarithms=True)
    if from_quantiles is not None:
        return from_quantiles
    middle = arm.mean if np.isfinite(arm.mean) else arm.median
    where = float(np.log(middle)) if middle > 0 else NAN
    return Arm(mean=where, n=n, problem=ONE_RUN if n == 1 else NO_SPREAD)


def raw_arm(arm: PrintedArm) -> Arm:
    """Bring a printed group to mean and SD on its own scale.

    Parameters
    ----------
    arm : PrintedArm
        Raw numbers.

    Returns
    -------
    Arm
        With `problem` set where the group cannot be weighed.
    """
    n = arm.n
    if np.isfinite(arm.mean):
        sd, rule = _printed_sd(arm)
        if np.isfinite(sd) and n >= 2:
            return Arm(
                mean=arm.mean,
                sd=sd,
                n=n,
                mean_variance=sd**2 / n,
                derived=rule,
                problem=ZERO_SPREAD if sd == 0 else "",
            )
        if np.isnan(n):
            error, rule = _mean_error(arm)
            if np.isfinite(error) and error > 0:
                return Arm(mean=arm.mean, mean_variance=error, derived=rule)
    from_quantiles = _quantile_arm(arm, logarithms=False)
    if from_quantiles is not None:
        return from_quantiles
    middle = arm.mean if np.isfinite(arm.mean) else arm.median
    return Arm(mean=middle, n=n, problem=ONE_RUN if n == 1 else NO_SPREAD)


def _quantile_arm(arm: PrintedArm, *, logarithms: bool) -> Arm | None:
    """Give mean and SD from quartiles, or range; None where neither is there."""
    if not arm.n >= 2:
        return None
    quartiles = np.isfinite(arm.q1) and np.isfinite(arm.q3)
    extremes = np.isfinite(arm.minimum) and np.isfinite(arm.maximum)
    if not (quartiles or extremes):
        return None
    low, high = (arm.q1, arm.q3) if quartiles else (arm.minimum, arm.maximum)
    if logarithms and not low > 0:
        return Arm(n=arm.n, problem="a quantile is not above zero, so it has no logarithm")
    median = arm.median
    if logarithms:
        low, median, high = float(np.log(low)), float(np.log(median)), float(np.log(high))
    median = median if np.isfinite(median) else (low + high) / 2
    if quartiles:
        sd = sd_from_quartiles(low, high, arm.n)
        mean = mean_from_quartiles(low, median, high, arm.n)
        rule = "median-based: mean and SD from quartiles"
    else:
        sd = sd_from_range(low, high, arm.n)
        mean = mean_from_range(low, median, high, arm.n)
        rule = "median-based: mean and SD from the range"
    return Arm(
        mean=mean,
        sd=sd,
        n=arm.n,
        mean_variance=sd**2 / arm.n,
        derived=rule,
        problem=ZERO_SPREAD if sd == 0 else "",
    )
