"""Registers with one known cause each, made by the project's own physics.

`causes.toml` beside this file says how each cause is built and how strong it is. Every
register has its own seed, from the cause's place and the register's number.
"""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from metafreeze.physics.baseline import cooling_times
from metafreeze.physics.usual import usual_setup
from metafreeze.planning.simulate import Scatter, look_at, scatter_log_times
from metafreeze.results import FloatArray

TOML = Path(__file__).with_name("causes.toml")
REFERENCE_C = 20.0


@cache
def known_causes() -> dict[str, Any]:
    """Read the causes, the design and the rule."""
    return tomllib.loads(TOML.read_text("utf-8"))


def simulate_cause(name: str, number: int) -> pd.DataFrame:
    """Make one register with one cause.

    Parameters
    ----------
    name : str
        A cause of `causes.toml`.
    number : int
        Number of the register; with the cause's place it is the seed.

    Returns
    -------
    DataFrame
        Rows of the schema, only the columns that such labs would write down.
    """
    settings = known_causes()
    place = list(settings["cause"]).index(name)
    cause = {**settings["design"], **settings["cause"][name]}
    rng = np.random.default_rng([place, number])
    rows = _vessels(cause).assign(water_type=cause.get("water_type"))
    if "knocked_from_c" in cause:
        hot = rows["start_temp_c"].to_numpy() >= cause["knocked_from_c"]
        knocked = hot & (rng.random(len(rows)) < cause.get("knocked_share", 1.0))
        rows["trigger_event"] = np.where(knocked, "knock", "none")
    seconds = np.exp(_physics(rows, cause, rng) + _scatter(rows, cause, rng))
    rows = rows.assign(time_lower_s=seconds, time_upper_s=seconds)
    return RECORDED.get(name, _as_it_was)(rows, cause, rng)


