"""Many pools at once: parts of the searches against whole matrices, every limit and refusal."""

import numpy as np
import pytest
from scipy import stats

from metafreeze.errors import InputError
from metafreeze.models import many_pools as module
from metafreeze.models.many_pools import pool_many
from metafreeze.models.pooled import pool
from metafreeze.models.tau2 import RULES, estimate_tau2
from metafreeze.results import round_for_people

# Newton's steps end at 1e-8 and are good to its square.
SAME = {"rel": 1e-8, "abs": 1e-11}


def pools(k, m, seed, low=-1.0, high=0.5):
    rng = np.random.default_rng(seed)
    v = 10 ** rng.uniform(low, high, (m, k))
    tau = rng.choice([0.0, 0.5, 2.0], (m, 1))
    return rng.normal(0.3, np.sqrt(v + tau**2)), v


@pytest.mark.parametrize("restricted", [True, False])
def test_parts_of_the_score_are_those_of_whole_matrices(restricted):
    y, v = pools(5, 4, 1)
    t = np.array([0.0, 0.3, 1.0, 4.0])
    w = (1 / (v + t[:, None])).T
    s1 = w.sum(axis=0)
    wr = w * (y.T - (w * y.T).sum(axis=0) / s1)
    parts = module._score_parts(w, s1, wr, restricted=restricted)
    gap = module._shortfall(y.T, v.T, t, restricted=restricted)
    for j in range(4):
        W, one = np.diag(w[:, j]), np.ones(5)
        P = W - np.outer(W @ one, one @ W) / (one @ W @ one)
        T = P if restricted else W
        ypy2, ypy3 = y[j] @ P @ P @ y[j], y[j] @ P @ P @ P @ y[j]
        expected = (ypy2, np.trace(T), ypy3, np.trace(T @ T))
        assert [p[j] for p in parts] == pytest.approx(expected, rel=1e-9)
        assert gap[j] == pytest.approx(np.trace(T) / ypy2 - 1, rel=1e-9)


def test_equal_effects_fall_short_without_end_and_stay_numbers():
    gap = module._shortfall(np.full((3, 1), 2.0), np.ones((3, 1)), np.zeros(1), restricted=True)
    assert gap[0] == pytest.approx(1e12, rel=1e-6)


@pytest.mark.parametrize("spread", list(RULES))
@pytest.mark.parametrize(
    ("k", "low", "high"),
    [(2, -1.0, 0.5), (3, -3.0, 1.0), (6, 0.0, 0.0), (9, -0.5, 0.5), (4, -5.0, 0.5)],
)
def test_every_pool_is_the_rule_of_one(spread, k, low, high):
    y, v = pools(k, 40, k, low, high)
    many = pool_many(y, v, spread=spread)
    x = np.ones((k, 1))
    for i in range(40):
        tau2 = estimate_tau2(y[i], v[i], x, spread=spread)
        assert many.tau2[i] == pytest.approx(tau2, rel=1e-7, abs=1e-9 * v[i].min())
        w = 1 / (v[i] + tau2)
        assert many.estimate[i] == pytest.approx((w @ y[i]) / w.sum(), rel=1e-6, abs=1e-9)
        assert many.se_plain[i] == pytest.approx(w.sum() ** -0.5, rel=1e-6)
        assert many.boundary[i] == (tau2 == 0 and spread != "none")
        w = 1 / v[i]
        q = w @ (y[i] - w @ y[i] / w.sum()) ** 2
        assert many.q[i] == pytest.approx(q, **SAME)
        assert many.i2[i] == pytest.approx(100 * max(0.0, 1 - (k - 1) / q), abs=1e-7)
        scatter = (y[i] - many.estimate[i]) ** 2 @ (1 / (v[i] + many.tau2[i])) / (k - 1)
        assert many.se[i] == pytest.approx(many.se_plain[i] * scatter**0.5, rel=1e-7)
    assert (many.k, many.df, many.spread, many.interval) == (k, k - 1.0, spread, "hartung-knapp")


@pytest.mark.parametrize("level", [0.95, 0.8])
@pytest.mark.parametrize("interval", ["hartung-knapp", "hartung-knapp-floored", "normal"])
@pytest.mark.parametrize("k", [2, 3, 7])
def test_limits_in_closed_form(k, interval, level):
    y, v = pools(k, 12, 3)
    many = pool_many(y, v, spread="paule-mandel", interval=interval, intervals=True, level=level)
    df = np.inf if interval == "normal" else k - 1
    assert many.df == df and many.level == level
    for i in range(12):
        scatter = (y[i] - many.estimate[i]) ** 2 @ (1 / (v[i] + many.tau2[i])) / (k - 1)
        factor = {"normal": 1.0, "hartung-knapp": scatter}.get(interval, max(1.0, scatter))
        se = many.se_plain[i] * factor**0.5
        assert many.se[i] == pytest.approx(se, rel=1e-7)
        t = stats.t.ppf(1 - (1 - level) / 2, df)
        limits = (many.estimate[i] - t * se, many.estimate[i] + t * se)
        assert (many.low[i], many.high[i]) == pytest.approx(limits, rel=1e-6, abs=1e-9)
        assert many.p[i] == pytest.approx(2 * stats.t.sf(abs(many.estimate[i]) / se, df), rel=1e-6)
        one = pool(y[i], v[i], spread="paule-mandel", interval=interval, level=level)
        ranges = (one.prediction_low, one.prediction_high)
        found = (many.prediction_low[i], many.prediction_high[i])
        assert found == pytest.approx(ranges, rel=1e-6, abs=1e-9, nan_ok=True)
        assert np.isnan(found).all() == (k == 2)


