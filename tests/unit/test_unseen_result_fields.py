"""Every field of a result put together by hand from a fit that is known."""

import numpy as np
import pytest

from metafreeze.models import censored_likelihood as rows_of
from metafreeze.models.unseen_fit import Fitted, standardise
from metafreeze.models.unseen_input import check_unseen_rows
from metafreeze.models.unseen_result import NO_SECOND_ENGINE, Question, Table, build_result

INF, NAN = np.inf, np.nan
GIVEN = dict.fromkeys(
    (
        *("varying", "batch", "known_variance", "added_variance", "count", "spread", "offset"),
        *("names", "varying_names"),
    )
)
COLUMNS = ["estimate", "se", "df", "low", "high", "p"]


def ask(family="log-normal", count=2, **options):
    given = {
        "inference": "profile",
        "level": 0.9,
        "fixed_scale": None,
        "correlated": True,
        "functions": np.eye(count),
        "asked": np.ones(count, dtype=bool),
        "df": None,
        "accuracy": 1e-8,
        "seed": 17,
        "draws": 99,
    }
    return Question(family=family, **{**given, **options})


def rows_and_scale(family="log-normal", study=True, batch=True, correlated=True, **options):
    rng = np.random.default_rng(6)
    low = np.exp(rng.normal(3.0, 0.3, 12))
    high = low.copy()
    high[[1, 5]] += 4.0
    high[[2, 7, 9]] = INF
    low[[4]], high[[11]] = 0.0, INF
    low[11] = 0.0
    x = np.column_stack([np.ones(12), rng.normal(size=12)])
    given = {**GIVEN, "names": ["cold", "hot"], "offset": rng.normal(size=12), **options}
    if study:
        given["varying"] = x
    if batch:
        given["batch"] = list("aabbaabbaabb")
    rows = check_unseen_rows(
        low, high, x, np.repeat([1, 2, 3], 4) if study else None, log_times=False, **given
    )
    scaled = standardise(rows, family=family, correlated=correlated, fixed_scale=None)
    return low, high, rows, scaled


