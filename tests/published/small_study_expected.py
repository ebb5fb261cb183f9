"""Compute every quantity of the published small-study examples."""

import numpy as np
from published import pooling_sets as sets
from published.pooling_expected import CE, DL, LEVEL_SIX_DECIMALS, plain

from metafreeze.models.small_studies import rank_asymmetry, regress_asymmetry, trim_and_fill


def _filled(y, v, spread, **options):
    table = trim_and_fill(y, v, **options).filled
    return plain(
        table["estimate"].to_numpy(),
        table["variance"].to_numpy(),
        spread,
        level=LEVEL_SIX_DECIMALS,
    )


def ss_1():
    y, v = sets.passive_smoking()
    dl, common = (plain(y, v, s, level=LEVEL_SIX_DECIMALS) for s in (DL, CE))
    line, rank = regress_asymmetry(y, v), rank_asymmetry(y, v)
    fixed = _filled(y, v, CE, side="left")
    random = _filled(y, v, DL, side="left")
    out = {
        "random OR (Hackshaw et al.)": dl.estimate,
        "random lower": dl.low,
        "random upper": dl.high,
        "random OR (3 digits)": dl.estimate,
        "random lower (3 digits)": dl.low,
        "random upper (3 digits)": dl.high,
        "fixed OR": common.estimate,
        "fixed lower": common.low,
        "fixed upper": common.high,
        "filled fixed OR": fixed.estimate,
        "filled fixed lower": fixed.low,
        "filled fixed upper": fixed.high,
        "filled random OR": random.estimate,
        "filled random lower": random.low,
        "filled random upper": random.high,
        "filled random OR (2 digits)": random.estimate,
        "filled random lower (2 digits)": random.low,
        "filled random upper (2 digits)": random.high,
    }
    out = {name: np.exp(value) for name, value in out.items()}
    return out | {
        "Q (36 df)": common.q,
        "tau^2 DL": dl.tau2,
        "regression intercept": line.value("intercept"),
        "SE of intercept": line.value("intercept", "se"),
        "intercept lower 95%": line.value("intercept", "low"),
        "intercept upper 95%": line.value("intercept", "high"),
        "t (35 df)": line.value("intercept") / line.value("intercept", "se"),
        "two-sided p [t (35 df)]": line.value("intercept", "p"),
        "Kendall tau (effect deviate vs variance)": rank.value("rank correlation"),
        "z without continuity correction": rank.value("z"),
        "two-sided p without correction": rank.value("z", "p"),
        "two-sided p with correction": rank.value("z, continuity", "p"),
        "trim and fill, number missing on left (L0)": trim_and_fill(y, v, side="left").missing,
        "same by R0": trim_and_fill(y, v, side="left", rule="run").missing,
        "same by Q0": trim_and_fill(y, v, side="left", rule="quadratic").missing,
        "filled random: p (two-sided)": random.p,
    }


def ss_2():
    y, v = sets.bcg()
    line, rank = regress_asymmetry(y, v), rank_asymmetry(y, v)
    out = {
        "regression intercept": line.value("intercept"),
        "SE [regression intercept]": line.value("intercept", "se"),
        "t (11 df)": line.value("intercept") / line.value("intercept", "se"),
        "p [t (11 df)]": line.value("intercept", "p"),
        "Kendall S": rank.value("concordant minus discordant"),
        "Kendall tau": rank.value("rank correlation"),
        "z, no correction": rank.value("z"),
        "z, continuity corrected": rank.value("z, continuity"),
    }
    for name, rule in {"L0": "linear", "R0": "run"}.items():
        fit = trim_and_fill(y, v, rule=rule, side="right", centre="random")
        out[f"missing on right, {name}, random-effects DL centre"] = fit.missing
        out[f"filled mean DL, {name}"] = fit.after.estimate
    return out


def ss_3():
    y, v, _ = sets.teacher()
    line, rank = regress_asymmetry(y, v), rank_asymmetry(y, v)
    out = {
        "regression intercept": line.value("intercept"),
        "SE [regression intercept]": line.value("intercept", "se"),
        "t (17 df)": line.value("intercept") / line.value("intercept", "se"),
        "p [t (17 df)]": line.value("intercept", "p"),
        "Kendall S": rank.value("concordant minus discordant"),
        "Kendall tau (no tie adjustment)": rank.value("rank correlation"),
    }
    for name, rule in {"L0": "linear", "R0": "run"}.items():
        fit = trim_and_fill(y, v, rule=rule, side="left")
        out[f"missing on left, {name}, fixed centre"] = fit.missing
        out[f"filled fixed mean, {name}"] = fit.after.estimate
    return out


COMPUTED = {"SS-1": ss_1, "SS-2": ss_2, "SS-3": ss_3}
