"""What every result of planning owes: a frame, one line, a table, pickling."""

import pickle

import numpy as np
import pandas as pd
import pytest

import metafreeze as mf
from metafreeze.analysis.false_alarms import COLUMNS
from metafreeze.analysis.plans import TABLE_COLUMNS
from metafreeze.planning.power import TrialDesign
from metafreeze.planning.runsheet import draw_run_sheet
from metafreeze.planning.simulate import Scatter
from metafreeze.planning.simulated_power import SimulatedPower, simulate_power
from metafreeze.results import Result


def trials():
    """Invented runs of one freezer."""
    rng = np.random.default_rng(3)
    start = np.tile([20.0, 80.0], 10)
    time = 15000.0 * np.exp(0.05 * rng.standard_normal(start.size))
    return pd.DataFrame(
        {
            "lab_id": "Invented shed",
            "block_id": np.repeat(np.arange(5), 4).astype(str),
            "start_temp_c": start,
            "sink_temp_c": -18.0,
            "endpoint": "t_solid",
            "time_lower_s": time,
            "time_upper_s": time,
        }
    )


MAKERS = {
    "plan": lambda: mf.plan_trials(simulations=2),
    "plan of nothing": lambda: mf.plan_trials(vessels=2, batches=1, simulations=2),
    "false alarms": lambda: mf.false_alarms(trials(), runs=1, workers=1),
    "false alarms alone": lambda: mf.false_alarms(trials(), runs=1, advantage=None, workers=1),
    "run sheet": lambda: draw_run_sheet((80, 20), vessels=2, batches=1, endpoint="t_solid", seed=1),
    "power": lambda: simulate_power(
        TrialDesign(vessels=4, batches=2), Scatter(run_sd=0.1), -0.1, bound=0.1, simulations=3
    ),
}


@pytest.mark.parametrize("name", list(MAKERS))
def test_a_result_shows_itself(name):
    result = MAKERS[name]()
    assert isinstance(result, Result)
    frame = result.to_frame()
    assert len(frame) and "\n" not in result.headline() and result.headline()
    assert result.headline() in str(result)
    assert "<script" not in result._repr_html_()
    again = pickle.loads(pickle.dumps(result))
    pd.testing.assert_frame_equal(again.to_frame(), frame)
    for value in (getattr(again, field) for field in result.field_names()):
        if isinstance(value, np.ndarray):
            assert not value.flags.writeable


def test_columns_are_fixed():
    assert tuple(MAKERS["plan"]().to_frame().columns) == TABLE_COLUMNS
    assert tuple(MAKERS["plan of nothing"]().to_frame().columns) == TABLE_COLUMNS
    assert tuple(MAKERS["false alarms alone"]().to_frame().columns) == COLUMNS


def test_no_simulation_that_was_fitted_gives_no_share():
    none = SimulatedPower(
        hits=np.array([0, 0, -1]),
        fits=0,
        failed=4,
        noticeable=float("nan"),
        half_width=float("nan"),
        new_lab_half_width=float("nan"),
        simulations=4,
        seed=1,
    )
    assert none.to_frame()["power"].isna().all()
    assert "4 failed" in none.headline()