@pytest.mark.parametrize("family", ["log-normal", "weibull"])
@pytest.mark.parametrize("correlated", [True, False])
def test_a_whole_result(family, correlated):
    low, high, rows, scaled = rows_and_scale(family, correlated=correlated)
    parts = [0.8, -0.3, 0.5] if correlated else [0.8, 0.5]
    theta = np.array([0.2, 0.1, np.log(0.6), *parts, -0.7])
    nodes = np.array([[5, 5, 3], [7, 7, 4], [6, 6, 9]])
    fitted = Fitted(theta, 12.5, np.eye(len(theta)), nodes=nodes, quadrature_error=3e-9)
    table = Table(3)
    for k, name in enumerate(COLUMNS):
        table.values[name][:] = np.arange(3.0) + 10 * k
    covariance = np.array([[2.0, 0.5], [0.5, 1.0]])
    got = build_result(
        ask(family, 3),
        rows,
        table,
        "ok",
        "a note",
        steps=("a step",),
        scaled=scaled,
        fitted=fitted,
        covariance=covariance,
        log_se=0.25,
        draws_used=88,
    )
    assert got.coefficients.columns.tolist() == got.contrasts.columns.tolist() == COLUMNS
    assert got.coefficients.index.tolist() == ["cold", "hot"]
    assert got.coefficients.index.name == got.contrasts.index.name == "term"
    assert got.contrasts.index.tolist() == ["contrast 1"]
    for k, name in enumerate(COLUMNS):
        assert got.coefficients[name].tolist() == [10.0 * k, 10.0 * k + 1]
        assert got.contrasts[name].tolist() == [10.0 * k + 2]
    np.testing.assert_array_equal(got.covariance.to_numpy(), covariance)
    assert got.covariance.index.tolist() == got.covariance.columns.tolist() == ["cold", "hot"]
    assert got.scale == pytest.approx(scaled.unit * 0.6, rel=1e-12)
    factor = np.pi / np.sqrt(6) if family == "weibull" else 1.0
    assert got.residual_sd == pytest.approx(factor * got.scale, rel=1e-12)
    assert got.log_scale_se == 0.25
    exact = low == high
    assert got.criterion == pytest.approx(25.0 + 2.0 * exact.sum() * np.log(scaled.unit))
    assert got.criterion_time - got.criterion == pytest.approx(2.0 * np.log(low[exact]).sum())
    assert got.parameters == len(theta)
    assert got.aic == pytest.approx(got.criterion + 2.0 * len(theta))
    seen = (got.rows_exact, got.rows_interval, got.rows_right, got.rows_left, got.rows_empty)
    assert seen == (5, 2, 3, 1, 1)
    assert got.studies == 3 and got.batches == 6
    assert got.nodes == 9 and got.quadrature_error == 3e-9
    assert (got.family, got.inference, got.level, got.seed) == (family, "profile", 0.9, 17)
    assert got.draws_used == 88
    assert (got.status, got.note, got.steps_taken) == ("ok", "a note", ("a step",))
    assert got.second_engine == NO_SECOND_ENGINE
    # The random part of a row: its columns times b, so the standardised columns say what b is.
    lower = np.array([[0.8, 0.0], [-0.3, 0.5]]) if correlated else np.diag([0.8, 0.5])
    back = np.linalg.lstsq(rows.z, scaled.row_design.z, rcond=None)[0]
    b = scaled.unit * back @ lower
    b = b @ b.T
    sd = np.sqrt(np.diag(b))
    table = got.random_parts
    assert table["level"].tolist()[:2] == ["study", "study"]
    assert table["term"].tolist()[:2] == ["intercept", "hot"]
    np.testing.assert_allclose(table["sd"][:2], sd, rtol=1e-9)
    if correlated:
        assert table.iloc[2][["level", "term", "with_term"]].tolist() == [
            "study",
            "intercept",
            "hot",
        ]
        assert table["correlation"][2] == pytest.approx(b[0, 1] / (sd[0] * sd[1]), rel=1e-9)
        assert np.isnan(table["sd"][2])
    rest = table.iloc[2 + correlated :]
    assert rest["level"].tolist() == ["batch", "residual"]
    assert rest["term"].tolist() == ["intercept", ""]
    np.testing.assert_allclose(rest["sd"], [0.7 * scaled.unit, got.residual_sd], rtol=1e-12)
    assert rest["with_term"].tolist() == ["", ""] and rest["correlation"].isna().all()


def test_a_term_without_spread_has_no_correlation():
    *_, rows, scaled = rows_and_scale(batch=False)
    theta = np.array([0.2, 0.1, 0.0, 0.0, 0.0, 0.0])
    fitted = Fitted(theta, 1.0, np.eye(6))
    got = build_result(ask(), rows, Table(2), "boundary", "", scaled=scaled, fitted=fitted)
    assert got.random_parts["sd"].tolist()[:2] == [0.0, 0.0]
    assert got.random_parts["correlation"].isna().all()
    assert got.batches == 0 and got.nodes == 1
    assert got.draws_used == 0 and got.steps_taken == ()


