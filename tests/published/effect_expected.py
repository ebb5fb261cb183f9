"""Compute every quantity of the published effect and conversion examples."""

from statistics import NormalDist

import numpy as np
from published import pooling_sets as sets
from published.pooling_expected import CE, DL, LEVEL_196, plain

from metafreeze.effects import conversions, counts, means, ratios, spreads, standardised

# The normal quantile as this recomputation took it.
Z_SIX_DECIMALS = 1.959964


def _row(name, row_id):
    d = sets.table(name)
    return d[d["id"] == row_id].iloc[0]


def es_1():
    r = _row("s1_two_group_means.csv", "bhhr4_independent")
    group = (r.mean1, r.sd1, r.n1, r.mean2, r.sd2, r.n2)
    common = means.mean_difference(*group, common_sd=True)
    separate = means.mean_difference(*group)
    book = standardised.standardised_difference(*group, exact=False)
    exact = standardised.standardised_difference(*group)
    return {
        "raw mean difference D": common.estimate,
        "pooled SD": means.pooled_sd(r.sd1, r.n1, r.sd2, r.n2),
        "variance of D, common SD": common.variance,
        "SE of D": common.se,
        "variance of D, separate SDs": separate.variance,
        "d": book.uncorrected,
        "variance of d": book.uncorrected_variance,
        "SE of d": np.sqrt(book.uncorrected_variance),
        "J (approximate, 1-3/(4df-1))": book.correction,
        "g": book.estimate,
        "variance of g = J^2 Vd": book.variance,
        "SE of g": book.se,
        "J exact (gamma-function form), df=98": exact.correction,
        "g with exact J": exact.estimate,
    }


def es_2():
    r = _row("s1_two_group_means.csv", "bhhr4_paired")
    raw = means.paired_mean_difference(r.mean1, r.mean2, r.sd_diff, r.n1)
    g = standardised.paired_standardised_difference(
        r.mean1, r.mean2, r.sd_diff, r.n1, correlation=r.r
    )
    return {
        "variance of D from SD of differences": raw.variance,
        "SE of D": raw.se,
        "within-SD from SD of differences and r=0.7": raw.estimate / g.uncorrected,
        "d": g.uncorrected,
        "variance of d": g.uncorrected_variance,
        "SE of d": np.sqrt(g.uncorrected_variance),
        "J, df=49": g.correction,
        "g": g.estimate,
        "variance of g": g.variance,
        "SE of g": g.se,
    }


def _ratio_groups():
    r = _row("s1_two_group_means.csv", "bhhr4_ratio")
    return r.mean1, r.sd_pooled, r.n1, r.mean2, r.sd_pooled, r.n2


def es_3():
    e = ratios.log_ratio(*_ratio_groups())
    low, high = e.estimate - 1.96 * e.se, e.estimate + 1.96 * e.se
    return {
        "response ratio": np.exp(e.estimate),
        "ln RR": e.estimate,
        "variance [ln RR]": e.variance,
        "SE [ln RR]": e.se,
        "ln RR lower 95% (1.96)": low,
        "ln RR upper": high,
        "RR lower": np.exp(low),
        "RR upper": np.exp(high),
    }


def es_3b():
    delta = ratios.corrected_log_ratio(*_ratio_groups())
    other = ratios.corrected_log_ratio_by_expectation(*_ratio_groups())
    return {
        "delta-method corrected ln RR": delta.estimate,
        "its variance [delta-method corrected ln RR]": delta.variance,
        "linearity-of-expectation corrected ln RR": other.estimate,
        "its variance [linearity-of-expectation corrected ln RR]": other.variance,
    }


def _two_by_two(row_id, z):
    r = _row("s1_two_by_two.csv", row_id)
    cells = (r.events1, r.n1, r.events2, r.n2)
    out = {}
    for name, function in {
        "risk": counts.log_risk_ratio,
        "odds": counts.log_odds_ratio,
        "difference": counts.risk_difference,
    }.items():
        e = function(*cells)
        y, v, se = e.estimate[0], e.variance[0], e.se[0]
        out[name] = (y, v, se, y - z * se, y + z * se)
    return out


def es_4():
    e = _two_by_two("bhhr5", 1.96)
    return {
        "risk ratio": np.exp(e["risk"][0]),
        "ln risk ratio": e["risk"][0],
        "variance [ln risk ratio]": e["risk"][1],
        "SE [ln risk ratio]": e["risk"][2],
        "ln RR lower": e["risk"][3],
        "ln RR upper": e["risk"][4],
        "RR lower": np.exp(e["risk"][3]),
        "RR upper": np.exp(e["risk"][4]),
        "odds ratio": np.exp(e["odds"][0]),
        "ln odds ratio": e["odds"][0],
        "variance [ln odds ratio]": e["odds"][1],
        "SE [ln odds ratio]": e["odds"][2],
        "OR lower": np.exp(e["odds"][3]),
        "OR upper": np.exp(e["odds"][4]),
        "risk difference": e["difference"][0],
        "variance of RD": e["difference"][1],
        "SE of RD": e["difference"][2],
    }


