"""Plans that cannot be sealed, and analyses that left a sealed plan, in whole sentences."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from metafreeze.errors import InputError
from metafreeze.register.folder.codes import round_digits
from metafreeze.register.folder.sealing import ROWS_AT_SEAL, SEAL, departures, make_plan, sealed

GIVEN: dict[str, Any] = {"endpoint": "t_solid", "pair": (80.0, 20.0), "smallest_effect": 0.05}
USED: dict[str, Any] = {**GIVEN, "covariates": ()}


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (
            {"pair": (80.0, 80.0)},
            "The pair is (80.0, 80.0). Give two start temperatures from 0 to 100 °C that differ.",
        ),
        (
            {"pair": (80.0,)},
            "The pair is (80.0,). Give two start temperatures from 0 to 100 °C that differ.",
        ),
        (
            {"smallest_effect": 5.0},
            "The smallest effect of interest is 5.0. Give a share of time between 0 and 1, such "
            "as 0.05.",
        ),
        (
            {"covariates": ["mass_evaporated_g"]},
            '"mass_evaporated_g" is no design field. Name fields such as lid, base_support or '
            "water_mass_start_g; consequences of starting hot are never adjusted for.",
        ),
    ],
)
def test_a_plan_out_of_range_is_refused_whole(change: dict[str, Any], message: str) -> None:
    with pytest.raises(InputError) as caught:
        make_plan(**{**GIVEN, **change})
    assert str(caught.value) == message


def test_a_kept_plan_has_no_departures_and_neither_has_none() -> None:
    plan = sealed(make_plan(**GIVEN), rows=0)
    assert departures(plan, **USED) == ()
    assert departures({}, **{**USED, "endpoint": "t_zero"}) == ()
    with pytest.raises(InputError):
        sealed(plan, rows=0)


def test_each_departure_has_its_sentence() -> None:
    plan = sealed(make_plan(**GIVEN, covariates=["lid"], stopping_rule="after 20 batches"), rows=3)
    assert plan[ROWS_AT_SEAL] == 3
    found = departures(
        plan,
        endpoint="t_zero",
        pair=(90.0, 20.0),
        smallest_effect=0.1,
        covariates=(),
        counts={"batches": 12, "runs": 24, "labs": 2},
    )
    assert found == (
        "The plan was sealed when the register held rows already.",
        "The plan named the endpoint t_solid; this answers t_zero.",
        "The plan named 80 and 20 °C; this answers 90 and 20 °C.",
        "The smallest effect of interest is not the planned one.",
        "What was adjusted for is not what was planned, but nothing.",
        "The plan was to end at 20 batches; this answers from 12.",
    )


def test_words_changed_after_the_seal_are_seen() -> None:
    plan = {**sealed(make_plan(**GIVEN), rows=0), "smallest_effect": 0.2}
    assert plan[SEAL]
    assert departures(plan, **{**USED, "smallest_effect": 0.2}) == (
        "The plan was changed after it was sealed: its seal does not fit its words.",
    )


def test_numbers_that_agree_to_their_digits_have_one_code() -> None:
    numbers = np.array([0.1 + 0.2, 0.3, -0.0, 5e-324, np.inf, 1e300])
    rounded = round_digits(numbers)
    assert rounded[0] == rounded[1] == 0.3
    assert not np.signbit(rounded[2])
    assert rounded[3] == 5e-324 and rounded[4] == np.inf
    assert rounded[5] == pytest.approx(1e300, rel=1e-15)