def test_batches_alone_and_no_groups():
    *_, rows, scaled = rows_and_scale(study=False)
    fitted = Fitted(np.array([0.2, 0.1, 0.0, 0.4]), 1.0, np.eye(4), nodes=np.array([[8]]))
    got = build_result(ask(), rows, Table(2), "ok", "", scaled=scaled, fitted=fitted)
    assert got.random_parts["level"].tolist() == ["batch", "residual"]
    assert got.random_parts["term"].tolist() == ["intercept", ""]
    np.testing.assert_allclose(got.random_parts["sd"], scaled.unit * np.array([0.4, 1.0]))
    assert got.studies == 0 and got.batches == 2 and got.nodes == 8
    *_, rows, scaled = rows_and_scale(study=False, batch=False)
    fitted = Fitted(np.array([0.2, 0.1, 0.0]), 1.0, np.eye(3), zero=np.array([2]))
    got = build_result(ask(), rows, Table(2), "boundary", "", scaled=scaled, fitted=fitted)
    # A residual spread at zero is zero, not what is left of its logarithm.
    assert got.scale == got.residual_sd == 0.0
    assert got.random_parts["level"].tolist() == ["residual"]
    assert got.contrasts.empty and got.to_frame()["term"].tolist() == ["cold", "hot"]


def test_known_variances_leave_no_residual_spread():
    *_, rows, scaled = rows_and_scale(study=False, batch=False, known_variance=np.full(12, 0.2))
    fitted = Fitted(np.array([0.2, 0.1, 0.0]), 1.0, np.eye(3))
    got = build_result(ask(), rows, Table(2), "ok", "", scaled=scaled, fitted=fitted)
    assert np.isnan(got.scale) and np.isnan(got.residual_sd)
    assert got.parameters == 2


def test_what_was_not_fitted_is_empty():
    *_, rows, _ = rows_and_scale()
    got = build_result(ask(), rows, Table(2), "unidentifiable", "why")
    for name in ("scale", "residual_sd", "log_scale_se", "criterion", "criterion_time", "aic"):
        assert np.isnan(getattr(got, name)), name
    assert np.isnan(got.quadrature_error)
    assert got.parameters == got.nodes == got.draws_used == 0
    assert got.coefficients.isna().all(axis=None) and got.covariance.isna().all(axis=None)
    assert got.covariance.shape == (2, 2)
    assert got.random_parts.empty
    assert [got.random_parts.dtypes[name].kind for name in ("sd", "correlation")] == ["f", "f"]
    assert got.rows_exact + got.rows_interval + got.rows_right + got.rows_left == 11
    assert got.status == "unidentifiable" and got.note == "why"


def test_summaries_count_as_their_runs_in_the_criterion_of_times():
    y = np.log([20.0, 30.0, 40.0])
    rows = check_unseen_rows(
        y,
        y,
        np.ones((3, 1)),
        None,
        log_times=True,
        **{**GIVEN, "count": [1, 3, 5], "spread": [NAN, 0.1, 0.2]},
    )
    scaled = standardise(rows, family="log-normal", correlated=True, fixed_scale=None)
    fitted = Fitted(np.zeros(2), 1.0, np.eye(2))
    got = build_result(ask(count=1), rows, Table(1), "ok", "", scaled=scaled, fitted=fitted)
    assert got.criterion == pytest.approx(2.0 + 2.0 * 9.0 * np.log(scaled.unit))
    want = 2.0 * (np.log(20) + 3 * np.log(30) + 5 * np.log(40))
    assert got.criterion_time - got.criterion == pytest.approx(want, rel=1e-12)


def test_the_headline_names_the_last_coefficient_and_the_rows():
    *_, rows, scaled = rows_and_scale()
    table = Table(2)
    table.values["estimate"][:] = [1.0, 0.125]
    table.values["low"][:] = [0.0, -0.5]
    table.values["high"][:] = [2.0, 0.75]
    fitted = Fitted(np.zeros(7), 1.0, np.eye(7))
    got = build_result(ask(), rows, table, "ok", "", scaled=scaled, fitted=fitted)
    line = got.headline()
    assert line.startswith("hot 0.125 (")
    assert line.endswith("), 11 rows, 6 not seen exactly, log-normal, profile, ok")
    low, high = line.split("(")[1].split(")")[0].split(" to ")
    assert float(low.replace("\u2212", "-")) == -0.5 and float(high) == 0.75
    assert rows.kind.tolist().count(rows_of.EXACT) == 5
