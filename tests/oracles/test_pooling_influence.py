"""One study left out, and small studies: slow twins, scipy and statsmodels beside them."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from published import pooling_sets as sets
from scipy import optimize, stats

from metafreeze.errors import InputError
from metafreeze.models.influence import cumulate, leave_one_out
from metafreeze.models.pooled import pool
from metafreeze.models.small_studies import (
    SELECTION_STEPS,
    SELECTION_WEIGHTS,
    assume_selection,
    check_small_studies,
    rank_asymmetry,
    regress_asymmetry,
    regress_precision,
    trim_and_fill,
)

SAME = 1e-9


def test_leaving_one_out_is_pooling_the_rest():
    y, v = sets.diuretics()
    names = sets.table("s2_diuretics.csv").trial.to_numpy()
    out = leave_one_out(y, v, study=names)
    whole = pool(y, v)
    for i, row in out.table.iterrows():
        keep = np.arange(y.size) != i
        rest = pool(y[keep], v[keep])
        assert row["study"] == names[i]
        assert row["estimate_without"] == rest.estimate
        assert row["change"] == pytest.approx(rest.estimate - whole.estimate, rel=SAME)
        error = np.sqrt(v[i] + rest.tau2 + rest.se_plain**2)
        assert row["residual"] == pytest.approx((y[i] - rest.estimate) / error, rel=SAME)
        assert row["cook"] == pytest.approx((row["change"] / whole.se_plain) ** 2, rel=SAME)
        assert row["tau2_without"] == rest.tau2
    assert out.table["share_of_q"].sum() == pytest.approx(100.0, rel=SAME)
    assert out.table["weight"].sum() == pytest.approx(1.0, rel=SAME)
    # The interval of all nine holds zero; without the one study against it, it does not.
    assert out.zero_enters == ()
    assert "Tervila" not in out.sign_turns


def test_a_study_that_decides_the_sign_is_named():
    out = leave_one_out([-0.1, 0.1, 0.9, -0.2], [0.01, 0.01, 0.01, 0.01], study=list("abcd"))
    assert out.whole.estimate > 0
    assert out.sign_turns == ("c",)
    assert "c alone decides its sign" in out.headline()


def test_two_studies_cannot_be_left_out():
    out = leave_one_out([0.1, 0.2], [0.1, 0.1])
    assert out.status == "unidentifiable"
    assert "at least three studies" in out.note and len(out.table) == 0


def test_cumulation_is_pooling_up_to_a_date():
    d = sets.table("s2_bcg.csv")
    y, v = sets.bcg()
    out = cumulate(y, v, d.year, study=d.trial)
    assert out.table["k"].iloc[-1] == 13
    assert out.table["order"].is_monotonic_increasing
    # Two trials of 1953 and two or three of other years come in together.
    assert len(out.table) == d.year.nunique()
    for _, row in out.table.iterrows():
        inside = (d.year <= row["order"]).to_numpy()
        fit = pool(y[inside], v[inside])
        assert row["estimate"] == fit.estimate and row["k"] == fit.k
    shuffled = np.random.default_rng(1).permutation(13)
    again = cumulate(y[shuffled], v[shuffled], d.year.to_numpy()[shuffled])
    np.testing.assert_allclose(again.table["estimate"], out.table["estimate"], rtol=1e-8)


def test_cumulation_matches_dates_by_key():
    names = ["a", "b", "c"]
    y, v = pd.Series([0.1, 0.2, 0.4], index=names), pd.Series([0.1, 0.1, 0.1], index=names)
    by_key = cumulate(y, v, pd.Series([2003, 2001, 2002], index=["c", "a", "b"]))
    assert list(by_key.table["study"]) == ["a", "b", "c"]
    with pytest.raises(InputError, match="The order of study b"):
        cumulate(y, v, pd.Series([2003, 2001], index=["c", "a"]))


def test_asymmetry_regression_is_an_ordinary_regression():
    y, v = sets.bcg()
    se = np.sqrt(v)
    line = stats.linregress(1 / se, y / se)
    check = regress_asymmetry(y, v)
    assert check.value("intercept") == pytest.approx(line.intercept, rel=SAME)
    assert check.value("intercept", "se") == pytest.approx(line.intercept_stderr, rel=SAME)
    assert check.value("slope") == pytest.approx(line.slope, rel=SAME)


def test_rank_correlation_is_that_of_scipy_without_ties():
    y, v = sets.bcg()
    w = 1 / v
    deviation = (y - w @ y / w.sum()) / np.sqrt(v - 1 / w.sum())
    tau = stats.kendalltau(deviation, v).statistic
    assert rank_asymmetry(y, v).value("rank correlation") == pytest.approx(tau, rel=SAME)


def test_precision_effect_is_weighted_least_squares():
    y, v, _ = sets.teacher()
    check = regress_precision(y, v)
    by_error = sm.WLS(y, sm.add_constant(np.sqrt(v)), weights=1 / v).fit()
    by_variance = sm.WLS(y, sm.add_constant(v), weights=1 / v).fit()
    assert check.value("at zero standard error") == pytest.approx(by_error.params[0], rel=SAME)
    assert check.value("at zero standard error", "p") == pytest.approx(
        by_error.pvalues[0], rel=SAME
    )
    assert check.value("at zero variance") == pytest.approx(by_variance.params[0], rel=SAME)
    assert check.value("slope on variance", "se") == pytest.approx(by_variance.bse[1], rel=SAME)
    chosen = by_variance if by_error.pvalues[0] < 0.10 else by_error
    assert check.value("effect at perfect precision") == pytest.approx(chosen.params[0], rel=SAME)


def test_balanced_studies_get_nothing_filled_in():
    y = np.concatenate([[0.0], *[[a, -a] for a in (0.1, 0.2, 0.3, 0.4, 0.5, 0.6)]])
    v = 0.01 + y**2
    for rule in ("linear", "run", "quadratic"):
        fit = trim_and_fill(y, v, rule=rule, side="left")
        assert fit.missing <= 1
        assert fit.after.estimate == pytest.approx(0.0, abs=0.02)
    half = trim_and_fill(y[(y >= 0) | (v < 0.06)], v[(y >= 0) | (v < 0.06)], side="auto")
    assert half.side == "left" and half.missing >= 2
    assert half.after.estimate < half.before.estimate


def test_mirroring_the_studies_mirrors_the_filling():
    y, v = sets.passive_smoking()
    a, b = trim_and_fill(y, v, side="left"), trim_and_fill(-y, v, side="right")
    assert (a.missing, a.side, b.side) == (b.missing, "left", "right")
    assert b.after.estimate == pytest.approx(-a.after.estimate, rel=SAME)


def test_without_selection_the_model_is_the_full_likelihood():
    y, v = sets.bcg()
    check = assume_selection(y, v, favoured="negative")
    ml = pool(y, v, spread="likelihood", interval="normal")
    assert check.value("no selection") == pytest.approx(ml.estimate, abs=1e-5)
    assert check.value("tau2: no selection") == pytest.approx(ml.tau2, abs=1e-5)
    # Equal chances for all p-values are no selection either.
    flat = assume_selection(
        y, v, favoured="negative", weights={"flat": [0.4] * len(SELECTION_STEPS)}
    )
    assert flat.value("flat") == pytest.approx(ml.estimate, abs=1e-5)


@pytest.mark.parametrize("name", list(SELECTION_WEIGHTS))
def test_the_selection_model_is_the_optimum_of_its_likelihood(name):
    y, v, _ = sets.teacher()
    weights = {name: SELECTION_WEIGHTS[name]}
    check = assume_selection(y, v, favoured="positive", weights=weights)
    ends, chance = np.array(SELECTION_STEPS), np.array(SELECTION_WEIGHTS[name])

    def criterion(q):
        total = np.sqrt(v + q[1] ** 2)
        value = 0.0
        for yi, vi, t in zip(y, v, total, strict=True):
            edges = np.concatenate([[np.inf], stats.norm.isf(ends[:-1]) * np.sqrt(vi), [-np.inf]])
            shares = -np.diff(stats.norm.cdf((edges - q[0]) / t))
            p = stats.norm.sf(yi / np.sqrt(vi))
            own = chance[int(np.searchsorted(ends, p))]
            value -= np.log(own) + stats.norm.logpdf(yi, q[0], t) - np.log(chance @ shares)
        return value

    best = optimize.minimize(criterion, [0.05, 0.1], method="Nelder-Mead", options={"xatol": 1e-7})
    ours = criterion([check.value(name), np.sqrt(check.value(f"tau2: {name}"))])
    assert ours <= best.fun + 1e-7
    assert check.value(name) == pytest.approx(best.x[0], abs=1e-3)


def test_selection_towards_the_favoured_side_pulls_the_effect_back():
    y, v, _ = sets.teacher()
    check = assume_selection(y, v, favoured="positive")
    assert check.value("severe, one direction") < check.value("moderate, one direction")
    assert check.value("moderate, one direction") < check.value("no selection")
    turned = assume_selection(-y, v, favoured="negative")
    assert turned.value("severe, one direction") == pytest.approx(
        -check.value("severe, one direction"), abs=1e-6
    )


def test_under_ten_studies_nothing_may_be_a_verdict():
    y, v = sets.diuretics()
    few = check_small_studies(y, v, favoured="negative")
    assert not few.verdict_allowed
    reason = "under ten studies this cannot serve as a verdict"
    for look in (few.regression, few.rank, few.precision, few.selection, few.filled):
        assert not look.verdict_allowed
        assert reason in look.note and reason in look.headline()
    assert reason in few.headline()
    many = check_small_studies(*sets.bcg(), favoured="negative")
    assert many.verdict_allowed and many.note == ""
    assert many.filled.side == "right"


def test_equal_precision_has_no_asymmetry_to_show():
    look = regress_asymmetry([0.1, 0.2, 0.3], [1.0, 1.0, 1.0])
    assert look.status == "unidentifiable" and "unequal precision" in look.note
    assert np.isnan(look.table["estimate"][0])
    assert regress_precision([0.1, 0.2, 0.3], [1.0, 1.0, 1.0]).status == "unidentifiable"


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda y, v: trim_and_fill(y[:2], v[:2]), "There are 2 studies"),
        (lambda y, v: trim_and_fill(y, v, rule="l0"), "rule is 'l0'"),
        (lambda y, v: trim_and_fill(y, v, side="both"), "side is 'both'"),
        (lambda y, v: trim_and_fill(y, v, centre="mean"), "centre is 'mean'"),
        (lambda y, v: assume_selection(y, v, favoured="hot"), "favoured is 'hot'"),
        (
            lambda y, v: assume_selection(y, v, favoured="negative", weights={"x": [1.0]}),
            "The weights of “x” do not fit",
        ),
        (
            lambda y, v: assume_selection(y, v, favoured="negative", steps=[0.5, 0.4, 1.0]),
            "Give rising p-values",
        ),
        (lambda y, v: check_small_studies(y, v, favoured="up"), "favoured is 'up'"),
    ],
)
def test_what_is_refused(call, words):
    with pytest.raises(InputError) as caught:
        call(*sets.bcg())
    assert words in str(caught.value)
