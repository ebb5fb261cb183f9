"""Every result of pooling: frame, one line, escaped fragment, read-only, pickle."""

import copy
import html.parser
import pickle
from functools import cache

import numpy as np
import pandas as pd
import pytest

from metafreeze.analysis.study_effects import study_effects
from metafreeze.analysis.trial_precision import trial_precision
from metafreeze.models.counts import pool_counts
from metafreeze.models.few_studies import pool_few
from metafreeze.models.heterogeneity import describe_disagreement
from metafreeze.models.influence import cumulate, leave_one_out
from metafreeze.models.many_pools import pool_many
from metafreeze.models.moderators import permute_moderators
from metafreeze.models.pooled import pool
from metafreeze.models.profile import profile_pool
from metafreeze.models.repeatability import measure_effect_repeatability, measure_repeatability
from metafreeze.models.replication import assess_equivalence, compare_replication
from metafreeze.models.small_studies import (
    check_small_studies,
    regress_asymmetry,
    trim_and_fill,
)
from metafreeze.models.three_level import pool_nested
from metafreeze.results import Result

RUNS = pd.DataFrame(
    {
        "lab_id": ["a"] * 4 + ["b"] * 4 + ["<c>"],
        "start_temp_c": [20.0, 20.0, 80.0, 80.0] * 2 + [20.0],
        "time_lower_s": [3000.0, 3050.0, 3300.0, 3250.0, 2900.0, 2800.0, 3000.0, 3100.0, 1.0],
        "time_upper_s": [3000.0, 3050.0, 3300.0, 3250.0, 2900.0, 2800.0, 3000.0, 3100.0, 1.0],
        "endpoint": "t_solid",
    }
)

Y = np.array([0.10, 0.30, 0.35, 0.65, 0.45, 0.15])
V = np.array([0.03, 0.03, 0.05, 0.01, 0.05, 0.02])
X = np.array([0.0, 1.0, 0.0, 1.0, 1.0, 0.0])

RESULTS = {
    "pool": lambda: pool(Y, V),
    "pool with moderators": lambda: pool(Y, V, moderators={"lid <open>": X}),
    "pool of one": lambda: pool(Y[:1], V[:1]),
    "pool of two": lambda: pool(Y[:2], V[:2]),
    "pool, constant moderator": lambda: pool(Y, V, moderators={"lid": np.ones(6)}),
    "study_effects": lambda: study_effects(RUNS, endpoint="t_solid"),
    "study_effects of nothing": lambda: study_effects(RUNS.iloc[8:], endpoint="t_solid"),
    "pool_many": lambda: pool_many(np.vstack([Y, -Y]), V, intervals=True),
    "permute_moderators": lambda: permute_moderators(Y, V, X, draws=99),
    "permute_moderators, constant": lambda: permute_moderators(Y, V, np.ones(6)),
    "pool_few": lambda: pool_few(Y, V, tau_scale=0.2),
    "pool_nested": lambda: pool_nested(Y, V, ["a", "a", "b", "b", "c", "c"]),
    "pool_counts": lambda: pool_counts([1, 0, 5], [9, 8, 12]),
    "pool_counts, none": lambda: pool_counts([0, 0], [9, 8]),
    "pool_counts of one": lambda: pool_counts([3], [9]),
    "leave_one_out": lambda: leave_one_out(Y, V, study=list("abcde<")),
    "leave_one_out of two": lambda: leave_one_out(Y[:2], V[:2]),
    "cumulate": lambda: cumulate(Y, V, np.arange(6)),
    "regress_asymmetry": lambda: regress_asymmetry(Y, V),
    "regress_asymmetry, equal": lambda: regress_asymmetry(Y, np.ones(6)),
    "trim_and_fill": lambda: trim_and_fill(Y, V),
    "check_small_studies": lambda: check_small_studies(Y, V, favoured="negative"),
    "equivalence": lambda: assess_equivalence(0.01, 0.02, bounds=(-0.1, 0.1)),
    "compare_replication": lambda: compare_replication(0.4, 0.1, [0.1, 0.2], [0.1, 0.1]),
    "repeatability": lambda: measure_repeatability(Y, ["a", "a", "b", "b", "c", "c"]),
    "repeatability of one lab": lambda: measure_repeatability(Y, ["a"] * 6),
    "measure_effect_repeatability": lambda: measure_effect_repeatability(Y, V),
    "trial_precision": lambda: trial_precision(RUNS, endpoint="t_solid"),
    "profile_pool of one": lambda: profile_pool(Y[:1], V[:1]),
    "profile_pool": lambda: profile_pool(Y, V),
    "disagreement": lambda: describe_disagreement(12.0, 5),
    "disagreement of one": lambda: describe_disagreement(0.0, 0),
}


@cache
def made(name):
    return RESULTS[name]()


@pytest.fixture(params=list(RESULTS))
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


def test_columns_and_their_types_do_not_depend_on_the_rows():
    full, empty = RESULTS["study_effects"](), RESULTS["study_effects of nothing"]()
    assert full.k == 2 and empty.k == 0
    pd.testing.assert_series_equal(full.to_frame().dtypes, empty.to_frame().dtypes)
    assert list(full.unused.columns) == list(empty.unused.columns)


def test_every_missing_estimate_has_a_reason(result):
    frame = result.to_frame()
    if "reason" in frame:
        missing = frame[frame["value" if "value" in frame else "estimate"].isna()]
        assert (missing["reason"] != "").all(), missing


def test_repr_is_one_line(result):
    assert repr(result).startswith(f"<{type(result).__name__}: ")
    assert "\n" not in repr(result)


def test_str_starts_with_the_headline_and_holds_the_frame(result):
    lines = str(result).splitlines()
    assert lines[0] == result.headline()
    assert len(lines) == 2 + len(result.to_frame())


def test_html_is_an_escaped_table(result):
    fragment = result._repr_html_()
    tags = Tags()
    tags.feed(fragment)
    assert tags.names[0] == "table"
    assert set(tags.names) <= {"table", "caption", "thead", "tbody", "tr", "th", "td"}


def test_nothing_can_be_changed(result):
    name = result.field_names()[0]
    with pytest.raises(AttributeError):
        setattr(result, name, 0.0)
    for field in result.field_names():
        value = getattr(result, field)
        if isinstance(value, np.ndarray):
            assert not value.flags.writeable


@pytest.mark.parametrize("remake", [copy.deepcopy, lambda r: pickle.loads(pickle.dumps(r))])
def test_a_copy_is_equal_and_read_only(result, remake):
    again = remake(result)
    pd.testing.assert_frame_equal(again.to_frame(), result.to_frame(), check_exact=True)
    test_nothing_can_be_changed(again)
