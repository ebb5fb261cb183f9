"""A disk that refuses, at every single step of writing; and dying at every single step."""

from __future__ import annotations

import errno
import os
import shutil
from pathlib import Path

import pytest
from checked_sheets import runs, take

from metafreeze.errors import RegisterError
from metafreeze.register.folder import disk, locking
from metafreeze.register.folder.store import create_register, open_register

STEPS = ("open", "write", "fsync", "replace", "ftruncate")


class BrokenDisk:
    """The calls of `os` through which the register writes; the `fails_at`-th one fails.

    Parameters
    ----------
    fails_at : int
        Which of the counted calls fails, from 0; none where it is larger than their number.
    code : int
        Its error number.
    for_good : bool
        Whether every later call fails too and nothing can be tidied up, which leaves on
        the disk what a process killed at that moment leaves.
    """

    def __init__(self, fails_at: int, code: int = errno.ENOSPC, *, for_good: bool = False) -> None:
        self.fails_at, self.code, self.for_good = fails_at, code, for_good
        self.calls: list[str] = []

    def __getattr__(self, name):
        real = getattr(os, name)
        if name not in STEPS:
            return real

        def counted(*args, **kwargs):
            self.calls.append(name)
            place = len(self.calls) - 1
            if place == self.fails_at and name == "write":
                real(args[0], bytes(args[1])[: len(args[1]) // 2])  # half of it gets there
            if place == self.fails_at or (self.for_good and place > self.fails_at):
                raise OSError(self.code, os.strerror(self.code))
            return real(*args, **kwargs)

        return counted


@pytest.fixture
def template(tmp_path):
    register = create_register(tmp_path / "template", lab="north kitchen")
    take(register, tmp_path, runs(3), name="first.csv")
    return register.path


def files_of(folder: Path) -> dict[str, bytes]:
    return {
        str(p.relative_to(folder)): p.read_bytes()
        for p in folder.rglob("*")
        if p.is_file() and p.name != ".lock"
    }


def steps_of_an_entry(template, tmp_path, monkeypatch) -> list[str]:
    shutil.copytree(template, tmp_path / "counted")
    counting = BrokenDisk(10**6)
    with monkeypatch.context() as patch:
        patch.setattr(disk, "os", counting)
        take(open_register(tmp_path / "counted"), tmp_path, runs(4, first=3), name="second.csv")
    return counting.calls


def test_a_disk_that_refuses_any_step_leaves_no_trace(template, tmp_path, monkeypatch):
    steps = steps_of_an_entry(template, tmp_path, monkeypatch)
    assert steps.count("fsync") == 5, "copy, its folder, part, its folder, journal line"
    for step in range(len(steps)):
        shutil.copytree(template, tmp_path / f"{step}")
        register = open_register(tmp_path / f"{step}")
        before = files_of(register.path)
        with monkeypatch.context() as patch:
            patch.setattr(disk, "os", BrokenDisk(step))
            with pytest.raises(RegisterError, match=r"The disk is full. Free some space"):
                take(register, tmp_path, runs(4, first=3), name="second.csv")
        assert files_of(register.path) == before, (step, steps[step])
        assert take(register, tmp_path, runs(4, first=3), name="second.csv").new == 4
        assert register.damage == ()


def test_dying_at_any_step_leaves_an_entry_whole_or_absent(template, tmp_path, monkeypatch):
    steps = steps_of_an_entry(template, tmp_path, monkeypatch)
    committed = []
    for step in range(len(steps)):
        shutil.copytree(template, tmp_path / f"{step}")
        register = open_register(tmp_path / f"{step}")
        with monkeypatch.context() as patch:
            patch.setattr(disk, "os", BrokenDisk(step, for_good=True))
            patch.setattr(Path, "unlink", lambda *_, **__: None)
            with pytest.raises(RegisterError):
                take(register, tmp_path, runs(4, first=3), name="second.csv")
        again = open_register(register.path)
        assert again.damage == ()
        shown = len(again.rows())
        assert shown in (3, 7), "never a part of an entry"
        committed.append(shown == 7)
        entry = take(again, tmp_path, runs(4, first=3), name="second.csv")
        assert (entry.new, entry.already_there) == ((0, 4) if shown == 7 else (4, 0))
        assert len(again.rows()) == 7
        assert again.damage == ()
    # Only once the journal line is written, while it is being synced, may it be there.
    assert committed == [False] * (len(steps) - 1) + [True]


def test_making_a_register_survives_dying_at_any_step(tmp_path, monkeypatch):
    counting = BrokenDisk(10**6)
    with monkeypatch.context() as patch:
        patch.setattr(disk, "os", counting)
        create_register(tmp_path / "counted", title="Winter")
    for step in range(len(counting.calls)):
        folder = tmp_path / f"{step}"
        with monkeypatch.context() as patch:
            patch.setattr(disk, "os", BrokenDisk(step, for_good=True))
            patch.setattr(Path, "unlink", lambda *_, **__: None)
            with pytest.raises(RegisterError, match=r"could not be made"):
                create_register(folder, title="Winter")
        if not (folder / "register.toml").exists():
            create_register(folder, title="Winter")
        assert open_register(folder).title == "Winter"
        assert take(open_register(folder), tmp_path, runs(2)).new == 2
        assert open_register(folder).damage == ()


@pytest.mark.parametrize(
    ("code", "remedy"),
    [
        (errno.EROFS, "The disk is read-only. Copy the register to a place where you may write"),
        (errno.EACCES, "You may not write there. Copy the register"),
        (errno.EFBIG, "The disk takes no larger file"),
        (errno.EIO, "Look after the disk and the folder, and try again"),
    ],
)
def test_each_trouble_names_its_remedy(template, tmp_path, monkeypatch, code, remedy):
    register = open_register(template)
    with monkeypatch.context() as patch:
        patch.setattr(disk, "os", BrokenDisk(0, code))
        with pytest.raises(RegisterError) as refused:
            take(register, tmp_path, runs(4, first=3), name="second.csv")
    assert str(refused.value).startswith("The entry could not be written: ")
    assert remedy in str(refused.value)
    assert str(refused.value).endswith("Nothing was changed.")
    assert isinstance(refused.value.__cause__, OSError)


def test_a_folder_that_may_only_be_read_is_read(template, tmp_path, monkeypatch):
    register = open_register(template)

    def refuse(*_, **__):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr("filelock.FileLock.acquire", refuse)
    monkeypatch.setattr(disk, "os", BrokenDisk(0, errno.EACCES, for_good=True))
    assert len(register.rows()) == 3
    assert register.damage == ()
    assert register.ledger().totals["used"] == 3
    assert register.cache_put("pool", "k", b"x") is False
    with pytest.raises(RegisterError, match=r"could not be locked: .* You may not write there"):
        register.undo("e0001")


def test_ctrl_c_while_the_line_is_written_leaves_everything_as_it_was(
    template, tmp_path, monkeypatch
):
    register = open_register(template)
    before = files_of(register.path)

    class Interrupted(BrokenDisk):
        def __getattr__(self, name):
            if name == "fsync" and self.calls.count("ftruncate"):
                raise KeyboardInterrupt
            return super().__getattr__(name)

    with monkeypatch.context() as patch:
        patch.setattr(disk, "os", Interrupted(10**6))
        with pytest.raises(KeyboardInterrupt):
            take(register, tmp_path, runs(4, first=3), name="second.csv")
    assert files_of(register.path) == before


def test_a_writer_that_waits_too_long_is_told_for_whom(template, tmp_path):
    register = open_register(template)
    register.wait_s = 0.05
    with locking.one_writer(register.path):
        with pytest.raises(RegisterError) as refused:
            register.undo("e0001")
        assert len(register.rows()) == 3, "readers need no lock"
    message = str(refused.value)
    assert message.startswith(f"Process {os.getpid()} on ")
    assert "is writing to the register template" in message
    assert f"This process ({os.getpid()}) waited 0.05 s for it." in message
    assert "Let the other one finish, or end it, and try again." in message
    assert register.undo("e0001").id == "e0002"
