"""Every worked example of expected_mixed.toml: printed digits and full precision.

Each example names its publication, how its digits are known (most of them from memory of
the publication) and whether they were written down before the recomputation.
"""

import tomllib
from functools import cache
from pathlib import Path

import pytest
from published.mixed_expected import COMPUTED

HERE = Path(__file__).parent
EXAMPLES = tomllib.loads((HERE / "expected_mixed.toml").read_text("utf-8"))["example"]

# Estimates, standard errors and criterion, relative.
ESTIMATE = 1e-6
# Variances, correlations and modes are less sharply defined by a criterion that the other
# program minimised to about 1e-9.
SPREAD = 2e-5
SPREAD_WORDS = ("variance", "SD", "correlation", "mode", "SS ", "MS ", "F ", "residual")
# Degrees of freedom and what follows from them.
DEGREES = 1e-4
DEGREES_WORDS = ("df", "p ", "p [", " p", "denominator")
# The other program reads its profile off a spline through a grid of points.
PROFILE = 1e-4
# A p-value of 1e-13 has lost digits in the tail.
SMALLEST = 1e-12


@cache
def computed(example_id):
    return COMPUTED[example_id]()


def checks():
    for example in EXAMPLES:
        for check in example["check"]:
            if "beyond" not in check:
                yield pytest.param(example, check, id=f"{example['id']}: {check['quantity']}")


def tolerance(quantity):
    if quantity.startswith("profile"):
        return PROFILE
    if any(word in quantity for word in DEGREES_WORDS) or quantity.startswith("p "):
        return DEGREES
    if "criterion" not in quantity and any(word in quantity for word in SPREAD_WORDS):
        return SPREAD
    return ESTIMATE


@pytest.mark.parametrize(("example", "check"), list(checks()))
def test_recomputed_at_full_precision(example, check):
    value = computed(example["id"])[check["quantity"]]
    expected = check.get("exact", check["recomputed"])
    allowed = tolerance(check["quantity"]) * max(abs(expected), SMALLEST)
    assert abs(value - expected) <= allowed, example["source"]


@pytest.mark.parametrize(("example", "check"), [p for p in checks() if "published" in p.values[1]])
def test_published_to_the_printed_digits(example, check):
    value = computed(example["id"])[check["quantity"]]
    # The printed half digit is met up to the rounding of the binary number.
    allowed = check["within"] * (1 + 1e-9)
    assert abs(value - float(check["published"])) <= allowed, example["source"]


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda e: e["id"])
def test_each_example_says_where_it_comes_from(example):
    assert example["source"] and example["known"] and example["recall"]
    names = [c["quantity"] for c in example["check"]]
    assert len(names) == len(set(names))
    assert all((HERE / "data" / name).is_file() for name in example["data"])
    assert all(c["beyond"] for c in example["check"] if "beyond" in c)
