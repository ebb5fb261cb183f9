"""Every field of a fit: what was given, what was found, what could not be had and why."""

from types import SimpleNamespace

import numpy as np
import pytest
from oracles.mixed_by_hand import rows_of_kind

from metafreeze import InputError, mixed_model
from metafreeze.models import mixed_fit
from metafreeze.models.mixed_fit import Request, _join, _judge, _sentence

FULL = {
    "q": 1,
    "studies": 5,
    "n": 60,
    "batch": True,
    "specimen": "nested",
    "counts": True,
    "known": True,
}


def fit_of(seed=120, *, given=None, **how):
    data = rows_of_kind(seed, **(FULL if given is None else given))
    options = {k: v for k, v in data.items() if k not in ("y", "X", "study")}
    return data, mixed_model(data["y"], data["X"], data["study"], **options, **how)


def labels_of(data, name):
    """Labels that are there, each within its study."""
    return {
        (s, b)
        for s, b in zip(data["study"], data[name], strict=True)
        if isinstance(b, str) and b.strip()
    }


@pytest.mark.parametrize("refused", [False, True])
def test_what_was_given_is_counted(refused):
    data = rows_of_kind(120, **FULL)
    options = {k: v for k, v in data.items() if k not in ("y", "X", "study")}
    X = np.column_stack([data["X"], data["X"][:, 1]]) if refused else data["X"]
    fit = mixed_model(
        data["y"],
        X,
        data["study"],
        likelihood="full",
        inference="satterthwaite",
        level=0.8,
        **options,
    )
    assert (fit.status == "unidentifiable") is refused
    n = len(data["y"])
    assert fit.rows == n
    free = np.isnan(data["known_variance"])
    assert fit.runs == np.where(free, data["count"], 1).sum()
    assert fit.studies == 5
    assert fit.study_names == tuple(f"lab {s}" for s in range(5))
    assert fit.batches == len(labels_of(data, "batch"))
    assert fit.specimens == len(labels_of(data, "specimen"))
    assert (fit.likelihood, fit.residual, fit.inference, fit.level) == (
        "full",
        "common",
        "satterthwaite",
        0.8,
    )
    assert fit.steps_taken == ()


def test_rows_alone_are_runs_without_groups():
    _, fit = fit_of(121, given={"q": 1})
    assert fit.runs == float(fit.rows) == 36.0
    assert fit.batches == fit.specimens == 0
    assert fit.optimiser_steps >= 1
    assert fit.state.rows is not None and fit.state.restricted is True
    assert fit.state.names == ("intercept", "x1", "x2")
    assert fit.state.varying_names == ("intercept",)
    assert fit.second_engine == "not asked for" and np.isnan(fit.second_engine_difference)


def test_a_fit_that_cannot_be_had_is_empty_with_a_reason():
    y, study = np.arange(6.0) ** 2, np.arange(6)
    X = np.column_stack([np.ones(6), [0.0, 1, 0, 1, 0, 1]])
    fit = mixed_model(y, X, study, names=["one", "x"], varying=X)
    assert fit.status == "unidentifiable" and fit.note.startswith("One run per study")
    assert fit.note.endswith(".")
    for table in (fit.coefficients, fit.robust):
        assert table.index.tolist() == ["one", "x"]
        assert table.columns.tolist() == ["estimate", "se", "df", "low", "high", "p"]
        assert table.isna().all(axis=None)
    assert fit.covariance.shape == (2, 2) and fit.covariance.isna().all(axis=None)
    assert fit.covariance.index.tolist() == fit.covariance.columns.tolist() == ["one", "x"]
    assert fit.random_covariance.shape == (2, 2) and np.isnan(fit.random_covariance).all()
    assert fit.random_parts.empty and fit.random_parts.columns.tolist() == [
        *("level", "term", "with_term", "sd", "correlation")
    ]
    assert fit.new_study.empty and fit.new_study.columns.tolist() == [
        *("estimate", "sd_between", "df", "low", "high")
    ]
    assert np.isnan([fit.residual_sd, fit.criterion, fit.second_engine_difference]).all()
    assert fit.residual_sds.shape == (6,) and np.isnan(fit.residual_sds).all()
    assert (fit.degrees_lost, fit.optimiser_steps, fit.state) == (0, 0, None)
    assert fit.second_engine == "not asked for"


def test_the_usual_request():
    asked = Request()
    assert (asked.residual, asked.likelihood, asked.inference) == (
        "common",
        "restricted",
        "kenward-roger",
    )
    assert (asked.correlated, asked.simplify, asked.level) == (True, False, 0.95)
    data = rows_of_kind(122, q=1)
    plain = mixed_model(data["y"], data["X"], data["study"])
    spoken = mixed_model(
        data["y"],
        data["X"],
        data["study"],
        residual="common",
        likelihood="restricted",
        inference="kenward-roger",
        correlated=True,
        simplify=False,
        level=0.95,
    )
    assert plain.coefficients.equals(spoken.coefficients)
    assert plain.criterion == spoken.criterion


@pytest.mark.parametrize(("studies", "refused"), [(5, False), (6, True)])
def test_residuals_of_their_own_are_so_many(studies, refused, monkeypatch):
    monkeypatch.setattr(mixed_fit, "MOST_OWN_RESIDUALS", 5)
    data = rows_of_kind(123, q=1, studies=studies, n=60)
    given = (data["y"], data["X"], data["study"])
    if refused:
        with pytest.raises(InputError) as refusal:
            mixed_model(*given, residual="per-study")
        assert str(refusal.value) == (
            'residual is "per-study" with 6 studies; at most 5 residual variances can be searched '
            'together. Choose "common".'
        )
        assert mixed_model(*given).studies == 6
    else:
        assert mixed_model(*given, residual="per-study").studies == 5


