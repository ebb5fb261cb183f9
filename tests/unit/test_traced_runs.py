"""Traces in a register: linked to runs, events as outcomes, kept, merged, taken back."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

import metafreeze as mf
from metafreeze.analysis.traced_runs import add_traces, started_traces
from metafreeze.errors import InputError
from metafreeze.register.answers import Answers
from metafreeze.register.folder.store import Register

ICE_S, END_S, STEP_S = 1668.0, 3168.0, 60.0
SECONDS = np.arange(80) * STEP_S
SHEET = """run,lab,batch,start (°C),freeze time (min),trace file,trace channel
7,north,b1,20,,log.csv,Probe 1
8,north,b1,60,,,
9,north,b1,60,41.5,,
"""


def curve(start_c: float) -> np.ndarray:
    """Cool exponentially to -5 °C, rest at 0 °C until the plateau's end, cool again."""
    rate = np.log((start_c + 20) / 15) / ICE_S
    liquid = -20 + (start_c + 20) * np.exp(-rate * SECONDS)
    solid = -20 + 20 * np.exp(-(SECONDS - END_S) / 2200)
    temps = np.where(SECONDS < ICE_S, liquid, np.where(SECONDS < END_S, 0.0, solid))
    return np.round(temps + np.random.default_rng(11).normal(0, 0.04, SECONDS.size), 2)


SINK = np.round(-18 + 4 * SECONDS / ICE_S * np.exp(1 - SECONDS / ICE_S), 2)


