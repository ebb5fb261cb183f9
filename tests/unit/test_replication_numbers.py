"""Every answer of a replication, with its numbers, by the plain formulas of the sources."""

import numpy as np
import pytest
from scipy import optimize, stats

from metafreeze.errors import InputError
from metafreeze.models.power import two_group_power
from metafreeze.models.replication import (
    assess_equivalence,
    compare_replication,
    golden_level,
    liberal_level,
    replication_prediction,
    replication_q,
    sceptical_p,
    smallest_noticeable_d,
    smallest_noticeable_z,
)
from metafreeze.results import round_for_people

NAN = float("nan")
# Roots to 1e-13 and tails of distributions agree to about this.
SAME = {"rel": 1e-8, "abs": 1e-14}
Z95 = 1.959963984540054  # tables of the normal law
COLUMNS = ["measure", "question", "answer", "value", "low", "high", "p", "reason"]


def sceptical(z_o, z_r, c):
    """Held's equation, solved by halving."""
    low, high = 0.0, min(z_o**2, z_r**2)
    for _ in range(200):
        s = (low + high) / 2
        if s and (z_o**2 / s - 1) * (z_r**2 / s - 1) > c:
            low = s
        else:
            high = s
    return 2 * stats.norm.sf(s**0.5)


def z_power(z, alpha):
    crit = stats.norm.isf(alpha / 2)
    return stats.norm.cdf(-crit - z) + stats.norm.sf(crit - z)


def plain_answers(original, original_se, new, new_se, smallest, level):
    """One row a measure: answer, value, low, high, p."""
    y, se = np.atleast_1d(new), np.atleast_1d(new_se)
    w = [1 / s**2 for s in se]
    b = sum(a * c for a, c in zip(w, y, strict=True)) / sum(w)
    b_se = sum(w) ** -0.5
    alpha, crit = 1 - level, stats.norm.isf((1 - level) / 2)
    p_o, p_n = (2 * stats.norm.sf(abs(e) / s) for e, s in ((original, original_se), (b, b_se)))
    rows = {"sign": (original * b > 0, b, NAN, NAN, NAN)}
    rows["significance"] = (
        original * b > 0 and p_o <= alpha and p_n <= alpha,
        *(b, NAN, NAN, p_n),
    )
    low, high = b - crit * b_se, b + crit * b_se
    rows["original in new interval"] = (low <= original <= high, b, low, high, NAN)
    both = (original_se**2 + b_se**2) ** 0.5
    low, high = original - crit * both, original + crit * both
    p = 2 * stats.norm.sf(abs(original - b) / both)
    rows["prediction"] = (low <= b <= high, b, low, high, p)
    noticed = optimize.brentq(lambda z: z_power(z, alpha) - 1 / 3, 0.0, 12.0, xtol=1e-13)
    turn = 1 if original > 0 else -1
    p = stats.norm.cdf((turn * b - noticed * original_se) / b_se)
    rows["small telescopes"] = (p > alpha, turn * noticed * original_se, NAN, NAN, p)
    every, errors = np.concatenate([[original], y]), np.concatenate([[original_se], se])
    w = 1 / errors**2
    centre = (w * every).sum() / w.sum()
    q, df = (w * (every - centre) ** 2).sum(), y.size
    rows["exact replication"] = (
        stats.chi2.sf(q, df) > alpha,
        *(q, NAN, stats.chi2.ppf(level, df), stats.chi2.sf(q, df)),
    )
    p = stats.ncx2.sf(q, df, df / 4)
    rows["approximate replication"] = (
        p > alpha,
        *(q, NAN, stats.ncx2.ppf(level, df, df / 4), p),
    )
    p = sceptical(original / original_se, b / b_se, original_se**2 / b_se**2)
    limit = 2 * stats.norm.sf(crit / ((1 + 5**0.5) / 2) ** 0.5)
    rows["sceptical p"] = (original * b > 0 and p <= limit, p, NAN, limit, p)
    if smallest is not None:
        p = max(stats.norm.sf((b + smallest) / b_se), stats.norm.cdf((b - smallest) / b_se))
        half = stats.norm.isf(alpha) * b_se
        rows["equivalence"] = (p < alpha, b, b - half, b + half, p)
    return b, b_se, rows


