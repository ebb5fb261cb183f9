"""The same register and seed give the same bytes, whoever shares the work."""

import hashlib

import joblib
import pytest

import metafreeze as mf
from metafreeze.cli.demo_sheets import demo_sheets


def digests(folder):
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.mark.slow
def test_two_runs_and_two_workers_write_the_same_files(tmp_path):
    written = []
    for place, workers in enumerate((1, 1, 2)):
        register = mf.create_register(
            tmp_path / f"register{place}", title="Invented", primary_endpoint="t_solid"
        )
        register.add(demo_sheets())
        with joblib.parallel_config(n_jobs=workers):
            mf.report(register, out=tmp_path / f"report{place}")
        written.append(digests(tmp_path / f"report{place}"))
    assert {"report.html", "report.pdf", "results.json"} <= set(written[0])
    assert written[0] == written[1]
    assert written[0] == written[2]
