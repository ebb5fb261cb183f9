"""The machine around the register: disks that end, folders that refuse, locales, clocks, names.

Commands run as processes of their own, with real limits of the system where it has them.
"""

from __future__ import annotations

import ctypes
import datetime as dt
import errno
import json
import os
import resource
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from metafreeze.cli.main import answer
from metafreeze.register.folder import writing
from metafreeze.register.folder.store import create_register, open_register

SHEET = "run,start (°C),freeze time (min)\nR1,80.5,41.25\nR2,20.5,39.75\n"
MORE = "run,start (°C),freeze time (min)\n" + "".join(f"S{k},20,{40 + k}\n" for k in range(400))

ENOUGH_BYTES = 6_000  # for lock, journal and settings, and too little for the copy of MORE


def command(
    *words: str,
    folder: Path,
    before: Callable[[], object] | None = None,
    **environment: str,
) -> subprocess.CompletedProcess[bytes]:
    """Run the command line in a folder, in a process with these variables."""
    done = subprocess.run(
        [sys.executable, "-m", "metafreeze", *words],
        cwd=folder,
        env={**os.environ, "COLUMNS": "100", **environment},
        capture_output=True,
        preexec_fn=before,
        timeout=120,
        check=False,
    )
    # On a busy machine adding takes over two seconds and says so first.
    done.stderr = done.stderr.removeprefix("Adding …\n".encode())
    return done


def files_of(folder: Path) -> dict[str, bytes]:
    return {
        str(p.relative_to(folder)): p.read_bytes()
        for p in sorted(folder.rglob("*"))
        if p.is_file() and p.name != ".lock"
    }


@pytest.fixture
def winter(tmp_path: Path) -> Path:
    register = create_register(tmp_path / "winter", lab="barn", primary_endpoint="t_solid")
    (tmp_path / "trials.csv").write_text(SHEET, "utf-8")
    (tmp_path / "more.csv").write_text(MORE, "utf-8")
    register.add(tmp_path / "trials.csv")
    return register.path


# A disk that takes no more, and a folder that takes nothing


def test_a_file_that_the_system_cuts_off_leaves_the_register_as_it_was(winter: Path) -> None:
    before = files_of(winter)

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (ENOUGH_BYTES, ENOUGH_BYTES))

    done = command("add", "winter", "more.csv", folder=winter.parent, before=limit)
    assert done.returncode == 1
    assert done.stderr.decode() == (
        "The entry could not be written: File too large. The disk takes no larger file. Free some "
        "space or use another disk. Nothing was changed.\n"
    )
    assert files_of(winter) == before
    assert open_register(winter).add(winter.parent / "more.csv").new == 400


def without_override() -> None:
    """Give up the right of the superuser to write where permissions forbid it."""
    libc = ctypes.CDLL(None, use_errno=True)
    drop_from_bounding_set, override = 24, 1
    if os.geteuid() == 0 and libc.prctl(drop_from_bounding_set, override, 0, 0, 0):
        raise OSError(ctypes.get_errno(), "prctl")


@pytest.mark.skipif(sys.platform != "linux", reason="permissions of other systems differ")
def test_a_folder_that_may_only_be_read_is_read_and_not_written(winter: Path) -> None:
    before = files_of(winter)
    folders = [winter, *(p for p in winter.rglob("*") if p.is_dir())]
    for path in (*folders, *(p for p in winter.rglob("*") if p.is_file())):
        path.chmod(0o555 if path.is_dir() else 0o444)
    try:
        read = command("history", "winter", folder=winter.parent, before=without_override)
        write = command("undo", "winter", "e0001", folder=winter.parent, before=without_override)
    finally:
        for path in folders:
            path.chmod(0o755)
    assert (read.returncode, read.stderr) == (0, b"")
    assert b"e0001" in read.stdout
    assert write.returncode == 1
    said = write.stderr.decode()
    assert said.startswith("The register winter could not be locked: Permission denied. You may")
    assert said.endswith("Nothing was changed.\n") and "Traceback" not in said
    assert files_of(winter) == before


@pytest.mark.parametrize("words", [["export", "winter", "--out"], ["template", "runs", "--out"]])
def test_a_place_that_takes_no_file_is_named(
    winter: Path, words: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture
) -> None:
    monkeypatch.chdir(winter.parent)
    assert answer([*words, str(winter.parent / "nowhere" / "x.csv")]) == 1
    said = capsys.readouterr().err
    assert "No such file or directory" in said and "x.csv" in said


