"""Multiple imputation against statsmodels, and against what is known of simulated gaps."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.imputation.bayes_mi import MI
from statsmodels.imputation.mice import MICE, MICEData

from metafreeze.errors import InputError
from metafreeze.scrutiny.imputation import choose_donors, pool_imputations

# The two compute the same sums in another order.
ROUNDING = 1e-10


def gappy(rng, n=240, share=0.4):
    """Time depends on start and on a covariate that goes along with it; the covariate has gaps."""
    study = np.repeat(np.arange(6), n // 6)
    x = np.tile([-3.0, 0.0, 3.0], n // 3)
    z = 0.3 * x + rng.normal(0, 0.3, 6)[study] + rng.normal(0, 1.0, n)
    y = 0.02 * x + 0.05 * z + rng.normal(0, 0.05, n)
    # Missing more often where the time was long: complete rows alone are then biased.
    missing = rng.random(n) < share * 2 * stats.norm.cdf(2 * (y - y.mean()) / y.std())
    return study, x, np.where(missing, np.nan, z), y


class Fillings:
    """Fillings of ours, one after the other, in the shape that statsmodels asks for."""

    def __init__(self, tables):
        self.tables = list(tables)
        self.data = self.tables[0]
        self.place = -1

    def update(self):
        self.place += 1
        self.data = self.tables[self.place]


def filled_tables(study, x, z, y, rng, m=20):
    always = np.column_stack([x, y])
    tables = []
    for stream in rng.spawn(m):
        (donor,) = choose_donors([z[:, None]], [np.isfinite(z)], always, study, stream)
        tables.append(pd.DataFrame({"y": y, "x": x, "z": z[donor], "one": 1.0}))
    return tables


def test_pooling_equals_statsmodels():
    rng = np.random.default_rng(3)
    tables = filled_tables(*gappy(rng), rng)
    fits = [sm.OLS(t["y"], t[["one", "x", "z"]]).fit() for t in tables]
    ours = pool_imputations([f.params["x"] for f in fits], [f.bse["x"] ** 2 for f in fits])
    theirs = MI(
        Fillings(tables),
        sm.OLS,
        model_args_fn=lambda data: (data["y"], data[["one", "x", "z"]]),
        nrep=len(tables),
        burn=0,
        skip=0,
    ).fit()
    assert ours.estimate == pytest.approx(float(np.asarray(theirs.params)[1]), rel=ROUNDING)
    assert ours.se == pytest.approx(float(np.asarray(theirs.bse)[1]), rel=ROUNDING)
    assert ours.lost_information == pytest.approx(float(np.asarray(theirs.fmi)[1]), rel=ROUNDING)


def test_degrees_of_freedom_by_hand():
    # Barnard & Rubin (1999), equation 3 with m = 5, worked out with a pocket calculator:
    # U = 4, B = 2.5, T = 4 + 1.2 * 2.5 = 7, g = 3/7, df_m = 4 / g^2 = 21.7778,
    # df_obs = 21/23 * 20 * 4/7 = 10.4348, df = 1 / (1/21.7778 + 1/10.4348) = 7.0546.
    found = pool_imputations([-2.0, -1.0, 0.0, 1.0, 2.0], np.full(5, 4.0), complete_df=20.0)
    assert found.se == pytest.approx(np.sqrt(7.0), rel=ROUNDING)
    assert found.df == pytest.approx(7.0546, abs=5e-4)
    whole = pool_imputations([-2.0, -1.0, 0.0, 1.0, 2.0], np.full(5, 4.0))
    assert whole.df == pytest.approx(4 / (3 / 7) ** 2, rel=ROUNDING)


def test_no_difference_between_tables_is_no_loss():
    found = pool_imputations([1.0, 1.0, 1.0], [0.5, 0.5, 0.5], complete_df=10.0)
    assert found.lost_information == 0.0
    assert found.df == pytest.approx(11 / 13 * 10)


def test_fillings_come_close_to_those_of_statsmodels():
    rng = np.random.default_rng(11)
    study, x, z, y = gappy(rng, n=1200)
    fits = [
        sm.OLS(t["y"], t[["one", "x", "z"]]).fit() for t in filled_tables(study, x, z, y, rng, m=40)
    ]
    ours = pool_imputations([f.params["z"] for f in fits], [f.bse["z"] ** 2 for f in fits])
    np.random.seed(5)  # noqa: NPY002 - statsmodels draws from the global state
    data = MICEData(pd.DataFrame({"y": y, "x": x, "z": z}), k_pmm=5)
    theirs = MICE("y ~ x + z", sm.OLS, data).fit(n_burnin=5, n_imputations=40)
    # Another filler (without levels of studies): within half a standard error of each other.
    assert ours.estimate == pytest.approx(float(theirs.params[2]), abs=0.5 * ours.se)
    assert ours.estimate == pytest.approx(0.05, abs=3 * ours.se)


def test_filling_mends_what_complete_rows_get_wrong():
    # Gaps that depend on the time: complete rows are biased, filled ones much less so.
    errors = {"complete": [], "filled": []}
    covered = 0
    sets = 60
    for seed in range(sets):
        rng = np.random.default_rng([17, seed])
        study, x, z, y = gappy(rng)
        there = np.isfinite(z)
        design = sm.add_constant(np.column_stack([x, z]))
        errors["complete"].append(sm.OLS(y[there], design[there]).fit().params[1] - 0.02)
        fits = [
            sm.OLS(t["y"], t[["one", "x", "z"]]).fit()
            for t in filled_tables(study, x, z, y, rng, m=10)
        ]
        pooled = pool_imputations(
            [f.params["x"] for f in fits],
            [f.bse["x"] ** 2 for f in fits],
            complete_df=float(fits[0].df_resid),
        )
        errors["filled"].append(pooled.estimate - 0.02)
        covered += pooled.low <= 0.02 <= pooled.high
    bias = {k: abs(float(np.mean(v))) for k, v in errors.items()}
    noise = float(np.std(errors["filled"])) / np.sqrt(sets)
    assert bias["complete"] > 4 * noise
    assert bias["filled"] < bias["complete"] / 2
    # Nominal 95 %: three Monte Carlo errors of 60 sets below it.
    assert covered / sets >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / sets)


def test_a_study_that_never_wrote_it_down_gets_values_too():
    rng = np.random.default_rng(4)
    study, x, z, y = gappy(rng)
    words = np.column_stack([z > 0, z <= 0]).astype(float)
    there = np.isfinite(z) & (study != 2)
    words[~there] = np.nan
    (donor,) = choose_donors([words], [there], np.column_stack([x, y]), study, rng)
    assert there[donor].all()
    assert (donor[there] == np.flatnonzero(there)).all()


@pytest.mark.parametrize(
    ("estimate", "variance", "words"),
    [([1.0], [1.0], "two filled tables or more"), ([1.0, 2.0], [1.0, 0.0], "above zero")],
)
def test_what_cannot_be_pooled_is_refused(estimate, variance, words):
    with pytest.raises(InputError, match=words):
        pool_imputations(estimate, variance)


def test_too_few_known_values_are_refused():
    z = np.full((20, 1), np.nan)
    z[:3] = 1.0
    with pytest.raises(InputError, match="known in 3 rows"):
        choose_donors(
            [z],
            [np.isfinite(z[:, 0])],
            np.zeros((20, 2)),
            np.zeros(20, dtype=np.int64),
            np.random.default_rng(1),
        )
