"""Tables of coefficients and the lines said about a fit, against the t and normal laws."""

import numpy as np
import pytest
from oracles.mixed_by_hand import rows_of_kind
from scipy import stats

from metafreeze import mixed_model
from metafreeze.models.mixed_result import coefficient_frame, empty_coefficients, t_quantile
from metafreeze.results import round_for_people


@pytest.mark.parametrize("level", [0.95, 0.8])
def test_intervals_and_p_values_by_their_laws(level):
    estimate = np.array([1.0, -2.0, 0.0, 3.0, 1.0])
    se = np.array([0.5, 0.5, 1.0, 0.1, 0.5])
    df = np.array([4.0, np.inf, 1.0, 2.5, np.nan])
    table = coefficient_frame(("a", "b", "c", "d", "e"), estimate, se, df, level)
    assert table.index.tolist() == ["a", "b", "c", "d", "e"] and table.index.name == "term"
    assert table.columns.tolist() == ["estimate", "se", "df", "low", "high", "p"]
    laws = [stats.t(4), stats.norm(), stats.t(1), stats.t(2.5)]
    for k, law in enumerate(laws):
        row = table.iloc[k]
        low, high = law.interval(level)
        assert row["low"] == pytest.approx(estimate[k] + low * se[k], rel=1e-12)
        assert row["high"] == pytest.approx(estimate[k] + high * se[k], rel=1e-12)
        assert row["p"] == pytest.approx(2 * law.sf(abs(estimate[k]) / se[k]), rel=1e-12)
        assert (row["estimate"], row["se"], row["df"]) == (estimate[k], se[k], df[k])
    last = table.iloc[4]
    assert last["estimate"] == 1.0 and last[["df", "low", "high", "p"]].isna().all()


def test_a_standard_error_of_nought_is_no_doubt():
    table = coefficient_frame(
        ("a", "b"), np.array([1.0, 0.0]), np.zeros(2), np.array([3.0, 3.0]), 0.9
    )
    assert table.loc["a", "p"] == 0.0 and np.isnan(table.loc["b", "p"])
    assert table.loc["a", ["low", "high"]].tolist() == [1.0, 1.0]


def test_quantiles_of_t_and_of_the_normal():
    df = np.array([1.0, 7.5, np.inf, np.nan, 0.0, -1.0])
    found = t_quantile(0.9, df)
    assert found[:3] == pytest.approx(
        [stats.t.ppf(0.9, 1), stats.t.ppf(0.9, 7.5), stats.norm.ppf(0.9)]
    )
    assert np.isnan(found[3:]).all()
    assert float(t_quantile(0.975, np.array(2.0))) == pytest.approx(stats.t.ppf(0.975, 2))


def test_coefficients_that_could_not_be_had():
    table = empty_coefficients(("a", "b"))
    assert table.shape == (2, 6) and table.isna().all(axis=None)
    assert table.index.tolist() == ["a", "b"]


@pytest.mark.parametrize("studies", [1, 4])
def test_the_line_says_the_last_coefficient(studies):
    data = rows_of_kind(130, q=0, studies=studies, n=24, spread=0.0)
    fit = mixed_model(
        data["y"],
        data["X"],
        data["study"],
        varying=np.zeros((24, 0)),
        names=["one", "x", "last"],
    )
    row = [
        round_for_people(float(v)) for v in fit.coefficients.iloc[2][["estimate", "low", "high"]]
    ]
    where = "1 study" if studies == 1 else "4 studies"
    assert fit.headline() == (
        f"last {row[0]} ({row[1]} to {row[2]}), 24 runs in {where}, restricted likelihood, "
        "kenward-roger, ok"
    )
    frame = fit.to_frame()
    assert frame.columns.tolist() == ["term", "estimate", "se", "df", "low", "high", "p"]
    assert frame["term"].tolist() == ["one", "x", "last"]
    assert frame["estimate"].tolist() == fit.coefficients["estimate"].tolist()
    assert fit.aic == fit.criterion + 2 * (3 + 1)
    assert fit.log_likelihood == fit.criterion / -2
