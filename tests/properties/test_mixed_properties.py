"""What a change of units, labels, order or origin may do to a mixed fit: nothing else."""

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from metafreeze import mixed_model

# The optimum is polished below what the criterion can tell: spreads agree to about this.
EXACT = 1e-6
# A criterion is a sum of some hundred logarithms and squares.
CRITERION = 1e-8
# A shift of y by a million of its scatter costs that many digits.
SHIFTED = 1e-5
# Examples a property in the default run, and before a release.
FEW, MANY = 4, 100


@st.composite
def data_sets(draw):
    """Rows of a few studies, with batches or without, balanced or not."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    studies = draw(st.integers(3, 7))
    sizes = rng.integers(5, 11, studies)
    study = np.repeat(np.arange(studies), sizes)
    n = len(study)
    place = np.concatenate([np.arange(k) for k in sizes])
    x = (place % 3) + rng.normal(0, 0.2, n)
    tau = draw(st.sampled_from([0.0, 0.3, 3.0]))
    u = tau * rng.normal(size=(studies, 2))
    y = 2 + 0.5 * x + u[study, 0] + 0.5 * u[study, 1] * x + rng.normal(size=n)
    batch = place // 3 if draw(st.booleans()) else None
    known = np.where(rng.random(n) < 0.2, rng.uniform(0.5, 2.0, n), np.nan)
    return {
        "y": y,
        "x": x,
        "study": study,
        "batch": batch,
        "known": known if draw(st.booleans()) else None,
    }


def fit(data, *, y=None, x=None, study=None, batch=None, known=None, order=None):
    """Fit with some parts replaced."""
    y = data["y"] if y is None else y
    x = data["x"] if x is None else x
    study = data["study"] if study is None else study
    batch = data["batch"] if batch is None else batch
    known = data["known"] if known is None else known
    order = np.arange(len(y)) if order is None else order
    X = np.column_stack([np.ones(len(y)), x])[order]
    return mixed_model(
        np.asarray(y)[order],
        X,
        np.asarray(study)[order],
        varying=X,
        batch=None if batch is None else np.asarray(batch)[order],
        known_variance=None if known is None else np.asarray(known)[order],
    )


def same(a, b, *, scale=1.0, tolerance=EXACT):
    """Coefficients, standard errors, df and spreads agree after rescaling by `scale`."""
    assert a.status == b.status
    size = a.coefficients["se"].to_numpy()
    for column in ("estimate", "se"):
        gap = b.coefficients[column].to_numpy() / scale - a.coefficients[column].to_numpy()
        assert (np.abs(gap) <= tolerance * size).all(), column
    # At a boundary the degrees of freedom depend on nothing that is searched.
    assert np.allclose(a.coefficients["df"], b.coefficients["df"], rtol=1e-3)


def check_the_order_of_rows_changes_nothing(data, random):
    order = list(range(len(data["y"])))
    random.shuffle(order)
    a, b = fit(data), fit(data, order=np.array(order))
    same(a, b)
    assert abs(a.criterion - b.criterion) < CRITERION * (1 + abs(a.criterion))


def check_the_names_of_studies_change_nothing(data):
    words = np.array(["zeta", "alpha", "NA", "10", "9", "None", "α"])[data["study"]]
    a, b = fit(data), fit(data, study=words)
    same(a, b)
    assert abs(a.criterion - b.criterion) < CRITERION * (1 + abs(a.criterion))


def check_a_unit_of_y_is_a_factor(data, unit):
    known = None if data["known"] is None else data["known"] * unit**2
    a, b = fit(data), fit(data, y=data["y"] * unit, known=known)
    same(a, b, scale=unit)
    runs = a.runs - len(a.coefficients)
    moved = a.criterion + 2 * runs * np.log(unit)
    assert abs(b.criterion - moved) < CRITERION * (1 + abs(moved) + runs * abs(np.log(unit)))


def check_a_unit_and_an_origin_of_x_change_the_slope_by_the_unit(data, unit, origin):
    a, b = fit(data), fit(data, x=data["x"] * unit + origin)
    slope_a, slope_b = a.coefficients.iloc[1], b.coefficients.iloc[1]
    assert a.status == b.status
    assert abs(slope_b["estimate"] * unit - slope_a["estimate"]) <= EXACT * slope_a["se"]
    assert abs(slope_b["se"] * unit / slope_a["se"] - 1) <= EXACT
    assert abs(slope_b["df"] / slope_a["df"] - 1) <= 1e-3


def check_a_constant_added_to_y_moves_the_intercept_only(data, shift):
    a, b = fit(data), fit(data, y=data["y"] + shift)
    tolerance = EXACT if abs(shift) < 1e3 else SHIFTED
    assert a.status == b.status
    gap = (b.coefficients["estimate"] - a.coefficients["estimate"]).to_numpy()
    size = a.coefficients["se"].to_numpy()
    assert abs(gap[0] - shift) <= tolerance * size[0] + 1e-9 * abs(shift)
    assert abs(gap[1]) <= tolerance * size[1]
    assert np.allclose(a.coefficients["se"], b.coefficients["se"], rtol=tolerance)


def check_the_same_design_twice_says_the_same_with_more_studies(data):
    """A copy of every study under another name: spreads and estimates stay (full likelihood)."""
    studies = data["study"].max() + 1
    y, x = np.tile(data["y"], 2), np.tile(data["x"], 2)
    study = np.concatenate([data["study"], data["study"] + studies])
    X1 = np.column_stack([np.ones(len(data["y"])), data["x"]])
    X2 = np.column_stack([np.ones(len(y)), x])
    batch = data["batch"]
    known = data["known"]
    one = mixed_model(
        data["y"],
        X1,
        data["study"],
        varying=X1,
        batch=batch,
        known_variance=known,
        likelihood="full",
        inference="normal",
    )
    two = mixed_model(
        y,
        X2,
        study,
        varying=X2,
        batch=None if batch is None else np.tile(batch, 2),
        known_variance=None if known is None else np.tile(known, 2),
        likelihood="full",
        inference="normal",
    )
    assert abs(two.criterion - 2 * one.criterion) < CRITERION * (1 + abs(two.criterion))
    size = one.coefficients["se"].to_numpy()
    gap = (two.coefficients["estimate"] - one.coefficients["estimate"]).to_numpy()
    assert (np.abs(gap) <= EXACT * size).all()
    assert np.allclose(two.coefficients["se"] * np.sqrt(2), one.coefficients["se"], rtol=1e-5)


def check_an_offset_is_subtracted(data):
    X = np.column_stack([np.ones(len(data["y"])), data["x"]])
    shift = 0.7 * data["x"] - 2
    a = mixed_model(data["y"] - shift, X, data["study"])
    b = mixed_model(data["y"], X, data["study"], offset=shift)
    same(a, b, tolerance=1e-9)


@st.composite
def cells(draw):
    """Runs in cells of one start temperature, balanced or not, no batch splitting a cell."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    rows = []
    balanced = draw(st.booleans())
    for s in range(draw(st.integers(3, 6))):
        level, slope = rng.normal(size=2) * draw(st.sampled_from([0.0, 1.0]))
        for x in (0.0, 1.0, 2.0):
            size = 3 if balanced else int(rng.integers(1, 6))
            for _ in range(size):
                rows.append((s, x, level + (1 + slope) * x + rng.normal()))
    return np.array(rows)


