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


def slow_whole_share(x, y, batch, lab):
    """Enumerate every order of whole batches within labs, with equal sizes: the slow twin."""
    batches = sorted(set(batch))
    mean_x = np.array([x[batch == b].mean() for b in batches])
    mean_y = np.array([y[batch == b].mean() for b in batches])
    home = np.array([lab[batch == b][0] for b in batches])
    inside = [np.flatnonzero(home == h) for h in sorted(set(home))]

    def slope(values):
        parts = [(values[a] - values[a].mean(), mean_y[a] - mean_y[a].mean()) for a in inside]
        return sum(u @ v for u, v in parts) / sum(u @ u for u, _ in parts)

    orders = [()]
    for at in inside:
        orders = [(*o, *p) for o in orders for p in permutations(at)]
    place = np.concatenate(inside)
    seen, slopes = abs(slope(mean_x)), []
    for order in orders:
        dealt = mean_x.copy()
        dealt[place] = mean_x[list(order)]
        slopes.append(abs(slope(dealt)))
    return float(np.mean(np.array(slopes) >= seen - 1e-12))


def whole_batches(rng, slope=0.0, labs=2, batches=4, vessels=3, sd=0.05, batch_sd=0.1):
    lab = np.repeat(np.arange(labs), batches * vessels)
    batch = np.repeat(np.arange(labs * batches), vessels)
    x = np.concatenate([rng.permutation(np.resize([2.0, 8.0], batches)) for _ in range(labs)])
    x = x[batch]
    y = slope * x + rng.normal(0, batch_sd, labs * batches)[batch] + rng.normal(0, sd, x.size)
    return x, y, batch, lab


def test_whole_batches_are_dealt_as_a_whole():
    x, y, batch, lab = whole_batches(RNG(21), slope=0.03)
    found = shuffle_test(x, y, batch, lab=lab, rng=RNG(1))
    assert found.exact
    assert (found.whole_batches, found.blocks, found.rows) == (8, 8, 24)
    assert found.p == pytest.approx(slow_whole_share(x, y, batch, lab), rel=1e-12)
    # Vessel by vessel there would be far more deals than batches allow.
    assert found.deals == 6 * 6


def test_whole_batches_without_a_lab_say_nothing():
    x, y, batch, _ = whole_batches(RNG(22))
    assert shuffle_test(x, y, batch, rng=RNG(1)).status == "unidentifiable"


def test_whole_batches_hold_their_level_where_vessel_by_vessel_would_not():
    rng = RNG(23)
    whole = vesselwise = 0
    for place in range(SETS):
        x, y, batch, lab = whole_batches(rng, labs=2, batches=8)
        whole += shuffle_test(x, y, batch, lab=lab, rng=rng, draws=99).p <= LEVEL
        if place % 4 == 0:
            # Dealing single vessels of a lab, as if they had not shared their batch.
            vesselwise += shuffle_test(x, y, lab, rng=rng, draws=99).p <= LEVEL
    assert whole / SETS <= LEVEL + MONTE_CARLO
    assert whole / SETS >= LEVEL / 4
    assert vesselwise / (SETS / 4) > 3 * LEVEL


def test_both_kinds_of_batches_add_up():
    rng = RNG(24)
    x, y, batch, lab = whole_batches(rng, slope=0.02)
    mixed_x, mixed_block = np.tile([2.0, 5.0, 8.0], 3), np.repeat([100, 101, 102], 3)
    mixed_y = 0.02 * mixed_x + rng.normal(0, 0.05, 9)
    both = shuffle_test(
        np.concatenate([x, mixed_x]),
        np.concatenate([y, mixed_y]),
        np.concatenate([batch, mixed_block]),
        lab=np.concatenate([lab, np.zeros(9, dtype=int)]),
        rng=rng,
        draws=999,
    )
    assert (both.blocks, both.whole_batches, both.rows) == (11, 8, 33)
    alone = [
        shuffle_test(x, y, batch, lab=lab, rng=rng).slope,
        shuffle_test(mixed_x, mixed_y, mixed_block, rng=rng).slope,
    ]
    assert min(alone) <= both.slope <= max(alone)
