"""Compute every quantity of the published equivalence, replication and power examples."""

import numpy as np
from published import pooling_sets as sets
from published.pooling_expected import LEVEL_SIX_DECIMALS
from scipy import stats

from metafreeze.effects.conversions import fisher_z
from metafreeze.effects.means import mean_difference
from metafreeze.effects.standardised import standardised_difference
from metafreeze.models import power, replication


def eq_1():
    r = sets.table("s8_tost.csv").iloc[0]
    d = mean_difference(r.mean1, r.sd1, r.n1, r.mean2, r.sd2, r.n2)
    bound = r.bound_d * np.sqrt((r.sd1**2 + r.sd2**2) / 2)
    e = replication.assess_equivalence(d.estimate, d.se, bounds=(-bound, bound), df=d.df)
    t = e.to_frame()["t"]
    return {
        "raw bound (d=0.43 x root mean square SD)": bound,
        "t against the upper bound": t[1],
        "p (one-sided)": e.p,
        "t against the lower bound": t[0],
        "p lower": e.p_low,
        "Welch df [p lower]": d.df,
        "90% CI lower": e.low,
        "90% CI upper": e.high,
        "ordinary two-sided p": 2 * stats.t.sf(abs(d.estimate) / d.se, d.df),
    }


def rep_1():
    out = {
        f"d33% for n={n} per cell": replication.smallest_noticeable_d(n)
        for n in (20, 10, 15, 30, 50, 100)
    }
    name = (
        "power of 2.5 x n replication to reject d33 when true d=0, n=20 "
        "(one-sided .05; noncentral t)"
    )
    # The new study of 50 a cell rejects d33 when its t falls below the 5 % point at d33.
    small, df, root = replication.smallest_noticeable_d(20), 98, 5.0
    crit = stats.nct.ppf(0.05, df, small * root)
    return out | {name: stats.t.cdf(crit, df)}


def rep_2():
    z = 1.959964
    return {
        "golden level, one-sided alpha 0.025": replication.golden_level(0.025),
        "golden level, two-sided alpha 0.05": 2 * replication.golden_level(0.025),
        "liberal level one-sided, z/sqrt(2)": replication.liberal_level(0.025),
        "two-sided sceptical p, both original and replication z=1.959964, equal variances": (
            replication.sceptical_p(z, z, 1.0)
        ),
        "two-sided sceptical p, z_o=2.8, z_r=2.2, c=1": replication.sceptical_p(2.8, 2.2, 1.0),
    }


def rep_3():
    z = fisher_z([0.40, 0.10], [50, 100])
    low, high = replication.replication_prediction(
        z.estimate[0], z.se[0], z.se[1], level=LEVEL_SIX_DECIMALS
    )

    def q(allowed):
        return replication.replication_q(z.estimate, z.variance, allowed=allowed)

    return {
        "95% prediction interval lower": np.tanh(low),
        "upper [95% prediction interval lower]": np.tanh(high),
        "Q with m=2": q(0.0).q,
        "p, exact replication (lambda0=0)": q(0.0).p,
        "p, approximate replication lambda0=(m-1)/4": q(1 / 4).p,
        "p, lambda0=(m-1)/3": q(1 / 3).p,
        "p, lambda0=2(m-1)/3": q(2 / 3).p,
        "critical Q, lambda0=1/4": q(1 / 4).critical,
    }


def pow_1():
    out = {}
    for r in sets.table("s11_cohen_n.csv").itertuples():
        name = f"n per group, d={r.d:g}, alpha={r.alpha_two_sided:g}, power 0.80"
        out[name] = power.group_size(r.d, alpha=r.alpha_two_sided)
        out[f"exact power at that n [{name}]"] = power.two_group_power(
            r.d, r.n_per_group, alpha=r.alpha_two_sided
        )
    return out


def pow_2():
    cases = [(0.5, 30), (0.8, 20), (0.5, 50), (1.0, 10), (0.5, 64), (0.5, 20), (0.8, 30)]
    cases += [(0.5, 40), (0.5, 100), (0.2, 50), (0.2, 100)]
    return {f"d={d}, n={n}": power.two_group_power(d, n) for d, n in cases}


def pow_3():
    # The textbook variance of d itself, before the small-sample correction.
    v = standardised_difference(0.2, 1.0, 25, 0.0, 1.0, 25, exact=False).uncorrected_variance
    out = {
        "within-study variance, d=0.2, n=25 per group": v,
        "variance of pooled mean, k=10": v / 10,
        "noncentrality": 0.2 / np.sqrt(v / 10),
        "power, fixed effect, two-sided 0.05": power.pooled_effect_power(0.2, v / 10),
    }
    for share, label, word in (
        (1 / 3, "0.3333", "small"),
        (2 / 3, "0.6667", "moderate"),
        (1, "1", "large"),
    ):
        name = f"power, random effects, tau^2 = {label} x v ({word})"
        out[name] = power.pooled_effect_power(
            0.2, v * (1 + share) / 10, alpha=1 - LEVEL_SIX_DECIMALS
        )
    for k, share, label in (
        (10, 1 / 3, "0.3333"),
        (10, 2 / 3, "0.6667"),
        (20, 1 / 3, "0.3333"),
        (20, 1, "1"),
    ):
        name = f"power of the Q test, k={k}, tau^2={label} x v, equal v (exact: scaled chi-square)"
        out[name] = power.disagreement_power(k, tau2=share)
    for k, ncp in ((10, 6), (20, 9)):
        name = f"power of the Q test, fixed effects, k={k}, noncentrality {ncp}"
        out[name] = power.disagreement_power(k, ncp=ncp)
    return out


COMPUTED = {
    "EQ-1": eq_1,
    "REP-1": rep_1,
    "REP-2": rep_2,
    "REP-3": rep_3,
    "POW-1": pow_1,
    "POW-2": pow_2,
    "POW-3": pow_3,
}
