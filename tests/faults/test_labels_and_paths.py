"""Labels are words: none of them chooses a file, wherever they are written."""

import csv
import re
from pathlib import Path
from types import SimpleNamespace

import pytest

import metafreeze
from metafreeze.cli.main import answer
from metafreeze.logbook.closing import file_stem

LABELS = (
    *("../../x", "a/b", "/etc/x", "C:\\x", "..\\..\\x", "..", ".", "con", "NUL.txt", "aux"),
    *("x" * 5000, "\u202egpj.x", "\u200f\u2067x\u2069", "a\tb", "x\u0000y", "~", "$HOME", "%TEMP%"),
    *("x; rm y", "file:///x", "x\ny", "-rf", ".report.ready", "e0001"),
)
IN_A_CELL = [label for label in LABELS if not set(label) & set("\0\n\t") and len(label) < 200]
REPORT_FILE = re.compile(
    r"report\.html|report\.pdf|results\.json|figures/[a-z0-9-]+-\d+\.svg"
    r"|tables/[a-z0-9_-]+\.(?:csv|parquet)"
)


def files_in(folder: Path) -> set[str]:
    return {p.relative_to(folder).as_posix() for p in folder.rglob("*") if not p.is_dir()}


def write_runs(path: Path) -> Path:
    """Write a sheet with a hostile label for every batch, its lab and its source."""
    with path.open("w", newline="", encoding="utf-8") as stream:
        sheet = csv.writer(stream)
        sheet.writerow(["run", "batch", "lab", "study", "start (°C)", "freeze time (min)"])
        for k, label in enumerate(IN_A_CELL):
            for n in range(4):
                run = f"{label} {k}-{n}"
                sheet.writerow([run, label, label, label, (80, 20)[n % 2], 40 + (k * 7 + n) % 5])
    return path


def test_no_label_in_a_sheet_chooses_a_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = tmp_path / "outer" / "deep" / "home"
    home.mkdir(parents=True)
    monkeypatch.chdir(home)
    assert answer(["new", "winter", "--endpoint", "t_solid", "--lab", "../../x",
                   "--title", "../../../x"]) == 0  # fmt: skip
    sheet = write_runs(home / "..\\..\\runs.csv")
    assert answer(["add", "winter", str(sheet)]) == 0
    rows = metafreeze.open_register("winter").rows()
    assert set(IN_A_CELL) - {".", "-rf"} <= set(rows["block_id"]), "the labels arrived"
    in_register = {name.split("/")[1] for name in files_in(home) if name.startswith("winter/")}
    assert all(re.fullmatch(r"[\w.-]+", name) for name in in_register)
    assert answer(["report", "winter", "--out", "out"]) == 0
    assert answer(["export", "winter", "--out", "all.csv"]) == 0
    assert answer(["runsheet", "winter", "--lab", "../../x", "--place", "/etc/x", "--place", "..",
                   "--vessels", "2", "--vessel", "C:\\x", "--out", "sheet"]) == 0  # fmt: skip
    everything = files_in(tmp_path)
    own = ("winter/", "out/")
    inside = {name.removeprefix("outer/deep/home/") for name in everything}
    assert all(name.startswith("outer/deep/home/") for name in everything)
    beside = {name for name in inside if not name.startswith(own)}
    assert beside == {sheet.name, "all.csv", "sheet.csv", "sheet.pdf"}
    odd = [n for n in files_in(home / "out") if not REPORT_FILE.fullmatch(n)]
    assert odd == []


@pytest.mark.parametrize("label", LABELS)
def test_a_batch_names_one_plain_file(label: str) -> None:
    batch = SimpleNamespace(plan=SimpleNamespace(name=label, id="ab" * 8))
    stem = file_stem(batch)
    assert re.fullmatch(r"logbook-[\w-]+-abababab", stem)
    assert len(f"{stem}.csv".encode()) <= 255


@pytest.mark.parametrize("label", LABELS)
def test_a_title_and_a_lab_choose_no_file(label: str, tmp_path: Path) -> None:
    plain, odd = tmp_path / "a" / "b" / "plain", tmp_path / "a" / "b" / "odd"
    metafreeze.create_register(plain, title="Winter", lab="kitchen")
    try:
        metafreeze.create_register(odd, title=label, lab=label)
    except metafreeze.InputError as refused:
        assert "title" in str(refused) or "lab" in str(refused)
        assert not odd.exists()
    else:
        assert files_in(odd) == files_in(plain)
        assert metafreeze.open_register(odd).title == label
    assert {path.name for path in (tmp_path / "a" / "b").iterdir()} <= {"plain", "odd"}
    assert [path.name for path in (tmp_path / "a").iterdir()] == ["b"]
