"""Directions of endless rise against a plain search over directions, and known layouts."""

import numpy as np
import pytest

from metafreeze.models.censored_likelihood import EXACT, INTERVAL, LEFT, RIGHT
from metafreeze.models.separation import Escape, _largest, _slacks, find_escape

INF = float("inf")


def escape(x, lower, upper, kind, *, free=True, functions=None):
    x = np.asarray(x, dtype=float)
    functions = np.eye(x.shape[1]) if functions is None else np.asarray(functions, dtype=float)
    return find_escape(
        x,
        np.asarray(lower, dtype=float),
        np.asarray(upper, dtype=float),
        np.asarray(kind, dtype=np.int64),
        functions,
        spread_is_free=free,
    )


def told(found):
    return (
        found.spread,
        found.rows.astype(int).tolist(),
        found.rising.astype(int).tolist(),
        found.falling.astype(int).tolist(),
    )


ONE = np.ones((3, 1))
TWO = np.array([[1.0, 0.0], [1.0, 0.0], [1.0, 1.0], [1.0, 1.0]])
LAYOUTS = {
    # x, lower, upper, kind, free, expected
    "nothing was seen": (
        ONE,
        [0, 0, 1],
        [INF] * 3,
        [RIGHT] * 3,
        False,
        (False, [1, 1, 1], [1], [0]),
    ),
    "all before a look": (
        ONE,
        [-INF] * 3,
        [0, 0, 1],
        [LEFT] * 3,
        False,
        (False, [1, 1, 1], [0], [1]),
    ),
    "one side each": (
        ONE,
        [0, 0, -INF],
        [INF, INF, 1],
        [RIGHT, RIGHT, LEFT],
        False,
        (False, [0, 0, 0], [0], [0]),
    ),
    "windows hold the mean": (
        ONE,
        [0, 0, 0],
        [INF, INF, 1],
        [RIGHT, RIGHT, INTERVAL],
        False,
        (False, [0, 0, 0], [0], [0]),
    ),
    "a seen time holds the mean": (
        ONE,
        [0, 0.5, 0],
        [INF, 0.5, INF],
        [RIGHT, EXACT, RIGHT],
        False,
        (False, [0, 0, 0], [0], [0]),
    ),
    "one group never": (
        TWO,
        [0, 1, 0, 0],
        [0, 1, INF, INF],
        [EXACT, EXACT, RIGHT, RIGHT],
        True,
        (False, [0, 0, 1, 1], [0, 1], [0, 0]),
    ),
    "one group early": (
        TWO,
        [0, 1, -INF, -INF],
        [0, 1, 0, 0],
        [EXACT, EXACT, LEFT, LEFT],
        True,
        (False, [0, 0, 1, 1], [0, 0], [0, 1]),
    ),
    "windows overlap": (
        ONE,
        [0, 0.2, 0.1],
        [1, 1.2, 1.1],
        [INTERVAL] * 3,
        True,
        (True, [0, 0, 0], [0], [0]),
    ),
    "windows overlap, spread known": (
        ONE,
        [0, 0.2, 0.1],
        [1, 1.2, 1.1],
        [INTERVAL] * 3,
        False,
        (False, [0, 0, 0], [0], [0]),
    ),
    "windows apart": (
        ONE,
        [0, 2, 0.1],
        [1, 3, 1.1],
        [INTERVAL] * 3,
        True,
        (False, [0, 0, 0], [0], [0]),
    ),
    "equal times": (ONE, [0.4] * 3, [0.4] * 3, [EXACT] * 3, True, (True, [0, 0, 0], [0], [0])),
    "unequal times": (
        ONE,
        [0.4, 0.4, 0.5],
        [0.4, 0.4, 0.5],
        [EXACT] * 3,
        True,
        (False, [0, 0, 0], [0], [0]),
    ),
    "a time below a limit": (
        ONE,
        [0.4, 0.4, 0.5],
        [0.4, 0.4, INF],
        [EXACT, EXACT, RIGHT],
        True,
        (False, [0, 0, 0], [0], [0]),
    ),
    "a time above a limit": (
        ONE,
        [0.4, 0.4, 0.3],
        [0.4, 0.4, INF],
        [EXACT, EXACT, RIGHT],
        True,
        (True, [0, 0, 0], [0], [0]),
    ),
    "a time below a look": (
        ONE,
        [0.4, 0.4, -INF],
        [0.4, 0.4, 0.5],
        [EXACT, EXACT, LEFT],
        True,
        (True, [0, 0, 0], [0], [0]),
    ),
    "a time above a look": (
        ONE,
        [0.4, 0.4, -INF],
        [0.4, 0.4, 0.3],
        [EXACT, EXACT, LEFT],
        True,
        (False, [0, 0, 0], [0], [0]),
    ),
}


