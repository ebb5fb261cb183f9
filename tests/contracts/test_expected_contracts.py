"""The results of the physics: frames, printouts, read-only arrays, pickle."""

import copy
import html.parser
import pickle

import numpy as np
import pandas as pd
import pytest
from expected_samples import labs

from metafreeze import excess_slope, expected_effect, expected_times, hot_first_null
from metafreeze.results import Result

NOTHING = pd.DataFrame({"lab_id": ["<a>"], "endpoint": ["t_solid"]})

COUNTS = pd.DataFrame(
    {
        "lab_id": ["<a>", "b"],
        "record_level": "pair_count",
        "endpoint": "t_first_ice",
        "start_temp_hot_c": [80.0, np.nan],
        "start_temp_cold_c": 60.0,
        "n_pairs": 12,
        "k_hot_first": 5,
    }
)

RESULTS = {
    "hot_first_null": lambda: hot_first_null(COUNTS),
    "hot_first_null of nothing": lambda: hot_first_null(COUNTS.iloc[1:]),
    "expected_times": lambda: expected_times(labs(("a", "<b>"))),
    "expected_times of nothing": lambda: expected_times(NOTHING),
    "expected_effect": lambda: expected_effect(
        labs(("a", "<b>")), hot_c=80.0, cold_c=20.0, endpoint="t_solid"
    ),
    "expected_effect of nothing": lambda: expected_effect(
        NOTHING.assign(system="mix"), hot_c=80.0, cold_c=20.0, endpoint="t_solid"
    ),
    "excess_slope": lambda: excess_slope(labs(("a", "<b>")), endpoint="t_solid"),
    "excess_slope with a pair": lambda: excess_slope(
        labs(("a",)), endpoint="t_solid", pair=(20.0, 80.0)
    ),
    "excess_slope of nothing": lambda: excess_slope(
        labs(("a",)).query("start_temp_c == 20"), endpoint="t_solid"
    ),
}


@pytest.fixture(scope="module")
def made():
    return {}


@pytest.fixture(params=list(RESULTS))
def result(request, made):
    if request.param not in made:
        made[request.param] = RESULTS[request.param]()
    return made[request.param]


def test_is_a_result_with_one_line(result):
    assert isinstance(result, Result)
    text = repr(result)
    assert text.startswith(f"<{type(result).__name__}: ")
    assert "\n" not in text
    assert "nan" not in text


def test_str_is_the_headline_and_a_table(result):
    lines = str(result).split("\n")
    assert lines[0] == result.headline()
    assert len(lines) == len(result.to_frame()) + 2


def test_frames_of_one_class_have_one_form(made):
    for make in RESULTS:
        made.setdefault(make, RESULTS[make]())
    by_class = {}
    for one in made.values():
        by_class.setdefault(type(one), []).append(one.to_frame())
    for frames in by_class.values():
        assert len({tuple(f.columns) for f in frames}) == 1
        numeric = [tuple(pd.api.types.is_numeric_dtype(d) for d in f.dtypes) for f in frames]
        assert len(set(numeric)) == 1


def test_html_is_well_formed_and_escaped(result):
    fragment = result._repr_html_()
    assert "<b>" not in fragment
    assert "<a>" not in fragment
    assert "<script" not in fragment
    open_tags = []

    class Reader(html.parser.HTMLParser):
        def handle_starttag(self, tag, attrs):
            open_tags.append(tag)

        def handle_endtag(self, tag):
            assert open_tags.pop() == tag

    Reader().feed(fragment)
    assert not open_tags


def test_arrays_are_read_only_also_after_pickle(result):
    for one in (result, pickle.loads(pickle.dumps(result)), copy.deepcopy(result)):
        for name in one.field_names():
            value = getattr(one, name)
            if isinstance(value, np.ndarray):
                assert not value.flags.writeable, name


def test_pickle_keeps_the_frame(result):
    other = pickle.loads(pickle.dumps(result))
    pd.testing.assert_frame_equal(other.to_frame(), result.to_frame())


def test_status_is_one_of_four_and_has_a_reason(result):
    assert result.status in ("ok", "boundary", "unidentifiable", "failed")
    if result.status in ("unidentifiable", "failed"):
        assert result.note


def test_a_missing_value_has_its_reason(result):
    frame = result.to_frame()
    if "reason" in frame:
        value = frame[next(c for c in ("expected", "chance", "log_ratio") if c in frame)]
        assert (value.isna() == (frame["reason"] != "")).all()
        assert ((frame["status"] == "ok") == (frame["reason"] == "")).all()
