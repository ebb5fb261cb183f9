"""The eight schools of Rubin (1981), as analysed in Gelman et al. (2013), section 5.5.

Source: Gelman A, Carlin JB, Stern HS, Dunson DB, Vehtari A, Rubin DB (2013), Bayesian Data
Analysis, 3rd ed., CRC Press, sec. 5.5, pp. 119-124, Tables 5.2 and 5.3. The digits are from
memory of the book. Its text rests on unrounded data (Rubin 1981, J. Educ. Stat. 6:377), which
public pages repeat; with the data as rounded in the book, 7.9, 17.4 and 4.6 do not come out.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, stats

from metafreeze.models.few_studies import pool_few
from metafreeze.models.pooled import pool

DATA = Path(__file__).parent / "data"
SCHOOLS = pd.read_csv(DATA / "eight_schools_unrounded.csv")
Y, V = SCHOOLS["effect"].to_numpy(), SCHOOLS["se"].to_numpy() ** 2
ROUNDED = pd.read_csv(DATA / "s2_eight_schools.csv")

# Table 5.3: quantiles of each school's effect in 200 simulations, uniform prior on tau.
LEVELS = np.array([0.025, 0.25, 0.5, 0.75, 0.975])
TABLE = {
    "A": (-2, 7, 10, 16, 31),
    "B": (-5, 3, 8, 12, 23),
    "C": (-11, 2, 7, 11, 19),
    "D": (-7, 4, 8, 11, 21),
    "E": (-9, 1, 5, 10, 18),
    "F": (-7, 2, 6, 10, 28),
    "G": (-1, 7, 10, 15, 26),
    "H": (-6, 3, 8, 13, 33),
}
DRAWS = 200
# Largest deviation allowed, in Monte Carlo errors of 200 draws, for the worst of 40 numbers.
WORST_OF_40 = 3.5
CHANCE = 1e-6


def test_pooled_effect_variance_and_chi_square_of_the_text():
    common = pool(Y, V, spread="none", interval="normal")
    assert common.estimate == pytest.approx(7.9, abs=0.05)
    assert common.se**2 == pytest.approx(17.4, abs=0.05)
    assert common.q == pytest.approx(4.6, abs=0.05)
    assert common.q_df == 7


@pytest.mark.parametrize(("school", "quantiles"), TABLE.items())
def test_the_quantiles_of_table_5_3(school, quantiles):
    fit = pool_few(Y, V, tau_scale=1.0, tau_prior="uniform", study=SCHOOLS["school"])
    i = int(np.flatnonzero(SCHOOLS["school"] == school)[0])
    tau2 = fit.tau_nodes**2
    own = tau2 / (tau2 + V[i])
    centre = own * Y[i] + (1 - own) * fit.node_mean
    width = np.sqrt(own * V[i] + (1 - own) ** 2 * fit.node_sd**2)

    def below(x):
        return fit.tau_weights @ stats.norm.cdf((x - centre) / width)

    for level, printed in zip(LEVELS, quantiles, strict=True):
        # The printed quantile is rounded to a whole number.
        low, high = below(printed - 0.5), below(printed + 0.5)
        off = max(low - level, level - high, 0.0)
        assert off <= WORST_OF_40 * np.sqrt(level * (1 - level) / DRAWS)


def test_school_a_beats_school_c_as_often_as_the_text_says():
    """141 of 200 simulations (p. 123, from memory)."""
    fit = pool_few(Y, V, tau_scale=1.0, tau_prior="uniform")
    tau2 = fit.tau_nodes**2
    a, c = tau2 / (tau2 + V[0]), tau2 / (tau2 + V[2])
    gap = a * Y[0] - c * Y[2] + (c - a) * fit.node_mean
    width = np.sqrt(a * V[0] + c * V[2] + (a - c) ** 2 * fit.node_sd**2)
    chance = fit.tau_weights @ stats.norm.cdf(gap / np.maximum(width, 1e-12))
    assert abs(chance - 141 / 200) <= 3 * np.sqrt(0.7 * 0.3 / DRAWS)


def test_the_weakly_informative_version_of_the_teaching_materials():
    """Mean 4.4 and tau 3.6, schools 6.2, 4.9, 3.9, 4.8, 3.6, 4.0, 6.3, 4.9, from memory.

    Rounded data, normal(0, 5) prior on the mean and half-Cauchy(5) on tau: the version that
    teaching materials of sampling programs repeat; sampling leaves an error of about 0.05.
    """
    fit = pool_few(
        ROUNDED["effect"],
        ROUNDED["se"] ** 2,
        tau_scale=5.0,
        tau_prior="half-cauchy",
        mean_sd=5.0,
    )
    assert fit.estimate == pytest.approx(4.4, abs=0.1)
    assert fit.tau_mean == pytest.approx(3.6, abs=0.1)
    np.testing.assert_allclose(
        fit.studies["mean"], [6.2, 4.9, 3.9, 4.8, 3.6, 4.0, 6.3, 4.9], atol=0.1
    )


@pytest.mark.parametrize(
    ("prior", "scale", "mean_sd"),
    [
        ("half-normal", 5.0, np.inf),
        ("half-normal", 25.0, np.inf),
        ("half-cauchy", 5.0, 5.0),
        ("half-normal", 0.02, np.inf),
        ("uniform", 1.0, np.inf),
    ],
)
def test_chances_match_brute_force_integration(prior, scale, mean_sd):
    """Integrate over the plane of tau and the mean by Simpson's rule on a dense grid."""
    fit = pool_few(Y, V, tau_scale=scale, tau_prior=prior, mean_sd=mean_sd)
    # tau = c u/(1 - u) reaches 1e4 c; the mean runs over 0 +- 400, densely near zero, where the
    # chance of the next study turns over within tau.
    u = np.linspace(0.0, 0.9999, 1201)
    c = min(10.0, 2 * scale) if prior == "half-normal" else 10.0
    tau, jacobian = c * u / (1 - u), c / (1 - u) ** 2
    x = np.linspace(-1.0, 1.0, 2401)
    mean, stretch = 400 * x**3, 1200 * x**2
    log_prior = {
        "half-normal": -0.5 * (tau / scale) ** 2,
        "half-cauchy": -np.log1p((tau / scale) ** 2),
        "uniform": np.zeros_like(tau),
    }[prior]
    total = V + tau[:, np.newaxis] ** 2
    rows = log_prior + np.log(jacobian) - 0.5 * np.log(total).sum(axis=1)
    p0, p1, p2 = ((Y**j / total).sum(axis=1)[:, np.newaxis] for j in (0, 1, 2))
    log_density = (
        rows[:, np.newaxis]
        - 0.5 * (p0 * mean**2 - 2 * p1 * mean + p2)
        - 0.5 * (mean / mean_sd) ** 2
    )
    density = np.exp(log_density - log_density.max()) * stretch

    def plane(values):
        return integrate.simpson(integrate.simpson(values, x=x), x=u)

    whole = plane(density)
    left = mean <= 0
    below = integrate.simpson(integrate.simpson(density[:, left], x=x[left]), x=u) / whole
    assert fit.chance_below_zero == pytest.approx(below, abs=CHANCE)
    with np.errstate(divide="ignore", invalid="ignore"):
        z = -mean / tau[:, np.newaxis]
    z[0] = np.where(mean < 0, np.inf, np.where(mean > 0, -np.inf, 0.0))
    assert fit.new_chance_below_zero == pytest.approx(
        plane(density * stats.norm.cdf(z)) / whole, abs=CHANCE
    )
    by_tau = integrate.simpson(density, x=x)
    assert fit.tau_mean == pytest.approx(integrate.simpson(by_tau * tau, x=u) / whole, rel=1e-4)


