"""Compute every quantity of the published pooling examples with the package."""

import numpy as np
from published import pooling_sets as sets
from scipy import stats

from metafreeze.models.heterogeneity import describe_disagreement
from metafreeze.models.pooled import pool
from metafreeze.models.profile import profile_pool

REML, ML, PM, DL = "restricted-likelihood", "likelihood", "paule-mandel", "dersimonian-laird"
HE, SJ, EB, CE = "hedges", "sidik-jonkman", "empirical-bayes", "none"


def level_of(z):
    """Give the level of an interval of `z` standard errors, for sources that rounded it."""
    return float(1 - 2 * stats.norm.sf(z))


LEVEL_196 = level_of(1.96)
LEVEL_SIX_DECIMALS = level_of(1.959964)


def plain(y, v, spread, **more):
    return pool(y, v, spread=spread, interval="normal", **more)


def re_1():
    y, v = sets.bcg()
    out = {
        "ln RR, trial 1": y[0],
        "variance, trial 1": v[0],
        "ln RR, trial 8": y[7],
        "variance, trial 8": v[7],
    }
    common = plain(y, v, CE)
    out |= {"Q (12 df)": common.q, "fixed mean": common.estimate, "fixed SE": common.se}
    spreads = {
        "DerSimonian-Laird": DL,
        "REML": REML,
        "ML": ML,
        "Hedges (unweighted variance component)": HE,
        "Sidik-Jonkman": SJ,
        "Paule-Mandel = empirical Bayes (Morris)": EB,
    }
    out |= {f"tau^2 {name}": plain(y, v, s).tau2 for name, s in spreads.items()}
    # Not offered as a rule of its own; from the package's Q it is one line.
    out["tau^2 Hunter-Schmidt"] = (common.q - y.size) / (1 / v).sum()
    for name, spread in {"DL": DL, "REML": REML, "ML": ML, "HE": HE, "SJ": SJ, "PM": PM}.items():
        fit = plain(y, v, spread)
        out |= {f"mean, {name}": fit.estimate, f"SE, {name}": fit.se}
        if name != "HE":
            hk = pool(y, v, spread=spread)
            out[f"Hartung-Knapp SE, {name}"] = hk.se
            out[f"Hartung-Knapp lower (t, 12 df), {name}"] = hk.low
            out[f"Hartung-Knapp upper, {name}"] = hk.high
    fit = plain(y, v, DL)
    return out | {
        "Q-profile 95% lower for tau^2": fit.tau2_low,
        "Q-profile 95% upper": fit.tau2_high,
        "H": np.sqrt(fit.h2),
        "I^2 percent (from Q)": fit.i2,
        "I^2 lower, test-based": fit.i2_low,
        "I^2 upper, test-based": fit.i2_high,
        "95% prediction interval lower, DL (t, 11 df)": fit.prediction_low,
        "95% prediction interval upper, DL": fit.prediction_high,
    }


def re_2():
    y, v = sets.bcg("odds")
    common, ml, reml, dl = (plain(y, v, s) for s in (CE, ML, REML, DL))
    profile = profile_pool(y, v)
    regression = plain(y, v, ML, moderators=sets.bcg_latitude())
    c = regression.coefficients
    return {
        "ln OR fixed": common.estimate,
        "fixed SE": common.se,
        "Q": common.q,
        "tau^2 ML": ml.tau2,
        "mean ML": ml.estimate,
        "SE ML": ml.se,
        "lower 95% [SE ML]": ml.low,
        "upper 95% [SE ML]": ml.high,
        "tau^2 REML": reml.tau2,
        "mean REML": reml.estimate,
        "SE REML": reml.se,
        "tau^2 DL": dl.tau2,
        "mean DL": dl.estimate,
        "profile-likelihood tau^2 lower": profile.tau2_low,
        "profile-likelihood tau^2 upper": profile.tau2_high,
        "profile-likelihood mean lower": profile.low,
        "profile-likelihood mean upper": profile.high,
        "meta-regression ML: intercept": c.estimate[0],
        "SE [meta-regression ML: intercept]": c.se[0],
        "slope per degree latitude": c.estimate[1],
        "SE [slope per degree latitude]": c.se[1],
        "residual tau^2 ML": regression.tau2,
    }


