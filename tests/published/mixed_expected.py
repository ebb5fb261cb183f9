"""Compute every quantity of expected_mixed.toml, by the names used there."""

from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

import metafreeze as mf

DATA = Path(__file__).parent / "data"


@cache
def data(name):
    return pd.read_csv(DATA / f"{name}.csv")


def ones(n):
    return np.ones((n, 1))


def with_slope(x):
    return np.column_stack([np.ones(len(x)), np.asarray(x, dtype=float)])


def indicators(values, *, drop_first=True):
    levels = sorted(set(values))
    return {lev: (values == lev).to_numpy(dtype=float) for lev in levels[1 if drop_first else 0 :]}


def sd(fit, level, term="intercept"):
    parts = fit.random_parts
    own = parts[(parts["level"] == level) & (parts["sd"].notna())]
    return float(own.loc[own["term"] == term, "sd"].iloc[0])


def correlation(fit):
    return float(fit.random_parts["correlation"].dropna().iloc[0])


def at(fit, term, column):
    return float(fit.coefficients.loc[term, column])


def chi2(small, large, df):
    x = small.criterion - large.criterion
    return x, float(stats.chi2.sf(x, df))


@cache
def sleep(**options):
    d = data("s4_sleepstudy")
    X = with_slope(d["Days"])
    varying = options.pop("varying", "both")
    Z = {"both": X, "level": X[:, :1], "nothing": X[:, :0]}[varying]
    return mf.mixed_model(
        d["Reaction"],
        X,
        d["Subject"],
        varying=Z,
        names=["intercept", "days"],
        varying_names=["intercept", "days"][: Z.shape[1]],
        **options,
    )


def lmm_1():
    reml, ml = sleep(), sleep(likelihood="full")
    profile = mf.profile_intervals(reml, likelihood="full").table
    ends = {
        "SD intercept": ("sd", "intercept"),
        "correlation": ("correlation", "intercept"),
        "SD slope": ("sd", "days"),
        "sigma": ("sd", ""),
        "intercept": ("coefficient", "intercept"),
        "slope": ("coefficient", "days"),
    }
    out = {}
    for label, (quantity, term) in ends.items():
        row = profile[(profile["quantity"] == quantity) & (profile["term"] == term)].iloc[0]
        out[f"profile CI {label} lower"] = row["low"]
        out[f"profile CI {label} upper"] = row["high"]
    modes = mf.study_modes(reml)
    for subject in ("308", "309"):
        out[f"conditional mode subject {subject}, intercept"] = modes.loc[subject, "intercept"]
        out[f"conditional mode subject {subject}, slope"] = modes.loc[subject, "days"]
    return out | {
        "REML intercept": at(reml, "intercept", "estimate"),
        "REML slope (ms/day)": at(reml, "days", "estimate"),
        "SE intercept": at(reml, "intercept", "se"),
        "SE slope": at(reml, "days", "se"),
        "REML variance intercept": sd(reml, "study") ** 2,
        "REML variance slope": sd(reml, "study", "days") ** 2,
        "REML SD intercept": sd(reml, "study"),
        "REML SD slope": sd(reml, "study", "days"),
        "REML correlation": correlation(reml),
        "residual variance": reml.residual_sd**2,
        "residual SD": reml.residual_sd,
        "REML criterion": reml.criterion,
        "ML variance intercept": sd(ml, "study") ** 2,
        "ML variance slope": sd(ml, "study", "days") ** 2,
        "ML correlation": correlation(ml),
        "ML deviance": ml.criterion,
        "ML logLik": ml.log_likelihood,
        "ML AIC": ml.aic,
        "ML BIC": ml.criterion + ml.degrees_lost * np.log(ml.runs),
        "ML SE intercept": plain_se(ml, "intercept"),
        "ML SE slope": plain_se(ml, "days"),
    }


def plain_se(fit, term):
    """Standard error without small-sample adjustment."""
    return float(normal(fit).loc[term, "se"])