@pytest.mark.parametrize("scale", [1e-8, 1e-3, 1e3, 1e8])
def test_a_prior_far_from_the_data_is_still_integrated(scale):
    fit = pool_few(Y, V, tau_scale=scale)
    assert fit.tau_low < fit.tau < fit.tau_high
    assert fit.tau_weights.sum() == pytest.approx(1.0, rel=1e-12)
    if scale < 1e-2:  # the prior alone speaks: a half-normal has its median at 0.6745 scales
        assert fit.tau == pytest.approx(0.67448975 * scale, rel=1e-6)
        assert fit.estimate == pytest.approx(pool(Y, V, spread="none").estimate, rel=1e-6)
    else:  # the prior is flat where the data are
        flat = pool_few(Y, V, tau_scale=1.0, tau_prior="uniform")
        assert fit.tau == pytest.approx(flat.tau, rel=1e-4)


def test_a_prior_against_the_data_is_resolved():
    """Spread of 30 and a prior of 5e-6: the posterior of tau is a needle between them."""
    y = np.array([-36.2, -13.2, 38.6, 3.8, 64.8, -22.1, 16.3, -5.5])
    fit = pool_few(y, np.full(8, 3.7e-5), tau_scale=4.9e-6)
    rss = ((y - y.mean()) ** 2).sum()
    # With T = tau² + v the log posterior is -7/2 ln T - rss/(2 T) - T/(2 s²) but for a constant;
    # its mode solves T²/s² + 7 T = rss.
    s2 = 4.9e-6**2
    mode = s2 * (-7 + np.sqrt(49 + 4 * rss / s2)) / 2 - 3.7e-5
    assert fit.tau == pytest.approx(np.sqrt(mode), rel=1e-3)
    assert fit.tau_high / fit.tau_low < 1.01