def es_5():
    e = _two_by_two("physicians", Z_SIX_DECIMALS)
    return {
        "risk ratio": np.exp(e["risk"][0]),
        "RR lower": np.exp(e["risk"][3]),
        "RR upper": np.exp(e["risk"][4]),
        "odds ratio": np.exp(e["odds"][0]),
        "OR lower": np.exp(e["odds"][3]),
        "OR upper": np.exp(e["odds"][4]),
        "risk difference": e["difference"][0],
        "SE of risk difference": e["difference"][2],
        "RD lower": e["difference"][3],
        "RD upper": e["difference"][4],
        "SE of ln OR": e["odds"][2],
    }


def es_6():
    from_odds = conversions.d_from_log_odds(0.9069, 0.0676)
    to_odds = conversions.log_odds_from_d(0.5, 0.0205)
    from_r = conversions.d_from_r(0.5, 0.0058)
    to_r = conversions.r_from_d(1.1547, 0.0550)
    return {
        "d from ln OR 0.9069": from_odds.estimate,
        "variance of d from 0.0676": from_odds.variance,
        "ln OR from d=0.5000": to_odds.estimate,
        "variance of ln OR from Vd=0.0205": to_odds.variance,
        "d from r=0.50": from_r.estimate,
        "variance of d from Vr=0.0058": from_r.variance,
        "r from d=1.1547, equal n": to_r.estimate,
        "variance of r from Vd=0.0550": to_r.variance,
    }


def es_7():
    d = sets.table("s1_bhhr14_continuous.csv")
    effects = [
        standardised.standardised_difference(
            r.mean_t, r.sd_t, r.n_t, r.mean_c, r.sd_c, r.n_c, exact=False
        )
        for r in d.itertuples()
    ]
    y, v = np.array([e.estimate for e in effects]), np.array([e.variance for e in effects])
    out = {f"g, {s}": e for s, e in zip(d.study, y, strict=True)}
    out |= {f"variance of g, {s}": e for s, e in zip(d.study, v, strict=True)}
    common, dl = plain(y, v, CE, level=LEVEL_196), plain(y, v, DL, level=LEVEL_196)
    exact = plain(y, v, DL)
    w, star = 1 / v, 1 / (v + dl.tau2)
    return out | {
        "weight, Carroll": w[0],
        "weight, Donat": w[3],
        "sum of fixed weights": w.sum(),
        "sum of w*g": w @ y,
        "fixed mean": common.estimate,
        "fixed variance": common.se**2,
        "fixed SE": common.se,
        "fixed lower": common.low,
        "fixed upper": common.high,
        "fixed Z": common.estimate / common.se,
        "Q": common.q,
        "p of Q, 5 df": common.q_p,
        "T^2 (DerSimonian-Laird)": dl.tau2,
        "T": np.sqrt(dl.tau2),
        "I^2 percent": dl.i2,
        "sum of random weights": star.sum(),
        "random weight, Carroll": dl.weights[0] * star.sum(),
        "random weight, Donat": dl.weights[3] * star.sum(),
        "random mean": dl.estimate,
        "random variance": dl.se**2,
        "random SE": dl.se,
        "random lower": dl.low,
        "random upper": dl.high,
        "random Z": dl.estimate / dl.se,
        "random p (two-sided)": dl.p,
        "95% prediction interval lower (t, k-2 df)": exact.prediction_low,
        "95% prediction interval upper": exact.prediction_high,
    }


def es_8():
    d = sets.table("s1_bhhr14_binary.csv")
    e = counts.log_odds_ratio(d.events_t, d.n_t, d.events_c, d.n_c)
    out = {f"ln OR, {s}": y for s, y in zip(d.study, e.estimate, strict=True)}
    out |= {f"variance, {s}": v for s, v in zip(d.study, e.variance, strict=True)}
    common = plain(e.estimate, e.variance, CE, level=LEVEL_196)
    dl = plain(e.estimate, e.variance, DL, level=LEVEL_196)
    return out | {
        "fixed ln OR": common.estimate,
        "fixed SE": common.se,
        "fixed OR": np.exp(common.estimate),
        "fixed OR lower": np.exp(common.low),
        "fixed OR upper": np.exp(common.high),
        "Q": common.q,
        "T^2": dl.tau2,
        "I^2 percent": dl.i2,
        "random ln OR": dl.estimate,
        "random SE": dl.se,
        "random OR": np.exp(dl.estimate),
        "random OR lower": np.exp(dl.low),
        "random OR upper": np.exp(dl.high),
    }


