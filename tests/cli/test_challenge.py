"""``metafreeze challenge`` on the invented network: the apparent effect and where it goes."""

import json

import pytest

from metafreeze.cli.demo_sheets import demo_sheets
from metafreeze.cli.main import answer


@pytest.fixture(scope="module")
def asked():
    """Sheets and options of one challenge."""
    return ["challenge", *map(str, demo_sheets()), "--endpoint", "t_solid", "--pair", "80", "20"]


def test_the_apparent_effect_is_named_and_the_ladder_takes_it_apart(asked, capsys):
    assert answer([*asked, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["challenge"]
    first = found["ladder"][0]
    last = next(r for r in found["ladder"] if r["rung"] == "times not seen exactly")
    assert first["high"] < -0.05
    assert last["low"] > 0
    assert found["verdict"]["raw"]["label"] == "apparent only"
    assert found["verdict"]["physics"]["label"] == "nothing beyond ordinary physics"
    assert "within labs" in found["verdict"]["raw"]["because"]
    assert "most went at “within labs”" in found["ladder_found"]


def test_a_newcomer_reads_it_in_words(asked, capsys):
    assert answer(asked) == 0
    said = " ".join(capsys.readouterr().out.split())
    for words in (
        "Only in appearance: the effect does not survive a fair comparison.",
        "Nothing was seen beyond ordinary physics.",
        "The apparent effect is gone when like is compared with like",
        "Within batches",
        "Which choice of analysis moves the answer?",
    ):
        assert words in said
