"""Every number of the looks at small studies against plain loops, statsmodels and scipy."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import optimize, stats

from metafreeze.errors import InputError
from metafreeze.models import small_studies as module
from metafreeze.models.pooled import pool
from metafreeze.models.small_studies import (
    assume_selection,
    check_small_studies,
    rank_asymmetry,
    regress_asymmetry,
    regress_precision,
    trim_and_fill,
)
from metafreeze.results import round_for_people

TOO_FEW = "under ten studies this cannot serve as a verdict"
COLUMNS = ["quantity", "estimate", "se", "df", "low", "high", "p"]
# Two least squares routines agree to rounding.
SAME = {"rel": 1e-9, "abs": 1e-12}
SIZES = [3, 5, 9, 10, 14]


def effects(k, seed=1, lean=0.0):
    rng = np.random.default_rng(seed + 100 * k)
    v = rng.uniform(0.01, 0.3, k)
    return rng.normal(0.2, 0.2, k) + lean * np.sqrt(v) + rng.normal(0, np.sqrt(v)), v


def ols_row(fit, i, level):
    low, high = fit.conf_int(alpha=1 - level)[i]
    return [fit.params[i], fit.bse[i], fit.df_resid, low, high, fit.pvalues[i]]


def numbers(check, quantity):
    row = check.table[check.table["quantity"] == quantity].iloc[0]
    return [float(value) for value in row.iloc[1:]]


def allowed_as_it_says(check, k, level):
    assert (check.k, check.level, check.status) == (k, level, "ok")
    assert check.verdict_allowed is (k >= 10)
    assert list(check.table.columns) == COLUMNS
    assert (TOO_FEW in check.note) == (k < 10)
    assert (TOO_FEW in check.headline()) == (k < 10)
    first = check.table.iloc[0]
    assert check.headline().startswith(
        f"{check.question} {first['quantity']} {round_for_people(first['estimate'])}, "
        f"p {round_for_people(first['p'])}; {k} studies"
    )
    pd.testing.assert_frame_equal(check.to_frame(), check.table)
    assert check.to_frame() is not check.table


@pytest.mark.parametrize("level", [0.95, 0.8])
@pytest.mark.parametrize("k", SIZES)
def test_asymmetry_is_the_ordinary_regression_in_every_column(k, level):
    y, v = effects(k, lean=1.0)
    check = regress_asymmetry(y, v, level=level)
    fit = sm.OLS(y / np.sqrt(v), np.column_stack([np.ones(k), 1 / np.sqrt(v)])).fit()
    assert list(check.table["quantity"]) == ["intercept", "slope"]
    for i, name in enumerate(("intercept", "slope")):
        assert numbers(check, name) == pytest.approx(ols_row(fit, i, level), **SAME)
        assert check.value(name) == pytest.approx(fit.params[i], **SAME)
        assert check.value(name, "p") == pytest.approx(fit.pvalues[i], **SAME)
    allowed_as_it_says(check, k, level)
    assert check.note == ("" if k >= 10 else TOO_FEW)


@pytest.mark.parametrize("level", [0.95, 0.8])
@pytest.mark.parametrize(("k", "lean"), [(3, 0.0), (5, 0.0), (10, 0.0), (14, 4.0), (10, -4.0)])
def test_precision_is_weighted_least_squares_in_every_column(k, lean, level):
    y, v = effects(k, lean=lean)
    check = regress_precision(y, v, level=level)
    ones = np.ones(k)
    by_error = sm.WLS(y, np.column_stack([ones, np.sqrt(v)]), weights=1 / v).fit()
    by_variance = sm.WLS(y, np.column_stack([ones, v]), weights=1 / v).fit()
    chosen = by_variance if by_error.pvalues[0] < 0.10 else by_error
    expected = {
        "effect at perfect precision": (chosen, 0),
        "at zero standard error": (by_error, 0),
        "slope on standard error": (by_error, 1),
        "at zero variance": (by_variance, 0),
        "slope on variance": (by_variance, 1),
    }
    assert list(check.table["quantity"]) == list(expected)
    for name, (fit, i) in expected.items():
        assert numbers(check, name) == pytest.approx(ols_row(fit, i, level), **SAME)
    allowed_as_it_says(check, k, level)


def test_both_lines_are_chosen_somewhere():
    chosen = set()
    for seed in range(12):
        check = regress_precision(*effects(8, seed))
        first = check.value("effect at perfect precision")
        error = check.value("at zero standard error", "p") < 0.1
        assert first == check.value("at zero variance" if error else "at zero standard error")
        chosen.add(error)
    assert chosen == {True, False}


@pytest.mark.parametrize("ties", [False, True])
@pytest.mark.parametrize("k", [3, 4, 7, 10, 13])
def test_ranks_are_counted_pair_by_pair(k, ties):
    y, v = effects(k, 3)
    if ties:
        v[1] = v[0]
    check = rank_asymmetry(y, v, level=0.9)
    common = sum(y / v) / sum(1 / v)
    z = [(y[i] - common) / (v[i] - 1 / sum(1 / v)) ** 0.5 for i in range(k)]
    s = 0
    for i in range(k):
        for j in range(i):
            s += int(np.sign(z[i] - z[j]) * np.sign(v[i] - v[j]))
    error = (k * (k - 1) * (2 * k + 5) / 18) ** 0.5
    careful = np.sign(s) * max(0, abs(s) - 1) / error
    p, p_careful = (2 * stats.norm.sf(abs(x)) for x in (s / error, careful))
    nan = float("nan")
    expected = {
        "rank correlation": [s / (k * (k - 1) / 2), nan, nan, nan, nan, p],
        "z": [s / error, nan, nan, nan, nan, p],
        "z, continuity": [careful, nan, nan, nan, nan, p_careful],
        "concordant minus discordant": [s, error, nan, nan, nan, nan],
    }
    assert list(check.table["quantity"]) == list(expected)
    for name, row in expected.items():
        assert numbers(check, name) == pytest.approx(row, **SAME, nan_ok=True)
    if not ties:
        assert check.value("rank correlation") == pytest.approx(stats.kendalltau(z, v).statistic)
    allowed_as_it_says(check, k, 0.9)


def test_a_single_pair_of_surplus_has_nothing_left_after_continuity():
    # Three studies: two pairs one way and one the other leave a surplus of one.
    y, v = np.array([0.0, 2.0, 1.0]), np.array([1.0, 2.0, 3.0])
    check = rank_asymmetry(y, v)
    assert check.value("concordant minus discordant") in (1.0, -1.0)
    assert check.value("z, continuity") == 0.0
    assert check.value("z, continuity", "p") == 1.0


@pytest.mark.parametrize("look", [regress_asymmetry, regress_precision])
def test_equal_precision_and_two_studies_give_a_reason_and_no_number(look):
    for y, v in (([0.1, 0.2], [0.1, 0.2]), ([0.1, 0.2, 0.4], [0.1, 0.1, 0.1])):
        check = look(y, v, level=0.9)
        assert (check.status, check.k, check.level) == ("unidentifiable", len(y), 0.9)
        assert check.note == "needs three studies of unequal precision"
        assert check.verdict_allowed is False
        assert check.table.iloc[:, 1:].isna().all(axis=None) and len(check.table) == 1
        assert check.table["quantity"].iloc[0] == check.method
    assert look([0.1, 0.2, 0.4], [0.1, 0.1, 0.101]).status == "ok"


def test_precision_differs_once_errors_do_by_more_than_a_billionth():
    assert not module._precision_varies(np.array([1.0, 1.0 + 1e-9, 1.0]))
    assert module._precision_varies(np.array([1.0, 1.0 + 4e-9, 1.0]))
    assert not module._precision_varies(1e8 * np.array([1.0, 1.0 + 1e-9, 1.0]))
    assert module._precision_varies(1e-8 * np.array([1.0, 1.0 + 4e-9, 1.0]))


def test_two_studies_have_no_ranks():
    check = rank_asymmetry([0.1, 0.2], [0.1, 0.2])
    assert (check.status, check.note) == ("unidentifiable", "needs three studies")
    assert rank_asymmetry([0.1, 0.2, 0.3], [0.1, 0.2, 0.3]).status == "ok"


def test_a_perfect_line_is_certain_and_a_line_along_zero_is_not():
    line = module._Line(beta=np.array([2.0, 0.0]), se=np.zeros(2), df=3.0)
    assert line.row(0, "a", 0.95) == ("a", 2.0, 0.0, 3.0, 2.0, 2.0, 0.0)
    assert line.row(1, "b", 0.95) == ("b", 0.0, 0.0, 3.0, 0.0, 0.0, 1.0)
    zero = regress_asymmetry([0.0, 0.0, 0.0], [0.1, 0.2, 0.3])
    assert zero.value("intercept", "p") == 1.0


# --- trimming and filling -----------------------------------------------------------------


def plain_count(deviation, rule):
    """The source's L0, R0 and Q0, by loops."""
    n = len(deviation)
    size = [abs(d) for d in deviation]
    rank = [
        sum(b < a for b in size) + (sum(b == a for b in size) + 1) / 2 for a in size
    ]  # middle ranks
    t = sum(r for r, d in zip(rank, deviation, strict=True) if d > 0)
    if rule == "linear":
        count = (4 * t - n * (n + 1)) / (2 * n - 1)
    elif rule == "quadratic":
        count = n - 0.5 - max(0.0, 2 * n**2 - 4 * t + 0.25) ** 0.5
    else:
        left = [r for r, d in zip(rank, deviation, strict=True) if d <= 0]
        count = sum(r > max(left, default=0) for r in rank) - 1
    return max(0, int(np.floor(count + 0.5)))