def re_3():
    y, v = sets.bcg()
    latitude = sets.bcg_latitude()
    out = {}
    spreads = {"fixed": CE, "DL": DL, "REML": REML, "ML": ML, "PM": PM, "HE": HE}
    for name, spread in spreads.items():
        fit = plain(y, v, spread, moderators=latitude)
        kh = pool(y, v, spread=spread, moderators=latitude)
        c = fit.coefficients
        out |= {
            f"residual tau^2, {name}": fit.tau2,
            f"intercept, {name}": c.estimate[0],
            f"SE intercept, {name}": c.se[0],
            f"slope, {name}": c.estimate[1],
            f"SE slope, {name}": c.se[1],
            f"Knapp-Hartung SE of slope (t, 11 df), {name}": kh.coefficients.se[1],
        }
        if spread == REML:
            # 33.46 is the mean latitude, rounded; `estimate` stands at the mean itself.
            out["REML intercept, latitude centred at 33.46"] = fit.estimate + c.estimate[1] * (
                33.46 - latitude.mean()
            )
            out["Q-profile lower for residual tau^2"] = fit.tau2_low
            out["Q-profile upper [Q-profile lower for residual tau^2]"] = fit.tau2_high
            out["residual Q (11 df)"] = fit.q
        if spread == CE:
            out["Q explained by latitude, fixed (1 df)"] = plain(y, v, CE).q - fit.q
            out["Z of slope, fixed"] = c.estimate[1] / c.se[1]
        if spread == DL:
            out["Z of slope, DL"] = c.estimate[1] / c.se[1]
            out["Q model, DL (Z squared)"] = (c.estimate[1] / c.se[1]) ** 2
            out["proportion of tau^2 explained, percent (DL)"] = fit.r2
    return out


def re_4():
    y, v = sets.diuretics()
    trials = sets.table("s2_diuretics.csv").trial
    out = {f"ln OR, {t}": e for t, e in zip(trials, y, strict=True)}
    out |= {f"variance, {t}": e for t, e in zip(trials, v, strict=True)}
    common, dl, ml = (plain(y, v, s) for s in (CE, DL, ML))
    profile = profile_pool(y, v)
    for name, spread in {"DL": DL, "REML": REML, "PM": PM}.items():
        hk = pool(y, v, spread=spread)
        out[f"Hartung-Knapp lower, {name}"] = hk.low
        out[f"Hartung-Knapp upper, {name}"] = hk.high
    return out | {
        "Q (8 df)": common.q,
        "fixed ln OR": common.estimate,
        "fixed OR": np.exp(common.estimate),
        "fixed OR lower": np.exp(common.low),
        "fixed OR upper": np.exp(common.high),
        "tau^2 DL": dl.tau2,
        "random ln OR": dl.estimate,
        "random OR": np.exp(dl.estimate),
        "random OR lower": np.exp(dl.low),
        "random OR upper": np.exp(dl.high),
        "tau^2 ML": ml.tau2,
        "mean ML": ml.estimate,
        "profile tau^2 lower": profile.tau2_low,
        "profile tau^2 upper": profile.tau2_high,
        "profile mean lower": profile.low,
        "profile mean upper": profile.high,
        "tau^2 REML": plain(y, v, REML).tau2,
        "tau^2 Paule-Mandel": plain(y, v, PM).tau2,
        "tau^2 Hedges": plain(y, v, HE).tau2,
        "tau^2 Sidik-Jonkman": plain(y, v, SJ).tau2,
        "Q-profile lower": dl.tau2_low,
        "Q-profile upper [Q-profile lower]": dl.tau2_high,
    }


def re_5():
    y, v, weeks = sets.teacher()
    common = plain(y, v, CE)
    fits = {
        "ML": plain(y, v, ML),
        "DL (weighted method of moments)": plain(y, v, DL),
        "Hedges (unweighted method of moments)": plain(y, v, HE),
    }
    reml = plain(y, v, REML)
    regression = plain(y, v, REML, moderators=np.minimum(weeks, 3))
    c = regression.coefficients
    out = {
        "fixed mean": common.estimate,
        "fixed SE": common.se,
        "Q (18 df)": common.q,
        "p of Q": common.q_p,
        "tau^2 REML": reml.tau2,
        "mean REML": reml.estimate,
        "SE REML": reml.se,
        "tau^2 ML": fits["ML"].tau2,
        "tau^2 Paule-Mandel": plain(y, v, PM).tau2,
        "Q-profile lower": reml.tau2_low,
        "Q-profile upper [Q-profile lower]": reml.tau2_high,
        "residual tau^2 with min(weeks,3), REML": regression.tau2,
        "intercept": c.estimate[0],
        "SE [intercept]": c.se[0],
        "slope": c.estimate[1],
        "SE [slope]": c.se[1],
        "residual Q (17 df)": regression.q,
    }
    for name, fit in fits.items():
        out |= {f"tau^2, {name}": fit.tau2, f"mean, {name}": fit.estimate, f"SE, {name}": fit.se}
    return out


