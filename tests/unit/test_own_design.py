"""A register's own design, simulated: looks, knocks, groups and a known truth."""

import numpy as np
import pandas as pd
import pytest

import metafreeze as mf
from metafreeze.analysis.challenge import in_schema
from metafreeze.analysis.false_alarms import (
    ADVANTAGE,
    ALARM,
    NOTHING,
    RAW,
    _own_design,
)
from metafreeze.errors import InputError, NotEstimableError
from metafreeze.planning.simulate import Scatter, look_at, scatter_log_times, share_limits

# Standard deviations are of this many draws; four of their standard errors, 1/sqrt(2 n), pass.
DRAWS = 4000
FOUR_ERRORS = 4.0 / np.sqrt(2.0 * DRAWS)


def trials(*, batches=6, seed=3):
    """Invented runs of one freezer: 20 and 80 °C, two vessels each in a batch."""
    rng = np.random.default_rng(seed)
    start = np.tile([20.0, 20.0, 80.0, 80.0], batches)
    batch = np.repeat(np.arange(batches), 4)
    time = 15000.0 * np.exp(0.001 * start + 0.04 * rng.standard_normal(start.size))
    return pd.DataFrame(
        {
            "lab_id": "Invented shed",
            "block_id": batch.astype(str),
            "run_id": [f"r{i}" for i in range(start.size)],
            "assignment": "randomised",
            "start_temp_c": start,
            "sink_temp_c": -18.0,
            "water_mass_start_g": 100.0,
            "lid": "sealed",
            "endpoint": "t_solid",
            "time_lower_s": time,
            "time_upper_s": time,
        }
    )


def design_of(rows, endpoint="t_solid"):
    return _own_design(in_schema(rows), endpoint, 80.0, 20.0, 1)


def test_looks_bracket_the_time_on_the_rhythm_of_the_person_who_looked():
    lower, upper = look_at([100.0, 700.0, 299.0, 5000.0], every_s=300.0, until_s=3600.0)
    assert lower.tolist() == [0.0, 600.0, 0.0, 3600.0]
    assert upper.tolist() == [300.0, 900.0, 300.0, np.inf]
    lower, upper = look_at([100.0, 700.0], every_s=300.0, first_s=50.0)
    assert lower.tolist() == [50.0, 650.0]
    assert upper.tolist() == [350.0, 950.0]
    exact = look_at([123.4])
    assert exact[0].tolist() == exact[1].tolist() == [123.4]


@pytest.mark.parametrize("part", ["run_sd", "batch_sd", "lab_sd", "slope_sd_per_10k"])
def test_each_spread_has_the_size_asked_for_and_its_own_level(part):
    scatter = Scatter(**({"run_sd": 0.0} | {part: 0.2}))
    each = np.arange(DRAWS)
    lab = batch = each if part != "run_sd" else np.zeros(DRAWS, dtype=np.int64)
    drawn = scatter_log_times(np.ones(DRAWS), lab, batch, scatter, np.random.default_rng(5))
    assert drawn.std() == pytest.approx(0.2, rel=FOUR_ERRORS)
    if part in ("batch_sd", "lab_sd"):
        ratios = scatter_log_times(
            np.ones(DRAWS), lab, batch, scatter, np.random.default_rng(5), level=0.0
        )
        assert not ratios.any()


def test_a_spread_below_zero_is_refused():
    with pytest.raises(InputError, match="Give a standard deviation of ln time"):
        Scatter(run_sd=0.1, batch_sd=-0.1)


def test_the_stated_ratio_stands_in_the_simulated_rows():
    """The mean of many simulations: its error is the run scatter over their number."""
    design = design_of(trials())
    hot = design.rows["start_temp_c"].to_numpy() > 50
    ratios = []
    for number in range(200):
        rows = design.simulate(number, np.random.default_rng([9, number]), ratio=0.8)
        y = np.log(rows["time_upper_s"].to_numpy(dtype=float))
        ratios.append(y[hot].mean() - y[~hot].mean())
    error = design.scatter.run_sd * np.sqrt(4 / hot.size) / np.sqrt(200)
    assert np.mean(ratios) == pytest.approx(np.log(0.8), abs=4 * error)


def test_nothing_but_physics_is_what_physics_expects():
    design = design_of(trials())
    hot = design.rows["start_temp_c"].to_numpy() > 50
    expected = design.physics[:, hot].mean() - design.physics[:, ~hot].mean()
    assert expected > 0.0
    ratios = []
    for number in range(200):
        rows = design.simulate(number, np.random.default_rng([9, number]), ratio=None)
        y = np.log(rows["time_upper_s"].to_numpy(dtype=float))
        ratios.append(y[hot].mean() - y[~hot].mean())
    error = design.scatter.run_sd * np.sqrt(4 / hot.size) / np.sqrt(200)
    assert np.mean(ratios) == pytest.approx(expected, abs=4 * error)


def test_windows_and_unfinished_runs_stay_what_they_were():
    rows = trials()
    every = 1800.0
    rows["time_lower_s"], rows["time_upper_s"] = look_at(rows["time_lower_s"], every_s=every)
    last = rows["block_id"] == "5"
    rows.loc[last, "time_lower_s"] = 16200.0
    rows.loc[last, "time_upper_s"] = np.nan
    design = design_of(rows)
    unfinished = 0
    for number in range(20):
        made = design.simulate(number, np.random.default_rng([2, number]), ratio=None)
        lower = made["time_lower_s"].to_numpy(dtype=float)
        upper = made["time_upper_s"].to_numpy(dtype=float, na_value=np.nan)
        open_ = np.isnan(upper)
        assert not open_[~last.to_numpy()].any()
        assert (lower[open_] == 16200.0).all()
        assert np.allclose((upper - lower)[~open_], every)
        assert np.allclose(np.mod(lower[~open_], every), 0.0)
        unfinished += int(open_.sum())
    assert 0 < unfinished < 20 * int(last.sum())