@pytest.mark.parametrize("rule", ["linear", "run", "quadratic"])
def test_missing_studies_are_counted_as_in_the_source(rule):
    rng = np.random.default_rng(11)
    seen = set()
    for n in (3, 4, 6, 9, 15):
        for shift in (-1.0, 0.0, 0.7, 1.5, 5.0):
            d = rng.normal(shift, 1, n)
            d[0] = -d[1] if n > 4 else d[0]  # a tie
            if n == 6:
                d[2] = 0.0
            found = module._missing_count(d, rule)
            assert found == plain_count(list(d), rule)
            seen.add(found)
    assert len(seen) > 2


def plain_fill(y, v, rule, side, centre):
    spread = "none" if centre == "common" else "dersimonian-laird"
    turn = 1 if side == "left" else -1
    pairs = sorted((turn * a, b) for a, b in zip(y, v, strict=True))
    k, missing = len(y), 0
    for _ in range(100):
        rest = pairs[: k - missing]
        fit = pool([a for a, _ in rest], [b for _, b in rest], spread=spread, interval="normal")
        new = min(k - 2, plain_count([a - fit.estimate for a, _ in pairs], rule))
        if new == missing:
            break
        missing = new
    else:
        return missing, None, None
    added = [(2 * fit.estimate - a, b) for a, b in pairs[k - missing :]]
    return missing, [turn * a for a, _ in pairs + added], [b for _, b in pairs + added]


