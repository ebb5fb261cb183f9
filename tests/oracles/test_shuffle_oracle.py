"""The shuffle test against full enumeration, and its level."""

from itertools import permutations

import numpy as np
import pytest

from metafreeze.errors import InputError
from metafreeze.scrutiny.shuffle import shuffle_test

RNG = np.random.default_rng
# Level 5 %, 400 data sets: three Monte Carlo errors.
LEVEL, SETS = 0.05, 400
MONTE_CARLO = 3 * np.sqrt(LEVEL * (1 - LEVEL) / SETS)


def slow_share(x, y, block):
    """Enumerate every order of every block, repeats and all: the slow twin."""
    labels = sorted(set(block))
    inside = [np.flatnonzero(np.array(block) == b) for b in labels]

    def slope(values):
        top = bottom = 0.0
        for at in inside:
            centred = values[at] - values[at].mean()
            top += centred @ (y[at] - y[at].mean())
            bottom += centred @ centred
        return top / bottom

    seen = abs(slope(x))
    far = total = 0

    def walk(place, values):
        nonlocal far, total
        if place == len(inside):
            total += 1
            far += abs(slope(values)) >= seen - 1e-12
            return
        at = inside[place]
        for order in permutations(at):
            dealt = values.copy()
            dealt[at] = x[list(order)]
            walk(place + 1, dealt)

    walk(0, x.copy())
    return far / total


def test_exact_p_equals_full_enumeration():
    rng = RNG(5)
    x = np.array([2.0, 5.0, 8.0, 2.0, 5.0, 8.0, 2.0, 8.0])
    block = ["a"] * 3 + ["b"] * 3 + ["c"] * 2
    y = 0.03 * x + rng.normal(0, 0.05, x.size)
    found = shuffle_test(x, y, block, rng=rng)
    assert found.exact
    assert found.p == pytest.approx(slow_share(x, y, block), rel=1e-12)


def test_repeated_temperatures_need_no_double_counting():
    rng = RNG(6)
    x = np.array([2.0, 2.0, 8.0, 8.0, 2.0, 8.0])
    block = ["a"] * 4 + ["b"] * 2
    y = rng.normal(0, 0.05, x.size)
    assert shuffle_test(x, y, block, rng=rng).p == pytest.approx(slow_share(x, y, block))


def test_random_deals_come_close_to_all_deals(monkeypatch):
    import metafreeze.scrutiny.shuffle as module

    rng = RNG(7)
    x = np.tile([2.0, 5.0, 8.0], 3)
    block = np.repeat(["a", "b", "c"], 3)
    y = 0.01 * x + rng.normal(0, 0.05, 9)
    exact = shuffle_test(x, y, block, rng=rng)
    monkeypatch.setattr(module, "MOST_EXACT", 0)
    random = shuffle_test(x, y, block, rng=rng, draws=20_000)
    assert not random.exact
    assert random.p == pytest.approx(exact.p, abs=4 * np.sqrt(exact.p * (1 - exact.p) / 20_000))


def test_it_holds_its_level_when_no_study_has_an_effect():
    rng = RNG(8)
    x = np.tile([2.0, 5.0, 8.0], 6)
    block = np.repeat(np.arange(6), 3)
    rejected = 0
    for _ in range(SETS):
        y = rng.normal(0, 0.05, x.size) + rng.normal(0, 0.1, 6)[block]
        rejected += shuffle_test(x, y, block, rng=rng, draws=199).p <= LEVEL
    assert abs(rejected / SETS - LEVEL) <= MONTE_CARLO


def test_it_rejects_too_often_when_labs_differ_around_zero_and_says_so():
    rng = RNG(9)
    labs, blocks = 3, 8
    x = np.tile([2.0, 5.0, 8.0], labs * blocks)
    block = np.repeat(np.arange(labs * blocks), 3)
    rejected = 0
    for _ in range(SETS // 4):
        slope = rng.normal(0, 0.1, labs)
        y = x * np.repeat(slope, 3 * blocks) + rng.normal(0, 0.05, x.size)
        found = shuffle_test(x, y, block, rng=rng, draws=199)
        rejected += found.p <= LEVEL
    assert rejected / (SETS // 4) > 3 * LEVEL
    assert "labs differ around zero" in found.found


def test_blocks_of_one_temperature_say_nothing():
    found = shuffle_test([2.0, 2.0], [1.0, 1.1], ["a", "a"], rng=RNG(1))
    assert found.status == "unidentifiable"
    assert "two start temperatures" in found.note


def test_too_few_draws_are_refused():
    with pytest.raises(InputError, match="at least 99"):
        shuffle_test([1.0, 2.0], [1.0, 2.0], [1, 1], rng=RNG(1), draws=10)
