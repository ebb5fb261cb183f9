"""What every result of the challenge owes: a frame, one line, a table, pickling."""

import pickle

import numpy as np
import pandas as pd
import pytest

from metafreeze.results import Result
from metafreeze.scrutiny.choices import Material, many_analyses
from metafreeze.scrutiny.imputation import pool_imputations
from metafreeze.scrutiny.measured import measure_causes
from metafreeze.scrutiny.mediation import fit_paths, mediate
from metafreeze.scrutiny.needed import trials_needed
from metafreeze.scrutiny.roles import judge_covariates
from metafreeze.scrutiny.sham import compare_sham
from metafreeze.scrutiny.shape import fit_shape
from metafreeze.scrutiny.shuffle import shuffle_test
from metafreeze.scrutiny.start_error import correct_for_start_error

N = 48


def results():
    """One of each, estimable and not."""
    rng = np.random.default_rng(1)
    x = np.tile([0.0, 2.0, 4.0, 6.0], N // 4)
    block = np.repeat(np.arange(N // 4), 4)
    m, y = x + rng.normal(size=N), rng.normal(size=N)
    every = np.ones(N, dtype=bool)
    material = Material(
        x=x,
        y=y,
        study=block // 4,
        block=block,
        dealt=every,
        rows={"all": every},
        covariates={},
        curvature=np.full(N, np.nan),
        units=6.0,
    )
    return [
        shuffle_test(x, y, block, rng=rng, draws=99),
        fit_paths(x, m, y, block),
        mediate(x, m, y, block, through="it", units=6.0, rng=rng, draws=99),
        mediate(x[:4], m[:4], y[:4], block[:4], through="it", units=6.0, rng=rng, draws=99),
        many_analyses(material, rng=rng, shuffles=50),
        fit_shape(10 * x + 20, y, block, rng=rng, draws=500),
        fit_shape(np.full(N, 20.0), y, block, rng=rng, draws=500),
        compare_sham(y, np.tile(["A", "B"], N // 2), block),
        compare_sham(y, np.full(N, ""), block),
        judge_covariates(["lid"], roles={"lid": "design"}, labels={"lid": "lid"}),
        pool_imputations([0.1, 0.2, 0.3], [0.01, 0.01, 0.02], complete_df=20.0),
        measure_causes(x, y, block, {"m": m[:, None]}),
        measure_causes(x, y, block, {}),
        trials_needed(0.03, studies=8, blocks=12, runs=N, margin=0.05, margin_words="5 %"),
        correct_for_start_error(
            10 * x + 20, y, block, 1.0, units=6.0, assumed=True, rng=rng, draws=20
        ),
        correct_for_start_error(
            np.full(N, 20.0), y, block, 1.0, units=6.0, assumed=True, rng=rng, draws=20
        ),
    ]


COUNT = 16


@pytest.mark.parametrize("place", range(COUNT))
def test_a_result_shows_itself(place):
    result = results()[place]
    assert isinstance(result, Result)
    frame = result.to_frame()
    assert isinstance(frame, pd.DataFrame)
    assert "\n" not in result.headline() and result.headline()
    assert "<script" not in result._repr_html_()
    pd.testing.assert_frame_equal(pickle.loads(pickle.dumps(result)).to_frame(), frame)


def test_what_does_not_apply_says_why():
    silent = [r for r in results() if getattr(r, "status", "ok") != "ok"]
    assert len(results()) == COUNT
    assert len(silent) == 4
    assert all(r.note and r.found.startswith("It does not apply: ") for r in silent)
