"""What stands in the table of a fit: Student's numbers, what was asked, what is left out."""

import inspect

import numpy as np
import pytest
from scipy import stats

import metafreeze as mf
from metafreeze.models import unseen_times
from metafreeze.models.unseen_bootstrap import BootstrapCutOff
from metafreeze.models.unseen_intervals import Limits
from metafreeze.models.unseen_times import _drop_contradictions, _write

INF, NAN = np.inf, np.nan


def data(n=14, seed=3, beta=(2.0, 0.5, -0.02)):
    rng = np.random.default_rng(seed)
    x = np.column_stack([np.ones(n), rng.normal(size=n), rng.normal(size=n)])
    return x, x @ np.array(beta) + 0.4 * rng.normal(size=n)


def student(x, y, functions, level, df=None):
    n, p = x.shape
    beta = np.linalg.solve(x.T @ x, x.T @ y)
    rss = ((y - x @ beta) ** 2).sum()
    covariance = np.linalg.inv(x.T @ x) * rss / n
    estimate = functions @ beta
    se = np.sqrt(np.diag(functions @ covariance @ functions.T))
    df = n - p if df is None else df
    t = stats.t.isf(0.5 - level / 2, df)
    return estimate, se, t, df


def fit(x, y, **options):
    return mf.unseen_times_model(y, y, x, log_times=True, **options)


@pytest.mark.parametrize("level", [0.8, 0.95])
@pytest.mark.parametrize("df", [None, 5.0, 40.0])
def test_wald_limits_are_estimate_and_error(level, df):
    x, y = data()
    contrast = np.array([[0.0, 1.0, -1.0]])
    got = fit(x, y, inference="wald", level=level, df=df, contrasts=contrast)
    functions = np.vstack([np.eye(3), contrast])
    estimate, se, t, used = student(x, y, functions, level, df)
    table = got.to_frame()
    np.testing.assert_allclose(table["estimate"], estimate, rtol=1e-7)
    np.testing.assert_allclose(table["se"], se, rtol=1e-6)
    assert table["df"].tolist() == [used] * 4
    np.testing.assert_allclose(table["low"], estimate - t * se, rtol=1e-6)
    np.testing.assert_allclose(table["high"], estimate + t * se, rtol=1e-6)
    np.testing.assert_allclose(table["p"], 2 * stats.t.sf(abs(estimate / se), used), rtol=1e-4)
    assert got.note == "" and got.status == "ok" and got.draws_used == 0
    np.testing.assert_allclose(got.covariance.to_numpy().diagonal(), se[:3] ** 2, rtol=1e-6)


@pytest.mark.parametrize("df", [None, 0.5, 5.0, 40.0])
def test_profile_limits_follow_the_likelihood_ratio(df):
    x, y = data()
    n = 14
    got = fit(x, y, df=df, level=0.9)
    estimate, se, t, used = student(x, y, np.eye(3), 0.9, df)
    # The ratio n log(1 + z^2 / n), z in errors of the fit, meets units log(1 + t^2 / df).
    units = max(n, used)
    reach = np.sqrt(n * np.expm1(units / n * np.log1p(t * t / used))) * se
    np.testing.assert_allclose(got.coefficients["low"], estimate - reach, rtol=1e-5)
    np.testing.assert_allclose(got.coefficients["high"], estimate + reach, rtol=1e-5)
    rise = n * np.log1p((estimate / se) ** 2 / n)
    want = 2 * stats.t.sf(np.sqrt(used * np.expm1(rise / units)), used)
    far = abs(estimate / se) > max(8.0, 2 * t)
    # With half a degree of freedom nothing here is beyond doubt.
    assert far.tolist() == [df != 0.5, False, False]
    want[far] = 2 * stats.t.sf(abs(estimate / se), used)[far]
    np.testing.assert_allclose(got.coefficients["p"], want, rtol=1e-4)
    np.testing.assert_allclose(got.coefficients["se"], se, rtol=1e-6)


