"""Products in the metric of the nested variance against whole matrices, study by study."""

import numpy as np
import pytest

from metafreeze.models.labels import Segments
from metafreeze.models.nested import eliminate_groups
from metafreeze.models.products import Entities, Frame, Level, Products

# Sums of positive terms and an inverse of a well-conditioned matrix agree to rounding.
SAME = {"rtol": 1e-9, "atol": 1e-10}


class Case:
    """Random rows in two studies, kept both as products of entities and as whole matrices."""

    def __init__(self, depth, seed, *, runs=True, known=True, even=False, alone="", sets=2):
        rng = np.random.default_rng(seed)
        self.rng, self.depth, self.sets = rng, depth, sets
        S = 3
        # Groups of the top level per study, groups below per group, entities per group.
        tops = [2, 2, 2] if even else [2, 1, 3]
        top_study = np.repeat(np.arange(S), tops)
        lows = np.full(top_study.size, 2) if even else rng.integers(1, 4, top_study.size)
        if alone == "groups":
            lows[:] = 1
        low_top = np.repeat(np.arange(top_study.size), lows)
        counts = np.full(low_top.size, 2) if even else rng.integers(1, 4, low_top.size)
        if alone == "entities":
            counts[:] = 1
        if depth == 0:
            ent_study = top_study[low_top][np.repeat(np.arange(low_top.size), counts)]
            self.chain = []
        elif depth == 1:
            ent_low = np.repeat(np.arange(low_top.size), counts)
            low_study = top_study[low_top]
            ent_study = low_study[ent_low]
            self.chain = [(ent_low, low_study)]
        else:
            ent_low = np.repeat(np.arange(low_top.size), counts)
            ent_study = top_study[low_top][ent_low]
            self.chain = [(ent_low, top_study[low_top]), (low_top, top_study)]
        e = ent_study.size
        kind = rng.integers(0, 3, e)  # runs put together, known variance, own reading error
        if not known:
            kind[:] = 0
        if not runs:
            kind[kind == 0] = 1
        self.size = np.where(kind < 2, rng.integers(1, 4, e), 1).astype(float)
        self.share = np.where(kind == 1, 0.0, 1.0)
        self.extra = np.where(kind == 0, 0.0, rng.uniform(0.2, 0.6, e))
        self.pooled = kind == 0
        self.row_entity = np.repeat(np.arange(e), self.size.astype(int))
        self.row_study = ent_study[self.row_entity]
        n = self.row_entity.size
        r = 3
        self.A = rng.normal(size=(sets, n, r))
        means = np.stack([self.A[:, self.row_entity == i].mean(axis=1) for i in range(e)], axis=1)
        rest = self.A - means[:, self.row_entity]
        run_rows = self.pooled[self.row_entity]
        row_extra = np.where(run_rows, 1.0, self.extra[self.row_entity])
        within, within_known = np.zeros((2, sets, S, r, r))
        for s in range(S):
            for out, kept in ((within, run_rows), (within_known, ~run_rows)):
                at = (self.row_study == s) & kept
                weighted = rest[:, at] / row_extra[at, None]
                out[:, s] = np.swapaxes(weighted, 1, 2) @ rest[:, at]
        self.real = [(rng.uniform(size=study.size) < 0.8).astype(float) for _, study in self.chain]
        levels = tuple(
            Level(
                name=f"level {i}",
                members=Segments.of(members, study.size),
                study=Segments.of(study, S),
                real=self.real[i],
            )
            for i, (members, study) in enumerate(self.chain)
        )
        self.runs = np.array([(run_rows & (self.row_study == s)).sum() for s in range(S)], float)
        self.products = build(
            levels=levels,
            entities=Entities(
                size=self.size,
                share=self.share,
                extra=self.extra,
                pooled=self.pooled,
                study=Segments.of(ent_study, S),
            ),
            means=means,
            within=within,
            within_known=within_known if known else None,
            runs=self.runs,
            studies=S,
            r=r,
            sets=sets,
            estimated=bool(run_rows.any()),
        )
        self.residual = rng.uniform(0.3, 1.5, (sets, S))
        self.variance = rng.uniform(0.1, 0.9, (sets, depth))

    def matrices(self, m, s):
        """V_b of one study, and its derivatives: levels first, then the residual."""
        rows = np.flatnonzero(self.row_study == s)
        entity = self.row_entity[rows]
        parts, group = [], entity
        for i, (members, _) in enumerate(self.chain):
            group = members[group]
            same = (group[:, None] == group).astype(float) * self.real[i][group]
            parts.append(same)
        parts.append(np.diag(self.share[entity]))
        values = [*self.variance[m], self.residual[m, s]]
        V = np.diag(self.extra[entity]) + sum(a * b for a, b in zip(values, parts, strict=True))
        return rows, V, parts


