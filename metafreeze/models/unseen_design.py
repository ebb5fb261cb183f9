"""What the design alone says: which random parts these rows can tell apart."""

from __future__ import annotations

import numpy as np

from metafreeze.errors import InputError
from metafreeze.models.unseen_input import UnseenRows
from metafreeze.results import FloatArray

MOST_VARYING = 3


def drop_single_study(rows: UnseenRows) -> tuple[UnseenRows, tuple[str, ...]]:
    """Leave out the random part of studies where there is one study only, and say so."""
    if not rows.z.shape[1] or rows.studies > 1:
        return rows, ()
    step = "study: there is only one, so how much studies differ cannot be seen"
    return rows.without_studies(), (step,)


def random_trouble(rows: UnseenRows, *, scale_is_held: bool) -> str:
    """Say why the design cannot tell the random parts apart; empty if it can."""
    q = rows.z.shape[1]
    if q > MOST_VARYING:
        raise InputError(
            f"varying has {q} columns; at most {MOST_VARYING} can vary between studies here."
        )
    free = np.isnan(rows.known)
    spread_is_free = not scale_is_held and bool(free.any())
    if not q and not rows.member.any():
        return ""
    ranks = _study_ranks(rows)
    if q and int((ranks == q).sum()) < 2:
        listed = ", ".join(rows.varying_names)
        return (
            f"Fewer than two studies have rows enough, and different enough, for {listed} to "
            "vary between studies."
        )
    with_batch = bool(rows.member.any())
    if with_batch:
        groups = rows.batches - (rows.studies if q else 1)
        if groups < 1:
            return "Every study has one batch, so batches cannot be told from studies."
    if spread_is_free:
        used = rows.keep(free)
        freedom = float(used.count.sum()) - _rank_of_groups(used)
        if freedom < 1.0:
            return (
                f"There are {int(used.count.sum())} runs and as many random coefficients "
                f"({int(_rank_of_groups(used))}), so the spread within groups cannot be seen."
            )
    return ""


def _study_ranks(rows: UnseenRows) -> FloatArray:
    edges = np.flatnonzero(np.diff(rows.study)) + 1
    size = np.sqrt((rows.z**2).mean(axis=0))
    size[size == 0.0] = 1.0
    return np.array(
        [np.linalg.matrix_rank(part, tol=1e-9) for part in np.split(rows.z / size, edges)],
        dtype=float,
    )


def _rank_of_groups(rows: UnseenRows) -> float:
    """Rank of all random coefficients taken as fixed, batches and studies together."""
    if not rows.member.any():
        return float(_study_ranks(rows).sum())
    if not rows.z.shape[1]:
        return float(rows.batches)
    edges = np.flatnonzero(np.diff(rows.study)) + 1
    total = 0.0
    for z, batch, member in zip(
        np.split(rows.z, edges),
        np.split(rows.batch, edges),
        np.split(rows.member, edges),
        strict=True,
    ):
        dummies = (batch[:, None] == np.unique(batch)) * member[:, None]
        size = np.sqrt((z * z).mean(axis=0))
        scaled = z / np.where(size > 0.0, size, 1.0)
        total += float(np.linalg.matrix_rank(np.hstack([scaled, dummies]), tol=1e-9))
    return total