@pytest.mark.parametrize("centre", ["common", "random"])
@pytest.mark.parametrize("rule", ["linear", "run", "quadratic"])
def test_filling_in_is_the_plain_loop(rule, centre):
    spread = "none" if centre == "common" else "dersimonian-laird"
    counts = set()
    for k, seed, lean, side in (
        (3, 1, 0, "auto"),
        (9, 2, 3, "auto"),
        (10, 3, -3, "auto"),
        (12, 4, 3, "left"),
        (12, 5, 3, "right"),
        (11, 6, 0, "left"),
    ):
        y, v = effects(k, seed, lean)
        found = trim_and_fill(y, v, rule=rule, side=side, centre=centre, level=0.9)
        leaning = regress_asymmetry(y, v).value("intercept")
        expected_side = side if side != "auto" else ("left" if leaning >= 0 else "right")
        missing, all_y, all_v = plain_fill(y, v, rule, expected_side, centre)
        assert (found.side, found.rule, found.k) == (expected_side, rule, k)
        assert found.missing == missing
        counts.add(missing)
        assert found.verdict_allowed is (k >= 10)
        if all_y is None:
            continue
        assert found.status == "ok" and found.note == ("" if k >= 10 else TOO_FEW)
        np.testing.assert_allclose(found.filled["estimate"], all_y, rtol=1e-12)
        np.testing.assert_allclose(found.filled["variance"], all_v)
        assert list(found.filled["filled"]) == [False] * k + [True] * missing
        before = pool(y, v, spread=spread, interval="normal", level=0.9)
        after = pool(all_y, all_v, spread=spread, interval="normal", level=0.9)
        frame = found.to_frame()
        assert list(frame["quantity"]) == ["as given", "filled"]
        for row, fit in zip(frame.itertuples(index=False), (before, after), strict=True):
            expected = (fit.k, fit.estimate, fit.se, fit.low, fit.high, fit.p, fit.tau2)
            assert tuple(row)[1:] == pytest.approx(expected, rel=1e-9)
        assert found.headline() == (
            f"{missing} studies seem missing on the {expected_side} of {k}; with them "
            f"{round_for_people(after.estimate)} instead of {round_for_people(before.estimate)}"
            + ("" if k >= 10 else f"; {TOO_FEW}")
        )
    assert len(counts) > 1


