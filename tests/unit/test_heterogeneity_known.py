"""Q, I² and H² by the formulas of Higgins & Thompson (2002), and the limits between them."""

import numpy as np
import pytest
from scipy import stats

from metafreeze.errors import InputError
from metafreeze.models.heterogeneity import describe_disagreement, require_level
from metafreeze.results import round_for_people


def plain(q, df, level):
    k = df + 1
    h = max(1.0, q / df) ** 0.5
    if q > k:
        se = 0.5 * (np.log(q) - np.log(df)) / ((2 * q) ** 0.5 - (2 * k - 3) ** 0.5)
    else:
        se = (1 / (2 * (k - 2)) * (1 - 1 / (3 * (k - 2) ** 2))) ** 0.5
    z = stats.norm.ppf(1 - (1 - level) / 2)
    low, high = max(1.0, h * np.exp(-z * se)), h * np.exp(z * se)
    return h**2, low**2, high**2


@pytest.mark.parametrize("level", [0.95, 0.8])
@pytest.mark.parametrize(
    ("q", "df"),
    [
        (15.9, 5),
        (3.0, 5),
        (0.0, 4),
        (6.0, 5),
        (6.0 + 1e-9, 5),
        (5.0, 5),
        (300.0, 12),
        (5.0, 2),
        (2.5, 2),
        (9.0, 1),
        (2.1, 1),
    ],
)
def test_every_number(q, df, level):
    found = describe_disagreement(q, df, level=level)
    h2, low, high = plain(q, df, level)
    assert (found.h2, found.h2_low, found.h2_high) == pytest.approx((h2, low, high))
    percents = [100 * (1 - 1 / x) for x in (h2, low, high)]
    assert [found.i2, found.i2_low, found.i2_high] == pytest.approx(percents, abs=1e-9)
    assert found.q_p == pytest.approx(1 - stats.chi2.cdf(q, df))
    assert (found.q, found.q_df, found.level, found.reason) == (q, df, level, "")
    frame = found.to_frame()
    assert list(frame["quantity"]) == ["Q", "I2 percent", "H2"]
    nan = float("nan")
    expected = {
        "estimate": [q, found.i2, found.h2],
        "df": [df, nan, nan],
        "low": [nan, found.i2_low, found.h2_low],
        "high": [nan, found.i2_high, found.h2_high],
        "p": [found.q_p, nan, nan],
    }
    for column, values in expected.items():
        np.testing.assert_array_equal(frame[column], values)
    assert list(frame["reason"]) == ["", "", ""]
    parts = [round_for_people(x) for x in (q, found.i2, found.i2_low, found.i2_high)]
    assert (
        found.headline() == f"Q {parts[0]} on {df} df, I² {parts[1]} % ({parts[2]} to {parts[3]})"
    )


def test_two_studies_with_a_small_q_have_no_interval():
    for q in (0.0, 1.5, 2.0):
        found = describe_disagreement(q, 1)
        assert found.reason == "two studies with a small Q give no interval"
        assert np.isnan([found.h2_low, found.h2_high, found.i2_low, found.i2_high]).all()
        assert found.h2 == max(1.0, q)
        assert list(found.to_frame()["reason"]) == ["", found.reason, found.reason]


def test_one_study_has_nothing():
    found = describe_disagreement(0.0, 0, level=0.9)
    assert (found.q, found.q_df, found.level) == (0.0, 0, 0.9)
    assert found.reason == "disagreement needs at least two studies"
    for name in ("q_p", "i2", "i2_low", "i2_high", "h2", "h2_low", "h2_high"):
        assert np.isnan(getattr(found, name))
    assert describe_disagreement(2.0, 3).level == 0.95


@pytest.mark.parametrize(("q", "df"), [(-0.1, 2), (float("nan"), 2), (1.0, -1)])
def test_what_is_no_q_is_refused(q, df):
    with pytest.raises(InputError, match="Neither can be negative"):
        describe_disagreement(q, df)


@pytest.mark.parametrize("level", [0.0, 1.0, -0.5, 95.0, float("nan")])
def test_levels_lie_between_nothing_and_everything(level):
    with pytest.raises(InputError, match="level"):
        require_level(level)
    with pytest.raises(InputError, match="level"):
        describe_disagreement(1.0, 1, level=level)
    require_level(1e-6)
    require_level(1 - 1e-6)