def normal(fit):
    from metafreeze.models.mixed_result import coefficient_frame
    from metafreeze.models.mixed_tables import model_inference
    from metafreeze.models.small_sample import fit_point

    state = fit.state
    point = fit_point(state.products, state.shape, state.variances, restricted=state.restricted)
    frame = state.products.frame
    _, se, df = model_inference(
        point,
        state.products,
        np.linalg.inv(frame.turn),
        float(frame.y_unit[0]),
        "normal",
        False,
    )
    return coefficient_frame(state.names, fit.coefficients["estimate"].to_numpy(), se, df, 0.95)


def lmm_2():
    reml, ml = sleep(correlated=False), sleep(correlated=False, likelihood="full")
    level = sleep(varying="level")
    x, p = chi2(ml, sleep(likelihood="full"), 1)
    return {
        "REML variance intercept": sd(reml, "study") ** 2,
        "REML variance slope": sd(reml, "study", "days") ** 2,
        "REML residual variance": reml.residual_sd**2,
        "REML SD intercept": sd(reml, "study"),
        "REML SD slope": sd(reml, "study", "days"),
        "REML criterion": reml.criterion,
        "SE intercept": plain_se(reml, "intercept"),
        "SE slope": plain_se(reml, "days"),
        "ML deviance": ml.criterion,
        "LR chi-square (1 df) for the correlation": x,
        "p [LR chi-square (1 df) for the correlation]": p,
        "random-intercept-only REML: intercept variance": sd(level, "study") ** 2,
        "residual variance": level.residual_sd**2,
        "random-intercept-only REML: REML criterion": level.criterion,
    }


def one_way(name, group, outcome):
    d = data(name)
    reml = mf.mixed_model(d[outcome], ones(len(d)), d[group])
    ml = mf.mixed_model(d[outcome], ones(len(d)), d[group], likelihood="full")
    within = d.groupby(group)[outcome].var(ddof=1).mean()
    per_group = len(d) / d[group].nunique()
    between = per_group * d.groupby(group)[outcome].mean().var(ddof=1)
    return reml, ml, between, within


def lmm_3():
    reml, ml, between, within = one_way("s4_dyestuff", "Batch", "Yield")
    return {
        "between-batch mean square": between,
        "within-batch mean square": within,
        "REML batch variance": sd(reml, "study") ** 2,
        "residual variance": reml.residual_sd**2,
        "mean": at(reml, "intercept", "estimate"),
        "SE of mean": at(reml, "intercept", "se"),
        "REML criterion": reml.criterion,
        "ML batch variance": sd(ml, "study") ** 2,
        "ML SD batch": sd(ml, "study"),
        "ML SE of mean": plain_se(ml, "intercept"),
        "ML deviance": ml.criterion,
        "REML batch SD": sd(reml, "study"),
        "residual SD": reml.residual_sd,
        "closed form (MSB-MSW)/5 (must equal REML)": sd(reml, "study") ** 2,
    }


def lmm_4():
    reml, ml, between, within = one_way("s4_dyestuff2", "Batch", "Yield")
    assert (reml.status, ml.status) == ("boundary", "boundary")
    return {
        "between-batch mean square": between,
        "within-batch mean square": within,
        "REML batch variance": sd(reml, "study") ** 2,
        "REML residual variance": reml.residual_sd**2,
        "residual SD": reml.residual_sd,
        "mean": at(reml, "intercept", "estimate"),
        "SE of mean": plain_se(reml, "intercept"),
        "REML criterion": reml.criterion,
        "ML deviance": ml.criterion,
        "ML residual variance": ml.residual_sd**2,
        "ML SE of mean": plain_se(ml, "intercept"),
        "moment estimate (MSB-MSW)/5, negative": (between - within) / 5,
    }


