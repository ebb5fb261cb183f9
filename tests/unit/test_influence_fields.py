"""Every column of leaving one out and of cumulating, study by study."""

import numpy as np
import pandas as pd
import pytest

from metafreeze.errors import InputError
from metafreeze.models.influence import CUMULATIVE_COLUMNS, cumulate, leave_one_out
from metafreeze.models.pooled import pool
from metafreeze.results import round_for_people

SAME = {"rel": 1e-9, "abs": 1e-12}


def effects(seed, k, mean=0.1):
    rng = np.random.default_rng(seed)
    v = rng.uniform(0.01, 0.1, k)
    return rng.normal(mean, np.sqrt(v + 0.04)), v


@pytest.mark.parametrize("spread", ["restricted-likelihood", "none", "paule-mandel"])
@pytest.mark.parametrize(
    ("seed", "k", "level"), [(1, 3, 0.95), (2, 6, 0.8), (3, 4, 0.5), (4, 8, 0.95)]
)
def test_every_column_without_each_study(seed, k, level, spread):
    y, v = effects(seed, k)
    names = [f"s{i}" for i in range(k)]
    fit = leave_one_out(y, v, spread=spread, interval="normal", study=names, level=level)
    whole = pool(y, v, spread=spread, interval="normal", study=names, level=level)
    w = 1 / v
    common = sum(w * y) / sum(w)
    q = sum(w * (y - common) ** 2)
    turns, enters, leaves = [], [], []
    for i, row in enumerate(fit.table.itertuples(index=False)):
        keep = [j for j in range(k) if j != i]
        rest = pool(y[keep], v[keep], spread=spread, interval="normal", level=level)
        total = v[keep] + rest.tau2
        plain = sum(1 / total) ** -0.5
        weight = 1 / (v + whole.tau2)
        expected = (
            rest.estimate,
            rest.low,
            rest.high,
            rest.estimate - whole.estimate,
            rest.tau2,
            rest.prediction_low,
            rest.prediction_high,
            (y[i] - rest.estimate) / (v[i] + rest.tau2 + plain**2) ** 0.5,
            (rest.estimate - whole.estimate) ** 2 * sum(weight),
            (whole.estimate - rest.estimate) * sum(1 / (v + rest.tau2)) ** 0.5,
            100 * w[i] * (y[i] - common) ** 2 / q,
            weight[i] / sum(weight),
        )
        assert row[0] == names[i]
        assert tuple(row)[1:] == pytest.approx(expected, **SAME, nan_ok=True)
        if np.sign(rest.estimate) != np.sign(whole.estimate):
            turns.append(names[i])
        before, after = (f.low <= 0 <= f.high for f in (whole, rest))
        enters += [names[i]] if after and not before else []
        leaves += [names[i]] if before and not after else []
    assert fit.sign_turns == tuple(turns)
    assert fit.zero_enters == tuple(enters)
    assert fit.zero_leaves == tuple(leaves)
    assert (fit.status, fit.note) == (whole.status, whole.note)
    assert fit.whole.estimate == whole.estimate and fit.whole.level == level
    assert fit.table["share_of_q"].sum() == pytest.approx(100.0)
    most = max(range(k), key=lambda i: abs(fit.table["change"][i]))
    assert fit.headline() == (
        f"{k} studies: without {names[most]} the pooled effect moves by "
        f"{round_for_people(fit.table['change'][most])}; "
        f"{', '.join(turns) or 'no single study'} alone decides its sign"
    )
    pd.testing.assert_frame_equal(fit.to_frame(), fit.table)


def test_studies_that_decide_are_named():
    v = np.full(4, 0.01)
    turning = leave_one_out([1.0, -0.2, -0.2, -0.3], v, spread="none", interval="normal")
    assert turning.sign_turns == ("1",)
    entering = leave_one_out([0.5, 0.02, 0.01, 0.03], v, spread="none", interval="normal")
    assert entering.zero_enters == ("1",) and entering.zero_leaves == ()
    leaving = leave_one_out([-0.4, 0.2, 0.2, 0.2], v, spread="none", interval="normal")
    assert leaving.zero_leaves == ("1",) and leaving.zero_enters == ()