def test_defaults_are_the_linear_rule_around_one_common_effect():
    y, v = effects(12, 4, 3)
    plain = trim_and_fill(y, v)
    named = trim_and_fill(y, v, rule="linear", side="auto", centre="common", level=0.95)
    pd.testing.assert_frame_equal(plain.to_frame(), named.to_frame())
    assert (plain.rule, plain.before.level, plain.missing) == ("linear", 0.95, named.missing)


def test_equal_precision_looks_for_missing_studies_on_the_left():
    assert trim_and_fill([0.0, 0.1, 0.9, 1.2], np.full(4, 0.1)).side == "left"


def test_at_least_two_studies_stay_untrimmed():
    y, v = np.array([0.0, 5.0, 6.0]), np.array([1e-6, 1.0, 1.0])
    assert plain_count(list(y - 1e-3), "run") == 1
    assert trim_and_fill(y, v, rule="run", side="left").missing == 1
    with pytest.raises(InputError, match="There are 2 studies"):
        trim_and_fill(y[:2], v[:2])
    far = np.array([0.0, 4.0, 5.0, 6.0, 7.0])
    found = trim_and_fill(far, np.array([1e-6, 1, 1, 1, 1]), rule="run", side="left")
    assert found.missing == 3


def test_a_count_that_goes_round_in_a_circle_is_said(monkeypatch):
    turns = iter([1, 2] * 100)
    monkeypatch.setattr(module, "_missing_count", lambda *_: next(turns))
    found = trim_and_fill(*effects(12), side="left")
    assert found.status == "failed"
    assert found.note == "the number of missing studies went round in a circle"


# --- selection ----------------------------------------------------------------------------


def plain_criterion(mean, tau2, y, v, ends, chance):
    total = 0.0
    for a, b in zip(y, v, strict=True):
        own = stats.norm.sf(a / b**0.5)
        j = next(i for i, end in enumerate(ends) if own <= end)
        sd, seen, above = (b + tau2) ** 0.5, 0.0, 0.0
        for end, weight in zip(ends, chance, strict=True):
            upto = stats.norm.sf((stats.norm.isf(end) * b**0.5 - mean) / sd) if end < 1 else 1.0
            seen += weight * (upto - above)
            above = upto
        total -= np.log(chance[j]) + stats.norm.logpdf(a, mean, sd) - np.log(seen)
    return total


