"""Ends of profile intervals, against a general search over whole matrices at each end."""

from functools import lru_cache

import numpy as np
import pytest
from oracles.mixed_by_hand import ByHand, rows_of_kind, variances_of
from scipy import optimize, stats

from metafreeze import (
    InputError,
    NotEstimableError,
    hidden_spread,
    mixed_model,
    profile_intervals,
)

# The general search ends within this of its minimum.
SEARCHED = 2e-4

CASES = {
    "levels": {"seed": 61, "q": 1, "n": 24, "studies": 5},
    "batches": {"seed": 62, "q": 1, "n": 30, "studies": 5, "batch": True},
    "slopes": {"seed": 63, "q": 2, "n": 36, "studies": 6},
    "slopes without correlation": {"seed": 64, "q": 2, "n": 36, "studies": 6, "correlated": False},
    "known variances": {"seed": 65, "q": 1, "n": 24, "studies": 5, "known": True},
    "reading errors": {"seed": 66, "q": 1, "n": 24, "studies": 5, "added": True},
    "summaries": {"seed": 67, "q": 1, "n": 20, "studies": 5, "counts": True},
    "crossed": {"seed": 68, "q": 1, "n": 48, "studies": 5, "batch": True, "specimen": "crossed"},
    "nothing varies": {"seed": 69, "q": 0, "n": 24, "studies": 4, "batch": True},
}


@lru_cache
def case_of(name, likelihood="restricted"):
    case = dict(CASES[name])
    seed, correlated = case.pop("seed"), case.pop("correlated", True)
    data = rows_of_kind(seed, **case)
    options = {k: v for k, v in data.items() if k not in ("y", "X", "study")}
    fit = mixed_model(
        data["y"], data["X"], data["study"], correlated=correlated, likelihood=likelihood, **options
    )
    levels = [k for k in ("batch", "specimen") if data[k] is not None]
    return data, fit, levels, correlated


def rise_at(data, fit, levels, correlated, held, value, restricted, coefficient=None):
    """Criterion with one quantity held, above its best, all others searched."""
    hand = ByHand(data, correlated=correlated, levels=levels)
    base = hand.at(variances_of(fit, correlated=correlated, levels=levels))
    q = hand.Z.shape[1]
    G = fit.random_covariance
    start = {("sd", k): np.sqrt(G[k, k]) for k in range(q)}
    if correlated and q == 2:
        start["r"] = np.arctanh(G[0, 1] / np.sqrt(G[0, 0] * G[1, 1]))
    rest = hand.parts[len(hand.pairs) :]
    sds = np.sqrt(variances_of(fit, correlated=correlated, levels=levels)[len(hand.pairs) :])
    for k in range(len(rest)):
        start["rest", k] = sds[k]
    assert len(rest) == len(sds)
    best = base.criterion(restricted)
    if coefficient is not None:
        hand.y = hand.y - value * hand.X[:, coefficient]
        hand.X = np.delete(hand.X, coefficient, axis=1)
    free = [k for k in start if k != held]

    def criterion(theta):
        at = dict(zip(free, theta, strict=True))
        if held is not None:
            at[held] = value
        w = []
        for i, j in hand.pairs:
            r = np.tanh(at["r"]) if i != j else 1.0
            w.append(r * at["sd", i] * at["sd", j])
        w += [at["rest", k] ** 2 for k in range(len(rest))]
        with np.errstate(all="ignore"):
            found = hand.at(w).criterion(restricted)
        return found if np.isfinite(found) else 1e6

    at = np.array([start[k] for k in free])
    if not free:
        return criterion(at) - best
    starts = [at]
    if "r" in free:  # valleys of their own for correlations of either sign
        starts += [np.where([k == "r" for k in free], r, at) for r in (-1.5, 0.0, 1.5)]
    ends = [optimize.minimize(criterion, h, method="L-BFGS-B") for h in starts]
    near = min(ends, key=lambda end: end.fun)
    again = optimize.minimize(criterion, near.x, method="Nelder-Mead", options={"fatol": 1e-6})
    return min(near.fun, again.fun) - best


