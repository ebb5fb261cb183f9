"""Every result of the mixed engine: frame, one line, escaped fragment, read-only, pickle."""

import copy
import html.parser
import pickle
from functools import cache

import numpy as np
import pandas as pd
import pytest

import metafreeze as mf
from metafreeze.results import Result

STUDY = np.repeat(["a", "b", "<c>", "d"], 6)
RNG = np.random.default_rng(1)
START = np.tile([20.0, 80.0, 50.0], 8)
SHIFT = np.repeat([0.0, 0.2, -0.1, 0.4], 6)
Y = 8.0 + SHIFT + 0.02 * (START - 20) / 10 + 0.05 * RNG.normal(size=24)
X = pd.DataFrame({"level <s>": np.ones(24), "start": (START - 20) / 10})
ROWS = pd.DataFrame(
    {
        "record_level": "run",
        "lab_id": STUDY,
        "block_id": np.tile(np.repeat(["1", "2"], 3), 4),
        "start_temp_c": START,
        "time_lower_s": np.exp(Y),
        "time_upper_s": np.exp(Y),
        "endpoint": "t_solid",
    }
)


@cache
def fitted():
    return mf.mixed_model(Y, X, STUDY)


RESULTS = {
    "mixed_model": fitted,
    "mixed_model, refused": lambda: mf.mixed_model(Y[:4], X[:4], range(4)),
    "fit_mixed": lambda: mf.fit_mixed(ROWS, endpoint="t_solid", pair=(20, 80)),
    "fit_mixed, one freezer": lambda: mf.fit_mixed(ROWS[ROWS["lab_id"] == "a"], endpoint="t_solid"),
    "profile_intervals": lambda: mf.profile_intervals(fitted(), likelihood="full"),
    "joint_test": lambda: mf.joint_test(fitted(), ["start"]),
    "predict_outcomes": lambda: mf.predict_outcomes(fitted(), [[1.0, 2.0], [1.0, 6.0]]),
    "bootstrap_mixed": lambda: mf.bootstrap_mixed(fitted(), draws=99),
}
# Thousands of rows are the rule here: the printout is the headline.
LONG = {
    "fit_outcomes": lambda: mf.fit_outcomes(np.column_stack([Y, -Y]), X, STUDY),
    "refit_many": lambda: mf.refit_many(
        mf.plan_refits(fitted(), Y, X, STUDY), RNG.normal(size=(3, 24))
    ),
}


@cache
def made(name):
    return (RESULTS | LONG)[name]()


@pytest.fixture(params=[*RESULTS, *LONG])
def result(request):
    return made(request.param)


class Tags(html.parser.HTMLParser):
    def __init__(self):
        super().__init__()
        self.names = []

    def handle_starttag(self, tag, attrs):
        self.names.append(tag)


def test_it_is_a_result_with_a_frame(result):
    assert isinstance(result, Result)
    frame = result.to_frame()
    assert isinstance(frame, pd.DataFrame) and frame.columns.is_unique


def test_repr_is_one_line(result):
    assert repr(result).startswith(f"<{type(result).__name__}: ")
    assert "\n" not in repr(result)


@pytest.mark.parametrize("name", RESULTS)
def test_str_starts_with_the_headline_and_holds_the_frame(name):
    lines = str(made(name)).splitlines()
    assert lines[0] == made(name).headline()
    assert len(lines) == 2 + len(made(name).to_frame())


@pytest.mark.parametrize("name", LONG)
def test_a_long_result_prints_its_headline(name):
    assert str(made(name)) == made(name).headline()


def test_html_is_an_escaped_table(result):
    fragment = result._repr_html_()
    tags = Tags()
    tags.feed(fragment)
    assert tags.names[0] == "table"
    assert set(tags.names) <= {"table", "caption", "thead", "tbody", "tr", "th", "td"}


def test_nothing_can_be_changed(result):
    with pytest.raises(AttributeError):
        setattr(result, result.field_names()[0], 0.0)
    for name in result.field_names():
        value = getattr(result, name)
        if isinstance(value, np.ndarray) and value.size:
            with pytest.raises(ValueError, match="read-only"):
                value[...] = 0


@pytest.mark.parametrize("again", [copy.deepcopy, lambda r: pickle.loads(pickle.dumps(r))])
def test_a_copy_is_equal_and_read_only(result, again):
    other = again(result)
    pd.testing.assert_frame_equal(other.to_frame(), result.to_frame())
    for name in result.field_names():
        value = getattr(other, name)
        if isinstance(value, np.ndarray) and value.size:
            assert not value.flags.writeable


def test_the_frame_has_its_columns_even_without_an_estimate():
    full, empty = made("mixed_model").to_frame(), made("mixed_model, refused").to_frame()
    assert list(full.columns) == list(empty.columns)
    pd.testing.assert_series_equal(full.dtypes, empty.dtypes)


def test_no_estimate_stands_without_a_status_and_a_reason():
    refused = made("mixed_model, refused")
    assert refused.to_frame()["estimate"].isna().all()
    assert refused.status == "unidentifiable" and refused.note


def test_a_copied_fit_answers_further_questions():
    other = pickle.loads(pickle.dumps(made("mixed_model")))
    pd.testing.assert_frame_equal(mf.study_modes(other), mf.study_modes(made("mixed_model")))


def test_the_same_input_gives_the_same_bytes():
    a, b = (pickle.dumps(mf.mixed_model(Y, X, STUDY).to_frame()) for _ in range(2))
    assert a == b
