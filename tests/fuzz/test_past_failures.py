"""Inputs with which the package once failed, and some new ones; each judged as in the long runs.

The long runs have their own command, tests/fuzz/run.py, and their table beside it.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import pytest
import wild_inputs
from hypothesis import HealthCheck, given, settings
from wild_inputs import Judgement, judge_file, wild_file
from wild_tables import sheets

from metafreeze.errors import InputError
from metafreeze.register.folder.store import create_register

HERE = Path(__file__).parent
CORPUS = sorted((HERE / "corpus").iterdir())
SEED = 20251125
# Of the processor, for a small file; the machine that runs the tests may be slow.
MOST_SECONDS = 5.0


@pytest.mark.parametrize("path", CORPUS, ids=lambda path: path.name)
def test_what_once_failed_is_read_or_refused_in_time(path):
    begin = time.process_time()
    judged = judge_file(f"sheet{path.suffix}", path.read_bytes())
    assert not judged.bad, judged.outcome
    assert time.process_time() - begin < MOST_SECONDS


def test_spoilt_files_are_read_or_refused():
    outcomes = set()
    for number in range(150):
        judged = judge_file(*wild_file(SEED, number))
        assert not judged.bad, (number, judged.outcome)
        outcomes.add(judged.outcome)
    assert outcomes == {"accepted", "refused"}


@pytest.fixture(scope="module")
def register(tmp_path_factory):
    folder = tmp_path_factory.mktemp("fuzz")
    return create_register(folder / "r", primary_endpoint="t_solid", lab="A")


@settings(max_examples=40, suppress_health_check=list(HealthCheck))
@given(sheet=sheets())
def test_written_tables_are_added_whole_or_refused(register, sheet):
    judged = judge_file(*sheet, register=register)
    assert not judged.bad, judged.outcome


def test_the_same_number_gives_the_same_file():
    assert [wild_file(SEED, k) for k in range(20)] == [wild_file(SEED, k) for k in range(20)]
    assert wild_file(SEED, 1) != wild_file(SEED + 1, 1)


SOUND = b"run,start (\xc2\xb0C),freeze (min),lab\nR1,80,41,A\nR2,20,39,A\n"


def sound_check(**changes):
    from dataclasses import replace

    from naming_sheets import check_text

    return replace(check_text(SOUND.decode()), **changes)


@pytest.mark.parametrize(
    ("changes", "outcome"),
    [
        (lambda check: {"accepted": False}, "refused without a finding"),
        (
            lambda check: {"rows": changed(check.rows, "start_temp_c", [200.0, 20.0])},
            "start_temp_c np.float64(200.0) was accepted",
        ),
        (
            lambda check: {"rows": changed(check.rows, "lid", ["loosely", None])},
            "lid 'loosely' was accepted",
        ),
        (
            lambda check: {"rows": changed(check.rows, "time_lower_s", [9e9, 1.0])},
            "a window that ends before it begins was accepted",
        ),
        (lambda check: {"bins": check.bins[:1]}, "rows and their bins differ"),
    ],
)
def test_the_judge_sees_what_may_not_be(monkeypatch, changes, outcome):
    assert judge_file("sheet.csv", SOUND) == Judgement(outcome="accepted")
    wrong = sound_check(**changes(sound_check()))
    monkeypatch.setattr(wild_inputs, "check_file", lambda path: wrong)
    assert judge_file("sheet.csv", SOUND) == Judgement(outcome=outcome, bad=True)


def changed(rows, name, values):
    import pyarrow as pa

    at = rows.schema.get_field_index(name)
    return rows.set_column(
        at, rows.schema.field(name), pa.array(values, rows.schema.field(name).type)
    )


def test_the_judge_sees_a_lost_row_and_a_refusal_without_words(monkeypatch, tmp_path):
    register = create_register(tmp_path / "r", primary_endpoint="t_solid")
    assert judge_file("sheet.csv", SOUND, register=register).outcome == "added"

    class Forgetful(type(register)):
        def rows(self):
            return super().rows().iloc[:-1] if len(super().rows()) > 2 else super().rows()

    forgetful = Forgetful(register.path)
    judged = judge_file("more.csv", SOUND.replace(b"R", b"S"), register=forgetful)
    assert judged.bad and judged.outcome == "2 rows, 2 new, then 3"

    def silent(path):
        raise InputError("  ")

    monkeypatch.setattr(wild_inputs, "check_file", silent)
    assert judge_file("x.csv", b"").outcome == "refused without a word"


def test_the_command_runs_a_block_and_makes_failures_small(monkeypatch, tmp_path):
    monkeypatch.syspath_prepend(str(HERE))
    monkeypatch.delitem(sys.modules, "run", raising=False)
    import run

    block = run.Block(tmp_path / "current")
    run.run_spoilt(block, SEED, 0, 5)
    run.run_written(block, SEED, 0, 5)
    assert block.counts["inputs"] >= 9 and block.failures == {}
    assert '"failures": {}' in block.report()

    def break_on_eighty(path):
        if b"80" in path.read_bytes():
            raise ZeroDivisionError
        raise InputError("refused")

    monkeypatch.setattr(wild_inputs, "check_file", break_on_eighty)
    block.take("sheet.csv", SOUND)
    ((wrong, (name, small)),) = block.failures.items()
    assert wrong.startswith("ZeroDivisionError in ")
    assert (name, small) == ("sheet.csv", b"80")
