"""Every worked example of expected_unseen.toml: printed digits and full precision.

Each example names its publication, how its digits are known (most from memory of the
publication) and whether they were written down before the recomputation.
"""

import tomllib
from functools import cache
from pathlib import Path

import pytest
from published.unseen_expected import COMPUTED

EXAMPLES = tomllib.loads((Path(__file__).parent / "expected_unseen.toml").read_text("utf-8"))[
    "example"
]
# Both sides iterate to about 1e-12 in the step; an estimate then has some nine digits.
RELATIVE = 1e-6
SMALLEST_SIZE = 1e-3
REASONS = {"not expressible here"}


@cache
def computed(example_id):
    return COMPUTED[example_id]()


def checks(*, beyond=False):
    for example in EXAMPLES:
        for check in example["check"]:
            if ("beyond" in check) == beyond:
                yield pytest.param(example, check, id=f"{example['id']}: {check['quantity']}")


@pytest.mark.parametrize(("example", "check"), list(checks()))
def test_recomputed_at_full_precision(example, check):
    value = computed(example["id"])[check["quantity"]]
    size = max(abs(check["recomputed"]), SMALLEST_SIZE)
    assert abs(value - check["recomputed"]) <= RELATIVE * size, example["source"]


@pytest.mark.parametrize(("example", "check"), [p for p in checks() if "within" in p.values[1]])
def test_published_to_the_printed_digits(example, check):
    value = computed(example["id"])[check["quantity"]]
    # The printed half digit is met up to the rounding of the binary number.
    allowed = check["within"] * (1 + 1e-9)
    assert abs(value - float(check["published"])) <= allowed, example["source"]


@pytest.mark.parametrize(("example", "check"), list(checks(beyond=True)))
def test_what_is_out_of_scope_says_why_and_is_not_computed(example, check):
    assert check["beyond"].split(":")[0] in REASONS
    assert check["quantity"] not in computed(example["id"])


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda e: e["id"])
def test_each_example_says_where_it_comes_from(example):
    assert example["source"] and example["known"] and example["recall"]
    names = [c["quantity"] for c in example["check"]]
    assert len(names) == len(set(names))
    for name in example["data"]:
        assert (Path(__file__).parent / "data" / name).is_file()