@pytest.mark.parametrize("grouped", [False, True])
@pytest.mark.parametrize("extra", [0, 1])
def test_a_residual_of_its_own_needs_five_degrees(extra, grouped):
    """A study's runs less its varying coefficients and its batches."""
    rng = np.random.default_rng(124)
    sizes = [20, 20, 20, (8 if grouped else 5) + extra]
    study = np.repeat(np.arange(4), sizes)
    n = len(study)
    batch = np.concatenate([np.arange(k) % 3 for k in sizes]) if grouped else None
    y = rng.normal(size=n) + 2 * study
    if grouped:
        y = y + 3 * rng.normal(size=(4, 3))[study, batch]
    fit = mixed_model(y, np.ones((n, 1)), study, residual="per-study", batch=batch)
    # 5 - 1 = 4 degrees without batches, 8 - 1 - 3 = 4 with three of them; one more is enough.
    assert fit.inference == ("kenward-roger" if extra else "cluster-robust")
    assert fit.note.count(
        "1 studies have fewer than 5 degrees of freedom for a residual variance of their own: "
        "intervals are robust by study."
    ) == (0 if extra else 1)
    if not extra:
        assert fit.coefficients.equals(fit.robust)
        normal = mixed_model(
            y, np.ones((n, 1)), study, residual="per-study", batch=batch, inference="normal"
        )
        assert normal.inference == "normal"


def test_known_variances_alone_leave_no_residual():
    data = rows_of_kind(125, q=1, studies=5)
    n = len(data["y"])
    fit = mixed_model(
        data["y"], data["X"], data["study"], varying=data["varying"], known_variance=np.ones(n)
    )
    assert np.isnan(fit.residual_sd)
    assert fit.residual_sds.shape == (5,) and np.isnan(fit.residual_sds).all()
    assert fit.degrees_lost == 4
    assert fit.random_parts["level"].tolist() == ["study"]


def test_reading_errors_that_explain_all_scatter_leave_a_residual_of_nought():
    rng = np.random.default_rng(126)
    study = np.repeat(np.arange(4), 6)
    y = 3.0 * rng.normal(size=4)[study] + 0.1 * rng.normal(size=24)
    fit = mixed_model(y, np.ones((24, 1)), study, added_variance=np.full(24, 1.0))
    assert fit.status == "boundary" and fit.residual_sd == 0.0
    assert fit.note.startswith("At the boundary: residual. The best estimate of this spread")
    assert fit.random_parts.set_index("level")["sd"]["residual"] == 0.0
    mixed = mixed_model(
        y, np.ones((24, 1)), study, added_variance=np.where(np.arange(24) % 6 < 3, 1e-4, 0.0)
    )
    assert mixed.status == "ok" and mixed.residual_sd == pytest.approx(0.1, rel=0.5)


def best_of(settled=True, decrement=2e-3, curvature=0.25):
    return SimpleNamespace(
        settled=np.array([settled]),
        decrement=np.array([decrement]),
        curvature=np.array([curvature]),
    )


def test_the_judgement_of_a_search():
    assert _judge(best_of(), []) == ("ok", "")
    assert _judge(best_of(settled=False), ["batch"]) == (
        "failed",
        "The search ended without its certificate: expected further fall 0.001, smallest relative "
        "curvature 0.25.",
    )
    status, note = _judge(best_of(), ["batch", "residual"])
    assert status == "boundary"
    assert note.startswith("At the boundary: batch, residual. The best estimate")


def test_notes_are_sentences():
    assert _sentence("one study") == "One study."
    assert _sentence("One study.") == "One study."
    assert _sentence("x") == "X."
    assert _join("", "more") == "more" and _join("One.", "Two.") == "One. Two."
    assert _join("One.", "") == "One."


def test_a_criterion_that_is_nowhere_finite_is_a_failure(monkeypatch):
    from dataclasses import replace

    from metafreeze.models.optimise import minimise

    def nowhere(task):
        found = minimise(task)
        value = np.full_like(found.criterion.value, np.inf)
        return replace(found, criterion=replace(found.criterion, value=value))

    monkeypatch.setattr(mixed_fit, "minimise", nowhere)
    _, fit = fit_of(121, given={"q": 1})
    assert (fit.status, fit.note) == (
        "failed",
        "The criterion is not finite anywhere it was tried.",
    )
    assert fit.state is None


def test_the_ladder_keeps_what_the_design_carries():
    data = rows_of_kind(127, q=2, studies=8, n=70)
    given = (data["y"], data["X"], data["study"])
    asked = mixed_model(*given, varying=data["varying"], simplify=True)
    plain = mixed_model(*given, varying=data["varying"])
    assert asked.steps_taken == () and asked.criterion == plain.criterion
    apart = mixed_model(*given, varying=data["varying"], correlated=False)
    assert apart.degrees_lost == plain.degrees_lost - 1
    assert apart.random_covariance[0, 1] == 0.0
    one = mixed_model(*given, varying=data["varying"][:, :1])
    assert one.degrees_lost == plain.degrees_lost - 2