def lmm_5():
    d = data("s4_oats")
    columns = {"intercept": np.ones(len(d))}
    variety = indicators(d["Variety"])
    nitro = indicators(d["nitro"])
    columns |= {f"v{k}": v for k, v in variety.items()} | {f"n{k}": v for k, v in nitro.items()}
    columns |= {f"v{a}:n{b}": x * y for a, x in variety.items() for b, y in nitro.items()}
    # Sum-to-zero columns, so that a main effect is tested at the average of the other factor.
    X = pd.DataFrame(columns)
    main_v = [f"v{k}" for k in variety]
    main_n = [f"n{k}" for k in nitro]
    both = [c for c in X if ":" in c]
    for main, levels in ((main_v, d["Variety"]), (main_n, d["nitro"])):
        base = (levels == min(levels)).to_numpy(dtype=float)
        X[main] = X[main].to_numpy() - base[:, None]
    for c in both:
        a, b = c.split(":")
        X[c] = X[a] * X[b]
    fit = mf.mixed_model(d["yield"], X, d["Block"], batch=d["Variety"])
    tests = {
        "variety": mf.joint_test(fit, main_v),
        "nitrogen": mf.joint_test(fit, main_n),
        "interaction": mf.joint_test(fit, both),
    }
    for name, df in (("variety", 10), ("nitrogen", 45), ("interaction", 45)):
        assert abs(tests[name].df_bottom - df) < 1e-4 * df
    linear = mf.mixed_model(
        d["yield"], with_slope(d["nitro"]), d["Block"], batch=d["Variety"], names=["a", "slope"]
    )
    residual = fit.residual_sd**2
    plot = sd(fit, "batch") ** 2
    block = sd(fit, "study") ** 2
    # Balanced data: every mean square is a sum of the variance parts, every F is the classical one.
    whole = residual + 4 * plot
    f = {k: t.f for k, t in tests.items()}
    return {
        "SS blocks": 5 * (whole + 12 * block),
        "SS variety": 2 * f["variety"] * whole,
        "SS whole-plot error": 10 * whole,
        "SS nitrogen": 3 * f["nitrogen"] * residual,
        "SS interaction": 6 * f["interaction"] * residual,
        "SS sub-plot error": 45 * residual,
        "MS variety": f["variety"] * whole,
        "MS whole-plot error": whole,
        "F variety": f["variety"],
        "p variety": tests["variety"].p,
        "MS sub-plot error": residual,
        "F nitrogen": f["nitrogen"],
        "F interaction": f["interaction"],
        "p interaction": tests["interaction"].p,
        "full model SD block": sd(fit, "study"),
        "full model SD whole plot": sd(fit, "batch"),
        "full model residual SD": fit.residual_sd,
        "linear-nitrogen model: intercept": at(linear, "a", "estimate"),
        "slope per cwt": at(linear, "slope", "estimate"),
        "SE intercept": at(linear, "a", "se"),
        "SE slope": at(linear, "slope", "se"),
        "SD block": sd(linear, "study"),
        "SD whole plot": sd(linear, "batch"),
        "residual SD": linear.residual_sd,
        "REML logLik": linear.log_likelihood,
        "AIC": linear.aic,
    }


def orthodont(columns, varying, **options):
    d = data("s4_orthodont")
    return mf.mixed_model(d["distance"], columns, d["Subject"], varying=varying, **options)


def sex_by_age():
    d = data("s4_orthodont")
    female = (d["Sex"] == "Female").to_numpy(dtype=float)
    age = d["age"].to_numpy(dtype=float) - 11
    return pd.DataFrame(
        {"male": np.ones(len(d)), "female": female, "age": age, "age:female": age * female}
    )


def lmm_6():
    d = data("s4_orthodont")
    X = pd.DataFrame({"a": np.ones(len(d)), "age": d["age"].astype(float)})
    age = orthodont(X, X)
    S = sex_by_age()
    sex = orthodont(S, S[["male", "age"]])
    female = S["female"]
    level = orthodont(X.assign(female=female), None)
    return {
        "age model: intercept": at(age, "a", "estimate"),
        "slope": at(age, "age", "estimate"),
        "SE intercept": at(age, "a", "se"),
        "SE slope": at(age, "age", "se"),
        "SD intercept": sd(age, "study", "a"),
        "SD slope": sd(age, "study", "age"),
        "correlation": correlation(age),
        "residual SD": age.residual_sd,
        "REML logLik": age.log_likelihood,
        "AIC": age.aic,
        "Sex x (age-11) model: intercept (male)": at(sex, "male", "estimate"),
        "female": at(sex, "female", "estimate"),
        "slope male": at(sex, "age", "estimate"),
        "slope difference female": at(sex, "age:female", "estimate"),
        "Sex x (age-11) model: SE intercept": at(sex, "male", "se"),
        "SE female": at(sex, "female", "se"),
        "Sex x (age-11) model: SE slope": at(sex, "age", "se"),
        "SE slope difference": at(sex, "age:female", "se"),
        "Sex x (age-11) model: SD intercept": sd(sex, "study", "male"),
        "Sex x (age-11) model: SD slope": sd(sex, "study", "age"),
        "Sex x (age-11) model: correlation": correlation(sex),
        "Sex x (age-11) model: REML logLik": sex.log_likelihood,
        "Sex x (age-11) model: AIC": sex.aic,
        "random-intercept age+Sex model: SD intercept": sd(level, "study"),
        "random-intercept age+Sex model: residual SD": level.residual_sd,
        "random-intercept age+Sex model: SE female": at(level, "female", "se"),
        "random-intercept age+Sex model: REML logLik": level.log_likelihood,
    }


