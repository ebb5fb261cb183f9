"""Every number of the report has an owner in DEVELOPERS.md, and every owner exists."""

import json
import re
from importlib import import_module
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent.parent
ROW = re.compile(r"^\| (`[^|]+`) \| [^|]+ \| `(metafreeze[\w.]+)` \|$", re.MULTILINE)


def owners():
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    table = text[text.index("## Where every number of the report comes from") :]
    found = {}
    for parts, maker in ROW.findall(table):
        for part in re.findall(r"`([^`]+)`", parts):
            found[part] = maker
    return found


def paths(value, at=""):
    """Give the path of every leaf of the results, places in lists left out."""
    if isinstance(value, dict):
        for name, item in value.items():
            yield from paths(item, f"{at}.{name}".lstrip("."))
    elif isinstance(value, list):
        for item in value:
            yield from paths(item, at)
    else:
        yield at


@pytest.fixture(scope="module")
def results():
    return json.loads((ROOT / "reports" / "demo" / "results.json").read_text("ascii"))


def test_every_number_has_an_owner(results):
    named = sorted(owners())
    orphans = [p for p in set(paths(results)) if not any(p.startswith(n) for n in named)]
    assert not orphans, f"name what makes {sorted(orphans)[:5]} in DEVELOPERS.md"


def test_every_part_of_the_results_has_its_own_row(results):
    named = set(owners())
    missing = [f"challenge.{n}" for n, v in results["challenge"].items() if isinstance(v, dict)]
    missing = [m for m in missing if not any(n.startswith(m) for n in named)]
    assert not missing, f"name what makes {missing} in DEVELOPERS.md"


@pytest.mark.parametrize("maker", sorted(set(owners().values())))
def test_every_owner_exists(maker):
    module, _, name = maker.rpartition(".")
    made_by = getattr(import_module(module), name)
    assert callable(made_by) and made_by.__doc__
