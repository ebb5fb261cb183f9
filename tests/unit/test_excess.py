"""The effect beyond physics: the right centre, the right variance, the right refusals."""

import numpy as np
import pandas as pd
import pytest
from expected_samples import labs

from metafreeze import InputError, excess_slope, expected_effect, expected_times, fit_mixed
from metafreeze.analysis.excess import combine_draws, row_weights

# Registers of 54 runs with 3 % scatter give a standard error of about 0.002 per 10 K.
NEAR = 0.006


@pytest.fixture(scope="module")
def rows():
    return labs()


@pytest.fixture(scope="module")
def found(rows):
    return excess_slope(rows, endpoint="t_solid", pair=(20.0, 80.0))


def test_nothing_beyond_physics_is_found_where_nothing_is(found):
    assert found.status in ("ok", "boundary")
    assert found.slope_per_10k == pytest.approx(0.0, abs=NEAR)
    assert found.slope_low < 0.0 < found.slope_high


def test_a_known_excess_is_recovered():
    for excess in (-0.03, 0.02):
        result = excess_slope(labs(excess=excess), endpoint="t_solid")
        assert result.slope_per_10k == pytest.approx(excess, abs=NEAR)
        assert result.slope_low < excess < result.slope_high
        assert not result.slope_low < 0.0 < result.slope_high


def test_raw_and_excess_differ_by_the_baseline(rows, found):
    raw = fit_mixed(rows, endpoint="t_solid", second_engine=False)
    # Physics makes hotter later here, so the raw slope lies above the excess.
    assert raw.slope_per_10k > found.slope_per_10k + 0.01
    assert found.baseline_at_pair > 0.05


def test_variance_has_its_two_parts(found):
    assert found.slope_se**2 == pytest.approx(found.se_within**2 + found.se_baseline**2)
    assert 0.0 < found.se_shared <= 1.2 * found.se_baseline
    draws = found.draw_slopes
    assert found.se_baseline == pytest.approx(draws.std(ddof=1) * np.sqrt(1 + 1 / draws.size))
    assert found.slope_per_10k == pytest.approx(draws.mean())


def test_pair_adds_baseline_and_excess(rows, found):
    assert found.excess_at_pair == pytest.approx(6.0 * found.slope_per_10k)
    effect = expected_effect(rows, hot_c=80.0, cold_c=20.0, endpoint="t_solid")
    assert found.baseline_at_pair == pytest.approx(effect.log_ratio[-1])
    centre = effect.draws[:, -1].mean() + found.excess_at_pair
    assert found.total_at_pair == pytest.approx(centre)
    # Baseline errors cancel in the sum: what was observed does not depend on the physics much.
    apart = np.hypot(6.0 * found.slope_se, effect.draws[:, -1].std())
    assert found.total_se < apart


def test_shared_ignorance_does_not_average_out():
    three, nine = (excess_slope(labs(tuple("abcdefghi")[:k]), endpoint="t_solid") for k in (3, 9))
    assert nine.se_within < 0.75 * three.se_within
    assert nine.se_shared > 0.75 * three.se_shared


def test_parameters_known_exactly_add_nothing(rows):
    told = {
        "sink_temp_c": -18.0,
        "mass_g": 120.0,
        "diameter_mm": 65.0,
        "air_rh": 0.8,
        "h_air_w_m2k": {"a": 6.0, "b": 8.0, "c": 10.0},
        "h_base_w_m2k": {"a": 12.0, "b": 17.0, "c": 22.0},
        "wall_thickness_mm": 2.0,
        "wall_conductivity_w_mk": 1.0,
        "h_exponent": 0.125,
        "evaporation_factor": 1.0,
        "emissivity": 0.96,
        "ice_resistance": 0.5,
    }
    result = excess_slope(rows, endpoint="t_solid", known=told)
    assert result.se_baseline == pytest.approx(0.0, abs=1e-9)
    assert result.slope_se == pytest.approx(result.fit.slope_se, rel=1e-6)
    assert result.slope_per_10k == pytest.approx(0.0, abs=NEAR)


def test_weights_foretell_a_fit_at_another_baseline(rows, found):
    expected = expected_times(rows)
    weights = row_weights(found.fit.arrays, found.fit.model)
    for draw in expected.draws[:4]:
        whole = fit_mixed(rows, endpoint="t_solid", offset=draw, second_engine=False)
        shift = (draw - expected.ln_time)[found.fit.arrays.label.astype(int)]
        foretold = found.fit.slope_per_10k - weights @ shift
        assert foretold == pytest.approx(whole.slope_per_10k, abs=0.1 * whole.slope_se)


@pytest.mark.slow
def test_both_ways_of_fitting_again_agree(rows):
    quick = excess_slope(rows, endpoint="t_solid")
    whole = excess_slope(rows, endpoint="t_solid", refit="everything")
    assert quick.slope_per_10k == pytest.approx(whole.slope_per_10k, abs=0.1 * whole.slope_se)
    assert quick.se_baseline == pytest.approx(whole.se_baseline, rel=0.15)
    assert quick.slope_se == pytest.approx(whole.slope_se, rel=0.15)


def test_row_weights_are_those_of_the_fit(rows):
    expected = expected_times(rows)
    fit = fit_mixed(rows, endpoint="t_solid", offset=expected.ln_time, second_engine=False)
    weights = row_weights(fit.arrays, fit.model)
    # The weights give the slope itself, and one more in y along `within` adds one to it.
    y = fit.arrays.y - fit.arrays.offset
    assert weights @ y == pytest.approx(fit.slope_per_10k, rel=1e-6, abs=1e-9)
    assert weights @ fit.arrays.within == pytest.approx(1.0)
    assert weights @ np.ones_like(y) == pytest.approx(0.0, abs=1e-12)