def write_log(folder: Path, *columns: tuple[str, np.ndarray], name: str = "log.csv") -> Path:
    heading = ",".join(["time (s)", *(title for title, _ in columns)])
    rows = zip(SECONDS, *(values for _, values in columns), strict=True)
    path = folder / name
    lines = [heading, *(",".join(map(str, row)) for row in rows)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.fixture
def register(tmp_path: Path) -> Register:
    made = mf.create_register(tmp_path / "winter")
    sheet = tmp_path / "runs.csv"
    sheet.write_text(SHEET, encoding="utf-8")
    made.add(sheet, answers=Answers(endpoint="t_solid"))
    return made


@pytest.fixture
def log(tmp_path: Path) -> Path:
    return write_log(
        tmp_path,
        ("Probe 1 (°C)", curve(20.0)),
        ("Probe 2 (°C)", curve(60.0)),
        ("freezer air (°C)", SINK),
    )


def outcomes(register: Register, run: str) -> dict[str, tuple[float, float]]:
    rows = register.rows()
    rows = rows[(rows["run_id"] == run) & rows["threshold_c"].isna()]
    times = zip(rows["time_lower_s"], rows["time_upper_s"], strict=True)
    return dict(zip(rows["endpoint"].tolist(), times, strict=True))


def test_events_become_outcomes_of_the_linked_runs(register: Register, log: Path) -> None:
    entry = add_traces(register, log, channels={"Probe 2": "run 8"})
    assert entry.id == "e0002"
    for run in ("7", "8"):
        found = outcomes(register, run)
        for endpoint, true_s in (("t_first_ice", ICE_S), ("t_plateau_end", END_S)):
            lower, upper = found[endpoint]
            assert lower - STEP_S <= true_s <= upper + STEP_S
        assert np.isfinite(found["t_solid"][0])
    rows = register.rows()
    assert rows.loc[rows["run_id"] == "7", "lab_id"].unique().tolist() == ["north"]
    assert set(rows.loc[rows["run_id"] == "8", "trace_file"].dropna()) == {"log.csv"}
    assert outcomes(register, "9") == {"t_solid": (2490.0, 2490.0)}


def test_the_logged_sink_is_kept_as_a_covariate(register: Register, log: Path) -> None:
    add_traces(register, log, channels={"Probe 2": "8"})
    rows = register.rows()
    row = rows[(rows["run_id"] == "8") & (rows["endpoint"] == "t_solid")].iloc[0]
    until = row["time_upper_s"]
    inside = SINK[until >= SECONDS]
    assert row["sink_temp_c"] == pytest.approx(inside.mean(), abs=0.1)
    assert row["sink_temp_rise_k"] == pytest.approx(inside.max() - SINK[0], abs=1e-9)
    roles = {t.channel: (t.role, t.run_id) for t in register.traces()}
    assert roles["freezer air (°C)"] == ("sink", "")


def test_a_channel_of_no_known_run_is_asked_about_and_nothing_is_stored(
    register: Register, log: Path
) -> None:
    with pytest.raises(InputError, match="Which run is channel") as refused:
        add_traces(register, log)
    assert [f.rule for f in refused.value.questions] == ["which-run"]
    assert register.traces() == []
    assert not list((register.path / "curves").iterdir())


def test_outcomes_measured_otherwise_stay_unless_replaced(register: Register, log: Path) -> None:
    linked = {"Probe 1": "9", "Probe 2": "8"}
    entry = add_traces(register, log, channels=linked)
    assert {"outcome-there", "start-differs"} <= {f.rule for f in entry.notes}
    assert outcomes(register, "9")["t_solid"] == (2490.0, 2490.0)
    add_traces(register, log, channels=linked, replace=True)
    lower, upper = outcomes(register, "9")["t_solid"]
    assert lower < upper
    assert lower > END_S


def test_a_trace_is_a_run_of_its_own_where_none_waits(tmp_path: Path) -> None:
    register = mf.create_register(tmp_path / "empty")
    log = write_log(tmp_path, ("water (°C)", curve(20.0)), name="cup three.csv")
    add_traces(register, log, answers=Answers(lab="north"))
    (run,) = register.rows()["run_id"].unique()
    assert run == "cup three"
    assert register.rows()["start_temp_c"].iloc[0] == pytest.approx(20.0, abs=0.2)


def test_traces_read_back_as_they_were(register: Register, log: Path) -> None:
    add_traces(register, log, channels={"Probe 2": "8"})
    stored = {t.channel: t for t in register.traces()}
    np.testing.assert_array_equal(stored["Probe 1 (°C)"].time_s, SECONDS)
    np.testing.assert_array_equal(stored["Probe 1 (°C)"].temp_c, curve(20.0))
    assert stored["Probe 1 (°C)"].run_id == "7"
    assert stored["Probe 2 (°C)"].run_id == "8"
    assert pq.read_table(register.path / "curves" / "e0002.parquet").num_rows == 3 * SECONDS.size


def test_adding_again_changes_nothing(register: Register, log: Path) -> None:
    add_traces(register, log, channels={"Probe 2": "8"})
    before = register.fingerprint
    entry = add_traces(register, log, channels={"Probe 2": "8"})
    assert (entry.id, entry.new, entry.changed) == ("", 0, 0)
    assert register.fingerprint == before
    assert len(register.traces()) == 3


def test_an_undo_takes_traces_and_outcomes_back_and_its_undo_returns_them(
    register: Register, log: Path
) -> None:
    before = register.fingerprint
    add_traces(register, log, channels={"Probe 2": "8"})
    after = register.fingerprint
    register.undo("e0002")
    assert register.traces() == []
    assert "t_first_ice" not in outcomes(register, "7")
    assert register.fingerprint == before
    register.undo("e0003")
    assert len(register.traces()) == 3
    assert register.fingerprint == after


def test_a_merge_brings_traces_once(register: Register, log: Path, tmp_path: Path) -> None:
    add_traces(register, log, channels={"Probe 2": "8"})
    other = mf.create_register(tmp_path / "summer")
    other.merge(register)
    assert {t.channel for t in other.traces()} == {t.channel for t in register.traces()}
    assert outcomes(other, "7") == outcomes(register, "7")
    other.merge(register)
    assert len(other.traces()) == 3


@pytest.mark.parametrize("harm", ["flip", "gone"])
def test_damage_to_traces_is_named_and_the_rows_stay(
    register: Register, log: Path, harm: str
) -> None:
    add_traces(register, log, channels={"Probe 2": "8"})
    rows = len(register.rows())
    path = register.path / "curves" / "e0002.parquet"
    if harm == "gone":
        path.unlink()
    else:
        content = bytearray(path.read_bytes())
        content[len(content) // 2] ^= 1
        path.write_bytes(content)
    (fault,) = register.damage
    assert fault.rule == "curves-damaged"
    with pytest.warns(UserWarning, match="the traces of e0002 are left out"):
        assert register.traces() == []
    assert len(register.rows()) == rows


@pytest.mark.parametrize("ending", [".csv", ".parquet"])
def test_readings_are_exported(register: Register, log: Path, ending: str, tmp_path: Path) -> None:
    add_traces(register, log, channels={"Probe 2": "8"})
    out = tmp_path / f"readings{ending}"
    assert register.export_traces(out) == 3 * SECONDS.size
    assert out.stat().st_size > 1000
    with pytest.raises(InputError, match="End its name"):
        register.export_traces(tmp_path / "readings.txt")


def test_a_part_after_a_reset_is_kept_without_outcomes(tmp_path: Path) -> None:
    register = mf.create_register(tmp_path / "empty")
    times = np.where(SECONDS < 1200, SECONDS, SECONDS - 1200)
    lines = [f"{t},{x}" for t, x in zip(times, curve(20.0), strict=True)]
    log = tmp_path / "log.csv"
    log.write_text("\n".join(["time (s),water (°C)", *lines]) + "\n", encoding="utf-8")
    entry = add_traces(register, log, answers=Answers(lab="north"))
    assert "no-outcomes" in {f.rule for f in entry.notes}
    assert len(register.traces()) == 2
    rows = register.rows()
    end = rows[rows["endpoint"] == "t_plateau_end"]
    assert end["time_lower_s"].tolist() == [1140.0]
    assert end["time_upper_s"].isna().all()


def test_whole_curves_take_the_traces_of_runs(register: Register, log: Path) -> None:
    add_traces(register, log, channels={"Probe 2": "8"})
    started = started_traces(register)
    assert [(t.run, t.block, t.start_temp_c) for t in started] == [
        ("north/b1/7", "north/b1", 20.0),
        ("north/b1/8", "north/b1", 60.0),
    ]
    assert all(np.isfinite(t.sink_c) for t in started)
    found = mf.compare_whole_curves(started, hot_c=60.0, cold_c=20.0)
    assert len(found.events) == 2


def test_a_second_probe_of_a_run_is_kept_and_gives_no_second_outcomes(
    register: Register, log: Path
) -> None:
    entry = add_traces(register, log, channels={"Probe 1": "7", "Probe 2": "7"})
    assert "another-probe" in {f.rule for f in entry.notes}
    rows = register.rows()
    ice = rows[(rows["run_id"] == "7") & (rows["endpoint"] == "t_first_ice")]
    assert ice["trace_channel"].tolist() == ["Probe 1"]
    assert [t.probe for t in started_traces(register)] == ["1", "2"]