@pytest.mark.parametrize("level", [0.95, 0.8])
@pytest.mark.parametrize(
    ("original", "original_se", "new", "new_se", "smallest"),
    [
        (0.5, 0.2, 0.4, 0.1, 0.6),
        (-0.5, 0.2, -0.4, 0.1, 0.2),
        (0.5, 0.2, -0.1, 0.1, 0.3),
        (-0.9, 0.1, 0.05, 0.02, 0.1),
        (0.41, 0.2, [0.6, 0.3, 0.2], [0.2, 0.1, 0.15], 0.5),
        (-3.0, 1.0, [-2.0, -2.5], [0.5, 0.7], 1.0),
        (0.1, 0.2, 0.02, 0.2, 0.05),
    ],
)
def test_every_row_is_its_formula(original, original_se, new, new_se, smallest, level):
    found = compare_replication(
        original, original_se, new, new_se, smallest_of_interest=smallest, level=level
    )
    b, b_se, rows = plain_answers(original, original_se, new, new_se, smallest, level)
    assert list(found.answers.columns) == COLUMNS
    assert list(found.answers["measure"]) == list(rows)
    for row in found.answers.itertuples(index=False):
        yes, *numbers = rows[row.measure]
        assert row.answer == ("yes" if yes else "no")
        assert found.answer(row.measure) == row.answer
        assert [row.value, row.low, row.high, row.p] == pytest.approx(numbers, **SAME, nan_ok=True)
        assert row.reason == "" and row.question.endswith("?")
    assert (found.new, found.new_se) == pytest.approx((b, b_se))
    assert (found.original, found.original_se, found.level) == (original, original_se, level)
    several = np.size(new) > 1
    assert found.k_new == np.size(new)
    assert found.note == ("the new studies are pooled as one common effect" if several else "")
    count = sum(bool(r[0]) for r in rows.values())
    assert found.headline() == (
        f"original {round_for_people(original)}, new {round_for_people(b)} "
        f"({np.size(new)} new): {count} of 9 questions answered yes"
    )


def test_questions_without_what_they_need_cannot_be_told():
    found = compare_replication(0.0, 0.2, 0.4, 0.1)
    assert found.level == 0.95
    table = found.answers.set_index("measure")
    for measure, words in (("small telescopes", "no direction"), ("equivalence", "no smallest")):
        row = table.loc[measure]
        assert row["answer"] == "cannot tell" and words in row["reason"]
        assert row[["value", "low", "high", "p"]].isna().all()
    assert found.answer("sign") == "no"
    assert found.answer("sceptical p") == "no" and table.loc["sceptical p", "p"] == 1.0
    # The sign of the smallest effect of interest says nothing.
    one, other = (
        compare_replication(0.3, 0.2, 0.01, 0.01, smallest_of_interest=s) for s in (0.1, -0.1)
    )
    assert one.answer("equivalence") == other.answer("equivalence") == "yes"
    assert one.to_frame() is not one.answers and one.to_frame().equals(one.answers)


def test_both_must_be_clear_of_zero():
    for original, new, clear in ((0.5, 0.5, "yes"), (0.5, 0.1, "no"), (0.1, 0.5, "no")):
        assert compare_replication(original, 0.1, new, 0.1).answer("significance") == clear
    assert compare_replication(0.5, 0.1, -0.5, 0.1).answer("significance") == "no"


@pytest.mark.parametrize(
    "values",
    [
        (0.1, 0.1, [0.1, 0.2], 0.1),
        (0.1, 0.1, [], []),
        (NAN, 0.1, 0.1, 0.1),
        (0.1, NAN, 0.1, 0.1),
        (0.1, 0.0, 0.1, 0.1),
        (0.1, -0.1, 0.1, 0.1),
        (0.1, 0.1, 0.1, 0.0),
        (0.1, 0.1, 0.1, float("inf")),
        (0.1, float("inf"), 0.1, 0.1),
        (0.1, 0.1, float("inf"), 0.1),
    ],
)
def test_what_is_no_effect_with_an_error_is_refused(values):
    with pytest.raises(InputError):
        compare_replication(*values)
    with pytest.raises(InputError):
        compare_replication(0.1, 0.1, 0.1, 0.1, level=1.0)