def test_a_report_on_a_full_disk_keeps_the_earlier_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from metafreeze.reporting import files
    from metafreeze.reporting.content import Report, say

    names = ("report.html", "report.pdf", "results.json", "tables/rows.csv")
    states = [{name: f"{name} {k}".encode() for name in names} for k in (0, 1)]
    out = tmp_path / "out"
    monkeypatch.setattr(files, "report_files", lambda *_, **__: states[0])
    files.write_report(Report(title=say("Winter")), {}, {}, out)
    monkeypatch.setattr(files, "report_files", lambda *_, **__: states[1])
    synced: list[int] = []

    def full_at_third(handle: int) -> None:
        synced.append(handle)
        if len(synced) == 3:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(files.os, "fsync", full_at_third)
    with pytest.raises(OSError, match="No space left"):
        files.write_report(Report(title=say("Winter")), {}, {}, out)
    assert files_of(out) == states[0], "the earlier report, and nothing half-written beside it"


# Clocks, locales and encodings of the system


def test_a_clock_that_goes_back_changes_nothing_but_the_hour_shown(
    winter: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Earlier(dt.datetime):
        @classmethod
        def now(cls, tz: dt.tzinfo | None = None) -> dt.datetime:
            return dt.datetime(1999, 12, 31, 23, 59, tzinfo=tz)

    register = open_register(winter)
    with monkeypatch.context() as patch:
        patch.setattr(writing, "datetime", Earlier)
        assert register.add(winter.parent / "more.csv").id == "e0002"
        assert register.undo("e0001").id == "e0003"
    for path in (winter / "journal.jsonl", winter / "register.toml"):
        os.utime(path, (0, 0))
    again = open_register(winter)
    past = again.history().to_frame()
    assert past["entry_id"].tolist() == ["e0001", "e0002", "e0003"]
    assert past["recorded_at"].str[:4].tolist()[1:] == ["1999", "1999"]
    assert set(again.rows()["entry_id"]) == {"e0002"}
    assert again.damage == ()
    assert register.undo("e0003").id == "e0004"
    assert len(open_register(winter).rows()) == 402


def test_what_another_process_wrote_is_seen_whatever_the_clock_says(winter: Path) -> None:
    register = open_register(winter)
    assert len(register.rows()) == 2
    journal = winter / "journal.jsonl"
    times = journal.stat()
    open_register(winter).add(winter.parent / "more.csv")
    for path in (journal, winter / "register.toml"):
        os.utime(path, ns=(times.st_atime_ns, times.st_mtime_ns))
    assert len(register.rows()) == 402


def lines_of(folder: Path) -> list[str]:
    """Give the journal without what may differ between two runs."""
    kept = []
    for line in (folder / "journal.jsonl").read_text("utf-8").splitlines():
        body = json.loads(line)
        kept.append(json.dumps({k: v for k, v in body.items() if k not in ("at", "check", "part")}))
    return kept


PLACES = {
    "C": {"LC_ALL": "C", "LANG": "C", "PYTHONCOERCECLOCALE": "0", "PYTHONUTF8": "0"},
    "POSIX, ASCII out": {
        "LC_ALL": "POSIX",
        "PYTHONCOERCECLOCALE": "0",
        "PYTHONUTF8": "0",
        "PYTHONIOENCODING": "ascii",
    },
}


@pytest.mark.parametrize("place", PLACES)
def test_the_plainest_locale_changes_no_byte(winter: Path, place: str) -> None:
    folder = winter.parent
    sheet = "run,start (°C),freeze time (min),remark\nR9,80.5,41.25,Grüße 冰\n"
    (folder / "umlaut.csv").write_text(sheet, "utf-8")
    here = create_register(folder / "here" / "winter", lab="barn", primary_endpoint="t_solid")
    here.add(folder / "trials.csv")
    here.add(folder / "umlaut.csv")
    done = command("add", "winter", "umlaut.csv", folder=folder, **PLACES[place])
    assert (done.returncode, done.stderr) == (0, b"")
    assert lines_of(winter) == lines_of(here.path)
    told = command("history", "winter", folder=folder, **PLACES[place])
    assert (told.returncode, told.stderr) == (0, b"")
    out = command("export", "winter", "--out", "c.csv", folder=folder, **PLACES[place])
    assert (out.returncode, out.stderr) == (0, b"")
    open_register(winter).export(folder / "utf8.csv")
    assert (folder / "c.csv").read_bytes() == (folder / "utf8.csv").read_bytes()
    assert "Grüße 冰" in (folder / "c.csv").read_text("utf-8")


def comma_locale(folder: Path) -> dict[str, str]:
    """Give the variables of a locale that marks decimals with a comma."""
    known = subprocess.run(["locale", "-a"], capture_output=True, text=True, check=False).stdout
    for name in known.split():
        if name.lower().startswith(("de_", "fr_", "da_", "nl_", "sv_")) and "utf" in name.lower():
            return {"LC_ALL": name}
    made = subprocess.run(
        ["localedef", "-i", "de_DE", "-f", "UTF-8", str(folder / "de_DE.UTF-8")],
        capture_output=True,
        check=False,
    )
    assert made.returncode in (0, 1), made.stderr  # 1 with warnings only
    return {"LOCPATH": str(folder), "LC_ALL": "de_DE.UTF-8"}


COMMA_PROGRAM = """
import locale, sys
locale.setlocale(locale.LC_ALL, "")
assert locale.localeconv()["decimal_point"] == ",", locale.localeconv()
from metafreeze.cli.main import answer
sys.exit(answer(sys.argv[1:]))
"""


@pytest.mark.skipif(sys.platform != "linux", reason="locales of other systems have other names")
def test_a_locale_with_decimal_commas_changes_no_number(winter: Path, tmp_path: Path) -> None:
    (tmp_path / "locales").mkdir()
    variables = comma_locale(tmp_path / "locales")
    dated = "run;date;start (°C);freeze time (min)\nD1;3 Mar 2025;80,5;41,25\nD2;4 May 2025;20;39\n"
    (tmp_path / "dated.csv").write_text(dated, "utf-8")
    here = create_register(tmp_path / "here", lab="barn", primary_endpoint="t_solid")
    here.add(tmp_path / "trials.csv")
    here.add(tmp_path / "dated.csv")

    def run(*words: str) -> str:
        done = subprocess.run(
            [sys.executable, "-c", COMMA_PROGRAM, *words],
            cwd=tmp_path,
            env={**os.environ, **variables},
            capture_output=True,
            text=True,
            check=False,
            timeout=120,
        )
        assert done.returncode == 0, done.stderr
        return done.stdout

    run("add", "winter", "dated.csv")
    assert lines_of(winter) == lines_of(here.path)
    run("export", "winter", "--out", "comma.csv")
    here.export(tmp_path / "point.csv")
    assert (tmp_path / "comma.csv").read_bytes() == (tmp_path / "point.csv").read_bytes()
    assert "41.25" not in dated and b"2475" in (tmp_path / "comma.csv").read_bytes()


# Names of folders and files


@pytest.mark.parametrize(
    "name",
    ["two words", "Wärme 冰 — é", 'quote\'s "x"', "semi;colon & $HOME `x`", "-dash", "100%{x}"],
)
def test_any_name_of_folder_and_file_will_do(
    tmp_path: Path, name: str, capsys: pytest.CaptureFixture
) -> None:
    folder = tmp_path / name
    folder.mkdir()
    register, sheet = str(folder / f"re {name}"), folder / f"{name}.csv"
    sheet.write_text(SHEET, "utf-8")
    options = ["--endpoint", "t_solid", "--lab", name.lstrip("-")]
    assert answer(["new", register, *options]) == 0
    assert answer(["add", register, str(sheet)]) == 0
    assert answer(["undo", register, "e0001"]) == 0
    assert answer(["undo", register, "e0002"]) == 0
    out = folder / f"out {name}.csv"
    assert answer(["export", register, "--out", str(out)]) == 0
    capsys.readouterr()
    assert answer(["history", register, "--json"]) == 0
    entries = json.loads(capsys.readouterr().out)["entries"]
    assert [entry["files"] for entry in entries] == [sheet.name, "", ""]
    assert open_register(register).rows()["source_id"].unique().tolist() == [sheet.name]
    assert answer(["check", str(out)]) in (0, 1)
    assert {p.name for p in folder.iterdir()} == {Path(register).name, sheet.name, out.name}


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="names there are text always")
def test_a_file_name_that_is_no_text_is_taken_with_a_mark(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture
) -> None:
    monkeypatch.chdir(tmp_path)
    name = os.fsdecode(b"l\xe4ufe.csv")
    Path(name).write_text(SHEET, "utf-8")
    assert answer(["new", "winter", "--endpoint", "t_solid", "--lab", "barn"]) == 0
    assert answer(["check", name]) == 0
    assert answer(["add", "winter", name]) == 0
    register = open_register("winter")
    assert register.rows()["file_name"].unique().tolist() == ["l\ufffdufe.csv"]
    register.export("out.parquet")
    assert create_register("other", lab="barn").add("out.parquet").new == 2
    capsys.readouterr()
    assert answer(["new", "third", "--title", name]) == 2
    assert capsys.readouterr().err == "“l?ufe.csv” holds bytes that are no text. Type it anew.\n"


def test_a_kind_of_water_that_is_a_label_comes_back_with_an_export(tmp_path: Path) -> None:
    sheet = tmp_path / "water.csv"
    sheet.write_text("run,start (°C),freeze (min),water\nR1,80,41,null\nR2,20,39,tap\n", "utf-8")
    register = create_register(tmp_path / "a", lab="barn", primary_endpoint="t_solid")
    register.add(sheet)
    register.export(tmp_path / "out.csv")
    other = create_register(tmp_path / "b", lab="barn", primary_endpoint="t_solid")
    assert other.add(tmp_path / "out.csv").new == 2
    assert other.rows()["water_type"].tolist() == ["null", "tap"]
