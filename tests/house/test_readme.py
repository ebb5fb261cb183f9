"""What the README shows is what the package does."""

import re
from pathlib import Path

import pytest

import metafreeze as mf
from metafreeze.cli.main import COMMANDS, answer

ROOT = Path(mf.__file__).parent.parent
README = (ROOT / "README.md").read_text("utf-8")


def fenced(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", README, flags=re.DOTALL)


def test_the_two_commands_stand_marked_on_one_line_each():
    for name in ("main-job", "tests"):
        found = re.findall(rf"<!-- command: {name} -->\n```sh\n(.+)\n```", README)
        assert len(found) == 1
        assert found[0].startswith("python3 -m venv")


def test_every_command_that_it_names_exists():
    named = set(re.findall(r"metafreeze ([a-z-]+)", README)) - {"as"}
    assert named <= set(COMMANDS) | {"puts"}, named - set(COMMANDS)


def test_every_command_is_named():
    assert set(COMMANDS) <= set(re.findall(r"metafreeze ([a-z-]+)", README))


@pytest.fixture
def kitchen(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    lines = ["start, time (min), cup"]
    lines += [f"{20 + 60 * (i % 2)}, {40 + i / 10:.1f}, {'ABC'[i % 3]}" for i in range(12)]
    (tmp_path / "trials.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return tmp_path


def test_the_python_example_runs(kitchen):
    (example,) = fenced("python")
    names: dict[str, object] = {}
    exec(compile(example, "README.md", "exec"), names)
    assert (kitchen / "reports" / "winter" / "report.html").is_file()
    assert len(names["rows"]) == 12  # type: ignore[arg-type]


def test_the_five_minute_sheet_becomes_a_report(kitchen, capsys):
    command = next(c for c in fenced("sh") if c.startswith("metafreeze report"))
    words = [w.strip('"') for w in re.findall(r'"[^"]+"|\S+', command)]
    assert answer(words[1:]) == 0
    assert (kitchen / "reports" / "trials" / "report.html").is_file()


def test_the_picture_is_there():
    for target in re.findall(r"!\[[^]]*\]\(([^)]+)\)", README):
        assert (ROOT / target).is_file(), target
