"""One status word, decided from the design where it can be; every simplification is said."""

import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import metafreeze as mf
from metafreeze import InputError, NotEstimableError, mixed_model

CASES = Path(__file__).parent.parent / "cases"
CLOSE = 1e-9
# The printed digits of the case's right reading.
PRINTED = 0.005


def case(name):
    return pd.read_csv(CASES / name)


def ones(n):
    return np.ones((n, 1))


def no_spread():
    """Six laboratories without any real spread between them."""
    d = case("r18_no_between_lab_spread.csv")
    X = pd.DataFrame(
        {
            "open": np.ones(len(d)),
            "hot": (d["start_C"] == 80).astype(float),
            "covered": (d["protocol"] == d["protocol"].unique()[0]).astype(float),
        }
    )
    return d, X


def test_no_spread_between_labs_gives_least_squares_and_says_boundary():
    d, X = no_spread()
    fit = mixed_model(d["freeze_min"], X, d["lab"])
    least_squares = np.linalg.lstsq(X.to_numpy(), d["freeze_min"].to_numpy(), rcond=None)[0]
    assert fit.status == "boundary"
    assert "intercept" in fit.note and "not a fault" in fit.note
    assert np.allclose(fit.coefficients["estimate"], least_squares, rtol=CLOSE)
    assert fit.random_parts["sd"].iloc[0] == 0.0


def test_the_no_spread_case_has_its_right_reading():
    d, _ = no_spread()
    X = np.column_stack(
        [np.ones(len(d)), d["start_C"] == 80, d["protocol"] != d["protocol"].unique()[0]]
    ).astype(float)
    fit = mixed_model(d["freeze_min"], X, d["lab"])
    found = np.sort(fit.coefficients["estimate"].abs())
    assert np.allclose(found, np.sort([65.93, 1.26, 7.03]), atol=PRINTED)


def test_how_much_spread_these_labs_could_have_hidden():
    d, X = no_spread()
    hidden = mf.hidden_spread(mixed_model(d["freeze_min"], X, d["lab"]))
    assert hidden["estimate"].iloc[0] == 0.0
    assert 0.1 < hidden["upper"].iloc[0] < 5.0


def test_as_many_random_effects_as_runs_is_refused_with_the_count():
    d = case("r20_two_runs_per_lab_slopes.csv")
    X = np.column_stack([np.ones(len(d)), d["start_C"]])
    fit = mixed_model(d["freeze_min"], X, d["lab"], varying=X)
    assert fit.status == "unidentifiable"
    assert "5 studies × 2 = 10" in fit.note and "runs (10)" in fit.note
    assert fit.coefficients["estimate"].isna().all()


def test_the_ladder_says_each_step_and_why():
    d = case("r20_two_runs_per_lab_slopes.csv")
    X = np.column_stack([np.ones(len(d)), d["start_C"]])
    fit = mixed_model(d["freeze_min"], X, d["lab"], varying=X, simplify=True)
    assert fit.status in ("ok", "boundary")
    assert [s.split(":")[0] for s in fit.steps_taken] == [
        "dropped the correlation",
        "dropped the spread of slopes between studies",
    ]
    assert all("as many varying coefficients" in s for s in fit.steps_taken)


@pytest.mark.parametrize("factor", [60.0, 1.0, 1 / 60, 1 / 1440], ids=["s", "min", "h", "d"])
def test_the_unit_of_time_changes_no_status(factor):
    d = case("r17_run_numbers_restart_per_lab.csv")
    X = np.column_stack([np.ones(len(d)), d["start_C"] == 80]).astype(float)
    in_minutes = mixed_model(d["freeze_min"], X, d["lab"])
    fit = mixed_model(d["freeze_min"] * factor, X, d["lab"])
    assert fit.status == in_minutes.status == "ok"
    assert np.allclose(fit.coefficients["se"] / factor, in_minutes.coefficients["se"], rtol=CLOSE)


def test_studies_in_a_list_of_one_are_taken():
    d = case("r17_run_numbers_restart_per_lab.csv")
    X = ones(len(d))
    a = mixed_model(d["freeze_min"], X, d["lab"])
    b = mixed_model(d["freeze_min"], X, [d["lab"].tolist()])
    assert a.criterion == b.criterion


