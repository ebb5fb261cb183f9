"""What a design can tell apart, against ranks of whole matrices."""

import numpy as np
import pytest

import metafreeze as mf
from metafreeze.models.unseen_design import (
    _rank_of_groups,
    _study_ranks,
    drop_single_study,
    random_trouble,
)
from metafreeze.models.unseen_input import check_unseen_rows

GIVEN = dict.fromkeys(
    (
        *("varying", "batch", "known_variance", "added_variance", "count", "spread", "offset"),
        *("names", "varying_names"),
    )
)


def make(n, study=None, **options):
    times = 10.0 + np.arange(n)
    return check_unseen_rows(
        times, times, np.ones((n, 1)), study, log_times=False, **{**GIVEN, **options}
    )


def dense_rank(rows, *, batches):
    """Rank of the columns of every study and a column for every batch."""
    parts = []
    for s in np.unique(rows.study):
        inside = rows.study == s
        parts.append(rows.z * inside[:, None])
        for b in np.unique(rows.batch[inside]) if batches else []:
            parts.append((inside & (rows.batch == b) & rows.member)[:, None].astype(float))
    return np.linalg.matrix_rank(np.hstack(parts))


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("with_batch", [True, False])
def test_ranks_are_those_of_the_whole_matrix(seed, with_batch):
    rng = np.random.default_rng(seed)
    n = 18
    study = np.repeat([0, 1, 2, 3], [2, 5, 1, 10])
    varying = np.column_stack([np.ones(n), rng.integers(0, 2, n), np.zeros(n)])
    varying = varying[:, : 2 + seed % 2] * [1.0, 1e-4, 1.0][: 2 + seed % 2]
    batch = [[None, "a", "b", "c"][k] for k in rng.integers(0, 4, n)] if with_batch else None
    rows = make(n, study, varying=varying, batch=batch)
    assert _rank_of_groups(rows) == dense_rank(rows, batches=with_batch)
    ranks = [
        np.linalg.matrix_rank(varying[study == s] * [1, 1e4, 1][: varying.shape[1]])
        for s in range(4)
    ]
    assert _study_ranks(rows).tolist() == ranks


def test_batches_without_studies_count_once_each():
    rows = make(6, batch=["a", "a", "b", None, "c", "c"])
    assert _rank_of_groups(rows) == 3.0


def test_a_single_study_has_no_spread_of_studies():
    one, said = drop_single_study(make(4, [1, 1, 1, 1]))
    assert one.z.shape == (4, 0) and one.varying_names == ()
    assert said == ("study: there is only one, so how much studies differ cannot be seen",)
    for rows in (make(4, [1, 1, 2, 2]), make(4)):
        kept, said = drop_single_study(rows)
        assert kept is rows and said == ()


def test_three_columns_may_vary_and_four_may_not():
    rng = np.random.default_rng(0)
    study = np.repeat([1, 2, 3], 8)
    assert (
        random_trouble(make(24, study, varying=rng.normal(size=(24, 3))), scale_is_held=False) == ""
    )
    with pytest.raises(mf.InputError) as caught:
        random_trouble(make(24, study, varying=rng.normal(size=(24, 4))), scale_is_held=False)
    assert str(caught.value) == ("varying has 4 columns; at most 3 can vary between studies here.")


def test_nothing_random_has_no_trouble():
    assert random_trouble(make(2), scale_is_held=False) == ""


FEWER = (
    "Fewer than two studies have rows enough, and different enough, for intercept, varying1 to "
    "vary between studies."
)


@pytest.mark.parametrize(("slopes", "said"), [(1, FEWER), (2, "")])
def test_two_studies_have_to_show_a_slope(slopes, said):
    study = np.repeat([1, 2, 3], 4)
    column = np.zeros(12)
    column[: 4 * slopes] = np.tile([0.0, 1.0], 2 * slopes)
    rows = make(12, study, varying=np.column_stack([np.ones(12), column]))
    assert random_trouble(rows, scale_is_held=False) == said


BATCHES = "Every study has one batch, so batches cannot be told from studies."


@pytest.mark.parametrize(
    ("study", "batch", "said"),
    [
        ([1, 1, 1, 2, 2, 2], "aaabbb", BATCHES),
        ([1, 1, 1, 1, 2, 2], "aabbcc", ""),
        (None, "aaaaaa", BATCHES),
        (None, "aaabbb", ""),
    ],
)
def test_batches_have_to_be_more_than_studies(study, batch, said):
    rows = make(6, study, batch=list(batch))
    assert random_trouble(rows, scale_is_held=True) == said


def full(runs, rank):
    return (
        f"There are {runs} runs and as many random coefficients ({rank}), so the spread within "
        "groups cannot be seen."
    )


@pytest.mark.parametrize(
    ("study", "options", "said"),
    [
        ([1, 2, 3], {}, full(3, 3)),
        ([1, 2, 3, 3], {}, ""),
        ([1, 2, 3], {"count": [1, 1, 2], "spread": [0, 0, 0.1]}, ""),
        # A row whose variance is known says nothing about the spread.
        ([1, 2, 3, 3], {"known_variance": [np.nan, np.nan, np.nan, 1.0]}, full(3, 3)),
        ([1, 2, 3], {"known_variance": [1.0, 1.0, 1.0]}, ""),
        ([1, 1, 2, 2], {"batch": list("abcd")}, full(4, 4)),
        ([1, 1, 2, 2, 2], {"batch": list("abcdd")}, ""),
        (None, {"batch": list("abc")}, full(3, 3)),
        (None, {"batch": ["a", "b", None]}, ""),
    ],
)
def test_a_spread_within_groups_needs_a_run_to_spare(study, options, said):
    n = 3 if study is None else len(study)
    rows = make(n, study, **options)
    assert random_trouble(rows, scale_is_held=False) == said
    assert random_trouble(rows, scale_is_held=True) == ""