def lmm_7():
    fit = sleep()
    satterthwaite = mf.joint_test(fit, ["days"], method="satterthwaite")
    kenward = mf.joint_test(fit, ["days"])
    return {
        "F for Days": satterthwaite.f,
        "Satterthwaite denominator df": satterthwaite.df_bottom,
        "p [Satterthwaite denominator df]": satterthwaite.p,
        "Kenward-Roger F": kenward.f,
        "Kenward-Roger denominator df": kenward.df_bottom,
        "Kenward-Roger p": kenward.p,
        "t for Days": at(fit, "days", "estimate") / at(fit, "days", "se"),
    }


def lmm_8():
    d = data("s4_beets")
    block = indicators(d["block"])
    sow = indicators(d["sow"])
    harvest = {"harvest": (d["harvest"] == "harv2").to_numpy(dtype=float)}
    base = {"intercept": np.ones(len(d))} | block
    plots = d["harvest"] + d["block"]

    def fit(columns, likelihood="full"):
        return mf.mixed_model(d["sugpct"], pd.DataFrame(columns), plots, likelihood=likelihood)

    whole = fit(base | sow | harvest)
    x, p = chi2(fit(base | sow), whole, 1)
    x_sow, _ = chi2(fit(base | harvest), whole, 4)
    reml = fit(base | sow | harvest, "restricted")
    by_harvest, by_sow = mf.joint_test(reml, ["harvest"]), mf.joint_test(reml, list(sow))
    return {
        "LR chi-square, harvest (1 df)": x,
        "p [LR chi-square, harvest (1 df)]": p,
        "LR chi-square, sow (4 df)": x_sow,
        "Kenward-Roger F, harvest": by_harvest.f,
        "df [Kenward-Roger F, harvest]": by_harvest.df_bottom,
        "p [Kenward-Roger F, harvest]": by_harvest.p,
        "Kenward-Roger F, sow": by_sow.f,
        "df [Kenward-Roger F, sow]": by_sow.df_bottom,
        "p [Kenward-Roger F, sow]": by_sow.p,
    }


def lmm_9():
    S = sex_by_age()
    kenward = orthodont(S, S[["male", "age"]])
    satterthwaite = orthodont(S, S[["male", "age"]], inference="satterthwaite")
    df = kenward.coefficients["df"]
    assert np.ptp(df) < 1e-8 * df.max()
    row = kenward.coefficients.loc
    return {
        "df, all four coefficients (Kenward-Roger)": df.iloc[0],
        "df Satterthwaite, slope difference": at(satterthwaite, "age:female", "df"),
        "t female": row["female", "estimate"] / row["female", "se"],
        "p female": row["female", "p"],
        "t slope difference": row["age:female", "estimate"] / row["age:female", "se"],
        "p slope difference": row["age:female", "p"],
    }


