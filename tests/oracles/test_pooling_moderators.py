"""Permutation test of moderators against a loop over `pool`, and under the null."""

from itertools import permutations

import numpy as np
import pandas as pd
import pytest
from published import pooling_sets as sets
from scipy import stats

from metafreeze.errors import InputError
from metafreeze.models.moderators import permute_moderators
from metafreeze.models.pooled import pool
from metafreeze.models.tau2 import estimate_tau2
from metafreeze.models.tau2_batch import batch_tau2
from metafreeze.options import Spread, choices

SPREADS = choices(Spread)
# Both solve one equation; the batch halves its bracket to 1e-10.
SAME = 1e-8


@pytest.mark.parametrize("spread", SPREADS)
def test_the_batch_is_design_by_design(spread):
    rng = np.random.default_rng(4)
    v = 10 ** rng.uniform(-1.5, 0.5, size=9)
    for tau in (0.0, 0.5, 3.0):
        y = rng.normal(0, np.sqrt(v + tau**2))
        x = np.concatenate([np.ones((25, 9, 1)), rng.normal(size=(25, 9, 2))], axis=2)
        batch = batch_tau2(y, v, x, spread=spread)
        single = [estimate_tau2(y, v, design, spread=spread) for design in x]
        np.testing.assert_allclose(batch, single, rtol=SAME, atol=SAME * v.min())


@pytest.mark.parametrize("spread", ["restricted-likelihood", "dersimonian-laird"])
def test_all_orders_of_five_studies_are_tried(spread):
    y, v = sets.bcg()
    y, v, latitude = y[:5], v[:5], sets.bcg_latitude()[:5]
    latitude = latitude + np.arange(5)  # no ties
    test = permute_moderators(y, v, latitude, spread=spread)
    assert test.exact and test.draws == 120
    seen = abs(pool(y, v, spread=spread, moderators=latitude).coefficients["estimate"][1])
    seen /= pool(y, v, spread=spread, moderators=latitude).coefficients["se"][1]
    larger = 0
    for order in permutations(range(5)):
        c = pool(y, v, spread=spread, moderators=latitude[list(order)]).coefficients
        larger += abs(c["estimate"][1] / c["se"][1]) >= seen * (1 - 1e-9)
    assert test.coefficients["p_permuted"][0] == pytest.approx(larger / 120)
    # With one moderator the joint test is the same test.
    assert test.f_p_permuted == pytest.approx(larger / 120)
    assert test.f == pytest.approx(seen**2, rel=1e-8)


def test_the_ordinary_columns_are_those_of_pool():
    y, v = sets.bcg()
    table = pd.DataFrame({"latitude": sets.bcg_latitude(), "year": sets.table("s2_bcg.csv").year})
    test = permute_moderators(y, v, table, draws=199, seed=3)
    fit = pool(y, v, moderators=table)
    ours = test.coefficients
    np.testing.assert_allclose(ours["estimate"], fit.coefficients["estimate"][1:])
    np.testing.assert_allclose(ours["p"], fit.coefficients["p"][1:])
    assert (test.draws, test.exact, test.f_df, test.f_df_residual) == (199, False, 2, 10)
    again = permute_moderators(y, v, table, draws=199, seed=3)
    pd.testing.assert_frame_equal(ours, again.coefficients, check_exact=True)
    assert (ours["p_permuted"] >= 1 / 200).all()


def test_under_the_null_the_permutation_p_is_uniform():
    rng = np.random.default_rng(8)
    p = []
    for i in range(60):
        v = rng.uniform(0.02, 0.5, size=6)
        y = rng.normal(0, np.sqrt(v + 0.1))
        t = permute_moderators(
            y, v, rng.normal(size=6), spread="dersimonian-laird", draws=719, seed=i
        )
        p.append(t.coefficients["p_permuted"][0])
    # Kolmogorov-Smirnov at 1 in 1000, 60 values; variances differ, so exchange is approximate.
    assert stats.kstest(p, "uniform").pvalue > 1e-3
    # The partner that must fail: the same with an effect built in.
    q = []
    for i in range(20):
        z = rng.normal(size=8)
        y = 2 * z + rng.normal(0, 0.3, size=8)
        q.append(permute_moderators(y, np.full(8, 0.05), z, draws=199, seed=i).f_p_permuted)
    assert stats.kstest(q, "uniform").pvalue < 1e-6


def test_what_cannot_be_tested():
    with pytest.raises(InputError, match="Give at least 99"):
        permute_moderators([1.0, 2.0, 3.0, 4.0], np.ones(4), np.arange(4.0), draws=10)
    constant = permute_moderators([1.0, 2.0, 3.0, 4.0], np.ones(4), np.ones(4))
    assert constant.status == "unidentifiable"
    assert np.isnan(constant.f_p_permuted) and "one value" in constant.note
    three = permute_moderators([1.0, 2.0, 5.0], np.ones(3), np.arange(3.0), spread="none")
    assert "no permutation p can fall below 0.167" in three.note
