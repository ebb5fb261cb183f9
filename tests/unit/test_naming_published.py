"""Published tables: groups, contrasts, counts; stored as stated, in seconds."""

from __future__ import annotations

import math

import pytest
from naming_sheets import check_cells, check_text, column, messages, rules

from metafreeze.register.files.sheets import Dialect
from metafreeze.register.meaning.spreads import find_kind, read_stated, split_pair
from metafreeze.register.meaning.values import number_reader
from metafreeze.register.rows.contrasts import p_disagrees

POINT = number_reader(Dialect(decimal="."))
NAN = math.nan


@pytest.mark.parametrize(
    ("text", "centre", "kind_of_centre", "width", "low", "high", "kind", "level", "n"),
    [
        ("41.2", 41.2, "", NAN, NAN, NAN, "", NAN, NAN),
        ("40.0 (median)", 40.0, "median", NAN, NAN, NAN, "", NAN, NAN),
        ("41.2 ± 3.1", 41.2, "", 3.1, NAN, NAN, "", NAN, NAN),
        ("41.2 +/- 3.1 (SD)", 41.2, "", 3.1, NAN, NAN, "SD", NAN, NAN),
        ("41.2 (3.1)", 41.2, "", 3.1, NAN, NAN, "", NAN, NAN),
        ("41.2 (SE = 0.9, n = 8)", 41.2, "", 0.9, NAN, NAN, "SE", NAN, 8.0),
        ("41.2 [38.1, 44.3]", 41.2, "", NAN, 38.1, 44.3, "", NAN, NAN),
        ("41.2 (95% CI 38.1 to 44.3)", 41.2, "", NAN, 38.1, 44.3, "CI", 0.95, NAN),
        ("median 40 (IQR 37–44)", 40.0, "median", NAN, 37.0, 44.0, "IQR", NAN, NAN),
    ],
)
def test_cells_with_a_centre(
    text: str,
    centre: float,
    kind_of_centre: str,
    width: float,
    low: float,
    high: float,
    kind: str,
    level: float,
    n: float,
) -> None:
    stated = read_stated(text, POINT, with_centre=True)
    assert stated.readable
    assert (stated.centre, stated.centre_kind, stated.kind) == (centre, kind_of_centre, kind)
    found = (stated.width, stated.low, stated.high, stated.level, stated.n)
    assert found == pytest.approx((width, low, high, level, n), nan_ok=True)


@pytest.mark.parametrize("text", ["x", "about right", "41.2 and some", "±"])
def test_cells_that_are_no_statement(text: str) -> None:
    stated = read_stated(text, POINT, with_centre=True)
    assert not stated.readable


@pytest.mark.parametrize(
    ("text", "pair"),
    [
        ("42.1-47.9", (42.1, 47.9)),
        ("43.0, 49.4", (43.0, 49.4)),
        ("-4.6 to -1.0", (-4.6, -1.0)),
        ("−4.6–−1.0", (-4.6, -1.0)),
        ("-4.6--1.0", (-4.6, -1.0)),
        ("37 … 44", (37.0, 44.0)),
        ("x-y", None),
    ],
)
def test_pairs(text: str, pair: tuple[float, float] | None) -> None:
    assert split_pair(text, POINT) == pair


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("SD", ("SD", NAN)),
        ("standard deviation", ("SD", NAN)),
        ("SEM", ("SE", NAN)),
        ("s.e.", ("SE", NAN)),
        ("95% CI", ("CI", 0.95)),
        ("90 % confidence interval", ("CI", 0.9)),
        ("CI95", ("CI", 0.95)),
        ("IQR", ("IQR", NAN)),
        ("min-max", ("range", NAN)),
        ("who knows", ("", NAN)),
    ],
)
def test_kinds_of_spread(text: str, kind: tuple[str, float]) -> None:
    found = find_kind(text)
    assert found[0] == kind[0]
    assert found[1] == pytest.approx(kind[1], nan_ok=True)