def lmm_11():
    """Crossed within a consumer: consumer by product as batch, by information as specimen."""
    d = data("s4_ham")
    product = indicators(d["Product"])
    info = indicators(d["Information"])
    X = pd.DataFrame({"intercept": np.ones(len(d))})
    for k, v in product.items():
        X[f"p{k}"] = v - (d["Product"] == d["Product"].min()).to_numpy(dtype=float)
    for k, v in info.items():
        X[f"i{k}"] = v - (d["Information"] == d["Information"].min()).to_numpy(dtype=float)
    for a in product:
        for b in info:
            X[f"p{a}:i{b}"] = X[f"p{a}"] * X[f"i{b}"]
    fit = mf.mixed_model(
        d["Informed.liking"], X, d["Consumer"], batch=d["Product"], specimen=d["Information"]
    )
    terms = {
        "product": [c for c in X if c.startswith("p") and ":" not in c],
        "info": [c for c in X if c.startswith("i") and c != "intercept"],
        "both": [c for c in X if ":" in c],
    }
    tests = {k: mf.joint_test(fit, v, method="satterthwaite") for k, v in terms.items()}
    return {
        "F Product (3, 240)": tests["product"].f,
        "p Product": tests["product"].p,
        "F Information (1, 80)": tests["info"].f,
        "F interaction (3, 240)": tests["both"].f,
        "df Product, Satterthwaite": tests["product"].df_bottom,
    }


def lmm_12():
    reml, ml, _, _ = one_way("s4_rail", "Rail", "travel")
    return {
        "mean": at(reml, "intercept", "estimate"),
        "SE [mean]": at(reml, "intercept", "se"),
        "SD rail, REML": sd(reml, "study"),
        "residual SD": reml.residual_sd,
        "REML logLik": reml.log_likelihood,
        "AIC": reml.aic,
        "SD rail, ML": sd(ml, "study"),
        "ML logLik": ml.log_likelihood,
        "ML SE of mean": plain_se(ml, "intercept"),
    }


def lmm_13():
    d = data("s4_ergostool")
    X = pd.DataFrame({"T1": np.ones(len(d))} | indicators(d["Type"]))
    fit = mf.mixed_model(d["effort"], X, d["Subject"])
    return {
        "intercept (T1)": at(fit, "T1", "estimate"),
        "T2": at(fit, "T2", "estimate"),
        "T3": at(fit, "T3", "estimate"),
        "T4": at(fit, "T4", "estimate"),
        "SE intercept": at(fit, "T1", "se"),
        "SE contrast": at(fit, "T3", "se"),
        "SD subject": sd(fit, "study"),
        "residual SD": fit.residual_sd,
        "REML logLik": fit.log_likelihood,
        "AIC": fit.aic,
    }


def lmm_14():
    """Plates and samples cross: one study, in which they are batches and specimens."""
    d = data("s4_penicillin")

    def fit(likelihood):
        return mf.mixed_model(
            d["diameter"],
            ones(len(d)),
            np.zeros(len(d), dtype=int),
            varying=np.zeros((len(d), 0)),
            batch=d["plate"],
            specimen=d["sample"],
            likelihood=likelihood,
        )

    reml, ml = fit("restricted"), fit("full")
    return {
        "mean": at(reml, "intercept", "estimate"),
        "SE REML": at(reml, "intercept", "se"),
        "variance plate": sd(reml, "batch") ** 2,
        "variance sample": sd(reml, "specimen") ** 2,
        "residual variance": reml.residual_sd**2,
        "REML criterion": reml.criterion,
        "ML deviance": ml.criterion,
        "ML SE": plain_se(ml, "intercept"),
    }


def lmm_15():
    d = data("s4_pastes")

    def fit(likelihood):
        return mf.mixed_model(
            d["strength"], ones(len(d)), d["batch"], batch=d["cask"], likelihood=likelihood
        )

    reml, ml = fit("restricted"), fit("full")
    return {
        "mean": at(reml, "intercept", "estimate"),
        "SE REML": at(reml, "intercept", "se"),
        "SD cask within batch": sd(reml, "batch"),
        "SD batch [SD cask within batch]": sd(reml, "study"),
        "residual SD": reml.residual_sd,
        "REML criterion": reml.criterion,
        "ML deviance": ml.criterion,
        "ML SD batch": sd(ml, "study"),
        "ML SE": plain_se(ml, "intercept"),
    }