@pytest.mark.parametrize("favoured", ["positive", "negative"])
@pytest.mark.parametrize(("seed", "scatter"), [(1, 0.5), (2, 0.0)])
def test_the_selection_model_is_the_optimum_of_the_plain_likelihood(favoured, seed, scatter):
    rng = np.random.default_rng(seed)
    v = rng.uniform(0.02, 0.1, 11)
    y = 0.3 + rng.normal(0, 1, 11) * (np.sqrt(v + scatter**2) if scatter else 0.3 * np.sqrt(v))
    turn = 1 if favoured == "positive" else -1
    y = turn * y
    ends, chance = [0.05, 0.5, 1.0], [1.0, 0.6, 0.3]
    check = assume_selection(
        y, v, favoured=favoured, weights={"own": chance}, steps=ends, level=0.9
    )
    names = ["no selection", "own", "tau2: no selection", "tau2: own"]
    assert list(check.table["quantity"]) == names
    allowed_as_it_says(check, 11, 0.9)
    assert "assumed" in check.note

    def criterion(q):
        return plain_criterion(q[0], q[1] ** 2, turn * y, v, ends, chance)

    best = optimize.minimize(
        criterion,
        [0.3, 0.3],
        method="Nelder-Mead",
        options={"xatol": 1e-8, "fatol": 1e-11},
    )
    tau = abs(best.x[1])
    if not scatter:
        best.x[1] = tau = 0.0
        best.x[0] = optimize.minimize_scalar(lambda m: criterion([m, 0.0])).x
        assert check.value("tau2: own") == 0.0
    estimate, se, df, low, high, p = numbers(check, "own")
    assert estimate == pytest.approx(turn * best.x[0], rel=1e-4)
    assert check.value("tau2: own") == pytest.approx(tau**2, rel=1e-3)
    h = 1e-3

    def bend(*steps):
        return criterion([best.x[0] + steps[0] * h, tau + steps[1] * h])

    mm = (bend(1, 0) - 2 * bend(0, 0) + bend(-1, 0)) / h**2
    if scatter:
        tt = (bend(0, 1) - 2 * bend(0, 0) + bend(0, -1)) / h**2
        mt = (bend(1, 1) - bend(1, -1) - bend(-1, 1) + bend(-1, -1)) / (4 * h**2)
        mm -= mt**2 / tt
    assert se == pytest.approx(mm**-0.5, rel=1e-3)
    half = stats.norm.isf(0.05) * se
    assert (df, low, high) == (
        np.inf,
        pytest.approx(estimate - half),
        pytest.approx(estimate + half),
    )
    assert p == pytest.approx(2 * stats.norm.sf(abs(estimate) / se))


def test_without_selection_equal_variances_have_a_closed_form():
    y, v = np.array([0.1, 0.5, 0.9, -0.2, 0.4, 0.0]), np.full(6, 0.02)
    check = assume_selection(y, v, favoured="positive", weights={})
    tau2 = y.var() - 0.02
    assert check.value("no selection") == pytest.approx(y.mean(), rel=1e-6)
    assert check.value("tau2: no selection") == pytest.approx(tau2, rel=1e-5)
    assert check.value("no selection", "se") == pytest.approx((y.var() / 6) ** 0.5, rel=1e-4)
    calm = assume_selection(0.1 * y, v, favoured="positive", weights={})
    assert calm.value("tau2: no selection") == 0.0
    assert calm.value("no selection", "se") == pytest.approx((0.02 / 6) ** 0.5, rel=1e-5)
    assert list(calm.table["quantity"]) == ["no selection", "tau2: no selection"]
    assert calm.table.iloc[1, 2:].isna().all()


def test_a_p_value_on_a_step_belongs_to_the_interval_that_ends_there():
    # p is 0.5 for an effect of zero; both p-values of the pair are then known exactly.
    y, v = np.array([0.0, 0.0, 0.0]), np.full(3, 0.04)
    check = assume_selection(y, v, favoured="positive", weights={"a": [1.0, 0.4]}, steps=[0.5, 1.0])
    best = optimize.minimize_scalar(
        lambda m: plain_criterion(m, 0.0, y, v, [0.5, 1.0], [1.0, 0.4]), bracket=(-0.2, 0.2)
    )
    assert check.value("a") == pytest.approx(best.x, rel=1e-4)
    assert check.value("a") < 0


