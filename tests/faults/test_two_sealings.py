"""Two people seal a plan at the same moment: one plan stands, and the other is told."""

import multiprocessing
from pathlib import Path

import pytest
from register_writer import write_sheet

from metafreeze.cli.main import answer
from metafreeze.errors import InputError
from metafreeze.register.folder.sealing import ROWS_AT_SEAL, SEAL, make_plan, seal_of
from metafreeze.register.folder.store import Register, create_register, open_register

WRITERS = 4
ROUNDS = 5


def plan(hot: float) -> dict[str, object]:
    return make_plan(endpoint="t_solid", pair=(hot, 20.0), smallest_effect=0.05)


def seal_at_once(path: Path, hot: float, barrier, said) -> None:
    barrier.wait()
    said.put((hot, answer(["seal", str(path), "--pair", str(hot), "20"])))


def test_one_of_several_that_seal_at_once_is_told_yes(tmp_path: Path) -> None:
    fork = multiprocessing.get_context("fork")
    for k in range(ROUNDS):
        path = tmp_path / f"r{k}"
        create_register(path, primary_endpoint="t_solid")
        barrier, said = fork.Barrier(WRITERS), fork.Queue()
        at_once = [
            fork.Process(target=seal_at_once, args=(path, 60.0 + n, barrier, said))
            for n in range(WRITERS)
        ]
        for process in at_once:
            process.start()
        answers = dict(said.get(timeout=60) for _ in at_once)
        for process in at_once:
            process.join()
        told = [hot for hot, code in answers.items() if code == 0]
        assert len(told) == 1
        register = open_register(path)
        assert register.plan["pair"] == [told[0], 20.0]
        assert register.plan[SEAL] == seal_of(register.plan)
        assert register.history().to_frame()["kind"].tolist().count("plan") == 1


def test_what_another_sealed_since_the_register_was_opened_stands(tmp_path: Path) -> None:
    path = tmp_path / "winter"
    here, there = create_register(path), open_register(path)
    here.seal_plan(plan(80.0))
    with pytest.raises(InputError, match=r"^This plan is sealed already\. A sealed plan is not"):
        there.seal_plan(plan(90.0))
    assert open_register(path).plan["pair"] == [80.0, 20.0]


def test_rows_that_another_adds_just_before_are_counted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    create_register(tmp_path / "winter", lab="north kitchen", primary_endpoint="t_solid")
    real = Register.seal_plan

    def after_another_writer(register: Register, plan: dict[str, object]) -> object:
        sheet = write_sheet(tmp_path / "late.csv", "late", 5)
        open_register(register.path).add(sheet)
        return real(register, plan)

    monkeypatch.setattr(Register, "seal_plan", after_another_writer)
    assert answer(["seal", str(tmp_path / "winter"), "--pair", "80", "20"]) == 0
    sealed = open_register(tmp_path / "winter").plan
    assert (sealed[ROWS_AT_SEAL], sealed[SEAL]) == (5, seal_of(sealed))
