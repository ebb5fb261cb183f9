"""Three studies are the fewest that give a range for a new one: t on one degree of freedom."""

import numpy as np
import pytest
from scipy import stats

import metafreeze as mf


def fit(studies):
    rng = np.random.default_rng(11)
    study = np.repeat([f"lab {k}" for k in range(studies)], 8)
    x = np.tile(np.linspace(-1.5, 1.5, 8), studies)
    slope = np.repeat(rng.normal(0.3, 0.4, studies), 8)
    y = 1.0 + slope * x + rng.normal(0.0, 0.1, study.size)
    design = np.column_stack([np.ones(x.size), x])
    return mf.mixed_model(y, design, study, varying=design)


def test_three_studies_give_one_degree_of_freedom():
    found = fit(3)
    row = found.new_study.iloc[-1]
    assert row["df"] == 1.0
    se = found.coefficients["se"].iloc[-1]
    half = stats.t.isf(0.025, 1) * np.hypot(se, row["sd_between"])
    assert (row["low"], row["high"]) == pytest.approx(
        (row["estimate"] - half, row["estimate"] + half), rel=1e-10
    )


def test_two_studies_give_none():
    row = fit(2).new_study.iloc[-1]
    assert np.isfinite(row["estimate"])
    assert np.isnan([row["df"], row["low"], row["high"]]).all()
