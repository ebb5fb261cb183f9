"""Invented register rows for the tests of expected times, made by the physics itself."""

import numpy as np
import pandas as pd

from metafreeze.physics.baseline import cooling_times
from metafreeze.physics.setup import Setup

STARTS = (15.0, 20.0, 45.0, 70.0, 85.0, 90.0)


def labs(names=("a", "b", "c"), *, endpoint="t_solid", noise=0.03, excess=0.0, seed=4, **truth):
    """Rows of several labs in batches of six starts; `truth` changes their common setup."""
    rng = np.random.default_rng(seed)
    parts = []
    for number, name in enumerate(names):
        starts = np.tile(STARTS, 3)
        setup = Setup(
            start_temp_c=starts,
            **(
                {
                    "mass_g": 120.0,
                    "diameter_mm": 65.0,
                    "h_air_w_m2k": 6.0 + 2.0 * number,
                    "h_base_w_m2k": 12.0 + 5.0 * number,
                    "h_exponent": 0.125,
                    "air_rh": 0.8,
                    "ice_resistance": 0.5,
                    "wall_resistance_m2k_w": 0.002,
                }
                | truth
            ),
        )
        seconds = cooling_times(setup, endpoint=endpoint).time_s
        seconds = seconds * np.exp(excess * (starts - 20.0) / 10.0)
        seconds = seconds * np.exp(noise * rng.standard_normal(starts.size))
        parts.append(
            pd.DataFrame(
                {
                    "lab_id": name,
                    "block_id": np.repeat(["1", "2", "3"], len(STARTS)),
                    "endpoint": endpoint,
                    "start_temp_c": starts,
                    "time_lower_s": seconds,
                    "time_upper_s": seconds,
                    "sink_type": "freezer",
                    "sink_temp_c": -18.0,
                    "water_mass_start_g": 120.0,
                    "inner_diameter_mm": 65.0,
                    "lid": "open",
                }
            )
        )
    return pd.concat(parts, ignore_index=True)
