"""Times not seen exactly at the edges: what is refused, what cannot be said, what is said."""

import numpy as np
import pytest
from scipy import stats

import metafreeze as mf

INF = np.inf
ONE3 = np.ones((3, 1))


def fit(low, high, x=None, *args, **options):
    x = np.ones((len(low), 1)) if x is None else x
    return mf.unseen_times_model(low, high, x, *args, **options)


def two_arms(seed=0, n=20):
    """Cold and hot vessels, ten percent longer hot; times, the columns, four studies."""
    rng = np.random.default_rng(seed)
    hot = np.repeat([0.0, 1.0], n)
    time = np.exp(4.0 + 0.1 * hot + 0.1 * rng.normal(size=2 * n))
    return time, np.column_stack([np.ones(2 * n), hot]), np.tile(np.arange(4), n // 2)


REFUSED = [
    # negative duration, enters and ends at once, no upper limit, bounds crossed, no lower limit
    ([-1, 2, 3], [-1, 2, 3], "lower is negative (-1). row 1, column lower."),
    ([0, 2, 3], [0, 2, 3], "upper is 0; a time is above zero. row 1, column upper."),
    ([30, 40, 50], [35, np.nan, 60], "upper is missing. row 2, column upper."),
    ([50, 30, 1], [40, 40, 2], "upper 40 is below lower 50. row 1, column upper."),
    ([np.nan, 30, 1], [40, 40, 2], "lower is missing. row 1, column lower."),
    ([10, 20, INF], [INF, 30, INF], "lower is infinite. row 3, column lower."),
]


@pytest.mark.parametrize(("low", "high", "message"), REFUSED)
def test_impossible_times_are_refused_by_row(low, high, message):
    with pytest.raises(mf.InputError) as caught:
        fit(low, high)
    assert str(caught.value).startswith(message)
    assert caught.value.faults[0].location.row is not None


def test_all_faults_are_reported_at_once():
    with pytest.raises(mf.InputError) as caught:
        fit([-5, 3, 9], [2, np.nan, 4])
    assert len(caught.value.faults) == 3


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"family": "gamma"}, 'family is \'gamma\'. Choose one of "log-normal", "weibull".'),
        (
            {"inference": "exact"},
            'inference is \'exact\'. Choose one of "profile", "bootstrap", "wald".',
        ),
        ({"level": 1.0}, "level is 1.0. Give a fraction between 0 and 1, such as 0.95."),
        ({"fixed_scale": 0.0}, "fixed_scale is 0.0. Give a number above zero, or None."),
        ({"focus": [1]}, "focus names column 1; X has columns 0 to 0. Give those."),
        ({"draws": 0}, "draws is 0. Give a whole number, 1 or more."),
        ({"df": 0}, "df is 0. Give a number above zero, or None."),
        (
            {"varying": ONE3},
            "varying is given without study. Give the study of each row as well.",
        ),
        (
            {"family": "weibull", "known_variance": [1, 1, 1]},
            'known_variance has no meaning with family "weibull": a Weibull time with a normal '
            'error is no Weibull time. Use family "log-normal".',
        ),
        ({"names": ["a", "b"]}, "names has 2 names, 2 of them different; it needs 1 different"),
        ({"offset": [1, 2]}, "offset has shape (2,); it needs one value for each of the 3 rows."),
        ({"contrasts": [[1, 2]]}, "contrasts has shape (1, 2); it needs rows of 1 finite"),
        ({"known_variance": [1, 0, 1]}, "the known variance is 0. row 2, column known_variance."),
        ({"count": [1, 2.5, 1]}, "the number of runs is 2.5. row 2, column count."),
        ({"count": [1, 3, 1]}, "the spread of a summary of 3 runs is nan. row 2, column spread."),
    ],
)
def test_options_and_columns_are_refused_by_name(options, message):
    with pytest.raises(mf.InputError) as caught:
        fit([10, 20, 30], [10, 20, 30], ONE3, **options)
    assert str(caught.value).startswith(message)


def test_a_window_cannot_be_a_summary():
    with pytest.raises(mf.InputError, match="a summary of 3 runs has a window"):
        fit([10, 20], [12, 20], count=[3, 1], spread=[0.1, np.nan])


@pytest.mark.parametrize("studies", [None, [1, 1, 1, 2, 2, 2]])
def test_overlapping_windows_do_not_give_a_spread(studies):
    times = 1 if studies is None else 2
    args = () if studies is None else (studies,)
    got = fit([60, 61, 62] * times, [160, 161, INF] * times, None, *args)
    assert got.status == "unidentifiable"
    assert "no spread at all" in got.note
    assert got.coefficients.isna().all(axis=None)


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        ([60, 61, 62], [INF] * 3, "nothing was seen to freeze"),
        ([0, 0, 0], [60, 61, 62], "all had frozen at the first look"),
        ([0, 0], [INF, INF], "No row bounds its time"),
    ],
)
def test_bounds_on_one_side_only_say_so(low, high, words):
    got = fit(low, high)
    assert got.status == "unidentifiable"
    assert words in got.note
    assert np.isnan(got.criterion)


