"""The least from which scatter can be told: one laboratory with two runs, one degree of freedom.

With one degree of freedom chi-squared is the square of a normal variable, so that the limits
have a closed form of their own.
"""

from statistics import NormalDist

import pytest

from metafreeze import measure_repeatability


@pytest.mark.parametrize("level", [0.5, 0.9, 0.95])
def test_two_runs_give_an_interval_by_the_square_of_a_normal_variable(level):
    found = measure_repeatability([10.0, 10.6, 14.0], ["a", "a", "b"], level=level)
    squares = 2 * 0.3**2
    tail = (1 - level) / 2
    normal = NormalDist()
    assert found.df_within == 1.0
    assert found.repeatability_sd == pytest.approx(squares**0.5)
    # P(Z² > z²) = 2 P(Z > z).
    assert found.repeatability_low == pytest.approx(squares**0.5 / normal.inv_cdf(1 - tail / 2))
    assert found.repeatability_high == pytest.approx(squares**0.5 / normal.inv_cdf(0.5 + tail / 2))
