"""A register that a stranger made: its lines vouch for themselves, and lie.

Whatever a journal or a part claims, opening it and asking it anything ends in an answer, in
named damage, or in a refusal with a sentence; and nothing it says leads out of its folder.
"""

from __future__ import annotations

import json
import random
import shutil
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from checked_sheets import runs, take

from metafreeze.errors import MetafreezeError, RegisterError
from metafreeze.register.folder.disk import hash_file
from metafreeze.register.folder.journal import MOST_GONE, spell_line
from metafreeze.register.folder.shapes import is_known_line
from metafreeze.register.folder.store import Register, create_register, open_register

WRONG: tuple[Any, ...] = (
    *(None, True, -1, 0, 1, 5, 10**9, 10**30, 1.5, "", "x", "../../x", "e0001", "e0002", "e0009"),
    *([], {}, [[0, "e0002", 0, 5]], [1], {"a": 1}),
)
SEED = 20251125


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a register with an entry, a correction of it, another, its undo, and a plan."""
    folder = tmp_path_factory.mktemp("made")
    register = create_register(folder / "r", lab="k", primary_endpoint="t_solid", title="W")
    take(register, folder, runs(3), name="0.csv")
    corrected = [row | {"time_lower_s": 9e4, "time_upper_s": 9e4} for row in runs(2)]
    take(register, folder, corrected, name="0.csv", replace=True)
    take(register, folder, runs(2, first=7), name="1.csv")
    register.undo("e0003")
    register.set_plan({"margin": 1})
    return register.path


def bodies(register: Path) -> list[dict[str, Any]]:
    lines = (register / "journal.jsonl").read_bytes().splitlines()
    return [{k: v for k, v in json.loads(line).items() if k != "check"} for line in lines]


def places(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Give the place of every value in a line."""
    if path:
        yield path
    pairs: Any = ()
    if isinstance(value, dict):
        pairs = value.items()
    elif isinstance(value, list):
        pairs = enumerate(value)
    for key, inside in pairs:
        yield from places(inside, (*path, key))


def changed(lines: list[dict[str, Any]], at: int, path: tuple[Any, ...], new: Any) -> bytes:
    """Spell the journal with one value changed, or left out where `new` is Ellipsis."""
    copy = json.loads(json.dumps(lines))
    holder = copy[at]
    for key in path[:-1]:
        holder = holder[key]
    if new is ...:
        del holder[path[-1]]
    else:
        holder[path[-1]] = new
    return b"".join(map(spell_line, copy))


ASKED: dict[str, Callable[[Register, Path], object]] = {
    "damage": lambda register, _: register.damage,
    "rows": lambda register, _: register.rows(),
    "history": lambda register, _: str(register.history()),
    "sources": lambda register, _: register.sources().to_frame(),
    "ledger": lambda register, _: register.ledger().to_frame(),
    "fingerprint": lambda register, _: register.fingerprint,
    "undo": lambda register, _: register.undo("e0001"),
    "add": lambda register, folder: take(register, folder, runs(1, first=50), name="n.csv"),
    "merge": lambda register, folder: create_register(
        folder / "o", lab="k", primary_endpoint="t_solid"
    ).merge(register),
}


def ask_all(register: Path, folder: Path) -> int:
    """Ask a register everything; count what it refused with a sentence."""
    refused = 0
    try:
        opened = open_register(register)
    except RegisterError as error:
        assert str(error)
        return 1
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # damaged parts are left out with a warning
        for ask in ASKED.values():
            try:
                ask(opened, folder)
            except MetafreezeError as error:
                assert str(error)
                refused += 1
    return refused


def lie_about(made: Path, folder: Path, journal: bytes) -> int:
    folder.mkdir()
    shutil.copytree(made, folder / "in" / "r")
    (folder / "in" / "r" / "journal.jsonl").write_bytes(journal)
    before = {p: p.read_bytes() for p in folder.iterdir() if p.is_file()}
    refused = ask_all(folder / "in" / "r", folder / "in")
    # What is asked writes beside the register at most; nothing reaches the folder above.
    assert sorted(p.name for p in folder.iterdir()) == ["in"] and not before
    shutil.rmtree(folder)
    return refused


def lies(lines: list[dict[str, Any]]) -> list[tuple[int, tuple[Any, ...], Any]]:
    return [
        (at, path, new)
        for at, line in enumerate(lines)
        for path in places(line)
        for new in (..., *WRONG)
    ]


@pytest.mark.parametrize(
    "count", [30, pytest.param(1500, marks=pytest.mark.slow)], ids=["few", "many"]
)
def test_a_journal_that_lies_is_damage_or_refused(made: Path, tmp_path: Path, count: int) -> None:
    lines = bodies(made)
    chosen = random.Random(SEED).sample(lies(lines), count)
    refused = sum(
        lie_about(made, tmp_path / f"{k}", changed(lines, at, path, new))
        for k, (at, path, new) in enumerate(chosen)
    )
    assert 0 < refused < count * len(ASKED)


def test_lines_as_they_are_written_are_known(made: Path) -> None:
    assert all(map(is_known_line, bodies(made)))


