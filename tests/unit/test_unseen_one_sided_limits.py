"""One-sided limits against fits of the rows that stay and fits with the coefficient held."""

import numpy as np
import pytest
from scipy import stats

import metafreeze as mf
from metafreeze.models import unseen_one_sided

INF, NAN = np.inf, np.nan
DF = 60.0


def arms(n=16, seed=1):
    rng = np.random.default_rng(seed)
    hot = np.repeat([0.0, 1.0], n)
    cold_slope = rng.normal(size=2 * n)
    y = 0.15 + 0.3 * cold_slope + 0.4 * rng.normal(size=2 * n)
    return y, np.column_stack([np.ones(2 * n), cold_slope, hot]), np.tile(np.arange(4), n // 2)


def bounds(y, hot, side, at=0.3):
    if side == "never":
        return np.where(hot, at, y), np.where(hot, INF, y)
    return np.where(hot, -INF, y), np.where(hot, at, y)


@pytest.mark.parametrize("side", ["never", "before"])
@pytest.mark.parametrize("grouped", [False, True])
def test_every_number_of_a_one_sided_answer(side, grouped):
    y, x, study = arms()
    hot = x[:, 2] == 1
    low, high = bounds(y, hot, side)
    given = {"study": study} if grouped else {}
    kept = {"study": study[~hot]} if grouped else {}
    # Degrees of freedom given, so that all fits have one reference.
    got = mf.unseen_times_model(low, high, x, log_times=True, df=DF, **given)
    rest = mf.unseen_times_model(y[~hot], y[~hot], x[~hot][:, :2], log_times=True, df=DF, **kept)
    table, other = got.coefficients, rest.coefficients
    assert got.status == "unidentifiable"
    sign = -1.0 if side == "never" else 1.0
    word = "upper" if side == "never" else "lower"
    assert got.note == (
        "16 rows could lie any distance beyond their bounds, so the best fit lies at infinity: "
        f"x2 has no {word} bound. A limit on the other side is given, no estimate."
    )
    for name in ("estimate", "se", "low", "high", "p"):
        np.testing.assert_allclose(
            table[name].iloc[:2], other[name], rtol=2e-4, atol=1e-9, err_msg=name
        )
    assert table["df"].tolist() == [DF] * 3
    assert np.isnan(table["estimate"].iloc[2]) and np.isnan(table["se"].iloc[2])
    bound, open_end = ("low", "high") if side == "never" else ("high", "low")
    assert table[open_end].iloc[2] == -sign * INF

    def held(at):
        return mf.unseen_times_model(
            low, high, x[:, :2], log_times=True, offset=at * x[:, 2], inference="wald", **given
        ).criterion

    t = stats.t.isf(0.025, DF)
    rise = held(table[bound].iloc[2]) - rest.criterion
    assert rise == pytest.approx(DF * np.log1p(t * t / DF), rel=1e-4)
    at_zero = held(0.0) - rest.criterion
    want = 2 * stats.t.sf(np.sqrt(DF * np.expm1(at_zero / DF)), DF)
    assert table["p"].iloc[2] == pytest.approx(want, rel=1e-3)
    assert got.covariance.isna().all(axis=None) and np.isnan(got.criterion)
    assert got.steps_taken == ()


def test_degrees_of_freedom_are_those_of_all_rows():
    y, x, study = arms()
    low, high = bounds(y, x[:, 2] == 1, "never")
    assert mf.unseen_times_model(low, high, x, log_times=True).coefficients["df"].tolist() == (
        [29.0] * 3
    )
    grouped = mf.unseen_times_model(low, high, x, study, log_times=True)
    assert grouped.coefficients["df"].tolist() == [3.0] * 3


def test_arms_that_run_off_both_ways_have_a_limit_each():
    y = arms(24)[0]
    arm = np.repeat([0, 1, 2], 16)
    dummies = np.column_stack([np.ones(48), arm == 1, arm == 2]).astype(float)
    low = np.where(arm == 1, 1.0, np.where(arm == 2, -INF, y))
    high = np.where(arm == 1, INF, np.where(arm == 2, 1.0, y))
    got = mf.unseen_times_model(low, high, dummies, log_times=True)
    table = got.coefficients
    assert got.note == (
        "32 rows could lie any distance beyond their bounds, so the best fit lies at infinity: "
        "x1 has no upper bound; x2 has no lower bound. A limit on the other side is given, no "
        "estimate."
    )
    assert table["high"].iloc[1] == INF and table["low"].iloc[2] == -INF
    assert np.isfinite([table["low"].iloc[1], table["high"].iloc[2]]).all()
    assert np.isfinite(table.iloc[0]).all()


def test_rows_that_do_not_fix_the_rest_give_no_limits():
    y, x, _ = arms()
    hot = x[:, 2] == 1
    level = np.where(hot, y, 1.0)
    low, high = bounds(level, hot, "never")
    got = mf.unseen_times_model(low, high, x[:, [0, 2]], log_times=True)
    assert got.status == "unidentifiable"
    assert got.coefficients[["estimate", "se", "low", "high", "p"]].isna().all(axis=None)
    # Two studies of one run each are left: their spread cannot be told from the residual.
    few = [*np.flatnonzero(hot), 0, 1]
    low, high = bounds(y, hot, "never")
    study = np.arange(32) % 2
    two = mf.unseen_times_model(low[few], high[few], x[few][:, [0, 2]], study[few], log_times=True)
    assert two.note.endswith("The other rows do not fix the rest: no limits.")
    assert two.coefficients.isna().all(axis=None)


def test_a_slope_that_only_the_unseen_rows_would_show_is_common():
    y, x, study = arms()
    hot = x[:, 2] == 1
    low, high = bounds(y, hot, "never")
    columns = x[:, [0, 2]]
    got = mf.unseen_times_model(
        low, high, columns, study, varying=columns, names=["cold", "hot"], log_times=True
    )
    assert got.steps_taken == (
        "hot: taken as common to all studies, since none shows how it differs",
    )
    plain = mf.unseen_times_model(low, high, columns, study, log_times=True)
    for name in ("estimate", "se", "low", "p"):
        np.testing.assert_allclose(
            got.coefficients[name], plain.coefficients[name], rtol=1e-5, err_msg=name
        )


def test_too_few_groups_give_no_limit_either():
    y, x, _ = arms()
    hot = x[:, 2] == 1
    low, high = bounds(y, hot, "never")
    study = hot.astype(int)
    study[:4] = 1
    # Two studies and two columns: no degree of freedom where a column of studies is used.
    columns = np.column_stack([np.ones(32), study, hot])
    got = mf.unseen_times_model(low, high, columns, study, log_times=True)
    assert np.isnan(got.coefficients["df"].iloc[:2]).all()
    assert got.coefficients[["low", "high", "p"]].iloc[:2].isna().all(axis=None)
    assert got.coefficients["df"].iloc[2] == 1.0
    assert got.coefficients["high"].iloc[2] == INF


def test_where_the_other_side_is_open_too_it_is_said(monkeypatch):
    y, x, _ = arms()
    low, high = bounds(y, x[:, 2] == 1, "never")

    def open_ended(held, sign, step, target):
        assert sign == -1.0 and step > 0.0
        return sign * INF

    monkeypatch.setattr(unseen_one_sided, "walk_to_crossing", open_ended)
    got = mf.unseen_times_model(low, high, x[:, [2]] + 0.0, log_times=True, offset=x[:, 0])
    assert got.note.startswith("16 rows could lie any distance beyond their bounds")
    # With the constant in the offset, the rows left over still know their own spread.
    assert got.note.endswith("The data do not bound the other side either.")
    assert got.coefficients["low"].tolist() == [-INF]
    assert got.coefficients["high"].tolist() == [INF]


@pytest.mark.parametrize("first", [3, 8])
def test_a_limit_is_sought_again_with_the_nodes_it_needs(first, monkeypatch):
    y, x, study = arms()
    # Looked at now and then, with studies far apart: the integrals are no longer exact.
    seen = np.floor(2.0 * (y + 0.8 * study)) / 2.0
    hot = x[:, 2] == 1
    low, high = np.where(hot, 1.0, seen), np.where(hot, INF, seen + 0.5)
    real, asked = unseen_one_sided.enough_nodes, []

    def watched(scaled, theta, nodes, accuracy):
        plan = real(scaled, theta, nodes, accuracy)
        asked.append((nodes.copy(), accuracy, plan.nodes))
        return plan

    want = mf.unseen_times_model(low, high, x, study, log_times=True, accuracy=1e-9)
    monkeypatch.setattr(unseen_one_sided, "enough_nodes", watched)
    if first == 3:
        monkeypatch.setattr(unseen_one_sided, "FIRST_NODES", 3)
    got = mf.unseen_times_model(low, high, x, study, log_times=True, accuracy=1e-9)
    nodes, accuracy, more = asked[0]
    assert (nodes == first).all() and nodes.shape == (4, 1) and accuracy == 1e-9
    # Neither is enough: a second search, with the nodes it asked for.
    assert (more > first).all() and len(asked) == 2
    np.testing.assert_array_equal(asked[1][0], more)
    for name in ("low", "p"):
        np.testing.assert_allclose(
            got.coefficients[name], want.coefficients[name], rtol=1e-5, atol=1e-12
        )
