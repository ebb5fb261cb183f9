"""Variance parts of the certified one-way analyses of variance, by digits of agreement.

Source: NIST Statistical Reference Datasets, one-way analysis of variance, certified values;
the files ship with scipy's tests. With groups of n the restricted estimates are s2 = within mean
square and t2 = (between - within) / n. The number of correct digits asked for is 12, 9 and
3 for lower, average and higher difficulty: the last have 13 constant leading digits, so that a
double itself holds only the first few digits of the scatter.
"""

import re
from importlib.resources import files

import numpy as np
import pytest

from metafreeze import mixed_model

FOLDER = files("scipy.stats.tests").joinpath("data", "nist_anova")
NAMES = sorted(f.name for f in FOLDER.iterdir() if f.name.endswith(".dat"))
DIGITS = {"Lower": 12, "Average": 9, "Higher": 3}


def read(name):
    text = FOLDER.joinpath(name).read_text("utf-8")
    difficulty = re.search(r"(Lower|Average|Higher) Level of Difficulty", text).group(1)
    number = r"([-+\d.E]+)"
    between, within = (
        re.search(rf"{kind}\s+\w+\s+(\d+)\s+{number}\s+{number}", text)
        for kind in ("Between", "Within")
    )
    rows = [line.split() for line in text.splitlines()[60:] if line.strip()]
    table = np.array(rows, dtype=float)
    return difficulty, float(between.group(3)), float(within.group(3)), table


def digits(value, certified):
    return 15.0 if value == certified else -np.log10(abs(value - certified) / abs(certified))


@pytest.mark.parametrize("name", NAMES)
def test_variance_parts_agree_to_the_digits_of_the_difficulty(name):
    difficulty, between, within, table = read(name)
    group, y = table[:, 0].astype(int), table[:, 1]
    size = len(y) / len(set(group))
    fit = mixed_model(y, np.ones((len(y), 1)), group)
    spread = float(fit.random_parts["sd"].iloc[0]) ** 2
    found = (
        digits(fit.residual_sd**2, within),
        digits(spread, (between - within) / size),
    )
    assert fit.status == "ok"
    assert min(found) >= DIGITS[difficulty], found


def test_all_eleven_files_are_there():
    assert len(NAMES) == 11