@pytest.mark.parametrize(
    ("at", "path", "new"),
    [
        (2, ("seq",), 10**30),
        (2, ("seq",), -1),
        (2, ("part", "rows"), 10**12),
        (2, ("part",), None),
        (2, ("corrections",), [[0, "e0002", 0, 2]]),
        (2, ("files", 0, "first"), -3),
        (2, ("files", 0, "answers"), {"strange": "x"}),
        (2, ("counts",), {"strange": 1}),
        (2, ("settings",), {"primary_endpoint": "frozen"}),
        (2, ("files", 0, "ledger"), {}),
    ],
    ids=str,
)
def test_a_line_of_the_wrong_shape_is_a_damaged_line(
    made: Path, tmp_path: Path, at: int, path: tuple[Any, ...], new: Any
) -> None:
    shutil.copytree(made, tmp_path / "r")
    (tmp_path / "r" / "journal.jsonl").write_bytes(changed(bodies(made), at, path, new))
    register = open_register(tmp_path / "r")
    damage = [f for f in register.damage if f.rule == "journal-line"]
    assert [f.message for f in damage] == ["Journal line 3 is damaged; entry e0002 is lost with it"]
    assert "Restore journal.jsonl from a copy" in damage[0].remedy
    assert len(register.rows()) == 3, "the entry that it corrected shows again"


def test_a_line_far_ahead_is_not_believed(made: Path, tmp_path: Path) -> None:
    shutil.copytree(made, tmp_path / "r")
    lines = bodies(made)
    lines[-1]["seq"] = MOST_GONE + len(lines)
    (tmp_path / "r" / "journal.jsonl").write_bytes(b"".join(map(spell_line, lines)))
    assert [f.message for f in open_register(tmp_path / "r").damage] == [
        "Journal line 6 is damaged; entry e0005 is lost with it"
    ]


@pytest.mark.parametrize("text", [b"not json", b"[" * 100_000, b'"x"', b"[1]", b"{}"])
def test_a_line_that_vouches_for_nonsense_is_damaged(
    made: Path, tmp_path: Path, text: bytes
) -> None:
    from metafreeze.register.folder.journal import _check

    shutil.copytree(made, tmp_path / "r")
    content = text[:-1] + b"}"
    line = content[:-1] + f',"check":"{_check(content)}"}}\n'.encode()
    journal = tmp_path / "r" / "journal.jsonl"
    journal.write_bytes(journal.read_bytes() + line)
    assert [f.message for f in open_register(tmp_path / "r").damage] == [
        "Journal line 7 is damaged; entry e0006 is lost with it"
    ]


def vouch_for(register: Path, content: bytes, **more: Any) -> None:
    """Put bytes in the place of the first part, and let the journal vouch for them."""
    part = register / "rows" / "e0001.parquet"
    part.write_bytes(content)
    lines = bodies(register)
    lines[1]["part"] = {**lines[1]["part"], "sha256": hash_file(part), **more}
    (register / "journal.jsonl").write_bytes(b"".join(map(spell_line, lines)))


def test_a_part_that_is_no_part_is_left_out_by_name(made: Path, tmp_path: Path) -> None:
    shutil.copytree(made, tmp_path / "r")
    vouch_for(tmp_path / "r", b"PAR1 and then nothing")
    register = open_register(tmp_path / "r")
    with pytest.warns(UserWarning, match=r"rows/e0001\.parquet is no Parquet file; entry e0001"):
        assert set(register.rows()["entry_id"]) == {"e0002"}


def test_a_part_with_other_rows_than_claimed_is_left_out(made: Path, tmp_path: Path) -> None:
    shutil.copytree(made, tmp_path / "r")
    vouch_for(tmp_path / "r", (made / "rows" / "e0001.parquet").read_bytes(), rows=5)
    register = open_register(tmp_path / "r")
    with pytest.warns(UserWarning, match=r"e0001\.parquet has 3 rows, not those of the journal"):
        assert set(register.rows()["entry_id"]) == {"e0002"}


@pytest.mark.parametrize(
    ("sha256", "suffix"),
    [("../../secret", ".txt"), ("/etc/hosts", ""), ("a" * 64, "/../../../secret.txt"), ("", "")],
)
def test_a_copy_named_out_of_the_folder_is_never_opened(
    made: Path, tmp_path: Path, sha256: str, suffix: str
) -> None:
    shutil.copytree(made, tmp_path / "in" / "r")
    secret = tmp_path / "secret.txt"
    secret.write_text("secret", "utf-8")
    lines = bodies(made)
    lines[1]["files"][0] |= {"sha256": sha256, "suffix": suffix, "name": "../../secret.txt"}
    theirs = tmp_path / "in" / "r"
    (theirs / "journal.jsonl").write_bytes(b"".join(map(spell_line, lines)))
    stranger = open_register(theirs)
    assert "none" in stranger.sources().to_frame()["state"].tolist()
    mine = create_register(tmp_path / "in" / "mine", lab="k", primary_endpoint="t_solid")
    mine.merge(stranger)
    taken = [p.read_bytes() for p in mine.path.rglob("*") if p.is_file()]
    assert not any(content == b"secret" for content in taken)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["in", "secret.txt"]
    assert sorted(p.name for p in (tmp_path / "in").iterdir()) == ["mine", "r"]


def test_a_copy_that_is_a_link_to_elsewhere_is_not_taken(made: Path, tmp_path: Path) -> None:
    shutil.copytree(made, tmp_path / "r")
    secret = tmp_path / "secret.txt"
    secret.write_text("secret", "utf-8")
    stranger = open_register(tmp_path / "r")
    copy = stranger.path / stranger.sources().to_frame()["copy"][1]
    copy.unlink()
    copy.symlink_to(secret)
    assert stranger.sources().to_frame()["state"][1] == "damaged"
    mine = create_register(tmp_path / "mine", lab="k", primary_endpoint="t_solid")
    with pytest.raises(MetafreezeError, match=r"The file changed while it was read"):
        mine.merge(stranger)
    assert not any(p.is_file() for p in (mine.path / "sources").iterdir())
