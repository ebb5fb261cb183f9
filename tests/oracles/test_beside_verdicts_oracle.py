"""Start error, measured causes and trials needed against known truths and statsmodels."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from metafreeze.errors import InputError
from metafreeze.scrutiny.hidden import adjust_for_hidden, robustness_value
from metafreeze.scrutiny.measured import measure_causes
from metafreeze.scrutiny.needed import trials_needed
from metafreeze.scrutiny.start_error import correct_for_start_error


def test_what_error_hides_is_what_reliability_says():
    # Reliability within batches is known here: Fuller (1987), Measurement Error Models, 1.1.
    rng = np.random.default_rng(5)
    block = np.repeat(np.arange(400), 6)
    true = np.tile([20.0, 20.0, 50.0, 50.0, 80.0, 80.0], 400)
    y = -0.004 * true + rng.normal(0, 0.03, true.size)
    seen = true + rng.normal(0, 6.0, true.size)
    found = correct_for_start_error(
        seen, y, block, 6.0, units=6.0, assumed=False, rng=np.random.default_rng(1)
    )
    inner = seen - np.bincount(block, seen)[block] / 6
    reliability = 1 - 36.0 * (5 / 6) / float(np.mean(inner**2))
    assert found.hidden_share == pytest.approx(1 - reliability, rel=0.05)
    assert found.corrected == pytest.approx(-0.24, abs=0.003)
    assert abs(found.seen) < abs(found.corrected)


def test_no_error_hides_nothing_and_a_shared_one_does_not_either():
    block = np.repeat(np.arange(5), 3)
    start = np.tile([20.0, 50.0, 80.0], 5) + 0.7 * block
    y = 0.002 * start + 0.1 * block
    found = correct_for_start_error(
        start, y, block, 0.0, units=6.0, assumed=False, rng=np.random.default_rng(1)
    )
    assert found.hidden_share == 0.0
    assert found.seen == pytest.approx(0.12)
    with pytest.raises(InputError, match="negative or empty"):
        correct_for_start_error(
            start, y, block, -1.0, units=6.0, assumed=False, rng=np.random.default_rng(1)
        )


def test_shares_of_measured_causes_equal_those_of_statsmodels():
    rng = np.random.default_rng(6)
    block = np.repeat(np.arange(20), 5)
    mass, place = rng.normal(size=100), rng.normal(size=(100, 2))
    x = 0.8 * mass + rng.normal(size=100) + 0.3 * place[:, 0]
    y = 0.02 * x + 0.3 * mass + rng.normal(size=100) + block
    found = measure_causes(x, y, block, {"mass": mass[:, None], "place": place}).causes
    marks = (block[:, None] == np.arange(20)).astype(float)
    row = found.set_index("cause").loc["mass"]
    for share, target, given in (
        ("share_of_treatment", x, [place]),
        ("share_of_outcome", y, [place, x[:, None]]),
    ):
        full = sm.OLS(target, np.column_stack([marks, mass, *given])).fit()
        without = sm.OLS(target, np.column_stack([marks, *given])).fit()
        assert row[share] == pytest.approx(1 - full.ssr / without.ssr, rel=1e-9)
    assert found["strength"].is_monotonic_decreasing


def test_a_mark_misleads_as_much_as_the_cause_it_stands_for():
    rng = np.random.default_rng(7)
    block = np.zeros(60, dtype=int)
    mass = rng.normal(size=60)
    x = 0.5 * mass + rng.normal(size=60)
    y = 0.3 * x + 0.6 * mass + rng.normal(size=60)
    cause = measure_causes(x, y, block, {"mass": mass[:, None]}).causes.iloc[0]
    given = {"estimate": 0.5, "se": 0.1, "df": 57}
    as_measured = adjust_for_hidden(
        **given,
        share_of_treatment=cause["share_of_treatment"],
        share_of_outcome=cause["share_of_outcome"],
    )
    as_mark = adjust_for_hidden(
        **given, share_of_treatment=cause["strength"], share_of_outcome=cause["strength"]
    )
    assert as_mark.estimate == pytest.approx(as_measured.estimate, rel=1e-9)
    # At the robustness value itself the effect is gone.
    value = robustness_value(0.5, 0.1, 57).value
    gone = adjust_for_hidden(**given, share_of_treatment=value, share_of_outcome=value)
    assert gone.estimate == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("se", [0.02, 0.03, 0.05])
def test_so_many_labs_have_the_chance_that_was_promised(se):
    margin = np.log(1.05)
    found = trials_needed(se, studies=8, blocks=24, runs=144, margin=margin, margin_words="5 %")
    k = found.needed
    error = se * np.sqrt(8 / k)
    power = stats.nct.sf(stats.t.isf(0.025, k - 1), k - 1, margin / error)
    assert power >= 0.79
    # Two one-sided tests at a true difference of zero, by drawing.
    rng = np.random.default_rng(3)
    estimate = error * rng.standard_normal(20_000)
    spread = error * np.sqrt(rng.chisquare(k - 1, 20_000) / (k - 1))
    alike = np.abs(estimate) + stats.t.isf(0.05, k - 1) * spread < margin
    assert alike.mean() >= 0.77
    one_less = stats.t.isf(0.05, k - 2) + stats.t.isf(0.1, k - 2)
    least = max(one_less, stats.t.isf(0.025, k - 2) + stats.t.isf(0.2, k - 2))
    assert least * se * np.sqrt(8 / (k - 1)) > margin
    assert f"about {k} labs" in found.sentence


def test_what_no_number_of_labs_settles_is_said():
    shared = trials_needed(
        0.01, studies=8, blocks=24, runs=144, margin=0.05, margin_words="5 %", shared_se=0.05
    )
    assert shared.needed == 0
    assert "not reachable" in shared.sentence and "log the sink" in shared.sentence
    hopeless = trials_needed(2.0, studies=8, blocks=24, runs=144, margin=0.05, margin_words="5 %")
    assert "more than 500 labs" in hopeless.sentence
    one = trials_needed(0.03, studies=1, blocks=10, runs=60, margin=0.05, margin_words="5 %")
    assert one.unit == "batches" and "batches like these" in one.sentence
    assert trials_needed(
        float("nan"), studies=1, blocks=10, runs=60, margin=0.05, margin_words="5 %"
    ).status == "unidentifiable"  # fmt: skip