def test_groups_in_long_form() -> None:
    check = check_text("source,start (°C),mean (min),SD,n\nA,80,41.2,3.1,12\nA,20,44,2.8,12\n")
    assert check.kind == "summaries"
    assert column(check, "record_level") == ["arm_summary"] * 2
    assert column(check, "mean_s") == [2472.0, 2640.0]
    assert column(check, "sd_s") == pytest.approx([186.0, 168.0])
    assert column(check, "n_runs") == [12, 12]
    assert rules(check) == ["unit-shared"]


def test_groups_in_wide_form() -> None:
    check = check_text(
        "Study,Hot mean (min),Hot SD (min),Hot n,Cold mean (min),Cold SD (min),Cold n,"
        "Hot start (C),Cold start (C)\nP1,41.2,3.1,12,44,2.8,11,80,20\n"
    )
    assert column(check, "arm") == ["hot", "cold"]
    assert column(check, "start_temp_c") == [80.0, 20.0]
    assert column(check, "mean_s") == [2472.0, 2640.0]
    assert column(check, "n_runs") == [12, 11]


def test_mean_and_spread_in_one_cell_with_decimal_commas() -> None:
    check = check_text(
        "study;group;T0 (°C);mean ± SEM (min);n\n"
        "P1;hot;80;41,2 ± 0,9;12\nP1;cold;20;44,0 ± 0,8;12\n"
    )
    assert column(check, "mean_s") == [2472.0, 2640.0]
    assert column(check, "se_s") == pytest.approx([54.0, 48.0])
    assert column(check, "sd_s") == [None, None]
    assert check.accepted


def test_a_time_beside_a_spread_is_a_mean_and_said_so() -> None:
    check = check_text("lab,start (C),freeze time (min),SD (min),n\nA,80,41,3,5\n")
    assert column(check, "mean_s") == [2460.0]
    assert rules(check) == ["time-is-a-mean"]


def test_half_widths_widths_and_relative_spreads() -> None:
    check = check_text(
        "source,arm,start_C,mean_min,spread,spread type,n\n"
        "A,hot,80,40,3,95% CI,10\nB,hot,80,40,5 %,CV,10\nC,hot,80,40,8,IQR,10\n"
    )
    assert column(check, "ci_low_s")[0] == pytest.approx(2220.0)
    assert column(check, "ci_high_s")[0] == pytest.approx(2580.0)
    assert column(check, "sd_s")[1] == pytest.approx(120.0)
    found = [(f.rule, f.location.row) for f in check.findings if f.location.row == 4]
    assert sorted(found) == [("no-spread", 4), ("spread-without-ends", 4)]


def test_unlabelled_bars_are_asked_and_answers_hold_for_them_only() -> None:
    text = "study,arm,start_C,mean_min,error,n\nA,hot,80,41,0.9,10\n"
    asked = check_text(text)
    assert rules(asked, "question") == ["bars-unstated"]
    assert column(asked, "error_bar_meaning") == ["unstated"]
    for bars, field, value in (
        ("SD", "sd_s", 54.0),
        ("SE", "se_s", 54.0),
        ("CI95", "ci_high_s", 2514.0),
    ):
        answered = check_text(text, bars=bars)
        assert column(answered, field) == pytest.approx([value])
        assert answered.accepted
    both = check_text(text, bars="both")
    assert column(both, "error_bar_meaning") == ["unstated"]
    assert column(both, "sd_s") == pytest.approx([54.0])
    assert both.accepted


def test_groups_that_contradict_themselves() -> None:
    check = check_text(
        "source,start_C,mean_min,ci_low,ci_high,q1,q3,n\nA,80,41,44,38,,,5\nB,80,41,42,44,,,5\n"
        "C,80,41,,,45,40,5\nD,80,41,,,42,45,5\n"
    )
    assert rules(check, "error") == [
        "bounds-swapped",
        "outside-own-interval",
        "bounds-swapped",
        "outside-own-interval",
    ]