def build(*, levels, entities, means, within, within_known, runs, studies, r, sets, estimated):
    frame = Frame(
        y_unit=np.ones(sets),
        origin=np.zeros((sets, r - 1)),
        turn=np.eye(r - 1),
        turn_varying=np.eye(1),
        log_turn=0.0,
    )
    given = {
        "levels": levels,
        "entities": entities,
        "means": means,
        "within": within,
        "within_known": within_known,
        "runs": runs,
        "studies": studies,
        "varying": 1,
        "fixed": r - 2,
        "estimated_rows": estimated,
        "frame": frame,
    }
    names = Products.__dataclass_fields__
    rest = {name: None for name in names if name not in given}
    return Products(**{k: v for k, v in given.items() if k in names}, **rest)


CASES = [
    (depth, seed, options)
    for depth in (0, 1, 2)
    for seed, options in (
        (1, {}),
        (2, {"known": False}),
        (3, {"runs": False}),
        (4, {"even": True}),
        (5, {"known": False, "even": True}),
        (6, {}),
        (9, {"alone": "entities"}),
        (10, {"alone": "groups"}),
        (11, {"alone": "entities", "even": True, "known": False}),
    )
]


@pytest.mark.parametrize(("depth", "seed", "options"), CASES)
def test_everything_is_that_of_whole_matrices(depth, seed, options):
    case = Case(depth, seed, **options)
    found = eliminate_groups(
        case.products, case.residual, case.variance, order=2, with_residual=True
    )
    K = depth + 1
    for m in range(case.sets):
        for s in range(3):
            rows, V, parts = case.matrices(m, s)
            A, W = case.A[m, rows], np.linalg.inv(V)
            np.testing.assert_allclose(found.products[m, s], A.T @ W @ A, **SAME)
            # Known variances are a constant of the problem and are counted elsewhere.
            entity = case.row_entity[rows]
            constant = np.log(case.extra[entity][case.share[entity] == 0]).sum()
            log_det = np.linalg.slogdet(V)[1] - constant
            np.testing.assert_allclose(found.log_det[m, s], log_det, **SAME)
            for k in range(K):
                first = A.T @ W @ parts[k] @ W @ A
                np.testing.assert_allclose(found.first[m, s, k], first, **SAME)
                np.testing.assert_allclose(found.trace[m, s, k], np.trace(W @ parts[k]), **SAME)
                for j in range(K):
                    two = A.T @ W @ parts[k] @ W @ parts[j] @ W @ A
                    np.testing.assert_allclose(found.second[m, s, k, j], (two + two.T) / 2, **SAME)
                    np.testing.assert_allclose(
                        found.trace_two[m, s, k, j], np.trace(W @ parts[k] @ W @ parts[j]), **SAME
                    )


@pytest.mark.parametrize("depth", [0, 1, 2])
def test_lower_orders_are_parts_of_the_highest(depth):
    case = Case(depth, 7)
    whole = eliminate_groups(
        case.products, case.residual, case.variance, order=2, with_residual=True
    )
    for order in (0, 1, 2):
        for residual in (False, True):
            K = depth + residual
            got = eliminate_groups(
                case.products, case.residual, case.variance, order=order, with_residual=residual
            )
            np.testing.assert_array_equal(got.products, whole.products)
            np.testing.assert_array_equal(got.log_det, whole.log_det)
            assert got.first.shape[2] == got.trace.shape[2] == (K if order else 0)
            assert (
                got.second.shape[2:4]
                == got.trace_two.shape[2:]
                == ((K, K) if order > 1 else (0, 0))
            )
            if order:
                np.testing.assert_allclose(got.first, whole.first[:, :, :K], rtol=1e-12)
                np.testing.assert_allclose(got.trace, whole.trace[:, :, :K], rtol=1e-12)
            if order > 1:
                np.testing.assert_allclose(got.second, whole.second[:, :, :K, :K], rtol=1e-12)
                np.testing.assert_allclose(got.trace_two, whole.trace_two[:, :, :K, :K], rtol=1e-12)


def test_one_residual_for_all_studies_is_the_same_for_each():
    case = Case(2, 8)
    one = case.residual[:, :1]
    each = np.repeat(one, 3, axis=1)
    a = eliminate_groups(case.products, one, case.variance, order=2, with_residual=True)
    b = eliminate_groups(case.products, each, case.variance, order=2, with_residual=True)
    for name in ("products", "log_det", "first", "second", "trace", "trace_two"):
        np.testing.assert_array_equal(getattr(a, name), getattr(b, name))