def es_9():
    d = sets.table("s1_bhhr14_correlation.csv")
    e = conversions.fisher_z(d.r, d.n)
    common, dl = plain(e.estimate, e.variance, CE), plain(e.estimate, e.variance, DL)
    return {
        "z, Fonda": e.estimate[0],
        "variance, Fonda": e.variance[0],
        "fixed SE": common.se,
        "Q": common.q,
        "T^2": dl.tau2,
        "random mean z": dl.estimate,
        "random SE": dl.se,
        "random r": conversions.r_from_fisher_z(dl.estimate),
        "fixed mean z": common.estimate,
        "fixed r": conversions.r_from_fisher_z(common.estimate),
    }


def _with_continuity(k, n):
    return counts.score_interval(k, n, continuity=True)


def es_10():
    methods = {
        "Wilson score": counts.score_interval,
        "Wilson score with continuity correction": _with_continuity,
        "exact (Clopper-Pearson)": counts.exact_interval,
        "mid-P": counts.mid_p_interval,
        "likelihood": counts.likelihood_interval,
    }
    out = {}
    for name, method in methods.items():
        for k, n in [(81, 263), (15, 148), (0, 20), (1, 29)]:
            low, high = method(k, n)
            out |= {f"{name}, {k}/{n}, lower": low, f"{name}, {k}/{n}, upper": high}
    return out


def es_11():
    return {
        "score upper": counts.score_interval(0, 25)[1],
        "likelihood-ratio upper": counts.likelihood_interval(0, 25)[1],
        "exact upper": counts.exact_interval(0, 25)[1],
    }


def es_12():
    out = {}
    for a, m, b, n in sets.table("s1_two_proportions.csv").to_numpy():
        for name, continuity in {
            "score (square-and-add Wilson)": False,
            "score with continuity correction": True,
        }.items():
            low, high = counts.difference_interval(a, m, b, n, continuity=continuity)
            key = f"{name}, {a}/{m}-{b}/{n}"
            out |= {f"{key}, lower": low, f"{key}, upper": high}
    return out


def es_13():
    r = _row("s1_paired_proportions.csv", "agresti_approval")
    p = counts.compare_pairs(r.both, r.first_only, r.second_only, r.neither)
    return {
        "first proportion": p.share_1,
        "second proportion": p.share_2,
        "difference": p.difference,
        "SE of difference": p.se,
        "difference (absolute) lower 95%": p.difference - Z_SIX_DECIMALS * p.se,
        "upper 95% [difference (absolute) lower 95%]": p.difference + Z_SIX_DECIMALS * p.se,
        "McNemar chi-square": p.chi_square,
        "McNemar z": p.z,
        "exact (sign test) two-sided p": p.p_exact,
        "matched-pairs odds ratio 86/150": p.odds_ratio,
    }


def es_14():
    r = _row("s1_paired_proportions.csv", "newcombe_paired")
    cells = (r.both, r.first_only, r.second_only, r.neither)
    low, high = counts.paired_difference_interval(*cells)
    return {
        "difference": counts.compare_pairs(*cells).difference,
        "lower [difference]": low,
        "upper [difference]": high,
    }


def es_15():
    out = {f"d={d}": standardised.superiority_from_d(d) for d in (0.2, 0.5, 0.8, 1.0, 2.0)}
    p = standardised.superiority_from_means(69.7, 2.8, 64.3, 2.6)
    return out | {
        "z for heights, means 69.7/64.3, SDs 2.8/2.6": NormalDist().inv_cdf(p),
        "probability of superiority": p,
    }


def es_16():
    d = sets.table("s1_pain_scores.csv")
    s = standardised.superiority_from_ranks(
        d.score[d.group == "Y"].to_numpy(float), d.score[d.group == "N"].to_numpy(float)
    )
    return {
        "statistic": s.statistic,
        "df [statistic]": s.df,
        "p [statistic]": s.p,
        "P(Y<N)+0.5P(Y=N)": s.estimate,
        "lower [P(Y<N)+0.5P(Y=N)]": s.low,
        "upper [P(Y<N)+0.5P(Y=N)]": s.high,
    }