# --- the parts ----------------------------------------------------------------------------


@pytest.mark.parametrize("df", [3.0, 40.0, float("inf")])
@pytest.mark.parametrize("bounds", [(-0.3, 0.5), (-0.1, 0.1), (float("-inf"), 0.9)])
def test_equivalence_in_every_field(bounds, df):
    found = assess_equivalence(0.2, 0.08, bounds=bounds, df=df, alpha=0.1)
    law = stats.norm if df == np.inf else stats.t(df)
    p_low, p_high = law.sf((0.2 - bounds[0]) / 0.08), law.sf((bounds[1] - 0.2) / 0.08)
    half = law.ppf(0.9) * 0.08
    assert (found.p_low, found.p_high) == pytest.approx((p_low, p_high), **SAME)
    assert found.p == max(found.p_low, found.p_high)
    assert (found.low, found.high) == pytest.approx((0.2 - half, 0.2 + half))
    assert found.equivalent is bool(found.p < 0.1)
    assert (found.estimate, found.se, found.df, found.alpha) == (0.2, 0.08, df, 0.1)
    assert (found.bound_low, found.bound_high) == bounds
    frame = found.to_frame()
    t = [(0.2 - bounds[0]) / 0.08, (0.2 - bounds[1]) / 0.08, NAN]
    assert list(frame["t"]) == pytest.approx(t, nan_ok=True)
    assert list(frame["bound"]) == pytest.approx([*bounds, NAN], nan_ok=True)
    assert list(frame["df"]) == [df] * 3
    assert list(frame["p"]) == [found.p_low, found.p_high, found.p]
    word = "inside" if found.equivalent else "not shown to be inside"
    assert found.headline() == (
        f"effect {round_for_people(0.2)} (80 % {round_for_people(found.low)} to "
        f"{round_for_people(found.high)}) is {word} ({round_for_people(bounds[0])}, "
        f"{round_for_people(bounds[1])}), p {round_for_people(found.p)}"
    )


def test_equivalence_by_default_is_normal_at_five_percent_and_needs_the_inside():
    found = assess_equivalence(0.0, 1.0, bounds=(-2.0, 2.0))
    assert (found.df, found.alpha) == (float("inf"), 0.05)
    assert found.high == pytest.approx(1.6448536269514722)
    edge = found.high
    assert not assess_equivalence(0.0, 1.0, bounds=(-2.0, edge)).equivalent
    assert not assess_equivalence(0.0, 1.0, bounds=(-edge, 2.0)).equivalent
    assert assess_equivalence(0.0, 1.0, bounds=(-2.0, edge + 1e-9)).equivalent


@pytest.mark.parametrize(
    ("estimate", "se", "bounds", "alpha"),
    [
        (0.1, 0.0, (-1, 1), 0.05),
        (0.1, float("inf"), (-1, 1), 0.05),
        (float("inf"), 0.1, (-1, 1), 0.05),
        (0.1, NAN, (-1, 1), 0.05),
        (0.1, 0.1, (-1, 1), 0.0),
        (0.1, 0.1, (-1, 1), 0.5),
        (0.1, 0.1, (1, 1), 0.05),
        (0.1, 0.1, (1, -1), 0.05),
        (0.1, 0.1, (NAN, 1), 0.05),
        (0.1, 0.1, (float("-inf"), float("inf")), 0.05),
    ],
)
def test_equivalence_refuses(estimate, se, bounds, alpha):
    with pytest.raises(InputError):
        assess_equivalence(estimate, se, bounds=bounds, alpha=alpha)


def test_one_bound_may_be_infinite():
    assert assess_equivalence(0.1, 0.1, bounds=(-1.0, float("inf"))).equivalent
    assert assess_equivalence(0.1, 0.1, bounds=(float("-inf"), 1.0)).equivalent


@pytest.mark.parametrize(
    ("power", "alpha"), [(1 / 3, 0.05), (0.8, 0.05), (0.5, 0.2), (0.9999, 0.001)]
)
def test_the_noticeable_effect_has_just_this_power(power, alpha):
    z = smallest_noticeable_z(power=power, alpha=alpha)
    assert z > 0 and z_power(z, alpha) == pytest.approx(power, rel=1e-10)
    for n in (2, 2.5, 40):
        d = smallest_noticeable_d(n, power=power, alpha=alpha)
        assert d > 0 and two_group_power(d, n, alpha=alpha) == pytest.approx(power, rel=1e-8)


