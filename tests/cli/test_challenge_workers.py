"""The same answer however many share the work, on a cluster too; Ctrl-C leaves nothing behind."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time

import joblib
import pytest

import metafreeze as mf
from metafreeze.cli.demo_sheets import demo_sheets

PAIR = (80.0, 20.0)


@pytest.fixture(scope="module")
def rows():
    """Rows of the invented network, apart from times not seen exactly, so that fits are quick."""
    import tempfile
    from pathlib import Path

    with tempfile.TemporaryDirectory() as folder:
        register = mf.create_register(Path(folder) / "r", primary_endpoint="t_solid")
        register.add(demo_sheets())
        whole = register.rows()
    return whole[whole["time_lower_s"].eq(whole["time_upper_s"]).fillna(False)]


def spelled(rows, **how):
    found = mf.challenge(rows, endpoint="t_solid", pair=PAIR, **how)
    return json.dumps(found.to_dict(), default=str)


@pytest.mark.slow
def test_two_workers_give_what_one_gives(rows):
    assert spelled(rows, workers=2) == spelled(rows, workers=1)


@pytest.mark.slow
def test_a_dask_cluster_gives_what_one_process_gives(rows):
    distributed = pytest.importorskip("distributed", reason="extra test installs it")
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, dashboard_address=None, processes=True
        ) as cluster,
        distributed.Client(cluster),
        joblib.parallel_config(backend="dask", n_jobs=-1),
    ):
        shared = spelled(rows)
    assert shared == spelled(rows, workers=1)


@pytest.mark.slow
def test_the_command_shares_its_work_with_a_cluster(tmp_path, capsys):
    distributed = pytest.importorskip("distributed", reason="extra test installs it")
    from metafreeze.cli.main import answer

    sheets = [str(s) for s in demo_sheets()]
    asked = ["challenge", *sheets, "--endpoint", "t_solid", "--pair", "80", "20", "--json"]
    assert answer(asked) == 0
    alone = json.loads(capsys.readouterr().out)["challenge"]
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, processes=True
    ) as cluster:
        assert answer([*asked, "--cluster", cluster.scheduler_address]) == 0
    assert json.loads(capsys.readouterr().out)["challenge"] == alone


def test_a_cluster_that_is_not_there_is_named(capsys):
    from metafreeze.cli.main import answer

    sheets = [str(s) for s in demo_sheets()]
    asked = ["challenge", *sheets, "--endpoint", "t_solid", "--cluster", "nowhere"]
    assert answer(asked) == 2
    assert "Nobody answers at nowhere" in capsys.readouterr().err


def contents(folder):
    return {p.relative_to(folder): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="signals of a terminal are POSIX")
@pytest.mark.parametrize("workers", ["1", "2"])
def test_ctrl_c_leaves_the_register_as_it_was(tmp_path, workers):
    folder = tmp_path / "r"
    register = mf.create_register(folder, primary_endpoint="t_solid")
    register.add(demo_sheets())
    before = contents(folder)
    command = [sys.executable, "-m", "metafreeze", "challenge", str(folder), "--pair", "80", "20",
               "--thorough", "--workers", workers]  # fmt: skip
    running = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    # Until it says that it is at work, which it does on standard error after two seconds.
    assert "Challenging" in running.stderr.readline()
    time.sleep(1.0)
    # As a terminal does: to everybody in the foreground.
    os.killpg(running.pid, signal.SIGINT)
    out, err = running.communicate(timeout=60)
    assert running.returncode == 130, err
    assert out == ""
    assert "Stopped. Nothing was changed." in err
    assert contents(folder) == before
