"""The calibration of the demo's truth, short: it holds, and its partner fails."""

import importlib.util
from pathlib import Path

import numpy as np

PATH = Path(__file__).parent / "demo_truth.py"
DEMOS = 40
# Three Monte Carlo errors of a coverage of 95 % over so many demos.
SLACK = 3 * np.sqrt(0.95 * 0.05 / DEMOS)


def load():
    spec = importlib.util.spec_from_file_location("demo_truth", PATH)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_truth_is_held_and_a_wrong_one_is_not():
    module = load()
    found = module.measure(DEMOS, seed=11)
    known = module.generator().truth(module.generator().settings())
    truth, shift = known["closed_part_slope_per_10k"], known["slope_sd_per_10k"]
    share, _ = module.coverage(found, truth)
    wrong, _ = module.coverage(found, truth + 2 * shift)
    assert share >= 0.95 - SLACK
    assert wrong < share - SLACK
    assert f"{share:.3f}" in module.table(found, 11)