def test_no_lower_bound_is_left_censoring_not_a_made_up_zero():
    zero, minus = (fit([low, 30, 20], [30, 40, 25]) for low in (0.0, -INF))
    logs = fit([-INF, *np.log([30, 20])], np.log([30, 40, 25]), log_times=True)
    assert zero.rows_left == minus.rows_left == logs.rows_left == 1
    assert zero.criterion == minus.criterion
    np.testing.assert_allclose(logs.coefficients, zero.coefficients, rtol=1e-9)


def test_rows_that_say_nothing_are_counted_and_change_nothing():
    time, x, _ = two_arms()
    plain = fit(time, time, x)
    more = fit(
        np.append(time, [0, 0]), np.append(time, [INF, INF]), np.vstack([x, [[1, 0], [1, 1]]])
    )
    assert more.rows_empty == 2
    assert more.rows_exact == plain.rows_exact
    assert more.criterion == plain.criterion


@pytest.mark.parametrize("family", ["log-normal", "weibull"])
@pytest.mark.parametrize("parts", ["none", "study", "slope"])
@pytest.mark.parametrize("side", ["never", "before"])
def test_an_arm_that_is_all_unseen_gives_a_limit_and_no_estimate(family, parts, side):
    time, x, study = two_arms()
    hot = x[:, 1] == 1
    if side == "never":
        low, high = np.where(hot, 60.0, time), np.where(hot, INF, time)
    else:
        low, high = np.where(hot, 0.0, time), np.where(hot, 60.0, time)
    options = {"varying": x} if parts == "slope" else {}
    args = () if parts == "none" else (study,)
    got = fit(low, high, x, *args, family=family, **options)
    assert got.status == "unidentifiable"
    assert "20 rows could lie any distance beyond their bounds" in got.note
    row = got.coefficients.loc["x1"]
    assert np.isnan(row["estimate"]) and np.isnan(row["se"])
    if side == "never":
        assert row["high"] == INF and np.isfinite(row["low"])
    else:
        assert row["low"] == -INF and np.isfinite(row["high"])
    cold = fit(time[~hot], time[~hot], x[~hot][:, :1], *(a[~hot] for a in args), family=family)
    np.testing.assert_allclose(
        got.coefficients.loc["x0", "estimate"], cold.coefficients.loc["x0", "estimate"], rtol=1e-6
    )
    assert bool(got.steps_taken) == (parts == "slope")


def test_the_one_sided_limit_is_where_the_criterion_stands_above_its_edge():
    time, x, study = two_arms()
    hot = x[:, 1] == 1
    low, high = np.where(hot, 60.0, time), np.where(hot, INF, time)
    got = fit(low, high, x, study, df=7.0)
    edge = fit(time[~hot], time[~hot], x[~hot][:, :1], study[~hot], inference="wald").criterion
    at = got.coefficients.loc["x1", "low"]
    held = fit(low, high, x[:, :1], study, offset=at * x[:, 1], inference="wald").criterion
    units, t = 7.0, stats.t.isf(0.025, 7.0)
    np.testing.assert_allclose(held - edge, units * np.log1p(t * t / 7.0), rtol=1e-4)


def test_both_arms_unseen_on_opposite_sides_are_not_estimated():
    _, x, _ = two_arms()
    hot = x[:, 1] == 1
    got = fit(np.where(hot, 60.0, 0.0), np.where(hot, INF, 60.0), x)
    assert got.status == "unidentifiable"


def test_perfect_fits_aliased_columns_and_full_designs_are_named():
    time, x, study = two_arms()
    assert "without any spread" in fit([10, 20], [10, 20], x[[0, -1]]).note
    twice = fit(time, time, np.column_stack([x, 1 - x[:, 1]]), names=["cold", "hot", "cold again"])
    assert "cold again" in twice.note
    alone = fit(time[:6], time[:6], None, np.arange(6))
    assert alone.note.startswith("There are 6 runs and as many random coefficients (6)")
    pair = [0, 20, 1, 21, 2, 22]
    slopes = fit(time[pair], time[pair], x[pair], np.repeat([0, 1, 2], 2), varying=x[pair])
    assert slopes.note.startswith("There are 6 runs and as many random coefficients (6)")
    assert "one batch" in fit(time, time, x, study, batch=study).note
    for got in (twice, alone, slopes):
        assert got.status == "unidentifiable"
        assert got.coefficients["estimate"].isna().all()