@pytest.mark.parametrize("name", LAYOUTS)
def test_known_layouts(name):
    *given, free, expected = LAYOUTS[name]
    found = escape(*given, free=free)
    assert told(found) == expected
    assert found.any == (expected[0] or any(expected[1]))


def test_the_fate_of_a_function_is_that_of_its_coefficients():
    x, lower, upper, kind, free, _ = LAYOUTS["one group never"]
    # Difference, mean of the second group, mean of the first, minus the difference, nothing.
    functions = [[0, 1], [1, 1], [1, 0], [0, -1], [0, 0], [0, 1e6], [0, 1e-6]]
    found = escape(x, lower, upper, kind, free=free, functions=functions)
    assert found.rising.astype(int).tolist() == [1, 1, 0, 0, 0, 1, 1]
    assert found.falling.astype(int).tolist() == [0, 0, 0, 1, 0, 0, 0]


def directions(x, kind):
    """All directions in two coefficients on a fine circle that no row forbids, and who gains."""
    angle = np.linspace(0, 2 * np.pi, 1440, endpoint=False)
    d = np.column_stack([np.cos(angle), np.sin(angle)])
    d[np.abs(d) < 1e-12] = 0.0
    move = d @ x.T
    held = np.isin(kind, (EXACT, INTERVAL))
    fine = (np.abs(move[:, held]) < 1e-9).all(axis=1)
    fine &= (move[:, kind == RIGHT] >= -1e-9).all(axis=1)
    fine &= (move[:, kind == LEFT] <= 1e-9).all(axis=1)
    gains = ((np.abs(move) > 1e-9) & ~held)[fine].any(axis=0)
    return d[fine], gains


@pytest.mark.parametrize("seed", range(40))
def test_random_layouts_are_those_of_a_search_over_directions(seed):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(2, 7))
    x = rng.choice([-1.0, 0.0, 1.0], size=(n, 2))
    kind = rng.choice([RIGHT, LEFT, EXACT, INTERVAL], p=[0.45, 0.35, 0.1, 0.1], size=n)
    if np.linalg.matrix_rank(x) < 2:
        x[:2] = np.eye(2)
    lower, upper = rng.normal(size=n), rng.normal(size=n) + 3
    lower[kind == LEFT], upper[kind == RIGHT] = -INF, INF
    upper[kind == EXACT] = lower[kind == EXACT]
    found = escape(x, lower, upper, kind, free=False, functions=[[1, 0], [0, 1], [1, 1]])
    d, gains = directions(x, kind)
    np.testing.assert_array_equal(found.rows, gains)
    if not gains.any():
        d = d[:0]  # without a gain nothing runs off
    values = d @ np.array([[1.0, 0.0, 1.0], [0.0, 1.0, 1.0]])
    np.testing.assert_array_equal(found.rising, (values > 1e-9).any(axis=0))
    np.testing.assert_array_equal(found.falling, (values < -1e-9).any(axis=0))


def test_any_means_a_row_or_the_spread():
    no, yes = np.array([False, False]), np.array([False, True])
    assert not Escape(False, no, no, no).any
    assert Escape(True, no, no, no).any and Escape(False, yes, no, no).any


def test_the_largest_value_over_a_box():
    box = [(-1.0, 1.0), (-1.0, 1.0)]
    nothing = np.empty((0, 2))
    assert _largest(np.array([3.0, -1.0]), nothing, nothing, box) == pytest.approx(4 / 3)
    assert _largest(np.zeros(2), nothing, nothing, box) == 0.0
    at_least = np.array([[-1.0, 0.0]])  # the first may only fall
    assert _largest(np.array([3.0, -1.0]), at_least, nothing, box) == pytest.approx(1 / 3)
    equal = np.array([[0.0, 1.0]])
    assert _largest(np.array([3.0, -1.0]), nothing, equal, box) == pytest.approx(1.0)
    assert _largest(np.array([3.0, -1.0]), at_least, equal, box) == pytest.approx(0.0)
    free = [(None, None), (None, None)]
    assert _largest(np.array([1.0, 0.0]), nothing, nothing, free) == np.inf


def test_slacks_are_as_large_as_one_and_only_where_a_direction_frees():
    rows = np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 2.0], [1.0, 1.0]])
    np.testing.assert_allclose(_slacks(rows, np.empty((0, 2))), [0, 0, 1, 1], atol=1e-7)
    held = _slacks(rows, np.array([[0.0, 1.0]]))
    np.testing.assert_allclose(held, [0, 0, 0, 0], atol=1e-7)
