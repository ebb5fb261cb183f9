"""Rows in batches in studies: sums, places and parts against plain loops."""

import numpy as np
import pytest

from metafreeze.models.grouped_rows import Design, Summation, Times, unpack_theta

STUDIES = {
    "uneven": [[2, 1], [3], [1, 1, 2], [4]],
    "alike": [[2], [2], [2], [2]],
    "one study": [[3, 2]],
    "single rows": [[1], [1], [1]],
}


def design_of(batches, *, with_batch=True, q=2, seed=0):
    rng = np.random.default_rng(seed)
    rows = [size for study in batches for size in study]
    n = sum(rows)
    return Design(
        family="normal",
        x=rng.normal(size=(n, 3)),
        z=rng.normal(size=(n, q)),
        pairs=[(i, j) for j in range(q) for i in range(j, q)],
        member=rng.integers(0, 2, n).astype(float) if with_batch else np.zeros(0),
        batch_start=np.concatenate([[0], np.cumsum(rows)]),
        study_start=np.concatenate([[0], np.cumsum([len(s) for s in batches])]),
        share=np.ones(n),
        added=np.zeros(n),
        beyond=rng.normal(size=n),
        times_over=rng.integers(1, 4, n).astype(float),
    )


def places(batches):
    """Study and batch of each row, by counting."""
    study, batch, at = [], [], 0
    for s, sizes in enumerate(batches):
        for size in sizes:
            study += [s] * size
            batch += [at] * size
            at += 1
    return study, batch


@pytest.mark.parametrize("shape", [(), (2,), (2, 3)])
def test_weighted_sums_by_loop(shape):
    rng = np.random.default_rng(2)
    weights, values = rng.normal(size=(7, 3)), rng.normal(size=(7, *shape))
    starts = np.array([0, 2, 3, 7])
    found = Summation(starts, weights)(values)
    assert found.shape == (3, 3, *shape)
    for c in range(3):
        for g in range(3):
            wanted = sum(weights[i, c] * values[i] for i in range(starts[g], starts[g + 1]))
            assert np.allclose(found[c, g], wanted, rtol=1e-13, atol=1e-14)


@pytest.mark.parametrize("with_batch", [True, False])
@pytest.mark.parametrize("q", [1, 2])
@pytest.mark.parametrize("name", STUDIES)
def test_every_count_and_place(name, q, with_batch):
    batches = STUDIES[name]
    design = design_of(batches, with_batch=with_batch, q=q)
    study, batch = places(batches)
    n, B, S = len(study), max(batch) + 1, len(batches)
    assert design.sizes == (n, S, B, 3, q)
    assert design.has_batch is with_batch
    assert design.parameter_count == 3 + 1 + q * (q + 1) // 2 + with_batch
    assert design.dimensions == q + with_batch
    assert design.rows_in_study.tolist() == [sum(s) for s in batches]
    assert design.batch_of_row.tolist() == batch
    assert design.study_of_row.tolist() == study
    assert design.study_of_batch.tolist() == [s for s, sizes in enumerate(batches) for _ in sizes]
    assert design.plain_spread is True
    member = design.member[:, None] if with_batch else np.zeros((n, 0))
    everything = np.hstack([design.x, design.z, member])
    value = np.random.default_rng(4).normal(size=n)
    by_batch = np.zeros((everything.shape[1], B))
    plain, by_study = np.zeros(B), np.zeros(S)
    for i in range(n):
        by_batch[:, batch[i]] += everything[i] * value[i]
        plain[batch[i]] += value[i]
        by_study[study[i]] += value[i]
    assert np.allclose(design.score_sums(value), by_batch, atol=1e-13)
    assert np.allclose(design.plain_sums(value)[0], plain, atol=1e-13)
    assert np.allclose(design.study_sums(plain)[0], by_study, atol=1e-13)
    once, twice = design.mode_sums
    assert np.allclose(once(value), by_batch[3:], atol=1e-13)
    parts = everything[:, 3:]
    size = q + with_batch
    wanted = [(i, j) for i in range(size) for j in range(i + 1)]
    assert design.mode_products == wanted
    products = np.zeros((len(wanted), B))
    for k, (i, j) in enumerate(wanted):
        for row in range(n):
            products[k, batch[row]] += parts[row, i] * parts[row, j] * value[row]
    assert np.allclose(twice(value), products, atol=1e-13)


