"""Status, note and covariance of a finished search, at the limits where they turn."""

import numpy as np
import pytest

from metafreeze.models.unseen_fit import Fitted, standardise
from metafreeze.models.unseen_input import check_unseen_rows
from metafreeze.models.unseen_judgement import coefficient_covariance, judge_fit, spread_note

INF = np.inf
GIVEN = dict.fromkeys(
    (
        *("varying", "batch", "known_variance", "added_variance", "count", "spread", "offset"),
        *("names", "varying_names"),
    )
)
WIDE = "The windows are too wide to show how runs within a group differ: the spread runs to zero."
BEYOND = "The residual spread beyond the stated variances is estimated at zero."
GROWS = "The bounds are fitted ever better as the spread grows: they follow no column."
NOT_SETTLED = "The search for the best fit did not settle."
FREE = "Near the best fit some combination of the parameters can change freely."
NO_SPREAD = "No spread between groups is seen in a random part, or two vary in step."


def make(low, high, study=None, **options):
    return check_unseen_rows(
        low, high, np.ones((len(low), 1)), study, log_times=True, **{**GIVEN, **options}
    )


def setting(seen=True, fixed_scale=None, **options):
    y = np.array([0.1, 0.4, 0.2, 0.9, 0.3, 0.5])
    rows = make(y, y if seen else y + 0.5, [1, 1, 2, 2, 3, 3], **options)
    return standardise(rows, family="log-normal", correlated=True, fixed_scale=fixed_scale)


def fitted(log_sigma=0.0, hessian=None, value=3.0, **options):
    theta = np.array([0.1, log_sigma, 0.5])
    return Fitted(theta, value, np.eye(3) if hessian is None else hessian, **options)


def just(limit, side):
    return np.nextafter(limit, side * INF)


def test_a_good_fit_says_nothing():
    assert judge_fit(setting(), fitted()) == ("ok", "")


def test_the_spread_at_the_edge():
    edge = -9.0  # eight thousand times below the start
    assert judge_fit(setting(), fitted(just(edge, -1))) == ("unidentifiable", WIDE)
    assert judge_fit(setting(), fitted(edge)) == ("ok", "")
    # Held, it is not the search that drove it there.
    assert judge_fit(setting(fixed_scale=1e-5), fitted(just(edge, -1)))[0] == "ok"
    added = setting(added_variance=np.full(6, 0.01))
    at_zero = fitted(just(edge, -1))
    assert judge_fit(added, at_zero) == ("boundary", BEYOND)
    assert at_zero.zero.tolist() == [1]
    some = setting(added_variance=[0.01] * 5 + [0.0])
    assert judge_fit(some, fitted(just(edge, -1))) == ("unidentifiable", WIDE)


def test_a_search_that_drifts_without_anything_seen():
    limit = -2.5  # a twelfth of the start
    for seen, arrived, at, want in [
        (False, False, just(limit, -1), ("unidentifiable", WIDE)),
        (False, False, limit, ("failed", NOT_SETTLED)),
        (True, False, just(limit, -1), ("failed", NOT_SETTLED)),
        (False, True, just(limit, -1), ("ok", "")),
    ]:
        assert judge_fit(setting(seen), fitted(at, arrived=arrived)) == want


def test_a_spread_that_grows_without_end():
    limit = 5.0  # 150 times the start
    for arrived, at, want in [
        (False, just(limit, 1), ("unidentifiable", GROWS)),
        (False, limit, ("failed", NOT_SETTLED)),
        (True, just(limit, 1), ("ok", "")),
    ]:
        assert judge_fit(setting(), fitted(at, arrived=arrived)) == want
    assert judge_fit(setting(), fitted(value=np.nan)) == ("failed", NOT_SETTLED)


