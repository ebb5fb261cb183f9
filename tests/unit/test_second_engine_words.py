"""What the second engine compares, in which words, and where it says why it cannot."""

import warnings
from functools import lru_cache

import numpy as np
import pytest
import statsmodels
from oracles.mixed_by_hand import ByHand, rows_of_kind, variances_of
from statsmodels.tools.sm_exceptions import ModelWarning

from metafreeze import mixed_model
from metafreeze.models import second_engine
from metafreeze.models.second_engine import _Found, _largest, dense_variance

ENGINE = f"statsmodels {statsmodels.__version__}"
CASES = {
    "levels": {"q": 1, "studies": 6},
    "slopes": {"q": 2, "studies": 8, "n": 60},
    "slopes without correlation": {"q": 2, "studies": 8, "n": 60, "correlated": False},
    "batches": {"q": 1, "studies": 6, "n": 50, "batch": True},
    "specimens in batches": {
        "q": 1,
        "studies": 5,
        "n": 60,
        "batch": True,
        "specimen": "nested",
    },
    "specimens across batches": {
        "q": 1,
        "studies": 5,
        "n": 60,
        "batch": True,
        "specimen": "crossed",
    },
    "known variances": {"q": 1, "studies": 6, "known": True},
    "summaries": {"q": 1, "studies": 6, "counts": True},
    "reading errors": {"q": 1, "studies": 6, "added": True},
    "per study": {"q": 1, "studies": 4, "n": 60, "residual": "per-study"},
    "nothing varies": {"q": 0, "studies": 4},
}


@lru_cache
def pair_of(name, likelihood="restricted", second=True):
    case = dict(CASES[name])
    how = {k: case.pop(k) for k in ("correlated", "residual") if k in case}
    data = rows_of_kind(110, **case)
    options = {k: v for k, v in data.items() if k not in ("y", "X", "study")}
    fit = mixed_model(
        data["y"],
        data["X"],
        data["study"],
        second_engine=second,
        likelihood=likelihood,
        **options,
        **how,
    )
    return data, fit, how


@pytest.mark.parametrize("likelihood", ["restricted", "full"])
@pytest.mark.parametrize(
    "name",
    [
        "levels",
        "slopes",
        "slopes without correlation",
        "batches",
        "specimens in batches",
        "specimens across batches",
    ],
)
def test_the_general_engine_agrees(name, likelihood):
    _, fit, _ = pair_of(name, likelihood)
    assert fit.second_engine.startswith(f"{ENGINE}, linear mixed model")
    # Its errors come from a Hessian of its own, and its search keeps off the boundary.
    assert fit.second_engine_difference < (0.05 if fit.status == "ok" else 0.5)
    assert "below ours" not in fit.second_engine
    assert f"{fit.second_engine_difference:.1e}" in fit.second_engine


@pytest.mark.parametrize("likelihood", ["restricted", "full"])
def test_without_random_parts_it_is_least_squares(likelihood):
    _, fit, _ = pair_of("nothing varies", likelihood)
    assert fit.second_engine.startswith(f"{ENGINE}, ordinary least squares: ")
    assert fit.second_engine_difference < 1e-9


REASONS = {
    "known variances": "the general engine knows no given variances",
    "reading errors": "the general engine knows no given variances",
    "summaries": "the general engine takes no summaries",
    "per study": "the general engine has one residual variance only",
}


@pytest.mark.parametrize("name", REASONS)
def test_what_it_cannot_express_is_compared_by_least_squares(name):
    _, fit, _ = pair_of(name)
    assert fit.second_engine.startswith(
        f"{REASONS[name]}; generalised least squares at the variances found differs by at most "
    )
    assert fit.second_engine_difference < 1e-7
    assert fit.second_engine.endswith(f"{fit.second_engine_difference:.1e}")


@pytest.mark.parametrize(("most", "compared"), [(36, True), (35, False)])
def test_too_many_rows_are_not_compared_densely(most, compared, monkeypatch):
    monkeypatch.setattr(second_engine, "MOST_DENSE_ROWS", most)
    data = rows_of_kind(110, **CASES["known variances"])
    options = {k: v for k, v in data.items() if k not in ("y", "X", "study")}
    fit = mixed_model(data["y"], data["X"], data["study"], second_engine=True, **options)
    words = "the general engine knows no given variances; 36 rows are too many for a dense "
    assert (fit.second_engine == words + "comparison") is not compared
    assert np.isnan(fit.second_engine_difference) is np.bool_(not compared)


@pytest.mark.parametrize("name", ["batches", "specimens in batches", "specimens across batches"])
def test_too_many_groups_are_not_expressed(name, monkeypatch):
    data, plain, how = pair_of(name, second=False)
    groups = plain.batches + plain.specimens
    options = {k: v for k, v in data.items() if k not in ("y", "X", "study")}
    for most, refused in ((groups - 1, True), (groups, False)):
        monkeypatch.setattr(second_engine, "MOST_COMPONENTS", most)
        fit = mixed_model(data["y"], data["X"], data["study"], second_engine=True, **options, **how)
        words = f"the general engine would need {groups} component columns; generalised"
        assert fit.second_engine.startswith(words) is refused


