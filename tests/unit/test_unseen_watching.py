"""How simulated times are looked at: as the real ones were."""

import numpy as np
import pytest

import metafreeze as mf
from metafreeze.models.unseen_bootstrap import Watch, check_looks, plan_watch, watch_times
from metafreeze.models.unseen_input import check_unseen_rows

INF = np.inf
NOTHING = dict.fromkeys(
    [
        "varying",
        "batch",
        "known_variance",
        "added_variance",
        "count",
        "spread",
        "offset",
        "names",
        "varying_names",
    ]
)


def watched(time, first, every, until):
    watch = Watch(first=np.array([first]), every=np.array([every]), until=np.array([until]))
    low, high = watch_times(np.array([[time]], dtype=float), watch)
    return float(low[0, 0]), float(high[0, 0])


@pytest.mark.parametrize(
    ("time", "first", "every", "until", "bounds"),
    [
        (37.5, 0, 0, INF, (37.5, 37.5)),  # always watched
        (37.5, 0, 0, 30, (30, INF)),  # given up before
        (37.5, 0, 10, INF, (30, 40)),  # looked at every ten minutes
        (40.0, 0, 10, INF, (30, 40)),  # a window holds its upper end
        (37.5, 5, 10, INF, (35, 45)),  # looks out of step with the insertion
        (3.0, 5, 10, INF, (0, 5)),  # before the first look
        (37.5, 0, 10, 35, (30, INF)),  # the last look was at 30
        (55.0, 0, 10, 40, (40, INF)),
        (12.0, 20, 20, INF, (0, 20)),
    ],
)
def test_what_an_observer_writes_down(time, first, every, until, bounds):
    assert watched(time, first, every, until) == bounds


def plan(low, high, study=None, looks=None, **options):
    rows = check_unseen_rows(
        low,
        high,
        np.arange(float(len(low))),
        study,
        log_times=False,
        **{**NOTHING, **options},
    )
    looks = looks or check_looks(None, None, len(low))
    made = plan_watch(rows, looks)
    order = np.argsort(rows.source)
    return made.first[order], made.every[order], made.until[order]


def test_windows_repeat_and_a_batch_is_given_up_together():
    low = [50, 60, 45, 60, 30]
    high = [60, 70, 45, INF, 30]
    first, every, until = plan(low, high, batch=["a", "a", "a", "a", "b"])
    np.testing.assert_allclose(every, [10, 10, 0, 10, 0])
    np.testing.assert_allclose(first[[0, 1, 3]], [50, 60, 60])
    # The latest known look at batch a was at 70; what was given up ended when it was.
    np.testing.assert_allclose(until, [70, 70, 70, 60, INF])


def test_what_is_said_about_looking_stands():
    looks = check_looks([20, np.nan, 0], [np.nan, 100, 90], 3)
    _, every, until = plan([50, 60, 45], [60, 70, 45], looks=looks)
    np.testing.assert_allclose(every, [20, 10, 0])
    np.testing.assert_allclose(until, [INF, 100, 90])


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"check_interval": [1, 2]}, "check_interval has shape"),
        (
            {"watched_until": [1, -2, 3]},
            r"watched_until is -2 in row 2\. Give zero or more, or NaN",
        ),
    ],
)
def test_impossible_looks_are_refused(options, message):
    with pytest.raises(mf.InputError, match=message):
        mf.unseen_times_model([1, 2, 3], [1, 2, 3], np.ones(3), **options)