@pytest.mark.parametrize(
    ("least", "status"), [(1.01e-9, "ok"), (0.99e-9, "unidentifiable"), (-1.0, "unidentifiable")]
)
def test_a_flat_direction(least, status):
    scaled = setting()
    got = judge_fit(scaled, fitted(hessian=np.diag([2.0, 1.0, 2.0 * least])))
    assert got == (status, "" if status == "ok" else FREE)
    # A part at zero is no direction of the fit.
    got = judge_fit(scaled, fitted(hessian=np.diag([2.0, 1.0, 2.0 * least]), zero=np.array([2])))
    assert got == ("boundary", NO_SPREAD)


def test_integrals_that_are_not_good_enough_are_told():
    scaled = setting()
    large = abs(2.0 * 3.0 + scaled.shift)
    assert large > 1.0
    for value, error, told in [
        (3.0, 1.01e-6 * large, True),
        (3.0, 0.99e-6 * large, False),
        (-0.5 * scaled.shift, 1.01e-6, True),
        (-0.5 * scaled.shift, 0.99e-6, False),
    ]:
        fit = fitted(value=value, quadrature_error=error)
        note = (
            f"The integrals over random parts are good to {error:.1g} in the criterion only."
            if told
            else ""
        )
        assert judge_fit(scaled, fit) == ("ok", note)
        fit.zero = np.array([2])
        assert judge_fit(scaled, fit) == ("boundary", f"{NO_SPREAD} {note}".strip())


@pytest.mark.parametrize(
    ("low", "high", "start"),
    [
        ([1.0, 2.0], [INF, INF], "No row has an upper bound: nothing was seen to freeze"),
        ([-INF, -INF], [1.0, 2.0], "No row has a lower bound: all had frozen at the first look"),
        ([1.0, -INF], [INF, 2.0], "Every row is bounded on one side only"),
        ([1.0, 1.5], [INF, 2.0], "All bounds can hold at once with no spread at all"),
        ([1.0, -INF, 1.0], [1.5, 2.0, 1.6], "All bounds can hold at once with no spread at all"),
        ([1.0, 2.0], [1.0, 2.0], "The columns fit every row without any spread"),
        ([1.0, 2.0], [1.0, INF], "The columns fit every row without any spread"),
    ],
)
def test_why_there_is_no_spread(low, high, start):
    assert spread_note(make(low, high)).startswith(start)


def random_hessian(size, seed=0):
    a = np.random.default_rng(seed).normal(size=(size, size + 3))
    return a @ a.T


def two_columns(**options):
    rng = np.random.default_rng(2)
    y = rng.normal(size=8)
    x = np.column_stack([np.ones(8), rng.normal(size=8)])
    rows = check_unseen_rows(
        y, y, x, np.repeat([1, 2, 3, 4], 2), log_times=True, **{**GIVEN, "varying": x}
    )
    return standardise(rows, family="log-normal", correlated=True, **options)


@pytest.mark.parametrize("zero", [[], [5], [4, 5]])
def test_the_covariance_is_the_inverse_of_the_bends_of_what_is_free(zero):
    scaled = two_columns(fixed_scale=None)
    hessian = random_hessian(6)
    fit = Fitted(np.zeros(6), 1.0, hessian, zero=np.array(zero, dtype=np.int64))
    covariance, log_se = coefficient_covariance(scaled, fit)
    kept = [i for i in range(6) if i not in zero]
    inverse = np.linalg.inv(hessian[np.ix_(kept, kept)])
    want = scaled.unit**2 * scaled.back @ inverse[:2, :2] @ scaled.back.T
    np.testing.assert_allclose(covariance, want, rtol=1e-9)
    assert log_se == pytest.approx(np.sqrt(inverse[2, 2]), rel=1e-9)


def test_a_held_spread_has_no_error():
    scaled = two_columns(fixed_scale=0.5)
    hessian = random_hessian(6)
    fit = Fitted(np.zeros(6), 1.0, hessian)
    covariance, log_se = coefficient_covariance(scaled, fit)
    kept = [0, 1, 3, 4, 5]
    inverse = np.linalg.inv(hessian[np.ix_(kept, kept)])
    want = scaled.unit**2 * scaled.back @ inverse[:2, :2] @ scaled.back.T
    np.testing.assert_allclose(covariance, want, rtol=1e-9)
    assert np.isnan(log_se)
