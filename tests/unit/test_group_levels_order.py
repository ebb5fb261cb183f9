"""Batches and specimens put in order, against membership looked up row by row."""

import numpy as np
import pytest

from metafreeze.models.group_levels import arrange_groups, crossing_width, first_rows, is_nested
from metafreeze.models.labels import Groups, encode_nested

STUDY = np.array([0, 0, 0, 0, 1, 1, 1, 1, 2, 2])


def part(*labels):
    study = Groups(STUDY, ("r", "s", "t"))
    words = np.array([None if w == "-" else w for w in labels[0]], dtype=object)
    return encode_nested(words, study, name="batch")


# One letter a row, - where a row has no label.
BATCH = "aabbaabbaa"
FINER = "wxyzwwyzww"
ACROSS = "wxwxwxxwwx"
GAPS = "a-bbaab-aa"


def together(codes):
    return (np.asarray(codes)[:, None] == np.asarray(codes)[None, :]).tolist()


def same(labels):
    """Whether rows of one study share a label; rows without one share nothing here."""
    n = len(labels)
    return [
        [labels[i] == labels[j] != "-" and STUDY[i] == STUDY[j] for j in range(n)] for i in range(n)
    ]


def level_matrix(order, k):
    """Which rows share a real group of level k, from the members of each level."""
    at = order.inner if k == 0 else order.levels[1].members.parent[order.inner]
    real = order.levels[k].real[at] > 0
    return [
        [bool(at[i] == at[j] and real[i] and real[j]) for j in range(len(at))]
        for i in range(len(at))
    ]


@pytest.mark.parametrize(
    ("inner", "outer", "nested"),
    [
        (FINER, BATCH, True),
        (BATCH, FINER, False),
        (BATCH, BATCH, True),
        (ACROSS, BATCH, False),
        (BATCH, ACROSS, False),
        ("w---w---w-", BATCH, True),
    ],
)
def test_nested_is_each_inner_label_in_one_outer_group(inner, outer, nested):
    assert is_nested(part(inner), part(outer)) is nested


def test_no_labels_have_no_levels():
    order = arrange_groups(STUDY, 3, None, None)
    assert order.levels == () and order.inner is None
    assert order.crossed == [] and order.crossed_name == ""


@pytest.mark.parametrize("labels", [BATCH, GAPS])
@pytest.mark.parametrize("name", ["batch", "specimen"])
def test_one_kind_of_group_is_one_level(name, labels):
    given = part(labels)
    order = arrange_groups(STUDY, 3, *((given, None) if name == "batch" else (None, given)))
    (level,) = order.levels
    assert level.name == name and level.count == given[1]
    assert np.array_equal(order.inner, given[0])
    assert level_matrix(order, 0) == same(labels)
    for i, g in enumerate(order.inner):
        assert level.study.parent[g] == STUDY[i]
        assert level.members.parent[g] == g
    assert level.study.count == 3 and level.members.count == given[1]
    assert order.crossed == [] and order.crossed_name == ""


@pytest.mark.parametrize("swap", [False, True])
@pytest.mark.parametrize(
    ("fine", "coarse"), [(FINER, BATCH), ("-x-zwwyzww", GAPS), ("w---w---w-", BATCH)]
)
def test_the_finer_labels_stand_within_the_coarser(fine, coarse, swap):
    batch, specimen = (part(fine), part(coarse)) if swap else (part(coarse), part(fine))
    order = arrange_groups(STUDY, 3, batch, specimen)
    names = ("batch", "specimen") if swap else ("specimen", "batch")
    assert tuple(level.name for level in order.levels) == names
    assert level_matrix(order, 0) == same(fine)
    assert level_matrix(order, 1) == same(coarse)
    inside, outside = order.levels
    assert outside.members.count == outside.count == part(coarse)[1]
    for i, g in enumerate(order.inner):
        assert inside.study.parent[g] == STUDY[i]
        assert outside.study.parent[outside.members.parent[g]] == STUDY[i]
    assert order.crossed == [] and order.crossed_name == ""


CROSSINGS = [
    # Three batches across two specimens: the specimens become columns.
    ("abcabcabab", "wxwxwxwxwx", "specimen"),
    ("wxwxwxwxwx", "abcabcabab", "batch"),
    # As many of each: the batches do.
    ("aabbaabbaa", "wxwxwxwxwx", "batch"),
    ("a-bbaabbaa", "wxwxwx-xwx", "batch"),
    ("abcabcabab", "wxwx-xwx-x", "specimen"),
]


@pytest.mark.parametrize(("batch", "specimen", "name"), CROSSINGS)
def test_labels_that_cross_become_columns_of_the_narrower_one(batch, specimen, name):
    order = arrange_groups(STUDY, 3, part(batch), part(specimen))
    columns, level = (batch, specimen) if name == "batch" else (specimen, batch)
    assert order.crossed_name == name
    assert [one.name for one in order.levels] == ["specimen" if name == "batch" else "batch"]
    assert level_matrix(order, 0) == same(level)
    table = np.column_stack(order.crossed)
    assert table.shape[1] == len(set(columns) - {"-"})
    assert set(np.unique(table)) <= {0.0, 1.0}
    assert table.sum(axis=1).tolist() == [0.0 if w == "-" else 1.0 for w in columns]
    # Two rows of a study share a column where they share a label.
    inside = (STUDY[:, None] == STUDY[None, :]) & (table @ table.T > 0)
    assert inside.tolist() == same(columns)


@pytest.mark.parametrize(
    ("labels", "width"),
    [("abcabcabab", 3), ("aabbaabbaa", 2), ("-a--bcd---", 3), ("aaaabbbbcc", 1)],
)
def test_the_width_is_the_most_labels_of_a_study(labels, width):
    assert crossing_width(part(labels), STUDY, 3) == width


def test_one_row_of_each_group():
    codes = np.array([2, 0, 1, 0, 2])
    found = first_rows(codes, 3)
    assert codes[found].tolist() == [0, 1, 2]