def check_runs_and_the_summaries_made_from_them_give_one_fit(rows):
    study, x, y = rows[:, 0].astype(int), rows[:, 1], rows[:, 2]
    keys = sorted({(int(s), v) for s, v in zip(study, x, strict=True)})
    groups = [y[(study == s) & (x == v)] for s, v in keys]
    count = np.array([len(g) for g in groups], dtype=float)
    assume(count.sum() > 2 * len(set(study)) + 2)
    mean = np.array([g.mean() for g in groups])
    spread = np.array([g.std(ddof=1) if len(g) > 1 else np.nan for g in groups])
    s, v = np.array([k[0] for k in keys]), np.array([k[1] for k in keys])
    X, C = np.column_stack([np.ones(len(x)), x]), np.column_stack([np.ones(len(v)), v])
    runs = mixed_model(y, X, study, varying=X)
    means = mixed_model(mean, C, s, varying=C, count=count, spread=spread)
    assert runs.status == means.status
    assert runs.runs == means.runs
    if runs.status in ("ok", "boundary"):
        assert abs(runs.criterion - means.criterion) < 1e-10 * (1 + abs(runs.criterion))
        size = runs.coefficients["se"].to_numpy()
        gap = (runs.coefficients["estimate"] - means.coefficients["estimate"]).to_numpy()
        assert (np.abs(gap) < 1e-8 * size).all()


PROPERTIES = {
    "the order of rows changes nothing": (
        check_the_order_of_rows_changes_nothing,
        (
            data_sets(),
            st.randoms(use_true_random=False),
        ),
    ),
    "the names of studies change nothing": (
        check_the_names_of_studies_change_nothing,
        (data_sets(),),
    ),
    "a unit of y is a factor": (
        check_a_unit_of_y_is_a_factor,
        (
            data_sets(),
            st.sampled_from([1e-6, 1e-3, 60.0, 1e6]),
        ),
    ),
    "a unit and an origin of x change the slope by the unit": (
        check_a_unit_and_an_origin_of_x_change_the_slope_by_the_unit,
        (
            data_sets(),
            st.sampled_from([1e-6, 0.1, 1.8, 1e6]),
            st.sampled_from([0.0, 32.0, -5.0]),
        ),
    ),
    "a constant added to y moves the intercept only": (
        check_a_constant_added_to_y_moves_the_intercept_only,
        (
            data_sets(),
            st.sampled_from([1.0, -273.15, 1e6]),
        ),
    ),
    "the same design twice says the same with more studies": (
        check_the_same_design_twice_says_the_same_with_more_studies,
        (data_sets(),),
    ),
    "an offset is subtracted": (check_an_offset_is_subtracted, (data_sets(),)),
    "runs and the summaries made from them give one fit": (
        check_runs_and_the_summaries_made_from_them_give_one_fit,
        (cells(),),
    ),
}


def check_property(name, examples):
    check, strategies = PROPERTIES[name]
    settings(
        max_examples=examples,
        deadline=None,
        suppress_health_check=[HealthCheck.too_slow],
    )(given(*strategies)(check))()


@pytest.mark.parametrize("name", PROPERTIES)
def test_invariance(name):
    check_property(name, FEW)


@pytest.mark.slow
@pytest.mark.parametrize("name", PROPERTIES)
def test_invariance_of_many_data_sets(name):
    check_property(name, MANY)


@pytest.mark.parametrize("k", [2, 5])
def test_a_study_that_repeats_itself_exactly_is_refused(k):
    y = np.repeat(np.arange(4.0), k)
    found = mixed_model(y, np.ones((4 * k, 1)), np.repeat(np.arange(4), k))
    assert found.status == "unidentifiable"
    assert "agree exactly" in found.note
