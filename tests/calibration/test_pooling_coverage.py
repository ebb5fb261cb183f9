"""A quick look at the coverage that `pooling_coverage.py` measures in full."""

import csv
from pathlib import Path

import numpy as np
import pytest
from calibration import pooling_coverage as study

REPETITIONS = 4000
# Four Monte Carlo errors of a share of 0.95 in 4000 repetitions.
FOUR_ERRORS = 4 * (0.95 * 0.05 / REPETITIONS) ** 0.5


def row(variances, shape, k, tau):
    return study.cell(variances, shape, k, tau, REPETITIONS, 7)[0]


@pytest.mark.parametrize("k", [3, 5, 20])
@pytest.mark.parametrize("tau", [0.0, 3.0])
def test_hartung_knapp_covers_as_it_says(k, tau):
    assert row("equal", "normal", k, tau)["hartung_knapp"] == pytest.approx(0.95, abs=FOUR_ERRORS)


@pytest.mark.parametrize("k", [3, 5])
def test_the_plain_interval_must_fail_the_same_check(k):
    covered = row("equal", "normal", k, 3.0)["plain"]
    assert covered < 0.95 - FOUR_ERRORS
    assert covered < study.VISIBLY_LOW


def test_the_floored_interval_never_covers_less():
    for variances in study.VARIANCES:
        r = row(variances, "normal", 5, 1.0)
        assert r["floored"] >= r["hartung_knapp"]
        assert r["width_floored"] >= r["width_hartung_knapp"]


def test_the_range_for_a_new_study_holds_it():
    assert row("equal", "normal", 10, 3.0)["new_study"] >= study.NEW_STUDY
    # The partner that must fail: the range of the mean holds far fewer new studies.
    rng = np.random.default_rng(1)
    y = study.true_effects(rng, "normal", 3.0, (REPETITIONS, 10)) + rng.normal(
        size=(REPETITIONS, 10)
    )
    fit = study.pool_many(y, np.ones(10), intervals=True)
    new = study.true_effects(rng, "normal", 3.0, REPETITIONS)
    assert np.mean((fit.low <= new) & (new <= fit.high)) < 0.75


def test_the_wider_range_holds_a_new_study_from_heavy_tails():
    r = row("equal", "heavy-tailed", 10, 3.0)
    # The partner that must fail: the usual range holds fewer than asked for.
    assert r["new_study_wide"] >= study.NEW_STUDY
    assert r["new_study"] < 0.935 and r["new_study"] < r["new_study_wide"]


def test_the_written_table_holds_every_cell_once_and_meets_what_was_asked():
    with (Path(study.__file__).parent / "pooling_coverage.csv").open(encoding="utf-8") as f:
        rows = list(csv.DictReader(f))
    keys = [(r["variances"], r["shape"], r["k"], r["tau"], r["spread"]) for r in rows]
    cells = len(study.VARIANCES) * len(study.SHAPES) * len(study.STUDIES) * len(study.DISAGREEMENT)
    assert len(keys) == len(set(keys)) == cells * len(study.SPREADS)
    asked = [met for _, met in study.findings(rows) if met is not None]
    assert len(asked) == 5 and all(asked)


def test_a_stopped_run_goes_on_where_it_was(tmp_path, monkeypatch):
    monkeypatch.setattr(study, "STUDIES", (3,))
    monkeypatch.setattr(study, "DISAGREEMENT", (0.0, 1.0))
    whole, part = tmp_path / "whole.csv", tmp_path / "part.csv"
    study.run(whole, 50, 1)
    lines = whole.read_text("utf-8").splitlines(keepends=True)
    part.write_text("".join(lines[: 1 + 2 * len(study.SPREADS)]), encoding="utf-8")
    study.run(part, 50, 1)
    assert part.read_text("utf-8") == whole.read_text("utf-8")
