"""Many outcomes at once are fits one by one, field by field."""

import numpy as np
import pytest
from oracles.mixed_by_hand import rows_of_kind

from metafreeze import InputError, fit_outcomes, mixed_model, robust_coefficients
from metafreeze.models import many_fits
from metafreeze.results import round_for_people

CASES = {
    "levels": {"q": 1, "studies": 5},
    "slopes": {"q": 2, "studies": 7, "n": 50},
    "slopes without correlation": {"q": 2, "studies": 7, "n": 50, "correlated": False},
    "batches": {"q": 1, "studies": 5, "batch": True},
    "specimens in batches": {"q": 1, "studies": 5, "batch": True, "specimen": "nested", "n": 60},
    "specimens across batches": {
        "q": 1,
        "studies": 5,
        "batch": True,
        "specimen": "crossed",
        "n": 60,
    },
    "nothing varies": {"q": 0, "studies": 4},
    "known variances": {"q": 1, "studies": 5, "known": True},
    "reading errors": {"q": 1, "studies": 5, "added": True},
    "per study": {"q": 1, "studies": 3, "n": 45, "residual": "per-study"},
}
NAMES = ["one", "x", "other"]
# Two searches end within this of each other.
SAME = 2e-4


def pieces(name, sets=3):
    case = dict(CASES[name])
    how = {k: case.pop(k) for k in ("correlated", "residual") if k in case}
    data = rows_of_kind(80, **case)
    rng = np.random.default_rng(81)
    outcomes = np.column_stack(
        [data["y"], *(data["y"] * 0.3 + rng.normal(size=len(data["y"])) for _ in range(sets - 1))]
    )
    options = {k: v for k, v in data.items() if k not in ("y", "X", "study")}
    return data, outcomes, options, how


@pytest.mark.parametrize("likelihood", ["restricted", "full"])
@pytest.mark.parametrize("name", CASES)
def test_each_outcome_is_its_own_fit(name, likelihood):
    data, outcomes, options, how = pieces(name)
    X, study = data["X"], data["study"]
    many = fit_outcomes(outcomes, X, study, names=NAMES, likelihood=likelihood, **options, **how)
    assert many.names == tuple(NAMES) and many.note == ""
    low, high = many.limits()
    for m in range(3):
        fits = {
            kind: mixed_model(
                outcomes[:, m],
                X,
                study,
                names=NAMES,
                likelihood=likelihood,
                inference=kind,
                **options,
                **how,
            )
            for kind in ("kenward-roger", "satterthwaite", "normal")
        }
        one = fits["kenward-roger"]
        assert many.settled[m] == (one.status != "failed")
        assert many.boundary[m] == (one.status == "boundary")
        assert many.criterion[m] == pytest.approx(one.criterion, abs=1e-6)
        table = one.coefficients
        assert np.allclose(many.estimate[m], table["estimate"], rtol=SAME, atol=1e-5)
        if not one.note.startswith("At the boundary") and one.inference == "kenward-roger":
            assert np.allclose(many.se[m], table["se"], rtol=SAME)
            assert np.allclose(many.df[m], table["df"], rtol=20 * SAME)
            assert np.allclose(low[m], table["low"], rtol=0, atol=0.01 * table["se"])
            assert np.allclose(high[m], table["high"], rtol=0, atol=0.01 * table["se"])
            other = fits["satterthwaite"].coefficients
            assert np.allclose(many.satterthwaite_df[m], other["df"], rtol=20 * SAME)
        assert np.allclose(many.plain_se[m], fits["normal"].coefficients["se"], rtol=SAME)
        robust = robust_coefficients(one)
        assert np.allclose(many.robust_se[m], robust["se"], rtol=2 * SAME)
        assert np.allclose(many.robust_df[m], robust["df"], rtol=20 * SAME)
        parts = one.random_parts[one.random_parts["sd"].notna()]
        labels = [
            f"study {term}" if level == "study" else level
            for level, term in zip(parts["level"], parts["term"], strict=True)
        ]
        assert many.parts == tuple(labels)
        assert np.allclose(many.spread[m], parts["sd"], rtol=5e-3, atol=5e-4)
    narrow = many.limits(level=0.5)
    assert ((narrow[0] > low) & (narrow[1] < high)).all()


