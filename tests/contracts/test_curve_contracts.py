"""What the results of curves owe: a frame, one line, an escaped fragment, pickling."""

from __future__ import annotations

import pickle

import numpy as np
import pandas as pd
import pytest

from metafreeze.analysis.whole_curves import StartedTrace, compare_whole_curves
from metafreeze.curves.events import find_events
from metafreeze.curves.whole import CurveRun, compare_curves
from metafreeze.results import Result

RUNS, BLOCKS = 8, 4


def traces() -> list[tuple[str, np.ndarray, np.ndarray]]:
    """Cool by an exponential, freeze for half an hour, cool on; arms in turn."""
    out = []
    for number in range(RUNS):
        start = 60.0 if number % 2 else 25.0
        rate = 4e-4 * (1 + 0.02 * number)
        zero = np.log((start + 18.0) / 18.0) / rate
        times = np.arange(0.0, zero + 5000.0, 20.0)
        water = -18.0 + (start + 18.0) * np.exp(-rate * times)
        ice = -18.0 * (1 - np.exp(-2 * rate * (times - zero - 1800.0)))
        temps = np.where(times < zero, water, np.where(times < zero + 1800.0, 0.0, ice))
        out.append(("hot" if number % 2 else "cold", times, temps))
    return out


def results() -> list[Result]:
    known = traces()
    runs = [
        CurveRun(run=str(n), arm=arm, block=str(n // 2), time_s=times, temp_c=temps)
        for n, (arm, times, temps) in enumerate(known)
    ]
    started = [
        StartedTrace(
            run=f"<b>{n}</b>",
            block=str(n // 2),
            start_temp_c=60.0 if arm == "hot" else 25.0,
            time_s=times,
            temp_c=temps,
        )
        for n, (arm, times, temps) in enumerate(known)
    ]
    return [
        find_events(known[0][1], known[0][2]),
        compare_curves(runs, draws=200),
        compare_curves(runs[:2], draws=200),
        compare_whole_curves(started, hot_c=60.0, cold_c=25.0, draws=200),
        compare_whole_curves(started, hot_c=60.0, cold_c=-9.0),
    ]


@pytest.mark.parametrize("place", range(5))
def test_a_result_shows_itself(place):
    result = results()[place]
    frame = result.to_frame()
    assert isinstance(frame, pd.DataFrame)
    assert result.headline() and "\n" not in result.headline()
    assert "<b>" not in result._repr_html_() and "<script" not in result._repr_html_()
    pd.testing.assert_frame_equal(pickle.loads(pickle.dumps(result)).to_frame(), frame)


def test_columns_are_the_same_with_and_without_an_answer():
    with_answer, without = results()[3:]
    assert list(with_answer.to_frame().columns) == list(without.to_frame().columns)
    assert len(with_answer.to_frame()) > 0 and len(without.to_frame()) == 0


def test_what_cannot_be_estimated_says_why():
    few, nothing = results()[2], results()[4]
    assert few.status == "unidentifiable" and few.note
    assert few.to_frame()["low"].isna().all()
    assert nothing.results()["status"] == "none" and nothing.note
