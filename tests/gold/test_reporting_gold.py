"""Printouts and parts of the page are as they were last looked at."""

import difflib
from functools import cache

import pytest
from gold.reporting_parts import FOLDER, parts

RENEW = "If this change was meant, renew with: python tests/gold/reporting_parts.py"
NAMES = sorted(p.name for p in FOLDER.iterdir())


@cache
def rendered():
    return parts()


def test_every_part_is_kept():
    assert sorted(rendered()) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_part(name):
    kept = (FOLDER / name).read_text("utf-8")
    difference = list(
        difflib.unified_diff(
            kept.splitlines(), rendered()[name].splitlines(), "kept", "now", lineterm="", n=1
        )
    )
    assert not difference, "\n".join([RENEW, *difference])