def test_equal_effects_share_no_disagreement():
    fit = leave_one_out([0.0, 0.0, 0.0], [0.1, 0.1, 0.1], interval="normal")
    assert fit.table["share_of_q"].isna().all()
    assert (fit.table["change"] == 0).all() and fit.sign_turns == ()


def test_two_studies_have_none_to_leave_out_and_three_have():
    fit = leave_one_out([0.1, 0.2], [0.1, 0.1])
    assert fit.status == "unidentifiable" and len(fit.table) == 0
    assert fit.headline() == "influence of studies: leaving one out needs at least three studies"
    assert (fit.sign_turns, fit.zero_enters, fit.zero_leaves) == ((), (), ())
    assert list(fit.table.dtypes.astype(str))[1:] == ["float64"] * 12
    assert leave_one_out([0.1, 0.2, 0.3], [0.1, 0.1, 0.1]).status != "unidentifiable"


def test_defaults_are_those_of_pool():
    y, v = effects(2, 6)
    named = leave_one_out(
        y, v, spread="restricted-likelihood", interval="hartung-knapp", level=0.95
    )
    pd.testing.assert_frame_equal(leave_one_out(y, v).table, named.table)
    grown = cumulate(y, v, range(6))
    assert (grown.spread, grown.interval, grown.level) == (
        *("restricted-likelihood", "hartung-knapp"),
        0.95,
    )


@pytest.mark.parametrize("level", [0.95, 0.8])
def test_cumulating_is_pooling_what_was_there(level):
    y, v = effects(5, 7)
    order, names = [3, 1, 2, 1, 5, 4, 3], list("abcdefg")
    found = cumulate(
        y, v, order, spread="paule-mandel", interval="normal", study=names, level=level
    )
    rows = []
    for value in (1, 2, 3, 4, 5):
        at = [i for i in range(7) if order[i] <= value]
        fit = pool(y[at], v[at], spread="paule-mandel", interval="normal", level=level)
        added = ", ".join(names[i] for i in range(7) if order[i] == value)
        rows.append((added, value, len(at), fit.estimate, fit.low, fit.high, fit.tau2, fit.status))
    expected = pd.DataFrame(rows, columns=list(CUMULATIVE_COLUMNS))
    pd.testing.assert_frame_equal(found.table, expected, check_dtype=False)
    pd.testing.assert_frame_equal(found.to_frame(), found.table)
    assert (found.spread, found.interval, found.level) == ("paule-mandel", "normal", level)
    assert found.headline() == (
        f"after 7 studies the pooled effect is {round_for_people(rows[-1][3])}; it began at "
        f"{round_for_people(rows[0][3])}"
    )


def test_orders_are_matched_by_key_where_both_have_keys():
    y = pd.Series([0.1, 0.5, 0.9], index=list("abc"))
    v = pd.Series([0.1, 0.1, 0.1], index=list("abc"))
    keyed = cumulate(y, v, pd.Series([1, 2, 3], index=list("cba")))
    assert list(keyed.table["study"]) == ["c", "b", "a"]
    plain = cumulate(y.to_numpy(), v.to_numpy(), pd.Series([1, 2, 3], index=list("cba")))
    assert list(plain.table["study"]) == ["1", "2", "3"]
    listed = cumulate(y, v, [3, 2, 1])
    assert list(listed.table["study"]) == ["c", "b", "a"]


def test_an_order_that_is_missing_is_named():
    with pytest.raises(InputError, match=r"order of study b \(row 2\) is missing"):
        cumulate([1, 2, 3], [1, 1, 1], [1, np.nan, np.nan], study=list("abc"))
    with pytest.raises(InputError, match="order has 2 rows and estimate 3"):
        cumulate([1, 2, 3], [1, 1, 1], [1, 2])
