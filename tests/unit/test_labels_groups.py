"""Labels to codes and sums over groups, against plain loops over dictionaries."""

import numpy as np
import pytest

from metafreeze import InputError
from metafreeze.models.labels import (
    Groups,
    Segments,
    combine_codes,
    compress_codes,
    encode_labels,
    encode_nested,
    label_vector,
)

PARENTS = {
    "one each": ([0, 1, 2], 3, 1),
    "two each": ([0, 0, 1, 1, 2, 2], 3, 2),
    "uneven": ([0, 1, 1, 2, 2, 2], 3, 0),
    "the last one larger": ([0, 1, 2, 2], 3, 0),
    "an empty group in the middle": ([0, 0, 2, 2], 3, 0),
    "an empty group at the end": ([0, 1], 3, 0),
    "all in one": ([0, 0, 0, 0], 1, 4),
    "nobody": ([], 3, 0),
    "no groups": ([], 0, 0),
}


@pytest.mark.parametrize("name", PARENTS)
def test_totals_of_segments_are_sums_by_loop(name):
    members, count, even = PARENTS[name]
    parent = np.array(members, dtype=np.int64)
    segments = Segments.of(parent, count)
    assert segments.even == even
    assert segments.each_has_one is (even == 1)
    assert segments.count == count
    assert segments.filled.tolist() == sorted(set(members))
    assert segments.starts.tolist() == [members.index(g) for g in sorted(set(members))]
    values = np.random.default_rng(1).normal(size=(2, len(members), 3))
    wanted = np.zeros((2, count, 3))
    for i, g in enumerate(members):
        wanted[:, g] += values[:, i]
    found = segments.total(values)
    assert found.shape == wanted.shape
    assert np.allclose(found, wanted, rtol=0, atol=1e-14)
    flat = segments.total(values[:, :, 0])
    assert np.allclose(flat, wanted[:, :, 0], rtol=0, atol=1e-14)


KEYS = {
    "empty": [],
    "one": [7],
    "without gaps": [3, 5, 4, 3],
    "with a gap": [0, 9, 4, 9],
    "below zero": [-3, -1, -3],
    "far apart": [0, 10**12, -(10**12), 10**12],
    "a wide gap": [0, 100_000_000, 5],
}


@pytest.mark.parametrize("name", KEYS)
def test_codes_keep_the_order_of_their_keys(name):
    keys = KEYS[name]
    codes, count = compress_codes(np.array(keys, dtype=np.int64))
    ordered = sorted(set(keys))
    assert count == len(ordered)
    assert codes.tolist() == [ordered.index(k) for k in keys]
    assert codes.dtype == np.int64


def test_pairs_of_codes_are_sorted_by_the_outer_then_the_inner():
    outer, inner = [1, 0, 1, 0, 0, 1], [0, 2, 2, 0, 2, 0]
    codes, count = combine_codes(np.array(outer), np.array(inner), 3)
    pairs = list(zip(outer, inner, strict=True))
    ordered = sorted(set(pairs))
    assert count == len(ordered) == 4
    assert codes.tolist() == [ordered.index(p) for p in pairs]


LABELS = {
    "whole numbers": ([4, -2, 4, 9], (-2, 4, 9)),
    "booleans": ([True, False, True], (0, 1)),
    "numbers": ([2.5, -1.0, 2.5], (-1.0, 2.5)),
    "words": (["b", "a", "b"], ("a", "b")),
    "numbers before words": (np.array(["b", 10, 9.5, "a"], dtype=object), (9.5, 10, "a", "b")),
    "numbers by size and not as words": (np.array([10, 9, "x"], dtype=object), (9, 10, "x")),
    "a column": (np.array([["b"], ["a"]]), ("a", "b")),
    "a row": (np.array([[3, 1, 2]]), (1, 2, 3)),
}


@pytest.mark.parametrize("name", LABELS)
def test_labels_become_codes_in_sorted_order(name):
    labels, names = LABELS[name]
    flat = np.asarray(labels).ravel().tolist()
    groups = encode_labels(labels, name="study", rows=len(flat))
    assert groups.names == names
    assert groups.count == len(names)
    assert [groups.names[c] for c in groups.codes] == flat


def test_no_rows_have_no_labels():
    groups = encode_labels(np.zeros(0, dtype=int), name="study", rows=0)
    assert groups.names == () and groups.count == 0 and groups.codes.size == 0


MISSING = {
    "nan": ([1.0, np.nan, 2.0, np.nan], 2, 1),
    "None": (np.array(["a", "b", None], dtype=object), 1, 2),
    "empty": (["", "a"], 1, 0),
    "blanks": (["a", "  ", "b", ""], 2, 1),
}


@pytest.mark.parametrize("name", MISSING)
def test_a_row_without_study_is_refused_with_its_place(name):
    labels, how_many, first = MISSING[name]
    with pytest.raises(InputError) as refusal:
        encode_labels(labels, name="study", rows=len(labels))
    assert f"study has no label in {how_many} rows, first at place {first} (counted" in str(
        refusal.value
    )


@pytest.mark.parametrize("name", MISSING)
def test_a_row_without_batch_stands_for_itself(name):
    labels, how_many, first = MISSING[name]
    n = len(labels)
    study = Groups(np.arange(n) % 2, ("s", "t"))
    codes, count, real = encode_nested(labels, study, name="batch")
    assert (~real).sum() == how_many and not real[first]
    words = [None if not ok else labels[i] for i, ok in enumerate(real)]
    keys = [(int(study.codes[i]), words[i] is not None, str(words[i])) for i in range(n)]
    ordered = sorted(set(keys))
    assert count == len(ordered)
    assert codes.tolist() == [ordered.index(k) for k in keys]


def test_a_label_belongs_to_its_study():
    study = Groups(np.array([0, 0, 1, 1]), ("s", "t"))
    codes, count, real = encode_nested(["a", "b", "a", "a"], study, name="batch")
    assert codes.tolist() == [0, 1, 2, 2] and count == 3 and real.all()


@pytest.mark.parametrize(
    ("labels", "rows", "shape"),
    [
        (["a", "b"], 3, "(2,)"),
        ("a", 1, "()"),
        ([["a", "b"], ["c", "d"]], 4, "(2, 2)"),
        (np.zeros((2, 1, 1)), 2, "(2, 1, 1)"),
    ],
)
def test_labels_of_another_shape_are_refused(labels, rows, shape):
    with pytest.raises(InputError) as refusal:
        label_vector(labels, name="batch", rows=rows)
    assert str(refusal.value) == (
        f"batch has shape {shape}; it needs one label for each of the {rows} rows."
    )