def test_a_batch_label_that_restarts_in_every_lab_is_another_batch():
    d = case("r17_run_numbers_restart_per_lab.csv")
    X = ones(len(d))
    batch = np.arange(len(d)) // 2 % 3
    restarting = mixed_model(d["freeze_min"], X, d["lab"], batch=batch)
    unique = mixed_model(
        d["freeze_min"],
        X,
        d["lab"],
        batch=[f"{a}/{b}" for a, b in zip(d["lab"], batch, strict=True)],
    )
    assert restarting.criterion == unique.criterion
    assert restarting.batches == 9


def test_known_variances_without_spread_give_the_inverse_variance_mean():
    y, v = np.array([1.0, 1.1, 0.9, 1.05, 1.2]), np.array([0.2, 0.3, 0.5, 0.1, 0.4])
    fit = mixed_model(y, ones(5), range(5), known_variance=v, inference="normal")
    row = fit.coefficients.iloc[0]
    assert fit.status == "boundary"
    assert row["estimate"] == pytest.approx((y / v).sum() / (1 / v).sum(), rel=CLOSE)
    assert row["se"] == pytest.approx(np.sqrt(1 / (1 / v).sum()), rel=CLOSE)
    four = mixed_model(y, ones(5), range(5), known_variance=4 * v, inference="normal")
    assert four.coefficients["se"].iloc[0] == pytest.approx(2 * row["se"], rel=CLOSE)


def test_the_engine_and_the_pool_agree_on_effects_with_variances():
    y, v = np.array([1.0, 2.1, 0.2, 3.05, 1.2]), np.array([0.2, 0.3, 0.5, 0.1, 0.4])
    fit = mixed_model(y, ones(5), range(5), known_variance=v, inference="normal")
    pooled = mf.pool(y, v, interval="normal")
    assert fit.coefficients["estimate"].iloc[0] == pytest.approx(pooled.estimate, rel=1e-6)
    assert fit.random_covariance[0, 0] == pytest.approx(pooled.tau2, rel=1e-5)