@pytest.mark.parametrize("name", CASES)
def test_the_fitted_covariance_of_the_rows(name):
    data, fit, how = pair_of(name, second=False)
    levels = [k for k in ("batch", "specimen") if data[k] is not None]
    hand = ByHand(data, levels=levels, **how)
    hand.at(variances_of(fit, levels=levels, **how))
    n = len(data["y"])
    assert np.allclose(dense_variance(fit, fit.state.rows), hand.V[:n, :n], rtol=1e-10)
    assert np.allclose(second_engine._plain_se(fit), np.sqrt(np.diag(hand.phi)), rtol=1e-6)
    assert second_engine._least_squares_difference(fit, fit.state.rows) < 1e-6


def test_nothing_fitted_is_nothing_compared():
    fit = mixed_model([1.0, 2.0, 3.0], np.ones((3, 1)), [0, 1, 2], second_engine=True)
    assert fit.second_engine == "nothing was fitted that could be compared"
    assert np.isnan(fit.second_engine_difference)
    plain = pair_of("levels", second=False)[1]
    assert plain.second_engine == "not asked for" and np.isnan(plain.second_engine_difference)


def test_the_largest_difference_is_in_standard_errors():
    estimate, se = np.array([1.0, 2.0]), np.array([0.5, 0.1])
    assert _largest(estimate, se, np.array([1.1, 2.0]), se) == pytest.approx(0.2)
    assert _largest(estimate, se, np.array([1.0, 1.9]), se) == pytest.approx(1.0)
    assert _largest(estimate, se, estimate, np.array([0.45, 0.1])) == pytest.approx(0.1)
    assert _largest(estimate, se, estimate, np.array([0.5, 0.13])) == pytest.approx(0.3)


def answer_of(fit, *, above=0.0, shift=0.0, converged=True, finite=True):
    se = second_engine._plain_se(fit)
    params = fit.coefficients["estimate"].to_numpy() + shift * se
    return _Found(
        params=params if finite else params * np.nan,
        bse=se,
        criterion=fit.criterion + above,
        converged=converged,
    )


def words_of(monkeypatch, *answers):
    """Put answers in the engine's mouth, one a call."""
    fit = pair_of("levels", second=False)[1]
    given = list(answers)
    asked = []

    def general(fit, checked, *, from_ours=False):
        asked.append(from_ours)
        found = given.pop(0)
        if isinstance(found, Exception):
            raise found
        return answer_of(fit, **found)

    monkeypatch.setattr(second_engine, "_general_fit", general)
    found = second_engine.compare_engines(fit, fit.state.rows)
    return found.second_engine, found.second_engine_difference, asked


def test_an_answer_at_our_criterion_is_one_comparison(monkeypatch):
    words, difference, asked = words_of(monkeypatch, {"shift": 0.125})
    assert words == f"{ENGINE}, linear mixed model: 1.2e-01"
    assert difference == pytest.approx(0.125) and asked == [False]


def test_a_search_that_stopped_above_starts_again_from_ours(monkeypatch):
    words, difference, asked = words_of(monkeypatch, {"above": 2.0, "shift": 3.0}, {"shift": 0.25})
    assert words == (
        f"{ENGINE}, linear mixed model stopped 2.0e+00 above our criterion; started from our "
        "variances it differs by 2.5e-01"
    )
    assert difference == pytest.approx(0.25) and asked == [False, True]


def test_a_criterion_below_ours_is_said(monkeypatch):
    words, difference, _ = words_of(monkeypatch, {"above": -3.0})
    assert words.endswith(" (its criterion is 3.0e+00 below ours)")
    fit = pair_of("levels", second=False)[1]
    assert difference == pytest.approx(3.0 / max(abs(fit.criterion), 1.0))


def test_an_answer_that_did_not_converge_is_said(monkeypatch):
    words, _, _ = words_of(monkeypatch, {"converged": False})
    assert words.endswith(" (it says that it did not converge)")


def test_no_answer_turns_to_generalised_least_squares(monkeypatch):
    least = "; generalised least squares at the variances found differs by at most "
    words, difference, _ = words_of(monkeypatch, {"finite": False})
    assert words.startswith(f"{ENGINE} gives no finite answer{least}") and difference < 1e-6
    words, difference, _ = words_of(monkeypatch, ValueError("odd"))
    assert words.startswith(f"{ENGINE} could not fit it (ValueError: odd){least}")
    words, difference, _ = words_of(monkeypatch, {"above": 2.0}, np.linalg.LinAlgError("odd"))
    assert words.startswith(
        f"{ENGINE}, linear mixed model stopped 2.0e+00 above our criterion; started from our "
        f"variances it differs in nothing it could fit (LinAlgError){least}"
    )
    assert difference < 1e-6


@pytest.mark.parametrize("likelihood", ["restricted", "full"])
@pytest.mark.parametrize("name", ["levels", "slopes", "slopes without correlation", "batches"])
def test_started_from_our_variances_it_stays_there(name, likelihood):
    _, fit, _ = pair_of(name, likelihood, second=False)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ModelWarning)  # its own search complains of small spreads
        found = second_engine._general_fit(fit, fit.state.rows, from_ours=True)
    assert found.criterion == pytest.approx(fit.criterion, abs=1e-3)
    estimate, se = fit.coefficients["estimate"], second_engine._plain_se(fit)
    assert np.abs((found.params - estimate) / se).max() < 0.01