def test_groups_that_cannot_be_weighed_are_listed() -> None:
    check = check_text(
        "source,arm,start_C,mean_min,sd_min,n\nA,hot,80,41,,5\nB,hot,80,41,0,5\nC,hot,80,41,2,1\n"
        "D,hot,80,41,2,\nE,hot,80,,2,5\nF,hot,80,41,2,0\n"
    )
    found = [(f.rule, f.location.row) for f in check.findings if f.location.row]
    assert found == [
        ("no-spread", 2),
        ("zero-spread", 3),
        ("single-run", 4),
        ("no-count", 5),
        ("no-centre", 6),
        ("no-runs", 7),
    ]
    assert column(check, "exclusion_reason") == [
        None,
        None,
        None,
        None,
        "no mean or median",
        "no runs in this arm (n = 0)",
    ]
    assert check.accepted


def test_a_spread_out_of_line_by_root_n_is_queried() -> None:
    check = check_text(
        "study,arm,start_C,mean_min,sd_min,n\nA,hot,80,41,3,10\nA,cold,20,44,3.2,10\n"
        "B,hot,80,40,2.8,12\nB,cold,20,42,0.8,12\n"
    )
    (said,) = messages(check, "spread-out-of-line")
    assert said.startswith("B, cold has an SD of 1.9 % of its mean where the others have about 7.3")
    alike = check_text(
        "study,arm,start_C,mean_min,sd_min,n\nA,hot,80,41,3,10\nA,cold,20,44,3.2,10\n"
        "B,hot,80,40,2.8,12\nB,cold,20,42,2.5,12\n"
    )
    assert messages(alike, "spread-out-of-line") == []


@pytest.mark.parametrize(
    ("heading", "value", "scale", "stored"),
    [
        ("hot - cold (min)", "-2.8", "difference_s", -168.0),
        ("cold - hot (min)", "2.8", "difference_s", -168.0),
        ("ratio hot/cold", "0.9", "log_ratio", math.log(0.9)),
        ("ratio cold/hot", "1.25", "log_ratio", math.log(0.8)),
        ("ln(hot/cold)", "-0.1", "log_ratio", -0.1),
        ("% change", "-10", "log_ratio", math.log(0.9)),
    ],
)
def test_contrasts_are_turned_to_hot_against_cold(
    heading: str, value: str, scale: str, stored: float
) -> None:
    check = check_text(f"source,{heading},SE\nA,{value},0.05\n")
    assert column(check, "record_level") == ["contrast_summary"]
    assert column(check, "contrast_scale") == [scale]
    assert column(check, "contrast_value") == pytest.approx([stored])
    assert check.accepted


def test_limits_turn_with_the_contrast() -> None:
    check = check_text("source,ratio cold/hot,95% CI lower,95% CI upper\nA,1.1,1.02,1.19\n")
    assert column(check, "contrast_low") == pytest.approx([-math.log(1.19)])
    assert column(check, "contrast_high") == pytest.approx([-math.log(1.02)])
    assert column(check, "ci_level") == [0.95]
    text = check_text("source,difference (min),95% CI\nA,-2.8,-4.6 to -1.0\n")
    assert column(text, "contrast_low") == pytest.approx([-276.0])
    assert column(text, "contrast_high") == pytest.approx([-60.0])


def test_contrasts_with_their_error_in_the_cell() -> None:
    check = check_text("source,hot - cold (min)\nA,-2.8 (SE 0.9)\nB,-2.8 (95% CI -4.6 to -1.0)\n")
    assert column(check, "contrast_value") == pytest.approx([-168.0, -168.0])
    assert column(check, "contrast_se")[0] == pytest.approx(54.0)
    assert column(check, "contrast_low")[1] == pytest.approx(-276.0)
    unsaid = check_text("source,hot - cold (min)\nA,-2.8 ± 0.9\n")
    assert rules(unsaid, "question") == ["bars-unstated"]


def test_a_ratio_below_zero_is_refused() -> None:
    check = check_text("source,ratio hot/cold,SE\nA,-0.5,0.1\n")
    assert rules(check, "error") == ["ratio-not-positive"]


