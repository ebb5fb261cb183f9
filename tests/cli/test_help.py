"""The help page is instant, and every command shows an example."""

import subprocess
import sys

import pytest

from metafreeze.cli.main import COMMANDS, answer

HEAVY = ("pandas", "scipy", "statsmodels", "matplotlib", "seaborn", "pyarrow", "numpy", "jinja2")


def test_help_imports_nothing_heavy():
    script = (
        "import sys; from metafreeze.cli.main import answer; answer(['--help']); "
        f"print([m for m in {HEAVY!r} if m in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert done.stderr.strip() == "[]"
    assert "Usage: metafreeze" in done.stdout


@pytest.mark.parametrize("name", COMMANDS)
def test_each_command_has_help_with_an_example(name, capsys):
    assert answer([name, "--help"]) == 0
    printed = capsys.readouterr().out
    assert f"metafreeze {name}" in printed
    assert "Example" in printed


def test_an_unknown_command_names_the_nearest(capsys):
    assert answer(["chek", "x.csv"]) == 2
    assert "Did you mean check?" in capsys.readouterr().err


def test_a_wrong_option_is_a_wrong_command_line(capsys):
    assert answer(["check", "--colour", "x.csv"]) == 2
    assert "--colour" in capsys.readouterr().err


def test_a_refusal_as_json_is_one_object(capsys):
    import json

    assert answer(["history", "no-such-register", "--json"]) == 1
    printed = json.loads(capsys.readouterr().out)
    assert printed["exit_status"] == 1
    assert "no-such-register" in printed["error"]