def test_only_what_was_asked_for_is_profiled():
    x, y = data()
    contrast = [[0.0, 1.0, 1.0]]
    whole = fit(x, y, contrasts=contrast)
    wald = fit(x, y, inference="wald", contrasts=contrast)
    got = fit(x, y, focus=[1], contrasts=contrast)
    for column in ("low", "high", "p"):
        want = wald.coefficients[column].to_numpy().copy()
        want[1] = whole.coefficients[column].iloc[1]
        np.testing.assert_allclose(got.coefficients[column], want, rtol=1e-6)
        np.testing.assert_allclose(got.contrasts[column], whole.contrasts[column], rtol=1e-6)
    assert abs(wald.coefficients["low"] - whole.coefficients["low"]).min() > 1e-4
    last = fit(x, y, focus=[2, 0])
    assert last.coefficients["low"].iloc[1] == pytest.approx(wald.coefficients["low"].iloc[1])
    none = fit(x, y, focus=[])
    np.testing.assert_allclose(none.coefficients["low"], wald.coefficients["low"], rtol=1e-9)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"focus": [3]}, "focus names column 3; X has columns 0 to 2. Give those."),
        ({"focus": [1, -1]}, "focus names column -1; X has columns 0 to 2. Give those."),
        ({"fixed_scale": INF}, "fixed_scale is inf. Give a number above zero, or None."),
        ({"fixed_scale": NAN}, "fixed_scale is nan. Give a number above zero, or None."),
        ({"fixed_scale": -1.0}, "fixed_scale is -1.0. Give a number above zero, or None."),
        ({"df": NAN}, "df is nan. Give a number above zero, or None."),
        ({"draws": 0}, "draws is 0. Give a whole number, 1 or more."),
        (
            {"contrasts": [[1.0, NAN, 0.0]]},
            "contrasts has shape (1, 3); it needs rows of 3 finite numbers, one for each column "
            "of X.",
        ),
        (
            {"contrasts": np.ones((1, 1, 3))},
            "contrasts has shape (1, 1, 3); it needs rows of 3 finite numbers, one for each "
            "column of X.",
        ),
    ],
)
def test_impossible_questions_are_refused(options, message):
    x, y = data()
    with pytest.raises(mf.InputError) as caught:
        fit(x, y, **options)
    assert str(caught.value) == message


@pytest.mark.parametrize("name", ["known_variance", "added_variance", "count"])
def test_weibull_times_take_no_normal_error(name):
    x, y = data()
    with pytest.raises(mf.InputError) as caught:
        fit(x, y, family="weibull", **{name: np.ones(14)})
    assert str(caught.value) == (
        f'{name} has no meaning with family "weibull": a Weibull time with a normal error is no '
        'Weibull time. Use family "log-normal".'
    )


def test_small_and_single_values_are_taken():
    x, y = data()
    flat = fit(x, y, contrasts=[0.0, 1.0, 0.0], df=1e-3, inference="wald")
    assert len(flat.contrasts) == 1
    one = fit(x, y, inference="bootstrap", draws=1, focus=[1])
    # One draw has no order statistic for 95 percent.
    assert one.draws_used == 1 and np.isnan(one.coefficients["low"].iloc[1])


@pytest.mark.parametrize("used", [7, 9])
def test_bootstrap_limits_stand_at_the_simulated_cut_off(used, monkeypatch):
    x, y = data(beta=(0.1, 0.2, -0.02))
    asked = {}

    def made_up(rows, looks, scaled, fitted, functions, level, **options):
        asked.update(options, functions=functions, level=level, looks=looks)
        ratios = np.arange(1.0, used + 1.0)[:, None] * np.ones(len(functions))
        return BootstrapCutOff(ratios=ratios, cut_off=np.array([3.0, 5.0]), used=used)

    monkeypatch.setattr(unseen_times, "bootstrap_cut_off", made_up)
    got = fit(x, y, inference="bootstrap", focus=[0, 2], draws=9, seed=4, level=0.9)
    assert (asked["seed"], asked["draws"], asked["level"]) == (4, 9, 0.9)
    np.testing.assert_array_equal(asked["functions"], np.eye(3)[[0, 2]])
    assert np.isnan(asked["looks"].every).all()
    estimate, se, t, _ = student(x, y, np.eye(3), 0.9)
    reach = np.sqrt(14 * np.expm1(np.array([3.0, NAN, 5.0]) / 14)) * se
    reach[1] = t * se[1]
    np.testing.assert_allclose(got.coefficients["low"], estimate - reach, rtol=1e-5)
    np.testing.assert_allclose(got.coefficients["high"], estimate + reach, rtol=1e-5)
    rise = 14 * np.log1p((estimate / se) ** 2 / 14)
    above = [(np.arange(1, used + 1) >= r).sum() for r in rise]
    want = (1 + np.array(above)) / (1 + used)
    want[1] = 2 * stats.t.sf(abs(estimate / se)[1], 11)
    np.testing.assert_allclose(got.coefficients["p"], want, rtol=1e-5)
    np.testing.assert_array_equal(got.coefficients["df"], [NAN, 11.0, NAN])
    assert got.draws_used == used and got.seed == 4 and got.inference == "bootstrap"
    note = "2 of 9 simulated data sets had no finite fit."
    assert got.note == (note if used == 7 else "")


