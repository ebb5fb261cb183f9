"""What the written table of coverage has to show, and a small simulation of its own."""

import numpy as np
import pytest
from calibration.mixed_coverage import CELLS, METHODS, read_blocks, run_block, summary

NOMINAL, LOWEST, HIGHEST = 0.95, 0.935, 0.965
# Three Monte Carlo standard errors of a share near the limit, at 10,000 simulations.
MONTE_CARLO = 3 * np.sqrt(0.95 * 0.05 / 10_000)
RARE_BOUNDARY = 0.05
FULL = 10_000

written = summary() if not read_blocks().empty else None
normal_tails = None if written is None else written[written["tails"] == "normal"]


def test_the_table_holds_every_cell_at_full_length():
    assert written is not None
    assert len(written) == len(CELLS)
    assert (written["simulations"] >= FULL).all()
    assert (written["settled"] == written["simulations"]).all()


def test_the_default_interval_covers_everywhere():
    assert (normal_tails["kenward_roger"] >= LOWEST).all()


def test_the_default_interval_is_not_wasteful_away_from_the_boundary():
    away = normal_tails[normal_tails["boundary"] < RARE_BOUNDARY]
    assert len(away) > 0
    assert (away["kenward_roger"] <= HIGHEST + MONTE_CARLO).all()


def test_the_normal_interval_fails_for_few_studies():
    few = normal_tails[(normal_tails["studies"] <= 6) & (normal_tails["slope_sd"] >= 0.05)]
    assert len(few) > 0
    assert (few["normal"] < LOWEST - 0.02).all()
    assert (few["width_normal"] < few["width_kenward_roger"]).all()


@pytest.mark.calibration
def test_a_block_of_its_own_agrees_with_the_table():
    cell = (6, 0.05, "unbalanced", "normal")
    # A block number that the table never uses, so that its draws are new.
    found = run_block(cell, 990, 1000)
    error = 4 * np.sqrt(0.95 * 0.05 / 1000)
    assert abs(found["kenward_roger"] / 1000 - NOMINAL) < error
    assert found["normal"] / 1000 < NOMINAL - error
    assert set(METHODS) <= set(found)