@pytest.mark.parametrize("with_batch", [True, False])
def test_features_stand_at_their_parameters(with_batch):
    """d eta / d theta of eta = x b + z Lambda u + member omega v, part by part."""
    design = design_of(STUDIES["uneven"], with_batch=with_batch)
    rng = np.random.default_rng(6)
    theta = rng.normal(size=(1, design.parameter_count))
    u, v = rng.normal(size=2), rng.normal()

    def eta(at):
        _, factor, omega = unpack_theta(design, at)
        total = design.x @ at[0, :3] + design.z @ (factor[0] @ u)
        return total + (design.member * omega[0] * v if with_batch else 0.0)

    found = np.zeros((len(design.x), design.parameter_count))
    features = [1.0, *u] + ([v] if with_batch else [])
    columns = design.feature_columns
    assert len(columns) == len(features)
    for feature, (multiplier, at) in zip(features, columns, strict=True):
        found[:, at] += feature * multiplier
    for k in range(design.parameter_count):
        step = np.zeros_like(theta)
        step[0, k] = 0.5
        wanted = eta(theta + step) - eta(theta - step)
        assert np.allclose(found[:, k], wanted, atol=1e-12)


def test_parameters_are_taken_apart():
    design = design_of(STUDIES["alike"])
    theta = np.arange(16.0).reshape(2, 8) / 4
    sigma, factor, omega = unpack_theta(design, theta)
    assert np.allclose(sigma, np.exp(theta[:, 3]))
    assert factor[1].tolist() == [[theta[1, 4], 0.0], [theta[1, 5], theta[1, 6]]]
    assert omega.tolist() == theta[:, 7].tolist()
    without = design_of(STUDIES["alike"], with_batch=False)
    assert unpack_theta(without, theta[:, :7])[2].tolist() == [0.0, 0.0]


@pytest.mark.parametrize(
    ("share", "added", "plain"), [(1, 0, True), (0.5, 0, False), (1, 2, False)]
)
def test_a_spread_is_plain_where_every_row_has_it(share, added, plain):
    design = design_of(STUDIES["alike"])
    design.share[0], design.added[0] = share, added
    assert design.plain_spread is plain


@pytest.mark.parametrize("with_batch", [True, False])
def test_a_part_is_a_design_of_its_own(with_batch):
    batches = STUDIES["uneven"]
    design = design_of(batches, with_batch=with_batch)
    design.share[:] = np.arange(len(design.x)) + 1.0
    design.added[:] = np.arange(len(design.x)) + 2.0
    part = design.part(np.array([0, 2]), (5, 7))
    study, batch = places(batches)
    rows = [i for i, s in enumerate(study) if s in (0, 2)]
    assert part.nodes == (5, 7)
    assert part.rows.tolist() == rows
    assert part.studies.tolist() == [0, 2]
    assert part.batches.tolist() == sorted({batch[i] for i in rows}) == [0, 1, 3, 4, 5]
    smaller = part.design
    assert smaller.batch_start.tolist() == [0, 2, 3, 4, 5, 7]
    assert smaller.study_start.tolist() == [0, 2, 5]
    for name in ("x", "z", "share", "added", "beyond", "times_over"):
        assert np.array_equal(getattr(smaller, name), getattr(design, name)[rows]), name
    assert smaller.family == "normal" and smaller.pairs == design.pairs
    assert smaller.member.tolist() == (design.member[rows].tolist() if with_batch else [])
    whole = design.part(np.arange(4), (3,))
    assert whole.design is design
    assert whole.rows == whole.studies == whole.batches == slice(None)


def test_studies_are_divided_by_nodes_and_by_size():
    design = design_of([[2], [2], [2], [2], [2]])
    nodes = np.array([[3], [5], [3], [3], [3]])
    parts = design.parts(nodes, 12)
    # With 3 nodes a study of two rows takes 6 elements: two fit into 12, the next two do not.
    found = [(p.nodes, p.studies.tolist()) for p in parts]
    assert found == [((3,), [0, 2]), ((3,), [3, 4]), ((5,), [1])]
    assert design.parts(nodes, 12) is parts
    # Ends of 6, 12, 18 and 24 elements: the 12th is the first beyond 11, the 23rd beyond 22.
    assert [p.studies.tolist() for p in design.parts(nodes, 11)] == [[0], [2, 3], [4], [1]]


def test_times_are_chosen_by_row_and_replicate():
    lower = np.arange(12.0).reshape(4, 3)
    times = Times(lower, lower + 1, np.ones((4, 3), dtype=int), np.arange(3.0))
    part = times.pick(np.array([1, 3]), np.array([2, 0]))
    assert part.lower.tolist() == [[5.0, 3.0], [11.0, 9.0]]
    assert part.upper.tolist() == [[6.0, 4.0], [12.0, 10.0]]
    assert part.kind.shape == (2, 2) and part.squares.tolist() == [2.0, 0.0]
    shared = Times(lower[:, :1], lower[:, :1] + 1, np.ones((4, 1), dtype=int), np.arange(1.0))
    part = shared.pick(slice(None), np.array([0, 4, 9]))
    assert part.lower.shape == part.upper.shape == part.kind.shape == (4, 1)
    assert part.squares.tolist() == [0.0]
