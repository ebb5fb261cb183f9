"""The worked data sets as effects and variances, shared by the pooling tests."""

from pathlib import Path

import numpy as np
import pandas as pd

from metafreeze.effects.counts import log_odds_ratio, log_risk_ratio, risk_difference

DATA = Path(__file__).parent / "data"


def table(name):
    return pd.read_csv(DATA / name)


def bcg(kind="risk"):
    d = table("s2_bcg.csv")
    effect = log_risk_ratio if kind == "risk" else log_odds_ratio
    n_1, n_2 = d.tb_vacc + d.no_tb_vacc, d.tb_control + d.no_tb_control
    e = effect(d.tb_vacc, n_1, d.tb_control, n_2)
    return e.estimate, e.variance


def bcg_latitude():
    return table("s2_bcg.csv").latitude.to_numpy(float)


def _counts(name, events_t, effect):
    d = table(name)
    e = effect(d[events_t], d.n_t, d.iloc[:, 3], d.n_c)
    return e.estimate, e.variance


def diuretics():
    return _counts("s2_diuretics.csv", "events_t", log_odds_ratio)


def two_studies():
    return _counts("s2_two_studies.csv", "events_t", log_odds_ratio)


def lidocaine():
    return _counts("s2_lidocaine.csv", "deaths_t", risk_difference)


def teacher():
    d = table("s2_teacher_expectancy.csv")
    return d.smd.to_numpy(), d.se.to_numpy() ** 2, d.weeks.to_numpy(float)


def schools():
    d = table("s2_eight_schools.csv")
    return d.effect.to_numpy(float), d.se.to_numpy(float) ** 2


def length_of_stay(pooled_sd):
    d = table("s2_length_of_stay.csv")
    n_1, n_2 = d.n_specialist.to_numpy(float), d.n_routine.to_numpy(float)
    s_1, s_2 = d.sd_specialist.to_numpy(float), d.sd_routine.to_numpy(float)
    y = (d.mean_specialist - d.mean_routine).to_numpy(float)
    if pooled_sd:
        s2 = ((n_1 - 1) * s_1**2 + (n_2 - 1) * s_2**2) / (n_1 + n_2 - 2)
        return y, s2 * (1 / n_1 + 1 / n_2)
    return y, s_1**2 / n_1 + s_2**2 / n_2


def passive_smoking():
    d = table("s3_passive_smoking.csv")
    se = (np.log(d.upper95) - np.log(d.lower95)) / (2 * 1.959964)
    return np.log(d["or"]).to_numpy(), se.to_numpy() ** 2