@pytest.mark.parametrize("name", CASES)
def test_the_criterion_has_risen_to_its_quantile_at_both_ends(name):
    data, fit, levels, correlated = case_of(name)
    level = 0.8
    found = profile_intervals(fit, level=level)
    assert found.likelihood == "restricted" and found.confidence == level
    allowed = stats.chi2.ppf(level, 1)
    q = data["varying"].shape[1]
    names = list(fit.new_study.index) if q else []
    wanted = [("sd", "study", k, "") for k in names]
    held = [("sd", k) for k in range(q)]
    estimates = [np.sqrt(fit.random_covariance[k, k]) for k in range(q)]
    if correlated and q == 2:
        wanted.append(("correlation", "study", names[0], names[1]))
        held.append("r")
        estimates.append(fit.random_parts["correlation"].dropna().iloc[0])
    sds = fit.random_parts.set_index("level")["sd"]
    order = [*levels, "residual"]
    if name == "crossed":
        order = ["batch", "specimen", "residual"]
    table = found.table
    assert table.columns.tolist() == [
        *("quantity", "level", "term", "with_term", "estimate", "low", "high")
    ]
    rest = table.iloc[len(wanted) :]
    assert sorted(rest["level"]) == sorted(order) and (rest["quantity"] == "sd").all()
    assert rest["level"].iloc[-1] == "residual"
    assert table.iloc[: len(wanted), :4].to_numpy().tolist() == [list(w) for w in wanted]
    for level_name in rest["level"]:
        held.append(("rest", order.index(level_name)))
        estimates.append(sds[level_name])
    assert np.allclose(table["estimate"], estimates, rtol=1e-6)
    for row, what in zip(table.itertuples(), held, strict=True):
        assert row.low <= row.estimate <= row.high
        for end in (row.low, row.high):
            value = end
            if what == "r":
                if abs(end) == 1.0:
                    continue
                value = np.arctanh(end)
            rise = rise_at(data, fit, levels, correlated, what, value, True)
            if end == 0.0 and what != "r":
                assert rise <= allowed + SEARCHED
            else:
                assert rise == pytest.approx(allowed, abs=SEARCHED)


@pytest.mark.parametrize("name", ["levels", "batches", "known variances"])
def test_coefficients_are_profiled_by_the_full_likelihood(name):
    data, fit, levels, correlated = case_of(name, "full")
    found = profile_intervals(fit, level=0.9)
    assert found.likelihood == "full"
    own = found.table[found.table["quantity"] == "coefficient"]
    assert own["term"].tolist() == fit.coefficients.index.tolist()
    assert np.allclose(own["estimate"], fit.coefficients["estimate"], rtol=1e-6)
    assert (own["level"] == "").all() and (own["with_term"] == "").all()
    allowed = stats.chi2.ppf(0.9, 1)
    for j, row in enumerate(own.itertuples()):
        assert row.low < row.estimate < row.high
        for end in (row.low, row.high):
            rise = rise_at(data, fit, levels, correlated, None, end, False, coefficient=j)
            assert rise == pytest.approx(allowed, abs=SEARCHED)
    spreads = profile_intervals(fit, level=0.9, coefficients=False).table
    assert (spreads["quantity"] == "sd").all()
    assert spreads.equals(found.table.iloc[: len(spreads)])


def test_another_likelihood_than_the_fits_own():
    _, restricted, _, _ = case_of("levels")
    _, full, _, _ = case_of("levels", "full")
    asked = profile_intervals(restricted, likelihood="full")
    assert asked.likelihood == "full" and asked.confidence == 0.95
    own = profile_intervals(full)
    numbers = ["estimate", "low", "high"]
    assert np.allclose(asked.table[numbers], own.table[numbers], rtol=1e-5)
    back = profile_intervals(full, likelihood="restricted").table
    assert np.allclose(back[numbers], profile_intervals(restricted).table[numbers], rtol=1e-5)


@pytest.mark.parametrize("level", [0.95, 0.8])
def test_a_hidden_spread_is_the_upper_end_of_a_wider_interval(level):
    _, fit, _, _ = case_of("batches")
    found = hidden_spread(fit, level=level)
    both = profile_intervals(fit, level=2 * level - 1, coefficients=False).table
    assert found.columns.tolist() == ["level", "term", "estimate", "upper"]
    assert found.index.tolist() == [0, 1]
    assert found["level"].tolist() == ["study", "batch"]
    assert found["upper"].tolist() == both["high"].tolist()[:2]
    if level == 0.95:
        assert hidden_spread(fit).equals(found)


def test_the_line_and_the_table():
    _, fit, _, _ = case_of("levels")
    found = profile_intervals(fit)
    assert found.headline().startswith("sd of intercept ")
    assert found.headline().endswith(", 2 profile intervals, restricted likelihood")
    frame = found.to_frame()
    assert frame.equals(found.table) and frame is not found.table
    n = 12
    known = mixed_model(
        np.arange(n) ** 1.5,
        np.ones((n, 1)),
        np.arange(n) % 3,
        varying=np.zeros((n, 0)),
        known_variance=np.full(n, 2.0),
    )
    nothing = profile_intervals(known)
    assert nothing.table.empty and nothing.headline() == "no quantity to profile"


@pytest.mark.parametrize("level", [0.0, 1.0, 95, -0.1])
def test_a_level_is_between_nought_and_one(level):
    with pytest.raises(InputError) as refusal:
        profile_intervals(case_of("levels")[1], level=level)
    assert str(refusal.value) == (f"level is {level}. Give a number between 0 and 1, such as 0.95.")


def test_residuals_of_their_own_have_no_profile():
    data = rows_of_kind(70, n=40, studies=4)
    fit = mixed_model(data["y"], data["X"], data["study"], residual="per-study")
    with pytest.raises(NotEstimableError, match="Profiles are for one residual variance"):
        profile_intervals(fit)
    with pytest.raises(InputError, match="likelihood"):
        profile_intervals(case_of("levels")[1], likelihood="partial")
