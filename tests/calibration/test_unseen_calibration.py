"""What the written table of coverage has to show for times not seen exactly."""

import numpy as np
import pytest
from calibration.unseen_coverage import (
    CELLS,
    SEED,
    SLOPE,
    data_set,
    limits,
    prepare,
    read_blocks,
    run_block,
    simulate,
    summary,
)

import metafreeze as mf

NOMINAL, LOWEST = 0.95, 0.935
FEW, LARGE_SPREAD = 6, 0.05

written = summary() if not read_blocks().empty else None


def monte_carlo(simulations, errors=3):
    """Monte Carlo error of a share near the nominal level, so many standard errors."""
    return errors * np.sqrt(NOMINAL * (1 - NOMINAL) / simulations)


def test_the_table_holds_every_cell():
    assert written is not None
    assert len(written) == len(CELLS)
    # Data that show no spread, or an arm that was never seen, are answers without an interval.
    assert (written["settled"] >= 0.97 * written["simulations"]).all()


def test_the_profile_interval_covers_everywhere():
    allowed = monte_carlo(written["simulations"])
    assert (written["profile"] >= LOWEST - allowed).all()


def test_the_normal_interval_fails_for_few_studies():
    few = written[(written["studies"].between(2, FEW)) & (written["slope_sd"] >= LARGE_SPREAD)]
    assert len(few) > 0
    assert (few["normal"] < LOWEST - monte_carlo(few["simulations"], errors=1)).all()
    assert (few["width_normal"] < few["width_profile"]).all()


def test_what_is_counted_is_whether_the_interval_holds_the_truth():
    cell = ("log-normal", 4, 2, 0.02, "looks, given up")
    rows, scaled, theta, watch = prepare(cell)
    times = simulate(rows, watch, scaled, theta, np.random.default_rng(7), 6)
    for i in range(6):
        low, high = data_set(rows, scaled, times, i)
        # Looks every ten minutes stand as such in the data.
        minutes = np.exp(low[np.isfinite(low)]) / 600
        np.testing.assert_allclose(minutes, np.round(minutes), atol=1e-6)
        assert (high > low).all()
    ends = np.array([limits(cell, rows, scaled, times, i) for i in range(6)])
    assert (ends[:, 0] < ends[:, 1]).all()
    assert ((ends[:, 0] < SLOPE) & (ends[:, 1] > SLOPE)).sum() >= 4


@pytest.mark.calibration
def test_intervals_of_the_package_cover_as_often_as_the_ratios_counted():
    cell = ("log-normal", 4, 2, 0.05, "looks, given up")
    block, m = 990, 200
    found = run_block(cell, block, m, widths=0)
    rows, scaled, theta, watch = prepare(cell)
    rng = np.random.default_rng([SEED, CELLS.index(cell), block])
    times = simulate(rows, watch, scaled, theta, rng, m)
    inside = 0
    for i in range(m):
        low, high = limits(cell, rows, scaled, times, i)
        inside += bool(low <= SLOPE <= high)
    # Nodes differ a little between the two; a data set at the very edge may fall either way.
    assert abs(inside - found["profile"]) <= 3
    assert mf.__version__ == found["version"]