def random_rows(n=24, studies=4, seed=0):
    rng = np.random.default_rng(seed)
    return rng.normal(size=n), np.repeat(np.arange(studies), n // studies), rng


REFUSED = {
    "one run per study": (
        lambda y, s, r: (y[:5], ones(5), np.arange(5), {}),
        "One run per study",
    ),
    "constant outcome": (lambda y, s, r: (np.ones(24), ones(24), s, {}), "agree exactly"),
    "repeats that agree": (lambda y, s, r: (s.astype(float), ones(24), s, {}), "agree exactly"),
    "constant covariate": (
        lambda y, s, r: (y, np.column_stack([ones(24), 7 * ones(24)]), s, {}),
        "Constant, or the same as columns before it: x1",
    ),
    "aliased covariate": (
        lambda y, s, r: (y, np.column_stack([ones(24), y**2, 3 * y**2 - 1]), s, {}),
        "same as columns before it: x2",
    ),
    "batches of one run": (
        lambda y, s, r: (y, ones(24), s, {"batch": np.arange(24)}),
        "spread between batch groups, spread among runs",
    ),
    "batches that are studies": (
        lambda y, s, r: (y, ones(24), s, {"batch": s}),
        "spread of intercept between studies, spread between batch groups",
    ),
    "batches that are specimens": (
        lambda y, s, r: (
            y,
            ones(24),
            s,
            {"batch": np.arange(24) % 2, "specimen": np.arange(24) % 2},
        ),
        "cannot be told apart in this design",
    ),
    "as many coefficients as runs": (
        lambda y, s, r: (y[:2], np.eye(2), [0, 1], {}),
        "2 fixed coefficients and 2 runs",
    ),
    "a study that cannot have its own residual": (
        lambda y, s, r: (
            y[:13],
            ones(13),
            [*s[:12], 9],
            {"residual": "per-study"},
        ),
        "as many coefficients as runs",
    ),
    "asked for spread in one study": (
        lambda y, s, r: (y, ones(24), np.zeros(24, dtype=int), {"varying": ones(24)}),
        "One study shows nothing",
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_the_design_cannot_tell_is_refused_with_its_reason(name):
    make, reason = REFUSED[name]
    y, X, study, options = make(*random_rows())
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        fit = mixed_model(y, X, study, **options)
    assert fit.status == "unidentifiable"
    assert reason.lower() in fit.note.lower()
    assert fit.state is None and np.isnan(fit.criterion)


LADDERS = {
    "batches of one run": ({"batch": np.arange(24)}, ["dropped the batch"]),
    "batches that are studies": ({"batch": np.repeat(np.arange(4), 6)}, ["dropped the batch"]),
}


@pytest.mark.parametrize("name", LADDERS)
def test_the_ladder_drops_what_is_to_blame(name):
    options, steps = LADDERS[name]
    y, study, _ = random_rows()
    fit = mixed_model(y, ones(24), study, simplify=True, **options)
    assert fit.status in ("ok", "boundary")
    assert [s.split(":")[0] for s in fit.steps_taken] == steps


@pytest.mark.parametrize(
    ("studies", "kept"), [(2, 1), (3, 2), (4, 3)], ids=["level", "no correlation", "all"]
)
def test_few_studies_carry_few_random_parts(studies, kept):
    y, study, rng = random_rows(n=12 * studies, studies=studies)
    X = np.column_stack([np.ones(len(y)), rng.normal(size=len(y))])
    fit = mixed_model(y, X, study, varying=X, simplify=True)
    assert len(fit.random_parts) - 1 == kept


def test_one_study_says_nothing_of_others():
    y, _, _ = random_rows()
    fit = mixed_model(y, ones(24), np.zeros(24, dtype=int), batch=np.repeat(np.arange(6), 4))
    assert fit.status in ("ok", "boundary")
    assert "nothing is said about other studies" in fit.note
    assert fit.robust["se"].isna().all()


def test_few_degrees_for_residuals_of_their_own_turn_to_the_robust_form():
    y, study, _ = random_rows(n=16)
    fit = mixed_model(y, ones(16), study, residual="per-study")
    assert fit.inference == "cluster-robust"
    assert "robust by study" in fit.note
    assert fit.coefficients.equals(fit.robust)


def test_many_runs_keep_residuals_of_their_own():
    rng = np.random.default_rng(3)
    study = np.repeat(np.arange(5), 20)
    y = np.array([0.5, 1, 2, 4, 8])[study] * rng.normal(size=100)
    fit = mixed_model(y, ones(100), study, residual="per-study")
    assert fit.inference == "kenward-roger"
    assert np.all(np.diff(fit.residual_sds) > 0)
    assert np.isnan(fit.residual_sd)


REJECTED = {
    "a missing outcome": (
        {"y": [1.0, np.nan, 2.0]},
        "y holds 1 values that are not finite numbers, first nan at row 1",
    ),
    "an infinite covariate": ({"X": [[1.0], [np.inf], [1.0]]}, "X holds 1 values"),
    "a missing study": ({"study": ["a", None, "b"]}, "study has no label in 1 rows, first at"),
    "a short study": ({"study": [0, 1]}, "it needs one label for each of the 3 rows"),
    "a negative variance": (
        {"known_variance": [0.1, -0.2, 0.1]},
        "known_variance is -0.2 at row 1",
    ),
    "a negative reading error": (
        {"added_variance": [0.1, -0.2, 0.1]},
        "added_variance is -0.2 at row 1",
    ),
    "a summary without spread": (
        {"count": [1, 3, 1], "spread": [np.nan, np.nan, np.nan]},
        "spread is nan at row 1 (counted from 0), a row of 3 runs",
    ),
    "no runs": ({"count": [1, 0, 1], "spread": [0, 0, 0]}, "count is 0.0 at row 1"),
    "an unknown residual": ({"residual": "own"}, 'Choose one of "common", "per-study"'),
    "an unknown likelihood": ({"likelihood": "reml"}, 'Choose one of "restricted", "full"'),
    "an unknown inference": ({"inference": "t"}, "Choose one of"),
    "a level of 95": ({"level": 95}, "level is 95. Give a number between 0 and 1"),
    "no outcome": ({"y": None}, "y is missing"),
    "too few names": ({"names": ["a", "b"]}, "2 names are given for the 1 columns of X"),
    "no columns": ({"X": np.zeros((3, 0))}, "X has no column"),
}


@pytest.mark.parametrize("name", REJECTED)
def test_an_argument_that_cannot_be_is_named_with_its_place(name):
    options, message = REJECTED[name]
    arguments = {"y": [1.0, 2.0, 3.0], "X": ones(3), "study": [0, 0, 1]} | options
    with pytest.raises(InputError) as error:
        mixed_model(arguments.pop("y"), arguments.pop("X"), arguments.pop("study"), **arguments)
    assert message in str(error.value)


def test_bounds_go_to_the_model_for_times_not_seen_exactly():
    y, study, _ = random_rows()
    lower, upper = y.copy(), y.copy()
    upper[3] = np.inf
    fit = mixed_model(None, ones(24), study, lower=lower, upper=upper)
    assert isinstance(fit, mf.UnseenTimesFit)
    assert fit.rows_right == 1


def test_exact_bounds_give_the_full_likelihood_fit():
    y, study, rng = random_rows(n=40, seed=5)
    y = y + 2 * rng.normal(size=4)[study]
    bounded = mixed_model(None, ones(40), study, lower=y, upper=y)
    full = mixed_model(y, ones(40), study, likelihood="full")
    assert bounded.criterion == pytest.approx(full.criterion, rel=1e-6)


@pytest.mark.parametrize(
    "ask",
    [
        mf.profile_intervals,
        mf.study_modes,
        mf.bootstrap_mixed,
        mf.robust_coefficients,
        lambda fit: mf.joint_test(fit, ["intercept"]),
        lambda fit: mf.estimate_contrasts(fit, [[1.0]]),
        lambda fit: mf.predict_outcomes(fit, [[1.0]]),
    ],
    ids=["profile", "modes", "bootstrap", "robust", "joint", "contrasts", "predict"],
)
def test_a_fit_without_estimate_answers_no_further_question(ask):
    nothing = mixed_model(np.arange(5.0), ones(5), range(5))
    with pytest.raises(NotEstimableError, match="One run per study"):
        ask(nothing)


def test_prediction_says_which_study_it_is_for():
    d = case("r17_run_numbers_restart_per_lab.csv")
    fit = mixed_model(d["freeze_min"], ones(len(d)), d["lab"])
    mean = mf.predict_outcomes(fit, [[1.0]])
    known = mf.predict_outcomes(fit, [[1.0]], varying=[[1.0]], study=["A"])
    new = mf.predict_outcomes(fit, [[1.0]], varying=[[1.0]], new_study=True)
    assert (mean.kind, known.kind, new.kind) == ("mean", "known study", "new study")
    modes = mf.study_modes(fit)
    level = fit.coefficients["estimate"].iloc[0]
    assert known.table["predicted"].iloc[0] == pytest.approx(level + modes.loc["A"].iloc[0])
    assert new.table["se"].iloc[0] > mean.table["se"].iloc[0]
    with pytest.raises(InputError, match=r"study .Z. is not in the fit\. Choose from A, B, C"):
        mf.predict_outcomes(fit, [[1.0]], varying=[[1.0]], study=["Z"])


def test_a_known_study_is_predicted_as_by_henderson():
    """The prediction's variance is that of the joint system for coefficients and modes."""
    rng = np.random.default_rng(8)
    study = np.repeat(np.arange(5), 6)
    x = rng.normal(size=30)
    X = np.column_stack([np.ones(30), x])
    u = rng.normal(size=(5, 2))
    y = u[study, 0] + u[study, 1] * x + 0.5 * rng.normal(size=30)
    fit = mixed_model(y, X, study, varying=X, inference="normal")
    Z = np.zeros((30, 10))
    for i, s in enumerate(study):
        Z[i, 2 * s : 2 * s + 2] = X[i]
    G = np.kron(np.eye(5), fit.random_covariance)
    s2 = fit.residual_sd**2
    C = np.block([[X.T @ X, X.T @ Z], [Z.T @ X, Z.T @ Z + s2 * np.linalg.inv(G)]]) / s2
    solved = np.linalg.solve(C, np.concatenate([X.T @ y, Z.T @ y]) / s2)
    row = np.concatenate([[1.0, 0.7], np.zeros(10)])
    row[2 + 4 : 2 + 6] = [1.0, 0.7]
    found = mf.predict_outcomes(fit, [[1.0, 0.7]], varying=[[1.0, 0.7]], study=[2]).table.iloc[0]
    assert found["predicted"] == pytest.approx(row @ solved, rel=1e-8)
    assert found["se"] == pytest.approx(np.sqrt(row @ np.linalg.solve(C, row)), rel=1e-8)


def test_the_second_engine_shows_its_difference_or_its_reason():
    d, X = no_spread()
    asked = mixed_model(
        d["freeze_min"], X, d["lab"], varying=np.zeros((len(d), 0)), second_engine=True
    )
    assert asked.second_engine_difference < 1e-10
    assert "ordinary least squares" in asked.second_engine
    crashed = mixed_model(d["freeze_min"], X, d["lab"], second_engine=True)
    assert "generalised least squares" in crashed.second_engine
    assert crashed.second_engine_difference < 1e-10
    silent = mixed_model(d["freeze_min"], X, d["lab"])
    assert silent.second_engine == "not asked for"
    assert np.isnan(silent.second_engine_difference)


def test_bootstrap_is_seeded_and_near_the_small_sample_interval():
    rng = np.random.default_rng(11)
    study = np.repeat(np.arange(8), 6)
    y = rng.normal(size=8)[study] + rng.normal(size=48)
    fit = mixed_model(y, ones(48), study)
    a, b = (mf.bootstrap_mixed(fit, draws=299, seed=4) for _ in range(2))
    assert a.table.equals(b.table)
    assert not a.table.equals(mf.bootstrap_mixed(fit, draws=299, seed=5).table)
    row, own = a.table.iloc[0], fit.coefficients.iloc[0]
    width = own["high"] - own["low"]
    assert abs(row["high"] - row["low"] - width) < 0.35 * width
    with pytest.raises(InputError, match=r"draws is 10\. Give at least 99\."):
        mf.bootstrap_mixed(fit, draws=10)


def test_studies_of_one_temperature_do_not_count_for_a_spread_of_slopes():
    rng = np.random.default_rng(0)
    study = np.repeat(np.arange(6), 8)
    x = np.where(study < 2, np.tile([0.0, 1.0], 24), 1.0)
    within = x - np.array([x[study == s].mean() for s in study])
    X = np.column_stack([np.ones(48), within])
    y = rng.normal(size=48) + x + rng.normal(size=6)[study]
    fit = mixed_model(y, X, study, varying=X, simplify=True)
    assert any("2 studies that show slopes" in step for step in fit.steps_taken)
    assert fit.random_parts["term"].tolist() == ["intercept", ""]


def test_crossed_labels_take_seconds_and_few_parameters():
    """Twenty laboratories crossed with fifteen freezers, as batch and specimen of one study."""
    rng = np.random.default_rng(0)
    lab, freezer = rng.integers(0, 20, 200), rng.integers(0, 15, 200)
    x = rng.normal(size=200)
    y = 0.5 * rng.normal(size=20)[lab] + 0.7 * rng.normal(size=15)[freezer] + 0.2 * x
    y = y + 0.3 * rng.normal(size=200)
    X = np.column_stack([np.ones(200), x])
    fit = mixed_model(y, X, np.zeros(200, dtype=int), batch=lab, specimen=freezer)
    assert fit.status == "ok"
    assert fit.degrees_lost == 5
    sds = fit.random_parts.set_index("level")["sd"]
    assert 0.3 < sds["batch"] < 0.8 and 0.4 < sds["specimen"] < 1.1
    swapped = mixed_model(y, X, np.zeros(200, dtype=int), batch=freezer, specimen=lab)
    assert swapped.criterion == pytest.approx(fit.criterion, rel=CLOSE)


def test_forty_cups_in_six_labs_are_a_nested_component():
    rng = np.random.default_rng(1)
    cup = np.repeat(np.arange(40), 5)
    lab = cup % 6
    y = rng.normal(size=6)[lab] + 0.5 * rng.normal(size=40)[cup] + 0.2 * rng.normal(size=200)
    fit = mixed_model(y, ones(200), lab, batch=cup)
    assert fit.status == "ok"
    assert (fit.batches, fit.degrees_lost) == (40, 4)