def test_what_was_not_asked_for_is_not_there():
    y, v = pools(4, 3, 2)
    plain = pool_many(y, v)
    for name in ("low", "high", "p", "prediction_low", "prediction_high"):
        assert np.isnan(getattr(plain, name)).all()
        assert np.isfinite(getattr(pool_many(y, v, intervals=True), name)).all()
    common = pool_many(y, v, spread="none", intervals=True)
    assert np.isnan(common.prediction_low).all() and np.isfinite(common.low).all()
    assert (plain.spread, plain.interval, plain.level) == (
        *("restricted-likelihood", "hartung-knapp"),
        0.95,
    )
    frame = plain.to_frame()
    assert len(frame) == 3 and list(frame.columns)[:3] == ["estimate", "se", "se_plain"]
    for name in frame.columns:
        np.testing.assert_array_equal(frame[name], getattr(plain, name))
    middle = round_for_people(float(np.median(plain.estimate)))
    assert plain.headline() == (
        f"3 pools of 4 studies, median effect {middle}; restricted-likelihood, hartung-knapp"
    )


@pytest.mark.parametrize("spread", list(RULES))
def test_equal_effects_have_the_plain_error_and_a_mixture_keeps_its_rows(spread):
    v = np.array([[0.1, 0.2, 0.4]] * 3)
    y = np.array([[0.3, 0.3, 0.3], [5.0, -5.0, 1.0], [1e6 + 0.1] * 3])
    many = pool_many(y, v, spread=spread)
    assert many.tau2[0] == many.tau2[2] == 0.0
    for i in (0, 2):
        assert many.se[i] == many.se_plain[i] == pytest.approx((1 / v[0]).sum() ** -0.5)
    alone = pool_many(y[1:2], v[1:2], spread=spread)
    assert many.tau2[1] == pytest.approx(alone.tau2[0], rel=1e-9)
    assert many.estimate[1] == pytest.approx(alone.estimate[0], rel=1e-9)


@pytest.mark.parametrize("m", [1, 1023, 1024, 1025, 2049])
def test_slices_join_without_a_seam(m):
    y, v = pools(3, 2049, 8)
    whole = pool_many(y, v, spread="dersimonian-laird")
    part = pool_many(y[-m:], v[-m:], spread="dersimonian-laird")
    np.testing.assert_array_equal(part.estimate, whole.estimate[-m:])
    assert part.estimate.shape == (m,)


@pytest.mark.parametrize("spread", ["restricted-likelihood", "likelihood"])
def test_all_pools_with_no_rise_are_zero(spread):
    y = np.array([[0.1, 0.11, 0.09], [0.0, 0.01, 0.0]])
    many = pool_many(y, np.ones((2, 3)), spread=spread)
    np.testing.assert_array_equal(many.tau2, [0.0, 0.0])
    assert many.boundary.all()


@pytest.mark.parametrize("restricted", [True, False])
def test_newton_settles_inside_its_bracket_and_says_where_it_does_not(restricted, monkeypatch):
    y, v = np.array([[-1.0, 3.0], [1.0, -2.0], [0.5, 5.0]]), np.full((3, 2), 0.25)
    # Equal variances: the mode is the mean square less the variance.
    exact = y.var(axis=0, ddof=1 if restricted else 0) - 0.25
    for low, high in ((0.0, 50.0), (0.0, np.inf), (0.1, 20.0)):
        found, failed = module._newton(
            y,
            v,
            np.full(2, 5.0),
            np.full(2, low),
            np.full(2, high),
            restricted=restricted,
        )
        np.testing.assert_allclose(found, exact, rtol=1e-9)
        assert not failed.any()
    monkeypatch.setattr(module, "MOST_STEPS", 1)
    _, failed = module._newton(
        y, v, np.array([5.0, exact[1]]), np.zeros(2), np.full(2, 50.0), restricted=restricted
    )
    assert failed.tolist() == [True, False]


@pytest.mark.parametrize(
    ("y", "v", "words"),
    [
        ([[1.0]], [[1.0]], "at least two studies"),
        ([1.0, 2.0], [1.0, 1.0], "one pool a row"),
        (np.empty((0, 3)), np.empty((0, 3)), "one pool a row"),
        ([[1.0, 2.0]], [[1.0, 1.0, 1.0]], "variances has shape"),
        ([[1.0, 2.0], [3.0, np.nan]], [1.0, 1.0], "effect of study 2 in pool 2 is nan"),
        ([[1.0, np.inf], [3.0, 4.0]], [1.0, 1.0], "effect of study 2 in pool 1 is inf"),
        ([[1.0, 2.0], [3.0, 4.0]], [[1.0, 1.0], [0.0, 1.0]], "study 1 in pool 2"),
        ([[1.0, 2.0], [3.0, 4.0]], [[1.0, np.inf], [1.0, 1.0]], "study 2 in pool 1"),
        ([[1.0, 2.0], [3.0, 4.0]], [[1.0, np.nan], [1.0, 1.0]], "study 2 in pool 1"),
        ([[1.0, 2.0], [3.0, 4.0]], [[1.0, 1.0], [1.0, -1.0]], "negative.*study 2 in pool 2"),
    ],
)
def test_what_cannot_be_pooled_is_named_by_pool_and_study(y, v, words):
    with pytest.raises(InputError, match=words):
        pool_many(y, v)
