"""Published worked examples of the challenge, to the printed digits."""

import tomllib
from pathlib import Path

import pandas as pd
import pytest

from metafreeze.scrutiny.hidden import adjust_for_hidden, e_value, robustness_value
from metafreeze.scrutiny.mediation import fit_paths, product_limits, product_se

EXAMPLES = {
    e["id"]: e
    for e in tomllib.loads((Path(__file__).parent / "expected_challenge.toml").read_text("utf-8"))[
        "example"
    ]
}
# The recomputed values are listed to nine digits.
LISTED = 1e-8
HALF_A_DIGIT = 0.5


def half_last_digit(printed: str) -> float:
    return HALF_A_DIGIT * 10.0 ** -len(printed.partition(".")[2])


@pytest.mark.parametrize("case", EXAMPLES["SENS-1"]["check"], ids=lambda c: f"ratio {c['ratio']}")
def test_e_value(case):
    # VanderWeele & Ding (2017), from memory of the publication.
    limits = {"high": case["limit"]} if case["ratio"] < 1 else {"low": case["limit"]}
    found = e_value(case["ratio"], **limits)
    assert abs(found.value - float(case["published"])) <= case["within"]
    assert abs(found.value_of_limit - float(case["published_limit"])) <= case["within_limit"]
    assert found.value == pytest.approx(case["recomputed"], rel=LISTED)
    assert found.value_of_limit == pytest.approx(case["recomputed_limit"], rel=LISTED)


def test_robustness_value():
    # Cinelli & Hazlett (2020), Table 1.
    example = EXAMPLES["SENS-2"]
    found = robustness_value(example["estimate"], example["se"], example["df"])
    values = {
        "t": found.estimate / found.se,
        "partial_r2": found.partial_r2,
        "value": found.value,
        "value_at_level": found.value_at_level,
    }
    for check in example["robustness"]:
        value = values[check["quantity"]]
        assert abs(value - float(check["published"])) <= check["within"], check["quantity"]
        assert value == pytest.approx(check["recomputed"], rel=LISTED)


@pytest.mark.parametrize("case", EXAMPLES["SENS-2"]["adjusted"], ids=lambda c: c["estimate"])
def test_adjusted_for_a_hidden_cause(case):
    # Cinelli & Hazlett (2020), section 5, from memory of the publication.
    example = EXAMPLES["SENS-2"]
    found = adjust_for_hidden(
        example["estimate"],
        example["se"],
        example["df"],
        share_of_treatment=case["treatment"],
        share_of_outcome=case["outcome"],
    )
    names = ("estimate", "se", "t", "low", "high")
    for name, recomputed in zip(names, case["recomputed"], strict=True):
        value = getattr(found, name)
        assert abs(value - float(case[name])) <= half_last_digit(case[name]), name
        assert value == pytest.approx(recomputed, rel=LISTED), name


def test_an_interval_that_holds_one_needs_no_hidden_cause():
    assert e_value(0.9, low=0.7, high=1.1).value_of_limit == 1.0
    assert e_value(1.2, low=0.9, high=1.6).value_of_limit == 1.0


def test_a_cause_at_the_robustness_value_brings_the_estimate_to_zero():
    found = robustness_value(0.4, 0.1, 50)
    gone = adjust_for_hidden(
        0.4, 0.1, 50, share_of_treatment=found.value, share_of_outcome=found.value
    )
    assert gone.estimate == pytest.approx(0.0, abs=1e-12)


def test_product_of_two_paths():
    # MacKinnon, Fairchild & Fritz (2007), from memory of the publication.
    case = EXAMPLES["SENS-3"]
    paths = (case["a"], case["a_se"], case["b"], case["b_se"])
    product, se = case["a"] * case["b"], product_se(*paths)
    for found, check in ((product, case["product"]), (se, case["se"])):
        assert abs(found - float(check["published"])) <= half_last_digit(check["published"])
        assert found == pytest.approx(check["recomputed"], rel=LISTED)
    assert product_limits(*paths) == pytest.approx(tuple(case["limits"]), rel=LISTED)


def test_one_consequence():
    # Baron & Kenny (1986) on the data of the pingouin documentation.
    case = EXAMPLES["SENS-4"]
    data = pd.read_csv(Path(__file__).parent / "data" / case["data"])
    found = fit_paths(data["X"], data["M"], data["Y"])
    for check in case["check"]:
        for name, place in (("", 0), ("_se", 1)):
            printed = check["estimate" if place == 0 else "se"]
            value = getattr(found, f"{check['path']}{name}")
            assert abs(value - float(printed)) <= half_last_digit(printed), check["path"]
            assert value == pytest.approx(check["recomputed"][place], rel=LISTED)
    printed = case["indirect"]["published"]
    assert abs(found.indirect - float(printed)) <= half_last_digit(printed)
    assert found.indirect == pytest.approx(case["indirect"]["recomputed"], rel=LISTED)