def test_the_default_scenarios_have_the_shape_their_names_say():
    steps = module.SELECTION_STEPS
    assert len(steps) == 14 and steps[-1] == 1.0 and steps[6] == 0.5
    for i in range(13):
        assert steps[i] + steps[12 - i] == pytest.approx(1.0)
    for name, weights in module.SELECTION_WEIGHTS.items():
        assert len(weights) == 14 and weights[0] == 1.0 and min(weights) > 0
        if "both" in name:
            assert list(weights) == list(weights[::-1])
        else:
            assert list(weights) == sorted(weights, reverse=True)
        milder = module.SELECTION_WEIGHTS[name.replace("severe", "moderate")]
        assert all(a <= b for a, b in zip(weights, milder, strict=True))


@pytest.mark.parametrize(
    ("weights", "steps", "words"),
    [
        ({"a": [1.0, 1.1]}, [0.5, 1.0], "do not fit"),
        ({"a": [1.0, 0.0]}, [0.5, 1.0], "do not fit"),
        ({"a": [1.0]}, [0.5, 1.0], "do not fit"),
        ({"a": [1.0, 0.5]}, [0.5, 0.9], "rising p-values"),
        ({"a": [1.0, 0.5, 0.5]}, [0.5, 0.5, 1.0], "rising p-values"),
        ({"a": [1.0, 0.5]}, [0.0, 1.0], "rising p-values"),
    ],
)
def test_weights_and_steps_that_do_not_fit_are_refused(weights, steps, words):
    with pytest.raises(InputError, match=words):
        assume_selection([0.1, 0.2], [0.1, 0.1], favoured="positive", weights=weights, steps=steps)


def test_one_study_has_no_selection_and_two_have():
    one = assume_selection([0.1], [0.1], favoured="positive")
    assert (one.status, one.k, one.note) == ("unidentifiable", 1, "needs two studies")
    two = assume_selection([0.1, 0.2], [0.1, 0.1], favoured="positive")
    assert two.status == "ok" and len(two.table) == 2 * (1 + len(module.SELECTION_WEIGHTS))


# --- together -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("k", "favoured", "side"), [(9, "negative", "right"), (10, "positive", "left")]
)
def test_all_looks_together_are_the_single_ones(k, favoured, side):
    y, v = effects(k, 2)
    every = check_small_studies(y, v, favoured=favoured, level=0.9)
    single = (
        regress_asymmetry(y, v, level=0.9),
        rank_asymmetry(y, v, level=0.9),
        regress_precision(y, v, level=0.9),
        assume_selection(y, v, favoured=favoured, level=0.9),
    )
    filled = trim_and_fill(y, v, side=side, level=0.9)
    frame = every.to_frame()
    assert list(frame.columns) == ["method", *COLUMNS]
    rows = [[c.method, *c.table.iloc[0]] for c in single]
    a = filled.after
    rows.insert(2, ["trim and fill", "filled", a.estimate, a.se, a.df, a.low, a.high, a.p])
    pd.testing.assert_frame_equal(frame, pd.DataFrame(rows, columns=frame.columns))
    assert every.filled.side == side
    assert (every.k, every.verdict_allowed) == (k, k >= 10)
    assert every.note == ("" if k >= 10 else TOO_FEW)
    p = round_for_people(single[0].value("intercept", "p"))
    end = "" if k >= 10 else f"; {TOO_FEW}"
    assert every.headline() == (
        f"small studies, {k} in all: asymmetry p {p}, {filled.missing} seem missing{end}"
    )


def test_all_looks_together_without_a_regression_say_so():
    every = check_small_studies([0.1, 0.2, 0.4], np.full(3, 0.1), favoured="positive")
    assert every.regression.status == "unidentifiable"
    assert f"asymmetry p {round_for_people(float('nan'))}" in every.headline()
    assert every.regression.level == 0.95
    for wrong in ("", "Negative"):
        with pytest.raises(InputError, match="favoured"):
            check_small_studies([0.1, 0.2, 0.4], np.full(3, 0.1), favoured=wrong)
        with pytest.raises(InputError, match="favoured"):
            assume_selection([0.1, 0.2, 0.4], np.full(3, 0.1), favoured=wrong)