def cr_1():
    d = data("s5_mortality_motor_vehicle")
    X = pd.DataFrame({"intercept": np.ones(len(d)), "legal": d["legal"], "tax": d["beertaxa"]})
    states = {f"s{k}": v for k, v in indicators(d["state"]).items()}
    years = {f"y{k}": v for k, v in indicators(d["year"]).items()}
    X = pd.concat([X, pd.DataFrame(states), pd.DataFrame(years)], axis=1)
    fit = mf.mixed_model(d["mrate"], X, d["state"], varying=np.zeros((len(d), 0)))
    cr2 = fit.robust.loc
    cr1 = mf.robust_coefficients(fit, kind="scaled").loc
    cr0 = mf.robust_coefficients(fit, kind="plain").loc
    return {
        "coefficient legal": cr2["legal", "estimate"],
        "CR1 SE": cr1["legal", "se"],
        "CR2 SE [CR1 SE]": cr2["legal", "se"],
        "CR2 t": cr2["legal", "estimate"] / cr2["legal", "se"],
        "Satterthwaite df [CR2 t]": cr2["legal", "df"],
        "p [CR2 t]": cr2["legal", "p"],
        "coefficient beer tax": cr2["tax", "estimate"],
        "CR2 SE [coefficient beer tax]": cr2["tax", "se"],
        "Satterthwaite df [coefficient beer tax]": cr2["tax", "df"],
        "p [coefficient beer tax]": cr2["tax", "p"],
        "CR1 SE beer tax": cr1["tax", "se"],
        "CR1 df (Satterthwaite)": cr1["legal", "df"],
        "CR0 SE legal": cr0["legal", "se"],
    }


def cr_2():
    d = data("s4_orthodont")
    fit = orthodont(sex_by_age(), np.zeros((len(d), 0)))
    cr2 = fit.robust.loc
    means = d.groupby(["Sex", "Subject"])["distance"].mean()
    men, women = means["Male"], means["Female"]
    n1, n2 = len(men), len(women)
    closed = np.sqrt(men.var(ddof=1) / n1 + women.var(ddof=1) / n2)
    closed_df = (1 / n1 + 1 / n2) ** 2 / (1 / (n1**2 * (n1 - 1)) + 1 / (n2**2 * (n2 - 1)))
    return {
        "CR2 SE, female (intercept contrast at age 11)": cr2["female", "se"],
        "closed form sqrt(s1^2/16+s2^2/11) of subject means (must equal)": closed,
        "CR2 Satterthwaite df": cr2["female", "df"],
        "closed form (1/n1+1/n2)^2/(1/(n1^2(n1-1))+1/(n2^2(n2-1)))": closed_df,
        "CR2 p, female": cr2["female", "p"],
        "CR2 SE, slope difference": cr2["age:female", "se"],
        "CR2 p, slope difference": cr2["age:female", "p"],
        "CR0 SE, female": mf.robust_coefficients(fit, kind="plain").loc["female", "se"],
        "CR1 SE (factor m/(m-1)), female": mf.robust_coefficients(fit, kind="scaled").loc[
            "female", "se"
        ],
    }


def cr_3():
    bare, mixed = sleep(varying="nothing"), sleep()
    cr2 = bare.robust.loc
    return {
        "CR2 SE, Days": cr2["days", "se"],
        "REML mixed-model SE, Days (must equal)": at(mixed, "days", "se"),
        "df [REML mixed-model SE, Days (must equal)]": cr2["days", "df"],
        "p [REML mixed-model SE, Days (must equal)]": cr2["days", "p"],
    }


COMPUTED = {
    "LMM-1": lmm_1,
    "LMM-2": lmm_2,
    "LMM-3": lmm_3,
    "LMM-4": lmm_4,
    "LMM-5": lmm_5,
    "LMM-6": lmm_6,
    "LMM-7": lmm_7,
    "LMM-8": lmm_8,
    "LMM-9": lmm_9,
    "LMM-11": lmm_11,
    "LMM-12": lmm_12,
    "LMM-13": lmm_13,
    "LMM-14": lmm_14,
    "LMM-15": lmm_15,
    "CR-1": cr_1,
    "CR-2": cr_2,
    "CR-3": cr_3,
}