def test_one_freezer_speaks_of_itself(rows):
    own = excess_slope(rows[rows["lab_id"] == "a"], endpoint="t_solid")
    assert own.scope == "in this freezer"
    assert own.status in ("ok", "boundary")
    assert "in this freezer" in own.headline()


def test_times_not_seen_exactly(rows):
    window = rows.assign(time_lower_s=rows["time_upper_s"] - 900.0)
    never = window["time_upper_s"] > window["time_upper_s"].quantile(0.9)
    window.loc[never, "time_upper_s"] = np.inf
    result = excess_slope(window, endpoint="t_solid", unseen="model")
    assert result.status in ("ok", "boundary")
    assert result.slope_per_10k == pytest.approx(0.0, abs=3 * NEAR)
    assert result.se_baseline > 0.0


def test_a_wide_window_weighs_less(rows):
    expected = expected_times(rows)
    window = rows.assign(time_lower_s=rows["time_upper_s"] * 0.999)
    window.loc[[0, 5], "time_lower_s"] = 0.5 * window.loc[[0, 5], "time_upper_s"]
    fit = fit_mixed(
        window, endpoint="t_solid", offset=expected.ln_time, unseen="model", second_engine=False
    )
    weights = np.abs(row_weights(fit.arrays, fit.model))
    wide = np.isin(fit.arrays.label, [0, 5])
    other = np.isin(fit.arrays.label, [6, 11])
    assert weights[wide].max() < 0.7 * weights[other].min()
    # Windows of a thousandth are as good as exact.
    exact = fit_mixed(rows, endpoint="t_solid", offset=expected.ln_time, second_engine=False)
    narrow = rows.assign(time_lower_s=rows["time_upper_s"] * 0.999)
    near = fit_mixed(
        narrow, endpoint="t_solid", offset=expected.ln_time, unseen="model", second_engine=False
    )
    same = np.abs(row_weights(near.arrays, near.model) - row_weights(exact.arrays, exact.model))
    assert same.max() < 0.05 * np.abs(row_weights(exact.arrays, exact.model)).max()


def test_rows_of_every_kind_take_part():
    rows = labs(("a", "b"))
    group = rows.groupby("start_temp_c")["time_upper_s"].agg(["mean", "std"]).reset_index()
    table = pd.DataFrame(
        {
            "source_id": "s",
            "record_level": "arm_summary",
            "endpoint": "t_solid",
            "start_temp_c": group["start_temp_c"],
            "mean_s": group["mean"],
            "sd_s": group["std"],
            "n_runs": 6,
            "sink_type": "freezer",
            "sink_temp_c": -18.0,
            "water_mass_start_g": 120.0,
            "inner_diameter_mm": 65.0,
            "lid": "open",
        }
    )
    contrast = pd.DataFrame(
        {
            "source_id": ["t"],
            "record_level": "contrast_summary",
            "endpoint": "t_solid",
            "contrast_scale": "log_ratio",
            "contrast_value": 0.09,
            "contrast_se": 0.02,
            "start_temp_hot_c": 80.0,
            "start_temp_cold_c": 20.0,
        }
    )
    both = pd.concat([rows, table, contrast], ignore_index=True)
    result = excess_slope(both, endpoint="t_solid")
    assert result.fit.studies == 4
    assert result.fit.arrays.difference.sum() == 1
    assert result.slope_per_10k == pytest.approx(0.0, abs=2 * NEAR)


def test_design_that_cannot_answer(rows):
    one = rows[rows["start_temp_c"] == 20.0]
    result = excess_slope(one, endpoint="t_solid", pair=(20.0, 80.0))
    assert result.status in ("unidentifiable", "failed")
    assert np.isnan(result.slope_per_10k)
    assert np.isnan(result.total_at_pair)
    assert result.note
    assert "beyond ordinary physics:" in result.headline()


def test_refusals(rows):
    with pytest.raises(InputError, match='No row has the endpoint "t_zero"'):
        excess_slope(rows, endpoint="t_zero")
    with pytest.raises(InputError, match='Choose one of "slopes", "everything"'):
        excess_slope(rows, endpoint="t_solid", refit="all")
    with pytest.raises(InputError, match="rows is a dict"):
        excess_slope({}, endpoint="t_solid")


def test_combining_draws_by_hand():
    combined = combine_draws([1.0, 2.0, 3.0], [0.5, 0.5, 0.5], df=8.0)
    # Within 0.5, between (1 + 1/3) times 1, so 11/6 in all.
    assert combined.estimate == 2.0
    assert combined.within == 0.5
    assert combined.between == pytest.approx(4 / 3)
    assert combined.se == pytest.approx(np.sqrt(11 / 6))
    assert combined.df == pytest.approx((11 / 6) ** 2 / (0.5**2 / 8 + (4 / 3) ** 2 / 2))
    alone = combine_draws([1.0, 1.0], [0.25, 0.25])
    assert alone.se == 0.5
    assert np.isinf(alone.df)


@pytest.mark.parametrize("draws", [([1.0], [1.0]), ([1.0, 2.0], [1.0]), ([1.0, 2.0], [1.0, -1.0])])
def test_combining_refuses(draws):
    with pytest.raises(InputError, match="at least two draws"):
        combine_draws(*draws)
