"""The hard summary files from reading to pooling: what each row may and may not say."""

from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from metafreeze.analysis.pool_effects import pool_effects
from metafreeze.analysis.study_effects import study_effects
from metafreeze.errors import InputError, NotEstimableError
from metafreeze.models.pooled import pool
from metafreeze.register.answers import Answers
from metafreeze.register.intake import check_file

CASES = Path(__file__).parent.parent / "cases"
SAME = 1e-9


def rows(name, **answers):
    check = check_file(CASES / name, answers=Answers(endpoint="t_first_ice", **answers))
    return check.rows.to_pandas()


def reasons(effects, column="source_id"):
    return dict(zip(effects.unused["study"], effects.unused["reason"], strict=True))


def test_s01_every_spread_is_converted_by_its_own_rule():
    e = study_effects(rows("s01_spread_type_mixed.csv"), endpoint="t_first_ice", effect="minutes")
    assert e.study == ("Paper A", "Paper B", "Paper C", "Paper D")
    table = e.to_frame().set_index("study")
    # A prints SDs; B prints SEs: 0.9 √10 = 2.85; C's half-width 2.9 goes by t on 7.
    assert table.loc["Paper A", "se"] ** 2 == pytest.approx(3.1**2 / 12 + 2.8**2 / 12, rel=SAME)
    assert table.loc["Paper B", "se"] ** 2 == pytest.approx(0.9**2 + 1.1**2, rel=SAME)
    t = stats.t.isf(0.025, 7)
    assert table.loc["Paper C", "se"] ** 2 == pytest.approx(
        (2.9 / t) ** 2 + (3.2 / t) ** 2, rel=SAME
    )
    assert "SD from SE" in table.loc["Paper B", "remark"]
    assert "by t on 7 df" in table.loc["Paper C", "remark"]
    assert "median-based" in table.loc["Paper D", "remark"]
    refused = e.unused[e.unused["study"] == "Paper E"]
    assert len(refused) == 2
    assert refused["reason"].str.startswith("the meaning of the ± is not stated").all()


def test_s01_the_unlabelled_bars_read_both_ways():
    table = rows("s01_spread_type_mixed.csv", bars="both")
    as_sd, as_se = (
        study_effects(table, endpoint="t_first_ice", unstated_bars=b) for b in ("SD", "SE")
    )
    assert as_sd.k == as_se.k == 5
    ratio = as_se.variance[4] / as_sd.variance[4]
    assert ratio == pytest.approx(20.0, rel=0.01)
    assert "are read as SE" in as_se.note
    # Read as SDs the bars of Paper E are far tighter than those of the others, by about √20.
    assert "the SD of Paper E at 80 °C" in as_sd.note and "is it a standard error?" in as_sd.note
    assert "Paper A at" not in as_sd.note
    assert pool(as_sd.estimate, as_sd.variance).tau2 >= 0


def test_s01_as_slopes_per_ten_kelvin():
    e = study_effects(rows("s01_spread_type_mixed.csv"), endpoint="t_first_ice")
    assert e.study == ("Paper A", "Paper B", "Paper C", "Paper D")
    # Paper D on logarithms: quartiles transform exactly.
    divisor = 2 * stats.norm.ppf((0.75 * 15 - 0.125) / 15.25)
    s_hot, s_cold = np.log(44 / 37) / divisor, np.log(48 / 39) / divisor
    pooled = (s_hot**2 + s_cold**2) / 2
    assert e.variance[3] == pytest.approx(pooled * 2 / 15 / 36, rel=SAME)
    assert (e.estimate < 0).all()


def test_s02_each_row_that_cannot_pool_has_its_reason_and_spoils_nothing():
    e = study_effects(
        rows("s02_rows_that_cannot_pool.csv"), endpoint="t_first_ice", effect="minutes"
    )
    assert e.study == ("S1", "S7")
    np.testing.assert_allclose(e.estimate, [-2.8, -2.0], rtol=SAME)
    np.testing.assert_allclose(e.variance, [0.9, 0.7], rtol=SAME)
    why = reasons(e)
    assert set(why) == {"S2", "S3", "S4", "S5", "S6"}
    assert "variance" in why["S2"] and "effect is missing" in why["S3"]
    assert "zero" in why["S4"] and "negative" in why["S5"] and "n = 1" in why["S6"]
    assert "n not reported" in e.remark[1]
    answer = pool_effects(e)
    assert np.isfinite([answer.estimate, answer.low, answer.high, answer.tau2]).all()
    assert answer.df == 1 and "barely known" in answer.note


def test_s02_without_temperatures_there_is_no_slope_and_it_says_so():
    e = study_effects(rows("s02_rows_that_cannot_pool.csv"), endpoint="t_first_ice")
    assert (e.k, e.status) == (0, "unidentifiable")
    assert reasons(e)["S1"] == "the two start temperatures are missing"
    with pytest.raises(NotEstimableError, match="No study gives the effect “slope”"):
        pool_effects(e)


def test_s03_directions_endpoints_and_scales_are_not_one_pool():
    table = rows("s03_sign_and_endpoint_differ.csv")
    minutes = study_effects(table, endpoint="t_first_ice", effect="minutes")
    assert minutes.study == ("S1", "S2")
    # S2 was given as cold - hot.
    np.testing.assert_allclose(minutes.estimate, [-2.8, -1.9], rtol=SAME)
    why = reasons(minutes)
    assert why["S3"] == why["S5"] == "another endpoint (t_solid)"
    assert why["S4"] == "a log ratio alone gives no minutes"
    ratio = study_effects(table, endpoint="t_first_ice", effect="log-ratio")
    assert ratio.study == ("S4",)
    assert ratio.estimate[0] == pytest.approx(np.log(0.93), rel=SAME)
    solid = study_effects(table, endpoint="t_solid", effect="minutes")
    assert solid.study == ("S3",)


