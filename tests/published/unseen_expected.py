"""What the package (or a model-free oracle) gives for the examples of expected_unseen.toml."""

from pathlib import Path

import numpy as np
import pandas as pd
from oracles.model_free_times import log_rank, product_limit, window_masses

import metafreeze as mf

DATA = Path(__file__).parent / "data"


def table(name):
    return pd.read_csv(DATA / name)


def seen_or_later(time, seen):
    """Bounds of times that are exact where seen and never seen else."""
    time = np.asarray(time, float)
    return time, np.where(np.asarray(seen, bool), time, np.inf)


def fit(bounds, columns, **options):
    x = np.column_stack([np.ones(len(bounds[0])), *columns])
    return mf.unseen_times_model(*bounds, x, inference="wald", **options)


def beta(result):
    return result.coefficients["estimate"].to_numpy()


def se(result):
    return result.coefficients["se"].to_numpy()


def log_likelihood(result):
    """On the time scale, as programs for times print it."""
    return -0.5 * result.criterion_time


def durable_goods():
    d = table("s6_tobin.csv")
    y = d.durable.to_numpy(float)
    f = fit((np.where(y > 0, y, -np.inf), y), [d.age, d.quant], log_times=True)
    names = ("intercept", "age", "quant")
    out = dict(zip(names, beta(f), strict=True))
    out |= {f"SE {n}": v for n, v in zip(names, se(f), strict=True)}
    return out | {"sigma": f.scale, "logLik": -0.5 * f.criterion}


def motorettes_weibull():
    d = table("s6_motors.csv")
    bounds = seen_or_later(d.time, d.cens)
    f, null = (fit(bounds, c, family="weibull") for c in ([d.temp], []))
    return {
        "intercept": beta(f)[0],
        "SE [intercept]": se(f)[0],
        "temp": beta(f)[1],
        "SE [temp]": se(f)[1],
        "log(scale)": np.log(f.scale),
        "SE [log(scale)]": f.log_scale_se,
        "scale": f.scale,
        "logLik": log_likelihood(f),
        "logLik null": log_likelihood(null),
    }


def motorettes_log_normal():
    d = table("s6_motors.csv")
    low, high = (np.log10(b) for b in seen_or_later(d.time, d.cens))
    f = fit((low, high), [1000 / (d.temp + 273.2)], log_times=True)
    return {
        "intercept (log10 hours)": beta(f)[0],
        "slope on 1000/(C+273.2)": beta(f)[1],
        "sigma (log10)": f.scale,
        "logLik (log10 scale)": -0.5 * f.criterion,
        "SE intercept": se(f)[0],
        "SE slope": se(f)[1],
    }


def remission():
    d = table("s6_gehan.csv")
    bounds = seen_or_later(d.time, d.cens)
    treated = (d.treat == "6-MP").to_numpy()
    weeks, survival, error = product_limit(d.time[treated], d.cens[treated])
    chi2, expected_treated, expected_control = log_rank(d.time, d.cens, treated)
    at = {int(w): (s, e) for w, s, e in zip(weeks, survival, error, strict=True)}
    f, null = (fit(bounds, c, family="weibull") for c in ([treated], []))
    exponential = fit(bounds, [treated], family="weibull", fixed_scale=1.0)
    normal = fit(bounds, [treated])
    out = {f"Kaplan-Meier 6-MP at week {w}": at[w][0] for w in (6, 7, 10, 13, 16, 22, 23)}
    return out | {
        "Greenwood SE at week 6": at[6][1],
        "SE at week 23": at[23][1],
        "log-rank chi-square": chi2,
        "expected events 6-MP": expected_treated,
        "expected events control": expected_control,
        "exponential log ratio": beta(exponential)[1],
        "SE [exponential log ratio]": se(exponential)[1],
        "Weibull AFT log time ratio": beta(f)[1],
        "SE [Weibull AFT log time ratio]": se(f)[1],
        "intercept (control)": beta(f)[0],
        "SE [intercept (control)]": se(f)[0],
        "scale": f.scale,
        "log(scale)": np.log(f.scale),
        "SE of log(scale) [log(scale)]": f.log_scale_se,
        "logLik": log_likelihood(f),
        "logLik null": log_likelihood(null),
        "log-normal log time ratio": beta(normal)[1],
        "SE [log-normal log time ratio]": se(normal)[1],
        "log-normal sigma": normal.scale,
        "log-normal logLik": log_likelihood(normal),
    }


def ovarian():
    d = table("s6_ovarian.csv")
    bounds = seen_or_later(d.futime, d.fustat)
    columns = [d["ecog.ps"], d.rx]
    f, null = (fit(bounds, c, family="weibull") for c in (columns, []))
    exponential = fit(bounds, columns, family="weibull", fixed_scale=1.0)
    names = ("intercept", "ecog.ps", "rx")
    out = dict(zip(names, beta(f), strict=True))
    out |= {f"SE [{n}]": v for n, v in zip(names, se(f), strict=True)}
    return out | {
        "log(scale)": np.log(f.scale),
        "SE [log(scale)]": f.log_scale_se,
        "scale": f.scale,
        "logLik": log_likelihood(f),
        "logLik null": log_likelihood(null),
        "exponential intercept": beta(exponential)[0],
    }


