"""The table of simulated power agrees with the closed forms, and would show if it did not."""

from pathlib import Path

import pandas as pd
import pytest
from scipy import stats

LINES = pd.read_csv(Path(__file__).with_name("planning_power.csv"))
ALONE = LINES[LINES["labs"] == 1]
MANY = LINES[(LINES["labs"] >= 5) & (LINES["between_sd"] > 0)]
# Over all cells of the table together: one table in a thousand.
LEVEL = 1e-3


def least_p(lines, question, closed):
    """Exact binomial p of the worst cell, times the number of cells."""
    found = []
    for _, line in lines.iterrows():
        n = int(line["simulations"] - line["failed"])
        hits = round(line[f"{question} simulated"] * n)
        found.append(stats.binomtest(hits, n, min(max(closed(line), 1e-9), 1 - 1e-9)).pvalue)
    return min(found) * len(found)


@pytest.mark.parametrize("question", ["effect", "equivalence"])
def test_one_lab_agrees_within_monte_carlo_error(question):
    assert (ALONE["failed"] == 0).all()
    assert least_p(ALONE, question, lambda line: line[f"{question} closed"]) > LEVEL
    # The partner that must fail: five points of power too many.
    assert least_p(ALONE, question, lambda line: line[f"{question} closed"] + 0.05) < LEVEL


def test_many_labs_notice_nearly_what_the_closed_form_says_and_never_more():
    """The wider of two intervals costs at most this much power; see the table's heading."""
    gap = MANY["effect closed"] - MANY["effect simulated"]
    assert gap.between(-0.03, 0.05).all()
    assert (MANY["failed"] == 0).all()
    new = MANY["new lab closed"] - MANY["new lab simulated"]
    assert new.abs().max() < 0.1
