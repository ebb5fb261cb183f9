"""Places and orders are drawn by lot and balanced, whatever the numbers and the seed."""

import numpy as np
import pytest
from scipy import stats

from metafreeze.errors import InputError
from metafreeze.planning.allocation import allocate, sham_pairs

SEEDS = 1000
# A fair lot fails this once in a hundred thousand times; the unmixed square fails always.
UNLIKELY = 1e-5


def counts(table, temperatures, axis):
    return np.stack([(table == t).sum(axis=axis) for t in range(temperatures)])


def sizes(seed):
    rng = np.random.default_rng([7, seed])
    return int(rng.integers(1, 6)), int(rng.integers(1, 11)), int(rng.integers(1, 11))


def test_every_count_is_as_even_as_the_numbers_allow_over_a_thousand_seeds():
    for seed in range(SEEDS):
        temperatures, batches, vessels = sizes(seed)
        dealt = allocate(
            temperatures, batches=batches, vessels=vessels, rng=np.random.default_rng(seed)
        )
        assert (np.sort(dealt.order, axis=1) == np.arange(1, vessels + 1)).all()
        by_turn = np.take_along_axis(dealt.temperature, np.argsort(dealt.order, axis=1), axis=1)
        for table, axis, whole in (
            (dealt.temperature, 1, vessels % temperatures == 0),
            (dealt.temperature, 0, batches % temperatures == 0),
            (by_turn, 0, batches % temperatures == 0),
            (dealt.temperature, None, batches * vessels % temperatures == 0),
        ):
            spread = np.ptp(counts(table, temperatures, axis), axis=0)
            assert np.max(spread) <= (0 if whole else 1), (seed, temperatures, batches, vessels)


@pytest.mark.parametrize("seed", range(3))
def test_the_seed_draws_the_same_again_and_another_seed_another(seed):
    first, again, other = (
        allocate(2, batches=6, vessels=6, rng=np.random.default_rng(s))
        for s in (seed, seed, seed + 100)
    )
    assert (first.temperature == again.temperature).all() and (first.order == again.order).all()
    assert (first.temperature != other.temperature).any()


def uniformity(tables):
    """P that every arrangement of three batches at four places came up equally often."""
    _, seen = np.unique([t.tobytes() for t in tables], return_counts=True)
    # 0-1 tables of 4 rows and 4 columns, two ones in each: 90 (Ryser's count).
    observed = np.zeros(90)
    observed[: seen.size] = seen
    return float(stats.chisquare(observed).pvalue)


def test_all_balanced_arrangements_come_up_equally_often():
    drawn = [
        allocate(2, batches=4, vessels=4, rng=np.random.default_rng([1, s])).temperature
        for s in range(3600)
    ]
    assert uniformity(drawn) > UNLIKELY
    # The partner that must fail: whole columns permuted, nothing exchanged.
    square = (np.arange(4)[:, None] + np.arange(4)) % 2
    rng = np.random.default_rng(2)
    stiff = [square[:, rng.permutation(4)] for _ in range(3600)]
    assert uniformity(stiff) < UNLIKELY


def test_place_and_turn_are_no_habit_of_a_temperature():
    """Within a temperature every place goes first equally often."""
    first = np.zeros(6)
    for seed in range(3000):
        dealt = allocate(2, batches=1, vessels=6, rng=np.random.default_rng([3, seed]))
        first[np.argmin(dealt.order[0])] += 1
    assert float(stats.chisquare(first).pvalue) > UNLIKELY


def test_sham_pairs_share_a_temperature_and_go_round_the_temperatures():
    rng = np.random.default_rng(4)
    dealt = allocate(3, batches=9, vessels=6, rng=rng)
    label = sham_pairs(dealt.temperature, rng)
    used = []
    for row, labels in zip(dealt.temperature, label, strict=True):
        assert sorted(labels[labels > 0]) == [1, 2]
        pair = row[labels > 0]
        assert pair[0] == pair[1]
        used.append(pair[0])
    assert np.bincount(used).tolist() == [3, 3, 3]


def test_no_two_vessels_alike_give_no_sham_pair():
    dealt = allocate(3, batches=2, vessels=3, rng=np.random.default_rng(1))
    with pytest.raises(InputError, match="Batch 1 has 3 vessels at 3 start temperatures"):
        sham_pairs(dealt.temperature, np.random.default_rng(1))


def test_nothing_to_deal_is_refused():
    with pytest.raises(InputError, match="vessels is 0"):
        allocate(2, batches=3, vessels=0, rng=np.random.default_rng(1))