def re_6():
    y, v = sets.schools()
    common = plain(y, v, CE)
    hk = pool(y, v)
    floored = pool(y, v, interval="hartung-knapp-floored")
    return {
        "fixed mean": common.estimate,
        "variance of mean": common.se**2,
        "SE [variance of mean]": common.se,
        "tau^2 DL": plain(y, v, DL).tau2,
        "tau^2 REML": hk.tau2,
        "tau^2 Paule-Mandel": plain(y, v, PM).tau2,
        "Q (7 df), rounded data": hk.q,
        "Hartung-Knapp SE, tau^2=0": hk.se,
        "Hartung-Knapp lower": hk.low,
        "Hartung-Knapp upper": hk.high,
        "modified Hartung-Knapp (factor not below 1) lower": floored.low,
        "modified Hartung-Knapp upper": floored.high,
    }


def re_7():
    common = plain(*sets.lidocaine(), CE, level=LEVEL_196)
    return {
        "fixed risk difference": common.estimate,
        "SE [fixed risk difference]": common.se,
        "lower 95% [fixed risk difference]": common.low,
        "upper 95% [fixed risk difference]": common.high,
        "tau^2 DL": plain(*sets.lidocaine(), DL).tau2,
        "Q (5 df)": common.q,
    }


def re_8():
    out = {}
    for name, pooled_sd in {"pooled SD": True, "separate SDs": False}.items():
        y, v = sets.length_of_stay(pooled_sd)
        common, dl, reml = (plain(y, v, s, level=LEVEL_196) for s in (CE, DL, REML))
        out |= {
            f"fixed mean difference (days), {name}": common.estimate,
            f"fixed lower, {name}": common.low,
            f"fixed upper, {name}": common.high,
            f"Q (8 df), {name}": common.q,
            f"tau^2 DL, {name}": dl.tau2,
            f"random mean, {name}": dl.estimate,
            f"random lower, {name}": dl.low,
            f"random upper, {name}": dl.high,
            f"tau^2 REML, {name}": reml.tau2,
            f"mean REML, {name}": reml.estimate,
        }
    return out


def re_9():
    out = {}
    for row in sets.table("s2_i2_table.csv").itertuples():
        d = describe_disagreement(row.Q, row.k - 1, level=LEVEL_SIX_DECIMALS)
        out[f"I^2 percent, {row.topic} (Q={row.Q:g}, k={row.k})"] = d.i2
        out[f"lower, {row.topic}"] = d.i2_low
        out[f"upper, {row.topic}"] = d.i2_high
    return out


def re_10():
    y, v = np.array([0.2, 0.5, 0.1, 0.9, 0.4]), np.full(5, 0.04)
    hk = pool(y, v)
    t = stats.ttest_1samp(y, 0.0).confidence_interval(0.95)
    name = "tau^2 Hedges = DL = Paule-Mandel when variances are equal: sample variance minus .04"
    return {
        "Hartung-Knapp lower, y=(.2,.5,.1,.9,.4), equal variances .04, any tau^2": hk.low,
        "one-sample t interval lower (must equal)": t.low,
        "Hartung-Knapp upper": hk.high,
        "one-sample t interval upper (must equal)": t.high,
        name: plain(y, v, HE).tau2,
        "tau^2 DL": plain(y, v, DL).tau2,
        "tau^2 REML": hk.tau2,
    }


def re_11():
    y, v = sets.two_studies()
    wald, hk = plain(y, v, DL, level=LEVEL_SIX_DECIMALS), pool(y, v)
    return {
        "ln OR, Heffron": y[0],
        "SE, Heffron": np.sqrt(v[0]),
        "ln OR, Spada": y[1],
        "SE, Spada": np.sqrt(v[1]),
        "tau^2, DL = Paule-Mandel = REML when k=2": hk.tau2,
        "random mean": wald.estimate,
        "Wald lower": wald.low,
        "Wald upper": wald.high,
        "Hartung-Knapp lower (t, 1 df)": hk.low,
        "Hartung-Knapp upper": hk.high,
    }


COMPUTED = {
    "RE-1": re_1,
    "RE-2": re_2,
    "RE-3": re_3,
    "RE-4": re_4,
    "RE-5": re_5,
    "RE-6": re_6,
    "RE-7": re_7,
    "RE-8": re_8,
    "RE-9": re_9,
    "RE-10": re_10,
    "RE-11": re_11,
}
