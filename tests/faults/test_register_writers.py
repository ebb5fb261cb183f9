"""Writers that are killed, and writers at the same time: nothing acknowledged is lost."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from metafreeze.register.folder.store import create_register, open_register

WRITER = Path(__file__).parent.parent / "register_writer.py"
ROWS = 5


def start(register, name: str, count: int) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, str(WRITER), str(register.path), name, str(count), str(ROWS)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def entries_by_sheet(register) -> dict[str, int]:
    """Give the rows that show, by sheet."""
    rows = register.rows()
    return rows.groupby("file_name")["run_id"].nunique().to_dict()


@pytest.mark.skipif(os.name == "nt", reason="there is no signal that cannot be caught")
@pytest.mark.parametrize(
    "moments", [2, pytest.param(50, marks=pytest.mark.slow)], ids=["few", "fifty"]
)
def test_a_writer_killed_at_any_moment_loses_nothing_and_leaves_no_half(tmp_path, moments):
    register = create_register(tmp_path / "winter", lab="north kitchen", primary_endpoint="t_solid")
    chance = random.Random(20240117)
    acknowledged: dict[str, str] = {}
    unacknowledged = 0
    for moment in range(moments):
        writer = start(register, f"w{moment}", 10_000)
        first = writer.stdout.readline()  # it is at work now
        time.sleep(chance.uniform(0, 0.2))
        writer.send_signal(signal.SIGKILL)
        rest, trouble = writer.communicate(timeout=60)
        assert writer.returncode == -signal.SIGKILL, trouble
        lines = (first + rest).splitlines(keepends=True)
        said = dict(line.split() for line in lines if line.endswith("\n"))
        acknowledged.update(said)

        again = open_register(register.path)
        assert again.damage == ()
        found = entries_by_sheet(again)
        assert set(found.values()) == {ROWS}, "every entry is whole"
        assert {f"{name}.csv" for name in acknowledged} <= set(found)
        # The line of one entry may be whole on the disk while its word was not out yet.
        unacknowledged = len(found) - len(acknowledged)
        assert unacknowledged <= moment + 1
        past = again.history().to_frame()
        ids = dict(zip(past["files"].str.removesuffix(".csv"), past["entry_id"], strict=True))
        assert {name: ids[name] for name in acknowledged} == acknowledged
    print(f"{moments} kills, {len(acknowledged)} acknowledged, {unacknowledged} in flight")
    assert acknowledged


@pytest.mark.parametrize(
    ("writers", "sheets"),
    [(2, 6), pytest.param(8, 25, marks=pytest.mark.slow)],
    ids=["two", "eight"],
)
def test_writers_at_the_same_time_lose_nothing(tmp_path, writers, sheets):
    register = create_register(tmp_path / "winter", lab="north kitchen", primary_endpoint="t_solid")
    at_work = [start(register, f"w{number}", sheets) for number in range(writers)]
    said: dict[str, str] = {}
    for writer in at_work:
        out, trouble = writer.communicate(timeout=500)
        assert writer.returncode == 0, trouble
        said.update(line.split() for line in out.splitlines())
    assert len(said) == writers * sheets
    assert sorted(said.values()) == [f"e{k:04d}" for k in range(1, writers * sheets + 1)]
    assert entries_by_sheet(register) == {f"{name}.csv": ROWS for name in said}
    assert register.damage == ()
