"""The pooled answer beside physics: the bend, the typical vessel, the pair, the advice."""

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from metafreeze.analysis.advice import advise
from metafreeze.analysis.pooling import (
    answer_pool,
    choose_endpoint,
    choose_pair,
    with_typical_vessels,
)
from metafreeze.errors import InputError, NotEstimableError
from metafreeze.physics.baseline import cooling_times
from metafreeze.physics.usual import usual_setup
from metafreeze.register.schema import arrow_schema

# Half a percent: scatter of 1e-6 leaves only the bend, which the offset takes out.
BEND = 5e-3


def physics_rows(*, hot_on_frost=False, labs=4, seed=3):
    """Invent rows that follow physics but for a scatter too small to matter."""
    rng = np.random.default_rng(seed)
    records = []
    for lab in range(labs):
        for batch in range(3):
            for start in (20.0, 50.0, 80.0):
                for run in range(2):
                    hot = hot_on_frost and start > 60
                    setup = usual_setup(
                        start,
                        sink_temp_c=-18.0,
                        lid="oil_film",
                        mass_g=100.0,
                        diameter_mm=60.0,
                        base_support="wire",
                    )
                    if hot:
                        setup = setup.with_(h_base_w_m2k=60.0)
                    time = float(cooling_times(setup, endpoint="t_solid").time_s)
                    time *= np.exp(rng.normal(0, 1e-6))
                    records.append(
                        {
                            "record_level": "run",
                            "lab_id": f"lab {lab}",
                            "block_id": f"{batch}",
                            "run_id": f"{batch}-{start:g}-{run}",
                            "start_temp_c": start,
                            "endpoint": "t_solid",
                            "time_lower_s": time,
                            "time_upper_s": time,
                            "sink_type": "freezer",
                            "sink_temp_c": -18.0,
                            "lid": "oil_film",
                            "water_mass_start_g": 100.0,
                            "inner_diameter_mm": 60.0,
                            "base_support": "frost" if hot else "wire",
                            "source_id": "invented",
                        }
                    )
    return pa.Table.from_pylist(records, schema=arrow_schema()).to_pandas()


def test_rows_that_follow_physics_leave_no_excess_and_give_its_curved_ratio():
    answer = answer_pool(physics_rows(), endpoint="t_solid", pair=(80, 20))
    setup = usual_setup(
        np.array([20.0, 80.0]),
        sink_temp_c=-18.0,
        lid="oil_film",
        mass_g=100.0,
        diameter_mm=60.0,
        base_support="wire",
    )
    cold, hot = cooling_times(setup, endpoint="t_solid").time_s
    assert answer.log_ratio == pytest.approx(np.log(hot / cold), abs=BEND)
    assert answer.excess_log_ratio == pytest.approx(0.0, abs=BEND)


def test_what_goes_along_with_starting_hot_stays_in_the_raw_effect():
    answer = answer_pool(physics_rows(hot_on_frost=True), endpoint="t_solid", pair=(80, 20))
    assert answer.log_ratio < -0.2


def test_typical_vessels_keep_the_start_temperature():
    rows = physics_rows(hot_on_frost=True)
    alike = with_typical_vessels(rows)
    assert set(alike["base_support"]) == {"wire"}
    assert (alike["start_temp_c"] == rows["start_temp_c"]).all()


def test_the_pair_is_the_ends_of_what_was_tried():
    assert choose_pair(physics_rows())[:2] == (80.0, 20.0)
    assert choose_pair(physics_rows(), (30, 90))[:2] == (90.0, 30.0)


def test_one_temperature_cannot_be_compared():
    rows = physics_rows()
    with pytest.raises(NotEstimableError, match="All runs started near 20 °C"):
        choose_pair(rows[rows["start_temp_c"] == 20.0])


def test_several_endpoints_must_be_named():
    rows = physics_rows()
    rows.loc[:5, "endpoint"] = "t_zero"
    with pytest.raises(InputError, match="Endpoints are never pooled together"):
        choose_endpoint(rows)
    assert choose_endpoint(rows, "t_zero") == "t_zero"


def test_a_study_that_is_not_there_is_refused_with_the_names():
    with pytest.raises(InputError, match=r'no study "elsewhere".*lab 0'):
        answer_pool(physics_rows(), endpoint="t_solid", without=["elsewhere"])


def test_advice_names_what_is_missing_first():
    rows = physics_rows()
    assert "weigh each vessel before and after" in advise(rows)[0]
    rows["block_id"] = pd.NA
    assert "which vessels cooled together" in advise(rows)[0]