@pytest.mark.parametrize("name", ["levels", "known variances", "batches"])
def test_blocks_change_nothing(name, monkeypatch):
    data, outcomes, options, how = pieces(name, sets=5)
    whole = fit_outcomes(outcomes, data["X"], data["study"], **options, **how)
    monkeypatch.setattr(many_fits, "BLOCK_NUMBERS", 1)
    split = fit_outcomes(outcomes, data["X"], data["study"], **options, **how)
    assert split.names == whole.names and split.parts == whole.parts and split.note == ""
    for field in ("estimate", "se", "plain_se", "robust_se", "criterion", "spread"):
        assert np.allclose(getattr(split, field), getattr(whole, field), rtol=1e-3, atol=1e-4)
    assert split.boundary.tolist() == whole.boundary.tolist()


def test_a_block_holds_at_least_one_and_no_more_than_its_numbers():
    from oracles.mixed_engine_pair import engine_of

    _, products, shape, _, _ = engine_of("batches", "common")
    size = many_fits._block_size(products, shape)
    r = products.varying + products.fixed + 1
    study = products.studies * (2 * r) ** 2
    study += products.studies * products.varying * shape.size * (products.fixed + 1)
    group = products.entities.size.size * r * r * 2
    assert size == many_fits.BLOCK_NUMBERS // max(study, group)


def test_the_table_and_the_line():
    data, outcomes, options, _ = pieces("levels", sets=4)
    many = fit_outcomes(outcomes, data["X"], data["study"], names=NAMES, **options)
    frame = many.to_frame()
    assert frame.columns.tolist() == ["fit", "term", "estimate", "se", "df"]
    assert frame["fit"].tolist() == [m for m in range(4) for _ in range(3)]
    assert frame["term"].tolist() == NAMES * 4
    for field in ("estimate", "se", "df"):
        assert frame[field].tolist() == getattr(many, field).ravel().tolist()
    share = round_for_people(float(many.boundary.mean()))
    assert many.headline() == f"4 fits, 4 settled, share at the boundary {share}"
    assert str(many) == many.headline()
    html = many._repr_html_()
    assert html.count("<tr") == 10 + 1  # ten rows and the heading


def test_one_study_has_no_robust_error():
    data = rows_of_kind(82, studies=1, n=20)
    many = fit_outcomes(data["y"][:, None], data["X"], data["study"])
    assert np.isnan(many.robust_se).all() and np.isnan(many.robust_df).all()
    assert np.isfinite(many.se).all()


def test_a_design_that_cannot_tell_gives_nothing_with_its_reason():
    many = fit_outcomes(np.arange(10.0).reshape(5, 2) ** 2, np.ones((5, 1)), np.arange(5))
    assert "one run per study" in many.note
    for field in ("estimate", "se", "df", "plain_se", "satterthwaite_df", "robust_se", "robust_df"):
        values = getattr(many, field)
        assert values.shape == (2, 1) and np.isnan(values).all(), field
    assert many.spread.shape == (2, 0) and many.parts == ()
    assert np.isnan(many.criterion).all() and many.criterion.shape == (2,)
    assert many.settled.tolist() == many.boundary.tolist() == [False, False]
    assert many.headline() == "2 fits, 0 settled, share at the boundary 0"


@pytest.mark.parametrize(("shape", "words"), [((6,), "(6,)"), ((6, 1, 1), "(6, 1, 1)")])
def test_outcomes_are_a_table(shape, words):
    with pytest.raises(InputError) as refusal:
        fit_outcomes(np.zeros(shape), np.ones((6, 1)), np.arange(6) // 2)
    assert str(refusal.value) == (
        f"outcomes has shape {words}; it needs rows and one column a fit."
    )


@pytest.mark.parametrize("option", ["residual", "likelihood"])
def test_an_unknown_option_is_refused(option):
    with pytest.raises(InputError, match=option):
        fit_outcomes(np.zeros((6, 2)), np.ones((6, 1)), np.arange(6) // 2, **{option: "none"})