def es_17():
    t = spreads.t_from_p(0.008, 45)
    # The source goes on with its rounded t, so this step is a plain quotient.
    se = 3.8 / 2.78
    return {
        "t for p=0.008, df 45": t,
        "SE of MD 3.8": se,
        "SD, groups 25 and 22": spreads.sd_from_se_of_difference(1.37, 25, 22),
        "t-width divisor for n=25 (2 x t_24)": np.sqrt(25) / spreads.sd_from_interval(0, 1, 25),
        "change correlation, experimental (SDs 6.4, 7.1, change 4.5)": spreads.change_correlation(
            6.4, 7.1, 4.5
        ),
        "change correlation, control (7.0, 6.9, change 4.2)": spreads.change_correlation(
            7.0, 6.9, 4.2
        ),
        "imputed change SD, control, Corr=0.80": spreads.change_sd(7.0, 6.9, 0.80),
    }


def es_18():
    a, b = np.array([10.0, 12, 11, 15, 9, 14]), np.array([20.0, 18, 22, 19, 24])
    mean, sd, _ = spreads.combine_groups(
        a.mean(), a.std(ddof=1), a.size, b.mean(), b.std(ddof=1), b.size
    )
    return {
        "combined mean": mean,
        "combined SD": sd,
        "direct SD of the 11 values (must equal)": np.concatenate([a, b]).std(ddof=1),
    }


def es_19():
    return {
        f"n={r.n}, x={r.x}": counts.sign_test_tail(r.x, r.n)
        for r in sets.table("s1_sign_test.csv").itertuples()
    }


def conv_1():
    d = sets.table("s7_xi_range.csv")
    exact = np.array([spreads.expected_range(n) for n in d.n])
    out = {f"xi({n})": spreads.expected_range(n) for n in (2, 3, 4, 5, 10, 15, 20, 25, 30, 40, 50)}
    return out | {
        "largest |published - recomputed| over n=1..50": np.abs(d.xi_published - exact).max(),
        "xi(12), standard control-chart constant d2": exact[11],
    }


def conv_2():
    return {
        f"eta, Q={q} (n={4 * q + 1})": spreads.expected_quartile_gap(4 * q + 1)
        for q in (1, 2, 3, 4, 5, 10, 50)
    }


def conv_3():
    n, low, q1, median, q3, high = sets.table("s7_five_number.csv").iloc[0]
    from_range, from_five, from_quartiles = spreads.plain_means(low, q1, median, q3, high)
    return {
        "C1 mean (a+2m+b)/4": from_range,
        "C1 SD (b-a)/(2 Phi^-1((n-.375)/(n+.25)))": spreads.sd_from_range(low, high, n),
        "C2 mean (a+2q1+2m+2q3+b)/8": from_five,
        "C2 SD (average of range and IQR estimates)": spreads.sd_from_five_numbers(
            low, q1, q3, high, n
        ),
        "C3 mean (q1+m+q3)/3": from_quartiles,
        "C3 SD (q3-q1)/(2 Phi^-1((.75n-.125)/(n+.25)))": spreads.sd_from_quartiles(q1, q3, n),
        "Luo C1 mean, w=4/(4+n^.75)": spreads.mean_from_range(low, median, high, n),
        "Luo C3 mean, w=.7+.39/n": spreads.mean_from_quartiles(q1, median, q3, n),
        "Luo C2 mean, w1=2.2/(2.2+n^.75), w2=.7-.72/n^.55": spreads.mean_from_five_numbers(
            low, q1, median, q3, high, n
        ),
        "Shi five-number SD": spreads.weighted_sd_from_five_numbers(low, q1, q3, high, n),
    }


def conv_4():
    return {
        "SD from CI 30.0 to 34.2, n=25 (divisor 4.128)": spreads.sd_from_interval(30.0, 34.2, 25),
        # The large-sample divisor is not offered; the t quantile is the rule.
        "same with 3.92 (large-sample divisor)": np.sqrt(25) * (34.2 - 30.0) / 3.92,
    }


COMPUTED = {
    "ES-1": es_1,
    "ES-2": es_2,
    "ES-3": es_3,
    "ES-3b": es_3b,
    "ES-4": es_4,
    "ES-5": es_5,
    "ES-6": es_6,
    "ES-7": es_7,
    "ES-8": es_8,
    "ES-9": es_9,
    "ES-10": es_10,
    "ES-11": es_11,
    "ES-12": es_12,
    "ES-13": es_13,
    "ES-14": es_14,
    "ES-15": es_15,
    "ES-16": es_16,
    "ES-17": es_17,
    "ES-18": es_18,
    "ES-19": es_19,
    "CONV-1": conv_1,
    "CONV-2": conv_2,
    "CONV-3": conv_3,
    "CONV-4": conv_4,
}