def _vessels(cause: dict[str, Any]) -> pd.DataFrame:
    vessel = cause["vessel"]
    parts = []
    for lab in range(cause["labs"]):
        odd = lab < cause.get("odd_labs", 0)
        batches = cause["odd_batches"] if odd else cause["batches"]
        starts = cause["starts_c"]
        if isinstance(starts, dict):
            starts = starts["first_half" if lab < cause["labs"] / 2 else "second_half"]
        each = np.tile(np.repeat(starts, cause["vessels"] // len(starts)), batches)
        parts.append(
            pd.DataFrame(
                {
                    "lab_id": f"lab {lab + 1:02d}",
                    "block_id": np.repeat([f"{b + 1}" for b in range(batches)], cause["vessels"]),
                    "start_temp_c": each.astype(float),
                }
            )
        )
    rows = pd.concat(parts, ignore_index=True)
    return rows.assign(
        record_level="run",
        run_id=[f"r{i + 1}" for i in range(len(rows))],
        assignment="randomised",
        endpoint=cause.get("endpoint", "t_solid"),
        lid=vessel["lid"],
        base_support=vessel["base_support"],
        side_insulation=vessel.get("side_insulation", "none"),
        sink_type=vessel["sink_type"],
        sink_temp_c=float(vessel["sink_temp_c"]),
        air_rh=float(vessel.get("air_rh", np.nan)),
        air_speed_m_s=float(vessel.get("air_speed_m_s", np.nan)),
        water_mass_start_g=float(vessel["mass_g"]),
        inner_diameter_mm=float(vessel["diameter_mm"]),
    )


def _setup(cause: dict[str, Any], starts: Any) -> Any:
    vessel = cause["vessel"]
    setup = usual_setup(
        starts,
        sink_type=vessel["sink_type"],
        sink_temp_c=vessel["sink_temp_c"],
        lid=vessel["lid"],
        base_support=vessel["base_support"],
        side_insulation=vessel.get("side_insulation", "none"),
        mass_g=vessel["mass_g"],
        diameter_mm=vessel["diameter_mm"],
        air_speed_m_s=vessel.get("air_speed_m_s"),
    )
    return setup.with_(air_rh=vessel["air_rh"]) if "air_rh" in vessel else setup


def _physics(rows: pd.DataFrame, cause: dict[str, Any], rng: np.random.Generator) -> FloatArray:
    starts = rows["start_temp_c"].to_numpy()
    if cause.get("time") == "the same whatever the start":
        starts = np.full(starts.size, REFERENCE_C)
    setup = _setup(cause, starts)
    if "hot_base_w_m2k" in cause:
        frosted = _labs_with_it(rows, cause) & (starts >= cause["hot_from_c"])
        base = np.where(frosted, cause["hot_base_w_m2k"], setup.array("h_base_w_m2k"))
        setup = setup.with_(h_base_w_m2k=base)
    depth: Any = 0.0
    if cause.get("endpoint") == "t_first_ice":
        depth = _supercooling(starts.size, cause, rng)
        depth = np.where(rows["trigger_event"] == "knock", cause["knocked_at_k"], depth)
    if "ratio_at_pair" in cause:
        # The whole ratio is what was stated: physics' own difference is replaced by it.
        setup = _setup(cause, np.full(starts.size, REFERENCE_C))
    seconds = cooling_times(setup, endpoint=rows["endpoint"].iloc[0], supercooling_k=depth).time_s
    return np.asarray(np.log(seconds))


def _supercooling(n: int, cause: dict[str, Any], rng: np.random.Generator) -> FloatArray:
    deep = rng.normal(cause["supercooling_mean_k"], cause["supercooling_sd_k"], n)
    return np.clip(deep, 0.5, 0.8 * -cause["vessel"]["sink_temp_c"])


def _labs_with_it(rows: pd.DataFrame, cause: dict[str, Any]) -> FloatArray:
    names = sorted(set(rows["lab_id"]))[: cause["labs_with_it"]]
    return rows["lab_id"].isin(names).to_numpy()


def _scatter(rows: pd.DataFrame, cause: dict[str, Any], rng: np.random.Generator) -> FloatArray:
    lab = np.unique(rows["lab_id"], return_inverse=True)[1]
    batch = np.unique(rows["lab_id"] + "/" + rows["block_id"], return_inverse=True)[1]
    x = (rows["start_temp_c"].to_numpy() - REFERENCE_C) / 10.0
    scatter = Scatter(
        run_sd=cause["run_sd"],
        batch_sd=cause["batch_sd"],
        lab_sd=cause["lab_sd"],
        slope_sd_per_10k=cause["slope_sd_per_10k"],
    )
    slope = np.zeros(lab.max() + 1)
    if "ratio_at_pair" in cause:
        slope += np.log(cause["ratio_at_pair"]) / 6.0
    if "odd_slope_per_10k" in cause:
        slope[: cause["odd_labs"]] += cause["odd_slope_per_10k"]
    level = np.zeros(lab.max() + 1)
    if "level_of_second_half" in cause:
        level[lab.max() // 2 + 1 :] += cause["level_of_second_half"]
    return slope[lab] * x + level[lab] + scatter_log_times(x, lab, batch, scatter, rng)


def _as_it_was(
    rows: pd.DataFrame, _cause: dict[str, Any], _rng: np.random.Generator
) -> pd.DataFrame:
    return rows


def _with_frost(
    rows: pd.DataFrame, cause: dict[str, Any], _rng: np.random.Generator
) -> pd.DataFrame:
    hot = rows["start_temp_c"].to_numpy() >= cause["hot_from_c"]
    frosted = _labs_with_it(rows, cause) & hot
    for field, value in cause["recorded_as"].items():
        rows[field] = rows[field].mask(frosted, value)
    return rows


def _with_looks(
    rows: pd.DataFrame, cause: dict[str, Any], _rng: np.random.Generator
) -> pd.DataFrame:
    """Nobody sees the end itself: it lies between one look and the next."""
    every = rows["start_temp_c"].map(lambda t: 60.0 * cause["look_every_min"][f"{t:g}"])
    lower, upper = look_at(rows["time_upper_s"], every_s=every)
    return rows.assign(time_lower_s=lower, time_upper_s=upper, check_interval_s=every)


def _with_two_endpoints(
    rows: pd.DataFrame, cause: dict[str, Any], rng: np.random.Generator
) -> pd.DataFrame:
    """Hot vessels are timed to first ice as well; the scatter of the vessel is in both times."""
    hot = rows[rows["start_temp_c"] >= cause["first_ice_from_c"]]
    setup = _setup(cause, hot["start_temp_c"].to_numpy())
    depth = _supercooling(len(hot), cause, rng)
    ice = cooling_times(setup, endpoint="t_first_ice", supercooling_k=depth).time_s
    solid = cooling_times(setup, endpoint="t_solid").time_s
    time = hot["time_upper_s"].to_numpy() * ice / solid
    early = hot.assign(endpoint="t_first_ice", time_lower_s=time, time_upper_s=time)
    return pd.concat([rows, early], ignore_index=True)


RECORDED = {
    "frost": _with_frost,
    "check-windows": _with_looks,
    "endpoints-mixed": _with_two_endpoints,
}