@pytest.mark.parametrize(
    ("row", "fits"),
    [
        # Recomputed from a normal or a t interval with so many degrees of freedom.
        ((-2.8, -4.6, -1.0, 0.004), True),
        ((-1.9, -3.5, -0.3, 0.02), True),
        ((2.0, 0.5, 3.5, 0.03), True),
        ((0.1, -1.0, 1.2, 0.86), True),
        ((-0.5, -1.5, 0.5, 0.001), False),
        ((-3.0, -5.0, -1.0, 0.4), False),
        ((5.0, 4.0, 6.0, 0.04), False),
    ],
)
def test_p_and_interval(row: tuple[float, float, float, float], fits: bool) -> None:
    value, low, high, p = row
    assert (p_disagrees(value, low, high, level=0.95, p=p) == "") is fits


def test_counts_of_pairs() -> None:
    check = check_text(
        "source,hot first (k/n),hot start (°C),cold start (°C)\nA,7/10,80,20\nB,3 of 9,75,25\n"
    )
    assert column(check, "record_level") == ["pair_count"] * 2
    assert column(check, "k_hot_first") == [7, 3]
    assert column(check, "n_pairs") == [10, 9]
    assert column(check, "start_temp_hot_c") == [80.0, 75.0]
    apart = check_text("source,hot first,pairs,ties\nA,7,10,1\n")
    assert column(apart, "n_ties") == [1]
    single = check_text("source,winner\nA,hot\nA,cold\nA,tie\n")
    assert column(single, "k_hot_first") == [1, 0, 0]
    assert column(single, "n_ties") == [0, 0, 1]
    assert single.accepted
    assert rules(check_text("source,hot first,pairs\nA,8,7\n"), "error") == ["more-than-all-pairs"]
    assert rules(check_text("source,k/n\nA,7/10\nB,many\n"), "error") == ["not-a-count"]


def test_entries_of_one_source_are_told_apart_by_what_they_say() -> None:
    apart = check_text(
        "source,endpoint,effect_min,variance\nA,first ice,-2.8,0.9\nA,fully solid,1.1,0.8\n"
    )
    assert apart.accepted
    text = "source,effect_min,variance\nA,-2.8,0.9\na ,1.1,0.8\n"
    assert rules(check_text(text), "question") == ["same-source-twice"]
    assert column(check_text(text, same_source="one"), "source_id") == ["A", "A"]
    separate = column(check_text(text, same_source="separate"), "source_id")
    assert separate == ["A (row 2)", "a (row 3)"]


def test_titles_units_rows_and_groups_of_a_workbook() -> None:
    check = check_cells(
        [
            ["Mean times"],
            ["lab", "start", "mean", "SD", "n"],
            ["", "°C", "min", "min", ""],
            ["A", 80, 41, 3, 5],
            ["A", 20, 39, 2, 5],
        ]
    )
    assert column(check, "mean_s") == [2460.0, 2340.0]
    assert column(check, "sd_s") == [180.0, 120.0]
    assert check.accepted


def test_a_bound_of_p_is_kept_as_typed() -> None:
    check = check_text("source,effect_min,se_min,p\nA,-2.8,0.9,<0.001\nB,1,0.9,n.s.\nC,1,0.9,0.3\n")
    assert column(check, "p_value") == [None, None, 0.3]
    assert rules(check)[-2:] == ["bound-of-p", "bound-of-p"]
    assert "p=<0.001" in column(check, "as_reported")[0]
    assert check.accepted


def test_contrasts_whose_cells_say_their_unit() -> None:
    check = check_text(
        "study,comparison,value,SE\nA,hot minus cold,-2.8 min,0.9 min\nB,hot/cold,0.93,0.04\n"
    )
    assert column(check, "contrast_value") == pytest.approx([-168.0, math.log(0.93)])
    assert column(check, "contrast_se") == pytest.approx([54.0, 0.04 / 0.93])
    assert check.accepted


def test_hot_first_may_be_answered_by_yes_and_no() -> None:
    check = check_text("batch,hot first?\n1,yes\n2,no\n3,yes\n")
    assert column(check, "k_hot_first") == [1, 0, 1]
    assert column(check, "n_pairs") == [1, 1, 1]
