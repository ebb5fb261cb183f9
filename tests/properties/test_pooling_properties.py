"""What pooling keeps: order, unit, sign, keys, limits; and what it refuses."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from metafreeze.errors import InputError
from metafreeze.models.pooled import pool
from metafreeze.options import Interval, Spread, choices

SPREADS = choices(Spread)
INTERVALS = choices(Interval)
# Sums in another order differ by rounding, times the conditioning of tau² near its boundary.
ROUNDING = 1e-9

studies = st.integers(2, 12).flatmap(
    lambda k: st.tuples(
        st.lists(st.floats(-5, 5, allow_subnormal=False), min_size=k, max_size=k),
        st.lists(st.floats(1e-3, 10.0), min_size=k, max_size=k),
    )
)
SETTINGS = settings(max_examples=20, deadline=None, derandomize=True)


def close(a, b, size=1.0):
    return np.isclose(a, b, rtol=ROUNDING, atol=ROUNDING * size, equal_nan=True)


@pytest.mark.parametrize("spread", SPREADS)
@SETTINGS
@given(data=studies)
def test_every_number_stays_in_its_range(spread, data):
    y, v = np.array(data[0]), np.array(data[1])
    for interval in INTERVALS:
        p = pool(y, v, spread=spread, interval=interval)
        assert p.tau2 >= 0
        assert 0 <= p.i2 <= 100
        assert p.h2 >= 1
        assert p.low <= p.estimate <= p.high
        assert np.isnan(p.tau2_low) or p.tau2_low <= p.tau2
        assert np.isnan(p.tau2_high) or p.tau2 <= p.tau2_high
        assert np.isnan(p.prediction_low) or p.prediction_low <= p.low + ROUNDING
        assert 0 <= p.p <= 1 and 0 <= p.q_p <= 1
        assert close(p.weights.sum(), 1.0)
        assert y.min() - ROUNDING <= p.estimate <= y.max() + ROUNDING


@pytest.mark.parametrize("spread", SPREADS)
@SETTINGS
@given(data=studies, seed=st.integers(0, 2**16))
def test_order_does_not_matter(spread, data, seed):
    y, v = np.array(data[0]), np.array(data[1])
    order = np.random.default_rng(seed).permutation(y.size)
    a, b = pool(y, v, spread=spread), pool(y[order], v[order], spread=spread)
    for name in ("estimate", "se", "tau2", "q", "low", "high"):
        assert close(getattr(a, name), getattr(b, name), size=25.0), name


@pytest.mark.parametrize("spread", SPREADS)
@SETTINGS
@given(data=studies, power=st.sampled_from([-30, -3, 7, 40]))
def test_a_unit_of_a_power_of_two_changes_no_digit(spread, data, power):
    y, v = np.array(data[0]), np.array(data[1])
    unit = 2.0**power
    a, b = pool(y, v, spread=spread), pool(y * unit, v * unit**2, spread=spread)
    assert b.tau2 == a.tau2 * unit**2
    assert b.q == a.q
    assert close(b.estimate / unit, a.estimate)
    assert close(b.se / unit, a.se)
    assert close(b.tau2_high / unit**2, a.tau2_high)
    assert a.status == b.status


@pytest.mark.parametrize("spread", SPREADS)
@SETTINGS
@given(data=studies)
def test_turning_the_contrast_round_turns_the_answer_round(spread, data):
    y, v = np.array(data[0]), np.array(data[1])
    a, b = pool(y, v, spread=spread), pool(-y, v, spread=spread)
    assert (b.estimate, b.low, b.high) == (-a.estimate, -a.high, -a.low)
    assert b.tau2 == a.tau2


@pytest.mark.parametrize("spread", SPREADS)
def test_adding_a_constant_moves_only_the_estimate(spread):
    rng = np.random.default_rng(3)
    y, v = rng.normal(size=8), rng.uniform(0.1, 1, size=8)
    a, b = pool(y, v, spread=spread), pool(y + 1000.0, v, spread=spread)
    assert close(b.estimate - 1000.0, a.estimate)
    assert close(b.tau2, a.tau2) and close(b.q, a.q) and close(b.se, a.se)


def test_columns_are_matched_by_key_and_not_by_position():
    names = ["L1", "L2", "L3", "L4"]
    y = pd.Series([0.1, 0.4, -0.2, 0.9], index=names)
    v = pd.Series([0.01, 0.02, 0.30, 0.04], index=names)
    z = pd.DataFrame({"lid": [0.0, 1.0, 1.0, 0.0]}, index=names)
    here = pool(y, v, moderators=z)
    there = pool(y, v[::-1], moderators=z.sample(frac=1, random_state=1))
    pd.testing.assert_frame_equal(here.to_frame(), there.to_frame(), check_exact=True)
    assert here.study == tuple(names)


def test_numbered_rows_are_keys_too():
    """A shuffled or filtered column keeps its row numbers; they decide, not the places."""
    table = pd.DataFrame({"y": [0.1, 0.4, -0.2, 0.9], "v": [0.01, 0.02, 0.30, 0.04]})
    here = pool(table["y"], table["v"])
    there = pool(table["y"], table["v"].sample(frac=1, random_state=2))
    assert there.estimate == here.estimate
    kept = table[table["y"] > 0]
    assert pool(kept["y"], kept["v"]).study == ("0", "1", "3")
    with pytest.raises(InputError, match="estimate lacks 2"):
        pool(kept["y"], table["v"])
    # Arrays have no keys, so nothing but their order can match them.
    assert pool(table["y"], table["v"].to_numpy()).estimate == here.estimate


def test_keys_that_do_not_match_are_named():
    y = pd.Series([0.1, 0.4], index=["L1", "L2"])
    v = pd.Series([0.1, 0.4], index=["L2", "L9"])
    with pytest.raises(InputError, match="variance lacks L1; estimate lacks L9"):
        pool(y, v)


def test_repeated_keys_in_another_order_are_refused():
    y = pd.Series([0.1, 0.4, 0.2], index=["L1", "L1", "L2"])
    with pytest.raises(InputError, match="these names repeat: L1"):
        pool(y, pd.Series([0.1, 0.4, 0.2], index=["L2", "L1", "L1"]))


@pytest.mark.parametrize(
    ("row", "value", "words"),
    [
        (1, np.nan, "The variance is missing"),
        (2, 0.0, "The variance is zero, which claims certainty"),
        (0, -0.5, "The variance is negative (-0.5)"),
        (2, np.inf, "The variance is infinite"),
    ],
)
def test_a_variance_that_cannot_weigh_is_refused_by_row(row, value, words):
    v = np.array([0.9, 1.2, 2.1])
    v[row] = value
    with pytest.raises(InputError) as caught:
        pool([1.0, 2.0, 3.0], v, study=["S1", "S2", "S3"])
    (fault,) = caught.value.faults
    assert fault.message == words
    assert (fault.location.row, fault.location.run) == (row + 1, f"S{row + 1}")
    assert str(fault) == (
        f'{words}. row {row + 1}, column variance, run "S{row + 1}". Give a finite effect and a '
        "variance above zero, or leave this study out."
    )


def test_all_bad_rows_are_named_at_once():
    with pytest.raises(InputError) as caught:
        pool([np.nan, 2.0, 3.0], [1.0, 0.0, -1.0])
    assert [f.location.row for f in caught.value.faults] == [1, 2, 3]


def test_all_variances_negated_are_refused():
    with pytest.raises(InputError, match="The variance is negative"):
        pool([1.0, 2.0, 3.0], [-0.9, -1.2, -2.1])


def test_names_that_repeat_or_nearly_repeat_are_asked_about():
    names = ["North 2012", "North 2012", "South 2015", "South 2015 ", "south 2015"]
    with pytest.raises(InputError) as caught:
        pool([-2.8, 1.1, -0.4, 0.9, 0.2], [0.9, 0.8, 1.1, 1.3, 1.0], study=names)
    assert [f.severity for f in caught.value.faults] == ["question", "question"]
    assert caught.value.faults[1].message == (
        "Rows 3, 4, 5 carry one study's name: “South 2015”, “South 2015 ”, “south 2015”. "
        "Are they one study?"
    )


def test_two_studies_get_one_degree_of_freedom_and_a_warning():
    p = pool([-3.0, 2.0], [1.0, 2.0])
    assert p.df == 1
    assert "two studies leave one degree of freedom" in p.note
    assert np.isnan(p.prediction_low) and p.reasons["prediction"]


def test_one_study_says_nothing_on_disagreement():
    p = pool([0.3], [0.04])
    assert (p.estimate, p.se, p.status) == (0.3, 0.2, "unidentifiable")
    assert np.isnan(p.tau2) and np.isnan(p.i2) and p.q_df == 0


def test_homogeneous_studies_give_zero_and_never_agreement():
    p = pool([1.0, 1.01, 0.99, 1.0], np.ones(4))
    assert (p.tau2, p.i2, p.status) == (0.0, 0.0, "boundary")
    assert "does not show that studies agree" in p.note
    assert "narrower" in p.note


@pytest.mark.parametrize("spread", SPREADS)
def test_equal_effects_do_not_give_a_point_for_an_interval(spread):
    p = pool([1.0, 1.0, 1.0], [1.0, 2.0, 3.0], spread=spread)
    assert p.low < 1.0 < p.high
    assert p.interval == "hartung-knapp-floored"
    assert "never narrower" in p.note


def test_the_floored_interval_is_never_narrower_than_the_plain_one_on_t():
    rng = np.random.default_rng(11)
    for _ in range(50):
        k = int(rng.integers(2, 9))
        y, v = rng.normal(size=k), rng.uniform(0.2, 3, size=k)
        floored = pool(y, v, interval="hartung-knapp-floored")
        assert floored.se >= floored.se_plain
        assert floored.se >= pool(y, v).se


@pytest.mark.parametrize("spread", SPREADS)
def test_a_common_covariance_is_a_rotation(spread):
    """Without shared groups the rotated problem is the plain one."""
    rng = np.random.default_rng(5)
    y, v = rng.normal(size=7), rng.uniform(0.1, 1, size=7)
    a = pool(y, v, spread=spread)
    b = pool(y, v, spread=spread, covariance=np.diag(v))
    for name in ("estimate", "se", "tau2", "q", "prediction_high"):
        assert close(getattr(a, name), getattr(b, name)), name


def test_shared_groups_give_the_generalised_least_squares_mean():
    v = np.array([0.2, 0.3, 0.25])
    cov = np.diag(v)
    cov[0, 1] = cov[1, 0] = 0.1
    y = np.array([0.5, 0.7, 0.1])
    weight = np.linalg.inv(cov)
    expected = weight.sum(axis=0) @ y / weight.sum()
    p = pool(y, v, spread="none", interval="normal", covariance=cov)
    assert close(p.estimate, expected)
    assert close(p.se, weight.sum() ** -0.5)


def test_a_covariance_that_claims_certainty_is_refused():
    cov = np.ones((2, 2))
    with pytest.raises(InputError, match="not positive definite"):
        pool([0.1, 0.2], [1.0, 1.0], covariance=cov)


@pytest.mark.parametrize(
    ("moderators", "words"),
    [
        ({"lid": np.ones(6)}, "the moderator lid has one value in all studies"),
        (
            {"lid": np.arange(6.0), "base": 2 * np.arange(6.0) + 1},
            "the moderator base is a combination of the others",
        ),
        (np.arange(30.0).reshape(6, 5) ** 2, "6 studies cannot carry 6 coefficients"),
    ],
)
def test_moderators_that_cannot_be_told_apart(moderators, words):
    p = pool(np.arange(6.0), np.ones(6), moderators=moderators)
    assert p.status == "unidentifiable"
    assert words in p.note
    assert np.isnan(p.estimate) and p.coefficients["estimate"].isna().all()


def test_a_missing_moderator_is_named():
    with pytest.raises(InputError, match="The moderator lid is missing"):
        pool([1.0, 2.0, 3.0], [1.0, 1.0, 1.0], moderators={"lid": [1.0, np.nan, 2.0]})


def test_text_moderators_become_indicators():
    p = pool(
        [0.1, 0.2, 0.6, 0.7],
        [0.1, 0.1, 0.1, 0.1],
        moderators=pd.DataFrame({"lid": ["open", "open", "sealed", "sealed"]}),
        spread="none",
    )
    assert list(p.coefficients["term"]) == ["intercept", "lid: sealed"]
    assert close(p.coefficients["estimate"][1], 0.5)
    # The pooled effect stands at the average of the moderators.
    assert close(p.estimate, 0.4)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"spread": "reml"}, "spread is 'reml'. Choose one of \"restricted-likelihood\""),
        ({"interval": "t"}, "interval is 't'. Choose one of \"hartung-knapp\""),
        ({"level": 95}, "level is 95. Give a fraction between 0 and 1"),
    ],
)
def test_an_option_that_does_not_exist_is_refused(options, words):
    with pytest.raises(InputError) as caught:
        pool([0.1, 0.2], [1.0, 1.0], **options)
    assert words in str(caught.value)


def test_four_times_the_variance_doubles_the_error_of_a_common_effect():
    y, v = np.array([0.1, 0.2, 0.15]), np.array([1.0, 2.0, 3.0])
    a = pool(y, v, spread="none", interval="normal")
    b = pool(y, 4 * v, spread="none", interval="normal")
    assert close(b.se, 2 * a.se)
    assert close(a.estimate, b.estimate)