def test_what_is_not_said_is_as_the_description_says(monkeypatch):
    x, y = data()
    asked = {}

    def made_up(rows, looks, scaled, fitted, functions, level, **options):
        asked.update(options, level=level)
        return BootstrapCutOff(ratios=np.ones((1, 3)), cut_off=np.full(3, NAN), used=1)

    monkeypatch.setattr(unseen_times, "bootstrap_cut_off", made_up)
    got = fit(x, y, inference="bootstrap")
    # 999 draws and the data make a thousand.
    assert asked == {"seed": 0, "draws": 999, "level": 0.95}
    assert got.note == "998 of 999 simulated data sets had no finite fit."
    plain = fit(x, y)
    assert plain.inference == "profile" and plain.family == "log-normal" and plain.level == 0.95
    given = inspect.signature(mf.unseen_times_model).parameters
    assert given["accuracy"].default == 1e-8
    times = mf.unseen_times_model(np.exp(y), np.exp(y), x)
    np.testing.assert_allclose(times.coefficients, plain.coefficients, rtol=1e-6)


def test_varying_columns_may_be_correlated_unless_told_otherwise():
    rng = np.random.default_rng(2)
    study = np.repeat(np.arange(8), 6)
    x = np.column_stack([np.ones(48), np.tile(np.arange(6.0), 8)])
    b = rng.normal(size=(8, 2)) @ [[1.0, 0.4], [0.0, 0.3]]
    y = x @ [1.0, 0.1] + (x * b[study]).sum(axis=1) + 0.2 * rng.normal(size=48)
    given = {"study": study, "varying": x, "inference": "wald"}
    unsaid = fit(x, y, **given)
    both, apart = (fit(x, y, correlated=c, **given) for c in (True, False))
    assert unsaid.parameters == both.parameters == 6 and apart.parameters == 5
    assert unsaid.criterion == both.criterion < apart.criterion - 0.1
    assert unsaid.random_parts["correlation"].notna().sum() == 1


def test_too_few_groups_give_an_estimate_and_no_interval():
    rng = np.random.default_rng(0)
    study = np.repeat([0.0, 1.0], 8)
    x = np.column_stack([np.ones(16), study, np.tile([0.0, 1.0], 8)])
    y = x @ [1.0, 0.1, 0.3] + 0.2 * rng.normal(size=16)
    for inference in ("wald", "profile"):
        got = fit(x, y, study=study, inference=inference)
        table = got.coefficients
        assert "There are too few groups for an interval of some coefficients." in got.note
        assert np.isnan(table["df"].iloc[:2]).all() and table["df"].iloc[2] == 1.0
        assert table["estimate"].notna().all() and table["se"].notna().all()
        assert table[["low", "high", "p"]].iloc[:2].isna().all(axis=None)
        assert table[["low", "high", "p"]].iloc[2].notna().all()


@pytest.mark.parametrize(
    ("low", "high", "again"),
    [(0.0, 5.0, True), (-5.0, 0.0, True), (0.1, 5.0, False), (-5.0, -0.1, False)],
)
def test_a_far_estimate_is_tested_after_all_if_its_limits_reach_zero(low, high, again, monkeypatch):
    x, y = data()
    estimate, se, t, df = student(x, y, np.eye(3), 0.95)
    far = abs(estimate / se)[0]
    assert far > max(8.0, 2 * t)

    def made_up(scaled, fitted, functions, cut_off, test):
        assert test.tolist() == [False]
        return Limits(np.array([low]), np.array([high]), np.array([NAN]))

    monkeypatch.setattr(unseen_times, "profile_limits", made_up)
    got = fit(x, y, focus=[0]).coefficients.iloc[0]
    assert (got["low"], got["high"]) == (low, high)
    rise = 14 * np.log1p(far**2 / 14)
    profiled = 2 * stats.t.sf(np.sqrt(df * np.expm1(rise / 14)), df)
    wald = 2 * stats.t.sf(far, df)
    assert abs(profiled / wald - 1.0) > 0.01
    assert got["p"] == pytest.approx(profiled if again else wald, rel=1e-4)