def test_one_study_has_batches_as_its_only_random_part():
    time, x, _ = two_arms()
    batch = np.tile(np.repeat(np.arange(5), 4), 2)
    got = fit(time, time, x, np.zeros(40), batch=batch)
    assert got.steps_taken and got.steps_taken[0].startswith("study: there is only one")
    assert got.studies == 0 and got.batches == 5
    # Batches minus the constant; rows minus batches minus the start temperature.
    assert got.coefficients["df"].tolist() == [4.0, 34.0]
    plain = fit(time, time, x, np.zeros(40))
    assert plain.coefficients["df"].tolist() == [38.0, 38.0]


def test_equal_studies_are_a_boundary_and_the_plain_fit():
    time, x, _ = two_arms()
    low = np.where(time > 60, 60.0, time)
    high = np.where(time > 60, INF, time)
    # Every study holds the same runs, so there is nothing between them.
    four = [np.tile(part, 4) for part in (low, high)]
    study = np.repeat(np.arange(4), 40)
    got = fit(*four, np.tile(x, (4, 1)), study, inference="wald")
    plain = fit(*four, np.tile(x, (4, 1)), inference="wald")
    assert got.status == "boundary"
    assert got.random_parts["sd"][0] == 0.0
    assert abs(got.criterion - plain.criterion) < 1e-9
    np.testing.assert_allclose(got.coefficients["se"], plain.coefficients["se"], rtol=1e-6)


def test_rows_without_a_batch_have_none():
    time, x, study = two_arms()
    batch = np.array([None] * 10 + ["a"] * 5 + ["b"] * 5 + ["a"] * 5 + [""] * 5 + ["b"] * 10)
    got = fit(time, time, x, study, batch=batch, inference="wald")
    linear = mf.mixed_model(
        np.log(time), x, study, batch=batch, likelihood="full", second_engine=False
    )
    assert abs(got.criterion - linear.criterion) < 1e-8


def test_the_two_criteria_differ_by_the_seen_times():
    time, x, _ = two_arms()
    low, high = time.copy(), np.where(time > 60, INF, time)
    got = fit(low, high, x)
    np.testing.assert_allclose(
        got.criterion_time - got.criterion, 2 * np.log(time[time <= 60]).sum(), rtol=1e-12
    )
    assert got.aic == got.criterion + 2 * got.parameters
    assert got.parameters == 3


def test_contrasts_are_reported_like_coefficients():
    time, x, study = two_arms()
    got = fit(time, time, x, study, contrasts=[[0.0, 1.0], [1.0, 1.0]])
    np.testing.assert_allclose(
        got.contrasts.iloc[0].to_numpy(), got.coefficients.loc["x1"].to_numpy(), rtol=1e-6
    )
    assert got.to_frame()["term"].tolist() == ["x0", "x1", "contrast 1", "contrast 2"]


def test_a_study_that_never_froze_is_integrated_well_enough():
    rng = np.random.default_rng(3)
    study = np.repeat(np.arange(6), 12)
    x = np.column_stack([np.ones(72), np.tile([0.0, 1.0], 36)])
    level = np.array([0.5, 0, 0.1, -0.1, 0.2, -0.2])[study]
    time = np.exp(4 + level + 0.1 * x[:, 1] + 0.05 * rng.normal(size=72))
    low, high = np.minimum(time, 70.0), np.where(time > 70.0, INF, time)
    assert np.isinf(high[study == 0]).all()
    got = fit(low, high, x, study)
    assert got.status == "ok"
    assert got.quadrature_error < 1e-5 * max(1.0, abs(got.criterion))
    assert got.nodes > 20


def test_known_variances_alone_hold_the_scale():
    y = np.array([0.1, 0.2, 0.35, 0.05, 0.3])
    variance = np.array([0.01, 0.02, 0.01, 0.005, 0.04])
    got = fit(y, y, None, np.arange(5), known_variance=variance, log_times=True)
    pooled = mf.pool(y, variance, spread="likelihood")
    np.testing.assert_allclose(got.random_parts["sd"][0] ** 2, pooled.tau2, rtol=1e-5)
    np.testing.assert_allclose(got.coefficients["estimate"].iloc[0], pooled.estimate, rtol=1e-6)
    assert np.isnan(got.residual_sd)


def test_weibull_scale_and_residual_spread_are_told_apart():
    time, x, _ = two_arms()
    got = fit(time, time, x, family="weibull")
    np.testing.assert_allclose(got.residual_sd, got.scale * np.pi / np.sqrt(6))
    held = fit(time, time, x, family="weibull", fixed_scale=1.0)
    assert held.scale == pytest.approx(1.0)
    assert held.parameters == got.parameters - 1
