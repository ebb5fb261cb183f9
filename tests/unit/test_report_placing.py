"""A report's folder changes as a whole, wherever it lies and whatever else it holds."""

import os
import stat
from pathlib import Path

import pandas as pd
import pytest

from metafreeze.errors import UsageError
from metafreeze.reporting import placing
from metafreeze.reporting.files import is_report, read_report
from metafreeze.reporting.placing import READY, put_in_place

NAMES = ("report.html", "report.pdf", "results.json", "figures/all-1.svg", "tables/rows.csv")
STATES = [{name: f"{name} of state {k}".encode() for name in NAMES} for k in (0, 1)]
swaps = pytest.mark.skipif(os.sys.platform != "linux", reason="the system has no such call")


class Killed(BaseException):
    """Stands for the end of the process: nothing after it runs."""


def write(out: Path, state: dict[str, bytes]) -> None:
    with put_in_place(out) as folder:
        for name, content in state.items():
            (folder / name).parent.mkdir(exist_ok=True)
            (folder / name).write_bytes(content)


def contents(folder: Path) -> dict[str, bytes]:
    return {
        p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()
    }


def names_beside(out: Path) -> list[str]:
    return sorted(path.name for path in out.parent.iterdir())


@pytest.fixture
def out(tmp_path: Path) -> Path:
    out = tmp_path / "here" / "out"
    write(out, STATES[0])
    return out