@pytest.mark.parametrize("far", [7.9, 8.1])
def test_eight_errors_from_zero_are_far(far):
    x, y = data()
    estimate, se, _, df = student(x, y, np.eye(3), 0.8)
    y = y + far * se[0] - estimate[0]
    got = fit(x, y, focus=[0], level=0.8).coefficients.iloc[0]
    rise = 14 * np.log1p(far**2 / 14)
    profiled = 2 * stats.t.sf(np.sqrt(df * np.expm1(rise / 14)), df)
    wald = 2 * stats.t.sf(far, df)
    assert profiled > 1.5 * wald
    assert got["p"] == pytest.approx(wald if far > 8 else profiled, rel=1e-4)


def limits(low, high):
    return Limits(np.array(low), np.array(high), np.zeros(len(low)))


def test_limits_are_written_where_they_were_asked():
    values = {name: np.arange(4.0) for name in ("low", "high", "p")}
    chosen = np.array([0, 2, 3])
    p = np.array([0.5, NAN, NAN])
    tested = np.array([True, True, False])
    _write(values, chosen, limits([-9.0, -8, -7], [9.0, 8, 7]), p, tested)
    assert values["low"].tolist() == [-9.0, 1.0, -8.0, -7.0]
    assert values["high"].tolist() == [9.0, 1.0, 8.0, 7.0]
    # Tested without an answer: none. Not tested: the p from estimate and error stays.
    np.testing.assert_array_equal(values["p"], [0.5, 1.0, NAN, 3.0])


@pytest.mark.parametrize(
    ("low", "high", "p", "kept"),
    [
        (-1.0, 1.0, 0.0801, True),
        (-1.0, 1.0, 0.0799, False),
        (0.1, 1.0, 0.1249, True),
        (0.1, 1.0, 0.1251, False),
        (-1.0, -0.1, 0.9, False),
        (-1.0, -0.1, 1e-9, True),
        # A limit at zero itself says that zero is just left out.
        (0.0, 1.0, 0.1249, True),
        (0.0, 1.0, 0.5, False),
        (-1.0, 0.0, 0.5, False),
        (NAN, NAN, NAN, True),
    ],
)
def test_a_test_that_says_the_opposite_of_its_limits_is_left_out(low, high, p, kept):
    values = {
        "low": np.array([5.0, low]),
        "high": np.array([5.0, high]),
        "p": np.array([0.99, p]),
    }
    said = _drop_contradictions(values, np.array([1]), 0.1)
    assert values["p"][0] == 0.99
    if kept:
        assert said == ""
        np.testing.assert_array_equal(values["p"][1], p)
    else:
        assert np.isnan(values["p"][1])
        assert said == (
            "The likelihood is too uneven for a test of zero that agrees with the limits."
        )


@pytest.mark.parametrize(("low", "p"), [(-1.0, 0.4), (0.1, 0.625)])
def test_a_test_at_the_limit_of_disagreement_stays(low, p):
    # 0.8 and 1.25 times one half are exact numbers.
    values = {"low": np.array([low]), "high": np.array([1.0]), "p": np.array([p])}
    assert _drop_contradictions(values, np.array([0]), 0.5) == ""
    assert values["p"].tolist() == [p]


def test_whole_sentences_say_why_nothing_is_estimated():
    nothing = mf.unseen_times_model([0, 0], [INF, INF], [[1], [1]])
    assert nothing.note == "No row bounds its time." and nothing.rows_empty == 2
    x, y = data()
    twice = fit(np.column_stack([x, x[:, 1], 2 * x[:, 2]]), y)
    assert twice.note == (
        "The columns before it already give x3, x4 on the rows that bound a time."
    )
    assert twice.status == nothing.status == "unidentifiable"
    alone = fit(x[:, :1], y, study=np.zeros(14))
    assert alone.steps_taken == (
        "study: there is only one, so how much studies differ cannot be seen",
    )
    assert alone.status == "ok" and alone.studies == 0