def test_s04_only_the_whole_row_gives_an_effect_from_its_interval():
    table = rows("s04_inconsistent_rows.csv", units={"time": "min"})
    one = study_effects(table.iloc[:1], endpoint="t_first_ice", effect="minutes")
    t = stats.t.isf(0.025, 22)
    assert one.variance[0] == pytest.approx((3.6 / (2 * t)) ** 2, rel=SAME)
    assert one.df[0] == 22
    assert "error from its 95 % interval" in one.remark[0]
    # The others are errors of the file: it is not accepted, so they never reach the register.
    check = check_file(
        CASES / "s04_inconsistent_rows.csv",
        answers=Answers(endpoint="t_first_ice", units={"time": "min"}),
    )
    assert not check.accepted
    # Even if handed over, reversed limits give no variance that could weigh.
    swapped = study_effects(table.iloc[1:2], endpoint="t_first_ice", effect="minutes")
    assert swapped.k == 0 and "negative" in swapped.unused["reason"].iloc[0]


def test_s05_one_source_is_not_five_studies():
    one = study_effects(
        rows("s05_duplicate_study_names.csv", same_source="one"),
        endpoint="t_first_ice",
        effect="minutes",
    )
    assert one.study == ("Lakeside 2012",) * 2 + ("Other 2015",) * 3
    assert len(set(one.label)) == 5
    with pytest.raises(InputError) as caught:
        pool(one.estimate, one.variance, study=one.study)
    assert [f.severity for f in caught.value.faults] == ["question", "question"]
    nested = pool_effects(one)
    assert (nested.k, nested.k_studies) == (5, 2)


def test_s05_as_separate_studies_they_pool_one_by_one():
    apart = study_effects(
        rows("s05_duplicate_study_names.csv", same_source="separate"),
        endpoint="t_first_ice",
        effect="minutes",
    )
    assert len(set(apart.study)) == 5
    answer = pool_effects(apart)
    assert answer.k == 5 and answer.df == 4


def test_s06_no_heterogeneity_is_zero_and_never_negative():
    e = study_effects(rows("s06_homogeneous.csv"), endpoint="t_first_ice", effect="minutes")
    for spread in ("restricted-likelihood", "dersimonian-laird", "paule-mandel", "hedges"):
        answer = pool_effects(e, spread=spread)
        assert (answer.tau2, answer.i2) == (0.0, 0.0)
        assert answer.status == "boundary"
    assert answer.estimate == pytest.approx(1.0, rel=SAME)


def test_s07_two_studies_get_one_degree_of_freedom_and_a_plain_warning():
    e = study_effects(rows("s07_two_studies.csv"), endpoint="t_first_ice", effect="minutes")
    answer = pool_effects(e)
    assert answer.df == 1
    assert "two studies leave one degree of freedom" in answer.note
    half = stats.t.isf(0.025, 1) * answer.se
    assert (answer.low, answer.high) == pytest.approx(
        (answer.estimate - half, answer.estimate + half), rel=SAME
    )
    assert np.isnan(answer.prediction_low)


def test_r18_no_real_lab_spread_stays_at_zero_spread_of_slopes():
    check = check_file(CASES / "r18_no_between_lab_spread.csv", answers=Answers(endpoint="t_solid"))
    e = study_effects(check.rows.to_pandas(), endpoint="t_solid")
    assert e.study == ("L1", "L2", "L3", "L4", "L5", "L6")
    assert e.rows_used == 48
    answer = pool_effects(e)
    assert answer.tau2 >= 0 and 0 <= answer.i2 <= 100


def test_r20_two_runs_a_lab_give_no_variance():
    check = check_file(
        CASES / "r20_two_runs_per_lab_slopes.csv", answers=Answers(endpoint="t_solid")
    )
    e = study_effects(check.rows.to_pandas(), endpoint="t_solid")
    assert e.k == 0
    assert set(e.unused["reason"]) == {
        "2 runs leave no spread around the line: as many coefficients as runs"
    }


def test_r19_a_constant_arm_gives_no_infinity():
    check = check_file(
        CASES / "r19_constant_arm_timer_resolution.csv", answers=Answers(endpoint="t_solid")
    )
    e = study_effects(check.rows.to_pandas(), endpoint="t_solid", effect="standardised")
    # Lab A has no spread at all; lab B's four runs leave two degrees of freedom.
    assert e.study == ()
    assert "timer resolution" in reasons(e)["A"] and "degrees of freedom" in reasons(e)["B"]
    minutes = study_effects(check.rows.to_pandas(), endpoint="t_solid", effect="minutes")
    assert np.isfinite(minutes.estimate).all() and np.isfinite(minutes.variance).all()


def test_shuffled_files_give_the_same_bytes():
    table = rows("s01_spread_type_mixed.csv")
    a = study_effects(table, endpoint="t_first_ice", effect="log-ratio")
    b = study_effects(
        table.sample(frac=1, random_state=9), endpoint="t_first_ice", effect="log-ratio"
    )
    assert a.estimate.tobytes() == b.estimate.tobytes()
    assert a.covariance.tobytes() == b.covariance.tobytes()