def shock_absorbers():
    d = table("s6_shock_absorber.csv")
    bounds = seen_or_later(d.km, d.failed)
    out = {}
    for family, word in (("weibull", "Weibull"), ("log-normal", "log-normal")):
        f = fit(bounds, [], family=family)
        out |= {
            f"{word} mu": beta(f)[0],
            f"SE [{word} mu]": se(f)[0],
            f"{word} sigma": f.scale,
            f"SE of sigma [{word} sigma]": f.scale * f.log_scale_se,
            f"{word} logLik": log_likelihood(f),
        }
        if family == "weibull":
            out |= {"Weibull eta (km)": np.exp(beta(f)[0]), "Weibull shape": 1 / f.scale}
    return out


def ball_bearings():
    time = table("s6_ball_bearings.csv").mrev
    weibull = fit((time, time), [], family="weibull")
    normal = fit((time, time), [])
    return {
        "Weibull shape": 1 / weibull.scale,
        "Weibull scale (million revolutions)": np.exp(beta(weibull)[0]),
        "Weibull logLik": log_likelihood(weibull),
        "log-normal mu": beta(normal)[0],
        "log-normal sigma (ML)": normal.scale,
        "log-normal logLik": log_likelihood(normal),
    }


def generator_fans():
    d = table("s6_genfan.csv")
    bounds = seen_or_later(d.hours, d.status)
    weibull = fit(bounds, [], family="weibull")
    exponential = fit(bounds, [], family="weibull", fixed_scale=1.0)
    normal = fit(bounds, [])
    return {
        "Weibull shape": 1 / weibull.scale,
        "Weibull mu": beta(weibull)[0],
        "Weibull scale (hours)": np.exp(beta(weibull)[0]),
        "exponential mean (hours)": np.exp(beta(exponential)[0]),
        "log-normal mu": beta(normal)[0],
        "log-normal sigma": normal.scale,
    }


def cosmesis_windows():
    d = table("s6_cosmesis.csv")
    return d.left.to_numpy(float), d.right.fillna(np.inf).to_numpy(float), d.treatment.to_numpy()


def cosmesis():
    left, right, treatment = cosmesis_windows()
    both = treatment != "RT"
    weibull = fit((left, right), [both], family="weibull")
    exponential = fit((left, right), [both], family="weibull", fixed_scale=1.0)
    normal = fit((left, right), [both])
    return {
        "n radiotherapy": (~both).sum(),
        "n radiotherapy + chemotherapy": both.sum(),
        "Weibull intercept": beta(weibull)[0],
        "Weibull log time ratio, RT+CT vs RT": beta(weibull)[1],
        "SE [Weibull log time ratio, RT+CT vs RT]": se(weibull)[1],
        "Weibull scale": weibull.scale,
        "Weibull logLik": log_likelihood(weibull),
        "implied log hazard ratio (-b/scale)": -beta(weibull)[1] / weibull.scale,
        "log-normal intercept": beta(normal)[0],
        "log-normal log time ratio": beta(normal)[1],
        "SE [log-normal log time ratio]": se(normal)[1],
        "log-normal sigma": normal.scale,
        "log-normal logLik": log_likelihood(normal),
        "exponential log time ratio": beta(exponential)[1],
        "exponential logLik": log_likelihood(exponential),
    }


def leukaemia():
    d = table("s6_leuk.csv")
    columns = [d.ag == "present", np.log(d.wbc)]
    exponential = fit((d.time, d.time), columns, family="weibull", fixed_scale=1.0)
    weibull = fit((d.time, d.time), columns, family="weibull")
    names = ("intercept", "exponential ag present", "log wbc")
    out = dict(zip(names, beta(exponential), strict=True))
    out |= {f"SE [{n}]": v for n, v in zip(names, se(exponential), strict=True)}
    return out | {
        "logLik": log_likelihood(exponential),
        "Weibull scale, same model": weibull.scale,
    }


def cosmesis_masses():
    left, right, treatment = cosmesis_windows()
    out = {}
    for word, rows in (
        ("radiotherapy", treatment == "RT"),
        ("radiotherapy + chemotherapy", treatment != "RT"),
    ):
        windows, mass, value = window_masses(left[rows], right[rows])
        out |= {
            f"{word}, mass on ({a:g},{b:g}]": m for (a, b), m in zip(windows, mass, strict=True)
        }
        out[f"log-likelihood, {word}"] = value
    return out


COMPUTED = {
    "AFT-1": durable_goods,
    "AFT-2": motorettes_weibull,
    "AFT-3": motorettes_log_normal,
    "AFT-4": remission,
    "AFT-5": ovarian,
    "AFT-6": shock_absorbers,
    "AFT-7": ball_bearings,
    "AFT-8": generator_fans,
    "AFT-9": cosmesis,
    "AFT-10": leukaemia,
    "AFT-11": cosmesis_masses,
}