def test_a_knock_takes_effect_only_where_ice_had_not_come_by_itself():
    rows = trials().assign(endpoint="t_first_ice", water_type="tap", trigger_event="none")
    knocked = rows["start_temp_c"] > 50
    rows.loc[knocked, "trigger_event"] = "knock"
    # Half of them knocked before, half long after water of that kind freezes by itself.
    early = knocked & (np.arange(len(rows)) % 2 == 0)
    rows.loc[knocked, ["time_lower_s", "time_upper_s"]] = 90000.0
    rows.loc[early, ["time_lower_s", "time_upper_s"]] = 60.0
    design = design_of(rows, "t_first_ice")
    made = design.simulate(0, np.random.default_rng(4), ratio=None)
    assert (made.loc[early, "time_upper_s"] == 60.0).all()
    assert (made.loc[early, "trigger_event"] == "knock").all()
    late = knocked & ~early
    assert (made.loc[late, "time_upper_s"] < 90000.0).all()
    assert (made.loc[late, "trigger_event"] == "none").all()


def test_all_statistics_of_a_group_move_together():
    group = pd.DataFrame(
        {
            "record_level": "arm_summary",
            "source_id": "Invented report",
            "start_temp_c": [20.0, 80.0],
            "sink_temp_c": -18.0,
            "endpoint": "t_solid",
            "mean_s": [15000.0, 16000.0],
            "sd_s": [600.0, 800.0],
            "n_runs": 9,
        }
    )
    rows = pd.concat([trials().assign(record_level="run"), group], ignore_index=True)
    design = design_of(rows)
    made = design.simulate(1, np.random.default_rng(8), ratio=None).iloc[-2:]
    mean, sd = made["mean_s"].to_numpy(dtype=float), made["sd_s"].to_numpy(dtype=float)
    assert np.allclose(sd / mean, [0.04, 0.05])
    assert not np.allclose(mean, [15000.0, 16000.0])


def test_stopped_and_resumed_gives_the_same_numbers(tmp_path, monkeypatch):
    sheet = tmp_path / "invented.csv"
    trials().assign(freeze_min=lambda d: d["time_upper_s"] / 60)[
        ["lab_id", "block_id", "run_id", "start_temp_c", "freeze_min"]
    ].rename(
        columns={
            "lab_id": "lab",
            "block_id": "batch",
            "run_id": "run",
            "start_temp_c": "start temperature (°C)",
            "freeze_min": "fully frozen (min)",
        }
    ).to_csv(sheet, index=False)
    monkeypatch.setattr("metafreeze.analysis.false_alarms.CHUNK", 2)
    registers = []
    for name in ("whole", "stopped"):
        registers.append(mf.create_register(tmp_path / name, primary_endpoint="t_solid"))
        registers[-1].add(sheet)
    whole = mf.false_alarms(registers[0], runs=3, workers=1)

    def stop(done, of):
        assert of == 6
        if done >= 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        mf.false_alarms(registers[1], runs=3, workers=1, progress=stop)
    seen = []
    resumed = mf.false_alarms(
        registers[1], runs=3, workers=1, progress=lambda done, of: seen.append(done)
    )
    # What had been done was not done again.
    assert seen[0] > 2
    pd.testing.assert_frame_equal(resumed.to_frame(), whole.to_frame())
    alone = mf.false_alarms(registers[1].rows(), runs=3, workers=1, endpoint="t_solid")
    pd.testing.assert_frame_equal(alone.to_frame(), whole.to_frame())


def test_a_large_true_advantage_is_found_and_physics_is_not_called_one():
    found = mf.false_alarms(trials(batches=8), runs=6, advantage=0.4, workers=1)
    assert found.alarms == 0
    assert found.missed == 0
    table = found.to_frame()
    hit = table[(table["truth"] == ADVANTAGE) & (table["label"] == ALARM)]
    assert hit["share"].to_numpy()[0] == 1.0
    counted = table[(table["truth"] == NOTHING) & (table["question"] == RAW)]
    assert counted["count"].sum() == found.runs - found.failed == 6
    assert "simulated registers" in found.headline()


def test_limits_of_a_share_are_the_exact_binomial_ones():
    """Rule of three for none of n: 1 - 0.025^(1/n), by hand."""
    assert share_limits(0, 100) == pytest.approx((0.0, 1.0 - 0.025**0.01), rel=1e-12)
    assert share_limits(100, 100) == pytest.approx((0.025**0.01, 1.0), rel=1e-12)
    assert share_limits(0, 0) == (0.0, 1.0)


def test_what_cannot_be_simulated_is_refused_with_a_reason():
    with pytest.raises(NotEstimableError, match="Physics expects no time for any row"):
        mf.false_alarms(trials().assign(endpoint="t_solid", sink_temp_c=0.0), runs=1, workers=1)
    with pytest.raises(InputError, match="runs is 0"):
        mf.false_alarms(trials(), runs=0)
    with pytest.raises(InputError, match="advantage is 10"):
        mf.false_alarms(trials(), runs=1, advantage=10)