def test_a_third_of_power_at_five_percent_is_the_default():
    assert smallest_noticeable_z() == smallest_noticeable_z(power=1 / 3, alpha=0.05)
    assert smallest_noticeable_d(20) == smallest_noticeable_d(20, power=1 / 3, alpha=0.05)
    # With very many runs the t test is the normal one: d is z sqrt(2/n).
    assert smallest_noticeable_d(1e6) == pytest.approx(
        smallest_noticeable_z() * 2e-6**0.5, rel=1e-5
    )


@pytest.mark.parametrize(
    ("n", "power", "alpha"), [(1.9, 0.5, 0.05), (10, 0.05, 0.05), (10, 1.0, 0.05), (NAN, 0.5, 0.05)]
)
def test_no_noticeable_effect(n, power, alpha):
    with pytest.raises(InputError, match="power"):
        smallest_noticeable_d(n, power=power, alpha=alpha)


def test_the_sceptical_p_at_its_edges():
    for ratio in (0.0, -1.0, NAN):
        with pytest.raises(InputError, match="variance_ratio"):
            sceptical_p(1.0, 1.0, ratio)
    assert sceptical_p(0.0, 2.0, 1.0) == sceptical_p(2.0, 0.0, 1.0) == 1.0
    # Equal precision: 1/z_S² is 1/z_o² + 1/z_r² (Held 2020, harmonic mean).
    s = 1 / (1 / 2.5**2 + 1 / 3.0**2)
    assert sceptical_p(2.5, -3.0, 1.0) == pytest.approx(2 * stats.norm.sf(s**0.5))
    assert sceptical_p(2.5, 3.0, 0.5) == pytest.approx(sceptical(2.5, 3.0, 0.5))


def test_levels_of_the_sceptic():
    golden = (1 + 5**0.5) / 2
    for alpha in (0.025, 0.1):
        z = stats.norm.isf(alpha)
        assert golden_level(alpha) == pytest.approx(stats.norm.cdf(-z / golden**0.5))
        assert liberal_level(alpha) == pytest.approx(stats.norm.cdf(-z / 2**0.5))


def test_the_range_of_a_new_estimate():
    assert replication_prediction(1.0, 3.0, 4.0) == pytest.approx((1 - 5 * Z95, 1 + 5 * Z95))
    low, high = replication_prediction(1.0, 3.0, 4.0, level=0.5)
    assert high - low == pytest.approx(2 * 5 * 0.6744897501960817)


@pytest.mark.parametrize("allowed", [0.0, 0.5, 2.0])
def test_q_of_replication_in_every_field(allowed):
    y, v = np.array([0.2, 0.9, -0.1, 0.4]), np.array([0.1, 0.2, 0.05, 0.3])
    found = replication_q(y, v, allowed=allowed, alpha=0.1)
    centre = sum(y / v) / sum(1 / v)
    q = sum((y - centre) ** 2 / v)
    law = stats.ncx2(3, allowed) if allowed else stats.chi2(3)
    assert (found.df, found.allowed, found.alpha) == (3, allowed, 0.1)
    numbers = (found.q, found.p, found.critical)
    assert numbers == pytest.approx((q, 1 - law.cdf(q), law.ppf(0.9)), **SAME)
    default = replication_q(y, v)
    assert (default.allowed, default.alpha) == (0.0, 0.05)
    assert default.critical == pytest.approx(7.814727903251179)  # table of chi-square, 3 df


@pytest.mark.parametrize(
    ("y", "v"),
    [
        ([0.1], [0.1]),
        ([0.1, 0.2], [0.1]),
        ([0.1, 0.2], [0.1, 0.0]),
        ([[0.1], [0.2]], [[0.1], [0.2]]),
    ],
)
def test_q_of_replication_refuses(y, v):
    with pytest.raises(InputError, match="two or more"):
        replication_q(y, v)
    assert replication_q([0.1, 0.2], [0.1, 0.1]).df == 1
