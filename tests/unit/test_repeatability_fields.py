"""Scatter within and between laboratories, every field, from plain sums."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from metafreeze.errors import InputError
from metafreeze.models.pooled import pool
from metafreeze.models.repeatability import measure_effect_repeatability, measure_repeatability
from metafreeze.results import round_for_people

NAN = float("nan")


def plain(values, lab, level):
    labs = sorted(set(lab))
    groups = [[y for y, name in zip(values, lab, strict=True) if name == one] for one in labs]
    N, p = len(values), len(labs)
    ss = sum((y - np.mean(g)) ** 2 for g in groups for y in g)
    df = N - p
    mean = sum(values) / N
    within = ss / df
    n0 = (N - sum(len(g) ** 2 for g in groups) / N) / (p - 1)
    square = sum(len(g) * (np.mean(g) - mean) ** 2 for g in groups) / (p - 1)
    between = max(0.0, (square - within) / n0)
    tail = (1 - level) / 2
    factor = stats.norm.ppf(1 - tail) * 2**0.5
    return {
        "mean": mean,
        "repeatability_sd": within**0.5,
        "repeatability_low": (ss / stats.chi2.ppf(1 - tail, df)) ** 0.5,
        "repeatability_high": (ss / stats.chi2.ppf(tail, df)) ** 0.5,
        "between_sd": between**0.5,
        "reproducibility_sd": (within + between) ** 0.5,
        "repeatability_limit": factor * within**0.5,
        "reproducibility_limit": factor * (within + between) ** 0.5,
        "df_within": df,
        "labs": p,
        "runs": N,
        "level": level,
    }


@pytest.mark.parametrize("level", [0.95, 0.8])
@pytest.mark.parametrize(
    ("sizes", "between"),
    [((3, 5, 2), 2.0), ((2, 1, 1, 4), 1.0), ((4, 4), 0.0), ((2, 1), 3.0), ((6, 7, 5), 0.0)],
)
def test_every_field(sizes, between, level):
    rng = np.random.default_rng(sum(sizes))
    lab = np.repeat([f"lab {j}" for j in range(len(sizes))], sizes)
    y = 5 + np.repeat(rng.normal(0, between, len(sizes)), sizes) + rng.normal(0, 0.5, lab.size)
    order = rng.permutation(lab.size)
    y, lab = y[order], lab[order]
    found = measure_repeatability(y, lab, level=level)
    for name, value in plain(list(y), list(lab), level).items():
        assert getattr(found, name) == pytest.approx(value, rel=1e-9, abs=1e-12), name
    zero = found.between_sd == 0
    assert found.status == ("boundary" if zero else "ok")
    assert ("does not show that they agree" in found.note) == zero
    assert (found.note == "") == (not zero)
    assert found.reasons == {}
    frame_and_line(found)


def frame_and_line(found):
    share = f"{100 * found.level:g} %"
    why = found.reasons.get
    rows = [
        (
            "repeatability SD",
            found.repeatability_sd,
            found.repeatability_low,
            found.repeatability_high,
        ),
        ("between-lab SD", found.between_sd, NAN, NAN),
        ("reproducibility SD", found.reproducibility_sd, NAN, NAN),
        ("repeatability limit", found.repeatability_limit, NAN, NAN),
        ("reproducibility limit", found.reproducibility_limit, NAN, NAN),
    ]
    frame = found.to_frame()
    pd.testing.assert_frame_equal(
        frame[["quantity", "estimate", "low", "high"]],
        pd.DataFrame(rows, columns=["quantity", "estimate", "low", "high"]),
    )
    reasons = [why("within", ""), *[why("between", "")] * 2, why("within", ""), why("between", "")]
    assert list(frame["reason"]) == reasons
    assert [share in words for words in frame["meaning"]] == [False, False, False, True, True]
    assert found.headline() == (
        f"repeatability SD {round_for_people(found.repeatability_sd)}, reproducibility SD "
        f"{round_for_people(found.reproducibility_sd)}: {found.runs} runs in {found.labs} labs; "
        f"{found.status}"
    )


def test_both_ends_of_the_between_variance_were_seen():
    apart = measure_repeatability([1.0, 1.1, 3.0, 3.1], ["a", "a", "b", "b"])
    assert apart.between_sd > 1 and apart.status == "ok" and apart.level == 0.95
    level = measure_repeatability([1.0, 2.0, 1.0, 2.0], ["a", "a", "b", "b"])
    assert level.between_sd == 0 and level.status == "boundary"
    # Mean square between labs equal to the one within: exactly zero is a boundary too.
    even = measure_repeatability([0.0, 2.0, 0.0, 2.0, 4.0, -2.0 + 4.0], list("aabbcc"))
    square, within = 2 * np.var([1.0, 1.0, 3.0], ddof=1), 2.0
    expected = max(0.0, square - within) / 2
    assert even.between_sd == pytest.approx(expected**0.5)


@pytest.mark.parametrize(
    ("y", "lab", "known", "reasons"),
    [
        (
            [1.0, 2.0],
            ["a", "b"],
            False,
            {
                "within": "no laboratory has two runs",
                "between": "without two runs in some laboratory, labs and runs cannot be told "
                "apart",
            },
        ),
        ([1.0, 2.0, 4.0], ["a"] * 3, True, {"between": "one laboratory says nothing on others"}),
        (
            [1.0],
            ["a"],
            False,
            {
                "within": "no laboratory has two runs",
                "between": "one laboratory says nothing on others",
            },
        ),
    ],
)
def test_what_cannot_be_known(y, lab, known, reasons):
    found = measure_repeatability(y, lab)
    assert found.reasons == reasons and found.status == "unidentifiable"
    assert found.note == "; ".join(sorted(set(reasons.values())))
    assert np.isnan([found.between_sd, found.reproducibility_sd, found.reproducibility_limit]).all()
    numbers = [found.repeatability_sd, found.repeatability_low, found.repeatability_high]
    assert np.isfinite([*numbers, found.repeatability_limit]).all() == known
    if known:
        assert found.repeatability_sd == pytest.approx(np.std(y, ddof=1))
    else:
        assert np.isnan(numbers).all()
    assert found.df_within == len(y) - len(set(lab))
    frame_and_line(found)


@pytest.mark.parametrize(
    ("y", "lab"),
    [
        ([1.0, NAN], ["a", "a"]),
        ([1.0], ["a", "b"]),
        ([], []),
        ([[1.0, 2.0]], [["a", "b"]]),
        ([1.0, np.inf], ["a", "a"]),
    ],
)
def test_what_is_no_run_is_refused(y, lab):
    with pytest.raises(InputError, match="one finite value and one laboratory"):
        measure_repeatability(y, lab)
    with pytest.raises(InputError, match="level"):
        measure_repeatability([1.0, 2.0], ["a", "a"], level=1.0)


@pytest.mark.parametrize("level", [0.95, 0.8])
@pytest.mark.parametrize("k", [1, 2, 6])
def test_effects_of_laboratories_in_every_field(k, level):
    rng = np.random.default_rng(k)
    y, v = rng.normal(0, 1, k), rng.uniform(0.05, 0.4, k)
    found = measure_effect_repeatability(y, v, spread="paule-mandel", level=level)
    fit = pool(y, v, spread="paule-mandel", level=level)
    w = 1 / v
    typical = v[0] if k == 1 else (k - 1) * sum(w) / (sum(w) ** 2 - sum(w**2))
    factor = stats.norm.ppf(1 - (1 - level) / 2) * 2**0.5
    any_lab = (typical + fit.tau2) ** 0.5
    numbers = (
        found.mean,
        found.repeatability_sd,
        found.between_sd,
        found.reproducibility_sd,
        found.repeatability_limit,
        found.reproducibility_limit,
    )
    expected = (
        *(fit.estimate, typical**0.5, fit.tau2**0.5, any_lab),
        *(factor * typical**0.5, factor * any_lab),
    )
    assert numbers == pytest.approx(expected, nan_ok=True)
    assert np.isnan([found.repeatability_low, found.repeatability_high]).all()
    assert (found.df_within, found.labs, found.runs, found.level) == (np.inf, k, k, level)
    assert (found.status, found.note) == (fit.status, fit.note)
    assert found.reasons == ({} if k > 1 else {"between": "one laboratory says nothing on others"})
    frame_and_line(found)


def test_effects_by_default_use_the_restricted_likelihood():
    y, v = np.array([0.1, 0.9, 0.4]), np.array([0.02, 0.05, 0.1])
    found = measure_effect_repeatability(y, v)
    assert found.between_sd == pytest.approx(pool(y, v).tau2 ** 0.5)
    assert found.level == 0.95
    # Equal variances: the typical one is theirs.
    assert measure_effect_repeatability(y, np.full(3, 0.04)).repeatability_sd == pytest.approx(0.2)
