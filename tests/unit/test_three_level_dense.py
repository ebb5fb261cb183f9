"""Several effects per study: every field against whole matrices."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from metafreeze.errors import InputError
from metafreeze.models import three_level as module
from metafreeze.models.three_level import _Model, _PlainModel, pool_nested
from metafreeze.results import round_for_people

NAN = float("nan")
# Optimum to 1e-10 in the gradient; what rests on it is good to about this.
OPTIMUM = 1e-6


def table(seed, sizes=(2, 3, 1, 4, 2), between=0.4, within=0.3, *, shared=False):
    rng = np.random.default_rng(seed)
    study = np.repeat(np.arange(len(sizes)), sizes)
    v = rng.uniform(0.05, 0.2, study.size)
    covariance = np.diag(v)
    if shared:
        same = study[:, None] == study
        covariance = np.where(same, 0.4 * np.sqrt(np.outer(v, v)), 0.0)
        np.fill_diagonal(covariance, v)
    y = rng.normal(0.2, between, len(sizes))[study] + rng.normal(0, within, study.size)
    return y + np.linalg.cholesky(covariance) @ rng.normal(size=study.size), covariance, study


def total(covariance, study, theta):
    return covariance + theta[0] * (study[:, None] == study) + theta[1] * np.eye(study.size)


def criterion(y, covariance, study, theta):
    V = total(covariance, study, theta)
    W, one = np.linalg.inv(V), np.ones(y.size)
    info = one @ W @ one
    r = y - one @ W @ y / info
    return np.linalg.slogdet(V)[1] + np.log(info) + r @ W @ r


def models(y, covariance, study):
    blocks = [np.flatnonzero(study == s) for s in np.unique(study)]
    yield _Model(y=y, blocks=[(at, covariance[np.ix_(at, at)]) for at in blocks])
    if not np.any(covariance - np.diag(np.diag(covariance))):
        v = np.diag(covariance)
        yield _PlainModel(y=y, v=v, member=study.astype(np.int64), studies=len(blocks))


@pytest.mark.parametrize("shared", [False, True])
@pytest.mark.parametrize("theta", [(0.0, 0.0), (0.3, 0.0), (0.0, 0.2), (0.4, 0.1), (3.0, 5.0)])
def test_criterion_gradient_products_and_weights(theta, shared):
    y, covariance, study = table(3, shared=shared)
    theta = np.array(theta)
    V, one = total(covariance, study, theta), np.ones(y.size)
    W = np.linalg.inv(V)
    P = W - np.outer(W @ one, one @ W) / (one @ W @ one)
    parts = [(study[:, None] == study).astype(float), np.eye(y.size)]
    slopes = [np.trace(P @ Z) - y @ P @ Z @ P @ y for Z in parts]
    count = 0
    for model in models(y, covariance, study):
        count += 1
        value, gradient = model.criterion(theta)
        assert value == pytest.approx(criterion(y, covariance, study, theta), rel=1e-10)
        np.testing.assert_allclose(gradient, slopes, rtol=1e-8, atol=1e-9)
        products, log_det = model.products(theta)
        assert log_det == pytest.approx(np.linalg.slogdet(V)[1], rel=1e-10)
        for s in range(5):
            at = study == s
            both = np.column_stack([np.ones(at.sum()), y[at]])
            expected = both.T @ W[np.ix_(at, at)] @ both
            np.testing.assert_allclose(products[s], expected, rtol=1e-9)
        np.testing.assert_allclose(model.weights(theta), W @ one, rtol=1e-9)
    assert count == (1 if shared else 2)


CASES = [
    {"seed": 1},
    {"seed": 2, "shared": True},
    {"seed": 3, "sizes": (1, 1, 2, 1, 1, 1, 5, 2, 2, 3)},
    {"seed": 4, "between": 0.0, "within": 0.0},
    {"seed": 5, "between": 1.0, "within": 0.0},
    {"seed": 6, "between": 0.0, "within": 0.8, "shared": True},
    {"seed": 7, "sizes": (3, 4)},
    {"seed": 8, "sizes": (1, 1, 1, 1)},
    {"seed": 9, "sizes": (2, 3, 2)},
]


@pytest.mark.parametrize("level", [0.95, 0.8])
@pytest.mark.parametrize("options", CASES)
def test_every_field_is_that_of_whole_matrices(options, level):
    y, covariance, study = table(**options)
    shared = options.get("shared", False)
    names = np.array([f"s{j}" for j in study])
    fit = pool_nested(
        y,
        np.diag(covariance),
        names,
        covariance=covariance if shared else None,
        level=level,
    )
    S, m = study.max() + 1, y.size
    single = bool(m == S)
    theta = np.array([fit.tau2_between, 0.0 if single else fit.tau2_within])
    assert np.isnan(fit.tau2_within) == single
    at = criterion(y, covariance, study, theta)
    for b in (0.0, 0.01, 0.1, 0.3, 0.6, 1.0, 2.0, *(theta[0] * np.array([0.9, 1.1]))):
        for w in (
            (0.0,)
            if single
            else (0.0, 0.01, 0.1, 0.3, 0.6, 1.0, *(theta[1] * np.array([0.9, 1.1])))
        ):
            assert at <= criterion(y, covariance, study, (b, w)) + 1e-9
    one = np.ones(m)
    W = np.linalg.inv(total(covariance, study, theta))
    info = one @ W @ one
    mean = one @ W @ y / info
    plain = info**-0.5
    G = np.array(
        [one[study == s] @ W[np.ix_(study == s, study == s)] @ one[study == s] for s in range(S)]
    )
    g = np.array([(W @ (y - mean))[study == s].sum() for s in range(S)])
    change = (1 - G / info) ** -0.5
    se = ((change * g / info) ** 2).sum() ** 0.5
    B = np.outer(change, change) * (np.diag(G) - np.outer(G, G) / info) / info**2
    df = np.trace(B) ** 2 / (B**2).sum()
    t, t_model = stats.t.ppf(1 - (1 - level) / 2, [df, S - 1])
    base = np.linalg.inv(covariance)
    centre = one @ base @ y / (one @ base @ one)
    expected = {
        "estimate": mean,
        "se": se,
        "df": df,
        "low": mean - t * se,
        "high": mean + t * se,
        "p": 2 * stats.t.sf(abs(mean) / se, df),
        "se_model": plain,
        "low_model": mean - t_model * plain,
        "high_model": mean + t_model * plain,
        "p_model": 2 * stats.t.sf(abs(mean) / plain, S - 1),
        "q": (y - centre) @ base @ (y - centre),
    }
    if S > 2:
        reach = stats.t.ppf(1 - (1 - level) / 2, S - 2) * (theta.sum() + max(se, plain) ** 2) ** 0.5
        expected |= {"prediction_low": mean - reach, "prediction_high": mean + reach}
    else:
        assert np.isnan([fit.prediction_low, fit.prediction_high]).all()
    for name, value in expected.items():
        assert getattr(fit, name) == pytest.approx(value, rel=1e-8), name
    np.testing.assert_allclose(fit.weights, W @ one / info, rtol=1e-9)
    assert (fit.q_df, fit.k, fit.k_studies, fit.level) == (m - 1, m, S, level)
    assert fit.study == tuple(names)
    boundary = theta[0] == 0 or (theta[1] == 0 and not single)
    assert fit.status == ("boundary" if boundary else "ok")
    assert ("a variance was estimated at zero" in fit.note) == boundary
    assert ("not to be trusted under 4" in fit.note) == (df < 4)
    assert (f"rests on {df:.1f} degrees" in fit.note) == (df < 4)
    assert ("every study gives one effect" in fit.note) == single
    assert "all studies report the same" not in fit.note
    assert set(fit.reasons) == ({"within"} if single else set()) | (
        set() if S > 2 else {"prediction"}
    )
    rows = [
        ("pooled effect", fit.estimate, fit.se, fit.df, fit.low, fit.high, fit.p, ""),
        (
            "pooled effect, by model",
            fit.estimate,
            fit.se_model,
            S - 1.0,
            fit.low_model,
            fit.high_model,
            fit.p_model,
            "",
        ),
        (
            "new study",
            fit.estimate,
            NAN,
            NAN,
            fit.prediction_low,
            fit.prediction_high,
            NAN,
            fit.reasons.get("prediction", ""),
        ),
        ("tau2 between", fit.tau2_between, *[NAN] * 5, ""),
        ("tau2 within", fit.tau2_within, *[NAN] * 5, fit.reasons.get("within", "")),
        ("Q", fit.q, NAN, m - 1.0, *[NAN] * 3, ""),
    ]
    columns = ["quantity", "estimate", "se", "df", "low", "high", "p", "reason"]
    pd.testing.assert_frame_equal(fit.to_frame(), pd.DataFrame(rows, columns=columns))
    parts = [round_for_people(x) for x in (fit.estimate, fit.low, fit.high)]
    assert fit.headline() == (
        f"pooled effect {parts[0]} ({100 * level:g} % {parts[1]} to {parts[2]}), {m} effects of "
        f"{S} studies; effects within studies, robust by study; {fit.status}"
    )


def test_both_kinds_of_boundary_and_none_are_among_the_cases():
    kinds = set()
    for options in (
        CASES[0],
        CASES[2],
        CASES[3],
        CASES[4],
        {"seed": 6, "between": 0.0, "within": 0.8},
    ):
        y, covariance, study = table(**options)
        fit = pool_nested(y, np.diag(covariance), study)
        kinds.add((fit.tau2_between > 0, bool(fit.tau2_within > 0)))
    assert {(True, True), (False, True), (True, False)} <= kinds


def test_equal_effects_stand_on_the_model():
    y, v, study = np.full(6, 0.5), np.full(6, 0.04), [1, 1, 2, 2, 3, 3]
    fit = pool_nested(y, v, study)
    assert fit.se == fit.se_model == pytest.approx((0.04 / 6) ** 0.5)
    assert fit.df == 2.0 and fit.low == pytest.approx(fit.low_model)
    assert fit.note.startswith("all studies report the same effect")
    assert fit.level == 0.95


@pytest.mark.parametrize("unit", [1e-3, 1.0, 4096.0])
def test_a_unit_is_a_unit(unit):
    y, covariance, study = table(1)
    one = pool_nested(y, np.diag(covariance), study)
    fit = pool_nested(unit * y, unit**2 * np.diag(covariance), study)
    for name in ("estimate", "se", "low", "high", "se_model", "low_model", "prediction_low"):
        assert getattr(fit, name) == pytest.approx(unit * getattr(one, name), rel=OPTIMUM)
    for name in ("tau2_between", "tau2_within"):
        assert getattr(fit, name) == pytest.approx(unit**2 * getattr(one, name), rel=OPTIMUM)
    for name in ("df", "p", "p_model", "q"):
        assert getattr(fit, name) == pytest.approx(getattr(one, name), rel=OPTIMUM)


def test_what_cannot_be_pooled():
    with pytest.raises(InputError, match="All 2 effects come from one study, a"):
        pool_nested([0.1, 0.2], [0.1, 0.1], ["a", "a"])
    link = np.array([[0.1, 0.01], [0.01, 0.1]])
    with pytest.raises(InputError, match="links effects of two studies"):
        pool_nested([0.1, 0.2], [0.1, 0.1], ["a", "b"], covariance=link)
    with pytest.raises(InputError, match="links effects of two studies"):
        pool_nested([0.1, 0.2], [0.1, 0.1], ["a", "b"], covariance=0.2 * np.eye(2) - link)


def test_polishing_stops_at_the_minimum_and_clears_what_is_nearly_zero():
    y, covariance, study = table(1)
    (model, _) = models(y, covariance, study)
    free = np.array([True, True])
    fit = pool_nested(y, np.diag(covariance), study)
    best = np.array([fit.tau2_between, fit.tau2_within])
    polished = module._polish(model, best * 1.01, free, 0.1)
    np.testing.assert_allclose(polished, best, rtol=1e-6)
    cleared = module._polish(model, np.array([0.9e-10, best[1]]), free, 0.1)
    assert cleared[0] == 0.0
    nothing = module._polish(model, np.array([1e-12, 1e-12]), free, 0.1)
    np.testing.assert_array_equal(nothing, [0.0, 0.0])
    fixed = module._polish(model, best * 1.01, np.array([False, True]), 0.1)
    assert fixed[0] == best[0] * 1.01 and fixed[1] != best[1] * 1.01


class Bowl:
    """A criterion with a known minimum, in the place of a model."""

    def __init__(self, centre, hessian, extra=0.0):
        self.centre, self.hessian = np.array(centre, dtype=float), np.array(hessian, dtype=float)
        self.extra, self.y, self.asked = extra, np.array([0.0, 2.0]), 0

    def criterion(self, theta):
        self.asked += 1
        d = theta - self.centre
        slope = self.hessian @ d + 4 * self.extra * d**3
        return 5.0 + 0.5 * d @ self.hessian @ d + self.extra * (d**4).sum(), slope


BOTH = np.array([True, True])


def test_one_newton_step_ends_in_the_bottom_of_a_bowl():
    bowl = Bowl([0.3, 0.7], [[2.0, 0.5], [0.5, 1.0]])
    np.testing.assert_allclose(
        module._polish(bowl, np.array([1.0, 2.0]), BOTH, 1.0), [0.3, 0.7], rtol=1e-9
    )
    # A variance at zero stays there, and the other moves to the bottom along that edge.
    edge = module._polish(bowl, np.array([0.0, 2.0]), BOTH, 1.0)
    np.testing.assert_allclose(edge, [0.0, 0.7 + 0.5 * 0.3], rtol=1e-9)
    held = module._polish(bowl, np.array([1.0, 1.0]), np.array([True, False]), 1.0)
    np.testing.assert_allclose(held, [0.3 - 0.25 * (1.0 - 0.7), 1.0], rtol=1e-9)


def test_a_bowl_with_a_steep_rim_takes_several_steps():
    bowl = Bowl([0.3, 0.7], np.eye(2), extra=1.0)
    found = module._polish(bowl, np.array([0.5, 1.0]), BOTH, 1.0)
    np.testing.assert_allclose(found, [0.3, 0.7], atol=1e-6)


def test_no_step_is_taken_below_zero_uphill_or_on_a_saddle():
    start = np.array([1.0, 2.0])
    for bowl in (
        Bowl([-0.3, 0.7], np.eye(2)),
        Bowl([0.3, 0.7], [[1.0, 0.0], [0.0, -1.0]]),
        Bowl([0.3, 0.7], -np.eye(2)),
    ):
        np.testing.assert_array_equal(module._polish(bowl, start, BOTH, 1.0), start)

    class Lying(Bowl):
        def criterion(self, theta):
            value, slope = super().criterion(theta)
            return -value, slope

    np.testing.assert_array_equal(
        module._polish(Lying([0.3, 0.7], np.eye(2)), start, BOTH, 1.0), start
    )


@pytest.mark.parametrize(
    ("centre", "free", "expected"),
    [
        ((0.3, 0.7), (True, True), (0.3, 0.7)),
        ((-0.3, 0.7), (True, True), (0.0, 0.7)),
        ((0.3, -0.7), (True, True), (0.3, 0.0)),
        ((-0.3, -0.7), (True, True), (0.0, 0.0)),
        ((0.3, 0.7), (True, False), (0.3, 0.0)),
        ((5e-10, 0.7), (True, True), (0.0, 0.7)),
    ],
)
def test_the_search_ends_in_the_lowest_place_that_is_allowed(centre, free, expected):
    found = module._fit(Bowl(centre, np.eye(2)), np.array(free), 1.0)
    np.testing.assert_allclose(found, expected, rtol=1e-7, atol=1e-12)


def test_of_two_hollows_the_lower_one_is_taken():
    class Two(Bowl):
        def criterion(self, theta):
            """Hollows near (2, 0) and (0, 2); the second is deeper by a tilt."""
            a, b = theta
            u = a - b
            value = (u**2 - 4) ** 2 + 3 * self.extra * u + (a + b - 2) ** 2
            du, ds = 4 * u * (u**2 - 4) + 3 * self.extra, 2 * (a + b - 2)
            return value, np.array([du + ds, -du + ds])

    for tilt in (1.0, -1.0):
        model = Two((0, 0), np.eye(2), extra=tilt)
        found = module._fit(model, BOTH, 1.0)
        assert (found[1] > found[0]) == (tilt > 0)
        grid = [
            model.criterion(np.array([a, b]))[0]
            for a in np.linspace(0, 3, 61)
            for b in np.linspace(0, 3, 61)
        ]
        assert model.criterion(found)[0] <= min(grid) + 1e-9