@swaps
def test_the_folder_is_swapped_in_one_step(out: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before, seen = out.stat().st_ino, []
    real = placing._swap
    monkeypatch.setattr(
        placing,
        "_swap",
        lambda new, old: (
            seen.append(contents(old)),
            real(new, old),
            seen.append(contents(old)),
        )[1],
    )
    write(out, STATES[1])
    assert seen == STATES
    assert out.stat().st_ino != before
    assert names_beside(out) == ["out"]


def test_files_of_the_user_stay_the_very_same_files(out: Path) -> None:
    (out / "notes.txt").write_text("mine", "utf-8")
    (out / "tables" / "mine.csv").write_text("a,b", "utf-8")
    numbers = [(out / name).stat().st_ino for name in ("notes.txt", "tables/mine.csv")]
    write(out, STATES[1])
    assert contents(out) == {**STATES[1], "notes.txt": b"mine", "tables/mine.csv": b"a,b"}
    assert [(out / n).stat().st_ino for n in ("notes.txt", "tables/mine.csv")] == numbers
    assert (out / "notes.txt").stat().st_nlink == 1


@swaps
@pytest.mark.parametrize("saving", ["a new file", "over the old one"])
def test_what_is_saved_in_the_last_moment_is_not_lost(
    out: Path, monkeypatch: pytest.MonkeyPatch, saving: str
) -> None:
    (out / "notes.txt").write_text("mine", "utf-8")
    real, calls = placing._carry, []

    def carry(old: Path, new: Path, written: set[Path]) -> None:
        real(old, new, written)
        calls.append(old)
        if len(calls) == 1 and saving == "a new file":
            (out / "late.txt").write_text("late", "utf-8")
        elif len(calls) == 1:
            (out / "notes.new").write_text("late", "utf-8")
            (out / "notes.new").replace(out / "notes.txt")

    monkeypatch.setattr(placing, "_carry", carry)
    write(out, STATES[1])
    found = contents(out)
    assert len(calls) == 2
    expected = {"a new file": [b"mine", b"late"], "over the old one": [b"late"]}[saving]
    assert [found[name] for name in ("notes.txt", "late.txt") if name in found] == expected
    assert {name: found[name] for name in NAMES} == STATES[1]


@pytest.mark.parametrize("place", ["working folder", "above it", "folders", "link in it"])
def test_a_folder_that_somebody_would_miss_stays_itself(
    out: Path, monkeypatch: pytest.MonkeyPatch, place: str
) -> None:
    (out / "deeper").mkdir()
    (out / "deeper" / "mine.txt").write_text("mine", "utf-8")
    if place == "working folder":
        (out / "deeper" / "mine.txt").unlink()
        (out / "deeper").rmdir()
        monkeypatch.chdir(out)
        write(Path(), STATES[1])
    elif place == "above it":
        monkeypatch.chdir(out / "deeper")
        before = out.stat().st_ino
        write(Path("..").resolve(), STATES[1])
        assert out.stat().st_ino == before
    else:
        if place == "link in it":
            (out / "deeper" / "mine.txt").rename(out / "mine.txt")
            (out / "deeper").rmdir()
            (out / "deeper").symlink_to(out.parent)
        before = out.stat().st_ino
        write(out, STATES[1])
        assert out.stat().st_ino == before
        assert (out / "deeper").is_symlink() == (place == "link in it")
    found = {n: c for n, c in contents(out).items() if not n.endswith("mine.txt")}
    assert found == STATES[1]
    assert names_beside(out) == ["out"]


def test_a_link_to_the_folder_stays_a_link(out: Path) -> None:
    link = out.parent.parent / "link"
    link.symlink_to(out)
    write(link, STATES[1])
    assert link.is_symlink() and contents(out) == STATES[1]


def test_a_mounted_disk_is_not_swapped(out: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(placing.os.path, "ismount", lambda path: path == out)
    before = out.stat().st_ino
    write(out, STATES[1])
    assert (out.stat().st_ino, contents(out)) == (before, STATES[1])


@pytest.mark.parametrize("trouble", ["no such call", "refused", "no links"])
def test_without_a_swap_the_files_are_moved_in(
    out: Path, monkeypatch: pytest.MonkeyPatch, trouble: str
) -> None:
    (out / "notes.txt").write_text("mine", "utf-8")
    if trouble == "no links":

        def link(*_: object) -> None:
            raise PermissionError(1, "Operation not permitted")

        monkeypatch.setattr(placing.os, "link", link)
    else:

        class Library:
            def __init__(self, *_: object, **__: object) -> None:
                if trouble == "refused":
                    self.renameat2 = lambda *_: -1

        monkeypatch.setattr(placing.ctypes, "CDLL", Library)
    write(out, STATES[1])
    assert contents(out) == {**STATES[1], "notes.txt": b"mine"}
    assert names_beside(out) == ["out"]


@pytest.mark.parametrize("moved", range(len(NAMES)))
def test_an_end_while_files_are_moved_in_is_mended_by_the_next_writer(
    out: Path, monkeypatch: pytest.MonkeyPatch, moved: int
) -> None:
    (out / "deeper").mkdir()
    real, calls = Path.replace, []

    def replace(path: Path, target: Path) -> Path:
        calls.append(path)
        if len(calls) > moved:
            raise Killed
        return real(path, target)

    with monkeypatch.context() as patch, pytest.raises(Killed):
        patch.setattr(Path, "replace", replace)
        write(out, STATES[1])
    assert (out / READY).is_dir() and is_report(out)
    shown = {name: placing.where_it_stands(out, name).read_bytes() for name in NAMES}
    assert shown == STATES[1], "whoever reads by the package sees the new report whole"
    placing.finish(out)
    assert contents(out) == STATES[1]


def test_a_report_that_is_not_moved_in_yet_is_read_whole(tmp_path: Path) -> None:
    def state(k: int) -> None:
        frame = pd.DataFrame({"a": [k]})
        (folder / "tables").mkdir(parents=True)
        (folder / "results.json").write_text(
            f'{{"register": {k}, "pool": {k}, "challenge": {k}}}', "ascii"
        )
        (folder / "tables/dictionary.csv").write_text("table,column\nrows,a\n", "ascii")
        frame.to_parquet(folder / "tables/rows.parquet")

    folder = tmp_path / "out"
    state(1)
    folder = tmp_path / "out" / READY
    state(2)
    (folder / "tables/rows.parquet").replace(tmp_path / "out/tables/rows.parquet")
    pd.DataFrame({"a": [0]}).to_parquet(tmp_path / "out/tables/against-rows.parquet")
    bundle = read_report(tmp_path / "out")
    assert bundle.results == {"register": 2, "pool": 2, "challenge": 2}
    assert list(bundle.tables) == ["rows"], "a table of an earlier report is none of this one"
    assert bundle.tables["rows"]["a"].tolist() == [2]
    (tmp_path / "out/tables/rows.parquet").unlink()
    with pytest.raises(UsageError, match="cannot be read as a report"):
        read_report(tmp_path / "out")


def test_what_a_killed_writer_left_is_removed_and_nothing_else(out: Path, tmp_path: Path) -> None:
    beside = out.parent
    digest = placing.hashlib.sha256(b"out").hexdigest()[:12]
    left = [beside / f".report.{digest}.abc.partial", out / ".report.abc.partial"]
    kept = [beside / ".out.partial", beside / ".report.mine", beside / ".report.other.partial"]
    for folder in (*left, *kept):
        (folder / "report").mkdir(parents=True)
        (folder / "report" / "x.txt").write_text("x", "ascii")
    file = beside / f".report.{digest}.file.partial"
    file.write_text("mine", "ascii")
    link = beside / f".report.{digest}.link.partial"
    link.symlink_to(tmp_path)
    write(out, STATES[1])
    assert contents(out) == STATES[1]
    assert not any(folder.exists() for folder in left)
    assert all(path.exists() for path in (*kept, file, link))


def test_the_folder_is_private_while_it_is_filled_and_as_before_afterwards(out: Path) -> None:
    out.chmod(0o750)
    seen = []
    with put_in_place(out) as folder:
        seen = [stat.S_IMODE(folder.parent.stat().st_mode), folder.parent.parent]
        (folder / "report.html").write_text("x", "ascii")
    assert seen == [0o700, out.parent]
    assert stat.S_IMODE(out.stat().st_mode) == 0o750
    fresh = out.parent / "fresh"
    plain = out.parent / "plain"
    plain.mkdir()
    write(fresh, STATES[0])
    assert fresh.stat().st_mode == plain.stat().st_mode


def test_a_long_name_is_no_hindrance(tmp_path: Path) -> None:
    out = tmp_path / ("n" * 250)
    for state in STATES:
        write(out, state)
        assert contents(out) == state


def test_two_writers_leave_one_report_whole(out: Path) -> None:
    with pytest.raises(FileNotFoundError), put_in_place(out) as folder:
        (folder / "report.html").write_text("half", "ascii")
        write(out, STATES[1])
    assert contents(out) == STATES[1]
    assert names_beside(out) == ["out"]
